//! Scenario files.

use crate::diagnostic::DiagnosticKind;
use crate::quantity::thousandths;
use crate::reading::instant::{known_moment, time_limit};
use crate::reading::wiring::CONTACTS;
use crate::reading::{Fields, Reading, expectation, meaning, script, timeline};
use crate::source::quoted;
use crate::suggest::nearest;
use crate::tree::Node;
use crate::words::{Mistake, Words};
use crate::{End, HazardId, Missing, Need, NeededPart, RelaySelector, Scenario, Segment, Spanned, Start, TimeLimit};

/// The keys of a scenario file.
pub(crate) const KEYS: &[&str] = &[
    "format",
    "scenario",
    "hazards",
    "tags",
    "why",
    "limits from",
    "covers alone",
    "needs",
    "start",
    "firing",
    crate::sweep::KEY,
    "script",
    "expect",
    "end",
];

/// The hazards of the library; scenarios may name others.
pub const KNOWN_HAZARDS: &[&str] = &[
    "probe-open",
    "probe-short",
    "probe-leak",
    "probe-reversed",
    "probe-crossed",
    "probe-frozen",
    "probe-pulled-out",
    "probe-offset",
    "cold-junction",
    "relay-welded",
    "relay-sticking",
    "element-lost",
    "heat-lost",
    "runaway",
    "over-temperature",
    "heat-while-idle",
    "firing-too-long",
    "stall",
    "supply-cut",
    "lid-open",
    "stop-pressed",
    "start-with-fault",
    "controller-hung",
    "limiter",
    "program-beyond-limits",
    "program-edited",
    "memory-damaged",
    "control",
];

/// Room temperature, where a scenario names none.
const DEFAULT_AMBIENT: i64 = 20_000;

/// The most that a list may hold.
pub(crate) const MAX_ITEMS: usize = 200;

pub(crate) fn read(reading: &mut Reading<'_>, root: &Node) -> Option<Scenario> {
    let what = "a scenario file";
    let fields = reading.fields(root, what, KEYS)?;
    let name = reading
        .require(&fields, "scenario", what, "the probe opens while the kiln climbs")
        .and_then(|node| reading.name(node, "the scenario's name"));
    let hazards = reading
        .require(&fields, "hazards", what, "[probe-open]")
        .and_then(|node| hazards(reading, node, "the list of hazards"));
    let tags = fields.get("tags").map(|node| tags(reading, node));
    let why = reading
        .require(&fields, "why", what, "With no reading the controller is blind; heat left on overfires the kiln.")
        .and_then(|node| reading.prose(node, "`why`"));
    let limits_from = reading
        .require(&fields, "limits from", what, "common practice")
        .and_then(|node| reading.prose(node, "`limits from`"));
    let covers_alone = fields.get("covers alone").map(|node| reading.prose(node, "`covers alone`"));
    let needs = fields.get("needs").map(|node| needs(reading, node));
    let start = fields.get("start").map(|node| start(reading, node));
    let firing = fields.get("firing").map(|node| firing(reading, node));
    let script = fields.get("script").map(|node| script::read(reading, node));
    let steps = script.flatten().unwrap_or_default();
    let expect = reading
        .require(&fields, "expect", what, "[{ name: never too hot, always: kiln < kiln limit }]")
        .and_then(|node| expectation::read(reading, node, &steps, hazards.as_deref()));
    let end =
        reading.require(&fields, "end", what, "30 min after burn-out").and_then(|node| end(reading, node, &steps));

    let scenario = Scenario {
        name: name?,
        hazards: hazards?,
        tags: tags.unwrap_or(Some(Vec::new()))?,
        why: why?,
        limits_from: limits_from?,
        covers_alone: match covers_alone {
            Some(text) => Some(text?),
            None => None,
        },
        needs: needs.unwrap_or(Some(Vec::new()))?,
        start: start
            .unwrap_or(Some(Start { ambient_millicelsius: DEFAULT_AMBIENT, kiln_millicelsius: DEFAULT_AMBIENT }))?,
        firing: firing.unwrap_or(Some(Vec::new()))?,
        script: steps,
        expect: expect?,
        end: end?,
    };
    if !reading.has_errors() {
        check_whole(reading, &fields, &scenario);
        declared_hazards(reading, &scenario);
        timeline::check(reading, &fields, &scenario);
        meaning::check(reading, &scenario);
    }
    Some(scenario)
}

/// The hazards that limits refer to: a typing error would leave the scenario untested.
fn declared_hazards(reading: &mut Reading<'_>, scenario: &Scenario) {
    let of_steps = scenario.script.iter().filter_map(|step| match &step.kind {
        crate::StepKind::At { offset, .. } => Some(offset),
        _ => None,
    });
    let limits = of_steps.chain(scenario.expect.iter().filter_map(crate::Expectation::time_limit));
    for limit in limits.chain([&scenario.end.offset]) {
        let (TimeLimit::Reaction { hazard, .. } | TimeLimit::HalfSafetyTime { hazard: Some(hazard), .. }) = limit
        else {
            continue;
        };
        let id = hazard.value.0.as_str();
        let own = scenario.hazards.iter().map(|own| own.value.0.as_str());
        if own.clone().any(|own| own == id) || KNOWN_HAZARDS.contains(&id) {
            continue;
        }
        let hint = match nearest(id, own.clone().chain(KNOWN_HAZARDS.iter().copied())) {
            Some(near) => format!("did you mean `{near}`?"),
            None => format!("the hazards of this scenario are {}", own.collect::<Vec<_>>().join(", ")),
        };
        reading.mistake(
            DiagnosticKind::UnknownWord,
            hazard.span,
            format!("neither this scenario nor the library knows the hazard {}", quoted(id)),
            hint,
        );
    }
}

/// What only the whole file shows.
fn check_whole(reading: &mut Reading<'_>, fields: &Fields<'_>, scenario: &Scenario) {
    let begins = scenario.script.iter().find(|step| step.kind == crate::StepKind::BeginFiring);
    match (begins, fields.entry("firing")) {
        (Some(step), None) => reading.mistake(
            DiagnosticKind::MissingKey,
            step.span,
            "a firing is begun, but the scenario has no `firing`",
            "for example `firing: [{ ramp: 150 °C/h, to: 1000 °C }, { hold: 20 min }]`".to_owned(),
        ),
        (None, Some(entry)) => reading.mistake(
            DiagnosticKind::Unused,
            entry.key_span,
            "the firing is never begun",
            "add the step `begin firing` to the script, or leave `firing` out".to_owned(),
        ),
        _ => {}
    }
}

pub(crate) fn hazards(reading: &mut Reading<'_>, node: &Node, what: &str) -> Option<Vec<Spanned<HazardId>>> {
    let items = reading.items(node, what)?;
    if items.is_empty() {
        reading.mistake(
            DiagnosticKind::Empty,
            node.span,
            format!("{what} is empty"),
            "name what is guarded against, for example `[probe-open]`; a plain test of control says `[control]`"
                .to_owned(),
        );
        return None;
    }
    let found: Vec<Option<Spanned<HazardId>>> = items.iter().map(|item| hazard(reading, item)).collect();
    let names: Vec<Spanned<String>> =
        found.iter().flatten().map(|id| Spanned { value: id.value.0.clone(), span: id.span }).collect();
    reading.unique("the hazard", &names);
    found.into_iter().collect()
}

/// A hazard's id.
pub(crate) fn hazard(reading: &mut Reading<'_>, node: &Node) -> Option<Spanned<HazardId>> {
    let id = reading.prose(node, "a hazard")?;
    let well_formed = id
        .split('-')
        .all(|word| !word.is_empty() && word.bytes().all(|byte| byte.is_ascii_lowercase() || byte.is_ascii_digit()));
    if !well_formed || id.len() > 60 {
        let plain: String =
            id.to_lowercase().chars().map(|c| if c.is_ascii_alphanumeric() { c } else { '-' }).take(40).collect();
        reading.mistake(
            DiagnosticKind::BadName,
            node.span,
            format!("{} is no hazard id", quoted(&id)),
            format!("an id is lower-case words joined by hyphens: `{}`", plain.trim_matches('-')),
        );
        return None;
    }
    if !KNOWN_HAZARDS.contains(&id.as_str())
        && let Some(near) = nearest(&id, KNOWN_HAZARDS.iter().copied())
    {
        reading.mistake(
            DiagnosticKind::UnknownHazard,
            node.span,
            format!("no scenario of the library guards against {}", quoted(&id)),
            format!("did you mean `{near}`? Ids of your own are allowed, but choose one that cannot be confused"),
        );
    }
    Some(Spanned { value: HazardId(id), span: node.span })
}

fn tags(reading: &mut Reading<'_>, node: &Node) -> Option<Vec<String>> {
    let items = reading.items(node, "the list of tags")?;
    items.iter().map(|item| reading.name(item, "a tag")).collect::<Vec<_>>().into_iter().collect()
}

fn needs(reading: &mut Reading<'_>, node: &Node) -> Option<Vec<Need>> {
    let items = reading.items(node, "the list of needs")?;
    items.iter().map(|item| need(reading, item)).collect::<Vec<_>>().into_iter().collect()
}

fn need(reading: &mut Reading<'_>, node: &Node) -> Option<Need> {
    let what = "a need";
    let fields = reading.fields(node, what, &["part", "without it"])?;
    let part = reading.require(&fields, "part", what, "lid contact").and_then(|node| {
        let value = reading.parse(node, "the needed part", |text| {
            let mut words = Words::of(text);
            let part = needed_part(&mut words)?;
            words.end("one part for each need")?;
            Ok(part)
        })?;
        Some(Spanned { value, span: node.span })
    });
    let missing = reading.require(&fields, "without it", what, "not applicable").and_then(|node| {
        reading.one_of(
            node,
            "what the absence of a part means",
            &[("not applicable", Missing::NotApplicable), ("uncovered", Missing::Uncovered)],
        )
    });
    Some(Need { part: part?, missing: missing? })
}

fn needed_part(words: &mut Words<'_>) -> Result<NeededPart, Mistake> {
    if words.take_all(&["means", "to", "cut"]) {
        return Ok(NeededPart::MeansToCut(relay(words)?));
    }
    if words.take_all(&["mechanical"]) {
        return Ok(NeededPart::Mechanical(relay(words)?));
    }
    if words.take_all(&["supply", "switch"]) {
        return Ok(NeededPart::Supply);
    }
    if words.take_all(&["longest", "firing", "of"]) {
        return Ok(NeededPart::LongestFiring(words.duration()?));
    }
    for (name, role) in CONTACTS {
        let mut phrase: Vec<&str> = name.split(' ').collect();
        phrase.push("contact");
        if words.take_all(&phrase) {
            return Ok(NeededPart::Contact(*role));
        }
    }
    if words.take_all(&["limiter"]) {
        return Ok(NeededPart::Limiter);
    }
    if let (Some(number), Some("zones" | "zone")) =
        (words.written().and_then(|text| text.parse::<u8>().ok()), words.written_next())
    {
        words.step();
        words.step();
        return Ok(NeededPart::Zones(number));
    }
    Err(words.wanted(
        DiagnosticKind::UnknownRole,
        "a part of the bench",
        Some(
            "write `lid contact`, `stop contact`, `start contact`, `acknowledge contact`, \
             `test line contact`, `reset line contact`, `data line low contact`, `data line high contact`, \
             `clock line low contact`, `reset contact`, `limiter supply contact`, `limiter`, `supply switch`, \
             `means to cut element`, `mechanical element`, `2 zones` or `longest firing of 13 h`"
                .to_owned(),
        ),
    ))
}

/// `safety`, `element`, `element.top`.
pub(crate) fn relay(words: &mut Words<'_>) -> Result<RelaySelector, Mistake> {
    if words.take("safety") {
        return Ok(RelaySelector::Safety);
    }
    if words.take("element") {
        return Ok(RelaySelector::Element(words.zone()?));
    }
    let hint = match words.written() {
        Some("contactor") => "the safety contactor is `safety`",
        Some("elements") => "the element relays are `element`, one of them `element.top` or `element.1`",
        _ => "a relay is `safety`, `element`, `element.1` or `element.top`",
    };
    Err(words.wanted(DiagnosticKind::UnknownRole, "a relay", Some(hint.to_owned())))
}

fn start(reading: &mut Reading<'_>, node: &Node) -> Option<Start> {
    let fields = reading.fields(node, "`start`", &["kiln", "ambient"])?;
    let ambient = match fields.get("ambient") {
        None => Some(DEFAULT_AMBIENT),
        Some(node) => temperature(reading, node, "the ambient temperature").and_then(|ambient| {
            let possible = (-30_000..=60_000).contains(&ambient);
            if !possible {
                reading.mistake(
                    DiagnosticKind::OutOfRange,
                    node.span,
                    format!("{} °C is no temperature of a studio", thousandths(ambient)),
                    "the air around the kiln lies between -30 °C and 60 °C".to_owned(),
                );
            }
            possible.then_some(ambient)
        }),
    };
    let kiln = match fields.get("kiln") {
        None => Some(None),
        Some(node) => reading.parse(node, "how the kiln stands", |text| {
            let mut words = Words::of(text);
            let soaked = if words.take("cold") {
                None
            } else if words.take_all(&["soaked", "at"]) {
                Some(words.temperature()?.0)
            } else {
                return Err(words.wanted(
                    DiagnosticKind::BadSentence,
                    "`cold` or `soaked at` a temperature",
                    Some("for example `kiln: soaked at 400 °C`".to_owned()),
                ));
            };
            words.end("for example `kiln: soaked at 400 °C`")?;
            Ok(soaked)
        }),
    };
    let (ambient, kiln) = (ambient?, kiln?);
    if let (Some(soaked), Some(node)) = (kiln, fields.get("kiln"))
        && soaked < ambient
    {
        reading.mistake(
            DiagnosticKind::Contradiction,
            node.span,
            format!("the kiln cannot be soaked at {} °C in air of {} °C", thousandths(soaked), thousandths(ambient)),
            "write `kiln: cold` for a kiln at the temperature of its surroundings".to_owned(),
        );
        return None;
    }
    Some(Start { ambient_millicelsius: ambient, kiln_millicelsius: kiln.unwrap_or(ambient) })
}

pub(crate) fn temperature(reading: &mut Reading<'_>, node: &Node, what: &str) -> Option<i64> {
    reading.parse(node, what, |text| {
        let mut words = Words::of(text);
        let (value, _) = words.temperature()?;
        words.end("one temperature stands here")?;
        Ok(value)
    })
}

/// A length of time that is longer than nothing, unless `zero` is allowed.
pub(crate) fn duration(
    reading: &mut Reading<'_>,
    node: &Node,
    what: &str,
    zero: bool,
) -> Option<dryfire_units::RigSpan> {
    let span = reading.parse(node, what, |text| {
        let mut words = Words::of(text);
        let span = words.duration()?;
        words.end("one length of time stands here")?;
        Ok(span)
    })?;
    if !zero && span.as_micros() == 0 {
        reading.mistake(
            DiagnosticKind::OutOfRange,
            node.span,
            format!("{what} cannot be nothing"),
            "for example `10 s`".to_owned(),
        );
        return None;
    }
    Some(span)
}

fn firing(reading: &mut Reading<'_>, node: &Node) -> Option<Vec<Segment>> {
    let items = reading.items(node, "the firing")?;
    if items.is_empty() || items.len() > MAX_ITEMS {
        reading.mistake_in(
            DiagnosticKind::Empty,
            node,
            format!("the firing has {} segments", items.len()),
            format!("it has from 1 to {MAX_ITEMS}, for example `{{ ramp: 150 °C/h, to: 1000 °C }}`"),
        );
        return None;
    }
    items.iter().map(|item| segment(reading, item)).collect::<Vec<_>>().into_iter().collect()
}

fn segment(reading: &mut Reading<'_>, node: &Node) -> Option<Segment> {
    let what = "a segment of the firing";
    let fields = reading.fields(node, what, &["ramp", "to", "hold"])?;
    match (fields.entry("ramp"), fields.entry("hold")) {
        (Some(ramp), None) => {
            let rate = reading.parse(&ramp.value, "the rate of a ramp", |text| {
                let mut words = Words::of(text);
                let (rate, _) = words.rate()?;
                words.end("one rate stands here")?;
                Ok(rate)
            });
            let to = reading
                .require(&fields, "to", "a ramp", "1000 °C")
                .and_then(|node| temperature(reading, node, "the temperature of a ramp"));
            Some(Segment::Ramp { rate_millicelsius_per_hour: rate?, to_millicelsius: to? })
        }
        (None, Some(hold)) => {
            if let Some(to) = fields.entry("to") {
                reading.mistake(
                    DiagnosticKind::ConflictingKeys,
                    to.key_span,
                    "a hold stays at the temperature reached and has no `to`",
                    "put a ramp in front: `{ ramp: 150 °C/h, to: 1000 °C }`".to_owned(),
                );
                return None;
            }
            Some(Segment::Hold { length: duration(reading, &hold.value, "the length of a hold", false)? })
        }
        (Some(_), Some(hold)) => {
            reading.mistake(
                DiagnosticKind::ConflictingKeys,
                hold.key_span,
                "a segment is either a ramp or a hold",
                "make two segments of it: `{ ramp: …, to: … }` and `{ hold: … }`".to_owned(),
            );
            None
        }
        (None, None) => {
            reading.mistake_in(
                DiagnosticKind::MissingKey,
                node,
                "a segment of the firing is neither a ramp nor a hold",
                "write `{ ramp: 150 °C/h, to: 1000 °C }` or `{ hold: 20 min }`".to_owned(),
            );
            None
        }
    }
}

fn end(reading: &mut Reading<'_>, node: &Node, steps: &[crate::Step]) -> Option<End> {
    let end = reading.parse(node, "the end of the run", |text| {
        let mut words = Words::of(text);
        let offset = time_limit(&mut words)?;
        let moment = if words.take("after") { Some(words.moment()?) } else { None };
        words.end("for example `30 min after burn-out`")?;
        Ok(End { moment, offset })
    })?;
    if let TimeLimit::Span(span) = end.offset
        && span.as_micros() == 0
        && end.moment.is_none()
    {
        reading.mistake(
            DiagnosticKind::OutOfRange,
            node.span,
            "the run ends before it has begun",
            "for example `30 min after burn-out`".to_owned(),
        );
        return None;
    }
    if let Some(moment) = &end.moment {
        known_moment(reading, moment, steps)?;
    }
    Some(end)
}

//! The expectations of a scenario.

use crate::condition;
use crate::diagnostic::DiagnosticKind;
use crate::reading::scenario::{MAX_ITEMS, duration, hazards, instant, known_moment, time_limit};
use crate::reading::{Fields, Reading, script};
use crate::source::quoted;
use crate::suggest::either;
use crate::tree::{Entry, Node};
use crate::words::Words;
use crate::{
    Condition, ConditionPlace, Expectation, HazardId, Moment, Pattern, Scope, Spanned, Step, StepKind, SwitchSignal,
    TimeLimit,
};

use dryfire_units::RigSpan;

/// The keys of an expectation.
pub(crate) const KEYS: &[&str] =
    &["name", "hazards", "after", "until", "before", "always", "never", "sometime", "within", "heat", "see"];

const PATTERNS: &[&str] = &["always", "never", "sometime", "within"];

/// Heat has to be on for so long before a fault for the fault to mean anything
/// (common practice, no source).
const PROVED_ON: RigSpan = RigSpan::from_millis(500);

pub(crate) fn read(
    reading: &mut Reading<'_>,
    node: &Node,
    steps: &[Step],
    of_scenario: Option<&[Spanned<HazardId>]>,
) -> Option<Vec<Expectation>> {
    let items = reading.items(node, "the list of expectations")?;
    if items.is_empty() {
        reading.mistake(
            DiagnosticKind::Empty,
            node.span,
            "the scenario expects nothing",
            "a scenario without expectations can show nothing; for example \
             `- { name: never too hot, always: kiln < kiln limit }`"
                .to_owned(),
        );
        return None;
    }
    if items.len() > MAX_ITEMS {
        reading.mistake_in(
            DiagnosticKind::OutOfRange,
            node,
            format!("the scenario has {} expectations; at most {MAX_ITEMS} are read", items.len()),
            None,
        );
        return None;
    }
    let found: Vec<Option<Expectation>> =
        items.iter().map(|item| expectation(reading, item, steps, of_scenario)).collect();
    let names: Vec<Spanned<String>> = found.iter().flatten().map(|expectation| expectation.name.clone()).collect();
    reading.unique("the expectation", &names);
    found.into_iter().collect()
}

fn expectation(
    reading: &mut Reading<'_>,
    node: &Node,
    steps: &[Step],
    of_scenario: Option<&[Spanned<HazardId>]>,
) -> Option<Expectation> {
    let what = "an expectation";
    let fields = reading.fields(node, what, KEYS)?;
    let name = reading
        .require(&fields, "name", what, "heat is cut")
        .and_then(|node| Some(Spanned { value: reading.name(node, "the expectation's name")?, span: node.span }));
    let own = match fields.get("hazards") {
        Some(node) => own_hazards(reading, node, of_scenario),
        None => Some(of_scenario.unwrap_or_default().to_vec()),
    };
    let scope = scope(reading, &fields, steps);
    let pattern = pattern(reading, &fields, steps, scope.as_ref());
    Some(Expectation { name: name?, hazards: own?, scope: scope?, pattern: pattern?, span: node.span })
}

fn own_hazards(
    reading: &mut Reading<'_>,
    node: &Node,
    of_scenario: Option<&[Spanned<HazardId>]>,
) -> Option<Vec<Spanned<HazardId>>> {
    let own = hazards(reading, node, "an expectation's list of hazards")?;
    let Some(of_scenario) = of_scenario else { return Some(own) };
    for id in &own {
        if !of_scenario.iter().any(|known| known.value == id.value) {
            let names: Vec<&str> = of_scenario.iter().map(|known| known.value.0.as_str()).collect();
            reading.mistake(
                DiagnosticKind::Contradiction,
                id.span,
                format!("the scenario itself does not name the hazard {}", quoted(&id.value.0)),
                format!("add it to the scenario's `hazards`, or use {}", either(&names)),
            );
            return None;
        }
    }
    Some(own)
}

fn scope(reading: &mut Reading<'_>, fields: &Fields<'_>, steps: &[Step]) -> Option<Scope> {
    let after = fields.entry("after").map(|entry| known_instant(reading, entry, steps));
    let until = fields.entry("until").map(|entry| known_instant(reading, entry, steps));
    let before = fields.entry("before").map(|entry| known_instant(reading, entry, steps));
    if let (Some(_), Some(other)) = (&before, fields.among(&["after", "until"]).first()) {
        reading.mistake(
            DiagnosticKind::ConflictingKeys,
            other.key_span,
            format!("`{}` cannot stand beside `before`", other.key),
            "from one moment to another is `after: …, until: …`".to_owned(),
        );
        return None;
    }
    if let (None, Some(_)) = (&after, &until) {
        let entry = fields.entry("until")?;
        reading.mistake(
            DiagnosticKind::MissingKey,
            entry.key_span,
            "`until` has no `after` to begin with",
            "from the beginning of the run to a moment is `before`".to_owned(),
        );
        return None;
    }
    match (after, until, before) {
        (None, _, None) => Some(Scope::Throughout),
        (None, _, Some(before)) => {
            let (moment, offset) = before?;
            Some(Scope::Before { moment, offset })
        }
        (Some(after), until, _) => {
            let (moment, offset) = after?;
            Some(Scope::After { moment, offset, until: until.map_or(Some(None), |until| until.map(Some))? })
        }
    }
}

fn known_instant(reading: &mut Reading<'_>, entry: &Entry, steps: &[Step]) -> Option<(Spanned<Moment>, RigSpan)> {
    let what = format!("`{}`", entry.key);
    let text = reading.sentence(&entry.value, &what)?;
    match instant(&mut Words::of(&text)) {
        Ok((moment, offset)) => {
            known_moment(reading, &moment, steps)?;
            Some((moment, offset))
        }
        Err(mistake) => {
            reading.mistake_in_text(&text, mistake);
            None
        }
    }
}

fn pattern(reading: &mut Reading<'_>, fields: &Fields<'_>, steps: &[Step], scope: Option<&Scope>) -> Option<Pattern> {
    let given = fields.among(PATTERNS);
    let first = match given.as_slice() {
        [one] => *one,
        [] => {
            let hint = match fields.among(&["heat", "see"]).first() {
                Some(entry) if entry.key == "heat" => "say how soon: `within: 10 s, heat: cut`",
                Some(_) => "say how soon: `within: 10 s, see: …`; at any time is `sometime: …`",
                None => {
                    "write `always: …`, `never: …`, `sometime: …`, `within: 10 s, see: …` or `within: 10 s, heat: cut`"
                }
            };
            reading.mistake_in(
                DiagnosticKind::MissingKey,
                fields.node,
                "an expectation does not say what has to be seen",
                hint.to_owned(),
            );
            return None;
        }
        [_, second, ..] => {
            reading.mistake(
                DiagnosticKind::ConflictingKeys,
                second.key_span,
                format!("`{}` is a second claim in the same expectation", second.key),
                "make two expectations of it, each with a name of its own".to_owned(),
            );
            return None;
        }
    };
    if first.key != "within" {
        if let Some(stray) = fields.among(&["heat", "see"]).first() {
            reading.mistake(
                DiagnosticKind::ConflictingKeys,
                stray.key_span,
                format!("`{}` belongs to `within`, not to `{}`", stray.key, first.key),
                "write `within: 10 s` in place of it".to_owned(),
            );
            return None;
        }
        let what = format!("`{}`", first.key);
        let condition =
            reading.parse(&first.value, &what, |text| condition::condition(text, ConditionPlace::Expectation))?;
        return Some(match first.key.as_str() {
            "always" => Pattern::Always(condition),
            "never" => Pattern::Never(condition),
            _ => Pattern::Sometime(condition),
        });
    }
    within(reading, fields, first, steps, scope)
}

fn within(
    reading: &mut Reading<'_>,
    fields: &Fields<'_>,
    entry: &Entry,
    steps: &[Step],
    scope: Option<&Scope>,
) -> Option<Pattern> {
    let limit = reading.parse(&entry.value, "`within`", |text| {
        let mut words = Words::of(text);
        let limit = time_limit(&mut words)?;
        words.end("one length of time stands here, for example `10 s`")?;
        Ok(limit)
    });
    if limit == Some(TimeLimit::Span(RigSpan::ZERO)) {
        // One place for the wording of an impossible length of time.
        duration(reading, &entry.value, "the time of a reaction", false)?;
    }
    if fields.entry("after").is_none() && matches!(scope, Some(Scope::Throughout | Scope::Before { .. })) {
        reading.mistake(
            DiagnosticKind::MissingKey,
            entry.key_span,
            "`within` counts from `after`, which is missing",
            "name the moment of the fault in the script (`call it: burn-out`) and say `after: burn-out`".to_owned(),
        );
        return None;
    }
    match (fields.entry("heat"), fields.entry("see")) {
        (Some(heat), None) => {
            reading.one_of(&heat.value, "`heat`", &[("cut", ())])?;
            // While steps have mistakes, nothing can be said about what they wait for.
            if let (Some(Scope::After { moment, .. }), false) = (scope, reading.has_errors()) {
                heat_was_on(reading, moment, heat, steps);
            }
            Some(Pattern::HeatCut { limit: limit? })
        }
        (None, Some(see)) => {
            let condition =
                reading.parse(&see.value, "`see`", |text| condition::condition(text, ConditionPlace::Expectation))?;
            if met_by_an_off_phase(&condition) {
                reading.mistake(
                    DiagnosticKind::OffPhase,
                    see.value.span,
                    "an ordinary off-phase of the element's cycle meets this too",
                    "write `heat: cut` in place of `see: …`: it waits until heat stays off".to_owned(),
                );
            }
            Some(Pattern::Within { limit: limit?, condition })
        }
        (Some(_), Some(see)) => {
            reading.mistake(
                DiagnosticKind::ConflictingKeys,
                see.key_span,
                "`see` is a second claim in the same expectation",
                "make two expectations of it, each with a name of its own".to_owned(),
            );
            None
        }
        (None, None) => {
            reading.mistake(
                DiagnosticKind::MissingKey,
                entry.key_span,
                "`within` does not say what has to be seen in that time",
                "add `heat: cut`, or `see:` and a condition such as `safety open`".to_owned(),
            );
            None
        }
    }
}

/// Whether time-proportioning alone brings it about: an element that is off
/// for a moment is no reaction.
fn met_by_an_off_phase(condition: &Condition) -> bool {
    let is_heat = |switch: &SwitchSignal| matches!(switch, SwitchSignal::Heat(_) | SwitchSignal::Element(_));
    match condition {
        Condition::Is { switch, on: false } => is_heat(&switch.value),
        Condition::Not(inner) => matches!(&**inner, Condition::Is { switch, on: true } if is_heat(&switch.value)),
        Condition::And(parts) => parts.iter().all(met_by_an_off_phase),
        Condition::Or(parts) => parts.iter().any(met_by_an_off_phase),
        Condition::Is { .. } | Condition::Compare { .. } | Condition::HeldFor { .. } => false,
    }
}

/// Warns where a cut is expected after a moment at which heat may be off.
fn heat_was_on(reading: &mut Reading<'_>, moment: &Spanned<Moment>, heat: &Entry, steps: &[Step]) {
    let Some(step) = steps.iter().find(|step| script::names(step) == Some(moment.value.0.as_str())) else {
        return;
    };
    let proved = match &step.kind {
        // Whether heat ever came on is part of the claim itself there.
        StepKind::BeginFiring => true,
        StepKind::When { condition, .. } => proves_heat(condition),
        StepKind::Wait(_) | StepKind::At { .. } => false,
    };
    if !proved {
        let name = &moment.value.0;
        reading.mistake(
            DiagnosticKind::HeatNotProved,
            heat.value.span,
            format!("nothing makes sure that heat is on at {}; heat that is off already cannot be cut", quoted(name)),
            format!("let the step that is called `{name}` wait: `when: … and element on for 0.5 s`"),
        );
    }
}

/// Whether a condition holds only while heat has been on for long enough.
fn proves_heat(condition: &Condition) -> bool {
    match condition {
        Condition::HeldFor { condition, length } => *length >= PROVED_ON && needs_heat(condition),
        Condition::And(parts) => parts.iter().any(proves_heat),
        Condition::Or(parts) => parts.iter().all(proves_heat),
        Condition::Is { .. } | Condition::Compare { .. } | Condition::Not(_) => false,
    }
}

fn needs_heat(condition: &Condition) -> bool {
    match condition {
        Condition::Is { switch, on: true } => {
            matches!(switch.value, SwitchSignal::Heat(_) | SwitchSignal::Element(_))
        }
        Condition::And(parts) => parts.iter().any(needs_heat),
        Condition::Or(parts) => parts.iter().all(needs_heat),
        Condition::Is { .. } | Condition::Compare { .. } | Condition::Not(_) | Condition::HeldFor { .. } => false,
    }
}

//! Bench files.

use crate::diagnostic::DiagnosticKind;
use crate::quantity::thousandths;
use crate::reading::feedback::feedback;
use crate::reading::limiter::{Wired, limiter};
use crate::reading::old_parts::old_parts;
use crate::reading::operating::{begin_firing, clear_fault, listed};
use crate::reading::scenario::{duration, hazard, temperature};
use crate::reading::set_point::set_point;
use crate::reading::uncertainty::uncertainty;
use crate::reading::wiring::{contacts, leg, paths, relays, zones};
use crate::reading::{Fields, Reading};
use crate::source::quoted;
use crate::tree::{Content, Entry, Node};
use crate::words::Words;
use crate::{
    Bench, BenchKind, ColdJunction, Contact, ContactRole, ConverterChoice, Declared, Plays, ShownTemperature, Span,
    StandInChoice, Uncertainty, Zone,
};

use dryfire_units::converter::{Converter, ConverterKind};
use dryfire_units::{MilliCelsius, RigSpan, ThermocoupleType};

/// The keys of a bench file.
pub(crate) const KEYS: &[&str] = &[
    "format",
    "bench",
    "virtual",
    "program",
    "rig",
    "kiln",
    "controller",
    "zones",
    "relays",
    "paths",
    "old parts",
    "limiter",
    "contacts",
    "feedback",
    "supply",
    "controls fed by",
    "converter",
    "cold junction",
    "dither",
    "begin firing",
    "clear fault",
    "set-point",
    "declares",
    "uncertainty",
];

const DEFAULT_DEADLINE: RigSpan = RigSpan::from_seconds(5);
const DEFAULT_SILENCE: RigSpan = RigSpan::from_seconds(1);

pub(crate) fn read(reading: &mut Reading<'_>, root: &Node) -> Option<Bench> {
    let what = "a bench file";
    let fields = reading.fields(root, what, KEYS)?;
    let name = reading
        .require(&fields, "bench", what, "the new controller on the rig")
        .and_then(|node| reading.name(node, "the bench's name"));
    let kind = kind(reading, &fields);
    let kiln = reading
        .require(&fields, "kiln", what, "../kilns/three-ring.yaml")
        .and_then(|node| reading.name(node, "the kiln file"));
    let controller = reading
        .require(&fields, "controller", what, "{ name: the new controller }")
        .and_then(|node| controller(reading, node));
    let zones = reading
        .require(&fields, "zones", what, "[{ name: top, probe: K, channel: 0 }]")
        .and_then(|node| zones(reading, node));
    let known_zones = zones.as_deref();
    let relays = reading
        .require(&fields, "relays", what, "[{ role: safety, input: 0, senses: command, active: high }]")
        .and_then(|node| relays(reading, node, known_zones));
    let paths = reading
        .require(&fields, "paths", what, "[{ zone: top, poles: [[safety, element.top], [safety]] }]")
        .and_then(|node| paths(reading, node, known_zones, relays.as_deref()));
    let old_parts = match fields.get("old parts") {
        None => Some(Vec::new()),
        Some(node) => old_parts(reading, node, known_zones, relays.as_deref(), paths.as_deref()),
    };
    let contacts = fields.get("contacts").map(|node| {
        let contacts = contacts(reading, node)?;
        no_lines_of_a_program(reading, node, kind.as_ref(), &contacts);
        Some(contacts)
    });
    let limiter = match fields.get("limiter") {
        None => Some(None),
        Some(node) => limiter(reading, node, known_zones).map(Some),
    };
    let feedback = match fields.entry("feedback") {
        None => Some(Vec::new()),
        Some(entry) => {
            let wired = contacts.as_ref().map_or(Some(&[][..]), |contacts| contacts.as_deref());
            feedback(reading, entry, kind.as_ref(), known_zones, relays.as_deref(), wired)
        }
    };
    let supply_switch = fields
        .get("supply")
        .map(|node| reading.one_of(node, "`supply`", &[("switched by the rig", true), ("not switched", false)]));
    let controls_leg = match fields.get("controls fed by") {
        None => Some(None),
        Some(node) => leg(reading, node).map(Some),
    };
    let begin = reading
        .require(&fields, "begin firing", what, "{ console: [\"program {program}\", start] }")
        .and_then(|node| begin_firing(reading, node, listed(&contacts, ContactRole::Start)));
    let clear_fault = match fields.get("clear fault") {
        None => Some(None),
        Some(node) => clear_fault(reading, node, listed(&contacts, ContactRole::Acknowledge)).map(Some),
    };
    let set_point = match fields.get("set-point") {
        None => Some(None),
        Some(node) => set_point(reading, node).map(Some),
    };
    let declares = reading
        .require(&fields, "declares", what, "{ top temperature: 1280 °C, longest firing: 14 h, cycle time: 15 s }")
        .and_then(|node| declares(reading, node));
    // What a bench of an unknown kind may leave out is not known.
    let uncertainty = match (fields.get("uncertainty"), &kind) {
        (None, Some(kind)) => Some(Uncertainty::usual(kind)),
        (Some(node), Some(kind)) => uncertainty(reading, node, kind),
        (Some(node), None) => uncertainty(reading, node, &BenchKind::Virtual(StandInChoice::default())),
        (None, None) => None,
    };
    let converter = match fields.get("converter") {
        None => Some(ConverterChoice::default()),
        Some(node) => reading.one_of(node, "what reads the probes", CONVERTERS),
    };
    if let (Some(choice), Some(zones), Some(declares)) = (converter, &zones, &declares) {
        let entry = fields.entry("converter").map_or(root.head(), |entry| entry.value.span);
        let is_program = matches!(kind, Some(BenchKind::Program { .. }));
        reaches_top(reading, entry, choice, zones, declares, is_program);
    }
    if let Some(limiter) = &limiter {
        let wired = Wired {
            fields: &fields,
            kind: kind.as_ref(),
            zones: known_zones,
            relays: relays.as_deref(),
            contacts: contacts.as_ref().and_then(Option::as_deref),
            declares: declares.as_ref(),
        };
        wired.check(reading, limiter.as_ref());
    }
    let cold_junction = match fields.entry("cold junction") {
        None => Some(ColdJunction::default()),
        Some(entry) => cold_junction(reading, entry, kind.as_ref()),
    };
    let dither = match fields.get("dither") {
        None => Some(0),
        Some(node) => dither(reading, node, uncertainty.as_ref()),
    };
    let (controller, firmware_version, firmware_image) = controller?;
    Some(Bench {
        name: name?,
        kind: kind?,
        kiln: kiln?,
        controller,
        firmware_version,
        firmware_image,
        zones: zones?,
        relays: relays?,
        paths: paths?,
        old_parts: old_parts?,
        limiter: limiter?,
        contacts: contacts.unwrap_or(Some(Vec::new()))?,
        feedback: feedback?,
        supply_switch: supply_switch.unwrap_or(Some(false))?,
        controls_leg: controls_leg?,
        converter: converter?,
        cold_junction: cold_junction?,
        dither_millicelsius: dither?,
        begin: begin?,
        clear_fault: clear_fault?,
        set_point: set_point?,
        declares: declares?,
        uncertainty: uncertainty?,
    })
}

const COLD_JUNCTIONS: &[(&str, ColdJunction)] =
    &[("as the room", ColdJunction::Room), ("measured by the rig", ColdJunction::Measured)];

fn cold_junction(reading: &mut Reading<'_>, entry: &Entry, kind: Option<&BenchKind>) -> Option<ColdJunction> {
    let choice = reading.one_of(&entry.value, "how the cold junction is known", COLD_JUNCTIONS)?;
    let why = match kind {
        Some(BenchKind::Program { .. }) => "a program is handed temperatures, and has no terminals",
        Some(BenchKind::Rig { plays: Plays::Converters, .. }) => {
            "a rig that plays the converters says itself what their cold junction is"
        }
        _ => return Some(choice),
    };
    if choice == ColdJunction::Measured {
        reading.mistake(DiagnosticKind::Contradiction, entry.value.span, why, "leave `cold junction` out".to_owned());
        return None;
    }
    Some(choice)
}

const CONVERTERS: &[(&str, ConverterChoice)] = &[
    ("linearised", ConverterChoice::Linearised),
    ("linear 14-bit", ConverterChoice::FourteenBit),
    ("linear 12-bit", ConverterChoice::TwelveBit),
];

/// So far beyond the declared top a converter has to be able to read, or
/// nothing that goes by the reading can tell that the top is passed.
const READS_BEYOND_MILLICELSIUS: i64 = 20_000;

/// Refuses a converter that cannot read the probes up to the declared top.
fn reaches_top(
    reading: &mut Reading<'_>,
    place: Span,
    choice: ConverterChoice,
    zones: &[Zone],
    declares: &Declared,
    is_program: bool,
) {
    if is_program && choice != ConverterChoice::Linearised {
        reading.mistake(
            DiagnosticKind::Contradiction,
            place,
            "a program is handed the readings of a linearised converter",
            "leave `converter` out".to_owned(),
        );
        return;
    }
    let highest = |thermocouple: ThermocoupleType| {
        let kind = match choice {
            // Its tables take long to make, and it reads as far as the type goes.
            ConverterChoice::Linearised => return Ok(MilliCelsius::from_celsius(thermocouple.range().1)),
            ConverterChoice::FourteenBit => ConverterKind::FourteenBit,
            ConverterChoice::TwelveBit => ConverterKind::TwelveBit,
        };
        Converter::new(kind, thermocouple).map(|converter| Some(converter.highest()))
    };
    let wanted = declares.top_temperature_millicelsius + READS_BEYOND_MILLICELSIUS;
    for zone in zones {
        let Some(thermocouple) = ThermocoupleType::from_letter(zone.probe_type) else { continue };
        match highest(thermocouple) {
            Err(error) => reading.mistake(
                DiagnosticKind::Contradiction,
                place,
                format!("zone {}: {error}", quoted(&zone.name)),
                "name the converter that really reads these probes".to_owned(),
            ),
            Ok(Some(highest)) if highest.value() < wanted => reading.mistake(
                DiagnosticKind::Contradiction,
                place,
                format!(
                    "the converter reads type {} up to {} °C only; the declared top temperature and 20 °C are {} °C",
                    zone.probe_type,
                    thousandths(highest.value()),
                    thousandths(wanted),
                ),
                "beyond it every temperature reads the same: another converter, another probe or a lower top"
                    .to_owned(),
            ),
            Ok(_) => continue,
        }
        return;
    }
}

/// Noise for ever: small enough to be covered by what the bench says of the temperature shown.
fn dither(reading: &mut Reading<'_>, node: &Node, uncertainty: Option<&Uncertainty>) -> Option<i64> {
    let dither = reading.parse(node, "the dither", |text| {
        let mut words = Words::of(text);
        let dither = words.difference()?;
        words.end("one difference of temperatures stands here")?;
        Ok(dither)
    })?;
    if !(1..=5_000).contains(&dither) {
        reading.mistake(
            DiagnosticKind::OutOfRange,
            node.span,
            format!("a dither of {} °C makes no sense", thousandths(dither)),
            "it lies between 0.001 °C and 5 °C, root mean square; commonly 0.3 °C".to_owned(),
        );
        return None;
    }
    // Stated in parts, it is one of them.
    if let Some(Uncertainty { shown_temperature: ShownTemperature::Whole(whole), coverage_hundredths, .. }) =
        uncertainty
    {
        let covered = whole * 100;
        if covered < dither * i64::from(*coverage_hundredths) {
            reading.mistake(
                DiagnosticKind::Contradiction,
                node.span,
                "the uncertainty of the temperature shown does not cover this dither",
                "state a `shown temperature` of at least the coverage factor times the dither".to_owned(),
            );
            return None;
        }
    }
    Some(dither)
}

fn kind(reading: &mut Reading<'_>, fields: &Fields<'_>) -> Option<BenchKind> {
    let given = fields.among(&["virtual", "program", "rig"]);
    let entry = match given.as_slice() {
        [one] => *one,
        [] => {
            reading.mistake_in(
                DiagnosticKind::MissingKey,
                fields.node,
                "a bench file does not say what plays the kiln",
                "give it one of the keys `virtual`, `program` and `rig`, for example `virtual: { tick: 100 ms }`"
                    .to_owned(),
            );
            return None;
        }
        [first, second, ..] => {
            reading.mistake(
                DiagnosticKind::ConflictingKeys,
                second.key_span,
                format!("a bench is `{}` or `{}`, not both", first.key, second.key),
                "write a bench file for each".to_owned(),
            );
            return None;
        }
    };
    // `virtual:` with nothing behind it means all defaults.
    let section = |reading: &mut Reading<'_>, keys: &[&str]| {
        reading.fields(&entry.value, &format!("the section `{}`", entry.key), keys)
    };
    match entry.key.as_str() {
        "virtual" if entry.value.is_left_out() => Some(BenchKind::Virtual(StandInChoice::default())),
        "virtual" => {
            let fields = section(reading, &["tick", "defects", "variant"])?;
            let tick = match fields.get("tick") {
                Some(node) => Some(tick(reading, node)?),
                None => None,
            };
            let defects = match fields.get("defects") {
                Some(node) => words_of(reading, node, "the list of defects", "a defect")?,
                None => Vec::new(),
            };
            let variant = match fields.get("variant") {
                Some(node) => Some(reading.name(node, "the variant")?),
                None => None,
            };
            Some(BenchKind::Virtual(StandInChoice { defects, tick, variant }))
        }
        "program" => {
            let fields = section(reading, &["command", "deadline"])?;
            let command = reading
                .require(&fields, "command", "the section `program`", "[./controller, --virtual]")
                .and_then(|node| {
                    let words = words_of(reading, node, "the command", "a part of the command")?;
                    if words.is_empty() {
                        reading.mistake(
                            DiagnosticKind::Empty,
                            node.span,
                            "the command is empty",
                            "name the program and its arguments: `[./controller, --virtual]`".to_owned(),
                        );
                        return None;
                    }
                    Some(words)
                });
            let deadline = match fields.get("deadline") {
                Some(node) => duration(reading, node, "the deadline", false),
                None => Some(DEFAULT_DEADLINE),
            };
            Some(BenchKind::Program { command: command?, deadline: deadline? })
        }
        _ if entry.value.is_left_out() => {
            Some(BenchKind::Rig { port: None, silence: DEFAULT_SILENCE, plays: Plays::default() })
        }
        _ => {
            let fields = section(reading, &["port", "silence", "plays"])?;
            let port = fields.get("port").map(|node| reading.name(node, "the port"));
            let silence = match fields.get("silence") {
                Some(node) => in_time_range(
                    reading,
                    node,
                    "the time of silence",
                    RigSpan::from_millis(100),
                    RigSpan::from_seconds(1),
                ),
                None => Some(DEFAULT_SILENCE),
            };
            let plays = match fields.get("plays") {
                Some(node) => {
                    reading.one_of(node, "`plays`", &[("probes", Plays::Probes), ("converters", Plays::Converters)])
                }
                None => Some(Plays::default()),
            };
            let port = port.map_or(Some(None), |port| port.map(Some));
            Some(BenchKind::Rig { port: port?, silence: silence?, plays: plays? })
        }
    }
}

fn tick(reading: &mut Reading<'_>, node: &Node) -> Option<RigSpan> {
    in_time_range(reading, node, "the control tick", RigSpan::from_millis(1), RigSpan::from_seconds(10))
}

pub(crate) fn in_time_range(
    reading: &mut Reading<'_>,
    node: &Node,
    what: &str,
    least: RigSpan,
    most: RigSpan,
) -> Option<RigSpan> {
    let span = duration(reading, node, what, true)?;
    if span < least || span > most {
        let (least, most) = (crate::quantity::span_text(least), crate::quantity::span_text(most));
        reading.mistake(
            DiagnosticKind::OutOfRange,
            node.span,
            format!("{what} cannot be {}", crate::quantity::span_text(span)),
            format!("it lies between {least} and {most}"),
        );
        return None;
    }
    Some(span)
}

pub(crate) fn words_of(reading: &mut Reading<'_>, node: &Node, what: &str, item: &str) -> Option<Vec<String>> {
    let items = reading.items(node, what)?;
    items.iter().map(|node| reading.name(node, item)).collect::<Vec<_>>().into_iter().collect()
}

/// Name, firmware's version, firmware's image.
type Controller = (String, Option<String>, Option<String>);

fn controller(reading: &mut Reading<'_>, node: &Node) -> Option<Controller> {
    let what = "`controller`";
    let fields = reading.fields(node, what, &["name", "firmware version", "firmware image"])?;
    let name = reading
        .require(&fields, "name", what, "the new controller")
        .and_then(|node| reading.name(node, "the controller's name"));
    let version = fields.get("firmware version").map(|node| reading.name(node, "the firmware's version"));
    let image = fields.get("firmware image").map(|node| reading.name(node, "the firmware's image"));
    Some((
        name?,
        version.map_or(Some(None), |version| version.map(Some))?,
        image.map_or(Some(None), |image| image.map(Some))?,
    ))
}

fn declares(reading: &mut Reading<'_>, node: &Node) -> Option<Declared> {
    let what = "`declares`";
    let fields = reading.fields(node, what, &["top temperature", "longest firing", "cycle time", "reactions"])?;
    let top = reading.require(&fields, "top temperature", what, "1280 °C").and_then(|node| {
        let top = temperature(reading, node, "the top temperature")?;
        if !(100_000..=1_500_000).contains(&top) {
            reading.mistake(
                DiagnosticKind::OutOfRange,
                node.span,
                format!("{} °C is no top temperature of a kiln", thousandths(top)),
                "it lies between 100 °C and 1500 °C".to_owned(),
            );
            return None;
        }
        Some(top)
    });
    let longest = reading
        .require(&fields, "longest firing", what, "14 h")
        .and_then(|node| duration(reading, node, "the longest firing", false));
    let cycle = reading.require(&fields, "cycle time", what, "15 s").and_then(|node| {
        in_time_range(reading, node, "the cycle time", RigSpan::from_millis(10), RigSpan::from_minutes(10))
    });
    let reactions = match fields.get("reactions") {
        None => Some(Vec::new()),
        Some(node) => reactions(reading, node),
    };
    Some(Declared {
        top_temperature_millicelsius: top?,
        longest_firing: longest?,
        cycle_time: cycle?,
        reactions: reactions?,
    })
}

/// The slowest reaction that practice knows: a stall near the top (common practice, no source). Limits that
/// go by a slower one would say nothing.
const SLOWEST_REACTION: RigSpan = RigSpan::from_minutes(60);

fn reactions(reading: &mut Reading<'_>, node: &Node) -> Option<Vec<(String, RigSpan)>> {
    let Content::Mapping(entries) = &node.content else {
        reading.mistake_in(
            DiagnosticKind::WrongShape,
            node,
            "`reactions` is written as hazards and times",
            "for example `reactions: { probe-open: 5 s }`".to_owned(),
        );
        return None;
    };
    let found: Vec<Option<(String, RigSpan)>> = entries
        .iter()
        .map(|entry| {
            let key = Node {
                span: entry.key_span,
                content: Content::Scalar(crate::tree::Scalar {
                    text: entry.key.clone(),
                    style: saphyr_parser::ScalarStyle::Plain,
                }),
            };
            let id = hazard(reading, &key);
            let time = duration(reading, &entry.value, "a reaction time", false).filter(|time| {
                let possible = *time <= SLOWEST_REACTION;
                if !possible {
                    reading.mistake(
                        DiagnosticKind::OutOfRange,
                        entry.value.span,
                        format!("no reaction takes {}", crate::quantity::span_text(*time)),
                        format!(
                            "practice allows {} at the most, for a kiln that does not get hotter; `dryfire budget` \
                             says how fast it has to be",
                            crate::quantity::span_text(SLOWEST_REACTION)
                        ),
                    );
                }
                possible
            });
            Some((id?.value.0, time?))
        })
        .collect();
    found.into_iter().collect()
}

/// A program has no electronics whose lines could be held.
fn no_lines_of_a_program(reading: &mut Reading<'_>, node: &Node, kind: Option<&BenchKind>, contacts: &[Contact]) {
    let (Some(BenchKind::Program { .. }), Content::Sequence(items)) = (kind, &node.content) else { return };
    for (item, contact) in items.iter().zip(contacts) {
        if ContactRole::HELD_LINES.contains(&contact.role) {
            let name = contact.role.word();
            reading.mistake(
                DiagnosticKind::Contradiction,
                item.span,
                format!("a program is the logic of a controller, and has no {}", quoted(name)),
                "leave this contact out: what it is for is then uncovered on this bench".to_owned(),
            );
        }
    }
}

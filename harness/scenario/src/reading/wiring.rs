//! How a bench is wired: zones, relays, paths, contacts.

use dryfire_units::RigSpan;

use crate::diagnostic::DiagnosticKind;
use crate::reading::Reading;
use crate::reading::bench::in_time_range;
use crate::reading::scenario::{MAX_ITEMS, relay};
use crate::source::quoted;
use crate::suggest::nearest;
use crate::tree::{Content, Node};
use crate::words::{Mistake, Words};
use crate::{
    ActiveLevel, Contact, ContactRole, ContactState, LIMITERS_COIL_SUPPLY, Path, PathRelay, Pole, Relay, RelayRole,
    RelaySelector, Senses, Spanned, USUAL_COIL_SUPPLY, Unpowered, Wire, Zone, ZoneSelector,
};

/// Most rig inputs, outputs and probe channels that a bench file may number.
pub(crate) const MAX_PIN: i64 = 63;
/// Most zones: more than any kiln of the trade.
pub(crate) const MAX_ZONES: usize = 16;

/// What a relay is made of, and its worst release time (common practice, no source).
#[derive(Clone, Copy, PartialEq, Eq)]
enum Made {
    Contactor,
    Relay,
    RelayWithDiode,
    SolidState,
}

impl Made {
    const WORDS: &'static [(&'static str, Made)] = &[
        ("contactor", Made::Contactor),
        ("relay", Made::Relay),
        ("relay with diode", Made::RelayWithDiode),
        ("solid state", Made::SolidState),
    ];

    fn release(self) -> RigSpan {
        match self {
            Made::Contactor => RigSpan::from_millis(100),
            Made::Relay => RigSpan::from_millis(20),
            Made::RelayWithDiode => RigSpan::from_millis(50),
            // One half-cycle at 50 Hz.
            Made::SolidState => RigSpan::from_millis(10),
        }
    }
}

pub(crate) fn some_items<'n>(reading: &mut Reading<'_>, node: &'n Node, what: &str, most: usize) -> Option<&'n [Node]> {
    let items = reading.items(node, what)?;
    if items.is_empty() || items.len() > most {
        reading.mistake_in(
            if items.is_empty() { DiagnosticKind::Empty } else { DiagnosticKind::OutOfRange },
            node,
            format!("{what} has {} items", items.len()),
            format!("it has from 1 to {most}"),
        );
        return None;
    }
    Some(items)
}

pub(crate) fn zones(reading: &mut Reading<'_>, node: &Node) -> Option<Vec<Zone>> {
    let items = some_items(reading, node, "the list of zones", MAX_ZONES)?;
    let mut names = Vec::new();
    let mut channels = Vec::new();
    let zones: Vec<Option<Zone>> = items
        .iter()
        .map(|item| {
            let what = "a zone";
            let fields = reading.fields(item, what, &["name", "probe", "channel"])?;
            let name = reading.require(&fields, "name", what, "top").and_then(|node| zone_name(reading, node));
            if let Some(name) = &name {
                names.push(name.clone());
            }
            let probe_type = match fields.get("probe") {
                Some(node) => thermocouple_type(reading, node),
                None => {
                    reading.require(&fields, "probe", what, "K");
                    None
                }
            };
            let channel = match fields.get("channel") {
                Some(node) => {
                    let channel = reading.integer(node, "a probe channel", 0, MAX_PIN)?;
                    channels.push(Spanned { value: channel.to_string(), span: node.span });
                    Some(u8::try_from(channel).ok()?)
                }
                None => None,
            };
            Some(Zone { name: name?.value, probe_type: probe_type?, probe_channel: channel })
        })
        .collect();
    reading.unique("the zone", &names);
    reading.unique("the probe channel", &channels);
    let zones: Vec<Zone> = zones.into_iter().collect::<Option<_>>()?;
    if zones.iter().all(|zone| zone.probe_channel.is_none()) {
        reading.mistake_in(
            DiagnosticKind::MissingKey,
            node,
            "no zone has a probe channel, so the controller is shown no temperature",
            "give at least one zone a `channel`: the rig's probe output that is wired to it, from 0".to_owned(),
        );
        return None;
    }
    Some(zones)
}

/// The letter of a thermocouple's type.
pub(crate) fn thermocouple_type(reading: &mut Reading<'_>, node: &Node) -> Option<char> {
    let choices = [("B", 'B'), ("E", 'E'), ("J", 'J'), ("K", 'K'), ("N", 'N'), ("R", 'R'), ("S", 'S'), ("T", 'T')];
    reading.one_of(node, "a thermocouple's type", &choices)
}

/// A zone's name: conditions have to be able to name it.
pub(crate) fn zone_name(reading: &mut Reading<'_>, node: &Node) -> Option<Spanned<String>> {
    let name = reading.name(node, "a zone's name")?;
    let mut letters = name.chars();
    let well_formed = letters.next().is_some_and(char::is_alphabetic)
        && letters.all(|letter| letter.is_alphanumeric() || matches!(letter, '-' | '_'))
        && name.chars().count() <= 24;
    if !well_formed {
        reading.mistake(
            DiagnosticKind::BadName,
            node.span,
            format!("{} cannot be the name of a zone", quoted(&name)),
            "a zone's name is one word of letters, digits and hyphens, for example `top` or `ring-2`".to_owned(),
        );
        return None;
    }
    Some(Spanned { value: name, span: node.span })
}

/// The index of a zone by a selector that means exactly one.
fn zone_index(selector: &ZoneSelector, zones: &[Zone], range: std::ops::Range<usize>) -> Result<usize, Mistake> {
    let names: Vec<&str> = zones.iter().map(|zone| zone.name.as_str()).collect();
    let found = match selector {
        ZoneSelector::All if zones.len() == 1 => Some(0),
        ZoneSelector::All => None,
        ZoneSelector::Number(number) => usize::from(*number).checked_sub(1).filter(|index| *index < zones.len()),
        ZoneSelector::Name(name) => names.iter().position(|known| known == name),
    };
    found.ok_or_else(|| {
        let near = match selector {
            ZoneSelector::Name(name) => nearest(name, names.iter().copied()),
            _ => None,
        };
        let message = match selector {
            ZoneSelector::All => "this bench has several zones; one of them has to be named".to_owned(),
            ZoneSelector::Number(number) => format!("there is no zone {number}"),
            ZoneSelector::Name(name) => format!("there is no zone {}", quoted(name)),
        };
        Mistake {
            kind: DiagnosticKind::UnknownRole,
            range,
            message,
            hint: Some(match near {
                Some(near) => format!("did you mean `{near}`?"),
                None => format!("the zones of this bench are {}", names.join(", ")),
            }),
        }
    })
}

/// `safety`, `limiter`, `element.top`, `element.1`.
pub(crate) fn role(words: &mut Words<'_>, zones: Option<&[Zone]>) -> Result<RelayRole, Mistake> {
    let start = words.range().start;
    if words.take("limiter") {
        return Ok(RelayRole::Limiter);
    }
    match relay(words)? {
        RelaySelector::Safety => Ok(RelayRole::Safety),
        RelaySelector::Element(selector) => {
            let range = start..words.end_of_last();
            match zones {
                Some(zones) => Ok(RelayRole::Element(zone_index(&selector, zones, range)?)),
                // The zones have mistakes of their own; do not add to them.
                None => Ok(RelayRole::Element(0)),
            }
        }
    }
}

pub(crate) fn relays(reading: &mut Reading<'_>, node: &Node, zones: Option<&[Zone]>) -> Option<Vec<Relay>> {
    let items = some_items(reading, node, "the list of relays", MAX_ZONES + 2)?;
    let mut roles = Vec::new();
    let mut inputs = Vec::new();
    let relays: Vec<Option<Relay>> = items
        .iter()
        .map(|item| {
            let what = "a relay";
            let keys = &["role", "made as", "input", "senses", "active", "release", "unpowered", "coil supply"];
            let fields = reading.fields(item, what, keys)?;
            let role = reading.require(&fields, "role", what, "safety").and_then(|node| {
                let role = reading.parse(node, "a relay's role", |text| {
                    let mut words = Words::of(text);
                    let role = role(&mut words, zones)?;
                    words.end("one relay for each item")?;
                    Ok(role)
                })?;
                roles.push((role.clone(), node.span));
                Some(role)
            });
            let input = reading.require(&fields, "input", what, "0").and_then(|node| {
                let input = reading.integer(node, "a rig input", 0, MAX_PIN)?;
                inputs.push(Spanned { value: input.to_string(), span: node.span });
                u8::try_from(input).ok()
            });
            let senses = reading.require(&fields, "senses", what, "command").and_then(|node| {
                let choices = [("command", Senses::Command), ("contact", Senses::Contact), ("load", Senses::Load)];
                reading.one_of(node, "what is sensed", &choices)
            });
            let active = match fields.get("active") {
                Some(node) => {
                    reading.one_of(node, "the active level", &[("high", ActiveLevel::High), ("low", ActiveLevel::Low)])
                }
                None => Some(ActiveLevel::High),
            };
            let made = match fields.get("made as") {
                Some(node) => reading.one_of(node, "what a relay is made as", Made::WORDS).map(Some),
                None => Some(None),
            };
            let release = fields
                .get("release")
                .map(|node| in_time_range(reading, node, "a release time", RigSpan::ZERO, RigSpan::from_seconds(60)));
            let unpowered = match fields.get("unpowered") {
                Some(node) => reading.one_of(node, "what contacts do without a supply of the coil", UNPOWERED),
                None => Some(Unpowered::default()),
            };
            let coil_supply = match fields.get("coil supply") {
                Some(node) => reading.name(node, "the supply of a coil"),
                None if role == Some(RelayRole::Limiter) => Some(LIMITERS_COIL_SUPPLY.to_owned()),
                None => Some(USUAL_COIL_SUPPLY.to_owned()),
            };
            if role == Some(RelayRole::Limiter)
                && senses == Some(Senses::Command)
                && let Some(node) = fields.get("senses")
            {
                reading.mistake(
                    DiagnosticKind::Contradiction,
                    node.span,
                    "of a limiter the contact has to be seen: that it opens is all it is there for",
                    "let the rig sense the contact or a dummy load behind it: `senses: contact`".to_owned(),
                );
            }
            if let (Some(unpowered), Some(senses), Some(active), Some(node)) =
                (unpowered, senses, active, fields.get("unpowered"))
            {
                shows_where_it_is(reading, node, unpowered, senses, active);
            }
            let (role, senses, made) = (role?, senses?, made?);
            let usual = match (senses, &role) {
                // The contact or the load itself shows when it opened.
                (Senses::Contact | Senses::Load, _) => RigSpan::ZERO,
                (Senses::Command, RelayRole::Safety | RelayRole::Limiter) => made.unwrap_or(Made::Contactor).release(),
                (Senses::Command, RelayRole::Element(_)) => made.unwrap_or(Made::Relay).release(),
            };
            Some(Relay {
                role,
                input: input?,
                senses,
                active: active?,
                release: release.unwrap_or(Some(usual))?,
                unpowered: unpowered?,
                coil_supply: coil_supply?,
                solid_state: made == Some(Made::SolidState),
            })
        })
        .collect();
    reading.unique("the rig input", &inputs);
    for (index, (role, span)) in roles.iter().enumerate() {
        if zones.is_some() && roles[..index].iter().any(|(earlier, _)| earlier == role) {
            reading.mistake(
                DiagnosticKind::DuplicateName,
                *span,
                format!("the relay {} is given a second time", quoted(reading.source.slice(*span))),
                "each relay is listed once".to_owned(),
            );
        }
    }
    relays.into_iter().collect()
}

/// The index of a zone of the bench; 0 where its zones are not known.
pub(crate) fn zone_of(reading: &mut Reading<'_>, name: &Spanned<String>, zones: Option<&[Zone]>) -> Option<usize> {
    let Some(zones) = zones else { return Some(0) };
    let index = zones.iter().position(|zone| zone.name == name.value);
    if index.is_none() {
        let names: Vec<&str> = zones.iter().map(|zone| zone.name.as_str()).collect();
        let hint = match nearest(&name.value, names.iter().copied()) {
            Some(near) => format!("did you mean `{near}`?"),
            None => format!("the zones of this bench are {}", names.join(", ")),
        };
        reading.mistake(
            DiagnosticKind::UnknownRole,
            name.span,
            format!("there is no zone {}", quoted(&name.value)),
            hint,
        );
    }
    index
}

const UNPOWERED: &[(&str, Unpowered)] =
    &[("open", Unpowered::Open), ("closed", Unpowered::Closed), ("as it was", Unpowered::AsItWas)];

/// Refuses to take an output's level for the contacts' state where a dead output goes with closed contacts:
/// a cut of the supply would look like a cut of the heat.
fn shows_where_it_is(
    reading: &mut Reading<'_>,
    node: &Node,
    unpowered: Unpowered,
    senses: Senses,
    active: ActiveLevel,
) {
    let message = match (unpowered, senses, active) {
        (Unpowered::AsItWas, Senses::Command, _) => "a latching relay's output does not show where its contacts are",
        (Unpowered::Closed, Senses::Command, ActiveLevel::High) => {
            "contacts that close without supply are closed while the output is low, but `active` is high"
        }
        _ => return,
    };
    reading.mistake(
        DiagnosticKind::Contradiction,
        node.span,
        message,
        "let the rig sense the contact or the load: `senses: contact`".to_owned(),
    );
}

pub(crate) fn paths(
    reading: &mut Reading<'_>,
    node: &Node,
    zones: Option<&[Zone]>,
    relays: Option<&[Relay]>,
) -> Option<Vec<Path>> {
    let items = some_items(reading, node, "the list of paths", MAX_ZONES)?;
    let mut seen = Vec::new();
    let mut unlisted = Vec::new();
    let paths: Vec<Option<Path>> = items
        .iter()
        .map(|item| {
            let what = "a path";
            let fields = reading.fields(item, what, &["zone", "poles", "between"])?;
            let zone = reading.require(&fields, "zone", what, "top").and_then(|node| {
                let name = zone_name(reading, node)?;
                seen.push(name.clone());
                zone_of(reading, &name, zones)
            });
            let poles = reading.require(&fields, "poles", what, "[[safety, element.top], [safety]]").and_then(|node| {
                let poles = some_items(reading, node, "the list of poles", 4)?;
                poles
                    .iter()
                    .map(|pole| pole_of(reading, pole, zones, relays, &mut unlisted))
                    .collect::<Vec<_>>()
                    .into_iter()
                    .collect::<Option<Vec<Pole>>>()
            });
            let between = match fields.get("between") {
                None => Some(None),
                Some(node) => between(reading, node).map(Some),
            };
            Some(Path { zone: zone?, poles: poles?, between: between? })
        })
        .collect();
    reading.unique("the path of the zone", &seen);
    let paths: Vec<Path> = paths.into_iter().collect::<Option<_>>()?;
    let zones = zones?;
    every_relay_is_on_a_path(reading, node, zones, relays.unwrap_or_default(), &paths);
    for (index, zone) in zones.iter().enumerate() {
        if !paths.iter().any(|path| path.zone == index) {
            reading.mistake_in(
                DiagnosticKind::MissingKey,
                node,
                format!("no path leads to the element of the zone {}", quoted(&zone.name)),
                format!("add `- {{ zone: {}, poles: [[safety, element.{}], [safety]] }}`", zone.name, zone.name),
            );
            return None;
        }
    }
    Some(paths)
}

const WIRES: &[(&str, Wire)] =
    &[("leg 1", Wire::Leg(1)), ("leg 2", Wire::Leg(2)), ("leg 3", Wire::Leg(3)), ("neutral", Wire::Neutral)];

/// The two wires between which an element lies.
fn between(reading: &mut Reading<'_>, node: &Node) -> Option<[Wire; 2]> {
    let items = reading.items(node, "the wires of an element")?;
    let wires: Vec<Option<Wire>> =
        items.iter().map(|item| reading.one_of(item, "a wire of the supply", WIRES)).collect();
    let wires = wires.into_iter().collect::<Option<Vec<Wire>>>()?;
    match wires.as_slice() {
        [one, other] if one != other => Some([*one, *other]),
        _ => {
            reading.mistake_in(
                DiagnosticKind::OutOfRange,
                node,
                "an element lies between two different wires",
                "for example `[leg 1, leg 2]` or `[leg 1, neutral]`".to_owned(),
            );
            None
        }
    }
}

/// A leg of the kiln's supply, from 1.
pub(crate) fn leg(reading: &mut Reading<'_>, node: &Node) -> Option<u8> {
    reading.one_of(node, "a leg of the kiln's supply", &[("leg 1", 1), ("leg 2", 2), ("leg 3", 3)])
}

/// A relay that switches nothing can be welded without harm, and would seem to be met.
fn every_relay_is_on_a_path(reading: &mut Reading<'_>, node: &Node, zones: &[Zone], relays: &[Relay], paths: &[Path]) {
    if paths.len() != zones.len() {
        // A path is missing, and that is told.
        return;
    }
    let leads_through =
        |path: &Path, relay: usize| path.poles.iter().flat_map(|pole| &pole.through).any(|on| on.0 == relay);
    for (index, relay) in relays.iter().enumerate() {
        let (own, message) = match relay.role {
            RelayRole::Safety => (None, "no path leads through `safety`".to_owned()),
            RelayRole::Limiter => {
                limiter_is_on_every_path(reading, node, zones, paths, index);
                continue;
            }
            RelayRole::Element(zone) => {
                let Some(Zone { name, .. }) = zones.get(zone) else { continue };
                (Some(zone), format!("the path to the element of zone `{name}` does not lead through `element.{name}`"))
            }
        };
        let switches = paths.iter().any(|path| own.is_none_or(|zone| path.zone == zone) && leads_through(path, index));
        if !switches {
            reading.mistake_in(
                DiagnosticKind::Contradiction,
                node,
                message,
                "put it where it stands in the wiring, or leave it out of `relays` if it switches no element"
                    .to_owned(),
            );
        }
    }
}

/// What goes past the limiter it cannot end.
fn limiter_is_on_every_path(reading: &mut Reading<'_>, node: &Node, zones: &[Zone], paths: &[Path], limiter: usize) {
    let leads_through = |path: &&Path| path.poles.iter().flat_map(|pole| &pole.through).any(|on| on.0 == limiter);
    let past = paths.iter().position(|path| !leads_through(&path));
    let zone = past.and_then(|past| zones.get(paths[past].zone));
    if let (Some(past), Some(zone)) = (past, zone) {
        // The paths stand in the order of the list.
        let item = match &node.content {
            Content::Sequence(items) => items.get(past).unwrap_or(node),
            _ => node,
        };
        reading.mistake_in(
            DiagnosticKind::Contradiction,
            item,
            format!("the path to the element of zone `{}` does not lead through `limiter`", zone.name),
            "a limiter's contact stands in every path, in series with the contactor: `[limiter, safety, element.top]`"
                .to_owned(),
        );
    }
}

fn pole_of(
    reading: &mut Reading<'_>,
    node: &Node,
    zones: Option<&[Zone]>,
    relays: Option<&[Relay]>,
    unlisted: &mut Vec<RelayRole>,
) -> Option<Pole> {
    let items = reading.items(node, "a pole")?;
    let through: Vec<Option<PathRelay>> = items
        .iter()
        .map(|item| {
            let role = reading.parse(item, "a relay of a pole", |text| {
                let mut words = Words::of(text);
                let role = role(&mut words, zones)?;
                words.end("the relays of a pole stand in a list: `[safety, element.top]`")?;
                Ok(role)
            })?;
            let (Some(relays), Some(_)) = (relays, zones) else { return Some(PathRelay(0)) };
            let found = relays.iter().position(|relay| relay.role == role);
            if found.is_none() && !unlisted.contains(&role) {
                unlisted.push(role);
                reading.mistake(
                    DiagnosticKind::UnknownRole,
                    item.span,
                    format!("the relay {} is not in the list of relays", quoted(reading.source.slice(item.span))),
                    "the rig has to sense every relay that a path leads through; add it to `relays`".to_owned(),
                );
            }
            found.map(PathRelay)
        })
        .collect();
    Some(Pole { through: through.into_iter().collect::<Option<_>>()? })
}

pub(crate) const CONTACTS: &[(&str, ContactRole)] = &[
    ("lid", ContactRole::Lid),
    ("stop", ContactRole::Stop),
    ("start", ContactRole::Start),
    ("acknowledge", ContactRole::Acknowledge),
    ("test line", ContactRole::TestLine),
    ("reset line", ContactRole::ResetLine),
    ("data line low", ContactRole::DataLineLow),
    ("data line high", ContactRole::DataLineHigh),
    ("clock line low", ContactRole::ClockLineLow),
    ("reset", ContactRole::Reset),
    ("limiter supply", ContactRole::LimiterSupply),
];

const CONTACT_STATES: &[(&str, ContactState)] = &[("open", ContactState::Open), ("closed", ContactState::Closed)];

pub(crate) fn contacts(reading: &mut Reading<'_>, node: &Node) -> Option<Vec<Contact>> {
    let items = reading.items(node, "the list of contacts")?;
    let mut roles = Vec::new();
    let mut outputs = Vec::new();
    let contacts: Vec<Option<Contact>> = items
        .iter()
        .map(|item| {
            let what = "a contact";
            let fields = reading.fields(item, what, &["role", "output", "engaged", "demand safe"])?;
            let role = reading.require(&fields, "role", what, "lid").and_then(|node| {
                let role = reading.one_of(node, "a contact's role", CONTACTS)?;
                roles.push(Spanned { value: role.word().to_owned(), span: node.span });
                Some(role)
            });
            let output = reading.require(&fields, "output", what, "0").and_then(|node| {
                let output = reading.integer(node, "a rig output", 0, MAX_PIN)?;
                outputs.push(Spanned { value: output.to_string(), span: node.span });
                u8::try_from(output).ok()
            });
            let engaged = reading
                .require(&fields, "engaged", what, "open")
                .and_then(|node| reading.one_of(node, "the state of an engaged contact", CONTACT_STATES));
            let demand_safe = match fields.get("demand safe") {
                Some(node) => reading.one_of(node, "the state that demands safety", CONTACT_STATES).map(Some),
                None => Some(None),
            };
            let (role, engaged, demand_safe) = (role?, engaged?, demand_safe?);
            let rest = match engaged {
                ContactState::Open => ContactState::Closed,
                ContactState::Closed => ContactState::Open,
            };
            // An open lid and a pressed stop demand safety; a pressed start and a program that stands still do not.
            let usual = match role {
                ContactRole::Lid | ContactRole::Stop => engaged,
                ContactRole::Start
                | ContactRole::Acknowledge
                | ContactRole::TestLine
                | ContactRole::ResetLine
                | ContactRole::DataLineLow
                | ContactRole::DataLineHigh
                | ContactRole::ClockLineLow
                | ContactRole::Reset
                | ContactRole::LimiterSupply => rest,
            };
            Some(Contact { role, output: output?, engaged, demand_safe: demand_safe.unwrap_or(usual) })
        })
        .collect();
    reading.unique("the contact", &roles);
    reading.unique("the rig output", &outputs);
    if items.len() > MAX_ITEMS {
        return None;
    }
    contacts.into_iter().collect()
}

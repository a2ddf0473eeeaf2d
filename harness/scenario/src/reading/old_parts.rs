//! What an earlier control left in the wiring.

use dryfire_units::{RigSpan, bounds};

use crate::diagnostic::DiagnosticKind;
use crate::reading::Reading;
use crate::reading::bench::in_time_range;
use crate::reading::kiln::quantity_of;
use crate::reading::wiring::{MAX_ZONES, role, some_items, zone_name, zone_of};
use crate::source::quoted;
use crate::tree::Node;
use crate::words::Words;
use crate::{OldPart, OldPartKind, Path, PathRelay, Relay, RelayRole, Zone};

/// Duty and cycle of an infinite switch of which nothing is said: common practice, no source.
const USUAL_DUTY: f64 = 60.0;
const USUAL_CYCLE: RigSpan = RigSpan::from_seconds(30);
const SHORTEST_CYCLE: RigSpan = RigSpan::from_seconds(1);
const LONGEST_CYCLE: RigSpan = RigSpan::from_minutes(10);

#[derive(Clone, Copy, PartialEq, Eq)]
enum Word {
    Bypass,
    InfiniteSwitch,
}

const WORDS: &[(&str, Word)] = &[("bypass", Word::Bypass), ("infinite switch", Word::InfiniteSwitch)];

/// Reads the list of old parts.
pub(crate) fn old_parts(
    reading: &mut Reading<'_>,
    node: &Node,
    zones: Option<&[Zone]>,
    relays: Option<&[Relay]>,
    paths: Option<&[Path]>,
) -> Option<Vec<OldPart>> {
    let items = some_items(reading, node, "the list of old parts", 2 * MAX_ZONES)?;
    let parts: Vec<Option<OldPart>> = items
        .iter()
        .map(|item| {
            let what = "an old part";
            let fields = reading.fields(item, what, &["part", "zone", "around", "duty", "cycle"])?;
            let part = reading
                .require(&fields, "part", what, "bypass")
                .and_then(|node| reading.one_of(node, "an old part", WORDS));
            let zone = reading.require(&fields, "zone", what, "top").and_then(|node| {
                let name = zone_name(reading, node)?;
                zone_of(reading, &name, zones)
            });
            let (part, zone) = (part?, zone?);
            let strangers: &[&str] = match part {
                Word::Bypass => &["duty", "cycle"],
                Word::InfiniteSwitch => &["around"],
            };
            let mut stranger = false;
            for entry in fields.among(strangers) {
                stranger = true;
                let other = if part == Word::Bypass { "an infinite switch" } else { "a bypass" };
                reading.mistake(
                    DiagnosticKind::ConflictingKeys,
                    entry.key_span,
                    format!("{} does not belong here", quoted(&entry.key)),
                    format!("leave it out; it belongs to {other}"),
                );
            }
            if stranger {
                return None;
            }
            let kind = match part {
                Word::Bypass => {
                    let path = paths.and_then(|paths| paths.iter().find(|path| path.zone == zone));
                    bypass(reading, item, fields.get("around"), zones, relays, path)?
                }
                Word::InfiniteSwitch => infinite_switch(reading, item, fields.get("duty"), fields.get("cycle"))?,
            };
            Some(OldPart { zone, kind })
        })
        .collect();
    let parts: Vec<OldPart> = parts.into_iter().collect::<Option<_>>()?;
    // Scenarios name a bypass by its zone.
    for (index, part) in parts.iter().enumerate() {
        let is_bypass = |part: &OldPart| matches!(part.kind, OldPartKind::Bypass { .. });
        if is_bypass(part) && parts[..index].iter().any(|other| is_bypass(other) && other.zone == part.zone) {
            reading.mistake_in(
                DiagnosticKind::DuplicateName,
                &items[index],
                "this zone has a bypass already",
                "name all relays that are bridged in one `around`".to_owned(),
            );
        }
    }
    Some(parts)
}

fn bypass(
    reading: &mut Reading<'_>,
    item: &Node,
    around: Option<&Node>,
    zones: Option<&[Zone]>,
    relays: Option<&[Relay]>,
    path: Option<&Path>,
) -> Option<OldPartKind> {
    let named: Option<Vec<(RelayRole, &Node)>> = match around {
        None => None,
        Some(node) => {
            let items = some_items(reading, node, "the list of bridged relays", MAX_ZONES + 1)?;
            let roles: Vec<Option<(RelayRole, &Node)>> = items
                .iter()
                .map(|item| {
                    let role = reading.parse(item, "a bridged relay", |text| {
                        let mut words = Words::of(text);
                        let role = role(&mut words, zones)?;
                        words.end("one relay for each item")?;
                        Ok(role)
                    })?;
                    Some((role, item))
                })
                .collect();
            Some(roles.into_iter().collect::<Option<_>>()?)
        }
    };
    // Mistakes in what it stands among have been told.
    let (relays, path) = (relays?, path?);
    let mut stand: Vec<usize> = path.poles.iter().flat_map(|pole| &pole.through).map(|relay| relay.0).collect();
    stand.sort_unstable();
    stand.dedup();
    if stand.is_empty() {
        reading.mistake_in(
            DiagnosticKind::Contradiction,
            item,
            "no relay stands in the path of this zone, so there is nothing to bridge",
            "leave it out".to_owned(),
        );
        return None;
    }
    let mut bridged = Vec::new();
    match named {
        None => bridged = stand,
        Some(named) => {
            for (role, node) in named {
                match relays.iter().position(|relay| relay.role == role).filter(|relay| stand.contains(relay)) {
                    Some(relay) => bridged.push(relay),
                    None => reading.mistake(
                        DiagnosticKind::UnknownRole,
                        node.span,
                        format!("{} does not stand in the path of this zone", quoted(reading.source.slice(node.span))),
                        "a bypass bridges relays of its own zone's path".to_owned(),
                    ),
                }
            }
        }
    }
    Some(OldPartKind::Bypass { around: bridged.into_iter().map(PathRelay).collect() })
}

fn infinite_switch(
    reading: &mut Reading<'_>,
    item: &Node,
    duty: Option<&Node>,
    cycle: Option<&Node>,
) -> Option<OldPartKind> {
    let share = match duty {
        None => Some(USUAL_DUTY),
        Some(node) => quantity_of(reading, node, "the duty of an infinite switch", &bounds::PERCENT),
    };
    let cycle = match cycle {
        None => Some(USUAL_CYCLE),
        Some(node) => in_time_range(reading, node, "the cycle of an infinite switch", SHORTEST_CYCLE, LONGEST_CYCLE),
    };
    let (share, cycle) = (share?, cycle?);
    // At most ten minutes of microseconds.
    let on = RigSpan::from_micros((cycle.as_micros() as f64 * share / 100.0).round() as i64);
    if on <= RigSpan::ZERO || on >= cycle {
        reading.mistake_in(
            DiagnosticKind::OutOfRange,
            duty.unwrap_or(item),
            "an infinite switch that is always open or always closed",
            "always open there is no heat, always closed it may be left out; its duty lies between".to_owned(),
        );
        return None;
    }
    Some(OldPartKind::InfiniteSwitch { on, cycle })
}

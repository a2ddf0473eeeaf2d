//! Contacts by which the controller is told what the power side does.

use crate::diagnostic::DiagnosticKind;
use crate::reading::Reading;
use crate::reading::wiring::{MAX_PIN, role, some_items, zone_name, zone_of};
use crate::source::quoted;
use crate::tree::{Entry, Node};
use crate::words::Words;
use crate::{BenchKind, Contact, Feedback, Relay, RelayRole, Spanned, Told, Zone};

/// Most of them: as many as a rig has outputs.
const MOST: usize = 32;
const MIRROR: &str = "mirror contact";
const CURRENT: &str = "current";
const LIMITER: &str = "limiter";
const ANY_ZONE: &str = "any zone";

/// Reads the list; `contacts` are those that work other outputs, `None` where they have mistakes of their own.
pub(crate) fn feedback(
    reading: &mut Reading<'_>,
    entry: &Entry,
    kind: Option<&BenchKind>,
    zones: Option<&[Zone]>,
    relays: Option<&[Relay]>,
    contacts: Option<&[Contact]>,
) -> Option<Vec<Feedback>> {
    if matches!(kind, Some(BenchKind::Program { .. })) {
        reading.mistake(
            DiagnosticKind::Contradiction,
            entry.key_span,
            "a program is told nothing of the power side",
            "leave `feedback` out; it is for a rig, whose outputs are wired to the controller's inputs".to_owned(),
        );
        return None;
    }
    let items = some_items(reading, &entry.value, "the list of feedback contacts", MOST)?;
    let mut outputs = Vec::new();
    let mut told: Vec<Told> = Vec::new();
    let read: Vec<Option<Feedback>> = items
        .iter()
        .map(|item| {
            let what = "a feedback contact";
            let fields = reading.fields(item, what, &[MIRROR, CURRENT, LIMITER, "output"])?;
            let output = reading.require(&fields, "output", what, "8").and_then(|node| {
                let output = u8::try_from(reading.integer(node, "a rig output", 0, MAX_PIN)?).ok()?;
                outputs.push(Spanned { value: output.to_string(), span: node.span });
                if contacts.is_some_and(|contacts| contacts.iter().any(|contact| contact.output == output)) {
                    reading.mistake(
                        DiagnosticKind::DuplicateName,
                        node.span,
                        format!("a contact is on the rig output {output} already"),
                        "one output works one contact; docs/rig.md keeps 8 to 11 for feedback".to_owned(),
                    );
                    return None;
                }
                Some(output)
            });
            let tells = match fields.among(&[MIRROR, CURRENT, LIMITER]).as_slice() {
                [one] if one.key == MIRROR => mirrored(reading, &one.value, zones, relays),
                [one] if one.key == LIMITER => limited(reading, &one.value, relays),
                [one] => watched(reading, &one.value, zones),
                [] => {
                    reading.mistake_in(
                        DiagnosticKind::MissingKey,
                        item,
                        "a feedback contact does not say what it tells",
                        "give it `mirror contact: safety`, `current: any zone`, or `limiter: tripped`".to_owned(),
                    );
                    None
                }
                [_, second, ..] => {
                    reading.mistake(
                        DiagnosticKind::ConflictingKeys,
                        second.key_span,
                        "a feedback contact tells one thing",
                        "make an item of its own of it, with another output".to_owned(),
                    );
                    None
                }
            };
            let (output, tells) = (output?, tells?);
            if relays.is_some() && zones.is_some() {
                if told.contains(&tells) {
                    reading.mistake_in(
                        DiagnosticKind::DuplicateName,
                        item,
                        "another contact tells the same already",
                        "leave one of them out, and wire both inputs to one output".to_owned(),
                    );
                    return None;
                }
                told.push(tells);
            }
            Some(Feedback { tells, output })
        })
        .collect();
    reading.unique("the rig output", &outputs);
    read.into_iter().collect()
}

fn mirrored(reading: &mut Reading<'_>, node: &Node, zones: Option<&[Zone]>, relays: Option<&[Relay]>) -> Option<Told> {
    let role = reading.parse(node, "a relay with a mirror contact", |text| {
        let mut words = Words::of(text);
        let role = role(&mut words, zones)?;
        words.end("one relay stands here")?;
        Ok(role)
    })?;
    // Mistakes in what it stands among have been told.
    let (Some(relays), Some(_)) = (relays, zones) else { return Some(Told::MirrorContact { relay: 0 }) };
    let Some(relay) = relays.iter().position(|relay| relay.role == role) else {
        reading.mistake(
            DiagnosticKind::UnknownRole,
            node.span,
            format!("the relay {} is not in the list of relays", quoted(reading.source.slice(node.span))),
            "a mirror contact follows a relay that the rig senses; add it to `relays`".to_owned(),
        );
        return None;
    };
    if relays[relay].solid_state {
        reading.mistake(
            DiagnosticKind::Contradiction,
            node.span,
            "a solid-state relay has no mirror contact",
            "watch the current instead: `current: top`".to_owned(),
        );
        return None;
    }
    Some(Told::MirrorContact { relay })
}

fn limited(reading: &mut Reading<'_>, node: &Node, relays: Option<&[Relay]>) -> Option<Told> {
    let told =
        reading.one_of(node, "what a feedback contact tells of the limiter", &[("tripped", Told::LimiterTripped)])?;
    // Mistakes in what it stands among have been told.
    if relays.is_some_and(|relays| relays.iter().all(|relay| relay.role != RelayRole::Limiter)) {
        reading.mistake(
            DiagnosticKind::UnknownRole,
            node.span,
            "the rig does not sense the contact of a limiter, so it cannot tell of it",
            "add it to `relays`, for example `- { role: limiter, input: 4, senses: contact, active: high }`".to_owned(),
        );
        return None;
    }
    Some(told)
}

fn watched(reading: &mut Reading<'_>, node: &Node, zones: Option<&[Zone]>) -> Option<Told> {
    let scalar = reading.scalar(node, "the zone whose current is watched")?;
    if scalar.text.trim() == ANY_ZONE {
        return Some(Told::Current { zone: None });
    }
    let name = zone_name(reading, node)?;
    Some(Told::Current { zone: Some(zone_of(reading, &name, zones)?) })
}

//! How the bench works the controller before a firing: clears a fault that it still
//! has latched, and begins the firing.

use crate::diagnostic::DiagnosticKind;
use crate::reading::Reading;
use crate::reading::bench::{in_time_range, words_of};
use crate::source::quoted;
use crate::tree::{Content, Node};
use crate::{BeginFiring, ClearFault, Contact, ContactRole};

use dryfire_units::RigSpan;

const DEFAULT_PRESS: RigSpan = RigSpan::from_millis(300);

/// Whether the bench has such a contact; a list that has mistakes of its own counts as if it had.
pub(super) fn listed(contacts: &Option<Option<Vec<Contact>>>, role: ContactRole) -> bool {
    match contacts {
        Some(Some(contacts)) => contacts.iter().any(|contact| contact.role == role),
        Some(None) => true,
        None => false,
    }
}

/// The words of one way to work the controller.
struct Way {
    /// Its key.
    key: &'static str,
    /// What it is for, completing "no way to …".
    purpose: &'static str,
    /// The contact's word.
    contact: &'static str,
    /// Whether the bench has that contact.
    listed: bool,
    /// How the contact is listed.
    entry: &'static str,
    /// How the key may be written.
    example: &'static str,
    /// Console lines for an example.
    lines: &'static str,
}

/// What was written.
enum Worked {
    Lines(Vec<String>),
    Pressed(RigSpan),
}

pub(super) fn begin_firing(reading: &mut Reading<'_>, node: &Node, listed: bool) -> Option<BeginFiring> {
    let way = Way {
        key: "`begin firing`",
        purpose: "begin a firing",
        contact: "start",
        listed,
        entry: "{ role: start, output: 2, engaged: closed }",
        example: "write `operator`, `{ contact: start }` or `{ console: [\"program {program}\", start] }`",
        lines: "[\"program {program}\", start]",
    };
    if matches!(&node.content, Content::Scalar(scalar) if scalar.text == "operator") {
        return Some(BeginFiring::Operator);
    }
    Some(match worked(reading, node, &way)? {
        Worked::Lines(lines) => {
            if !lines.iter().any(|line| line.contains("{program}")) {
                let place =
                    reading.fields(node, way.key, KEYS).and_then(|fields| fields.get("console").map(Node::head));
                reading.mistake(
                    DiagnosticKind::Unused,
                    place.unwrap_or(node.span),
                    "no line has `{program}` in it, so the scenario's firing never reaches the controller",
                    "put `{program}` where the segments belong: `\"program {program}\"`".to_owned(),
                );
            }
            BeginFiring::Console { lines }
        }
        Worked::Pressed(press) => BeginFiring::Contact { press },
    })
}

pub(super) fn clear_fault(reading: &mut Reading<'_>, node: &Node, listed: bool) -> Option<ClearFault> {
    let way = Way {
        key: "`clear fault`",
        purpose: "clear a latched fault",
        contact: "acknowledge",
        listed,
        entry: "{ role: acknowledge, output: 3, engaged: closed }",
        example: "write `{ contact: acknowledge, press: 3 s }` or `{ console: [clear] }`",
        lines: "[clear]",
    };
    Some(match worked(reading, node, &way)? {
        Worked::Lines(lines) => ClearFault::Console { lines },
        Worked::Pressed(press) => ClearFault::Contact { press },
    })
}

const KEYS: &[&str] = &["console", "contact", "press"];

fn worked(reading: &mut Reading<'_>, node: &Node, way: &Way) -> Option<Worked> {
    if let Content::Scalar(scalar) = &node.content {
        reading.mistake(
            DiagnosticKind::UnknownWord,
            node.span,
            format!("{} is no way to {}", quoted(&scalar.text), way.purpose),
            way.example.to_owned(),
        );
        return None;
    }
    let fields = reading.fields(node, way.key, KEYS)?;
    match (fields.entry("console"), fields.entry("contact")) {
        (Some(console), None) => {
            if let Some(press) = fields.entry("press") {
                reading.mistake(
                    DiagnosticKind::ConflictingKeys,
                    press.key_span,
                    "`press` belongs to `contact`, not to `console`",
                    "leave it out".to_owned(),
                );
                return None;
            }
            let lines = words_of(reading, &console.value, "the list of console lines", "a console line")?;
            if lines.is_empty() {
                reading.mistake(
                    DiagnosticKind::Empty,
                    console.value.span,
                    "no console line is sent",
                    format!("for example `{}`", way.lines),
                );
                return None;
            }
            Some(Worked::Lines(lines))
        }
        (None, Some(contact)) => {
            let what = format!("the contact to {} with", way.purpose);
            reading.one_of(&contact.value, &what, &[(way.contact, ())])?;
            let press = match fields.get("press") {
                Some(node) => in_time_range(
                    reading,
                    node,
                    "the time of a press",
                    RigSpan::from_millis(10),
                    RigSpan::from_seconds(60),
                ),
                None => Some(DEFAULT_PRESS),
            };
            if !way.listed {
                reading.mistake(
                    DiagnosticKind::UnknownRole,
                    contact.value.span,
                    format!("the bench has no {} contact", way.contact),
                    format!("add `{}` to `contacts`", way.entry),
                );
                return None;
            }
            Some(Worked::Pressed(press?))
        }
        (Some(_), Some(contact)) => {
            reading.mistake(
                DiagnosticKind::ConflictingKeys,
                contact.key_span,
                format!("to {}, there is the console or a contact, not both", way.purpose),
                "keep the one that the controller needs".to_owned(),
            );
            None
        }
        (None, None) => {
            reading.mistake_in(
                DiagnosticKind::MissingKey,
                node,
                format!("{} does not say how", way.key),
                way.example.to_owned(),
            );
            None
        }
    }
}

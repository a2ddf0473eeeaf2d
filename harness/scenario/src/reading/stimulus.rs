//! Stimuli: a verb and what it is done to.

use crate::diagnostic::DiagnosticKind;
use crate::reading::Reading;
use crate::reading::scenario::relay;
use crate::source::quoted;
use crate::suggest::{either, nearest};
use crate::tree::{Content, Entry, Node};
use crate::words::{Mistake, Words};
use crate::{ContactRole, ProbeFault, RelayFault, RelaySelector, Span, Spanned, Stimulus, ZoneSelector};

/// What a verb is done to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Object {
    Probe,
    Lid,
    Button,
    Supply,
    Relay,
    Element,
    Text,
}

/// Every verb, and what it can be done to.
const VERBS: &[(&str, &[Object])] = &[
    ("open", &[Object::Probe, Object::Lid]),
    ("short", &[Object::Probe]),
    ("reverse", &[Object::Probe]),
    ("freeze", &[Object::Probe]),
    ("offset", &[Object::Probe]),
    ("pull out", &[Object::Probe]),
    ("reconnect", &[Object::Probe]),
    ("close", &[Object::Lid]),
    ("press", &[Object::Button]),
    ("release", &[Object::Button]),
    ("cut", &[Object::Supply]),
    ("restore", &[Object::Supply]),
    ("weld", &[Object::Relay]),
    ("stick open", &[Object::Relay]),
    ("free", &[Object::Relay]),
    ("lose", &[Object::Element]),
    ("console", &[Object::Text]),
    ("prompt", &[Object::Text]),
];

/// The keys of a stimulus: every verb, and `by` for an offset.
pub(crate) fn keys() -> Vec<&'static str> {
    VERBS.iter().map(|(verb, _)| *verb).chain(["by"]).collect()
}

/// Reads one stimulus or a list of them.
pub(crate) fn read(reading: &mut Reading<'_>, node: &Node) -> Option<Vec<Spanned<Stimulus>>> {
    match &node.content {
        Content::Sequence(items) if items.is_empty() => {
            reading.mistake(
                DiagnosticKind::Empty,
                node.span,
                "`do` names nothing to do",
                "for example `do: { open: probe }`".to_owned(),
            );
            None
        }
        Content::Sequence(items) => {
            items.iter().map(|item| stimulus(reading, item)).collect::<Vec<_>>().into_iter().collect()
        }
        _ => Some(vec![stimulus(reading, node)?]),
    }
}

fn stimulus(reading: &mut Reading<'_>, node: &Node) -> Option<Spanned<Stimulus>> {
    if let Content::Scalar(scalar) = &node.content {
        let hint = match scalar.text.rsplit_once(' ') {
            Some((verb, object)) if keys().contains(&verb) => format!("write `{{ {verb}: {object} }}`"),
            _ => "a stimulus is a verb, a colon and an object in braces: `{ open: probe }`".to_owned(),
        };
        reading.mistake(
            DiagnosticKind::WrongShape,
            node.span,
            format!("{} is no stimulus", quoted(&scalar.text)),
            hint,
        );
        return None;
    }
    let Content::Mapping(entries) = &node.content else {
        reading.mistake_in(
            DiagnosticKind::WrongShape,
            node,
            "a stimulus is a verb and its object, not a list",
            "for example `{ open: probe }`".to_owned(),
        );
        return None;
    };
    let mut unknown = false;
    for entry in entries {
        if !keys().contains(&entry.key.as_str()) {
            unknown = true;
            let hint = match entry.key.as_str() {
                "disconnect" | "break" => "a broken probe circuit is `open`".to_owned(),
                "shut" => "the lid is shut by `close`".to_owned(),
                "stick" => "a relay that never closes is `stick open`, one that never opens is `weld`".to_owned(),
                other => match nearest(other, keys()) {
                    Some(near) => format!("did you mean `{near}`?"),
                    None => format!(
                        "the stimuli are {}",
                        VERBS.iter().map(|(verb, _)| *verb).collect::<Vec<_>>().join(", ")
                    ),
                },
            };
            reading.mistake(
                DiagnosticKind::UnknownStimulus,
                entry.key_span,
                format!("there is no stimulus {}", quoted(&entry.key)),
                hint,
            );
        }
    }
    if unknown {
        return None;
    }
    let by = entries.iter().find(|entry| entry.key == "by");
    let verbs: Vec<&Entry> = entries.iter().filter(|entry| entry.key != "by").collect();
    let [entry] = verbs.as_slice() else {
        match verbs.get(1) {
            Some(second) => reading.mistake(
                DiagnosticKind::ConflictingKeys,
                second.key_span,
                "a second stimulus stands in the same braces",
                format!("write a list: `[{{ {}: … }}, {{ {}: … }}]`", verbs[0].key, second.key),
            ),
            None => reading.mistake_in(
                DiagnosticKind::Empty,
                node,
                "a stimulus has no verb",
                "for example `{ open: probe }`".to_owned(),
            ),
        }
        return None;
    };
    if let (Some(by), false) = (by, entry.key == "offset") {
        reading.mistake(
            DiagnosticKind::ConflictingKeys,
            by.key_span,
            format!("`by` belongs to `offset`, not to `{}`", entry.key),
            "leave it out".to_owned(),
        );
        return None;
    }
    let value = match entry.key.as_str() {
        "console" => Stimulus::Console(line(reading, &entry.value, "a line for the console")?),
        "prompt" => Stimulus::Prompt(line(reading, &entry.value, "a prompt")?),
        "offset" => offset(reading, entry, by)?,
        _ => reading.parse(&entry.value, "the object of a stimulus", |text| {
            let mut words = Words::of(text);
            let stimulus = done_to(&mut words, &entry.key)?;
            words.end("one object for each verb; several stimuli stand in a list")?;
            Ok(stimulus)
        })?,
    };
    Some(Spanned { value, span: node.span })
}

fn line(reading: &mut Reading<'_>, node: &Node, what: &str) -> Option<String> {
    let text = reading.prose(node, what)?;
    if text.contains(['\n', '\r']) {
        reading.mistake(
            DiagnosticKind::WrongShape,
            Span { start: node.span.start, end: node.span.start + 1 },
            format!("{what} stands on one line"),
            "write one stimulus for each line".to_owned(),
        );
        return None;
    }
    Some(text)
}

fn offset(reading: &mut Reading<'_>, entry: &Entry, by: Option<&Entry>) -> Option<Stimulus> {
    let zone = reading.parse(&entry.value, "the object of a stimulus", |text| {
        let mut words = Words::of(text);
        let zone = probe(&mut words, "offset")?;
        words.end("one probe for each offset")?;
        Ok(zone)
    });
    let amount = match by {
        Some(by) => reading.parse(&by.value, "the offset", |text| {
            let mut words = Words::of(text);
            let amount = words.difference()?;
            words.end("one difference of temperatures stands here")?;
            Ok(amount)
        }),
        None => {
            reading.mistake(
                DiagnosticKind::MissingKey,
                entry.key_span,
                "an offset lacks the key `by`",
                "for example `{ offset: probe, by: -30 °C }`: reads 30 °C too low".to_owned(),
            );
            None
        }
    };
    Some(Stimulus::Probe { fault: ProbeFault::Offset(amount?), zone: zone? })
}

fn done_to(words: &mut Words<'_>, verb: &str) -> Result<Stimulus, Mistake> {
    let contact = |contact, engaged| Ok(Stimulus::Contact { contact, engaged });
    let fault = |fault, zone| Ok(Stimulus::Probe { fault, zone });
    match verb {
        "open" if words.take("lid") => contact(ContactRole::Lid, true),
        "open" => fault(ProbeFault::Open, probe(words, verb)?),
        "short" => fault(ProbeFault::Short, probe(words, verb)?),
        "reverse" => fault(ProbeFault::Reversed, probe(words, verb)?),
        "freeze" => fault(ProbeFault::Frozen, probe(words, verb)?),
        "pull out" => fault(ProbeFault::PulledOut, probe(words, verb)?),
        "reconnect" => Ok(Stimulus::ReconnectProbe { zone: probe(words, verb)? }),
        "close" if words.take("lid") => contact(ContactRole::Lid, false),
        "press" | "release" => {
            let buttons =
                [("stop", ContactRole::Stop), ("start", ContactRole::Start), ("acknowledge", ContactRole::Acknowledge)];
            match words.take_one(&buttons) {
                Some(button) => contact(button, verb == "press"),
                None => Err(wrong_object(words, verb)),
            }
        }
        "cut" | "restore" if words.take("supply") => Ok(Stimulus::Supply { on: verb == "restore" }),
        "weld" => Ok(Stimulus::Relay { fault: RelayFault::Welded, relay: relay_of(words, verb)? }),
        "stick open" => Ok(Stimulus::Relay { fault: RelayFault::StuckOpen, relay: relay_of(words, verb)? }),
        "free" => Ok(Stimulus::FreeRelay { relay: relay_of(words, verb)? }),
        "lose" if words.take("element") => Ok(Stimulus::LoseElement { zone: words.zone()? }),
        _ => Err(wrong_object(words, verb)),
    }
}

fn probe(words: &mut Words<'_>, verb: &str) -> Result<ZoneSelector, Mistake> {
    if words.take("probe") { words.zone() } else { Err(wrong_object(words, verb)) }
}

fn relay_of(words: &mut Words<'_>, verb: &str) -> Result<RelaySelector, Mistake> {
    if matches!(words.written(), Some("safety" | "element")) { relay(words) } else { Err(wrong_object(words, verb)) }
}

/// The objects of a verb as words to write.
fn objects(verb: &str) -> Vec<&'static str> {
    let kinds = VERBS.iter().find(|(name, _)| *name == verb).map_or(&[][..], |(_, kinds)| *kinds);
    kinds
        .iter()
        .flat_map(|kind| match kind {
            Object::Probe => &["probe", "probe.1", "probe.top"][..],
            Object::Lid => &["lid"],
            Object::Button => &["stop", "start", "acknowledge"],
            Object::Supply => &["supply"],
            Object::Relay => &["safety", "element", "element.1", "element.top"],
            Object::Element => &["element", "element.1", "element.top"],
            Object::Text => &[],
        })
        .copied()
        .collect()
}

fn wrong_object(words: &Words<'_>, verb: &str) -> Mistake {
    let written = words.written().unwrap_or_default();
    let possible = objects(verb);
    let others: Vec<&str> =
        VERBS.iter().map(|(name, _)| *name).filter(|name| objects(name).contains(&written)).collect();
    let hint = match nearest(written, possible.iter().copied()).filter(|_| !written.is_empty()) {
        Some(near) => format!("did you mean `{verb}: {near}`?"),
        None if written == "door" => "the lid or door is `lid`".to_owned(),
        None if written == "contactor" => "the safety contactor is `safety`".to_owned(),
        None if !others.is_empty() => format!("what can be done to `{written}` is {}", either(&others)),
        None => format!("it is done to {}", either(&possible)),
    };
    Mistake {
        kind: DiagnosticKind::UnknownStimulus,
        range: words.range(),
        message: format!("one cannot `{verb}` {}", quoted(written)),
        hint: Some(hint),
    }
}

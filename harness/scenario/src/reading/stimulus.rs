//! Stimuli: a verb and what it is done to.

use dryfire_units::{RigSpan, bounds};

use crate::diagnostic::DiagnosticKind;
use crate::reading::Reading;
use crate::reading::kiln::quantity_of;
use crate::reading::scenario::relay;
use crate::source::quoted;
use crate::suggest::{either, nearest};
use crate::tree::{Content, Entry, Node};
use crate::words::{Mistake, Words};
use crate::{ContactRole, ExtensionWire, ProbeFault, RelayFault, RelaySelector, Span, Spanned, Stimulus, ZoneSelector};
use given::{Given, MAINS_HERTZ, SPIKE_EVERY, SPIKE_LENGTH, SPIKE_MILLICELSIUS, probe_fault, relay_fault};

mod given;

/// What a verb is done to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Object {
    Probe,
    Lid,
    Button,
    Controller,
    Line,
    Supply,
    Relay,
    Element,
    Terminals,
    Leg,
    Neutral,
    CoilSupply,
    Bypass,
    Voltage,
    Text,
}

/// A verb, what it can be done to, and the keys that go with it: first those it needs, then the others.
struct Verb(&'static str, &'static [Object], &'static [&'static str], &'static [&'static str]);

const VERBS: &[Verb] = &[
    Verb("open", &[Object::Probe, Object::Lid, Object::Bypass], &[], &[]),
    Verb("short", &[Object::Probe], &[], &[]),
    Verb("short in head", &[Object::Probe], &["head"], &[]),
    Verb("short to ground", &[Object::Probe], &[], &[]),
    Verb("short to supply", &[Object::Probe], &[], &[]),
    Verb("reverse", &[Object::Probe], &[], &[]),
    Verb("freeze", &[Object::Probe], &[], &[]),
    Verb("offset", &[Object::Probe], &["by"], &[]),
    Verb("drift", &[Object::Probe], &["by"], &[]),
    Verb("pull out", &[Object::Probe], &[], &[]),
    Verb("another type", &[Object::Probe], &["as"], &[]),
    Verb("extend", &[Object::Probe], &["in", "head"], &[]),
    Verb("noise", &[Object::Probe], &["of"], &[]),
    Verb("hum", &[Object::Probe], &["of"], &["at"]),
    Verb("spike", &[Object::Probe], &[], &["by", "for", "every"]),
    Verb("loosen", &[Object::Probe], &["open for", "closed for"], &[]),
    Verb("cross", &[Object::Probe], &["with"], &[]),
    Verb("reconnect", &[Object::Probe], &[], &[]),
    Verb("warm", &[Object::Terminals], &["by"], &[]),
    Verb("close", &[Object::Lid, Object::Bypass], &[], &[]),
    Verb("press", &[Object::Button], &[], &[]),
    Verb("release", &[Object::Button, Object::Controller, Object::Line], &[], &[]),
    Verb("hang", &[Object::Controller], &[], &[]),
    Verb("hold", &[Object::Line], &[], &[]),
    Verb("cut", &[Object::Supply], &[], &[]),
    Verb("restore", &[Object::Supply, Object::Leg, Object::Neutral, Object::CoilSupply], &[], &[]),
    Verb("weld", &[Object::Relay], &[], &["pole"]),
    Verb("weld at times", &[Object::Relay], &["welded for", "free for"], &[]),
    Verb("stick open", &[Object::Relay], &[], &[]),
    Verb("open late", &[Object::Relay], &["by"], &[]),
    Verb("half short", &[Object::Relay], &[], &[]),
    Verb("half open", &[Object::Relay], &[], &[]),
    Verb("burn", &[Object::Relay], &["to"], &[]),
    Verb("free", &[Object::Relay], &[], &[]),
    Verb("lose", &[Object::Element, Object::Leg, Object::Neutral, Object::CoilSupply], &[], &[]),
    Verb("kiln supply", &[Object::Voltage], &[], &[]),
    Verb("console", &[Object::Text], &[], &[]),
    Verb("prompt", &[Object::Text], &[], &[]),
];

/// Most legs that a supply has.
const LEGS: i64 = 3;
impl Verb {
    fn named(name: &str) -> Option<&'static Verb> {
        VERBS.iter().find(|verb| verb.0 == name)
    }

    fn takes(&self, key: &str) -> bool {
        self.2.contains(&key) || self.3.contains(&key)
    }
}

fn verbs() -> impl Iterator<Item = &'static str> {
    VERBS.iter().map(|verb| verb.0)
}

/// The keys of a stimulus: every verb, and those that go with some.
pub(crate) fn keys() -> Vec<&'static str> {
    verbs().chain(VERBS.iter().flat_map(|verb| verb.2.iter().chain(verb.3).copied())).collect()
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
                    None => format!("the stimuli are {}", verbs().collect::<Vec<_>>().join(", ")),
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
    let verbs: Vec<&Entry> = entries.iter().filter(|entry| Verb::named(&entry.key).is_some()).collect();
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
    let verb = Verb::named(&entry.key)?;
    let mut stranger = false;
    for other in entries.iter().filter(|other| other.key != entry.key && !verb.takes(&other.key)) {
        stranger = true;
        let owners: Vec<&str> = VERBS.iter().filter(|verb| verb.takes(&other.key)).map(|verb| verb.0).collect();
        reading.mistake(
            DiagnosticKind::ConflictingKeys,
            other.key_span,
            format!("`{}` does not belong to `{}`", other.key, entry.key),
            format!("leave it out; it belongs to {}", either(&owners)),
        );
    }
    for missing in verb.2.iter().filter(|key| entries.iter().all(|entry| entry.key != **key)) {
        stranger = true;
        reading.mistake(
            DiagnosticKind::MissingKey,
            entry.key_span,
            format!("`{}` lacks the key `{missing}`", entry.key),
            format!("for example `{}`", example(verb.0)),
        );
    }
    if stranger {
        return None;
    }
    let given = Given { entries, entry };
    let value = match verb.0 {
        "console" => Stimulus::Console(line(reading, &entry.value, "a line for the console")?),
        "prompt" => Stimulus::Prompt(line(reading, &entry.value, "a prompt")?),
        "kiln supply" => {
            let volts =
                quantity_of(reading, &entry.value, "the voltage of the kiln's supply", &bounds::SUPPLY_VOLTAGE)?;
            // The bound keeps it far inside the integers.
            Stimulus::KilnSupply { millivolts: (volts * 1e3).round() as i64 }
        }
        _ => with_keys(reading, verb, &given)?,
    };
    Some(Spanned { value, span: node.span })
}

/// A stimulus whose verb takes more keys, as it should be written.
fn example(verb: &str) -> &'static str {
    match verb {
        "short in head" => "{ short in head: probe, head: 60 °C }",
        "offset" => "{ offset: probe, by: -30 °C }",
        "drift" => "{ drift: probe, by: -20 °C/h }",
        "another type" => "{ another type: probe, as: N }",
        "extend" => "{ extend: probe, in: copper, head: 80 °C }",
        "hum" => "{ hum: probe, of: 20 °C, at: 50 Hz }",
        "noise" => "{ noise: probe, of: 2 °C }",
        "loosen" => "{ loosen: probe, open for: 1 s, closed for: 2 s }",
        "cross" => "{ cross: probe.1, with: probe.2 }",
        "warm" => "{ warm: terminals, by: 20 °C }",
        "weld at times" => "{ weld at times: element.1, welded for: 5 min, free for: 10 min }",
        "open late" => "{ open late: element.1, by: 30 s }",
        "burn" => "{ burn: element.1, to: 70 % }",
        _ => "{ open: probe }",
    }
}

/// A stimulus with an object of words, and whatever other keys its verb takes.
fn with_keys(reading: &mut Reading<'_>, verb: &Verb, given: &Given<'_>) -> Option<Stimulus> {
    let plain = reading.parse(&given.entry.value, "the object of a stimulus", |text| {
        let mut words = Words::of(text);
        let stimulus = done_to(&mut words, verb.0)?;
        words.end("one object for each verb; several stimuli stand in a list")?;
        Ok(stimulus)
    });
    match (verb.0, plain) {
        ("cross", plain) => {
            let other = given.words(reading, "with", "the other probe", |words| probe(words, "cross"));
            cross(reading, given, plain?, other?)
        }
        ("warm", plain) => {
            let by_millicelsius = given.difference(reading, "by", "the difference");
            let measured = matches!(plain?, Stimulus::WarmBox { .. });
            let by_millicelsius = by_millicelsius?;
            Some(match measured {
                true => Stimulus::WarmBox { by_millicelsius },
                false => Stimulus::WarmTerminals { by_millicelsius },
            })
        }
        (_, Some(Stimulus::Probe { fault, zone })) => {
            Some(Stimulus::Probe { fault: probe_fault(reading, fault, given)?, zone })
        }
        (_, Some(Stimulus::LimiterProbe { fault })) => {
            Some(Stimulus::LimiterProbe { fault: probe_fault(reading, fault, given)? })
        }
        (_, Some(Stimulus::Relay { fault, relay })) => {
            Some(Stimulus::Relay { fault: relay_fault(reading, fault, given)?, relay })
        }
        (_, plain) => plain,
    }
}

fn cross(reading: &mut Reading<'_>, given: &Given<'_>, plain: Stimulus, other: ZoneSelector) -> Option<Stimulus> {
    let Stimulus::Probe { zone: one, .. } = plain else { return None };
    if one == ZoneSelector::All || other == ZoneSelector::All || one == other {
        reading.mistake(
            DiagnosticKind::UnknownRole,
            given.entry.value.span,
            "it takes two different probes to be crossed",
            "for example `{ cross: probe.1, with: probe.2 }`".to_owned(),
        );
        return None;
    }
    Some(Stimulus::CrossProbes { one, other })
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

/// The stimulus that a verb and its object make; what other keys say is filled in afterwards.
fn done_to(words: &mut Words<'_>, verb: &str) -> Result<Stimulus, Mistake> {
    let of_limiter = words.written() == Some("limiter") && words.written_next() == Some("probe");
    // There is no other limiter for its probe to be crossed with.
    if !of_limiter || verb == "cross" {
        return done_to_controller_or_kiln(words, verb);
    }
    let start = words.range().start;
    words.step();
    match done_to_controller_or_kiln(words, verb)? {
        Stimulus::Probe { fault, zone: ZoneSelector::All } => Ok(Stimulus::LimiterProbe { fault }),
        Stimulus::ReconnectProbe { zone: ZoneSelector::All } => Ok(Stimulus::ReconnectLimiterProbe),
        _ => Err(Mistake {
            kind: DiagnosticKind::UnknownStimulus,
            range: start..words.end_of_last(),
            message: "a limiter has one probe, which no zone names".to_owned(),
            hint: Some(format!("write `{verb}: limiter probe`")),
        }),
    }
}

fn done_to_controller_or_kiln(words: &mut Words<'_>, verb: &str) -> Result<Stimulus, Mistake> {
    let contact = |contact, engaged| Ok(Stimulus::Contact { contact, engaged });
    let fault = |fault, zone| Ok(Stimulus::Probe { fault, zone });
    match verb {
        "open" if words.take("lid") => contact(ContactRole::Lid, true),
        "open" | "close" if words.take("bypass") => {
            Ok(Stimulus::Bypass { zone: words.zone()?, closed: verb == "close" })
        }
        "open" => fault(ProbeFault::Open, probe(words, verb)?),
        "short" => fault(ProbeFault::Short, probe(words, verb)?),
        "reverse" => fault(ProbeFault::Reversed, probe(words, verb)?),
        "short in head" => fault(ProbeFault::ShortInHead { head_millicelsius: 0 }, probe(words, verb)?),
        "short to ground" => fault(ProbeFault::ShortToGround, probe(words, verb)?),
        "short to supply" => fault(ProbeFault::ShortToSupply, probe(words, verb)?),
        "freeze" => fault(ProbeFault::Frozen, probe(words, verb)?),
        "offset" => fault(ProbeFault::Offset(0), probe(words, verb)?),
        "drift" => fault(ProbeFault::Drift(0), probe(words, verb)?),
        "another type" => fault(ProbeFault::AnotherType('K'), probe(words, verb)?),
        "extend" => {
            let none_yet = ProbeFault::Extension { wire: ExtensionWire::Copper, head_millicelsius: 0 };
            fault(none_yet, probe(words, verb)?)
        }
        "noise" => fault(ProbeFault::Noise { rms_millicelsius: 0 }, probe(words, verb)?),
        "hum" => fault(ProbeFault::Hum { rms_millicelsius: 0, hertz: MAINS_HERTZ[0].1 }, probe(words, verb)?),
        "spike" => {
            let usual =
                ProbeFault::Spikes { by_millicelsius: SPIKE_MILLICELSIUS, length: SPIKE_LENGTH, every: SPIKE_EVERY };
            fault(usual, probe(words, verb)?)
        }
        "loosen" => {
            let none_yet = ProbeFault::Intermittent { open: RigSpan::ZERO, closed: RigSpan::ZERO };
            fault(none_yet, probe(words, verb)?)
        }
        // Only the probe is of interest; the other one comes with its own key.
        "cross" => fault(ProbeFault::Open, probe(words, verb)?),
        "warm" if words.take("terminals") => Ok(Stimulus::WarmTerminals { by_millicelsius: 0 }),
        "warm" if words.take("box") => Ok(Stimulus::WarmBox { by_millicelsius: 0 }),
        "pull out" => fault(ProbeFault::PulledOut, probe(words, verb)?),
        "reconnect" => Ok(Stimulus::ReconnectProbe { zone: probe(words, verb)? }),
        "close" if words.take("lid") => contact(ContactRole::Lid, false),
        "hang" | "release" if words.take("controller") => contact(ContactRole::TestLine, verb == "hang"),
        "hold" => match held_line(words) {
            Some(line) => contact(line, true),
            None => Err(wrong_object(words, verb)),
        },
        "press" | "release" => {
            if verb == "release"
                && let Some(line) = held_line(words)
            {
                return contact(line, false);
            }
            let buttons = [
                ("stop", ContactRole::Stop),
                ("start", ContactRole::Start),
                ("acknowledge", ContactRole::Acknowledge),
                ("reset", ContactRole::Reset),
            ];
            match words.take_one(&buttons) {
                Some(button) => contact(button, verb == "press"),
                None => Err(wrong_object(words, verb)),
            }
        }
        "cut" | "restore" if words.take_phrase(&["limiter", "supply"])? => {
            contact(ContactRole::LimiterSupply, verb == "cut")
        }
        "cut" | "restore" if words.take("supply") => Ok(Stimulus::Supply { on: verb == "restore" }),
        "weld" => Ok(Stimulus::Relay { fault: RelayFault::Welded, relay: relay_of(words, verb)? }),
        "weld at times" => {
            let none_yet = RelayFault::WeldsAtTimes { welded: RigSpan::ZERO, free: RigSpan::ZERO };
            Ok(Stimulus::Relay { fault: none_yet, relay: relay_of(words, verb)? })
        }
        "open late" => {
            Ok(Stimulus::Relay { fault: RelayFault::OpensLate(RigSpan::ZERO), relay: relay_of(words, verb)? })
        }
        "half short" => Ok(Stimulus::Relay { fault: RelayFault::HalfShorted, relay: relay_of(words, verb)? }),
        "half open" => Ok(Stimulus::Relay { fault: RelayFault::HalfOpen, relay: relay_of(words, verb)? }),
        "burn" => {
            let none_yet = RelayFault::Burnt { power_thousandths: 0 };
            Ok(Stimulus::Relay { fault: none_yet, relay: relay_of(words, verb)? })
        }
        "lose" | "restore" if matches!(words.written(), Some("leg" | "phase")) => {
            words.step();
            Ok(Stimulus::Leg { leg: leg(words)?, present: verb == "restore" })
        }
        "lose" | "restore" if words.take_phrase(&["coil", "supply"])? => {
            Ok(Stimulus::CoilSupply { present: verb == "restore" })
        }
        "lose" | "restore" if words.take("neutral") => Ok(Stimulus::Neutral { present: verb == "restore" }),
        "stick open" => Ok(Stimulus::Relay { fault: RelayFault::StuckOpen, relay: relay_of(words, verb)? }),
        "free" => Ok(Stimulus::FreeRelay { relay: relay_of(words, verb)? }),
        "lose" if words.take("element") => Ok(Stimulus::LoseElement { zone: words.zone()? }),
        _ => Err(wrong_object(words, verb)),
    }
}

/// A line of the controller's electronics, by the word of its contact.
fn held_line(words: &mut Words<'_>) -> Option<ContactRole> {
    ContactRole::HELD_LINES.into_iter().find(|role| words.take_all(&role.word().split(' ').collect::<Vec<_>>()))
}

/// The number of a leg or phase.
fn leg(words: &mut Words<'_>) -> Result<u8, Mistake> {
    let numbers: Vec<String> = (1..=LEGS).map(|leg| leg.to_string()).collect();
    let number = words.written().and_then(|written| numbers.iter().position(|number| number == written));
    match number {
        Some(index) => {
            words.step();
            Ok(index as u8 + 1)
        }
        None => Err(words.wanted(
            DiagnosticKind::UnknownWord,
            "the number of a leg",
            Some(format!("legs are numbered from 1 to {LEGS}: `leg 1`")),
        )),
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
    let kinds = Verb::named(verb).map_or(&[][..], |verb| verb.1);
    kinds
        .iter()
        .flat_map(|kind| match kind {
            Object::Probe if verb == "cross" => &["probe", "probe.1", "probe.top"][..],
            Object::Probe => &["probe", "probe.1", "probe.top", "limiter probe"],
            Object::Lid => &["lid"],
            Object::Controller => &["controller"],
            Object::Line => &["reset line", "data line low", "data line high", "clock line low"],
            Object::Button => &["stop", "start", "acknowledge", "reset"],
            Object::Supply => &["supply", "limiter supply"],
            Object::Relay => &["safety", "element", "element.1", "element.top"],
            Object::Element => &["element", "element.1", "element.top"],
            Object::Terminals => &["terminals", "box"],
            Object::Leg => &["leg 1", "leg 2", "leg 3"],
            Object::Neutral => &["neutral"],
            Object::CoilSupply => &["coil supply"],
            Object::Bypass => &["bypass", "bypass.1", "bypass.top"],
            Object::Voltage | Object::Text => &[],
        })
        .copied()
        .collect()
}

fn wrong_object(words: &Words<'_>, verb: &str) -> Mistake {
    let written = words.written().unwrap_or_default();
    let possible = objects(verb);
    let others: Vec<&str> = verbs().filter(|name| objects(name).contains(&written)).collect();
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

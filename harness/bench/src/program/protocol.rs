//! The lines between the bench and a controller's program, as `docs/program-bench.md` specifies them.

use std::fmt;

use dryfire_engine::{Trouble, TroubleKind};
use dryfire_scenario::{Bench, ContactRole, RelayRole, Segment};
use serde::de::{Error as _, MapAccess, Visitor};
use serde::ser::SerializeMap as _;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

use super::child::{deceives, quoted};

/// Version of the protocol, exchanged in the handshake.
pub(super) const PROTOCOL: u32 = 1;
/// Longest text that a program may keep over a supply cut, in bytes.
pub(super) const LONGEST_STORE: usize = 4 * 1024;
/// Most console lines in one answer.
const MOST_CONSOLE_LINES: usize = 64;
/// Longest console line, in bytes.
const LONGEST_CONSOLE_LINE: usize = 1024;

/// What the program is told when its supply is cut, or the run is over.
pub(super) const FAREWELL: &[u8] = b"{\"power\":\"off\"}\n";

#[derive(Serialize)]
#[serde(rename_all = "lowercase")]
pub(super) enum HostMessage<'a> {
    Hello(Hello<'a>),
    Call(Call<'a>),
}

/// The first line to a fresh process.
#[derive(Serialize)]
pub(super) struct Hello<'a> {
    pub(super) protocol: u32,
    zones: Vec<HelloZone<'a>>,
    relays: Vec<&'a str>,
    contacts: Vec<&'static str>,
    firing: Vec<HelloSegment>,
    declares: HelloDeclares<'a>,
    ambient_celsius: f64,
    call_every_us: i64,
    kept_clock_us: i64,
    store: Option<&'a str>,
}

#[derive(Serialize)]
struct HelloZone<'a> {
    name: &'a str,
    probe_type: Option<char>,
}

#[derive(Serialize)]
#[serde(rename_all = "lowercase")]
enum HelloSegment {
    Ramp { celsius_per_hour: f64, to_celsius: f64 },
    Hold { length_us: i64 },
}

#[derive(Serialize)]
struct HelloDeclares<'a> {
    top_celsius: f64,
    longest_firing_us: i64,
    cycle_us: i64,
    #[serde(serialize_with = "reactions")]
    reactions_us: &'a [(String, dryfire_units::RigSpan)],
}

fn reactions<S: Serializer>(reactions: &&[(String, dryfire_units::RigSpan)], serializer: S) -> Result<S::Ok, S::Error> {
    serializer.collect_map(reactions.iter().map(|(hazard, within)| (hazard, within.as_micros())))
}

impl<'a> Hello<'a> {
    pub(super) fn new(
        bench: &'a Bench,
        relays: &'a [String],
        firing: &[Segment],
        ambient_millicelsius: i64,
        call_every_us: i64,
        kept_clock_us: i64,
        store: Option<&'a str>,
    ) -> Self {
        Hello {
            protocol: PROTOCOL,
            zones: bench
                .zones
                .iter()
                .map(|zone| HelloZone {
                    name: &zone.name,
                    probe_type: zone.probe_channel.is_some().then_some(zone.probe_type),
                })
                .collect(),
            relays: relays.iter().map(String::as_str).collect(),
            contacts: bench.contacts.iter().map(|contact| contact_name(contact.role)).collect(),
            firing: firing
                .iter()
                .map(|segment| match *segment {
                    Segment::Ramp { rate_millicelsius_per_hour, to_millicelsius } => HelloSegment::Ramp {
                        celsius_per_hour: thousandths(rate_millicelsius_per_hour),
                        to_celsius: thousandths(to_millicelsius),
                    },
                    Segment::Hold { length } => HelloSegment::Hold { length_us: length.as_micros() },
                })
                .collect(),
            declares: HelloDeclares {
                top_celsius: thousandths(bench.declares.top_temperature_millicelsius),
                longest_firing_us: bench.declares.longest_firing.as_micros(),
                cycle_us: bench.declares.cycle_time.as_micros(),
                reactions_us: &bench.declares.reactions,
            },
            ambient_celsius: thousandths(ambient_millicelsius),
            call_every_us,
            kept_clock_us,
            store,
        }
    }
}

/// One call: everything the program can see at that instant.
#[derive(Serialize)]
pub(super) struct Call<'a> {
    pub(super) at: i64,
    pub(super) readings: &'a [Reading<'a>],
    #[serde(serialize_with = "contacts")]
    pub(super) contacts: &'a [(ContactRole, bool)],
    pub(super) console: &'a [String],
}

fn contacts<S: Serializer>(contacts: &&[(ContactRole, bool)], serializer: S) -> Result<S::Ok, S::Error> {
    serializer.collect_map(contacts.iter().map(|(role, engaged)| (contact_name(*role), engaged)))
}

/// What the converter of one zone's probe says.
pub(super) struct Reading<'a> {
    pub(super) zone: &'a str,
    pub(super) value: ReadingValue,
}

/// A temperature, or why there is none.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum ReadingValue {
    /// Thousandths of a degree Celsius.
    Millicelsius(i64),
    /// The probe's circuit is broken.
    Open,
    /// The voltage lies outside what the thermocouple type can give.
    Range,
    /// No conversion has been finished since the supply came on.
    Pending,
}

impl Serialize for Reading<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(Some(2))?;
        map.serialize_entry("zone", self.zone)?;
        match self.value {
            ReadingValue::Millicelsius(value) => map.serialize_entry("celsius", &thousandths(value))?,
            ReadingValue::Open => map.serialize_entry("fault", "open")?,
            ReadingValue::Range => map.serialize_entry("fault", "range")?,
            ReadingValue::Pending => map.serialize_entry("fault", "pending")?,
        }
        map.end()
    }
}

#[derive(Deserialize)]
#[serde(rename_all = "lowercase")]
enum ChildMessage {
    Ready(Ready),
    Answer(Answer),
}

/// The program's answer to `hello`.
#[derive(Clone, Deserialize, PartialEq, Eq)]
#[serde(deny_unknown_fields)]
pub(crate) struct Ready {
    pub(super) protocol: u32,
    pub(super) name: String,
    pub(super) firmware: String,
}

impl Ready {
    /// Whether this is the program that the bench file speaks of, and the one that ran before its supply was cut.
    ///
    /// # Errors
    /// If not: one run is of one program.
    pub(super) fn is_what_is_tested(&self, stated: Option<&str>, before: Option<&Ready>) -> Result<(), Trouble> {
        let quoted = |text: &str| quoted(text.as_bytes());
        let nonsense = |detail| Err(Trouble { kind: TroubleKind::ProgramNonsense, detail });
        if let Some(stated) = stated.filter(|stated| *stated != self.firmware) {
            return nonsense(format!(
                "the bench file says firmware version {} and the program says {}: one of them is not what is tested",
                quoted(stated),
                quoted(&self.firmware)
            ));
        }
        if let Some(before) = before.filter(|before| *before != self) {
            return nonsense(format!(
                "it was {}, firmware {}, before its supply was cut and is {}, firmware {}, now: one run is of one program",
                quoted(&before.name),
                quoted(&before.firmware),
                quoted(&self.name),
                quoted(&self.firmware)
            ));
        }
        Ok(())
    }
}

/// The program's answer to a call.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Answer {
    pub(super) at: i64,
    pub(super) relays: RelayStates,
    #[serde(default)]
    pub(crate) wake_at: Option<i64>,
    #[serde(default)]
    pub(super) console: Vec<String>,
    #[serde(default)]
    pub(super) store: Option<String>,
}

/// Relay names and whether each is on, as written.
pub(super) struct RelayStates(pub(super) Vec<(String, bool)>);

impl<'de> Deserialize<'de> for RelayStates {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct States;
        impl<'de> Visitor<'de> for States {
            type Value = RelayStates;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("an object that says true or false for each relay")
            }
            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<RelayStates, A::Error> {
                let mut states: Vec<(String, bool)> = Vec::with_capacity(8);
                while let Some((name, on)) = map.next_entry::<String, bool>()? {
                    if states.iter().any(|(other, _)| *other == name) {
                        return Err(A::Error::custom(format!("the relay `{name}` is named twice")));
                    }
                    states.push((name, on));
                }
                Ok(RelayStates(states))
            }
        }
        deserializer.deserialize_map(States)
    }
}

/// What is wrong with a line, completing "the program …".
pub(crate) type Nonsense = String;

/// Reads the answer to `hello`.
pub(crate) fn ready(line: &[u8]) -> Result<Ready, Nonsense> {
    let ready = match message(line)? {
        ChildMessage::Ready(ready) => ready,
        ChildMessage::Answer(_) => return Err(format!("answered `hello` with {}, not with `ready`", quoted(line))),
    };
    if ready.protocol != PROTOCOL {
        return Err(format!("speaks protocol {} and this bench speaks {PROTOCOL}: {}", ready.protocol, quoted(line)));
    }
    for (key, text) in [("name", &ready.name), ("firmware", &ready.firmware)] {
        if text.trim().is_empty() || text.len() > 200 || text.chars().any(char::is_control) {
            return Err(format!(
                "gave a `{key}` that is empty, longer than 200 bytes or holds control characters: {}",
                quoted(text.as_bytes())
            ));
        }
    }
    Ok(ready)
}

/// Reads the answer to the call at `at`; every relay of `relays` has to be there.
/// The states come in the order of `relays`.
pub(crate) fn answer(line: &[u8], at: i64, relays: &[String], states: &mut Vec<bool>) -> Result<Answer, Nonsense> {
    let answer = match message(line)? {
        ChildMessage::Answer(answer) => answer,
        ChildMessage::Ready(_) => return Err(format!("answered a call with {}, not with `answer`", quoted(line))),
    };
    if answer.at != at {
        return Err(format!(
            "answered the call at {} and was asked at {at} (an answer repeats the call's `at`): {}",
            answer.at,
            quoted(line)
        ));
    }
    if let Some((unknown, _)) = answer.relays.0.iter().find(|(name, _)| !relays.contains(name)) {
        return Err(format!(
            "named the relay {}, which the bench file does not have (it has {}): {}",
            quoted(unknown.as_bytes()),
            relays.join(", "),
            quoted(line)
        ));
    }
    states.clear();
    for relay in relays {
        match answer.relays.0.iter().find(|(name, _)| name == relay) {
            Some(&(_, on)) => states.push(on),
            None => {
                return Err(format!("left out the relay `{relay}` (every answer names every relay): {}", quoted(line)));
            }
        }
    }
    if let Some(wake_at) = answer.wake_at
        && wake_at <= at
    {
        return Err(format!("asked at {at} to be woken at {wake_at}, which is not later: {}", quoted(line)));
    }
    if let Some(store) = &answer.store
        && store.len() > LONGEST_STORE
    {
        return Err(format!("asked to store {} bytes; at most {LONGEST_STORE} are kept", store.len()));
    }
    if answer.console.len() > MOST_CONSOLE_LINES {
        return Err(format!(
            "wrote {} console lines in one answer; at most {MOST_CONSOLE_LINES} are taken",
            answer.console.len()
        ));
    }
    for text in &answer.console {
        if text.len() > LONGEST_CONSOLE_LINE {
            return Err(format!("wrote a console line of {} bytes; at most {LONGEST_CONSOLE_LINE}", text.len()));
        }
        if text.chars().any(|character| character.is_control() && character != '\t') {
            return Err(format!(
                "wrote a console line with control characters in it (one string is one line): {}",
                quoted(text.as_bytes())
            ));
        }
    }
    Ok(answer)
}

fn message(line: &[u8]) -> Result<ChildMessage, Nonsense> {
    let text = std::str::from_utf8(line).map_err(|error| {
        format!("wrote bytes that are no UTF-8 (from byte {}): {}", error.valid_up_to(), quoted(line))
    })?;
    serde_json::from_str(text).map_err(|error| {
        let hint = if error.is_data() {
            "the keys and what they hold are in docs/program-bench.md"
        } else {
            "standard output is for answers only, one JSON object a line; logs go to standard error"
        };
        // The parser repeats the program's own words.
        let error: String =
            error.to_string().chars().map(|c| if deceives(c) { char::REPLACEMENT_CHARACTER } else { c }).collect();
        format!("wrote what is no answer: {} ({error}; {hint})", quoted(line))
    })
}

/// The bench file's word for a contact.
pub(super) fn contact_name(role: ContactRole) -> &'static str {
    match role {
        ContactRole::Lid => "lid",
        ContactRole::Stop => "stop",
        ContactRole::Start => "start",
        ContactRole::Acknowledge => "acknowledge",
        ContactRole::TestLine => "test line",
        // The reader refuses lines of electronics on a program's bench, and a limiter.
        line @ (ContactRole::ResetLine
        | ContactRole::DataLineLow
        | ContactRole::DataLineHigh
        | ContactRole::ClockLineLow) => line.word(),
        ContactRole::Reset => "reset",
        ContactRole::LimiterSupply => "limiter supply",
    }
}

/// The bench file's word for a relay.
pub(super) fn relay_name(bench: &Bench, role: &RelayRole) -> String {
    match role {
        RelayRole::Safety => "safety".to_owned(),
        RelayRole::Limiter => "limiter".to_owned(),
        RelayRole::Element(zone) => match bench.zones.get(*zone) {
            Some(zone) => format!("element.{}", zone.name),
            None => format!("element.{}", zone + 1),
        },
    }
}

fn thousandths(value: i64) -> f64 {
    value as f64 / 1000.0
}

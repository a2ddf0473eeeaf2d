//! What the keys beside the object of a stimulus say: how far, how long, how often.

use dryfire_units::{RigSpan, bounds};

use crate::diagnostic::DiagnosticKind;
use crate::quantity::span_text;
use crate::reading::Reading;
use crate::reading::kiln::quantity_of;
use crate::tree::{Entry, Node};
use crate::words::{Mistake, Words};
use crate::{ExtensionWire, ProbeFault, RelayFault};

/// Defaults of a spike: common practice, no source.
pub(super) const SPIKE_MILLICELSIUS: i64 = 300_000;
pub(super) const SPIKE_LENGTH: RigSpan = RigSpan::from_millis(200);
pub(super) const SPIKE_EVERY: RigSpan = RigSpan::from_seconds(10);

/// Frequencies of the mains; the first is taken where none is given.
pub(super) const MAINS_HERTZ: [(&str, u8); 2] = [("50", 50), ("60", 60)];

/// Most poles of a path that a file can name.
const POLES: i64 = 4;
/// Shortest and longest part of a pattern in time.
const PATTERN: (RigSpan, RigSpan) = (RigSpan::from_millis(10), RigSpan::from_minutes(600));

/// The keys of one stimulus.
pub(super) struct Given<'n> {
    pub(super) entries: &'n [Entry],
    pub(super) entry: &'n Entry,
}

impl<'n> Given<'n> {
    pub(super) fn node(&self, key: &str) -> Option<&'n Node> {
        self.entries.iter().find(|entry| entry.key == key).map(|entry| &entry.value)
    }

    pub(super) fn words<T>(
        &self,
        reading: &mut Reading<'_>,
        key: &str,
        what: &str,
        parser: impl FnOnce(&mut Words<'_>) -> Result<T, Mistake>,
    ) -> Option<T> {
        let node = self.node(key)?;
        reading.parse(node, what, |text| {
            let mut words = Words::of(text);
            let value = parser(&mut words)?;
            words.end(&format!("{what} stands here and nothing else"))?;
            Ok(value)
        })
    }

    pub(super) fn difference(&self, reading: &mut Reading<'_>, key: &str, what: &str) -> Option<i64> {
        self.words(reading, key, what, |words| words.difference())
    }

    pub(super) fn head(&self, reading: &mut Reading<'_>) -> Option<i64> {
        self.words(reading, "head", "the temperature of the probe's head", |words| {
            words.temperature().map(|(temperature, _)| temperature)
        })
    }

    pub(super) fn thermocouple(
        words: &mut Words<'_>,
        others: &[(&str, Option<char>)],
    ) -> Result<Option<char>, Mistake> {
        let letters = ["B", "E", "J", "K", "N", "R", "S", "T"];
        let types = letters.iter().map(|letter| (*letter, letter.chars().next()));
        let choices: Vec<(&str, Option<char>)> = others.iter().copied().chain(types).collect();
        words.take_one(&choices).ok_or_else(|| {
            let others: String = others.iter().map(|(word, _)| format!("`{word}` or ")).collect();
            words.wanted(
                DiagnosticKind::UnknownWord,
                "a thermocouple's type",
                Some(format!("write {others}a type's letter: {}", letters.join(", "))),
            )
        })
    }

    /// A part of a pattern in time.
    pub(super) fn part(&self, reading: &mut Reading<'_>, key: &str) -> Option<RigSpan> {
        let what = format!("`{key}`");
        let span = self.words(reading, key, &what, |words| words.duration())?;
        if span < PATTERN.0 || span > PATTERN.1 {
            reading.mistake(
                DiagnosticKind::OutOfRange,
                self.node(key)?.span,
                format!("{what} cannot be {}", span_text(span)),
                format!("it lies between {} and {}", span_text(PATTERN.0), span_text(PATTERN.1)),
            );
            return None;
        }
        Some(span)
    }

    pub(super) fn part_or(&self, reading: &mut Reading<'_>, key: &str, usual: RigSpan) -> Option<RigSpan> {
        if self.node(key).is_some() { self.part(reading, key) } else { Some(usual) }
    }
}

/// Fills in what the other keys say of a probe's fault.
pub(super) fn probe_fault(reading: &mut Reading<'_>, fault: ProbeFault, given: &Given<'_>) -> Option<ProbeFault> {
    Some(match fault {
        ProbeFault::Offset(_) => ProbeFault::Offset(given.difference(reading, "by", "the offset")?),
        ProbeFault::Drift(_) => ProbeFault::Drift(given.words(reading, "by", "the drift", |words| words.drift())?),
        ProbeFault::ShortInHead { .. } => ProbeFault::ShortInHead { head_millicelsius: given.head(reading)? },
        ProbeFault::AnotherType(_) => {
            let letter =
                given.words(reading, "as", "a thermocouple's type", |words| Given::thermocouple(words, &[]))?;
            ProbeFault::AnotherType(letter?)
        }
        ProbeFault::Extension { .. } => {
            let wire = given.words(reading, "in", "what the wire is made of", |words| {
                if words.take("copper") {
                    return Ok(ExtensionWire::Copper);
                }
                if words.take("reversed") {
                    return Ok(ExtensionWire::Reversed);
                }
                let others = [("copper", None), ("reversed", None)];
                Given::thermocouple(words, &others)
                    .map(|letter| letter.map_or(ExtensionWire::Copper, ExtensionWire::AnotherType))
            });
            let head = given.head(reading);
            ProbeFault::Extension { wire: wire?, head_millicelsius: head? }
        }
        ProbeFault::Noise { .. } | ProbeFault::Hum { .. } => {
            let rms_millicelsius = given.difference(reading, "of", "the noise or hum")?;
            if !(1..=100_000).contains(&rms_millicelsius) {
                reading.mistake(
                    DiagnosticKind::OutOfRange,
                    given.node("of")?.span,
                    format!("noise or hum cannot be {} °C", crate::quantity::thousandths(rms_millicelsius)),
                    "it lies between 0.001 °C and 100 °C, root mean square".to_owned(),
                );
                return None;
            }
            if !matches!(fault, ProbeFault::Hum { .. }) {
                return Some(ProbeFault::Noise { rms_millicelsius });
            }
            let hertz = match given.node("at") {
                None => MAINS_HERTZ[0].1,
                Some(_) => given.words(reading, "at", "the frequency of the mains", |words| {
                    let number = MAINS_HERTZ.iter().find(|(number, _)| words.take(number)).map(|(_, hertz)| *hertz);
                    let number = number.filter(|_| words.take("Hz"));
                    number.ok_or_else(|| {
                        words.wanted(
                            DiagnosticKind::UnknownWord,
                            "the frequency of the mains",
                            Some("write `50 Hz` or `60 Hz`".to_owned()),
                        )
                    })
                })?,
            };
            ProbeFault::Hum { rms_millicelsius, hertz }
        }
        ProbeFault::Spikes { .. } => {
            let by = match given.node("by") {
                Some(_) => given.difference(reading, "by", "the height of a spike"),
                None => Some(SPIKE_MILLICELSIUS),
            };
            let length = given.part_or(reading, "for", SPIKE_LENGTH);
            let every = given.part_or(reading, "every", SPIKE_EVERY);
            let (by_millicelsius, length, every) = (by?, length?, every?);
            // Each begins at random in the first half of its period and has to be over with it.
            if length.times(2) > every {
                reading.mistake(
                    DiagnosticKind::Contradiction,
                    given.entry.key_span,
                    format!("spikes of {} every {} run into each other", span_text(length), span_text(every)),
                    "`every` is at least twice `for`".to_owned(),
                );
                return None;
            }
            ProbeFault::Spikes { by_millicelsius, length, every }
        }
        ProbeFault::Intermittent { .. } => {
            let open = given.part(reading, "open for");
            let closed = given.part(reading, "closed for");
            ProbeFault::Intermittent { open: open?, closed: closed? }
        }
        plain => plain,
    })
}

/// Fills in what the other keys say of a relay's fault.
pub(super) fn relay_fault(reading: &mut Reading<'_>, fault: RelayFault, given: &Given<'_>) -> Option<RelayFault> {
    Some(match fault {
        RelayFault::Welded => match given.node("pole") {
            None => RelayFault::Welded,
            Some(node) => {
                let pole = reading.integer(node, "a pole of the supply", 1, POLES)?;
                RelayFault::PoleWelded(u8::try_from(pole).ok()?)
            }
        },
        RelayFault::OpensLate(_) => RelayFault::OpensLate(given.part(reading, "by")?),
        RelayFault::Burnt { .. } => {
            let share = quantity_of(reading, given.node("to")?, "the share let through", &bounds::PERCENT)?;
            // At most a thousand.
            RelayFault::Burnt { power_thousandths: (share * 10.0).round() as u16 }
        }
        RelayFault::WeldsAtTimes { .. } => {
            let welded = given.part(reading, "welded for");
            let free = given.part(reading, "free for");
            RelayFault::WeldsAtTimes { welded: welded?, free: free? }
        }
        plain => plain,
    })
}

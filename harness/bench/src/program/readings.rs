//! What the controller's converters make of the voltages at its terminals.
//!
//! A program has no analogue input, so the bench plays the converter too: from
//! the instant the supply comes on it converts every 100 ms; a result can be
//! read when its conversion is over, and is that of the voltage at the
//! conversion's beginning.

use std::collections::VecDeque;

use dryfire_engine::ProbeSignal;
use dryfire_units::converter::{ConverterFault, LinearisedConverter, TerminalSignal};
use dryfire_units::{Disturbance, Disturbed, MilliCelsius, Nanovolts, RigSpan, RigTime};

use super::protocol::ReadingValue;

/// Length of one conversion.
pub(super) const CONVERSION: RigSpan = LinearisedConverter::CONVERSION_PERIOD;

/// One probe channel: what was played on it lately.
pub(super) struct Channel {
    pub(super) number: u8,
    /// Newest last. The one in force at the last finished conversion's
    /// beginning is kept, everything older forgotten.
    played: VecDeque<SetPoint>,
    /// What is added, and since when; the one before it still counts for what was converted before.
    disturbed: VecDeque<(RigTime, Disturbance)>,
}

/// One command's signal.
#[derive(Clone, Copy, Debug)]
struct SetPoint {
    at: RigTime,
    signal: ProbeSignal,
    valid_until: RigTime,
}

impl Channel {
    /// A channel whose circuit is open until the first command.
    pub(super) fn open(number: u8) -> Self {
        let start = SetPoint { at: RigTime::ZERO, signal: ProbeSignal::Open, valid_until: RigTime::FAR_FUTURE };
        Channel { number, played: VecDeque::from([start]), disturbed: VecDeque::new() }
    }

    /// Adds something from `at` on.
    pub(super) fn disturb(&mut self, at: RigTime, disturbance: Disturbance) {
        let oldest = at - CONVERSION.times(2);
        while self.disturbed.get(1).is_some_and(|second| second.0 <= oldest) {
            self.disturbed.pop_front();
        }
        self.disturbed.push_back((at, disturbance));
    }

    /// Whether a reading may change in kind without any command.
    pub(super) fn is_disturbed(&self) -> bool {
        self.disturbed.iter().any(|(_, disturbance)| !disturbance.is_none())
    }

    /// Takes a set-point at `at`, not earlier than the one before. Says
    /// whether it came late: after the one before it had run out.
    pub(super) fn play(&mut self, at: RigTime, signal: ProbeSignal, valid_until: RigTime) -> bool {
        let late = self.played.back().is_some_and(|last| at > last.valid_until);
        // Two conversions back is further than any reading looks.
        let oldest = at - CONVERSION.times(2);
        while self.played.get(1).is_some_and(|second| second.at <= oldest) {
            self.played.pop_front();
        }
        self.played.push_back(SetPoint { at, signal, valid_until });
        late
    }

    fn terminals(&self, at: RigTime) -> TerminalSignal {
        let Some(point) = self.played.iter().rev().find(|point| point.at <= at) else { return TerminalSignal::Open };
        let disturbed = self.disturbed.iter().rev().find(|(since, _)| *since <= at);
        let added = match disturbed.map(|(since, disturbance)| disturbance.converted(at - *since, CONVERSION)) {
            Some(Disturbed::Open) => return TerminalSignal::Open,
            Some(Disturbed::Adds(nanovolts)) => i128::from(nanovolts),
            None => 0,
        };
        match point.signal {
            ProbeSignal::Open => TerminalSignal::Open,
            ProbeSignal::ShortToGround => TerminalSignal::ShortToGround,
            ProbeSignal::ShortToSupply => TerminalSignal::ShortToSupply,
            // The leads touch each other, neither ground nor supply: no part can tell that from a cold probe.
            ProbeSignal::Short => TerminalSignal::Voltage(Nanovolts::new(0)),
            ProbeSignal::Voltage { nanovolts, nanovolts_per_second } => {
                let elapsed = at.min(point.valid_until) - point.at;
                let change = i128::from(nanovolts_per_second) * i128::from(elapsed.as_micros()) / 1_000_000;
                let held = (i128::from(nanovolts) + change + added).clamp(i128::from(i32::MIN), i128::from(i32::MAX));
                TerminalSignal::Voltage(Nanovolts::new(held as i32))
            }
        }
    }

    /// What the converter's register holds at `now`, if the supply came on at `boot`.
    pub(super) fn read(
        &self,
        boot: RigTime,
        now: RigTime,
        converter: &LinearisedConverter,
        cold_junction: MilliCelsius,
    ) -> ReadingValue {
        let finished = (now - boot).as_micros().div_euclid(CONVERSION.as_micros());
        if finished < 1 {
            return ReadingValue::Pending;
        }
        let begun = boot + CONVERSION.times(finished - 1);
        let reading = converter.convert(self.terminals(begun), cold_junction);
        match reading.fault {
            None => ReadingValue::Millicelsius(reading.temperature.value()),
            Some(ConverterFault::OutOfRange) => ReadingValue::Range,
            Some(ConverterFault::Open | ConverterFault::ShortToGround | ConverterFault::ShortToSupply) => {
                ReadingValue::Open
            }
        }
    }
}

/// When a change at `at` can first be read: at the end of the first conversion that begins then or later.
pub(super) fn readable_from(boot: RigTime, at: RigTime) -> RigTime {
    let conversion = CONVERSION.as_micros();
    let begun = (at - boot).as_micros().max(0);
    let next = begun.div_euclid(conversion) + i64::from(begun.rem_euclid(conversion) != 0);
    boot + CONVERSION.times(next + 1)
}

impl ReadingValue {
    /// Whether two readings differ in kind: temperature or which fault.
    pub(super) fn same_kind(self, other: ReadingValue) -> bool {
        match (self, other) {
            (ReadingValue::Millicelsius(_), ReadingValue::Millicelsius(_)) => true,
            (one, two) => one == two,
        }
    }
}

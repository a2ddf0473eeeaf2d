//! The converters at the probe terminals.

use std::sync::OnceLock;

use dryfire_engine::ProbeSignal;
use dryfire_stand_in::{MAX_ZONES, ProbeFault, Reading};
use dryfire_units::converter::{ConverterFault, LinearisedConverter, TerminalSignal};
use dryfire_units::{MilliCelsius, Nanovolts, RigSpan, RigTime, ThermocoupleType};

use super::dice::Dice;
use super::setup::BoardSetup;

/// One converter and what is at its terminals.
#[derive(Debug)]
struct Channel {
    channel: u8,
    converter: &'static LinearisedConverter,
    /// Instant of any one conversion; they follow each other without a gap.
    phase: RigTime,
    signal: ProbeSignal,
    since: RigTime,
    /// The latest conversion made, as the terminals then were.
    sample: TerminalSignal,
    sampled_at: RigTime,
    /// What it came to; made when it is first asked for.
    reading: Option<Reading>,
}

/// All converters, and which zone reads which.
#[derive(Debug)]
pub(super) struct Probes {
    channels: Vec<Channel>,
    /// Index of the channel that each zone reads.
    by_zone: [Option<usize>; MAX_ZONES],
    cold_junction: MilliCelsius,
}

impl Probes {
    pub(super) fn new(setup: &BoardSetup, dice: &mut Dice) -> Self {
        let mut channels = Vec::new();
        let mut by_zone = [None; MAX_ZONES];
        for (zone, place) in setup.zones.iter().zip(&mut by_zone) {
            let Some(channel) = zone.channel else { continue };
            *place = Some(channels.len());
            let period = LinearisedConverter::CONVERSION_PERIOD.as_micros();
            channels.push(Channel {
                channel,
                converter: converter(zone.thermocouple),
                phase: RigTime::from_micros(dice.below(period) - period),
                signal: ProbeSignal::Open,
                since: RigTime::ZERO,
                sample: TerminalSignal::Open,
                sampled_at: RigTime::from_micros(-period),
                reading: None,
            });
        }
        let first = by_zone.iter().flatten().next().copied();
        let mut last = first;
        for place in by_zone.iter_mut().take(setup.zones.len()) {
            last = place.or(last);
            *place = last;
        }
        Probes { channels, by_zone, cold_junction: MilliCelsius::new(setup.ambient_millicelsius) }
    }

    pub(super) fn play(&mut self, channel: u8, at: RigTime, signal: ProbeSignal) {
        for place in self.channels.iter_mut().filter(|place| place.channel == channel) {
            // A conversion at this very instant still sees what was there before.
            place.convert_up_to(at);
            place.signal = signal;
            place.since = at;
        }
    }

    pub(super) fn read(&mut self, now: RigTime) -> [Reading; MAX_ZONES] {
        for channel in &mut self.channels {
            channel.convert_up_to(now);
            if channel.reading.is_none() {
                channel.reading = Some(channel.convert(self.cold_junction));
            }
        }
        self.by_zone.map(|channel| {
            channel.and_then(|channel| self.channels[channel].reading).unwrap_or(Err(ProbeFault::NoAnswer))
        })
    }
}

impl Channel {
    /// Takes the latest conversion up to an instant, if it is a new one.
    fn convert_up_to(&mut self, now: RigTime) {
        const PERIOD: i64 = LinearisedConverter::CONVERSION_PERIOD.as_micros();
        if (now - self.sampled_at).as_micros() < PERIOD {
            return;
        }
        let periods = (now - self.phase).as_micros() / PERIOD;
        let at = self.phase + RigSpan::from_micros(periods * PERIOD);
        if at <= self.sampled_at {
            return;
        }
        self.phase = at;
        self.sampled_at = at;
        let sample = self.terminals(at);
        // A reading once made holds for as long as the terminals do not change.
        if sample != self.sample {
            self.sample = sample;
            self.reading = None;
        }
    }

    fn terminals(&self, at: RigTime) -> TerminalSignal {
        match self.signal {
            ProbeSignal::Voltage { nanovolts, nanovolts_per_second } => {
                let rise = i64::from(nanovolts_per_second) * (at - self.since).as_micros() / 1_000_000;
                let value = (i64::from(nanovolts) + rise).clamp(i64::from(i32::MIN), i64::from(i32::MAX));
                TerminalSignal::Voltage(Nanovolts::new(value as i32))
            }
            ProbeSignal::Open => TerminalSignal::Open,
            // A lead touching the other is no voltage; the part sees nothing wrong.
            ProbeSignal::Short => TerminalSignal::Voltage(Nanovolts::new(0)),
        }
    }

    fn convert(&self, cold_junction: MilliCelsius) -> Reading {
        let conversion = self.converter.convert(self.sample, cold_junction);
        match conversion.fault {
            None => i32::try_from(conversion.temperature.value()).map_err(|_| ProbeFault::OutOfRange),
            Some(ConverterFault::Open) => Err(ProbeFault::Open),
            Some(ConverterFault::ShortToGround) => Err(ProbeFault::ShortToGround),
            Some(ConverterFault::ShortToSupply) => Err(ProbeFault::ShortToSupply),
            Some(ConverterFault::OutOfRange) => Err(ProbeFault::OutOfRange),
        }
    }
}

/// The converter of a type; its tables take long to make and are made once.
fn converter(kind: ThermocoupleType) -> &'static LinearisedConverter {
    static CONVERTERS: [OnceLock<LinearisedConverter>; ThermocoupleType::ALL.len()] =
        [const { OnceLock::new() }; ThermocoupleType::ALL.len()];
    let place = ThermocoupleType::ALL.iter().position(|other| *other == kind).unwrap_or(0);
    CONVERTERS[place].get_or_init(|| LinearisedConverter::new(kind))
}

//! The converters at the probe terminals.

use std::sync::OnceLock;

use dryfire_engine::ProbeSignal;
use dryfire_link::PlayedConverter;
use dryfire_rig::{ConverterPlayer, LinearisedPlayer, Player, Select};
use dryfire_stand_in::{Defect, MAX_ZONES, ProbeFault, Reading};
use dryfire_units::converter::{
    Converter, ConverterFault, ConverterKind, FourteenBitWord, LinearisedConverter, LinearisedRegisters,
    Reading as Conversion, TerminalSignal, TwelveBitWord,
};
use dryfire_units::thermocouple::FastThermocouple;
use dryfire_units::{Disturbance, Disturbed, MilliCelsius, Nanovolts, RigSpan, RigTime, ThermocoupleType};

use super::dice::Dice;
use super::setup::BoardSetup;
use super::wires::Bus;

/// One converter and what is at its terminals.
#[derive(Debug)]
struct Channel {
    channel: u8,
    part: Fitted,
    /// Instant of any one conversion; they follow each other without a gap.
    phase: RigTime,
    period: RigSpan,
    signal: ProbeSignal,
    since: RigTime,
    /// What was played before, and since when.
    before: (ProbeSignal, RigTime),
    disturbance: Disturbance,
    disturbed_since: RigTime,
    /// The latest conversion made, as the terminals then were.
    sample: TerminalSignal,
    sampled_at: RigTime,
    /// The junction's temperature as that conversion measured it.
    sample_cold: MilliCelsius,
    /// That temperature now, since when, and before.
    cold: MilliCelsius,
    cold_since: RigTime,
    cold_before: MilliCelsius,
    /// What it came to; made when it is first asked for.
    reading: Option<Reading>,
    /// What last came over the bus.
    fetched: Option<Reading>,
}

/// The part that is fitted.
#[derive(Debug)]
enum Fitted {
    /// Converts on and on, whoever looks.
    Linearised { part: &'static Part, chord: Chord },
    /// Read-only: to look at it breaks off its conversion and begins the next.
    ReadOnly {
        part: Box<Converter>,
        /// The board looks again after so long.
        poll_every: RigSpan,
        polled: RigTime,
    },
    /// Read-only, and played by the rig.
    Played {
        /// The range of the part.
        part: Box<Converter>,
        /// The rig's logic; `None`: nothing drives the line.
        player: Option<Player>,
        /// When it was last let go.
        released: Option<RigTime>,
        poll_every: RigSpan,
        polled: RigTime,
    },
    /// With registers, and played by the rig. The controller sets it up as it boots, and again where it finds it is not.
    Registers {
        /// What the controller writes into both of its control registers.
        set_up: [u8; 2],
        /// The rig's logic; `None`: nothing drives the line.
        player: Option<LinearisedPlayer>,
    },
}

/// All converters, and which zone reads which.
#[derive(Debug)]
pub(super) struct Probes {
    channels: Vec<Channel>,
    /// How many of them are the controller's; behind them comes the limiter's.
    of_controller: usize,
    /// Index of the channel that each zone reads.
    by_zone: [Option<usize>; MAX_ZONES],
    /// Index of the channel that the limiter reads.
    limiter: Option<usize>,
    /// The terminals' temperature is read at power-up only; a defect.
    reads_cold_once: bool,
    /// Words of nothing but zeros, or ones, are taken for temperatures; defects. Who knows the parts knows that none sends
    /// them: no junction is at 0.0000 °C and measures it to the last digit, a register that was set does not read zero,
    /// and of the three faults that ones would flag no two come together.
    believes_zeros: bool,
    believes_ones: bool,
    /// What comes over the bus that they hang on; the limiter's is its own.
    bus: Bus,
    /// What it is now.
    terminals: MilliCelsius,
}

impl Probes {
    pub(super) fn new(setup: &BoardSetup, dice: &mut Dice) -> Self {
        let mut channels = Vec::new();
        let cold = MilliCelsius::new(setup.ambient_millicelsius);
        let mut by_zone = [None; MAX_ZONES];
        for (zone, place) in setup.zones.iter().zip(&mut by_zone) {
            let Some(channel) = zone.channel else { continue };
            *place = Some(channels.len());
            let linearised =
                || Fitted::Linearised { part: Part::of(zone.thermocouple), chord: Chord::of(zone.thermocouple) };
            let part = match setup.converter {
                ConverterKind::Linearised if setup.played => {
                    Fitted::Registers { set_up: set_up(zone.thermocouple), player: None }
                }
                ConverterKind::Linearised => linearised(),
                // The setup was checked: there is such a part for the type.
                kind => Converter::new(kind, zone.thermocouple).map_or_else(
                    |_| linearised(),
                    |part| {
                        let (poll_every, polled, part) = (setup.poll_every(&part), RigTime::ZERO, Box::new(part));
                        if setup.played {
                            Fitted::Played { part, player: None, released: None, poll_every, polled }
                        } else {
                            Fitted::ReadOnly { part, poll_every, polled }
                        }
                    },
                ),
            };
            let period = match &part {
                Fitted::Linearised { .. } | Fitted::Registers { .. } => LinearisedConverter::CONVERSION_PERIOD,
                Fitted::ReadOnly { part, .. } | Fitted::Played { part, .. } => part.conversion_period(),
            };
            let phase = RigTime::from_micros(dice.below(period.as_micros()) - period.as_micros());
            channels.push(Channel::new(channel, part, phase, period, cold));
        }
        let of_controller = channels.len();
        let first = by_zone.iter().flatten().next().copied();
        let mut last = first;
        for place in by_zone.iter_mut().take(setup.zones.len()) {
            last = place.or(last);
            *place = last;
        }
        let limiter = setup.limiter.and_then(|limiter| {
            if setup.defects.has(Defect::LimiterSharesProbe) {
                return by_zone.get(limiter.zone).copied().flatten();
            }
            let part = Part::of(limiter.thermocouple);
            let fitted = Fitted::Linearised { part, chord: Chord::of(limiter.thermocouple) };
            let period = LinearisedConverter::CONVERSION_PERIOD;
            channels.push(Channel::new(limiter.channel, fitted, RigTime::ZERO - period, period, cold));
            Some(channels.len() - 1)
        });
        let reads_cold_once = setup.defects.has(Defect::ColdJunctionReadOnce);
        Probes {
            channels,
            of_controller,
            by_zone,
            limiter,
            reads_cold_once,
            believes_zeros: setup.defects.has(Defect::ZerosBelieved),
            believes_ones: setup.defects.has(Defect::OnesBelieved),
            bus: Bus::Free,
            terminals: cold,
        }
    }

    pub(super) fn play(&mut self, channel: u8, at: RigTime, signal: ProbeSignal) {
        for place in self.channels.iter_mut().filter(|place| place.channel == channel) {
            // Whoever looks next makes the last conversion before then, and one of them only.
            // It still sees what was there before, but not what was there before that.
            if at - place.since < place.period || !matches!(place.part, Fitted::Linearised { .. }) {
                place.convert_up_to(at);
            }
            place.before = (place.signal, place.since);
            place.signal = signal;
            place.since = at;
        }
    }

    pub(super) fn disturb(&mut self, channel: u8, at: RigTime, disturbance: Disturbance) {
        for place in self.channels.iter_mut().filter(|place| place.channel == channel) {
            place.convert_up_to(at);
            place.disturbance = disturbance;
            place.disturbed_since = at;
        }
    }

    /// The terminals, and the sensors of the converters with them, have another temperature.
    pub(super) fn warm(&mut self, at: RigTime, temperature: MilliCelsius) {
        self.terminals = temperature;
        if !self.reads_cold_once {
            self.measure_cold(at);
        }
    }

    /// The converters take the temperature that their sensors have.
    fn measure_cold(&mut self, at: RigTime) {
        let temperature = self.terminals;
        for place in &mut self.channels[..self.of_controller] {
            place.convert_up_to(at);
            (place.cold_before, place.cold, place.cold_since) = (place.cold, temperature, at);
            match &mut place.part {
                Fitted::Played { player: Some(player), .. } => player.warm(temperature),
                Fitted::Registers { player: Some(player), .. } => player.warm(temperature),
                _ => {}
            }
        }
    }

    /// Temperature of the terminals.
    pub(super) fn terminals(&self) -> MilliCelsius {
        self.channels.first().map_or(MilliCelsius::new(20_000), |place| place.cold)
    }

    /// The rig plays the converter of a channel, from the controller's start on.
    pub(super) fn play_converter(&mut self, channel: u8, at: RigTime, converter: PlayedConverter) {
        for place in self.channels.iter_mut().filter(|place| place.channel == channel) {
            match (&mut place.part, ConverterPlayer::new(converter, at)) {
                (Fitted::Played { player, .. }, Some(ConverterPlayer::ReadOnly(new))) => *player = Some(new),
                (Fitted::Registers { player, .. }, Some(ConverterPlayer::Linearised(new))) => *player = Some(new),
                // Another part than the controller has: nothing answers it.
                (Fitted::Played { player, .. }, _) => *player = None,
                (Fitted::Registers { player, .. }, _) => *player = None,
                _ => {}
            }
        }
    }

    /// The supply of the controller, and of what is played to it, comes on.
    pub(super) fn start(&mut self, at: RigTime) {
        if self.reads_cold_once {
            self.measure_cold(at);
        }
        for place in &mut self.channels {
            match &mut place.part {
                Fitted::Played { player: Some(player), .. } => player.start(at),
                Fitted::Registers { player: Some(player), .. } => player.start(),
                _ => {}
            }
        }
    }

    /// The controller boots: it knows no reading yet, and at which of its ticks it looks at read-only parts, of those in
    /// which one has time to convert, is drawn. A board counts from its boot or by a rhythm of its own; were it always
    /// the first tick, a fault that strikes at a whole second of the run would fall into one part of that cycle only.
    pub(super) fn booted(&mut self, now: RigTime, tick: RigSpan, dice: &mut Dice) {
        for place in &mut self.channels[..self.of_controller] {
            place.fetched = None;
            if let Fitted::Registers { set_up, player: Some(player) } = &mut place.part {
                write(player, now, *set_up);
            }
        }
        let parts = self.channels[..self.of_controller].iter_mut().map(|place| &mut place.part);
        let looks: Vec<_> = parts
            .filter_map(|part| match part {
                Fitted::Linearised { .. } | Fitted::Registers { .. } => None,
                Fitted::ReadOnly { poll_every, polled, .. } | Fitted::Played { poll_every, polled, .. } => {
                    Some((*poll_every, polled))
                }
            })
            .collect();
        // All are looked at at the same tick.
        let Some((every, _)) = looks.first() else { return };
        let ticks = (every.as_micros() / tick.as_micros().max(1)).max(1);
        // The first tick from here on; a look may come a millisecond before its place.
        let first = now + tick.times(dice.below(ticks)) + RigSpan::from_millis(1);
        for (every, polled) in looks {
            *polled = first - every;
        }
    }

    /// What the limiter reads.
    pub(super) fn read_limiters(&mut self, now: RigTime) -> Reading {
        let Some(channel) = self.limiter.and_then(|place| self.channels.get_mut(place)) else {
            return Err(ProbeFault::NoAnswer);
        };
        channel.look(now);
        channel.reading.unwrap_or(Err(ProbeFault::NoAnswer))
    }

    /// What comes over the controller's bus from now on.
    pub(super) fn hold(&mut self, bus: Bus) {
        self.bus = bus;
    }

    pub(super) fn read(&mut self, now: RigTime) -> [Reading; MAX_ZONES] {
        for channel in &mut self.channels[..self.of_controller] {
            if channel.look(now) {
                channel.fetched = match self.bus {
                    Bus::Free => channel.reading,
                    Bus::Zeros | Bus::NoClock => {
                        Some(if self.believes_zeros { Ok(0) } else { Err(ProbeFault::NoAnswer) })
                    }
                    Bus::Ones if self.believes_ones => Some(Ok(channel.of_ones())),
                    Bus::Ones => Some(Err(ProbeFault::NoAnswer)),
                };
            }
        }
        self.by_zone.map(|channel| {
            channel.and_then(|channel| self.channels[channel].fetched).unwrap_or(Err(ProbeFault::NoAnswer))
        })
    }
}

impl Channel {
    fn new(channel: u8, part: Fitted, phase: RigTime, period: RigSpan, cold: MilliCelsius) -> Self {
        Channel {
            channel,
            part,
            phase,
            period,
            signal: ProbeSignal::Open,
            since: RigTime::ZERO,
            before: (ProbeSignal::Open, RigTime::ZERO),
            disturbance: Disturbance::NONE,
            disturbed_since: RigTime::ZERO,
            sample: TerminalSignal::Open,
            sampled_at: RigTime::ZERO - period,
            sample_cold: cold,
            cold,
            cold_since: RigTime::ZERO,
            cold_before: cold,
            reading: None,
            fetched: None,
        }
    }

    /// Fetches the reading that the part has for the controller; whether it was looked at at all.
    fn look(&mut self, now: RigTime) -> bool {
        match &mut self.part {
            Fitted::Linearised { .. } => {
                self.convert_up_to(now);
                if self.reading.is_none() {
                    self.reading = Some(self.convert());
                }
            }
            Fitted::ReadOnly { poll_every, polled, .. } => {
                // Ticks come up to a millisecond off their place.
                if now - *polled + RigSpan::from_millis(1) < *poll_every {
                    return false;
                }
                *polled = now;
                self.convert_up_to(now);
                self.reading = Some(self.convert());
                // Let go, it begins afresh: what it was at is lost.
                self.phase = now;
            }
            Fitted::Played { poll_every, polled, .. } => {
                if now - *polled + RigSpan::from_millis(1) < *poll_every {
                    return false;
                }
                *polled = now;
                self.convert_up_to(now);
                if let Fitted::Played { part, player, released, .. } = &mut self.part {
                    self.reading = Some(player.map_or(Err(ProbeFault::NoAnswer), |player| shown(part, &player)));
                    *released = Some(now);
                }
            }
            Fitted::Registers { .. } => {
                self.convert_up_to(now);
                if let Fitted::Registers { set_up, player } = &mut self.part {
                    self.reading = Some(match player {
                        Some(player) if player.registers().starts_with(set_up) => held(player),
                        Some(player) => {
                            // It has lost its supply meanwhile.
                            write(player, now, *set_up);
                            Err(ProbeFault::NoAnswer)
                        }
                        None => Err(ProbeFault::NoAnswer),
                    });
                }
            }
        }
        true
    }

    /// The temperature in a word of nothing but ones, thousandths of a degree: a step below zero where there is a sign,
    /// else the highest.
    fn of_ones(&self) -> i32 {
        match &self.part {
            Fitted::Linearised { .. } | Fitted::Registers { .. } => -8,
            Fitted::ReadOnly { part, .. } | Fitted::Played { part, .. } => match part.kind() {
                ConverterKind::TwelveBit => 1_023_750,
                ConverterKind::FourteenBit | ConverterKind::Linearised => -250,
            },
        }
    }

    /// The same for a part that the rig plays.
    fn advance(&mut self, now: RigTime) {
        if let Fitted::Registers { player: Some(player), .. } = &self.part {
            let mut advanced = *player;
            advanced.advance(now, |at, _| self.terminals(at));
            if let Fitted::Registers { player, .. } = &mut self.part {
                *player = Some(advanced);
            }
        }
        let Fitted::Played { player: Some(player), released, .. } = &self.part else { return };
        let (mut advanced, select) = (*player, Select { low: false, released: *released });
        advanced.advance(now, select, |at, _| self.terminals(at));
        if let Fitted::Played { player, .. } = &mut self.part {
            *player = Some(advanced);
        }
    }

    /// Takes the latest conversion up to an instant, if it is a new one.
    fn convert_up_to(&mut self, now: RigTime) {
        if matches!(self.part, Fitted::Played { .. } | Fitted::Registers { .. }) {
            return self.advance(now);
        }
        let period = self.period.as_micros();
        if (now - self.sampled_at).as_micros() < period {
            return;
        }
        let since = (now - self.phase).as_micros();
        // Looked at often, it has made one more at the most, and a division would be felt.
        let periods = if (period..2 * period).contains(&since) { 1 } else { since / period };
        let at = self.phase + RigSpan::from_micros(periods * period);
        let begun = matches!(self.part, Fitted::Linearised { .. }) || periods > 0;
        if at <= self.sampled_at || !begun {
            return;
        }
        self.phase = at;
        self.sampled_at = at;
        let sample = self.terminals(at);
        // A reading once made holds for as long as the terminals do not change.
        let cold = if at > self.cold_since { self.cold } else { self.cold_before };
        if sample != self.sample || cold != self.sample_cold {
            (self.sample, self.sample_cold) = (sample, cold);
            self.reading = None;
        }
    }

    fn terminals(&self, at: RigTime) -> TerminalSignal {
        let added = if self.disturbance.is_none() {
            0
        } else {
            match self.disturbance.converted(at - self.disturbed_since, self.period) {
                Disturbed::Open => return TerminalSignal::Open,
                Disturbed::Adds(nanovolts) => i64::from(nanovolts),
            }
        };
        // A conversion at the very instant of a change still sees what was there before.
        let (signal, since) = if at > self.since { (self.signal, self.since) } else { self.before };
        match signal {
            ProbeSignal::Voltage { nanovolts, nanovolts_per_second } => {
                let rise = i64::from(nanovolts_per_second) * (at - since).as_micros() / 1_000_000;
                let value = i64::from(nanovolts) + rise + added;
                TerminalSignal::Voltage(Nanovolts::new(value.clamp(i64::from(i32::MIN), i64::from(i32::MAX)) as i32))
            }
            ProbeSignal::Open => TerminalSignal::Open,
            // A lead touching the other is no voltage; the part sees nothing wrong.
            ProbeSignal::Short => TerminalSignal::Voltage(Nanovolts::new(0)),
            ProbeSignal::ShortToGround => TerminalSignal::ShortToGround,
            ProbeSignal::ShortToSupply => TerminalSignal::ShortToSupply,
        }
    }

    fn convert(&mut self) -> Reading {
        let cold_junction = self.sample_cold;
        let conversion = match &mut self.part {
            Fitted::Linearised { part, chord } => {
                if let TerminalSignal::Voltage(voltage) = self.sample
                    && let Some(reading) = chord.reading(voltage, &part.thermocouple, cold_junction)
                {
                    return Ok(reading);
                }
                part.converter.convert(self.sample, cold_junction)
            }
            Fitted::ReadOnly { part, .. } => return within(part, part.convert(self.sample, cold_junction)),
            // What it shows is made when it is looked at.
            Fitted::Played { .. } | Fitted::Registers { .. } => return Err(ProbeFault::NoAnswer),
        };
        judged(conversion)
    }
}

/// What the controller writes into the two control registers: convert on and on, look for an open probe, 50 Hz; the type.
fn set_up(kind: ThermocoupleType) -> [u8; 2] {
    use ThermocoupleType::{B, E, J, K, N, R, S, T};
    let number = [B, E, J, K, N, R, S, T].iter().position(|other| *other == kind).unwrap_or(0);
    [0x91, number as u8]
}

fn write(player: &mut LinearisedPlayer, at: RigTime, set_up: [u8; 2]) {
    for (address, byte) in (0..).zip(set_up) {
        player.write(at, address, byte);
    }
}

/// What a controller makes of the registers.
fn held(player: &LinearisedPlayer) -> Reading {
    let [.., cold_high, cold_low, high, middle, low, status] = *player.registers();
    let registers =
        LinearisedRegisters { temperature: [high, middle, low], cold_junction: [cold_high, cold_low], status };
    judged(registers.decode())
}

/// What a controller makes of a conversion.
fn judged(conversion: Conversion) -> Reading {
    match conversion.fault {
        None => i32::try_from(conversion.temperature.value()).map_err(|_| ProbeFault::OutOfRange),
        Some(fault) => Err(flagged(fault)),
    }
}

/// The same of a linear part's. At the end of its range everything reads the same: a probe fault to whoever knows the part.
fn within(part: &Converter, conversion: Conversion) -> Reading {
    if conversion.temperature <= part.lowest() || conversion.temperature >= part.highest() {
        return Err(conversion.fault.map_or(ProbeFault::OutOfRange, flagged));
    }
    judged(conversion)
}

/// What a controller makes of the word that is shifted out.
fn shown(part: &Converter, player: &Player) -> Reading {
    let word = player.word();
    let (consistent, conversion) = if player.bits() == 32 {
        let word = FourteenBitWord(word);
        (word.is_consistent(), word.decode())
    } else {
        let word = TwelveBitWord((word >> 16) as u16);
        let fault = word.is_open().then_some(ConverterFault::Open);
        let cold_junction = MilliCelsius::new(0);
        (word.is_consistent(), Conversion { temperature: word.temperature(), cold_junction, fault })
    };
    if consistent { within(part, conversion) } else { Err(ProbeFault::NoAnswer) }
}

fn flagged(fault: ConverterFault) -> ProbeFault {
    match fault {
        ConverterFault::Open => ProbeFault::Open,
        ConverterFault::ShortToGround => ProbeFault::ShortToGround,
        ConverterFault::ShortToSupply => ProbeFault::ShortToSupply,
        ConverterFault::OutOfRange => ProbeFault::OutOfRange,
    }
}

/// A piece of the type's inverse function, straight between its ends: a kiln
/// changes so slowly that most conversions fall on the piece of the one before,
/// and then cost a multiplication instead of a search.
#[derive(Clone, Copy, Debug)]
struct Chord {
    /// Length of a piece, nanovolts, as a power of two: a shift for each conversion, where a division would be felt.
    length_log2: u32,
    /// Number of the piece, counted from zero voltage.
    piece: i32,
    /// The junction's temperature that it is for.
    cold: MilliCelsius,
    /// Temperature at its ends, in steps of the part.
    low: f64,
    high: f64,
}

impl Chord {
    /// Steps of the part in a degree.
    const STEPS: f64 = 128.0;

    /// None yet. A piece is 0.4 °C of type K; of type B, which bends most near its lowest,
    /// 1 °C there. The function leaves its chord by less than 0.001 °C.
    fn of(kind: ThermocoupleType) -> Self {
        let length_log2 = if kind == ThermocoupleType::B { 11 } else { 14 };
        Chord { length_log2, piece: i32::MIN, cold: MilliCelsius::new(0), low: 0.0, high: 0.0 }
    }

    /// What the part makes of a voltage, thousandths of a degree; `None` near
    /// and beyond the ends of the type's range.
    fn reading(&mut self, voltage: Nanovolts, kind: &FastThermocouple, cold: MilliCelsius) -> Option<i32> {
        if cold != self.cold {
            (self.piece, self.cold) = (i32::MIN, cold);
        }
        let length = 1_i32 << self.length_log2;
        // Rounds down, below zero too.
        let piece = voltage.value() >> self.length_log2;
        if piece != self.piece {
            let end = |piece: i32| {
                let voltage = Nanovolts::new(piece.checked_mul(length)?);
                kind.reading(voltage, cold).ok().map(|temperature| temperature.value() * Self::STEPS)
            };
            let low = if self.piece == piece - 1 { self.high } else { end(piece)? };
            let high = if self.piece == piece + 1 { self.low } else { end(piece + 1)? };
            (self.piece, self.low, self.high) = (piece, low, high);
        }
        let share = f64::from(voltage.value() & (length - 1)) / f64::from(length);
        let steps = self.low + share * (self.high - self.low);
        let code = (steps + 0.5_f64.copysign(steps)) as i32;
        // A step is 125/16 thousandths of a degree.
        let thousandths = (code.abs() * 125 + 8) / 16;
        Some(if code < 0 { -thousandths } else { thousandths })
    }
}

/// The converter of a type; its tables take long to make and are made once.
#[derive(Debug)]
struct Part {
    converter: LinearisedConverter,
    thermocouple: FastThermocouple,
}

impl Part {
    fn of(kind: ThermocoupleType) -> &'static Part {
        static PARTS: [OnceLock<Part>; ThermocoupleType::ALL.len()] =
            [const { OnceLock::new() }; ThermocoupleType::ALL.len()];
        let place = ThermocoupleType::ALL.iter().position(|other| *other == kind).unwrap_or(0);
        PARTS[place].get_or_init(|| Part {
            converter: LinearisedConverter::new(kind),
            thermocouple: FastThermocouple::new(kind),
        })
    }
}

#[cfg(test)]
mod tests;

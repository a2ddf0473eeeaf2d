//! A converter with registers that a channel plays in place of a probe.
//!
//! The controller writes what it wants (whether the part converts by itself, for which thermocouple, with how much
//! averaging, whether it looks for an open probe) and reads what came of it. The part goes by what was written: one
//! that was told nothing converts nothing, one that was told another type reads another temperature, and one that
//! was not told to look for an open probe shows its own temperature instead.
//!
//! Addresses, bits and words: data sheet of the part as quoted by public drivers. Times of conversions, power-up values
//! and steps of the thresholds: from memory.

use dryfire_units::converter::{LinearisedRegisters, TerminalSignal};
use dryfire_units::{MilliCelsius, Nanovolts, RigSpan, RigTime, ThermocoupleType};

/// How many registers it has.
pub const REGISTERS: usize = 16;
/// Set in the address of a byte that is written.
pub const WRITE: u8 = 0x80;

/// Addresses.
mod address {
    pub(super) const CONTROL: usize = 0x00;
    pub(super) const KIND: usize = 0x01;
    pub(super) const COLD_HIGH: usize = 0x03;
    pub(super) const COLD_LOW: usize = 0x04;
    pub(super) const HIGH: usize = 0x05;
    pub(super) const LOW: usize = 0x07;
    pub(super) const COLD_OFFSET: usize = 0x09;
    pub(super) const COLD: usize = 0x0A;
    pub(super) const TEMPERATURE: usize = 0x0C;
    pub(super) const STATUS: usize = 0x0F;
}

/// Bits of the first control register.
mod control {
    pub(super) const CONTINUOUS: u8 = 0x80;
    pub(super) const ONE_SHOT: u8 = 0x40;
    pub(super) const LOOK_FOR_OPEN: u8 = 0x30;
    pub(super) const COLD_JUNCTION_OFF: u8 = 0x08;
    pub(super) const FAULTS_STAY: u8 = 0x04;
    pub(super) const CLEAR_FAULTS: u8 = 0x02;
    pub(super) const FIFTY_HERTZ: u8 = 0x01;
}

/// Bits of the status.
mod status {
    pub(super) const COLD_RANGE: u8 = 0x80;
    pub(super) const RANGE: u8 = 0x40;
    pub(super) const COLD_HIGH: u8 = 0x20;
    pub(super) const COLD_LOW: u8 = 0x10;
    pub(super) const HIGH: u8 = 0x08;
    pub(super) const LOW: u8 = 0x04;
    pub(super) const RAILS: u8 = 0x02;
    pub(super) const OPEN: u8 = 0x01;
}

/// With its supply: converts nothing, type K, thresholds at the ends of their ranges.
const AT_POWER_UP: [u8; REGISTERS] = [0x00, 0x03, 0xFF, 0x7F, 0xC0, 0x7F, 0xFF, 0x80, 0x00, 0, 0, 0, 0, 0, 0, 0];

/// Among so many conversions one looks for an open probe, if any does.
const CONVERSIONS_FOR_A_LOOK: i64 = 16;

/// By so much a conversion takes less than the slowest part's: a board may be late with it, and shall not for that be
/// slower than any real part.
const ALLOWANCE: RigSpan = RigSpan::from_millis(2);

/// Where its own sensor works, °C.
const SENSOR: core::ops::RangeInclusive<i64> = -55_000..=125_000;

/// A converter with registers: what was written to it, what it has converted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LinearisedPlayer {
    registers: [u8; REGISTERS],
    /// What its own sensor has.
    sensor: MilliCelsius,
    /// When the conversion that goes on began.
    began: Option<RigTime>,
    /// Conversions since one has looked for an open probe.
    without_look: i64,
    /// What that look has found.
    open: bool,
    chord: Option<Chord>,
}

/// A piece of the type's inverse function, straight between its ends. A kiln changes so slowly that nearly every
/// conversion falls on the piece of the one before; a processor without floating point takes a millisecond for each end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Chord {
    kind: ThermocoupleType,
    cold: MilliCelsius,
    /// Number of the piece, counted from zero volts.
    piece: i32,
    /// Temperature at its ends, in parts of a step.
    low: i64,
    high: i64,
}

impl Chord {
    /// Length of a piece, nanovolts, as a power of two: of type K 0.4 °C; an eighth for those with few volts to a degree,
    /// which bend most. The function leaves its chord by less than 0.001 °C.
    const fn length_log2(kind: ThermocoupleType) -> u32 {
        if matches!(kind, ThermocoupleType::B | ThermocoupleType::R | ThermocoupleType::S) { 11 } else { 14 }
    }

    /// Parts of a step of 1/128 °C, as a power of two.
    const PARTS_LOG2: u32 = 8;

    /// The piece on which a voltage lies; `None` at the ends of the type's range.
    fn with(kind: ThermocoupleType, cold: MilliCelsius, voltage: Nanovolts) -> Option<Self> {
        let length_log2 = Chord::length_log2(kind);
        let piece = voltage.value() >> length_log2;
        let end = |piece: i32| {
            let voltage = Nanovolts::new(piece.checked_mul(1 << length_log2)?);
            let celsius = kind.reading(voltage.to_microvolts(), cold.to_celsius()).ok()?.value();
            // Whole parts, towards zero: less than a two-hundredth of a step.
            Some((celsius * f64::from(128_u32 << Chord::PARTS_LOG2)) as i64)
        };
        Some(Chord { kind, cold, piece, low: end(piece)?, high: end(piece.checked_add(1)?)? })
    }

    fn is_for(&self, kind: ThermocoupleType, cold: MilliCelsius, voltage: Nanovolts) -> bool {
        let piece = voltage.value() >> Chord::length_log2(kind);
        (self.kind, self.cold, self.piece) == (kind, cold, piece)
    }

    /// Code of the temperature at a voltage on it.
    fn code(&self, voltage: Nanovolts) -> i32 {
        let length_log2 = Chord::length_log2(self.kind);
        let share = i64::from(voltage.value() & ((1 << length_log2) - 1));
        let parts = self.low + (((self.high - self.low) * share) >> length_log2);
        ((parts + (1 << (Chord::PARTS_LOG2 - 1))) >> Chord::PARTS_LOG2) as i32
    }
}

impl LinearisedPlayer {
    /// A part whose supply has just come on.
    pub fn new(sensor: MilliCelsius) -> Self {
        LinearisedPlayer { registers: AT_POWER_UP, sensor, began: None, without_look: 0, open: false, chord: None }
    }

    /// Its supply comes on again: what was written to it is gone.
    pub fn start(&mut self) {
        *self = LinearisedPlayer::new(self.sensor);
    }

    /// Its sensor has another temperature from the next conversion on.
    pub fn warm(&mut self, sensor: MilliCelsius) {
        self.sensor = sensor;
    }

    /// The registers, as they are read from address 0 on.
    pub const fn registers(&self) -> &[u8; REGISTERS] {
        &self.registers
    }

    /// Whether a controller can write to an address now. The others keep what they have.
    pub fn takes(registers: &[u8; REGISTERS], address: u8) -> bool {
        let address = usize::from(address);
        let cold = (address::COLD..address::TEMPERATURE).contains(&address);
        address < address::COLD || cold && registers[address::CONTROL] & control::COLD_JUNCTION_OFF != 0
    }

    /// The controller has written a byte; `at` is when it let the part go.
    pub fn write(&mut self, at: RigTime, address: u8, byte: u8) {
        if !LinearisedPlayer::takes(&self.registers, address) {
            return;
        }
        let place = usize::from(address);
        if place != address::CONTROL {
            self.registers[place] = byte;
            return;
        }
        let was = self.registers[place];
        // Where faults do not stay there is nothing to be cleared: what is wrong goes on being told.
        if byte & control::CLEAR_FAULTS != 0 && byte & control::FAULTS_STAY != 0 {
            self.registers[address::STATUS] = 0;
            self.open = false;
        }
        if byte & control::LOOK_FOR_OPEN == 0 {
            self.open = false;
        }
        let kept = byte & !control::CLEAR_FAULTS;
        if kept & control::CONTINUOUS != 0 {
            // A shot is none to a part that converts on and on.
            self.registers[place] = kept & !control::ONE_SHOT;
            if was & control::CONTINUOUS == 0 {
                self.began = Some(at);
            }
        } else if kept & control::ONE_SHOT != 0 {
            self.registers[place] = kept;
            if was & control::CONTINUOUS != 0 || self.began.is_none() {
                self.began = Some(at);
            }
        } else {
            self.registers[place] = kept;
            self.began = None;
        }
    }

    /// How long a conversion takes as it is set up: that of the slowest part, less 2 ms for the board.
    pub fn period(&self) -> RigSpan {
        let control = self.registers[address::CONTROL];
        let (continuous, fifty) = (control & control::CONTINUOUS != 0, control & control::FIFTY_HERTZ != 0);
        let (first, each) = match (continuous, fifty) {
            (true, true) => (110_000, 20_000),
            (true, false) => (90_000, 16_667),
            (false, true) => (185_000, 40_000),
            (false, false) => (155_000, 33_333),
        };
        let averaged = 1_i64 << (self.registers[address::KIND] >> 4 & 7).min(4);
        RigSpan::from_micros(first + (averaged - 1) * each) - ALLOWANCE
    }

    /// When [`Self::advance`] has to be called again; `None` while nothing is converted.
    pub fn due(&self) -> Option<RigTime> {
        Some(self.began? + self.period())
    }

    /// Finishes the conversions up to `now`; says whether a register is another one. `terminals` gives what is at the
    /// terminals at the end of a conversion, and how long that has taken.
    pub fn advance(&mut self, now: RigTime, terminals: impl FnOnce(RigTime, RigSpan) -> TerminalSignal) -> bool {
        let Some(began) = self.began else { return false };
        let period = self.period();
        let mut finished = (now - began).as_micros() / period.as_micros();
        if finished < 1 {
            return false;
        }
        let before = self.registers;
        if self.registers[address::CONTROL] & control::CONTINUOUS != 0 {
            self.began = Some(began + period.times(finished));
        } else {
            finished = 1;
            self.began = None;
            self.registers[address::CONTROL] &= !control::ONE_SHOT;
        }
        let found = terminals(began + period.times(finished), period);
        self.without_look += finished;
        if self.registers[address::CONTROL] & control::LOOK_FOR_OPEN == 0 {
            self.open = false;
        } else if self.without_look >= CONVERSIONS_FOR_A_LOOK {
            self.open = found == TerminalSignal::Open;
        }
        self.without_look %= CONVERSIONS_FOR_A_LOOK;
        self.convert(found);
        self.registers != before
    }

    /// One conversion of what is at the terminals.
    fn convert(&mut self, terminals: TerminalSignal) {
        let stay = self.registers[address::CONTROL] & control::FAULTS_STAY != 0;
        let kept = if stay { self.registers[address::STATUS] } else { 0 };
        let open = if self.open { status::OPEN } else { 0 };
        if matches!(terminals, TerminalSignal::ShortToGround | TerminalSignal::ShortToSupply) {
            // It converts nothing, and keeps the last reading.
            self.registers[address::STATUS] = kept | open | status::RAILS;
            return;
        }
        let cold = self.cold_junction();
        let terminals = match terminals {
            // Nothing tells it from no volts but the look.
            TerminalSignal::Open => TerminalSignal::Voltage(Nanovolts::new(0)),
            other => other,
        };
        let kind = self.kind();
        let found = match kind {
            Some(kind) => self.measured(kind, terminals, cold),
            // Volts instead of a temperature are not played.
            None => LinearisedRegisters { status: status::RANGE, ..LinearisedRegisters::with_code(0, cold) },
        };
        if self.registers[address::CONTROL] & control::COLD_JUNCTION_OFF == 0 {
            self.registers[address::COLD..address::TEMPERATURE].copy_from_slice(&found.cold_junction);
        }
        self.registers[address::TEMPERATURE..address::STATUS].copy_from_slice(&found.temperature);
        self.registers[address::STATUS] = kept | open | found.status & status::RANGE | self.beyond_thresholds(cold);
    }

    fn measured(
        &mut self,
        kind: ThermocoupleType,
        terminals: TerminalSignal,
        cold: MilliCelsius,
    ) -> LinearisedRegisters {
        if let TerminalSignal::Voltage(voltage) = terminals {
            if !self.chord.is_some_and(|chord| chord.is_for(kind, cold, voltage)) {
                self.chord = Chord::with(kind, cold, voltage);
            }
            if let Some(chord) = &self.chord {
                return LinearisedRegisters::with_code(chord.code(voltage), cold);
            }
        }
        LinearisedRegisters::exact(kind, terminals, cold)
    }

    /// The thermocouple that it was told, or none for the volts themselves.
    fn kind(&self) -> Option<ThermocoupleType> {
        use ThermocoupleType::{B, E, J, K, N, R, S, T};
        [B, E, J, K, N, R, S, T].get(usize::from(self.registers[address::KIND] & 0x0F)).copied()
    }

    /// The cold junction that it reckons with: its sensor's, or what was written in its place, and the offset.
    fn cold_junction(&self) -> MilliCelsius {
        let sensed = if self.registers[address::CONTROL] & control::COLD_JUNCTION_OFF != 0 {
            // A step is 1/64 °C, above two bits.
            i64::from(self.word(address::COLD) >> 2) * 1_000 / 64
        } else {
            self.sensor.value() + i64::from(self.registers[address::COLD_OFFSET] as i8) * 1_000 / 16
        };
        MilliCelsius::new(sensed)
    }

    /// Status bits of the thresholds, for the reading that the registers have.
    fn beyond_thresholds(&self, cold: MilliCelsius) -> u8 {
        let cold = cold.value();
        let whole = |place: usize| i64::from(self.registers[place] as i8) * 1_000;
        let [high, middle, _] = [0, 1, 2].map(|byte| self.registers[address::TEMPERATURE + byte]);
        // Sixteenths of a degree, as the thresholds; the rest of the code is below a step of them.
        let temperature = i16::from_be_bytes([high, middle]);
        let set = |bit: u8, is: bool| if is { bit } else { 0 };
        set(status::COLD_RANGE, !SENSOR.contains(&cold))
            | set(status::COLD_HIGH, cold > whole(address::COLD_HIGH))
            | set(status::COLD_LOW, cold < whole(address::COLD_LOW))
            | set(status::HIGH, temperature > self.word(address::HIGH))
            | set(status::LOW, temperature < self.word(address::LOW))
    }

    fn word(&self, place: usize) -> i16 {
        i16::from_be_bytes([self.registers[place], self.registers[place + 1]])
    }
}

#[cfg(test)]
mod tests;

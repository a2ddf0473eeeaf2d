//! What a thermocouple converter part makes of the voltage at its terminals.
//!
//! Three kinds of part are modelled, each as a controller sees it through its
//! words; none has offset, noise or a wrong cold junction of its own, which are
//! added by whoever plays the bench:
//!
//! - [`LinearisedConverter`]: 19 bits, linearised by the reference functions;
//! - [`FourteenBitConverter`]: one straight line for each thermocouple type,
//!   so that a true type K probe at 1300 °C reads about 1270 °C;
//! - [`TwelveBitConverter`]: one straight line, type K only, 0 to 1023.75 °C,
//!   flags nothing but an open probe.
//!
//! Layouts of words, slopes and code tables: data sheets of common parts as far
//! as seen in copies; what is from memory is marked where it is used.

use crate::border::round_to_integer;
use crate::{MilliCelsius, Nanovolts, RigSpan, RigTime, ThermocoupleType};

mod linear;
mod linearised;

pub use linear::{FourteenBitConverter, FourteenBitWord, TwelveBitConverter, TwelveBitWord};
pub use linearised::{LinearisedConverter, LinearisedRegisters};

/// What is connected to the part's thermocouple terminals.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TerminalSignal {
    /// A voltage.
    Voltage(Nanovolts),
    /// Nothing: the probe is broken.
    Open,
    /// A lead touches ground.
    ShortToGround,
    /// A lead touches the supply.
    ShortToSupply,
}

/// A fault that the part flags.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum ConverterFault {
    /// The probe's circuit is open.
    Open,
    /// A lead is shorted to ground.
    ShortToGround,
    /// A lead is shorted to the supply.
    ShortToSupply,
    /// The voltage is below or above what the type can give; the reading is held at the end of the range.
    OutOfRange,
}

/// One conversion as the controller gets it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Reading {
    /// The temperature, a whole number of the part's steps rounded to thousandths
    /// of a degree; zero and meaningless beside an open or a short.
    pub temperature: MilliCelsius,
    /// The cold junction as the part measures it, in its own steps.
    pub cold_junction: MilliCelsius,
    /// The fault flagged with it.
    pub fault: Option<ConverterFault>,
}

/// The kinds of part.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum ConverterKind {
    /// 19 bits, linearised.
    Linearised,
    /// 14 bits, a straight line for each type.
    FourteenBit,
    /// 12 bits, a straight line, type K.
    TwelveBit,
}

/// A part of any kind.
#[derive(Clone, Debug)]
#[expect(clippy::large_enum_variant, reason = "no allocator here; there are as many as probes, never many")]
pub enum Converter {
    /// 19 bits, linearised.
    Linearised(LinearisedConverter),
    /// 14 bits, a straight line for each type.
    FourteenBit(FourteenBitConverter),
    /// 12 bits, a straight line, type K.
    TwelveBit(TwelveBitConverter),
}

/// There is no part of a kind for a thermocouple type.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct UnsupportedType {
    /// The kind of part.
    pub part: ConverterKind,
    /// The type.
    pub thermocouple: ThermocoupleType,
}

impl core::fmt::Display for UnsupportedType {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        let (bits, types) = match self.part {
            ConverterKind::Linearised => (19, "all types"),
            ConverterKind::FourteenBit => (14, "the types E, J, K, N, R, S and T"),
            ConverterKind::TwelveBit => (12, "type K"),
        };
        let letter = self.thermocouple.letter();
        write!(f, "the {bits}-bit converter is made for {types} only, not for type {letter}")
    }
}

impl core::error::Error for UnsupportedType {}

impl Converter {
    /// A part of a kind, set to (or made for) a thermocouple type.
    ///
    /// # Errors
    ///
    /// If there is no such part.
    pub fn new(part: ConverterKind, thermocouple: ThermocoupleType) -> Result<Self, UnsupportedType> {
        let unsupported = UnsupportedType { part, thermocouple };
        match part {
            ConverterKind::Linearised => Ok(Self::Linearised(LinearisedConverter::new(thermocouple))),
            ConverterKind::FourteenBit => {
                FourteenBitConverter::new(thermocouple).map(Self::FourteenBit).ok_or(unsupported)
            }
            ConverterKind::TwelveBit if thermocouple == ThermocoupleType::K => Ok(Self::TwelveBit(TwelveBitConverter)),
            ConverterKind::TwelveBit => Err(unsupported),
        }
    }

    /// Its kind.
    pub fn kind(&self) -> ConverterKind {
        match self {
            Self::Linearised(_) => ConverterKind::Linearised,
            Self::FourteenBit(_) => ConverterKind::FourteenBit,
            Self::TwelveBit(_) => ConverterKind::TwelveBit,
        }
    }

    /// One conversion.
    pub fn convert(&self, terminals: TerminalSignal, cold_junction: MilliCelsius) -> Reading {
        match self {
            Self::Linearised(part) => part.convert(terminals, cold_junction),
            Self::FourteenBit(part) => part.convert(terminals, cold_junction),
            Self::TwelveBit(part) => part.convert(terminals, cold_junction),
        }
    }

    /// The longest time from one conversion to the next.
    pub fn conversion_period(&self) -> RigSpan {
        match self {
            Self::Linearised(_) => LinearisedConverter::CONVERSION_PERIOD,
            Self::FourteenBit(_) => FourteenBitConverter::CONVERSION_PERIOD,
            Self::TwelveBit(_) => TwelveBitConverter::CONVERSION_PERIOD,
        }
    }

    /// Lowest temperature that the part can show.
    pub fn lowest(&self) -> MilliCelsius {
        match self {
            Self::Linearised(part) => part.lowest(),
            Self::FourteenBit(_) => FourteenBitConverter::LOWEST,
            Self::TwelveBit(_) => MilliCelsius::new(0),
        }
    }

    /// Highest temperature that the part can show.
    pub fn highest(&self) -> MilliCelsius {
        match self {
            Self::Linearised(part) => part.highest(),
            Self::FourteenBit(_) => FourteenBitConverter::HIGHEST,
            Self::TwelveBit(_) => TwelveBitConverter::HIGHEST,
        }
    }
}

/// When a read-only part has something new: its conversion stops while it is
/// selected and starts afresh when it is let go, so a controller that polls
/// faster than the conversion period reads the same value for ever.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ConversionTimer {
    period: RigSpan,
    started: RigTime,
}

impl ConversionTimer {
    /// A part that begins to convert at `now`.
    pub const fn new(now: RigTime, period: RigSpan) -> Self {
        ConversionTimer { period, started: now }
    }

    /// The part is selected and read at `now`: whether a conversion has been
    /// completed since it was last let go. Starts the next one.
    pub fn read(&mut self, now: RigTime) -> bool {
        let fresh = now - self.started >= self.period;
        self.started = now;
        fresh
    }
}

/// A value in thousandths as a whole number of steps, held between `least` and
/// `most`; `steps_per_degree` is a power of two, so nothing is lost.
fn to_code(celsius: f64, steps_per_degree: f64, least: i32, most: i32) -> i32 {
    let code = round_to_integer(celsius * steps_per_degree).unwrap_or(0);
    code.clamp(i64::from(least), i64::from(most)) as i32
}

/// Thousandths of a degree of a number of steps.
fn from_code(code: i32, steps_per_degree: f64) -> MilliCelsius {
    let millicelsius = f64::from(code) * 1000.0 / steps_per_degree;
    MilliCelsius::new(round_to_integer(millicelsius).unwrap_or(0))
}

/// Two's complement number in the lowest `bits` bits of a word.
fn sign_extend(word: u32, bits: u32) -> i32 {
    let shift = 32 - bits;
    ((word << shift) as i32) >> shift
}

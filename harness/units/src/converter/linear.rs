//! Parts that know one straight line: temperature = cold junction + voltage / slope.

use super::{ConverterFault, Reading, TerminalSignal, from_code, sign_extend, to_code};
use crate::{MilliCelsius, RigSpan, ThermocoupleType};

/// Steps of a temperature in a degree: 0.25 °C each, in both parts.
const STEPS: f64 = 4.0;
/// Steps of the 14-bit part's cold junction in a degree: 0.0625 °C each.
const COLD_STEPS: f64 = 16.0;

/// The 14-bit read-only part, made for one thermocouple type.
///
/// On an open or a short it flags the fault; the temperature field is then zero
/// here, its content on a real part is not specified. Readings are rounded to
/// the nearest step and held at the ends of the part's range, −270 °C and
/// 1800 °C, without a fault bit (how a real part rounds and saturates was not
/// seen in print).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FourteenBitConverter {
    kind: ThermocoupleType,
    microvolts_per_celsius: f64,
}

/// The 14-bit part's 32-bit word.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct FourteenBitWord(pub u32);

/// The part flags some fault.
const FAULT: u32 = 1 << 16;
/// A lead is shorted to the supply.
const SHORT_TO_SUPPLY: u32 = 1 << 2;
/// A lead is shorted to ground.
const SHORT_TO_GROUND: u32 = 1 << 1;
/// The probe is open.
const OPEN: u32 = 1;
/// Bits that are always zero: a word with one of them set was not driven by the part.
const RESERVED: u32 = 1 << 17 | 1 << 3;

impl FourteenBitConverter {
    /// Time from one conversion to the next at the most (from memory; 70 ms typically).
    pub const CONVERSION_PERIOD: RigSpan = RigSpan::from_millis(100);
    /// Highest temperature that it shows.
    pub const HIGHEST: MilliCelsius = MilliCelsius::new(1_800_000);
    /// Lowest temperature that it shows.
    pub const LOWEST: MilliCelsius = MilliCelsius::new(-270_000);

    /// The part for a thermocouple type; there is none for type B.
    ///
    /// Slopes from memory; all but that of type T equal the reference emf at 1000 °C over 1000 °C.
    pub const fn new(kind: ThermocoupleType) -> Option<Self> {
        let microvolts_per_celsius = match kind {
            ThermocoupleType::B => return None,
            ThermocoupleType::E => 76.373,
            ThermocoupleType::J => 57.953,
            ThermocoupleType::K => 41.276,
            ThermocoupleType::N => 36.256,
            ThermocoupleType::R => 10.506,
            ThermocoupleType::S => 9.587,
            ThermocoupleType::T => 52.18,
        };
        Some(Self { kind, microvolts_per_celsius })
    }

    /// The thermocouple type that it is made for.
    pub const fn kind(&self) -> ThermocoupleType {
        self.kind
    }

    /// Slope of its line.
    pub const fn microvolts_per_celsius(&self) -> f64 {
        self.microvolts_per_celsius
    }

    /// One conversion.
    pub fn convert(&self, terminals: TerminalSignal, cold_junction: MilliCelsius) -> Reading {
        self.word(terminals, cold_junction).decode()
    }

    /// One conversion, as the word that is clocked out.
    pub fn word(&self, terminals: TerminalSignal, cold_junction: MilliCelsius) -> FourteenBitWord {
        let cold = to_code(cold_junction.to_celsius().value(), COLD_STEPS, -0x800, 0x7FF);
        let cold = ((cold as u32) & 0xFFF) << 4;
        FourteenBitWord(match terminals {
            TerminalSignal::Voltage(nanovolts) => {
                let rise = nanovolts.to_microvolts().value() / self.microvolts_per_celsius;
                let celsius = cold_junction.to_celsius().value() + rise;
                cold | (to_code(celsius, STEPS, -1080, 7200) as u32) << 18
            }
            TerminalSignal::Open => cold | FAULT | OPEN,
            TerminalSignal::ShortToGround => cold | FAULT | SHORT_TO_GROUND,
            TerminalSignal::ShortToSupply => cold | FAULT | SHORT_TO_SUPPLY,
        })
    }
}

impl FourteenBitWord {
    /// What a controller makes of the word.
    pub fn decode(self) -> Reading {
        let fault = if self.0 & OPEN != 0 {
            Some(ConverterFault::Open)
        } else if self.0 & SHORT_TO_GROUND != 0 {
            Some(ConverterFault::ShortToGround)
        } else if self.0 & SHORT_TO_SUPPLY != 0 {
            Some(ConverterFault::ShortToSupply)
        } else {
            None
        };
        let temperature = from_code(sign_extend(self.0 >> 18, 14), STEPS);
        let cold_junction = from_code(sign_extend(self.0 >> 4, 12), COLD_STEPS);
        Reading { temperature, cold_junction, fault }
    }

    /// Whether a working part can have sent it: reserved bits zero, and the
    /// common fault bit set exactly if one of the three causes is. A silent bus
    /// of all ones is not; all zeros is a word like any other (0 °C, cold junction 0 °C).
    pub const fn is_consistent(self) -> bool {
        let cause = self.0 & (SHORT_TO_SUPPLY | SHORT_TO_GROUND | OPEN) != 0;
        self.0 & RESERVED == 0 && (self.0 & FAULT != 0) == cause
    }
}

/// The 12-bit read-only part for type K: shows 0 to 1023.75 °C and flags only
/// an open probe. A lead shorted to ground leaves no voltage, so it reads its
/// own cold junction; one shorted to the supply reads the highest value.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct TwelveBitConverter;

/// The 12-bit part's 16-bit word.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct TwelveBitWord(pub u16);

/// The probe is open.
const TWELVE_BIT_OPEN: u16 = 1 << 2;
/// Bits that are always zero: the sign and the device's number.
const TWELVE_BIT_RESERVED: u16 = 1 << 15 | 1 << 1;

impl TwelveBitConverter {
    /// Time from one conversion to the next at the most (from memory; 170 ms typically).
    pub const CONVERSION_PERIOD: RigSpan = RigSpan::from_millis(220);
    /// Highest temperature that it shows; everything hotter reads the same.
    pub const HIGHEST: MilliCelsius = MilliCelsius::new(1_023_750);
    /// Slope of its line (data sheet).
    pub const MICROVOLTS_PER_CELSIUS: f64 = 41.0;

    /// One conversion. The part does not tell its cold junction: the true one is passed on.
    pub fn convert(&self, terminals: TerminalSignal, cold_junction: MilliCelsius) -> Reading {
        let word = self.word(terminals, cold_junction);
        let fault = word.is_open().then_some(ConverterFault::Open);
        Reading { temperature: word.temperature(), cold_junction, fault }
    }

    /// One conversion, as the word that is clocked out.
    pub fn word(&self, terminals: TerminalSignal, cold_junction: MilliCelsius) -> TwelveBitWord {
        const MOST: i32 = 0xFFF;
        let cold = cold_junction.to_celsius().value();
        let code = match terminals {
            TerminalSignal::Voltage(nanovolts) => {
                let rise = nanovolts.to_microvolts().value() / Self::MICROVOLTS_PER_CELSIUS;
                to_code(cold + rise, STEPS, 0, MOST)
            }
            TerminalSignal::ShortToGround => to_code(cold, STEPS, 0, MOST),
            TerminalSignal::ShortToSupply => MOST,
            TerminalSignal::Open => return TwelveBitWord(TWELVE_BIT_OPEN),
        };
        TwelveBitWord((code as u16) << 3)
    }
}

impl TwelveBitWord {
    /// The temperature in the word.
    pub fn temperature(self) -> MilliCelsius {
        from_code(i32::from(self.0 >> 3 & 0xFFF), STEPS)
    }

    /// Whether the word flags an open probe.
    pub const fn is_open(self) -> bool {
        self.0 & TWELVE_BIT_OPEN != 0
    }

    /// Whether a working part can have sent it: the bits that are always zero are. All ones is not.
    pub const fn is_consistent(self) -> bool {
        self.0 & TWELVE_BIT_RESERVED == 0
    }
}

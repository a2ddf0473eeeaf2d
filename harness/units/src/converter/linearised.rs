//! The 19-bit part that linearises by the reference functions.

use super::{ConverterFault, Reading, TerminalSignal, from_code, sign_extend, to_code};
use crate::thermocouple::{FastThermocouple, ThermocoupleError};
use crate::{Celsius, MilliCelsius, Nanovolts, RigSpan, ThermocoupleType};

/// Steps of the temperature in a degree: 0.0078125 °C each.
const STEPS: f64 = 128.0;
/// Steps of the cold junction in a degree: 0.015625 °C each.
const COLD_STEPS: f64 = 64.0;

/// A part that linearises by the reference functions, flags open and both
/// shorts, and is never wrong by more than half its step of 0.0078125 °C and
/// 0.001 °C. Ideal: real parts with these words linearise by a coarser table.
#[derive(Clone, Debug)]
pub struct LinearisedConverter {
    thermocouple: FastThermocouple,
    lowest: Celsius,
    highest: Celsius,
}

/// The part's result registers, as they are read.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct LinearisedRegisters {
    /// Temperature: high, middle and low byte; a 19-bit code above five zero bits.
    pub temperature: [u8; 3],
    /// Cold junction: high and low byte; a 14-bit code above two zero bits.
    pub cold_junction: [u8; 2],
    /// Fault status: bit 0 open, bit 1 voltage beyond the supply rails, bit 6 outside the type's range.
    pub status: u8,
}

/// Status bit: the probe's circuit is open.
const STATUS_OPEN: u8 = 0x01;
/// Status bit: the input is above the supply or below ground; stands for both shorts.
const STATUS_RAILS: u8 = 0x02;
/// Status bit: outside the thermocouple type's range.
const STATUS_RANGE: u8 = 0x40;

impl LinearisedConverter {
    /// Time from one conversion to the next (from memory, rounded up).
    pub const CONVERSION_PERIOD: RigSpan = RigSpan::from_millis(100);

    /// A part set to a thermocouple type.
    pub fn new(kind: ThermocoupleType) -> Self {
        Self { thermocouple: FastThermocouple::new(kind), lowest: kind.lowest_invertible(), highest: kind.range().1 }
    }

    /// The thermocouple type that it is set to.
    pub fn kind(&self) -> ThermocoupleType {
        self.thermocouple.kind()
    }

    /// Lowest temperature that it shows.
    pub fn lowest(&self) -> MilliCelsius {
        from_code(to_code(self.lowest.value(), STEPS, CODE.0, CODE.1), STEPS)
    }

    /// Highest temperature that it shows.
    pub fn highest(&self) -> MilliCelsius {
        from_code(to_code(self.highest.value(), STEPS, CODE.0, CODE.1), STEPS)
    }

    /// One conversion.
    pub fn convert(&self, terminals: TerminalSignal, cold_junction: MilliCelsius) -> Reading {
        let (code, fault) = self.code(terminals, cold_junction);
        let cold = cold_code(cold_junction);
        Reading { temperature: from_code(code, STEPS), cold_junction: from_code(cold, COLD_STEPS), fault }
    }

    /// One conversion, as the registers hold it.
    pub fn registers(&self, terminals: TerminalSignal, cold_junction: MilliCelsius) -> LinearisedRegisters {
        let (code, fault) = self.code(terminals, cold_junction);
        LinearisedRegisters::holding(code, cold_junction, fault)
    }

    fn code(&self, terminals: TerminalSignal, cold_junction: MilliCelsius) -> (i32, Option<ConverterFault>) {
        code(terminals, (self.lowest, self.highest), |nanovolts| self.thermocouple.reading(nanovolts, cold_junction))
    }
}

/// Code of the temperature, and the fault if there is one, with the range of the type and its inverse.
fn code(
    terminals: TerminalSignal,
    (lowest, highest): (Celsius, Celsius),
    reading: impl FnOnce(Nanovolts) -> Result<Celsius, ThermocoupleError>,
) -> (i32, Option<ConverterFault>) {
    let nanovolts = match terminals {
        TerminalSignal::Voltage(nanovolts) => nanovolts,
        TerminalSignal::Open => return (0, Some(ConverterFault::Open)),
        TerminalSignal::ShortToGround => return (0, Some(ConverterFault::ShortToGround)),
        TerminalSignal::ShortToSupply => return (0, Some(ConverterFault::ShortToSupply)),
    };
    let (temperature, fault) = match reading(nanovolts) {
        Ok(temperature) => (temperature, None),
        Err(ThermocoupleError::EmfAboveRange { .. }) => (highest, Some(ConverterFault::OutOfRange)),
        Err(_) => (lowest, Some(ConverterFault::OutOfRange)),
    };
    (to_code(temperature.value(), STEPS, CODE.0, CODE.1), fault)
}

/// Least and greatest 19-bit code.
const CODE: (i32, i32) = (-0x4_0000, 0x3_FFFF);

fn cold_code(cold_junction: MilliCelsius) -> i32 {
    to_code(cold_junction.to_celsius().value(), COLD_STEPS, -0x2000, 0x1FFF)
}

impl LinearisedRegisters {
    /// One conversion by the exact reference function: as [`LinearisedConverter::registers`], without its tables, and
    /// slower.
    pub fn exact(kind: ThermocoupleType, terminals: TerminalSignal, cold_junction: MilliCelsius) -> Self {
        let (code, fault) = code(terminals, (kind.lowest_invertible(), kind.range().1), |nanovolts| {
            kind.reading(nanovolts.to_microvolts(), cold_junction.to_celsius())
        });
        Self::holding(code, cold_junction, fault)
    }

    /// Registers without a fault, of a temperature that is known as its code of 19 bits, steps of 1/128 °C.
    pub fn with_code(code: i32, cold_junction: MilliCelsius) -> Self {
        Self::holding(code, cold_junction, None)
    }

    fn holding(code: i32, cold_junction: MilliCelsius, fault: Option<ConverterFault>) -> Self {
        let [_, high, middle, low] = ((code as u32) << 5).to_be_bytes();
        let [_, _, cold_high, cold_low] = ((cold_code(cold_junction) as u32) << 2).to_be_bytes();
        let status = match fault {
            None => 0,
            Some(ConverterFault::Open) => STATUS_OPEN,
            Some(ConverterFault::ShortToGround | ConverterFault::ShortToSupply) => STATUS_RAILS,
            Some(ConverterFault::OutOfRange) => STATUS_RANGE,
        };
        LinearisedRegisters { temperature: [high, middle, low], cold_junction: [cold_high, cold_low], status }
    }

    /// What a controller makes of the registers. Either short is told as
    /// [`ConverterFault::ShortToSupply`]: the part has one bit for both.
    pub fn decode(self) -> Reading {
        let [high, middle, low] = self.temperature;
        let [cold_high, cold_low] = self.cold_junction;
        let code = sign_extend(u32::from_be_bytes([0, high, middle, low]) >> 5, 19);
        let cold = sign_extend(u32::from_be_bytes([0, 0, cold_high, cold_low]) >> 2, 14);
        let fault = if self.status & STATUS_OPEN != 0 {
            Some(ConverterFault::Open)
        } else if self.status & STATUS_RAILS != 0 {
            Some(ConverterFault::ShortToSupply)
        } else if self.status & STATUS_RANGE != 0 {
            Some(ConverterFault::OutOfRange)
        } else {
            None
        };
        Reading { temperature: from_code(code, STEPS), cold_junction: from_code(cold, COLD_STEPS), fault }
    }
}

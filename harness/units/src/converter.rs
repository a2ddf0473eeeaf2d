//! What a thermocouple converter part makes of the voltage at its terminals.

use crate::thermocouple::{FastThermocouple, ThermocoupleError};
use crate::{MilliCelsius, Nanovolts, RigSpan, ThermocoupleType};

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
    /// The temperature, in the part's own steps; meaningless beside an open or a short.
    pub temperature: MilliCelsius,
    /// The cold junction as the part measures it.
    pub cold_junction: MilliCelsius,
    /// The fault flagged with it.
    pub fault: Option<ConverterFault>,
}

/// A part that linearises by the reference functions, flags open and both
/// shorts, and is never wrong by more than half its step of 0.0078125 °C.
#[derive(Clone, Debug)]
pub struct LinearisedConverter {
    thermocouple: FastThermocouple,
}

impl LinearisedConverter {
    /// Time from one conversion to the next.
    pub const CONVERSION_PERIOD: RigSpan = RigSpan::from_millis(100);

    /// A part set to a thermocouple type.
    pub fn new(kind: ThermocoupleType) -> Self {
        Self { thermocouple: FastThermocouple::new(kind) }
    }

    /// The thermocouple type that it is set to.
    pub fn kind(&self) -> ThermocoupleType {
        self.thermocouple.kind()
    }

    /// One conversion.
    pub fn convert(&self, terminals: TerminalSignal, cold_junction: MilliCelsius) -> Reading {
        let (temperature, fault) = match terminals {
            TerminalSignal::Voltage(nanovolts) => {
                match self.thermocouple.reading_millicelsius(nanovolts, cold_junction) {
                    Ok(temperature) => (temperature, None),
                    Err(error) => (self.end_of_range(error), Some(ConverterFault::OutOfRange)),
                }
            }
            TerminalSignal::Open => (MilliCelsius::new(0), Some(ConverterFault::Open)),
            TerminalSignal::ShortToGround => (MilliCelsius::new(0), Some(ConverterFault::ShortToGround)),
            TerminalSignal::ShortToSupply => (MilliCelsius::new(0), Some(ConverterFault::ShortToSupply)),
        };
        Reading { temperature, cold_junction, fault }
    }

    fn end_of_range(&self, error: ThermocoupleError) -> MilliCelsius {
        let (_, max) = self.kind().range();
        let end = match error {
            ThermocoupleError::EmfAboveRange { .. } => max,
            _ => self.kind().lowest_invertible(),
        };
        MilliCelsius::from_celsius(end).unwrap_or_default()
    }
}

//! What is absurd: the widest range of every quantity that people write.
//!
//! The bounds keep out slips (a minute for an hour, millimetres for metres) and
//! protect the arithmetic behind them; they are no statement of what is safe.
//! All of them are common practice without a source unless said otherwise.

use core::fmt;

use crate::parse::Dimension;

/// The widest range in which a quantity makes sense.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bound {
    /// What it is, in words that fit after "the" (`temperature`, `wall area`).
    pub name: &'static str,
    /// Its kind; `min` and `max` are in [`Dimension::unit`].
    pub dimension: Dimension,
    /// The least value.
    pub min: f64,
    /// The greatest value.
    pub max: f64,
}

impl Bound {
    /// Whether a value, in the unit of the dimension, is inside (never so for a NaN).
    pub fn contains(&self, value: f64) -> bool {
        value >= self.min && value <= self.max
    }

    /// The least value with its unit, to print.
    pub fn least(&self) -> BoundValue {
        BoundValue { value: self.min, dimension: self.dimension }
    }

    /// The greatest value with its unit, to print.
    pub fn greatest(&self) -> BoundValue {
        BoundValue { value: self.max, dimension: self.dimension }
    }
}

/// An end of a bound; prints with its unit, long times in days.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BoundValue {
    value: f64,
    dimension: Dimension,
}

impl fmt::Display for BoundValue {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        const DAY: f64 = 86_400.0;
        match (self.dimension, self.dimension.unit()) {
            (Dimension::Span, _) if self.value >= DAY => write!(f, "{} d", self.value / DAY),
            (_, "") => write!(f, "{}", self.value),
            (_, unit) => write!(f, "{} {unit}", self.value),
        }
    }
}

const fn bound(name: &'static str, dimension: Dimension, min: f64, max: f64) -> Bound {
    Bound { name, dimension, min, max }
}

/// A temperature of kiln, probe or set-point.
pub const TEMPERATURE: Bound = bound("temperature", Dimension::Temperature, -50.0, 1820.0);
/// The air around the kiln, or a controller's terminals.
pub const AMBIENT: Bound = bound("ambient temperature", Dimension::Temperature, -40.0, 125.0);
/// A difference of temperatures.
pub const TEMPERATURE_DIFFERENCE: Bound =
    bound("temperature difference", Dimension::TemperatureDifference, -1900.0, 1900.0);
/// The rate of a ramp; zero is no ramp.
pub const RATE: Bound = bound("rate", Dimension::Rate, 0.1, 10_000.0);
/// A drift: a rate of either sign.
pub const DRIFT: Bound = bound("drift", Dimension::Rate, -100_000.0, 100_000.0);
/// A length of time: up to 31 days, in seconds.
pub const SPAN: Bound = bound("length of time", Dimension::Span, 0.0, 2_678_400.0);
/// A thermocouple's voltage, in microvolts.
pub const PROBE_VOLTAGE: Bound = bound("probe voltage", Dimension::ProbeVoltage, -100_000.0, 100_000.0);
/// A supply's voltage.
pub const SUPPLY_VOLTAGE: Bound = bound("supply voltage", Dimension::Voltage, 1.0, 1000.0);
/// An element's power.
pub const POWER: Bound = bound("power", Dimension::Power, 1.0, 200_000.0);
/// A current.
pub const CURRENT: Bound = bound("current", Dimension::Current, 0.0, 1000.0);
/// A share of a whole, in percent.
pub const PERCENT: Bound = bound("share", Dimension::Percent, 0.0, 100.0);
/// The thickness of a layer.
pub const THICKNESS: Bound = bound("thickness", Dimension::Length, 0.0005, 1.0);
/// The area of wall, element, load or lid.
pub const AREA: Bound = bound("area", Dimension::Area, 0.0001, 50.0);
/// A mass of ware and shelves.
pub const MASS: Bound = bound("mass", Dimension::Mass, 0.01, 5000.0);
/// Density of a wall's material: from thin fibre to steel.
pub const DENSITY: Bound = bound("density", Dimension::Density, 20.0, 9000.0);
/// Thermal conductivity of a wall's material.
pub const CONDUCTIVITY: Bound = bound("thermal conductivity", Dimension::Conductivity, 0.01, 60.0);
/// Specific heat capacity.
pub const SPECIFIC_HEAT: Bound = bound("specific heat", Dimension::SpecificHeat, 100.0, 5000.0);
/// Heat capacity of an element.
pub const HEAT_CAPACITY: Bound = bound("heat capacity", Dimension::HeatCapacity, 10.0, 100_000.0);
/// A surface heat transfer coefficient.
pub const HEAT_TRANSFER: Bound = bound("heat transfer coefficient", Dimension::HeatTransfer, 0.0, 500.0);
/// A thermal conductance.
pub const CONDUCTANCE: Bound = bound("thermal conductance", Dimension::Conductance, 0.0, 1000.0);
/// Emissivity of a grey surface; the model has no use for a perfectly black or white one.
pub const EMISSIVITY: Bound = bound("emissivity", Dimension::Number, 0.05, 0.999);
/// Factor by which an element's resistance has grown with age.
pub const AGEING: Bound = bound("ageing factor", Dimension::Number, 0.5, 3.0);

/// Resistance of a probe's loop.
pub const LOOP_RESISTANCE: Bound = bound("loop resistance", Dimension::Resistance, 0.0, 100_000.0);

/// Every bound, for documents and tests.
pub const ALL: [Bound; 23] = [
    TEMPERATURE,
    AMBIENT,
    TEMPERATURE_DIFFERENCE,
    RATE,
    DRIFT,
    SPAN,
    PROBE_VOLTAGE,
    SUPPLY_VOLTAGE,
    POWER,
    CURRENT,
    PERCENT,
    THICKNESS,
    AREA,
    MASS,
    DENSITY,
    CONDUCTIVITY,
    SPECIFIC_HEAT,
    HEAT_CAPACITY,
    HEAT_TRANSFER,
    CONDUCTANCE,
    EMISSIVITY,
    AGEING,
    LOOP_RESISTANCE,
];

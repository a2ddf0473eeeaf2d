//! Time, quantities with units, and thermocouple reference functions.
//!
//! The lowest crate of the workspace: host and firmware share it, so it needs
//! neither `std` nor an allocator. Arithmetic goes through `libm`, so that
//! results agree bit for bit on every platform.
//!
//! - [`RigTime`] and [`RigSpan`]: the one clock of a run;
//! - quantities for calculations ([`Celsius`], [`Watts`], …), one newtype each;
//! - integer quantities for the borders between crates ([`MilliCelsius`],
//!   [`Nanovolts`], …), each with its rounding stated;
//! - [`bounds`]: what is absurd, as one table;
//! - [`parse`]: a number with its unit from text, or what is wrong with it and where;
//! - [`thermocouple`]: emf and temperature of the eight letter types;
//! - [`tolerance`]: how far a new probe of a class may be off;
//! - [`uncertainty`]: standard uncertainties combined and expanded;
//! - [`converter`]: what a thermocouple converter part makes of its terminals.
#![no_std]

mod border;
pub mod bounds;
pub mod converter;
mod disturbance;
pub mod parse;
mod quantity;
pub mod thermocouple;
mod time;
pub mod tolerance;
pub mod uncertainty;

pub use border::{MilliCelsius, MilliCelsiusPerHour, Nanovolts};
pub use disturbance::{Disturbance, Disturbed};
pub use quantity::{
    Amperes, Celsius, CelsiusPerHour, CelsiusPerSecond, Joules, JoulesPerKelvin, JoulesPerKilogramKelvin, Kilograms,
    KilogramsPerCubicMetre, Metres, Microvolts, Seconds, SquareMetres, Volts, Watts, WattsPerKelvin,
    WattsPerMetreKelvin, WattsPerSquareMetreKelvin,
};
pub use thermocouple::ThermocoupleType;
pub use time::{RigSpan, RigTime};

//! Time, quantities with units, and thermocouple reference functions.
//!
//! The lowest crate of the workspace: host and firmware share it, so it needs
//! neither `std` nor an allocator. Arithmetic goes through `libm`, so that
//! results agree bit for bit on every platform.
#![no_std]

mod time;

pub use time::{RigSpan, RigTime};

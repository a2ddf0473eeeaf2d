//! The logic of a kiln controller, and its switchable defects.
//!
//! [`StandIn`] is a multi-zone kiln controller as an owner's firmware would
//! have it: it fires ramps and holds, drives one time-proportioned element
//! relay for each zone and one safety contactor in front of them, watches
//! probes, temperatures, times, lid and buttons, and latches a fault in memory
//! that survives a supply cut. It is used where no real controller is there.
//!
//! A well-behaved stand-in proves that the scenarios can be passed; one with a
//! [`Defect`] switched on, each a mistake that real controllers make, proves
//! that they can be failed.
//!
//! Like all cores here it does no IO and reads no clock: the board around it
//! hands in a millisecond timer (which wraps after 49.7 days), probe readings,
//! contacts and console lines, and works the outputs. It needs neither `std`
//! nor an allocator.
//!
//! ```
//! use dryfire_stand_in::{Contacts, Defects, Inputs, MemoryImage, Settings, StandIn};
//!
//! let settings = Settings::default();
//! let mut controller = StandIn::boot(settings, Defects::NONE, &MemoryImage::BLANK);
//! let inputs = Inputs { readings: [Ok(20_000); 4], contacts: Contacts::default() };
//! controller.console_line("program 150 C/h to 1000 C; hold 20 min");
//! controller.console_line("start");
//! let mut now_ms = 0;
//! for _ in 0..50 {
//!     now_ms += settings.tick_ms;
//!     controller.tick(now_ms, &inputs);
//! }
//! assert!(controller.tick(now_ms + settings.tick_ms, &inputs).safety);
//! ```
#![no_std]

mod configuration;
mod console;
mod contacts;
mod controller;
mod defects;
mod guards;
mod io;
mod limiter;
mod memory;
mod probe;
mod program;
mod progress;
mod regulation;
mod settings;
mod switching;
mod trip;
mod variants;

pub use configuration::{CONFIGURATION_BYTES, Configuration, DamagedConfiguration};
pub use console::Line;
pub use controller::{Ending, Phase, StandIn};
pub use defects::{Defect, Defects, Symptom};
pub use io::{Contacts, Inputs, MAX_ZONES, Outputs, ProbeFault, Reading};
pub use limiter::{Limiter, LimiterMemory, LimiterSettings, LimiterTraits};
pub use memory::{MemoryImage, RestoreError, SLOT_BYTES, Save, Stored, StoredState};
pub use program::{MAX_SEGMENTS, Program, ProgramError, Segment};
pub use settings::{Gains, LidPolicy, Settings};
pub use trip::{Trip, TripKind};
pub use variants::Variant;

/// Laws are tried on the same cases every time.
#[cfg(test)]
fn test_config(cases: u32) -> proptest::test_runner::Config {
    proptest::test_runner::Config {
        cases,
        failure_persistence: None,
        rng_seed: proptest::test_runner::RngSeed::Fixed(20_261_125),
        ..proptest::test_runner::Config::default()
    }
}

//! Drivers of the engine: in-process, child process, serial rig.
//!
//! This is the edge: clocks, threads, processes and ports live here and in
//! the command line, nowhere else.

mod board;
mod driver;
mod program;

pub use board::{BoardEvent, BoardSetup, BoardSetupError, BoardZone, ContactWire, RelayWire, StandInBoard};
pub use driver::{Bench, BenchIdentity, RunSetup};
pub use program::{ProgramBench, ProgramBenchError};

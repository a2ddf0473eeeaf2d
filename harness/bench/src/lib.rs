//! Drivers of the engine: in-process, child process, serial rig.
//!
//! This is the edge: clocks, threads, processes and ports live here and in
//! the command line, nowhere else.

mod board;
mod driver;
mod program;
mod session;
mod virtual_bench;

pub use board::{BoardEvent, BoardSetup, BoardSetupError, BoardZone, ContactWire, RelayWire, StandInBoard};
pub use driver::{Bench, BenchIdentity, RunOptions, RunSetup, run_plan};
pub use program::{ProgramBench, ProgramBenchError};
pub use session::{Job, JobOutcome, Misfit, SessionNote, SessionOptions, bind_all, run_seed, run_session};
pub use virtual_bench::{STEP, VirtualBench};

//! Drivers of the engine: in-process, child process, serial rig.
//!
//! This is the edge: clocks, threads, processes and ports live here and in
//! the command line, nowhere else.

mod board;
mod calibrating;
mod driver;
mod faults;
pub mod fuzz;
mod in_process;
mod loop_back;
mod nonce;
mod program;
mod pty;
mod rig;
mod self_test;
mod session;
mod simulated_rig;
mod transport;
mod virtual_bench;
mod wall_clock;
mod world;

pub use board::{
    BoardEvent, BoardLimiter, BoardSetup, BoardSetupError, BoardZone, ContactWire, LimiterWire, RelayWire, StandInBoard,
};
pub use calibrating::{ChannelFit, FitError, Line, fit_channel};
pub use driver::{Bench, BenchIdentity, RunOptions, RunSetup, run_plan};
pub use faults::{FaultCounts, FaultyTransport, Stall, WireFaults};
pub use in_process::InProcessTransport;
pub use loop_back::LoopBackWorld;
pub use program::{ProgramBench, ProgramBenchError};
pub use pty::{PtyRig, PtyTransport};
pub use rig::{Connect, Operator, RigBench, RigPatience, RigService, port_of};
pub use self_test::{Check, CheckVerdict, LoopBack, self_test};
pub use session::{
    Following, Job, JobOutcome, MakeWatcher, Misfit, Proved, SessionNote, SessionOptions, Watcher, bind_all, repeated,
    run_seed, run_session, run_watched_session,
};
pub use simulated_rig::{RigPace, SimulatedRig, SimulatedRigSetup, serve};
pub use transport::{SerialTransport, Transport, TransportError};
pub use virtual_bench::{STEP, Together, VirtualBench};
pub use wall_clock::WallClock;
pub use world::{StandInWorld, World, WorldEvent};

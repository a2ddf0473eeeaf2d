//! The run as a state machine without IO and without a clock.

mod event;
mod io;
mod result;

pub use event::Event;
pub use io::{Command, CommandId, CommandKind, Observation, Pacing, ProbeSignal, RigCounters, Trouble, TroubleKind};
pub use result::{Applicability, FindingReport, ScenarioResult};

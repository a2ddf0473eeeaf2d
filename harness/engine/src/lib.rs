//! The run as a state machine without IO and without a clock.

mod budget;
mod engine;
mod event;
mod io;
mod outcome;
mod plan;
mod played;
mod result;
mod script;
mod single_fault;
mod words;

pub use budget::{Budget, BudgetError, BudgetRow, Reaction, Standing, Worst, budget};
pub use engine::{Engine, EngineConfig, SETTLE, Wake};
pub use event::Event;
pub use io::{Command, CommandId, CommandKind, Observation, Pacing, ProbeSignal, RigCounters, Trouble, TroubleKind};
pub use plan::{
    BindError, Binding, ExpectationNote, Plan, PlannedCondition, PlannedEnd, PlannedStep, PlannedWait, Signals,
};
pub use played::PlayError;
pub use result::{Applicability, FindingReport, ScenarioResult};
pub use single_fault::{SingleFault, SingleFaultRow, SingleFaultTable, ZoneMeans};
pub use words::program;

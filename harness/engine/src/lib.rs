//! The run as a state machine without IO and without a clock.

mod budget;
mod derived;
mod engine;
mod event;
mod explain;
mod idle_controller;
mod io;
mod judge_again;
mod outcome;
mod plan;
mod played;
mod result;
mod script;
mod single_fault;
mod words;

pub use budget::{Budget, BudgetError, BudgetRow, Reaction, Standing, Worst, budget};
pub use derived::{Derivation, DerivedSignal};
pub use engine::{Engine, EngineConfig, SETTLE, Wake};
pub use event::Event;
pub use explain::{Explanation, ExplanationPart, explain};
pub use idle_controller::{RelaysSeen, SessionProof};
pub use io::{Command, CommandId, CommandKind, Observation, Pacing, ProbeSignal, RigCounters, Trouble, TroubleKind};
pub use judge_again::{JudgeAgainError, JudgedAgain, PastRun, Replay, judge_again};
pub use plan::{
    BindError, Binding, ConsoleSignal, Contribution, ContributionSpread, ExpectationNote, IsolatedSignal, Plan,
    PlannedCondition, PlannedEnd, PlannedStep, PlannedWait, Signals, Uncertainties, UncertaintyBudget,
    UncertaintySource,
};
pub use played::PlayError;
pub use result::{Applicability, FindingReport, ScenarioResult, ZoneHeatWork};
pub use single_fault::{SingleFault, SingleFaultRow, SingleFaultTable, ZoneMeans};
pub use words::program;

//! YAML in; a checked scenario, bench or kiln out, or located mistakes.
//!
//! The crate takes text and gives values: reading files is the caller's job.

mod bench;
mod scenario;
mod span;

pub use bench::{
    ActiveLevel, BeginFiring, Bench, BenchKind, Contact, ContactRole, ContactState, Declared, Path, PathRelay, Pole,
    Relay, RelayRole, Senses, StandInChoice, Uncertainty, Zone,
};
pub use scenario::{
    Comparison, Condition, DeclaredLimit, End, Expectation, HazardId, LevelSignal, Limit, Missing, Moment, Need,
    NeededPart, Pattern, ProbeFault, RelayFault, RelaySelector, Scenario, Scope, Segment, Start, Step, StepKind,
    Stimulus, SwitchSignal, TimeLimit, ZoneSelector,
};
pub use span::{Span, Spanned};

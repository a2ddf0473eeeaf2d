//! YAML in; a checked scenario, bench or kiln out, or located mistakes.
//!
//! The crate takes text and gives values: reading files is the caller's job.

mod bench;
mod condition;
mod crosscheck;
mod diagnostic;
mod file;
mod quantity;
#[expect(dead_code, reason = "decoded to be held against the other reader, and to make the schemas from")]
mod raw;
mod reading;
mod scenario;
mod schema;
mod source;
mod span;
mod suggest;
mod text;
mod tree;
mod words;

pub use bench::{
    ActiveLevel, BeginFiring, Bench, BenchKind, Contact, ContactRole, ContactState, Declared, Path, PathRelay, Pole,
    Relay, RelayRole, Senses, StandInChoice, Uncertainty, Zone,
};
pub use condition::{ConditionPlace, SIGNALS, parse_condition};
pub use diagnostic::{Diagnostic, DiagnosticKind, Excerpt, Piece, Severity};
pub use file::{Checked, FORMAT, Kind, check_file, parse_bench, parse_kiln, parse_scenario};
pub use reading::scenario::KNOWN_HAZARDS;
pub use scenario::{
    Comparison, Condition, DeclaredLimit, End, Expectation, HazardId, LevelSignal, Limit, Missing, Moment, Need,
    NeededPart, Pattern, ProbeFault, RelayFault, RelaySelector, Scenario, Scope, Segment, Start, Step, StepKind,
    Stimulus, SwitchSignal, TimeLimit, ZoneSelector,
};
pub use schema::schema_text;
pub use source::MAX_FILE_BYTES;
pub use span::{Span, Spanned};

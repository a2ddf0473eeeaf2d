//! YAML in; a checked scenario, bench or kiln out, or located mistakes.
//!
//! The crate takes text and gives values: reading files is the caller's job.

mod bench;
mod condition;
mod console;
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
mod stimulus;
mod suggest;
mod sweep;
mod text;
mod tree;
mod words;

pub use bench::{
    ActiveLevel, BEST_EDGE_OF_A_RIG, BEST_TEMPERATURE_OF_A_RIG, BeginFiring, Bench, BenchKind, Calibration, ClearFault,
    ColdJunction, Contact, ContactRole, ContactState, ConverterChoice, Declared, EdgeTime, EdgeTimeParts, Feedback,
    Known, LIMITERS_COIL_SUPPLY, Limiter, OldPart, OldPartKind, Path, PathRelay, Plays, Pole, RIG_PROBE_CHANNELS,
    Relay, RelayRole, Senses, SetPointQuestion, SetPointUnit, ShownTemperature, ShownTemperatureParts, StandInChoice,
    StatedSetPoint, Told, USUAL_COIL_SUPPLY, USUAL_DRIFT_PPM, Uncertainty, Wire, Zone,
};
pub use condition::{ConditionPlace, SIGNALS, parse_condition};
pub use console::{ConsoleMatcher, ConsolePattern};
pub use diagnostic::{Diagnostic, DiagnosticKind, Excerpt, Piece, Severity};
pub use dryfire_kiln::Unpowered;
pub use file::{Checked, FORMAT, FromFile, Kind, check_file, parse_bench, parse_kiln, parse_scenario, parse_scenarios};
pub use quantity::span_text;
pub use reading::scenario::KNOWN_HAZARDS;
pub use scenario::{
    Comparison, Condition, DeclaredLimit, End, Expectation, HazardId, LONGEST_WINDOW, LevelSignal, Limit, Measured,
    Missing, Moment, Need, NeededPart, Pattern, RelaySelector, Scenario, Scope, Segment, SpreadOf, Start, Step,
    StepKind, SwitchSignal, TimeLimit, Times, ZoneSelector,
};
pub use schema::schema_text;
pub use source::MAX_FILE_BYTES;
pub use span::{Span, Spanned};
pub use stimulus::{ExtensionWire, ProbeFault, RelayFault, Stimulus};
pub use sweep::MAX_SWEEP_POINTS;

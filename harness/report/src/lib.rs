//! Evidence for people and machines: the terminal's tables, the JSON lines, and exports of records.
//!
//! Pure text generation: nothing is printed, no clock is read, and no file is
//! touched but a record through `dryfire-record`. The same results give the
//! same text, byte for byte.

mod budget;
mod challenge;
mod columns;
mod compare;
mod explain;
mod export;
mod heat_work;
mod html;
mod json;
mod mixed;
mod paths;
mod quantity;
mod recorded;
mod session;
mod standing;
mod summary;
mod sweeps;
mod text;
mod timetable;
mod words;

pub use budget::{budget_json, budget_status, budget_text, budget_warnings};
pub use challenge::{
    Blamed, Catch, Challenged, Detection, DetectionTable, Expected, Mistake, Tried, UncoveredOnBench, challenge_json,
    challenge_text,
};
pub use compare::{
    Change, Comparison, Counts, Differing, ExpectationPair, MarginPair, ScenarioPair, Side, Spread, Told, compare_json,
    compare_text,
};
pub use explain::explain_text;
pub use export::{ExportError, ExportFormat, export};
pub use html::{Seal, challenge_html, compare_html, report_html};
pub use json::{FORMAT, JsonLines};
pub use mixed::{MIXED_NOTE, mixed_identities};
pub use paths::{paths_json, paths_status, paths_text};
pub use quantity::{signed_margin, value};
pub use recorded::{AFTER_NOTE, BEFORE_NOTE, Recorded, mixed, run_head};
pub use session::{NotRun, Outcome, RunHead, SessionHead};
pub use standing::{ExitStatus, HazardStanding, Hazards, Tally};
pub use summary::{CAUTION, headline, summary};
pub use sweeps::Sweeps;
pub use text::{Line, Piece, Style, Text, display_width, neutralise, wrap};
pub use timetable::{NotScheduled, Timetable, TimetableEntry, TimetableSet, timetable_json, timetable_text};
pub use words::{reason_sentence, trouble_sentence};

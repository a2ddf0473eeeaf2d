//! What a record holds, as plain values.

use dryfire_engine::{ScenarioResult, Uncertainties};
use dryfire_judge::{Claim, Comparison, Condition, Expectation, Part, Scope, SignalId, SignalTable};
use dryfire_units::{RigSpan, RigTime};

/// What is known of a session before its first run.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SessionFacts {
    /// Name and version of the program that ran it.
    pub tool: String,
    /// The session's seed; every run's own is derived from it.
    pub seed: u64,
    /// The bench's name, from its file.
    pub bench: String,
    /// What plays the kiln: `virtual`, `program` or `rig`.
    pub bench_kind: String,
    /// The controller, in the owner's words.
    pub controller: String,
    /// Its firmware's version, as the owner states it.
    pub firmware_version: Option<String>,
    /// How many scenarios were picked.
    pub scenarios: usize,
    /// The computer that it ran on: name, system, architecture.
    pub host: String,
    /// When it began, in UTC (`2026-11-25T09:30:00Z`).
    pub began_at: String,
}

/// How a session stands in its record.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Session {
    /// What was known before its first run.
    pub facts: SessionFacts,
    /// Whether it came to its end and the record was closed. One that did not is never read as a pass.
    pub finished: bool,
    /// Whether the user ended it early.
    pub interrupted: bool,
    /// When it ended, in UTC, where it did.
    pub ended_at: Option<String>,
    /// How many times it was taken up again after a break.
    pub resumed: u32,
}

/// Something that is known of what was tested, and who says so.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fact {
    /// What it is about: one of the constants of [`topic`].
    pub topic: String,
    /// What it says, in a word or two.
    pub name: String,
    /// The value, with its unit.
    pub value: String,
    /// Who says so, in words: `bench file`, `file on disk, hashed`, `rig's handshake`, `operator`.
    pub source: String,
}

/// What a [`Fact`] may be about.
pub mod topic {
    /// The controller's firmware: version, image hash, how its identity was established.
    pub const FIRMWARE: &str = "firmware";
    /// The rig's calibration and the bench's uncertainties.
    pub const CALIBRATION: &str = "calibration";
    /// What the controller promises, from the bench file.
    pub const DECLARED: &str = "declared";
    /// A setting of the controller that was changed for the test.
    pub const SETTING: &str = "setting";
    /// A defect switched on in the stand-in.
    pub const DEFECT: &str = "defect";
    /// Which of the scenarios that were there were picked: the name is one of the three below.
    pub const SELECTION: &str = "selection";
    /// Every scenario that was found where the session was told to look.
    pub const SELECTION_ALL: &str = "all that were found";
    /// Fewer.
    pub const SELECTION_PART: &str = "a part of what was found";
    /// Of a session that was begun by a version that did not write it down.
    pub const SELECTION_UNKNOWN: &str = "of how many is not recorded";
    /// The command line and its options.
    pub const CALL: &str = "call";
    /// A warning that was given before anything ran.
    pub const WARNING: &str = "warning";
}

/// A file that the session was made from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct File {
    /// `bench`, `kiln`, `scenario` or `image`.
    pub role: FileRole,
    /// Its path as it was given.
    pub path: String,
    /// Its length.
    pub bytes: u64,
    /// SHA-256 of its bytes, in lower-case hexadecimal.
    pub sha256: String,
    /// Its text; images are not kept.
    pub text: Option<String>,
}

impl File {
    /// A text file.
    pub fn of_text(role: FileRole, path: impl Into<String>, text: impl Into<String>) -> Self {
        let text = text.into();
        let sha256 = crate::seal::sha256_hex(text.as_bytes());
        File { role, path: path.into(), bytes: text.len() as u64, sha256, text: Some(text) }
    }
}

/// What a file is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FileRole {
    /// How the controller is wired and what it promises.
    Bench,
    /// The kiln that is played.
    Kiln,
    /// What is done and what must be seen.
    Scenario,
    /// The controller's firmware.
    Image,
}

impl FileRole {
    pub(crate) const ALL: [FileRole; 4] = [FileRole::Bench, FileRole::Kiln, FileRole::Scenario, FileRole::Image];

    /// Its word in the record.
    pub fn word(self) -> &'static str {
        match self {
            FileRole::Bench => "bench",
            FileRole::Kiln => "kiln",
            FileRole::Scenario => "scenario",
            FileRole::Image => "image",
        }
    }
}

/// A run as it is planned.
#[derive(Clone, Debug, PartialEq)]
pub struct PlannedRun {
    /// Index into the session's files.
    pub file: usize,
    /// The scenario's name.
    pub scenario: String,
    /// Cause and harm, in the scenario's words.
    pub why: String,
    /// Where the scenario's limits come from, in its words.
    pub limits_from: String,
    /// The hazards it guards against.
    pub hazards: Vec<String>,
    /// The run's own seed.
    pub seed: u64,
    /// Everything observable in it; empty for one that does not run.
    pub table: SignalTable,
    /// How well the bench knows it; none of a run that does not run.
    pub uncertainties: Option<Uncertainties>,
    /// What must be seen; empty for one that does not run.
    pub expectations: Vec<ExpectationWindow>,
}

/// Where in the run and within which limits an expectation looks: what a plot draws.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ExpectationWindow {
    /// The expectation's name.
    pub name: String,
    /// The hazards it speaks to.
    pub hazards: Vec<String>,
    /// The part of the run: `throughout`, `before`, `after`, `between`, `after-until`, `whenever`.
    pub scope: &'static str,
    /// The moment from which on it looks, and how long after it; the beginning of the run if none.
    pub opens: Option<(String, RigSpan)>,
    /// The moment until which it looks, and how long after it; the end of the run if none.
    pub closes: Option<(String, RigSpan)>,
    /// What is claimed: `always`, `never`, `sometime`, `within`, `heat-cut`, `holds-for`, `times`, `at-most-in`, `precedes`.
    pub claim: &'static str,
    /// How long after the opening at the latest (`within`, `heat-cut`), how long (`holds-for`), in
    /// which stretch (`at-most-in`).
    pub limit: Option<RigSpan>,
    /// How long no element may be on for heat to count as cut.
    pub hold: Option<RigSpan>,
    /// Every level that its claim compares, with the limit.
    pub limits: Vec<LevelLimit>,
}

/// A level and its limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LevelLimit {
    /// Which signal.
    pub signal: SignalId,
    /// How it is compared.
    pub comparison: Comparison,
    /// With what, in the unit of the signal's kind.
    pub value: i64,
}

const SCOPES: [&str; 6] = ["throughout", "before", "after", "between", "after-until", "whenever"];
const CLAIMS: [&str; 9] =
    ["always", "never", "sometime", "within", "heat-cut", "holds-for", "times", "at-most-in", "precedes"];

/// The constant of this word.
pub(crate) fn scope_word(word: &str) -> Option<&'static str> {
    SCOPES.into_iter().find(|scope| *scope == word)
}

/// The constant of this word.
pub(crate) fn claim_word(word: &str) -> Option<&'static str> {
    CLAIMS.into_iter().find(|claim| *claim == word)
}

impl ExpectationWindow {
    /// The window of an expectation, with the names of the moments by their index.
    pub fn of(expectation: &Expectation, hazards: Vec<String>, moments: &[String]) -> Self {
        let name = |instant: &dryfire_judge::Instant| {
            let name = moments.get(usize::from(instant.moment.0)).cloned().unwrap_or_default();
            Some((name, instant.offset))
        };
        let (scope, opens, closes) = match &expectation.scope {
            Scope::Throughout => ("throughout", None, None),
            Scope::Before(end) => ("before", None, name(end)),
            Scope::After(start) => ("after", name(start), None),
            Scope::Between(start, end) => ("between", name(start), name(end)),
            Scope::AfterUntil(start, end) => ("after-until", name(start), name(end)),
            Scope::Whenever(_) => ("whenever", None, None),
            Scope::WheneverIn { part, .. } => match part {
                Part::Before(end) => ("whenever", None, name(end)),
                Part::After(start) => ("whenever", name(start), None),
                Part::Between(start, end) | Part::AfterUntil(start, end) => ("whenever", name(start), name(end)),
            },
        };
        let mut limits = Vec::new();
        let mut limit = None;
        let mut hold = None;
        let claim = match &expectation.claim {
            Claim::Always(condition) => followed("always", condition, &mut limits),
            Claim::Never(condition) => followed("never", condition, &mut limits),
            Claim::Sometime(condition) => followed("sometime", condition, &mut limits),
            Claim::Within { limit: most, condition } => {
                limit = Some(*most);
                followed("within", condition, &mut limits)
            }
            Claim::HeatCut { limit: most, hold: off, .. } => {
                (limit, hold) = (Some(*most), Some(*off));
                "heat-cut"
            }
            Claim::HoldsFor { span, condition } => {
                limit = Some(*span);
                followed("holds-for", condition, &mut limits)
            }
            Claim::Times { condition, .. } => followed("times", condition, &mut limits),
            Claim::AtMostIn { window, condition, .. } => {
                limit = Some(*window);
                followed("at-most-in", condition, &mut limits)
            }
            Claim::Precedes { first, then } => {
                followed("precedes", first, &mut limits);
                followed("precedes", then, &mut limits)
            }
        };
        ExpectationWindow { name: expectation.name.clone(), hazards, scope, opens, closes, claim, limit, hold, limits }
    }
}

fn followed(claim: &'static str, condition: &Condition, limits: &mut Vec<LevelLimit>) -> &'static str {
    match condition {
        Condition::Compare { signal, comparison, limit } => {
            limits.push(LevelLimit { signal: *signal, comparison: *comparison, value: *limit });
        }
        Condition::Is { .. } => {}
        Condition::Not(one) => {
            followed(claim, one, limits);
        }
        Condition::All(parts) | Condition::Any(parts) => parts.iter().for_each(|part| {
            followed(claim, part, limits);
        }),
    }
    claim
}

/// Everything that is written before the first run.
#[derive(Clone, Debug, PartialEq)]
pub struct Beginning {
    /// The session.
    pub session: SessionFacts,
    /// What is known of what is tested.
    pub facts: Vec<Fact>,
    /// The files.
    pub files: Vec<File>,
    /// The runs, in the order of the plan; a run's number is its place here, from 1.
    pub runs: Vec<PlannedRun>,
}

/// How far a run came.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RunState {
    /// It was never begun.
    Planned,
    /// It was begun and nothing says that it ended: the program was killed.
    Running,
    /// It came to its end and was judged; the session may still take back its pass, because nothing
    /// has shown the relays on that the pass rests on.
    Judged,
    /// What it came to stands; or it was found not to be run on this bench.
    Finished,
}

/// One run, without its samples and edges.
#[derive(Clone, Debug, PartialEq)]
pub struct Run {
    /// Its number in the plan, from 1.
    pub number: usize,
    /// What was planned.
    pub planned: PlannedRun,
    /// Which of how many runs of its scenario it is, from 1; none where there is one.
    pub repetition: Option<(usize, usize)>,
    /// How far it came.
    pub state: RunState,
    /// What the bench said of itself when it began: rig, firmware, boot.
    pub identity: Option<String>,
    /// Whether the controller was restarted before the run.
    pub fresh_controller: bool,
    /// When it began and ended, in UTC.
    pub began_at: Option<String>,
    /// See there.
    pub ended_at: Option<String>,
    /// What it came to, with findings, margins, uncertainties and remarks; only of one
    /// that is judged or finished.
    pub result: Option<ScenarioResult>,
    /// Whether it was cut short.
    pub cut_short: bool,
}

/// Something that happened, apart from edges and samples.
#[derive(Clone, Debug, PartialEq)]
pub struct TimedEvent {
    /// The event; never `Switched`, `Sampled` or `Unobserved`.
    pub event: dryfire_engine::Event,
    /// How many edges of the run came before it.
    pub edges_before: u64,
    /// The last instant whose samples came before it.
    pub levels_until: Option<RigTime>,
}

/// A switch changed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Edge {
    /// When.
    pub at: RigTime,
    /// Which signal.
    pub signal: SignalId,
    /// Its state from then on.
    pub on: bool,
}

/// A stretch of samples of one level, without the samples.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stretch {
    /// Its number among the signal's, from 0.
    pub part: u32,
    /// Its first sample's instant.
    pub from: RigTime,
    /// Its last sample's instant.
    pub until: RigTime,
    /// How many samples it holds.
    pub count: u32,
    /// How many of them were not observed.
    pub unobserved: u32,
    /// Its least and greatest value; `None` if nothing was observed.
    pub range: Option<(i64, i64)>,
}

/// What somebody or something added to the record.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Note {
    /// When, in UTC.
    pub at: String,
    /// In which run, by its number.
    pub run: Option<usize>,
    /// `operator`, `resumed`, `proof`, `mixed`, `before` or `after` (what people saw to then), or a log line's level.
    pub kind: String,
    /// What.
    pub text: String,
}

//! What reports are made of, taken from a record.

use dryfire_engine::ScenarioResult;
use dryfire_judge::{Margin, Verdict};
use dryfire_record::{Record, RecordError, Run, topic};

use crate::standing::verdict_of;
use crate::{MIXED_NOTE, NotRun, Outcome, RunHead, SessionHead, Tally, mixed_identities};

/// The kind of a note about what people saw to before the first run.
pub const BEFORE_NOTE: &str = "before";
/// The kind of a note about what people saw to after the last run, or have to do yet.
pub const AFTER_NOTE: &str = "after";

/// A session as its record tells it.
///
/// A report made from it equals the one made live: both are made of these values.
#[derive(Clone, Debug)]
pub struct Recorded {
    /// What was known before the first run.
    pub head: SessionHead,
    /// The scenarios whose result stands, in the order of the plan.
    pub results: Vec<ScenarioResult>,
    /// All others: not begun, broken off, or not confirmed.
    pub not_run: Vec<NotRun>,
    /// Whether the session did not come to its end: by the user, or because the program was killed.
    pub interrupted: bool,
    /// Why it is not about one firmware throughout, a sentence each; empty where it is.
    pub mixed: Vec<String>,
}

impl Recorded {
    /// The session of a record.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub fn of(record: &Record) -> Result<Self, RecordError> {
        let facts = &record.session().facts;
        let head = SessionHead {
            bench: facts.bench.clone(),
            bench_kind: facts.bench_kind.clone(),
            controller: facts.controller.clone(),
            firmware_version: facts.firmware_version.clone(),
            defects: record.facts_about(topic::DEFECT).map(|fact| fact.value.clone()).collect(),
            seed: facts.seed,
            scenarios: facts.scenarios,
            repeat: record.runs().iter().filter_map(|run| run.repetition).map(|(_, all)| all).max().unwrap_or(1),
            tool: facts.tool.clone(),
        };
        let not_run = record.not_run().map(|run| NotRun {
            run: run.number,
            scenario: run.planned.scenario.clone(),
            hazards: run.planned.hazards.clone(),
        });
        Ok(Recorded {
            head,
            results: record.results().cloned().collect(),
            not_run: not_run.collect(),
            interrupted: !record.session().finished,
            mixed: mixed(record)?,
        })
    }

    /// Everything that came of it.
    pub fn outcome(&self) -> Outcome<'_> {
        Outcome { results: &self.results, not_run: &self.not_run, interrupted: self.interrupted, mixed: &self.mixed }
    }

    /// Everything counted.
    pub fn tally(&self) -> Tally {
        Tally::of(&self.outcome())
    }
}

/// Why what is recorded is not about one firmware: by what answered in the runs, and by what was noted meanwhile.
///
/// # Errors
/// When the record cannot be read.
pub fn mixed(record: &Record) -> Result<Vec<String>, RecordError> {
    let identities = record.runs().iter().filter_map(|run| Some((run.number, run.identity.as_deref()?)));
    let mut mixed: Vec<String> = mixed_identities(identities).into_iter().collect();
    mixed.extend(record.notes()?.into_iter().filter(|note| note.kind == MIXED_NOTE).map(|note| note.text));
    Ok(mixed)
}

/// What is known of a recorded run when it begins; `None` of one that does not run.
pub fn run_head(run: &Run) -> Option<RunHead> {
    Some(RunHead {
        run: run.number,
        repetition: run.repetition.map(|(which, _)| which),
        scenario: run.planned.scenario.clone(),
        hazards: run.planned.hazards.clone(),
        seed: run.planned.seed,
        signals: run.planned.table.clone(),
        uncertainties: run.planned.uncertainties.clone()?,
    })
}

/// A run by the name of its scenario, with its number where that is run several times.
pub(crate) fn title(run: &Run) -> String {
    numbered(&run.planned.scenario, run.repetition)
}

/// A name with the number of its repetition.
pub(crate) fn numbered(name: &str, repetition: Option<(usize, usize)>) -> String {
    repetition.map_or_else(|| name.to_owned(), |(which, all)| format!("{name} (run {which} of {all})"))
}

/// The verdict to report of a run, as a word: that of its result where it stands, or why there is none.
pub(crate) fn standing_word(run: &Run) -> &'static str {
    use dryfire_engine::Applicability;
    match run.standing().map(|result| (&result.applicability, verdict_of(result))) {
        None => "not-run",
        Some((Applicability::Uncovered { .. }, _)) => "uncovered",
        Some((Applicability::NotApplicable { .. }, _)) => "not-applicable",
        Some((Applicability::Ran, verdict)) => verdict.unwrap_or(Verdict::Inconclusive).word(),
    }
}

/// The unit of a quantity, as in the JSON lines.
pub(crate) fn unit_word(quantity: Margin) -> &'static str {
    match quantity {
        Margin::Time(_) => "us",
        Margin::Temperature(_) => "millicelsius",
        Margin::Rate(_) => "millicelsius_per_hour",
        Margin::Duty(_) => "millipercent",
        Margin::Count(_) => "times",
    }
}

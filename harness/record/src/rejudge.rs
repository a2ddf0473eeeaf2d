//! The runs of a record judged again: by their own expectations, or by changed ones.

use dryfire_engine::{
    Applicability, Binding, ContributionSpread, JudgeAgainError, JudgedAgain, PastRun, Plan, ScenarioResult,
    SessionProof, UncertaintySource, judge_again,
};
use dryfire_kiln::KilnDescription;
use dryfire_scenario::{Bench, Scenario, parse_bench, parse_kiln, parse_scenario};

use crate::model::{FileRole, Run};
use crate::{Record, RecordError};

/// A scenario whose expectations are to be judged by instead of those recorded.
#[derive(Clone, Debug)]
pub struct Changed {
    /// The scenario.
    pub scenario: Scenario,
    /// Its text, to see that nothing but the expectations has changed.
    pub text: String,
}

/// What judging one run again came to.
#[derive(Clone, Debug)]
pub struct Rejudged {
    /// The run's number, from 1.
    pub run: usize,
    /// What the record says.
    pub recorded: ScenarioResult,
    /// What judging says now, or why it says nothing.
    pub again: Result<ScenarioResult, String>,
    /// Whether it was judged by changed expectations.
    pub changed: bool,
}

impl Rejudged {
    /// Whether judging says, bit for bit, what the record says.
    pub fn is_same(&self) -> bool {
        self.again.as_ref() == Ok(&self.recorded)
    }
}

/// Judges every run whose result stands again, each from its own samples, edges, gaps and moments
/// by the expectations of its own recorded text; by those of `changed` where the scenario has its name.
///
/// # Errors
/// When the record cannot be read, or its bench or kiln is understood no more.
pub fn rejudge(record: &Record, changed: &[Changed]) -> Result<Vec<Rejudged>, RecordError> {
    let (bench, kiln) = bench_and_kiln(record)?;
    let mut rejudged = Vec::new();
    for run in record.runs() {
        let Some(recorded) = run.standing() else { continue };
        if recorded.applicability != Applicability::Ran {
            continue;
        }
        let by = changed.iter().find(|changed| changed.scenario.name == run.planned.scenario);
        rejudged.push(Rejudged {
            run: run.number,
            recorded: recorded.clone(),
            again: one(record, run, recorded, &bench, &kiln, by)?,
            changed: by.is_some(),
        });
    }
    if !changed.is_empty() {
        // Passes by other expectations may rest on other relays. What a proving run has shown is not in
        // a record, so a pass may be taken back that a new run would give, never the other way round.
        let mut proof = SessionProof::new(&bench);
        record.results().for_each(|result| proof.note(result));
        for one in rejudged.iter_mut().filter(|one| one.changed) {
            if let Ok(result) = &mut one.again {
                proof.apply(result);
            }
        }
    }
    Ok(rejudged)
}

fn bench_and_kiln(record: &Record) -> Result<(Bench, KilnDescription), RecordError> {
    let text = |role: FileRole| {
        let file = record.files().iter().find(|file| file.role == role);
        let text = file.and_then(|file| file.text.as_deref());
        text.ok_or_else(|| record.damaged(format!("it holds no {} file", role.word())))
    };
    let not_understood = |role: FileRole, mistakes: Vec<dryfire_scenario::Diagnostic>| {
        let why = mistakes.first().map(ToString::to_string).unwrap_or_default();
        record.damaged(format!("its {} file is understood no more: {why}", role.word()))
    };
    let (bench, _) =
        parse_bench("bench", text(FileRole::Bench)?).map_err(|mistakes| not_understood(FileRole::Bench, mistakes))?;
    let (kiln, _) =
        parse_kiln("kiln", text(FileRole::Kiln)?).map_err(|mistakes| not_understood(FileRole::Kiln, mistakes))?;
    Ok((bench, kiln))
}

fn one(
    record: &Record,
    run: &Run,
    recorded: &ScenarioResult,
    bench: &Bench,
    kiln: &KilnDescription,
    by: Option<&Changed>,
) -> Result<Result<ScenarioResult, String>, RecordError> {
    let text = record.scenario_file(run).and_then(|file| file.text.as_deref()).unwrap_or_default();
    let bench = &as_it_was(run, bench);
    let own = match own_plan(text, bench, kiln) {
        Ok(own) => own,
        Err(why) => return Ok(Err(why)),
    };
    let past = PastRun {
        result: recorded,
        table: run.table(),
        fresh_controller: run.fresh_controller,
        cut_short: run.cut_short,
    };
    let judge = |plan: &Plan| -> Result<Result<JudgedAgain, JudgeAgainError>, RecordError> {
        let mut read = Ok(());
        let judged = judge_again(plan, past, &mut |give| read = record.replay(run, give));
        read.map(|()| judged)
    };
    let then = match judge(&own)? {
        Ok(then) => then,
        Err(error) => return Ok(Err(error.to_string())),
    };
    let Some(by) = by else {
        return Ok(Ok(then.clone().result(recorded, &then)));
    };
    if let Some(key) = other_run(text, &by.text) {
        return Ok(Err(format!("`{key}` is not as it was in that run, so a new run is needed")));
    }
    let now = match bound(&by.scenario, bench, kiln).map(|plan| judge(&plan)) {
        Ok(now) => now?,
        Err(why) => return Ok(Err(why)),
    };
    Ok(now.map(|now| now.result(recorded, &then)).map_err(|error| error.to_string()))
}

/// The bench with the calibration that its rig had then.
fn as_it_was(run: &Run, bench: &Bench) -> Bench {
    let mut bench = bench.clone();
    let budget = run.planned.uncertainties.as_ref().map(|uncertainties| &uncertainties.shown_temperature);
    let calibrated = budget.into_iter().flat_map(|budget| &budget.contributions).find(|line| {
        matches!(line.spread, ContributionSpread::Normal(200))
            && matches!(line.source, UncertaintySource::Calibration | UncertaintySource::Whole)
    });
    if let Some(line) = calibrated {
        // The budget counts in millionths of a degree.
        bench.uncertainty.take_calibration_of_rig(line.half_width / 1_000);
    }
    bench
}

fn own_plan(text: &str, bench: &Bench, kiln: &KilnDescription) -> Result<Plan, String> {
    let (scenario, _) = parse_scenario("recorded", text).map_err(|mistakes| {
        let why = mistakes.first().map(ToString::to_string).unwrap_or_default();
        format!("its recorded text is understood no more: {why}")
    })?;
    bound(&scenario, bench, kiln)
}

fn bound(scenario: &Scenario, bench: &Bench, kiln: &KilnDescription) -> Result<Plan, String> {
    match Plan::bind(scenario, bench, kiln) {
        Ok(Binding::Ready(plan)) => Ok(*plan),
        Ok(Binding::NotApplicable { reason } | Binding::Uncovered { reason }) => {
            Err(format!("it would not be run now: {reason}"))
        }
        Err(errors) => Err(errors.first().map(|error| error.message.clone()).unwrap_or_default()),
    }
}

/// The first part of a scenario that makes another run of it: everything but what is expected and said.
///
/// Both texts have been read as scenarios, so they are bounded and hold no aliases.
pub fn other_run(recorded: &str, changed: &str) -> Option<&'static str> {
    let read = |text: &str| serde_yaml::from_str::<serde_yaml::Value>(text).unwrap_or_default();
    let (recorded, changed) = (read(recorded), read(changed));
    ["format", "start", "firing", "script", "end", "needs"]
        .into_iter()
        .find(|key| recorded.get(key) != changed.get(key))
}

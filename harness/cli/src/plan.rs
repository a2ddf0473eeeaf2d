//! `dryfire plan`: how long a session takes in real time, and whom it needs.

use std::sync::atomic::Ordering;

use dryfire_bench::{Bench as Driver, Job, SessionNote, SessionOptions, VirtualBench, bind_all, run_session};
use dryfire_engine::{Applicability, Binding, Plan};
use dryfire_report::{ExitStatus, NotScheduled, Timetable, TimetableEntry, timetable_json, timetable_text};
use dryfire_scenario::{BeginFiring, Bench, BenchKind, Scenario, StandInChoice, StepKind, Stimulus};
use dryfire_units::RigSpan;

use crate::args::{Format, PlanArguments};
use crate::files::{self, Wanted};
use crate::library::{BenchWithKiln, Reader, ScenarioFile, bind};
use crate::screen::{Mistake, Screen};
use crate::{Refusal, interrupt};

/// Any seed does: a timetable needs no more than a usual time.
const SEED: u64 = 1;

pub(crate) fn plan(arguments: &PlanArguments, screen: &mut Screen) -> Result<ExitStatus, Refusal> {
    let paths = files::find(&arguments.paths, Wanted::Scenarios)?;
    let mut reader = Reader::new(screen);
    let scenarios = reader.selected(&paths, &arguments.selection);
    let fitted = reader.bench_for(arguments.bench.as_deref(), &arguments.paths);
    let fitted = reader.finish(fitted)?;
    let (mut entries, mut not_scheduled) = (Vec::new(), Vec::new());
    for (file, job) in scenarios.iter().zip(bind(&scenarios, &fitted)?) {
        match job.binding {
            Binding::Ready(plan) => entries.push(entry(file, &plan)),
            Binding::NotApplicable { reason } => not_scheduled.push(lacking(&file.scenario, false, reason)),
            Binding::Uncovered { reason } => not_scheduled.push(lacking(&file.scenario, true, reason)),
        }
    }
    if !try_with_the_stand_in(&scenarios, &fitted, &mut entries)? {
        screen.complain(&Mistake::new("interrupted: not every scenario was timed, so there is no timetable"));
        return Ok(ExitStatus::Interrupted);
    }
    let table = Timetable::new(fitted.bench.name, entries, not_scheduled);
    match arguments.format {
        Format::Text => {
            let width = screen.width();
            screen.text(&timetable_text(&table, width));
        }
        Format::Json => screen.out(timetable_json(&table)),
    }
    Ok(table.exit_status())
}

fn hazards(scenario: &Scenario) -> Vec<String> {
    scenario.hazards.iter().map(|hazard| hazard.value.0.clone()).collect()
}

fn lacking(scenario: &Scenario, uncovered: bool, reason: String) -> NotScheduled {
    NotScheduled { scenario: scenario.name.clone(), hazards: hazards(scenario), uncovered, reason }
}

fn entry(file: &ScenarioFile, plan: &Plan) -> TimetableEntry {
    TimetableEntry {
        scenario: file.scenario.name.clone(),
        file: file.shown.clone(),
        hazards: hazards(&file.scenario),
        usual: None,
        longest: plan.longest().since_origin(),
        attended: attended(&file.scenario, &plan.bench),
    }
}

/// What somebody has to be there for.
fn attended(scenario: &Scenario, bench: &Bench) -> Vec<String> {
    let mut what = Vec::new();
    for step in &scenario.script {
        if step.kind == StepKind::BeginFiring && bench.begin == BeginFiring::Operator {
            what.push("begin the firing when asked to, and say so".to_owned());
        }
        for stimulus in &step.stimuli {
            if let Stimulus::Prompt(text) = &stimulus.value {
                what.push(text.clone());
            }
        }
    }
    what
}

/// Runs each scenario with the stand-in on the same wiring; false if that was interrupted.
fn try_with_the_stand_in(
    scenarios: &[ScenarioFile],
    fitted: &BenchWithKiln,
    entries: &mut [TimetableEntry],
) -> Result<bool, Refusal> {
    let mut bench = fitted.bench.clone();
    if !matches!(bench.kind, BenchKind::Virtual(_)) {
        bench.kind = BenchKind::Virtual(StandInChoice::default());
        bench.begin = BeginFiring::Console { lines: vec!["program {program}".to_owned(), "start".to_owned()] };
    }
    let scenarios: Vec<Scenario> = scenarios.iter().map(|file| file.scenario.clone()).collect();
    // What is a stand-in for the controller must not fit less than the controller does.
    let Ok(jobs) = bind_all(scenarios, &bench, &fitted.kiln) else { return Ok(true) };
    let asks_nobody = |job: &Job| !job.scenario.script.iter().flat_map(|step| &step.stimuli).any(asks_somebody);
    let jobs: Vec<Job> = jobs.into_iter().filter(asks_nobody).collect();
    let stop = interrupt::watch()?;
    let options = SessionOptions {
        seed: SEED,
        jobs: std::thread::available_parallelism().map_or(1, usize::from),
        sample_events: false,
        live: false,
        stop: &stop,
    };
    let make_bench = || -> Box<dyn Driver> { Box::new(VirtualBench::new(bench.clone())) };
    run_session(&jobs, &make_bench, options, &mut |note| {
        let SessionNote::Finished { outcome, .. } = note else { return };
        let result = &outcome.result;
        let of_it = entries.iter_mut().find(|entry| entry.scenario == result.scenario);
        if let (Some(entry), Applicability::Ran, None) = (of_it, &result.applicability, &result.trouble) {
            entry.usual = Some(RigSpan::min(result.length.since_origin(), entry.longest));
        }
    });
    Ok(!stop.load(Ordering::Relaxed))
}

fn asks_somebody(stimulus: &dryfire_scenario::Spanned<Stimulus>) -> bool {
    matches!(stimulus.value, Stimulus::Prompt(_))
}

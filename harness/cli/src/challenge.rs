//! `dryfire challenge`: the library on controllers with known mistakes, and on honest ones.

use std::sync::atomic::{AtomicBool, Ordering};

use dryfire_bench::{Bench as Driver, SessionNote, SessionOptions, VirtualBench, bind_all, run_session};
use dryfire_report::{
    Challenged, DetectionTable, ExitStatus, Mistake as Given, SessionHead, challenge_json, challenge_text,
};
use dryfire_scenario::{Bench, BenchKind, Scenario};
use dryfire_stand_in::Defect;
use dryfire_units::RigSpan;

use crate::args::{ChallengeArguments, Format};
use crate::files::{self, Wanted};
use crate::library::{BenchWithKiln, Reader};
use crate::progress::Progress;
use crate::screen::{Mistake, Screen, terminals};
use crate::{Refusal, interrupt};

/// A controller to be tried.
struct Contender {
    name: String,
    mistake: Option<Given>,
    bench: Bench,
    seed: u64,
}

pub(crate) fn challenge(
    arguments: &ChallengeArguments,
    verbose: u8,
    screen: &mut Screen,
) -> Result<ExitStatus, Refusal> {
    let (scenarios, fitted) = read(arguments, screen)?;
    let contenders = contenders(&fitted.bench, arguments.seed)?;
    let stop = interrupt::watch()?;
    let (stderr, stdout) = terminals();
    let visible = stderr && verbose == 0 && !(stdout && arguments.format == Format::Json);
    let mut progress = Progress::new(contenders.len(), visible);
    let mut challenged = Vec::new();
    for (place, contender) in contenders.into_iter().enumerate() {
        progress.started(place, &contender.name);
        challenged.push(try_on(&scenarios, contender, &fitted, arguments, &stop)?);
        progress.finished(place);
        if stop.load(Ordering::Relaxed) {
            progress.clear();
            screen.complain(&Mistake::new("interrupted: not every controller was tried, so there is no table"));
            return Ok(ExitStatus::Interrupted);
        }
    }
    progress.clear();
    let table = DetectionTable::of(&challenged);
    match arguments.format {
        Format::Text => {
            let width = screen.width();
            screen.text(&challenge_text(&table, width));
        }
        Format::Json => screen.out(challenge_json(&table, &head(&fitted.bench, arguments.seed, scenarios.len()))),
    }
    Ok(table.exit_status())
}

fn read(arguments: &ChallengeArguments, screen: &Screen) -> Result<(Vec<Scenario>, BenchWithKiln), Refusal> {
    let paths = files::find(&arguments.paths, Wanted::Scenarios)?;
    let mut reader = Reader::new(screen);
    let scenarios = reader.selected(&paths, &arguments.selection);
    let bench = arguments.bench.clone().or_else(|| files::default_bench(&arguments.paths));
    let fitted = match bench {
        Some(path) => reader.bench(&path),
        None => reader.built_in_bench(),
    };
    let fitted = reader.finish(fitted)?;
    Ok((scenarios.into_iter().map(|file| file.scenario).collect(), fitted))
}

/// The stand-in as the bench file has it, in honest variants, and with each of its defects.
fn contenders(bench: &Bench, seed: u64) -> Result<Vec<Contender>, Mistake> {
    let BenchKind::Virtual(choice) = &bench.kind else {
        return Err(Mistake::new(format!(
            "the bench `{}` has a controller of its own, without known mistakes",
            bench.name
        ))
        .hint("`dryfire challenge` tries the library on the stand-in controller: name a virtual bench"));
    };
    if !choice.defects.is_empty() {
        return Err(Mistake::new(format!("the bench `{}` has defects switched on already", bench.name))
            .hint("`dryfire challenge` switches on each of them by itself: leave out `defects`"));
    }
    let honest = |name: &str, bench: Bench, seed| Contender { name: name.to_owned(), mistake: None, bench, seed };
    let ticking = |tick| {
        let mut bench = bench.clone();
        if let BenchKind::Virtual(choice) = &mut bench.kind {
            choice.tick = Some(tick);
        }
        bench
    };
    let cycling = |cycle| {
        let mut bench = bench.clone();
        bench.declares.cycle_time = cycle;
        bench
    };
    let mut contenders = vec![
        honest("(no mistake)", bench.clone(), seed),
        honest("(no mistake, another seed)", bench.clone(), seed.wrapping_add(1)),
        honest("(no mistake, a tick of 50 ms)", ticking(RigSpan::from_millis(50)), seed),
        honest("(no mistake, a tick of 250 ms)", ticking(RigSpan::from_millis(250)), seed),
        honest("(no mistake, a cycle of 20 s)", cycling(RigSpan::from_seconds(20)), seed),
        honest("(no mistake, a cycle of 30 s)", cycling(RigSpan::from_seconds(30)), seed),
    ];
    for defect in Defect::ALL {
        let mut bench = bench.clone();
        if let BenchKind::Virtual(choice) = &mut bench.kind {
            choice.defects = vec![defect.name().to_owned()];
        }
        let symptom = defect.symptom();
        let mistake = Given {
            description: defect.description().to_owned(),
            hazard: symptom.hazard.to_owned(),
            reason: symptom.reason.to_owned(),
        };
        contenders.push(Contender { name: defect.name().to_owned(), mistake: Some(mistake), bench, seed });
    }
    Ok(contenders)
}

fn try_on(
    scenarios: &[Scenario],
    contender: Contender,
    fitted: &BenchWithKiln,
    arguments: &ChallengeArguments,
    stop: &AtomicBool,
) -> Result<Challenged, Refusal> {
    let jobs = bind_all(scenarios.to_vec(), &contender.bench, &fitted.kiln).map_err(|misfits| {
        let of = |index: usize| scenarios.get(index).map_or("?", |scenario| scenario.name.as_str());
        let mistakes = misfits.iter().flat_map(|misfit| {
            let messages = misfit.errors.iter().map(|error| error.message.as_str());
            messages.map(|message| {
                Mistake::new(format!(
                    "the scenario `{}` does not fit the bench `{}` ({}): {message}",
                    of(misfit.scenario),
                    contender.bench.name,
                    contender.name
                ))
            })
        });
        Refusal::from(mistakes.collect::<Vec<_>>())
    })?;
    let options = SessionOptions {
        seed: contender.seed,
        jobs: arguments.jobs.map_or_else(|| std::thread::available_parallelism().map_or(1, usize::from), usize::from),
        sample_events: false,
        live: false,
        stop,
    };
    let make_bench = || -> Box<dyn Driver> { Box::new(VirtualBench::new(contender.bench.clone())) };
    let mut results = Vec::new();
    run_session(&jobs, &make_bench, options, &mut |note| {
        if let SessionNote::Finished { outcome, .. } = note {
            results.push(outcome.result);
        }
    });
    Ok(Challenged { name: contender.name, mistake: contender.mistake, results })
}

fn head(bench: &Bench, seed: u64, scenarios: usize) -> SessionHead {
    SessionHead {
        repeat: 1,
        bench: bench.name.clone(),
        bench_kind: "virtual".to_owned(),
        controller: bench.controller.clone(),
        firmware_version: bench.firmware_version.clone(),
        defects: Vec::new(),
        seed,
        scenarios,
        tool: concat!("dryfire ", env!("CARGO_PKG_VERSION")).to_owned(),
    }
}

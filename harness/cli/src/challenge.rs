//! `dryfire challenge`: the library on controllers with known mistakes, and on honest ones.

mod beside;
mod contenders;

use std::cmp::Reverse;
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};

use dryfire_bench::{Bench as Driver, Following, Job, SessionNote, SessionOptions, bind_all, run_watched_session};
use dryfire_engine::ScenarioResult;
use dryfire_report::{
    Challenged, DetectionTable, ExitStatus, SessionHead, Sweeps, Tried, challenge_html, challenge_json, challenge_text,
};
use dryfire_scenario::{Bench, BenchKind, Scenario};
use dryfire_units::RigTime;

use crate::args::{ChallengeArguments, Format};
use crate::files::{self, Wanted};
use crate::library::{BenchWithKiln, Reader, ScenarioFile};
use crate::progress::Progress;
use crate::run::{buildable, make_bench};
use crate::screen::{Mistake, Screen, terminals};
use crate::selection::Selection;
use crate::{Refusal, interrupt};

use beside::Beside;
use contenders::Contender;

pub(crate) fn challenge(
    arguments: &ChallengeArguments,
    verbose: u8,
    screen: &mut Screen,
) -> Result<ExitStatus, Refusal> {
    let (files, fitted, builds) = read(arguments, screen)?;
    let head = head(&fitted.bench, arguments.seed, files.len());
    let picked = picked(&arguments.selection, &files);
    let (contenders, left_out) = contenders::all(fitted, builds, arguments.seed, picked.as_deref())?;
    let mut scenarios: Vec<Scenario> = files.iter().map(|file| file.scenario.clone()).collect();
    let places: BTreeMap<String, usize> =
        scenarios.iter().enumerate().map(|(place, scenario)| (scenario.name.clone(), place)).collect();
    let library: Vec<Tried> = files.into_iter().map(tried).collect();
    let stop = interrupt::watch()?;
    let (stderr, stdout) = terminals();
    let visible = stderr && verbose == 0 && !(stdout && arguments.format == Format::Json);
    let mut progress = Progress::new(contenders.len(), visible);
    let mut beside = Beside::new(&contenders);
    let without_mistake = contenders.iter().position(|contender| contender.is_without_mistake);
    let mut challenged = Vec::new();
    for (place, contender) in contenders.iter().enumerate() {
        progress.started(place, &contender.name);
        let options = options(contender, arguments, &stop);
        let mut results = match (contender.mistake, without_mistake.and_then(|place| contenders.get(place))) {
            (Some(mistake), Some(without)) => {
                let shared = beside.shared(mistake, &scenarios, without, options)?;
                try_on(&scenarios, contender, shared, options)?
            }
            _ if Some(place) == without_mistake => beside.try_without_mistake(&scenarios, contender, options)?,
            _ => try_on(&scenarios, contender, Vec::new(), options)?,
        };
        longest_first(&mut scenarios, &results);
        results.sort_by_key(|result| places.get(&result.scenario).copied());
        challenged.push(Challenged {
            name: contender.name.clone(),
            bench: contender.fitted.bench.name.clone(),
            expected: contender.expected.clone(),
            results,
        });
        progress.finished(place);
        if stop.load(Ordering::Relaxed) {
            progress.clear();
            screen.complain(&Mistake::new("interrupted: not every controller was tried, so there is no table"));
            return Ok(ExitStatus::Interrupted);
        }
    }
    progress.clear();
    let table = DetectionTable::of(&challenged, &library);
    let mut table = match picked {
        Some(hazards) => table.of_a_part(&hazards, left_out),
        None => table.without_mistakes_of_missing_parts(left_out),
    };
    if arguments.each {
        table.sweeps = Sweeps::default();
    }
    match arguments.format {
        Format::Text => {
            let width = screen.width();
            screen.text(&challenge_text(&table, width));
        }
        Format::Json => screen.out(challenge_json(&table, &head)),
    }
    if let Some(path) = &arguments.html
        && let Err(mistake) = write(path, &challenge_html(&table, &head))
    {
        screen.complain(&mistake);
        return Ok(ExitStatus::Error);
    }
    Ok(table.exit_status())
}

#[expect(clippy::disallowed_methods, reason = "the command line is where files are written")]
fn write(path: &Path, page: &str) -> Result<(), Mistake> {
    std::fs::write(path, page)
        .map_err(|error| Mistake::new(format!("the page could not be written to `{}`: {error}", path.display())))
}

/// Puts the scenarios that took the longest on the controller before to the front: every controller is tried to its end
/// before the next one is, and a long run that begins last keeps one processor busy and the others idle. The order changes
/// nothing else: each run has its own seed, and results are put back into the order of the library.
fn longest_first(scenarios: &mut [Scenario], results: &[ScenarioResult]) {
    let lengths: BTreeMap<&str, RigTime> =
        results.iter().map(|result| (result.scenario.as_str(), result.length)).collect();
    scenarios.sort_by_key(|scenario| Reverse(lengths.get(scenario.name.as_str()).copied()));
}

fn tried(file: ScenarioFile) -> Tried {
    let ScenarioFile { shown, scenario, .. } = file;
    Tried { scenario: scenario.name, file: shown, covers_alone: scenario.covers_alone.is_some() }
}

/// The hazards that are picked, where only a part of the scenarios is: those named, or else those that the
/// scenarios picked speak to.
fn picked(selection: &Selection, files: &[ScenarioFile]) -> Option<Vec<String>> {
    if selection.is_empty() {
        return None;
    }
    if !selection.hazard.is_empty() {
        return Some(selection.hazard.clone());
    }
    Some(files.iter().flat_map(|file| &file.scenario.hazards).map(|hazard| hazard.value.0.clone()).collect())
}

/// A build of the user's own, and the hazard that it is known to meet wrongly.
struct Build {
    fitted: BenchWithKiln,
    hazard: Option<String>,
}

fn read(
    arguments: &ChallengeArguments,
    screen: &Screen,
) -> Result<(Vec<ScenarioFile>, BenchWithKiln, Vec<Build>), Refusal> {
    let paths = files::find(&arguments.paths, Wanted::Scenarios)?;
    let mut reader = Reader::new(screen);
    let scenarios = reader.selected(&paths, &arguments.selection);
    let fitted = reader.bench_for(arguments.bench.as_deref(), &arguments.paths);
    let mut builds = Vec::new();
    for path in &arguments.honest {
        builds.extend(reader.bench(path).map(|fitted| Build { fitted, hazard: None }));
    }
    for faulty in &arguments.faulty {
        let guarded = scenarios.iter().flat_map(|file| &file.scenario.hazards);
        if scenarios.is_empty() || guarded.clone().any(|hazard| hazard.value.0 == faulty.hazard) {
            let hazard = Some(faulty.hazard.clone());
            builds.extend(reader.bench(&faulty.bench).map(|fitted| Build { fitted, hazard }));
        } else {
            reader.mistake(
                Mistake::new(format!(
                    "--faulty {}={}: no scenario guards against it",
                    faulty.hazard,
                    faulty.bench.display()
                ))
                .hint("the hazard is that of the scenarios which have to fail; docs/hazards.md lists them"),
            );
        }
    }
    let fitted = reader.finish(fitted)?;
    for one in std::iter::once(&fitted).chain(builds.iter().map(|build| &build.fitted)) {
        if let BenchKind::Rig { .. } = one.bench.kind {
            return Err(Mistake::new(format!("the bench `{}` has a rig, which takes hours for each controller", one.bench.name))
                .hint("`dryfire challenge` takes virtual benches and program benches; for a rig, make a record of each build and compare them")
                .into());
        }
        buildable(one)?;
    }
    Ok((scenarios, fitted, builds))
}

/// What a controller comes to, of whose runs these are known already.
fn try_on(
    scenarios: &[Scenario],
    contender: &Contender,
    known: Vec<ScenarioResult>,
    options: SessionOptions<'_>,
) -> Result<Vec<ScenarioResult>, Refusal> {
    let jobs = bound(scenarios, contender)?;
    let make_bench = || make_bench(&contender.fitted);
    let is_known = |job: &&Job| {
        known.iter().any(|result| result.scenario == job.scenario.name && result.seed == job.seed(options.seed))
    };
    let unknown: Vec<Job> = jobs.iter().filter(|job| !is_known(job)).cloned().collect();
    let mut results = play(&unknown, options, &known, &make_bench).results;
    if !beside::holds_in_session(&contender.fitted.bench, &known, &results) {
        return Ok(play(&jobs, options, &[], &make_bench).results);
    }
    results.extend(known);
    Ok(results)
}

fn bound(scenarios: &[Scenario], contender: &Contender) -> Result<Vec<Job>, Refusal> {
    let fitted = &contender.fitted;
    bind_all(scenarios.to_vec(), &fitted.bench, &fitted.kiln).map_err(|misfits| {
        let of = |index: usize| scenarios.get(index).map_or("?", |scenario| scenario.name.as_str());
        let mistakes = misfits.iter().flat_map(|misfit| {
            let messages = misfit.errors.iter().map(|error| error.message.as_str());
            messages.map(|message| {
                Mistake::new(format!(
                    "the scenario `{}` does not fit the bench `{}` ({}): {message}",
                    of(misfit.scenario),
                    fitted.bench.name,
                    contender.name
                ))
            })
        });
        Refusal::from(mistakes.collect::<Vec<_>>())
    })
}

fn options<'a>(contender: &Contender, arguments: &ChallengeArguments, stop: &'a AtomicBool) -> SessionOptions<'a> {
    SessionOptions {
        seed: contender.seed,
        jobs: arguments.jobs.map_or_else(|| std::thread::available_parallelism().map_or(1, usize::from), usize::from),
        sample_events: false,
        live: false,
        stop,
    }
}

/// What a session came to.
struct Played {
    results: Vec<ScenarioResult>,
    /// Something had to be run in addition, to show that the relays can be seen on.
    proving_run: bool,
}

fn play(
    jobs: &[Job],
    options: SessionOptions<'_>,
    shown_before: &[ScenarioResult],
    make_bench: &(dyn Fn() -> Box<dyn Driver> + Sync),
) -> Played {
    let mut played = Played { results: Vec::new(), proving_run: false };
    let following = Following { shown_before, ..Following::default() };
    run_watched_session(jobs, make_bench, options, following, &mut |note| match note {
        SessionNote::Finished { outcome, .. } => played.results.push(outcome.result),
        SessionNote::Proving { .. } | SessionNote::Proved(_) => played.proving_run = true,
        SessionNote::Started { .. } | SessionNote::Progress { .. } | SessionNote::Live { .. } => {}
    });
    played
}

fn head(bench: &Bench, seed: u64, scenarios: usize) -> SessionHead {
    SessionHead {
        repeat: 1,
        bench: bench.name.clone(),
        bench_kind: match bench.kind {
            BenchKind::Virtual(_) => "virtual",
            BenchKind::Program { .. } => "program",
            BenchKind::Rig { .. } => "rig",
        }
        .to_owned(),
        controller: bench.controller.clone(),
        firmware_version: bench.firmware_version.clone(),
        defects: Vec::new(),
        seed,
        scenarios,
        tool: concat!("dryfire ", env!("CARGO_PKG_VERSION")).to_owned(),
    }
}

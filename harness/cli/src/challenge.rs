//! `dryfire challenge`: the library on controllers with known mistakes, and on honest ones.

mod beside;
mod contenders;
mod trials;

use std::collections::BTreeMap;
use std::path::Path;

use dryfire_report::{
    DetectionTable, ExitStatus, SessionHead, Sweeps, Tried, challenge_html, challenge_json, challenge_text,
};
use dryfire_scenario::{Bench, BenchKind, Scenario};

use crate::args::{ChallengeArguments, Format};
use crate::files::{self, Wanted};
use crate::library::{BenchWithKiln, Reader, ScenarioFile};
use crate::progress::Progress;
use crate::run::buildable;
use crate::screen::{Mistake, Screen, terminals};
use crate::selection::Selection;
use crate::{Refusal, interrupt};

pub(crate) fn challenge(
    arguments: &ChallengeArguments,
    verbose: u8,
    screen: &mut Screen,
) -> Result<ExitStatus, Refusal> {
    let (files, fitted, builds) = read(arguments, screen)?;
    let head = head(&fitted.bench, arguments.seed, files.len());
    let picked = picked(&arguments.selection, &files);
    let (contenders, left_out) = contenders::all(fitted, builds, arguments.seed, picked.as_deref())?;
    let scenarios: Vec<Scenario> = files.iter().map(|file| file.scenario.clone()).collect();
    let places: BTreeMap<String, usize> =
        scenarios.iter().enumerate().map(|(place, scenario)| (scenario.name.clone(), place)).collect();
    let library: Vec<Tried> = files.into_iter().map(tried).collect();
    let stop = interrupt::watch()?;
    let (stderr, stdout) = terminals();
    let visible = stderr && verbose == 0 && !(stdout && arguments.format == Format::Json);
    let mut progress = Progress::new(contenders.len(), visible);
    let jobs = arguments.jobs.map_or_else(|| std::thread::available_parallelism().map_or(1, usize::from), usize::from);
    let challenged = trials::all(contenders, scenarios, jobs, &mut progress, &stop)?;
    progress.clear();
    let Some(mut challenged) = challenged else {
        screen.complain(&Mistake::new("interrupted: not every controller was tried, so there is no table"));
        return Ok(ExitStatus::Interrupted);
    };
    for one in &mut challenged {
        one.results.sort_by_key(|result| places.get(&result.scenario).copied());
    }
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

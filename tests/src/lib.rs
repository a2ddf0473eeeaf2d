//! Helpers shared by the whole-system tests.
#![expect(clippy::disallowed_methods, reason = "tests of the whole system read files and start programs")]

pub mod any_input;
pub mod boards;
mod drawing;
pub mod hazard_pages;

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;
use std::sync::atomic::AtomicBool;

pub use drawing::rig_drawing;
use dryfire_bench::{Bench, JobOutcome, SessionNote, SessionOptions, VirtualBench, bind_all, run_session};
use dryfire_kiln::KilnDescription;
use dryfire_scenario::{
    Bench as BenchFile, BenchKind, Scenario, parse_bench, parse_kiln, parse_scenario, parse_scenarios,
};

/// The seed of every test that does not vary it.
pub const SEED: u64 = 20_261_125;

/// The root of the workspace.
pub fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap_or(Path::new("."))
}

/// Set for the tests: the `dryfire` that they start is the one that people run, built with `--release`. It takes long to
/// build and is quicker; `cargo ci` sets it.
pub const RELEASE: &str = "DRYFIRE_TEST_RELEASE";

/// The `dryfire` binary, built on first use: with `--release` where [`RELEASE`] is set.
///
/// # Panics
/// If it cannot be built.
pub fn dryfire() -> Command {
    static BINARY: OnceLock<PathBuf> = OnceLock::new();
    let binary = BINARY.get_or_init(|| {
        let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
        let output = Command::new(cargo)
            .args(["build", "--quiet", "--locked", "--package", "dryfire", "--message-format", "json"])
            .args(std::env::var_os(RELEASE).map(|_| "--release"))
            .current_dir(root())
            .output()
            .expect("cargo starts");
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8_lossy(&output.stdout)
            .lines()
            .filter_map(|line| serde_json::from_str::<serde_json::Value>(line).ok())
            .filter_map(|message| message["executable"].as_str().map(PathBuf::from))
            .next_back()
            .expect("the build names its binary")
    });
    let mut command = Command::new(binary);
    command.current_dir(root());
    command
}

/// Reads a file below the root.
///
/// # Panics
/// If it cannot be read.
pub fn read(path: &str) -> String {
    std::fs::read_to_string(root().join(path)).unwrap_or_else(|error| panic!("{path}: {error}"))
}

/// Parses a scenario.
///
/// # Panics
/// With its diagnostics.
pub fn scenario(name: &str, text: &str) -> Scenario {
    match parse_scenario(name, text) {
        Ok((scenario, _)) => scenario,
        Err(mistakes) => panic!("{}", mistakes.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n")),
    }
}

/// Reads a bench file and its kiln.
///
/// # Panics
/// With their diagnostics.
pub fn bench(path: &str) -> (BenchFile, KilnDescription) {
    let fail = |mistakes: Vec<dryfire_scenario::Diagnostic>| -> ! {
        panic!("{}", mistakes.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))
    };
    let (bench, _) = parse_bench(path, &read(path)).unwrap_or_else(|mistakes| fail(mistakes));
    let kiln = Path::new(path).parent().unwrap_or(Path::new(".")).join(&bench.kiln);
    let kiln = kiln.to_string_lossy().into_owned();
    let (kiln, _) = parse_kiln(&kiln, &read(&kiln)).unwrap_or_else(|mistakes| fail(mistakes));
    (bench, kiln)
}

/// The virtual bench's file and kiln, with these defects of the stand-in switched on.
///
/// # Panics
/// If the file is no virtual bench.
pub fn virtual_bench(defects: &[&str]) -> (BenchFile, KilnDescription) {
    virtual_bench_of("scenarios/benches/virtual.yaml", defects)
}

/// The same of another bench file, by its path from the root of the project.
///
/// # Panics
/// If the file is no virtual bench.
pub fn virtual_bench_of(path: &str, defects: &[&str]) -> (BenchFile, KilnDescription) {
    let (mut file, kiln) = bench(path);
    let BenchKind::Virtual(choice) = &mut file.kind else { panic!("{path} is no virtual bench") };
    choice.defects = defects.iter().map(|name| (*name).to_owned()).collect();
    (file, kiln)
}

/// Every scenario of the library, by the order of their paths.
///
/// # Panics
/// If one cannot be read.
pub fn library() -> Vec<Scenario> {
    library_files().into_iter().flat_map(|(_, scenarios)| scenarios).collect()
}

/// The files of the library, by the order of their paths, and the scenarios of each.
///
/// # Panics
/// If one cannot be read.
pub fn library_files() -> Vec<(String, Vec<Scenario>)> {
    let mut paths = Vec::new();
    collect(&root().join("scenarios"), &mut paths);
    paths.sort();
    let read_one = |path: &PathBuf| {
        let shown = path.strip_prefix(root()).unwrap_or(path).to_string_lossy().into_owned();
        match parse_scenarios(&shown, &read(&shown)) {
            Ok((found, _)) => (shown, found.into_iter().map(|one| one.scenario).collect()),
            Err(mistakes) => panic!("{}", mistakes.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n")),
        }
    };
    paths.iter().map(read_one).collect()
}

fn collect(folder: &Path, paths: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        let path = entry.path();
        if path.is_dir() {
            if !path.ends_with("benches") && !path.ends_with("kilns") {
                collect(&path, paths);
            }
        } else if path.extension().is_some_and(|extension| extension == "yaml") {
            paths.push(path);
        }
    }
}

/// Runs scenarios on benches made by `make_bench`.
///
/// # Panics
/// If a scenario does not fit the bench.
pub fn run_on(
    scenarios: Vec<Scenario>,
    file: &BenchFile,
    kiln: &KilnDescription,
    seed: u64,
    make_bench: &(dyn Fn() -> Box<dyn Bench> + Sync),
) -> Vec<JobOutcome> {
    let jobs = bind_all(scenarios, file, kiln).expect("the scenarios fit the bench");
    let stop = AtomicBool::new(false);
    let options = SessionOptions { seed, jobs: 1, sample_events: false, live: false, stop: &stop };
    let mut outcomes = Vec::new();
    run_session(&jobs, make_bench, options, &mut |note| {
        if let SessionNote::Finished { outcome, .. } = note {
            outcomes.push(*outcome);
        }
    });
    outcomes
}

/// Runs scenarios on the virtual bench with these defects.
pub fn run_virtual(scenarios: Vec<Scenario>, defects: &[&str], seed: u64) -> Vec<JobOutcome> {
    run_virtual_on(scenarios, virtual_bench(defects), seed)
}

/// The stand-in beside a limiter.
pub const WITH_LIMITER: &str = "scenarios/benches/with-limiter.yaml";

/// Runs scenarios on a virtual bench.
///
/// # Panics
/// If a scenario does not fit the bench, or a job cannot be made.
pub fn run_virtual_on(
    scenarios: Vec<Scenario>,
    (file, kiln): (BenchFile, KilnDescription),
    seed: u64,
) -> Vec<JobOutcome> {
    let bench_file = file.clone();
    run_on(scenarios, &file, &kiln, seed, &move || Box::new(VirtualBench::new(bench_file.clone())))
}

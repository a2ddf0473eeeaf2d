//! `dryfire challenge` makes a run in which a mistake makes no difference once. Those that it does not make are made here,
//! and are the same to the last event.

use std::sync::mpsc::{self, Sender};

use dryfire_bench::{JobOutcome, Together, VirtualBench};
use dryfire_scenario::Scenario;
use dryfire_stand_in::Defect;
use dryfire_tests::{library_files, read, run_on, run_virtual, virtual_bench};
use rstest::rstest;

const SEED: u64 = 20_261_201;

/// How many of the runs that are not made are made here, spread evenly over all.
const MADE: usize = 240;

/// The first scenario of every third file, but for what takes hours.
fn scenarios() -> Vec<Scenario> {
    let short = |path: &str| !path.contains("/time/") && !path.contains("/limiter/") && !path.contains("/control/");
    let files = library_files().into_iter().filter(|(path, _)| short(path));
    files.step_by(3).filter_map(|(_, scenarios)| scenarios.into_iter().next()).collect()
}

fn with_companions(scenarios: Vec<Scenario>, defects: &[&str], told: &Sender<Together>) -> Vec<JobOutcome> {
    let (file, kiln) = virtual_bench(defects);
    let make = || Box::new(VirtualBench::new(file.clone()).with_companions(Defect::ALL.to_vec(), told.clone())) as _;
    run_on(scenarios, &file, &kiln, SEED, &make)
}

#[test]
fn a_run_in_which_a_mistake_makes_no_difference_is_the_one_without_it() {
    let scenarios = scenarios();
    assert!(scenarios.len() >= 30, "{}", scenarios.len());
    let (told, together) = mpsc::channel();
    let alone = run_virtual(scenarios.clone(), &[], SEED);
    let beside = with_companions(scenarios.clone(), &[], &told);
    drop(told);
    let together: Vec<Together> = together.into_iter().collect();
    for (one, other) in alone.iter().zip(&beside) {
        assert_eq!(one.result, other.result, "those beside it changed it");
        assert_eq!(one.events, other.events, "{}: those beside it changed it", one.result.scenario);
    }
    let of_seed = |seed: u64| together.iter().find(|run| run.seed == seed).map_or(&[][..], |run| &run.mistakes);
    let pairs: Vec<(usize, Defect)> = (0..scenarios.len())
        .flat_map(|place| of_seed(alone[place].result.seed).iter().map(move |mistake| (place, *mistake)))
        .collect();
    assert!(pairs.len() > 10 * MADE, "{}: hardly a run is shared", pairs.len());
    for (place, mistake) in pairs.iter().step_by(pairs.len() / MADE) {
        let own = run_virtual(vec![scenarios[*place].clone()], &[mistake.name()], SEED).remove(0);
        let (name, shared) = (format!("{} with {}", own.result.scenario, mistake.name()), &alone[*place]);
        assert_eq!(own.events, shared.events, "{name}");
        // What a pass is worth in a session of one run is another matter.
        assert_eq!(own.result.findings, shared.result.findings, "{name}");
        assert_eq!(own.result.relays_seen, shared.result.relays_seen, "{name}");
        assert_eq!(own.result.heat_work, shared.result.heat_work, "{name}");
        assert_eq!(own.result.counters, shared.result.counters, "{name}");
        assert_eq!(own.result.length, shared.result.length, "{name}");
    }
}

/// Those that ride along in any of these scenarios to the end.
fn made_no_difference(scenarios: Vec<Scenario>) -> Vec<Defect> {
    let (told, together) = mpsc::channel();
    with_companions(scenarios, &[], &told);
    drop(told);
    together.into_iter().flat_map(|run: Together| run.mistakes).collect()
}

#[test]
fn a_mistake_of_the_board_or_of_a_limiter_rides_along_where_the_board_says_when_it_shows_and_nowhere_else() {
    let shared = made_no_difference(scenarios().into_iter().take(3).collect());
    assert!(!shared.is_empty());
    let sources = ["board.rs", "board/probes.rs", "board/limiter.rs", "board/wires.rs", "board/setup.rs"];
    let sources = sources.map(|file| read(&format!("harness/bench/src/{file}")));
    // Of every mistake that the board's own source asks about, what it lets go by name.
    let let_go: String = sources[0].split("let_go(&[").skip(1).filter_map(|rest| rest.split("])").next()).collect();
    let mut asked = 0;
    for source in &sources {
        for mistake in Defect::ALL.iter().filter(|mistake| source.contains(&format!("has(Defect::{mistake:?})"))) {
            asked += 1;
            let lets_go = let_go.contains(&format!("Defect::{mistake:?}"));
            assert!(lets_go || !shared.contains(mistake), "{mistake:?} rides along, and its board never lets it go");
        }
    }
    assert!(asked >= 10, "{asked}");
    assert!(!shared.iter().any(|mistake| mistake.is_of_limiter()));
}

#[rstest]
#[case("reset-held-with-heat-on", &[Defect::OutputsKeptInReset, Defect::ResumesAfterAnyReset])]
#[case("hangs-with-heat-on", &[Defect::WatchdogOfAMinute, Defect::WatchdogAbsent])]
#[case("clock-line-low", &[Defect::WaitsForTheBus, Defect::ZerosBelieved])]
#[case("data-line-low-while-ramping", &[Defect::ZerosBelieved])]
#[case("data-line-high", &[Defect::OnesBelieved])]
fn where_the_board_would_do_something_else_its_mistakes_are_let_go(#[case] file: &str, #[case] mistakes: &[Defect]) {
    let files: Vec<_> =
        library_files().into_iter().filter(|(path, _)| path.ends_with(&format!("/{file}.yaml"))).collect();
    assert_eq!(files.len(), 1, "{file}");
    let shared = made_no_difference(files.into_iter().flat_map(|(_, scenarios)| scenarios).take(1).collect());
    assert!(!mistakes.iter().any(|mistake| shared.contains(mistake)), "{shared:?}");
}

#[test]
fn on_a_bench_with_a_mistake_of_its_own_nobody_rides_along() {
    let (told, together) = mpsc::channel();
    with_companions(scenarios().into_iter().take(1).collect(), &["lid-ignored"], &told);
    drop(told);
    assert!(together.into_iter().all(|run: Together| run.mistakes.is_empty()));
}

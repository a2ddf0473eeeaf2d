//! Every defect of the stand-in is caught, for the reason it declares, and the
//! stand-in without defects is never failed.

use std::collections::BTreeSet;

use dryfire_bench::JobOutcome;
use dryfire_engine::{Applicability, ScenarioResult};
use dryfire_judge::Verdict;
use dryfire_scenario::Scenario;
use dryfire_stand_in::Defect;
use dryfire_tests::{SEED, WITH_LIMITER, library, library_files, read, run_virtual, run_virtual_on, virtual_bench_of};

/// What is about a fourth zone, about a limiter, or so late in a firing that this controller ends it before.
fn is_not_for_this_bench(result: &ScenarioResult) -> bool {
    let Applicability::NotApplicable { reason } = &result.applicability else { return false };
    let known = ["zone 4", "longest firing", "no independent limiter"];
    assert!(known.iter().any(|known| reason.contains(known)), "{}: {reason}", result.scenario);
    true
}

#[test]
fn the_library_passes_on_the_stand_in_without_defects() {
    let mut ran = 0;
    for outcome in run_virtual(library(), &[], SEED) {
        let result = outcome.result;
        if is_not_for_this_bench(&result) {
            continue;
        }
        assert_eq!(result.verdict, Some(Verdict::Pass), "{}: {result:#?}", result.scenario);
        ran += 1;
    }
    assert!(ran > 180, "{ran}");
}

#[test]
fn the_library_passes_whatever_the_seed() {
    for seed in 0..8 {
        for outcome in run_virtual(library(), &[], seed) {
            let result = outcome.result;
            if is_not_for_this_bench(&result) {
                continue;
            }
            assert_eq!(result.verdict, Some(Verdict::Pass), "seed {seed}, {}: {result:#?}", result.scenario);
        }
    }
}

/// The scenarios on the stand-in with this mistake; a limiter's on the bench that has one.
fn run_with(defect: Defect, scenarios: Vec<Scenario>) -> Vec<JobOutcome> {
    if defect.is_of_limiter() {
        return run_virtual_on(scenarios, virtual_bench_of(WITH_LIMITER, &[defect.name()]), SEED);
    }
    run_virtual(scenarios, &[defect.name()], SEED)
}

#[test]
fn the_library_passes_beside_a_limiter_whatever_the_seed() {
    for seed in 0..4 {
        let mut of_limiter = 0;
        for outcome in run_virtual_on(library(), virtual_bench_of(WITH_LIMITER, &[]), seed) {
            let result = outcome.result;
            if is_not_for_this_bench(&result) {
                continue;
            }
            assert_eq!(result.verdict, Some(Verdict::Pass), "seed {seed}, {}: {result:#?}", result.scenario);
            of_limiter += usize::from(result.hazards.iter().any(|hazard| hazard == "limiter"));
        }
        assert_eq!(of_limiter, 12);
    }
}

#[test]
fn each_defect_is_failed_for_its_own_hazard_and_symptom() {
    let mut slipped = Vec::new();
    for defect in Defect::ALL {
        let symptom = defect.symptom();
        let guards: Vec<_> = library()
            .into_iter()
            .filter(|scenario| scenario.hazards.iter().any(|hazard| hazard.value.0 == symptom.hazard))
            .collect();
        let caught = run_with(*defect, guards).iter().any(|outcome| {
            outcome.result.findings.iter().any(|report| {
                report.finding.verdict == Verdict::Fail
                    && report.finding.reason.word() == symptom.reason
                    && report.hazards.iter().any(|hazard| hazard == symptom.hazard)
            })
        });
        if !caught {
            slipped.push(format!("{} ({} / {})", defect.name(), symptom.hazard, symptom.reason));
        }
    }
    assert!(slipped.is_empty(), "defects that slip through: {slipped:#?}");
}

/// What a scenario is about and nobody makes wrong in the stand-in, each with its reason; none at present.
const HAZARDS_WITHOUT_A_DEFECT: [&str; 0] = [];

#[test]
fn each_hazard_of_the_library_has_a_defect() {
    let of_defects: BTreeSet<&str> = Defect::ALL.iter().map(|defect| defect.symptom().hazard).collect();
    let library = library();
    let of_scenarios: BTreeSet<&str> =
        library.iter().flat_map(|scenario| scenario.hazards.iter().map(|hazard| hazard.value.0.as_str())).collect();
    let without: Vec<_> =
        of_scenarios.difference(&of_defects).filter(|hazard| !HAZARDS_WITHOUT_A_DEFECT.contains(*hazard)).collect();
    assert!(without.is_empty(), "hazards that no defect stands for: {without:?}");
    let nowhere: Vec<_> = of_defects.difference(&of_scenarios).collect();
    assert!(nowhere.is_empty(), "hazards of defects that no scenario names: {nowhere:?}");
}

/// `expected-catchers.txt`: by mistake, the scenarios that have to catch it, as file names without ending.
fn expected_catchers() -> Vec<(String, Vec<String>)> {
    let text = read("tests/expected-catchers.txt");
    let lines = text.lines().filter(|line| !line.starts_with('#') && !line.trim().is_empty());
    lines
        .map(|line| {
            let (defect, catchers) = line.split_once(": ").unwrap_or_else(|| panic!("{line}"));
            (defect.to_owned(), catchers.split(", ").map(str::to_owned).collect())
        })
        .collect()
}

#[test]
fn each_defect_has_its_expected_catchers_written_down() {
    let written: Vec<String> = expected_catchers().into_iter().map(|(defect, _)| defect).collect();
    let names: Vec<&str> = Defect::ALL.iter().map(|defect| defect.name()).collect();
    assert_eq!(written, names);
}

#[test]
fn each_defect_is_caught_by_every_scenario_that_is_expected_to() {
    let files = library_files();
    let mut missed = Vec::new();
    for (name, catchers) in expected_catchers() {
        let defect = Defect::from_name(&name).unwrap_or_else(|| panic!("there is no defect {name}"));
        let hazard = defect.symptom().hazard;
        for catcher in catchers {
            let found = files.iter().find(|(path, _)| path.ends_with(&format!("/{catcher}.yaml")));
            let (_, scenarios) = found.unwrap_or_else(|| panic!("there is no scenario file {catcher}.yaml"));
            let caught = run_with(defect, scenarios.clone()).iter().any(|outcome| {
                let findings = &outcome.result.findings;
                findings.iter().any(|report| {
                    report.finding.verdict == Verdict::Fail && report.hazards.iter().any(|one| one == hazard)
                })
            });
            if !caught {
                missed.push(format!("{name} by {catcher}, for {hazard}"));
            }
        }
    }
    assert!(missed.is_empty(), "not caught (a fail for another hazard does not count): {missed:#?}");
}

//! Every defect of the stand-in is caught, for the reason it declares, and the
//! stand-in without defects is never failed.

use dryfire_bench::VirtualBench;
use dryfire_engine::Applicability;
use dryfire_judge::Verdict;
use dryfire_scenario::Scenario;
use dryfire_stand_in::Defect;
use dryfire_tests::{SEED, bench, library, run_on, run_virtual};

/// Those that mean nothing on the virtual bench, and the bench that they are for.
const ELSEWHERE: [(&str, &str); 1] =
    [("the neutral of the kiln's supply is lost while it climbs", "scenarios/benches/two-phases.yaml")];

fn for_the_virtual_bench() -> Vec<Scenario> {
    library().into_iter().filter(|scenario| ELSEWHERE.iter().all(|(name, _)| scenario.name != *name)).collect()
}

#[test]
fn the_library_passes_on_the_stand_in_without_defects() {
    for outcome in run_virtual(for_the_virtual_bench(), &[], SEED) {
        let result = outcome.result;
        assert_eq!(result.verdict, Some(Verdict::Pass), "{}: {result:#?}", result.scenario);
    }
}

#[test]
fn the_library_passes_whatever_the_seed() {
    for seed in 0..8 {
        for outcome in run_virtual(for_the_virtual_bench(), &[], seed) {
            let result = outcome.result;
            assert_eq!(result.verdict, Some(Verdict::Pass), "seed {seed}, {}: {result:#?}", result.scenario);
        }
    }
}

#[test]
fn what_is_for_another_bench_passes_there_and_is_not_applicable_here() {
    for (name, path) in ELSEWHERE {
        let wanted = || library().into_iter().filter(|scenario| scenario.name == name).collect::<Vec<_>>();
        assert_eq!(wanted().len(), 1, "{name}");
        for outcome in run_virtual(wanted(), &[], SEED) {
            assert!(matches!(outcome.result.applicability, Applicability::NotApplicable { .. }), "{name}");
        }
        let (file, kiln) = bench(path);
        for seed in 0..8 {
            let made = file.clone();
            let make = move || -> Box<dyn dryfire_bench::Bench> { Box::new(VirtualBench::new(made.clone())) };
            for outcome in run_on(wanted(), &file, &kiln, seed, &make) {
                assert_eq!(outcome.result.verdict, Some(Verdict::Pass), "seed {seed}, {name}: {:#?}", outcome.result);
            }
        }
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
        let caught = run_virtual(guards, &[defect.name()], SEED).iter().any(|outcome| {
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

//! Every defect of the stand-in is caught, for the reason it declares, and the
//! stand-in without defects is never failed.

use dryfire_judge::Verdict;
use dryfire_stand_in::Defect;
use dryfire_tests::{SEED, library, run_virtual};

#[test]
fn the_library_passes_on_the_stand_in_without_defects() {
    for outcome in run_virtual(library(), &[], SEED) {
        let result = outcome.result;
        assert_eq!(result.verdict, Some(Verdict::Pass), "{}: {result:#?}", result.scenario);
    }
}

#[test]
fn the_library_passes_whatever_the_seed() {
    for seed in 0..8 {
        for outcome in run_virtual(library(), &[], seed) {
            let result = outcome.result;
            assert_eq!(result.verdict, Some(Verdict::Pass), "seed {seed}, {}: {result:#?}", result.scenario);
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

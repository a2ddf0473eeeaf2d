//! The detection table: what counts as caught, and what the table says.

mod invented;

use dryfire_judge::{Reason, Verdict};
use dryfire_report::{Challenged, DetectionTable, ExitStatus, Mistake, challenge_json, challenge_text};
use rstest::rstest;

use invented::{finding, head, result, seconds};

const LID: &str = "the lid is opened";
const PROBE: &str = "the probe opens";

fn lid_ignored() -> Option<Mistake> {
    Some(Mistake {
        description: "The lid switch is not looked at during a firing.".to_owned(),
        hazard: "lid-open".to_owned(),
        reason: "heat-cut-late".to_owned(),
    })
}

/// A controller on which the lid's and the probe's scenario come to this.
fn challenged(name: &str, mistake: Option<Mistake>, lid: Verdict, probe: Verdict) -> Challenged {
    let of = |scenario: &str, hazard: &str, verdict| {
        let reason = match verdict {
            Verdict::Fail => Reason::HeatCutLate,
            Verdict::Inconclusive => Reason::StillOpen,
            Verdict::Pass | Verdict::Error => Reason::Held,
        };
        let mut report = finding("heat is cut", verdict, reason);
        report.finding.margin = if verdict == Verdict::Fail { seconds(-2_500) } else { seconds(6_800) };
        result(scenario, &[hazard], Some(verdict), vec![report])
    };
    let results = vec![of(LID, "lid-open", lid), of(PROBE, "probe-open", probe)];
    Challenged { name: name.to_owned(), mistake, results }
}

#[rstest]
#[case::caught(lid_ignored(), Verdict::Fail, Verdict::Pass, ExitStatus::AllHeld)]
#[case::a_fail_for_another_hazard_is_no_catch(lid_ignored(), Verdict::Pass, Verdict::Fail, ExitStatus::Failed)]
#[case::what_is_undecided_is_no_catch(lid_ignored(), Verdict::Inconclusive, Verdict::Pass, ExitStatus::Failed)]
#[case::what_broke_down_is_no_catch(lid_ignored(), Verdict::Error, Verdict::Pass, ExitStatus::Error)]
#[case::cleared(None, Verdict::Pass, Verdict::Pass, ExitStatus::AllHeld)]
#[case::blamed(None, Verdict::Fail, Verdict::Pass, ExitStatus::Failed)]
#[case::not_cleared(None, Verdict::Pass, Verdict::Inconclusive, ExitStatus::Failed)]
fn only_a_fail_for_the_mistakes_own_hazard_catches_it(
    #[case] mistake: Option<Mistake>,
    #[case] lid: Verdict,
    #[case] probe: Verdict,
    #[case] expected: ExitStatus,
) {
    let challenged = [challenged("one", mistake, lid, probe)];
    let table = DetectionTable::of(&challenged);
    assert_eq!(table.exit_status(), expected);
}

fn all() -> Vec<Challenged> {
    let waits = Some(Mistake {
        description: "An open lid is acted upon only when the element's cycle is over.".to_owned(),
        ..lid_ignored().expect("a mistake")
    });
    let blind = Some(Mistake {
        description: "An open probe is believed.".to_owned(),
        hazard: "probe-open".to_owned(),
        reason: "heat-not-cut".to_owned(),
    });
    vec![
        challenged("(no mistake)", None, Verdict::Pass, Verdict::Pass),
        challenged("(no mistake, a tick of 1 s)", None, Verdict::Pass, Verdict::Fail),
        challenged("lid-ignored", lid_ignored(), Verdict::Fail, Verdict::Pass),
        challenged("lid-waits", waits, Verdict::Fail, Verdict::Inconclusive),
        challenged("probe-believed", blind, Verdict::Fail, Verdict::Pass),
    ]
}

#[test]
fn the_table_says_who_is_caught_by_what_and_who_slips_through() {
    let challenged = all();
    insta::assert_snapshot!(challenge_text(&DetectionTable::of(&challenged), 100));
}

#[test]
fn a_narrow_table_stands_below_each_other() {
    let challenged = all();
    insta::assert_snapshot!(challenge_text(&DetectionTable::of(&challenged), 50));
}

#[test]
fn the_json_lines_say_the_same() {
    let challenged = all();
    insta::assert_snapshot!(challenge_json(&DetectionTable::of(&challenged), &head()));
}

//! The detection table: what counts as caught, and what the table says.

mod invented;

use dryfire_engine::Applicability;
use dryfire_judge::{Reason, Verdict};
use dryfire_report::{
    Challenged, DetectionTable, ExitStatus, Expected, Mistake, Tried, challenge_html, challenge_json, challenge_text,
};
use rstest::rstest;

use invented::{finding, head, result, seconds};

const LID: &str = "the lid is opened";
const PROBE: &str = "the probe opens";

fn lid_ignored() -> Expected {
    mistake("The lid switch is not looked at during a firing.", "lid-open", "heat-cut-late")
}

fn mistake(description: &str, hazard: &str, reason: &str) -> Expected {
    Expected::Caught(Mistake {
        description: description.to_owned(),
        hazard: hazard.to_owned(),
        reason: Some(reason.to_owned()),
    })
}

/// Two files with a scenario each; whether they say what they alone cover.
fn library(lid: bool, probe: bool) -> Vec<Tried> {
    let tried = |scenario: &str, file: &str, covers_alone| Tried {
        scenario: scenario.to_owned(),
        file: file.to_owned(),
        covers_alone,
    };
    vec![tried(LID, "lid.yaml", lid), tried(PROBE, "probe.yaml", probe)]
}

/// A controller on which the lid's and the probe's scenario come to this.
fn challenged(name: &str, expected: Expected, lid: Verdict, probe: Verdict) -> Challenged {
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
    Challenged { name: name.to_owned(), bench: "kitchen table".to_owned(), expected, results }
}

#[rstest]
#[case::caught(lid_ignored(), Verdict::Fail, Verdict::Pass, ExitStatus::AllHeld)]
#[case::a_fail_for_another_hazard_is_no_catch(lid_ignored(), Verdict::Pass, Verdict::Fail, ExitStatus::Failed)]
#[case::what_is_undecided_is_no_catch(lid_ignored(), Verdict::Inconclusive, Verdict::Pass, ExitStatus::Failed)]
#[case::what_broke_down_is_no_catch(lid_ignored(), Verdict::Error, Verdict::Pass, ExitStatus::Error)]
#[case::cleared(Expected::Cleared, Verdict::Pass, Verdict::Pass, ExitStatus::AllHeld)]
#[case::blamed(Expected::Cleared, Verdict::Fail, Verdict::Pass, ExitStatus::Failed)]
#[case::near_a_limit_and_undecided(Expected::Undecided, Verdict::Pass, Verdict::Inconclusive, ExitStatus::AllHeld)]
#[case::near_a_limit_and_decided(Expected::Undecided, Verdict::Pass, Verdict::Pass, ExitStatus::Failed)]
#[case::near_a_limit_and_blamed(Expected::Undecided, Verdict::Fail, Verdict::Inconclusive, ExitStatus::Failed)]
#[case::not_cleared(Expected::Cleared, Verdict::Pass, Verdict::Inconclusive, ExitStatus::Failed)]
fn only_a_fail_for_the_mistakes_own_hazard_catches_it(
    #[case] known: Expected,
    #[case] lid: Verdict,
    #[case] probe: Verdict,
    #[case] expected: ExitStatus,
) {
    let (challenged, library) = ([challenged("one", known, lid, probe)], library(true, true));
    let table = DetectionTable::of(&challenged, &library);
    assert_eq!(table.exit_status(), expected);
}

#[rstest]
#[case::it_catches_something_alone(false, true, &[])]
#[case::it_says_what_it_is_there_for(true, true, &[])]
#[case::neither(true, false, &["probe.yaml"])]
fn a_scenario_is_idle_unless_it_catches_alone_or_says_what_it_is_there_for(
    #[case] lid: bool,
    #[case] probe: bool,
    #[case] idle: &[&str],
) {
    let (challenged, library) = ([challenged("one", lid_ignored(), Verdict::Fail, Verdict::Pass)], library(lid, probe));
    let table = DetectionTable::of(&challenged, &library);
    assert_eq!(table.never_alone, ["probe.yaml"]);
    assert_eq!(table.idle, idle);
    assert_eq!(table.exit_status(), if idle.is_empty() { ExitStatus::AllHeld } else { ExitStatus::Failed });
}

#[test]
fn of_a_part_nobody_asks_what_is_idle_and_what_is_left_out_is_counted() {
    let (challenged, library) =
        ([challenged("one", lid_ignored(), Verdict::Fail, Verdict::Pass)], library(true, false));
    let table = DetectionTable::of(&challenged, &library).of_a_part(&["lid-open".to_owned()], 7);
    assert_eq!(table.idle, [""; 0]);
    assert_eq!(table.hazards_without_mistake, [""; 0]);
    assert_eq!(table.exit_status(), ExitStatus::AllHeld);
    assert!(challenge_text(&table, 120).to_string().contains("7 mistakes of other hazards left out"));
}

#[test]
fn a_part_that_no_mistake_stands_for_shows_nothing() {
    let (challenged, library) =
        ([challenged("fine", Expected::Cleared, Verdict::Pass, Verdict::Pass)], library(true, true));
    let table = DetectionTable::of(&challenged, &library).of_a_part(&["probe-open".to_owned()], 7);
    assert_eq!(table.exit_status(), ExitStatus::NothingApplicable);
    assert_eq!(table.hazards_without_mistake, ["probe-open"]);
}

#[test]
fn of_two_scenarios_in_one_file_either_is_enough() {
    let mut library = library(false, false);
    library[1].file = library[0].file.clone();
    let both = mistake("Both are missed.", "lid-open", "heat-cut-late");
    let mut challenged = [challenged("one", both, Verdict::Fail, Verdict::Fail)];
    challenged[0].results[1].findings[0].hazards = vec!["lid-open".to_owned()];
    let table = DetectionTable::of(&challenged, &library);
    assert_eq!(table.detections[0].catchers().len(), 2);
    assert_eq!(table.exit_status(), ExitStatus::AllHeld);
}

#[test]
fn mistakes_that_nothing_tells_apart_are_no_good_end() {
    let challenged = [
        challenged("one", lid_ignored(), Verdict::Fail, Verdict::Pass),
        challenged("other", lid_ignored(), Verdict::Fail, Verdict::Pass),
    ];
    let library = library(true, true);
    let table = DetectionTable::of(&challenged, &library);
    assert_eq!(table.alike, [["one", "other"]]);
    assert_eq!(table.exit_status(), ExitStatus::Failed);
}

#[test]
fn what_is_uncovered_and_who_is_blamed_is_told_by_bench_and_scenario() {
    let mut all = [
        challenged("(no mistake)", Expected::Cleared, Verdict::Fail, Verdict::Pass),
        challenged("lid-ignored", lid_ignored(), Verdict::Fail, Verdict::Pass),
    ];
    for one in &mut all {
        one.results[1].applicability = Applicability::Uncovered { reason: "nothing cuts".to_owned() };
        one.results[1].verdict = None;
    }
    let library = library(true, true);
    let table = DetectionTable::of(&all, &library);
    assert_eq!(table.uncovered.len(), 1);
    assert_eq!((table.uncovered[0].bench, &table.uncovered[0].hazards[..]), ("kitchen table", &["probe-open"][..]));
    assert_eq!(table.blamed.len(), 1);
    assert_eq!((table.blamed[0].scenario, &table.blamed[0].controllers[..]), (LID, &["(no mistake)"][..]));
}

fn all() -> Vec<Challenged> {
    let waits =
        mistake("An open lid is acted upon only when the element's cycle is over.", "lid-open", "heat-cut-late");
    let blind = mistake("An open probe is believed.", "probe-open", "heat-not-cut");
    vec![
        challenged("(no mistake)", Expected::Cleared, Verdict::Pass, Verdict::Pass),
        challenged("(no mistake, a tick of 1 s)", Expected::Cleared, Verdict::Pass, Verdict::Fail),
        challenged("(no mistake, aims low)", Expected::Undecided, Verdict::Pass, Verdict::Inconclusive),
        challenged("lid-ignored", lid_ignored(), Verdict::Fail, Verdict::Pass),
        challenged("lid-waits", waits, Verdict::Fail, Verdict::Inconclusive),
        challenged("probe-believed", blind, Verdict::Fail, Verdict::Pass),
    ]
}

#[test]
fn the_table_says_who_is_caught_by_what_and_who_slips_through() {
    let (challenged, library) = (all(), library(true, false));
    insta::assert_snapshot!(challenge_text(&DetectionTable::of(&challenged, &library), 100));
}

#[test]
fn a_narrow_table_stands_below_each_other() {
    let (challenged, library) = (all(), library(true, false));
    insta::assert_snapshot!(challenge_text(&DetectionTable::of(&challenged, &library), 50));
}

#[test]
fn the_json_lines_say_the_same() {
    let (challenged, library) = (all(), library(true, false));
    insta::assert_snapshot!(challenge_json(&DetectionTable::of(&challenged, &library), &head()));
}

#[test]
fn the_page_says_the_same_and_escapes_what_comes_from_outside() {
    let (mut challenged, library) = (all(), library(true, false));
    challenged[1].name = "<b>a & b</b>".to_owned();
    insta::assert_snapshot!(without_style(&challenge_html(&DetectionTable::of(&challenged, &library), &head())));
}

/// The style is the same on every page.
fn without_style(page: &str) -> String {
    let (before, rest) = page.split_once("<style>").expect("a style");
    let (_, after) = rest.split_once("</style>").expect("its end");
    format!("{before}<style></style>{after}")
}

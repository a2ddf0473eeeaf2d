//! What hazards come to, and which exit status follows.

mod invented;

use dryfire_engine::ScenarioResult;
use dryfire_judge::{Reason, Verdict};
use dryfire_report::{ExitStatus, HazardStanding, Hazards, Outcome, Tally};
use rstest::rstest;

fn tally(results: &[ScenarioResult]) -> Tally {
    Tally::of(&Outcome { results, not_run: &[], interrupted: false, mixed: &[] })
}

/// The hazards' ids by word.
fn groups(results: &[ScenarioResult]) -> Vec<(&'static str, Vec<String>)> {
    let hazards = tally(results).hazards;
    let which = |word, is_so: fn(&HazardStanding) -> bool| {
        (word, hazards.which(is_so).into_iter().map(str::to_owned).collect::<Vec<_>>())
    };
    [
        which("shown", HazardStanding::is_shown),
        which("failed", |it| it.failed),
        which("uncovered", |it| it.uncovered),
        which("undecided", HazardStanding::is_undecided),
        which("not tested", HazardStanding::is_not_tested),
    ]
    .into_iter()
    .filter(|(_, ids)| !ids.is_empty())
    .collect()
}

fn with_hazard(mut result: ScenarioResult, hazard: &str) -> ScenarioResult {
    result.hazards = vec![hazard.to_owned()];
    for report in &mut result.findings {
        report.hazards.clone_from(&result.hazards);
    }
    result
}

#[rstest]
#[case(vec![invented::passed()], "shown")]
#[case(vec![invented::passed(), invented::not_applicable()], "shown")]
#[case(vec![invented::passed(), invented::inconclusive()], "undecided")]
#[case(vec![invented::passed(), invented::error()], "undecided")]
#[case(vec![invented::passed(), invented::failed()], "failed")]
#[case(vec![invented::passed(), invented::error_with_fail()], "failed")]
#[case(vec![invented::passed(), invented::uncovered()], "uncovered")]
#[case(vec![invented::not_applicable()], "not tested")]
fn a_hazard_is_shown_only_if_nothing_speaks_against_it(#[case] results: Vec<ScenarioResult>, #[case] word: &str) {
    let results: Vec<_> = results.into_iter().map(|result| with_hazard(result, "h")).collect();
    assert_eq!(groups(&results), [(word, vec!["h".to_owned()])]);
}

#[test]
fn a_hazard_that_failed_and_is_uncovered_counts_as_both() {
    let results = [with_hazard(invented::failed(), "h"), with_hazard(invented::uncovered(), "h")];
    let h = vec!["h".to_owned()];
    assert_eq!(groups(&results), [("failed", h.clone()), ("uncovered", h)]);
}

#[test]
fn a_passed_run_without_a_word_about_a_hazard_does_not_show_it() {
    let mut result = invented::passed();
    result.hazards.push("probe-short".to_owned());
    assert_eq!(
        groups(&[result]),
        [("shown", vec!["probe-open".to_owned()]), ("undecided", vec!["probe-short".to_owned()])]
    );
}

#[test]
fn a_vacuous_expectation_shows_nothing() {
    let mut result = invented::passed();
    for report in &mut result.findings {
        report.finding.vacuous = true;
    }
    assert_eq!(groups(&[result]), [("undecided", vec!["probe-open".to_owned()])]);
}

#[test]
fn hazards_that_only_an_expectation_names_are_counted() {
    let mut result = invented::passed();
    result.findings[1].hazards = vec!["over-top".to_owned()];
    assert_eq!(groups(&[result]), [("shown", vec!["over-top".to_owned(), "probe-open".to_owned()])]);
}

#[test]
fn scenarios_that_were_never_begun_leave_their_hazards_untested() {
    let not_run = [invented::not_run()];
    let hazards = Hazards::of(&Outcome { results: &[], not_run: &not_run, interrupted: true, mixed: &[] });
    assert_eq!(hazards.which(HazardStanding::is_not_tested), ["stall"]);
}

fn pass() -> ScenarioResult {
    invented::passed()
}

#[rstest]
#[case::all_held(vec![pass()], ExitStatus::AllHeld)]
#[case::beside_not_applicable(vec![pass(), invented::not_applicable()], ExitStatus::AllHeld)]
#[case::a_fail(vec![pass(), invented::failed()], ExitStatus::Failed)]
#[case::uncovered(vec![pass(), invented::uncovered()], ExitStatus::Failed)]
#[case::only_uncovered(vec![invented::uncovered()], ExitStatus::Failed)]
#[case::undecided(vec![pass(), invented::inconclusive()], ExitStatus::Inconclusive)]
#[case::fail_beside_undecided(vec![invented::inconclusive(), invented::failed()], ExitStatus::Failed)]
#[case::error_beside_fail(vec![invented::failed(), invented::error()], ExitStatus::Error)]
#[case::error_with_fail(vec![invented::error_with_fail()], ExitStatus::Error)]
#[case::nothing_applies(vec![invented::not_applicable()], ExitStatus::NothingApplicable)]
#[case::nothing_at_all(vec![], ExitStatus::NothingApplicable)]
fn the_worst_decides_the_exit_status(#[case] results: Vec<ScenarioResult>, #[case] expected: ExitStatus) {
    assert_eq!(tally(&results).exit_status(), expected);
}

#[test]
fn an_interrupted_session_says_so_whatever_came_before() {
    let results = [invented::failed()];
    let outcome = Outcome { results: &results, not_run: &[invented::not_run()], interrupted: true, mixed: &[] };
    assert_eq!(Tally::of(&outcome).exit_status(), ExitStatus::Interrupted);
}

#[test]
fn what_was_picked_and_not_run_is_never_all_held() {
    let results = [pass()];
    let outcome = Outcome { results: &results, not_run: &[invented::not_run()], interrupted: false, mixed: &[] };
    assert_eq!(Tally::of(&outcome).exit_status(), ExitStatus::Inconclusive);
}

#[rstest]
#[case::no_verdict({ let mut it = pass(); it.verdict = None; it }, ExitStatus::Inconclusive)]
#[case::no_findings({ let mut it = pass(); it.findings.clear(); it }, ExitStatus::Inconclusive)]
#[case::failed_finding({
    let mut it = pass();
    it.findings.push(invented::finding("x", Verdict::Fail, Reason::Violated));
    it
}, ExitStatus::Failed)]
fn a_verdict_better_than_its_findings_is_not_believed(#[case] result: ScenarioResult, #[case] expected: ExitStatus) {
    assert_eq!(tally(&[result]).exit_status(), expected);
}

//! The summary for people.

mod invented;

use dryfire_engine::{ScenarioResult, TroubleKind};
use dryfire_judge::{Reason, Verdict};
use dryfire_report::{
    Outcome, Style, Sweeps, Tally, display_width, headline, neutralise, summary, trouble_sentence, wrap,
};
use proptest::prelude::*;
use rstest::rstest;

fn shown(results: &[ScenarioResult], width: usize) -> String {
    summary(
        &invented::head(),
        &Outcome { results, not_run: &[], interrupted: false, mixed: &[] },
        &Sweeps::default(),
        width,
    )
    .to_string()
}

#[test]
fn one_of_each_in_a_wide_terminal() {
    insta::assert_snapshot!(shown(&invented::one_of_each(), 120));
}

#[test]
fn one_of_each_in_eighty_columns() {
    insta::assert_snapshot!(shown(&invented::one_of_each(), 80));
}

#[test]
fn one_of_each_in_a_narrow_terminal() {
    insta::assert_snapshot!(shown(&invented::one_of_each(), 44));
}

#[test]
fn all_held() {
    insta::assert_snapshot!(shown(&[invented::passed()], 100));
}

#[test]
fn nothing_applies() {
    insta::assert_snapshot!(shown(&[invented::not_applicable()], 100));
}

#[test]
fn interrupted() {
    let results = [invented::passed()];
    let not_run = [invented::not_run()];
    let outcome = Outcome { results: &results, not_run: &not_run, interrupted: true, mixed: &[] };
    insta::assert_snapshot!(summary(&invented::head(), &outcome, &Sweeps::default(), 100).to_string());
}

#[test]
fn defects_switched_on_by_request_are_named() {
    let mut head = invented::head();
    head.defects = vec!["probe-fault-ignored-while-holding".to_owned()];
    let results = [invented::passed()];
    let text = summary(
        &head,
        &Outcome { results: &results, not_run: &[], interrupted: false, mixed: &[] },
        &Sweeps::default(),
        100,
    )
    .to_string();
    assert!(text.contains("defects     probe-fault-ignored-while-holding (switched on by request)\n"), "{text}");
}

#[test]
fn decided_fails_come_first_and_are_counted_even_under_an_error() {
    let results = invented::one_of_each();
    let tally = Tally::of(&Outcome { results: &results, not_run: &[], interrupted: false, mixed: &[] });
    assert_eq!(tally.failed, 1);
    assert_eq!(tally.failed_expectations, 3);
    insta::assert_snapshot!(headline(&tally).join("\n"), @r"
    1 of 8 hazards shown, 3 failed, 1 uncovered, 2 undecided, 1 not tested
    7 scenarios: 3 expectations failed in 2 scenarios, 2 ended in error, 1 uncovered, 1 inconclusive, 1 passed, 1 not applicable
    ");
    let text = shown(&results, 120);
    let first_row = text.lines().find(|line| line.contains("middle ring")).expect("the failed scenario has a row");
    let rows: Vec<&str> = text.lines().skip_while(|line| !line.starts_with("verdict")).skip(1).take(2).collect();
    assert_eq!(rows[0], first_row);
}

/// Nobody may take a summary for a clearance: whatever the verdicts are.
#[test]
fn nothing_is_called_safe_and_the_caution_closes_every_summary() {
    for results in [vec![invented::passed()], invented::one_of_each(), Vec::new()] {
        let text = shown(&results, 100);
        assert!(!text.to_lowercase().contains("safe"), "{text}");
        assert!(!text.to_lowercase().contains("approved"), "{text}");
        let end: String =
            text.lines().rev().take(2).collect::<Vec<_>>().into_iter().rev().collect::<Vec<_>>().join(" ");
        assert!(end.ends_with("are not tested here."), "{end}");
    }
}

#[test]
fn the_word_pass_always_has_a_count_or_a_scenario_beside_it() {
    let text = shown(&[invented::passed()], 100);
    for line in text.lines().filter(|line| line.contains("pass")) {
        let with_scenario = line.contains("the probe burns out");
        let with_count = line.contains("1 scenario: 1 passed");
        assert!(with_scenario || with_count, "{line}");
    }
}

#[test]
fn an_empty_session_says_so() {
    let text = shown(&[], 100);
    assert!(text.contains("0 of 0 hazards shown"), "{text}");
    assert!(text.contains("0 scenarios: nothing to run"), "{text}");
}

#[test]
fn names_cannot_drive_the_terminal_or_forge_lines() {
    let mut result = invented::failed();
    result.scenario = "evil\u{1b}[2J\u{7}name\n✓ pass  forged\u{202e}".to_owned();
    result.findings[2].name = "bell\u{7}\u{9b}31m".to_owned();
    result.findings[2].seen = "first\r\nsecond".to_owned();
    let text = shown(&[result], 100);
    assert!(text.chars().all(|it| it == '\n' || !it.is_control()), "{text:?}");
    assert!(!text.contains('\u{202e}'));
    assert!(!text.lines().any(|line| line.starts_with("✓ pass")), "{text}");
    assert!(text.contains(r"evil\u{1b}[2J\u{7}name\n✓ pass"), "{text}");
    assert!(text.contains(r"first\r\nsecond"), "{text}");
}

#[test]
fn verdicts_carry_a_style_and_plain_text_carries_none_of_it() {
    let results = invented::one_of_each();
    let text = summary(
        &invented::head(),
        &Outcome { results: &results, not_run: &[], interrupted: false, mixed: &[] },
        &Sweeps::default(),
        120,
    );
    let styled = |style: Style| {
        let pieces = text.lines.iter().flat_map(|line| &line.pieces);
        pieces.filter(|piece| piece.style == style).map(|piece| piece.text.trim()).collect::<Vec<_>>()
    };
    assert!(styled(Style::Pass).contains(&"✓ pass"));
    assert!(styled(Style::Fail).contains(&"✗ fail"));
    assert!(styled(Style::Error).contains(&"! error"));
    assert!(styled(Style::Inconclusive).contains(&"? inconclusive"));
    assert!(styled(Style::Uncovered).contains(&"○ uncovered"));
    assert!(!text.to_string().contains('\u{1b}'));
}

#[rstest]
#[case(120)]
#[case(80)]
#[case(60)]
#[case(44)]
#[case(24)]
fn no_line_is_wider_than_the_terminal(#[case] width: usize) {
    for line in shown(&invented::one_of_each(), width).lines() {
        assert!(display_width(line) <= width, "{width}: {line:?}");
        assert_eq!(line, line.trim_end());
    }
}

#[rstest]
#[case(0)]
#[case(1)]
#[case(usize::MAX)]
fn absurd_widths_are_bounded(#[case] width: usize) {
    let text = shown(&invented::one_of_each(), width);
    assert!(text.lines().all(|line| display_width(line) <= 132));
}

#[test]
fn a_scenario_is_never_shown_better_than_its_findings() {
    let mut result = invented::passed();
    result.findings[1].finding.verdict = Verdict::Inconclusive;
    result.findings[1].finding.reason = Reason::NotObserved;
    let text = shown(&[result], 100);
    assert!(!text.contains("✓ pass"), "{text}");
    assert!(text.contains("? inconclusive"), "{text}");
}

#[test]
fn every_breakdown_has_its_own_sentence() {
    use TroubleKind::*;
    let kinds =
        [RigRestarted, RigWentSafe, LinkLost, LinkRefused, ProgramEnded, ProgramLate, ProgramNonsense, ProgramFlood];
    let sentences: std::collections::BTreeSet<_> = kinds
        .map(|kind| trouble_sentence(&dryfire_engine::Trouble { kind, detail: String::new() }))
        .into_iter()
        .collect();
    assert_eq!(sentences.len(), kinds.len());
}

proptest! {
    #[test]
    fn wrapped_lines_fit_and_lose_nothing(text in "[a-zäß ]{0,80}", width in 1usize..40) {
        let lines = wrap(&text, width);
        prop_assert!(lines.iter().all(|line| display_width(line) <= width));
        let letters = |text: &str| text.chars().filter(|it| *it != ' ').collect::<String>();
        prop_assert_eq!(letters(&lines.concat()), letters(&text));
    }

    #[test]
    fn any_text_is_made_harmless(text in any::<String>()) {
        prop_assert!(!neutralise(&text).chars().any(char::is_control));
    }

    #[test]
    fn any_names_and_widths_give_a_summary(name in any::<String>(), width in 0usize..200) {
        let mut result = invented::failed();
        result.scenario.clone_from(&name);
        result.findings[0].name.clone_from(&name);
        result.findings[2].seen = name;
        let text = shown(&[result], width);
        prop_assert!(text.chars().all(|it| it == '\n' || !it.is_control()));
    }
}

/// The results in one file's sweep, with these names.
fn of_one_sweep(results: Vec<(&str, ScenarioResult)>) -> String {
    let sweeps = Sweeps::of(results.iter().map(|(name, _)| (*name, "burns-out.yaml")));
    let named = |(name, result): (&str, ScenarioResult)| ScenarioResult { scenario: name.to_owned(), ..result };
    let results: Vec<ScenarioResult> = results.into_iter().map(named).collect();
    let outcome = Outcome { results: &results, not_run: &[], interrupted: false, mixed: &[] };
    summary(&invented::head(), &outcome, &sweeps, 120).to_string()
}

#[test]
fn a_sweep_that_passed_is_one_row_with_the_smallest_margins_of_all() {
    let mut closest = invented::passed();
    closest.findings[0].finding.margin = invented::seconds(250);
    closest.findings[0].finding.seen = invented::seconds(9_750);
    let text = of_one_sweep(vec![
        ("it burns out (zone 1)", invented::passed()),
        ("it burns out (zone 2)", closest),
        ("it burns out (zone 3)", invented::passed()),
    ]);
    assert!(text.contains("it burns out (all 3 of its sweep)"), "{text}");
    assert!(!text.contains("(zone"), "{text}");
    assert!(text.contains("+250.00 ms"), "{text}");
    assert!(!text.contains("+6.812 s"), "{text}");
    assert!(text.contains("3 scenarios: 3 passed"), "{text}");
}

#[rstest]
#[case::failed(invented::failed())]
#[case::inconclusive(invented::inconclusive())]
#[case::error(invented::error())]
#[case::error_with_a_fail(invented::error_with_fail())]
#[case::uncovered(invented::uncovered())]
#[case::not_applicable(invented::not_applicable())]
fn what_did_not_pass_is_never_folded_away(#[case] other: ScenarioResult) {
    let text = of_one_sweep(vec![
        ("it burns out (zone 1)", invented::passed()),
        ("it burns out (zone 2)", other.clone()),
        ("it burns out (zone 3)", invented::passed()),
        ("it burns out (zone 4)", other),
    ]);
    assert!(text.contains("it burns out (2 of the 4 of its sweep)"), "{text}");
    for zone in ["(zone 2)", "(zone 4)"] {
        assert!(text.contains(zone), "{zone}: {text}");
    }
}

#[test]
fn a_sweep_of_one_that_was_picked_keeps_its_values() {
    let text = of_one_sweep(vec![("it burns out (zone 2)", invented::passed())]);
    assert!(text.contains("it burns out (zone 2)"), "{text}");
    assert!(!text.contains("share a row"), "{text}");
}

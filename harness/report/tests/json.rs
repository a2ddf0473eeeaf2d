//! The JSON lines, and their page in the documentation.

mod invented;

use dryfire_engine::{Event, RigCounters, Trouble, TroubleKind};
use dryfire_report::{ExitStatus, JsonLines, Outcome};
use serde_json::Value;

const PAGE: &str = include_str!("../../../docs/output.md");

/// A session of one run and one scenario that does not apply.
fn session() -> String {
    let mut json = JsonLines::new();
    let results = [invented::passed(), invented::not_applicable()];
    let mut lines = json.session(&invented::head());
    lines.push_str(&json.begin(&invented::run_head()));
    for event in invented::events() {
        lines.push_str(&json.event(&event));
    }
    lines.push_str(&json.result(1, &results[0]));
    lines.push_str(&json.result(2, &results[1]));
    lines.push_str(&json.summary(&Outcome { results: &results, not_run: &[], interrupted: false, mixed: &[] }));
    lines
}

fn parsed(lines: &str) -> Vec<Value> {
    lines.lines().map(|line| serde_json::from_str(line).unwrap_or_else(|error| panic!("{error}: {line}"))).collect()
}

#[test]
fn the_example_in_the_documentation_is_what_is_written() {
    let example = PAGE.split("```json\n").nth(1).and_then(|rest| rest.split("```").next()).expect("an example");
    assert_eq!(session(), example, "the example in docs/output.md should read:\n{}", session());
}

#[test]
fn the_documentation_lists_every_exit_status() {
    for status in ExitStatus::ALL {
        let row = format!("| {} | {} |", status.code(), status.meaning());
        assert!(PAGE.contains(&row), "docs/output.md lacks the row:\n{row}");
    }
}

#[test]
fn the_documentation_describes_every_type_and_key() {
    let mut lines = parsed(&session());
    let mut json = JsonLines::new();
    let trouble = Trouble { kind: TroubleKind::LinkLost, detail: "x".to_owned() };
    lines.extend(parsed(&json.event(&Event::Trouble { at: invented::at(1), trouble })));
    lines.extend(parsed(&json.event(&Event::Prompt { at: invented::at(1), text: "x".to_owned() })));
    let counters = RigCounters::default();
    lines.extend(parsed(&json.event(&Event::Counters { at: invented::at(1), counters })));
    lines.extend(parsed(&json.not_run(&invented::not_run())));
    lines.extend(parsed(&json.result(3, &invented::error())));
    let described = |word: &str| PAGE.contains(&format!("`{word}`"));
    fn keys(value: &Value, into: &mut Vec<String>) {
        match value {
            Value::Object(map) => map.iter().for_each(|(key, value)| {
                into.push(key.clone());
                keys(value, into);
            }),
            Value::Array(list) => list.iter().for_each(|value| keys(value, into)),
            _ => {}
        }
    }
    for line in &lines {
        let kind = line["type"].as_str().expect("every line has a type");
        assert!(described(kind), "docs/output.md does not describe `{kind}`");
        let mut all = Vec::new();
        keys(line, &mut all);
        for key in all {
            assert!(described(&key), "docs/output.md does not describe the key `{key}` of `{kind}`");
        }
    }
}

/// The words are the judge's and the engine's own; the page has to keep up with them.
#[test]
fn the_documentation_lists_every_reason_and_breakdown() {
    use dryfire_judge::Reason::*;
    let reasons = [
        Held,
        HeatNotCut,
        HeatCutLate,
        ReachedLate,
        NotReached,
        Violated,
        LimitExceeded,
        TriggerNotObserved,
        StillOpen,
        NotObserved,
        InsideGuardBand,
        Vacuous,
        TooShort,
        TooLong,
        TooFew,
        TooMany,
        OutOfOrder,
        Overflow,
    ]
    .map(|reason| reason.word());
    let breakdowns = [
        TroubleKind::RigRestarted,
        TroubleKind::RigWentSafe,
        TroubleKind::LinkLost,
        TroubleKind::LinkRefused,
        TroubleKind::ProgramEnded,
        TroubleKind::ProgramLate,
        TroubleKind::ProgramNonsense,
        TroubleKind::ProgramFlood,
        TroubleKind::OutOfOrder,
        TroubleKind::StandsStill,
        TroubleKind::LimiterOpen,
        TroubleKind::PlanUnplayable,
    ]
    .map(|kind| kind.word());
    for word in reasons.into_iter().chain(breakdowns) {
        assert!(PAGE.contains(&format!("`{word}`")), "docs/output.md does not list `{word}`");
    }
}

#[test]
fn the_type_comes_first_in_every_line() {
    for line in session().lines() {
        assert!(line.starts_with(r#"{"type":""#), "{line}");
    }
}

/// RFC 7493 (I-JSON), section 2.2: integers beyond 2^53 are not safe as JSON numbers.
#[test]
fn numbers_survive_readers_that_know_only_doubles() {
    fn numbers(value: &Value, into: &mut Vec<i64>) {
        match value {
            Value::Number(number) => into.push(number.as_i64().expect("only integers are written")),
            Value::Object(map) => map.values().for_each(|value| numbers(value, into)),
            Value::Array(list) => list.iter().for_each(|value| numbers(value, into)),
            _ => {}
        }
    }
    let mut all = Vec::new();
    parsed(&session()).iter().for_each(|line| numbers(line, &mut all));
    assert!(all.len() > 20);
    assert!(all.iter().all(|number| number.abs() < 1 << 53));
    let seed = &parsed(&session())[1]["seed"];
    assert_eq!(seed, &Value::String("11400714819323198485".to_owned()));
}

#[test]
fn of_the_samples_only_the_last_before_a_moment_or_decision_is_written() {
    let lines = parsed(&session());
    let levels: Vec<&Value> = lines.iter().filter(|line| line["type"] == "level").collect();
    assert_eq!(levels.len(), 1, "{levels:?}");
    assert_eq!(levels[0]["value_millicelsius"], 400_021);
    let place = lines.iter().position(|line| line["type"] == "level").expect("a level");
    assert_eq!(lines[place + 1]["name"], "burn-out");
}

#[test]
fn console_lines_cannot_drive_a_terminal_or_break_a_line() {
    let mut json = JsonLines::new();
    let nasty = "\u{1b}]0;x\u{7} \u{9b}31m \u{7f} \u{2028} \u{202e} \"\\ \n tab\t 🔥 \u{e0001}";
    let line = json.event(&Event::Console { at: invented::at(1), line: nasty.to_owned() });
    let body = line.strip_suffix('\n').expect("a line end");
    assert!(!body.chars().any(|it| it.is_control() || matches!(it, '\u{2028}' | '\u{202e}')), "{line:?}");
    assert_eq!(parsed(&line)[0]["line"], nasty);
}

#[test]
fn a_run_that_ended_in_error_still_lists_its_failed_expectation() {
    let mut json = JsonLines::new();
    let results = [invented::error_with_fail()];
    let result = &parsed(&json.result(1, &results[0]))[0];
    assert_eq!(result["verdict"], "error");
    assert_eq!(result["findings"][0]["verdict"], "fail");
    assert_eq!(result["trouble"]["kind"], "program-ended");
    let summary =
        &parsed(&json.summary(&Outcome { results: &results, not_run: &[], interrupted: false, mixed: &[] }))[0];
    assert_eq!(summary["failed_expectations"], 1);
    assert_eq!(summary["exit_code"], 3);
    assert_eq!(summary["hazards"]["failed"], serde_json::json!(["stop"]));
}

#[test]
fn an_edge_of_a_signal_outside_the_table_does_not_panic() {
    let mut json = JsonLines::new();
    let event = Event::Switched { at: invented::at(1), signal: dryfire_judge::SignalId(99), on: true };
    assert_eq!(parsed(&json.event(&event))[0]["signal"], "?");
}

#[test]
fn the_same_session_gives_the_same_bytes() {
    assert_eq!(session(), session());
}

//! `dryfire budget` and `dryfire paths` with the real binary.

mod command;

use std::fs;

use command::files::{changed_bench, library, probe_opens};
use command::{Ran, dryfire};
use rstest::rstest;
use serde_json::Value;

const KILN: &str = "scenarios/kilns/three-ring.yaml";
const BENCH: &str = "scenarios/benches/virtual.yaml";

fn lines(ran: &Ran) -> Vec<Value> {
    ran.out.lines().map(|line| serde_json::from_str(line).expect("a line is an object")).collect()
}

#[rstest]
#[case(&["budget", KILN])]
#[case(&["budget", KILN, "--bench", BENCH])]
#[case(&["budget", "--bench", BENCH])]
#[case(&["paths", BENCH])]
#[case(&["paths", "scenarios/benches/without-contactor.yaml"])]
fn a_finding_ends_with_1_and_is_told_in_text_and_lines(#[case] arguments: &[&str]) {
    let text = dryfire(arguments);
    assert_eq!(text.status, Some(1), "{text:?}");
    assert_eq!(text.err, "");
    assert!(text.out.contains("no second means") || text.out.contains("soon enough"), "{}", text.out);
    let json = dryfire(&[arguments, &["--format", "json"]].concat());
    assert_eq!(json.status, Some(1), "{json:?}");
    let lines = lines(&json);
    let last = lines.last().expect("lines");
    assert_eq!((&last["type"], &last["exit_code"]), (&Value::from("summary"), &Value::from(1)));
    assert!(text.out.contains(last["headline"].as_str().expect("words")), "{}", text.out);
}

#[test]
fn the_bench_s_own_kiln_is_used_where_none_is_named() {
    let named = dryfire(&["budget", KILN, "--bench", BENCH]);
    let taken = dryfire(&["budget", "--bench", BENCH]);
    assert_eq!(named.out, taken.out);
}

/// What the library's bench promises.
const PROMISED: &str = "  reactions: { probe-open: 5 s, probe-short: 5 s }\n";

/// A controller that is quick, for a kiln that it never takes near its limits.
#[test]
fn a_controller_that_promises_enough_ends_with_0() {
    let folder = library(&[]);
    let bench = changed_bench(folder.path(), "quick.yaml", |text| {
        text.replace("top temperature: 1280 °C", "top temperature: 1000 °C").replace(
            PROMISED,
            "  reactions: { relay-welded: 2 min, runaway: 2 min, heat-while-idle: 2 min, \
             controller-hung: 2 s, stop-pressed: 300 ms, lid-open: 300 ms }\n",
        )
    });
    let ran = dryfire(&["budget", "--bench", &bench]);
    assert_eq!(ran.status, Some(0), "{}{}", ran.out, ran.err);
    assert!(ran.out.contains("12 of 12 reactions are soon enough"), "{}", ran.out);
}

#[rstest]
#[case::nothing(&["budget"], "<KILN>")]
#[case::no_such_kiln(&["budget", "scenarios/kilns/three-rings.yaml"], "there is no file or folder")]
#[case::no_bench(&["paths"], "<BENCH>")]
#[case::no_such_bench(&["paths", "nowhere.yaml"], "there is no file or folder `nowhere.yaml`")]
#[case::a_bench_is_no_kiln(&["budget", BENCH], "error[")]
#[case::a_kiln_is_no_bench(&["paths", KILN], "error[")]
#[case::a_folder(&["paths", "scenarios"], "not a regular file")]
#[case::another_kiln(&["budget", "scenarios/kilns/test-kiln.yaml", "--bench", BENCH], "the kiln's are chamber")]
#[case::unknown_format(&["paths", BENCH, "--format", "xml"], "[possible values: text, json]")]
fn bad_input_ends_with_4_and_prints_nothing(#[case] arguments: &[&str], #[case] says: &str) {
    let ran = dryfire(arguments);
    assert_eq!(ran.status, Some(4), "{ran:?}");
    assert!(ran.err.contains(says), "{ran:?}");
    assert_eq!(ran.out, "", "{ran:?}");
}

#[test]
fn a_bench_whose_kiln_is_missing_is_still_good_for_its_paths() {
    let folder = library(&[]);
    fs::remove_dir_all(folder.path().join("kilns")).expect("a folder");
    let bench = folder.path().join("benches/virtual.yaml");
    let bench = bench.to_str().expect("UTF-8");
    assert_eq!(dryfire(&["paths", bench]).status, Some(1));
    let ran = dryfire(&["budget", "--bench", bench]);
    assert_eq!(ran.status, Some(4), "{ran:?}");
    assert!(ran.err.contains("the kiln's path is relative to the bench file"), "{ran:?}");
}

#[rstest]
#[case(&["budget", "--help"])]
#[case(&["paths", "--help"])]
fn help_says_what_the_exit_status_means(#[case] arguments: &[&str]) {
    let ran = dryfire(arguments);
    assert_eq!(ran.status, Some(0));
    assert!(ran.out.contains("Exit status: 0 every"), "{}", ran.out);
}

/// The library's bench with a promise, and one scenario to run on it.
fn run_with_a_promise(reactions: &str, more: &[&str]) -> Ran {
    let folder = library(&[("one.yaml", &probe_opens("the probe opens", "401 °C", "10 s"))]);
    let bench = changed_bench(folder.path(), "promise.yaml", |text| {
        text.replace(PROMISED, &format!("  reactions: {reactions}\n"))
    });
    dryfire(&[&["run", folder.path().to_str().expect("UTF-8"), "--bench", &bench], more].concat())
}

#[test]
fn a_run_begins_with_a_warning_where_a_declared_reaction_takes_more_than_half_of_the_time() {
    let ran = run_with_a_promise("{ probe-open: 60 s, stop-pressed: 300 ms }", &[]);
    assert_eq!(ran.status, Some(0), "a warning changes no status: {ran:?}");
    assert!(ran.err.starts_with("warning: probe-open: the declared reaction takes 1 min"), "{ran:?}");
    assert_eq!(ran.err.lines().count(), 1, "what is quick enough is not warned of: {ran:?}");
    assert!(!ran.out.contains("warning"), "{ran:?}");
}

#[test]
fn with_lines_the_warning_is_a_line_after_the_head_and_the_same_every_time() {
    let run = || run_with_a_promise("{ probe-open: 60 s }", &["--format", "json"]);
    let (ran, again) = (run(), run());
    assert_eq!((ran.status, ran.err.as_str()), (Some(0), ""), "{ran:?}");
    let lines = lines(&ran);
    assert_eq!((&lines[0]["type"], &lines[1]["type"]), (&Value::from("session"), &Value::from("warning")));
    let text = lines[1]["text"].as_str().expect("words");
    assert!(text.starts_with("probe-open: ") && text.contains("half the process safety time"), "{text}");
    assert_eq!(ran.out, again.out);
}

#[test]
fn where_nothing_is_promised_nothing_is_warned_of() {
    let ran = dryfire(&["run", "scenarios/probe/open-while-ramping.yaml", "--bench", BENCH]);
    assert_eq!((ran.status, ran.err.as_str()), (Some(0), ""), "{ran:?}");
}

#[test]
fn a_promise_that_is_quick_enough_is_not_warned_of() {
    let ran = run_with_a_promise("{ probe-open: 5 s }", &[]);
    assert_eq!((ran.status, ran.err.as_str()), (Some(0), ""), "{ran:?}");
}

//! Scenarios repeated, and two records side by side.
#![expect(clippy::disallowed_methods, reason = "tests write and read files")]

mod command;

use std::fs;
use std::path::Path;

use command::files::{LID_IS_OPENED, changed_bench, library, probe_opens};
use command::{Ran, dryfire};
use rstest::rstest;
use tempfile::TempDir;

const MARKUP: &str = "</td><script>alert(1)</script> \\\" onload=\\\"x ' &lt;b&gt;";

fn text(path: &Path) -> &str {
    path.to_str().expect("UTF-8")
}

fn folder() -> TempDir {
    library(&[("lid.yaml", LID_IS_OPENED), ("probe.yaml", &probe_opens("the probe opens", "401 °C", "10 s"))])
}

/// A record in a folder, of its scenarios with these more arguments.
fn record(folder: &TempDir, name: &str, more: &[&str]) -> String {
    let record = folder.path().join(name);
    let mut call = vec!["run", text(folder.path()), "--record", text(&record)];
    call.extend(more);
    let ran = dryfire(&call);
    assert!(matches!(ran.status, Some(0 | 1)), "{ran:?}");
    text(&record).to_owned()
}

fn compare(old: &str, new: &str, more: &[&str]) -> Ran {
    let mut call = vec!["compare", old, new];
    call.extend(more);
    dryfire(&call)
}

/// The JSON line of a scenario.
fn line(ran: &Ran, scenario: &str) -> serde_json::Value {
    let lines = ran.out.lines().map(|line| serde_json::from_str::<serde_json::Value>(line).expect("JSON"));
    lines.into_iter().find(|line| line["scenario"] == scenario).expect("a line of it")
}

#[test]
fn a_repeated_scenario_runs_with_another_seed_each_time_and_is_counted_as_one() {
    let folder = folder();
    let record = folder.path().join("it.sqlite");
    let call = ["run", text(folder.path()), "--repeat", "3", "--record", text(&record)];
    let ran = dryfire(&call);
    assert_eq!(ran.status, Some(0), "{ran:?}");
    assert!(ran.out.contains("6 runs of 2 scenarios: 6 passed\n"), "{ran:?}");
    assert!(ran.out.contains("the lid is opened (all 3 runs)"), "{ran:?}");
    let json = dryfire(&["export", text(&record), "--as", "json"]);
    let begun: Vec<serde_json::Value> = json
        .out
        .lines()
        .map(|line| serde_json::from_str(line).expect("JSON"))
        .filter(|line: &serde_json::Value| line["type"] == "begin")
        .collect();
    let of = |key: &str| begun.iter().map(|line| line[key].to_string()).collect::<Vec<_>>();
    assert_eq!(of("repetition"), ["1", "1", "2", "2", "3", "3"], "the whole plan once, then once more");
    let mut seeds = of("seed");
    seeds.sort();
    seeds.dedup();
    assert_eq!(seeds.len(), 6, "{seeds:?}");
    // The first run is the one that there is without repeating.
    let once = dryfire(&["run", text(folder.path()), "--format", "json"]);
    assert!(once.out.contains(&format!("\"seed\":{}", begun[0]["seed"])), "{once:?}");
    // Live and later are the same, and the report counts as the terminal does.
    let live = dryfire(&["run", text(folder.path()), "--repeat", "3", "--format", "json"]);
    assert_eq!(live.out, json.out);
    let html = folder.path().join("it.html");
    assert_eq!(dryfire(&["report", text(&record), "--out", text(&html)]).status, Some(0));
    let html = fs::read_to_string(html).expect("a report");
    assert!(html.contains("Of 6 runs of 2 scenarios: ") && html.contains("the lid is opened (run 2 of 3)"));
    assert_eq!(dryfire(&["rejudge", text(&record)]).status, Some(0));
}

#[test]
fn a_mistake_in_the_controller_makes_a_verdict_worse() {
    let folder = folder();
    let old = record(&folder, "old.sqlite", &["--repeat", "2"]);
    let new = record(&folder, "new.sqlite", &["--repeat", "2", "--defect", "lid-ignored"]);
    let page = folder.path().join("page.html");
    let ran = compare(&old, &new, &["--html", text(&page)]);
    assert_eq!(ran.status, Some(1), "{ran:?}");
    for said in [
        "Of the controller differs\n  defects switched on: none, now lid-ignored\n",
        "Worse\n  the lid is opened: 2 × pass, now 2 × fail\n    heat is cut: 2 × pass, now 2 × fail\n",
        "1 worse, 0 better, 0 gone; margins: ",
    ] {
        assert!(ran.out.contains(said), "{said}: {ran:?}");
    }
    let page = fs::read_to_string(page).expect("a page");
    for shown in [
        "Something is worse.",
        "kiln, old",
        "kiln, new",
        "safety, old",
        "safety, new",
        "old: heat is cut",
        "new: heat is cut",
    ] {
        assert!(page.contains(shown), "{shown}");
    }
    // The other way round it is better.
    let ran = compare(&new, &old, &[]);
    assert_eq!(ran.status, Some(0), "{ran:?}");
    assert!(ran.out.contains("Better\n  the lid is opened: 2 × fail, now 2 × pass\n"), "{ran:?}");
}

#[test]
fn a_record_compared_with_itself_has_nothing_that_is_worse() {
    let folder = folder();
    let it = record(&folder, "it.sqlite", &["--repeat", "2"]);
    let ran = compare(&it, &it, &[]);
    assert_eq!(ran.status, Some(0), "{ran:?}");
    assert!(ran.out.contains("0 worse, 0 better, 0 gone; margins: 0 shrunk, 0 grown, 2 within"), "{ran:?}");
}

#[test]
fn one_run_a_side_cannot_tell_whether_a_margin_changed() {
    let folder = folder();
    let slow = changed_bench(folder.path(), "slow.yaml", |text| text.replace("tick: 100 ms", "tick: 1 s"));
    let old = record(&folder, "old.sqlite", &[]);
    let new = record(&folder, "new.sqlite", &["--bench", &slow]);
    let ran = compare(&old, &new, &[]);
    assert_eq!(ran.status, Some(0), "{ran:?}");
    assert!(ran.out.contains("Margins, cannot tell: 2 × one run a side does not show how far it spreads"), "{ran:?}");
    assert!(ran.out.contains("What else differs, and may be the reason\n  bench file (SHA-256): "), "{ran:?}");
}

#[test]
fn a_slower_controller_has_smaller_margins() {
    let folder = folder();
    // A contactor opens later than a relay (common practice, no source).
    let fast = changed_bench(folder.path(), "fast.yaml", |text| text.replace("made as: contactor", "made as: relay"));
    let old = record(&folder, "old.sqlite", &["--bench", &fast, "--repeat", "6"]);
    let new = record(&folder, "new.sqlite", &["--repeat", "6"]);
    let ran = compare(&old, &new, &["--format", "json"]);
    assert_eq!(ran.status, Some(1), "{ran:?}");
    let margin = line(&ran, "the lid is opened")["expectations"][0]["margin"].clone();
    assert_eq!(margin["told"], "shrunk", "{margin}");
    let figure = |key: &str| margin[key].as_i64().expect("a number");
    assert!(figure("difference_us") < -figure("uncertainty_us") && figure("coverage_hundredths") >= 200, "{margin}");
    assert_eq!(margin["old"]["runs"], 6);
    let reaction = line(&ran, "the lid is opened")["expectations"][0]["reaction"].clone();
    assert!(reaction["new"]["mean_us"].as_i64() > reaction["old"]["mean_us"].as_i64(), "{reaction}");
    let back = compare(&new, &old, &[]);
    assert_eq!(back.status, Some(0), "{back:?}");
    assert!(back.out.contains("  grown  "), "{back:?}");
}

#[rstest]
#[case::another_limit("10 s", "9 s", "it asks for something else")]
#[case::another_script("401 °C", "403 °C", "the scenario does something else")]
fn margins_of_different_questions_are_not_compared(#[case] was: &str, #[case] is: &str, #[case] why: &str) {
    let folder = folder();
    let old = record(&folder, "old.sqlite", &["--repeat", "2"]);
    let probe = probe_opens("the probe opens", "401 °C", "10 s").replace(was, is);
    fs::write(folder.path().join("probe.yaml"), probe).expect("written");
    let new = record(&folder, "new.sqlite", &["--repeat", "2"]);
    let ran = compare(&old, &new, &["--format", "json"]);
    let margin = line(&ran, "the probe opens")["expectations"][0]["margin"].clone();
    assert_eq!((margin["told"].as_str(), margin["why"].as_str()), (Some("cannot tell"), Some(why)));
}

#[rstest]
#[case::another_limit("within: 10 s, heat: cut", "within: 9 min, heat: cut")]
#[case::an_expectation_less("  - { name: and stays off, after: burn-out + 10 s, never: element on }\n", "")]
fn a_scenario_that_asks_for_less_is_to_be_looked_at(#[case] was: &str, #[case] is: &str) {
    let folder = folder();
    let stays_off = "  - { name: and stays off, after: burn-out + 10 s, never: element on }\nend:";
    let probe = probe_opens("the probe opens", "401 °C", "10 s").replace("end:", stays_off);
    let path = folder.path().join("probe.yaml");
    assert!(probe.contains(was), "{probe}");
    fs::write(&path, &probe).expect("written");
    let old = record(&folder, "old.sqlite", &[]);
    fs::write(&path, probe.replace(was, is)).expect("written");
    let new = record(&folder, "new.sqlite", &[]);
    let ran = compare(&old, &new, &[]);
    assert_eq!(ran.status, Some(2), "{ran:?}");
    assert!(ran.out.contains("0 worse, 0 better, 1 to be looked at, 0 gone"), "{ran:?}");
}

#[test]
fn what_is_gone_is_no_longer_shown_and_what_is_added_is_told() {
    let folder = folder();
    let old = record(&folder, "old.sqlite", &[]);
    fs::rename(folder.path().join("lid.yaml"), folder.path().join("lid.txt")).expect("renamed");
    fs::write(folder.path().join("more.yaml"), probe_opens("another", "401 °C", "10 s")).expect("written");
    let new = record(&folder, "new.sqlite", &[]);
    let ran = compare(&old, &new, &[]);
    assert_eq!(ran.status, Some(2), "{ran:?}");
    assert!(ran.out.contains("  the lid is opened: pass, now not there\n"), "{ran:?}");
    assert!(ran.out.contains("Added\n  another: pass\n"), "{ran:?}");
    assert!(ran.out.contains("0 worse, 0 better, 1 added, 1 gone; "), "{ran:?}");
}

#[test]
fn nothing_from_outside_breaks_out_of_text_or_page() {
    let folder = library(&[("it.yaml", &probe_opens(&format!("\"{MARKUP}\""), "401 °C", "10 s"))]);
    let hostile = |text: &str| text.replace("bench: stand-in with", &format!("bench: \"{MARKUP}\" # "));
    let bench = changed_bench(folder.path(), "hostile.yaml", hostile);
    let old = record(&folder, "old.sqlite", &[]);
    let new = record(&folder, "new.sqlite", &["--bench", &bench, "--changed", "<img src=x>\u{1b}[2J"]);
    let page = folder.path().join("page.html");
    let ran = compare(&old, &new, &["--html", text(&page)]);
    assert_eq!(ran.status, Some(0), "{ran:?}");
    assert!(!ran.out.contains('\u{1b}') && ran.out.contains("\\u{1b}[2J"), "{ran:?}");
    let page = fs::read_to_string(page).expect("a page");
    assert!(page.contains("&lt;/td&gt;&lt;script&gt;alert(1)"));
    for never in ["<script", "<img", "http:", "https:", "javascript:", "\u{1b}"] {
        assert!(!page.contains(never), "{never}");
    }
    assert!(page.lines().all(|line| !line.contains(" onload=\"")));
    let json = compare(&old, &new, &["--format", "json"]);
    assert!(!json.out.contains('\u{1b}'), "{json:?}");
}

#[test]
fn a_page_never_takes_the_place_of_a_record() {
    let folder = folder();
    let it = record(&folder, "it.sqlite", &[]);
    let ran = compare(&it, &it, &["--html", &it]);
    assert_eq!((ran.status, ran.out.as_str()), (Some(4), ""), "{ran:?}");
    let ran = compare(&it, "no-such-record.sqlite", &[]);
    assert_eq!((ran.status, ran.out.as_str()), (Some(4), ""), "{ran:?}");
}

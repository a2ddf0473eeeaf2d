//! Which scenarios are meant: those of a sweep, and those that options choose.

mod command;

use command::dryfire;
use command::files::{LID_IS_OPENED, library, probe_opens};
use rstest::rstest;
use serde_json::Value;
use tempfile::TempDir;

fn text(path: &std::path::Path) -> &str {
    path.to_str().expect("UTF-8")
}

/// Six scenarios in two files: one for each zone and moment, and one about the lid.
fn swept() -> TempDir {
    let sweep = probe_opens("the probe opens", "401 °C", "10 s")
        .replace("script:", "sweep: { zone: [top, bottom, 2], late: [0.5 s, 1 s] }\ntags: [quick]\nscript:")
        .replace("for 0.5 s", "for $late")
        .replace("open: probe", "open: probe.$zone");
    library(&[("one.yaml", &sweep), ("two.yaml", LID_IS_OPENED)])
}

/// Names of the scenarios that ran.
fn run(arguments: &[&str]) -> Vec<String> {
    let ran = dryfire(&[&["run", "--no-record", "--format", "json"], arguments].concat());
    assert_eq!(ran.status, Some(0), "{ran:?}");
    let lines = ran.out.lines().map(|line| serde_json::from_str::<Value>(line).expect("a line of JSON"));
    let results = lines.filter(|line| line["type"] == "result");
    results.map(|line| line["scenario"].as_str().expect("a name").to_owned()).collect()
}

const ALL: [&str; 7] = [
    "the probe opens (zone top, late 0.5 s)",
    "the probe opens (zone top, late 1 s)",
    "the probe opens (zone bottom, late 0.5 s)",
    "the probe opens (zone bottom, late 1 s)",
    "the probe opens (zone 2, late 0.5 s)",
    "the probe opens (zone 2, late 1 s)",
    "the lid is opened",
];

#[rstest]
#[case::everything(&[], &ALL)]
#[case::words(&["--only", "Zone 2"], &ALL[4..6])]
#[case::words_of_the_file(&["--only", "two.yaml"], &ALL[6..])]
#[case::any_of_several_words(&["--only", "zone top", "--only", "lid"], &[ALL[0], ALL[1], ALL[6]])]
#[case::hazard(&["--hazard", "lid-open"], &ALL[6..])]
#[case::tag(&["--tag", "quick"], &ALL[..6])]
#[case::each_option_counts(&["--tag", "quick", "--hazard", "probe-open", "--only", "late 1 s"], &[ALL[1], ALL[3], ALL[5]])]
fn scenarios_are_chosen_by_words_hazards_and_tags(#[case] options: &[&str], #[case] meant: &[&str]) {
    let folder = swept();
    assert_eq!(run(&[&[text(folder.path())], options].concat()), meant);
}

#[rstest]
#[case::words(&["--only", "lit"], "--only lit: no scenario has that in its name or its file's")]
#[case::hazard(&["--hazard", "probe-opens"], "did you mean `probe-open`?")]
#[case::tag(&["--tag", "slow"], "there are quick")]
#[case::nothing_left(&["--tag", "quick", "--hazard", "lid-open"], "no scenario is left by all the options together")]
fn what_nothing_has_is_a_mistake_and_nothing_runs(#[case] options: &[&str], #[case] says: &str) {
    let folder = swept();
    for command in [&["run", "--no-record"][..], &["explain"], &["challenge"]] {
        let ran = dryfire(&[command, &[text(folder.path())], options].concat());
        assert_eq!(ran.status, Some(4), "{ran:?}");
        assert_eq!(ran.out, "", "{ran:?}");
        assert!(ran.err.contains(says), "{ran:?}");
    }
}

/// A record keeps for each run a file that gives its scenario alone.
#[test]
fn the_runs_of_a_sweep_are_judged_again_from_their_record_each_by_itself() {
    let folder = swept();
    let record = folder.path().join("it.sqlite");
    let ran = dryfire(&["run", text(folder.path()), "--record", text(&record)]);
    assert_eq!(ran.status, Some(0), "{ran:?}");
    let ran = dryfire(&["rejudge", text(&record)]);
    assert_eq!(ran.status, Some(0), "{ran:?}");
    assert_eq!(ran.out, "7 of 7 runs come to what is recorded, bit for bit\n");
}

//! Records of whole sessions: made, verified, judged again, exported, gone on with.
#![expect(clippy::disallowed_methods, reason = "tests write and read files")]

mod command;

use std::fs;
use std::path::Path;

use command::files::{LID_IS_OPENED, RELAY_WELDS, changed_bench, library, probe_opens};
use command::{Ran, dryfire, dryfire_with};
use dryfire_record::{Note, Record};
use rstest::rstest;
use tempfile::TempDir;

fn text(path: &Path) -> &str {
    path.to_str().expect("UTF-8")
}

/// A folder with two scenarios and a record of them.
fn recorded() -> (TempDir, String) {
    let folder =
        library(&[("one.yaml", &probe_opens("the probe opens", "401 °C", "10 s")), ("two.yaml", LID_IS_OPENED)]);
    let record = folder.path().join("it.sqlite");
    let ran = dryfire(&[
        "run",
        text(folder.path()),
        "--record",
        text(&record),
        "--note",
        "=1+1 <b>",
        "--changed",
        "top: 1280 °C, now 300 °C",
    ]);
    assert_eq!(ran.status, Some(0), "{ran:?}");
    let said = format!("Record: {} (sealed, SHA-256 ", record.display());
    assert!(ran.out.lines().last().is_some_and(|line| line.starts_with(&said)), "{ran:?}");
    let record = text(&record).to_owned();
    (folder, record)
}

fn verified(record: &str) -> Ran {
    dryfire(&["verify", record])
}

#[test]
fn a_record_is_as_it_was_sealed_until_a_byte_is_changed() {
    let (_folder, record) = recorded();
    let ran = verified(&record);
    assert_eq!(ran.status, Some(0), "{ran:?}");
    assert!(ran.out.starts_with("As sealed: ") && ran.out.contains("Not signed: "), "{ran:?}");
    let mut bytes = fs::read(&record).expect("a record");
    let middle = bytes.len() / 2;
    bytes[middle] ^= 0x10;
    fs::write(&record, &bytes).expect("written");
    let ran = verified(&record);
    assert_eq!(ran.status, Some(1), "{ran:?}");
    let page = middle / 4_096;
    let said = format!("  bytes {} to {}: page {}: `", page * 4_096, page * 4_096 + 4_095, page + 1);
    assert!(ran.out.contains(&said), "{said}: {ran:?}");
}

#[test]
fn a_side_file_beside_a_sealed_record_is_a_change() {
    let (_folder, record) = recorded();
    fs::write(format!("{record}-wal"), b"forged").expect("written");
    let ran = verified(&record);
    assert_eq!(ran.status, Some(1), "{ran:?}");
    assert!(ran.out.contains("lies beside a finished record"), "{ran:?}");
}

#[test]
fn nothing_is_told_of_a_record_that_is_not_as_sealed() {
    let (_folder, record) = recorded();
    let out = format!("{record}.html");
    let told: [&[&str]; 3] =
        [&["report", &record, "--out", &out], &["export", &record, "--as", "junit"], &["compare", &record, &record]];
    for call in told {
        assert_eq!(dryfire(call).status, Some(0), "{call:?}");
    }
    fs::remove_file(&out).expect("a report");
    let bytes = fs::read(&record).expect("a record");
    // A word that is still one, so that the record opens.
    let (was, is) = (b"lid is opened", b"lad is opened");
    let at: Vec<usize> = (0..bytes.len() - was.len()).filter(|at| bytes[*at..].starts_with(was)).collect();
    let mut changed = bytes.clone();
    at.iter().for_each(|at| changed[*at..*at + is.len()].copy_from_slice(is));
    assert_ne!(changed, bytes);
    fs::write(&record, &changed).expect("written");
    for call in told {
        let ran = dryfire(call);
        assert_eq!((ran.status, ran.out.as_str()), (Some(3), ""), "{call:?} {ran:?}");
        assert!(ran.err.contains("was changed after the session"), "{call:?} {ran:?}");
    }
    assert!(!fs::exists(&out).expect("a folder"));
    // Without a seal nobody knows; that is said.
    fs::write(&record, &bytes).expect("written");
    fs::remove_file(format!("{record}.seal")).expect("a seal");
    for call in told {
        let ran = dryfire(call);
        assert_eq!(ran.status, Some(0), "{call:?} {ran:?}");
        assert!(ran.err.contains("has no seal beside it"), "{call:?} {ran:?}");
    }
}

#[test]
fn a_record_without_its_seal_is_not_called_as_sealed() {
    let (_folder, record) = recorded();
    fs::remove_file(format!("{record}.seal")).expect("a seal");
    let ran = verified(&record);
    assert_eq!((ran.status, ran.out.starts_with("Not sealed: ")), (Some(2), true), "{ran:?}");
}

#[rstest]
#[case::missing(None, "there is no file")]
#[case::text(Some("not a record"), "it is no SQLite file")]
fn what_is_no_record_is_refused(#[case] content: Option<&str>, #[case] why: &str) {
    let folder = TempDir::new().expect("a folder");
    let path = folder.path().join("it.sqlite");
    if let Some(content) = content {
        fs::write(&path, content).expect("written");
    }
    for arguments in [
        &["verify", text(&path)][..],
        &["rejudge", text(&path)],
        &["export", text(&path), "--as", "csv"],
        &["run", "--resume", text(&path)],
    ] {
        let ran = dryfire(arguments);
        assert_eq!(ran.status, Some(4), "{ran:?}");
        assert!(ran.err.contains(why) || ran.err.contains("No such file"), "{arguments:?} {ran:?}");
        assert_eq!(ran.out, "");
    }
}

#[test]
fn judging_again_comes_to_the_same() {
    let (_folder, record) = recorded();
    let ran = dryfire(&["rejudge", &record]);
    assert_eq!(ran.status, Some(0), "{ran:?}");
    assert_eq!(ran.out, "2 of 2 runs come to what is recorded, bit for bit\n");
}

#[test]
fn other_expectations_are_judged_without_a_new_run_and_marked() {
    let (folder, record) = recorded();
    let before = fs::read(&record).expect("a record");
    // The same run, and a limit that the stand-in does not keep to.
    let stricter = folder.path().join("stricter.yaml");
    fs::write(&stricter, probe_opens("the probe opens", "401 °C", "0.1 s")).expect("written");
    let ran = dryfire(&["rejudge", &record, "--scenario", text(&stricter)]);
    assert_eq!(ran.status, Some(1), "{ran:?}");
    assert!(ran.out.starts_with("Judged by changed expectations, without a new run"), "{ran:?}");
    assert!(ran.out.contains("  fail heat is cut, -") && ran.out.contains("  now fail, recorded pass"), "{ran:?}");
    assert_eq!(fs::read(&record).expect("a record"), before, "the record is not changed");
    // A new run gives the very same.
    let rerun = dryfire(&["run", text(&stricter), "--bench", text(&folder.path().join("benches/virtual.yaml"))]);
    assert_eq!(rerun.status, Some(1), "{rerun:?}");
    let margin = ran.out.split("fail heat is cut, ").nth(1).and_then(|rest| rest.split(':').next()).expect("a margin");
    assert!(rerun.out.contains(margin), "{margin} {rerun:?}");
}

#[test]
fn what_follows_from_what_was_observed_can_be_asked_for_afterwards() {
    let (folder, record) = recorded();
    let asked = folder.path().join("asked.yaml");
    let more = "  - { name: spread, always: kiln spread < 500 °C }\n  - { name: slow, after: begin + 5 min, never: rate of kiln over 5 min > 9000 °C/h }\n  - { name: said, never: 'console says \"nothing like that\"' }\nend:";
    fs::write(&asked, probe_opens("the probe opens", "401 °C", "10 s").replacen("end:", more, 1)).expect("written");
    let ran = dryfire(&["rejudge", &record, "--scenario", text(&asked)]);
    let rerun = dryfire(&[
        "run",
        text(&asked),
        "--format",
        "json",
        "--bench",
        text(&folder.path().join("benches/virtual.yaml")),
    ]);
    assert_eq!((ran.status, rerun.status), (Some(0), Some(0)), "{ran:?} {rerun:?}");
    for name in ["spread", "slow", "said"] {
        assert!(ran.out.contains(&format!("  pass {name}")), "{name} {ran:?}");
        assert!(
            rerun.out.contains(&format!("{{\"name\":\"{name}\",\"hazards\":[\"probe-open\"],\"verdict\":\"pass\"")),
            "{rerun:?}"
        );
    }
}

#[rstest]
#[case::another_script("401 °C", "402 °C", "`script` is not as it was in that run, so a new run is needed")]
#[case::another_end("end: ", "end: 1", "`end` is not as it was in that run, so a new run is needed")]
fn another_run_cannot_be_judged_from_this_one(#[case] was: &str, #[case] is: &str, #[case] why: &str) {
    let (folder, record) = recorded();
    let other = folder.path().join("other.yaml");
    fs::write(&other, probe_opens("the probe opens", "401 °C", "10 s").replacen(was, is, 1)).expect("written");
    let ran = dryfire(&["rejudge", &record, "--scenario", text(&other)]);
    assert_eq!(ran.status, Some(2), "{ran:?}");
    assert!(ran.out.contains(&format!("  not judged: {why}")), "{ran:?}");
}

#[test]
fn a_scenario_of_another_name_is_a_mistake() {
    let (folder, record) = recorded();
    let other = folder.path().join("other.yaml");
    fs::write(&other, probe_opens("another", "401 °C", "10 s")).expect("written");
    let ran = dryfire(&["rejudge", &record, "--scenario", text(&other)]);
    assert_eq!(ran.status, Some(4), "{ran:?}");
    assert!(ran.err.contains("the record has no run of the scenario `another`"), "{ran:?}");
}

#[test]
fn the_json_lines_of_a_record_are_those_of_its_session() {
    let folder = library(&[
        ("one.yaml", &probe_opens("the probe opens", "401 °C", "10 s")),
        ("two.yaml", LID_IS_OPENED),
        ("vain.yaml", &probe_opens("the probe opens in vain", "990 °C", "10 s")),
        ("welds.yaml", RELAY_WELDS),
    ]);
    let bench = changed_bench(folder.path(), "no-lid.yaml", |text| {
        text.replace("  - { role: lid, output: 0, engaged: open }\n", "")
    });
    let record = folder.path().join("it.sqlite");
    let live = dryfire(&["run", text(folder.path()), "--bench", &bench, "--format", "json", "--record", text(&record)]);
    assert!(live.out.contains("\"not-applicable\"") && live.out.contains("\"inconclusive\""), "{live:?}");
    let later = dryfire(&["export", text(&record), "--as", "json"]);
    assert_eq!(later.status, Some(0), "{later:?}");
    assert_eq!(later.out, live.out);
}

#[test]
fn a_run_has_to_be_named_where_there_are_several() {
    let (_folder, record) = recorded();
    let ran = dryfire(&["export", &record, "--as", "vcd"]);
    assert_eq!(ran.status, Some(4), "{ran:?}");
    insta::assert_snapshot!(ran.err, @r"
    error: 2 runs were begun, and one has to be named
      hint: --run 1: the probe opens
      hint: --run 2: the lid is opened
    ");
}

#[test]
fn a_record_is_never_written_over_a_file_and_nothing_runs() {
    let folder = library(&[("one.yaml", LID_IS_OPENED)]);
    let mine = folder.path().join("mine.txt");
    fs::write(&mine, "mine").expect("written");
    let ran = dryfire(&["run", text(folder.path()), "--record", text(&mine)]);
    assert_eq!((ran.status, ran.out.as_str()), (Some(4), ""), "{ran:?}");
    assert!(ran.err.contains("is there already, and a record is never written over another file"), "{ran:?}");
    assert_eq!(fs::read_to_string(&mine).expect("still there"), "mine");
}

#[test]
fn a_folder_that_is_none_is_said_before_anything_runs() {
    let folder = library(&[("one.yaml", LID_IS_OPENED)]);
    let in_the_way = folder.path().join("evidence");
    fs::write(&in_the_way, "a file").expect("written");
    // Without the `--no-record` that other tests get.
    let mut recording = command::call(&[]);
    recording.args(["run", text(folder.path())]).env("DRYFIRE_EVIDENCE", &in_the_way);
    let ran = command::ran(recording.output().expect("the binary starts"));
    assert_eq!((ran.status, ran.out.as_str()), (Some(4), ""), "{ran:?}");
    assert!(ran.err.contains("for records cannot be used") && ran.err.contains("--no-record"), "{ran:?}");
}

#[test]
fn records_without_a_name_are_dated_and_never_take_one_that_is_there() {
    let folder = library(&[("one.yaml", LID_IS_OPENED)]);
    let evidence = folder.path().join("evidence");
    for _ in 0..3 {
        let mut call = command::call(&[]);
        call.args(["run", text(folder.path())]).env("DRYFIRE_EVIDENCE", &evidence);
        assert_eq!(command::ran(call.output().expect("the binary starts")).status, Some(0));
    }
    let names: Vec<String> = fs::read_dir(&evidence)
        .expect("a folder")
        .map(|entry| entry.expect("an entry").file_name().to_string_lossy().into_owned())
        .collect();
    assert_eq!(names.iter().filter(|name| name.ends_with(".sqlite")).count(), 3, "{names:?}");
    assert_eq!(names.iter().filter(|name| name.ends_with(".sqlite.seal")).count(), 3, "{names:?}");
    assert!(names.iter().all(|name| name.starts_with("20")), "{names:?}");
}

#[test]
fn a_session_that_was_interrupted_is_gone_on_with() {
    // The record of a session that is over is no session to go on with.
    let (_folder, record) = recorded();
    let ran = dryfire_with(&["run", "--resume", &record], &[]);
    assert_eq!(ran.status, Some(4), "{ran:?}");
    assert!(ran.err.contains("is finished; there is nothing to go on with"), "{ran:?}");
}

#[test]
fn log_lines_and_the_proof_that_the_bench_can_fail_are_in_the_record_and_in_the_report() {
    let (folder, path) = recorded();
    let record = Record::open(Path::new(&path)).expect("a record");
    let log = record.log().expect("log lines");
    for run in record.runs() {
        let begins = |line: &&Note| line.run == Some(run.number) && line.text.starts_with("run begins bench=");
        assert_eq!(log.iter().filter(begins).count(), 1, "{log:#?}");
    }
    assert!(log.iter().all(|line| line.kind == "info" && line.at.ends_with('Z')), "{log:#?}");
    let proofs = |record: &Record| {
        let notes = record.notes().expect("notes");
        notes.into_iter().filter(|note| note.kind == "proof").map(|note| note.text).collect::<Vec<_>>()
    };
    let said = proofs(&record);
    assert!(said.len() == 1 && said[0].starts_with("no proving run was needed;"), "{said:?}");
    let report = |record: &str, name: &str| {
        let out = folder.path().join(name);
        let ran = dryfire(&["report", record, "--out", text(&out)]);
        assert_eq!(ran.status, Some(0), "{ran:?}");
        fs::read_to_string(out).expect("a report")
    };
    let page = report(&path, "one.html");
    assert!(page.contains(&format!("<dt>Whether the bench can fail</dt><dd>{}", said[0])), "{page}");
    assert!(page.contains(&format!("<p>{} are in the record; none is a warning or an error.</p>", log.len())));
    // A relay that no scenario of the session turns on, and a pass that rests on its being off.
    let idle = folder.path().join("idle.sqlite");
    let scenario = "format: 1\nscenario: nothing heats by itself\nhazards: [heat-while-idle]\nwhy: Nobody asked it to.\n\
                    limits from: invented for a test\nexpect: [{ name: no heat, never: element on }]\nend: 10 min\n";
    let alone = library(&[("idle.yaml", scenario)]);
    let ran = dryfire(&["run", text(alone.path()), "--record", text(&idle)]);
    assert_eq!(ran.status, Some(0), "{ran:?}");
    let record = Record::open(&idle).expect("a record");
    let said = proofs(&record);
    assert!(said.len() == 1 && said[0].starts_with("proving run: in a firing with nothing broken"), "{said:?}");
    let shown = "proving the bench: what has to fail has failed: this bench can fail";
    let log = record.log().expect("log lines");
    assert!(log.iter().any(|line| line.run.is_none() && line.text == shown), "{log:#?}");
    assert!(report(text(&idle), "idle.html").contains(&said[0]));
}

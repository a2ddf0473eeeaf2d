//! Sessions that were broken off, and are gone on with.

use std::fs;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::time::Duration;

use dryfire_record::Record;
use dryfire_tests::dryfire;
use tempfile::TempDir;

use crate::text;

/// A library of some scenarios and a bench with a firmware image, and an unfinished record of it of which
/// some runs stand.
fn broken_off(folder: &Path, selected: &[&str]) -> PathBuf {
    for part in ["kilns", "people", "probe", "supply"] {
        fs::create_dir(folder.join(part)).expect("a folder");
        for entry in fs::read_dir(dryfire_tests::root().join("scenarios").join(part)).expect("a part of the library") {
            let entry = entry.expect("an entry");
            fs::copy(entry.path(), folder.join(part).join(entry.file_name())).expect("a copy");
        }
    }
    fs::create_dir(folder.join("benches")).expect("a folder");
    let bench = dryfire_tests::read("scenarios/benches/virtual.yaml");
    let named =
        bench.replace("controller: { name: stand-in }", "controller: { name: stand-in, firmware image: image.bin }");
    assert_ne!(bench, named);
    fs::write(folder.join("benches/virtual.yaml"), named).expect("a bench");
    fs::write(folder.join("benches/image.bin"), b"an invented image").expect("an image");
    for attempt in 0..10 {
        let path = folder.join(format!("{attempt}.sqlite"));
        let mut child = dryfire()
            .args(["run", text(folder), "--jobs", "1", "--format", "json", "--record", text(&path)])
            .args(selected)
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("dryfire starts");
        let out = child.stdout.take().expect("a pipe");
        let told = std::thread::spawn(move || BufReader::new(out).lines().map_while(Result::ok).for_each(drop));
        // Until some runs stand in the record.
        let stand = |record: &Record| record.runs().iter().filter(|run| run.standing().is_some()).count();
        while Record::open(&path).map_or(0, |record| stand(&record)) < 8 && child.try_wait().expect("a child").is_none()
        {
            std::thread::park_timeout(Duration::from_millis(5));
        }
        child.kill().expect("killed");
        child.wait().expect("gone");
        told.join().expect("read");
        let record = Record::open(&path).expect("a record");
        let stands = record.runs().iter().filter(|run| run.standing().is_some()).count();
        if !record.session().finished && stands > 0 {
            return path;
        }
    }
    panic!("ten sessions were never broken off in the middle");
}

#[test]
fn what_was_kept_of_a_broken_session_is_given_up_where_anything_it_rests_on_has_changed() {
    let folder = TempDir::new().expect("a folder");
    let broken = broken_off(folder.path(), &[]);
    let record = Record::open(&broken).expect("a record");
    let kept: Vec<usize> = record.runs().iter().filter(|run| run.standing().is_some()).map(|run| run.number).collect();
    let runs = record.runs().len();
    let first = record.scenario_file(&record.runs()[kept[0] - 1]).expect("its file").path.clone();
    let add = |path: &Path| {
        let before = fs::read(path).expect("a file");
        fs::write(path, [&before[..], b"# changed\n"].concat()).expect("written");
        before
    };
    let cases = [
        (None, format!("{} runs kept, {} to do", kept.len(), runs - kept.len())),
        (Some(PathBuf::from(first)), format!("{} runs kept, {} to do", kept.len() - 1, runs - kept.len() + 1)),
        (Some(folder.path().join("benches/virtual.yaml")), "the bench file is not the recorded one".to_owned()),
        (Some(folder.path().join("kilns/three-ring.yaml")), "the kiln file is not the recorded one".to_owned()),
        (Some(folder.path().join("benches/image.bin")), "the image file is not the recorded one".to_owned()),
    ];
    for (case, (changed, said)) in cases.into_iter().enumerate() {
        let copy = folder.path().join(format!("copy-{case}.sqlite"));
        copied(&broken, &copy);
        let before = changed.as_ref().map(|path| (path, add(path)));
        let output = dryfire().args(["run", "--resume", text(&copy)]).output().expect("dryfire starts");
        let told = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(0), "{told}");
        assert!(told.contains(&said), "{said}: {told}");
        if case > 1 {
            assert!(told.contains(&format!("0 runs kept, {runs} to do")), "{told}");
        }
        let record = Record::open(&copy).expect("a record");
        let notes = record.notes().expect("notes");
        assert!(notes.iter().any(|note| note.kind == "resumed" && note.text.contains(&said)), "{notes:?}");
        assert!(record.session().finished);
        if let Some((path, before)) = before {
            fs::write(path, before).expect("as it was");
        }
    }
}

/// A session of a part of the library stays one of that part, and goes on saying so.
#[test]
fn what_was_picked_stays_picked_and_is_told_in_the_same_words() {
    let folder = TempDir::new().expect("a folder");
    let broken = broken_off(folder.path(), &["--hazard", "probe-open", "--hazard", "stop-pressed"]);
    let picked = |record: &Record| record.facts_about("selection").next().cloned().expect("what was picked");
    let planned =
        |record: &Record| record.runs().iter().map(|run| run.planned.scenario.clone()).collect::<Vec<String>>();
    let before = Record::open(&broken).expect("a record");
    let (said, scenarios) = (picked(&before), planned(&before));
    assert!(said.value.contains("probe-open") && said.value.contains("stop-pressed"), "{said:?}");
    let output = dryfire().args(["run", "--resume", text(&broken)]).output().expect("dryfire starts");
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    let after = Record::open(&broken).expect("a record");
    assert!(after.session().finished);
    assert_eq!(picked(&after), said);
    assert_eq!(after.facts_about("selection").count(), 1);
    assert_eq!(planned(&after), scenarios);
    let page = folder.path().join("page.html");
    let output = dryfire().args(["report", text(&broken), "--out", text(&page)]).output().expect("dryfire starts");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let page = fs::read_to_string(&page).expect("a page");
    assert!(page.contains("probe-open") && page.contains(&format!("{} of ", scenarios.len())), "{}", &page[..4000]);
}

/// A record with its side file, as it lies there.
fn copied(from: &Path, to: &Path) {
    for ending in ["", "-wal"] {
        let from = PathBuf::from(format!("{}{ending}", text(from)));
        if from.exists() {
            fs::copy(from, format!("{}{ending}", text(to))).expect("a copy");
        }
    }
}

#[test]
fn what_another_version_of_the_program_has_recorded_is_not_kept() {
    let folder = TempDir::new().expect("a folder");
    let broken = broken_off(folder.path(), &[]);
    let copy = folder.path().join("older.sqlite");
    copied(&broken, &copy);
    let opened = rusqlite::Connection::open(&copy).expect("a record");
    assert_eq!(opened.execute("UPDATE session SET tool = 'dryfire 0.0.9'", []).expect("changed"), 1);
    drop(opened);
    let runs = Record::open(&copy).expect("a record").runs().len();
    let output = dryfire().args(["run", "--resume", text(&copy)]).output().expect("dryfire starts");
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(0), "{told}");
    assert!(told.contains("everything starts again: it was recorded by dryfire 0.0.9"), "{told}");
    assert!(told.contains(&format!("0 runs kept, {runs} to do")), "{told}");
    let record = Record::open(&copy).expect("a record");
    assert_ne!(record.session().facts.tool, "dryfire 0.0.9");
    assert!(record.notes().expect("notes").iter().any(|note| note.text.contains("dryfire 0.0.9")));
}

#[test]
fn a_repeated_session_that_was_broken_off_comes_to_what_an_unbroken_one_comes_to() {
    let folder = TempDir::new().expect("a folder");
    let (whole, broken) = (folder.path().join("whole.sqlite"), folder.path().join("broken.sqlite"));
    let call = |record: &Path| {
        let mut command = dryfire();
        command.args(["run", "scenarios/people", "scenarios/supply", "--repeat", "3", "--jobs", "1", "--record"]);
        command.arg(record).stdout(Stdio::null()).stderr(Stdio::null());
        command
    };
    assert_eq!(call(&whole).status().expect("dryfire starts").code(), Some(0));
    let whole = Record::open(&whole).expect("a record");
    let runs = whole.runs().len();
    let stand = |record: &Record| record.runs().iter().filter(|run| run.standing().is_some()).count();
    // Killed in the second repetition.
    let mut child = call(&broken).spawn().expect("dryfire starts");
    while Record::open(&broken).map_or(0, |record| stand(&record)) <= runs / 3 {
        assert!(child.try_wait().expect("a child").is_none(), "it was over before anybody looked");
        std::thread::park_timeout(Duration::from_millis(2));
    }
    child.kill().expect("killed");
    child.wait().expect("gone");
    let kept = stand(&Record::open(&broken).expect("a record"));
    assert!((runs / 3..runs).contains(&kept), "{kept} of {runs}");
    let output = dryfire().args(["run", "--resume", text(&broken)]).output().expect("dryfire starts");
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(0), "{told}");
    assert!(told.contains(&format!("{kept} runs kept, {} to do", runs - kept)), "{told}");
    let resumed = Record::open(&broken).expect("a record");
    assert_eq!(resumed.runs().len(), runs);
    for (run, unbroken) in resumed.runs().iter().zip(whole.runs()) {
        assert_eq!(run.repetition, unbroken.repetition, "run {}", run.number);
        assert_eq!(run.planned.seed, unbroken.planned.seed, "run {}", run.number);
        assert_eq!(run.result, unbroken.result, "run {}", run.number);
    }
    // Log lines count the runs of the whole plan, before and after.
    let log = resumed.log().expect("log lines");
    for number in kept + 2..=runs {
        let begins = log.iter().filter(|line| line.run == Some(number) && line.text.starts_with("run begins"));
        assert_eq!(begins.count(), 1, "run {number}: {log:#?}");
    }
}

//! Records of whole sessions: killed at any instant, changed by a byte, signed, read by other programs.
#![expect(
    clippy::disallowed_methods,
    clippy::disallowed_types,
    clippy::print_stderr,
    reason = "tests of the whole system read files, start programs, and say what was skipped"
)]

use std::fs;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

use dryfire_record::{Record, RunState, Seal, SealCheck, seal};
use dryfire_tests::dryfire;
use tempfile::TempDir;

/// Numbers from a seed (SplitMix64; Steele, Lea and Flood 2014, constants from memory).
struct Numbers(u64);

impl Numbers {
    fn next(&mut self, below: u64) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        (mixed ^ (mixed >> 31)) % below
    }
}

fn text(path: &Path) -> &str {
    path.to_str().expect("UTF-8")
}

/// A record of one short scenario.
fn small() -> (TempDir, PathBuf) {
    let folder = TempDir::new().expect("a folder");
    let path = folder.path().join("small.sqlite");
    let output = dryfire()
        .args(["run", "scenarios/people/stop-pressed.yaml", "--record", text(&path)])
        .output()
        .expect("dryfire starts");
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    (folder, path)
}

/// So many kills at instants between nothing and the whole length of the session.
const KILLS: u64 = 100;

#[test]
fn killed_at_any_instant_a_record_opens_says_unfinished_and_is_gone_on_with() {
    let mut numbers = Numbers(20_261_125);
    let folder = TempDir::new().expect("a folder");
    let scenarios = ["scenarios/people", "scenarios/time"];
    // Most of the kills come after the record is begun: reading and checking the files takes a while.
    let whole = std::time::Instant::now();
    let rehearsal = folder.path().join("rehearsal.sqlite");
    let mut child = dryfire()
        .args(["run", "--jobs", "2", "--record", text(&rehearsal)])
        .args(scenarios)
        .stdout(Stdio::null())
        .spawn()
        .expect("dryfire starts");
    let micros = || u64::try_from(whole.elapsed().as_micros()).expect("not for ever");
    while Record::open(&rehearsal).is_err() {
        std::thread::park_timeout(Duration::from_millis(1));
    }
    let begins = micros() * 3 / 4;
    assert_eq!(child.wait().expect("it ends").code(), Some(0));
    let length = micros() - begins;
    let (mut empty, mut begun, mut finished, mut resumed) = (0, 0, 0, 0);
    for kill in 0..KILLS {
        let path = folder.path().join(format!("{kill}.sqlite"));
        let mut child = dryfire()
            .args(["run", "--jobs", "2", "--record", text(&path)])
            .args(scenarios)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("dryfire starts");
        // SIGKILL: nothing of the program runs any more.
        std::thread::park_timeout(Duration::from_micros(begins + numbers.next(length)));
        child.kill().expect("killed");
        child.wait().expect("gone");
        if !path.exists() {
            empty += 1;
            continue;
        }
        let verify = dryfire().args(["verify", text(&path)]).output().expect("dryfire starts");
        let record = match Record::open(&path) {
            Ok(record) => record,
            Err(error) => {
                // Killed before the record was begun: nothing had run, and nothing takes it for a record.
                let begun_said = error.to_string();
                assert!(begun_said.contains("killed before"), "{begun_said}");
                assert_eq!(verify.status.code(), Some(4), "{error}");
                empty += 1;
                continue;
            }
        };
        if record.session().finished {
            assert_eq!(verify.status.code(), Some(0), "a finished record is sealed");
            finished += 1;
            continue;
        }
        begun += 1;
        assert_eq!(verify.status.code(), Some(2));
        assert!(String::from_utf8_lossy(&verify.stdout).starts_with("Unfinished: "));
        let junit = dryfire().args(["export", text(&path), "--as", "junit"]).output().expect("dryfire starts");
        assert!(String::from_utf8_lossy(&junit.stdout).contains("<error type=\"unfinished\""), "never read as a pass");
        // The file alone, without its side file.
        let alone = folder.path().join("alone.sqlite");
        fs::copy(&path, &alone).expect("copied");
        match Record::open(&alone) {
            Ok(alone) => assert!(!alone.session().finished, "the file alone says unfinished"),
            Err(error) => assert!(error.to_string().contains("record"), "{error}"),
        }
        // Every tenth is gone on with; all would take minutes.
        if begun % 10 == 1 {
            let kept: Vec<usize> =
                record.runs().iter().filter(|run| run.standing().is_some()).map(|run| run.number).collect();
            let output = dryfire().args(["run", "--resume", text(&path)]).output().expect("dryfire starts");
            assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
            let record = Record::open(&path).expect("a record");
            assert!(record.session().finished);
            assert!(record.runs().iter().all(|run| run.state == RunState::Finished));
            let said = String::from_utf8_lossy(&output.stderr).into_owned();
            assert!(said.contains(&format!("{} runs kept", kept.len())), "{said}");
            assert_eq!(dryfire().args(["verify", text(&path)]).output().expect("starts").status.code(), Some(0));
            assert_eq!(dryfire().args(["rejudge", text(&path)]).output().expect("starts").status.code(), Some(0));
            resumed += 1;
        }
    }
    assert!(begun >= KILLS / 4, "killed before {empty}, in the middle {begun}, after {finished}");
    assert!(resumed > 0);
}

/// What a session tells on its standard output while it goes on, line by line, with when it came.
fn edges_by_run(lines: &[(std::time::Instant, String)], until: std::time::Instant) -> Vec<usize> {
    let mut edges = Vec::new();
    for line in lines.iter().filter(|(at, _)| *at <= until).map(|(_, line)| line) {
        let Ok(line) = serde_json::from_str::<serde_json::Value>(line) else { continue };
        let Some(run) = line["run"].as_u64().and_then(|run| usize::try_from(run).ok()) else { continue };
        if edges.len() < run {
            edges.resize(run, 0);
        }
        edges[run - 1] += usize::from(line["type"] == "edge");
    }
    edges
}

#[test]
fn what_was_told_a_second_before_the_kill_is_in_the_record() {
    let mut numbers = Numbers(20_261_126);
    let folder = TempDir::new().expect("a folder");
    let (mut looked, mut broken_off) = (0, 0);
    for kill in 0..12 {
        let path = folder.path().join(format!("{kill}.sqlite"));
        // One run at a time is told as it goes on. So many that none of the kills comes after the end.
        let mut child = dryfire()
            .args(["run", "scenarios", "--jobs", "1", "--repeat", "50", "--format", "json", "--record", text(&path)])
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("dryfire starts");
        let out = child.stdout.take().expect("a pipe");
        let told = std::thread::spawn(move || {
            let lines = BufReader::new(out).lines().map_while(Result::ok);
            lines.map(|line| (std::time::Instant::now(), line)).collect::<Vec<_>>()
        });
        // It takes a while until so many runs are planned and the record is begun.
        while Record::open(&path).is_err() {
            std::thread::park_timeout(Duration::from_millis(20));
        }
        std::thread::park_timeout(Duration::from_millis(1_500 + numbers.next(2_000)));
        let killed = std::time::Instant::now();
        child.kill().expect("killed");
        child.wait().expect("gone");
        let told = told.join().expect("read");
        let record = Record::open(&path).expect("a record");
        assert!(!record.session().finished);
        broken_off += 1;
        let before = killed.checked_sub(Duration::from_secs(1)).expect("the clock has run longer");
        for (run, edges) in record.runs().iter().zip(edges_by_run(&told, before)) {
            let kept = record.edges(run).expect("edges").len();
            assert!(kept >= edges, "run {}: {edges} edges were told a second before, {kept} are kept", run.number);
            looked += edges;
        }
    }
    assert!(broken_off == 12 && looked > 1_000, "{broken_off} sessions, {looked} edges");
}

/// A simulated rig behind a pseudo-terminal; ended with its owner.
struct SimulatedRig {
    child: std::process::Child,
    port: String,
    /// Read from no more, and kept open: who writes into a closed pipe is ended.
    _out: BufReader<std::process::ChildStdout>,
}

impl SimulatedRig {
    fn start(more: &[&str]) -> Self {
        let mut child = dryfire()
            .args(["rig", "simulate", "--bench", RIG])
            .args(more)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::inherit())
            .spawn()
            .expect("dryfire starts");
        let mut out = BufReader::new(child.stdout.take().expect("a pipe"));
        let mut port = String::new();
        out.read_line(&mut port).expect("the rig names its port");
        SimulatedRig { child, port: port.trim().to_owned(), _out: out }
    }
}

impl Drop for SimulatedRig {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

const RIG: &str = "scenarios/benches/rig.yaml";
/// Ten seconds of rig time.
const SHORT: &str = "tests/scenarios/stop-in-ten-seconds.yaml";
/// Rig seconds in a second of the wall: slow enough that a busy computer keeps up.
const SPEED: &str = "4";

/// What a killed session over the wire left behind.
#[derive(Debug, Default)]
struct Killed {
    empty: usize,
    unfinished: usize,
    finished: usize,
    resumed: usize,
    /// Rig time from the last thing in the record to what the program had told by the time of the kill, µs.
    lost: Vec<i64>,
}

fn kill_over_the_wire(folder: &Path, seed: u64, kills: usize) -> Killed {
    let mut numbers = Numbers(seed);
    let rig = SimulatedRig::start(&["--speed", SPEED]);
    // As fast as the host grants: however busy this computer is, such a rig never finds the host silent.
    let patient = SimulatedRig::start(&[]);
    let mut came = Killed::default();
    for kill in 0..kills {
        let path = folder.join(format!("{seed}-{kill}.sqlite"));
        let mut child = dryfire()
            .args(["run", SHORT, "--bench", RIG, "--port", &rig.port, "--format", "json", "--record", text(&path)])
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("dryfire starts");
        let out = child.stdout.take().expect("a pipe");
        let told = std::thread::spawn(move || {
            let lines = BufReader::new(out).lines().map_while(Result::ok);
            let lines = lines.filter_map(|line| serde_json::from_str::<serde_json::Value>(&line).ok());
            lines.filter_map(|line| line["at_us"].as_i64()).collect::<Vec<i64>>()
        });
        std::thread::park_timeout(Duration::from_millis(numbers.next(3_000)));
        child.kill().expect("killed");
        child.wait().expect("gone");
        let told = told.join().expect("read");
        let Ok(record) = Record::open(&path) else {
            assert!(told.is_empty(), "something had been told and nothing was recorded");
            came.empty += 1;
            continue;
        };
        if record.session().finished {
            came.finished += 1;
            continue;
        }
        came.unfinished += 1;
        if came.unfinished % 4 == 1 {
            let junit = dryfire().args(["export", text(&path), "--as", "junit"]).output().expect("dryfire starts");
            assert!(String::from_utf8_lossy(&junit.stdout).contains("<error type=\"unfinished\""), "never a pass");
        }
        let run = &record.runs()[0];
        if let Some(last) = told.last() {
            let samples = run.table().iter().filter_map(|(id, _)| record.stretches(run, id).ok()?.last().copied());
            let events = record.events(run).expect("events");
            let seen = samples
                .map(|stretch| stretch.until.as_micros())
                .chain(record.edges(run).expect("edges").iter().map(|edge| edge.at.as_micros()))
                .chain(events.iter().filter_map(|event| event.levels_until).map(|at| at.as_micros()))
                .max()
                .unwrap_or(0);
            came.lost.push(last - seen);
        }
        if came.unfinished % 8 == 1 {
            let output = dryfire()
                .args(["run", "--resume", text(&path), "--port", &patient.port])
                .output()
                .expect("dryfire starts");
            assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stdout));
            let record = Record::open(&path).expect("a record");
            assert!(record.session().finished && record.session().resumed == 1);
            assert_eq!(dryfire().args(["verify", text(&path)]).output().expect("starts").status.code(), Some(0));
            came.resumed += 1;
        }
    }
    came
}

#[test]
fn killed_over_the_wire_a_record_has_lost_at_most_the_last_second_and_is_gone_on_with() {
    let folder = TempDir::new().expect("a folder");
    let threads: Vec<_> = (0..KILLS / 20)
        .map(|seed| {
            let folder = folder.path().to_owned();
            std::thread::spawn(move || kill_over_the_wire(&folder, seed, 20))
        })
        .collect();
    let came: Vec<Killed> = threads.into_iter().map(|thread| thread.join().expect("no assertion failed")).collect();
    let count = |of: fn(&Killed) -> usize| came.iter().map(of).sum::<usize>();
    assert!(count(|it| it.unfinished) >= 25 && count(|it| it.resumed) > 0, "{came:?}");
    let lost: Vec<i64> = came.iter().flat_map(|it| it.lost.iter().copied()).collect();
    assert!(lost.len() >= 25, "{came:?}");
    for lost in lost {
        assert!(lost <= 1_000_000, "{lost} µs: {came:?}");
    }
}

/// A library of some scenarios and a bench with a firmware image, and an unfinished record of it of which
/// some runs stand.
fn broken_off(folder: &Path) -> PathBuf {
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
    let broken = broken_off(folder.path());
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
    let broken = broken_off(folder.path());
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

#[test]
fn the_whole_library_judged_again_changes_nothing_and_is_told_as_it_was_live() {
    let folder = TempDir::new().expect("a folder");
    let cases: [(&str, &[&str]); 3] = [
        ("as-it-is", &[]),
        ("with-a-mistake", &["--defect", "probe-fault-ignored-while-ramping"]),
        ("without-contactor", &["--bench", "scenarios/benches/without-contactor.yaml", "--repeat", "2"]),
    ];
    for (name, more) in cases {
        let record = folder.path().join(format!("{name}.sqlite"));
        let live = dryfire()
            .args(["run", "scenarios", "--format", "json", "--record", text(&record)])
            .args(more)
            .output()
            .expect("dryfire starts");
        assert!(matches!(live.status.code(), Some(0..=2)), "{}", String::from_utf8_lossy(&live.stderr));
        let again = dryfire().args(["rejudge", text(&record)]).output().expect("dryfire starts");
        let said = String::from_utf8_lossy(&again.stdout).into_owned();
        assert_eq!(again.status.code(), Some(0), "{said}");
        let (same, all) =
            said.trim().split_once(" runs").and_then(|(counts, _)| counts.split_once(" of ")).expect("counts");
        assert!(same == all && all.parse::<usize>().is_ok_and(|all| all > 20), "{said}");
        let later = dryfire().args(["export", text(&record), "--as", "json"]).output().expect("dryfire starts");
        assert!(later.stdout == live.stdout, "{name}: the lines from the record are the live ones, byte for byte");
        let report = |out: &str| {
            let out = folder.path().join(out);
            let made = dryfire().args(["report", text(&record), "--out", text(&out)]).output().expect("dryfire starts");
            assert_eq!(made.status.code(), Some(0));
            fs::read(out).expect("a report")
        };
        assert!(report("one.html") == report("another.html"), "{name}");
    }
}

#[test]
fn every_changed_byte_of_a_record_and_of_its_seal_is_found() {
    let (_folder, path) = small();
    let mut bytes = fs::read(&path).expect("a record");
    let sealed = fs::read_to_string(seal::path_of(&path)).expect("a seal");
    let seal = Seal::parse(&sealed).expect("a seal that holds");
    assert_eq!(seal.check(&bytes), SealCheck::Holds);
    let mut numbers = Numbers(7);
    // The header byte by byte, then anywhere.
    let places = (0..100).chain((0..600).map(|_| numbers.next(bytes.len() as u64) as usize)).collect::<Vec<_>>();
    for place in places {
        let bit = 1 << numbers.next(8);
        bytes[place] ^= bit;
        let SealCheck::Changed { parts } = seal.check(&bytes) else { panic!("byte {place} was not missed") };
        let place_64 = place as u64;
        assert!(parts.len() == 1 && (parts[0].from..parts[0].until).contains(&place_64), "{place}: {parts:?}");
        bytes[place] ^= bit;
    }
    let mut longer = bytes.clone();
    longer.push(0);
    assert!(matches!(seal.check(&longer), SealCheck::Changed { parts } if parts[0].what.contains("added")));
    for cut in [1, 4_095, 4_096, bytes.len() - 1, bytes.len()] {
        let shorter = &bytes[..bytes.len() - cut];
        assert!(
            matches!(seal.check(shorter), SealCheck::Changed { parts } if parts.iter().any(|part| part.what.contains("cut off"))),
            "{cut}"
        );
    }
    // Every byte of the seal.
    let mut raw = sealed.into_bytes();
    for place in 0..raw.len() {
        raw[place] ^= 1 << numbers.next(7);
        let read = std::str::from_utf8(&raw).map_err(|error| error.to_string()).and_then(Seal::parse);
        let broken = match read {
            Err(_) => true,
            // Nothing that is read of it may be what it was and yet have changed.
            Ok(read) => read != seal,
        };
        assert!(broken, "byte {place} of the seal");
        raw = fs::read(seal::path_of(&path)).expect("a seal");
    }
}

#[test]
fn every_byte_of_a_small_record_is_found() {
    let (_folder, path) = small();
    let seal = Seal::parse(&fs::read_to_string(seal::path_of(&path)).expect("a seal")).expect("a seal");
    let mut bytes = fs::read(&path).expect("a record");
    // A change within one page shows in that page's hash alone, so each page is hashed and not the whole.
    let page = seal.page_size as usize;
    let whole = bytes.len();
    let mut numbers = Numbers(11);
    for place in 0..whole {
        let bit = 1 << numbers.next(8);
        bytes[place] ^= bit;
        assert!(seal.page_is_changed(place / page, &bytes), "byte {place}");
        bytes[place] ^= bit;
    }
}

#[test]
fn a_folder_that_cannot_be_written_is_said_and_nothing_runs() {
    let folder = TempDir::new().expect("a folder");
    let record = folder.path().join("no-such-folder/it.sqlite");
    let output = dryfire()
        .args(["run", "scenarios/people/stop-pressed.yaml", "--record", text(&record)])
        .output()
        .expect("dryfire starts");
    assert_eq!(output.status.code(), Some(4));
    assert!(output.stdout.is_empty());
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(said.contains("cannot be used") && said.contains("--no-record"), "{said}");
}

#[test]
fn a_full_disk_ends_the_session_with_an_error_and_no_evidence() {
    // /dev/full takes no byte; a file system of a few pages would need privileges. A limit on the size of
    // files is what a full disk is to the program: writing fails, at whatever instant.
    let folder = TempDir::new().expect("a folder");
    let record = folder.path().join("it.sqlite");
    let script = format!(
        "trap '' XFSZ; ulimit -f 2000; exec '{}' run scenarios --record '{}'",
        text(Path::new(dryfire().get_program())),
        text(&record)
    );
    let output =
        Command::new("sh").args(["-c", &script]).current_dir(dryfire_tests::root()).output().expect("a shell starts");
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(3), "{said}");
    assert!(said.contains("the session could not be recorded"), "{said}");
    let kept = Record::open(&record).expect("what was written until then");
    assert!(!kept.session().finished);
    assert!(!seal::path_of(&record).exists());
}

/// Runs a script with a small file system of its own at `$1`, which is gone with it; `None` where that is not allowed.
fn on_a_small_disk(options: &str, script: &str, folder: &Path) -> Option<std::process::Output> {
    let place = folder.join("disk");
    fs::create_dir_all(&place).expect("a folder");
    let all = format!("mount -t tmpfs -o {options} none \"$1\" || exit 99\n{script}");
    for unshare in [&["--mount"][..], &["--mount", "--user", "--map-root-user"]] {
        let output = Command::new("unshare")
            .args(unshare)
            .args(["sh", "-c", &all, "sh"])
            .args([&place, folder])
            .env("DRYFIRE", dryfire().get_program())
            .current_dir(dryfire_tests::root())
            .output();
        match output {
            Ok(output) if output.status.code() == Some(99) => {}
            // `unshare` itself ends with 1 and a word on standard error where it may not.
            Ok(output) if String::from_utf8_lossy(&output.stderr).contains("unshare failed") => {}
            Ok(output) => return Some(output),
            Err(_) => break,
        }
    }
    assert!(std::env::var_os("CI").is_none(), "no file system can be mounted here");
    eprintln!("skipped: no small file system can be mounted here, so a full disk was not tried");
    None
}

#[test]
fn a_small_disk_that_runs_full_gives_an_error_and_no_verdict_changes() {
    let folder = TempDir::new().expect("a folder");
    let whole = folder.path().join("whole.sqlite");
    let run = "run scenarios/people --jobs 1 --record";
    let status = dryfire().args(run.split(' ')).arg(&whole).stdout(Stdio::null()).status().expect("dryfire starts");
    assert_eq!(status.code(), Some(0));
    let bytes = fs::metadata(&whole).expect("a record").len();
    let whole = Record::open(&whole).expect("a record");
    // From what does not hold the beginning to what holds everything but not the sealed copy beside it.
    for kilobytes in [8, 100, bytes / 2_000, bytes * 5 / 4_000, bytes * 7 / 4_000] {
        let script = format!(
            "\"$DRYFIRE\" {run} \"$1/it.sqlite\"; status=$?\n\
             rm -f \"$2\"/it.sqlite*; cp \"$1\"/it.sqlite* \"$2\" 2>/dev/null; exit $status"
        );
        let Some(output) = on_a_small_disk(&format!("size={kilobytes}k"), &script, folder.path()) else { return };
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(said.contains("full"), "{kilobytes} kB: {said}");
        let record = folder.path().join("it.sqlite");
        assert!(!seal::path_of(&record).exists(), "{kilobytes} kB");
        match output.status.code() {
            // Nothing had run.
            Some(4) => assert!(output.stdout.is_empty() && !record.exists(), "{kilobytes} kB: {said}"),
            Some(3) => {
                let kept = Record::open(&record).expect("what was written until then");
                assert!(!kept.session().finished, "{kilobytes} kB");
                for (run, as_it_is) in kept.runs().iter().zip(whole.runs()) {
                    assert!(run.standing().is_none() || run.result == as_it_is.result, "{kilobytes} kB: {run:#?}");
                }
            }
            other => panic!("{kilobytes} kB: {other:?}: {said}"),
        }
    }
}

#[test]
fn a_folder_that_is_only_for_reading_is_said_and_nothing_is_left_there() {
    let folder = TempDir::new().expect("a folder");
    let script = "\"$DRYFIRE\" run scenarios/people/stop-pressed.yaml --record \"$1/it.sqlite\" || exit 1\n\
                  mount -o remount,ro \"$1\" || exit 99\n\
                  \"$DRYFIRE\" run scenarios/people/stop-pressed.yaml --record \"$1/another.sqlite\"; echo \"run $?\"\n\
                  \"$DRYFIRE\" verify \"$1/it.sqlite\"; echo \"verify $?\"\n\
                  \"$DRYFIRE\" rejudge \"$1/it.sqlite\"; echo \"rejudge $?\"\n\
                  \"$DRYFIRE\" report \"$1/it.sqlite\"; echo \"report $?\"\n\
                  \"$DRYFIRE\" export \"$1/it.sqlite\" --as junit --out \"$1/it.xml\"; echo \"export $?\"\n\
                  ls \"$1\"";
    let Some(output) = on_a_small_disk("size=20m", script, folder.path()) else { return };
    let out = String::from_utf8_lossy(&output.stdout).into_owned();
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    // Of the record that is there everything can still be told.
    for line in ["run 4", "verify 0", "rejudge 0", "report 3", "export 3"] {
        assert!(out.lines().any(|it| it == line), "{line}: {out}{said}");
    }
    assert!(out.ends_with("it.sqlite\nit.sqlite.seal\n"), "{out}");
    assert!(said.matches("Read-only").count() >= 3, "{said}");
}

#[test]
fn a_signature_over_the_seal_shows_who_vouches_for_a_record() {
    if Command::new("ssh-keygen").arg("-?").stdout(Stdio::null()).stderr(Stdio::null()).status().is_err() {
        eprintln!("skipped: ssh-keygen is not installed, so signing was not tried");
        return;
    }
    let (folder, path) = small();
    let call = |command: &str| {
        Command::new("sh").args(["-c", command]).current_dir(folder.path()).output().expect("a shell starts")
    };
    // The steps of docs/record.md, with an empty passphrase.
    let page = dryfire_tests::read("docs/record.md");
    let steps = [
        ("ssh-keygen -t ed25519 -f kiln-key -C studio", " -N '' -q"),
        ("echo \"studio $(cut -d' ' -f1,2 kiln-key.pub)\" > signers", ""),
        ("ssh-keygen -Y sign -f kiln-key -n dryfire-record RECORD.seal", ""),
        ("ssh-keygen -Y verify -f signers -I studio -n dryfire-record -s RECORD.seal.sig < RECORD.seal", ""),
    ];
    for (step, more) in steps {
        assert!(page.contains(step), "docs/record.md says: {step}");
        let output = call(&format!("{}{more}", step.replace("RECORD", "small.sqlite")));
        assert!(output.status.success(), "{step}: {}", String::from_utf8_lossy(&output.stderr));
    }
    let verify = dryfire().args(["verify", text(&path)]).output().expect("dryfire starts");
    assert!(String::from_utf8_lossy(&verify.stdout).contains("A signature lies beside it"));
    // A seal that was made anew for a record that was changed on purpose.
    let seal_path = seal::path_of(&path);
    let forged = fs::read_to_string(&seal_path).expect("a seal").replacen("bytes ", "bytes 1", 1);
    fs::write(&seal_path, forged).expect("written");
    let output = call(&steps[3].0.replace("RECORD", "small.sqlite"));
    assert!(!output.status.success(), "the signature is of another seal");
}

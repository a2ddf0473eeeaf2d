//! Killed at any instant, on the virtual bench and over the wire.

use std::fs;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::Stdio;
use std::time::Duration;

use dryfire_record::{Record, RunState};
use dryfire_tests::dryfire;
use tempfile::TempDir;

use crate::{Numbers, text};

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

/// What a session told, line by line, with when it came.
type Told = Vec<(std::time::Instant, String)>;

/// A session that goes on by itself, and what it tells until it is gone.
fn listened_to(arguments: &[&str]) -> (std::process::Child, std::thread::JoinHandle<Told>) {
    let mut child = dryfire()
        .args(arguments)
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .expect("dryfire starts");
    let out = child.stdout.take().expect("a pipe");
    let told = std::thread::spawn(move || {
        let lines = BufReader::new(out).lines().map_while(Result::ok);
        lines.map(|line| (std::time::Instant::now(), line)).collect()
    });
    (child, told)
}

#[test]
fn what_was_told_a_second_before_the_kill_is_in_the_record() {
    let mut numbers = Numbers(20_261_126);
    let folder = TempDir::new().expect("a folder");
    let (mut looked, mut broken_off) = (0, 0);
    for kill in 0..12 {
        let path = folder.path().join(format!("{kill}.sqlite"));
        // One run at a time is told as it goes on. So many that none of the kills comes after the end.
        let (mut child, told) = listened_to(&[
            "run",
            "scenarios",
            "--jobs",
            "1",
            "--repeat",
            "50",
            "--format",
            "json",
            "--record",
            text(&path),
        ]);
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
        let (mut child, told) = listened_to(&[
            "run",
            SHORT,
            "--bench",
            RIG,
            "--port",
            &rig.port,
            "--format",
            "json",
            "--record",
            text(&path),
        ]);
        std::thread::park_timeout(Duration::from_millis(numbers.next(3_000)));
        child.kill().expect("killed");
        child.wait().expect("gone");
        let told = told.join().expect("read");
        let told: Vec<i64> = told
            .iter()
            .filter_map(|(_, line)| serde_json::from_str::<serde_json::Value>(line).ok()?["at_us"].as_i64())
            .collect();
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

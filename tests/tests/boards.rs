//! The rig's and the controller's programs as machine code on two emulated boards, with the real
//! host program on the rig's serial port.
#![expect(clippy::disallowed_methods, reason = "tests of the whole system start programs")]

use std::collections::BTreeMap;
use std::path::PathBuf;

use dryfire_scenario::parse_bench;
use dryfire_tests::boards::{Setup, Tools, TwoBoards, configuration, tools_or_skip};
use dryfire_tests::{dryfire, read, root};
use rstest::rstest;
use serde_json::Value;
use tempfile::TempDir;

/// The library's bench files, with another longest firing.
struct Benches {
    _folder: TempDir,
    rig: PathBuf,
    on_virtual: PathBuf,
    text: String,
}

impl Benches {
    fn with_longest_firing(longest: &str) -> Benches {
        let folder = tempfile::tempdir().expect("a folder");
        let kilns = root().join("scenarios/kilns");
        let adapted = |name: &str| {
            let text = read(&format!("scenarios/benches/{name}.yaml"));
            let text = text.replace("../kilns", &kilns.display().to_string());
            let changed = text.replace("longest firing: 14 h", &format!("longest firing: {longest}"));
            assert!(longest == "14 h" || changed != text, "{name}");
            let path = folder.path().join(format!("{name}.yaml"));
            std::fs::write(&path, &changed).expect("a file");
            (path, changed)
        };
        let (rig, text) = adapted("rig");
        let (on_virtual, _) = adapted("virtual");
        Benches { _folder: folder, rig, on_virtual, text }
    }

    fn boards(&self, tools: &Tools, defects: &[&str]) -> TwoBoards {
        let (file, _) = parse_bench("rig.yaml", &self.text).expect("a bench file");
        let page = configuration(&file, defects);
        let setup = Setup { page: Some(page), trace: true, seed: 1, ..Setup::default() };
        TwoBoards::start(tools, &setup)
    }
}

/// One run's lines.
struct Run {
    status: i32,
    lines: Vec<Value>,
}

impl Run {
    fn of(arguments: &[&str]) -> Run {
        let output = dryfire()
            .args(["run", "--no-record"])
            .args(arguments)
            .args(["--format", "json"])
            .output()
            .expect("dryfire starts");
        let text = String::from_utf8(output.stdout).expect("JSON is UTF-8");
        let lines = text.lines().map(|line| serde_json::from_str(line).expect("a line of JSON")).collect();
        Run { status: output.status.code().expect("it ended by itself"), lines }
    }

    fn result(&self) -> &Value {
        self.lines.iter().find(|line| line["type"] == "result").expect("a result")
    }

    fn findings(&self) -> BTreeMap<&str, &Value> {
        let findings = self.result()["findings"].as_array().expect("findings");
        findings.iter().map(|finding| (finding["name"].as_str().expect("a name"), finding)).collect()
    }

    fn verdicts(&self) -> BTreeMap<&str, &str> {
        self.findings().into_iter().map(|(name, finding)| (name, finding["verdict"].as_str().unwrap_or(""))).collect()
    }
}

#[test]
fn both_lock_files_hold_the_same_versions_of_what_is_on_the_wire() {
    let versions = |lock: &str, package: &str| -> Vec<String> {
        let name = format!("name = \"{package}\"");
        let text = read(lock);
        let mut lines = text.lines();
        let mut found = Vec::new();
        while let Some(line) = lines.next() {
            if line == name {
                found.extend(lines.next().map(str::to_owned));
            }
        }
        found
    };
    for package in ["postcard", "serde", "serde_core", "heapless", "cobs", "crc"] {
        let (host, board) = (versions("Cargo.lock", package), versions("rig-firmware/boards/Cargo.lock", package));
        assert!(
            !host.is_empty() && host.iter().all(|version| board.contains(version)),
            "{package}: {host:?} {board:?}"
        );
    }
}

/// How well reactions on both benches agree, microseconds: the most that a bench's edge time may be uncertain here.
///
/// A single reaction depends on where in the controller's tick and in its converter's cycle the stimulus falls (100 ms each)
/// and on how a contact bounces; each bench draws that for itself. So a reaction on the boards has to lie in the range that
/// the virtual bench shows over many such draws, widened by this much.
const AGREE_US: i64 = 5_000;
/// So many draws: the range of a uniform phase of 100 ms is then short by 1 ms at each end on the average.
const DRAWS: &str = "100";

/// Least and greatest reaction for each expectation over many runs on the virtual bench.
fn reactions(scenario: &str, bench: &str) -> BTreeMap<String, (i64, i64)> {
    let mut ranges = BTreeMap::new();
    let runs = Run::of(&[scenario, "--bench", bench, "--repeat", DRAWS]);
    for result in runs.lines.iter().filter(|line| line["type"] == "result") {
        for finding in result["findings"].as_array().expect("findings") {
            if let Some(seen) = finding["seen_us"].as_i64() {
                let name = finding["name"].as_str().expect("a name").to_owned();
                let (least, most) = ranges.entry(name).or_insert((seen, seen));
                (*least, *most) = ((*least).min(seen), (*most).max(seen));
            }
        }
    }
    ranges
}

#[rstest]
#[case::clean_firing("tests/boards/scenarios/clean-firing.yaml", "14 h", "heats-on-after-end")]
#[case::probe_open_while_ramping(
    "scenarios/probe/open-while-ramping.yaml",
    "14 h",
    "probe-fault-ignored-while-ramping"
)]
#[case::element_relay_welded("tests/boards/scenarios/element-relay-welded.yaml", "14 h", "contactor-kept-on-runaway")]
#[case::longest_firing("tests/boards/scenarios/longest-firing.yaml", "15 min", "timer-restarted-by-segment")]
#[case::supply_cut("scenarios/supply/cut-while-hot.yaml", "14 h", "resumes-after-any-outage")]
#[case::stop_pressed("scenarios/people/stop-pressed.yaml", "14 h", "restarts-after-stop")]
fn two_boards_are_judged_as_the_virtual_bench_is(#[case] scenario: &str, #[case] longest: &str, #[case] defect: &str) {
    let Some(tools) = tools_or_skip() else { return };
    let benches = Benches::with_longest_firing(longest);
    let (rig, on_virtual) = (benches.rig.display().to_string(), benches.on_virtual.display().to_string());

    let expected = Run::of(&[scenario, "--bench", &on_virtual]);
    let boards = benches.boards(&tools, &[]);
    let seen = Run::of(&[scenario, "--bench", &rig, "--port", &boards.port.display().to_string()]);
    assert_eq!(seen.verdicts(), expected.verdicts(), "{:#}", seen.result());
    assert_eq!((seen.status, expected.status), (0, 0));
    let ranges = reactions(scenario, &on_virtual);
    for (name, finding) in seen.findings() {
        // Where a reaction was measured, both benches measured the same.
        if let Some(here) = finding["seen_us"].as_i64()
            && name.contains("cut")
            && here < 60_000_000
        {
            let (least, most) = ranges[name];
            let agrees = (least - AGREE_US..=most + AGREE_US).contains(&here);
            assert!(agrees, "{name}: {here} µs, and from {least} to {most} on the virtual bench");
        }
    }
    reported_edges_are_the_true_ones(boards, &seen);

    let expected = Run::of(&[scenario, "--bench", &on_virtual, "--defect", defect]);
    let boards = benches.boards(&tools, &[defect]);
    let seen = Run::of(&[scenario, "--bench", &rig, "--port", &boards.port.display().to_string()]);
    assert_eq!((seen.status, expected.status), (1, 1), "{:#}", seen.result());
    assert_eq!(seen.verdicts(), expected.verdicts(), "{:#}", seen.result());
}

#[test]
fn converters_that_fall_silent_cut_the_heat_and_a_controller_that_overlooks_it_fails() {
    let Some(tools) = tools_or_skip() else { return };
    let benches = Benches::with_longest_firing("14 h");
    // The scenario presses the acknowledge button, and here that output is the lever on the data line.
    let text = benches.text.replace("role: acknowledge, output: 3", "role: acknowledge, output: 5");
    assert_ne!(text, benches.text);
    std::fs::write(&benches.rig, text).expect("a file");
    let rig = benches.rig.display().to_string();
    let scenario = "tests/boards/scenarios/converter-silent.yaml";
    for (defects, status) in [(&[][..], 0), (&["probe-fault-ignored-while-ramping"][..], 1)] {
        let boards = benches.boards(&tools, defects);
        let seen = Run::of(&[scenario, "--bench", &rig, "--port", &boards.port.display().to_string()]);
        assert_eq!(seen.status, status, "{defects:?} {:#}", seen.result());
        let cut = seen.findings()["heat is cut"].clone();
        assert_eq!(cut["verdict"], if status == 0 { "pass" } else { "fail" }, "{cut:#}");
    }
}

/// Longest time between a change on a wire and what the rig says of it, microseconds.
const EDGE_US: f64 = 10.0;

/// Compares the edges that the host was told with those on the wires: none missing, none more, and the times
/// between them right.
fn reported_edges_are_the_true_ones(mut boards: TwoBoards, run: &Run) {
    let signals = run.lines.iter().find(|line| line["type"] == "begin").expect("a begin")["signals"].clone();
    let relays = ["safety", "element.top", "element.middle", "element.bottom"];
    // The run begins by telling that each is off.
    let mut levels = [false; 4];
    let reported: Vec<(f64, usize, bool)> = run
        .lines
        .iter()
        .filter(|line| line["type"] == "edge")
        .filter_map(|line| {
            let name = line["signal"].as_str()?;
            let relay = relays.iter().position(|relay| *relay == name)?;
            Some((line["at_us"].as_f64()?, relay, line["on"].as_bool()?))
        })
        .filter(|(_, relay, on)| std::mem::replace(&mut levels[*relay], *on) != *on)
        .collect();
    let (state, told) = boards.state();
    let (simulated, cpu) = (state["at"].as_f64().unwrap_or(0.0), state["cpu"].as_f64().unwrap_or(f64::MAX));
    // Processor time of the emulation, in milliseconds, so that a loaded machine changes nothing.
    assert!(simulated / 1_000.0 / cpu >= 5.0, "{state:#}");
    assert_eq!(state["trouble"], Value::Array(Vec::new()), "{state:#}");
    // Each run begins with the supply coming on: first the negative control's, then this one's.
    let risen = |line: &&Value| line["what"] == "rail" && line["rest"][0] == true;
    let second = told.iter().enumerate().filter(|(_, line)| risen(line)).nth(1).expect("two runs").0;
    let wires: Vec<(f64, usize, bool)> = told[second..]
        .iter()
        .filter(|line| line["what"] == "relay")
        .filter_map(|line| Some((line["at"].as_f64()?, line["rest"][0].as_u64()? as usize, line["rest"][1].as_bool()?)))
        .collect();
    assert!(!reported.is_empty(), "no edge was reported; the signals are {signals}");
    // The run ends before the boards do.
    let wires = &wires[..wires.len().min(reported.len())];
    let same = |(_, relay, on): &(f64, usize, bool)| (*relay, *on);
    assert_eq!(reported.iter().map(same).collect::<Vec<_>>(), wires.iter().map(same).collect::<Vec<_>>());
    // The run's origin is an instant of the rig; all edges have it in common.
    let mut offsets: Vec<f64> = wires.iter().zip(&reported).map(|(wire, told)| wire.0 - told.0).collect();
    offsets.sort_by(f64::total_cmp);
    let spread = offsets[offsets.len() - 1] - offsets[0];
    assert!(spread <= EDGE_US, "{spread} µs over {} edges", offsets.len());
}

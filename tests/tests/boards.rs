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

/// The library's bench files, with another longest firing, and with read-only converters that the rig plays.
struct Benches {
    folder: TempDir,
    rig: PathBuf,
    on_virtual: PathBuf,
    text: String,
    played: bool,
}

impl Benches {
    fn with_longest_firing(longest: &str) -> Benches {
        Benches::with(longest, false)
    }

    fn with(longest: &str, played: bool) -> Benches {
        let folder = tempfile::tempdir().expect("a folder");
        let kilns = root().join("scenarios/kilns");
        let adapted = |name: &str| {
            let text = read(&format!("scenarios/benches/{name}.yaml"));
            let text = text.replace("../kilns", &kilns.display().to_string());
            let changed = text.replace("longest firing: 14 h", &format!("longest firing: {longest}"));
            assert!(longest == "14 h" || changed != text, "{name}");
            let changed = if played {
                let supply = "supply: switched by the rig\n";
                assert!(changed.contains(supply), "{name}");
                let changed = changed.replace("silence: 500 ms", "silence: 500 ms, plays: converters");
                changed.replace(supply, &format!("{supply}converter: linear 14-bit\n"))
            } else {
                changed
            };
            let path = folder.path().join(format!("{name}.yaml"));
            std::fs::write(&path, &changed).expect("a file");
            (path, changed)
        };
        let (rig, text) = adapted("rig");
        let (on_virtual, _) = adapted("virtual");
        Benches { folder, rig, on_virtual, text, played }
    }

    fn setup(&self, defects: &[&str]) -> Setup {
        let (file, _) = parse_bench("rig.yaml", &self.text).expect("a bench file");
        let page = configuration(&file, defects);
        Setup { page: Some(page), trace: true, seed: 1, played: self.played, ..Setup::default() }
    }

    fn boards(&self, tools: &Tools, defects: &[&str]) -> TwoBoards {
        TwoBoards::start(tools, &self.setup(defects))
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
    are_judged_alike(&tools, scenario, &Benches::with_longest_firing(longest), defect);
}

/// The controller's own program reads its converters' words over the bus, and the rig's makes them.
#[rstest]
#[case::clean_firing("tests/boards/scenarios/clean-firing.yaml", "heats-on-after-end")]
#[case::probe_open_while_ramping("scenarios/probe/open-while-ramping.yaml", "probe-fault-ignored-while-ramping")]
fn two_boards_are_judged_alike_where_the_rig_plays_the_converters(#[case] scenario: &str, #[case] defect: &str) {
    let Some(tools) = tools_or_skip() else { return };
    are_judged_alike(&tools, scenario, &Benches::with("14 h", true), defect);
}

fn are_judged_alike(tools: &Tools, scenario: &str, benches: &Benches, defect: &str) {
    let (rig, on_virtual) = (benches.rig.display().to_string(), benches.on_virtual.display().to_string());

    let expected = Run::of(&[scenario, "--bench", &on_virtual]);
    let boards = benches.boards(tools, &[]);
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
    let boards = benches.boards(tools, &[defect]);
    let seen = Run::of(&[scenario, "--bench", &rig, "--port", &boards.port.display().to_string()]);
    assert_eq!((seen.status, expected.status), (1, 1), "{:#}", seen.result());
    assert_eq!(seen.verdicts(), expected.verdicts(), "{:#}", seen.result());
}

/// Parts of this controller: a tick, and a conversion, every so many microseconds.
const TICK_US: f64 = 100_000.0;

/// One pair of runs whose reactions can be compared singly. The stimulus comes 550 ms after an element relay, which
/// switches at a tick: half-way between two ticks on both benches, within a millisecond. What is left of the phase is
/// whether a conversion lies between the stimulus and the next tick. On the boards that is known from the wires; the
/// virtual bench shows both kinds over its draws, a tick apart.
#[rstest]
#[case(1)]
#[case(2)]
#[case(3)]
#[case(4)]
fn a_reaction_on_the_boards_is_the_one_of_the_virtual_bench_in_the_same_phase(#[case] seed: u32) {
    let Some(tools) = tools_or_skip() else { return };
    let benches = Benches::with_longest_firing("14 h");
    let scenario = benches.folder.path().join("scenario.yaml");
    let text = read("scenarios/probe/open-while-ramping.yaml").replace("element on for 0.5 s", "element on for 0.55 s");
    assert!(text.contains("0.55 s"));
    std::fs::write(&scenario, text).expect("a file");
    let scenario = scenario.display().to_string();
    let (rig, on_virtual) = (benches.rig.display().to_string(), benches.on_virtual.display().to_string());

    let mut drawn: Vec<i64> = Run::of(&[&scenario, "--bench", &on_virtual, "--repeat", DRAWS])
        .lines
        .iter()
        .filter(|line| line["type"] == "result")
        .map(|result| cut(result)["seen_us"].as_i64().expect("a reaction"))
        .collect();
    drawn.sort_unstable();
    let apart = drawn.windows(2).position(|pair| pair[1] - pair[0] > TICK_US as i64 / 2).expect("two kinds") + 1;
    let kinds = [(drawn[0], drawn[apart - 1]), (drawn[apart], drawn[drawn.len() - 1])];
    assert!(kinds.iter().all(|(least, most)| most - least <= AGREE_US), "one phase, one reaction: {drawn:?}");

    let setup = Setup { seed, ..benches.setup(&[]) };
    let mut boards = TwoBoards::start(&tools, &setup);
    let seen = Run::of(&[&scenario, "--bench", &rig, "--port", &boards.port.display().to_string()]);
    assert_eq!(seen.status, 0, "{:#}", seen.result());
    let cut = cut(seen.result());
    let uncertainty = cut["uncertainty_us"].as_i64().expect("an uncertainty");
    assert!(uncertainty <= AGREE_US, "{cut:#}");
    let reaction = cut["seen_us"].as_i64().expect("a reaction");

    let (state, told) = boards.state();
    let (opened, channel, tick) = opened_and_next_tick(&told);
    // Conversions come at a part's phase and every 100 ms from there.
    let phase = state["converted"][channel].as_f64().expect("a phase");
    let conversion = opened + (phase - opened).rem_euclid(TICK_US);
    assert!((20_000.0..=80_000.0).contains(&(tick - opened)), "{} µs from the stimulus to a tick", tick - opened);
    let (least, most) = kinds[usize::from(conversion > tick)];
    // At the edge of the two kinds it may be either.
    let near = (conversion - tick).abs() < 1_000.0;
    let agrees = |(least, most): (i64, i64)| (least - AGREE_US..=most + AGREE_US).contains(&reaction);
    assert!(
        agrees((least, most)) || near && kinds.into_iter().any(agrees),
        "{reaction} µs, and {least} to {most} on the virtual bench; {conversion} {tick}"
    );
}

/// What was found of the reaction.
fn cut(result: &Value) -> &Value {
    let findings = result["findings"].as_array().expect("findings");
    findings.iter().find(|finding| finding["name"] == "heat is cut").expect("the reaction")
}

/// When the last probe that was connected came off, its channel, and the controller's next tick.
fn opened_and_next_tick(told: &[Value]) -> (f64, usize, f64) {
    let mut connected = 0u64;
    let mut last = None;
    let mut found = None;
    for line in told {
        let at = line["at"].as_f64().unwrap_or(0.0);
        if line["what"] == "switches" {
            let word = line["rest"][0].as_u64().expect("a word");
            let now = [0, 1, 2]
                .iter()
                .filter(|channel| word >> (5 * *channel) & 1 != 0)
                .fold(0u64, |set, bit| set | 1 << bit);
            // Of one probe: at the end of a run all of them come off.
            let off = connected & !now;
            if off.count_ones() == 1 && connected == 0b111 {
                last = Some((at, off.trailing_zeros() as usize));
            }
            connected = now;
        } else if line["what"] == "tick"
            && let Some((opened, channel)) = last.take()
        {
            found = Some((opened, channel, at));
        }
    }
    found.expect("a probe came off in the run")
}

/// Where the rig plays them it lets the line go, which the controller's pull holds high then; else a part without supply
/// holds it low.
#[rstest]
#[case::of_the_controller(false)]
#[case::played_by_the_rig(true)]
fn converters_that_fall_silent_cut_the_heat_and_a_controller_that_overlooks_it_fails(#[case] played: bool) {
    let Some(tools) = tools_or_skip() else { return };
    let benches = Benches::with("14 h", played);
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

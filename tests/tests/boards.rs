//! The rig's and the controller's programs as machine code on two emulated boards, with the real
//! host program on the rig's serial port.
#![expect(clippy::disallowed_methods, reason = "tests of the whole system start programs")]

use std::collections::BTreeMap;
use std::io::{BufRead as _, BufReader};
use std::path::PathBuf;
use std::process::{Child, Stdio};

use dryfire_bench::{Bench, VirtualBench};
use dryfire_judge::Margin;
use dryfire_link::ConverterPart;
use dryfire_scenario::parse_bench;
use dryfire_tests::boards::{Setup, Tools, TwoBoards, configuration, tools_or_skip};
use dryfire_tests::{dryfire, read, root, run_on, scenario, virtual_bench};
use dryfire_units::RigSpan;
use rstest::rstest;
use serde_json::Value;
use tempfile::TempDir;

/// The library's bench files, with another longest firing, and with converters that the rig plays.
struct Benches {
    folder: TempDir,
    rig: PathBuf,
    on_virtual: PathBuf,
    text: String,
    played: Option<ConverterPart>,
}

impl Benches {
    fn with_longest_firing(longest: &str) -> Benches {
        Benches::with(longest, None)
    }

    fn with(longest: &str, played: Option<ConverterPart>) -> Benches {
        let folder = tempfile::tempdir().expect("a folder");
        let kilns = root().join("scenarios/kilns");
        let adapted = |name: &str| {
            let text = read(&format!("scenarios/benches/{name}.yaml"));
            let text = text.replace("../kilns", &kilns.display().to_string());
            let changed = text.replace("longest firing: 14 h", &format!("longest firing: {longest}"));
            assert!(longest == "14 h" || changed != text, "{name}");
            let changed = if let Some(part) = played {
                let supply = "supply: switched by the rig\n";
                assert!(changed.contains(supply), "{name}");
                let changed = changed.replace("silence: 500 ms", "silence: 500 ms, plays: converters");
                let (part, top) = match part {
                    ConverterPart::FourteenBit => ("linear 14-bit", "1280 °C"),
                    // It reads no further than 1023.75 °C.
                    ConverterPart::TwelveBit => ("linear 12-bit", "1000 °C"),
                    ConverterPart::Linearised => ("linearised", "1280 °C"),
                };
                let changed = changed.replace("top temperature: 1280 °C", &format!("top temperature: {top}"));
                changed.replace(supply, &format!("{supply}converter: {part}\n"))
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

    /// A scenario that a controller with this bench's declared top takes: a program to 1000 °C is beyond what the part of
    /// 12 bits can read with something to spare.
    fn adapted(&self, scenario: &str) -> String {
        if self.played != Some(ConverterPart::TwelveBit) {
            return scenario.to_owned();
        }
        let path = self.folder.path().join("scenario.yaml");
        std::fs::write(&path, read(scenario).replace("to: 1000 °C", "to: 900 °C")).expect("a file");
        path.display().to_string()
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
            .args(["run", "--no-record", "--declared-by", "a test, with no kiln"])
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

    /// The lines of each run that got as far as a stimulus.
    fn runs(&self) -> impl Iterator<Item = &[Value]> {
        let runs = self.lines.split_inclusive(|line| line["type"] == "result");
        runs.filter(|run| run.iter().any(|line| line["type"] == "stimulus"))
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
/// A single reaction depends on where in the controller's tick and in its converter's cycle the stimulus falls (100 ms each;
/// with read-only parts, at which the controller looks every second or third tick, 200 or 300 ms) and on how a contact bounces; each bench draws that for itself. So a reaction on the boards has to lie in the range that
/// the virtual bench shows over many such draws, widened by this much.
const AGREE_US: i64 = 5_000;
/// So many draws: the range of a uniform phase of 100 ms is then short by 1 ms at each end on the average.
const DRAWS: &str = "100";
/// The same for the cycle of 300 ms of a part of 12 bits.
const DRAWS_OF_TWELVE_BITS: &str = "300";

/// The same where the rig plays the part with registers, which looks for an open probe at every sixteenth conversion.
const DRAWS_OF_REGISTERS: &str = "80";

/// A simulated rig behind a pseudo-terminal, which is ended with the test.
struct Simulated {
    child: Child,
    port: String,
}

impl Simulated {
    fn start(bench: &str, defect: Option<&str>) -> Simulated {
        let mut child = dryfire()
            .args(["rig", "simulate", "--bench", bench])
            .args(defect.into_iter().flat_map(|defect| ["--defect", defect]))
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::inherit())
            .spawn()
            .expect("dryfire starts");
        let mut port = String::new();
        let stdout = child.stdout.take().expect("it was asked for");
        BufReader::new(stdout).read_line(&mut port).expect("the rig names its port");
        Simulated { child, port: port.trim().to_owned() }
    }
}

impl Drop for Simulated {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// What the boards are compared with: the virtual bench. What a part with registers does goes by what its controller has
/// written, and no part of the virtual bench knows that but the one that a simulated rig plays.
fn expected(benches: &Benches, scenario: &str, defect: Option<&str>, more: &[&str]) -> Run {
    let (rig, on_virtual) = (benches.rig.display().to_string(), benches.on_virtual.display().to_string());
    if benches.played == Some(ConverterPart::Linearised) {
        let simulated = Simulated::start(&rig, defect);
        return Run::of(&[&[scenario, "--bench", &rig, "--port", &simulated.port], more].concat());
    }
    let defect: Vec<&str> = defect.into_iter().flat_map(|defect| ["--defect", defect]).collect();
    Run::of(&[&[scenario, "--bench", &on_virtual], &defect[..], more].concat())
}

/// Least and greatest reaction for each expectation over many runs on the virtual bench.
fn reactions(drawn: &Run) -> BTreeMap<String, (i64, i64)> {
    let mut ranges = BTreeMap::new();
    for result in drawn.lines.iter().filter(|line| line["type"] == "result") {
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
    let phase: Option<Phase> = match scenario.rsplit('/').next() {
        Some("open-while-ramping.yaml" | "element-relay-welded.yaml") => Some(since_the_tick_before),
        Some("cut-while-hot.yaml") => Some(since_the_rail_fell),
        Some("longest-firing.yaml") => Some(length_of_the_firing),
        _ => None,
    };
    are_judged_alike(&tools, scenario, &Benches::with_longest_firing(longest), defect, phase);
}

/// The controller's own program reads its converters' words over the bus, and the rig's makes them.
#[rstest]
#[case::clean_firing(ConverterPart::FourteenBit, "tests/boards/scenarios/clean-firing.yaml", "heats-on-after-end")]
#[case::probe_open(
    ConverterPart::FourteenBit,
    "tests/boards/scenarios/probe-open.yaml",
    "probe-fault-ignored-while-ramping"
)]
#[case::clean_firing_twelve_bit(
    ConverterPart::TwelveBit,
    "tests/boards/scenarios/clean-firing.yaml",
    "heats-on-after-end"
)]
#[case::probe_open_twelve_bit(
    ConverterPart::TwelveBit,
    "tests/boards/scenarios/probe-open.yaml",
    "probe-fault-ignored-while-ramping"
)]
#[case::probe_open_registers(
    ConverterPart::Linearised,
    "tests/boards/scenarios/probe-open.yaml",
    "probe-fault-ignored-while-ramping"
)]
fn two_boards_are_judged_alike_where_the_rig_plays_the_converters(
    #[case] part: ConverterPart,
    #[case] scenario: &str,
    #[case] defect: &str,
) {
    let Some(tools) = tools_or_skip() else { return };
    // What a part with registers says of an open probe goes by its own sixteen conversions; that is looked at by itself.
    let by_ticks = scenario.contains("open") && part != ConverterPart::Linearised;
    let phase: Option<Phase> = by_ticks.then_some(since_the_tick_before);
    are_judged_alike(&tools, scenario, &Benches::with("14 h", Some(part)), defect, phase);
}

/// What is left of a reaction once its phase is taken out, microseconds; up to a number of the controller's ticks.
type Phase = fn(&[Value]) -> i64;

/// With `phase`, what is left of the reaction without its phase is compared too: on the boards and in each draw of the
/// virtual bench it is the same, up to a number of ticks. Others go by contacts that bounce, or have no stimulus at all.
fn are_judged_alike(tools: &Tools, scenario: &str, benches: &Benches, defect: &str, phase: Option<Phase>) {
    let rig = benches.rig.display().to_string();
    let scenario = &*benches.adapted(scenario);
    let of_honest = expected(benches, scenario, None, &[]);
    let boards = benches.boards(tools, &[]);
    let seen = Run::of(&[scenario, "--bench", &rig, "--port", &boards.port.display().to_string()]);
    assert_eq!(seen.verdicts(), of_honest.verdicts(), "{:#}", seen.result());
    assert_eq!((seen.status, of_honest.status), (0, 0));
    let twelve_bit = benches.played == Some(ConverterPart::TwelveBit);
    let draws = match benches.played {
        Some(ConverterPart::TwelveBit) => DRAWS_OF_TWELVE_BITS,
        Some(ConverterPart::Linearised) => DRAWS_OF_REGISTERS,
        Some(ConverterPart::FourteenBit) | None => DRAWS,
    };
    let drawn = expected(benches, scenario, None, &["--repeat", draws]);
    let ranges = reactions(&drawn);
    for (name, finding) in seen.findings() {
        // Where a reaction was measured, both benches measured the same.
        if let Some(here) = finding["seen_us"].as_i64()
            && name.contains("cut")
            && here < 60_000_000
        {
            let (least, mut most) = ranges[name];
            if benches.played == Some(ConverterPart::Linearised) {
                // In which of its conversions the part looks for a break is counted from its supply on, as is the run on
                // the simulated rig: it is no draw there.
                most += LOOK_US;
            }
            let agrees = (least - AGREE_US..=most + AGREE_US).contains(&here);
            assert!(agrees, "{name}: {here} µs, and from {least} to {most} on the virtual bench");
        }
    }
    if let Some(left) = phase {
        let here = left(&seen.lines);
        let mut pairs = 0;
        for run in drawn.runs() {
            let there = left(run);
            let apart = (here - there + TICK_US / 2).rem_euclid(TICK_US) - TICK_US / 2;
            assert!(apart.abs() <= AGREE_US, "{here} µs without the phase, {there} on the virtual bench");
            pairs += 1;
        }
        assert!(pairs >= 50, "{pairs}");
    }
    // A bus of 1 MHz with sixteen registers for each of three parts is emulated clock by clock.
    let registers = benches.played == Some(ConverterPart::Linearised);
    let told = reported_edges_are_the_true_ones(boards, &seen, if registers { 3.0 } else { 5.0 });
    if twelve_bit && phase.is_some() {
        the_first_look_after_a_conversion_shows_the_break(&told, &seen.lines);
    }
    if benches.played == Some(ConverterPart::Linearised) {
        one_conversion_of_sixteen_finds_the_break(&told, &seen.lines);
    }

    let of_mistaken = expected(benches, scenario, Some(defect), &[]);
    let boards = benches.boards(tools, &[defect]);
    let seen = Run::of(&[scenario, "--bench", &rig, "--port", &boards.port.display().to_string()]);
    assert_eq!((seen.status, of_mistaken.status), (1, 1), "{:#}", seen.result());
    assert_eq!(seen.verdicts(), of_mistaken.verdicts(), "{:#}", seen.result());
}

/// A tick of this controller, and a conversion of its parts, every so many microseconds.
const TICK_US: i64 = 100_000;

fn at(line: &Value) -> i64 {
    line["at_us"].as_i64().expect("an instant")
}

/// Edges of a signal to a level.
fn edges_of<'a>(run: &'a [Value], signal: &'a str, on: bool) -> impl DoubleEndedIterator<Item = i64> + 'a {
    run.iter()
        .filter(move |line| line["type"] == "edge" && line["signal"] == signal && line["on"] == on && at(line) > 0)
        .map(at)
}

/// From the fall of the controller's rail, whose phase is how long it lasted after the cut, to the contactor's opening:
/// no tick comes into it.
fn since_the_rail_fell(run: &[Value]) -> i64 {
    let fell = edges_of(run, "supply", false).next().expect("the rail fell");
    let opened = edges_of(run, "safety", false).find(|opened| *opened >= fell).expect("the contactor opened");
    assert!(opened - fell <= AGREE_US, "{} µs after the rail", opened - fell);
    opened - fell
}

/// From the contactor's first closing, at the tick at which the firing begins, to its last opening.
fn length_of_the_firing(run: &[Value]) -> i64 {
    let begun = edges_of(run, "safety", true).next().expect("the contactor closed");
    let ended = edges_of(run, "safety", false).next_back().expect("the contactor opened");
    // Within two ticks of what the bench file of this test declares.
    let declared = 15 * 60 * 1_000_000;
    assert!((ended - begun - declared).abs() <= 1_000_000, "{} µs of a firing", ended - begun);
    ended - begun
}

/// From the controller's tick before the stimulus to the cut, microseconds; for faults that it finds at a tick. Relays
/// switch at a tick within a millisecond, so that the edges that the bench has seen tell the phase: what is left of a
/// reaction is a number of ticks.
fn since_the_tick_before(run: &[Value]) -> i64 {
    let stimulus = run.iter().filter(|line| line["type"] == "stimulus").map(at).next_back().expect("a stimulus");
    let element = |line: &&Value| {
        line["type"] == "edge"
            && line["signal"].as_str().is_some_and(|name| name.starts_with("element."))
            && at(line) <= stimulus
    };
    let edge = run.iter().filter(element).map(at).max().expect("an element that switched");
    let result = run.iter().find(|line| line["type"] == "result").expect("a result");
    cut(result)["seen_us"].as_i64().expect("a reaction") + (stimulus - edge) % TICK_US
}

/// One reaction of the boards beside the virtual bench's, with the phase of both taken out.
///
/// A reaction to an open probe depends on where in the controller's tick and in its converter's cycle the stimulus falls.
/// The first is told by the edges; the second decides whether the next tick sees it or the one after, which on the boards
/// is known from the wires.
#[rstest]
#[case::seen_by_the_next_tick(1, None)]
#[case::in_another_phase(2, None)]
// Its ticks come half a millisecond after the instants at which stimuli do here, and hardly a conversion between.
#[case::seen_by_the_tick_after(1, Some(200))]
fn a_reaction_on_the_boards_is_the_one_of_the_virtual_bench_in_the_same_phase(
    #[case] seed: u32,
    #[case] supervisor_ms: Option<u32>,
) {
    let Some(tools) = tools_or_skip() else { return };
    let benches = Benches::with_longest_firing("14 h");
    let scenario = benches.folder.path().join("scenario.yaml");
    let text = read("scenarios/probe/open-while-ramping.yaml");
    let (before, after) = ("kiln > 410 °C and element on for 0.5 s", "element.1 on for 0.5 s");
    assert!(text.contains(before));
    // At its own edge, in whatever phase that is, and not when the kiln is warm enough.
    let pause = "element.1 off for 1 s\n    within: 5 min\n    call it: pause\n  - when: ";
    std::fs::write(&scenario, text.replace(before, &format!("{pause}{after}"))).expect("a file");
    let scenario = &*scenario.display().to_string();
    let (rig, on_virtual) = (benches.rig.display().to_string(), benches.on_virtual.display().to_string());

    // Runs of the virtual bench by the number of ticks; each is a whole number of them, within the agreement.
    let mut ticks: BTreeMap<i64, u32> = BTreeMap::new();
    let drawn = Run::of(&[scenario, "--bench", &on_virtual, "--repeat", DRAWS]);
    for run in drawn.runs() {
        let total = since_the_tick_before(run);
        let whole = (total + TICK_US / 2) / TICK_US;
        assert!((total - whole * TICK_US).abs() <= AGREE_US, "{total} µs is no number of ticks");
        *ticks.entry(whole).or_default() += 1;
    }
    // The commonest two: seen by the next tick, or by the one after it.
    let mut common: Vec<(u32, i64)> = ticks.iter().map(|(whole, count)| (*count, *whole)).collect();
    common.sort_unstable();
    let mut common: Vec<i64> = common.iter().rev().take(2).map(|(_, whole)| *whole).collect();
    common.sort_unstable();
    assert_eq!(common[1], common[0] + 1, "{ticks:?}");

    let setup = Setup { seed, supervisor_ms, ..benches.setup(&[]) };
    let mut boards = TwoBoards::start(&tools, &setup);
    let seen = Run::of(&[scenario, "--bench", &rig, "--port", &boards.port.display().to_string()]);
    assert_eq!(seen.status, 0, "{:#}", seen.result());
    let uncertainty = cut(seen.result())["uncertainty_us"].as_i64().expect("an uncertainty");
    assert!(uncertainty <= AGREE_US, "{uncertainty} µs");

    let (state, told) = boards.state();
    let (opened, tick) = opened_and_next_tick(&told);
    // Conversions come at a part's phase and every 100 ms from there; the first of the three that sees it counts.
    let phases = state["converted"].as_array().expect("phases").iter().filter_map(Value::as_f64);
    let after = phases.map(|phase| (phase - opened).rem_euclid(TICK_US as f64));
    let conversion = opened + after.fold(f64::INFINITY, f64::min);
    let here = since_the_tick_before(&seen.lines);
    let agrees = |whole: i64| (here - whole * TICK_US).abs() <= AGREE_US;
    // So near to each other it may be either.
    let near = (conversion - tick).abs() < 1_000.0;
    assert!(
        agrees(common[usize::from(conversion > tick)]) || near && common.iter().any(|whole| agrees(*whole)),
        "{here} µs, and on the virtual bench in ticks {ticks:?}; opened {opened}, converted {conversion}, looked {tick}"
    );
}

/// What was found of the reaction.
fn cut(result: &Value) -> &Value {
    let findings = result["findings"].as_array().expect("findings");
    findings.iter().find(|finding| finding["name"] == "heat is cut").expect("the reaction")
}

/// When the probes came off in the run, and the controller's next tick.
fn opened_and_next_tick(told: &[Value]) -> (f64, f64) {
    let mut connected = false;
    let mut opened = None;
    let mut found = None;
    for line in told {
        let at = line["at"].as_f64().unwrap_or(0.0);
        if line["what"] == "switches" {
            let word = line["rest"][0].as_u64().expect("a word");
            let all = [0, 5, 10].iter().all(|bit| word >> bit & 1 != 0);
            // At the end of a run they come off too, and with it the supply.
            let powered = word >> 15 & 1 != 0;
            if connected && !all {
                opened = powered.then_some(at);
            }
            connected = all;
        } else if line["what"] == "tick"
            && let Some(opened) = opened.take()
        {
            // The first time in the run itself: after the negative control, and before the end.
            found = Some((opened, at));
        }
    }
    found.expect("the probes came off in the run")
}

/// Where the rig plays them it lets the line go, which the controller's pull holds high then; else a part without supply
/// holds it low.
#[rstest]
#[case::of_the_controller(None)]
#[case::played_by_the_rig(Some(ConverterPart::FourteenBit))]
#[case::of_twelve_bits_played_by_the_rig(Some(ConverterPart::TwelveBit))]
fn converters_that_fall_silent_cut_the_heat_and_a_controller_that_overlooks_it_fails(
    #[case] played: Option<ConverterPart>,
) {
    let Some(tools) = tools_or_skip() else { return };
    let benches = Benches::with("14 h", played);
    let rig = benches.rig.display().to_string();
    let scenario = &*benches.adapted("tests/boards/scenarios/converter-silent.yaml");
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
/// between them right. Gives what was told of the wires.
fn reported_edges_are_the_true_ones(mut boards: TwoBoards, run: &Run, times_real: f64) -> Wires {
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
    assert!(simulated / 1_000.0 / cpu >= times_real, "{state:#}");
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
    Wires { told: told[second..].to_vec(), origin: offsets[0] }
}

/// What happened on the wires from the rise of the supply for a run on.
struct Wires {
    told: Vec<Value>,
    /// When the run began, in the time of the wires, microseconds.
    origin: f64,
}

/// A conversion of a part of 12 bits that the rig plays, microseconds: 220 ms by the data sheet, less what a board may be
/// late with a word.
const CONVERSION_US: f64 = 218_000.0;

/// The part begins to convert when it is let go, and takes what is at its terminals at the end. So a look shows a break if
/// it came before the end of the conversion that the look before had begun; one that came a moment later is shown a
/// whole cycle of looks later. From there on the controller counts: 26 ticks of 100 ms are more than 2.5 s.
fn the_first_look_after_a_conversion_shows_the_break(wires: &Wires, run: &[Value]) {
    let stimulus = run.iter().filter(|line| line["type"] == "stimulus").map(at).next_back().expect("a stimulus");
    let broke = wires.origin + stimulus as f64;
    let looks: Vec<(f64, bool)> = wires
        .told
        .iter()
        .filter(|line| line["what"] == "look")
        .filter_map(|line| {
            // Bit 2 of the word: an open probe.
            Some((line["at"].as_f64()?, line["rest"][1].as_u64()? & 0b100 != 0))
        })
        .collect();
    let shown = looks.iter().position(|(at, open)| *open && *at > broke).expect("a look that shows it");
    let [(before, was_open), (seen, _)] = looks[shown - 1..=shown] else { panic!("two looks") };
    assert!(!was_open, "it was open before");
    let cycle = seen - before;
    assert!((cycle - 3.0 * TICK_US as f64).abs() <= 1_000.0, "looks {cycle} µs apart");
    // Between the conversion before the last and this one; within a millisecond it may be either.
    let ends = before + CONVERSION_US;
    let (earliest, latest) = (ends - cycle - 1_000.0, ends + 1_000.0);
    assert!((earliest..=latest).contains(&broke), "broke at {broke}, shown at {seen}, converted at {ends}");
    let off = |line: &&Value| line["what"] == "relay" && line["rest"][0] != 0 && line["rest"][1] == false;
    // Before the cut one may go off and on again as its cycle asks.
    let off =
        wires.told.iter().filter(off).filter_map(|line| line["at"].as_f64()).take_while(|at| *at < seen + 3e6).last();
    let counted = off.expect("an element went off") - seen;
    assert!((counted - 25.0 * TICK_US as f64).abs() <= 2_000.0, "{counted} µs from the look to the cut");
}

/// Sixteen conversions of the part with registers, microseconds: 110 ms each by the data sheet (from memory), less what a
/// board may be late with one.
const LOOK_US: i64 = 16 * 108_000;

/// Until the part looks, an open probe is its own temperature; from the controller's first look at the bit on it counts 25
/// ticks.
fn one_conversion_of_sixteen_finds_the_break(wires: &Wires, run: &[Value]) {
    let stimulus = run.iter().filter(|line| line["type"] == "stimulus").map(at).next_back().expect("a stimulus");
    let broke = wires.origin + stimulus as f64;
    let looks = wires.told.iter().filter(|line| line["what"] == "look");
    // Behind the address sixteen registers, of which the last is the status.
    let status = |line: &Value| line["rest"][16].as_u64();
    let looks: Vec<(f64, u64)> = looks.filter_map(|line| Some((line["at"].as_f64()?, status(line)?))).collect();
    let shown = looks.iter().position(|(at, status)| *status == 1 && *at > broke).expect("a look that shows it");
    let (before, was) = looks[shown - 1];
    let (seen, _) = looks[shown];
    assert_eq!(was, 0, "at {before}");
    let after = seen - broke;
    assert!(after <= (LOOK_US + 108_000 + TICK_US) as f64 + 1_000.0, "{after} µs from the break to the look");
    let off = |line: &&Value| line["what"] == "relay" && line["rest"][0] == 0 && line["rest"][1] == false;
    let mut off = wires.told.iter().filter(off).filter_map(|line| line["at"].as_f64()).filter(|at| *at > seen);
    let counted = off.next().expect("the contactor opened") - seen;
    assert!((25.0 * TICK_US as f64 - 2_000.0..26.0 * TICK_US as f64).contains(&counted), "{counted} µs to the cut");
}

/// The mirror contact follows the contactor at the pins of the switches, and stays open where a scenario welds it.
#[rstest]
#[case::healthy("", &[false, true])]
#[case::welded("  - { at: begin + 1.5 s, do: { weld: safety } }\n", &[false])]
fn the_mirror_contact_follows_the_contactor_at_the_rigs_switches(#[case] weld: &str, #[case] wanted: &[bool]) {
    let Some(tools) = tools_or_skip() else { return };
    let benches = Benches::with_longest_firing("14 h");
    let (before, after) = benches.text.split_once("\ncontacts:\n").expect("contacts");
    std::fs::write(
        &benches.rig,
        format!("{before}\nfeedback: [{{ mirror contact: safety, output: 8 }}]\ncontacts:\n{after}"),
    )
    .expect("a file");
    let scenario = benches.folder.path().join("scenario.yaml");
    let text = read("tests/scenarios/stop-in-ten-seconds.yaml");
    let begin = "  - begin firing\n";
    assert!(text.contains(begin));
    std::fs::write(&scenario, text.replace(begin, &format!("{begin}{weld}"))).expect("a file");
    let mut boards = benches.boards(&tools, &[]);
    let seen = Run::of(&[
        &scenario.display().to_string(),
        "--bench",
        &benches.rig.display().to_string(),
        "--port",
        &boards.port.display().to_string(),
    ]);
    let (state, told) = boards.state();
    assert_eq!(state["trouble"], Value::Array(Vec::new()), "{state:#}");
    // From the second rise of the supply on: the scenario's run, after the negative control's.
    let risen = |line: &&Value| line["what"] == "rail" && line["rest"][0] == true;
    let second = told.iter().enumerate().filter(|(_, line)| risen(line)).nth(1).expect("two runs").0;
    let mut mirror = Vec::new();
    let mut contactor = Vec::new();
    let mut closed = true;
    for line in &told[second..] {
        let at = line["at"].as_f64().unwrap_or(0.0);
        if line["what"] == "switches" {
            let word = line["rest"][0].as_u64().expect("a word");
            // Afterwards the rig goes back to rest, and the supply goes off.
            let running = word >> 15 & 1 != 0 && word & 1 != 0;
            if running && closed != (word >> 24 & 1 != 0) {
                closed = !closed;
                mirror.push((at, closed));
            }
        } else if line["what"] == "relay" && line["rest"][0] == 0 {
            contactor.push((at, line["rest"][1] == true));
        }
    }
    assert_eq!(mirror.iter().map(|(_, closed)| *closed).collect::<Vec<_>>(), wanted, "{:#}", seen.result());
    assert_eq!(contactor.iter().map(|(_, on)| *on).collect::<Vec<_>>(), [true, false], "{contactor:?}");
    for ((at, closed), (moved, on)) in mirror.iter().zip(&contactor) {
        let late = at - moved;
        assert!(closed != on && (0.0..=21_000.0).contains(&late), "{late} µs: {mirror:?} {contactor:?}");
    }
}

/// The controller's box is warm, its converters know it, and the rig measures it; or its sensor is broken off.
#[test]
fn a_firing_goes_by_the_measured_cold_junction_and_none_begins_with_a_broken_sensor() {
    let Some(tools) = tools_or_skip() else { return };
    let benches = Benches::with_longest_firing("14 h");
    let (before, after) = benches.text.split_once("\nsupply:").expect("the supply");
    let measured = benches.folder.path().join("measured.yaml");
    std::fs::write(&measured, format!("{before}\ncold junction: measured by the rig\nsupply:{after}")).expect("a file");
    let mut boards = benches.boards(&tools, &[]);
    boards.tell("warm 44");
    boards.state();
    let (rig, port) = (measured.display().to_string(), boards.port.display().to_string());
    let scenario = "tests/boards/scenarios/clean-firing.yaml";
    // Where it is taken for 20 °C the controller reads 24 °C too much, and is at its 520 °C before the kiln is at 515.
    let not_measured = benches.rig.display().to_string();
    let seen = Run::of(&[scenario, "--bench", &not_measured, "--port", &port]);
    assert_eq!(seen.status, 2, "{:#}", seen.result());
    let seen = Run::of(&[scenario, "--bench", &rig, "--port", &port]);
    assert_eq!(seen.status, 0, "{:#}", seen.result());
    boards.tell("sensor off");
    // Until it has been read once more.
    std::thread::sleep(std::time::Duration::from_secs(2));
    let seen = Run::of(&[scenario, "--bench", &rig, "--port", &port]);
    assert_eq!(seen.status, 3, "{:#}", seen.result());
    assert!(seen.result().to_string().contains("the sensor of the cold junction is missing or broken"));
}

/// The phase of a reaction to a button is how long its contact bounces: on the boards that is known from the wires, and
/// the virtual bench is given the same.
#[rstest]
#[case(1)]
#[case(2)]
#[case(3)]
fn the_reaction_to_stop_is_the_one_of_the_virtual_bench_with_a_contact_that_bounces_as_long(#[case] seed: u32) {
    let Some(tools) = tools_or_skip() else { return };
    let benches = Benches::with_longest_firing("14 h");
    let path = "scenarios/people/stop-pressed.yaml";
    let mut boards = TwoBoards::start(&tools, &Setup { seed, ..benches.setup(&[]) });
    let (rig, port) = (benches.rig.display().to_string(), boards.port.display().to_string());
    let seen = Run::of(&[path, "--bench", &rig, "--port", &port]);
    assert_eq!(seen.status, 0, "{:#}", seen.result());
    let here = cut(seen.result())["seen_us"].as_i64().expect("a reaction");
    let uncertainty = cut(seen.result())["uncertainty_us"].as_i64().expect("an uncertainty");
    assert!(uncertainty <= AGREE_US, "{uncertainty} µs");
    // The stop contact opens: bit 17 of the switches' word goes from closed to open, the last time but for its release.
    let (_, told) = boards.state();
    let mut pressed = None;
    let mut bounced = None;
    let mut closed = false;
    for line in &told {
        let at = line["at"].as_f64().unwrap_or(0.0);
        if line["what"] == "switches" {
            let word = line["rest"][0].as_u64().expect("a word");
            let (is_closed, powered) = (word >> 17 & 1 != 0, word >> 15 & 1 != 0);
            if closed && !is_closed && powered {
                pressed = Some(at);
            }
            closed = is_closed;
        } else if line["what"] == "quiet"
            && line["rest"][0] == 1
            && let Some(pressed) = pressed.take()
        {
            bounced = Some(at - pressed);
        }
    }
    let bounced = RigSpan::from_micros(bounced.expect("stop was pressed") as i64);

    let (file, kiln) = virtual_bench(&[]);
    let of_bench = file.clone();
    let make =
        move || -> Box<dyn Bench> { Box::new(VirtualBench::new(of_bench.clone()).with_contacts_bouncing_for(bounced)) };
    for seed in 1..=10 {
        let mut outcomes = run_on(vec![scenario(path, &read(path))], &file, &kiln, seed, &make);
        let result = outcomes.remove(0).result;
        let there = result.findings.iter().find(|report| report.name == "heat is cut").and_then(|cut| cut.finding.seen);
        let Some(Margin::Time(there)) = there else { panic!("{result:#?}") };
        let apart = here - there.as_micros();
        assert!(apart.abs() <= AGREE_US, "{here} µs, and {there} on the virtual bench; it bounced for {bounced}");
    }
}

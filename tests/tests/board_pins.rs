//! What the rig's program does at its pins, on an emulated board.
#![expect(
    clippy::disallowed_methods,
    clippy::disallowed_types,
    reason = "tests of the whole system start programs and take the time"
)]

use std::collections::BTreeMap;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use dryfire_link::{CalibrationState, Edge, HostMessage, ProbeDrive, RigMessage};
use dryfire_rig::{Calibration, ChannelScale};
use dryfire_tests::boards::{Host, Setup, Tools, TwoBoards, tools_or_skip};
use dryfire_tests::{dryfire, read, root};
use dryfire_units::{Celsius, RigSpan, RigTime, ThermocoupleType};
use rstest::rstest;
use serde_json::Value;

/// Bits of the switch word; the rig's `outputs.rs` has the same.
const PROBE_SWITCHES: u64 = 0x7fff;
const SUPPLY: u64 = 1 << 15;
const CONTACT: u32 = 16;

const SHORT: &str = "tests/scenarios/stop-in-ten-seconds.yaml";
const RIG: &str = "scenarios/benches/rig.yaml";

fn voltage(command: u32, at: RigTime, channel: u8, nanovolts: i32) -> HostMessage {
    let drive = ProbeDrive::Voltage { nanovolts, nanovolts_per_second: 0, valid_until: at + RigSpan::from_seconds(5) };
    HostMessage::Probe { command, at, channel, drive }
}

fn word(state: &Value) -> u64 {
    state["word"].as_u64().expect("a word")
}

#[test]
fn a_host_that_is_killed_leaves_probes_open_and_contacts_in_their_safe_state_within_a_second() {
    let Some(tools) = tools_or_skip() else { return };
    let boards = TwoBoards::start(&tools, &Setup { silicon: true, trace: true, ..Setup::default() });
    let mut host = Host::greet(&boards.port, 1);
    let origin = host.begin(500, 0b10);
    for channel in 0..3 {
        host.say(&voltage(u32::from(channel), origin, channel, 20_000_000));
    }
    host.say(&HostMessage::Contact { command: 3, at: origin, output: 0, closed: true });
    host.wait_for(|message| matches!(message, RigMessage::Applied { command: 3, .. }).then_some(()));
    // When bytes of the host last came; what is asked for next may be told after the last of them.
    let mut heard = None;
    let mut note = |line: &Value| {
        if line["what"] == "heard" {
            heard = line["at"].as_f64();
        }
        line["what"] == "switches"
    };
    let before =
        boards.wait_for(|line| note(line) && line["rest"][0].as_u64().is_some_and(|word| word >> CONTACT & 1 != 0));
    assert_ne!(before["rest"][0].as_u64().expect("a word") & PROBE_SWITCHES, 0);
    // Killed: not a byte more, not even a farewell. The switches are shifted out one after another, so that the word
    // that is waited for is the one in which all of them are as they have to be.
    drop(host);
    let safe = SUPPLY | 0b10 << CONTACT;
    let opened = boards.wait_for(|line| note(line) && line["rest"][0].as_u64() == Some(safe));
    let silence = opened["at"].as_f64().expect("an instant") - heard.expect("the host was heard");
    assert!((400_000.0..=600_000.0).contains(&silence), "{silence} µs of silence");
}

#[test]
fn the_codes_sent_are_within_one_step_of_the_exact_voltage_of_every_type_over_its_range() {
    let Some(tools) = tools_or_skip() else { return };
    let mut boards = TwoBoards::start(&tools, &Setup::default());
    let mut host = Host::greet(&boards.port, 2);
    let mut at = host.begin(1_000, 0);
    let cold = Celsius::new(20.0);
    let mut wanted = Vec::new();
    for kind in ThermocoupleType::ALL {
        let (low, high) = kind.range();
        let mut celsius = low.value();
        while celsius <= high.value() {
            let emf = kind.terminal_emf(Celsius::new(celsius), cold).expect("in range");
            let exact = emf.value() * 1_000.0;
            wanted.push((kind, celsius, exact));
            celsius += 37.0;
        }
    }
    assert!(wanted.len() > 200);
    let step = f64::from(ChannelScale::NOMINAL.span_nanovolts) / 65_535.0;
    let mut command = 0;
    for three in wanted.chunks(3) {
        for (channel, (.., exact)) in three.iter().enumerate() {
            host.say(&voltage(command, at, channel as u8, exact.round() as i32));
            command += 1;
        }
        at += RigSpan::from_millis(2);
        host.say(&HostMessage::Grant { until: at });
        let last = command - 1;
        host.wait_for(|message| {
            matches!(message, RigMessage::Applied { command, .. } if *command == last).then_some(())
        });
        let (state, _) = boards.state();
        for (channel, (kind, celsius, exact)) in three.iter().enumerate() {
            let code = state["codes"][channel].as_f64().expect("a code");
            let reversed = word(&state) >> (channel * 5 + 1) & 1 != 0;
            let played = (-10_000_000.0 + code * step) * if reversed { -1.0 } else { 1.0 };
            assert!((played - exact).abs() <= step, "{kind:?} at {celsius} °C: {played} nV for {exact} nV");
        }
    }
}

#[test]
fn a_calibration_in_flash_is_used_and_one_that_is_missing_is_told() {
    let Some(tools) = tools_or_skip() else { return };
    let scale = ChannelScale { lowest_nanovolts: -10_100_000, span_nanovolts: 91_000_000 };
    let calibration = Calibration {
        date: 20_261_125,
        instrument: [0; 16],
        scales: [ChannelScale::NOMINAL, scale, ChannelScale::NOMINAL],
        uncertainty_nanovolts: [3_000; 3],
    };
    let stored = CalibrationState::Stored { date: 20_261_125, uncertainty_nanovolts: 3_000 };
    for (calibration, state, code) in [
        (Some(calibration), stored, scale.code(40_000_000)),
        (None, CalibrationState::Missing, ChannelScale::NOMINAL.code(40_000_000)),
    ] {
        let mut boards = TwoBoards::start(&tools, &Setup { calibration, ..Setup::default() });
        let mut host = Host::greet(&boards.port, 6);
        assert!(host.heard.contains(&RigMessage::Calibration { state }), "{:?}", host.heard);
        let origin = host.begin(1_000, 0);
        host.say(&voltage(1, origin, 1, 40_000_000));
        host.wait_for(|message| matches!(message, RigMessage::Applied { command: 1, .. }).then_some(()));
        assert_eq!(boards.state().0["codes"][1], code);
    }
}

/// One input's pulses: first edge, half a period, edges.
type Pulses = (u8, i64, i64, i64);

/// Sends pulses to the rig and compares what it tells with what was sent.
fn assert_every_edge_is_told(tools: &Tools, pulses: &[Pulses], most_micros: i64) {
    // The ring is asked to bridge the link and not a loaded machine.
    let setup = Setup { silicon: true, patient: true, ..Setup::default() };
    let mut boards = TwoBoards::start(tools, &setup);
    let mut host = Host::greet(&boards.port, 3);
    let origin = host.begin(1_000, 0);
    let first = origin.as_micros() + 300_000;
    let mut last = first;
    for (input, after, half, count) in pulses {
        let begins = first + after;
        boards.tell(&format!("pulses {input} {begins} {half} {count}"));
        last = last.max(begins + half * count);
    }
    let end = RigTime::from_micros(last + 200_000);
    let counters = host.wait_for(|message| match message {
        RigMessage::Heartbeat(beat) if beat.complete_until > end => Some(beat.counters),
        _ => None,
    });
    let mut told: BTreeMap<u8, Vec<(i64, bool)>> = BTreeMap::new();
    let mut next = 0;
    for message in &host.heard {
        let RigMessage::Edges(edges) = message else { continue };
        for Edge { index, at, input, high } in edges.iter() {
            assert_eq!(index, next, "an edge is missing");
            next += 1;
            told.entry(input).or_default().push((at.as_micros(), high));
        }
    }
    assert_eq!(counters.lost_edges, 0);
    let mut wanted: BTreeMap<u8, Vec<(i64, bool)>> = BTreeMap::new();
    for (input, after, half, count) in pulses {
        let edges = (0..*count).map(|number| (first + after + number * half, number % 2 == 0));
        wanted.entry(*input).or_default().extend(edges);
    }
    let mut worst = 0;
    for (input, edges) in &mut wanted {
        edges.sort_unstable();
        let told = told.get(input).map_or(&[][..], Vec::as_slice);
        assert_eq!(told.len(), edges.len(), "input {input}");
        for ((at, high), (true_at, true_high)) in told.iter().zip(edges.iter()) {
            assert_eq!(high, true_high, "input {input} at {true_at}");
            worst = worst.max((at - true_at).abs());
        }
    }
    assert!(worst <= most_micros, "an edge was told {worst} µs off");
}

/// Whole bursts of ten seconds without a pause: 60,000 edges and 600,000.
#[rstest]
#[case::one_kilohertz(500)]
#[case::ten_kilohertz(50)]
fn bursts_on_three_inputs_at_once_for_ten_seconds_lose_no_edge_and_are_within_ten_microseconds(#[case] half: i64) {
    let Some(tools) = tools_or_skip() else { return };
    // Not in step with each other.
    let pulses: Vec<Pulses> = (4..7).map(|input| (input, i64::from(input) * 37, half, 10_000_000 / half)).collect();
    assert_every_edge_is_told(&tools, &pulses, 10);
}

#[test]
fn a_run_whose_rig_has_lost_edges_is_inconclusive() {
    let Some(tools) = tools_or_skip() else { return };
    let mut boards = TwoBoards::start(&tools, &Setup { silicon: true, trace: true, ..Setup::default() });
    let child = running(RIG, &boards).stdout(Stdio::piped()).stderr(Stdio::null()).spawn().expect("dryfire starts");
    // In the scenario, not in the negative control before it.
    for _ in 0..2 {
        boards.wait_for(|line| line["what"] == "relay" && line["rest"][0] == 0 && line["rest"][1] == true);
    }
    let (state, _) = boards.state();
    let soon = state["at"].as_f64().expect("an instant") as i64 + 100_000;
    for input in 4..7 {
        boards.tell(&format!("pulses {input} {soon} 10 20000"));
    }
    let output = child.wait_with_output().expect("it ends");
    let said = String::from_utf8_lossy(&output.stdout);
    assert_eq!(output.status.code(), Some(2), "{said}");
    assert!(said.contains("inconclusive") && said.contains("lost"), "{said}");
}

#[test]
fn edges_beyond_what_the_rig_can_hold_are_counted_as_lost() {
    let Some(tools) = tools_or_skip() else { return };
    let mut boards = TwoBoards::start(&tools, &Setup { silicon: true, ..Setup::default() });
    let mut host = Host::greet(&boards.port, 4);
    let origin = host.begin(1_000, 0);
    // 300,000 edges a second, several times what the processor can take up.
    for input in 4..7 {
        boards.tell(&format!("pulses {input} {} 10 20000", origin.as_micros() + 300_000));
    }
    let end = origin + RigSpan::from_seconds(2);
    let beat = host.wait_for(|message| match message {
        RigMessage::Heartbeat(beat) if beat.complete_until > end => Some(*beat),
        _ => None,
    });
    let edges = |message: &RigMessage| if let RigMessage::Edges(edges) = message { edges.iter().count() } else { 0 };
    let told: usize = host.heard.iter().map(edges).sum();
    assert!(beat.counters.lost_edges > 0, "{told} of 60000 edges were told and none counted as lost");
}

#[test]
fn the_wrap_of_the_32_bit_microsecond_timer_changes_nothing() {
    let Some(tools) = tools_or_skip() else { return };
    // The timer wraps in the middle of the run: 2 s of supply off, then ten seconds.
    let start_micros = (1 << 32) - 8_000_000;
    let boards = TwoBoards::start(&tools, &Setup { start_micros, ..Setup::default() });
    let across = run(RIG, &boards).0;
    let plain = TwoBoards::start(&tools, &Setup::default());
    let (expected, status) = run(RIG, &plain);
    assert_eq!(status, 0);
    let edges = |lines: &[Value]| -> Vec<(i64, String, bool)> {
        let edges = lines.iter().filter(|line| line["type"] == "edge");
        edges
            .map(|line| {
                let at = line["at_us"].as_i64().expect("an instant");
                (at, line["signal"].to_string(), line["on"].as_bool().expect("a level"))
            })
            .collect()
    };
    let (across, expected) = (edges(&across), edges(&expected));
    assert_eq!(across.len(), expected.len());
    for (here, there) in across.iter().zip(&expected) {
        assert_eq!((&here.1, here.2), (&there.1, there.2));
        assert!((here.0 - there.0).abs() <= 100_000, "{here:?} {there:?}");
    }
}

/// The host program on the boards, with a short scenario.
fn running(bench: &str, boards: &TwoBoards) -> Command {
    let mut command = dryfire();
    command.args(["run", "--no-record", "--declared-by", "a test, with no kiln", SHORT, "--bench", bench]);
    command.arg("--port").arg(&boards.port);
    command
}

/// What it told, and how it ended.
fn run(bench: &str, boards: &TwoBoards) -> (Vec<Value>, i32) {
    let output = running(bench, boards).args(["--format", "json"]).output().expect("dryfire starts");
    let text = String::from_utf8(output.stdout).expect("JSON is UTF-8");
    let lines = text.lines().map(|line| serde_json::from_str(line).expect("JSON")).collect();
    (lines, output.status.code().expect("it ended by itself"))
}

/// Longest time from an edge to the switch of a feedback contact on a rig whose clock runs by itself, microseconds.
const TOLD_WITHIN_US: f64 = 50_000.0;

/// A limiter whose contact opens and closes by turns is played at a free input, and output 10 tells the opposite.
#[test]
fn that_the_limiters_contact_is_open_is_told_by_the_switch_of_output_10() {
    let Some(tools) = tools_or_skip() else { return };
    let folder = tempfile::tempdir().expect("a folder");
    let kilns = root().join("scenarios/kilns").display().to_string();
    let mut text = read(RIG).replace("../kilns", &kilns);
    for (before, after) in [
        // The board has three channels.
        ("{ name: bottom, probe: K, channel: 2 }", "{ name: bottom, probe: K }"),
        ("\nrelays:\n", "\nrelays:\n  - { role: limiter, input: 4, senses: contact, active: high }\n"),
        ("[safety, element.top], [safety]", "[limiter, safety, element.top], [limiter, safety]"),
        ("[safety, element.middle], [safety]", "[limiter, safety, element.middle], [limiter, safety]"),
        ("[safety, element.bottom], [safety]", "[limiter, safety, element.bottom], [limiter, safety]"),
        (
            "\ncontacts:\n",
            "\nlimiter: { zone: bottom, probe: K, channel: 2, trip: 1290 °C }\n\
             feedback: [{ limiter: tripped, output: 10 }]\ncontacts:\n",
        ),
    ] {
        assert!(text.contains(before), "{before}");
        text = text.replace(before, after);
    }
    let bench = folder.path().join("bench.yaml");
    std::fs::write(&bench, text).expect("a file");
    let setup = Setup { silicon: true, patient: true, trace: true, ..Setup::default() };
    let mut boards = TwoBoards::start(&tools, &setup);
    let child = running(&bench.display().to_string(), &boards).stdout(Stdio::piped()).spawn().expect("dryfire starts");
    // The negative control and the scenario's run, each from the rise of the supply to its fall. No firing is begun while the
    // limiter's contact is open, so it closes before the first and plays its game once the second has begun.
    let supply = |line: &Value, on: bool| line["what"] == "rail" && line["rest"][0] == on;
    boards.wait_for(|line| supply(line, true));
    let (state, _) = boards.state();
    let now = state["at"].as_f64().expect("an instant").round();
    let half = 500_000.0;
    boards.tell(&format!("pulses 4 {} {half} 1", now + 1_500_000.0));
    let rail = boards.wait_for(|line| supply(line, true));
    let first = rail["at"].as_f64().expect("an instant").round() + 5_600_000.0;
    boards.tell(&format!("pulses 4 {first} {half} 60"));
    let output = child.wait_with_output().expect("it ends");
    let (_, told) = boards.state();
    let seen = || String::from_utf8_lossy(&output.stdout).into_owned();
    assert_eq!(output.status.code(), Some(0), "{}", seen());
    let mut closed = None;
    let mut late = Vec::new();
    for line in &told {
        let Some(word) = line["rest"][0].as_u64().filter(|_| line["what"] == "switches") else { continue };
        // Before and after the run nothing is told, and the rig is at rest or in its safe state.
        let running = word & SUPPLY != 0 && word & PROBE_SWITCHES != 0;
        let now = word >> (CONTACT + 10) & 1 != 0;
        if !running || closed == Some(now) {
            continue;
        }
        let at = line["at"].as_f64().expect("an instant") - first;
        // The contact is closed in even halves of a second and open in odd ones.
        if closed.is_some() {
            assert_eq!(now, (at / half) as u64 % 2 == 1, "{at}: {}", seen());
            late.push(at % half);
        }
        closed = Some(now);
    }
    // The first one may be the run's beginning, when the contact stood otherwise than at rest.
    assert!(late.len() >= 6, "{late:?}");
    assert!(late[1..].iter().all(|late| *late <= TOLD_WITHIN_US), "{late:?}");
}

#[rstest]
#[case::pulled_plug("unplug", "")]
#[case::brown_out("sag 40", "restarted after its supply had failed for a moment")]
#[case::reset_line("reset 40", "restarted by its reset line")]
#[case::watchdog("hang", "restarted by its watchdog")]
// The line is what the bench puts into the program's mouth.
#[case::panic("panic", "restarted after its program gave up at line 4321")]
fn a_rig_that_dies_in_mid_run_is_an_error_and_the_next_run_starts_clean(#[case] what: &str, #[case] said: &str) {
    let Some(tools) = tools_or_skip() else { return };
    let mut boards = TwoBoards::start(&tools, &Setup { silicon: true, trace: true, ..Setup::default() });
    let child =
        running(RIG, &boards).args(["--format", "json"]).stdout(Stdio::piped()).spawn().expect("dryfire starts");
    // In the middle: the contactor has closed, in the negative control and then in the scenario.
    for _ in 0..2 {
        boards.wait_for(|line| line["what"] == "relay" && line["rest"][0] == 0 && line["rest"][1] == true);
    }
    boards.tell(what);
    let output = child.wait_with_output().expect("it ends");
    assert_eq!(output.status.code(), Some(3), "{what}: {}", String::from_utf8_lossy(&output.stdout));
    // Every switch is open as soon as the board is gone, and stays so.
    std::thread::sleep(Duration::from_millis(1_500));
    let (state, _) = boards.state();
    assert_eq!(word(&state) & PROBE_SWITCHES, 0, "{what}: {state:#}");
    let output = running(RIG, &boards).output().expect("dryfire starts");
    let words = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{what}, the next run: {words}");
    assert!(words.contains(said), "{what}: {words}");
}

#[test]
fn two_idle_boards_run_at_least_fifty_times_as_fast_as_the_clock() {
    let Some(tools) = tools_or_skip() else { return };
    let mut boards = TwoBoards::start(&tools, &Setup::default());
    let mut host = Host::greet(&boards.port, 5);
    let origin = host.begin(1_000, 0);
    let (before, _) = boards.state();
    let until = origin + RigSpan::from_seconds(100);
    host.say(&HostMessage::Grant { until });
    host.wait_for(|message| match message {
        RigMessage::Heartbeat(beat) if beat.complete_until >= until => Some(()),
        _ => None,
    });
    let (after, _) = boards.state();
    let of = |state: &Value, what: &str| state[what].as_f64().expect("a number");
    let (simulated, cpu) = (of(&after, "at") - of(&before, "at"), of(&after, "cpu") - of(&before, "cpu"));
    let times = simulated / 1_000.0 / cpu;
    // Processor time, so that a loaded machine changes nothing.
    assert!(times >= 50.0, "{times:.0} times");
}

/// The host's machine is busy for longer than agreed, just while the rig keeps the controller's supply off before a run.
#[test]
fn a_rig_that_goes_safe_while_a_run_begins_ends_it_in_error_soon_and_the_next_run_starts_clean() {
    let Some(tools) = tools_or_skip() else { return };
    let boards = TwoBoards::start(&tools, &Setup { silicon: true, trace: true, ..Setup::default() });
    let port = boards.port.display().to_string();
    let arguments =
        ["run", "--no-record", "--declared-by", "a test, with no kiln", SHORT, "--bench", RIG, "--port", &port];
    let child = dryfire()
        .args(arguments)
        .args(["--format", "json"])
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .expect("dryfire starts");
    let word_of = |line: &Value| (line["what"] == "switches").then(|| line["rest"][0].as_u64()).flatten();
    // Contacts are at rest and the supply is still off.
    let lid_closed = 1 << CONTACT;
    // In the scenario: a negative control that broke down would be made once more.
    for supply in [0, SUPPLY, 0] {
        boards.wait_for(|line| word_of(line).is_some_and(|word| word & lid_closed != 0 && word & SUPPLY == supply));
    }
    let signal = |name: &str| {
        let sent = Command::new("kill").args([name, &child.id().to_string()]).status().expect("kill starts");
        assert!(sent.success());
    };
    signal("-STOP");
    // The safe state: contacts demand it, and the controller is on to see them.
    boards.wait_for(|line| word_of(line) == Some(SUPPLY));
    signal("-CONT");
    let begun = Instant::now();
    let output = child.wait_with_output().expect("it ends");
    let took = begun.elapsed();
    let said = String::from_utf8_lossy(&output.stdout);
    assert_eq!(output.status.code(), Some(3), "{said}");
    assert!(said.contains("went to its safe state while it began the run"), "{said}");
    // Each job of the session may have begun once more; two minutes each would be what is waited for without an answer.
    assert!(took < Duration::from_secs(60), "{took:?}");
    let next = dryfire().args(arguments).output().expect("dryfire starts");
    assert_eq!(next.status.code(), Some(0), "{}", String::from_utf8_lossy(&next.stdout));
}

/// The converter's codes of the sensor at the controller's terminals, by the bench's own formula.
#[test]
fn the_cold_junction_is_what_the_sensor_at_the_terminals_has_and_a_broken_one_is_told() {
    let Some(tools) = tools_or_skip() else { return };
    let mut boards = TwoBoards::start(&tools, &Setup::default());
    let mut host = Host::greet(&boards.port, 7);
    host.say(&HostMessage::MeasureColdJunction { on: true });
    let reading = |message: &RigMessage| match message {
        RigMessage::ColdJunction { at, millicelsius } => Some((*at, *millicelsius)),
        _ => None,
    };
    assert!(host.wait_for(reading).1.is_some_and(|first| (first - 20_000).abs() <= 100));
    let mut now = host.begin(1_000, 0);
    for (told, celsius) in
        [("2", Some(2.0)), ("19.5", Some(19.5)), ("off", None), ("35.2", Some(35.2)), ("55", Some(55.0)), ("120", None)]
    {
        boards.tell(&format!("sensor {told}"));
        // It has been told once it answers.
        boards.state();
        // What was begun before is taken first, and then the next one.
        now += RigSpan::from_seconds(2);
        host.say(&HostMessage::Grant { until: now });
        let from = host.heard.len();
        host.wait_for(|message| match message {
            RigMessage::Heartbeat(beat) if beat.complete_until >= now => Some(()),
            _ => None,
        });
        let readings: Vec<_> = host.heard[from.saturating_sub(1)..].iter().filter_map(reading).collect();
        assert!((3..=5).contains(&readings.len()), "twice a second: {readings:?}");
        let (_, last) = readings[readings.len() - 1];
        match celsius {
            None => assert_eq!(last, None, "{told}"),
            Some(celsius) => {
                let apart = f64::from(last.expect("a temperature")) / 1e3 - celsius;
                assert!(apart.abs() <= 0.1, "{apart} °C off {celsius} °C");
            }
        }
    }
}

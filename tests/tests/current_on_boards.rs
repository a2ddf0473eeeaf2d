//! Output 9 of the rig on an emulated board tells whether current flows: in no element or in one, by the model, which goes by
//! the relays that the rig senses and by what a scenario breaks.
#![expect(clippy::disallowed_methods, reason = "tests of the whole system start programs and write files")]

use dryfire_scenario::parse_bench;
use dryfire_tests::boards::{Setup, TwoBoards, configuration, tools_or_skip};
use dryfire_tests::{dryfire, read, root};
use rstest::rstest;
use serde_json::Value;

/// Bits of the switch word; the rig's `outputs.rs` has the same.
const SERIES_SWITCH: u64 = 1;
const SUPPLY: u64 = 1 << 15;
const CURRENT: u64 = 1 << (16 + 9);

/// How late a feedback contact may be on a bench that is stepped, microseconds: the step, and the switch.
const LATE_US: f64 = 21_000.0;

/// How well an instant of the run is known on the wires, microseconds.
const EDGE_US: f64 = 10.0;

/// What a scenario breaks while it heats.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Broken {
    Nothing,
    /// The relay of the only element that is on lets go, and current flows on until the contactor opens.
    Relay,
    /// The contactor's coil lets go, and so do the relays: no current.
    Contactor,
    /// No element conducts any more.
    Elements,
}

/// Whether current flows, from the levels of the contactor and of the element relays on the wires.
fn flows(levels: [bool; 4], closed_before: [bool; 4], broken: Option<Broken>) -> bool {
    let element = |number: usize| match broken {
        Some(Broken::Relay) => levels[number] || closed_before[number],
        Some(Broken::Elements) => false,
        _ => levels[number],
    };
    let contactor = levels[0] || broken == Some(Broken::Contactor);
    contactor && (1..4).any(element)
}

#[rstest]
#[case::healthy(Broken::Nothing, "")]
#[case::relay_welded(Broken::Relay, "{ weld: element }")]
#[case::contactor_welded(Broken::Contactor, "{ weld: safety }")]
#[case::elements_burnt_through(Broken::Elements, "[{ lose: element.1 }, { lose: element.2 }, { lose: element.3 }]")]
fn the_switch_of_output_9_follows_the_current_of_the_model(#[case] broken: Broken, #[case] does: &str) {
    let Some(tools) = tools_or_skip() else { return };
    let folder = tempfile::tempdir().expect("a folder");
    let kilns = root().join("scenarios/kilns").display().to_string();
    let text = read("scenarios/benches/rig.yaml").replace("../kilns", &kilns);
    let (before, after) = text.split_once("\ncontacts:\n").expect("contacts");
    let text = format!("{before}\nfeedback: [{{ current: any zone, output: 9 }}]\ncontacts:\n{after}");
    let (file, _) = parse_bench("bench.yaml", &text).expect("a bench file");
    let (bench, scenario) = (folder.path().join("bench.yaml"), folder.path().join("scenario.yaml"));
    std::fs::write(&bench, text).expect("a file");
    let text = read("tests/scenarios/stop-in-ten-seconds.yaml");
    let begin = "  - begin firing\n";
    assert!(text.contains(begin));
    let breaks = if does.is_empty() { String::new() } else { format!("  - {{ at: begin + 1.5 s, do: {does} }}\n") };
    std::fs::write(&scenario, text.replace(begin, &format!("{begin}{breaks}"))).expect("a file");

    let setup = Setup { page: Some(configuration(&file, &[])), trace: true, seed: 1, ..Setup::default() };
    let mut boards = TwoBoards::start(&tools, &setup);
    let output = dryfire()
        .args(["run", "--no-record", "--declared-by", "a test, with no kiln", "--format", "json"])
        .arg(&scenario)
        .arg("--bench")
        .arg(&bench)
        .arg("--port")
        .arg(&boards.port)
        .output()
        .expect("dryfire starts");
    let said = String::from_utf8(output.stdout).expect("JSON is UTF-8");
    let lines: Vec<Value> = said.lines().map(|line| serde_json::from_str(line).expect("a line of JSON")).collect();
    let (state, told) = boards.state();
    assert_eq!(state["trouble"], Value::Array(Vec::new()), "{state:#}");
    assert!(lines.iter().any(|line| line["type"] == "result" && line["trouble"].is_null()), "{said}");

    // From the second rise of the supply on: the scenario's run, after the negative control's.
    let risen = |line: &&Value| line["what"] == "rail" && line["rest"][0] == true;
    let second = told.iter().enumerate().filter(|(_, line)| risen(line)).nth(1).expect("two runs").0;
    let at = |line: &Value| line["at"].as_f64().expect("an instant");
    let instant = |kind: &str, found: &dyn Fn(&Value) -> bool| {
        lines.iter().find(|line| line["type"] == kind && found(line)).and_then(|line| line["at_us"].as_f64())
    };
    // The contactor's first closing is the same edge on the wires and in the events.
    let closes = told[second..].iter().find(|line| line["what"] == "relay" && line["rest"][0] == 0).expect("it closes");
    let closed = instant("edge", &|line| line["signal"] == "safety" && line["on"] == true).expect("it closes");
    let origin = at(closes) - closed;
    let breaks = instant("stimulus", &|line| {
        line["text"].as_str().is_some_and(|text| text.contains("welded") || text.contains("lost"))
    });
    assert_eq!(breaks.is_some(), broken != Broken::Nothing, "{said}");

    let (mut levels, mut at_break) = ([false; 4], [false; 4]);
    let mut wanted: Vec<(f64, bool)> = Vec::new();
    let mut seen: Vec<(f64, bool)> = Vec::new();
    let mut is_broken = false;
    for line in &told[second..] {
        let now = at(line);
        if let Some(breaks) = breaks
            && !is_broken
            && now > origin + breaks
        {
            (is_broken, at_break) = (true, levels);
            let still = flows(levels, at_break, Some(broken));
            if wanted.last().is_some_and(|(_, on)| *on != still) {
                wanted.push((origin + breaks, still));
            }
        }
        if line["what"] == "relay" {
            let relay = line["rest"][0].as_u64().expect("a relay") as usize;
            levels[relay] = line["rest"][1] == true;
            let on = flows(levels, at_break, is_broken.then_some(broken));
            if on != wanted.last().is_some_and(|(_, on)| *on) {
                wanted.push((now, on));
            }
        } else if line["what"] == "switches" {
            let word = line["rest"][0].as_u64().expect("a word");
            // Afterwards the rig goes back to rest, and the supply goes off.
            let running = word & SUPPLY != 0 && word & SERIES_SWITCH != 0;
            let on = word & CURRENT != 0;
            if running && on != seen.last().is_some_and(|(_, on)| *on) {
                seen.push((now, on));
            }
        }
    }
    let states = |list: &[(f64, bool)]| list.iter().map(|(_, on)| *on).collect::<Vec<_>>();
    assert!(wanted.len() >= 2, "{wanted:?}");
    assert_eq!(states(&seen), states(&wanted), "{seen:?} {wanted:?}");
    for ((moved, _), (cause, _)) in seen.iter().zip(&wanted) {
        let late = moved - cause;
        assert!((-EDGE_US..=LATE_US).contains(&late), "{late} µs: {seen:?} {wanted:?}");
    }
    // The contactor opens last: what a welded relay carries ends with it, and not with its coil.
    let opens = |contactor: bool| {
        let wires = told[second..].iter().filter(|line| line["what"] == "relay" && line["rest"][1] == false);
        wires.filter(|line| (line["rest"][0] == 0) == contactor).map(at).next_back().expect("it opened")
    };
    let ended = wanted[1].0;
    match broken {
        Broken::Relay => assert!(ended == opens(true) && ended > opens(false) + LATE_US, "{ended}"),
        Broken::Nothing | Broken::Contactor => assert_eq!(ended, opens(false)),
        Broken::Elements => assert!(ended < opens(false) - LATE_US, "{ended}"),
    }
}

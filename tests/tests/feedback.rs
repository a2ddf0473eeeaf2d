//! Feedback contacts follow the power side of the model: what the rig senses and what a scenario breaks.
#![expect(clippy::disallowed_methods, reason = "starts the program and writes files")]

use std::path::PathBuf;

use dryfire_tests::{dryfire, read, root};
use rstest::rstest;
use serde_json::Value;
use tempfile::TempDir;

const FEEDBACK: &str = "feedback:
  - { mirror contact: safety, output: 8 }
  - { current: any zone, output: 9 }
  - { current: top, output: 10 }
";

/// A bench of the library with feedback contacts, and a scenario.
struct Files {
    _folder: TempDir,
    bench: PathBuf,
    scenario: PathBuf,
}

impl Files {
    fn new(breaks: &str) -> Files {
        Files::on("scenarios/benches/virtual.yaml", FEEDBACK, breaks)
    }

    fn on(bench: &str, feedback: &str, breaks: &str) -> Files {
        let folder = tempfile::tempdir().expect("a folder");
        let kilns = root().join("scenarios/kilns").display().to_string();
        let text = read(bench).replace("../kilns", &kilns);
        let (before, after) = text.split_once("\ncontacts:\n").expect("contacts");
        // The rig's own feedback outputs are wanted for feedback here.
        let on_the_same = |line: &&str| (8..12).any(|output| line.contains(&format!("output: {output},")));
        let after: String = after.lines().filter(|line| !on_the_same(line)).map(|line| format!("{line}\n")).collect();
        let bench = folder.path().join("bench.yaml");
        std::fs::write(&bench, format!("{before}\n{feedback}contacts:\n{after}")).expect("a file");
        let scenario = folder.path().join("scenario.yaml");
        std::fs::write(&scenario, SCENARIO.replace("BREAKS", breaks)).expect("a file");
        Files { _folder: folder, bench, scenario }
    }

    /// Switches with their instants in microseconds, of the signals that are asked for.
    fn edges(&self, wanted: &[&str]) -> Vec<(i64, String, bool)> {
        let output = dryfire()
            .args(["run", "--no-record", "--format", "json"])
            .arg(&self.scenario)
            .arg("--bench")
            .arg(&self.bench)
            .output()
            .expect("dryfire starts");
        let text = String::from_utf8(output.stdout).expect("JSON is UTF-8");
        assert!(output.status.success(), "{text}{}", String::from_utf8_lossy(&output.stderr));
        let lines = text.lines().map(|line| serde_json::from_str::<Value>(line).expect("JSON"));
        let edges = lines.filter(|line| line["type"] == "edge").filter_map(|line| {
            let signal = line["signal"].as_str()?.to_owned();
            let at = line["at_us"].as_i64()?;
            wanted.contains(&signal.as_str()).then(|| (at, signal, line["on"].as_bool().unwrap_or(false)))
        });
        // What everything is at in the beginning is told first.
        edges.filter(|(at, ..)| *at > 0).collect()
    }
}

const SCENARIO: &str = "\
format: 1
scenario: stop is pressed soon after the beginning
hazards: [control]
why: a test
limits from: a test
start: { kiln: soaked at 400 °C }
firing: [{ ramp: 150 °C/h, to: 1000 °C }, { hold: 20 min }]
script:
  - begin firing
  - when: element on for 0.5 s
    within: 10 min
    call it: heating
BREAKS
  - wait: 5 min
    call it: stop
    do: { press: stop }
  - { wait: 1 s, do: { release: stop } }
expect:
  - { name: it heats, after: begin, within: 10 min, see: element on }
end: 2 min after stop
";

/// How late a feedback contact may be on a bench that is stepped, microseconds.
const LATE_US: i64 = 20_001;

/// Each switch of `of` is followed by one of `told`, to the opposite for a mirror contact; and nothing else is told.
fn assert_follows(edges: &[(i64, String, bool)], of: &str, told: &str, inverted: bool) {
    let only = |name: &str| edges.iter().filter(|(_, signal, _)| signal == name).collect::<Vec<_>>();
    let (causes, effects) = (only(of), only(told));
    assert!(causes.len() >= 2, "{of} hardly switched");
    assert_eq!(causes.len(), effects.len(), "{causes:?} {effects:?}");
    for (cause, effect) in causes.iter().zip(&effects) {
        assert_eq!(effect.2, cause.2 != inverted, "{cause:?} {effect:?}");
        assert!((0..=LATE_US).contains(&(effect.0 - cause.0)), "{cause:?} {effect:?}");
    }
}

#[rstest]
#[case::mirror_contact("safety", "mirror.safety", true)]
#[case::current_of_any_zone("heat", "current", false)]
#[case::current_of_one_zone("heat.top", "current.top", false)]
fn feedback_follows_the_relays_within_twenty_milliseconds(
    #[case] of: &str,
    #[case] told: &str,
    #[case] inverted: bool,
) {
    let edges = Files::new("").edges(&[of, told]);
    assert_follows(&edges, of, told, inverted);
}

#[rstest]
#[case::whole("  - { wait: 1 s, do: { weld: safety } }")]
#[case::one_pole("  - { wait: 1 s, do: { weld: safety, pole: 1 } }")]
fn the_mirror_contact_of_a_welded_contactor_does_not_close_when_its_coil_lets_go(#[case] weld: &str) {
    let edges = Files::new(weld).edges(&["safety", "mirror.safety"]);
    let told: Vec<bool> = edges.iter().filter(|edge| edge.1 == "mirror.safety").map(|edge| edge.2).collect();
    let coil: Vec<bool> = edges.iter().filter(|edge| edge.1 == "safety").map(|edge| edge.2).collect();
    assert_eq!(coil.last(), Some(&false), "the coil lets go in the end: {edges:?}");
    assert_eq!(told, [false], "it opened when the contactor closed, and that was all: {edges:?}");
}

#[test]
fn current_feedback_of_a_welded_element_relay_goes_off_with_the_contactor_only() {
    let weld = "  - { wait: 1 s, do: { weld: element.top } }";
    let edges = Files::new(weld).edges(&["safety", "heat.top", "current.top", "element.top"]);
    assert_follows(&edges, "heat.top", "current.top", false);
    let last = |name: &str| edges.iter().rfind(|edge| edge.1 == name).expect("it switched").0;
    assert!(last("current.top") - last("safety") <= LATE_US && last("current.top") >= last("safety"));
    let off_before = |edge: &&(i64, String, bool)| edge.1 == "element.top" && !edge.2 && edge.0 < last("safety");
    assert!(edges.iter().any(|edge| off_before(&edge)), "the coil of the welded relay let go before: {edges:?}");
}

#[test]
fn a_contactor_that_comes_off_late_lets_its_mirror_contact_close_late() {
    let sticks = "  - { wait: 1 s, do: { open late: safety, by: 30 s } }";
    let edges = Files::new(sticks).edges(&["safety", "mirror.safety"]);
    let last = |name: &str| edges.iter().rfind(|edge| edge.1 == name).expect("it switched").0;
    let late = last("mirror.safety") - last("safety");
    assert!((30_000_000..=30_000_000 + LATE_US).contains(&late), "{late} µs: {edges:?}");
}

#[test]
fn it_is_told_that_the_limiter_has_tripped_until_it_has_closed_and_once_it_has_tripped() {
    let told = "feedback: [{ limiter: tripped, output: 10 }]\n";
    let breaks = "  - { wait: 1 min, do: { open: limiter probe } }\n  - { wait: 1 min, do: { reconnect: limiter probe } }\n\
                  \x20 - { wait: 10 s, do: { press: reset } }\n  - { wait: 1 s, do: { release: reset } }";
    let edges = Files::on("scenarios/benches/with-limiter.yaml", told, breaks).edges(&["limiter", "limiter.tripped"]);
    assert_follows(&edges, "limiter", "limiter.tripped", true);
    let contact: Vec<bool> = edges.iter().filter(|edge| edge.1 == "limiter").map(|edge| edge.2).collect();
    assert_eq!(contact, [true, false, true], "closes at its start, trips, is reset: {edges:?}");
}

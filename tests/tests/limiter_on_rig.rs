//! A limiter behind a rig stays tripped from one run to the next: it is reset, or the next run is not begun.
#![expect(clippy::disallowed_methods, reason = "tests of the whole system start programs and write files")]

use std::path::PathBuf;

use dryfire_bench::{StandInWorld, World, WorldEvent};
use dryfire_engine::ProbeSignal;
use dryfire_scenario::{Bench as BenchFile, parse_bench};
use dryfire_tests::{OnPty, dryfire, read, root};
use dryfire_units::{Disturbance, RigTime};
use serde_json::Value;
use tempfile::TempDir;

/// The rig input that senses the limiter's contact in that bench file; the output that presses its reset has the same number.
const CONTACT: u8 = 4;
const RESET: u8 = 4;

/// The stand-in, which each run starts afresh, beside a limiter that nothing starts afresh.
struct Latched {
    inner: StandInWorld,
    /// Whether pressing its reset does anything.
    resets: bool,
    tripped: bool,
    /// What the contact of the fresh limiter inside is, and what the wire shows.
    closed: bool,
    shown: bool,
    /// Reset at this instant, and not shown yet.
    reset_at: Option<RigTime>,
}

impl World for Latched {
    fn begin(&mut self, seed: u64, ambient_millicelsius: i64) -> Result<(), String> {
        (self.closed, self.shown, self.reset_at) = (false, false, None);
        self.inner.begin(seed, ambient_millicelsius)
    }

    fn run_until(&mut self, until: RigTime, sink: &mut dyn FnMut(WorldEvent)) {
        let Latched { inner, tripped, closed, shown, reset_at, .. } = self;
        if let Some(at) = reset_at.take()
            && std::mem::replace(shown, *closed) != *closed
        {
            sink(WorldEvent::Edge { at, input: CONTACT, high: *closed });
        }
        inner.run_until(until, &mut |event| match event {
            WorldEvent::Edge { at, input: CONTACT, high } => {
                *tripped |= *closed && !high;
                *closed = high;
                let shows = *closed && !*tripped;
                if std::mem::replace(shown, shows) != shows {
                    sink(WorldEvent::Edge { at, input: CONTACT, high: shows });
                }
            }
            other => sink(other),
        });
    }

    fn set_contact(&mut self, at: RigTime, output: u8, closed: bool) {
        if output == RESET && closed && self.resets {
            self.tripped = false;
            self.reset_at = Some(at);
        }
        self.inner.set_contact(at, output, closed);
    }

    fn set_probe(&mut self, at: RigTime, channel: u8, signal: ProbeSignal) {
        self.inner.set_probe(at, channel, signal);
    }

    fn disturb_probe(&mut self, at: RigTime, channel: u8, disturbance: Disturbance) {
        self.inner.disturb_probe(at, channel, disturbance);
    }

    fn set_supply(&mut self, at: RigTime, on: bool) {
        self.inner.set_supply(at, on);
    }

    fn console_line(&mut self, at: RigTime, line: &str) {
        self.inner.console_line(at, line);
    }
}

/// A bench file of a rig with a limiter on its third channel.
struct Files {
    _folder: TempDir,
    path: PathBuf,
    file: BenchFile,
}

impl Files {
    fn new(changes: &[(&str, &str)]) -> Files {
        let kilns = root().join("scenarios/kilns").display().to_string();
        let mut text = read("scenarios/benches/with-limiter.yaml").replace("../kilns", &kilns);
        let rig = [
            ("virtual: { tick: 100 ms }", "rig: { silence: 500 ms }"),
            ("{ name: bottom, probe: K, channel: 2 }", "{ name: bottom, probe: K }"),
            ("{ zone: top, probe: K, channel: 3,", "{ zone: top, probe: K, channel: 2,"),
        ];
        for (before, after) in rig.iter().chain(changes) {
            assert!(text.contains(before), "{before}");
            text = text.replace(before, after);
        }
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("bench.yaml");
        std::fs::write(&path, &text).expect("a file");
        let (file, _) = parse_bench("bench.yaml", &text).expect("a bench file");
        Files { _folder: folder, path, file }
    }
}

/// A run that ends with the limiter tripped, and one in which nothing of it is asked; how each ended, and the exit status.
fn one_after_the_other(files: &Files, resets: bool) -> (i32, Vec<Value>) {
    let rig = OnPty::serve(&files.file, move |inner| Latched {
        inner,
        resets,
        tripped: false,
        closed: false,
        shown: false,
        reset_at: None,
    });
    let output = dryfire()
        .args(["run", "--no-record", "--format", "json", "--bench"])
        .arg(&files.path)
        .args(["scenarios/limiter/own-probe-breaks.yaml", "tests/scenarios/stop-in-ten-seconds.yaml", "--port"])
        .arg(&rig.port)
        .output()
        .expect("dryfire starts");
    let text = String::from_utf8(output.stdout).expect("JSON is UTF-8");
    let lines = text.lines().map(|line| serde_json::from_str::<Value>(line).expect("a line of JSON")).collect();
    (output.status.code().expect("it ended by itself"), lines)
}

/// The lines of the second run, and its result.
fn second(lines: &[Value]) -> (&[Value], &Value) {
    let first = lines.iter().position(|line| line["type"] == "result").expect("a first run");
    assert_eq!(lines[first]["verdict"], "pass", "{:#}", lines[first]);
    let rest = &lines[first + 1..];
    (rest, rest.iter().find(|line| line["type"] == "result").expect("a second run"))
}

#[test]
fn a_limiter_that_the_run_before_has_tripped_is_reset_before_the_next_firing_begins() {
    let (status, lines) = one_after_the_other(&Files::new(&[]), true);
    let (run, result) = second(&lines);
    assert_eq!((status, &result["verdict"]), (0, &Value::from("pass")), "{result:#}");
    let at = |found: Option<&Value>| found.and_then(|line| line["at_us"].as_i64()).expect("it happened");
    let closed =
        at(run.iter().find(|line| line["type"] == "edge" && line["signal"] == "limiter" && line["on"] == true));
    let pressed = at(run.iter().find(|line| line["type"] == "edge" && line["signal"] == "reset" && line["on"] == true));
    let begun = at(run.iter().find(|line| line["type"] == "moment" && line["name"] == "begin"));
    assert!(pressed <= closed && closed < begun, "pressed {pressed}, closed {closed}, begun {begun}");
}

/// With nothing else to heat, such a run would be no evidence; that it is not begun says so at once, and why.
#[test]
fn a_run_is_not_begun_while_the_limiter_is_open_whether_its_reset_does_nothing_or_there_is_none() {
    let without = [("  - { role: reset, output: 4, engaged: closed }\n", "")];
    for (changes, why) in
        [(&[][..], "its reset was pressed and has not closed it"), (&without, "the bench file has no contact `reset`")]
    {
        let (status, lines) = one_after_the_other(&Files::new(changes), false);
        let (run, result) = second(&lines);
        assert_eq!((status, &result["verdict"]), (3, &Value::from("error")), "{result:#}");
        assert_eq!(result["trouble"]["kind"], "limiter-open", "{result:#}");
        let detail = result["trouble"]["detail"].as_str().expect("why");
        assert!(detail.contains("the limiter's contact is open") && detail.contains(why), "{detail}");
        let begun = run.iter().any(|line| line["type"] == "moment" && line["name"] == "begin");
        let heated = run.iter().any(|line| line["type"] == "edge" && line["signal"] == "safety" && line["on"] == true);
        assert!(!begun && !heated, "{run:#?}");
    }
}

#[test]
fn a_bench_file_of_a_rig_with_more_probes_than_it_has_channels_is_refused_where_the_limiters_is_named() {
    let files = Files::new(&[]);
    let check = |text: &str| {
        std::fs::write(&files.path, text).expect("a file");
        dryfire().arg("check").arg(&files.path).output().expect("dryfire starts")
    };
    let text = std::fs::read_to_string(&files.path).expect("the file");
    assert_eq!(check(&text).status.code(), Some(0));
    let four = text.replace("{ name: bottom, probe: K }", "{ name: bottom, probe: K, channel: 2 }");
    let four = four.replace("{ zone: top, probe: K, channel: 2,", "{ zone: top, probe: K, channel: 3,");
    let place = four.lines().position(|line| line.starts_with("limiter:")).expect("the limiter") + 1;
    let refused = check(&four);
    let said = format!("{}{}", String::from_utf8_lossy(&refused.stdout), String::from_utf8_lossy(&refused.stderr));
    assert_eq!(refused.status.code(), Some(4), "{said}");
    assert!(said.contains(&format!("bench.yaml:{place}:")), "{said}");
    assert!(
        said.contains("are 4 in all, and a rig plays 3") && said.contains("hint: leave out the `channel`"),
        "{said}"
    );
}

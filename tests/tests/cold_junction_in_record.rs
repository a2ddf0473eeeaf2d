//! What a rig measures at the controller's terminals is in the record, in the events and in the report.
#![expect(clippy::disallowed_methods, reason = "starts the program and writes files")]

use std::path::Path;

use dryfire_bench::{StandInWorld, World, WorldEvent};
use dryfire_engine::ProbeSignal;
use dryfire_scenario::parse_bench;
use dryfire_tests::{OnPty, dryfire, read, root};
use dryfire_units::{Disturbance, MilliCelsius, RigTime};
use serde_json::Value;

/// The stand-in, whose terminals get warmer by 10 °C a minute, from 21 °C on; from `broken_from` on, in seconds, the sensor
/// says nothing of them.
struct Warming {
    inner: StandInWorld,
    now: RigTime,
    broken_from: i64,
}

/// What the sensor says at an instant, thousandths of a degree.
fn measured(at_us: i64) -> i64 {
    21_000 + at_us / 6_000
}

impl World for Warming {
    fn begin(&mut self, seed: u64, ambient_millicelsius: i64) -> Result<(), String> {
        self.now = RigTime::ZERO;
        self.inner.begin(seed, ambient_millicelsius)
    }

    fn run_until(&mut self, until: RigTime, sink: &mut dyn FnMut(WorldEvent)) {
        self.now = until;
        self.inner.run_until(until, sink);
    }

    fn cold_junction(&self) -> Option<MilliCelsius> {
        let at = self.now.since_origin().as_micros();
        (at < self.broken_from * 1_000_000).then(|| MilliCelsius::new(measured(at)))
    }

    fn set_contact(&mut self, at: RigTime, output: u8, closed: bool) {
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

/// Runs on such a rig, into a record; with the exit status, and the JSON lines.
fn run(folder: &Path, broken_from: i64) -> (i32, Vec<Value>) {
    run_on(folder, move |inner| Warming { inner, now: RigTime::ZERO, broken_from })
}

fn run_on<W: World>(folder: &Path, around: impl FnOnce(StandInWorld) -> W + Send + 'static) -> (i32, Vec<Value>) {
    let kilns = root().join("scenarios/kilns").display().to_string();
    let text = read("scenarios/benches/rig.yaml").replace("../kilns", &kilns);
    let (before, after) = text.split_once("\nsupply:").expect("the supply");
    let text = format!("{before}\ncold junction: measured by the rig\nsupply:{after}");
    let (file, _) = parse_bench("bench.yaml", &text).expect("a bench file");
    std::fs::write(folder.join("bench.yaml"), text).expect("a file");
    let rig = OnPty::serve(&file, around);
    let output = dryfire()
        .args(["run", "tests/scenarios/stop-in-ten-seconds.yaml", "--format", "json", "--record"])
        .arg(folder.join("it.sqlite"))
        .arg("--bench")
        .arg(folder.join("bench.yaml"))
        .arg("--port")
        .arg(&rig.port)
        .output()
        .expect("dryfire starts");
    let text = String::from_utf8(output.stdout).expect("JSON is UTF-8");
    let lines = text.lines().map(|line| serde_json::from_str(line).expect("a line of JSON")).collect();
    (output.status.code().expect("it ended by itself"), lines)
}

fn told(command: &str, folder: &Path, arguments: &[&str]) -> String {
    let output = dryfire().arg(command).arg(folder.join("it.sqlite")).args(arguments).output().expect("dryfire starts");
    assert_eq!(output.status.code(), Some(0), "{command}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).expect("UTF-8")
}

/// The course of the cold junction in the record, second by second: instants in seconds, and degrees where it was known.
fn course(folder: &Path) -> Vec<(f64, Option<f64>)> {
    let csv = told("export", folder, &["--as", "csv", "--run", "1"]);
    let (head, rows) = csv.split_once("\r\n").expect("a head");
    // Its cells have commas of their own, as have the texts at the end of a row.
    let head: Vec<&str> = head.trim_matches('"').split("\",\"").collect();
    let rows = rows.lines().map(|line| line.split(',').collect::<Vec<_>>());
    let column = head.iter().position(|name| name.contains("cold junction")).unwrap_or_else(|| panic!("{head:?}"));
    // Where it was not sampled the row tells of something else.
    let sampled = head.iter().position(|name| name.starts_with("kiln")).expect("a level");
    rows.filter(|row| row.get(sampled).is_some_and(|cell| !cell.is_empty()))
        .map(|row| (row[0].parse().expect("an instant"), row[column].parse().ok()))
        .collect()
}

#[test]
fn the_measured_cold_junction_is_in_the_record_in_the_events_and_in_the_reports_plot() {
    let folder = tempfile::tempdir().expect("a folder");
    let (status, lines) = run(folder.path(), i64::MAX / 2_000_000);
    assert_eq!(status, 0, "{lines:#?}");
    let course = course(folder.path());
    assert!(course.len() > 8, "{course:?}");
    for (at, celsius) in &course[1..] {
        // Measured twice a second, and what was measured last holds.
        let celsius = celsius.unwrap_or_else(|| panic!("at {at} s it is not known"));
        let newest = measured((at * 1e6) as i64) as f64 / 1e3;
        assert!((newest - 0.1..=newest).contains(&celsius), "{celsius} °C at {at} s, and {newest} °C at the sensor");
    }
    let levels: Vec<i64> = lines
        .iter()
        .filter(|line| line["type"] == "level" && line["signal"] == "cold junction")
        .map(|line| line["value_millicelsius"].as_i64().expect("a temperature"))
        .collect();
    assert!(!levels.is_empty() && levels.iter().all(|level| (21_000..24_000).contains(level)), "{levels:?}");
    assert!(levels.windows(2).all(|pair| pair[0] <= pair[1]) && levels[0] < levels[levels.len() - 1], "{levels:?}");

    let page = folder.path().join("it.html");
    told("report", folder.path(), &["--out", page.to_str().expect("UTF-8")]);
    let page = std::fs::read_to_string(page).expect("the report");
    assert!(page.contains("cold junction begins at 21"), "the plot's words say nothing of it");
    // Judged again from the record it comes to the same; and so does a record of a program that kept no such level.
    told("rejudge", folder.path(), &[]);
    let record = rusqlite::Connection::open(folder.path().join("it.sqlite")).expect("the record");
    let level = "(SELECT signal FROM signal WHERE name = 'cold junction')";
    let gone = record.execute(&format!("DELETE FROM samples WHERE signal = {level}"), []).expect("deleted");
    let named = record.execute("DELETE FROM signal WHERE name = 'cold junction'", []).expect("deleted");
    assert!(gone > 0 && named == 1, "{gone} {named}");
    drop(record);
    std::fs::remove_file(folder.path().join("it.sqlite.seal")).expect("its seal");
    told("rejudge", folder.path(), &[]);
}

/// Before its first run a simulated rig measures a room.
#[test]
fn a_simulated_rig_has_a_sensor_from_its_start() {
    let folder = tempfile::tempdir().expect("a folder");
    let (status, lines) = run_on(folder.path(), |inner| inner);
    assert_eq!(status, 0, "{lines:#?}");
    assert!(course(folder.path())[1..].iter().all(|(_, celsius)| *celsius == Some(20.0)));
}

#[test]
fn a_cold_junction_that_is_not_known_any_more_is_a_gap_in_the_record_and_the_run_is_inconclusive() {
    let folder = tempfile::tempdir().expect("a folder");
    let (status, lines) = run(folder.path(), 6);
    assert_eq!(status, 2, "{lines:#?}");
    let course = course(folder.path());
    let known = |from: f64, until: f64| -> Vec<bool> {
        course.iter().filter(|(at, _)| (from..until).contains(at)).map(|(_, celsius)| celsius.is_some()).collect()
    };
    let (before, after) = (known(1.0, 6.0), known(7.0, 100.0));
    assert!(before.len() >= 4 && before.iter().all(|known| *known), "{course:?}");
    assert!(after.len() >= 2 && after.iter().all(|known| !known), "{course:?}");
}

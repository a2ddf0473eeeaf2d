//! The same scenarios through a real serial port (a pseudo-terminal) with the
//! real rig logic behind it: not only the same verdicts and margins as on the
//! virtual bench, but the same events to the microsecond, at any speed and
//! under load, because the rig never runs past what it was granted.
#![expect(clippy::disallowed_methods, reason = "tests of the whole system start programs and threads")]

use std::io::{BufRead, BufReader};
use std::process::{Child, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, LazyLock, RwLock, RwLockReadGuard, RwLockWriteGuard};

use dryfire_tests::{dryfire, library_files};
use rstest::rstest;
use serde_json::Value;

const RIG: &str = "scenarios/benches/rig.yaml";
/// The virtual bench's file with the uncertainty that the rig states: margins are compared
/// under the same one.
static VIRTUAL: LazyLock<String> = LazyLock::new(|| {
    let rig = dryfire_tests::read(RIG);
    let (_, stated) = rig.split_once("\nuncertainty:\n").expect("the rig states its uncertainty at the end");
    let own = dryfire_tests::read("scenarios/benches/virtual.yaml");
    let (before, _) = own.split_once("\nuncertainty:").expect("the virtual bench states its uncertainty at the end");
    let kilns = dryfire_tests::root().join("scenarios/kilns");
    let text = format!("{before}\nuncertainty:\n{stated}").replace("../kilns", &kilns.to_string_lossy());
    let path = std::env::temp_dir().join(format!("dryfire-virtual-{}.yaml", std::process::id()));
    std::fs::write(&path, text).expect("the folder for temporary files can be written");
    path.to_string_lossy().into_owned()
});

/// Tests that load every core on purpose have the machine alone: a rig that hears nothing for half a second goes
/// safe, as it must, and three such tests side by side starve each other for as long as that.
static MACHINE: RwLock<()> = RwLock::new(());

fn shared() -> RwLockReadGuard<'static, ()> {
    // A test that failed has spoiled nothing that another one needs.
    MACHINE.read().unwrap_or_else(std::sync::PoisonError::into_inner)
}

fn alone() -> RwLockWriteGuard<'static, ()> {
    MACHINE.write().unwrap_or_else(std::sync::PoisonError::into_inner)
}

/// A simulated rig that is ended with the test.
struct Rig {
    child: Child,
    port: String,
}

impl Rig {
    fn start(arguments: &[&str]) -> Rig {
        let mut child = dryfire()
            .args(["rig", "simulate", "--bench", RIG])
            .args(arguments)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::inherit())
            .spawn()
            .expect("dryfire starts");
        let mut port = String::new();
        let stdout = child.stdout.take().expect("it was asked for");
        BufReader::new(stdout).read_line(&mut port).expect("the rig names its port");
        Rig { child, port: port.trim().to_owned() }
    }
}

impl Drop for Rig {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Exit status and JSON lines, without the first one, which names the bench.
fn run(arguments: &[&str]) -> (i32, Vec<String>) {
    let output = dryfire()
        .args(["run", "--no-record"])
        .args(arguments)
        .args(["--format", "json"])
        .output()
        .expect("dryfire starts");
    let text = String::from_utf8(output.stdout).expect("JSON is UTF-8");
    let lines = text.lines().skip(1).map(str::to_owned).collect();
    (output.status.code().expect("it ended by itself"), lines)
}

fn assert_same_as_virtual(paths: &[&str], rig: &Rig) {
    let (status, virtual_lines) = run(&[paths, &["--bench", &VIRTUAL]].concat());
    let (rig_status, rig_lines) = run(&[paths, &["--bench", RIG, "--port", &rig.port]].concat());
    for (number, (one, other)) in virtual_lines.iter().zip(&rig_lines).enumerate() {
        assert_eq!(one, other, "line {}", number + 2);
    }
    assert_eq!(virtual_lines.len(), rig_lines.len());
    assert_eq!(status, rig_status);
}

#[test]
fn the_whole_library_gives_the_same_events_through_the_wire() {
    let _with_others = shared();
    let rig = Rig::start(&[]);
    let files = library_files().into_iter().map(|(file, _)| file).filter(|file| !NOT_ON_A_RIG.contains(&file.as_str()));
    let files: Vec<String> = files.collect();
    let files: Vec<&str> = files.iter().map(String::as_str).collect();
    assert!(files.len() > 60, "{}", files.len());
    assert_same_as_virtual(&files, &rig);
    for file in NOT_ON_A_RIG {
        let (status, lines) = run(&[file, "--bench", RIG, "--port", &rig.port]);
        assert_eq!(status, 5, "nothing applicable: {lines:?}");
    }
}

/// What a rig, which plays voltages, cannot do: these are not applicable there, and say so.
const NOT_ON_A_RIG: &[&str] = &["scenarios/probe/box-hot.yaml"];

/// Ten seconds of simulated time, so that it can be had at half speed too.
const SHORT: &str = "tests/scenarios/stop-in-ten-seconds.yaml";

#[rstest]
#[case::half_speed("0.5")]
#[case::real_time("1")]
#[case::twenty_times("20")]
fn a_run_is_the_same_at_every_speed(#[case] speed: &str) {
    let _with_others = shared();
    let rig = Rig::start(&["--speed", speed]);
    assert_same_as_virtual(&[SHORT], &rig);
}

#[test]
fn a_run_is_the_same_at_two_hundred_times_with_every_core_loaded() {
    let _machine = alone();
    let stop = Arc::new(AtomicBool::new(false));
    let cores = std::thread::available_parallelism().map_or(2, usize::from);
    let load: Vec<_> = (0..cores)
        .map(|_| {
            let stop = Arc::clone(&stop);
            std::thread::spawn(move || {
                let mut sum = 0_u64;
                while !stop.load(Ordering::Relaxed) {
                    sum = std::hint::black_box(sum.wrapping_mul(31).wrapping_add(7));
                }
            })
        })
        .collect();
    let rig = Rig::start(&["--speed", "200"]);
    assert_same_as_virtual(&["scenarios/people", "scenarios/probe/open-while-holding.yaml"], &rig);
    stop.store(true, Ordering::Relaxed);
    for thread in load {
        thread.join().expect("the load does not panic");
    }
}

#[test]
fn a_failing_controller_fails_through_the_wire_with_the_same_findings() {
    let _with_others = shared();
    let rig = Rig::start(&["--defect", "restarts-after-stop"]);
    let path = "scenarios/people/stop-pressed.yaml";
    let (_, on_virtual) = run(&[path, "--bench", &VIRTUAL, "--defect", "restarts-after-stop"]);
    let (status, on_rig) = run(&[path, "--bench", RIG, "--port", &rig.port]);
    assert_eq!(status, 1);
    assert_eq!(on_virtual, on_rig);
}

#[test]
fn a_rig_without_grants_that_runs_too_fast_has_late_set_points_and_never_passes() {
    let _with_others = shared();
    let rig = Rig::start(&["--no-grants", "--speed", "2000"]);
    let (status, lines) = run(&["scenarios/people/stop-pressed.yaml", "--bench", RIG, "--port", &rig.port]);
    let result: Value = lines
        .iter()
        .filter_map(|line| serde_json::from_str(line).ok())
        .find(|line: &Value| line["type"] == "result")
        .expect("there is a result");
    assert_ne!(result["verdict"], "pass", "{result}");
    assert_ne!(status, 0);
    let late = result["counters"]["late_setpoints"].as_u64().unwrap_or(0);
    assert!(late > 0, "{result}");
}

//! Whole runs on a controller that is a program: a real one in Python, written
//! from the page, and ones that break down.
#![expect(clippy::disallowed_methods, reason = "tests of the whole system start programs and read clocks")]
#![expect(clippy::disallowed_types, reason = "tests of the whole system start programs and read clocks")]

use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use dryfire_tests::{dryfire, read, root};
use rstest::rstest;
use serde_json::Value;

/// Whether there is a Python; a machine that runs the project's own checks has to have one.
fn python() -> bool {
    let found = Command::new("python3").arg("--version").output().is_ok_and(|output| output.status.success());
    if !found {
        assert!(std::env::var_os("CI").is_none(), "the project's own checks need python3");
        eprintln_skipped();
    }
    found
}

#[expect(clippy::print_stderr, reason = "a skipped test says so")]
fn eprintln_skipped() {
    eprintln!("skipped: there is no python3 or no C compiler here");
}

fn results(output: &[u8]) -> Vec<Value> {
    String::from_utf8_lossy(output)
        .lines()
        .filter_map(|line| serde_json::from_str::<Value>(line).ok())
        .filter(|line| line["type"] == "result")
        .collect()
}

#[test]
fn the_controller_in_python_meets_the_hazards_that_it_claims_to_meet() {
    if !python() {
        return;
    }
    let output = dryfire()
        .args([
            "run",
            "--no-record",
            "scenarios/probe/open-while-ramping.yaml",
            "scenarios/probe/open-while-holding.yaml",
        ])
        .args(["scenarios/people/stop-pressed.yaml", "scenarios/heat/element-relay-welded.yaml"])
        .args(["--bench", "scenarios/benches/program-python.yaml", "--format", "json"])
        .output()
        .expect("dryfire starts");
    let results = results(&output.stdout);
    assert_eq!(results.len(), 4, "{}", String::from_utf8_lossy(&output.stderr));
    for result in &results {
        assert_eq!(result["verdict"], "pass", "{result:#}");
    }
    assert_eq!(output.status.code(), Some(0));
}

fn bench_with(folder: &Path, command: &str) -> std::path::PathBuf {
    let text = read("scenarios/benches/program-python.yaml");
    let line = text.lines().find(|line| line.trim_start().starts_with("command:")).expect("it has a command");
    let controllers = root().join("tests/controllers");
    let text = text
        .replace(line, &format!("  command: [python3, {}/{command}]", controllers.display()))
        .replace("deadline: 5 s", "deadline: 1 s")
        .replace("../kilns", &root().join("scenarios/kilns").to_string_lossy());
    // Breakdowns are tried without a name or version to live up to.
    let text = text.replace("  firmware version: \"1.0.0\"\n", "");
    let path = folder.join("bench.yaml");
    std::fs::write(&path, text).expect("the folder is writable");
    path
}

/// What the library once found in this controller beside its seeded mistake, and what it has guards against since.
#[rstest]
#[case::a_kiln_that_warms_at_rest("heat/warms-while-idle.yaml")]
#[case::a_start_button_that_is_down_at_power_up("controller/start-held-at-power-up.yaml")]
#[case::the_time_with_the_lid_open("time/longest-firing-with-lid-open.yaml")]
#[case::a_program_that_the_supply_cut_finds_unsaved("program/torn-save.yaml")]
fn the_controller_in_python_has_no_other_mistake_that_was_found(#[case] scenario: &str) {
    if !python() {
        return;
    }
    let output = dryfire()
        .args(["run", "--no-record", "--bench", "scenarios/benches/program-python.yaml", "--format", "json"])
        .arg(format!("scenarios/{scenario}"))
        .output()
        .expect("dryfire starts");
    let results = results(&output.stdout);
    assert!(!results.is_empty(), "{}", String::from_utf8_lossy(&output.stderr));
    for result in &results {
        assert_eq!(result["verdict"], "pass", "{result:#}");
    }
}

#[test]
fn a_mistake_seeded_into_the_controller_in_python_is_found() {
    if !python() {
        return;
    }
    let folder = tempfile::tempdir().expect("there is room");
    let bench = bench_with(folder.path(), "controller.py, --mistake, ignores-probe-while-holding");
    let output = dryfire()
        .args(["run", "--no-record", "scenarios/probe/open-while-holding.yaml", "--format", "json", "--bench"])
        .arg(bench)
        .output()
        .expect("dryfire starts");
    let results = results(&output.stdout);
    assert_eq!(results[0]["verdict"], "fail", "{:#}", results[0]);
    assert_eq!(output.status.code(), Some(1));
}

/// The controller in C, compiled into the folder; `None` where there is no compiler.
fn controller_in_c(folder: &Path) -> Option<std::path::PathBuf> {
    let program = folder.join("controller");
    let source = root().join("tests/controllers/controller.c");
    let output = Command::new("cc").args(["-std=c11", "-O1", "-o"]).arg(&program).arg(source).arg("-lm").output();
    match output {
        Ok(output) => {
            assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
            Some(program)
        }
        Err(_) => {
            assert!(std::env::var_os("CI").is_none(), "the project's own checks need a C compiler");
            None
        }
    }
}

/// A bench file for that program.
fn bench_of(folder: &Path, name: &str, program: &Path, arguments: &str) -> std::path::PathBuf {
    let text = read("scenarios/benches/program-python.yaml");
    let line = text.lines().find(|line| line.trim_start().starts_with("command:")).expect("it has a command");
    let text = text
        .replace(line, &format!("  command: [{}{arguments}]", program.display()))
        .replace("the small controller in Python", name)
        .replace("../kilns", &root().join("scenarios/kilns").to_string_lossy())
        .replace("controller.py", "controller.c");
    let path = folder.join(format!("{}.yaml", name.replace(' ', "-")));
    std::fs::write(&path, text).expect("the folder is writable");
    path
}

#[test]
fn the_controller_in_c_meets_the_hazards_that_it_claims_to_meet() {
    let folder = tempfile::tempdir().expect("there is room");
    let Some(program) = controller_in_c(folder.path()) else { return eprintln_skipped() };
    let bench = bench_of(folder.path(), "the small controller in C", &program, "");
    let scenarios = ["probe/open-while-ramping", "probe/frozen", "people/stop-pressed", "supply/cut-after-fault"];
    let paths = scenarios.map(|scenario| format!("scenarios/{scenario}.yaml"));
    let output = dryfire()
        .args(["run", "--no-record", "--format", "json", "--bench"])
        .arg(bench)
        .args(&paths)
        .output()
        .expect("dryfire starts");
    let results = results(&output.stdout);
    let (ran, not_applicable): (Vec<_>, Vec<_>) = results.iter().partition(|result| !result["verdict"].is_null());
    // The frozen reading is that of all probes, and of each of four, of which the bench has three.
    assert_eq!((ran.len(), not_applicable.len()), (7, 1), "{}", String::from_utf8_lossy(&output.stderr));
    for result in ran {
        assert_eq!(result["verdict"], "pass", "{result:#}");
    }
    assert_eq!(output.status.code(), Some(0));
}

/// The user's own builds are challenged like the stand-in's.
#[test]
fn the_library_tells_the_mistake_in_c_from_the_build_without_it() {
    let folder = tempfile::tempdir().expect("there is room");
    let Some(program) = controller_in_c(folder.path()) else { return eprintln_skipped() };
    let good = bench_of(folder.path(), "without the mistake", &program, "");
    let bad = bench_of(folder.path(), "with the mistake", &program, ", --mistake, fault-time-in-a-byte");
    let challenge = |hazard: &str, page: &Path| {
        let output = dryfire()
            .args(["challenge", "scenarios/probe/open-while-ramping.yaml", "scenarios/people/stop-pressed.yaml"])
            .args(["--format", "json", "--html"])
            .arg(page)
            .arg("--bench")
            .arg(&good)
            .arg("--faulty")
            .arg(format!("{hazard}={}", bad.display()))
            .output()
            .expect("dryfire starts");
        let stdout = String::from_utf8_lossy(&output.stdout).into_owned();
        let summary: Value = stdout.lines().last().and_then(|line| serde_json::from_str(line).ok()).unwrap_or_default();
        (output.status.code(), summary, String::from_utf8_lossy(&output.stderr).into_owned())
    };
    let page = folder.path().join("table.html");
    let (status, summary, stderr) = challenge("probe-open", &page);
    assert_eq!((&summary["caught"], &summary["cleared"]), (&1.into(), &1.into()), "{summary:#}\n{stderr}");
    assert_eq!(status, Some(0), "{summary:#}");
    let page = std::fs::read_to_string(page).expect("a page");
    assert!(page.contains("with the mistake") && page.contains("the probe opens while the kiln climbs"));
    // The same build said to be wrong in another way is not caught.
    let (status, summary, _) = challenge("stop-pressed", &folder.path().join("other.html"));
    assert_eq!((status, &summary["caught"]), (Some(1), &0.into()), "{summary:#}");
    // A hazard that nothing guards against is a mistake in the call.
    let (status, _, stderr) = challenge("moth-in-the-box", &folder.path().join("third.html"));
    assert_eq!(status, Some(4));
    assert!(stderr.contains("no scenario guards against it"), "{stderr}");
}

/// Else a session that is gone on with could keep the passes of another program.
#[test]
fn the_program_itself_is_hashed_into_the_record() {
    if !python() {
        return;
    }
    let folder = tempfile::tempdir().expect("there is room");
    let path = folder.path().join("it.sqlite");
    let status = dryfire()
        .args(["run", "scenarios/people/stop-pressed.yaml", "--bench", "scenarios/benches/program-python.yaml"])
        .arg("--record")
        .arg(&path)
        .output()
        .expect("dryfire starts")
        .status;
    assert_eq!(status.code(), Some(0));
    let record = dryfire_record::Record::open(&path).expect("a record");
    let images: Vec<_> = record.files().iter().filter(|file| file.role == dryfire_record::FileRole::Image).collect();
    let program = std::fs::read(root().join("tests/controllers/controller.py")).expect("it is there");
    assert_eq!(images.len(), 1, "an interpreter is no part of the controller");
    assert_eq!(images[0].sha256, dryfire_record::seal::sha256_hex(&program));
}

/// Half a minute of heat after a start is no firing: what is off afterwards was cut by nothing that a scenario did.
#[test]
fn a_controller_that_heats_for_a_moment_after_each_start_and_never_again_shows_no_hazard_at_all() {
    if !python() {
        return;
    }
    let folder = tempfile::tempdir().expect("there is room");
    let bench = bench_with(folder.path(), "moment.py");
    let output = dryfire()
        .args(["run", "--no-record", "scenarios", "--format", "json", "--bench"])
        .arg(bench)
        .output()
        .expect("dryfire starts");
    let lines = String::from_utf8_lossy(&output.stdout);
    let summary: Value = serde_json::from_str(lines.lines().last().expect("a summary")).expect("JSON");
    assert_eq!(summary["type"], "summary", "{summary:#}");
    assert!(summary["scenarios"].as_u64() > Some(90), "{summary:#}");
    assert_eq!(summary["errors"], 0, "{summary:#}");
    assert_eq!(summary["hazards"]["shown"], serde_json::json!([]), "{summary:#}");
    assert_eq!(output.status.code(), Some(1));
}

#[rstest]
#[case::hangs("hangs.py, call", "program-late")]
#[case::dies("dies.py, exits", "program-ended")]
#[case::nonsense("nonsense.py, greeting", "program-nonsense")]
#[case::late("late.py, '1900'", "program-late")]
#[case::floods("floods.py, endless", "program-flood")]
fn a_program_that_breaks_down_ends_in_error_with_what_it_said(#[case] program: &str, #[case] kind: &str) {
    if !python() {
        return;
    }
    let folder = tempfile::tempdir().expect("there is room");
    let bench = bench_with(folder.path(), program);
    // Built before the clock runs.
    let mut command = dryfire();
    let begun = Instant::now();
    let output = command
        .args(["run", "--no-record", "scenarios/people/stop-pressed.yaml", "--format", "json", "--bench"])
        .arg(bench)
        .output()
        .expect("dryfire starts");
    let took = begun.elapsed();
    let results = results(&output.stdout);
    let text = String::from_utf8_lossy(&output.stdout);
    assert_eq!(results.len(), 1, "{text}{}", String::from_utf8_lossy(&output.stderr));
    assert_eq!(results[0]["verdict"], "error", "{:#}", results[0]);
    assert_eq!(results[0]["trouble"]["kind"], kind, "{:#}", results[0]);
    assert!(!results[0]["trouble"]["detail"].as_str().unwrap_or("").is_empty());
    assert_eq!(output.status.code(), Some(3));
    // The program may run well for a while before it breaks down; after that
    // the deadline of 1 s and 2 s more are all that may pass.
    assert!(took < Duration::from_secs(20), "{took:?}");
}

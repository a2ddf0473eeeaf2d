//! `dryfire run` as a whole: every exit status, and what is said on the way.

#![expect(clippy::disallowed_methods, clippy::disallowed_types, reason = "tests write and read files")]

mod command;

use std::fs;
use std::io::{BufRead, BufReader, Read};
use std::process::Stdio;

use command::files::{LID_IS_OPENED, RELAY_WELDS, changed_bench, library, probe_opens};
use command::{Ran, call, dryfire, dryfire_with, ran};
use rstest::rstest;
use serde_json::Value;
use tempfile::TempDir;

fn path(folder: &TempDir) -> &str {
    folder.path().to_str().expect("UTF-8")
}

fn headline(ran: &Ran) -> &str {
    ran.out.lines().find(|line| line.contains("hazards shown")).unwrap_or_else(|| panic!("no headline: {ran:?}"))
}

#[test]
fn the_library_holds_on_the_virtual_bench() {
    let ran = dryfire(&["run", "scenarios"]);
    assert_eq!(ran.status, Some(0), "{ran:?}");
    // It has no limiter, so nothing is known of one.
    assert!(headline(&ran).contains(", 0 uncovered, 1 not tested"), "{ran:?}");
    assert!(ran.out.contains("  not tested  limiter\n"), "{ran:?}");
    assert_eq!(ran.err, "", "nothing on standard error where nobody watches");
    assert!(!ran.out.contains('\u{1b}'));
    assert!(ran.out.contains("not approval of a kiln"));
}

#[test]
fn a_fail_ends_with_1() {
    let folder = library(&[("one.yaml", &probe_opens("the probe opens", "401 °C", "10 s"))]);
    let ran = dryfire(&["run", path(&folder), "--defect", "probe-fault-ignored-while-ramping"]);
    assert_eq!(ran.status, Some(1), "{ran:?}");
    assert_eq!(headline(&ran), "0 of 1 hazards shown, 1 failed, 0 uncovered, 0 not tested");
    assert!(ran.out.contains("✗ fail"), "{ran:?}");
    assert!(ran.out.contains("heat is cut: the heat was never cut"), "{ran:?}");
    assert!(ran.out.contains("defects     probe-fault-ignored-while-ramping"), "{ran:?}");
}

#[test]
fn an_uncovered_hazard_ends_with_1() {
    let folder = library(&[("one.yaml", RELAY_WELDS)]);
    let bench = folder.path().join("benches/without-contactor.yaml");
    let ran = dryfire(&["run", path(&folder), "--bench", bench.to_str().expect("UTF-8")]);
    assert_eq!(ran.status, Some(1), "{ran:?}");
    assert_eq!(headline(&ran), "0 of 1 hazards shown, 1 uncovered, 0 not tested");
    assert!(ran.out.contains("Uncovered: nothing on this bench meets the hazard"), "{ran:?}");
}

#[test]
fn what_could_not_be_decided_ends_with_2() {
    let folder = library(&[("one.yaml", &probe_opens("the probe opens in vain", "990 °C", "10 s"))]);
    let ran = dryfire(&["run", path(&folder)]);
    assert_eq!(ran.status, Some(2), "{ran:?}");
    assert!(headline(&ran).contains("0 of 1 hazards shown, 0 uncovered, 1 undecided"), "{ran:?}");
    assert!(ran.out.contains("? inconclusive"), "{ran:?}");
}

/// The library's own bench for a program, which has no lines that could be held.
fn of_a_program(bench: &str, program: &str) -> String {
    let lines = ["reset line", "data line", "clock line"].map(|line| format!("role: {line}"));
    let kept = bench.lines().filter(|row| !lines.iter().any(|line| row.contains(line)));
    kept.collect::<Vec<_>>().join("\n").replace("virtual: { tick: 100 ms }", program)
}

/// A program that ends at once, on a bench made of the library's own.
fn bench_of_a_program_that_ends(folder: &TempDir) -> String {
    changed_bench(folder.path(), "program.yaml", |text| {
        of_a_program(text, "program: { command: [\"/bin/false\"], deadline: 5 s }")
    })
}

#[test]
fn a_breakdown_ends_with_3() {
    let folder = library(&[("one.yaml", &probe_opens("the probe opens", "401 °C", "10 s"))]);
    let bench = bench_of_a_program_that_ends(&folder);
    let ran = dryfire(&["run", path(&folder), "--bench", &bench]);
    assert_eq!(ran.status, Some(3), "{ran:?}");
    assert!(ran.out.contains("! error"), "{ran:?}");
    assert!(ran.out.contains("the controller's program ended"), "{ran:?}");
}

#[test]
fn a_breakdown_beside_an_uncovered_hazard_ends_with_3_and_counts_both() {
    let folder = library(&[("one.yaml", &probe_opens("the probe opens", "401 °C", "10 s")), ("two.yaml", RELAY_WELDS)]);
    let bench = changed_bench(folder.path(), "program.yaml", |_| {
        let bench = fs::read_to_string(folder.path().join("benches/without-contactor.yaml")).expect("a bench");
        bench.replace("virtual: { tick: 100 ms }", "program: { command: [\"/bin/false\"], deadline: 5 s }")
    });
    let ran = dryfire(&["run", path(&folder), "--bench", &bench]);
    assert_eq!(ran.status, Some(3), "{ran:?}");
    assert_eq!(headline(&ran), "0 of 2 hazards shown, 1 uncovered, 1 undecided, 0 not tested");
}

#[test]
fn nothing_applicable_ends_with_5() {
    let folder = library(&[("one.yaml", LID_IS_OPENED)]);
    let bench = changed_bench(folder.path(), "no-lid.yaml", |text| {
        text.replace("  - { role: lid, output: 0, engaged: open }\n", "")
    });
    let ran = dryfire(&["run", path(&folder), "--bench", &bench]);
    assert_eq!(ran.status, Some(5), "{ran:?}");
    assert_eq!(headline(&ran), "0 of 1 hazards shown, 0 uncovered, 1 not tested");
    assert!(ran.out.contains("Not applicable here"), "{ran:?}");
}

#[test]
fn one_broken_scenario_keeps_everything_from_running() {
    let folder = library(&[
        ("one.yaml", &probe_opens("the probe opens", "401 °C", "10 s")),
        ("two.yaml", &probe_opens("another", "401", "10 s")),
    ]);
    let ran = dryfire(&["run", path(&folder)]);
    assert_eq!(ran.status, Some(4), "{ran:?}");
    assert_eq!(ran.out, "");
    assert!(ran.err.contains("two.yaml:"), "{ran:?}");
    assert!(!ran.err.contains("one.yaml"), "{ran:?}");
}

#[test]
fn a_folder_without_a_bench_gets_the_one_built_in() {
    let folder = TempDir::new().expect("a folder");
    fs::write(folder.path().join("one.yaml"), probe_opens("the probe opens", "401 °C", "10 s")).expect("a file");
    let alone = dryfire(&["run", path(&folder)]);
    assert_eq!(alone.status, Some(0), "{alone:?}");
    let bench = "scenarios/benches/virtual.yaml";
    let named = dryfire(&["run", path(&folder), "--bench", bench]);
    assert_eq!(alone.out, named.out, "the built-in bench is the library's");
}

#[rstest]
#[case("")]
#[case("family")]
#[case("family/one.yaml")]
fn the_bench_of_the_library_is_found_from_its_parts(#[case] part: &str) {
    let folder = library(&[]);
    fs::create_dir(folder.path().join("family")).expect("a folder");
    fs::write(folder.path().join("family/one.yaml"), probe_opens("the probe opens", "401 °C", "10 s")).expect("a file");
    changed_bench(folder.path(), "virtual.yaml", |text| text.replace("bench: stand-in with a", "bench: my own"));
    let meant = folder.path().join(part);
    let ran = dryfire(&["run", meant.to_str().expect("UTF-8")]);
    assert_eq!(ran.status, Some(0), "{ran:?}");
    assert!(ran.out.contains("bench       my own"), "{ran:?}");
}

#[test]
fn defects_are_for_the_stand_in_only() {
    let folder = library(&[("one.yaml", &probe_opens("the probe opens", "401 °C", "10 s"))]);
    let bench = bench_of_a_program_that_ends(&folder);
    let ran = dryfire(&["run", path(&folder), "--bench", &bench, "--defect", "lid-ignored"]);
    assert_eq!(ran.status, Some(4), "{ran:?}");
    assert!(ran.err.contains("--defect is for the stand-in"), "{ran:?}");
}

/// Several short scenarios under different names.
fn several(count: usize) -> TempDir {
    let texts: Vec<(String, String)> = (0..count)
        .map(|index| (format!("{index:03}.yaml"), probe_opens(&format!("probe {index:03}"), "401 °C", "10 s")))
        .collect();
    let files: Vec<(&str, &str)> = texts.iter().map(|(name, text)| (name.as_str(), text.as_str())).collect();
    library(&files)
}

#[rstest]
#[case("text")]
#[case("json")]
fn the_same_seed_gives_the_same_bytes_however_many_run_at_once(#[case] format: &str) {
    let folder = several(6);
    let run = |jobs: &str, seed: &str| {
        let ran = dryfire(&["run", path(&folder), "--format", format, "--jobs", jobs, "--seed", seed]);
        assert_eq!(ran.status, Some(0), "{ran:?}");
        ran.out
    };
    let one = run("1", "7");
    assert_eq!(one, run("1", "7"));
    assert_eq!(one, run("4", "7"));
    assert_eq!(one, run("64", "7"));
    assert_ne!(one, run("4", "8"), "the seed matters");
}

#[test]
fn json_lines_begin_with_the_session_and_end_with_the_summary() {
    let folder = several(2);
    let ran = dryfire(&["run", path(&folder), "--format", "json"]);
    let lines: Vec<Value> = ran.out.lines().map(|line| serde_json::from_str(line).expect("JSON")).collect();
    assert_eq!(lines[0]["type"], "session");
    assert_eq!(lines[0]["scenarios"], 2);
    let last = lines.last().expect("a line");
    assert_eq!(last["type"], "summary");
    assert_eq!(last["exit_code"], 0);
    assert_eq!(ran.status, Some(0));
    let count = |kind: &str| lines.iter().filter(|line| line["type"] == kind).count();
    assert_eq!((count("begin"), count("end"), count("result")), (2, 2, 2));
    for kind in ["moment", "stimulus", "edge", "level", "console", "decided"] {
        assert!(count(kind) > 0, "{kind}");
    }
    assert_eq!(count("trouble"), 0);
    // No wall time, host or absolute path: the folder's name is nowhere.
    assert!(!ran.out.contains(path(&folder)));
    // What is decided is what the result lists, in whatever order it was decided.
    for run in 1..=2 {
        let of_run =
            |kind: &str| lines.iter().filter(|line| line["type"] == kind && line["run"] == run).collect::<Vec<_>>();
        let findings = of_run("result")[0]["findings"].as_array().expect("a list").clone();
        let decided = of_run("decided");
        assert_eq!(decided.len(), findings.len());
        for one in decided {
            let place = one["expectation"].as_u64().expect("a place") as usize;
            assert_eq!(findings[place - 1]["verdict"], one["verdict"]);
        }
    }
}

#[test]
fn log_lines_go_to_standard_error_with_session_and_run() {
    let folder = several(2);
    let ran = dryfire(&["run", path(&folder), "-v", "--jobs", "2"]);
    assert_eq!(ran.status, Some(0), "{ran:?}");
    let begun: Vec<&str> = ran.err.lines().filter(|line| line.contains("run begins")).collect();
    assert_eq!(begun.len(), 2, "{ran:?}");
    assert!(begun.iter().all(|line| line.contains("session{seed=1")), "{begun:?}");
    for (run, name) in [(1, "probe 000"), (2, "probe 001")] {
        let span = format!("run{{run={run} scenario={name}");
        assert!(begun.iter().any(|line| line.contains(&span)), "{begun:?}");
    }
    assert!(!ran.err.contains('\u{1b}'));
    let quiet = dryfire(&["run", path(&folder)]);
    assert_eq!(quiet.out, ran.out, "the log changes nothing on standard output");
    let by_variable = dryfire_with(&["run", path(&folder)], &[("RUST_LOG", "info")]);
    assert!(by_variable.err.contains("run begins"), "{by_variable:?}");
}

#[test]
fn a_reader_that_goes_away_changes_neither_status_nor_standard_error() {
    let folder = library(&[("one.yaml", &probe_opens("the probe opens", "401 °C", "10 s"))]);
    let arguments = ["run", path(&folder), "--format", "json", "--defect", "probe-fault-ignored-while-ramping"];
    let (reader, writer) = std::io::pipe().expect("a pipe");
    drop(reader);
    let ran = command::run_into(&arguments, writer.into());
    assert_eq!(ran.status, Some(1), "{ran:?}");
    assert_eq!(ran.err, "");
}

#[test]
fn output_that_cannot_be_written_ends_with_3() {
    let Ok(full) = fs::OpenOptions::new().write(true).open("/dev/full") else { return };
    let folder = library(&[("one.yaml", &probe_opens("the probe opens", "401 °C", "10 s"))]);
    let ran = command::run_into(&["run", path(&folder)], full.into());
    assert_eq!(ran.status, Some(3), "{ran:?}");
    assert!(ran.err.contains("standard output could not be written"), "{ran:?}");
}

#[test]
fn ctrl_c_ends_the_session_and_says_what_was_not_run() {
    let folder = several(400);
    let mut child = call(&["run", path(&folder), "--format", "json", "--jobs", "1"])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the binary starts");
    let mut out = BufReader::new(child.stdout.take().expect("a pipe"));
    let mut first = String::new();
    while !first.contains(r#""type":"result""#) {
        first.clear();
        assert_ne!(out.read_line(&mut first).expect("a line"), 0, "the stream ended too early");
    }
    interrupt(child.id());
    let mut rest = String::new();
    out.read_to_string(&mut rest).expect("UTF-8");
    let ended = ran(child.wait_with_output().expect("the binary ends"));
    assert_eq!(ended.status, Some(130), "{ended:?}");
    let summary: Value = serde_json::from_str(rest.lines().last().expect("a last line")).expect("JSON");
    assert_eq!(summary["type"], "summary");
    assert_eq!(summary["interrupted"], true);
    assert_eq!(summary["exit_code"], 130);
    assert_eq!(summary["scenarios"], 400);
    assert!(summary["not_run"].as_u64().expect("a count") > 300, "{summary}");
    assert_eq!(summary["failed"], 0);
    let not_run = rest.lines().filter(|line| line.starts_with(r#"{"type":"not-run""#)).count();
    assert_eq!(summary["not_run"], not_run);
}

/// A controller's program that says nothing holds up the session for its whole
/// deadline; whoever does not want to wait presses Ctrl-C again.
#[test]
fn a_second_ctrl_c_ends_at_once() {
    let folder = library(&[("one.yaml", &probe_opens("the probe opens", "401 °C", "10 s"))]);
    let bench = changed_bench(folder.path(), "silent.yaml", |text| {
        // It ends by itself when nobody is left at the other end of its input.
        let program = "program: { command: [\"/bin/sh\", \"-c\", \"cat >/dev/null\"], deadline: 60 s }";
        of_a_program(text, program)
    });
    let begun = std::time::Instant::now();
    let mut child = call(&["run", path(&folder), "--bench", &bench, "--format", "json"])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the binary starts");
    let mut out = BufReader::new(child.stdout.take().expect("a pipe"));
    out.read_line(&mut String::new()).expect("the session's line");
    // Signals that follow closely are one; so until it is over.
    let status = loop {
        interrupt(child.id());
        std::thread::yield_now();
        if let Some(status) = child.try_wait().expect("a status") {
            break status;
        }
    };
    assert_eq!(status.code(), Some(130));
    assert!(begun.elapsed().as_secs() < 30, "it did not wait for the program's deadline");
}

fn interrupt(process: u32) {
    let process = nix::unistd::Pid::from_raw(i32::try_from(process).expect("a process id"));
    nix::sys::signal::kill(process, nix::sys::signal::Signal::SIGINT).expect("a signal");
}

/// Runs with standard output on a terminal and gives what was written there.
fn on_a_terminal(arguments: &[&str], environment: &[(&str, &str)]) -> String {
    let size = nix::pty::Winsize { ws_row: 40, ws_col: 72, ws_xpixel: 0, ws_ypixel: 0 };
    let pair = nix::pty::openpty(Some(&size), None).expect("a pseudo-terminal");
    let mut child = call(arguments)
        .envs(environment.iter().copied())
        .stdout(Stdio::from(pair.slave))
        .stderr(Stdio::null())
        .spawn()
        .expect("the binary starts");
    let mut written = Vec::new();
    // The end of a pseudo-terminal is an error on Linux.
    let _ = fs::File::from(pair.master).read_to_end(&mut written);
    child.wait().expect("the binary ends");
    String::from_utf8(written).expect("UTF-8")
}

#[test]
fn colour_is_for_terminals_and_no_color_is_respected() {
    let folder = library(&[("one.yaml", &probe_opens("the probe opens", "401 °C", "10 s"))]);
    let arguments = ["run", path(&folder)];
    let coloured = on_a_terminal(&arguments, &[]);
    assert!(coloured.contains("\u{1b}[32m✓ pass"), "{coloured:?}");
    let plain = on_a_terminal(&arguments, &[("NO_COLOR", "1")]);
    assert!(!plain.contains('\u{1b}'), "{plain:?}");
    assert!(plain.contains("✓ pass"), "{plain:?}");
    let empty = on_a_terminal(&arguments, &[("NO_COLOR", "")]);
    assert!(empty.contains('\u{1b}'), "an empty NO_COLOR counts as not set: {empty:?}");
}

#[test]
fn progress_is_shown_on_standard_error_while_somebody_watches() {
    let folder = several(3);
    let pair = nix::pty::openpty(None, None).expect("a pseudo-terminal");
    let mut child = call(&["run", path(&folder)])
        .stdout(Stdio::piped())
        .stderr(Stdio::from(pair.slave))
        .spawn()
        .expect("the binary starts");
    let mut out = String::new();
    child.stdout.take().expect("a pipe").read_to_string(&mut out).expect("UTF-8");
    let mut shown = Vec::new();
    let _ = fs::File::from(pair.master).read_to_end(&mut shown);
    child.wait().expect("the binary ends");
    let shown = String::from_utf8_lossy(&shown);
    assert!(shown.contains("/3 ["), "{shown:?}");
    assert!(!out.contains("/3 ["), "{out:?}");
}

#[test]
fn the_table_fits_the_terminal() {
    let folder = library(&[("one.yaml", &probe_opens("the probe opens", "401 °C", "10 s"))]);
    let plain = on_a_terminal(&["run", path(&folder)], &[("NO_COLOR", "1")]);
    assert!(plain.lines().count() > 5);
    for line in plain.lines() {
        assert!(line.trim_end().chars().count() <= 72, "{line:?}");
    }
}

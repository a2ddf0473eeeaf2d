//! The judge against independent libraries of temporal logic: rtamt and mstlo,
//! asked by `tests/outside/temporal_oracles.py`. Here a small part; the whole is
//! a command in `docs/outside-checks.md`.
//!
//! Without Python or the libraries the test says that it was skipped. Where
//! `CI` is set it installs them into `target/oracles`, and fails if it cannot.
#![expect(
    clippy::disallowed_methods,
    clippy::print_stderr,
    reason = "starts programs, writes files and says when it was skipped"
)]

use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::LazyLock;

use dryfire_tests::root;
use rstest::rstest;
use serde_json::{Value, json};

/// The versions that the comparison was made with.
const LIBRARIES: [&str; 2] = ["rtamt==0.4.10", "mstlo-python==0.2.2"];
/// rtamt 0.4.10 runs on Python 3.8 to 3.12.
const PYTHONS: [&str; 6] = ["python3", "python3.12", "python3.11", "python3.10", "python3.9", "python3.8"];

/// A Python that has the libraries, or why there is none.
static PYTHON: LazyLock<Result<PathBuf, String>> = LazyLock::new(|| {
    let own = root().join("target/oracles");
    let in_own = own.join("bin/python");
    let installed = [in_own.clone(), "python3".into()].into_iter().find(|python| {
        // Both are tried, for a half-made folder has one of them only.
        succeeds(Command::new(python).args(["-c", "import rtamt, mstlo_python"])).is_ok()
    });
    if let Some(python) = installed {
        return Ok(python);
    }
    if std::env::var_os("CI").is_none() {
        return Err("rtamt and mstlo-python are not installed; docs/outside-checks.md says how".to_owned());
    }
    install(&own).unwrap_or_else(|error| panic!("the libraries could not be installed for CI: {error}"));
    Ok(in_own)
});

fn succeeds(command: &mut Command) -> Result<(), String> {
    let shown = format!("{command:?}");
    let output = command.output().map_err(|error| format!("{shown}: {error}"))?;
    if output.status.success() { Ok(()) } else { Err(format!("{shown}: {}", both(&output))) }
}

fn both(output: &Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

fn install(folder: &Path) -> Result<(), String> {
    let fitting = "import sys; sys.exit(not (3, 8) <= sys.version_info[:2] <= (3, 12))";
    let python = PYTHONS
        .into_iter()
        .find(|python| succeeds(Command::new(python).args(["-c", fitting])).is_ok())
        .ok_or("no Python from 3.8 to 3.12 found, which rtamt needs")?;
    succeeds(Command::new(python).args(["-m", "venv"]).arg(folder))?;
    let pip = ["-m", "pip", "install", "--quiet", "--disable-pip-version-check"];
    succeeds(Command::new(folder.join("bin/python")).args(pip).args(LIBRARIES))
}

/// So many cases of a seed, one a line.
fn cases(seed: u64, count: u64) -> Vec<String> {
    let output = Command::new(env!("CARGO_BIN_EXE_judge_cases"))
        .args([seed.to_string(), count.to_string()])
        .output()
        .expect("judge_cases starts");
    assert!(output.status.success(), "{}", both(&output));
    String::from_utf8(output.stdout).expect("UTF-8").lines().map(str::to_owned).collect()
}

/// What the comparison says of these cases, or `None` if it has to be skipped.
fn compared(cases: &[String]) -> Option<Output> {
    let python = match &*PYTHON {
        Ok(python) => python,
        Err(why) => {
            eprintln!("skipped: {why}");
            return None;
        }
    };
    let mut text = String::new();
    for case in cases {
        writeln!(text, "{case}").expect("a string takes it");
    }
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("cases.jsonl");
    std::fs::write(&path, text).expect("the cases are written");
    let script = root().join("tests/outside/temporal_oracles.py");
    let output = Command::new(python).arg(script).arg("--cases").arg(&path).output().expect("Python starts");
    Some(output)
}

#[test]
fn verdicts_and_margins_are_those_of_independent_libraries() {
    if let Some(output) = compared(&cases(20_261_125, 500)) {
        assert!(output.status.success(), "{}", both(&output));
        // Both libraries were asked, and no case was lost.
        let text = both(&output);
        assert!(text.contains(" cases compared, ") && text.contains(" 0 disagreements"), "{text}");
        let verdicts = text.lines().find_map(|line| line.trim().strip_suffix("  verdict"));
        let verdicts: u64 = verdicts.and_then(|count| count.trim().parse().ok()).expect("a count of verdicts");
        assert!(verdicts > 450, "{text}");
    }
}

/// The comparison would notice: each is one case with one thing changed.
#[rstest]
#[case::a_pass_called_fail(&["pass"], None, "verdict", json!("fail"))]
#[case::a_pass_called_inconclusive(&["pass"], None, "verdict", json!("inconclusive"))]
#[case::a_fail_called_pass(&["fail"], None, "verdict", json!("pass"))]
#[case::an_inconclusive_called_pass(&["inconclusive"], None, "verdict", json!("pass"))]
#[case::a_level_margin_one_too_large(&["pass", "fail"], Some("number"), "margin", json!({"number": 1}))]
#[case::a_time_margin_a_tick_too_large(&["pass"], Some("us"), "margin", json!({"us": 1}))]
#[case::a_time_margin_a_tick_too_small(&["pass"], Some("us"), "margin", json!({"us": -1}))]
fn a_finding_that_was_changed_is_noticed(
    #[case] verdicts: &[&str],
    #[case] unit: Option<&str>,
    #[case] what: &str,
    #[case] change: Value,
) {
    let mut changed: Vec<String> = Vec::new();
    for line in cases(7, 400) {
        let mut case: Value = serde_json::from_str(&line).expect("JSON");
        let tick = case["tick_us"].as_i64().expect("a tick");
        let closed = case["closed"] == true;
        let finding = &mut case["finding"];
        let margin = unit.and_then(|unit| finding["margin"][unit].as_i64());
        if !closed
            || !verdicts.iter().any(|verdict| finding["verdict"] == *verdict)
            || unit.is_some() != margin.is_some()
        {
            continue;
        }
        finding[what] = match (unit, margin) {
            (Some("us"), Some(margin)) => json!({"us": margin + tick * change["us"].as_i64().expect("a number")}),
            (Some(unit), Some(margin)) => json!({unit: margin + change[unit].as_i64().expect("a number")}),
            _ => change.clone(),
        };
        changed.push(case.to_string());
        if changed.len() == 4 {
            break;
        }
    }
    assert_eq!(changed.len(), 4, "too few cases to change");
    if let Some(output) = compared(&changed) {
        let text = both(&output);
        assert_eq!(output.status.code(), Some(1), "{text}");
        assert!(text.contains(&format!("{} disagreements", changed.len())), "{text}");
    }
}

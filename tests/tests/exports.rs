//! Exports read by independent programs: junitparser and vcdvcd, asked by
//! `tests/outside/exports.py`, and Python's own `csv`.
//!
//! Without Python or the libraries the test says that it was skipped. Where `CI`
//! is set it installs them into `target/readers`, and fails if it cannot.
#![expect(
    clippy::disallowed_methods,
    clippy::print_stderr,
    reason = "starts programs, writes files and says when it was skipped"
)]

use std::path::{Path, PathBuf};
use std::process::Command;

use dryfire_tests::{dryfire, read, root};
use tempfile::TempDir;

/// The versions that it was made with.
const LIBRARIES: [&str; 2] = ["junitparser==5.0.3", "vcdvcd==2.6.0"];

/// What no name, line or note may break out with: markup, quotes, control characters, a formula,
/// the ends of a comment, a CDATA section and a value change dump's section.
const HOSTILE: &str = r#"=1+1 </testcase> ]]> --> " ' & <b> | $end `x` [l](javascript:a) \u{1b}"#;

fn python() -> Result<PathBuf, String> {
    let own = root().join("target/readers");
    let in_own = own.join("bin/python");
    let has = |python: &Path| {
        Command::new(python).args(["-c", "import junitparser, vcdvcd"]).output().is_ok_and(|it| it.status.success())
    };
    if let Some(python) = [in_own.clone(), "python3".into()].into_iter().find(|python| has(python)) {
        return Ok(python);
    }
    if std::env::var_os("CI").is_none() {
        return Err("junitparser and vcdvcd are not installed; docs/outside-checks.md says how".to_owned());
    }
    let run = |command: &mut Command| {
        let output = command.output().expect("it starts");
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    };
    run(Command::new("python3").args(["-m", "venv"]).arg(&own));
    let pip = ["-m", "pip", "install", "--quiet", "--disable-pip-version-check"];
    run(Command::new(&in_own).args(pip).args(LIBRARIES));
    Ok(in_own)
}

fn text(path: &Path) -> &str {
    path.to_str().expect("UTF-8")
}

/// Three scenarios with a hostile name, one of which fails and one of which nothing decides.
fn record(folder: &TempDir) -> PathBuf {
    let yaml = read("scenarios/probe/open-while-ramping.yaml");
    let name = yaml.lines().find(|line| line.starts_with("scenario: ")).expect("a name").to_owned();
    let quoted = HOSTILE.replace('\\', "\\\\").replace('"', "\\\"");
    for number in 1..=2 {
        let text = yaml.replacen(&name, &format!("scenario: \"{number} {quoted}\""), 1);
        std::fs::write(folder.path().join(format!("{number}.yaml")), text).expect("written");
    }
    let record = folder.path().join("it.sqlite");
    let output = dryfire()
        .args(["run", text(folder.path()), "scenarios/people/stop-pressed.yaml"])
        .args(["--bench", "scenarios/benches/virtual.yaml", "--defect", "probe-fault-ignored-while-ramping"])
        .args(["--record", text(&record), "--note", HOSTILE, "--changed", &format!("{HOSTILE}\u{1b}[31m\u{7}")])
        .output()
        .expect("dryfire starts");
    assert_eq!(output.status.code(), Some(1), "{}", String::from_utf8_lossy(&output.stderr));
    record
}

fn exported(record: &Path, format: &str, out: &Path, more: &[&str]) -> String {
    let output = dryfire()
        .args(["export", text(record), "--as", format, "--out", text(out)])
        .args(more)
        .output()
        .expect("dryfire starts");
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    std::fs::read_to_string(out).expect("written")
}

#[test]
fn what_is_exported_is_read_by_others_as_it_was_meant() {
    let python = match python() {
        Ok(python) => python,
        Err(why) => return eprintln!("skipped: {why}"),
    };
    let folder = TempDir::new().expect("a folder");
    let record = record(&folder);
    let [junit, vcd, csv] = ["it.xml", "it.vcd", "it.csv"].map(|name| folder.path().join(name));
    exported(&record, "junit", &junit, &[]);
    exported(&record, "vcd", &vcd, &["--run", "1"]);
    exported(&record, "csv", &csv, &["--run", "1"]);
    let output = Command::new(python)
        .arg(root().join("tests/outside/exports.py"))
        .args([&junit, &vcd, &csv])
        .args(["3", "2", "0", "0"])
        .output()
        .expect("python starts");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let compared = String::from_utf8_lossy(&output.stdout).into_owned();
    let changes: usize = compared.trim().strip_prefix("compared ").and_then(|it| it.parse().ok()).expect("a number");
    assert!(changes > 4_000, "{compared}");
}

#[test]
fn nothing_that_is_named_breaks_out_of_what_is_exported() {
    let folder = TempDir::new().expect("a folder");
    let record = record(&folder);
    let control = |text: &str| text.chars().any(|it| it.is_control() && !"\r\n".contains(it));
    let junit = exported(&record, "junit", &folder.path().join("it.xml"), &[]);
    assert!(!control(&junit) && !junit.contains("<b>") && !junit.contains("]]>"), "{junit}");
    assert_eq!(junit.matches("</testcase>").count(), 2, "{junit}");
    let csv = exported(&record, "csv", &folder.path().join("it.csv"), &[]);
    assert!(!control(&csv), "{csv}");
    for cell in csv.split(['\n', ',']).map(|cell| cell.trim_matches(['"', '\r'])) {
        let number = cell.parse::<f64>().is_ok();
        assert!(number || !cell.starts_with(['=', '+', '-', '@', '\t']), "{cell}");
    }
    let markdown = exported(&record, "markdown", &folder.path().join("it.md"), &[]);
    assert!(!control(&markdown) && !markdown.contains("<b>") && !markdown.contains("](javascript"), "{markdown}");
    let vcd = exported(&record, "vcd", &folder.path().join("it.vcd"), &["--run", "1"]);
    let head = vcd.split("$enddefinitions").next().expect("a head");
    assert!(!control(&vcd));
    for line in head.lines() {
        assert!(line.starts_with('$') && line.ends_with(" $end") && line.matches("$end").count() == 1, "{line}");
    }
}

//! Exports read by independent programs: junitparser, xmlschema, lxml and vcdvcd, asked by
//! `tests/outside/exports.py`, Python's own `csv`, and GTKWave's readers.
//!
//! Without Python, the libraries or GTKWave the tests say that they were skipped. Where `CI`
//! is set the libraries are installed into `target/readers`, and the tests fail if that cannot be.
#![expect(
    clippy::disallowed_methods,
    clippy::print_stderr,
    reason = "starts programs, writes files and says when it was skipped"
)]

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;

use dryfire_tests::{dryfire, read, root};
use tempfile::TempDir;

/// The versions that it was made with.
const LIBRARIES: [&str; 4] = ["junitparser==5.0.3", "vcdvcd==2.6.0", "xmlschema==4.3.2", "lxml==6.1.3"];

/// What no name, line or note may break out with: markup, quotes, control characters, a formula,
/// the ends of a comment, a CDATA section and a value change dump's section.
const HOSTILE: &str = r#"=1+1 </testcase> ]]> --> " ' & <b> | $end `x` [l](javascript:a) \u{1b}"#;

/// The Python that has the libraries, found or made once: tests of one binary run side by side, and two that
/// make one virtual environment at the same time are in each other's way.
fn python() -> Result<PathBuf, String> {
    static FOUND: OnceLock<Result<PathBuf, String>> = OnceLock::new();
    FOUND.get_or_init(python_with_the_readers).clone()
}

fn python_with_the_readers() -> Result<PathBuf, String> {
    let own = root().join("target/readers");
    let in_own = own.join("bin/python");
    let has = |python: &Path| {
        Command::new(python)
            .args(["-c", "import junitparser, vcdvcd, xmlschema, lxml"])
            .output()
            .is_ok_and(|it| it.status.success())
    };
    if let Some(python) = [in_own.clone(), "python3".into()].into_iter().find(|python| has(python)) {
        return Ok(python);
    }
    if std::env::var_os("CI").is_none() {
        return Err(
            "junitparser, vcdvcd, xmlschema and lxml are not installed; docs/outside-checks.md says how".to_owned()
        );
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
fn every_kind_of_outcome_is_valid_against_the_strict_schema() {
    let python = match python() {
        Ok(python) => python,
        Err(why) => return eprintln!("skipped: {why}"),
    };
    let folder = TempDir::new().expect("a folder");
    // Met, not met, uncovered, not applicable; of a session that was ended before its end, not run.
    let sessions: [(&str, &[&str]); 3] = [
        ("met", &["--bench", "scenarios/benches/virtual.yaml"]),
        ("not-met", &["--bench", "scenarios/benches/virtual.yaml", "--defect", "lid-ignored"]),
        ("uncovered", &["--bench", "scenarios/benches/without-contactor.yaml"]),
    ];
    let mut files = Vec::new();
    for (name, more) in sessions {
        let record = folder.path().join(format!("{name}.sqlite"));
        let output = dryfire()
            .args(["run", "scenarios/heat", "scenarios/people", "scenarios/program", "--record", text(&record)])
            .args(more)
            .output()
            .expect("dryfire starts");
        assert!(matches!(output.status.code(), Some(0..=2)), "{}", String::from_utf8_lossy(&output.stderr));
        files.push(folder.path().join(format!("{name}.xml")));
        exported(&record, "junit", &files[files.len() - 1], &[]);
    }
    let unfinished = folder.path().join("unfinished.sqlite");
    std::fs::copy(folder.path().join("met.sqlite"), &unfinished).expect("a copy");
    let opened = rusqlite::Connection::open(&unfinished).expect("a record");
    let undone = "UPDATE session SET state = 'unfinished'; UPDATE run SET state = 'running' WHERE run = 2";
    opened.execute_batch(undone).expect("changed");
    drop(opened);
    files.push(folder.path().join("unfinished.xml"));
    exported(&unfinished, "junit", &files[3], &[]);
    let all: String = files.iter().map(|file| std::fs::read_to_string(file).expect("written")).collect();
    for kind in ["<failure type=\"uncovered\"", "<failure type=\"", "<skipped message=", "<error type=\"unfinished\""] {
        assert!(all.contains(kind), "{kind}");
    }
    let output =
        Command::new(python).arg(root().join("tests/outside/exports.py")).args(&files).output().expect("python starts");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    assert_eq!(String::from_utf8_lossy(&output.stdout).trim(), "compared 4");
}

#[test]
fn gtkwave_reads_every_change_of_a_value_change_dump() {
    let there = |program: &str| Command::new(program).arg("--help").output().is_ok();
    if !there("vcd2fst") || !there("fst2vcd") {
        assert!(std::env::var_os("CI").is_none(), "GTKWave is not installed (Debian's package gtkwave)");
        return eprintln!("skipped: GTKWave is not installed (Debian's package gtkwave)");
    }
    let python = match python() {
        Ok(python) => python,
        Err(why) => return eprintln!("skipped: {why}"),
    };
    let folder = TempDir::new().expect("a folder");
    let record = record(&folder);
    let [written, packed, read] = ["it.vcd", "it.fst", "read.vcd"].map(|name| folder.path().join(name));
    exported(&record, "vcd", &written, &["--run", "1"]);
    // GTKWave's reader into its own form, and out of that again.
    let output = Command::new("vcd2fst").args([&written, &packed]).output().expect("it starts");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let output = Command::new("fst2vcd").args(["-f", text(&packed), "-o", text(&read)]).output().expect("it starts");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let output = Command::new(python)
        .arg(root().join("tests/outside/exports.py"))
        .arg("--again")
        .args([&written, &read])
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

#[test]
fn nothing_that_a_program_says_breaks_out_of_what_is_made_of_it() {
    if Command::new("python3").arg("--version").output().is_err() {
        assert!(std::env::var_os("CI").is_none(), "the project's own checks need python3");
        return eprintln!("skipped: there is no python3 here");
    }
    let folder = TempDir::new().expect("a folder");
    let bench = read("scenarios/benches/program-python.yaml")
        .replace("../../tests/controllers/controller.py", text(&root().join("tests/controllers/shouts.py")))
        .replace("../kilns", text(&root().join("scenarios/kilns")))
        .replace("  firmware version: \"1.0.0\"\n", "");
    std::fs::write(folder.path().join("bench.yaml"), bench).expect("written");
    let scenario = "format: 1\nscenario: it only shouts\nhazards: [heat-while-idle]\nwhy: Nobody asked it to fire.\n\
                    limits from: invented for a test\nexpect: [{ name: no heat, never: element on }]\nend: 1 min\n";
    std::fs::write(folder.path().join("shouts.yaml"), scenario).expect("written");
    let record = folder.path().join("it.sqlite");
    let run = |more: &[&str]| {
        let output = dryfire()
            .args(["run", text(&folder.path().join("shouts.yaml")), "--bench", text(&folder.path().join("bench.yaml"))])
            .args(more)
            .output()
            .expect("dryfire starts");
        // No relay of it was ever seen on, so nothing is shown.
        assert_eq!(output.status.code(), Some(2), "{}", String::from_utf8_lossy(&output.stderr));
        [output.stdout, output.stderr].map(|it| String::from_utf8(it).expect("UTF-8"))
    };
    // What turns the writing direction acts on a terminal too.
    let acts = |text: &str| {
        let turns =
            |it: char| matches!(it, '\u{200e}'..='\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
        text.chars().any(|it| turns(it) || it.is_control() && it != '\n' && it != '\r')
    };
    let [out, err] = run(&["--record", text(&record), "-vv"]);
    assert!(!acts(&out) && !acts(&err), "{out}{err}");
    let [lines, _] = run(&["--no-record", "--format", "json"]);
    assert!(!acts(&lines) && lines.contains("gnp.exe"), "{lines}");

    let kept = dryfire_record::Record::open(&record).expect("a record");
    let log = kept.log().expect("log lines");
    let on_standard_error = |line: &&dryfire_record::Note| line.text.contains("on standard error");
    assert_eq!(log.iter().filter(on_standard_error).filter(|line| line.run == Some(1)).count(), 1, "{log:#?}");
    let events = kept.events(&kept.runs()[0]).expect("events");
    assert!(events.len() > 10, "the console is in the record: {events:#?}");

    let page = folder.path().join("it.html");
    let made = dryfire().args(["report", text(&record), "--out", text(&page)]).output().expect("dryfire starts");
    assert_eq!(made.status.code(), Some(0));
    let page = std::fs::read_to_string(page).expect("a report");
    assert!(page.contains("gnp.exe") && page.contains("&lt;script&gt;"), "the console is told");
    for markup in ["<script", "<b onload", "</h1><b>", "<i>1", "<img"] {
        assert!(!page.contains(markup), "{markup}");
    }
    assert!(!acts(&page));
    for (format, more) in [("junit", &[][..]), ("csv", &["--run", "1"]), ("vcd", &["--run", "1"]), ("markdown", &[])] {
        let exported = exported(&record, format, &folder.path().join(format), more);
        assert!(!acts(&exported), "{format}: {exported}");
        match format {
            "junit" => assert!(!exported.contains("]]>") && !exported.contains("<b"), "{exported}"),
            "vcd" => {
                let head = exported.split("$enddefinitions").next().expect("a head");
                assert!(head.lines().all(|line| line.matches("$end").count() == 1), "{exported}");
            }
            "csv" => {
                assert!(exported.contains("HYPERLINK"), "the console is told: {exported}");
                for cell in cells(&exported) {
                    let formula = cell.starts_with(['=', '+', '-', '@', '\t', '\r']) && cell.parse::<f64>().is_err();
                    assert!(!formula, "{cell}");
                }
            }
            _ => assert!(!exported.contains("<b") && !exported.contains("](javascript"), "{exported}"),
        }
    }
}

/// The cells of a table as RFC 4180 writes it, its own small reader.
fn cells(table: &str) -> Vec<String> {
    let mut cells = vec![String::new()];
    let mut quoted = false;
    let mut characters = table.chars().peekable();
    while let Some(it) = characters.next() {
        let last = cells.len() - 1;
        match it {
            '"' if quoted && characters.peek() == Some(&'"') => cells[last].extend(characters.next()),
            '"' => quoted = !quoted,
            ',' | '\n' if !quoted => cells.push(String::new()),
            '\r' if !quoted => {}
            other => cells[last].push(other),
        }
    }
    cells
}

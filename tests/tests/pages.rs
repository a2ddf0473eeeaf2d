//! The report and the page of a comparison, looked at by others: html-validate, axe-core and Chromium, asked by
//! `tests/pages/check.js`, find nothing.
//!
//! Without Node.js, npm or Chromium the test says that it was skipped. Where `CI` is set it fails then.
#![expect(
    clippy::disallowed_methods,
    clippy::print_stderr,
    reason = "starts programs, writes files and says when it was skipped"
)]

use std::path::{Path, PathBuf};
use std::process::Command;

use dryfire_tests::{dryfire, read, root};
use tempfile::TempDir;

/// What no text may break out with.
const HOSTILE: &str = r#"</h1></svg><img src=x> --> " ' & <b> | ${a}"#;

fn tools() -> Result<PathBuf, String> {
    for (program, package) in [("node", "nodejs"), ("npm", "npm"), ("chromium", "chromium")] {
        if !Command::new(program).arg("--version").output().is_ok_and(|it| it.status.success()) {
            return Err(format!("`{program}` is not installed (Debian's package {package})"));
        }
    }
    let folder = root().join("tests/pages");
    if !["html-validate", "axe-core", "playwright-core"].iter().all(|it| folder.join("node_modules").join(it).is_dir())
    {
        let fetch = ["ci", "--no-audit", "--no-fund", "--ignore-scripts"];
        match Command::new("npm").args(fetch).current_dir(&folder).output() {
            Ok(output) if output.status.success() => {}
            Ok(output) => return Err(format!("npm ci: {}", String::from_utf8_lossy(&output.stderr))),
            Err(error) => return Err(format!("npm ci: {error}")),
        }
    }
    Ok(folder)
}

fn text(path: &Path) -> &str {
    path.to_str().expect("UTF-8")
}

fn run(folder: &TempDir, name: &str, more: &[&str]) -> PathBuf {
    let record = folder.path().join(format!("{name}.sqlite"));
    let output = dryfire()
        .args(["run", text(&folder.path().join("hostile.yaml")), "scenarios/heat/element-relay-welded.yaml"])
        .args(["--record", text(&record), "--note", HOSTILE, "--changed", HOSTILE, "--repeat", "2"])
        .args(more)
        .output()
        .expect("dryfire starts");
    assert!(matches!(output.status.code(), Some(0..=2)), "{}", String::from_utf8_lossy(&output.stderr));
    record
}

#[test]
fn a_validator_and_a_checker_of_accessibility_find_nothing_in_the_pages() {
    let tools = match tools() {
        Ok(tools) => tools,
        Err(missing) if std::env::var_os("CI").is_some() => panic!("{missing}"),
        Err(missing) => return eprintln!("SKIPPED: nobody looked at the pages: {missing}"),
    };
    let folder = TempDir::new().expect("a folder");
    let yaml = read("scenarios/probe/open-while-ramping.yaml");
    let name = yaml.lines().find(|line| line.starts_with("scenario: ")).expect("a name");
    let hostile = format!("scenario: \"{}\"", HOSTILE.replace('"', "\\\""));
    std::fs::write(folder.path().join("hostile.yaml"), yaml.replacen(name, &hostile, 1)).expect("written");
    let met = run(&folder, "met", &["--bench", "scenarios/benches/virtual.yaml"]);
    let defect = ["--defect", "probe-fault-ignored-while-ramping"];
    let not_met = run(&folder, "not-met", &[&["--bench", "scenarios/benches/virtual.yaml"], &defect[..]].concat());
    let uncovered = run(&folder, "uncovered", &["--bench", "scenarios/benches/without-contactor.yaml"]);
    let unfinished = folder.path().join("unfinished.sqlite");
    std::fs::copy(&met, &unfinished).expect("a copy");
    let opened = rusqlite::Connection::open(&unfinished).expect("a record");
    let undone = "UPDATE session SET state = 'unfinished'; UPDATE run SET state = 'running' WHERE run = 2; \
                  UPDATE run SET state = 'planned', began_at = NULL WHERE run = 3; \
                  INSERT INTO log (at, run, level, text) VALUES ('2026-11-25T09:30:00.000Z', 2, 'warn', '</li><b>')";
    opened.execute_batch(undone).expect("changed");
    drop(opened);
    let mut pages = Vec::new();
    for record in [&not_met, &uncovered, &unfinished] {
        let page = record.with_extension("html");
        let made = dryfire().args(["report", text(record), "--out", text(&page)]).output().expect("dryfire starts");
        assert_eq!(made.status.code(), Some(0), "{}", String::from_utf8_lossy(&made.stderr));
        pages.push(page);
    }
    let page = folder.path().join("compared.html");
    let made = dryfire()
        .args(["compare", text(&met), text(&not_met), "--html", text(&page)])
        .output()
        .expect("dryfire starts");
    assert_eq!(made.status.code(), Some(1), "{}", String::from_utf8_lossy(&made.stderr));
    pages.push(page);
    let check = |pages: &[PathBuf]| {
        let output =
            Command::new("node").arg("check.js").args(pages).current_dir(&tools).output().expect("node starts");
        let said = [output.stdout, output.stderr].map(|it| String::from_utf8_lossy(&it).into_owned()).concat();
        (output.status.code(), said)
    };
    let (status, said) = check(&pages);
    assert_eq!(status, Some(0), "{said}");
    assert!(said.contains("4 pages: nothing was found"), "{said}");

    // The first sheet of the whole library, with hazards that are not met: as full as it gets.
    let whole = folder.path().join("whole.sqlite");
    let ran = dryfire()
        .args(["run", "scenarios", "--defect", "lid-ignored", "--record", text(&whole)])
        .output()
        .expect("dryfire starts");
    assert_eq!(ran.status.code(), Some(1), "{}", String::from_utf8_lossy(&ran.stderr));
    let page = whole.with_extension("html");
    let made = dryfire().args(["report", text(&whole), "--out", text(&page)]).output().expect("dryfire starts");
    assert_eq!(made.status.code(), Some(0), "{}", String::from_utf8_lossy(&made.stderr));
    let (status, said) = check(&[PathBuf::from("--first-sheet"), page.clone()]);
    assert_eq!(status, Some(0), "{said}");
    let longer = std::fs::read_to_string(&page).expect("a page").replacen(
        "<main>",
        "<main><div style=\"height:300px\"></div>",
        1,
    );
    std::fs::write(&page, longer).expect("written");
    let (status, said) = check(&[PathBuf::from("--first-sheet"), page]);
    assert!(status == Some(1) && said.contains("A4: the first sheet is") && said.contains("Letter"), "{said}");

    // What the checkers are there for is found, or they show nothing.
    let good = std::fs::read_to_string(&pages[0]).expect("a page");
    let spoilt = [
        ("<html lang=\"en\">", "<html>", "axe-core, light, wide: html-has-lang"),
        ("--soft:#55585c", "--soft:#c0c0c0", "axe-core, light, narrow: color-contrast"),
        ("</main>", "<p id=\"result\"></p></main>", "html-validate"),
        ("</main>", "<p style=\"width:600px\">wide</p></main>", "px have to be moved sideways"),
    ];
    let mut bad = good;
    for (was, is, _) in spoilt {
        assert!(bad.contains(was), "{was}");
        bad = bad.replacen(was, is, 1);
    }
    let page = folder.path().join("spoilt.html");
    std::fs::write(&page, bad).expect("written");
    let (status, said) = check(&[page]);
    assert_eq!(status, Some(1), "{said}");
    for (.., found) in spoilt {
        assert!(said.contains(found), "{found}: {said}");
    }
}

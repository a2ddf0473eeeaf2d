//! Reports made from records.
#![expect(clippy::disallowed_methods, reason = "tests write and read files")]

mod command;

use std::fs;
use std::path::Path;

use command::dryfire;
use command::files::{LID_IS_OPENED, library, probe_opens};
use rstest::rstest;
use tempfile::TempDir;

const MARKUP: &str = "</dd><script>alert(1)</script><img src=x onerror=alert(2)> \" onload=\"x ' &lt;b&gt;";

fn text(path: &Path) -> &str {
    path.to_str().expect("UTF-8")
}

fn recorded(more: &[&str]) -> (TempDir, String) {
    let folder =
        library(&[("one.yaml", &probe_opens("the probe opens", "401 °C", "10 s")), ("two.yaml", LID_IS_OPENED)]);
    let record = text(&folder.path().join("it.sqlite")).to_owned();
    let mut call = vec!["run", text(folder.path()), "--record", &record];
    call.extend(more);
    let ran = dryfire(&call);
    assert!(ran.status.is_some_and(|status| status <= 1), "{ran:?}");
    (folder, record)
}

fn report(record: &str) -> String {
    let out = Path::new(record).with_extension("html");
    let ran = dryfire(&["report", record]);
    assert_eq!(ran.status, Some(0), "{ran:?}");
    assert!(ran.out.starts_with("Report: "), "{ran:?}");
    fs::read_to_string(out).expect("a report")
}

#[test]
fn the_first_page_says_what_was_tested_what_is_shown_and_what_to_do_next() {
    let (_folder, record) = recorded(&["--changed", "top temperature: 1280 °C, now 300 °C"]);
    let html = report(&record);
    let hash = dryfire_record::seal::sha256_hex(&fs::read(&record).expect("a record"));
    for part in [
        "2 of 2 hazards shown, 0 uncovered, 0 not tested; 26 more, without a scenario here, are not tested either.",
        "Of 2 scenarios: 2 with every expectation met. Picked: all 2 scenarios found in ",
        "Shown: at least one scenario brought the hazard about",
        "<td class=\"num\">≤ 10.000 s</td>",
        &hash,
        "top temperature: 1280 °C, now 300 °C",
        "What to do next",
        "single faults",
        "Tightest margins",
        "extra-low voltage only",
        "not approval of a kiln",
        "licensed electrician",
        "Signature",
    ] {
        assert!(html.contains(part), "{part}");
    }
    let (first, _) = html.split_once("id=\"scenarios\"").expect("pages after the first");
    let (_, first) = first.split_once("<body>").expect("a body");
    for word in [" safe ", " safe,", " safe.", "passed", "approved", "certified", "guarantee"] {
        assert!(!first.contains(word), "{word}");
    }
}

#[test]
fn the_same_record_gives_the_same_bytes_wherever_it_lies() {
    let (folder, record) = recorded(&[]);
    let first = report(&record);
    let moved = folder.path().join("moved");
    fs::create_dir(&moved).expect("a folder");
    let copy = moved.join("another name.sqlite");
    fs::copy(&record, &copy).expect("copied");
    assert!(first == report(text(&copy)));
}

#[test]
fn nothing_from_outside_breaks_out_and_nothing_leads_out() {
    let (_folder, record) = recorded(&["--note", MARKUP, "--changed", MARKUP]);
    let html = report(&record);
    assert!(html.contains("&lt;/dd&gt;&lt;script&gt;alert(1)&lt;/script&gt;"));
    for never in ["<script", "<img", "<link", "<iframe", "http:", "https:", "@import", "javascript:", "<object"] {
        assert!(!html.contains(never), "{never}");
    }
    // The only address of a resource is the pattern in the page itself; every link stays in it.
    assert!(html.match_indices("url(").all(|(at, _)| html[at..].starts_with("url(#hatch)")));
    for (at, _) in html.match_indices("href=\"") {
        let target = html[at + 6..].split('"').next().expect("a target");
        let id = target.strip_prefix('#').expect("a link inside");
        assert!(html.contains(&format!("id=\"{id}\"")), "{id}");
    }
}

#[test]
fn every_plot_has_its_words_and_every_id_is_one() {
    let (_folder, record) = recorded(&[]);
    let html = report(&record);
    let plots = html.matches("role=\"img\"").count();
    assert!(plots >= 4, "a whole run and a close look for each scenario: {plots}");
    assert_eq!(html.matches("<desc ").count(), plots);
    assert!(html.contains("heat is cut: allowed 10.000 s, met, after "));
    let mut ids: Vec<&str> =
        html.match_indices(" id=\"").map(|(at, _)| html[at + 5..].split('"').next().expect("an id")).collect();
    let all = ids.len();
    ids.sort_unstable();
    ids.dedup();
    assert_eq!(ids.len(), all);
}

#[test]
fn what_failed_is_told_first_and_a_stand_in_with_defects_is_no_controller() {
    let (_folder, record) = recorded(&["--defect", "lid-ignored"]);
    let html = report(&record);
    assert!(html.contains("1 of 2 hazards shown, 1 not met, 0 uncovered, 0 not tested; "));
    assert!(html.contains("Defects were switched on in the stand-in controller."));
    assert!(
        html.contains("<li>Mend the controller, and run again everything, not only what was not met: lid-open.</li>")
    );
    assert!(html.contains("<ol>\n<li>Run again without any defect switched on before anything is concluded"));
    let (_, not_met) = html.split_once("id=\"not-met\"").expect("what was not met");
    let (not_met, _) = not_met.split_once("</section>\n</section>").expect("its end");
    assert!(not_met.contains("the lid is opened</a>"), "{not_met}");
    assert_eq!(not_met.matches("<td class=\"num\">").count(), 4, "limit, seen, margin, uncertainty: {not_met}");
    assert!(html.contains("<li>Do not fire before all of this is done and a new report says so.</li>"));
}

#[rstest]
#[case::by_its_name(&["--only", "lid"], "by --only lid")]
#[case::by_hazard(&["--hazard", "lid-open"], "by --hazard lid-open")]
fn a_part_of_the_scenarios_says_so_on_the_first_sheet(#[case] options: &[&str], #[case] by: &str) {
    let (folder, record) = recorded(options);
    let said = format!("Only a part: 1 of the 2 scenarios found in {}, picked {by}.", text(folder.path()));
    let first = |html: &str| html.split("id=\"scenarios\"").next().map(str::to_owned).expect("a first sheet");
    let html = first(&report(&record));
    assert!(html.contains(&said), "{html}");
    assert!(html.contains("<li>Run everything: this was a part of the scenarios that were there.</li>"));
    let (_folder, record) = recorded(&[]);
    let html = first(&report(&record));
    assert!(!html.contains("Only a part") && !html.contains("Run everything:"), "{html}");
}

#[test]
fn a_report_never_takes_the_place_of_its_record_and_a_mistake_is_told() {
    let (folder, record) = recorded(&[]);
    let before = fs::read(&record).expect("a record");
    let ran = dryfire(&["report", &record, "--out", &record]);
    assert_eq!(ran.status, Some(4), "{ran:?}");
    assert!(fs::read(&record).expect("a record") == before);
    let ran = dryfire(&["report", text(&folder.path().join("none.sqlite"))]);
    assert_eq!(ran.status, Some(4), "{ran:?}");
    let ran = dryfire(&["report", &record, "--out", text(&folder.path().join("no/where.html"))]);
    assert_eq!(ran.status, Some(3), "{ran:?}");
}

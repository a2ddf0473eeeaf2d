//! JUnit XML, in the dialect of the Apache Ant schema (JUnit.xsd of the JUnit-Schema project): the
//! strictest in use, which the readers of all others take.

use std::fmt::Write as _;
use std::io::Write;

use dryfire_engine::{Applicability, ScenarioResult};
use dryfire_judge::Verdict;
use dryfire_record::{FileRole, Record, Run, topic};

use super::{ExportError, seconds};
use crate::recorded::Recorded;
use crate::standing::verdict_of;
use crate::text::acts_on_terminal;
use crate::{CAUTION, headline, signed_margin, value};

/// What a test case holds beside its name: element, type, message, text.
enum Outcome {
    Passed,
    Skipped { message: String },
    Other { element: &'static str, kind: &'static str, message: String, text: String },
}

pub(super) fn write(record: &Record, out: &mut dyn Write) -> Result<(), ExportError> {
    let recorded = Recorded::of(record)?;
    let tally = recorded.tally();
    let facts = &record.session().facts;
    let mut cases = String::new();
    let (mut tests, mut failures, mut errors, mut skipped, mut total) = (0, 0, 0, 0, 0_i64);
    let mut case = |name: &str, class: &str, micros: i64, outcome: Outcome| {
        tests += 1;
        total += micros;
        let head =
            format!("    <testcase name={} classname={} time=\"{}\"", quoted(name), quoted(class), seconds(micros));
        // Writing to a string does not fail.
        let _ = match outcome {
            Outcome::Passed => writeln!(cases, "{head}/>"),
            Outcome::Skipped { message } => {
                skipped += 1;
                writeln!(cases, "{head}>\n      <skipped message={}/>\n    </testcase>", quoted(&message))
            }
            Outcome::Other { element, kind, message, text } => {
                let counter = if element == "failure" { &mut failures } else { &mut errors };
                *counter += 1;
                writeln!(
                    cases,
                    "{head}>\n      <{element} type=\"{kind}\" message={}>{}</{element}>\n    </testcase>",
                    quoted(&message),
                    escaped(&text)
                )
            }
        };
    };
    for run in record.runs() {
        let micros = run.standing().map_or(0, |result| result.length.as_micros());
        case(&crate::recorded::title(run), &class(record, run), micros, outcome(run));
    }
    if !record.session().finished {
        let message = "the session did not come to its end; its record is unfinished and shows nothing".to_owned();
        let outcome = Outcome::Other { element: "error", kind: "unfinished", text: message.clone(), message };
        case("the session came to its end", "dryfire", 0, outcome);
    }
    if !recorded.mixed.is_empty() {
        let message = format!("no hazard is shown: {}", recorded.mixed.join("; "));
        let outcome = Outcome::Other { element: "error", kind: "mixed", text: message.clone(), message };
        case("one firmware was tested throughout", "dryfire", 0, outcome);
    }
    let host = facts.host.split(',').next().filter(|host| !host.is_empty()).unwrap_or("unknown");
    // The schema wants no fraction and no zone; it is UTC.
    let timestamp = facts.began_at.get(..19).unwrap_or("1970-01-01T00:00:00");
    let mut text = String::from("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<testsuites>\n");
    let _ = writeln!(
        text,
        "  <testsuite id=\"0\" package=\"dryfire\" name={} timestamp=\"{}\" hostname={} tests=\"{tests}\" \
         failures=\"{failures}\" errors=\"{errors}\" skipped=\"{skipped}\" time=\"{}\">",
        quoted(&format!("{} on {}", facts.controller, facts.bench)),
        escaped(timestamp),
        quoted(host),
        seconds(total)
    );
    text.push_str("    <properties>\n");
    let mut property = |name: &str, value: &str| {
        let _ = writeln!(text, "      <property name={} value={}/>", quoted(name), quoted(value));
    };
    property("tool", &facts.tool);
    property("seed", &facts.seed.to_string());
    property("bench", &facts.bench);
    property("bench kind", &facts.bench_kind);
    property("controller", &facts.controller);
    for topic in [topic::FIRMWARE, topic::CALIBRATION, topic::SETTING, topic::DEFECT] {
        for fact in record.facts_about(topic) {
            property(&format!("{topic}: {} ({})", fact.name, fact.source), &fact.value);
        }
    }
    for file in record.files().iter().filter(|file| file.role != FileRole::Scenario) {
        property(&format!("sha256 of the {} file {}", file.role.word(), file.path), &file.sha256);
    }
    text.push_str("    </properties>\n");
    text.push_str(&cases);
    let _ = writeln!(text, "    <system-out>{}\n{CAUTION}</system-out>", escaped(&headline(&tally).join("\n")));
    text.push_str("    <system-err></system-err>\n  </testsuite>\n</testsuites>\n");
    out.write_all(text.as_bytes())?;
    Ok(())
}

/// The family of the scenario's file, so that viewers group by it.
fn class(record: &Record, run: &Run) -> String {
    let path = record.scenario_file(run).map_or("", |file| file.path.as_str());
    let stem = path.strip_suffix(".yaml").or_else(|| path.strip_suffix(".yml")).unwrap_or(path);
    let parts: Vec<&str> = stem.split(['/', '\\']).filter(|part| !part.is_empty() && *part != ".").collect();
    if parts.is_empty() { "dryfire".to_owned() } else { parts.join(".") }
}

fn outcome(run: &Run) -> Outcome {
    let Some(result) = run.standing() else {
        let message = "not run: the session was ended before it came to a result that stands".to_owned();
        return Outcome::Other { element: "error", kind: "not-run", text: message.clone(), message };
    };
    match (&result.applicability, verdict_of(result)) {
        (Applicability::NotApplicable { reason }, _) => {
            Outcome::Skipped { message: format!("not applicable: {reason}") }
        }
        (Applicability::Uncovered { reason }, _) => Outcome::Other {
            element: "failure",
            kind: "uncovered",
            message: format!("nothing on this bench meets the hazard: {reason}"),
            text: String::new(),
        },
        (Applicability::Ran, Some(Verdict::Pass)) => Outcome::Passed,
        // A decided fail is a fail for whoever counts, also where a breakdown came after it.
        (Applicability::Ran, verdict) => {
            let failed = result.findings.iter().any(|report| report.finding.verdict == Verdict::Fail);
            let verdict = verdict.unwrap_or(Verdict::Inconclusive);
            let fails = failed || verdict == Verdict::Fail;
            Outcome::Other {
                element: if fails { "failure" } else { "error" },
                kind: verdict.word(),
                message: first_line(result),
                text: findings_text(result),
            }
        }
    }
}

fn first_line(result: &ScenarioResult) -> String {
    let worst = result.findings.iter().max_by_key(|report| report.finding.verdict);
    match (worst.filter(|report| report.finding.verdict != Verdict::Pass), result.remarks.first()) {
        (Some(report), _) => format!("{}: expected {}; seen: {}", report.name, report.expected, report.seen),
        (None, Some(remark)) => remark.clone(),
        (None, None) => "not decided".to_owned(),
    }
}

fn findings_text(result: &ScenarioResult) -> String {
    let mut text = String::new();
    for report in &result.findings {
        let finding = &report.finding;
        let margin = finding.margin.map_or(String::new(), |margin| format!(", margin {}", signed_margin(margin)));
        let clear = finding.uncertainty.map_or(String::new(), |wide| format!(", uncertainty {}", value(wide)));
        let line = format!(
            "{}: {}: expected {}; seen: {}{margin}{clear}",
            finding.verdict, report.name, report.expected, report.seen
        );
        text.push_str(&crate::neutralise(&line));
        text.push('\n');
    }
    for remark in &result.remarks {
        text.push_str(&crate::neutralise(remark));
        text.push('\n');
    }
    text
}

/// A value as an attribute: one line, with quotes.
fn quoted(text: &str) -> String {
    format!("\"{}\"", escaped(&crate::neutralise(text)))
}

/// XML 1.0 forbids control characters even as references, and two that are none (section 2.2):
/// they are written out.
fn escaped(text: &str) -> String {
    let mut escaped = String::with_capacity(text.len());
    for character in text.chars() {
        match character {
            '&' => escaped.push_str("&amp;"),
            '<' => escaped.push_str("&lt;"),
            '>' => escaped.push_str("&gt;"),
            '"' => escaped.push_str("&quot;"),
            '\'' => escaped.push_str("&apos;"),
            '\n' => escaped.push('\n'),
            '\u{fffe}' | '\u{ffff}' => escaped.extend(character.escape_unicode()),
            other if acts_on_terminal(other) => escaped.extend(other.escape_default()),
            other => escaped.push(other),
        }
    }
    escaped
}

//! A summary in Markdown, for the page of a CI job.

use std::fmt::Write as _;
use std::io::Write;

use dryfire_judge::Verdict;
use dryfire_record::{Record, Run, topic};

use super::ExportError;
use crate::recorded::{Recorded, standing_word};
use crate::{CAUTION, headline, signed_margin, value};

/// Scenarios that are listed one by one if they passed; a CI page has its limits.
const MOST_PASSED: usize = 200;

pub(super) fn write(record: &Record, out: &mut dyn Write) -> Result<(), ExportError> {
    let recorded = Recorded::of(record)?;
    let tally = recorded.tally();
    let facts = &record.session().facts;
    let mut text = String::new();
    // Writing to a string does not fail.
    let _ = writeln!(text, "## {} on {}\n", escaped(&facts.controller), escaped(&facts.bench));
    if !record.session().finished {
        text.push_str("**Unfinished: the session did not come to its end, and its record shows nothing.**\n\n");
    }
    for why in &recorded.mixed {
        let _ = writeln!(text, "**Not one firmware, so no hazard is shown: {}**\n", escaped(why));
    }
    for line in headline(&tally) {
        let _ = writeln!(text, "**{}**\n", escaped(&line));
    }
    text.push_str("| | |\n|---|---|\n");
    let mut fact = |name: &str, value: &str| {
        let _ = writeln!(text, "| {} | {} |", escaped(name), escaped(value));
    };
    fact("bench", &format!("{} ({})", facts.bench, facts.bench_kind));
    for one in record.facts_about(topic::FIRMWARE) {
        fact(&format!("firmware {}", one.name), &format!("{} ({})", one.value, one.source));
    }
    for about in [topic::SETTING, topic::DEFECT, topic::WARNING] {
        for one in record.facts_about(about) {
            fact(&format!("{about} {}", one.name), &one.value);
        }
    }
    fact("began", &facts.began_at);
    fact("tool, seed", &format!("{}, {}", facts.tool, facts.seed));
    text.push_str("\n### Hazards\n\n| what came of them | hazards |\n|---|---|\n");
    let hazards = &tally.hazards;
    for (word, ids) in [
        ("failed", hazards.which(|it| it.failed)),
        ("uncovered", hazards.which(|it| it.uncovered)),
        ("undecided", hazards.which(|it| it.is_undecided())),
        ("not tested", hazards.which(|it| it.is_not_tested())),
        ("shown", hazards.which(|it| it.is_shown())),
        ("no scenario in this session", hazards.without_scenario()),
    ] {
        if !ids.is_empty() {
            let _ = writeln!(text, "| {word} | {} |", escaped(&ids.join(", ")));
        }
    }
    text.push_str("\n### Scenarios\n\n| verdict | scenario | expectation | margin | seen |\n|---|---|---|---|---|\n");
    let mut runs: Vec<&Run> = record.runs().iter().collect();
    runs.sort_by_key(|run| rank(standing_word(run)));
    let passed = runs.iter().filter(|run| standing_word(run) == "pass").count();
    let mut left = MOST_PASSED;
    for run in runs {
        let word = standing_word(run);
        if word == "pass" {
            if left == 0 {
                continue;
            }
            left -= 1;
        }
        scenario(&mut text, run, word);
    }
    if passed > MOST_PASSED {
        let _ = writeln!(text, "\nand {} more that passed", passed - MOST_PASSED);
    }
    let _ = writeln!(text, "\n{CAUTION}");
    out.write_all(text.as_bytes())?;
    Ok(())
}

/// The worst first.
fn rank(word: &str) -> usize {
    ["fail", "error", "uncovered", "inconclusive", "not-run", "pass", "not-applicable"]
        .iter()
        .position(|known| *known == word)
        .unwrap_or(0)
}

fn scenario(text: &mut String, run: &Run, word: &str) {
    let name = escaped(&crate::recorded::title(run));
    let findings = run.standing().map_or(&[][..], |result| &result.findings);
    let shown = findings.iter().filter(|report| word == "pass" || report.finding.verdict != Verdict::Pass);
    let mut rows = 0;
    for report in shown.take(if word == "pass" { 1 } else { usize::MAX }) {
        let margin = report.finding.margin.map_or(String::new(), signed_margin);
        let seen = match report.finding.seen {
            Some(seen) if word == "pass" => value(seen),
            _ => report.seen.clone(),
        };
        let _ = writeln!(
            text,
            "| {word} | {name} | {} | {} | {} |",
            escaped(&report.name),
            escaped(&margin),
            escaped(&seen)
        );
        rows += 1;
    }
    if rows == 0 {
        let why = run.standing().and_then(|result| match &result.applicability {
            dryfire_engine::Applicability::Ran => result.remarks.first().cloned(),
            dryfire_engine::Applicability::NotApplicable { reason }
            | dryfire_engine::Applicability::Uncovered { reason } => Some(reason.clone()),
        });
        let _ = writeln!(text, "| {word} | {name} | | | {} |", escaped(&why.unwrap_or_default()));
    }
}

/// Every character that means something to Markdown or HTML, made to mean nothing (the ASCII
/// punctuation that CommonMark 0.31, section 2.4, lets a backslash escape).
fn escaped(text: &str) -> String {
    let mut escaped = String::with_capacity(text.len());
    for character in crate::neutralise(text).chars() {
        match character {
            '<' => escaped.push_str("&lt;"),
            '>' => escaped.push_str("&gt;"),
            '&' => escaped.push_str("&amp;"),
            // Links and mentions that a page makes by itself.
            '@' => escaped.push_str("&#64;"),
            ':' => escaped.push_str("&#58;"),
            '\\' | '`' | '*' | '_' | '{' | '}' | '[' | ']' | '(' | ')' | '#' | '!' | '|' | '~' | '$' => {
                escaped.push('\\');
                escaped.push(character);
            }
            other => escaped.push(other),
        }
    }
    escaped
}

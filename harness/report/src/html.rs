//! The report of a session as one HTML file: no script, no font, no link that leads out of it.
//!
//! It is made from the closed record alone, so that the one made at once and the one made years
//! later are the same, byte for byte: nothing of the computer, the clock or the file's place is in it.

mod challenge;
mod compare;
mod course;
mod front;
mod margins;
mod markup;
mod overlay;
mod path;
mod plot;
mod reduce;
mod section;
mod standing;
mod tables;
mod words;

use dryfire_record::{Note, Record, RecordError, topic};

pub use self::challenge::challenge_html;
pub use self::compare::compare_html;
use self::markup::Html;
use crate::Recorded;

/// Warnings and errors of the log that are listed; all are in the record.
const MOST_LOG_LINES: usize = 40;

/// What stands for the record's bytes in the report.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Seal {
    /// A finished record: its hash and its length.
    Finished {
        /// SHA-256 of the whole file, in hexadecimal.
        sha256: String,
        /// How long the file is.
        bytes: u64,
    },
    /// One that is still being written, or that was broken off.
    Unfinished,
}

/// The report of a record as HTML.
///
/// # Errors
/// When the record cannot be read.
pub fn report_html(record: &Record, seal: &Seal) -> Result<String, RecordError> {
    let recorded = Recorded::of(record)?;
    let tally = recorded.tally();
    let mut html = Html::new();
    page_head(&mut html, &recorded.head.controller, ": report of a bench test");
    front::front(&mut html, record, &recorded, &tally, seal)?;
    tables::tables(&mut html, record, &recorded, &tally);
    contents(&mut html, record);
    for run in record.runs() {
        section::section(&mut html, record, run)?;
    }
    appendix(&mut html, record)?;
    page_end(&mut html);
    Ok(html.into_string())
}

/// Everything before the body's first words.
fn page_head(html: &mut Html, of: &str, what: &'static str) {
    html.raw("<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n");
    // Whatever got into the file all the same: nothing is loaded and nothing is run.
    html.raw(
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\n",
    );
    html.raw("<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n<title>");
    html.text(of).raw(what).raw("</title>\n<style>\n");
    html.raw(include_str!("html/style.css")).raw("</style>\n</head>\n<body>\n");
    html.raw(
        "<svg class=\"defs\" aria-hidden=\"true\"><defs><pattern id=\"hatch\" width=\"6\" height=\"6\" \
         patternUnits=\"userSpaceOnUse\"><rect class=\"hatch-back\" width=\"6\" height=\"6\"></rect><path class=\"hatch-line\" \
         d=\"M-1 1l2-2M0 6l6-6M5 7l2-2\"></path></pattern></defs></svg>\n",
    );
}

fn page_end(html: &mut Html) {
    html.raw("</main>\n<footer>\n");
    html.element("p", &[], crate::CAUTION).raw("\n</footer>\n</body>\n</html>\n");
}

fn contents(html: &mut Html, record: &Record) {
    html.raw("<section class=\"second\" aria-labelledby=\"scenarios\">\n<h2 id=\"scenarios\">Scenarios</h2>\n<ol>\n");
    for run in record.runs() {
        html.raw("<li>");
        front::link(html, run);
        html.raw(" ");
        standing::Mark::of_run(run).write(html);
        html.raw("</li>\n");
    }
    html.raw("</ol>\n<h3>How to read the plots</h3>\n<ul class=\"note\">\n");
    for sentence in words::PLOT_KEY {
        html.element("li", &[], sentence).raw("\n");
    }
    html.raw("</ul>\n</section>\n");
}

/// Files, notes, warnings, what the controller declares, the call.
fn appendix(html: &mut Html, record: &Record) -> Result<(), RecordError> {
    html.raw("<section class=\"second\" aria-labelledby=\"appendix\">\n<h2 id=\"appendix\">Files, notes and what was declared</h2>\n");
    html.raw("<dl class=\"facts\">\n");
    let mut entry = |name: &str, body: &str| {
        html.element("dt", &[], name).element("dd", &[], body).raw("\n");
    };
    for note in record.notes()? {
        let run = note.run.map(|run| format!(", run {run}")).unwrap_or_default();
        entry(&format!("Note ({}{run})", note.kind), &format!("{}: {}", note.at, note.text));
    }
    for (about, name) in [
        (topic::WARNING, "Warning"),
        (topic::CALIBRATION, "Uncertainty"),
        (topic::DECLARED, "Declared"),
        (topic::CALL, "Call"),
    ] {
        for fact in record.facts_about(about) {
            entry(&format!("{name}: {}", fact.name), &format!("{} ({})", fact.value, fact.source));
        }
    }
    for file in record.files() {
        entry(
            &format!("File: {}", file.role.word()),
            &format!("{}, {} bytes, SHA-256 {}", file.path, file.bytes, file.sha256),
        );
    }
    html.raw("</dl>\n");
    log(html, record)?;
    html.raw("</section>\n");
    Ok(())
}

/// Log lines that tell of something wrong; all others only by their number.
fn log(html: &mut Html, record: &Record) -> Result<(), RecordError> {
    let lines = record.log()?;
    let wrong: Vec<&Note> = lines.iter().filter(|line| matches!(line.kind.as_str(), "warn" | "error")).collect();
    html.raw("<h3>Log lines</h3>\n");
    let said = match (lines.len(), wrong.len()) {
        (0, _) => "None are recorded.".to_owned(),
        (all, 0) => format!("{all} are in the record; none is a warning or an error."),
        (all, wrong) => format!("{all} are in the record; {wrong} of them are warnings or errors."),
    };
    html.element("p", &[], &said).raw("\n");
    if wrong.is_empty() {
        return Ok(());
    }
    html.raw("<ul>\n");
    for line in wrong.iter().take(MOST_LOG_LINES) {
        let run = line.run.map(|run| format!(", run {run}")).unwrap_or_default();
        html.element("li", &[], &format!("{} ({}{run}): {}", line.at, line.kind, line.text)).raw("\n");
    }
    html.raw("</ul>\n");
    if wrong.len() > MOST_LOG_LINES {
        let more = wrong.len() - MOST_LOG_LINES;
        html.element("p", &[("class", "note")], &format!("And {more} more, in the record.")).raw("\n");
    }
    Ok(())
}

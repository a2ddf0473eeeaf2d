//! Records for other programs: JUnit XML, value change dumps, tables, JSON lines, Markdown.
//!
//! What comes from files and from the controller, names and console lines, is
//! escaped for each of them: it can break out of none. `docs/output.md` is the
//! specification.

mod csv;
mod json_lines;
mod junit;
mod markdown;
mod vcd;

use std::io::{self, Write};

use dryfire_record::{Record, RecordError, Run, RunState};

/// What a record is turned into.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ExportFormat {
    /// JUnit XML, for CI.
    Junit,
    /// A value change dump (IEEE 1364) of one run, for waveform viewers.
    Vcd,
    /// Comma-separated values (RFC 4180): every finding, or the course of one run.
    Csv,
    /// The JSON lines that `dryfire run --format json` would have written.
    Json,
    /// A summary in Markdown, for the page of a CI job.
    Markdown,
}

/// Why a record was not turned into something else.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// The record cannot be read.
    #[error(transparent)]
    Record(#[from] RecordError),
    /// What comes out cannot be written.
    #[error("what comes out cannot be written: {0}")]
    Write(#[from] io::Error),
    /// There is no such run, or none was named where one has to be.
    #[error("{what}")]
    Run {
        /// What is wrong.
        what: String,
        /// The runs that could be named.
        begun: Vec<String>,
    },
    /// The record's events are not in the order of time.
    #[error("the record is damaged: run {run} goes back in time")]
    Order {
        /// The run's number.
        run: usize,
    },
}

/// Turns a record into something else; `run` is a run's number, from 1, where one run is meant.
///
/// # Errors
/// When the record cannot be read or what comes out cannot be written.
pub fn export(
    record: &Record,
    format: ExportFormat,
    run: Option<usize>,
    out: &mut dyn Write,
) -> Result<(), ExportError> {
    match (format, run) {
        (ExportFormat::Vcd, run) => vcd::write(record, chosen(record, run)?, out)?,
        (ExportFormat::Csv, Some(_)) => csv::course(record, chosen(record, run)?, out)?,
        (ExportFormat::Csv, None) => csv::findings(record, out)?,
        (_, Some(_)) => {
            return Err(ExportError::Run { what: "only VCD and CSV can be of one run".to_owned(), begun: Vec::new() });
        }
        (ExportFormat::Junit, None) => junit::write(record, out)?,
        (ExportFormat::Json, None) => json_lines::write(record, out)?,
        (ExportFormat::Markdown, None) => markdown::write(record, out)?,
    }
    out.flush()?;
    Ok(())
}

/// The run that was named, or the only one that was begun.
fn chosen(record: &Record, run: Option<usize>) -> Result<&Run, ExportError> {
    let begun = |run: &&Run| run.state != RunState::Planned && !run.table().is_empty();
    let begun: Vec<&Run> = record.runs().iter().filter(begun).collect();
    let refuse = |what: String| {
        let name = |run: &&Run| format!("--run {}: {}", run.number, crate::neutralise(&run.planned.scenario));
        ExportError::Run { what, begun: begun.iter().map(name).collect() }
    };
    match (run, begun.as_slice()) {
        (Some(number), _) => begun
            .iter()
            .copied()
            .find(|run| run.number == number)
            .ok_or_else(|| refuse(format!("run {number} was not begun, or there is none"))),
        (None, [one]) => Ok(one),
        (None, []) => Err(refuse("no run of this record was begun".to_owned())),
        (None, _) => Err(refuse(format!("{} runs were begun, and one has to be named", begun.len()))),
    }
}

/// Thousandths as a decimal number, exactly: `-12.5`.
fn decimal(thousandths: i64) -> String {
    let (sign, magnitude) = (if thousandths < 0 { "-" } else { "" }, thousandths.unsigned_abs());
    let text = format!("{sign}{}.{:03}", magnitude / 1_000, magnitude % 1_000);
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// Microseconds as seconds, exactly: `5.477301`.
fn seconds(micros: i64) -> String {
    let (sign, magnitude) = (if micros < 0 { "-" } else { "" }, micros.unsigned_abs());
    let text = format!("{sign}{}.{:06}", magnitude / 1_000_000, magnitude % 1_000_000);
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

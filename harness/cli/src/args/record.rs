//! Arguments of the commands that take a finished record.

use std::path::PathBuf;

use clap::{Args, ValueEnum};

use super::Format;

#[derive(Debug, Args)]
#[command(
    about = "Find out whether a record is still what it was when it was sealed",
    long_about = "Find out whether a record is still what it was when it was sealed.\n\n\
        Every byte is compared with the seal beside the record; what is not as it was is named with its place and \
        the part of the record that it belongs to. A seal shows accidents; only a signature shows who vouches for a \
        record (docs/record.md says how to sign).",
    after_long_help = "\
Examples:
  dryfire verify evidence/2026-11-25-093000.sqlite

Exit status: 0 every byte is as it was sealed, 1 something is not, 2 unfinished or without a seal, 4 no record."
)]
pub(crate) struct VerifyArguments {
    /// Record of a session.
    #[arg(value_name = "RECORD")]
    pub(crate) record: PathBuf,
}

#[derive(Debug, Args)]
#[command(
    about = "Judge the runs of a record again",
    long_about = "Judge the runs of a record again, from what was seen in them.\n\n\
        By their own expectations every verdict comes out as it was, bit for bit. With --scenario, runs of the \
        scenario of that name are judged by the expectations of that file instead, without a new run: what was done \
        must be the same, and what the expectations look at must have been observed. The record is not changed.",
    after_long_help = "\
Examples:
  dryfire rejudge evidence/2026-11-25-093000.sqlite
  dryfire rejudge evidence/2026-11-25-093000.sqlite --scenario stricter.yaml

Exit status: without --scenario 0 all as recorded, 3 something is not; with it as of `dryfire run`, of the runs that
were judged by the changed expectations; 2 for a record that is unfinished; 4 bad input."
)]
pub(crate) struct RejudgeArguments {
    /// Record of a session.
    #[arg(value_name = "RECORD")]
    pub(crate) record: PathBuf,

    /// Scenario file with other expectations; may be repeated.
    #[arg(long, value_name = "FILE")]
    pub(crate) scenario: Vec<PathBuf>,
}

#[derive(Debug, Args)]
#[command(
    about = "Make a report for people from a record: one HTML file that prints well",
    long_about = "Make a report for people from a record: one HTML file that prints well.\n\n\
        The first page says what was tested, what is shown and what is not, what to do next, and has a place for a \
        signature; then every scenario with a plot. Nothing in the file runs, and nothing is loaded from elsewhere. \
        The same record always gives the same bytes.",
    after_long_help = "\
Examples:
  dryfire report evidence/2026-11-25-093000.sqlite                  evidence/2026-11-25-093000.html
  dryfire report evidence/2026-11-25-093000.sqlite --out kiln.html

Exit status: 0 written, 3 it could not be written or the record is damaged, 4 bad input. What the session came to is
in the report, not in the status."
)]
pub(crate) struct ReportArguments {
    /// Record of a session.
    #[arg(value_name = "RECORD")]
    pub(crate) record: PathBuf,

    /// File to write; a file that is there is replaced. [default: beside the record, ending in .html]
    #[arg(long, value_name = "FILE")]
    pub(crate) out: Option<PathBuf>,
}

#[derive(Debug, Args)]
#[command(
    about = "Turn a record into a file for another program",
    after_long_help = "\
Examples:
  dryfire export evidence/2026-11-25-093000.sqlite --as junit --out results.xml
  dryfire export evidence/2026-11-25-093000.sqlite --as vcd --run 3 --out run.vcd
  dryfire export evidence/2026-11-25-093000.sqlite --as csv               every finding, on standard output
  dryfire export evidence/2026-11-25-093000.sqlite --as csv --run 3       the course of one run

Exit status: 0 written, 3 it could not be written or the record is damaged, 4 bad input."
)]
pub(crate) struct ExportArguments {
    /// Record of a session.
    #[arg(value_name = "RECORD")]
    pub(crate) record: PathBuf,

    /// Into what.
    #[arg(long = "as", value_enum, value_name = "FORMAT")]
    pub(crate) format: ExportInto,

    /// File to write; standard output if not given. A file that is there is replaced.
    #[arg(long, value_name = "FILE")]
    pub(crate) out: Option<PathBuf>,

    /// Number of the run that is meant, from 1 (VCD and CSV).
    #[arg(long, value_name = "NUMBER")]
    pub(crate) run: Option<usize>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum ExportInto {
    /// JUnit XML, for CI.
    Junit,
    /// A value change dump of one run, for waveform viewers.
    Vcd,
    /// A table: every finding, or with --run the course of a run.
    Csv,
    /// The JSON lines of `dryfire run --format json`.
    Json,
    /// A summary in Markdown, for the page of a CI job.
    Markdown,
}

#[derive(Debug, Args)]
#[command(
    about = "Set two records side by side: what a change of the controller did",
    long_about = "Set two records side by side: what a change of the controller did.\n\n\
        Scenarios added and gone, verdicts that changed, margins that shrank or grew by more than is uncertain, and \
        reaction times with their spread. One run a side does not show how far a margin spreads: make both records \
        with `dryfire run --repeat 5` or more. What else differs between the two is told as well.",
    after_long_help = "\
Examples:
  dryfire run scenarios --repeat 5 --record before.sqlite
  dryfire run scenarios --repeat 5 --record after.sqlite     with the changed firmware
  dryfire compare before.sqlite after.sqlite
  dryfire compare before.sqlite after.sqlite --html change.html

Exit status: 0 nothing is worse, 1 a verdict is worse or a margin shrank, 2 something is gone, no longer shown or
unfinished, 3 a record is damaged or the page could not be written, 4 bad input. It is about what changed: what
failed before and still fails is 0."
)]
pub(crate) struct CompareArguments {
    /// Record from before.
    #[arg(value_name = "OLD")]
    pub(crate) old: PathBuf,

    /// Record from after.
    #[arg(value_name = "NEW")]
    pub(crate) new: PathBuf,

    /// Also make a page with both courses laid over each other; a file that is there is replaced.
    #[arg(long, value_name = "FILE")]
    pub(crate) html: Option<PathBuf>,

    /// What standard output is for.
    #[arg(long, value_enum, value_name = "FORMAT", default_value_t = Format::Text)]
    pub(crate) format: Format,
}

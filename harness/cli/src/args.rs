//! The command line as it is written.

mod record;
mod rig;

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};

pub(crate) use self::record::{
    CompareArguments, ExportArguments, ExportInto, RejudgeArguments, ReportArguments, VerifyArguments,
};
pub(crate) use self::rig::{
    CalibrateArguments, PortArguments, RigCommand, SelfTestArguments, SimulateArguments, WiringArguments,
};
use crate::selection::Selection;

/// Plays a kiln to a home-built controller, breaks things on purpose, and judges every reaction.
#[derive(Debug, Parser)]
#[command(
    name = "dryfire",
    version,
    after_long_help = AFTER_HELP,
    arg_required_else_help = true,
    subcommand_required = true,
    propagate_version = true,
    max_term_width = 100
)]
pub(crate) struct Arguments {
    #[command(subcommand)]
    pub(crate) command: Command,

    /// Log what goes on to standard error: -v what begins and ends, -vv every step, -vvv everything.
    ///
    /// The environment variable RUST_LOG, where it is set, is used instead.
    #[arg(short, long, global = true, action = clap::ArgAction::Count)]
    pub(crate) verbose: u8,
}

const AFTER_HELP: &str = "\
Exit status:
  0    every expectation of every scenario that ran was met
  1    an expectation failed, or a hazard is uncovered
  2    something could not be decided
  3    bench, link or controller broke down
  4    a file, an option or an argument is wrong; nothing ran
  5    no scenario applies to this bench
  130  interrupted (Ctrl-C) before everything was finished
Where several apply: 4 before anything runs, then 130, 3, 1, 2, 5, 0.

Cautions:
  The bench is for extra-low voltage only. Mains never comes near the rig; the kiln is unplugged or locked
  out and its elements are disconnected. What is shown here is evidence about a controller, not approval
  of a kiln: an independent high limit, a fused disconnect, earth and all work on the supply belong to a
  licensed electrician and the local code. Never leave a first firing alone.";

#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    Run(RunArguments),
    Verify(VerifyArguments),
    Rejudge(RejudgeArguments),
    Report(ReportArguments),
    Export(ExportArguments),
    Compare(CompareArguments),
    Check(CheckArguments),
    Explain(ExplainArguments),
    Plan(PlanArguments),
    Schema(SchemaArguments),
    Budget(BudgetArguments),
    Paths(PathsArguments),
    Challenge(ChallengeArguments),
    /// Work with rigs.
    #[command(subcommand)]
    Rig(RigCommand),
    /// List the defects that the stand-in controller can be given.
    Defects,
}

#[derive(Clone, Debug, Args)]
#[command(
    arg_required_else_help = false,
    about = "Run scenarios on a bench and judge every expectation",
    long_about = "Run scenarios on a bench and judge every expectation.\n\n\
        The results go to standard output: a table with the margins, what is behind everything that did not go \
        well, and what each hazard came to; or JSON lines with --format json. The last lines count the hazards \
        that were shown to be met, those that failed, and those that nothing meets.",
    after_long_help = "\
Examples:
  dryfire run scenarios                            the whole library on the virtual bench
  dryfire run scenarios/probe my-own.yaml          one family and a file
  dryfire run scenarios --hazard probe-open        what guards against one hazard
  dryfire run scenarios --bench my-bench.yaml      your own controller, as its bench file says
  dryfire run scenarios --defect lid-ignored       what the library says of a known mistake
  dryfire run scenarios --format json > results.jsonl
  dryfire run scenarios --bench rig.yaml --port /dev/ttyACM0
  dryfire run scenarios/probe --repeat 5           how far margins spread from run to run
  dryfire run --resume evidence/2026-11-25-093000.sqlite

Exit status: 0 all met, 1 failed or uncovered, 2 not decided, 3 broke down, 4 bad input,
5 nothing applicable, 130 interrupted; docs/output.md says which comes first."
)]
pub(crate) struct RunArguments {
    /// Scenario files, and folders to search for them (all *.yaml, except in folders named kilns and benches).
    #[arg(value_name = "PATH")]
    pub(crate) paths: Vec<PathBuf>,

    /// Bench file: how the controller is wired and what it promises.
    ///
    /// Without it, benches/virtual.yaml in the library folder of the first path that has one (the path itself or
    /// up to two folders above it); otherwise the copy of that bench built into this program.
    #[arg(long, value_name = "FILE")]
    pub(crate) bench: Option<PathBuf>,

    #[command(flatten)]
    pub(crate) selection: Selection,

    /// Seed of everything random; the same seed gives the same results on a virtual bench.
    #[arg(long, value_name = "NUMBER", default_value_t = 1)]
    pub(crate) seed: u64,

    /// Run every scenario so many times: how far its margins spread, for `dryfire compare`.
    ///
    /// The whole plan once, then once more. On a virtual or program bench every run has another seed.
    #[arg(long, value_name = "TIMES", default_value_t = 1, value_parser = clap::value_parser!(u16).range(1..=1_000))]
    pub(crate) repeat: u16,

    /// How many scenarios run at a time; a rig runs one. [default: one for each processor]
    #[arg(long, value_name = "NUMBER", value_parser = clap::value_parser!(u16).range(1..))]
    pub(crate) jobs: Option<u16>,

    /// What standard output is for.
    #[arg(long, value_enum, value_name = "FORMAT", default_value_t = Format::Text)]
    pub(crate) format: Format,

    /// Give the stand-in controller this defect (see `dryfire defects`); may be repeated.
    #[arg(long, value_name = "NAME")]
    pub(crate) defect: Vec<String>,

    /// Port of the rig, in place of the bench file's.
    #[arg(long, value_name = "PORT")]
    pub(crate) port: Option<String>,

    /// Who has seen to it that the kiln is disconnected, locked out and proved dead and the elements are disconnected:
    /// for a session on real wires with nobody at the terminal.
    ///
    /// Without it the session asks for each at the terminal, and does not begin without a yes. The record says that it
    /// was declared and not asked.
    #[arg(long, value_name = "NAME")]
    pub(crate) declared_by: Option<String>,

    /// File to record the session in. [default: a dated file in the folder evidence]
    ///
    /// The environment variable DRYFIRE_EVIDENCE, where it is set, names another folder.
    #[arg(long, value_name = "FILE")]
    pub(crate) record: Option<PathBuf>,

    /// Record nothing: there will be no evidence of this session.
    #[arg(long, conflicts_with_all = ["record", "resume", "note", "changed"])]
    pub(crate) no_record: bool,

    /// Give every scenario of a sweep a row of its own in the table, also where all passed.
    #[arg(long)]
    pub(crate) each: bool,

    /// Go on with an unfinished record: runs that came to their end are kept, all others start again.
    #[arg(long, value_name = "RECORD", conflicts_with_all = ["paths", "bench", "seed", "defect", "record", "repeat", "only", "hazard", "tag"])]
    pub(crate) resume: Option<PathBuf>,

    /// Something to remember, in your words; goes into the record; may be repeated.
    #[arg(long, value_name = "TEXT")]
    pub(crate) note: Vec<String>,

    /// A setting of the controller that was changed for this test, such as "top temperature: 1280 °C, now 300 °C".
    ///
    /// Goes into the record; may be repeated.
    #[arg(long, value_name = "TEXT")]
    pub(crate) changed: Vec<String>,

    /// Whether the bench that is built in is meant, whatever lies beside the scenarios.
    #[arg(skip)]
    pub(crate) built_in_bench: bool,
}

#[derive(Debug, Args)]
#[command(
    arg_required_else_help = false,
    about = "Compute how much time each hazard leaves and whether the controller is soon enough",
    long_about = "Compute how much time each hazard leaves and whether the controller is soon enough.\n\n\
        The process safety time is the time from a failure that leaves heat on until the heat has to be off, so \
        that no limit of the kiln is ever exceeded. It is searched over the worst states of the kiln model; the \
        reactions that a bench file declares are held against half of it. Nothing is run.",
    after_long_help = "\
Examples:
  dryfire budget scenarios/kilns/three-ring.yaml       a kiln alone: usual reactions are assumed
  dryfire budget my-kiln.yaml --bench my-bench.yaml    what my controller promises
  dryfire budget --bench my-bench.yaml                 with the kiln that the bench file names

Exit status: 0 every reaction is soon enough, 1 one is not or there is no margin, 4 bad input."
)]
pub(crate) struct BudgetArguments {
    /// Kiln file; without it, the one that the bench file names.
    #[arg(value_name = "KILN", required_unless_present = "bench")]
    pub(crate) kiln: Option<PathBuf>,

    /// Bench file: how the controller is wired and what it declares.
    #[arg(long, value_name = "FILE")]
    pub(crate) bench: Option<PathBuf>,

    /// What standard output is for.
    #[arg(long, value_enum, value_name = "FORMAT", default_value_t = Format::Text)]
    pub(crate) format: Format,
}

#[derive(Debug, Args)]
#[command(
    arg_required_else_help = false,
    about = "Show what can still take the heat off when one thing fails",
    long_about = "Show what can still take the heat off when one thing fails.\n\n\
        Made from the power paths of a bench file: each relay welded, each of its poles, each output stuck on, each \
        probe and the processor failing alone, and what then still opens the way of the current. Nothing is run.",
    after_long_help = "\
Examples:
  dryfire paths scenarios/benches/virtual.yaml
  dryfire paths my-bench.yaml --format json

Exit status: 0 every fault leaves a second means, 1 one does not, 4 bad input."
)]
pub(crate) struct PathsArguments {
    /// Bench file.
    #[arg(value_name = "BENCH")]
    pub(crate) bench: PathBuf,

    /// What standard output is for.
    #[arg(long, value_enum, value_name = "FORMAT", default_value_t = Format::Text)]
    pub(crate) format: Format,
}

#[derive(Debug, Args)]
#[command(
    arg_required_else_help = false,
    about = "Try the library on controllers with known mistakes, and on honest ones",
    long_about = "Try the library on controllers with known mistakes, and on honest ones.\n\n\
        Every scenario runs on the stand-in controller with each of its defects (see `dryfire defects`), one at a \
        time, and on honest variants of it. A mistake counts as caught only by a fail of an expectation that speaks \
        to the mistake's own hazard. The table says what catches which mistake and what slips through, which \
        scenarios are idle (never the only ones to catch a mistake, and without `covers alone`), which mistakes \
        nothing tells apart, and who is blamed without reason. Builds of your own controller, as program benches, \
        are tried in the same way.",
    after_long_help = "\
Examples:
  dryfire challenge scenarios                      the whole library; a minute or two
  dryfire challenge scenarios/probe my-own.yaml    what my own scenarios catch
  dryfire challenge scenarios --hazard lid-open    a part, on the mistakes of its hazards
  dryfire challenge scenarios --format json > detection.jsonl
  dryfire challenge scenarios --html detection.html
  dryfire challenge scenarios --bench mine.yaml --faulty probe-open=mine-with-a-mistake.yaml

Exit status: 0 every mistake was caught and told from every other, nobody honest was blamed and no scenario is idle;
1 otherwise, 3 something broke down, 4 bad input, 5 no mistake stands for what was picked, 130 interrupted."
)]
pub(crate) struct ChallengeArguments {
    /// Scenario files, and folders to search for them.
    #[arg(value_name = "PATH", required = true)]
    pub(crate) paths: Vec<PathBuf>,

    /// Virtual bench, or a program bench together with --faulty; found as `dryfire run` finds it if left out.
    #[arg(long, value_name = "FILE")]
    pub(crate) bench: Option<PathBuf>,

    /// Bench file of another controller that does everything right; may be repeated.
    #[arg(long, value_name = "FILE")]
    pub(crate) honest: Vec<PathBuf>,

    /// Bench file of a controller with a mistake, and the hazard that it meets wrongly; may be repeated.
    #[arg(long, value_name = "HAZARD=FILE", value_parser = faulty)]
    pub(crate) faulty: Vec<Faulty>,

    #[command(flatten)]
    pub(crate) selection: Selection,

    /// Seed of everything random.
    #[arg(long, value_name = "NUMBER", default_value_t = 1)]
    pub(crate) seed: u64,

    /// How many scenarios run at a time. [default: one for each processor]
    #[arg(long, value_name = "NUMBER", value_parser = clap::value_parser!(u16).range(1..))]
    pub(crate) jobs: Option<u16>,

    /// What standard output is for.
    #[arg(long, value_enum, value_name = "FORMAT", default_value_t = Format::Text)]
    pub(crate) format: Format,

    /// Also make a page of the table; a file that is there is replaced.
    #[arg(long, value_name = "FILE")]
    pub(crate) html: Option<PathBuf>,

    /// Name every scenario of a sweep that caught a mistake, and not how many of it.
    #[arg(long)]
    pub(crate) each: bool,
}

/// A build with a mistake.
#[derive(Clone, Debug)]
pub(crate) struct Faulty {
    pub(crate) hazard: String,
    pub(crate) bench: PathBuf,
}

fn faulty(text: &str) -> Result<Faulty, String> {
    match text.split_once('=') {
        Some((hazard, bench)) if !hazard.is_empty() && !bench.is_empty() => {
            Ok(Faulty { hazard: hazard.to_owned(), bench: PathBuf::from(bench) })
        }
        _ => Err("it is a hazard and a bench file, as in probe-open=my-bench.yaml".to_owned()),
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum Format {
    /// For people.
    Text,
    /// One JSON object a line, as docs/output.md says.
    Json,
}

#[derive(Debug, Args)]
#[command(
    arg_required_else_help = false,
    about = "Look for mistakes in scenario, bench and kiln files without running anything",
    long_about = "Look for mistakes in scenario, bench and kiln files without running anything.\n\n\
        Every mistake is shown with its place and a hint. Warnings do not refuse a file.",
    after_long_help = "\
Examples:
  dryfire check scenarios                          the whole library with its benches and kilns
  dryfire check my-own.yaml --bench my-bench.yaml  and whether the two fit together

Exit status: 0 all files in order, 4 a mistake in a file or an argument."
)]
pub(crate) struct CheckArguments {
    /// Files, and folders to search for them (all *.yaml).
    #[arg(value_name = "PATH")]
    pub(crate) paths: Vec<PathBuf>,

    /// Also check that every scenario fits this bench.
    #[arg(long, value_name = "FILE")]
    pub(crate) bench: Option<PathBuf>,

    #[command(flatten)]
    pub(crate) selection: Selection,
}

#[derive(Debug, Args)]
#[command(
    arg_required_else_help = false,
    about = "Say how long a session takes in real time, whom it needs, and what fits into half an hour or a night",
    long_about = "Say how long a session takes in real time, whom it needs, and what fits into half an hour or a night.\n\n\
        A real controller cannot be sped up. Each scenario is timed with the stand-in controller on the same wiring; \
        what needs somebody comes together and first. Scenarios that do not apply to the bench are told with the \
        reason. Sets for 30 minutes and for a night (10 h) take the shortest scenario of each hazard first.",
    after_long_help = "\
Examples:
  dryfire plan scenarios --bench my-bench.yaml
  dryfire plan scenarios --bench my-bench.yaml --tag quick
  dryfire plan scenarios --bench my-bench.yaml --format json

Exit status: 0 told, 5 nothing applies to the bench, 4 bad input, 130 interrupted."
)]
pub(crate) struct PlanArguments {
    /// Scenario files, and folders to search for them.
    #[arg(value_name = "PATH", required = true)]
    pub(crate) paths: Vec<PathBuf>,

    /// Bench file; found as `dryfire run` finds it if left out.
    #[arg(long, value_name = "FILE")]
    pub(crate) bench: Option<PathBuf>,

    #[command(flatten)]
    pub(crate) selection: Selection,

    /// What standard output is for.
    #[arg(long, value_enum, value_name = "FORMAT", default_value_t = Format::Text)]
    pub(crate) format: Format,
}

#[derive(Debug, Args)]
#[command(
    arg_required_else_help = false,
    about = "Say in words what a scenario does, what it asks for, and what it cannot see",
    long_about = "Say in words what a scenario does, what it asks for, and what it cannot see.\n\n\
        What it guards against and why; the script step by step; for each expectation what it means on this bench, \
        with every limit in numbers, what would fail it, and what would leave it undecided. Nothing is run.",
    after_long_help = "\
Examples:
  dryfire explain scenarios/probe/open-while-ramping.yaml
  dryfire explain my-own.yaml --bench my-bench.yaml   with the numbers of your controller

Exit status: 0 explained, 4 a mistake in a file, or a scenario that does not fit the bench."
)]
pub(crate) struct ExplainArguments {
    /// Scenario files, and folders to search for them.
    #[arg(value_name = "SCENARIO", required = true)]
    pub(crate) paths: Vec<PathBuf>,

    /// Bench file whose numbers are used; found as `dryfire run` finds it if left out.
    #[arg(long, value_name = "FILE")]
    pub(crate) bench: Option<PathBuf>,

    #[command(flatten)]
    pub(crate) selection: Selection,
}

#[derive(Debug, Args)]
#[command(
    about = "Print the JSON Schema of a kind of file, for editors",
    after_long_help = "\
Examples:
  dryfire schema scenario > scenario.schema.json"
)]
pub(crate) struct SchemaArguments {
    /// Which kind of file.
    #[arg(value_enum)]
    pub(crate) kind: SchemaKind,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum SchemaKind {
    /// What is done and what must be seen.
    Scenario,
    /// How a controller is wired and what it promises.
    Bench,
    /// Size, power, wall and load.
    Kiln,
}

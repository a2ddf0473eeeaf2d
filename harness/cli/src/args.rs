//! The command line as it is written.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};

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

#[derive(Debug, Subcommand)]
pub(crate) enum RigCommand {
    Simulate(SimulateArguments),
    /// Print the table of the wires between the rig and the controller of a bench file.
    Wiring(WiringArguments),
    /// Print what a session asks of people, before it, after it and at the first firing, to be filled in by hand.
    Sheet(WiringArguments),
    /// Say what a rig is, why it was last started, and what it knows of its channels.
    #[command(after_long_help = "Exit status: 0 in order, 2 restarted by itself or not calibrated, 3 no rig answers.")]
    Info(PortArguments),
    Selftest(SelfTestArguments),
    Calibrate(CalibrateArguments),
}

#[derive(Debug, Args)]
pub(crate) struct WiringArguments {
    /// Bench file of a rig.
    #[arg(value_name = "BENCH")]
    pub(crate) bench: PathBuf,
}

#[derive(Debug, Args)]
pub(crate) struct PortArguments {
    /// The rig's serial port, for example /dev/ttyACM0.
    #[arg(long, value_name = "PORT")]
    pub(crate) port: PathBuf,
}

#[derive(Debug, Args)]
#[command(
    about = "Check a rig's outputs against its inputs over loop-back wires",
    long_about = "Check a rig's outputs against its inputs over loop-back wires.\n\n\
        No controller is connected. Every contact and every probe channel's switches are worked and have to be seen at \
        the input they are wired to, in time, and at no other; then the supply switch with the rail sense, the safe \
        state on silence, and the watchdog, which resets the board. docs/rig.md says how the wires are made.",
    after_long_help = "\
Examples:
  dryfire rig selftest --port /dev/ttyACM0
  dryfire rig selftest --port /dev/ttyACM0 --contact-wire 8:0 --contact-wire 9:1 --channel-wire 0:5

Exit status: 0 everything that was tested held, 1 something failed, 2 nothing was tested, 3 it broke down."
)]
pub(crate) struct SelfTestArguments {
    #[command(flatten)]
    pub(crate) port: PortArguments,

    /// A wire from a contact to an input; may be repeated.
    #[arg(long, value_name = "CONTACT:INPUT", value_parser = wire, default_values = ["0:0", "1:1", "2:2", "3:3", "4:4"])]
    pub(crate) contact_wire: Vec<(u8, u8)>,

    /// A wire from a probe channel to an input; may be repeated.
    #[arg(long, value_name = "CHANNEL:INPUT", value_parser = wire, default_values = ["0:5", "1:6", "2:7"])]
    pub(crate) channel_wire: Vec<(u8, u8)>,

    /// The supply switch does not feed the rail sense.
    #[arg(long)]
    pub(crate) no_rail_wire: bool,
}

#[derive(Debug, Args)]
#[command(
    about = "Measure a rig's probe channels with a meter, and keep what was found on the board",
    long_about = "Measure a rig's probe channels with a meter, and keep what was found on the board.\n\n\
        The rig sets each channel to seven voltages; the readings are typed in. A straight line by least squares gives \
        offset and span, and with the meter's uncertainty that of the channel; what is left of each reading is shown. \
        Readings that are no line are refused. Runs use what was kept, and its uncertainty where it is larger than \
        what the bench file says.",
    after_long_help = "\
Examples:
  dryfire rig calibrate --port /dev/ttyACM0 --instrument 'DMM 6.5 no 3' --meter-microvolts 3

Exit status: 0 kept, 2 the readings make no calibration and nothing was kept, 3 it broke down, 4 an argument is wrong."
)]
pub(crate) struct CalibrateArguments {
    #[command(flatten)]
    pub(crate) port: PortArguments,

    /// What it is measured with, at most 16 bytes.
    #[arg(long, value_name = "TEXT")]
    pub(crate) instrument: String,

    /// The meter's expanded uncertainty (coverage factor 2) in this range, microvolts.
    #[arg(long, value_name = "NUMBER", value_parser = meter_microvolts)]
    pub(crate) meter_microvolts: f64,

    /// The day of the measurement. [default: today]
    #[arg(long, value_name = "YYYY-MM-DD")]
    pub(crate) date: Option<String>,
}

/// An output and an input.
fn wire(text: &str) -> Result<(u8, u8), String> {
    let pair = text.split_once(':').and_then(|(from, to)| Some((from.parse().ok()?, to.parse().ok()?)));
    pair.ok_or_else(|| "expected an output's and an input's number, such as 3:0".to_owned())
}

/// A meter's uncertainty.
fn meter_microvolts(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(microvolts) if (0.01..=1_000.0).contains(&microvolts) => Ok(microvolts),
        _ => Err("expected microvolts from 0.01 to 1000, such as 3".to_owned()),
    }
}

#[derive(Debug, Args)]
#[command(
    about = "Serve a simulated rig with the stand-in controller behind a pseudo-terminal",
    long_about = "Serve a simulated rig with the stand-in controller behind a pseudo-terminal, until Ctrl-C.\n\n\
        The port's path is printed on standard output. It speaks what a real rig speaks, so the whole way over a \
        serial port can be tried without hardware.",
    after_long_help = "\
Examples:
  dryfire rig simulate --bench scenarios/benches/rig.yaml --link /tmp/rig
  dryfire run scenarios --bench scenarios/benches/rig.yaml --port /tmp/rig"
)]
pub(crate) struct SimulateArguments {
    /// Bench file of the controller that stands behind the rig.
    #[arg(long, value_name = "FILE", required_unless_present = "loop_back")]
    pub(crate) bench: Option<PathBuf>,

    /// Behind the rig stands no controller but the loop-back wires of `rig selftest`.
    #[arg(long, conflicts_with_all = ["bench", "defect"])]
    pub(crate) loop_back: bool,

    /// Its probe channels are off by a little, each in its own way, as those of a new board.
    #[arg(long)]
    pub(crate) uncalibrated: bool,

    /// At most this many times as fast as a clock. [default: as fast as the host grants; 1 with --no-grants]
    #[arg(long, value_name = "NUMBER", value_parser = speed)]
    pub(crate) speed: Option<f64>,

    /// Run freely like silicon, instead of only as far as the host grants.
    #[arg(long)]
    pub(crate) no_grants: bool,

    /// Give the stand-in controller this defect (see `dryfire defects`); may be repeated.
    #[arg(long, value_name = "NAME")]
    pub(crate) defect: Vec<String>,

    /// Also make a symbolic link to the port at this path.
    #[arg(long, value_name = "PATH")]
    pub(crate) link: Option<PathBuf>,
}

/// A factor between a tenth and ten thousand.
fn speed(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(speed) if (0.1..=10_000.0).contains(&speed) => Ok(speed),
        _ => Err("expected a number from 0.1 to 10000, such as 0.5 or 20".to_owned()),
    }
}

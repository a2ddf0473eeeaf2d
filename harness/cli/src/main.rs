//! The `dryfire` command: arguments, terminal, exit status. The only crate that prints.

mod args;
mod budget;
mod challenge;
mod check;
mod compare;
mod defects;
mod evidence;
mod explain;
mod files;
mod images;
mod interrupt;
mod library;
mod logging;
mod paths;
mod plan;
mod precautions;
mod progress;
mod record;
mod report;
mod rig;
mod rig_service;
mod run;
mod schema;
mod screen;
mod selection;
mod sheet;
mod typed;
mod wiring;

use std::process::ExitCode;

use clap::Parser;
use clap::error::ErrorKind;
use dryfire_report::ExitStatus;

use crate::args::{Arguments, Command, RigCommand};
use crate::screen::{Mistake, Screen};

fn main() -> ExitCode {
    let arguments = match Arguments::try_parse() {
        Ok(arguments) => arguments,
        Err(error) => return usage(&error),
    };
    let mut screen = Screen::new();
    let status = match begin(&arguments, &mut screen) {
        Ok(status) => status,
        Err(refusal) => {
            refusal.tell(&screen);
            ExitStatus::BadInput
        }
    };
    let status = match screen.failure() {
        Some(error) => {
            screen.complain(&Mistake::new(format!("standard output could not be written: {error}")));
            ExitStatus::Error
        }
        None => status,
    };
    ExitCode::from(status.code())
}

fn begin(arguments: &Arguments, screen: &mut Screen) -> Result<ExitStatus, Refusal> {
    let lines = logging::begin(arguments.verbose)?;
    match &arguments.command {
        Command::Run(run) => run::run(run, arguments.verbose, &lines, screen),
        Command::Verify(verify) => record::verify(verify, screen),
        Command::Rejudge(rejudge) => record::rejudge(rejudge, screen),
        Command::Report(report) => report::report(report, screen),
        Command::Export(export) => record::export(export, screen),
        Command::Compare(compare) => compare::compare(compare, screen),
        Command::Check(check) => check::check(check, screen),
        Command::Explain(explain) => explain::explain(explain, screen),
        Command::Schema(schema) => schema::schema(schema.kind, screen),
        Command::Rig(RigCommand::Simulate(simulate)) => rig::simulate(simulate, screen),
        Command::Rig(RigCommand::Wiring(bench)) => wiring::wiring(bench, screen),
        Command::Rig(RigCommand::Sheet(bench)) => sheet::sheet(bench, screen),
        Command::Rig(RigCommand::Info(port)) => rig_service::info(port, screen),
        Command::Rig(RigCommand::Selftest(selftest)) => rig_service::selftest(selftest, screen),
        Command::Rig(RigCommand::Calibrate(calibrate)) => rig_service::calibrate(calibrate, screen),
        Command::Budget(budget) => budget::budget(budget, screen),
        Command::Plan(plan) => plan::plan(plan, screen),
        Command::Paths(paths) => paths::paths(paths, screen),
        Command::Challenge(challenge) => challenge::challenge(challenge, arguments.verbose, screen),
        Command::Defects => defects::defects(screen),
    }
}

/// Help and version are answers; everything else is a mistake in the call.
fn usage(error: &clap::Error) -> ExitCode {
    // A reader that has gone away does not want the text.
    let _ = error.print();
    match error.kind() {
        ErrorKind::DisplayHelp | ErrorKind::DisplayVersion => ExitCode::SUCCESS,
        _ => ExitCode::from(ExitStatus::BadInput.code()),
    }
}

/// Why nothing ran.
#[derive(Debug, Default)]
pub(crate) struct Refusal {
    /// Located mistakes in files.
    diagnostics: Vec<dryfire_scenario::Diagnostic>,
    /// Everything else.
    mistakes: Vec<Mistake>,
}

impl Refusal {
    fn is_empty(&self) -> bool {
        self.diagnostics.is_empty() && self.mistakes.is_empty()
    }

    fn tell(&self, screen: &Screen) {
        for diagnostic in &self.diagnostics {
            screen.complain_about(diagnostic);
        }
        for mistake in &self.mistakes {
            screen.complain(mistake);
        }
    }
}

impl From<Mistake> for Refusal {
    fn from(mistake: Mistake) -> Self {
        Refusal { diagnostics: Vec::new(), mistakes: vec![mistake] }
    }
}

impl From<Vec<Mistake>> for Refusal {
    fn from(mistakes: Vec<Mistake>) -> Self {
        Refusal { diagnostics: Vec::new(), mistakes }
    }
}

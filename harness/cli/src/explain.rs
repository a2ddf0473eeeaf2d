//! `dryfire explain`: a scenario in words, with the numbers of a bench.

use dryfire_report::{ExitStatus, explain_text};

use crate::Refusal;
use crate::args::ExplainArguments;
use crate::files::{self, Wanted};
use crate::library::{Reader, bind};
use crate::screen::Screen;

pub(crate) fn explain(arguments: &ExplainArguments, screen: &mut Screen) -> Result<ExitStatus, Refusal> {
    let paths = files::find(&arguments.paths, Wanted::Scenarios)?;
    let mut reader = Reader::new(screen);
    let scenarios = reader.selected(&paths, &arguments.selection);
    let fitted = reader.bench_for(arguments.bench.as_deref(), &arguments.paths);
    let fitted = reader.finish(fitted)?;
    let jobs = bind(&scenarios, &fitted)?;
    let width = screen.width();
    for (index, job) in jobs.iter().enumerate() {
        if index > 0 {
            screen.out("\n");
        }
        screen.text(&explain_text(&dryfire_engine::explain(&job.scenario, &fitted.bench, &job.binding), width));
    }
    Ok(ExitStatus::AllHeld)
}

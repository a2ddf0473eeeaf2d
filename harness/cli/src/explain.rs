//! `dryfire explain`: a scenario in words, with the numbers of a bench.

use dryfire_engine::Plan;
use dryfire_report::{ExitStatus, explain_text};

use crate::Refusal;
use crate::args::ExplainArguments;
use crate::files::{self, Wanted};
use crate::library::{Reader, misfit};
use crate::screen::{Mistake, Screen};

pub(crate) fn explain(arguments: &ExplainArguments, screen: &mut Screen) -> Result<ExitStatus, Refusal> {
    let paths = files::find(&arguments.paths, Wanted::Scenarios)?;
    let mut reader = Reader::new(screen);
    let scenarios = reader.selected(&paths, &arguments.selection);
    let fitted = match arguments.bench.clone().or_else(|| files::default_bench(&arguments.paths)) {
        Some(path) => reader.bench(&path),
        None => reader.built_in_bench(),
    };
    let fitted = reader.finish(fitted)?;
    let mut mistakes: Vec<Mistake> = Vec::new();
    let mut explained = Vec::new();
    for file in &scenarios {
        match Plan::bind(&file.scenario, &fitted.bench, &fitted.kiln) {
            Ok(binding) => explained.push(dryfire_engine::explain(&file.scenario, &fitted.bench, &binding)),
            Err(errors) => {
                mistakes
                    .extend(errors.into_iter().map(|error| misfit(file, &fitted.bench, &error.message, error.span)));
            }
        }
    }
    if !mistakes.is_empty() {
        return Err(mistakes.into());
    }
    let width = screen.width();
    for (index, explanation) in explained.iter().enumerate() {
        if index > 0 {
            screen.out("\n");
        }
        screen.text(&explain_text(explanation, width));
    }
    Ok(ExitStatus::AllHeld)
}

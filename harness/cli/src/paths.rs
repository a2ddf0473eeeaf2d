//! `dryfire paths`: what can still take the heat off when one thing fails.

use dryfire_engine::SingleFaultTable;
use dryfire_report::{ExitStatus, paths_json, paths_status, paths_text};

use crate::Refusal;
use crate::args::{Format, PathsArguments};
use crate::library::Reader;
use crate::screen::Screen;

pub(crate) fn paths(arguments: &PathsArguments, screen: &mut Screen) -> Result<ExitStatus, Refusal> {
    let mut reader = Reader::new(screen);
    let bench = reader.bench_alone(&arguments.bench);
    let bench = reader.finish(bench)?;
    let table = SingleFaultTable::of(&bench);
    match arguments.format {
        Format::Text => {
            let width = screen.width();
            screen.text(&paths_text(&table, width));
        }
        Format::Json => screen.out(paths_json(&table)),
    }
    Ok(paths_status(&table))
}

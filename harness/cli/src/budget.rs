//! `dryfire budget`: how much time each hazard leaves, and whether the controller is soon enough.

use dryfire_kiln::KilnDescription;
use dryfire_report::{ExitStatus, budget_json, budget_status, budget_text};
use dryfire_scenario::Bench;

use crate::Refusal;
use crate::args::{BudgetArguments, Format};
use crate::library::Reader;
use crate::screen::{Mistake, Screen};

pub(crate) fn budget(arguments: &BudgetArguments, screen: &mut Screen) -> Result<ExitStatus, Refusal> {
    let (kiln, bench) = read(arguments, screen)?;
    let budget = dryfire_engine::budget(&kiln, bench.as_ref()).map_err(|error| Mistake::new(error.to_string()))?;
    match arguments.format {
        Format::Text => {
            let width = screen.width();
            screen.text(&budget_text(&budget, width));
        }
        Format::Json => screen.out(budget_json(&budget)),
    }
    Ok(budget_status(&budget))
}

/// The kiln that is named, or else the bench's; and the bench.
fn read(arguments: &BudgetArguments, screen: &Screen) -> Result<(KilnDescription, Option<Bench>), Refusal> {
    let mut reader = Reader::new(screen);
    let both = match (&arguments.kiln, &arguments.bench) {
        (Some(kiln), bench) => {
            let kiln = reader.kiln(kiln);
            match bench {
                Some(bench) => reader.bench_alone(bench).zip(kiln).map(|(bench, kiln)| (kiln, Some(bench))),
                None => kiln.map(|kiln| (kiln, None)),
            }
        }
        (None, Some(bench)) => reader.bench(bench).map(|fitted| (fitted.kiln, Some(fitted.bench))),
        (None, None) => {
            reader.mistake(Mistake::new("neither a kiln file nor a bench file was named"));
            None
        }
    };
    reader.finish(both)
}

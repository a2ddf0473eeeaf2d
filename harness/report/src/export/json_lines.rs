//! The JSON lines of a session, from its record.

use std::io::Write;

use dryfire_record::{Record, topic};

use super::ExportError;
use crate::recorded::{Recorded, run_head};
use crate::{JsonLines, NotRun};

pub(super) fn write(record: &Record, out: &mut dyn Write) -> Result<(), ExportError> {
    let recorded = Recorded::of(record)?;
    let mut lines = JsonLines::new();
    out.write_all(lines.session(&recorded.head).as_bytes())?;
    for fact in record.facts_about(topic::WARNING) {
        out.write_all(lines.warning(&fact.value).as_bytes())?;
    }
    for run in record.runs() {
        let Some(result) = run.standing() else {
            let NotRun { run, scenario, hazards } = NotRun {
                run: run.number,
                scenario: run.planned.scenario.clone(),
                hazards: run.planned.hazards.clone(),
            };
            out.write_all(lines.not_run(&NotRun { run, scenario, hazards }).as_bytes())?;
            continue;
        };
        if let Some(head) = run_head(run) {
            out.write_all(lines.begin(&head).as_bytes())?;
            let mut written = Ok(());
            record.replay(run, &mut |event| {
                if written.is_ok() {
                    written = out.write_all(lines.event(&event).as_bytes());
                }
            })?;
            written?;
        }
        out.write_all(lines.result(run.number, result).as_bytes())?;
    }
    out.write_all(lines.summary(&recorded.outcome()).as_bytes())?;
    Ok(())
}

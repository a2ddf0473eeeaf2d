//! `dryfire schema`: JSON Schemas for editors.

use dryfire_report::ExitStatus;
use dryfire_scenario::{Kind, schema_text};

use crate::Refusal;
use crate::args::SchemaKind;
use crate::screen::Screen;

pub(crate) fn schema(kind: SchemaKind, screen: &mut Screen) -> Result<ExitStatus, Refusal> {
    let kind = match kind {
        SchemaKind::Scenario => Kind::Scenario,
        SchemaKind::Bench => Kind::Bench,
        SchemaKind::Kiln => Kind::Kiln,
    };
    screen.out(schema_text(kind));
    Ok(ExitStatus::AllHeld)
}

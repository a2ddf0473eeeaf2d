//! `dryfire defects`: what the stand-in can be made to do wrong, and what it may do otherwise.

use dryfire_report::{ExitStatus, Line, Style, Text};
use dryfire_stand_in::{Defect, Variant};

use crate::Refusal;
use crate::files::distance;
use crate::screen::{Mistake, Screen};

pub(crate) fn defects(screen: &mut Screen) -> Result<ExitStatus, Refusal> {
    let width = screen.width().clamp(40, 110);
    let mut text = Text::default();
    for defect in Defect::ALL {
        let head = Line::new()
            .with(Style::Strong, defect.name())
            .with(Style::Faint, format!("  [{}]", defect.symptom().hazard));
        text.lines.push(head);
        for part in dryfire_report::wrap(defect.description(), width - 4) {
            text.lines.push(Line::new().with(Style::Plain, format!("    {part}")));
        }
    }
    text.lines.push(Line::new());
    let about =
        "Variants of the stand-in that make no mistake; `virtual: { variant: NAME }` in a bench file switches one on:";
    for part in dryfire_report::wrap(about, width) {
        text.lines.push(Line::new().with(Style::Faint, part));
    }
    for variant in Variant::ALL {
        text.lines.push(Line::new().with(Style::Strong, variant.name()));
        for part in dryfire_report::wrap(variant.description(), width - 4) {
            text.lines.push(Line::new().with(Style::Plain, format!("    {part}")));
        }
    }
    screen.text(&text);
    Ok(ExitStatus::AllHeld)
}

/// Refuses a name that no defect has. `from` says where it was written.
pub(crate) fn known(name: &str, from: &str) -> Result<Defect, Mistake> {
    let unknown = || unknown("defect", name, from, Defect::ALL.iter().map(|defect| defect.name()));
    Defect::from_name(name).ok_or_else(|| unknown().hint("`dryfire defects` lists them all"))
}

/// Refuses a name that no variant has. `from` says where it was written.
pub(crate) fn known_variant(name: &str, from: &str) -> Result<Variant, Mistake> {
    let unknown = || unknown("variant", name, from, Variant::ALL.iter().map(|variant| variant.name()));
    Variant::from_name(name).ok_or_else(|| unknown().hint("`dryfire defects` lists them after the defects"))
}

/// What is wrong with a name that the stand-in does not know, with the nearest of those that it does.
fn unknown(what: &str, name: &str, from: &str, known: impl Iterator<Item = &'static str>) -> Mistake {
    let mistake = Mistake::new(format!("the stand-in has no {what} `{name}` ({from})"));
    match known.map(|known| (distance(name, known), known)).min() {
        Some((letters, near)) if letters <= 4 => mistake.hint(format!("did you mean `{near}`?")),
        _ => mistake,
    }
}

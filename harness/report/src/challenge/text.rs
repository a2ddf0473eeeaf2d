//! The detection table in words.

use super::{Detection, DetectionTable, Expected, counted};
use crate::Sweeps;
use crate::columns::{Cell, push_row, that_fit, widths};
use crate::quantity::signed_margin;
use crate::summary::{NARROWEST, WIDEST};
use crate::text::{Line, Style, Text};

/// Columns that the catchers need beside the rest.
const CATCHERS_AT_LEAST: usize = 30;

/// The table as text, at most `width` columns.
pub fn challenge_text(table: &DetectionTable<'_>, width: usize) -> Text {
    let width = width.clamp(NARROWEST, WIDEST);
    let mut text = Text::default();
    let head = ["", "controller", "hazard", "by", "caught by"].map(|cell| (Style::Faint, cell.to_owned()));
    let rows: Vec<[Cell; 5]> = table.detections.iter().map(|detection| row(detection, &table.sweeps)).collect();
    let columns = widths(std::iter::once(&head[..]).chain(rows.iter().map(|row| &row[..])));
    if that_fit(&columns[..4], width.saturating_sub(CATCHERS_AT_LEAST)) == 4 {
        push_row(&mut text, &head, &columns, width);
        rows.iter().for_each(|row| push_row(&mut text, row, &columns, width));
    } else {
        for [mark, name, hazard, by, catchers] in &rows {
            let line = Line::new().with(mark.0, &mark.1).with(Style::Strong, format!(" {}", name.1));
            text.push(line.with(Style::Faint, format!("  {} {}", hazard.1, by.1)));
            text.push_wrapped(Line::new().with(Style::Plain, "    "), catchers.0, &catchers.1, width);
        }
    }
    for detection in table.detections.iter().filter(|one| !one.as_it_should_be()) {
        text.gap();
        let said = what_is_wrong(detection);
        text.push_wrapped(Line::new(), Style::Fail, &said, width);
        for (what, scenarios) in [
            ("failed for something else", &detection.other_fails),
            ("undecided", &detection.undecided),
            ("broke down", &detection.broke_down),
        ] {
            if !scenarios.is_empty() {
                let label = Line::new().with(Style::Faint, format!("    {what}: "));
                text.push_wrapped(label, Style::Plain, &scenarios.join("; "), width);
            }
        }
    }
    let notes = notes(table);
    for (label, said) in notes.iter().filter(|(_, said)| !said.is_empty()) {
        text.gap();
        text.push_wrapped(Line::new(), Style::Faint, label, width);
        text.push_wrapped(Line::new().with(Style::Plain, "    "), Style::Plain, said, width);
    }
    text.gap();
    text.push_wrapped(Line::new(), Style::Strong, &table.headline(), width);
    text
}

/// What is not as it should be of a controller, in one sentence.
pub(crate) fn what_is_wrong(detection: &Detection<'_>) -> String {
    let name = &detection.challenged.name;
    match &detection.challenged.expected {
        Expected::Caught(mistake) => format!("{name} slips through: {}", mistake.description),
        Expected::Cleared => format!("{name} does everything right and is not cleared"),
        Expected::Undecided => format!("{name} is near a limit: something has to stay undecided, and nothing may fail"),
    }
}

/// What is to be said below the table; what there is nothing to say of is empty.
pub(crate) fn notes(table: &DetectionTable<'_>) -> [(&'static str, String); 8] {
    let uncovered = table.uncovered.iter().map(|one| format!("{}: {}", one.bench, one.hazards.join(", ")));
    let blamed = table.blamed.iter().map(|one| format!("{} ({})", one.scenario, one.controllers.join(", ")));
    let said = table.never_alone.len() - table.idle.len();
    let never_alone = match said {
        0 => String::new(),
        said => format!("{}: each says which moment, type or combination it is there for", counted(said, "file")),
    };
    let part = if table.part {
        format!(
            "{} of other hazards left out; whether a file is idle is not asked of a part",
            counted(table.left_out, "mistake")
        )
    } else {
        String::new()
    };
    let missing = match table.left_out {
        left_out if left_out > 0 && !table.part => format!("{} left out", counted(left_out, "mistake")),
        _ => String::new(),
    };
    [
        ("Only a part of the scenarios:", part),
        ("Of a limiter, which the bench does not have:", missing),
        ("Scenarios that fail a controller which does everything right:", blamed.collect::<Vec<_>>().join("; ")),
        ("Hazards that nothing on a bench can meet:", uncovered.collect::<Vec<_>>().join("; ")),
        ("Hazards that no mistake stands for:", table.hazards_without_mistake.join(", ")),
        ("Scenario files that are never the only one to catch a mistake:", never_alone),
        ("Idle: never the only one to catch a mistake, and without `covers alone`:", table.idle.join("; ")),
        (
            "Mistakes that fail the same expectations by the same amounts:",
            table.alike.iter().map(|names| names.join(" = ")).collect::<Vec<_>>().join("; "),
        ),
    ]
}

/// Mark, hazard, margin of the first catch, catchers.
pub(crate) fn told(detection: &Detection<'_>, sweeps: &Sweeps) -> (bool, String, String, String) {
    let good = detection.as_it_should_be();
    let (hazard, by, catchers) = match &detection.challenged.expected {
        Expected::Cleared if good => ("-", String::new(), "nothing, as it should be".to_owned()),
        Expected::Undecided if good => {
            ("-", String::new(), format!("nothing; undecided, as it should be: {}", detection.undecided.join("; ")))
        }
        Expected::Cleared | Expected::Undecided => ("-", String::new(), "see below".to_owned()),
        Expected::Caught(mistake) => {
            let first = detection.catches.first();
            let by = first.and_then(|catch| catch.margin).map(signed_margin).unwrap_or_default();
            let names = sweeps.together(&detection.catchers());
            let catchers = if names.is_empty() { "nothing".to_owned() } else { names.join("; ") };
            (mistake.hazard.as_str(), by, catchers)
        }
    };
    (good, hazard.to_owned(), by, catchers)
}

fn row(detection: &Detection<'_>, sweeps: &Sweeps) -> [Cell; 5] {
    let (good, hazard, by, catchers) = told(detection, sweeps);
    let mark = if good { (Style::Pass, "✓") } else { (Style::Fail, "✗") };
    [
        (mark.0, mark.1.to_owned()),
        (Style::Strong, detection.challenged.name.clone()),
        (Style::Plain, hazard),
        (Style::Plain, by),
        (Style::Plain, catchers),
    ]
}

//! A comparison for the terminal.

use super::{Change, Comparison, ExpectationPair, ScenarioPair, Side, Spread, Told, tallied};
use crate::columns::{Cell, push_row, widths};
use crate::quantity::{factor, signed_margin, value};
use crate::summary::{NARROWEST, WIDEST};
use crate::text::{Line, Style, Text};

/// What a comparison is not.
const COMPARED: &str =
    "A comparison tells what changed between two records, not what either shows: read their reports for that.";

pub(crate) fn compared_sentence() -> &'static str {
    COMPARED
}

/// Both sides, what else differs, what changed, reaction times, and the counts; at most `width` columns.
pub fn compare_text(comparison: &Comparison, width: usize) -> Text {
    let width = width.clamp(NARROWEST, WIDEST);
    let mut text = Text::default();
    about(&mut text, "old", &comparison.old, width);
    about(&mut text, "new", &comparison.new, width);
    for (of_the_controller, title) in
        [(true, "Of the controller differs"), (false, "What else differs, and may be the reason")]
    {
        let of_it: Vec<_> =
            comparison.differing.iter().filter(|it| it.of_the_controller == of_the_controller).collect();
        if of_it.is_empty() {
            continue;
        }
        text.gap();
        text.push(Line::new().with(Style::Strong, title));
        for one in of_it {
            let body = format!("{}, now {}", one.old, one.new);
            text.push_wrapped(Line::new().with(Style::Faint, format!("  {}: ", one.what)), Style::Plain, &body, width);
        }
    }
    for (change, style, title) in [
        (Change::Worse, Style::Fail, "Worse"),
        (
            Change::Otherwise,
            Style::Inconclusive,
            "To be looked at: gone, no longer shown, bad in another way, or no longer asked the same",
        ),
        (Change::Better, Style::Pass, "Better"),
    ] {
        changed(&mut text, comparison, change, style, title, width);
    }
    added(&mut text, comparison, width);
    margins(&mut text, comparison, width);
    reactions(&mut text, comparison, width);
    text.gap();
    text.push_wrapped(Line::new(), Style::Strong, &comparison.headline(), width);
    text.push_wrapped(Line::new(), Style::Faint, COMPARED, width);
    text
}

fn about(text: &mut Text, label: &str, side: &Side, width: usize) {
    let body = format!(
        "{}, firmware {}; on {}; {} of {}; {}{}{}",
        side.controller,
        side.firmware,
        side.bench,
        plural(side.runs, "run"),
        plural(side.scenarios, "scenario"),
        side.began_at,
        if side.finished { "" } else { "; UNFINISHED: it shows nothing as a whole" },
        side.mixed.iter().map(|why| format!("; NOT ONE FIRMWARE: {why}")).collect::<String>()
    );
    text.push_wrapped(Line::new().with(Style::Faint, format!("{label}  ")), Style::Plain, &body, width);
}

pub(crate) fn plural(count: usize, word: &str) -> String {
    format!("{count} {word}{}", if count == 1 { "" } else { "s" })
}

/// From what to what, run by run.
fn from_to(scenario: &ScenarioPair) -> String {
    let side =
        |words: &[&'static str]| if words.is_empty() { "not there".to_owned() } else { tallied(words.iter().copied()) };
    format!("{}, now {}", side(&scenario.old), side(&scenario.new))
}

/// The same of an expectation.
pub(crate) fn expectation_from_to(expectation: &ExpectationPair) -> String {
    let side = |verdicts: &[dryfire_judge::Verdict]| match verdicts {
        [] => "not there".to_owned(),
        verdicts => tallied(verdicts.iter().map(|verdict| verdict.word())),
    };
    format!("{}, now {}", side(&expectation.old), side(&expectation.new))
}

fn changed(text: &mut Text, comparison: &Comparison, change: Change, style: Style, title: &str, width: usize) {
    let of_it = comparison.scenarios.iter().filter(|it| it.change == change && !(it.old.is_empty()));
    let mut first = true;
    for scenario in of_it {
        if std::mem::take(&mut first) {
            text.gap();
            text.push_wrapped(Line::new(), style, title, width);
        }
        let body = format!("{}: {}", scenario.name, from_to(scenario));
        text.push_wrapped(indent(2), Style::Strong, &body, width);
        for expectation in scenario.expectations.iter().filter(|it| it.change != Change::Same) {
            let body = format!("{}: {}", expectation.name, expectation_from_to(expectation));
            text.push_wrapped(indent(4), Style::Plain, &body, width);
        }
        if let Some(key) = scenario.other_run {
            let body = format!("the scenario file does something else now: its `{key}` is not as it was");
            text.push_wrapped(indent(4), Style::Plain, &body, width);
        }
    }
}

fn added(text: &mut Text, comparison: &Comparison, width: usize) {
    let mut first = true;
    for scenario in comparison.scenarios.iter().filter(|it| it.old.is_empty()) {
        if std::mem::take(&mut first) {
            text.gap();
            text.push(Line::new().with(Style::Strong, "Added"));
        }
        let body = format!("{}: {}", scenario.name, tallied(scenario.new.iter().copied()));
        text.push_wrapped(indent(2), Style::Plain, &body, width);
    }
}

fn indent(columns: usize) -> Line {
    Line::new().with(Style::Plain, " ".repeat(columns))
}

/// `-412.0 ms ±50.0 ms (k = 3.4)`.
pub(crate) fn difference_words(told: Told) -> String {
    match told.figures() {
        Some((difference, expanded, k)) => {
            let k = factor(u16::try_from(k).unwrap_or(u16::MAX));
            format!("{} ±{} (k = {k})", signed_margin(difference), value(expanded))
        }
        None => String::new(),
    }
}

fn margins(text: &mut Text, comparison: &Comparison, width: usize) {
    let mut rows: Vec<[Cell; 4]> = Vec::new();
    for scenario in &comparison.scenarios {
        for expectation in &scenario.expectations {
            let Some(margin) = expectation.margin else { continue };
            let style = match margin.told {
                Told::Shrunk { .. } => Style::Fail,
                Told::Grown { .. } => Style::Pass,
                Told::Within { .. } | Told::CannotTell { .. } => continue,
            };
            rows.push([
                (style, format!("  {}", margin.told.word())),
                (Style::Plain, format!("{} to {}", signed_margin(margin.old.mean), signed_margin(margin.new.mean))),
                (Style::Plain, difference_words(margin.told)),
                (Style::Plain, format!("{}: {}", scenario.name, expectation.name)),
            ]);
        }
    }
    if !rows.is_empty() {
        text.gap();
        text.push_wrapped(
            Line::new(),
            Style::Strong,
            "Margins that changed by more than is uncertain (means; difference with its expanded uncertainty)",
            width,
        );
        let widths = widths(rows.iter().map(|row| &row[..3]));
        rows.iter().for_each(|row| push_row(text, row, &widths, width));
    }
    let why: Vec<&str> = {
        let pairs = comparison.scenarios.iter().flat_map(|it| &it.expectations).filter_map(|it| it.margin);
        pairs.filter_map(|it| if let Told::CannotTell { why } = it.told { Some(why) } else { None }).collect()
    };
    if !why.is_empty() {
        text.gap();
        text.push_wrapped(
            Line::new().with(Style::Inconclusive, "Margins, cannot tell: "),
            Style::Plain,
            &tallied(why),
            width,
        );
    }
}

/// `2.650 s, 2.601 s to 2.712 s, s = 44 ms, of 5`.
pub(crate) fn spread_words(spread: Option<Spread>) -> String {
    let Some(spread) = spread else { return "–".to_owned() };
    match spread.deviation {
        None => format!("{} (one run)", value(spread.mean)),
        Some(deviation) => format!(
            "{} ({} to {}, s = {}, {} runs)",
            value(spread.mean),
            value(spread.least),
            value(spread.greatest),
            value(deviation),
            spread.count
        ),
    }
}

fn reactions(text: &mut Text, comparison: &Comparison, width: usize) {
    let mut rows: Vec<[Cell; 3]> = Vec::new();
    for scenario in &comparison.scenarios {
        for expectation in &scenario.expectations {
            let Some((old, new)) = expectation.reaction else { continue };
            rows.push([
                (Style::Plain, format!("  {}", spread_words(old))),
                (Style::Plain, spread_words(new)),
                (Style::Plain, format!("{}: {}", scenario.name, expectation.name)),
            ]);
        }
    }
    if rows.is_empty() {
        return;
    }
    text.gap();
    let title = "Reaction times: mean (least to greatest, standard deviation s)";
    text.push_wrapped(Line::new(), Style::Strong, title, width);
    rows.insert(
        0,
        [(Style::Faint, "  old".to_owned()), (Style::Faint, "new".to_owned()), (Style::Faint, "what".to_owned())],
    );
    let widths = widths(rows.iter().map(|row| &row[..2]));
    let sum: usize = widths.iter().sum();
    if sum + 30 <= width {
        rows.iter().for_each(|row| push_row(text, row, &widths, width));
        return;
    }
    // Too narrow for columns: below each other.
    for [(_, old), (_, new), (_, what)] in rows.iter().skip(1) {
        text.push_wrapped(indent(2), Style::Plain, what, width);
        text.push_wrapped(Line::new().with(Style::Faint, "    old  "), Style::Plain, old.trim_start(), width);
        text.push_wrapped(Line::new().with(Style::Faint, "    new  "), Style::Plain, new, width);
    }
}

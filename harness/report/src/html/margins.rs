//! What was not met, and the tightest margins of what was: limit, what was seen, and by how much.

use dryfire_engine::FindingReport;
use dryfire_judge::{Comparison, Margin, Verdict};
use dryfire_record::{ExpectationWindow, Record, Run};

use super::front::{link, plus_minus};
use super::markup::Html;
use super::words;
use crate::quantity::size;
use crate::recorded::standing_word;
use crate::standing::failed_expectations;
use crate::{signed_margin, value};

/// Margins in the table of the tightest, for each unit.
const MOST_TIGHT: usize = 2;
/// Scenarios with an expectation that was not met and stands on the first sheet.
const MOST_FAILED: usize = 3;

type Row<'a> = (&'a Run, &'a FindingReport);

/// Of each scenario with an expectation that was not met the one that was missed by most, or the first.
pub(super) fn not_met(html: &mut Html, record: &Record) {
    let mut rows: Vec<Row<'_>> = Vec::new();
    let mut all = 0;
    for run in record.runs() {
        let failed = || {
            let findings = run.standing().into_iter().flat_map(|result| &result.findings);
            findings.filter(|report| report.finding.verdict == Verdict::Fail)
        };
        all += failed().count();
        // Where it is missed has a figure, times before temperatures: those cannot be compared.
        let worst = failed().min_by_key(|report| {
            report.finding.margin.map_or((usize::MAX, 0), |margin| (unit(margin).0, size(margin)))
        });
        // Of runs of the same scenario the first one stands for all.
        if let Some(report) = worst
            && !rows.iter().any(|(other, _)| other.planned.scenario == run.planned.scenario)
        {
            rows.push((run, report));
        }
    }
    if rows.is_empty() {
        return;
    }
    html.raw("<section aria-labelledby=\"not-met\">\n<h2 id=\"not-met\">What was not met</h2>\n");
    rows.truncate(MOST_FAILED);
    let left_out = all - rows.len();
    table(html, "Expectations that were not met", &[("", rows)]);
    if left_out > 0 {
        let said = format!("And {left_out} more: see the table of hazards, and each scenario.");
        html.element("p", &[("class", "note")], &said).raw("\n");
    }
    html.raw("</section>\n");
}

/// The smallest margins of what was met, by unit; seconds and degrees cannot be compared. Where something was not
/// met, which has the sheet's room, one time and one temperature.
pub(super) fn tight(html: &mut Html, record: &Record) {
    html.raw("<section aria-labelledby=\"tight\">\n<h2 id=\"tight\">Tightest margins of what was met</h2>\n");
    let mut margins: Vec<(Margin, &Run, &FindingReport)> = Vec::new();
    for run in record.runs().iter().filter(|run| standing_word(run) == "pass") {
        for report in run.standing().into_iter().flat_map(|result| &result.findings) {
            if let Some(margin) = report.finding.margin {
                margins.push((margin, run, report));
            }
        }
    }
    let failed = record.runs().iter().filter_map(Run::standing).any(|result| failed_expectations(result) > 0);
    let most = if failed { 1 } else { MOST_TIGHT };
    margins.retain(|(margin, ..)| !failed || unit(*margin).0 < 2);
    if margins.is_empty() {
        html.raw("<p>No expectation of these scenarios that was met has such a margin.</p>\n</section>\n");
        return;
    }
    margins.sort_by_key(|(margin, ..)| (unit(*margin).0, size(*margin)));
    let mut groups: Vec<(&str, Vec<Row<'_>>)> = Vec::new();
    for (margin, run, report) in margins {
        let (_, word) = unit(margin);
        if groups.last().is_none_or(|(last, _)| *last != word) {
            groups.push((word, Vec::new()));
        }
        let Some((_, rows)) = groups.last_mut() else { continue };
        // Of runs of the same scenario only the tightest says anything.
        let same = |(other, it): &Row<'_>| other.planned.scenario == run.planned.scenario && it.name == report.name;
        if rows.len() < most && !rows.iter().any(same) {
            rows.push((run, report));
        }
    }
    table(html, "Tightest margins", &groups);
    html.element("p", &[("class", "note")], words::MARGIN_KEY).raw("\n");
    html.raw("</section>\n");
}

/// Rows in groups, of one unit each where that has a name.
fn table(html: &mut Html, label: &str, groups: &[(&str, Vec<Row<'_>>)]) {
    html.open("section", &[("class", "wide"), ("tabindex", "0"), ("aria-label", label)]);
    html.raw("\n<table class=\"margins\">\n<thead><tr>");
    if groups.iter().any(|(group, _)| !group.is_empty()) {
        html.raw("<th scope=\"col\">Of</th>");
    }
    html.raw("<th scope=\"col\">Expectation, and its scenario</th>");
    for title in ["Limit", "Seen", "Margin", "Uncertainty"] {
        html.open("th", &[("scope", "col"), ("class", "num")]).raw(title).raw("</th>");
    }
    html.raw("</tr></thead>\n");
    for (group, rows) in groups {
        html.raw("<tbody>\n");
        for (index, (run, report)) in rows.iter().enumerate() {
            html.raw("<tr>");
            if index == 0 && !group.is_empty() {
                let span = rows.len().to_string();
                html.open("th", &[("scope", "rowgroup"), ("class", "group"), ("rowspan", &span)]);
                html.text(group).raw("</th>");
            }
            html.raw("<td>").text(&report.name).raw(" <span class=\"note\">in ");
            link(html, run);
            html.raw("</span></td>");
            figures(html, run, report);
            html.raw("</tr>\n");
        }
        html.raw("</tbody>\n");
    }
    html.raw("</table>\n</section>\n");
}

fn figures(html: &mut Html, run: &Run, report: &FindingReport) {
    let finding = &report.finding;
    // What has no figure, as an element that was on and should not have been, has words.
    if finding.seen.is_none() && finding.margin.is_none() {
        html.raw("<td colspan=\"4\">").text(&report.seen).raw("</td>");
        return;
    }
    for figure in [
        limit(run, report),
        finding.seen.map_or_else(|| "–".to_owned(), value),
        finding.margin.map_or_else(|| "–".to_owned(), signed_margin),
        uncertainty(report),
    ] {
        html.element("td", &[("class", "num")], &figure);
    }
}

/// What a margin has to clear.
fn uncertainty(report: &FindingReport) -> String {
    let finding = &report.finding;
    let parts = [(finding.uncertainty, ""), (finding.model_error, "model ")];
    let parts: Vec<String> = parts
        .into_iter()
        .filter_map(|(quantity, of)| quantity.filter(|it| size(*it) != 0).map(|it| format!("{of}{}", plus_minus(it))))
        .collect();
    match (parts.is_empty(), finding.uncertainty) {
        (false, _) => parts.join(", "),
        (true, Some(_)) => "none".to_owned(),
        (true, None) => "–".to_owned(),
    }
}

/// What was asked for, as far as it is one quantity with a bound.
fn limit(run: &Run, report: &FindingReport) -> String {
    let finding = &report.finding;
    let window = run.planned.expectations.get(finding.expectation).filter(|window| window.name == report.name);
    let Some(window) = window else { return "–".to_owned() };
    match (finding.margin.or(finding.seen), window.claim) {
        (Some(Margin::Time(_)), "holds-for") => window.limit.map_or_else(|| "–".to_owned(), |span| format!("≥ {span}")),
        (Some(Margin::Time(_)), "precedes") => "in this order".to_owned(),
        (Some(Margin::Time(_)), _) | (None, _) => {
            window.limit.map_or_else(|| levels(run, window), |span| format!("≤ {span}"))
        }
        (Some(Margin::Count(_)), "at-most-in") => match (finding.seen, finding.margin) {
            (Some(Margin::Count(seen)), Some(Margin::Count(margin))) => {
                format!("≤ {}", value(Margin::Count(seen.saturating_add(margin))))
            }
            _ => "–".to_owned(),
        },
        _ => levels(run, window),
    }
}

/// The levels that its claim compares with something.
fn levels(run: &Run, window: &ExpectationWindow) -> String {
    let shown = window.limits.iter().filter_map(|limit| {
        let (_, spec) = run.planned.table.iter().find(|(id, _)| *id == limit.signal)?;
        let sign = match (limit.comparison, window.claim == "never") {
            (Comparison::Below, false) | (Comparison::AtLeast, true) => "<",
            (Comparison::AtMost, false) | (Comparison::Above, true) => "≤",
            (Comparison::Above, false) | (Comparison::AtMost, true) => ">",
            (Comparison::AtLeast, false) | (Comparison::Below, true) => "≥",
        };
        Some(format!("{sign} {}", value(spec.kind.quantity(limit.value)?)))
    });
    let shown: Vec<String> = shown.collect();
    // Never two things at once is no bound of either.
    if window.claim == "never" && shown.len() > 1 {
        return "–".to_owned();
    }
    if shown.is_empty() { "–".to_owned() } else { shown.join(", ") }
}

/// Its place, and the quantity in a word.
fn unit(margin: Margin) -> (usize, &'static str) {
    match margin {
        Margin::Time(_) => (0, "Times"),
        Margin::Temperature(_) => (1, "Temperatures"),
        Margin::Rate(_) => (2, "Rates"),
        Margin::Duty(_) => (3, "Duties"),
        Margin::Count(_) => (4, "Counts"),
    }
}

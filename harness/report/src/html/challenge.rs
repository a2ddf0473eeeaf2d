//! The detection table as one HTML file.

use super::markup::Html;
use super::{page_end, page_head};
use crate::challenge::DetectionTable;
use crate::challenge::text::{notes, told, what_is_wrong};
use crate::quantity::signed_margin;
use crate::{ExitStatus, SessionHead};

/// The table as a page that needs nothing else.
pub fn challenge_html(table: &DetectionTable<'_>, head: &SessionHead) -> String {
    let mut html = Html::new();
    page_head(&mut html, &head.controller, ": what the library catches");
    html.raw("<header class=\"top\">\n<p class=\"kind\">Scenarios on controllers with known mistakes, and on honest ones</p>\n");
    html.element("h1", &[], "What the library catches").raw("\n</header>\n<main>\n");
    html.raw("<section aria-labelledby=\"result\">\n<h2 id=\"result\">What came of it</h2>\n<div class=\"result\">\n");
    let line = match table.exit_status() {
        ExitStatus::AllHeld => "Every mistake is caught, and nobody is blamed without reason.",
        ExitStatus::NothingApplicable => "No mistake stands for what was picked: this shows nothing.",
        ExitStatus::Error => "Something broke down: this shows nothing.",
        _ => "The library does not do all that it should.",
    };
    html.element("p", &[("class", "most")], line).raw("\n");
    html.element("p", &[], &format!("{}.", table.headline())).raw("\n</div>\n");
    let run = format!("{} scenarios on {}, {}, seed {}.", head.scenarios, head.bench, head.tool, head.seed);
    html.element("p", &[("class", "note")], &run).raw("\n");
    for detection in table.detections.iter().filter(|one| !one.as_it_should_be()) {
        html.element("p", &[("class", "bad")], &what_is_wrong(detection)).raw("\n");
        for (what, scenarios) in [
            ("Failed for something else", &detection.other_fails),
            ("Undecided", &detection.undecided),
            ("Broke down", &detection.broke_down),
        ] {
            if !scenarios.is_empty() {
                html.element("p", &[("class", "note")], &format!("{what}: {}", scenarios.join("; "))).raw("\n");
            }
        }
    }
    for (label, said) in notes(table).iter().filter(|(_, said)| !said.is_empty()) {
        html.raw("<p>").element("b", &[], label).raw(" ").text(said).raw("</p>\n");
    }
    html.raw("</section>\n");
    controllers(&mut html, table);
    page_end(&mut html);
    html.into_string()
}

fn controllers(html: &mut Html, table: &DetectionTable<'_>) {
    html.raw("<section aria-labelledby=\"who\">\n<h2 id=\"who\">Who catches whom</h2>\n");
    html.raw("<section class=\"wide\" tabindex=\"0\" aria-label=\"Who catches whom\">\n<table>\n<thead><tr>");
    for column in ["", "Controller", "Hazard", "Caught by", "Expectation", "Why", "By"] {
        html.element("th", &[("scope", "col")], column);
    }
    html.raw("</tr></thead>\n<tbody>\n");
    for detection in &table.detections {
        let (good, hazard, _, said) = told(detection, &table.sweeps);
        let rows = detection.catches.len().max(1).to_string();
        let spans = [("rowspan", rows.as_str())];
        let (class, sign) = if good { ("mark good", "✓") } else { ("mark bad", "✗") };
        html.raw("<tr>").element("td", &[("class", class), spans[0]], sign);
        html.open("th", &[("scope", "row"), spans[0]]).text(&detection.challenged.name);
        if let Some(mistake) = detection.challenged.mistake() {
            html.element("div", &[("class", "note")], &mistake.description);
        }
        html.close("th").element("td", &spans, &hazard);
        for (index, catch) in detection.catches.iter().enumerate() {
            if index > 0 {
                html.raw("</tr>\n<tr>");
            }
            html.element("td", &[], &catch.scenario).element("td", &[], &catch.expectation);
            html.element("td", &[], &catch.reason.replace('-', " "));
            html.element("td", &[], &catch.margin.map(signed_margin).unwrap_or_default());
        }
        if detection.catches.is_empty() {
            html.element("td", &[("colspan", "4")], &said.replace("see below", "see above"));
        }
        html.raw("</tr>\n");
    }
    html.raw("</tbody>\n</table>\n</section>\n</section>\n");
}

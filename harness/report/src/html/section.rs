//! One scenario: why, what was done, the plots, and each expectation with what was seen.

use dryfire_engine::Applicability;
use dryfire_record::{Record, RecordError, Run};
use dryfire_units::RigTime;

use super::course::{Happening, course};
use super::front::{anchor, plus_minus};
use super::markup::Html;
use super::standing::Mark;
use crate::heat_work::sentences;
use crate::recorded::title;
use crate::words::{reason_sentence, trouble_sentence};
use crate::{signed_margin, value};

/// Lines of what happened that are listed; all are in the record.
const MOST_HAPPENINGS: usize = 80;

/// # Errors
/// When the record cannot be read.
pub(super) fn section(html: &mut Html, record: &Record, run: &Run) -> Result<(), RecordError> {
    let id = anchor(run);
    html.open("section", &[("class", "run"), ("aria-labelledby", &id)]).raw("\n");
    html.open("h2", &[("id", &id)]).text(&title(run)).close("h2").raw("\n<p>");
    Mark::of_run(run).write(html);
    html.raw(" · hazards: ").text(&run.planned.hazards.join(", ")).raw(" · <a href=\"#hazards\">all hazards</a></p>\n");
    html.raw("<dl class=\"facts\">\n");
    let mut entry = |name: &str, body: &str| {
        if !body.is_empty() {
            html.element("dt", &[], name).element("dd", &[], body).raw("\n");
        }
    };
    entry("Why", &run.planned.why);
    entry("Where the limits come from", &run.planned.limits_from);
    if let Some(file) = record.scenario_file(run) {
        entry("File", &format!("{}, SHA-256 {}", file.path, file.sha256));
    }
    if let Some(identity) = &run.identity {
        let fresh = if run.fresh_controller { "restarted before this run" } else { "not restarted before this run" };
        entry("Bench", &format!("{identity}; controller {fresh}; seed {}", run.planned.seed));
    }
    let times = [&run.began_at, &run.ended_at].map(|at| at.as_deref().unwrap_or("–"));
    if run.began_at.is_some() {
        let length = run.result.as_ref().map(|result| format!("; {} of rig time", result.length)).unwrap_or_default();
        entry("When (UTC)", &format!("{} to {}{length}", times[0], times[1]));
    }
    html.raw("</dl>\n");
    let applies = run.result.as_ref().is_none_or(|result| result.applicability == Applicability::Ran);
    if let Some(Applicability::NotApplicable { reason } | Applicability::Uncovered { reason }) =
        run.result.as_ref().map(|result| &result.applicability)
    {
        html.raw("<p><b>It did not run:</b> ").text(reason).raw("</p>\n");
    }
    if applies && run.began_at.is_some() {
        let course = course(record, run)?;
        if run.standing().is_none() {
            html.raw(
                "<p class=\"bad\"><b>It was broken off or not confirmed; what was seen of it shows nothing.</b></p>\n",
            );
        }
        findings(html, run);
        for plot in &course.plots {
            html.raw("<figure>\n<figcaption>").text(&plot.title).raw("</figcaption>\n");
            html.open("section", &[("class", "wide"), ("tabindex", "0"), ("aria-label", &plot.title)]);
            html.raw("\n").append(&plot.svg()).raw("</section>\n</figure>\n");
        }
        for sentence in &course.left_out {
            html.element("p", &[("class", "note")], sentence).raw("\n");
        }
        happenings(html, run, &course.happenings);
    }
    html.raw("</section>\n");
    Ok(())
}

fn findings(html: &mut Html, run: &Run) {
    let Some(result) = run.standing().or(run.result.as_ref()) else { return };
    html.raw("<h3>What was expected and what was seen</h3>\n");
    html.open(
        "section",
        &[("class", "wide"), ("tabindex", "0"), ("aria-label", &format!("Expectations: {}", title(run)))],
    );
    html.raw("\n<table>\n<thead><tr><th scope=\"col\">Expectation</th><th scope=\"col\">Came to</th>");
    html.raw("<th scope=\"col\" class=\"num\">Seen</th><th scope=\"col\" class=\"num\">Margin</th>");
    html.raw("<th scope=\"col\" class=\"num\">Uncertainty</th></tr></thead>\n<tbody>\n");
    for report in &result.findings {
        let finding = &report.finding;
        html.raw("<tr><th scope=\"row\">").text(&report.name);
        html.raw("<br><span class=\"note\">").text(&report.expected).raw("</span></th><td>");
        Mark::of_word(finding.verdict.word()).write(html);
        if finding.reason != dryfire_judge::Reason::Held {
            html.raw("<br><span class=\"note\">").text(reason_sentence(finding.reason)).raw("</span>");
        }
        if finding.vacuous {
            html.raw("<br><span class=\"note\">it shows nothing of the controller</span>");
        }
        html.raw("</td><td class=\"num\">").text(&finding.seen.map_or_else(|| "–".to_owned(), value));
        html.raw("</td><td class=\"num\">").text(&finding.margin.map_or_else(|| "–".to_owned(), signed_margin));
        html.raw("</td><td class=\"num\">").text(&finding.uncertainty.map_or_else(|| "–".to_owned(), plus_minus));
        if let Some(error) = finding.model_error.filter(|error| error.number() != 0) {
            html.raw("<br><span class=\"note\">model ").text(&plus_minus(error)).raw("</span>");
        }
        html.raw("</td></tr>\n<tr><td colspan=\"5\" class=\"note\">").text(&report.seen);
        if let Some(at) = finding.decided_at {
            html.text(&format!("; decided {at} into the run"));
        }
        html.raw("</td></tr>\n");
    }
    html.raw("</tbody>\n</table>\n</section>\n");
    let mut said: Vec<String> = Vec::new();
    if let Some(trouble) = &result.trouble {
        said.push(format!("{}: {}", trouble_sentence(trouble), trouble.detail));
    }
    said.extend(result.remarks.iter().cloned());
    let counters = result.counters;
    for (count, what) in [
        (counters.lost_edges, "edges lost"),
        (counters.lost_console_bytes, "bytes of the console lost"),
        (counters.late_setpoints, "set-points late"),
        (counters.damaged_frames, "frames damaged and sent again"),
    ] {
        if count > 0 {
            said.push(format!("{count} {what}"));
        }
    }
    if !result.heat_work.is_empty() {
        said.push(format!("Heat-work, for plausibility only: {}", sentences(&result.heat_work).join("; ")));
    }
    if !said.is_empty() {
        html.raw("<ul>\n");
        for sentence in said {
            html.element("li", &[], &sentence).raw("\n");
        }
        html.raw("</ul>\n");
    }
}

fn happenings(html: &mut Html, run: &Run, happenings: &[Happening]) {
    html.raw("<h3>What was done and what the controller said</h3>\n");
    let name = format!("What happened: {}", title(run));
    html.open("section", &[("class", "wide"), ("tabindex", "0"), ("aria-label", &name)]);
    html.raw("\n<table>\n<thead><tr><th scope=\"col\" class=\"num\">No.</th>");
    html.raw("<th scope=\"col\" class=\"num\">Into the run</th><th scope=\"col\">What</th></tr></thead>\n<tbody>\n");
    for happening in happenings.iter().take(MOST_HAPPENINGS) {
        let number = happening.number.map(|number| number.to_string()).unwrap_or_default();
        let at = RigTime::from_micros(happening.at).to_string();
        html.raw("<tr>")
            .element("td", &[("class", "num")], &number)
            .element("td", &[("class", "num")], &at)
            .raw("<td>");
        for (index, (kind, text)) in happening.lines.iter().enumerate() {
            if index > 0 {
                html.raw("<br>");
            }
            html.raw("<span class=\"soft\">").text(kind).raw("</span> ");
            html.element(if *kind == "console" { "code" } else { "span" }, &[], text);
        }
        html.raw("</td></tr>\n");
    }
    html.raw("</tbody>\n</table>\n</section>\n");
    if happenings.len() > MOST_HAPPENINGS {
        let more = happenings.len() - MOST_HAPPENINGS;
        html.element("p", &[("class", "note")], &format!("And {more} more, in the record.")).raw("\n");
    }
}

//! The pages after the first sheet: hazards against scenarios, what was not tested and why, the single-fault table.

use dryfire_engine::{Applicability, SingleFaultTable};
use dryfire_record::{FileRole, Record, Run, RunState};

use super::front::link;
use super::markup::Html;
use super::standing::Mark;
use super::words;
use crate::paths::{NOTES, paths_headline, paths_rows};
use crate::recorded::{Recorded, standing_word};
use crate::words::reason_sentence;
use crate::{Hazards, Tally};

/// Hazards against scenarios, what was not tested and why, and the single-fault table.
pub(super) fn tables(html: &mut Html, record: &Record, recorded: &Recorded, tally: &Tally) {
    hazards(html, record, tally);
    not_tested(html, record, recorded, &tally.hazards);
    single_faults(html, record);
}

fn hazards(html: &mut Html, record: &Record, tally: &Tally) {
    html.raw("<section class=\"second\" aria-labelledby=\"hazards\">\n<h2 id=\"hazards\">Hazards and what came of them</h2>\n");
    html.raw("<section class=\"wide\" tabindex=\"0\" aria-label=\"Hazards\">\n<table>\n<thead><tr>");
    html.raw("<th scope=\"col\">Hazard</th><th scope=\"col\">Came to</th>");
    html.raw("<th scope=\"col\">Scenarios, each with what it came to</th></tr></thead>\n<tbody>\n");
    let all = &tally.hazards;
    let failed = all.which(|it| it.failed);
    let uncovered = all.which(|it| it.uncovered);
    let undecided = all.which(|it| it.is_undecided());
    let shown = all.which(|it| it.is_shown());
    for id in all.which(|_| true) {
        let marks: Vec<&str> =
            [(&failed, "fail"), (&uncovered, "uncovered"), (&undecided, "inconclusive"), (&shown, "pass")]
                .into_iter()
                .filter(|(ids, _)| ids.contains(&id))
                .map(|(_, word)| word)
                .collect();
        html.raw("<tr>").element("th", &[("scope", "row")], id).raw("<td class=\"keep\">");
        if marks.is_empty() {
            html.element("span", &[("class", "mark warn")], "· not tested");
        }
        for (index, word) in marks.into_iter().enumerate() {
            if index > 0 {
                html.raw(", ");
            }
            match word {
                "pass" => {
                    html.element("span", &[("class", "mark good")], "✓ shown");
                }
                word => Mark::of_word(word).write(html),
            }
        }
        html.raw("</td><td>");
        let speaks = |run: &&Run| {
            let findings = run.standing().into_iter().flat_map(|result| &result.findings);
            run.planned.hazards.iter().chain(findings.flat_map(|report| &report.hazards)).any(|hazard| hazard == id)
        };
        for (index, run) in record.runs().iter().filter(speaks).enumerate() {
            if index > 0 {
                html.raw("; ");
            }
            html.raw("<span aria-hidden=\"true\">").text(Mark::of_run(run).sign).raw("</span> ");
            link(html, run);
            html.raw(" (").text(Mark::of_run(run).word).raw(")");
        }
        html.raw("</td></tr>\n");
    }
    html.raw("</tbody>\n</table>\n</section>\n<ul class=\"note\">\n");
    for (sign, word) in words::MARKS {
        html.raw("<li><b>").text(sign).raw("</b> ").text(word).raw("</li>\n");
    }
    html.raw("</ul>\n</section>\n");
}

/// Why a run shows nothing, or `None` where it came to something.
fn why_not(run: &Run) -> Option<String> {
    match run.standing() {
        None => Some(match run.state {
            RunState::Planned => "never begun: the session ended before it".to_owned(),
            RunState::Running => "broken off: the session ended in the middle of it".to_owned(),
            RunState::Judged | RunState::Finished => {
                "met in itself, but the session ended before it could be confirmed".to_owned()
            }
        }),
        Some(result) => match &result.applicability {
            Applicability::NotApplicable { reason } => Some(format!("not applicable: {reason}")),
            Applicability::Uncovered { reason } => Some(format!("uncovered: {reason}")),
            Applicability::Ran => {
                let undecided = result.findings.iter().find(|report| {
                    standing_word(run) == "inconclusive"
                        && report.finding.verdict == dryfire_judge::Verdict::Inconclusive
                });
                let because =
                    undecided.map(|report| format!("{}: {}", report.name, reason_sentence(report.finding.reason)));
                because
                    .or_else(|| result.remarks.first().cloned())
                    .filter(|_| matches!(standing_word(run), "inconclusive" | "error"))
            }
        },
    }
}

fn not_tested(html: &mut Html, record: &Record, recorded: &Recorded, hazards: &Hazards) {
    html.raw("<section aria-labelledby=\"untested\">\n<h2 id=\"untested\">What was not tested or not decided, and why</h2>\n");
    let runs: Vec<(&Run, String)> = record.runs().iter().filter_map(|run| Some((run, why_not(run)?))).collect();
    if runs.is_empty() {
        html.raw("<p>Every scenario of this session ran and was decided.</p>\n");
    } else {
        html.raw("<ul>\n");
        for (run, why) in runs {
            html.raw("<li>");
            Mark::of_run(run).write(html);
            html.raw(" ");
            link(html, run);
            html.raw(": ").text(&why).raw("</li>\n");
        }
        html.raw("</ul>\n");
    }
    let nobody = hazards.without_scenario();
    if !nobody.is_empty() {
        let said = format!("Hazards that no scenario of this session is about: {}.", nobody.join(", "));
        html.element("p", &[], &said);
    }
    let kind = recorded.head.bench_kind.as_str();
    let never: &[&str] = match kind {
        "rig" => &[
            "what is sensed as a command says nothing of the contact behind it",
            "mains, relays under load, wiring, an independent high limit",
        ],
        _ => &[
            "your hardware, its firmware on its chip, its probe input and its outputs",
            "mains, relays under load, wiring, an independent high limit",
        ],
    };
    html.element("p", &[("class", "note")], &format!("Never tested on such a bench: {}.", never.join("; ")))
        .raw("\n</section>\n");
}

fn single_faults(html: &mut Html, record: &Record) {
    html.raw("<section aria-labelledby=\"faults\">\n<h2 id=\"faults\">What still takes the heat off when one thing fails</h2>\n");
    let file = record.files().iter().find(|file| file.role == FileRole::Bench);
    let bench = file.and_then(|file| dryfire_scenario::parse_bench(&file.path, file.text.as_deref()?).ok());
    let Some((bench, _)) = bench else {
        html.element("p", &[], words::NO_TABLE).raw("\n</section>\n");
        return;
    };
    let table = SingleFaultTable::of(&bench);
    html.raw("<p><b>").text(&paths_headline(&table)).raw(".</b></p>\n");
    html.raw("<section class=\"wide\" tabindex=\"0\" aria-label=\"Single faults\">\n<table>\n");
    html.raw("<caption>From the wiring that the bench file describes.</caption>\n<thead><tr>");
    html.raw("<th scope=\"col\">Fails alone</th><th scope=\"col\">Zone</th>");
    html.raw("<th scope=\"col\">Isolated</th><th scope=\"col\">Heat off by</th></tr></thead>\n<tbody>\n");
    for [fault, zone, isolated, by] in paths_rows(&table) {
        let class = if by.0 == crate::Style::Uncovered { "bad" } else { "" };
        let by = if class.is_empty() { by.1 } else { format!("○ {}", by.1) };
        html.raw("<tr>");
        // Of the lines of one fault only the first one names it.
        if fault.1.is_empty() {
            html.raw("<td></td>");
        } else {
            html.element("th", &[("scope", "row")], &fault.1);
        }
        html.element("td", &[], &zone.1).element("td", &[], &isolated.1);
        html.element("td", &[("class", class)], &by).raw("</tr>\n");
    }
    html.raw("</tbody>\n</table>\n</section>\n<ul class=\"note\">\n");
    for note in NOTES {
        html.element("li", &[], note).raw("\n");
    }
    for zone in &table.without_probe {
        let note =
            format!("Zone {} has no probe of its own and is counted with every other one's.", table.zones[*zone]);
        html.element("li", &[], &note).raw("\n");
    }
    html.raw("</ul>\n</section>\n");
}

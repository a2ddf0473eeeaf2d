//! The first page: what was tested, what is shown and what is not, what to do next, cautions, signature.

use dryfire_engine::{Applicability, FindingReport, SingleFaultTable};
use dryfire_judge::Margin;
use dryfire_record::{FileRole, Record, RecordError, Run, RunState, topic};

use super::Seal;
use super::markup::Html;
use super::standing::Mark;
use super::words::{self, bench_words};
use crate::Hazards;
use crate::paths::{NOTES, paths_headline, paths_rows};
use crate::quantity::size;
use crate::recorded::{Recorded, standing_word, title};
use crate::words::reason_sentence;
use crate::{Tally, signed_margin, value};

/// Margins in the table of the tightest, for each unit.
const MOST_TIGHT: usize = 2;

pub(super) fn anchor(run: &Run) -> String {
    format!("run-{}", run.number)
}

/// The head of the page and the first sheet.
///
/// # Errors
/// When the record cannot be read.
pub(super) fn front(
    html: &mut Html,
    record: &Record,
    recorded: &Recorded,
    tally: &Tally,
    seal: &Seal,
) -> Result<(), RecordError> {
    let facts = &record.session().facts;
    html.raw("<header class=\"top\">\n<p class=\"kind\">Report of a bench test of a kiln controller</p>\n");
    html.element("h1", &[], &facts.controller).raw("\n</header>\n<main>\n");
    result(html, recorded, tally);
    tested(html, record, seal)?;
    next(html, record, recorded, tally);
    tight(html, record);
    html.raw("<aside class=\"cautions\" aria-label=\"Cautions\">\n<h3>Cautions</h3>\n<ul>\n");
    for caution in words::CAUTIONS {
        html.element("li", &[], caution).raw("\n");
    }
    html.raw("</ul>\n</aside>\n");
    signature(html);
    Ok(())
}

/// Everything counted, in sentences that cannot be taken for more than they say.
fn result(html: &mut Html, recorded: &Recorded, tally: &Tally) {
    html.raw("<section aria-labelledby=\"result\">\n<h2 id=\"result\">Result</h2>\n<div class=\"result\">\n");
    if recorded.interrupted {
        html.element("p", &[("class", "stop")], words::UNFINISHED).raw("\n");
    }
    if !recorded.head.defects.is_empty() {
        html.element("p", &[("class", "stop")], words::DEFECTIVE).raw("\n");
    }
    html.element("p", &[("class", "most")], &headline(tally)).raw("\n");
    html.element("p", &[], &scenarios_line(tally)).raw("\n");
    html.element("p", &[("class", "note")], crate::CAUTION).raw("\n</div>\n<div class=\"counts\">\n");
    let hazards = &tally.hazards;
    let groups = [
        ("Not met", "✗", hazards.which(|it| it.failed), false),
        ("Uncovered", "○", hazards.which(|it| it.uncovered), true),
        ("Not decided", "?", hazards.which(|it| it.is_undecided()), false),
        ("Not tested", "·", hazards.which(|it| it.is_not_tested()), true),
        ("Shown to be met", "✓", hazards.which(|it| it.is_shown()), true),
    ];
    for (word, sign, ids, always) in groups {
        if ids.is_empty() && !always {
            continue;
        }
        html.raw("<p><b>").text(sign).raw(" ").text(word).raw(": ").text(&ids.len().to_string()).raw("</b> ");
        html.element("span", &[("class", "soft")], &if ids.is_empty() { "none".to_owned() } else { ids.join(", ") });
        html.raw("</p>\n");
    }
    html.raw("</div>\n");
    let mut counted =
        "Counted are the hazards that the scenarios of this session name, not all that a kiln has.".to_owned();
    let nobody = hazards.without_scenario();
    if !nobody.is_empty() {
        counted.push_str(&format!(" Of those of the library no scenario here is about {}.", nobody.join(", ")));
    }
    html.element("p", &[("class", "note")], &counted).raw("\n</section>\n");
}

/// `14 of 17 hazards shown, 1 not met, 2 uncovered, 0 not tested.`
pub(super) fn headline(tally: &Tally) -> String {
    let hazards = &tally.hazards;
    let count = |ids: Vec<&str>| ids.len();
    let mut line = format!("{} of {} hazards shown", count(hazards.which(|it| it.is_shown())), hazards.len());
    for (number, word, always) in [
        (count(hazards.which(|it| it.failed)), "not met", false),
        (count(hazards.which(|it| it.uncovered)), "uncovered", true),
        (count(hazards.which(|it| it.is_undecided())), "not decided", false),
        (count(hazards.which(|it| it.is_not_tested())), "not tested", true),
    ] {
        if always || number > 0 {
            line.push_str(&format!(", {number} {word}"));
        }
    }
    line.push('.');
    line
}

fn scenarios_line(tally: &Tally) -> String {
    let counts = [
        (tally.failed, "with an expectation not met"),
        (tally.errors, "broke down"),
        (tally.uncovered, "uncovered"),
        (tally.inconclusive, "not decided"),
        (tally.not_run, "not run"),
        (tally.not_applicable, "not applicable to this bench"),
        (tally.passed, "with every expectation met"),
    ];
    let parts: Vec<String> =
        counts.iter().filter(|(count, _)| *count > 0).map(|(count, word)| format!("{count} {word}")).collect();
    let scenarios = tally.distinct_scenarios;
    let plural = if scenarios == 1 { "scenario" } else { "scenarios" };
    let runs = if tally.scenarios() > scenarios { format!("{} runs of ", tally.scenarios()) } else { String::new() };
    let mut line = format!(
        "Of {runs}{scenarios} {plural}: {}.",
        if parts.is_empty() { "none run".to_owned() } else { parts.join(", ") }
    );
    if tally.failed_expectations > 0 {
        let plural = if tally.failed_expectations == 1 { "expectation was" } else { "expectations were" };
        line.push_str(&format!(" {} {plural} not met in all.", tally.failed_expectations));
    }
    line
}

fn entry(html: &mut Html, name: &str, body: &str) {
    html.element("dt", &[], name).element("dd", &[], body).raw("\n");
}

fn tested(html: &mut Html, record: &Record, seal: &Seal) -> Result<(), RecordError> {
    let session = record.session();
    let facts = &session.facts;
    html.raw("<section aria-labelledby=\"tested\">\n<h2 id=\"tested\">What was tested, on what, and when</h2>\n");
    html.raw("<dl class=\"facts\">\n");
    entry(html, "Controller", &facts.controller);
    for fact in record.facts_about(topic::FIRMWARE) {
        let name = match fact.name.as_str() {
            "version" => "Firmware version".to_owned(),
            "image" => "Firmware image".to_owned(),
            "identity established by" => "How that is known".to_owned(),
            other => format!("Firmware, {other}"),
        };
        entry(html, &name, &format!("{} ({})", fact.value, fact.source));
    }
    if record.files().iter().all(|file| file.role != FileRole::Image) {
        entry(html, "Firmware image", "none named by the bench file, so none hashed");
    }
    entry(html, "Bench", &format!("{}, {}", facts.bench, bench_words(&facts.bench_kind)));
    for identity in identities(record) {
        entry(html, "Rig and what it said of itself", &identity);
    }
    let calibration: Vec<String> = record
        .facts_about(topic::CALIBRATION)
        // What they are made of stands at the end.
        .filter(|fact| !fact.name.contains(", line "))
        .map(|fact| format!("{} {} ({})", fact.name, fact.value, fact.source))
        .collect();
    entry(
        html,
        "Calibration and uncertainty",
        &if calibration.is_empty() { "nothing is recorded of it".to_owned() } else { calibration.join("; ") },
    );
    let settings: Vec<&str> = record.facts_about(topic::SETTING).map(|fact| fact.value.as_str()).collect();
    entry(
        html,
        "Settings changed for the test",
        &if settings.is_empty() { "none told".to_owned() } else { settings.join("; ") },
    );
    for fact in record.facts_about(topic::DEFECT) {
        entry(html, "Defect switched on", &fact.value);
    }
    let notes = record.notes()?;
    let proofs: Vec<&str> = notes.iter().filter(|note| note.kind == "proof").map(|note| note.text.as_str()).collect();
    entry(
        html,
        "Whether the bench can fail",
        &if proofs.is_empty() { "nothing is recorded of it".to_owned() } else { proofs.join("; then ") },
    );
    let ended = session.ended_at.as_deref().unwrap_or("not ended");
    let resumed = match session.resumed {
        0 => String::new(),
        1 => ", taken up again once".to_owned(),
        times => format!(", taken up again {times} times"),
    };
    entry(html, "When (UTC)", &format!("{} to {ended}{resumed}", facts.began_at));
    entry(html, "With", &format!("{}, seed {}, on {}", facts.tool, facts.seed, facts.host));
    html.raw("<dt>Record</dt><dd>");
    match seal {
        Seal::Finished { sha256, bytes } => {
            html.raw("SHA-256 ").element("span", &[("class", "hash")], sha256);
            html.text(&format!(", {bytes} bytes; a hash shows accidents, only a signature who vouches for it"));
        }
        Seal::Unfinished => {
            html.text("unfinished, so there is no hash that will stay");
        }
    }
    html.raw("</dd>\n</dl>\n</section>\n");
    Ok(())
}

/// What the bench said of itself, each once.
fn identities(record: &Record) -> Vec<String> {
    let mut identities: Vec<String> = Vec::new();
    for identity in record.runs().iter().filter_map(|run| run.identity.as_ref()) {
        if !identities.contains(identity) {
            identities.push(identity.clone());
        }
    }
    const MOST: usize = 3;
    if identities.len() > MOST {
        let more = identities.len() - MOST;
        identities.truncate(MOST);
        identities.push(format!("and {more} others; each run names its own"));
    }
    if identities.is_empty() {
        identities.push("nothing is recorded of it".to_owned());
    }
    identities
}

/// The smallest margins of what was met, by unit; seconds and degrees cannot be compared.
fn tight(html: &mut Html, record: &Record) {
    html.raw("<section aria-labelledby=\"tight\">\n<h2 id=\"tight\">Tightest margins of what was met</h2>\n");
    let mut margins: Vec<(Margin, &Run, &FindingReport)> = Vec::new();
    for run in record.runs().iter().filter(|run| standing_word(run) == "pass") {
        for report in run.standing().into_iter().flat_map(|result| &result.findings) {
            if let Some(margin) = report.finding.margin {
                margins.push((margin, run, report));
            }
        }
    }
    if margins.is_empty() {
        html.raw("<p>No expectation that was met has a margin.</p>\n</section>\n");
        return;
    }
    margins.sort_by_key(|(margin, ..)| (unit(*margin), size(*margin)));
    html.raw("<section class=\"wide\" tabindex=\"0\" aria-label=\"Tightest margins\">\n<table>\n<thead><tr>");
    html.raw("<th scope=\"col\" class=\"num\">Margin</th><th scope=\"col\" class=\"num\">Seen</th>");
    html.raw("<th scope=\"col\" class=\"num\">Uncertainty</th>");
    html.raw("<th scope=\"col\">Expectation</th><th scope=\"col\">Scenario</th></tr></thead>\n<tbody>\n");
    let mut listed: Vec<(usize, &str, &str)> = Vec::new();
    for (margin, run, report) in margins {
        let (seen, uncertainty) = (report.finding.seen, report.finding.uncertainty);
        let this = (unit(margin), run.planned.scenario.as_str(), report.name.as_str());
        // Of runs of the same scenario only the tightest says anything.
        if listed.contains(&this) || listed.iter().filter(|it| it.0 == this.0).count() >= MOST_TIGHT {
            continue;
        }
        listed.push(this);
        html.raw("<tr>").element("td", &[("class", "num")], &signed_margin(margin));
        html.element("td", &[("class", "num")], &seen.map(value).unwrap_or_default());
        html.element("td", &[("class", "num")], &uncertainty.map(plus_minus).unwrap_or_default());
        html.element("td", &[], &report.name).raw("<td>");
        link(html, run);
        html.raw("</td></tr>\n");
    }
    html.raw("</tbody>\n</table>\n</section>\n</section>\n");
}

pub(super) fn plus_minus(uncertainty: Margin) -> String {
    if size(uncertainty) == 0 { "–".to_owned() } else { format!("±{}", value(uncertainty)) }
}

fn unit(margin: Margin) -> usize {
    match margin {
        Margin::Time(_) => 0,
        Margin::Temperature(_) => 1,
        Margin::Rate(_) => 2,
        Margin::Duty(_) => 3,
        Margin::Count(_) => 4,
    }
}

pub(super) fn link(html: &mut Html, run: &Run) {
    html.element("a", &[("href", &format!("#{}", anchor(run)))], &title(run));
}

/// What whoever holds this page does now, the most pressing first.
fn next(html: &mut Html, record: &Record, recorded: &Recorded, tally: &Tally) {
    let hazards = &tally.hazards;
    let mut steps: Vec<String> = Vec::new();
    if recorded.interrupted {
        steps.push("Finish the session: dryfire run --resume with this record.".to_owned());
    }
    if !recorded.head.defects.is_empty() {
        steps.push(
            "Run again without any defect switched on before anything is concluded: what was not met here may be their \
             doing."
                .to_owned(),
        );
    }
    let listed = |ids: Vec<&str>| ids.join(", ");
    for (ids, what) in [
        (hazards.which(|it| it.failed), "Mend the controller, and run again everything, not only what was not met"),
        (
            hazards.which(|it| it.uncovered),
            "Fit a means that takes the heat off (the single-fault table names what is missing); do not fire without it",
        ),
        (
            hazards.which(|it| it.is_undecided()),
            "Find out why it was not decided (each scenario below says so), and run again",
        ),
        (hazards.which(|it| it.is_not_tested()), "Run the scenarios that were left out, or test by other means"),
    ] {
        if !ids.is_empty() {
            steps.push(format!("{what}: {}.", listed(ids)));
        }
    }
    if tally.errors > 0 {
        steps.push("Find out why the bench broke down; until then nothing is known of these scenarios.".to_owned());
    }
    let open = !steps.is_empty();
    match record.session().facts.bench_kind.as_str() {
        "virtual" => steps.push(
            "This was the stand-in, not a controller of yours: describe yours in a bench file and run on it. Nobody \
             fires a kiln on this page."
                .to_owned(),
        ),
        "program" => steps.push(
            "This was the logic alone: run the same scenarios on a rig with the real board before a firing.".to_owned(),
        ),
        _ => steps.push(
            "Take the rig off; refit probes with the right polarity; read back type, offset and limits; set back every \
             setting that was changed for the test."
                .to_owned(),
        ),
    }
    if open {
        steps.push("Do not fire before all of this is done and a new report says so.".to_owned());
    }
    steps.push("Check the record (dryfire verify), read the scenarios below, then sign.".to_owned());
    steps.push(
        "Have the independent high limit, the disconnect and the wiring checked by a licensed electrician; then one \
         supervised firing with a witness cone."
            .to_owned(),
    );
    html.raw("<section aria-labelledby=\"next\">\n<h2 id=\"next\">What to do next</h2>\n<ol>\n");
    for step in steps {
        html.element("li", &[], &step).raw("\n");
    }
    html.raw("</ol>\n</section>\n");
}

fn signature(html: &mut Html) {
    html.raw("<section class=\"signed\" aria-labelledby=\"signed\">\n<h2 id=\"signed\">Read and signed</h2>\n");
    html.element("p", &[("class", "note")], words::SIGNED_FOR).raw("\n<div class=\"sign\">\n");
    for place in ["Name and trade", "Signature", "Date"] {
        html.element("p", &[], place).raw("\n");
    }
    html.raw("</div>\n</section>\n");
}

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

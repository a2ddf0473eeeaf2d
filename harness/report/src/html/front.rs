//! The first page: what was tested, what is shown and what is not, what to do next, cautions, signature.

use dryfire_judge::Margin;
use dryfire_record::{FileRole, Record, RecordError, Run, topic};

use super::Seal;
use super::margins;
use super::markup::Html;
use super::words::{self, bench_words};
use crate::quantity::size;
use crate::recorded::{AFTER_NOTE, BEFORE_NOTE, Recorded, title};
use crate::{Tally, value};

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
    result(html, record, recorded, tally);
    margins::not_met(html, record);
    tested(html, record, seal)?;
    next(html, record, recorded, tally);
    margins::tight(html, record);
    html.raw("<aside class=\"cautions\" aria-label=\"Cautions\">\n<h3>Cautions</h3>\n<ul>\n");
    for caution in words::CAUTIONS {
        html.element("li", &[], caution).raw("\n");
    }
    html.raw("</ul>\n</aside>\n");
    signature(html);
    Ok(())
}

/// Everything counted, in sentences that cannot be taken for more than they say.
fn result(html: &mut Html, record: &Record, recorded: &Recorded, tally: &Tally) {
    html.raw("<section aria-labelledby=\"result\">\n<h2 id=\"result\">Result</h2>\n<div class=\"result\">\n");
    if recorded.interrupted {
        html.element("p", &[("class", "stop")], words::UNFINISHED).raw("\n");
    }
    for why in &recorded.mixed {
        html.element("p", &[("class", "stop")], &format!("{} {why}.", words::MIXED)).raw("\n");
    }
    if !recorded.head.defects.is_empty() {
        html.element("p", &[("class", "stop")], words::DEFECTIVE).raw("\n");
    }
    html.element("p", &[("class", "most")], &headline(tally)).raw("\n");
    let mut counted = scenarios_line(tally);
    for picked in record.facts_about(topic::SELECTION) {
        if picked.name == topic::SELECTION_PART {
            html.element("p", &[("class", "stop")], &format!("{}.", picked.value)).raw("\n");
        } else {
            counted.push_str(&format!(" {}.", picked.value));
        }
    }
    html.element("p", &[], &counted).raw("\n");
    html.element("p", &[("class", "note")], crate::CAUTION).raw("\n</div>\n<div class=\"counts\">\n");
    let hazards = &tally.hazards;
    // Beside hazards that nobody tested, "not tested: none" would be read for more than it says.
    let all_have_scenarios = hazards.without_scenario().is_empty();
    let groups = [
        ("Not met", "✗", hazards.which(|it| it.failed), false),
        ("Uncovered", "○", hazards.which(|it| it.uncovered), true),
        ("Not decided", "?", hazards.which(|it| it.is_undecided()), false),
        ("Not tested", "·", hazards.which(|it| it.is_not_tested()), all_have_scenarios),
        ("Without a scenario here, so not tested either", "·", hazards.without_scenario(), false),
        ("Shown", "✓", hazards.which(|it| it.is_shown()), true),
    ];
    for (word, sign, ids, _) in groups.iter().filter(|(.., ids, _)| !ids.is_empty()) {
        html.raw("<p><b>").text(sign).raw(" ").text(word).raw(": ").text(&ids.len().to_string()).raw("</b> ");
        html.element("span", &[("class", "soft")], &ids.join(", ")).raw("</p>\n");
    }
    let none = groups.iter().filter(|(.., ids, always)| ids.is_empty() && *always);
    let none: Vec<String> = none.map(|(word, sign, ..)| format!("{sign} {word}: none")).collect();
    if !none.is_empty() {
        html.element("p", &[], &none.join("; ")).raw("\n");
    }
    html.raw("</div>\n");
    html.element("p", &[("class", "note")], words::SHOWN).raw("\n</section>\n");
}

/// `14 of 17 hazards shown, 1 not met, 2 uncovered, 0 not tested; 11 more, without a scenario here, are not tested either.`
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
    match hazards.without_scenario().len() {
        0 => {}
        1 => line.push_str("; 1 more, without a scenario here, is not tested either"),
        more => line.push_str(&format!("; {more} more, without a scenario here, are not tested either")),
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
    format!(
        "Of {runs}{scenarios} {plural}: {}.",
        if parts.is_empty() { "none run".to_owned() } else { parts.join(", ") }
    )
}

fn entry(html: &mut Html, name: &str, body: &str) {
    html.element("dt", &[], name).element("dd", &[], body).raw("\n");
}

fn tested(html: &mut Html, record: &Record, seal: &Seal) -> Result<(), RecordError> {
    let session = record.session();
    let facts = &session.facts;
    html.raw("<section aria-labelledby=\"tested\">\n<h2 id=\"tested\">What was tested, on what, and when</h2>\n");
    html.raw("<dl class=\"facts\">\n");
    for fact in record.facts_about(topic::FIRMWARE) {
        let name = match fact.name.as_str() {
            "version" => "Firmware version".to_owned(),
            "image" => "Firmware image".to_owned(),
            "identity established by" => "How the firmware is known".to_owned(),
            other => format!("Firmware, {other}"),
        };
        entry(html, &name, &format!("{} ({})", fact.value, fact.source));
    }
    if record.files().iter().all(|file| file.role != FileRole::Image) {
        entry(html, "Firmware image", "none named by the bench file, so none hashed");
    }
    entry(html, "Bench", &format!("{}, {}", facts.bench, bench_words(&facts.bench_kind)));
    // A stand-in says nothing of itself that the bench's kind does not say.
    for identity in identities(record).iter().filter(|_| facts.bench_kind != "virtual") {
        entry(html, "What it said of itself", identity);
    }
    let calibration: Vec<String> = record
        .facts_about(topic::CALIBRATION)
        // What they are made of stands at the end.
        .filter(|fact| !fact.name.contains(", line "))
        .map(|fact| {
            let value = fact.value.split_once(", from ").map_or(fact.value.as_str(), |(value, _)| value);
            format!("{} {value} ({})", fact.name.trim_end_matches(", expanded uncertainty"), fact.source)
        })
        .collect();
    entry(
        html,
        "Calibration and uncertainty",
        &if calibration.is_empty() {
            "nothing is recorded of it".to_owned()
        } else {
            // Only a rig has anything to calibrate.
            let none = if facts.bench_kind == "rig" { "" } else { "no calibration; uncertainty as stated, " };
            format!("{none}expanded: {}", calibration.join("; "))
        },
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
    if facts.bench_kind == "rig" {
        for (kind, name) in [(BEFORE_NOTE, "Seen to before the first run"), (AFTER_NOTE, "Seen to after the last run")]
        {
            let of_kind = notes.iter().filter(|note| note.kind == kind);
            let told: Vec<String> = of_kind.map(|note| format!("{} ({})", note.text, note.at)).collect();
            entry(html, name, &if told.is_empty() { "nothing is recorded of it".to_owned() } else { told.join("; ") });
        }
    }
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
            html.text(&format!(", {bytes}\u{a0}B"));
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

pub(super) fn plus_minus(uncertainty: Margin) -> String {
    if size(uncertainty) == 0 { "–".to_owned() } else { format!("±{}", value(uncertainty)) }
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
    if tally.mixed {
        steps.push(
            "Find out which firmware is on the controller, and run everything again with that one alone.".to_owned(),
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
            hazards.which(|it| it.is_undecided() && !tally.mixed),
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
    if record.facts_about(topic::SELECTION).any(|fact| fact.name == topic::SELECTION_PART) {
        steps.push("Run everything: this was a part of the scenarios that were there.".to_owned());
    }
    let nobody = tally.hazards.without_scenario();
    if !nobody.is_empty() {
        steps.push(
            "Test what has no scenario here with others, or by other means; the hazards are named above.".to_owned(),
        );
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
        steps.push("Do not fire before the points above are done and have been tested again.".to_owned());
    }
    steps.push("Check the record (dryfire verify), read the scenarios below, then sign.".to_owned());
    steps.push(
        "Let a licensed electrician check high limit, disconnect and wiring; then one supervised firing with a witness \
         cone."
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

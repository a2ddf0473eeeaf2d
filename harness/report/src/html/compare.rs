//! Two records side by side as one HTML file, with the courses of both laid over each other.

use dryfire_record::{Record, RecordError, Run};
use dryfire_units::RigTime;

use super::markup::Html;
use super::overlay::overlay;
use super::standing::Mark;
use super::{page_end, page_head};
use crate::compare::{
    Change, Comparison, MarginPair, ScenarioPair, Side, Told, compared_sentence, difference_words, expectation_from_to,
    plural, spread_words, tallied, worst,
};
use crate::{ExitStatus, signed_margin};

/// A comparison as HTML.
///
/// # Errors
/// When a record cannot be read.
pub fn compare_html(comparison: &Comparison, old: &Record, new: &Record) -> Result<String, RecordError> {
    let mut html = Html::new();
    page_head(&mut html, &comparison.new.controller, ": two records of bench tests compared");
    html.raw("<header class=\"top\">\n<p class=\"kind\">Two records of bench tests, side by side</p>\n");
    html.element("h1", &[], &comparison.new.controller).raw("\n</header>\n<main>\n");
    result(&mut html, comparison);
    sides(&mut html, comparison);
    scenarios(&mut html, comparison);
    margins(&mut html, comparison);
    reactions(&mut html, comparison);
    for index in worst_first(comparison) {
        section(&mut html, index, &comparison.scenarios[index], old, new)?;
    }
    page_end(&mut html);
    Ok(html.into_string())
}

fn result(html: &mut Html, comparison: &Comparison) {
    html.raw("<section aria-labelledby=\"result\">\n<h2 id=\"result\">What changed</h2>\n<div class=\"result\">\n");
    for (side, which) in [(&comparison.old, "old"), (&comparison.new, "new")] {
        if !side.finished {
            let line = format!("The {which} record is unfinished: as a whole it shows nothing.");
            html.element("p", &[("class", "stop")], &line).raw("\n");
        }
        for why in &side.mixed {
            let line = format!("The {which} record is not about one firmware: {why}. As a whole it shows nothing.");
            html.element("p", &[("class", "stop")], &line).raw("\n");
        }
    }
    let line = match comparison.exit_status() {
        ExitStatus::Failed => "Something is worse.",
        ExitStatus::Inconclusive => "Nothing is seen to be worse, and something can no longer be said.",
        _ => "Nothing is seen to be worse.",
    };
    html.element("p", &[("class", "most")], line).raw("\n");
    html.element("p", &[], &format!("{}.", comparison.headline())).raw("\n</div>\n");
    named(html, comparison);
    html.element("p", &[("class", "note")], compared_sentence()).raw("\n");
    let counts = comparison.counts();
    if counts.cannot_tell > 0 {
        let pairs = comparison.scenarios.iter().flat_map(|it| &it.expectations).filter_map(|it| it.margin);
        let why = pairs.filter_map(|it| if let Told::CannotTell { why } = it.told { Some(why) } else { None });
        html.element("p", &[], &format!("Margins of which nothing can be told: {}.", tallied(why))).raw("\n");
    }
    html.raw("</section>\n");
}

/// Scenarios of a kind that are named on the first sheet.
const MOST_NAMED: usize = 8;

/// What changed, by name.
fn named(html: &mut Html, comparison: &Comparison) {
    let scenarios = |is_so: &dyn Fn(&ScenarioPair) -> bool| {
        let names = comparison.scenarios.iter().filter(|it| is_so(it)).map(|it| it.name.clone());
        names.collect::<Vec<String>>()
    };
    let margins = |is_so: fn(Told) -> bool| {
        let pairs = comparison.scenarios.iter().flat_map(|it| it.expectations.iter().map(move |one| (it, one)));
        let pairs = pairs.filter(|(_, one)| one.margin.is_some_and(|margin| is_so(margin.told)));
        pairs.map(|(it, one)| format!("{} in {}", one.name, it.name)).collect::<Vec<String>>()
    };
    for (word, mut names) in [
        ("▼ Worse", scenarios(&|it| it.change == Change::Worse)),
        ("▼ Margin shrunk", margins(|told| matches!(told, Told::Shrunk { .. }))),
        ("? To be looked at", scenarios(&|it| it.change == Change::Otherwise && !it.new.is_empty())),
        ("− Gone", scenarios(&|it| it.new.is_empty())),
        ("▲ Better", scenarios(&|it| it.change == Change::Better)),
        ("▲ Margin grown", margins(|told| matches!(told, Told::Grown { .. }))),
        ("+ Added", scenarios(&|it| it.old.is_empty())),
    ] {
        if names.is_empty() {
            continue;
        }
        let count = names.len().to_string();
        if names.len() > MOST_NAMED {
            names.truncate(MOST_NAMED);
            names.push("and others, all in the tables below".to_owned());
        }
        html.raw("<p><b>").text(word).raw(": ").text(&count).raw("</b> ");
        html.element("span", &[("class", "soft")], &names.join("; ")).raw("</p>\n");
    }
}

/// The places of the scenarios, what changed first.
fn worst_first(comparison: &Comparison) -> Vec<usize> {
    let mut order: Vec<usize> = (0..comparison.scenarios.len()).collect();
    order.sort_by_key(|index| {
        let scenario = &comparison.scenarios[*index];
        (scenario.change, is_unchanged(scenario))
    });
    order
}

/// Whether neither its verdict nor any margin is seen to have changed, and it asks for the same.
fn is_unchanged(scenario: &ScenarioPair) -> bool {
    let told = |margin: MarginPair| matches!(margin.told, Told::Shrunk { .. } | Told::Grown { .. });
    scenario.change == Change::Same
        && scenario.other_run.is_none()
        && !scenario.old.is_empty()
        && scenario
            .expectations
            .iter()
            .all(|it| it.change == Change::Same && !it.asks_otherwise && !it.margin.is_some_and(told))
}

fn sides(html: &mut Html, comparison: &Comparison) {
    html.raw("<section aria-labelledby=\"sides\">\n<h2 id=\"sides\">What is compared</h2>\n<dl class=\"facts\">\n");
    let words = |side: &Side| {
        format!(
            "{}; firmware {}; on {}; {} of {}; begun {}; {}, seed {}",
            side.controller,
            side.firmware,
            side.bench,
            plural(side.runs, "run"),
            plural(side.scenarios, "scenario"),
            side.began_at,
            side.tool,
            side.seed
        )
    };
    html.element("dt", &[], "Old").element("dd", &[], &words(&comparison.old)).raw("\n");
    html.element("dt", &[], "New").element("dd", &[], &words(&comparison.new)).raw("\n</dl>\n");
    if comparison.differing.is_empty() {
        html.raw("<p>Controller, firmware, bench, kiln, program and seed are the same on both sides.</p>\n");
    } else {
        html.raw("<h3>What else is not the same</h3>\n");
        table_head(html, "What else is not the same", &["What", "Old", "New"]);
        for one in &comparison.differing {
            let what =
                if one.of_the_controller { one.what.clone() } else { format!("{} (may be the reason)", one.what) };
            html.raw("<tr>").element("th", &[("scope", "row")], &what);
            html.element("td", &[("class", "any")], &one.old).element("td", &[("class", "any")], &one.new);
            html.raw("</tr>\n");
        }
        table_end(html);
    }
    html.raw("</section>\n");
}

fn table_head(html: &mut Html, label: &str, columns: &[&'static str]) {
    // The section around it has the name alone.
    let label = format!("Table: {label}");
    html.open("section", &[("class", "wide"), ("tabindex", "0"), ("aria-label", &label)]);
    html.raw("\n<table>\n<thead><tr>");
    for column in columns {
        // A number stands right, and so does what is above it.
        match column.strip_prefix('#') {
            Some(column) => html.element("th", &[("scope", "col"), ("class", "num")], column),
            None => html.element("th", &[("scope", "col")], column),
        };
    }
    html.raw("</tr></thead>\n<tbody>\n");
}

fn table_end(html: &mut Html) {
    html.raw("</tbody>\n</table>\n</section>\n");
}

fn anchor(index: usize) -> String {
    format!("scenario-{}", index + 1)
}

fn link(html: &mut Html, index: usize, name: &str) {
    html.element("a", &[("href", &format!("#{}", anchor(index)))], name);
}

/// The word, with a sign that says it again.
fn change_words(scenario: &ScenarioPair) -> (&'static str, &'static str) {
    match (scenario.change, scenario.old.is_empty(), scenario.new.is_empty()) {
        (_, true, _) => ("+ added", "mark"),
        (_, _, true) => ("− gone", "mark warn"),
        (Change::Worse, ..) => ("▼ worse", "mark bad"),
        (Change::Better, ..) => ("▲ better", "mark good"),
        (Change::Otherwise, ..) => ("? look", "mark warn"),
        (Change::Same, ..) => ("= same", "mark"),
    }
}

fn side_words(html: &mut Html, words: &[&'static str]) {
    let Some(word) = worst(words) else {
        html.text("not there");
        return;
    };
    Mark::of_word(word).write(html);
    if words.iter().any(|other| *other != word) {
        let words = words.iter().map(|word| Mark::of_word(word).word);
        html.raw(" <span class=\"note\">").text(&format!("({})", tallied(words))).raw("</span>");
    }
}

fn scenarios(html: &mut Html, comparison: &Comparison) {
    html.raw("<section class=\"second\" aria-labelledby=\"scenarios\">\n<h2 id=\"scenarios\">Scenarios</h2>\n");
    if comparison.scenarios.iter().any(is_unchanged) {
        let note = "On paper only those scenarios and margins follow of which something is seen to have changed; on a \
                    screen all do.";
        html.element("p", &[("class", "note")], note).raw("\n");
    }
    table_head(html, "Scenarios", &["Changed", "Scenario", "Old", "New"]);
    for index in worst_first(comparison) {
        let scenario = &comparison.scenarios[index];
        let (word, class) = change_words(scenario);
        html.raw("<tr><td>").element("span", &[("class", class)], word).raw("</td><th scope=\"row\">");
        link(html, index, &scenario.name);
        html.raw("</th><td>");
        side_words(html, &scenario.old);
        html.raw("</td><td>");
        side_words(html, &scenario.new);
        html.raw("</td></tr>\n");
    }
    table_end(html);
    html.raw("</section>\n");
}

fn margins(html: &mut Html, comparison: &Comparison) {
    html.raw("<section class=\"second\" aria-labelledby=\"margins\">\n<h2 id=\"margins\">Margins</h2>\n");
    let note = "Means of the runs of each side. A difference counts where it is larger than its expanded uncertainty, \
                which is that of both means and of both measurements; the coverage factor k is so large that in at \
                least 95 of 100 comparisons in which nothing changed none of all these margins is called changed.";
    html.element("p", &[("class", "note")], note).raw("\n");
    table_head(html, "Margins", &["Told", "#Old", "#New", "Difference", "Expectation"]);
    let rank = |told: Told| match told {
        Told::Shrunk { .. } => 0,
        Told::Grown { .. } => 1,
        Told::CannotTell { .. } => 2,
        Told::Within { .. } => 3,
    };
    let mut rows = Vec::new();
    for (index, scenario) in comparison.scenarios.iter().enumerate() {
        rows.extend(scenario.expectations.iter().filter_map(|it| Some((it.margin?, index, scenario, it))));
    }
    rows.sort_by_key(|(margin, ..)| rank(margin.told));
    for (margin, index, scenario, expectation) in rows {
        let (word, class) = match margin.told {
            Told::Shrunk { .. } => ("▼ shrunk", "mark bad"),
            Told::Grown { .. } => ("▲ grown", "mark good"),
            Told::Within { .. } => ("= within", "mark"),
            Told::CannotTell { .. } => ("? cannot tell", "mark warn"),
        };
        let quiet = matches!(margin.told, Told::Within { .. } | Told::CannotTell { .. });
        html.raw(if quiet { "<tr class=\"quiet\"><td>" } else { "<tr><td>" });
        html.element("span", &[("class", class)], word).raw("</td>");
        html.element("td", &[("class", "num")], &signed_margin(margin.old.mean));
        html.element("td", &[("class", "num")], &signed_margin(margin.new.mean));
        let difference = match margin.told {
            Told::CannotTell { why } => why.to_owned(),
            told => difference_words(told),
        };
        html.element("td", &[], &difference).raw("<td>").text(&expectation.name).raw("<br><span class=\"note\">");
        link(html, index, &scenario.name);
        html.raw("</span></td></tr>\n");
    }
    table_end(html);
    html.raw("</section>\n");
}

fn reactions(html: &mut Html, comparison: &Comparison) {
    html.raw("<section class=\"second\" aria-labelledby=\"reactions\">\n<h2 id=\"reactions\">Reaction times</h2>\n");
    html.raw(
        "<p class=\"note\">Mean, and in brackets least to greatest, standard deviation s and number of runs.</p>\n",
    );
    table_head(html, "Reaction times", &["Old", "New", "Expectation"]);
    for (index, scenario) in comparison.scenarios.iter().enumerate() {
        for expectation in &scenario.expectations {
            let Some((old, new)) = expectation.reaction else { continue };
            html.raw("<tr>").element("td", &[], &spread_words(old)).element("td", &[], &spread_words(new));
            html.raw("<td>").text(&expectation.name).raw("<br><span class=\"note\">");
            link(html, index, &scenario.name);
            html.raw("</span></td></tr>\n");
        }
    }
    table_end(html);
    html.raw("</section>\n");
}

fn section(
    html: &mut Html,
    index: usize,
    scenario: &ScenarioPair,
    old: &Record,
    new: &Record,
) -> Result<(), RecordError> {
    let id = anchor(index);
    let class = if is_unchanged(scenario) { "run quiet" } else { "run" };
    html.open("section", &[("class", class), ("aria-labelledby", &id)]).raw("\n");
    html.open("h2", &[("id", &id)]).text(&scenario.name).close("h2").raw("\n<p>");
    let (word, class) = change_words(scenario);
    html.element("span", &[("class", class)], word).raw(": ");
    side_words(html, &scenario.old);
    html.raw(", now ");
    side_words(html, &scenario.new);
    html.raw(" · <a href=\"#scenarios\">all scenarios</a></p>\n");
    if let Some(key) = scenario.other_run {
        html.raw("<p class=\"bad\">The scenario file does something else now: its ").text(key);
        html.raw(" is not as it was. Margins are not compared.</p>\n");
    }
    table_head(
        html,
        &format!("Expectations: {}", scenario.name),
        &["Expectation", "Came to", "#Margin, old", "#New", "Told"],
    );
    for expectation in &scenario.expectations {
        html.raw("<tr>").element("th", &[("scope", "row")], &expectation.name);
        let mut came = expectation_from_to(expectation);
        if expectation.asks_otherwise {
            came.push_str("; it asks for something else now");
        }
        html.element("td", &[], &came);
        match expectation.margin {
            None => {
                html.raw("<td class=\"num\">–</td><td class=\"num\">–</td><td>no margin on both sides</td>");
            }
            Some(margin) => {
                html.element("td", &[("class", "num")], &signed_margin(margin.old.mean));
                html.element("td", &[("class", "num")], &signed_margin(margin.new.mean));
                let told = match margin.told {
                    Told::CannotTell { why } => format!("cannot tell: {why}"),
                    told => format!("{}: {}", told.word(), difference_words(told)),
                };
                html.element("td", &[], &told);
            }
        }
        html.raw("</tr>\n");
    }
    table_end(html);
    let run = |record, number: Option<usize>| shown(record, number);
    let (was, is) = (run(old, scenario.shown.0), run(new, scenario.shown.1));
    match was.zip(is) {
        None => {
            html.raw("<p class=\"note\">There is no run on both sides to lay over each other.</p>\n");
        }
        Some((was, is)) => {
            if was.repetition.is_some() || is.repetition.is_some() {
                let words = |run: &Run| {
                    run.repetition.map_or("its only run".to_owned(), |(which, all)| format!("run {which} of {all}"))
                };
                let line = format!(
                    "Drawn are old {}, new {}: of those that came to the worst, the one with the smallest margin.",
                    words(was),
                    words(is)
                );
                html.element("p", &[("class", "note")], &line).raw("\n");
            }
            let changed = |name: &str| {
                let of_it = scenario.expectations.iter().find(|it| it.name == name);
                of_it.is_some_and(|it| {
                    it.change != Change::Same
                        || it
                            .margin
                            .is_some_and(|margin| matches!(margin.told, Told::Shrunk { .. } | Told::Grown { .. }))
                })
            };
            let overlay = overlay((old, was), (new, is), &id, &changed)?;
            for plot in &overlay.plots {
                html.raw("<figure>\n<figcaption>").text(&plot.title).raw("</figcaption>\n");
                html.open("section", &[("class", "wide"), ("tabindex", "0"), ("aria-label", &plot.title)]);
                html.raw("\n").append(&plot.svg()).raw("</section>\n</figure>\n");
            }
            for sentence in &overlay.left_out {
                html.element("p", &[("class", "note")], sentence).raw("\n");
            }
            table_head(html, &format!("What was done: {}", scenario.name), &["#No.", "#Old", "#New", "What was done"]);
            for done in &overlay.done {
                let at = |at: i64| RigTime::from_micros(at).to_string();
                html.raw("<tr>").element("td", &[("class", "num")], &done.number.to_string());
                html.element("td", &[("class", "num")], &done.old.map_or("–".to_owned(), at));
                html.element("td", &[("class", "num")], &at(done.new)).element("td", &[], &done.text).raw("</tr>\n");
            }
            table_end(html);
        }
    }
    html.raw("</section>\n");
    Ok(())
}

fn shown(record: &Record, number: Option<usize>) -> Option<&Run> {
    record.runs().get(number?.checked_sub(1)?)
}

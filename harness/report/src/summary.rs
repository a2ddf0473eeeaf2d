//! The summary that a session ends with, for a terminal of any width.

use std::collections::BTreeMap;

use dryfire_engine::{Applicability, FindingReport, ScenarioResult};
use dryfire_judge::{Finding, Margin, Verdict};
use dryfire_kiln::HeatWork;

use crate::heat_work::sentences;
use crate::quantity::{factor, signed_margin, size, value};
use crate::recorded::numbered;
use crate::standing::{Tally, failed_expectations, verdict_of};
use crate::text::{Line, Style, Text, display_width, wrap};
use crate::words::{reason_sentence, trouble_sentence};
use crate::{Hazards, Outcome, SessionHead, Sweeps};

/// The line that closes every summary.
pub const CAUTION: &str = "This is evidence about a controller on a bench, not approval of a kiln: mains, relays, \
                           wiring and an independent high limit are not tested here.";

/// Wider lines are hard to follow with the eye.
pub(crate) const WIDEST: usize = 132;
/// Narrower terminals get lines that run over.
pub(crate) const NARROWEST: usize = 24;
/// Columns that the two columns of names need at least for a table to be of use.
const NAMES_AT_LEAST: usize = 46;
/// Between two columns.
const GAP: usize = 2;

/// The session in a table, what is behind everything that did not go well, what
/// each hazard came to, the headline and a caution; at most `width` columns.
/// Scenarios of one of the `sweeps` that passed share a row.
pub fn summary(head: &SessionHead, outcome: &Outcome<'_>, sweeps: &Sweeps, width: usize) -> Text {
    let width = width.clamp(NARROWEST, WIDEST);
    let tally = Tally::of(outcome);
    let repetitions = repetitions(outcome);
    let mut rows: Vec<Row<'_>> =
        outcome.results.iter().zip(&repetitions).map(|(result, repetition)| Row::of(result, *repetition)).collect();
    rows.sort_by_key(|row| row.standing);
    let not_run = outcome.not_run.iter().zip(&repetitions[outcome.results.len()..]);
    rows.extend(not_run.map(|(scenario, repetition)| Row::not_run(&scenario.scenario, *repetition)));
    let rows = sweeps_folded(folded(rows), sweeps);

    let mut text = Text::default();
    about(&mut text, head, width);
    text.gap();
    table(&mut text, &rows, width);
    if rows.iter().any(|row| row.shared) {
        let said = "Scenarios of one sweep that passed share a row, with the smallest margins of all of them.";
        text.push_wrapped(Line::new(), Style::Faint, said, width);
    }
    for (standing, title) in CHAPTERS {
        let of_it: Vec<&Row<'_>> = rows.iter().filter(|row| row.standing == standing).collect();
        chapter(&mut text, title, standing, &of_it, width);
    }
    heat_work(&mut text, outcome, width);
    hazards(&mut text, &tally.hazards, width);
    text.gap();
    for why in outcome.mixed {
        let line = format!("NOT ONE FIRMWARE, so no hazard is shown: {why}");
        text.push_wrapped(Line::new(), Style::Error, &line, width);
    }
    for line in headline(&tally) {
        text.push_wrapped(Line::new(), Style::Strong, &line, width);
    }
    text.push_wrapped(Line::new(), Style::Faint, CAUTION, width);
    text
}

/// Of every result, and of every scenario that was not run: which of how many runs of its scenario it is.
fn repetitions(outcome: &Outcome<'_>) -> Vec<Option<(usize, usize)>> {
    let names = outcome.results.iter().map(|result| result.scenario.as_str());
    let names: Vec<&str> = names.chain(outcome.not_run.iter().map(|scenario| scenario.scenario.as_str())).collect();
    let mut counts: BTreeMap<&str, (usize, usize)> = BTreeMap::new();
    names.iter().for_each(|name| counts.entry(name).or_default().1 += 1);
    let repetition = names.into_iter().map(|name| {
        let (before, all) = counts.get_mut(name)?;
        *before += 1;
        (*all > 1).then_some((*before, *all))
    });
    repetition.collect()
}

/// Runs of one scenario of which nothing has to be explained one by one share a row: that of the
/// smallest margins.
fn folded(rows: Vec<Row<'_>>) -> Vec<Row<'_>> {
    let mut folded: Vec<Row<'_>> = Vec::new();
    for row in rows {
        let folds =
            matches!(row.standing, Standing::Passed | Standing::Uncovered | Standing::NotApplicable | Standing::NotRun);
        let same = |known: &&mut Row<'_>| known.standing == row.standing && known.scenario == row.scenario;
        match folded.iter_mut().find(same).filter(|_| folds) {
            None => folded.push(row),
            Some(known) => {
                known.runs.extend(row.runs);
                known.results.extend(row.results);
            }
        }
    }
    for row in &mut folded {
        row.label = match (row.runs.as_slice(), row.of) {
            ([], _) => row.scenario.to_owned(),
            ([run], all) => numbered(row.scenario, Some((*run, all))),
            (runs, all) if runs.len() == all => format!("{} (all {all} runs)", row.scenario),
            (runs, all) => format!("{} ({} of {all} runs)", row.scenario, runs.len()),
        };
        if row.standing == Standing::Passed {
            row.decided = tightest(&row.results);
        }
    }
    folded
}

/// Scenarios of one sweep that passed share a row: that of the smallest margins. Whatever else came of one has a
/// row of its own, as has one that was repeated.
fn sweeps_folded<'a>(rows: Vec<Row<'a>>, sweeps: &Sweeps) -> Vec<Row<'a>> {
    let mut folded: Vec<(Option<&str>, Vec<&str>, Row<'a>)> = Vec::new();
    for row in rows {
        let file = sweeps.file(row.scenario).filter(|_| row.standing == Standing::Passed && row.of == 1);
        match folded.iter_mut().find(|(known, ..)| file.is_some() && *known == file) {
            None => folded.push((file, vec![row.scenario], row)),
            Some((_, names, known)) => {
                names.push(row.scenario);
                known.results.extend(row.results);
            }
        }
    }
    let label = |(_, names, mut row): (Option<&str>, Vec<&str>, Row<'a>)| {
        if names.len() > 1 {
            row.label = sweeps.label(&names);
            row.decided = tightest(&row.results);
            row.shared = true;
        }
        row
    };
    folded.into_iter().map(label).collect()
}

/// What clean firings did to cones: for plausibility, never for a verdict. A firing in which no zone came to a cone is
/// left out here; its peaks are in the JSON lines and in the report.
fn heat_work(text: &mut Text, outcome: &Outcome<'_>, width: usize) {
    let fired: Vec<&ScenarioResult> = outcome
        .results
        .iter()
        .filter(|result| {
            result.heat_work.iter().any(|zone| matches!(zone.peak.heat_work(), Some(HeatWork::Bent { .. })))
        })
        .collect();
    if fired.is_empty() {
        return;
    }
    text.gap();
    let title =
        "Heat-work of clean firings (plausibility only: large cones, time at the top not counted, common practice)";
    text.push_wrapped(Line::new(), Style::Strong, title, width);
    for result in fired {
        text.push_wrapped(Line::new().with(Style::Plain, "  "), Style::Plain, &result.scenario, width);
        for line in sentences(&result.heat_work) {
            text.push_wrapped(Line::new().with(Style::Plain, "    "), Style::Plain, &line, width);
        }
    }
}

/// What counts most in one or two lines: the hazards, then the scenarios.
pub fn headline(tally: &Tally) -> Vec<String> {
    let hazards = &tally.hazards;
    let mut first = format!("{} of {} hazards shown", hazards.which(|it| it.is_shown()).len(), hazards.len());
    let mut count = |ids: Vec<&str>, word: &str, always: bool| {
        if always || !ids.is_empty() {
            first.push_str(&format!(", {} {word}", ids.len()));
        }
    };
    count(hazards.which(|it| it.failed), "failed", false);
    count(hazards.which(|it| it.uncovered), "uncovered", true);
    count(hazards.which(|it| it.is_undecided()), "undecided", false);
    count(hazards.which(|it| it.is_not_tested()), "not tested", true);

    let repeated = tally.distinct_scenarios < tally.scenarios();
    let mut second = plural(tally.distinct_scenarios, "scenario", "scenarios");
    if repeated {
        second = format!("{} runs of {second}", tally.scenarios());
    }
    second.push_str(": ");
    let mut parts = Vec::new();
    if tally.failed_expectations > 0 {
        let expectations = plural(tally.failed_expectations, "expectation", "expectations");
        let (one, many) = if repeated { ("run", "runs") } else { ("scenario", "scenarios") };
        let scenarios = plural(tally.scenarios_with_fails, one, many);
        parts.push(format!("{expectations} failed in {scenarios}"));
    }
    for (count, word) in [
        (tally.errors, "ended in error"),
        (tally.uncovered, "uncovered"),
        (tally.inconclusive, "inconclusive"),
        (tally.passed, "passed"),
        (tally.not_applicable, "not applicable"),
        (tally.not_run, "not run"),
    ] {
        if count > 0 {
            parts.push(format!("{count} {word}"));
        }
    }
    // A fail that no expectation explains must not vanish from the headline.
    let unexplained = tally.failed.saturating_sub(tally.scenarios_with_fails);
    if unexplained > 0 {
        parts.insert(0, format!("{unexplained} failed"));
    }
    if parts.is_empty() {
        parts.push("nothing to run".to_owned());
    }
    second.push_str(&parts.join(", "));
    let mut lines = Vec::new();
    if tally.interrupted {
        lines.push("Interrupted: what was not finished is not decided.".to_owned());
    }
    lines.extend([first, second]);
    lines
}

fn plural(count: usize, one: &str, many: &str) -> String {
    format!("{count} {}", if count == 1 { one } else { many })
}

/// How a scenario stands, worst first: the order of the table.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Standing {
    Failed,
    ErrorWithFails,
    Error,
    Uncovered,
    Inconclusive,
    Passed,
    NotApplicable,
    NotRun,
}

/// What is told at length, and under which title.
const CHAPTERS: [(Standing, &str); 6] = [
    (Standing::Failed, "Failed"),
    (Standing::ErrorWithFails, "Failed, and then broke down"),
    (Standing::Error, "Broke down"),
    (Standing::Uncovered, "Uncovered: nothing on this bench meets the hazard"),
    (Standing::Inconclusive, "Not decided"),
    (Standing::NotApplicable, "Not applicable here"),
];

impl Standing {
    fn mark(self) -> &'static str {
        match self {
            Standing::Failed => "✗ fail",
            Standing::ErrorWithFails => "! error, fail",
            Standing::Error => "! error",
            Standing::Uncovered => "○ uncovered",
            Standing::Inconclusive => "? inconclusive",
            Standing::Passed => "✓ pass",
            Standing::NotApplicable => "- not applicable",
            Standing::NotRun => "- not run",
        }
    }

    fn style(self) -> Style {
        match self {
            Standing::Failed | Standing::ErrorWithFails => Style::Fail,
            Standing::Error => Style::Error,
            Standing::Uncovered => Style::Uncovered,
            Standing::Inconclusive => Style::Inconclusive,
            Standing::Passed => Style::Pass,
            Standing::NotApplicable | Standing::NotRun => Style::Faint,
        }
    }
}

/// One scenario in the table.
struct Row<'a> {
    standing: Standing,
    scenario: &'a str,
    /// The scenario's name, with which runs of it these are.
    label: String,
    /// Which of its runs these are, from 1, where there are several, and of how many.
    runs: Vec<usize>,
    of: usize,
    results: Vec<&'a ScenarioResult>,
    /// What decided, a line each.
    decided: Vec<Decided>,
    /// Whether several scenarios of one sweep share it.
    shared: bool,
}

/// One line of a row: margin, what it is the margin of, what was seen.
#[derive(Default)]
struct Decided {
    margin: String,
    by: String,
    seen: String,
}

impl<'a> Row<'a> {
    fn of(result: &'a ScenarioResult, repetition: Option<(usize, usize)>) -> Self {
        let standing = match (&result.applicability, verdict_of(result)) {
            (Applicability::Uncovered { .. }, _) => Standing::Uncovered,
            (Applicability::NotApplicable { .. }, _) => Standing::NotApplicable,
            (Applicability::Ran, Some(Verdict::Fail)) => Standing::Failed,
            (Applicability::Ran, Some(Verdict::Error)) if failed_expectations(result) > 0 => Standing::ErrorWithFails,
            (Applicability::Ran, Some(Verdict::Error)) => Standing::Error,
            (Applicability::Ran, Some(Verdict::Pass)) => Standing::Passed,
            (Applicability::Ran, Some(Verdict::Inconclusive) | None) => Standing::Inconclusive,
        };
        let decided = match standing {
            Standing::Failed | Standing::ErrorWithFails => first_of(result, Verdict::Fail),
            Standing::Inconclusive => first_of(result, Verdict::Inconclusive),
            _ => Vec::new(),
        };
        Row { decided, results: vec![result], ..Row::named(standing, &result.scenario, repetition) }
    }

    fn not_run(scenario: &'a str, repetition: Option<(usize, usize)>) -> Self {
        Row::named(Standing::NotRun, scenario, repetition)
    }

    fn named(standing: Standing, scenario: &'a str, repetition: Option<(usize, usize)>) -> Self {
        let (runs, of) = repetition.map_or((Vec::new(), 1), |(run, all)| (vec![run], all));
        Row {
            standing,
            scenario,
            label: String::new(),
            runs,
            of,
            results: Vec::new(),
            decided: Vec::new(),
            shared: false,
        }
    }
}

fn decided(report: &FindingReport, others: usize) -> Decided {
    let Finding { margin, seen, .. } = report.finding;
    let more = if others > 0 { format!(" (and {others} more)") } else { String::new() };
    Decided {
        margin: margin.map(signed_margin).unwrap_or_default(),
        by: format!("{}{more}", report.name),
        seen: seen.map(value).unwrap_or_default(),
    }
}

/// The finding with that verdict that was decided first, and how many others there are.
fn first_of(result: &ScenarioResult, verdict: Verdict) -> Vec<Decided> {
    let with_it = || result.findings.iter().filter(|report| report.finding.verdict == verdict);
    let first = with_it().min_by_key(|report| (report.finding.decided_at.is_none(), report.finding.decided_at));
    first.map(|report| decided(report, with_it().count() - 1)).into_iter().collect()
}

/// The findings with the smallest margins, one of each unit (time, temperature,
/// rate, duty, count), because seconds and degrees cannot be compared.
fn tightest(results: &[&ScenarioResult]) -> Vec<Decided> {
    let findings = || results.iter().flat_map(|result| &result.findings);
    let smallest_in = |is_unit: fn(&Margin) -> bool| {
        let of_unit = findings().filter_map(|report| {
            let margin = report.finding.margin.filter(is_unit)?;
            Some((size(margin), report))
        });
        of_unit.min_by_key(|(margin, _)| *margin).map(|(_, report)| decided(report, 0))
    };
    let times = smallest_in(|margin| matches!(margin, Margin::Time(_)));
    let temperatures = smallest_in(|margin| matches!(margin, Margin::Temperature(_)));
    let rates = smallest_in(|margin| matches!(margin, Margin::Rate(_)));
    let duties = smallest_in(|margin| matches!(margin, Margin::Duty(_)));
    let counts = smallest_in(|margin| matches!(margin, Margin::Count(_)));
    let lines: Vec<Decided> = [times, temperatures, rates, duties, counts].into_iter().flatten().collect();
    if lines.is_empty() {
        return findings().next().map(|report| decided(report, findings().count() - 1)).into_iter().collect();
    }
    lines
}

/// Who was tested, and how to do it again.
fn about(text: &mut Text, head: &SessionHead, width: usize) {
    let firmware = head.firmware_version.as_deref().map(|it| format!(", firmware {it}")).unwrap_or_default();
    let mut entries = vec![
        ("controller", format!("{}{firmware}", head.controller)),
        ("bench", format!("{} ({})", head.bench, head.bench_kind)),
        ("seed", head.seed.to_string()),
    ];
    if !head.defects.is_empty() {
        entries.push(("defects", format!("{} (switched on by request)", head.defects.join(", "))));
    }
    for (label, body) in entries {
        text.push_wrapped(Line::new().with(Style::Faint, format!("{label:<12}")), Style::Plain, &body, width);
    }
}

/// Columns of the table.
struct Columns {
    verdict: usize,
    scenario: usize,
    margin: usize,
    by: usize,
    seen: usize,
}

impl Columns {
    /// The widths that fit, or `None` where the terminal is too narrow for a table.
    fn fit(rows: &[&Row<'_>], width: usize) -> Option<Columns> {
        let widest = |title: &str, lines: &dyn Fn(&Decided) -> &str| {
            let cells = rows.iter().flat_map(|row| &row.decided).map(|line| display_width(lines(line)));
            cells.max().unwrap_or(0).max(title.len())
        };
        let verdict = rows.iter().map(|row| display_width(row.standing.mark())).max().unwrap_or(0).max("verdict".len());
        let margin = widest("margin", &|line| &line.margin);
        let seen = widest("seen", &|line| &line.seen);
        let names = width.checked_sub(verdict + margin + seen + 4 * GAP).filter(|it| *it >= NAMES_AT_LEAST)?;
        let by_wanted = widest("decided by", &|line| &line.by);
        let scenario_wanted = rows.iter().map(|row| display_width(&row.label)).max().unwrap_or(0).max("scenario".len());
        let scenario = scenario_wanted.min(names.saturating_sub(by_wanted).max(names * 3 / 5));
        Some(Columns { verdict, scenario, margin, by: by_wanted.min(names - scenario), seen })
    }
}

/// What is not applicable has nothing to show in it, and its reason in a chapter.
fn table(text: &mut Text, rows: &[Row<'_>], width: usize) {
    let rows: Vec<&Row<'_>> = rows.iter().filter(|row| row.standing != Standing::NotApplicable).collect();
    if rows.is_empty() {
        return;
    }
    let Some(columns) = Columns::fit(&rows, width) else {
        return stacked(text, &rows, width);
    };
    let mut title = Line::new();
    let cells = [
        ("verdict", columns.verdict, false),
        ("scenario", columns.scenario, false),
        ("margin", columns.margin, true),
        ("decided by", columns.by, false),
        ("seen", columns.seen, true),
    ];
    for (name, width, right) in cells {
        push_cell(&mut title, Style::Faint, name, width, right);
    }
    text.push(title);
    for row in rows {
        let scenario = wrap(&row.label, columns.scenario);
        // Each deciding line may itself run over several lines of its column.
        let mut right: Vec<(&str, String, &str)> = Vec::new();
        for line in &row.decided {
            for (index, by) in wrap(&line.by, columns.by).into_iter().enumerate() {
                let first = index == 0;
                right.push((if first { &line.margin } else { "" }, by, if first { &line.seen } else { "" }));
            }
        }
        for index in 0..scenario.len().max(right.len()) {
            let mark = if index == 0 { row.standing.mark() } else { "" };
            let (margin, by, seen) = right.get(index).map_or(("", "", ""), |(margin, by, seen)| (margin, by, seen));
            let mut line = Line::new();
            push_cell(&mut line, row.standing.style(), mark, columns.verdict, false);
            push_cell(&mut line, Style::Plain, scenario.get(index).map_or("", String::as_str), columns.scenario, false);
            push_cell(&mut line, row.standing.style(), margin, columns.margin, true);
            push_cell(&mut line, Style::Plain, by, columns.by, false);
            push_cell(&mut line, Style::Plain, seen, columns.seen, true);
            text.push(line);
        }
    }
}

fn push_cell(line: &mut Line, style: Style, cell: &str, width: usize, right: bool) {
    let gap = if line.pieces.is_empty() { 0 } else { GAP };
    let start = line.width() + gap;
    let missing = width.saturating_sub(display_width(cell));
    line.pad_to(start + if right { missing } else { 0 });
    line.push(style, cell);
    line.pad_to(start + width);
}

/// The table for a narrow terminal: each scenario over several lines.
fn stacked(text: &mut Text, rows: &[&Row<'_>], width: usize) {
    for row in rows {
        let label = Line::new().with(row.standing.style(), row.standing.mark()).with(Style::Plain, "  ");
        text.push_wrapped(label, Style::Plain, &row.label, width);
        for line in &row.decided {
            let mut body = line.by.clone();
            if !line.seen.is_empty() {
                body.push_str(&format!(", seen {}", line.seen));
            }
            let mut label = Line::new().with(Style::Plain, "    ");
            if !line.margin.is_empty() {
                label.push(row.standing.style(), &line.margin);
                label.push(Style::Plain, "  ");
            }
            text.push_wrapped(label, Style::Plain, &body, width);
        }
    }
}

/// What is not applicable, under each reason once: a bench of three zones lacks a fourth in many scenarios.
fn by_reason(text: &mut Text, rows: &[&Row<'_>], width: usize) {
    let mut reasons: Vec<(&str, Vec<String>)> = Vec::new();
    for row in rows {
        let reason = match row.results.first().map(|result| &result.applicability) {
            Some(Applicability::NotApplicable { reason }) => reason.as_str(),
            _ => "",
        };
        match reasons.iter_mut().find(|(known, _)| *known == reason) {
            Some((_, scenarios)) => scenarios.push(with_hazards(row)),
            None => reasons.push((reason, vec![with_hazards(row)])),
        }
    }
    for (reason, scenarios) in reasons {
        text.push_wrapped(indent(2), Style::Strong, reason, width);
        for scenario in scenarios {
            text.push_wrapped(indent(4), Style::Plain, &scenario, width);
        }
    }
}

fn with_hazards(row: &Row<'_>) -> String {
    let hazards = row.results.first().map(|it| it.hazards.join(", ")).unwrap_or_default();
    if hazards.is_empty() { row.label.clone() } else { format!("{} [{hazards}]", row.label) }
}

/// Everything of one kind, with what is behind it.
fn chapter(text: &mut Text, title: &str, standing: Standing, rows: &[&Row<'_>], width: usize) {
    if rows.is_empty() {
        return;
    }
    text.gap();
    text.push_wrapped(Line::new(), standing.style(), title, width);
    if standing == Standing::NotApplicable {
        return by_reason(text, rows, width);
    }
    for row in rows {
        text.push_wrapped(indent(2), Style::Strong, &with_hazards(row), width);
        let Some(result) = row.results.first() else { continue };
        match &result.applicability {
            Applicability::NotApplicable { reason } | Applicability::Uncovered { reason } => {
                text.push_wrapped(indent(4), Style::Plain, reason, width);
            }
            Applicability::Ran => explain(text, result, width),
        }
    }
}

/// What was expected and seen, when, and what else spoiled the run.
fn explain(text: &mut Text, result: &ScenarioResult, width: usize) {
    for verdict in [Verdict::Fail, Verdict::Inconclusive] {
        let mut with_it: Vec<&FindingReport> =
            result.findings.iter().filter(|report| report.finding.verdict == verdict).collect();
        with_it.sort_by_key(|report| (report.finding.decided_at.is_none(), report.finding.decided_at));
        for report in with_it {
            finding(text, report, width);
        }
    }
    let mut broke = None;
    if let Some(trouble) = &result.trouble {
        let body = format!("{}: {}", trouble_sentence(trouble), trouble.detail);
        text.push_wrapped(label("error"), Style::Plain, &body, width);
        broke = Some(format!("{}: {}", trouble.kind.word(), trouble.detail));
    }
    // The remark on the breakdown itself would only say it again.
    for remark in result.remarks.iter().filter(|remark| Some(*remark) != broke.as_ref()) {
        text.push_wrapped(label("because"), Style::Plain, remark, width);
    }
    if verdict_of(result) != Some(Verdict::Fail) {
        let body = format!("{} after the run began", result.length);
        text.push_wrapped(label("ended"), Style::Plain, &body, width);
    }
}

fn finding(text: &mut Text, report: &FindingReport, width: usize) {
    let Finding { verdict, reason, margin, decided_at, uncertainty, model_error, .. } = report.finding;
    let style = if verdict == Verdict::Fail { Style::Fail } else { Style::Inconclusive };
    let name = format!("{}: {}", report.name, reason_sentence(reason));
    text.push_wrapped(indent(4), style, &name, width);
    for (word, sentence) in [("expected", &report.expected), ("seen", &report.seen)] {
        if !sentence.is_empty() {
            text.push_wrapped(label(word), Style::Plain, sentence, width);
        }
    }
    if let Some(at) = decided_at {
        text.push_wrapped(label("when"), Style::Plain, &format!("{at} after the run began"), width);
    }
    if let Some(margin) = margin {
        let mut body = signed_margin(margin);
        // Zero tells nothing: switches have no uncertainty of value, measured signals no model error.
        if let Some(uncertainty) = uncertainty.filter(|it| size(*it) != 0) {
            let k = factor(report.coverage_hundredths);
            body.push_str(&format!(", uncertainty ±{} (k = {k})", value(uncertainty)));
        }
        if let Some(error) = model_error.filter(|it| size(*it) != 0) {
            body.push_str(&format!(", error of the kiln model ±{}", value(error)));
        }
        text.push_wrapped(label("margin"), Style::Plain, &body, width);
    }
}

fn indent(columns: usize) -> Line {
    Line::new().with(Style::Plain, " ".repeat(columns))
}

fn label(word: &str) -> Line {
    Line::new().with(Style::Faint, format!("      {word:<11}"))
}

/// Every hazard once for each thing that is true of it.
fn hazards(text: &mut Text, hazards: &Hazards, width: usize) {
    if hazards.is_empty() {
        return;
    }
    text.gap();
    text.push(Line::new().with(Style::Strong, "Hazards"));
    let groups = [
        ("failed", Style::Fail, hazards.which(|it| it.failed)),
        ("uncovered", Style::Uncovered, hazards.which(|it| it.uncovered)),
        ("undecided", Style::Inconclusive, hazards.which(|it| it.is_undecided())),
        ("shown", Style::Pass, hazards.which(|it| it.is_shown())),
        ("not tested", Style::Faint, hazards.which(|it| it.is_not_tested())),
        ("no scenario", Style::Faint, hazards.without_scenario()),
    ];
    for (word, style, ids) in groups {
        if !ids.is_empty() {
            text.push_wrapped(Line::new().with(style, format!("  {word:<12}")), Style::Plain, &ids.join(", "), width);
        }
    }
}

//! A controller's time budget for the terminal and as JSON lines.

use dryfire_engine::{Budget, BudgetRow, Reaction, Standing, Worst};
use dryfire_kiln::{Before, Failure, LoadState, SafetyCase, SafetyLimit, SafetyTime};
use dryfire_units::{Celsius, RigSpan};
use serde::Serialize;

use crate::ExitStatus;
use crate::columns::{Cell, push_row, that_fit, widths};
use crate::json::{FORMAT, line};
use crate::summary::{NARROWEST, WIDEST};
use crate::text::{Line, Style, Text};

const LEGEND: &str = "Process safety time: from the failure to the last instant at which a cut of all heat still keeps \
                      the kiln below its limits. A reaction, the relay's opening in it, may take half of it (common \
                      practice, no source). Where the controller declares nothing, what is usual for one is taken.";

const CAUTION: &str = "Computed from the kiln file, not measured: a kiln that is built, wired or fired otherwise has \
                       other times. No approval of a kiln; an independent high limit stays necessary.";

/// What the process exits with: [`ExitStatus::AllHeld`] if every reaction is soon enough, else [`ExitStatus::Failed`].
pub fn budget_status(budget: &Budget) -> ExitStatus {
    if budget.is_enough() { ExitStatus::AllHeld } else { ExitStatus::Failed }
}

/// The budget as text: each hazard, the times behind it, and what was searched; at most `width` columns.
pub fn budget_text(budget: &Budget, width: usize) -> Text {
    let width = width.clamp(NARROWEST, WIDEST);
    let mut text = Text::default();
    let label = |name: &str| Line::new().with(Style::Faint, format!("{name:<12}"));
    text.push_wrapped(label("kiln"), Style::Plain, &budget.kiln, width);
    let bench = budget.bench.as_deref().unwrap_or("none named: usual reactions and any wiring are assumed");
    text.push_wrapped(label("bench"), Style::Plain, bench, width);
    text.push_wrapped(label("set-point"), Style::Plain, &set_point(budget), width);
    text.gap();
    hazards(&mut text, budget, width);
    if budget.no_margin_to_programmed_limit() {
        text.gap();
        let finding = format!(
            "The declared top temperature of {} leaves no margin to the kiln's programmed limit of {}. The rows above \
             count the element and brick limits only.",
            celsius(budget.grid.set_point),
            celsius(limit_of(budget, SafetyLimit::Programmed)),
        );
        text.push_wrapped(Line::new(), Style::Fail, &finding, width);
    }
    limits(&mut text, budget, width);
    searched(&mut text, budget, width);
    if !budget.not_computed.is_empty() {
        text.gap();
        text.push(Line::new().with(Style::Strong, "Not computed"));
        let names: Vec<[Cell; 1]> =
            budget.not_computed.iter().map(|(hazard, _)| [(Style::Plain, hazard.clone())]).collect();
        let widths = widths(names.iter().map(|name| &name[..]));
        for (hazard, why) in &budget.not_computed {
            let row = [(Style::Plain, format!("  {hazard}")), (Style::Faint, why.clone())];
            push_row(&mut text, &row, &[widths.first().copied().unwrap_or(0) + 2], width);
        }
    }
    text.gap();
    text.push_wrapped(Line::new(), Style::Strong, &headline(budget), width);
    text.push_wrapped(Line::new(), Style::Faint, CAUTION, width);
    text
}

/// A sentence for each declared reaction that is too slow, to warn with before a run.
pub fn budget_warnings(budget: &Budget) -> Vec<String> {
    let slow = budget.declared_too_slow().map(|row| {
        let complete = raised(row.reaction.complete().unwrap_or(RigSpan::ZERO));
        match row.worst {
            Worst::AtOnce { allowed } => {
                format!(
                    "{}: the declared reaction takes {complete} with the relay; {} is allowed",
                    row.hazard,
                    cut(allowed)
                )
            }
            Worst::Case { time: SafetyTime::NoMargin, limit, .. } => {
                format!("{}: there is no margin to the {} at all", row.hazard, limit_in_words(budget, limit))
            }
            Worst::Case { case, limit, .. } => format!(
                "{}: the declared reaction takes {complete} with the relay; half the process safety time is {} ({}, to \
                 the {})",
                row.hazard,
                row.half.map_or_else(|| "not reached".to_owned(), cut),
                state_in_words(&budget.cases[case], &budget.zones),
                limit_in_words(budget, limit),
            ),
        }
    });
    let margin = budget.no_margin_to_programmed_limit().then(|| {
        format!(
            "the declared top temperature of {} leaves no margin to the {}",
            celsius(budget.grid.set_point),
            limit_in_words(budget, SafetyLimit::Programmed)
        )
    });
    slow.chain(margin).collect()
}

fn headline(budget: &Budget) -> String {
    let enough = budget.rows.iter().filter(|row| row.standing == Standing::Enough).count();
    let all = budget.rows.len();
    let reactions = if all == 1 { "reaction is" } else { "reactions are" };
    let margin = if budget.no_margin_to_programmed_limit() { "; no margin to the programmed limit" } else { "" };
    format!("{enough} of {all} {reactions} soon enough, {} not{margin}", all - enough)
}

fn set_point(budget: &Budget) -> String {
    let from = if budget.bench.is_some() { "the declared top temperature" } else { "the kiln's programmed limit" };
    format!("{}, {from}", celsius(budget.grid.set_point))
}

/// The table; what does not fit beside the rest moves under the row.
fn hazards(text: &mut Text, budget: &Budget, width: usize) {
    let mut rows: Vec<&BudgetRow> = budget.rows.iter().collect();
    rows.sort_by_key(|row| row.standing);
    let head = ["", "hazard", "process safety time", "half of it", "the controller declares"]
        .map(|cell| (Style::Faint, cell.to_owned()));
    let cells: Vec<[Cell; 5]> = rows.iter().map(|row| cells(row)).collect();
    let columns = widths(std::iter::once(&head[..]).chain(cells.iter().map(|row| &row[..])));
    let beside = that_fit(&columns, width).max(2);
    push_row(text, &head[..beside], &columns, width);
    for (row, cells) in rows.iter().zip(&cells) {
        push_row(text, &cells[..beside], &columns, width);
        let detail = |text: &mut Text, body: &str| {
            text.push_wrapped(Line::new().with(Style::Plain, "    "), Style::Faint, body, width);
        };
        for ((_, name), (_, cell)) in head.iter().zip(cells).skip(beside) {
            detail(text, &format!("{name}: {cell}"));
        }
        detail(text, &worst_in_words(budget, row));
        if let Some(why) = why_not(budget, row) {
            detail(text, why);
        }
    }
    text.gap();
    text.push_wrapped(Line::new(), Style::Faint, LEGEND, width);
}

/// Why a reaction is not soon enough, and what would help.
fn why_not(budget: &Budget, row: &BudgetRow) -> Option<&'static str> {
    match (row.standing, row.reaction) {
        (Standing::Enough, _) => None,
        (Standing::NoMargin, _) => {
            Some("why: at the hottest set-point the kiln is as hot as it may be; helps: a lower top temperature")
        }
        (Standing::NothingDeclared, _) if budget.bench.is_none() => {
            Some("why: whether anything reacts without the processor, a kiln file does not say; helps: `--bench FILE`")
        }
        (Standing::NothingDeclared, _) => Some(
            "why: nothing is declared that reacts without the processor; helps: a limiter with a probe and contact of \
             its own, or a watchdog that is declared and shown",
        ),
        (Standing::NeverNoticed, _) if budget.zones.len() == 1 => Some(
            "why: no reading is ever so far above the set-point that a usual controller takes it for a fault; helps: \
             feedback from the contacts, or a limiter with a probe and contact of its own",
        ),
        (Standing::NeverNoticed, _) => Some(
            "why: the other zones take back what this one gets too much, so no reading shows it; helps: feedback from \
             the contacts, or a limiter with a probe and contact of its own",
        ),
        (Standing::TooSlow, Reaction::ByReading(_)) => Some(
            "why: only a reading shows it, minutes late; helps: feedback from the contacts, a limiter with a probe and \
             contact of its own, a lower top temperature",
        ),
        (Standing::TooSlow, Reaction::Usual(_)) => Some(
            "why: a controller that declares nothing is taken for a usual one, which waits so long to be sure; helps: a \
             quicker reaction, declared and shown, a limiter with a probe and contact of its own, a lower top \
             temperature",
        ),
        (Standing::TooSlow, _) => Some("why: what is declared takes longer than half; helps: a quicker reaction"),
    }
}

fn cells(row: &BudgetRow) -> [Cell; 5] {
    let (mark, style) = match row.standing {
        Standing::Enough => ("✓ enough", Style::Pass),
        Standing::TooSlow => ("✗ too slow", Style::Fail),
        Standing::NeverNoticed => ("✗ never seen", Style::Fail),
        Standing::NothingDeclared => ("✗ no reaction", Style::Fail),
        Standing::NoMargin => ("✗ no margin", Style::Fail),
    };
    let (time, half) = match row.worst {
        Worst::AtOnce { allowed } => ("at once".to_owned(), format!("{} allowed", cut(allowed))),
        Worst::Case { time, .. } => (time_in_words(time), row.half.map_or_else(|| "-".to_owned(), cut)),
    };
    let plain = |text: String| (Style::Plain, text);
    [
        (style, mark.to_owned()),
        (Style::Strong, row.hazard.clone()),
        plain(time),
        plain(half),
        plain(reaction_in_words(row.reaction)),
    ]
}

fn time_in_words(time: SafetyTime) -> String {
    match time {
        SafetyTime::NoMargin => "no margin".to_owned(),
        SafetyTime::Until { cut_by, .. } => cut(cut_by),
        SafetyTime::NotReached => "not reached".to_owned(),
    }
}

fn reaction_in_words(reaction: Reaction) -> String {
    match reaction {
        Reaction::Declared { declared, complete } if declared == complete => raised(declared),
        Reaction::Declared { declared, complete } => {
            format!("{}, and the relay {}", raised(declared), raised(complete - declared))
        }
        Reaction::Usual(span) => format!("nothing; usual {}", raised(span)),
        Reaction::ByReading(Some(span)) => format!("nothing; seen in {}", raised(span)),
        Reaction::ByReading(None) => "nothing; never seen".to_owned(),
        Reaction::Nothing => "nothing".to_owned(),
    }
}

fn worst_in_words(budget: &Budget, row: &BudgetRow) -> String {
    match row.worst {
        Worst::AtOnce { .. } => "somebody is at the kiln: no temperature decides".to_owned(),
        Worst::Case { case, limit, time } => {
            let state = state_in_words(&budget.cases[case], &budget.zones);
            let limit = limit_in_words(budget, limit);
            match time {
                SafetyTime::NoMargin => format!("worst: {state}; nothing is left to the {limit}"),
                SafetyTime::Until { reached, .. } => {
                    format!("worst: {state}; if nothing reacts, the {limit} comes after {}", cut(reached))
                }
                SafetyTime::NotReached => {
                    format!("worst: {state}; no limit comes within {}", cut(budget.grid.horizon))
                }
            }
        }
    }
}

/// `kiln empty, held for long, zone top on`.
fn state_in_words(case: &SafetyCase, zones: &[String]) -> String {
    let load = match case.load {
        LoadState::Empty => "kiln empty",
        LoadState::Full => "kiln full",
    };
    let before = match case.before {
        Before::Hold => "held hot for long",
        Before::EndOfOnPhase => "held hot for long, elements just about to go off",
        Before::FullPowerRamp => "just come up at full power",
        Before::Cold => "from cold",
    };
    format!("{load}, {before}, {}", failure_in_words(&case.failure, zones))
}

fn failure_in_words(failure: &Failure, zones: &[String]) -> String {
    match failure.zones() {
        [_] if zones.len() == 1 => "heat on".to_owned(),
        [zone] => format!("zone {} on", zones[*zone]),
        some if some.len() == zones.len() => "all zones on".to_owned(),
        some => {
            let names: Vec<&str> = some.iter().map(|zone| zones[*zone].as_str()).collect();
            format!("zones {} on", names.join(", "))
        }
    }
}

fn limit_name(limit: SafetyLimit) -> &'static str {
    match limit {
        SafetyLimit::Element => "element limit",
        SafetyLimit::Brick => "brick limit",
        SafetyLimit::Programmed => "programmed limit",
    }
}

fn limit_word(limit: SafetyLimit) -> &'static str {
    match limit {
        SafetyLimit::Element => "element",
        SafetyLimit::Brick => "brick",
        SafetyLimit::Programmed => "programmed",
    }
}

fn limit_of(budget: &Budget, limit: SafetyLimit) -> Celsius {
    let place = SafetyLimit::ALL.iter().position(|other| *other == limit).unwrap_or(0);
    budget.limits[place]
}

fn limit_in_words(budget: &Budget, limit: SafetyLimit) -> String {
    format!("{} of {}", limit_name(limit), celsius(limit_of(budget, limit)))
}

/// To a tenth of a degree; whole ones without it.
fn celsius(temperature: Celsius) -> String {
    let value = temperature.value();
    if value.fract() == 0.0 { format!("{value:.0} °C") } else { format!("{value:.1} °C") }
}

/// A time that is there: cut to what matters, never shown longer than it is.
fn cut(span: RigSpan) -> String {
    in_words(span.as_millis(), i64::div_euclid)
}

/// A time that is taken: raised to what matters, never shown shorter than it is.
fn raised(span: RigSpan) -> String {
    in_words((span.as_micros() + 999).div_euclid(1000), |value, step| (value + step - 1).div_euclid(step))
}

/// Hours and minutes, minutes and seconds, or seconds: to a tenth from 1 s on,
/// to a thousandth below.
fn in_words(millis: i64, to_steps: impl Fn(i64, i64) -> i64) -> String {
    let step = match millis {
        ..1_000 => 1,
        1_000..60_000 => 100,
        60_000..3_600_000 => 1_000,
        _ => 60_000,
    };
    let millis = to_steps(millis, step) * step;
    let (hours, minutes, seconds) = (millis / 3_600_000, millis / 60_000 % 60, millis / 1_000 % 60);
    if hours > 0 {
        return if minutes == 0 { format!("{hours} h") } else { format!("{hours} h {minutes:02} min") };
    }
    if minutes > 0 {
        return if seconds == 0 { format!("{minutes} min") } else { format!("{minutes} min {seconds:02} s") };
    }
    let fraction = format!("{:03}", millis % 1_000);
    let fraction = fraction.trim_end_matches('0');
    if fraction.is_empty() { format!("{seconds} s") } else { format!("{seconds}.{fraction} s") }
}

/// The least time to each limit by failure.
fn limits(text: &mut Text, budget: &Budget, width: usize) {
    text.gap();
    text.push(Line::new().with(Style::Strong, "Least time to each limit"));
    let head = std::iter::once(String::new())
        .chain(SafetyLimit::ALL.map(|limit| format!("{} {}", limit_word(limit), celsius(limit_of(budget, limit)))));
    let mut rows: Vec<Vec<Cell>> = vec![head.map(|cell| (Style::Faint, cell)).collect()];
    for failure in &budget.grid.failures {
        let name = format!("  {}", failure_in_words(failure, &budget.zones));
        let times = budget.least(failure).map(|least| {
            let time = least.map_or_else(|| "-".to_owned(), |(_, time)| time_in_words(time));
            (Style::Plain, time)
        });
        rows.push(std::iter::once((Style::Plain, name)).chain(times).collect());
    }
    let widths = widths(rows.iter().map(Vec::as_slice));
    if that_fit(&widths, width) == widths.len() {
        rows.iter().for_each(|row| push_row(text, row, &widths, width));
        return;
    }
    let (head, rows) = rows.split_at(1);
    for row in rows {
        text.push_wrapped(Line::new(), Style::Plain, &row[0].1, width);
        for ((_, limit), (_, time)) in head[0].iter().zip(row).skip(1) {
            let label = Line::new().with(Style::Plain, "    ");
            text.push_wrapped(label, Style::Faint, &format!("{limit}: {time}"), width);
        }
    }
}

fn searched(text: &mut Text, budget: &Budget, width: usize) {
    let grid = &budget.grid;
    text.gap();
    text.push(Line::new().with(Style::Strong, "Searched: every combination of"));
    let loads: Vec<&str> = grid
        .loads
        .iter()
        .map(|load| match load {
            LoadState::Empty => "empty",
            LoadState::Full => "full",
        })
        .collect();
    let load = match loads[..] {
        ["empty"] => "empty only: the kiln file describes no load".to_owned(),
        _ => loads.join(" and "),
    };
    let failures: Vec<String> = grid.failures.iter().map(|failure| failure_in_words(failure, &budget.zones)).collect();
    let lines = [
        ("load", load),
        (
            "before",
            format!(
                "a hold without end at the set-point (mean power; and at the end of an on-phase of a cycle of {}); a \
                 ramp at full power just arrived there; for what is there from the start, a cold kiln",
                cut(grid.cycle_time)
            ),
        ),
        (
            "left on",
            match budget.zones.len() {
                1 => "the one zone".to_owned(),
                _ => format!("{}; other zones stay under control", failures.join("; ")),
            },
        ),
        (
            "power",
            format!(
                "new elements, supply {:+.0} %, so power {:+.0} %",
                (grid.supply_factor - 1.0) * 100.0,
                (grid.supply_factor * grid.supply_factor - 1.0) * 100.0
            ),
        ),
        ("room, lid", format!("{}, lid shut", celsius(grid.ambient))),
        (
            "counted",
            format!(
                "the hottest element, hot face and chamber against their limits, each taken {} lower for the model's \
                 error; the latest cut that keeps below them for good, stored heat included",
                celsius(grid.model_error)
            ),
        ),
        ("looked for", format!("{} from the failure on", cut(grid.horizon))),
        (
            "reactions",
            "declared by the bench file, with the slowest relay's release; usual where it declares none (common \
             practice, no source); by reading: 10 min after a reading is 20 °C too high, or when it is 50 °C too high"
                .to_owned(),
        ),
    ];
    for (name, body) in lines {
        text.push_wrapped(Line::new().with(Style::Faint, format!("  {name:<12}")), Style::Plain, &body, width);
    }
}

#[derive(Serialize)]
#[serde(tag = "type", rename_all = "kebab-case")]
enum Record<'a> {
    Budget {
        format: u32,
        kiln: &'a str,
        #[serde(skip_serializing_if = "Option::is_none")]
        bench: Option<&'a str>,
        zones: &'a [String],
        set_point_millicelsius: i64,
        limits: Limits,
        counted: Vec<&'a str>,
        ambient_millicelsius: i64,
        supply_percent: i64,
        model_error_millicelsius: i64,
        cycle_us: i64,
        release_us: i64,
        horizon_us: i64,
    },
    Case {
        case: usize,
        load: &'a str,
        before: &'a str,
        left_on: Vec<&'a str>,
        chamber_millicelsius: i64,
        element: Time,
        brick: Time,
        programmed: Time,
    },
    Hazard {
        hazard: &'a str,
        standing: &'a str,
        #[serde(skip_serializing_if = "Option::is_none")]
        case: Option<usize>,
        #[serde(skip_serializing_if = "Option::is_none")]
        limit: Option<&'a str>,
        #[serde(skip_serializing_if = "Option::is_none")]
        safety_time: Option<Time>,
        half_us: Option<i64>,
        reaction: &'a str,
        reaction_us: Option<i64>,
        usual_us: Option<i64>,
        allowed_us: Option<i64>,
        allowed_by: Option<&'a str>,
    },
    NotComputed {
        hazard: &'a str,
        reason: &'a str,
    },
    Summary {
        hazards: usize,
        enough: usize,
        no_margin_to_programmed_limit: bool,
        headline: String,
        exit_code: u8,
    },
}

#[derive(Serialize)]
struct Limits {
    element_millicelsius: i64,
    brick_millicelsius: i64,
    programmed_millicelsius: i64,
}

#[derive(Serialize)]
struct Time {
    outcome: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    cut_by_us: Option<i64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    reached_us: Option<i64>,
}

impl Time {
    fn of(time: SafetyTime) -> Self {
        match time {
            SafetyTime::NoMargin => Time { outcome: "no-margin", cut_by_us: Some(0), reached_us: None },
            SafetyTime::Until { cut_by, reached } => {
                Time { outcome: "until", cut_by_us: Some(cut_by.as_micros()), reached_us: Some(reached.as_micros()) }
            }
            SafetyTime::NotReached => Time { outcome: "not-reached", cut_by_us: None, reached_us: None },
        }
    }
}

/// Thousandths of a degree, rounded; every temperature here is far inside the range.
fn millicelsius(temperature: Celsius) -> i64 {
    (temperature.value() * 1e3).round() as i64
}

/// The budget as JSON lines, as `docs/process-safety-time.md` says.
pub fn budget_json(budget: &Budget) -> String {
    let grid = &budget.grid;
    let name = |zone: &usize| budget.zones[*zone].as_str();
    let mut lines = line(&Record::Budget {
        format: FORMAT,
        kiln: &budget.kiln,
        bench: budget.bench.as_deref(),
        zones: &budget.zones,
        set_point_millicelsius: millicelsius(grid.set_point),
        limits: Limits {
            element_millicelsius: millicelsius(budget.limits[0]),
            brick_millicelsius: millicelsius(budget.limits[1]),
            programmed_millicelsius: millicelsius(budget.limits[2]),
        },
        counted: budget.counted.iter().map(|limit| limit_word(*limit)).collect(),
        ambient_millicelsius: millicelsius(grid.ambient),
        supply_percent: (grid.supply_factor * 100.0).round() as i64,
        model_error_millicelsius: millicelsius(grid.model_error),
        cycle_us: grid.cycle_time.as_micros(),
        release_us: budget.release.as_micros(),
        horizon_us: grid.horizon.as_micros(),
    });
    for (index, case) in budget.cases.iter().enumerate() {
        let [element, brick, programmed] = case.times.map(Time::of);
        lines.push_str(&line(&Record::Case {
            case: index + 1,
            load: match case.load {
                LoadState::Empty => "empty",
                LoadState::Full => "full",
            },
            before: match case.before {
                Before::Hold => "hold",
                Before::EndOfOnPhase => "end-of-on-phase",
                Before::FullPowerRamp => "full-power-ramp",
                Before::Cold => "cold",
            },
            left_on: case.failure.zones().iter().map(name).collect(),
            chamber_millicelsius: millicelsius(case.chamber),
            element,
            brick,
            programmed,
        }));
    }
    for row in &budget.rows {
        lines.push_str(&line(&hazard_record(row)));
    }
    for (hazard, reason) in &budget.not_computed {
        lines.push_str(&line(&Record::NotComputed { hazard, reason }));
    }
    lines.push_str(&line(&Record::Summary {
        hazards: budget.rows.len(),
        enough: budget.rows.iter().filter(|row| row.standing == Standing::Enough).count(),
        no_margin_to_programmed_limit: budget.no_margin_to_programmed_limit(),
        headline: headline(budget),
        exit_code: budget_status(budget).code(),
    }));
    lines
}

fn hazard_record(row: &BudgetRow) -> Record<'_> {
    let (case, limit, safety_time) = match row.worst {
        Worst::AtOnce { .. } => (None, None, None),
        Worst::Case { case, limit, time } => (Some(case + 1), Some(limit_word(limit)), Some(Time::of(time))),
    };
    let allowed = row.allowed();
    Record::Hazard {
        hazard: &row.hazard,
        standing: row.standing.word(),
        case,
        limit,
        safety_time,
        half_us: row.half.map(RigSpan::as_micros),
        reaction: match row.reaction {
            Reaction::Declared { .. } => "declared",
            Reaction::Usual(_) => "usual",
            Reaction::ByReading(_) => "by-reading",
            Reaction::Nothing => "nothing",
        },
        reaction_us: row.reaction.complete().map(RigSpan::as_micros),
        usual_us: row.usual.map(RigSpan::as_micros),
        allowed_us: allowed.map(|(span, _)| span.as_micros()),
        allowed_by: allowed.map(|(_, half)| if half { "half" } else { "usual" }),
    }
}

//! What a run's plots show, taken from its record: samples one block at a time, never all at once.

use dryfire_engine::Event;
use dryfire_judge::{Comparison, Finding, Margin, SignalId, SignalKind, Verdict};
use dryfire_record::{ExpectationWindow, Record, RecordError, Run, TimedEvent};
use dryfire_units::RigSpan;

use super::plot::{COLUMNS, Curve, Lane, Limit, Mark, Plot, Window, span_words};
use super::reduce::{Axis, LevelColumn, LevelCurve, switch_spans};
use crate::value;

/// Close looks at single expectations; more of them would tell the same again.
const MOST_CLOSE_LOOKS: usize = 3;
/// A window of less than this part of the whole plot gets a close look of its own.
const CLOSE_BELOW_COLUMNS: i64 = 70;
/// Lanes in one plot; beyond that those that never changed are left out.
const MOST_LANES: usize = 16;
/// A zone's curve that stays this near to the hottest one's is not drawn again (thousandths of the range).
const SAME_WITHIN: i64 = 12;

/// A switch by its name, and its edges: in µs, and its state from then on.
pub(super) type SwitchEdges = (String, Vec<(i64, bool)>);

/// Something that happened.
#[derive(Clone, Debug)]
pub(super) struct Happening {
    /// In µs.
    pub(super) at: i64,
    /// Its number in the plots, for what was done and for moments.
    pub(super) number: Option<usize>,
    /// What it is, in a word, and what it says.
    pub(super) lines: Vec<(&'static str, String)>,
}

/// A run as it is drawn and told.
#[derive(Clone, Debug)]
pub(super) struct Course {
    pub(super) happenings: Vec<Happening>,
    pub(super) plots: Vec<Plot>,
    /// What is not drawn, in sentences.
    pub(super) left_out: Vec<String>,
}

/// An occurrence of an expectation that claims something within a time.
pub(super) struct Occurrence<'a> {
    pub(super) window: &'a ExpectationWindow,
    finding: &'a Finding,
    pub(super) from: i64,
    pub(super) until: i64,
    pub(super) reaction: Option<i64>,
}

/// Everything that is drawn of a run.
///
/// # Errors
/// When the record cannot be read.
pub(super) fn course(record: &Record, run: &Run) -> Result<Course, RecordError> {
    let events = record.events(run)?;
    let happenings = happenings(&events);
    let end = end_of(record, run, &events)?;
    let (curves, mut left_out) = pick_levels(run);
    let whole = Axis::new(0, end, COLUMNS);
    let occurrences = occurrences(run, &events, end);
    let close: Vec<(&Occurrence<'_>, Axis)> = occurrences
        .iter()
        .filter(|it| whole.tenths(it.until) - whole.tenths(it.from) < CLOSE_BELOW_COLUMNS * 10)
        .take(MOST_CLOSE_LOOKS)
        .map(|it| (it, close_axis(it, end)))
        .collect();
    let axes: Vec<Axis> = std::iter::once(whole).chain(close.iter().map(|(_, axis)| *axis)).collect();
    let mut drawn = levels(record, run, &curves, &axes)?.into_iter();
    let switches = switches(record, run)?;
    let marks: Vec<Mark> = happenings.iter().filter_map(|it| Some(Mark { at: it.at, number: it.number? })).collect();

    let mut plots = Vec::new();
    let (rows, shades): (Vec<&Occurrence<'_>>, Vec<&Occurrence<'_>>) =
        occurrences.iter().partition(|it| whole.tenths(it.until) - whole.tenths(it.from) >= CLOSE_BELOW_COLUMNS * 10);
    let (lanes, same) = lanes(&switches, whole);
    left_out.extend(same);
    let levels = drawn.next().unwrap_or_default();
    plots.push(Plot {
        id: format!("run-{}-whole", run.number),
        title: format!("The whole run: {}", crate::recorded::title(run)),
        words: String::new(),
        axis: whole,
        zero: 0,
        zero_words: "time since the run began".to_owned(),
        curves: differing(&curves, levels, &mut left_out),
        limits: limits(run, &events, whole),
        lanes,
        marks: marks.clone(),
        windows: rows.into_iter().map(window).collect(),
        shades: shades.into_iter().map(|it| (it.from, it.until)).collect(),
    });
    for (index, ((occurrence, axis), levels)) in close.iter().zip(drawn).enumerate() {
        let opens = occurrence.window.opens.as_ref().map_or("the run’s beginning", |(name, _)| name.as_str());
        let mut ignored = Vec::new();
        plots.push(Plot {
            id: format!("run-{}-close-{}", run.number, index + 1),
            title: format!("A close look: {}, in: {}", occurrence.window.name, crate::recorded::title(run)),
            words: String::new(),
            axis: *axis,
            zero: occurrence.from,
            zero_words: format!("time since {opens}, {} into the run", span_words(occurrence.from)),
            curves: differing(&curves, levels, &mut ignored),
            // Limits far away would press the curves flat; they are in the plot of the whole run.
            limits: Vec::new(),
            lanes: self::lanes(&switches, *axis).0,
            marks: marks.clone(),
            windows: vec![window(occurrence)],
            shades: Vec::new(),
        });
    }
    for plot in &mut plots {
        plot.words = in_words(plot);
    }
    Ok(Course { happenings, plots, left_out })
}

pub(super) fn happenings(events: &[TimedEvent]) -> Vec<Happening> {
    let mut happenings: Vec<Happening> = Vec::new();
    for TimedEvent { event, .. } in events {
        let (at, kind, text) = match event {
            Event::Moment { at, name, uncertainty } if uncertainty.as_micros() > 0 => {
                (at, "moment", format!("{name} (known to ±{uncertainty})"))
            }
            Event::Moment { at, name, .. } => (at, "moment", name.clone()),
            Event::Stimulus { at, text } => (at, "done", text.clone()),
            Event::Prompt { at, text } => (at, "asked", text.clone()),
            Event::Console { at, line } => (at, "console", line.clone()),
            Event::Trouble { at, trouble } => (at, "trouble", trouble.detail.clone()),
            _ => continue,
        };
        let at = at.as_micros();
        match happenings.last_mut().filter(|last| last.at == at) {
            Some(last) => last.lines.push((kind, text)),
            None => happenings.push(Happening { at, number: None, lines: vec![(kind, text)] }),
        }
    }
    // Moments are told when they are known, which may be after what followed them.
    happenings.sort_by_key(|happening| happening.at);
    happenings.dedup_by(|later, earlier| {
        let same = later.at == earlier.at;
        if same {
            earlier.lines.append(&mut later.lines);
        }
        same
    });
    let shown = happenings.iter_mut().filter(|it| it.lines.iter().any(|(kind, _)| matches!(*kind, "done" | "moment")));
    shown.enumerate().for_each(|(index, happening)| happening.number = Some(index + 1));
    happenings
}

/// The last instant of a run; of one that was broken off, the last that is known.
pub(super) fn end_of(record: &Record, run: &Run, events: &[TimedEvent]) -> Result<i64, RecordError> {
    let ended = events.iter().find_map(|it| match it.event {
        Event::Ended { at, .. } => Some(at.as_micros()),
        _ => None,
    });
    if let Some(ended) = ended {
        return Ok(ended);
    }
    let mut last = events.iter().filter_map(|it| it.levels_until).map(|at| at.as_micros()).max().unwrap_or(0);
    for (id, spec) in run.table().iter() {
        if spec.kind != SignalKind::Switch {
            last = record.stretches(run, id)?.last().map_or(last, |it| last.max(it.until.as_micros()));
        }
    }
    Ok(last)
}

/// The temperatures that are drawn, and what is not.
pub(super) fn pick_levels(run: &Run) -> (Vec<(SignalId, String)>, Vec<String>) {
    let mut picked = Vec::new();
    let mut others = Vec::new();
    for (id, spec) in run.table().iter() {
        match spec.kind {
            SignalKind::Switch => {}
            SignalKind::Temperature => picked.push((id, spec.name.clone())),
            _ => others.push(spec.name.clone()),
        }
    }
    let left_out = if others.is_empty() {
        Vec::new()
    } else {
        vec![format!("Not drawn, and judged all the same: {}.", others.join(", "))]
    };
    (picked, left_out)
}

/// Every level on every axis, in one way through its samples.
pub(super) fn levels(
    record: &Record,
    run: &Run,
    picked: &[(SignalId, String)],
    axes: &[Axis],
) -> Result<Vec<Vec<Vec<LevelColumn>>>, RecordError> {
    let mut drawn: Vec<Vec<Vec<LevelColumn>>> = vec![Vec::new(); axes.len()];
    for (id, _) in picked {
        let mut curves: Vec<LevelCurve> = axes.iter().map(|axis| LevelCurve::new(*axis)).collect();
        for sample in record.samples(run, *id)? {
            let sample = sample?;
            let (at, value) = (sample.at.as_micros(), sample.reading.value());
            curves.iter_mut().for_each(|curve| curve.add(at, value));
        }
        for (place, curve) in drawn.iter_mut().zip(curves) {
            place.push(curve.finish());
        }
    }
    Ok(drawn)
}

/// `kiln` and `probe`, and of each zone what goes another way than these.
fn differing(picked: &[(SignalId, String)], levels: Vec<Vec<LevelColumn>>, left_out: &mut Vec<String>) -> Vec<Curve> {
    let range = {
        let values = || levels.iter().flatten().flat_map(|it| [it.least, it.greatest]);
        values().max().unwrap_or(0) - values().min().unwrap_or(0)
    };
    let near = (range / 1_000 * SAME_WITHIN).max(500);
    let mut curves: Vec<Curve> = Vec::new();
    let mut same: Vec<(String, String, i64)> = Vec::new();
    for ((_, name), columns) in picked.iter().zip(levels) {
        let like = name.split_once('.').and_then(|(whole, _)| {
            let whole = curves.iter().find(|curve| curve.name == whole)?;
            Some((whole.name.clone(), farthest(&whole.columns, &columns)?))
        });
        match like {
            Some((whole, apart)) if apart <= near => same.push((name.clone(), whole, apart)),
            _ => curves.push(Curve { name: name.clone(), look: look(name, curves.len()), columns }),
        }
    }
    left_out.extend(same.into_iter().map(|(name, whole, apart)| {
        format!("{name} is not drawn: it is within {} of {whole}.", value(Margin::Temperature(apart)))
    }));
    curves
}

/// Which pattern a curve has: the two that every run has are always drawn alike.
fn look(name: &str, place: usize) -> usize {
    match name {
        "kiln" => 0,
        "probe" => 1,
        _ => 2 + place % 6,
    }
}

/// By how much two courses differ at most, column by column; `None` where one has columns that the other has not.
fn farthest(one: &[LevelColumn], other: &[LevelColumn]) -> Option<i64> {
    if one.len() != other.len() {
        return None;
    }
    let mut farthest = 0;
    for (one, other) in one.iter().zip(other) {
        if one.column != other.column || one.after_gap != other.after_gap {
            return None;
        }
        farthest = farthest.max((one.least - other.least).abs()).max((one.greatest - other.greatest).abs());
    }
    Some(farthest)
}

/// Every switch with its edges.
pub(super) fn switches(record: &Record, run: &Run) -> Result<Vec<SwitchEdges>, RecordError> {
    let table = run.table();
    let mut switches: Vec<SwitchEdges> = table.iter().map(|(_, spec)| (spec.name.clone(), Vec::new())).collect();
    for edge in record.edges(run)? {
        if let Some((_, edges)) = switches.get_mut(usize::from(edge.signal.0)) {
            edges.push((edge.at.as_micros(), edge.on));
        }
    }
    let kinds = table.iter().map(|(_, spec)| spec.kind);
    Ok(switches.into_iter().zip(kinds).filter(|(_, kind)| *kind == SignalKind::Switch).map(|(it, _)| it).collect())
}

/// The lanes, and a sentence on those that are left out.
fn lanes(switches: &[SwitchEdges], axis: Axis) -> (Vec<Lane>, Option<String>) {
    // One state from the beginning on: nothing to draw where there is no room.
    let changes = |edges: &[(i64, bool)]| edges.windows(2).any(|pair| pair[0].1 != pair[1].1);
    let crowded = switches.len() > MOST_LANES;
    let (shown, left): (Vec<_>, Vec<_>) =
        switches.iter().partition(|(name, edges)| !crowded || changes(edges) || name == "heat" || name == "safety");
    let lanes =
        shown.into_iter().map(|(name, edges)| Lane { name: name.clone(), spans: switch_spans(axis, edges) }).collect();
    let names: Vec<&str> = left.iter().map(|(name, _)| name.as_str()).collect();
    let sentence =
        (!names.is_empty()).then(|| format!("Not drawn, and never changed in this run: {}.", names.join(", ")));
    (lanes, sentence)
}

/// The instants of a moment, in the order in which they came.
fn instants<'a>(events: &'a [TimedEvent], name: &'a str) -> impl Iterator<Item = i64> + 'a {
    events.iter().filter_map(move |it| match &it.event {
        Event::Moment { at, name: this, .. } if this == name => Some(at.as_micros()),
        _ => None,
    })
}

pub(super) fn limits(run: &Run, events: &[TimedEvent], axis: Axis) -> Vec<Limit> {
    let mut limits: Vec<Limit> = Vec::new();
    for window in &run.planned.expectations {
        let from = match &window.opens {
            None => axis.from,
            Some((name, offset)) => match instants(events, name).next() {
                Some(at) => at.saturating_add(offset.as_micros()),
                None => continue,
            },
        };
        let closes = window.closes.as_ref().and_then(|(name, offset)| {
            let end = instants(events, name).map(|at| at.saturating_add(offset.as_micros()));
            end.filter(|at| *at >= from).min()
        });
        let span = window.limit.map(|limit| from.saturating_add(limit.as_micros()));
        let until = closes.into_iter().chain(span).min().unwrap_or(axis.until).min(axis.until);
        for limit in &window.limits {
            let spec = run.table().get(limit.signal);
            if spec.kind != SignalKind::Temperature {
                continue;
            }
            let comparison = match limit.comparison {
                Comparison::Below => "<",
                Comparison::AtMost => "≤",
                Comparison::Above => ">",
                Comparison::AtLeast => "≥",
            };
            let words = format!("{} {comparison} {}", spec.name, value(Margin::Temperature(limit.value)));
            match limits.iter_mut().find(|it| it.words == words) {
                Some(known) => (known.from, known.until) = (known.from.min(from), known.until.max(until)),
                None => limits.push(Limit { words, value: limit.value, from, until }),
            }
        }
    }
    limits
}

/// Every finding whose claim is a reaction in time, where its moment came.
pub(super) fn occurrences<'a>(run: &'a Run, events: &[TimedEvent], end: i64) -> Vec<Occurrence<'a>> {
    let Some(result) = &run.result else { return Vec::new() };
    let mut occurrences = Vec::new();
    for report in &result.findings {
        let finding = &report.finding;
        let Some(window) = run.planned.expectations.get(finding.expectation) else { continue };
        let (Some(limit), "within" | "heat-cut") = (window.limit, window.claim) else { continue };
        let from = match &window.opens {
            // What opens whenever something is so has no moment to measure from.
            None if window.scope == "whenever" => continue,
            None => 0,
            Some((name, offset)) => {
                let decided = finding.decided_at.map_or(i64::MAX, |at| at.as_micros());
                let opens = instants(events, name).map(|at| at.saturating_add(offset.as_micros()));
                let opens: Vec<i64> = opens.collect();
                match opens.iter().rfind(|at| **at <= decided).or(opens.first()) {
                    Some(at) => *at,
                    None => continue,
                }
            }
        };
        if window.scope == "whenever" || from > end {
            continue;
        }
        let reaction = match finding.seen {
            Some(Margin::Time(span)) => Some(from.saturating_add(span.as_micros())),
            _ => None,
        };
        let until = from.saturating_add(limit.as_micros()).min(end);
        occurrences.push(Occurrence { window, finding, from, until, reaction });
    }
    occurrences
}

fn close_axis(occurrence: &Occurrence<'_>, end: i64) -> Axis {
    let last = occurrence.reaction.map_or(occurrence.until, |at| at.max(occurrence.until));
    let width = (last - occurrence.from).max(1_000);
    let (before, after) = (width / 5, width / 4);
    Axis::new((occurrence.from - before).max(0), last.saturating_add(after).min(end), COLUMNS)
}

pub(super) fn window(occurrence: &Occurrence<'_>) -> Window {
    let Occurrence { window, finding, from, until, reaction } = occurrence;
    let limit = window.limit.unwrap_or(RigSpan::ZERO);
    let came = match (finding.verdict, finding.seen) {
        (Verdict::Pass, _) => "met",
        (Verdict::Fail, Some(_)) => "too late",
        (Verdict::Fail, None) => "not seen in time",
        _ => "not decided",
    };
    let seen = finding.seen.map(value);
    Window {
        words: format!("{}: allowed {limit}, {came}", window.name),
        from: *from,
        until: *until,
        reaction: reaction.zip(seen),
    }
}

/// What a plot shows, for whoever cannot see it.
pub(super) fn in_words(plot: &Plot) -> String {
    let celsius = |millicelsius| value(Margin::Temperature(millicelsius));
    let mut words = format!("From {} to {} into the run.", span_words(plot.axis.from), span_words(plot.axis.until));
    for curve in &plot.curves {
        let ends = curve.columns.first().zip(curve.columns.last());
        let range = curve.columns.iter().map(|it| it.least).min().zip(curve.columns.iter().map(|it| it.greatest).max());
        match ends.zip(range) {
            None => words.push_str(&format!(" {} was not observed.", curve.name)),
            Some(((first, last), (least, greatest))) => words.push_str(&format!(
                " {} begins at {}, ends at {}, and is between {} and {}.",
                curve.name,
                celsius(first.first),
                celsius(last.last),
                celsius(least),
                celsius(greatest)
            )),
        }
    }
    for limit in &plot.limits {
        words.push_str(&format!(" Limit: {}.", limit.words));
    }
    for window in &plot.windows {
        words.push_str(&format!(" {}", window.words));
        match &window.reaction {
            Some((_, seen)) => words.push_str(&format!(", after {seen}.")),
            None => words.push('.'),
        }
    }
    for lane in &plot.lanes {
        use super::reduce::SwitchState::{Changing, Off, On, Unknown};
        let has = |state| lane.spans.iter().any(|span| span.state == state);
        let changing = lane.spans.iter().filter(|span| span.state == Changing).count();
        words.push_str(&match (changing, has(On), has(Off), has(Unknown)) {
            (0, true, false, _) => format!(" {} is on.", lane.name),
            (0, false, true, _) => format!(" {} is off.", lane.name),
            (0, ..) => format!(" {} was not observed.", lane.name),
            (1, ..) => format!(" {} changes at one place.", lane.name),
            (places, ..) => format!(" {} changes at {places} places.", lane.name),
        });
    }
    words
}

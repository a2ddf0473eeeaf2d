//! Two courses of one scenario laid over each other.

use dryfire_judge::SignalKind;
use dryfire_record::{Record, RecordError, Run};

use super::course::{
    Happening, Occurrence, end_of, happenings, in_words, levels, limits, occurrences, pick_levels, switches, window,
};
use super::plot::{COLUMNS, Curve, Lane, MOST_LANE_LETTERS, Mark, Plot, Window, shortened, span_words};
use super::reduce::{Axis, LevelColumn, SwitchSpan, SwitchState, switch_spans};

/// Close looks at single reactions.
const MOST_CLOSE_LOOKS: usize = 3;
/// Switches in one plot; each has two lanes.
const MOST_SWITCHES: usize = 8;
/// Patterns of the old side's kiln and probe.
const OLD_LOOKS: [usize; 2] = [8, 9];

/// What was done, with the instants on both sides.
#[derive(Debug)]
pub(super) struct Done {
    pub(super) number: usize,
    pub(super) text: String,
    pub(super) old: Option<i64>,
    pub(super) new: i64,
}

/// Two courses as they are drawn and told.
#[derive(Debug)]
pub(super) struct Overlay {
    pub(super) plots: Vec<Plot>,
    pub(super) done: Vec<Done>,
    /// What is not drawn, in sentences.
    pub(super) left_out: Vec<String>,
}

/// One side of it.
struct Side<'a> {
    record: &'a Record,
    run: &'a Run,
    occurrences: Vec<Occurrence<'a>>,
    happenings: Vec<Happening>,
    end: i64,
    switches: Vec<(String, Vec<(i64, bool)>)>,
    word: &'static str,
}

impl<'a> Side<'a> {
    fn of(record: &'a Record, run: &'a Run, word: &'static str) -> Result<Self, RecordError> {
        let events = record.events(run)?;
        let end = end_of(record, run, &events)?;
        Ok(Side {
            occurrences: occurrences(run, &events, end),
            happenings: happenings(&events),
            end,
            switches: switches(record, run)?,
            record,
            run,
            word,
        })
    }

    /// Kiln and probe, on every axis.
    fn curves(&self, axes: &[Axis], looks: [usize; 2]) -> Result<Vec<Vec<Curve>>, RecordError> {
        let (picked, _) = pick_levels(self.run);
        let picked: Vec<_> = picked.into_iter().filter(|(_, name)| matches!(name.as_str(), "kiln" | "probe")).collect();
        let drawn = levels(self.record, self.run, &picked, axes)?;
        let curve = |((_, name), columns): (&(_, String), Vec<LevelColumn>)| Curve {
            name: format!("{name}, {}", self.word),
            look: looks[usize::from(name == "probe")],
            columns,
        };
        Ok(drawn.into_iter().map(|levels| picked.iter().zip(levels).map(curve).collect()).collect())
    }

    fn lane(&self, name: &str, axis: Axis) -> Lane {
        let edges = self.switches.iter().find(|(known, _)| known == name).map_or(&[][..], |(_, edges)| edges);
        let mut spans = switch_spans(axis, edges);
        if self.end < axis.until {
            cut(&mut spans, axis.column(self.end) + 1, axis.columns);
        }
        // What tells the two apart is never cut off.
        Lane { name: format!("{}, {}", shortened(name, MOST_LANE_LETTERS - 5), self.word), spans }
    }
}

/// Nothing is known of a switch after the end of its run.
fn cut(spans: &mut Vec<SwitchSpan>, end: usize, columns: usize) {
    spans.retain(|span| span.from < end);
    if let Some(last) = spans.last_mut() {
        last.until = last.until.min(end);
    }
    if end < columns {
        spans.push(SwitchSpan { from: end, until: columns, state: SwitchState::Unknown });
    }
}

/// Both courses from the beginning on, and close looks at reactions, each from the moment on that it is
/// counted from.
///
/// # Errors
/// When a record cannot be read.
pub(super) fn overlay(
    (old, was): (&Record, &Run),
    (new, is): (&Record, &Run),
    id: &str,
    changed: &dyn Fn(&str) -> bool,
) -> Result<Overlay, RecordError> {
    let (old, new) = (Side::of(old, was, "old")?, Side::of(new, is, "new")?);
    let mut pairs: Vec<(&Occurrence<'_>, &Occurrence<'_>)> = new
        .occurrences
        .iter()
        .filter_map(|it| Some((old.occurrences.iter().find(|other| other.window.name == it.window.name)?, it)))
        .collect();
    pairs.sort_by_key(|(_, it)| !changed(&it.window.name));
    pairs.truncate(MOST_CLOSE_LOOKS);

    let whole = Axis::new(0, old.end.max(new.end), COLUMNS);
    let (mut old_axes, mut new_axes) = (vec![whole], vec![whole]);
    for (was, is) in &pairs {
        let last = |it: &Occurrence<'_>| it.reaction.map_or(it.until, |at| at.max(it.until)) - it.from;
        let width = last(was).max(last(is)).max(1_000);
        let before = (width / 5).min(was.from).min(is.from).max(0);
        let axis = |from: i64| Axis::new(from - before, from.saturating_add(width + width / 4), COLUMNS);
        old_axes.push(axis(was.from));
        new_axes.push(axis(is.from));
    }
    let curves = {
        let (under, over) = (old.curves(&old_axes, OLD_LOOKS)?, new.curves(&new_axes, [0, 1])?);
        let both = under.into_iter().zip(over);
        both.map(|(mut under, over)| {
            under.extend(over);
            under
        })
    };
    let (names, left_out) = lane_names(&old, &new);
    let lanes = |old_axis: Axis, new_axis: Axis| -> Vec<Lane> {
        names.iter().flat_map(|name| [old.lane(name, old_axis), new.lane(name, new_axis)]).collect()
    };
    let done = done(&old, &new);
    let events = new.record.events(is)?;
    let mut plots = Vec::new();
    for (place, curves) in curves.enumerate() {
        let (old_axis, axis) = (old_axes[place], new_axes[place]);
        let lanes = lanes(old_axis, axis);
        let pair = place.checked_sub(1).map(|index| pairs[index]);
        let mut plot = Plot {
            id: format!("{id}-{place}"),
            title: format!("Both runs from their beginning: {}", is.planned.scenario),
            words: String::new(),
            axis,
            zero: 0,
            zero_words: "time since each run began".to_owned(),
            curves,
            limits: if pair.is_none() { limits(is, &events, axis) } else { Vec::new() },
            lanes,
            marks: done.iter().map(|it| Mark { at: it.new, number: it.number }).collect(),
            windows: Vec::new(),
            shades: Vec::new(),
        };
        if let Some((was, now)) = pair {
            let opens = now.window.opens.as_ref().map_or("the run’s beginning", |(name, _)| name.as_str());
            plot.title = format!("A close look: {}, in: {}", now.window.name, is.planned.scenario);
            plot.zero = now.from;
            plot.zero_words =
                format!("time since {opens}: old {}, new {} into the run", span_words(was.from), span_words(now.from));
            let shift = now.from - was.from;
            let said = |word: &str, window: Window| Window { words: format!("{word}: {}", window.words), ..window };
            let under = window(was);
            let under = Window {
                from: under.from + shift,
                until: under.until + shift,
                reaction: under.reaction.map(|(at, words)| (at + shift, words)),
                ..under
            };
            plot.windows = vec![said("old", under), said("new", window(now))];
        }
        plot.words = in_words(&plot);
        plots.push(plot);
    }
    Ok(Overlay { plots, done, left_out })
}

/// The switches that are drawn: what changes on either side, and heat.
fn lane_names(old: &Side<'_>, new: &Side<'_>) -> (Vec<String>, Vec<String>) {
    let changes = |side: &Side<'_>, name: &str| {
        side.switches.iter().any(|(known, edges)| known == name && edges.windows(2).any(|pair| pair[0].1 != pair[1].1))
    };
    let mut names: Vec<String> = Vec::new();
    let mut still: Vec<&str> = Vec::new();
    for (name, _) in new.switches.iter().chain(&old.switches) {
        if names.contains(name) || still.contains(&name.as_str()) {
            continue;
        }
        if name == "heat" || changes(old, name) || changes(new, name) {
            names.push(name.clone());
        } else {
            still.push(name);
        }
    }
    // What all heat goes through first, then what is of one zone; the order of the bench file else.
    names.sort_by_key(|name| (name != "heat", name != "safety", name.contains('.')));
    let mut left_out = Vec::new();
    if !still.is_empty() {
        left_out.push(format!("Not drawn, and changed on neither side: {}.", still.join(", ")));
    }
    if names.len() > MOST_SWITCHES {
        left_out.push(format!("Not drawn, for want of room: {}.", names[MOST_SWITCHES..].join(", ")));
        names.truncate(MOST_SWITCHES);
    }
    let zones = [old, new].iter().any(|side| {
        side.run.table().iter().any(|(_, spec)| spec.kind == SignalKind::Temperature && spec.name.contains('.'))
    });
    if zones {
        left_out.push("Zones are drawn in the report of each record.".to_owned());
    }
    (names, left_out)
}

fn done(old: &Side<'_>, new: &Side<'_>) -> Vec<Done> {
    let said = |it: &Happening| {
        let lines = it.lines.iter().filter(|(kind, _)| matches!(*kind, "done" | "moment"));
        lines.map(|(_, text)| text.clone()).collect::<Vec<_>>().join("; ")
    };
    let mut before: Vec<(i64, String)> =
        old.happenings.iter().filter(|it| it.number.is_some()).map(|it| (it.at, said(it))).collect();
    let numbered = new.happenings.iter().filter_map(|it| Some((it.number?, it)));
    numbered
        .map(|(number, it)| {
            let text = said(it);
            let same = before.iter().position(|(_, known)| *known == text);
            Done { number, old: same.map(|place| before.remove(place).0), new: it.at, text }
        })
        .collect()
}

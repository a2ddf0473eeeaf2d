//! The occurrences of a scope.

use dryfire_units::RigSpan;

use super::Trace;
use super::course::{Course, Stretch, Values};
use crate::{Condition, Instant, Part, Scope, SignalTable};

/// An occurrence of a scope.
#[derive(Clone, Copy, Debug)]
pub(super) struct Occurrence {
    /// When it opens.
    pub(super) opens: i64,
    /// How well that is known (nothing is known better than the signals' edges).
    pub(super) uncertainty: i64,
    /// How well a time from there to an edge is known.
    pub(super) guard: i64,
    /// Just before which instant it ends and how well that is known, if it
    /// ends before the run does.
    pub(super) ends: Option<(i64, i64)>,
}

/// What there is to judge.
pub(super) struct Occurrences {
    /// In the order of opening.
    pub(super) all: Vec<Occurrence>,
    /// Whether an occurrence without an end is about nothing.
    pub(super) end_required: bool,
    /// Whether some openings may have been missed.
    pub(super) unseen: bool,
    /// Whether the condition may have been true at an edge of its part without
    /// opening the scope.
    pub(super) doubtful: bool,
    /// Whether its condition would open it again if the run went on.
    pub(super) may_open_again: bool,
}

pub(super) fn occurrences(
    table: &SignalTable,
    signals: &[Values],
    scope: &Scope,
    edge: i64,
    trace: &Trace,
    (end, only_rises): (i64, bool),
) -> Occurrences {
    let run = vec![(0, None)];
    let mut unseen = false;
    let (openings, closing) = match scope {
        Scope::Throughout => (run, None),
        Scope::Before(to) => (run, Some(to)),
        Scope::After(from) => (instants(trace, from, end), None),
        Scope::Between(from, to) | Scope::AfterUntil(from, to) => (instants(trace, from, end), Some(to)),
        Scope::Whenever(condition) => {
            let (rises, unknown) = Course::of(table, signals, condition, true, end).rises();
            unseen = unknown;
            let own = edges(table, condition);
            (rises.into_iter().map(|at| (at, Some(own))).collect(), None)
        }
        Scope::WheneverIn { part, condition } => {
            return inside(table, signals, (part, condition), edge, trace, (end, only_rises));
        }
    };
    let closings = closing.map_or(Vec::new(), |to| instants(trace, to, end));
    let all = openings
        .into_iter()
        .map(|(opens, uncertainty): (i64, Option<i64>)| Occurrence {
            opens,
            uncertainty: uncertainty.map_or(0, |own| own + edge),
            guard: uncertainty.unwrap_or(0) + edge,
            ends: closings
                .iter()
                .find(|(closes, _)| opens <= *closes && *closes <= end)
                .map(|(closes, own)| (*closes, own.unwrap_or(0) + edge)),
        })
        .collect();
    let end_required = matches!(scope, Scope::Before(_) | Scope::Between(..));
    let may_open_again = matches!(scope, Scope::Whenever(_));
    Occurrences { all, end_required, unseen, doubtful: false, may_open_again }
}

/// The openings by a condition inside a part of the run; with `only_rises`, a
/// condition that is true where the part begins does not open the scope.
fn inside(
    table: &SignalTable,
    signals: &[Values],
    (part, condition): (&Part, &Condition),
    edge: i64,
    trace: &Trace,
    (end, only_rises): (i64, bool),
) -> Occurrences {
    let (begins, ends) = match part {
        Part::Before(to) => (vec![(0, None)], Some(to)),
        Part::After(from) => (instants(trace, from, end), None),
        Part::Between(from, to) | Part::AfterUntil(from, to) => (instants(trace, from, end), Some(to)),
    };
    let ends = ends.map_or(Vec::new(), |to| instants(trace, to, end));
    let trigger = Course::of(table, signals, condition, true, end);
    let own = edges(table, condition);
    let (rises, unseen) = trigger.rises();
    let falls = trigger.falls();
    let mut all = Vec::new();
    let mut doubtful = false;
    // Up to where the parts so far reach.
    let mut taken = i64::MIN;
    for &(begin, _) in &begins {
        if begin <= taken {
            continue;
        }
        let known = begins.iter().filter(|(at, _)| *at == begin).map(|(_, known)| *known).max().flatten();
        let last = ends.iter().find(|(at, _)| begin <= *at && *at <= end).map(|(at, known)| (*at, known.unwrap_or(0)));
        taken = last.map_or(i64::MAX, |(at, _)| at);
        let occurrence = |opens: i64| Occurrence {
            opens,
            uncertainty: known.unwrap_or(0) + own + edge,
            guard: known.unwrap_or(0) + own + edge,
            ends: last.map(|(at, known)| (at, known + edge)),
        };
        if begin > end {
            all.push(occurrence(begin));
            break;
        }
        let mut openings = Vec::new();
        let doubt = known.map_or(0, |known| known + own);
        if only_rises {
            let near = |rise: i64| begin - doubt < rise && rise < begin + doubt;
            doubtful |= rises.iter().any(|rise| near(*rise) && *rise < taken);
            openings.extend(rises.iter().copied().filter(|at| begin + doubt <= *at && *at < taken));
        } else {
            if trigger.any(begin, begin, Stretch::sure) {
                openings.push(begin);
            }
            openings.extend(rises.iter().copied().filter(|at| begin < *at && *at < taken));
        }
        let matters = |fall: i64| !only_rises && begin - doubt < fall && fall < begin + doubt && fall <= taken;
        for &fall in falls.iter().filter(|fall| matters(**fall)) {
            doubtful = true;
            openings.retain(|at| *at >= fall);
        }
        if let Some((at, known)) = last {
            doubtful |= rises.iter().any(|rise| at <= *rise && *rise < at + known + own);
        }
        all.extend(openings.into_iter().map(occurrence));
    }
    // A part is open at the end of the run if nothing has ended the last that began.
    let may_open_again = taken == i64::MAX;
    let end_required = matches!(part, Part::Before(_) | Part::Between(..));
    Occurrences { all, end_required, unseen, doubtful, may_open_again }
}

/// The instants named so, in order, with their own uncertainty.
fn instants(trace: &Trace, named: &Instant, end: i64) -> Vec<(i64, Option<i64>)> {
    let mut instants: Vec<_> = trace
        .moments
        .iter()
        .filter(|(at, moment, _)| *moment == named.moment && at.as_micros().max(0) <= end)
        .map(|(at, _, uncertainty)| {
            let own = (*uncertainty).max(RigSpan::ZERO).as_micros();
            (at.as_micros().max(0) + named.offset.as_micros(), Some(own))
        })
        .collect();
    instants.sort_by_key(|(at, _)| *at);
    instants
}

/// The worst uncertainty of the edges of the signals of a condition.
pub(super) fn edges(table: &SignalTable, condition: &Condition) -> i64 {
    match condition {
        Condition::Compare { signal, .. } | Condition::Is { signal, .. } => {
            table.get(*signal).time_uncertainty.as_micros()
        }
        Condition::Not(inner) => edges(table, inner),
        Condition::All(parts) | Condition::Any(parts) => parts.iter().map(|part| edges(table, part)).max().unwrap_or(0),
    }
}

//! What each signal was, and how well a condition held, from beginning to end.

use super::Trace;
use crate::{Comparison, Condition, SignalId, SignalKind, SignalTable};

/// What a signal was from an instant on: the least and the greatest value it
/// had, or nothing known.
pub(super) type Values = Vec<(i64, Option<(i64, i64)>)>;

/// The samples of each signal, in order.
pub(super) fn samples(trace: &Trace, signals: usize) -> Vec<Vec<(i64, i64)>> {
    let mut samples = vec![Vec::new(); signals];
    for (at, signal, value) in &trace.samples {
        if let Some(of_signal) = samples.get_mut(usize::from(signal.0)) {
            of_signal.push((at.as_micros(), *value));
        }
    }
    for of_signal in &mut samples {
        of_signal.sort_by_key(|(at, _)| *at);
    }
    samples
}

/// Where a signal was not observed: from each of these instants until the other, in
/// order and apart.
fn unobserved(gaps: &[(i64, i64)]) -> Vec<(i64, i64)> {
    let mut stretches: Vec<(i64, i64)> = Vec::new();
    for (from, until) in gaps.iter().filter(|(from, until)| from < until) {
        match stretches.last_mut() {
            Some((_, end)) if from <= end => *end = (*end).max(*until),
            _ => stretches.push((*from, *until)),
        }
    }
    stretches
}

/// The values of one signal, each from its instant until the next one's.
pub(super) fn values(trace: &Trace, samples: &[(i64, i64)], id: SignalId, kind: SignalKind) -> Values {
    let mut gaps: Vec<(i64, i64)> = trace
        .gaps
        .iter()
        .filter(|(signal, ..)| *signal == id)
        .map(|(_, from, until)| (from.as_micros(), until.as_micros()))
        .collect();
    gaps.sort_unstable();
    let unobserved = unobserved(&gaps);
    let in_gap = |at: i64| {
        let begun = unobserved.partition_point(|(from, _)| *from <= at);
        begun.checked_sub(1).is_some_and(|index| at < unobserved[index].1)
    };
    let seen: Vec<(i64, i64)> = samples.iter().copied().filter(|(at, _)| !in_gap(*at)).collect();
    let sampled = |at: i64| seen.binary_search_by_key(&at, |(at, _)| *at).is_ok();

    let mut values: Values = Vec::new();
    for group in seen.chunk_by(|a, b| a.0 == b.0) {
        let at = group[0].0;
        let means = |value: &i64| kind.range().contains(value);
        let all_mean = group.iter().all(|(_, value)| means(value));
        let least = group.iter().map(|(_, value)| *value).min();
        let most = group.iter().map(|(_, value)| *value).max();
        values.push((at, least.zip(most).filter(|_| all_mean)));
        // After several at once the last is left.
        if group.len() > 1 {
            let last = group[group.len() - 1].1;
            if !sampled(at + 1) {
                values.push((at + 1, means(&last).then_some((last, last))));
            }
        }
    }
    // Where a gap begins nothing is known, unless there is a sample that counts.
    let mut begins: Vec<i64> = gaps.iter().map(|(from, _)| *from).filter(|from| !sampled(*from)).collect();
    begins.dedup();
    values.retain(|(at, _)| begins.binary_search(at).is_err());
    values.extend(begins.into_iter().map(|from| (from, None)));
    values.sort_by_key(|(at, _)| *at);
    values
}

fn value_at(values: &Values, at: i64) -> Option<(i64, i64)> {
    let later = values.partition_point(|(from, _)| *from <= at);
    later.checked_sub(1).and_then(|index| values[index].1)
}

/// How good something is: unobserved values lie beyond everything, switches
/// beyond every level, and levels are a distance, a tie broken by whether the
/// limit itself counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Rank {
    class: i8,
    distance: i64,
    tie: i8,
}

const WORST: Rank = Rank { class: -2, distance: 0, tie: 0 };
const OFF: Rank = Rank { class: -1, distance: 0, tie: 0 };
const ON: Rank = Rank { class: 1, distance: 0, tie: 0 };
const BEST: Rank = Rank { class: 2, distance: 0, tie: 0 };
const NOTHING: Rank = Rank { class: 0, distance: 0, tie: 0 };

impl Rank {
    fn opposite(self) -> Rank {
        Rank { class: -self.class, distance: -self.distance, tie: -self.tie }
    }

    pub(super) fn holds(self) -> bool {
        self > NOTHING
    }

    pub(super) fn unobserved(self) -> bool {
        self == WORST || self == BEST
    }
}

/// One end of what may be, with the reading it comes from.
#[derive(Clone, Copy, Debug)]
pub(super) struct End {
    pub(super) rank: Rank,
    kind: SignalKind,
    value: i64,
    uncertainty: i64,
    model_error: i64,
}

/// What a level was where it counted.
#[derive(Clone, Copy, Debug)]
pub(super) struct Level {
    pub(super) kind: SignalKind,
    pub(super) margin: i64,
    pub(super) value: i64,
    pub(super) uncertainty: i64,
    pub(super) model_error: i64,
}

impl End {
    fn of(rank: Rank) -> End {
        End { rank, kind: SignalKind::Switch, value: 0, uncertainty: 0, model_error: 0 }
    }

    fn opposite(self) -> End {
        End { rank: self.rank.opposite(), ..self }
    }

    /// The level behind a lower end (`side` 1) or an upper end (`side` −1).
    pub(super) fn level(self, side: i64) -> Option<Level> {
        (self.rank.class == 0).then(|| Level {
            kind: self.kind,
            margin: self.rank.distance + side * (self.uncertainty + self.model_error),
            value: self.value,
            uncertainty: self.uncertainty,
            model_error: self.model_error,
        })
    }
}

/// A stretch of instants, both ends included, over which a condition holds
/// equally well.
#[derive(Clone, Copy, Debug)]
pub(super) struct Stretch {
    pub(super) from: i64,
    pub(super) to: i64,
    pub(super) low: End,
    pub(super) high: End,
}

impl Stretch {
    pub(super) fn sure(&self) -> bool {
        self.low.rank.holds()
    }

    pub(super) fn possible(&self) -> bool {
        self.high.rank.holds()
    }
}

/// The course of a condition from the beginning of the run to its end.
pub(super) struct Course {
    stretches: Vec<Stretch>,
}

impl Course {
    pub(super) fn of(table: &SignalTable, signals: &[Values], condition: &Condition, exact: bool, end: i64) -> Course {
        let mut instants = vec![0];
        changes(signals, condition, &mut instants);
        instants.retain(|at| (0..=end).contains(at));
        instants.sort();
        instants.dedup();
        let stretches = instants
            .iter()
            .enumerate()
            .map(|(index, &from)| {
                let to = instants.get(index + 1).map_or(end, |next| next - 1);
                let (low, high) = ends(table, signals, condition, exact, from);
                Stretch { from, to, low, high }
            })
            .collect();
        Course { stretches }
    }

    /// The stretches between two instants, both included, cut to them.
    pub(super) fn between(&self, first: i64, last: i64) -> impl Iterator<Item = Stretch> {
        let start = self.stretches.partition_point(move |stretch| stretch.to < first);
        self.stretches[start..]
            .iter()
            .take_while(move |stretch| stretch.from <= last && first <= last)
            .map(move |stretch| Stretch { from: stretch.from.max(first), to: stretch.to.min(last), ..*stretch })
    }

    /// First instant between two, both included, with a property.
    pub(super) fn first(&self, first: i64, last: i64, property: impl Fn(&Stretch) -> bool) -> Option<i64> {
        self.between(first, last).find(|stretch| property(stretch)).map(|stretch| stretch.from)
    }

    /// Whether any instant between two, both included, has a property.
    pub(super) fn any(&self, first: i64, last: i64, property: impl Fn(&Stretch) -> bool) -> bool {
        self.first(first, last, property).is_some()
    }

    /// The longest runs of instants with a property, in order, of those that
    /// end at or after an instant.
    pub(super) fn runs(&self, after: i64, property: impl Fn(&Stretch) -> bool) -> impl Iterator<Item = (i64, i64)> {
        let mut index = self.stretches.partition_point(|stretch| stretch.to < after);
        // A run that goes on there may have begun before.
        if self.stretches.get(index).is_some_and(&property) {
            while index > 0 && property(&self.stretches[index - 1]) {
                index -= 1;
            }
        }
        std::iter::from_fn(move || {
            while index < self.stretches.len() && !property(&self.stretches[index]) {
                index += 1;
            }
            let from = self.stretches.get(index)?.from;
            while index < self.stretches.len() && property(&self.stretches[index]) {
                index += 1;
            }
            Some((from, self.stretches[index - 1].to))
        })
    }

    /// The instants at which the condition becomes true and was known to be
    /// false just before, and whether it was unknown at any instant.
    pub(super) fn rises(&self) -> (Vec<i64>, bool) {
        let mut rises = Vec::new();
        let mut was_false = true;
        let mut unknown = false;
        for stretch in &self.stretches {
            if stretch.sure() && was_false {
                rises.push(stretch.from);
            }
            was_false = !stretch.possible();
            unknown |= !stretch.sure() && stretch.possible();
        }
        (rises, unknown)
    }
}

impl Course {
    /// The instants at which the condition is not known to be true and was just before.
    pub(super) fn falls(&self) -> Vec<i64> {
        self.stretches.windows(2).filter(|pair| pair[0].sure() && !pair[1].sure()).map(|pair| pair[1].from).collect()
    }
}

fn changes(signals: &[Values], condition: &Condition, instants: &mut Vec<i64>) {
    match condition {
        Condition::Compare { signal, .. } | Condition::Is { signal, .. } => {
            instants.extend(signals[usize::from(signal.0)].iter().map(|(at, _)| *at));
        }
        Condition::Not(inner) => changes(signals, inner, instants),
        Condition::All(parts) | Condition::Any(parts) => {
            parts.iter().for_each(|part| changes(signals, part, instants));
        }
    }
}

/// Both ends of what the condition may be at an instant.
fn ends(table: &SignalTable, signals: &[Values], condition: &Condition, exact: bool, at: i64) -> (End, End) {
    match condition {
        Condition::Compare { signal, comparison, limit } => {
            let spec = table.get(*signal);
            let (uncertainty, model_error) = if exact { (0, 0) } else { (spec.value_uncertainty, spec.model_error) };
            let Some((least, most)) = value_at(&signals[usize::from(signal.0)], at) else {
                return (End::of(WORST), End::of(BEST));
            };
            let under = matches!(comparison, Comparison::Below | Comparison::AtMost);
            let tie = if matches!(comparison, Comparison::AtMost | Comparison::AtLeast) { 1 } else { -1 };
            let (worse, better) = if under { (most, least) } else { (least, most) };
            let end = |value: i64, off: i64| {
                let distance = if under { limit - value } else { value - limit };
                let rank = Rank { class: 0, distance: distance + off, tie };
                End { rank, kind: spec.kind, value, uncertainty, model_error }
            };
            (end(worse, -(uncertainty + model_error)), end(better, uncertainty + model_error))
        }
        Condition::Is { signal, on } => match value_at(&signals[usize::from(signal.0)], at) {
            None => (End::of(WORST), End::of(BEST)),
            Some((least, most)) => {
                let as_asked = [least, most].map(|value| (value == 1) == *on);
                let low = if as_asked == [true, true] { ON } else { OFF };
                let high = if as_asked == [false, false] { OFF } else { ON };
                (End::of(low), End::of(high))
            }
        },
        Condition::Not(inner) => {
            let (low, high) = ends(table, signals, inner, exact, at);
            (high.opposite(), low.opposite())
        }
        Condition::All(parts) => {
            let mut both = (End::of(ON), End::of(ON));
            for part in parts {
                let (low, high) = ends(table, signals, part, exact, at);
                if low.rank < both.0.rank {
                    both.0 = low;
                }
                if high.rank < both.1.rank {
                    both.1 = high;
                }
            }
            both
        }
        Condition::Any(parts) => {
            let mut both = (End::of(OFF), End::of(OFF));
            for part in parts {
                let (low, high) = ends(table, signals, part, exact, at);
                if low.rank > both.0.rank {
                    both.0 = low;
                }
                if high.rank > both.1.rank {
                    both.1 = high;
                }
            }
            both
        }
    }
}

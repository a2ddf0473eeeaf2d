//! Signals that follow from others: differences, spreads, rises, rates, duties.
//!
//! Each is computed on the sampling grid, in constant time for each sample and
//! each edge (amortised), from no more than one window of its source. How a
//! run is cut into calls changes nothing: only instants count.

use std::collections::VecDeque;

use dryfire_judge::{SignalId, SignalKind};
use dryfire_scenario::{ConsoleMatcher, SetPointUnit, StatedSetPoint};
use dryfire_units::{RigSpan, RigTime};

use crate::played::GRID;

/// A signal that follows from others.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DerivedSignal {
    /// Its place in the table.
    pub id: SignalId,
    /// How it follows.
    pub rule: Derivation,
}

/// How a signal follows from others. Windows are whole multiples of the
/// sampling grid and end at the instant itself.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Derivation {
    /// The greatest of several levels less the least.
    Spread {
        /// The levels.
        of: Vec<SignalId>,
    },
    /// One level less another.
    Difference {
        /// The one.
        of: SignalId,
        /// The other.
        less: SignalId,
    },
    /// A level less what it was at the window's beginning.
    Rise {
        /// The level.
        of: SignalId,
        /// The window.
        over: RigSpan,
    },
    /// The rise divided by the window, thousandths of a degree for each hour.
    Rate {
        /// The level.
        of: SignalId,
        /// The window.
        over: RigSpan,
    },
    /// The share of the window in which a switch was on, thousandths of a percent.
    Duty {
        /// The switch.
        of: SignalId,
        /// The window.
        over: RigSpan,
        /// With more edges in the window the duty counts as not observed: its
        /// stated uncertainty covers no more.
        most_edges: usize,
    },
    /// What the controller last said on its console that it aims at, as long as that holds good.
    Stated(StatedSetPoint),
}

impl Derivation {
    /// Whether a signal is one of those that this follows from.
    pub(crate) fn follows_from(&self, signal: SignalId) -> bool {
        match self {
            Derivation::Spread { of } => of.contains(&signal),
            Derivation::Difference { of, less } => *of == signal || *less == signal,
            Derivation::Rise { of, .. } | Derivation::Rate { of, .. } | Derivation::Duty { of, .. } => *of == signal,
            Derivation::Stated(_) => false,
        }
    }
}

/// The whole of a share, in thousandths of a percent.
pub(crate) const WHOLE: i64 = 100_000;

const HOUR_MICROS: i128 = 3_600_000_000;

/// What is kept of each derived signal's past.
#[derive(Clone, Debug)]
enum Past {
    /// Nothing.
    None,
    /// Samples of one window, the oldest in front.
    Samples(VecDeque<Option<i64>>),
    /// Edges of one window.
    Edges(Edges),
    /// What was last said, and when; nothing from a line whose number cannot be read.
    Said(ConsoleMatcher, Option<(RigTime, i64)>),
}

/// The edges of a switch within a window, and how long it was on up to each.
#[derive(Clone, Debug, Default)]
struct Edges {
    /// Instant, time on since the first of all, state from there on. The front
    /// one is the last at or before the window's beginning, once there is one.
    kept: VecDeque<(RigTime, i64, bool)>,
}

/// The derived signals of one run.
#[derive(Clone, Debug)]
pub(crate) struct Derived {
    signals: Vec<(DerivedSignal, Past)>,
}

impl Derived {
    pub(crate) fn new(signals: &[DerivedSignal]) -> Self {
        let with_past = |signal: &DerivedSignal| {
            let past = match &signal.rule {
                Derivation::Spread { .. } | Derivation::Difference { .. } => Past::None,
                Derivation::Rise { .. } | Derivation::Rate { .. } => Past::Samples(VecDeque::new()),
                Derivation::Duty { .. } => Past::Edges(Edges::default()),
                Derivation::Stated(how) => Past::Said(how.pattern.matcher(), None),
            };
            (signal.clone(), past)
        };
        Derived { signals: signals.iter().map(with_past).collect() }
    }

    /// A switch changed.
    pub(crate) fn switched(&mut self, at: RigTime, signal: SignalId, on: bool) {
        for (derived, past) in &mut self.signals {
            if let (Derivation::Duty { of, over, most_edges }, Past::Edges(edges)) = (&derived.rule, past)
                && *of == signal
            {
                edges.add(at, on, *over, *most_edges);
            }
        }
    }

    /// The controller wrote a line.
    pub(crate) fn said(&mut self, at: RigTime, line: &str) {
        for (derived, past) in &mut self.signals {
            if let (Derivation::Stated(how), Past::Said(matcher, last)) = (&derived.rule, past)
                && let Some(number) = matcher.first_group(line)
            {
                *last = number.and_then(|number| millicelsius(number, how.unit)).map(|value| (at, value));
            }
        }
    }

    /// The values at a point of the grid, given those of all other signals;
    /// to be asked once for each point, in order. One that follows from another
    /// derived one stands behind it.
    pub(crate) fn sample(
        &mut self,
        at: RigTime,
        present: impl Fn(SignalId) -> Option<i64>,
        mut give: impl FnMut(SignalId, Option<i64>),
    ) {
        // The only derived signal that others follow from.
        let mut stated = None;
        for (derived, past) in &mut self.signals {
            let present = |id: SignalId| match stated {
                Some((signal, value)) if signal == id => value,
                _ => present(id),
            };
            let value = match (&derived.rule, past) {
                (Derivation::Stated(how), Past::Said(_, last)) => {
                    last.filter(|(said, _)| at - *said <= how.fresh_for).map(|(_, value)| value)
                }
                (Derivation::Spread { of }, _) => spread(of, present),
                (Derivation::Difference { of, less }, _) => {
                    present(*of).zip(present(*less)).map(|(of, less)| of - less)
                }
                (Derivation::Rise { of, over }, Past::Samples(samples)) => rise(samples, present(*of), *over),
                (Derivation::Rate { of, over }, Past::Samples(samples)) => {
                    rise(samples, present(*of), *over).map(|rise| per_hour(rise, *over))
                }
                (Derivation::Duty { over, most_edges, .. }, Past::Edges(edges)) => edges.duty(at, *over, *most_edges),
                _ => None,
            };
            if let Derivation::Stated(_) = derived.rule {
                stated = Some((derived.id, value));
            }
            give(derived.id, value);
        }
    }
}

/// A number as a controller writes it, in thousandths of a degree Celsius; nothing
/// if it is no number, or no temperature.
fn millicelsius(number: &str, unit: SetPointUnit) -> Option<i64> {
    let number: f64 = number.trim().parse().ok()?;
    let celsius = match unit {
        SetPointUnit::Celsius => number,
        // Exact by definition: 32 °F is 0 °C, 1.8 °F are 1 °C.
        SetPointUnit::Fahrenheit => (number - 32.0) / 1.8,
    };
    let value = (celsius * 1_000.0).round();
    // What is no number fails both comparisons.
    let range = SignalKind::Temperature.range();
    (value >= *range.start() as f64 && value <= *range.end() as f64).then_some(value as i64)
}

fn spread(of: &[SignalId], present: impl Fn(SignalId) -> Option<i64>) -> Option<i64> {
    let mut least = i64::MAX;
    let mut most = i64::MIN;
    for signal in of {
        let value = present(*signal)?;
        least = least.min(value);
        most = most.max(value);
    }
    most.checked_sub(least)
}

/// The value now less that one window ago; both have to be known.
fn rise(samples: &mut VecDeque<Option<i64>>, now: Option<i64>, over: RigSpan) -> Option<i64> {
    let steps = over.as_micros() / GRID.as_micros();
    samples.push_back(now);
    // One more than there are steps, so that the oldest is exactly one window old.
    if samples.len() as i64 <= steps {
        return None;
    }
    let then = samples.pop_front().flatten()?;
    Some(now? - then)
}

/// Thousandths of a degree in a window, as thousandths of a degree for each
/// hour; rounded to the nearest.
fn per_hour(rise: i64, over: RigSpan) -> i64 {
    let window = i128::from(over.as_micros());
    // A rise is at most some millions and a window at least a second: it fits.
    ((i128::from(rise) * HOUR_MICROS * 2 + window).div_euclid(2 * window)) as i64
}

impl Edges {
    fn add(&mut self, at: RigTime, on: bool, over: RigSpan, most_edges: usize) {
        let total = self.on_time(at).unwrap_or(0);
        self.kept.push_back((at, total, on));
        // A window that holds more says nothing anyway, nor does one that begins before the oldest kept.
        while self.kept.len() > most_edges + 2 {
            self.kept.pop_front();
        }
        self.forget(at, over);
    }

    /// Drops what lies before the window that ends at an instant, but for the
    /// last edge before it.
    fn forget(&mut self, at: RigTime, over: RigSpan) {
        while self.kept.get(1).is_some_and(|(next, ..)| at - *next >= over) {
            self.kept.pop_front();
        }
    }

    /// How long the switch was on from its first edge up to an instant not before the last one.
    fn on_time(&self, at: RigTime) -> Option<i64> {
        let (last, total, on) = self.kept.back()?;
        Some(total + if *on { (at - *last).as_micros() } else { 0 })
    }

    fn duty(&mut self, at: RigTime, over: RigSpan, most_edges: usize) -> Option<i64> {
        self.forget(at, over);
        let (first, total, on) = *self.kept.front()?;
        let until_first = at - first;
        // The window reaches back to before anything is known.
        if until_first < over || self.kept.len() - 1 > most_edges {
            return None;
        }
        let before = total + if on { (until_first - over).as_micros() } else { 0 };
        let within = i128::from(self.on_time(at)? - before);
        let window = i128::from(over.as_micros());
        // A share of a window is from nothing to the whole.
        Some(((within * i128::from(WHOLE) * 2 + window) / (2 * window)) as i64)
    }
}

#[cfg(test)]
mod tests;

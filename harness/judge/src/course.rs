//! How well a condition holds at an instant, and what has been of it so far.

use dryfire_units::{RigSpan, RigTime};

use crate::compile::{Formula, Node, Test};
use crate::{Margin, SignalId, SignalKind, SignalTable};

/// Robustness of a switch that is as asked for: beyond every level.
const SWITCH: i64 = i64::MAX / 8;
/// Robustness where nothing was observed: beyond every switch.
pub(crate) const UNKNOWN: i64 = i64::MAX / 4;
/// Before every instant of a run.
pub(crate) const NEVER: i64 = i64::MIN / 4;
/// After every instant of a run.
pub(crate) const FOREVER: i64 = i64::MAX / 4;

/// Levels are scaled so that strict and closed comparisons differ by less than
/// the smallest step of a value: robustness is never zero.
const SCALE: i64 = 4;

/// One end of an interval of robustness, and the atom it comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Bound {
    pub(crate) value: i64,
    pub(crate) atom: u16,
}

/// An interval of robustness: the condition surely holds where `lo` is
/// positive and surely does not where `hi` is negative.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Robustness {
    pub(crate) lo: Bound,
    pub(crate) hi: Bound,
}

impl Robustness {
    pub(crate) const NOT_OBSERVED: Robustness =
        Robustness { lo: Bound { value: -UNKNOWN, atom: 0 }, hi: Bound { value: UNKNOWN, atom: 0 } };

    pub(crate) fn sure(self) -> bool {
        self.lo.value > 0
    }

    pub(crate) fn possible(self) -> bool {
        self.hi.value > 0
    }

    /// Whether either end is open because something was not observed.
    pub(crate) fn unobserved(self) -> bool {
        self.lo.value == -UNKNOWN || self.hi.value == UNKNOWN
    }

    fn blurred(self) -> bool {
        self.possible() && !self.sure()
    }
}

/// What a signal is at an instant: the hull of the values it had, unless unknown.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Present {
    pub(crate) lo: i64,
    pub(crate) hi: i64,
    pub(crate) known: bool,
}

/// Lets the evaluation read signals wherever they are kept.
pub(crate) trait Signals {
    fn present(&self, id: SignalId) -> Present;
}

impl Formula {
    /// How well the condition holds now.
    pub(crate) fn robustness(&self, signals: &impl Signals) -> Robustness {
        self.node(&self.root, signals)
    }

    /// Whether the condition holds now; `None` where that is not known, or is
    /// different within the instant.
    pub(crate) fn truth(&self, signals: &impl Signals) -> Option<bool> {
        let both = match self.root {
            Node::Atom(number) => self.atom_truth(number, signals),
            _ => {
                let now = self.robustness(signals);
                (now.sure(), now.possible())
            }
        };
        match both {
            (true, _) => Some(true),
            (_, false) => Some(false),
            _ => None,
        }
    }

    /// Whether an atom is sure, and whether it is possible: the signs of its robustness.
    #[inline]
    fn atom_truth(&self, number: u16, signals: &impl Signals) -> (bool, bool) {
        let atom = &self.atoms[usize::from(number)];
        if let Test::Is(on) = atom.test {
            let present = signals.present(atom.signal);
            let (low, high) = ((present.lo != 0) == on, (present.hi != 0) == on);
            return (present.known && low && high, !present.known || low || high);
        }
        let now = self.atom(number, signals);
        (now.sure(), now.possible())
    }

    fn node(&self, node: &Node, signals: &impl Signals) -> Robustness {
        match node {
            Node::Atom(number) => self.atom(*number, signals),
            Node::All(parts) => {
                let top = Bound { value: SWITCH, atom: 0 };
                parts.iter().fold(Robustness { lo: top, hi: top }, |so_far, part| {
                    let next = self.node(part, signals);
                    Robustness { lo: smaller(so_far.lo, next.lo), hi: smaller(so_far.hi, next.hi) }
                })
            }
            Node::Any(parts) => {
                let bottom = Bound { value: -SWITCH, atom: 0 };
                parts.iter().fold(Robustness { lo: bottom, hi: bottom }, |so_far, part| {
                    let next = self.node(part, signals);
                    Robustness { lo: larger(so_far.lo, next.lo), hi: larger(so_far.hi, next.hi) }
                })
            }
        }
    }

    fn atom(&self, number: u16, signals: &impl Signals) -> Robustness {
        let atom = &self.atoms[usize::from(number)];
        let present = signals.present(atom.signal);
        if !present.known {
            return Robustness {
                lo: Bound { value: -UNKNOWN, atom: number },
                hi: Bound { value: UNKNOWN, atom: number },
            };
        }
        let wide = SCALE * (atom.value_uncertainty + atom.model_error);
        let (lo, hi) = match atom.test {
            Test::Under { limit, closed } => {
                let tie = if closed { 1 } else { -1 };
                (SCALE * (limit - present.hi) + tie - wide, SCALE * (limit - present.lo) + tie + wide)
            }
            Test::Over { limit, closed } => {
                let tie = if closed { 1 } else { -1 };
                (SCALE * (present.lo - limit) + tie - wide, SCALE * (present.hi - limit) + tie + wide)
            }
            Test::Is(on) => {
                let side = |value: i64| if (value != 0) == on { SWITCH } else { -SWITCH };
                let (a, b) = (side(present.lo), side(present.hi));
                (a.min(b), a.max(b))
            }
        };
        Robustness { lo: Bound { value: lo, atom: number }, hi: Bound { value: hi, atom: number } }
    }

    /// What a lower end says of the atom it comes from, if that is a level.
    pub(crate) fn read_lo(&self, table: &SignalTable, bound: Bound) -> Option<Reading> {
        self.read(table, bound, 1)
    }

    /// What an upper end says of the atom it comes from, if that is a level.
    pub(crate) fn read_hi(&self, table: &SignalTable, bound: Bound) -> Option<Reading> {
        self.read(table, bound, -1)
    }

    fn read(&self, table: &SignalTable, bound: Bound, widening: i64) -> Option<Reading> {
        if bound.value.abs() >= SWITCH / 2 {
            return None;
        }
        let atom = &self.atoms[usize::from(bound.atom)];
        let wide = SCALE * (atom.value_uncertainty + atom.model_error);
        // Ties are ±1 off a multiple of the scale: rounding removes them.
        let margin = (bound.value + widening * wide + SCALE / 2).div_euclid(SCALE);
        let seen = match atom.test {
            Test::Under { limit, .. } => limit - margin,
            Test::Over { limit, .. } => limit + margin,
            Test::Is(_) => return None,
        };
        let kind = table.get(atom.signal).kind;
        Some(Reading { kind, margin, seen, uncertainty: atom.value_uncertainty, model_error: atom.model_error })
    }
}

fn smaller(a: Bound, b: Bound) -> Bound {
    if b.value < a.value { b } else { a }
}

fn larger(a: Bound, b: Bound) -> Bound {
    if b.value > a.value { b } else { a }
}

/// A level behind an end of an interval of robustness, in the signal's unit.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Reading {
    pub(crate) kind: SignalKind,
    pub(crate) margin: i64,
    pub(crate) seen: i64,
    pub(crate) uncertainty: i64,
    pub(crate) model_error: i64,
}

/// The course of one condition up to the present instant, as far as later
/// decisions look back at it.
#[derive(Clone, Debug)]
pub(crate) struct Track {
    /// How well it holds now.
    pub(crate) now: Robustness,
    /// Last instants, before the present stretch, at which each was so.
    last_doubtful: i64,
    last_doubt_unobserved: i64,
    last_possible: i64,
    last_hope_unobserved: i64,
    last_blurred: i64,
    last_blur_unobserved: i64,
    /// Since when it has been surely true, not surely true, surely false, not surely false.
    pub(crate) sure_since: i64,
    pub(crate) unsure_since: i64,
    pub(crate) impossible_since: i64,
    pub(crate) possible_since: i64,
}

impl Track {
    /// Nothing observed, from the beginning of the run on.
    pub(crate) fn new() -> Self {
        Track {
            now: Robustness::NOT_OBSERVED,
            last_doubtful: NEVER,
            last_doubt_unobserved: NEVER,
            last_possible: NEVER,
            last_hope_unobserved: NEVER,
            last_blurred: NEVER,
            last_blur_unobserved: NEVER,
            sure_since: FOREVER,
            unsure_since: 0,
            impossible_since: FOREVER,
            possible_since: 0,
        }
    }

    /// From instant `at` on the condition holds as well as this.
    pub(crate) fn change(&mut self, at: i64, new: Robustness) {
        let old = self.now;
        // The run begins at 0: what was before its first instant never counts.
        let before = if at > 0 { at - 1 } else { NEVER };
        if old.blurred() {
            self.last_blurred = before;
            if old.unobserved() {
                self.last_blur_unobserved = before;
            }
        }
        if !old.sure() {
            self.last_doubtful = before;
            if old.lo.value == -UNKNOWN {
                self.last_doubt_unobserved = before;
            }
        }
        if old.possible() {
            self.last_possible = before;
            if old.hi.value == UNKNOWN {
                self.last_hope_unobserved = before;
            }
        }
        if new.sure() != old.sure() {
            (self.sure_since, self.unsure_since) = if new.sure() { (at, FOREVER) } else { (FOREVER, at) };
        }
        if new.possible() != old.possible() {
            (self.possible_since, self.impossible_since) = if new.possible() { (at, FOREVER) } else { (FOREVER, at) };
        }
        self.now = new;
    }

    /// Last instant up to `at` (which is in the present stretch) at which the
    /// condition was not surely true.
    pub(crate) fn last_doubtful(&self, at: i64) -> i64 {
        if self.now.sure() { self.last_doubtful } else { at }
    }

    /// The same where that is because of something that was not observed.
    pub(crate) fn last_doubt_unobserved(&self, at: i64) -> i64 {
        if self.now.lo.value == -UNKNOWN { at } else { self.last_doubt_unobserved }
    }

    /// Last instant up to `at` at which the condition may have been true.
    pub(crate) fn last_possible(&self, at: i64) -> i64 {
        if self.now.possible() { at } else { self.last_possible }
    }

    /// The same where that is because of something that was not observed.
    pub(crate) fn last_hope_unobserved(&self, at: i64) -> i64 {
        if self.now.hi.value == UNKNOWN { at } else { self.last_hope_unobserved }
    }

    /// Last instant up to `at` at which it was neither surely true nor surely false.
    pub(crate) fn last_blurred(&self, at: i64) -> i64 {
        if self.now.blurred() { at } else { self.last_blurred }
    }

    /// The same where that is because of something that was not observed.
    pub(crate) fn last_blur_unobserved(&self, at: i64) -> i64 {
        if self.now.blurred() && self.now.unobserved() { at } else { self.last_blur_unobserved }
    }

    /// Last instant, before the present stretch, at which it may have been true.
    pub(crate) fn last_possible_before_now(&self) -> i64 {
        self.last_possible
    }
}

/// An instant as it is kept in findings.
pub(crate) fn instant(micros: i64) -> RigTime {
    RigTime::from_micros(micros)
}

/// A span as it is kept in findings.
pub(crate) fn span(micros: i64) -> Margin {
    Margin::Time(RigSpan::from_micros(micros))
}

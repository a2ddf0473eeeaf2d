//! What judging yields.

use std::fmt;

use dryfire_units::{RigSpan, RigTime};

/// The result of judging, ordered from best to worst.
///
/// Combining takes the worst (the overwriting rule of ETSI ES 201 873-1,
/// clause 24; order from memory). A decided fail is still listed and counted
/// where an error overwrites it in the combined verdict.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Verdict {
    /// Held, clear of the uncertainty.
    Pass,
    /// Not decided: not observed, cut short, or inside the guard band.
    Inconclusive,
    /// Did not hold, clear of the uncertainty.
    Fail,
    /// Bench, link or controller broke down; nothing can be said.
    Error,
}

impl Verdict {
    /// The worse of two verdicts.
    #[must_use]
    pub fn combine(self, other: Verdict) -> Verdict {
        self.max(other)
    }

    /// The verdict's word in every output.
    pub fn word(self) -> &'static str {
        match self {
            Verdict::Pass => "pass",
            Verdict::Inconclusive => "inconclusive",
            Verdict::Fail => "fail",
            Verdict::Error => "error",
        }
    }
}

impl fmt::Display for Verdict {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

/// By how much an expectation held (positive) or failed (negative), in its own unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Margin {
    /// The largest time by which the bound can be shortened and still hold.
    Time(RigSpan),
    /// Thousandths of a degree (a difference of temperatures).
    Temperature(i64),
    /// Thousandths of a degree per hour.
    Rate(i64),
    /// Thousandths of a per cent of the time.
    Duty(i64),
    /// A whole number of times.
    Count(i64),
}

impl Margin {
    /// The bare number, in µs, thousandths or whole times: to be compared only
    /// with others of the same unit.
    pub fn number(self) -> i64 {
        match self {
            Margin::Time(span) => span.as_micros(),
            Margin::Temperature(value) | Margin::Rate(value) | Margin::Duty(value) | Margin::Count(value) => value,
        }
    }
}

/// Why a finding is what it is; structured, so that tests, reports and the
/// symptoms of seeded defects speak of the same thing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Reason {
    /// It held.
    Held,
    /// Heat was never cut within what was observed.
    HeatNotCut,
    /// Heat was cut, but later than the limit.
    HeatCutLate,
    /// What had to be reached in time was reached too late.
    ReachedLate,
    /// What had to be reached was never reached.
    NotReached,
    /// What must never be was seen, or what must always be was not.
    Violated,
    /// A level went past its limit.
    LimitExceeded,
    /// The moment that opens the scope never came.
    TriggerNotObserved,
    /// The run ended before the obligation was decided.
    StillOpen,
    /// Something that matters here was not observed (a gap, a loss).
    NotObserved,
    /// The value lies inside the guard band of the uncertainty.
    InsideGuardBand,
    /// The claim would have come out the same whatever the controller did.
    Vacuous,
    /// Something lasted shorter than it has to.
    TooShort,
    /// Something lasted longer than it may.
    TooLong,
    /// Something came about fewer times than it has to.
    TooFew,
    /// Something came about more often than it may.
    TooMany,
    /// Something came before what has to come first.
    OutOfOrder,
    /// More was going on at once than the judge keeps room for.
    Overflow,
}

impl Reason {
    /// The reason's stable word in machine output.
    pub fn word(self) -> &'static str {
        match self {
            Reason::Held => "held",
            Reason::HeatNotCut => "heat-not-cut",
            Reason::HeatCutLate => "heat-cut-late",
            Reason::ReachedLate => "reached-late",
            Reason::NotReached => "not-reached",
            Reason::Violated => "violated",
            Reason::LimitExceeded => "limit-exceeded",
            Reason::TriggerNotObserved => "trigger-not-observed",
            Reason::StillOpen => "still-open",
            Reason::NotObserved => "not-observed",
            Reason::InsideGuardBand => "inside-guard-band",
            Reason::Vacuous => "vacuous",
            Reason::TooShort => "too-short",
            Reason::TooLong => "too-long",
            Reason::TooFew => "too-few",
            Reason::TooMany => "too-many",
            Reason::OutOfOrder => "out-of-order",
            Reason::Overflow => "overflow",
        }
    }
}

/// What judging one expectation yielded.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Finding {
    /// Index of the expectation in the list given to the judge.
    pub expectation: usize,
    /// The verdict.
    pub verdict: Verdict,
    /// Why.
    pub reason: Reason,
    /// Margin of the occurrence that decided, where it has one.
    pub margin: Option<Margin>,
    /// The instant that decided.
    pub decided_at: Option<RigTime>,
    /// What was seen: the reaction time, or the worst level; in the unit of
    /// the margin.
    pub seen: Option<Margin>,
    /// The expanded uncertainty that the verdict had to clear, same unit.
    pub uncertainty: Option<Margin>,
    /// The model's stated error that it had to clear as well, same unit; apart
    /// from the measurement uncertainty because it is none.
    pub model_error: Option<Margin>,
    /// Whether the claim was vacuous: its worst consequence would have been
    /// judged the same.
    pub vacuous: bool,
}

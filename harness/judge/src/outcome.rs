//! What one occurrence of a scope came to, and which of several is reported.

use crate::course::{Reading, instant, span};
use crate::{Finding, Margin, Reason, Verdict};

/// An occurrence of a scope.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Opening {
    /// Its number in the order of opening, from 0.
    pub(crate) ordinal: u32,
    /// When it opens.
    pub(crate) at: i64,
    /// How far from the truth that may be, edges of the signals included;
    /// zero at the beginning of the run.
    pub(crate) uncertainty: i64,
    /// How far from the truth the time from there to an edge may be.
    pub(crate) guard: i64,
}

impl Opening {
    /// First instant that may be in the scope.
    pub(crate) fn earliest(self) -> i64 {
        self.at - self.uncertainty
    }

    /// First instant from which on all is surely in the scope.
    pub(crate) fn latest(self) -> i64 {
        self.at + self.uncertainty
    }
}

/// What one occurrence came to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Outcome {
    pub(crate) opening: Opening,
    pub(crate) verdict: Verdict,
    pub(crate) reason: Reason,
    pub(crate) decided_at: Option<i64>,
    pub(crate) margin: Option<Margin>,
    pub(crate) seen: Option<Margin>,
    pub(crate) uncertainty: Option<Margin>,
    pub(crate) model_error: Option<Margin>,
}

impl Outcome {
    pub(crate) fn new(opening: Opening, verdict: Verdict, reason: Reason, decided_at: Option<i64>) -> Self {
        Outcome { opening, verdict, reason, decided_at, margin: None, seen: None, uncertainty: None, model_error: None }
    }

    pub(crate) fn inconclusive(opening: Opening, reason: Reason) -> Self {
        Outcome::new(opening, Verdict::Inconclusive, reason, None)
    }

    /// With a time that was seen, and by how much it keeps to its bound.
    #[must_use]
    pub(crate) fn timed(mut self, seen: i64, margin: i64, uncertainty: i64) -> Self {
        self.seen = Some(span(seen));
        self.margin = Some(span(margin));
        self.uncertainty = Some(span(uncertainty));
        self
    }

    /// With a level that was seen; `sign` is −1 where the claim is the opposite
    /// of the condition that was followed.
    #[must_use]
    pub(crate) fn levelled(mut self, reading: Option<Reading>, sign: i64) -> Self {
        if let Some(reading) = reading {
            let quantity = |value| reading.kind.quantity(value);
            self.margin = quantity(sign * reading.margin);
            self.seen = quantity(reading.seen);
            self.uncertainty = quantity(reading.uncertainty);
            self.model_error = quantity(reading.model_error).filter(|error| error.number() > 0);
        }
        self
    }

    /// Whether this one is reported rather than the other: the worse verdict;
    /// of fails the first to be certain, of inconclusive ones the first to
    /// open, of passes the one that clears its uncertainty by the least.
    pub(crate) fn outranks(&self, other: &Outcome) -> bool {
        if self.verdict != other.verdict {
            return self.verdict > other.verdict;
        }
        let rank = |outcome: &Outcome| {
            let first = match outcome.verdict {
                Verdict::Fail => outcome.decided_at,
                Verdict::Pass => outcome.clearance(),
                Verdict::Inconclusive | Verdict::Error => Some(0),
            };
            (first.unwrap_or(i64::MAX), outcome.opening.at, outcome.opening.ordinal)
        };
        rank(self) < rank(other)
    }

    /// What is left of the margin beyond what it has to clear.
    fn clearance(&self) -> Option<i64> {
        let cleared = [self.uncertainty, self.model_error].into_iter().flatten().map(Margin::number).sum::<i64>();
        self.margin.map(|margin| margin.number() - cleared)
    }

    pub(crate) fn finding(&self, expectation: usize) -> Finding {
        Finding {
            expectation,
            verdict: self.verdict,
            reason: self.reason,
            margin: self.margin,
            decided_at: self.decided_at.map(instant),
            seen: self.seen,
            uncertainty: self.uncertainty,
            model_error: self.model_error,
            vacuous: self.reason == Reason::Vacuous,
        }
    }
}

/// The outcome that will be reported, of all that are settled.
#[derive(Clone, Debug, Default)]
pub(crate) struct Results {
    pub(crate) worst: Option<Outcome>,
    /// What counts for nothing as long as its limit is not much shorter: it
    /// bounds the margin of a pass, and is no pass by itself.
    set_aside: Option<Outcome>,
}

impl Results {
    pub(crate) fn settle(&mut self, outcome: Outcome) {
        if self.worst.as_ref().is_none_or(|worst| outcome.outranks(worst)) {
            self.worst = Some(outcome);
        }
    }

    pub(crate) fn set_aside(&mut self, outcome: Outcome) {
        if self.set_aside.as_ref().is_none_or(|other| outcome.outranks(other)) {
            self.set_aside = Some(outcome);
        }
    }

    /// What is to be reported when everything is settled.
    pub(crate) fn take(&mut self) -> Option<Outcome> {
        let worst = self.worst.take()?;
        match self.set_aside.take() {
            Some(aside) if aside.outranks(&worst) => Some(aside),
            _ => Some(worst),
        }
    }
}

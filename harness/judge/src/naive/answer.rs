//! What the definitions come to, and the numbers behind it.

use dryfire_units::{RigSpan, RigTime};

use super::course::Level;
use crate::{Finding, Margin, Reason, SignalKind, Verdict};

/// What an occurrence, or the whole expectation, came to.
#[derive(Clone, Debug)]
pub(super) struct Answer {
    pub(super) verdict: Verdict,
    pub(super) reason: Reason,
    pub(super) at: Option<i64>,
    figures: Option<Figures>,
}

/// The numbers behind an answer.
#[derive(Clone, Copy, Debug)]
struct Figures {
    margin: Margin,
    seen: Margin,
    uncertainty: Option<Margin>,
    model_error: Option<Margin>,
}

impl Answer {
    pub(super) fn of(verdict: Verdict, reason: Reason, at: Option<i64>) -> Self {
        Answer { verdict, reason, at, figures: None }
    }

    pub(super) fn undecided(reason: Reason) -> Self {
        Answer::of(Verdict::Inconclusive, reason, None)
    }

    pub(super) fn with_level(mut self, level: Option<Level>) -> Self {
        self.figures = level.map(|level| Figures {
            margin: in_unit_of(level, level.margin),
            seen: in_unit_of(level, level.value),
            uncertainty: Some(in_unit_of(level, level.uncertainty)),
            model_error: (level.model_error != 0).then(|| in_unit_of(level, level.model_error)),
        });
        self
    }

    pub(super) fn with_time(mut self, margin: i64, seen: i64, uncertainty: i64) -> Self {
        let time = |micros| Margin::Time(RigSpan::from_micros(micros));
        self.figures = Some(Figures {
            margin: time(margin),
            seen: time(seen),
            uncertainty: Some(time(uncertainty)),
            model_error: None,
        });
        self
    }

    /// With another reason, if it is a fail.
    pub(super) fn called(self, reason: Option<Reason>) -> Self {
        let reason = reason.filter(|_| self.verdict == Verdict::Fail).unwrap_or(self.reason);
        Answer { reason, ..self }
    }

    pub(super) fn with_count(mut self, margin: i64, seen: i64) -> Self {
        self.figures = Some(Figures {
            margin: Margin::Count(margin),
            seen: Margin::Count(seen),
            uncertainty: None,
            model_error: None,
        });
        self
    }

    /// By how much a pass clears its uncertainty.
    pub(super) fn clearance(&self) -> i64 {
        let number = |margin: Margin| match margin {
            Margin::Time(span) => span.as_micros(),
            Margin::Temperature(level) | Margin::Rate(level) | Margin::Duty(level) | Margin::Count(level) => level,
        };
        self.figures.map_or(i64::MAX, |figures| {
            number(figures.margin) - figures.uncertainty.map_or(0, number) - figures.model_error.map_or(0, number)
        })
    }

    pub(super) fn into_finding(self, expectation: usize) -> Finding {
        let figures = self.figures;
        Finding {
            expectation,
            verdict: self.verdict,
            reason: self.reason,
            margin: figures.map(|figures| figures.margin),
            decided_at: self.at.map(RigTime::from_micros),
            seen: figures.map(|figures| figures.seen),
            uncertainty: figures.and_then(|figures| figures.uncertainty),
            model_error: figures.and_then(|figures| figures.model_error),
            vacuous: self.reason == Reason::Vacuous,
        }
    }
}

/// A number in the unit of the level it belongs to.
fn in_unit_of(level: Level, number: i64) -> Margin {
    match level.kind {
        // A switch has no level; its margins are never asked for.
        SignalKind::Switch | SignalKind::Count => Margin::Count(number),
        SignalKind::Temperature | SignalKind::Difference => Margin::Temperature(number),
        SignalKind::Rate => Margin::Rate(number),
        SignalKind::Duty => Margin::Duty(number),
    }
}

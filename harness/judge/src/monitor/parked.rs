//! Outcomes that wait for the end of their scope, and fails whose details may
//! still become known.

use super::{Closing, Surroundings};
use crate::outcome::{Opening, Outcome, Results};
use crate::{Reason, Verdict};

/// An outcome, and the last instant that it rests on.
struct Waiting {
    outcome: Outcome,
    rests_on: i64,
}

/// Outcomes of occurrences whose scope is not over.
#[derive(Default)]
pub(crate) struct Parked {
    waiting: Vec<Waiting>,
}

impl Parked {
    /// Takes an outcome that rests on what was seen up to `rests_on`. Where no
    /// moment ends the scope it is settled at once, except that a fail is kept
    /// back for its details.
    pub(crate) fn take(&mut self, around: &Surroundings<'_>, outcome: Outcome, rests_on: i64, results: &mut Results) {
        if around.closing != Closing::Never {
            self.waiting.push(Waiting { outcome, rests_on });
        } else if outcome.verdict != Verdict::Fail {
            results.settle(outcome);
        } else if self.waiting.is_empty() {
            // The first to be certain is reported; of several at one instant the first
            // to open, and they come in that order.
            self.waiting.push(Waiting { outcome, rests_on });
        }
    }

    /// The fail that nothing can change.
    pub(crate) fn certain_fail(&self, around: &Surroundings<'_>) -> Option<&Outcome> {
        if around.closing != Closing::Never {
            return None;
        }
        self.waiting.first().map(|waiting| &waiting.outcome)
    }

    /// Fails without details.
    pub(crate) fn bare_fails(&mut self) -> impl Iterator<Item = &mut Outcome> {
        self.waiting
            .iter_mut()
            .map(|waiting| &mut waiting.outcome)
            .filter(|outcome| outcome.verdict == Verdict::Fail && outcome.margin.is_none())
    }

    /// The scope ends just before `at`: what rests on instants that may lie
    /// outside is not decided.
    pub(crate) fn close(&mut self, at: i64, uncertainty: i64, results: &mut Results) {
        for waiting in self.waiting.drain(..) {
            let kept = waiting.rests_on < at - uncertainty;
            let outcome =
                if kept { waiting.outcome } else { undecided_at_end(waiting.outcome.opening, at, uncertainty) };
            results.settle(outcome);
        }
    }

    /// The run ends before the scope.
    pub(crate) fn finish(&mut self, around: &Surroundings<'_>, results: &mut Results) {
        for waiting in self.waiting.drain(..) {
            results.settle(if around.closing == Closing::Required {
                Outcome::inconclusive(waiting.outcome.opening, Reason::TriggerNotObserved)
            } else {
                waiting.outcome
            });
        }
    }

    pub(crate) fn len(&self) -> usize {
        self.waiting.len()
    }
}

/// What an occurrence comes to whose scope ends just before `at` without a decision.
pub(crate) fn undecided_at_end(opening: Opening, at: i64, uncertainty: i64) -> Outcome {
    let nothing_inside = opening.latest() > at - uncertainty - 1;
    Outcome::inconclusive(opening, if nothing_inside { Reason::Vacuous } else { Reason::StillOpen })
}

//! Bounded response: the condition comes true not later than a limit after the
//! opening.

use std::collections::VecDeque;

use super::parked::{Parked, undecided_at_end};
use super::{Closing, Ending, Follow, Surroundings};
use crate::course::FOREVER;
use crate::outcome::{Opening, Outcome, Results};
use crate::{Reason, Verdict};

/// The condition is to be reached in time after each opening.
pub(crate) struct Reach {
    limit: i64,
    release: i64,
    /// The trigger is the opposite of the condition: how long it lasts is claimed.
    lasts: bool,
    /// Openings without an answer, by the instant at which a fail is certain.
    pending: VecDeque<Pending>,
    parked: Parked,
    due: i64,
}

struct Pending {
    opening: Opening,
    /// First instant at which the condition was surely true, in time or nearly so.
    first_sure: Option<i64>,
}

impl Reach {
    pub(crate) fn new(limit: i64, release: i64, lasts: bool) -> Self {
        Reach { limit, release, lasts, pending: VecDeque::new(), parked: Parked::default(), due: FOREVER }
    }

    /// Last instant at which the sensed condition is in time.
    fn deadline(&self, opening: Opening) -> i64 {
        opening.at + self.limit - self.release
    }

    /// Last instant at which it may have been in time.
    fn last_chance(&self, opening: Opening) -> i64 {
        self.deadline(opening) + opening.guard
    }

    fn timed(&self, outcome: Outcome, reached: i64) -> Outcome {
        let opening = outcome.opening;
        let seen = reached - opening.at + self.release;
        outcome.timed(seen, self.limit - seen, opening.guard)
    }

    /// Whether the scope ended, surely, before what opened it could have lasted
    /// too long: such an occurrence counts for nothing.
    fn over_before_it_could(&self, around: &Surroundings<'_>, opening: Opening, at: i64, last: i64) -> bool {
        self.lasts
            && last < self.deadline(opening) - opening.guard
            && around.track.last_possible(at) < opening.earliest()
    }

    /// An occurrence that counts for nothing, for its scope is over at `over`
    /// (known to `uncertainty`). With a limit shorter than that it would not be so.
    fn cut_off(&self, opening: Opening, over: i64, uncertainty: i64) -> Outcome {
        let seen = over - opening.at + self.release;
        let outcome = Outcome::new(opening, Verdict::Pass, Reason::Held, Some(over - 1));
        outcome.timed(seen, self.limit - seen, opening.guard + uncertainty)
    }

    fn undecided(&self, around: &Surroundings<'_>, pending: &Pending, at: i64) -> Outcome {
        let opening = pending.opening;
        if around.track.last_hope_unobserved(at) >= opening.earliest() {
            return Outcome::inconclusive(opening, Reason::NotObserved);
        }
        if around.track.last_possible(at) < opening.earliest() {
            return Outcome::inconclusive(opening, Reason::StillOpen);
        }
        let outcome = Outcome::inconclusive(opening, Reason::InsideGuardBand);
        match pending.first_sure {
            Some(reached) => self.timed(outcome, reached),
            None => outcome,
        }
    }

    /// The condition is surely true: answers what it answers, and returns the
    /// next instant at which an opening is surely past.
    fn answer(&mut self, around: &Surroundings<'_>, at: i64, results: &mut Results) -> i64 {
        let mut next = FOREVER;
        let since = around.track.sure_since;
        // Of several that are answered at once only one can be reported.
        let mut closest: Option<(i64, Opening, i64)> = None;
        let mut index = 0;
        while index < self.pending.len() {
            let opening = self.pending[index].opening;
            let reached = since.max(opening.at);
            let in_time = reached <= self.deadline(opening) - opening.guard;
            if at >= opening.latest() && in_time {
                // Nearly always the whole queue is answered from the front.
                if index == 0 {
                    self.pending.pop_front();
                } else {
                    self.pending.remove(index);
                }
                let clearance = opening.at - reached - opening.guard;
                if around.closing != Closing::Never {
                    self.parked.take(around, self.held(opening, reached), at, results);
                } else if closest.is_none_or(|(least, first, _)| {
                    (clearance, opening.at, opening.ordinal) < (least, first.at, first.ordinal)
                }) {
                    closest = Some((clearance, opening, reached));
                }
                continue;
            }
            if at < opening.latest() {
                next = next.min(opening.latest());
            }
            self.pending[index].first_sure.get_or_insert(reached);
            index += 1;
        }
        if let Some((_, opening, reached)) = closest {
            self.parked.take(around, self.held(opening, reached), at, results);
        }
        next
    }

    fn held(&self, opening: Opening, reached: i64) -> Outcome {
        self.timed(Outcome::new(opening, Verdict::Pass, Reason::Held, Some(reached)), reached)
    }

    /// Details of fails: how late it was reached.
    fn complete_fails(&mut self, around: &Surroundings<'_>) {
        let (limit, release, since) = (self.limit, self.release, around.track.sure_since);
        for fail in self.parked.bare_fails() {
            let seen = since - fail.opening.at + release;
            let uncertainty = fail.opening.guard;
            fail.reason = Reason::ReachedLate;
            *fail = fail.clone().timed(seen, limit - seen, uncertainty);
        }
    }

    fn expire(&mut self, around: &Surroundings<'_>, at: i64, results: &mut Results) {
        while let Some(front) = self.pending.front()
            && self.last_chance(front.opening) <= at
        {
            let pending = self.pending.pop_front().expect("there is a front");
            let last_chance = self.last_chance(pending.opening);
            let outcome = if around.track.last_possible(at) < pending.opening.earliest() {
                Outcome::new(pending.opening, Verdict::Fail, Reason::NotReached, Some(last_chance))
            } else {
                self.undecided(around, &pending, at)
            };
            self.parked.take(around, outcome, last_chance, results);
        }
    }
}

impl Follow for Reach {
    #[inline]
    fn open(&mut self, around: &Surroundings<'_>, opening: Opening) {
        if self.parked.certain_fail(around).is_some() {
            return;
        }
        let last_chance = self.last_chance(opening);
        let mut place = self.pending.len();
        while place > 0 && self.last_chance(self.pending[place - 1].opening) > last_chance {
            place -= 1;
        }
        let pending = Pending { opening, first_sure: None };
        // Nearly always it is the last.
        if place == self.pending.len() {
            self.pending.push_back(pending);
        } else {
            self.pending.insert(place, pending);
        }
    }

    fn close(&mut self, around: &Surroundings<'_>, at: i64, uncertainty: i64, results: &mut Results) {
        self.parked.close(at, uncertainty, results);
        for pending in std::mem::take(&mut self.pending) {
            if self.over_before_it_could(around, pending.opening, at, at + uncertainty - 1) {
                results.set_aside(self.cut_off(pending.opening, at, uncertainty));
            } else {
                results.settle(undecided_at_end(pending.opening, at, uncertainty));
            }
        }
    }

    #[inline]
    fn touch(&mut self, around: &Surroundings<'_>, at: i64, results: &mut Results) -> bool {
        let unsettled = self.pending.len();
        let mut due = FOREVER;
        if around.track.now.sure() {
            self.complete_fails(around);
            due = self.answer(around, at, results);
        }
        self.expire(around, at, results);
        if let Some(front) = self.pending.front() {
            due = due.min(self.last_chance(front.opening));
        }
        self.due = due;
        self.pending.len() < unsettled
    }

    fn due(&self) -> i64 {
        self.due
    }

    fn certain_fail(&self, around: &Surroundings<'_>) -> Option<Outcome> {
        self.parked.certain_fail(around).cloned()
    }

    fn unsettled(&self) -> usize {
        self.pending.len() + self.parked.len()
    }

    fn room(&self) -> usize {
        super::MOST_AWAITED
    }

    fn forget(&mut self, from: i64) {
        self.pending.retain(|pending| pending.opening.at < from);
    }

    fn finish(&mut self, around: &Surroundings<'_>, ending: Ending, results: &mut Results) {
        while let Some(pending) = self.pending.pop_front() {
            let outcome = if around.closing == Closing::Required {
                Outcome::inconclusive(pending.opening, Reason::TriggerNotObserved)
            } else if !ending.cut_short && self.over_before_it_could(around, pending.opening, ending.at, ending.at) {
                results.set_aside(self.cut_off(pending.opening, ending.at + 1, 0));
                continue;
            } else {
                self.undecided(around, &pending, ending.at)
            };
            results.settle(outcome);
        }
        self.parked.finish(around, results);
    }
}

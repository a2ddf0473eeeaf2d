//! Bounded existence: the condition becomes true so many times in the scope.

use std::collections::VecDeque;

use super::{Closing, Ending, Follow, Surroundings};
use crate::course::FOREVER;
use crate::outcome::{Opening, Outcome, Results};
use crate::{Reason, Verdict};

/// So many of the latest rises are kept, for openings that may lie before them.
const RISES_KEPT: usize = 64;

/// The condition is to become true so many times in each window.
pub(crate) struct Times {
    at_least: u32,
    at_most: u32,
    open: Vec<Count>,
    recent: VecDeque<i64>,
    /// Whether the condition was surely false up to just before the present instant.
    was_false: bool,
    due: i64,
}

struct Count {
    opening: Opening,
    end: Option<(i64, i64)>,
    blurred: bool,
    unobserved: bool,
    /// Rises that may be in the scope, and that surely are unless it ends before.
    possible: u32,
    sure: u32,
    /// When the sure ones were enough, and when they were too many.
    enough_at: Option<i64>,
    too_many_at: Option<i64>,
}

impl Times {
    pub(crate) fn new(at_least: u32, at_most: u32) -> Self {
        Times {
            at_least,
            at_most,
            open: Vec::new(),
            recent: VecDeque::with_capacity(RISES_KEPT),
            was_false: false,
            due: FOREVER,
        }
    }

    fn outcome(&self, count: &Count, ending: Ending) -> Outcome {
        let opening = count.opening;
        let (end, uncertainty) = count.end.unwrap_or((ending.at + 1, 0));
        let surely = |at: &i64| *at < end - uncertainty;
        if let Some(at) = count.too_many_at.filter(surely) {
            return Outcome::new(opening, Verdict::Fail, Reason::TooMany, Some(at));
        }
        let inconclusive = |reason| Outcome::inconclusive(opening, reason);
        if opening.latest() > ending.at.min(end - uncertainty - 1) {
            return inconclusive(if count.end.is_some() { Reason::Vacuous } else { Reason::StillOpen });
        }
        if count.unobserved || end + uncertainty - 1 > ending.at {
            return inconclusive(Reason::NotObserved);
        }
        if count.blurred {
            return inconclusive(Reason::InsideGuardBand);
        }
        if count.end.is_none() && ending.cut_short {
            return inconclusive(Reason::StillOpen);
        }
        let enough = self.at_least == 0 || count.enough_at.as_ref().is_some_and(surely);
        if count.possible < self.at_least {
            Outcome::new(opening, Verdict::Fail, Reason::TooFew, Some(end - 1))
        } else if enough && count.possible <= self.at_most {
            Outcome::new(opening, Verdict::Pass, Reason::Held, Some(end - 1))
        } else {
            inconclusive(Reason::InsideGuardBand)
        }
    }
}

impl Follow for Times {
    fn open(&mut self, around: &Surroundings<'_>, opening: Opening) {
        let earliest = opening.earliest();
        let before = self.recent.iter().filter(|rise| **rise >= earliest).count();
        let forgotten = before == RISES_KEPT;
        self.open.push(Count {
            opening,
            end: None,
            blurred: forgotten || around.track.last_blurred(opening.at) >= earliest,
            unobserved: around.track.last_blur_unobserved(opening.at) >= earliest,
            possible: before as u32,
            sure: 0,
            enough_at: None,
            too_many_at: None,
        });
    }

    fn close(&mut self, _around: &Surroundings<'_>, at: i64, uncertainty: i64, _results: &mut Results) {
        for count in self.open.iter_mut().filter(|count| count.end.is_none()) {
            count.end = Some((at, uncertainty));
        }
    }

    fn touch(&mut self, around: &Surroundings<'_>, at: i64, results: &mut Results) -> bool {
        let track = around.track;
        // What is true when the run begins became true there.
        let risen = track.sure_since == at && (self.was_false || at == 0);
        let blurred = track.now.possible() && !track.now.sure();
        let mut news = false;
        for count in &mut self.open {
            let (end, uncertainty) = count.end.unwrap_or((FOREVER, 0));
            if at >= end + uncertainty {
                continue;
            }
            count.blurred |= blurred;
            count.unobserved |= blurred && track.now.unobserved();
            if risen {
                count.possible = count.possible.saturating_add(1);
                if at >= count.opening.latest() {
                    count.sure = count.sure.saturating_add(1);
                    if count.sure == self.at_least {
                        count.enough_at = Some(at);
                    }
                    if count.sure == self.at_most.saturating_add(1) && count.too_many_at.is_none() {
                        count.too_many_at = Some(at);
                        news = true;
                    }
                }
            }
        }
        if risen {
            if self.recent.len() == RISES_KEPT {
                self.recent.pop_front();
            }
            self.recent.push_back(at);
        }
        self.was_false = !track.now.possible();

        let over = |count: &Count| count.end.is_some_and(|(end, uncertainty)| end + uncertainty - 1 <= at);
        for count in self.open.iter().filter(|count| over(count)) {
            results.settle(self.outcome(count, Ending { at, cut_short: false }));
            news = true;
        }
        self.open.retain(|count| !over(count));
        self.due = self
            .open
            .iter()
            .filter_map(|count| count.end)
            .map(|(end, uncertainty)| end + uncertainty - 1)
            .min()
            .unwrap_or(FOREVER);
        news
    }

    fn due(&self) -> i64 {
        self.due
    }

    fn certain_fail(&self, around: &Surroundings<'_>) -> Option<Outcome> {
        if around.closing != Closing::Never {
            return None;
        }
        let fails = self.open.iter().filter(|count| count.too_many_at.is_some());
        fails
            .map(|count| self.outcome(count, Ending { at: FOREVER, cut_short: false }))
            .reduce(|first, next| if next.outranks(&first) { next } else { first })
    }

    fn unsettled(&self) -> usize {
        self.open.len()
    }

    fn forget(&mut self, from: i64) {
        self.open.retain(|count| count.opening.at < from);
    }

    fn finish(&mut self, around: &Surroundings<'_>, ending: Ending, results: &mut Results) {
        for count in std::mem::take(&mut self.open) {
            results.settle(if around.closing == Closing::Required && count.end.is_none() {
                Outcome::inconclusive(count.opening, Reason::TriggerNotObserved)
            } else {
                self.outcome(&count, ending)
            });
        }
    }
}

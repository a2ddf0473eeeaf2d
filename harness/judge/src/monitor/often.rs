//! How often the condition becomes true in any stretch of a given length.

use std::collections::VecDeque;

use super::{Closing, Ending, Follow, Surroundings};
use crate::course::{FOREVER, NEVER};
use crate::outcome::{Opening, Outcome, Results};
use crate::{Margin, Reason, Verdict};

/// The condition is to become true at most so many times in any stretch.
pub(crate) struct Often {
    at_most: usize,
    window: i64,
    /// How far from the truth the time between two edges may be.
    blur: i64,
    open: Vec<Count>,
    /// The latest rises, one more than may be in a stretch.
    recent: VecDeque<i64>,
    /// Where the last stretch began that may hold one too many; they begin in order.
    last_crowded: i64,
    /// Whether the condition was surely false up to just before the present instant.
    was_false: bool,
    due: i64,
}

struct Count {
    opening: Opening,
    end: Option<(i64, i64)>,
    blurred: bool,
    unobserved: bool,
    /// One too many may have come in the scope.
    may_be_crowded: bool,
    too_many_at: Option<i64>,
    /// The most rises of any stretch in the scope by the figures.
    most: usize,
}

impl Often {
    pub(crate) fn new(at_most: u32, window: i64, edge_uncertainty: i64) -> Self {
        let at_most = at_most as usize;
        Often {
            at_most,
            window,
            blur: 2 * edge_uncertainty,
            open: Vec::new(),
            recent: VecDeque::with_capacity(at_most + 1),
            last_crowded: NEVER,
            was_false: false,
            due: FOREVER,
        }
    }

    fn counted(&self, outcome: Outcome, most: usize) -> Outcome {
        let count = |number: usize| Margin::Count(number as i64);
        let margin = Margin::Count(self.at_most as i64 - most as i64);
        Outcome { seen: Some(count(most)), margin: Some(margin), ..outcome }
    }

    fn outcome(&self, count: &Count, ending: Ending) -> Outcome {
        let opening = count.opening;
        let (end, uncertainty) = count.end.unwrap_or((ending.at + 1, 0));
        if let Some(at) = count.too_many_at.filter(|&at| at < end - uncertainty) {
            let fail = Outcome::new(opening, Verdict::Fail, Reason::TooMany, Some(at));
            return self.counted(fail, self.at_most + 1);
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
        let outcome = if count.may_be_crowded {
            inconclusive(Reason::InsideGuardBand)
        } else {
            Outcome::new(opening, Verdict::Pass, Reason::Held, Some(end - 1))
        };
        self.counted(outcome, count.most)
    }

    /// The condition became true.
    fn rise(&mut self, at: i64) -> bool {
        if self.recent.len() > self.at_most {
            self.recent.pop_front();
        }
        self.recent.push_back(at);
        let first = if self.recent.len() > self.at_most { self.recent[0] } else { NEVER };
        let may_be_crowded = first != NEVER && at - first <= self.window + self.blur;
        let crowded = first != NEVER && at - first <= self.window - self.blur;
        if may_be_crowded {
            self.last_crowded = first;
        }
        let mut news = false;
        for count in &mut self.open {
            let (end, uncertainty) = count.end.unwrap_or((FOREVER, 0));
            if at >= end + uncertainty {
                continue;
            }
            count.may_be_crowded |= may_be_crowded && first >= count.opening.earliest();
            if crowded && first >= count.opening.latest() && count.too_many_at.is_none() {
                count.too_many_at = Some(at);
                news = true;
            }
            if at < end {
                let from = count.opening.at.max(at - self.window);
                let together = self.recent.len() - self.recent.partition_point(|rise| *rise < from);
                count.most = count.most.max(together);
            }
        }
        news
    }
}

impl Follow for Often {
    fn open(&mut self, around: &Surroundings<'_>, opening: Opening) {
        let earliest = opening.earliest();
        self.open.push(Count {
            opening,
            end: None,
            blurred: around.track.last_blurred(opening.at) >= earliest,
            unobserved: around.track.last_blur_unobserved(opening.at) >= earliest,
            may_be_crowded: self.last_crowded >= earliest,
            too_many_at: None,
            most: 0,
        });
    }

    fn close(&mut self, _around: &Surroundings<'_>, at: i64, uncertainty: i64, _results: &mut Results) {
        for count in self.open.iter_mut().filter(|count| count.end.is_none()) {
            count.end = Some((at, uncertainty));
        }
    }

    fn touch(&mut self, around: &Surroundings<'_>, at: i64, results: &mut Results) -> bool {
        let track = around.track;
        let blurred = track.now.possible() && !track.now.sure();
        for count in &mut self.open {
            let (end, uncertainty) = count.end.unwrap_or((FOREVER, 0));
            if blurred && at < end + uncertainty {
                count.blurred = true;
                count.unobserved |= track.now.unobserved();
            }
        }
        // What is true when the run begins became true there.
        let mut news = track.sure_since == at && (self.was_false || at == 0) && self.rise(at);
        self.was_false = !track.now.possible();

        let over = |count: &Count| count.end.is_some_and(|(end, uncertainty)| end + uncertainty - 1 <= at);
        for count in self.open.iter().filter(|count| over(count)) {
            results.settle(self.outcome(count, Ending { at, cut_short: false }));
            news = true;
        }
        self.open.retain(|count| !over(count));
        let ends = self.open.iter().filter_map(|count| count.end);
        self.due = ends.map(|(end, uncertainty)| end + uncertainty - 1).min().unwrap_or(FOREVER);
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

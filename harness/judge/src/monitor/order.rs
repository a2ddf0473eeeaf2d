//! Precedence: one condition is not to hold before another has.

use super::{Closing, Ending, Follow, Surroundings};
use crate::course::{FOREVER, NEVER, Track};
use crate::outcome::{Opening, Outcome, Results};
use crate::{Reason, Verdict};

/// What has to wait is to come after what has to come first.
pub(crate) struct Order {
    /// How far from the truth the time between two edges may be.
    blur: i64,
    open: Vec<Pair>,
    /// The last instant at which anything was looked at.
    known_to: i64,
    due: i64,
}

struct Pair {
    opening: Opening,
    end: Option<(i64, i64)>,
    unobserved: bool,
    /// The first surely holds all over the time at which the scope may open.
    held_at_opening: bool,
    /// First instant at which the first may hold, and first at which it surely
    /// does and the scope surely is open.
    first_possible: Option<i64>,
    first_sure: Option<i64>,
    /// The same of what has to wait.
    then_possible: Option<i64>,
    then_sure: Option<i64>,
}

impl Order {
    pub(crate) fn new(edge_uncertainty: i64) -> Self {
        Order { blur: 2 * edge_uncertainty, open: Vec::new(), known_to: NEVER, due: FOREVER }
    }

    fn timed(&self, outcome: Outcome, apart: i64) -> Outcome {
        outcome.timed(apart, apart, self.blur)
    }

    /// What is decided as soon as both conditions are known up to `known_to`,
    /// if `seen` surely lies in the scope.
    fn decided(&self, pair: &Pair, seen: i64, known_to: i64) -> Option<Outcome> {
        let opening = pair.opening;
        if pair.held_at_opening {
            return Some(Outcome::new(opening, Verdict::Pass, Reason::Held, Some(seen)));
        }
        if let (Some(first), Some(then)) = (pair.first_sure, pair.then_possible)
            && first + self.blur <= then
        {
            return Some(self.timed(Outcome::new(opening, Verdict::Pass, Reason::Held, Some(seen)), then - first));
        }
        let certain_at = seen + self.blur;
        if known_to < certain_at || pair.first_possible.is_some_and(|first| first <= certain_at) {
            return None;
        }
        let fail = Outcome::new(opening, Verdict::Fail, Reason::OutOfOrder, Some(seen));
        let end = pair.end.map_or(FOREVER, |(end, _)| end);
        Some(match pair.first_sure.filter(|&first| first < end) {
            Some(first) => self.timed(fail, seen - first),
            None => fail,
        })
    }

    fn outcome(&self, pair: &Pair, ending: Ending) -> Outcome {
        let opening = pair.opening;
        let (end, uncertainty) = pair.end.unwrap_or((ending.at + 1, 0));
        let seen = pair.then_sure.filter(|&at| at < end - uncertainty);
        if let Some(outcome) = seen.and_then(|seen| self.decided(pair, seen, ending.at)) {
            return outcome;
        }
        let ended = pair.end.is_some();
        let reason = if opening.latest() > ending.at.min(end - uncertainty - 1) {
            if ended { Reason::Vacuous } else { Reason::StillOpen }
        } else if pair.unobserved || end + uncertainty - 1 > ending.at {
            Reason::NotObserved
        } else if seen.map_or(!ended && ending.cut_short, |seen| ending.at < seen + self.blur) {
            Reason::StillOpen
        } else if pair.then_possible.is_none() {
            Reason::Vacuous
        } else {
            Reason::InsideGuardBand
        };
        Outcome::inconclusive(opening, reason)
    }
}

fn blind(track: &Track) -> bool {
    track.now.possible() && !track.now.sure() && track.now.unobserved()
}

impl Pair {
    fn note(&mut self, first: &Track, then: &Track, at: i64) {
        self.unobserved |= blind(first) || blind(then);
        self.held_at_opening &= first.now.sure() || at > self.opening.latest();
        if first.now.possible() {
            self.first_possible.get_or_insert(at);
        }
        if then.now.possible() {
            self.then_possible.get_or_insert(at);
        }
        if at >= self.opening.latest() {
            if first.now.sure() {
                self.first_sure.get_or_insert(at);
            }
            if then.now.sure() {
                self.then_sure.get_or_insert(at);
            }
        }
    }
}

impl Follow for Order {
    fn open(&mut self, around: &Surroundings<'_>, opening: Opening) {
        let earliest = opening.earliest();
        let (first, then) = (around.first, around.track);
        let since_before = |track: &Track| (track.last_possible(opening.at) >= earliest).then_some(earliest);
        self.open.push(Pair {
            opening,
            end: None,
            unobserved: first.last_blur_unobserved(opening.at) >= earliest
                || then.last_blur_unobserved(opening.at) >= earliest,
            held_at_opening: first.sure_since <= earliest.max(0),
            // If it may have held before the opening, when first does not matter.
            first_possible: since_before(first),
            first_sure: None,
            then_possible: since_before(then),
            then_sure: None,
        });
    }

    fn close(&mut self, _around: &Surroundings<'_>, at: i64, uncertainty: i64, _results: &mut Results) {
        for pair in self.open.iter_mut().filter(|pair| pair.end.is_none()) {
            pair.end = Some((at, uncertainty));
        }
    }

    fn touch(&mut self, around: &Surroundings<'_>, at: i64, results: &mut Results) -> bool {
        self.known_to = at;
        let mut due = FOREVER;
        let mut news = false;
        let mut index = 0;
        while index < self.open.len() {
            let pair = &mut self.open[index];
            let last = pair.end.map_or(FOREVER, |(end, uncertainty)| end + uncertainty - 1);
            if at <= last {
                pair.note(around.first, around.track, at);
            }
            let pair = &self.open[index];
            let settled = if last <= at {
                Some(self.outcome(pair, Ending { at, cut_short: false }))
            } else if around.closing == Closing::Never && at >= pair.opening.latest() {
                let decided = pair.then_sure.and_then(|seen| self.decided(pair, seen, at));
                // Of a fail, how late the first came may still become known.
                news |= decided.is_some();
                decided.filter(|outcome| outcome.verdict == Verdict::Pass)
            } else {
                None
            };
            if let Some(outcome) = settled {
                results.settle(outcome);
                self.open.remove(index);
                news = true;
                continue;
            }
            let certain_at = pair.then_sure.map_or(FOREVER, |seen| seen + self.blur);
            let instants = [pair.opening.latest(), last, certain_at];
            due = instants.into_iter().filter(|&instant| instant > at).fold(due, i64::min);
            index += 1;
        }
        self.due = due;
        news
    }

    fn due(&self) -> i64 {
        self.due
    }

    fn certain_fail(&self, around: &Surroundings<'_>) -> Option<Outcome> {
        if around.closing != Closing::Never {
            return None;
        }
        let certain = |pair: &Pair| {
            let decided = self.decided(pair, pair.then_sure?, self.known_to)?;
            (decided.verdict == Verdict::Fail).then_some(decided)
        };
        let fails = self.open.iter().filter_map(certain);
        fails.reduce(|first, next| if next.outranks(&first) { next } else { first })
    }

    fn unsettled(&self) -> usize {
        self.open.len()
    }

    fn forget(&mut self, from: i64) {
        self.open.retain(|pair| pair.opening.at < from);
    }

    fn finish(&mut self, around: &Surroundings<'_>, ending: Ending, results: &mut Results) {
        for pair in std::mem::take(&mut self.open) {
            results.settle(if around.closing == Closing::Required && pair.end.is_none() {
                Outcome::inconclusive(pair.opening, Reason::TriggerNotObserved)
            } else {
                self.outcome(&pair, ending)
            });
        }
    }
}

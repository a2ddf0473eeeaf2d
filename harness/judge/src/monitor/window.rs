//! Claims about all instants of a scope: always, never, holds for; and, as the
//! opposite of never, sometime.

use super::{Closing, Ending, Follow, Surroundings};
use crate::course::{Bound, FOREVER, UNKNOWN};
use crate::outcome::{Opening, Outcome, Results};
use crate::{Reason, Verdict};

/// The condition is to hold at every instant of each window.
pub(crate) struct Windows {
    /// Whether the claim is that this fails (sometime: not always not).
    opposite: bool,
    /// How long each window lasts at the most.
    span: Option<i64>,
    open: Vec<Window>,
    /// Later openings of a window that is followed already and has no end;
    /// only those whose certain part has not begun.
    followed_along: Vec<Opening>,
    due: i64,
}

struct Window {
    opening: Opening,
    /// Just before which instant it ends, and how well that is known.
    end: Option<(i64, i64)>,
    /// Whether the moment that ends the scope has come.
    closed: bool,
    doubtful: bool,
    unobserved: bool,
    violated_at: Option<i64>,
    /// The least of each end of the robustness over the window, and when.
    least_lo: Option<(Bound, i64)>,
    least_hi: Option<(Bound, i64)>,
}

impl Windows {
    pub(crate) fn new(opposite: bool, span: Option<i64>) -> Self {
        Windows { opposite, span, open: Vec::new(), followed_along: Vec::new(), due: FOREVER }
    }

    /// Settles the windows that are over at an instant, and asks for the next.
    fn settle(&mut self, around: &Surroundings<'_>, at: i64, results: &mut Results) {
        let mut due = FOREVER;
        let opposite = self.opposite;
        self.open.retain(|window| {
            if let Some((end, uncertainty)) = window.end
                && end + uncertainty - 1 <= at
                && (window.closed || around.closing != Closing::Required)
            {
                results.settle(window.outcome(around, opposite, Ending { at, cut_short: false }));
                return false;
            }
            if window.opening.latest() > at {
                due = due.min(window.opening.latest());
            }
            if let Some((end, uncertainty)) = window.end
                && end + uncertainty - 1 > at
            {
                due = due.min(end + uncertainty - 1);
            }
            true
        });
        self.due = due;
    }
}

impl Follow for Windows {
    fn open(&mut self, around: &Surroundings<'_>, opening: Opening) {
        // A later window that ends with an earlier one is part of it.
        if around.closing == Closing::Never
            && self.span.is_none()
            && !self.opposite
            && let Some(first) = self.open.first()
            && first.opening.earliest() <= opening.earliest()
            && first.opening.latest() <= opening.latest()
        {
            let at = opening.at;
            self.followed_along.retain(|earlier| earlier.latest() >= at);
            self.followed_along.push(opening);
            return;
        }
        self.open.push(Window {
            opening,
            end: self.span.map(|span| (opening.at + span + 1, opening.guard)),
            closed: false,
            doubtful: around.track.last_doubtful(opening.at) >= opening.earliest(),
            unobserved: around.track.last_doubt_unobserved(opening.at) >= opening.earliest(),
            violated_at: None,
            least_lo: None,
            least_hi: None,
        });
    }

    fn close(&mut self, _around: &Surroundings<'_>, at: i64, uncertainty: i64, _results: &mut Results) {
        for window in self.open.iter_mut().filter(|window| !window.closed) {
            window.closed = true;
            if window.end.is_none_or(|(end, _)| at < end) {
                window.end = Some((at, uncertainty));
            }
        }
    }

    fn touch(&mut self, around: &Surroundings<'_>, at: i64, results: &mut Results) -> bool {
        let now = around.track.now;
        let mut timers = at >= self.due;
        let mut violated = false;
        for window in &mut self.open {
            let (end, uncertainty) = window.end.unwrap_or((FOREVER, 0));
            if at < end {
                if window.least_lo.is_none_or(|(least, _)| now.lo.value < least.value) {
                    window.least_lo = Some((now.lo, at));
                }
                if window.least_hi.is_none_or(|(least, _)| now.hi.value < least.value) {
                    window.least_hi = Some((now.hi, at));
                }
            }
            if at < end + uncertainty && !now.sure() {
                window.doubtful = true;
                window.unobserved |= now.lo.value == -UNKNOWN;
            }
            if !now.possible() && window.violated_at.is_none() && at >= window.opening.latest() {
                window.violated_at = Some(at);
                violated = true;
            }
            timers |= window.opening.at == at || window.end.is_some();
        }
        if timers {
            self.settle(around, at, results);
        }
        timers || violated
    }

    fn due(&self) -> i64 {
        self.due
    }

    fn certain_fail(&self, around: &Surroundings<'_>) -> Option<Outcome> {
        if self.opposite {
            return None;
        }
        let mut certain: Option<Outcome> = None;
        for window in &self.open {
            let end_known = around.closing == Closing::Never;
            if end_known && window.violation().is_some() {
                let outcome = window.outcome(around, false, Ending { at: FOREVER, cut_short: false });
                if certain.as_ref().is_none_or(|certain| outcome.outranks(certain)) {
                    certain = Some(outcome);
                }
            }
        }
        certain
    }

    fn unsettled(&self) -> usize {
        self.open.len() + self.followed_along.len()
    }

    fn forget(&mut self, from: i64) {
        self.open.retain(|window| window.opening.at < from);
        // They are of the part that is open, as what is struck out is.
        self.followed_along.clear();
    }

    fn finish(&mut self, around: &Surroundings<'_>, ending: Ending, results: &mut Results) {
        for window in self.open.drain(..) {
            let outcome = if around.closing == Closing::Required && !window.closed {
                Outcome::inconclusive(window.opening, Reason::TriggerNotObserved)
            } else {
                window.outcome(around, self.opposite, ending)
            };
            results.settle(outcome);
        }
        for opening in self.followed_along.drain(..).filter(|opening| opening.latest() > ending.at) {
            results.settle(Outcome::inconclusive(opening, Reason::StillOpen));
        }
    }
}

impl Window {
    /// First instant at which it surely did not hold and was surely to.
    fn violation(&self) -> Option<i64> {
        let (end, uncertainty) = self.end.unwrap_or((FOREVER, 0));
        self.violated_at.filter(|&at| at < end - uncertainty)
    }

    fn outcome(&self, around: &Surroundings<'_>, opposite: bool, ending: Ending) -> Outcome {
        let (end, uncertainty) = self.end.unwrap_or((ending.at + 1, 0));
        let sign = if opposite { -1 } else { 1 };
        let least_lo = self.least_lo.and_then(|(bound, at)| Some((around.formula.read_lo(around.table, bound)?, at)));
        if let Some(at) = self.violation() {
            let reading = self.least_hi.and_then(|(bound, _)| around.formula.read_hi(around.table, bound));
            let (verdict, reason) = match (opposite, reading.is_some()) {
                (true, _) => (Verdict::Pass, Reason::Held),
                (false, true) => (Verdict::Fail, Reason::LimitExceeded),
                (false, false) => (Verdict::Fail, Reason::Violated),
            };
            return Outcome::new(self.opening, verdict, reason, Some(at)).levelled(reading, sign);
        }
        let over = self.end.is_some() && end - 1 <= ending.at;
        let inconclusive = |reason| Outcome::inconclusive(self.opening, reason);
        if self.opening.latest() > ending.at.min(end - uncertainty - 1) {
            return inconclusive(if over { Reason::Vacuous } else { Reason::StillOpen });
        }
        if self.end.is_some() && !over {
            return inconclusive(Reason::StillOpen);
        }
        if self.unobserved || end + uncertainty - 1 > ending.at {
            return inconclusive(Reason::NotObserved);
        }
        if self.doubtful {
            let reading = least_lo.map(|(reading, _)| reading);
            return inconclusive(Reason::InsideGuardBand).levelled(reading, sign);
        }
        if self.end.is_none() && ending.cut_short {
            return inconclusive(Reason::StillOpen);
        }
        let (verdict, reason) =
            if opposite { (Verdict::Fail, Reason::NotReached) } else { (Verdict::Pass, Reason::Held) };
        let decided_at = least_lo.map_or(end - 1, |(_, at)| at);
        Outcome::new(self.opening, verdict, reason, Some(decided_at))
            .levelled(least_lo.map(|(reading, _)| reading), sign)
    }
}

//! Heat is cut: told from an ordinary off-phase by how long it stays off.

use super::parked::{Parked, undecided_at_end};
use super::{Closing, Ending, Follow, Surroundings};
use crate::course::FOREVER;
use crate::outcome::{Opening, Outcome, Results};
use crate::{Reason, Verdict};

/// Heat is to be cut in time after each opening.
pub(crate) struct Cut {
    bounds: Bounds,
    pending: Vec<Pending>,
    parked: Parked,
    /// Since when heat was not surely on, before it came on again.
    not_on_since: i64,
    due: i64,
}

#[derive(Clone, Copy)]
struct Bounds {
    limit: i64,
    hold: i64,
    release: i64,
    /// How far from the truth the length of an off-phase may be: it has two edges.
    blur: i64,
}

struct Pending {
    opening: Opening,
    /// First instant surely after the opening at which heat was surely on.
    on_at: Option<i64>,
    /// Heat may have been cut in time.
    may_be_cut: bool,
    /// It surely was cut, but too near to the limit.
    cut_near_limit: Option<i64>,
}

impl Bounds {
    fn deadline(self, opening: Opening) -> i64 {
        opening.at + self.limit - self.release
    }

    /// Last instant at which a cut may have been in time.
    fn last_chance(self, opening: Opening) -> i64 {
        self.deadline(opening) + opening.guard
    }

    /// When it is certain that there was nothing to cut.
    fn nothing_to_cut(self, opening: Opening) -> i64 {
        self.last_chance(opening).max(opening.latest() + self.hold - 1)
    }

    /// An off-phase of this length surely was a cut.
    fn surely_held(self) -> i64 {
        self.hold + self.blur
    }

    /// An off-phase of this length may have been one.
    fn maybe_held(self) -> i64 {
        (self.hold - self.blur).max(1)
    }

    /// Up to where the course of heat matters.
    fn horizon(self, opening: Opening) -> i64 {
        self.last_chance(opening) + self.surely_held() - 1
    }

    fn timed(self, outcome: Outcome, cut: i64) -> Outcome {
        let opening = outcome.opening;
        let seen = cut - opening.at + self.release;
        outcome.timed(seen, self.limit - seen, opening.guard)
    }
}

impl Pending {
    /// What is decided at the present instant, if anything.
    fn decide(&mut self, bounds: Bounds, around: &Surroundings<'_>, at: i64, not_on_since: i64) -> Option<Outcome> {
        let opening = self.opening;
        let track = around.track;
        let last_chance = bounds.last_chance(opening);
        if track.now.sure() {
            if at >= opening.latest() {
                self.on_at.get_or_insert(at);
            }
            if track.sure_since == at {
                let from = not_on_since.max(opening.earliest());
                let was_on = not_on_since > opening.earliest().max(0) || track.last_possible_before_now() >= from;
                self.may_be_cut |= from <= last_chance && at - from >= bounds.maybe_held() && was_on;
            }
            if at >= last_chance && !self.may_be_cut {
                return Some(Outcome::new(opening, Verdict::Fail, Reason::HeatNotCut, Some(at)));
            }
        }
        if !track.now.possible() {
            let cut = track.impossible_since;
            if at - cut + 1 >= bounds.surely_held() && self.on_at.is_some_and(|on_at| on_at < cut) {
                if cut <= bounds.deadline(opening) - opening.guard {
                    let held = Outcome::new(opening, Verdict::Pass, Reason::Held, Some(cut));
                    return Some(bounds.timed(held, cut));
                }
                self.cut_near_limit.get_or_insert(cut);
            }
        }
        if at == bounds.nothing_to_cut(opening) && track.last_possible(at) < opening.earliest() {
            return Some(Outcome::inconclusive(opening, Reason::Vacuous));
        }
        (at >= bounds.horizon(opening)).then(|| self.undecided(bounds, around, at))
    }

    fn undecided(&self, bounds: Bounds, around: &Surroundings<'_>, at: i64) -> Outcome {
        let opening = self.opening;
        if around.track.last_possible(at) < opening.earliest() {
            return Outcome::inconclusive(opening, Reason::Vacuous);
        }
        if let Some(cut) = self.cut_near_limit {
            return bounds.timed(Outcome::inconclusive(opening, Reason::InsideGuardBand), cut);
        }
        if around.track.last_hope_unobserved(at) >= opening.earliest() {
            return Outcome::inconclusive(opening, Reason::NotObserved);
        }
        let ended_early = at < bounds.horizon(opening);
        Outcome::inconclusive(opening, if ended_early { Reason::StillOpen } else { Reason::InsideGuardBand })
    }

    /// The next instant after the present one at which something may be decided.
    fn due(&self, bounds: Bounds, at: i64) -> i64 {
        let opening = self.opening;
        let instants =
            [opening.latest(), bounds.last_chance(opening), bounds.nothing_to_cut(opening), bounds.horizon(opening)];
        instants.into_iter().filter(|&instant| instant > at).min().unwrap_or(FOREVER)
    }
}

impl Cut {
    pub(crate) fn new(limit: i64, hold: i64, release: i64, edge_uncertainty: i64) -> Self {
        Cut {
            bounds: Bounds { limit, hold, release, blur: 2 * edge_uncertainty },
            pending: Vec::new(),
            parked: Parked::default(),
            not_on_since: 0,
            due: FOREVER,
        }
    }

    /// Details of fails: how late heat was cut after all.
    fn complete_fails(&mut self, cut: i64) {
        let bounds = self.bounds;
        for fail in self.parked.bare_fails() {
            fail.reason = Reason::HeatCutLate;
            *fail = bounds.timed(fail.clone(), cut);
        }
    }
}

impl Follow for Cut {
    fn open(&mut self, around: &Surroundings<'_>, opening: Opening) {
        if self.parked.certain_fail(around).is_some() {
            return;
        }
        self.pending.push(Pending { opening, on_at: None, may_be_cut: false, cut_near_limit: None });
    }

    fn close(&mut self, _around: &Surroundings<'_>, at: i64, uncertainty: i64, results: &mut Results) {
        self.parked.close(at, uncertainty, results);
        for pending in self.pending.drain(..) {
            results.settle(undecided_at_end(pending.opening, at, uncertainty));
        }
    }

    fn touch(&mut self, around: &Surroundings<'_>, at: i64, results: &mut Results) -> bool {
        let unsettled = self.pending.len();
        let bounds = self.bounds;
        let track = around.track;
        let mut due = FOREVER;
        if !track.now.possible() {
            let cut = track.impossible_since;
            let sure_at = cut + bounds.surely_held() - 1;
            if sure_at > at {
                due = sure_at;
            } else {
                self.complete_fails(cut);
            }
        }
        let mut index = 0;
        while index < self.pending.len() {
            match self.pending[index].decide(bounds, around, at, self.not_on_since) {
                Some(outcome) => {
                    self.pending.remove(index);
                    self.parked.take(around, outcome, at, results);
                }
                None => {
                    due = due.min(self.pending[index].due(bounds, at));
                    index += 1;
                }
            }
        }
        if self.parked.certain_fail(around).is_some() {
            self.pending.clear();
        }
        if !track.now.sure() {
            self.not_on_since = track.unsure_since;
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

    fn forget(&mut self, from: i64) {
        self.pending.retain(|pending| pending.opening.at < from);
    }

    fn finish(&mut self, around: &Surroundings<'_>, ending: Ending, results: &mut Results) {
        for pending in self.pending.drain(..) {
            results.settle(if around.closing == Closing::Required {
                Outcome::inconclusive(pending.opening, Reason::TriggerNotObserved)
            } else {
                pending.undecided(self.bounds, around, ending.at)
            });
        }
        self.parked.finish(around, results);
    }
}

//! The monitor of one expectation: its scope, and the claim within.

mod cut;
mod parked;
mod reach;
mod times;
mod window;

use std::collections::VecDeque;

use crate::compile::{Formula, edge_uncertainty, release};
use crate::course::{FOREVER, Robustness, Signals, Track};
use crate::outcome::{Opening, Outcome, Results};
use crate::{Claim, Condition, Expectation, Finding, MomentId, Reason, Scope, SignalTable, Verdict};

use cut::Cut;
use reach::Reach;
use times::Times;
use window::Windows;

/// So many instants of a scope can lie ahead, and so many of its occurrences
/// can be open at once where a response is awaited.
pub const MOST_AWAITED: usize = 1 << 16;

/// So many occurrences of a scope can be open at once where each is followed
/// by itself. Beyond these numbers the expectation is inconclusive.
pub const MOST_FOLLOWED: usize = 1 << 10;

/// No more times than this can be allowed in a stretch, because so many
/// instants have to be kept.
pub const MOST_COUNTED: u32 = 1 << 10;

/// Whether another instant ends the scope.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Closing {
    /// Nothing but the end of the run.
    Never,
    /// An instant, or the end of the run.
    Optional,
    /// An instant; without it nothing is claimed.
    Required,
}

/// What the claims see of their surroundings.
pub(crate) struct Surroundings<'a> {
    pub(crate) table: &'a SignalTable,
    pub(crate) formula: &'a Formula,
    pub(crate) track: &'a Track,
    pub(crate) closing: Closing,
}

/// How a run ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Ending {
    /// The last instant that was observed.
    pub(crate) at: i64,
    /// Whether the run was to go on.
    pub(crate) cut_short: bool,
}

/// A claim over the occurrences of a scope. Instants are handed in order;
/// between them, nothing changes.
pub(crate) trait Follow {
    /// The scope opens at the present instant.
    fn open(&mut self, around: &Surroundings<'_>, opening: Opening);
    /// Every occurrence that is open ends just before the present instant.
    fn close(&mut self, around: &Surroundings<'_>, at: i64, uncertainty: i64, results: &mut Results);
    /// The present instant: the condition has changed, or an instant came that
    /// was asked for. Whether something may have been decided by it.
    fn touch(&mut self, around: &Surroundings<'_>, at: i64, results: &mut Results) -> bool;
    /// The next instant that matters even if nothing changes.
    fn due(&self) -> i64;
    /// A fail that nothing can change any more, of those that are not settled yet.
    fn certain_fail(&self, around: &Surroundings<'_>) -> Option<Outcome>;
    /// How many occurrences are not settled.
    fn unsettled(&self) -> usize;
    /// How many may be.
    fn room(&self) -> usize {
        MOST_FOLLOWED
    }
    /// The run is over.
    fn finish(&mut self, around: &Surroundings<'_>, ending: Ending, results: &mut Results);
}

/// Where the scope begins.
enum Start {
    /// With the run.
    Run,
    /// With a moment, and so long after it.
    Moment(MomentId, i64),
    /// When a condition becomes true.
    Rise(Rise),
}

/// A condition whose rising edges open the scope.
struct Rise {
    formula: Formula,
    uncertainty: i64,
    /// What it was at the instant before; `None` where that is not known.
    before: Option<bool>,
    /// Some instant at which it was not known.
    blind: bool,
}

/// The monitor of one expectation.
pub(crate) struct Monitor {
    start: Start,
    /// The moment that ends the scope, and how long after it.
    end: Option<(MomentId, i64)>,
    closing: Closing,
    edge_uncertainty: i64,
    formula: Formula,
    track: Track,
    claim: Box<dyn Follow>,
    openings: VecDeque<(i64, i64)>,
    closings: VecDeque<(i64, i64)>,
    opened: u32,
    results: Results,
    announced: bool,
    overflow: bool,
    /// Something that matters came too late to be judged.
    late: bool,
    /// A signal that is looked at may have changed.
    pub(crate) changed: bool,
    /// Something may have been decided at the present instant.
    news: bool,
}

impl Monitor {
    /// The monitor of an expectation that has been checked.
    pub(crate) fn new(table: &SignalTable, expectation: &Expectation) -> Self {
        let (condition, negated) = followed(&expectation.claim);
        let formula = Formula::new(table, &condition, negated, false);
        let edge = edge_uncertainty(table, &condition).as_micros();
        let release = release(table, &condition).as_micros();
        let claim: Box<dyn Follow> = match &expectation.claim {
            Claim::Always(_) | Claim::Never(_) => Box::new(Windows::new(false, None)),
            Claim::Sometime(_) => Box::new(Windows::new(true, None)),
            Claim::HoldsFor { span, .. } => Box::new(Windows::new(false, Some(span.as_micros()))),
            Claim::Within { limit, .. } => Box::new(Reach::new(limit.as_micros(), release)),
            Claim::Times { at_least, at_most, .. } => Box::new(Times::new(*at_least, *at_most)),
            Claim::HeatCut { limit, hold, .. } => Box::new(Cut::new(limit.as_micros(), hold.as_micros(), release)),
            Claim::AtMostIn { .. } | Claim::Precedes { .. } => unreachable!("refused"),
        };
        let (start, end, closing) = match &expectation.scope {
            Scope::Throughout => (Start::Run, None, Closing::Never),
            Scope::Before(end) => (Start::Run, Some(end), Closing::Required),
            Scope::After(from) => (Start::Moment(from.moment, from.offset.as_micros()), None, Closing::Never),
            Scope::Between(from, to) => {
                (Start::Moment(from.moment, from.offset.as_micros()), Some(to), Closing::Required)
            }
            Scope::AfterUntil(from, to) => {
                (Start::Moment(from.moment, from.offset.as_micros()), Some(to), Closing::Optional)
            }
            Scope::Whenever(condition) => {
                let rise = Rise {
                    formula: Formula::new(table, condition, false, true),
                    uncertainty: edge_uncertainty(table, condition).as_micros(),
                    before: Some(false),
                    blind: false,
                };
                (Start::Rise(rise), None, Closing::Never)
            }
            Scope::WheneverIn { .. } => unreachable!("refused"),
        };
        let openings = match start {
            Start::Run => VecDeque::from([(0, 0)]),
            _ => VecDeque::new(),
        };
        Monitor {
            start,
            end: end.map(|end| (end.moment, end.offset.as_micros())),
            closing,
            edge_uncertainty: edge,
            formula,
            track: Track::new(),
            claim,
            openings,
            closings: VecDeque::new(),
            opened: 0,
            results: Results::default(),
            announced: false,
            overflow: false,
            late: false,
            changed: true,
            news: false,
        }
    }

    /// A moment came that this expectation may look at.
    pub(crate) fn moment(&mut self, moment: MomentId, at: i64, uncertainty: i64) {
        if let Start::Moment(opening, offset) = self.start
            && opening == moment
        {
            keep_within_room(&mut self.openings, (at + offset, uncertainty), &mut self.overflow);
        }
        if let Some((closing, offset)) = self.end
            && closing == moment
        {
            keep_within_room(&mut self.closings, (at + offset, uncertainty), &mut self.overflow);
        }
    }

    /// Whether a moment opens or closes the scope.
    pub(crate) fn looks_at(&self, moment: MomentId) -> bool {
        matches!(self.start, Start::Moment(opening, _) if opening == moment)
            || self.end.is_some_and(|(closing, _)| closing == moment)
    }

    /// Something that matters here came too late, or was no good.
    pub(crate) fn spoil(&mut self) {
        self.late = true;
    }

    /// The present instant, with everything that came at it. Returns the next
    /// instant at which this has to be called even if nothing changes.
    pub(crate) fn at(&mut self, table: &SignalTable, at: i64, signals: &impl Signals) -> i64 {
        let mut moved = false;
        if std::mem::take(&mut self.changed) {
            let now = self.formula.robustness(signals);
            if now != self.track.now {
                self.track.change(at, now);
                moved = true;
            }
            if let Start::Rise(rise) = &mut self.start {
                let now = truth(rise.formula.robustness(signals));
                rise.blind |= now.is_none();
                if rise.before == Some(false) && now == Some(true) {
                    self.openings.push_back((at, rise.uncertainty));
                }
                rise.before = now;
            }
        }
        let around = Surroundings { table, formula: &self.formula, track: &self.track, closing: self.closing };
        while let Some(&(opens_at, uncertainty)) = self.openings.front()
            && opens_at <= at
        {
            self.openings.pop_front();
            let guard = uncertainty + self.edge_uncertainty;
            let uncertainty = if matches!(self.start, Start::Run) { 0 } else { guard };
            if self.claim.unsettled() < self.claim.room() {
                self.claim.open(&around, Opening { ordinal: self.opened, at: opens_at, uncertainty, guard });
            } else {
                self.overflow = true;
            }
            self.opened = self.opened.saturating_add(1);
            moved = true;
            self.news = true;
        }
        while let Some(&(closes_at, uncertainty)) = self.closings.front()
            && closes_at <= at
        {
            self.closings.pop_front();
            self.claim.close(&around, closes_at, uncertainty + self.edge_uncertainty, &mut self.results);
            moved = true;
            self.news = true;
        }
        if moved || self.claim.due() <= at {
            self.news |= self.claim.touch(&around, at, &mut self.results);
        }
        let ahead = |instants: &VecDeque<(i64, i64)>| instants.front().map_or(FOREVER, |&(instant, _)| instant);
        self.claim.due().min(ahead(&self.openings)).min(ahead(&self.closings))
    }

    /// Whether [`Monitor::decided`] is worth asking.
    pub(crate) fn has_news(&self) -> bool {
        self.news && !self.announced
    }

    /// The finding, as soon as nothing can change its verdict; once.
    pub(crate) fn decided(&mut self, table: &SignalTable, index: usize, moments_come_once: bool) -> Option<Finding> {
        self.news = false;
        let around = Surroundings { table, formula: &self.formula, track: &self.track, closing: self.closing };
        let settled = self.results.worst.as_ref().filter(|worst| worst.verdict == Verdict::Fail);
        let finding = match (settled, self.claim.certain_fail(&around)) {
            (Some(settled), Some(certain)) if certain.outranks(settled) => certain.finding(index),
            (Some(settled), _) => settled.finding(index),
            (None, Some(certain)) => certain.finding(index),
            (None, None) => {
                let last_opening = match self.start {
                    Start::Run => true,
                    Start::Moment(..) => moments_come_once,
                    Start::Rise(_) => false,
                };
                let all_settled = self.opened > 0 && self.openings.is_empty() && self.claim.unsettled() == 0;
                if !(last_opening && all_settled) || self.late || self.overflow {
                    return None;
                }
                self.results.worst.as_ref()?.finding(index)
            }
        };
        self.announced = true;
        Some(finding)
    }

    /// The run is over: the finding.
    pub(crate) fn finish(&mut self, table: &SignalTable, index: usize, ending: Ending) -> Finding {
        let around = Surroundings { table, formula: &self.formula, track: &self.track, closing: self.closing };
        self.claim.finish(&around, ending, &mut self.results);
        if let Some(&(at, uncertainty)) = self.openings.front() {
            let opening = Opening { ordinal: self.opened, at, uncertainty, guard: uncertainty };
            self.results.settle(Outcome::inconclusive(opening, Reason::StillOpen));
        }
        let nowhere = Opening { ordinal: 0, at: 0, uncertainty: 0, guard: 0 };
        let outcome = match self.results.worst.take() {
            None => Outcome::inconclusive(nowhere, Reason::TriggerNotObserved),
            Some(fail) if fail.verdict == Verdict::Fail => fail,
            Some(_) if self.overflow => Outcome::inconclusive(nowhere, Reason::Overflow),
            Some(pass) if pass.verdict == Verdict::Pass && (self.late || self.blind()) => {
                Outcome::inconclusive(nowhere, Reason::NotObserved)
            }
            Some(outcome) => outcome,
        };
        outcome.finding(index)
    }

    fn blind(&self) -> bool {
        matches!(&self.start, Start::Rise(rise) if rise.blind)
    }
}

/// The condition whose course a claim follows, and whether it is its opposite.
fn followed(claim: &Claim) -> (Condition, bool) {
    match claim {
        Claim::Always(condition)
        | Claim::Within { condition, .. }
        | Claim::HoldsFor { condition, .. }
        | Claim::Times { condition, .. }
        | Claim::AtMostIn { condition, .. } => (condition.clone(), false),
        Claim::Precedes { then, .. } => (then.clone(), false),
        Claim::Never(condition) | Claim::Sometime(condition) => (condition.clone(), true),
        Claim::HeatCut { heat, .. } => (Condition::Is { signal: *heat, on: true }, false),
    }
}

fn truth(robustness: Robustness) -> Option<bool> {
    match (robustness.sure(), robustness.possible()) {
        (true, _) => Some(true),
        (_, false) => Some(false),
        _ => None,
    }
}

fn keep_within_room(instants: &mut VecDeque<(i64, i64)>, instant: (i64, i64), overflow: &mut bool) {
    if instants.len() < MOST_AWAITED {
        instants.push_back(instant);
    } else {
        *overflow = true;
    }
}

//! The monitor of one expectation: its scope, and the claim within.

mod cut;
mod often;
mod order;
mod parked;
mod part;
mod reach;
mod times;
mod window;

use std::collections::VecDeque;

use crate::compile::{Formula, edge_uncertainty, release};
use crate::course::{FOREVER, Signals, Track};
use crate::outcome::{Opening, Outcome, Results};
use crate::{Claim, Condition, Expectation, Finding, MomentId, Part, Reason, Scope, SignalTable, Verdict};

use cut::Cut;
use often::Often;
use order::Order;
use part::Inside;
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
    /// The course of what has to come first; of the condition itself where the
    /// claim has only one.
    pub(crate) first: &'a Track,
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
    /// What opened at or after an instant may not have been; nothing of it is
    /// settled as passed or failed.
    fn forget(&mut self, from: i64);
    /// The run is over.
    fn finish(&mut self, around: &Surroundings<'_>, ending: Ending, results: &mut Results);
}

/// Any of the claims.
enum Follower {
    Windows(Windows),
    Reach(Reach),
    Times(Times),
    Cut(Cut),
    Often(Often),
    Order(Order),
}

/// The claim that a follower is, whichever it is.
macro_rules! follower {
    ($follower:expr, $claim:ident => $what:expr) => {
        match $follower {
            Follower::Windows($claim) => $what,
            Follower::Reach($claim) => $what,
            Follower::Times($claim) => $what,
            Follower::Cut($claim) => $what,
            Follower::Often($claim) => $what,
            Follower::Order($claim) => $what,
        }
    };
}

/// With which of its conditions a monitor looks at a signal.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Looks(u8);

impl Looks {
    const NONE: Looks = Looks(0);
    /// The condition of the claim.
    pub(crate) const CLAIM: Looks = Looks(1);
    /// What has to come first.
    pub(crate) const FIRST: Looks = Looks(2);
    /// The condition that opens the scope.
    pub(crate) const TRIGGER: Looks = Looks(4);
    const ALL: Looks = Looks(7);

    fn with(self, other: Looks) -> bool {
        self.0 & other.0 != 0
    }
}

impl std::ops::BitOrAssign for Looks {
    fn bitor_assign(&mut self, other: Looks) {
        self.0 |= other.0;
    }
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
    now: Option<bool>,
    /// Whether it becomes true at the present instant.
    risen: bool,
    /// Some instant at which it was not known.
    blind: bool,
    /// The part of the run inside which it counts.
    inside: Option<Inside>,
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
    /// What has to come first, where the claim is about an order.
    first: Option<(Formula, Track)>,
    /// What a fail is called where the claim is about how long the trigger lasts.
    duration: Option<Reason>,
    claim: Follower,
    openings: VecDeque<(i64, i64)>,
    closings: VecDeque<(i64, i64)>,
    opened: u32,
    results: Results,
    announced: bool,
    overflow: bool,
    /// Something that matters came too late to be judged.
    late: bool,
    /// The conditions whose signals may have changed.
    pub(crate) changed: Looks,
    /// Something may have been decided at the present instant.
    news: bool,
}

impl Monitor {
    /// The monitor of an expectation that has been checked.
    pub(crate) fn new(table: &SignalTable, expectation: &Expectation) -> Self {
        let (condition, negated) = followed(&expectation.claim);
        let formula = Formula::new(table, &condition, negated, false);
        let mut edge = edge_uncertainty(table, &condition).as_micros();
        let mut first_formula = None;
        if let Claim::Precedes { first, .. } = &expectation.claim {
            edge = edge.max(edge_uncertainty(table, first).as_micros());
            first_formula = Some(Formula::new(table, first, false, false));
        }
        let release = release(table, &condition).as_micros();
        let claim = match &expectation.claim {
            Claim::Always(_) | Claim::Never(_) => Follower::Windows(Windows::new(false, None)),
            Claim::Sometime(_) => Follower::Windows(Windows::new(true, None)),
            Claim::HoldsFor { span, .. } => Follower::Windows(Windows::new(false, Some(span.as_micros()))),
            Claim::Within { limit, .. } => {
                let lasts = duration(expectation) == Some(Reason::TooLong);
                Follower::Reach(Reach::new(limit.as_micros(), release, lasts))
            }
            Claim::Times { at_least, at_most, .. } => Follower::Times(Times::new(*at_least, *at_most)),
            Claim::HeatCut { limit, hold, .. } => {
                Follower::Cut(Cut::new(limit.as_micros(), hold.as_micros(), release, edge))
            }
            Claim::AtMostIn { at_most, window, .. } => Follower::Often(Often::new(*at_most, window.as_micros(), edge)),
            Claim::Precedes { .. } => Follower::Order(Order::new(edge)),
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
            Scope::Whenever(condition) => (Start::Rise(Rise::new(table, condition, None)), None, Closing::Never),
            Scope::WheneverIn { part, condition } => {
                let (start, end, closing) = match part {
                    Part::Before(end) => (None, Some(end), Closing::Required),
                    Part::After(from) => (Some(from), None, Closing::Never),
                    Part::Between(from, to) => (Some(from), Some(to), Closing::Required),
                    Part::AfterUntil(from, to) => (Some(from), Some(to), Closing::Optional),
                };
                let from_within = duration(expectation) == Some(Reason::TooShort);
                let inside = Inside::new(start, edge_uncertainty(table, condition).as_micros(), from_within);
                (Start::Rise(Rise::new(table, condition, Some(inside))), end, closing)
            }
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
            first: first_formula.map(|formula| (formula, Track::new())),
            duration: duration(expectation),
            claim,
            openings,
            closings: VecDeque::new(),
            opened: 0,
            results: Results::default(),
            announced: false,
            overflow: false,
            late: false,
            changed: Looks::ALL,
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
        if let Start::Rise(Rise { inside: Some(inside), .. }) = &mut self.start
            && let Some(offset) = inside.begins_with(moment)
        {
            keep_within_room(&mut inside.openings, (at + offset, uncertainty), &mut self.overflow);
        }
        if let Some((closing, offset)) = self.end
            && closing == moment
        {
            keep_within_room(&mut self.closings, (at + offset, uncertainty), &mut self.overflow);
        }
    }

    /// Whether a moment opens or closes the scope.
    pub(crate) fn looks_at(&self, moment: MomentId) -> bool {
        let opens = match &self.start {
            Start::Run => false,
            Start::Moment(opening, _) => *opening == moment,
            Start::Rise(rise) => rise.inside.as_ref().is_some_and(|inside| inside.begins_with(moment).is_some()),
        };
        opens || self.end.is_some_and(|(closing, _)| closing == moment)
    }

    /// Something that matters here came too late, or was no good.
    pub(crate) fn spoil(&mut self) {
        self.late = true;
    }

    /// The present instant, with everything that came at it. Returns the next
    /// instant at which this has to be called even if nothing changes.
    pub(crate) fn at(&mut self, table: &SignalTable, at: i64, signals: &impl Signals) -> i64 {
        let mut moved = false;
        let changed = std::mem::replace(&mut self.changed, Looks::NONE);
        if changed.with(Looks::CLAIM) {
            let now = self.formula.robustness(signals);
            if now != self.track.now {
                self.track.change(at, now);
                moved = true;
            }
        }
        if changed.with(Looks::FIRST)
            && let Some((formula, track)) = &mut self.first
        {
            let now = formula.robustness(signals);
            if now != track.now {
                track.change(at, now);
                moved = true;
            }
        }
        if changed.with(Looks::TRIGGER)
            && let Start::Rise(rise) = &mut self.start
        {
            rise.now = rise.formula.truth(signals);
            rise.blind |= rise.now.is_none();
        }
        let risen = match &mut self.start {
            Start::Rise(rise) => rise.at(at, &self.closings, &mut self.claim),
            Start::Run | Start::Moment(..) => None,
        };
        let around = surroundings(table, &self.formula, &self.track, &self.first, self.closing);
        let mut ahead = risen.or_else(|| next_of(&mut self.openings, at));
        while let Some((opens_at, uncertainty)) = ahead {
            let guard = uncertainty + self.edge_uncertainty;
            // How long the trigger lasts is counted from its own edge, wherever that is.
            let exact = matches!(self.start, Start::Run) || self.duration.is_some();
            let uncertainty = if exact { 0 } else { guard };
            if follower!(&self.claim, claim => claim.unsettled() < claim.room()) {
                let ordinal = self.opened;
                // Made anew for each claim, so that it can stay in registers.
                follower!(&mut self.claim, claim => claim.open(&around, Opening { ordinal, at: opens_at, uncertainty, guard }));
            } else {
                self.overflow = true;
            }
            self.opened = self.opened.saturating_add(1);
            moved = true;
            ahead = next_of(&mut self.openings, at);
        }
        while let Some(&(closes_at, uncertainty)) = self.closings.front()
            && closes_at <= at
        {
            self.closings.pop_front();
            let uncertain = uncertainty + self.edge_uncertainty;
            follower!(&mut self.claim, claim => claim.close(&around, closes_at, uncertain, &mut self.results));
            if let Start::Rise(Rise { inside: Some(inside), risen, .. }) = &mut self.start {
                inside.close(closes_at, uncertainty, *risen);
            }
            moved = true;
            self.news = true;
        }
        let due = follower!(&mut self.claim, claim => {
            if moved || claim.due() <= at {
                self.news |= claim.touch(&around, at, &mut self.results);
            }
            claim.due()
        });
        let ahead = |instants: &VecDeque<(i64, i64)>| instants.front().map_or(FOREVER, |&(instant, _)| instant);
        let part = match &self.start {
            Start::Rise(Rise { inside: Some(inside), .. }) => ahead(&inside.openings),
            _ => FOREVER,
        };
        due.min(ahead(&self.openings)).min(ahead(&self.closings)).min(part)
    }

    /// Whether [`Monitor::decided`] is worth asking.
    pub(crate) fn has_news(&self) -> bool {
        self.news && !self.announced
    }

    /// The finding, as soon as nothing can change its verdict; once.
    pub(crate) fn decided(&mut self, table: &SignalTable, index: usize, moments_come_once: bool) -> Option<Finding> {
        self.news = false;
        let around = surroundings(table, &self.formula, &self.track, &self.first, self.closing);
        let settled = self.results.worst.as_ref().filter(|worst| worst.verdict == Verdict::Fail);
        let certain = || follower!(&self.claim, claim => claim.certain_fail(&around));
        let finding = match settled.cloned().or_else(certain) {
            Some(fail) => fail.finding(index),
            None => {
                let last_opening = match self.start {
                    Start::Run => true,
                    Start::Moment(..) => moments_come_once,
                    Start::Rise(_) => false,
                };
                let all_settled = self.openings.is_empty() && follower!(&self.claim, claim => claim.unsettled()) == 0;
                if !(last_opening && all_settled) || self.late || self.overflow {
                    return None;
                }
                self.results.worst.as_ref()?.finding(index)
            }
        };
        self.announced = true;
        Some(self.named(finding))
    }

    /// The run is over: the finding.
    pub(crate) fn finish(&mut self, table: &SignalTable, index: usize, ending: Ending) -> Finding {
        let around = surroundings(table, &self.formula, &self.track, &self.first, self.closing);
        follower!(&mut self.claim, claim => claim.finish(&around, ending, &mut self.results));
        let part_ahead = match &self.start {
            Start::Rise(Rise { inside: Some(inside), .. }) => inside.ahead(),
            _ => None,
        };
        if let Some((at, uncertainty)) = self.openings.front().copied().or(part_ahead) {
            let opening = Opening { ordinal: self.opened, at, uncertainty, guard: uncertainty };
            self.results.settle(Outcome::inconclusive(opening, Reason::StillOpen));
        }
        let nowhere = Opening { ordinal: 0, at: 0, uncertainty: 0, guard: 0 };
        let outcome = match self.results.take() {
            None => Outcome::inconclusive(nowhere, Reason::TriggerNotObserved),
            Some(fail) if fail.verdict == Verdict::Fail => fail,
            Some(_) if self.overflow => Outcome::inconclusive(nowhere, Reason::Overflow),
            Some(pass) if pass.verdict == Verdict::Pass && (self.late || self.blind()) => {
                Outcome::inconclusive(nowhere, Reason::NotObserved)
            }
            Some(pass) if pass.verdict == Verdict::Pass && self.in_doubt() => {
                Outcome::inconclusive(nowhere, Reason::InsideGuardBand)
            }
            Some(pass) if pass.verdict == Verdict::Pass && ending.cut_short && self.may_open_again() => {
                Outcome::inconclusive(nowhere, Reason::StillOpen)
            }
            Some(outcome) => outcome,
        };
        self.named(outcome.finding(index))
    }

    /// A fail of a duration says so.
    fn named(&self, finding: Finding) -> Finding {
        match self.duration {
            Some(reason) if finding.verdict == Verdict::Fail => Finding { reason, ..finding },
            _ => finding,
        }
    }

    /// Whether its condition would open the scope again if the run went on.
    fn may_open_again(&self) -> bool {
        matches!(&self.start, Start::Rise(rise) if rise.inside.as_ref().is_none_or(Inside::is_open))
    }

    fn in_doubt(&self) -> bool {
        matches!(&self.start, Start::Rise(Rise { inside: Some(inside), .. }) if inside.doubtful)
    }

    fn blind(&self) -> bool {
        matches!(&self.start, Start::Rise(rise) if rise.blind)
    }
}

fn surroundings<'a>(
    table: &'a SignalTable,
    formula: &'a Formula,
    track: &'a Track,
    first: &'a Option<(Formula, Track)>,
    closing: Closing,
) -> Surroundings<'a> {
    let first = first.as_ref().map_or(track, |(_, first)| first);
    Surroundings { table, formula, track, first, closing }
}

impl Rise {
    fn new(table: &SignalTable, condition: &Condition, inside: Option<Inside>) -> Self {
        Rise {
            formula: Formula::new(table, condition, false, true),
            uncertainty: edge_uncertainty(table, condition).as_micros(),
            before: Some(false),
            now: None,
            risen: false,
            blind: false,
            inside,
        }
    }

    /// The present instant: whether the scope opens at it, and how well that is known.
    fn at(&mut self, at: i64, closings: &VecDeque<(i64, i64)>, claim: &mut Follower) -> Option<(i64, i64)> {
        let fallen = self.before == Some(true) && self.now != Some(true);
        self.risen = self.before == Some(false) && self.now == Some(true);
        self.before = self.now;
        let Some(inside) = &mut self.inside else {
            return self.risen.then_some((at, self.uncertainty));
        };
        if fallen && let Some(from) = inside.fall(at) {
            follower!(claim, claim => claim.forget(from));
        }
        let ends_now = closings.front().is_some_and(|(closes_at, _)| *closes_at <= at);
        let begins = inside.begin(at);
        let opens = inside.counts(at, (begins, ends_now), (self.now == Some(true), self.risen));
        let opening = opens.then(|| (at, inside.uncertainty()));
        if self.risen {
            inside.rise(at);
        }
        opening
    }
}

/// What a fail is called where the claim is about how long the trigger lasts:
/// the trigger and the condition are then written alike, or as opposites.
fn duration(expectation: &Expectation) -> Option<Reason> {
    let (Scope::Whenever(trigger) | Scope::WheneverIn { condition: trigger, .. }) = &expectation.scope else {
        return None;
    };
    match &expectation.claim {
        Claim::HoldsFor { condition, .. } if condition == trigger => Some(Reason::TooShort),
        Claim::Within { condition, .. } if opposite(condition, trigger) || opposite(trigger, condition) => {
            Some(Reason::TooLong)
        }
        _ => None,
    }
}

fn opposite(one: &Condition, other: &Condition) -> bool {
    match (one, other) {
        (Condition::Not(inner), _) => **inner == *other,
        (Condition::Is { signal: a, on: x }, Condition::Is { signal: b, on: y }) => a == b && x != y,
        _ => false,
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

/// Takes the first instant that has come.
fn next_of(instants: &mut VecDeque<(i64, i64)>, at: i64) -> Option<(i64, i64)> {
    if instants.front()?.0 <= at { instants.pop_front() } else { None }
}

fn keep_within_room(instants: &mut VecDeque<(i64, i64)>, instant: (i64, i64), overflow: &mut bool) {
    if instants.len() < MOST_AWAITED {
        instants.push_back(instant);
    } else {
        *overflow = true;
    }
}

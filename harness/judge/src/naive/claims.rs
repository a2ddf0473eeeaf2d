//! The definitions of the claims.

use dryfire_units::{RigSpan, RigTime};

use super::Trace;
use super::course::{Course, Level, Stretch, Values};
use super::scope::{Occurrence, edges, occurrences};
use crate::{Claim, Condition, Expectation, Finding, Margin, Reason, SignalKind, SignalTable, Verdict};

/// What an occurrence, or the whole expectation, came to.
#[derive(Clone, Debug)]
pub(super) struct Answer {
    verdict: Verdict,
    reason: Reason,
    at: Option<i64>,
    /// Margin, what was seen, uncertainty, model's error.
    figures: Option<(Margin, Margin, Margin, Option<Margin>)>,
}

impl Answer {
    fn of(verdict: Verdict, reason: Reason, at: Option<i64>) -> Self {
        Answer { verdict, reason, at, figures: None }
    }

    fn undecided(reason: Reason) -> Self {
        Answer::of(Verdict::Inconclusive, reason, None)
    }

    fn with_level(mut self, level: Option<Level>) -> Self {
        self.figures = level.map(|level| {
            (
                in_unit_of(level, level.margin),
                in_unit_of(level, level.value),
                in_unit_of(level, level.uncertainty),
                (level.model_error != 0).then(|| in_unit_of(level, level.model_error)),
            )
        });
        self
    }

    fn with_time(mut self, margin: i64, seen: i64, uncertainty: i64) -> Self {
        let time = |micros| Margin::Time(RigSpan::from_micros(micros));
        self.figures = Some((time(margin), time(seen), time(uncertainty), None));
        self
    }

    /// By how much a pass clears its uncertainty.
    fn clearance(&self) -> i64 {
        let number = |margin: Margin| match margin {
            Margin::Time(span) => span.as_micros(),
            Margin::Temperature(level) | Margin::Rate(level) | Margin::Duty(level) | Margin::Count(level) => level,
        };
        self.figures.map_or(i64::MAX, |(margin, _, uncertainty, model_error)| {
            number(margin) - number(uncertainty) - model_error.map_or(0, number)
        })
    }

    pub(super) fn into_finding(self, expectation: usize) -> Finding {
        let figures = self.figures;
        Finding {
            expectation,
            verdict: self.verdict,
            reason: self.reason,
            margin: figures.map(|(margin, ..)| margin),
            decided_at: self.at.map(RigTime::from_micros),
            seen: figures.map(|(_, seen, ..)| seen),
            uncertainty: figures.map(|(_, _, uncertainty, _)| uncertainty),
            model_error: figures.and_then(|(.., model_error)| model_error),
            vacuous: self.reason == Reason::Vacuous,
        }
    }
}

/// A number in the unit of the level it belongs to.
fn in_unit_of(level: Level, number: i64) -> Margin {
    match level.kind {
        // A switch has no level; its margins are never asked for.
        SignalKind::Switch | SignalKind::Count => Margin::Count(number),
        SignalKind::Temperature => Margin::Temperature(number),
        SignalKind::Rate => Margin::Rate(number),
        SignalKind::Duty => Margin::Duty(number),
    }
}

/// A run to be judged.
struct Run<'a> {
    course: &'a Course,
    /// Last instant observed.
    end: i64,
    cut_short: bool,
}

/// What an expectation comes to.
pub(super) fn find(
    table: &SignalTable,
    signals: &[Values],
    expectation: &Expectation,
    trace: &Trace,
    end: i64,
) -> Answer {
    let (condition, release) = subject(table, &expectation.claim);
    let edge = edges(table, &condition);
    let course = Course::of(table, signals, &condition, false, end);
    let run = Run { course: &course, end, cut_short: trace.cut_short };
    let scope = occurrences(table, signals, &expectation.scope, edge, trace, end);

    let mut answers: Vec<(Occurrence, Answer)> = Vec::new();
    for occurrence in scope.all {
        let answer = if occurrence.opens > end {
            Answer::undecided(Reason::StillOpen)
        } else if scope.end_required && occurrence.ends.is_none() {
            Answer::undecided(Reason::TriggerNotObserved)
        } else {
            match &expectation.claim {
                Claim::Always(_) | Claim::Never(_) => run.all_the_time(occurrence, None),
                Claim::HoldsFor { span, .. } => run.all_the_time(occurrence, Some(span.as_micros())),
                Claim::Sometime(_) => run.at_some_time(occurrence),
                Claim::Times { at_least, at_most, .. } => {
                    run.so_many_times(occurrence, *at_least as usize, *at_most as usize)
                }
                Claim::AtMostIn { .. } | Claim::Precedes { .. } => unreachable!("refused"),
                Claim::Within { limit, .. } => run.in_time(occurrence, limit.as_micros(), release),
                Claim::HeatCut { limit, hold, .. } => {
                    run.heat_cut(occurrence, limit.as_micros(), hold.as_micros(), release)
                }
            }
        };
        answers.push((occurrence, answer));
    }
    let Some(worst) = answers.iter().map(|(_, answer)| answer.verdict).max() else {
        return Answer::undecided(Reason::TriggerNotObserved);
    };
    if worst == Verdict::Pass && scope.unseen {
        return Answer::undecided(Reason::NotObserved);
    }
    // Of equals, the first: `min_by_key` keeps it.
    answers
        .into_iter()
        .filter(|(_, answer)| answer.verdict == worst)
        .min_by_key(|(occurrence, answer)| {
            let first = match worst {
                Verdict::Fail => answer.at.unwrap_or(i64::MAX),
                Verdict::Pass => answer.clearance(),
                _ => 0,
            };
            (first, occurrence.opens)
        })
        .map(|(_, answer)| answer)
        .expect("there is a worst one")
}

/// The condition that a claim is about, and the release time added to reactions.
fn subject(table: &SignalTable, claim: &Claim) -> (Condition, i64) {
    let condition = match claim {
        Claim::Always(condition)
        | Claim::Sometime(condition)
        | Claim::Within { condition, .. }
        | Claim::HoldsFor { condition, .. }
        | Claim::Times { condition, .. }
        | Claim::AtMostIn { condition, .. } => condition.clone(),
        Claim::Precedes { first, then } => Condition::All(vec![first.clone(), then.clone()]),
        Claim::Never(condition) => Condition::Not(Box::new(condition.clone())),
        Claim::HeatCut { heat, .. } => Condition::Is { signal: *heat, on: true },
    };
    let release = worst_release(table, &condition);
    (condition, release)
}

fn worst_release(table: &SignalTable, condition: &Condition) -> i64 {
    match condition {
        Condition::Compare { signal, .. } | Condition::Is { signal, .. } => table.get(*signal).release.as_micros(),
        Condition::Not(inner) => worst_release(table, inner),
        Condition::All(parts) | Condition::Any(parts) => {
            parts.iter().map(|part| worst_release(table, part)).max().unwrap_or(0)
        }
    }
}

/// The instants of a window: those that may be in it, those that are in it by
/// the figures, those that surely are; first and last of each, both included.
struct Extent {
    outer: (i64, i64),
    nominal: (i64, i64),
    inner: (i64, i64),
    /// Whether it is over within what was observed.
    over: bool,
    /// Whether it has an end other than the run's.
    ended: bool,
}

fn extent(occurrence: Occurrence, span: Option<i64>, end: i64) -> Extent {
    let own = span.map(|span| (occurrence.opens + span + 1, occurrence.guard));
    let close = match (own, occurrence.ends) {
        (Some(own), Some(other)) => Some(if other.0 < own.0 { other } else { own }),
        (own, other) => own.or(other),
    };
    let (close, fuzz) = close.map_or((end + 1, 0), |close| close);
    Extent {
        outer: (occurrence.opens - occurrence.uncertainty, close + fuzz - 1),
        nominal: (occurrence.opens, (close - 1).min(end)),
        inner: (occurrence.opens + occurrence.uncertainty, (close - fuzz - 1).min(end)),
        over: close - 1 <= end,
        ended: own.is_some() || occurrence.ends.is_some(),
    }
}

impl Run<'_> {
    /// What stands in the way of any verdict on a window without a counter-example.
    fn obstacle(&self, extent: &Extent) -> Option<Reason> {
        if extent.inner.0 > extent.inner.1 {
            return Some(if extent.ended && extent.over { Reason::Vacuous } else { Reason::StillOpen });
        }
        (extent.ended && !extent.over).then_some(Reason::StillOpen)
    }

    fn all_the_time(&self, occurrence: Occurrence, span: Option<i64>) -> Answer {
        let extent = extent(occurrence, span, self.end);
        let (first, last) = extent.nominal;
        if let Some(at) = self.course.first(extent.inner.0, extent.inner.1, |stretch| !stretch.possible()) {
            let worst = self.course.between(first, last).map(|stretch| stretch.high).min_by_key(|high| high.rank);
            let level = worst.and_then(|high| high.level(-1));
            let reason = if level.is_some() { Reason::LimitExceeded } else { Reason::Violated };
            return Answer::of(Verdict::Fail, reason, Some(at)).with_level(level);
        }
        if let Some(reason) = self.obstacle(&extent) {
            return Answer::undecided(reason);
        }
        let (from, to) = extent.outer;
        let unobserved = |stretch: &Stretch| !stretch.sure() && stretch.low.rank.unobserved();
        if to > self.end || self.course.any(from, to, unobserved) {
            return Answer::undecided(Reason::NotObserved);
        }
        let worst = self.course.between(first, last).min_by_key(|stretch| stretch.low.rank);
        let level = worst.and_then(|stretch| stretch.low.level(1));
        if self.course.any(from, to, |stretch| !stretch.sure()) {
            return Answer::undecided(Reason::InsideGuardBand).with_level(level);
        }
        if !extent.ended && self.cut_short {
            return Answer::undecided(Reason::StillOpen);
        }
        let at = level.and(worst).map_or(last, |stretch| stretch.from);
        Answer::of(Verdict::Pass, Reason::Held, Some(at)).with_level(level)
    }

    fn at_some_time(&self, occurrence: Occurrence) -> Answer {
        let extent = extent(occurrence, None, self.end);
        let (first, last) = extent.nominal;
        // Of equals the first is to be kept, and `max_by_key` keeps the last.
        let best = |end: fn(&Stretch) -> super::course::End| {
            self.course.between(first, last).min_by_key(|stretch| std::cmp::Reverse(end(stretch).rank))
        };
        if let Some(at) = self.course.first(extent.inner.0, extent.inner.1, Stretch::sure) {
            let level = best(|stretch| stretch.low).and_then(|stretch| stretch.low.level(1));
            return Answer::of(Verdict::Pass, Reason::Held, Some(at)).with_level(level);
        }
        if let Some(reason) = self.obstacle(&extent) {
            return Answer::undecided(reason);
        }
        let (from, to) = extent.outer;
        let unobserved = |stretch: &Stretch| stretch.possible() && stretch.high.rank.unobserved();
        if to > self.end || self.course.any(from, to, unobserved) {
            return Answer::undecided(Reason::NotObserved);
        }
        let nearest = best(|stretch| stretch.high);
        let level = nearest.and_then(|stretch| stretch.high.level(-1));
        if self.course.any(from, to, Stretch::possible) {
            return Answer::undecided(Reason::InsideGuardBand).with_level(level);
        }
        if !extent.ended && self.cut_short {
            return Answer::undecided(Reason::StillOpen);
        }
        let at = level.and(nearest).map_or(last, |stretch| stretch.from);
        Answer::of(Verdict::Fail, Reason::NotReached, Some(at)).with_level(level)
    }

    fn so_many_times(&self, occurrence: Occurrence, at_least: usize, at_most: usize) -> Answer {
        let extent = extent(occurrence, None, self.end);
        let rises = self.course.rises().0;
        let among = |(first, last): (i64, i64)| {
            let from = rises.partition_point(|at| *at < first);
            let to = rises.partition_point(|at| *at <= last);
            &rises[from..to.max(from)]
        };
        let sure = among(extent.inner);
        if sure.len() > at_most {
            return Answer::of(Verdict::Fail, Reason::TooMany, Some(sure[at_most]));
        }
        if let Some(reason) = self.obstacle(&extent) {
            return Answer::undecided(reason);
        }
        let (from, to) = extent.outer;
        let blurred = |stretch: &Stretch| stretch.possible() && !stretch.sure();
        let unobserved =
            |stretch: &Stretch| blurred(stretch) && (stretch.low.rank.unobserved() || stretch.high.rank.unobserved());
        if to > self.end || self.course.any(from, to, unobserved) {
            return Answer::undecided(Reason::NotObserved);
        }
        if self.course.any(from, to, blurred) {
            return Answer::undecided(Reason::InsideGuardBand);
        }
        if !extent.ended && self.cut_short {
            return Answer::undecided(Reason::StillOpen);
        }
        let possible = among(extent.outer).len();
        if possible < at_least {
            Answer::of(Verdict::Fail, Reason::TooFew, Some(extent.nominal.1))
        } else if at_least <= sure.len() && possible <= at_most {
            Answer::of(Verdict::Pass, Reason::Held, Some(extent.nominal.1))
        } else {
            Answer::undecided(Reason::InsideGuardBand)
        }
    }

    /// An answer that rests on instants up to `rests_on`, if the occurrence
    /// surely reaches so far.
    fn unless_over(&self, occurrence: Occurrence, answer: Answer, rests_on: i64) -> Answer {
        match occurrence.ends {
            Some((close, fuzz)) if rests_on >= close - fuzz => {
                let empty = occurrence.opens + occurrence.uncertainty >= close - fuzz;
                Answer::undecided(if empty { Reason::Vacuous } else { Reason::StillOpen })
            }
            _ => answer,
        }
    }

    fn in_time(&self, occurrence: Occurrence, limit: i64, release: i64) -> Answer {
        let Occurrence { opens, uncertainty, guard, .. } = occurrence;
        let deadline = opens + limit - release;
        let last_chance = deadline + guard;
        let timed = |answer: Answer, reached: i64| {
            let seen = reached - opens + release;
            answer.with_time(limit - seen, seen, guard)
        };
        let sure_runs = || self.course.runs(opens, Stretch::sure).take_while(|(from, _)| *from <= last_chance);

        let answering =
            sure_runs().find(|(from, to)| *to >= opens + uncertainty && (*from).max(opens) <= deadline - guard);
        if let Some((from, _)) = answering {
            let reached = from.max(opens);
            let held = timed(Answer::of(Verdict::Pass, Reason::Held, Some(reached)), reached);
            return self.unless_over(occurrence, held, from.max(opens + uncertainty));
        }
        let from = opens - uncertainty;
        let known_to = last_chance.min(self.end);
        let possible = self.course.any(from, known_to, Stretch::possible);
        if !possible && last_chance <= self.end {
            let scope_end = occurrence.ends.map_or(self.end, |(close, _)| close - 1);
            let late = self.course.first(last_chance, scope_end, Stretch::sure);
            let reason = if late.is_some() { Reason::ReachedLate } else { Reason::NotReached };
            let mut fail = Answer::of(Verdict::Fail, reason, Some(last_chance));
            if let Some(reached) = late {
                fail = timed(fail, reached);
            }
            return self.unless_over(occurrence, fail, last_chance);
        }
        let unobserved = |stretch: &Stretch| stretch.possible() && stretch.high.rank.unobserved();
        let answer = if self.course.any(from, known_to, unobserved) {
            Answer::undecided(Reason::NotObserved)
        } else if possible {
            let near = Answer::undecided(Reason::InsideGuardBand);
            match sure_runs().next() {
                Some((from, _)) => timed(near, from.max(opens)),
                None => near,
            }
        } else {
            Answer::undecided(Reason::StillOpen)
        };
        let rests_on = if last_chance <= self.end { last_chance } else { i64::MAX };
        self.unless_over(occurrence, answer, rests_on)
    }

    fn heat_cut(&self, occurrence: Occurrence, limit: i64, hold: i64, release: i64) -> Answer {
        let Occurrence { opens, uncertainty, guard, .. } = occurrence;
        let earliest = opens - uncertainty;
        let latest = opens + uncertainty;
        let deadline = opens + limit - release;
        let last_chance = deadline + guard;
        let timed = |answer: Answer, cut: i64| {
            let seen = cut - opens + release;
            answer.with_time(limit - seen, seen, guard)
        };
        let maybe_on = |from: i64, to: i64| self.course.any(from, to.min(self.end), Stretch::possible);

        // Nothing was there to be cut.
        let nothing_to_cut = last_chance.max(latest + hold - 1);
        if nothing_to_cut <= self.end && !maybe_on(earliest, nothing_to_cut) {
            return self.unless_over(occurrence, Answer::undecided(Reason::Vacuous), nothing_to_cut);
        }
        // Heat was surely on after the opening, and from then on there is a
        // stretch without heat that is long enough: it is cut there.
        let on_at = self.course.first(latest, self.end, Stretch::sure);
        let cuts = |after: i64| {
            self.course
                .runs(after, |stretch| !stretch.possible())
                .filter(move |(from, to)| *from > after && to - from + 1 >= hold)
                .map(|(from, _)| from)
        };
        let cut = on_at.and_then(|on_at| cuts(on_at).next());
        if let Some(cut) = cut
            && cut <= deadline - guard
        {
            let held = timed(Answer::of(Verdict::Pass, Reason::Held, Some(cut)), cut);
            return self.unless_over(occurrence, held, cut + hold - 1);
        }
        // Heat is on when it is too late, and no stretch before may have been a cut.
        if let Some(on_late) = self.course.first(last_chance, self.end, Stretch::sure) {
            let may_be_cut =
                self.course.runs(earliest, |stretch| !stretch.sure()).take_while(|(_, to)| *to < on_late).any(
                    |(from, to)| {
                        let start = from.max(earliest);
                        let was_on = from > earliest.max(0) || maybe_on(start, to);
                        to + 1 >= opens && start <= last_chance && to + 1 - start >= hold && was_on
                    },
                );
            if !may_be_cut {
                let scope_end = occurrence.ends.map_or(self.end, |(close, _)| close - 1);
                let after_all = cuts(on_late).find(|cut| cut + hold - 1 <= scope_end);
                let reason = if after_all.is_some() { Reason::HeatCutLate } else { Reason::HeatNotCut };
                let mut fail = Answer::of(Verdict::Fail, reason, Some(on_late));
                if let Some(cut) = after_all {
                    fail = timed(fail, cut);
                }
                return self.unless_over(occurrence, fail, on_late);
            }
        }
        let horizon = last_chance + hold - 1;
        let known_to = horizon.min(self.end);
        let unobserved = |stretch: &Stretch| stretch.possible() && stretch.high.rank.unobserved();
        let answer = if !maybe_on(earliest, known_to) {
            Answer::undecided(Reason::Vacuous)
        } else if let Some(cut) = cut
            && cut <= last_chance
        {
            timed(Answer::undecided(Reason::InsideGuardBand), cut)
        } else if self.course.any(earliest, known_to, unobserved) {
            Answer::undecided(Reason::NotObserved)
        } else if self.end < horizon {
            Answer::undecided(Reason::StillOpen)
        } else {
            Answer::undecided(Reason::InsideGuardBand)
        };
        self.unless_over(occurrence, answer, if horizon <= self.end { horizon } else { i64::MAX })
    }
}

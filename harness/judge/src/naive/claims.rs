//! The definitions of the claims.

use super::Trace;
use super::answer::Answer;
use super::course::{Course, Stretch, Values};
use super::scope::{Occurrence, edges, occurrences};
use crate::{Claim, Condition, Expectation, Reason, Scope, SignalId, SignalTable, Verdict};

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
    let only_rises = length_of_trigger(expectation) == Some(Reason::TooShort);
    let scope = occurrences(table, signals, &expectation.scope, edge, trace, (end, only_rises));

    let mut answers: Vec<(Occurrence, Answer)> = Vec::new();
    // Those that count for nothing, and what a shorter limit would make of them.
    let mut cut_off: Vec<(Occurrence, Answer)> = Vec::new();
    for mut occurrence in scope.all {
        if length_of_trigger(expectation).is_some() {
            occurrence.uncertainty = 0;
        }
        if length_of_trigger(expectation) == Some(Reason::TooLong)
            && let Claim::Within { limit, .. } = &expectation.claim
            && (occurrence.ends.is_some() || !scope.end_required && !trace.cut_short)
            && run.ended_too_soon(occurrence, limit.as_micros(), release)
        {
            let (over, fuzz) = occurrence.ends.unwrap_or((end + 1, 0));
            let (limit, seen) = (limit.as_micros(), over - occurrence.opens + release);
            let answer = Answer::of(Verdict::Pass, Reason::Held, Some(over - 1));
            cut_off.push((occurrence, answer.with_time(limit - seen, seen, occurrence.guard + fuzz)));
            continue;
        }
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
                Claim::AtMostIn { at_most, window, .. } => {
                    run.so_often(occurrence, *at_most as usize, window.as_micros(), 2 * edge)
                }
                Claim::Precedes { first, then } => {
                    let course = |condition| Course::of(table, signals, condition, false, end);
                    run.in_order(occurrence, &course(first), &course(then), 2 * edge)
                }
                Claim::Within { limit, .. } => run.in_time(occurrence, limit.as_micros(), release),
                Claim::HeatCut { limit, hold, .. } => {
                    let (hold, blur) = (hold.as_micros(), 2 * edge);
                    let lasting = Lasting { nominal: hold, maybe: (hold - blur).max(1), surely: hold + blur };
                    run.heat_cut(occurrence, limit.as_micros(), lasting, release)
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
    if worst == Verdict::Pass && scope.doubtful {
        return Answer::undecided(Reason::InsideGuardBand);
    }
    if worst == Verdict::Pass && scope.may_open_again && trace.cut_short {
        return Answer::undecided(Reason::StillOpen);
    }
    if worst == Verdict::Pass {
        answers.append(&mut cut_off);
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
        .map(|(_, answer)| answer.called(length_of_trigger(expectation)))
        .expect("there is a worst one")
}

/// Whether the claim is that what opens the scope lasts long enough
/// (`TooShort` if not) or not too long (`TooLong`).
fn length_of_trigger(expectation: &Expectation) -> Option<Reason> {
    let trigger = match &expectation.scope {
        Scope::Whenever(trigger) | Scope::WheneverIn { condition: trigger, .. } => trigger,
        _ => return None,
    };
    let switched = |on: bool, signal: SignalId| Condition::Is { signal, on };
    match &expectation.claim {
        Claim::HoldsFor { condition, .. } => (condition == trigger).then_some(Reason::TooShort),
        Claim::Within { condition, .. } => {
            let ends = match (condition, trigger) {
                (Condition::Is { signal, on }, _) if *trigger == switched(!on, *signal) => true,
                (Condition::Not(inner), _) if **inner == *trigger => true,
                (_, Condition::Not(inner)) => **inner == *condition,
                _ => false,
            };
            ends.then_some(Reason::TooLong)
        }
        _ => None,
    }
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

/// How long heat has to stay off to be cut: by the figures, for it to be
/// possible, and for it to be sure.
#[derive(Clone, Copy)]
struct Lasting {
    nominal: i64,
    maybe: i64,
    surely: i64,
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

    fn so_often(&self, occurrence: Occurrence, at_most: usize, window: i64, blur: i64) -> Answer {
        let extent = extent(occurrence, None, self.end);
        let rises = self.course.rises().0;
        let among = |(first, last): (i64, i64)| -> Vec<i64> {
            rises.iter().copied().filter(|at| first <= *at && *at <= last).collect()
        };
        // Rises that are one too many in a stretch of some length.
        let one_too_many = |rises: &[i64], length: i64| {
            rises.windows(at_most + 1).find(|together| together[at_most] - together[0] <= length).map(|it| it[at_most])
        };
        let answer = if let Some(at) = one_too_many(&among(extent.inner), window - blur) {
            return Answer::of(Verdict::Fail, Reason::TooMany, Some(at)).with_count(-1, at_most as i64 + 1);
        } else if let Some(reason) = self.obstacle(&extent) {
            return Answer::undecided(reason);
        } else if let Some(reason) = self.blurred(&extent, self.course) {
            return Answer::undecided(reason);
        } else if !extent.ended && self.cut_short {
            return Answer::undecided(Reason::StillOpen);
        } else if one_too_many(&among(extent.outer), window + blur).is_some() {
            Answer::undecided(Reason::InsideGuardBand)
        } else {
            Answer::of(Verdict::Pass, Reason::Held, Some(extent.nominal.1))
        };
        let nominal = among(extent.nominal);
        let together = |first: &i64| nominal.iter().filter(|at| *first <= **at && **at <= first + window).count();
        let most = nominal.iter().map(together).max().unwrap_or(0);
        // No more are told apart than one too many.
        let most = most.min(at_most + 1) as i64;
        answer.with_count(at_most as i64 - most, most)
    }

    /// Whether a condition was neither true nor false somewhere in a window, and why.
    fn blurred(&self, extent: &Extent, course: &Course) -> Option<Reason> {
        let (from, to) = extent.outer;
        let blurred = |stretch: &Stretch| stretch.possible() && !stretch.sure();
        let unobserved =
            |stretch: &Stretch| blurred(stretch) && (stretch.low.rank.unobserved() || stretch.high.rank.unobserved());
        if to > self.end || course.any(from, to, unobserved) {
            return Some(Reason::NotObserved);
        }
        course.any(from, to, blurred).then_some(Reason::InsideGuardBand)
    }

    fn in_order(&self, occurrence: Occurrence, first: &Course, then: &Course, blur: i64) -> Answer {
        let extent = extent(occurrence, None, self.end);
        let (earliest, to) = extent.outer;
        let latest = occurrence.opens + occurrence.uncertainty;
        let seen = then.first(extent.inner.0, extent.inner.1, Stretch::sure);
        let came = first.first(latest, self.end, Stretch::sure);
        let apart = |answer: Answer, apart: i64| answer.with_time(apart, apart, blur);
        if let Some(seen) = seen {
            let certain_at = seen + blur;
            if certain_at <= self.end && !first.any(earliest, certain_at, Stretch::possible) {
                let fail = Answer::of(Verdict::Fail, Reason::OutOfOrder, Some(seen));
                return match came.filter(|came| *came <= extent.nominal.1) {
                    Some(came) => apart(fail, seen - came),
                    None => fail,
                };
            }
            let held = Answer::of(Verdict::Pass, Reason::Held, Some(seen));
            if latest <= self.end && !first.any(earliest, latest, |stretch| !stretch.sure()) {
                return held;
            }
            let may_have_come = then.first(earliest, to, Stretch::possible);
            if let (Some(came), Some(then)) = (came, may_have_come)
                && came + blur <= then
            {
                return apart(held, then - came);
            }
        }
        if let Some(reason) = self.obstacle(&extent) {
            return Answer::undecided(reason);
        }
        let unseen = |course| self.blurred(&extent, course) == Some(Reason::NotObserved);
        let beyond_the_end = match seen {
            Some(seen) => seen + blur > self.end,
            None => !extent.ended && self.cut_short,
        };
        Answer::undecided(if unseen(first) || unseen(then) {
            Reason::NotObserved
        } else if beyond_the_end {
            Reason::StillOpen
        } else if then.any(earliest, to, Stretch::possible) {
            Reason::InsideGuardBand
        } else {
            Reason::Vacuous
        })
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

    /// Whether the trigger went on to the end of a scope that surely ended
    /// before that could have been too long.
    fn ended_too_soon(&self, occurrence: Occurrence, limit: i64, release: i64) -> bool {
        let Occurrence { opens, guard, ends, .. } = occurrence;
        let (close, last) = ends.map_or((self.end, self.end), |(close, fuzz)| (close, close + fuzz - 1));
        opens <= self.end
            && close <= self.end
            && last < opens + limit - release - guard
            && !self.course.any(opens, close, Stretch::possible)
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

    fn heat_cut(&self, occurrence: Occurrence, limit: i64, hold: Lasting, release: i64) -> Answer {
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
        let nothing_to_cut = last_chance.max(latest + hold.nominal - 1);
        if nothing_to_cut <= self.end && !maybe_on(earliest, nothing_to_cut) {
            return self.unless_over(occurrence, Answer::undecided(Reason::Vacuous), nothing_to_cut);
        }
        // Heat was surely on after the opening, and from then on there is a
        // stretch without heat that is long enough: it is cut there.
        let on_at = self.course.first(latest, self.end, Stretch::sure);
        let cuts = |after: i64| {
            self.course
                .runs(after, |stretch| !stretch.possible())
                .filter(move |(from, to)| *from > after && to - from + 1 >= hold.surely)
                .map(|(from, _)| from)
        };
        let cut = on_at.and_then(|on_at| cuts(on_at).next());
        if let Some(cut) = cut
            && cut <= deadline - guard
        {
            let held = timed(Answer::of(Verdict::Pass, Reason::Held, Some(cut)), cut);
            return self.unless_over(occurrence, held, cut + hold.surely - 1);
        }
        // Heat is on when it is too late, and no stretch before may have been a cut.
        if let Some(on_late) = self.course.first(last_chance, self.end, Stretch::sure) {
            let may_be_cut =
                self.course.runs(earliest, |stretch| !stretch.sure()).take_while(|(_, to)| *to < on_late).any(
                    |(from, to)| {
                        let start = from.max(earliest);
                        let was_on = from > earliest.max(0) || maybe_on(start, to);
                        to + 1 >= opens && start <= last_chance && to + 1 - start >= hold.maybe && was_on
                    },
                );
            if !may_be_cut {
                let scope_end = occurrence.ends.map_or(self.end, |(close, _)| close - 1);
                let after_all = cuts(on_late).find(|cut| cut + hold.surely - 1 <= scope_end);
                let reason = if after_all.is_some() { Reason::HeatCutLate } else { Reason::HeatNotCut };
                let mut fail = Answer::of(Verdict::Fail, reason, Some(on_late));
                if let Some(cut) = after_all {
                    fail = timed(fail, cut);
                }
                return self.unless_over(occurrence, fail, on_late);
            }
        }
        let horizon = last_chance + hold.surely - 1;
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

//! How inputs are given to the judge: what comes too late or is of another run, in
//! which order findings come out, and what is done when room is short.

use dryfire_judge::naive::{self, Trace};
use dryfire_judge::{
    Claim, Comparison, Condition, Expectation, Finding, Instant, Judge, MOST_AWAITED, MOST_WAITING, Margin, MomentId,
    Reason, Scope, SignalId, SignalKind, SignalSpec, SignalTable, Verdict,
};
use dryfire_units::{RigSpan, RigTime};

const HEAT: SignalId = SignalId(0);
const LID: SignalId = SignalId(1);
const TOP: SignalId = SignalId(2);
const CLIMB: SignalId = SignalId(3);
const FOREIGN: SignalId = SignalId(4);
const BREAK: MomentId = MomentId(0);
const MEND: MomentId = MomentId(1);

fn milliseconds(milliseconds: i64) -> RigTime {
    RigTime::ZERO + RigSpan::from_millis(milliseconds)
}

fn micros(micros: i64) -> RigTime {
    RigTime::from_micros(micros)
}

fn table() -> SignalTable {
    let mut table = SignalTable::default();
    let kinds = [SignalKind::Switch, SignalKind::Switch, SignalKind::Temperature, SignalKind::Rate];
    for (kind, name) in kinds.into_iter().zip(["heat", "lid", "top", "climb"]) {
        table.add(SignalSpec {
            name: name.to_owned(),
            kind,
            value_uncertainty: 0,
            model_error: 0,
            time_uncertainty: RigSpan::from_millis(if name == "heat" { 5 } else { 0 }),
            release: RigSpan::ZERO,
        });
    }
    table
}

fn after_break(claim: Claim) -> Expectation {
    let instant = Instant { moment: BREAK, offset: RigSpan::ZERO };
    Expectation { name: "it".to_owned(), scope: Scope::After(instant), claim }
}

fn judge(expectations: Vec<Expectation>) -> Judge {
    Judge::new(table(), vec!["break".to_owned(), "mend".to_owned()], expectations).expect("sound expectations")
}

fn on(signal: SignalId) -> Condition {
    Condition::Is { signal, on: true }
}

/// A judge of one claim after the break, told everything up to 20 s: heat is off.
fn up_to_20_s(claim: Claim, heat: i64) -> Judge {
    let mut judge = judge(vec![after_break(claim)]);
    judge.observe(RigTime::ZERO, HEAT, heat);
    judge.advance(milliseconds(20_000));
    judge
}

#[track_caller]
fn ends_as(mut judge: Judge, verdict: Verdict, reason: Reason) {
    let finding = judge.finish(milliseconds(60_000)).remove(0);
    assert_eq!((finding.verdict, finding.reason), (verdict, reason), "{finding:?}");
}

#[test]
fn what_no_expectation_looks_at_need_not_be_given() {
    let judge = judge(vec![after_break(Claim::Never(on(HEAT)))]);
    assert!(judge.looks_at(HEAT));
    assert!(!judge.looks_at(LID));
    assert!(!judge.looks_at(FOREIGN));
}

#[test]
fn a_late_gap_spoils_even_where_the_signal_is_seen_again() {
    let mut judge = up_to_20_s(Claim::Never(on(HEAT)), 0);
    judge.moment(BREAK, milliseconds(30_000), RigSpan::ZERO);
    judge.observe(micros(20_000_001), HEAT, 0);
    judge.gap(HEAT, milliseconds(10_000), milliseconds(11_000));
    ends_as(judge, Verdict::Inconclusive, Reason::NotObserved);
}

#[test]
fn a_gap_that_was_over_before_it_was_told_hides_no_fail_of_later() {
    let mut judge = up_to_20_s(Claim::Never(on(HEAT)), 1);
    judge.gap(HEAT, milliseconds(10_000), milliseconds(11_000));
    judge.moment(BREAK, milliseconds(30_000), RigSpan::ZERO);
    ends_as(judge, Verdict::Fail, Reason::Violated);
}

#[test]
fn what_is_left_of_a_late_gap_is_a_gap() {
    let mut judge = up_to_20_s(Claim::Never(on(HEAT)), 0);
    judge.moment(BREAK, milliseconds(21_000), RigSpan::ZERO);
    judge.gap(HEAT, milliseconds(10_000), milliseconds(40_000));
    judge.observe(milliseconds(30_000), HEAT, 1);
    judge.observe(milliseconds(50_000), HEAT, 0);
    ends_as(judge, Verdict::Inconclusive, Reason::NotObserved);
}

#[test]
fn a_late_gap_changes_nothing_up_to_the_watermark() {
    // Not reached from 5 ms before the break on, which is before the watermark.
    let claim = Claim::Within { limit: RigSpan::from_seconds(10), condition: on(HEAT) };
    let mut judge = up_to_20_s(claim, 0);
    judge.gap(HEAT, milliseconds(10_000), micros(20_000_001));
    judge.observe(micros(20_000_001), HEAT, 0);
    judge.moment(BREAK, milliseconds(20_002), RigSpan::ZERO);
    ends_as(judge, Verdict::Fail, Reason::NotReached);
}

#[test]
fn what_is_of_no_signal_or_moment_of_this_run_spoils_everything() {
    let start = || {
        let mut judge = up_to_20_s(Claim::Never(on(HEAT)), 0);
        judge.moment(BREAK, milliseconds(21_000), RigSpan::ZERO);
        judge
    };
    ends_as(start(), Verdict::Pass, Reason::Held);
    for until in [10_000, 40_000] {
        let mut judge = start();
        judge.gap(FOREIGN, milliseconds(5_000), milliseconds(until));
        ends_as(judge, Verdict::Inconclusive, Reason::NotObserved);
    }
    let mut judge = start();
    judge.gap(FOREIGN, milliseconds(30_000), milliseconds(40_000));
    ends_as(judge, Verdict::Inconclusive, Reason::NotObserved);
    for at in [5_000, 30_000] {
        let mut judge = start();
        judge.moment(MomentId(2), milliseconds(at), RigSpan::ZERO);
        ends_as(judge, Verdict::Inconclusive, Reason::NotObserved);
    }
}

#[test]
fn a_late_moment_spoils_only_what_looks_at_it() {
    let start = || {
        let mut judge = up_to_20_s(Claim::Never(on(HEAT)), 0);
        judge.moment(BREAK, milliseconds(21_000), RigSpan::ZERO);
        judge
    };
    let mut judge = start();
    judge.moment(MEND, milliseconds(5_000), RigSpan::ZERO);
    ends_as(judge, Verdict::Pass, Reason::Held);
    let mut judge = start();
    judge.moment(BREAK, milliseconds(5_000), RigSpan::ZERO);
    ends_as(judge, Verdict::Inconclusive, Reason::NotObserved);
}

#[test]
fn what_is_found_at_one_instant_comes_out_in_the_order_of_the_expectations() {
    let never = |signal| after_break(Claim::Never(on(signal)));
    for looked_at in [[HEAT, LID], [LID, HEAT]] {
        for given in [[HEAT, LID], [LID, HEAT]] {
            let mut judge = judge(looked_at.map(never).to_vec());
            judge.observe(RigTime::ZERO, HEAT, 0);
            judge.observe(RigTime::ZERO, LID, 0);
            judge.moment(BREAK, milliseconds(1_000), RigSpan::ZERO);
            for signal in given {
                judge.observe(milliseconds(2_000), signal, 1);
            }
            judge.advance(milliseconds(3_000));
            let order: Vec<usize> =
                std::iter::from_fn(|| judge.poll_decided()).map(|found| found.expectation).collect();
            assert_eq!(order, [0, 1]);
        }
    }
}

/// As many samples as can wait, a microsecond apart, without a watermark.
fn crowded() -> Judge {
    let mut judge = judge(vec![after_break(Claim::Never(on(LID)))]);
    judge.moment(BREAK, RigTime::ZERO, RigSpan::ZERO);
    for index in 0..MOST_WAITING as i64 - 1 {
        judge.observe(micros(index), LID, 0);
    }
    judge
}

#[test]
fn where_room_is_short_the_older_half_is_taken_as_complete() {
    // What comes for the newer half is in time still, what comes for the older is not.
    let half = MOST_WAITING as i64 / 2;
    let mut judge = crowded();
    judge.observe(micros(half + 10_000), LID, 0);
    ends_as(judge, Verdict::Pass, Reason::Held);
    let mut judge = crowded();
    judge.observe(micros(half / 2), LID, 0);
    ends_as(judge, Verdict::Inconclusive, Reason::NotObserved);
}

/// Both judges' finding for one claim throughout, over these inputs.
fn found(scope: Scope, claim: Claim, samples: &[(i64, SignalId, i64)], gap: Option<(SignalId, i64, i64)>) -> Finding {
    let expectation = Expectation { name: "it".to_owned(), scope, claim };
    let (mut judge, mut trace) = (judge(vec![expectation.clone()]), Trace::default());
    for &(at, signal, value) in samples {
        judge.observe(micros(at), signal, value);
        trace.sample(micros(at), signal, value);
    }
    if let Some((signal, from, until)) = gap {
        judge.gap(signal, micros(from), micros(until));
        trace.gap(signal, micros(from), micros(until));
    }
    judge.moment(BREAK, micros(10), RigSpan::from_micros(3));
    trace.moment(BREAK, micros(10), RigSpan::from_micros(3));
    let first = judge.finish(micros(30)).remove(0);
    let second = naive::judge(&table(), std::slice::from_ref(&expectation), &trace, micros(30)).remove(0);
    assert_eq!(first, second);
    first
}

#[test]
fn of_two_levels_equally_near_their_limits_the_first_written_is_reported() {
    let at_most = |signal, limit| Condition::Compare { signal, comparison: Comparison::AtMost, limit };
    let near = [at_most(TOP, 5), at_most(CLIMB, 9)];
    let samples = [(0, TOP, 3), (0, CLIMB, 7)];
    for (order, seen) in [([0, 1], Margin::Temperature(3)), ([1, 0], Margin::Rate(7))] {
        let parts: Vec<Condition> = order.iter().map(|part: &usize| near[*part].clone()).collect();
        for together in [Condition::All(parts.clone()), Condition::Any(parts)] {
            let finding = found(Scope::Throughout, Claim::Always(together), &samples, None);
            assert_eq!(finding.verdict, Verdict::Pass);
            assert_eq!(finding.seen, Some(seen));
        }
    }
}

#[test]
fn a_gap_that_may_lie_inside_the_scope_is_a_gap_in_it() {
    let after = Scope::After(Instant { moment: BREAK, offset: RigSpan::ZERO });
    let cool = Condition::Compare { signal: TOP, comparison: Comparison::AtMost, limit: 5 };
    let samples = [(0, TOP, 3), (9, TOP, 3)];
    let finding = found(after.clone(), Claim::Always(cool.clone()), &samples, Some((TOP, 8, 9)));
    assert_eq!((finding.verdict, finding.reason), (Verdict::Inconclusive, Reason::NotObserved));
    // Surely before it, it does not matter.
    let samples = [(0, TOP, 3), (7, TOP, 3)];
    let finding = found(after, Claim::Always(cool), &samples, Some((TOP, 6, 7)));
    assert_eq!(finding.verdict, Verdict::Pass);
}

#[test]
fn what_was_two_things_at_one_instant_is_one_at_the_next() {
    // The second goes off just when it is settled what the first is.
    let samples = [(0, HEAT, 0), (0, LID, 1), (10, HEAT, 0), (10, HEAT, 1), (11, LID, 0)];
    let either = Condition::Any(vec![on(HEAT), on(LID)]);
    assert_eq!(found(Scope::Throughout, Claim::Always(either), &samples, None).verdict, Verdict::Pass);
}

#[test]
fn a_pass_is_said_early_only_where_no_moment_can_follow() {
    let claim = || Claim::Within { limit: RigSpan::from_seconds(10), condition: on(LID) };
    let offset = RigSpan::from_seconds(10);
    let much_later = Scope::After(Instant { moment: BREAK, offset });
    let start = |expectation: Expectation| {
        let mut judge = judge(vec![expectation]);
        judge.observe(RigTime::ZERO, LID, 0);
        judge.moment(BREAK, milliseconds(1_000), RigSpan::ZERO);
        judge
    };
    let answered = |mut judge: Judge, at: i64| {
        judge.observe(milliseconds(at), LID, 1);
        judge.observe(milliseconds(at + 100), LID, 0);
        judge.advance(milliseconds(at + 100));
        judge.poll_decided().map(|found| (found.verdict, found.decided_at))
    };
    let soon = Some((Verdict::Pass, Some(milliseconds(2_000))));
    assert_eq!(answered(start(after_break(claim())).with_moments_that_come_once(), 2_000), soon);
    // The same moment may come again.
    assert_eq!(answered(start(after_break(claim())), 2_000), None);
    // It did come again, against the promise: while it is open, and while it lies ahead.
    let mut again = start(after_break(claim())).with_moments_that_come_once();
    again.moment(BREAK, milliseconds(1_990), RigSpan::from_millis(200));
    assert_eq!(answered(again, 2_000), None);
    let mut again = start(Expectation { scope: much_later, ..after_break(claim()) }).with_moments_that_come_once();
    again.moment(BREAK, milliseconds(3_000), RigSpan::ZERO);
    assert_eq!(answered(again, 12_000), None);
    // What came too late may have been something else.
    let mut late = start(after_break(claim())).with_moments_that_come_once();
    late.advance(milliseconds(1_500));
    late.observe(milliseconds(1_200), LID, 0);
    assert_eq!(answered(late, 2_000), None);
}

#[test]
fn a_fail_is_said_as_soon_as_the_end_of_its_scope_is_certain() {
    // From 100 ms on; ends at 1 s, which is known to 3 ms, and edges are to 5 ms more.
    let end_certain = RigTime::ZERO + RigSpan::from_micros(1_008_000 - 1);
    let scope = Scope::AfterUntil(
        Instant { moment: BREAK, offset: RigSpan::ZERO },
        Instant { moment: MEND, offset: RigSpan::ZERO },
    );
    let seconds = RigSpan::from_seconds;
    let claims = [
        Claim::Never(on(HEAT)),
        Claim::Always(on(HEAT)),
        Claim::HoldsFor { span: seconds(5), condition: on(HEAT) },
        Claim::Times { at_least: 0, at_most: 1, condition: on(HEAT) },
        Claim::Times { at_least: 9, at_most: 9, condition: on(HEAT) },
        Claim::AtMostIn { at_most: 1, window: seconds(5), condition: on(HEAT) },
        Claim::Precedes { first: on(LID), then: on(HEAT) },
    ];
    for claim in claims {
        let mut judge = judge(vec![Expectation { name: "it".to_owned(), scope: scope.clone(), claim: claim.clone() }]);
        judge.observe(RigTime::ZERO, HEAT, 0);
        judge.observe(RigTime::ZERO, LID, 0);
        judge.moment(BREAK, milliseconds(100), RigSpan::ZERO);
        for (at, value) in [(200, 1), (300, 0), (400, 1), (500, 0)] {
            judge.observe(milliseconds(at), HEAT, value);
        }
        judge.moment(MEND, milliseconds(1_000), RigSpan::from_millis(3));
        judge.advance(end_certain - RigSpan::from_micros(1));
        assert_eq!(judge.poll_decided(), None, "too early: {claim:?}");
        judge.advance(end_certain);
        let found = judge.poll_decided().expect("it is certain");
        assert_eq!(found.verdict, Verdict::Fail, "{claim:?}");
    }
}

#[test]
fn a_rise_or_a_gap_where_the_scope_may_be_over_decides_nothing() {
    let scope = || {
        Scope::AfterUntil(
            Instant { moment: BREAK, offset: RigSpan::ZERO },
            Instant { moment: MEND, offset: RigSpan::ZERO },
        )
    };
    let claims = [
        Claim::Times { at_least: 0, at_most: 1, condition: on(HEAT) },
        Claim::AtMostIn { at_most: 1, window: RigSpan::from_seconds(5), condition: on(HEAT) },
    ];
    // The scope ends at 1 s, known to 3 ms, and edges are to 5 ms more.
    for (claim, (second, gap), expected) in claims.into_iter().flat_map(|claim| {
        [
            ((991_999, None), Reason::TooMany),
            ((992_000, None), Reason::InsideGuardBand),
            ((1_007_999, None), Reason::InsideGuardBand),
            ((1_008_000, None), Reason::Held),
            ((1_100_000, Some((1_007_000, 1_007_500))), Reason::NotObserved),
        ]
        .map(|(given, expected)| (claim.clone(), given, expected))
    }) {
        let mut judge = judge(vec![Expectation { name: "it".to_owned(), scope: scope(), claim: claim.clone() }]);
        judge.observe(RigTime::ZERO, HEAT, 0);
        judge.moment(BREAK, milliseconds(100), RigSpan::ZERO);
        judge.observe(milliseconds(200), HEAT, 1);
        judge.observe(milliseconds(300), HEAT, 0);
        judge.moment(MEND, milliseconds(1_000), RigSpan::from_millis(3));
        if let Some((from, until)) = gap {
            judge.gap(HEAT, micros(from), micros(until));
            judge.observe(micros(until), HEAT, 0);
        }
        judge.observe(micros(second), HEAT, 1);
        let finding = judge.finish(milliseconds(60_000)).remove(0);
        assert_eq!(finding.reason, expected, "{claim:?}, {second} µs");
    }
}

/// Both judges' finding for *within*, after moments that are known differently well.
fn within(limit: i64, scope: Scope, moments: &[(MomentId, i64, i64)], edges: &[(i64, i64)]) -> Finding {
    let claim = Claim::Within { limit: RigSpan::from_micros(limit), condition: on(LID) };
    let expectation = Expectation { name: "it".to_owned(), scope, claim };
    let (mut judge, mut trace) = (judge(vec![expectation.clone()]), Trace::default());
    for &(at, value) in edges {
        judge.observe(micros(at), LID, value);
        trace.sample(micros(at), LID, value);
    }
    for &(moment, at, uncertainty) in moments {
        judge.moment(moment, micros(at), RigSpan::from_micros(uncertainty));
        trace.moment(moment, micros(at), RigSpan::from_micros(uncertainty));
    }
    let first = judge.finish(micros(60)).remove(0);
    let second = naive::judge(&table(), std::slice::from_ref(&expectation), &trace, micros(60)).remove(0);
    assert_eq!(first, second);
    first
}

#[test]
fn of_openings_that_are_known_differently_well_the_right_one_is_reported() {
    let after = || Scope::After(Instant { moment: BREAK, offset: RigSpan::ZERO });
    let span = |micros| Some(Margin::Time(RigSpan::from_micros(micros)));
    // Answered at once: the one that clears its uncertainty by less, not the one with less margin.
    let found = within(30, after(), &[(BREAK, 8, 1), (BREAK, 10, 5)], &[(0, 0), (20, 1)]);
    assert_eq!((found.verdict, found.margin, found.uncertainty), (Verdict::Pass, span(20), span(5)));
    // Failed at one instant: the first to open.
    let found = within(5, after(), &[(BREAK, 10, 3), (BREAK, 12, 1)], &[(0, 0), (25, 1)]);
    assert_eq!((found.reason, found.seen), (Reason::ReachedLate, span(15)));
    // Answered where the scope may be over: the first to open could have been in it.
    let until = Scope::AfterUntil(
        Instant { moment: BREAK, offset: RigSpan::ZERO },
        Instant { moment: MEND, offset: RigSpan::ZERO },
    );
    let found = within(30, until, &[(BREAK, 8, 1), (BREAK, 10, 5), (MEND, 16, 2)], &[(0, 0), (15, 1)]);
    assert_eq!(found.reason, Reason::StillOpen);
}

#[test]
fn what_the_end_of_the_run_cuts_off_just_where_it_could_have_been_too_long_is_open() {
    let off = Condition::Not(Box::new(on(HEAT)));
    let claim = Claim::Within { limit: RigSpan::from_millis(1_000), condition: off };
    let expectation = Expectation { name: "it".to_owned(), scope: Scope::Whenever(on(HEAT)), claim };
    // On from 10 ms to the end, both edges known to 5 ms.
    for (end, expected) in [(999_999, Reason::TriggerNotObserved), (1_000_000, Reason::StillOpen)] {
        let (mut judge, mut trace) = (judge(vec![expectation.clone()]), Trace::default());
        for (at, value) in [(0, 0), (10_000, 1)] {
            judge.observe(micros(at), HEAT, value);
            trace.sample(micros(at), HEAT, value);
        }
        let first = judge.finish(micros(end)).remove(0);
        let second = naive::judge(&table(), std::slice::from_ref(&expectation), &trace, micros(end)).remove(0);
        assert_eq!(first, second);
        assert_eq!(first.reason, expected);
    }
}

#[test]
fn a_trigger_that_may_have_ceased_where_it_began_is_not_cut_off_by_the_end() {
    // 6 °C ± 2 °C: it may be below the limit just where the trigger comes true.
    let mut table = SignalTable::default();
    table.add(SignalSpec {
        name: "kiln".to_owned(),
        kind: SignalKind::Temperature,
        value_uncertainty: 2,
        model_error: 0,
        time_uncertainty: RigSpan::ZERO,
        release: RigSpan::ZERO,
    });
    let hot = Condition::Compare { signal: SignalId(0), comparison: Comparison::Above, limit: 5 };
    let condition = Condition::Not(Box::new(hot.clone()));
    let claim = Claim::Within { limit: RigSpan::from_micros(20), condition };
    let expectation = Expectation { name: "it".to_owned(), scope: Scope::Whenever(hot), claim };
    for (begins_at, expected) in [(6, Reason::InsideGuardBand), (9, Reason::TriggerNotObserved)] {
        let mut judge = Judge::new(table.clone(), Vec::new(), vec![expectation.clone()]).expect("sound");
        let mut trace = Trace::default();
        for (at, value) in [(0, 0), (10, begins_at), (11, 9)] {
            judge.observe(micros(at), SignalId(0), value);
            trace.sample(micros(at), SignalId(0), value);
        }
        let first = judge.finish(micros(20)).remove(0);
        assert_eq!(naive::judge(&table, std::slice::from_ref(&expectation), &trace, micros(20)).remove(0), first);
        assert_eq!(first.reason, expected);
    }
}

#[test]
fn as_many_moments_can_lie_ahead_as_are_kept() {
    let offset = RigSpan::from_seconds(1);
    for (times, expected) in [(MOST_AWAITED, Reason::Held), (MOST_AWAITED + 1, Reason::Overflow)] {
        let scope = Scope::After(Instant { moment: BREAK, offset });
        let mut judge = judge(vec![Expectation { scope, ..after_break(Claim::Never(on(LID))) }]);
        judge.observe(RigTime::ZERO, LID, 0);
        for index in 0..times as i64 {
            judge.moment(BREAK, micros(index), RigSpan::ZERO);
            judge.advance(micros(index));
        }
        let finding = judge.finish(milliseconds(60_000)).remove(0);
        assert_eq!(finding.reason, expected);
    }
}

#[test]
fn what_is_over_takes_no_room() {
    let claim = Claim::HoldsFor { span: RigSpan::from_micros(3), condition: on(LID) };
    let scope = Scope::Whenever(on(LID));
    let mut judge = judge(vec![Expectation { scope, ..after_break(claim) }]);
    judge.observe(RigTime::ZERO, LID, 0);
    for index in 1..3_000 {
        judge.observe(micros(10 * index), LID, 1);
        judge.observe(micros(10 * index + 5), LID, 0);
    }
    assert_eq!(judge.finish(milliseconds(60_000))[0].verdict, Verdict::Pass);
}

#[test]
fn a_later_opening_that_is_known_better_is_followed_by_itself() {
    let always = |moments: &[(i64, i64)], edges: &[(i64, i64)]| {
        let mut judge = judge(vec![after_break(Claim::Always(on(LID)))]);
        for &(at, value) in edges {
            judge.observe(micros(at), LID, value);
        }
        for &(at, uncertainty) in moments {
            judge.moment(BREAK, micros(at), RigSpan::from_micros(uncertainty));
        }
        judge.finish(micros(30)).remove(0)
    };
    // Off at 14 µs: surely after 12 ± 1, perhaps before 10 ± 5.
    let edges = [(0, 1), (14, 0), (15, 1)];
    assert_eq!(always(&[(10, 5)], &edges).reason, Reason::InsideGuardBand);
    assert_eq!(always(&[(10, 5), (12, 1)], &edges).reason, Reason::Violated);
    // One that may not have begun when the run ends is open, whatever opened since.
    assert_eq!(always(&[(10, 0), (22, 0)], &[(0, 1)]).reason, Reason::Held);
    assert_eq!(always(&[(10, 0), (21, 10), (22, 0)], &[(0, 1)]).reason, Reason::StillOpen);
}

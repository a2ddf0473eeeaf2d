//! How inputs are given to the judge: what comes too late or is of another run, in
//! which order findings come out, and what is done when room is short.

use dryfire_judge::naive::{self, Trace};
use dryfire_judge::{
    Claim, Comparison, Condition, Expectation, Finding, Instant, Judge, MOST_WAITING, Margin, MomentId, Reason, Scope,
    SignalId, SignalKind, SignalSpec, SignalTable, Verdict,
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
    assert_eq!(naive::judge(&table(), &[expectation], &trace, micros(30)), [first.clone()]);
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

//! More at once than there is room for.

use dryfire_judge::{Claim, Condition, Expectation, Instant, Judge, MOST_AWAITED, MOST_FOLLOWED, MOST_WAITING, Part};
use dryfire_judge::{Reason, Scope};
use dryfire_judge::{SignalId, SignalKind, SignalSpec, SignalTable};
use dryfire_units::{RigSpan, RigTime};

use crate::{Attempt, BREAK, HEAT, MEND, after, assert_failed, assert_passed, assert_undecided, heat_is, instant};

/// A trigger that comes true this many times, a microsecond apart and each for
/// one, and an answer that comes once, long after.
fn many_triggers(times: usize, claim: Claim) -> dryfire_judge::Finding {
    many_triggers_in(Scope::Whenever, times, claim)
}

fn many_triggers_in(scope: impl Fn(Condition) -> Scope, times: usize, claim: Claim) -> dryfire_judge::Finding {
    let mut table = SignalTable::default();
    for name in ["heat", "trigger"] {
        table.add(SignalSpec {
            name: name.to_owned(),
            kind: SignalKind::Switch,
            value_uncertainty: 0,
            model_error: 0,
            time_uncertainty: RigSpan::ZERO,
            release: RigSpan::ZERO,
        });
    }
    let trigger = SignalId(1);
    let scope = scope(Condition::Is { signal: trigger, on: true });
    let expectation = Expectation { name: "many".to_owned(), scope, claim };
    let moments = vec!["break".to_owned(), "mend".to_owned()];
    let mut judge = Judge::new(table, moments, vec![expectation]).expect("sound");
    judge.moment(BREAK, RigTime::from_micros(5), RigSpan::ZERO);
    judge.observe(RigTime::ZERO, HEAT, 0);
    judge.observe(RigTime::ZERO, trigger, 0);
    for index in 0..times as i64 {
        judge.observe(RigTime::from_micros(10 + 2 * index), trigger, 1);
        judge.observe(RigTime::from_micros(11 + 2 * index), trigger, 0);
        judge.advance(RigTime::from_micros(11 + 2 * index));
    }
    judge.observe(RigTime::from_micros(10_000_000), HEAT, 1);
    judge.finish(RigTime::from_micros(30_000_000)).remove(0)
}

#[test]
fn more_responses_than_can_be_awaited_are_no_pass() {
    let claim = || Claim::Within { limit: RigSpan::from_seconds(20), condition: heat_is(true) };
    assert_passed(&many_triggers(MOST_AWAITED, claim()));
    assert_undecided(&many_triggers(MOST_AWAITED + 1, claim()), Reason::Overflow);
    // The ones there is room for can still fail.
    let claim = Claim::Within { limit: RigSpan::from_seconds(5), condition: heat_is(true) };
    assert_failed(&many_triggers(MOST_AWAITED + 1, claim), Reason::ReachedLate);
}

#[test]
fn more_occurrences_than_can_be_followed_are_no_pass() {
    let claim = || Claim::HoldsFor { span: RigSpan::from_seconds(1), condition: heat_is(false) };
    assert_passed(&many_triggers(MOST_FOLLOWED, claim()));
    assert_undecided(&many_triggers(MOST_FOLLOWED + 1, claim()), Reason::Overflow);
}

#[test]
fn more_orders_and_counts_than_can_be_followed_are_no_pass() {
    let order = || Claim::Precedes { first: heat_is(true), then: heat_is(true) };
    assert_passed(&many_triggers(MOST_FOLLOWED, order()));
    assert_undecided(&many_triggers(MOST_FOLLOWED + 1, order()), Reason::Overflow);
    let seldom = || Claim::AtMostIn { at_most: 1, window: RigSpan::from_seconds(1), condition: heat_is(true) };
    assert_passed(&many_triggers(MOST_FOLLOWED, seldom()));
    assert_undecided(&many_triggers(MOST_FOLLOWED + 1, seldom()), Reason::Overflow);
    let times = || Claim::Times { at_least: 1, at_most: 1, condition: heat_is(true) };
    assert_passed(&many_triggers(MOST_FOLLOWED, times()));
    assert_undecided(&many_triggers(MOST_FOLLOWED + 1, times()), Reason::Overflow);
}

#[test]
fn more_cuts_than_can_be_followed_are_no_pass() {
    // Heat comes on at 10 s, and the run ends before it could have been cut.
    let claim = || Claim::HeatCut { heat: HEAT, limit: RigSpan::from_seconds(40), hold: RigSpan::from_seconds(1) };
    assert_undecided(&many_triggers(MOST_FOLLOWED, claim()), Reason::StillOpen);
    assert_undecided(&many_triggers(MOST_FOLLOWED + 1, claim()), Reason::Overflow);
}

#[test]
fn what_waits_for_the_end_of_its_scope_takes_room() {
    // There was nothing to cut, which is certain at once and counts when the scope is over.
    let claim = || Claim::HeatCut { heat: HEAT, limit: RigSpan::ZERO, hold: RigSpan::from_micros(1) };
    let until_mended =
        |condition| Scope::WheneverIn { part: Part::AfterUntil(instant(BREAK), instant(MEND)), condition };
    assert_undecided(&many_triggers_in(until_mended, MOST_FOLLOWED, claim()), Reason::Vacuous);
    assert_undecided(&many_triggers_in(until_mended, MOST_FOLLOWED + 1, claim()), Reason::Overflow);
}

#[test]
fn more_moments_than_are_kept_are_no_pass() {
    let moments = |times: usize| {
        let offset = RigSpan::from_seconds(1);
        let scope = Scope::After(Instant { moment: BREAK, offset });
        let mut attempt = Attempt::at(scope, Claim::Never(heat_is(true))).heat(0, false);
        for index in 0..times as i64 {
            attempt.judge.moment(BREAK, RigTime::from_micros(index), RigSpan::ZERO);
            attempt.judge.advance(RigTime::from_micros(index));
        }
        attempt.judge.finish(RigTime::from_micros(10_000_000)).remove(0)
    };
    assert_passed(&moments(MOST_FOLLOWED));
    assert_undecided(&moments(MOST_AWAITED + 1), Reason::Overflow);
}

#[test]
fn more_input_than_can_wait_is_judged_without_a_watermark() {
    // Pulses of a microsecond, and no watermark ever: memory stays bounded, and
    // what comes in order is judged as ever.
    let mut attempt = Attempt::at(after(BREAK), Claim::Never(heat_is(true))).heat(0, false);
    attempt.judge.moment(BREAK, RigTime::from_micros(5), RigSpan::ZERO);
    for index in 0..3 * MOST_WAITING as i64 {
        attempt.judge.observe(RigTime::from_micros(10 + index), HEAT, 0);
    }
    let end = RigTime::from_micros(10 * MOST_WAITING as i64);
    assert_passed(&attempt.judge.finish(end)[0]);
    // What comes after all of that, for an instant long past, is too late.
    let mut attempt = Attempt::at(after(BREAK), Claim::Never(heat_is(true))).heat(0, false);
    attempt.judge.moment(BREAK, RigTime::from_micros(5), RigSpan::ZERO);
    for index in 0..3 * MOST_WAITING as i64 {
        attempt.judge.observe(RigTime::from_micros(10 + index), HEAT, 0);
    }
    attempt.judge.observe(RigTime::from_micros(7), HEAT, 1);
    assert_undecided(&attempt.judge.finish(end)[0], Reason::NotObserved);
}

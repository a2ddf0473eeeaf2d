//! What has to come first, and how often something may come.

use dryfire_judge::{Claim, Comparison, Condition, Margin, Reason, Scope, Verdict};
use dryfire_units::RigSpan;

use crate::{
    Attempt, BREAK, HEAT, KILN, MEND, after, assert_failed, assert_passed, assert_undecided, heat_is, instant,
};

/// Heat is not on before the kiln has been above 100 °C (±2 °C).
fn warm_first() -> Claim {
    let first = Condition::Compare { signal: KILN, comparison: Comparison::Above, limit: 100_000 };
    Claim::Precedes { first, then: heat_is(true) }
}

fn cold() -> Attempt {
    Attempt::at(Scope::Throughout, warm_first()).heat(0, false).sample(0, KILN, 20_000)
}

#[test]
fn what_came_first_clear_of_both_edges_is_in_order() {
    let finding = cold().sample(3_000, KILN, 200_000).heat(3_400, true).end(10_000);
    assert_passed(&finding);
    assert_eq!(finding.margin, Some(Margin::Time(RigSpan::from_millis(400))));
    assert_eq!(finding.uncertainty, Some(Margin::Time(RigSpan::from_millis(10))));
}

#[test]
fn what_came_first_by_less_than_two_edges_can_be_off_is_not_told() {
    assert_passed(&cold().sample(3_000, KILN, 200_000).heat(3_010, true).end(10_000));
    assert_undecided(&cold().sample(3_000, KILN, 200_000).heat(3_009, true).end(10_000), Reason::InsideGuardBand);
    assert_undecided(&cold().sample(3_000, KILN, 200_000).heat(2_990, true).end(10_000), Reason::InsideGuardBand);
    let finding = cold().heat(2_989, true).sample(3_000, KILN, 200_000).end(10_000);
    assert_failed(&finding, Reason::OutOfOrder);
    assert_eq!(finding.margin, Some(Margin::Time(RigSpan::from_millis(-11))));
}

#[test]
fn what_never_came_is_not_in_order() {
    let finding = cold().heat(2_000, true).end(10_000);
    assert_failed(&finding, Reason::OutOfOrder);
    assert_eq!(finding.margin, None);
}

#[test]
fn nothing_had_to_wait_where_nothing_came() {
    assert_undecided(&cold().sample(3_000, KILN, 200_000).end(10_000), Reason::Vacuous);
    assert_undecided(&cold().end(10_000), Reason::Vacuous);
    assert_undecided(&cold().cut_short(10_000), Reason::StillOpen);
}

#[test]
fn a_level_that_may_not_be_past_its_limit_has_not_come_first() {
    assert_undecided(&cold().sample(3_000, KILN, 101_000).heat(5_000, true).end(10_000), Reason::InsideGuardBand);
}

#[test]
fn what_came_first_while_nobody_looked_is_not_told() {
    let finding = cold().gap(KILN, 1_000, 4_000).sample(5_000, KILN, 20_000).heat(6_000, true).end(10_000);
    assert_undecided(&finding, Reason::NotObserved);
}

#[test]
fn what_came_before_the_scope_does_not_count() {
    let finding = Attempt::at(after(BREAK), warm_first())
        .heat(0, false)
        .sample(0, KILN, 200_000)
        .sample(2_000, KILN, 20_000)
        .moment(5_000, BREAK)
        .heat(6_000, true)
        .end(10_000);
    assert_failed(&finding, Reason::OutOfOrder);
    // What still holds when the scope opens does.
    let finding = Attempt::at(after(BREAK), warm_first())
        .heat(0, false)
        .sample(0, KILN, 200_000)
        .moment(5_000, BREAK)
        .heat(5_001, true)
        .end(10_000);
    assert_passed(&finding);
    assert_eq!(finding.margin, None);
}

#[test]
fn what_comes_where_the_scope_ends_does_not_date_a_fail() {
    let attempt = |warm| {
        Attempt::at(Scope::AfterUntil(instant(BREAK), instant(MEND)), warm_first())
            .heat(0, false)
            .sample(0, KILN, 20_000)
            .moment(5_000, BREAK)
            .heat(6_000, true)
            .sample(warm, KILN, 200_000)
            .moment(10_000, MEND)
            .end(20_000)
    };
    assert_failed(&attempt(9_999), Reason::OutOfOrder);
    assert_eq!(attempt(9_999).margin, Some(Margin::Time(RigSpan::from_millis(-3_999))));
    assert_failed(&attempt(10_000), Reason::OutOfOrder);
    assert_eq!(attempt(10_000).margin, None);
}

#[test]
fn an_order_that_is_broken_is_so_as_soon_as_the_edges_are_told_apart() {
    let mut attempt = cold().heat(2_000, true);
    attempt.judge.advance(crate::milliseconds(2_009));
    assert_eq!(attempt.judge.poll_decided(), None);
    attempt.judge.advance(crate::milliseconds(2_010));
    let early = attempt.judge.poll_decided().expect("decided");
    assert_eq!((early.verdict, early.reason), (Verdict::Fail, Reason::OutOfOrder));
    assert_eq!(early.decided_at, Some(crate::milliseconds(2_000)));
    // How late the other came is known only then.
    let finding = attempt.sample(3_000, KILN, 200_000).end(10_000);
    assert_failed(&finding, Reason::OutOfOrder);
    assert_eq!(finding.margin, Some(Margin::Time(RigSpan::from_millis(-1_000))));
}

/// Heat comes on at most 6 times in any minute.
fn seldom(scope: Scope) -> Attempt {
    let claim = Claim::AtMostIn { at_most: 6, window: RigSpan::from_minutes(1), condition: heat_is(true) };
    Attempt::at(scope, claim).heat(0, false)
}

/// Heat comes on so many times, so far apart, from 1 s on.
fn switching(attempt: Attempt, times: i64, apart_milliseconds: i64) -> Attempt {
    (0..times).fold(attempt, |attempt, index| {
        let at = 1_000 + index * apart_milliseconds;
        attempt.heat(at, true).heat(at + apart_milliseconds / 2, false)
    })
}

#[test]
fn switchings_are_counted_in_every_stretch() {
    let finding = switching(seldom(Scope::Throughout), 20, 12_000).end(400_000);
    assert_passed(&finding);
    assert_eq!((finding.margin, finding.seen), (Some(Margin::Count(0)), Some(Margin::Count(6))));
    let finding = switching(seldom(Scope::Throughout), 20, 9_900).end(400_000);
    assert_failed(&finding, Reason::TooMany);
    assert_eq!((finding.margin, finding.seen), (Some(Margin::Count(-1)), Some(Margin::Count(7))));
    // The seventh decides.
    assert_eq!(finding.decided_at, Some(crate::milliseconds(1_000 + 6 * 9_900)));
    let finding = switching(seldom(Scope::Throughout), 3, 30_000).end(400_000);
    assert_eq!(finding.margin, Some(Margin::Count(3)));
}

#[test]
fn a_stretch_that_may_be_as_long_as_the_edges_are_apart_is_not_told() {
    let run = |apart| switching(seldom(Scope::Throughout), 7, apart).end(400_000);
    // Six times 9.998 s is 59.988 s, six times 10.002 s is 60.012 s; two edges are known to 10 ms.
    assert_failed(&run(9_998), Reason::TooMany);
    assert_undecided(&run(9_999), Reason::InsideGuardBand);
    assert_undecided(&run(10_001), Reason::InsideGuardBand);
    assert_passed(&run(10_002));
}

#[test]
fn switchings_that_nobody_saw_may_have_been_too_many() {
    let finding = switching(seldom(Scope::Throughout), 3, 12_000).gap(HEAT, 100_000, 120_000).heat(120_000, false);
    assert_undecided(&finding.end(400_000), Reason::NotObserved);
}

#[test]
fn switchings_before_the_scope_do_not_count() {
    let scope = || after(BREAK);
    assert_passed(&switching(seldom(scope()), 8, 1_000).moment(4_000, BREAK).end(400_000));
    assert_failed(&switching(seldom(scope()), 12, 1_000).moment(4_000, BREAK).end(400_000), Reason::TooMany);
    // The one at the opening may be in it or not.
    assert_undecided(&switching(seldom(scope()), 10, 1_000).moment(4_000, BREAK).end(400_000), Reason::InsideGuardBand);
    let ended = Scope::AfterUntil(instant(BREAK), instant(MEND));
    let finding = switching(seldom(ended), 12, 1_000).moment(4_500, BREAK).moment(10_500, MEND).end(400_000);
    assert_passed(&finding);
}

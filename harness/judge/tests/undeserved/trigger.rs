//! Triggers inside a part of the run, and how long they last.

use dryfire_judge::{Claim, Comparison, Condition, Margin, Part, Reason, Scope, Verdict};
use dryfire_units::RigSpan;

use crate::{
    Attempt, BREAK, HEAT, KILN, MEND, assert_failed, assert_passed, assert_undecided, heat_is, instant, milliseconds,
};

/// In a part of the run, heat is never on for longer than 20 s.
fn short(part: Part) -> Attempt {
    let scope = Scope::WheneverIn { part, condition: heat_is(true) };
    Attempt::at(scope, Claim::Within { limit: RigSpan::from_seconds(20), condition: heat_is(false) })
}

fn after_break() -> Part {
    Part::After(instant(BREAK))
}

#[test]
fn a_trigger_outside_the_part_opens_nothing() {
    // On for 40 s, all of it before the break.
    let attempt = || short(after_break()).heat(0, false).heat(10_000, true).heat(50_000, false);
    assert_undecided(&attempt().moment(60_000, BREAK).end(200_000), Reason::TriggerNotObserved);
    assert_undecided(&attempt().end(200_000), Reason::TriggerNotObserved);
    // The same after it.
    assert_failed(&attempt().moment(5_000, BREAK).end(200_000), Reason::TooLong);
}

#[test]
fn a_trigger_that_holds_where_the_part_begins_counts_from_there() {
    let attempt = |off| short(after_break()).heat(0, true).moment(60_000, BREAK).heat(off, false).end(200_000);
    assert_passed(&attempt(75_000));
    assert_failed(&attempt(85_000), Reason::TooLong);
}

#[test]
fn a_trigger_that_ends_about_where_the_part_begins_is_in_doubt() {
    let attempt = |off| {
        let attempt = short(after_break()).heat(0, true).moment(60_000, BREAK).heat(off, false);
        // A later one that is in order, so that the scope does open.
        attempt.heat(100_000, true).heat(101_000, false).end(200_000)
    };
    assert_passed(&attempt(59_995));
    assert_undecided(&attempt(59_996), Reason::InsideGuardBand);
    assert_undecided(&attempt(60_004), Reason::InsideGuardBand);
}

#[test]
fn a_trigger_that_begins_about_where_the_part_ends_is_in_doubt() {
    let part = || Part::AfterUntil(instant(BREAK), instant(MEND));
    let attempt = |on| {
        let attempt = short(part()).heat(0, false).moment(1_000, BREAK).heat(2_000, true).heat(3_000, false);
        attempt.moment(60_000, MEND).heat(on, true).end(200_000)
    };
    assert_passed(&attempt(60_005));
    assert_undecided(&attempt(60_004), Reason::InsideGuardBand);
    assert_undecided(&attempt(60_000), Reason::InsideGuardBand);
    // Inside, and over with the part before it could be too long: it counts for nothing.
    assert_passed(&attempt(50_000));
    // Where it may just have been too long, nobody knows.
    assert_undecided(&attempt(40_012), Reason::StillOpen);
    assert_undecided(&attempt(40_034), Reason::StillOpen);
    assert_passed(&attempt(40_036));
}

#[test]
fn a_trigger_that_is_never_seen_to_end_proves_nothing() {
    let part = || Part::AfterUntil(instant(BREAK), instant(MEND));
    let attempt = || short(part()).heat(0, false).moment(1_000, BREAK).heat(50_000, true);
    // The only one, and the part is over before it could be too long.
    assert_undecided(&attempt().moment(60_000, MEND).end(200_000), Reason::TriggerNotObserved);
    assert_undecided(&attempt().end(60_000), Reason::TriggerNotObserved);
    assert_failed(&attempt().end(200_000), Reason::TooLong);
}

#[test]
fn a_part_whose_end_never_comes_claims_nothing() {
    let attempt = |part| short(part).heat(0, false).moment(1_000, BREAK).heat(2_000, true).heat(3_000, false);
    let between = || Part::Between(instant(BREAK), instant(MEND));
    assert_undecided(&attempt(between()).end(200_000), Reason::TriggerNotObserved);
    assert_passed(&attempt(between()).moment(60_000, MEND).end(200_000));
    let before = || Part::Before(instant(MEND));
    assert_undecided(&attempt(before()).end(200_000), Reason::TriggerNotObserved);
    assert_passed(&attempt(before()).moment(60_000, MEND).end(200_000));
}

#[test]
fn parts_that_overlap_are_one() {
    // The second break changes nothing: 25 s from the first.
    let finding =
        short(after_break()).heat(0, true).moment(10_000, BREAK).moment(20_000, BREAK).heat(35_000, false).end(200_000);
    assert_failed(&finding, Reason::TooLong);
}

#[test]
fn a_trigger_that_nobody_looked_at_may_have_come() {
    let finding = short(after_break())
        .heat(0, false)
        .moment(1_000, BREAK)
        .heat(2_000, true)
        .heat(3_000, false)
        .gap(HEAT, 50_000, 90_000)
        .heat(90_000, false)
        .end(200_000);
    assert_undecided(&finding, Reason::NotObserved);
}

#[test]
fn a_part_that_the_run_does_not_reach_is_open() {
    let later = dryfire_judge::Instant { moment: BREAK, offset: RigSpan::from_minutes(10) };
    let finding = short(Part::After(later)).heat(0, true).moment(1_000, BREAK).end(200_000);
    assert_undecided(&finding, Reason::StillOpen);
}

#[test]
fn what_had_opened_in_doubt_is_struck_out() {
    // Heat is off 3 ms after the break, known to ±5 ms; what is claimed is not so.
    let kiln = |comparison, limit| Condition::Compare { signal: KILN, comparison, limit };
    let hot = || kiln(Comparison::Above, 1_000_000);
    let claims = [
        Claim::Never(kiln(Comparison::Above, 100_000)),
        Claim::Sometime(hot()),
        Claim::HoldsFor { span: RigSpan::from_seconds(1), condition: hot() },
        Claim::Within { limit: RigSpan::from_seconds(1), condition: hot() },
        Claim::Times { at_least: 1, at_most: 2, condition: hot() },
        Claim::Precedes { first: hot(), then: kiln(Comparison::Above, 100_000) },
    ];
    for claim in claims {
        let scope = || Scope::WheneverIn { part: after_break(), condition: heat_is(true) };
        let attempt = |off| {
            let attempt = Attempt::at(scope(), claim.clone()).heat(0, true).sample(0, KILN, 500_000);
            attempt.moment(60_000, BREAK).heat(off, false).end(200_000)
        };
        assert_undecided(&attempt(60_004), Reason::TriggerNotObserved);
        assert_eq!(attempt(60_005).verdict, Verdict::Fail, "{claim:?}");
        // On once more and off again before it is sure that the part has begun: that is struck out too.
        let twice = Attempt::at(scope(), claim.clone()).heat(0, true).sample(0, KILN, 500_000).moment(60_000, BREAK);
        let twice = twice.heat(60_001, false).heat(60_002, true).heat(60_003, false).end(200_000);
        assert_undecided(&twice, Reason::TriggerNotObserved);
    }
}

/// Whenever heat is in a state, it is so for at least 5 s.
fn long(on: bool) -> Attempt {
    let claim = Claim::HoldsFor { span: RigSpan::from_seconds(5), condition: heat_is(on) };
    Attempt::at(Scope::Whenever(heat_is(on)), claim)
}

#[test]
fn what_lasts_too_short_or_too_long_is_called_so() {
    assert_failed(&long(false).heat(0, true).heat(10_000, false).heat(14_000, true).end(60_000), Reason::TooShort);
    assert_passed(&long(false).heat(0, true).heat(10_000, false).heat(16_000, true).end(60_000));
    // Two edges of ±5 ms each: what is within 10 ms of 5 s is not told.
    let off = |until| long(false).heat(0, true).heat(10_000, false).heat(until, true).end(60_000);
    assert_failed(&off(14_990), Reason::TooShort);
    assert_undecided(&off(14_991), Reason::InsideGuardBand);
    assert_undecided(&off(15_010), Reason::InsideGuardBand);
    assert_passed(&off(15_011));
    // Written with a `not`, it means the same.
    let not_on = Condition::Not(Box::new(heat_is(true)));
    let claim = Claim::Within { limit: RigSpan::from_seconds(5), condition: not_on };
    let finding = Attempt::at(Scope::Whenever(heat_is(true)), claim).heat(0, false).heat(10_000, true).end(60_000);
    assert_failed(&finding, Reason::TooLong);
    assert_eq!(finding.decided_at, Some(milliseconds(14_990)));
    // A claim about something else is not about the length of the trigger.
    let claim = Claim::Within { limit: RigSpan::from_seconds(5), condition: heat_is(true) };
    let finding = Attempt::at(Scope::Throughout, claim).heat(0, false).end(60_000);
    assert_failed(&finding, Reason::NotReached);
}

/// In a part of the run, heat is on for 2 s at least each time.
fn long_enough(part: Part) -> Attempt {
    let scope = Scope::WheneverIn { part, condition: heat_is(true) };
    Attempt::at(scope, Claim::HoldsFor { span: RigSpan::from_seconds(2), condition: heat_is(true) })
}

#[test]
fn what_began_before_the_part_is_not_called_too_short() {
    let attempt = |on| {
        let attempt = long_enough(after_break()).heat(0, false).heat(on, true).moment(60_000, BREAK);
        // On for 3 s, of which 1 s is in the part; then a whole one of 5 s.
        attempt.heat(61_000, false).heat(70_000, true).heat(75_000, false).end(200_000)
    };
    assert_passed(&attempt(58_000));
    assert_passed(&attempt(59_995));
    assert_undecided(&attempt(59_996), Reason::InsideGuardBand);
    let within = |on| {
        let attempt = long_enough(after_break()).heat(0, false).moment(60_000, BREAK).heat(on, true);
        attempt.heat(61_500, false).heat(70_000, true).heat(75_000, false).end(200_000)
    };
    assert_undecided(&within(60_000), Reason::InsideGuardBand);
    assert_undecided(&within(60_004), Reason::InsideGuardBand);
    assert_failed(&within(60_005), Reason::TooShort);
}

/// How long on may last, in milliseconds; on for 1 s, and for 5 s up to the end of the part.
fn on_for_one_and_for_five(limit: i64) -> Attempt {
    let mend = dryfire_judge::Instant { moment: MEND, offset: RigSpan::ZERO };
    let scope = Scope::WheneverIn { part: Part::Before(mend), condition: heat_is(true) };
    let claim = Claim::Within { limit: RigSpan::from_millis(limit), condition: heat_is(false) };
    let attempt = Attempt::at(scope, claim).heat(0, false).heat(10_000, true).heat(11_000, false);
    attempt.heat(20_000, true).moment(25_000, MEND)
}

#[test]
fn a_margin_is_no_larger_than_what_the_end_of_the_scope_cut_off_allows() {
    let finding = on_for_one_and_for_five(12_000).heat(30_000, false).end(60_000);
    assert_passed(&finding);
    // Within 5.020 s the second one would still be cut off, but for the guard.
    assert_eq!(finding.margin, Some(Margin::Time(RigSpan::from_millis(12_000 - 5_020))));
    assert_eq!(finding.uncertainty, Some(Margin::Time(RigSpan::from_millis(15))));
    assert_passed(&on_for_one_and_for_five(5_035).heat(30_000, false).end(60_000));
    assert_undecided(&on_for_one_and_for_five(5_034).heat(30_000, false).end(60_000), Reason::StillOpen);
    // The end of the run cuts off as well.
    let claim = Claim::Within { limit: RigSpan::from_seconds(12), condition: heat_is(false) };
    let attempt = Attempt::at(Scope::Whenever(heat_is(true)), claim).heat(0, false).heat(10_000, true);
    let finding = attempt.heat(11_000, false).heat(20_000, true).end(25_000);
    assert_passed(&finding);
    let (seen, micro) = (RigSpan::from_millis(5_020), RigSpan::from_micros(1));
    assert_eq!(finding.margin, Some(Margin::Time(RigSpan::from_seconds(12) - seen - micro)));
    // By itself it is no pass.
    let finding = on_for_one_and_for_five(900).end(60_000);
    assert_failed(&finding, Reason::TooLong);
}

/// Kept each time so far; the run was to go on, and the trigger might have come again.
#[test]
fn a_whenever_that_held_in_a_run_cut_short_is_open() {
    let attempt = || {
        let claim = Claim::Within { limit: RigSpan::from_seconds(20), condition: heat_is(false) };
        let attempt = Attempt::at(Scope::Whenever(heat_is(true)), claim);
        attempt.heat(0, false).heat(10_000, true).heat(15_000, false)
    };
    assert_passed(&attempt().end(60_000));
    assert_undecided(&attempt().cut_short(60_000), Reason::StillOpen);
    // A fail is one, whatever might have come.
    let late = attempt().heat(30_000, true).heat(55_000, false);
    assert_failed(&late.cut_short(60_000), Reason::TooLong);
}

#[test]
fn a_whenever_inside_a_part_that_was_over_holds_in_a_run_cut_short() {
    let part = || Part::AfterUntil(instant(BREAK), instant(MEND));
    let attempt = || short(part()).heat(0, false).moment(1_000, BREAK).heat(2_000, true).heat(3_000, false);
    assert_passed(&attempt().moment(50_000, MEND).cut_short(60_000));
    assert_undecided(&attempt().cut_short(60_000), Reason::StillOpen);
    assert_undecided(&attempt().moment(50_000, MEND).moment(55_000, BREAK).cut_short(60_000), Reason::StillOpen);
}

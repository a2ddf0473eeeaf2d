//! Heat that looks cut.
//!
//! The rule that an off-phase is no reaction, and the hold of three cycles and
//! 60 s, are common practice, no source.

use dryfire_judge::{Claim, Instant, Margin, Reason, Scope};
use dryfire_units::RigSpan;

use crate::{
    Attempt, BREAK, HEAT, MEND, after, assert_failed, assert_passed, assert_undecided, cut, heat_is, milliseconds,
};

#[test]
fn an_honest_cut_passes_with_its_reaction_time() {
    let finding = Attempt::at(after(BREAK), cut()).heat(0, true).moment(5_000, BREAK).heat(8_000, false).end(100_000);
    assert_passed(&finding);
    // 3 s and 20 ms of release, of 10 s.
    assert_eq!(finding.seen, Some(Margin::Time(RigSpan::from_millis(3_020))));
    assert_eq!(finding.margin, Some(Margin::Time(RigSpan::from_millis(6_980))));
    assert_eq!(finding.decided_at, Some(milliseconds(8_000)));
}

#[test]
fn an_ordinary_off_phase_is_no_reaction() {
    // Ten seconds on, ten seconds off, as before the break.
    let mut attempt = Attempt::at(after(BREAK), cut()).heat(0, true).moment(5_000, BREAK);
    for cycle in 0..12 {
        attempt = attempt.heat(8_000 + cycle * 20_000, false).heat(18_000 + cycle * 20_000, true);
    }
    let finding = attempt.end(300_000);
    assert_failed(&finding, Reason::HeatNotCut);
}

#[test]
fn an_off_phase_that_may_be_shorter_than_the_hold_is_no_cut() {
    let run = |on_again| {
        let mut attempt = Attempt::at(after(BREAK), cut()).heat(0, true).moment(5_000, BREAK).heat(8_000, false);
        attempt.judge.observe(on_again, HEAT, 1);
        attempt.trace.sample(on_again, HEAT, 1);
        attempt.end(200_000)
    };
    // The hold is 60 s, and each of the two edges is known to ±5 ms.
    let one = RigSpan::from_micros(1);
    assert_failed(&run(milliseconds(67_990) - one), Reason::HeatNotCut);
    assert_undecided(&run(milliseconds(67_990)), Reason::InsideGuardBand);
    assert_undecided(&run(milliseconds(68_010) - one), Reason::InsideGuardBand);
    assert_passed(&run(milliseconds(68_010)));
}

#[test]
fn an_off_phase_before_the_cut_does_not_make_the_reaction_quicker() {
    let finding = Attempt::at(after(BREAK), cut())
        .heat(0, true)
        .moment(5_000, BREAK)
        .heat(6_000, false)
        .heat(10_000, true)
        .heat(17_000, false)
        .end(200_000);
    assert_failed(&finding, Reason::HeatCutLate);
    assert_eq!(finding.margin, Some(Margin::Time(RigSpan::from_millis(-2_020))));
}

#[test]
fn breaking_something_while_heat_is_off_anyway_proves_nothing() {
    let finding = Attempt::at(after(BREAK), cut()).heat(0, true).heat(2_000, false).moment(5_000, BREAK).end(200_000);
    assert_undecided(&finding, Reason::Vacuous);
    assert!(finding.vacuous);
}

#[test]
fn heat_that_comes_on_again_after_an_off_phase_has_to_be_cut_from_there() {
    let attempt = || Attempt::at(after(BREAK), cut()).heat(0, false).moment(5_000, BREAK).heat(9_000, true);
    let finding = attempt().heat(9_500, false).end(200_000);
    assert_passed(&finding);
    assert_eq!(finding.seen, Some(Margin::Time(RigSpan::from_millis(4_520))));
    assert_failed(&attempt().end(200_000), Reason::HeatNotCut);
}

#[test]
fn an_edge_that_may_be_before_the_break_is_no_reaction() {
    // Off 3 ms after the break, with edges known to ±5 ms.
    let finding = Attempt::at(after(BREAK), cut()).heat(0, true).moment(5_000, BREAK).heat(5_003, false).end(200_000);
    assert_undecided(&finding, Reason::InsideGuardBand);
}

#[test]
fn a_run_that_ends_before_the_hold_is_over_proves_nothing() {
    let attempt = || Attempt::at(after(BREAK), cut()).heat(0, true).moment(5_000, BREAK).heat(8_000, false);
    assert_undecided(&attempt().end(68_009), Reason::StillOpen);
    assert_passed(&attempt().end(68_010));
}

#[test]
fn mending_before_the_hold_is_over_proves_nothing() {
    let scope = Scope::AfterUntil(
        Instant { moment: BREAK, offset: RigSpan::ZERO },
        Instant { moment: MEND, offset: RigSpan::ZERO },
    );
    let finding = Attempt::at(scope, cut())
        .heat(0, true)
        .moment(5_000, BREAK)
        .heat(8_000, false)
        .moment(30_000, MEND)
        .end(200_000);
    assert_undecided(&finding, Reason::StillOpen);
}

#[test]
fn heat_that_is_never_seen_is_not_off() {
    let finding = Attempt::at(after(BREAK), cut()).moment(5_000, BREAK).end(200_000);
    assert_undecided(&finding, Reason::NotObserved);
    let finding = Attempt::at(after(BREAK), Claim::Never(heat_is(true))).moment(5_000, BREAK).end(200_000);
    assert_undecided(&finding, Reason::NotObserved);
}

#[test]
fn heat_that_never_changes_is_judged_by_what_it_is() {
    let stuck = |on, claim| Attempt::at(after(BREAK), claim).heat(0, on).moment(5_000, BREAK).end(200_000);
    assert_failed(&stuck(true, cut()), Reason::HeatNotCut);
    assert_undecided(&stuck(false, cut()), Reason::Vacuous);
    assert_failed(&stuck(true, Claim::Never(heat_is(true))), Reason::Violated);
    // That heat stays off is a claim of its own, and here it is true.
    assert_passed(&stuck(false, Claim::Never(heat_is(true))));
}

#[test]
fn a_gap_over_the_edge_does_not_date_it() {
    // Off at some time between 12 s and 20 s after the start; the limit is at 15 s.
    let finding = Attempt::at(after(BREAK), cut())
        .heat(0, true)
        .moment(5_000, BREAK)
        .gap(HEAT, 12_000, 20_000)
        .heat(20_000, false)
        .end(200_000);
    assert_undecided(&finding, Reason::NotObserved);
}

#[test]
fn a_gap_within_the_hold_may_hide_a_pulse() {
    let finding = Attempt::at(after(BREAK), cut())
        .heat(0, true)
        .moment(5_000, BREAK)
        .heat(8_000, false)
        .gap(HEAT, 30_000, 31_000)
        .heat(31_000, false)
        .end(200_000);
    assert_undecided(&finding, Reason::NotObserved);
}

#[test]
fn chatter_at_one_instant_within_the_hold_is_no_quiet() {
    let finding = Attempt::at(after(BREAK), cut())
        .heat(0, true)
        .moment(5_000, BREAK)
        .heat(8_000, false)
        .heat(30_000, true)
        .heat(30_000, false)
        .end(200_000);
    assert_undecided(&finding, Reason::InsideGuardBand);
}

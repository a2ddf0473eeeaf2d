//! Bounds, moments and the end of the run.

use dryfire_judge::{Claim, Instant, Margin, Reason, Scope};
use dryfire_units::RigSpan;

use crate::{Attempt, BREAK, HEAT, MEND, after, assert_failed, assert_passed, assert_undecided, heat_is, milliseconds};

fn within_ten_seconds() -> Claim {
    Claim::Within { limit: RigSpan::from_seconds(10), condition: heat_is(false) }
}

/// ISO 14253-1 (from memory), as a rule for a limit of time: conformance is
/// proven where t + U is within the limit, non-conformance where t − U is
/// beyond; between, nothing is. Here U is 5 ms, and 20 ms of release belong to t.
#[rstest::rstest]
#[case::clears_the_band_exactly(9_975_000, Some(true))]
#[case::a_microsecond_inside(9_975_001, None)]
#[case::on_the_bound(9_980_000, None)]
#[case::just_over_the_bound(9_980_001, None)]
#[case::last_of_the_band(9_985_000, None)]
#[case::a_microsecond_beyond(9_985_001, Some(false))]
fn an_edge_on_the_bound_is_inside_the_guard_band(#[case] after_break_micros: i64, #[case] holds: Option<bool>) {
    let mut attempt = Attempt::at(after(BREAK), within_ten_seconds()).heat(0, true).moment(5_000, BREAK);
    let edge = milliseconds(5_000) + RigSpan::from_micros(after_break_micros);
    attempt.judge.observe(edge, HEAT, 0);
    attempt.trace.sample(edge, HEAT, 0);
    let finding = attempt.end(60_000);
    match holds {
        Some(true) => assert_passed(&finding),
        Some(false) => assert_failed(&finding, Reason::ReachedLate),
        None => assert_undecided(&finding, Reason::InsideGuardBand),
    }
    let margin = RigSpan::from_micros(9_980_000 - after_break_micros);
    assert_eq!(finding.margin, Some(Margin::Time(margin)));
    assert_eq!(finding.uncertainty, Some(Margin::Time(RigSpan::from_millis(5))));
}

#[test]
fn breaking_something_just_before_the_end_proves_nothing() {
    for claim in [within_ten_seconds(), crate::cut(), Claim::Never(heat_is(true))] {
        let finding =
            Attempt::at(after(BREAK), claim).heat(0, true).heat(50, false).heat(51, true).moment(60_000, BREAK);
        let finding = finding.end(60_001);
        assert_eq!(finding.verdict, dryfire_judge::Verdict::Inconclusive, "{finding:?}");
    }
    let finding = Attempt::at(after(BREAK), Claim::Never(heat_is(true))).heat(0, false).moment(60_000, BREAK);
    assert_undecided(&finding.end(60_001), Reason::StillOpen);
}

#[test]
fn a_moment_that_never_comes_proves_nothing() {
    for claim in [within_ten_seconds(), crate::cut(), Claim::Never(heat_is(true)), Claim::Sometime(heat_is(false))] {
        let finding = Attempt::at(after(BREAK), claim).heat(0, false).moment(5_000, MEND).end(60_000);
        assert_undecided(&finding, Reason::TriggerNotObserved);
    }
}

#[test]
fn an_opening_that_lies_beyond_the_end_proves_nothing() {
    let scope = Scope::After(Instant { moment: BREAK, offset: RigSpan::from_seconds(10) });
    let finding = Attempt::at(scope, Claim::Never(heat_is(true))).heat(0, false).moment(55_000, BREAK).end(60_000);
    assert_undecided(&finding, Reason::StillOpen);
}

#[test]
fn a_scope_between_two_moments_at_once_is_about_nothing() {
    let from = Instant { moment: BREAK, offset: RigSpan::ZERO };
    let to = Instant { moment: MEND, offset: RigSpan::ZERO };
    for scope in [Scope::Between(from, to), Scope::AfterUntil(from, to)] {
        for claim in [Claim::Never(heat_is(true)), Claim::Always(heat_is(false)), within_ten_seconds(), crate::cut()] {
            let attempt = Attempt::at(scope.clone(), claim).heat(0, false);
            let finding = attempt.moment(5_000, MEND).moment(5_000, BREAK).end(200_000);
            assert_undecided(&finding, Reason::Vacuous);
        }
    }
}

#[test]
fn a_scope_that_is_never_closed_is_about_nothing() {
    let from = Instant { moment: BREAK, offset: RigSpan::ZERO };
    let to = Instant { moment: MEND, offset: RigSpan::ZERO };
    let finding = Attempt::at(Scope::Between(from, to), Claim::Never(heat_is(true)))
        .heat(0, false)
        .moment(5_000, BREAK)
        .end(60_000);
    assert_undecided(&finding, Reason::TriggerNotObserved);
}

#[test]
fn a_second_occurrence_that_fails_is_not_hidden_by_the_first() {
    let finding = Attempt::at(after(BREAK), within_ten_seconds())
        .heat(0, true)
        .moment(5_000, BREAK)
        .heat(6_000, false)
        .heat(20_000, true)
        .moment(30_000, BREAK)
        .end(60_000);
    assert_failed(&finding, Reason::NotReached);
    assert_eq!(finding.decided_at, Some(milliseconds(39_985)));
}

#[test]
fn a_run_cut_short_does_not_pass_on_what_was_still_to_come() {
    let attempt = |claim| Attempt::at(after(BREAK), claim).heat(0, false).moment(5_000, BREAK);
    assert_undecided(&attempt(Claim::Never(heat_is(true))).cut_short(30_000), Reason::StillOpen);
    assert_undecided(&attempt(Claim::Sometime(heat_is(true))).cut_short(30_000), Reason::StillOpen);
    assert_undecided(&attempt(crate::cut()).cut_short(30_000), Reason::Vacuous);
    // What has failed has failed.
    assert_failed(&attempt(Claim::Never(heat_is(false))).cut_short(30_000), Reason::Violated);
}

#[test]
fn an_end_before_the_deadline_leaves_it_open() {
    let attempt = || Attempt::at(after(BREAK), within_ten_seconds()).heat(0, true).moment(5_000, BREAK);
    assert_undecided(&attempt().end(14_984), Reason::StillOpen);
    assert_failed(&attempt().end(14_985), Reason::NotReached);
}

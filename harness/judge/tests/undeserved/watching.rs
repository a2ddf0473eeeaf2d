//! What was not seen, seen too late, or cannot be.

use dryfire_judge::{Claim, Comparison, Condition, Reason, Scope, Verdict};
use dryfire_units::RigSpan;

use crate::{Attempt, BREAK, HEAT, KILN, after, assert_failed, assert_passed, assert_undecided, heat_is, milliseconds};

fn kiln_below(limit: i64) -> Condition {
    Condition::Compare { signal: KILN, comparison: Comparison::Below, limit }
}

#[test]
fn nothing_is_decided_before_the_watermark_reaches_the_deadline() {
    let claim = Claim::Within { limit: RigSpan::from_seconds(10), condition: heat_is(true) };
    let mut attempt = Attempt::at(after(BREAK), claim).heat(0, false).moment(5_000, BREAK);
    // The last heartbeat spoke for no more than this; an edge may be on its way.
    attempt.judge.advance(milliseconds(14_984));
    assert_eq!(attempt.judge.poll_decided(), None);
    let attempt = attempt.heat(14_985, true);
    let finding = attempt.end(20_000);
    assert_undecided(&finding, Reason::InsideGuardBand);
}

#[test]
fn an_edge_behind_the_watermark_spoils_a_pass() {
    let mut attempt = Attempt::at(after(BREAK), Claim::Never(heat_is(true))).heat(0, false).moment(5_000, BREAK);
    attempt.judge.advance(milliseconds(20_000));
    attempt.judge.observe(milliseconds(19_000), HEAT, 1);
    let finding = attempt.judge.finish(milliseconds(60_000)).remove(0);
    assert_undecided(&finding, Reason::NotObserved);
}

#[test]
fn a_gap_or_a_moment_behind_the_watermark_spoils_a_pass() {
    let start = || {
        let mut attempt = Attempt::at(after(BREAK), Claim::Never(heat_is(true))).heat(0, false).moment(5_000, BREAK);
        attempt.judge.advance(milliseconds(20_000));
        attempt
    };
    let mut attempt = start();
    attempt.judge.gap(HEAT, milliseconds(10_000), milliseconds(11_000));
    assert_undecided(&attempt.judge.finish(milliseconds(60_000))[0], Reason::NotObserved);
    let mut attempt = start();
    attempt.judge.moment(BREAK, milliseconds(2_000), RigSpan::ZERO);
    assert_undecided(&attempt.judge.finish(milliseconds(60_000))[0], Reason::NotObserved);
    let mut attempt = start();
    attempt.judge.observe(milliseconds(30_000), dryfire_judge::SignalId(99), 1);
    assert_undecided(&attempt.judge.finish(milliseconds(60_000))[0], Reason::NotObserved);
    assert_passed(&start().judge.finish(milliseconds(60_000))[0]);
}

#[test]
fn a_decided_fail_survives_whatever_comes_later() {
    let mut attempt = Attempt::at(after(BREAK), Claim::Never(heat_is(true))).heat(0, true).moment(5_000, BREAK);
    attempt.judge.advance(milliseconds(6_000));
    let early = attempt.judge.poll_decided().expect("decided at once");
    assert_failed(&early, Reason::Violated);
    attempt.judge.observe(milliseconds(5_500), HEAT, 0);
    attempt.judge.gap(HEAT, milliseconds(7_000), milliseconds(9_000));
    let finding = attempt.judge.finish_cut_short(milliseconds(10_000)).remove(0);
    assert_failed(&finding, Reason::Violated);
    assert_eq!(early.decided_at, finding.decided_at);
}

#[test]
fn a_pulse_within_one_step_is_not_overlooked() {
    let attempt = || Attempt::at(after(BREAK), Claim::Never(heat_is(true))).heat(0, false).moment(5_000, BREAK);
    // A microsecond is enough to be seen.
    let mut run = attempt();
    for (at, value) in [(milliseconds(9_000), 1), (milliseconds(9_000) + RigSpan::from_micros(1), 0)] {
        run.judge.observe(at, HEAT, value);
        run.trace.sample(at, HEAT, value);
    }
    assert_failed(&run.end(60_000), Reason::Violated);
    // On and off at one instant is shorter than the clock resolves: not a pass either.
    let finding = attempt().heat(9_000, true).heat(9_000, false).end(60_000);
    assert_undecided(&finding, Reason::InsideGuardBand);
}

#[test]
fn a_pulse_at_one_instant_does_not_count_as_reached() {
    let claim = || Claim::Sometime(heat_is(true));
    let finding = Attempt::at(after(BREAK), claim()).heat(0, false).moment(5_000, BREAK);
    assert_undecided(&finding.heat(9_000, true).heat(9_000, false).end(60_000), Reason::InsideGuardBand);
}

#[test]
fn a_reading_that_cannot_be_is_not_seen() {
    let run = |value| {
        Attempt::at(Scope::Throughout, Claim::Always(kiln_below(1_300_000)))
            .sample(0, KILN, 20_000)
            .sample(1_000, KILN, value)
            .sample(2_000, KILN, 20_000)
            .end(60_000)
    };
    assert_passed(&run(20_000));
    assert_undecided(&run(-273_151), Reason::NotObserved);
    // Far too high is not a fail either: no kiln is at 4,000 °C.
    assert_undecided(&run(4_000_001), Reason::NotObserved);
    let finding = Attempt::at(after(BREAK), Claim::Never(heat_is(true)))
        .heat(0, false)
        .moment(5_000, BREAK)
        .sample(9_000, HEAT, 7)
        .heat(9_001, false)
        .end(60_000);
    assert_undecided(&finding, Reason::NotObserved);
}

/// The same rule as for time: U is 2 °C.
#[rstest::rstest]
#[case::clears_the_band(1_297_999, Verdict::Pass)]
#[case::touches_the_band(1_298_000, Verdict::Inconclusive)]
#[case::at_the_limit(1_300_000, Verdict::Inconclusive)]
#[case::last_of_the_band(1_301_999, Verdict::Inconclusive)]
#[case::beyond_the_band(1_302_000, Verdict::Fail)]
fn a_level_at_its_limit_is_inside_the_guard_band(#[case] hottest: i64, #[case] verdict: Verdict) {
    let finding = Attempt::at(Scope::Throughout, Claim::Always(kiln_below(1_300_000)))
        .sample(0, KILN, 20_000)
        .sample(1_000, KILN, hottest)
        .sample(2_000, KILN, 20_000)
        .end(60_000);
    assert_eq!(finding.verdict, verdict, "{finding:?}");
    assert_eq!(finding.margin, Some(dryfire_judge::Margin::Temperature(1_300_000 - hottest)));
}

#[test]
fn a_signal_that_comes_late_is_not_known_before() {
    let finding = Attempt::at(Scope::Throughout, Claim::Never(heat_is(true))).heat(1, false).end(60_000);
    assert_undecided(&finding, Reason::NotObserved);
}

/// A sample that repeats the one before is what ends a gap that is told only after it.
#[test]
fn a_gap_that_is_told_after_a_repeated_sample_ends_with_it() {
    let start = || {
        let mut attempt = Attempt::at(after(BREAK), Claim::Never(heat_is(true))).heat(0, false).moment(5_000, BREAK);
        attempt.judge.advance(milliseconds(10_000));
        attempt.heat(20_000, false)
    };
    assert_passed(&start().end(60_000));
    let finding = start().gap(HEAT, 15_000, 18_000).end(60_000);
    assert_undecided(&finding, Reason::NotObserved);
    // From 20 s on it is known again: a fail is one.
    let finding = start().gap(HEAT, 15_000, 18_000).heat(30_000, true).end(60_000);
    assert_failed(&finding, Reason::Violated);
    let mut attempt = Attempt::at(after(BREAK), Claim::Never(heat_is(true))).heat(0, false);
    attempt.judge.advance(milliseconds(10_000));
    let finding = attempt.heat(20_000, false).gap(HEAT, 15_000, 18_000).moment(25_000, BREAK).end(60_000);
    assert_passed(&finding);
}

/// The edge of one signal, told after a repeated sample of it that is later.
#[test]
fn an_earlier_edge_that_is_told_later_is_not_lost_behind_a_repeated_sample() {
    let mut attempt = Attempt::at(after(BREAK), Claim::Never(heat_is(true))).heat(0, false).moment(5_000, BREAK);
    attempt.judge.advance(milliseconds(10_000));
    let finding = attempt.heat(20_000, false).heat(15_000, true).end(60_000);
    assert_failed(&finding, Reason::Violated);
    assert_eq!(finding.decided_at, Some(milliseconds(15_000)));
}

//! What the guard band is worth, against the numbers of JCGM 106:2012.
//!
//! Equations and inputs from memory, results calculated: conformance
//! probability Φ((limit − y)/u); examples 7.3.3; the greatest probability of
//! false acceptance for guard bands of 0, 1, 1.645 and 2 standard uncertainties.

use dryfire_judge::{Claim, Comparison, Condition, Expectation, Judge, Scope, SignalId, SignalKind, SignalSpec};
use dryfire_judge::{SignalTable, Verdict};
use dryfire_units::{RigSpan, RigTime};

/// Probability that a quantity measured as `y` with standard uncertainty `u` is below a limit.
fn conformance(limit: f64, y: f64, u: f64) -> f64 {
    0.5 * libm::erfc((y - limit) / u / core::f64::consts::SQRT_2)
}

#[test]
fn conformance_probabilities_of_the_guide() {
    assert!((conformance(-5.40, -5.47, 0.05) - 0.9192).abs() < 5e-5);
    // A lower limit: the same with the sign turned.
    assert!((conformance(-490.0, -507.0, 8.6) - 0.9760).abs() < 5e-5);
}

/// The highest temperature (m°C) that passes `below 1300 °C` with an expanded uncertainty.
fn acceptance_limit(expanded: i64) -> i64 {
    let passes = |level: i64| {
        let mut table = SignalTable::default();
        table.add(SignalSpec {
            name: "kiln".to_owned(),
            kind: SignalKind::Temperature,
            value_uncertainty: expanded,
            model_error: 0,
            time_uncertainty: RigSpan::ZERO,
            release: RigSpan::ZERO,
        });
        let below = Condition::Compare { signal: SignalId(0), comparison: Comparison::AtMost, limit: 1_300_000 };
        let expectation = Expectation { name: "it".to_owned(), scope: Scope::Throughout, claim: Claim::Always(below) };
        let mut judge = Judge::new(table, Vec::new(), vec![expectation]).expect("sound");
        judge.observe(RigTime::ZERO, SignalId(0), level);
        judge.finish(RigTime::from_micros(1))[0].verdict == Verdict::Pass
    };
    (1_290_000..=1_300_001).rev().find(|level| passes(*level)).expect("something passes")
}

#[rstest::rstest]
#[case(0.0, 0.5)]
#[case(1.0, 0.1587)]
#[case(1.645, 0.0500)]
#[case(2.0, 0.0228)]
fn what_is_just_accepted_is_beyond_the_limit_with_this_probability(#[case] coverage: f64, #[case] expected: f64) {
    let standard = 1_000.0;
    let accepted = acceptance_limit((coverage * standard) as i64);
    let false_acceptance = 1.0 - conformance(1_300_000.0, accepted as f64, standard);
    assert!((false_acceptance - expected).abs() < 1e-4, "{false_acceptance}");
}

use proptest::prelude::*;
use proptest::test_runner::RngSeed;

use super::*;

const SOURCE: SignalId = SignalId(0);
const RESULT: SignalId = SignalId(7);

fn at(micros: i64) -> RigTime {
    RigTime::ZERO + RigSpan::from_micros(micros)
}

fn duty_over(seconds: i64, most_edges: usize) -> Derived {
    let rule = Derivation::Duty { of: SOURCE, over: RigSpan::from_seconds(seconds), most_edges };
    Derived::new(&[DerivedSignal { id: RESULT, rule }])
}

fn value(derived: &mut Derived, now: RigTime, source: Option<i64>) -> Option<i64> {
    let mut value = None;
    derived.sample(
        now,
        |_| source,
        |id, given| {
            assert_eq!(id, RESULT);
            value = given;
        },
    );
    value
}

/// What the window holds by its definition, microsecond for microsecond of each stretch.
fn duty_by_definition(edges: &[(i64, bool)], now: i64, window: i64) -> Option<i64> {
    if edges.first().is_none_or(|(first, _)| now - window < *first) {
        return None;
    }
    let mut on = 0;
    for (index, (from, state)) in edges.iter().enumerate() {
        let to = edges.get(index + 1).map_or(now, |(next, _)| *next).min(now);
        if *state {
            on += (to - (*from).max(now - window)).max(0);
        }
    }
    Some((on * WHOLE * 2 + window) / (2 * window))
}

#[test]
fn a_relay_on_for_a_quarter_of_each_cycle_has_a_duty_of_25_percent() {
    let mut derived = duty_over(60, 100);
    for second in 0..300 {
        if second % 12 == 0 {
            derived.switched(at(second * 1_000_000), SOURCE, true);
        } else if second % 12 == 3 {
            derived.switched(at(second * 1_000_000), SOURCE, false);
        }
        let seen = value(&mut derived, at(second * 1_000_000), None);
        assert_eq!(seen, (second >= 60).then_some(25_000), "{second}");
    }
}

#[test]
fn more_edges_than_the_uncertainty_covers_are_not_observed_until_the_window_is_past_them() {
    let mut derived = duty_over(10, 4);
    derived.switched(at(0), SOURCE, false);
    for edge in 0..100 {
        derived.switched(at(20_000_000 + edge * 1_000), SOURCE, edge % 2 == 0);
    }
    assert_eq!(value(&mut derived, at(21_000_000), None), None);
    assert_eq!(value(&mut derived, at(30_000_000), None), None);
    assert_eq!(value(&mut derived, at(31_000_000), None), Some(0));
    let Past::Edges(edges) = &derived.signals[0].1 else { panic!("edges") };
    assert!(edges.kept.len() <= 6);
}

#[test]
fn a_rise_needs_both_ends_of_its_window() {
    let rule = Derivation::Rise { of: SOURCE, over: RigSpan::from_seconds(3) };
    let mut derived = Derived::new(&[DerivedSignal { id: RESULT, rule }]);
    let samples = [Some(0), Some(10), None, Some(30), Some(45), Some(50), Some(60)];
    let seen: Vec<Option<i64>> = samples
        .iter()
        .enumerate()
        .map(|(second, now)| value(&mut derived, at(second as i64 * 1_000_000), *now))
        .collect();
    assert_eq!(seen, [None, None, None, Some(30), Some(35), None, Some(30)]);
}

#[test]
fn rates_are_by_the_hour_and_rounded_to_the_nearest() {
    assert_eq!(per_hour(1_000, RigSpan::from_minutes(6)), 10_000);
    assert_eq!(per_hour(-1_000, RigSpan::from_minutes(6)), -10_000);
    // 1 m°C in 7 s is 514.28… m°C/h.
    assert_eq!(per_hour(1, RigSpan::from_seconds(7)), 514);
    assert_eq!(per_hour(-1, RigSpan::from_seconds(7)), -514);
}

#[test]
fn a_spread_is_known_only_with_all_of_its_levels() {
    let all = [SignalId(1), SignalId(2), SignalId(3)];
    assert_eq!(spread(&all, |id| Some([0, 5, -2, 9][usize::from(id.0)])), Some(11));
    assert_eq!(spread(&all, |id| (id.0 != 2).then_some(1)), None);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, rng_seed: RngSeed::Fixed(0xD0_7E), ..ProptestConfig::default() })]

    #[test]
    fn a_duty_is_what_its_definition_says(
        gaps in prop::collection::vec(1_i64..7_000_000, 0..60),
        window in 1_i64..20,
    ) {
        let mut derived = duty_over(window, 1_000);
        let mut edges = vec![(0, false)];
        for gap in gaps {
            let (last, state) = edges[edges.len() - 1];
            edges.push((last + gap, !state));
        }
        let mut given = 0;
        for second in 0..60 {
            let now = second * 1_000_000;
            while let Some((instant, state)) = edges.get(given).filter(|(instant, _)| *instant <= now) {
                derived.switched(at(*instant), SOURCE, *state);
                given += 1;
            }
            prop_assert_eq!(
                value(&mut derived, at(now), None),
                duty_by_definition(&edges[..given], now, window * 1_000_000),
                "{} s", second
            );
        }
    }

    #[test]
    fn a_rise_is_the_difference_of_two_samples(
        samples in prop::collection::vec(prop::option::weighted(0.9, -100_000_i64..1_500_000), 1..200),
        window in 1_usize..50,
    ) {
        let rule = Derivation::Rise { of: SOURCE, over: RigSpan::from_seconds(window as i64) };
        let mut derived = Derived::new(&[DerivedSignal { id: RESULT, rule }]);
        for (second, now) in samples.iter().enumerate() {
            let expected = second.checked_sub(window).and_then(|then| Some((*now)? - samples[then]?));
            prop_assert_eq!(value(&mut derived, at(second as i64 * 1_000_000), *now), expected);
        }
    }
}

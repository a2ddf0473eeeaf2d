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

fn stated(unit: SetPointUnit) -> Derived {
    let how = StatedSetPoint {
        pattern: dryfire_scenario::ConsolePattern::new(r"aim (\S+)").expect("in order"),
        unit,
        step_millicelsius: 1_000,
        fresh_for: RigSpan::from_seconds(5),
        ask: None,
    };
    let of_it = Derivation::Rise { of: RESULT, over: RigSpan::from_seconds(2) };
    Derived::new(&[
        DerivedSignal { id: RESULT, rule: Derivation::Stated(how) },
        DerivedSignal { id: SignalId(8), rule: of_it },
    ])
}

/// The set-point and its rise at a second.
fn aims(derived: &mut Derived, second: i64) -> [Option<i64>; 2] {
    let mut found = [None; 2];
    derived.sample(at(second * 1_000_000), |_| None, |id, value| found[usize::from(id.0 - 7)] = value);
    found
}

#[test]
fn a_stated_set_point_holds_good_for_its_time_and_no_longer() {
    let mut derived = stated(SetPointUnit::Celsius);
    assert_eq!(aims(&mut derived, 0), [None, None]);
    derived.said(at(500_000), "aim 400.5 and more");
    assert_eq!(aims(&mut derived, 1), [Some(400_500), None]);
    derived.said(at(1_200_000), "nothing of that kind");
    assert_eq!(aims(&mut derived, 2), [Some(400_500), None]);
    derived.said(at(2_500_000), "aim 401");
    // Two seconds ago it was 400.5 °C: what follows from it goes by the value of this very second.
    assert_eq!(aims(&mut derived, 3), [Some(401_000), Some(500)]);
    for second in 4..=7 {
        assert_eq!(aims(&mut derived, second)[0], Some(401_000), "{second}");
    }
    assert_eq!(aims(&mut derived, 8), [None, None]);
}

#[rstest::rstest]
#[case::no_number("aim high")]
#[case::no_number_by_a_word("aim NaN")]
#[case::without_end("aim inf")]
#[case::no_temperature("aim -300")]
#[case::a_comma("aim 401,5")]
fn a_line_whose_number_cannot_be_read_leaves_no_old_one_standing(#[case] line: &str) {
    let mut derived = stated(SetPointUnit::Celsius);
    derived.said(at(100_000), "aim 400");
    assert_eq!(aims(&mut derived, 1)[0], Some(400_000));
    derived.said(at(1_100_000), line);
    assert_eq!(aims(&mut derived, 2)[0], None);
}

#[test]
fn fahrenheit_is_read_as_what_it_is() {
    let mut derived = stated(SetPointUnit::Fahrenheit);
    // 32 °F and 1832 °F are 0 °C and 1000 °C exactly, by the definition of the degree.
    for (second, (text, value)) in [("aim 32", 0), ("aim 1832", 1_000_000), ("aim -40", -40_000)].iter().enumerate() {
        let second = second as i64;
        derived.said(at(second * 1_000_000 + 1), text);
        assert_eq!(aims(&mut derived, second + 1)[0], Some(*value));
    }
}

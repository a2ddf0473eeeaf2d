//! Time, and rounding at the integer borders.

use dryfire_units::{
    Celsius, CelsiusPerHour, Microvolts, MilliCelsius, MilliCelsiusPerHour, Nanovolts, RigSpan, RigTime, Volts, Watts,
};
use proptest::prelude::*;
use rstest::rstest;

#[rstest]
#[case(0.0004, 0)]
#[case(0.0005, 1)]
#[case(-0.0005, -1)]
#[case(1.0125, 1013)]
#[case(1300.0, 1_300_000)]
fn temperatures_round_to_the_nearest_halves_away_from_zero(#[case] celsius: f64, #[case] millicelsius: i64) {
    assert_eq!(MilliCelsius::from_celsius(Celsius::new(celsius)), Some(MilliCelsius::new(millicelsius)));
}

#[test]
fn what_does_not_fit_is_no_number() {
    for value in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 1e300, -1e300] {
        assert_eq!(MilliCelsius::from_celsius(Celsius::new(value)), None);
        assert_eq!(MilliCelsiusPerHour::from_celsius_per_hour(CelsiusPerHour::new(value)), None);
        assert_eq!(Nanovolts::from_microvolts(Microvolts::new(value)), None);
    }
    assert_eq!(Nanovolts::from_microvolts(Microvolts::new(2_147_483.647)), Some(Nanovolts::new(i32::MAX)));
    assert_eq!(Nanovolts::from_microvolts(Microvolts::new(2_147_483.648)), None);
    assert_eq!(Nanovolts::from_microvolts(Microvolts::new(-2_147_483.648)), Some(Nanovolts::new(i32::MIN)));
}

#[rstest]
#[case(MilliCelsius::new(-5).to_string(), "-0.005 °C")]
#[case(MilliCelsius::new(1_234_567).to_string(), "1234.567 °C")]
#[case(MilliCelsiusPerHour::new(150_000).to_string(), "150.000 °C/h")]
#[case(Nanovolts::new(i32::MIN).to_string(), "-2147483.648 µV")]
#[case(Volts::new(240.0).to_string(), "240 V")]
#[case(format!("{:.1}", Watts::new(11_520.04)), "11520.0 W")]
fn quantities_print_with_their_unit(#[case] printed: String, #[case] expected: &str) {
    assert_eq!(printed, expected);
}

#[test]
fn rates_convert_between_hours_and_seconds() {
    assert_eq!(CelsiusPerHour::new(3600.0).per_second().value(), 1.0);
    assert_eq!(CelsiusPerHour::new(150.0).per_second().per_hour().value(), 150.0);
}

#[rstest]
#[case(RigSpan::from_micros(8_250), "8.25 ms")]
#[case(RigSpan::from_micros(12_300_000), "12.300 s")]
#[case(RigSpan::from_micros(245_200_000), "4 min 05.2 s")]
#[case(RigSpan::from_minutes(123), "2 h 03 min 00 s")]
#[case(-RigSpan::from_millis(1500), "-1.500 s")]
#[case(RigSpan::ZERO, "0.00 ms")]
fn lengths_of_time_print_in_the_unit_that_suits(#[case] span: RigSpan, #[case] expected: &str) {
    assert_eq!(span.to_string(), expected);
}

#[test]
fn conversions_of_time_agree() {
    assert_eq!(RigSpan::from_minutes(2), RigSpan::from_seconds(120));
    assert_eq!(RigSpan::from_seconds(3), RigSpan::from_millis(3000));
    assert_eq!(RigSpan::from_millis(4), RigSpan::from_micros(4000));
    assert_eq!(RigSpan::from_micros(-1999).as_millis(), -1);
    assert_eq!(RigSpan::from_millis(2500).as_seconds(), 2.5);
    assert_eq!(RigTime::from_micros(2_500_000).as_seconds(), 2.5);
    assert_eq!(RigTime::from_micros(7).since_origin(), RigSpan::from_micros(7));
    assert_eq!(RigSpan::from_millis(-3).magnitude(), RigSpan::from_millis(3));
    assert_eq!(RigSpan::from_millis(-3).times(4), RigSpan::from_millis(-12));
}

#[test]
fn the_ends_of_the_clock_leave_room_for_sums() {
    assert_eq!(RigTime::FAR_FUTURE.saturating_add(RigSpan::MAX), RigTime::FAR_FUTURE + RigSpan::MAX);
    assert_eq!(RigTime::from_micros(i64::MAX).saturating_add(RigSpan::from_micros(1)), RigTime::from_micros(i64::MAX));
    // Wrap of a 32-bit counter of microseconds (71.6 min) and milliseconds (49.7 days) means nothing here.
    let before_wrap = RigTime::from_micros(i64::from(u32::MAX));
    assert_eq!((before_wrap + RigSpan::from_micros(1)).as_micros(), 1 << 32);
    let in_millis = RigTime::ZERO + RigSpan::from_millis(i64::from(u32::MAX)) + RigSpan::from_millis(1);
    assert_eq!(in_millis.as_micros(), (1 << 32) * 1000);
}

proptest! {
    #[test]
    fn instants_and_spans_add_and_subtract(a in -1_i64 << 50..1 << 50, b in -1_i64 << 50..1 << 50) {
        let (instant, span) = (RigTime::from_micros(a), RigSpan::from_micros(b));
        prop_assert_eq!((instant + span) - instant, span);
        prop_assert_eq!(instant + span - span, instant);
        prop_assert_eq!(span + -span, RigSpan::ZERO);
        let (mut forth, mut back) = (instant, instant);
        forth += span;
        back -= -span;
        prop_assert_eq!(forth, back);
        prop_assert_eq!(forth < instant, span < RigSpan::ZERO);
    }

    #[test]
    fn integers_survive_the_way_through_floating_point(value in -9_000_000_000_000_i64..9_000_000_000_000) {
        let temperature = MilliCelsius::new(value);
        prop_assert_eq!(MilliCelsius::from_celsius(temperature.to_celsius()), Some(temperature));
    }
}

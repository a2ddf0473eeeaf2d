//! Reference functions against published values, inverses against the functions, and tables against both.

use dryfire_units::thermocouple::{FastThermocouple, ThermocoupleError};
use dryfire_units::{Celsius, Microvolts, MilliCelsius, Nanovolts, ThermocoupleType};
use rstest::rstest;

/// See the head of the file for its source.
const ITS90: &str = include_str!("data/thermocouple-its90.csv");

struct Row {
    kind: ThermocoupleType,
    celsius: f64,
    microvolts: f64,
    slope: f64,
}

fn rows() -> impl Iterator<Item = Row> {
    ITS90.lines().filter(|line| !line.starts_with('#') && !line.starts_with("type,")).map(|line| {
        let fields: Vec<&str> = line.split(',').collect();
        let number = |index: usize| fields[index].parse::<f64>().expect("a number");
        let letter = fields[0].chars().next().expect("a letter");
        let kind = ThermocoupleType::from_letter(letter).expect("a type");
        Row { kind, celsius: number(1), microvolts: number(2), slope: number(3) }
    })
}

fn emf(kind: ThermocoupleType, celsius: f64) -> f64 {
    kind.emf(Celsius::new(celsius)).expect("in range").value()
}

/// Every multiple of a tenth of a degree in a type's range, and the range's ends.
fn tenths(kind: ThermocoupleType) -> impl Iterator<Item = f64> {
    let (min, max) = kind.range();
    let (min, max) = (min.value(), max.value());
    let (first, last) = ((min * 10.0).ceil() as i64, (max * 10.0).floor() as i64);
    (first..=last).map(|tenth| tenth as f64 / 10.0).chain([min, max])
}

#[test]
fn every_published_emf_is_met_within_a_thousandth_of_a_microvolt() {
    let mut seen = 0;
    for Row { kind, celsius, microvolts, slope } in rows() {
        let (found, found_slope) = kind.emf_and_slope(Celsius::new(celsius)).expect("in range");
        let (found, letter) = (found.value(), kind.letter());
        assert!((found - microvolts).abs() <= 0.001, "{letter} at {celsius} °C: {found} for {microvolts} µV");
        assert!((found_slope - slope).abs() <= 2e-6, "{letter} at {celsius} °C: {found_slope} for {slope} µV/°C");
        seen += 1;
    }
    assert_eq!(seen, 435);
}

#[rstest]
// Printed NIST tables, mV to three decimals; from memory.
#[case('K', 1000.0, 41.276)]
#[case('K', -200.0, -5.891)]
#[case('S', 1000.0, 9.587)]
#[case('R', 1000.0, 10.506)]
#[case('J', 500.0, 27.393)]
#[case('N', 1000.0, 36.256)]
#[case('T', 100.0, 4.279)]
#[case('E', 1000.0, 76.373)]
#[case('B', 1000.0, 4.834)]
fn printed_tables_are_met_after_rounding(#[case] letter: char, #[case] celsius: f64, #[case] millivolts: f64) {
    let kind = ThermocoupleType::from_letter(letter).expect("a type");
    assert_eq!((emf(kind, celsius) / 1000.0 * 1000.0).round() / 1000.0, millivolts);
}

#[test]
fn the_exact_inverse_returns_every_tenth_of_a_degree() {
    for kind in ThermocoupleType::ALL {
        for celsius in tenths(kind) {
            match kind.temperature(Microvolts::new(emf(kind, celsius))) {
                Ok(found) => {
                    let error = (found.value() - celsius).abs();
                    // At the seams the published pieces overlap by nanovolts: allow for that and no more.
                    assert!(error <= 2e-5, "{} at {celsius} °C: off by {error}", kind.letter());
                    assert!(celsius >= kind.lowest_invertible().value() - 1e-6);
                }
                Err(error) => {
                    assert_eq!(kind, ThermocoupleType::B, "{error} at {celsius}");
                    assert!(celsius < kind.lowest_invertible().value(), "{error} at {celsius}");
                    assert!(matches!(error, ThermocoupleError::NotUnique { .. }), "{error:?}");
                }
            }
        }
    }
}

#[test]
fn type_b_has_no_unique_temperature_below_its_published_inverse() {
    // Computed with another package from the same coefficients: 0.291 mV at 249.889 °C.
    let lowest = ThermocoupleType::B.lowest_invertible().value();
    assert!((lowest - 249.889).abs() < 0.001, "{lowest}");
    // Two temperatures, one emf: 0 °C and 42.1321 °C.
    assert!(emf(ThermocoupleType::B, 42.1321).abs() < 1e-4);
    let at = |microvolts: f64| ThermocoupleType::B.temperature(Microvolts::new(microvolts));
    assert!(at(291.0).is_ok());
    assert!(matches!(at(290.999), Err(ThermocoupleError::NotUnique { .. })));
    assert!(matches!(at(0.0), Err(ThermocoupleError::NotUnique { .. })));
    assert!(matches!(at(-2.58), Err(ThermocoupleError::NotUnique { .. })));
    assert!(matches!(at(-2.59), Err(ThermocoupleError::EmfBelowRange { .. })));
}

#[test]
fn outside_the_range_is_an_error_however_close() {
    for kind in ThermocoupleType::ALL {
        let fast = FastThermocouple::new(kind);
        let (min, max) = kind.range();
        for celsius in [min.value() - 1e-9, max.value() + 1e-9, f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
            for found in [kind.emf(Celsius::new(celsius)), fast.emf(Celsius::new(celsius))] {
                assert!(matches!(found, Err(ThermocoupleError::TemperatureOutOfRange { .. })), "{kind:?} {celsius}");
            }
        }
        assert!(kind.emf(min).is_ok() && kind.emf(max).is_ok());
        let (low, high) = (emf(kind, kind.lowest_invertible().value()), emf(kind, max.value()));
        for (microvolts, above) in [
            (high + 1e-6, true),
            (f64::INFINITY, true),
            (f64::NAN, true),
            (low - 1e-6, false),
            (f64::NEG_INFINITY, false),
        ] {
            for found in [kind.temperature(Microvolts::new(microvolts)), fast.temperature(Microvolts::new(microvolts))]
            {
                let error = found.expect_err("outside");
                assert_eq!(matches!(error, ThermocoupleError::EmfAboveRange { .. }), above, "{kind:?} {error:?}");
            }
        }
        assert!(kind.temperature(Microvolts::new(high)).is_ok());
    }
}

#[test]
fn tables_are_within_a_thousandth_of_a_degree_of_the_functions() {
    for kind in ThermocoupleType::ALL {
        let fast = FastThermocouple::new(kind);
        let (mut worst_forward, mut worst_inverse) = (0.0_f64, 0.0_f64);
        // A grid that does not fall on the tables' knots.
        let (min, max) = kind.range();
        let mut celsius = min.value();
        while celsius <= max.value() {
            let (exact, slope) = kind.emf_and_slope(Celsius::new(celsius)).expect("in range");
            let table = fast.emf(Celsius::new(celsius)).expect("in range");
            // Type B's slope passes through zero near 21 °C; below 250 °C it is only ever added
            // as a cold junction, where what counts is the voltage: 1 nV.
            if kind != ThermocoupleType::B || celsius > 250.0 {
                worst_forward = worst_forward.max((table.value() - exact.value()).abs() / slope);
            } else {
                assert!((table.value() - exact.value()).abs() < 0.001);
            }
            if let Ok(back) = kind.temperature(exact) {
                let found = fast.temperature(exact).expect("as the exact one");
                worst_inverse = worst_inverse.max((found.value() - back.value()).abs());
            }
            celsius += 0.0737;
        }
        assert!(worst_forward <= 0.001, "{kind:?} forward {worst_forward} °C");
        assert!(worst_inverse <= 0.001, "{kind:?} inverse {worst_inverse} °C");
    }
}

#[rstest]
// Computed from the reference functions; both junction boxes of the probe and the converter at 25 °C.
#[case("a type N probe on a type K input", 'N', 'K', 1200.0, 1076.0)]
#[case("a type S probe on a type R input", 'S', 'R', 1200.0, 1107.0)]
#[case("a type K probe on a type J input", 'K', 'J', 1200.0, 856.0)]
#[case("a type S probe on a type K input", 'S', 'K', 1200.0, 314.0)]
#[case("a type R probe on a type S input", 'R', 'S', 1200.0, 1306.0)]
fn the_wrong_type_reads_wrong_by_the_known_amount(
    #[case] what: &str,
    #[case] probe: char,
    #[case] set_to: char,
    #[case] truth: f64,
    #[case] reading: f64,
) {
    let cold = Celsius::new(25.0);
    let probe = ThermocoupleType::from_letter(probe).expect("a type");
    let set_to = ThermocoupleType::from_letter(set_to).expect("a type");
    let terminal = probe.terminal_emf(Celsius::new(truth), cold).expect("in range");
    let found = set_to.reading(terminal, cold).expect("in range").value();
    assert!((found - reading).abs() <= 0.6, "{what}: {found} °C");
}

#[rstest]
// Computed from the reference functions for a reversed type K probe, cold junction at 25 °C.
#[case(50.0, -0.6, 0.05)]
#[case(100.0, -56.0, 0.6)]
fn reversed_leads_read_low(#[case] truth: f64, #[case] reading: f64, #[case] tolerance: f64) {
    let cold = Celsius::new(25.0);
    let terminal = ThermocoupleType::K.terminal_emf(Celsius::new(truth), cold).expect("in range");
    let found = ThermocoupleType::K.reading(Microvolts::new(-terminal.value()), cold).expect("in range").value();
    assert!((found - reading).abs() <= tolerance, "{found} °C");
}

#[test]
fn reversed_leads_fall_under_range_near_three_hundred_degrees() {
    let (cold, kind) = (Celsius::new(25.0), ThermocoupleType::K);
    let reversed = |truth: f64| {
        let terminal = kind.terminal_emf(Celsius::new(truth), cold).expect("in range");
        kind.reading(Microvolts::new(-terminal.value()), cold)
    };
    assert!(reversed(200.0).is_ok());
    let under_range = (150..=320).find(|&truth| reversed(f64::from(truth)).is_err()).expect("somewhere");
    assert!((200..=310).contains(&under_range), "from {under_range} °C on");
    assert!(matches!(reversed(320.0), Err(ThermocoupleError::EmfBelowRange { .. })));
}

#[test]
fn a_probe_as_hot_as_its_terminals_gives_nothing() {
    for kind in ThermocoupleType::ALL {
        for celsius in [0.0, 25.0, 80.0] {
            let terminal = kind.terminal_emf(Celsius::new(celsius), Celsius::new(celsius)).expect("in range");
            assert_eq!(terminal.value(), 0.0);
        }
    }
}

#[test]
fn the_cold_junction_is_compensated_at_any_temperature() {
    for kind in ThermocoupleType::ALL {
        let fast = FastThermocouple::new(kind);
        for cold in [0, 10_000, 25_000, 62_500, 85_000] {
            let cold = MilliCelsius::new(cold);
            for hot in [300_000, 399_999] {
                let hot = MilliCelsius::new(hot);
                let terminal = kind.terminal_nanovolts(hot, cold).expect("in range");
                let back = kind.reading_millicelsius(terminal, cold).expect("in range");
                // Half a nanovolt of rounding is 0.3 m°C for type B at 300 °C and less for all others.
                assert!((back.value() - hot.value()).abs() <= 1, "{kind:?} {hot} over {cold}: {back}");
                let quick = fast.reading_millicelsius(fast.terminal_nanovolts(hot, cold).expect("in range"), cold);
                assert!((quick.expect("in range").value() - hot.value()).abs() <= 2, "{kind:?} {hot} over {cold}");
            }
        }
    }
}

#[test]
fn a_cold_junction_outside_the_type_is_refused() {
    let terminal = Nanovolts::new(1_000_000);
    let cold = MilliCelsius::new(-1);
    let error = ThermocoupleType::B.reading_millicelsius(terminal, cold).expect_err("type B begins at 0 °C");
    assert_eq!(error.to_string(), "a type B probe is defined from 0 °C to 1820 °C only");
}

#[test]
fn letters_name_the_types() {
    for kind in ThermocoupleType::ALL {
        assert_eq!(ThermocoupleType::from_letter(kind.letter()), Some(kind));
        assert_eq!(ThermocoupleType::from_letter(kind.letter().to_ascii_lowercase()), Some(kind));
    }
    for letter in ['C', 'A', 'L', ' ', 'µ'] {
        assert_eq!(ThermocoupleType::from_letter(letter), None);
    }
}

//! Quantities from text, and what is said about text that is none.

use std::fmt::Write as _;

use dryfire_units::bounds::{self, Bound};
use dryfire_units::parse::{self, Dimension, ParseError};
use dryfire_units::{MilliCelsius, MilliCelsiusPerHour, Nanovolts, RigSpan};
use proptest::prelude::*;
use rstest::rstest;

#[rstest]
#[case("650 °C", 650_000)]
#[case("650°C", 650_000)]
#[case(" 650 degC ", 650_000)]
#[case("1200 °F", 648_889)]
#[case("32 degF", 0)]
#[case("-40 °F", -40_000)]
#[case("300 K", 26_850)]
#[case("0.0625 °C", 63)]
#[case("−12.5 °C", -12_500)]
#[case("1.2e3 °C", 1_200_000)]
#[case("+20 °C", 20_000)]
fn temperatures(#[case] text: &str, #[case] millicelsius: i64) {
    assert_eq!(parse::temperature(text), Ok(MilliCelsius::new(millicelsius)));
}

#[rstest]
#[case("50 °C", 50_000)]
#[case("90 °F", 50_000)]
#[case("50 K", 50_000)]
#[case("-15 °C", -15_000)]
fn temperature_differences_know_no_offset(#[case] text: &str, #[case] millicelsius: i64) {
    assert_eq!(parse::temperature_difference(text), Ok(MilliCelsius::new(millicelsius)));
}

#[rstest]
#[case("150 °C/h", 150_000)]
#[case("270 °F/h", 150_000)]
#[case("150 K/h", 150_000)]
#[case("150 degC/h", 150_000)]
#[case("2.5 °C/min", 150_000)]
fn rates(#[case] text: &str, #[case] millicelsius_per_hour: i64) {
    assert_eq!(parse::rate(text), Ok(MilliCelsiusPerHour::new(millicelsius_per_hour)));
}

#[rstest]
#[case("10 s", 10_000_000)]
#[case("200 ms", 200_000)]
#[case("0.1 s", 100_000)]
#[case("5 min", 300_000_000)]
#[case("1 h 30 min", 5_400_000_000)]
#[case("1h30min", 5_400_000_000)]
#[case("1 h 30 min 2.5 s", 5_402_500_000)]
#[case("1 d 2 h", 93_600_000_000)]
#[case("40 µs", 40)]
#[case("40 us", 40)]
#[case("0 s", 0)]
fn lengths_of_time(#[case] text: &str, #[case] micros: i64) {
    assert_eq!(parse::span(text), Ok(RigSpan::from_micros(micros)));
}

#[rstest]
#[case("2.5 mV", 2_500_000)]
#[case("-40 µV", -40_000)]
#[case("-40 uV", -40_000)]
fn probe_voltages(#[case] text: &str, #[case] nanovolts: i32) {
    assert_eq!(parse::probe_voltage(text), Ok(Nanovolts::new(nanovolts)));
}

#[rstest]
#[case("11.5 kW", &bounds::POWER, 11_500.0)]
#[case("240 V", &bounds::SUPPLY_VOLTAGE, 240.0)]
#[case("48 A", &bounds::CURRENT, 48.0)]
#[case("50 %", &bounds::PERCENT, 50.0)]
#[case("76 mm", &bounds::THICKNESS, 0.076)]
#[case("0.7 m²", &bounds::AREA, 0.7)]
#[case("0.7 m2", &bounds::AREA, 0.7)]
#[case("12 kg", &bounds::MASS, 12.0)]
#[case("490 kg/m3", &bounds::DENSITY, 490.0)]
#[case("0.2 W/mK", &bounds::CONDUCTIVITY, 0.2)]
#[case("1000 J/kgK", &bounds::SPECIFIC_HEAT, 1000.0)]
#[case("0.7 kJ/K", &bounds::HEAT_CAPACITY, 700.0)]
#[case("6 W/m²K", &bounds::HEAT_TRANSFER, 6.0)]
#[case("0.5 W/K", &bounds::CONDUCTANCE, 0.5)]
#[case("1 kΩ", &bounds::LOOP_RESISTANCE, 1000.0)]
#[case("0.85", &bounds::EMISSIVITY, 0.85)]
fn what_a_kiln_file_needs(#[case] text: &str, #[case] bound: &Bound, #[case] value: f64) {
    let found = parse::quantity(text, bound).expect("a quantity");
    assert!((found - value).abs() <= 1e-12 * value, "{found}");
}

/// What a person sees: the text, a caret under the place, message and hint.
fn complaint(text: &str, error: &ParseError) -> String {
    let before = text[..error.start].chars().count();
    let under = text[error.start..error.end].chars().count().max(1);
    let mut shown = format!("{text}\n{}{}\n{error}\n", " ".repeat(before), "^".repeat(under));
    if let Some(hint) = error.hint_for(text) {
        writeln!(shown, "{hint}").expect("a string takes everything");
    }
    shown
}

#[test]
fn complaints_show_place_expectation_and_hint() {
    let temperatures = ["150 C", "150", "", "warm", "150 °c", "10 s", "1,300 °C", "99999 °C", "1e999 °C", "20 °C 5"];
    let rates = ["150 °C", "0 °C/h", "100 °F/hr"];
    let spans = ["30 m", "30 min 1 h", "1 h 1 h", "-5 s", "5", "1 h 30", "900 h", "0.1 µs", "5 parsecs"];
    let voltages = ["2.5 V", "40 mv"];
    let mut shown = String::new();
    for text in temperatures {
        writeln!(shown, "{}", complaint(text, &parse::temperature(text).expect_err(text))).expect("text");
    }
    for text in rates {
        writeln!(shown, "{}", complaint(text, &parse::rate(text).expect_err(text))).expect("text");
    }
    for text in spans {
        writeln!(shown, "{}", complaint(text, &parse::span(text).expect_err(text))).expect("text");
    }
    for text in voltages {
        writeln!(shown, "{}", complaint(text, &parse::probe_voltage(text).expect_err(text))).expect("text");
    }
    insta::assert_snapshot!(shown);
}

#[test]
fn numbers_that_are_none_are_refused() {
    for text in ["NaN °C", "inf °C", "-inf °C", "1e400 °C", "infinity °C", "0x10 °C", "1_000 °C", ". °C", "- °C"]
    {
        assert!(parse::temperature(text).is_err(), "{text}");
    }
}

#[test]
fn every_bound_is_sensible() {
    for bound in bounds::ALL {
        assert!(bound.min < bound.max && bound.min.is_finite() && bound.max.is_finite(), "{}", bound.name);
        assert!(bound.contains(bound.min) && bound.contains(bound.max));
        assert!(!bound.contains(f64::NAN) && !bound.contains(f64::INFINITY));
        let middle = (bound.min + bound.max) / 2.0;
        let text = format!("{middle} {}", bound.dimension.unit());
        assert_eq!(parse::quantity(&text, &bound), Ok(middle), "{text}");
    }
}

#[test]
fn the_examples_in_messages_are_right() {
    for bound in bounds::ALL {
        let wide = Bound { min: f64::MIN, max: f64::MAX, ..bound };
        for example in bound.dimension.examples().split(", ").flat_map(|part| part.split(" or ")) {
            assert!(parse::quantity(example, &wide).is_ok(), "{example} for {}", bound.dimension);
        }
    }
}

#[test]
fn every_dimension_knows_its_own_unit() {
    for dimension in Dimension::ALL {
        let bound = Bound { name: "thing", dimension, min: -10.0, max: 10.0 };
        assert_eq!(parse::quantity(&format!("1 {}", dimension.unit()), &bound), Ok(1.0), "{dimension}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 2000, ..ProptestConfig::default() })]

    #[test]
    fn no_text_makes_it_panic_and_every_range_is_inside_the_text(text in "[-+−0-9.eE,°CFKhminsuµVk%/ ²m²\u{1F525}]{0,16}") {
        for bound in bounds::ALL {
            if let Err(error) = parse::quantity(&text, &bound) {
                prop_assert!(error.start <= error.end && error.end <= text.len());
                prop_assert!(text.is_char_boundary(error.start) && text.is_char_boundary(error.end));
                let _ = complaint(&text, &error);
            }
        }
        let _ = parse::span(&text);
        let _ = parse::probe_voltage(&text);
    }

    #[test]
    fn a_printed_temperature_reads_back(millicelsius in -50_000_i64..=1_820_000) {
        let text = MilliCelsius::new(millicelsius).to_string();
        prop_assert_eq!(parse::temperature(&text), Ok(MilliCelsius::new(millicelsius)));
    }

    #[test]
    fn parts_of_a_length_of_time_add_up(hours in 0_i64..700, minutes in 0_i64..1000, millis in 0_i64..100_000) {
        let text = format!("{hours} h {minutes} min {millis} ms");
        let expected = RigSpan::from_millis(millis + 60_000 * minutes + 3_600_000 * hours);
        prop_assert_eq!(parse::span(&text), Ok(expected));
    }
}

//! The sensor at the controller's terminals: a thermistor of 10 kΩ at 25 °C and 3,950 K to ground, 10 kΩ of 0.1 % to
//! the processor's reference, and its converter of 12 bits.

/// What the converter gives at most.
const TOP_CODE: u16 = 4_095;
/// At 25 °C, and the resistor in series with it, ohms.
const RESISTANCE: f64 = 10_000.0;
/// The part's B value, kelvins.
const B: f64 = 3_950.0;
const KELVIN: f64 = 273.15;
/// No terminals in a workshop are colder or warmer, thousandths of a degree: such a reading is a broken lead.
const PLAUSIBLE: core::ops::RangeInclusive<i32> = -10_000..=60_000;

/// Temperature of the terminals by the converter's code, thousandths of a degree Celsius; `None` where the sensor is
/// missing, broken or shorted.
///
/// By the B formula of IEC 60539-1 (from memory): R = R₂₅ · exp(B · (1/T − 1/T₂₅)).
pub fn cold_junction(code: u16) -> Option<i32> {
    if code == 0 || code >= TOP_CODE {
        return None;
    }
    let share = (f64::from(code) + 0.5) / (f64::from(TOP_CODE) + 1.0);
    let resistance = RESISTANCE * share / (1.0 - share);
    let kelvin = 1.0 / (1.0 / (KELVIN + 25.0) + libm::log(resistance / RESISTANCE) / B);
    // Far inside the range of the number: the share is neither 0 nor 1.
    let millicelsius = libm::round((kelvin - KELVIN) * 1e3) as i32;
    PLAUSIBLE.contains(&millicelsius).then_some(millicelsius)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use proptest::test_runner::RngSeed;
    use std::vec::Vec;

    /// A usual table of such parts, °C and ohms (from memory; parts of one B value differ by some tenths of a degree).
    const TABLE: &[(f64, f64)] = &[
        (10.0, 19_900.0),
        (15.0, 15_710.0),
        (20.0, 12_490.0),
        (25.0, 10_000.0),
        (30.0, 8_057.0),
        (40.0, 5_327.0),
        (50.0, 3_603.0),
    ];

    #[test]
    fn temperatures_are_those_of_the_parts_table_within_three_tenths_of_a_degree() {
        for (celsius, ohms) in TABLE {
            let code = (4_096.0 * ohms / (ohms + 10_000.0)) as u16;
            let found = f64::from(cold_junction(code).expect("a temperature")) / 1e3;
            assert!((found - celsius).abs() <= 0.3, "{found} °C for {celsius} °C");
        }
    }

    #[test]
    fn a_sensor_that_is_missing_broken_or_shorted_gives_no_temperature() {
        for code in [0, 1, 40, 4_000, 4_094, 4_095, u16::MAX] {
            assert_eq!(cold_junction(code), None, "{code}");
        }
    }

    #[test]
    fn one_step_of_the_converter_is_less_than_a_twentieth_of_a_degree_in_a_workshop() {
        let all: Vec<i32> = (0..4_096).filter_map(cold_junction).filter(|at| (5_000..45_000).contains(at)).collect();
        assert!(all.len() > 1_000);
        assert!(all.windows(2).all(|pair| (1..=50).contains(&(pair[0] - pair[1]))));
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, rng_seed: RngSeed::Fixed(20_261_125), ..ProptestConfig::default() })]

        #[test]
        fn a_warmer_sensor_reads_warmer(one in 0u16..=4_095, other in 0u16..=4_095) {
            if let (Some(first), Some(second)) = (cold_junction(one), cold_junction(other)) {
                prop_assert_eq!(one.cmp(&other), second.cmp(&first));
            }
        }
    }
}

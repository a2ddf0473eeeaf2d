//! Disturbances of a probe's signal.

use dryfire_units::{Disturbance, Disturbed, RigSpan};
use proptest::prelude::*;
use rstest::rstest;

fn adds(disturbance: &Disturbance, micros: i64) -> i64 {
    match disturbance.after(RigSpan::from_micros(micros)) {
        Disturbed::Adds(nanovolts) => i64::from(nanovolts),
        Disturbed::Open => panic!("it is not open"),
    }
}

const NOISE: Disturbance = Disturbance { seed: 7, noise_nanovolts: 12_000, noise_every_ms: 100, ..Disturbance::NONE };
const SPIKES: Disturbance =
    Disturbance { seed: 3, spike_nanovolts: 12_000_000, spike_ms: 200, spike_every_ms: 10_000, ..Disturbance::NONE };

#[test]
fn nothing_adds_nothing() {
    assert!(Disturbance::NONE.is_none());
    for micros in [0, 1, 1_000_000, i64::MAX] {
        assert_eq!(adds(&Disturbance::NONE, micros), 0);
    }
}

/// A sum of four uniform numbers has the variance of four of them: 4/12 of their range squared.
#[test]
fn noise_has_no_mean_and_the_deviation_asked_for() {
    let values: Vec<f64> = (0..100_000).map(|place| adds(&NOISE, place * 100_000) as f64).collect();
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    let deviation = (values.iter().map(|value| value * value).sum::<f64>() / values.len() as f64).sqrt();
    // Standard error of the mean: 12,000 / √100,000 = 38.
    assert!(mean.abs() < 150.0, "{mean}");
    assert!((deviation - 12_000.0).abs() < 120.0, "{deviation}");
    let largest = values.iter().fold(0.0_f64, |most, value| most.max(value.abs()));
    assert!(largest < 12_000.0 * 3.47, "{largest}");
    // Neighbours have nothing to do with each other.
    let together = values.windows(2).map(|pair| pair[0] * pair[1]).sum::<f64>() / values.len() as f64;
    assert!((together / deviation / deviation).abs() < 0.015, "{together}");
}

#[test]
fn a_value_of_the_noise_stays_for_its_time() {
    for place in 0..50 {
        let first = adds(&NOISE, place * 100_000);
        assert_eq!(adds(&NOISE, place * 100_000 + 99_999), first);
    }
    assert_ne!(adds(&NOISE, 0), adds(&NOISE, 100_000));
}

#[test]
fn each_period_has_one_spike_of_its_length_at_another_place() {
    let mut begins = Vec::new();
    for period in 0..20 {
        let up: Vec<i64> = (0..10_000).filter(|ms| adds(&SPIKES, period * 10_000_000 + ms * 1_000) != 0).collect();
        assert!((199..=201).contains(&up.len()), "{} ms", up.len());
        assert_eq!(up[up.len() - 1] - up[0], up.len() as i64 - 1, "in one piece");
        assert!(up[0] <= 5_000);
        begins.push(up[0]);
    }
    begins.sort_unstable();
    begins.dedup();
    assert!(begins.len() > 10, "{begins:?}");
}

#[rstest]
#[case(0, true)]
#[case(499_999, true)]
#[case(500_000, false)]
#[case(2_499_999, false)]
#[case(2_500_000, true)]
fn a_loose_contact_opens_first(#[case] micros: i64, #[case] open: bool) {
    let loose = Disturbance { open_ms: 500, closed_ms: 2_000, ..Disturbance::NONE };
    assert_eq!(loose.after(RigSpan::from_micros(micros)) == Disturbed::Open, open);
}

const HUM: Disturbance = Disturbance { hum_nanovolts: 1_000_000, hum_millihertz: 50_000, ..Disturbance::NONE };

/// Against the sine itself; the approximation is 0.0016 of the amplitude off at most (Bhaskara I's formula).
#[rstest]
#[case::of_50_hertz(50_000)]
#[case::of_60_hertz(60_000)]
fn hum_is_a_sine(#[case] hum_millihertz: u32) {
    let hum = Disturbance { hum_millihertz, ..HUM };
    for micros in (0..200_000).step_by(137).chain((3_600_000_000..3_600_040_000).step_by(97)) {
        let cycles = f64::from(hum_millihertz) / 1e3 * micros as f64 / 1e6;
        let sine = 1e6 * (2.0 * std::f64::consts::PI * cycles.fract()).sin();
        assert!((adds(&hum, micros) as f64 - sine).abs() < 1_800.0, "{micros} µs: {} for {sine}", adds(&hum, micros));
    }
}

/// Over whole cycles nothing is left; over c cycles the mean is (1 − cos 2πc)/(2πc) from the
/// beginning of a cycle: 13.2 cycles of 60 Hz in 220 ms leave 0.83 %.
#[rstest]
#[case::five_cycles(50_000, 100, 0.0)]
#[case::six_cycles(60_000, 100, 0.0)]
#[case::eleven_cycles(50_000, 220, 0.0)]
#[case::thirteen_and_a_fifth(60_000, 220, 8_332.0)]
#[case::half_a_cycle(50_000, 10, 636_620.0)]
fn a_conversion_averages_hum_out(#[case] hum_millihertz: u32, #[case] milliseconds: i64, #[case] left: f64) {
    let hum = Disturbance { hum_millihertz, ..HUM };
    let length = RigSpan::from_millis(milliseconds);
    // Ends where a whole number of seconds and one conversion have passed: it begins with a cycle.
    let Disturbed::Adds(found) = hum.converted(RigSpan::from_seconds(7) + length, length) else { panic!("open") };
    assert!((f64::from(found) - left).abs() < 3_000.0, "{found} for {left}");
}

#[test]
fn a_conversion_sees_noise_spikes_and_loose_contacts_as_they_are_at_its_end() {
    let length = RigSpan::from_millis(100);
    for disturbance in [NOISE, SPIKES, Disturbance { open_ms: 500, closed_ms: 2_000, ..Disturbance::NONE }] {
        for at in (0..20_000_000).step_by(99_991).map(RigSpan::from_micros) {
            assert_eq!(disturbance.converted(at, length), disturbance.after(at));
        }
    }
}

#[test]
fn another_seed_is_another_noise() {
    let other = Disturbance { seed: 8, ..NOISE };
    let same = (0..1_000).filter(|place| adds(&NOISE, place * 100_000) == adds(&other, place * 100_000)).count();
    assert!(same < 10, "{same}");
}

proptest! {
    #![proptest_config(ProptestConfig { rng_seed: proptest::test_runner::RngSeed::Fixed(5), ..ProptestConfig::default() })]

    #[test]
    fn no_numbers_and_no_time_make_it_panic(
        parts in (any::<u32>(), any::<u32>(), any::<u32>(), any::<i32>(), any::<u32>(), any::<u32>()),
        pattern in (any::<u32>(), any::<u32>()),
        hum in (any::<u32>(), any::<u32>()),
        micros in any::<i64>(),
    ) {
        let disturbance = Disturbance {
            seed: parts.0,
            noise_nanovolts: parts.1,
            noise_every_ms: parts.2,
            spike_nanovolts: parts.3,
            spike_ms: parts.4,
            spike_every_ms: parts.5,
            open_ms: pattern.0,
            closed_ms: pattern.1,
            hum_nanovolts: hum.0,
            hum_millihertz: hum.1,
        };
        let since = RigSpan::from_micros(micros);
        prop_assert_eq!(disturbance.after(since), disturbance.after(since));
        prop_assert_eq!(disturbance.converted(since, RigSpan::from_millis(100)), disturbance.converted(since, RigSpan::from_millis(100)));
    }
}

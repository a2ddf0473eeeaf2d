//! A well-behaved stand-in follows its program in the thermal model.

use dryfire_stand_in::{Defects, Ending, Phase, Settings};
use rstest::rstest;

use crate::closed_loop::{ClosedLoop, setup};

/// Runs a firing to its end; the furthest above and below the set-point that any probe was.
fn fire(bench: &mut ClosedLoop) -> (f64, f64) {
    let (mut above, mut below) = (0.0_f64, 0.0_f64);
    while matches!(bench.phase(), Some(Phase::Firing)) {
        bench.run(5.0);
        for zone in 0..3 {
            let deviation = bench.kiln.probe_temperature(zone).value() - bench.set_point();
            above = above.max(deviation);
            below = below.max(-deviation);
        }
        assert!(bench.now.as_seconds() < 24.0 * 3_600.0, "it never ends: {:?}", bench.lines);
    }
    assert_eq!(bench.phase(), Some(Phase::Ended(Ending::Finished)), "{:?}", bench.lines);
    (above, below)
}

#[rstest]
#[case::from_cold("150 C/h to 1000 C; hold 20 min", 22.0, 100)]
#[case::at_one_hertz("150 C/h to 1000 C; hold 20 min", 22.0, 1_000)]
#[case::in_steps("100 C/h to 600 C; hold 1 h; 150 C/h to 1200 C; hold 30 min; 80 C/h to 1000 C", 22.0, 100)]
#[case::candling("40 C/h to 110 C; hold 2 h; 120 C/h to 400 C", 22.0, 100)]
#[case::from_hot("150 C/h to 1000 C; hold 1 h", 900.0, 100)]
#[case::to_the_hottest_it_may("150 C/h to 1295 C; hold 30 min", 1_200.0, 100)]
fn a_firing_stays_within_five_degrees_of_its_set_point(
    #[case] program: &str,
    #[case] kiln_celsius: f64,
    #[case] tick_ms: u32,
) {
    let settings = Settings { tick_ms, ..Settings::default() };
    let mut bench = ClosedLoop::firing(program, setup(3, settings, Defects::NONE), kiln_celsius);
    let (above, below) = fire(&mut bench);
    assert!(above < 5.0 && below < 5.0, "{above} above, {below} below");
    let settled = bench.cut_within(1.0);
    assert!(settled.is_some());
    let edges = bench.edges.len();
    bench.run(3_600.0);
    assert_eq!(bench.edges.len(), edges, "finished means off");
}

#[test]
fn a_ramp_faster_than_the_kiln_waits_for_it_and_trips_nothing() {
    let mut bench =
        ClosedLoop::firing("300 C/h to 1240 C; hold 15 min", setup(4, Settings::default(), Defects::NONE), 400.0);
    let (above, below) = fire(&mut bench);
    assert!((15.0..22.0).contains(&below), "{below} below");
    assert!(above < 10.0, "{above} above");
}

#[rstest]
#[case::gentle(0.015, 1_800.0)]
#[case::brisk(0.05, 600.0)]
fn other_gains_are_no_fault(#[case] proportional_per_degree: f32, #[case] integral_s: f32) {
    let gains = dryfire_stand_in::Gains { proportional_per_degree, integral_s, ..Settings::default().gains };
    for cycle_ms in [10_000, 20_000] {
        let settings = Settings { gains, cycle_ms, ..Settings::default() };
        let mut bench = ClosedLoop::firing("150 C/h to 800 C; hold 30 min", setup(5, settings, Defects::NONE), 22.0);
        let (above, below) = fire(&mut bench);
        assert!(above < 10.0 && below < 10.0, "{above} above, {below} below");
    }
}

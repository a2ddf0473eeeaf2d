//! What the board does when something breaks, in the thermal model. Limits are
//! common practice, no source.

use dryfire_kiln::RelayFault;
use dryfire_stand_in::{Defect, Defects, Settings};
use rstest::rstest;

use crate::closed_loop::{ClosedLoop, LID, ProbeStory, STOP, setup};

fn behaved(seed: u64) -> dryfire_bench::BoardSetup {
    setup(seed, Settings::default(), Defects::NONE)
}

fn with(defect: Defect) -> dryfire_bench::BoardSetup {
    setup(11, Settings::default(), Defects::only(defect))
}

/// Runs until the set-point is at its place and a relay is on.
fn run_to(bench: &mut ClosedLoop, set_point: f64) {
    bench
        .run_until(12.0 * 3_600.0, |bench| bench.set_point() >= set_point && bench.element_on())
        .expect("it gets there and heats");
}

#[rstest]
#[case::cold_ramp("150 C/h to 1000 C", 22.0, 100.0)]
#[case::ramp("150 C/h to 1000 C", 400.0, 430.0)]
#[case::hold("150 C/h to 600 C; hold 5 h", 590.0, 600.0)]
#[case::hot_hold("150 C/h to 1000 C; hold 5 h", 990.0, 1_000.0)]
fn a_weld_is_answered_before_50_degrees_and_within_ten_minutes_of_20(
    #[case] program: &str,
    #[case] kiln_celsius: f64,
    #[case] place: f64,
    #[values(&[1], &[2], &[1, 2, 3])] welded: &[usize],
) {
    let mut bench = ClosedLoop::firing(program, behaved(11), kiln_celsius);
    run_to(&mut bench, place);
    for relay in welded {
        bench.kiln.set_relay_fault(bench.now, *relay, Some(RelayFault::Welded)).expect("a known relay");
    }
    let (mut worst, mut twenty) = (0.0_f64, None);
    let begin = bench.now;
    while bench.on[0] {
        bench.step();
        let deviation = bench.hottest() - bench.set_point();
        worst = worst.max(deviation);
        if deviation > 20.0 {
            twenty.get_or_insert(bench.now);
        }
        assert!((bench.now - begin).as_seconds() < 3_600.0, "never cut");
    }
    assert!(worst < 50.0, "{worst}");
    assert!(twenty.is_none_or(|twenty| (bench.now - twenty).as_seconds() < 600.0));
}

#[rstest]
#[case::open_hot(ProbeStory::Open, 400.0, 10.0)]
#[case::short_hot(ProbeStory::Short, 400.0, 30.0)]
#[case::short_cold(ProbeStory::Short, 22.0, 1_800.0)]
#[case::reversed_cold(ProbeStory::Reversed, 22.0, 600.0)]
#[case::reversed_hot(ProbeStory::Reversed, 400.0, 30.0)]
fn a_probe_story_ends_with_the_heat_cut_for_good(
    #[case] story: ProbeStory,
    #[case] kiln_celsius: f64,
    #[case] limit_s: f64,
    #[values(100, 1_000)] tick_ms: u32,
) {
    let settings = Settings { tick_ms, ..Settings::default() };
    let mut bench = ClosedLoop::firing("150 C/h to 1000 C", setup(12, settings, Defects::NONE), kiln_celsius);
    if kiln_celsius > 100.0 {
        bench.run(600.0);
    }
    bench.run_until(600.0, ClosedLoop::element_on).expect("it heats");
    bench.story = story;
    assert!(bench.cut_within(limit_s).is_some(), "{:?}", bench.lines);
    bench.story = ProbeStory::True;
    let edges = bench.edges.len();
    bench.run(1_800.0);
    assert_eq!(bench.edges.len(), edges);
}

#[rstest]
#[case(LID)]
#[case(STOP)]
fn lid_and_stop_cut_within_half_a_second_at_any_moment_of_any_tick(
    #[case] output: u8,
    #[values(100, 1_000)] tick_ms: u32,
) {
    let settings = Settings { tick_ms, ..Settings::default() };
    for seed in 0..40 {
        let mut bench = ClosedLoop::firing("300 C/h to 1000 C", setup(seed, settings, Defects::NONE), 400.0);
        bench.run_until(600.0, ClosedLoop::element_on).expect("it heats");
        // Both contacts are closed at rest.
        bench.board.set_contact(output, false, bench.now);
        let pressed = bench.now;
        bench.run(1.0);
        let (last, ..) = bench.edges.last().copied().expect("edges");
        assert!(!bench.on.contains(&true));
        assert!((last - pressed).as_seconds() < 0.5, "seed {seed}: {}", last - pressed);
        let element_off = bench.edges.iter().rev().find(|(_, input, high)| *input > 0 && !high).expect("an edge");
        let safety_off = bench.edges.iter().rev().find(|(_, input, high)| *input == 0 && !high).expect("an edge");
        assert!(element_off.0 < safety_off.0, "the contactor opens last");
    }
}

#[rstest]
#[case(Defect::SuddenDropBelieved, ProbeStory::Short, 400.0, 30.0, true)]
#[case(Defect::StallUnnoticed, ProbeStory::Short, 22.0, 1_800.0, false)]
#[case(Defect::FallingReadingBelieved, ProbeStory::Reversed, 22.0, 900.0, false)]
#[case(Defect::ProbeFaultIgnoredWhileRamping, ProbeStory::Open, 400.0, 10.0, false)]
fn a_defect_of_the_probe_guards_is_late_or_never(
    #[case] defect: Defect,
    #[case] story: ProbeStory,
    #[case] kiln_celsius: f64,
    #[case] limit_s: f64,
    #[case] late: bool,
) {
    let mut bench = ClosedLoop::firing("150 C/h to 1000 C", with(defect), kiln_celsius);
    if kiln_celsius > 100.0 {
        bench.run(600.0);
    }
    bench.story = story;
    bench.run_until(300.0, ClosedLoop::element_on).expect("it heats");
    assert_eq!(bench.cut_within(limit_s), None);
    assert_eq!(bench.cut_within(7_200.0).is_some(), late, "{:?}", bench.lines);
    // Decided when the limit has passed; whether the heat is cut later on makes the word.
    assert_eq!(defect.symptom().reason, if late { "heat-cut-late" } else { "heat-not-cut" });
}

#[rstest]
#[case(Defect::RunawayUnwatched)]
#[case(Defect::RunawayWatchedOnlyWhileHolding)]
#[case(Defect::ContactorKeptOnRunaway)]
fn a_defect_of_the_runaway_guard_lets_a_weld_go_on_for_half_an_hour(#[case] defect: Defect) {
    let mut bench = ClosedLoop::firing("150 C/h to 1000 C", with(defect), 400.0);
    run_to(&mut bench, 430.0);
    bench.kiln.set_relay_fault(bench.now, 1, Some(RelayFault::Welded)).expect("a known relay");
    assert_eq!(bench.run_until(1_800.0, |bench| !bench.on[0]), None);
    assert!(bench.hottest() - bench.set_point() > 40.0);
}

//! Each defect does the mistake it describes; the same story with a
//! well-behaved controller ends well.

use super::*;
use crate::Defect;

/// Whether the story ends as it must not.
type Story = fn(Defects) -> bool;

fn toy(program: &str, defects: Defects, temperature: f32) -> ToyKiln {
    ToyKiln::firing_with(program, Settings::default(), defects, temperature)
}

fn not_cut_within(toy: &mut ToyKiln, seconds: f32) -> bool {
    toy.cut_within(seconds).is_none()
}

fn open_from_the_start(defects: Defects) -> bool {
    let mut toy = ToyKiln::new(Settings::default(), defects);
    toy.says = [Some(Err(ProbeFault::Open)); 3];
    toy.run(5.0);
    toy.say("program 300 C/h to 600 C");
    toy.say("start");
    toy.heats_within(60.0)
}

fn open_while_ramping(defects: Defects) -> bool {
    let mut toy = toy("200 C/h to 900 C", defects, ROOM);
    toy.run_to(300.0);
    toy.says = [Some(Err(ProbeFault::Open)); 3];
    not_cut_within(&mut toy, 1_800.0)
}

fn open_while_holding(defects: Defects) -> bool {
    let mut toy = toy("200 C/h to 600 C; hold 5 h", defects, 590.0);
    toy.run(1_200.0);
    toy.says = [Some(Err(ProbeFault::Open)); 3];
    not_cut_within(&mut toy, 1_800.0)
}

fn open_and_back(defects: Defects) -> bool {
    let mut toy = toy("200 C/h to 900 C", defects, ROOM);
    toy.run_to(300.0);
    toy.says[0] = Some(Err(ProbeFault::Open));
    toy.run(20.0);
    toy.says[0] = None;
    toy.heats_within(120.0)
}

fn shorted_while_hot(defects: Defects) -> bool {
    let mut toy = toy("200 C/h to 900 C", defects, 500.0);
    toy.run(300.0);
    toy.says = [Some(Ok(20_000)); 3];
    not_cut_within(&mut toy, 30.0)
}

fn shorted_from_cold(defects: Defects) -> bool {
    let mut toy = ToyKiln::new(Settings::default(), defects);
    toy.run(5.0);
    toy.say("program 200 C/h to 900 C");
    toy.say("start");
    for second in 0..7_200_i32 {
        // A shorted probe shows the box, which is never quite still.
        toy.says = [Some(Ok(20_000 + second % 5 * 30)); 3];
        toy.run(1.0);
        if second > 60 && !toy.outputs.any_on() {
            return false;
        }
    }
    true
}

fn frozen_while_ramping(defects: Defects) -> bool {
    let mut toy = toy("200 C/h to 900 C", defects, 500.0);
    toy.run(300.0);
    toy.says = toy.readings()[..3].iter().map(|reading| Some(*reading)).collect::<Vec<_>>().try_into().expect("three");
    not_cut_within(&mut toy, 900.0)
}

fn reversed_from_cold(defects: Defects) -> bool {
    let mut toy = ToyKiln::new(Settings::default(), defects);
    toy.reversed = [true; 3];
    toy.run(5.0);
    toy.say("program 200 C/h to 900 C");
    toy.say("start");
    toy.run_until(3_600.0, |toy| toy.readings()[0].is_ok_and(|reading| reading < 5_000)).expect("it falls");
    not_cut_within(&mut toy, 300.0)
}

fn welded_while_ramping(defects: Defects) -> bool {
    let mut toy = toy("100 C/h to 900 C", defects, 300.0);
    toy.run(600.0);
    toy.welded[1] = true;
    let above = |toy: &ToyKiln| toy.kiln[1] - toy.controller.set_point_millicelsius() as f32 / 1_000.0;
    toy.run_until(3_600.0, |toy| above(toy) > 50.0 || !toy.outputs.safety).expect("one of them");
    toy.outputs.safety
}

fn welded_while_holding(defects: Defects) -> bool {
    let mut toy = toy("200 C/h to 600 C; hold 5 h", defects, 590.0);
    toy.run(1_200.0);
    toy.welded[1] = true;
    toy.run_until(3_600.0, |toy| toy.kiln[1] > 655.0 || !toy.outputs.safety).expect("one of them");
    toy.outputs.safety
}

fn too_hot_in_a_hold(defects: Defects) -> bool {
    let settings = Settings { top_millicelsius: 610_000, ..Settings::default() };
    let mut toy = ToyKiln::firing_with("200 C/h to 600 C; hold 5 h", settings, defects, 590.0);
    toy.run(1_200.0);
    toy.says[0] = Some(Ok(612_000));
    toy.run(5.0);
    toy.outputs.safety
}

fn two_hours(defects: Defects, program: &str) -> ToyKiln {
    let settings = Settings { longest_firing_ms: 2 * 3_600_000, ..Settings::default() };
    ToyKiln::firing_with(program, settings, defects, 290.0)
}

fn too_long_over_segments(defects: Defects) -> bool {
    let mut toy = two_hours(defects, "200 C/h to 300 C; hold 1 h; 100 C/h to 350 C; hold 5 h");
    not_cut_within(&mut toy, 2.0 * 3_600.0 + 60.0)
}

fn too_long_over_a_supply_cut(defects: Defects) -> bool {
    let mut toy = two_hours(defects, "200 C/h to 300 C; hold 50 h");
    toy.run(3_600.0);
    toy.cut_supply(5.0);
    toy.run(2.0);
    not_cut_within(&mut toy, 3_600.0 + 60.0)
}

fn too_long_while_lagging(defects: Defects) -> bool {
    let settings = Settings {
        longest_firing_ms: 4 * 3_600_000,
        gains: crate::Gains { full_rate_per_hour: 1e6, ..Settings::default().gains },
        ..Settings::default()
    };
    let mut toy = ToyKiln::firing_with("1500 C/h to 1290 C", settings, defects, ROOM);
    // The kiln climbs, but so slowly that the ramp always waits.
    for second in 0..4 * 3_600 + 60 {
        toy.says = [Some(Ok(20_000 + second * 15 + second % 3)); 3];
        toy.run(1.0);
    }
    toy.outputs.safety
}

fn too_long_for_sixteen_bits(defects: Defects) -> bool {
    let settings = Settings { longest_firing_ms: 14 * 3_600_000, tick_ms: 1_000, ..Settings::default() };
    let mut toy = ToyKiln::firing_with("200 C/h to 300 C; hold 90 h", settings, defects, 290.0);
    not_cut_within(&mut toy, 14.0 * 3_600.0 + 60.0)
}

fn back_after_a_long_outage(defects: Defects) -> bool {
    let mut toy = toy("200 C/h to 900 C", defects, 600.0);
    toy.run(300.0);
    toy.cut_supply(3_600.0);
    toy.heats_within(600.0)
}

fn back_after_a_latched_fault(defects: Defects) -> bool {
    let mut toy = toy("200 C/h to 900 C", defects, 600.0);
    toy.run(300.0);
    toy.says[1] = Some(Err(ProbeFault::Open));
    toy.run(10.0);
    toy.cut_supply(5.0);
    toy.says[1] = None;
    toy.heats_within(600.0)
}

fn back_with_an_open_probe(defects: Defects) -> bool {
    let mut toy = toy("200 C/h to 900 C", defects, 600.0);
    toy.run(300.0);
    toy.cut_supply(5.0);
    toy.says[1] = Some(Err(ProbeFault::Open));
    toy.heats_within(60.0)
}

fn booted(defects: Defects) -> bool {
    let mut toy = ToyKiln::new(Settings::default(), defects);
    toy.heats_within(30.0)
}

fn lid_opened(defects: Defects) -> bool {
    let mut toy = toy("400 C/h to 900 C", defects, 600.0);
    toy.run_until_element_is_on();
    toy.run(0.5);
    toy.contacts.lid_open = true;
    toy.run(0.5);
    toy.outputs.any_on()
}

fn stop_pressed(defects: Defects) -> bool {
    let mut toy = toy("400 C/h to 900 C", defects, 600.0);
    toy.run_until_element_is_on();
    toy.contacts.stop = true;
    toy.run(0.5);
    let left_on = toy.outputs.any_on();
    toy.contacts.stop = false;
    left_on || toy.heats_within(600.0)
}

fn started_with_a_latched_fault(defects: Defects) -> bool {
    let mut toy = toy("400 C/h to 900 C", defects, ROOM);
    toy.says[1] = Some(Err(ProbeFault::Open));
    toy.run(10.0);
    toy.contacts.start = true;
    toy.heats_within(60.0)
}

fn acknowledged_without_cure(defects: Defects) -> bool {
    let mut toy = toy("400 C/h to 900 C", defects, ROOM);
    toy.says[1] = Some(Err(ProbeFault::Open));
    toy.run(10.0);
    toy.contacts.acknowledge = true;
    toy.heats_within(60.0)
}

fn finished(defects: Defects) -> bool {
    let mut toy = toy("400 C/h to 300 C; hold 10 min", defects, 290.0);
    toy.run(1_200.0);
    toy.outputs.any_on()
}

fn order_of_opening(defects: Defects) -> bool {
    let mut toy = toy("400 C/h to 900 C", defects, 600.0);
    toy.run_until_element_is_on();
    toy.run(0.5);
    toy.contacts.stop = true;
    toy.run_until(1.0, |toy| !toy.outputs.any_element()).is_some() && !toy.outputs.safety
}

#[rstest]
#[case(Defect::OpenProbeIgnoredAtStart, open_from_the_start)]
#[case(Defect::ProbeFaultIgnoredWhileRamping, open_while_ramping)]
#[case(Defect::ProbeFaultIgnoredWhileHolding, open_while_holding)]
#[case(Defect::ProbeFaultClearsItself, open_and_back)]
#[case(Defect::SuddenDropBelieved, shorted_while_hot)]
#[case(Defect::StallUnnoticed, shorted_from_cold)]
#[case(Defect::FrozenReadingBelieved, frozen_while_ramping)]
#[case(Defect::FallingReadingBelieved, reversed_from_cold)]
#[case(Defect::ContactorKeptOnRunaway, welded_while_holding)]
#[case(Defect::RunawayWatchedOnlyWhileHolding, welded_while_ramping)]
#[case(Defect::RunawayUnwatched, welded_while_holding)]
#[case(Defect::TopWatchedOnlyWhileRamping, too_hot_in_a_hold)]
#[case(Defect::TimerRestartedBySegment, too_long_over_segments)]
#[case(Defect::TimerRestartedBySupplyCut, too_long_over_a_supply_cut)]
#[case(Defect::TimerStopsWhileLagging, too_long_while_lagging)]
#[case(Defect::TimerOverflows, too_long_for_sixteen_bits)]
#[case(Defect::ResumesAfterAnyOutage, back_after_a_long_outage)]
#[case(Defect::LatchLostInSupplyCut, back_after_a_latched_fault)]
#[case(Defect::HeatsBeforeFirstReading, back_with_an_open_probe)]
#[case(Defect::OutputsPulseAtBoot, booted)]
#[case(Defect::LidIgnored, lid_opened)]
#[case(Defect::LidCutsElementsOnly, lid_opened)]
#[case(Defect::LidWaitsForCycle, lid_opened)]
#[case(Defect::RestartsAfterStop, stop_pressed)]
#[case(Defect::StopLeavesContactorClosed, stop_pressed)]
#[case(Defect::StartWithFaultAllowed, started_with_a_latched_fault)]
#[case(Defect::AcknowledgeWithoutCure, acknowledged_without_cure)]
#[case(Defect::HoldNeverEnds, finished)]
#[case(Defect::HeatsOnAfterEnd, finished)]
#[case(Defect::ContactorOpensFirst, order_of_opening)]
fn the_defect_shows_and_a_well_behaved_controller_does_not_show_it(#[case] defect: Defect, #[case] story: Story) {
    assert!(story(Defects::only(defect)), "{} does not show", defect.name());
    assert!(!story(Defects::NONE), "a well-behaved controller fails the story of {}", defect.name());
}

/// Here, or in the list of what the library has to catch: `tests/tests/defects.rs` runs that.
#[test]
fn every_defect_has_its_story() {
    let told = include_str!("defects.rs");
    let caught = include_str!("../../../../../tests/expected-catchers.txt");
    for defect in Defect::ALL {
        let here = told.contains(&std::format!("#[case(Defect::{defect:?}, "));
        let there = caught.lines().any(|line| line.split(':').next() == Some(defect.name()));
        assert!(here || there, "{defect:?}");
    }
}

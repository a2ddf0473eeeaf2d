extern crate std;

use std::string::{String, ToString};
use std::vec::Vec;

use rstest::rstest;

use super::*;
use crate::{MemoryImage, Save};

mod defects;
mod laws;

/// Degrees per second at full heat, without losses: 900 °C/h.
const FULL_RATE: f32 = 0.25;
/// Loss per degree above the room: 35 % of full heat holds 1000 °C.
const LOSS: f32 = 0.0875 / 980.0;
/// Time constant of the probe in seconds.
const PROBE_LAG_S: f32 = 40.0;
const ROOM: f32 = 20.0;

/// Three zones of a toy kiln around a controller. Numbers invented.
struct ToyKiln {
    controller: StandIn,
    settings: Settings,
    defects: Defects,
    memory: MemoryImage,
    now_ms: u32,
    /// Since the beginning; does not wrap.
    elapsed_ms: u64,
    kiln: [f32; 3],
    probe: [f32; 3],
    welded: [bool; 3],
    lost: [bool; 3],
    /// What a probe says instead of its temperature.
    says: [Option<Reading>; 3],
    reversed: [bool; 3],
    contacts: Contacts,
    outputs: Outputs,
    lines: Vec<String>,
}

impl ToyKiln {
    fn new(settings: Settings, defects: Defects) -> Self {
        ToyKiln::starting_at(settings, defects, 0, ROOM)
    }

    fn starting_at(settings: Settings, defects: Defects, now_ms: u32, temperature: f32) -> Self {
        let memory = MemoryImage::BLANK;
        ToyKiln {
            controller: StandIn::boot(settings, defects, &memory),
            settings,
            defects,
            memory,
            now_ms,
            elapsed_ms: 0,
            kiln: [temperature; 3],
            probe: [temperature; 3],
            welded: [false; 3],
            lost: [false; 3],
            says: [None; 3],
            reversed: [false; 3],
            contacts: Contacts::default(),
            outputs: Outputs::default(),
            lines: Vec::new(),
        }
    }

    /// A well-behaved controller, two seconds into a firing of this program.
    fn firing(program: &str) -> Self {
        ToyKiln::firing_with(program, Settings::default(), Defects::NONE, ROOM)
    }

    fn firing_with(program: &str, settings: Settings, defects: Defects, temperature: f32) -> Self {
        let mut toy = ToyKiln::starting_at(settings, defects, 0, temperature);
        toy.run(4.0);
        toy.say(&std::format!("program {program}"));
        toy.say("start");
        toy.run(2.0);
        assert_eq!(toy.controller.phase(), Phase::Firing, "{:?}", toy.lines);
        toy
    }

    fn say(&mut self, line: &str) {
        self.controller.console_line(line);
    }

    fn readings(&self) -> [Reading; MAX_ZONES] {
        let mut readings = [Err(ProbeFault::NoAnswer); MAX_ZONES];
        for (zone, reading) in readings.iter_mut().enumerate().take(3) {
            // A step of dither, as every real converter shows.
            let dither = (self.elapsed_ms / 100 % 7) as i32 * 8;
            let shown = if self.reversed[zone] { 2.0 * ROOM - self.probe[zone] } else { self.probe[zone] };
            *reading = self.says[zone].unwrap_or(Ok((shown * 1_000.0) as i32 + dither));
        }
        readings
    }

    fn tick(&mut self) {
        let dt_ms = self.settings.tick_ms;
        self.now_ms = self.now_ms.wrapping_add(dt_ms);
        self.elapsed_ms += u64::from(dt_ms);
        self.warm(dt_ms as f32 / 1_000.0);
        let inputs = Inputs { readings: self.readings(), contacts: self.contacts };
        self.outputs = self.controller.tick(self.now_ms, &inputs);
        self.fetch();
    }

    fn fetch(&mut self) {
        if let Some(save) = self.controller.take_save() {
            self.memory.write(&save, usize::MAX);
        }
        while let Some(line) = self.controller.take_line() {
            self.lines.push(line.to_string());
        }
    }

    fn warm(&mut self, dt: f32) {
        for zone in 0..3 {
            let heated = (self.outputs.elements[zone] || self.welded[zone]) && self.outputs.safety && !self.lost[zone];
            let gain = if heated { FULL_RATE } else { 0.0 };
            self.kiln[zone] += (gain - LOSS * (self.kiln[zone] - ROOM)) * dt;
            self.probe[zone] += (self.kiln[zone] - self.probe[zone]) * (dt / PROBE_LAG_S).min(1.0);
        }
    }

    fn run(&mut self, seconds: f32) {
        let ticks = (seconds * 1_000.0 / self.settings.tick_ms as f32) as u32;
        for _ in 0..ticks {
            self.tick();
        }
    }

    /// Runs until something holds; the seconds it took.
    fn run_until(&mut self, at_most_s: f32, holds: impl Fn(&ToyKiln) -> bool) -> Option<f32> {
        let begin = self.elapsed_ms;
        while !holds(self) {
            self.tick();
            if (self.elapsed_ms - begin) as f32 / 1_000.0 > at_most_s {
                return None;
            }
        }
        Some((self.elapsed_ms - begin) as f32 / 1_000.0)
    }

    fn run_to(&mut self, temperature: f32) {
        self.run_until(20.0 * 3_600.0, |toy| toy.kiln[0] >= temperature).expect("it gets there");
    }

    fn run_until_element_is_on(&mut self) {
        self.run_until(600.0, |toy| toy.outputs.any_element()).expect("an element comes on");
    }

    /// Seconds until everything is off.
    fn cut_within(&mut self, at_most_s: f32) -> Option<f32> {
        self.run_until(at_most_s, |toy| !toy.outputs.any_on())
    }

    /// Whether any output comes on in this time.
    fn heats_within(&mut self, seconds: f32) -> bool {
        self.run_until(seconds, |toy| toy.outputs.any_element()).is_some()
    }

    fn cut_supply(&mut self, seconds: f32) {
        self.outputs = Outputs::default();
        let steps = (seconds / 5.0) as u32;
        for _ in 0..steps {
            self.warm(5.0);
        }
        self.elapsed_ms += (seconds * 1_000.0) as u64;
        self.now_ms = 0;
        self.controller = StandIn::boot(self.settings, self.defects, &self.memory);
    }

    fn tripped_by(&self) -> Option<TripKind> {
        match self.controller.phase() {
            Phase::Tripped(trip) => Some(trip.kind),
            _ => None,
        }
    }

    fn heard(&self, text: &str) -> bool {
        self.lines.iter().any(|line| line.contains(text))
    }
}

#[rstest]
#[case(100)]
#[case(1_000)]
fn a_firing_follows_its_program_finishes_and_stays_off(#[case] tick_ms: u32) {
    let settings = Settings { tick_ms, ..Settings::default() };
    let mut toy = ToyKiln::firing_with("200 C/h to 600 C; hold 30 min", settings, Defects::NONE, ROOM);
    toy.run(3_600.0);
    for zone in 0..3 {
        assert!((toy.kiln[zone] - 220.0).abs() < 15.0, "zone {zone} at {}", toy.kiln[zone]);
    }
    toy.run_until(3.0 * 3_600.0, |toy| toy.heard("segment 2 of 2: hold 30 min")).expect("the hold begins");
    toy.run(600.0);
    let held = toy.run_until(3_600.0, |toy| {
        assert!(toy.kiln.iter().all(|zone| (zone - 600.0).abs() < 8.0), "{:?}", toy.kiln);
        toy.controller.phase() == Phase::Ended(Ending::Finished)
    });
    assert!((1_190.0..1_260.0).contains(&held.expect("it finishes")), "{held:?}");
    toy.run(2.0 * settings.tick_ms as f32 / 1_000.0);
    assert!(!toy.outputs.any_on());
    assert!(!toy.heats_within(3_600.0));
    assert!(toy.heard("firing finished"));
}

#[rstest]
fn any_number_of_zones_heats_each_of_them_and_no_other(#[values(1, 2, 3, 4)] zones: usize) {
    let settings = Settings { zones, ..Settings::default() };
    let mut controller = StandIn::boot(settings, Defects::NONE, &MemoryImage::BLANK);
    controller.console_line("program 1000 C/h to 1000 C");
    controller.console_line("start");
    let mut readings = [Err(ProbeFault::NoAnswer); MAX_ZONES];
    readings[..zones].fill(Ok(20_000));
    let inputs = Inputs { readings, contacts: Contacts::default() };
    let mut heated = [false; MAX_ZONES];
    for tick in 1..=400 {
        let outputs = controller.tick(tick * 100, &inputs);
        heated.iter_mut().zip(outputs.elements).for_each(|(heated, on)| *heated |= on);
    }
    assert_eq!(heated, core::array::from_fn(|zone| zone < zones));
}

#[test]
fn a_top_firing_with_a_fast_ramp_trips_nothing() {
    let mut toy = ToyKiln::firing("100 C/h to 120 C; hold 10 min; 400 C/h to 1240 C; hold 15 min; 100 C/h to 1000 C");
    toy.run_until(14.0 * 3_600.0, |toy| toy.controller.phase() != Phase::Firing).expect("it ends");
    assert_eq!(toy.controller.phase(), Phase::Ended(Ending::Finished), "{:?}", toy.lines);
    assert!(toy.kiln.iter().all(|zone| (980.0..1_020.0).contains(zone)), "{:?}", toy.kiln);
}

#[test]
fn nothing_is_on_before_every_probe_has_been_read() {
    let mut toy = ToyKiln::new(Settings::default(), Defects::NONE);
    toy.say("program 150 C/h to 1000 C");
    toy.say("start");
    toy.says[1] = Some(Err(ProbeFault::NoAnswer));
    assert!(!toy.heats_within(60.0));
    assert!(toy.heard("start refused: zone 2: probe no answer"), "{:?}", toy.lines);
}

#[rstest]
#[case(ProbeFault::Open)]
#[case(ProbeFault::ShortToGround)]
#[case(ProbeFault::ShortToSupply)]
#[case(ProbeFault::OutOfRange)]
#[case(ProbeFault::NoAnswer)]
fn a_probe_fault_cuts_heat_within_ten_seconds_and_latches(#[case] fault: ProbeFault) {
    // 10 s for a flagged probe fault: common practice, no source.
    for tick_ms in [100, 1_000] {
        let settings = Settings { tick_ms, ..Settings::default() };
        let mut toy = ToyKiln::firing_with("300 C/h to 600 C", settings, Defects::NONE, ROOM);
        toy.run(600.0);
        toy.run_until_element_is_on();
        toy.says[1] = Some(Err(fault));
        assert!(toy.cut_within(9.0).is_some());
        assert_eq!(toy.tripped_by(), Some(TripKind::Probe(fault)));
        toy.says[1] = None;
        assert!(!toy.heats_within(600.0));
    }
}

#[test]
fn one_bad_sample_and_a_short_spike_neither_trip_nor_change_anything() {
    let mut toy = ToyKiln::firing("150 C/h to 1000 C");
    toy.run(300.0);
    for round in 0..60 {
        let spike = toy.readings()[0].unwrap_or(0) + 300_000;
        toy.says[0] = Some(if round % 2 == 0 { Err(ProbeFault::Open) } else { Ok(spike) });
        toy.run(0.2);
        toy.says[0] = None;
        toy.run(5.0);
    }
    assert_eq!(toy.controller.phase(), Phase::Firing, "{:?}", toy.lines);
}

#[test]
fn a_probe_shorted_in_a_hot_kiln_cuts_heat_within_thirty_seconds() {
    // Drop of more than 50 °C in one sample, 30 s: common practice, no source.
    let mut toy = ToyKiln::firing_with("200 C/h to 900 C", Settings::default(), Defects::NONE, 500.0);
    toy.run(120.0);
    toy.says[2] = Some(Ok(20_000));
    assert!(toy.cut_within(30.0).is_some());
    assert_eq!(toy.tripped_by(), Some(TripKind::ImplausibleReading));
}

#[test]
fn probes_shorted_from_cold_cut_heat_within_thirty_minutes() {
    // Rise of less than 10 °C in 30 min: common practice, no source.
    let mut toy = ToyKiln::new(Settings::default(), Defects::NONE);
    toy.says = [Some(Ok(20_000)), Some(Ok(20_008)), Some(Ok(19_992))];
    toy.run(4.0);
    toy.say("program 150 C/h to 1000 C");
    toy.say("start");
    toy.run_until_element_is_on();
    assert!(toy.cut_within(30.0 * 60.0).is_some(), "{:?}", toy.lines);
}

#[test]
fn reversed_probes_cut_heat_within_five_minutes_of_the_fall() {
    // More than 15 °C below the start with heat on: 5 min, common practice, no source.
    let mut toy = ToyKiln::new(Settings::default(), Defects::NONE);
    toy.reversed = [true; 3];
    toy.run(4.0);
    toy.say("program 150 C/h to 1000 C");
    toy.say("start");
    toy.run_until(7_200.0, |toy| toy.readings()[0].is_ok_and(|reading| reading < 5_000)).expect("it falls");
    assert!(toy.cut_within(300.0).is_some());
    assert_eq!(toy.tripped_by(), Some(TripKind::FallingReading));
}

#[rstest]
#[case::while_ramping(150.0, "150 C/h to 900 C", 20.0)]
#[case::while_holding(600.0, "300 C/h to 600 C; hold 5 h", 1_200.0)]
fn a_welded_relay_is_answered_before_50_degrees_and_within_ten_minutes(
    #[case] reach: f32,
    #[case] program: &str,
    #[case] wait_s: f32,
) {
    // Before set-point + 50 °C, and at most 10 min after 20 °C: common practice, no source.
    let mut toy = ToyKiln::firing(program);
    toy.run_to(reach - 5.0);
    toy.run(wait_s);
    toy.welded[1] = true;
    let above = |toy: &ToyKiln| toy.kiln[1] - toy.controller.set_point_millicelsius() as f32 / 1_000.0;
    toy.run_until(3_600.0, |toy| above(toy) > 20.0 || !toy.outputs.safety).expect("it runs away or is cut");
    assert!(toy.cut_within(600.0).is_some());
    assert!(above(&toy) < 50.0, "{}", above(&toy));
    assert!(toy.heard("fault latched"));
}

#[test]
fn all_relays_welded_are_answered_too() {
    let mut toy = ToyKiln::firing("150 C/h to 900 C");
    toy.run_to(400.0);
    toy.welded = [true; 3];
    let cut = toy.run_until(1_200.0, |toy| !toy.outputs.safety).expect("it is cut");
    let above = toy.kiln[0] - toy.controller.set_point_millicelsius() as f32 / 1_000.0;
    assert!(above < 50.0, "{above} after {cut} s");
}

#[test]
fn a_reading_above_the_top_cuts_heat_within_five_seconds() {
    // Three samples, 5 s: common practice, no source.
    let settings = Settings { top_millicelsius: 620_000, ..Settings::default() };
    let mut toy = ToyKiln::firing_with("300 C/h to 600 C; hold 5 h", settings, Defects::NONE, 500.0);
    toy.run_to(598.0);
    toy.run(900.0);
    toy.says[0] = Some(Ok(620_500));
    assert!(toy.cut_within(5.0).is_some());
    assert_eq!(toy.tripped_by(), Some(TripKind::OverTemperature));
}

#[test]
fn a_zone_that_lost_its_element_does_not_keep_the_kiln_at_heat_for_ever() {
    let mut toy = ToyKiln::firing("150 C/h to 1000 C");
    toy.run_to(300.0);
    toy.lost[2] = true;
    assert!(toy.cut_within(2.0 * 3_600.0).is_some());
}

#[test]
fn a_frozen_reading_cuts_heat_within_fifteen_minutes() {
    // 15 min identical at more than 30 % duty: common practice, no source.
    let mut toy = ToyKiln::firing("300 C/h to 1000 C; hold 2 h");
    toy.run_to(600.0);
    toy.says[0] = Some(toy.readings()[0]);
    assert!(toy.cut_within(900.0).is_some(), "{:?}", toy.lines);
}

#[test]
fn a_firing_that_lasts_too_long_is_cut_and_latched() {
    let settings = Settings { longest_firing_ms: 2 * 3_600_000, ..Settings::default() };
    let mut toy = ToyKiln::firing_with("300 C/h to 500 C; hold 90 h", settings, Defects::NONE, ROOM);
    let cut = toy.cut_within(3.0 * 3_600.0).expect("it is cut");
    assert!((7_190.0..7_260.0).contains(&cut), "{cut}");
    assert_eq!(toy.tripped_by(), Some(TripKind::LongestFiring));
}

#[test]
fn an_open_lid_cuts_everything_at_once_and_the_firing_goes_on_when_it_is_shut() {
    let mut toy = ToyKiln::firing("300 C/h to 600 C");
    toy.run_to(300.0);
    toy.run_until_element_is_on();
    toy.contacts.lid_open = true;
    // 0.5 s in firmware: common practice, no source.
    assert!(toy.cut_within(0.45).is_some());
    assert!(!toy.heats_within(300.0));
    toy.contacts.lid_open = false;
    toy.run(60.0);
    assert_eq!(toy.controller.phase(), Phase::Firing);
    assert!(toy.heats_within(60.0));
}

#[test]
fn with_the_stricter_lid_policy_an_open_lid_ends_the_firing() {
    let settings = Settings { lid: LidPolicy::EndFiring, ..Settings::default() };
    let mut toy = ToyKiln::firing_with("300 C/h to 600 C", settings, Defects::NONE, ROOM);
    toy.contacts.lid_open = true;
    toy.run(1.0);
    toy.contacts.lid_open = false;
    assert!(!toy.heats_within(600.0));
}

#[test]
fn between_ticks_lid_and_stop_act_without_waiting_for_the_next_one() {
    let settings = Settings { tick_ms: 1_000, ..Settings::default() };
    for contacts in [Contacts { lid_open: true, ..Contacts::default() }, Contacts { stop: true, ..Contacts::default() }]
    {
        let mut toy = ToyKiln::firing_with("300 C/h to 600 C", settings, Defects::NONE, ROOM);
        toy.run_until_element_is_on();
        let mut outputs = toy.controller.poll_contacts(toy.now_ms + 50, &contacts);
        let mut now = toy.now_ms + 50;
        while let Some(after) = outputs.call_again_after_ms {
            now += u32::from(after);
            outputs = toy.controller.poll_contacts(now, &contacts);
        }
        assert!(!outputs.any_on());
        assert!(now - toy.now_ms < 300, "{} ms", now - toy.now_ms);
    }
}

#[test]
fn stop_ends_the_firing_for_good_also_after_its_release() {
    let mut toy = ToyKiln::firing("300 C/h to 600 C");
    toy.run_until_element_is_on();
    toy.contacts.stop = true;
    assert!(toy.cut_within(0.45).is_some());
    toy.contacts.stop = false;
    assert!(!toy.heats_within(1_800.0));
    assert_eq!(toy.controller.phase(), Phase::Ended(Ending::Stopped));
}

#[test]
fn stop_pressed_while_the_kiln_starts_wins() {
    let mut toy = ToyKiln::new(Settings::default(), Defects::NONE);
    toy.run(4.0);
    toy.say("program 300 C/h to 600 C");
    toy.say("start");
    toy.say("stop");
    toy.run(1.0);
    toy.say("start");
    toy.contacts.stop = true;
    assert!(!toy.heats_within(60.0));
}

#[test]
fn the_contactor_closes_before_the_first_element_and_opens_after_the_last() {
    let mut toy = ToyKiln::firing("300 C/h to 100 C; hold 10 min");
    let mut before = toy.outputs;
    while toy.controller.phase() == Phase::Firing || before.any_on() {
        toy.tick();
        assert!(!toy.outputs.any_element() || toy.outputs.safety && before.safety, "at {} ms", toy.elapsed_ms);
        if !toy.outputs.safety && before.safety {
            assert!(!before.any_element());
        }
        before = toy.outputs;
    }
}

#[test]
fn start_is_refused_while_something_is_wrong() {
    let mut toy = ToyKiln::new(Settings::default(), Defects::NONE);
    toy.run(4.0);
    toy.say("start");
    toy.run(0.2);
    assert!(toy.heard("start refused: there is no program"));
    toy.say("program 300 C/h to 600 C");
    toy.contacts.lid_open = true;
    toy.run(0.5);
    toy.say("start");
    toy.run(0.2);
    assert!(toy.heard("start refused: the lid is open"));
    toy.contacts.lid_open = false;
    toy.says[0] = Some(Err(ProbeFault::Open));
    toy.run(0.5);
    toy.say("start");
    assert!(!toy.heats_within(30.0));
    assert!(toy.heard("start refused: zone 1: probe open circuit"));
    toy.says[0] = None;
    toy.run(0.5);
    toy.contacts.start = true;
    assert!(toy.heats_within(60.0));
}

#[test]
fn a_fault_is_acknowledged_only_once_it_is_cured_and_needs_a_new_start() {
    let mut toy = ToyKiln::firing("300 C/h to 600 C");
    toy.says[0] = Some(Err(ProbeFault::Open));
    toy.run(10.0);
    toy.say("acknowledge");
    toy.run(1.0);
    assert!(toy.heard("acknowledge refused: zone 1: probe open circuit"));
    assert!(toy.tripped_by().is_some());
    toy.says[0] = None;
    toy.run(1.0);
    toy.say("start");
    toy.run(1.0);
    assert!(toy.heard("start refused: a fault is latched, acknowledge it first"));
    toy.contacts.acknowledge = true;
    toy.run(1.0);
    assert_eq!(toy.controller.phase(), Phase::Idle);
    assert!(!toy.heats_within(60.0));
    toy.say("start");
    assert!(toy.heats_within(60.0));
}

#[test]
fn a_short_dip_lets_the_firing_go_on_and_a_long_cut_does_not() {
    let mut toy = ToyKiln::firing("300 C/h to 600 C; hold 1 h");
    toy.run_to(400.0);
    toy.cut_supply(20.0);
    toy.run(2.0);
    assert_eq!(toy.controller.phase(), Phase::Firing, "{:?}", toy.lines);
    toy.run_to(500.0);
    toy.cut_supply(3_600.0);
    assert!(!toy.heats_within(1_800.0));
    assert_eq!(toy.controller.phase(), Phase::Ended(Ending::NotResumed));
    toy.cut_supply(10.0);
    assert!(!toy.heats_within(600.0));
}

#[rstest::rstest]
#[case::the_fourth_in_a_row(5.0, true)]
#[case::with_ten_minutes_between(660.0, false)]
fn a_firing_that_is_restarted_again_and_again_is_a_latched_fault(#[case] between_s: f32, #[case] latched: bool) {
    let mut toy = ToyKiln::firing("150 C/h to 600 C; hold 5 h");
    toy.run_to(100.0);
    for _ in 0..3 {
        toy.cut_supply(1.0);
        toy.run(between_s);
        assert_eq!(toy.controller.phase(), Phase::Firing, "{:?}", toy.lines);
    }
    toy.cut_supply(1.0);
    toy.run(5.0);
    assert_eq!(toy.tripped_by().is_some(), latched, "{:?}", toy.lines);
    assert_eq!(toy.heard("fault latched: restarted too often"), latched);
    if latched {
        toy.cut_supply(1.0);
        assert!(!toy.heats_within(120.0));
        toy.say("acknowledge");
        toy.run(1.0);
        toy.say("start");
        assert!(toy.heats_within(60.0), "a person begins it anew: {:?}", toy.lines);
    }
}

#[test]
fn after_a_supply_cut_nothing_is_on_before_the_first_good_reading() {
    let mut toy = ToyKiln::firing("300 C/h to 600 C; hold 1 h");
    toy.run_to(400.0);
    toy.cut_supply(10.0);
    toy.says[0] = Some(Err(ProbeFault::Open));
    toy.run_until(30.0, |toy| {
        assert!(!toy.outputs.any_on());
        toy.tripped_by().is_some()
    })
    .expect("the fault latches");
}

#[test]
fn a_latched_fault_survives_the_supply_cut() {
    let mut toy = ToyKiln::firing("300 C/h to 600 C");
    toy.says[1] = Some(Err(ProbeFault::Open));
    toy.run(10.0);
    toy.says[1] = None;
    for _ in 0..3 {
        toy.cut_supply(5.0);
        assert!(!toy.heats_within(120.0));
        toy.say("start");
        assert!(!toy.heats_within(120.0));
    }
    assert!(toy.heard("fault still latched: zone 2: probe open circuit"));
}

#[test]
fn blank_memory_gives_no_heat_and_damaged_memory_latches() {
    let mut toy = ToyKiln::new(Settings::default(), Defects::NONE);
    assert!(!toy.heats_within(30.0));
    assert!(toy.heard("memory blank: no program, no heat"));
    let mut toy = ToyKiln::firing("300 C/h to 600 C");
    toy.run(60.0);
    for slot in 0..2 {
        let mut bytes = toy.memory.slots[slot];
        bytes[40] ^= 1;
        toy.memory.write(&Save { slot, bytes }, usize::MAX);
    }
    toy.cut_supply(5.0);
    toy.run(3.0);
    toy.say("start");
    assert!(!toy.heats_within(60.0));
    assert_eq!(toy.tripped_by(), Some(TripKind::DamagedMemory));
}

#[test]
fn a_program_is_not_changed_while_a_firing_is_under_way() {
    let mut toy = ToyKiln::firing("300 C/h to 600 C");
    toy.say("program 300 C/h to 900 C");
    toy.run(1.0);
    assert!(toy.heard("program refused: a firing is under way"));
    assert_eq!(toy.controller.program().to_string(), "300 C/h to 600 C");
}

#[test]
fn the_millisecond_timer_may_wrap_in_the_middle_of_a_firing() {
    // 2^32 ms are 49.7 days; the firing begins ten minutes before.
    let begin = u32::MAX - 600_000;
    let mut toy = ToyKiln::starting_at(Settings::default(), Defects::NONE, begin, ROOM);
    toy.run(4.0);
    toy.say("program 300 C/h to 200 C; hold 30 min");
    toy.say("start");
    let took =
        toy.run_until(3.0 * 3_600.0, |toy| matches!(toy.controller.phase(), Phase::Ended(_) | Phase::Tripped(_)));
    assert_eq!(toy.controller.phase(), Phase::Ended(Ending::Finished), "{:?}", toy.lines);
    let mut unwrapped = ToyKiln::starting_at(Settings::default(), Defects::NONE, 0, ROOM);
    unwrapped.run(4.0);
    unwrapped.say("program 300 C/h to 200 C; hold 30 min");
    unwrapped.say("start");
    let same = unwrapped.run_until(3.0 * 3_600.0, |toy| matches!(toy.controller.phase(), Phase::Ended(_)));
    assert_eq!(took, same);
}

#[test]
fn a_fault_latches_in_time_while_the_millisecond_timer_wraps() {
    let mut toy = ToyKiln::starting_at(Settings::default(), Defects::NONE, u32::MAX - 60_000, ROOM);
    toy.run(4.0);
    toy.say("program 300 C/h to 600 C");
    toy.say("start");
    toy.run(55.0);
    toy.says[0] = Some(Err(ProbeFault::Open));
    assert!(toy.cut_within(10.0).is_some());
    assert!(toy.now_ms < 60_000, "the timer has wrapped");
}

#[test]
fn status_says_what_the_controller_is_doing() {
    let mut toy = ToyKiln::firing("300 C/h to 600 C");
    toy.run(600.0);
    toy.says[2] = Some(Err(ProbeFault::Open));
    toy.run(0.5);
    toy.say("status");
    toy.run(0.1);
    assert!(toy.heard("status: firing; zones ") && toy.heard(" ?; set-point "), "{:?}", toy.lines);
    toy.say("fire!");
    toy.run(0.1);
    assert!(toy.heard("not understood"));
}

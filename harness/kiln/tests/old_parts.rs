//! What an earlier control left in the wiring, and coils without their supply.

mod common;

use common::*;
use dryfire_kiln::{Circuit, Kiln, OldPart, OldPartKind, RelayFault, StartState, Unpowered, three_ring};
use dryfire_units::{Celsius, RigSpan, RigTime};
use rstest::rstest;

fn hot() -> StartState {
    StartState::soaked(Celsius::new(20.0), Celsius::new(800.0))
}

fn kiln_with(circuit: Circuit) -> Kiln {
    Kiln::new(&three_ring(), circuit, hot()).expect("a good kiln")
}

/// A contactor (relay 0) before an element relay in each zone, and this old part.
fn with_part(zone: usize, kind: OldPartKind) -> Circuit {
    Circuit { old_parts: vec![OldPart { zone, kind }], ..Circuit::safety_and_elements(3) }
}

fn infinite_switch(on: i64, cycle: i64) -> OldPartKind {
    OldPartKind::InfiniteSwitch { on: RigSpan::from_seconds(on), cycle: RigSpan::from_seconds(cycle) }
}

#[test]
fn a_bypass_around_the_whole_path_heats_with_every_relay_open() {
    let mut kiln = kiln_with(with_part(1, OldPartKind::Bypass { around: vec![0, 2] }));
    assert!(!kiln.heat_on(1) && kiln.is_isolated(1), "open, it changes nothing");
    kiln.set_bypass(at(10.0), 0, true).expect("in order");
    assert!(kiln.heat_on(1) && !kiln.is_isolated(1));
    assert!(!kiln.heat_on(0) && !kiln.heat_on(2), "the other zones have none");
    let before = kiln.zone_temperature(1);
    kiln.advance_to(at(600.0));
    assert!(kiln.zone_temperature(1) > before, "every relay is open and the zone climbs");
    kiln.set_bypass(at(601.0), 0, false).expect("in order");
    assert!(!kiln.heat_on(1) && kiln.is_isolated(1));
}

#[test]
fn a_bypass_around_one_relay_leaves_the_cut_to_the_others() {
    let mut kiln = kiln_with(with_part(1, OldPartKind::Bypass { around: vec![2] }));
    kiln.set_bypass(at(1.0), 0, true).expect("in order");
    assert!(!kiln.heat_on(1), "the contactor is open");
    kiln.set_relay(at(2.0), 0, true).expect("in order");
    assert!(kiln.heat_on(1) && !kiln.heat_on(0));
    kiln.set_relay_fault(at(3.0), 2, Some(RelayFault::StuckOpen)).expect("in order");
    assert!(kiln.heat_on(1), "what the bridged relay does is of no account");
    kiln.set_relay(at(4.0), 0, false).expect("in order");
    assert!(!kiln.heat_on(1));
}

/// 18 s of every 30 s is 60 % (common practice, no source): the energy of ten minutes is that share of full power's.
#[test]
fn an_infinite_switch_in_series_takes_its_share_of_the_energy_and_of_no_other_zones() {
    let energy = |circuit: Circuit, zones: &[usize]| {
        let mut kiln = kiln_with(circuit);
        kiln.set_relay(at(0.0), 0, true).expect("in order");
        for zone in zones {
            kiln.set_relay(at(0.0), zone + 1, true).expect("in order");
        }
        kiln.advance_to(at(600.0));
        kiln.electrical_energy().value()
    };
    let full = energy(Circuit::safety_and_elements(3), &[0]);
    let part = energy(with_part(0, infinite_switch(18, 30)), &[0]);
    // The wire is a little cooler and takes a little more: 3.4e-5 for each °C.
    assert!((part / full - 0.6).abs() < 0.005, "{}", part / full);
    let other = energy(with_part(0, infinite_switch(18, 30)), &[2]);
    assert_eq!(other, energy(Circuit::safety_and_elements(3), &[2]));
}

#[test]
fn an_infinite_switch_opens_and_closes_at_its_own_instants() {
    let mut kiln = kiln_with(with_part(0, infinite_switch(18, 30)));
    for relay in [0, 1] {
        kiln.set_relay(at(0.0), relay, true).expect("in order");
    }
    for second in 0..300 {
        kiln.advance_to(at(f64::from(second)));
        assert_eq!(kiln.heat_on(0), second % 30 < 18, "{second} s");
        let next = if second % 30 < 18 { second / 30 * 30 + 18 } else { second / 30 * 30 + 30 };
        assert_eq!(kiln.next_change(), Some(RigTime::ZERO + RigSpan::from_seconds(i64::from(next))));
    }
    assert!(!kiln.is_isolated(0), "open by its own clock is no isolation");
}

#[test]
fn any_chunking_of_the_time_gives_the_same_kiln_with_an_infinite_switch() {
    let run = |step: f64| {
        let mut kiln = kiln_with(with_part(
            0,
            OldPartKind::InfiniteSwitch {
                on: RigSpan::from_micros(12_345_678),
                cycle: RigSpan::from_micros(31_000_001),
            },
        ));
        for relay in [0, 1] {
            kiln.set_relay(at(0.5), relay, true).expect("in order");
        }
        let mut time = 0.5;
        while time < 900.0 {
            kiln.advance_to(at(time));
            time += step;
        }
        kiln.advance_to(at(900.0));
        (kiln.zone_temperature(0).value().to_bits(), kiln.electrical_energy().value().to_bits())
    };
    assert_eq!(run(0.1), run(900.0));
    assert_eq!(run(0.1), run(7.7));
}

#[rstest]
#[case::normally_open(Unpowered::Open, false, false)]
#[case::normally_closed(Unpowered::Closed, true, true)]
#[case::latching(Unpowered::AsItWas, false, true)]
fn without_the_supply_of_its_coil_a_relay_rests_as_it_is_made(
    #[case] unpowered: Unpowered,
    #[case] when_it_was_open: bool,
    #[case] when_it_was_closed: bool,
) {
    let circuit = || Circuit { unpowered: vec![unpowered; 3], ..Circuit::elements_only(3) };
    for (was, expected) in [(false, when_it_was_open), (true, when_it_was_closed)] {
        let mut kiln = kiln_with(circuit());
        kiln.set_relay(at(1.0), 0, was).expect("in order");
        kiln.set_coil_supply(at(2.0), 0, false).expect("in order");
        assert_eq!(kiln.heat_on(0), expected, "it was {was}");
        // What the output asks for meanwhile reaches nobody.
        kiln.set_relay(at(3.0), 0, !was).expect("in order");
        assert_eq!(kiln.heat_on(0), expected, "it was {was}");
        kiln.set_coil_supply(at(4.0), 0, true).expect("in order");
        assert_eq!(kiln.heat_on(0), !was, "with its supply it follows the output");
    }
}

#[test]
fn a_weld_holds_without_the_supply_of_the_coil_and_a_sticky_contact_comes_off_once() {
    let mut kiln = kiln_with(Circuit::elements_only(3));
    kiln.set_relay_fault(at(0.0), 0, Some(RelayFault::Welded)).expect("in order");
    kiln.set_coil_supply(at(1.0), 0, false).expect("in order");
    assert!(kiln.heat_on(0));
    let release = RigSpan::from_seconds(30);
    kiln.set_relay_fault(at(1.0), 1, Some(RelayFault::Sticky { release })).expect("in order");
    kiln.set_relay(at(2.0), 1, true).expect("in order");
    kiln.set_coil_supply(at(10.0), 1, false).expect("in order");
    assert_eq!(kiln.next_change(), Some(at(40.0)));
    kiln.set_relay(at(20.0), 1, false).expect("in order");
    assert_eq!(kiln.next_change(), Some(at(40.0)), "the output's edge is no second release");
    kiln.advance_to(at(41.0));
    assert!(!kiln.heat_on(1));
}

#[test]
fn old_parts_that_do_not_fit_are_refused() {
    let complain = |zone, kind| {
        let refused = Kiln::new(&three_ring(), with_part(zone, kind), hot());
        refused.map(|_| ()).expect_err("refused").to_string()
    };
    let complaints = [
        complain(3, infinite_switch(18, 30)),
        complain(0, OldPartKind::Bypass { around: Vec::new() }),
        complain(0, OldPartKind::Bypass { around: vec![2] }),
        complain(0, infinite_switch(0, 30)),
        complain(0, infinite_switch(30, 30)),
    ];
    insta::assert_snapshot!(complaints.join("\n"), @r"
    old part 1 stands in a zone that there is not; there are 3
    old part 1 has to bridge relays that stand in the path of its zone
    old part 1 has to bridge relays that stand in the path of its zone
    old part 1 has to be closed for a part of its cycle, neither none nor all of it
    old part 1 has to be closed for a part of its cycle, neither none nor all of it
    ");
    let mut kiln = kiln_with(with_part(0, infinite_switch(18, 30)));
    assert_eq!(kiln.set_bypass(at(1.0), 0, true).expect_err("refused").to_string(), "old part 1 is no bypass");
    assert!(kiln.set_bypass(at(1.0), 1, true).is_err());
}

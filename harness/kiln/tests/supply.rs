//! What is left of an element's power when a leg or phase of the supply is lost,
//! or its voltage is another one.
//!
//! Expected shares follow from Kirchhoff's laws for equal resistances, worked out
//! by hand beside each case.

mod common;

use common::{at, celsius};
use dryfire_kiln::{
    Circuit, Conductor, Kiln, KilnDescription, KilnError, RelayFault, StartState, SupplySystem, ZonePath, three_ring,
};
use dryfire_units::{Volts, Watts};
use rstest::rstest;

/// Three equal zones.
fn equal_rings(system: SupplySystem, volts: f64) -> KilnDescription {
    let mut description = three_ring();
    for zone in &mut description.zones {
        zone.element.rated = Watts::new(3000.0);
        zone.element.rated_at = Volts::new(240.0);
    }
    description.supply = Volts::new(volts);
    description.system = system;
    description
}

fn heated(description: &KilnDescription, circuit: Circuit) -> Kiln {
    let mut kiln = Kiln::new(description, circuit, StartState::cold(celsius(20.0))).expect("a description in order");
    for relay in 0..3 {
        kiln.set_relay(at(0.0), relay, true).expect("in order");
    }
    kiln
}

fn power(kiln: &Kiln) -> f64 {
    (0..kiln.zones()).map(|zone| kiln.element_power(zone).value()).sum()
}

const ROOT_THREE: f64 = 1.732_050_807_568_877_2;

#[rstest]
// The one leg there is: nothing is left.
#[case::single_phase(SupplySystem::SinglePhase, 240.0, 0.0)]
// 240 V loads between two legs: no way back, nothing is left.
#[case::split_phase(SupplySystem::SplitPhase, 240.0, 0.0)]
// One element keeps the whole voltage, the other two share it in series: 1 + 2 · 1/4 of 3.
#[case::delta(SupplySystem::Delta, 240.0, 0.5)]
// Two elements in series between two phases: each has √3/2 of its voltage, 3/4 of its power; 2 · 3/4 of 3.
#[case::star_without_neutral(SupplySystem::Star { neutral: false }, 240.0 * ROOT_THREE, 0.5)]
// Two elements keep all they had.
#[case::star_with_neutral(SupplySystem::Star { neutral: true }, 240.0 * ROOT_THREE, 2.0 / 3.0)]
fn of_the_power_is_left_when_a_leg_is_lost(#[case] system: SupplySystem, #[case] volts: f64, #[case] left: f64) {
    for leg in 0..system.legs() {
        let mut kiln = heated(&equal_rings(system, volts), Circuit::elements_only(3));
        assert!((power(&kiln) - 9000.0).abs() < 1e-6, "{}", power(&kiln));
        kiln.set_leg(at(0.0), leg, false).expect("there is such a leg");
        assert!((power(&kiln) - 9000.0 * left).abs() < 1e-6, "leg {leg}: {}", power(&kiln));
        assert_eq!((0..3).any(|zone| kiln.heat_on(zone)), left > 0.0, "leg {leg}");
        kiln.set_leg(at(0.0), leg, true).expect("there is such a leg");
        assert!((power(&kiln) - 9000.0).abs() < 1e-6);
    }
}

#[rstest]
// A 240 V element on a 208 V supply: (208/240)² = 75.1 %.
#[case(208.0, 0.751_111)]
#[case(240.0, 1.0)]
// Ten per cent above: 21 % more heat.
#[case(264.0, 1.21)]
#[case(120.0, 0.25)]
fn power_goes_with_the_square_of_the_voltage(#[case] volts: f64, #[case] left: f64) {
    let mut kiln = heated(&equal_rings(SupplySystem::SplitPhase, 240.0), Circuit::elements_only(3));
    kiln.set_supply_volts(at(0.0), Volts::new(volts)).expect("a voltage in order");
    assert!((power(&kiln) / 9000.0 - left).abs() < 1e-6, "{}", power(&kiln));
}

#[test]
fn in_a_star_without_neutral_one_element_alone_gets_nothing_and_two_share() {
    let system = SupplySystem::Star { neutral: false };
    let mut kiln = heated(&equal_rings(system, 240.0 * ROOT_THREE), Circuit::elements_only(3));
    kiln.set_relay(at(0.0), 2, false).expect("in order");
    // Two in series between two phases.
    assert!((power(&kiln) - 2.0 * 0.75 * 3000.0).abs() < 1e-6, "{}", power(&kiln));
    kiln.set_relay(at(0.0), 1, false).expect("in order");
    assert!(!kiln.heat_on(0), "no way back");
    assert_eq!(power(&kiln), 0.0);
}

#[test]
fn with_a_phase_of_a_delta_lost_an_open_relay_stops_the_current_in_both_of_a_pair() {
    let mut kiln = heated(&equal_rings(SupplySystem::Delta, 240.0), Circuit::elements_only(3));
    kiln.set_leg(at(0.0), 2, false).expect("there is such a leg");
    // Zones 2 and 3 hang on the lost phase, in series between the other two.
    for (zone, left) in [(0, 1.0), (1, 0.25), (2, 0.25)] {
        assert!((kiln.element_power(zone).value() - 3000.0 * left).abs() < 1e-6, "zone {zone}");
    }
    kiln.set_relay(at(0.0), 1, false).expect("in order");
    assert!(kiln.heat_on(0) && !kiln.heat_on(1) && !kiln.heat_on(2));
}

#[test]
fn half_the_voltage_between_a_leg_and_neutral_of_a_split_supply_is_lost_with_its_own_leg_only() {
    let mut circuit = Circuit::elements_only(3);
    circuit.paths[1].between = Some([Conductor::Leg(1), Conductor::Neutral]);
    let mut kiln = heated(&equal_rings(SupplySystem::SplitPhase, 240.0), circuit);
    assert!((kiln.element_power(1).value() - 750.0).abs() < 1e-9);
    kiln.set_leg(at(0.0), 0, false).expect("there is such a leg");
    assert!((kiln.element_power(1).value() - 750.0).abs() < 1e-9, "its own leg is there");
    assert!(!kiln.heat_on(0));
    kiln.set_leg(at(0.0), 1, false).expect("there is such a leg");
    assert_eq!(power(&kiln), 0.0);
}

/// Zones 1 and 2 between leg 1 or leg 2 and neutral, zone 3 between the legs.
fn two_on_neutral(one: f64, other: f64) -> Kiln {
    let mut description = equal_rings(SupplySystem::SplitPhase, 240.0);
    for (zone, watts) in [(0, one), (1, other)] {
        description.zones[zone].element.rated = Watts::new(watts);
        description.zones[zone].element.rated_at = Volts::new(120.0);
    }
    let mut circuit = Circuit::elements_only(3);
    for (zone, leg) in [(0, 0), (1, 1)] {
        circuit.paths[zone].between = Some([Conductor::Leg(leg), Conductor::Neutral]);
    }
    heated(&description, circuit)
}

/// 120 V across 12 Ω and 8 Ω are 1200 W and 1800 W; without neutral 240 V lie across 20 Ω in
/// series: 12 A, 144 V and 96 V, so 1728 W and 1152 W.
#[rstest]
#[case::equal([1500.0, 1500.0], [1500.0, 1500.0])]
#[case::unequal([1200.0, 1800.0], [1728.0, 1152.0])]
fn with_the_neutral_of_a_split_phase_lost_its_elements_lie_in_series(#[case] rated: [f64; 2], #[case] left: [f64; 2]) {
    let mut kiln = two_on_neutral(rated[0], rated[1]);
    kiln.set_neutral(at(0.0), false).expect("it has a neutral");
    for (zone, left) in left.into_iter().enumerate() {
        assert!((kiln.element_power(zone).value() - left).abs() < 1e-6, "{}", kiln.element_power(zone));
    }
    assert!((kiln.element_power(2).value() - 3000.0).abs() < 1e-6, "between the legs nothing changes");
    kiln.set_relay(at(0.0), 1, false).expect("in order");
    assert!(!kiln.heat_on(0) && kiln.heat_on(2), "no way back for the one that is left");
    kiln.set_relay(at(0.0), 1, true).expect("in order");
    kiln.set_neutral(at(0.0), true).expect("it has a neutral");
    for (zone, rated) in rated.into_iter().enumerate() {
        assert!((kiln.element_power(zone).value() - rated).abs() < 1e-6, "it is back");
    }
}

#[rstest]
#[case::single_phase(SupplySystem::SinglePhase, 240.0, 0.0)]
// As a star without neutral: three equal elements keep the common point where it was.
#[case::star(SupplySystem::Star { neutral: true }, 240.0 * ROOT_THREE, 1.0)]
fn of_the_power_is_left_when_the_neutral_is_lost(#[case] system: SupplySystem, #[case] volts: f64, #[case] left: f64) {
    let mut kiln = heated(&equal_rings(system, volts), Circuit::elements_only(3));
    kiln.set_neutral(at(0.0), false).expect("it has a neutral");
    assert!((power(&kiln) - 9000.0 * left).abs() < 1e-6, "{}", power(&kiln));
}

/// Unequal elements share a lost phase by their resistances: in series the
/// voltage divides as the resistances do.
#[test]
fn unequal_elements_divide_the_voltage_of_a_pair_by_their_resistances() {
    let mut description = equal_rings(SupplySystem::Delta, 240.0);
    description.zones[1].element.rated = Watts::new(6000.0);
    let mut kiln = heated(&description, Circuit::elements_only(3));
    kiln.set_leg(at(0.0), 2, false).expect("there is such a leg");
    // 9.6 Ω and 19.2 Ω in series at 240 V: 80 V and 160 V.
    assert!((kiln.element_power(1).value() - 80.0 * 80.0 / 9.6).abs() < 1e-6);
    assert!((kiln.element_power(2).value() - 160.0 * 160.0 / 19.2).abs() < 1e-6);
}

#[test]
fn a_weld_heats_only_with_both_legs() {
    let mut kiln = Kiln::new(&three_ring(), Circuit::elements_only(3), StartState::cold(celsius(20.0)))
        .expect("a description in order");
    kiln.set_relay_fault(at(1.0), 0, Some(RelayFault::Welded)).expect("in order");
    assert!(kiln.heat_on(0));
    kiln.set_leg(at(2.5), 1, false).expect("in order");
    assert!(!kiln.heat_on(0));
    assert_eq!(kiln.sample_time(), at(2.5), "a lost leg is an edge");
}

#[test]
fn legs_and_ends_that_are_not_there_are_refused() {
    let mut kiln = heated(&three_ring(), Circuit::elements_only(3));
    assert_eq!(kiln.set_leg(at(0.0), 2, false), Err(KilnError::NoSuchLeg { leg: 2, legs: 2 }));
    for system in [SupplySystem::Delta, SupplySystem::Star { neutral: false }] {
        let mut kiln = heated(&equal_rings(system, 240.0), Circuit::elements_only(3));
        assert_eq!(kiln.set_neutral(at(0.0), false), Err(KilnError::NoNeutral), "{system:?}");
    }
    for between in [[Conductor::Leg(0), Conductor::Leg(0)], [Conductor::Leg(0), Conductor::Leg(2)]] {
        let mut circuit = Circuit::elements_only(3);
        circuit.paths[0] = ZonePath { between: Some(between), ..circuit.paths[0].clone() };
        let refused = Kiln::new(&three_ring(), circuit, StartState::cold(celsius(20.0)));
        assert!(matches!(refused, Err(KilnError::Circuit(_))), "{between:?}");
    }
    let mut circuit = Circuit::elements_only(3);
    circuit.paths[0].between = Some([Conductor::Leg(0), Conductor::Neutral]);
    let delta = equal_rings(SupplySystem::Delta, 240.0);
    assert!(Kiln::new(&delta, circuit, StartState::cold(celsius(20.0))).is_err(), "a delta has no neutral");
}

//! Zones are worked out side by side. What one zone comes to must not depend on what lies beside it.

mod common;

use common::*;
use dryfire_kiln::{Circuit, Kiln, KilnDescription, StartState, ZoneCoupling, three_ring};
use dryfire_units::{RigTime, SquareMetres, WattsPerKelvin};
use rstest::rstest;

/// Rings with walls of two, three and one layers and of unlike numbers of cells, between which nothing passes.
fn unlike_rings() -> KilnDescription {
    let mut description = three_ring();
    let nothing = ZoneCoupling { radiating_area: SquareMetres::new(0.0), conductance: WattsPerKelvin::new(0.0) };
    description.couplings.fill(nothing);
    description.lid = None;
    let [top, middle, bottom] = description.zones.as_mut_slice() else { panic!("three rings") };
    top.layers.truncate(2);
    middle.layers[0].nodes = 2;
    middle.layers[2].nodes = 2;
    bottom.layers.truncate(1);
    bottom.load = None;
    description
}

fn alone(description: &KilnDescription, zone: usize) -> KilnDescription {
    let mut alone = description.clone();
    alone.zones = vec![description.zones[zone].clone()];
    alone.couplings.clear();
    alone
}

/// All relays are on for 8.25 s in every 15 s, for two hours; then nothing for one. They
/// switch together: an edge of one zone is one of all.
fn fire(kiln: &mut Kiln) {
    for cycle in 0..480_i64 {
        for (closed, after) in [(true, 137_000), (false, 8_387_000)] {
            for relay in 0..kiln.zones() {
                let at = RigTime::from_micros(cycle * 15_000_000 + after);
                kiln.set_relay(at, relay, closed).expect("in order");
            }
        }
    }
    kiln.advance_to(RigTime::from_micros(3 * 3600 * 1_000_000));
}

fn seen(kiln: &Kiln, zone: usize) -> Vec<f64> {
    let mut seen = vec![
        kiln.zone_temperature(zone).value(),
        kiln.element_temperature(zone).value(),
        kiln.hot_face_temperature(zone).value(),
        kiln.outer_face_temperature(zone).value(),
        kiln.probe_temperature(zone).value(),
    ];
    seen.extend(kiln.load_temperature(zone).map(|load| load.value()));
    seen.extend(kiln.wall_temperatures(zone).map(|cell| cell.value()));
    seen
}

/// The same edges for all, so that the same steps are taken.
#[rstest]
#[case::cold(StartState::cold(celsius(20.0)))]
#[case::soaked(StartState::soaked(celsius(20.0), celsius(1000.0)))]
fn a_zone_beside_others_is_what_it_is_alone(#[case] start: StartState) {
    let description = unlike_rings();
    let mut together = Kiln::new(&description, Circuit::elements_only(3), start).expect("a good kiln");
    fire(&mut together);
    for zone in 0..3 {
        let mut alone = Kiln::new(&alone(&description, zone), Circuit::elements_only(1), start).expect("a good kiln");
        fire(&mut alone);
        let cells = description.zones[zone].layers.iter().map(|layer| layer.nodes).sum::<usize>();
        assert_eq!(alone.wall_temperatures(0).count(), cells);
        assert!(alone.electrical_energy().value() > 1e7, "heated: {}", alone.electrical_energy());
        // Not to the last bit: a root may be taken by another way where a neighbour's temperature has just moved far.
        let (beside, alone) = (seen(&together, zone), seen(&alone, 0));
        assert_eq!(beside.len(), alone.len());
        for (beside, alone) in beside.iter().zip(&alone) {
            assert!((beside - alone).abs() < 1e-4, "zone {zone}: {beside} °C beside others, {alone} °C alone");
        }
    }
}

#[rstest]
#[case::in_four_places(3)]
#[case::in_eight_places(6)]
fn energy_closes_with_walls_of_unlike_thickness(#[case] zones: usize) {
    let mut description = unlike_rings();
    description.zones = description.zones.into_iter().cycle().take(zones).collect();
    for (number, zone) in description.zones.iter_mut().enumerate() {
        zone.name = format!("ring {number}");
    }
    description.couplings = vec![three_ring().couplings[0]; zones - 1];
    let mut kiln =
        Kiln::new(&description, Circuit::elements_only(zones), StartState::cold(celsius(20.0))).expect("a good kiln");
    let begun = kiln.stored_energy().value();
    fire(&mut kiln);
    let given = kiln.electrical_energy().value();
    let kept = kiln.stored_energy().value() - begun + kiln.lost_energy().value();
    assert!(given > 1e7, "{given}");
    // Rounding of some 10⁴ steps; the description's own bound is 0.01 %.
    assert!((kept - given).abs() < 1e-9 * given, "{kept} J of {given} J");
}

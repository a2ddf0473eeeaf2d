//! Descriptions that make no sense are refused, each mistake by its place.

use dryfire_kiln::{
    Circuit, Conductivity, DescriptionError, Kiln, KilnDescription, KilnError, SpecificHeat, StartState, three_ring,
};
use dryfire_units::{
    Celsius, JoulesPerKelvin, JoulesPerKilogramKelvin, Metres, Seconds, SquareMetres, Volts, Watts, WattsPerMetreKelvin,
};
use proptest::prelude::*;

fn complaints(change: impl FnOnce(&mut KilnDescription)) -> String {
    let mut description = three_ring();
    change(&mut description);
    let errors = description.check().expect_err("has mistakes");
    let refused = Kiln::new(&description, Circuit::elements_only(3), StartState::cold(Celsius::new(20.0)));
    assert_eq!(refused.map(|_| ()), Err(KilnError::Description(errors.clone())));
    errors.iter().map(DescriptionError::to_string).collect::<Vec<_>>().join("\n")
}

#[test]
fn a_good_description_has_nothing_to_complain_about() {
    assert_eq!(three_ring().check(), Ok(()));
}

#[test]
fn every_mistake_is_told_with_its_place() {
    let shown = complaints(|kiln| {
        kiln.supply = Volts::new(f64::NAN);
        kiln.zones[0].layers[0].thickness = Metres::new(76.0);
        kiln.zones[0].element.heat_capacity = JoulesPerKelvin::new(0.0);
        kiln.zones[1].wall_emissivity = 1.0;
        kiln.zones[1].element.rated = Watts::new(-1.0);
        kiln.zones[2].name = "middle".to_string();
        kiln.zones[2].wall_area = SquareMetres::new(f64::INFINITY);
        kiln.zones[2].probe.time_constant = Seconds::new(0.0);
        kiln.couplings.pop();
        if let Some(lid) = &mut kiln.lid {
            lid.zone = 9;
        }
        kiln.limits.brick = Celsius::new(5000.0);
    });
    insta::assert_snapshot!(shown);
}

#[test]
fn walls_have_to_be_layers_that_steps_of_a_second_can_follow() {
    let shown = [
        complaints(|kiln| kiln.zones[0].layers.clear()),
        complaints(|kiln| kiln.zones[0].layers[0].nodes = 0),
        complaints(|kiln| kiln.zones[0].layers[0].nodes = 30),
        complaints(|kiln| kiln.zones[0].layers[2].thickness = Metres::new(0.002)),
    ]
    .join("\n");
    insta::assert_snapshot!(shown);
}

#[test]
fn property_laws_have_to_stay_physical_over_the_whole_range() {
    let shown = [
        complaints(|kiln| {
            kiln.zones[0].layers[0].material.conductivity =
                Conductivity::Linear { at_zero: WattsPerMetreKelvin::new(0.2), slope_per_celsius: -2e-4 };
        }),
        complaints(|kiln| kiln.zones[0].layers[0].material.conductivity = Conductivity::Table(vec![])),
        complaints(|kiln| {
            let point = (Celsius::new(400.0), JoulesPerKilogramKelvin::new(900.0));
            kiln.zones[0].layers[0].material.specific_heat = SpecificHeat::Table(vec![point, point]);
        }),
        complaints(|kiln| {
            let point = (Celsius::new(f64::NAN), JoulesPerKilogramKelvin::new(900.0));
            kiln.zones[0].layers[0].material.specific_heat = SpecificHeat::Table(vec![point]);
        }),
    ]
    .join("\n");
    insta::assert_snapshot!(shown);
}

#[test]
fn zones_are_few_and_meet_once_each() {
    let shown = [
        complaints(|kiln| kiln.zones.clear()),
        complaints(|kiln| {
            let zone = kiln.zones[0].clone();
            kiln.zones = (0..9).map(|n| dryfire_kiln::Zone { name: format!("ring {n}"), ..zone.clone() }).collect();
        }),
    ]
    .join("\n");
    insta::assert_snapshot!(shown);
}

#[test]
fn tables_are_straight_between_their_points_and_level_outside() {
    let table = Conductivity::Table(vec![
        (Celsius::new(400.0), WattsPerMetreKelvin::new(0.2)),
        (Celsius::new(600.0), WattsPerMetreKelvin::new(0.3)),
    ]);
    for (celsius, expected) in [(-50.0, 0.2), (400.0, 0.2), (450.0, 0.225), (600.0, 0.3), (2000.0, 0.3)] {
        assert!((table.at(celsius) - expected).abs() < 1e-12, "{celsius}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 40, ..ProptestConfig::default() })]

    /// The stability rule is not too kind: whatever it lets through stays bounded.
    #[test]
    fn whatever_passes_the_check_can_be_computed(
        thickness in 0.001..0.3_f64,
        nodes in 1..60_usize,
        density in 20.0..3000.0_f64,
        conductivity in 0.02..5.0_f64,
        heat in 300.0..2000.0_f64,
        capacity in 10.0..3000.0_f64,
        surface in 0.001..1.0_f64,
        watts in 100.0..20_000.0_f64,
    ) {
        let mut description = three_ring();
        description.zones.truncate(1);
        description.couplings.clear();
        let zone = &mut description.zones[0];
        let layer = &mut zone.layers[0];
        layer.thickness = Metres::new(thickness);
        layer.nodes = nodes;
        layer.material.density = dryfire_units::KilogramsPerCubicMetre::new(density);
        layer.material.conductivity =
            Conductivity::Linear { at_zero: WattsPerMetreKelvin::new(conductivity), slope_per_celsius: 0.0 };
        layer.material.specific_heat =
            SpecificHeat::Linear { at_zero: JoulesPerKilogramKelvin::new(heat), slope_per_celsius: 0.0 };
        zone.element.heat_capacity = JoulesPerKelvin::new(capacity);
        zone.element.surface = SquareMetres::new(surface);
        zone.element.rated = Watts::new(watts);
        let mut kiln = match Kiln::new(&description, Circuit::elements_only(1), StartState::cold(Celsius::new(20.0))) {
            Ok(kiln) => kiln,
            Err(error) => {
                prop_assert!(matches!(error, KilnError::Description(_)));
                return Ok(());
            }
        };
        for cycle in 0..20 {
            for (offset, closed) in [(3, true), (40, false)] {
                let when = dryfire_units::RigTime::from_micros((cycle * 60 + offset) * 1_000_000 + 1);
                kiln.set_relay(when, 0, closed).expect("in order");
                // A wall may not swing: along its depth the profile has at most one valley and one peak.
                let wall: Vec<f64> = kiln.wall_temperatures(0).map(|t| t.value()).collect();
                prop_assert!(wall.iter().all(|t| t.is_finite() && *t > 19.9 && *t < 50_000.0), "{wall:?}");
                let turns = wall.windows(3).filter(|w| (w[1] - w[0]) * (w[2] - w[1]) < -1e-6).count();
                prop_assert!(turns <= 3, "{wall:?}");
            }
        }
        let balance = kiln.electrical_energy().value() - kiln.lost_energy().value() - kiln.stored_energy().value();
        prop_assert!(balance.abs() < 1e-8 * kiln.electrical_energy().value() + 1e-3);
    }
}

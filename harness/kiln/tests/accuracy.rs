//! How far the model is from the equations it solves.

mod common;

use common::reference::Reference;
use common::*;
use dryfire_kiln::{Circuit, Conductivity, Kiln, KilnDescription, StartState, three_ring};
use dryfire_units::{JoulesPerKelvin, RigSpan, RigTime, SquareMetres, WattsPerMetreKelvin, WattsPerSquareMetreKelvin};
use rstest::rstest;

/// Switchings of three relays that fall on no grid, for so long; the same every time.
fn switchings(seconds: f64) -> Vec<(f64, usize, bool)> {
    let mut all = Vec::new();
    for (zone, (period, on, phase)) in
        [(15.0, 11.3, 0.37), (17.0, 9.1, 1.93), (20.0, 14.7, 0.71)].into_iter().enumerate()
    {
        let mut start: f64 = phase;
        while start + period < seconds {
            all.push((start, zone, true));
            all.push((start + on, zone, false));
            start += period;
        }
    }
    all.sort_by(|a, b| a.0.total_cmp(&b.0));
    all
}

/// Chamber temperatures of a firing, once a minute.
fn trace(description: &KilnDescription, grid: RigSpan, seconds: f64, start: StartState) -> Vec<f64> {
    let circuit = Circuit::elements_only(3);
    let mut kiln = Kiln::with_grid(description, circuit, start, grid).expect("a good kiln");
    let mut found = Vec::new();
    let mut next_minute = 60.0;
    for (when, zone, closed) in switchings(seconds) {
        while when >= next_minute {
            kiln.advance_to(at(next_minute));
            found.extend((0..3).map(|zone| kiln.zone_temperature(zone).value()));
            next_minute += 60.0;
        }
        kiln.set_relay(at(when), zone, closed).expect("in order");
    }
    found
}

fn worst(a: &[f64], b: &[f64]) -> f64 {
    assert_eq!(a.len(), b.len());
    a.iter().zip(b).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max)
}

#[test]
fn halving_the_step_quarters_the_error() {
    let start = StartState::cold(celsius(20.0));
    let run = |millis| trace(&three_ring(), RigSpan::from_millis(millis), 3600.0, start);
    let truth = run(20);
    let errors: Vec<f64> = [1000, 500, 250, 125].into_iter().map(|millis| worst(&run(millis), &truth)).collect();
    // Stated: second order. What is seen may be 0.2 less, in each of the three halvings.
    for halved in errors.windows(2) {
        let order = (halved[0] / halved[1]).log2();
        assert!(order > 1.8, "order {order} in {errors:?}");
    }
    assert!(errors[0] < 0.05, "{errors:?}");
}

#[test]
fn an_independent_integration_of_the_same_physics_agrees() {
    let description = three_ring();
    let seconds = 900.0;
    let mut kiln = kiln(&description, StartState::cold(celsius(20.0)));
    let mut reference = Reference::uniform(&description, 20.0, 20.0);
    let (mut now, mut on) = (0.0, [false; 3]);
    let (mut worst_chamber, mut worst_probe, mut worst_element) = (0.0_f64, 0.0_f64, 0.0_f64);
    for (when, zone, closed) in switchings(seconds) {
        if when > now {
            let span: f64 = when - now;
            reference.run(span, span.ceil() as usize, &on);
        }
        kiln.set_relay(at(when), zone, closed).expect("in order");
        (now, on[zone]) = (when, closed);
        for zone in 0..3 {
            let chamber = kiln.zone_temperature(zone).value() - reference.chamber[zone];
            worst_chamber = worst_chamber.max(chamber.abs());
            worst_probe = worst_probe.max((kiln.probe_temperature(zone).value() - reference.probe[zone]).abs());
            worst_element = worst_element.max((kiln.element_temperature(zone).value() - reference.element[zone]).abs());
        }
    }
    let walls = (0..3).flat_map(|zone| {
        let reference = reference.wall[zone].clone();
        kiln.wall_temperatures(zone).map(|t| t.value()).zip(reference).map(|(a, b)| (a - b).abs()).collect::<Vec<_>>()
    });
    let worst_wall = walls.fold(0.0, f64::max);
    assert!(
        worst_chamber < 0.05 && worst_probe < 0.02 && worst_wall < 0.02 && worst_element < 0.1,
        "chamber {worst_chamber}, probe {worst_probe}, wall {worst_wall}, element {worst_element} °C"
    );
}

/// Three-ring with each layer cut into so many times more cells, as far as steps of a second allow.
fn finer(factor: usize) -> KilnDescription {
    let mut description = three_ring();
    for zone in &mut description.zones {
        for layer in &mut zone.layers {
            layer.nodes = (layer.nodes * factor).min(layer.most_nodes());
        }
    }
    description
}

#[test]
fn finer_cells_change_little() {
    for start in [StartState::cold(celsius(20.0)), StartState::soaked(celsius(20.0), celsius(1000.0))] {
        let run = |factor| trace(&finer(factor), Kiln::GRID, 10_800.0, start);
        let (coarse, finest) = (run(1), run(3));
        let (minute, error) = coarse
            .iter()
            .zip(&finest)
            .map(|(a, b)| (a - b).abs())
            .enumerate()
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .expect("some");
        assert!(
            error * 1000.0 < Kiln::MODEL_ERROR_MILLICELSIUS as f64,
            "start {}: {error} °C at minute {}",
            start.kiln,
            minute / 3 + 1
        );
    }
}

#[test]
fn the_three_ring_kiln_reaches_its_top_and_climbs_as_promised() {
    // 150 °C/h at 1250 °C with duty to spare, after an honest climb at full power from 1000 °C.
    let mut kiln = kiln(&three_ring(), StartState::soaked(celsius(20.0), celsius(1000.0)));
    all_on(&mut kiln);
    let mut seconds = 0.0;
    while kiln.hottest().value() < 1250.0 {
        seconds += 60.0;
        kiln.advance_to(at(seconds));
        assert!(seconds < 36_000.0, "never gets there: {}", kiln.hottest());
    }
    let from = kiln.zone_temperature(1).value();
    kiln.advance_to(at(seconds + 600.0));
    let rate = (kiln.zone_temperature(1).value() - from) * 6.0;
    assert!(rate > 150.0, "{rate} °C/h");
    while kiln.hottest().value() < 1300.0 {
        seconds += 60.0;
        kiln.advance_to(RigTime::from_micros((seconds * 1e6) as i64));
        assert!(seconds < 36_000.0, "never gets there: {}", kiln.hottest());
    }
}

/// An empty fibre-lined chamber whose element weighs next to nothing.
fn thin_elements() -> KilnDescription {
    let points = [(200.0, 0.06), (400.0, 0.10), (600.0, 0.15), (800.0, 0.21), (1000.0, 0.29), (1200.0, 0.38)];
    let table = points.map(|(t, k)| (celsius(t), WattsPerMetreKelvin::new(k)));
    let fibre = material(128.0, Conductivity::Table(table.to_vec()), 1000.0);
    let mut description = one_zone(1.1, vec![layer(&fibre, 0.1, 16)], 7200.0);
    let zone = &mut description.zones[0];
    zone.wall_emissivity = 0.8;
    zone.inner_convection = WattsPerSquareMetreKelvin::new(5.0);
    zone.element.heat_capacity = JoulesPerKelvin::new(60.0);
    zone.element.surface = SquareMetres::new(0.2);
    zone.element.emissivity = 0.7;
    description
}

/// How long before a full second its contacts open decides how short the steps are in which it cools at first.
#[rstest]
fn a_thin_element_is_followed_through_every_switching(
    #[values(0.437, 0.81, 0.9095, 0.96, 0.991, 0.9997)] opens: f64,
    #[values(0.137, 0.985)] closes: f64,
) {
    let description = thin_elements();
    let run = |millis| {
        let start = StartState::cold(celsius(20.0));
        let grid = RigSpan::from_millis(millis);
        let mut kiln = Kiln::with_grid(&description, Circuit::elements_only(1), start, grid).expect("a good kiln");
        let mut found = Vec::new();
        for second in 0..1200_u32 {
            // On for some 7 s of every 40 s, off the grid.
            for (in_cycle, fraction, closed) in [(3, closes, true), (10, opens, false)] {
                if second % 40 == in_cycle {
                    kiln.set_relay(at(f64::from(second) + fraction), 0, closed).expect("in order");
                }
            }
            kiln.advance_to(at(f64::from(second + 1)));
            let all = [kiln.zone_temperature(0), kiln.element_temperature(0), kiln.hot_face_temperature(0)];
            found.extend(all.map(|t| t.value()));
        }
        found
    };
    let (usual, fine) = (run(1000), run(5));
    let rise = fine.windows(4).map(|w| (w[3] - w[0]).abs()).fold(0.0, f64::max);
    assert!(rise > 50.0, "the case is harder than that: {rise} °C in a second");
    let error = worst(&usual, &fine);
    assert!(error < 0.1, "{error} °C");
}

//! What the search finds, against closed forms, figures of the trade and laws.

use dryfire_units::{
    JoulesPerKelvin, JoulesPerKilogramKelvin, KilogramsPerCubicMetre, Metres, Seconds, SquareMetres, Volts, Watts,
    WattsPerKelvin, WattsPerMetreKelvin, WattsPerSquareMetreKelvin,
};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use rstest::rstest;

use super::fired::hottest;
use super::*;
use crate::SupplySystem;
use crate::{
    Circuit, Conductivity, Element, Kiln, Layer, Limits, Material, Outside, Probe, SpecificHeat, StartState, Zone,
    ZoneCoupling, three_ring,
};

/// Heat capacity of the shell of [`lump`]: 2 m² × 5 mm × 7992 kg/m³ × 625 J/(kg·K).
const SHELL: f64 = 49_950.0;

/// A thin shell of one material that conducts so well that it is one lump,
/// hardly losing any heat, and an element inside.
fn lump(rated: f64, element_capacity: f64, element_surface: f64) -> KilnDescription {
    KilnDescription {
        name: "lump".to_string(),
        supply: Volts::new(240.0),
        system: SupplySystem::SinglePhase,
        zones: vec![Zone {
            name: "all".to_string(),
            wall_area: SquareMetres::new(2.0),
            wall_emissivity: 0.95,
            layers: vec![Layer {
                material: Material {
                    name: "shell".to_string(),
                    density: KilogramsPerCubicMetre::new(7992.0),
                    conductivity: Conductivity::Linear {
                        at_zero: WattsPerMetreKelvin::new(20.0),
                        slope_per_celsius: 0.0,
                    },
                    specific_heat: SpecificHeat::Linear {
                        at_zero: JoulesPerKilogramKelvin::new(625.0),
                        slope_per_celsius: 0.0,
                    },
                },
                thickness: Metres::new(0.005),
                nodes: 1,
            }],
            element: Element {
                rated: Watts::new(rated),
                rated_at: Volts::new(240.0),
                heat_capacity: JoulesPerKelvin::new(element_capacity),
                surface: SquareMetres::new(element_surface),
                emissivity: 0.95,
                resistance_rise_per_celsius: 0.0,
                ageing: 1.0,
            },
            load: None,
            air_leak: WattsPerKelvin::new(0.0),
            inner_convection: WattsPerSquareMetreKelvin::new(500.0),
            probe: Probe { time_constant: Seconds::new(10.0) },
        }],
        couplings: Vec::<ZoneCoupling>::new(),
        lid: None,
        outside: Outside { convection: WattsPerSquareMetreKelvin::new(0.0), emissivity: 0.05 },
        limits: Limits {
            element: Celsius::new(1400.0),
            brick: Celsius::new(100.0),
            programmed_top: Celsius::new(100.0),
        },
    }
}

fn grid(description: &KilnDescription) -> SafetyGrid {
    SafetyGrid::usual(description, Celsius::new(0.1))
}

/// The usual grid with one state and one failure.
fn one(description: &KilnDescription, load: LoadState, before: Before, failure: Failure) -> SafetyCase {
    let grid = SafetyGrid { loads: vec![load], befores: vec![before], failures: vec![failure], ..grid(description) };
    safety_times(description, &grid).expect("a grid in order").remove(0)
}

fn until(time: SafetyTime) -> (f64, f64) {
    match time {
        SafetyTime::Until { cut_by, reached } => (cut_by.as_seconds(), reached.as_seconds()),
        other => panic!("a time was expected, found {other:?}"),
    }
}

/// From a cold start, at the rated supply.
fn from_cold(description: &KilnDescription) -> SafetyCase {
    let grid = SafetyGrid {
        supply_factor: 1.0,
        befores: vec![Before::Cold],
        model_error: Celsius::new(0.0),
        ..grid(description)
    };
    safety_times(description, &grid).expect("a grid in order").remove(0)
}

/// C·ΔT/P, adiabatic: 11.52 kW into 50 kJ/K raise 60 °C in 260.4 s (computed
/// from dT/dt = P/C = 0.2304 °C/s). The face is hotter than the shell's middle by
/// q·(L/2)/k = 0.72 °C; the loss is below 54 W (0.05·σ·(373⁴ − 313⁴) W/m² · 2 m²
/// = 55 W at the very end).
#[test]
fn one_lump_takes_capacity_times_rise_over_power() {
    let (power, rise) = (11_520.0, 60.0);
    let case = from_cold(&lump(power, 50.0, 10.0));
    let capacity = SHELL + 50.0;
    let (cut_by, reached) = until(case.time(SafetyLimit::Brick));
    let (least, most) = (capacity * (rise - 0.8) / power, capacity * rise / (power - 55.0));
    assert!((least..=most).contains(&cut_by), "{least} {cut_by} {most}");
    assert!((cut_by..=cut_by + 2.0).contains(&reached), "{reached}");
}

/// Two lumps, adiabatic, heated at P: after a cut they meet at the mean, so the
/// latest cut is (C₁ + C₂)·ΔT/P whatever joins them; and the shell lags behind
/// the mean by C₁·δ/(C₁ + C₂) with δ = P·C₂/((C₁ + C₂)·G) (1: element, 2: shell),
/// so without a cut it gets there C₁·δ/P later. Energy balance; no source needed. G is the element's
/// surface in series with the wall's, to the black-body-like chamber between.
#[test]
fn heat_stored_in_the_element_counts() {
    let (power, rise) = (11_520.0, 60.0);
    let element = 10_000.0;
    let case = from_cold(&lump(power, element, 1.0));
    let capacity = SHELL + element;
    let (cut_by, reached) = until(case.time(SafetyLimit::Brick));
    let expected = capacity * rise / power;
    // 55 W of loss out of 11.52 kW, and half the time until the two have met.
    assert!((cut_by - expected).abs() < expected * 0.01, "{cut_by} {expected}");
    // Convection 500 W/(m²·K) at both surfaces, 1 and 2 m², and radiation 4·σ·T³ at
    // 107 °C: ε·A of the element, ε·A/(1 − ε) of the enclosing wall.
    let radiating = 4.0 * 5.67e-8 * 380.0_f64.powi(3);
    let joined = 1.0 / (1.0 / (500.0 + 0.95 * radiating) + 1.0 / (1000.0 + 38.0 * radiating));
    let lag = element * (power * SHELL / (capacity * joined)) / power;
    // The face is ahead of the shell's middle by q·(L/2)/k while it is heated.
    let ahead = power * SHELL / capacity / 2.0 * 0.0025 / 20.0 * capacity / power;
    let expected = lag - ahead;
    assert!((reached - cut_by - expected).abs() < expected * 0.1 + 1.0, "{reached} - {cut_by}, not {expected}");
}

/// The three-ring kiln as one zone: areas, elements and loads together.
fn in_one() -> KilnDescription {
    let mut kiln = three_ring();
    let sum = |of: &dyn Fn(&Zone) -> f64| kiln.zones.iter().map(of).sum::<f64>();
    let mut zone = kiln.zones[0].clone();
    zone.wall_area = SquareMetres::new(sum(&|zone| zone.wall_area.value()));
    zone.element.rated = Watts::new(sum(&|zone| zone.element.rated.value()));
    zone.element.heat_capacity = JoulesPerKelvin::new(sum(&|zone| zone.element.heat_capacity.value()));
    zone.element.surface = SquareMetres::new(sum(&|zone| zone.element.surface.value()));
    zone.air_leak = WattsPerKelvin::new(sum(&|zone| zone.air_leak.value()));
    let mut load = zone.load.clone().expect("ware");
    let of_load =
        |of: &dyn Fn(&crate::Load) -> f64| kiln.zones.iter().filter_map(|zone| zone.load.as_ref()).map(of).sum();
    load.mass = dryfire_units::Kilograms::new(of_load(&|load| load.mass.value()));
    load.surface = SquareMetres::new(of_load(&|load| load.surface.value()));
    zone.load = Some(load);
    (kiln.zones, kiln.couplings, kiln.lid) = (vec![zone], Vec::new(), None);
    kiln
}

/// The same with a wall of 76 mm of the 1260 °C brick.
fn light() -> KilnDescription {
    let mut kiln = in_one();
    let light = kiln.zones[0].layers[1].clone();
    kiln.zones[0].layers = vec![Layer { thickness: Metres::new(0.076), ..light }];
    kiln
}

fn black(celsius: f64) -> f64 {
    5.670_374_419e-8 * (celsius + 273.15).powi(4)
}

/// Flux through a wall whose inside is held, by marching through it in steps of
/// 0.1 mm; the outside loses by convection and radiation (Fourier's law; energy balance).
fn steady_flux(kiln: &KilnDescription, inside: f64) -> f64 {
    let ambient = SafetyGrid::AMBIENT.value();
    let (mut low, mut high) = (0.0, 20_000.0);
    for _ in 0..60 {
        let flux = (low + high) / 2.0;
        let mut t = inside;
        for layer in &kiln.zones[0].layers {
            let steps = (layer.thickness.value() / 1e-4).round() as usize;
            for _ in 0..steps {
                // Below the room's temperature the flux is too large anyway, and laws may end.
                t -= flux * 1e-4 / layer.material.conductivity.at(t.max(ambient));
            }
        }
        let (outside, t) = (&kiln.outside, t.max(ambient));
        let lost = outside.convection.value() * (t - ambient) + outside.emissivity * (black(t) - black(ambient));
        if lost > flux { low = flux } else { high = flux }
    }
    (low + high) / 2.0
}

/// By hand, without the model: how long after a hold the hot face takes to gain
/// so many degrees at full power. Lumps for element and load; the wall as a
/// half-space that starts from its steady profile, whose face rises under a flux
/// q more than before by ∫ dq/dt'·2·√((t − t')/π)/e, e = √(k·ρ·c) (Carslaw and
/// Jaeger, chapter 2: constant flux into a half-space, superposed; from memory).
/// Radiation between grey bodies and their enclosure, as in `docs/kiln-model.md`.
fn by_hand(kiln: &KilnDescription, load: LoadState, gain: f64, supply_factor: f64) -> f64 {
    const STEP: f64 = 0.1;
    let zone = &kiln.zones[0];
    let hold = kiln.limits.programmed_top.value();
    let (area, convection) = (zone.wall_area.value(), zone.inner_convection.value());
    let inner = &zone.layers[0].material;
    // Properties in the middle of the rise.
    let middle = hold + gain / 2.0;
    let effusivity = (inner.conductivity.at(middle) * inner.density.value() * inner.specific_heat.at(middle)).sqrt();
    let before = steady_flux(kiln, hold);
    let element = &zone.element;
    let surface = element.surface.value();
    let given = |element: f64, chamber: f64, emissivity: f64, surface: f64| {
        surface * (emissivity * (black(element) - black(chamber)) + convection * (element - chamber))
    };
    let leak = zone.air_leak.value();
    // Wall to chamber: the grey enclosure.
    let wall = |chamber: f64, face: f64| {
        let shape = zone.wall_emissivity / (1.0 - zone.wall_emissivity);
        shape * (black(chamber) - black(face)) + convection * (chamber - face)
    };
    let root = |holds: &dyn Fn(f64) -> bool, mut low: f64, mut high: f64| {
        for _ in 0..60 {
            let middle = (low + high) / 2.0;
            if holds(middle) { low = middle } else { high = middle }
        }
        (low + high) / 2.0
    };
    // The chamber is held; the face and the element are where that flux takes them.
    let face = root(&|face| wall(hold, face) > before, hold - 200.0, hold);
    let needed = area * before + leak * (hold - SafetyGrid::AMBIENT.value());
    let mut element_now = root(&|t| given(t, hold, element.emissivity, surface) < needed, hold, hold + 800.0);
    let mut load_now = hold;
    let mut extra: Vec<f64> = Vec::new();
    let (mut rise, mut face_flux) = (0.0, before);
    // The limit is about the hot face; the hold's is below the chamber's.
    let wanted = hold + gain - face;
    while rise < wanted {
        assert!(extra.len() < 20_000, "it never gets there");
        // The chamber is as far above the face as the flux of the step before makes it.
        let chamber = root(&|t| wall(t, face + rise) < face_flux, face + rise - 50.0, face + rise + 200.0);
        let resistance = 1.0 + element.resistance_rise_per_celsius * (element_now - 20.0);
        let power = element.rated.value() * supply_factor * supply_factor / resistance;
        let from_element = given(element_now, chamber, element.emissivity, surface);
        element_now += STEP * (power - from_element) / element.heat_capacity.value();
        let mut into_wall = from_element - leak * (chamber - SafetyGrid::AMBIENT.value());
        if let (LoadState::Full, Some(load)) = (load, &zone.load) {
            let taken = -given(load_now, chamber, load.emissivity, load.surface.value());
            load_now += STEP * taken / (load.mass.value() * load.specific_heat.at(load_now));
            into_wall -= taken;
        }
        face_flux = into_wall / area;
        extra.push(face_flux - before);
        let steps = extra.len();
        rise = extra
            .iter()
            .enumerate()
            .map(|(step, flux)| {
                let (since, until) = ((steps - step) as f64 * STEP, (steps - step - 1) as f64 * STEP);
                flux * 2.0 / (effusivity * std::f64::consts::PI.sqrt()) * (since.sqrt() - until.sqrt())
            })
            .sum();
    }
    extra.len() as f64 * STEP
}

/// The search against the calculation by hand. What that leaves out: the change
/// of k·ρ·c on the way (0.1 W/(m·K) + 10⁻⁴·T: 1.3 % over 60 °C to both sides of
/// the middle, so 1.3 % of the time), what lies behind the first layer (heat is
/// √(α·t) deep: 7 mm after 100 s, of 25 mm; for the full kiln after minutes 15 mm,
/// of whose share in the heat, a third, it changes a tenth at most: 3 %), the
/// cells of 2 mm, with which times are 2 % short (`CELLS_PER_LAYER`), the model's
/// error of 0.1 °C and what the hold is short (0.02 °C) that are taken off the
/// limit (1 % of 20 °C more), the second up to which `reached` is rounded and half
/// a step of the hand's. So 5 % and 1.1 s; 8 % for the full kiln.
#[rstest]
#[case::light_brick(light(), LoadState::Empty, 20.0, 0.05)]
#[case::light_brick(light(), LoadState::Empty, 60.0, 0.05)]
#[case::three_ring(in_one(), LoadState::Empty, 20.0, 0.05)]
#[case::three_ring(in_one(), LoadState::Empty, 60.0, 0.05)]
#[case::three_ring(in_one(), LoadState::Full, 20.0, 0.08)]
#[case::three_ring(in_one(), LoadState::Full, 60.0, 0.08)]
fn the_rise_after_a_hold_takes_as_long_as_by_hand(
    #[case] mut kiln: KilnDescription,
    #[case] load: LoadState,
    #[case] gain: f64,
    #[case] tolerance: f64,
) {
    kiln.limits.programmed_top = Celsius::new(1260.0);
    kiln.limits.brick = Celsius::new(1260.0 + gain);
    let case = one(&kiln, load, Before::Hold, Failure::all(1));
    let (_, reached) = until(case.time(SafetyLimit::Brick));
    let by_hand = by_hand(&kiln, load, gain, SafetyGrid::SUPPLY_FACTOR);
    assert!((reached - by_hand).abs() < tolerance * by_hand + 1.1, "{reached} s, {by_hand} s by hand");
}

/// The figure of the trade (an empty kiln of this size in a hold gains 20 °C in
/// about 12 s and 60 °C in about 46 s at full power; common practice, no source)
/// does not say how much its elements hold, and that is what decides in the first
/// seconds. By hand, at the rated supply, it lies between elements of next to
/// nothing and the three-ring kiln's 2.4 kJ/K.
#[rstest]
#[case(20.0, 12.0)]
#[case(60.0, 46.0)]
fn the_figure_of_the_trade_lies_between_light_and_heavy_elements(#[case] gain: f64, #[case] seconds: f64) {
    let mut kiln = light();
    kiln.limits.programmed_top = Celsius::new(1260.0);
    // What the figure was computed for: 2.1 m² of that wall, 11.52 kW, nothing else lost.
    let zone = &mut kiln.zones[0];
    (zone.wall_area, zone.air_leak) = (SquareMetres::new(2.1), WattsPerKelvin::new(0.0));
    (zone.element.rated, zone.element.resistance_rise_per_celsius) = (Watts::new(11_520.0), 0.0);
    let heavy = by_hand(&kiln, LoadState::Empty, gain, 1.0);
    kiln.zones[0].element.heat_capacity = JoulesPerKelvin::new(60.0);
    let light = by_hand(&kiln, LoadState::Empty, gain, 1.0);
    assert!(light < seconds && seconds < heavy, "{light} s, {heavy} s");
}

/// One heat capacity for the whole kiln would say minutes: 60 °C at 11.5 kW into
/// the 2.4 kJ/K of the elements, the 42 kJ/K of the ware and the wall's share,
/// which alone is 50 kJ/K for the inner half (computed). The full kiln takes that
/// long, the empty one does not, in three rings as in one.
#[test]
fn an_empty_kiln_gains_in_seconds_what_takes_a_full_one_minutes() {
    let mut kiln = three_ring();
    kiln.limits.brick = Celsius::new(kiln.limits.programmed_top.value() + 60.0);
    let reached = |load| until(one(&kiln, load, Before::Hold, Failure::all(3)).time(SafetyLimit::Brick)).1;
    let adiabatic_ware = 60.0 * 38.0 * 1100.0 / (11_500.0 * 1.21);
    assert!(reached(LoadState::Full) > adiabatic_ware, "the ware alone takes {adiabatic_ware} s");
    assert!(reached(LoadState::Empty) < adiabatic_ware);
}

#[test]
fn the_empty_kiln_after_an_endless_hold_is_the_worst_and_all_zones_are_worse_than_one() {
    let kiln = three_ring();
    let cases = safety_times(&kiln, &grid(&kiln)).expect("a grid in order");
    assert_eq!(cases.len(), 2 * 3 * 4);
    for limit in SafetyLimit::ALL {
        let worst = cases.iter().min_by_key(|case| case.time(limit)).expect("cases");
        assert_eq!(worst.load, LoadState::Empty);
        assert_ne!(worst.before, Before::FullPowerRamp);
    }
    for case in &cases {
        let all = cases
            .iter()
            .find(|other| (other.load, other.before) == (case.load, case.before) && other.failure.zones().len() == 3)
            .expect("all zones are in the grid");
        for limit in SafetyLimit::ALL {
            assert!(all.time(limit) <= case.time(limit), "{all:?} {case:?}");
        }
    }
}

#[test]
fn a_limit_at_the_set_point_leaves_no_margin() {
    let case = one(&three_ring(), LoadState::Empty, Before::Hold, Failure::all(3));
    assert_eq!(case.time(SafetyLimit::Programmed), SafetyTime::NoMargin);
    assert_eq!(case.time(SafetyLimit::Programmed).cut_by(), Some(RigSpan::ZERO));
    assert_eq!(case.first(&SafetyLimit::ALL), Some((SafetyLimit::Programmed, SafetyTime::NoMargin)));
    assert_eq!(case.first(&[]), None);
}

#[test]
fn a_margin_within_the_model_s_error_is_none() {
    let mut kiln = three_ring();
    kiln.limits.programmed_top = Celsius::new(1300.5);
    let time = |model_error: f64| {
        let grid = SafetyGrid {
            set_point: Celsius::new(1300.0),
            befores: vec![Before::Hold],
            ..SafetyGrid::usual(&kiln, Celsius::new(model_error))
        };
        safety_times(&kiln, &grid).expect("a grid in order").remove(0).time(SafetyLimit::Programmed)
    };
    assert_eq!(time(1.0), SafetyTime::NoMargin);
    assert!(matches!(time(0.1), SafetyTime::Until { .. }));
}

#[test]
fn a_kiln_too_weak_for_its_limits_is_said_not_to_reach_them() {
    let mut kiln = three_ring();
    for zone in &mut kiln.zones {
        zone.element.rated = Watts::new(300.0);
    }
    let grid = SafetyGrid { horizon: RigSpan::from_seconds(3600), ..grid(&kiln) };
    let cases = safety_times(&kiln, &grid).expect("a grid in order");
    for case in cases.iter().filter(|case| case.before == Before::FullPowerRamp) {
        assert!(case.chamber.value() < 1000.0, "{case:?}");
        assert_eq!(case.times, [SafetyTime::NotReached; 3]);
        assert_eq!(case.times[0].cut_by(), None);
    }
}

/// The same cut on a grid ten times finer: the peak stays below the limit and comes near it.
#[rstest]
#[case(LoadState::Empty)]
#[case(LoadState::Full)]
fn the_latest_cut_holds_on_a_finer_grid_too(#[case] load: LoadState) {
    let mut kiln = three_ring();
    kiln.limits.brick = Celsius::new(600.0);
    let case = one(&kiln, load, Before::Cold, Failure::all(3));
    let SafetyTime::Until { cut_by, .. } = case.time(SafetyLimit::Brick) else { panic!("{case:?}") };
    let worst = worst_of(&kiln, load);
    let start = StartState::cold(SafetyGrid::AMBIENT);
    let fine = RigSpan::from_millis(100);
    let mut fired = Kiln::with_grid(&worst, Circuit::elements_only(3), start, fine).expect("a kiln in order");
    fired.set_supply_volts(RigTime::ZERO, Volts::new(264.0)).expect("a supply in order");
    for zone in 0..3 {
        fired.set_relay(RigTime::ZERO, zone, true).expect("a relay that there is");
    }
    let cut = RigTime::ZERO + cut_by;
    for zone in 0..3 {
        fired.set_relay(cut, zone, false).expect("a relay that there is");
    }
    let mut peak = f64::NEG_INFINITY;
    for step in 0..6000 {
        fired.advance_to(cut + fine.times(step));
        peak = peak.max(hottest((0..3).map(|zone| fired.hot_face_temperature(zone))));
    }
    assert!(peak <= 600.0 && peak > 599.0, "{peak}");
}

#[test]
fn readings_are_told_in_the_order_of_the_rises() {
    let kiln = three_ring();
    let grid = SafetyGrid {
        befores: vec![Before::Hold],
        failures: vec![Failure::all(3)],
        reading_rises: vec![Celsius::new(20.0), Celsius::new(50.0), Celsius::new(900.0)],
        horizon: RigSpan::from_seconds(1200),
        ..grid(&kiln)
    };
    for case in safety_times(&kiln, &grid).expect("a grid in order") {
        assert!(case.readings[0].expect("reached") < case.readings[1].expect("reached"), "{case:?}");
        assert_eq!(case.readings[2], None);
    }
}

#[rstest]
#[case(SafetyGrid { set_point: Celsius::new(1401.0), ..grid(&three_ring()) }, "set-point")]
#[case(SafetyGrid { set_point: Celsius::new(f64::NAN), ..grid(&three_ring()) }, "set-point")]
#[case(SafetyGrid { set_point: Celsius::new(20.0), ..grid(&three_ring()) }, "set-point")]
#[case(SafetyGrid { ambient: Celsius::new(-80.0), ..grid(&three_ring()) }, "ambient")]
#[case(SafetyGrid { supply_factor: 2.0, ..grid(&three_ring()) }, "supply factor")]
#[case(SafetyGrid { supply_factor: f64::NAN, ..grid(&three_ring()) }, "supply factor")]
#[case(SafetyGrid { model_error: Celsius::new(-1.0), ..grid(&three_ring()) }, "model's error")]
#[case(SafetyGrid { horizon: RigSpan::ZERO, ..grid(&three_ring()) }, "horizon")]
#[case(SafetyGrid { horizon: RigSpan::MAX, ..grid(&three_ring()) }, "horizon")]
#[case(SafetyGrid { cycle_time: RigSpan::from_millis(-1), ..grid(&three_ring()) }, "cycle time")]
#[case(SafetyGrid { failures: vec![Failure::of([])], ..grid(&three_ring()) }, "at least one zone")]
#[case(SafetyGrid { failures: vec![Failure::of([0, 3])], ..grid(&three_ring()) }, "zone 4")]
fn a_grid_out_of_order_is_refused(#[case] grid: SafetyGrid, #[case] word: &str) {
    let error = safety_times(&three_ring(), &grid).expect_err("a refusal");
    assert!(error.to_string().contains(word), "{error}");
}

#[test]
fn a_kiln_out_of_order_is_refused() {
    let mut kiln = three_ring();
    kiln.zones[1].element.rated = Watts::new(-5.0);
    let error = safety_times(&kiln, &grid(&kiln)).expect_err("a refusal");
    assert!(matches!(error, SafetyError::Kiln(KilnError::Description(_))), "{error}");
}

/// The peak of every level after a cut at an instant, over two hours.
fn peaks(description: &KilnDescription, cut: RigSpan) -> [f64; 3] {
    let grid = grid(description);
    let mut fired = Fired::before_failure(description, &grid, Before::Hold).expect("a kiln in order");
    let end = fired.kiln.sample_time() + cut;
    let left_on: Vec<usize> = (0..description.zones.len()).collect();
    let mut peaks = [f64::NEG_INFINITY; 3];
    let mut note = |fired: &Fired| {
        for (peak, limit) in peaks.iter_mut().zip(SafetyLimit::ALL) {
            *peak = peak.max(fired.level(limit));
        }
    };
    while end - fired.kiln.sample_time() >= SECOND {
        fired.second(&left_on).expect("a kiln in order");
        note(&fired);
    }
    fired.command(&left_on).expect("a kiln in order");
    fired.cut(end).expect("a kiln in order");
    for _ in 0..3600 {
        note(&fired);
        fired.kiln.advance_to(fired.kiln.sample_time() + SECOND);
    }
    peaks
}

fn load_state() -> impl Strategy<Value = LoadState> {
    prop_oneof![Just(LoadState::Empty), Just(LoadState::Full)]
}

fn before() -> impl Strategy<Value = Before> {
    prop_oneof![Just(Before::Hold), Just(Before::EndOfOnPhase), Just(Before::FullPowerRamp), Just(Before::Cold)]
}

proptest! {
    #![proptest_config(ProptestConfig {
        failure_persistence: None,
        rng_seed: RngSeed::Fixed(20_261_125),
        cases: 24,
        ..ProptestConfig::default()
    })]

    #[test]
    fn a_higher_limit_never_leaves_less_time(
        load in load_state(), before in before(), low in 1301.0..1380.0_f64, more in 0.0..60.0_f64,
    ) {
        let time = |brick: f64| {
            let mut kiln = three_ring();
            kiln.limits.brick = Celsius::new(brick);
            one(&kiln, load, before, Failure::all(3)).time(SafetyLimit::Brick)
        };
        prop_assert!(time(low) <= time(low + more));
    }

    #[test]
    fn more_power_never_leaves_more_time(
        load in load_state(), low in 0.9..1.3_f64, more in 0.0..0.2_f64,
    ) {
        // From a soaked hold; a ramp at more power also arrives sooner, at a wall that takes up more.
        let kiln = three_ring();
        let times = |supply_factor: f64| {
            let grid = SafetyGrid {
                supply_factor, loads: vec![load], befores: vec![Before::Hold], failures: vec![Failure::all(3)],
                ..grid(&kiln)
            };
            safety_times(&kiln, &grid).expect("a grid in order").remove(0)
        };
        let (weak, strong) = (times(low), times(low + more));
        for limit in SafetyLimit::ALL {
            prop_assert!(strong.time(limit) <= weak.time(limit), "{weak:?} {strong:?}");
        }
    }

    #[test]
    fn an_earlier_cut_never_peaks_higher(early in 0..600_000_i64, later in 0..600_000_i64) {
        let kiln = worst_of(&three_ring(), LoadState::Empty);
        let first = peaks(&kiln, RigSpan::from_millis(early));
        let second = peaks(&kiln, RigSpan::from_millis(early + later));
        for (first, second) in first.into_iter().zip(second) {
            prop_assert!(first <= second + 1e-6, "{first} {second}");
        }
    }

    #[test]
    fn a_cut_in_time_is_never_later_than_the_limit(load in load_state(), before in before(), brick in 1302.0..1400.0_f64) {
        let mut kiln = three_ring();
        kiln.limits.brick = Celsius::new(brick);
        let case = one(&kiln, load, before, Failure::all(3));
        for time in case.times {
            if let SafetyTime::Until { cut_by, reached } = time {
                prop_assert!(cut_by <= reached && cut_by >= RigSpan::ZERO);
            }
        }
    }
}

//! The model against closed forms of heat transfer.
//!
//! Numbers: computed from the closed form named at each test with Python and
//! scipy. The forms and the book chapters are from memory (Incropera and
//! others, *Fundamentals of Heat and Mass Transfer*; Carslaw and Jaeger,
//! *Conduction of Heat in Solids*); the books were not seen.

mod common;

use common::*;
use dryfire_kiln::{Conductivity, Lid, StartProfile, StartState};
use dryfire_units::{JoulesPerKelvin, SquareMetres, WattsPerKelvin, WattsPerMetreKelvin, WattsPerSquareMetreKelvin};
use rstest::rstest;

/// Incropera ch. 5, lumped capacitance: C = 20 000 J/K, UA = 10 W/K, P = 3000 W, from and over 20 °C.
#[test]
fn a_lump_follows_its_exponential() {
    let (area, layers) = almost_no_wall();
    let mut description = one_zone(area, layers, 3000.0);
    let zone = &mut description.zones[0];
    zone.air_leak = WattsPerKelvin::new(10.0);
    zone.element.surface = SquareMetres::new(50.0);
    // All but lumped with its chamber: 50 m² and 500 W/(m²·K) against 10 W/K.
    zone.inner_convection = WattsPerSquareMetreKelvin::new(500.0);
    zone.load = Some(load(20.0, 1000.0, 50.0, 0.9));
    let mut kiln = kiln(&description, StartState::cold(celsius(20.0)));
    all_on(&mut kiln);
    for (seconds, expected) in [(1000.0, 138.0408), (2000.0, 209.6362), (4000.0, 279.3994), (10_000.0, 317.9786)] {
        kiln.advance_to(at(seconds));
        let found = kiln.load_temperature(0).expect("a load").value();
        assert!((found - expected).abs() < 0.25, "after {seconds} s: {found} for {expected} °C");
    }
}

/// P/C: 11.52 kW into 50 kJ/K is 0.2304 °C/s or 829 °C/h.
#[test]
fn without_losses_power_over_capacity_is_the_rate() {
    let (area, layers) = almost_no_wall();
    let mut description = one_zone(area, layers, 11_520.0);
    description.zones[0].load = Some(load(50.0, 999.8, 50.0, 0.9));
    let mut kiln = kiln(&description, StartState::cold(celsius(20.0)));
    all_on(&mut kiln);
    kiln.advance_to(at(600.0));
    let before = kiln.load_temperature(0).expect("a load").value();
    kiln.advance_to(at(1600.0));
    let rate = (kiln.load_temperature(0).expect("a load").value() - before) / 1000.0;
    assert!((rate - 0.2304).abs() < 1e-4, "{rate} °C/s");
}

/// First-order sensor on a ramp: lag r·τ in the end, r·τ·(1 − 1/e) after one τ.
/// 150 °C/h and 120 s: 5.000 °C and 3.1606 °C.
#[test]
fn a_probe_lags_a_ramp_by_rate_times_time_constant() {
    let (area, layers) = almost_no_wall();
    let mut description = one_zone(area, layers, 1000.0);
    let zone = &mut description.zones[0];
    zone.inner_convection = WattsPerSquareMetreKelvin::new(500.0);
    zone.element.surface = SquareMetres::new(50.0);
    zone.load = Some(load(23.99, 1000.0, 50.0, 0.9));
    zone.probe.time_constant = dryfire_units::Seconds::new(120.0);
    let mut kiln = kiln(&description, StartState::cold(celsius(20.0)));
    all_on(&mut kiln);
    for (seconds, expected) in [(120.0, 3.1606), (3000.0, 5.0)] {
        kiln.advance_to(at(seconds));
        let lag = kiln.zone_temperature(0).value() - kiln.probe_temperature(0).value();
        assert!((lag - expected).abs() < 0.05, "after {seconds} s: {lag} °C");
        let slope = kiln.probe_slope(0).per_hour().value();
        assert!((slope - 30.0 * lag).abs() < 1e-6, "{slope} °C/h");
    }
    assert!((kiln.probe_slope(0).per_hour().value() - 150.0).abs() < 0.1);
}

fn line(at_zero: f64, slope: f64) -> Conductivity {
    Conductivity::Linear { at_zero: WattsPerMetreKelvin::new(at_zero), slope_per_celsius: slope }
}

/// Incropera ch. 3, steady plane wall, hot face held, outside convection and
/// radiation to 20 °C: k·(Th − Ts)/L = h·(Ts − Ta) + ε·σ·(Ts⁴ − Ta⁴), conduction
/// integrated over temperature (Kirchhoff) where k varies.
#[rstest]
#[case(1000.0, 0.115, line(0.25, 0.0), 5.0, 147.2671, 1853.7672)]
#[case(1200.0, 0.115, line(0.30, 0.0), 5.0, 183.2029, 2652.5141)]
#[case(600.0, 0.0635, line(0.20, 0.0), 5.0, 128.0919, 1486.3248)]
#[case(1000.0, 0.0635, line(0.25, 0.0), 5.0, 202.2399, 3140.7878)]
#[case(1000.0, 0.115, line(0.10, 1.5e-4), 5.0, 123.5296, 1404.3702)]
#[case(600.0, 0.064, line(0.10, 1e-4), 6.0, 97.92, 1058.3)]
#[case(600.0, 0.076, line(0.10, 1e-4), 6.0, 88.36, 904.9)]
#[case(600.0, 0.115, line(0.10, 1e-4), 6.0, 68.98, 616.2)]
#[case(1000.0, 0.064, line(0.10, 1e-4), 6.0, 152.24, 2087.8)]
#[case(1000.0, 0.076, line(0.10, 1e-4), 6.0, 137.54, 1780.3)]
#[case(1000.0, 0.115, line(0.10, 1e-4), 6.0, 106.75, 1206.6)]
#[case(1200.0, 0.064, line(0.10, 1e-4), 6.0, 178.45, 2696.3)]
#[case(1200.0, 0.076, line(0.10, 1e-4), 6.0, 161.63, 2296.5)]
#[case(1200.0, 0.115, line(0.10, 1e-4), 6.0, 125.93, 1553.2)]
#[case(1260.0, 0.064, line(0.10, 1e-4), 6.0, 186.15, 2891.1)]
#[case(1260.0, 0.076, line(0.10, 1e-4), 6.0, 168.75, 2461.6)]
#[case(1260.0, 0.115, line(0.10, 1e-4), 6.0, 131.68, 1663.9)]
fn a_steady_wall_loses_what_the_closed_form_says_and_stays_steady(
    #[case] inside: f64,
    #[case] thickness: f64,
    #[case] conductivity: Conductivity,
    #[case] convection: f64,
    #[case] outer_face: f64,
    #[case] flux: f64,
) {
    let wall = material(490.0, conductivity, 1000.0);
    // An element that gives just this flux keeps the wall where it is.
    let mut description = one_zone(1.0, vec![layer(&wall, thickness, 10)], flux);
    description.outside.convection = WattsPerSquareMetreKelvin::new(convection);
    let mut kiln = kiln(&description, StartState::soaked(celsius(20.0), celsius(inside)));
    assert!((kiln.hot_face_temperature(0).value() - inside).abs() < 0.02, "{}", kiln.hot_face_temperature(0));
    all_on(&mut kiln);
    for hours in [0.0, 2.0] {
        let from = kiln.lost_energy().value();
        kiln.advance_to(at(hours * 3600.0 + 100.0));
        let lost = (kiln.lost_energy().value() - from) / (if hours == 0.0 { 100.0 } else { 7200.0 });
        assert!((lost - flux).abs() < flux * 2e-4, "{lost} for {flux} W/m²");
        let found = kiln.outer_face_temperature(0).value();
        assert!((found - outer_face).abs() < 0.02, "{found} for {outer_face} °C");
        let face = kiln.hot_face_temperature(0).value();
        assert!((face - inside).abs() < 0.1, "{face} for {inside} °C after {hours} h");
    }
}

/// A wall of thickness L, insulated inside, convective outside: half of the slab
/// of Incropera ch. 5.5 (Heisler); full 200-term series for θ = (T − T∞)/(Ti − T∞).
#[rstest]
#[case(0.1, 12, [(0.05, 0.999973, 0.975260), (0.2, 0.993999, 0.951420), (0.5, 0.967981, 0.921779), (1.0, 0.922389, 0.878126)])]
#[case(1.0, 36, [(0.05, 0.999751, 0.790377), (0.2, 0.950642, 0.643391), (0.5, 0.772526, 0.504522), (1.0, 0.533859, 0.348177)])]
#[case(10.0, 60, [(0.05, 0.998530, 0.232326), (0.2, 0.829255, 0.122482), (0.5, 0.454641, 0.064329), (1.0, 0.163818, 0.023172)])]
fn a_slab_cools_as_the_series_says(#[case] biot: f64, #[case] nodes: usize, #[case] expected: [(f64, f64, f64); 4]) {
    // The least emissivity still radiates; over 2 °C that is as good as linear and counts towards h.
    let (ambient, excess, thickness) = (20.0_f64, 2.0, 0.1);
    let radiative = 4.0 * 0.05 * 5.670_374_419e-8 * (ambient + 1.0 + 273.15).powi(3);
    let coefficient = 10.0 + radiative;
    let k = coefficient * thickness / biot;
    let wall = material(1000.0, constant_conductivity(k), 1000.0);
    let mut description = one_zone(1.0, vec![layer(&wall, thickness, nodes)], 1.0);
    description.outside.convection = WattsPerSquareMetreKelvin::new(10.0);
    description.outside.emissivity = 0.05;
    let start =
        StartState { ambient: celsius(ambient), kiln: celsius(ambient + excess), profile: StartProfile::Uniform };
    let mut kiln = kiln(&description, start);
    let diffusivity = k / 1e6;
    for (fourier, centre, face) in expected {
        kiln.advance_to(at(fourier * thickness * thickness / diffusivity));
        let theta = |t: dryfire_units::Celsius| (t.value() - ambient) / excess;
        let (found_centre, found_face) = (theta(kiln.hot_face_temperature(0)), theta(kiln.outer_face_temperature(0)));
        assert!((found_centre - centre).abs() < 0.002, "Bi {biot}, Fo {fourier}: centre {found_centre} for {centre}");
        assert!((found_face - face).abs() < 0.002, "Bi {biot}, Fo {fourier}: face {found_face} for {face}");
    }
}

/// Carslaw and Jaeger ch. 2, semi-infinite solid under constant flux of
/// 5000 W/m²: rise of the face 2·q/k·√(α·t/π), for k = 0.25, ρ = 600, c = 1050.
#[test]
fn a_thick_wall_under_constant_flux_warms_with_the_root_of_time() {
    let wall = material(600.0, constant_conductivity(0.25), 1050.0);
    let layers = vec![layer(&wall, 0.048, 30), layer(&wall, 0.302, 60)];
    let description = one_zone(1.0, layers, 5000.0);
    let mut kiln = kiln(&description, StartState::cold(celsius(20.0)));
    all_on(&mut kiln);
    for (seconds, rise, tolerance) in [(60.0, 110.1185, 0.015), (600.0, 348.2254, 0.003), (3600.0, 852.9745, 0.002)] {
        kiln.advance_to(at(seconds));
        let found = kiln.hot_face_temperature(0).value() - 20.0;
        assert!((found / rise - 1.0).abs() < tolerance, "after {seconds} s: {found} for {rise} °C");
    }
}

/// Carslaw and Jaeger ch. 2, semi-infinite solid, convection with h = 50:
/// (T − Ti)/(T∞ − Ti), from values printed for Ti = 20 °C, T∞ = 1000 °C; the
/// model's outer face cools instead of warming, which is the same by linearity.
#[rstest]
#[case(600.0, 829.0524, None)]
#[case(3600.0, 927.4813, Some(648.7495))]
fn a_thick_wall_cools_by_convection_as_the_error_function_says(
    #[case] seconds: f64,
    #[case] face_warmed: f64,
    #[case] at_20_mm: Option<f64>,
) {
    let (ambient, excess) = (20.0_f64, 2.0);
    let radiative = 4.0 * 0.05 * 5.670_374_419e-8 * (ambient + 1.0 + 273.15).powi(3);
    let wall = material(600.0, constant_conductivity(0.25), 1050.0);
    // Cells of 2 mm where it matters; the eleventh from outside is centred at 21 mm, the tenth at 19 mm.
    let layers = vec![layer(&wall, 0.30, 60), layer(&wall, 0.06, 30)];
    let mut description = one_zone(1.0, layers, 1.0);
    description.outside.convection = WattsPerSquareMetreKelvin::new(50.0 - radiative);
    description.outside.emissivity = 0.05;
    let start =
        StartState { ambient: celsius(ambient), kiln: celsius(ambient + excess), profile: StartProfile::Uniform };
    let mut kiln = kiln(&description, start);
    kiln.advance_to(at(seconds));
    let cooled = |t: f64| (ambient + excess - t) / excess;
    let warmed = |t: f64| (t - 20.0) / 980.0;
    let face = cooled(kiln.outer_face_temperature(0).value());
    assert!((face - warmed(face_warmed)).abs() < 0.002, "{face} for {}", warmed(face_warmed));
    if let Some(expected) = at_20_mm {
        let cells: Vec<f64> = kiln.wall_temperatures(0).map(|t| t.value()).collect();
        let found = cooled((cells[cells.len() - 10] + cells[cells.len() - 11]) / 2.0);
        assert!((found - warmed(expected)).abs() < 0.002, "{found} for {}", warmed(expected));
    }
}

fn sigma_t4(celsius: f64) -> f64 {
    5.670_374_419e-8 * (celsius + 273.15).powi(4)
}

/// Incropera ch. 13, two grey surfaces that see only each other:
/// q = σ·(T1⁴ − T2⁴)/(1/ε1 + 1/ε2 − 1); 1000 °C to 800 °C, both 0.8: 49 183.027 W/m².
#[test]
fn parallel_plates_exchange_by_their_emissivities() {
    let exchange = |hot: f64, cold: f64| (sigma_t4(hot) - sigma_t4(cold)) / (1.0 / 0.8 + 1.0 / 0.8 - 1.0);
    assert!((exchange(1000.0, 800.0) - 49_183.027).abs() < 0.001);
    let wall = material(490.0, line(0.10, 1e-4), 1000.0);
    let mut description = one_zone(1.0, vec![layer(&wall, 0.1, 10)], 3000.0);
    let zone = &mut description.zones[0];
    zone.wall_emissivity = 0.8;
    zone.element.emissivity = 0.8;
    let mut kiln = kiln(&description, StartState::cold(celsius(20.0)));
    all_on(&mut kiln);
    kiln.advance_to(at(36_000.0));
    let before = kiln.element_temperature(0).value();
    kiln.advance_to(at(36_010.0));
    let (element, face) = (kiln.element_temperature(0).value(), kiln.hot_face_temperature(0).value());
    let rate = (element - before) / 10.0;
    let given = 3000.0 - 10.0 * rate;
    // 10 J/K under 1 m²: so stiff an element stands where the middle of the step leaves it.
    let element = element + 0.5 * rate;
    assert!((exchange(element, face) / given - 1.0).abs() < 2e-4, "{} for {given} W/m²", exchange(element, face));
}

/// Incropera ch. 13, small grey body in a large enclosure: q = ε·σ·(T1⁴ − T2⁴);
/// 0.9, 1000 °C to 900 °C: 37 417.822 W/m². Here the element is the small body.
#[test]
fn a_small_body_radiates_by_its_own_emissivity() {
    let exchange = |hot: f64, cold: f64| 0.9 * (sigma_t4(hot) - sigma_t4(cold));
    assert!((exchange(1000.0, 900.0) - 37_417.822).abs() < 0.001);
    let wall = material(490.0, line(0.10, 1e-4), 1000.0);
    let mut description = one_zone(2.0, vec![layer(&wall, 0.1, 10)], 5000.0);
    let zone = &mut description.zones[0];
    zone.element.emissivity = 0.9;
    zone.element.surface = SquareMetres::new(0.1);
    let mut kiln = kiln(&description, StartState::cold(celsius(20.0)));
    all_on(&mut kiln);
    kiln.advance_to(at(18_000.0));
    let (element, face) = (kiln.element_temperature(0).value(), kiln.hot_face_temperature(0).value());
    let given = 5000.0 / 0.1;
    assert!((exchange(element, face) / given - 1.0).abs() < 1e-3, "{} for {given} W/m²", exchange(element, face));
}

/// Lumped body radiating to surroundings at 293.15 K: ε 0.9, A 0.1 m²,
/// C 5000 J/K, from 1273.15 K. Times by the closed form with ln and arctan
/// (form read in a search copy of Bejan and Kraus, *Heat Transfer Handbook*, eq. 3.283).
#[rstest]
#[case(169.1769, 1000.0)]
#[case(484.3996, 800.0)]
#[case(2597.4326, 500.0)]
fn a_hot_body_radiates_away_in_the_known_time(#[case] seconds: f64, #[case] kelvin: f64) {
    let (area, layers) = almost_no_wall();
    let mut description = one_zone(area, layers, 1.0);
    let zone = &mut description.zones[0];
    zone.wall_emissivity = 0.05;
    zone.element.surface = SquareMetres::new(0.0001);
    zone.element.heat_capacity = JoulesPerKelvin::new(10.0);
    zone.load = Some(load(5.0, 1000.0, 0.1, 0.9));
    // A black opening 550 times as wide as the body's ε·A: the chamber is as good as the surroundings.
    description.lid = Some(Lid { zone: 0, open_area: SquareMetres::new(50.0), open_loss: WattsPerKelvin::new(0.0) });
    let start = StartState { ambient: celsius(20.0), kiln: celsius(1000.0), profile: StartProfile::Uniform };
    let mut kiln = kiln(&description, start);
    kiln.set_lid(at(0.0), true).expect("it has a lid");
    stop_exactly(&mut kiln, seconds);
    let found = kiln.load_temperature(0).expect("a load").value() + 273.15;
    assert!((found - kelvin).abs() < 1.5, "{found} for {kelvin} K");
}

//! More of the model against closed forms: what a slab comes to in the end, a
//! face that is held, an opening that radiates like a black body.
//!
//! Numbers: computed from the closed form named at each test with Python and
//! scipy. The forms and the book chapters are from memory (Incropera and
//! others, *Fundamentals of Heat and Mass Transfer*; Carslaw and Jaeger,
//! *Conduction of Heat in Solids*); the books were not seen.
//!
//! Cylinder and sphere are not here: the model's walls are plane. Neither is a
//! body that radiates to 0 K: no kiln file can stand in such a room.

mod common;

use common::*;
use dryfire_kiln::{Kiln, KilnDescription, Layer, Lid, StartProfile, StartState};
use dryfire_units::{SquareMetres, WattsPerKelvin, WattsPerSquareMetreKelvin};
use rstest::rstest;

const AMBIENT: f64 = 20.0;
const EXCESS: f64 = 2.0;
const SIGMA: f64 = 5.670_374_419e-8;

/// A wall without heat, 2 °C above ambient throughout, that cools through its outer
/// face with one coefficient. The least emissivity still radiates; over 2 °C that is
/// as good as linear and counts towards it.
fn cooling(layers: Vec<Layer>, coefficient: f64) -> Kiln {
    let radiative = 4.0 * 0.05 * SIGMA * (AMBIENT + EXCESS / 2.0 + 273.15).powi(3);
    let mut description = one_zone(1.0, layers, 1.0);
    description.outside.convection = WattsPerSquareMetreKelvin::new(coefficient - radiative);
    description.outside.emissivity = 0.05;
    let start =
        StartState { ambient: celsius(AMBIENT), kiln: celsius(AMBIENT + EXCESS), profile: StartProfile::Uniform };
    kiln(&description, start)
}

/// Incropera Table 5.1, plane wall: θ of the insulated face = C1·exp(−ζ1²·Fo) once
/// Fo > 0.2, with ζ1·tan ζ1 = Bi; both coefficients taken from the model's course.
#[rstest]
#[case(0.01, 0.099834, 1.001661)]
#[case(0.02, 0.140952, 1.003310)]
#[case(0.05, 0.221760, 1.008189)]
#[case(0.1, 0.311053, 1.016094)]
#[case(0.2, 0.432841, 1.031088)]
#[case(0.3, 0.521791, 1.045047)]
#[case(0.5, 0.653271, 1.070128)]
#[case(1.0, 0.860334, 1.119132)]
#[case(2.0, 1.076874, 1.178456)]
#[case(3.0, 1.192459, 1.210226)]
#[case(5.0, 1.313838, 1.240249)]
#[case(10.0, 1.428870, 1.261963)]
#[case(20.0, 1.496129, 1.269916)]
#[case(50.0, 1.540006, 1.272652)]
#[case(100.0, 1.555245, 1.273088)]
fn a_slab_ends_in_the_one_term_of_its_series(#[case] biot: f64, #[case] zeta: f64, #[case] c1: f64) {
    assert!((zeta * zeta.tan() / biot - 1.0).abs() < 2e-4, "the table itself: ζ tan ζ = Bi");
    let thickness = 0.1;
    let coefficient = (5.0 * biot).clamp(1.0, 250.0);
    let k = coefficient * thickness / biot;
    let diffusivity = k / 1e6;
    // The thinnest cells that steps of a second follow, sixty at most.
    let nodes = ((thickness / (6.0 * diffusivity).sqrt()) as usize).clamp(8, 60);
    let wall = material(1000.0, constant_conductivity(k), 1000.0);
    let mut kiln = cooling(vec![layer(&wall, thickness, nodes)], coefficient);
    let mut theta = |fourier: f64| {
        kiln.advance_to(at(fourier * thickness * thickness / diffusivity));
        (kiln.hot_face_temperature(0).value() - AMBIENT) / EXCESS
    };
    let (early, late) = (0.6, 0.6 + 1.0 / (zeta * zeta));
    let (first, second) = (theta(early), theta(late));
    let found = ((first / second).ln() / (late - early)).sqrt();
    assert!((found / zeta - 1.0).abs() < 0.003, "Bi {biot}: ζ1 {found} for {zeta}");
    let found = first * (zeta * zeta * early).exp();
    assert!((found - c1).abs() < 0.005, "Bi {biot}: C1 {found} for {c1}");
}

/// Carslaw and Jaeger ch. 2, semi-infinite solid of α = 3.96825e-7 m²/s from 20 °C, its
/// face held at 1000 °C: (T − Ti)/(Ts − Ti). In the model the outer face cools instead of
/// warming, which is the same by linearity, and is held by the greatest coefficient that a
/// kiln file may have on a wall that conducts least.
#[rstest]
#[case(600.0, 0.01, 653.8321)]
#[case(600.0, 0.02, 372.2088)]
#[case(3600.0, 0.02, 714.1154)]
#[case(3600.0, 0.05, 362.5833)]
#[case(3600.0, 0.115, 50.8117)]
fn a_thick_wall_with_its_face_held_follows_the_error_function(
    #[case] seconds: f64,
    #[case] depth: f64,
    #[case] warmed: f64,
) {
    let mut kiln = held();
    kiln.advance_to(at(seconds));
    let cells: Vec<f64> = kiln.wall_temperatures(0).map(|t| t.value()).collect();
    // Cells of 2 mm; from the middle of one to that of the next inwards by a straight line.
    let place = depth / 0.002 - 0.5;
    let outer = cells.len() - 1 - place.floor() as usize;
    let found = cells[outer] + place.fract() * (cells[outer - 1] - cells[outer]);
    let found = (AMBIENT + EXCESS - found) / EXCESS;
    let expected = (warmed - 20.0) / 980.0;
    assert!((found - expected).abs() < 0.002, "{seconds} s, {depth} m: {found} for {expected}");
}

/// The same solid with k = 0.25: 3657.1281 W/m² through its face after an hour.
#[test]
fn a_held_face_takes_up_what_the_closed_form_says() {
    let mut kiln = held();
    kiln.advance_to(at(3590.0));
    let before = kiln.lost_energy().value();
    kiln.advance_to(at(3610.0));
    let found = (kiln.lost_energy().value() - before) / 20.0 * (980.0 / EXCESS) * (0.25 / LEAST_CONDUCTIVITY);
    assert!((found / 3657.1281 - 1.0).abs() < 0.003, "{found} W/m²");
}

const LEAST_CONDUCTIVITY: f64 = 0.01;

fn held() -> Kiln {
    // α = k/(ρ·c) as of k = 0.25, ρ = 600, c = 1050.
    let wall = material(24.0, constant_conductivity(LEAST_CONDUCTIVITY), 1050.0);
    cooling(vec![layer(&wall, 0.24, 24), layer(&wall, 0.128, 64)], 500.0)
}

/// One zone full of mass, with a lid over an opening of 0.01 m² or without.
fn with_opening(soaked: f64, open: bool) -> (KilnDescription, StartState, bool) {
    let (area, layers) = almost_no_wall();
    let mut description = one_zone(area, layers, 1.0);
    description.zones[0].inner_convection = WattsPerSquareMetreKelvin::new(500.0);
    description.zones[0].load = Some(load(5000.0, 1000.0, 50.0, 0.999));
    description.lid = Some(Lid { zone: 0, open_area: SquareMetres::new(0.01), open_loss: WattsPerKelvin::new(0.0) });
    let start = StartState { ambient: celsius(20.0), kiln: celsius(soaked), profile: StartProfile::Uniform };
    (description, start, open)
}

/// What a square metre of opening radiates, W/m², by the energy that the kiln loses in ten seconds.
fn through_the_opening(soaked: f64) -> f64 {
    let lost = |open: bool| {
        let (description, start, open) = with_opening(soaked, open);
        let mut kiln = kiln(&description, start);
        kiln.set_lid(at(0.0), open).expect("it has a lid");
        kiln.advance_to(at(10.0));
        kiln.lost_energy().value()
    };
    (lost(true) - lost(false)) / 10.0 / 0.01
}

/// Stefan and Boltzmann, σ from CODATA (exact since 2019): σ·T⁴ is 418.7659 W/m² at
/// 20 °C, 148 980.708 at 1000 °C and 267 054.326 at 1200 °C.
#[rstest]
#[case(1000.0, 148_980.708)]
#[case(1200.0, 267_054.326)]
fn an_opening_radiates_like_a_black_body(#[case] soaked: f64, #[case] emitted: f64) {
    let found = through_the_opening(soaked);
    assert!((found / (emitted - 418.7659) - 1.0).abs() < 1e-3, "{found} W/m² at {soaked} °C");
}

/// Linearised, 4·σ·T³ is 468.0696 W/(m²·K) at 1000 °C.
#[test]
fn radiation_rises_by_the_linearised_coefficient() {
    let found = (through_the_opening(1005.0) - through_the_opening(995.0)) / 10.0;
    assert!((found / 468.0696 - 1.0).abs() < 2e-3, "{found} W/(m²·K)");
}

//! Kilns made for one closed form each, and short names.

#![allow(dead_code, unreachable_pub, reason = "each test file uses its own part")]

pub mod reference;

use dryfire_kiln::SupplySystem;
use dryfire_kiln::{
    Circuit, Conductivity, Element, Kiln, KilnDescription, Layer, Limits, Load, Material, Outside, Probe, SpecificHeat,
    StartState, Zone,
};
use dryfire_units::{
    Celsius, JoulesPerKelvin, JoulesPerKilogramKelvin, Kilograms, KilogramsPerCubicMetre, Metres, RigTime, Seconds,
    SquareMetres, Volts, Watts, WattsPerKelvin, WattsPerMetreKelvin, WattsPerSquareMetreKelvin,
};

pub fn at(seconds: f64) -> RigTime {
    RigTime::from_micros((seconds * 1e6).round() as i64)
}

pub fn celsius(value: f64) -> Celsius {
    Celsius::new(value)
}

pub fn constant_conductivity(k: f64) -> Conductivity {
    Conductivity::Linear { at_zero: WattsPerMetreKelvin::new(k), slope_per_celsius: 0.0 }
}

pub fn constant_heat(c: f64) -> SpecificHeat {
    SpecificHeat::Linear { at_zero: JoulesPerKilogramKelvin::new(c), slope_per_celsius: 0.0 }
}

pub fn material(density: f64, conductivity: Conductivity, heat: f64) -> Material {
    Material {
        name: "test material".to_string(),
        density: KilogramsPerCubicMetre::new(density),
        conductivity,
        specific_heat: constant_heat(heat),
    }
}

pub fn layer(material: &Material, metres: f64, nodes: usize) -> Layer {
    Layer { material: material.clone(), thickness: Metres::new(metres), nodes }
}

/// A wall that takes up and lets through as little as the bounds allow.
pub fn almost_no_wall() -> (f64, Vec<Layer>) {
    (1e-4, vec![layer(&material(20.0, constant_conductivity(0.01), 100.0), 0.1, 1)])
}

/// One zone with the least possible element of a power, no load, no leak.
pub fn one_zone(area: f64, layers: Vec<Layer>, watts: f64) -> KilnDescription {
    KilnDescription {
        name: "test kiln".to_string(),
        supply: Volts::new(240.0),
        system: SupplySystem::SinglePhase,
        zones: vec![Zone {
            name: "only".to_string(),
            wall_area: SquareMetres::new(area),
            wall_emissivity: 0.999,
            layers,
            element: Element {
                rated: Watts::new(watts),
                rated_at: Volts::new(240.0),
                heat_capacity: JoulesPerKelvin::new(10.0),
                surface: SquareMetres::new(1.0),
                emissivity: 0.999,
                resistance_rise_per_celsius: 0.0,
                ageing: 1.0,
            },
            load: None,
            air_leak: WattsPerKelvin::new(0.0),
            inner_convection: WattsPerSquareMetreKelvin::new(0.0),
            probe: Probe { time_constant: Seconds::new(30.0) },
        }],
        couplings: vec![],
        lid: None,
        outside: Outside { convection: WattsPerSquareMetreKelvin::new(5.0), emissivity: 0.9 },
        limits: Limits { element: celsius(1400.0), brick: celsius(1350.0), programmed_top: celsius(1300.0) },
    }
}

pub fn load(kilograms: f64, heat: f64, area: f64, emissivity: f64) -> Load {
    Load {
        mass: Kilograms::new(kilograms),
        specific_heat: constant_heat(heat),
        surface: SquareMetres::new(area),
        emissivity,
    }
}

pub fn kiln(description: &KilnDescription, start: StartState) -> Kiln {
    let circuit = Circuit::elements_only(description.zones.len());
    Kiln::new(description, circuit, start).expect("a good kiln")
}

/// Brings the state exactly to an instant: an edge of a relay of no consequence
/// would do, and so does a change of the supply while nothing is on.
pub fn stop_exactly(kiln: &mut Kiln, seconds: f64) {
    let volts = Volts::new(240.0 - seconds.fract() - 1e-3);
    kiln.set_supply_volts(at(seconds), volts).expect("in order");
}

pub fn all_on(kiln: &mut Kiln) {
    for zone in 0..kiln.zones() {
        kiln.set_relay(kiln.sample_time(), zone, true).expect("in order");
    }
}

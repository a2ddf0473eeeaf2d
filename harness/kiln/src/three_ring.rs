//! An invented kiln of three rings, for tests and examples.

use dryfire_units::{
    Celsius, JoulesPerKelvin, JoulesPerKilogramKelvin, Kilograms, KilogramsPerCubicMetre, Metres, Seconds,
    SquareMetres, Volts, Watts, WattsPerKelvin, WattsPerMetreKelvin, WattsPerSquareMetreKelvin,
};

use crate::SupplySystem;
use crate::description::{
    Conductivity, Element, KilnDescription, Layer, Lid, Limits, Load, Material, Outside, Probe, SpecificHeat, Zone,
    ZoneCoupling,
};

/// An invented top-loading kiln of about 0.2 m³: three rings, 240 V, 11.5 kW, 38 kg of ware and shelves.
///
/// The wall is 25 mm of a 1400 °C brick, 64 mm of a 1260 °C brick and 13 mm of
/// ceramic fibre. Brick figures: VDI Heat Atlas, 2nd edition (2010), insulating
/// bricks L1400 and L1260; fibre, wire, ware, emissivities and leak: typical
/// values, common practice without a source.
pub fn three_ring() -> KilnDescription {
    KilnDescription {
        name: "three-ring".to_string(),
        supply: Volts::new(240.0),
        system: SupplySystem::SplitPhase,
        zones: vec![
            ring("top", 0.85, 4100.0, 12.0),
            ring("middle", 0.55, 3300.0, 14.0),
            ring("bottom", 0.85, 4100.0, 12.0),
        ],
        couplings: vec![
            ZoneCoupling { radiating_area: SquareMetres::new(0.12), conductance: WattsPerKelvin::new(1.0) };
            2
        ],
        lid: Some(Lid { zone: 0, open_area: SquareMetres::new(0.28), open_loss: WattsPerKelvin::new(4.0) }),
        outside: Outside { convection: WattsPerSquareMetreKelvin::new(6.0), emissivity: 0.9 },
        limits: Limits {
            element: Celsius::new(1400.0),
            brick: Celsius::new(1350.0),
            programmed_top: Celsius::new(1300.0),
        },
    }
}

fn ring(name: &str, wall_area: f64, rated: f64, load: f64) -> Zone {
    Zone {
        name: name.to_string(),
        wall_area: SquareMetres::new(wall_area),
        wall_emissivity: 0.8,
        layers: vec![
            Layer { material: brick_1400(), thickness: Metres::new(0.025), nodes: 4 },
            Layer { material: brick_1260(), thickness: Metres::new(0.064), nodes: 5 },
            Layer { material: fibre(), thickness: Metres::new(0.013), nodes: 1 },
        ],
        element: Element {
            rated: Watts::new(rated),
            rated_at: Volts::new(240.0),
            heat_capacity: JoulesPerKelvin::new(800.0),
            surface: SquareMetres::new(0.10),
            emissivity: 0.7,
            resistance_rise_per_celsius: 0.000_034,
            ageing: 1.0,
        },
        load: Some(Load {
            mass: Kilograms::new(load),
            specific_heat: SpecificHeat::Linear {
                at_zero: JoulesPerKilogramKelvin::new(850.0),
                slope_per_celsius: 0.2,
            },
            surface: SquareMetres::new(0.4),
            emissivity: 0.85,
        }),
        air_leak: WattsPerKelvin::new(0.1),
        inner_convection: WattsPerSquareMetreKelvin::new(5.0),
        probe: Probe { time_constant: Seconds::new(45.0) },
    }
}

/// VDI insulating brick L1400: 790 kg/m³.
fn brick_1400() -> Material {
    Material {
        name: "insulating brick 1400 °C".to_string(),
        density: KilogramsPerCubicMetre::new(790.0),
        conductivity: conductivity_table([0.27, 0.30, 0.32, 0.34, 0.36]),
        specific_heat: specific_heat_table([954.0, 994.0, 1018.0, 1034.0, 1050.0]),
    }
}

/// VDI insulating brick L1260: 490 kg/m³; its five conductivities lie exactly on a line.
fn brick_1260() -> Material {
    Material {
        name: "insulating brick 1260 °C".to_string(),
        density: KilogramsPerCubicMetre::new(490.0),
        conductivity: Conductivity::Linear { at_zero: WattsPerMetreKelvin::new(0.10), slope_per_celsius: 1e-4 },
        specific_heat: specific_heat_table([942.0, 979.0, 1002.0, 1017.0, 1033.0]),
    }
}

/// Ceramic fibre blanket of 128 kg/m³; from memory, no source.
fn fibre() -> Material {
    Material {
        name: "ceramic fibre".to_string(),
        density: KilogramsPerCubicMetre::new(128.0),
        conductivity: Conductivity::Linear { at_zero: WattsPerMetreKelvin::new(0.04), slope_per_celsius: 1.5e-4 },
        specific_heat: SpecificHeat::Linear { at_zero: JoulesPerKilogramKelvin::new(1000.0), slope_per_celsius: 0.1 },
    }
}

/// The temperatures of the VDI tables.
const VDI_CELSIUS: [f64; 5] = [400.0, 600.0, 800.0, 1000.0, 1200.0];

fn conductivity_table(values: [f64; 5]) -> Conductivity {
    let points = VDI_CELSIUS.into_iter().zip(values);
    Conductivity::Table(points.map(|(t, k)| (Celsius::new(t), WattsPerMetreKelvin::new(k))).collect())
}

fn specific_heat_table(values: [f64; 5]) -> SpecificHeat {
    let points = VDI_CELSIUS.into_iter().zip(values);
    SpecificHeat::Table(points.map(|(t, c)| (Celsius::new(t), JoulesPerKilogramKelvin::new(c))).collect())
}

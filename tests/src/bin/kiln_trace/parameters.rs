//! The parameters of the model's equations as JSON, in SI units and °C.

use dryfire_kiln::{Conductivity, KilnDescription, SpecificHeat, SupplySystem};
use serde_json::{Value, json};

/// Everything that stands in the equations of `docs/kiln-model.md`.
pub(crate) fn of(kiln: &KilnDescription) -> Value {
    let zones = kiln.zones.iter().map(|zone| {
        let layers = zone.layers.iter().map(|layer| {
            json!({
                "thickness": layer.thickness.value(),
                "cells": layer.nodes,
                "density": layer.material.density.value(),
                "conductivity": conductivity(&layer.material.conductivity),
                "specific_heat": specific_heat(&layer.material.specific_heat),
            })
        });
        let load = zone.load.as_ref().map(|load| {
            json!({
                "mass": load.mass.value(),
                "specific_heat": specific_heat(&load.specific_heat),
                "surface": load.surface.value(),
                "emissivity": load.emissivity,
            })
        });
        json!({
            "name": zone.name,
            "wall_area": zone.wall_area.value(),
            "wall_emissivity": zone.wall_emissivity,
            "layers": layers.collect::<Vec<_>>(),
            "element": {
                "rated": zone.element.rated.value(),
                "rated_at": zone.element.rated_at.value(),
                "heat_capacity": zone.element.heat_capacity.value(),
                "surface": zone.element.surface.value(),
                "emissivity": zone.element.emissivity,
                "resistance_rise": zone.element.resistance_rise_per_celsius,
                "ageing": zone.element.ageing,
            },
            "load": load,
            "air_leak": zone.air_leak.value(),
            "inner_convection": zone.inner_convection.value(),
            "probe_time_constant": zone.probe.time_constant.value(),
        })
    });
    let couplings = kiln.couplings.iter().map(
        |coupling| json!({ "radiating_area": coupling.radiating_area.value(), "conductance": coupling.conductance.value() }),
    );
    json!({
        "supply": across_an_element(kiln),
        "zones": zones.collect::<Vec<_>>(),
        "couplings": couplings.collect::<Vec<_>>(),
        "lid": kiln.lid.map(|lid| json!({
            "zone": lid.zone, "open_area": lid.open_area.value(), "open_loss": lid.open_loss.value(),
        })),
        "outside": { "convection": kiln.outside.convection.value(), "emissivity": kiln.outside.emissivity },
    })
}

fn line(at_zero: f64, slope: f64) -> Value {
    json!({ "at_zero": at_zero, "slope": slope })
}

fn conductivity(law: &Conductivity) -> Value {
    match law {
        Conductivity::Linear { at_zero, slope_per_celsius } => line(at_zero.value(), *slope_per_celsius),
        Conductivity::Table(points) => {
            points.iter().map(|(t, value)| json!([t.value(), value.value()])).collect::<Vec<_>>().into()
        }
    }
}

fn specific_heat(law: &SpecificHeat) -> Value {
    match law {
        SpecificHeat::Linear { at_zero, slope_per_celsius } => line(at_zero.value(), *slope_per_celsius),
        SpecificHeat::Table(points) => {
            points.iter().map(|(t, value)| json!([t.value(), value.value()])).collect::<Vec<_>>().into()
        }
    }
}

/// The voltage across an element, V: of a star that of a phase, √3 less than between two.
fn across_an_element(kiln: &KilnDescription) -> f64 {
    match kiln.system {
        SupplySystem::Star { .. } => kiln.supply.value() / 3.0_f64.sqrt(),
        SupplySystem::SinglePhase | SupplySystem::SplitPhase | SupplySystem::Delta => kiln.supply.value(),
    }
}

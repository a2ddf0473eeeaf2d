//! The thermal model, first form: one lump for each zone.

use dryfire_units::RigSpan;

use crate::StartState;
use crate::description::KilnDescription;

/// What an element gets.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Supply {
    /// Voltage of the supply.
    pub(crate) volts: f64,
    /// Share of full power that the path lets through.
    pub(crate) share: f64,
}

impl Supply {
    /// No current.
    pub(crate) const OFF: Supply = Supply { volts: 0.0, share: 0.0 };

    /// Whether current flows.
    pub(crate) fn is_on(&self) -> bool {
        self.volts > 0.0 && self.share > 0.0
    }
}

#[derive(Clone, Debug)]
struct Lump {
    capacity: f64,
    conductance: f64,
    open_loss: f64,
    rated: f64,
    temperature: f64,
    probe: f64,
    probe_time_constant: f64,
    load: bool,
}

/// State and parameters.
#[derive(Clone, Debug)]
pub(crate) struct Model {
    ambient: f64,
    lumps: Vec<Lump>,
    electrical: f64,
    lost: f64,
}

impl Model {
    pub(crate) fn new(description: &KilnDescription, start: StartState, _grid: RigSpan) -> Self {
        let kiln = start.kiln.value();
        let lumps = description.zones.iter().enumerate().map(|(index, zone)| {
            let area = zone.wall_area.value();
            let wall: f64 = zone
                .layers
                .iter()
                .map(|layer| {
                    layer.thickness.value() * layer.material.density.value() * layer.material.specific_heat.at(600.0)
                })
                .sum();
            let resistance: f64 =
                zone.layers.iter().map(|layer| layer.thickness.value() / layer.material.conductivity.at(600.0)).sum();
            let load = zone.load.as_ref().map_or(0.0, |load| load.mass.value() * load.specific_heat.at(600.0));
            Lump {
                capacity: area * wall / 2.0 + load + zone.element.heat_capacity.value(),
                conductance: area / (resistance + 0.1) + zone.air_leak.value(),
                open_loss: description
                    .lid
                    .filter(|lid| lid.zone == index)
                    .map_or(0.0, |lid| lid.open_loss.value() + 100.0 * lid.open_area.value()),
                rated: zone.element.rated.value() / zone.element.rated_at.value() / zone.element.rated_at.value(),
                temperature: kiln,
                probe: kiln,
                probe_time_constant: zone.probe.time_constant.value(),
                load: zone.load.is_some(),
            }
        });
        Model { ambient: start.ambient.value(), lumps: lumps.collect(), electrical: 0.0, lost: 0.0 }
    }

    pub(crate) fn step(&mut self, span: RigSpan, supply: &[Supply], lid_open: bool) {
        let dt = span.as_seconds();
        for (zone, supply) in supply.iter().enumerate() {
            let power = self.power(zone, *supply);
            let lump = &mut self.lumps[zone];
            let loss =
                (lump.conductance + if lid_open { lump.open_loss } else { 0.0 }) * (lump.temperature - self.ambient);
            lump.probe += (lump.temperature - lump.probe) * (1.0 - libm::exp(-dt / lump.probe_time_constant));
            lump.temperature += (power - loss) * dt / lump.capacity;
            self.electrical += power * dt;
            self.lost += loss * dt;
        }
    }

    pub(crate) fn power(&self, zone: usize, supply: Supply) -> f64 {
        self.lumps[zone].rated * supply.volts * supply.volts * supply.share
    }

    pub(crate) fn chamber(&self, zone: usize) -> f64 {
        self.lumps[zone].temperature
    }

    pub(crate) fn element(&self, zone: usize) -> f64 {
        self.lumps[zone].temperature
    }

    pub(crate) fn load(&self, zone: usize) -> Option<f64> {
        self.lumps[zone].load.then(|| self.lumps[zone].temperature)
    }

    pub(crate) fn hot_face(&self, zone: usize) -> f64 {
        self.lumps[zone].temperature
    }

    pub(crate) fn outer_face(&self, zone: usize) -> f64 {
        self.lumps[zone].temperature
    }

    pub(crate) fn wall(&self, zone: usize) -> impl Iterator<Item = f64> + '_ {
        core::iter::once(self.lumps[zone].temperature)
    }

    pub(crate) fn probe(&self, zone: usize) -> f64 {
        self.lumps[zone].probe
    }

    pub(crate) fn probe_slope(&self, zone: usize) -> f64 {
        (self.lumps[zone].temperature - self.lumps[zone].probe) / self.lumps[zone].probe_time_constant
    }

    pub(crate) fn probe_time_constant(&self, zone: usize) -> f64 {
        self.lumps[zone].probe_time_constant
    }

    pub(crate) fn stored_energy(&self) -> f64 {
        self.lumps.iter().map(|lump| lump.capacity * (lump.temperature - self.ambient)).sum()
    }

    pub(crate) fn electrical_energy(&self) -> f64 {
        self.electrical
    }

    pub(crate) fn lost_energy(&self) -> f64 {
        self.lost
    }
}

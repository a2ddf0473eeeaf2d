//! What is in the zones: surfaces, elements, loads, probes. Arrays hold one
//! number for each zone; places left over are like the last zone, but without
//! power and without neighbours.

use std::sync::Arc;

use dryfire_units::RigSpan;

use super::ZERO_CELSIUS;
use crate::description::{Conductivity, Element, KilnDescription, Load, Zone};
use crate::lanes::Lanes;
use crate::material::MaterialTable;

/// Surfaces that exchange heat with their chambers: net radiation for each W/m²
/// of difference in radiosity (m²), and convection (W/K).
#[derive(Clone, Copy, Debug)]
pub(super) struct Surfaces<const N: usize> {
    pub(super) radiating: Lanes<N>,
    pub(super) convecting: Lanes<N>,
}

impl<const N: usize> Surfaces<N> {
    /// None at all.
    pub(super) const NONE: Self = Surfaces { radiating: Lanes::ZERO, convecting: Lanes::ZERO };

    /// From each place's two numbers.
    pub(super) fn from_fn(mut of: impl FnMut(usize) -> (f64, f64)) -> Self {
        let mut surfaces = Self::NONE;
        for place in 0..N {
            (surfaces.radiating[place], surfaces.convecting[place]) = of(place);
        }
        surfaces
    }
}

/// A grey body that the chamber encloses: ε·A.
pub(super) fn enclosed(area: f64, emissivity: f64, convection: f64) -> (f64, f64) {
    (emissivity * area, convection * area)
}

/// The grey enclosure itself: ε·A/(1 − ε).
pub(super) fn enclosing(area: f64, emissivity: f64, convection: f64) -> (f64, f64) {
    (area * emissivity / (1.0 - emissivity), convection * area)
}

/// Elements.
#[derive(Clone, Debug)]
pub(super) struct Elements<const N: usize> {
    pub(super) surface: Surfaces<N>,
    pub(super) capacity: Lanes<N>,
    pub(super) per_capacity: Lanes<N>,
    /// Siemens, at 20 °C.
    conductance_cold: Lanes<N>,
    pub(super) resistance_rise: Lanes<N>,
    /// What each would take from its supply at 20 °C, W.
    pub(super) cold_power: Lanes<N>,
}

/// The temperature at which elements have their rated power, K.
pub(super) const COLD: f64 = ZERO_CELSIUS + 20.0;

impl<const N: usize> Elements<N> {
    pub(super) fn new<'a>(zone: impl Fn(usize) -> &'a Zone) -> Self {
        let of = |of: &dyn Fn(&Element) -> f64| Lanes::from_fn(|place| of(&zone(place).element));
        let capacity: Lanes<N> = of(&|element| element.heat_capacity.value());
        Elements {
            surface: Surfaces::from_fn(|place| {
                let (zone, element) = (zone(place), &zone(place).element);
                enclosed(element.surface.value(), element.emissivity, zone.inner_convection.value())
            }),
            capacity,
            per_capacity: Lanes(capacity.map(|capacity| 1.0 / capacity)),
            conductance_cold: of(&|element| {
                let volts = element.rated_at.value();
                element.rated.value() / (volts * volts * element.ageing)
            }),
            resistance_rise: of(&|element| element.resistance_rise_per_celsius),
            cold_power: Lanes::ZERO,
        }
    }

    /// Sets what a zone's element gets; whether that is something else than before.
    pub(super) fn supply(&mut self, zone: usize, supply: super::Supply) -> bool {
        let power =
            if supply.is_on() { supply.share * supply.volts * supply.volts * self.conductance_cold[zone] } else { 0.0 };
        let changed = self.cold_power[zone] != power;
        self.cold_power[zone] = power;
        changed
    }
}

/// Loads; places without one take up nothing.
#[derive(Clone, Debug)]
pub(super) struct Loads<const N: usize> {
    pub(super) surface: Surfaces<N>,
    pub(super) mass: Lanes<N>,
    per_mass: Lanes<N>,
    /// Of each, if there is a load; zones of the same ware share them.
    tables: [Option<Arc<MaterialTable>>; N],
    // The straight pieces of enthalpy on which they are.
    centre: Lanes<N>,
    half: Lanes<N>,
    temperature: Lanes<N>,
    slope: Lanes<N>,
    /// Joules per kilogram above 0 °C.
    enthalpy: Lanes<N>,
    /// Kelvin.
    pub(super) kelvin: Lanes<N>,
    /// Kelvin for each joule.
    pub(super) per_capacity: Lanes<N>,
}

impl<const N: usize> Loads<N> {
    pub(super) fn new<'a>(zone: impl Fn(usize) -> &'a Zone, celsius: f64) -> Self {
        let load = |place: usize| zone(place).load.as_ref();
        let mass: Lanes<N> = Lanes::from_fn(|place| load(place).map_or(1.0, |load| load.mass.value()));
        let mut tables: [Option<Arc<MaterialTable>>; N] = std::array::from_fn(|_| None);
        for place in 0..N {
            let same = (0..place).find(|&other| {
                load(place).is_some() && load(other).map(|l| &l.specific_heat) == load(place).map(|l| &l.specific_heat)
            });
            tables[place] = match same {
                Some(other) => tables[other].clone(),
                None => load(place).map(|load| Arc::new(table(load))),
            };
        }
        let enthalpy = Lanes::from_fn(|place| tables[place].as_ref().map_or(0.0, |t| t.enthalpy(celsius)));
        let mut loads = Loads {
            surface: Surfaces::from_fn(|place| {
                load(place).map_or((0.0, 0.0), |load| {
                    enclosed(load.surface.value(), load.emissivity, zone(place).inner_convection.value())
                })
            }),
            mass,
            per_mass: Lanes(mass.map(|mass| 1.0 / mass)),
            tables,
            centre: Lanes::ZERO,
            half: Lanes::all(f64::MAX),
            temperature: Lanes::all(celsius),
            slope: Lanes::ZERO,
            enthalpy,
            kelvin: Lanes::all(celsius + ZERO_CELSIUS),
            per_capacity: Lanes::ZERO,
        };
        loads.find_pieces();
        loads.evaluate();
        loads
    }

    /// Each gives so many joules to its chamber.
    #[inline(always)]
    pub(super) fn give(&mut self, joules: &Lanes<N>) {
        for place in 0..N {
            self.enthalpy[place] -= joules[place] * self.per_mass[place];
        }
        if self.evaluate() {
            self.find_pieces();
            self.evaluate();
        }
    }

    /// Temperatures from enthalpies; whether any has left its piece.
    #[inline(always)]
    fn evaluate(&mut self) -> bool {
        let mut left = 0_u64;
        for place in 0..N {
            let from_centre = self.enthalpy[place] - self.centre[place];
            left |= u64::from(libm::fabs(from_centre) > self.half[place]);
            self.kelvin[place] = self.temperature[place] + self.slope[place] * from_centre + ZERO_CELSIUS;
        }
        left != 0
    }

    #[cold]
    #[inline(never)]
    fn find_pieces(&mut self) {
        for place in 0..N {
            if let Some(table) = &self.tables[place] {
                let piece = table.piece(self.enthalpy[place]);
                (self.centre[place], self.half[place]) = (piece.centre, piece.half);
                (self.temperature[place], self.slope[place]) = (piece.temperature, piece.temperature_slope);
                self.per_capacity[place] = piece.temperature_slope * self.per_mass[place];
            }
        }
    }

    /// Whether a zone has one.
    pub(super) fn has(&self, zone: usize) -> bool {
        self.tables[zone].is_some()
    }

    /// Heat in a zone's load above a temperature, J.
    pub(super) fn stored_above(&self, zone: usize, celsius: f64) -> f64 {
        let table = self.tables[zone].as_ref();
        table.map_or(0.0, |table| self.mass[zone] * (self.enthalpy[zone] - table.enthalpy(celsius)))
    }
}

fn table(load: &Load) -> MaterialTable {
    // A load is one lump: nothing is conducted in it.
    let unused = Conductivity::Linear { at_zero: dryfire_units::WattsPerMetreKelvin::new(1.0), slope_per_celsius: 0.0 };
    MaterialTable::new(1.0, &unused, &load.specific_heat)
}

/// Probes.
#[derive(Clone, Debug)]
pub(super) struct Probes<const N: usize> {
    pub(super) time_constant: Lanes<N>,
    keeps_full_step: Lanes<N>,
}

impl<const N: usize> Probes<N> {
    pub(super) fn new<'a>(zone: impl Fn(usize) -> &'a Zone, full_step: RigSpan) -> Self {
        let mut probes = Probes {
            time_constant: Lanes::from_fn(|place| zone(place).probe.time_constant.value()),
            keeps_full_step: Lanes::ZERO,
        };
        probes.keeps_full_step = probes.keeps(full_step.as_seconds(), false);
        probes
    }

    /// How much of its distance from the chamber each keeps over a step.
    #[inline(always)]
    pub(super) fn keeps(&self, dt: f64, full: bool) -> Lanes<N> {
        if full {
            return self.keeps_full_step;
        }
        // Mostly they are all alike.
        let mut known = (self.time_constant[0], libm::exp(-dt / self.time_constant[0]));
        let mut keeps = Lanes::all(known.1);
        for (keeps, &time_constant) in keeps.iter_mut().zip(self.time_constant.iter()).skip(1) {
            if time_constant != known.0 {
                known = (time_constant, libm::exp(-dt / time_constant));
            }
            *keeps = known.1;
        }
        keeps
    }
}

/// What the lid's zone loses more while it stands open.
pub(super) fn open_lid<const N: usize>(description: &KilnDescription) -> Surfaces<N> {
    Surfaces::from_fn(|place| match description.lid {
        Some(lid) if lid.zone == place => (lid.open_area.value(), lid.open_loss.value()),
        _ => (0.0, 0.0),
    })
}

//! The thermal model: chambers with element and load inside, walls around them.
//!
//! Element, load, hot face and chamber are stiff against a step of a second.
//! They are solved together, linearised once a step, with the element's and the
//! load's own relaxation taken along in closed form; what leaves one body enters
//! another, so heat is conserved to rounding. See `docs/kiln-model.md`.

use dryfire_units::RigSpan;

use crate::description::KilnDescription;
use crate::kiln::StartState;
use zones::Zones;

mod balance;
mod bodies;
mod parts;
mod zones;

/// Stefan–Boltzmann constant, W/(m²·K⁴): exact in the SI since 2019 (CODATA).
pub(crate) const STEFAN_BOLTZMANN: f64 = 5.670_374_419e-8;
/// 0 °C in kelvin.
pub(crate) const ZERO_CELSIUS: f64 = 273.15;

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

#[inline(always)]
fn radiosity(kelvin: f64) -> f64 {
    let square = kelvin * kelvin;
    STEFAN_BOLTZMANN * square * square
}

/// State and parameters of all zones, in arrays that are long enough for them:
/// two, four or eight places. An even number, because the processor works on
/// two or four at a time.
#[derive(Clone, Debug)]
pub(crate) enum Model {
    Two(Box<Zones<2>>),
    Four(Box<Zones<4>>),
    Eight(Box<Zones<8>>),
}

macro_rules! each {
    ($model:expr, $zones:ident => $of_zones:expr) => {
        match $model {
            Model::Two($zones) => $of_zones,
            Model::Four($zones) => $of_zones,
            Model::Eight($zones) => $of_zones,
        }
    };
}

impl Model {
    /// All zones of a checked description, nothing supplied; `None` if it has no zone or a zone no layer.
    pub(crate) fn new(description: &KilnDescription, start: StartState, full_step: RigSpan) -> Option<Self> {
        // At most `KilnDescription::MAX_ZONES`, which is eight.
        Some(match description.zones.len() {
            0..=2 => Model::Two(Box::new(Zones::new(description, start, full_step)?)),
            3..=4 => Model::Four(Box::new(Zones::new(description, start, full_step)?)),
            _ => Model::Eight(Box::new(Zones::new(description, start, full_step)?)),
        })
    }

    /// What each element gets from now on.
    pub(crate) fn set_supply(&mut self, supply: &[Supply]) {
        each!(self, zones => zones.set_supply(supply));
    }

    /// Whether the lid stands open from now on.
    pub(crate) fn set_lid(&mut self, open: bool) {
        each!(self, zones => zones.set_lid(open));
    }

    /// One step, at most as long as the grid's.
    #[inline]
    pub(crate) fn step(&mut self, span: RigSpan) {
        each!(self, zones => zones.step(span));
    }

    /// Power of a zone's element, W.
    pub(crate) fn power(&self, zone: usize) -> f64 {
        each!(self, zones => zones.power(zone))
    }

    /// Temperature of a chamber, °C.
    #[inline]
    pub(crate) fn chamber(&self, zone: usize) -> f64 {
        each!(self, zones => zones.now.chamber[zone]) - ZERO_CELSIUS
    }

    /// Temperature of an element, °C.
    pub(crate) fn element(&self, zone: usize) -> f64 {
        each!(self, zones => zones.state.element[zone]) - ZERO_CELSIUS
    }

    /// Temperature of a load, if there is one, °C.
    pub(crate) fn load(&self, zone: usize) -> Option<f64> {
        each!(self, zones => zones.load(zone))
    }

    /// Temperature of a hot face, °C.
    pub(crate) fn hot_face(&self, zone: usize) -> f64 {
        each!(self, zones => zones.now.hot_face[zone]) - ZERO_CELSIUS
    }

    /// Temperature of an outer face, °C.
    pub(crate) fn outer_face(&self, zone: usize) -> f64 {
        each!(self, zones => zones.state.outer_face[zone]) - ZERO_CELSIUS
    }

    /// Temperatures of a wall's cells from the hot face outwards, °C.
    pub(crate) fn wall(&self, zone: usize) -> Box<dyn Iterator<Item = f64> + '_> {
        each!(self, zones => Box::new(zones.walls.temperatures(zone)))
    }

    /// Temperature of a probe, °C.
    #[inline]
    pub(crate) fn probe(&self, zone: usize) -> f64 {
        each!(self, zones => zones.state.probe[zone]) - ZERO_CELSIUS
    }

    /// How fast a probe changes, K/s.
    #[inline]
    pub(crate) fn probe_slope(&self, zone: usize) -> f64 {
        each!(self, zones => zones.probe_slope(zone))
    }

    /// Time constant of a probe, s.
    pub(crate) fn probe_time_constant(&self, zone: usize) -> f64 {
        each!(self, zones => zones.probe.time_constant[zone])
    }

    /// Heat above ambient in walls, loads and elements, J.
    pub(crate) fn stored_energy(&self) -> f64 {
        each!(self, zones => zones.stored_energy())
    }

    /// Electrical energy since time zero, J.
    pub(crate) fn electrical_energy(&self) -> f64 {
        each!(self, zones => zones.electrical_energy())
    }

    /// Heat lost since time zero, J.
    pub(crate) fn lost_energy(&self) -> f64 {
        each!(self, zones => zones.lost_energy())
    }
}

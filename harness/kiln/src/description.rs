//! What a kiln is made of.

use core::fmt;

use crate::supply::SupplySystem;

use dryfire_units::bounds::{self, Bound};
use dryfire_units::{
    Celsius, JoulesPerKelvin, JoulesPerKilogramKelvin, Kilograms, KilogramsPerCubicMetre, Metres, Seconds,
    SquareMetres, Volts, Watts, WattsPerKelvin, WattsPerMetreKelvin, WattsPerSquareMetreKelvin,
};

/// One kiln, from which the model is built.
#[derive(Clone, Debug, PartialEq)]
pub struct KilnDescription {
    /// What it is called.
    pub name: String,
    /// The supply's voltage, root mean square: between two legs, with one leg only between it and neutral.
    pub supply: Volts,
    /// How the supply is made.
    pub system: SupplySystem,
    /// Its zones, from the top down; between one and [`KilnDescription::MAX_ZONES`].
    pub zones: Vec<Zone>,
    /// How each zone exchanges heat with the next one down: one fewer than zones.
    pub couplings: Vec<ZoneCoupling>,
    /// Its lid or door, if it has one that can be opened.
    pub lid: Option<Lid>,
    /// The outer face.
    pub outside: Outside,
    /// What it must not reach.
    pub limits: Limits,
}

/// A zone: its share of wall, an element, load, and a probe.
#[derive(Clone, Debug, PartialEq)]
pub struct Zone {
    /// What it is called.
    pub name: String,
    /// Area of its wall, lid or floor included; the model's wall is plane, so take the mean of inside and outside.
    pub wall_area: SquareMetres,
    /// Emissivity of the hot face.
    pub wall_emissivity: f64,
    /// The wall's layers, from the hot face outwards.
    pub layers: Vec<Layer>,
    /// The element.
    pub element: Element,
    /// Ware and shelves; `None` for an empty zone.
    pub load: Option<Load>,
    /// Heat that leaking air carries away for each degree above ambient.
    pub air_leak: WattsPerKelvin,
    /// Heat exchange by convection inside, between chamber and hot face, element and load.
    pub inner_convection: WattsPerSquareMetreKelvin,
    /// The probe.
    pub probe: Probe,
}

/// A layer of a wall.
#[derive(Clone, Debug, PartialEq)]
pub struct Layer {
    /// What it is made of.
    pub material: Material,
    /// How thick it is.
    pub thickness: Metres,
    /// Into how many cells of equal thickness the model cuts it.
    pub nodes: usize,
}

/// A wall's material.
#[derive(Clone, Debug, PartialEq)]
pub struct Material {
    /// What it is called.
    pub name: String,
    /// Density.
    pub density: KilogramsPerCubicMetre,
    /// Thermal conductivity.
    pub conductivity: Conductivity,
    /// Specific heat capacity.
    pub specific_heat: SpecificHeat,
}

/// Thermal conductivity over temperature.
#[derive(Clone, Debug, PartialEq)]
pub enum Conductivity {
    /// `at_zero + slope_per_celsius · T`, with T in °C.
    Linear {
        /// At 0 °C.
        at_zero: WattsPerMetreKelvin,
        /// W/(m·K) for each °C.
        slope_per_celsius: f64,
    },
    /// Straight between points of rising temperature, constant outside them.
    Table(Vec<(Celsius, WattsPerMetreKelvin)>),
}

/// Specific heat capacity over temperature.
#[derive(Clone, Debug, PartialEq)]
pub enum SpecificHeat {
    /// `at_zero + slope_per_celsius · T`, with T in °C.
    Linear {
        /// At 0 °C.
        at_zero: JoulesPerKilogramKelvin,
        /// J/(kg·K) for each °C.
        slope_per_celsius: f64,
    },
    /// Straight between points of rising temperature, constant outside them.
    Table(Vec<(Celsius, JoulesPerKilogramKelvin)>),
}

/// A zone's element.
#[derive(Clone, Debug, PartialEq)]
pub struct Element {
    /// Power of the new element, cold, at [`rated_at`](Self::rated_at).
    pub rated: Watts,
    /// The voltage that the rating is for.
    pub rated_at: Volts,
    /// Heat capacity of the wire.
    pub heat_capacity: JoulesPerKelvin,
    /// Radiating surface.
    pub surface: SquareMetres,
    /// Emissivity of the oxidised wire.
    pub emissivity: f64,
    /// Relative rise of its resistance for each °C above 20 °C.
    pub resistance_rise_per_celsius: f64,
    /// By which factor its resistance has grown with age; 1 when new.
    pub ageing: f64,
}

/// Ware and shelves of a zone, as one body.
#[derive(Clone, Debug, PartialEq)]
pub struct Load {
    /// Mass.
    pub mass: Kilograms,
    /// Specific heat capacity.
    pub specific_heat: SpecificHeat,
    /// Surface that exchanges heat.
    pub surface: SquareMetres,
    /// Emissivity.
    pub emissivity: f64,
}

/// Heat exchange between the chambers of neighbouring zones.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ZoneCoupling {
    /// Area through which they see each other, as if it were black.
    pub radiating_area: SquareMetres,
    /// Conduction and convection for each degree of difference.
    pub conductance: WattsPerKelvin,
}

/// A lid or door.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Lid {
    /// Index of the zone that it opens.
    pub zone: usize,
    /// Opening through which the chamber then radiates.
    pub open_area: SquareMetres,
    /// Heat that air carries away through the opening for each degree above ambient.
    pub open_loss: WattsPerKelvin,
}

/// The outer face of the walls.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Outside {
    /// Convection to the room.
    pub convection: WattsPerSquareMetreKelvin,
    /// Emissivity of the outer face.
    pub emissivity: f64,
}

/// What the kiln must not reach.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limits {
    /// Hottest that its elements may become.
    pub element: Celsius,
    /// Hottest that its brick may become.
    pub brick: Celsius,
    /// The highest temperature that may be programmed.
    pub programmed_top: Celsius,
}

/// A zone's probe.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Probe {
    /// Time constant of sheath and junction.
    pub time_constant: Seconds,
}

/// A mistake in a description: which part, and what is wrong with it.
#[derive(Clone, Debug, PartialEq)]
pub struct DescriptionError {
    /// The part, from large to small: `zone "top", layer 2, thickness`.
    pub part: String,
    /// What is wrong, as a sentence without its subject: `has to lie between …`.
    pub problem: String,
}

impl fmt::Display for DescriptionError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.part, self.problem)
    }
}

impl std::error::Error for DescriptionError {}

/// Collects mistakes under the name of the part at hand.
struct Checker {
    errors: Vec<DescriptionError>,
}

impl Checker {
    fn error(&mut self, part: &str, problem: String) {
        self.errors.push(DescriptionError { part: part.to_string(), problem });
    }

    fn bound(&mut self, part: &str, name: &str, value: f64, bound: &Bound) {
        if !bound.contains(value) {
            let found = Bound { min: value, ..*bound }.least();
            let problem = format!("has to lie between {} and {}, found {found}", bound.least(), bound.greatest());
            self.error(&format!("{part}, {name}"), problem);
        }
    }
}

impl KilnDescription {
    /// More zones than any kiln of this kind has.
    pub const MAX_ZONES: usize = 8;
    /// More nodes than a wall's layer needs.
    pub const MAX_NODES_PER_LAYER: usize = 200;

    /// Checks everything; the errors are all that were found, in the order of the fields.
    ///
    /// # Errors
    ///
    /// Every quantity outside its bound, and whatever does not fit together.
    pub fn check(&self) -> Result<(), Vec<DescriptionError>> {
        let mut checker = Checker { errors: Vec::new() };
        checker.bound("kiln", "supply", self.supply.value(), &bounds::SUPPLY_VOLTAGE);
        if self.zones.is_empty() || self.zones.len() > Self::MAX_ZONES {
            let problem = format!("has to have 1 to {} zones, found {}", Self::MAX_ZONES, self.zones.len());
            checker.error("kiln", problem);
        }
        for zone in &self.zones {
            zone.check(&mut checker);
        }
        for (index, zone) in self.zones.iter().enumerate() {
            if self.zones[..index].iter().any(|earlier| earlier.name == zone.name) {
                checker.error(&format!("zone {:?}", zone.name), "has the name of an earlier zone".to_string());
            }
        }
        let couplings = self.zones.len().saturating_sub(1);
        if self.couplings.len() != couplings {
            let problem = format!(
                "has {} couplings, but its {} zones have {couplings} places where two meet",
                self.couplings.len(),
                self.zones.len()
            );
            checker.error("kiln", problem);
        }
        for (index, coupling) in self.couplings.iter().enumerate() {
            let part = format!("coupling {}", index + 1);
            let open = Bound { min: 0.0, ..bounds::AREA };
            checker.bound(&part, "radiating area", coupling.radiating_area.value(), &open);
            checker.bound(&part, "conductance", coupling.conductance.value(), &bounds::CONDUCTANCE);
        }
        if let Some(lid) = &self.lid {
            if lid.zone >= self.zones.len() {
                checker.error("lid", format!("opens zone {}, but there are {} zones", lid.zone + 1, self.zones.len()));
            }
            checker.bound("lid", "open area", lid.open_area.value(), &bounds::AREA);
            checker.bound("lid", "open loss", lid.open_loss.value(), &bounds::CONDUCTANCE);
        }
        checker.bound("outside", "convection", self.outside.convection.value(), &bounds::HEAT_TRANSFER);
        checker.bound("outside", "emissivity", self.outside.emissivity, &bounds::EMISSIVITY);
        for (name, limit) in [
            ("element", self.limits.element),
            ("brick", self.limits.brick),
            ("programmed top", self.limits.programmed_top),
        ] {
            checker.bound("limits", name, limit.value(), &bounds::TEMPERATURE);
        }
        if checker.errors.is_empty() { Ok(()) } else { Err(checker.errors) }
    }
}

impl Zone {
    fn check(&self, checker: &mut Checker) {
        let part = format!("zone {:?}", self.name);
        checker.bound(&part, "wall area", self.wall_area.value(), &bounds::AREA);
        checker.bound(&part, "wall emissivity", self.wall_emissivity, &bounds::EMISSIVITY);
        if self.layers.is_empty() {
            checker.error(&part, "has no wall; give at least one layer".to_string());
        }
        for (index, layer) in self.layers.iter().enumerate() {
            layer.check(&format!("{part}, layer {}", index + 1), checker);
        }
        let element = format!("{part}, element");
        checker.bound(&element, "rated power", self.element.rated.value(), &bounds::POWER);
        checker.bound(&element, "rated voltage", self.element.rated_at.value(), &bounds::SUPPLY_VOLTAGE);
        checker.bound(&element, "heat capacity", self.element.heat_capacity.value(), &bounds::HEAT_CAPACITY);
        checker.bound(&element, "surface", self.element.surface.value(), &bounds::AREA);
        checker.bound(&element, "emissivity", self.element.emissivity, &bounds::EMISSIVITY);
        checker.bound(&element, "ageing", self.element.ageing, &bounds::AGEING);
        let rise = Bound { name: "resistance rise", dimension: bounds::AGEING.dimension, min: -0.0004, max: 0.01 };
        checker.bound(&element, "resistance rise per °C", self.element.resistance_rise_per_celsius, &rise);
        if let Some(load) = &self.load {
            let part = format!("{part}, load");
            checker.bound(&part, "mass", load.mass.value(), &bounds::MASS);
            load.specific_heat.check(&part, checker);
            checker.bound(&part, "surface", load.surface.value(), &bounds::AREA);
            checker.bound(&part, "emissivity", load.emissivity, &bounds::EMISSIVITY);
        }
        checker.bound(&part, "air leak", self.air_leak.value(), &bounds::CONDUCTANCE);
        checker.bound(&part, "inner convection", self.inner_convection.value(), &bounds::HEAT_TRANSFER);
        let lag = Bound { name: "time constant", dimension: bounds::SPAN.dimension, min: 0.1, max: 3600.0 };
        checker.bound(&part, "probe's time constant", self.probe.time_constant.value(), &lag);
    }
}

impl Layer {
    fn check(&self, part: &str, checker: &mut Checker) {
        checker.bound(part, "thickness", self.thickness.value(), &bounds::THICKNESS);
        checker.bound(part, "density", self.material.density.value(), &bounds::DENSITY);
        self.material.conductivity.check(part, checker);
        self.material.specific_heat.check(part, checker);
        let most = KilnDescription::MAX_NODES_PER_LAYER;
        if self.nodes == 0 || self.nodes > most {
            checker.error(&format!("{part}, nodes"), format!("have to be 1 to {most}, found {}", self.nodes));
            return;
        }
        let allowed = self.most_nodes();
        if allowed == 0 {
            let problem = "is too thin or conducts too well to be a layer of its own; \
                           leave it out or let its neighbour stand for it";
            checker.error(part, problem.to_string());
        } else if self.nodes > allowed {
            let problem = format!(
                "are too thin for steps of one second; this layer takes at most {allowed}, found {}",
                self.nodes
            );
            checker.error(&format!("{part}, nodes"), problem);
        }
    }

    /// Into how many cells the layer may be cut at most, so that a step of one
    /// second is stable whatever its neighbours are: a cell's heat capacity has
    /// to be twice what its two faces exchange in a second (one of them half a
    /// cell away: `ρ·c·dx² ≥ 2·3·k` seconds).
    pub fn most_nodes(&self) -> usize {
        let temperatures = || (0..=28).map(|step| 50.0 * f64::from(step));
        let highest = temperatures().map(|t| self.material.conductivity.at(t)).fold(0.0, f64::max);
        let lowest = temperatures().map(|t| self.material.specific_heat.at(t)).fold(f64::INFINITY, f64::min);
        let seconds_by_square = self.material.density.value() * lowest / (6.0 * highest);
        let thinnest = libm::sqrt(1.0 / seconds_by_square);
        let nodes = libm::floor(self.thickness.value() / thinnest);
        if nodes >= 1.0 { (nodes as usize).min(KilnDescription::MAX_NODES_PER_LAYER) } else { 0 }
    }
}

/// Temperatures at which a linear law has to make sense.
const LAW_RANGE: [f64; 2] = [-50.0, 1400.0];

impl Conductivity {
    fn check(&self, part: &str, checker: &mut Checker) {
        let bound = &bounds::CONDUCTIVITY;
        match self {
            Self::Linear { at_zero, slope_per_celsius } => {
                check_line(part, "conductivity", at_zero.value(), *slope_per_celsius, bound, checker);
            }
            Self::Table(points) => {
                let points = points.iter().map(|(t, value)| (t.value(), value.value()));
                check_table(part, "conductivity", points, bound, checker);
            }
        }
    }

    /// Its value at a temperature in °C.
    pub fn at(&self, celsius: f64) -> f64 {
        match self {
            Self::Linear { at_zero, slope_per_celsius } => at_zero.value() + slope_per_celsius * celsius,
            Self::Table(points) => between(points.iter().map(|(t, value)| (t.value(), value.value())), celsius),
        }
    }
}

impl SpecificHeat {
    fn check(&self, part: &str, checker: &mut Checker) {
        let bound = &bounds::SPECIFIC_HEAT;
        match self {
            Self::Linear { at_zero, slope_per_celsius } => {
                check_line(part, "specific heat", at_zero.value(), *slope_per_celsius, bound, checker);
            }
            Self::Table(points) => {
                let points = points.iter().map(|(t, value)| (t.value(), value.value()));
                check_table(part, "specific heat", points, bound, checker);
            }
        }
    }

    /// Its value at a temperature in °C.
    pub fn at(&self, celsius: f64) -> f64 {
        match self {
            Self::Linear { at_zero, slope_per_celsius } => at_zero.value() + slope_per_celsius * celsius,
            Self::Table(points) => between(points.iter().map(|(t, value)| (t.value(), value.value())), celsius),
        }
    }
}

fn check_line(part: &str, name: &str, at_zero: f64, slope: f64, bound: &Bound, checker: &mut Checker) {
    for celsius in LAW_RANGE {
        let value = at_zero + slope * celsius;
        if !bound.contains(value) {
            checker.bound(part, &format!("{name} at {celsius} °C"), value, bound);
            return;
        }
    }
}

fn check_table(part: &str, name: &str, points: impl Iterator<Item = (f64, f64)>, bound: &Bound, checker: &mut Checker) {
    let mut previous: Option<f64> = None;
    for (celsius, value) in points {
        checker.bound(part, &format!("{name} at {celsius} °C"), value, bound);
        let rises = previous.is_none_or(|earlier| celsius > earlier);
        if !rises || !celsius.is_finite() {
            let problem = format!("temperatures have to rise from point to point, found {celsius} °C");
            checker.error(&format!("{part}, {name}"), problem);
        }
        previous = Some(celsius);
    }
    if previous.is_none() {
        checker.error(&format!("{part}, {name}"), "the table is empty; give at least one point".to_string());
    }
}

/// Linear interpolation in a table, constant outside it; zero for an empty one, which the check refuses.
fn between(points: impl Iterator<Item = (f64, f64)>, celsius: f64) -> f64 {
    let mut previous: Option<(f64, f64)> = None;
    for (t, value) in points {
        if celsius < t {
            return match previous {
                Some((t0, value0)) => value0 + (value - value0) * (celsius - t0) / (t - t0),
                None => value,
            };
        }
        previous = Some((t, value));
    }
    previous.map_or(0.0, |(_, value)| value)
}

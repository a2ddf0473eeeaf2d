//! The thermal model: chambers with element and load inside, walls around them.
//!
//! Element, load, hot face and chamber are stiff against a step of a second.
//! They are solved together, linearised once a step, with the element's and the
//! load's own relaxation taken along in closed form; what leaves one body enters
//! another, so heat is conserved to rounding. See `docs/kiln-model.md`.

use dryfire_units::RigSpan;

use crate::description::{KilnDescription, Zone};
use crate::kiln::{StartProfile, StartState};
use crate::material::MaterialTable;
use crate::wall::Walls;

mod parts;

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

/// A surface that exchanges heat with its chamber: net radiation for each W/m² of
/// difference in radiosity, and convection for each kelvin.
#[derive(Clone, Copy, Debug, Default)]
struct Surface {
    radiating: f64,
    convecting: f64,
}

impl Surface {
    /// A grey body that the chamber encloses: ε·A.
    fn enclosed(area: f64, emissivity: f64, convection: f64) -> Self {
        Surface { radiating: emissivity * area, convecting: convection * area }
    }

    /// The grey enclosure itself: ε·A/(1 − ε).
    fn enclosing(area: f64, emissivity: f64, convection: f64) -> Self {
        Surface { radiating: area * emissivity / (1.0 - emissivity), convecting: convection * area }
    }
}

/// What is thin or small in a zone. Temperatures in kelvin.
#[derive(Clone, Debug)]
struct Chamber {
    // Parameters.
    wall_area: f64,
    per_wall_area: f64,
    wall: Surface,
    element: Surface,
    load: Surface,
    leak: f64,
    lid: Surface,
    below: Surface,
    element_capacity: f64,
    per_element_capacity: f64,
    conductance_cold: f64,
    resistance_rise: f64,
    load_mass: f64,
    per_load_mass: f64,
    load_table: Option<Box<MaterialTable>>,
    probe_time_constant: f64,
    probe_keeps_full_step: f64,
    // State.
    element_temperature: f64,
    load_enthalpy: f64,
    load_temperature: f64,
    load_rise: f64,
    probe_temperature: f64,
    // Quasi-steady: follow from the state, kept as the point to linearise at.
    radiosity: f64,
    temperature: f64,
    /// Kelvin of chamber for each W/m² of radiosity.
    per_radiosity: f64,
    hot_face: f64,
    /// How fast the hot face moves, K/s; zero where an edge has just changed that.
    face_rate: f64,
    outer_face: f64,
    /// Temperatures of chamber and hot face at the end of the step.
    temperature_now: f64,
    hot_face_now: f64,
}

/// What the linear system of one step needs of a zone.
#[derive(Clone, Copy, Debug, Default)]
struct Balance {
    power: f64,
    source: f64,
    diagonal: f64,
    element_flow: f64,
    element_slope: f64,
    /// How far the chamber's radiosity follows the element's, 0 to 1.
    element_share: f64,
    load_flow: f64,
    load_slope: f64,
    loss_flow: f64,
    loss_slope: f64,
    wall_flow: f64,
    wall_slope: f64,
    face_change: f64,
    face_slope: f64,
    change: f64,
}

/// State and parameters of all zones.
#[derive(Clone, Debug)]
pub(crate) struct Model {
    /// Kelvin.
    ambient: f64,
    ambient_radiosity: f64,
    outside_radiating: f64,
    outside_convecting: f64,
    walls: Walls,
    chambers: Vec<Chamber>,
    balances: Vec<Balance>,
    full_step: RigSpan,
    /// Length of the step before, s; zero if there is none to extrapolate from.
    earlier_step: f64,
    /// How long before now the chambers' linearisation points lie, s.
    chamber_age: f64,
    lid_open: bool,
    earlier_supply: Vec<Supply>,
    electrical: f64,
    lost: f64,
}

#[inline(always)]
fn radiosity(kelvin: f64) -> f64 {
    let square = kelvin * kelvin;
    STEFAN_BOLTZMANN * square * square
}

/// Mean over a step of a decay `e^(−x·s)`, s from 0 to 1, by the (0,2) Padé
/// approximant of the exponential: second order, between 0 and 1 for every x.
#[inline(always)]
fn mean_decay(x: f64) -> f64 {
    let half = 0.5 * x;
    (1.0 + half) / (1.0 + x * (1.0 + half))
}

impl Chamber {
    fn new(zone: &Zone, description: &KilnDescription, index: usize, start: StartState, full_step: RigSpan) -> Self {
        let convection = zone.inner_convection.value();
        let kelvin = start.kiln.value() + ZERO_CELSIUS;
        let lid = description.lid.filter(|lid| lid.zone == index).map_or_else(Surface::default, |lid| Surface {
            radiating: lid.open_area.value(),
            convecting: lid.open_loss.value(),
        });
        let below = description.couplings.get(index).map_or_else(Surface::default, |coupling| Surface {
            radiating: coupling.radiating_area.value(),
            convecting: coupling.conductance.value(),
        });
        let element = &zone.element;
        let volts = element.rated_at.value();
        let mut chamber = Chamber {
            wall_area: zone.wall_area.value(),
            per_wall_area: 1.0 / zone.wall_area.value(),
            wall: Surface::enclosing(zone.wall_area.value(), zone.wall_emissivity, convection),
            element: Surface::enclosed(element.surface.value(), element.emissivity, convection),
            load: zone.load.as_ref().map_or_else(Surface::default, |load| {
                Surface::enclosed(load.surface.value(), load.emissivity, convection)
            }),
            leak: zone.air_leak.value(),
            lid,
            below,
            element_capacity: element.heat_capacity.value(),
            per_element_capacity: 1.0 / element.heat_capacity.value(),
            conductance_cold: element.rated.value() / (volts * volts * element.ageing),
            resistance_rise: element.resistance_rise_per_celsius,
            load_mass: zone.load.as_ref().map_or(1.0, |load| load.mass.value()),
            per_load_mass: zone.load.as_ref().map_or(1.0, |load| 1.0 / load.mass.value()),
            load_table: zone.load.as_ref().map(|load| {
                let unused = crate::description::Conductivity::Linear {
                    at_zero: dryfire_units::WattsPerMetreKelvin::new(1.0),
                    slope_per_celsius: 0.0,
                };
                Box::new(MaterialTable::new(1.0, &unused, &load.specific_heat))
            }),
            probe_time_constant: zone.probe.time_constant.value(),
            probe_keeps_full_step: libm::exp(-full_step.as_seconds() / zone.probe.time_constant.value()),
            element_temperature: kelvin,
            load_enthalpy: 0.0,
            load_temperature: kelvin,
            load_rise: 0.0,
            probe_temperature: kelvin,
            radiosity: radiosity(kelvin),
            temperature: kelvin,
            per_radiosity: kelvin / (4.0 * radiosity(kelvin)),
            hot_face: kelvin,
            face_rate: 0.0,
            outer_face: kelvin,
            temperature_now: kelvin,
            hot_face_now: kelvin,
        };
        if let Some(table) = &chamber.load_table {
            chamber.load_enthalpy = table.enthalpy(start.kiln.value());
            chamber.load_rise = table.temperature_and_slope(chamber.load_enthalpy).1;
        }
        chamber
    }

    #[inline]
    fn power(&self, supply: Supply) -> f64 {
        if !supply.is_on() {
            return 0.0;
        }
        let rise = self.resistance_rise * (self.element_temperature - (ZERO_CELSIUS + 20.0));
        supply.share * supply.volts * supply.volts * self.conductance_cold / (1.0 + rise)
    }

    /// All flows of the zone as linear functions of the change of its radiosity over the step.
    #[inline]
    fn balance(&self, supply: Supply, dt: f64, behind_face: (f64, f64), surroundings: &Surroundings) -> Balance {
        let (middle, conductance) = behind_face;
        let per_radiosity = self.per_radiosity;
        // Mean share of its first flow that a body keeps giving, that flow, and how it answers to the chamber.
        let body = |surface: Surface, kelvin: f64, kelvin_per_joule: f64| {
            let cube = STEFAN_BOLTZMANN * kelvin * kelvin * kelvin;
            let stiffness = 4.0 * surface.radiating * cube + surface.convecting;
            let decay = mean_decay(stiffness * dt * kelvin_per_joule);
            let flow =
                surface.radiating * (cube * kelvin - self.radiosity) + surface.convecting * (kelvin - self.temperature);
            (decay, flow, decay * (surface.radiating + surface.convecting * per_radiosity))
        };
        let (decay, flow, element_slope) = body(self.element, self.element_temperature, self.per_element_capacity);
        // Resistance in the middle of the step, to first order.
        let at_start = self.power(supply);
        let rise = 0.5 * dt * decay * (at_start - flow) * self.per_element_capacity;
        let power = at_start * (1.0 - self.resistance_rise * rise);
        let element_flow = power + decay * (flow - power);
        let (decay, flow, load_slope) = body(self.load, self.load_temperature, self.load_rise * self.per_load_mass);
        let load_flow = decay * flow;
        let cube = STEFAN_BOLTZMANN * self.hot_face * self.hot_face * self.hot_face;
        let own = cube * self.hot_face;
        let stiffness = 4.0 * self.wall.radiating * cube + self.wall.convecting;
        let into_wall = self.wall_area * conductance;
        let per_exchange = 1.0 / (stiffness + into_wall);
        let share = into_wall * per_exchange;
        let conducted = into_wall * (self.hot_face - middle);
        let arriving =
            self.wall.radiating * (self.radiosity - own) + self.wall.convecting * (self.temperature - self.hot_face);
        let wall_flow = conducted + share * (arriving - conducted);
        let arriving_slope = self.wall.radiating + self.wall.convecting * per_radiosity;
        let wall_slope = share * arriving_slope;
        let open = if surroundings.lid_open { self.lid } else { Surface::default() };
        let losing = self.leak + open.convecting;
        let loss_flow = losing * (self.temperature - surroundings.ambient)
            + open.radiating * (self.radiosity - surroundings.radiosity);
        let loss_slope = losing * per_radiosity + open.radiating;
        let diagonal = element_slope + load_slope + wall_slope + loss_slope;
        Balance {
            power,
            source: element_flow + load_flow - wall_flow - loss_flow,
            diagonal,
            element_flow,
            element_slope,
            element_share: element_slope / diagonal,
            load_flow,
            load_slope,
            loss_flow,
            loss_slope,
            wall_flow,
            wall_slope,
            face_change: (arriving - conducted) * per_exchange,
            face_slope: arriving_slope * per_exchange,
            change: 0.0,
        }
    }
}

/// What all zones share in a step.
struct Surroundings {
    ambient: f64,
    radiosity: f64,
    lid_open: bool,
}

impl Model {
    pub(crate) fn new(description: &KilnDescription, start: StartState, full_step: RigSpan) -> Self {
        let ambient = start.ambient.value() + ZERO_CELSIUS;
        let chambers = description.zones.iter().enumerate();
        let mut model = Model {
            ambient,
            ambient_radiosity: radiosity(ambient),
            outside_radiating: description.outside.emissivity,
            outside_convecting: description.outside.convection.value(),
            walls: Walls::new(description),
            chambers: chambers.map(|(index, zone)| Chamber::new(zone, description, index, start, full_step)).collect(),
            balances: vec![Balance::default(); description.zones.len()],
            full_step,
            earlier_step: 0.0,
            chamber_age: 0.0,
            lid_open: false,
            earlier_supply: vec![Supply::OFF; description.zones.len()],
            electrical: 0.0,
            lost: 0.0,
        };
        for zone in 0..model.chambers.len() {
            model.walls.set_uniform(zone, start.kiln.value());
            if start.profile == StartProfile::Steady && start.kiln > start.ambient {
                model.soak(zone);
            }
        }
        model.settle(&vec![Supply::OFF; description.zones.len()]);
        model
    }

    /// Brings a zone to the steady state of its chamber's temperature: wall, both faces, element.
    fn soak(&mut self, zone: usize) {
        let chamber = &self.chambers[zone];
        let kelvin = chamber.temperature;
        let (wall, area) = (chamber.wall, chamber.wall_area);
        // The flux is the zero of a function that falls with it; 60 halvings reach the last bit or so.
        let (mut low, mut high) = (0.0, 1e6);
        let (mut hot_face, mut outer_face) = (kelvin, self.ambient);
        for _ in 0..60 {
            let flux = (low + high) / 2.0;
            outer_face = self.outer_face_losing(flux);
            hot_face = self.walls.set_steady(zone, flux, outer_face - ZERO_CELSIUS) + ZERO_CELSIUS;
            let arriving =
                wall.radiating * (radiosity(kelvin) - radiosity(hot_face)) + wall.convecting * (kelvin - hot_face);
            if arriving > area * flux {
                low = flux;
            } else {
                high = flux;
            }
        }
        let chamber = &mut self.chambers[zone];
        (chamber.hot_face, chamber.outer_face) = (hot_face, outer_face);
        let needed = area * (low + high) / 2.0 + chamber.leak * (kelvin - self.ambient);
        let element = chamber.element;
        let given = |t: f64| element.radiating * (radiosity(t) - radiosity(kelvin)) + element.convecting * (t - kelvin);
        chamber.element_temperature = bisect(kelvin, 4.0 * kelvin, |t| given(t) < needed);
    }

    fn outer_face_losing(&self, flux: f64) -> f64 {
        bisect(self.ambient, 100.0 * self.ambient, |t| {
            self.outside_convecting * (t - self.ambient)
                + self.outside_radiating * (radiosity(t) - self.ambient_radiosity)
                < flux
        })
    }

    /// Brings what is quasi-steady into agreement with the state, without time passing.
    fn settle(&mut self, supply: &[Supply]) {
        // Each round is a Newton step; from the worst start (a lid opened at 1300 °C) six reach the last bits.
        for _ in 0..12 {
            self.solve(0.0, 0.0, supply);
            for (chamber, balance) in self.chambers.iter_mut().zip(&self.balances) {
                chamber.take_point(balance);
                (chamber.temperature_now, chamber.hot_face_now) = (chamber.temperature, chamber.hot_face);
                chamber.face_rate = 0.0;
            }
            for zone in 0..self.chambers.len() {
                self.outer_loss(zone, 0.0);
            }
        }
        self.chamber_age = 0.0;
    }

    /// Takes the chambers' temperatures exactly now: their slope is about to
    /// jump, and the extrapolation to the end of the next step must not reach
    /// back over the edge.
    fn mark_edge(&mut self, supply: &[Supply]) {
        self.solve(0.0, 0.0, supply);
        for (chamber, balance) in self.chambers.iter_mut().zip(&self.balances) {
            chamber.take_point(balance);
            chamber.face_rate = 0.0;
        }
        self.chamber_age = 0.0;
    }

    /// Solves the zones' balances together for the changes of their radiosities.
    fn solve(&mut self, dt: f64, ahead: f64, supply: &[Supply]) {
        let surroundings =
            Surroundings { ambient: self.ambient, radiosity: self.ambient_radiosity, lid_open: self.lid_open };
        let lead = self.chamber_age + 0.5 * dt;
        for (zone, (chamber, balance)) in self.chambers.iter().zip(&mut self.balances).enumerate() {
            // Conductivity where the face will be in the middle of the step: it may move by degrees.
            let face = chamber.hot_face + chamber.face_rate * lead - ZERO_CELSIUS;
            let (middle, conductance) = self.walls.behind_hot_face(zone, face, ahead);
            *balance = chamber.balance(supply[zone], dt, (middle + ZERO_CELSIUS, conductance), &surroundings);
        }
        // Tridiagonal elimination from the top zone down, then back up.
        let mut pivot = 1.0 / self.balances[0].diagonal;
        let mut from_below = [0.0; KilnDescription::MAX_ZONES];
        for (lower, share) in (1..self.chambers.len()).zip(&mut from_below) {
            let upper = lower - 1;
            let coupling = self.chambers[upper].below;
            let (here, next) = (&self.chambers[upper], &self.chambers[lower]);
            let flow = coupling.radiating * (here.radiosity - next.radiosity)
                + coupling.convecting * (here.temperature - next.temperature);
            let slope = coupling.radiating + coupling.convecting * here.per_radiosity;
            let slope_next = coupling.radiating + coupling.convecting * next.per_radiosity;
            pivot = 1.0 / (self.balances[upper].diagonal + slope);
            let change = (self.balances[upper].source - flow) * pivot;
            *share = slope_next * pivot;
            self.balances[upper].change = change;
            let balance = &mut self.balances[lower];
            balance.source += flow + slope * change;
            balance.diagonal += slope_next - slope * *share;
            pivot = 1.0 / balance.diagonal;
        }
        let last = self.chambers.len() - 1;
        self.balances[last].change = self.balances[last].source * pivot;
        for upper in (0..last).rev() {
            self.balances[upper].change += from_below[upper] * self.balances[upper + 1].change;
        }
    }

    /// Loss per area through a zone's outer face, in the middle of the step.
    #[inline]
    fn outer_loss(&mut self, zone: usize, ahead: f64) -> f64 {
        let face = self.chambers[zone].outer_face;
        let (middle, conductance) = self.walls.behind_outer_face(zone, face - ZERO_CELSIUS, ahead);
        let cube = STEFAN_BOLTZMANN * face * face * face;
        let own = cube * face;
        let stiffness = 4.0 * self.outside_radiating * cube + self.outside_convecting;
        let lost =
            self.outside_convecting * (face - self.ambient) + self.outside_radiating * (own - self.ambient_radiosity);
        let arriving = conductance * (middle + ZERO_CELSIUS - face);
        let change = (arriving - lost) / (stiffness + conductance);
        self.chambers[zone].outer_face = face + change;
        lost + stiffness * change
    }

    /// One step.
    pub(crate) fn step(&mut self, span: RigSpan, supply: &[Supply], lid_open: bool) {
        if span <= RigSpan::ZERO {
            return;
        }
        if lid_open != self.lid_open {
            self.lid_open = lid_open;
            self.settle(supply);
        } else if self.earlier_supply != supply {
            self.earlier_supply.copy_from_slice(supply);
            self.mark_edge(supply);
        }
        let parts = self.parts(span.as_seconds(), supply);
        if parts == 1 {
            self.advance(span.as_seconds(), span == self.full_step, supply);
        } else {
            for _ in 0..parts {
                self.advance(span.as_seconds() / f64::from(parts), false, supply);
            }
        }
    }

    /// One step or part of it; `full` if it is as long as the grid's.
    fn advance(&mut self, dt: f64, full: bool, supply: &[Supply]) {
        let ahead = if self.earlier_step > 0.0 { 0.5 * dt / self.earlier_step } else { 0.0 };
        self.solve(dt, ahead, supply);
        self.walls.conduct(ahead);
        let per_lead = 1.0 / (self.chamber_age + 0.5 * dt);
        let to_end = 0.5 * dt * per_lead;
        for zone in 0..self.chambers.len() {
            let outward = self.outer_loss(zone, ahead);
            let (chamber, balance) = (&mut self.chambers[zone], &self.balances[zone]);
            let (earlier, earlier_face) = (chamber.temperature, chamber.hot_face);
            chamber.take_point(balance);
            chamber.temperature_now = chamber.temperature + to_end * (chamber.temperature - earlier);
            chamber.face_rate = (chamber.hot_face - earlier_face) * per_lead;
            chamber.hot_face_now = chamber.hot_face + 0.5 * dt * chamber.face_rate;
            let from_element = balance.element_flow - balance.element_slope * balance.change;
            let from_load = balance.load_flow - balance.load_slope * balance.change;
            let into_wall = balance.wall_flow + balance.wall_slope * balance.change;
            let loss = balance.loss_flow + balance.loss_slope * balance.change;
            chamber.element_temperature += (balance.power - from_element) * dt * chamber.per_element_capacity;
            if let Some(table) = &chamber.load_table {
                chamber.load_enthalpy -= from_load * dt * chamber.per_load_mass;
                let (celsius, rise) = table.temperature_and_slope(chamber.load_enthalpy);
                (chamber.load_temperature, chamber.load_rise) = (celsius + ZERO_CELSIUS, rise);
            }
            let keeps = if full { chamber.probe_keeps_full_step } else { libm::exp(-dt / chamber.probe_time_constant) };
            chamber.probe_temperature = chamber.temperature + keeps * (chamber.probe_temperature - chamber.temperature);
            self.walls.exchange(zone, dt, into_wall * chamber.per_wall_area, outward);
            self.electrical += balance.power * dt;
            self.lost += (loss + outward * chamber.wall_area) * dt;
        }
        self.walls.update(dt);
        self.earlier_step = dt;
        self.chamber_age = 0.5 * dt;
    }

    pub(crate) fn power(&self, zone: usize, supply: Supply) -> f64 {
        self.chambers[zone].power(supply)
    }

    pub(crate) fn chamber(&self, zone: usize) -> f64 {
        self.chambers[zone].temperature_now - ZERO_CELSIUS
    }

    pub(crate) fn element(&self, zone: usize) -> f64 {
        self.chambers[zone].element_temperature - ZERO_CELSIUS
    }

    pub(crate) fn load(&self, zone: usize) -> Option<f64> {
        let chamber = &self.chambers[zone];
        chamber.load_table.is_some().then_some(chamber.load_temperature - ZERO_CELSIUS)
    }

    pub(crate) fn hot_face(&self, zone: usize) -> f64 {
        self.chambers[zone].hot_face_now - ZERO_CELSIUS
    }

    pub(crate) fn outer_face(&self, zone: usize) -> f64 {
        self.chambers[zone].outer_face - ZERO_CELSIUS
    }

    pub(crate) fn wall(&self, zone: usize) -> impl Iterator<Item = f64> + '_ {
        self.walls.temperatures(zone).iter().copied()
    }

    pub(crate) fn probe(&self, zone: usize) -> f64 {
        self.chambers[zone].probe_temperature - ZERO_CELSIUS
    }

    pub(crate) fn probe_slope(&self, zone: usize) -> f64 {
        let chamber = &self.chambers[zone];
        (chamber.temperature_now - chamber.probe_temperature) / chamber.probe_time_constant
    }

    pub(crate) fn probe_time_constant(&self, zone: usize) -> f64 {
        self.chambers[zone].probe_time_constant
    }

    pub(crate) fn stored_energy(&self) -> f64 {
        let ambient = self.ambient - ZERO_CELSIUS;
        let zones = self.chambers.iter().enumerate();
        zones
            .map(|(zone, chamber)| {
                let load = chamber
                    .load_table
                    .as_ref()
                    .map_or(0.0, |table| chamber.load_mass * (chamber.load_enthalpy - table.enthalpy(ambient)));
                let element = chamber.element_capacity * (chamber.element_temperature - self.ambient);
                chamber.wall_area * self.walls.stored_above(zone, ambient) + load + element
            })
            .sum()
    }

    pub(crate) fn electrical_energy(&self) -> f64 {
        self.electrical
    }

    pub(crate) fn lost_energy(&self) -> f64 {
        self.lost
    }
}

impl Chamber {
    /// Moves the point of linearisation to the solution.
    #[inline]
    fn take_point(&mut self, balance: &Balance) {
        // Positive by nature; the floor (a chamber at 100 K) only guards the root.
        const FLOOR: f64 = STEFAN_BOLTZMANN * 1e8;
        let radiosity = self.radiosity + balance.change;
        self.radiosity = if radiosity > FLOOR { radiosity } else { FLOOR };
        // Root and quotient do not wait for each other; everything else in the next step waits for them.
        let quotient = 0.25 / self.radiosity;
        self.temperature = libm::sqrt(libm::sqrt(self.radiosity * (1.0 / STEFAN_BOLTZMANN)));
        self.per_radiosity = self.temperature * quotient;
        self.hot_face += balance.face_change + balance.face_slope * balance.change;
    }
}

/// Where a condition that holds from `low` on ends, by 60 halvings.
fn bisect(mut low: f64, mut high: f64, holds: impl Fn(f64) -> bool) -> f64 {
    for _ in 0..60 {
        let middle = (low + high) / 2.0;
        if holds(middle) {
            low = middle;
        } else {
            high = middle;
        }
    }
    (low + high) / 2.0
}

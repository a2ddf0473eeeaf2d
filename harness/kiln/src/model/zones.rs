//! State and parameters of all zones, and the step.

use dryfire_units::RigSpan;
use pulp::{Arch, NullaryFnOnce};

use super::balance::Balances;
use super::bodies::{Elements, Loads, Probes, Surfaces, enclosing, open_lid};
use super::{STEFAN_BOLTZMANN, Supply, ZERO_CELSIUS, radiosity};
use crate::description::KilnDescription;
use crate::kiln::{StartProfile, StartState};
use crate::lanes::Lanes;
use crate::wall::Walls;

/// What is thin or small, and the points to linearise at. Kelvin.
#[derive(Clone, Debug)]
pub(super) struct State<const N: usize> {
    pub(super) element: Lanes<N>,
    pub(super) probe: Lanes<N>,
    // Quasi-steady: follow from the rest, kept as the point to linearise at.
    pub(super) radiosity: Lanes<N>,
    pub(super) temperature: Lanes<N>,
    /// Kelvin of chamber for each W/m² of radiosity.
    pub(super) per_radiosity: Lanes<N>,
    pub(super) hot_face: Lanes<N>,
    /// How fast hot faces move, K/s; zero where an edge has just changed that.
    face_rate: Lanes<N>,
    pub(super) outer_face: Lanes<N>,
}

/// What is told at the end of a step. Kelvin.
#[derive(Clone, Debug)]
pub(super) struct Now<const N: usize> {
    pub(super) chamber: Lanes<N>,
    pub(super) hot_face: Lanes<N>,
}

/// Zones in `N` places; those left over are like the last zone, without power and without neighbours.
#[derive(Clone, Debug)]
pub(crate) struct Zones<const N: usize> {
    pub(super) zones: usize,
    pub(super) ambient: f64,
    pub(super) ambient_radiosity: f64,
    outside_radiating: f64,
    outside_convecting: f64,
    pub(super) walls: Walls<N>,
    pub(super) wall_area: Lanes<N>,
    per_wall_area: Lanes<N>,
    pub(super) wall: Surfaces<N>,
    pub(super) elements: Elements<N>,
    pub(super) loads: Loads<N>,
    pub(super) probe: Probes<N>,
    leak: Lanes<N>,
    lid: Surfaces<N>,
    /// To the surroundings: leak, and lid while it stands open.
    pub(super) losing: Surfaces<N>,
    /// To the zone below.
    pub(super) below: Surfaces<N>,
    pub(super) state: State<N>,
    pub(super) now: Now<N>,
    pub(super) balances: Balances<N>,
    pub(super) full_step: RigSpan,
    /// Length of the step before, s; zero if there is none to extrapolate from.
    earlier_step: f64,
    /// How long before now the chambers' points of linearisation lie, s.
    chamber_age: f64,
    /// Over less than this no speed is told from a point that was extrapolated, s.
    shortest_lead: f64,
    /// Whether the points of linearisation were extrapolated to an edge, and not solved for.
    pub(super) marked: bool,
    /// For how many steps of thin elements more the speeds of the hot faces are found from the step itself.
    unsure_steps: u32,
    lid_open: bool,
    /// What has changed since the last step.
    edge: Edge,
    /// For how many steps nobody has to look whether they have to be cut.
    pub(super) steps_uncut: u32,
    electrical: Lanes<N>,
    lost: Lanes<N>,
    /// What this processor can take side by side.
    arch: Arch,
}

/// A step, to be worked out with the widest instructions that the processor has. They
/// calculate as the others do, to the last bit: nothing is fused, nothing changes its order.
struct Step<'a, const N: usize> {
    zones: &'a mut Zones<N>,
    span: RigSpan,
}

impl<const N: usize> NullaryFnOnce for Step<'_, N> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        self.zones.step_here(self.span);
    }
}

/// The shortest time from which a speed is told, as a share of the grid's step: what is off by a few
/// hundredths of a degree then moves the next step's point by a degree or two, and its conductivity by a thousandth.
const SHORTEST_LEAD: f64 = 0.02;

/// In so many steps after an edge the hot faces' speeds are not told from those before.
const UNSURE_STEPS: u32 = 2;

/// What has changed since the last step.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Edge {
    None,
    Supply,
    Lid,
}

impl<const N: usize> Zones<N> {
    /// All zones, nothing supplied; `None` if there is no zone or a zone has no layer.
    pub(super) fn new(description: &KilnDescription, start: StartState, full_step: RigSpan) -> Option<Self> {
        let last = description.zones.last()?;
        let zone = |place: usize| description.zones.get(place).unwrap_or(last);
        let ambient = start.ambient.value() + ZERO_CELSIUS;
        let kelvin = start.kiln.value() + ZERO_CELSIUS;
        let wall_area: Lanes<N> = Lanes::from_fn(|place| zone(place).wall_area.value());
        let leak: Lanes<N> = Lanes::from_fn(|place| zone(place).air_leak.value());
        let mut zones = Zones {
            zones: description.zones.len(),
            ambient,
            ambient_radiosity: radiosity(ambient),
            outside_radiating: description.outside.emissivity,
            outside_convecting: description.outside.convection.value(),
            walls: Walls::new(description)?,
            wall_area,
            per_wall_area: Lanes(wall_area.map(|area| 1.0 / area)),
            wall: Surfaces::from_fn(|place| {
                let zone = zone(place);
                enclosing(zone.wall_area.value(), zone.wall_emissivity, zone.inner_convection.value())
            }),
            elements: Elements::new(zone),
            loads: Loads::new(zone, start.kiln.value()),
            probe: Probes::new(zone, full_step),
            leak,
            lid: open_lid(description),
            losing: Surfaces { radiating: Lanes::ZERO, convecting: leak },
            below: Surfaces::from_fn(|place| {
                let coupling = description.couplings.get(place);
                coupling.map_or((0.0, 0.0), |c| (c.radiating_area.value(), c.conductance.value()))
            }),
            state: State {
                element: Lanes::all(kelvin),
                probe: Lanes::all(kelvin),
                radiosity: Lanes::all(radiosity(kelvin)),
                temperature: Lanes::all(kelvin),
                per_radiosity: Lanes::all(kelvin / (4.0 * radiosity(kelvin))),
                hot_face: Lanes::all(kelvin),
                face_rate: Lanes::ZERO,
                outer_face: Lanes::all(kelvin),
            },
            now: Now { chamber: Lanes::all(kelvin), hot_face: Lanes::all(kelvin) },
            balances: Balances::ZERO,
            full_step,
            earlier_step: 0.0,
            chamber_age: 0.0,
            shortest_lead: SHORTEST_LEAD * full_step.as_seconds(),
            marked: false,
            unsure_steps: 0,
            lid_open: false,
            edge: Edge::None,
            steps_uncut: 0,
            electrical: Lanes::ZERO,
            lost: Lanes::ZERO,
            arch: Arch::new(),
        };
        for zone in 0..zones.zones {
            zones.walls.set_uniform(zone, start.kiln.value());
            if start.profile == StartProfile::Steady && start.kiln > start.ambient {
                zones.soak(zone);
            }
        }
        zones.settle();
        Some(zones)
    }

    /// Brings a zone to the steady state of its chamber's temperature: wall, both faces, element.
    fn soak(&mut self, zone: usize) {
        let kelvin = self.state.temperature[zone];
        let (radiating, convecting) = (self.wall.radiating[zone], self.wall.convecting[zone]);
        let area = self.wall_area[zone];
        // The flux is the zero of a function that falls with it; 60 halvings reach the last bit or so.
        let (mut low, mut high) = (0.0, 1e6);
        let (mut hot_face, mut outer_face) = (kelvin, self.ambient);
        for _ in 0..60 {
            let flux = (low + high) / 2.0;
            outer_face = self.outer_face_losing(flux);
            hot_face = self.walls.set_steady(zone, flux, outer_face - ZERO_CELSIUS) + ZERO_CELSIUS;
            let arriving = radiating * (radiosity(kelvin) - radiosity(hot_face)) + convecting * (kelvin - hot_face);
            if arriving > area * flux {
                low = flux;
            } else {
                high = flux;
            }
        }
        (self.state.hot_face[zone], self.state.outer_face[zone]) = (hot_face, outer_face);
        let needed = area * (low + high) / 2.0 + self.leak[zone] * (kelvin - self.ambient);
        let (radiating, convecting) = (self.elements.surface.radiating[zone], self.elements.surface.convecting[zone]);
        let given = |t: f64| radiating * (radiosity(t) - radiosity(kelvin)) + convecting * (t - kelvin);
        self.state.element[zone] = bisect(kelvin, 4.0 * kelvin, |t| given(t) < needed);
    }

    fn outer_face_losing(&self, flux: f64) -> f64 {
        bisect(self.ambient, 100.0 * self.ambient, |t| {
            self.outside_convecting * (t - self.ambient)
                + self.outside_radiating * (radiosity(t) - self.ambient_radiosity)
                < flux
        })
    }

    /// Brings what is quasi-steady into agreement with the state, without time passing.
    fn settle(&mut self) {
        // Each round is a Newton step; from the worst start (a lid opened at 1300 °C) six reach the last bits.
        for _ in 0..12 {
            self.solve(0.0, 0.0);
            self.take_points();
            self.outer_losses(0.0);
        }
        self.state.face_rate = Lanes::ZERO;
        self.now = Now { chamber: self.state.temperature, hot_face: self.state.hot_face };
        self.marked = false;
        self.unsure_steps = 0;
        self.chamber_age = 0.0;
    }

    /// Takes the chambers' temperatures now, at the end of the last step: their
    /// slope is about to jump, and the extrapolation to the end of the next step
    /// must not reach back over the edge. They themselves do not jump, because
    /// elements do not.
    #[inline(always)]
    fn mark_edge(&mut self) {
        let (state, now) = (&mut self.state, &self.now);
        for z in 0..N {
            let kelvin = now.chamber[z];
            let own = radiosity(kelvin);
            state.radiosity[z] = own;
            state.temperature[z] = kelvin;
            state.per_radiosity[z] = 0.25 * kelvin / own;
            state.hot_face[z] = now.hot_face[z];
            state.face_rate[z] = 0.0;
        }
        self.marked = true;
        self.unsure_steps = UNSURE_STEPS;
        self.chamber_age = 0.0;
    }

    /// What each element gets from now on.
    pub(super) fn set_supply(&mut self, supply: &[Supply]) {
        let mut changed = false;
        for (zone, supply) in supply.iter().enumerate() {
            changed |= self.elements.supply(zone, *supply);
        }
        if changed && self.edge == Edge::None {
            self.edge = Edge::Supply;
        }
    }

    /// Whether the lid stands open from now on.
    pub(super) fn set_lid(&mut self, open: bool) {
        if self.lid_open != open {
            self.lid_open = open;
            self.edge = Edge::Lid;
            self.losing = Surfaces { radiating: Lanes::ZERO, convecting: self.leak };
            if open {
                self.losing = Surfaces::from_fn(|place| {
                    (self.lid.radiating[place], self.leak[place] + self.lid.convecting[place])
                });
            }
        }
    }

    /// Solves the zones' balances together for the changes of their radiosities.
    #[inline(always)]
    fn solve(&mut self, dt: f64, ahead: f64) {
        // Conductivity where the face will be in the middle of the step: it may move by degrees.
        let lead = self.chamber_age + 0.5 * dt;
        let mut faces = Lanes::<N>::ZERO;
        for z in 0..N {
            faces[z] = self.state.hot_face[z] + self.state.face_rate[z] * lead - ZERO_CELSIUS;
        }
        let behind = self.walls.behind_hot_faces(&faces, ahead);
        self.balance(dt, &behind);
        self.eliminate();
    }

    /// Moves the points of linearisation to the solution.
    #[inline(always)]
    fn take_points(&mut self) {
        // Positive by nature; the floor (a chamber at 100 K) only guards the root.
        const FLOOR: f64 = STEFAN_BOLTZMANN * 1e8;
        /// By what share a radiosity may move for the short way to its temperature: that is then within 10⁻⁸ K.
        const NEAR: f64 = 0.04;
        let (state, balances) = (&mut self.state, &self.balances);
        let mut far = 0_u64;
        for z in 0..N {
            let earlier = state.radiosity[z];
            let radiosity = earlier + balances.change[z];
            let radiosity = if radiosity > FLOOR { radiosity } else { FLOOR };
            far |= u64::from(libm::fabs(radiosity - earlier) > NEAR * earlier);
            // Fourth root by one step of Halley's method from the tangent at the point before.
            let guess = state.temperature[z] + (radiosity - earlier) * state.per_radiosity[z];
            let square = guess * guess;
            let own = STEFAN_BOLTZMANN * square * square;
            let below = 5.0 * own + 3.0 * radiosity;
            let per_both = 1.0 / (below * radiosity);
            let temperature = guess * (3.0 * own + 5.0 * radiosity) * (radiosity * per_both);
            state.radiosity[z] = radiosity;
            state.temperature[z] = temperature;
            state.per_radiosity[z] = 0.25 * temperature * (below * per_both);
            state.hot_face[z] += balances.face_change[z] + balances.face_slope[z] * balances.change[z];
        }
        if far != 0 {
            self.take_roots();
        }
    }

    /// Temperatures from radiosities that have moved far.
    #[cold]
    #[inline(never)]
    fn take_roots(&mut self) {
        let state = &mut self.state;
        for z in 0..N {
            state.temperature[z] = libm::sqrt(libm::sqrt(state.radiosity[z] * (1.0 / STEFAN_BOLTZMANN)));
            state.per_radiosity[z] = state.temperature[z] * (0.25 / state.radiosity[z]);
        }
    }

    /// Losses per area through the outer faces, in the middle of the step.
    #[inline(always)]
    fn outer_losses(&mut self, ahead: f64) -> Lanes<N> {
        let mut faces = Lanes::<N>::ZERO;
        for z in 0..N {
            faces[z] = self.state.outer_face[z] - ZERO_CELSIUS;
        }
        let behind = self.walls.behind_outer_faces(&faces, ahead);
        let mut lost = Lanes::<N>::ZERO;
        for z in 0..N {
            let face = self.state.outer_face[z];
            let cube = STEFAN_BOLTZMANN * face * face * face;
            let stiffness = 4.0 * self.outside_radiating * cube + self.outside_convecting;
            let losing = self.outside_convecting * (face - self.ambient)
                + self.outside_radiating * (cube * face - self.ambient_radiosity);
            let arriving = behind.conductance[z] * (behind.middle[z] - faces[z]);
            let change = (arriving - losing) / (stiffness + behind.conductance[z]);
            self.state.outer_face[z] = face + change;
            lost[z] = losing + stiffness * change;
        }
        lost
    }

    /// One step.
    pub(super) fn step(&mut self, span: RigSpan) {
        let arch = self.arch;
        arch.dispatch(Step { zones: self, span });
    }

    #[inline(always)]
    fn step_here(&mut self, span: RigSpan) {
        if span <= RigSpan::ZERO {
            return;
        }
        match self.edge {
            Edge::None => {}
            Edge::Supply => self.mark_edge(),
            Edge::Lid => self.settle(),
        }
        if self.edge != Edge::None {
            self.edge = Edge::None;
            self.steps_uncut = 0;
        }
        let dt = span.as_seconds();
        if self.steps_uncut > 0 {
            self.steps_uncut -= 1;
            self.advance(dt, span == self.full_step);
            return;
        }
        let parts = self.parts(dt);
        if self.steps_uncut > 0 {
            self.unsure_steps = 0;
        }
        if parts == 1 {
            self.advance(dt, span == self.full_step);
        } else {
            for _ in 0..parts {
                self.advance(dt / f64::from(parts), false);
            }
        }
    }

    /// Speeds of the hot faces from the step's own solution, where none of before the edge is left to go by:
    /// thin elements move them by tens of degrees in a second.
    #[cold]
    #[inline(never)]
    fn find_face_rates(&mut self, dt: f64, ahead: f64) {
        let per_lead = 1.0 / (self.chamber_age + 0.5 * dt);
        // Each round leaves less than half of what was wrong: a fibre's conductivity, at the mean of the
        // face and a cell far cooler, answers to the face by less than half of the flux.
        for _ in 0..5 {
            self.solve(dt, ahead);
            let balances = &self.balances;
            for z in 0..N {
                let change = balances.face_change[z] + balances.face_slope[z] * balances.change[z];
                self.state.face_rate[z] = change * per_lead;
            }
        }
    }

    /// One step or part of it; `full` if it is as long as the grid's.
    #[inline(always)]
    fn advance(&mut self, dt: f64, full: bool) {
        let ahead = if self.earlier_step > 0.0 { 0.5 * dt / self.earlier_step } else { 0.0 };
        if self.unsure_steps > 0 {
            self.unsure_steps -= 1;
            self.find_face_rates(dt, ahead);
        }
        self.solve(dt, ahead);
        self.walls.conduct(ahead);
        let outward = self.outer_losses(ahead);
        let lead = self.chamber_age + 0.5 * dt;
        // At most the way to here once more, however short the step.
        let to_end = 0.5 * dt / lead;
        // Just after an edge the points come from an extrapolation. Over next to no time a quotient
        // of its error would be a speed of thousands of degrees a second, and reach into the next step.
        // Between two solutions there is no such error, and thin elements need the speed in steps of milliseconds.
        let rate_per_lead = if self.marked && lead < self.shortest_lead { 0.0 } else { 1.0 / lead };
        self.marked = false;
        let (earlier, earlier_face) = (self.state.temperature, self.state.hot_face);
        self.take_points();
        let keeps = self.probe.keeps(dt, full);
        let (state, balances, now) = (&mut self.state, &self.balances, &mut self.now);
        let (mut from_load, mut inward) = (Lanes::<N>::ZERO, Lanes::<N>::ZERO);
        for z in 0..N {
            let (temperature, hot_face, change) = (state.temperature[z], state.hot_face[z], balances.change[z]);
            now.chamber[z] = temperature + to_end * (temperature - earlier[z]);
            state.face_rate[z] = (hot_face - earlier_face[z]) * rate_per_lead;
            now.hot_face[z] = hot_face + to_end * (hot_face - earlier_face[z]);
            let from_element = balances.element_flow[z] - balances.element_slope[z] * change;
            from_load[z] = (balances.load_flow[z] - balances.load_slope[z] * change) * dt;
            inward[z] = (balances.wall_flow[z] + balances.wall_slope[z] * change) * self.per_wall_area[z];
            let loss = balances.loss_flow[z] + balances.loss_slope[z] * change;
            state.element[z] += (balances.power[z] - from_element) * dt * self.elements.per_capacity[z];
            state.probe[z] = temperature + keeps[z] * (state.probe[z] - temperature);
            self.electrical[z] += balances.power[z] * dt;
            self.lost[z] += (loss + outward[z] * self.wall_area[z]) * dt;
        }
        self.loads.give(&from_load);
        self.walls.exchange(dt, &inward, &outward);
        self.walls.update(dt);
        self.earlier_step = dt;
        self.chamber_age = 0.5 * dt;
    }

    pub(super) fn power(&self, zone: usize) -> f64 {
        let elements = &self.elements;
        elements.cold_power[zone]
            / (1.0 + elements.resistance_rise[zone] * (self.state.element[zone] - super::bodies::COLD))
    }

    pub(super) fn load(&self, zone: usize) -> Option<f64> {
        self.loads.has(zone).then(|| self.loads.kelvin[zone] - ZERO_CELSIUS)
    }

    pub(super) fn probe_slope(&self, zone: usize) -> f64 {
        (self.now.chamber[zone] - self.state.probe[zone]) / self.probe.time_constant[zone]
    }

    pub(super) fn stored_energy(&self) -> f64 {
        let ambient = self.ambient - ZERO_CELSIUS;
        let zones = 0..self.zones;
        zones
            .map(|zone| {
                let element = self.elements.capacity[zone] * (self.state.element[zone] - self.ambient);
                let load = self.loads.stored_above(zone, ambient);
                self.wall_area[zone] * self.walls.stored_above(zone, ambient) + load + element
            })
            .sum()
    }

    pub(super) fn electrical_energy(&self) -> f64 {
        self.electrical[..self.zones].iter().sum()
    }

    pub(super) fn lost_energy(&self) -> f64 {
        self.lost[..self.zones].iter().sum()
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

#[cfg(test)]
mod tests {
    use dryfire_units::Celsius;

    use super::*;
    use crate::three_ring::three_ring;

    /// Wide instructions, where this processor has them, and narrow ones: the same to the last bit,
    /// so that a run repeats on every machine.
    #[test]
    fn wide_and_narrow_instructions_calculate_alike() {
        let second = RigSpan::from_seconds(1);
        let description = three_ring();
        let start = StartState::cold(Celsius::new(20.0));
        let mut wide = Zones::<4>::new(&description, start, second).expect("a good kiln");
        let mut narrow = wide.clone();
        narrow.arch = Arch::Scalar;
        for step in 0..20_000_i64 {
            let volts = if step % 15 < 8 { 240.0 } else { 0.0 };
            let supply = [Supply { volts, share: 1.0 }; 3];
            let span = if step % 15 == 8 { RigSpan::from_micros(137_000) } else { second };
            for zones in [&mut wide, &mut narrow] {
                zones.set_supply(&supply);
                zones.set_lid(step > 15_000 && step % 600 < 60);
                zones.step(span);
            }
        }
        assert!(wide.state.temperature[0] > 800.0, "{:?}", wide.state.temperature);
        let seen = |zones: &Zones<4>| {
            let walls: Vec<u64> = (0..3).flat_map(|zone| zones.walls.temperatures(zone)).map(f64::to_bits).collect();
            let of = |lanes: &Lanes<4>| lanes.map(f64::to_bits);
            let state = &zones.state;
            (walls, [&state.element, &state.probe, &zones.now.chamber, &zones.electrical, &zones.lost].map(of))
        };
        assert_eq!(seen(&wide), seen(&narrow));
    }
}

//! The linear system of one step: all flows of a zone as linear functions of the
//! change of its radiosity, and the zones solved together.

use super::STEFAN_BOLTZMANN;
use super::bodies::COLD;
use super::zones::Zones;
use crate::lanes::Lanes;
use crate::wall::BehindFaces;

/// What the linear system of one step holds of all zones: flows at the point of
/// linearisation, and how they answer to the radiosity of the chamber.
#[derive(Clone, Debug)]
pub(super) struct Balances<const N: usize> {
    pub(super) power: Lanes<N>,
    source: Lanes<N>,
    diagonal: Lanes<N>,
    pub(super) element_flow: Lanes<N>,
    pub(super) element_slope: Lanes<N>,
    pub(super) load_flow: Lanes<N>,
    pub(super) load_slope: Lanes<N>,
    pub(super) loss_flow: Lanes<N>,
    pub(super) loss_slope: Lanes<N>,
    pub(super) wall_flow: Lanes<N>,
    pub(super) wall_slope: Lanes<N>,
    pub(super) face_change: Lanes<N>,
    pub(super) face_slope: Lanes<N>,
    /// Change of the chamber's radiosity: the solution.
    pub(super) change: Lanes<N>,
}

impl<const N: usize> Balances<N> {
    pub(super) const ZERO: Self = Balances {
        power: Lanes::ZERO,
        source: Lanes::ZERO,
        diagonal: Lanes::all(1.0),
        element_flow: Lanes::ZERO,
        element_slope: Lanes::ZERO,
        load_flow: Lanes::ZERO,
        load_slope: Lanes::ZERO,
        loss_flow: Lanes::ZERO,
        loss_slope: Lanes::ZERO,
        wall_flow: Lanes::ZERO,
        wall_slope: Lanes::ZERO,
        face_change: Lanes::ZERO,
        face_slope: Lanes::ZERO,
        change: Lanes::ZERO,
    };

    /// How far a chamber's radiosity follows its element's, 0 to 1.
    pub(super) fn element_share(&self, zone: usize) -> f64 {
        self.element_slope[zone] / self.diagonal[zone]
    }
}

/// Mean over a step of a decay `e^(−x·s)`, s from 0 to 1, by the (0,2) Padé
/// approximant of the exponential: second order, between 0 and 1 for every x.
#[inline(always)]
fn mean_decay(x: f64) -> f64 {
    let half = 0.5 * x;
    (1.0 + half) / (1.0 + x * (1.0 + half))
}

impl<const N: usize> Zones<N> {
    /// Sets up each zone's balance for a step of `dt` seconds.
    #[inline(always)]
    pub(super) fn balance(&mut self, dt: f64, behind: &BehindFaces<N>) {
        let (state, elements, loads, wall) = (&self.state, &self.elements, &self.loads, &self.wall);
        // Of its own while it is worked out: the compiler then knows that nothing read lies in it, and takes
        // zones side by side.
        let mut to = Balances::ZERO;
        for z in 0..N {
            let (radiosity, temperature, per_radiosity) =
                (state.radiosity[z], state.temperature[z], state.per_radiosity[z]);
            // Mean share of its first flow that the element keeps giving, that flow, and how it answers to the chamber.
            let kelvin = state.element[z];
            let (radiating, convecting) = (elements.surface.radiating[z], elements.surface.convecting[z]);
            let cube = STEFAN_BOLTZMANN * kelvin * kelvin * kelvin;
            let stiffness = 4.0 * radiating * cube + convecting;
            let per_capacity = dt * elements.per_capacity[z];
            let decay = mean_decay(stiffness * per_capacity);
            let flow = radiating * (cube * kelvin - radiosity) + convecting * (kelvin - temperature);
            let element_slope = decay * (radiating + convecting * per_radiosity);
            // Resistance in the middle of the step, to first order.
            let at_start = elements.cold_power[z] / (1.0 + elements.resistance_rise[z] * (kelvin - COLD));
            let rise = 0.5 * decay * (at_start - flow) * per_capacity;
            let power = at_start * (1.0 - elements.resistance_rise[z] * rise);
            let element_flow = power + decay * (flow - power);
            // The load in the same way.
            let kelvin = loads.kelvin[z];
            let (radiating, convecting) = (loads.surface.radiating[z], loads.surface.convecting[z]);
            let cube = STEFAN_BOLTZMANN * kelvin * kelvin * kelvin;
            let stiffness = 4.0 * radiating * cube + convecting;
            let decay = mean_decay(stiffness * dt * loads.per_capacity[z]);
            let load_flow = decay * (radiating * (cube * kelvin - radiosity) + convecting * (kelvin - temperature));
            let load_slope = decay * (radiating + convecting * per_radiosity);
            // The wall: its hot face holds no heat.
            let kelvin = state.hot_face[z];
            let (radiating, convecting) = (wall.radiating[z], wall.convecting[z]);
            let cube = STEFAN_BOLTZMANN * kelvin * kelvin * kelvin;
            let stiffness = 4.0 * radiating * cube + convecting;
            let into_wall = self.wall_area[z] * behind.conductance[z];
            let per_exchange = 1.0 / (stiffness + into_wall);
            let share = into_wall * per_exchange;
            let conducted = into_wall * (kelvin - super::ZERO_CELSIUS - behind.middle[z]);
            let arriving = radiating * (radiosity - cube * kelvin) + convecting * (temperature - kelvin);
            let wall_flow = conducted + share * (arriving - conducted);
            let arriving_slope = radiating + convecting * per_radiosity;
            let wall_slope = share * arriving_slope;
            // What is lost through leaks and the lid.
            let (radiating, convecting) = (self.losing.radiating[z], self.losing.convecting[z]);
            let loss_flow =
                convecting * (temperature - self.ambient) + radiating * (radiosity - self.ambient_radiosity);
            let loss_slope = convecting * per_radiosity + radiating;
            to.power[z] = power;
            to.source[z] = element_flow + load_flow - wall_flow - loss_flow;
            to.diagonal[z] = element_slope + load_slope + wall_slope + loss_slope;
            to.element_flow[z] = element_flow;
            to.element_slope[z] = element_slope;
            to.load_flow[z] = load_flow;
            to.load_slope[z] = load_slope;
            to.loss_flow[z] = loss_flow;
            to.loss_slope[z] = loss_slope;
            to.wall_flow[z] = wall_flow;
            to.wall_slope[z] = wall_slope;
            to.face_change[z] = (arriving - conducted) * per_exchange;
            to.face_slope[z] = arriving_slope * per_exchange;
        }
        self.balances = to;
    }

    /// Solves the zones' balances together: tridiagonal elimination from the top zone down, then back up.
    #[inline(always)]
    pub(super) fn eliminate(&mut self) {
        let (state, to) = (&self.state, &mut self.balances);
        let zones = self.zones.clamp(1, N);
        let mut from_below = Lanes::<N>::ZERO;
        let mut pivot = 1.0 / to.diagonal[0];
        let (mut source, mut diagonal) = (to.source[0], to.diagonal[0]);
        for lower in 1..zones {
            let upper = lower - 1;
            let (radiating, convecting) = (self.below.radiating[upper], self.below.convecting[upper]);
            let flow = radiating * (state.radiosity[upper] - state.radiosity[lower])
                + convecting * (state.temperature[upper] - state.temperature[lower]);
            let slope = radiating + convecting * state.per_radiosity[upper];
            let slope_next = radiating + convecting * state.per_radiosity[lower];
            pivot = 1.0 / (diagonal + slope);
            let change = (source - flow) * pivot;
            let share = slope_next * pivot;
            (to.change[upper], from_below[upper]) = (change, share);
            source = to.source[lower] + flow + slope * change;
            diagonal = to.diagonal[lower] + slope_next - slope * share;
            pivot = 1.0 / diagonal;
        }
        let mut change = source * pivot;
        to.change[zones - 1] = change;
        for upper in (0..zones - 1).rev() {
            change = to.change[upper] + from_below[upper] * change;
            to.change[upper] = change;
        }
    }
}

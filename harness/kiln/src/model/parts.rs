//! Steps cut into parts where a thin element answers to a switching within seconds.

use super::STEFAN_BOLTZMANN;
use super::zones::Zones;

/// By how much a chamber's temperature may bend in a step before it is cut, °C; see [`Zones::parts`].
/// Elements of usual mass stay below: 0.05 °C after a switching at 900 °C.
const TOO_BENT: f64 = 0.1;
/// By how much it may bend in a part, °C.
const STRAIGHT_ENOUGH: f64 = 0.02;
/// Into how many parts a step is cut at most.
const MOST_PARTS: f64 = 64.0;
/// For how many steps nobody looks again after a step of the grid would have bent by less than two
/// thirds of what is too much. After a switching the bend falls; it can only creep up with the
/// element's own temperature.
const STEPS_UNCUT: u32 = 16;

impl<const N: usize> Zones<N> {
    /// Into how many parts a step has to be cut for the sake of the elements: one,
    /// unless a thin one answers to a switching within seconds.
    ///
    /// An element on its way to another temperature relaxes at its own rate, and
    /// the chamber follows by its share; over a step the chamber's temperature
    /// bends by (first rise of the element) × (relaxation in the step, and change
    /// of the share with the element's T³) × (share). That error falls with the
    /// square of the step.
    #[inline(never)]
    pub(super) fn parts(&mut self, dt: f64) -> u32 {
        let mut bend = 0.0;
        let surface = &self.elements.surface;
        for zone in 0..self.zones {
            let kelvin = self.state.element[zone];
            let cube = STEFAN_BOLTZMANN * kelvin * kelvin * kelvin;
            let flow = surface.radiating[zone] * (cube * kelvin - self.state.radiosity[zone])
                + surface.convecting[zone] * (kelvin - self.state.temperature[zone]);
            let per_second = self.elements.per_capacity[zone];
            let rise = libm::fabs(self.power(zone) - flow) * per_second;
            let relaxation = (4.0 * surface.radiating[zone] * cube + surface.convecting[zone]) * per_second;
            let share = self.balances.element_share(zone) * 4.0 * cube * self.state.per_radiosity[zone];
            let in_zone = share * rise * (relaxation + 3.0 * rise / kelvin);
            bend = if in_zone > bend { in_zone } else { bend };
        }
        // Per second squared so far.
        let full = self.full_step.as_seconds();
        let usual = bend * full * full < TOO_BENT * (2.0 / 3.0);
        if usual {
            self.steps_uncut = STEPS_UNCUT;
        }
        bend *= dt * dt;
        if bend <= TOO_BENT {
            // What is extrapolated to the end of the first step after an edge goes by where the chamber was
            // extrapolated to at the edge, so that its error comes again. Between two parts it does not.
            return if self.marked && !usual { 2 } else { 1 };
        }
        let parts = libm::ceil(libm::sqrt(bend / STRAIGHT_ENOUGH));
        if parts < MOST_PARTS { parts as u32 } else { MOST_PARTS as u32 }
    }
}

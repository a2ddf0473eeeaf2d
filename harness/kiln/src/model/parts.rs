//! Steps cut into parts where a thin element answers to a switching within seconds.

use super::{Model, STEFAN_BOLTZMANN, Supply};

/// By how much a chamber's temperature may bend in a step before it is cut, °C; see [`Model::parts`].
/// Elements of usual mass stay below: 0.05 °C after a switching at 900 °C.
const TOO_BENT: f64 = 0.1;
/// By how much it may bend in a part, °C.
const STRAIGHT_ENOUGH: f64 = 0.03;
/// Into how many parts a step is cut at most.
const MOST_PARTS: f64 = 64.0;

impl Model {
    /// Into how many parts a step has to be cut for the sake of the elements: one,
    /// unless a thin one answers to a switching within seconds.
    ///
    /// An element on its way to another temperature relaxes at its own rate, and
    /// the chamber follows by its share; over a step the chamber's temperature
    /// bends by (first rise of the element) × (relaxation in the step, and change
    /// of the share with the element's T³) × (share). That error falls with the
    /// square of the step.
    pub(super) fn parts(&self, dt: f64, supply: &[Supply]) -> u32 {
        let mut bend = 0.0;
        for ((chamber, balance), supply) in self.chambers.iter().zip(&self.balances).zip(supply) {
            let (element, kelvin) = (chamber.element, chamber.element_temperature);
            let cube = STEFAN_BOLTZMANN * kelvin * kelvin * kelvin;
            let flow = element.radiating * (cube * kelvin - chamber.radiosity)
                + element.convecting * (kelvin - chamber.temperature);
            let per_step = dt * chamber.per_element_capacity;
            let rise = libm::fabs(chamber.power(*supply) - flow) * per_step;
            let relaxation = (4.0 * element.radiating * cube + element.convecting) * per_step;
            let share = balance.element_share * 4.0 * cube * chamber.per_radiosity;
            let zone = share * rise * (relaxation + 3.0 * rise / kelvin);
            bend = if zone > bend { zone } else { bend };
        }
        if bend <= TOO_BENT {
            return 1;
        }
        let parts = libm::ceil(libm::sqrt(bend / STRAIGHT_ENOUGH));
        if parts < MOST_PARTS { parts as u32 } else { MOST_PARTS as u32 }
    }
}

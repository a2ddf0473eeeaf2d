//! Half cells between a cell's centre and a face, side by side: their
//! conductances depend on temperature and are wanted at every step.

use crate::lanes::Lanes;
use crate::material::{ConductivityPiece, MaterialTable};

/// Half cells of as many places, through which heat is conducted.
///
/// Arrays of a fixed length and no branch inside the loop: the compiler makes
/// vector code of it.
#[derive(Clone, Debug)]
pub(crate) struct HalfCells<const N: usize> {
    table: [usize; N],
    /// Conductance per area for a conductivity of one.
    per_conductivity: Lanes<N>,
    // The straight pieces on which their conductivities were last looked up: temperatures move slowly.
    centre: Lanes<N>,
    half: Lanes<N>,
    value: Lanes<N>,
    slope: Lanes<N>,
}

impl<const N: usize> HalfCells<N> {
    /// Half cells of the tables and conductances (for a conductivity of one, per
    /// area) given; places left over are like the last. `None` without any.
    pub(crate) fn new(given: &[(usize, f64)]) -> Option<Self> {
        let last = given.last()?;
        let of = |place: usize| given.get(place).unwrap_or(last);
        Some(HalfCells {
            table: std::array::from_fn(|place| of(place).0),
            per_conductivity: Lanes::from_fn(|place| of(place).1),
            centre: Lanes::ZERO,
            // Of no width: the first use looks them up.
            half: Lanes::all(-1.0),
            value: Lanes::ZERO,
            slope: Lanes::ZERO,
        })
    }

    /// Conductances per area, each at a mean temperature.
    #[inline(always)]
    pub(crate) fn conductances(&mut self, tables: &[MaterialTable], celsius: &Lanes<N>) -> Lanes<N> {
        let mut found = Lanes::<N>::ZERO;
        if self.evaluate(celsius, &mut found) {
            self.look_up(tables, celsius);
            self.evaluate(celsius, &mut found);
        }
        found
    }

    /// Evaluates the pieces; whether any temperature lies outside its piece.
    #[inline(always)]
    fn evaluate(&self, celsius: &Lanes<N>, found: &mut Lanes<N>) -> bool {
        let mut outside = 0_u64;
        for place in 0..N {
            let from_centre = celsius[place] - self.centre[place];
            outside |= u64::from(libm::fabs(from_centre) > self.half[place]);
            found[place] = self.per_conductivity[place] * (self.value[place] + self.slope[place] * from_centre);
        }
        outside != 0
    }

    #[cold]
    #[inline(never)]
    fn look_up(&mut self, tables: &[MaterialTable], celsius: &Lanes<N>) {
        for place in 0..N {
            let ConductivityPiece { centre, half, value, slope } =
                tables[self.table[place]].conductivity_piece(celsius[place]);
            (self.centre[place], self.half[place]) = (centre, half);
            (self.value[place], self.slope[place]) = (value, slope);
        }
    }
}

#[cfg(test)]
mod tests {
    use dryfire_units::{Celsius, JoulesPerKilogramKelvin, WattsPerMetreKelvin};

    use super::*;
    use crate::description::{Conductivity, SpecificHeat};

    #[test]
    fn conductivity_is_the_law_itself_corners_included() {
        let points = [(200.0, 0.06), (400.0, 0.10), (600.0, 0.15), (1200.0, 0.38)];
        let table = points.map(|(t, k)| (Celsius::new(t), WattsPerMetreKelvin::new(k))).to_vec();
        let line = Conductivity::Linear { at_zero: WattsPerMetreKelvin::new(0.1), slope_per_celsius: 1e-4 };
        let one = Conductivity::Table(table[..1].to_vec());
        let heat = SpecificHeat::Linear { at_zero: JoulesPerKilogramKelvin::new(1000.0), slope_per_celsius: 0.0 };
        let laws = [Conductivity::Table(table), line, one];
        let tables = laws.clone().map(|law| MaterialTable::new(128.0, &law, &heat));
        let mut half_cells = HalfCells::<4>::new(&[(0, 1.0), (1, 1.0), (2, 1.0)]).expect("some");
        for step in -100..3200 {
            // All at one temperature, and each at its own, so that they leave their pieces at different times.
            let celsius = f64::from(step) * 0.5;
            for at in [Lanes::all(celsius), Lanes([celsius, 1400.0 - celsius / 2.0, celsius / 2.0, celsius])] {
                let found = half_cells.conductances(&tables, &at);
                for (place, law) in [(0, &laws[0]), (1, &laws[1]), (2, &laws[2]), (3, &laws[2])] {
                    assert!((found[place] - law.at(at[place])).abs() < 1e-14, "{law:?} at {} °C", at[place]);
                }
            }
        }
    }
}

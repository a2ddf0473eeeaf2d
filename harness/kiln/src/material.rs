//! A material's properties as tables that the solver reads at every step.
//!
//! State of a cell is its enthalpy `h`, counted from 0 °C. From it follow the
//! temperature `T(h)` and the conduction potential `θ(h) = ∫ k dT` (Kirchhoff's
//! transformation), both piecewise linear over the same uniform steps of `h`.
//! Heat is then conserved exactly, and conduction between two cells of one
//! material is linear in `θ` although `k` and the specific heat vary.

use crate::description::{Conductivity, SpecificHeat};

/// Lowest and highest temperature of the tables; the last segment goes on beyond.
const RANGE: (f64, f64) = (-60.0, 1660.0);
/// Segments of each table: 6 to 8 °C each, so that straight pieces are within 0.003 °C of the curve.
const SEGMENTS: usize = 256;
/// Points for integrating the properties over each quarter of a degree or so.
const FINE_STEPS: usize = 32 * SEGMENTS;

/// One segment: temperature and potential at its beginning, and their rise over it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Segment {
    temperature: f64,
    temperature_rise: f64,
    potential: f64,
    potential_rise: f64,
}

/// Temperature (°C) and conduction potential (W/m).
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Point {
    pub(crate) temperature: f64,
    pub(crate) potential: f64,
}

/// Tables of one material. Enthalpy is per cubic metre for walls and per
/// kilogram for loads; the table does not mind.
#[derive(Clone, Debug)]
pub(crate) struct MaterialTable {
    lowest: f64,
    per_enthalpy: f64,
    segments: [Segment; SEGMENTS],
    /// From cold to hot; straight pieces of the law itself, so that its corners are where it has them.
    conductivity: Vec<ConductivityPiece>,
}

/// Segment number and place in it, for a position counted in segments.
#[inline(always)]
fn locate(position: f64) -> (usize, f64) {
    // Adding 2^52 leaves the integer, rounded to the nearest, in the low bits:
    // much cheaper than a saturating cast, and the bounds before it make it safe.
    const SHIFT: f64 = 4_503_599_627_370_496.0;
    const LAST: f64 = (SEGMENTS - 1) as f64;
    let below = position - 0.5;
    let below = if below > 0.0 { below } else { 0.0 };
    let shifted = if below < LAST { below } else { LAST } + SHIFT;
    (shifted.to_bits() as usize & (SEGMENTS - 1), position - (shifted - SHIFT))
}

/// A straight piece of a table around an enthalpy: good within `half` of `centre`.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Piece {
    pub(crate) centre: f64,
    pub(crate) half: f64,
    pub(crate) temperature: f64,
    pub(crate) temperature_slope: f64,
    pub(crate) potential: f64,
    pub(crate) potential_slope: f64,
}

/// A straight piece of conductivity over temperature: good within `half` of `centre`.
#[derive(Clone, Copy, Debug)]
pub(crate) struct ConductivityPiece {
    centre: f64,
    half: f64,
    value: f64,
    slope: f64,
}

/// Half a cell between its centre and a face, through which heat is conducted.
#[derive(Clone, Copy, Debug)]
pub(crate) struct HalfCell {
    table: usize,
    /// Conductance per area for a conductivity of one.
    per_conductivity: f64,
    /// Where its conductivity was last looked up: temperatures move slowly.
    piece: ConductivityPiece,
}

impl HalfCell {
    pub(crate) fn new(table: usize, per_conductivity: f64) -> Self {
        // Of no width: the first use looks it up.
        let piece = ConductivityPiece { centre: 0.0, half: -1.0, value: 0.0, slope: 0.0 };
        HalfCell { table, per_conductivity, piece }
    }

    /// Conductance per area at a mean temperature.
    #[inline(always)]
    pub(crate) fn conductance(&mut self, tables: &[MaterialTable], celsius: f64) -> f64 {
        if libm::fabs(celsius - self.piece.centre) > self.piece.half {
            self.look_up(tables, celsius);
        }
        self.per_conductivity * (self.piece.value + self.piece.slope * (celsius - self.piece.centre))
    }

    #[cold]
    #[inline(never)]
    fn look_up(&mut self, tables: &[MaterialTable], celsius: f64) {
        self.piece = tables[self.table].conductivity_piece(celsius);
    }
}

/// The straight pieces of a law. Held constant beyond a table's points, and
/// beyond [`RANGE`]: a linear law must not run below zero far outside.
fn conductivity_pieces(law: &Conductivity) -> Vec<ConductivityPiece> {
    /// How far the outermost pieces reach, °C.
    const FAR: f64 = 1e6;
    let corners: Vec<f64> = match law {
        Conductivity::Linear { .. } => vec![RANGE.0, RANGE.1],
        Conductivity::Table(points) => points.iter().map(|(celsius, _)| celsius.value()).collect(),
    };
    let constant = |corner: f64, side: f64| ConductivityPiece {
        centre: corner + side * FAR,
        half: FAR,
        value: law.at(corner),
        slope: 0.0,
    };
    let between = corners.windows(2).map(|ends| {
        let (from, to) = (ends[0], ends[1]);
        let (k0, k1) = (law.at(from), law.at(to));
        ConductivityPiece {
            centre: 0.5 * (from + to),
            half: 0.5 * (to - from),
            value: 0.5 * (k0 + k1),
            slope: (k1 - k0) / (to - from),
        }
    });
    let (first, last) = (corners.first().copied().unwrap_or(0.0), corners.last().copied().unwrap_or(0.0));
    core::iter::once(constant(first, -1.0)).chain(between).chain([constant(last, 1.0)]).collect()
}

impl MaterialTable {
    /// Tables for a density (1 for a table per kilogram), conductivity and specific heat.
    pub(crate) fn new(density: f64, conductivity: &Conductivity, specific_heat: &SpecificHeat) -> Self {
        let (low, high) = RANGE;
        let step = (high - low) / FINE_STEPS as f64;
        let capacity_at = |t: f64| density * specific_heat.at(t);
        // Simpson's rule over fine steps; knots are (h, T, θ).
        let mut fine = Vec::with_capacity(FINE_STEPS + 1);
        let (mut h, mut theta) = (0.0, 0.0);
        fine.push((h, low, theta));
        for index in 0..FINE_STEPS {
            let t0 = low + step * index as f64;
            let (middle, t1) = (t0 + step / 2.0, t0 + step);
            h += (capacity_at(t0) + 4.0 * capacity_at(middle) + capacity_at(t1)) * step / 6.0;
            theta += (conductivity.at(t0) + 4.0 * conductivity.at(middle) + conductivity.at(t1)) * step / 6.0;
            fine.push((h, t1, theta));
        }
        let width = h / SEGMENTS as f64;
        let mut at = 0;
        let mut knot = |index: usize| {
            let target = width * index as f64;
            while at + 2 < fine.len() && fine[at + 1].0 < target {
                at += 1;
            }
            let ((h0, t0, p0), (h1, t1, p1)) = (fine[at], fine[at + 1]);
            let x = (target - h0) / (h1 - h0);
            (t0 + x * (t1 - t0), p0 + x * (p1 - p0))
        };
        let mut segments = [Segment::default(); SEGMENTS];
        let (mut temperature, mut potential) = knot(0);
        for (index, segment) in segments.iter_mut().enumerate() {
            let (next_temperature, next_potential) = knot(index + 1);
            *segment = Segment {
                temperature,
                temperature_rise: next_temperature - temperature,
                potential,
                potential_rise: next_potential - potential,
            };
            (temperature, potential) = (next_temperature, next_potential);
        }
        let conductivity = conductivity_pieces(conductivity);
        let mut table = MaterialTable { lowest: 0.0, per_enthalpy: 1.0 / width, segments, conductivity };
        // Count enthalpy from 0 °C.
        table.lowest = -table.enthalpy(0.0);
        table
    }

    /// Temperature and potential at an enthalpy.
    pub(crate) fn at(&self, enthalpy: f64) -> Point {
        let (index, x) = locate((enthalpy - self.lowest) * self.per_enthalpy);
        let segment = &self.segments[index];
        Point {
            temperature: segment.temperature + x * segment.temperature_rise,
            potential: segment.potential + x * segment.potential_rise,
        }
    }

    /// The segment around an enthalpy; the first and the last have no outer end.
    pub(crate) fn piece(&self, enthalpy: f64) -> Piece {
        let (index, _) = locate((enthalpy - self.lowest) * self.per_enthalpy);
        let segment = &self.segments[index];
        let outermost = index == 0 || index == SEGMENTS - 1;
        Piece {
            centre: self.lowest + (index as f64 + 0.5) / self.per_enthalpy,
            half: if outermost { f64::MAX } else { 0.5 / self.per_enthalpy },
            temperature: segment.temperature + 0.5 * segment.temperature_rise,
            temperature_slope: segment.temperature_rise * self.per_enthalpy,
            potential: segment.potential + 0.5 * segment.potential_rise,
            potential_slope: segment.potential_rise * self.per_enthalpy,
        }
    }

    /// Temperature at an enthalpy, and its rise for each unit of enthalpy.
    #[inline(always)]
    pub(crate) fn temperature_and_slope(&self, enthalpy: f64) -> (f64, f64) {
        let (index, x) = locate((enthalpy - self.lowest) * self.per_enthalpy);
        let segment = &self.segments[index];
        (segment.temperature + x * segment.temperature_rise, segment.temperature_rise * self.per_enthalpy)
    }

    /// Conductivity around a temperature.
    pub(crate) fn conductivity_piece(&self, celsius: f64) -> ConductivityPiece {
        let index = self.conductivity.partition_point(|piece| piece.centre + piece.half < celsius);
        self.conductivity[index.min(self.conductivity.len() - 1)]
    }

    /// Enthalpy at a temperature: the exact inverse of [`at`](Self::at).
    pub(crate) fn enthalpy(&self, celsius: f64) -> f64 {
        let index = self.segments.partition_point(|s| s.temperature <= celsius).saturating_sub(1);
        let segment = &self.segments[index];
        let x = (celsius - segment.temperature) / segment.temperature_rise;
        self.lowest + (index as f64 + x) / self.per_enthalpy
    }

    /// Enthalpy at a potential.
    pub(crate) fn enthalpy_at_potential(&self, potential: f64) -> f64 {
        let index = self.segments.partition_point(|s| s.potential <= potential).saturating_sub(1);
        let segment = &self.segments[index];
        let x = (potential - segment.potential) / segment.potential_rise;
        self.lowest + (index as f64 + x) / self.per_enthalpy
    }
}

#[cfg(test)]
mod tests {
    use dryfire_units::{Celsius, JoulesPerKilogramKelvin, WattsPerMetreKelvin};

    use super::*;

    #[test]
    fn conductivity_is_the_law_itself_corners_included() {
        let points = [(200.0, 0.06), (400.0, 0.10), (600.0, 0.15), (1200.0, 0.38)];
        let table = points.map(|(t, k)| (Celsius::new(t), WattsPerMetreKelvin::new(k))).to_vec();
        let line = Conductivity::Linear { at_zero: WattsPerMetreKelvin::new(0.1), slope_per_celsius: 1e-4 };
        let one = Conductivity::Table(table[..1].to_vec());
        let heat = SpecificHeat::Linear { at_zero: JoulesPerKilogramKelvin::new(1000.0), slope_per_celsius: 0.0 };
        for law in [Conductivity::Table(table), line, one] {
            let tables = [MaterialTable::new(128.0, &law, &heat)];
            let mut half_cell = HalfCell::new(0, 1.0);
            for step in -100..3200 {
                let celsius = f64::from(step) * 0.5;
                let found = half_cell.conductance(&tables, celsius);
                assert!((found - law.at(celsius)).abs() < 1e-14, "{law:?} at {celsius} °C: {found}");
            }
        }
    }
}

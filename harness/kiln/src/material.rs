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
    pub(crate) centre: f64,
    pub(crate) half: f64,
    pub(crate) value: f64,
    pub(crate) slope: f64,
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

/// A stretch of temperature over which conductivity and heat capacity are straight
/// lines, so that enthalpy and potential are parabolas.
struct Stretch {
    from: f64,
    width: f64,
    enthalpy: f64,
    potential: f64,
    /// Heat capacity at its beginning and its rise for each °C; the same of conductivity.
    capacity: (f64, f64),
    conductivity: (f64, f64),
}

impl Stretch {
    /// All of [`RANGE`], from cold to hot, cut where either law has a corner.
    fn all(density: f64, conductivity: &Conductivity, specific_heat: &SpecificHeat) -> Vec<Self> {
        let mut corners = vec![RANGE.0, RANGE.1];
        if let Conductivity::Table(points) = conductivity {
            corners.extend(points.iter().map(|(celsius, _)| celsius.value()));
        }
        if let SpecificHeat::Table(points) = specific_heat {
            corners.extend(points.iter().map(|(celsius, _)| celsius.value()));
        }
        corners.retain(|celsius| (RANGE.0..=RANGE.1).contains(celsius));
        corners.sort_by(f64::total_cmp);
        corners.dedup();
        // A falling line is checked up to 1400 °C only; beyond it must not reach zero, or enthalpy would stand still.
        let capacity = |celsius: f64| {
            let least = 10.0;
            let specific = specific_heat.at(celsius);
            density * if specific > least { specific } else { least }
        };
        let (mut enthalpy, mut potential) = (0.0, 0.0);
        let between = corners.windows(2).map(|ends| {
            let (from, width) = (ends[0], ends[1] - ends[0]);
            let line = |start: f64, end: f64| (start, (end - start) / width);
            let stretch = Stretch {
                from,
                width,
                enthalpy,
                potential,
                capacity: line(capacity(from), capacity(ends[1])),
                conductivity: line(conductivity.at(from), conductivity.at(ends[1])),
            };
            (enthalpy, potential) = (stretch.end(), stretch.potential_after(width));
            stretch
        });
        between.collect()
    }

    /// Enthalpy at its end.
    fn end(&self) -> f64 {
        self.enthalpy + (self.capacity.0 + 0.5 * self.capacity.1 * self.width) * self.width
    }

    fn potential_after(&self, degrees: f64) -> f64 {
        self.potential + (self.conductivity.0 + 0.5 * self.conductivity.1 * degrees) * degrees
    }

    /// Temperature and potential at an enthalpy: the root of the parabola that does not cancel.
    fn knot(&self, enthalpy: f64) -> (f64, f64) {
        let (added, (capacity, rise)) = (enthalpy - self.enthalpy, self.capacity);
        let degrees = 2.0 * added / (capacity + libm::sqrt(capacity * capacity + 2.0 * rise * added));
        (self.from + degrees, self.potential_after(degrees))
    }
}

impl MaterialTable {
    /// Tables for a density (1 for a table per kilogram), conductivity and specific heat.
    pub(crate) fn new(density: f64, conductivity: &Conductivity, specific_heat: &SpecificHeat) -> Self {
        let stretches = Stretch::all(density, conductivity, specific_heat);
        let h = stretches.last().map_or(1.0, Stretch::end);
        let width = h / SEGMENTS as f64;
        let mut at = 0;
        let mut knot = |index: usize| {
            let enthalpy = width * index as f64;
            while at + 1 < stretches.len() && stretches[at].end() < enthalpy {
                at += 1;
            }
            stretches.get(at).map_or((0.0, 0.0), |stretch| stretch.knot(enthalpy))
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

//! Conduction through the walls of all zones: cells of equal thickness in each
//! layer, enthalpy and conduction potential as state, fluxes at the middle of
//! the step by extrapolation (second-order Adams–Bashforth).

use std::ops::Range;

use crate::description::{KilnDescription, Layer};
use crate::material::{HalfCell, MaterialTable, Piece};

/// Cells of one layer: neighbours in the flat arrays that share a material.
#[derive(Clone, Debug)]
struct Run {
    table: usize,
    cells: Range<usize>,
}

/// Where two materials meet.
#[derive(Clone, Debug)]
struct Interface {
    /// The cell on the hot side; the next one is on the cold side.
    cell: usize,
    hot_half: HalfCell,
    cold_half: HalfCell,
    /// Temperature there at the last step, at which conductivities are taken.
    temperature: f64,
}

/// One zone's part of the flat arrays.
#[derive(Clone, Debug)]
pub(crate) struct ZoneWall {
    pub(crate) cells: Range<usize>,
    first_half: HalfCell,
    last_half: HalfCell,
}

/// Walls of all zones.
#[derive(Clone, Debug)]
pub(crate) struct Walls {
    tables: Vec<MaterialTable>,
    runs: Vec<Run>,
    interfaces: Vec<Interface>,
    pub(crate) zones: Vec<ZoneWall>,
    /// W/m² for each W/m of potential between a cell and the next; zero where materials or zones change.
    to_next: Vec<f64>,
    per_thickness: Vec<f64>,
    enthalpy: Vec<f64>,
    potential: Vec<f64>,
    earlier_potential: Vec<f64>,
    temperature: Vec<f64>,
    earlier_temperature: Vec<f64>,
    middle: Vec<f64>,
    /// Into each cell from the one before, and one more at the end; zero where zones meet.
    flux: Vec<f64>,
    pieces: Pieces,
}

/// Each cell's straight piece of its material's table, as flat arrays. A cell
/// stays in its piece for many steps; see [`Walls::update`].
#[derive(Clone, Debug, Default)]
struct Pieces {
    centre: Vec<f64>,
    half: Vec<f64>,
    temperature: Vec<f64>,
    temperature_slope: Vec<f64>,
    potential: Vec<f64>,
    potential_slope: Vec<f64>,
}

impl Pieces {
    fn resize(&mut self, cells: usize) {
        for array in [
            &mut self.centre,
            &mut self.half,
            &mut self.temperature,
            &mut self.temperature_slope,
            &mut self.potential,
            &mut self.potential_slope,
        ] {
            array.resize(cells, 0.0);
        }
    }

    fn set(&mut self, cell: usize, piece: Piece) {
        self.centre[cell] = piece.centre;
        self.half[cell] = piece.half;
        self.temperature[cell] = piece.temperature;
        self.temperature_slope[cell] = piece.temperature_slope;
        self.potential[cell] = piece.potential;
        self.potential_slope[cell] = piece.potential_slope;
    }
}

impl Walls {
    /// Walls of a checked description, all at 0 °C until [`set`](Self::set) is called.
    pub(crate) fn new(description: &KilnDescription) -> Self {
        let mut walls = Walls {
            tables: Vec::new(),
            runs: Vec::new(),
            interfaces: Vec::new(),
            zones: Vec::new(),
            to_next: Vec::new(),
            per_thickness: Vec::new(),
            enthalpy: Vec::new(),
            potential: Vec::new(),
            earlier_potential: Vec::new(),
            temperature: Vec::new(),
            earlier_temperature: Vec::new(),
            middle: Vec::new(),
            flux: Vec::new(),
            pieces: Pieces::default(),
        };
        let mut known: Vec<&Layer> = Vec::new();
        for zone in &description.zones {
            let start = walls.per_thickness.len();
            let mut last = None;
            let mut first = None;
            for layer in &zone.layers {
                let table = known.iter().position(|other| other.material == layer.material).unwrap_or_else(|| {
                    let material = &layer.material;
                    let density = material.density.value();
                    walls.tables.push(MaterialTable::new(density, &material.conductivity, &material.specific_heat));
                    known.push(layer);
                    known.len() - 1
                });
                let per_thickness = layer.nodes as f64 / layer.thickness.value();
                let half = HalfCell::new(table, 2.0 * per_thickness);
                let begin = walls.per_thickness.len();
                if let Some(hot_half) = last {
                    walls.interfaces.push(Interface { cell: begin - 1, hot_half, cold_half: half, temperature: 0.0 });
                }
                for index in 0..layer.nodes {
                    walls.per_thickness.push(per_thickness);
                    walls.to_next.push(if index + 1 < layer.nodes { per_thickness } else { 0.0 });
                }
                walls.runs.push(Run { table, cells: begin..walls.per_thickness.len() });
                first = first.or(Some(half));
                last = Some(half);
            }
            if let (Some(first_half), Some(last_half)) = (first, last) {
                let cells = start..walls.per_thickness.len();
                walls.zones.push(ZoneWall { cells, first_half, last_half });
            }
        }
        let cells = walls.per_thickness.len();
        for state in [
            &mut walls.enthalpy,
            &mut walls.potential,
            &mut walls.earlier_potential,
            &mut walls.temperature,
            &mut walls.earlier_temperature,
            &mut walls.middle,
        ] {
            state.resize(cells, 0.0);
        }
        walls.flux.resize(cells + 1, 0.0);
        walls.pieces.resize(cells);
        walls
    }

    /// Sets a zone's wall to one temperature.
    pub(crate) fn set_uniform(&mut self, zone: usize, celsius: f64) {
        for cell in self.zones[zone].cells.clone() {
            self.temperature[cell] = celsius;
        }
        self.forget_history(zone);
    }

    /// Sets a zone's wall to the steady profile of a flux, given the outer face's
    /// temperature; returns that of the hot face.
    pub(crate) fn set_steady(&mut self, zone: usize, flux: f64, outer_face: f64) -> f64 {
        let wall = self.zones[zone].clone();
        let mut face = outer_face;
        for run in self.runs.iter().rev().filter(|run| wall.cells.contains(&run.cells.start)) {
            let table = &self.tables[run.table];
            let step = flux / self.per_thickness[run.cells.start];
            let mut potential = table.at(table.enthalpy(face)).potential + step / 2.0;
            for cell in run.cells.clone().rev() {
                self.temperature[cell] = table.at(table.enthalpy_at_potential(potential)).temperature;
                potential += step;
            }
            face = table.at(table.enthalpy_at_potential(potential - step / 2.0)).temperature;
        }
        self.forget_history(zone);
        face
    }

    /// Makes enthalpies and the rest agree with the temperatures just set.
    fn forget_history(&mut self, zone: usize) {
        let cells = self.zones[zone].cells.clone();
        for run in self.runs.iter().filter(|run| cells.contains(&run.cells.start)) {
            let table = &self.tables[run.table];
            for cell in run.cells.clone() {
                self.enthalpy[cell] = table.enthalpy(self.temperature[cell]);
                self.pieces.set(cell, table.piece(self.enthalpy[cell]));
                let point = table.at(self.enthalpy[cell]);
                (self.temperature[cell], self.potential[cell]) = (point.temperature, point.potential);
                (self.earlier_temperature[cell], self.earlier_potential[cell]) = (point.temperature, point.potential);
            }
        }
        for interface in self.interfaces.iter_mut().filter(|interface| cells.contains(&interface.cell)) {
            interface.temperature = (self.temperature[interface.cell] + self.temperature[interface.cell + 1]) / 2.0;
        }
    }

    /// Temperature of a zone's first cell in the middle of the step, and the
    /// conductance per area from a hot face of that temperature to it.
    #[inline]
    pub(crate) fn behind_hot_face(&mut self, zone: usize, face: f64, ahead: f64) -> (f64, f64) {
        let wall = &mut self.zones[zone];
        let cell = wall.cells.start;
        let middle = self.temperature[cell] + ahead * (self.temperature[cell] - self.earlier_temperature[cell]);
        (middle, wall.first_half.conductance(&self.tables, (face + middle) * 0.5))
    }

    /// The same for the outer face and the last cell.
    #[inline]
    pub(crate) fn behind_outer_face(&mut self, zone: usize, face: f64, ahead: f64) -> (f64, f64) {
        let wall = &mut self.zones[zone];
        let cell = wall.cells.end - 1;
        let middle = self.temperature[cell] + ahead * (self.temperature[cell] - self.earlier_temperature[cell]);
        (middle, wall.last_half.conductance(&self.tables, (face + middle) * 0.5))
    }

    /// Works out the fluxes between cells in the middle of the step; `ahead` is
    /// half the step over the step before it.
    pub(crate) fn conduct(&mut self, ahead: f64) {
        to_middle(&mut self.middle, &self.potential, &self.earlier_potential, ahead);
        between_cells(&mut self.flux, &self.to_next, &self.middle);
        for interface in &mut self.interfaces {
            let (hot, cold) = (interface.cell, interface.cell + 1);
            let t_hot = self.temperature[hot] + ahead * (self.temperature[hot] - self.earlier_temperature[hot]);
            let t_cold = self.temperature[cold] + ahead * (self.temperature[cold] - self.earlier_temperature[cold]);
            let between = interface.temperature;
            let g_hot = interface.hot_half.conductance(&self.tables, (t_hot + between) * 0.5);
            let g_cold = interface.cold_half.conductance(&self.tables, (t_cold + between) * 0.5);
            let share = g_hot / (g_hot + g_cold);
            interface.temperature = t_cold + share * (t_hot - t_cold);
            self.flux[cold] = share * g_cold * (t_hot - t_cold);
        }
    }

    /// Fluxes through a zone's two faces join in: into the first cell, out of the last.
    #[inline]
    pub(crate) fn exchange(&mut self, zone: usize, dt: f64, inward: f64, outward: f64) {
        let Range { start, end } = self.zones[zone].cells;
        self.enthalpy[start] += dt * self.per_thickness[start] * inward;
        self.enthalpy[end - 1] -= dt * self.per_thickness[end - 1] * outward;
    }

    /// Moves heat between cells and brings temperature and potential up to date.
    pub(crate) fn update(&mut self, dt: f64) {
        std::mem::swap(&mut self.potential, &mut self.earlier_potential);
        std::mem::swap(&mut self.temperature, &mut self.earlier_temperature);
        let pieces = &self.pieces;
        let left = advance(
            dt,
            &mut self.enthalpy,
            &mut self.temperature,
            &mut self.potential,
            &self.flux,
            &self.per_thickness,
            &pieces.centre,
            &pieces.half,
            &pieces.temperature,
            &pieces.temperature_slope,
            &pieces.potential,
            &pieces.potential_slope,
        );
        if left {
            self.find_pieces();
        }
    }

    /// Looks the pieces up again. Seldom: a piece is some 7 °C wide.
    #[cold]
    fn find_pieces(&mut self) {
        for run in &self.runs {
            for cell in run.cells.clone() {
                if libm::fabs(self.enthalpy[cell] - self.pieces.centre[cell]) > self.pieces.half[cell] {
                    let table = &self.tables[run.table];
                    self.pieces.set(cell, table.piece(self.enthalpy[cell]));
                    let point = table.at(self.enthalpy[cell]);
                    (self.temperature[cell], self.potential[cell]) = (point.temperature, point.potential);
                }
            }
        }
    }

    /// Temperatures of a zone's cells, from the hot face outwards.
    pub(crate) fn temperatures(&self, zone: usize) -> &[f64] {
        &self.temperature[self.zones[zone].cells.clone()]
    }

    /// Heat in a zone's wall above a temperature, per area.
    pub(crate) fn stored_above(&self, zone: usize, celsius: f64) -> f64 {
        let cells = &self.zones[zone].cells;
        let runs = self.runs.iter().filter(|run| cells.contains(&run.cells.start));
        runs.map(|run| {
            let at_reference = self.tables[run.table].enthalpy(celsius);
            run.cells.clone().map(|cell| (self.enthalpy[cell] - at_reference) / self.per_thickness[cell]).sum::<f64>()
        })
        .sum()
    }
}

// The three passes over all cells. Functions of their own, because the compiler
// takes slices for disjoint only if they are arguments, and makes vector code then.

/// Potentials in the middle of the step.
#[inline(never)]
fn to_middle(middle: &mut [f64], potential: &[f64], earlier: &[f64], ahead: f64) {
    for (middle, (potential, earlier)) in middle.iter_mut().zip(potential.iter().zip(earlier)) {
        *middle = potential + ahead * (potential - earlier);
    }
}

/// Fluxes into each cell from the one before.
#[inline(never)]
fn between_cells(flux: &mut [f64], to_next: &[f64], middle: &[f64]) {
    let gaps = middle.iter().zip(&middle[1..]);
    for ((flux, to_next), (hot, cold)) in flux[1..].iter_mut().zip(to_next).zip(gaps) {
        *flux = to_next * (hot - cold);
    }
}

/// Moves heat and evaluates each cell's straight piece; whether any cell has left it.
#[inline(never)]
#[expect(clippy::too_many_arguments, reason = "see above: slices in a structure would not count as disjoint")]
fn advance(
    dt: f64,
    enthalpy: &mut [f64],
    temperature: &mut [f64],
    potential: &mut [f64],
    flux: &[f64],
    per_thickness: &[f64],
    centre: &[f64],
    half: &[f64],
    t0: &[f64],
    t_slope: &[f64],
    p0: &[f64],
    p_slope: &[f64],
) -> bool {
    let cells = enthalpy.len();
    let (temperature, potential) = (&mut temperature[..cells], &mut potential[..cells]);
    let (into, out_of, per_thickness) = (&flux[..cells], &flux[1..=cells], &per_thickness[..cells]);
    let (centre, half) = (&centre[..cells], &half[..cells]);
    let (t0, t_slope) = (&t0[..cells], &t_slope[..cells]);
    let (p0, p_slope) = (&p0[..cells], &p_slope[..cells]);
    let mut left = 0_u64;
    for cell in 0..cells {
        let now = enthalpy[cell] + dt * per_thickness[cell] * (into[cell] - out_of[cell]);
        let from_centre = now - centre[cell];
        enthalpy[cell] = now;
        temperature[cell] = t0[cell] + t_slope[cell] * from_centre;
        potential[cell] = p0[cell] + p_slope[cell] * from_centre;
        left |= u64::from(libm::fabs(from_centre) > half[cell]);
    }
    left != 0
}

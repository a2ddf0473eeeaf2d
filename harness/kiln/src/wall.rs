//! Conduction through the walls of all zones: cells of equal thickness in each
//! layer, enthalpy and conduction potential as state, fluxes at the middle of
//! the step by extrapolation (second-order Adams–Bashforth).

use std::ops::Range;

use crate::description::{KilnDescription, Layer};
use crate::half_cells::HalfCells;
use crate::lanes::Lanes;
use crate::material::{MaterialTable, Piece};

/// Cells of one layer: neighbours in the flat arrays that share a material.
#[derive(Clone, Debug)]
struct Run {
    table: usize,
    cells: Range<usize>,
}

/// How many places where materials meet are worked out side by side.
const SIDE_BY_SIDE: usize = 4;

/// Places where two materials meet.
#[derive(Clone, Debug)]
struct Interfaces {
    /// The cells on the hot side; the next ones are on the cold side. Places left over are like the last.
    cells: [usize; SIDE_BY_SIDE],
    hot_halves: HalfCells<SIDE_BY_SIDE>,
    cold_halves: HalfCells<SIDE_BY_SIDE>,
    /// Temperatures there at the last step, at which conductivities are taken.
    temperature: Lanes<SIDE_BY_SIDE>,
}

/// The outermost cells of all zones, `N` of them; places left over are like the last zone's.
#[derive(Clone, Debug)]
struct Faces<const N: usize> {
    cells: [usize; N],
    halves: HalfCells<N>,
}

/// Temperatures in the middle of the step and conductances behind the faces of all zones.
#[derive(Clone, Copy, Debug)]
pub(crate) struct BehindFaces<const N: usize> {
    /// Of the cells, °C.
    pub(crate) middle: Lanes<N>,
    /// Per area, between face and cell.
    pub(crate) conductance: Lanes<N>,
}

/// Two cells side by side: the processor works on both at once.
#[derive(Clone, Copy, Debug)]
struct Cells {
    enthalpy: Lanes<2>,
    /// W/m of conduction potential, now and at the step before; see [`Row::now`].
    potential: [Lanes<2>; 2],
    /// Into each cell from the one before; zero where zones meet.
    flux: Lanes<2>,
    /// W/m² for each W/m of potential between a cell and the one before; zero where materials or zones change.
    from_last: Lanes<2>,
    per_thickness: Lanes<2>,
    // The straight pieces of their materials' tables. A cell stays in its piece
    // for many steps; see [`Walls::update`].
    centre: Lanes<2>,
    half: Lanes<2>,
    piece_temperature: Lanes<2>,
    temperature_slope: Lanes<2>,
    piece_potential: Lanes<2>,
    potential_slope: Lanes<2>,
}

impl Cells {
    const NONE: Self = Cells {
        enthalpy: Lanes::ZERO,
        potential: [Lanes::ZERO; 2],
        flux: Lanes::ZERO,
        from_last: Lanes::ZERO,
        per_thickness: Lanes::ZERO,
        centre: Lanes::ZERO,
        half: Lanes::ZERO,
        piece_temperature: Lanes::ZERO,
        temperature_slope: Lanes::ZERO,
        piece_potential: Lanes::ZERO,
        potential_slope: Lanes::ZERO,
    };
}

/// All cells, zone after zone from the hot face outwards; without a partner the last has one that does nothing.
#[derive(Clone, Debug)]
struct Row {
    pairs: Vec<Cells>,
    /// °C, cell after cell: an even number, because they are evaluated in pairs.
    temperature: Vec<f64>,
    earlier_temperature: Vec<f64>,
    /// Which of the two potentials is that of now: 0 or 1.
    now: usize,
}

impl Row {
    /// Temperature in the middle of the step; `ahead` is half the step over the step before it.
    #[inline(always)]
    fn middle(&self, cell: usize, ahead: f64) -> f64 {
        let (now, earlier) = (self.temperature[cell], self.earlier_temperature[cell]);
        now + ahead * (now - earlier)
    }

    /// Looks a cell's piece up for its enthalpy and evaluates it.
    fn find_piece(&mut self, cell: usize, table: &MaterialTable) {
        let (cells, lane) = (&mut self.pairs[cell / 2], cell % 2);
        let Piece { centre, half, temperature, temperature_slope, potential, potential_slope } =
            table.piece(cells.enthalpy[lane]);
        (cells.centre[lane], cells.half[lane]) = (centre, half);
        (cells.piece_temperature[lane], cells.temperature_slope[lane]) = (temperature, temperature_slope);
        (cells.piece_potential[lane], cells.potential_slope[lane]) = (potential, potential_slope);
        let point = table.at(cells.enthalpy[lane]);
        self.temperature[cell] = point.temperature;
        cells.potential[self.now & 1][lane] = point.potential;
    }

    /// Fluxes into each cell from the one before, by the potentials in the middle of the step.
    fn conduct(&mut self, ahead: f64) {
        let (now, earlier) = (self.now & 1, (self.now & 1) ^ 1);
        let mut last = 0.0;
        for cells in &mut self.pairs {
            let (potential, before) = (cells.potential[now], cells.potential[earlier]);
            let middle = Lanes::<2>::from_fn(|c| potential[c] + ahead * (potential[c] - before[c]));
            let hotter = Lanes([last, middle[0]]);
            let from_last = cells.from_last;
            cells.flux = Lanes::from_fn(|c| from_last[c] * (hotter[c] - middle[c]));
            last = middle[1];
        }
    }

    /// Moves heat and evaluates each cell's straight piece; whether any cell has left it.
    fn advance(&mut self, dt: f64) -> bool {
        std::mem::swap(&mut self.temperature, &mut self.earlier_temperature);
        self.now = (self.now & 1) ^ 1;
        let now = self.now & 1;
        // How far outside its piece any cell is.
        let mut worst = Lanes::<2>::all(-1.0);
        // From the outside in; what flows out of the last cell is not between cells.
        let mut beyond = 0.0;
        for (cells, temperatures) in self.pairs.iter_mut().zip(self.temperature.chunks_exact_mut(2)).rev() {
            let into = cells.flux;
            let out_of = Lanes([into[1], beyond]);
            beyond = into[0];
            let (before, per_thickness) = (cells.enthalpy, cells.per_thickness);
            let enthalpy = Lanes::<2>::from_fn(|c| before[c] + dt * per_thickness[c] * (into[c] - out_of[c]));
            let centre = cells.centre;
            let off = Lanes::<2>::from_fn(|c| enthalpy[c] - centre[c]);
            let (start, slope) = (cells.piece_temperature, cells.temperature_slope);
            let temperature = Lanes::<2>::from_fn(|c| start[c] + slope[c] * off[c]);
            let (start, slope) = (cells.piece_potential, cells.potential_slope);
            let potential = Lanes::from_fn(|c| start[c] + slope[c] * off[c]);
            let half = cells.half;
            let outside = Lanes::<2>::from_fn(|c| libm::fabs(off[c]) - half[c]);
            worst = Lanes::from_fn(|c| if outside[c] > worst[c] { outside[c] } else { worst[c] });
            cells.enthalpy = enthalpy;
            temperatures.copy_from_slice(&*temperature);
            cells.potential[now] = potential;
        }
        worst[0] > 0.0 || worst[1] > 0.0
    }
}

/// Walls of all zones.
#[derive(Clone, Debug)]
pub(crate) struct Walls<const N: usize> {
    tables: Vec<MaterialTable>,
    runs: Vec<Run>,
    interfaces: Vec<Interfaces>,
    zones: Vec<Range<usize>>,
    hot_faces: Faces<N>,
    outer_faces: Faces<N>,
    row: Row,
}

impl<const N: usize> Walls<N> {
    /// Walls of a checked description of at most `N` zones, all at 0 °C until
    /// they are set. `None` for a description without zones or layers.
    pub(crate) fn new(description: &KilnDescription) -> Option<Self> {
        let mut tables = Vec::new();
        let mut known: Vec<&Layer> = Vec::new();
        let (mut runs, mut zones, mut per_thickness, mut from_last) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
        // Cells on the hot sides of places where materials meet, half cells on them, half cells on the other sides.
        let (mut hot_cells, mut hot_halves, mut cold_halves) = (Vec::new(), Vec::new(), Vec::new());
        let (mut first_halves, mut last_halves) = (Vec::new(), Vec::new());
        for zone in &description.zones {
            let start = per_thickness.len();
            let mut last = None;
            for layer in &zone.layers {
                let table = known.iter().position(|other| other.material == layer.material).unwrap_or_else(|| {
                    let material = &layer.material;
                    let density = material.density.value();
                    tables.push(MaterialTable::new(density, &material.conductivity, &material.specific_heat));
                    known.push(layer);
                    known.len() - 1
                });
                let cells_per_metre = layer.nodes as f64 / layer.thickness.value();
                let half = (table, 2.0 * cells_per_metre);
                let begin = per_thickness.len();
                match last {
                    Some(hot_half) => {
                        hot_cells.push(begin - 1);
                        hot_halves.push(hot_half);
                        cold_halves.push(half);
                    }
                    None => first_halves.push(half),
                }
                for index in 0..layer.nodes {
                    per_thickness.push(cells_per_metre);
                    from_last.push(if index > 0 { cells_per_metre } else { 0.0 });
                }
                runs.push(Run { table, cells: begin..per_thickness.len() });
                last = Some(half);
            }
            last_halves.push(last?);
            zones.push(start..per_thickness.len());
        }
        let halves = hot_halves.chunks(SIDE_BY_SIDE).zip(cold_halves.chunks(SIDE_BY_SIDE));
        let interfaces = hot_cells.chunks(SIDE_BY_SIDE).zip(halves).map(|(cells, (hot, cold))| {
            Some(Interfaces {
                cells: std::array::from_fn(|place| cells[place.min(cells.len() - 1)]),
                hot_halves: HalfCells::new(hot)?,
                cold_halves: HalfCells::new(cold)?,
                temperature: Lanes::ZERO,
            })
        });
        let last_zone = zones.last()?.clone();
        let of = |place: usize| zones.get(place).unwrap_or(&last_zone);
        let cells = per_thickness.len();
        let mut pairs = vec![Cells::NONE; cells.div_ceil(2)];
        for (cell, (from_last, per_thickness)) in from_last.into_iter().zip(per_thickness).enumerate() {
            pairs[cell / 2].from_last[cell % 2] = from_last;
            pairs[cell / 2].per_thickness[cell % 2] = per_thickness;
        }
        Some(Walls {
            interfaces: interfaces.collect::<Option<_>>()?,
            hot_faces: Faces {
                cells: std::array::from_fn(|place| of(place).start),
                halves: HalfCells::new(&first_halves)?,
            },
            outer_faces: Faces {
                cells: std::array::from_fn(|place| of(place).end - 1),
                halves: HalfCells::new(&last_halves)?,
            },
            tables,
            runs,
            zones,
            row: Row {
                temperature: vec![0.0; 2 * pairs.len()],
                earlier_temperature: vec![0.0; 2 * pairs.len()],
                pairs,
                now: 0,
            },
        })
    }

    /// Sets a zone's wall to one temperature.
    pub(crate) fn set_uniform(&mut self, zone: usize, celsius: f64) {
        for cell in self.zones[zone].clone() {
            self.row.temperature[cell] = celsius;
        }
        self.forget_history(zone);
    }

    /// Sets a zone's wall to the steady profile of a flux, given the outer face's
    /// temperature; returns that of the hot face.
    pub(crate) fn set_steady(&mut self, zone: usize, flux: f64, outer_face: f64) -> f64 {
        let wall = self.zones[zone].clone();
        let mut face = outer_face;
        for run in (0..self.runs.len()).rev() {
            let run = self.runs[run].clone();
            if !wall.contains(&run.cells.start) {
                continue;
            }
            let table = &self.tables[run.table];
            let step = flux / self.row.pairs[run.cells.start / 2].per_thickness[run.cells.start % 2];
            let mut potential = table.at(table.enthalpy(face)).potential + step / 2.0;
            for cell in run.cells.rev() {
                let celsius = table.at(table.enthalpy_at_potential(potential)).temperature;
                self.row.temperature[cell] = celsius;
                potential += step;
            }
            face = table.at(table.enthalpy_at_potential(potential - step / 2.0)).temperature;
        }
        self.forget_history(zone);
        face
    }

    /// Makes enthalpies and the rest agree with the temperatures just set.
    fn forget_history(&mut self, zone: usize) {
        let cells = self.zones[zone].clone();
        for run in self.runs.iter().filter(|run| cells.contains(&run.cells.start)) {
            let table = &self.tables[run.table];
            for cell in run.cells.clone() {
                let celsius = self.row.temperature[cell];
                self.row.pairs[cell / 2].enthalpy[cell % 2] = table.enthalpy(celsius);
                self.row.find_piece(cell, table);
                let (cells, now, lane) = (&mut self.row.pairs[cell / 2], self.row.now & 1, cell % 2);
                self.row.earlier_temperature[cell] = self.row.temperature[cell];
                cells.potential[now ^ 1][lane] = cells.potential[now][lane];
            }
        }
        for interfaces in &mut self.interfaces {
            for (temperature, &cell) in interfaces.temperature.iter_mut().zip(&interfaces.cells) {
                if cells.contains(&cell) {
                    *temperature = (self.row.temperature[cell] + self.row.temperature[cell + 1]) / 2.0;
                }
            }
        }
    }

    /// First cells of all zones, and the conductances from hot faces of those temperatures to them.
    #[inline(always)]
    pub(crate) fn behind_hot_faces(&mut self, faces: &Lanes<N>, ahead: f64) -> BehindFaces<N> {
        self.hot_faces.behind(&self.tables, &self.row, faces, ahead)
    }

    /// The same for outer faces and last cells.
    #[inline(always)]
    pub(crate) fn behind_outer_faces(&mut self, faces: &Lanes<N>, ahead: f64) -> BehindFaces<N> {
        self.outer_faces.behind(&self.tables, &self.row, faces, ahead)
    }

    /// Works out the fluxes between cells in the middle of the step; `ahead` is
    /// half the step over the step before it.
    pub(crate) fn conduct(&mut self, ahead: f64) {
        self.row.conduct(ahead);
        for interfaces in &mut self.interfaces {
            let (mut hot, mut cold) = (Lanes::<SIDE_BY_SIDE>::ZERO, Lanes::<SIDE_BY_SIDE>::ZERO);
            for ((hot, cold), &cell) in hot.iter_mut().zip(cold.iter_mut()).zip(&interfaces.cells) {
                (*hot, *cold) = (self.row.middle(cell, ahead), self.row.middle(cell + 1, ahead));
            }
            let flux = interfaces.flux(&self.tables, &hot, &cold);
            for (&flux, &cell) in flux.iter().zip(&interfaces.cells) {
                let next = cell + 1;
                self.row.pairs[next / 2].flux[next % 2] = flux;
            }
        }
    }

    /// Fluxes through all zones' faces join in: into the first cells, out of the last.
    #[inline]
    pub(crate) fn exchange(&mut self, dt: f64, inward: &Lanes<N>, outward: &Lanes<N>) {
        for (zone, (inward, outward)) in self.zones.iter().zip(inward.iter().zip(outward.iter())) {
            let (first, last) = (zone.start, zone.end - 1);
            let (cells, lane) = (&mut self.row.pairs[first / 2], first % 2);
            cells.enthalpy[lane] += dt * cells.per_thickness[lane] * inward;
            let (cells, lane) = (&mut self.row.pairs[last / 2], last % 2);
            cells.enthalpy[lane] -= dt * cells.per_thickness[lane] * outward;
        }
    }

    /// Moves heat between cells and brings temperature and potential up to date.
    pub(crate) fn update(&mut self, dt: f64) {
        if self.row.advance(dt) {
            self.find_pieces();
        }
    }

    /// Looks the pieces up again. Seldom: a piece is some 7 °C wide.
    #[cold]
    fn find_pieces(&mut self) {
        for run in &self.runs {
            for cell in run.cells.clone() {
                let (cells, lane) = (&self.row.pairs[cell / 2], cell % 2);
                if libm::fabs(cells.enthalpy[lane] - cells.centre[lane]) > cells.half[lane] {
                    self.row.find_piece(cell, &self.tables[run.table]);
                }
            }
        }
    }

    /// Temperatures of a zone's cells, from the hot face outwards.
    pub(crate) fn temperatures(&self, zone: usize) -> impl Iterator<Item = f64> + '_ {
        self.zones[zone].clone().map(|cell| self.row.temperature[cell])
    }

    /// Heat in a zone's wall above a temperature, per area.
    pub(crate) fn stored_above(&self, zone: usize, celsius: f64) -> f64 {
        let cells = &self.zones[zone];
        let runs = self.runs.iter().filter(|run| cells.contains(&run.cells.start));
        runs.map(|run| {
            let at_reference = self.tables[run.table].enthalpy(celsius);
            let cells = run.cells.clone().map(|cell| (&self.row.pairs[cell / 2], cell % 2));
            cells.map(|(cells, lane)| (cells.enthalpy[lane] - at_reference) / cells.per_thickness[lane]).sum::<f64>()
        })
        .sum()
    }
}

impl<const N: usize> Faces<N> {
    #[inline(always)]
    fn behind(&mut self, tables: &[MaterialTable], row: &Row, faces: &Lanes<N>, ahead: f64) -> BehindFaces<N> {
        let mut middle = Lanes::<N>::ZERO;
        for (middle, &cell) in middle.iter_mut().zip(&self.cells) {
            *middle = row.middle(cell, ahead);
        }
        let mut mean = Lanes::<N>::ZERO;
        for place in 0..N {
            mean[place] = (faces[place] + middle[place]) * 0.5;
        }
        BehindFaces { middle, conductance: self.halves.conductances(tables, &mean) }
    }
}

impl Interfaces {
    /// Fluxes from hot to cold: two half cells in series.
    #[inline(always)]
    fn flux(
        &mut self,
        tables: &[MaterialTable],
        hot: &Lanes<SIDE_BY_SIDE>,
        cold: &Lanes<SIDE_BY_SIDE>,
    ) -> Lanes<SIDE_BY_SIDE> {
        let (mut hot_mean, mut cold_mean) = (Lanes::<SIDE_BY_SIDE>::ZERO, Lanes::<SIDE_BY_SIDE>::ZERO);
        for place in 0..SIDE_BY_SIDE {
            hot_mean[place] = (hot[place] + self.temperature[place]) * 0.5;
            cold_mean[place] = (cold[place] + self.temperature[place]) * 0.5;
        }
        let g_hot = self.hot_halves.conductances(tables, &hot_mean);
        let g_cold = self.cold_halves.conductances(tables, &cold_mean);
        let mut flux = Lanes::<SIDE_BY_SIDE>::ZERO;
        for place in 0..SIDE_BY_SIDE {
            let share = g_hot[place] / (g_hot[place] + g_cold[place]);
            let through = share * (hot[place] - cold[place]);
            self.temperature[place] = cold[place] + through;
            flux[place] = g_cold[place] * through;
        }
        flux
    }
}

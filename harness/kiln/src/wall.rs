//! Conduction through the walls of all zones: cells of equal thickness in each
//! layer, enthalpy and conduction potential as state, fluxes at the middle of
//! the step by extrapolation (second-order Adams–Bashforth).
//!
//! The cells of one depth lie side by side, one for each zone: the processor
//! works on all of them at once, and nothing has to be gathered at a face.

use std::ops::Range;

use crate::description::{KilnDescription, Layer};
use crate::half_cells::HalfCells;
use crate::lanes::Lanes;
use crate::material::{MaterialTable, Piece};

/// Cells of one layer of one zone's wall, which share a material.
#[derive(Clone, Debug)]
struct Run {
    table: usize,
    /// Their depths, counted in cells from the hot face.
    cells: Range<usize>,
    cells_per_metre: f64,
}

/// Places where two materials meet, at one depth.
#[derive(Clone, Debug)]
struct Interfaces<const N: usize> {
    /// The depth of the cells on the cold side.
    cold_depth: usize,
    /// One for each zone in which materials meet here, else zero.
    here: Lanes<N>,
    hot_halves: HalfCells<N>,
    cold_halves: HalfCells<N>,
    /// Temperatures there at the last step, at which conductivities are taken.
    temperature: Lanes<N>,
}

/// Faces of all zones.
#[derive(Clone, Debug)]
struct Faces<const N: usize> {
    /// At what depth each zone's cell behind its face lies.
    depth: [usize; N],
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

/// The cells of one depth. Where a zone's wall is thinner there is one that does nothing.
#[derive(Clone, Debug)]
struct Cells<const N: usize> {
    enthalpy: Lanes<N>,
    /// W/m of conduction potential, now and at the step before; see [`Row::now`].
    potential: [Lanes<N>; 2],
    /// Into each cell from the one before it; zero at hot faces.
    flux: Lanes<N>,
    /// W/m² for each W/m of potential between a cell and the one before; zero where materials change or a wall ends.
    from_last: Lanes<N>,
    per_thickness: Lanes<N>,
    // The straight pieces of their materials' tables. A cell stays in its piece
    // for many steps; see [`Walls::update`].
    centre: Lanes<N>,
    half: Lanes<N>,
    piece_temperature: Lanes<N>,
    temperature_slope: Lanes<N>,
    piece_potential: Lanes<N>,
    potential_slope: Lanes<N>,
    table: [usize; N],
}

impl<const N: usize> Cells<N> {
    const NONE: Self = Cells {
        enthalpy: Lanes::ZERO,
        potential: [Lanes::ZERO; 2],
        flux: Lanes::ZERO,
        from_last: Lanes::ZERO,
        per_thickness: Lanes::ZERO,
        centre: Lanes::ZERO,
        half: Lanes::all(f64::MAX),
        piece_temperature: Lanes::ZERO,
        temperature_slope: Lanes::ZERO,
        piece_potential: Lanes::ZERO,
        potential_slope: Lanes::ZERO,
        table: [0; N],
    };
}

/// All cells, depth after depth from the hot faces outwards.
#[derive(Clone, Debug)]
struct Row<const N: usize> {
    cells: Vec<Cells<N>>,
    /// °C, depth after depth.
    temperature: Vec<Lanes<N>>,
    earlier_temperature: Vec<Lanes<N>>,
    /// Which of the two potentials is that of now: 0 or 1.
    now: usize,
}

impl<const N: usize> Row<N> {
    /// Temperatures in the middle of the step of the cells at one depth; `ahead` is half the step
    /// over the step before it.
    #[inline(always)]
    fn middle(&self, depth: usize, ahead: f64) -> Lanes<N> {
        let (now, earlier) = (&self.temperature[depth], &self.earlier_temperature[depth]);
        Lanes::from_fn(|z| now[z] + ahead * (now[z] - earlier[z]))
    }

    /// Looks a cell's piece up for its enthalpy and evaluates it.
    fn find_piece(&mut self, depth: usize, zone: usize, table: &MaterialTable) {
        let cells = &mut self.cells[depth];
        let Piece { centre, half, temperature, temperature_slope, potential, potential_slope } =
            table.piece(cells.enthalpy[zone]);
        (cells.centre[zone], cells.half[zone]) = (centre, half);
        (cells.piece_temperature[zone], cells.temperature_slope[zone]) = (temperature, temperature_slope);
        (cells.piece_potential[zone], cells.potential_slope[zone]) = (potential, potential_slope);
        let point = table.at(cells.enthalpy[zone]);
        self.temperature[depth][zone] = point.temperature;
        cells.potential[self.now & 1][zone] = point.potential;
    }

    /// Fluxes into each cell from the one before, by the potentials in the middle of the step.
    #[inline(always)]
    fn conduct(&mut self, ahead: f64) {
        let (now, earlier) = (self.now & 1, (self.now & 1) ^ 1);
        let mut hotter = Lanes::<N>::ZERO;
        for cells in &mut self.cells {
            let (potential, before) = (&cells.potential[now], &cells.potential[earlier]);
            let middle = Lanes::<N>::from_fn(|z| potential[z] + ahead * (potential[z] - before[z]));
            let from_last = &cells.from_last;
            cells.flux = Lanes::from_fn(|z| from_last[z] * (hotter[z] - middle[z]));
            hotter = middle;
        }
    }

    /// Moves heat and evaluates each cell's straight piece; whether any cell has left it.
    #[inline(always)]
    fn advance(&mut self, dt: f64) -> bool {
        std::mem::swap(&mut self.temperature, &mut self.earlier_temperature);
        self.now = (self.now & 1) ^ 1;
        let now = self.now & 1;
        // How far outside its piece any cell is.
        let mut worst = Lanes::<N>::all(-1.0);
        // From the outside in; what flows out of the last cells is not between cells.
        let mut out_of = Lanes::<N>::ZERO;
        for (cells, temperature) in self.cells.iter_mut().zip(&mut self.temperature).rev() {
            let into = cells.flux;
            let (before, per_thickness) = (&cells.enthalpy, &cells.per_thickness);
            let enthalpy = Lanes::<N>::from_fn(|z| before[z] + dt * per_thickness[z] * (into[z] - out_of[z]));
            out_of = into;
            let centre = &cells.centre;
            let off = Lanes::<N>::from_fn(|z| enthalpy[z] - centre[z]);
            let (start, slope) = (&cells.piece_temperature, &cells.temperature_slope);
            *temperature = Lanes::from_fn(|z| start[z] + slope[z] * off[z]);
            let (start, slope) = (&cells.piece_potential, &cells.potential_slope);
            let potential = Lanes::from_fn(|z| start[z] + slope[z] * off[z]);
            let half = &cells.half;
            let outside = Lanes::<N>::from_fn(|z| libm::fabs(off[z]) - half[z]);
            worst = Lanes::from_fn(|z| if outside[z] > worst[z] { outside[z] } else { worst[z] });
            cells.enthalpy = enthalpy;
            cells.potential[now] = potential;
        }
        worst.iter().fold(false, |left, &worst| left | (worst > 0.0))
    }
}

/// Walls of all zones.
#[derive(Clone, Debug)]
pub(crate) struct Walls<const N: usize> {
    tables: Vec<MaterialTable>,
    /// Each place's layers; places left over are like the last zone.
    runs: Vec<Vec<Run>>,
    interfaces: Vec<Interfaces<N>>,
    hot_faces: Faces<N>,
    outer_faces: Faces<N>,
    /// Depths at which walls end, with one for each zone whose wall does.
    ends: Vec<(usize, Lanes<N>)>,
    zones: usize,
    row: Row<N>,
}

impl<const N: usize> Walls<N> {
    /// Walls of a checked description of at most `N` zones, all at 0 °C until
    /// they are set. `None` for a description without zones or layers.
    pub(crate) fn new(description: &KilnDescription) -> Option<Self> {
        let mut tables = Vec::new();
        let mut known: Vec<&Layer> = Vec::new();
        let mut runs = Vec::new();
        let last = description.zones.last()?;
        for place in 0..N {
            let zone = description.zones.get(place).unwrap_or(last);
            let mut depth = 0;
            let of_zone = zone.layers.iter().map(|layer| {
                let table = known.iter().position(|other| other.material == layer.material).unwrap_or_else(|| {
                    let material = &layer.material;
                    let density = material.density.value();
                    tables.push(MaterialTable::new(density, &material.conductivity, &material.specific_heat));
                    known.push(layer);
                    known.len() - 1
                });
                depth += layer.nodes;
                Run {
                    table,
                    cells: depth - layer.nodes..depth,
                    cells_per_metre: layer.nodes as f64 / layer.thickness.value(),
                }
            });
            runs.push(of_zone.collect::<Vec<Run>>());
        }
        // One beyond each wall's last cell.
        let mut depths = [0; N];
        for (depth, runs) in depths.iter_mut().zip(&runs) {
            *depth = runs.last()?.cells.end;
        }
        let mut cells = vec![Cells::<N>::NONE; depths.iter().copied().max()?];
        for (zone, runs) in runs.iter().enumerate() {
            for run in runs {
                for depth in run.cells.clone() {
                    let cells = &mut cells[depth];
                    cells.per_thickness[zone] = run.cells_per_metre;
                    cells.from_last[zone] = if depth > run.cells.start { run.cells_per_metre } else { 0.0 };
                    cells.table[zone] = run.table;
                }
            }
        }
        let mut ends: Vec<(usize, Lanes<N>)> = Vec::new();
        for (zone, depth) in depths.iter().enumerate() {
            match ends.iter_mut().find(|(end, _)| end + 1 == *depth) {
                Some((_, here)) => here[zone] = 1.0,
                None => {
                    let mut here = Lanes::ZERO;
                    here[zone] = 1.0;
                    ends.push((depth - 1, here));
                }
            }
        }
        Some(Walls {
            interfaces: interfaces(&runs, cells.len())?,
            hot_faces: Faces { depth: [0; N], halves: halves(&runs, |runs| runs.first())? },
            outer_faces: Faces { depth: depths.map(|depth| depth - 1), halves: halves(&runs, |runs| runs.last())? },
            tables,
            runs,
            ends,
            zones: description.zones.len(),
            row: Row {
                temperature: vec![Lanes::ZERO; cells.len()],
                earlier_temperature: vec![Lanes::ZERO; cells.len()],
                cells,
                now: 0,
            },
        })
    }

    /// The places of a zone: the last zone's are also those left over.
    fn places(&self, zone: usize) -> Range<usize> {
        if zone + 1 == self.zones { zone..N } else { zone..zone + 1 }
    }

    /// Sets a zone's wall to one temperature.
    pub(crate) fn set_uniform(&mut self, zone: usize, celsius: f64) {
        for place in self.places(zone) {
            for temperature in &mut self.row.temperature {
                temperature[place] = celsius;
            }
            self.forget_history(place);
        }
    }

    /// Sets a zone's wall to the steady profile of a flux, given the outer face's
    /// temperature; returns that of the hot face.
    pub(crate) fn set_steady(&mut self, zone: usize, flux: f64, outer_face: f64) -> f64 {
        let mut face = outer_face;
        for place in self.places(zone) {
            face = outer_face;
            for run in self.runs[place].iter().rev() {
                let table = &self.tables[run.table];
                let step = flux / run.cells_per_metre;
                let mut potential = table.at(table.enthalpy(face)).potential + step / 2.0;
                for depth in run.cells.clone().rev() {
                    let celsius = table.at(table.enthalpy_at_potential(potential)).temperature;
                    self.row.temperature[depth][place] = celsius;
                    potential += step;
                }
                face = table.at(table.enthalpy_at_potential(potential - step / 2.0)).temperature;
            }
            self.forget_history(place);
        }
        face
    }

    /// Makes enthalpies and the rest agree with the temperatures just set.
    fn forget_history(&mut self, place: usize) {
        for run in &self.runs[place] {
            let table = &self.tables[run.table];
            for depth in run.cells.clone() {
                let celsius = self.row.temperature[depth][place];
                self.row.cells[depth].enthalpy[place] = table.enthalpy(celsius);
                self.row.find_piece(depth, place, table);
                self.row.earlier_temperature[depth][place] = self.row.temperature[depth][place];
                let (cells, now) = (&mut self.row.cells[depth], self.row.now & 1);
                cells.potential[now ^ 1][place] = cells.potential[now][place];
            }
        }
        for interfaces in &mut self.interfaces {
            let (hot, cold) = (interfaces.cold_depth - 1, interfaces.cold_depth);
            interfaces.temperature[place] =
                (self.row.temperature[hot][place] + self.row.temperature[cold][place]) / 2.0;
        }
    }

    /// First cells of all zones, and the conductances from hot faces of those temperatures to them.
    #[inline(always)]
    pub(crate) fn behind_hot_faces(&mut self, faces: &Lanes<N>, ahead: f64) -> BehindFaces<N> {
        let middle = self.row.middle(0, ahead);
        self.hot_faces.behind(&self.tables, middle, faces)
    }

    /// The same for outer faces and last cells.
    #[inline(always)]
    pub(crate) fn behind_outer_faces(&mut self, faces: &Lanes<N>, ahead: f64) -> BehindFaces<N> {
        let depth = self.outer_faces.depth;
        let (now, earlier) = (&self.row.temperature, &self.row.earlier_temperature);
        let middle = match self.ends.as_slice() {
            [(depth, _)] => self.row.middle(*depth, ahead),
            _ => Lanes::from_fn(|z| {
                let (now, earlier) = (now[depth[z]][z], earlier[depth[z]][z]);
                now + ahead * (now - earlier)
            }),
        };
        self.outer_faces.behind(&self.tables, middle, faces)
    }

    /// Works out the fluxes between cells in the middle of the step; `ahead` is
    /// half the step over the step before it.
    #[inline(always)]
    pub(crate) fn conduct(&mut self, ahead: f64) {
        self.row.conduct(ahead);
        for interfaces in &mut self.interfaces {
            let depth = interfaces.cold_depth;
            let (hot, cold) = (self.row.middle(depth - 1, ahead), self.row.middle(depth, ahead));
            let through = interfaces.flux(&self.tables, &hot, &cold);
            let flux = &mut self.row.cells[depth].flux;
            for z in 0..N {
                flux[z] += interfaces.here[z] * through[z];
            }
        }
    }

    /// Fluxes through all zones' faces join in: into the first cells, out of the last.
    #[inline(always)]
    pub(crate) fn exchange(&mut self, dt: f64, inward: &Lanes<N>, outward: &Lanes<N>) {
        if let Some(first) = self.row.cells.first_mut() {
            for z in 0..N {
                first.enthalpy[z] += dt * first.per_thickness[z] * inward[z];
            }
        }
        for (depth, here) in &self.ends {
            let last = &mut self.row.cells[*depth];
            for z in 0..N {
                last.enthalpy[z] -= dt * last.per_thickness[z] * (here[z] * outward[z]);
            }
        }
    }

    /// Moves heat between cells and brings temperature and potential up to date.
    #[inline(always)]
    pub(crate) fn update(&mut self, dt: f64) {
        if self.row.advance(dt) {
            self.find_pieces();
        }
    }

    /// Looks the pieces up again. Seldom: a piece is some 7 °C wide.
    #[cold]
    #[inline(never)]
    fn find_pieces(&mut self) {
        for depth in 0..self.row.cells.len() {
            for zone in 0..N {
                let cells = &self.row.cells[depth];
                if libm::fabs(cells.enthalpy[zone] - cells.centre[zone]) > cells.half[zone] {
                    let table = cells.table[zone];
                    self.row.find_piece(depth, zone, &self.tables[table]);
                }
            }
        }
    }

    /// Temperatures of a zone's cells, from the hot face outwards.
    pub(crate) fn temperatures(&self, zone: usize) -> impl Iterator<Item = f64> + '_ {
        let cells = &self.row.temperature[..=self.outer_faces.depth[zone]];
        cells.iter().map(move |temperature| temperature[zone])
    }

    /// Heat in a zone's wall above a temperature, per area.
    pub(crate) fn stored_above(&self, zone: usize, celsius: f64) -> f64 {
        let of_run = |run: &Run| {
            let at_reference = self.tables[run.table].enthalpy(celsius);
            let cells = self.row.cells[run.cells.clone()].iter();
            cells.map(|cells| (cells.enthalpy[zone] - at_reference) / cells.per_thickness[zone]).sum::<f64>()
        };
        self.runs[zone].iter().map(of_run).sum()
    }
}

/// The half cells of one layer of each zone at a face.
fn halves<const N: usize>(runs: &[Vec<Run>], of: impl Fn(&[Run]) -> Option<&Run>) -> Option<HalfCells<N>> {
    let half = |runs: &Vec<Run>| of(runs).map(Run::half_cell);
    HalfCells::new(&runs.iter().map(half).collect::<Option<Vec<_>>>()?)
}

/// Places where materials meet, from the hot faces outwards, of walls of at most so many cells.
fn interfaces<const N: usize>(runs: &[Vec<Run>], depths: usize) -> Option<Vec<Interfaces<N>>> {
    let mut found = Vec::new();
    for cold_depth in 1..depths {
        let here = Lanes::from_fn(|zone| {
            let begins = runs[zone].iter().any(|run| run.cells.start == cold_depth);
            if begins { 1.0 } else { 0.0 }
        });
        if here.contains(&1.0) {
            // Where no materials meet in a zone, or its wall has ended, any half cells of it will do.
            let at =
                |depth: usize| halves(runs, |runs| runs.iter().find(|run| run.cells.contains(&depth)).or(runs.last()));
            let (hot_halves, cold_halves) = (at(cold_depth - 1)?, at(cold_depth)?);
            found.push(Interfaces { cold_depth, here, hot_halves, cold_halves, temperature: Lanes::ZERO });
        }
    }
    Some(found)
}

impl Run {
    /// Its material's table, and the conductance per area of half a cell for a conductivity of one.
    fn half_cell(&self) -> (usize, f64) {
        (self.table, 2.0 * self.cells_per_metre)
    }
}

impl<const N: usize> Faces<N> {
    #[inline(always)]
    fn behind(&mut self, tables: &[MaterialTable], middle: Lanes<N>, faces: &Lanes<N>) -> BehindFaces<N> {
        let mean = Lanes::from_fn(|z| (faces[z] + middle[z]) * 0.5);
        BehindFaces { middle, conductance: self.halves.conductances(tables, &mean) }
    }
}

impl<const N: usize> Interfaces<N> {
    /// Fluxes from hot to cold: two half cells in series.
    #[inline(always)]
    fn flux(&mut self, tables: &[MaterialTable], hot: &Lanes<N>, cold: &Lanes<N>) -> Lanes<N> {
        let hot_mean = Lanes::from_fn(|z| (hot[z] + self.temperature[z]) * 0.5);
        let cold_mean = Lanes::from_fn(|z| (cold[z] + self.temperature[z]) * 0.5);
        let g_hot = self.hot_halves.conductances(tables, &hot_mean);
        let g_cold = self.cold_halves.conductances(tables, &cold_mean);
        let mut flux = Lanes::<N>::ZERO;
        for z in 0..N {
            let share = g_hot[z] / (g_hot[z] + g_cold[z]);
            let through = share * (hot[z] - cold[z]);
            self.temperature[z] = cold[z] + through;
            flux[z] = g_cold[z] * through;
        }
        flux
    }
}

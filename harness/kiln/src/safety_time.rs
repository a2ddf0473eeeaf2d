//! Process safety time: how long heat may stay on after a failure.
//!
//! **Definition used here.** The process safety time of a failure that leaves
//! heat on is the longest time after it at which a cut of all heat still keeps
//! the kiln below a limit for good, the heat that is stored in elements and
//! chamber at the cut included. It is therefore the time until the action has
//! to be *complete* (IEC 61508-4 defines it so, "process safety time"; IEC
//! 61511 as the time from failure to hazardous event if nothing reacts; both
//! from memory, paraphrased). It is never longer than the plain time until the
//! limit is reached, which is given beside it.
//!
//! **Not from one heat capacity.** C·ΔT/P with the whole kiln's C is far too
//! long for an empty kiln whose wall is soaked: only elements and the skin of
//! the hot face take the heat at first. So the model is run from every state
//! of a [`SafetyGrid`], and every state's times are given. What is printed of
//! it, and why each choice is the worst, stands in
//! `docs/process-safety-time.md`.

mod fired;

use core::fmt;

use dryfire_units::{Celsius, RigSpan, RigTime};

use self::fired::{Fired, LONGEST_PAST, SECOND};
use crate::{KilnDescription, KilnError};

/// The states and failures that are searched.
#[derive(Clone, Debug, PartialEq)]
pub struct SafetyGrid {
    /// The set-point at which the kiln stands when it fails (except for [`Before::Cold`]).
    pub set_point: Celsius,
    /// The room.
    pub ambient: Celsius,
    /// Period of on and off for [`Before::EndOfOnPhase`]; taken in whole seconds, rounded up.
    pub cycle_time: RigSpan,
    /// Supply voltage over its rated value; heat goes with its square.
    pub supply_factor: f64,
    /// What the model may be wrong by; every limit is taken that much lower.
    pub model_error: Celsius,
    /// How far the search looks.
    pub horizon: RigSpan,
    /// With and without load.
    pub loads: Vec<LoadState>,
    /// How the kiln came to where it stands.
    pub befores: Vec<Before>,
    /// Which zones' heat is left on.
    pub failures: Vec<Failure>,
    /// Rises of a reading above its value at the failure whose instants are wanted.
    pub reading_rises: Vec<Celsius>,
}

/// What stands in the kiln.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum LoadState {
    /// Nothing.
    Empty,
    /// The load of the description.
    Full,
}

/// What went before the failure.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Before {
    /// A hold at the set-point without end: wall soaked, elements as a steady holding power keeps them.
    Hold,
    /// The same under a relay that goes on and off: the failure comes at the end
    /// of an on-phase, when the elements are hottest.
    EndOfOnPhase,
    /// Full power from cold, the set-point reached at this moment: wall hardly
    /// soaked, elements at full power. No programmed ramp leaves the wall colder
    /// or the elements hotter.
    FullPowerRamp,
    /// Nothing: the kiln is as cold as the room.
    Cold,
}

/// The zones whose heat is left on; the others stay under control.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Failure {
    zones: Vec<usize>,
}

impl Failure {
    /// These zones, in any order.
    pub fn of(zones: impl IntoIterator<Item = usize>) -> Self {
        let mut zones: Vec<usize> = zones.into_iter().collect();
        zones.sort_unstable();
        zones.dedup();
        Failure { zones }
    }

    /// Every zone of a kiln with so many.
    pub fn all(zones: usize) -> Self {
        Failure { zones: (0..zones).collect() }
    }

    /// Their indices, rising.
    pub fn zones(&self) -> &[usize] {
        &self.zones
    }
}

/// What must not be reached.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum SafetyLimit {
    /// The hottest element's temperature against [`Limits::element`](crate::Limits::element).
    Element,
    /// The hottest hot face against [`Limits::brick`](crate::Limits::brick).
    Brick,
    /// The hottest chamber against [`Limits::programmed_top`](crate::Limits::programmed_top).
    Programmed,
}

impl SafetyLimit {
    /// All of them.
    pub const ALL: [SafetyLimit; 3] = [SafetyLimit::Element, SafetyLimit::Brick, SafetyLimit::Programmed];

    /// Its value for a kiln.
    pub fn of(self, description: &KilnDescription) -> Celsius {
        match self {
            SafetyLimit::Element => description.limits.element,
            SafetyLimit::Brick => description.limits.brick,
            SafetyLimit::Programmed => description.limits.programmed_top,
        }
    }
}

/// The process safety time to one limit; the order is from the least time to the most.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum SafetyTime {
    /// A cut at the very moment of the failure comes too late: the kiln stands
    /// at the limit, or stored heat alone carries it there.
    NoMargin,
    /// There is time.
    Until {
        /// The latest cut, after the failure, that keeps the kiln below the limit; rounded down.
        cut_by: RigSpan,
        /// When the limit is reached if nothing is cut; rounded up to the model's grid.
        reached: RigSpan,
    },
    /// The limit is not reached within the horizon, though nothing is cut.
    NotReached,
}

impl SafetyTime {
    /// The latest cut; zero where there is no margin, nothing where no limit is reached.
    pub fn cut_by(self) -> Option<RigSpan> {
        match self {
            SafetyTime::NoMargin => Some(RigSpan::ZERO),
            SafetyTime::Until { cut_by, .. } => Some(cut_by),
            SafetyTime::NotReached => None,
        }
    }
}

/// What one state and one failure came to.
#[derive(Clone, Debug, PartialEq)]
pub struct SafetyCase {
    /// With or without load.
    pub load: LoadState,
    /// What went before.
    pub before: Before,
    /// What is left on.
    pub failure: Failure,
    /// The hottest chamber at the failure. Below the set-point where the kiln
    /// has not the power to get or stay there.
    pub chamber: Celsius,
    /// The times, in the order of [`SafetyLimit::ALL`].
    pub times: [SafetyTime; 3],
    /// When the first probe reads each of [`SafetyGrid::reading_rises`] more
    /// than at the failure, if nothing is cut; `None`: not within the horizon.
    pub readings: Vec<Option<RigSpan>>,
}

impl SafetyCase {
    /// The time to one limit.
    pub fn time(&self, limit: SafetyLimit) -> SafetyTime {
        match limit {
            SafetyLimit::Element => self.times[0],
            SafetyLimit::Brick => self.times[1],
            SafetyLimit::Programmed => self.times[2],
        }
    }

    /// The first of some limits, with its time; `None` for no limits.
    pub fn first(&self, limits: &[SafetyLimit]) -> Option<(SafetyLimit, SafetyTime)> {
        limits.iter().map(|limit| (*limit, self.time(*limit))).min_by_key(|(limit, time)| (*time, *limit))
    }
}

/// Why nothing can be searched.
#[derive(Clone, Debug, PartialEq)]
pub enum SafetyError {
    /// The kiln's description or a state does not make sense.
    Kiln(KilnError),
    /// The set-point is no temperature between the room's and 1400 °C.
    SetPoint {
        /// The set-point.
        set_point: Celsius,
        /// The room.
        ambient: Celsius,
    },
    /// The supply factor is not between 0.5 and 1.5.
    SupplyFactor(f64),
    /// The model's error is not between 0 and 100 °C.
    ModelError(Celsius),
    /// The horizon is not between a second and 48 hours.
    Horizon(RigSpan),
    /// The cycle time is not between nothing and ten minutes.
    CycleTime(RigSpan),
    /// A failure leaves on no zone, or one that there is not.
    Failure {
        /// The failure.
        failure: Failure,
        /// How many zones there are.
        zones: usize,
    },
}

impl fmt::Display for SafetyError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Kiln(error) => error.fmt(f),
            Self::SetPoint { set_point, ambient } => {
                write!(f, "the set-point has to lie between the room's {ambient} and 1400 °C, found {set_point}")
            }
            Self::SupplyFactor(factor) => {
                write!(f, "the supply factor has to lie between 0.5 and 1.5, found {factor}")
            }
            Self::ModelError(error) => write!(f, "the model's error has to lie between 0 and 100 °C, found {error}"),
            Self::Horizon(horizon) => write!(f, "the horizon has to lie between 1 s and 48 h, found {horizon}"),
            Self::CycleTime(cycle) => write!(f, "the cycle time has to lie between 0 s and 10 min, found {cycle}"),
            Self::Failure { failure, .. } if failure.zones.is_empty() => {
                f.write_str("a failure has to leave at least one zone on")
            }
            Self::Failure { failure, zones } => {
                let worst = failure.zones.last().map_or(0, |zone| zone + 1);
                write!(f, "a failure leaves zone {worst} on, but there are only {zones}")
            }
        }
    }
}

impl std::error::Error for SafetyError {}

impl From<KilnError> for SafetyError {
    fn from(error: KilnError) -> Self {
        SafetyError::Kiln(error)
    }
}

impl SafetyGrid {
    /// How far the usual search looks: six hours.
    pub const HORIZON: RigSpan = RigSpan::from_seconds(6 * 3600);
    /// The usual supply: 10 % above its rating, so 21 % more heat (common practice, no source).
    pub const SUPPLY_FACTOR: f64 = 1.1;
    /// The usual cycle time of relays: windows of 10 to 30 s are common practice (no source); the longest heats
    /// the elements most.
    pub const CYCLE_TIME: RigSpan = RigSpan::from_seconds(30);
    /// A warm room (common practice, no source).
    pub const AMBIENT: Celsius = Celsius::new(40.0);

    /// The usual grid: empty and full, after an endless hold at the hottest
    /// set-point that may be programmed and after a ramp at full power to it,
    /// each zone alone and all of them.
    pub fn usual(description: &KilnDescription, model_error: Celsius) -> Self {
        let zones = description.zones.len();
        let mut failures: Vec<Failure> = (0..zones).map(|zone| Failure::of([zone])).collect();
        if zones > 1 {
            failures.push(Failure::all(zones));
        }
        SafetyGrid {
            set_point: description.limits.programmed_top,
            ambient: Self::AMBIENT,
            cycle_time: Self::CYCLE_TIME,
            supply_factor: Self::SUPPLY_FACTOR,
            model_error,
            horizon: Self::HORIZON,
            loads: Self::loads_of(description),
            befores: vec![Before::Hold, Before::EndOfOnPhase, Before::FullPowerRamp],
            failures,
            reading_rises: Vec::new(),
        }
    }

    /// Empty, and full if the description has any load.
    pub fn loads_of(description: &KilnDescription) -> Vec<LoadState> {
        if description.zones.iter().any(|zone| zone.load.is_some()) {
            vec![LoadState::Empty, LoadState::Full]
        } else {
            vec![LoadState::Empty]
        }
    }

    fn check(&self, description: &KilnDescription) -> Result<(), SafetyError> {
        description.check().map_err(KilnError::Description)?;
        let (set_point, ambient) = (self.set_point, self.ambient);
        // Written so that NaN is refused too.
        if !(set_point.value() >= ambient.value() && set_point.value() <= 1400.0) {
            return Err(SafetyError::SetPoint { set_point, ambient });
        }
        if !(self.supply_factor >= 0.5 && self.supply_factor <= 1.5) {
            return Err(SafetyError::SupplyFactor(self.supply_factor));
        }
        if !(self.model_error.value() >= 0.0 && self.model_error.value() <= 100.0) {
            return Err(SafetyError::ModelError(self.model_error));
        }
        if self.horizon < RigSpan::from_seconds(1) || self.horizon > RigSpan::from_seconds(48 * 3600) {
            return Err(SafetyError::Horizon(self.horizon));
        }
        if self.cycle_time < RigSpan::ZERO || self.cycle_time > RigSpan::from_minutes(10) {
            return Err(SafetyError::CycleTime(self.cycle_time));
        }
        let zones = description.zones.len();
        for failure in &self.failures {
            if failure.zones.is_empty() || failure.zones.iter().any(|zone| *zone >= zones) {
                return Err(SafetyError::Failure { failure: failure.clone(), zones });
            }
        }
        Ok(())
    }
}

/// Searches a grid; one case for each load, each past and each failure, in this order.
///
/// Elements are taken as new (their least resistance), the lid as shut, the walls
/// in cells at least as fine as the description's. Zones
/// that a failure does not leave on are held at the set-point by a control loop
/// of the search, as an honest controller would.
///
/// # Errors
///
/// A description or a grid that does not make sense.
pub fn safety_times(description: &KilnDescription, grid: &SafetyGrid) -> Result<Vec<SafetyCase>, SafetyError> {
    grid.check(description)?;
    let mut cases = Vec::new();
    for load in &grid.loads {
        let description = worst_of(description, *load);
        for before in &grid.befores {
            let at_failure = Fired::before_failure(&description, grid, *before)?;
            for failure in &grid.failures {
                let search = CutSearch::new(&description, grid, &at_failure, failure)?;
                cases.push(SafetyCase {
                    load: *load,
                    before: *before,
                    failure: failure.clone(),
                    chamber: Celsius::new(at_failure.level(SafetyLimit::Programmed)),
                    times: search.times()?,
                    readings: search.readings.clone(),
                });
            }
        }
    }
    Ok(cases)
}

/// Cells that a wall's layer is cut into at least, where steps of a second allow it. The seconds after a failure
/// are about the skin of the hot face. Thick cells make it too hot at first (the whole flux falls over half a cell
/// at once), so times come out short: with 6 mm cells the least time of an invented brick kiln was 17 % less than
/// with 2 mm, and those (extrapolated from 6, 3 and 2 mm) are about 2 % short.
const CELLS_PER_LAYER: usize = 12;
/// How thick cells of the innermost layer are at most, in metres, where steps of a second allow it: a wall of one
/// thick layer would else come out a quarter short.
const SKIN_CELL: f64 = 0.0021;

/// The kiln with new elements, that load, and walls cut finely.
fn worst_of(description: &KilnDescription, load: LoadState) -> KilnDescription {
    let mut worst = description.clone();
    for zone in &mut worst.zones {
        zone.element.ageing = zone.element.ageing.min(1.0);
        for (depth, layer) in zone.layers.iter_mut().enumerate() {
            // Only the skin of the hot face matters in the first minutes. Rounded up, and at most a few hundred.
            let skin = if depth == 0 { libm::ceil(layer.thickness.value() / SKIN_CELL) as usize } else { 0 };
            layer.nodes = layer.nodes.max(layer.most_nodes().min(CELLS_PER_LAYER.max(skin)));
        }
        if load == LoadState::Empty {
            zone.load = None;
        }
    }
    worst
}

/// The run without a cut, kept minute by minute, and the search for the latest cut in it.
struct CutSearch {
    left_on: Vec<usize>,
    /// The failure's instant.
    failed: RigTime,
    /// The state at the failure and every so often after it.
    kept: Vec<Fired>,
    /// Limits, the model's error taken off, in the order of [`SafetyLimit::ALL`].
    limits: [f64; 3],
    /// When they are first exceeded.
    reached: [Option<RigTime>; 3],
    readings: Vec<Option<RigSpan>>,
}

impl CutSearch {
    /// How far apart states are kept.
    const KEPT_EVERY: RigSpan = RigSpan::from_seconds(60);
    /// To what the latest cut is found.
    const RESOLUTION: RigSpan = RigSpan::from_millis(10);

    fn new(
        description: &KilnDescription,
        grid: &SafetyGrid,
        at_failure: &Fired,
        failure: &Failure,
    ) -> Result<Self, KilnError> {
        let failed = at_failure.kiln.sample_time();
        // What the hold is still short of its set-point is not given away as margin.
        let short = match at_failure.set_point - at_failure.level(SafetyLimit::Programmed) {
            short if !at_failure.idle && short > 0.0 && short < 1.0 => short,
            _ => 0.0,
        };
        let allowance = grid.model_error.value() + short;
        let limits = SafetyLimit::ALL.map(|limit| limit.of(description).value() - allowance);
        let mut search = CutSearch {
            left_on: failure.zones.clone(),
            failed,
            kept: vec![at_failure.clone()],
            limits,
            reached: [None; 3],
            readings: vec![None; grid.reading_rises.len()],
        };
        let first_reading = at_failure.reading();
        let mut fired = at_failure.clone();
        loop {
            let now = fired.kiln.sample_time();
            for (place, limit) in SafetyLimit::ALL.into_iter().enumerate() {
                if search.reached[place].is_none() && fired.level(limit) > limits[place] {
                    search.reached[place] = Some(now);
                }
            }
            let rise = fired.reading() - first_reading;
            for (reached, wanted) in search.readings.iter_mut().zip(&grid.reading_rises) {
                if reached.is_none() && rise >= wanted.value() {
                    *reached = Some(now - failed);
                }
            }
            let all_known = search.reached.iter().all(Option::is_some) && search.readings.iter().all(Option::is_some);
            if all_known || now - failed >= grid.horizon {
                return Ok(search);
            }
            fired.second(&search.left_on)?;
            let since = fired.kiln.sample_time() - failed;
            if since.as_micros() % Self::KEPT_EVERY.as_micros() == 0 {
                search.kept.push(fired.clone());
            }
        }
    }

    fn times(&self) -> Result<[SafetyTime; 3], KilnError> {
        let mut times = [SafetyTime::NotReached; 3];
        for (place, time) in times.iter_mut().enumerate() {
            if let Some(reached) = self.reached[place] {
                *time = self.latest_cut(place, reached)?;
            }
        }
        Ok(times)
    }

    /// Bisection between a cut that is early enough and one that is not.
    fn latest_cut(&self, place: usize, reached: RigTime) -> Result<SafetyTime, KilnError> {
        if !self.stays_below(place, self.failed)? {
            return Ok(SafetyTime::NoMargin);
        }
        let (mut early, mut late) = (self.failed, reached);
        while late - early > Self::RESOLUTION {
            let middle = early + RigSpan::from_micros((late - early).as_micros() / 2);
            if self.stays_below(place, middle)? {
                early = middle;
            } else {
                late = middle;
            }
        }
        let cut_by = early - self.failed;
        let cut_by = RigSpan::from_millis(cut_by.as_millis());
        Ok(SafetyTime::Until { cut_by, reached: reached - self.failed })
    }

    /// Whether a cut at this instant keeps the kiln below a limit for good.
    fn stays_below(&self, place: usize, cut: RigTime) -> Result<bool, KilnError> {
        let (limit, value) = (SafetyLimit::ALL[place], self.limits[place]);
        // At least one state is kept and none lies before the failure; beyond the last one, the last.
        let minute = (cut - self.failed).as_micros() / Self::KEPT_EVERY.as_micros();
        let minute = usize::try_from(minute).unwrap_or(0).min(self.kept.len() - 1);
        let mut fired = self.kept[minute].clone();
        while cut - fired.kiln.sample_time() >= SECOND {
            fired.second(&self.left_on)?;
        }
        if cut > fired.kiln.sample_time() {
            fired.command(&self.left_on)?;
        }
        fired.cut(cut)?;
        // A cut of zones that were all off is no edge, and leaves the state before it.
        let end = cut.saturating_add(LONGEST_PAST);
        while fired.kiln.sample_time() < end {
            if fired.level(limit) > value {
                return Ok(false);
            }
            if fired.hottest_part() <= value {
                return Ok(true);
            }
            fired.kiln.advance_to(fired.kiln.sample_time() + SECOND);
        }
        Ok(false)
    }
}

#[cfg(test)]
mod tests;

//! The time budget: what a controller promises, held against half of the
//! process safety time of each hazard that leaves heat on.
//!
//! Half is common practice (detection, logic, final element and process lag
//! together; no source). What is computed, from which states, stands in
//! `docs/process-safety-time.md`.

use core::fmt;

use dryfire_kiln::{
    Before, Failure, KilnDescription, SafetyCase, SafetyError, SafetyGrid, SafetyLimit, SafetyTime, safety_times,
};
use dryfire_scenario::Bench;
use dryfire_units::{Celsius, RigSpan};

use crate::played::MODEL_ERROR_MILLICELSIUS;

/// Which zones a hazard leaves on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum LeftOn {
    /// Those behind one welded relay.
    Weld,
    /// Those that are fired by one probe.
    Probe,
    /// All.
    All,
}

/// When a hazard strikes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Strikes {
    /// At the hottest set-point.
    Hot,
    /// At the start, because it is there from the beginning.
    Cold,
}

/// What is assumed of a controller that declares nothing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Usual {
    /// So long after the failure.
    After(RigSpan),
    /// Ten minutes after the first reading is 20 °C too high, and before one is 50 °C too high.
    ByReading,
    /// There is no usual figure.
    Nothing,
}

struct HazardRow {
    hazard: &'static str,
    left_on: LeftOn,
    strikes: Strikes,
    usual: Usual,
}

const fn hazard(hazard: &'static str, left_on: LeftOn, strikes: Strikes, usual: Usual) -> HazardRow {
    HazardRow { hazard, left_on, strikes, usual }
}

const fn seconds(seconds: i64) -> Usual {
    Usual::After(RigSpan::from_seconds(seconds))
}

/// The hazards for which the model gives a time. The usual reactions are common
/// practice without a source: three of five samples, filter and scan for a probe
/// that flags its break, 30 s for a reading that drops by more than 50 °C in one
/// sample, half an hour without a rise at full power, and so on.
const COMPUTED: [HazardRow; 10] = [
    hazard("probe-open", LeftOn::Probe, Strikes::Hot, seconds(10)),
    hazard("probe-short", LeftOn::Probe, Strikes::Hot, seconds(30)),
    hazard("probe-reversed", LeftOn::Probe, Strikes::Cold, seconds(300)),
    hazard("probe-frozen", LeftOn::Probe, Strikes::Hot, seconds(900)),
    hazard("probe-pulled-out", LeftOn::Probe, Strikes::Hot, seconds(1800)),
    hazard("relay-welded", LeftOn::Weld, Strikes::Hot, Usual::ByReading),
    hazard("runaway", LeftOn::All, Strikes::Hot, Usual::ByReading),
    hazard("over-temperature", LeftOn::All, Strikes::Hot, seconds(5)),
    hazard("heat-while-idle", LeftOn::All, Strikes::Hot, Usual::ByReading),
    hazard("controller-hung", LeftOn::All, Strikes::Hot, Usual::Nothing),
];

/// Somebody is at the kiln: no temperature decides, harm is there at once.
const AT_ONCE: [&str; 2] = [LID, "stop-pressed"];
const LID: &str = "lid-open";
/// What is allowed for these from the contact to the open relay, with firmware in between; 0.1 s where it is
/// hard-wired (common practice, no source).
const AT_ONCE_ALLOWED: RigSpan = RigSpan::from_millis(500);

/// Hazards of the library for which there is nothing to compute, and why.
const NOT_COMPUTED: [(&str, &str); 16] = [
    ("probe-offset", "the kiln is still held, as much too hot as the reading is too low; one probe cannot show it"),
    ("probe-leak", "it leaves on what a break leaves on; the row of probe-open says how much time there is"),
    ("probe-crossed", "as long as both zones behave alike nothing shows; the spread of the zones bounds it"),
    ("cold-junction", "the kiln is still held, as much too hot as the terminals are; one probe cannot show it"),
    ("relay-sticking", "the relay's time to open is added to every reaction"),
    ("element-lost", "it takes heat away"),
    ("heat-lost", "it takes heat away"),
    ("stall", "the kiln does not get hotter than it was meant to; the longest firing bounds it"),
    ("firing-too-long", "the kiln is still held; the longest firing bounds it"),
    ("supply-cut", "it takes heat away; what happens when the supply returns is for scenarios"),
    ("start-with-fault", "the fault's own row says how much time there is"),
    ("limiter", "it is a means against the other hazards, and their rows say how much time there is"),
    ("program-beyond-limits", "the programmed limit is counted in every row"),
    ("program-edited", "the programmed limit is counted in every row"),
    ("memory-damaged", "no heat comes from a memory that is refused; that it is refused is for scenarios"),
    ("control", "the kiln is under control"),
];

const NO_WELD: &str = "no single weld leaves heat on: a second element relay stands in every path";

/// Rises of the reading that [`Usual::ByReading`] speaks of.
const READING_RISES: [Celsius; 2] = [Celsius::new(20.0), Celsius::new(50.0)];
const AFTER_FIRST_RISE: RigSpan = RigSpan::from_minutes(10);

/// The whole budget of a kiln, and of a controller where a bench is given.
#[derive(Clone, Debug, PartialEq)]
pub struct Budget {
    /// The kiln's name.
    pub kiln: String,
    /// The names of its zones.
    pub zones: Vec<String>,
    /// The bench's name.
    pub bench: Option<String>,
    /// What was searched.
    pub grid: SafetyGrid,
    /// The kiln's limits, in the order of [`SafetyLimit::ALL`].
    pub limits: [Celsius; 3],
    /// Limits that the rows count: the programmed one only where the hottest set-point lies below it.
    pub counted: Vec<SafetyLimit>,
    /// What the search found.
    pub cases: Vec<SafetyCase>,
    /// By hazard.
    pub rows: Vec<BudgetRow>,
    /// Hazards without a row, and why.
    pub not_computed: Vec<(String, String)>,
    /// The slowest relay's time to open, which is added to what is declared.
    pub release: RigSpan,
}

/// One hazard.
#[derive(Clone, Debug, PartialEq)]
pub struct BudgetRow {
    /// Its id.
    pub hazard: String,
    /// Where the time comes from.
    pub worst: Worst,
    /// Half the process safety time; `None` where no limit is reached, or for [`Worst::AtOnce`].
    pub half: Option<RigSpan>,
    /// What is common practice, whatever is declared; `None` where there is no figure.
    pub usual: Option<RigSpan>,
    /// What is promised or assumed.
    pub reaction: Reaction,
    /// Whether that is enough.
    pub standing: Standing,
}

/// Where a hazard's time comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Worst {
    /// From the state with the least time, among those where the reaction stands worst.
    Case {
        /// As an index into [`Budget::cases`].
        case: usize,
        /// The limit that is reached first.
        limit: SafetyLimit,
        /// The time.
        time: SafetyTime,
    },
    /// From none: harm is there at once, and so long is what is allowed.
    AtOnce {
        /// How long a reaction may take.
        allowed: RigSpan,
    },
}

/// How soon the heat is off after the failure.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reaction {
    /// Declared by the bench file; the slowest relay's release is added.
    Declared {
        /// As declared.
        declared: RigSpan,
        /// With the release.
        complete: RigSpan,
    },
    /// Not declared: what is common practice, from the failure to the open relay.
    Usual(RigSpan),
    /// Not declared; common practice goes by the reading: so long after the
    /// failure it is ten minutes after 20 °C too much, or 50 °C too much.
    /// `None`: no reading ever becomes 20 °C too high.
    ByReading(Option<RigSpan>),
    /// Neither declared nor is there a usual figure.
    Nothing,
}

impl Reaction {
    /// From the failure to heat off.
    pub fn complete(self) -> Option<RigSpan> {
        match self {
            Reaction::Declared { complete, .. } => Some(complete),
            Reaction::Usual(span) => Some(span),
            Reaction::ByReading(span) => span,
            Reaction::Nothing => None,
        }
    }
}

/// Whether a reaction is soon enough; from the worst on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Standing {
    /// There is no time at all.
    NoMargin,
    /// Nothing is declared, and there is no usual figure.
    NothingDeclared,
    /// No reading shows it.
    NeverNoticed,
    /// It takes more than half of the time.
    TooSlow,
    /// It takes at most half of the time.
    Enough,
}

impl Standing {
    /// The word for it in JSON lines.
    pub fn word(self) -> &'static str {
        match self {
            Standing::NoMargin => "no-margin",
            Standing::NothingDeclared => "nothing-declared",
            Standing::NeverNoticed => "never-noticed",
            Standing::TooSlow => "too-slow",
            Standing::Enough => "enough",
        }
    }
}

/// Why there is no budget.
#[derive(Clone, Debug, PartialEq)]
pub enum BudgetError {
    /// Bench and kiln do not have the same zones in the same order.
    Zones {
        /// The bench's.
        bench: Vec<String>,
        /// The kiln's.
        kiln: Vec<String>,
    },
    /// The search refused.
    Search(SafetyError),
}

impl fmt::Display for BudgetError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            BudgetError::Zones { bench, kiln } => write!(
                f,
                "the bench's zones are {}, but the kiln's are {}; they have to be the same, in the same order",
                bench.join(", "),
                kiln.join(", ")
            ),
            BudgetError::Search(error) => error.fmt(f),
        }
    }
}

impl std::error::Error for BudgetError {}

/// Computes the budget of a kiln; with a bench, of its controller.
///
/// The hottest set-point is the bench's declared top temperature, without a
/// bench the kiln's programmed limit. `dryfire run` calls it before anything
/// runs, to warn of a declared reaction that is too slow.
///
/// # Errors
///
/// A kiln that does not make sense, or a bench for another one.
pub fn budget(kiln: &KilnDescription, bench: Option<&Bench>) -> Result<Budget, BudgetError> {
    let zones: Vec<String> = kiln.zones.iter().map(|zone| zone.name.clone()).collect();
    if let Some(bench) = bench {
        let of_bench: Vec<String> = bench.zones.iter().map(|zone| zone.name.clone()).collect();
        if of_bench != zones {
            return Err(BudgetError::Zones { bench: of_bench, kiln: zones });
        }
    }
    let sets = FailureSets::of(zones.len(), bench);
    let grid = grid(kiln, bench, &sets);
    let cases = safety_times(kiln, &grid).map_err(BudgetError::Search)?;
    let counted = counted(kiln, &grid);
    let mut budget = Budget {
        kiln: kiln.name.clone(),
        zones,
        bench: bench.map(|bench| bench.name.clone()),
        grid,
        limits: SafetyLimit::ALL.map(|limit| limit.of(kiln)),
        counted,
        cases,
        rows: Vec::new(),
        not_computed: Vec::new(),
        release: bench.and_then(slowest_release).unwrap_or(RigSpan::ZERO),
    };
    for entry in &COMPUTED {
        match budget.row(entry, &sets, bench) {
            Some(row) => budget.rows.push(row),
            None => budget.not_computed.push((entry.hazard.to_owned(), NO_WELD.to_owned())),
        }
    }
    for hazard in AT_ONCE {
        if hazard == LID && kiln.lid.is_none() {
            budget.not_computed.push((hazard.to_owned(), "the kiln file describes no lid that opens".to_owned()));
        } else {
            budget.at_once(hazard, bench);
        }
    }
    budget.rest(bench);
    Ok(budget)
}

/// What half of a hazard's process safety time comes to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum HalfSafetyTime {
    /// So long; where no limit is reached, half of the horizon of the search.
    Of(RigSpan),
    /// There is no time to this limit at all.
    NoMargin(&'static str),
    /// On this bench nothing that fails alone leaves heat on.
    NoFailure(String),
    /// No time is computed for the hazard, and why.
    NotComputed(String),
}

/// Half the process safety time of one hazard on a bench: the least of those
/// that [`budget`] searches for it, without the rest of the search.
///
/// # Errors
///
/// As [`budget`].
pub(crate) fn half_safety_time(
    kiln: &KilnDescription,
    bench: &Bench,
    hazard: &str,
) -> Result<HalfSafetyTime, BudgetError> {
    let Some(entry) = COMPUTED.iter().find(|entry| entry.hazard == hazard) else {
        let why = NOT_COMPUTED.iter().find(|(id, _)| *id == hazard).map(|(_, why)| *why);
        let why = why.unwrap_or(if AT_ONCE.contains(&hazard) {
            "somebody is at the kiln, no temperature decides"
        } else {
            "nothing is known of how it leaves heat on"
        });
        return Ok(HalfSafetyTime::NotComputed(why.to_owned()));
    };
    let of_bench: Vec<String> = bench.zones.iter().map(|zone| zone.name.clone()).collect();
    let of_kiln: Vec<String> = kiln.zones.iter().map(|zone| zone.name.clone()).collect();
    if of_bench != of_kiln {
        return Err(BudgetError::Zones { bench: of_bench, kiln: of_kiln });
    }
    let sets = FailureSets::of(of_kiln.len(), Some(bench));
    let mut grid = grid(kiln, Some(bench), &sets);
    grid.failures = sets.of_hazard(entry).to_vec();
    grid.befores.retain(|before| (*before == Before::Cold) == (entry.strikes == Strikes::Cold));
    grid.reading_rises.clear();
    if grid.failures.is_empty() {
        return Ok(HalfSafetyTime::NoFailure(NO_WELD.to_owned()));
    }
    let cases = safety_times(kiln, &grid).map_err(BudgetError::Search)?;
    let counted = counted(kiln, &grid);
    let least = cases.iter().filter_map(|case| case.first(&counted)).min_by_key(|(limit, time)| (*time, *limit));
    Ok(match least {
        Some((limit, SafetyTime::NoMargin)) => HalfSafetyTime::NoMargin(match limit {
            SafetyLimit::Element => "element limit",
            SafetyLimit::Brick => "brick limit",
            SafetyLimit::Programmed => "programmed limit",
        }),
        Some((_, SafetyTime::Until { cut_by, .. })) => HalfSafetyTime::Of(half(cut_by)),
        Some((_, SafetyTime::NotReached)) | None => HalfSafetyTime::Of(half(grid.horizon)),
    })
}

/// The limits that count: the programmed one only where the hottest set-point lies below it.
fn counted(kiln: &KilnDescription, grid: &SafetyGrid) -> Vec<SafetyLimit> {
    let programmed_counts = grid.set_point.value() < kiln.limits.programmed_top.value();
    let limits = SafetyLimit::ALL.into_iter();
    limits.filter(|limit| *limit != SafetyLimit::Programmed || programmed_counts).collect()
}

impl BudgetRow {
    /// What a reaction may take: the smaller of the usual figure and half the
    /// process safety time; and whether it is the half that governs.
    pub fn allowed(&self) -> Option<(RigSpan, bool)> {
        match (self.usual, self.half) {
            (Some(usual), Some(half)) => Some((usual.min(half), half < usual)),
            (Some(usual), None) => Some((usual, false)),
            (None, Some(half)) => Some((half, true)),
            (None, None) => None,
        }
    }
}

impl Budget {
    /// Whether the hottest set-point of a bench leaves nothing to the kiln's programmed limit.
    pub fn no_margin_to_programmed_limit(&self) -> bool {
        self.bench.is_some() && !self.counted.contains(&SafetyLimit::Programmed)
    }

    /// Whether every reaction is soon enough and there is a margin to every limit.
    pub fn is_enough(&self) -> bool {
        !self.no_margin_to_programmed_limit() && self.rows.iter().all(|row| row.standing == Standing::Enough)
    }

    /// The rows of reactions that the bench file declares and that are too slow.
    pub fn declared_too_slow(&self) -> impl Iterator<Item = &BudgetRow> {
        let declared = self.rows.iter().filter(|row| matches!(row.reaction, Reaction::Declared { .. }));
        declared.filter(|row| row.standing != Standing::Enough)
    }

    /// The least time to each limit for a failure, over all pasts that begin hot, in the order of
    /// [`SafetyLimit::ALL`]; with the index of its case.
    pub fn least(&self, failure: &Failure) -> [Option<(usize, SafetyTime)>; 3] {
        SafetyLimit::ALL.map(|limit| {
            let cases = self.cases.iter().enumerate();
            cases
                .filter(|(_, case)| case.failure == *failure && case.before != Before::Cold)
                .map(|(index, case)| (index, case.time(limit)))
                .min_by_key(|(index, time)| (*time, *index))
        })
    }

    fn row(&self, entry: &HazardRow, sets: &FailureSets, bench: Option<&Bench>) -> Option<BudgetRow> {
        let failures = sets.of_hazard(entry);
        let declared = bench.and_then(|bench| declared(bench, entry.hazard));
        let cases = self.cases.iter().enumerate().filter(|(_, case)| {
            failures.contains(&case.failure) && (case.before == Before::Cold) == (entry.strikes == Strikes::Cold)
        });
        let judged = cases.filter_map(|(index, case)| {
            let (limit, time) = case.first(&self.counted)?;
            let usual = match entry.usual {
                Usual::After(span) => Reaction::Usual(span),
                Usual::ByReading => Reaction::ByReading(by_reading(case)),
                Usual::Nothing => Reaction::Nothing,
            };
            let reaction = match declared {
                Some(declared) => Reaction::Declared { declared, complete: declared + self.release },
                None => usual,
            };
            let standing = self.standing(time, reaction);
            let slack = self.half_or_horizon(time) - reaction.complete().unwrap_or(RigSpan::ZERO);
            let row = BudgetRow {
                hazard: entry.hazard.to_owned(),
                worst: Worst::Case { case: index, limit, time },
                half: time.cut_by().map(half),
                usual: usual.complete(),
                reaction,
                standing,
            };
            Some(((standing, time, slack, index), row))
        });
        judged.min_by_key(|(order, _)| *order).map(|(_, row)| row)
    }

    /// Half the time; where no limit is reached within the horizon, half of that.
    fn half_or_horizon(&self, time: SafetyTime) -> RigSpan {
        half(time.cut_by().unwrap_or(self.grid.horizon))
    }

    fn standing(&self, time: SafetyTime, reaction: Reaction) -> Standing {
        match (time, reaction) {
            (SafetyTime::NoMargin, _) => Standing::NoMargin,
            (_, Reaction::Nothing) => Standing::NothingDeclared,
            // Where nothing becomes too hot no reading has to show it.
            (SafetyTime::NotReached, Reaction::ByReading(None)) => Standing::Enough,
            (_, Reaction::ByReading(None)) => Standing::NeverNoticed,
            (time, reaction) if reaction.complete().is_some_and(|it| it <= self.half_or_horizon(time)) => {
                Standing::Enough
            }
            _ => Standing::TooSlow,
        }
    }

    fn at_once(&mut self, hazard: &str, bench: Option<&Bench>) {
        let reaction = match bench.and_then(|bench| declared(bench, hazard)) {
            Some(declared) => Reaction::Declared { declared, complete: declared + self.release },
            None => Reaction::Usual(AT_ONCE_ALLOWED),
        };
        let soon = reaction.complete().is_some_and(|complete| complete <= AT_ONCE_ALLOWED);
        self.rows.push(BudgetRow {
            hazard: hazard.to_owned(),
            worst: Worst::AtOnce { allowed: AT_ONCE_ALLOWED },
            half: None,
            usual: Some(AT_ONCE_ALLOWED),
            reaction,
            standing: if soon { Standing::Enough } else { Standing::TooSlow },
        });
    }

    /// The hazards without a row: those of the library and those that only the bench file knows.
    fn rest(&mut self, bench: Option<&Bench>) {
        for (hazard, why) in NOT_COMPUTED {
            self.not_computed.push((hazard.to_owned(), why.to_owned()));
        }
        for (hazard, _) in bench.into_iter().flat_map(|bench| &bench.declares.reactions) {
            let known = self.rows.iter().any(|row| row.hazard == *hazard)
                || self.not_computed.iter().any(|(other, _)| other == hazard);
            if !known {
                let why = "a reaction is declared, but nothing is known of how it leaves heat on";
                self.not_computed.push((hazard.clone(), why.to_owned()));
            }
        }
    }
}

/// Rounded down.
fn half(span: RigSpan) -> RigSpan {
    RigSpan::from_micros(span.as_micros() / 2)
}

fn declared(bench: &Bench, hazard: &str) -> Option<RigSpan> {
    // If an id stands there twice, the slower promise counts.
    bench.declares.reactions.iter().filter(|(id, _)| id == hazard).map(|(_, span)| *span).max()
}

fn slowest_release(bench: &Bench) -> Option<RigSpan> {
    bench.relays.iter().map(|relay| relay.release).max()
}

fn by_reading(case: &SafetyCase) -> Option<RigSpan> {
    let [first, second] = [case.readings.first().copied().flatten(), case.readings.get(1).copied().flatten()];
    let patient = first? + AFTER_FIRST_RISE;
    Some(second.map_or(patient, |second| second.min(patient)))
}

fn grid(kiln: &KilnDescription, bench: Option<&Bench>, sets: &FailureSets) -> SafetyGrid {
    let mut grid = SafetyGrid::usual(kiln, Celsius::new(MODEL_ERROR_MILLICELSIUS as f64 / 1e3));
    if let Some(bench) = bench {
        grid.set_point = Celsius::new(bench.declares.top_temperature_millicelsius as f64 / 1e3);
        grid.cycle_time = bench.declares.cycle_time;
    }
    grid.befores.push(Before::Cold);
    grid.failures = sets.weld.iter().chain(&sets.probe).chain(&sets.all).cloned().collect();
    grid.failures.sort_by_key(|failure| (failure.zones().len(), failure.clone()));
    grid.failures.dedup();
    grid.reading_rises = READING_RISES.to_vec();
    grid
}

/// Which zones each kind of failure can leave on.
struct FailureSets {
    weld: Vec<Failure>,
    probe: Vec<Failure>,
    all: Vec<Failure>,
}

impl FailureSets {
    fn of_hazard(&self, entry: &HazardRow) -> &[Failure] {
        match entry.left_on {
            LeftOn::Weld => &self.weld,
            LeftOn::Probe => &self.probe,
            LeftOn::All => &self.all,
        }
    }

    /// Without a bench one relay and one probe may serve any or all of the zones.
    fn of(zones: usize, bench: Option<&Bench>) -> Self {
        let single = (0..zones).map(|zone| Failure::of([zone]));
        let all = vec![Failure::all(zones)];
        let Some(bench) = bench else {
            return FailureSets { weld: single.chain(all.clone()).collect(), probe: all.clone(), all };
        };
        let every_zone_has_a_probe = bench.zones.iter().all(|zone| zone.probe_channel.is_some());
        let probe = if every_zone_has_a_probe { single.collect() } else { all.clone() };
        let welds = (0..bench.relays.len()).map(|relay| Failure::of(zones_on_with(bench, relay)));
        FailureSets { weld: welds.filter(|failure| !failure.zones().is_empty()).collect(), probe, all }
    }
}

/// The zones that stay on in a firing when this relay is welded: those in whose
/// path every other relay is a safety contactor or a limiter's contact, which are closed while firing.
fn zones_on_with(bench: &Bench, welded: usize) -> impl Iterator<Item = usize> + '_ {
    let paths = bench.paths.iter().filter(move |path| {
        let mut relays = path.poles.iter().flat_map(|pole| &pole.through);
        let others_closed = |relay: usize| bench.relays.get(relay).is_some_and(|it| !crate::engine::heats(&it.role));
        relays.clone().any(|relay| relay.0 == welded) && relays.all(|relay| relay.0 == welded || others_closed(relay.0))
    });
    paths.map(|path| path.zone)
}

#[cfg(test)]
mod tests;

//! How well a bench knows what it measures and shows: a budget after the GUM for
//! each quantity, from the bench file. The expanded value is the guard band.

use dryfire_judge::{Finding, Margin};
use dryfire_scenario::{
    BEST_EDGE_OF_A_RIG, BEST_TEMPERATURE_OF_A_RIG, Bench, BenchKind, Calibration, EdgeTime, EdgeTimeParts, Known,
    ShownTemperature, ShownTemperatureParts, USUAL_DRIFT_PPM,
};
use dryfire_units::RigSpan;
use dryfire_units::uncertainty::{Input, Spread, combine, covered_share};

/// The least coverage factor, in hundredths: the guard band rests on it (JCGM 106; `docs/judging.md`).
const LEAST_COVERAGE_HUNDREDTHS: u16 = 200;

/// The budgets of one scenario on one bench.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Uncertainties {
    /// The instant of an edge, over the longest time that the scenario claims about.
    pub edge_time: UncertaintyBudget,
    /// The temperature shown to the controller.
    pub shown_temperature: UncertaintyBudget,
}

/// The budget of one quantity. Sizes are in thousandths of the quantity's
/// border unit: in nanoseconds, or in millionths of a degree.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct UncertaintyBudget {
    /// What it adds up.
    pub contributions: Vec<Contribution>,
    /// The combined standard uncertainty.
    pub standard: i64,
    /// How well that is known, in whole degrees of freedom (cut); `None`: taken as known.
    pub degrees_of_freedom: Option<u32>,
    /// The coverage factor, in hundredths.
    pub coverage_hundredths: u16,
    /// The expanded uncertainty, in the border unit: time, or thousandths of a degree. Rounded up.
    pub expanded: Margin,
}

/// One line of a budget.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Contribution {
    /// What it comes from.
    pub source: UncertaintySource,
    /// Limits or expanded uncertainty: half the width.
    pub half_width: i64,
    /// How the values are spread in it.
    pub spread: ContributionSpread,
    /// The standard uncertainty that follows.
    pub standard: i64,
    /// Whether the bench file states it; else it is what is usual for such a bench.
    pub stated: bool,
}

/// How the values of a contribution are spread.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ContributionSpread {
    /// Anywhere between the limits alike.
    Rectangular,
    /// Normally, with this coverage factor in hundredths.
    Normal(u16),
}

/// What an uncertainty comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum UncertaintySource {
    /// Stated as a whole.
    Whole,
    /// Step of the clock that stamps edges.
    ClockResolution,
    /// Time between two looks at an input.
    SamplingInterval,
    /// How far the clock goes wrong over this time.
    ClockDrift(RigSpan),
    /// From the edge at the terminals to the one that is seen.
    SensingDelay,
    /// Step of the probe emulator.
    Resolution,
    /// What is left of the emulator's error after calibration.
    Calibration,
    /// How far the cold junction may be from the controller's terminals.
    ColdJunction,
    /// Noise that the rig adds on purpose.
    Dither,
}

impl UncertaintySource {
    /// Its stable word in machine output; in words for people, with blanks for hyphens.
    pub fn word(self) -> &'static str {
        match self {
            UncertaintySource::Whole => "as-a-whole",
            UncertaintySource::ClockResolution => "clock-resolution",
            UncertaintySource::SamplingInterval => "sampling-interval",
            UncertaintySource::ClockDrift(_) => "clock-drift",
            UncertaintySource::SensingDelay => "sensing-delay",
            UncertaintySource::Resolution => "resolution",
            UncertaintySource::Calibration => "calibration",
            UncertaintySource::ColdJunction => "cold-junction",
            UncertaintySource::Dither => "dither",
        }
    }
}

/// A line, and what goes into the combination.
struct Entry {
    line: Contribution,
    input: Input,
}

impl Entry {
    fn limits(source: UncertaintySource, half_width: i64, stated: bool) -> Self {
        let input = Input::limits(Spread::Rectangular, half_width as f64);
        Entry::new(source, half_width, ContributionSpread::Rectangular, stated, input)
    }

    fn normal(source: UncertaintySource, half_width: i64, coverage_hundredths: u16, stated: bool) -> Self {
        let coverage = coverage_hundredths.max(1);
        let input = Input::expanded(half_width as f64, f64::from(coverage) / 100.0);
        Entry::new(source, half_width, ContributionSpread::Normal(coverage), stated, input)
    }

    fn new(source: UncertaintySource, half_width: i64, spread: ContributionSpread, stated: bool, input: Input) -> Self {
        let line = Contribution { source, half_width, spread, standard: up(input.contribution()), stated };
        Entry { line, input }
    }
}

/// Rounded up, but for the last bits of the arithmetic.
fn up(value: f64) -> i64 {
    // At most some 10¹³: far inside what an i64 holds.
    libm::ceil(value - value.abs() * 1e-12) as i64
}

fn thousandths_of(span: RigSpan) -> i64 {
    span.as_micros() * 1_000
}

impl Uncertainties {
    /// The budgets of a bench by itself: the clock's drift comes on top, which
    /// depends on how long a scenario measures.
    pub fn of_bench(bench: &Bench) -> Self {
        Uncertainties::of(bench, RigSpan::ZERO)
    }

    /// The budgets of a bench, where times up to `span` are measured.
    pub(crate) fn of(bench: &Bench, span: RigSpan) -> Self {
        Uncertainties { edge_time: edge_time(bench, span), shown_temperature: shown_temperature(bench) }
    }

    /// The coverage factor of a finding's uncertainty, in hundredths.
    pub fn coverage_hundredths(&self, finding: &Finding) -> u16 {
        match finding.uncertainty {
            Some(Margin::Temperature(_) | Margin::Rate(_)) => self.shown_temperature.coverage_hundredths,
            // Duties and counts follow from edges.
            Some(Margin::Time(_) | Margin::Duty(_) | Margin::Count(_)) | None => self.edge_time.coverage_hundredths,
        }
    }
}

impl UncertaintyBudget {
    fn combined(bench: &Bench, entries: Vec<Entry>, quantity: fn(i64) -> Margin) -> Self {
        let inputs: Vec<Input> = entries.iter().map(|entry| entry.input).collect();
        let combined = combine(&inputs);
        let wanted = bench.uncertainty.coverage_hundredths.max(LEAST_COVERAGE_HUNDREDTHS);
        // What is known from few readings takes a larger factor to cover the same share.
        let known_to = combined.degrees_of_freedom;
        let factor = if known_to.is_finite() {
            combined.coverage_factor(covered_share(f64::from(wanted) / 100.0))
        } else {
            f64::from(wanted) / 100.0
        };
        // Degrees of freedom are one at the least, where the factor that covers 99.99 % is some 6,400.
        let coverage = up(factor * 100.0).clamp(i64::from(wanted), i64::from(u16::MAX)) as u16;
        let expanded = up(combined.standard * f64::from(coverage) / 100.0 / 1e3);
        UncertaintyBudget {
            contributions: entries.into_iter().map(|entry| entry.line).collect(),
            standard: up(combined.standard),
            // Cut at a million, which is as good as known.
            degrees_of_freedom: known_to.is_finite().then_some(known_to.min(1e6) as u32),
            coverage_hundredths: coverage,
            expanded: quantity(expanded),
        }
    }
}

fn is_rig(bench: &Bench) -> bool {
    matches!(bench.kind, BenchKind::Rig { .. })
}

/// The instant of an edge. Delays are not corrected for, so that each may be
/// all of its size off.
fn edge_time(bench: &Bench, span: RigSpan) -> UncertaintyBudget {
    let drift = |ppm: Known<u32>| {
        // Thousandths of a microsecond: at most 31 days by a tenth, 3·10¹⁴.
        let off = span.as_micros().max(0) * i64::from(ppm.value) / 1_000;
        Entry::limits(UncertaintySource::ClockDrift(span), off, ppm.stated)
    };
    let coverage = bench.uncertainty.coverage_hundredths;
    let entries = match &bench.uncertainty.edge_time {
        EdgeTime::Whole(whole) if is_rig(bench) => {
            let whole = thousandths_of((*whole).max(BEST_EDGE_OF_A_RIG));
            let usual = Known::usual(USUAL_DRIFT_PPM);
            vec![Entry::normal(UncertaintySource::Whole, whole, coverage, true), drift(usual)]
        }
        EdgeTime::Whole(whole) => {
            vec![Entry::normal(UncertaintySource::Whole, thousandths_of(*whole), coverage, true)]
        }
        EdgeTime::Parts(parts) => {
            let EdgeTimeParts { clock_resolution, sampling_interval, clock_drift_ppm, sensing_delay } = parts;
            let part =
                |source, known: &Known<RigSpan>| Entry::limits(source, thousandths_of(known.value), known.stated);
            let entries = [
                part(UncertaintySource::ClockResolution, clock_resolution),
                part(UncertaintySource::SamplingInterval, sampling_interval),
                drift(*clock_drift_ppm),
                part(UncertaintySource::SensingDelay, sensing_delay),
            ];
            entries.into_iter().filter(|entry| entry.line.half_width > 0 || entry.line.stated).collect()
        }
    };
    UncertaintyBudget::combined(bench, entries, |micros| Margin::Time(RigSpan::from_micros(micros)))
}

/// The temperature shown to the controller.
fn shown_temperature(bench: &Bench) -> UncertaintyBudget {
    let coverage = bench.uncertainty.coverage_hundredths;
    let millionths = |millicelsius: i64| millicelsius * 1_000;
    let entries = match &bench.uncertainty.shown_temperature {
        // The reader sees to it that the dither is covered.
        ShownTemperature::Whole(whole) => {
            let whole = if is_rig(bench) { (*whole).max(BEST_TEMPERATURE_OF_A_RIG) } else { *whole };
            vec![Entry::normal(UncertaintySource::Whole, millionths(whole), coverage, true)]
        }
        ShownTemperature::Parts(parts) => {
            let ShownTemperatureParts { resolution_millicelsius, calibration, cold_junction_millicelsius } = parts;
            // What is asked for is shown at the nearest step.
            let step = Entry::limits(
                UncertaintySource::Resolution,
                millionths(resolution_millicelsius.value) / 2,
                resolution_millicelsius.stated,
            );
            let source = UncertaintySource::Calibration;
            let calibrated = match calibration.value {
                Calibration::Within(limits) => Entry::limits(source, millionths(limits), calibration.stated),
                Calibration::Certificate { expanded_millicelsius, coverage_hundredths, readings } => {
                    let found = Entry::normal(
                        source,
                        millionths(expanded_millicelsius),
                        coverage_hundredths,
                        calibration.stated,
                    );
                    let degrees = readings.map_or(f64::INFINITY, |readings| f64::from(readings.max(2) - 1));
                    Entry { input: found.input.known_to(degrees), ..found }
                }
            };
            let junction = Entry::limits(
                UncertaintySource::ColdJunction,
                millionths(cold_junction_millicelsius.value),
                cold_junction_millicelsius.stated,
            );
            let dither = Entry::normal(UncertaintySource::Dither, millionths(bench.dither_millicelsius), 100, true);
            let entries = [step, calibrated, junction, dither];
            entries.into_iter().filter(|entry| entry.line.half_width > 0).collect()
        }
    };
    UncertaintyBudget::combined(bench, entries, Margin::Temperature)
}

/// The longest time that any of these expectations measures: limits, stretches and
/// offsets, from the moment that one is counted from.
pub(crate) fn longest_measured(expectations: &[dryfire_judge::Expectation]) -> RigSpan {
    use dryfire_judge::{Claim, Instant, Part, Scope};
    let offsets = |from: &Instant, to: Option<&Instant>| from.offset.max(to.map_or(RigSpan::ZERO, |to| to.offset));
    let longest = |expectation: &dryfire_judge::Expectation| {
        let offset = match &expectation.scope {
            Scope::Throughout | Scope::Whenever(_) => RigSpan::ZERO,
            Scope::Before(at) | Scope::After(at) => at.offset,
            Scope::Between(from, to) | Scope::AfterUntil(from, to) => offsets(from, Some(to)),
            Scope::WheneverIn { part, .. } => match part {
                Part::Before(at) | Part::After(at) => at.offset,
                Part::Between(from, to) | Part::AfterUntil(from, to) => offsets(from, Some(to)),
            },
        };
        let claimed = match &expectation.claim {
            Claim::Within { limit, .. } => *limit,
            Claim::HeatCut { limit, hold, .. } => (*limit).max(*hold),
            Claim::HoldsFor { span, .. } => *span,
            Claim::AtMostIn { window, .. } => *window,
            Claim::Always(_) | Claim::Never(_) | Claim::Sometime(_) | Claim::Times { .. } | Claim::Precedes { .. } => {
                RigSpan::ZERO
            }
        };
        offset + claimed
    };
    expectations.iter().map(longest).max().unwrap_or(RigSpan::ZERO)
}

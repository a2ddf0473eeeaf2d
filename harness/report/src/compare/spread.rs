//! How margins spread over repeated runs, and whether two sides differ by more than is uncertain.

use dryfire_engine::FindingReport;
use dryfire_judge::Margin;
use dryfire_units::RigSpan;
use dryfire_units::uncertainty::{Input, Spread as Shape, combine};

/// How often, at the least, a comparison in which nothing has changed calls no margin shrunk or grown.
const SHARE: f64 = 0.9545;

/// Quantities of one unit from several runs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spread {
    /// How many.
    pub count: usize,
    /// Their mean, in the unit's smallest step.
    pub mean: Margin,
    /// The least.
    pub least: Margin,
    /// The greatest.
    pub greatest: Margin,
    /// Their standard deviation (JCGM 100:2008, 4.2.2), in the same steps; none of one.
    pub deviation: Option<Margin>,
    exact_mean: f64,
    exact_deviation: f64,
}

/// What can be told of a difference between two sides.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Told {
    /// Smaller than it was by more than is uncertain.
    Shrunk {
        /// New less old, of the means.
        difference: Margin,
        /// Its expanded uncertainty.
        expanded: Margin,
        /// The coverage factor, in hundredths.
        coverage_hundredths: u32,
    },
    /// Larger than it was by more than is uncertain.
    Grown {
        /// See `Shrunk`.
        difference: Margin,
        /// See `Shrunk`.
        expanded: Margin,
        /// See `Shrunk`.
        coverage_hundredths: u32,
    },
    /// Not more different than is uncertain.
    Within {
        /// See `Shrunk`.
        difference: Margin,
        /// See `Shrunk`.
        expanded: Margin,
        /// See `Shrunk`.
        coverage_hundredths: u32,
    },
    /// Nothing can be told.
    CannotTell {
        /// Why.
        why: &'static str,
    },
}

impl Told {
    /// A word for it.
    pub fn word(self) -> &'static str {
        match self {
            Told::Shrunk { .. } => "shrunk",
            Told::Grown { .. } => "grown",
            Told::Within { .. } => "within the uncertainty",
            Told::CannotTell { .. } => "cannot tell",
        }
    }

    /// Difference, expanded uncertainty, coverage factor in hundredths.
    pub fn figures(self) -> Option<(Margin, Margin, u32)> {
        match self {
            Told::Shrunk { difference, expanded, coverage_hundredths }
            | Told::Grown { difference, expanded, coverage_hundredths }
            | Told::Within { difference, expanded, coverage_hundredths } => {
                Some((difference, expanded, coverage_hundredths))
            }
            Told::CannotTell { .. } => None,
        }
    }
}

/// Units in an order.
pub(super) fn unit(margin: Margin) -> usize {
    match margin {
        Margin::Time(_) => 0,
        Margin::Temperature(_) => 1,
        Margin::Rate(_) => 2,
        Margin::Duty(_) => 3,
        Margin::Count(_) => 4,
    }
}

/// The same unit with another number.
fn with(unit: Margin, number: i64) -> Margin {
    match unit {
        Margin::Time(_) => Margin::Time(RigSpan::from_micros(number)),
        Margin::Temperature(_) => Margin::Temperature(number),
        Margin::Rate(_) => Margin::Rate(number),
        Margin::Duty(_) => Margin::Duty(number),
        Margin::Count(_) => Margin::Count(number),
    }
}

impl Spread {
    /// Of quantities of one unit; `None` of none, and of several units.
    pub fn of(quantities: &[Margin]) -> Option<Spread> {
        let first = *quantities.first()?;
        if quantities.iter().any(|one| unit(*one) != unit(first)) {
            return None;
        }
        let numbers = || quantities.iter().map(|one| one.number());
        let count = quantities.len();
        // Counted from the first: means of large numbers that lie close keep their digits.
        let origin = first.number();
        let away = |number: i64| (i128::from(number) - i128::from(origin)) as f64;
        let mean = numbers().map(away).sum::<f64>() / count as f64;
        let squares: f64 = numbers().map(|number| (away(number) - mean) * (away(number) - mean)).sum();
        let deviation = if count > 1 { (squares / (count as f64 - 1.0)).sqrt() } else { 0.0 };
        Some(Spread {
            count,
            mean: with(first, origin.saturating_add(mean.round() as i64)),
            least: with(first, numbers().min().unwrap_or(origin)),
            greatest: with(first, numbers().max().unwrap_or(origin)),
            // Up, so that none is shown smaller than it is.
            deviation: (count > 1).then(|| with(first, deviation.ceil() as i64)),
            exact_mean: mean + origin as f64,
            exact_deviation: deviation,
        })
    }
}

/// How well a side's margins are measured: what all of its runs share.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Measured {
    standard: f64,
    /// Half-width of the error of the kiln model, where the sides do not share it.
    model: f64,
}

impl Measured {
    pub(super) fn widen(&mut self, report: &FindingReport, same_kiln: bool) {
        let size = |quantity: Option<Margin>| quantity.map_or(0, Margin::number).unsigned_abs() as f64;
        let k = f64::from(report.coverage_hundredths.max(1)) / 100.0;
        self.standard = self.standard.max(Input::expanded(size(report.finding.uncertainty), k).standard);
        if !same_kiln {
            self.model = self.model.max(size(report.finding.model_error));
        }
    }

    fn inputs(self) -> [Input; 2] {
        [Input::standard(self.standard), Input::limits(Shape::Rectangular, self.model)]
    }
}

/// Holds two sides against each other, `comparable` such pairs in all.
///
/// The standard uncertainty of the difference is that of both means (their spread over the root of the
/// number of runs, JCGM 100:2008, 4.2.3) and of both measurements, which repeating does not make smaller.
/// The factor is Student's for the effective degrees of freedom (G.4.1), and for so large a share that
/// all margins together have the share `SHARE` (Bonferroni's inequality).
pub(super) fn tell(old: Spread, new: Spread, was: Measured, is: Measured, comparable: usize) -> Told {
    if unit(old.mean) != unit(new.mean) {
        return Told::CannotTell { why: "it is of another unit" };
    }
    if old.count < 2 || new.count < 2 {
        return Told::CannotTell { why: "one run a side does not show how far it spreads (dryfire run --repeat)" };
    }
    let mean = |side: Spread| {
        Input::standard(side.exact_deviation / (side.count as f64).sqrt()).known_to(side.count as f64 - 1.0)
    };
    let [was, was_model] = was.inputs();
    let [is, is_model] = is.inputs();
    let combined = combine(&[mean(old), mean(new), was, was_model, is, is_model]);
    let share = 1.0 - (1.0 - SHARE) / comparable.max(1) as f64;
    let factor = combined.coverage_factor(share).max(2.0);
    let expanded = combined.standard * factor;
    let difference = new.exact_mean - old.exact_mean;
    let steps = |exact: f64| with(old.mean, exact as i64);
    let coverage_hundredths = (factor * 100.0).ceil().min(f64::from(u32::MAX)) as u32;
    let (shown, expanded_shown) = (steps(difference.trunc()), steps(expanded.ceil()));
    if difference.abs() <= expanded {
        Told::Within { difference: shown, expanded: expanded_shown, coverage_hundredths }
    } else if difference < 0.0 {
        Told::Shrunk { difference: shown, expanded: expanded_shown, coverage_hundredths }
    } else {
        Told::Grown { difference: shown, expanded: expanded_shown, coverage_hundredths }
    }
}

#[cfg(test)]
mod tests;

//! From a meter's readings to what a channel gives: a straight line by least squares.

use dryfire_rig::ChannelScale;
use dryfire_units::uncertainty::{Input, Spread, combine};

/// A straight line through readings, after the GUM (JCGM 100:2008), H.3.
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    /// Value at 0.
    pub intercept: f64,
    /// Value for each 1.
    pub slope: f64,
    /// Standard uncertainty of the intercept.
    pub intercept_standard: f64,
    /// Standard uncertainty of the slope.
    pub slope_standard: f64,
    /// How the two go together.
    pub correlation: f64,
    /// What is left: reading less line.
    pub residuals: Vec<f64>,
    /// Its standard deviation, with two degrees of freedom less than there are readings.
    pub deviation: f64,
}

impl Line {
    /// The line through points; `None` if there are fewer than three different ones or they say nothing of a slope.
    pub fn through(points: &[(f64, f64)]) -> Option<Line> {
        let count = points.len() as f64;
        if points.len() < 3 || points.iter().any(|(x, y)| !x.is_finite() || !y.is_finite()) {
            return None;
        }
        let mean = |values: &dyn Fn(&(f64, f64)) -> f64| points.iter().map(values).sum::<f64>() / count;
        let (mean_x, mean_y) = (mean(&|point| point.0), mean(&|point| point.1));
        let squares: f64 = points.iter().map(|(x, _)| (x - mean_x) * (x - mean_x)).sum();
        if squares <= 0.0 {
            return None;
        }
        let slope = points.iter().map(|(x, y)| (x - mean_x) * (y - mean_y)).sum::<f64>() / squares;
        let intercept = mean_y - slope * mean_x;
        let residuals: Vec<f64> = points.iter().map(|(x, y)| y - intercept - slope * x).collect();
        let deviation = (residuals.iter().map(|rest| rest * rest).sum::<f64>() / (count - 2.0)).sqrt();
        let raw_squares: f64 = points.iter().map(|(x, _)| x * x).sum();
        Some(Line {
            intercept,
            slope,
            intercept_standard: deviation * (raw_squares / (count * squares)).sqrt(),
            slope_standard: deviation / squares.sqrt(),
            correlation: -mean_x * count / (count * raw_squares).sqrt(),
            residuals,
            deviation,
        })
    }

    /// Standard uncertainty of the line at a place.
    pub fn standard_at(&self, x: f64) -> f64 {
        let (a, b) = (self.intercept_standard, self.slope_standard);
        (a * a + x * x * b * b + 2.0 * x * a * b * self.correlation).max(0.0).sqrt()
    }
}

/// What a channel was found to give.
#[derive(Clone, Debug, PartialEq)]
pub struct ChannelFit {
    /// Its scale.
    pub scale: ChannelScale,
    /// Expanded uncertainty of its voltage anywhere in its range, for about 95 %.
    pub uncertainty_nanovolts: u32,
    /// What is left of each reading, nanovolts.
    pub residuals: Vec<f64>,
}

/// Why readings make no calibration.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum FitError {
    /// Too few of them, or all at one place.
    #[error("a line takes three readings at different voltages")]
    TooFew,
    /// No board gives such voltages.
    #[error(
        "the readings say {lowest_mv:.3} mV at the lowest code and {highest_mv:.3} mV at the highest, which these parts cannot give (−10 and 80 mV, each within 9 mV)"
    )]
    Implausible {
        /// At code 0.
        lowest_mv: f64,
        /// At code 65,535.
        highest_mv: f64,
    },
    /// They do not lie on a line.
    #[error(
        "a reading is {worst_uv:.1} µV off the line through all of them, and {limit_uv:.1} µV is what the meter and a step explain"
    )]
    Scattered {
        /// The largest residual, microvolts.
        worst_uv: f64,
        /// Its limit.
        limit_uv: f64,
    },
}

const TOP_CODE: f64 = 65_535.0;
/// A residual may be so many times what the meter and half a step explain: room for the noise and the
/// thermal voltages that `docs/rig.md` allows, 10 µV.
const ALLOWED_NANOVOLTS: f64 = 10_000.0;

/// Fits a channel to readings: code and nanovolts. `meter` is the meter's expanded uncertainty (k = 2), nanovolts.
///
/// # Errors
/// The readings make no calibration.
pub fn fit_channel(readings: &[(u16, f64)], meter: f64) -> Result<ChannelFit, FitError> {
    let points: Vec<(f64, f64)> =
        readings.iter().map(|(code, nanovolts)| (f64::from(*code) / TOP_CODE, *nanovolts)).collect();
    let line = Line::through(&points).ok_or(FitError::TooFew)?;
    // Far inside the integers, or not plausible.
    let scale = ChannelScale {
        lowest_nanovolts: line.intercept.round() as i32,
        span_nanovolts: line.slope.round().max(0.0) as u32,
    };
    if !scale.is_plausible() {
        let (lowest_mv, highest_mv) = (line.intercept / 1e6, (line.intercept + line.slope) / 1e6);
        return Err(FitError::Implausible { lowest_mv, highest_mv });
    }
    let step = f64::from(scale.step_nanovolts());
    let limit = meter + step / 2.0 + ALLOWED_NANOVOLTS;
    let worst = line.residuals.iter().fold(0.0f64, |worst, rest| worst.max(rest.abs()));
    if worst > limit {
        return Err(FitError::Scattered { worst_uv: worst / 1e3, limit_uv: limit / 1e3 });
    }
    let freedom = readings.len() as f64 - 2.0;
    let of_line = line.standard_at(0.0).max(line.standard_at(1.0));
    let combined = combine(&[
        // How well the readings place the line, and how far a voltage between them may be off it.
        Input::standard(of_line).known_to(freedom),
        Input::standard(line.deviation).known_to(freedom),
        // The meter may be off by the same at every reading.
        Input::expanded(meter, 2.0),
        // The code is the nearest one.
        Input::limits(Spread::Rectangular, step / 2.0),
    ]);
    let expanded = combined.standard * combined.coverage_factor(0.9545).max(2.0);
    Ok(ChannelFit { scale, uncertainty_nanovolts: expanded.ceil().clamp(0.0, 4e9) as u32, residuals: line.residuals })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// GUM (JCGM 100:2008), H.3, table H.6 and H.3.3 to H.3.5: calibration of a thermometer (from memory).
    #[test]
    fn the_gums_worked_example_comes_out() {
        let readings = [
            (21.521, -0.171),
            (22.012, -0.169),
            (22.512, -0.166),
            (23.003, -0.159),
            (23.507, -0.164),
            (23.999, -0.165),
            (24.513, -0.156),
            (25.002, -0.157),
            (25.503, -0.159),
            (26.010, -0.161),
            (26.511, -0.160),
        ];
        let points: Vec<(f64, f64)> = readings.iter().map(|(t, b)| (t - 20.0, *b)).collect();
        let line = Line::through(&points).expect("a line");
        let near = |found: f64, wanted: f64, within: f64| assert!((found - wanted).abs() <= within, "{found} {wanted}");
        near(line.intercept, -0.1712, 0.00005);
        near(line.slope, 0.00218, 0.000005);
        near(line.intercept_standard, 0.0029, 0.00005);
        near(line.slope_standard, 0.00067, 0.000005);
        near(line.correlation, -0.930, 0.0005);
        near(line.deviation, 0.0035, 0.00005);
        near(line.intercept + 10.0 * line.slope, -0.1494, 0.00005);
        near(line.standard_at(10.0), 0.0041, 0.00005);
    }

    fn readings(scale: ChannelScale, off: f64) -> Vec<(u16, f64)> {
        [0u16, 9_000, 22_000, 36_000, 50_000, 65_000]
            .iter()
            .enumerate()
            .map(|(place, code)| (*code, f64::from(scale.nanovolts(*code)) + if place % 2 == 0 { off } else { -off }))
            .collect()
    }

    #[test]
    fn a_channels_offset_and_gain_are_found() {
        let scale = ChannelScale { lowest_nanovolts: -10_120_000, span_nanovolts: 90_270_000 };
        let found = fit_channel(&readings(scale, 0.0), 3_000.0).expect("a fit");
        assert!(found.scale.lowest_nanovolts.abs_diff(scale.lowest_nanovolts) <= 2);
        assert!(found.scale.span_nanovolts.abs_diff(scale.span_nanovolts) <= 2);
        // The meter's 3 µV with half a step of 1.38 µV, rectangular: √(1500² + 397²) · 2.
        assert!((3_100..3_110).contains(&found.uncertainty_nanovolts), "{}", found.uncertainty_nanovolts);
    }

    #[test]
    fn scatter_widens_the_uncertainty_and_too_much_of_it_is_refused() {
        let scale = ChannelScale::NOMINAL;
        let tight = fit_channel(&readings(scale, 100.0), 3_000.0).expect("a fit").uncertainty_nanovolts;
        let wide = fit_channel(&readings(scale, 4_000.0), 3_000.0).expect("a fit").uncertainty_nanovolts;
        assert!(wide > 2 * tight, "{wide} {tight}");
        assert!(matches!(fit_channel(&readings(scale, 40_000.0), 3_000.0), Err(FitError::Scattered { .. })));
    }

    #[test]
    fn readings_in_another_unit_or_too_few_are_refused() {
        let micro: Vec<(u16, f64)> = readings(ChannelScale::NOMINAL, 0.0).iter().map(|(c, v)| (*c, v * 1e3)).collect();
        assert!(matches!(fit_channel(&micro, 3_000.0), Err(FitError::Implausible { .. })));
        assert_eq!(fit_channel(&[(0, 1.0), (5, 2.0)], 3_000.0), Err(FitError::TooFew));
        assert_eq!(fit_channel(&[(5, 1.0), (5, 2.0), (5, 3.0)], 3_000.0), Err(FitError::TooFew));
        assert_eq!(fit_channel(&[(0, f64::NAN), (5, 2.0), (9, 3.0)], 3_000.0), Err(FitError::TooFew));
    }
}

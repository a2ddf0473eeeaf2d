//! Combination of uncertainties against the worked examples of the GUM (JCGM
//! 100:2008, annex H).
//!
//! Inputs and published results of H.1, H.2 and H.3 as read in the documentation
//! of the package GTC (github.com/MSLNZ/GTC, `docs/API/GUM_H1.rst` to `GUM_H3.rst`);
//! further digits recomputed with GTC 1.5.1 and numpy. Coverage factors recomputed.

use dryfire_units::uncertainty::{Combined, Input, Spread, combine, combine_correlated, covered_share, student_factor};
use rstest::rstest;

#[track_caller]
fn near(value: f64, expected: f64, within: f64) {
    assert!((value - expected).abs() <= within, "{value} is not {expected} ± {within}");
}

/// The end gauge of H.1: l = ls + d − ls (δα θ + αs δθ), in nm.
struct EndGauge {
    inputs: Vec<Input>,
    length: f64,
}

fn end_gauge() -> EndGauge {
    let standard_length = 50_000_623.0;
    let (expansion, expansion_difference) = (11.5e-6, 0.0);
    let (mean_deviation, swing, difference_of_temperatures) = (-0.1, 0.0, 0.0);
    let deviation = mean_deviation + swing;
    let inputs = vec![
        Input::standard(25.0).known_to(18.0),
        // The difference of the lengths: mean of the readings, random and systematic error of the comparator.
        Input::standard(5.8).known_to(24.0),
        Input::standard(3.9).known_to(5.0),
        Input::standard(6.7).known_to(8.0),
        Input::limits(Spread::Rectangular, 2e-6).times(-standard_length * difference_of_temperatures),
        Input::limits(Spread::Rectangular, 1e-6).times(-standard_length * deviation).known_to(50.0),
        Input::limits(Spread::Rectangular, 0.05).times(-standard_length * expansion).known_to(2.0),
        Input::standard(0.2).times(-standard_length * expansion_difference),
        Input::limits(Spread::Arcsine, 0.5).times(-standard_length * expansion_difference),
    ];
    let length = standard_length + 215.0
        - standard_length * (expansion_difference * deviation + expansion * difference_of_temperatures);
    EndGauge { inputs, length }
}

#[test]
fn the_end_gauge_of_h1() {
    let gauge = end_gauge();
    near(gauge.length, 50_000_838.0, 0.5);
    let components = [25.0, 5.8, 3.9, 6.7, 0.0, 2.88679, 16.599, 0.0, 0.0];
    for (input, expected) in gauge.inputs.iter().zip(components) {
        near(input.contribution().abs(), expected, 6e-4);
    }
    let combined = combine(&gauge.inputs);
    near(combined.standard, 31.6639, 5e-5);
    near(combined.degrees_of_freedom, 16.752, 5e-4);
    // The GUM takes 16 degrees of freedom and 32 nm: U = 93 nm (the rounding from memory).
    near(combined.coverage_factor(0.99), 2.9035, 5e-5);
    near(combined.coverage_factor(0.99) * combined.standard, 91.94, 5e-3);
    near((student_factor(0.99, 16.0) * 32.0).floor(), 93.0, 0.0);
}

#[test]
fn parts_of_h1() {
    let difference = combine(&end_gauge().inputs[1..4]);
    near(difference.standard, 9.68, 5e-3);
    near(difference.degrees_of_freedom, 25.4, 5e-2);
    let deviation = combine(&[Input::standard(0.2), Input::limits(Spread::Arcsine, 0.5)]);
    near(deviation.standard, 0.4062, 5e-5);
    assert_eq!(deviation.degrees_of_freedom, f64::INFINITY);
}

/// H.1.7: the products of two uncertain factors add ls u(δα) u(θ) and ls u(αs) u(δθ).
#[test]
fn terms_of_second_order_of_h1() {
    let mut inputs = end_gauge().inputs;
    let deviation = combine(&[Input::standard(0.2), Input::limits(Spread::Arcsine, 0.5)]).standard;
    let rectangular = |half_width| Spread::Rectangular.standard(half_width);
    inputs.push(Input::standard(50_000_623.0 * rectangular(1e-6) * deviation));
    inputs.push(Input::standard(50_000_623.0 * rectangular(2e-6) * rectangular(0.05)));
    near(combine(&inputs).standard.round(), 34.0, 0.0);
}

/// Voltage, current and phase that were read together (H.2), to resistance, reactance and impedance.
#[test]
fn correlated_inputs_of_h2() {
    let (volts, amperes, phase) = (4.999, 19.661e-3, 1.04446);
    let correlation = |one: usize, other: usize| match (one, other) {
        (0, 1) => -0.36,
        (0, 2) => 0.86,
        (1, 2) => -0.65,
        _ => unreachable!("three inputs"),
    };
    let uncertainty = |sensitivities: [f64; 3]| {
        let standards = [3.2e-3, 9.5e-6, 7.5e-4];
        let inputs = [0, 1, 2].map(|place| Input::standard(standards[place]).times(sensitivities[place]));
        combine_correlated(&inputs, correlation)
    };
    let impedance = volts / amperes;
    let (cosine, sine) = (libm::cos(phase), libm::sin(phase));
    near(impedance * cosine, 127.732, 5e-4);
    near(uncertainty([cosine / amperes, -impedance * cosine / amperes, -impedance * sine]), 0.070, 1.2e-3);
    near(impedance * sine, 219.85, 5e-3);
    near(uncertainty([sine / amperes, -impedance * sine / amperes, impedance * cosine]), 0.30, 5e-3);
    near(impedance, 254.26, 5e-3);
    near(uncertainty([1.0 / amperes, -impedance / amperes, 0.0]), 0.24, 5e-3);
}

/// A thermometer's correction as a line through eleven points (H.3): the two
/// coefficients go together, and the correction at 30 °C takes that into account.
#[test]
fn the_thermometer_of_h3() {
    let readings = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511];
    let corrections = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160];
    let count = readings.len() as f64;
    let from = readings.map(|reading| reading - 20.0);
    let sum = |values: &dyn Fn(usize) -> f64| (0..readings.len()).map(values).sum::<f64>();
    let (sx, sy) = (sum(&|n| from[n]), sum(&|n| corrections[n]));
    let (sxx, sxy) = (sum(&|n| from[n] * from[n]), sum(&|n| from[n] * corrections[n]));
    let determinant = count * sxx - sx * sx;
    let intercept = (sy * sxx - sxy * sx) / determinant;
    let slope = (count * sxy - sx * sy) / determinant;
    let rest = sum(&|n| (corrections[n] - intercept - slope * from[n]).powi(2));
    let degrees = count - 2.0;
    let deviation = (rest / degrees).sqrt();
    let (of_intercept, of_slope) = (deviation * (sxx / determinant).sqrt(), deviation * (count / determinant).sqrt());
    let correlation = -sx / (count * sxx).sqrt();

    near(intercept, -0.171_203_79, 5e-9);
    near(slope, 0.002_182_70, 5e-9);
    near(of_intercept, 0.002_877_6, 5e-8);
    near(of_slope, 0.000_667_94, 5e-9);
    near(correlation, -0.930_43, 5e-6);
    near(deviation, 0.003_497_56, 5e-9);
    near(intercept + slope * 10.0, -0.149_376_81, 5e-9);
    let inputs = [Input::standard(of_intercept), Input::standard(of_slope).times(10.0)];
    near(combine_correlated(&inputs, |_, _| correlation), 0.004_138_60, 5e-9);
    // Taken as independent it would come out twice as large: H.3.6 is about that.
    assert!(combine(&inputs).standard > 0.007);
    near(student_factor(0.95, degrees), 2.2622, 5e-5);
}

#[rstest]
#[case(1.0, 12.7062)]
#[case(2.0, 4.3027)]
#[case(5.0, 2.5706)]
#[case(9.0, 2.2622)]
#[case(10.0, 2.2281)]
#[case(16.0, 2.1199)]
#[case(50.0, 2.0086)]
fn factors_that_cover_95_per_cent(#[case] degrees: f64, #[case] expected: f64) {
    near(student_factor(0.95, degrees), expected, 5e-5);
}

#[test]
fn infinitely_many_degrees_of_freedom_make_a_normal_distribution() {
    let combined = combine(&[Input::standard(1.0)]);
    for factor in [1.0, 1.645, 2.0, 3.0] {
        near(combined.coverage_factor(covered_share(factor)), factor, 1e-9);
        near(student_factor(covered_share(factor), 1e6), factor, 1e-4);
    }
    near(covered_share(2.0), 0.954_499_736, 1e-9);
}

#[rstest]
#[case(Spread::Rectangular, 5.773_50)]
#[case(Spread::Triangular, 4.082_48)]
#[case(Spread::Arcsine, 7.071_07)]
fn standard_uncertainty_of_limits(#[case] spread: Spread, #[case] of_ten: f64) {
    near(spread.standard(10.0), of_ten, 5e-6);
}

/// A class 2 probe of type K at 200 °C, a converter of 14 bits, and two more limits (computed by hand).
#[test]
fn a_probe_behind_a_converter() {
    let limits = [2.5, 0.125, 1.0, 0.5].map(|half_width| Input::limits(Spread::Rectangular, half_width));
    let Combined { standard, .. } = combine(&limits);
    near(standard, 1.5828, 5e-5);
    near(2.0 * standard, 3.17, 5e-3);
}

#[test]
fn a_certificate_is_divided_by_its_own_coverage_factor() {
    near(Input::expanded(1.2, 2.0).standard, 0.6, 1e-15);
    near(Input::expanded(1.2, 3.0).contribution(), 0.4, 1e-15);
}

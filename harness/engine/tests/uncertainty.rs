//! Budgets of uncertainty from bench files, against figures worked out by hand.

#![expect(clippy::disallowed_methods, reason = "tests read the library's files")]

use std::path::Path;

use dryfire_engine::{Binding, Plan, UncertaintyBudget, UncertaintySource};
use dryfire_judge::Margin;
use dryfire_scenario::{EdgeTime, ShownTemperature, parse_bench, parse_kiln, parse_scenario};
use dryfire_units::RigSpan;
use rstest::rstest;

const CUT_IN_TIME: &str = "  - { name: a, after: later, within: 10 s, heat: cut }";

fn library(file: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../scenarios").join(file);
    std::fs::read_to_string(path).expect("a file of the library")
}

/// A plan on a rig or the virtual bench with this section `uncertainty` (empty: none).
fn plan(bench: &str, uncertainty: &str, expectation: &str) -> Plan {
    let text = library(&format!("benches/{bench}.yaml"));
    let section = text.find("\nuncertainty:").expect("the section is the last one");
    let text = format!("{}\n{uncertainty}\n", &text[..section]);
    let (bench, _) = parse_bench("bench.yaml", &text)
        .unwrap_or_else(|mistakes| panic!("{}", mistakes.iter().map(ToString::to_string).collect::<String>()));
    let (kiln, _) = parse_kiln("three-ring.yaml", &library("kilns/three-ring.yaml")).expect("a kiln");
    let text = format!(
        "format: 1\nscenario: nothing is done\nhazards: [control]\nwhy: a test\nlimits from: a test\n\
         start: {{ kiln: soaked at 400 °C }}\nscript:\n  - {{ wait: 5 min, call it: later }}\nexpect:\n{expectation}\n\
         end: 10 min after later\n"
    );
    let (scenario, _) = parse_scenario("test.yaml", &text)
        .unwrap_or_else(|mistakes| panic!("{}", mistakes.iter().map(ToString::to_string).collect::<String>()));
    match Plan::bind(&scenario, &bench, &kiln).expect("it fits") {
        Binding::Ready(plan) => *plan,
        other => panic!("{other:?}"),
    }
}

fn lines(budget: &UncertaintyBudget) -> Vec<(&'static str, i64, i64, bool)> {
    budget.contributions.iter().map(|line| (line.source.word(), line.half_width, line.standard, line.stated)).collect()
}

fn micros(budget: &UncertaintyBudget) -> i64 {
    match budget.expanded {
        Margin::Time(span) => span.as_micros(),
        other => panic!("{other:?}"),
    }
}

/// u² = (1² + 50² + 3000² + 100²)/3 µs², where a drift of 50 ppm over the 60 s that
/// heat has to stay off is 3 ms; u = 1.73325 ms, U = 2u.
#[test]
fn an_edge_of_a_rig_line_by_line() {
    let plan = plan(
        "rig",
        "uncertainty:\n  edge time: { clock resolution: 1 µs, sampling interval: 50 µs, clock drift: 50 ppm, sensing \
         delay: 0.1 ms }\n",
        CUT_IN_TIME,
    );
    let budget = &plan.uncertainties.edge_time;
    assert_eq!(
        lines(budget),
        [
            ("clock-resolution", 1_000, 578, true),
            ("sampling-interval", 50_000, 28_868, true),
            ("clock-drift", 3_000_000, 1_732_051, true),
            ("sensing-delay", 100_000, 57_736, true),
        ]
    );
    assert_eq!(budget.contributions[2].source, UncertaintySource::ClockDrift(RigSpan::from_seconds(60)));
    assert_eq!((budget.standard, budget.coverage_hundredths, micros(budget)), (1_733_254, 200, 3_467));
    assert_eq!(budget.degrees_of_freedom, None);
    // And it is what the judge goes by.
    let heat = plan.table.get(plan.signals.heat);
    assert_eq!(heat.time_uncertainty, RigSpan::from_micros(3_467));
}

/// A clock of ± 100 ppm is 54 ms off after the nine minutes of a limit; where no time is
/// measured only the looks at the input (0.1 ms) and two microseconds are left.
#[rstest]
#[case("within: 9 min, see: element off", 54_000.0)]
#[case("never: heat on", 0.0)]
fn the_clock_drifts_over_what_is_measured(#[case] claim: &str, #[case] drift: f64) {
    let text = "uncertainty: { edge time: { clock drift: 100 ppm, sensing delay: 1 µs } }";
    let plan = plan("rig", text, &format!("  - {{ name: a, after: later, {claim} }}"));
    let expected = 2.0 * ((drift.powi(2) + 100_f64.powi(2) + 2.0) / 3.0).sqrt();
    assert_eq!(micros(&plan.uncertainties.edge_time), expected.ceil() as i64);
}

/// Half a step of 0.25 °C, a certificate of 1.2 °C with k = 2, 0.5 °C at the cold
/// junction, a dither of 0.3 °C: u² = 0.125²/3 + 0.6² + 0.5²/3 + 0.3².
#[test]
fn a_temperature_shown_by_a_rig_line_by_line() {
    let text = "dither: 0.3 °C\nuncertainty:\n  shown temperature: { resolution: 0.25 °C, calibration: { expanded: 1.2 \
                °C }, cold junction: 0.5 °C }\n";
    let plan = plan("rig", text, "  - { name: a, always: probe < 900 °C }");
    let budget = &plan.uncertainties.shown_temperature;
    assert_eq!(
        lines(budget),
        [
            ("resolution", 125_000, 72_169, true),
            ("calibration", 1_200_000, 600_000, true),
            ("cold-junction", 500_000, 288_676, true),
            ("dither", 300_000, 300_000, true),
        ]
    );
    let standard = (0.125_f64.powi(2) / 3.0 + 0.36 + 0.25 / 3.0 + 0.09).sqrt();
    assert_eq!(budget.standard, (standard * 1e6).ceil() as i64);
    assert_eq!(budget.expanded, Margin::Temperature((2.0 * standard * 1e3).ceil() as i64));
    assert_eq!(plan.table.get(plan.signals.probe).value_uncertainty, (2.0 * standard * 1e3).ceil() as i64);
}

/// Three readings have two degrees of freedom. Alone, a calibration of ± 1 °C (k = 2) is
/// expanded with t for 95.45 %: 4.527 (table of the t-distribution, computed), cut to nothing.
#[test]
fn few_readings_take_a_larger_coverage_factor() {
    let of = |readings: &str| {
        let text = format!(
            "uncertainty:\n  shown temperature: {{ resolution: 0.001 °C, calibration: {{ expanded: 1 °C{readings} }}, \
             cold junction: 0.001 °C }}\n"
        );
        plan("rig", &text, "  - { name: a, always: probe < 900 °C }").uncertainties.shown_temperature
    };
    let few = of(", readings: 3");
    assert_eq!((few.degrees_of_freedom, few.coverage_hundredths), (Some(2), 453));
    let many = of(", readings: 1000");
    assert_eq!(many.coverage_hundredths, 201);
    let known = of("");
    assert_eq!((known.degrees_of_freedom, known.coverage_hundredths), (None, 200));
    assert_eq!(known.expanded, Margin::Temperature(1_001));
}

/// A rig that says nothing of its inputs and of its calibration gets what an unknown one deserves.
#[test]
fn a_rig_that_states_nothing_is_taken_for_a_poor_one() {
    let plan = plan("rig", "", CUT_IN_TIME);
    let edge = &plan.uncertainties.edge_time;
    assert!(edge.contributions.iter().all(|line| !line.stated));
    assert!(micros(edge) > 25_000, "two half-waves that do not come: {edge:?}");
    let Margin::Temperature(shown) = plan.uncertainties.shown_temperature.expanded else { panic!("a temperature") };
    assert!((15_000..25_000).contains(&shown), "never calibrated: {shown}");
}

#[test]
fn a_virtual_bench_that_states_nothing_counts_in_microseconds_and_thousandths() {
    let plan = plan("virtual", "", CUT_IN_TIME);
    assert_eq!(lines(&plan.uncertainties.edge_time), [("clock-resolution", 1_000, 578, false)]);
    assert_eq!(micros(&plan.uncertainties.edge_time), 2);
    assert_eq!(plan.uncertainties.shown_temperature.expanded, Margin::Temperature(1));
}

/// What is stated as a whole is stated for the coverage factor; below 2 it is widened.
#[rstest]
#[case(100, 2_000)]
#[case(150, 1_334)]
#[case(200, 1_000)]
#[case(300, 1_000)]
fn a_whole_statement_is_one_line(#[case] coverage_hundredths: u16, #[case] expanded: i64) {
    let factor = format!("{}.{:02}", coverage_hundredths / 100, coverage_hundredths % 100);
    let text = format!("uncertainty: {{ edge time: 1 ms, shown temperature: 1 °C, coverage factor: {factor} }}");
    let uncertainties = plan("virtual", &text, CUT_IN_TIME).uncertainties;
    assert_eq!(micros(&uncertainties.edge_time), expanded);
    assert_eq!(uncertainties.shown_temperature.expanded, Margin::Temperature(expanded));
    assert_eq!(uncertainties.edge_time.coverage_hundredths, coverage_hundredths.max(200));
    assert_eq!(uncertainties.edge_time.contributions[0].source, UncertaintySource::Whole);
}

/// However a bench comes about, a rig is no better than a rig.
#[test]
fn a_rig_has_a_floor_that_no_statement_goes_below() {
    let text = library("benches/rig.yaml");
    let (mut bench, _) = parse_bench("rig.yaml", &text).expect("a bench");
    bench.uncertainty.edge_time = EdgeTime::Whole(RigSpan::ZERO);
    bench.uncertainty.shown_temperature = ShownTemperature::Whole(0);
    let (kiln, _) = parse_kiln("three-ring.yaml", &library("kilns/three-ring.yaml")).expect("a kiln");
    let text = format!(
        "format: 1\nscenario: nothing\nhazards: [control]\nwhy: a test\nlimits from: a test\nexpect:\n{}\nend: 1 min\n",
        "  - { name: a, always: probe < 900 °C }"
    );
    let (scenario, _) = parse_scenario("test.yaml", &text).expect("a scenario");
    let Ok(Binding::Ready(plan)) = Plan::bind(&scenario, &bench, &kiln) else { panic!("it fits") };
    assert_eq!(micros(&plan.uncertainties.edge_time), 100);
    assert_eq!(plan.uncertainties.shown_temperature.expanded, Margin::Temperature(100));
}

//! The set-point as the controller states it on its console: judged like any temperature,
//! and nothing that was not said is a pass.
#![expect(clippy::disallowed_methods, reason = "starts the program and writes files")]

use dryfire_engine::Binding;
use dryfire_judge::{Reason, Verdict};
use dryfire_scenario::{BenchKind, StatedSetPoint};
use dryfire_tests::{bench, dryfire, root, run_on, scenario, virtual_bench};
use rstest::rstest;

const FIRING: &str = "\
format: 1
scenario: the controller says what it aims at
hazards: [control]
why: a test
limits from: a test
start: { kiln: soaked at 400 °C }
firing: [{ ramp: 120 °C/h, to: 430 °C }, { hold: 30 min }]
script:
  - begin firing
  - { when: element on for 0.5 s, within: 10 min, call it: heating }
  - { when: probe > 425 °C, within: 1 h, call it: near }
expect:
";

fn with(expectations: &str) -> String {
    format!("{FIRING}{expectations}\nend: 10 min after near\n")
}

/// Verdict and reason of each expectation on the virtual bench, and the verdict of all.
fn judged(
    expectations: &str,
    defects: &[&str],
    change: impl Fn(&mut StatedSetPoint),
) -> (Vec<(Verdict, Reason)>, Option<Verdict>) {
    let (mut file, kiln) = virtual_bench(defects);
    change(file.set_point.as_mut().expect("the virtual bench says how"));
    let of_bench = file.clone();
    let make = move || Box::new(dryfire_bench::VirtualBench::new(of_bench.clone())) as Box<dyn dryfire_bench::Bench>;
    let mut outcomes = run_on(vec![scenario("test.yaml", &with(expectations))], &file, &kiln, 1, &make);
    let result = outcomes.remove(0).result;
    let findings = result.findings.iter().map(|report| (report.finding.verdict, report.finding.reason)).collect();
    (findings, result.verdict)
}

const AS_PROGRAMMED: &str = "  - { name: no further than the program, after: heating + 10 s, always: set-point < 431 °C }
  - { name: as fast as the program, after: heating + 2 min, until: near, always: rate of set-point over 1 min < 150 °C/h }
  - { name: and the kiln is with it, after: heating + 10 s, always: set-point - probe < 40 °C }";

#[test]
fn a_controller_that_aims_where_the_program_says_passes() {
    let (findings, verdict) = judged(AS_PROGRAMMED, &[], |_| {});
    assert_eq!(verdict, Some(Verdict::Pass), "{findings:?}");
}

#[test]
fn a_controller_that_jumps_to_the_end_of_its_ramp_fails() {
    let (findings, verdict) =
        judged("  - { name: close by, after: heating, always: set-point - probe < 20 °C }", &["ramp-ignored"], |_| {});
    assert_eq!(verdict, Some(Verdict::Fail), "{findings:?}");
    assert_eq!(findings[0].0, Verdict::Fail);
}

/// The margin is the set-point's own: 430 °C, to the tenth of a degree in which it is written.
#[rstest]
#[case("431 °C", Verdict::Pass)]
#[case("430.2 °C", Verdict::Pass)]
#[case::within_the_step_in_which_it_is_written("430.05 °C", Verdict::Inconclusive)]
#[case("429 °C", Verdict::Fail)]
fn the_step_in_which_it_is_written_is_its_uncertainty(#[case] limit: &str, #[case] verdict: Verdict) {
    let claim = format!("  - {{ name: limit, after: near, always: set-point <= {limit} }}");
    assert_eq!(judged(&claim, &[], |_| {}).1, Some(verdict));
}

#[test]
fn what_is_never_said_is_inconclusive() {
    let silent = |how: &mut StatedSetPoint| {
        how.pattern = dryfire_scenario::ConsolePattern::new("aims at ([0-9]+)").expect("in order");
    };
    for claim in
        ["always: set-point < 1500 °C", "never: set-point > 1500 °C", "always: rise of set-point over 1 min < 1500 °C"]
    {
        let (findings, verdict) = judged(&format!("  - {{ name: a, after: heating, {claim} }}"), &[], silent);
        assert_eq!(verdict, Some(Verdict::Inconclusive), "{claim}: {findings:?}");
    }
}

#[test]
fn what_is_not_asked_often_enough_is_inconclusive() {
    let seldom = |how: &mut StatedSetPoint| {
        how.ask.as_mut().expect("it is asked").every = dryfire_units::RigSpan::from_seconds(7);
    };
    let (findings, verdict) = judged("  - { name: a, after: heating, always: set-point < 1500 °C }", &[], seldom);
    assert_eq!(verdict, Some(Verdict::Inconclusive), "{findings:?}");
}

#[test]
fn a_bench_that_does_not_say_how_makes_it_not_applicable() {
    let (mut file, kiln) = bench("scenarios/benches/virtual.yaml");
    file.set_point = None;
    assert!(matches!(file.kind, BenchKind::Virtual(_)));
    let scenario = scenario("test.yaml", &with("  - { name: a, after: heating, always: set-point < 1500 °C }"));
    match dryfire_engine::Plan::bind(&scenario, &file, &kiln) {
        Ok(Binding::NotApplicable { reason }) => {
            assert_eq!(reason, "the bench file does not say how the controller states its set-point");
        }
        other => panic!("{other:?}"),
    }
}

#[test]
fn the_set_point_of_a_record_is_judged_again_as_it_was() {
    let folder = tempfile::TempDir::new().expect("a folder");
    let [file, stricter, record] = ["it.yaml", "stricter.yaml", "it.sqlite"].map(|name| folder.path().join(name));
    std::fs::write(&file, with(AS_PROGRAMMED)).expect("written");
    std::fs::write(&stricter, with(AS_PROGRAMMED).replace("< 431 °C", "< 425 °C")).expect("written");
    let virtual_bench = root().join("scenarios/benches/virtual.yaml");
    let ran = dryfire().arg("run").arg(&file).arg("--bench").arg(&virtual_bench).arg("--record").arg(&record).output();
    let ran = ran.expect("dryfire starts");
    assert_eq!(ran.status.code(), Some(0), "{}", String::from_utf8_lossy(&ran.stderr));
    let again = |more: &[&std::path::Path]| {
        let mut command = dryfire();
        command.arg("rejudge").arg(&record);
        for scenario in more {
            command.arg("--scenario").arg(scenario);
        }
        let output = command.output().expect("dryfire starts");
        (output.status.code(), String::from_utf8_lossy(&output.stdout).into_owned())
    };
    let (status, out) = again(&[]);
    assert_eq!(status, Some(0), "{out}");
    let (status, out) = again(&[&stricter]);
    assert_eq!(status, Some(1), "{out}");
    assert!(out.contains("fail no further than the program"), "{out}");
}

//! Signals that follow from others: which of them a plan makes, what is stated
//! of them, and that nothing depends on how a run is cut into calls.

#![expect(clippy::disallowed_methods, reason = "tests read the library's files")]

use std::path::Path;

use dryfire_engine::{
    BindError, Binding, Engine, EngineConfig, Event, Observation, Pacing, Plan, RigCounters, ScenarioResult, Wake,
};
use dryfire_judge::{SignalKind, SignalSpec, Verdict};
use dryfire_kiln::KilnDescription;
use dryfire_scenario::{Bench, parse_bench, parse_kiln, parse_scenario};
use dryfire_units::{RigSpan, RigTime};
use rstest::rstest;

fn library(file: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../scenarios").join(file);
    std::fs::read_to_string(path).expect("a file of the library")
}

fn bench(change: impl Fn(String) -> String) -> (Bench, KilnDescription) {
    let (bench, _) = parse_bench("virtual.yaml", &change(library("benches/virtual.yaml"))).expect("a bench");
    let (kiln, _) = parse_kiln("three-ring.yaml", &library("kilns/three-ring.yaml")).expect("a kiln");
    (bench, kiln)
}

/// A scenario that does nothing but wait, with these expectations.
fn bind_on(expectations: &str, change: impl Fn(String) -> String) -> Result<Binding, Vec<BindError>> {
    let text = format!(
        "format: 1\nscenario: nothing is done\nhazards: [control]\nwhy: a test\nlimits from: a test\n\
         start: {{ kiln: soaked at 400 °C }}\nscript:\n  - {{ wait: 5 min, call it: later }}\nexpect:\n{expectations}\n\
         end: 10 min after later\n"
    );
    let (scenario, _) = parse_scenario("test.yaml", &text)
        .unwrap_or_else(|mistakes| panic!("{}", mistakes.iter().map(ToString::to_string).collect::<String>()));
    let (bench, kiln) = bench(change);
    Plan::bind(&scenario, &bench, &kiln)
}

fn plan(expectations: &str) -> Plan {
    match bind_on(expectations, |text| text).expect("it fits") {
        Binding::Ready(plan) => *plan,
        other => panic!("{other:?}"),
    }
}

fn spec(plan: &Plan, name: &str) -> SignalSpec {
    let id = plan.table.find(name).unwrap_or_else(|| {
        let names: Vec<&str> = plan.table.iter().map(|(_, spec)| spec.name.as_str()).collect();
        panic!("no {name} in {names:?}")
    });
    plan.table.get(id).clone()
}

#[test]
fn only_what_is_asked_for_is_made_and_only_once() {
    let nothing = plan("  - { name: a, always: kiln < kiln limit }");
    assert!(nothing.derived.is_empty() && nothing.isolated.is_empty() && nothing.console.is_empty());
    let plan = plan(
        "  - { name: a, after: later, always: rise of probe.1 over 3 min < 10 °C }\n\
         \x20 - { name: b, after: later, always: rise of probe.top over 3 min < 20 °C or not rise of probe.1 over 180 s < 1 °C }\n\
         \x20 - { name: c, always: 'isolated or live or isolated.2' }\n\
         \x20 - { name: d, never: 'console says \"fault\"' }",
    );
    assert_eq!((plan.derived.len(), plan.isolated.len(), plan.console.len()), (1, 2, 1));
    assert_eq!(plan.table.len(), nothing.table.len() + 4);
}

/// The bench shows temperatures to ±1 °C and knows edges to ±1 ms; the model is
/// stated to ±2.5 °C; the declared cycle is 15 s. Figures by hand.
#[rstest]
#[case("kiln.top - kiln.bottom < 60 °C", "kiln.top - kiln.bottom", SignalKind::Difference, 0, 5_000)]
#[case("kiln.top < probe.top + 60 °C", "kiln.top - probe.top", SignalKind::Difference, 1_000, 2_500)]
#[case("probe spread < 60 °C", "probe spread", SignalKind::Difference, 2_000, 0)]
#[case("rise of probe over 4 min < 10 °C", "rise of probe over 4 min", SignalKind::Difference, 2_000, 0)]
// 2 °C in 4 min are 30 °C/h, and one thousandth for the rounding.
#[case("rate of probe over 4 min < 10 °C/h", "rate of probe over 4 min", SignalKind::Rate, 30_001, 0)]
#[case("rate of kiln over 4 min < 10 °C/h", "rate of kiln over 4 min", SignalKind::Rate, 0, 75_001)]
// 4 × (16 + 1) edges of 1 ms and half a second, in 240 s: 0.2366… %, rounded up, and one for the rounding.
#[case("duty of element.1 over 4 min < 10 %", "duty of element.top over 4 min", SignalKind::Duty, 238, 0)]
// Three relays: 204 edges.
#[case("duty of heat over 4 min < 10 %", "duty of heat over 4 min", SignalKind::Duty, 295, 0)]
fn uncertainties_follow_from_those_of_the_bench(
    #[case] condition: &str,
    #[case] name: &str,
    #[case] kind: SignalKind,
    #[case] uncertainty: i64,
    #[case] model_error: i64,
) {
    let plan = plan(&format!("  - {{ name: a, after: later, always: {condition} }}"));
    let spec = spec(&plan, name);
    assert_eq!((spec.kind, spec.value_uncertainty, spec.model_error), (kind, uncertainty, model_error));
    assert_eq!(spec.time_uncertainty, RigSpan::from_seconds(1));
}

#[test]
fn a_spread_of_one_probe_is_not_applicable() {
    let one_probe = |text: String| text.replace(", channel: 1 }", " }").replace(", channel: 2 }", " }");
    let binding = bind_on("  - { name: a, always: probe spread < 60 °C }", one_probe).expect("it fits");
    let Binding::NotApplicable { reason } = binding else { panic!("{binding:?}") };
    assert_eq!(reason, "a probe spread takes two zones at least, and the bench has 1");
}

#[test]
fn what_is_declared_becomes_a_number_and_what_is_not_leaves_the_scenario_out() {
    let expectation = |limit: &str| format!("  - {{ name: a, after: later, within: {limit}, see: safety open }}");
    let limit =
        |words: &str, change: &dyn Fn(String) -> String| match bind_on(&expectation(words), change).expect("fits") {
            Binding::Ready(plan) => match plan.expectations[0].claim {
                dryfire_judge::Claim::Within { limit, .. } => Ok(limit),
                ref other => panic!("{other:?}"),
            },
            Binding::NotApplicable { reason } => Err(reason),
            other => panic!("{other:?}"),
        };
    let declares = |text: String| text.replace("reactions: { ", "reactions: { probe-frozen: 4 s, ");
    let as_it_is = |text: String| text;
    assert_eq!(limit("3 declared cycle times + 1 s", &as_it_is), Ok(RigSpan::from_seconds(46)));
    assert_eq!(limit("declared reaction to probe-frozen + 500 ms", &declares), Ok(RigSpan::from_millis(4_500)));
    assert_eq!(limit("declared reaction to probe-frozen or 10 s", &as_it_is), Ok(RigSpan::from_seconds(10)));
    let reason = limit("declared reaction to probe-frozen", &as_it_is).expect_err("nothing declared");
    assert!(reason.contains("declares no reaction to `probe-frozen`"), "{reason}");
}

/// Half of what `dryfire budget` finds for the same kiln, bench and hazard.
#[test]
fn half_the_process_safety_time_is_that_of_the_budget() {
    let (bench, kiln) = bench(|text| text);
    let budget = dryfire_engine::budget(&kiln, Some(&bench)).expect("a budget");
    let half_of = |hazard: &str| {
        let row = budget.rows.iter().find(|row| row.hazard == hazard).expect("a row");
        row.half.expect("a limit that is reached")
    };
    let bound = |words: &str| {
        let expectation = format!("  - {{ name: a, after: later, within: {words}, see: safety open }}");
        bind_on(&expectation, |text| text)
    };
    let limit = |words: &str| match bound(words).expect("fits") {
        Binding::Ready(plan) => match plan.expectations[0].claim {
            dryfire_judge::Claim::Within { limit, .. } => limit,
            ref other => panic!("{other:?}"),
        },
        other => panic!("{other:?}"),
    };
    let probe_open = half_of("probe-open");
    assert_eq!(limit("half the process safety time of probe-open"), probe_open);
    assert_eq!(limit("half the process safety time of runaway"), half_of("runaway"));
    assert_ne!(probe_open, half_of("runaway"), "or the hazard would not matter");
    assert_eq!(
        limit("half the process safety time of probe-open but at most 10 s"),
        RigSpan::from_seconds(10).min(probe_open)
    );
    assert_eq!(limit("half the process safety time of probe-open but at most 1 h"), probe_open);
    let errors = bound("half the process safety time of element-lost").expect_err("nothing to compute");
    assert!(errors[0].message.contains("it takes heat away"), "{errors:?}");
    assert!(errors[0].span.is_some());
}

#[test]
fn a_hazard_that_leaves_no_time_is_uncovered() {
    let too_hot = |text: String| text.replace("top temperature: 1280 °C", "top temperature: 1350 °C");
    let expectation =
        "  - { name: a, after: later, within: half the process safety time of runaway, see: safety open }";
    let binding = bind_on(expectation, too_hot).expect("it fits");
    let Binding::Uncovered { reason } = binding else { panic!("{binding:?}") };
    assert!(reason.starts_with("no reaction to `runaway` can be soon enough"), "{reason}");
}

#[test]
fn what_the_judge_would_refuse_is_a_located_mistake() {
    let errors = bind_on("  - { name: a, after: later, within: 1 ms, see: safety open }", |text| text)
        .expect_err("shorter than the release");
    assert!(errors[0].message.contains("shorter than the release time"), "{errors:?}");
    assert!(errors[0].span.is_some());
}

/// A run on what a bench reports: an element relay with a duty of two fifths,
/// and lines on the console; time passes by at most `most` at a time.
fn run(plan: &Plan, most: RigSpan) -> (Vec<Event>, ScenarioResult) {
    let pacing = Pacing::Stepped { step: most };
    let config = EngineConfig { pacing, sample_events: true, second_judge: true, fresh_controller: true };
    let mut engine = Engine::new(plan.clone(), config).expect("playable");
    let mut told = Vec::new();
    let mut reports: Vec<(RigTime, Observation)> = Vec::new();
    let at = |micros: i64| RigTime::ZERO + RigSpan::from_micros(micros);
    for cycle in 0..200 {
        let on = at(cycle * 10_000_000 + 1_234_567);
        let off = on + RigSpan::from_seconds(4);
        // The contactor closes before the element and opens with every other cycle.
        let contactor = on - RigSpan::from_millis(300);
        reports.push((contactor, Observation::Edge { at: contactor, input: 0, high: cycle % 2 == 0 }));
        reports.push((on, Observation::Edge { at: on, input: 1, high: true }));
        reports.push((off, Observation::Edge { at: off, input: 1, high: false }));
        let line = off + RigSpan::from_millis(300);
        reports.push((line, Observation::Console { at: line, line: format!("cycle {cycle} done") }));
    }
    let mut next = 0;
    engine.handle(Observation::Counters(RigCounters::default()));
    loop {
        while let Some(command) = engine.poll_command() {
            let now = command.at;
            engine.handle(Observation::Applied { command: command.id, at: now });
        }
        while let Some(event) = engine.poll_event() {
            told.push(event);
        }
        match engine.poll_wake() {
            Wake::Finished => break,
            Wake::Advance { until } => {
                while let Some((_, report)) = reports.get(next).filter(|(instant, _)| *instant <= until) {
                    engine.handle(report.clone());
                    next += 1;
                }
                engine.handle(Observation::Complete { until });
            }
        }
    }
    (told, engine.into_result(1))
}

const EVERYTHING: &str = "  - { name: duty, after: later, always: duty of element.1 over 100 s > 38 % and duty of element.1 over 100 s < 42 % }\n\
     \x20 - { name: rise, after: later, always: rise of kiln over 1 min < 50 °C }\n\
     \x20 - { name: rate, after: later, always: rate of probe over 1 min < 900 °C/h }\n\
     \x20 - { name: even, always: kiln.top - kiln.bottom < 60 °C and probe spread < 60 °C }\n\
     \x20 - { name: cycles, after: later, at least: 20 times, see: 'console says \"cycle [0-9]+ done\"' }\n\
     \x20 - { name: again and again, after: later, until: later + 9 min, at least every: 11 s, see: 'console says \"done\"' }\n\
     \x20 - { name: isolated at times, sometime: isolated.top }\n\
     \x20 - { name: on for four seconds, after: later, until: later + 9 min, each: element.1 on, lasts at least: 3900 ms }\n\
     \x20 - { name: and no more, after: later, until: later + 9 min, each: element.1 on, lasts at most: 4100 ms }\n\
     \x20 - { name: switchings, after: later, at most: 7 switchings of element.1 in 1 min }\n\
     \x20 - { name: in order, first: safety closed, then: heat on }";

#[test]
fn nothing_depends_on_how_the_run_is_cut_into_calls() {
    let plan = plan(EVERYTHING);
    let (told, result) = run(&plan, RigSpan::from_seconds(1));
    for most in [100_000, 333_333, 700_001] {
        let (other, other_result) = run(&plan, RigSpan::from_micros(most));
        let of_signals = |told: &[Event]| -> Vec<Event> {
            let kept = |event: &&Event| matches!(event, Event::Switched { .. } | Event::Sampled { .. });
            told.iter().filter(kept).cloned().collect()
        };
        assert_eq!(of_signals(&told), of_signals(&other), "{most} µs");
        let seen = |result: &ScenarioResult| -> Vec<_> {
            result.findings.iter().map(|report| (report.finding.verdict, report.finding.seen)).collect()
        };
        assert_eq!(seen(&result), seen(&other_result), "{most} µs");
    }
}

#[test]
fn a_duty_of_two_fifths_is_seen_as_such_and_both_judges_agree_on_everything() {
    let (told, result) = run(&plan(EVERYTHING), RigSpan::from_seconds(1));
    for report in &result.findings {
        assert_eq!(report.finding.verdict, Verdict::Pass, "{report:#?}");
    }
    assert_eq!(result.verdict, Some(Verdict::Pass), "{:?}", result.remarks);
    let plan = plan(EVERYTHING);
    let duty = plan.table.find("duty of element.top over 100 s").expect("the duty");
    let shares: Vec<i64> = told
        .iter()
        .filter_map(|event| match event {
            Event::Sampled { signal, value, .. } if *signal == duty => Some(*value),
            _ => None,
        })
        .collect();
    // Ten whole cycles are in every window.
    assert!(shares.len() > 700 && shares.iter().all(|share| *share == 40_000), "{shares:?}");
}

#[test]
fn a_script_does_not_miss_a_line_of_the_console() {
    let text = "format: 1\nscenario: a line is waited for\nhazards: [control]\nwhy: a test\nlimits from: a test\n\
                script:\n  - { when: 'console says \"cycle 7 \"', within: 10 min, call it: seen }\n\
                expect:\n  - { name: a, after: seen, always: kiln < kiln limit }\nend: 1 min after seen\n";
    let (scenario, _) = parse_scenario("test.yaml", text).expect("a scenario");
    let (bench, kiln) = bench(|text| text);
    let Binding::Ready(plan) = Plan::bind(&scenario, &bench, &kiln).expect("it fits") else { panic!("ready") };
    let (told, result) = run(&plan, RigSpan::from_seconds(1));
    assert_eq!(result.verdict, Some(Verdict::Pass), "{result:#?}");
    let came = told.iter().find_map(|event| match event {
        Event::Moment { at, name, .. } if name == "seen" => Some(*at),
        _ => None,
    });
    let came = came.expect("the moment").as_micros();
    // 75.534567 s, and no more than one look of the script later.
    assert!((75_534_567..=75_734_567).contains(&came), "{came}");
}

/// The same run against what it does not do.
#[rstest]
#[case("after: later, always: duty of element.1 over 100 s > 41 %", "limit-exceeded")]
#[case("after: later, never: rise of kiln over 1 min > -200 °C", "limit-exceeded")]
#[case("after: later, until: later + 9 min, each: element.1 on, lasts at least: 4100 ms", "too-short")]
#[case("after: later, until: later + 9 min, each: element.1 on, lasts at most: 3900 ms", "too-long")]
#[case("after: later, at most: 5 switchings of element.1 in 1 min", "too-many")]
#[case("after: later, at least: 90 times, see: 'console says \"done\"'", "too-few")]
#[case("after: later, at least every: 9 s, see: 'console says \"done\"'", "too-long")]
#[case("first: heat on, then: safety closed", "out-of-order")]
#[case("whenever: element.1 on, within: 2 s, see: element.1 on and heat off", "reached-late")]
#[case("after: later, for: 1 min, see: safety closed", "violated")]
#[case("between: later and later + 1 min, never: live", "violated")]
fn what_is_not_so_fails_by_its_name(#[case] claim: &str, #[case] reason: &str) {
    let (_, result) = run(&plan(&format!("  - {{ name: a, {claim} }}")), RigSpan::from_seconds(1));
    let finding = &result.findings[0].finding;
    assert_eq!((finding.verdict, finding.reason.word()), (Verdict::Fail, reason), "{:#?}", result.findings[0]);
    assert_eq!(result.verdict, Some(Verdict::Fail), "{:?}", result.remarks);
}

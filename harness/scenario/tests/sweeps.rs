//! Sweeps: one file, several scenarios.

use dryfire_scenario::{MAX_SWEEP_POINTS, StepKind, parse_scenario, parse_scenarios};
use dryfire_units::RigSpan;

fn text(sweep: &str, wait: &str) -> String {
    format!(
        "format: 1
scenario: the probe opens
hazards: [probe-open]
why: A blind controller overfires the kiln.
limits from: common practice, no source
start: {{ kiln: soaked at 400 °C }}
firing: [{{ ramp: 150 °C/h, to: 1000 °C }}]
{sweep}
script:
  - begin firing
  - {{ when: element on for 0.5 s, within: 10 min }}
  - {{ wait: {wait}, call it: burn-out, do: {{ open: probe.$zone }} }}
expect:
  - {{ name: heat stays off, after: burn-out + 10 s, never: element on }}
end: 10 min after burn-out
"
    )
}

fn names(text: &str) -> Vec<String> {
    let (found, warnings) = parse_scenarios("sweep.yaml", text)
        .unwrap_or_else(|mistakes| panic!("{}", mistakes.iter().map(ToString::to_string).collect::<String>()));
    assert_eq!(warnings, []);
    found.into_iter().map(|one| one.scenario.name).collect()
}

#[test]
fn lists_give_every_combination_and_the_names_say_the_values() {
    let swept = text("sweep: { zone: [top, 2], late: [1 s, 90 s] }", "$late");
    assert_eq!(
        names(&swept),
        [
            "the probe opens (zone top, late 1 s)",
            "the probe opens (zone top, late 90 s)",
            "the probe opens (zone 2, late 1 s)",
            "the probe opens (zone 2, late 90 s)",
        ]
    );
    let (found, _) = parse_scenarios("sweep.yaml", &swept).expect("four scenarios");
    let waits: Vec<_> =
        found.iter().filter_map(|one| one.scenario.script.last()).map(|step| step.kind.clone()).collect();
    let wait = |seconds| StepKind::Wait(RigSpan::from_seconds(seconds));
    assert_eq!(waits, [wait(1), wait(90), wait(1), wait(90)]);
}

#[test]
fn a_list_of_combinations_gives_these_alone() {
    let block = "sweep:\n  - zone: 1\n    late: 1 s\n  - late: 2 s\n    zone: 3";
    for sweep in ["sweep: [{ zone: 1, late: 1 s }, { zone: 3, late: 2 s }]", block] {
        let found = names(&text(sweep, "$late"));
        assert_eq!(found, ["the probe opens (late 1 s, zone 1)", "the probe opens (late 2 s, zone 3)"]);
    }
}

#[test]
fn values_that_the_name_has_are_not_repeated_behind_it() {
    let swept = text("sweep: { zone: [top, 2] }", "1 s").replace("the probe opens", "the probe opens in zone $zone");
    assert_eq!(names(&swept), ["the probe opens in zone top", "the probe opens in zone 2"]);
}

/// What a record keeps of a run is a file of its own.
#[test]
fn the_narrowed_text_gives_its_own_scenario_and_no_other() {
    let block = "sweep:\n  zone:\n    - top\n    - \"2\"\n  late:\n    - 1 s\n    - 90 s";
    let rows = "sweep:\n  - zone: 1\n    late: 1 s\n  - late: 2 s\n    zone: 3";
    for sweep in ["sweep: { zone: [top, \"2\"], late: [1 s, 90 s] }", block, rows] {
        let (found, _) = parse_scenarios("sweep.yaml", &text(sweep, "$late")).expect("scenarios");
        assert!(found.len() >= 2);
        for one in found {
            let (again, warnings) = parse_scenarios("again.yaml", &one.text).expect("a file of its own");
            assert_eq!(warnings, []);
            assert_eq!(again.len(), 1, "{}", one.text);
            assert_eq!(again[0].scenario.name, one.scenario.name);
            assert_eq!(again[0].filled.matches('$').count(), 0);
            assert_eq!(again[0].text, one.text, "narrowing once is enough");
        }
    }
}

#[test]
fn a_name_may_have_a_dollar_in_it_where_nothing_is_swept() {
    let plain = text("tags: [quick]", "1 s").replace(".$zone", "").replace("the probe opens", "a probe for $five");
    let plain = plain.replace("heat stays off", "off or $end");
    assert_eq!(names(&plain), ["a probe for $five"]);
    let swept = text("sweep: { zone: [1] }", "1 s").replace("the probe opens", "the probe of zone $zon opens");
    assert!(parse_scenarios("sweep.yaml", &swept).is_err(), "a slip of the pen");
}

#[test]
fn where_one_scenario_is_wanted_a_sweep_of_several_is_refused() {
    let mistakes = parse_scenario("sweep.yaml", &text("sweep: { zone: [1, 2] }", "1 s")).expect_err("two scenarios");
    assert!(mistakes[0].message.contains("gives 2 scenarios"), "{}", mistakes[0]);
    let (scenario, _) = parse_scenario("sweep.yaml", &text("sweep: { zone: [2] }", "1 s")).expect("one scenario");
    assert_eq!(scenario.name, "the probe opens (zone 2)");
}

#[test]
fn no_file_gives_more_scenarios_than_the_most() {
    let list = |count: usize| (1..=count).map(|s| format!("{s} s")).collect::<Vec<_>>().join(", ");
    let most = text(&format!("sweep: {{ zone: [1], late: [{}] }}", list(MAX_SWEEP_POINTS)), "$late");
    assert_eq!(names(&most).len(), MAX_SWEEP_POINTS);
    let more = text(&format!("sweep: {{ zone: [1], late: [{}] }}", list(MAX_SWEEP_POINTS + 1)), "$late");
    assert!(parse_scenarios("sweep.yaml", &more).is_err());
    // Eight lists of sixty-four: the product is never made.
    let lists = ["zone", "late", "c", "d", "e", "f", "g", "h"].map(|name| format!("{name}: [{}]", list(64)));
    let absurd = text(&format!("sweep: {{ {} }}", lists.join(", ")), "$late$c$d$e$f$g$h");
    let mistakes = parse_scenarios("sweep.yaml", &absurd).expect_err("too many");
    assert!(mistakes.iter().any(|mistake| mistake.message.contains("at most 64")), "{mistakes:?}");
}

/// A mistake is shown where it is in the file, with the values in their places.
#[test]
fn a_mistake_of_one_value_is_told_with_that_value_and_one_of_all_once() {
    let swept = text("sweep: { zone: [1], late: [1 s, 400 °C] }", "$late");
    let mistakes = parse_scenarios("sweep.yaml", &swept).expect_err("a temperature is no time");
    insta::assert_snapshot!(mistakes.iter().map(ToString::to_string).collect::<String>(), @r"
    sweep.yaml:12:17: error[wrong-unit]: a length of time is wanted here, but `°C` is the unit of a temperature
      12 |   - { wait: 400 °C, call it: burn-out, do: { open: probe.1 } }
         |                 ^^
      at: script[3].wait
      hint: for example 10 s, 5 min or 1 h 30 min (found with zone 1, late 400 °C)
    ");
    let swept = text("sweep: { zone: [1, 2, 3] }", "1 sec");
    let mistakes = parse_scenarios("sweep.yaml", &swept).expect_err("no unit of time");
    assert_eq!(mistakes.len(), 1, "{mistakes:?}");
}

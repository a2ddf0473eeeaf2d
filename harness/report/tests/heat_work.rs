//! Heat-work of a clean firing in the summary and in JSON lines.

mod invented;

use dryfire_engine::{ScenarioResult, ZoneHeatWork};
use dryfire_kiln::Peak;
use dryfire_report::{JsonLines, Outcome, Sweeps, summary};
use dryfire_units::MilliCelsius;
use invented::{head, passed};
use rstest::rstest;

fn zone(name: &str, millicelsius: i64, per_hour: Option<i64>) -> ZoneHeatWork {
    let peak = Peak { temperature: MilliCelsius::new(millicelsius), millicelsius_per_hour: per_hour };
    ZoneHeatWork { zone: name.to_owned(), peak }
}

fn fired() -> ScenarioResult {
    ScenarioResult {
        heat_work: vec![
            zone("top", 1_000_000, Some(60_000)),
            zone("middle", 1_000_000, Some(60_000)),
            zone("bottom", 1_340_000, Some(100_000)),
            zone("fourth", 400_000, Some(100_000)),
            zone("fifth", 1_000_000, Some(400_000)),
            zone("sixth", 1_000_000, None),
        ],
        ..passed()
    }
}

#[test]
fn the_summary_says_which_cone_and_how_far_to_the_next_and_what_it_cannot_say() {
    let results = [fired()];
    let outcome = Outcome { results: &results, not_run: &[], interrupted: false, mixed: &[] };
    let text = summary(&head(), &outcome, &Sweeps::default(), 120).to_string();
    let from = text.find("Heat-work").expect("there is such a chapter");
    let chapter: Vec<&str> = text[from..].lines().take_while(|line| !line.is_empty()).collect();
    insta::assert_snapshot!(chapter.join("\n"));
}

#[rstest]
#[case::none(passed())]
#[case::cooler(ScenarioResult { heat_work: vec![zone("top", 400_000, Some(100_000))], ..passed() })]
#[case::too_fast(ScenarioResult { heat_work: vec![zone("top", 1_000_000, Some(400_000))], ..passed() })]
#[case::too_short(ScenarioResult { heat_work: vec![zone("top", 1_000_000, None)], ..passed() })]
fn a_session_in_which_no_firing_came_to_a_cone_does_not_speak_of_cones(#[case] result: ScenarioResult) {
    let results = [result];
    let outcome = Outcome { results: &results, not_run: &[], interrupted: false, mixed: &[] };
    assert!(!summary(&head(), &outcome, &Sweeps::default(), 120).to_string().contains("cone"));
}

#[test]
fn json_has_the_same_for_programs_and_leaves_it_out_where_there_is_none() {
    let mut lines = JsonLines::new();
    let line: serde_json::Value = serde_json::from_str(&lines.result(1, &fired())).expect("JSON");
    let zones = line["heat_work"].as_array().expect("a list");
    assert_eq!(zones.len(), 6);
    assert_eq!(zones[0]["cone"], "06");
    assert_eq!(zones[0]["bends_at_millicelsius"], 998_000);
    assert_eq!(zones[3]["heat_work"], "too-cool");
    assert_eq!(zones[4]["heat_work"], "rate-outside");
    assert_eq!(zones[5]["heat_work"], "no-rate");
    let line: serde_json::Value = serde_json::from_str(&lines.result(1, &passed())).expect("JSON");
    assert!(line.get("heat_work").is_none());
}

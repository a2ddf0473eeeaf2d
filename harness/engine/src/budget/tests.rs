//! What is enough and what is not.

use std::sync::LazyLock;

use dryfire_kiln::{LoadState, three_ring};
use rstest::rstest;

use super::*;
use crate::single_fault::tests::bench_that_declares;

const THREE_ZONES: &str = "[{ name: top, probe: K, channel: 0 }, { name: middle, probe: K, channel: 1 }, \
                           { name: bottom, probe: K, channel: 2 }]";
const RELAYS: [&str; 4] = ["safety", "element.top", "element.middle", "element.bottom"];
const PATHS: [(&str, &str); 3] = [
    ("top", "[[safety, element.top], [safety]]"),
    ("middle", "[[safety, element.middle], [safety]]"),
    ("bottom", "[[safety, element.bottom], [safety]]"),
];

fn three_rings(top: &str, reactions: &str) -> Bench {
    bench_that_declares(THREE_ZONES, &RELAYS, &PATHS, &format!("top temperature: {top}"), reactions)
}

/// The two that many tests look at.
static NO_BENCH: LazyLock<Budget> = LazyLock::new(|| budget(&three_ring(), None).expect("a budget"));
static BENCH_1280: LazyLock<Budget> =
    LazyLock::new(|| budget(&three_ring(), Some(&three_rings("1280 °C", "{}"))).expect("a budget"));

fn row<'b>(budget: &'b Budget, hazard: &str) -> &'b BudgetRow {
    budget.rows.iter().find(|row| row.hazard == hazard).unwrap_or_else(|| panic!("no row for {hazard}"))
}

fn case<'b>(budget: &'b Budget, hazard: &str) -> (&'b SafetyCase, SafetyLimit, SafetyTime) {
    match row(budget, hazard).worst {
        Worst::Case { case, limit, time } => (&budget.cases[case], limit, time),
        other @ Worst::AtOnce { .. } => panic!("{hazard}: {other:?}"),
    }
}

#[test]
fn without_a_bench_the_hottest_set_point_is_the_programmed_limit_which_then_is_not_counted() {
    let budget = &*NO_BENCH;
    assert_eq!(budget.grid.set_point, Celsius::new(1300.0));
    assert_eq!(budget.counted, [SafetyLimit::Element, SafetyLimit::Brick]);
    assert!(!budget.no_margin_to_programmed_limit(), "there is no controller to blame");
    let least = budget.least(&Failure::all(3));
    assert_eq!(least[2].map(|(_, time)| time), Some(SafetyTime::NoMargin), "but it is shown");
    let (worst, ..) = case(budget, "over-temperature");
    assert_eq!((worst.load, worst.failure.zones().len()), (LoadState::Empty, 3));
}

#[test]
fn a_lower_declared_top_counts_the_programmed_limit_too() {
    let budget = &*BENCH_1280;
    assert_eq!(budget.grid.set_point, Celsius::new(1280.0));
    let (_, limit, time) = case(budget, "over-temperature");
    assert_eq!(limit, SafetyLimit::Programmed);
    assert!(
        time.cut_by().is_some_and(|it| it > RigSpan::from_seconds(3) && it < RigSpan::from_seconds(30)),
        "{time:?}"
    );
}

#[rstest]
#[case("1300 °C")]
#[case("1320 °C")]
fn a_declared_top_at_or_above_the_programmed_limit_is_a_finding(#[case] top: &str) {
    let budget = budget(&three_ring(), Some(&three_rings(top, "{}"))).expect("a budget");
    assert!(budget.no_margin_to_programmed_limit());
    assert!(!budget.is_enough());
}

#[test]
fn the_lower_the_declared_top_the_more_time_there_is() {
    let time = |top: &str| {
        let budget = budget(&three_ring(), Some(&three_rings(top, "{}"))).expect("a budget");
        case(&budget, "over-temperature").2
    };
    assert!(time("1290 °C") < time("1280 °C"));
    assert!(time("1280 °C") < time("1200 °C"));
}

#[test]
fn what_is_declared_is_judged_with_the_slowest_relay_and_against_half() {
    let generous = budget(&three_ring(), Some(&three_rings("1200 °C", "{ over-temperature: 3 s }"))).expect("a budget");
    let judged = row(&generous, "over-temperature");
    let declared = RigSpan::from_seconds(3);
    assert_eq!(judged.reaction, Reaction::Declared { declared, complete: declared + RigSpan::from_millis(100) });
    assert_eq!(judged.standing, Standing::Enough);
    let half = judged.half.expect("a time");
    let (.., time) = case(&generous, "over-temperature");
    assert_eq!(half.as_micros(), time.cut_by().expect("a time").as_micros() / 2);

    // A millisecond more than half, release included, is too slow.
    let late = half - RigSpan::from_millis(99);
    let reactions = format!("{{ over-temperature: {} ms }}", late.as_millis());
    let tight = budget(&three_ring(), Some(&three_rings("1200 °C", &reactions))).expect("a budget");
    assert_eq!(row(&tight, "over-temperature").standing, Standing::TooSlow);
    assert_eq!(tight.declared_too_slow().map(|row| row.hazard.as_str()).collect::<Vec<_>>(), ["over-temperature"]);
    assert_eq!(generous.declared_too_slow().count(), 0);
}

#[test]
fn what_nobody_declares_is_taken_from_common_practice() {
    let budget = budget(&three_ring(), Some(&three_rings("1100 °C", "{}"))).expect("a budget");
    assert_eq!(row(&budget, "probe-open").reaction, Reaction::Usual(RigSpan::from_seconds(10)));
    assert_eq!(row(&budget, "probe-open").standing, Standing::Enough);
    assert_eq!(row(&BENCH_1280, "probe-pulled-out").standing, Standing::TooSlow);
    assert_eq!(row(&budget, "controller-hung").reaction, Reaction::Nothing);
    assert_eq!(row(&budget, "controller-hung").standing, Standing::NothingDeclared);
    assert_eq!(row(&budget, "controller-hung").allowed().map(|(_, half)| half), Some(true));
    assert_eq!(row(&budget, "over-temperature").allowed(), Some((RigSpan::from_seconds(5), false)));
}

#[test]
fn a_weld_without_feedback_is_noticed_by_the_reading() {
    let budget = &*NO_BENCH;
    let (case, ..) = case(budget, "runaway");
    let Reaction::ByReading(Some(by_reading)) = row(budget, "runaway").reaction else { panic!() };
    let [Some(twenty), Some(fifty)] = case.readings[..] else { panic!("{case:?}") };
    assert_eq!(by_reading, fifty.min(twenty + RigSpan::from_minutes(10)));
}

#[test]
fn a_reversed_probe_strikes_from_cold_and_leaves_more_time() {
    let budget = &*NO_BENCH;
    let (cold, _, time) = case(budget, "probe-reversed");
    assert_eq!(cold.before, Before::Cold);
    assert!(time > case(budget, "probe-open").2);
    assert_eq!(row(budget, "probe-reversed").standing, Standing::Enough);
}

#[test]
fn with_a_bench_a_weld_leaves_on_the_zones_behind_that_relay_only() {
    let budget = &*BENCH_1280;
    assert_eq!(case(budget, "relay-welded").0.failure.zones().len(), 1);
    assert_eq!(case(budget, "probe-open").0.failure.zones().len(), 1);
    assert_eq!(case(budget, "runaway").0.failure.zones().len(), 3);
}

#[test]
fn one_relay_for_all_zones_leaves_all_of_them_on() {
    let paths = [("top", "[[safety]]"), ("middle", "[[safety]]"), ("bottom", "[[safety]]")];
    let bench = bench_that_declares(THREE_ZONES, &["safety"], &paths, "top temperature: 1280 °C", "{}");
    let budget = budget(&three_ring(), Some(&bench)).expect("a budget");
    assert_eq!(case(&budget, "relay-welded").0.failure, Failure::all(3));
}

#[test]
fn one_probe_for_all_zones_blinds_all_of_them() {
    let zones = "[{ name: top, probe: K, channel: 0 }, { name: middle, probe: K }, { name: bottom, probe: K }]";
    let bench = bench_that_declares(zones, &RELAYS, &PATHS, "top temperature: 1280 °C", "{}");
    let budget = budget(&three_ring(), Some(&bench)).expect("a budget");
    assert_eq!(case(&budget, "probe-open").0.failure, Failure::all(3));
}

#[rstest]
#[case("{ lid-open: 300 ms, stop-pressed: 300 ms }", Standing::Enough)]
#[case("{ lid-open: 450 ms, stop-pressed: 10 s }", Standing::TooSlow)]
fn where_somebody_is_at_the_kiln_no_temperature_decides(#[case] reactions: &str, #[case] standing: Standing) {
    let budget = budget(&three_ring(), Some(&three_rings("1100 °C", reactions))).expect("a budget");
    for hazard in ["lid-open", "stop-pressed"] {
        assert_eq!(row(&budget, hazard).standing, standing, "{hazard}: 100 ms of release are added");
        assert_eq!(row(&budget, hazard).worst, Worst::AtOnce { allowed: RigSpan::from_millis(500) });
    }
}

#[test]
fn a_kiln_without_a_lid_has_no_lid_hazard() {
    let mut kiln = three_ring();
    kiln.lid = None;
    let budget = budget(&kiln, None).expect("a budget");
    assert!(budget.rows.iter().all(|row| row.hazard != "lid-open"));
    assert!(budget.not_computed.iter().any(|(hazard, _)| hazard == "lid-open"));
}

#[test]
fn an_id_that_nothing_is_known_of_is_named_and_not_judged() {
    let bench = three_rings("1280 °C", "{ moth-in-the-box: 3 s, probe-offset: 3 s }");
    let budget = budget(&three_ring(), Some(&bench)).expect("a budget");
    let named = |hazard: &str| budget.not_computed.iter().filter(|(id, _)| id == hazard).count();
    assert_eq!((named("moth-in-the-box"), named("probe-offset")), (1, 1));
}

#[test]
fn every_hazard_of_the_library_is_either_computed_or_named() {
    let budget = &*NO_BENCH;
    for hazard in dryfire_scenario::KNOWN_HAZARDS {
        let rows = budget.rows.iter().filter(|row| row.hazard == *hazard).count();
        let named = budget.not_computed.iter().filter(|(id, _)| id == hazard).count();
        assert_eq!(rows + named, 1, "{hazard}");
    }
}

#[test]
fn a_bench_for_another_kiln_is_refused() {
    let zones = "[{ name: top, probe: K, channel: 0 }, { name: bottom, probe: K, channel: 1 }]";
    let bench = bench_that_declares(
        zones,
        &["element.top", "element.bottom"],
        &[("top", "[[element.top]]"), ("bottom", "[[element.bottom]]")],
        "top temperature: 1280 °C",
        "{}",
    );
    let error = budget(&three_ring(), Some(&bench)).expect_err("a refusal");
    assert!(error.to_string().contains("top, middle, bottom"), "{error}");
}

#[test]
fn a_declared_top_beyond_the_model_is_refused() {
    let mut bench = three_rings("1280 °C", "{}");
    bench.declares.top_temperature_millicelsius = 1_450_000;
    let error = budget(&three_ring(), Some(&bench)).expect_err("a refusal");
    assert!(error.to_string().contains("1400 °C"), "{error}");
}

#[test]
fn the_same_kiln_and_bench_give_the_same_budget() {
    let bench = three_rings("1280 °C", "{ probe-open: 5 s }");
    assert_eq!(budget(&three_ring(), Some(&bench)), budget(&three_ring(), Some(&bench)));
}

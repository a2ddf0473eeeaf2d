//! The time budget and the single-fault table as people and programs get them.

use std::sync::LazyLock;

use dryfire_engine::{Budget, BudgetRow, Reaction, SingleFault, SingleFaultTable, Standing, Worst, budget};
use dryfire_kiln::{Before, Failure, LoadState, SafetyCase, SafetyGrid, SafetyLimit, SafetyTime, three_ring};
use dryfire_report::{
    ExitStatus, budget_json, budget_status, budget_text, budget_warnings, display_width, paths_json, paths_status,
    paths_text,
};
use dryfire_scenario::{Bench, OldPart, OldPartKind, PathRelay, Unpowered, parse_bench};
use dryfire_units::{Celsius, RigSpan};
use rstest::rstest;
use serde_json::Value;

/// An invented bench of two zones (or of the three rings) with these relays and paths.
fn bench(zones: &[&str], relays: &[&str], pole_pairs: &[(&str, &str)], declares: &str) -> Bench {
    let zone_items: Vec<String> = zones
        .iter()
        .enumerate()
        .map(|(channel, name)| format!("{{ name: {name}, probe: K, channel: {channel} }}"))
        .collect();
    let relays = relays.iter().enumerate().map(|(input, role)| {
        let made = if *role == "safety" { "contactor" } else { "relay" };
        format!("  - {{ role: {role}, made as: {made}, input: {input}, senses: command, active: high }}\n")
    });
    let paths = pole_pairs.iter().map(|(zone, poles)| format!("  - {{ zone: {zone}, poles: {poles} }}\n"));
    let text = format!(
        "format: 1\nbench: kitchen table\nvirtual: {{ tick: 100 ms }}\nkiln: kiln.yaml\n\
         controller: {{ name: invented }}\nzones: [{}]\nrelays:\n{}paths:\n{}begin firing: {{ console: [start] }}\n\
         declares: {{ {declares} }}\nuncertainty: {{ edge time: 1 ms, shown temperature: 1 °C }}\n",
        zone_items.join(", "),
        relays.collect::<String>(),
        paths.collect::<String>(),
    );
    match parse_bench("kitchen-table.yaml", &text) {
        Ok((bench, _)) => bench,
        Err(mistakes) => panic!("{mistakes:#?}\n{text}"),
    }
}

const PLAIN: &str = "top temperature: 1280 °C, longest firing: 14 h, cycle time: 15 s";

fn with_contactor() -> Bench {
    bench(
        &["top", "bottom"],
        &["safety", "element.top", "element.bottom"],
        &[("top", "[[safety, element.top], [safety]]"), ("bottom", "[[safety, element.bottom], [safety]]")],
        PLAIN,
    )
}

fn without_contactor() -> Bench {
    bench(
        &["top", "bottom"],
        &["element.top", "element.bottom"],
        &[("top", "[[element.top], []]"), ("bottom", "[[element.bottom], []]")],
        PLAIN,
    )
}

fn one_pole_contactor() -> Bench {
    bench(
        &["top", "bottom"],
        &["safety", "element.top", "element.bottom"],
        &[("top", "[[safety, element.top], []]"), ("bottom", "[[safety, element.bottom], []]")],
        PLAIN,
    )
}

fn three_rings() -> Bench {
    let declares = "top temperature: 1250 °C, longest firing: 14 h, cycle time: 15 s, \
                    reactions: { probe-open: 8 s, over-temperature: 4 s, relay-welded: 5 min, lid-open: 300 ms }";
    bench(
        &["top", "middle", "bottom"],
        &["safety", "element.top", "element.middle", "element.bottom"],
        &[
            ("top", "[[safety, element.top], [safety]]"),
            ("middle", "[[safety, element.middle], [safety]]"),
            ("bottom", "[[safety, element.bottom], [safety]]"),
        ],
        declares,
    )
}

static BUDGET: LazyLock<Budget> =
    LazyLock::new(|| budget(&three_ring(), Some(&three_rings())).expect("kiln and bench fit"));
static WITHOUT_BENCH: LazyLock<Budget> = LazyLock::new(|| budget(&three_ring(), None).expect("a kiln in order"));

#[rstest]
#[case("with_contactor", with_contactor())]
#[case("without_contactor", without_contactor())]
#[case("one_pole_contactor", one_pole_contactor())]
fn single_faults(#[case] name: &str, #[case] bench: Bench) {
    let table = SingleFaultTable::of(&bench);
    insta::assert_snapshot!(format!("single_faults_{name}"), paths_text(&table, 100).to_string());
}

/// An invented budget with one row of every kind. Its numbers are made up, so
/// that this text does not move with the model.
fn made_up() -> Budget {
    let case = |load, before, failure: &Failure, cut_by: [Option<i64>; 3], reached: i64| SafetyCase {
        load,
        before,
        failure: failure.clone(),
        chamber: Celsius::new(1250.0),
        times: cut_by.map(|cut_by| match cut_by {
            None => SafetyTime::NotReached,
            Some(0) => SafetyTime::NoMargin,
            Some(cut_by) => {
                SafetyTime::Until { cut_by: RigSpan::from_millis(cut_by), reached: RigSpan::from_seconds(reached) }
            }
        }),
        readings: vec![None, None],
    };
    let (top, all) = (Failure::of([0]), Failure::all(2));
    let cases = vec![
        case(LoadState::Empty, Before::EndOfOnPhase, &all, [Some(47_896), Some(63_812), None], 64),
        case(LoadState::Full, Before::FullPowerRamp, &top, [Some(19_497_250), None, None], 19_498),
        case(LoadState::Full, Before::Hold, &top, [None, None, None], 0),
        case(LoadState::Empty, Before::Cold, &all, [Some(0), None, None], 0),
    ];
    let row = |hazard: &str, case: usize, usual: Option<i64>, reaction, standing| {
        let time = cases[case].times[0];
        BudgetRow {
            hazard: hazard.to_owned(),
            worst: Worst::Case { case, limit: SafetyLimit::Element, time },
            half: time.cut_by().map(|cut_by| RigSpan::from_micros(cut_by.as_micros() / 2)),
            usual: usual.map(RigSpan::from_seconds),
            reaction,
            standing,
        }
    };
    let declared = |millis: i64| Reaction::Declared {
        declared: RigSpan::from_millis(millis),
        complete: RigSpan::from_millis(millis + 100),
    };
    let rows = vec![
        row("probe-open", 1, Some(10), declared(8_000), Standing::Enough),
        row("over-temperature", 0, Some(5), declared(24_500), Standing::TooSlow),
        row("relay-welded", 2, Some(600), Reaction::ByReading(None), Standing::Enough),
        row("runaway", 0, Some(131), Reaction::ByReading(Some(RigSpan::from_micros(130_000_001))), Standing::TooSlow),
        row("probe-frozen", 0, Some(900), Reaction::ByReading(None), Standing::NeverNoticed),
        row("probe-reversed", 3, Some(300), declared(300_000), Standing::NoMargin),
        row("controller-hung", 0, None, Reaction::Nothing, Standing::NothingDeclared),
        BudgetRow {
            hazard: "lid-open".to_owned(),
            worst: Worst::AtOnce { allowed: RigSpan::from_millis(500) },
            half: None,
            usual: Some(RigSpan::from_millis(500)),
            reaction: Reaction::Usual(RigSpan::from_millis(500)),
            standing: Standing::Enough,
        },
    ];
    let grid = SafetyGrid {
        set_point: Celsius::new(1300.0),
        failures: vec![top, all],
        cycle_time: RigSpan::from_seconds(15),
        ..SafetyGrid::usual(&three_ring(), Celsius::new(0.1))
    };
    Budget {
        kiln: "two-ring".to_owned(),
        zones: vec!["top".to_owned(), "bottom".to_owned()],
        bench: Some("kitchen table".to_owned()),
        grid,
        limits: [1400.0, 1350.0, 1300.0].map(Celsius::new),
        counted: vec![SafetyLimit::Element, SafetyLimit::Brick],
        cases,
        rows,
        not_computed: vec![("element-lost".to_owned(), "it takes heat away".to_owned())],
        release: RigSpan::from_millis(100),
    }
}

#[rstest]
#[case(100)]
#[case(80)]
#[case(48)]
fn a_budget(#[case] width: usize) {
    insta::assert_snapshot!(format!("a_budget_in_{width}_columns"), budget_text(&made_up(), width).to_string());
}

#[test]
fn a_budget_as_lines() {
    insta::assert_snapshot!(budget_json(&made_up()));
}

#[test]
fn a_kiln_of_one_zone_has_no_other_zones_to_blame() {
    let mut budget = made_up();
    budget.zones.truncate(1);
    for case in &mut budget.cases {
        case.failure = Failure::of([0]);
    }
    budget.grid.failures = vec![Failure::of([0])];
    let text = budget_text(&budget, 100).to_string();
    let unwrapped = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(!unwrapped.contains("other zones"), "{text}");
    assert!(unwrapped.contains("why: no reading is ever so far above the set-point"), "{text}");
}

#[test]
fn without_a_bench_the_text_says_what_is_assumed() {
    let text = budget_text(&WITHOUT_BENCH, 100).to_string();
    assert!(text.contains("none named: usual reactions and any wiring are assumed"), "{text}");
    assert!(text.contains("1300 °C, the kiln's programmed limit"), "{text}");
}

#[rstest]
#[case(100)]
#[case(80)]
#[case(50)]
#[case(40)]
fn no_line_is_wider_than_the_terminal(#[case] width: usize) {
    let mut bench = with_contactor();
    bench.zones[0].name = "the-uppermost-ring".to_owned();
    let texts = [
        budget_text(&BUDGET, width),
        budget_text(&WITHOUT_BENCH, width),
        budget_text(&made_up(), width),
        paths_text(&SingleFaultTable::of(&bench), width),
        paths_text(&SingleFaultTable::of(&without_contactor()), width),
    ];
    for text in texts {
        for line in text.to_string().lines() {
            assert!(display_width(line) <= width, "{width}: {line}");
        }
    }
}

#[test]
fn a_declared_reaction_that_is_too_slow_is_a_warning() {
    insta::assert_snapshot!(budget_warnings(&made_up()).join("\n"), @"
    over-temperature: the declared reaction takes 24.6 s with the relay; half the process safety time is 23.9 s (kiln empty, held hot for long, elements just about to go off, all zones on, to the element limit of 1400 °C)
    probe-reversed: there is no margin to the element limit of 1400 °C at all
    the declared top temperature of 1300 °C leaves no margin to the programmed limit of 1300 °C
    ");
    assert_eq!(budget_warnings(&WITHOUT_BENCH), [""; 0]);
}

/// With a contactor, a bypass around everything and one around a relay, an infinite switch, and two supplies of coils.
fn old_parts_left_in() -> Bench {
    let mut bench = with_contactor();
    let around = |relays: &[usize]| OldPartKind::Bypass { around: relays.iter().map(|it| PathRelay(*it)).collect() };
    let switch = OldPartKind::InfiniteSwitch { on: RigSpan::from_seconds(18), cycle: RigSpan::from_seconds(30) };
    bench.old_parts = vec![
        OldPart { zone: 0, kind: around(&[0, 1]) },
        OldPart { zone: 1, kind: around(&[2]) },
        OldPart { zone: 1, kind: switch },
    ];
    bench.relays[0].coil_supply = "contactor's own".to_owned();
    bench.relays[2].unpowered = Unpowered::Closed;
    bench
}

#[test]
fn what_was_left_in_and_what_feeds_the_coils_stands_in_the_table() {
    let text = paths_text(&SingleFaultTable::of(&old_parts_left_in()), 100).to_string();
    insta::assert_snapshot!("single_faults_old_parts_left_in", text);
    let table = SingleFaultTable::of(&old_parts_left_in());
    let uncut = table.rows.iter().find(|row| row.fault == SingleFault::BypassClosed { part: 0 }).expect("the bypass");
    assert_eq!(uncut.without_second_means().map(|means| means.zone).collect::<Vec<_>>(), [0]);
}

#[rstest]
#[case(&BUDGET)]
#[case(&WITHOUT_BENCH)]
fn the_budget_s_lines_say_what_the_text_says(#[case] budget: &Budget) {
    let lines = read(&budget_json(budget));
    assert_eq!(lines[0]["type"], "budget");
    assert_eq!(lines[0]["format"], 1);
    let of = |kind: &str| lines.iter().filter(|line| line["type"] == kind).collect::<Vec<_>>();
    assert_eq!(of("case").len(), budget.cases.len());
    assert_eq!(of("hazard").len(), budget.rows.len());
    for (line, row) in of("hazard").into_iter().zip(&budget.rows) {
        assert_eq!(line["standing"], row.standing.word());
        assert_eq!(line["half_us"].as_i64(), row.half.map(|half| half.as_micros()));
        if let Some(number) = line["case"].as_u64() {
            let case = of("case")[number as usize - 1];
            let limit = line["limit"].as_str().expect("a limit");
            assert_eq!(case[limit], line["safety_time"], "the case's own time");
        }
    }
    let last = lines.last().expect("lines");
    assert_eq!(last["type"], "summary");
    assert_eq!(last["exit_code"], u64::from(budget_status(budget).code()));
}

#[rstest]
#[case(with_contactor(), 2)]
#[case(without_contactor(), 6)]
#[case(one_pole_contactor(), 2)]
// The processor, and the bypass around everything: the contactor's coil has a supply of its own.
#[case(old_parts_left_in(), 2)]
fn the_table_s_lines_say_what_the_text_says(#[case] bench: Bench, #[case] without: u64) {
    let table = SingleFaultTable::of(&bench);
    let lines = read(&paths_json(&table));
    assert_eq!(lines[0]["type"], "paths");
    assert_eq!(lines.len(), table.rows.len() + 2);
    for line in lines.iter().filter(|line| line["type"] == "fault") {
        let zones = line["zones"].as_array().expect("zones");
        let all = zones.iter().all(|zone| zone["heat_off"] == true);
        assert_eq!(line["second_means"], all);
        for zone in zones {
            let openers = zone["heat_off_by"].as_array().expect("a list").len();
            assert_eq!(zone["heat_off"], openers > 0);
        }
    }
    let last = lines.last().expect("lines");
    assert_eq!(last["without_second_means"], without);
    assert_eq!(last["exit_code"], 1);
    assert_eq!(paths_status(&table), ExitStatus::Failed);
}

fn read(lines: &str) -> Vec<Value> {
    assert!(lines.ends_with('\n'));
    lines.lines().map(|line| serde_json::from_str(line).expect("a line is an object")).collect()
}

#[test]
fn names_from_files_cannot_act_on_the_terminal() {
    let mut bench = with_contactor();
    bench.name = "table\u{1b}[31m".to_owned();
    let table = SingleFaultTable::of(&bench);
    assert!(!paths_text(&table, 100).to_string().contains('\u{1b}'));
    assert!(!paths_json(&table).contains('\u{1b}'));
}

const PAGE: &str = include_str!("../../../docs/process-safety-time.md");

fn keys_of(value: &Value, keys: &mut Vec<String>) {
    match value {
        Value::Object(object) => {
            for (key, value) in object {
                keys.push(key.clone());
                keys_of(value, keys);
            }
        }
        Value::Array(values) => values.iter().for_each(|value| keys_of(value, keys)),
        _ => {}
    }
}

#[test]
fn the_page_names_every_key_and_every_hazard() {
    let mut names = Vec::new();
    let table = SingleFaultTable::of(&with_contactor());
    let mut lines = read(&budget_json(&made_up()));
    lines.extend(read(&paths_json(&table)));
    for line in &lines {
        names.push(line["type"].as_str().expect("a type").to_owned());
        keys_of(line, &mut names);
    }
    names.extend(table.rows.iter().map(|row| row.fault.word().to_owned()));
    names.extend(WITHOUT_BENCH.rows.iter().map(|row| row.hazard.clone()));
    names.extend(WITHOUT_BENCH.not_computed.iter().map(|(hazard, _)| hazard.clone()));
    names.extend(made_up().rows.iter().map(|row| row.standing.word().to_owned()));
    for name in names {
        assert!(PAGE.contains(&format!("`{name}`")), "the page lacks `{name}`");
    }
}

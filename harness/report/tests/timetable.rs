//! What a session in real time comes to, and what fits into half an hour or a night.

use dryfire_report::{ExitStatus, NotScheduled, Timetable, TimetableEntry, timetable_json, timetable_text};
use dryfire_units::RigSpan;

fn entry(scenario: &str, hazards: &[&str], minutes: i64, attended: &[&str]) -> TimetableEntry {
    TimetableEntry {
        scenario: scenario.to_owned(),
        file: format!("{}.yaml", scenario.replace(' ', "-")),
        hazards: hazards.iter().map(|hazard| (*hazard).to_owned()).collect(),
        usual: Some(RigSpan::from_minutes(minutes)),
        longest: RigSpan::from_minutes(minutes * 2),
        attended: attended.iter().map(|what| (*what).to_owned()).collect(),
    }
}

fn table() -> Timetable {
    let entries = vec![
        entry("a long firing", &["firing-too-long"], 840, &[]),
        entry("the probe opens", &["probe-open"], 12, &[]),
        entry("the probe opens in a hold", &["probe-open"], 11, &[]),
        entry("the lid is opened", &["lid-open"], 14, &["open the lid"]),
        entry("stop is pressed", &["stop-pressed"], 20, &[]),
    ];
    let lacking = |scenario: &str, hazard: &str, uncovered, reason: &str| NotScheduled {
        scenario: scenario.to_owned(),
        hazards: vec![hazard.to_owned()],
        uncovered,
        reason: reason.to_owned(),
    };
    let not_scheduled = vec![
        lacking("a relay welds", "relay-welded", true, "nothing else can open the path"),
        lacking("probes are crossed", "probe-crossed", false, "it takes 2 zones and the bench has 1"),
    ];
    Timetable::new("kitchen table".to_owned(), entries, not_scheduled)
}

#[test]
fn what_needs_somebody_comes_together_and_first() {
    let table = table();
    let names: Vec<&str> = table.entries.iter().map(|entry| entry.scenario.as_str()).collect();
    assert_eq!(
        names,
        ["the lid is opened", "the probe opens in a hold", "the probe opens", "stop is pressed", "a long firing"]
    );
}

#[test]
fn half_an_hour_shows_as_many_hazards_as_fit_before_it_shows_one_twice() {
    let [half, night, full] = table().sets();
    // 11 min for the probe and 14 min for the lid; a second scenario of the probe would have fitted as well.
    assert_eq!(half.entries, [0, 1]);
    assert_eq!(half.usual, RigSpan::from_minutes(25));
    assert_eq!(half.longest, RigSpan::from_minutes(50));
    assert_eq!(half.attended_until, RigSpan::from_minutes(14));
    assert_eq!(half.left_out, ["firing-too-long", "stop-pressed"]);
    assert_eq!(night.entries, [0, 1, 2, 3]);
    assert_eq!(night.left_out, ["firing-too-long"]);
    assert_eq!(full.entries, [0, 1, 2, 3, 4]);
    assert!(full.left_out.is_empty(), "{:?}", full.left_out);
}

#[test]
fn a_file_with_a_sweep_is_taken_whole_or_not_at_all() {
    let mut entries = table().entries;
    let mut again = entry("stop is pressed later", &["stop-pressed"], 5, &[]);
    again.file = "stop-is-pressed.yaml".to_owned();
    entries.push(again);
    let table = Timetable::new("kitchen table".to_owned(), entries, Vec::new());
    let [half, night, _] = table.sets();
    let names = |set: &dryfire_report::TimetableSet| -> Vec<String> {
        set.entries.iter().map(|index| table.entries[*index].scenario.clone()).collect()
    };
    assert!(names(&half).iter().all(|name| !name.starts_with("stop")), "{:?}", names(&half));
    assert_eq!(names(&night).iter().filter(|name| name.starts_with("stop")).count(), 2);
}

#[test]
fn where_the_stand_in_broke_down_the_longest_time_is_reckoned_with() {
    let mut unknown = entry("unknown", &["control"], 10, &[]);
    unknown.usual = None;
    let table = Timetable::new("kitchen table".to_owned(), vec![unknown], Vec::new());
    assert_eq!(table.sets()[2].usual, RigSpan::from_minutes(20));
}

#[test]
fn a_bench_to_which_nothing_applies_is_told_so() {
    let nothing = Timetable { entries: Vec::new(), ..table() };
    assert_eq!(nothing.exit_status(), ExitStatus::NothingApplicable);
    assert_eq!(table().exit_status(), ExitStatus::AllHeld);
}

#[test]
fn the_timetable_says_how_long_for_whom_and_what_is_left_out() {
    insta::assert_snapshot!(timetable_text(&table(), 80));
}

#[test]
fn the_json_lines_of_the_timetable_say_the_same() {
    insta::assert_snapshot!(timetable_json(&table()));
}

//! The kilns of the library are such as a potter would believe: each reaches
//! its hottest set-point in hours, not days, and can hold it.

#![expect(clippy::disallowed_methods, reason = "tests read the library's files")]

use std::fs;
use std::path::PathBuf;

use dryfire_engine::{Standing, budget};
use dryfire_kiln::{Circuit, Kiln, KilnDescription, SafetyLimit, SafetyTime, StartState};
use dryfire_scenario::parse_kiln;
use dryfire_units::{Celsius, RigSpan, RigTime};

fn kilns() -> Vec<(String, KilnDescription)> {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../scenarios/kilns");
    let mut paths: Vec<PathBuf> =
        fs::read_dir(folder).expect("the library's kilns").map(|entry| entry.expect("an entry").path()).collect();
    paths.sort();
    let read = |path: &PathBuf| {
        let name = path.file_stem().expect("a name").to_string_lossy().into_owned();
        let text = fs::read_to_string(path).expect("a kiln file");
        let (kiln, warnings) = parse_kiln(&name, &text).unwrap_or_else(|mistakes| panic!("{name}: {mistakes:#?}"));
        assert!(warnings.is_empty(), "{name}: {warnings:#?}");
        (name, kiln)
    };
    paths.iter().map(read).collect()
}

#[test]
fn there_are_kilns_for_a_socket_for_one_relay_for_three_and_of_fibre() {
    let names: Vec<String> = kilns().into_iter().map(|(name, _)| name).collect();
    for wanted in ["fibre-fast", "single-zone-240-volt", "small-120-volt", "three-ring"] {
        assert!(names.iter().any(|name| name == wanted), "{wanted} in {names:?}");
    }
}

#[test]
fn a_kiln_is_called_as_its_file_is() {
    for (name, kiln) in kilns() {
        assert_eq!(kiln.name, name);
    }
}

/// Fully loaded, at its rated supply, with elements 10 % up in resistance (when
/// they are replaced: common practice, no source).
#[test]
fn every_kiln_reaches_its_hottest_set_point_with_worn_elements_within_ten_hours() {
    for (name, mut kiln) in kilns() {
        for zone in &mut kiln.zones {
            zone.element.ageing = 1.1;
        }
        let zones = kiln.zones.len();
        let start = StartState::cold(Celsius::new(20.0));
        let mut fired = Kiln::new(&kiln, Circuit::elements_only(zones), start).expect("a kiln in order");
        for zone in 0..zones {
            fired.set_relay(RigTime::ZERO, zone, true).expect("a relay that there is");
        }
        let top = kiln.limits.programmed_top.value();
        let mut minutes = 0;
        while fired.hottest().value() < top && minutes < 600 {
            minutes += 1;
            fired.advance_to(RigTime::ZERO + RigSpan::from_minutes(minutes));
        }
        assert!(minutes < 600, "{name}: only {} after ten hours at full power", fired.hottest());
        assert!(minutes > 15, "{name}: {minutes} min to the top is no kiln");
    }
}

#[test]
fn every_kiln_leaves_some_time_to_its_own_limits_and_a_quick_controller_can_meet_it() {
    for (name, kiln) in kilns() {
        let budget = budget(&kiln, None).unwrap_or_else(|error| panic!("{name}: {error}"));
        for case in &budget.cases {
            for limit in [SafetyLimit::Element, SafetyLimit::Brick] {
                assert_ne!(case.time(limit), SafetyTime::NoMargin, "{name}: {case:?}");
            }
        }
        let over = budget.rows.iter().find(|row| row.hazard == "over-temperature").expect("a row");
        assert_eq!(over.standing, Standing::Enough, "{name}: {over:?}");
    }
}

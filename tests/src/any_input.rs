//! Anything that somebody may put before dryfire, and the laws that must hold for it.
//!
//! One function for each kind of input. The fuzzers in `tests/fuzz` call them with
//! what they come up with; `tests/any_input.rs` with the library, changed at random.

use std::path::Path;

use dryfire_engine::{Binding, Plan, explain};
use dryfire_kiln::{Circuit, Kiln, KilnDescription, StartState};
use dryfire_record::{Record, Seal};
use dryfire_rig::{CALIBRATION_BYTES, Calibration};
use dryfire_scenario::{Bench, ConditionPlace, Diagnostic, parse_bench, parse_condition, parse_kiln, parse_scenario};
use dryfire_units::{Celsius, RigTime};

pub use dryfire_bench::fuzz::any_line as program_line;
pub use dryfire_link::fuzz::any_bytes as link_bytes;

/// Messages have a place in the text that they speak of and hide nothing in it.
fn well_formed(text: &str, mistakes: &[Diagnostic]) {
    for mistake in mistakes {
        let said = mistake.to_string();
        assert!(!said.chars().any(|character| character.is_control() && character != '\n'), "{said:?}");
        assert!(said.lines().count() < 60, "too long to be read: {said}");
        assert!(said.len() < 20_000 + text.len(), "too long to be read");
    }
}

/// What is read from a file of one kind, if it can be read.
fn taken<T>(text: &str, read: Result<(T, Vec<Diagnostic>), Vec<Diagnostic>>) -> Option<T> {
    match read {
        Ok((value, warnings)) => {
            well_formed(text, &warnings);
            Some(value)
        }
        Err(mistakes) => {
            assert!(!mistakes.is_empty(), "refused without a word");
            well_formed(text, &mistakes);
            None
        }
    }
}

/// A scenario file: what is taken can be bound to this bench and put in words, or is refused in words.
/// Gives the plan of one that can be run.
///
/// # Panics
/// If one of these laws is broken.
pub fn scenario_text(text: &str, bench: &Bench, kiln: &KilnDescription) -> Option<Box<Plan>> {
    let scenario = taken(text, parse_scenario("any.yaml", text))?;
    match Plan::bind(&scenario, bench, kiln) {
        Ok(binding) => {
            let words = explain(&scenario, bench, &binding);
            for width in [40, 100] {
                assert!(!dryfire_report::explain_text(&words, width).to_string().is_empty());
            }
            match binding {
                Binding::Ready(plan) => Some(plan),
                _ => None,
            }
        }
        Err(mistakes) => {
            assert!(mistakes.iter().all(|mistake| !mistake.message.is_empty()), "refused without a word");
            None
        }
    }
}

/// A bench file.
///
/// # Panics
/// If a law is broken.
pub fn bench_text(text: &str) -> Option<Bench> {
    taken(text, parse_bench("any.yaml", text))
}

/// A kiln file: what is taken can be fired for a minute, and every temperature stays one.
///
/// # Panics
/// If a law is broken.
pub fn kiln_text(text: &str) -> Option<KilnDescription> {
    let description = taken(text, parse_kiln("any.yaml", text))?;
    let zones = description.zones.len();
    let start = StartState::soaked(Celsius::new(20.0), Celsius::new(900.0));
    let mut kiln = Kiln::new(&description, Circuit::elements_only(zones), start)
        .unwrap_or_else(|error| panic!("taken and then refused: {error:?}"));
    for second in [1, 30, 60] {
        for zone in 0..zones {
            kiln.set_relay(kiln.sample_time(), zone, second > 1).expect("each zone has its relay");
        }
        kiln.advance_to(RigTime::from_micros(second * 1_000_000));
        for zone in 0..zones {
            let temperature = kiln.zone_temperature(zone).value();
            assert!(temperature.is_finite() && (-100.0..5_000.0).contains(&temperature), "{temperature} °C");
        }
    }
    Some(description)
}

/// A condition: what is taken says the same again when it is printed and read.
///
/// # Panics
/// If it does not.
pub fn condition_text(text: &str) {
    for place in [ConditionPlace::When, ConditionPlace::Expectation] {
        match parse_condition(text, place) {
            Ok(condition) => {
                let printed = condition.to_string();
                let again = parse_condition(&printed, place).unwrap_or_else(|mistake| {
                    panic!("`{text}` is printed as `{printed}`, which is refused: {mistake}")
                });
                assert_eq!(again.to_string(), printed, "`{text}`");
            }
            Err(mistake) => well_formed(text, std::slice::from_ref(&*mistake)),
        }
    }
}

/// A block of samples from a record: what is taken comes back from its own encoding.
///
/// # Panics
/// If it does not.
pub fn sample_block(bytes: &[u8]) {
    if let Ok(samples) = dryfire_record::decode(bytes) {
        let again = dryfire_record::decode(&dryfire_record::encode(&samples));
        assert_eq!(again.as_ref(), Ok(&samples));
    }
}

/// The seal beside a record: what is taken is written as it was read.
///
/// # Panics
/// If it is not.
pub fn seal_text(text: &str) {
    if let Ok(seal) = Seal::parse(text) {
        assert_eq!(Seal::parse(&seal.text()).as_ref(), Ok(&seal));
    }
}

/// A record's file, written to `path`: it is read or refused in words.
///
/// # Panics
/// If a law is broken.
#[expect(clippy::disallowed_methods, reason = "a record is a file")]
pub fn record_bytes(bytes: &[u8], path: &Path) {
    std::fs::write(path, bytes).expect("the file can be written");
    match Record::open(path) {
        Ok(record) => {
            for run in record.runs() {
                let _ = (record.edges(run), record.events(run));
            }
            let _ = (record.notes(), record.log());
        }
        Err(refusal) => assert!(!refusal.to_string().is_empty()),
    }
}

/// The page of a board's memory that holds its calibration.
///
/// # Panics
/// If what is taken is not written as it was read.
pub fn calibration_page(bytes: &[u8]) {
    let Some(page) = bytes.first_chunk::<CALIBRATION_BYTES>() else { return };
    if let Ok(Some(calibration)) = Calibration::decode(page) {
        assert_eq!(&calibration.encode(), page);
    }
}

//! How the command answers calls that are wrong, and calls for help.

mod command;

use command::{Ran, dryfire};
use dryfire_report::ExitStatus;
use rstest::rstest;

#[rstest]
#[case::no_command(&[], "Usage:")]
#[case::unknown_command(&["fire"], "unrecognized subcommand 'fire'")]
#[case::unknown_option(&["run", "scenarios", "--speed-up"], "unexpected argument '--speed-up'")]
#[case::seed_is_no_number(&["run", "scenarios", "--seed", "lucky"], "invalid value 'lucky' for '--seed <NUMBER>'")]
#[case::no_jobs_at_all(&["run", "scenarios", "--jobs", "0"], "0 is not in 1..=65535")]
#[case::unknown_format(&["run", "scenarios", "--format", "xml"], "[possible values: text, json]")]
#[case::unknown_schema(&["schema", "oven"], "[possible values: scenario, bench, kiln]")]
#[case::no_schema(&["schema"], "<KIND>")]
#[case::rig_without_bench(&["rig", "simulate"], "--bench <FILE>")]
#[case::rig_faster_than_anything(&["rig", "simulate", "--bench", "x", "--speed", "0"], "expected a number from 0.1 to 10000")]
#[case::nothing_to_run(&["run"], "`dryfire run scenarios` runs the library")]
#[case::nothing_to_check(&["check"], "`dryfire check scenarios` checks the library")]
#[case::no_such_path(&["run", "scenarois"], "there is no file or folder `scenarois`\n  hint: did you mean `scenarios`?")]
#[case::no_such_bench(&["run", "scenarios", "--bench", "nowhere/bench.yaml"], "there is no file or folder `nowhere/bench.yaml`")]
#[case::no_such_path_to_check(&["check", "nowhere.yaml"], "there is no file or folder `nowhere.yaml`")]
#[case::unknown_defect(
    &["run", "scenarios", "--defect", "lid-ignord"],
    "the stand-in has no defect `lid-ignord` (--defect)\n  hint: did you mean `lid-ignored`?"
)]
#[case::port_without_rig(&["run", "scenarios", "--port", "/dev/ttyACM0"], "--port is for rigs")]
fn a_wrong_call_ends_with_4_and_says_what_would_be_right(#[case] arguments: &[&str], #[case] says: &str) {
    let ran = dryfire(arguments);
    assert_eq!(ran.status, Some(4), "{ran:?}");
    assert!(ran.err.contains(says), "{ran:?}");
    assert_eq!(ran.out, "", "nothing on standard output: {ran:?}");
}

#[rstest]
#[case(&["--help"])]
#[case(&["-h"])]
#[case(&["--version"])]
#[case(&["run", "--help"])]
#[case(&["check", "--help"])]
#[case(&["schema", "--help"])]
#[case(&["explain", "--help"])]
#[case(&["defects", "--help"])]
#[case(&["rig", "--help"])]
#[case(&["rig", "simulate", "--help"])]
#[case(&["help", "run"])]
fn help_is_an_answer(#[case] arguments: &[&str]) {
    let Ran { status, out, err } = dryfire(arguments);
    assert_eq!(status, Some(0), "{err}");
    assert_eq!(err, "");
    assert!(!out.is_empty());
    assert!(!out.contains('\u{1b}'), "no colour where nobody looks: {out:?}");
}

#[test]
fn the_help_lists_every_exit_status_and_the_cautions() {
    let help = dryfire(&["--help"]).out;
    for status in ExitStatus::ALL {
        let row = format!("  {:<4} {}", status.code(), status.meaning());
        assert!(help.contains(&row), "the help lacks: {row}");
    }
    let words = help.split_whitespace().collect::<Vec<_>>().join(" ");
    for caution in ["extra-low voltage only", "not approval of a kiln", "licensed electrician and the local code"] {
        assert!(words.contains(caution), "{caution}");
    }
}

#[rstest]
#[case(&["run", "--help"])]
#[case(&["check", "--help"])]
#[case(&["explain", "--help"])]
#[case(&["rig", "simulate", "--help"])]
#[case(&["schema", "--help"])]
fn long_help_has_examples(#[case] arguments: &[&str]) {
    let help = dryfire(arguments).out;
    let examples = help.split("Examples:").nth(1).unwrap_or_else(|| panic!("no examples in:\n{help}"));
    assert!(examples.contains("  dryfire "), "{examples}");
    // What is too wide for the help is broken anywhere and looks broken.
    let broken = examples.lines().take_while(|line| !line.starts_with("Exit status")).skip(1);
    for line in broken.filter(|line| !line.is_empty()) {
        assert!(line.starts_with("  dryfire "), "{line}");
    }
}

#[test]
fn wrong_settings_of_the_log_are_named() {
    let ran = command::dryfire_with(&["defects"], &[("RUST_LOG", "dryfire=[loud")]);
    assert_eq!(ran.status, Some(4), "{ran:?}");
    assert!(ran.err.contains("RUST_LOG"), "{ran:?}");
}

#[test]
fn every_defect_is_listed_with_its_hazard() {
    let ran = dryfire(&["defects"]);
    assert_eq!(ran.status, Some(0));
    for defect in dryfire_stand_in::Defect::ALL {
        let head = format!("{}  [{}]\n", defect.name(), defect.symptom().hazard);
        assert!(ran.out.contains(&head), "{head}");
    }
}

#[rstest]
#[case("scenario", "expect")]
#[case("bench", "relays")]
#[case("kiln", "zones")]
fn schemas_are_json_schemas(#[case] kind: &str, #[case] key: &str) {
    let ran = dryfire(&["schema", kind]);
    assert_eq!(ran.status, Some(0));
    let schema: serde_json::Value = serde_json::from_str(&ran.out).expect("JSON");
    assert_eq!(schema["$schema"], "https://json-schema.org/draft/2020-12/schema");
    assert!(ran.out.contains(&format!("\"{key}\"")), "{}", ran.out);
}

/// Whether a command says that it failed must not depend on whether somebody reads what it says.
#[test]
fn output_that_cannot_be_written_is_an_error() {
    let full = std::fs::OpenOptions::new().write(true).open("/dev/full");
    let Ok(full) = full else { return };
    let ran = command::run_into(&["defects"], full.into());
    assert_eq!(ran.status, Some(3), "{ran:?}");
    assert!(ran.err.contains("standard output could not be written"), "{ran:?}");
}

#[test]
fn a_reader_that_has_gone_away_is_no_error() {
    let (reader, writer) = std::io::pipe().expect("a pipe");
    drop(reader);
    let ran = command::run_into(&["defects"], writer.into());
    assert_eq!(ran.status, Some(0), "{ran:?}");
    assert_eq!(ran.err, "");
}

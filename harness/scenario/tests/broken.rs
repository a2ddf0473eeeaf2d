//! Broken files: what is said about each, word for word.
//!
//! Every file in `tests/broken` has its snapshot; the caret has to stand under
//! the offending token, and the hint has to help.
#![expect(clippy::disallowed_methods, reason = "reads the files of the test")]

use std::path::{Path, PathBuf};

use dryfire_scenario::{Kind, Severity, check_file, schema_text};

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/broken")
}

/// Names without the ending, and texts, in the order of the names.
fn files() -> Vec<(String, String)> {
    let mut found: Vec<(String, String)> = std::fs::read_dir(folder())
        .expect("the folder of broken files")
        .map(|entry| {
            let path = entry.expect("an entry").path();
            let name = path.file_stem().expect("a name").to_string_lossy().into_owned();
            (name, std::fs::read_to_string(&path).expect("a broken file"))
        })
        .collect();
    found.sort();
    found
}

/// Files that are read, but with a warning.
const ONLY_WARNED_OF: &[&str] = &[
    "bench-begin-without-program",
    "expect-heat-not-proved",
    "expect-off-phase",
    "moments-end-may-come-early",
    "moments-firing-never-begun",
    "names-comment-in-name",
];

#[test]
fn every_broken_file_is_refused_with_a_located_mistake_and_a_hint() {
    assert!(files().len() >= 40);
    for (name, text) in files() {
        let (mistakes, read) = match check_file(&format!("{name}.yaml"), &text) {
            Ok((_, warnings)) => (warnings, true),
            Err(mistakes) => (mistakes, false),
        };
        assert!(!mistakes.is_empty(), "{name} is accepted without a word");
        assert_eq!(read, ONLY_WARNED_OF.contains(&name.as_str()), "{name}");
        let errors = mistakes.iter().filter(|mistake| mistake.severity == Severity::Error).count();
        assert_eq!(errors == 0, read, "{name}");
        let shown: String = mistakes.iter().map(|mistake| format!("{mistake}\n")).collect();
        insta::assert_snapshot!(name.clone(), shown.trim_end(), &name);
    }
}

#[test]
fn three_mistakes_give_three_messages_each_on_its_own_token() {
    let (_, text) = files().into_iter().find(|(name, _)| name == "names-three-mistakes").expect("the file");
    let mistakes = check_file("three.yaml", &text).expect_err("three mistakes");
    let marked: Vec<&str> = mistakes.iter().map(|mistake| &text[mistake.span.start..mistake.span.end]).collect();
    assert_eq!(marked, ["400", "°C", "sec"]);
}

/// Mistakes that a schema cannot see: the order of time, names that are used
/// elsewhere, words inside sentences, and what YAML itself hides.
fn beyond_a_schema(name: &str) -> bool {
    let families = ["conditions-", "moments-", "form-"];
    let singles = [
        "bench-duplicates",
        "bench-paths",
        "bench-path-missing",
        "bench-relay-not-listed",
        "bench-relay-on-no-path",
        "bench-begin-without-contact",
        "bench-clear-fault-without-contact",
        "bench-converter-program",
        "bench-converter-short",
        "bench-converter-type",
        "bench-dither",
        "bench-dither-none",
        "bench-feedback-program",
        "bench-cold-junction",
        "expect-declared",
        "expect-foreign-hazard",
        "expect-half-hazard",
        "expect-several-hazards",
        "expect-unspoken-hazard",
        "bench-set-point-asked-too-seldom",
        "bench-limiter-contact-not-sensed",
        "bench-limiter-converters",
        "bench-limiter-not-described",
        "bench-limiter-on-no-path",
        "bench-limiter-program",
        "bench-lines-program",
        "bench-limiter-reset-above-trip",
        "bench-limiter-senses-command",
        "bench-limiter-shares-probe",
        "bench-limiter-trip-below-top",
        "bench-limiter-channel-of-no-rig",
        "bench-limiter-no-channel-left",
        "bench-limiter-trip-out-of-range",
        "bench-limiter-zone",
        "kiln-lid-of-nowhere",
        "kiln-material-unknown",
        "kiln-table-falls",
        "kiln-too-many-cells",
        "kiln-too-thin",
        "kiln-two-zones-uncoupled",
        "names-moment-twice",
        "names-reserved-moment",
        "names-twice",
        "start-cooler-than-air",
        "sweep-wrong-whatever-the-value",
        "sweep-uneven",
        "sweep-too-many",
        "sweep-a-value-twice",
        "sweep-a-value-that-is-more",
        "sweep-a-value-of-another-kind",
        "sweep-a-name-without-a-sweep",
        "sweep-a-name-unused",
        "sweep-a-name-misspelt",
        "start-hot-air",
    ];
    families.iter().any(|family| name.starts_with(family)) || singles.contains(&name) || ONLY_WARNED_OF.contains(&name)
}

#[test]
fn the_schemas_refuse_what_a_schema_can_refuse() {
    let mut refused = 0;
    for (name, text) in files() {
        if beyond_a_schema(&name) {
            continue;
        }
        let value: serde_json::Value = serde_yaml::from_str(&text).expect("YAML");
        let kind = match name.split('-').next() {
            Some("bench") => Kind::Bench,
            Some("kiln") => Kind::Kiln,
            _ => Kind::Scenario,
        };
        let schema: serde_json::Value = serde_json::from_str(&schema_text(kind)).expect("JSON");
        let validator = jsonschema::validator_for(&schema).expect("a schema");
        assert!(!validator.is_valid(&value), "the schema accepts {name}");
        refused += 1;
    }
    assert!(refused >= 20, "{refused}");
}

//! The page about the format says what the code does.
#![expect(clippy::disallowed_methods, reason = "reads the page")]

use std::collections::BTreeSet;

use dryfire_scenario::{DiagnosticKind, Kind, SIGNALS, Severity, check_file, schema_text};

fn page() -> String {
    let path = format!("{}/../../docs/scenario-format.md", env!("CARGO_MANIFEST_DIR"));
    std::fs::read_to_string(path).expect("the page about the format")
}

/// Blocks of the page in that language.
fn blocks(page: &str, language: &str) -> Vec<String> {
    let opening = format!("```{language}\n");
    page.split(&opening).skip(1).map(|rest| rest.split("```").next().expect("a block").to_owned()).collect()
}

#[test]
fn every_kind_of_message_is_listed_with_its_severity() {
    let page = page();
    for kind in DiagnosticKind::ALL {
        let word = format!("`{}`", kind.word());
        let line = page.lines().find(|line| line.starts_with('|') && line.contains(&word));
        let line = line.unwrap_or_else(|| panic!("{word} is not listed"));
        assert_eq!(line.contains("(warning)"), kind.severity() == Severity::Warning, "{line}");
    }
}

#[test]
fn every_signal_and_every_key_of_every_file_is_named() {
    let page = page();
    for signal in SIGNALS {
        assert!(page.contains(&format!("`{signal}`")), "{signal}");
    }
    // In words, not only in the examples: `key`, or `{ key: value }`.
    let outside: String = page.split("```").step_by(2).collect();
    let named = |key: &str| {
        let alone = format!("`{key}`");
        let with_value = ["`", "{ ", ", "].iter().any(|before| outside.contains(&format!("{before}{key}:")));
        outside.contains(&alone) || with_value
    };
    for kind in Kind::ALL {
        let schema: serde_json::Value = serde_json::from_str(&schema_text(kind)).expect("JSON");
        let mut keys = BTreeSet::new();
        collect_keys(&schema, &mut keys);
        assert!(keys.len() > 20, "{kind:?}: {keys:?}");
        for key in keys {
            assert!(named(&key), "the key {key} of a {} is not named", kind.word());
        }
    }
}

fn collect_keys(value: &serde_json::Value, keys: &mut BTreeSet<String>) {
    match value {
        serde_json::Value::Object(map) => {
            if let Some(serde_json::Value::Object(properties)) = map.get("properties") {
                keys.extend(properties.keys().cloned());
            }
            map.values().for_each(|value| collect_keys(value, keys));
        }
        serde_json::Value::Array(items) => items.iter().for_each(|value| collect_keys(value, keys)),
        _ => {}
    }
}

#[test]
fn the_examples_are_files_that_are_read_without_a_word() {
    let examples = blocks(&page(), "yaml");
    assert!(examples.len() >= 2);
    for text in examples {
        let (_, warnings) = check_file("example.yaml", &text)
            .unwrap_or_else(|mistakes| panic!("{}", mistakes.iter().map(ToString::to_string).collect::<String>()));
        assert_eq!(warnings, []);
    }
}

#[test]
fn the_message_shown_is_the_message_given() {
    let shown = blocks(&page(), "text").remove(0);
    let snapshot = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/broken/names-three-mistakes.yaml");
    let text = std::fs::read_to_string(snapshot).expect("the broken file");
    let mistakes = check_file("probe.yaml", &text).expect_err("three mistakes");
    assert_eq!(mistakes[2].to_string(), shown);
}

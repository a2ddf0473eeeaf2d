//! JSON Schemas for editors, made from the types that files decode into.

use schemars::generate::SchemaSettings;

use crate::{Kind, raw};

/// The JSON Schema (draft 2020-12) of a kind of file, as indented JSON with a
/// line's end.
///
/// A schema knows keys, shapes, words and units. What a file means as a whole
/// (names, moments, the order of time) only the parser checks.
pub fn schema_text(kind: Kind) -> String {
    let generator = SchemaSettings::draft2020_12().into_generator();
    let schema = match kind {
        Kind::Scenario => generator.into_root_schema_for::<raw::ScenarioFile>(),
        Kind::Bench => generator.into_root_schema_for::<raw::BenchFile>(),
        Kind::Kiln => generator.into_root_schema_for::<raw::KilnFile>(),
    };
    // A value of strings, numbers, lists and maps with text keys always prints.
    let mut text = serde_json::to_string_pretty(&schema).unwrap_or_default();
    text.push('\n');
    text
}

//! JSON Schemas for editors, made from the types that files decode into.

use schemars::generate::SchemaSettings;
use serde_json::Value;

use crate::{Kind, raw};

/// The JSON Schema (draft 2020-12) of a kind of file, as indented JSON with a
/// line's end.
///
/// A schema knows keys, shapes, words and units. What a file means as a whole
/// (names, moments, the order of time) only the parser checks.
pub fn schema_text(kind: Kind) -> String {
    let generator = SchemaSettings::draft2020_12().into_generator();
    let schema = match kind {
        Kind::Scenario => {
            let mut schema = generator.into_root_schema_for::<raw::ScenarioFile>();
            schema.as_object_mut().into_iter().for_each(with_swept_values);
            schema
        }
        Kind::Bench => generator.into_root_schema_for::<raw::BenchFile>(),
        Kind::Kiln => generator.into_root_schema_for::<raw::KilnFile>(),
    };
    // A value of strings, numbers, lists and maps with text keys always prints.
    let mut text = serde_json::to_string_pretty(&schema).unwrap_or_default();
    text.push('\n');
    text
}

/// Where a value of a sweep may stand in place of the value itself.
const SWEPT: &str = r"\$[a-z]";

/// Lets `$name` stand where a scenario has a word, a number or a quantity.
fn with_swept_values(schema: &mut serde_json::Map<String, Value>) {
    if schema.get("type") == Some(&Value::from("string"))
        && let Some(Value::String(pattern)) = schema.get_mut("pattern")
    {
        *pattern = format!("{pattern}|{SWEPT}");
    }
    let chosen = schema.contains_key("enum") || schema.get("type") == Some(&Value::from("integer"));
    let is_format = schema.get("maximum") == Some(&Value::from(1));
    if chosen && !is_format {
        let own = Value::Object(core::mem::take(schema));
        schema.insert("anyOf".to_owned(), serde_json::json!([own, { "type": "string", "pattern": SWEPT }]));
        return;
    }
    for (key, value) in schema.iter_mut() {
        // Neither the names of keys nor what a sweep itself is made of.
        if key != "propertyNames" && key != "Sweep" {
            below(value);
        }
    }
}

fn below(value: &mut Value) {
    match value {
        Value::Object(schema) => with_swept_values(schema),
        Value::Array(items) => items.iter_mut().for_each(below),
        _ => {}
    }
}

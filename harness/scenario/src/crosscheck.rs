//! The second reader: `serde_yaml` over the same text.
//!
//! A file means what both readers say. Where they differ, it is refused,
//! because another tool would understand it differently still.

use saphyr_parser::ScalarStyle;
use serde::de::DeserializeOwned;
use serde_yaml::Value;

use crate::Span;
use crate::diagnostic::{Diagnostic, DiagnosticKind};
use crate::source::{Source, quoted};
use crate::tree::{Content, Node, Scalar};

/// Holds the tree against what the other reader made of the text.
pub(crate) fn compare(source: &Source<'_>, root: &Node) -> Result<Value, Box<Diagnostic>> {
    let value: Value = serde_yaml::from_str(source.body()).map_err(|error| {
        let start = error.location().map_or(0, |location| location.index()) + source.body_start();
        disagreement(source, Span { start, end: start }, &format!("one of the two YAML readers refuses it: {error}"))
    })?;
    match difference(root, &value) {
        None => Ok(value),
        Some((span, text)) => Err(disagreement(source, span, &text)),
    }
}

/// Decodes into the file types behind the published schema. The tree was
/// accepted before, so a refusal here means that the two disagree.
pub(crate) fn decode<T: DeserializeOwned>(
    source: &Source<'_>,
    root: &Node,
    value: Value,
) -> Result<T, Box<Diagnostic>> {
    serde_yaml::from_value(value)
        .map_err(|error| disagreement(source, root.head(), &format!("the file's types refuse it: {error}")))
}

fn disagreement(source: &Source<'_>, span: Span, text: &str) -> Box<Diagnostic> {
    Box::new(source.diagnostic(
        DiagnosticKind::ReadersDisagree,
        span,
        format!("the file can be understood in two ways: {text}"),
        Some("write it more plainly: quotes around text, no `%` directives, spaces for indenting".to_owned()),
    ))
}

/// The first place where the tree and the value differ. Recursion is bounded
/// by the depth of the tree.
fn difference(node: &Node, value: &Value) -> Option<(Span, String)> {
    match (&node.content, value) {
        (Content::Sequence(items), Value::Sequence(values)) if items.len() == values.len() => {
            items.iter().zip(values).find_map(|(item, value)| difference(item, value))
        }
        (Content::Mapping(entries), Value::Mapping(values)) if entries.len() == values.len() => {
            entries.iter().zip(values).find_map(|(entry, (key, value))| {
                let same_key = key.as_str() == Some(&entry.key);
                if same_key {
                    difference(&entry.value, value)
                } else {
                    Some((entry.key_span, format!("the key {} is not plain text", quoted(&entry.key))))
                }
            })
        }
        (Content::Scalar(scalar), value) if scalar_agrees(scalar, value) => None,
        _ => Some((node.head(), "the two YAML readers find different values here".to_owned())),
    }
}

fn scalar_agrees(scalar: &Scalar, value: &Value) -> bool {
    match value {
        Value::String(text) => *text == scalar.text && (scalar.style != ScalarStyle::Plain || scalar.is_plain_text()),
        Value::Null => scalar.is_null(),
        Value::Bool(flag) => scalar.bool() == Some(*flag),
        Value::Number(number) => {
            scalar.style == ScalarStyle::Plain
                && scalar.text.parse::<f64>().ok().zip(number.as_f64()).is_some_and(|(a, b)| a == b)
        }
        _ => false,
    }
}

impl Scalar {
    /// Whether YAML takes it for nothing.
    pub(crate) fn is_null(&self) -> bool {
        self.style == ScalarStyle::Plain && matches!(&*self.text, "" | "~" | "null" | "Null" | "NULL")
    }

    /// Whether YAML takes it for a truth value.
    pub(crate) fn bool(&self) -> Option<bool> {
        match &*self.text {
            _ if self.style != ScalarStyle::Plain => None,
            "true" | "True" | "TRUE" => Some(true),
            "false" | "False" | "FALSE" => Some(false),
            _ => None,
        }
    }

    /// Whether YAML takes it for a number.
    pub(crate) fn is_number(&self) -> bool {
        if self.style != ScalarStyle::Plain {
            return false;
        }
        let unsigned = self.text.strip_prefix(['+', '-']).unwrap_or(&self.text);
        let special = matches!(unsigned.to_ascii_lowercase().as_str(), ".inf" | ".nan");
        let based = ["0x", "0o", "0b"].iter().any(|prefix| {
            unsigned.strip_prefix(prefix).is_some_and(|rest| rest.bytes().all(|byte| byte.is_ascii_hexdigit()))
        });
        let decimal = unsigned.starts_with(|first: char| first.is_ascii_digit() || first == '.')
            && unsigned.parse::<f64>().is_ok_and(f64::is_finite);
        // `007` is text by YAML 1.2, and `1e999` is no number that fits.
        let padded = unsigned.len() > 1 && unsigned.starts_with('0') && unsigned.bytes().all(|b| b.is_ascii_digit());
        special || based || (decimal && !padded)
    }

    /// Whether it is text to YAML, not a number, a truth value or nothing.
    pub(crate) fn is_plain_text(&self) -> bool {
        !(self.is_null() || self.bool().is_some() || self.is_number())
    }
}

//! One file, several scenarios: the values of a `sweep`, each put in its places.
//!
//! A sweep is worked out on the text, before a scenario is read from it: every
//! scenario that comes out has been through both readers like any other file.

use std::collections::BTreeSet;

use crate::diagnostic::{Diagnostic, DiagnosticKind};
use crate::reading::Reading;
use crate::source::{Source, quoted};
use crate::suggest::nearest;
use crate::tree::{Content, Entry, Node};
use crate::{Span, Spanned};

/// The most scenarios that one file gives.
pub const MAX_SWEEP_POINTS: usize = 64;

/// The most values that a sweep varies.
const MAX_NAMES: usize = 8;

/// The longest value.
const MAX_VALUE: usize = 40;

/// The key of a sweep.
pub(crate) const KEY: &str = "sweep";

/// Keys whose text is for people or for a controller: what begins with `$` there
/// is only taken for a value where a sweep names it.
const FREE_TEXT: [&str; 5] = ["why", "limits from", "covers alone", "console", "prompt"];

/// Keys of names: the same there in a file without a sweep.
const NAMES: [&str; 2] = ["scenario", "name"];

/// One scenario of a file with a sweep.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Point {
    /// The file with the values in their places.
    pub(crate) filled: String,
    /// The file with its sweep narrowed to this point: a file of its own that gives this scenario alone.
    pub(crate) narrowed: String,
    /// What is put behind the scenario's name: values that the name does not have already.
    pub(crate) behind_the_name: String,
    /// The values, in words.
    pub(crate) words: String,
}

/// A value that a sweep gives, and how it is written.
#[derive(Clone, Debug)]
struct Value<'t> {
    text: String,
    written: &'t str,
}

/// One combination: what is put in place of the sweep's list, and each name's value.
struct Combination<'t> {
    values: Vec<Value<'t>>,
    narrow: Vec<(Span, String)>,
}

/// A place where a name of the sweep stands.
struct Place {
    span: Span,
    name: usize,
    in_the_scenarios_name: bool,
}

/// The points of a file; `None` if it has no sweep.
///
/// # Errors
/// What is wrong with the sweep itself, or with a name that it does not give.
pub(crate) fn points(source: &Source<'_>, root: &Node) -> Result<Option<Vec<Point>>, Vec<Diagnostic>> {
    let mut reading = Reading::new(source);
    let sweep = entries(root).iter().find(|entry| entry.key == KEY);
    let found = sweep.and_then(|entry| read(&mut reading, source, &entry.value));
    let names: Vec<Spanned<String>> = found.as_ref().map(|(names, _)| names.clone()).unwrap_or_default();
    let mut places = Vec::new();
    if sweep.is_none() || found.is_some() {
        for entry in entries(root).iter().filter(|entry| entry.key != KEY) {
            walk(&mut reading, source, &names, entry, sweep.is_some(), &mut places);
        }
    }
    for (index, name) in names.iter().enumerate() {
        if !places.iter().any(|place: &Place| place.name == index) {
            reading.mistake(
                DiagnosticKind::Sweep,
                name.span,
                format!("nothing in the file uses {}, so every scenario would be the same", quoted(&name.value)),
                format!("write `${}` where the value belongs, or leave it out", name.value),
            );
        }
    }
    if reading.has_errors() {
        return Err(reading.finish(root));
    }
    let Some((names, combinations)) = found else { return Ok(None) };
    Ok(Some(combinations.into_iter().map(|one| point(source, &names, one, &places)).collect()))
}

fn entries(node: &Node) -> &[Entry] {
    match &node.content {
        Content::Mapping(entries) => entries,
        Content::Scalar(_) | Content::Sequence(_) => &[],
    }
}

fn point(source: &Source<'_>, names: &[Spanned<String>], one: Combination<'_>, places: &[Place]) -> Point {
    let fill = places.iter().map(|place| (place.span, one.values[place.name].text.clone()));
    let said = |index: usize| places.iter().any(|place| place.in_the_scenarios_name && place.name == index);
    let words = |wanted: &dyn Fn(usize) -> bool| {
        let all = names.iter().zip(&one.values).enumerate().filter(|(index, _)| wanted(*index));
        all.map(|(_, (name, value))| format!("{} {}", name.value, value.text)).collect::<Vec<_>>().join(", ")
    };
    Point {
        filled: replaced(source.text(), fill.collect()),
        behind_the_name: words(&|index| !said(index)),
        words: words(&|_| true),
        narrowed: replaced(source.text(), one.narrow),
    }
}

/// The text with other words at some places.
fn replaced(text: &str, mut places: Vec<(Span, String)>) -> String {
    places.sort_by_key(|(span, _)| span.start);
    let mut out = String::with_capacity(text.len());
    let mut from = 0;
    for (span, words) in places {
        out.push_str(text.get(from..span.start).unwrap_or_default());
        out.push_str(&words);
        from = span.end;
    }
    out.push_str(text.get(from..).unwrap_or_default());
    out
}

type Found<'t> = (Vec<Spanned<String>>, Vec<Combination<'t>>);

fn read<'t>(reading: &mut Reading<'_>, source: &Source<'t>, node: &Node) -> Option<Found<'t>> {
    let found = match &node.content {
        Content::Mapping(_) => every_combination(reading, source, node),
        Content::Sequence(_) => these_combinations(reading, source, node),
        Content::Scalar(_) => {
            reading.mistake_in(
                DiagnosticKind::WrongShape,
                node,
                format!("a sweep is written as names with their values, not as {}", node.shape()),
                "every combination: `sweep: { hot: [400 °C, 900 °C], zone: [1, 2] }`; chosen ones: \
                 `sweep: [{ hot: 400 °C, zone: 1 }, { hot: 900 °C, zone: 2 }]`"
                    .to_owned(),
            );
            None
        }
    }?;
    (!reading.has_errors()).then_some(found)
}

fn too_many(reading: &mut Reading<'_>, node: &Node, points: usize) {
    reading.mistake_in(
        DiagnosticKind::Sweep,
        node,
        format!("the sweep gives {points} scenarios; a file gives at most {MAX_SWEEP_POINTS}"),
        "list the combinations that matter, or divide them among files".to_owned(),
    );
}

/// `{ hot: [400 °C, 900 °C], zone: [1, 2] }`
fn every_combination<'t>(reading: &mut Reading<'_>, source: &Source<'t>, node: &Node) -> Option<Found<'t>> {
    let names = names(reading, node)?;
    let mut lists = Vec::new();
    let mut count = 1_usize;
    for entry in entries(node) {
        let items = reading.items(&entry.value, &format!("what the sweep gives {}", quoted(&entry.key)))?;
        if items.is_empty() {
            reading.mistake(
                DiagnosticKind::Empty,
                entry.key_span,
                format!("the sweep gives no value to {}", quoted(&entry.key)),
                format!("for example `{}: [400 °C, 900 °C]`", entry.key),
            );
            return None;
        }
        count = count.saturating_mul(items.len());
        lists.push((&entry.value, items));
    }
    if count > MAX_SWEEP_POINTS {
        too_many(reading, node, count);
        return None;
    }
    let mut combinations = vec![Combination { values: Vec::new(), narrow: Vec::new() }];
    for (list, items) in lists {
        let values: Vec<Value<'t>> = items.iter().filter_map(|item| value(reading, source, item)).collect();
        different(reading, items, &values);
        combinations = combinations
            .iter()
            .flat_map(|so_far| {
                values.iter().map(|value| {
                    let mut values = so_far.values.clone();
                    values.push(value.clone());
                    let mut narrow = so_far.narrow.clone();
                    narrow.push((list.span, in_its_list(source, list, value.written)));
                    Combination { values, narrow }
                })
            })
            .collect();
    }
    Some((names, combinations))
}

/// `[{ hot: 400 °C, zone: 1 }, { hot: 900 °C, zone: 2 }]`
fn these_combinations<'t>(reading: &mut Reading<'_>, source: &Source<'t>, node: &Node) -> Option<Found<'t>> {
    let Content::Sequence(items) = &node.content else { return None };
    if items.is_empty() || items.len() > MAX_SWEEP_POINTS {
        too_many(reading, node, items.len());
        return None;
    }
    let mut first = names(reading, items.first()?)?;
    // In the order of the alphabet, so that each combination has the same name alone as among the others.
    first.sort_by(|one, other| one.value.cmp(&other.value));
    let mut combinations = Vec::new();
    let mut seen = BTreeSet::new();
    for item in items {
        let own = names(reading, item)?;
        let missing = first.iter().find(|name| own.iter().all(|other| other.value != name.value));
        let strange = own.iter().find(|name| first.iter().all(|other| other.value != name.value));
        if let Some(name) = missing.or(strange) {
            reading.mistake_in(
                DiagnosticKind::Sweep,
                item,
                format!("every combination of a sweep gives the same values, and here {} differs", quoted(&name.value)),
                format!(
                    "the first one gives {}",
                    first.iter().map(|n| n.value.as_str()).collect::<Vec<_>>().join(", ")
                ),
            );
            return None;
        }
        let values: Option<Vec<Value<'t>>> = first
            .iter()
            .map(|name| {
                let entry = entries(item).iter().find(|entry| entry.key == name.value)?;
                value(reading, source, &entry.value)
            })
            .collect();
        let values = values?;
        if !seen.insert(values.iter().map(|value| value.text.clone()).collect::<Vec<_>>()) {
            twice(reading, item, "this combination");
        }
        let narrow = vec![(node.span, in_its_list(source, node, source.slice(item.span)))];
        combinations.push(Combination { values, narrow });
    }
    Some((first, combinations))
}

/// One item alone, in the brackets of its list where it has some.
fn in_its_list(source: &Source<'_>, list: &Node, item: &str) -> String {
    if source.slice(list.span).starts_with('[') { format!("[{item}]") } else { item.to_owned() }
}

/// The names that a sweep gives values to.
fn names(reading: &mut Reading<'_>, node: &Node) -> Option<Vec<Spanned<String>>> {
    let entries = match &node.content {
        Content::Mapping(entries) if !entries.is_empty() && entries.len() <= MAX_NAMES => entries,
        _ => {
            reading.mistake_in(
                DiagnosticKind::Sweep,
                node,
                format!("a sweep gives values to 1 to {MAX_NAMES} names"),
                "for example `hot: [400 °C, 900 °C]`; the value is then used as `$hot`".to_owned(),
            );
            return None;
        }
    };
    for entry in entries {
        let good = entry.key.len() <= 24 && name_length(&entry.key) == entry.key.len();
        if !good {
            reading.mistake(
                DiagnosticKind::BadName,
                entry.key_span,
                format!("{} is no name for a value of a sweep", quoted(&entry.key)),
                "a name is one word of lower-case letters, digits and hyphens, and begins with a letter: `hot`"
                    .to_owned(),
            );
            return None;
        }
    }
    Some(entries.iter().map(|entry| Spanned { value: entry.key.clone(), span: entry.key_span }).collect())
}

/// How much of a text is a name.
fn name_length(text: &str) -> usize {
    let inner = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
    if !text.starts_with(|c: char| c.is_ascii_lowercase()) {
        return 0;
    }
    let length = text.find(|c: char| !inner(c)).unwrap_or(text.len());
    // `$zone-` at the end of a word is the name and a hyphen.
    text[..length].trim_end_matches('-').len()
}

fn value<'t>(reading: &mut Reading<'_>, source: &Source<'t>, node: &Node) -> Option<Value<'t>> {
    let scalar = reading.scalar(node, "a value of a sweep")?;
    let plain = |c: char| c.is_alphanumeric() || " °/.%+-−µ_<>=()".contains(c);
    let text = scalar.text.trim().to_owned();
    if text.is_empty() || text.chars().count() > MAX_VALUE || !text.chars().all(plain) {
        reading.mistake(
            DiagnosticKind::Sweep,
            node.span,
            format!("{} is no value of a sweep", quoted(&scalar.text)),
            format!("a value is a word or a quantity of at most {MAX_VALUE} characters: `400 °C`, `top`, `1 h 30 min`"),
        );
        return None;
    }
    Some(Value { text, written: source.slice(node.span) })
}

fn different(reading: &mut Reading<'_>, items: &[Node], values: &[Value<'_>]) {
    let mut seen = BTreeSet::new();
    for (item, value) in items.iter().zip(values) {
        if !seen.insert(value.text.as_str()) {
            twice(reading, item, &quoted(&value.text));
        }
    }
}

fn twice(reading: &mut Reading<'_>, node: &Node, what: &str) {
    reading.mistake_in(
        DiagnosticKind::DuplicateName,
        node,
        format!("the sweep has {what} a second time"),
        "two scenarios of the same name could not be told apart".to_owned(),
    );
}

/// The places where names of the sweep stand in an entry.
fn walk(
    reading: &mut Reading<'_>,
    source: &Source<'_>,
    names: &[Spanned<String>],
    entry: &Entry,
    swept: bool,
    places: &mut Vec<Place>,
) {
    let mut to_do = vec![(&entry.value, entry.key.as_str())];
    while let Some((node, key)) = to_do.pop() {
        match &node.content {
            Content::Sequence(items) => to_do.extend(items.iter().map(|item| (item, key))),
            Content::Mapping(entries) => to_do.extend(entries.iter().map(|entry| (&entry.value, entry.key.as_str()))),
            Content::Scalar(_) => {
                let written = source.slice(node.span);
                for (at, _) in written.match_indices('$') {
                    let start = node.span.start + at;
                    let length = name_length(&written[at + 1..]);
                    let name = &written[at + 1..at + 1 + length];
                    let span = Span { start, end: start + 1 + length };
                    let in_the_scenarios_name = entry.key == "scenario";
                    match names.iter().position(|known| known.value == name) {
                        Some(name) => places.push(Place { span, name, in_the_scenarios_name }),
                        None if length == 0 || FREE_TEXT.contains(&key) || (!swept && NAMES.contains(&key)) => {}
                        None => unknown(reading, names, span, name, swept),
                    }
                }
            }
        }
    }
}

fn unknown(reading: &mut Reading<'_>, names: &[Spanned<String>], span: Span, name: &str, swept: bool) {
    let known = names.iter().map(|name| name.value.as_str());
    let (message, hint) = match nearest(name, known.clone()) {
        _ if !swept => (
            format!("{} wants a value from a sweep, and the file has none", quoted(&format!("${name}"))),
            format!("for example `sweep: {{ {name}: [400 °C, 900 °C] }}` above the script"),
        ),
        Some(near) => (format!("the sweep gives no value to {}", quoted(name)), format!("did you mean `${near}`?")),
        None => (
            format!("the sweep gives no value to {}", quoted(name)),
            format!("its names are {}", known.collect::<Vec<_>>().join(", ")),
        ),
    };
    reading.mistake(DiagnosticKind::Sweep, span, message, hint);
}

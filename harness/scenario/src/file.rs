//! From the text of a file to a checked value or a list of mistakes.

use dryfire_kiln::KilnDescription;
use serde::de::DeserializeOwned;

use crate::diagnostic::{Diagnostic, DiagnosticKind, Severity};
use crate::reading::{LONGEST_NAME, Reading, bench, kiln, scenario};
use crate::source::{MAX_FILE_BYTES, Source, quoted};
use crate::tree::{Content, Node};
use crate::{Bench, Scenario, crosscheck, raw, sweep, tree};

/// The version of the format that this crate reads.
pub const FORMAT: i64 = 1;

/// What a file describes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Kind {
    /// What is done to a controller, and what has to be seen.
    Scenario,
    /// How a controller is wired, and what it promises.
    Bench,
    /// What a kiln is made of.
    Kiln,
}

impl Kind {
    /// Every kind.
    pub const ALL: [Kind; 3] = [Kind::Scenario, Kind::Bench, Kind::Kiln];

    /// Its word, which is also the key by which a file of it is known.
    pub fn word(self) -> &'static str {
        match self {
            Kind::Scenario => "scenario",
            Kind::Bench => "bench",
            Kind::Kiln => "kiln",
        }
    }
}

/// What is in a file, after reading it.
#[derive(Clone, Debug, PartialEq)]
pub enum Checked {
    /// A scenario, or the several that a sweep gives.
    Scenarios(Vec<FromFile>),
    /// A bench.
    Bench(Box<Bench>),
    /// A kiln.
    Kiln(KilnDescription),
}

impl Checked {
    /// What the file describes.
    pub fn kind(&self) -> Kind {
        match self {
            Checked::Scenarios(_) => Kind::Scenario,
            Checked::Bench(_) => Kind::Bench,
            Checked::Kiln(_) => Kind::Kiln,
        }
    }
}

/// Reads a file of any kind; which one follows from its keys: a scenario has
/// the key `scenario`, a bench `bench`, and a kiln neither but `kiln`.
///
/// # Errors
/// As [`parse_scenario`].
pub fn check_file(file: &str, text: &str) -> Result<(Checked, Vec<Diagnostic>), Vec<Diagnostic>> {
    let source = source(file, text)?;
    let root = tree::build(&source)?;
    Ok(match kind_of(&source, &root)? {
        Kind::Scenario => {
            let (values, warnings) = scenarios(&source, &root)?;
            (Checked::Scenarios(values), warnings)
        }
        Kind::Bench => {
            let (value, warnings) = checked::<_, raw::BenchFile>(&source, &root, bench::read)?;
            (Checked::Bench(Box::new(value)), warnings)
        }
        Kind::Kiln => {
            let (value, warnings) = checked::<_, raw::KilnFile>(&source, &root, kiln::read)?;
            (Checked::Kiln(value), warnings)
        }
    })
}

fn kind_of(source: &Source<'_>, root: &Node) -> Result<Kind, Vec<Diagnostic>> {
    let keys: Vec<&str> = match &root.content {
        Content::Mapping(entries) => entries.iter().map(|entry| entry.key.as_str()).collect(),
        Content::Scalar(_) | Content::Sequence(_) => Vec::new(),
    };
    // A bench file names its kiln under the key that begins a kiln file.
    if let Some(kind) = Kind::ALL.into_iter().find(|kind| keys.contains(&kind.word())) {
        return Ok(kind);
    }
    // With that key misspelt, the file is that of which it has the most keys.
    let count = |known: &[&str]| keys.iter().filter(|key| known.contains(*key) && **key != "format").count();
    let likely =
        [(Kind::Scenario, count(scenario::KEYS)), (Kind::Bench, count(bench::KEYS)), (Kind::Kiln, count(kiln::KEYS))];
    match likely.into_iter().rev().max_by_key(|(_, count)| *count) {
        Some((kind, count)) if count > 0 => Ok(kind),
        _ => Err(vec![source.diagnostic(
            DiagnosticKind::UnknownFile,
            root.head(),
            "this is no scenario, no bench and no kiln",
            Some("the second line says what it is: `scenario:`, `bench:` or `kiln:` and a name".to_owned()),
        )]),
    }
}

/// A scenario and the text that gives it.
#[derive(Clone, Debug, PartialEq)]
pub struct FromFile {
    /// The scenario.
    pub scenario: Scenario,
    /// A text that gives this scenario and no other: that of the file, its sweep narrowed to one point.
    pub text: String,
    /// The text that the scenario's places count in: that of the file, with the values of the sweep in their places.
    pub filled: String,
}

/// Reads a scenario file, which gives several scenarios if it has a sweep.
///
/// `file` is its name for messages; the text is that of the whole file.
///
/// # Errors
/// Every mistake found, warnings among them, in the order of the file. A file
/// with nothing but warnings is read.
pub fn parse_scenarios(file: &str, text: &str) -> Result<(Vec<FromFile>, Vec<Diagnostic>), Vec<Diagnostic>> {
    let source = source(file, text)?;
    let root = tree::build(&source)?;
    scenarios(&source, &root)
}

/// Reads a scenario file that gives one scenario.
///
/// # Errors
/// As [`parse_scenarios`]; and if a sweep gives more than one.
pub fn parse_scenario(file: &str, text: &str) -> Result<(Scenario, Vec<Diagnostic>), Vec<Diagnostic>> {
    let (mut found, warnings) = parse_scenarios(file, text)?;
    let count = found.len();
    match found.pop() {
        Some(only) if count == 1 => Ok((only.scenario, warnings)),
        _ => Err(vec![Source::new(file, text).diagnostic(
            DiagnosticKind::Sweep,
            crate::Span { start: 0, end: 0 },
            format!("the sweep gives {count} scenarios, and one is wanted here"),
            Some("leave one value of each".to_owned()),
        )]),
    }
}

/// More mistakes than this are not listed for all scenarios of a file together.
const MAX_LISTED: usize = 50;

fn scenarios(source: &Source<'_>, root: &Node) -> Result<(Vec<FromFile>, Vec<Diagnostic>), Vec<Diagnostic>> {
    let Some(points) = sweep::points(source, root)? else {
        let (scenario, warnings) = checked::<_, raw::ScenarioFile>(source, root, scenario::read)?;
        let text = source.text().to_owned();
        return Ok((vec![FromFile { scenario, filled: text.clone(), text }], warnings));
    };
    let (mut found, mut told, mut refused): (Vec<FromFile>, Vec<Diagnostic>, bool) = (Vec::new(), Vec::new(), false);
    for point in points {
        let filled = Source::new(source.file(), &point.filled);
        let read = |reading: &mut Reading<'_>, root: &Node| {
            let mut scenario = scenario::read(reading, root)?;
            name_point(reading, root, &mut scenario, &point);
            Some(scenario)
        };
        let result = tree::build(&filled).and_then(|root| checked::<_, raw::ScenarioFile>(&filled, &root, read));
        let mistakes = match result {
            Ok((scenario, warnings)) => {
                found.push(FromFile { scenario, text: point.narrowed, filled: point.filled });
                warnings
            }
            Err(mistakes) => {
                refused = true;
                mistakes
            }
        };
        for mut mistake in mistakes {
            // What is wrong whatever the values is told once.
            let same = |other: &Diagnostic| {
                (other.line, other.kind, &other.message) == (mistake.line, mistake.kind, &mistake.message)
            };
            if !told.iter().any(same) {
                let where_ = format!("found with {}", point.words);
                mistake.hint = Some(mistake.hint.map_or(where_.clone(), |hint| format!("{hint} ({where_})")));
                told.push(mistake);
            }
        }
    }
    if refused {
        told.sort_by_key(|mistake| (mistake.severity != Severity::Error, mistake.line));
        told.truncate(MAX_LISTED);
        told.sort_by_key(|mistake| mistake.line);
        return Err(told);
    }
    Ok((found, told))
}

/// Puts the values of a sweep behind the scenario's name.
fn name_point(reading: &mut Reading<'_>, root: &Node, scenario: &mut Scenario, point: &sweep::Point) {
    if point.behind_the_name.is_empty() {
        return;
    }
    scenario.name = format!("{} ({})", scenario.name, point.behind_the_name);
    let length = scenario.name.chars().count();
    if length > LONGEST_NAME {
        reading.mistake_in(
            DiagnosticKind::BadName,
            root,
            format!(
                "with the values of the sweep behind it the scenario's name is {length} characters long; at most \
                 {LONGEST_NAME} fit into a report"
            ),
            "shorten it, or use the values within it, as `$name`".to_owned(),
        );
    }
}

/// Reads a bench file.
///
/// # Errors
/// As [`parse_scenario`].
pub fn parse_bench(file: &str, text: &str) -> Result<(Bench, Vec<Diagnostic>), Vec<Diagnostic>> {
    parse::<Bench, raw::BenchFile>(file, text, bench::read)
}

/// Reads a kiln file.
///
/// # Errors
/// As [`parse_scenario`].
pub fn parse_kiln(file: &str, text: &str) -> Result<(KilnDescription, Vec<Diagnostic>), Vec<Diagnostic>> {
    parse::<KilnDescription, raw::KilnFile>(file, text, kiln::read)
}

fn parse<T, R: DeserializeOwned>(
    file: &str,
    text: &str,
    read: impl FnOnce(&mut Reading<'_>, &Node) -> Option<T>,
) -> Result<(T, Vec<Diagnostic>), Vec<Diagnostic>> {
    let source = source(file, text)?;
    let root = tree::build(&source)?;
    checked::<T, R>(&source, &root, read)
}

/// The text as a source, if it is not too long.
fn source<'t>(file: &'t str, text: &'t str) -> Result<Source<'t>, Vec<Diagnostic>> {
    if text.len() as u64 > MAX_FILE_BYTES {
        return Err(vec![Diagnostic::too_large(file, text.len() as u64)]);
    }
    Ok(Source::new(file, text))
}

fn checked<T, R: DeserializeOwned>(
    source: &Source<'_>,
    root: &Node,
    read: impl FnOnce(&mut Reading<'_>, &Node) -> Option<T>,
) -> Result<(T, Vec<Diagnostic>), Vec<Diagnostic>> {
    let mut reading = Reading::new(source);
    let value = if format(&mut reading, root) { read(&mut reading, root) } else { None };
    let refused = reading.has_errors() || value.is_none();
    let mut mistakes = reading.finish(root);
    if !refused {
        let second = crosscheck::compare(source, root).and_then(|value| crosscheck::decode::<R>(source, root, value));
        if let Err(disagreement) = second {
            mistakes.push(*disagreement);
            return Err(mistakes);
        }
    }
    match value {
        Some(value) if !refused => {
            debug_assert!(mistakes.iter().all(|mistake| mistake.severity == Severity::Warning));
            Ok((value, mistakes))
        }
        _ => Err(mistakes),
    }
}

/// Whether the file is of a version that can be read; reports it if not.
fn format(reading: &mut Reading<'_>, root: &Node) -> bool {
    let Content::Mapping(entries) = &root.content else {
        reading.mistake_in(
            DiagnosticKind::WrongShape,
            root,
            format!("a file is written as keys and values, not as {}", root.shape()),
            "it begins with `format: 1`".to_owned(),
        );
        return false;
    };
    let Some(entry) = entries.iter().find(|entry| entry.key == "format") else {
        reading.mistake_in(
            DiagnosticKind::MissingKey,
            root,
            "the file does not say which version of the format it is written in",
            format!("begin it with `format: {FORMAT}`"),
        );
        // The rest can be read all the same.
        return true;
    };
    match &entry.value.content {
        Content::Scalar(scalar) if scalar.text == FORMAT.to_string() && scalar.is_number() => true,
        Content::Scalar(scalar) => {
            reading.mistake(
                DiagnosticKind::UnknownFormat,
                entry.value.span,
                format!("{} is no version of the format that can be read here", quoted(&scalar.text)),
                format!("this program reads `format: {FORMAT}`, without quotes"),
            );
            false
        }
        _ => {
            reading.mistake_in(
                DiagnosticKind::UnknownFormat,
                &entry.value,
                "the version of the format is a number",
                format!("write `format: {FORMAT}`"),
            );
            false
        }
    }
}

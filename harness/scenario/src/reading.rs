//! What the readers of the three kinds of file share: collecting mistakes and
//! taking values out of the tree.

pub(crate) mod bench;
pub(crate) mod expectation;
pub(crate) mod feedback;
pub(crate) mod instant;
pub(crate) mod kiln;
pub(crate) mod limiter;
pub(crate) mod meaning;
pub(crate) mod old_parts;
pub(crate) mod operating;
pub(crate) mod pattern;
pub(crate) mod scenario;
pub(crate) mod script;
pub(crate) mod set_point;
pub(crate) mod stimulus;
pub(crate) mod timeline;
pub(crate) mod uncertainty;
pub(crate) mod wiring;

use crate::diagnostic::{Diagnostic, DiagnosticKind, Severity};
use crate::source::{Source, quoted};
use crate::suggest::{either, nearest};
use crate::text::ScalarText;
use crate::tree::{Content, Entry, Node, Scalar};
use crate::words::Mistake;
use crate::{Span, Spanned};

use saphyr_parser::ScalarStyle;

/// Longer sentences are not read.
const MAX_SENTENCE: usize = 2_000;

/// The longest name, in characters.
pub(crate) const LONGEST_NAME: usize = 120;

/// More mistakes than this are not listed.
const MAX_MISTAKES: usize = 50;

/// More than this are not even collected.
const MAX_COLLECTED: usize = 500;

/// A reading in progress. Reading functions give `None` where they have
/// reported a mistake, so that the rest of the file is still read.
pub(crate) struct Reading<'s> {
    pub(crate) source: &'s Source<'s>,
    /// Whether some step's name could not be read, so that others cannot be called unknown.
    pub(crate) names_uncertain: bool,
    /// Mistakes, each with the place that its key path leads to.
    mistakes: Vec<(Diagnostic, Span)>,
}

impl<'s> Reading<'s> {
    pub(crate) fn new(source: &'s Source<'s>) -> Self {
        Reading { source, names_uncertain: false, mistakes: Vec::new() }
    }

    /// Reports a mistake at a place.
    pub(crate) fn mistake(
        &mut self,
        kind: DiagnosticKind,
        span: Span,
        message: impl Into<String>,
        hint: impl Into<Option<String>>,
    ) {
        self.collect(self.source.diagnostic(kind, span, message, hint.into()), span);
    }

    /// Reports a mistake about a value as a whole, marked at its head.
    pub(crate) fn mistake_in(
        &mut self,
        kind: DiagnosticKind,
        node: &Node,
        message: impl Into<String>,
        hint: impl Into<Option<String>>,
    ) {
        self.collect(self.source.diagnostic(kind, node.head(), message, hint.into()), node.span);
    }

    fn collect(&mut self, mistake: Diagnostic, place: Span) {
        // An error always finds room, or a file full of warnings could hide it.
        if self.mistakes.len() < MAX_COLLECTED || (mistake.severity == Severity::Error && !self.has_errors()) {
            self.mistakes.push((mistake, place));
        }
    }

    /// Reports a mistake in the words of a text.
    pub(crate) fn mistake_in_text(&mut self, text: &ScalarText, mistake: Mistake) {
        let span = text.span(mistake.range.clone());
        self.mistake(mistake.kind, span, mistake.message, mistake.hint);
    }

    /// Whether something was found that refuses the file.
    pub(crate) fn has_errors(&self) -> bool {
        self.mistakes.iter().any(|(mistake, _)| mistake.severity == Severity::Error)
    }

    /// The mistakes in the order of the file, with their key paths.
    pub(crate) fn finish(self, root: &Node) -> Vec<Diagnostic> {
        let mut mistakes: Vec<Diagnostic> = self
            .mistakes
            .into_iter()
            .map(|(mut mistake, place)| {
                mistake.key_path = root.key_path(place);
                mistake
            })
            .collect();
        mistakes.sort_by_key(|mistake| (mistake.span.start, mistake.span.end));
        mistakes.dedup();
        if mistakes.len() > MAX_MISTAKES {
            // Errors before warnings, so that the one that refuses the file is never cut off.
            mistakes.sort_by_key(|mistake| mistake.severity != Severity::Error);
            mistakes.truncate(MAX_MISTAKES);
            mistakes.sort_by_key(|mistake| (mistake.span.start, mistake.span.end));
        }
        mistakes
    }

    /// The keys and values of a mapping; unknown keys are reported.
    pub(crate) fn fields<'n>(&mut self, node: &'n Node, what: &str, known: &[&str]) -> Option<Fields<'n>> {
        let Content::Mapping(entries) = &node.content else {
            self.mistake_in(
                DiagnosticKind::WrongShape,
                node,
                format!("{what} is written as keys and values, not as {}", node.shape()),
                format!("its keys are {}", known.join(", ")),
            );
            return None;
        };
        let mut strangers = Vec::new();
        for entry in entries {
            if !known.contains(&entry.key.as_str()) {
                strangers.push(entry.key.as_str());
                if strangers.len() > MAX_MISTAKES {
                    break;
                }
                let hint = match nearest(&entry.key, known.iter().copied()) {
                    Some(word) => format!("did you mean `{word}`?"),
                    None => format!("its keys are {}", known.join(", ")),
                };
                self.mistake(
                    DiagnosticKind::UnknownKey,
                    entry.key_span,
                    format!("{what} has no key {}", quoted(&entry.key)),
                    hint,
                );
            }
        }
        Some(Fields { node, entries, strangers })
    }

    /// A value that has to be there.
    pub(crate) fn require<'n>(
        &mut self,
        fields: &Fields<'n>,
        key: &str,
        what: &str,
        example: &str,
    ) -> Option<&'n Node> {
        let found = fields.get(key);
        // A misspelt key is reported as such and not a second time as missing.
        if found.is_none() && !fields.strangers.iter().any(|stranger| nearest(stranger, [key]).is_some()) {
            self.mistake_in(
                DiagnosticKind::MissingKey,
                fields.node,
                format!("{what} lacks the key `{key}`"),
                format!("for example `{key}: {example}`"),
            );
        }
        found
    }

    /// The items of a list.
    pub(crate) fn items<'n>(&mut self, node: &'n Node, what: &str) -> Option<&'n [Node]> {
        match &node.content {
            Content::Sequence(items) => Some(items),
            _ => {
                self.mistake_in(
                    DiagnosticKind::WrongShape,
                    node,
                    format!("{what} is written as a list, not as {}", node.shape()),
                    "a list has one item a line, each after `- `, or stands in brackets: `[one, two]`".to_owned(),
                );
                None
            }
        }
    }

    /// A text that is no number, truth value or nothing to YAML.
    pub(crate) fn scalar<'n>(&mut self, node: &'n Node, what: &str) -> Option<&'n Scalar> {
        let Content::Scalar(scalar) = &node.content else {
            self.mistake_in(
                DiagnosticKind::WrongShape,
                node,
                format!("{what} is a text, not {}", node.shape()),
                "put text with brackets, braces, `: ` or ` #` into quotes".to_owned(),
            );
            return None;
        };
        if scalar.is_null() || scalar.text.trim().is_empty() {
            self.mistake(
                DiagnosticKind::Empty,
                node.span,
                format!("{what} is left empty"),
                "write it after the colon".to_owned(),
            );
            return None;
        }
        Some(scalar)
    }

    /// A text in words, for people.
    pub(crate) fn prose(&mut self, node: &Node, what: &str) -> Option<String> {
        let scalar = self.scalar(node, what)?;
        if !scalar.is_plain_text() {
            self.mistake(
                DiagnosticKind::WrongShape,
                node.span,
                format!("{what} is a text, but YAML takes {} for a number or a truth value", quoted(&scalar.text)),
                format!("put it into quotes: \"{}\"", scalar.text),
            );
            return None;
        }
        Some(scalar.text.trim_end().to_owned())
    }

    /// A name on one line; warns where YAML takes the end of it for a comment.
    pub(crate) fn name(&mut self, node: &Node, what: &str) -> Option<String> {
        let name = self.prose(node, what)?;
        let scalar = self.scalar(node, what)?;
        if name.contains(['\n', '\r']) || name.chars().any(char::is_control) {
            self.mistake(
                DiagnosticKind::BadName,
                node.span,
                format!("{what} goes over more than one line"),
                "names stand on one line; explanations belong to `why`".to_owned(),
            );
            return None;
        }
        if name.chars().count() > LONGEST_NAME {
            self.mistake(
                DiagnosticKind::BadName,
                node.span,
                format!("{what} is {} characters long; at most {LONGEST_NAME} fit into a report", name.chars().count()),
                None,
            );
            return None;
        }
        let rest = self.source.rest_of_line(node.span.end);
        let blanks = rest.len() - rest.trim_start().len();
        if scalar.style == ScalarStyle::Plain && blanks > 0 && rest[blanks..].starts_with('#') {
            let start = node.span.end + blanks;
            self.mistake(
                DiagnosticKind::CommentInName,
                Span { start, end: start + rest[blanks..].trim_end().len() },
                format!("{what} ends here: YAML takes what follows for a comment"),
                "put the whole name into quotes, or the comment on a line of its own".to_owned(),
            );
        }
        Some(name)
    }

    /// One of a few words.
    pub(crate) fn one_of<T: Copy>(&mut self, node: &Node, what: &str, choices: &[(&str, T)]) -> Option<T> {
        let scalar = self.scalar(node, what)?;
        if let Some((_, value)) = choices.iter().find(|(word, _)| *word == scalar.text) {
            return Some(*value);
        }
        let words: Vec<&str> = choices.iter().map(|(word, _)| *word).collect();
        let hint = match nearest(&scalar.text, words.iter().copied()) {
            Some(word) => format!("did you mean `{word}`?"),
            None => format!("write {}", either(&words)),
        };
        self.mistake(
            DiagnosticKind::UnknownWord,
            node.span,
            format!("{what} cannot be {}", quoted(&scalar.text)),
            hint,
        );
        None
    }

    /// A whole number in a range.
    pub(crate) fn integer(&mut self, node: &Node, what: &str, least: i64, most: i64) -> Option<i64> {
        let scalar = self.scalar(node, what)?;
        let whole = scalar.style == ScalarStyle::Plain
            && scalar.text.len() <= 12
            && scalar.text.bytes().enumerate().all(|(at, byte)| byte.is_ascii_digit() || (at == 0 && byte == b'-'))
            && !scalar.is_plain_text();
        let Some(number) = whole.then(|| scalar.text.parse::<i64>().ok()).flatten() else {
            self.mistake(
                DiagnosticKind::BadQuantity,
                node.span,
                format!("{what} is a whole number, not {}", quoted(&scalar.text)),
                format!("write a number from {least} to {most}, without quotes or unit"),
            );
            return None;
        };
        if !(least..=most).contains(&number) {
            self.mistake(
                DiagnosticKind::OutOfRange,
                node.span,
                format!("{what} cannot be {number}"),
                format!("write a number from {least} to {most}"),
            );
            return None;
        }
        Some(number)
    }

    /// A text that is read word by word; none written over several lines with `|` or `>`.
    pub(crate) fn sentence(&mut self, node: &Node, what: &str) -> Option<ScalarText> {
        let scalar = self.scalar(node, what)?;
        if matches!(scalar.style, ScalarStyle::Literal | ScalarStyle::Folded) {
            self.mistake(
                DiagnosticKind::WrongShape,
                Span { start: node.span.start, end: node.span.start + 1 },
                format!("{what} is written as a block of lines"),
                "write it on the same line as its key, without `|` or `>`".to_owned(),
            );
            return None;
        }
        let length = scalar.text.chars().count();
        if length > MAX_SENTENCE {
            self.mistake(
                DiagnosticKind::OutOfRange,
                node.span,
                format!("{what} is {length} characters long; at most {MAX_SENTENCE} are read"),
                "split it into several".to_owned(),
            );
            return None;
        }
        Some(ScalarText::of(self.source, node.span, scalar))
    }

    /// A sentence read by a parser of words.
    pub(crate) fn parse<T>(
        &mut self,
        node: &Node,
        what: &str,
        parser: impl FnOnce(&ScalarText) -> Result<T, Mistake>,
    ) -> Option<T> {
        let text = self.sentence(node, what)?;
        match parser(&text) {
            Ok(value) => Some(value),
            Err(mistake) => {
                self.mistake_in_text(&text, mistake);
                None
            }
        }
    }

    /// Reports a name that was given before.
    pub(crate) fn unique<'v>(&mut self, what: &str, names: impl IntoIterator<Item = &'v Spanned<String>>) {
        let mut seen: std::collections::HashMap<&str, Span> = std::collections::HashMap::new();
        for name in names {
            match seen.get(name.value.as_str()) {
                Some(first) => {
                    let line = self.source.line(first.start);
                    self.mistake(
                        DiagnosticKind::DuplicateName,
                        name.span,
                        format!("{what} {} is given a second time; the first is on line {line}", quoted(&name.value)),
                        "each of them has to be different".to_owned(),
                    );
                }
                None => {
                    seen.insert(&name.value, name.span);
                }
            }
        }
    }
}

/// The keys and values of a mapping.
pub(crate) struct Fields<'n> {
    pub(crate) node: &'n Node,
    entries: &'n [Entry],
    /// Keys that do not belong there.
    strangers: Vec<&'n str>,
}

impl<'n> Fields<'n> {
    /// The value of a key.
    pub(crate) fn get(&self, key: &str) -> Option<&'n Node> {
        self.entry(key).map(|entry| &entry.value)
    }

    /// A key and its value.
    pub(crate) fn entry(&self, key: &str) -> Option<&'n Entry> {
        self.entries.iter().find(|entry| entry.key == key)
    }

    /// Whether there are keys that do not belong there.
    pub(crate) fn has_strangers(&self) -> bool {
        !self.strangers.is_empty()
    }

    /// Those of the keys that are there, in the order of the file.
    pub(crate) fn among(&self, keys: &[&str]) -> Vec<&'n Entry> {
        self.entries.iter().filter(|entry| keys.contains(&entry.key.as_str())).collect()
    }
}

impl Node {
    /// What the value is, in words.
    pub(crate) fn shape(&self) -> &'static str {
        match &self.content {
            Content::Scalar(scalar) if scalar.is_null() => "nothing",
            Content::Scalar(_) => "a single text",
            Content::Sequence(_) => "a list",
            Content::Mapping(_) => "keys and values",
        }
    }
}

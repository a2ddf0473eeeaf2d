//! The text of one file, and how bytes become lines and columns.

use crate::Span;
use crate::diagnostic::{Diagnostic, DiagnosticKind, Excerpt};

/// Files longer than this are refused unread.
///
/// The longest file of the library is a few kilobytes; a reader that accepts
/// megabytes invites files that take seconds and gigabytes to take apart.
pub const MAX_FILE_BYTES: u64 = 256 * 1024;

/// At most so many characters of a line are shown around a mistake.
const EXCERPT_CHARACTERS: usize = 110;

/// The text of one file.
#[derive(Debug)]
pub(crate) struct Source<'t> {
    file: &'t str,
    text: &'t str,
    /// Where the content begins: after the byte-order mark, if there is one.
    body: usize,
    line_starts: Vec<usize>,
}

impl<'t> Source<'t> {
    pub(crate) fn new(file: &'t str, text: &'t str) -> Self {
        // Editors on some systems put a byte-order mark in front; YAML readers
        // differ in what they do with it, so neither of ours gets to see it.
        let body = if text.starts_with('\u{feff}') { '\u{feff}'.len_utf8() } else { 0 };
        let bytes = text.as_bytes();
        let mut line_starts = vec![body];
        for (index, byte) in bytes.iter().enumerate() {
            let ends_line = *byte == b'\n' || (*byte == b'\r' && bytes.get(index + 1) != Some(&b'\n'));
            if ends_line {
                line_starts.push(index + 1);
            }
        }
        Source { file, text, body, line_starts }
    }

    /// The content without a byte-order mark.
    pub(crate) fn body(&self) -> &'t str {
        &self.text[self.body..]
    }

    /// The file's name as given by the caller.
    pub(crate) fn file(&self) -> &'t str {
        self.file
    }

    /// Where the content begins in the file.
    pub(crate) fn body_start(&self) -> usize {
        self.body
    }

    /// The whole text, byte-order mark included: what spans count in.
    pub(crate) fn text(&self) -> &'t str {
        self.text
    }

    /// What stands at a span.
    pub(crate) fn slice(&self, span: Span) -> &'t str {
        self.text.get(span.start..span.end).unwrap_or("")
    }

    /// Index of the line (from 0) that holds a byte.
    fn line_index(&self, byte: usize) -> usize {
        self.line_starts.partition_point(|start| *start <= byte).saturating_sub(1)
    }

    /// Number of the line (from 1) that holds a byte.
    pub(crate) fn line(&self, byte: usize) -> usize {
        self.line_index(byte) + 1
    }

    /// The rest of the line from a byte on, without its end.
    pub(crate) fn rest_of_line(&self, byte: usize) -> &'t str {
        let rest = self.text.get(byte..).unwrap_or("");
        rest.split(['\n', '\r']).next().unwrap_or("")
    }

    fn line_text(&self, index: usize) -> &'t str {
        self.line_starts.get(index).map_or("", |start| self.rest_of_line(*start))
    }

    /// A located mistake. The span is cut to its first line, and to nothing
    /// outside the text.
    pub(crate) fn diagnostic(
        &self,
        kind: DiagnosticKind,
        span: Span,
        message: impl Into<String>,
        hint: Option<String>,
    ) -> Diagnostic {
        let start = self.floor(span.start.clamp(self.body, self.text.len().max(self.body)));
        let end = self.floor(span.end.clamp(start, self.text.len().max(start)));
        let line_index = self.line_index(start);
        let line = self.line_text(line_index);
        let line_start = self.line_starts[line_index];
        let before = &self.text[line_start..start.min(line_start + line.len())];
        let column = before.chars().count();
        let end_on_line = end.min(line_start + line.len()).max(start.min(line_start + line.len()));
        let marked = &self.text[line_start + before.len()..end_on_line];
        let width = marked.chars().count().max(1);
        Diagnostic {
            severity: kind.severity(),
            kind,
            file: self.file.to_owned(),
            span: Span { start, end },
            line: line_index + 1,
            column: column + 1,
            message: message.into(),
            hint,
            key_path: String::new(),
            excerpt: excerpt(line, column, width),
        }
    }

    /// The nearest place at or before a byte that begins a character.
    fn floor(&self, byte: usize) -> usize {
        let mut byte = byte.min(self.text.len());
        while !self.text.is_char_boundary(byte) {
            byte -= 1;
        }
        byte
    }
}

/// The part of a line to show, made safe for a terminal.
fn excerpt(line: &str, column: usize, width: usize) -> Excerpt {
    let count = line.chars().count();
    let from = if count <= EXCERPT_CHARACTERS { 0 } else { column.saturating_sub(EXCERPT_CHARACTERS / 2) };
    let shown = line.chars().skip(from).take(EXCERPT_CHARACTERS).map(printable);
    let mut text = String::new();
    if from > 0 {
        text.push('…');
    }
    text.extend(shown);
    if from + EXCERPT_CHARACTERS < count {
        text.push('…');
    }
    let caret = column - from + usize::from(from > 0);
    let room = text.chars().count().saturating_sub(caret).max(1);
    Excerpt { text: text.trim_end().to_owned(), caret, width: width.min(room) }
}

/// One character for one character: a tab as a space, other control
/// characters as a replacement, so that carets stand right and a file cannot
/// drive the terminal.
fn printable(character: char) -> char {
    match character {
        '\t' => ' ',
        c if c.is_control() => '\u{fffd}',
        // Marks that turn the direction of writing around, and the byte-order mark.
        '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{feff}' => '\u{fffd}',
        c => c,
    }
}

/// Text from a file for use inside a message: short, on one line, safe for a terminal.
pub(crate) fn quoted(text: &str) -> String {
    const LONGEST: usize = 48;
    let mut shown: String = text.chars().take(LONGEST).map(printable).collect();
    if text.chars().nth(LONGEST).is_some() {
        shown.push('…');
    }
    format!("`{shown}`")
}

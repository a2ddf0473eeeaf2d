//! YAML as a tree in which every key and value knows where it stands.
//!
//! Built from parser events without recursion; what the format has no use for
//! (anchors, aliases, tags, merge keys, several documents, deep nesting) is
//! refused here, before anything could expand.

use std::collections::HashMap;

use saphyr_parser::{Event, Parser, ScalarStyle, ScanError};

use crate::Span;
use crate::diagnostic::{Diagnostic, DiagnosticKind};
use crate::source::{Source, quoted};

/// Deeper nesting is refused. The format itself needs six levels.
pub(crate) const MAX_DEPTH: usize = 32;

/// After so many mistakes of form the rest of the file is not looked at.
const MAX_FORM_MISTAKES: usize = 20;

/// A value and where it stands.
#[derive(Clone, Debug)]
pub(crate) struct Node {
    pub(crate) span: Span,
    pub(crate) content: Content,
}

/// What a value is.
#[derive(Clone, Debug)]
pub(crate) enum Content {
    Scalar(Scalar),
    Sequence(Vec<Node>),
    Mapping(Vec<Entry>),
}

/// A text, number or nothing, as written.
#[derive(Clone, Debug)]
pub(crate) struct Scalar {
    pub(crate) text: String,
    pub(crate) style: ScalarStyle,
}

/// A key and its value.
#[derive(Clone, Debug)]
pub(crate) struct Entry {
    pub(crate) key: String,
    pub(crate) key_span: Span,
    pub(crate) value: Node,
}

/// Character indices, as the parser counts, to bytes of the file.
struct Places {
    /// Byte of each character; empty when every character is one byte.
    bytes: Vec<u32>,
    start: usize,
    end: usize,
}

impl Places {
    fn new(source: &Source<'_>) -> Self {
        let body = source.body();
        let bytes =
            if body.is_ascii() { Vec::new() } else { body.char_indices().map(|(byte, _)| byte as u32).collect() };
        Places { bytes, start: source.body_start(), end: body.len() }
    }

    fn byte(&self, index: usize) -> usize {
        let within = if self.bytes.is_empty() {
            index.min(self.end)
        } else {
            self.bytes.get(index).map_or(self.end, |byte| *byte as usize)
        };
        self.start + within
    }

    fn span(&self, span: saphyr_parser::Span) -> Span {
        let start = self.byte(span.start.index());
        Span { start, end: self.byte(span.end.index()).max(start) }
    }
}

/// A collection that is still open.
struct Frame {
    span: Span,
    kind: FrameKind,
}

enum FrameKind {
    Sequence(Vec<Node>),
    Mapping { entries: Vec<Entry>, seen: HashMap<String, usize>, key: Option<(String, Span)> },
}

struct Builder<'s> {
    source: &'s Source<'s>,
    places: Places,
    open: Vec<Frame>,
    root: Option<Node>,
    mistakes: Vec<Diagnostic>,
}

/// Reads the text into a tree, or says what cannot be read.
pub(crate) fn build(source: &Source<'_>) -> Result<Node, Vec<Diagnostic>> {
    let mut builder =
        Builder { source, places: Places::new(source), open: Vec::new(), root: None, mistakes: Vec::new() };
    builder.run();
    if !builder.mistakes.is_empty() {
        return Err(builder.mistakes);
    }
    builder.root.ok_or_else(|| {
        vec![source.diagnostic(
            DiagnosticKind::EmptyFile,
            Span { start: source.body_start(), end: source.body_start() },
            "the file is empty",
            Some("a file begins with `format: 1`".to_owned()),
        )]
    })
}

impl Builder<'_> {
    fn mistake(&mut self, kind: DiagnosticKind, span: Span, message: impl Into<String>, hint: &str) {
        let hint = (!hint.is_empty()).then(|| hint.to_owned());
        self.mistakes.push(self.source.diagnostic(kind, span, message, hint));
    }

    fn run(&mut self) {
        let body = self.source.body();
        let mut parser = Parser::new_from_str(body);
        let mut documents = 0;
        while let Some(next) = parser.next_event() {
            let (event, span) = match next {
                Ok(found) => found,
                Err(error) => return self.syntax(&error),
            };
            let span = self.places.span(span);
            match event {
                Event::Nothing | Event::StreamStart | Event::StreamEnd | Event::DocumentEnd => {}
                Event::DocumentStart(_) => {
                    documents += 1;
                    if documents > 1 {
                        return self.mistake(
                            DiagnosticKind::SeveralDocuments,
                            span,
                            "a second YAML document begins here",
                            "put each scenario, bench and kiln into a file of its own",
                        );
                    }
                }
                Event::Alias(_) => {
                    self.mistake(
                        DiagnosticKind::Alias,
                        span,
                        format!("{} is a YAML alias, which this format does not use", quoted(self.source.slice(span))),
                        "write the value out; put text that begins with `*` into quotes",
                    );
                    self.value(Node { span, content: Content::Sequence(Vec::new()) });
                }
                Event::Scalar(text, style, anchor, tag) => {
                    self.properties(span, anchor > 0, tag.is_some());
                    let span = self.trimmed(span);
                    self.value(Node { span, content: Content::Scalar(Scalar { text: text.into_owned(), style }) });
                }
                Event::SequenceStart(anchor, tag) => {
                    self.properties(span, anchor > 0, tag.is_some());
                    if !self.open(span, FrameKind::Sequence(Vec::new())) {
                        return;
                    }
                }
                Event::MappingStart(anchor, tag) => {
                    self.properties(span, anchor > 0, tag.is_some());
                    let kind = FrameKind::Mapping { entries: Vec::new(), seen: HashMap::new(), key: None };
                    if !self.open(span, kind) {
                        return;
                    }
                }
                Event::SequenceEnd | Event::MappingEnd => self.close(span),
            }
            if self.mistakes.len() >= MAX_FORM_MISTAKES {
                return;
            }
        }
    }

    fn too_deep(&mut self, span: Span) {
        self.mistake(
            DiagnosticKind::TooDeep,
            span,
            format!("lists and mappings are nested more than {MAX_DEPTH} deep here"),
            "the format itself never needs more than six levels",
        );
    }

    fn syntax(&mut self, error: &ScanError) {
        let start = self.places.byte(error.marker().index());
        let span = Span { start, end: start };
        if error.info().contains("recursion limit") {
            return self.too_deep(span);
        }
        let mut hint = if error.info().contains("flow") {
            "perhaps a brace or bracket further up is never closed, or a comma is missing".to_owned()
        } else {
            "the cause may stand a line above".to_owned()
        };
        let line = self.source.line(start);
        let first = line.saturating_sub(2);
        for (offset, text) in self.source.body().lines().skip(first).take(3).enumerate() {
            let number = first + offset + 1;
            if text.contains('{') && text.contains(" #") && number <= line {
                hint = format!("` #` on line {number} begins a comment; put text with ` #` into quotes");
            } else if text.trim_start_matches(' ').starts_with('\t') {
                hint = format!("line {number} is indented with a tab; YAML wants spaces");
            }
        }
        self.mistake(DiagnosticKind::Syntax, span, format!("this is not YAML: {}", error.info()), &hint);
    }

    /// Refuses an anchor or a tag in front of a value, with the caret on it.
    fn properties(&mut self, node: Span, anchor: bool, tag: bool) {
        if !anchor && !tag {
            return;
        }
        // The parser's span begins with them.
        let mut at = node.start;
        let end = self.source.text().len();
        loop {
            let rest = self.source.slice(Span { start: at, end });
            let length = rest.find(|c: char| c.is_whitespace()).unwrap_or(rest.len());
            let span = Span { start: at, end: at + length };
            match rest.chars().next() {
                Some('&') if anchor => self.anchor(span),
                Some('!') if tag => self.tag(span),
                _ => break,
            }
            at = span.end + rest[length..].len() - rest[length..].trim_start().len();
        }
        // Should one not be found there, the value itself is better than nothing.
        let found = |kind| self.mistakes.iter().any(|mistake| mistake.kind == kind);
        let (no_anchor, no_tag) = (!found(DiagnosticKind::Anchor), !found(DiagnosticKind::Tag));
        if anchor && no_anchor {
            self.anchor(Span { start: node.start, end: node.start });
        }
        if tag && no_tag {
            self.tag(Span { start: node.start, end: node.start });
        }
    }

    fn anchor(&mut self, span: Span) {
        let message = format!("{} is a YAML anchor, which this format does not use", quoted(self.source.slice(span)));
        self.mistake(
            DiagnosticKind::Anchor,
            span,
            message,
            "write the value out where it is needed; put text that begins with `&` into quotes",
        );
    }

    fn tag(&mut self, span: Span) {
        let message = format!("{} is a YAML tag, which this format does not use", quoted(self.source.slice(span)));
        self.mistake(DiagnosticKind::Tag, span, message, "leave it out; put text that begins with `!` into quotes");
    }

    /// The parser's span of a text may reach over the blanks behind it.
    fn trimmed(&self, span: Span) -> Span {
        Span { start: span.start, end: span.start + self.source.slice(span).trim_end().len() }
    }

    fn open(&mut self, span: Span, kind: FrameKind) -> bool {
        if self.open.len() >= MAX_DEPTH {
            self.too_deep(span);
            return false;
        }
        if let Some(Frame { kind: FrameKind::Mapping { key: None, .. }, .. }) = self.open.last() {
            self.mistake(
                DiagnosticKind::KeyNotText,
                span,
                "a list or a mapping stands where a key is wanted",
                "a key is a word or a few, followed by a colon and a blank",
            );
            return false;
        }
        self.open.push(Frame { span, kind });
        true
    }

    fn close(&mut self, end: Span) {
        let Some(frame) = self.open.pop() else { return };
        let flow = self.source.slice(Span { start: frame.span.start, end: self.source.text().len() });
        let in_brackets = flow.starts_with(['{', '[']);
        let (content, first, last) = match frame.kind {
            FrameKind::Sequence(items) => {
                let first = items.first().map(|item| item.span.start);
                let last = items.last().map(|item| item.span.end);
                (Content::Sequence(items), first, last)
            }
            FrameKind::Mapping { entries, .. } => {
                let first = entries.first().map(|entry| entry.key_span.start);
                let last = entries.last().map(|entry| entry.value.span.end.max(entry.key_span.end));
                (Content::Mapping(entries), first, last)
            }
        };
        let span = if in_brackets {
            Span { start: frame.span.start, end: end.end.max(frame.span.start) }
        } else {
            let start = first.unwrap_or(frame.span.start);
            Span { start, end: last.unwrap_or(start).max(start) }
        };
        self.value(Node { span, content });
    }

    /// Puts a finished key or value where it belongs.
    fn value(&mut self, mut node: Node) {
        let Some(frame) = self.open.last_mut() else {
            self.root = Some(node);
            return;
        };
        let (entries, seen, key) = match &mut frame.kind {
            FrameKind::Sequence(items) => return items.push(node),
            FrameKind::Mapping { entries, seen, key } => (entries, seen, key),
        };
        match key.take() {
            Some((text, key_span)) => {
                // A value left out has no place of its own.
                if node.is_left_out() {
                    node.span = key_span;
                }
                entries.push(Entry { key: text, key_span, value: node });
            }
            None => {
                let span = node.span;
                let Content::Scalar(scalar) = node.content else { return };
                let merge = scalar.text == "<<" && scalar.style == ScalarStyle::Plain;
                let earlier = seen.insert(scalar.text.clone(), span.start);
                *key = Some((scalar.text.clone(), span));
                if merge {
                    self.mistake(
                        DiagnosticKind::MergeKey,
                        span,
                        "`<<` is a YAML merge key, which this format does not use",
                        "write the keys out",
                    );
                } else if let Some(earlier) = earlier {
                    let line = self.source.line(earlier);
                    self.mistake(
                        DiagnosticKind::DuplicateKey,
                        span,
                        format!(
                            "the key {} stands here a second time; the first is on line {line}",
                            quoted(&scalar.text)
                        ),
                        "keep one of the two",
                    );
                }
            }
        }
    }
}

impl Node {
    /// Whether it is a value of which nothing is written (`key:`).
    pub(crate) fn is_left_out(&self) -> bool {
        matches!(&self.content, Content::Scalar(scalar)
            if scalar.text.is_empty() && scalar.style == ScalarStyle::Plain)
    }

    /// Where a mistake about the node as a whole is marked: its first key or
    /// item rather than all of it.
    pub(crate) fn head(&self) -> Span {
        match &self.content {
            Content::Scalar(_) => self.span,
            Content::Sequence(items) => items.first().map_or(self.span, Node::head),
            Content::Mapping(entries) => entries.first().map_or(self.span, |entry| entry.key_span),
        }
    }

    /// The way through the keys to the innermost value that holds a place.
    pub(crate) fn key_path(&self, place: Span) -> String {
        let mut path = String::new();
        let mut node = self;
        'deeper: loop {
            match &node.content {
                Content::Scalar(_) => return path,
                Content::Sequence(items) => {
                    for (index, item) in items.iter().enumerate() {
                        if holds(item.span, place) {
                            path.push_str(&format!("[{}]", index + 1));
                            node = item;
                            continue 'deeper;
                        }
                    }
                    return path;
                }
                Content::Mapping(entries) => {
                    for entry in entries {
                        if holds(entry.key_span, place) || holds(entry.value.span, place) {
                            if !path.is_empty() {
                                path.push('.');
                            }
                            path.extend(quoted(&entry.key).chars().filter(|character| *character != '`'));
                            node = &entry.value;
                            continue 'deeper;
                        }
                    }
                    return path;
                }
            }
        }
    }
}

fn holds(outer: Span, inner: Span) -> bool {
    outer.start <= inner.start && inner.end <= outer.end
}

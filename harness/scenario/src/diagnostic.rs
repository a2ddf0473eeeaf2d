//! Mistakes in a file: where, what, and how to mend it.

use std::fmt;

use crate::Span;

/// How bad a mistake is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Severity {
    /// The file can be used, but probably does not say what was meant.
    Warning,
    /// The file cannot be used.
    Error,
}

impl Severity {
    /// The word in every output.
    pub fn word(self) -> &'static str {
        match self {
            Severity::Warning => "warning",
            Severity::Error => "error",
        }
    }
}

macro_rules! kinds {
    ($($(#[$doc:meta])* $name:ident $word:literal $severity:ident,)+) => {
        /// What sort of mistake it is; its word is stable and stands in the
        /// description of the format.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum DiagnosticKind {
            $($(#[$doc])* $name,)+
        }

        impl DiagnosticKind {
            /// Every kind.
            pub const ALL: &'static [DiagnosticKind] = &[$(DiagnosticKind::$name,)+];

            /// The kind's stable word.
            pub fn word(self) -> &'static str {
                match self {
                    $(DiagnosticKind::$name => $word,)+
                }
            }

            /// Whether it refuses the file.
            pub fn severity(self) -> Severity {
                match self {
                    $(DiagnosticKind::$name => Severity::$severity,)+
                }
            }
        }
    };
}

kinds! {
    /// The file is longer than [`crate::MAX_FILE_BYTES`].
    TooLarge "too-large" Error,
    /// Not YAML at all.
    Syntax "syntax" Error,
    /// Nothing in it.
    EmptyFile "empty-file" Error,
    /// Nested more than 32 deep.
    TooDeep "too-deep" Error,
    /// A YAML anchor (`&name`).
    Anchor "anchor" Error,
    /// A YAML alias (`*name`).
    Alias "alias" Error,
    /// A YAML tag (`!name`).
    Tag "tag" Error,
    /// A YAML merge key (`<<`).
    MergeKey "merge-key" Error,
    /// More than one YAML document.
    SeveralDocuments "several-documents" Error,
    /// A key that is not text.
    KeyNotText "key-not-text" Error,
    /// The same key twice in one mapping.
    DuplicateKey "duplicate-key" Error,
    /// The two YAML readers understand the file differently.
    ReadersDisagree "readers-disagree" Error,
    /// Neither a scenario nor a bench nor a kiln.
    UnknownFile "unknown-file" Error,
    /// A `format` that this version cannot read.
    UnknownFormat "unknown-format" Error,
    /// A key that does not belong there.
    UnknownKey "unknown-key" Error,
    /// A key that has to be there.
    MissingKey "missing-key" Error,
    /// Keys that exclude each other.
    ConflictingKeys "conflicting-keys" Error,
    /// A list, a mapping or a text where another of the three is wanted.
    WrongShape "wrong-shape" Error,
    /// Nothing where something is wanted.
    Empty "empty" Error,
    /// A word that is none of those possible.
    UnknownWord "unknown-word" Error,
    /// Not a quantity.
    BadQuantity "bad-quantity" Error,
    /// A quantity in a unit of another kind, or without one.
    WrongUnit "wrong-unit" Error,
    /// A number or quantity beyond what can be meant.
    OutOfRange "out-of-range" Error,
    /// A name with characters that names cannot have.
    BadName "bad-name" Error,
    /// The same name twice.
    DuplicateName "duplicate-name" Error,
    /// A moment that is named nowhere.
    UnknownMoment "unknown-moment" Error,
    /// A moment that is named only further down.
    MomentUsedEarly "moment-used-early" Error,
    /// Words that make no sentence of the format.
    BadSentence "bad-sentence" Error,
    /// A signal that does not exist.
    UnknownSignal "unknown-signal" Error,
    /// A state that the switch does not have.
    UnknownState "unknown-state" Error,
    /// A relay, contact or zone that does not exist.
    UnknownRole "unknown-role" Error,
    /// A stimulus that does not exist, or not for this object.
    UnknownStimulus "unknown-stimulus" Error,
    /// Something that can never happen or never be judged.
    Unreachable "unreachable" Error,
    /// A sweep that gives no scenarios, too many, or values that cannot be put in place.
    Sweep "sweep" Error,
    /// Two parts of the file that contradict each other.
    Contradiction "contradiction" Error,
    /// An unquoted name ends at ` #`, where YAML begins a comment.
    CommentInName "comment-in-name" Warning,
    /// `see: element off` is met by an ordinary off-phase; `heat: cut` is meant.
    OffPhase "off-phase" Warning,
    /// A reaction is asked for without making sure that heat was on.
    HeatNotProved "heat-not-proved" Warning,
    /// The run may end before the script or an expectation is done.
    EndsEarly "ends-early" Warning,
    /// A hazard id close to a known one.
    UnknownHazard "unknown-hazard" Warning,
    /// Something given that nothing uses.
    Unused "unused" Warning,
}

/// A line of the file with the place of the mistake in it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Excerpt {
    /// The line, or the part of it around the mistake; one character stands
    /// for one character, control characters replaced.
    pub text: String,
    /// Characters before the offending token.
    pub caret: usize,
    /// Its length in characters, at least 1.
    pub width: usize,
}

/// One mistake.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Diagnostic {
    /// Whether it refuses the file.
    pub severity: Severity,
    /// What sort of mistake.
    pub kind: DiagnosticKind,
    /// The file's name as given by the caller.
    pub file: String,
    /// The offending bytes.
    pub span: Span,
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// What is wrong: what stands there and what was expected.
    pub message: String,
    /// How to mend it.
    pub hint: Option<String>,
    /// The way through the keys to the place (`expect[2].within`); empty at the top.
    pub key_path: String,
    /// The line it stands in.
    pub excerpt: Excerpt,
}

impl Diagnostic {
    /// The mistake of a file that is too long to be read: for callers that
    /// look at a file's length before they read it.
    pub fn too_large(file: &str, bytes: u64) -> Self {
        Diagnostic {
            severity: Severity::Error,
            kind: DiagnosticKind::TooLarge,
            file: file.to_owned(),
            span: Span::default(),
            line: 1,
            column: 1,
            message: format!(
                "the file has {bytes} bytes; files of more than {} KiB are not read",
                crate::MAX_FILE_BYTES / 1024
            ),
            hint: Some("a scenario, bench or kiln takes a few kilobytes; is this the right file?".to_owned()),
            key_path: String::new(),
            excerpt: Excerpt { text: String::new(), caret: 0, width: 1 },
        }
    }

    /// The rendered mistake in pieces, each with what it is, for callers that
    /// want to colour it. Put together, they give the [`fmt::Display`] form.
    pub fn pieces(&self) -> Vec<(Piece, String)> {
        let mut pieces = vec![
            (Piece::Place, format!("{}:{}:{}", self.file, self.line, self.column)),
            (Piece::Plain, ": ".to_owned()),
            (Piece::Severity(self.severity), format!("{}[{}]", self.severity.word(), self.kind.word())),
            (Piece::Plain, ": ".to_owned()),
            (Piece::Message, self.message.clone()),
            (Piece::Plain, "\n".to_owned()),
        ];
        if !self.excerpt.text.is_empty() {
            let number = self.line.to_string();
            let indent = " ".repeat(number.len());
            pieces.extend([
                (Piece::Gutter, format!("  {number} | ")),
                (Piece::Plain, format!("{}\n", self.excerpt.text)),
                (Piece::Gutter, format!("  {indent} | ")),
                (Piece::Plain, " ".repeat(self.excerpt.caret)),
                (Piece::Caret(self.severity), "^".repeat(self.excerpt.width)),
                (Piece::Plain, "\n".to_owned()),
            ]);
        }
        if !self.key_path.is_empty() {
            pieces.extend([(Piece::Gutter, "  at: ".to_owned()), (Piece::Plain, format!("{}\n", self.key_path))]);
        }
        if let Some(hint) = &self.hint {
            pieces.extend([(Piece::Hint, "  hint: ".to_owned()), (Piece::Plain, format!("{hint}\n"))]);
        }
        pieces
    }
}

/// What a piece of a rendered mistake is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Piece {
    /// Ordinary text.
    Plain,
    /// File, line and column.
    Place,
    /// The word for the severity, and the kind.
    Severity(Severity),
    /// The message.
    Message,
    /// Line numbers and rules.
    Gutter,
    /// The carets under the offending token.
    Caret(Severity),
    /// The word before the hint.
    Hint,
}

/// Several lines, each ended: place and message, the offending line with
/// carets, the key path, the hint.
impl fmt::Display for Diagnostic {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.pieces().iter().try_for_each(|(_, text)| f.write_str(text))
    }
}

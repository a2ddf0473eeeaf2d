//! Text with its looks kept apart, so that whoever shows it decides on colour.

use std::fmt;

use unicode_width::{UnicodeWidthChar, UnicodeWidthStr};

/// What a piece of text is, for whoever colours it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Style {
    /// Ordinary text.
    #[default]
    Plain,
    /// A heading or what matters most.
    Strong,
    /// Labels, rules and what may be overlooked.
    Faint,
    /// Held.
    Pass,
    /// Did not hold.
    Fail,
    /// Not decided.
    Inconclusive,
    /// Bench, link or controller broke down.
    Error,
    /// A hazard that nothing meets.
    Uncovered,
}

/// Some text of one style.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Piece {
    /// Its style.
    pub style: Style,
    /// The text; no control characters.
    pub text: String,
}

/// One line, without its end.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Line {
    /// Its pieces from left to right.
    pub pieces: Vec<Piece>,
}

impl Line {
    /// An empty line.
    #[must_use]
    pub fn new() -> Self {
        Line::default()
    }

    /// The line with some more text at its end. Control characters are made visible.
    #[must_use]
    pub fn with(mut self, style: Style, text: impl AsRef<str>) -> Self {
        self.push(style, text);
        self
    }

    /// Adds text at the end. Control characters are made visible.
    pub fn push(&mut self, style: Style, text: impl AsRef<str>) {
        let text = neutralise(text.as_ref());
        if text.is_empty() {
            return;
        }
        match self.pieces.last_mut() {
            Some(last) if last.style == style => last.text.push_str(&text),
            _ => self.pieces.push(Piece { style, text }),
        }
    }

    /// How many columns it takes.
    pub fn width(&self) -> usize {
        self.pieces.iter().map(|piece| piece.text.width()).sum()
    }

    /// Fills up with spaces to a column.
    pub(crate) fn pad_to(&mut self, column: usize) {
        let missing = column.saturating_sub(self.width());
        self.push(Style::Plain, " ".repeat(missing));
    }

    /// Takes spaces off the end.
    fn trim_end(&mut self) {
        while let Some(last) = self.pieces.last_mut() {
            let kept = last.text.trim_end_matches(' ').len();
            last.text.truncate(kept);
            if !last.text.is_empty() {
                break;
            }
            self.pieces.pop();
        }
    }
}

impl fmt::Display for Line {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.pieces.iter().try_for_each(|piece| f.write_str(&piece.text))
    }
}

/// Some lines.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Text {
    /// From top to bottom.
    pub lines: Vec<Line>,
}

impl Text {
    /// Adds a line; spaces at its end are dropped.
    pub(crate) fn push(&mut self, mut line: Line) {
        line.trim_end();
        self.lines.push(line);
    }

    /// Adds an empty line, unless it is the first or follows another.
    pub(crate) fn gap(&mut self) {
        if self.lines.last().is_some_and(|line| !line.pieces.is_empty()) {
            self.lines.push(Line::new());
        }
    }

    /// Adds text that is wrapped at `width`: `label` stands before its first
    /// line, the other lines are indented as far as the first one's text.
    pub(crate) fn push_wrapped(&mut self, label: Line, style: Style, body: &str, width: usize) {
        let indent = label.width();
        let mut line = label;
        for part in wrap(body, width.saturating_sub(indent)) {
            line.push(style, part);
            self.push(line);
            line = Line::new();
            line.pad_to(indent);
        }
    }
}

/// Without any style.
impl fmt::Display for Text {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.lines.iter().try_for_each(|line| writeln!(f, "{line}"))
    }
}

/// Whether a character could do something to a terminal, or to the order in
/// which its neighbours are shown, instead of being shown itself.
pub(crate) fn acts_on_terminal(character: char) -> bool {
    character.is_control()
        || matches!(character,
            '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{feff}')
}

/// The text with control characters, line ends and characters that turn the
/// writing direction written out (`\n`, `\u{1b}`), so that a name or a console
/// line cannot move the cursor, recolour the terminal or pose as a line of ours.
pub fn neutralise(text: &str) -> String {
    let mut shown = String::with_capacity(text.len());
    for character in text.chars() {
        if acts_on_terminal(character) {
            shown.extend(character.escape_default());
        } else {
            shown.push(character);
        }
    }
    shown
}

/// How many columns of a terminal a text takes.
pub fn display_width(text: &str) -> usize {
    text.width()
}

/// The text in lines of at most `width` columns, broken at spaces and, where a
/// word alone is too long, inside it. Never empty; a width of 0 counts as 1.
/// A character wider than the width stands on a line alone.
pub fn wrap(text: &str, width: usize) -> Vec<String> {
    let width = width.max(1);
    let text = neutralise(text);
    let mut lines = Vec::new();
    let mut line = String::new();
    for word in text.split(' ').filter(|word| !word.is_empty()) {
        let gap = usize::from(!line.is_empty());
        if line.width() + gap + word.width() <= width {
            if gap == 1 {
                line.push(' ');
            }
            line.push_str(word);
            continue;
        }
        if !line.is_empty() {
            lines.push(std::mem::take(&mut line));
        }
        for character in word.chars() {
            if !line.is_empty() && line.width() + character.width().unwrap_or(0) > width {
                lines.push(std::mem::take(&mut line));
            }
            line.push(character);
        }
    }
    if !line.is_empty() || lines.is_empty() {
        lines.push(line);
    }
    lines
}

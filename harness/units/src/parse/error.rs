//! What is wrong with a quantity, where, and what to write instead.

use core::fmt;

use super::Dimension;
use crate::bounds::Bound;

/// Why a text is no quantity. `start..end` are bytes of the text given.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ParseError {
    /// First offending byte.
    pub start: usize,
    /// One past the last offending byte.
    pub end: usize,
    /// What is wrong.
    pub kind: ParseErrorKind,
    /// What to write instead, where that can be guessed; see [`ParseError::hint_for`].
    pub hint: Option<Hint>,
}

/// What is wrong.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum ParseErrorKind {
    /// There is nothing there.
    Empty {
        /// What was expected.
        expected: Dimension,
    },
    /// No number where one was expected, or one that is no finite number.
    NotANumber {
        /// What was expected.
        expected: Dimension,
    },
    /// A bare number.
    MissingUnit {
        /// What was expected.
        expected: Dimension,
    },
    /// A word that is no unit at all.
    UnknownUnit {
        /// What was expected.
        expected: Dimension,
    },
    /// A unit of another kind.
    WrongUnit {
        /// What was expected.
        expected: Dimension,
        /// What the unit belongs to.
        found: Dimension,
    },
    /// More text after the quantity.
    TextLeftOver {
        /// What was expected.
        expected: Dimension,
    },
    /// Parts of a length of time that do not go from large to small, or are negative.
    PartsOutOfOrder,
    /// Outside what makes sense.
    OutOfBounds {
        /// The bound.
        bound: Bound,
    },
}

/// What to write instead.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Hint {
    /// The same number with this unit.
    DidYouMean {
        /// Where the number stands in the text, first byte and one past the last.
        number: (usize, usize),
        /// The unit that was probably meant.
        unit: &'static str,
    },
    /// The number needs a unit, for instance this one.
    AddUnit(&'static str),
    /// Thousands are not separated, and decimals are written with a point.
    DecimalPoint,
}

impl fmt::Display for ParseError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.kind {
            ParseErrorKind::Empty { expected } => {
                write!(f, "expected {expected} such as {}, found nothing", expected.examples())
            }
            ParseErrorKind::NotANumber { expected } => {
                write!(f, "expected {expected} such as {}, found no finite number", expected.examples())
            }
            ParseErrorKind::MissingUnit { expected } => {
                write!(f, "expected {expected} such as {}, found a number without a unit", expected.examples())
            }
            ParseErrorKind::UnknownUnit { expected } => {
                write!(f, "expected {expected} such as {}, found an unknown unit", expected.examples())
            }
            ParseErrorKind::WrongUnit { expected, found } => {
                write!(f, "expected {expected} such as {}, found the unit of {found}", expected.examples())
            }
            ParseErrorKind::TextLeftOver { expected } => {
                write!(f, "expected {expected} such as {} and nothing after it", expected.examples())
            }
            ParseErrorKind::PartsOutOfOrder => {
                f.write_str("the parts of a length of time go from large to small, each unit once, as in 1 h 30 min")
            }
            ParseErrorKind::OutOfBounds { bound } => {
                write!(f, "the {} has to lie between {} and {}", bound.name, bound.least(), bound.greatest())
            }
        }
    }
}

impl core::error::Error for ParseError {}

impl ParseError {
    /// The hint as text, made with the text that the error is about.
    pub fn hint_for<'t>(&self, text: &'t str) -> Option<HintText<'t>> {
        self.hint.map(|hint| HintText { hint, text })
    }
}

/// A hint that prints with the offending text in it: `did you mean "150 °C"?`.
#[derive(Clone, Copy, Debug)]
pub struct HintText<'t> {
    hint: Hint,
    text: &'t str,
}

impl fmt::Display for HintText<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.hint {
            Hint::DidYouMean { number: (start, end), unit } => {
                write!(f, "did you mean \"{} {unit}\"?", self.text.get(start..end).unwrap_or_default())
            }
            Hint::AddUnit(unit) => write!(f, "add the unit, for instance \"{} {unit}\"", self.text.trim()),
            Hint::DecimalPoint => f.write_str("write decimals with a point and thousands without a mark: 1250.5"),
        }
    }
}

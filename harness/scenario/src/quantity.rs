//! Quantities with their units, as integers of the checked types.

use std::ops::Range;

use dryfire_units::bounds::{self, Bound};
use dryfire_units::parse::{self, ParseError, ParseErrorKind};
use dryfire_units::{MilliCelsius, MilliCelsiusPerHour, RigSpan};

use crate::diagnostic::DiagnosticKind;
use crate::source::quoted;

/// What is wrong with a quantity; the range counts in its own text.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Wrong {
    pub(crate) kind: DiagnosticKind,
    pub(crate) range: Range<usize>,
    pub(crate) message: String,
    pub(crate) hint: Option<String>,
}

/// A length of time: `10 s`, `1 h 30 min`.
pub(crate) fn span(text: &str) -> Result<RigSpan, Wrong> {
    parse::span(text).map_err(|error| wrong(text, &error))
}

/// A temperature in thousandths of a degree Celsius.
pub(crate) fn temperature(text: &str) -> Result<i64, Wrong> {
    parse::temperature(text).map(MilliCelsius::value).map_err(|error| wrong(text, &error))
}

/// A difference of temperatures in thousandths of a degree Celsius.
pub(crate) fn difference(text: &str) -> Result<i64, Wrong> {
    parse::temperature_difference(text).map(MilliCelsius::value).map_err(|error| wrong(text, &error))
}

/// A rate in thousandths of a degree Celsius for each hour.
pub(crate) fn rate(text: &str) -> Result<i64, Wrong> {
    parse::rate(text).map(MilliCelsiusPerHour::value).map_err(|error| wrong(text, &error))
}

/// A rate of either sign, or none, in thousandths of a degree Celsius for each hour.
pub(crate) fn signed_rate(text: &str) -> Result<i64, Wrong> {
    parse::drift(text).map(MilliCelsiusPerHour::value).map_err(|error| wrong(text, &error))
}

/// A share in thousandths of a percent.
pub(crate) fn share(text: &str) -> Result<i64, Wrong> {
    // Inside the bounds the product is at most 100,000.
    within(text, &bounds::PERCENT).map(|percent| (percent * 1e3 + 0.5) as i64)
}

/// A rate of either sign, in thousandths of a degree Celsius for each hour.
pub(crate) fn drift(text: &str) -> Result<i64, Wrong> {
    parse::drift(text).map(MilliCelsiusPerHour::value).map_err(|error| wrong(text, &error))
}

/// Any quantity, in the unit of its bound's dimension.
pub(crate) fn within(text: &str, bound: &Bound) -> Result<f64, Wrong> {
    parse::quantity(text, bound).map_err(|error| wrong(text, &error))
}

fn wrong(text: &str, error: &ParseError) -> Wrong {
    let range = error.start..error.end.max(error.start);
    let shown = quoted(text.get(range.clone()).unwrap_or(text).trim());
    let (kind, message, fallback) = match error.kind {
        ParseErrorKind::Empty { expected } => {
            (DiagnosticKind::BadQuantity, format!("{expected} is wanted here"), Some(expected))
        }
        ParseErrorKind::NotANumber { expected } => {
            (DiagnosticKind::BadQuantity, format!("{expected} begins with a number; {shown} is none"), Some(expected))
        }
        ParseErrorKind::MissingUnit { expected } => {
            (DiagnosticKind::WrongUnit, format!("{expected} has a unit; {shown} has none"), Some(expected))
        }
        ParseErrorKind::UnknownUnit { expected } => {
            (DiagnosticKind::WrongUnit, format!("{shown} is not a unit of {expected}"), Some(expected))
        }
        ParseErrorKind::WrongUnit { expected, found } => {
            let kind = DiagnosticKind::WrongUnit;
            (kind, format!("{expected} is wanted here, but {shown} is the unit of {found}"), Some(expected))
        }
        ParseErrorKind::TextLeftOver { expected } => {
            (DiagnosticKind::BadQuantity, format!("{shown} is left over after {expected}"), Some(expected))
        }
        ParseErrorKind::PartsOutOfOrder => {
            (DiagnosticKind::BadQuantity, format!("the parts of {shown} do not go from large to small"), None)
        }
        ParseErrorKind::OutOfBounds { bound } => {
            let unit = bound.dimension.unit();
            let message = format!("{shown} is beyond what a {} can be", bound.name);
            let hint = format!("it lies between {} {unit} and {} {unit}", bound.min, bound.max);
            return Wrong { kind: DiagnosticKind::OutOfRange, range, message, hint: Some(hint) };
        }
    };
    let own = error.hint_for(text).map(|hint| hint.to_string().replace('"', "`"));
    let hint = own.or_else(|| fallback.map(|expected| format!("for example {}", expected.examples())));
    Wrong { kind, range, message, hint }
}

/// Thousandths as a decimal without needless zeros.
pub(crate) fn thousandths(value: i64) -> String {
    let sign = if value < 0 { "-" } else { "" };
    let size = value.unsigned_abs();
    let text = format!("{sign}{}.{:03}", size / 1_000, size % 1_000);
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// A length of time exactly, in the largest unit that divides it.
pub fn span_text(span: RigSpan) -> String {
    let micros = span.as_micros();
    for (unit, length) in [("h", 3_600_000_000), ("min", 60_000_000), ("s", 1_000_000), ("ms", 1_000)] {
        if micros % length == 0 && micros != 0 {
            return format!("{} {unit}", micros / length);
        }
    }
    if micros == 0 { "0 s".to_owned() } else { format!("{micros} µs") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_wrong_is_marked_itself() {
        let wrong = span("10 °C").expect_err("no time");
        assert_eq!((wrong.kind, wrong.range), (DiagnosticKind::WrongUnit, 3..6));
        let wrong = span("1 h 30").expect_err("no unit");
        assert_eq!((wrong.kind, wrong.range), (DiagnosticKind::WrongUnit, 4..6));
        let wrong = temperature("1,5 °C").expect_err("a comma");
        assert_eq!((wrong.kind, wrong.range), (DiagnosticKind::BadQuantity, 0..3));
        assert_eq!(temperature("3000 °C").expect_err("too hot").kind, DiagnosticKind::OutOfRange);
    }

    #[test]
    fn printed_quantities_read_back_the_same() {
        for micros in [0, 1, 999, 1_000, 100_000, 1_000_000, 90_000_000, 3_600_000_000, 5_400_000_000] {
            let length = RigSpan::from_micros(micros);
            assert_eq!(span(&span_text(length)), Ok(length));
        }
        assert_eq!(thousandths(-1_500), "-1.5");
        assert_eq!(thousandths(20_000), "20");
        assert_eq!(thousandths(5), "0.005");
    }
}

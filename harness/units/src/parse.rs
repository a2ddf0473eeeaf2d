//! A number with its unit, from text.
//!
//! Strict for the machine, readable for people: `650 °C`, `1200 °F`,
//! `150 °C/h`, `1 h 30 min`, `2.5 mV`. The unit is never guessed; where one is
//! missing or misspelt the error says where, what was expected, and offers a hint.

use core::fmt;

use crate::border::round_to_integer;
use crate::bounds::{self, Bound};
use crate::{MilliCelsius, MilliCelsiusPerHour, Nanovolts, RigSpan};

mod dimension;
mod error;

pub use dimension::Dimension;
use dimension::{Unit, near_miss, unit_named};
pub use error::{Hint, HintText, ParseError, ParseErrorKind};

/// A temperature of kiln, probe or set-point: `650 °C`, `1200 °F`, `900 K`.
///
/// # Errors
///
/// No number, no or another unit, or outside [`bounds::TEMPERATURE`].
pub fn temperature(text: &str) -> Result<MilliCelsius, ParseError> {
    thousandths(text, &bounds::TEMPERATURE).map(MilliCelsius::new)
}

/// A difference of temperatures: `50 °C`, `90 °F` (which is 50 °C), `50 K`.
///
/// # Errors
///
/// No number, no or another unit, or outside [`bounds::TEMPERATURE_DIFFERENCE`].
pub fn temperature_difference(text: &str) -> Result<MilliCelsius, ParseError> {
    thousandths(text, &bounds::TEMPERATURE_DIFFERENCE).map(MilliCelsius::new)
}

/// The rate of a ramp, positive: `150 °C/h`, `270 °F/h`, `2.5 °C/min`.
///
/// # Errors
///
/// No number, no or another unit, or outside [`bounds::RATE`].
pub fn rate(text: &str) -> Result<MilliCelsiusPerHour, ParseError> {
    thousandths(text, &bounds::RATE).map(MilliCelsiusPerHour::new)
}

/// A rate of either sign: `-20 °C/h`.
///
/// # Errors
///
/// No number, no or another unit, or outside [`bounds::DRIFT`].
pub fn drift(text: &str) -> Result<MilliCelsiusPerHour, ParseError> {
    thousandths(text, &bounds::DRIFT).map(MilliCelsiusPerHour::new)
}

/// A length of time, not negative: `200 ms`, `10 s`, `1 h 30 min`; rounded to the microsecond.
///
/// # Errors
///
/// No number, no or another unit, parts that do not go from large to small, or outside [`bounds::SPAN`].
pub fn span(text: &str) -> Result<RigSpan, ParseError> {
    let seconds = quantity(text, &bounds::SPAN)?;
    let micros = round_to_integer(seconds * 1e6).unwrap_or_default();
    if micros == 0 && seconds > 0.0 {
        return Err(whole(text, ParseErrorKind::OutOfBounds { bound: bounds::SPAN }, None));
    }
    Ok(RigSpan::from_micros(micros))
}

/// A thermocouple's voltage: `2.5 mV`, `-40 µV`.
///
/// # Errors
///
/// No number, no or another unit, or outside [`bounds::PROBE_VOLTAGE`].
pub fn probe_voltage(text: &str) -> Result<Nanovolts, ParseError> {
    let nanovolts = thousandths(text, &bounds::PROBE_VOLTAGE)?;
    Ok(Nanovolts::new(i32::try_from(nanovolts).unwrap_or_default()))
}

/// A share, in thousandths: `50 %` is 500.
///
/// # Errors
///
/// No number, no `%`, or outside [`bounds::PERCENT`].
pub fn share_thousandths(text: &str) -> Result<u16, ParseError> {
    let percent = quantity(text, &bounds::PERCENT)?;
    Ok(round_to_integer(percent * 10.0).and_then(|value| u16::try_from(value).ok()).unwrap_or_default())
}

fn thousandths(text: &str, bound: &Bound) -> Result<i64, ParseError> {
    // The bounds keep the product far inside the integers.
    quantity(text, bound).map(|value| round_to_integer(value * 1e3).unwrap_or_default())
}

/// Any quantity, in the unit of its dimension ([`Dimension::unit`]) and inside its bound.
///
/// Lengths of time may have several parts (`1 h 30 min`); everything else is one number and one unit.
///
/// # Errors
///
/// No number, no or another unit, text left over, or outside the bound.
pub fn quantity(text: &str, bound: &Bound) -> Result<f64, ParseError> {
    let dimension = bound.dimension;
    let mut reader = Reader { text, at: 0 };
    reader.skip_space();
    if reader.at == text.len() {
        return Err(whole(text, ParseErrorKind::Empty { expected: dimension }, None));
    }
    let mut total = 0.0;
    let mut smallest: Option<Unit> = None;
    loop {
        let (value, unit) = reader.part(dimension)?;
        if let Some(previous) = smallest
            && (unit.factor >= previous.factor || value < 0.0 || total < 0.0)
        {
            return Err(whole(text, ParseErrorKind::PartsOutOfOrder, None));
        }
        total += value * unit.factor + unit.offset;
        smallest = Some(unit);
        reader.skip_space();
        if reader.at == text.len() {
            break;
        }
        if dimension != Dimension::Span {
            let start = reader.at;
            reader.at = text.trim_end().len();
            return Err(reader.error_from(start, ParseErrorKind::TextLeftOver { expected: dimension }, None));
        }
    }
    if bound.contains(total) {
        Ok(total)
    } else {
        Err(whole(text, ParseErrorKind::OutOfBounds { bound: *bound }, None))
    }
}

/// An error about all of the text, without the spaces around it.
fn whole(text: &str, kind: ParseErrorKind, hint: Option<Hint>) -> ParseError {
    let start = text.len() - text.trim_start().len();
    ParseError { start, end: text.trim_end().len().max(start), kind, hint }
}

struct Reader<'t> {
    text: &'t str,
    at: usize,
}

impl<'t> Reader<'t> {
    fn rest(&self) -> &'t str {
        &self.text[self.at..]
    }

    fn skip_space(&mut self) {
        self.at = self.text.len() - self.rest().trim_start().len();
    }

    fn error_from(&self, start: usize, kind: ParseErrorKind, hint: Option<Hint>) -> ParseError {
        ParseError { start, end: self.at, kind, hint }
    }

    /// One number and its unit.
    fn part(&mut self, dimension: Dimension) -> Result<(f64, Unit), ParseError> {
        let start = self.at;
        let number = number_prefix(self.rest());
        self.at += number;
        if number == 0 {
            self.at += word_length(self.rest(), dimension);
            return Err(self.error_from(start, ParseErrorKind::NotANumber { expected: dimension }, None));
        }
        let digits = &self.text[start..self.at];
        if self.rest().starts_with(',') {
            let after = &self.rest()[1..];
            self.at += 1 + after.len() - after.trim_start_matches(|c: char| c.is_ascii_digit() || c == ',').len();
            let kind = ParseErrorKind::NotANumber { expected: dimension };
            return Err(self.error_from(start, kind, Some(Hint::DecimalPoint)));
        }
        // A prefix made of digits, point and exponent always parses; it may still be infinite.
        let value = match parse_number(digits) {
            Some(value) if value.is_finite() => value,
            _ => return Err(self.error_from(start, ParseErrorKind::NotANumber { expected: dimension }, None)),
        };
        let number_end = self.at;
        self.skip_space();
        let unit_start = self.at;
        self.at += word_length(self.rest(), dimension);
        let spelling = &self.text[unit_start..self.at];
        if dimension == Dimension::Number {
            self.at = number_end;
            return Ok((value, Unit::ONE));
        }
        if spelling.is_empty() {
            self.at = number_end;
            let kind = ParseErrorKind::MissingUnit { expected: dimension };
            return Err(self.error_from(start, kind, Some(Hint::AddUnit(dimension.unit_for_hint()))));
        }
        if let Some(unit) = unit_named(dimension, spelling) {
            return Ok((value, unit));
        }
        let kind = match Dimension::ALL.into_iter().find(|&other| unit_named(other, spelling).is_some()) {
            Some(found) => ParseErrorKind::WrongUnit { expected: dimension, found },
            None => ParseErrorKind::UnknownUnit { expected: dimension },
        };
        let hint =
            near_miss(dimension, spelling).map(|meant| Hint::DidYouMean { number: (start, number_end), unit: meant });
        Err(self.error_from(unit_start, kind, hint))
    }
}

/// Length of the longest prefix that is a decimal number.
fn number_prefix(text: &str) -> usize {
    let digits = |from: usize| text[from..].bytes().take_while(u8::is_ascii_digit).count();
    let mut at = match text.chars().next() {
        Some(sign @ ('-' | '+' | '−')) => sign.len_utf8(),
        _ => 0,
    };
    let whole = digits(at);
    at += whole;
    let mut fraction = 0;
    if text[at..].starts_with('.') {
        fraction = digits(at + 1);
        if fraction > 0 {
            at += 1 + fraction;
        }
    }
    if whole == 0 && fraction == 0 {
        return 0;
    }
    if text[at..].starts_with(['e', 'E']) {
        let sign = usize::from(text[at + 1..].starts_with(['-', '+']));
        let exponent = digits(at + 1 + sign);
        if exponent > 0 {
            at += 1 + sign + exponent;
        }
    }
    at
}

/// Reads a number whose sign may be the typographic minus.
fn parse_number(digits: &str) -> Option<f64> {
    match digits.strip_prefix('−') {
        Some(magnitude) => magnitude.parse::<f64>().ok().map(|value| -value),
        None => digits.parse().ok(),
    }
}

/// Length of the word that the text begins with. In a length of time a digit
/// begins the next part (`1h30min`); in other units it belongs to the word (`m2`).
fn word_length(text: &str, dimension: Dimension) -> usize {
    let ends = |c: char| c.is_whitespace() || (dimension == Dimension::Span && c.is_ascii_digit());
    text.find(ends).unwrap_or(text.len())
}

impl fmt::Display for Dimension {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

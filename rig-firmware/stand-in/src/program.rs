//! The program: ramps and holds, as written on the console and as stored.
//!
//! ```text
//! program  = segment *( ";" segment )
//! segment  = number "C/h" "to" number "C"        a ramp; some controllers take "F" as well
//!          / "hold" length                        a hold at the temperature reached
//! length   = 1*( number ( "h" / "min" / "s" ) )
//! ```
//! `°C` and `degC` are the same as `C`. A number is digits with at most three
//! decimals.

use core::fmt;

use heapless::Vec;

use crate::{Defect, Defects};

/// The most segments in one program.
pub const MAX_SEGMENTS: usize = 12;

/// Fastest ramp that is believed, thousandths of a degree per hour.
const FASTEST_RAMP: i32 = 2_000_000;
/// Longest hold that is believed, milliseconds.
const LONGEST_HOLD_MS: u32 = 100 * 3_600_000;

/// One part of a firing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Segment {
    /// Towards a temperature; up or down as the kiln stands.
    Ramp {
        /// Thousandths of a degree per hour, positive.
        rate_millicelsius_per_hour: i32,
        /// Thousandths of a degree Celsius.
        to_millicelsius: i32,
    },
    /// At the temperature reached.
    Hold {
        /// For how long.
        length_ms: u32,
    },
}

/// A program that has been checked: at least one segment, a ramp first, every
/// value within bounds.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Program {
    segments: Vec<Segment, MAX_SEGMENTS>,
}

/// Why a program is refused. Segments count from 1.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ProgramError {
    /// There is no segment.
    Empty,
    /// More than [`MAX_SEGMENTS`].
    TooMany,
    /// Neither a ramp nor a hold.
    NotASegment {
        /// Which.
        segment: u8,
    },
    /// A number or its unit is missing or not understood.
    NotANumber {
        /// Which.
        segment: u8,
    },
    /// A unit of the Fahrenheit scale.
    Fahrenheit {
        /// Which.
        segment: u8,
    },
    /// A hold stands first, where there is nothing to hold.
    HoldFirst,
    /// A ramp of zero or of more than 2000 °C/h.
    Rate {
        /// Which.
        segment: u8,
    },
    /// A ramp hotter than allowed, or to 0 °C.
    Temperature {
        /// Which.
        segment: u8,
        /// Allowed at most, thousandths of a degree Celsius.
        hottest_millicelsius: i32,
    },
    /// A hold of no time or of more than 100 h.
    Length {
        /// Which.
        segment: u8,
    },
}

impl fmt::Display for ProgramError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            ProgramError::Empty => f.write_str("no segment; write for example: 150 C/h to 1000 C; hold 20 min"),
            ProgramError::TooMany => write!(f, "more than {MAX_SEGMENTS} segments"),
            ProgramError::NotASegment { segment } => {
                write!(f, "segment {segment} is neither `150 C/h to 1000 C` nor `hold 20 min`")
            }
            ProgramError::NotANumber { segment } => {
                write!(f, "segment {segment} has a number or unit that is not understood")
            }
            ProgramError::Fahrenheit { segment } => write!(f, "segment {segment} is in Fahrenheit; write Celsius"),
            ProgramError::HoldFirst => f.write_str("a hold first has no temperature; begin with a ramp"),
            ProgramError::Rate { segment } => {
                write!(f, "segment {segment} has a rate outside 0.001 to {} C/h", FASTEST_RAMP / 1_000)
            }
            ProgramError::Temperature { segment, hottest_millicelsius } => {
                write!(f, "segment {segment} is outside 1 to {} C", Decimal(hottest_millicelsius))
            }
            ProgramError::Length { segment } => {
                write!(f, "segment {segment} has a hold outside 1 s to {} h", LONGEST_HOLD_MS / 3_600_000)
            }
        }
    }
}

impl Program {
    /// Reads a program as written on the console.
    ///
    /// # Errors
    /// What is wrong with it, and where.
    pub fn parse(text: &str, hottest_millicelsius: i32) -> Result<Self, ProgramError> {
        let how = HowToRead { takes_fahrenheit: false, defects: Defects::NONE };
        Program::parse_with(text, hottest_millicelsius, how)
    }

    /// The same, by a controller that takes more, or has defects.
    pub(crate) fn parse_with(text: &str, hottest_millicelsius: i32, how: HowToRead) -> Result<Self, ProgramError> {
        let mut segments = Vec::<Segment, MAX_SEGMENTS>::new();
        if text.trim().is_empty() {
            return Err(ProgramError::Empty);
        }
        for (index, part) in text.split(';').enumerate() {
            let number = u8::try_from(index + 1).map_err(|_| ProgramError::TooMany)?;
            segments.push(parse_segment(part.trim(), number, how)?).map_err(|_| ProgramError::TooMany)?;
        }
        Program::from_segments_with(&segments, hottest_millicelsius, how.defects)
    }

    /// A program of these segments.
    ///
    /// # Errors
    /// What is wrong with them, and where.
    pub fn from_segments(segments: &[Segment], hottest_millicelsius: i32) -> Result<Self, ProgramError> {
        Program::from_segments_with(segments, hottest_millicelsius, Defects::NONE)
    }

    /// The same, by a controller that may have defects.
    pub(crate) fn from_segments_with(
        segments: &[Segment],
        hottest_millicelsius: i32,
        defects: Defects,
    ) -> Result<Self, ProgramError> {
        let slowest = i32::from(!defects.has(Defect::RampOfNothingAccepted));
        let longest = if defects.has(Defect::HoldWithoutEndAccepted) { u32::MAX } else { LONGEST_HOLD_MS };
        let hottest_millicelsius = if defects.has(Defect::AboveTopAccepted) { i32::MAX } else { hottest_millicelsius };
        if segments.is_empty() {
            return Err(ProgramError::Empty);
        }
        let kept = Vec::from_slice(segments).map_err(|_| ProgramError::TooMany)?;
        for (index, segment) in segments.iter().enumerate() {
            let number = index as u8 + 1;
            match *segment {
                Segment::Ramp { rate_millicelsius_per_hour: rate, .. } if !(slowest..=FASTEST_RAMP).contains(&rate) => {
                    return Err(ProgramError::Rate { segment: number });
                }
                Segment::Ramp { to_millicelsius: to, .. } if !(1_000..=hottest_millicelsius).contains(&to) => {
                    return Err(ProgramError::Temperature { segment: number, hottest_millicelsius });
                }
                Segment::Hold { .. } if index == 0 => return Err(ProgramError::HoldFirst),
                Segment::Hold { length_ms } if !(1_000..=longest).contains(&length_ms) => {
                    return Err(ProgramError::Length { segment: number });
                }
                Segment::Ramp { .. } | Segment::Hold { .. } => {}
            }
        }
        Ok(Program { segments: kept })
    }

    /// Its segments; none if no program has been set.
    pub fn segments(&self) -> &[Segment] {
        &self.segments
    }
}

/// How a controller reads what is written.
#[derive(Clone, Copy, Debug)]
pub(crate) struct HowToRead {
    /// Whether Fahrenheit is converted, and not refused.
    pub(crate) takes_fahrenheit: bool,
    pub(crate) defects: Defects,
}

/// A scale that temperatures are written in.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Scale {
    Celsius,
    Fahrenheit,
}

impl Scale {
    /// A difference, thousandths of a degree, in thousandths of a degree Celsius; rounded.
    fn difference(self, thousandths: i32) -> i32 {
        match self {
            Scale::Celsius => thousandths,
            // Five ninths of a number have room where the number has.
            Scale::Fahrenheit => ((i64::from(thousandths) * 5 + 4).div_euclid(9)) as i32,
        }
    }

    fn temperature(self, thousandths: i32) -> i32 {
        match self {
            Scale::Celsius => thousandths,
            Scale::Fahrenheit => self.difference(thousandths.saturating_sub(32_000)),
        }
    }
}

fn parse_segment(text: &str, segment: u8, how: HowToRead) -> Result<Segment, ProgramError> {
    let not_a_segment = ProgramError::NotASegment { segment };
    if let Some(length) = text.strip_prefix("hold") {
        return Ok(Segment::Hold { length_ms: parse_length(length, segment)? });
    }
    let (rate, to) = text.split_once("to").ok_or(not_a_segment)?;
    let (rate, unit) = parse_quantity(rate.trim(), segment)?;
    let per_hour = unit.strip_suffix("/h").ok_or(ProgramError::NotANumber { segment })?;
    let rate = parse_scale(per_hour, segment, how)?.difference(rate);
    let (to, unit) = parse_quantity(to.trim(), segment)?;
    let to = parse_scale(unit, segment, how)?.temperature(to);
    Ok(Segment::Ramp { rate_millicelsius_per_hour: rate, to_millicelsius: to })
}

fn parse_scale(unit: &str, segment: u8, how: HowToRead) -> Result<Scale, ProgramError> {
    match unit {
        "C" | "°C" | "degC" => Ok(Scale::Celsius),
        "F" | "°F" | "degF" if how.defects.has(Defect::FahrenheitReadAsCelsius) => Ok(Scale::Celsius),
        "F" | "°F" | "degF" if how.takes_fahrenheit => Ok(Scale::Fahrenheit),
        "F" | "°F" | "degF" => Err(ProgramError::Fahrenheit { segment }),
        _ => Err(ProgramError::NotANumber { segment }),
    }
}

/// A number in thousandths and the word after it.
fn parse_quantity(text: &str, segment: u8) -> Result<(i32, &str), ProgramError> {
    let end = text.find(|letter: char| !letter.is_ascii_digit() && letter != '.').unwrap_or(text.len());
    let (number, unit) = text.split_at(end);
    let thousandths = parse_thousandths(number).ok_or(ProgramError::NotANumber { segment })?;
    Ok((thousandths, unit.trim()))
}

fn parse_thousandths(number: &str) -> Option<i32> {
    let (whole, decimals) = number.split_once('.').unwrap_or((number, "0"));
    let digits = |text: &str| !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit());
    if !digits(whole) || !digits(decimals) || decimals.len() > 3 {
        return None;
    }
    let scale = [1, 100, 10, 1][decimals.len()];
    let thousandths = decimals.parse::<i32>().ok()?.checked_mul(scale)?;
    whole.parse::<i32>().ok()?.checked_mul(1_000)?.checked_add(thousandths)
}

fn parse_length(text: &str, segment: u8) -> Result<u32, ProgramError> {
    let mut rest = text.trim();
    let mut total_ms = 0_u64;
    if rest.is_empty() {
        return Err(ProgramError::NotANumber { segment });
    }
    while !rest.is_empty() {
        let (number, after) = parse_quantity(rest, segment)?;
        let end = after.find(|letter: char| !letter.is_ascii_alphabetic()).unwrap_or(after.len());
        let (unit, next) = after.split_at(end);
        let seconds = match unit {
            "h" => 3_600,
            "min" => 60,
            "s" => 1,
            _ => return Err(ProgramError::NotANumber { segment }),
        };
        // Thousandths of a unit times seconds in a unit are milliseconds.
        total_ms += u64::from(number.unsigned_abs()) * seconds;
        rest = next.trim();
    }
    u32::try_from(total_ms).map_err(|_| ProgramError::Length { segment })
}

/// Thousandths printed as a decimal number without idle zeros.
pub(crate) struct Decimal(pub(crate) i32);

impl fmt::Display for Decimal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let sign = if self.0 < 0 { "-" } else { "" };
        let magnitude = self.0.unsigned_abs();
        let (whole, thousandths) = (magnitude / 1_000, magnitude % 1_000);
        match thousandths {
            0 => write!(f, "{sign}{whole}"),
            t if t % 100 == 0 => write!(f, "{sign}{whole}.{}", t / 100),
            t if t % 10 == 0 => write!(f, "{sign}{whole}.{:02}", t / 10),
            t => write!(f, "{sign}{whole}.{t:03}"),
        }
    }
}

/// As [`Program::parse`] reads it.
impl fmt::Display for Segment {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Segment::Ramp { rate_millicelsius_per_hour, to_millicelsius } => {
                write!(f, "{} C/h to {} C", Decimal(rate_millicelsius_per_hour), Decimal(to_millicelsius))
            }
            Segment::Hold { length_ms } => {
                f.write_str("hold")?;
                let (hours, minutes) = (length_ms / 3_600_000, length_ms / 60_000 % 60);
                let rest_ms = length_ms % 60_000;
                if hours > 0 {
                    write!(f, " {hours} h")?;
                }
                if minutes > 0 {
                    write!(f, " {minutes} min")?;
                }
                if rest_ms > 0 {
                    write!(f, " {} s", Decimal(rest_ms as i32))?;
                }
                Ok(())
            }
        }
    }
}

/// As [`Program::parse`] reads it.
impl fmt::Display for Program {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, segment) in self.segments.iter().enumerate() {
            if index > 0 {
                f.write_str("; ")?;
            }
            segment.fmt(f)?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests;

//! The eight letter-designated thermocouple types: emf from temperature and back.
//!
//! Reference functions: ITS-90, NIST Monograph 175 and Standard Reference
//! Database 60 (also IEC 60584-1), with the reference junction at 0 °C. A probe
//! whose terminals are at another temperature gives the difference of two
//! reference emfs (law of intermediate temperatures); see
//! [`ThermocoupleType::terminal_emf`] and [`ThermocoupleType::reading`].
//!
//! The inverse is the exact inverse of the reference function, found by
//! bracketed Newton steps, not the published inverse polynomials with their
//! bands of up to 0.06 °C. [`FastThermocouple`] gives both directions from
//! tables, for callers that convert at every tick.

use core::fmt;

use crate::{Celsius, Microvolts, MilliCelsius, Nanovolts};

mod coefficients;
mod fast;

pub use fast::FastThermocouple;

/// A letter-designated thermocouple type.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum ThermocoupleType {
    /// Platinum-rhodium 30 %/6 %; no unique temperature below 0.291 mV.
    B,
    /// Nickel-chromium / copper-nickel.
    E,
    /// Iron / copper-nickel.
    J,
    /// Nickel-chromium / nickel-aluminium; the usual kiln probe.
    K,
    /// Nickel-chromium-silicon / nickel-silicon.
    N,
    /// Platinum-rhodium 13 % / platinum.
    R,
    /// Platinum-rhodium 10 % / platinum.
    S,
    /// Copper / copper-nickel.
    T,
}

/// Why there is no emf or no temperature.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum ThermocoupleError {
    /// The temperature lies outside the reference function's range, or is not a number.
    TemperatureOutOfRange {
        /// The type asked.
        kind: ThermocoupleType,
        /// Lowest temperature of the range.
        min: Celsius,
        /// Highest temperature of the range.
        max: Celsius,
    },
    /// The emf is below that of the lowest temperature.
    EmfBelowRange {
        /// The type asked.
        kind: ThermocoupleType,
        /// Lowest emf of the range.
        min: Microvolts,
    },
    /// The emf is above that of the highest temperature, or is not a number.
    EmfAboveRange {
        /// The type asked.
        kind: ThermocoupleType,
        /// Highest emf of the range.
        max: Microvolts,
    },
    /// More than one temperature has this emf, or the published inverse does not reach down to it.
    NotUnique {
        /// The type asked.
        kind: ThermocoupleType,
        /// Lowest emf with one temperature only.
        min: Microvolts,
    },
}

impl fmt::Display for ThermocoupleError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TemperatureOutOfRange { kind, min, max } => {
                write!(f, "a type {} probe is defined from {min} to {max} only", kind.letter())
            }
            Self::EmfBelowRange { kind, min } => {
                write!(f, "under range: no temperature of a type {} probe gives less than {min:.3}", kind.letter())
            }
            Self::EmfAboveRange { kind, max } => {
                write!(f, "over range: no temperature of a type {} probe gives more than {max:.3}", kind.letter())
            }
            Self::NotUnique { kind, min } => {
                write!(f, "a type {} probe has no unique temperature below {min:.0}", kind.letter())
            }
        }
    }
}

impl core::error::Error for ThermocoupleError {}

/// Bracketed Newton steps end when they move less than this, °C.
const INVERSE_RESOLUTION: f64 = 1e-10;

impl ThermocoupleType {
    /// All types, in the order of their letters.
    pub const ALL: [ThermocoupleType; 8] = [Self::B, Self::E, Self::J, Self::K, Self::N, Self::R, Self::S, Self::T];

    /// The type of that letter, upper or lower case.
    pub const fn from_letter(letter: char) -> Option<Self> {
        Some(match letter.to_ascii_uppercase() {
            'B' => Self::B,
            'E' => Self::E,
            'J' => Self::J,
            'K' => Self::K,
            'N' => Self::N,
            'R' => Self::R,
            'S' => Self::S,
            'T' => Self::T,
            _ => return None,
        })
    }

    /// Its letter.
    pub const fn letter(self) -> char {
        match self {
            Self::B => 'B',
            Self::E => 'E',
            Self::J => 'J',
            Self::K => 'K',
            Self::N => 'N',
            Self::R => 'R',
            Self::S => 'S',
            Self::T => 'T',
        }
    }

    fn pieces(self) -> &'static [coefficients::Piece] {
        match self {
            Self::B => &coefficients::B,
            Self::E => &coefficients::E,
            Self::J => &coefficients::J,
            Self::K => &coefficients::K,
            Self::N => &coefficients::N,
            Self::R => &coefficients::R,
            Self::S => &coefficients::S,
            Self::T => &coefficients::T,
        }
    }

    /// Lowest and highest temperature of the reference function.
    pub fn range(self) -> (Celsius, Celsius) {
        let (min, max) = self.range_celsius();
        (Celsius::new(min), Celsius::new(max))
    }

    fn range_celsius(self) -> (f64, f64) {
        let pieces = self.pieces();
        (pieces[0].from, pieces[pieces.len() - 1].to)
    }

    /// Lowest temperature from which on the inverse is defined: the range's
    /// beginning, or for type B about 249.889 °C, where the emf is 0.291 mV
    /// (the lower end of the published inverse).
    pub fn lowest_invertible(self) -> Celsius {
        match self {
            Self::B => Celsius::new(self.bracketed_inverse(TYPE_B_LOWEST_UNIQUE_MICROVOLTS, 60.0, 630.0)),
            _ => self.range().0,
        }
    }

    /// emf with the reference junction at 0 °C.
    ///
    /// # Errors
    ///
    /// Outside the reference function's range.
    pub fn emf(self, temperature: Celsius) -> Result<Microvolts, ThermocoupleError> {
        self.emf_and_slope(temperature).map(|(emf, _)| emf)
    }

    /// Seebeck coefficient: the slope of the emf, in µV for each °C.
    ///
    /// # Errors
    ///
    /// Outside the reference function's range.
    pub fn seebeck_microvolts_per_celsius(self, temperature: Celsius) -> Result<f64, ThermocoupleError> {
        self.emf_and_slope(temperature).map(|(_, slope)| slope)
    }

    /// emf, and its slope in µV for each °C.
    ///
    /// # Errors
    ///
    /// Outside the reference function's range.
    pub fn emf_and_slope(self, temperature: Celsius) -> Result<(Microvolts, f64), ThermocoupleError> {
        let (min, max) = self.range_celsius();
        let t = temperature.value();
        if t >= min && t <= max {
            let (emf, slope) = self.evaluate(t);
            Ok((Microvolts::new(emf), slope))
        } else {
            Err(ThermocoupleError::TemperatureOutOfRange { kind: self, min: Celsius::new(min), max: Celsius::new(max) })
        }
    }

    /// The exact inverse of [`emf`](Self::emf).
    ///
    /// # Errors
    ///
    /// Outside the range of emf, and for type B below 0.291 mV, where the
    /// temperature is not unique.
    pub fn temperature(self, emf: Microvolts) -> Result<Celsius, ThermocoupleError> {
        let e = emf.value();
        self.check_emf(e)?;
        let (min, max) = self.range_celsius();
        let from = if self == Self::B { 60.0 } else { min };
        Ok(Celsius::new(self.bracketed_inverse(e, from, max)))
    }

    fn check_emf(self, e: f64) -> Result<(), ThermocoupleError> {
        let (min, max) = self.range_celsius();
        let highest = self.evaluate(max).0;
        // A NaN is neither above nor below; it must not get through.
        if e.is_nan() || e > highest {
            return Err(ThermocoupleError::EmfAboveRange { kind: self, max: Microvolts::new(highest) });
        }
        if self == Self::B {
            let lowest = TYPE_B_MINIMUM_MICROVOLTS;
            if e < lowest {
                return Err(ThermocoupleError::EmfBelowRange { kind: self, min: Microvolts::new(lowest) });
            }
            if e < TYPE_B_LOWEST_UNIQUE_MICROVOLTS {
                let min = Microvolts::new(TYPE_B_LOWEST_UNIQUE_MICROVOLTS);
                return Err(ThermocoupleError::NotUnique { kind: self, min });
            }
            return Ok(());
        }
        let lowest = self.evaluate(min).0;
        if e < lowest {
            return Err(ThermocoupleError::EmfBelowRange { kind: self, min: Microvolts::new(lowest) });
        }
        Ok(())
    }

    /// Newton steps kept inside a shrinking bracket on which the emf rises.
    fn bracketed_inverse(self, emf: f64, from: f64, to: f64) -> f64 {
        let (mut low, mut high) = (from, to);
        let (e_low, e_high) = (self.evaluate(low).0, self.evaluate(high).0);
        let mut t = low + (high - low) * ((emf - e_low) / (e_high - e_low)).clamp(0.0, 1.0);
        // Bisection alone needs 45 steps for this resolution; the bound is never reached.
        for _ in 0..100 {
            let (e, slope) = self.evaluate(t);
            if e < emf {
                low = t;
            } else {
                high = t;
            }
            let newton = t - (e - emf) / slope;
            let next = if newton > low && newton < high { newton } else { low + (high - low) / 2.0 };
            let moved = libm::fabs(next - t);
            t = next;
            if moved < INVERSE_RESOLUTION {
                break;
            }
        }
        t
    }

    /// emf in µV and slope in µV/°C; the caller has checked the range.
    fn evaluate(self, t: f64) -> (f64, f64) {
        let pieces = self.pieces();
        let mut index = 0;
        while index + 1 < pieces.len() && t > pieces[index].to {
            index += 1;
        }
        self.evaluate_piece(index, t)
    }

    /// As [`evaluate`](Self::evaluate), but where two pieces meet, the upper one.
    fn evaluate_from_above(self, t: f64) -> (f64, f64) {
        let pieces = self.pieces();
        let mut index = 0;
        while index + 1 < pieces.len() && t >= pieces[index].to {
            index += 1;
        }
        self.evaluate_piece(index, t)
    }

    fn evaluate_piece(self, index: usize, t: f64) -> (f64, f64) {
        let (mut emf, mut slope) = (0.0, 0.0);
        for &coefficient in self.pieces()[index].coefficients.iter().rev() {
            slope = slope * t + emf;
            emf = emf * t + coefficient;
        }
        if self == Self::K && index == 1 {
            let [a0, a1, a2] = coefficients::K_EXPONENTIAL;
            let offset = t - a2;
            let term = a0 * libm::exp(a1 * offset * offset);
            emf += term;
            slope += term * 2.0 * a1 * offset;
        }
        (emf * 1e3, slope * 1e3)
    }

    /// emf at the terminals of a probe whose hot junction and terminals have these temperatures.
    ///
    /// # Errors
    ///
    /// If either temperature is outside the reference function's range.
    pub fn terminal_emf(self, hot: Celsius, cold: Celsius) -> Result<Microvolts, ThermocoupleError> {
        Ok(Microvolts::new(self.emf(hot)?.value() - self.emf(cold)?.value()))
    }

    /// What an ideal converter reads: the temperature whose emf is the terminal
    /// voltage plus that of the cold junction.
    ///
    /// # Errors
    ///
    /// If the sum is outside the range of emf or has no unique temperature.
    pub fn reading(self, terminal: Microvolts, cold: Celsius) -> Result<Celsius, ThermocoupleError> {
        self.temperature(Microvolts::new(terminal.value() + self.emf(cold)?.value()))
    }

    /// [`terminal_emf`](Self::terminal_emf) at the integer border, rounded to the nearest nanovolt.
    ///
    /// # Errors
    ///
    /// As there.
    pub fn terminal_nanovolts(self, hot: MilliCelsius, cold: MilliCelsius) -> Result<Nanovolts, ThermocoupleError> {
        let emf = self.terminal_emf(hot.to_celsius(), cold.to_celsius())?;
        Ok(nanovolts(emf))
    }

    /// [`reading`](Self::reading) at the integer border, rounded to the nearest thousandth of a degree.
    ///
    /// # Errors
    ///
    /// As there.
    pub fn reading_millicelsius(
        self,
        terminal: Nanovolts,
        cold: MilliCelsius,
    ) -> Result<MilliCelsius, ThermocoupleError> {
        let temperature = self.reading(terminal.to_microvolts(), cold.to_celsius())?;
        Ok(millicelsius(temperature))
    }
}

/// Lower end of the published inverse of type B.
const TYPE_B_LOWEST_UNIQUE_MICROVOLTS: f64 = 291.0;
/// Least emf of type B, at 21.02 °C (computed from the reference function).
const TYPE_B_MINIMUM_MICROVOLTS: f64 = -2.584_972;

/// A reference emf is within ±80 mV, so it always fits.
fn nanovolts(emf: Microvolts) -> Nanovolts {
    Nanovolts::from_microvolts(emf).unwrap_or_default()
}

/// A temperature of a reference function is within ±2000 °C, so it always fits.
fn millicelsius(temperature: Celsius) -> MilliCelsius {
    MilliCelsius::from_celsius(temperature).unwrap_or_default()
}

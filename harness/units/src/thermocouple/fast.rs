//! Both directions of a reference function from tables.

use super::{ThermocoupleError, ThermocoupleType, millicelsius, nanovolts};
use crate::{Celsius, Microvolts, MilliCelsius, Nanovolts};

/// Intervals of the table of emf over temperature.
const FORWARD: usize = 512;
/// Intervals of the table of temperature over emf.
const INVERSE: usize = 512;

/// A cubic over one interval: coefficients of the powers of the place in it, 0 to 1.
type Cubic = [f64; 4];

/// A thermocouple type with tables for conversions at every tick.
///
/// Built once (some 20 KiB, no allocation; mind a small stack); then a
/// conversion is one cubic of a Hermite spline, and the inverse a straight
/// guess and one or two Newton steps on that spline. Within 0.001 °C of the
/// exact functions over the whole range, which the tests check.
#[derive(Clone, Debug)]
pub struct FastThermocouple {
    kind: ThermocoupleType,
    from: f64,
    to: f64,
    intervals_per_celsius: f64,
    lowest_emf: f64,
    highest_emf: f64,
    intervals_per_microvolt: f64,
    /// Temperature at which the table begins: at or a little below `from`, so that 0 °C falls on a knot.
    origin: f64,
    forward: [Cubic; FORWARD],
    /// A first guess only, hence straight pieces.
    inverse: [f64; INVERSE + 1],
}

impl FastThermocouple {
    /// Builds the tables for a type.
    pub fn new(kind: ThermocoupleType) -> Self {
        let (from, to) = kind.range_celsius();
        // The pieces of a reference function may meet at 0 °C with different slopes (type N does):
        // a knot there keeps the kink out of every interval.
        let width = (to - from) / (FORWARD - 1) as f64;
        let origin = libm::floor(from / width) * width;
        let mut forward = [[0.0; 4]; FORWARD];
        let first = libm::floor(from / width) as i64;
        for (index, cubic) in (first..).zip(&mut forward) {
            let (start, end) = (index as f64 * width, (index + 1) as f64 * width);
            let (y0, m0) = if index == 0 { kind.evaluate_from_above(0.0) } else { kind.evaluate(start) };
            let (y1, m1) = kind.evaluate(end);
            *cubic = hermite(y0, m0 * width, y1, m1 * width);
        }
        let lowest_invertible = kind.lowest_invertible().value();
        let (lowest_emf, highest_emf) = (kind.evaluate(lowest_invertible).0, kind.evaluate(to).0);
        let step = (highest_emf - lowest_emf) / INVERSE as f64;
        let mut inverse = [0.0; INVERSE + 1];
        for (index, guess) in inverse.iter_mut().enumerate() {
            *guess = kind.bracketed_inverse(lowest_emf + step * index as f64, lowest_invertible, to);
        }
        Self {
            kind,
            from,
            to,
            intervals_per_celsius: 1.0 / width,
            lowest_emf,
            highest_emf,
            intervals_per_microvolt: 1.0 / step,
            origin,
            forward,
            inverse,
        }
    }

    /// The type.
    pub fn kind(&self) -> ThermocoupleType {
        self.kind
    }

    /// emf with the reference junction at 0 °C.
    ///
    /// # Errors
    ///
    /// Outside the reference function's range.
    #[inline]
    pub fn emf(&self, temperature: Celsius) -> Result<Microvolts, ThermocoupleError> {
        let t = temperature.value();
        if t >= self.from && t <= self.to {
            Ok(Microvolts::new(self.emf_and_slope(t).0))
        } else {
            self.kind.emf(temperature)
        }
    }

    /// Inverse of the reference function.
    ///
    /// # Errors
    ///
    /// Outside the range of emf, and for type B below 0.291 mV.
    #[inline]
    pub fn temperature(&self, emf: Microvolts) -> Result<Celsius, ThermocoupleError> {
        let e = emf.value();
        if !(e >= self.lowest_emf && e <= self.highest_emf) {
            return self.kind.temperature(emf);
        }
        let position = (e - self.lowest_emf) * self.intervals_per_microvolt;
        let index = (position as usize).min(INVERSE - 1);
        let (low, high) = (self.inverse[index], self.inverse[index + 1]);
        let mut t = low + (position - index as f64) * (high - low);
        // Newton steps on the forward table: one or two in a kiln's range, more near −270 °C, where the inverse bends hard.
        for _ in 0..8 {
            let (at_t, slope) = self.emf_and_slope(t);
            let correction = (at_t - e) / slope;
            t = (t - correction).clamp(self.from, self.to);
            // A step of this size leaves less than a tenth of a thousandth.
            if libm::fabs(correction) < 0.03 {
                break;
            }
        }
        Ok(Celsius::new(t))
    }

    /// emf in µV and slope in µV/°C; the caller has checked the range.
    #[inline]
    fn emf_and_slope(&self, t: f64) -> (f64, f64) {
        let position = (t - self.origin) * self.intervals_per_celsius;
        // By way of 32 bits: a conversion to 64 without a sign takes several instructions more.
        let index = (position as u32 as usize).min(FORWARD - 1);
        let x = position - index as f64;
        let [c0, c1, c2, c3] = self.forward[index];
        let slope = c1 + x * (2.0 * c2 + x * 3.0 * c3);
        (c0 + x * (c1 + x * (c2 + x * c3)), slope * self.intervals_per_celsius)
    }

    /// emf at the terminals, in nanovolts: [`ThermocoupleType::terminal_nanovolts`] from tables.
    ///
    /// # Errors
    ///
    /// As there.
    #[inline]
    pub fn terminal_nanovolts(&self, hot: MilliCelsius, cold: MilliCelsius) -> Result<Nanovolts, ThermocoupleError> {
        let emf = self.emf(hot.to_celsius())?.value() - self.emf(cold.to_celsius())?.value();
        Ok(nanovolts(Microvolts::new(emf)))
    }

    /// The reading of a voltage over a cold junction: [`ThermocoupleType::reading`] from tables.
    ///
    /// # Errors
    ///
    /// As there.
    #[inline]
    pub fn reading(&self, terminal: Nanovolts, cold: MilliCelsius) -> Result<Celsius, ThermocoupleError> {
        let emf = terminal.to_microvolts().value() + self.emf(cold.to_celsius())?.value();
        self.temperature(Microvolts::new(emf))
    }

    /// The reading in thousandths of a degree: [`ThermocoupleType::reading_millicelsius`] from tables.
    ///
    /// # Errors
    ///
    /// As there.
    #[inline]
    pub fn reading_millicelsius(
        &self,
        terminal: Nanovolts,
        cold: MilliCelsius,
    ) -> Result<MilliCelsius, ThermocoupleError> {
        self.reading(terminal, cold).map(millicelsius)
    }
}

/// The cubic with these values and slopes (for each interval) at its ends.
fn hermite(y0: f64, m0: f64, y1: f64, m1: f64) -> Cubic {
    let rise = y1 - y0;
    let cubic = m0 + m1 - 2.0 * rise;
    [y0, m0, rise - m0 - cubic, cubic]
}

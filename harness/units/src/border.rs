//! Integer quantities: what crosses the border from one crate to another.
//!
//! Rounding to them is to the nearest, halves away from zero. What does not
//! fit, or is not a number, gives `None` and never a wrapped or clipped value.

use core::fmt;

use crate::{Celsius, CelsiusPerHour, Microvolts};

/// Rounds to the nearest integer, halves away from zero; `None` outside ±2⁵³ or if not a number.
#[inline]
pub(crate) fn round_to_integer(value: f64) -> Option<i64> {
    const EXACT: f64 = 9_007_199_254_740_992.0;
    if !(-EXACT..=EXACT).contains(&value) {
        return None;
    }
    // The same as libm::round, several times as fast: inside ±2⁵³ both steps are exact.
    let whole = value as i64;
    let part = value - whole as f64;
    Some(whole + i64::from(part >= 0.5) - i64::from(part <= -0.5))
}

/// A temperature or a difference in thousandths of a degree Celsius.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct MilliCelsius(i64);

/// A rate in thousandths of a degree Celsius for each hour.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct MilliCelsiusPerHour(i64);

/// A voltage in nanovolts; thermocouples stay within ±80,000,000.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Nanovolts(i32);

impl MilliCelsius {
    /// That many thousandths of a degree.
    pub const fn new(millicelsius: i64) -> Self {
        MilliCelsius(millicelsius)
    }

    /// Thousandths of a degree.
    pub const fn value(self) -> i64 {
        self.0
    }

    /// Rounded to the nearest; `None` if it is not a number or beyond ±9·10¹² °C.
    #[inline]
    pub fn from_celsius(temperature: Celsius) -> Option<Self> {
        round_to_integer(temperature.value() * 1e3).map(MilliCelsius)
    }

    /// For calculations.
    #[inline]
    pub fn to_celsius(self) -> Celsius {
        Celsius::new(self.0 as f64 / 1e3)
    }
}

impl MilliCelsiusPerHour {
    /// That many thousandths of a degree for each hour.
    pub const fn new(millicelsius_per_hour: i64) -> Self {
        MilliCelsiusPerHour(millicelsius_per_hour)
    }

    /// Thousandths of a degree for each hour.
    pub const fn value(self) -> i64 {
        self.0
    }

    /// Rounded to the nearest; `None` if it is not a number or beyond ±9·10¹² °C/h.
    pub fn from_celsius_per_hour(rate: CelsiusPerHour) -> Option<Self> {
        round_to_integer(rate.value() * 1e3).map(MilliCelsiusPerHour)
    }

    /// For calculations.
    pub fn to_celsius_per_hour(self) -> CelsiusPerHour {
        CelsiusPerHour::new(self.0 as f64 / 1e3)
    }
}

impl Nanovolts {
    /// That many nanovolts.
    pub const fn new(nanovolts: i32) -> Self {
        Nanovolts(nanovolts)
    }

    /// Nanovolts.
    pub const fn value(self) -> i32 {
        self.0
    }

    /// Rounded to the nearest; `None` if it is not a number or beyond ±2.147 V.
    #[inline]
    pub fn from_microvolts(voltage: Microvolts) -> Option<Self> {
        let nanovolts = round_to_integer(voltage.value() * 1e3)?;
        i32::try_from(nanovolts).ok().map(Nanovolts)
    }

    /// For calculations.
    #[inline]
    pub fn to_microvolts(self) -> Microvolts {
        Microvolts::new(f64::from(self.0) / 1e3)
    }
}

/// Writes `value` thousandths with three decimals.
fn write_thousandths(f: &mut fmt::Formatter<'_>, value: i64, unit: &str) -> fmt::Result {
    let sign = if value < 0 { "-" } else { "" };
    let magnitude = value.unsigned_abs();
    write!(f, "{sign}{}.{:03} {unit}", magnitude / 1000, magnitude % 1000)
}

impl fmt::Display for MilliCelsius {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write_thousandths(f, self.0, "°C")
    }
}

impl fmt::Display for MilliCelsiusPerHour {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write_thousandths(f, self.0, "°C/h")
    }
}

impl fmt::Display for Nanovolts {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write_thousandths(f, i64::from(self.0), "µV")
    }
}

#[cfg(test)]
mod tests {
    use super::round_to_integer;

    #[test]
    fn rounding_agrees_with_that_of_libm() {
        let mut value = 1e-3;
        while value < 9e15 {
            for near in [value, libm::floor(value) + 0.5, libm::nextafter(libm::floor(value) + 0.5, 0.0)] {
                for signed in [near, -near] {
                    assert_eq!(round_to_integer(signed), Some(libm::round(signed) as i64), "{signed}");
                }
            }
            value *= 1.037;
        }
        assert_eq!(round_to_integer(0.499_999_999_999_999_94), Some(0));
        assert_eq!(round_to_integer(-0.0), Some(0));
        assert_eq!(round_to_integer(9_007_199_254_740_992.0), Some(1 << 53));
        assert_eq!(round_to_integer(9_007_199_254_740_994.0), None);
        assert_eq!(round_to_integer(f64::NAN), None);
    }
}

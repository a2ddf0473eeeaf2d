//! Rig time: integer microseconds, one newtype shared by host and firmware.
//!
//! Everything is scheduled and judged in rig time. Host time is another type
//! and lives at the edge; the two never mix by accident.

use core::fmt;
use core::ops::{Add, AddAssign, Neg, Sub, SubAssign};

/// An instant on the rig's own clock, in microseconds.
///
/// On the link it counts from the rig's boot; in the engine and everything
/// after it counts from the beginning of the run (the bench subtracts the
/// instant at which the rig began the run).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct RigTime(i64);

/// A length of rig time in microseconds; may be negative.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct RigSpan(i64);

impl RigTime {
    /// The origin of the clock.
    pub const ZERO: RigTime = RigTime(0);
    /// Later than every instant a run can reach.
    pub const FAR_FUTURE: RigTime = RigTime(i64::MAX / 4);

    /// An instant that many microseconds after the origin.
    pub const fn from_micros(micros: i64) -> Self {
        RigTime(micros)
    }

    /// Microseconds since the origin.
    pub const fn as_micros(self) -> i64 {
        self.0
    }

    /// Seconds since the origin, for printing and for the kiln model.
    pub fn as_seconds(self) -> f64 {
        self.0 as f64 / 1e6
    }

    /// The length of time since the origin.
    pub const fn since_origin(self) -> RigSpan {
        RigSpan(self.0)
    }

    /// `self + span`, held within the clock's range instead of wrapping.
    pub const fn saturating_add(self, span: RigSpan) -> Self {
        RigTime(self.0.saturating_add(span.0))
    }
}

impl RigSpan {
    /// No time at all.
    pub const ZERO: RigSpan = RigSpan(0);
    /// Longer than any run.
    pub const MAX: RigSpan = RigSpan(i64::MAX / 4);

    /// A span of that many microseconds.
    pub const fn from_micros(micros: i64) -> Self {
        RigSpan(micros)
    }

    /// A span of that many milliseconds.
    pub const fn from_millis(millis: i64) -> Self {
        RigSpan(millis * 1_000)
    }

    /// A span of that many seconds.
    pub const fn from_seconds(seconds: i64) -> Self {
        RigSpan(seconds * 1_000_000)
    }

    /// A span of that many minutes.
    pub const fn from_minutes(minutes: i64) -> Self {
        RigSpan(minutes * 60_000_000)
    }

    /// Microseconds.
    pub const fn as_micros(self) -> i64 {
        self.0
    }

    /// Whole milliseconds, rounded towards zero.
    pub const fn as_millis(self) -> i64 {
        self.0 / 1_000
    }

    /// Seconds, for printing and for the kiln model.
    pub fn as_seconds(self) -> f64 {
        self.0 as f64 / 1e6
    }

    /// The span times a whole number.
    pub const fn times(self, factor: i64) -> Self {
        RigSpan(self.0 * factor)
    }

    /// Its length without the sign.
    pub const fn magnitude(self) -> Self {
        RigSpan(self.0.abs())
    }
}

impl Add<RigSpan> for RigTime {
    type Output = RigTime;
    fn add(self, span: RigSpan) -> RigTime {
        RigTime(self.0 + span.0)
    }
}

impl AddAssign<RigSpan> for RigTime {
    fn add_assign(&mut self, span: RigSpan) {
        self.0 += span.0;
    }
}

impl Sub<RigSpan> for RigTime {
    type Output = RigTime;
    fn sub(self, span: RigSpan) -> RigTime {
        RigTime(self.0 - span.0)
    }
}

impl SubAssign<RigSpan> for RigTime {
    fn sub_assign(&mut self, span: RigSpan) {
        self.0 -= span.0;
    }
}

impl Sub for RigTime {
    type Output = RigSpan;
    fn sub(self, earlier: RigTime) -> RigSpan {
        RigSpan(self.0 - earlier.0)
    }
}

impl Add for RigSpan {
    type Output = RigSpan;
    fn add(self, other: RigSpan) -> RigSpan {
        RigSpan(self.0 + other.0)
    }
}

impl Sub for RigSpan {
    type Output = RigSpan;
    fn sub(self, other: RigSpan) -> RigSpan {
        RigSpan(self.0 - other.0)
    }
}

impl Neg for RigSpan {
    type Output = RigSpan;
    fn neg(self) -> RigSpan {
        RigSpan(-self.0)
    }
}

impl fmt::Display for RigTime {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        RigSpan(self.0).fmt(f)
    }
}

/// Prints in the largest of h, min, s and ms that suits: `2 h 03 min`,
/// `4 min 05.2 s`, `12.300 s`, `8.25 ms`.
impl fmt::Display for RigSpan {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let sign = if self.0 < 0 { "-" } else { "" };
        let micros = self.0.unsigned_abs();
        let (hours, minutes) = (micros / 3_600_000_000, micros / 60_000_000 % 60);
        let tenths = micros / 100_000 % 600;
        if hours > 0 {
            write!(f, "{sign}{hours} h {minutes:02} min {:02} s", tenths / 10)
        } else if minutes > 0 {
            write!(f, "{sign}{minutes} min {:02}.{} s", tenths / 10, tenths % 10)
        } else if micros >= 1_000_000 {
            write!(f, "{sign}{}.{:03} s", micros / 1_000_000, micros / 1_000 % 1_000)
        } else {
            write!(f, "{sign}{}.{:02} ms", micros / 1_000, micros / 10 % 100)
        }
    }
}

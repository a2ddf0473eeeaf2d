//! Link time: a local monotonic clock that rules resends and silence.

use core::ops::Add;

/// An instant on a local monotonic clock, in microseconds.
///
/// Another type than [`dryfire_units::RigTime`] on purpose: the clock of a rig
/// that runs by grants stands still while it waits, and resends must not. Each
/// side has its own; link time never goes over the wire.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct LinkTime(u64);

impl LinkTime {
    /// The origin of the clock; as a timeout: due already.
    pub const ZERO: LinkTime = LinkTime(0);

    /// An instant that many microseconds after the origin.
    pub const fn from_micros(micros: u64) -> Self {
        LinkTime(micros)
    }

    /// An instant that many milliseconds after the origin.
    pub const fn from_millis(millis: u64) -> Self {
        LinkTime(millis * 1_000)
    }

    /// Microseconds since the origin.
    pub const fn as_micros(self) -> u64 {
        self.0
    }

    /// Microseconds since `earlier`; none if that is later.
    pub const fn micros_since(self, earlier: LinkTime) -> u64 {
        self.0.saturating_sub(earlier.0)
    }
}

/// Adds microseconds.
impl Add<u64> for LinkTime {
    type Output = LinkTime;
    fn add(self, micros: u64) -> LinkTime {
        LinkTime(self.0.saturating_add(micros))
    }
}

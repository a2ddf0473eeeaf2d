//! The wall clock as link time.
#![expect(clippy::disallowed_methods, clippy::disallowed_types, reason = "this is the one clock of a real port")]

use std::time::Instant;

use dryfire_link::LinkTime;

/// The wall clock as link time.
#[derive(Clone, Copy, Debug)]
pub struct WallClock {
    start: Instant,
}

impl WallClock {
    /// Starts now.
    #[expect(clippy::new_without_default, reason = "a clock that starts by default would surprise")]
    pub fn new() -> Self {
        WallClock { start: Instant::now() }
    }

    /// Time since its start.
    pub fn now(&self) -> LinkTime {
        LinkTime::from_micros(u64::try_from(self.start.elapsed().as_micros()).unwrap_or(u64::MAX))
    }
}

//! An independent over-temperature limiter, as simple as they are.
//!
//! It is a device of its own beside the controller: its own probe, its own contact in series with the
//! contactor, its own supply, a button to reset it. It closes its contact while its probe reads below the
//! trip, and opens it for good when it reads above, or reads nothing that can be a kiln's temperature. Only a
//! press of the button closes it again, and not before the kiln is cooler. What it cannot tell is what no
//! single probe can: a short at the terminals reads as a cold kiln.

use crate::{Defect, Defects, Reading};

/// What differs between honest limiters of one setting.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LimiterTraits {
    /// It trips so far below its setting, thousandths of a degree.
    pub early_millicelsius: i32,
    /// What would trip it has to last so long.
    pub confirm_ms: u32,
    /// It comes back tripped from every loss of its supply.
    pub trips_on_supply_loss: bool,
}

impl LimiterTraits {
    /// As the logic is made for: it never trips far from its setting and never waits for long.
    pub(crate) fn bounded(self) -> Self {
        LimiterTraits {
            early_millicelsius: self.early_millicelsius.clamp(0, 20_000),
            confirm_ms: self.confirm_ms.min(10_000),
            ..self
        }
    }
}

impl Default for LimiterTraits {
    /// Common practice, no source.
    fn default() -> Self {
        LimiterTraits { early_millicelsius: 0, confirm_ms: 1_500, trips_on_supply_loss: false }
    }
}

/// What a limiter is set to, thousandths of a degree Celsius.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LimiterSettings {
    /// It trips above this.
    pub trip_millicelsius: i32,
    /// It can be reset below this.
    pub reset_below_millicelsius: i32,
    /// How it differs from others.
    pub traits: LimiterTraits,
}

/// What a limiter keeps without supply: whether it has tripped. A new one has not.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct LimiterMemory {
    tripped: bool,
}

/// A limiter with its supply on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limiter {
    settings: LimiterSettings,
    defects: Defects,
    tripped: bool,
    /// No reading yet: the contact stays open until there is one.
    has_read: bool,
    /// Since when something would trip it, on the milliseconds of [`Self::tick`].
    since: Option<u32>,
    reset_was_pressed: bool,
}

/// Where a mistaken setting lies: 200 °C too high.
const SET_TOO_HIGH_BY: i32 = 200_000;

impl Limiter {
    /// A limiter whose supply has come on. A button that is down then was not pressed.
    pub fn power_up(settings: LimiterSettings, defects: Defects, memory: LimiterMemory) -> Self {
        let settings = LimiterSettings { traits: settings.traits.bounded(), ..settings };
        Limiter { settings, defects, tripped: memory.tripped, has_read: false, since: None, reset_was_pressed: true }
    }

    /// What it keeps when its supply goes.
    pub fn power_down(self) -> LimiterMemory {
        let forgets = self.defects.has(Defect::LimiterForgetsTrip);
        LimiterMemory { tripped: (self.tripped && !forgets) || self.settings.traits.trips_on_supply_loss }
    }

    /// Whether it has tripped.
    pub fn has_tripped(&self) -> bool {
        self.tripped
    }

    /// One look at probe and button, at a millisecond timer that may wrap. Whether its contact is closed from now on.
    pub fn tick(&mut self, now_ms: u32, reading: Reading, reset_pressed: bool) -> bool {
        let newly_pressed = reset_pressed && !self.reset_was_pressed;
        self.reset_was_pressed = reset_pressed;
        if self.would_trip(reading) {
            let since = *self.since.get_or_insert(now_ms);
            self.tripped |= now_ms.wrapping_sub(since) >= self.settings.traits.confirm_ms;
        } else {
            self.since = None;
            self.has_read |= reading.is_ok();
        }
        if newly_pressed && self.may_be_reset(reading) || self.resets_itself(reading) {
            (self.tripped, self.since) = (false, None);
        }
        if self.defects.has(Defect::LimiterHeldByReset) && reset_pressed {
            return true;
        }
        !self.tripped && self.has_read
    }

    fn trip_at(&self) -> i32 {
        let set = self.settings.trip_millicelsius;
        if self.defects.has(Defect::LimiterSetTooHigh) {
            return set.saturating_add(SET_TOO_HIGH_BY);
        }
        if self.defects.has(Defect::LimiterSetInFahrenheit) {
            return (set.saturating_sub(32_000)) / 9 * 5;
        }
        set.saturating_sub(self.settings.traits.early_millicelsius)
    }

    fn would_trip(&self, reading: Reading) -> bool {
        match reading {
            Ok(millicelsius) => millicelsius > self.trip_at(),
            Err(crate::ProbeFault::OutOfRange) => !self.defects.has(Defect::LimiterTakesUnderRangeForCold),
            Err(_) => !self.defects.has(Defect::LimiterOverlooksBrokenProbe),
        }
    }

    fn may_be_reset(&self, reading: Reading) -> bool {
        let below = self.settings.reset_below_millicelsius;
        self.defects.has(Defect::LimiterResetsWhileHot) || reading.is_ok_and(|millicelsius| millicelsius < below)
    }

    fn resets_itself(&self, reading: Reading) -> bool {
        let below = self.settings.reset_below_millicelsius;
        self.defects.has(Defect::LimiterResetsItself) && reading.is_ok_and(|millicelsius| millicelsius < below)
    }
}

#[cfg(test)]
mod tests;

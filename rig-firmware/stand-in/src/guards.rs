//! The guards over temperatures: what no kiln does unless something is broken.
//!
//! Limits are common practice, no source, except where a comment says more.

use crate::trip::{Trip, TripKind};
use crate::{Defect, Defects, MAX_ZONES, Settings};

/// A reading this far above the set-point for [`FAR_ABOVE_MS`] is the runaway
/// that [`Settings::runaway_millicelsius`] sets; this is the lesser deviation …
const ABOVE: i32 = 20_000;
/// … that may last this long.
const ABOVE_MS: u32 = 240_000;
const FAR_ABOVE_MS: u32 = 2_000;
/// Above the set-point by this, with the zone's own element off for
/// [`OFF_SETTLE_MS`] and the reading still up by [`OFF_RISE`] since: heat that
/// nobody commanded.
const ABOVE_WHILE_OFF: i32 = 12_000;
const OFF_SETTLE_MS: u32 = 30_000;
const OFF_RISE: i32 = 4_000;

/// With every element off for so long …
const ALL_OFF_SETTLE_MS: u32 = 180_000;
/// … no reading rises by this …
const ALL_OFF_RISE: i32 = 15_000;
/// … within this time.
const ALL_OFF_WINDOW_MS: u32 = 1_800_000;

/// A zone this far below its set-point …
const STALL_LAG: i32 = 10_000;
/// … has to rise by this …
const STALL_RISE: i32 = 10_000;
/// … within this time below [`STALL_HOT`] …
const STALL_COOL_MS: u32 = 20 * 60_000;
/// … and this above, where old elements and a low supply stall honestly.
const STALL_HOT_MS: u32 = 55 * 60_000;
const STALL_HOT: i32 = 600_000;

/// Below the reading at the start by this, while heating, for [`FALL_MS`].
const FALL: i32 = 15_000;
const FALL_MS: u32 = 60_000;

/// Not one step of change for so long at more than [`FROZEN_DUTY`].
const FROZEN_MS: u32 = 12 * 60_000;
const FROZEN_DUTY: f32 = 0.3;

/// Zones further apart than this for [`SPREAD_MS`].
const SPREAD: i32 = 100_000;
const SPREAD_MS: u32 = 60_000;

/// Readings above the top temperature: at least three samples, and at least so
/// long, so that a spike of 0.2 s does not trip.
const OVER_MS: u32 = 1_500;
const OVER_SAMPLES: u8 = 3;

/// What the guards see of one zone.
#[derive(Clone, Copy, Debug)]
pub(crate) struct ZoneView {
    /// Believed reading; `None` while the probe is not good.
    pub(crate) reading: Option<i32>,
    /// Whether the element is commanded on.
    pub(crate) on: bool,
    /// Duty of its running cycle.
    pub(crate) duty: f32,
}

/// What the guards see of the firing.
#[derive(Clone, Copy, Debug)]
pub(crate) struct FiringView {
    pub(crate) set_point: i32,
    pub(crate) ramping: bool,
    pub(crate) upward: bool,
    /// Whether it has lasted longer than signed 16-bit seconds can count; only defects go by it.
    pub(crate) beyond_16_bits: bool,
    /// How far above the set-point is let pass beside the limits; only a defect has any.
    pub(crate) leeway: i32,
}

#[derive(Clone, Copy, Debug, Default)]
struct ZoneGuard {
    /// Lowest reading since the firing began or went on.
    lowest: Option<i32>,
    /// Reading when it began or went on.
    first: Option<i32>,
    far_above_ms: u32,
    above_ms: u32,
    off_ms: u32,
    off_reading: Option<i32>,
    fall_ms: u32,
    stall_ms: u32,
    stall_reading: i32,
    frozen_ms: u32,
    frozen_reading: i32,
    over_ms: u32,
    over_samples: u8,
    all_off_reading: Option<i32>,
}

/// The guards of all zones.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Guards {
    zones: [ZoneGuard; MAX_ZONES],
    spread_ms: u32,
    all_off_ms: u32,
    all_off_window_ms: u32,
    /// Whether a reading rises although every element is off.
    pub(crate) warms_unasked: bool,
}

impl Guards {
    /// Begins anew, with a firing that begins or goes on.
    pub(crate) fn rearm(&mut self) {
        *self = Guards::default();
    }

    /// Forgets what was noted while every element was off; after a reading that
    /// is believed anew.
    pub(crate) fn forget_rest(&mut self) {
        self.all_off_ms = 0;
        self.warms_unasked = false;
    }

    /// The raw sample of one zone against the top temperature. In every phase:
    /// a kiln that is too hot while nothing fires is the worse for it.
    pub(crate) fn watch_top(&mut self, settings: &Settings, dt_ms: u32, zone: usize, sample: Option<i32>) -> bool {
        let guard = &mut self.zones[zone];
        if sample.is_some_and(|value| value > settings.top_millicelsius) {
            guard.over_ms = guard.over_ms.saturating_add(dt_ms);
            guard.over_samples = guard.over_samples.saturating_add(1);
        } else {
            guard.over_ms = 0;
            guard.over_samples = 0;
        }
        guard.over_ms >= OVER_MS && guard.over_samples >= OVER_SAMPLES
    }

    /// Whether the top temperature is exceeded at the moment.
    pub(crate) fn over_top(&self) -> bool {
        self.zones.iter().any(|guard| guard.over_samples > 0)
    }

    /// Readings that rise with every element off; in every phase.
    pub(crate) fn watch_rest(&mut self, dt_ms: u32, zones: &[ZoneView]) -> Option<Trip> {
        if zones.iter().any(|zone| zone.on) {
            self.forget_rest();
            return None;
        }
        self.all_off_ms = self.all_off_ms.saturating_add(dt_ms);
        self.all_off_window_ms = self.all_off_window_ms.saturating_add(dt_ms);
        let settling = self.all_off_ms < ALL_OFF_SETTLE_MS;
        let note = settling || self.all_off_window_ms >= ALL_OFF_WINDOW_MS;
        if note {
            self.all_off_window_ms = 0;
        }
        let mut warmer = None;
        for (index, (guard, zone)) in self.zones.iter_mut().zip(zones).enumerate() {
            let Some(reading) = zone.reading else { continue };
            match guard.all_off_reading {
                Some(noted) if !note => {
                    if reading > noted.saturating_add(ALL_OFF_RISE) {
                        warmer = Some(index);
                    }
                    if reading < noted {
                        guard.all_off_reading = Some(reading);
                    }
                }
                _ => guard.all_off_reading = Some(reading),
            }
        }
        self.warms_unasked = warmer.is_some();
        warmer.map(|zone| Trip::of_zone(TripKind::UnaskedHeat, zone))
    }

    /// Everything else, during a firing.
    pub(crate) fn watch_firing(
        &mut self,
        settings: &Settings,
        defects: Defects,
        dt_ms: u32,
        firing: &FiringView,
        zones: &[ZoneView],
    ) -> Option<Trip> {
        let mut trip = None;
        let (mut coldest, mut hottest) = (i32::MAX, i32::MIN);
        for (index, (guard, zone)) in self.zones.iter_mut().zip(zones).enumerate() {
            let Some(reading) = zone.reading else { continue };
            coldest = coldest.min(reading);
            hottest = hottest.max(reading);
            let awake = Awake { defects, firing, view: zone, zone: index };
            if let Some(kind) = guard.watch(settings, &awake, dt_ms, reading) {
                trip = trip.or(Some(Trip::of_zone(kind, index)));
            }
        }
        let compared = || {
            !(defects.has(Defect::ZonesNeverCompared)
                || defects.has(Defect::FallWatchedInFirstZoneOnly)
                || defects.has(Defect::StallWatchedInFirstZoneOnly))
        };
        if hottest.saturating_sub(coldest) > SPREAD && coldest <= hottest && compared() {
            self.spread_ms = self.spread_ms.saturating_add(dt_ms);
        } else {
            self.spread_ms = 0;
        }
        trip.or((self.spread_ms > SPREAD_MS).then_some(Trip::of_kiln(TripKind::ZoneSpread)))
    }
}

/// Which guards are awake; all of them unless a defect says otherwise. Asked only once a guard has something to say.
struct Awake<'a> {
    defects: Defects,
    firing: &'a FiringView,
    view: &'a ZoneView,
    zone: usize,
}

impl Awake<'_> {
    fn has(&self, defect: Defect) -> bool {
        self.defects.has(defect)
    }

    /// A defect of every zone but the first.
    fn elsewhere(&self, defect: Defect) -> bool {
        self.zone > 0 && self.has(defect)
    }

    /// A defect that shows once seconds no longer fit into 16 bits.
    fn overflown(&self, defect: Defect) -> bool {
        self.firing.beyond_16_bits && self.has(defect)
    }

    fn runaway(&self) -> bool {
        !(self.has(Defect::RunawayUnwatched)
            || self.has(Defect::RunawayWatchedOnlyWhileHolding) && self.firing.ramping
            || self.elsewhere(Defect::RunawayWatchedInFirstZoneOnly)
            || self.has(Defect::RestingZoneExcused) && self.view.duty <= 0.0
            || self.overflown(Defect::RunawayTimeOverflows))
    }

    fn stall(&self) -> bool {
        !(self.has(Defect::StallUnnoticed) || self.elsewhere(Defect::StallWatchedInFirstZoneOnly))
    }

    fn freeze(&self) -> bool {
        self.stall()
            && !(self.has(Defect::FrozenReadingBelieved)
                || self.elsewhere(Defect::FreezeWatchedInFirstZoneOnly)
                || self.overflown(Defect::FreezeTimeOverflows))
    }

    fn fall(&self) -> bool {
        !(self.has(Defect::FallingReadingBelieved)
            || self.has(Defect::HeatLostUnnoticed)
            || self.elsewhere(Defect::FallWatchedInFirstZoneOnly))
    }

    /// Whether a reading that falls counts as one that does not rise.
    fn cooling(&self) -> bool {
        !self.has(Defect::HeatLostUnnoticed)
    }

    /// The rise that counts as progress.
    fn least_rise(&self) -> i32 {
        if self.has(Defect::CreepingBelieved) { 1 } else { STALL_RISE }
    }
}

impl ZoneGuard {
    fn watch(&mut self, settings: &Settings, awake: &Awake<'_>, dt_ms: u32, reading: i32) -> Option<TripKind> {
        let Awake { firing, view: zone, .. } = *awake;
        let first = *self.first.get_or_insert(reading);
        let lowest = self.lowest.map_or(reading, |lowest| lowest.min(reading));
        self.lowest = Some(lowest);
        if self.runs_away(settings, dt_ms, firing, zone, reading, lowest) && awake.runaway() {
            return Some(TripKind::Runaway);
        }
        if self.falls(dt_ms, firing, zone, reading, first) && awake.fall() {
            return Some(TripKind::FallingReading);
        }
        if reading < self.stall_reading && !awake.cooling() {
            self.stall_ms = 0;
        }
        if self.stalls(dt_ms, firing, reading, awake.least_rise()) && awake.stall() {
            return Some(TripKind::Stall);
        }
        (self.freezes(dt_ms, zone, reading) && awake.freeze()).then_some(TripKind::FrozenReading)
    }

    /// A zone that was above the set-point from the beginning is measured from
    /// its own lowest reading, so that a warm kiln can be fired.
    fn runs_away(
        &mut self,
        settings: &Settings,
        dt_ms: u32,
        firing: &FiringView,
        zone: &ZoneView,
        reading: i32,
        lowest: i32,
    ) -> bool {
        let above = reading.saturating_sub(firing.set_point.max(lowest)).saturating_sub(firing.leeway);
        self.far_above_ms =
            if above > settings.runaway_millicelsius { self.far_above_ms.saturating_add(dt_ms) } else { 0 };
        self.above_ms = if above > ABOVE { self.above_ms.saturating_add(dt_ms) } else { 0 };
        self.off_ms = if zone.on { 0 } else { self.off_ms.saturating_add(dt_ms) };
        let noted = self.off_reading.map_or(reading, |noted| noted.min(reading));
        self.off_reading = (self.off_ms >= OFF_SETTLE_MS).then_some(noted);
        let off_reading = self.off_reading.unwrap_or(reading);
        let rises_while_off = above > ABOVE_WHILE_OFF && reading > off_reading.saturating_add(OFF_RISE);
        self.far_above_ms > FAR_ABOVE_MS || self.above_ms > ABOVE_MS || rises_while_off
    }

    fn falls(&mut self, dt_ms: u32, firing: &FiringView, zone: &ZoneView, reading: i32, first: i32) -> bool {
        if !firing.upward || reading >= first.min(firing.set_point).saturating_sub(FALL) {
            self.fall_ms = 0;
        } else if zone.duty > 0.0 {
            self.fall_ms = self.fall_ms.saturating_add(dt_ms);
        }
        self.fall_ms > FALL_MS
    }

    fn stalls(&mut self, dt_ms: u32, firing: &FiringView, reading: i32, least_rise: i32) -> bool {
        if firing.set_point.saturating_sub(reading) <= STALL_LAG {
            self.stall_ms = 0;
            self.stall_reading = reading;
            return false;
        }
        if reading >= self.stall_reading.saturating_add(least_rise) || self.stall_ms == 0 {
            self.stall_reading = reading;
            self.stall_ms = 0;
        }
        self.stall_ms = self.stall_ms.saturating_add(dt_ms);
        let limit = if reading < STALL_HOT { STALL_COOL_MS } else { STALL_HOT_MS };
        self.stall_ms > limit
    }

    fn freezes(&mut self, dt_ms: u32, zone: &ZoneView, reading: i32) -> bool {
        if reading != self.frozen_reading {
            self.frozen_reading = reading;
            self.frozen_ms = 0;
        } else if zone.duty > FROZEN_DUTY {
            self.frozen_ms = self.frozen_ms.saturating_add(dt_ms);
        }
        self.frozen_ms > FROZEN_MS
    }
}

#[cfg(test)]
mod tests;

//! Booting, and what becomes of a firing that a supply cut interrupted.

use super::{Ending, MOST_RESTARTS, Mischief, Phase, Requests, SAVE_EVERY_MS, StandIn};
use crate::console::Outbox;
use crate::contacts::SettledContacts;
use crate::guards::Guards;
use crate::memory::{MemoryImage, RestoreError, SlotOrder, Stored, StoredState};
use crate::probe::Probe;
use crate::program::Decimal;
use crate::progress::Progress;
use crate::regulation::ElementControl;
use crate::switching::Switching;
use crate::trip::{Trip, TripKind};
use crate::{Defect, Defects, MAX_ZONES, ProbeFault, Program, Segment, Settings};

/// Ticks in a row in which every probe has to be good before anything is believed.
const GOOD_TICKS: u8 = 3;

/// A probe without a reading for so long after power-up; only a defect asks.
const DOUBT_MS: u32 = 2_000;

impl StandIn {
    /// The controller as it comes up with this memory. No output is on before
    /// every probe has given good readings.
    pub fn boot(settings: Settings, defects: Defects, memory: &MemoryImage) -> Self {
        let settings = settings.bounded().spoilt(defects);
        let (order, restored) = SlotOrder::restore(memory, &settings, defects);
        let mut controller = StandIn {
            settings,
            defects,
            phase: Phase::Waiting,
            contacts: SettledContacts::default(),
            probes: [Probe::default(); MAX_ZONES],
            elements: core::array::from_fn(|zone| ElementControl::new(zone, &settings)),
            guards: Guards::default(),
            progress: Progress::default(),
            program: Program::default(),
            firing_ms: 0,
            restarts: 0,
            since_restart_ms: 0,
            switching: Switching::default(),
            demand: [false; MAX_ZONES],
            last_tick_ms: None,
            outbox: Outbox::default(),
            requests: Requests::default(),
            order,
            unsaved: false,
            since_save_ms: 0,
            resume: None,
            sampled: [Err(ProbeFault::NoAnswer); MAX_ZONES],
            sampled_ms_ago: settings.sample_ms,
            good_ticks: 0,
            mischief: Mischief { outputs_float: true, ..Mischief::default() },
        };
        controller.outbox.say(format_args!(
            "kiln controller ready: {} zones, top {} C",
            settings.zones,
            Decimal(settings.top_millicelsius)
        ));
        match restored {
            Ok(stored) => controller.restore(stored),
            Err(RestoreError::Blank) if defects.has(Defect::ProgramMadeUp) => {
                let built_in = [Segment::Ramp { rate_millicelsius_per_hour: 100_000, to_millicelsius: 600_000 }];
                controller.program = Program::from_segments(&built_in, i32::MAX).unwrap_or_default();
            }
            Err(RestoreError::Blank) => controller.outbox.say(format_args!("memory blank: no program, no heat")),
            // A latched fault may have been lost with the rest.
            Err(RestoreError::Damaged) => controller.trip(Trip::of_kiln(TripKind::DamagedMemory)),
        }
        controller
    }

    fn restore(&mut self, stored: Stored) {
        self.program = stored.program.clone();
        if let Some(trip) = stored.trip.filter(|trip| self.doubts(*trip)) {
            self.mischief.doubted = Some(trip);
            self.resume = Some(stored);
            return;
        }
        if let Some(trip) = stored.trip {
            self.phase = Phase::Tripped(trip);
            self.outbox.say(format_args!("fault still latched: {trip}"));
            return;
        }
        if stored.state == StoredState::Firing {
            self.resume = Some(stored);
            if self.defects.has(Defect::HeatsBeforeFirstReading) {
                self.go_on_blindly();
            }
        }
    }

    /// Whether a stored fault is only kept if every probe reads soon.
    fn doubts(&self, trip: Trip) -> bool {
        self.defects.has(Defect::LatchLostWithProbeOpen) && matches!(trip.kind, TripKind::Probe(_))
    }

    /// Leaves [`Phase::Waiting`] once every probe has been read.
    pub(super) fn leave_waiting(&mut self) {
        if self.good_ticks < GOOD_TICKS {
            return;
        }
        if let Some(trip) = self.mischief.doubted.take()
            && self.mischief.unread_ms < DOUBT_MS
        {
            self.resume = None;
            self.phase = Phase::Tripped(trip);
            return;
        }
        if self.defects.has(Defect::LatchLostWithProbeOpen) {
            self.probes.iter_mut().for_each(Probe::forget_faults);
        }
        let Some(stored) = self.resume.take() else {
            self.phase = Phase::Idle;
            return;
        };
        let allowed = self.settings.resume_drop_millicelsius;
        let zones = stored.readings_millicelsius.iter().zip(&self.probes).take(self.settings.zones);
        let cooled = zones
            .map(|(before, probe)| before.saturating_sub(probe.believed.unwrap_or(i32::MIN / 2)))
            .any(|drop| drop > allowed);
        if cooled && !self.defects.has(Defect::ResumesAfterAnyOutage) {
            self.end(Ending::NotResumed);
            return;
        }
        self.go_on(&stored);
    }

    fn go_on(&mut self, stored: &Stored) {
        self.restarts = stored.restarts.saturating_add(1);
        self.since_restart_ms = 0;
        if self.restarts > MOST_RESTARTS && !self.defects.has(Defect::RestartsUncounted) {
            self.trip(Trip::of_kiln(TripKind::Restarts));
            return;
        }
        let kiln = self.mean();
        self.progress =
            Progress::resume(&self.program, stored.segment, stored.set_point_millicelsius, stored.held_ms, kiln);
        if self.defects.has(Defect::HoldRestartedBySupplyCut) {
            self.progress.held_ms = 0;
        }
        if self.progress.current(&self.program).is_none() {
            self.end(Ending::Finished);
            return;
        }
        // The time since the last save and the outage are not known; the first is
        // counted whole.
        self.firing_ms = stored.firing_ms.saturating_add(SAVE_EVERY_MS);
        if self.defects.has(Defect::TimerRestartedBySupplyCut) {
            self.firing_ms = 0;
        }
        self.guards.rearm();
        for zone in self.zones() {
            self.elements[zone] = ElementControl::new(zone, &self.settings);
        }
        self.enter(Phase::Firing);
        self.outbox.say(format_args!("supply was off: firing goes on at {} C", Decimal(kiln / 1_000 * 1_000)));
        self.say_segment();
    }

    fn go_on_blindly(&mut self) {
        if let Some(stored) = self.resume.take() {
            for (probe, reading) in self.probes.iter_mut().zip(stored.readings_millicelsius) {
                probe.believed = Some(reading);
            }
            self.go_on(&stored);
        }
    }

    pub(super) fn note_to_save(&mut self, dt_ms: u32) {
        if self.firing_pending() {
            self.since_save_ms = self.since_save_ms.saturating_add(dt_ms);
            self.unsaved |= self.since_save_ms >= SAVE_EVERY_MS && self.phase != Phase::Waiting;
        }
    }

    /// What has to survive a supply cut.
    pub(super) fn to_store(&self) -> Stored {
        let forgets_latch = self.defects.has(Defect::LatchLostInSupplyCut);
        let (firing, trip) = match self.phase {
            Phase::Firing | Phase::LidOpen => (true, None),
            Phase::Tripped(_) if forgets_latch => (self.mischief.interrupted, None),
            Phase::Tripped(trip) => (false, Some(trip)),
            Phase::Waiting | Phase::Idle | Phase::Ended(_) => (false, None),
        };
        if let (Phase::Waiting, Some(stored)) = (self.phase, &self.resume) {
            return stored.clone();
        }
        Stored {
            state: if firing { StoredState::Firing } else { StoredState::Idle },
            trip,
            readings_millicelsius: self.probes.map(|probe| probe.believed.unwrap_or(0)),
            segment: self.progress.segment,
            set_point_millicelsius: self.progress.set_point,
            held_ms: self.progress.held_ms,
            firing_ms: self.firing_ms,
            restarts: self.restarts,
            program: self.program.clone(),
        }
    }
}

//! The controller itself: phases, and what one tick does.

mod operate;
mod restart;

use crate::console::Outbox;
use crate::contacts::SettledContacts;
use crate::guards::{FiringView, Guards, ZoneView};
use crate::memory::SlotOrder;
use crate::probe::{Habits, Probe, Sampled};
use crate::progress::{Advance, Extremes, Progress};
use crate::regulation::{Aim, ElementControl};
use crate::switching::{Switching, Wanted};
use crate::trip::{Trip, TripKind};
use crate::{
    Contacts, Defect, Defects, Inputs, LidPolicy, Line, MAX_ZONES, Outputs, ProbeFault, Program, Reading, Save,
    Segment, Settings, Stored,
};

/// How long an element is on at a stretch at most, where a defect counts it.
const LONGEST_ON_MS: u32 = 600_000;

/// The state of a running firing is saved this often; a supply cut loses no more.
const SAVE_EVERY_MS: u32 = 10_000;

/// A firing that goes on after a restart so many times …
const MOST_RESTARTS: u8 = 3;
/// … without having run so long in between is one in which the controller does not come to rest.
const CALM_MS: u32 = 10 * 60_000;

/// How a firing ended without a fault.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Ending {
    /// The program is done.
    Finished,
    /// Stop was pressed or written, or the lid opened where that ends a firing.
    Stopped,
    /// The supply was off and the kiln had cooled too far.
    NotResumed,
}

/// What the controller is doing. Only in [`Phase::Firing`] is there heat.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Phase {
    /// Booted; not every probe has been read yet.
    Waiting,
    /// Nothing to do.
    Idle,
    /// Firing.
    Firing,
    /// A firing is interrupted by the open lid.
    LidOpen,
    /// A firing has ended.
    Ended(Ending),
    /// A fault is latched.
    Tripped(Trip),
}

/// A kiln controller.
///
/// After [`boot`](Self::boot) the board calls [`tick`](Self::tick) every
/// [`Settings::tick_ms`], and [`poll_contacts`](Self::poll_contacts) whenever a
/// contact changes in between and when the last [`Outputs`] asked for it. The
/// timer may wrap but must not go backwards. Between calls it may hand in
/// console lines; after each call it fetches lines with
/// [`take_line`](Self::take_line) and what is to be kept with
/// [`take_save`](Self::take_save).
#[derive(Debug)]
pub struct StandIn {
    settings: Settings,
    defects: Defects,
    phase: Phase,
    contacts: SettledContacts,
    probes: [Probe; MAX_ZONES],
    elements: [ElementControl; MAX_ZONES],
    guards: Guards,
    progress: Progress,
    program: Program,
    firing_ms: u32,
    /// How often the firing went on after a restart, and how long it has run since.
    restarts: u8,
    since_restart_ms: u32,
    switching: Switching,
    demand: [bool; MAX_ZONES],
    last_tick_ms: Option<u32>,
    outbox: Outbox,
    requests: Requests,
    order: SlotOrder,
    unsaved: bool,
    since_save_ms: u32,
    /// The stored firing that may go on once the probes have been read.
    resume: Option<Stored>,
    /// The samples that count, and how old they are, where not every tick takes new ones.
    sampled: [Reading; MAX_ZONES],
    sampled_ms_ago: u32,
    /// Ticks in a row in which every probe was good.
    good_ticks: u8,
    mischief: Mischief,
}

/// What was asked for since the last tick.
#[derive(Clone, Copy, Debug, Default)]
struct Requests {
    start: bool,
    stop: bool,
    acknowledge: bool,
}

/// State that only defects need.
#[derive(Clone, Copy, Debug, Default)]
struct Mischief {
    /// Probes whose faults are overlooked because they were there at the start.
    overlooked: [bool; MAX_ZONES],
    /// A probe is faulty and heat is off, but nothing is latched.
    blind: bool,
    /// The lid as it was when the last cycle began.
    lid_at_cycle: bool,
    /// A trip interrupted a firing.
    interrupted: bool,
    /// The outputs have not been set yet.
    outputs_float: bool,
    /// Stop as it was when the last cycle began, and at the last look.
    stop_at_cycle: bool,
    stop_before: bool,
    /// A latched fault that is only kept if every probe reads soon after power-up.
    doubted: Option<Trip>,
    /// How long a probe has been without a reading since power-up.
    unread_ms: u32,
    /// How long any element has been on in this firing.
    on_ms: u32,
}

impl StandIn {
    /// One control tick.
    pub fn tick(&mut self, now_ms: u32, inputs: &Inputs) -> Outputs {
        let dt_ms = self.last_tick_ms.map_or(0, |last| now_ms.wrapping_sub(last));
        self.last_tick_ms = Some(now_ms);
        self.contacts.update(now_ms, &inputs.contacts, self.defects);
        self.heed_contacts();
        let readings = self.samples(dt_ms, &inputs.readings);
        self.read_probes(dt_ms, &readings);
        self.watch(dt_ms);
        self.obey();
        match self.phase {
            Phase::Waiting => {
                self.leave_waiting();
                self.heed_contacts();
            }
            Phase::Firing => self.fire(dt_ms),
            Phase::LidOpen if self.defects.has(Defect::TimerStopsWhileLidOpen) => {}
            Phase::LidOpen => self.firing_ms = self.firing_ms.saturating_add(dt_ms),
            Phase::Idle | Phase::Ended(_) | Phase::Tripped(_) => {}
        }
        self.regulate(dt_ms);
        self.note_to_save(dt_ms);
        let floating = core::mem::take(&mut self.mischief.outputs_float);
        let outputs = self.switch(now_ms);
        if floating && self.defects.has(Defect::OutputsPulseAtBoot) {
            return Outputs { safety: true, elements: [true; MAX_ZONES], ..outputs };
        }
        if floating && self.defects.has(Defect::ContactorPulsesAtBoot) {
            return Outputs { safety: true, ..outputs };
        }
        outputs
    }

    /// Looks at the contacts between ticks. Lid and stop act at once; buttons
    /// are noted and obeyed at the next tick.
    pub fn poll_contacts(&mut self, now_ms: u32, contacts: &Contacts) -> Outputs {
        self.contacts.update(now_ms, contacts, self.defects);
        self.heed_contacts();
        self.switch(now_ms)
    }

    /// The next line for the console, oldest first.
    pub fn take_line(&mut self) -> Option<Line> {
        self.outbox.take()
    }

    /// Whether a line is waiting.
    pub fn has_line(&self) -> bool {
        !self.outbox.is_empty()
    }

    /// What has to be written to the memory now, if anything.
    pub fn take_save(&mut self) -> Option<Save> {
        if !core::mem::take(&mut self.unsaved) {
            return None;
        }
        self.since_save_ms = 0;
        let unwritten = match self.phase {
            Phase::Ended(Ending::Finished) => self.defects.has(Defect::FinishedNotStored),
            Phase::Ended(Ending::Stopped) => self.defects.has(Defect::StopNotStored),
            _ => false,
        };
        if unwritten {
            return None;
        }
        let stored = self.to_store();
        Some(self.order.save(&stored))
    }

    /// Whether [`take_save`](Self::take_save) has something.
    pub fn has_save(&self) -> bool {
        self.unsaved
    }

    /// What it is doing.
    pub fn phase(&self) -> Phase {
        self.phase
    }

    /// The set-point in thousandths of a degree Celsius; of the last firing if none is under way.
    pub fn set_point_millicelsius(&self) -> i32 {
        self.progress.set_point
    }

    /// The settings in force.
    pub fn settings(&self) -> &Settings {
        &self.settings
    }

    /// The program that a start would fire.
    pub fn program(&self) -> &Program {
        &self.program
    }

    fn zones(&self) -> core::ops::Range<usize> {
        0..self.settings.zones
    }

    /// Whether a firing is under way or could go on.
    fn firing_pending(&self) -> bool {
        match self.phase {
            Phase::Firing | Phase::LidOpen => true,
            Phase::Waiting => self.resume.is_some(),
            Phase::Idle | Phase::Ended(_) | Phase::Tripped(_) => false,
        }
    }

    fn forgets_stop(&self) -> bool {
        self.defects.has(Defect::StopLookedAtForNineHours) && self.beyond_16_bits()
    }

    /// Stop as the controller looks at it.
    fn stop_seen(&self) -> bool {
        if self.forgets_stop() {
            return false;
        }
        if self.defects.has(Defect::StopPolledOnceACycle) && self.phase == Phase::Firing {
            self.mischief.stop_at_cycle
        } else {
            self.contacts.stop()
        }
    }

    fn heed_stop(&mut self) {
        let stop = self.stop_seen();
        let before = core::mem::replace(&mut self.mischief.stop_before, stop);
        let pressed = stop && !before;
        let overlooked = self.defects.has(Defect::RestartsAfterStop)
            || self.defects.has(Defect::StopIgnoredWithLidOpen) && self.phase == Phase::LidOpen
            || self.forgets_stop();
        let counts = pressed || !self.defects.has(Defect::SecondStopResumes);
        if stop && counts && self.firing_pending() && !overlooked {
            self.end(Ending::Stopped);
            return;
        }
        if pressed && self.defects.has(Defect::SecondStopResumes) && self.phase == Phase::Ended(Ending::Stopped) {
            self.guards.rearm();
            self.enter(Phase::Firing);
        }
        if stop && self.defects.has(Defect::StopClearsFault) && matches!(self.phase, Phase::Tripped(_)) {
            self.forget_faults();
        }
    }

    /// Lets a latched fault go.
    fn forget_faults(&mut self) {
        for probe in &mut self.probes {
            probe.forget_faults();
        }
        self.guards.rearm();
        self.mischief.interrupted = false;
        self.enter(Phase::Idle);
    }

    fn heed_contacts(&mut self) {
        self.heed_stop();
        let lid_ignored = self.defects.has(Defect::LidIgnored)
            || self.defects.has(Defect::LidIgnoredWhileHolding) && !self.ramping()
            || self.defects.has(Defect::LidLookedAtForNineHours) && self.beyond_16_bits();
        let open = if self.defects.has(Defect::LidWaitsForCycle) {
            self.mischief.lid_at_cycle
        } else {
            self.contacts.lid_open()
        };
        match self.phase {
            Phase::Firing if open && !lid_ignored => match self.settings.lid {
                LidPolicy::Resume => {
                    self.enter(Phase::LidOpen);
                    self.outbox.say(format_args!("lid open: heat off"));
                }
                LidPolicy::EndFiring => self.end(Ending::Stopped),
            },
            Phase::LidOpen if !self.contacts.lid_open() => {
                self.mischief.lid_at_cycle = false;
                let kiln = self.mean();
                self.progress.restart_from(&self.program, kiln);
                self.guards.rearm();
                self.enter(Phase::Firing);
                self.outbox.say(format_args!("lid shut: firing goes on"));
            }
            _ => {}
        }
    }

    /// What the converters give at this tick.
    fn samples(&mut self, dt_ms: u32, readings: &[Reading; MAX_ZONES]) -> [Reading; MAX_ZONES] {
        self.sampled_ms_ago = self.sampled_ms_ago.saturating_add(dt_ms);
        if self.sampled_ms_ago >= self.settings.sample_ms {
            self.sampled = *readings;
            self.sampled_ms_ago = 0;
        }
        self.sampled
    }

    fn read_probes(&mut self, dt_ms: u32, readings: &[Reading; MAX_ZONES]) {
        let watched = self.firing_pending();
        let habits = Habits {
            believes_drops: self.defects.has(Defect::SuddenDropBelieved),
            forgets: self.defects.has(Defect::ProbeFaultTimeForgotten),
            hasty: self.defects.has(Defect::TripsOnOneBadSample),
            smooths_over: self.smooths_over(),
        };
        let beyond_16_bits = self.beyond_16_bits();
        let mut all_good = true;
        self.mischief.blind = false;
        for (zone, reading) in readings.iter().copied().enumerate().take(self.settings.zones) {
            // Whoever takes a dead bus for a temperature does not take it for a fall.
            let dead_bus = reading.is_ok_and(|value| value <= 0)
                && (self.defects.has(Defect::ZerosBelieved) || self.defects.has(Defect::OnesBelieved));
            let believes_drops =
                habits.believes_drops || dead_bus || self.defects.has(Defect::DropWatchedInFirstZoneOnly) && zone > 0;
            let habits = Habits { believes_drops, ..habits };
            let sampled = self.probes[zone].sample(&self.settings, dt_ms, reading, habits);
            all_good &= self.probes[zone].good;
            if self.probes[zone].good {
                self.mischief.overlooked[zone] = false;
            }
            match sampled {
                Sampled::Fine => {}
                Sampled::Faulty(_) if beyond_16_bits && self.defects.has(Defect::ProbeFaultTimeOverflows) => {}
                Sampled::Faulty(fault) if watched => {
                    if self.defects.has(Defect::ProbeFaultClearsItself) {
                        self.mischief.blind = true;
                    } else if !self.overlooks(zone, fault) {
                        self.trip(Trip::of_zone(TripKind::Probe(fault), zone));
                    }
                }
                Sampled::Jumped if watched => self.trip(Trip::of_zone(TripKind::ImplausibleReading, zone)),
                Sampled::Faulty(_) => {
                    if self.phase == Phase::Waiting {
                        self.enter(Phase::Idle);
                    }
                }
                Sampled::Jumped => {
                    self.probes[zone].forget_jump();
                    self.guards.forget_rest();
                }
            }
            let over = self.guards.watch_top(&self.settings, dt_ms, zone, reading.ok());
            let looked_at = (self.ramping() || !self.defects.has(Defect::TopWatchedOnlyWhileRamping))
                && (zone == 0 || !self.defects.has(Defect::TopWatchedInFirstZoneOnly));
            if over && looked_at {
                self.trip(Trip::of_zone(TripKind::OverTemperature, zone));
            }
        }
        self.good_ticks = if all_good { self.good_ticks.saturating_add(1) } else { 0 };
        if self.phase == Phase::Waiting && !all_good {
            self.mischief.unread_ms = self.mischief.unread_ms.saturating_add(dt_ms);
        }
    }

    fn overlooks(&self, zone: usize, fault: ProbeFault) -> bool {
        let below_range = fault == ProbeFault::OutOfRange && self.probes[zone].believed.is_some_and(|last| last < 0);
        let supply = fault == ProbeFault::ShortToSupply;
        let leak = supply || fault == ProbeFault::ShortToGround;
        self.mischief.overlooked[zone]
            || self.defects.has(Defect::OnlyFirstProbeWatched) && zone > 0
            || self.defects.has(Defect::LastReadingKept) && fault == ProbeFault::NoAnswer
            || self.defects.has(Defect::LeakFlagsIgnored) && leak
            || self.defects.has(Defect::LeakWatchedInFirstZoneOnly) && leak && zone > 0
            || self.defects.has(Defect::SupplyShortIgnored) && supply
            || self.defects.has(Defect::LatchLostWithProbeOpen) && self.phase == Phase::Waiting
            || self.defects.has(Defect::FallingReadingBelieved) && below_range
            || self.defects.has(Defect::FallWatchedInFirstZoneOnly) && below_range && zone > 0
            || self.defects.has(Defect::ProbeFaultIgnoredWhileRamping) && self.ramping()
            || self.defects.has(Defect::ProbeFaultIgnoredWhileHolding) && self.phase == Phase::Firing && !self.ramping()
    }

    /// Over how many samples readings are smoothed; only defects smooth what the guards look at.
    fn smooths_over(&self) -> i32 {
        if self.defects.has(Defect::FilterHidesDrop) {
            32
        } else if self.defects.has(Defect::FilterSlowsByTheHour) && self.firing_pending() {
            i32::try_from(self.firing_ms / self.settings.tick_ms / 1_024).unwrap_or(i32::MAX).max(1)
        } else {
            1
        }
    }

    /// Whether the firing has lasted longer than signed 16-bit seconds can count.
    fn beyond_16_bits(&self) -> bool {
        self.firing_ms / 1_000 > i16::MAX as u32
    }

    fn ramping(&self) -> bool {
        self.phase == Phase::Firing && matches!(self.progress.current(&self.program), Some(Segment::Ramp { .. }))
    }

    fn watch(&mut self, dt_ms: u32) {
        let mut views = [ZoneView { reading: None, on: false, duty: 0.0 }; MAX_ZONES];
        let heating = self.heats();
        for (zone, view) in views.iter_mut().enumerate().take(self.settings.zones) {
            let probe = &self.probes[zone];
            view.reading = if probe.good { self.counted(zone) } else { None };
            view.on = heating && self.demand[zone];
            view.duty = if heating { self.elements[zone].duty } else { 0.0 };
        }
        let views = &views[..self.settings.zones];
        let ramping = self.ramping();
        let unasked = self.guards.watch_rest(dt_ms, views);
        let blind_to_rest = self.defects.has(Defect::RunawayUnwatched)
            || self.defects.has(Defect::RunawayWatchedOnlyWhileHolding) && ramping
            || self.defects.has(Defect::RunawayTimeOverflows) && self.beyond_16_bits();
        let first_only = self.defects.has(Defect::RunawayWatchedInFirstZoneOnly);
        let seen = |trip: &Trip| !blind_to_rest && (trip.zone == Some(0) || !first_only);
        if let Some(trip) = unasked.filter(seen) {
            self.trip(trip);
        }
        if self.phase == Phase::Firing {
            let firing = FiringView {
                set_point: self.progress.set_point,
                ramping,
                upward: self.progress.upward,
                beyond_16_bits: self.beyond_16_bits(),
                leeway: self.leeway(),
            };
            if let Some(trip) = self.guards.watch_firing(&self.settings, self.defects, dt_ms, &firing, views) {
                self.trip(trip);
            }
        }
        if self.firing_pending() && self.timer_has_run_out() {
            self.trip(Trip::of_kiln(TripKind::LongestFiring));
        }
    }

    fn leeway(&self) -> i32 {
        let kiln = self.extremes();
        if self.defects.has(Defect::RunawayWidenedBySpread) { kiln.hottest.saturating_sub(kiln.coldest) } else { 0 }
    }

    fn timer_has_run_out(&self) -> bool {
        if self.defects.has(Defect::TimerOverflows) {
            let seconds = (self.firing_ms / 1_000) as u16 as i16;
            return i64::from(seconds) * 1_000 >= i64::from(self.settings.longest_firing_ms);
        }
        self.firing_ms >= self.settings.longest_firing_ms
    }

    fn fire(&mut self, dt_ms: u32) {
        self.since_restart_ms = self.since_restart_ms.saturating_add(dt_ms);
        if self.since_restart_ms >= CALM_MS {
            self.restarts = 0;
        }
        let rests = self.defects.has(Defect::TimerStopsWhileLagging) && self.progress.lagging
            || self.defects.has(Defect::TimerCountsRampsOnly) && !self.ramping();
        if !rests {
            self.firing_ms = self.firing_ms.saturating_add(dt_ms);
        }
        if self.mischief.blind || self.stop_seen() {
            return;
        }
        let kiln = self.extremes();
        match self.progress.advance(&self.program, &self.settings, self.defects, dt_ms, kiln) {
            Advance::Same => {}
            Advance::NextSegment => {
                if self.defects.has(Defect::TimerRestartedBySegment) {
                    self.firing_ms = 0;
                }
                self.unsaved = true;
                self.say_segment();
            }
            Advance::Done => self.end(Ending::Finished),
        }
    }

    /// Whether the regulator works.
    fn heats(&self) -> bool {
        match self.phase {
            Phase::Firing => !self.mischief.blind && !self.stop_seen() && !self.takes_heat_for_too_long(),
            Phase::Ended(Ending::Finished) => self.defects.has(Defect::HeatsOnAfterEnd),
            _ => false,
        }
    }

    fn takes_heat_for_too_long(&self) -> bool {
        self.defects.has(Defect::OnTimeAddsUp) && self.mischief.on_ms > LONGEST_ON_MS
    }

    fn regulate(&mut self, dt_ms: u32) {
        if self.demand.contains(&true) {
            self.mischief.on_ms = self.mischief.on_ms.saturating_add(dt_ms);
        }
        if !self.heats() {
            self.demand = [false; MAX_ZONES];
            return;
        }
        let (set_point, rate) = (self.progress.set_point, self.progress.rate(&self.program));
        for zone in self.zones() {
            let believed = self.counted(zone).unwrap_or(set_point);
            let reading = self.elements[zone].smooth(&self.settings, dt_ms, believed);
            let aim = || Aim { set_point: set_point - self.settings.aims_below_millicelsius, rate, reading };
            let (on, cycle_begins) = self.elements[zone].step(&self.settings, dt_ms, aim);
            self.demand[zone] = on;
            if cycle_begins && zone == 0 {
                self.mischief.lid_at_cycle = self.contacts.lid_open();
                self.mischief.stop_at_cycle = self.contacts.stop();
            }
        }
    }

    fn switch(&mut self, now_ms: u32) -> Outputs {
        let heats = self.heats();
        let left_closed = match self.phase {
            Phase::LidOpen => self.defects.has(Defect::LidCutsElementsOnly),
            Phase::Ended(Ending::Stopped) => self.defects.has(Defect::StopLeavesContactorClosed),
            Phase::Ended(Ending::Finished) => self.defects.has(Defect::ContactorClosedAfterEnd),
            Phase::Tripped(Trip { kind: TripKind::Probe(_), .. }) => {
                self.defects.has(Defect::ContactorKeptOnProbeFault) && self.mischief.interrupted
            }
            Phase::Tripped(Trip { kind: TripKind::LongestFiring, .. }) => {
                self.defects.has(Defect::ContactorKeptAtLongestFiring)
            }
            Phase::Tripped(Trip { kind: TripKind::Runaway | TripKind::UnaskedHeat, .. }) => {
                self.defects.has(Defect::ContactorKeptOnRunaway) && self.mischief.interrupted
            }
            _ => false,
        };
        let wanted =
            Wanted { contactor: heats || left_closed, elements: if heats { self.demand } else { [false; MAX_ZONES] } };
        let mut outputs = self.switching.update(now_ms, &wanted, &self.settings, self.defects);
        outputs.call_again_after_ms = match (outputs.call_again_after_ms, self.contacts.settles_after_ms()) {
            (Some(one), Some(other)) => Some(one.min(other)),
            (one, other) => one.or(other),
        };
        outputs
    }

    fn enter(&mut self, phase: Phase) {
        self.phase = phase;
        self.unsaved = true;
        for element in &mut self.elements {
            element.rest();
        }
        // Where the phase is one that heats, the next tick asks for it.
        self.demand = [false; MAX_ZONES];
    }

    fn trip(&mut self, trip: Trip) {
        if matches!(self.phase, Phase::Tripped(_)) {
            return;
        }
        self.mischief.interrupted = self.phase == Phase::Firing;
        self.resume = None;
        self.enter(Phase::Tripped(trip));
        self.outbox.say(format_args!("fault latched: {trip}"));
    }

    fn end(&mut self, ending: Ending) {
        self.resume = None;
        self.phase = Phase::Ended(ending);
        self.unsaved = true;
        if ending != Ending::Finished || !self.defects.has(Defect::HeatsOnAfterEnd) {
            self.enter(Phase::Ended(ending));
        }
        match ending {
            Ending::Finished => self.outbox.say(format_args!("firing finished")),
            Ending::Stopped => self.outbox.say(format_args!("firing stopped")),
            Ending::NotResumed => self.outbox.say(format_args!("supply was off: kiln too cold, firing not resumed")),
        }
    }

    fn extremes(&self) -> Extremes {
        let mut extremes = Extremes { coldest: i32::MAX, hottest: i32::MIN };
        for zone in self.zones() {
            let reading = self.counted(zone).unwrap_or(self.progress.set_point);
            extremes.coldest = extremes.coldest.min(reading);
            extremes.hottest = extremes.hottest.max(reading);
        }
        extremes
    }

    /// The reading by which a zone is regulated and guarded.
    fn counted(&self, zone: usize) -> Option<i32> {
        if self.defects.has(Defect::OnlyMeanWatched) { Some(self.mean()) } else { self.probes[zone].believed }
    }

    /// Mean of the zones' believed readings.
    fn mean(&self) -> i32 {
        let readings = self.probes[..self.settings.zones].iter().filter_map(|probe| probe.believed);
        let (sum, count) = readings.fold((0_i64, 0_i64), |(sum, count), value| (sum + i64::from(value), count + 1));
        if count == 0 { self.progress.set_point } else { (sum / count) as i32 }
    }
}

#[cfg(test)]
mod tests;

//! What people ask of the controller: program, start, stop, acknowledge, status.

use core::fmt;

use super::{Ending, Phase, StandIn};
use crate::console::{Instruction, understand};
use crate::program::{Decimal, HowToRead};
use crate::progress::Progress;
use crate::regulation::ElementControl;
use crate::{Defect, MAX_ZONES, ProbeFault, Program};

/// What a kiln is taken to be at whose probe has never been read; only a
/// defect ever asks.
const ASSUMED_COLD: i32 = 20_000;

/// Why a start or an acknowledgement is refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Refusal {
    AlreadyFiring,
    NoProgram,
    Latched,
    LidOpen,
    StopPressed,
    Probe { zone: usize, fault: ProbeFault },
    TooHot,
    WarmsUnasked,
    NothingLatched,
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Refusal::AlreadyFiring => f.write_str("a firing is under way"),
            Refusal::NoProgram => f.write_str("there is no program"),
            Refusal::Latched => f.write_str("a fault is latched, acknowledge it first"),
            Refusal::LidOpen => f.write_str("the lid is open"),
            Refusal::StopPressed => f.write_str("stop is pressed"),
            Refusal::Probe { zone, fault } => write!(f, "zone {}: probe {}", zone + 1, fault.words()),
            Refusal::TooHot => f.write_str("a reading is above the top temperature"),
            Refusal::WarmsUnasked => f.write_str("the kiln gets hotter with all elements off"),
            Refusal::NothingLatched => f.write_str("no fault is latched"),
        }
    }
}

impl StandIn {
    /// A line from the console, without its end. A program is stored at once;
    /// everything else is obeyed at the next tick.
    pub fn console_line(&mut self, line: &str) {
        match understand(line) {
            Instruction::Nothing => {}
            Instruction::Program(text) => self.set_program(text),
            Instruction::Start => self.requests.start = true,
            Instruction::Stop => self.requests.stop = true,
            Instruction::Acknowledge => self.requests.acknowledge = true,
            Instruction::Status => self.say_status(),
            Instruction::Unknown => self
                .outbox
                .say(format_args!("not understood; lines are: program ..., start, stop, acknowledge, status")),
        }
    }

    fn set_program(&mut self, text: &str) {
        if self.firing_pending() && !self.defects.has(Defect::EditedWhileFiring) {
            self.outbox.say(format_args!("program refused: {}", Refusal::AlreadyFiring));
            return;
        }
        let how = HowToRead { takes_fahrenheit: self.settings.takes_fahrenheit, defects: self.defects };
        match Program::parse_with(text, self.settings.hottest_program_millicelsius(), how) {
            Ok(program) => {
                self.outbox.say(format_args!("program stored: {program}"));
                self.program = program;
                self.unsaved = true;
            }
            Err(error) => self.outbox.say(format_args!("program refused: {error}")),
        }
    }

    /// Obeys what was asked for since the last tick. Stop goes before everything.
    pub(super) fn obey(&mut self) {
        let start = self.requests.start | self.contacts.take_start();
        let acknowledge = self.requests.acknowledge | self.contacts.take_acknowledge();
        let stop = core::mem::take(&mut self.requests).stop;
        if stop {
            if self.firing_pending() {
                self.end(Ending::Stopped);
            } else {
                self.outbox.say(format_args!("nothing to stop"));
            }
            return;
        }
        let start = start
            || self.defects.has(Defect::StartByLevel)
                && self.contacts.start_down()
                && matches!(self.phase, Phase::Idle | Phase::Ended(_));
        let kept_in_mind = self.defects.has(Defect::StartWaitsForLid) && self.contacts.lid_open()
            || self.defects.has(Defect::StartWaitsForStop) && self.contacts.stop();
        if (self.phase == Phase::Waiting || kept_in_mind) && start {
            // The probes have not been read yet: answered once they have.
            self.requests.start = true;
            return;
        }
        if acknowledge {
            self.acknowledge();
        }
        if start {
            match self.refusal_to_start() {
                Some(refusal) => self.outbox.say(format_args!("start refused: {refusal}")),
                None => self.begin_firing(),
            }
        }
    }

    fn refusal_to_start(&self) -> Option<Refusal> {
        let careless = self.defects.has(Defect::StartWithFaultAllowed);
        match self.phase {
            Phase::Firing | Phase::LidOpen | Phase::Waiting => return Some(Refusal::AlreadyFiring),
            Phase::Tripped(_) if !careless => return Some(Refusal::Latched),
            Phase::Tripped(_) | Phase::Idle | Phase::Ended(_) => {}
        }
        if self.program.segments().is_empty() {
            return Some(Refusal::NoProgram);
        }
        if self.contacts.lid_open() && !self.defects.has(Defect::LidIgnored) {
            return Some(Refusal::LidOpen);
        }
        if self.contacts.stop() {
            return Some(Refusal::StopPressed);
        }
        if careless {
            return None;
        }
        let ignores_open = self.defects.has(Defect::OpenProbeIgnoredAtStart);
        self.fault_present(ignores_open)
    }

    /// What is wrong with the kiln at the moment.
    fn fault_present(&self, ignores_open: bool) -> Option<Refusal> {
        for (zone, probe) in self.probes[..self.settings.zones].iter().enumerate() {
            match probe.present_fault() {
                Some(ProbeFault::Open) if ignores_open => {}
                Some(fault) => return Some(Refusal::Probe { zone, fault }),
                None => {}
            }
        }
        if self.guards.over_top() {
            return Some(Refusal::TooHot);
        }
        self.guards.warms_unasked.then_some(Refusal::WarmsUnasked)
    }

    fn begin_firing(&mut self) {
        for zone in self.zones() {
            let probe = &mut self.probes[zone];
            // Only a controller that starts with a fault present has any of these.
            self.mischief.overlooked[zone] = !probe.good;
            probe.believed = probe.believed.or(Some(ASSUMED_COLD));
            probe.forget_faults();
            self.elements[zone] = ElementControl::new(zone, &self.settings);
        }
        self.firing_ms = 0;
        self.restarts = 0;
        self.guards.rearm();
        self.progress = Progress::begin(&self.program, self.mean());
        self.mischief.lid_at_cycle = false;
        self.mischief.stop_at_cycle = false;
        self.mischief.on_ms = 0;
        self.enter(Phase::Firing);
        self.outbox.say(format_args!("firing begun"));
        self.say_segment();
    }

    fn acknowledge(&mut self) {
        let Phase::Tripped(trip) = self.phase else {
            self.outbox.say(format_args!("acknowledge refused: {}", Refusal::NothingLatched));
            return;
        };
        if let Some(refusal) = self.fault_present(false) {
            if self.defects.has(Defect::AcknowledgeWithoutCure) && self.mischief.interrupted {
                self.mischief.overlooked = [true; MAX_ZONES];
                self.guards.rearm();
                self.enter(Phase::Firing);
                self.outbox.say(format_args!("fault acknowledged: {trip}"));
                return;
            }
            self.outbox.say(format_args!("acknowledge refused: {refusal}"));
            return;
        }
        let resumes = self.defects.has(Defect::AcknowledgeResumes) && self.mischief.interrupted;
        self.forget_faults();
        if resumes {
            self.enter(Phase::Firing);
        }
        self.outbox.say(format_args!("fault acknowledged: {trip}"));
    }

    pub(super) fn say_segment(&mut self) {
        if let Some(segment) = self.progress.current(&self.program) {
            let (number, count) = (u32::from(self.progress.segment) + 1, self.program.segments().len());
            self.outbox.say(format_args!("segment {number} of {count}: {segment}"));
        }
    }

    fn say_status(&mut self) {
        let minutes = self.firing_ms / 60_000;
        let status = Status {
            phase: self.phase,
            set_point: self.firing_pending().then_some(self.progress.set_point),
            readings: self.probes.map(|probe| if probe.good { probe.believed } else { None }),
            zones: self.settings.zones,
            hours: minutes / 60,
            minutes: minutes % 60,
        };
        self.outbox.say(format_args!("status: {status}"));
    }
}

struct Status {
    phase: Phase,
    set_point: Option<i32>,
    readings: [Option<i32>; MAX_ZONES],
    zones: usize,
    hours: u32,
    minutes: u32,
}

impl fmt::Display for Status {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.phase {
            Phase::Waiting => f.write_str("waiting for the probes")?,
            Phase::Idle => f.write_str("idle")?,
            Phase::Firing => f.write_str("firing")?,
            Phase::LidOpen => f.write_str("lid open")?,
            Phase::Ended(Ending::Finished) => f.write_str("finished")?,
            Phase::Ended(Ending::Stopped) => f.write_str("stopped")?,
            Phase::Ended(Ending::NotResumed) => f.write_str("not resumed")?,
            Phase::Tripped(trip) => write!(f, "fault latched, {trip}")?,
        }
        f.write_str("; zones")?;
        for reading in &self.readings[..self.zones] {
            match reading {
                Some(value) => write!(f, " {} C", Decimal(value / 100 * 100))?,
                None => f.write_str(" ?")?,
            }
        }
        if let Some(set_point) = self.set_point {
            write!(f, "; set-point {} C; {} h {:02} min", Decimal(set_point / 100 * 100), self.hours, self.minutes)?;
        }
        Ok(())
    }
}

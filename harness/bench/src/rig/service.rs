//! A rig at hand, without a run of the engine: identity, health, single commands.

use std::collections::VecDeque;
use std::time::Duration;

use dryfire_engine::{Trouble, TroubleKind};
use dryfire_link::{
    Begin, CalibrationState, HostMessage, LinkPacing, LinkTime, ProbeDrive, RigMessage, StartReason, Welcome,
};
use dryfire_rig::{CALIBRATION_BYTES, Calibration};
use dryfire_units::{RigSpan, RigTime};

use super::wire::{Wire, refused, restarted, trouble};
use super::{Connect, RigPatience, greet, wait_for};
use crate::nonce::nonce;
use crate::transport::{SerialTransport, Transport, TransportError};
use crate::wall_clock::WallClock;

/// Most of rig time that is granted at once.
const GRANT: RigSpan = RigSpan::from_millis(50);
/// Longest wait for an answer, microseconds of link time.
const ANSWER: u64 = 5_000_000;

/// A connected rig that does what it is told, one thing after the other.
pub struct RigService {
    connect: Connect,
    wire: Wire,
    welcome: Welcome,
    start: Option<StartReason>,
    state: Option<CalibrationState>,
    run: Option<Going>,
    commands: u32,
    /// Everything of the run that was told and not taken yet.
    told: VecDeque<RigMessage>,
}

/// A run without an engine.
#[derive(Clone, Copy)]
struct Going {
    pacing: LinkPacing,
    complete: RigTime,
    safe: bool,
}

impl RigService {
    /// Connects to the rig on a serial port.
    ///
    /// # Errors
    /// There is none, or it speaks another protocol.
    pub fn serial(port: std::path::PathBuf) -> Result<Self, Trouble> {
        Self::open(Box::new(move || -> Result<Box<dyn Transport>, TransportError> {
            Ok(Box::new(SerialTransport::open(&port)?))
        }))
    }

    /// Connects to the rig that `connect` opens.
    ///
    /// # Errors
    /// There is none, or it speaks another protocol.
    pub fn open(mut connect: Connect) -> Result<Self, Trouble> {
        let greeting = greet(&mut connect, nonce(), RigPatience::default())?;
        Ok(RigService {
            connect,
            wire: greeting.wire,
            welcome: greeting.welcome,
            start: greeting.start,
            state: greeting.calibration,
            run: None,
            commands: 0,
            told: VecDeque::new(),
        })
    }

    /// What the rig says of itself.
    pub fn welcome(&self) -> &Welcome {
        &self.welcome
    }

    /// Why it was last started, if it knows.
    pub fn start_reason(&self) -> Option<StartReason> {
        self.start
    }

    /// What it knows of its channels, if they are real.
    pub fn calibration_state(&self) -> Option<CalibrationState> {
        self.state
    }

    /// What is kept of its calibration.
    ///
    /// # Errors
    /// The rig does not answer.
    pub fn calibration(&mut self) -> Result<Option<Calibration>, Trouble> {
        self.wire.send(&HostMessage::ReadCalibration)?;
        let page = self.answer(|message| match message {
            RigMessage::CalibrationPage { page } => Some(page),
            _ => None,
        })?;
        let page: Option<[u8; CALIBRATION_BYTES]> = page.as_slice().try_into().ok();
        Ok(page.and_then(|page| Calibration::decode(&page).ok().flatten()))
    }

    /// Keeps a calibration on the board, and reads back what is there.
    ///
    /// # Errors
    /// What is there afterwards is not what was to be kept.
    pub fn keep(&mut self, calibration: &Calibration) -> Result<(), Trouble> {
        self.wire.send(&HostMessage::StoreCalibration { page: calibration.encode().into_iter().collect() })?;
        let state = self.answer(|message| match message {
            RigMessage::Calibration { state } => Some(state),
            _ => None,
        })?;
        self.state = Some(state);
        if self.calibration()?.as_ref() != Some(calibration) {
            return Err(trouble(TroubleKind::LinkRefused, "the rig did not keep what it was given"));
        }
        Ok(())
    }

    /// Begins a run without an engine: probes open, contacts open, supply on.
    ///
    /// # Errors
    /// The rig refuses it.
    pub fn begin(&mut self, silence_ms: u16) -> Result<(), Trouble> {
        let pacing = if self.welcome.capabilities.stepped { LinkPacing::Stepped } else { LinkPacing::Free };
        self.wire.send(&HostMessage::Begin(Begin {
            run: 1,
            seed: 0,
            ambient_millicelsius: 20_000,
            pacing,
            silence_ms,
            supply_off_ms: 0,
            closed_at_rest: 0,
            closed_when_safe: 0,
            supply_when_safe: false,
        }))?;
        let origin = self.answer(|message| match message {
            RigMessage::Began { origin, .. } => Some(origin),
            _ => None,
        })?;
        self.told.clear();
        self.run = Some(Going { pacing, complete: origin, safe: false });
        Ok(())
    }

    /// Ends the run.
    ///
    /// # Errors
    /// The rig is gone.
    pub fn end(&mut self) -> Result<(), Trouble> {
        self.run = None;
        self.wire.send(&HostMessage::Safe)?;
        self.wire.send(&HostMessage::End)?;
        let deadline = self.wire.now() + ANSWER;
        while !self.wire.all_delivered() && self.wire.now() < deadline {
            self.wire.exchange(deadline)?;
            while self.wire.next_message().is_some() {}
        }
        Ok(())
    }

    /// A probe channel plays something else from now on, for as long as the run goes on.
    ///
    /// # Errors
    /// The rig refuses it.
    pub fn probe(&mut self, channel: u8, drive: ProbeDrive) -> Result<RigTime, Trouble> {
        self.command(|command, at| HostMessage::Probe { command, at, channel, drive })
    }

    /// A probe channel plays a voltage from now on.
    ///
    /// # Errors
    /// The rig refuses it.
    pub fn voltage(&mut self, channel: u8, nanovolts: i32) -> Result<RigTime, Trouble> {
        let drive = ProbeDrive::Voltage { nanovolts, nanovolts_per_second: 0, valid_until: RigTime::FAR_FUTURE };
        self.probe(channel, drive)
    }

    /// A contact.
    ///
    /// # Errors
    /// The rig refuses it.
    pub fn contact(&mut self, output: u8, closed: bool) -> Result<RigTime, Trouble> {
        self.command(|command, at| HostMessage::Contact { command, at, output, closed })
    }

    /// The controller's supply.
    ///
    /// # Errors
    /// The rig refuses it.
    pub fn supply(&mut self, on: bool) -> Result<RigTime, Trouble> {
        self.command(|command, at| HostMessage::Supply { command, at, on })
    }

    /// Sends a command for now, and gives the instant at which it took effect.
    fn command(&mut self, make: impl FnOnce(u32, RigTime) -> HostMessage) -> Result<RigTime, Trouble> {
        self.commands += 1;
        let number = self.commands;
        let now = self.run.map_or(RigTime::ZERO, |run| run.complete);
        self.wire.send(&make(number, now))?;
        let deadline = self.wire.now() + ANSWER;
        loop {
            let place = self
                .told
                .iter()
                .position(|message| matches!(message, RigMessage::Applied { command, .. } if *command == number));
            if let Some(RigMessage::Applied { at, .. }) = place.and_then(|place| self.told.remove(place)) {
                return Ok(at);
            }
            if self.wire.now() > deadline {
                return Err(trouble(TroubleKind::LinkLost, "the rig took a command and never did it"));
            }
            self.exchange(deadline)?;
        }
    }

    /// Lets rig time pass, and gives what was told of it.
    ///
    /// # Errors
    /// The rig is gone or went to its safe state.
    pub fn pass(&mut self, span: RigSpan) -> Result<Vec<RigMessage>, Trouble> {
        let Some(run) = self.run else { return Ok(Vec::new()) };
        let until = run.complete + span;
        let deadline = self.wire.now() + ANSWER + u64::try_from(span.as_micros()).unwrap_or(0) * 10;
        let mut granted = run.complete;
        while self.run.is_some_and(|run| run.complete < until) {
            if run.pacing == LinkPacing::Stepped && self.run.is_some_and(|run| run.complete >= granted) {
                granted = (granted + GRANT).min(until);
                self.wire.send(&HostMessage::Grant { until: granted })?;
            }
            if self.wire.now() > deadline {
                return Err(trouble(TroubleKind::LinkLost, "the rig answers, but its clock stands still"));
            }
            self.exchange(deadline)?;
        }
        Ok(self.told.drain(..).collect())
    }

    /// Keeps the rig from taking the host for silent, for a while.
    ///
    /// # Errors
    /// The rig is gone or went to its safe state.
    pub fn idle(&mut self, micros: u64) -> Result<(), Trouble> {
        let deadline = self.wire.now() + micros;
        while self.wire.now() < deadline {
            self.exchange(deadline)?;
        }
        // Nobody wants to know of it.
        self.told.clear();
        Ok(())
    }

    /// Says nothing for a while, then listens: what the rig told meanwhile, and whether it is in its safe state.
    ///
    /// # Errors
    /// The rig is gone.
    pub fn fall_silent(&mut self, micros: u64) -> Result<(bool, Vec<RigMessage>), Trouble> {
        self.wire.hold_still(micros)?;
        self.wire.listen();
        let deadline = self.wire.now() + ANSWER;
        if let Some(run) = &mut self.run {
            run.safe = false;
        }
        while self.run.is_some_and(|run| !run.safe) && self.wire.now() < deadline {
            self.wire.exchange(deadline)?;
            self.take()?;
        }
        let Some(run) = self.run.filter(|run| run.safe) else { return Ok((false, Vec::new())) };
        // What the safe state does takes its time, and a clock by grants stood still meanwhile.
        let until = run.complete + GRANT;
        if run.pacing == LinkPacing::Stepped {
            self.wire.send(&HostMessage::Grant { until })?;
        }
        while self.run.is_some_and(|run| run.complete < until) && self.wire.now() < deadline {
            self.wire.exchange(deadline)?;
            self.take()?;
        }
        Ok((true, self.told.drain(..).collect()))
    }

    /// Makes the rig hang, waits for its watchdog, and gives why it says that it started again.
    /// A board's port is gone for a while then.
    ///
    /// # Errors
    /// It did not start again.
    #[expect(clippy::disallowed_methods, reason = "a port that comes back can only be waited for")]
    pub fn hang(&mut self) -> Result<Option<StartReason>, Trouble> {
        let before = self.welcome.boot_id;
        self.wire.send(&HostMessage::Hang)?;
        self.wire.flush()?;
        let begun = self.wire.now();
        // The message has to arrive; what comes then is silence, or a port that is gone.
        while self.wire.now().micros_since(begun) < ANSWER {
            if self.wire.exchange(begun + ANSWER).is_err() {
                break;
            }
            while let Some(message) = self.wire.next_message() {
                if let RigMessage::Refused { why, .. } = message {
                    return Err(refused(None, why));
                }
            }
        }
        let mut last = trouble(TroubleKind::LinkLost, "the rig did not start again");
        let clock = WallClock::new();
        // A board's port goes with its reset, and comes back when the computer has found it again.
        while clock.now() < LinkTime::from_micros(2 * ANSWER) {
            self.wire.let_go();
            match greet(&mut self.connect, nonce(), RigPatience::default()) {
                Ok(greeting) if greeting.welcome.boot_id != before => {
                    self.wire = greeting.wire;
                    self.welcome = greeting.welcome;
                    self.start = greeting.start;
                    self.state = greeting.calibration;
                    return Ok(self.start);
                }
                Ok(greeting) => {
                    self.wire = greeting.wire;
                    let detail = "the rig went on: it has no watchdog, or did not hang";
                    return Err(trouble(TroubleKind::LinkRefused, detail));
                }
                Err(error) => last = error,
            }
            std::thread::sleep(Duration::from_millis(100));
        }
        Err(last)
    }

    /// Waits for an answer between runs.
    fn answer<T>(&mut self, wanted: impl FnMut(RigMessage) -> Option<T>) -> Result<T, Trouble> {
        self.wire.listen();
        wait_for(&mut self.wire, wanted)
    }

    fn exchange(&mut self, until: LinkTime) -> Result<(), Trouble> {
        self.wire.exchange(until)?;
        self.take()?;
        if self.run.is_some_and(|run| run.safe) {
            return Err(trouble(TroubleKind::RigWentSafe, "the rig went to its safe state by itself"));
        }
        Ok(())
    }

    /// Sorts what has come.
    fn take(&mut self) -> Result<(), Trouble> {
        while let Some(message) = self.wire.next_message() {
            match message {
                RigMessage::Heartbeat(beat) if beat.boot_id != self.welcome.boot_id => return Err(restarted()),
                RigMessage::Heartbeat(beat) => {
                    if let Some(run) = &mut self.run {
                        run.complete = run.complete.max(beat.complete_until);
                        run.safe = beat.safe;
                    }
                }
                RigMessage::Refused { command, why } => return Err(refused(command, why)),
                other => self.told.push_back(other),
            }
        }
        Ok(())
    }
}

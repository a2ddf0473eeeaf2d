//! What the host asks for, and commands when their instant comes.

use dryfire_link::{Begin, HostMessage, Limits, LinkPacing, PROTOCOL, PlayedConverter, Refusal, RigMessage, Welcome};
use dryfire_units::RigTime;
use heapless::String;

use super::{Board, COMMANDS, MAX_CHANNELS, MAX_CONTACTS, MAX_SILENCE_MS, NOTICES, Phase, Rig};
use crate::queue::{Scheduled, Task};
use crate::{CALIBRATION_BYTES, Calibration, DamagedCalibration, Drive};

impl<const EDGES: usize> Rig<EDGES> {
    /// Whether one more command can be taken: its answer must have room for sure.
    fn can_take(&self) -> bool {
        self.notices.len() + self.schedule.len() + 4 <= NOTICES
    }

    pub(super) fn take_messages(&mut self, board: &mut impl Board) {
        // What is not taken waits in the link, which holds up the host.
        while self.can_take() {
            match self.link.poll_message() {
                None => return,
                Some(Ok(message)) => self.handle_message(message, board),
                Some(Err(_)) => self.refuse(None, Refusal::Malformed),
            }
            // At once, so that only commands for later take up the queue.
            self.apply_due(board);
            self.pump();
        }
    }

    pub(super) fn handle_message(&mut self, message: HostMessage, board: &mut impl Board) {
        if let HostMessage::Hello { protocol } = message {
            self.greet(protocol, board);
            return;
        }
        if !self.greeted {
            self.refuse(None, Refusal::Protocol { expected: PROTOCOL });
            return;
        }
        let capabilities = self.identity.capabilities;
        match message {
            HostMessage::Hello { .. } => {}
            HostMessage::Begin(begin) => match self.why_not(&begin) {
                Some(why) => self.refuse(None, why),
                None => self.start(begin, board),
            },
            HostMessage::Probe { command, at, channel, drive } => {
                let there = channel < capabilities.probe_channels && usize::from(channel) < MAX_CHANNELS;
                self.schedule(command, at, there, Task::Probe { channel, drive });
            }
            HostMessage::Disturb { command, at, channel, disturbance } => {
                let there = channel < capabilities.probe_channels && usize::from(channel) < MAX_CHANNELS;
                let disturbance = disturbance.into();
                self.schedule(command, at, there, Task::Disturb { channel, disturbance });
            }
            HostMessage::Contact { command, at, output, closed } => {
                let there = output < capabilities.contacts && usize::from(output) < MAX_CONTACTS;
                self.schedule(command, at, there, Task::Contact { output, closed });
            }
            HostMessage::Supply { command, at, on } => {
                self.schedule(command, at, capabilities.supply_switch, Task::Supply { on });
            }
            HostMessage::Console { command, at, last, chunk } => {
                self.schedule(command, at, capabilities.console, Task::Console { last, chunk });
            }
            HostMessage::Grant { until } => self.horizon = self.horizon.max(until),
            HostMessage::End => self.end(board),
            HostMessage::Safe => self.go_safe(board),
            HostMessage::ReadCalibration => {
                let page = board.calibration_page().filter(|page| matches!(Calibration::decode(page), Ok(Some(_))));
                let page = page.iter().flatten().copied().collect();
                self.notice(RigMessage::CalibrationPage { page });
            }
            HostMessage::StoreCalibration { page } => self.store_calibration(&page, board),
            HostMessage::PlayConverter { channel, converter } => self.play_converter(channel, converter, board),
            HostMessage::ColdJunction { command, at, millicelsius } => {
                self.schedule(command, at, self.outputs.converters != 0, Task::ColdJunction { millicelsius });
            }
            HostMessage::MeasureColdJunction { on } => self.measure_cold_junction(on),
            HostMessage::Hang if self.phase == Phase::Idle => board.hang(),
            HostMessage::Hang => self.refuse(None, Refusal::RunGoesOn),
        }
    }

    pub(super) fn store_calibration(&mut self, page: &[u8], board: &mut impl Board) {
        let page: Option<&[u8; CALIBRATION_BYTES]> = page.try_into().ok();
        let page = page.filter(|page| matches!(Calibration::decode(page), Ok(Some(_))));
        let Some(page) = page else { return self.refuse(None, Refusal::Malformed) };
        if self.phase != Phase::Idle {
            return self.refuse(None, Refusal::RunGoesOn);
        }
        board.keep_calibration(page);
        // What counts is what is there, not what was meant to be.
        let found = board.calibration_page().map_or(Err(DamagedCalibration), |page| Calibration::decode(&page));
        let state = Calibration::state(&found);
        self.identity.calibration = Some(state);
        self.notice(RigMessage::Calibration { state });
    }

    pub(super) fn play_converter(&mut self, channel: u8, converter: Option<PlayedConverter>, board: &mut impl Board) {
        let there = channel < self.identity.capabilities.probe_channels && usize::from(channel) < MAX_CHANNELS;
        if self.phase != Phase::Idle {
            self.refuse(None, Refusal::RunGoesOn);
        } else if !there || !board.play_converter(self.clock, channel, converter) {
            self.refuse(None, Refusal::NoSuch);
        } else {
            let bit = 1u32 << channel;
            let rest = self.outputs.converters & !bit;
            self.outputs.converters = if converter.is_some() { rest | bit } else { rest };
            self.notice(RigMessage::Playing { channel, converter: converter.is_some() });
        }
    }

    pub(super) fn measure_cold_junction(&mut self, on: bool) {
        match self.cold_junction {
            _ if self.phase != Phase::Idle => self.refuse(None, Refusal::RunGoesOn),
            None => self.refuse(None, Refusal::NoSuch),
            Some(millicelsius) => {
                self.tells_cold_junction = on;
                self.notice(RigMessage::ColdJunction { at: self.clock, millicelsius });
            }
        }
    }

    /// Whoever wanted converters is gone: every channel plays a probe again.
    pub(super) fn play_probes(&mut self, board: &mut impl Board) {
        for channel in 0..MAX_CHANNELS as u8 {
            if self.outputs.converters & (1 << channel) != 0 {
                board.play_converter(self.clock, channel, None);
            }
        }
        self.outputs.converters = 0;
    }

    pub(super) fn greet(&mut self, protocol: u16, board: &mut impl Board) {
        // Whoever was here before is gone, and with it whatever it had begun.
        self.phase = Phase::Idle;
        self.forget();
        self.go_safe(board);
        self.play_probes(board);
        self.tells_cold_junction = false;
        self.greeted = protocol == PROTOCOL;
        if let Some(why) = self.identity.start {
            self.notice(RigMessage::Started { why });
        }
        if let Some(state) = self.identity.calibration {
            self.notice(RigMessage::Calibration { state });
        }
        let text = |text: &str| String::try_from(text).unwrap_or_default();
        self.notice(RigMessage::Welcome(Welcome {
            protocol: PROTOCOL,
            board: text(self.identity.board),
            firmware: text(self.identity.firmware),
            boot_id: self.identity.boot_id,
            capabilities: self.identity.capabilities,
            limits: Limits { edge_ring: EDGES as u32, command_queue: COMMANDS as u16, max_silence_ms: MAX_SILENCE_MS },
        }));
        if !self.greeted {
            self.refuse(None, Refusal::Protocol { expected: PROTOCOL });
        }
    }

    pub(super) fn why_not(&self, begin: &Begin) -> Option<Refusal> {
        let capabilities = self.identity.capabilities;
        if begin.pacing == LinkPacing::Stepped && !capabilities.stepped {
            return Some(Refusal::NotStepped);
        }
        if begin.silence_ms == 0 || begin.silence_ms > MAX_SILENCE_MS {
            return Some(Refusal::Silence { max_ms: MAX_SILENCE_MS });
        }
        let known = 1u64.checked_shl(u32::from(capabilities.contacts)).map_or(u64::MAX, |bit| bit - 1);
        let asked = u64::from(begin.closed_at_rest | begin.closed_when_safe);
        if asked & !known != 0 || (begin.supply_off_ms > 0 && !capabilities.supply_switch) {
            return Some(Refusal::NoSuch);
        }
        None
    }

    pub(super) fn schedule(&mut self, command: u32, at: RigTime, there: bool, task: Task) {
        if self.phase != Phase::Running || self.safe {
            self.refuse(Some(command), Refusal::NoRun);
        } else if !there {
            self.refuse(Some(command), Refusal::NoSuch);
        } else if !self.schedule.insert(Scheduled { command, at, task }) {
            self.refuse(Some(command), Refusal::QueueFull);
        }
    }

    pub(super) fn apply_due(&mut self, board: &mut impl Board) {
        while let Some(Scheduled { command, at, task }) = self.schedule.take_due(self.clock) {
            // A command that comes late takes effect now, and that is what is told.
            let now = self.clock.max(at);
            match task {
                Task::Probe { channel, drive } => {
                    let drive = Drive::new(at, drive);
                    let slot = &mut self.outputs.drives[usize::from(channel)];
                    if slot.is_stale_at(now) {
                        self.late_setpoints = self.late_setpoints.saturating_add(1);
                    }
                    *slot = drive;
                    board.probe(now, channel, drive);
                }
                Task::Disturb { channel, disturbance } => {
                    self.outputs.disturbances[usize::from(channel)] = disturbance;
                    board.disturb(now, channel, disturbance);
                }
                Task::Contact { output, closed } => self.set_contact(board, output, closed),
                Task::Supply { on } => self.set_supply(board, on),
                Task::ColdJunction { millicelsius } => board.cold_junction(now, millicelsius),
                Task::Console { last, chunk } => {
                    board.console(now, &chunk);
                    if !last {
                        continue;
                    }
                }
            }
            self.notice(RigMessage::Applied { command, at: now });
        }
    }
}

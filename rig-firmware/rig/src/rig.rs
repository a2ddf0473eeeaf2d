//! The state machine.

use dryfire_link::frame::MAX_FRAME;
use dryfire_link::{
    Begin, CalibrationState, Capabilities, Counters, Heartbeat, HostMessage, Limits, LinkPacing, LinkTime, PROTOCOL,
    PlayedConverter, Refusal, RigEndpoint, RigMessage, StartReason, Welcome,
};
use dryfire_units::{Disturbance, RigSpan, RigTime};
use heapless::{Deque, String};

use crate::queue::{ConsoleQueue, EdgeRing, Schedule, Scheduled, TICK, Task};
use crate::{CALIBRATION_BYTES, Calibration, DamagedCalibration, Drive};

/// Edges that a rig keeps by default: 2 s at 2,000 edges a second, and a little.
pub const EDGE_RING: usize = 4096;
/// Most probe channels.
pub const MAX_CHANNELS: usize = 8;
/// Most sensed inputs.
pub const MAX_INPUTS: usize = 32;
/// Most contacts.
pub const MAX_CONTACTS: usize = 32;
/// Longest silence of the host that can be agreed.
pub const MAX_SILENCE_MS: u16 = 1_000;

/// Commands whose instant is still to come.
const COMMANDS: usize = 32;
/// Answers that wait for the link. There is room for the acknowledgement of
/// every waiting command, so none is ever dropped.
const NOTICES: usize = COMMANDS + 16;
/// Chunks of console text that wait for the link.
const CONSOLE: usize = 32;
/// Between heartbeats while a run goes by its own clock, microseconds of link time.
const HEARTBEAT_FREE: u64 = 25_000;
/// Between heartbeats otherwise.
const HEARTBEAT_IDLE: u64 = 100_000;
/// How long a run waits for the controller's supply rail to rise.
const RISE: RigSpan = RigSpan::from_millis(1_000);

/// What a rig says about itself.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Identity {
    /// What kind of board it is; at most 24 bytes.
    pub board: &'static str,
    /// Version of its firmware; at most 24 bytes.
    pub firmware: &'static str,
    /// Another number after every boot.
    pub boot_id: u32,
    /// Why it was started, if it knows.
    pub start: Option<StartReason>,
    /// What it knows of what its channels give, if they are real.
    pub calibration: Option<CalibrationState>,
    /// What it can do.
    pub capabilities: Capabilities,
}

/// The outputs of a board. Each call takes effect at once; `at` is rig time.
pub trait Board {
    /// A run is about to begin, before its outputs are set. A simulated board starts its
    /// controller anew, with its supply rail on, and gives the levels of its inputs (one bit
    /// each); a real board gives `None`: there the edges told so far say what the levels are.
    fn begin(&mut self, at: RigTime, begin: &Begin) -> Option<u32>;
    /// A probe channel plays something else.
    fn probe(&mut self, at: RigTime, channel: u8, drive: Drive);
    /// From now on this is added to whatever a probe channel plays; its time counts from `at`.
    fn disturb(&mut self, at: RigTime, channel: u8, disturbance: Disturbance);
    /// A contact.
    fn contact(&mut self, at: RigTime, output: u8, closed: bool);
    /// The controller's supply.
    fn supply(&mut self, at: RigTime, on: bool);
    /// Bytes to the controller's console.
    fn console(&mut self, at: RigTime, bytes: &[u8]);
    /// The page of calibration as the board keeps it; `None` where it has no place for one.
    fn calibration_page(&mut self) -> Option<[u8; CALIBRATION_BYTES]> {
        None
    }
    /// Keeps a page of calibration, over a loss of power too, and uses it from now on.
    /// May take a tenth of a second; called between runs only.
    fn keep_calibration(&mut self, page: &[u8; CALIBRATION_BYTES]) {
        let _ = page;
    }
    /// A channel plays a converter from now on, while the controller's supply is on, or a probe again; called
    /// between runs only. Says whether the board can do that.
    fn play_converter(&mut self, at: RigTime, channel: u8, converter: Option<PlayedConverter>) -> bool {
        let _ = (at, channel);
        converter.is_none()
    }
    /// The cold junction of every converter that is played has another temperature.
    fn cold_junction(&mut self, at: RigTime, millicelsius: i32) {
        let _ = (at, millicelsius);
    }
    /// Never feeds the watchdog again; called between runs only. A board without a watchdog goes on.
    fn hang(&mut self) {}
}

/// What the outputs are set to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Outputs {
    /// Of each probe channel.
    pub drives: [Drive; MAX_CHANNELS],
    /// What is added to each of them.
    pub disturbances: [Disturbance; MAX_CHANNELS],
    /// The channels that play a converter, one bit each.
    pub converters: u32,
    /// Closed contacts, one bit each.
    pub contacts: u32,
    /// Whether the controller's supply is on.
    pub supply: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Phase {
    /// No run.
    Idle,
    /// The supply is off before the run begins at this instant.
    Starting { at: RigTime },
    /// The supply is on and its rail has not risen yet; the run begins then, or at this instant without it.
    Rising { until: RigTime },
    /// A run.
    Running,
}

/// A rig without its board.
///
/// Contract. Both clocks never go backwards. In each turn:
/// 1. Read the rig's clock: `now`. Then [`Self::handle_bytes`], [`Self::handle_edge`],
///    [`Self::handle_supply_rail`] and [`Self::handle_console`] with everything
///    that came up to `now`, each kind in the order of its instants.
/// 2. [`Self::poll`] with `now`. After it the rig may say that it has told everything
///    up to `now`; an edge that turns up later with an earlier instant is
///    counted as lost.
/// 3. [`Self::poll_transmit`] until `None`, and the bytes go out.
///
/// The next turn is due when bytes or edges come, at [`Self::next_due`] in rig time or
/// [`Self::next_link_due`] in link time. A board that can stop its clock never
/// lets it pass [`Self::horizon`], nor `next_due` without a turn.
///
/// A rig boots in the safe state: probes open, contacts open, supply off. It goes
/// back there, with the contacts and the supply as the host declared, when the
/// host was silent for longer than agreed, and stays until a new run begins.
/// Being silent is measured in link time and means that nothing new came.
#[derive(Debug)]
pub struct Rig<const EDGES: usize = EDGE_RING> {
    identity: Identity,
    link: RigEndpoint,
    greeted: bool,

    clock: RigTime,
    phase: Phase,
    safe: bool,
    begin: Begin,
    horizon: RigTime,

    outputs: Outputs,
    schedule: Schedule<COMMANDS>,

    levels: u32,
    rail: Option<bool>,
    edges: EdgeRing<EDGES>,
    console: ConsoleQueue<CONSOLE>,
    notices: Deque<RigMessage, NOTICES>,

    late_setpoints: u32,
    damaged_before: u32,
    claimed: RigTime,
    told_until: Option<RigTime>,
    heartbeat_due: LinkTime,
    booted: bool,
}

const NO_RUN: Begin = Begin {
    run: 0,
    seed: 0,
    ambient_millicelsius: 0,
    pacing: LinkPacing::Free,
    silence_ms: MAX_SILENCE_MS,
    supply_off_ms: 0,
    closed_at_rest: 0,
    closed_when_safe: 0,
    supply_when_safe: false,
};

impl<const EDGES: usize> Rig<EDGES> {
    /// A rig that has just booted; the first [`Self::poll`] puts the board into the safe state.
    pub fn new(identity: Identity) -> Self {
        Rig {
            link: RigEndpoint::rig(identity.boot_id),
            identity,
            greeted: false,
            clock: RigTime::ZERO,
            phase: Phase::Idle,
            safe: true,
            begin: NO_RUN,
            horizon: RigTime::ZERO,
            outputs: Outputs {
                drives: [Drive::OPEN; MAX_CHANNELS],
                disturbances: [Disturbance::NONE; MAX_CHANNELS],
                converters: 0,
                contacts: 0,
                supply: false,
            },
            schedule: Schedule::new(),
            levels: 0,
            rail: None,
            edges: EdgeRing::new(),
            console: ConsoleQueue::new(),
            notices: Deque::new(),
            late_setpoints: 0,
            damaged_before: 0,
            claimed: RigTime::ZERO,
            told_until: None,
            heartbeat_due: LinkTime::ZERO,
            booted: false,
        }
    }

    /// What the outputs are set to.
    pub fn outputs(&self) -> &Outputs {
        &self.outputs
    }

    /// Whether the rig is in the safe state.
    pub fn is_safe(&self) -> bool {
        self.safe
    }

    /// Whether a run goes on.
    pub fn is_running(&self) -> bool {
        self.phase == Phase::Running
    }

    /// Whether a run by grants goes on or is about to begin.
    pub fn is_stepped(&self) -> bool {
        self.phase != Phase::Idle && self.begin.pacing == LinkPacing::Stepped
    }

    /// Counters of the run.
    pub fn counters(&self) -> Counters {
        Counters {
            lost_edges: self.edges.lost(),
            lost_console_bytes: self.console.lost_bytes(),
            late_setpoints: self.late_setpoints,
            damaged_frames: self.link.counters().damaged - self.damaged_before,
        }
    }

    /// How far a board that can stop its clock may let it run.
    pub fn horizon(&self) -> RigTime {
        match self.phase {
            _ if !self.identity.capabilities.stepped => RigTime::FAR_FUTURE,
            Phase::Idle => self.clock,
            Phase::Starting { .. } | Phase::Rising { .. } | Phase::Running => match self.begin.pacing {
                LinkPacing::Stepped => self.horizon.max(self.clock),
                LinkPacing::Free => RigTime::FAR_FUTURE,
            },
        }
    }

    /// When something is due in rig time.
    pub fn next_due(&self) -> Option<RigTime> {
        let starting = match self.phase {
            Phase::Starting { at } | Phase::Rising { until: at } => Some(at),
            Phase::Idle | Phase::Running => None,
        };
        self.schedule.first_at().into_iter().chain(starting).min()
    }

    /// When something is due in link time; in the past if at once.
    pub fn next_link_due(&self) -> Option<LinkTime> {
        let heartbeat = self.greeted.then_some(self.heartbeat_due);
        self.link.poll_timeout().into_iter().chain(heartbeat).chain(self.next_silence_due()).min()
    }

    /// When the host will have been silent for too long, in link time; `None` in the safe state. A board that
    /// cannot send just now, because nobody reads, has to wake for this all the same.
    pub fn next_silence_due(&self) -> Option<LinkTime> {
        if self.safe { None } else { self.silence_at() }
    }

    fn silence_at(&self) -> Option<LinkTime> {
        self.link.last_heard().map(|heard| heard + u64::from(self.begin.silence_ms) * 1_000)
    }

    /// Takes bytes from the link.
    pub fn handle_bytes(&mut self, link_now: LinkTime, bytes: &[u8]) {
        self.link.handle_bytes(link_now, bytes);
    }

    /// Takes an edge with the instant at which the board saw it. Between runs and at
    /// boot this is how the rig learns the levels; report each input that is high.
    ///
    /// An edge to the level that the input has already means that the one between
    /// them was missed: within a run that is a counted loss.
    pub fn handle_edge(&mut self, at: RigTime, input: u8, high: bool) {
        if usize::from(input) >= MAX_INPUTS || input >= self.identity.capabilities.inputs {
            return;
        }
        let bit = 1u32 << input;
        let was = self.levels & bit != 0;
        self.levels = if high { self.levels | bit } else { self.levels & !bit };
        if self.phase != Phase::Running {
            return;
        }
        if self.is_too_late(at) || was == high {
            self.edges.lose();
        } else {
            self.edges.push(at, input, high);
        }
    }

    /// Counts edges that the board saw and had no room for; within a run they are losses.
    pub fn note_lost_edges(&mut self, count: u32) {
        if self.phase == Phase::Running {
            for _ in 0..count {
                self.edges.lose();
            }
        }
    }

    /// Whether the rig has already said that everything up to `at` is told. What a command does
    /// at the very instant where a stepped clock stands comes after that and is right.
    fn is_too_late(&self, at: RigTime) -> bool {
        match self.begin.pacing {
            LinkPacing::Stepped => at < self.claimed,
            LinkPacing::Free => at <= self.claimed && at < self.clock,
        }
    }

    /// Takes a change of the controller's supply rail; a lost one counts as a lost edge.
    pub fn handle_supply_rail(&mut self, at: RigTime, on: bool) {
        if self.rail == Some(on) {
            return;
        }
        self.rail = Some(on);
        if self.phase != Phase::Running {
            return;
        }
        // The acknowledgements of waiting commands keep their room.
        if self.is_too_late(at) || self.notices.len() + self.schedule.len() >= NOTICES {
            self.edges.lose();
        } else {
            self.notice(RigMessage::SupplyRail { at, on });
        }
    }

    /// Takes bytes from the controller's console.
    pub fn handle_console(&mut self, at: RigTime, bytes: &[u8]) {
        if self.phase == Phase::Running {
            self.console.push(at, bytes);
        }
    }

    /// Does everything that is due.
    pub fn poll(&mut self, now: RigTime, link_now: LinkTime, board: &mut impl Board) {
        self.clock = self.clock.max(now);
        if !self.booted {
            self.booted = true;
            self.go_safe(board);
        }
        self.take_messages(board);
        if let Phase::Starting { at } = self.phase
            && at <= self.clock
        {
            self.switch_on(board);
        }
        if let Phase::Rising { until } = self.phase
            && (self.rail == Some(true) || until <= self.clock)
        {
            self.begun();
        }
        self.apply_due(board);
        if !self.safe && self.silence_at().is_some_and(|at| link_now > at) {
            self.go_safe(board);
        }
        self.pump();
        self.heartbeat(link_now);
    }

    /// Bytes for the link, one frame at a time.
    pub fn poll_transmit<'b>(&mut self, link_now: LinkTime, out: &'b mut [u8; MAX_FRAME]) -> Option<&'b [u8]> {
        self.link.poll_transmit(link_now, out)
    }

    /// Whether one more command can be taken: its answer must have room for sure.
    fn can_take(&self) -> bool {
        self.notices.len() + self.schedule.len() + 4 <= NOTICES
    }

    fn take_messages(&mut self, board: &mut impl Board) {
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

    fn handle_message(&mut self, message: HostMessage, board: &mut impl Board) {
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
            HostMessage::Hang if self.phase == Phase::Idle => board.hang(),
            HostMessage::Hang => self.refuse(None, Refusal::RunGoesOn),
        }
    }

    fn store_calibration(&mut self, page: &[u8], board: &mut impl Board) {
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

    fn play_converter(&mut self, channel: u8, converter: Option<PlayedConverter>, board: &mut impl Board) {
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

    /// Whoever wanted converters is gone: every channel plays a probe again.
    fn play_probes(&mut self, board: &mut impl Board) {
        for channel in 0..MAX_CHANNELS as u8 {
            if self.outputs.converters & (1 << channel) != 0 {
                board.play_converter(self.clock, channel, None);
            }
        }
        self.outputs.converters = 0;
    }

    fn greet(&mut self, protocol: u16, board: &mut impl Board) {
        // Whoever was here before is gone, and with it whatever it had begun.
        self.phase = Phase::Idle;
        self.forget();
        self.go_safe(board);
        self.play_probes(board);
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

    fn why_not(&self, begin: &Begin) -> Option<Refusal> {
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

    fn start(&mut self, begin: Begin, board: &mut impl Board) {
        self.forget();
        self.begin = begin;
        self.safe = false;
        self.phase = Phase::Idle;
        if let Some(levels) = board.begin(self.clock, &begin) {
            self.levels = levels;
            // A new controller starts with its supply on, and only changes are told.
            self.rail = None;
        }
        self.open_probes(board);
        self.set_contacts(board, begin.closed_at_rest);
        if begin.supply_off_ms == 0 {
            self.switch_on(board);
        } else {
            self.set_supply(board, false);
            let at = self.clock + RigSpan::from_millis(i64::from(begin.supply_off_ms));
            self.horizon = at;
            self.phase = Phase::Starting { at };
        }
    }

    /// Switches the controller on. Where its rail is sensed, the run begins when that has risen.
    fn switch_on(&mut self, board: &mut impl Board) {
        self.set_supply(board, true);
        if self.identity.capabilities.supply_rail && self.rail == Some(false) {
            let until = self.clock + RISE;
            self.horizon = until;
            self.phase = Phase::Rising { until };
        } else {
            self.begun();
        }
    }

    fn begun(&mut self) {
        self.phase = Phase::Running;
        self.horizon = self.clock;
        self.claimed = self.clock - TICK;
        self.told_until = None;
        self.heartbeat_due = LinkTime::ZERO;
        self.notice(RigMessage::Began { run: self.begin.run, origin: self.clock });
        if let Some(on) = self.rail {
            self.notice(RigMessage::SupplyRail { at: self.clock, on });
        }
        for input in 0..self.identity.capabilities.inputs.min(MAX_INPUTS as u8) {
            if self.levels & (1 << input) != 0 {
                self.edges.push(self.clock, input, true);
            }
        }
    }

    /// Forgets what belongs to a run.
    fn forget(&mut self) {
        self.schedule.clear();
        self.edges.clear();
        self.console.clear();
        self.notices.clear();
        self.late_setpoints = 0;
        self.damaged_before = self.link.counters().damaged;
    }

    fn end(&mut self, board: &mut impl Board) {
        self.phase = Phase::Idle;
        self.forget();
        if !self.safe {
            self.open_probes(board);
            self.set_contacts(board, self.begin.closed_at_rest);
        }
    }

    fn schedule(&mut self, command: u32, at: RigTime, there: bool, task: Task) {
        if self.phase != Phase::Running || self.safe {
            self.refuse(Some(command), Refusal::NoRun);
        } else if !there {
            self.refuse(Some(command), Refusal::NoSuch);
        } else if !self.schedule.insert(Scheduled { command, at, task }) {
            self.refuse(Some(command), Refusal::QueueFull);
        }
    }

    fn apply_due(&mut self, board: &mut impl Board) {
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

    fn go_safe(&mut self, board: &mut impl Board) {
        self.safe = true;
        self.schedule.clear();
        if matches!(self.phase, Phase::Starting { .. } | Phase::Rising { .. }) {
            self.phase = Phase::Idle;
        }
        self.open_probes(board);
        self.set_contacts(board, self.begin.closed_when_safe);
        self.set_supply(board, self.begin.supply_when_safe);
        // Says so at once.
        self.heartbeat_due = LinkTime::ZERO;
    }

    fn open_probes(&mut self, board: &mut impl Board) {
        let open = Drive::new(self.clock, dryfire_link::ProbeDrive::Open);
        for channel in 0..self.identity.capabilities.probe_channels.min(MAX_CHANNELS as u8) {
            self.outputs.drives[usize::from(channel)] = open;
            board.probe(self.clock, channel, open);
            let disturbance = &mut self.outputs.disturbances[usize::from(channel)];
            if !disturbance.is_none() {
                *disturbance = Disturbance::NONE;
                board.disturb(self.clock, channel, Disturbance::NONE);
            }
        }
    }

    fn set_contacts(&mut self, board: &mut impl Board, closed: u32) {
        for output in 0..self.identity.capabilities.contacts.min(MAX_CONTACTS as u8) {
            self.set_contact(board, output, closed & (1 << output) != 0);
        }
    }

    fn set_contact(&mut self, board: &mut impl Board, output: u8, closed: bool) {
        let bit = 1u32 << output;
        self.outputs.contacts = if closed { self.outputs.contacts | bit } else { self.outputs.contacts & !bit };
        board.contact(self.clock, output, closed);
    }

    fn set_supply(&mut self, board: &mut impl Board, on: bool) {
        if self.identity.capabilities.supply_switch {
            self.outputs.supply = on;
            board.supply(self.clock, on);
        }
    }

    /// Queues a message; says whether there was room.
    fn notice(&mut self, message: RigMessage) -> bool {
        self.notices.push_back(message).is_ok()
    }

    fn refuse(&mut self, command: Option<u32>, why: Refusal) {
        self.notice(RigMessage::Refused { command, why });
    }

    /// Moves what waits into the link, as far as that has room.
    fn pump(&mut self) {
        while let Some(message) = self.notices.front() {
            if self.link.send(message).is_err() {
                return;
            }
            self.notices.pop_front();
        }
        // A message with many of them is not made for nothing while the window is full.
        while self.link.room() > 0
            && let Some((edges, count)) = self.edges.batch()
        {
            if self.link.send(&RigMessage::Edges(edges)).is_err() {
                return;
            }
            self.edges.pop(count);
        }
        while let Some((at, chunk)) = self.console.front() {
            if self.link.send(&RigMessage::Console { at: *at, chunk: chunk.clone() }).is_err() {
                return;
            }
            self.console.pop();
        }
    }

    /// Up to when everything has gone into the link.
    ///
    /// A clock that stands still can be claimed up to and including now: what a later
    /// command does at this very instant is its own doing. A clock that runs can
    /// still bring an edge in this microsecond.
    fn complete_until(&self) -> RigTime {
        let so_far = match self.begin.pacing {
            LinkPacing::Stepped => self.clock,
            LinkPacing::Free => self.clock - TICK,
        };
        let edge = self.edges.front().map(|edge| edge.at);
        let console = self.console.front().map(|(at, _)| *at);
        let notices = self.notices.iter().filter_map(|message| match message {
            RigMessage::Applied { at, .. } | RigMessage::SupplyRail { at, .. } => Some(*at),
            RigMessage::Began { origin, .. } => Some(*origin),
            _ => None,
        });
        let waiting = notices.chain(edge).chain(console).min();
        waiting.map_or(so_far, |at| so_far.min(at - TICK)).max(self.claimed)
    }

    fn heartbeat(&mut self, link_now: LinkTime) {
        if !self.greeted {
            return;
        }
        let complete_until = self.complete_until();
        let stepped_run = self.phase == Phase::Running && self.begin.pacing == LinkPacing::Stepped;
        let grant_used_up =
            stepped_run && complete_until >= self.horizon && self.told_until.is_none_or(|told| told < complete_until);
        if !grant_used_up && link_now < self.heartbeat_due {
            return;
        }
        let message = RigMessage::Heartbeat(Heartbeat {
            now: self.clock,
            complete_until,
            edges: self.edges.front().map_or(self.edges.numbered(), |edge| edge.index),
            boot_id: self.identity.boot_id,
            counters: self.counters(),
            safe: self.safe,
        });
        // No room: the next turn tries again, and what fills the window shows that the rig lives.
        if self.link.send(&message).is_ok() {
            let free_run = self.phase == Phase::Running && self.begin.pacing == LinkPacing::Free;
            self.heartbeat_due = link_now + if free_run { HEARTBEAT_FREE } else { HEARTBEAT_IDLE };
            self.claimed = complete_until;
            self.told_until = Some(complete_until);
        }
    }
}

//! The state machine.

mod board;
mod commands;
mod course;
mod telling;

use dryfire_link::frame::MAX_FRAME;
use dryfire_link::{Begin, Counters, LinkPacing, LinkTime, RigEndpoint, RigMessage};
use dryfire_units::{Disturbance, RigSpan, RigTime};
use heapless::Deque;

use crate::Drive;
use crate::queue::{ConsoleQueue, EdgeRing, Schedule};
pub use board::{Board, Identity, Outputs};

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
    /// The last reading of the sensor at the controller's terminals, on a board that has one.
    cold_junction: Option<Option<i32>>,
    tells_cold_junction: bool,
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
            cold_junction: None,
            tells_cold_junction: false,
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

    /// Takes a reading of the sensor at the controller's terminals, thousandths of a degree Celsius; `None`: it is
    /// missing or broken. A board without a place for one never calls this.
    pub fn handle_cold_junction(&mut self, at: RigTime, millicelsius: Option<i32>) {
        self.cold_junction = Some(millicelsius);
        // One that is left out makes the last one old, which the host notices. The acknowledgements of waiting commands
        // keep their room.
        let room = self.notices.len() + self.schedule.len() < NOTICES;
        if self.tells_cold_junction && self.phase == Phase::Running && room && !self.is_too_late(at) {
            self.notice(RigMessage::ColdJunction { at, millicelsius });
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
}

//! The stand-in as a physical controller: supply, converters, contacts, relays.
//!
//! What [`dryfire_stand_in`] decides in milliseconds, the board does in
//! microseconds: its tick has a phase and jitters, its relays take time to
//! pull in and to release, its contacts bounce, its console is as slow as a
//! serial line. All of it is drawn from one seed, so a run repeats exactly,
//! and nothing depends on how the run is cut into steps.

mod companions;
mod dice;
mod limiter;
mod probes;
mod setup;
mod wires;

use std::collections::VecDeque;

use dryfire_engine::ProbeSignal;
use dryfire_link::PlayedConverter;
use dryfire_stand_in::{Defect, Inputs, MemoryImage, Outputs, SLOT_BYTES, Save, StandIn};
use dryfire_units::{Disturbance, MilliCelsius, RigSpan, RigTime};

use companions::Companions;
use dice::Dice;
use limiter::FittedLimiter;
pub use limiter::{BoardLimiter, LimiterWire};
use probes::Probes;
pub use setup::{BoardSetup, BoardSetupError, BoardZone, ContactWire, RelayWire};
use wires::{Bus, ContactWires, RelayWires};

/// Time that writing one slot of the memory takes.
const SAVE: RigSpan = RigSpan::from_millis(5);
/// Time of one letter on the console at 115,200 baud, ten bits each.
const LETTER_MICROS: i64 = 87;
/// Longest way round the controller's main loop, which looks at the contacts.
const LOOP_MICROS: i64 = 15_000;
/// Largest delay of a tick behind its place in the grid.
const TICK_JITTER_MICROS: i64 = 400;

/// A watchdog that is not fed for so long resets the controller.
const WATCHDOG: RigSpan = RigSpan::from_millis(1_000);
/// The same where a defect has it set far too long.
const SLOW_WATCHDOG: RigSpan = RigSpan::from_seconds(60);

/// Something that the rig sees of the controller.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum BoardEvent {
    /// A sensed input changed; all count as low before their first edge.
    Edge {
        /// When.
        at: RigTime,
        /// Which input.
        input: u8,
        /// Its level from then on.
        high: bool,
    },
    /// The supply rail rose or fell; it is up in the beginning.
    SupplyRail {
        /// When.
        at: RigTime,
        /// Whether it is up from then on.
        on: bool,
    },
    /// The controller wrote a line.
    Console {
        /// When its end arrived.
        at: RigTime,
        /// The line without its end.
        line: String,
    },
}

impl BoardEvent {
    /// When it happened.
    pub fn at(&self) -> RigTime {
        match self {
            BoardEvent::Edge { at, .. } | BoardEvent::SupplyRail { at, .. } | BoardEvent::Console { at, .. } => *at,
        }
    }

    /// Order at one instant: edges by input, then the rail, then the console.
    fn rank(&self) -> (RigTime, u8, u8) {
        match self {
            BoardEvent::Edge { at, input, .. } => (*at, 0, *input),
            BoardEvent::SupplyRail { at, .. } => (*at, 1, 0),
            BoardEvent::Console { at, .. } => (*at, 2, 0),
        }
    }
}

/// A stand-in controller on its board.
///
/// Time goes forward by [`run_until`](Self::run_until) only; everything else
/// happens at the instant reached, and is told that instant again as a check.
#[derive(Debug)]
pub struct StandInBoard {
    setup: BoardSetup,
    now: RigTime,
    tick_period: RigSpan,
    dice: Dice,
    probes: Probes,
    contacts: ContactWires,
    relays: RelayWires,
    limiter: Option<FittedLimiter>,
    memory: MemoryImage,
    /// The save being written, and since when.
    writing: Option<(Save, RigTime)>,
    /// The switch in the supply's lead, and when the rail follows it.
    supply_on: bool,
    rail_on: bool,
    rail_follows_at: Option<RigTime>,
    running: Option<Running>,
    companions: Companions,
    /// Its reset line is held.
    in_reset: bool,
    /// What stopped it last left its supply on.
    was_reset: bool,
    boots_at: Option<RigTime>,
    /// Lines on their way to the controller, each with its arrival.
    inbox: VecDeque<(RigTime, String)>,
    /// What the rig will see, earliest first.
    pending: VecDeque<BoardEvent>,
    console_free_at: RigTime,
}

/// A controller that has booted.
#[derive(Debug)]
struct Running {
    controller: StandIn,
    booted_at: RigTime,
    /// When the program last came round and fed the watchdog.
    fed_at: RigTime,
    /// Place of the next tick in its grid, and when it really comes.
    tick_place: RigTime,
    tick_at: RigTime,
    /// Next looks at the contacts between ticks, earliest first.
    polls: VecDeque<RigTime>,
    outputs: Outputs,
}

/// What the board does next by itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Next {
    Show,
    Rail,
    Boot,
    Poll,
    Limiter,
    Tick,
}

impl StandInBoard {
    /// A board whose supply has just come on.
    pub fn new(setup: BoardSetup) -> Self {
        let mut dice = Dice::new(setup.seed);
        let probes = Probes::new(&setup, &mut dice);
        let contacts = ContactWires::new(&setup.contacts);
        let relays = RelayWires::new(&setup.relays, &mut dice);
        let limiter = setup.limiter.map(|wired| FittedLimiter::new(wired, setup.defects, setup.seed));
        let memory = setup.memory.clone();
        let tick_period = RigSpan::from_millis(i64::from(setup.settings.bounded().tick_ms));
        let mut board = StandInBoard {
            setup,
            now: RigTime::ZERO,
            tick_period,
            dice,
            probes,
            contacts,
            relays,
            limiter,
            memory,
            writing: None,
            supply_on: true,
            rail_on: true,
            rail_follows_at: None,
            running: None,
            companions: Companions::default(),
            in_reset: false,
            was_reset: false,
            boots_at: None,
            inbox: VecDeque::new(),
            pending: VecDeque::new(),
            console_free_at: RigTime::ZERO,
        };
        // Inputs that are high while their relay is off show it from the beginning.
        for edge in board.relays.edges_at_rest().chain(board.limiter.as_ref().and_then(FittedLimiter::edge_at_rest)) {
            board.pending.push_back(edge);
        }
        board.plan_boot();
        board
    }

    /// The same with controllers that have one of these mistakes each and ride along; for a board that has just been
    /// made, whose own controller has none.
    #[must_use]
    pub(crate) fn with_companions(mut self, mistakes: &[Defect]) -> Self {
        debug_assert!(self.setup.defects.is_empty() && self.running.is_none());
        self.companions = Companions::new(mistakes);
        self
    }

    /// The mistakes that have made no difference to anything so far, of those that ride along.
    pub(crate) fn makes_no_difference(&self) -> Vec<Defect> {
        self.companions.mistakes().collect()
    }

    /// The instant reached.
    pub fn now(&self) -> RigTime {
        self.now
    }

    /// The controller itself, while it runs.
    pub fn controller(&self) -> Option<&StandIn> {
        self.running.as_ref().map(|running| &running.controller)
    }

    /// Lets time pass up to and including `until`, and gives out what the rig
    /// sees on the way, in order. Earlier than the instant reached is nothing.
    pub fn run_until(&mut self, until: RigTime, sink: &mut impl FnMut(BoardEvent)) {
        while let Some((at, next)) = self.next(until) {
            self.now = at.max(self.now);
            match next {
                Next::Show => {
                    if let Some(event) = self.pending.pop_front() {
                        sink(event);
                    }
                }
                Next::Rail => self.rail_follows(),
                Next::Boot => self.boot(),
                Next::Poll => self.poll(),
                Next::Limiter => self.limiter_looks(),
                Next::Tick => self.tick(),
            }
        }
        self.now = self.now.max(until);
    }

    /// What a probe channel plays from now on.
    pub fn set_probe(&mut self, channel: u8, at: RigTime, signal: ProbeSignal) {
        debug_assert_eq!(at, self.now);
        self.probes.play(channel, self.now, signal);
    }

    /// What is added to a probe channel from now on.
    pub fn disturb_probe(&mut self, channel: u8, at: RigTime, disturbance: Disturbance) {
        debug_assert_eq!(at, self.now);
        self.probes.disturb(channel, self.now, disturbance);
    }

    /// Temperature of the terminals, and of the converters' sensor there, from now on.
    pub fn set_terminals(&mut self, at: RigTime, temperature: MilliCelsius) {
        debug_assert_eq!(at, self.now);
        self.probes.warm(self.now, temperature);
    }

    /// Temperature of the terminals.
    pub fn terminals(&self) -> MilliCelsius {
        self.probes.terminals()
    }

    /// The rig plays the converter of a channel from now on; for a board whose converters are played.
    pub fn play_converter(&mut self, channel: u8, at: RigTime, converter: PlayedConverter) {
        debug_assert_eq!(at, self.now);
        self.probes.play_converter(channel, self.now, converter);
    }

    /// Works a contact; it bounces for up to 20 ms.
    pub fn set_contact(&mut self, output: u8, closed: bool, at: RigTime) {
        debug_assert_eq!(at, self.now);
        let edge = self.limiter.as_mut().and_then(|limiter| limiter.set_contact(self.now, output, closed));
        edge.into_iter().for_each(|edge| self.show(edge));
        let bounces_for = self.setup.bounces_for;
        let Some(quiet_at) = self.contacts.work(output, closed, self.now, bounces_for, &mut self.dice) else { return };
        let bus = self.contacts.lines().bus;
        self.probes.hold(bus);
        if bus != Bus::Free {
            self.companions.let_go(&[Defect::ZerosBelieved, Defect::OnesBelieved, Defect::WaitsForTheBus]);
        }
        self.heed_reset_line();
        let mut comes_round = || {
            let later = if bounces_for.is_some() { 0 } else { self.dice.below(LOOP_MICROS) };
            RigSpan::from_micros(1 + later)
        };
        let noticed = self.now + comes_round();
        let settled = quiet_at + comes_round();
        if let Some(running) = &mut self.running {
            running.poll_at(noticed);
            running.poll_at(settled);
        }
    }

    /// Switches the controller's supply. The rail follows after a few
    /// milliseconds; a gap shorter than that is bridged by its capacitors.
    pub fn set_supply(&mut self, on: bool, at: RigTime) {
        debug_assert_eq!(at, self.now);
        if on == self.supply_on {
            return;
        }
        self.supply_on = on;
        if on {
            self.probes.start(self.now);
        }
        let (shortest, spread) = if on { (500, 2_000) } else { (6_000, 6_000) };
        let delay = RigSpan::from_micros(shortest + self.dice.below(spread));
        self.rail_follows_at = (on != self.rail_on).then_some(self.now + delay);
    }

    /// A line to the controller's console. Lost while the supply is off; kept by
    /// the serial adapter while the controller boots.
    pub fn console_line(&mut self, at: RigTime, line: &str) {
        debug_assert_eq!(at, self.now);
        if self.rail_on {
            let before = self.inbox.back().map_or(self.now, |(arrives, _)| (*arrives).max(self.now));
            self.inbox.push_back((before + on_the_wire(line), line.to_owned()));
        }
    }

    fn next(&self, until: RigTime) -> Option<(RigTime, Next)> {
        // Ticks outnumber everything else by far.
        let mut first = match &self.running {
            Some(running) => (running.tick_at, Next::Tick),
            None => (RigTime::FAR_FUTURE, Next::Tick),
        };
        let mut consider = |at: Option<RigTime>, next: Next| {
            if let Some(at) = at.filter(|at| *at <= first.0) {
                first = (at, next);
            }
        };
        if let Some(running) = &self.running {
            consider(running.polls.front().copied(), Next::Poll);
        }
        consider(self.limiter.as_ref().and_then(FittedLimiter::looks_at), Next::Limiter);
        consider(self.boots_at, Next::Boot);
        consider(self.rail_follows_at, Next::Rail);
        consider(self.pending.front().map(BoardEvent::at), Next::Show);
        (first.0 <= until).then_some(first)
    }

    fn rail_follows(&mut self) {
        self.rail_follows_at = None;
        self.rail_on = self.supply_on;
        self.show(BoardEvent::SupplyRail { at: self.now, on: self.rail_on });
        if let Some(limiter) = &mut self.limiter {
            limiter.controllers_rail(self.now, self.rail_on);
        }
        if self.rail_on {
            self.plan_boot();
            return;
        }
        self.breaks_off();
        self.was_reset = false;
        self.drive(Outputs::default());
    }

    /// The processor stops in the middle of whatever it was doing.
    fn breaks_off(&mut self) {
        self.boots_at = None;
        self.inbox.clear();
        // A line that was being sent breaks off.
        let now = self.now;
        self.pending.retain(|event| !matches!(event, BoardEvent::Console { at, .. } if *at > now));
        self.console_free_at = now;
        if let Some((save, since)) = self.writing.take() {
            let share = (now - since).as_micros().clamp(0, SAVE.as_micros());
            self.memory.write(&save, (share * SLOT_BYTES as i64 / SAVE.as_micros()) as usize);
        }
        self.running = None;
    }

    /// Held in reset the processor does nothing, and its pins float: what they drive is off.
    fn heed_reset_line(&mut self) {
        let held = self.contacts.lines().reset;
        if held == std::mem::replace(&mut self.in_reset, held) {
            return;
        }
        if !held {
            if self.rail_on {
                self.plan_boot();
            }
            return;
        }
        self.breaks_off();
        self.was_reset = true;
        self.companions.let_go(&[Defect::OutputsKeptInReset]);
        if !self.setup.defects.has(Defect::OutputsKeptInReset) {
            self.drive(Outputs::default());
        }
    }

    fn plan_boot(&mut self) {
        if self.in_reset {
            return;
        }
        let boot = RigSpan::from_micros(280_000 + self.dice.below(40_000));
        self.boots_at = Some(self.now + boot);
    }

    fn boot(&mut self) {
        self.boots_at = None;
        self.probes.booted(self.now, self.tick_period, &mut self.dice);
        self.finish_writing();
        let mut defects = self.setup.defects;
        if self.was_reset {
            self.companions.let_go(&[Defect::ResumesAfterAnyReset]);
        }
        if self.was_reset && defects.has(Defect::ResumesAfterAnyReset) {
            defects = defects.with(Defect::ResumesAfterAnyOutage);
        }
        let controller = StandIn::boot(self.setup.settings, defects, &self.memory);
        self.companions.boot(self.setup.settings, defects, &self.memory);
        let place = self.now + RigSpan::from_micros(1 + self.dice.below(self.tick_period.as_micros()));
        self.running = Some(Running {
            controller,
            booted_at: self.now,
            fed_at: self.now,
            tick_place: place,
            tick_at: place,
            polls: VecDeque::new(),
            // Off, unless something outside the processor has kept them.
            outputs: self.relays.driven(),
        });
        self.fetch();
    }

    fn tick(&mut self) {
        let jitter = RigSpan::from_micros(self.dice.below(TICK_JITTER_MICROS));
        let contacts = self.contacts.sense(self.now, &mut self.dice);
        let inputs = Inputs { readings: self.probes.read(self.now), contacts };
        let stands_still = self.stands_still();
        let Some(running) = &mut self.running else { return };
        running.tick_place += self.tick_period;
        running.tick_at = running.tick_place + jitter;
        if stands_still {
            self.watch_over_standing_program();
            return;
        }
        running.fed_at = self.now;
        while self.inbox.front().is_some_and(|(arrives, _)| *arrives <= self.now) {
            if let Some((_, line)) = self.inbox.pop_front() {
                running.controller.console_line(&line);
                self.companions.console_line(&line);
            }
        }
        let milliseconds = running.milliseconds(self.now, self.setup.timer_at_boot_ms);
        let outputs = running.controller.tick(milliseconds, &inputs);
        self.companions.tick(milliseconds, &inputs, outputs);
        self.act(outputs);
    }

    fn limiter_looks(&mut self) {
        let reading = self.probes.read_limiters(self.now);
        let edge = self.limiter.as_mut().and_then(|limiter| limiter.look(self.now, reading));
        edge.into_iter().for_each(|edge| self.show(edge));
    }

    fn poll(&mut self) {
        let contacts = self.contacts.sense(self.now, &mut self.dice);
        let stands_still = self.stands_still();
        let Some(running) = &mut self.running else { return };
        running.polls.pop_front();
        if stands_still {
            return;
        }
        let milliseconds = running.milliseconds(self.now, self.setup.timer_at_boot_ms);
        let outputs = running.controller.poll_contacts(milliseconds, &contacts);
        self.companions.poll_contacts(milliseconds, &contacts, outputs);
        self.act(outputs);
    }

    fn stands_still(&self) -> bool {
        self.contacts.lines().test || self.waits_for_the_bus()
    }

    /// Whether it stands in a read of a converter, which only a defect makes it do; an interrupt goes on feeding the watchdog.
    fn waits_for_the_bus(&self) -> bool {
        self.setup.defects.has(Defect::WaitsForTheBus) && self.contacts.lines().bus == Bus::NoClock
    }

    /// Resets a controller whose program has stood still for too long; until then its outputs stay as they are.
    fn watch_over_standing_program(&mut self) {
        self.companions.let_go(&[Defect::WatchdogOfAMinute, Defect::WatchdogAbsent]);
        let defects = self.setup.defects;
        let patience = if defects.has(Defect::WatchdogOfAMinute) { SLOW_WATCHDOG } else { WATCHDOG };
        let stood = self.running.as_ref().map_or(RigSpan::ZERO, |running| self.now - running.fed_at);
        if stood < patience || defects.has(Defect::WatchdogAbsent) || self.waits_for_the_bus() {
            return;
        }
        self.inbox.clear();
        self.running = None;
        self.was_reset = true;
        self.drive(Outputs::default());
        self.plan_boot();
    }

    /// Does what a call of the controller asked for.
    fn act(&mut self, outputs: Outputs) {
        if let Some(after) = outputs.call_again_after_ms {
            let late = RigSpan::from_micros(1_000 + self.dice.below(1_000));
            let at = self.now + RigSpan::from_millis(i64::from(after)) + late;
            if let Some(running) = &mut self.running {
                running.poll_at(at);
            }
        }
        self.drive(outputs);
        self.fetch();
    }

    /// Brings the relays to where the outputs want them.
    fn drive(&mut self, outputs: Outputs) {
        let before = match &mut self.running {
            Some(running) => std::mem::replace(&mut running.outputs, outputs),
            None => self.relays.driven(),
        };
        if (before.safety, before.elements) == (outputs.safety, outputs.elements) {
            return;
        }
        let edges = self.relays.drive(&outputs, self.now, &mut self.dice);
        for edge in edges {
            self.show(edge);
        }
    }

    /// Fetches what the controller has to say and to keep.
    fn fetch(&mut self) {
        let Some(running) = &mut self.running else { return };
        if running.controller.has_save() {
            let save = running.controller.take_save();
            self.companions.save(Some(save.as_ref()));
            self.finish_writing();
            self.writing = save.map(|save| (save, self.now));
        } else {
            self.companions.save(None);
        }
        loop {
            let line = self.running.as_mut().and_then(|running| running.controller.take_line());
            self.companions.line(line.as_ref());
            let Some(line) = line else { break };
            self.console_free_at = self.console_free_at.max(self.now) + on_the_wire(&line);
            self.show(BoardEvent::Console { at: self.console_free_at, line: line.as_str().to_owned() });
        }
    }

    fn finish_writing(&mut self) {
        if let Some((save, _)) = self.writing.take() {
            self.memory.write(&save, SLOT_BYTES);
        }
    }

    fn show(&mut self, event: BoardEvent) {
        let place = self.pending.partition_point(|other| other.rank() <= event.rank());
        self.pending.insert(place, event);
    }
}

impl Running {
    /// The controller's millisecond timer, which counts from its boot and wraps.
    fn milliseconds(&self, now: RigTime, at_boot: u32) -> u32 {
        at_boot.wrapping_add(((now - self.booted_at).as_micros() / 1_000) as u32)
    }

    fn poll_at(&mut self, at: RigTime) {
        let place = self.polls.partition_point(|other| *other <= at);
        self.polls.insert(place, at);
    }
}

/// How long a line and its end take on the console's wire.
fn on_the_wire(line: &str) -> RigSpan {
    RigSpan::from_micros((line.len() as i64 + 2) * LETTER_MICROS)
}

#[cfg(test)]
mod tests;

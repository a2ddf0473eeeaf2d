//! The rig's own logic with a simulated controller behind its terminals.

use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use dryfire_engine::ProbeSignal;
use dryfire_link::frame::MAX_FRAME;
use dryfire_link::{Begin, CalibrationState, Capabilities, LinkTime, PlayedConverter, ProbeDrive, StartReason};
use dryfire_rig::{
    Board, CALIBRATED_CHANNELS, CALIBRATION_BYTES, Calibration, ChannelScale, ConverterPlayer, Drive, EDGE_RING,
    Identity, MAX_CHANNELS, MAX_CONTACTS, MAX_INPUTS, Rig,
};
use dryfire_scenario::Bench as BenchFile;
use dryfire_units::{Disturbance, MilliCelsius, RigSpan, RigTime};

use crate::transport::{Transport, TransportError};
use crate::world::{World, WorldEvent};

/// How a simulated rig keeps time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum RigPace {
    /// As fast as the host grants.
    Granted,
    /// Within the host's grants, at most so many times as fast as the link's clock.
    GrantedAt(f64),
    /// By the link's clock times this factor, as a rig of silicon would (1: real time). Grants
    /// are refused. At more than about 20 the host cannot keep up and set-points come late.
    Free(f64),
}

/// What a simulated rig is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SimulatedRigSetup {
    /// Its boot id; another one after every start.
    pub boot_id: u32,
    /// How it keeps time.
    pub pace: RigPace,
    /// Rig time at its boot.
    pub booted_at: RigTime,
    /// Probe channels.
    pub probe_channels: u8,
    /// Sensed inputs.
    pub inputs: u8,
    /// Contacts.
    pub contacts: u8,
    /// Whether it can switch the controller's supply.
    pub supply_switch: bool,
    /// What its channels give, where they are like those of a new board; `None`: they are exact.
    pub scales: Option<[ChannelScale; CALIBRATED_CHANNELS]>,
}

impl SimulatedRigSetup {
    /// A rig with as many channels, inputs and contacts as the bench file uses.
    pub fn from_bench(file: &BenchFile, pace: RigPace, boot_id: u32) -> Self {
        let count = |numbers: &mut dyn Iterator<Item = u8>| numbers.max().map_or(0, |last| last.saturating_add(1));
        SimulatedRigSetup {
            boot_id,
            pace,
            booted_at: RigTime::ZERO,
            probe_channels: count(&mut file.probe_channels()),
            inputs: count(&mut file.relays.iter().map(|relay| relay.input)),
            contacts: count(
                &mut file
                    .contacts
                    .iter()
                    .map(|contact| contact.output)
                    .chain(file.feedback.iter().map(|contact| contact.output)),
            ),
            supply_switch: file.supply_switch,
            scales: None,
        }
    }
}

/// A rig whose board is a [`World`]. Without IO and without a clock of its own:
/// [`serve`] runs it on a real port, [`crate::InProcessTransport`] in the host's process.
#[derive(Debug)]
pub struct SimulatedRig<W> {
    rig: Box<Rig<EDGE_RING>>,
    board: WorldBoard<W>,
    now: RigTime,
    pace: RigPace,
    identity: Identity,
    /// When the sensor of the cold junction is read next.
    senses_at: RigTime,
    /// Where the paced clock was last set: link time and rig time.
    anchor: (LinkTime, RigTime),
}

/// A paced clock that had to wait for a grant may make up for so much, in microseconds of link time.
const CATCH_UP: u64 = 50_000;
/// Between two readings of the sensor of the cold junction.
const SENSES_EVERY: RigSpan = RigSpan::from_millis(500);
/// A free-running rig looks at its controller at least this often.
const LOOK_EVERY: u64 = 5_000;

impl<W: World> SimulatedRig<W> {
    /// A rig that boots now.
    pub fn new(world: W, setup: SimulatedRigSetup) -> Self {
        let identity = Identity {
            board: "simulated",
            firmware: env!("CARGO_PKG_VERSION"),
            boot_id: setup.boot_id,
            start: None,
            calibration: setup.scales.map(|_| CalibrationState::Missing),
            capabilities: Capabilities {
                simulated: true,
                stepped: !matches!(setup.pace, RigPace::Free(_)),
                supply_switch: setup.supply_switch,
                supply_rail: true,
                console: true,
                probe_channels: setup.probe_channels.min(MAX_CHANNELS as u8),
                inputs: setup.inputs.min(MAX_INPUTS as u8),
                contacts: setup.contacts.min(MAX_CONTACTS as u8),
            },
        };
        SimulatedRig {
            rig: Box::new(Rig::new(identity.clone())),
            identity,
            board: WorldBoard::new(world, setup.scales),
            now: setup.booted_at,
            pace: setup.pace,
            senses_at: setup.booted_at,
            anchor: (LinkTime::ZERO, setup.booted_at),
        }
    }

    /// Takes it apart: what it was wired to.
    pub fn into_world(self) -> W {
        self.board.world
    }

    /// The rig's logic.
    pub fn rig(&self) -> &Rig<EDGE_RING> {
        &self.rig
    }

    /// Rig time.
    pub fn now(&self) -> RigTime {
        self.now
    }

    /// Takes bytes from the host.
    pub fn handle_bytes(&mut self, link_now: LinkTime, bytes: &[u8]) {
        self.rig.handle_bytes(link_now, bytes);
    }

    /// Starts again as after its watchdog: what was kept is kept, and everything else is new.
    fn restart(&mut self) {
        self.board.hangs = false;
        self.board.converters = [None; MAX_CHANNELS];
        self.board.origin = None;
        self.identity.boot_id = self.identity.boot_id.wrapping_add(1);
        self.identity.start = Some(StartReason::Watchdog);
        if let Some(page) = &self.board.page {
            self.identity.calibration = Some(Calibration::state(&Calibration::decode(page)));
        }
        *self.rig = Rig::new(self.identity.clone());
    }

    /// Lets rig time pass as far as it may, and appends what is to be sent to `frames`.
    pub fn turn(&mut self, link_now: LinkTime, frames: &mut Vec<u8>) {
        loop {
            if self.senses_at <= self.now {
                self.senses_at = self.now + SENSES_EVERY;
                let reading = self.board.world.cold_junction();
                let reading = reading.and_then(|reading| i32::try_from(reading.value()).ok());
                self.rig.handle_cold_junction(self.now, reading);
            }
            self.rig.poll(self.now, link_now, &mut self.board);
            if self.board.hangs {
                self.restart();
                return;
            }
            self.hand_over();
            let mut target = self.limit(link_now);
            let running = self.rig.is_running().then_some(self.senses_at);
            for due in self.rig.next_due().into_iter().chain(self.board.next_hold()).chain(running) {
                target = target.min(due.max(self.now));
            }
            if target <= self.now {
                break;
            }
            self.board.run_until(target);
            self.now = target;
            self.hand_over();
        }
        let mut buffer = [0u8; MAX_FRAME];
        while let Some(frame) = self.rig.poll_transmit(link_now, &mut buffer) {
            frames.extend_from_slice(frame);
        }
    }

    /// When [`Self::turn`] is due if no bytes come.
    pub fn next_turn(&self, link_now: LinkTime) -> Option<LinkTime> {
        let link = self.rig.next_link_due();
        let paced = match self.pace {
            RigPace::Granted => None,
            RigPace::GrantedAt(speed) => {
                let horizon = self.rig.horizon();
                (horizon > self.now).then(|| self.link_time_of(horizon, speed).max(link_now + 100))
            }
            RigPace::Free(_) => Some(link_now + LOOK_EVERY),
        };
        link.into_iter().chain(paced).min()
    }

    fn link_time_of(&self, at: RigTime, speed: f64) -> LinkTime {
        let (link, rig) = self.anchor;
        link + ((at - rig).as_micros().max(0) as f64 / speed) as u64
    }

    /// How far rig time may go now.
    fn limit(&mut self, link_now: LinkTime) -> RigTime {
        let horizon = self.rig.horizon();
        let (RigPace::GrantedAt(speed) | RigPace::Free(speed)) = self.pace else { return horizon };
        let paced = |(link, rig): (LinkTime, RigTime)| {
            rig + RigSpan::from_micros((link_now.micros_since(link) as f64 * speed) as i64)
        };
        let allowance = RigSpan::from_micros((CATCH_UP as f64 * speed) as i64);
        if paced(self.anchor) > horizon.saturating_add(allowance) {
            self.anchor = (link_now, horizon + allowance);
        }
        paced(self.anchor).max(self.now).min(horizon)
    }

    /// What the world told goes to the rig.
    fn hand_over(&mut self) {
        let Some(origin) = self.board.origin else { return };
        for event in self.board.told.drain(..) {
            let absolute = |at: RigTime| origin + at.since_origin();
            match event {
                WorldEvent::Edge { at, input, high } => self.rig.handle_edge(absolute(at), input, high),
                WorldEvent::SupplyRail { at, on } => self.rig.handle_supply_rail(absolute(at), on),
                WorldEvent::Console { at, line } => {
                    self.rig.handle_console(absolute(at), line.as_bytes());
                    self.rig.handle_console(absolute(at), b"\n");
                }
            }
        }
    }
}

/// Works a world as the outputs of a board.
#[derive(Debug)]
struct WorldBoard<W> {
    world: W,
    /// Rig time at which the world began.
    origin: Option<RigTime>,
    told: Vec<WorldEvent>,
    /// Signals whose validity ends: then the last value is held.
    holds: [Option<Drive>; MAX_CHANNELS],
    console: Vec<u8>,
    /// What the channels give, where they are not exact.
    scales: Option<[ChannelScale; CALIBRATED_CHANNELS]>,
    page: Option<[u8; CALIBRATION_BYTES]>,
    /// The converters that are played.
    converters: [Option<PlayedConverter>; MAX_CHANNELS],
    hangs: bool,
}

impl<W: World> WorldBoard<W> {
    fn new(world: W, scales: Option<[ChannelScale; CALIBRATED_CHANNELS]>) -> Self {
        WorldBoard {
            world,
            origin: None,
            told: Vec::new(),
            holds: [None; MAX_CHANNELS],
            console: Vec::new(),
            scales,
            page: None,
            converters: [None; MAX_CHANNELS],
            hangs: false,
        }
    }

    /// What comes out of a channel that is set to a voltage by what is known of it.
    fn given(&self, channel: u8, nanovolts: i32) -> i32 {
        // A word has no scale.
        if self.converters[usize::from(channel)].is_some() {
            return nanovolts;
        }
        let Some(scale) = self.scales.as_ref().and_then(|scales| scales.get(usize::from(channel))) else {
            return nanovolts;
        };
        let known = self.page.as_ref().and_then(|page| Calibration::decode(page).ok().flatten());
        let known = known.map_or(ChannelScale::NOMINAL, |known| known.scales[usize::from(channel)]);
        // Below what the divider reaches, the leads are swapped.
        if nanovolts < known.lowest_nanovolts {
            return -scale.nanovolts(known.code(nanovolts.saturating_neg()));
        }
        scale.nanovolts(known.code(nanovolts))
    }

    fn since_begin(&self, at: RigTime) -> Option<RigTime> {
        self.origin.map(|origin| RigTime::ZERO + (at - origin))
    }

    fn next_hold(&self) -> Option<RigTime> {
        self.holds.iter().flatten().filter_map(valid_until).min()
    }

    fn run_until(&mut self, until: RigTime) {
        let Some(at) = self.since_begin(until) else { return };
        self.world.run_until(at, &mut |event| self.told.push(event));
        for channel in 0..self.holds.len() {
            let Some(drive) = self.holds[channel] else { continue };
            if valid_until(&drive).is_some_and(|end| end <= until) {
                self.holds[channel] = None;
                let nanovolts = self.given(channel as u8, drive.nanovolts_at(until).unwrap_or(0));
                let held = ProbeSignal::Voltage { nanovolts, nanovolts_per_second: 0 };
                self.world.set_probe(at, channel as u8, held);
            }
        }
    }
}

fn valid_until(drive: &Drive) -> Option<RigTime> {
    match drive.signal() {
        ProbeDrive::Voltage { nanovolts_per_second, valid_until, .. } if nanovolts_per_second != 0 => Some(valid_until),
        _ => None,
    }
}

impl<W: World> Board for WorldBoard<W> {
    fn begin(&mut self, at: RigTime, begin: &Begin) -> Option<u32> {
        self.told.clear();
        self.console.clear();
        self.holds = [None; MAX_CHANNELS];
        match self.world.begin(begin.seed, i64::from(begin.ambient_millicelsius)) {
            Ok(()) => {
                self.origin = Some(at);
                for (channel, converter) in self.converters.iter().enumerate() {
                    if let Some(converter) = converter {
                        self.world.play_converter(RigTime::ZERO, channel as u8, *converter);
                    }
                }
            }
            Err(error) => {
                // A controller that is not there heats nothing, which must not look like a good one:
                // its supply is seen to be off, and no run passes on that.
                tracing::error!(error, "no controller behind the simulated rig");
                self.origin = Some(at);
                self.told.push(WorldEvent::SupplyRail { at: RigTime::ZERO, on: false });
            }
        }
        Some(0)
    }

    fn probe(&mut self, at: RigTime, channel: u8, drive: Drive) {
        let Some(since) = self.since_begin(at) else { return };
        let signal = match drive.signal() {
            ProbeDrive::Open => ProbeSignal::Open,
            ProbeDrive::Short => ProbeSignal::Short,
            ProbeDrive::ShortToGround => ProbeSignal::ShortToGround,
            ProbeDrive::ShortToSupply => ProbeSignal::ShortToSupply,
            ProbeDrive::Voltage { nanovolts_per_second, valid_until, .. } => ProbeSignal::Voltage {
                nanovolts: self.given(channel, drive.nanovolts_at(at).unwrap_or(0)),
                nanovolts_per_second: if at < valid_until { nanovolts_per_second } else { 0 },
            },
        };
        self.holds[usize::from(channel)] = (valid_until(&drive).is_some_and(|end| end > at)).then_some(drive);
        self.world.set_probe(since, channel, signal);
    }

    fn disturb(&mut self, at: RigTime, channel: u8, disturbance: Disturbance) {
        if let Some(at) = self.since_begin(at) {
            self.world.disturb_probe(at, channel, disturbance);
        }
    }

    fn contact(&mut self, at: RigTime, output: u8, closed: bool) {
        if let Some(at) = self.since_begin(at) {
            self.world.set_contact(at, output, closed);
        }
    }

    fn supply(&mut self, at: RigTime, on: bool) {
        if let Some(at) = self.since_begin(at) {
            self.world.set_supply(at, on);
        }
    }

    fn console(&mut self, at: RigTime, bytes: &[u8]) {
        let Some(at) = self.since_begin(at) else { return };
        for byte in bytes {
            if *byte == b'\n' {
                let line = std::mem::take(&mut self.console);
                self.world.console_line(at, &String::from_utf8_lossy(&line));
            } else {
                self.console.push(*byte);
            }
        }
    }

    fn play_converter(&mut self, at: RigTime, channel: u8, converter: Option<PlayedConverter>) -> bool {
        if converter.is_some_and(|converter| ConverterPlayer::new(converter, at).is_none()) {
            return false;
        }
        self.converters[usize::from(channel)] = converter;
        true
    }

    fn cold_junction(&mut self, at: RigTime, millicelsius: i32) {
        if let Some(at) = self.since_begin(at) {
            self.world.set_cold_junction(at, MilliCelsius::new(i64::from(millicelsius)));
        }
    }

    fn calibration_page(&mut self) -> Option<[u8; CALIBRATION_BYTES]> {
        Some(self.page.unwrap_or([0xff; CALIBRATION_BYTES]))
    }

    fn keep_calibration(&mut self, page: &[u8; CALIBRATION_BYTES]) {
        self.page = Some(*page);
    }

    fn hang(&mut self) {
        self.hangs = true;
    }
}

/// Longest wait of a served rig before it looks whether it shall stop.
const SERVE_WAIT: u64 = 20_000;

/// Runs a simulated rig on a transport until `stop` is set.
///
/// # Errors
/// The transport is gone.
pub fn serve<W: World>(
    rig: &mut SimulatedRig<W>,
    transport: &mut impl Transport,
    stop: &AtomicBool,
) -> Result<(), TransportError> {
    let (mut bytes, mut frames) = (Vec::new(), Vec::new());
    while !stop.load(Ordering::Relaxed) {
        let now = transport.now();
        let due = rig.next_turn(now).map_or(SERVE_WAIT, |due| due.micros_since(now)).min(SERVE_WAIT);
        bytes.clear();
        transport.read(&mut bytes, Duration::from_micros(due))?;
        let now = transport.now();
        rig.handle_bytes(now, &bytes);
        frames.clear();
        rig.turn(now, &mut frames);
        if !frames.is_empty() {
            transport.write(&frames)?;
        }
    }
    Ok(())
}

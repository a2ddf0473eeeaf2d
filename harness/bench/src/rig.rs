//! The rig bench: the real controller, or a simulated one, behind a rig on a wire.

mod commands;
mod greeting;
mod run;
mod service;
mod wire;

use std::collections::VecDeque;
use std::path::{Path, PathBuf};
use std::time::Duration;

use dryfire_engine::{Command, CommandId, CommandKind, Observation, Pacing, Trouble, TroubleKind};
use dryfire_link::{
    Begin, CalibrationState, ConverterPart, HostMessage, LinkPacing, PlayedConverter, RigMessage, StartReason, Welcome,
};
use dryfire_scenario::{Bench as BenchFile, BenchKind, ColdJunction, ContactState, ConverterChoice, Plays, Told};
use dryfire_units::{RigSpan, RigTime};

use crate::driver::{Bench, BenchIdentity, RunSetup};
use crate::nonce::nonce;
use crate::transport::{SerialTransport, Transport, TransportError};
use crate::virtual_bench::STEP;
use greeting::{
    Greeting, PLAYS_CONVERTERS, calibration_in_words, greet, measure_cold_junction, play_converters, start_in_words,
    wait_for,
};
use run::RunState;
pub use service::RigService;
use wire::{Wire, trouble, went_safe};

/// Somebody who can be asked to do something at the bench.
pub trait Operator {
    /// Asks. Must not wait for the answer: the rig goes to its safe state when the host is silent.
    fn ask(&mut self, text: &str);
    /// Whether the question asked longest ago has been answered since; each answer counts once.
    fn is_done(&mut self) -> bool;
}

/// How patient the host is with a rig.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RigPatience {
    /// Longest time, of link time, in which nothing is heard.
    pub silence: Duration,
    /// Longest time, of link time, in which the rig answers but its clock does not move on.
    pub standstill: Duration,
}

impl Default for RigPatience {
    fn default() -> Self {
        RigPatience { silence: Duration::from_secs(2), standstill: Duration::from_secs(20) }
    }
}

/// Opens a transport; called again after the last one is gone.
pub type Connect = Box<dyn FnMut() -> Result<Box<dyn Transport>, TransportError>>;

/// A bench whose controller is played to by a rig.
pub struct RigBench {
    file: BenchFile,
    connect: Connect,
    operator: Option<Box<dyn Operator>>,
    patience: RigPatience,
    nonce: u32,
    wire: Option<Wire>,
    welcome: Option<Welcome>,
    /// What else it said that matters, in words.
    told: String,
    runs: u32,
    run: Option<Run>,
}

struct Run {
    state: RunState,
    pacing: LinkPacing,
    /// Commands that have not been sent, by instant, then by number.
    waiting: VecDeque<Command>,
    /// Questions to the operator that have not been answered.
    asked: VecDeque<CommandId>,
}

/// Between set-points of a free-running rig.
const PERIOD: RigSpan = RigSpan::from_millis(200);
/// How long each stays good there.
const VALIDITY: RigSpan = RigSpan::from_millis(1_000);
/// How far ahead commands are sent to a free-running rig.
const AHEAD: RigSpan = RigSpan::from_millis(1_000);
/// Commands under way; fewer than fit into a rig's queue.
const UNDER_WAY: usize = 24;
/// How long a real controller's supply is off before a run: its rail has to be down for a second.
const SUPPLY_OFF_MS: u16 = 2_000;
/// What is agreed where the bench file says nothing.
const DEFAULT_SILENCE_MS: u16 = 500;
/// How long a rig that is there may take to welcome, or to begin a run, microseconds of link time. Long:
/// the supply is off for two seconds before, and an emulated rig may be slower than the clock. It is needed all the same:
/// a rig that heard nothing for too long while it began has gone to its safe state, and begins nothing any more.
const ANSWER: u64 = 120_000_000;
/// How long the end of a run may take to arrive, microseconds of link time.
const FAREWELL: u64 = 200_000;

impl RigBench {
    /// A bench on the serial port at `port`; opened when the first run begins.
    pub fn serial(file: BenchFile, port: PathBuf) -> Self {
        let open =
            move || -> Result<Box<dyn Transport>, TransportError> { Ok(Box::new(SerialTransport::open(&port)?)) };
        Self::new(file, Box::new(open), nonce())
    }

    /// A bench on whatever `connect` opens. `nonce` names the first session and has to be
    /// another one for every program that talks to the same rig.
    pub fn new(file: BenchFile, connect: Connect, nonce: u32) -> Self {
        RigBench {
            file,
            connect,
            operator: None,
            patience: RigPatience::default(),
            nonce,
            wire: None,
            welcome: None,
            told: String::new(),
            runs: 0,
            run: None,
        }
    }

    /// Whom to ask. Without one nobody ever answers: what waits for it runs out of patience.
    #[must_use]
    pub fn with_operator(mut self, operator: Box<dyn Operator>) -> Self {
        self.operator = Some(operator);
        self
    }

    /// How patient to be.
    #[must_use]
    pub fn with_patience(mut self, patience: RigPatience) -> Self {
        self.patience = patience;
        self
    }

    /// What the rig said about itself, once a run has begun.
    pub fn welcome(&self) -> Option<&Welcome> {
        self.welcome.as_ref()
    }

    /// A connected rig that speaks our protocol and has what the bench file needs.
    fn greet(&mut self) -> Result<(), Trouble> {
        let nonce = self.nonce;
        self.nonce = self.nonce.wrapping_add(1);
        let Greeting { wire, welcome, start, calibration } = greet(&mut self.connect, nonce, self.patience)?;
        self.check_wiring(&welcome)?;
        // Where converters are played no volts are, and what is known of them is no matter.
        let calibration = if self.plays_converters() { None } else { calibration };
        self.told = start_in_words(start) + &calibration_in_words(calibration);
        let as_it_should_be = matches!(calibration, None | Some(CalibrationState::Stored { .. }))
            && matches!(start, None | Some(StartReason::Power));
        if !as_it_should_be {
            tracing::warn!("the rig: {}", self.told.trim_start_matches([',', ' ']));
        }
        self.welcome = Some(welcome);
        self.wire = Some(wire);
        Ok(())
    }

    /// Whether the rig has every channel, input, contact and switch that the bench file uses.
    fn check_wiring(&self, welcome: &Welcome) -> Result<(), Trouble> {
        let there = welcome.capabilities;
        let needs = |what: &str, number: Option<u8>, count: u8| match number {
            Some(number) if number >= count => Err(trouble(
                TroubleKind::LinkRefused,
                format!("the bench file uses {what} {number}, and the rig has {count} of them, numbered from 0"),
            )),
            _ => Ok(()),
        };
        needs("probe channel", self.file.probe_channels().max(), there.probe_channels)?;
        needs("input", self.file.relays.iter().map(|relay| relay.input).max(), there.inputs)?;
        let outputs = self.file.contacts.iter().map(|contact| contact.output);
        let outputs = outputs.chain(self.file.feedback.iter().map(|contact| contact.output));
        needs("contact", outputs.max(), there.contacts)?;
        if self.file.supply_switch && !there.supply_switch {
            let detail = "the bench file says that the rig can switch the controller's supply, and the rig cannot";
            return Err(trouble(TroubleKind::LinkRefused, detail));
        }
        Ok(())
    }

    fn request(&self, setup: &RunSetup, welcome: &Welcome) -> Begin {
        let simulated = welcome.capabilities.simulated;
        let silence_ms = match &self.file.kind {
            BenchKind::Rig { silence, .. } => u16::try_from(silence.as_millis()).unwrap_or(u16::MAX),
            BenchKind::Virtual(_) | BenchKind::Program { .. } => DEFAULT_SILENCE_MS,
        };
        let closed = |state: &dyn Fn(&dryfire_scenario::Contact) -> ContactState| {
            let closed = self.file.contacts.iter().filter(|contact| state(contact) == ContactState::Closed);
            closed.fold(0u32, |bits, contact| bits | 1u32.checked_shl(u32::from(contact.output)).unwrap_or(0))
        };
        let told = |closed: &dyn Fn(Told) -> bool| {
            let closed = self.file.feedback.iter().filter(|contact| closed(contact.tells));
            closed.fold(0u32, |bits, contact| bits | 1u32.checked_shl(u32::from(contact.output)).unwrap_or(0))
        };
        Begin {
            run: self.runs,
            seed: setup.seed,
            ambient_millicelsius: i32::try_from(setup.ambient_millicelsius).unwrap_or(i32::MAX),
            pacing: if welcome.capabilities.stepped { LinkPacing::Stepped } else { LinkPacing::Free },
            silence_ms,
            // A simulated controller starts afresh anyway.
            supply_off_ms: if self.file.supply_switch && !simulated { SUPPLY_OFF_MS } else { 0 },
            closed_at_rest: closed(&|contact| match contact.engaged {
                ContactState::Open => ContactState::Closed,
                ContactState::Closed => ContactState::Open,
            }) | told(&Told::closed_at_rest),
            closed_when_safe: closed(&|contact| contact.demand_safe) | told(&Told::closed_when_safe),
            // The controller stays on and sees open probes and a contact that demands the safe state.
            supply_when_safe: true,
        }
    }

    /// The converters that the rig is to play, by channel.
    fn converters(&self, setup: &RunSetup) -> Result<Vec<(u8, PlayedConverter)>, Trouble> {
        if !self.plays_converters() {
            return Ok(Vec::new());
        }
        let part = match self.file.converter {
            ConverterChoice::FourteenBit => ConverterPart::FourteenBit,
            ConverterChoice::TwelveBit => ConverterPart::TwelveBit,
            ConverterChoice::Linearised => ConverterPart::Linearised,
        };
        let cold_junction_millicelsius = i32::try_from(setup.ambient_millicelsius).unwrap_or(i32::MAX);
        let zones = self.file.zones.iter();
        let played = zones.filter_map(|zone| {
            let thermocouple = u8::try_from(zone.probe_type).unwrap_or_default();
            Some((zone.probe_channel?, PlayedConverter { part, thermocouple, cold_junction_millicelsius }))
        });
        Ok(played.collect())
    }

    fn plays_converters(&self) -> bool {
        matches!(self.file.kind, BenchKind::Rig { plays: Plays::Converters, .. })
    }

    fn try_begin(&mut self, setup: &RunSetup) -> Result<BenchIdentity, Trouble> {
        if self.wire.is_none() {
            self.greet()?;
        }
        let (Some(welcome), Some(wire)) = (self.welcome.clone(), self.wire.as_mut()) else {
            return Err(trouble(TroubleKind::LinkLost, "no rig is connected"));
        };
        self.runs = self.runs.wrapping_add(1);
        wire.listen();
        let damaged = wire.damaged();
        let request = self.request(setup, &welcome);
        let converters = self.converters(setup)?;
        let Some(wire) = self.wire.as_mut() else {
            return Err(trouble(TroubleKind::LinkLost, "no rig is connected"));
        };
        play_converters(wire, &welcome, &converters)?;
        let measured = self.file.cold_junction == ColdJunction::Measured;
        let cold_junction = if measured { Some(measure_cold_junction(wire, &welcome)?) } else { None };
        wire.send(&HostMessage::Begin(request))?;
        let mut starts = false;
        let origin = wait_for(wire, |message| match message {
            RigMessage::Began { run, origin } if run == request.run => Some(Ok(origin)),
            RigMessage::Heartbeat(beat) if !beat.safe => {
                starts = true;
                None
            }
            // Before it starts it is in the safe state, and what it said then may still be on its way.
            RigMessage::Heartbeat(_) if starts => Some(Err(went_safe("while it began the run"))),
            _ => None,
        })??;
        let mut state = RunState::new(origin, welcome.boot_id, damaged, wire.now());
        if let Some(millicelsius) = cold_junction {
            // Read a moment before the run; the next reading is not far.
            state.cold_junction(RigTime::ZERO, Some(millicelsius));
        }
        self.run = Some(Run { state, pacing: request.pacing, waiting: VecDeque::new(), asked: VecDeque::new() });
        let kind = if welcome.capabilities.simulated { "simulated rig" } else { "rig" };
        Ok(BenchIdentity {
            description: format!(
                "{kind} `{}`, firmware {}, boot {:08x}{}{}",
                welcome.board,
                welcome.firmware,
                welcome.boot_id,
                self.told,
                if converters.is_empty() { "" } else { PLAYS_CONVERTERS }
            ),
            pacing: match request.pacing {
                LinkPacing::Stepped => Pacing::Stepped { step: STEP },
                LinkPacing::Free => Pacing::FreeRunning { period: PERIOD, validity: VALIDITY },
            },
            fresh_controller: welcome.capabilities.simulated || self.file.supply_switch,
        })
    }

    fn try_advance(&mut self, until: RigTime, observations: &mut Vec<Observation>) -> Result<(), Trouble> {
        let (Some(wire), Some(run)) = (self.wire.as_mut(), self.run.as_mut()) else {
            return Err(trouble(TroubleKind::LinkLost, "no run goes on at the rig"));
        };
        let standstill = u64::try_from(self.patience.standstill.as_micros()).unwrap_or(u64::MAX);
        run.state.moved_at = wire.now();
        wire.listen();
        match run.pacing {
            LinkPacing::Stepped => {
                while run.state.complete < until || run.is_due(until) {
                    let target = run.send_due(wire, until)?;
                    wire.send(&HostMessage::Grant { until: run.state.on_rig(target) })?;
                    while run.state.complete < target || run.state.outstanding.values().any(|at| *at <= target) {
                        exchange(wire, run, standstill)?;
                    }
                }
            }
            LinkPacing::Free => {
                run.send_due(wire, until.saturating_add(AHEAD))?;
                while !exchange(wire, run, standstill)? {}
            }
        }
        run.ask(self.operator.as_deref_mut());
        run.state.give(observations);
        Ok(())
    }

    /// After any trouble the next run starts with a new connection.
    fn give_up(&mut self) {
        self.run = None;
        if let Some(mut wire) = self.wire.take() {
            // The rig may not hear it any more; then its own silence does the same.
            if wire.send_if_room(&HostMessage::Safe) {
                let _ = wire.flush();
            }
        }
    }
}

/// Exchanges once; says whether the watermark has moved.
fn exchange(wire: &mut Wire, run: &mut Run, standstill: u64) -> Result<bool, Trouble> {
    let deadline = run.state.moved_at + standstill;
    wire.exchange(deadline)?;
    let now = wire.now();
    let mut moved = false;
    while let Some(message) = wire.next_message() {
        moved |= run.state.handle(message, wire.damaged(), now)?;
    }
    if !moved && now >= deadline {
        let detail = format!(
            "the rig answers, but its clock has been standing at {} for {} s",
            run.state.complete,
            standstill as f64 / 1e6
        );
        return Err(trouble(TroubleKind::LinkLost, detail));
    }
    Ok(moved)
}

impl Bench for RigBench {
    fn begin(&mut self, setup: &RunSetup) -> Result<BenchIdentity, Trouble> {
        self.try_begin(setup).inspect_err(|_| self.give_up())
    }

    fn command(&mut self, command: Command) -> Result<(), Trouble> {
        let Some(run) = &mut self.run else {
            return Err(trouble(TroubleKind::LinkLost, "no run goes on at the rig"));
        };
        if let CommandKind::Prompt { text } = &command.kind {
            if let Some(operator) = &mut self.operator {
                operator.ask(text);
                run.asked.push_back(command.id);
            }
            return Ok(());
        }
        let place = run.waiting.partition_point(|other| (other.at, other.id) <= (command.at, command.id));
        run.waiting.insert(place, command);
        Ok(())
    }

    fn advance(&mut self, until: RigTime, observations: &mut Vec<Observation>) -> Result<(), Trouble> {
        let result = self.try_advance(until, observations);
        if result.is_err() {
            // What was known before the breakdown still counts.
            if let Some(run) = &mut self.run {
                run.state.give(observations);
            }
            self.give_up();
        }
        result
    }

    fn end(&mut self) {
        self.run = None;
        let Some(wire) = &mut self.wire else { return };
        let deadline = wire.now() + FAREWELL;
        let said = wire.send(&HostMessage::End).and_then(|()| {
            while !wire.all_delivered() && wire.now() < deadline {
                wire.exchange(deadline)?;
                while wire.next_message().is_some() {}
            }
            Ok(())
        });
        if said.is_err() {
            self.give_up();
        }
    }

    fn has_real_wires(&mut self) -> Result<bool, Trouble> {
        if self.wire.is_none() {
            self.greet().inspect_err(|_| self.give_up())?;
        }
        Ok(self.welcome.as_ref().is_some_and(|welcome| !welcome.capabilities.simulated))
    }
}

impl Drop for RigBench {
    fn drop(&mut self) {
        self.give_up();
    }
}

/// The port of a bench file of a rig.
pub fn port_of(file: &BenchFile) -> Option<&Path> {
    match &file.kind {
        BenchKind::Rig { port, .. } => port.as_deref().map(Path::new),
        BenchKind::Virtual(_) | BenchKind::Program { .. } => None,
    }
}

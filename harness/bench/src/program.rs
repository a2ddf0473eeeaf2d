//! The user's own controller logic, compiled for the host, as a child process
//! in lockstep: `docs/program-bench.md` is the protocol's specification.

mod child;
pub(crate) mod protocol;
mod readings;

use std::collections::VecDeque;
use std::path::{Path, PathBuf};
use std::time::Duration;

use dryfire_engine::{Command, CommandId, CommandKind, Observation, Pacing, RigCounters, Trouble, TroubleKind};
use dryfire_scenario::{ActiveLevel, Bench as BenchFile, BenchKind, ContactRole, ContactState};
use dryfire_units::converter::LinearisedConverter;
use dryfire_units::{MilliCelsius, RigSpan, RigTime, ThermocoupleType};
use tokio::runtime::Runtime;

use self::child::{Child, Failure};
use self::protocol::{Call, FAREWELL, Hello, HostMessage, Reading, ReadingValue};
use self::readings::Channel;
use crate::{Bench, BenchIdentity, RunSetup};

/// How long after it happened the program is shown a change of a contact, a
/// console line or the loss of its supply; also the shortest time between two calls.
const POLL: RigSpan = RigSpan::from_millis(1);
/// The longest time between two calls.
const CALL_EVERY: RigSpan = RigSpan::from_seconds(1);
/// Longest step of the engine: one conversion, so that each sees a fresh set-point.
const STEP: RigSpan = readings::CONVERSION;
/// What the handshake may take longer than a call: the start of an interpreter.
const START_GRACE: Duration = Duration::from_secs(1);
/// The longest time that a program is given to exit when its supply is cut.
const LONGEST_FAREWELL: Duration = Duration::from_millis(500);
/// Most console lines in one second of rig time.
const MOST_CONSOLE_LINES_PER_SECOND: usize = 1000;

/// Why no program bench can be made of a bench file.
#[derive(Debug, thiserror::Error)]
pub enum ProgramBenchError {
    /// The bench file is of another kind.
    #[error("bench `{bench}` is no program bench")]
    OtherKind {
        /// The bench file's name.
        bench: String,
    },
    /// The command is empty.
    #[error("bench `{bench}` names no program: `command` needs at least the program's name")]
    NoCommand {
        /// The bench file's name.
        bench: String,
    },
    /// A probe type that no reference function exists for.
    #[error("bench `{bench}`, zone `{zone}`: no thermocouple type `{letter}`; there are B, E, J, K, N, R, S, T")]
    ProbeType {
        /// The bench file's name.
        bench: String,
        /// The zone's name.
        zone: String,
        /// The letter.
        letter: char,
    },
    /// The runtime for the child process could not be made.
    #[error("cannot wait for child processes: {0}")]
    Runtime(#[from] std::io::Error),
}

/// A bench whose controller is a child process.
///
/// Stepped, in virtual time; the same answers give the same observations
/// however fast the machine is. Must not be used from within an asynchronous
/// runtime: it has its own.
pub struct ProgramBench {
    file: BenchFile,
    command: Vec<String>,
    deadline: Duration,
    folder: PathBuf,
    relay_names: Vec<String>,
    /// Relay indices in the order of their inputs, in which edges are told.
    by_input: Vec<usize>,
    /// In the order of their zones.
    probes: Vec<Probe>,
    runtime: Runtime,
    run: Option<Run>,
}

/// A zone's probe and the converter behind it.
struct Probe {
    /// Index of the zone.
    zone: usize,
    channel: u8,
    converter: LinearisedConverter,
}

/// One run.
struct Run {
    setup: RunSetup,
    child: Option<Child>,
    /// What the program said of itself when its supply last came on.
    said: Option<protocol::Ready>,
    /// When the supply last came on: the program's time counts from here.
    boot: RigTime,
    /// What the program asked to keep over a supply cut.
    store: Option<String>,
    /// Up to when everything is done; `None` before the first step.
    done: Option<RigTime>,
    /// Not yet in effect, by instant and number.
    commands: VecDeque<(RigTime, Command)>,
    /// In effect and not yet seen by the program, by instant.
    dues: VecDeque<(RigTime, Due)>,
    channels: Vec<Channel>,
    contacts: Vec<(ContactRole, bool)>,
    console: Vec<String>,
    /// Relay states as the rig senses them (true: on).
    relays: Vec<bool>,
    /// What the program was last told of each zone with a probe.
    told: Vec<ReadingValue>,
    last_call: Option<RigTime>,
    next_call: RigTime,
    console_second: (i64, usize),
    counters: RigCounters,
    failed: Option<Trouble>,
    /// Reused from call to call.
    message: Vec<u8>,
    states: Vec<bool>,
}

/// Something that reaches the controller.
enum Due {
    Contact {
        index: usize,
        engaged: bool,
    },
    Console {
        line: String,
    },
    Supply {
        on: bool,
    },
    /// A converter's result may have changed in kind.
    Converted,
}

impl ProgramBench {
    /// A bench from its file; `folder` is the one that the file lies in.
    ///
    /// # Errors
    /// If the file is of another kind or nothing can be run from it.
    pub fn new(file: &BenchFile, folder: &Path) -> Result<Self, ProgramBenchError> {
        let BenchKind::Program { command, deadline } = &file.kind else {
            return Err(ProgramBenchError::OtherKind { bench: file.name.clone() });
        };
        if command.first().is_none_or(String::is_empty) {
            return Err(ProgramBenchError::NoCommand { bench: file.name.clone() });
        }
        let probes = file
            .zones
            .iter()
            .enumerate()
            .filter_map(|(index, zone)| Some((index, zone, zone.probe_channel?)))
            .map(|(zone_index, zone, channel)| {
                let kind =
                    ThermocoupleType::from_letter(zone.probe_type).ok_or_else(|| ProgramBenchError::ProbeType {
                        bench: file.name.clone(),
                        zone: zone.name.clone(),
                        letter: zone.probe_type,
                    })?;
                Ok(Probe { zone: zone_index, channel, converter: LinearisedConverter::new(kind) })
            })
            .collect::<Result<Vec<Probe>, ProgramBenchError>>()?;
        let mut by_input: Vec<usize> = (0..file.relays.len()).collect();
        by_input.sort_by_key(|&index| file.relays[index].input);
        // A bare `scenarios/x.yaml` has the folder "", which no process can be started in.
        let folder = if folder.as_os_str().is_empty() { Path::new(".") } else { folder };
        Ok(ProgramBench {
            command: command.clone(),
            deadline: Duration::from_micros(u64::try_from(deadline.as_micros()).unwrap_or(0)),
            folder: std::path::absolute(folder)?,
            relay_names: file.relays.iter().map(|relay| protocol::relay_name(file, &relay.role)).collect(),
            by_input,
            probes,
            runtime: tokio::runtime::Builder::new_current_thread().enable_all().build()?,
            run: None,
            file: file.clone(),
        })
    }

    /// Starts the process and shakes hands; the first call is due at `at`.
    fn power_on(&mut self, at: RigTime) -> Result<protocol::Ready, Trouble> {
        let Some(run) = self.run.as_mut() else { return Err(no_run()) };
        run.message.clear();
        let hello = HostMessage::Hello(Hello::new(
            &self.file,
            &self.relay_names,
            &run.setup.firing,
            run.setup.ambient_millicelsius,
            CALL_EVERY.as_micros(),
            at.as_micros(),
            run.store.as_deref(),
        ));
        write_line(&hello, &mut run.message)?;
        let limit = self.deadline + START_GRACE;
        let doing = "it was to answer `hello`";
        let (command, folder, message) = (&self.command, &self.folder, &run.message);
        let (child, ready) = self.runtime.block_on(async {
            let mut child = Child::start(command, folder)?;
            let line = match child.exchange(message, limit).await {
                Ok(line) => line,
                Err(failure) => return Err(child.fail(failure, doing, limit).await),
            };
            match protocol::ready(&line) {
                Ok(ready) => Ok((child, ready)),
                Err(words) => Err(child.fail(Failure::Nonsense(words), doing, limit).await),
            }
        })?;
        run.child = Some(child);
        run.boot = at;
        run.last_call = None;
        run.next_call = at;
        run.console.clear();
        run.told.fill(ReadingValue::Pending);
        run.dues.retain(|(_, due)| !matches!(due, Due::Converted));
        insert_due(&mut run.dues, at + readings::CONVERSION, Due::Converted);
        let before = run.said.replace(ready.clone());
        ready.is_what_is_tested(self.file.firmware_version.as_deref(), before.as_ref())?;
        Ok(ready)
    }

    fn power_off(&mut self) {
        let patience = self.deadline.min(LONGEST_FAREWELL);
        if let Some(child) = self.run.as_mut().and_then(|run| run.child.take()) {
            self.runtime.block_on(child.finish(FAREWELL, patience));
        }
    }

    fn run_to(&mut self, until: RigTime, observations: &mut Vec<Observation>) -> Result<(), Trouble> {
        loop {
            let Some(run) = self.run.as_mut() else { return Err(no_run()) };
            let mut next = RigTime::FAR_FUTURE;
            if let Some((at, _)) = run.commands.front() {
                next = next.min(*at);
            }
            if let Some((at, _)) = run.dues.front() {
                next = next.min(*at);
            }
            if run.child.is_some() {
                next = next.min(run.next_call);
            }
            if next > until || next == RigTime::FAR_FUTURE {
                return Ok(());
            }
            run.apply_commands(next, &self.file, observations)?;
            self.deliver(next, observations)?;
            if let Some(run) = self.run.as_ref()
                && run.child.is_some()
                && run.next_call <= next
            {
                self.call(next, observations)?;
            }
            if let Some(run) = self.run.as_mut() {
                run.done = Some(next);
            }
        }
    }

    /// Lets everything due at `now` reach the controller.
    fn deliver(&mut self, now: RigTime, observations: &mut Vec<Observation>) -> Result<(), Trouble> {
        loop {
            let Some(run) = self.run.as_mut() else { return Err(no_run()) };
            if run.dues.front().is_none_or(|(at, _)| *at > now) {
                return Ok(());
            }
            let Some((_, due)) = run.dues.pop_front() else { return Ok(()) };
            match due {
                Due::Contact { index, engaged } => {
                    if std::mem::replace(&mut run.contacts[index].1, engaged) != engaged {
                        run.want_call(now);
                    }
                }
                // A controller without supply hears nothing.
                Due::Console { line } if run.child.is_some() => {
                    run.console.push(line);
                    run.want_call(now);
                }
                Due::Console { .. } => {}
                Due::Converted => {
                    if run.child.is_some() && run.readings_changed_in_kind(now, &self.probes) {
                        run.want_call(now);
                    }
                    // What the bench adds by itself may open the circuit at any time.
                    let next = now + readings::CONVERSION;
                    let is_due = run.dues.iter().any(|(at, due)| *at <= next && matches!(due, Due::Converted));
                    if !is_due && run.channels.iter().any(Channel::is_disturbed) {
                        insert_due(&mut run.dues, next, Due::Converted);
                    }
                }
                Due::Supply { on } => {
                    if on == run.child.is_some() {
                        continue;
                    }
                    observations.push(Observation::SupplyRail { at: now, on });
                    if on {
                        self.power_on(now)?;
                    } else {
                        self.power_off();
                        // A relay without a supply behind its coil falls off.
                        let off = vec![false; self.relay_names.len()];
                        self.set_relays(now, &off, observations);
                    }
                }
            }
        }
    }

    fn set_relays(&mut self, at: RigTime, states: &[bool], observations: &mut Vec<Observation>) {
        let Some(run) = self.run.as_mut() else { return };
        for &index in &self.by_input {
            if std::mem::replace(&mut run.relays[index], states[index]) != states[index] {
                let relay = &self.file.relays[index];
                let high = states[index] == (relay.active == ActiveLevel::High);
                observations.push(Observation::Edge { at, input: relay.input, high });
            }
        }
    }

    /// One call of the program and what follows from its answer.
    fn call(&mut self, now: RigTime, observations: &mut Vec<Observation>) -> Result<(), Trouble> {
        let Some(run) = self.run.as_mut() else { return Err(no_run()) };
        let at = (now - run.boot).as_micros();
        let mut told = std::mem::take(&mut run.told);
        told.clear();
        told.extend(run.read(now, &self.probes));
        run.told = told;
        let zones = self.probes.iter().map(|probe| self.file.zones[probe.zone].name.as_str());
        let readings: Vec<Reading<'_>> = zones.zip(&run.told).map(|(zone, &value)| Reading { zone, value }).collect();
        run.message.clear();
        let call = HostMessage::Call(Call { at, readings: &readings, contacts: &run.contacts, console: &run.console });
        write_line(&call, &mut run.message)?;
        run.console.clear();
        let Some(child) = run.child.as_mut() else { return Err(no_run()) };
        let outcome = self.runtime.block_on(child.exchange(&run.message, self.deadline)).and_then(|line| {
            let answer = protocol::answer(&line, at, &self.relay_names, &mut run.states).map_err(Failure::Nonsense)?;
            child.remember(&line);
            let second = now.as_micros().div_euclid(1_000_000);
            if run.console_second.0 != second {
                run.console_second = (second, 0);
            }
            run.console_second.1 += answer.console.len();
            if run.console_second.1 > MOST_CONSOLE_LINES_PER_SECOND {
                return Err(Failure::Flood(format!(
                    "wrote more than {MOST_CONSOLE_LINES_PER_SECOND} console lines within one second of its time"
                )));
            }
            Ok(answer)
        });
        let answer = match outcome {
            Ok(answer) => answer,
            Err(failure) => {
                let doing = format!("it was to answer the call at {now} (at = {at} µs)");
                return Err(match run.child.take() {
                    Some(child) => self.runtime.block_on(child.fail(failure, &doing, self.deadline)),
                    None => no_run(),
                });
            }
        };
        run.last_call = Some(now);
        let latest = now + CALL_EVERY;
        run.next_call = match answer.wake_at {
            Some(wake_at) => run.boot.saturating_add(RigSpan::from_micros(wake_at)).clamp(now + POLL, latest),
            None => latest,
        };
        if let Some(store) = answer.store {
            run.store = Some(store);
        }
        let states = std::mem::take(&mut run.states);
        self.set_relays(now, &states, observations);
        if let Some(run) = self.run.as_mut() {
            run.states = states;
        }
        observations.extend(answer.console.into_iter().map(|line| Observation::Console { at: now, line }));
        Ok(())
    }
}

impl Run {
    fn apply_commands(
        &mut self,
        now: RigTime,
        file: &BenchFile,
        observations: &mut Vec<Observation>,
    ) -> Result<(), Trouble> {
        let counters = self.counters;
        while self.commands.front().is_some_and(|(at, _)| *at <= now) {
            let Some((_, command)) = self.commands.pop_front() else { break };
            let seen = now + POLL;
            match command.kind {
                CommandKind::Probe { channel, signal, valid_until } => {
                    let Some(channel) = self.channels.iter_mut().find(|known| known.number == channel) else {
                        return Err(refused(command.id, &format!("the bench file has no probe channel {channel}")));
                    };
                    if channel.play(now, signal, valid_until) {
                        self.counters.late_setpoints += 1;
                    }
                    let readable = readings::readable_from(self.boot, now);
                    // Most set-points only carry the voltage on; one look for all channels is enough.
                    if !self.dues.iter().any(|(at, due)| *at == readable && matches!(due, Due::Converted)) {
                        insert_due(&mut self.dues, readable, Due::Converted);
                    }
                }
                CommandKind::Disturb { channel, disturbance } => {
                    let Some(channel) = self.channels.iter_mut().find(|known| known.number == channel) else {
                        return Err(refused(command.id, &format!("the bench file has no probe channel {channel}")));
                    };
                    channel.disturb(now, disturbance);
                    insert_due(&mut self.dues, readings::readable_from(self.boot, now), Due::Converted);
                }
                CommandKind::Terminals { millicelsius } => {
                    for channel in &mut self.channels {
                        channel.warm(now, MilliCelsius::new(millicelsius));
                    }
                    insert_due(&mut self.dues, readings::readable_from(self.boot, now), Due::Converted);
                }
                CommandKind::Contact { output, closed } => {
                    let Some(index) = file.contacts.iter().position(|contact| contact.output == output) else {
                        return Err(refused(command.id, &format!("the bench file has no contact at output {output}")));
                    };
                    let engaged = closed == (file.contacts[index].engaged == ContactState::Closed);
                    insert_due(&mut self.dues, seen, Due::Contact { index, engaged });
                }
                CommandKind::Supply { on } => insert_due(&mut self.dues, seen, Due::Supply { on }),
                CommandKind::Console { line } => insert_due(&mut self.dues, seen, Due::Console { line }),
                // Nobody stands beside a program: it is never answered, and the waiting step runs out of patience.
                CommandKind::Prompt { .. } => {}
            }
            observations.push(Observation::Applied { command: command.id, at: now });
        }
        if self.counters != counters {
            observations.push(Observation::Counters(self.counters));
        }
        Ok(())
    }

    /// What each probe's converter says, in the order of `probes`.
    fn read(&self, now: RigTime, probes: &[Probe]) -> impl Iterator<Item = ReadingValue> {
        probes.iter().map(move |probe| {
            let channel = self.channels.iter().find(|channel| channel.number == probe.channel);
            channel.map_or(ReadingValue::Open, |channel| channel.read(self.boot, now, &probe.converter))
        })
    }

    fn readings_changed_in_kind(&self, now: RigTime, probes: &[Probe]) -> bool {
        self.read(now, probes).zip(&self.told).any(|(value, told)| !value.same_kind(*told))
    }

    fn want_call(&mut self, now: RigTime) {
        let earliest = self.last_call.map_or(now, |last| now.max(last + POLL));
        self.next_call = self.next_call.min(earliest);
    }
}

impl Bench for ProgramBench {
    fn begin(&mut self, setup: &RunSetup) -> Result<BenchIdentity, Trouble> {
        self.end();
        let cold_junction = MilliCelsius::new(setup.ambient_millicelsius);
        let mut channels: Vec<Channel> = Vec::new();
        for probe in &self.probes {
            if channels.iter().all(|channel| channel.number != probe.channel) {
                channels.push(Channel::open(probe.channel, cold_junction));
            }
        }
        self.run = Some(Run {
            setup: setup.clone(),
            child: None,
            said: None,
            boot: RigTime::ZERO,
            store: None,
            done: None,
            commands: VecDeque::new(),
            dues: VecDeque::new(),
            channels,
            contacts: self.file.contacts.iter().map(|contact| (contact.role, false)).collect(),
            console: Vec::new(),
            relays: vec![false; self.relay_names.len()],
            told: vec![ReadingValue::Pending; self.probes.len()],
            last_call: None,
            next_call: RigTime::ZERO,
            console_second: (0, 0),
            counters: RigCounters::default(),
            failed: None,
            message: Vec::new(),
            states: Vec::new(),
        });
        match self.power_on(RigTime::ZERO) {
            Ok(ready) => Ok(BenchIdentity {
                description: format!(
                    "program {}: {}, firmware {}",
                    child::quoted(self.command.join(" ").as_bytes()),
                    ready.name,
                    ready.firmware
                ),
                pacing: Pacing::Stepped { step: STEP },
                fresh_controller: true,
            }),
            Err(trouble) => {
                self.end();
                Err(trouble)
            }
        }
    }

    fn command(&mut self, command: Command) -> Result<(), Trouble> {
        let Some(run) = self.run.as_mut() else { return Err(no_run()) };
        if let Some(trouble) = &run.failed {
            return Err(trouble.clone());
        }
        let at = command.at.max(run.done.unwrap_or(RigTime::ZERO));
        let place = run.commands.partition_point(|(other_at, other)| (*other_at, other.id) <= (at, command.id));
        run.commands.insert(place, (at, command));
        Ok(())
    }

    fn advance(&mut self, until: RigTime, observations: &mut Vec<Observation>) -> Result<(), Trouble> {
        let Some(run) = self.run.as_mut() else { return Err(no_run()) };
        if let Some(trouble) = &run.failed {
            return Err(trouble.clone());
        }
        let watermark = run.done;
        if watermark.is_none() {
            // An input counts as low until its first edge; a relay that is off by a high level shows that at once.
            for &index in &self.by_input {
                let relay = &self.file.relays[index];
                if relay.active == ActiveLevel::Low {
                    observations.push(Observation::Edge { at: RigTime::ZERO, input: relay.input, high: true });
                }
            }
        }
        let outcome = self.run_to(until, observations);
        let Some(run) = self.run.as_mut() else { return Err(no_run()) };
        let complete = match &outcome {
            Ok(()) => Some(until),
            // What happened at the instant of the breakdown is not known, everything before it is.
            Err(_) => run.done,
        };
        if let Err(trouble) = &outcome {
            run.failed = Some(trouble.clone());
        }
        if let Some(complete) = complete
            && watermark.is_none_or(|watermark| complete > watermark)
        {
            run.done = Some(complete);
            observations.push(Observation::Complete { until: complete });
        }
        if outcome.is_err() {
            self.power_off();
        }
        outcome
    }

    fn end(&mut self) {
        self.power_off();
        self.run = None;
    }
}

impl Drop for ProgramBench {
    fn drop(&mut self) {
        if tokio::runtime::Handle::try_current().is_err() {
            self.end();
        } else if let Some(child) = self.run.as_ref().and_then(|run| run.child.as_ref()) {
            // Waiting is impossible in there; the outer runtime's reaper takes the rest.
            child.kill_at_once();
        }
    }
}

/// Keeps the order of instants, and of arrival within one.
fn insert_due(dues: &mut VecDeque<(RigTime, Due)>, at: RigTime, due: Due) {
    let place = dues.partition_point(|(other, _)| *other <= at);
    dues.insert(place, (at, due));
}

fn write_line(message: &HostMessage<'_>, line: &mut Vec<u8>) -> Result<(), Trouble> {
    serde_json::to_writer(&mut *line, message).map_err(|error| Trouble {
        kind: TroubleKind::LinkRefused,
        detail: format!("a message to the program could not be written as JSON: {error}"),
    })?;
    line.push(b'\n');
    Ok(())
}

fn no_run() -> Trouble {
    Trouble { kind: TroubleKind::ProgramEnded, detail: "no run has begun on this bench".to_owned() }
}

fn refused(command: CommandId, why: &str) -> Trouble {
    Trouble { kind: TroubleKind::LinkRefused, detail: format!("command {} cannot be done: {why}", command.0) }
}

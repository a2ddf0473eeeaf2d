//! The engine: script, kiln and judge of one run, driven from outside.

use std::collections::VecDeque;

use dryfire_judge::naive::{self, Trace};
use dryfire_judge::{Finding, Judge, MomentId, SignalId};
use dryfire_kiln::Climb;
use dryfire_scenario::{BeginFiring, ConsoleMatcher, ContactState, Stimulus};
use dryfire_units::{Disturbance, MilliCelsius, RigSpan, RigTime};

use crate::derived::Derived;
use crate::io::{Command, CommandId, CommandKind, Observation, Pacing, RigCounters, Trouble, TroubleKind};
use crate::plan::{IsolatedSignal, Plan, PlannedWait};
use crate::played::{GRID, PlayError, PlayedKiln, Sensed};
use crate::script::{ACKNOWLEDGED_WITHIN, Came, Present, Progress, Script};
use crate::{Event, outcome};

/// Time that the controller is given to boot before the script begins.
pub const SETTLE: RigSpan = RigSpan::from_seconds(5);

/// How often the script looks where it waits for what may come between two samples.
const LOOK: RigSpan = RigSpan::from_millis(200);

/// How long the switch of a console line is on. Lines that come closer together
/// than this make it go on once.
const CONSOLE_MOMENT: RigSpan = RigSpan::from_millis(1);

/// How the engine is to run.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct EngineConfig {
    /// How the bench keeps time.
    pub pacing: Pacing,
    /// Whether samples of levels are given out as events.
    pub sample_events: bool,
    /// Whether the run is judged a second time, by the naive evaluator, at its end.
    pub second_judge: bool,
}

/// What the engine waits for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Wake {
    /// Time may pass, at the most until this instant.
    Advance {
        /// The horizon.
        until: RigTime,
    },
    /// The run is over; [`Engine::into_result`] says what it came to.
    Finished,
}

/// Why a run ended before its end.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Cut {
    /// Something broke down.
    Trouble(Trouble),
    /// A step of the script waited in vain.
    GaveUp {
        /// Which step, from 0.
        step: usize,
    },
    /// What a step of the script did was never acknowledged.
    Unacknowledged {
        /// Which step, from 0.
        step: usize,
    },
    /// Somebody ended it.
    Aborted {
        /// Why.
        reason: String,
    },
}

/// One run as a pure state machine: observations and time in, commands and
/// events out. It reads no clock, never waits, prints nothing, touches no file.
///
/// # Contract
///
/// The driver repeats until [`Wake::Finished`]:
///
/// 1. take every command from [`poll_command`](Engine::poll_command) and hand it to the bench, in order;
/// 2. take every event from [`poll_event`](Engine::poll_event) (may be left for later; they queue up);
/// 3. ask [`poll_wake`](Engine::poll_wake) and let the bench run to at most that horizon;
/// 4. give every observation to [`handle`](Engine::handle), in the order of their instants.
///
/// Time is rig time since the beginning of the run. It must not go backwards:
/// an observation earlier than the last [`Observation::Complete`] is a gap of
/// the bench and ends the run in error. Nothing moves on before
/// `Complete`: kiln, script and judge advance only to the watermark, so any
/// splitting of the same observations into calls gives the same result, bit
/// for bit. Polling too often is harmless; a stepped bench that runs past the
/// horizon is not.
pub struct Engine {
    plan: Plan,
    config: EngineConfig,
    played: PlayedKiln,
    script: Script,
    present: Present,
    judge: Judge,
    /// What the judge was given, for the second one.
    trace: Option<Trace>,
    watermark: RigTime,
    /// The next instant at which the kiln is sampled.
    next_sample: RigTime,
    /// When the set-points were last sent.
    last_setpoint: Option<RigTime>,
    setpoints: u64,
    derived: Derived,
    /// The way of each zone's temperature to its peak.
    climbs: Vec<Climb>,
    /// The patterns of the console, each with when its switch goes off again.
    console: Vec<(SignalId, ConsoleMatcher, Option<RigTime>)>,
    next_command: u32,
    commands: VecDeque<Command>,
    events: VecDeque<Event>,
    /// Model stimuli that wait for a command of the same step: a worked contact
    /// changes the model when the rig says that it was worked.
    lids: Vec<(CommandId, bool)>,
    /// Contacts and supply by command, to be shown as signals when applied.
    switches: Vec<(CommandId, SignalId, bool)>,
    /// Stimuli in words, to be told when applied.
    told: Vec<(CommandId, String)>,
    counters: RigCounters,
    /// Commands that ask the operator something.
    prompts: Vec<CommandId>,
    /// Commands that switch the supply.
    supplies: Vec<(CommandId, bool)>,
    /// The supply was cut and the rail has not been seen to fall yet.
    rail_awaited: bool,
    /// A supply cut after which the rail never fell: the stimulus did not happen.
    rail_never_fell: bool,
    /// The supply was restored and the rail has not been seen to rise yet.
    rise_awaited: bool,
    /// The rail fell although nothing had cut the supply.
    rail_fell_by_itself: bool,
    /// Whether the last command about the supply that took effect switched it off.
    supply_is_cut: bool,
    /// Edges to the level that an input had already: the one between was not told.
    repeated_edges: u32,
    /// Commands that have not been acknowledged, with the instants for which they were sent.
    unacknowledged: VecDeque<(CommandId, RigTime)>,
    cut: Option<Cut>,
    ended: Option<RigTime>,
    findings: Vec<Finding>,
    disagreement: Option<String>,
}

impl Engine {
    /// Sets up a run. Its first commands set the probes.
    ///
    /// # Errors
    /// When the plan's kiln or probes cannot be played.
    pub fn new(plan: Plan, config: EngineConfig) -> Result<Self, PlayError> {
        let mut played = PlayedKiln::new(&plan)?;
        played.rest_inputs(RigTime::ZERO);
        let judge = Judge::new(plan.table.clone(), plan.moments.clone(), plan.expectations.clone())
            .map_err(|error| PlayError(error.to_string()))?
            .with_moments_that_come_once();
        let trace = config.second_judge.then(Trace::default);
        let patterns = plan.console.iter();
        let console: Vec<_> = patterns.map(|signal| (signal.id, signal.pattern.matcher(), None)).collect();
        let momentary = plan.console.iter().map(|signal| signal.id).collect();
        let mut engine = Engine {
            script: Script::new(plan.steps.clone(), plan.moments.len(), RigTime::ZERO + SETTLE, momentary),
            derived: Derived::new(&plan.derived),
            climbs: vec![Climb::default(); plan.bench.zones.len()],
            console,
            present: Present::unknown(plan.table.len()),
            plan,
            config,
            played,
            judge,
            trace,
            watermark: RigTime::ZERO,
            next_sample: RigTime::ZERO,
            last_setpoint: None,
            setpoints: 0,
            next_command: 0,
            commands: VecDeque::new(),
            events: VecDeque::new(),
            lids: Vec::new(),
            switches: Vec::new(),
            told: Vec::new(),
            counters: RigCounters::default(),
            prompts: Vec::new(),
            supplies: Vec::new(),
            rail_awaited: false,
            rail_never_fell: false,
            rise_awaited: false,
            rail_fell_by_itself: false,
            supply_is_cut: false,
            repeated_edges: 0,
            unacknowledged: VecDeque::new(),
            cut: None,
            ended: None,
            findings: Vec::new(),
            disagreement: None,
        };
        engine.events.push_back(Event::Began);
        engine.show_initial_state();
        engine.sample_until(RigTime::ZERO);
        engine.set_probes(RigTime::ZERO);
        engine.dither();
        Ok(engine)
    }

    /// The plan of this run.
    pub fn plan(&self) -> &Plan {
        &self.plan
    }

    /// Everything up to and including this instant is known.
    pub fn watermark(&self) -> RigTime {
        self.watermark
    }

    /// The next command for the bench.
    #[must_use]
    pub fn poll_command(&mut self) -> Option<Command> {
        self.commands.pop_front()
    }

    /// The next event for whoever watches.
    #[must_use]
    pub fn poll_event(&mut self) -> Option<Event> {
        self.events.pop_front()
    }

    /// How far the bench may run.
    #[must_use]
    pub fn poll_wake(&self) -> Wake {
        if self.ended.is_some() {
            return Wake::Finished;
        }
        let until = match self.config.pacing {
            Pacing::FreeRunning { period, .. } => self.watermark + period,
            Pacing::Stepped { step } => {
                let step = if self.script.follows_switches() { step.min(LOOK) } else { step };
                let mut until = (self.watermark + step).min(self.next_sample);
                let appointed = self.script.appointed().into_iter();
                for at in appointed.chain(self.script.gives_up_after()).chain(self.end_at()) {
                    if at > self.watermark {
                        until = until.min(at);
                    }
                }
                until
            }
        };
        Wake::Advance { until }
    }

    /// Takes one observation.
    pub fn handle(&mut self, observation: Observation) {
        if self.ended.is_some() {
            return;
        }
        if let Some(detail) = self.out_of_order(&observation) {
            return self.broke_down(Trouble { kind: TroubleKind::OutOfOrder, detail });
        }
        match observation {
            // That a question was shown is no answer to it.
            Observation::Applied { command, .. } if self.prompts.contains(&command) => {}
            Observation::Applied { command, at } | Observation::OperatorDone { command, at } => {
                self.applied(command, at);
            }
            Observation::Edge { at, input, high } => self.edge(at, input, high),
            Observation::SupplyRail { at, on } => self.supply_rail(at, on),
            Observation::Console { at, line } => self.console_line(at, line),
            Observation::Counters(counters) => {
                // What a later count leaves out has been lost all the same.
                let counters = self.counters.at_least(counters);
                if self.counters != counters {
                    self.counters = counters;
                    self.events.push_back(Event::Counters { at: self.watermark, counters });
                }
            }
            Observation::Complete { until } => self.complete(until),
            Observation::Trouble(trouble) => self.broke_down(trouble),
        }
        if let Some(detail) = self.played.take_refused() {
            self.broke_down(Trouble { kind: TroubleKind::OutOfOrder, detail });
        }
    }

    /// What is wrong with the instant of an observation, if anything.
    fn out_of_order(&self, observation: &Observation) -> Option<String> {
        let at = match observation {
            Observation::Applied { at, .. }
            | Observation::OperatorDone { at, .. }
            | Observation::Edge { at, .. }
            | Observation::SupplyRail { at, .. }
            | Observation::Console { at, .. } => *at,
            Observation::Complete { until } => *until,
            Observation::Counters(_) | Observation::Trouble(_) => return None,
        };
        (at < self.watermark).then(|| {
            format!("something of {at} was reported after everything up to {} was called complete", self.watermark)
        })
    }

    fn broke_down(&mut self, trouble: Trouble) {
        if self.ended.is_none() {
            self.events.push_back(Event::Trouble { at: self.watermark, trouble: trouble.clone() });
            self.finish(Cut::Trouble(trouble));
        }
    }

    /// Ends the run before its end; what is not decided stays inconclusive.
    pub fn abort(&mut self, reason: &str) {
        if self.ended.is_none() {
            self.finish(Cut::Aborted { reason: reason.to_owned() });
        }
    }

    /// What the run came to.
    ///
    /// # Panics
    /// If the run is not over.
    pub fn into_result(self, seed: u64) -> crate::ScenarioResult {
        let length = self.ended.expect("asked for the result of a run that is not over");
        let unacknowledged = self.unacknowledged_before(length);
        let run = outcome::Run {
            plan: &self.plan,
            findings: self.findings,
            cut: self.cut,
            open_step: self.script.open_step(),
            counters: self.counters,
            supply: outcome::Supply {
                never_fell: self.rail_never_fell || self.rail_awaited,
                never_rose: self.rise_awaited,
                fell_by_itself: self.rail_fell_by_itself,
            },
            repeated_edges: self.repeated_edges,
            unacknowledged,
            setpoints: self.setpoints,
            peaks: self.climbs.iter().filter_map(Climb::peak).collect(),
            disagreement: self.disagreement,
            pacing: self.config.pacing,
        };
        run.result(seed, length)
    }

    fn end_at(&self) -> Option<RigTime> {
        let end = self.plan.end;
        match end.moment {
            None => Some(RigTime::ZERO + end.offset),
            Some(moment) => self.script.moment(moment).map(|at| at + end.offset),
        }
    }

    fn complete(&mut self, until: RigTime) {
        self.sample_until(until);
        self.watermark = until;
        self.run_script(until);
        self.set_probes(until);
        // A moment or a sample may still come for this very instant.
        self.judge.advance(until - RigSpan::from_micros(1));
        while let Some(finding) = self.judge.poll_decided() {
            self.events.push_back(Event::Decided { at: until, finding });
        }
        if self.end_at().is_some_and(|end| until >= end) {
            self.end(until);
        }
    }

    fn show_initial_state(&mut self) {
        let at = RigTime::ZERO;
        for contact in 0..self.plan.bench.contacts.len() {
            self.show(at, self.plan.signals.contacts[contact], false);
        }
        self.show(at, self.plan.signals.supply, true);
        for pattern in 0..self.console.len() {
            self.show(at, self.console[pattern].0, false);
        }
        for relay in 0..self.plan.bench.relays.len() {
            let on = self.played.relay_on(relay);
            self.show(at, self.plan.signals.relays[relay], on);
        }
        self.show_derived(at);
    }

    fn edge(&mut self, at: RigTime, input: u8, high: bool) {
        self.sample_until(at - RigSpan::from_micros(1));
        match self.played.edge(at, input, high) {
            Sensed::Changed { relay, on } => {
                self.show(at, self.plan.signals.relays[relay], on);
                self.show_derived(at);
            }
            Sensed::Repeated => self.repeated_edges = self.repeated_edges.saturating_add(1),
            Sensed::NotWired => {}
        }
    }

    fn supply_rail(&mut self, at: RigTime, on: bool) {
        self.sample_until(at - RigSpan::from_micros(1));
        self.show(at, self.plan.signals.supply, on);
        if on {
            self.rise_awaited = false;
        } else {
            self.rail_awaited = false;
            self.rail_fell_by_itself |= !self.supply_is_cut;
        }
    }

    fn console_line(&mut self, at: RigTime, line: String) {
        self.sample_until(at - RigSpan::from_micros(1));
        self.console_off(at);
        for pattern in 0..self.console.len() {
            let (signal, matcher, off) = &mut self.console[pattern];
            if matcher.is_in(&line) {
                *off = Some(at + CONSOLE_MOMENT);
                let signal = *signal;
                self.show(at, signal, true);
            }
        }
        self.events.push_back(Event::Console { at, line });
    }

    /// Puts off the switches of console lines whose moment is over by an instant.
    fn console_off(&mut self, until: RigTime) {
        for pattern in 0..self.console.len() {
            let (signal, _, off) = &mut self.console[pattern];
            if let Some(at) = off.take_if(|at| *at <= until) {
                let signal = *signal;
                self.show(at, signal, false);
            }
        }
    }

    /// Shows what follows from relays and model: heat, by zone and in all, and any element relay.
    fn show_derived(&mut self, at: RigTime) {
        let mut any = false;
        for zone in 0..self.played.zones() {
            let on = self.played.heat_on(zone);
            any |= on;
            self.show(at, self.plan.signals.heat_by_zone[zone], on);
        }
        self.show(at, self.plan.signals.heat, any);
        for index in 0..self.plan.isolated.len() {
            let IsolatedSignal { id, zone } = self.plan.isolated[index];
            let open = match zone {
                Some(zone) => self.played.is_isolated(zone),
                None => (0..self.played.zones()).all(|zone| self.played.is_isolated(zone)),
            };
            self.show(at, id, open);
        }
        let element = self
            .plan
            .bench
            .relays
            .iter()
            .enumerate()
            .any(|(index, relay)| relay.role != dryfire_scenario::RelayRole::Safety && self.played.relay_on(index));
        self.show(at, self.plan.signals.element, element);
    }

    fn show(&mut self, at: RigTime, signal: SignalId, on: bool) {
        if !self.present.set(signal, Some(i64::from(on))) {
            return;
        }
        self.derived.switched(at, signal, on);
        self.judge.observe(at, signal, i64::from(on));
        if let Some(trace) = &mut self.trace {
            trace.sample(at, signal, i64::from(on));
        }
        self.events.push_back(Event::Switched { at, signal, on });
        self.script.note_change(at, &self.present);
    }

    fn show_level(&mut self, at: RigTime, signal: SignalId, value: Option<i64>) {
        self.present.set(signal, value);
        match value {
            Some(value) => {
                self.judge.observe(at, signal, value);
                if let Some(trace) = &mut self.trace {
                    trace.sample(at, signal, value);
                }
                if self.config.sample_events {
                    self.events.push_back(Event::Sampled { at, signal, value });
                }
            }
            None => {
                // Not known from now until the next sample.
                self.judge.gap(signal, at, at + GRID);
                if let Some(trace) = &mut self.trace {
                    trace.gap(signal, at, at + GRID);
                }
                if self.config.sample_events {
                    self.events.push_back(Event::Unobserved { at, signal, until: at + GRID });
                }
            }
        }
    }

    /// Samples the kiln at every grid point up to and including an instant.
    fn sample_until(&mut self, until: RigTime) {
        loop {
            self.model_changes(until.min(self.next_sample));
            if self.next_sample > until {
                break;
            }
            let at = self.next_sample;
            self.console_off(at);
            self.played.advance_to(at);
            let mut hottest = Some(i64::MIN);
            let mut hottest_shown = None;
            for zone in 0..self.played.zones() {
                let kiln = self.played.zone_millicelsius(zone);
                hottest = hottest.zip(kiln).map(|(hottest, kiln)| hottest.max(kiln));
                if let Some(kiln) = kiln {
                    self.climbs[zone].note(at, MilliCelsius::new(kiln));
                }
                self.show_level(at, self.plan.signals.kiln_by_zone[zone], kiln);
                let shown = self.played.shown_millicelsius(zone, at);
                // The model has a probe in every zone; shown is what the rig plays.
                if self.played.channel(zone).is_some() {
                    hottest_shown = hottest_shown.max(shown);
                }
                self.show_level(at, self.plan.signals.probe_by_zone[zone], shown);
            }
            self.show_level(at, self.plan.signals.kiln, hottest);
            // A probe that is disturbed may read anything, also the hottest.
            let disturbed = (0..self.played.zones()).any(|zone| self.played.is_disturbed(zone));
            self.show_level(at, self.plan.signals.probe, hottest_shown.filter(|_| !disturbed));
            self.show_derived_levels(at);
            self.script.note_change(at, &self.present);
            self.next_sample += GRID;
        }
        self.console_off(until);
    }

    /// Shows what the model does by itself up to an instant, each thing at its own:
    /// a contact that comes off late is current that flowed until then.
    fn model_changes(&mut self, until: RigTime) {
        while let Some(at) = self.played.next_change().filter(|at| *at <= until) {
            self.console_off(at);
            self.played.change(at);
            self.show_derived(at);
        }
    }

    fn show_derived_levels(&mut self, at: RigTime) {
        if self.plan.derived.is_empty() {
            return;
        }
        let mut values = Vec::with_capacity(self.plan.derived.len());
        self.derived.sample(at, |signal| self.present.get(signal), |signal, value| values.push((signal, value)));
        for (signal, value) in values {
            self.show_level(at, signal, value);
        }
    }

    fn set_probes(&mut self, now: RigTime) {
        let (every, good_for) = match self.config.pacing {
            Pacing::Stepped { step } => (GRID, GRID + step),
            Pacing::FreeRunning { period, validity } => (period, validity),
        };
        let due = self.last_setpoint.is_none_or(|last| now - last >= every);
        if due {
            self.last_setpoint = Some(now);
        }
        for zone in 0..self.played.zones() {
            let stale = self.played.take_stale(zone);
            let Some(channel) = self.played.channel(zone) else { continue };
            if due || stale {
                let signal = self.played.signal(zone, now);
                self.setpoints += 1;
                self.send(now, CommandKind::Probe { channel, signal, valid_until: now + good_for });
            }
        }
    }

    /// Lets the rig add what the bench file says that it adds all the time.
    fn dither(&mut self) {
        let bench = &self.plan.bench;
        let (rms, top) = (bench.dither_millicelsius, bench.declares.top_temperature_millicelsius);
        for zone in 0..self.played.zones() {
            let Some(channel) = self.played.channel(zone) else { continue };
            if let Some(disturbance) = self.played.dither(zone, rms, top) {
                self.send(RigTime::ZERO, CommandKind::Disturb { channel, disturbance });
            }
        }
    }

    fn send(&mut self, at: RigTime, kind: CommandKind) -> CommandId {
        let id = CommandId(self.next_command);
        self.next_command += 1;
        // An answer has a patience of its own.
        if !matches!(kind, CommandKind::Prompt { .. }) {
            self.unacknowledged.push_back((id, at));
        }
        self.commands.push_back(Command { id, at, kind });
        id
    }

    fn run_script(&mut self, now: RigTime) {
        loop {
            self.script.note_change(now, &self.present);
            match self.script.progress(now, &self.present) {
                Progress::Waits | Progress::Done => return,
                Progress::GaveUp(step) => return self.finish(Cut::GaveUp { step }),
                Progress::Unacknowledged(step) => return self.finish(Cut::Unacknowledged { step }),
                Progress::Due(step) => {
                    let planned = self.script.step(step).clone();
                    let mut waiting = Vec::new();
                    if matches!(planned.wait, PlannedWait::BeginFiring) {
                        self.begin_firing(now, &mut waiting);
                    }
                    for stimulus in &planned.stimuli {
                        self.stimulate(now, stimulus, &mut waiting);
                    }
                    let at_once = planned.stimuli.iter().any(happens_in_the_model);
                    let asks = waiting.iter().any(|id| self.prompts.contains(id));
                    if let Some(moment) = self.script.sent(now, waiting, asks, at_once) {
                        self.moment(moment);
                    }
                }
            }
        }
    }

    fn begin_firing(&mut self, now: RigTime, waiting: &mut Vec<CommandId>) {
        match self.plan.bench.begin.clone() {
            BeginFiring::Console { lines } => {
                let program = crate::words::program(&self.plan.firing);
                for line in lines {
                    let line = line.replace("{program}", &program);
                    let id = self.send(now, CommandKind::Console { line: line.clone() });
                    self.told.push((id, format!("console: {line}")));
                    waiting.push(id);
                }
            }
            BeginFiring::Contact { press } => {
                let start = self
                    .plan
                    .bench
                    .contacts
                    .iter()
                    .position(|contact| contact.role == dryfire_scenario::ContactRole::Start);
                if let Some(index) = start {
                    waiting.push(self.work_contact(now, index, true));
                    let release = self.work_contact(now + press, index, false);
                    self.told.retain(|(id, _)| *id != release);
                }
            }
            BeginFiring::Operator => {
                let text = format!(
                    "Set the controller's program to: {}. Start the firing, then confirm.",
                    crate::words::program(&self.plan.firing)
                );
                waiting.push(self.prompt(now, text));
            }
        }
    }

    fn prompt(&mut self, now: RigTime, text: String) -> CommandId {
        self.events.push_back(Event::Prompt { at: now, text: text.clone() });
        let id = self.send(now, CommandKind::Prompt { text });
        self.prompts.push(id);
        id
    }

    fn work_contact(&mut self, at: RigTime, index: usize, engaged: bool) -> CommandId {
        let contact = self.plan.bench.contacts[index];
        let closed = (contact.engaged == ContactState::Closed) == engaged;
        let id = self.send(at, CommandKind::Contact { output: contact.output, closed });
        self.switches.push((id, self.plan.signals.contacts[index], engaged));
        if contact.role == dryfire_scenario::ContactRole::Lid {
            self.lids.push((id, engaged));
        }
        self.told.push((id, crate::words::contact(contact.role, engaged).to_owned()));
        id
    }

    fn stimulate(&mut self, now: RigTime, stimulus: &Stimulus, waiting: &mut Vec<CommandId>) {
        let text = crate::words::stimulus(stimulus);
        let bench = &self.plan.bench;
        match stimulus {
            Stimulus::Probe { zone, fault } => {
                self.played.advance_to(now);
                let zones = crate::plan::zone_indices(bench, zone).unwrap_or_default();
                let added = zones.iter().map(|&zone| (zone, self.played.probe_fault(now, zone, *fault)));
                let added = added.collect();
                self.set_probes_at_once(now, added, text, waiting);
            }
            Stimulus::ReconnectProbe { zone } => {
                self.played.advance_to(now);
                let zones = crate::plan::zone_indices(bench, zone).unwrap_or_default();
                let added = zones.iter().map(|&zone| (zone, self.played.mend_probe(now, zone)));
                let added = added.collect();
                self.set_probes_at_once(now, added, text, waiting);
            }
            Stimulus::CrossProbes { one, other } => {
                self.played.advance_to(now);
                let zones = [one, other].map(|zone| crate::plan::zone_index(bench, zone));
                if let [Ok(one), Ok(other)] = zones {
                    self.played.cross_probes(one, other);
                    self.set_probes_at_once(now, vec![(one, None), (other, None)], text, waiting);
                }
            }
            Stimulus::WarmTerminals { by_millicelsius } => {
                self.played.advance_to(now);
                self.played.warm_terminals(*by_millicelsius);
                let all = (0..self.played.zones()).map(|zone| (zone, None)).collect();
                self.set_probes_at_once(now, all, text, waiting);
            }
            Stimulus::Leg { leg, present } => {
                let feeds_controls = bench.controls_leg == Some(*leg);
                self.played.leg(now, *leg, *present);
                self.show_derived(now);
                self.events.push_back(Event::Stimulus { at: now, text });
                if feeds_controls {
                    let id = self.send(now, CommandKind::Supply { on: *present });
                    self.supplies.push((id, *present));
                    waiting.push(id);
                }
            }
            Stimulus::KilnSupply { millivolts } => {
                self.played.kiln_supply(now, *millivolts);
                self.show_derived(now);
                self.events.push_back(Event::Stimulus { at: now, text });
            }
            Stimulus::Relay { relay, .. } | Stimulus::FreeRelay { relay } => {
                let fault = match stimulus {
                    Stimulus::Relay { fault, .. } => Some(*fault),
                    _ => None,
                };
                for relay in crate::plan::select_relays(bench, relay).unwrap_or_default() {
                    self.played.relay_fault(now, relay, fault);
                }
                self.show_derived(now);
                self.events.push_back(Event::Stimulus { at: now, text });
            }
            Stimulus::LoseElement { zone } => {
                for zone in crate::plan::zone_indices(bench, zone).unwrap_or_default() {
                    self.played.lose_element(now, zone);
                }
                self.show_derived(now);
                self.events.push_back(Event::Stimulus { at: now, text });
            }
            Stimulus::Contact { contact, engaged } => {
                if let Some(index) = bench.contacts.iter().position(|wired| wired.role == *contact) {
                    waiting.push(self.work_contact(now, index, *engaged));
                }
            }
            Stimulus::Supply { on } => {
                let id = self.send(now, CommandKind::Supply { on: *on });
                self.told.push((id, text));
                self.supplies.push((id, *on));
                waiting.push(id);
            }
            Stimulus::Console(line) => {
                let id = self.send(now, CommandKind::Console { line: line.clone() });
                self.told.push((id, text));
                waiting.push(id);
            }
            Stimulus::Prompt(question) => waiting.push(self.prompt(now, question.clone())),
        }
    }

    /// Sets the probes of these zones anew, each with what the bench has to add to it from
    /// now on, and tells the stimulus once for all of them, when the last is set.
    fn set_probes_at_once(
        &mut self,
        now: RigTime,
        zones: Vec<(usize, Option<Disturbance>)>,
        text: String,
        waiting: &mut Vec<CommandId>,
    ) {
        let mut told = None;
        for (zone, disturbance) in zones {
            self.played.take_stale(zone);
            let Some(channel) = self.played.channel(zone) else { continue };
            let signal = self.played.signal(zone, now);
            let valid_until = now + GRID + GRID;
            self.setpoints += 1;
            let mut ids = vec![self.send(now, CommandKind::Probe { channel, signal, valid_until })];
            ids.extend(disturbance.map(|disturbance| self.send(now, CommandKind::Disturb { channel, disturbance })));
            told = ids.last().copied();
            waiting.extend(ids);
        }
        if let Some(id) = told {
            self.told.push((id, text));
        }
    }

    fn applied(&mut self, command: CommandId, at: RigTime) {
        self.sample_until(at - RigSpan::from_micros(1));
        // Nearly always the first, for a bench acknowledges in the order of instants.
        if let Some(index) = self.unacknowledged.iter().position(|(id, _)| *id == command) {
            self.unacknowledged.remove(index);
        }
        if let Some(index) = self.told.iter().position(|(id, _)| *id == command) {
            let (_, text) = self.told.remove(index);
            self.events.push_back(Event::Stimulus { at, text });
        }
        if let Some(index) = self.switches.iter().position(|(id, ..)| *id == command) {
            let (_, signal, on) = self.switches.swap_remove(index);
            self.show(at, signal, on);
        }
        if let Some(index) = self.lids.iter().position(|(id, _)| *id == command) {
            let (_, open) = self.lids.swap_remove(index);
            self.played.lid(at, open);
        }
        if let Some(index) = self.supplies.iter().position(|(id, _)| *id == command) {
            let (_, on) = self.supplies.swap_remove(index);
            let up = self.present.get(self.plan.signals.supply) != Some(0);
            self.rail_never_fell |= on && self.rail_awaited;
            self.rail_awaited = !on && up;
            self.rise_awaited = on && !up;
            self.supply_is_cut = !on;
        }
        if let Some(moment) = self.script.applied(command, at) {
            self.moment(moment);
        }
    }

    /// How many commands were to take effect well before the end and are not known to have.
    fn unacknowledged_before(&self, end: RigTime) -> usize {
        self.unacknowledged.iter().filter(|(_, at)| *at + ACKNOWLEDGED_WITHIN < end).count()
    }

    fn moment(&mut self, Came { moment, at, spread }: Came) {
        // Where not all of the step happened at once, a reaction may be one to its first part.
        let uncertainty = crate::plan::edge_uncertainty(&self.plan.bench) + spread;
        self.judge.moment(MomentId(moment), at, uncertainty);
        if let Some(trace) = &mut self.trace {
            trace.moment(MomentId(moment), at, uncertainty);
        }
        let name = self.plan.moments[usize::from(moment)].clone();
        self.events.push_back(Event::Moment { at, name, uncertainty });
    }

    fn finish(&mut self, cut: Cut) {
        if self.ended.is_none() {
            self.cut = Some(cut);
            self.end(self.watermark);
        }
    }

    fn end(&mut self, at: RigTime) {
        if self.ended.is_some() {
            return;
        }
        self.ended = Some(at);
        self.findings = match self.cut {
            None => self.judge.finish(at),
            Some(_) => self.judge.finish_cut_short(at),
        };
        if let Some(mut trace) = self.trace.take() {
            if self.cut.is_some() {
                trace.cut_short();
            }
            let second = naive::judge(&self.plan.table, &self.plan.expectations, &trace, at);
            self.disagreement = outcome::disagreement(&self.plan, &self.findings, &second);
        }
        self.events.push_back(Event::Ended { at, cut_short: self.cut.is_some() });
    }
}

/// Whether a stimulus takes effect in the model alone, at the very instant of its step.
fn happens_in_the_model(stimulus: &Stimulus) -> bool {
    matches!(
        stimulus,
        Stimulus::Relay { .. }
            | Stimulus::FreeRelay { .. }
            | Stimulus::LoseElement { .. }
            | Stimulus::Leg { .. }
            | Stimulus::KilnSupply { .. }
    )
}

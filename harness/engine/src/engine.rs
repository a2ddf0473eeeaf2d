//! The engine: script, kiln and judge of one run, driven from outside.

mod commanded;
mod observed;

use std::collections::VecDeque;

use dryfire_judge::naive::{self, Trace};
use dryfire_judge::{Finding, Judge, MomentId, SignalId};
use dryfire_kiln::Climb;
use dryfire_scenario::{Bench, BenchKind, ClearFault, ColdJunction, ConsoleMatcher, ContactRole, RelayRole};
use dryfire_units::{RigSpan, RigTime};

use crate::derived::{Derivation, Derived};
use crate::idle_controller::{self, Heat, RelaysSeen};
use crate::io::{Command, CommandId, Observation, Pacing, RigCounters, Trouble, TroubleKind};
use crate::plan::Plan;
use crate::played::{PlayError, PlayedKiln};
use crate::script::{Came, Present, Script};
use crate::{Event, outcome};

/// Time that the controller is given to boot before the script begins.
pub const SETTLE: RigSpan = RigSpan::from_seconds(5);

/// Time between the last thing done to clear a latched fault and the beginning of the script.
const CLEARED_WITHIN: RigSpan = RigSpan::from_seconds(1);

/// How long a limiter's reset is pressed before a run.
pub(crate) const RESET_PRESS: RigSpan = RigSpan::from_seconds(1);

/// How much later the script begins on a bench that clears a latched fault or resets a limiter first.
pub(crate) fn time_to_clear(bench: &Bench) -> RigSpan {
    let cleared = match &bench.clear_fault {
        None => RigSpan::ZERO,
        Some(ClearFault::Console { .. }) => CLEARED_WITHIN,
        Some(ClearFault::Contact { press }) => *press + CLEARED_WITHIN,
    };
    let reset = if limiters_reset(bench).is_some() { RESET_PRESS + CLEARED_WITHIN } else { RigSpan::ZERO };
    cleared.max(reset)
}

/// The contact that resets a limiter before each run, as an index into the bench's contacts: on a rig it is still
/// tripped when the scenario before has tripped it, and a cut of the controller's supply does not change that.
pub(crate) fn limiters_reset(bench: &Bench) -> Option<usize> {
    let reset = bench.contacts.iter().position(|contact| contact.role == ContactRole::Reset);
    reset.filter(|_| matches!(bench.kind, BenchKind::Rig { .. }))
}

/// The limiter's relay of a bench where it may still be open from before the run, as an index into the bench's relays:
/// on a rig, while nothing is played, its probe is open and it trips.
fn limiter_to_find_closed(bench: &Bench) -> Option<usize> {
    let limiter = bench.relays.iter().position(|relay| relay.role == RelayRole::Limiter);
    limiter.filter(|_| matches!(bench.kind, BenchKind::Rig { .. }))
}

/// How often the script looks where it waits for what may come between two samples.
const LOOK: RigSpan = RigSpan::from_millis(200);

/// The same, where an acknowledgement is about to come.
const SOON: RigSpan = RigSpan::from_millis(1);

/// How long a measurement of the cold junction holds good: six of them may be left out.
const COLD_JUNCTION_GOOD_FOR: RigSpan = RigSpan::from_seconds(3);

/// How late a feedback contact may follow the model on a stepped bench. A contactor's own auxiliary contact takes
/// as long (common practice, no source).
const FEEDBACK_STEP: RigSpan = RigSpan::from_millis(20);

/// How long the switch of a console line is on. Lines that come closer together
/// than this make it go on once.
pub(crate) const CONSOLE_MOMENT: RigSpan = RigSpan::from_millis(1);

/// How the engine is to run.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct EngineConfig {
    /// How the bench keeps time.
    pub pacing: Pacing,
    /// Whether samples of levels are given out as events.
    pub sample_events: bool,
    /// Whether the run is judged a second time, by the naive evaluator, at its end.
    pub second_judge: bool,
    /// Whether the controller was restarted before the run, so that nothing is left of the one before.
    pub fresh_controller: bool,
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
    /// When the controller is asked for its set-point next, if a scenario looks at it and the bench asks.
    asks_at: Option<RigTime>,
    /// By relay of the bench, whether an edge has shown it on.
    relays_on: Vec<bool>,
    derived: Derived,
    /// Whether anybody looks at the samples of a level, by signal.
    looked_at: Vec<bool>,
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
    /// The relay of a limiter that has yet to be found closed before the script begins.
    limiter_to_find_closed: Option<usize>,
    /// The cold junction, where it is measured.
    cold_junction: Option<MeasuredColdJunction>,
    /// What each feedback contact was last told to be, in the order of the bench's.
    fed_back: Vec<Option<bool>>,
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
        let script = Script::new(
            plan.steps.clone(),
            plan.moments.len(),
            RigTime::ZERO + SETTLE + time_to_clear(&plan.bench),
            momentary,
        );
        let looked_at = plan.table.iter().map(|(signal, _)| {
            config.sample_events
                || judge.looks_at(signal)
                || script.looks_at(signal)
                || plan.derived.iter().any(|derived| derived.rule.follows_from(signal))
        });
        let looks_at_set_point = plan.derived.iter().any(|signal| matches!(signal.rule, Derivation::Stated(_)));
        let asks = looks_at_set_point && plan.bench.set_point.as_ref().is_some_and(|how| how.ask.is_some());
        let measured = plan.bench.cold_junction == ColdJunction::Measured;
        let cold_junction = measured.then(MeasuredColdJunction::default);
        let limiter_to_find_closed = limiter_to_find_closed(&plan.bench);
        let mut engine = Engine {
            looked_at: looked_at.collect(),
            relays_on: vec![false; plan.bench.relays.len()],
            script,
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
            asks_at: asks.then_some(RigTime::ZERO + SETTLE),
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
            fed_back: Vec::new(),
            limiter_to_find_closed,
            cold_junction,
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
        engine.fed_back = vec![None; engine.plan.bench.feedback.len()];
        engine.feed_back(RigTime::ZERO);
        engine.clear_fault();
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
                let step = match self.script.follows_switches() {
                    true if self.script.just_sent(self.watermark) => step.min(SOON),
                    true => step.min(LOOK),
                    false => step,
                };
                // What a relay does has to be told to the controller soon.
                let step = if self.fed_back.is_empty() { step } else { step.min(FEEDBACK_STEP) };
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
            Observation::ColdJunction { at, millicelsius } => self.cold_junction(at, millicelsius),
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
            | Observation::ColdJunction { at, .. }
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
        let mut findings = self.findings;
        let heat = Heat {
            seen: self.relays_on.iter().zip(&self.plan.bench.relays).any(|(on, relay)| *on && heats(&relay.role)),
            begun: self.script.begun(),
            fresh_controller: self.config.fresh_controller,
        };
        let nothing_heated = idle_controller::take_back(&self.plan, heat, &mut findings);
        let limiter_before = idle_controller::take_back_of_limiter(&self.plan, &mut findings);
        let relays_seen = RelaysSeen {
            on: (0..self.relays_on.len()).filter(|relay| self.relays_on[*relay]).collect(),
            rested_on: idle_controller::rested_on(&self.plan, &findings),
        };
        let run = outcome::Run {
            plan: &self.plan,
            findings,
            taken_back: [nothing_heated, limiter_before],
            relays_seen,
            cut: self.cut,
            open_step: self.script.open_step(),
            counters: self.counters,
            supply: outcome::Supply {
                never_fell: self.rail_never_fell || self.rail_awaited,
                never_rose: self.rise_awaited,
                fell_by_itself: self.rail_fell_by_itself,
            },
            repeated_edges: self.repeated_edges,
            cold_junction: self.cold_junction.and_then(|measured| measured.lost),
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
        if let Some(measured) = &mut self.cold_junction {
            measured.is_known_at(until);
        }
        if !self.find_limiter_closed(until) {
            return;
        }
        self.run_script(until);
        self.set_probes(until);
        self.feed_back(until);
        self.ask_set_point(until);
        // A moment or a sample may still come for this very instant.
        self.judge.advance(until - RigSpan::from_micros(1));
        while let Some(finding) = self.judge.poll_decided() {
            self.events.push_back(Event::Decided { at: until, finding });
        }
        if self.end_at().is_some_and(|end| until >= end) {
            self.end(until);
        }
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

/// What is known of the temperature at the controller's terminals where it is measured.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct MeasuredColdJunction {
    /// When it was last measured; the run's beginning at first.
    at: RigTime,
    /// What it was, thousandths of a degree; `None`: not measured yet, or the last reading was that of a broken sensor.
    last: Option<i64>,
    /// Since when it was not known for the first time, and whether the sensor said so itself.
    lost: Option<outcome::ColdJunctionLost>,
}

impl MeasuredColdJunction {
    fn take(&mut self, at: RigTime, reading: Option<i64>) {
        self.is_known_at(at);
        self.last = reading;
        if reading.is_some() {
            self.at = at;
        } else {
            self.lost.get_or_insert(outcome::ColdJunctionLost { since: at, broken: true });
        }
    }

    /// What it was last measured to be, where that is not too old by then.
    fn at(&self, now: RigTime) -> Option<i64> {
        self.last.filter(|_| now - self.at <= COLD_JUNCTION_GOOD_FOR)
    }

    /// Notes it where the last measurement is too old by then.
    fn is_known_at(&mut self, now: RigTime) {
        if now - self.at > COLD_JUNCTION_GOOD_FOR {
            self.lost.get_or_insert(outcome::ColdJunctionLost { since: self.at, broken: false });
        }
    }
}

/// Whether a relay switches an element.
pub(crate) fn heats(role: &RelayRole) -> bool {
    matches!(role, RelayRole::Element(_))
}

//! What every kind of bench offers, and the one loop that drives the engine on it.

use std::sync::atomic::{AtomicBool, Ordering};

use dryfire_engine::{
    Command, Engine, EngineConfig, Event, Observation, Pacing, Plan, PlayError, ScenarioResult, Trouble, TroubleKind,
    Wake,
};
use dryfire_scenario::Segment;
use dryfire_units::RigTime;

/// What a bench needs to know to begin one run.
#[derive(Clone, Debug, PartialEq)]
pub struct RunSetup {
    /// Number of the run within the session, for logs and the wire.
    pub run: u32,
    /// The run's own seed (derived from session seed, scenario and sweep point).
    pub seed: u64,
    /// Temperature of the controller's terminals and of the air, thousandths of a degree Celsius.
    pub ambient_millicelsius: i64,
    /// The firing that the controller will be told to do; benches that
    /// hand it over as data use this, the others send console lines.
    pub firing: Vec<Segment>,
}

/// What a bench says about itself once a run has begun.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BenchIdentity {
    /// In words, for logs and evidence: what it is, its firmware, its boot.
    pub description: String,
    /// How it keeps time.
    pub pacing: Pacing,
    /// Whether the controller was restarted before the run, so that nothing is left of the one before.
    pub fresh_controller: bool,
}

/// A bench: a controller together with whatever plays its kiln.
///
/// Per run: `begin` once, then any number of `command` and `advance`, then
/// `end` once. All instants are rig time since `begin`.
pub trait Bench {
    /// Brings controller and terminals to a fresh start and begins a run: supply
    /// on, contacts at rest, probes open until the first command.
    ///
    /// # Errors
    /// What broke down.
    fn begin(&mut self, setup: &RunSetup) -> Result<BenchIdentity, Trouble>;

    /// Takes a command. Acknowledged by [`Observation::Applied`] when it takes
    /// effect, during a later `advance`.
    ///
    /// # Errors
    /// What broke down.
    fn command(&mut self, command: Command) -> Result<(), Trouble>;

    /// Lets time pass. A stepped bench runs exactly to `until`; a free-running
    /// one returns when it has something to tell, at the latest about `until`.
    /// Ends with [`Observation::Complete`] unless nothing new is complete.
    ///
    /// # Errors
    /// What broke down.
    fn advance(&mut self, until: RigTime, observations: &mut Vec<Observation>) -> Result<(), Trouble>;

    /// Ends the run: probes open, contacts at rest.
    fn end(&mut self);

    /// Whether a real controller is wired to it, so that a session has to show first that it can fail.
    ///
    /// # Errors
    /// There is no bench to ask.
    fn has_real_wires(&mut self) -> Result<bool, Trouble> {
        Ok(false)
    }
}

/// How one run is to be made.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RunOptions {
    /// Number of the run within the session.
    pub run: u32,
    /// The run's own seed.
    pub seed: u64,
    /// Whether samples of levels are given out as events.
    pub sample_events: bool,
    /// Whether the run is judged a second time at its end.
    pub second_judge: bool,
}

/// How many times in a row a stepped bench may be asked for more without getting any further.
const MOST_STANDING: u32 = 1000;

/// Runs one plan on a bench: the one loop for every kind of bench.
///
/// `watch` is given every event, and `progress` the watermark after each step.
/// When `stop` is set the run is ended and what is open stays inconclusive.
///
/// # Errors
/// When the plan cannot be played at all; everything that breaks down later is
/// part of the result.
pub fn run_plan(
    plan: Plan,
    bench: &mut dyn Bench,
    options: RunOptions,
    stop: &AtomicBool,
    watch: &mut dyn FnMut(Event),
    progress: &mut dyn FnMut(RigTime),
) -> Result<ScenarioResult, PlayError> {
    let setup = RunSetup {
        run: options.run,
        seed: options.seed,
        ambient_millicelsius: plan.start.ambient_millicelsius,
        firing: plan.firing.clone(),
    };
    let begun = bench.begin(&setup);
    // A bench that does not even begin is judged by the same engine, so that it
    // gets the same kind of result as one that breaks down later.
    let (pacing, fresh_controller) = match &begun {
        Ok(identity) => (identity.pacing, identity.fresh_controller),
        Err(_) => (Pacing::Stepped { step: dryfire_units::RigSpan::from_seconds(1) }, false),
    };
    let mut standing = 0;
    let stepped = matches!(pacing, Pacing::Stepped { .. });
    let RunOptions { sample_events, second_judge, .. } = options;
    let config = EngineConfig { pacing, sample_events, second_judge, fresh_controller };
    let mut engine = Engine::new(plan, config)?;
    match begun {
        Ok(identity) => tracing::info!(bench = %identity.description, "run begins"),
        Err(trouble) => engine.handle(Observation::Trouble(trouble)),
    }
    let mut observations = Vec::new();
    loop {
        if stop.load(Ordering::Relaxed) {
            engine.abort("ended by the operator");
        }
        let mut broken = None;
        while let Some(command) = engine.poll_command() {
            if broken.is_none() {
                tracing::trace!(?command);
                broken = bench.command(command).err();
            }
        }
        while let Some(event) = engine.poll_event() {
            watch(event);
        }
        if broken.is_none() {
            match engine.poll_wake() {
                Wake::Finished => break,
                Wake::Advance { until } => broken = bench.advance(until, &mut observations).err(),
            }
        }
        let before = engine.watermark();
        in_order(&mut observations);
        for observation in observations.drain(..) {
            engine.handle(observation);
        }
        if let Some(trouble) = broken {
            engine.handle(Observation::Trouble(trouble));
        }
        // Nobody else would ever end this run.
        standing = if stepped && engine.watermark() == before { standing + 1 } else { 0 };
        if standing > MOST_STANDING && engine.poll_wake() != Wake::Finished {
            engine.handle(Observation::Trouble(Trouble {
                kind: TroubleKind::StandsStill,
                detail: format!("asked for more than {before}, it went no further"),
            }));
        }
        progress(engine.watermark());
    }
    bench.end();
    while let Some(event) = engine.poll_event() {
        watch(event);
    }
    Ok(engine.into_result(options.seed))
}

/// Puts the observations before a watermark into the one total order that the
/// engine is promised, whatever order a bench found them in.
fn in_order(observations: &mut [Observation]) {
    for part in observations.split_mut(|observation| matches!(observation, Observation::Complete { .. })) {
        // Most benches find them in order.
        if !part.is_sorted_by_key(order) {
            part.sort_by_key(order);
        }
    }
}

fn order(observation: &Observation) -> (RigTime, u8, u32) {
    match observation {
        Observation::Applied { command, at } | Observation::OperatorDone { command, at } => (*at, 0, command.0),
        Observation::SupplyRail { at, .. } => (*at, 1, 0),
        Observation::ColdJunction { at, .. } => (*at, 1, 1),
        Observation::Edge { at, input, .. } => (*at, 2, u32::from(*input)),
        Observation::Console { at, .. } => (*at, 3, 0),
        Observation::Counters(_) | Observation::Complete { .. } | Observation::Trouble(_) => {
            (RigTime::FAR_FUTURE, 4, 0)
        }
    }
}

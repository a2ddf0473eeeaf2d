//! What every kind of bench offers, and the one loop that drives the engine on it.

use dryfire_engine::{Command, Observation, Pacing, Trouble};
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
}

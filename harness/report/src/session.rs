//! What a report is made of: who was tested, and what came of every scenario.

use dryfire_engine::{ScenarioResult, Uncertainties};
use dryfire_judge::SignalTable;

/// What is known of a session before its first run.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct SessionHead {
    /// The bench's name, from its file.
    pub bench: String,
    /// What plays the kiln: `virtual`, `program` or `rig`.
    pub bench_kind: String,
    /// The controller, in the owner's words.
    pub controller: String,
    /// Its firmware's version, as the owner states it.
    pub firmware_version: Option<String>,
    /// Defects switched on in the stand-in, by name.
    pub defects: Vec<String>,
    /// The session's seed; every run's own is derived from it.
    pub seed: u64,
    /// How many runs were planned: scenarios that were picked, each as often as it was to be repeated.
    pub scenarios: usize,
    /// How often each scenario is run.
    pub repeat: usize,
    /// Name and version of the program that ran them.
    pub tool: String,
}

/// What is known of one run when it begins.
#[derive(Clone, Debug)]
pub struct RunHead {
    /// Its number in the plan, from 1.
    pub run: usize,
    /// The scenario's name.
    pub scenario: String,
    /// Which of the runs of its scenario it is, from 1; none where each has one.
    pub repetition: Option<usize>,
    /// The hazards it guards against.
    pub hazards: Vec<String>,
    /// The run's own seed.
    pub seed: u64,
    /// What can be observed in it.
    pub signals: SignalTable,
    /// How well the bench knows it.
    pub uncertainties: Uncertainties,
}

/// A scenario that was picked and never begun, because the session was ended early.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NotRun {
    /// Its number in the plan, from 1.
    pub run: usize,
    /// The scenario's name.
    pub scenario: String,
    /// The hazards it guards against.
    pub hazards: Vec<String>,
}

/// Everything that came of a session.
#[derive(Clone, Copy, Debug)]
pub struct Outcome<'a> {
    /// The scenarios that came to something, in the order of the plan.
    pub results: &'a [ScenarioResult],
    /// The others.
    pub not_run: &'a [NotRun],
    /// Whether the session was ended early by the user.
    pub interrupted: bool,
    /// Why it is not about one firmware throughout, a sentence each; empty where it is. See [`crate::mixed_identities`].
    pub mixed: &'a [String],
}

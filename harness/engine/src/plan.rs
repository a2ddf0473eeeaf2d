//! Binding: a scenario, a bench and a kiln become one plan with every name
//! resolved, or the reason why the scenario does not apply or is not covered.

mod asked;
mod bind;
mod names;
mod needs;
mod signals;
mod uncertainty;

use dryfire_judge::{Expectation, SignalId, SignalTable};
use dryfire_kiln::{Circuit, KilnDescription};
use dryfire_scenario::{Bench, ConsolePattern, Scenario, Segment, Span, Stimulus};
use dryfire_units::{RigSpan, RigTime};

use crate::derived::DerivedSignal;

#[cfg(test)]
pub(crate) use needs::zones_without_second_means;
pub(crate) use needs::{select_bypasses, select_relays};
pub use signals::Signals;
pub(crate) use signals::{contact_name, edge_uncertainty, relay_name, zone_index, zone_indices};
pub use uncertainty::{Contribution, ContributionSpread, Uncertainties, UncertaintyBudget, UncertaintySource};

/// A scenario ready to run on a bench.
#[derive(Clone, Debug)]
pub struct Plan {
    /// The scenario's name.
    pub scenario: String,
    /// The hazards it guards against.
    pub hazards: Vec<String>,
    /// The bench it is bound to.
    pub bench: Bench,
    /// The kiln that is played.
    pub kiln: KilnDescription,
    /// Relays and poles between supply and elements.
    pub circuit: Circuit,
    /// Kiln and surroundings at the beginning.
    pub start: dryfire_scenario::Start,
    /// What the controller is told to fire.
    pub firing: Vec<Segment>,
    /// Everything observable.
    pub table: SignalTable,
    /// How well the bench knows it.
    pub uncertainties: Uncertainties,
    /// Indices into the table by role.
    pub signals: Signals,
    /// What follows from other signals; only what the scenario asks for.
    pub derived: Vec<DerivedSignal>,
    /// Whether every pole is open, for the zones that the scenario asks for.
    pub isolated: Vec<IsolatedSignal>,
    /// Patterns that the scenario looks for in the controller's console.
    pub console: Vec<ConsoleSignal>,
    /// Names of the moments, by index.
    pub moments: Vec<String>,
    /// The script.
    pub steps: Vec<PlannedStep>,
    /// When the run is over.
    pub end: PlannedEnd,
    /// Expectations for the judge.
    pub expectations: Vec<Expectation>,
    /// The hazards that each expectation speaks to, and its place in the file.
    pub expectation_notes: Vec<ExpectationNote>,
}

/// A switch that is on while every pole to an element is open.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct IsolatedSignal {
    /// Its place in the table.
    pub id: SignalId,
    /// To which zone's element; to all of them if none is named.
    pub zone: Option<usize>,
}

/// A switch that is on for a moment at each line of the console that a pattern is found in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ConsoleSignal {
    /// Its place in the table.
    pub id: SignalId,
    /// What is looked for.
    pub pattern: ConsolePattern,
}

/// What reports want to know of an expectation beside its formal claim.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ExpectationNote {
    /// The hazards it speaks to.
    pub hazards: Vec<String>,
    /// Where it stands in the scenario file.
    pub span: Span,
}

/// A step of the script with its names resolved.
#[derive(Clone, Debug)]
pub struct PlannedStep {
    /// What it waits for.
    pub wait: PlannedWait,
    /// The moment at which its stimuli take effect, as an index.
    pub moment: Option<u16>,
    /// What is done.
    pub stimuli: Vec<Stimulus>,
}

/// What a planned step waits for.
#[derive(Clone, Debug)]
pub enum PlannedWait {
    /// Nothing: the firing is begun.
    BeginFiring,
    /// A condition, at most so long.
    When {
        /// The condition.
        condition: PlannedCondition,
        /// The longest wait.
        patience: RigSpan,
    },
    /// A length of time after the step before.
    Wait(RigSpan),
    /// An instant after a moment.
    At {
        /// The moment.
        moment: u16,
        /// How long after it.
        offset: RigSpan,
    },
}

/// A condition of the script over resolved signals. Unlike an expectation's
/// condition it may ask for a state to have lasted.
#[derive(Clone, Debug)]
pub enum PlannedCondition {
    /// A condition at one instant.
    Now(dryfire_judge::Condition),
    /// That has held without a break for so long; index of its stop-watch.
    HeldFor {
        /// What has to hold.
        condition: Box<PlannedCondition>,
        /// For how long.
        length: RigSpan,
        /// Which of the step's stop-watches.
        watch: usize,
    },
    /// The opposite.
    Not(Box<PlannedCondition>),
    /// All of them.
    All(Vec<PlannedCondition>),
    /// Any of them.
    Any(Vec<PlannedCondition>),
}

/// When the run is over.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PlannedEnd {
    /// So long after this moment, or after the beginning of the run.
    pub moment: Option<u16>,
    /// How long.
    pub offset: RigSpan,
}

/// What binding came to.
#[derive(Clone, Debug)]
pub enum Binding {
    /// It can run.
    Ready(Box<Plan>),
    /// The hardware that the hazard needs is not there.
    NotApplicable {
        /// Why, in words.
        reason: String,
    },
    /// The hazard is there and the controller has no means to meet it.
    Uncovered {
        /// Why, in words.
        reason: String,
    },
}

/// A mistake in how scenario, bench and kiln fit together.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BindError {
    /// What is wrong and what would be right.
    pub message: String,
    /// The place in the scenario file, where it has one.
    pub span: Option<Span>,
}

impl Plan {
    /// Binds a scenario to a bench and its kiln.
    ///
    /// # Errors
    /// Every mistake in how the three fit together.
    pub fn bind(scenario: &Scenario, bench: &Bench, kiln: &KilnDescription) -> Result<Binding, Vec<BindError>> {
        bind::bind(scenario, bench, kiln)
    }

    /// How long no element may be on for heat to count as cut: at least three
    /// declared cycle times and 60 s (common practice, no source).
    pub fn cut_hold(bench: &Bench) -> RigSpan {
        bench.declares.cycle_time.times(3).max(RigSpan::from_seconds(60))
    }

    /// An upper bound of the run's length: every step waits its longest.
    pub fn longest(&self) -> RigTime {
        let mut total = RigSpan::ZERO;
        for step in &self.steps {
            total = total
                + match &step.wait {
                    PlannedWait::BeginFiring => RigSpan::ZERO,
                    PlannedWait::When { patience, .. } => *patience,
                    PlannedWait::Wait(length) => *length,
                    PlannedWait::At { offset, .. } => *offset,
                };
        }
        RigTime::ZERO + crate::engine::time_to_clear(&self.bench) + total + self.end.offset
    }
}

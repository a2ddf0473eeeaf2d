//! What must be seen: expectations over signals, moments and time.

use dryfire_units::RigSpan;

use crate::{MomentId, SignalId};

/// How a signal is compared with a limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Comparison {
    /// Strictly below the limit.
    Below,
    /// At or below the limit.
    AtMost,
    /// Strictly above the limit.
    Above,
    /// At or above the limit.
    AtLeast,
}

/// A condition on the signals at one instant.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Condition {
    /// A level against a limit in the signal's own unit.
    Compare {
        /// The level.
        signal: SignalId,
        /// How it is compared.
        comparison: Comparison,
        /// With what, in the unit of the signal's kind.
        limit: i64,
    },
    /// A switch in a state.
    Is {
        /// The switch.
        signal: SignalId,
        /// The state asked for.
        on: bool,
    },
    /// The opposite.
    Not(Box<Condition>),
    /// All of them (true when empty).
    All(Vec<Condition>),
    /// At least one of them (false when empty).
    Any(Vec<Condition>),
}

/// A named moment and an offset from it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Instant {
    /// The moment.
    pub moment: MomentId,
    /// How long after it.
    pub offset: RigSpan,
}

/// The part of the run over which a claim is made. Each occurrence of the
/// opening moment opens the scope anew, and each has to hold.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Scope {
    /// The whole run.
    Throughout,
    /// From the beginning until just before an instant.
    Before(Instant),
    /// From an instant to the end of the run.
    After(Instant),
    /// From one instant until just before another; a claim about nothing when
    /// the second never comes.
    Between(Instant, Instant),
    /// From one instant until just before another, or the end of the run.
    AfterUntil(Instant, Instant),
    /// From each instant at which a condition becomes true, to the end of the
    /// run. The condition is taken at the values as sampled, without their
    /// uncertainty, as a script's trigger is.
    Whenever(Condition),
    /// The same where the condition becomes true inside a part of the run, or
    /// is true where that part begins; up to where the part ends.
    WheneverIn {
        /// The part of the run.
        part: Part,
        /// What opens the scope in it.
        condition: Condition,
    },
}

/// A part of the run inside which a condition opens a scope. Of occurrences
/// that overlap, the first stands for all.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// From the beginning until just before an instant.
    Before(Instant),
    /// From an instant to the end of the run.
    After(Instant),
    /// From one instant until just before another; a claim about nothing when
    /// the second never comes.
    Between(Instant, Instant),
    /// From one instant until just before another, or the end of the run.
    AfterUntil(Instant, Instant),
}

/// What is claimed within a scope.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Claim {
    /// The condition holds all the time (universality).
    Always(Condition),
    /// The condition holds at no time (absence).
    Never(Condition),
    /// The condition holds at some time (existence).
    Sometime(Condition),
    /// The condition holds at some time not later than this after the scope
    /// opens (bounded response; the opening is the trigger).
    Within {
        /// How long after the opening at the latest; closed bound.
        limit: RigSpan,
        /// What has to be reached.
        condition: Condition,
    },
    /// Heat is cut not later than this after the scope opens, and stays cut
    /// long enough to tell it from an ordinary off-phase of the duty cycle.
    ///
    /// Heat is *cut* at the last on-to-off edge of `heat` after which it stays
    /// off for `hold`. Its precondition: heat was on at the opening, or came
    /// on after it; if not, the claim is vacuous.
    HeatCut {
        /// The switch that says whether any element carries current.
        heat: SignalId,
        /// How long after the opening at the latest; closed bound.
        limit: RigSpan,
        /// How long no element may be on for it to count as cut: at least
        /// three declared cycle times and 60 s.
        hold: RigSpan,
    },
    /// The condition holds from the opening on for so long, both ends included
    /// (bounded invariance).
    HoldsFor {
        /// How long.
        span: RigSpan,
        /// What has to hold.
        condition: Condition,
    },
    /// The condition becomes true within the scope at least and at most so
    /// many times (bounded existence).
    Times {
        /// At least so many times.
        at_least: u32,
        /// At most so many times.
        at_most: u32,
        /// What is counted.
        condition: Condition,
    },
    /// The condition becomes true at most so many times in any stretch of this
    /// length within the scope (bounded recurrence from above).
    AtMostIn {
        /// At most so many times, no more than [`MOST_COUNTED`](crate::MOST_COUNTED).
        at_most: u32,
        /// How long the stretch is, both ends included.
        window: RigSpan,
        /// What is counted.
        condition: Condition,
    },
    /// One condition holds at no instant of the scope before another has held
    /// in it (precedence).
    Precedes {
        /// What has to come first.
        first: Condition,
        /// What may only come then.
        then: Condition,
    },
}

/// One expectation, ready to be compiled to a monitor.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Expectation {
    /// Its name in the scenario.
    pub name: String,
    /// Over which part of the run.
    pub scope: Scope,
    /// What has to be seen there.
    pub claim: Claim,
}

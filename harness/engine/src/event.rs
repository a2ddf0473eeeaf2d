//! The one event enum that feeds the terminal, the JSON stream, the record and
//! every report.

use dryfire_judge::{Finding, SignalId};
use dryfire_units::{RigSpan, RigTime};

use crate::{RigCounters, Trouble};

/// Something worth telling about a run. Instants are rig time since its beginning.
#[derive(Clone, Debug, PartialEq)]
pub enum Event {
    /// The run begins; the kiln and the controller's terminals are set.
    Began,
    /// A named moment came.
    Moment {
        /// When.
        at: RigTime,
        /// Its name.
        name: String,
        /// How far its instant may be from the truth, as the judge was told.
        uncertainty: RigSpan,
    },
    /// A stimulus took effect.
    Stimulus {
        /// When: the rig's acknowledgement, or model time.
        at: RigTime,
        /// In words.
        text: String,
    },
    /// A switch changed.
    Switched {
        /// When.
        at: RigTime,
        /// Which signal.
        signal: SignalId,
        /// Its state from then on.
        on: bool,
    },
    /// A level was sampled.
    Sampled {
        /// When.
        at: RigTime,
        /// Which signal.
        signal: SignalId,
        /// Its value, in the unit of its kind.
        value: i64,
    },
    /// A level was not observed; told where samples are.
    Unobserved {
        /// From when on.
        at: RigTime,
        /// Which signal.
        signal: SignalId,
        /// Until its first sample that is not earlier than this.
        until: RigTime,
    },
    /// The controller wrote a line.
    Console {
        /// When.
        at: RigTime,
        /// The line.
        line: String,
    },
    /// The operator is asked for something.
    Prompt {
        /// When.
        at: RigTime,
        /// What.
        text: String,
    },
    /// The bench's counters of losses changed.
    Counters {
        /// Up to when they are known.
        at: RigTime,
        /// The counters.
        counters: RigCounters,
    },
    /// An expectation was decided.
    Decided {
        /// When that was known.
        at: RigTime,
        /// The finding.
        finding: Finding,
    },
    /// Bench, link or controller broke down.
    Trouble {
        /// The last instant up to which everything is known.
        at: RigTime,
        /// What happened.
        trouble: Trouble,
    },
    /// The run is over.
    Ended {
        /// When.
        at: RigTime,
        /// Whether it was cut short: what holds only as far as it went is not decided.
        cut_short: bool,
    },
}

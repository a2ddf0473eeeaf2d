//! What a scenario came to.

use dryfire_judge::{Finding, Verdict};
use dryfire_kiln::Peak;
use dryfire_units::RigTime;

use crate::{RelaysSeen, RigCounters, Trouble};

/// Whether a scenario could be run on a bench at all.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Applicability {
    /// It ran.
    Ran,
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

/// One expectation with what came of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FindingReport {
    /// The expectation's name.
    pub name: String,
    /// The hazards it speaks to.
    pub hazards: Vec<String>,
    /// What was expected, in one sentence.
    pub expected: String,
    /// What was seen, in one sentence.
    pub seen: String,
    /// The coverage factor of the finding's uncertainty, in hundredths (200: k = 2).
    pub coverage_hundredths: u16,
    /// The finding itself.
    pub finding: Finding,
}

/// The hottest part of a zone's firing, for [`HeatWork`](dryfire_kiln::HeatWork).
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ZoneHeatWork {
    /// The zone's name.
    pub zone: String,
    /// Its peak.
    pub peak: Peak,
}

/// What one scenario came to on one bench.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ScenarioResult {
    /// The scenario's name.
    pub scenario: String,
    /// The hazards it guards against.
    pub hazards: Vec<String>,
    /// Whether it ran.
    pub applicability: Applicability,
    /// The combined verdict; `None` where it did not run.
    pub verdict: Option<Verdict>,
    /// Each expectation, in the scenario's order.
    pub findings: Vec<FindingReport>,
    /// Why the verdict is worse than the findings say (losses, breakdowns), in words.
    pub remarks: Vec<String>,
    /// What broke down, if anything did.
    pub trouble: Option<Trouble>,
    /// What the firing did to cones, by zone; only of a clean firing, in which
    /// nothing was broken and which ran to its end. A plausibility value, no finding.
    pub heat_work: Vec<ZoneHeatWork>,
    /// Which relays were seen on, and which the passes rest on.
    pub relays_seen: RelaysSeen,
    /// The last counters of the bench.
    pub counters: RigCounters,
    /// The run's own seed.
    pub seed: u64,
    /// How long the run was, in rig time.
    pub length: RigTime,
}

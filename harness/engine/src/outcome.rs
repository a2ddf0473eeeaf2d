//! From findings to what a run came to: losses and breakdowns make it worse, never better.

use dryfire_judge::{Finding, Verdict};
use dryfire_kiln::Peak;
use dryfire_units::RigTime;

use crate::engine::Cut;
use crate::idle_controller::RelaysSeen;
use crate::io::{Pacing, RigCounters};
use crate::plan::{Plan, PlannedWait};
use crate::result::{Applicability, FindingReport, ScenarioResult, ZoneHeatWork};
use crate::words;

/// Late set-points that a free-running bench may have: one in so many. A
/// stepped bench may have none.
const SETPOINTS_PER_LATE_ONE: u64 = 20_000;

/// Everything about a run that is over.
pub(crate) struct Run<'a> {
    pub(crate) plan: &'a Plan,
    pub(crate) findings: Vec<Finding>,
    /// Why some of the findings are no passes any more, if so.
    pub(crate) taken_back: [Option<&'static str>; 2],
    pub(crate) relays_seen: RelaysSeen,
    pub(crate) cut: Option<Cut>,
    /// The step of the script that was not done, if any.
    pub(crate) open_step: Option<usize>,
    pub(crate) counters: RigCounters,
    pub(crate) supply: Supply,
    /// Edges to the level that an input had already.
    pub(crate) repeated_edges: u32,
    /// Where the temperature of the controller's terminals was to be measured and was not known.
    pub(crate) cold_junction: Option<ColdJunctionLost>,
    /// Commands that are not known to have taken effect, of those long due.
    pub(crate) unacknowledged: usize,
    pub(crate) setpoints: u64,
    /// The hottest part of each zone's course.
    pub(crate) peaks: Vec<Peak>,
    pub(crate) disagreement: Option<String>,
    pub(crate) pacing: Pacing,
}

/// What the controller's supply did that a test cannot rest on.
pub(crate) struct Supply {
    /// It was cut and its rail stayed up.
    pub(crate) never_fell: bool,
    /// It was restored and its rail stayed down.
    pub(crate) never_rose: bool,
    /// Its rail fell and nothing had cut it.
    pub(crate) fell_by_itself: bool,
}

/// The temperature of the controller's terminals was not known.
#[derive(Clone, Copy, Debug)]
pub(crate) struct ColdJunctionLost {
    /// Since when, for the first time.
    pub(crate) since: RigTime,
    /// The sensor said that it is missing or broken; else nothing came.
    pub(crate) broken: bool,
}

impl Run<'_> {
    pub(crate) fn result(self, seed: u64, length: RigTime) -> ScenarioResult {
        let mut verdict = Verdict::Pass;
        let mut remarks = Vec::new();
        for finding in &self.findings {
            verdict = verdict.combine(finding.verdict);
        }
        let mut worsen = |to: Verdict, remark: String| {
            verdict = verdict.combine(to);
            remarks.push(remark);
        };
        if self.findings.is_empty() {
            worsen(Verdict::Inconclusive, EXPECTS_NOTHING.to_owned());
        }
        for remark in self.taken_back.into_iter().flatten() {
            worsen(Verdict::Inconclusive, remark.to_owned());
        }
        // A rig that counts its losses may have counted the edges that are missing here too.
        let lost_edges = self.counters.lost_edges.max(self.repeated_edges);
        if lost_edges > 0 {
            worsen(Verdict::Inconclusive, format!("{lost_edges} edges were lost on the way from the rig"));
        }
        if self.counters.lost_console_bytes > 0 {
            worsen(
                Verdict::Inconclusive,
                format!("{} bytes of the controller's console were lost", self.counters.lost_console_bytes),
            );
        }
        let bearable = match self.pacing {
            Pacing::Stepped { .. } => 0,
            Pacing::FreeRunning { .. } => self.setpoints / SETPOINTS_PER_LATE_ONE,
        };
        if u64::from(self.counters.late_setpoints) > bearable {
            worsen(
                Verdict::Inconclusive,
                format!(
                    "{} probe set-points came too late; {bearable} would be bearable",
                    self.counters.late_setpoints
                ),
            );
        }
        if let Some(ColdJunctionLost { since, broken }) = self.cold_junction {
            let why = if broken { "its sensor gave no temperature that can be" } else { "no measurement came" };
            worsen(
                Verdict::Inconclusive,
                format!(
                    "the temperature of the controller's terminals was not known from {since} on ({why}), so what the \
                     controller was shown is not known either"
                ),
            );
        }
        if self.unacknowledged > 0 {
            worsen(
                Verdict::Inconclusive,
                format!("{} commands were never acknowledged by the bench", self.unacknowledged),
            );
        }
        let supply = [
            (
                self.supply.never_fell,
                "the supply was cut and its rail was never seen to fall: the controller may be powered from elsewhere",
            ),
            (
                self.supply.never_rose,
                "the supply was restored and its rail was never seen to rise: a dead controller heats nothing",
            ),
            (
                self.supply.fell_by_itself,
                "the controller's supply went off by itself: what was off then was not the controller's doing",
            ),
        ];
        for (_, remark) in supply.into_iter().filter(|(so, _)| *so) {
            worsen(Verdict::Inconclusive, remark.to_owned());
        }
        let mut trouble = None;
        match &self.cut {
            None => {
                if let Some(step) = self.open_step {
                    worsen(
                        Verdict::Inconclusive,
                        format!("the run ended before step {} of the script was done", step + 1),
                    );
                }
            }
            Some(Cut::GaveUp { step }) => {
                let patience = match &self.plan.steps[*step].wait {
                    PlannedWait::When { patience, .. } => format!(" within {patience}"),
                    _ => String::new(),
                };
                worsen(
                    Verdict::Inconclusive,
                    format!("what step {} of the script waits for did not come{patience}", step + 1),
                );
            }
            Some(Cut::Unacknowledged { step }) => worsen(
                Verdict::Inconclusive,
                format!("there was no acknowledgement of what step {} of the script does", step + 1),
            ),
            Some(Cut::Aborted { reason }) => {
                worsen(Verdict::Inconclusive, format!("the run was ended early: {reason}"))
            }
            Some(Cut::Trouble(what)) => {
                worsen(Verdict::Error, format!("{}: {}", what.kind.word(), what.detail));
                trouble = Some(what.clone());
            }
        }
        if let Some(disagreement) = self.disagreement {
            worsen(Verdict::Error, disagreement);
        }
        let clean = self.cut.is_none()
            && self.open_step.is_none()
            && !self.plan.firing.is_empty()
            && self.plan.steps.iter().all(|step| step.stimuli.is_empty());
        let zones = self.plan.bench.zones.iter().map(|zone| zone.name.clone());
        let heat_work = zones.zip(self.peaks.iter().filter(|_| clean));
        let heat_work = heat_work.map(|(zone, peak)| ZoneHeatWork { zone, peak: *peak }).collect();
        let findings = reports(self.plan, self.findings);
        ScenarioResult {
            scenario: self.plan.scenario.clone(),
            hazards: self.plan.hazards.clone(),
            applicability: Applicability::Ran,
            verdict: Some(verdict),
            findings,
            remarks,
            trouble,
            heat_work,
            relays_seen: self.relays_seen,
            counters: self.counters,
            seed,
            length,
        }
    }
}

/// The remark about a scenario without expectations.
pub(crate) const EXPECTS_NOTHING: &str = "the scenario expects nothing";

/// Findings with what was expected and seen, in words.
pub(crate) fn reports(plan: &Plan, findings: Vec<Finding>) -> Vec<FindingReport> {
    let report = |finding: Finding| {
        let expectation = &plan.expectations[finding.expectation];
        FindingReport {
            name: expectation.name.clone(),
            hazards: plan.expectation_notes[finding.expectation].hazards.clone(),
            expected: words::expected(plan, expectation),
            seen: words::seen(plan, expectation, &finding),
            coverage_hundredths: plan.uncertainties.coverage_hundredths(&finding),
            finding,
        }
    };
    findings.into_iter().map(report).collect()
}

/// Whether a remark says that the two judges disagree.
pub(crate) fn is_disagreement(remark: &str) -> bool {
    remark.starts_with("the two judges disagree") || remark.starts_with("the second judge has")
}

/// What the two judges disagree on, if anything.
pub(crate) fn disagreement(plan: &Plan, first: &[Finding], second: &[Finding]) -> Option<String> {
    if first.len() != second.len() {
        return Some(format!("the second judge has {} findings, the first {}", second.len(), first.len()));
    }
    let index = first.iter().zip(second).position(|(one, other)| one != other)?;
    let name = &plan.expectations[first[index].expectation].name;
    Some(format!(
        "the two judges disagree on `{name}`: {:?} against {:?}; this is a fault of dryfire, please report it",
        first[index], second[index]
    ))
}

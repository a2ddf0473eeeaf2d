//! Passes that a controller would also get that does nothing at all.
//!
//! *No heat*, *never too hot*, *never out of order*: all of that is true of a
//! controller that hangs, that has refused the program, that still has a fault
//! latched from the run before, or whose relays are not connected to the bench.
//! So such a pass counts only if heat was seen where it belongs: in the run
//! itself where the controller was told to fire, and each relay that the claim
//! rests on at least once in the session.

use dryfire_judge::{Claim, Condition, Expectation, Finding, Margin, Reason, Scope, SignalId, Verdict};
use dryfire_scenario::{ContactRole, ProbeFault, RelayRole, Stimulus};
use dryfire_units::{RigSpan, RigTime};

use crate::plan::{Plan, PlannedWait};
use crate::result::ScenarioResult;

/// Which relays were seen on in a run, and which have to have been seen on for
/// its passes to mean anything. Both by their place in the bench file.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct RelaysSeen {
    /// Seen on at some time in the run.
    pub on: Vec<usize>,
    /// Those that the run's passes rest on.
    pub rested_on: Vec<usize>,
}

/// What is known of heat in a run that is over.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Heat {
    /// Whether a relay was on or heat flowed at any time.
    pub(crate) seen: bool,
    /// When the firing began, if it did.
    pub(crate) begun: Option<RigTime>,
    /// Whether the controller was restarted before the run.
    pub(crate) fresh_controller: bool,
}

const REFUSED: &str = "the controller was told to fire and nothing heated: what it did not do shows nothing";
const NOT_FRESH: &str = "nothing restarted the controller before this run and nothing heated in it: \
                         a fault latched before would look the same (let the rig switch its supply)";

/// Takes back the passes that an idle controller would get; says why, if there are any.
pub(crate) fn take_back(plan: &Plan, heat: Heat, findings: &mut [Finding]) -> Option<&'static str> {
    if heat.seen {
        return None;
    }
    let mut why = None;
    for finding in findings.iter_mut().filter(|finding| finding.verdict == Verdict::Pass) {
        let expectation = &plan.expectations[finding.expectation];
        if needs_something_to_happen(&expectation.claim) {
            continue;
        }
        let fires = heat.begun.is_some() && !(is_refusal(plan, expectation));
        let reason = match (fires, heat.fresh_controller) {
            (true, _) => REFUSED,
            (false, false) => NOT_FRESH,
            (false, true) => continue,
        };
        why = why.or(Some(reason));
        finding.verdict = Verdict::Inconclusive;
        finding.reason = Reason::Vacuous;
        finding.vacuous = true;
    }
    why
}

const LIMITER_BEFORE: &str =
    "the limiter was already in the state that was waited for: what was done then shows nothing";

/// Takes back the passes of what was to come and was there already: a limiter that had tripped before its probe broke
/// says nothing about the break. Says why, if there are any.
pub(crate) fn take_back_of_limiter(plan: &Plan, findings: &mut [Finding]) -> Option<&'static str> {
    let limiter = plan.bench.relays.iter().position(|relay| relay.role == RelayRole::Limiter)?;
    let signal = plan.signals.relays[limiter];
    let mut why = None;
    for finding in findings.iter_mut().filter(|finding| finding.verdict == Verdict::Pass) {
        let Claim::Within { condition, .. } = &plan.expectations[finding.expectation].claim else { continue };
        // No contact moves in the microsecond in which its reason arises.
        if finding.seen == Some(Margin::Time(RigSpan::ZERO)) && asks_for_state_of(condition, signal) {
            why = Some(LIMITER_BEFORE);
            finding.verdict = Verdict::Inconclusive;
            finding.reason = Reason::Vacuous;
            finding.vacuous = true;
        }
    }
    why
}

fn asks_for_state_of(condition: &Condition, switch: SignalId) -> bool {
    match condition {
        Condition::Is { signal, .. } => *signal == switch,
        Condition::Not(inner) => asks_for_state_of(inner, switch),
        Condition::All(parts) | Condition::Any(parts) => parts.iter().any(|part| asks_for_state_of(part, switch)),
        Condition::Compare { .. } => false,
    }
}

/// The relays that the passes among these findings rest on.
pub(crate) fn rested_on(plan: &Plan, findings: &[Finding]) -> Vec<usize> {
    let mut relays = vec![false; plan.bench.relays.len()];
    for finding in findings.iter().filter(|finding| finding.verdict == Verdict::Pass) {
        match &plan.expectations[finding.expectation].claim {
            claim if needs_something_to_happen(claim) => {}
            Claim::Always(condition)
            | Claim::Never(condition)
            | Claim::Sometime(condition)
            | Claim::Within { condition, .. }
            | Claim::HoldsFor { condition, .. }
            | Claim::Times { condition, .. }
            | Claim::AtMostIn { condition, .. } => rests_on(plan, condition, &mut relays),
            Claim::Precedes { first, then } => {
                rests_on(plan, first, &mut relays);
                rests_on(plan, then, &mut relays);
            }
            Claim::HeatCut { .. } => relays.fill(true),
        }
    }
    (0..relays.len()).filter(|relay| relays[*relay]).collect()
}

/// Whether a claim can hold only if something came about.
fn needs_something_to_happen(claim: &Claim) -> bool {
    match claim {
        Claim::Sometime(_) | Claim::Within { .. } => true,
        Claim::Times { at_least, .. } => *at_least > 0,
        Claim::Always(_)
        | Claim::Never(_)
        | Claim::HeatCut { .. }
        | Claim::HoldsFor { .. }
        | Claim::AtMostIn { .. }
        | Claim::Precedes { .. } => false,
    }
}

/// Whether not to heat is what is asked of the firing: something is in its way from before
/// it begins, and the expectation does not speak of a later moment.
fn is_refusal(plan: &Plan, expectation: &Expectation) -> bool {
    let Some(begin) = plan.steps.iter().position(|step| matches!(step.wait, PlannedWait::BeginFiring)) else {
        return false;
    };
    let begins_after = |instant: &dryfire_judge::Instant| {
        plan.steps[begin + 1..].iter().any(|step| step.moment == Some(instant.moment.0))
    };
    let later = match &expectation.scope {
        Scope::After(from) | Scope::Between(from, _) | Scope::AfterUntil(from, _) => begins_after(from),
        Scope::Throughout | Scope::Before(_) | Scope::Whenever(_) | Scope::WheneverIn { .. } => false,
    };
    let hindered = plan.steps[..begin].iter().flat_map(|step| &step.stimuli).any(is_in_the_way);
    !later && hindered
}

/// Whether an honest controller may refuse to begin because of it. What it cannot know (a reading that is
/// only wrong, an element that is gone, a mains voltage) is no reason not to heat.
fn is_in_the_way(stimulus: &Stimulus) -> bool {
    match stimulus {
        Stimulus::Probe { fault, .. } => matches!(
            fault,
            ProbeFault::Open
                | ProbeFault::Intermittent { .. }
                | ProbeFault::ShortToGround
                | ProbeFault::ShortToSupply
                // Below the converter's range as soon as the kiln is warm.
                | ProbeFault::Reversed
        ),
        // A controller with feedback may see it.
        Stimulus::Relay { .. } => true,
        Stimulus::Contact { contact: ContactRole::Reset | ContactRole::LimiterSupply, .. } => false,
        Stimulus::Contact { engaged, .. } => *engaged,
        // What a line or the operator has told it is for the scenario's author to know.
        Stimulus::Console(_) | Stimulus::Prompt(_) => true,
        // What the limiter finds is nothing to the controller.
        Stimulus::LimiterProbe { .. }
        | Stimulus::ReconnectLimiterProbe
        | Stimulus::ReconnectProbe { .. }
        | Stimulus::FreeRelay { .. }
        | Stimulus::LoseElement { .. }
        | Stimulus::CrossProbes { .. }
        | Stimulus::WarmTerminals { .. }
        | Stimulus::WarmBox { .. }
        | Stimulus::Leg { .. }
        | Stimulus::Neutral { .. }
        | Stimulus::CoilSupply { .. }
        | Stimulus::Bypass { .. }
        | Stimulus::KilnSupply { .. }
        | Stimulus::Supply { .. } => false,
    }
}

fn is_heat(plan: &Plan, signal: SignalId) -> bool {
    let signals = &plan.signals;
    signal == signals.heat
        || signal == signals.element
        || signals.heat_by_zone.contains(&signal)
        || signals.relays.contains(&signal)
}

fn rests_on(plan: &Plan, condition: &Condition, relays: &mut [bool]) {
    match condition {
        Condition::Is { signal, .. } => {
            let signals = &plan.signals;
            if let Some(relay) = signals.relays.iter().position(|relay| relay == signal) {
                relays[relay] = true;
            } else if *signal == signals.element {
                for (rested, relay) in relays.iter_mut().zip(&plan.bench.relays) {
                    *rested |= crate::engine::heats(&relay.role);
                }
            } else if is_heat(plan, *signal) || plan.isolated.iter().any(|isolated| isolated.id == *signal) {
                relays.fill(true);
            }
        }
        Condition::Not(inner) => rests_on(plan, inner, relays),
        Condition::All(parts) | Condition::Any(parts) => parts.iter().for_each(|part| rests_on(plan, part, relays)),
        // The kiln that is played is as hot as the relays that are seen make it.
        Condition::Compare { .. } => relays.fill(true),
    }
}

/// What a session has seen of the controller's relays so far.
#[derive(Clone, Debug, Default)]
pub struct SessionProof {
    /// Names of the bench's relays.
    relays: Vec<String>,
    seen_on: Vec<bool>,
    /// A run that has to fail is still to be made, or did not fail.
    owes_control: bool,
}

impl SessionProof {
    /// Nothing yet, of a bench with these relays.
    pub fn new(bench: &dryfire_scenario::Bench) -> Self {
        let relays: Vec<String> =
            bench.relays.iter().map(|relay| crate::plan::relay_name(bench, &relay.role)).collect();
        SessionProof { seen_on: vec![false; relays.len()], relays, owes_control: false }
    }

    /// No pass counts before [`Self::note_control`]: on real wires a bench has to show first that it can fail.
    pub fn owe_control(&mut self) {
        self.owes_control = true;
    }

    /// Whether no pass counts yet, because what has to fail has not failed.
    pub fn owes_control(&self) -> bool {
        self.owes_control
    }

    /// The bench's relays by name, in the order of its file.
    pub fn relays(&self) -> &[String] {
        &self.relays
    }

    /// What had to fail has failed.
    pub fn note_control(&mut self) {
        self.owes_control = false;
    }

    /// Takes note of a run. What was seen in one that broke down was seen all the same.
    pub fn note(&mut self, result: &ScenarioResult) {
        for relay in &result.relays_seen.on {
            if let Some(seen) = self.seen_on.get_mut(*relay) {
                *seen = true;
            }
        }
    }

    /// Whether nothing that may still come can change what this result is worth.
    pub fn is_enough_for(&self, result: &ScenarioResult) -> bool {
        result.verdict != Some(Verdict::Pass) || !self.owes_control && self.missing(result).next().is_none()
    }

    /// Takes back a pass that rests on a relay that was never seen on in the session.
    pub fn apply(&self, result: &mut ScenarioResult) {
        if self.is_enough_for(result) {
            return;
        }
        result.verdict = result.verdict.map(|verdict| verdict.combine(Verdict::Inconclusive));
        if self.owes_control {
            result.remarks.push(
                "the bench has not shown in this session that it can fail: the run with nothing broken, in which \
                 heat was called a fault on purpose, did not end as a failure"
                    .to_owned(),
            );
        }
        let missing: Vec<&str> = self.missing(result).collect();
        if missing.is_empty() {
            return;
        }
        result.remarks.push(format!(
            "{} never seen on in this session: an input that is not connected would look the same \
             (run it together with a scenario that heats)",
            match missing.as_slice() {
                [one] => format!("relay `{one}` was"),
                several => format!("relays `{}` were", several.join("`, `")),
            }
        ));
    }

    fn missing<'a>(&'a self, result: &'a ScenarioResult) -> impl Iterator<Item = &'a str> {
        let rested = result.relays_seen.rested_on.iter().copied();
        rested
            .filter(|relay| !self.seen_on.get(*relay).copied().unwrap_or(false))
            .map(|relay| self.relays.get(relay).map_or("?", String::as_str))
    }
}

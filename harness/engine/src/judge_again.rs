//! A run that is over judged again, from what was seen of it.
//!
//! The same expectations come to the same findings, bit for bit, because the
//! judge depends only on what it is given. Other expectations can be judged as
//! long as the run is the one that their scenario would have made: what they look
//! at was observed, or follows from what was.

use std::fmt;

use dryfire_judge::naive::{self, Trace};
use dryfire_judge::{Finding, Judge, MomentId, SignalId, SignalTable, Verdict};
use dryfire_units::{RigSpan, RigTime};

use crate::derived::Derived;
use crate::engine::{CONSOLE_MOMENT, heats};
use crate::idle_controller::{self, Heat, RelaysSeen};
use crate::outcome;
use crate::plan::Plan;
use crate::{Event, FindingReport, ScenarioResult};

/// Inputs that are given to the judge between two of its watermarks.
const AT_ONCE: usize = 4_096;
/// So long after an instant nothing of it can become known any more: longer than any step of a bench.
const KNOWN_AFTER: RigSpan = RigSpan::from_seconds(60);

/// What is known of a run that is over, beside its events.
#[derive(Clone, Copy, Debug)]
pub struct PastRun<'a> {
    /// What it came to then.
    pub result: &'a ScenarioResult,
    /// The signals that its events speak of.
    pub table: &'a SignalTable,
    /// Whether the controller was restarted before it.
    pub fresh_controller: bool,
    /// Whether it was cut short.
    pub cut_short: bool,
}

/// What judging again came to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct JudgedAgain {
    /// Each expectation with what came of it.
    pub findings: Vec<FindingReport>,
    /// What makes the verdict worse than the findings say, as far as that is a matter of judging and
    /// not of the run: nothing expected, nothing heated, two judges that disagree.
    pub remarks: Vec<String>,
    /// The findings and those remarks combined.
    pub verdict: Verdict,
    /// The relays that the passes rest on.
    pub relays_seen: RelaysSeen,
}

/// Why a run cannot be judged by other expectations.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum JudgeAgainError {
    /// What an expectation looks at was not observed and follows from nothing that was.
    NotObserved(String),
    /// The expectations cannot be judged at all.
    Unjudgeable(String),
}

impl fmt::Display for JudgeAgainError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            JudgeAgainError::NotObserved(signal) => {
                write!(f, "`{signal}` was not observed in that run, so a new run is needed")
            }
            JudgeAgainError::Unjudgeable(why) => f.write_str(why),
        }
    }
}

impl std::error::Error for JudgeAgainError {}

impl JudgedAgain {
    /// The whole result: what judging came to now, with what came of the run itself then.
    /// `then` is what judging by the expectations of the run itself comes to.
    pub fn result(self, past: &ScenarioResult, then: &JudgedAgain) -> ScenarioResult {
        let circumstances: Vec<String> =
            past.remarks.iter().filter(|remark| !then.remarks.contains(remark)).cloned().collect();
        // Every remark about a run makes it inconclusive, a breakdown an error (`outcome.rs`).
        let worst = match (&past.trouble, circumstances.is_empty()) {
            (Some(_), _) => Verdict::Error,
            (None, false) => Verdict::Inconclusive,
            (None, true) => Verdict::Pass,
        };
        let (mut remarks, after): (Vec<String>, Vec<String>) =
            self.remarks.into_iter().partition(|remark| !outcome::is_disagreement(remark));
        remarks.extend(circumstances);
        remarks.extend(after);
        ScenarioResult {
            verdict: Some(self.verdict.combine(worst)),
            findings: self.findings,
            remarks,
            relays_seen: self.relays_seen,
            ..past.clone()
        }
    }
}

/// Gives out the events of a run that is over, each to what it is given.
pub type Replay<'a> = dyn FnMut(&mut dyn FnMut(Event)) + 'a;

/// Judges a run again: `replay` gives out its events as they were when it happened.
///
/// # Errors
/// When the expectations of the plan look at what the run does not tell.
pub fn judge_again(plan: &Plan, past: PastRun<'_>, replay: &mut Replay<'_>) -> Result<JudgedAgain, JudgeAgainError> {
    let unjudgeable = |error: dryfire_judge::CompileError| JudgeAgainError::Unjudgeable(error.to_string());
    let judge = Judge::new(plan.table.clone(), plan.moments.clone(), plan.expectations.clone())
        .map_err(unjudgeable)?
        .with_moments_that_come_once();
    let mut again = Again {
        signals: Signals::new(plan, past.table, &judge)?,
        moments: &plan.moments,
        judge,
        trace: Trace::default(),
        given: 0,
        latest: RigTime::ZERO,
        sampled_at: None,
        begun: None,
    };
    replay(&mut |event| again.take(event));
    again.sampled();
    let end = past.result.length;
    again.console_off(end);
    if past.cut_short {
        again.trace.cut_short();
    }
    let mut findings = if past.cut_short { again.judge.finish_cut_short(end) } else { again.judge.finish(end) };
    let second = naive::judge(&plan.table, &plan.expectations, &again.trace, end);
    let disagreement = outcome::disagreement(plan, &findings, &second);
    let on = &past.result.relays_seen.on;
    let heat = Heat {
        seen: on.iter().filter_map(|relay| plan.bench.relays.get(*relay)).any(|relay| heats(&relay.role)),
        begun: again.begun,
        fresh_controller: past.fresh_controller,
    };
    let nothing_heated = idle_controller::take_back(plan, heat, &mut findings);
    let limiter_before = idle_controller::take_back_of_limiter(plan, &mut findings);
    let relays_seen = RelaysSeen { on: on.clone(), rested_on: idle_controller::rested_on(plan, &findings) };
    Ok(conclude(plan, findings, [nothing_heated, limiter_before], disagreement, relays_seen))
}

fn conclude(
    plan: &Plan,
    findings: Vec<Finding>,
    taken_back: [Option<&'static str>; 2],
    disagreement: Option<String>,
    relays_seen: RelaysSeen,
) -> JudgedAgain {
    let mut verdict = findings.iter().fold(Verdict::Pass, |worst, finding| worst.combine(finding.verdict));
    let mut remarks = Vec::new();
    if findings.is_empty() {
        verdict = verdict.combine(Verdict::Inconclusive);
        remarks.push(outcome::EXPECTS_NOTHING.to_owned());
    }
    for remark in taken_back.into_iter().flatten() {
        verdict = verdict.combine(Verdict::Inconclusive);
        remarks.push(remark.to_owned());
    }
    if let Some(remark) = disagreement {
        verdict = verdict.combine(Verdict::Error);
        remarks.push(remark);
    }
    JudgedAgain { findings: outcome::reports(plan, findings), remarks, verdict, relays_seen }
}

/// What is judged by, and the signals by the ids of the record and of the plan.
struct Again<'a> {
    signals: Signals<'a>,
    moments: &'a [String],
    judge: Judge,
    trace: Trace,
    given: usize,
    latest: RigTime,
    /// The instant whose samples are being given.
    sampled_at: Option<RigTime>,
    begun: Option<RigTime>,
}

/// The signals of a plan in terms of those of a record.
struct Signals<'a> {
    /// By the record's index: the plan's.
    known: Vec<Option<SignalId>>,
    /// The plan's that follow from others and are not in the record.
    derived: Derived,
    derives: bool,
    console: Vec<(&'a crate::plan::ConsoleSignal, dryfire_scenario::ConsoleMatcher, Option<RigTime>)>,
    /// By the plan's index: what it is at present.
    present: Vec<Option<i64>>,
}

impl<'a> Signals<'a> {
    fn new(plan: &'a Plan, recorded: &SignalTable, judge: &Judge) -> Result<Self, JudgeAgainError> {
        let same = |name: &str, kind| plan.table.find(name).filter(|id| plan.table.get(*id).kind == kind);
        let known: Vec<Option<SignalId>> = recorded.iter().map(|(_, spec)| same(&spec.name, spec.kind)).collect();
        let missing: Vec<SignalId> =
            plan.table.iter().map(|(id, _)| id).filter(|id| !known.contains(&Some(*id))).collect();
        let derived: Vec<_> = plan.derived.iter().filter(|derived| missing.contains(&derived.id)).cloned().collect();
        let console: Vec<_> = plan
            .console
            .iter()
            .filter(|console| missing.contains(&console.id))
            .map(|console| (console, console.pattern.matcher(), None))
            .collect();
        for id in missing {
            let follows = derived.iter().any(|one| one.id == id) || console.iter().any(|(one, ..)| one.id == id);
            // A bench shows more than it once did; what nothing looks at may be missing.
            let wanted = judge.looks_at(id) || derived.iter().any(|derived| derived.rule.follows_from(id));
            if !follows && wanted {
                return Err(JudgeAgainError::NotObserved(plan.table.get(id).name.clone()));
            }
        }
        let derives = !derived.is_empty();
        let present = vec![None; plan.table.len()];
        Ok(Signals { known, derived: Derived::new(&derived), derives, console, present })
    }

    fn of(&self, recorded: SignalId) -> Option<SignalId> {
        self.known.get(usize::from(recorded.0)).copied().flatten()
    }
}

impl Again<'_> {
    fn take(&mut self, event: Event) {
        match event {
            Event::Began => {
                for index in 0..self.signals.console.len() {
                    let id = self.signals.console[index].0.id;
                    self.observe(RigTime::ZERO, id, 0);
                }
            }
            Event::Switched { at, signal, on } => {
                self.sampled_before(at);
                if let Some(id) = self.signals.of(signal) {
                    self.signals.derived.switched(at, id, on);
                    self.observe(at, id, i64::from(on));
                }
            }
            Event::Sampled { at, signal, value } => {
                self.sampled_before(at);
                self.sampled_at = Some(at);
                if let Some(id) = self.signals.of(signal) {
                    self.observe(at, id, value);
                }
            }
            Event::Unobserved { at, signal, until } => {
                self.sampled_before(at);
                self.sampled_at = Some(at);
                if let Some(id) = self.signals.of(signal) {
                    self.unobserved(at, id, until);
                }
            }
            Event::Moment { at, name, uncertainty } => {
                // `begin` is the moment at which the firing was begun, in every scenario.
                if name == "begin" {
                    self.begun = Some(at);
                }
                if let Some(index) = self.moments.iter().position(|moment| *moment == name) {
                    let id = MomentId(index as u16);
                    self.judge.moment(id, at, uncertainty);
                    self.trace.moment(id, at, uncertainty);
                    self.note(at);
                }
            }
            Event::Console { at, line } => {
                self.sampled_before(at);
                self.console_off(at);
                self.signals.derived.said(at, &line);
                for index in 0..self.signals.console.len() {
                    let (signal, matcher, off) = &mut self.signals.console[index];
                    if matcher.is_in(&line) {
                        let was_off = off.replace(at + CONSOLE_MOMENT).is_none();
                        let id = signal.id;
                        if was_off {
                            self.observe(at, id, 1);
                        }
                    }
                }
            }
            Event::Stimulus { .. }
            | Event::Prompt { .. }
            | Event::Counters { .. }
            | Event::Decided { .. }
            | Event::Trouble { .. }
            | Event::Ended { .. } => {}
        }
    }

    fn observe(&mut self, at: RigTime, id: SignalId, value: i64) {
        self.signals.present[usize::from(id.0)] = Some(value);
        self.judge.observe(at, id, value);
        self.trace.sample(at, id, value);
        self.note(at);
    }

    fn unobserved(&mut self, at: RigTime, id: SignalId, until: RigTime) {
        self.signals.present[usize::from(id.0)] = None;
        self.judge.gap(id, at, until);
        self.trace.gap(id, at, until);
        self.note(at);
    }

    /// Keeps what the judge has to hold small.
    fn note(&mut self, at: RigTime) {
        self.given += 1;
        self.latest = self.latest.max(at);
        if self.given.is_multiple_of(AT_ONCE) {
            self.judge.advance(self.latest - KNOWN_AFTER);
            while self.judge.poll_decided().is_some() {}
        }
    }

    /// All samples of an instant before this one have been given.
    fn sampled_before(&mut self, at: RigTime) {
        if self.sampled_at.is_some_and(|sampled| sampled < at) {
            self.sampled();
        }
    }

    /// What follows from the samples of an instant that are all there.
    fn sampled(&mut self) {
        let Some(at) = self.sampled_at.take() else { return };
        if !self.signals.derives {
            return;
        }
        let mut values = Vec::new();
        let present = &self.signals.present;
        self.signals.derived.sample(
            at,
            |signal| present.get(usize::from(signal.0)).copied().flatten(),
            |signal, value| values.push((signal, value)),
        );
        for (signal, value) in values {
            match value {
                Some(value) => self.observe(at, signal, value),
                None => self.unobserved(at, signal, at + crate::played::GRID),
            }
        }
    }

    /// Puts off the switches of console lines whose moment is over by an instant.
    fn console_off(&mut self, until: RigTime) {
        for index in 0..self.signals.console.len() {
            let (signal, _, off) = &mut self.signals.console[index];
            if let Some(at) = off.take_if(|at| *at <= until) {
                let id = signal.id;
                self.observe(at, id, 0);
            }
        }
    }
}

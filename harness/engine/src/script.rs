//! Where a run stands in its script.

use dryfire_judge::{Comparison, Condition, SignalId};
use dryfire_units::{RigSpan, RigTime};

use crate::CommandId;
use crate::plan::{PlannedCondition, PlannedStep, PlannedWait};

/// The present value of every signal; `None` where it is not known.
#[derive(Clone, Debug)]
pub(crate) struct Present {
    values: Vec<Option<i64>>,
}

impl Present {
    pub(crate) fn unknown(signals: usize) -> Self {
        Present { values: vec![None; signals] }
    }

    pub(crate) fn get(&self, signal: SignalId) -> Option<i64> {
        self.values[usize::from(signal.0)]
    }

    /// Sets a value; tells whether that changed it.
    pub(crate) fn set(&mut self, signal: SignalId, value: Option<i64>) -> bool {
        let slot = &mut self.values[usize::from(signal.0)];
        let changed = *slot != value;
        *slot = value;
        changed
    }

    /// Whether a condition holds now; what is not known does not hold, and
    /// neither does its opposite.
    fn truth(&self, condition: &Condition) -> Option<bool> {
        match condition {
            Condition::Compare { signal, comparison, limit } => self.get(*signal).map(|value| match comparison {
                Comparison::Below => value < *limit,
                Comparison::AtMost => value <= *limit,
                Comparison::Above => value > *limit,
                Comparison::AtLeast => value >= *limit,
            }),
            Condition::Is { signal, on } => self.get(*signal).map(|value| (value != 0) == *on),
            Condition::Not(inner) => self.truth(inner).map(|truth| !truth),
            Condition::All(parts) => all(parts.iter().map(|part| self.truth(part))),
            Condition::Any(parts) => {
                all(parts.iter().map(|part| self.truth(part).map(|truth| !truth))).map(|truth| !truth)
            }
        }
    }
}

/// Three-valued conjunction: one `false` decides, else one unknown leaves it open.
fn all(parts: impl Iterator<Item = Option<bool>>) -> Option<bool> {
    let mut result = Some(true);
    for part in parts {
        match part {
            Some(false) => return Some(false),
            None => result = None,
            Some(true) => {}
        }
    }
    result
}

/// A step whose stimuli have been sent and not yet all been acknowledged.
#[derive(Clone, Debug)]
struct Pending {
    moment: Option<u16>,
    waiting_for: Vec<CommandId>,
    /// When the first of them took effect; `None` before any has.
    earliest: Option<RigTime>,
    latest: RigTime,
    /// When an acknowledgement that is still missing will not come any more.
    given_up_at: RigTime,
}

/// A moment that has come.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Came {
    /// Which, as an index.
    pub(crate) moment: u16,
    /// When the last of the step's stimuli took effect.
    pub(crate) at: RigTime,
    /// How long before that the first of them did.
    pub(crate) spread: RigSpan,
}

/// How long the bench may take to acknowledge a command, in rig time.
pub(crate) const ACKNOWLEDGED_WITHIN: RigSpan = RigSpan::from_seconds(10);
/// How long the operator may take.
const ANSWERED_WITHIN: RigSpan = RigSpan::from_minutes(30);

/// What became of the script at an instant.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Progress {
    /// The next step waits.
    Waits,
    /// This step is due now; its stimuli are to be sent.
    Due(usize),
    /// The step waited in vain for longer than its patience.
    GaveUp(usize),
    /// The step's stimuli were sent and their acknowledgement has not come.
    Unacknowledged(usize),
    /// Every step is done.
    Done,
}

#[derive(Clone, Debug)]
pub(crate) struct Script {
    steps: Vec<PlannedStep>,
    next: usize,
    /// When the step before was done; the next one waits from here.
    since: RigTime,
    /// Since when the condition of each stop-watch of the next step has held.
    watches: Vec<Option<RigTime>>,
    pending: Option<Pending>,
    moments: Vec<Option<RigTime>>,
    /// Whether the next step waits for what a switch does.
    switches: bool,
    /// Switches that are on for a moment only, and may be off again at the watermark.
    momentary: Vec<SignalId>,
    /// Whether the next step waits for such a switch.
    catches: bool,
    /// Whether the condition of such a step held at some instant since it waits.
    caught: bool,
}

impl Script {
    pub(crate) fn new(steps: Vec<PlannedStep>, moments: usize, begin: RigTime, momentary: Vec<SignalId>) -> Self {
        let mut script = Script {
            steps,
            next: 0,
            since: begin,
            watches: Vec::new(),
            pending: None,
            moments: vec![None; moments],
            switches: false,
            momentary,
            catches: false,
            caught: false,
        };
        script.reset_watches();
        script
    }

    pub(crate) fn step(&self, index: usize) -> &PlannedStep {
        &self.steps[index]
    }

    pub(crate) fn moment(&self, index: u16) -> Option<RigTime> {
        self.moments[usize::from(index)]
    }

    /// When the firing was begun, if it was.
    pub(crate) fn begun(&self) -> Option<RigTime> {
        let step = self.steps[..self.next].iter().find(|step| matches!(step.wait, PlannedWait::BeginFiring))?;
        Some(step.moment.and_then(|moment| self.moment(moment)).unwrap_or(RigTime::ZERO))
    }

    /// Whether any step waits for something about a signal.
    pub(crate) fn looks_at(&self, signal: SignalId) -> bool {
        self.steps.iter().any(|step| match &step.wait {
            PlannedWait::When { condition, .. } => looks_at_any(condition, &[signal]),
            PlannedWait::BeginFiring | PlannedWait::Wait(_) | PlannedWait::At { .. } => false,
        })
    }

    /// The step that the script waits for or is in the middle of.
    pub(crate) fn open_step(&self) -> Option<usize> {
        (self.next < self.steps.len()).then_some(self.next)
    }

    /// Follows the stop-watches; to be called after every change of a value.
    pub(crate) fn note_change(&mut self, at: RigTime, present: &Present) {
        if self.watches.is_empty() && !self.catches {
            return;
        }
        let Some(PlannedStep { wait: PlannedWait::When { condition, .. }, .. }) = self.steps.get(self.next) else {
            return;
        };
        follow(condition, at, present, &mut self.watches);
        if self.catches && self.pending.is_none() && at >= self.since {
            self.caught |= holds(condition, at, present, &self.watches) == Some(true);
        }
    }

    /// What the script does at the watermark.
    pub(crate) fn progress(&self, now: RigTime, present: &Present) -> Progress {
        if let Some(pending) = &self.pending {
            return if now > pending.given_up_at { Progress::Unacknowledged(self.next) } else { Progress::Waits };
        }
        let Some(step) = self.steps.get(self.next) else { return Progress::Done };
        let due = match &step.wait {
            PlannedWait::BeginFiring => now >= self.since,
            PlannedWait::When { patience, .. } if now > self.since + *patience && !self.caught => {
                // Even if it holds by now: it did not come in time.
                return Progress::GaveUp(self.next);
            }
            PlannedWait::When { condition, .. } => {
                let holds_now = holds(condition, now, present, &self.watches) == Some(true);
                now >= self.since && (self.caught || holds_now)
            }
            PlannedWait::Wait(_) | PlannedWait::At { .. } => self.appointed().is_some_and(|at| now >= at),
        };
        if due { Progress::Due(self.next) } else { Progress::Waits }
    }

    /// The instant at which the next step is due or gives up, where that is known beforehand.
    pub(crate) fn appointed(&self) -> Option<RigTime> {
        if self.pending.is_some() {
            return None;
        }
        match &self.steps.get(self.next)?.wait {
            PlannedWait::BeginFiring => Some(self.since),
            PlannedWait::When { .. } => None,
            PlannedWait::Wait(length) => Some(self.since + *length),
            PlannedWait::At { moment, offset } => {
                self.moments[usize::from(*moment)].map(|at| (at + *offset).max(self.since))
            }
        }
    }

    /// The step's stimuli have been sent as these commands; those of the model
    /// took effect at `now` (`at_once`: there are some). Returns the step's moment
    /// if nothing has to be awaited.
    pub(crate) fn sent(
        &mut self,
        now: RigTime,
        waiting_for: Vec<CommandId>,
        asks_operator: bool,
        at_once: bool,
    ) -> Option<Came> {
        let patience = if asks_operator { ANSWERED_WITHIN } else { ACKNOWLEDGED_WITHIN };
        self.pending = Some(Pending {
            moment: self.steps[self.next].moment,
            waiting_for,
            earliest: at_once.then_some(now),
            latest: now,
            given_up_at: now + patience,
        });
        self.settle()
    }

    /// A command took effect. Returns the step's moment if that completes it.
    pub(crate) fn applied(&mut self, command: CommandId, at: RigTime) -> Option<Came> {
        let pending = self.pending.as_mut()?;
        let index = pending.waiting_for.iter().position(|waiting| *waiting == command)?;
        pending.waiting_for.swap_remove(index);
        pending.earliest = Some(pending.earliest.map_or(at, |earliest| earliest.min(at)));
        pending.latest = pending.latest.max(at);
        self.settle()
    }

    fn settle(&mut self) -> Option<Came> {
        let pending = self.pending.take_if(|pending| pending.waiting_for.is_empty())?;
        self.next += 1;
        self.since = pending.latest;
        self.reset_watches();
        let moment = pending.moment?;
        self.moments[usize::from(moment)] = Some(pending.latest);
        let spread = pending.earliest.map_or(RigSpan::ZERO, |earliest| pending.latest - earliest);
        Some(Came { moment, at: pending.latest, spread })
    }

    fn reset_watches(&mut self) {
        let (count, switches, catches) = match self.steps.get(self.next) {
            Some(PlannedStep { wait: PlannedWait::When { condition, .. }, .. }) => {
                let catches = looks_at_any(condition, &self.momentary);
                (count_watches(condition), changes_between_samples(condition), catches)
            }
            _ => (0, false, false),
        };
        self.switches = switches;
        self.catches = catches;
        self.caught = false;
        self.watches.clear();
        self.watches.resize(count, None);
    }

    /// Whether the script may have to act at an instant that is neither one of a
    /// sample nor known beforehand: it waits for an acknowledgement, a switch or
    /// a stop-watch.
    pub(crate) fn follows_switches(&self) -> bool {
        self.switches || self.pending.is_some()
    }

    /// Whether stimuli were sent so lately that a bench which does as it is told at
    /// once has not had the time to say so. A step that is due right after them
    /// would else come as late as the next look.
    pub(crate) fn just_sent(&self, now: RigTime) -> bool {
        self.pending.as_ref().is_some_and(|pending| now < pending.latest + ANSWERS_AT_ONCE)
    }

    /// The longest that the next step may still wait, as an instant.
    pub(crate) fn gives_up_after(&self) -> Option<RigTime> {
        match &self.steps.get(self.next)?.wait {
            PlannedWait::When { patience, .. } if self.pending.is_none() => {
                Some((self.since + *patience).saturating_add(RigSpan::from_micros(1)))
            }
            _ => None,
        }
    }
}

/// How long an acknowledgement that comes at once may take.
const ANSWERS_AT_ONCE: RigSpan = RigSpan::from_millis(2);

fn changes_between_samples(condition: &PlannedCondition) -> bool {
    match condition {
        PlannedCondition::Now(condition) => looks_at_a_switch(condition),
        PlannedCondition::HeldFor { .. } => true,
        PlannedCondition::Not(inner) => changes_between_samples(inner),
        PlannedCondition::All(parts) | PlannedCondition::Any(parts) => parts.iter().any(changes_between_samples),
    }
}

fn looks_at_any(condition: &PlannedCondition, signals: &[SignalId]) -> bool {
    match condition {
        PlannedCondition::Now(condition) => is_about_any(condition, signals),
        PlannedCondition::HeldFor { condition, .. } | PlannedCondition::Not(condition) => {
            looks_at_any(condition, signals)
        }
        PlannedCondition::All(parts) | PlannedCondition::Any(parts) => {
            parts.iter().any(|part| looks_at_any(part, signals))
        }
    }
}

fn is_about_any(condition: &Condition, signals: &[SignalId]) -> bool {
    match condition {
        Condition::Compare { signal, .. } | Condition::Is { signal, .. } => signals.contains(signal),
        Condition::Not(inner) => is_about_any(inner, signals),
        Condition::All(parts) | Condition::Any(parts) => parts.iter().any(|part| is_about_any(part, signals)),
    }
}

fn looks_at_a_switch(condition: &Condition) -> bool {
    match condition {
        Condition::Compare { .. } => false,
        Condition::Is { .. } => true,
        Condition::Not(inner) => looks_at_a_switch(inner),
        Condition::All(parts) | Condition::Any(parts) => parts.iter().any(looks_at_a_switch),
    }
}

fn count_watches(condition: &PlannedCondition) -> usize {
    match condition {
        PlannedCondition::Now(_) => 0,
        PlannedCondition::HeldFor { condition, .. } => 1 + count_watches(condition),
        PlannedCondition::Not(inner) => count_watches(inner),
        PlannedCondition::All(parts) | PlannedCondition::Any(parts) => parts.iter().map(count_watches).sum(),
    }
}

fn follow(condition: &PlannedCondition, at: RigTime, present: &Present, watches: &mut [Option<RigTime>]) {
    match condition {
        PlannedCondition::Now(_) => {}
        PlannedCondition::HeldFor { condition, watch, .. } => {
            follow(condition, at, present, watches);
            watches[*watch] = match holds(condition, at, present, watches) {
                Some(true) => watches[*watch].or(Some(at)),
                _ => None,
            };
        }
        PlannedCondition::Not(inner) => follow(inner, at, present, watches),
        PlannedCondition::All(parts) | PlannedCondition::Any(parts) => {
            for part in parts {
                follow(part, at, present, watches);
            }
        }
    }
}

fn holds(condition: &PlannedCondition, now: RigTime, present: &Present, watches: &[Option<RigTime>]) -> Option<bool> {
    match condition {
        PlannedCondition::Now(condition) => present.truth(condition),
        PlannedCondition::HeldFor { length, watch, .. } => {
            Some(watches[*watch].is_some_and(|since| now - since >= *length))
        }
        PlannedCondition::Not(inner) => holds(inner, now, present, watches).map(|truth| !truth),
        PlannedCondition::All(parts) => all(parts.iter().map(|part| holds(part, now, present, watches))),
        PlannedCondition::Any(parts) => {
            all(parts.iter().map(|part| holds(part, now, present, watches).map(|truth| !truth))).map(|truth| !truth)
        }
    }
}

#[cfg(test)]
mod tests;

//! The judge: samples, gaps, moments and the watermark go in, findings come out.

use std::collections::VecDeque;

use dryfire_units::{RigSpan, RigTime};

use crate::compile::{check, signals_of};
use crate::course::{FOREVER, NEVER, Present, Signals};
use crate::monitor::{Ending, Looks, Monitor};
use crate::{Claim, CompileError, Condition, Expectation, Finding, MomentId, Scope, SignalId, SignalKind, SignalTable};

/// So many inputs are kept between two watermarks. If more come, the oldest
/// are judged as though a watermark had been given.
pub const MOST_WAITING: usize = 1 << 16;

/// Instants are held within this distance of the beginning of the run
/// (more than a thousand years), so that no sum of them can overflow.
const FARTHEST: i64 = 1 << 55;

/// Judges the expectations of one run while it goes on.
///
/// Between two watermarks inputs may come in any order; only among the samples
/// of one signal at one instant does the order count. Findings depend on what
/// was given, never on how it was cut into calls.
///
/// Input that comes too late (at or before the watermark) spoils every
/// expectation that looks at it: it can no longer pass.
pub struct Judge {
    signals: Vec<SignalState>,
    table: SignalTable,
    moments: usize,
    monitors: Vec<Monitor>,
    /// Next instant at which each monitor has to be called.
    due: Vec<i64>,
    next_due: i64,
    waiting: Vec<Input>,
    sorted: bool,
    /// The newest instant that is waiting.
    newest: i64,
    watermark: i64,
    /// Monitors to call at the present instant.
    touched: Vec<usize>,
    /// Signals whose value at the present instant is not that of the next.
    blurred: Vec<usize>,
    changed: Vec<usize>,
    decided: VecDeque<Finding>,
    moments_come_once: bool,
}

struct SignalState {
    /// The values that mean something.
    range: (i64, i64),
    present: Present,
    /// The last sample, and whether it meant anything.
    last: i64,
    last_known: bool,
    sampled_at: i64,
    unseen_until: i64,
    /// Monitors that look at it, and with which of their conditions.
    dependents: Vec<(usize, Looks)>,
    /// The newest instant of what is waiting.
    given_at: i64,
    /// A sample that changes nothing was left out at this instant.
    left_out_at: i64,
}

impl Signals for Vec<SignalState> {
    fn present(&self, id: SignalId) -> Present {
        self[usize::from(id.0)].present
    }
}

#[derive(Clone, Copy)]
struct Input {
    at: i64,
    kind: InputKind,
}

#[derive(Clone, Copy)]
enum InputKind {
    Sample { signal: u16, value: i64 },
    Gap { signal: u16, until: i64 },
    Moment { moment: u16, uncertainty: i64 },
}

impl Judge {
    /// A judge of these expectations over a run with these signals and with
    /// moments of these names (a [`MomentId`] is the index of its name).
    ///
    /// # Errors
    /// If an expectation refers to what is not there or can never be decided.
    pub fn new(table: SignalTable, moments: Vec<String>, expectations: Vec<Expectation>) -> Result<Self, CompileError> {
        let mut signals: Vec<SignalState> = table.iter().map(|(_, spec)| SignalState::new(spec.kind)).collect();
        let mut monitors = Vec::with_capacity(expectations.len());
        for (index, expectation) in expectations.iter().enumerate() {
            check(&table, moments.len(), &expectation.scope, &expectation.claim)
                .map_err(|problem| CompileError { expectation: expectation.name.clone(), problem })?;
            for (id, looks) in looked_at(expectation) {
                let dependents = &mut signals[usize::from(id.0)].dependents;
                match dependents.last_mut() {
                    Some((last, so_far)) if *last == index => *so_far |= looks,
                    _ => dependents.push((index, looks)),
                }
            }
            monitors.push(Monitor::new(&table, expectation));
        }
        Ok(Judge {
            due: vec![0; monitors.len()],
            next_due: if monitors.is_empty() { FOREVER } else { 0 },
            touched: Vec::with_capacity(monitors.len()),
            blurred: Vec::with_capacity(signals.len()),
            changed: Vec::with_capacity(signals.len()),
            decided: VecDeque::with_capacity(monitors.len()),
            signals,
            table,
            moments: moments.len(),
            monitors,
            waiting: Vec::new(),
            sorted: true,
            newest: NEVER,
            watermark: NEVER,
            moments_come_once: false,
        })
    }

    /// Declares that no moment comes twice, so that an expectation after a
    /// moment may be decided early when it holds, and not only when it fails.
    #[must_use]
    pub fn with_moments_that_come_once(mut self) -> Self {
        self.moments_come_once = true;
        self
    }

    /// Whether any expectation looks at a signal. Nothing follows from the samples of
    /// one that none looks at, so they need not be given.
    pub fn looks_at(&self, signal: SignalId) -> bool {
        self.signals.get(usize::from(signal.0)).is_some_and(|state| !state.dependents.is_empty())
    }

    /// A signal was sampled or has changed: from `at` on it has this value.
    #[inline]
    pub fn observe(&mut self, at: RigTime, signal: SignalId, value: i64) {
        let at = held(at);
        let Some(state) = self.signals.get_mut(usize::from(signal.0)) else { return self.late_signal(signal) };
        if at <= self.watermark {
            return self.late_signal(signal);
        }
        if state.dependents.is_empty() {
            // Nothing follows from it.
            return;
        }
        if state.says_nothing_new(value, self.watermark) {
            state.left_out_at = at;
            return;
        }
        if at <= state.left_out_at {
            self.put_back(signal);
        }
        self.signals[usize::from(signal.0)].given_at = at;
        self.push(Input { at, kind: InputKind::Sample { signal: signal.0, value } });
    }

    /// A sample was left out because it repeated what was known; now that something
    /// comes that is not later, it counts.
    #[cold]
    fn put_back(&mut self, signal: SignalId) {
        let state = &mut self.signals[usize::from(signal.0)];
        let (at, value) = (std::mem::replace(&mut state.left_out_at, NEVER), state.last);
        if at > self.watermark {
            state.given_at = state.given_at.max(at);
            self.push(Input { at, kind: InputKind::Sample { signal: signal.0, value } });
        }
    }

    /// A signal was not observed from an instant on, until the first sample
    /// that is not earlier than `until`.
    pub fn gap(&mut self, signal: SignalId, from: RigTime, until: RigTime) {
        let (at, until) = (held(from), held(until));
        if at <= self.watermark || usize::from(signal.0) >= self.signals.len() {
            self.late_signal(signal);
            if until <= self.watermark || usize::from(signal.0) >= self.signals.len() {
                return;
            }
        }
        let at = at.max(self.watermark + 1);
        self.put_back(signal);
        let state = &mut self.signals[usize::from(signal.0)];
        // Until the gap is over, every sample counts.
        state.given_at = state.given_at.max(at).max(until);
        self.push(Input { at, kind: InputKind::Gap { signal: signal.0, until } });
    }

    /// A moment came; how far its instant may be from the truth.
    pub fn moment(&mut self, moment: MomentId, at: RigTime, uncertainty: RigSpan) {
        let at = held(at);
        if at <= self.watermark || usize::from(moment.0) >= self.moments {
            let foreign = usize::from(moment.0) >= self.moments;
            for monitor in self.monitors.iter_mut().filter(|monitor| foreign || monitor.looks_at(moment)) {
                monitor.spoil();
            }
            return;
        }
        // Nothing is claimed of what was before the run.
        let at = at.max(0);
        let uncertainty = uncertainty.as_micros().clamp(0, FARTHEST);
        self.push(Input { at, kind: InputKind::Moment { moment: moment.0, uncertainty } });
    }

    /// Everything up to and including `until` has been given.
    #[inline]
    pub fn advance(&mut self, until: RigTime) {
        let until = until.as_micros().min(FARTHEST);
        if self.blurred.is_empty() && until < self.next_due {
            // Mostly there is one sample to take, or none.
            match *self.waiting {
                [] => {
                    self.watermark = self.watermark.max(until);
                    return;
                }
                [Input { at, kind: InputKind::Sample { signal, value } }] if at <= until => {
                    self.waiting.clear();
                    self.newest = NEVER;
                    self.take_alone(at, usize::from(signal), value);
                    self.pass_time(until);
                    self.watermark = self.watermark.max(until);
                    return;
                }
                _ => {}
            }
        }
        self.judge_up_to(until);
    }

    /// The next finding whose verdict nothing can change any more. Its margin
    /// and what was seen are those known when that became so;
    /// [`Judge::finish`] may know more.
    pub fn poll_decided(&mut self) -> Option<Finding> {
        self.decided.pop_front()
    }

    /// The run is over as planned; everything up to and including `at` was
    /// observed. All findings, in the order of the expectations.
    pub fn finish(&mut self, at: RigTime) -> Vec<Finding> {
        self.end(at, false)
    }

    /// The run was cut short: what holds only as far as it went is inconclusive.
    pub fn finish_cut_short(&mut self, at: RigTime) -> Vec<Finding> {
        self.end(at, true)
    }

    fn end(&mut self, at: RigTime, cut_short: bool) -> Vec<Finding> {
        self.judge_up_to(held(at));
        let ending = Ending { at: self.watermark, cut_short };
        let table = &self.table;
        self.monitors.iter_mut().enumerate().map(|(index, monitor)| monitor.finish(table, index, ending)).collect()
    }

    fn late_signal(&mut self, signal: SignalId) {
        match self.signals.get(usize::from(signal.0)) {
            Some(state) => {
                for &(dependent, _) in &state.dependents {
                    self.monitors[dependent].spoil();
                }
            }
            None => self.monitors.iter_mut().for_each(Monitor::spoil),
        }
    }

    #[inline]
    fn push(&mut self, input: Input) {
        self.sorted &= self.newest <= input.at;
        self.newest = self.newest.max(input.at);
        self.waiting.push(input);
        if self.waiting.len() >= MOST_WAITING {
            self.make_room();
        }
    }

    /// Takes the older half of what is waiting as complete.
    #[cold]
    fn make_room(&mut self) {
        let newest = self.newest;
        let oldest = self.waiting.iter().map(|input| input.at).min().unwrap_or(newest);
        // The newer half of the time stays open for what may still come.
        self.judge_up_to(oldest + (newest - oldest) / 2);
        if self.waiting.len() >= MOST_WAITING {
            self.judge_up_to(newest);
        }
    }

    fn judge_up_to(&mut self, until: i64) {
        if !self.sorted {
            self.waiting.sort_by_key(|input| input.at);
            self.sorted = true;
        }
        let mut taken = 0;
        while let Some(&Input { at, .. }) = self.waiting.get(taken)
            && at <= until
        {
            self.pass_time(at - 1);
            taken += 1;
            let alone = self.waiting.get(taken).is_none_or(|next| next.at != at);
            // Read in place: a whole copy of what was just written part by part is slow.
            if alone && let InputKind::Sample { signal, value } = self.waiting[taken - 1].kind {
                self.take_alone(at, usize::from(signal), value);
                continue;
            }
            self.take(self.waiting[taken - 1]);
            while let Some(&input) = self.waiting.get(taken)
                && input.at == at
            {
                self.take(input);
                taken += 1;
            }
            self.settle(at);
        }
        if taken == self.waiting.len() {
            self.waiting.clear();
            self.newest = NEVER;
        } else {
            self.waiting.drain(..taken);
        }
        self.pass_time(until);
        self.watermark = self.watermark.max(until);
    }

    /// Lets time pass up to and including an instant before the next input.
    fn pass_time(&mut self, until: i64) {
        if !self.blurred.is_empty() {
            // One instant after several samples of one signal only the last is left.
            let next = self.signals[self.blurred[0]].sampled_at + 1;
            if next <= until {
                self.settle(next);
            }
        }
        while self.next_due <= until {
            self.settle(self.next_due);
        }
    }

    fn take(&mut self, input: Input) {
        match input.kind {
            InputKind::Sample { signal, value } => {
                let index = usize::from(signal);
                let state = &mut self.signals[index];
                if input.at < state.unseen_until {
                    return;
                }
                let before = state.present;
                state.sample(input.at, value);
                let same = state.present == before && before.known;
                if !same {
                    self.changed.push(index);
                }
            }
            InputKind::Gap { signal, until } => {
                let index = usize::from(signal);
                let state = &mut self.signals[index];
                state.unseen_until = state.unseen_until.max(until);
                if input.at < state.unseen_until || state.sampled_at != input.at {
                    state.forget();
                    self.changed.push(index);
                }
            }
            InputKind::Moment { moment, uncertainty } => {
                for (index, monitor) in self.monitors.iter_mut().enumerate() {
                    if monitor.looks_at(MomentId(moment)) {
                        monitor.moment(MomentId(moment), input.at, uncertainty);
                        self.touched.push(index);
                    }
                }
            }
        }
    }

    /// The only input at an instant is a sample, as most are: what `take` and
    /// `settle` come to then.
    fn take_alone(&mut self, at: i64, index: usize, value: i64) {
        let state = &mut self.signals[index];
        if at < 0 || at < state.unseen_until || !self.blurred.is_empty() {
            self.take(Input { at, kind: InputKind::Sample { signal: index as u16, value } });
            return self.settle(at);
        }
        let before = state.present;
        state.sample(at, value);
        if state.present == before && before.known {
            return;
        }
        let mut earliest_moved = false;
        for place in 0..state.dependents.len() {
            let (dependent, looks) = self.signals[index].dependents[place];
            self.monitors[dependent].changed |= looks;
            earliest_moved |= self.call(dependent, at);
        }
        if earliest_moved {
            self.next_due = self.due.iter().copied().min().unwrap_or(FOREVER);
        }
    }

    /// Calls a monitor; whether the earliest of what is due may be later now.
    #[inline]
    fn call(&mut self, index: usize, at: i64) -> bool {
        let monitor = &mut self.monitors[index];
        let due = monitor.at(&self.table, at, &self.signals);
        if monitor.has_news()
            && let Some(finding) = monitor.decided(&self.table, index, self.moments_come_once)
        {
            self.decided.push_back(finding);
        }
        let earliest = std::mem::replace(&mut self.due[index], due) <= self.next_due;
        self.next_due = self.next_due.min(due);
        earliest
    }

    /// Everything at an instant has been taken: calls the monitors it concerns.
    fn settle(&mut self, at: i64) {
        while let Some(index) = self.blurred.pop() {
            let state = &mut self.signals[index];
            if state.sampled_at != at {
                state.present = Present { lo: state.last, hi: state.last, known: state.last_known };
                self.changed.push(index);
            }
        }
        while let Some(index) = self.changed.pop() {
            let state = &self.signals[index];
            let last = Present { lo: state.last, hi: state.last, known: state.last_known };
            if state.present != last && !self.blurred.contains(&index) {
                self.blurred.push(index);
            }
            for &(dependent, looks) in &state.dependents {
                self.monitors[dependent].changed |= looks;
                self.touched.push(dependent);
            }
        }
        if at < 0 {
            // Before the run only the values count, and the first instant looks at them all.
            self.touched.clear();
            return;
        }
        if self.next_due <= at {
            for (index, &due) in self.due.iter().enumerate() {
                if due <= at {
                    self.touched.push(index);
                }
            }
        }
        self.touched.sort_unstable();
        self.touched.dedup();
        let mut earliest_moved = false;
        for position in 0..self.touched.len() {
            earliest_moved |= self.call(self.touched[position], at);
        }
        self.touched.clear();
        if earliest_moved {
            self.next_due = self.due.iter().copied().min().unwrap_or(FOREVER);
        }
    }
}

impl SignalState {
    fn new(kind: SignalKind) -> Self {
        let range = kind.range();
        SignalState {
            range: (*range.start(), *range.end()),
            present: Present { lo: 0, hi: 0, known: false },
            last: 0,
            last_known: false,
            sampled_at: NEVER,
            unseen_until: NEVER,
            dependents: Vec::new(),
            given_at: NEVER,
            left_out_at: NEVER,
        }
    }

    /// Whether a sample repeats what is known, and nothing is waiting that could
    /// make it matter.
    #[inline]
    fn says_nothing_new(&self, value: i64, watermark: i64) -> bool {
        self.present == (Present { lo: value, hi: value, known: true })
            // Two of them between two watermarks could not both be put back.
            && self.given_at <= watermark
            && self.left_out_at <= watermark
    }

    /// Takes a sample; several at one instant make it everything between them.
    #[inline]
    fn sample(&mut self, at: i64, value: i64) {
        let known = self.range.0 <= value && value <= self.range.1;
        if self.sampled_at == at {
            self.present.lo = self.present.lo.min(value);
            self.present.hi = self.present.hi.max(value);
            self.present.known &= known;
        } else {
            self.present = Present { lo: value, hi: value, known };
        }
        self.sampled_at = at;
        self.last = value;
        self.last_known = known;
    }

    fn forget(&mut self) {
        self.present = Present { lo: 0, hi: 0, known: false };
        self.last = 0;
        self.last_known = false;
        self.sampled_at = NEVER;
    }
}

fn held(at: RigTime) -> i64 {
    at.as_micros().clamp(-FARTHEST, FARTHEST)
}

/// Every signal that an expectation looks at, and with which of its conditions.
fn looked_at(expectation: &Expectation) -> Vec<(SignalId, Looks)> {
    let mut signals = Vec::new();
    let mut look = |condition: &Condition, looks: Looks| {
        let mut found = Vec::new();
        signals_of(condition, &mut found);
        signals.extend(found.into_iter().map(|id| (id, looks)));
    };
    if let Scope::Whenever(condition) | Scope::WheneverIn { condition, .. } = &expectation.scope {
        look(condition, Looks::TRIGGER);
    }
    match &expectation.claim {
        Claim::Always(condition)
        | Claim::Never(condition)
        | Claim::Sometime(condition)
        | Claim::Within { condition, .. }
        | Claim::HoldsFor { condition, .. }
        | Claim::Times { condition, .. }
        | Claim::AtMostIn { condition, .. } => look(condition, Looks::CLAIM),
        Claim::Precedes { first, then } => {
            look(first, Looks::FIRST);
            look(then, Looks::CLAIM);
        }
        Claim::HeatCut { heat, .. } => look(&Condition::Is { signal: *heat, on: true }, Looks::CLAIM),
    }
    signals
}

//! One random expectation and one random run for it, all on a grid of ticks.

use dryfire_judge::naive::{self, Trace};
use dryfire_judge::{
    Claim, Comparison, Condition, Expectation, Finding, Instant, Judge, MomentId, Part, Scope, SignalId, SignalKind,
    SignalSpec, SignalTable,
};
use dryfire_units::{RigSpan, RigTime};

use crate::random::Random;

/// Moments `m` and `n`.
pub(crate) const MOMENTS: [&str; 2] = ["m", "n"];

/// A signal and its value at every tick.
pub(crate) struct Signal {
    pub(crate) name: String,
    pub(crate) kind: SignalKind,
    /// At the ticks 0, 1, 2, …
    pub(crate) values: Vec<i64>,
    /// Whether the judge gets a sample at every tick, or only where the value changes.
    sampled_always: bool,
}

/// One expectation and one run.
pub(crate) struct Case {
    /// Length of a tick in µs.
    pub(crate) tick: i64,
    pub(crate) signals: Vec<Signal>,
    /// Moments in the order of their ticks: index and tick.
    pub(crate) moments: Vec<(u16, i64)>,
    pub(crate) expectation: Expectation,
    /// Release time of every signal, in ticks.
    pub(crate) release: i64,
    /// Last tick that was observed.
    pub(crate) end: i64,
    pub(crate) cut_short: bool,
    /// Last instant that was observed, in µs after the last tick: less than a tick.
    beyond_end: i64,
    /// Whether every obligation is decided before the end, whatever happens.
    pub(crate) closed: bool,
    /// Ticks up to which the judge is told now and again that all was given.
    watermarks: Vec<i64>,
}

impl Case {
    pub(crate) fn random(seed: u64, index: u64) -> Case {
        let random = &mut Random::new(seed, index);
        let tick = random.pick(&[1, 1_000, 100_000, 7]);
        let closed = random.percent(65);
        let active = random.between(8, 40);
        let mut signals = signals(random, active);
        let release = if random.percent(30) { random.between(1, 3) } else { 0 };
        let scope = scope(random, &signals, active, tick);
        let claim = claim(random, &signals, release, tick);
        // Nothing changes in the tail, which is longer than any bound of the
        // claim; so nothing new is owed there, and what is owed falls due.
        let tail = if closed { longest(&claim) / tick + 1 } else { 0 };
        let end = active - 1 + tail;
        for signal in &mut signals {
            let last = signal.values[signal.values.len() - 1];
            signal.values.resize(end as usize + 1, last);
        }
        let latest = if closed { active - 1 } else { end + 2 };
        let moments = moments(random, &scope, latest, end, tick);
        let mut watermarks: Vec<i64> = (0..random.between(0, 6)).map(|_| random.between(0, end)).collect();
        watermarks.sort_unstable();
        // A hold of heat reaches to just before a tick, and what a logic over
        // samples takes a sample for is the whole tick.
        let whole = matches!(claim, Claim::HeatCut { .. });
        let beyond_end = if whole { tick - 1 } else { random.between(0, tick - 1) };
        Case {
            tick,
            signals,
            moments,
            expectation: Expectation { name: "it".to_owned(), scope, claim },
            release,
            end,
            beyond_end,
            cut_short: !closed && random.percent(50),
            closed,
            watermarks,
        }
    }

    fn at(&self, tick: i64) -> RigTime {
        RigTime::from_micros(tick * self.tick)
    }

    fn end(&self) -> RigTime {
        self.at(self.end) + RigSpan::from_micros(self.beyond_end)
    }

    fn table(&self) -> SignalTable {
        let mut table = SignalTable::default();
        for signal in &self.signals {
            table.add(SignalSpec {
                name: signal.name.clone(),
                kind: signal.kind,
                value_uncertainty: 0,
                model_error: 0,
                time_uncertainty: RigSpan::ZERO,
                release: RigSpan::from_micros(self.release * self.tick),
            });
        }
        table
    }

    /// Whether a signal is sampled at a tick: an edge always is.
    fn sample(signal: &Signal, tick: i64) -> Option<i64> {
        let now = signal.values[tick as usize];
        let before = if tick == 0 { None } else { Some(signal.values[tick as usize - 1]) };
        (signal.sampled_always || before != Some(now)).then_some(now)
    }

    /// What the judge finds, told tick by tick and with its watermarks.
    pub(crate) fn judged(&self) -> Finding {
        let moments = MOMENTS.map(str::to_owned).to_vec();
        let mut judge = Judge::new(self.table(), moments, vec![self.expectation.clone()])
            .expect("an expectation that can be judged");
        for tick in 0..=self.end {
            for (moment, _) in self.moments.iter().filter(|(_, at)| *at == tick) {
                judge.moment(MomentId(*moment), self.at(tick), RigSpan::ZERO);
            }
            for (signal, index) in self.signals.iter().zip(0..) {
                if let Some(value) = Case::sample(signal, tick) {
                    judge.observe(self.at(tick), SignalId(index), value);
                }
            }
            if self.watermarks.contains(&tick) {
                judge.advance(self.at(tick));
            }
        }
        let end = self.end();
        let findings = if self.cut_short { judge.finish_cut_short(end) } else { judge.finish(end) };
        findings.into_iter().next().expect("one expectation, one finding")
    }

    /// What the second judge finds.
    pub(crate) fn judged_again(&self) -> Finding {
        let mut trace = Trace::default();
        for (moment, tick) in &self.moments {
            trace.moment(MomentId(*moment), self.at(*tick), RigSpan::ZERO);
        }
        for (signal, index) in self.signals.iter().zip(0..) {
            for tick in 0..=self.end {
                if let Some(value) = Case::sample(signal, tick) {
                    trace.sample(self.at(tick), SignalId(index), value);
                }
            }
        }
        if self.cut_short {
            trace.cut_short();
        }
        let expectations = std::slice::from_ref(&self.expectation);
        let findings = naive::judge(&self.table(), expectations, &trace, self.end());
        findings.into_iter().next().expect("one expectation, one finding")
    }
}

/// One to three signals; the first is a switch, which heat has to be.
fn signals(random: &mut Random, ticks: i64) -> Vec<Signal> {
    let count = random.between(1, 3);
    (0..count)
        .map(|index| {
            let kind = if index == 0 || random.percent(40) {
                SignalKind::Switch
            } else {
                random.pick(&[
                    SignalKind::Temperature,
                    SignalKind::Difference,
                    SignalKind::Rate,
                    SignalKind::Duty,
                    SignalKind::Count,
                ])
            };
            // Values next to one another, or far apart.
            let step = random.pick(&[1, 333]);
            let change = random.pick(&[5, 15, 40]);
            let another = |random: &mut Random| match kind {
                SignalKind::Switch => random.between(0, 1),
                SignalKind::Temperature | SignalKind::Difference | SignalKind::Rate => random.between(-5, 5) * step,
                SignalKind::Duty | SignalKind::Count => random.between(0, 10) * step,
            };
            let mut value = another(random);
            let values = (0..ticks)
                .map(|_| {
                    if random.percent(change) {
                        value = if kind == SignalKind::Switch { 1 - value } else { another(random) };
                    }
                    value
                })
                .collect();
            Signal {
                name: format!("{}{index}", if kind == SignalKind::Switch { "h" } else { "x" }),
                kind,
                values,
                sampled_always: random.percent(50),
            }
        })
        .collect()
}

fn condition(random: &mut Random, signals: &[Signal], depth: i64) -> Condition {
    let inner = if depth == 0 { 0 } else { 40 };
    if random.percent(inner) {
        return match random.between(0, 2) {
            0 => Condition::Not(Box::new(condition(random, signals, depth - 1))),
            kind => {
                let parts = (0..random.between(2, 3)).map(|_| condition(random, signals, depth - 1)).collect();
                if kind == 1 { Condition::All(parts) } else { Condition::Any(parts) }
            }
        };
    }
    let index = random.between(0, signals.len() as i64 - 1);
    let signal = SignalId(index as u16);
    let own = &signals[index as usize];
    match own.kind {
        SignalKind::Switch => Condition::Is { signal, on: random.percent(50) },
        _ => {
            let comparisons = [Comparison::Below, Comparison::AtMost, Comparison::Above, Comparison::AtLeast];
            // Often exactly a value that comes, or one next to it.
            let limit = random.pick(&own.values) + random.between(-1, 1);
            Condition::Compare { signal, comparison: random.pick(&comparisons), limit }
        }
    }
}

fn instant(random: &mut Random, moment: u16, active: i64, tick: i64) -> Instant {
    let offset = if random.percent(25) { random.between(1, active / 4) } else { 0 };
    Instant { moment: MomentId(moment), offset: RigSpan::from_micros(offset * tick) }
}

fn scope(random: &mut Random, signals: &[Signal], active: i64, tick: i64) -> Scope {
    let (m, n) = (instant(random, 0, active, tick), instant(random, 1, active, tick));
    match random.between(0, 8) {
        0 => Scope::Throughout,
        1 => Scope::Before(m),
        2 => Scope::After(m),
        3 => Scope::Between(m, n),
        4 => Scope::AfterUntil(m, n),
        5 | 6 => {
            let parts = [Part::Before(m), Part::After(m), Part::Between(m, n), Part::AfterUntil(m, n)];
            Scope::WheneverIn { part: random.pick(&parts), condition: condition(random, signals, 1) }
        }
        _ => Scope::Whenever(condition(random, signals, 1)),
    }
}

fn claim(random: &mut Random, signals: &[Signal], release: i64, tick: i64) -> Claim {
    let condition = condition(random, signals, 2);
    let span = |ticks: i64| RigSpan::from_micros(ticks * tick);
    match random.between(0, 9) {
        0 => Claim::Always(condition),
        1 => Claim::Never(condition),
        2 => Claim::Sometime(condition),
        3 => Claim::HoldsFor { span: span(random.between(0, 10)), condition },
        4 => {
            let at_least = random.between(0, 2) as u32;
            let at_most = at_least + random.between(0, 2) as u32;
            Claim::Times { at_least, at_most, condition }
        }
        5 => Claim::HeatCut {
            heat: SignalId(0),
            limit: span(release + random.between(0, 12)),
            hold: span(random.between(1, 8)),
        },
        6 => Claim::AtMostIn { at_most: random.between(1, 3) as u32, window: span(random.between(1, 12)), condition },
        7 => Claim::Precedes { first: self::condition(random, signals, 1), then: condition },
        _ => Claim::Within { limit: span(release + random.between(0, 12)), condition },
    }
}

/// No instant later than this after an opening matters to the claim, in µs.
fn longest(claim: &Claim) -> i64 {
    match claim {
        Claim::Always(_) | Claim::Never(_) | Claim::Sometime(_) | Claim::Times { .. } => 0,
        Claim::HoldsFor { span, .. } => span.as_micros(),
        Claim::Within { limit, .. } => limit.as_micros(),
        Claim::HeatCut { limit, hold, .. } => limit.as_micros() + hold.as_micros(),
        // These are decided by what was seen up to the end.
        Claim::AtMostIn { .. } | Claim::Precedes { .. } => 0,
    }
}

/// Moments such that no instant named by the scope is later than `latest`.
fn moments(random: &mut Random, scope: &Scope, latest: i64, end: i64, tick: i64) -> Vec<(u16, i64)> {
    let (opening, closing) = match scope {
        Scope::Throughout | Scope::Whenever(_) => (None, None),
        Scope::Before(to) | Scope::WheneverIn { part: Part::Before(to), .. } => (None, Some(to)),
        Scope::After(from) | Scope::WheneverIn { part: Part::After(from), .. } => (Some(from), None),
        Scope::Between(from, to)
        | Scope::AfterUntil(from, to)
        | Scope::WheneverIn { part: Part::Between(from, to) | Part::AfterUntil(from, to), .. } => {
            (Some(from), Some(to))
        }
    };
    let mut moments = Vec::new();
    for instant in [opening, closing].into_iter().flatten() {
        let offset = instant.offset.as_micros() / tick;
        let count = if random.percent(8) { 0 } else { random.between(1, 3) };
        for _ in 0..count {
            let last = (latest - offset).min(end);
            if last >= 0 {
                moments.push((instant.moment.0, random.between(0, last)));
            }
        }
    }
    moments.sort_by_key(|(_, at)| *at);
    moments
}

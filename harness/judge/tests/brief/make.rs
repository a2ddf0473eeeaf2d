//! Random expectations and traces, and the ways to give them to a judge.

use dryfire_judge::naive::{self, Trace};
use dryfire_judge::{
    Claim, Comparison, Condition, Expectation, Finding, Instant, Judge, MomentId, Part, Scope, SignalId, SignalKind,
    SignalSpec, SignalTable, Verdict,
};
use dryfire_units::{RigSpan, RigTime};

/// Two switches, then a temperature and a rate.
const KINDS: [SignalKind; 4] = [SignalKind::Switch, SignalKind::Switch, SignalKind::Temperature, SignalKind::Rate];
const MOMENTS: i64 = 2;
/// Runs end at most here (µs).
const LONGEST: i64 = 30;

/// Numbers that nobody sees coming (Steele, Lea and Flood, "Fast splittable
/// pseudorandom number generators", 2014: SplitMix64).
pub(crate) struct Chance(u64);

impl Chance {
    pub(crate) fn new(seed: u64) -> Self {
        Chance(seed)
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut bits = self.0;
        bits = (bits ^ (bits >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        bits = (bits ^ (bits >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        bits ^ (bits >> 31)
    }

    /// One of `from` up to just before `to`.
    fn within(&mut self, from: i64, to: i64) -> i64 {
        from + (self.next() % (to - from) as u64) as i64
    }

    fn once_in(&mut self, times: i64) -> bool {
        self.within(0, times) == 0
    }

    fn switch(&mut self) -> SignalId {
        SignalId(self.within(0, 2) as u16)
    }

    fn span(&mut self, from: i64, to: i64) -> RigSpan {
        span(self.within(from, to))
    }
}

#[derive(Clone, Copy, Debug)]
enum Input {
    Sample { at: i64, signal: u16, value: i64 },
    Gap { at: i64, signal: u16, length: i64 },
    Moment { at: i64, moment: u16, uncertainty: i64 },
}

impl Input {
    fn at(self) -> i64 {
        match self {
            Input::Sample { at, .. } | Input::Gap { at, .. } | Input::Moment { at, .. } => at,
        }
    }
}

/// One run to be judged.
#[derive(Debug)]
pub(crate) struct Case {
    table: SignalTable,
    expectation: Expectation,
    /// In the order of their instants.
    inputs: Vec<Input>,
    end: i64,
    cut_short: bool,
    once: bool,
}

fn time(micros: i64) -> RigTime {
    RigTime::from_micros(micros)
}

fn span(micros: i64) -> RigSpan {
    RigSpan::from_micros(micros)
}

fn condition(chance: &mut Chance, depth: u32) -> Condition {
    let parts = |chance: &mut Chance| (0..chance.within(1, 3)).map(|_| condition(chance, depth - 1)).collect();
    match if depth == 0 { 9 } else { chance.within(0, 10) } {
        0 => Condition::Not(Box::new(condition(chance, depth - 1))),
        1 => Condition::All(parts(chance)),
        2 => Condition::Any(parts(chance)),
        _ if chance.within(0, 5) < 3 => Condition::Is { signal: chance.switch(), on: chance.once_in(2) },
        _ => {
            let comparison = match chance.within(0, 4) {
                0 => Comparison::Below,
                1 => Comparison::AtMost,
                2 => Comparison::Above,
                _ => Comparison::AtLeast,
            };
            let signal = SignalId(chance.within(2, 4) as u16);
            Condition::Compare { signal, comparison, limit: chance.within(-3, 4) }
        }
    }
}

fn instant(chance: &mut Chance) -> Instant {
    let offset = if chance.once_in(4) { chance.span(0, 8) } else { RigSpan::ZERO };
    Instant { moment: MomentId(chance.within(0, MOMENTS) as u16), offset }
}

fn scope(chance: &mut Chance) -> Scope {
    match chance.within(0, 17) {
        0..2 => Scope::Throughout,
        2..4 => Scope::Before(instant(chance)),
        4..8 => Scope::After(instant(chance)),
        8..10 => Scope::Between(instant(chance), instant(chance)),
        10..12 => Scope::AfterUntil(instant(chance), instant(chance)),
        12..14 => Scope::Whenever(condition(chance, 1)),
        _ => {
            let part = match chance.within(0, 4) {
                0 => Part::Before(instant(chance)),
                1 => Part::After(instant(chance)),
                2 => Part::Between(instant(chance), instant(chance)),
                _ => Part::AfterUntil(instant(chance), instant(chance)),
            };
            Scope::WheneverIn { part, condition: condition(chance, 1) }
        }
    }
}

/// Releases are at most 3, so limits from there on can be met.
fn claim(chance: &mut Chance) -> Claim {
    let about = condition(chance, 2);
    match chance.within(0, 9) {
        0 => Claim::Always(about),
        1 => Claim::Never(about),
        2 => Claim::Sometime(about),
        3 => Claim::HoldsFor { span: chance.span(0, 12), condition: about },
        4 => {
            let at_least = chance.within(0, 3) as u32;
            Claim::Times { at_least, at_most: at_least + chance.within(0, 3) as u32, condition: about }
        }
        5 => Claim::Within { limit: chance.span(3, 14), condition: about },
        6 => Claim::HeatCut { heat: chance.switch(), limit: chance.span(3, 14), hold: chance.span(1, 8) },
        7 => {
            let at_most = chance.within(1, 3) as u32;
            Claim::AtMostIn { at_most, window: chance.span(1, 14), condition: about }
        }
        _ => Claim::Precedes { first: about, then: condition(chance, 1) },
    }
}

/// How long the trigger lasts is what is claimed.
fn about_the_trigger(scope: &mut Scope, claim: &Claim) {
    if let Scope::Whenever(trigger) | Scope::WheneverIn { condition: trigger, .. } = scope {
        match claim {
            Claim::HoldsFor { condition, .. } => *trigger = condition.clone(),
            Claim::Within { condition: Condition::Is { signal, on }, .. } => {
                *trigger = Condition::Is { signal: *signal, on: !on };
            }
            Claim::Within { condition: Condition::Not(inner), .. } => *trigger = (**inner).clone(),
            Claim::Within { condition, .. } => *trigger = Condition::Not(Box::new(condition.clone())),
            _ => {}
        }
    }
}

fn input(chance: &mut Chance) -> Input {
    let at = chance.within(-2, LONGEST + 3);
    let any = |chance: &mut Chance| chance.within(0, KINDS.len() as i64) as u16;
    match chance.within(0, 24) {
        0..10 => Input::Sample { at, signal: chance.switch().0, value: chance.within(0, 2) },
        10..18 => Input::Sample { at, signal: chance.within(2, 4) as u16, value: chance.within(-6, 7) },
        18 => {
            let value = [-1, 2, 9_000_000][chance.within(0, 3) as usize];
            Input::Sample { at, signal: any(chance), value }
        }
        19 => Input::Gap { at, signal: any(chance), length: chance.within(0, 6) },
        _ => {
            let uncertainty = if chance.once_in(4) { chance.within(0, 4) } else { 0 };
            Input::Moment { at, moment: chance.within(0, MOMENTS) as u16, uncertainty }
        }
    }
}

impl Case {
    pub(crate) fn random(chance: &mut Chance) -> Case {
        let mut table = SignalTable::default();
        for kind in KINDS {
            let mut known = [0; 4];
            if chance.within(0, 5) < 2 {
                known = [chance.within(0, 3), chance.within(0, 3), chance.within(0, 4), chance.within(0, 4)];
            }
            if kind == SignalKind::Switch {
                known[..2].fill(0);
            }
            let [value_uncertainty, model_error, edge, release] = known;
            let (time_uncertainty, release) = (span(edge), span(release));
            let name = format!("{kind:?}");
            table.add(SignalSpec { name, kind, value_uncertainty, model_error, time_uncertainty, release });
        }
        let (mut scope, claim) = (scope(chance), claim(chance));
        if chance.once_in(5) {
            about_the_trigger(&mut scope, &claim);
        }
        let mut inputs = Vec::new();
        // Mostly everything is known from the beginning.
        if !chance.once_in(6) {
            for (signal, kind) in KINDS.iter().enumerate() {
                let value = if *kind == SignalKind::Switch { chance.within(0, 2) } else { chance.within(-5, 6) };
                inputs.push(Input::Sample { at: 0, signal: signal as u16, value });
            }
        }
        let mut more = 14;
        // A switch that goes on and off with little else in between.
        if chance.once_in(3) {
            let (signal, mut at) = (chance.switch().0, 0);
            for edge in 0..chance.within(4, 12) {
                at += chance.within(1, 7);
                inputs.push(Input::Sample { at, signal, value: 1 - edge % 2 });
            }
            more = 5;
        }
        inputs.extend((0..chance.within(0, more)).map(|_| input(chance)));
        inputs.sort_by_key(|input| input.at());
        Case {
            table,
            expectation: Expectation { name: "it".to_owned(), scope, claim },
            inputs,
            end: chance.within(-1, LONGEST + 1),
            cut_short: chance.once_in(10),
            once: chance.once_in(2),
        }
    }

    fn judge(&self) -> Judge {
        let moments = (0..MOMENTS).map(|moment| format!("moment {moment}")).collect();
        Judge::new(self.table.clone(), moments, vec![self.expectation.clone()]).expect("a case that can be judged")
    }

    fn give(judge: &mut Judge, input: Input) {
        match input {
            Input::Sample { at, signal, value } => judge.observe(time(at), SignalId(signal), value),
            Input::Gap { at, signal, length } => judge.gap(SignalId(signal), time(at), time(at + length)),
            Input::Moment { at, moment, uncertainty } => judge.moment(MomentId(moment), time(at), span(uncertainty)),
        }
    }

    fn end(&self, judge: &mut Judge, at: i64) -> Finding {
        let findings = if self.cut_short { judge.finish_cut_short(time(at)) } else { judge.finish(time(at)) };
        findings.into_iter().next().expect("one expectation, one finding")
    }

    /// Everything at once.
    pub(crate) fn at_once(&self) -> Finding {
        let mut judge = self.judge();
        self.inputs.iter().for_each(|input| Case::give(&mut judge, *input));
        self.end(&mut judge, self.end)
    }

    /// In portions of an instant each; and what was said early, at which instant.
    pub(crate) fn in_steps(&self) -> (Finding, Option<(Finding, i64)>) {
        // No more than one of each moment comes, or it is not promised.
        let count = |number: u16| {
            self.inputs
                .iter()
                .filter(|input| matches!(input, Input::Moment { moment, .. } if *moment == number))
                .count()
        };
        let once = self.once && (0..MOMENTS as u16).all(|moment| count(moment) <= 1);
        let mut judge = if once { self.judge().with_moments_that_come_once() } else { self.judge() };
        let mut rest = self.inputs.as_slice();
        let mut early = None;
        for now in -3..=self.end {
            let here = rest.partition_point(|input| input.at() <= now);
            let (given, later) = rest.split_at(here);
            given.iter().for_each(|input| Case::give(&mut judge, *input));
            rest = later;
            judge.advance(time(now));
            if let Some(finding) = judge.poll_decided() {
                assert_eq!(early, None, "it is said once");
                early = Some((finding, now));
            }
        }
        (self.end(&mut judge, self.end), early)
    }

    /// What the second judge finds up to an instant at which the run is cut short.
    pub(crate) fn known_at(&self, at: i64) -> Verdict {
        let mut trace = self.trace(at);
        trace.cut_short();
        self.second(&trace, at).verdict
    }

    /// The last instant that is observed.
    pub(crate) fn last(&self) -> i64 {
        self.end
    }

    /// Whether nothing but the end of the run ends the scope.
    pub(crate) fn nothing_ends_it(&self) -> bool {
        let scope = &self.expectation.scope;
        matches!(
            scope,
            Scope::Throughout | Scope::After(_) | Scope::Whenever(_) | Scope::WheneverIn { part: Part::After(_), .. }
        )
    }

    fn trace(&self, until: i64) -> Trace {
        let mut trace = Trace::default();
        for input in self.inputs.iter().filter(|input| input.at() <= until) {
            match *input {
                Input::Sample { at, signal, value } => trace.sample(time(at), SignalId(signal), value),
                Input::Gap { at, signal, length } => trace.gap(SignalId(signal), time(at), time(at + length)),
                Input::Moment { at, moment, uncertainty } => {
                    trace.moment(MomentId(moment), time(at), span(uncertainty));
                }
            }
        }
        trace
    }

    fn second(&self, trace: &Trace, end: i64) -> Finding {
        let findings = naive::judge(&self.table, std::slice::from_ref(&self.expectation), trace, time(end));
        findings.into_iter().next().expect("one expectation, one finding")
    }

    pub(crate) fn by_the_second_judge(&self) -> Finding {
        let mut trace = self.trace(i64::MAX);
        if self.cut_short {
            trace.cut_short();
        }
        self.second(&trace, self.end)
    }

    /// In a few portions, some of what lies behind a watermark before it, and within
    /// each in another order: signals and moments turned round, each one's own inputs
    /// as they were.
    pub(crate) fn in_portions(&self, chance: &mut Chance) -> Finding {
        let mut judge = self.judge();
        let mut rest = self.inputs.as_slice();
        let mut now = -3;
        while now < self.end {
            now = (now + chance.within(1, 12)).min(self.end);
            let ahead = if chance.once_in(2) { chance.within(0, 12) } else { 0 };
            let (given, later) = rest.split_at(rest.partition_point(|input| input.at() <= now + ahead));
            rest = later;
            let mut given = given.to_vec();
            let turn = chance.within(1, 9);
            given.sort_by_key(|input| match *input {
                Input::Moment { moment, .. } => turn * i64::from(moment) % 7,
                Input::Gap { signal, .. } => turn * i64::from(signal + 3) % 7,
                Input::Sample { signal, .. } => turn * i64::from(signal + 3) % 7,
            });
            given.into_iter().for_each(|input| Case::give(&mut judge, input));
            if chance.once_in(2) {
                judge.advance(time(now));
            }
        }
        rest.iter().for_each(|input| Case::give(&mut judge, *input));
        self.end(&mut judge, self.end)
    }
}

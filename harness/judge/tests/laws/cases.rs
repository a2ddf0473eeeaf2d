//! Random expectations and traces, small enough to be read when one fails.

use std::fmt;

use dryfire_judge::naive::{self, Trace};
use dryfire_judge::{
    Claim, Comparison, Condition, Expectation, Finding, Instant, Judge, MomentId, Part, Scope, SignalId, SignalKind,
    SignalSpec, SignalTable,
};
use dryfire_units::{RigSpan, RigTime};
use proptest::prelude::*;
use proptest::test_runner::{Config, RngSeed};

/// Two switches, then a temperature and a rate.
pub(crate) const SIGNALS: u16 = 4;
pub(crate) const MOMENTS: u16 = 2;
/// Runs end at most here (µs).
pub(crate) const LONGEST: i64 = 30;

/// So many cases with a fixed seed, or as many as `LAW_CASES` asks for if that
/// is more. The first ones are the same.
#[expect(clippy::disallowed_methods, reason = "a test reads how thorough it is to be")]
pub(crate) fn config(cases: u32, seed: u64) -> Config {
    let asked = std::env::var("LAW_CASES").map_or(0, |asked| asked.parse().expect("LAW_CASES is a whole number"));
    Config {
        cases: cases.max(asked),
        rng_seed: RngSeed::Fixed(seed),
        failure_persistence: None,
        max_shrink_iters: 100_000,
        ..Config::default()
    }
}

#[derive(Clone, Copy, PartialEq, Eq)]
pub(crate) enum Input {
    Sample { at: i64, signal: u16, value: i64 },
    Gap { at: i64, signal: u16, length: i64 },
    Moment { at: i64, moment: u16, uncertainty: i64 },
}

impl Input {
    pub(crate) fn at(self) -> i64 {
        match self {
            Input::Sample { at, .. } | Input::Gap { at, .. } | Input::Moment { at, .. } => at,
        }
    }
}

impl fmt::Debug for Input {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Input::Sample { at, signal, value } => write!(f, "at {at} signal {signal} is {value}"),
            Input::Gap { at, signal, length } => write!(f, "at {at} signal {signal} unseen for {length}"),
            Input::Moment { at, moment, uncertainty } => write!(f, "at {at} moment {moment} (±{uncertainty})"),
        }
    }
}

/// One run to be judged.
#[derive(Clone)]
pub(crate) struct Case {
    pub(crate) specs: Vec<(i64, i64, i64, i64)>,
    pub(crate) expectation: Expectation,
    /// In the order of their instants.
    pub(crate) inputs: Vec<Input>,
    pub(crate) end: i64,
    pub(crate) cut_short: bool,
}

pub(crate) fn time(micros: i64) -> RigTime {
    RigTime::from_micros(micros)
}

pub(crate) fn span(micros: i64) -> RigSpan {
    RigSpan::from_micros(micros)
}

impl fmt::Debug for Case {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "scope {:?}", self.expectation.scope)?;
        writeln!(f, "claim {:?}", self.expectation.claim)?;
        for (index, (value, model, time, release)) in self.specs.iter().enumerate() {
            if (*value, *model, *time, *release) != (0, 0, 0, 0) {
                writeln!(f, "signal {index} ±{value} model ±{model} edges ±{time} release {release}")?;
            }
        }
        for input in &self.inputs {
            writeln!(f, "{input:?}")?;
        }
        write!(f, "end {}{}", self.end, if self.cut_short { ", cut short" } else { "" })
    }
}

impl Case {
    pub(crate) fn table(&self) -> SignalTable {
        let mut table = SignalTable::default();
        for (index, (value_uncertainty, model_error, time_uncertainty, release)) in self.specs.iter().enumerate() {
            let switch = index < 2;
            table.add(SignalSpec {
                name: format!("{}{index}", if switch { "switch" } else { "level" }),
                kind: [SignalKind::Switch, SignalKind::Switch, SignalKind::Temperature, SignalKind::Rate][index],
                value_uncertainty: if switch { 0 } else { *value_uncertainty },
                model_error: if switch { 0 } else { *model_error },
                time_uncertainty: span(*time_uncertainty),
                release: span(*release),
            });
        }
        table
    }

    pub(crate) fn judge(&self) -> Judge {
        let moments = (0..MOMENTS).map(|moment| format!("moment {moment}")).collect();
        Judge::new(self.table(), moments, vec![self.expectation.clone()]).expect("a case that can be judged")
    }

    pub(crate) fn give(judge: &mut Judge, input: Input) {
        match input {
            Input::Sample { at, signal, value } => judge.observe(time(at), SignalId(signal), value),
            Input::Gap { at, signal, length } => judge.gap(SignalId(signal), time(at), time(at + length)),
            Input::Moment { at, moment, uncertainty } => judge.moment(MomentId(moment), time(at), span(uncertainty)),
        }
    }

    pub(crate) fn finish(&self, judge: &mut Judge) -> Finding {
        let findings =
            if self.cut_short { judge.finish_cut_short(time(self.end)) } else { judge.finish(time(self.end)) };
        findings.into_iter().next().expect("one expectation, one finding")
    }

    /// The first judge, told everything at once.
    pub(crate) fn first(&self) -> Finding {
        let mut judge = self.judge();
        for input in &self.inputs {
            Case::give(&mut judge, *input);
        }
        self.finish(&mut judge)
    }

    /// The second judge.
    pub(crate) fn second(&self) -> Finding {
        let mut trace = Trace::default();
        for input in &self.inputs {
            match *input {
                Input::Sample { at, signal, value } => trace.sample(time(at), SignalId(signal), value),
                Input::Gap { at, signal, length } => trace.gap(SignalId(signal), time(at), time(at + length)),
                Input::Moment { at, moment, uncertainty } => {
                    trace.moment(MomentId(moment), time(at), span(uncertainty));
                }
            }
        }
        if self.cut_short {
            trace.cut_short();
        }
        let findings = naive::judge(&self.table(), std::slice::from_ref(&self.expectation), &trace, time(self.end));
        findings.into_iter().next().expect("one expectation, one finding")
    }
}

pub(crate) fn condition() -> impl Strategy<Value = Condition> {
    let comparison = prop_oneof![
        Just(Comparison::Below),
        Just(Comparison::AtMost),
        Just(Comparison::Above),
        Just(Comparison::AtLeast)
    ];
    let leaf = prop_oneof![
        3 => (0..2_u16, any::<bool>()).prop_map(|(signal, on)| Condition::Is { signal: SignalId(signal), on }),
        2 => (2..SIGNALS, comparison, -3..4_i64)
            .prop_map(|(signal, comparison, limit)| Condition::Compare { signal: SignalId(signal), comparison, limit }),
    ];
    leaf.prop_recursive(2, 4, 2, |inner| {
        prop_oneof![
            inner.clone().prop_map(|inner| Condition::Not(Box::new(inner))),
            prop::collection::vec(inner.clone(), 1..3).prop_map(Condition::All),
            prop::collection::vec(inner, 1..3).prop_map(Condition::Any),
        ]
    })
}

fn instant() -> impl Strategy<Value = Instant> {
    (0..MOMENTS, prop_oneof![3 => Just(0_i64), 1 => 0..8_i64])
        .prop_map(|(moment, offset)| Instant { moment: MomentId(moment), offset: span(offset) })
}

pub(crate) fn scope() -> impl Strategy<Value = Scope> {
    prop_oneof![
        2 => Just(Scope::Throughout),
        2 => instant().prop_map(Scope::Before),
        4 => instant().prop_map(Scope::After),
        2 => (instant(), instant()).prop_map(|(from, to)| Scope::Between(from, to)),
        2 => (instant(), instant()).prop_map(|(from, to)| Scope::AfterUntil(from, to)),
        2 => condition().prop_map(Scope::Whenever),
        3 => (part(), condition()).prop_map(|(part, condition)| Scope::WheneverIn { part, condition }),
    ]
}

fn part() -> impl Strategy<Value = Part> {
    prop_oneof![
        instant().prop_map(Part::Before),
        instant().prop_map(Part::After),
        (instant(), instant()).prop_map(|(from, to)| Part::Between(from, to)),
        (instant(), instant()).prop_map(|(from, to)| Part::AfterUntil(from, to)),
    ]
}

/// Releases are at most 3, so limits from there on can be met.
pub(crate) fn claim() -> impl Strategy<Value = Claim> {
    prop_oneof![
        condition().prop_map(Claim::Always),
        condition().prop_map(Claim::Never),
        condition().prop_map(Claim::Sometime),
        (0..12_i64, condition()).prop_map(|(length, condition)| Claim::HoldsFor { span: span(length), condition }),
        (0..3_u32, 0..3_u32, condition()).prop_map(|(at_least, more, condition)| Claim::Times {
            at_least,
            at_most: at_least + more,
            condition
        }),
        (3..14_i64, condition()).prop_map(|(limit, condition)| Claim::Within { limit: span(limit), condition }),
        (3..14_i64, 1..8_i64, 0..2_u16).prop_map(|(limit, hold, heat)| Claim::HeatCut {
            heat: SignalId(heat),
            limit: span(limit),
            hold: span(hold)
        }),
        (1..3_u32, 1..14_i64, condition()).prop_map(|(at_most, window, condition)| Claim::AtMostIn {
            at_most,
            window: span(window),
            condition
        }),
        (condition(), condition()).prop_map(|(first, then)| Claim::Precedes { first, then }),
    ]
}

/// Now and then, how long the trigger lasts is what is claimed.
fn about_the_trigger(mut scope: Scope, claim: &Claim) -> Scope {
    if let Scope::Whenever(trigger) | Scope::WheneverIn { condition: trigger, .. } = &mut scope {
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
    scope
}

fn input() -> impl Strategy<Value = Input> {
    let at = -2..LONGEST + 3;
    prop_oneof![
        10 => (at.clone(), 0..2_u16, 0..2_i64).prop_map(|(at, signal, value)| Input::Sample { at, signal, value }),
        8 => (at.clone(), 2..SIGNALS, -6..7_i64).prop_map(|(at, signal, value)| Input::Sample { at, signal, value }),
        1 => (at.clone(), 0..SIGNALS, prop_oneof![Just(-1_i64), Just(2), Just(9_000_000)])
            .prop_map(|(at, signal, value)| Input::Sample { at, signal, value }),
        1 => (at.clone(), 0..SIGNALS, 0..6_i64).prop_map(|(at, signal, length)| Input::Gap { at, signal, length }),
        4 => (at, 0..MOMENTS, prop_oneof![3 => Just(0_i64), 1 => 0..4_i64])
            .prop_map(|(at, moment, uncertainty)| Input::Moment { at, moment, uncertainty }),
    ]
}

/// A trace: mostly with every signal known from the beginning, so that more
/// than the absence of everything is judged.
pub(crate) fn inputs() -> impl Strategy<Value = Vec<Input>> {
    let start = prop_oneof![
        5 => (0..2_i64, 0..2_i64, -5..6_i64, -5..6_i64).prop_map(|(a, b, c, d)| {
            [a, b, c, d]
                .into_iter()
                .zip(0..SIGNALS)
                .map(|(value, signal)| Input::Sample { at: 0, signal, value })
                .collect()
        }),
        1 => Just(Vec::new()),
    ];
    // A switch that goes on and off without anything else in between.
    let lively = prop_oneof![
        2 => Just(Vec::new()),
        1 => (0..2_u16, prop::collection::vec(1..7_i64, 4..12)).prop_map(|(signal, lengths)| {
            let mut at = 0;
            let edges = lengths.into_iter().zip([1, 0].into_iter().cycle());
            edges.map(|(length, value)| { at += length; Input::Sample { at, signal, value } }).collect()
        }),
    ];
    let inputs = (start, lively, prop::collection::vec(input(), 0..14));
    inputs.prop_map(|(mut inputs, lively, mut more): (Vec<Input>, Vec<Input>, _)| {
        if !lively.is_empty() {
            more.truncate(4);
        }
        inputs.extend(lively);
        inputs.extend(more);
        inputs.sort_by_key(|input| input.at());
        inputs
    })
}

pub(crate) fn specs() -> impl Strategy<Value = Vec<(i64, i64, i64, i64)>> {
    let spec = prop_oneof![
        3 => Just((0, 0, 0, 0)),
        2 => (0..3_i64, 0..3_i64, 0..4_i64, 0..4_i64),
    ];
    prop::collection::vec(spec, usize::from(SIGNALS))
}

pub(crate) fn case() -> impl Strategy<Value = Case> {
    case_of(claim())
}

/// A trigger that goes on and off about where the part begins in which it
/// counts, with nothing known exactly.
pub(crate) fn case_at_the_edge() -> impl Strategy<Value = Case> {
    let trigger = Condition::Is { signal: SignalId(0), on: true };
    let edges = prop::collection::vec((5..20_i64, 0..2_i64), 1..5);
    let moments = (8..13_i64, 0..4_i64, 12..30_i64, 0..4_i64);
    (case_of(claim()), part(), 1..4_i64, edges, moments).prop_map(
        move |(mut case, part, edge, edges, (begin, before, end, after))| {
            case.expectation.scope = Scope::WheneverIn { part, condition: trigger.clone() };
            case.specs[0].2 = edge;
            case.inputs.retain(|input| match input {
                Input::Sample { signal, .. } | Input::Gap { signal, .. } => *signal != 0,
                Input::Moment { .. } => false,
            });
            case.inputs.push(Input::Sample { at: 0, signal: 0, value: 1 });
            case.inputs.extend(edges.into_iter().map(|(at, value)| Input::Sample { at, signal: 0, value }));
            case.inputs.push(Input::Moment { at: begin, moment: 0, uncertainty: before });
            case.inputs.push(Input::Moment { at: end, moment: 1, uncertainty: after });
            case.inputs.sort_by_key(|input| input.at());
            case
        },
    )
}

pub(crate) fn case_of(claim: impl Strategy<Value = Claim>) -> impl Strategy<Value = Case> {
    let flags = (prop::bool::weighted(0.1), prop::bool::weighted(0.2));
    (specs(), scope(), claim, inputs(), -1..=LONGEST, flags).prop_map(
        |(specs, scope, claim, inputs, end, (cut_short, duration))| {
            let scope = if duration { about_the_trigger(scope, &claim) } else { scope };
            let expectation = Expectation { name: "it".to_owned(), scope, claim };
            Case { specs, expectation, inputs, end, cut_short }
        },
    )
}

//! What a sample costs where a response is awaited, and what a watermark costs
//! while nothing happens.

use std::hint::black_box;

use criterion::{BatchSize, Criterion, Throughput, criterion_group, criterion_main};
use dryfire_judge::{
    Claim, Comparison, Condition, Expectation, Instant, Judge, MomentId, Scope, SignalId, SignalKind, SignalSpec,
    SignalTable,
};
use dryfire_units::{RigSpan, RigTime};

const SAMPLES: i64 = 1_000_000;
const STEP: i64 = 100_000;

fn table(switches: u16, levels: u16) -> SignalTable {
    let mut table = SignalTable::default();
    for index in 0..switches + levels {
        let switch = index < switches;
        table.add(SignalSpec {
            name: format!("signal {index}"),
            kind: if switch { SignalKind::Switch } else { SignalKind::Temperature },
            value_uncertainty: if switch { 0 } else { 500 },
            model_error: 0,
            time_uncertainty: RigSpan::ZERO,
            release: RigSpan::ZERO,
        });
    }
    table
}

fn is_on(signal: u16) -> Condition {
    Condition::Is { signal: SignalId(signal), on: true }
}

/// `always (p -> eventually[0, window] q)`, the obligation beginning where p comes true.
fn response(window: RigSpan, q: Condition, table: &SignalTable) -> Judge {
    let expectation = Expectation {
        name: "response".to_owned(),
        scope: Scope::Whenever(is_on(0)),
        claim: Claim::Within { limit: window, condition: q },
    };
    Judge::new(table.clone(), Vec::new(), vec![expectation]).expect("sound")
}

/// One value for each instant, of the trigger and of the answer by turns.
fn inputs(kind: &str) -> Vec<(RigTime, SignalId, i64)> {
    (0..SAMPLES)
        .map(|index| {
            let at = RigTime::from_micros(index * STEP);
            let (signal, value) = match kind {
                // Every second sample is the trigger's; the answer comes two samples later.
                "prompt" => {
                    if index % 2 == 0 {
                        (0, (index / 2) % 2)
                    } else {
                        (1, (index / 2 + 1) % 2)
                    }
                }
                // The answer comes once in four seconds, many triggers wait for it.
                "gathered" => {
                    if index % 2 == 0 {
                        (0, (index / 2) % 2)
                    } else {
                        (1, i64::from(index % 40 == 1))
                    }
                }
                // The trigger stays, and a level climbs towards its limit.
                "ramp" => (2, index % 50),
                _ => unreachable!("no such input"),
            };
            (at, SignalId(signal), value)
        })
        .collect()
}

fn responses(criterion: &mut Criterion) {
    let table = table(2, 1);
    let mut group = criterion.benchmark_group("response");
    group.throughput(Throughput::Elements(SAMPLES as u64)).sample_size(10);
    for kind in ["prompt", "gathered", "ramp"] {
        let inputs = inputs(kind);
        for seconds in [5, 5_000] {
            let q = if kind == "ramp" {
                Condition::Compare { signal: SignalId(2), comparison: Comparison::AtLeast, limit: 49 }
            } else {
                is_on(1)
            };
            group.bench_function(format!("{kind} within {seconds} s"), |bencher| {
                bencher.iter_batched(
                    || response(RigSpan::from_seconds(seconds), q.clone(), &table),
                    |mut judge| {
                        for (at, signal, value) in &inputs {
                            judge.observe(*at, *signal, *value);
                            judge.advance(*at);
                        }
                        black_box(judge.finish(RigTime::from_micros(SAMPLES * STEP)))
                    },
                    BatchSize::PerIteration,
                );
            });
        }
    }
    group.finish();
}

/// Ten expectations as a scenario has them, over nine switches and three levels.
fn ten() -> Judge {
    let after = |moment| Scope::After(Instant { moment: MomentId(moment), offset: RigSpan::ZERO });
    let below = |signal, limit| Condition::Compare { signal: SignalId(signal), comparison: Comparison::Below, limit };
    let cut = Claim::HeatCut { heat: SignalId(0), limit: RigSpan::from_seconds(10), hold: RigSpan::from_seconds(60) };
    let claims = [
        (after(0), cut.clone()),
        (after(1), cut),
        (after(0), Claim::Never(is_on(1))),
        (after(1), Claim::Never(is_on(2))),
        (Scope::Throughout, Claim::Always(below(9, 1_300_000))),
        (Scope::Throughout, Claim::Always(below(10, 1_300_000))),
        (Scope::Throughout, Claim::Always(below(11, 1_300_000))),
        (after(0), Claim::Within { limit: RigSpan::from_seconds(30), condition: is_on(3) }),
        (Scope::Throughout, Claim::Sometime(is_on(4))),
        (Scope::Before(Instant { moment: MomentId(1), offset: RigSpan::ZERO }), Claim::Never(is_on(5))),
    ];
    let expectations = claims
        .into_iter()
        .enumerate()
        .map(|(index, (scope, claim))| Expectation { name: format!("expectation {index}"), scope, claim })
        .collect();
    let mut judge = Judge::new(table(9, 3), vec!["one".to_owned(), "two".to_owned()], expectations).expect("sound");
    for signal in 0..12 {
        judge.observe(RigTime::ZERO, SignalId(signal), 0);
    }
    judge.moment(MomentId(0), RigTime::from_micros(1), RigSpan::ZERO);
    judge.advance(RigTime::from_micros(200_000_000));
    judge
}

fn steady(criterion: &mut Criterion) {
    const STEPS: i64 = 18_000;
    let mut group = criterion.benchmark_group("ten expectations, an hour");
    group.throughput(Throughput::Elements(STEPS as u64));
    group.bench_function("watermarks", |bencher| {
        bencher.iter_batched(
            ten,
            |mut judge| {
                for step in 0..STEPS {
                    judge.advance(RigTime::from_micros(200_000_000 + step * 200_000));
                    black_box(judge.poll_decided());
                }
                judge
            },
            BatchSize::SmallInput,
        );
    });
    group.bench_function("three levels sampled and a watermark", |bencher| {
        bencher.iter_batched(
            ten,
            |mut judge| {
                for step in 1..STEPS {
                    let at = RigTime::from_micros(200_000_000 + step * 200_000);
                    for signal in 9..12 {
                        judge.observe(at, SignalId(signal), step * 10);
                    }
                    judge.advance(at);
                    black_box(judge.poll_decided());
                }
                judge
            },
            BatchSize::SmallInput,
        );
    });
    group.finish();
}

criterion_group!(benches, responses, steady);
criterion_main!(benches);

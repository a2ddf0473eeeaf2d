//! `judge_speed`: how long the judge takes for one response over many samples;
//! prints one JSON object. `tests/outside/speed.py` runs it beside other
//! software, over the same samples.
#![expect(
    clippy::print_stdout,
    clippy::print_stderr,
    clippy::disallowed_methods,
    clippy::disallowed_types,
    reason = "a measurement, at the edge"
)]

use std::process::ExitCode;
use std::time::Instant;

use dryfire_judge::naive::{self, Trace};
use dryfire_judge::{
    Claim, Condition, Expectation, Finding, Judge, Scope, SignalId, SignalKind, SignalSpec, SignalTable,
};
use dryfire_units::{RigSpan, RigTime};

/// Time between two samples (10 Hz).
const STEP: RigSpan = RigSpan::from_millis(100);

fn table() -> SignalTable {
    let mut table = SignalTable::default();
    for name in ["p", "q"] {
        table.add(SignalSpec {
            name: name.to_owned(),
            kind: SignalKind::Switch,
            value_uncertainty: 0,
            model_error: 0,
            time_uncertainty: RigSpan::ZERO,
            release: RigSpan::ZERO,
        });
    }
    table
}

/// `p` comes true at every second sample, `q` at every fortieth.
fn sample(index: i64) -> [i64; 2] {
    [index % 2, i64::from(index % 40 == 0)]
}

fn at(index: i64) -> RigTime {
    RigTime::ZERO + STEP.times(index)
}

fn first(expectations: &[Expectation], samples: i64) -> Vec<Finding> {
    let mut judge = Judge::new(table(), Vec::new(), expectations.to_vec()).expect("an expectation that can be judged");
    for index in 0..samples {
        for (value, signal) in sample(index).into_iter().zip(0..) {
            judge.observe(at(index), SignalId(signal), value);
        }
        judge.advance(at(index));
    }
    judge.finish(at(samples - 1))
}

fn second(expectations: &[Expectation], samples: i64) -> Vec<Finding> {
    let mut trace = Trace::default();
    for index in 0..samples {
        for (value, signal) in sample(index).into_iter().zip(0..) {
            trace.sample(at(index), SignalId(signal), value);
        }
    }
    naive::judge(&table(), expectations, &trace, at(samples - 1))
}

fn main() -> ExitCode {
    let samples = std::env::args().nth(1).and_then(|samples| samples.parse::<i64>().ok()).filter(|n| *n > 0);
    let Some(samples) = samples else {
        eprintln!("usage: judge_speed SAMPLES");
        return ExitCode::from(2);
    };
    let is_on = |signal| Condition::Is { signal: SignalId(signal), on: true };
    let expectations = [Expectation {
        name: "response".to_owned(),
        scope: Scope::Whenever(is_on(0)),
        claim: Claim::Within { limit: RigSpan::from_seconds(5), condition: is_on(1) },
    }];
    let begun = Instant::now();
    let found = first(&expectations, samples);
    let took = begun.elapsed().as_secs_f64();
    let begun = Instant::now();
    let again = second(&expectations, samples);
    let second_took = begun.elapsed().as_secs_f64();
    let same = found == again;
    println!(
        "{}",
        serde_json::json!({
            "samples": samples,
            "seconds": took,
            "verdict": found[0].verdict.word(),
            "reason": found[0].reason.word(),
            "second_judge": {"seconds": second_took, "same": same},
        })
    );
    if same { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

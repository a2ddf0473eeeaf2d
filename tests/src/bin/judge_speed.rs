//! `judge_speed`: how long the judge takes for responses over many samples.
//!
//! `judge_speed SAMPLES` prints one JSON object; `tests/outside/speed.py` runs it
//! beside other software, over the same samples. `judge_speed SAMPLES windows`
//! compares a window of 5 s with one of 5,000 s over inputs of every kind, and
//! ends with status 1 where they differ by half or more.
//!
//! What is measured is processor time, because the wall tells mostly of what else
//! the machine is doing; where that is not to be had, the wall.
#![expect(
    clippy::print_stdout,
    clippy::print_stderr,
    clippy::disallowed_methods,
    clippy::disallowed_types,
    reason = "a measurement, at the edge"
)]

use std::process::ExitCode;
use std::sync::LazyLock;
use std::time::{Duration, Instant};

use dryfire_judge::naive::{self, Trace};
use dryfire_judge::{
    Claim, Comparison, Condition, Expectation, Finding, Judge, Scope, SignalId, SignalKind, SignalSpec, SignalTable,
};
use dryfire_units::{RigSpan, RigTime};

/// Time between two samples (10 Hz).
const STEP: RigSpan = RigSpan::from_millis(100);
/// The two windows may differ by less than this.
const MOST: f64 = 1.5;
/// The system may count in steps of some milliseconds.
const LONG_ENOUGH: Duration = Duration::from_millis(200);
/// The shortest of so many is taken.
const REPEAT: usize = 7;

/// Processor time of this process so far; where the system does not tell, of the wall.
fn processor_time() -> Duration {
    static BEGUN: LazyLock<Instant> = LazyLock::new(Instant::now);
    let told = std::fs::read_to_string("/proc/self/schedstat").ok();
    let nanos = told.and_then(|told| told.split_whitespace().next()?.parse().ok());
    nanos.map_or_else(|| BEGUN.elapsed(), Duration::from_nanos)
}

fn table(levels: bool) -> SignalTable {
    let mut table = SignalTable::default();
    for (name, kind) in [("p", SignalKind::Switch), ("q", SignalKind::Temperature)] {
        table.add(SignalSpec {
            name: name.to_owned(),
            kind: if levels { kind } else { SignalKind::Switch },
            value_uncertainty: 0,
            model_error: 0,
            time_uncertainty: RigSpan::ZERO,
            release: RigSpan::ZERO,
        });
    }
    table
}

/// `always (p -> eventually[0, window] q)`, beginning where `p` comes true.
fn response(window: RigSpan, levels: bool) -> Vec<Expectation> {
    let is_on = |signal| Condition::Is { signal: SignalId(signal), on: true };
    let reached = Condition::Compare { signal: SignalId(1), comparison: Comparison::AtLeast, limit: LIMIT };
    let condition = if levels { reached } else { is_on(1) };
    vec![Expectation {
        name: "response".to_owned(),
        scope: Scope::Whenever(is_on(0)),
        claim: Claim::Within { limit: window, condition },
    }]
}

fn at(index: i64) -> RigTime {
    RigTime::ZERO + STEP.times(index)
}

fn first(table: &SignalTable, expectations: &[Expectation], samples: i64, sample: impl Fn(i64) -> [i64; 2]) -> Finding {
    let mut judge =
        Judge::new(table.clone(), Vec::new(), expectations.to_vec()).expect("an expectation that can be judged");
    for index in 0..samples {
        for (value, signal) in sample(index).into_iter().zip(0..) {
            judge.observe(at(index), SignalId(signal), value);
        }
        judge.advance(at(index));
    }
    judge.finish(at(samples - 1)).remove(0)
}

fn second(
    table: &SignalTable,
    expectations: &[Expectation],
    samples: i64,
    sample: impl Fn(i64) -> [i64; 2],
) -> Finding {
    let mut trace = Trace::default();
    for index in 0..samples {
        for (value, signal) in sample(index).into_iter().zip(0..) {
            trace.sample(at(index), SignalId(signal), value);
        }
    }
    naive::judge(table, expectations, &trace, at(samples - 1)).remove(0)
}

/// What came of it, and the shortest time that it took, each time measured over so
/// many runs that the steps in which the system counts do not matter.
fn shortest(judge: impl Fn() -> Finding) -> (Finding, Duration) {
    let found = judge();
    let measure = |_| {
        let (begun, mut runs) = (processor_time(), 0);
        loop {
            std::hint::black_box(judge());
            runs += 1;
            let took = processor_time() - begun;
            if took >= LONG_ENOUGH {
                return took / runs;
            }
        }
    };
    let least = (0..REPEAT).map(measure).min().expect("it is repeated");
    (found, least)
}

/// `p` comes true at every second sample, `q` at every fortieth.
fn beside_others(samples: i64) -> ExitCode {
    let sample = |index: i64| [index % 2, i64::from(index % 40 == 0)];
    let (table, expectations) = (table(false), response(RigSpan::from_seconds(5), false));
    let (found, took) = shortest(|| first(&table, &expectations, samples, sample));
    let begun = processor_time();
    let again = second(&table, &expectations, samples, sample);
    let second_took = processor_time() - begun;
    let same = found == again;
    println!(
        "{}",
        serde_json::json!({
            "samples": samples,
            "seconds": took.as_secs_f64(),
            "verdict": found.verdict.word(),
            "reason": found.reason.word(),
            "second_judge": {"seconds": second_took.as_secs_f64(), "same": same},
        })
    );
    if same { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

/// What `q` has to reach, in thousandths of a degree.
const LIMIT: i64 = 1_000_000;

/// Inputs of one kind, for a window of so many samples.
type Input = fn(index: i64, window: i64) -> [i64; 2];

/// A number that nobody sees coming (Steele, Lea and Flood, "Fast splittable
/// pseudorandom number generators", 2014: the last step of SplitMix64).
fn mixed(index: i64) -> i64 {
    let mut bits = (index as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    bits = (bits ^ (bits >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    bits = (bits ^ (bits >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    ((bits ^ (bits >> 31)) >> 1) as i64
}

const INPUTS: [(&str, Input); 5] = [
    // Trigger and level at random; every third sample or so is high enough.
    ("random", |index, _| [mixed(index) & 1, LIMIT - 2_000 + mixed(index + 7) % 3_000]),
    // The level stays where it has to be.
    ("constant", |index, _| [index % 2, LIMIT]),
    // The level stays where it has to be and the trigger is there from the beginning.
    ("nothing at all", |_, _| [1, LIMIT]),
    // The level climbs for as long as the window, and is reached at the top.
    ("long ramp", |index, window| [index % 2, LIMIT - 10 * (window - 1 - index % window)]),
    // Both at every sample, one against the other.
    ("chattering", |index, _| [index % 2, LIMIT - index % 2]),
];

fn windows(samples: i64) -> ExitCode {
    let table = table(true);
    let mut too_far = false;
    println!("| input | 5 s, ns for two samples | 5,000 s | times | verdict |");
    println!("|---|---|---|---|---|");
    for (name, input) in INPUTS {
        let measured = [5, 5_000].map(|seconds| {
            let window = seconds * 10;
            let expectations = response(RigSpan::from_seconds(seconds), true);
            let (found, took) = shortest(|| first(&table, &expectations, samples, |index| input(index, window)));
            (took.as_secs_f64() * 1e9 / samples as f64, found.reason.word())
        });
        let [(short, verdict), (long, with_long)] = measured;
        let times = long / short;
        too_far |= times >= MOST;
        println!("| {name} | {short:.1} | {long:.1} | {times:.2} | {verdict}, {with_long} |");
    }
    if too_far { ExitCode::FAILURE } else { ExitCode::SUCCESS }
}

fn main() -> ExitCode {
    let mut arguments = std::env::args().skip(1);
    let samples = arguments.next().and_then(|samples| samples.parse::<i64>().ok()).filter(|n| *n > 0);
    match (samples, arguments.next().as_deref()) {
        (Some(samples), None) => beside_others(samples),
        (Some(samples), Some("windows")) => windows(samples),
        _ => {
            eprintln!("usage: judge_speed SAMPLES [windows]");
            ExitCode::from(2)
        }
    }
}

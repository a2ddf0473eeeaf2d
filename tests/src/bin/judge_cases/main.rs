//! `judge_cases`: random expectations and runs with what the judge finds, one
//! JSON object a line, for programs in other languages to judge as well.
//!
//! The form of a line is described in `docs/outside-checks.md`; the one who
//! reads it is `tests/outside/temporal_oracles.py`. Every instant is on a grid
//! of ticks and nothing is uncertain, so that logics over samples mean the same.
//! The second judge is asked too; a difference ends the program.
#![expect(clippy::print_stderr, reason = "says why it ended")]

mod case;
mod random;

use std::io::Write as _;
use std::process::ExitCode;

use dryfire_judge::{Claim, Comparison, Condition, Finding, Instant, Margin, Part, Scope, SignalId, SignalKind};
use serde_json::{Value, json};

use case::{Case, MOMENTS};

const USAGE: &str = "usage: judge_cases SEED COUNT [FIRST]\n  \
    prints the cases FIRST (else 0), FIRST + 1, … of a seed, so many as COUNT says";

fn main() -> ExitCode {
    let numbers: Result<Vec<u64>, _> = std::env::args().skip(1).map(|number| number.parse()).collect();
    let (seed, count, first) = match numbers.as_deref() {
        Ok([seed, count]) => (*seed, *count, 0),
        Ok([seed, count, first]) => (*seed, *count, *first),
        _ => {
            eprintln!("{USAGE}");
            return ExitCode::from(2);
        }
    };
    let mut out = std::io::BufWriter::new(std::io::stdout().lock());
    for index in first..first.saturating_add(count) {
        let case = Case::random(seed, index);
        let finding = case.judged();
        let again = case.judged_again();
        if finding != again {
            eprintln!("seed {seed}, case {index}: the two judges differ\n{finding:?}\n{again:?}");
            return ExitCode::FAILURE;
        }
        if writeln!(out, "{}", line(seed, index, &case, &finding)).is_err() {
            // Whoever reads has had enough.
            return ExitCode::SUCCESS;
        }
    }
    if out.flush().is_err() {
        return ExitCode::FAILURE;
    }
    ExitCode::SUCCESS
}

fn line(seed: u64, index: u64, case: &Case, finding: &Finding) -> Value {
    let ticks = |micros: i64| micros / case.tick;
    let name = |signal: &SignalId| case.signals[usize::from(signal.0)].name.as_str();
    let moment = |instant: &Instant| json!({"moment": MOMENTS[usize::from(instant.moment.0)], "offset": ticks(instant.offset.as_micros())});
    let part = |kind: &str, from: Option<&Instant>, to: Option<&Instant>, condition: Option<Value>| json!({"kind": kind, "from": from.map(moment), "to": to.map(moment), "condition": condition});
    let scope = match &case.expectation.scope {
        Scope::Throughout => part("throughout", None, None, None),
        Scope::Before(to) => part("before", None, Some(to), None),
        Scope::After(from) => part("after", Some(from), None, None),
        Scope::Between(from, to) => part("between", Some(from), Some(to), None),
        Scope::AfterUntil(from, to) => part("after-until", Some(from), Some(to), None),
        Scope::Whenever(trigger) => part("whenever", None, None, Some(tree(trigger, &name))),
        Scope::WheneverIn { part: inside, condition } => {
            let trigger = Some(tree(condition, &name));
            match inside {
                Part::Before(to) => part("whenever-before", None, Some(to), trigger),
                Part::After(from) => part("whenever-after", Some(from), None, trigger),
                Part::Between(from, to) => part("whenever-between", Some(from), Some(to), trigger),
                Part::AfterUntil(from, to) => part("whenever-after-until", Some(from), Some(to), trigger),
            }
        }
    };
    let claim = match &case.expectation.claim {
        Claim::Always(condition) => json!({"kind": "always", "condition": tree(condition, &name)}),
        Claim::Never(condition) => json!({"kind": "never", "condition": tree(condition, &name)}),
        Claim::Sometime(condition) => json!({"kind": "sometime", "condition": tree(condition, &name)}),
        Claim::HoldsFor { span, condition } => {
            json!({"kind": "holds-for", "span": ticks(span.as_micros()), "condition": tree(condition, &name)})
        }
        Claim::Within { limit, condition } => {
            json!({"kind": "within", "limit": ticks(limit.as_micros()), "condition": tree(condition, &name)})
        }
        Claim::HeatCut { heat, limit, hold } => {
            let (limit, hold) = (ticks(limit.as_micros()), ticks(hold.as_micros()));
            json!({"kind": "heat-cut", "limit": limit, "hold": hold, "heat": name(heat)})
        }
        Claim::Times { at_least, at_most, condition } => {
            json!({"kind": "times", "at_least": at_least, "at_most": at_most, "condition": tree(condition, &name)})
        }
        Claim::AtMostIn { at_most, window, condition } => {
            let window = ticks(window.as_micros());
            json!({"kind": "at-most-in", "at_most": at_most, "window": window, "condition": tree(condition, &name)})
        }
        Claim::Precedes { first, then } => {
            json!({"kind": "precedes", "first": tree(first, &name), "condition": tree(then, &name)})
        }
    };
    let signals: Vec<Value> = case
        .signals
        .iter()
        .map(|signal| {
            let switch = signal.kind == SignalKind::Switch;
            json!({"name": signal.name, "switch": switch, "values": signal.values})
        })
        .collect();
    let moments: Vec<Value> = case
        .moments
        .iter()
        .map(|(moment, tick)| json!({"moment": MOMENTS[usize::from(*moment)], "at": tick}))
        .collect();
    json!({
        "seed": seed,
        "index": index,
        "tick_us": case.tick,
        "end": case.end,
        "cut_short": case.cut_short,
        "closed": case.closed,
        "release": case.release,
        "signals": signals,
        "moments": moments,
        "scope": scope,
        "claim": claim,
        "finding": {
            "verdict": finding.verdict.word(),
            "reason": finding.reason.word(),
            "margin": finding.margin.map(margin),
            "decided_at_us": finding.decided_at.map(|at| at.as_micros()),
        },
    })
}

/// The unit is that of the signals concerned, or µs, or times.
fn margin(margin: Margin) -> Value {
    let what = match margin {
        Margin::Time(_) => "us",
        Margin::Count(_) | Margin::Temperature(_) | Margin::Rate(_) | Margin::Duty(_) => "number",
    };
    json!({what: margin.number()})
}

fn tree<'a>(condition: &Condition, name: &impl Fn(&SignalId) -> &'a str) -> Value {
    let all = |parts: &[Condition]| parts.iter().map(|part| tree(part, name)).collect::<Vec<_>>();
    match condition {
        Condition::Compare { signal, comparison, limit } => {
            let word = match comparison {
                Comparison::Below => "below",
                Comparison::AtMost => "at-most",
                Comparison::Above => "above",
                Comparison::AtLeast => "at-least",
            };
            json!([word, name(signal), limit])
        }
        Condition::Is { signal, on } => json!([if *on { "on" } else { "off" }, name(signal)]),
        Condition::Not(inner) => json!(["not", tree(inner, name)]),
        Condition::All(parts) => json!(["all", all(parts)]),
        Condition::Any(parts) => json!(["any", all(parts)]),
    }
}

//! A comparison as JSON lines. `docs/compare.md` is their specification.

use serde::Serialize;
use serde_json::{Map, Value, json};

use super::{Comparison, ExpectationPair, Side, Spread, Told};
use crate::json::{FORMAT, line};
use crate::recorded::unit_word;

/// The type comes first in every line.
#[derive(Serialize)]
#[serde(tag = "type", rename_all = "kebab-case")]
enum Line<'a> {
    Compare {
        format: u32,
        old: Value,
        new: Value,
        differing: Vec<Value>,
    },
    Scenario {
        scenario: &'a str,
        change: &'static str,
        old: &'a [&'static str],
        new: &'a [&'static str],
        other_run: Option<&'static str>,
        expectations: Vec<Value>,
    },
    Summary {
        worse: usize,
        otherwise: usize,
        better: usize,
        added: usize,
        gone: usize,
        margins_shrunk: usize,
        margins_grown: usize,
        margins_within: usize,
        margins_cannot_tell: usize,
        headline: String,
        exit_code: u8,
    },
}

/// A line for the whole, one for each scenario, one for the counts.
pub fn compare_json(comparison: &Comparison) -> String {
    let differing: Vec<Value> = comparison
        .differing
        .iter()
        .map(|it| json!({"what": it.what, "old": it.old, "new": it.new, "of_the_controller": it.of_the_controller}))
        .collect();
    let mut lines =
        line(&Line::Compare { format: FORMAT, old: side(&comparison.old), new: side(&comparison.new), differing });
    for scenario in &comparison.scenarios {
        let expectations: Vec<Value> = scenario.expectations.iter().map(expectation).collect();
        lines.push_str(&line(&Line::Scenario {
            scenario: &scenario.name,
            change: scenario.change.word(),
            old: &scenario.old,
            new: &scenario.new,
            other_run: scenario.other_run,
            expectations,
        }));
    }
    let counts = comparison.counts();
    lines.push_str(&line(&Line::Summary {
        worse: counts.worse,
        otherwise: counts.otherwise,
        better: counts.better,
        added: counts.added,
        gone: counts.gone,
        margins_shrunk: counts.shrunk,
        margins_grown: counts.grown,
        margins_within: counts.within,
        margins_cannot_tell: counts.cannot_tell,
        headline: comparison.headline(),
        exit_code: comparison.exit_status().code(),
    }));
    lines
}

fn side(side: &Side) -> Value {
    json!({
        "controller": side.controller,
        "firmware": side.firmware,
        "bench": side.bench,
        "tool": side.tool,
        "seed": side.seed.to_string(),
        "began_at": side.began_at,
        "finished": side.finished,
        "mixed": side.mixed,
        "runs": side.runs,
        "scenarios": side.scenarios,
    })
}

fn expectation(pair: &ExpectationPair) -> Value {
    let words = |verdicts: &[dryfire_judge::Verdict]| verdicts.iter().map(|it| it.word()).collect::<Vec<_>>();
    let mut object = Map::new();
    let mut put = |key: &str, value: Value| {
        object.insert(key.to_owned(), value);
    };
    put("expectation", json!(pair.name));
    put("change", json!(pair.change.word()));
    put("old", json!(words(&pair.old)));
    put("new", json!(words(&pair.new)));
    put("asks_otherwise", json!(pair.asks_otherwise));
    if let Some(margin) = pair.margin {
        let mut told = json!({
            "told": margin.told.word(),
            "old": spread(margin.old),
            "new": spread(margin.new),
        });
        if let Some((difference, expanded, k)) = margin.told.figures() {
            told[format!("difference_{}", unit_word(difference))] = json!(difference.number());
            told[format!("uncertainty_{}", unit_word(expanded))] = json!(expanded.number());
            told["coverage_hundredths"] = json!(k);
        }
        if let Told::CannotTell { why } = margin.told {
            told["why"] = json!(why);
        }
        put("margin", told);
    }
    if let Some((old, new)) = pair.reaction {
        put("reaction", json!({"old": old.map(spread), "new": new.map(spread)}));
    }
    Value::Object(object)
}

fn spread(spread: Spread) -> Value {
    let unit = unit_word(spread.mean);
    let mut value = json!({
        "runs": spread.count,
        format!("mean_{unit}"): spread.mean.number(),
        format!("least_{unit}"): spread.least.number(),
        format!("greatest_{unit}"): spread.greatest.number(),
    });
    if let Some(deviation) = spread.deviation {
        value[format!("deviation_{unit}")] = json!(deviation.number());
    }
    value
}

//! The detection table as JSON lines.

use serde::Serialize;

use super::{DetectionTable, Expected};
use crate::json::{FORMAT, line};
use crate::quantity::signed_margin;

#[derive(Serialize)]
#[serde(tag = "type", rename_all = "kebab-case")]
enum Record<'a> {
    Challenge {
        format: u32,
        tool: &'a str,
        bench: &'a str,
        seed: u64,
        scenarios: usize,
        part: bool,
    },
    Controller {
        name: &'a str,
        bench: &'a str,
        expected: &'static str,
        #[serde(skip_serializing_if = "Option::is_none")]
        mistake: Option<MistakeRecord<'a>>,
        as_it_should_be: bool,
        catches: Vec<CatchRecord<'a>>,
        other_fails: &'a [&'a str],
        undecided: &'a [&'a str],
        broke_down: &'a [&'a str],
    },
    Summary {
        headline: String,
        caught: usize,
        mistakes: usize,
        left_out: usize,
        cleared: usize,
        honest: usize,
        undecided: usize,
        near_a_limit: usize,
        never_alone: &'a [&'a str],
        idle: &'a [&'a str],
        hazards_without_mistake: &'a [&'a str],
        uncovered: Vec<UncoveredRecord<'a>>,
        blamed: Vec<BlamedRecord<'a>>,
        alike: &'a [Vec<&'a str>],
        exit_code: u8,
    },
}

#[derive(Serialize)]
struct MistakeRecord<'a> {
    description: &'a str,
    hazard: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    reason: Option<&'a str>,
    with_the_declared_reason: bool,
}

#[derive(Serialize)]
struct UncoveredRecord<'a> {
    bench: &'a str,
    hazards: &'a [&'a str],
}

#[derive(Serialize)]
struct BlamedRecord<'a> {
    scenario: &'a str,
    controllers: &'a [&'a str],
}

#[derive(Serialize)]
struct CatchRecord<'a> {
    scenario: &'a str,
    expectation: &'a str,
    reason: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    margin: Option<String>,
}

/// The table as JSON lines, as `docs/output.md` says.
pub fn challenge_json(table: &DetectionTable<'_>, head: &crate::SessionHead) -> String {
    let mut lines = line(&Record::Challenge {
        format: FORMAT,
        tool: &head.tool,
        bench: &head.bench,
        seed: head.seed,
        scenarios: head.scenarios,
        part: table.part,
    });
    for detection in &table.detections {
        let mistake = detection.challenged.mistake().map(|mistake| MistakeRecord {
            description: &mistake.description,
            hazard: &mistake.hazard,
            reason: mistake.reason.as_deref(),
            with_the_declared_reason: detection.with_the_declared_reason(),
        });
        let catches = detection.catches.iter().map(|catch| CatchRecord {
            scenario: &catch.scenario,
            expectation: &catch.expectation,
            reason: catch.reason,
            margin: catch.margin.map(signed_margin),
        });
        lines.push_str(&line(&Record::Controller {
            name: &detection.challenged.name,
            bench: &detection.challenged.bench,
            expected: match detection.challenged.expected {
                Expected::Caught(_) => "caught",
                Expected::Cleared => "cleared",
                Expected::Undecided => "undecided",
            },
            mistake,
            as_it_should_be: detection.as_it_should_be(),
            catches: catches.collect(),
            other_fails: &detection.other_fails,
            undecided: &detection.undecided,
            broke_down: &detection.broke_down,
        }));
    }
    let ((caught, mistakes), (cleared, honest)) = (table.caught(), table.cleared());
    let (undecided, near_a_limit) = table.undecided();
    let uncovered = table.uncovered.iter().map(|one| UncoveredRecord { bench: one.bench, hazards: &one.hazards });
    let blamed = table.blamed.iter().map(|one| BlamedRecord { scenario: one.scenario, controllers: &one.controllers });
    lines.push_str(&line(&Record::Summary {
        headline: table.headline(),
        caught,
        mistakes,
        left_out: table.left_out,
        cleared,
        honest,
        undecided,
        near_a_limit,
        never_alone: &table.never_alone,
        idle: &table.idle,
        hazards_without_mistake: &table.hazards_without_mistake,
        uncovered: uncovered.collect(),
        blamed: blamed.collect(),
        alike: &table.alike,
        exit_code: table.exit_status().code(),
    }));
    lines
}

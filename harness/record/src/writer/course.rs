//! The rows of a run's course: edges, samples, events.

use dryfire_engine::{Event, RigCounters};
use rusqlite::{Connection, params};

use super::number;
use super::outcome::finding_json;
use crate::follow::RunPart;
use crate::model::TimedEvent;

pub(super) fn insert_part(connection: &Connection, run: i64, part: &RunPart) -> rusqlite::Result<()> {
    if !part.edges.is_empty() {
        let mut list = String::with_capacity(part.edges.len() * 24 + 2);
        for edge in &part.edges {
            use std::fmt::Write as _;
            let sign = if list.is_empty() { '[' } else { ',' };
            // Writing to a string does not fail.
            let _ = write!(list, "{sign}[{},{},{}]", edge.at.as_micros(), edge.signal.0, u8::from(edge.on));
        }
        list.push(']');
        connection.prepare_cached("INSERT INTO edges VALUES (?1, ?2, ?3, ?4)")?.execute(params![
            run,
            i64::try_from(part.first_edge).unwrap_or(i64::MAX),
            number(part.edges.len()),
            list
        ])?;
    }
    for (signal, stretch, data) in &part.blocks {
        connection
            .prepare_cached("INSERT OR REPLACE INTO samples VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)")?
            .execute(params![
            run,
            signal.0,
            stretch.part,
            stretch.from.as_micros(),
            stretch.until.as_micros(),
            stretch.count,
            stretch.unobserved,
            stretch.range.map(|(least, _)| least),
            stretch.range.map(|(_, greatest)| greatest),
            data
        ])?;
    }
    for (index, event) in part.events.iter().enumerate() {
        let place = i64::try_from(part.first_event).unwrap_or(i64::MAX).saturating_add(number(index));
        insert_event(connection, run, place, event)?;
    }
    Ok(())
}

/// What an event says, column by column.
#[derive(Default)]
struct EventRow<'a> {
    at: i64,
    kind: &'static str,
    text: Option<&'a str>,
    uncertainty: Option<i64>,
    expectation: Option<i64>,
    verdict: Option<&'static str>,
    reason: Option<&'static str>,
    detail: Option<String>,
}

fn insert_event(connection: &Connection, run: i64, place: i64, timed: &TimedEvent) -> rusqlite::Result<()> {
    let row = match &timed.event {
        Event::Began => EventRow { kind: "began", ..EventRow::default() },
        Event::Moment { at, name, uncertainty } => EventRow {
            at: at.as_micros(),
            kind: "moment",
            text: Some(name),
            uncertainty: Some(uncertainty.as_micros()),
            ..EventRow::default()
        },
        Event::Stimulus { at, text } => {
            EventRow { at: at.as_micros(), kind: "stimulus", text: Some(text), ..EventRow::default() }
        }
        Event::Console { at, line } => {
            EventRow { at: at.as_micros(), kind: "console", text: Some(line), ..EventRow::default() }
        }
        Event::Prompt { at, text } => {
            EventRow { at: at.as_micros(), kind: "prompt", text: Some(text), ..EventRow::default() }
        }
        Event::Counters { at, counters } => EventRow {
            at: at.as_micros(),
            kind: "counters",
            detail: Some(counters_json(*counters)),
            ..EventRow::default()
        },
        Event::Decided { at, finding } => EventRow {
            at: at.as_micros(),
            kind: "decided",
            expectation: Some(number(finding.expectation)),
            verdict: Some(finding.verdict.word()),
            reason: Some(finding.reason.word()),
            detail: Some(finding_json(finding)),
            ..EventRow::default()
        },
        Event::Trouble { at, trouble } => EventRow {
            at: at.as_micros(),
            kind: "trouble",
            text: Some(&trouble.detail),
            reason: Some(trouble.kind.word()),
            ..EventRow::default()
        },
        Event::Ended { at, cut_short } => EventRow {
            at: at.as_micros(),
            kind: "ended",
            detail: Some(format!("{{\"cut_short\":{cut_short}}}")),
            ..EventRow::default()
        },
        // These are kept as edges and samples.
        Event::Switched { .. } | Event::Sampled { .. } | Event::Unobserved { .. } => return Ok(()),
    };
    connection
        .prepare_cached("INSERT INTO event VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12)")?
        .execute(params![
            run,
            place,
            row.at,
            row.kind,
            row.text,
            row.uncertainty,
            row.expectation,
            row.verdict,
            row.reason,
            row.detail,
            i64::try_from(timed.edges_before).unwrap_or(i64::MAX),
            timed.levels_until.map(|at| at.as_micros()),
        ])?;
    Ok(())
}

fn counters_json(counters: RigCounters) -> String {
    serde_json::json!({
        "lost_edges": counters.lost_edges,
        "lost_console_bytes": counters.lost_console_bytes,
        "late_setpoints": counters.late_setpoints,
        "damaged_frames": counters.damaged_frames,
    })
    .to_string()
}

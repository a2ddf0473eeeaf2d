//! The rows of what a run came to.

use dryfire_engine::{Applicability, ScenarioResult};
use dryfire_judge::{Finding, Margin};
use rusqlite::{Connection, params};

use super::number;
use crate::words;

fn places_json(places: &[usize]) -> String {
    serde_json::json!(places).to_string()
}

pub(super) fn finding_json(finding: &Finding) -> String {
    let number = |quantity: Option<Margin>| quantity.map(Margin::number);
    serde_json::json!({
        "decided_at_us": finding.decided_at.map(|at| at.as_micros()),
        "vacuous": finding.vacuous,
        "unit": unit(finding).flatten(),
        "margin": number(finding.margin),
        "seen": number(finding.seen),
        "uncertainty": number(finding.uncertainty),
        "model_error": number(finding.model_error),
    })
    .to_string()
}

/// The one unit of a finding's quantities, if it has any; `None` if they have several.
pub(super) fn unit(finding: &Finding) -> Option<Option<&'static str>> {
    let quantities = [finding.margin, finding.seen, finding.uncertainty, finding.model_error];
    let mut units = quantities.into_iter().flatten().map(words::unit_word);
    let first = units.next();
    units.all(|unit| Some(unit) == first).then_some(first)
}

pub(super) fn insert_remarks(connection: &Connection, run: i64, result: &ScenarioResult) -> rusqlite::Result<()> {
    for (place, text) in result.remarks.iter().enumerate() {
        connection.prepare_cached("INSERT OR REPLACE INTO remark VALUES (?1, ?2, ?3)")?.execute(params![
            run,
            number(place),
            text
        ])?;
    }
    Ok(())
}

pub(super) fn insert_result(
    connection: &Connection,
    run: i64,
    at: &str,
    result: &ScenarioResult,
    cut_short: bool,
) -> rusqlite::Result<()> {
    let (applicability, reason) = match &result.applicability {
        Applicability::Ran => ("ran", None),
        Applicability::NotApplicable { reason } => ("not-applicable", Some(reason)),
        Applicability::Uncovered { reason } => ("uncovered", Some(reason)),
    };
    for (index, report) in result.findings.iter().enumerate() {
        let finding = &report.finding;
        let index = number(index);
        let figure = |quantity: Option<Margin>| quantity.map(Margin::number);
        connection
            .prepare_cached(
                "INSERT INTO finding VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15)",
            )?
            .execute(params![
                run,
                index,
                report.name,
                report.expected,
                report.seen,
                finding.verdict.word(),
                finding.reason.word(),
                finding.decided_at.map(|at| at.as_micros()),
                finding.vacuous,
                unit(finding).flatten(),
                figure(finding.margin),
                figure(finding.seen),
                figure(finding.uncertainty),
                figure(finding.model_error),
                report.coverage_hundredths,
            ])?;
        for (place, hazard) in report.hazards.iter().enumerate() {
            connection.prepare_cached("INSERT INTO finding_hazard VALUES (?1, ?2, ?3, ?4)")?.execute(params![
                run,
                index,
                number(place),
                hazard
            ])?;
        }
    }
    insert_remarks(connection, run, result)?;
    for (place, zone) in result.heat_work.iter().enumerate() {
        connection.prepare_cached("INSERT INTO heat_work VALUES (?1, ?2, ?3, ?4, ?5)")?.execute(params![
            run,
            number(place),
            zone.zone,
            zone.peak.temperature.value(),
            zone.peak.millicelsius_per_hour
        ])?;
    }
    connection
        .prepare_cached(
            "UPDATE run SET state = 'judged', ended_at = ?2, applicability = ?3, applicability_reason = ?4, \
             verdict = ?5, length_us = ?6, cut_short = ?7, trouble = ?8, trouble_detail = ?9, lost_edges = ?10, \
             lost_console_bytes = ?11, late_setpoints = ?12, damaged_frames = ?13, relays_on = ?14, \
             relays_rested_on = ?15 WHERE run = ?1",
        )?
        .execute(params![
            run,
            at,
            applicability,
            reason,
            result.verdict.map(|verdict| verdict.word()),
            result.length.as_micros(),
            cut_short,
            result.trouble.as_ref().map(|trouble| trouble.kind.word()),
            result.trouble.as_ref().map(|trouble| &trouble.detail),
            result.counters.lost_edges,
            result.counters.lost_console_bytes,
            result.counters.late_setpoints,
            result.counters.damaged_frames,
            places_json(&result.relays_seen.on),
            places_json(&result.relays_seen.rested_on),
        ])?;
    Ok(())
}

//! The rows of what is known before the first run.

use dryfire_engine::{ContributionSpread, UncertaintyBudget, UncertaintySource};
use rusqlite::{Connection, params};

use super::number;
use crate::model::{Beginning, PlannedRun};
use crate::schema::RUN_TABLES;
use crate::words;

/// What is known before the first run, as it is known now; when the session began stays.
pub(super) fn replace_beginning(connection: &Connection, beginning: &Beginning) -> rusqlite::Result<()> {
    let session = &beginning.session;
    connection.execute(
        "UPDATE session SET tool = ?1, bench = ?2, controller = ?3, firmware_version = ?4, host = ?5",
        params![session.tool, session.bench, session.controller, session.firmware_version, session.host],
    )?;
    // Runs refer to files; what counts is what is there at the commit.
    connection.execute_batch("PRAGMA defer_foreign_keys = ON; DELETE FROM fact")?;
    connection.execute("DELETE FROM file", [])?;
    insert_facts_and_files(connection, beginning)
}

pub(super) fn insert_beginning(connection: &Connection, beginning: &Beginning) -> rusqlite::Result<()> {
    let session = &beginning.session;
    connection.execute(
        "INSERT INTO session (id, state, tool, seed, bench, bench_kind, controller, firmware_version, scenarios, \
         host, began_at) VALUES (1, 'unfinished', ?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)",
        params![
            session.tool,
            session.seed.to_string(),
            session.bench,
            session.bench_kind,
            session.controller,
            session.firmware_version,
            number(session.scenarios),
            session.host,
            session.began_at,
        ],
    )?;
    insert_facts_and_files(connection, beginning)?;
    for (index, run) in beginning.runs.iter().enumerate() {
        insert_planned(connection, number(index + 1), run)?;
    }
    Ok(())
}

fn insert_facts_and_files(connection: &Connection, beginning: &Beginning) -> rusqlite::Result<()> {
    for fact in &beginning.facts {
        connection.execute(
            "INSERT INTO fact (topic, name, value, source) VALUES (?1, ?2, ?3, ?4)",
            params![fact.topic, fact.name, fact.value, fact.source],
        )?;
    }
    for (index, file) in beginning.files.iter().enumerate() {
        connection.execute(
            "INSERT INTO file (file, role, path, bytes, sha256, text) VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
            params![
                number(index),
                file.role.word(),
                file.path,
                i64::try_from(file.bytes).unwrap_or(i64::MAX),
                file.sha256,
                file.text
            ],
        )?;
    }
    Ok(())
}

fn insert_planned(connection: &Connection, number_of_run: i64, run: &PlannedRun) -> rusqlite::Result<()> {
    connection
        .prepare_cached(
            "INSERT INTO run (run, file, scenario, why, limits_from, state, seed) VALUES (?1, ?2, ?3, ?4, ?5, \
             'planned', ?6)",
        )?
        .execute(params![
            number_of_run,
            number(run.file),
            run.scenario,
            run.why,
            run.limits_from,
            run.seed.to_string()
        ])?;
    for (place, hazard) in run.hazards.iter().enumerate() {
        connection
            .prepare_cached("INSERT INTO run_hazard (run, place, hazard) VALUES (?1, ?2, ?3)")?
            .execute(params![number_of_run, number(place), hazard])?;
    }
    for (id, signal) in run.table.iter() {
        connection.prepare_cached("INSERT INTO signal VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)")?.execute(params![
            number_of_run,
            id.0,
            signal.name,
            words::kind_word(signal.kind),
            signal.value_uncertainty,
            signal.model_error,
            signal.time_uncertainty.as_micros(),
            signal.release.as_micros(),
        ])?;
    }
    if let Some(uncertainties) = &run.uncertainties {
        insert_budget(connection, number_of_run, words::EDGE_TIME, &uncertainties.edge_time)?;
        insert_budget(connection, number_of_run, words::SHOWN_TEMPERATURE, &uncertainties.shown_temperature)?;
    }
    for (index, window) in run.expectations.iter().enumerate() {
        let index = number(index);
        let (opens, closes) = (window.opens.as_ref(), window.closes.as_ref());
        connection
            .prepare_cached("INSERT INTO expectation VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)")?
            .execute(params![
                number_of_run,
                index,
                window.name,
                window.scope,
                opens.map(|(name, _)| name),
                opens.map(|(_, offset)| offset.as_micros()),
                closes.map(|(name, _)| name),
                closes.map(|(_, offset)| offset.as_micros()),
                window.claim,
                window.limit.map(|limit| limit.as_micros()),
                window.hold.map(|hold| hold.as_micros()),
            ])?;
        for (place, hazard) in window.hazards.iter().enumerate() {
            connection.prepare_cached("INSERT INTO expectation_hazard VALUES (?1, ?2, ?3, ?4)")?.execute(params![
                number_of_run,
                index,
                number(place),
                hazard
            ])?;
        }
        for (place, limit) in window.limits.iter().enumerate() {
            connection.prepare_cached("INSERT INTO expectation_limit VALUES (?1, ?2, ?3, ?4, ?5, ?6)")?.execute(
                params![
                    number_of_run,
                    index,
                    number(place),
                    limit.signal.0,
                    words::comparison_word(limit.comparison),
                    limit.value
                ],
            )?;
        }
    }
    Ok(())
}

fn insert_budget(
    connection: &Connection,
    run: i64,
    quantity: &str,
    budget: &UncertaintyBudget,
) -> rusqlite::Result<()> {
    connection.prepare_cached("INSERT INTO budget VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)")?.execute(params![
        run,
        quantity,
        budget.standard,
        budget.degrees_of_freedom,
        budget.coverage_hundredths,
        budget.expanded.number(),
        words::unit_word(budget.expanded),
    ])?;
    for (place, line) in budget.contributions.iter().enumerate() {
        let over = match line.source {
            UncertaintySource::ClockDrift(over) => Some(over.as_micros()),
            _ => None,
        };
        let normal = match line.spread {
            ContributionSpread::Normal(coverage) => Some(coverage),
            ContributionSpread::Rectangular => None,
        };
        connection.prepare_cached("INSERT INTO contribution VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)")?.execute(
            params![
                run,
                quantity,
                number(place),
                line.source.word(),
                over,
                line.half_width,
                normal,
                line.standard,
                line.stated,
            ],
        )?;
    }
    Ok(())
}

pub(super) fn start_again(connection: &Connection, run: usize, beginning: &Beginning) -> rusqlite::Result<()> {
    let Some(planned) = run.checked_sub(1).and_then(|index| beginning.runs.get(index)) else { return Ok(()) };
    let number_of_run = number(run);
    let planned_tables = [
        "budget",
        "contribution",
        "run",
        "run_hazard",
        "signal",
        "expectation",
        "expectation_hazard",
        "expectation_limit",
    ];
    for table in RUN_TABLES.into_iter().chain(planned_tables) {
        connection.execute(&format!("DELETE FROM {table} WHERE run = ?1"), [number_of_run])?;
    }
    insert_planned(connection, number_of_run, planned)
}

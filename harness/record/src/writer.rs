//! Writes a record as things happen, and closes it.
#![expect(clippy::disallowed_methods, clippy::disallowed_types, reason = "this is where the record's file is written")]

use std::fs::{self, OpenOptions};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use dryfire_engine::{
    Applicability, ContributionSpread, Event, RigCounters, ScenarioResult, UncertaintyBudget, UncertaintySource,
};
use dryfire_judge::{Finding, Margin};
use rusqlite::{Connection, OpenFlags, params};

use crate::error::{RecordError, sqlite};
use crate::follow::RunPart;
use crate::model::{Beginning, Note, PlannedRun, TimedEvent};
use crate::schema::{APPLICATION_ID, RUN_TABLES, TABLES, VERSION};
use crate::seal::{self, Seal};
use crate::{utc, words};

/// So often everything is brought from the side file to the record and to the
/// disk itself: what a loss of power can cost.
const TO_DISK: Duration = Duration::from_secs(10);

/// Writes one record. What is not committed is lost when the program is killed.
#[derive(Debug)]
pub struct Writer {
    connection: Connection,
    path: PathBuf,
    /// Whether something waits for a commit.
    open: bool,
    to_disk: Instant,
}

impl Writer {
    /// A new record that says *unfinished*, with everything that is known before the first run.
    ///
    /// # Errors
    /// When there is such a file already, or it cannot be written.
    pub fn create(path: &Path, beginning: &Beginning) -> Result<Self, RecordError> {
        // SQLite would go on in a file that is there.
        OpenOptions::new().write(true).create_new(true).open(path).map_err(|source| match source.kind() {
            std::io::ErrorKind::AlreadyExists => RecordError::Exists { path: path.display().to_string() },
            _ => RecordError::Io { what: format!("`{}`", path.display()), source },
        })?;
        let written = Writer::begin(path, beginning);
        if written.is_err() {
            // Nothing has happened yet that could be lost.
            let _ = fs::remove_file(path);
        }
        written
    }

    fn begin(path: &Path, beginning: &Beginning) -> Result<Self, RecordError> {
        let mut connection = connect(path)?;
        let fail = |source| sqlite(path, source);
        // In one piece and in the file itself, before there is a side file: so the file alone says what it is.
        let transaction = connection.transaction().map_err(fail)?;
        transaction.execute_batch(TABLES).map_err(fail)?;
        transaction.pragma_update(None, "application_id", APPLICATION_ID).map_err(fail)?;
        transaction.pragma_update(None, "user_version", VERSION).map_err(fail)?;
        insert_beginning(&transaction, beginning).map_err(fail)?;
        transaction.commit().map_err(fail)?;
        to_wal(&connection).map_err(fail)?;
        Ok(Writer { connection, path: path.to_owned(), open: false, to_disk: Instant::now() })
    }

    /// Goes on with an unfinished record: the runs of these numbers start again, all others are kept.
    ///
    /// # Errors
    /// When it cannot be written, or is finished.
    pub fn resume(path: &Path, again: &[usize], beginning: &Beginning) -> Result<Self, RecordError> {
        let connection = connect(path)?;
        let fail = |source| sqlite(path, source);
        let state: String = connection.query_row("SELECT state FROM session", [], |row| row.get(0)).map_err(fail)?;
        if state != "unfinished" {
            return Err(RecordError::Finished { path: path.display().to_string() });
        }
        to_wal(&connection).map_err(fail)?;
        let mut writer = Writer { connection, path: path.to_owned(), open: false, to_disk: Instant::now() };
        writer.with(|connection| {
            connection.execute("UPDATE session SET resumed = resumed + 1, interrupted = 0", [])?;
            replace_beginning(connection, beginning)?;
            for run in again {
                start_again(connection, *run, beginning)?;
            }
            Ok(())
        })?;
        writer.commit()?;
        Ok(writer)
    }

    /// The record's file.
    pub fn path(&self) -> &Path {
        &self.path
    }

    fn with<T>(&mut self, write: impl FnOnce(&Connection) -> rusqlite::Result<T>) -> Result<T, RecordError> {
        let write = |connection: &Connection, open: bool| {
            if !open {
                connection.execute_batch("BEGIN")?;
            }
            write(connection)
        };
        let written = write(&self.connection, self.open);
        self.open = true;
        written.map_err(|source| sqlite(&self.path, source))
    }

    /// A run has begun on a bench that says this of itself.
    pub(crate) fn run_began(&mut self, run: usize, at: &str, identity: &str, fresh: bool) -> Result<(), RecordError> {
        self.with(|connection| {
            connection.execute(
                "UPDATE run SET state = 'running', began_at = ?2, identity = ?3, fresh_controller = ?4 WHERE run = ?1",
                params![number(run), at, identity, fresh],
            )
        })?;
        Ok(())
    }

    pub(crate) fn part(&mut self, run: usize, part: &RunPart) -> Result<(), RecordError> {
        self.with(|connection| insert_part(connection, number(run), part))
    }

    pub(crate) fn run_finished(
        &mut self,
        run: usize,
        at: &str,
        result: &ScenarioResult,
        cut_short: bool,
    ) -> Result<(), RecordError> {
        if let Some(report) = result.findings.iter().find(|report| unit(&report.finding).is_none()) {
            return Err(RecordError::Damaged {
                path: self.path.display().to_string(),
                what: format!("the finding of `{}` mixes units; this is a fault of dryfire", report.name),
            });
        }
        self.with(|connection| insert_result(connection, number(run), at, result, cut_short))
    }

    /// What a run came to in the session: nothing that may still come changes it.
    pub(crate) fn run_concluded(&mut self, run: usize, result: &ScenarioResult) -> Result<(), RecordError> {
        self.with(|connection| {
            let verdict = result.verdict.map(|verdict| verdict.word());
            let judged = connection
                .prepare_cached("UPDATE run SET state = 'finished', verdict = ?2 WHERE run = ?1 AND state = 'judged'")?
                .execute(params![number(run), verdict])?;
            // One that was never begun came to nothing.
            if judged == 1 { insert_remarks(connection, number(run), result) } else { Ok(()) }
        })
    }

    /// Adds a note.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn note(&mut self, note: &Note) -> Result<(), RecordError> {
        self.with(|connection| {
            let mut insert =
                connection.prepare_cached("INSERT INTO note (at, run, kind, text) VALUES (?1, ?2, ?3, ?4)")?;
            insert.execute(params![note.at, note.run.map(number), note.kind, note.text])
        })?;
        Ok(())
    }

    /// Adds a log line.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn log(&mut self, line: &Note) -> Result<(), RecordError> {
        self.with(|connection| {
            let mut insert =
                connection.prepare_cached("INSERT INTO log (at, run, level, text) VALUES (?1, ?2, ?3, ?4)")?;
            insert.execute(params![line.at, line.run.map(number), line.kind, line.text])
        })?;
        Ok(())
    }

    /// What was written so far outlives the program from here on.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn commit(&mut self) -> Result<(), RecordError> {
        if !self.open {
            return Ok(());
        }
        self.connection.execute_batch("COMMIT").map_err(|source| sqlite(&self.path, source))?;
        self.open = false;
        if self.to_disk.elapsed() >= TO_DISK {
            self.connection
                .query_row("PRAGMA wal_checkpoint(PASSIVE)", [], |_| Ok(()))
                .map_err(|source| sqlite(&self.path, source))?;
            self.to_disk = Instant::now();
        }
        Ok(())
    }

    /// Leaves the record unfinished, in one plain file: it can be gone on with.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn leave(mut self) -> Result<(), RecordError> {
        self.with(|connection| connection.execute("UPDATE session SET interrupted = 1", []))?;
        self.commit()?;
        let path = self.path;
        self.connection
            .query_row("PRAGMA journal_mode = DELETE", [], |_| Ok(()))
            .map_err(|source| sqlite(&path, source))?;
        self.connection.close().map_err(|(_, source)| sqlite(&path, source))
    }

    /// Closes the record: one plain file, sealed.
    ///
    /// The finished record is made beside the unfinished one and takes its place in
    /// one step, so at every instant there is either an unfinished record with all
    /// that was written, or a finished one with its seal.
    ///
    /// # Errors
    /// When it cannot be written; it stays unfinished then.
    pub fn finish(mut self) -> Result<Seal, RecordError> {
        self.commit()?;
        let path = self.path;
        let fail = |source| sqlite(&path, source);
        self.connection.query_row("PRAGMA journal_mode = DELETE", [], |_| Ok(())).map_err(fail)?;
        let beside = with_ending(&path, ".sealing");
        remove(&beside)?;
        let made = make_finished(&self.connection, &path, &beside);
        let closed = self.connection.close().map_err(|(_, source)| sqlite(&path, source));
        let seal = made.and_then(|seal| closed.map(|()| seal));
        let seal = seal.inspect_err(|_| drop(fs::remove_file(&beside)))?;
        let seal_path = seal::path_of(&path);
        let seal_beside = with_ending(&seal_path, ".sealing");
        let io = |source| RecordError::Io { what: format!("`{}`", seal_path.display()), source };
        fs::write(&seal_beside, seal.text()).map_err(io)?;
        to_disk(&seal_beside)?;
        // The seal first: a finished record is never without one.
        fs::rename(&seal_beside, &seal_path).map_err(io)?;
        fs::rename(&beside, &path)
            .map_err(|source| RecordError::Io { what: format!("`{}`", path.display()), source })?;
        folder_to_disk(&path);
        Ok(seal)
    }
}

fn connect(path: &Path) -> Result<Connection, RecordError> {
    let fail = |source| sqlite(path, source);
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(path, flags).map_err(fail)?;
    // Nobody else writes here, and without a second process there is one side file less.
    connection.query_row("PRAGMA locking_mode = EXCLUSIVE", [], |_| Ok(())).map_err(fail)?;
    Ok(connection)
}

fn to_wal(connection: &Connection) -> rusqlite::Result<()> {
    connection.query_row("PRAGMA journal_mode = WAL", [], |_| Ok(()))?;
    // A commit outlives this program at once, and a loss of power after the next checkpoint.
    connection.pragma_update(None, "synchronous", "NORMAL")
}

fn make_finished(connection: &Connection, path: &Path, beside: &Path) -> Result<Seal, RecordError> {
    let fail = |source| sqlite(path, source);
    let name = beside.to_str().ok_or_else(|| RecordError::Damaged {
        path: path.display().to_string(),
        what: "a record's path has to be UTF-8".to_owned(),
    })?;
    connection.execute("VACUUM INTO ?1", [name]).map_err(fail)?;
    let finished = Connection::open(beside).map_err(fail)?;
    finished.query_row("PRAGMA journal_mode = DELETE", [], |_| Ok(())).map_err(fail)?;
    finished.execute("UPDATE session SET state = 'finished', ended_at = ?1", [utc::now()]).map_err(fail)?;
    let owners = seal::page_owners(&finished).map_err(fail)?;
    finished.close().map_err(|(_, source)| sqlite(path, source))?;
    to_disk(beside)?;
    let bytes =
        fs::read(beside).map_err(|source| RecordError::Io { what: format!("`{}`", beside.display()), source })?;
    Ok(Seal::of(&bytes, &owners))
}

pub(crate) fn with_ending(path: &Path, ending: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(ending);
    PathBuf::from(name)
}

fn remove(path: &Path) -> Result<(), RecordError> {
    match fs::remove_file(path) {
        Err(source) if source.kind() != std::io::ErrorKind::NotFound => {
            Err(RecordError::Io { what: format!("`{}`", path.display()), source })
        }
        _ => Ok(()),
    }
}

fn to_disk(path: &Path) -> Result<(), RecordError> {
    let file = OpenOptions::new().write(true).open(path).and_then(|file| file.sync_all());
    file.map_err(|source| RecordError::Io { what: format!("`{}`", path.display()), source })
}

/// Where a system cannot do that for folders, the new name is on the disk a little later.
fn folder_to_disk(path: &Path) {
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let _ = fs::File::open(folder).and_then(|folder| folder.sync_all());
}

fn number(run: usize) -> i64 {
    i64::try_from(run).unwrap_or(i64::MAX)
}

/// What is known before the first run, as it is known now; when the session began stays.
fn replace_beginning(connection: &Connection, beginning: &Beginning) -> rusqlite::Result<()> {
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

fn insert_beginning(connection: &Connection, beginning: &Beginning) -> rusqlite::Result<()> {
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

fn start_again(connection: &Connection, run: usize, beginning: &Beginning) -> rusqlite::Result<()> {
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

fn insert_part(connection: &Connection, run: i64, part: &RunPart) -> rusqlite::Result<()> {
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

fn places_json(places: &[usize]) -> String {
    serde_json::json!(places).to_string()
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

fn finding_json(finding: &Finding) -> String {
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
fn unit(finding: &Finding) -> Option<Option<&'static str>> {
    let quantities = [finding.margin, finding.seen, finding.uncertainty, finding.model_error];
    let mut units = quantities.into_iter().flatten().map(words::unit_word);
    let first = units.next();
    units.all(|unit| Some(unit) == first).then_some(first)
}

fn insert_remarks(connection: &Connection, run: i64, result: &ScenarioResult) -> rusqlite::Result<()> {
    for (place, text) in result.remarks.iter().enumerate() {
        connection.prepare_cached("INSERT OR REPLACE INTO remark VALUES (?1, ?2, ?3)")?.execute(params![
            run,
            number(place),
            text
        ])?;
    }
    Ok(())
}

fn insert_result(
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

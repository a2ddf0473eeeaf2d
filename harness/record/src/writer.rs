//! Writes a record as things happen, and closes it.
#![expect(clippy::disallowed_methods, clippy::disallowed_types, reason = "this is where the record's file is written")]

mod course;
mod outcome;
mod plan;

use std::fs::{self, OpenOptions};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use dryfire_engine::ScenarioResult;
use rusqlite::{Connection, OpenFlags, params};

use crate::error::{RecordError, sqlite};
use crate::follow::RunPart;
use crate::model::{Beginning, Note};
use crate::schema::{APPLICATION_ID, TABLES, VERSION};
use crate::seal::{self, Seal};
use crate::utc;

use self::course::insert_part;
use self::outcome::{insert_remarks, insert_result, unit};
use self::plan::{insert_beginning, replace_beginning, start_again};

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

//! Reads a record: everything a report, an export or a second judgement needs.
#![expect(clippy::disallowed_methods, clippy::disallowed_types, reason = "this is where the record's file is read")]

mod rows;

use std::fs;
use std::io::Read;
use std::path::{Path, PathBuf};

use dryfire_judge::{SignalId, SignalTable, Verdict};
use dryfire_units::RigTime;
use rusqlite::{Connection, OpenFlags, params};
use tempfile::TempDir;

use crate::block::{Sample, decode};
use crate::error::{RecordError, sqlite};
use crate::model::{Edge, Fact, File, Note, Run, RunState, Session, Stretch, TimedEvent};
use crate::schema::{APPLICATION_ID, VERSION};
use crate::writer::with_ending;

/// A record that is open for reading; it is never changed by that.
///
/// Session, facts, files and runs with their findings are read at once; events,
/// edges and samples when they are asked for, samples block by block.
#[derive(Debug)]
pub struct Record {
    connection: Connection,
    path: PathBuf,
    /// A copy of an unfinished record and its side file, which reading would change.
    _copy: Option<TempDir>,
    version: i64,
    session: Session,
    facts: Vec<Fact>,
    files: Vec<File>,
    runs: Vec<Run>,
}

impl Record {
    /// Opens a record: a finished one as it lies there, read-only and immutable; an
    /// unfinished one as a copy, with its side file if there is one.
    ///
    /// # Errors
    /// When there is none, it is no record, is of a later format, or contradicts itself.
    pub fn open(path: &Path) -> Result<Self, RecordError> {
        look_at(path)?;
        let fail = |source| sqlite(path, source);
        let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_URI | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let alone = Connection::open_with_flags(immutable_uri(path), flags).map_err(fail)?;
        let side_files = side_files(path);
        // A finished record has no side files: what lies beside it is none of it.
        let finished = alone.query_row("SELECT state = 'finished' FROM session", [], |row| row.get::<_, bool>(0)).ok();
        // One that was left in one piece has no side file, but whoever goes on with it writes into the file itself.
        let may_change = finished == Some(false) || finished.is_none() && side_files.iter().any(|side| side.exists());
        let (connection, copy) = if !may_change {
            (alone, None)
        } else {
            let io = |source| RecordError::Io { what: format!("a copy of `{}`", path.display()), source };
            let folder = tempfile::tempdir().map_err(io)?;
            let copy = folder.path().join("record");
            fs::copy(path, &copy).map_err(io)?;
            for (side, ending) in side_files.iter().zip(["-wal", "-journal"]) {
                if side.exists() {
                    fs::copy(side, with_ending(&copy, ending)).map_err(io)?;
                }
            }
            (Connection::open(&copy).map_err(fail)?, Some(folder))
        };
        let pragma = |name: &str| connection.query_row(&format!("PRAGMA {name}"), [], |row| row.get::<_, i64>(0));
        let refuse = |what: String| RecordError::NotARecord { path: path.display().to_string(), what };
        let application = pragma("application_id").map_err(|error| refuse(error.to_string()))?;
        if application != APPLICATION_ID {
            return Err(refuse(if application == 0 {
                "an SQLite file of something else, or a record that was killed before it was begun".to_owned()
            } else {
                format!("an SQLite file with the application id {application:#010x}")
            }));
        }
        let version = pragma("user_version").map_err(fail)?;
        if !(1..=VERSION).contains(&version) {
            return Err(RecordError::Newer { path: path.display().to_string(), version, known: VERSION });
        }
        let reading = rows::Reading { connection: &connection, path };
        let session = reading.session()?;
        let (facts, files) = (reading.facts()?, reading.files()?);
        let runs = reading.runs(&files)?;
        Ok(Record { connection, path: path.to_owned(), _copy: copy, version, session, facts, files, runs })
    }

    /// The record's file.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// A side file beside a finished record, which has none: other programs would read it as a part of it.
    pub fn stray_side_file(&self) -> Option<PathBuf> {
        side_files(&self.path).into_iter().find(|side| self.session.finished && side.exists())
    }

    /// The version of its tables.
    pub fn version(&self) -> i64 {
        self.version
    }

    /// The session: tool, seed, bench, host, times, and whether it came to its end.
    pub fn session(&self) -> &Session {
        &self.session
    }

    /// What is known of what was tested, in the order in which it was written.
    pub fn facts(&self) -> &[Fact] {
        &self.facts
    }

    /// The facts about one thing; see [`topic`](crate::topic).
    pub fn facts_about<'a>(&'a self, topic: &'a str) -> impl Iterator<Item = &'a Fact> {
        self.facts.iter().filter(move |fact| fact.topic == topic)
    }

    /// Bench, kiln, scenarios and image, with text and hash.
    pub fn files(&self) -> &[File] {
        &self.files
    }

    /// Every run of the plan, in its order, with what it came to.
    pub fn runs(&self) -> &[Run] {
        &self.runs
    }

    /// The scenario file of a run.
    pub fn scenario_file(&self, run: &Run) -> Option<&File> {
        self.files.get(run.planned.file)
    }

    /// What every run came to whose result stands, in the order of the plan.
    pub fn results(&self) -> impl Iterator<Item = &dryfire_engine::ScenarioResult> {
        self.runs.iter().filter_map(Run::standing)
    }

    /// The runs that came to nothing that stands: never begun, broken off when the program was
    /// killed, or with a pass that the session had no time to confirm.
    pub fn not_run(&self) -> impl Iterator<Item = &Run> {
        self.runs.iter().filter(|run| run.standing().is_none())
    }

    /// Every edge of a run, in the order in which it became known.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub fn edges(&self, run: &Run) -> Result<Vec<Edge>, RecordError> {
        self.reading().edges(run)
    }

    /// Moments, stimuli, console lines, prompts, counters, decisions, breakdowns of a run, in order.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub fn events(&self, run: &Run) -> Result<Vec<TimedEvent>, RecordError> {
        self.reading().events(run)
    }

    /// The stretches of a level's samples, without the samples: from where to where, least and greatest.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub fn stretches(&self, run: &Run, signal: SignalId) -> Result<Vec<Stretch>, RecordError> {
        self.reading().stretches(run, signal)
    }

    /// The samples of one stretch.
    ///
    /// # Errors
    /// When the record cannot be read or its bytes are no block.
    pub fn stretch(&self, run: &Run, signal: SignalId, stretch: &Stretch) -> Result<Vec<Sample>, RecordError> {
        let mut select = self
            .connection
            .prepare_cached("SELECT data FROM samples WHERE run = ?1 AND signal = ?2 AND part = ?3")
            .map_err(|source| sqlite(&self.path, source))?;
        let data: Vec<u8> = select
            .query_row(params![run.number as i64, signal.0, stretch.part], |row| row.get(0))
            .map_err(|source| sqlite(&self.path, source))?;
        let samples = decode(&data).map_err(|source| RecordError::Block {
            path: self.path.display().to_string(),
            run: run.number,
            signal: signal.0,
            part: stretch.part,
            source,
        })?;
        if samples.len() != stretch.count as usize {
            return Err(self.damaged(format!(
                "part {} of signal {} in run {} holds {} samples and says {}",
                stretch.part,
                signal.0,
                run.number,
                samples.len(),
                stretch.count
            )));
        }
        Ok(samples)
    }

    /// All samples of a level, decoded block by block as they are taken.
    ///
    /// # Errors
    /// When the record cannot be read; each item when its block cannot.
    pub fn samples<'a>(&'a self, run: &'a Run, signal: SignalId) -> Result<Samples<'a>, RecordError> {
        let stretches = self.stretches(run, signal)?;
        Ok(Samples { record: self, run, signal, stretches: stretches.into_iter(), block: Vec::new().into_iter() })
    }

    /// A level between two instants as so many columns of a plot, each with its least and greatest
    /// value: no peak is lost, however short. A column without a sample holds `None`.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub fn envelope(
        &self,
        run: &Run,
        signal: SignalId,
        from: RigTime,
        until: RigTime,
        columns: usize,
    ) -> Result<Vec<Option<Column>>, RecordError> {
        let mut envelope = vec![None; columns];
        let width = i128::from(until.as_micros()) - i128::from(from.as_micros());
        if columns == 0 || width <= 0 {
            return Ok(envelope);
        }
        let column_of = |at: RigTime| {
            let into = i128::from(at.as_micros()) - i128::from(from.as_micros());
            // The last column holds its end too.
            usize::try_from((into * columns as i128 / width).min(columns as i128 - 1)).unwrap_or(0)
        };
        let mut widen = |column: usize, first: i64, last: i64, least: i64, greatest: i64| {
            let column: &mut Option<Column> = &mut envelope[column];
            match column {
                Some(column) => {
                    column.least = column.least.min(least);
                    column.greatest = column.greatest.max(greatest);
                    column.last = last;
                }
                None => *column = Some(Column { first, last, least, greatest }),
            }
        };
        for stretch in self.stretches(run, signal)? {
            if stretch.until < from || stretch.from > until {
                continue;
            }
            for sample in self.stretch(run, signal, &stretch)? {
                if let Some(value) = sample.reading.value()
                    && (from..=until).contains(&sample.at)
                {
                    widen(column_of(sample.at), value, value, value, value);
                }
            }
        }
        Ok(envelope)
    }

    /// Notes of the operator, and of what interrupted the session.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub fn notes(&self) -> Result<Vec<Note>, RecordError> {
        self.reading().notes("SELECT at, run, kind, text FROM note ORDER BY place")
    }

    /// Log lines; their kind is the level.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub fn log(&self) -> Result<Vec<Note>, RecordError> {
        self.reading().notes("SELECT at, run, level, text FROM log ORDER BY place")
    }

    fn reading(&self) -> rows::Reading<'_> {
        rows::Reading { connection: &self.connection, path: &self.path }
    }

    pub(crate) fn damaged(&self, what: String) -> RecordError {
        RecordError::Damaged { path: self.path.display().to_string(), what }
    }
}

/// One column of a plot.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Column {
    /// The first value in it.
    pub first: i64,
    /// The last value in it.
    pub last: i64,
    /// The least.
    pub least: i64,
    /// The greatest.
    pub greatest: i64,
}

/// The samples of one level, one block in memory at a time.
#[derive(Debug)]
pub struct Samples<'a> {
    record: &'a Record,
    run: &'a Run,
    signal: SignalId,
    stretches: std::vec::IntoIter<Stretch>,
    block: std::vec::IntoIter<Sample>,
}

impl Iterator for Samples<'_> {
    type Item = Result<Sample, RecordError>;

    fn next(&mut self) -> Option<Self::Item> {
        loop {
            if let Some(sample) = self.block.next() {
                return Some(Ok(sample));
            }
            let stretch = self.stretches.next()?;
            match self.record.stretch(self.run, self.signal, &stretch) {
                Ok(samples) => self.block = samples.into_iter(),
                Err(error) => {
                    self.stretches = Vec::new().into_iter();
                    return Some(Err(error));
                }
            }
        }
    }
}

impl Run {
    /// The signals of the run.
    pub fn table(&self) -> &SignalTable {
        &self.planned.table
    }

    /// What it came to, if that stands: a pass that the session has not confirmed does not.
    pub fn standing(&self) -> Option<&dryfire_engine::ScenarioResult> {
        self.result.as_ref().filter(|result| {
            self.state == RunState::Finished || result.verdict.is_some_and(|verdict| verdict != Verdict::Pass)
        })
    }
}

fn side_files(path: &Path) -> [PathBuf; 2] {
    [with_ending(path, "-wal"), with_ending(path, "-journal")]
}

/// What can be seen of a file from outside.
fn look_at(path: &Path) -> Result<(), RecordError> {
    let io = |source| RecordError::Io { what: format!("`{}`", path.display()), source };
    let about = fs::metadata(path).map_err(io)?;
    let refuse = |what: &str| RecordError::NotARecord { path: path.display().to_string(), what: what.to_owned() };
    if !about.is_file() {
        return Err(refuse("not a regular file"));
    }
    let mut head = Vec::new();
    fs::File::open(path).map_err(io)?.take(16).read_to_end(&mut head).map_err(io)?;
    if head.is_empty() {
        return Err(refuse("it is empty; the program was killed before anything was begun"));
    }
    // sqlite.org/fileformat2.html, section 1.3.1.
    if head != b"SQLite format 3\0" {
        return Err(refuse("it is no SQLite file"));
    }
    Ok(())
}

/// Read without any side file, whatever the folder allows; a file alone that was left
/// by a killed program is read as far as it goes.
fn immutable_uri(path: &Path) -> String {
    let mut uri = String::from("file:");
    for byte in path.as_os_str().as_encoded_bytes() {
        match byte {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'/' | b'.' | b'-' | b'_' => uri.push(char::from(*byte)),
            other => uri.push_str(&format!("%{other:02x}")),
        }
    }
    uri.push_str("?immutable=1");
    uri
}

//! What can go wrong with a record, in words that say what to do.

use std::io;
use std::path::Path;

use crate::BlockError;

/// Why a record cannot be written or read.
#[derive(Debug, thiserror::Error)]
pub enum RecordError {
    /// There is a file of that name already.
    #[error("`{path}` is there already, and a record is never written over another file")]
    Exists {
        /// The file.
        path: String,
    },
    /// The file cannot be read or written.
    #[error("{what} cannot be used: {source}")]
    Io {
        /// Which file, or what.
        what: String,
        /// Why.
        source: io::Error,
    },
    /// SQLite refuses.
    #[error("the record `{path}` cannot be used: {source}")]
    Sqlite {
        /// The file.
        path: String,
        /// Why.
        source: rusqlite::Error,
    },
    /// It is no record.
    #[error("`{path}` is no record of dryfire: {what}")]
    NotARecord {
        /// The file.
        path: String,
        /// What it is instead.
        what: String,
    },
    /// It was written by a later version.
    #[error(
        "`{path}` is a record of format {version}, and this dryfire reads formats up to {known}; a later one reads it"
    )]
    Newer {
        /// The file.
        path: String,
        /// Its format.
        version: i64,
        /// The newest that is known here.
        known: i64,
    },
    /// What it holds contradicts itself.
    #[error("the record `{path}` is damaged: {what}")]
    Damaged {
        /// The file.
        path: String,
        /// What is wrong.
        what: String,
    },
    /// A block of samples cannot be decoded.
    #[error("the record `{path}` is damaged: samples of signal {signal} in run {run}, part {part}: {source}")]
    Block {
        /// The file.
        path: String,
        /// The run's number.
        run: usize,
        /// The signal's index.
        signal: u16,
        /// Which of its stretches.
        part: u32,
        /// What is wrong.
        source: BlockError,
    },
    /// It is finished: nothing can be added.
    #[error("the record `{path}` is finished; there is nothing to go on with")]
    Finished {
        /// The file.
        path: String,
    },
}

pub(crate) fn sqlite(path: &Path, source: rusqlite::Error) -> RecordError {
    RecordError::Sqlite { path: path.display().to_string(), source }
}

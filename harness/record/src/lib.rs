//! The run store: one SQLite file that is written as a session goes on, can be
//! read years later, and shows when a byte of it was changed.
//!
//! ```text
//! Beginning ──▶ Writer ──▶ Recorder ──▶ Watcher (one for each run, in its thread)
//!                             │
//!                             ▼
//! Record ◀── file ◀── Writer::finish ──▶ Seal
//! ```
//!
//! `docs/record.md` describes the tables, the blocks of samples and the seal, so
//! that nobody needs this crate to read a record. The encoding of samples
//! ([`encode`], [`decode`]) is pure; everything else is the edge where the file is.

mod block;
mod error;
mod follow;
mod model;
mod reader;
mod rejudge;
mod replay;
mod schema;
pub mod seal;
pub mod utc;
mod words;
mod writer;

pub use block::{BlockError, MOST_SAMPLES, Reading, Sample, decode, encode};
pub use error::RecordError;
pub use follow::{LogSender, Pace, Recorder};
pub use model::{
    Beginning, Edge, ExpectationWindow, Fact, File, FileRole, LevelLimit, Note, PlannedRun, Run, RunState, Session,
    SessionFacts, Stretch, TimedEvent, topic,
};
pub use reader::{Column, Record, Samples};
pub use rejudge::{Changed, Rejudged, other_run, rejudge};
pub use schema::VERSION;
pub use seal::{ChangedPart, Seal, SealCheck};
pub use writer::Writer;

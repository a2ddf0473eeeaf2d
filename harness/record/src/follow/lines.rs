//! Log lines on their way into the record: from any thread, and never in anybody's way.

use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::SyncSender;
use std::sync::{Arc, Weak};

use super::Message;
use crate::model::Note;
use crate::utc;

/// Lines that one session keeps: a program that floods its standard error does not fill the disk with it.
const MOST_LINES: u64 = 10_000;
/// Characters of a line that are kept.
const MOST_LETTERS: usize = 2_000;

/// How many lines were taken, and how many were not.
#[derive(Debug, Default)]
pub(super) struct Count {
    taken: AtomicU64,
    left_out: AtomicU64,
}

impl Count {
    /// What is said at the end of the lines that are not there.
    pub(super) fn last_line(&self) -> Option<Note> {
        let left_out = self.left_out.load(Ordering::Relaxed);
        (left_out > 0).then(|| Note {
            at: utc::now(),
            run: None,
            kind: "warn".to_owned(),
            text: format!(
                "{left_out} log lines are not in this record: there were more than {MOST_LINES}, or they came faster \
                 than they could be written"
            ),
        })
    }
}

/// Hands log lines to a record, as long as it is written.
#[derive(Clone, Debug)]
pub struct LogSender {
    /// Not its owner: who keeps a sender does not keep the record open.
    sender: Weak<SyncSender<Message>>,
    count: Arc<Count>,
}

impl LogSender {
    pub(super) fn new(sender: &Arc<SyncSender<Message>>, count: &Arc<Count>) -> Self {
        LogSender { sender: Arc::downgrade(sender), count: Arc::clone(count) }
    }

    /// Adds a log line, whose kind is its level. Never waits: lines that come faster than they can be
    /// written are left out, as are those beyond 10,000; the record says how many.
    pub fn log(&self, mut line: Note) {
        let Some(sender) = self.sender.upgrade() else { return };
        if let Some((end, _)) = line.text.char_indices().nth(MOST_LETTERS) {
            line.text.truncate(end);
            line.text.push('…');
        }
        let room = self.count.taken.fetch_add(1, Ordering::Relaxed) < MOST_LINES;
        if !room || sender.try_send(Message::Log(line)).is_err() {
            self.count.left_out.fetch_add(1, Ordering::Relaxed);
        }
    }
}

//! Follows runs in their own threads and hands what they saw to the one writer.
#![expect(clippy::disallowed_methods, clippy::disallowed_types, reason = "parts are handed on by the wall clock")]

mod lines;

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, TryRecvError, sync_channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use dryfire_bench::{BenchIdentity, Watcher};
use dryfire_engine::{Event, ScenarioResult};
use dryfire_judge::SignalId;
use dryfire_units::{RigSpan, RigTime};

use crate::block::{Reading, Sample, encode};
use crate::model::{Edge, Note, Stretch, TimedEvent};
use crate::writer::Writer;
use crate::{RecordError, utc};

pub use self::lines::LogSender;

/// How many samples a block holds when it is full: about a quarter of an hour at one a second.
const BLOCK: usize = 1_024;
/// How many edges one row holds.
const EDGES: usize = 512;
/// Parts that may wait for the writer.
const WAITING: usize = 1_024;
/// Handed on and committed so often by the wall clock: at most the last second is ever lost.
const WALL: Duration = Duration::from_millis(300);
/// Handed on so often in rig time, where a rig stands in the real world.
const RIG: RigSpan = RigSpan::from_millis(400);

/// By which clock no more than the last second may be lost.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pace {
    /// The wall clock: for benches in virtual time.
    Wall,
    /// Rig time: for rigs.
    Rig,
}

/// A part of a run: what is new since the part before, and the blocks that have grown.
#[derive(Debug, Default)]
pub(crate) struct RunPart {
    /// Number of the first of `edges` within the run, from 0.
    pub(crate) first_edge: u64,
    pub(crate) edges: Vec<Edge>,
    pub(crate) blocks: Vec<(SignalId, Stretch, Vec<u8>)>,
    /// Number of the first of `events` within the run, from 0.
    pub(crate) first_event: u64,
    pub(crate) events: Vec<TimedEvent>,
}

/// What is handed to the writer.
enum Message {
    Begun { run: usize, at: String, identity: String, fresh: bool },
    Part { run: usize, part: RunPart },
    Finished { run: usize, at: String, result: Box<ScenarioResult>, cut_short: bool },
    Concluded { run: usize, result: Box<ScenarioResult> },
    Note(Note),
    Log(Note),
}

/// Writes a record in a thread of its own while the runs go on.
#[derive(Debug)]
pub struct Recorder {
    sender: Arc<SyncSender<Message>>,
    lines: Arc<lines::Count>,
    writer: JoinHandle<Result<Writer, RecordError>>,
    pace: Pace,
    stop: Arc<AtomicBool>,
    failed: Arc<Mutex<Option<String>>>,
}

impl Recorder {
    /// Begins. A run that is cut short after `stop` was set counts as broken off, not as finished;
    /// when nothing can be written any more, `stop` is set from here: what is not recorded need not run.
    ///
    /// # Errors
    /// When no thread can be had.
    pub fn start(writer: Writer, pace: Pace, stop: Arc<AtomicBool>) -> Result<Self, RecordError> {
        let (sender, receiver) = sync_channel(WAITING);
        let failed = Arc::new(Mutex::new(None));
        let failure = Arc::clone(&failed);
        let ended = Arc::clone(&stop);
        let writer = std::thread::Builder::new()
            .name("record".to_owned())
            .spawn(move || {
                let written = write(writer, &receiver, pace);
                if let Err(error) = &written {
                    *failure.lock().unwrap_or_else(PoisonError::into_inner) = Some(error.to_string());
                    ended.store(true, Ordering::Relaxed);
                    // Whoever hands on must never wait for a writer that is gone.
                    drop(receiver);
                }
                written
            })
            .map_err(|source| RecordError::Io { what: "the thread that writes the record".to_owned(), source })?;
        Ok(Recorder { sender: Arc::new(sender), lines: Arc::default(), writer, pace, stop, failed })
    }

    /// Who follows the run of this number (from 1).
    pub fn watcher(&self, run: usize) -> Box<dyn Watcher> {
        Box::new(Follower {
            run,
            sender: SyncSender::clone(&self.sender),
            pace: self.pace,
            levels: Vec::new(),
            full: Vec::new(),
            edges: Vec::new(),
            first_edge: 0,
            events: Vec::new(),
            first_event: 0,
            levels_until: None,
            cut_short: false,
            stop: Arc::clone(&self.stop),
            looked: 0,
            handed_on: Instant::now(),
            handed_on_at: RigTime::ZERO,
        })
    }

    /// What a run (by its number, from 1) came to in the session: nothing that may still come changes it.
    pub fn concluded(&self, run: usize, result: &ScenarioResult) {
        // A writer that is gone has said why.
        let _ = self.sender.send(Message::Concluded { run, result: Box::new(result.clone()) });
    }

    /// Adds a note: of the operator, or of what interrupted the session.
    pub fn note(&self, note: Note) {
        // A writer that is gone has said why.
        let _ = self.sender.send(Message::Note(note));
    }

    /// Where log lines go, from any thread.
    pub fn log_sender(&self) -> LogSender {
        LogSender::new(&self.sender, &self.lines)
    }

    /// What went wrong with writing, as soon as something has: what runs on is not recorded any more.
    pub fn failure(&self) -> Option<String> {
        self.failed.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Waits until everything is written.
    ///
    /// # Errors
    /// What went wrong on the way.
    pub fn close(self) -> Result<Writer, RecordError> {
        if let Some(line) = self.lines.last_line() {
            // A writer that is gone says why below.
            let _ = self.sender.send(Message::Log(line));
        }
        drop(self.sender);
        self.writer.join().map_err(|_| RecordError::Damaged {
            path: String::new(),
            what: "the thread that writes the record broke down; this is a fault of dryfire".to_owned(),
        })?
    }
}

fn write(mut writer: Writer, receiver: &Receiver<Message>, pace: Pace) -> Result<Writer, RecordError> {
    let mut committed = Instant::now();
    loop {
        let message = match pace {
            Pace::Rig => match receiver.try_recv() {
                Err(TryRecvError::Empty) => {
                    writer.commit()?;
                    receiver.recv().map_err(|_| RecvTimeoutError::Disconnected)
                }
                Err(TryRecvError::Disconnected) => Err(RecvTimeoutError::Disconnected),
                Ok(message) => Ok(message),
            },
            Pace::Wall => receiver.recv_timeout(WALL),
        };
        match message {
            Ok(message) => take(&mut writer, message)?,
            Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => {
                writer.commit()?;
                return Ok(writer);
            }
        }
        if committed.elapsed() >= WALL {
            writer.commit()?;
            committed = Instant::now();
        }
    }
}

fn take(writer: &mut Writer, message: Message) -> Result<(), RecordError> {
    match message {
        Message::Begun { run, at, identity, fresh } => writer.run_began(run, &at, &identity, fresh),
        Message::Part { run, part } => writer.part(run, &part),
        Message::Finished { run, at, result, cut_short } => writer.run_finished(run, &at, &result, cut_short),
        Message::Concluded { run, result } => writer.run_concluded(run, &result),
        Message::Note(note) => writer.note(&note),
        Message::Log(line) => writer.log(&line),
    }
}

/// The samples of one level that are not in a full block yet.
#[derive(Debug, Default)]
struct Level {
    part: u32,
    samples: Vec<Sample>,
    /// Whether some of them have not been handed on.
    fresh: bool,
}

/// Follows one run.
struct Follower {
    run: usize,
    sender: SyncSender<Message>,
    pace: Pace,
    /// By signal.
    levels: Vec<Level>,
    full: Vec<(SignalId, Stretch, Vec<u8>)>,
    edges: Vec<Edge>,
    first_edge: u64,
    events: Vec<TimedEvent>,
    first_event: u64,
    levels_until: Option<RigTime>,
    cut_short: bool,
    stop: Arc<AtomicBool>,
    looked: u32,
    handed_on: Instant,
    handed_on_at: RigTime,
}

impl Watcher for Follower {
    fn begun(&mut self, bench: &BenchIdentity) {
        let (run, identity) = (self.run, bench.description.clone());
        let fresh = bench.fresh_controller;
        self.send(Message::Begun { run, at: utc::now(), identity, fresh });
    }

    fn event(&mut self, event: &Event) {
        match event {
            Event::Sampled { at, signal, value } => self.sample(*at, *signal, Reading::Value(*value)),
            Event::Unobserved { at, signal, until } => self.sample(*at, *signal, Reading::Unobserved { until: *until }),
            Event::Switched { at, signal, on } => {
                self.edges.push(Edge { at: *at, signal: *signal, on: *on });
                if self.edges.len() >= EDGES {
                    self.hand_on();
                }
                self.look(*at);
            }
            other => {
                self.cut_short |= matches!(other, Event::Ended { cut_short: true, .. });
                self.events.push(TimedEvent {
                    event: other.clone(),
                    edges_before: self.first_edge + self.edges.len() as u64,
                    levels_until: self.levels_until,
                });
            }
        }
    }

    fn finished(&mut self, result: &ScenarioResult) {
        self.close_blocks();
        self.hand_on();
        let (run, cut_short) = (self.run, self.cut_short);
        if cut_short && self.stop.load(Ordering::Relaxed) {
            // It says in the record that it was begun, and not that it ended.
            return;
        }
        self.send(Message::Finished { run, at: utc::now(), result: Box::new(result.clone()), cut_short });
    }
}

impl Follower {
    /// A writer that is gone has said why; the run itself goes on.
    fn send(&mut self, message: Message) {
        let _ = self.sender.send(message);
    }

    fn sample(&mut self, at: RigTime, signal: SignalId, reading: Reading) {
        let index = usize::from(signal.0);
        if index >= self.levels.len() {
            self.levels.resize_with(index + 1, Level::default);
        }
        let level = &mut self.levels[index];
        level.samples.push(Sample { at, reading });
        level.fresh = true;
        if level.samples.len() >= BLOCK {
            self.full.push(block(signal, level));
            level.part += 1;
            level.samples.clear();
            level.fresh = false;
            if self.full.len() >= 16 {
                self.hand_on();
            }
        }
        if self.levels_until != Some(at) {
            self.levels_until = Some(at);
            self.look(at);
        }
    }

    /// Hands on what there is when it is time.
    fn look(&mut self, at: RigTime) {
        let due = match self.pace {
            Pace::Rig => at - self.handed_on_at >= RIG,
            Pace::Wall => {
                // Asking the clock for every sample would cost more than the sample.
                self.looked += 1;
                self.looked.is_multiple_of(64) && self.handed_on.elapsed() >= WALL
            }
        };
        if due {
            self.handed_on_at = at;
            self.close_blocks();
            self.hand_on();
        }
    }

    /// Encodes what is in no full block; the blocks stay open and will be written again when they have grown.
    fn close_blocks(&mut self) {
        for (index, level) in self.levels.iter_mut().enumerate() {
            if level.fresh {
                self.full.push(block(SignalId(index as u16), level));
                level.fresh = false;
            }
        }
    }

    fn hand_on(&mut self) {
        self.handed_on = Instant::now();
        if self.full.is_empty() && self.edges.is_empty() && self.events.is_empty() {
            return;
        }
        let part = RunPart {
            first_edge: self.first_edge,
            edges: std::mem::take(&mut self.edges),
            blocks: std::mem::take(&mut self.full),
            first_event: self.first_event,
            events: std::mem::take(&mut self.events),
        };
        self.first_edge += part.edges.len() as u64;
        self.first_event += part.events.len() as u64;
        let run = self.run;
        self.send(Message::Part { run, part });
    }
}

fn block(signal: SignalId, level: &Level) -> (SignalId, Stretch, Vec<u8>) {
    let samples = &level.samples;
    let mut range: Option<(i64, i64)> = None;
    let mut unobserved = 0;
    for sample in samples {
        match sample.reading {
            Reading::Value(value) => {
                let (least, greatest) = range.unwrap_or((value, value));
                range = Some((least.min(value), greatest.max(value)));
            }
            Reading::Unobserved { .. } => unobserved += 1,
        }
    }
    let stretch = Stretch {
        part: level.part,
        from: samples[0].at,
        until: samples[samples.len() - 1].at,
        // At most `BLOCK`.
        count: samples.len() as u32,
        unobserved,
        range,
    };
    (signal, stretch, encode(samples))
}

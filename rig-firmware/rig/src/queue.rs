//! What waits inside a rig: commands for their instant, edges and console text for the link.

use dryfire_link::{CONSOLE_CHUNK, Edge, Edges, ProbeDrive};
use dryfire_units::{Disturbance, RigSpan, RigTime};
use heapless::{Deque, Vec};

/// What a command does.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Task {
    Probe { channel: u8, drive: ProbeDrive },
    Disturb { channel: u8, disturbance: Disturbance },
    Contact { output: u8, closed: bool },
    Supply { on: bool },
    ColdJunction { millicelsius: i32 },
    Console { last: bool, chunk: Vec<u8, CONSOLE_CHUNK> },
}

/// A command whose instant is still to come.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Scheduled {
    pub(crate) command: u32,
    pub(crate) at: RigTime,
    pub(crate) task: Task,
}

/// Commands by instant; those of the same instant as they came.
#[derive(Debug, Default)]
pub(crate) struct Schedule<const N: usize> {
    waiting: Vec<Scheduled, N>,
}

impl<const N: usize> Schedule<N> {
    pub(crate) const fn new() -> Self {
        Schedule { waiting: Vec::new() }
    }

    /// Takes a command; says whether there was room.
    pub(crate) fn insert(&mut self, scheduled: Scheduled) -> bool {
        let place = self.waiting.iter().position(|other| other.at > scheduled.at).unwrap_or(self.waiting.len());
        self.waiting.insert(place, scheduled).is_ok()
    }

    pub(crate) fn first_at(&self) -> Option<RigTime> {
        self.waiting.first().map(|scheduled| scheduled.at)
    }

    pub(crate) fn take_due(&mut self, now: RigTime) -> Option<Scheduled> {
        (self.first_at()? <= now).then(|| self.waiting.remove(0))
    }

    pub(crate) fn len(&self) -> usize {
        self.waiting.len()
    }

    pub(crate) fn clear(&mut self) {
        self.waiting.clear();
    }
}

/// Edges in order. A full ring keeps what it has; what comes then is lost, but
/// uses up its number, so that the gap shows.
#[derive(Debug)]
pub(crate) struct EdgeRing<const N: usize> {
    ring: Deque<Edge, N>,
    next: u32,
    lost: u32,
}

impl<const N: usize> EdgeRing<N> {
    pub(crate) const fn new() -> Self {
        EdgeRing { ring: Deque::new(), next: 0, lost: 0 }
    }

    pub(crate) fn push(&mut self, at: RigTime, input: u8, high: bool) {
        let edge = Edge { at, index: self.next, input, high };
        if self.ring.push_back(edge).is_ok() {
            self.next = self.next.wrapping_add(1);
        } else {
            self.lose();
        }
    }

    /// Counts an edge that was there and cannot be told.
    pub(crate) fn lose(&mut self) {
        self.next = self.next.wrapping_add(1);
        self.lost = self.lost.saturating_add(1);
    }

    pub(crate) fn front(&self) -> Option<&Edge> {
        self.ring.front()
    }

    /// As many of the oldest as fit into a message, and how many that is.
    pub(crate) fn batch(&self) -> Option<(Edges, usize)> {
        let mut waiting = self.ring.iter();
        let mut edges = Edges::new(waiting.next()?);
        let more = waiting.take_while(|edge| edges.push(edge)).count();
        Some((edges, 1 + more))
    }

    pub(crate) fn pop(&mut self, count: usize) {
        for _ in 0..count {
            self.ring.pop_front();
        }
    }

    /// Edges numbered so far.
    pub(crate) fn numbered(&self) -> u32 {
        self.next
    }

    pub(crate) fn lost(&self) -> u32 {
        self.lost
    }

    /// Forgets everything and counts from 0 again. In place: the ring is too big for a stack.
    pub(crate) fn clear(&mut self) {
        self.ring.clear();
        (self.next, self.lost) = (0, 0);
    }
}

/// Text from the controller's console, cut so that a line end is always the
/// last byte of a chunk: the chunk's instant is then that of the line's end.
#[derive(Debug)]
pub(crate) struct ConsoleQueue<const N: usize> {
    chunks: Deque<(RigTime, Vec<u8, CONSOLE_CHUNK>), N>,
    open: Vec<u8, CONSOLE_CHUNK>,
    lost_bytes: u32,
}

impl<const N: usize> ConsoleQueue<N> {
    pub(crate) const fn new() -> Self {
        ConsoleQueue { chunks: Deque::new(), open: Vec::new(), lost_bytes: 0 }
    }

    pub(crate) fn push(&mut self, at: RigTime, bytes: &[u8]) {
        for byte in bytes {
            // Cannot fail: a full chunk was closed at once.
            let _ = self.open.push(*byte);
            if *byte == b'\n' || self.open.is_full() {
                let chunk = core::mem::take(&mut self.open);
                if let Err((_, chunk)) = self.chunks.push_back((at, chunk)) {
                    self.lost_bytes = self.lost_bytes.saturating_add(chunk.len() as u32);
                }
            }
        }
    }

    pub(crate) fn front(&self) -> Option<&(RigTime, Vec<u8, CONSOLE_CHUNK>)> {
        self.chunks.front()
    }

    pub(crate) fn pop(&mut self) {
        self.chunks.pop_front();
    }

    pub(crate) fn lost_bytes(&self) -> u32 {
        self.lost_bytes
    }

    pub(crate) fn clear(&mut self) {
        self.chunks.clear();
        self.open.clear();
        self.lost_bytes = 0;
    }
}

/// One microsecond, the clock's step.
pub(crate) const TICK: RigSpan = RigSpan::from_micros(1);

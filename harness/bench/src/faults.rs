//! A wire that goes wrong on purpose.

use std::collections::VecDeque;
use std::time::Duration;

use dryfire_link::LinkTime;

use crate::transport::{Transport, TransportError};

/// How often a frame suffers which of the communication errors of IEC 61784-3:
/// one in so many; 0: never.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct WireFaults {
    /// A bit is flipped.
    pub corruption: u32,
    /// The frame comes a second time.
    pub repetition: u32,
    /// The frame is overtaken by those behind it.
    pub wrong_sequence: u32,
    /// The frame does not come.
    pub loss: u32,
    /// The frame comes later by [`Self::delayed_by`], and everything else goes on.
    pub delay: u32,
    /// By how much, in microseconds of link time.
    pub delayed_by: u32,
    /// A frame from before, of either direction and perhaps of another session, comes in between.
    pub insertion: u32,
    /// For a while nothing comes through; it is held up and comes afterwards.
    pub stall: Option<Stall>,
    /// From this instant on, in microseconds of link time, the port is gone.
    pub unplug_at: Option<u64>,
}

/// A time in which nothing comes through.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stall {
    /// When it begins, microseconds of link time.
    pub at: u64,
    /// How long it is, microseconds.
    pub lasts: u64,
}

/// What a faulty wire has done so far.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct FaultCounts {
    /// Frames that went in, both ways.
    pub frames: u64,
    /// Bits flipped.
    pub corrupted: u64,
    /// Frames doubled.
    pub repeated: u64,
    /// Frames overtaken.
    pub reordered: u64,
    /// Frames lost.
    pub lost: u64,
    /// Frames delayed.
    pub delayed: u64,
    /// Frames inserted.
    pub inserted: u64,
}

/// A frame that is overtaken waits this long.
const OVERTAKEN: u64 = 1_500;
/// Frames kept for insertion.
const REMEMBERED: usize = 64;

/// Any transport, with faults. The same seed gives the same faults for the same frames.
#[derive(Debug)]
pub struct FaultyTransport<T> {
    inner: T,
    faults: WireFaults,
    dice: Dice,
    counts: FaultCounts,
    outgoing: VecDeque<Held>,
    incoming: VecDeque<Held>,
    /// Bytes of a frame whose end has not come yet.
    partial: Vec<u8>,
    remembered: VecDeque<Vec<u8>>,
}

#[derive(Debug)]
struct Held {
    due: u64,
    frame: Vec<u8>,
}

impl<T: Transport> FaultyTransport<T> {
    /// Puts faults around a transport.
    pub fn new(inner: T, faults: WireFaults, seed: u64) -> Self {
        FaultyTransport {
            inner,
            faults,
            dice: Dice(seed),
            counts: FaultCounts::default(),
            outgoing: VecDeque::new(),
            incoming: VecDeque::new(),
            partial: Vec::new(),
            remembered: VecDeque::new(),
        }
    }

    /// What has been done so far.
    pub fn counts(&self) -> FaultCounts {
        self.counts
    }

    /// What it is around.
    pub fn inner(&self) -> &T {
        &self.inner
    }

    fn check_plug(&self) -> Result<(), TransportError> {
        if self.faults.unplug_at.is_some_and(|at| self.inner.now().as_micros() >= at) {
            let (port, cause) = ("faulty wire".to_owned(), "unplugged on purpose".to_owned());
            return Err(TransportError::Gone { port, cause });
        }
        Ok(())
    }

    /// What becomes of one frame: copies with the instants at which they come through.
    fn suffer(&mut self, frame: &[u8]) -> Vec<Held> {
        let faults = self.faults;
        let now = self.inner.now().as_micros();
        self.counts.frames += 1;
        let mut through = Vec::with_capacity(1);
        if self.dice.one_in(faults.insertion) && !self.remembered.is_empty() {
            let old = self.dice.below(self.remembered.len());
            through.push(Held { due: now, frame: self.remembered[old].clone() });
            self.counts.inserted += 1;
        }
        if faults.insertion > 0 {
            if self.remembered.len() == REMEMBERED {
                self.remembered.pop_front();
            }
            self.remembered.push_back(frame.to_vec());
        }
        if self.dice.one_in(faults.loss) {
            self.counts.lost += 1;
            return through;
        }
        let mut frame = frame.to_vec();
        if self.dice.one_in(faults.corruption) {
            let at = self.dice.below(frame.len());
            frame[at] ^= 1 << self.dice.below(8);
            self.counts.corrupted += 1;
        }
        let mut due = now;
        if self.dice.one_in(faults.wrong_sequence) {
            due += OVERTAKEN;
            self.counts.reordered += 1;
        }
        if self.dice.one_in(faults.delay) {
            due += u64::from(faults.delayed_by);
            self.counts.delayed += 1;
        }
        if self.dice.one_in(faults.repetition) {
            through.push(Held { due, frame: frame.clone() });
            self.counts.repeated += 1;
        }
        through.push(Held { due, frame });
        for held in &mut through {
            held.due = self.after_stall(held.due);
        }
        through
    }

    fn after_stall(&self, due: u64) -> u64 {
        match self.faults.stall {
            Some(Stall { at, lasts }) if due >= at && due < at + lasts => at + lasts,
            _ => due,
        }
    }

    /// Sends what is due; all in one go.
    fn send_due(&mut self) -> Result<(), TransportError> {
        let now = self.inner.now().as_micros();
        let mut frames = Vec::new();
        take_due(&mut self.outgoing, now, &mut frames);
        if frames.is_empty() { Ok(()) } else { self.inner.write(&frames) }
    }

    fn next_due(&self) -> Option<u64> {
        self.outgoing.iter().chain(&self.incoming).map(|held| held.due).min()
    }
}

fn take_due(held: &mut VecDeque<Held>, now: u64, into: &mut Vec<u8>) {
    held.retain(|held| {
        let due = held.due <= now;
        if due {
            into.extend_from_slice(&held.frame);
        }
        !due
    });
}

impl<T: Transport> Transport for FaultyTransport<T> {
    fn now(&self) -> LinkTime {
        self.inner.now()
    }

    fn read(&mut self, into: &mut Vec<u8>, timeout: Duration) -> Result<(), TransportError> {
        let start = self.inner.now();
        let end = start + u64::try_from(timeout.as_micros()).unwrap_or(u64::MAX);
        let before = into.len();
        loop {
            self.check_plug()?;
            self.send_due()?;
            let now = self.inner.now();
            take_due(&mut self.incoming, now.as_micros(), into);
            if into.len() > before || (now >= end && now > start) {
                return Ok(());
            }
            let mut wait = end.micros_since(now);
            if let Some(due) = self.next_due() {
                wait = wait.min(due.saturating_sub(now.as_micros()));
            }
            let mut bytes = Vec::new();
            self.inner.read(&mut bytes, Duration::from_micros(wait))?;
            for byte in bytes {
                self.partial.push(byte);
                if byte == 0 {
                    let frame = std::mem::take(&mut self.partial);
                    let through = self.suffer(&frame);
                    self.incoming.extend(through);
                }
            }
            if timeout.is_zero() {
                take_due(&mut self.incoming, self.inner.now().as_micros(), into);
                return Ok(());
            }
        }
    }

    fn write(&mut self, frames: &[u8]) -> Result<(), TransportError> {
        self.check_plug()?;
        for frame in frames.split_inclusive(|byte| *byte == 0) {
            let through = self.suffer(frame);
            self.outgoing.extend(through);
        }
        self.send_due()
    }
}

/// A small generator of our own, so that a seed means the same for ever (SplitMix64:
/// G. Steele, D. Lea, C. Flood, OOPSLA 2014; constants from memory).
#[derive(Clone, Debug)]
struct Dice(u64);

impl Dice {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    fn below(&mut self, limit: usize) -> usize {
        (self.next() % limit.max(1) as u64) as usize
    }

    fn one_in(&mut self, often: u32) -> bool {
        often > 0 && self.next().is_multiple_of(u64::from(often))
    }
}

//! What the host knows of one run on a rig.

use std::collections::BTreeMap;

use dryfire_engine::{CommandId, Observation, RigCounters, Trouble, TroubleKind};
use dryfire_link::{Edge, Heartbeat, LinkTime, RigMessage};
use dryfire_units::{RigSpan, RigTime};

use super::wire::{refused, restarted, trouble, went_safe};

/// The longest line of the controller's console that is kept together.
const LONGEST_LINE: usize = 4_096;

/// Place of an observation among those of the same instant.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Rank {
    Acknowledgement(u32),
    SupplyRail,
    ColdJunction,
    Edge(u8),
    Console,
}

/// Takes what the rig tells and gives observations in order, up to the watermark.
pub(crate) struct RunState {
    origin: RigTime,
    boot_id: u32,
    /// The watermark: everything up to and including this instant is known.
    pub(crate) complete: RigTime,
    /// The last watermark given out.
    given: Option<RigTime>,
    /// When the watermark last moved.
    pub(crate) moved_at: LinkTime,
    held: Vec<(RigTime, Rank, Observation)>,
    /// Commands that are under way, with their instants.
    pub(crate) outstanding: BTreeMap<u32, RigTime>,
    line: Vec<u8>,
    next_edge: u32,
    edges_missing: u32,
    counters: RigCounters,
    told: RigCounters,
    damaged_before: u32,
}

impl RunState {
    pub(crate) fn new(origin: RigTime, boot_id: u32, damaged_before: u32, now: LinkTime) -> Self {
        RunState {
            origin,
            boot_id,
            complete: RigTime::ZERO - RigSpan::from_micros(1),
            given: None,
            moved_at: now,
            held: Vec::new(),
            outstanding: BTreeMap::new(),
            line: Vec::new(),
            next_edge: 0,
            edges_missing: 0,
            counters: RigCounters::default(),
            told: RigCounters::default(),
            damaged_before,
        }
    }

    /// An instant of the run on the rig's clock.
    pub(crate) fn on_rig(&self, at: RigTime) -> RigTime {
        self.origin.saturating_add(at.since_origin())
    }

    fn in_run(&self, at: RigTime) -> RigTime {
        // Whatever a rig says must not bring the host down.
        RigTime::from_micros(at.as_micros().saturating_sub(self.origin.as_micros()))
    }

    /// Takes a message; says whether the watermark moved.
    pub(crate) fn handle(&mut self, message: RigMessage, damaged: u32, now: LinkTime) -> Result<bool, Trouble> {
        match message {
            RigMessage::Applied { command, at } => {
                self.outstanding.remove(&command);
                let at = self.in_run(at);
                let seen = Observation::Applied { command: CommandId(command), at };
                self.held.push((at, Rank::Acknowledgement(command), seen));
            }
            RigMessage::Edges(edges) => {
                for Edge { index, at, input, high } in edges.iter() {
                    self.count_edges(index)?;
                    self.next_edge = index.wrapping_add(1);
                    let at = self.in_run(at);
                    self.held.push((at, Rank::Edge(input), Observation::Edge { at, input, high }));
                }
            }
            RigMessage::SupplyRail { at, on } => {
                let at = self.in_run(at);
                self.held.push((at, Rank::SupplyRail, Observation::SupplyRail { at, on }));
            }
            RigMessage::ColdJunction { at, millicelsius } => self.cold_junction(self.in_run(at), millicelsius),
            RigMessage::Console { at, chunk } => self.console(self.in_run(at), &chunk),
            RigMessage::Heartbeat(beat) => return self.heartbeat(&beat, damaged, now),
            RigMessage::Refused { command, why } => return Err(refused(command, why)),
            RigMessage::Welcome(_)
            | RigMessage::Started { .. }
            | RigMessage::Calibration { .. }
            | RigMessage::CalibrationPage { .. }
            | RigMessage::Playing { .. }
            | RigMessage::Began { .. } => {
                let detail = "the rig began something by itself in the middle of the run";
                return Err(trouble(TroubleKind::LinkRefused, detail));
            }
        }
        Ok(false)
    }

    /// Counts edges between the last one told and number `next` as missing.
    fn count_edges(&mut self, next: u32) -> Result<(), Trouble> {
        if next < self.next_edge {
            let detail = format!("the rig told edge {next} after edge {}", self.next_edge.wrapping_sub(1));
            return Err(trouble(TroubleKind::OutOfOrder, detail));
        }
        self.edges_missing = self.edges_missing.saturating_add(next - self.next_edge);
        Ok(())
    }

    /// The sensor at the controller's terminals was read.
    pub(crate) fn cold_junction(&mut self, at: RigTime, millicelsius: Option<i32>) {
        let seen = Observation::ColdJunction { at, millicelsius: millicelsius.map(i64::from) };
        self.held.push((at, Rank::ColdJunction, seen));
    }

    fn console(&mut self, at: RigTime, bytes: &[u8]) {
        for byte in bytes {
            if *byte != b'\n' && self.line.len() < LONGEST_LINE {
                self.line.push(*byte);
                continue;
            }
            let mut line = std::mem::take(&mut self.line);
            if *byte != b'\n' {
                self.line.push(*byte);
            } else if line.last() == Some(&b'\r') {
                line.pop();
            }
            let line = String::from_utf8_lossy(&line).into_owned();
            self.held.push((at, Rank::Console, Observation::Console { at, line }));
        }
    }

    fn heartbeat(&mut self, beat: &Heartbeat, damaged: u32, now: LinkTime) -> Result<bool, Trouble> {
        if beat.boot_id != self.boot_id {
            return Err(restarted());
        }
        self.count_edges(beat.edges)?;
        self.next_edge = beat.edges;
        self.counters = RigCounters {
            // The rig also counts supply rail changes that it lost; a gap that it did not count is one too.
            lost_edges: beat.counters.lost_edges.max(self.edges_missing).max(self.counters.lost_edges),
            lost_console_bytes: beat.counters.lost_console_bytes,
            late_setpoints: beat.counters.late_setpoints,
            damaged_frames: beat.counters.damaged_frames.saturating_add(damaged - self.damaged_before),
        };
        let complete = self.in_run(beat.complete_until);
        let moved = complete > self.complete && complete >= RigTime::ZERO;
        if moved {
            self.complete = complete;
            self.moved_at = now;
        }
        if beat.safe {
            return Err(went_safe(""));
        }
        Ok(moved)
    }

    /// Something that the host itself has to tell.
    pub(crate) fn operator_done(&mut self, command: CommandId, at: RigTime) {
        let at = at.max(self.complete).max(RigTime::ZERO);
        let seen = Observation::OperatorDone { command, at };
        self.held.push((at, Rank::Acknowledgement(command.0), seen));
    }

    /// Gives out what lies up to the watermark, in order, then the watermark if it has moved.
    pub(crate) fn give(&mut self, observations: &mut Vec<Observation>) {
        let complete = self.complete;
        let mut ready: Vec<_> = self.held.extract_if(.., |(at, ..)| *at <= complete).collect();
        // Stable: two edges of one input in the same microsecond stay as they came.
        ready.sort_by_key(|(at, rank, _)| (*at, *rank));
        observations.extend(ready.into_iter().map(|(.., seen)| seen));
        if self.counters != self.told {
            self.told = self.counters;
            observations.push(Observation::Counters(self.counters));
        }
        if self.given.is_none_or(|given| given < complete) && complete >= RigTime::ZERO {
            self.given = Some(complete);
            observations.push(Observation::Complete { until: complete });
        }
    }
}

//! What goes to the host, and up to when everything has.

use dryfire_link::{Heartbeat, LinkPacing, LinkTime, Refusal, RigMessage};
use dryfire_units::RigTime;

use super::{HEARTBEAT_FREE, HEARTBEAT_IDLE, Phase, Rig};
use crate::queue::TICK;

impl<const EDGES: usize> Rig<EDGES> {
    /// Queues a message; says whether there was room.
    pub(super) fn notice(&mut self, message: RigMessage) -> bool {
        self.notices.push_back(message).is_ok()
    }

    pub(super) fn refuse(&mut self, command: Option<u32>, why: Refusal) {
        self.notice(RigMessage::Refused { command, why });
    }

    /// Moves what waits into the link, as far as that has room.
    pub(super) fn pump(&mut self) {
        while let Some(message) = self.notices.front() {
            if self.link.send(message).is_err() {
                return;
            }
            self.notices.pop_front();
        }
        // A message with many of them is not made for nothing while the window is full.
        while self.link.room() > 0
            && let Some((edges, count)) = self.edges.batch()
        {
            if self.link.send(&RigMessage::Edges(edges)).is_err() {
                return;
            }
            self.edges.pop(count);
        }
        while let Some((at, chunk)) = self.console.front() {
            if self.link.send(&RigMessage::Console { at: *at, chunk: chunk.clone() }).is_err() {
                return;
            }
            self.console.pop();
        }
    }

    /// Up to when everything has gone into the link.
    ///
    /// A clock that stands still can be claimed up to and including now: what a later
    /// command does at this very instant is its own doing. A clock that runs can
    /// still bring an edge in this microsecond.
    pub(super) fn complete_until(&self) -> RigTime {
        let so_far = match self.begin.pacing {
            LinkPacing::Stepped => self.clock,
            LinkPacing::Free => self.clock - TICK,
        };
        let edge = self.edges.front().map(|edge| edge.at);
        let console = self.console.front().map(|(at, _)| *at);
        let notices = self.notices.iter().filter_map(|message| match message {
            RigMessage::Applied { at, .. }
            | RigMessage::SupplyRail { at, .. }
            | RigMessage::ColdJunction { at, .. } => Some(*at),
            RigMessage::Began { origin, .. } => Some(*origin),
            _ => None,
        });
        let waiting = notices.chain(edge).chain(console).min();
        waiting.map_or(so_far, |at| so_far.min(at - TICK)).max(self.claimed)
    }

    pub(super) fn heartbeat(&mut self, link_now: LinkTime) {
        if !self.greeted {
            return;
        }
        let complete_until = self.complete_until();
        let stepped_run = self.phase == Phase::Running && self.begin.pacing == LinkPacing::Stepped;
        let grant_used_up =
            stepped_run && complete_until >= self.horizon && self.told_until.is_none_or(|told| told < complete_until);
        if !grant_used_up && link_now < self.heartbeat_due {
            return;
        }
        let message = RigMessage::Heartbeat(Heartbeat {
            now: self.clock,
            complete_until,
            edges: self.edges.front().map_or(self.edges.numbered(), |edge| edge.index),
            boot_id: self.identity.boot_id,
            counters: self.counters(),
            safe: self.safe,
        });
        // No room: the next turn tries again, and what fills the window shows that the rig lives.
        if self.link.send(&message).is_ok() {
            let free_run = self.phase == Phase::Running && self.begin.pacing == LinkPacing::Free;
            self.heartbeat_due = link_now + if free_run { HEARTBEAT_FREE } else { HEARTBEAT_IDLE };
            self.claimed = complete_until;
            self.told_until = Some(complete_until);
        }
    }
}

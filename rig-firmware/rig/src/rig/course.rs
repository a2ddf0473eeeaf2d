//! The course of a run, and the safe state.

use dryfire_link::{Begin, LinkTime, RigMessage};
use dryfire_units::{Disturbance, RigSpan};

use super::{Board, MAX_CHANNELS, MAX_CONTACTS, MAX_INPUTS, Phase, RISE, Rig};
use crate::Drive;
use crate::queue::TICK;

impl<const EDGES: usize> Rig<EDGES> {
    pub(super) fn start(&mut self, begin: Begin, board: &mut impl Board) {
        self.forget();
        self.begin = begin;
        self.safe = false;
        self.phase = Phase::Idle;
        if let Some(levels) = board.begin(self.clock, &begin) {
            self.levels = levels;
            // A new controller starts with its supply on, and only changes are told.
            self.rail = None;
        }
        self.open_probes(board);
        self.set_contacts(board, begin.closed_at_rest);
        if begin.supply_off_ms == 0 {
            self.switch_on(board);
        } else {
            self.set_supply(board, false);
            let at = self.clock + RigSpan::from_millis(i64::from(begin.supply_off_ms));
            self.horizon = at;
            self.phase = Phase::Starting { at };
            // Says at once that it is not in the safe state any more: if it goes back there, that is news.
            self.heartbeat_due = LinkTime::ZERO;
        }
    }

    /// Switches the controller on. Where its rail is sensed, the run begins when that has risen.
    pub(super) fn switch_on(&mut self, board: &mut impl Board) {
        self.set_supply(board, true);
        if self.identity.capabilities.supply_rail && self.rail == Some(false) {
            let until = self.clock + RISE;
            self.horizon = until;
            self.phase = Phase::Rising { until };
        } else {
            self.begun();
        }
    }

    pub(super) fn begun(&mut self) {
        self.phase = Phase::Running;
        self.horizon = self.clock;
        self.claimed = self.clock - TICK;
        self.told_until = None;
        self.heartbeat_due = LinkTime::ZERO;
        self.notice(RigMessage::Began { run: self.begin.run, origin: self.clock });
        if let Some(on) = self.rail {
            self.notice(RigMessage::SupplyRail { at: self.clock, on });
        }
        for input in 0..self.identity.capabilities.inputs.min(MAX_INPUTS as u8) {
            if self.levels & (1 << input) != 0 {
                self.edges.push(self.clock, input, true);
            }
        }
    }

    /// Forgets what belongs to a run.
    pub(super) fn forget(&mut self) {
        self.schedule.clear();
        self.edges.clear();
        self.console.clear();
        self.notices.clear();
        self.late_setpoints = 0;
        self.damaged_before = self.link.counters().damaged;
    }

    pub(super) fn end(&mut self, board: &mut impl Board) {
        self.phase = Phase::Idle;
        self.forget();
        if !self.safe {
            self.open_probes(board);
            self.set_contacts(board, self.begin.closed_at_rest);
        }
    }

    pub(super) fn go_safe(&mut self, board: &mut impl Board) {
        self.safe = true;
        self.schedule.clear();
        if matches!(self.phase, Phase::Starting { .. } | Phase::Rising { .. }) {
            self.phase = Phase::Idle;
        }
        self.open_probes(board);
        self.set_contacts(board, self.begin.closed_when_safe);
        self.set_supply(board, self.begin.supply_when_safe);
        // Says so at once.
        self.heartbeat_due = LinkTime::ZERO;
    }

    pub(super) fn open_probes(&mut self, board: &mut impl Board) {
        let open = Drive::new(self.clock, dryfire_link::ProbeDrive::Open);
        for channel in 0..self.identity.capabilities.probe_channels.min(MAX_CHANNELS as u8) {
            self.outputs.drives[usize::from(channel)] = open;
            board.probe(self.clock, channel, open);
            let disturbance = &mut self.outputs.disturbances[usize::from(channel)];
            if !disturbance.is_none() {
                *disturbance = Disturbance::NONE;
                board.disturb(self.clock, channel, Disturbance::NONE);
            }
        }
    }

    pub(super) fn set_contacts(&mut self, board: &mut impl Board, closed: u32) {
        for output in 0..self.identity.capabilities.contacts.min(MAX_CONTACTS as u8) {
            self.set_contact(board, output, closed & (1 << output) != 0);
        }
    }

    pub(super) fn set_contact(&mut self, board: &mut impl Board, output: u8, closed: bool) {
        let bit = 1u32 << output;
        self.outputs.contacts = if closed { self.outputs.contacts | bit } else { self.outputs.contacts & !bit };
        board.contact(self.clock, output, closed);
    }

    pub(super) fn set_supply(&mut self, board: &mut impl Board, on: bool) {
        if self.identity.capabilities.supply_switch {
            self.outputs.supply = on;
            board.supply(self.clock, on);
        }
    }
}

//! The limiter beside the stand-in's board: a device with a supply, a rhythm and a contact of its own.

use dryfire_scenario::{ActiveLevel, ContactState};
use dryfire_stand_in::{Defect, Defects, Limiter, LimiterMemory, LimiterSettings, Reading};
use dryfire_units::{RigSpan, RigTime, ThermocoupleType};

use super::BoardEvent;
use super::dice::Dice;

/// How often it looks at its probe (common practice, no source).
const LOOKS_EVERY: RigSpan = RigSpan::from_millis(500);
/// From its supply coming on to its first look, and how much that differs.
const STARTS_MICROS: (i64, i64) = (200_000, 200_000);
/// Its contact takes so long to close or open, and differs by so much (common practice, no source).
const STROKE_MICROS: (i64, i64) = (12_000, 15_000);

/// A contact that works the limiter, as the rig has it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LimiterWire {
    /// The rig output.
    pub output: u8,
    /// Its state when engaged: the reset pressed, the supply cut.
    pub engaged: ContactState,
}

/// A limiter as it is wired.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BoardLimiter {
    /// What it is set to.
    pub settings: LimiterSettings,
    /// The type of its probe.
    pub thermocouple: ThermocoupleType,
    /// The rig channel at its terminals.
    pub channel: u8,
    /// The zone whose temperature its probe sees; a limiter that shares the controller's probe reads that zone's.
    pub zone: usize,
    /// The rig input that senses its contact.
    pub input: u8,
    /// The input's level while the contact is closed.
    pub active: ActiveLevel,
    /// Its reset, if the rig works it.
    pub reset: Option<LimiterWire>,
    /// The switch in its supply, if the rig works one.
    pub supply: Option<LimiterWire>,
}

/// The limiter with its supply and its contact.
#[derive(Debug)]
pub(super) struct FittedLimiter {
    pub(super) wired: BoardLimiter,
    defects: Defects,
    dice: Dice,
    /// While its supply is on.
    logic: Option<Limiter>,
    memory: LimiterMemory,
    looks_at: Option<RigTime>,
    reset_pressed: bool,
    supply_cut: bool,
    closed: bool,
    last_edge: RigTime,
}

impl FittedLimiter {
    pub(super) fn new(wired: BoardLimiter, defects: Defects, seed: u64) -> Self {
        let mut limiter = FittedLimiter {
            wired,
            defects,
            // The dice of the controller's board fall as they do without a limiter.
            dice: Dice::new(seed ^ 0x6c69_6d69_7465_7221),
            logic: None,
            memory: LimiterMemory::default(),
            looks_at: None,
            reset_pressed: false,
            supply_cut: false,
            closed: false,
            last_edge: RigTime::ZERO,
        };
        limiter.power_up(RigTime::ZERO);
        limiter
    }

    /// When it looks at its probe next.
    pub(super) fn looks_at(&self) -> Option<RigTime> {
        self.looks_at
    }

    /// The edge at time zero of an input that is high while the contact is open.
    pub(super) fn edge_at_rest(&self) -> Option<BoardEvent> {
        let high = self.wired.active == ActiveLevel::Low;
        high.then_some(BoardEvent::Edge { at: RigTime::ZERO, input: self.wired.input, high })
    }

    /// Looks at its probe; the edge that comes of it.
    pub(super) fn look(&mut self, now: RigTime, reading: Reading) -> Option<BoardEvent> {
        let logic = self.logic.as_mut()?;
        self.looks_at = Some(now + LOOKS_EVERY);
        // Its timer wraps as the controller's does.
        let now_ms = (now.as_micros() / 1_000) as u32;
        let closed = logic.tick(now_ms, reading, self.reset_pressed);
        self.drive(now, closed)
    }

    /// The rig works one of its contacts; the edge that comes of it.
    pub(super) fn set_contact(&mut self, now: RigTime, output: u8, closed: bool) -> Option<BoardEvent> {
        let engaged =
            |wire: LimiterWire| (wire.output == output).then_some(closed == (wire.engaged == ContactState::Closed));
        if let Some(pressed) = self.wired.reset.and_then(engaged) {
            self.reset_pressed = pressed;
        }
        let cut = self.wired.supply.and_then(engaged)?;
        if cut == std::mem::replace(&mut self.supply_cut, cut) {
            return None;
        }
        if cut {
            self.power_down();
            // No supply, no pull: the contact falls open.
            let closed = self.defects.has(Defect::LimiterClosedWithoutSupply);
            self.drive(now, closed)
        } else {
            self.power_up(now);
            None
        }
    }

    /// The controller's supply has gone or has come back, which is nothing to it unless it was wired wrongly: then
    /// its contact stays as it was.
    pub(super) fn controllers_rail(&mut self, now: RigTime, on: bool) {
        if !self.defects.has(Defect::LimiterFedByController) || self.supply_cut {
            return;
        }
        if on {
            self.power_up(now);
        } else {
            self.power_down();
        }
    }

    fn power_up(&mut self, now: RigTime) {
        self.logic = Some(Limiter::power_up(self.wired.settings, self.defects, self.memory));
        let (least, spread) = STARTS_MICROS;
        self.looks_at = Some(now + RigSpan::from_micros(least + self.dice.below(spread)));
    }

    fn power_down(&mut self) {
        if let Some(logic) = self.logic.take() {
            self.memory = logic.power_down();
        }
        self.looks_at = None;
    }

    fn drive(&mut self, now: RigTime, closed: bool) -> Option<BoardEvent> {
        if closed == std::mem::replace(&mut self.closed, closed) {
            return None;
        }
        let (least, spread) = STROKE_MICROS;
        let stroke = RigSpan::from_micros(least + self.dice.below(spread));
        let at = (now + stroke).max(self.last_edge + RigSpan::from_micros(1));
        self.last_edge = at;
        let high = closed == (self.wired.active == ActiveLevel::High);
        Some(BoardEvent::Edge { at, input: self.wired.input, high })
    }
}

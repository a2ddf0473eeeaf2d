//! Relays that take their time and contacts that bounce.

use dryfire_scenario::{ActiveLevel, ContactRole, ContactState, Senses};
use dryfire_stand_in::{Contacts, MAX_ZONES, Outputs};
use dryfire_units::{RigSpan, RigTime};

use super::BoardEvent;
use super::dice::Dice;
use super::setup::{ContactWire, RelayWire};

/// Longest bouncing of a contact (common practice, no source).
const BOUNCE_MICROS: i64 = 20_000;

/// One relay and its own slowness.
#[derive(Debug)]
struct Relay {
    wire: RelayWire,
    on: bool,
    pull_in_micros: i64,
    release_micros: i64,
    /// An edge is never earlier than the one before.
    last_edge: RigTime,
}

/// All relays.
#[derive(Debug)]
pub(super) struct RelayWires {
    relays: Vec<Relay>,
}

impl RelayWires {
    pub(super) fn new(wires: &[RelayWire], dice: &mut Dice) -> Self {
        let relays = wires.iter().map(|wire| {
            // Common practice, no source: a driver switches in a fraction of a
            // millisecond, a relay's contact in some, a contactor's in tens.
            let (pull_in, release) = match (wire.senses, wire.zone) {
                (Senses::Command, _) => (20 + dice.below(200), 20 + dice.below(200)),
                (Senses::Contact | Senses::Load, Some(_)) => (5_000 + dice.below(6_000), 3_000 + dice.below(7_000)),
                (Senses::Contact | Senses::Load, None) => (12_000 + dice.below(15_000), 8_000 + dice.below(25_000)),
            };
            Relay { wire: *wire, on: false, pull_in_micros: pull_in, release_micros: release, last_edge: RigTime::ZERO }
        });
        RelayWires { relays: relays.collect() }
    }

    /// Edges at time zero of inputs that are high while their relay is off.
    pub(super) fn edges_at_rest(&self) -> impl Iterator<Item = BoardEvent> {
        let mut inputs: Vec<_> = self
            .relays
            .iter()
            .filter(|relay| relay.wire.active == ActiveLevel::Low)
            .map(|relay| relay.wire.input)
            .collect();
        inputs.sort_unstable();
        inputs.into_iter().map(|input| BoardEvent::Edge { at: RigTime::ZERO, input, high: true })
    }

    /// What the relays are driven to.
    pub(super) fn driven(&self) -> Outputs {
        let mut outputs = Outputs::default();
        for relay in &self.relays {
            match relay.wire.zone {
                None => outputs.safety |= relay.on,
                Some(zone) => {
                    if let Some(element) = outputs.elements.get_mut(zone) {
                        *element |= relay.on;
                    }
                }
            }
        }
        outputs
    }

    /// Drives the relays; the edges that the rig will see of it.
    pub(super) fn drive(&mut self, outputs: &Outputs, now: RigTime, dice: &mut Dice) -> Vec<BoardEvent> {
        let mut edges = Vec::new();
        for relay in &mut self.relays {
            let on = match relay.wire.zone {
                None => outputs.safety,
                Some(zone) => zone < MAX_ZONES && outputs.elements[zone],
            };
            if on == relay.on {
                continue;
            }
            relay.on = on;
            let usual = if on { relay.pull_in_micros } else { relay.release_micros };
            // No two strokes take the same time.
            let delay = usual + dice.below(usual / 8 + 1);
            let at = (now + RigSpan::from_micros(delay)).max(relay.last_edge + RigSpan::from_micros(1));
            relay.last_edge = at;
            let high = on == (relay.wire.active == ActiveLevel::High);
            edges.push(BoardEvent::Edge { at, input: relay.wire.input, high });
        }
        edges
    }
}

#[derive(Debug)]
struct Contact {
    wire: ContactWire,
    closed: bool,
    quiet_at: RigTime,
    /// Until it is quiet it is found as it was, and not by chance.
    known: bool,
}

/// All contacts.
#[derive(Debug)]
pub(super) struct ContactWires {
    contacts: Vec<Contact>,
    /// No contact bounces after this.
    quiet_at: RigTime,
    settled: Contacts,
    lines: Lines,
}

/// Lines that no input of the program sees: the board itself feels them.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Lines {
    /// The program stands still.
    pub(super) test: bool,
    /// The processor is held in reset.
    pub(super) reset: bool,
    /// The bus to the converters.
    pub(super) bus: Bus,
}

/// What comes over the bus to the converters.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) enum Bus {
    /// What the converters say.
    #[default]
    Free,
    /// Zeros: the data line is held low.
    Zeros,
    /// Ones: it is held high.
    Ones,
    /// Zeros: without a clock a read-only part stays at its first bit, which is that of a temperature above zero, and
    /// one with registers never learns that it is asked.
    NoClock,
}

impl ContactWires {
    pub(super) fn new(wires: &[ContactWire]) -> Self {
        let contacts = wires.iter().map(|wire| Contact {
            wire: *wire,
            closed: wire.engaged == ContactState::Open,
            quiet_at: RigTime::ZERO,
            known: false,
        });
        ContactWires {
            contacts: contacts.collect(),
            quiet_at: RigTime::ZERO,
            settled: Contacts::default(),
            lines: Lines::default(),
        }
    }

    /// Works a contact; when it will be quiet again, if anything changed.
    pub(super) fn work(
        &mut self,
        output: u8,
        closed: bool,
        now: RigTime,
        bounces_for: Option<RigSpan>,
        dice: &mut Dice,
    ) -> Option<RigTime> {
        let contact = self.contacts.iter_mut().find(|contact| contact.wire.output == output)?;
        if contact.closed == closed {
            return None;
        }
        contact.closed = closed;
        contact.known = bounces_for.is_some();
        contact.quiet_at = now + bounces_for.unwrap_or_else(|| RigSpan::from_micros(dice.below(BOUNCE_MICROS)));
        let quiet_at = contact.quiet_at;
        self.quiet_at = self.quiet_at.max(quiet_at);
        self.settled = self.look(|contact| contact.closed);
        self.lines = self.held();
        Some(quiet_at)
    }

    /// The contacts as the controller finds them now.
    pub(super) fn sense(&self, now: RigTime, dice: &mut Dice) -> Contacts {
        if now >= self.quiet_at {
            return self.settled;
        }
        self.look(|contact| match now < contact.quiet_at {
            false => contact.closed,
            true if contact.known => !contact.closed,
            true => dice.coin(),
        })
    }

    fn look(&self, mut closed: impl FnMut(&Contact) -> bool) -> Contacts {
        let mut sensed = Contacts::default();
        for contact in &self.contacts {
            let engaged = closed(contact) == (contact.wire.engaged == ContactState::Closed);
            match contact.wire.role {
                ContactRole::Lid => sensed.lid_open |= engaged,
                ContactRole::Stop => sensed.stop |= engaged,
                ContactRole::Start => sensed.start |= engaged,
                ContactRole::Acknowledge => sensed.acknowledge |= engaged,
                // No inputs of its program: see `held`.
                ContactRole::TestLine
                | ContactRole::ResetLine
                | ContactRole::DataLineLow
                | ContactRole::DataLineHigh
                | ContactRole::ClockLineLow => {}
                // The limiter's own.
                ContactRole::Reset | ContactRole::LimiterSupply => {}
            }
        }
        sensed
    }

    /// The lines that are held.
    pub(super) fn lines(&self) -> Lines {
        self.lines
    }

    fn held(&self) -> Lines {
        let engaged = |role| {
            self.contacts.iter().any(|contact| {
                contact.wire.role == role && contact.closed == (contact.wire.engaged == ContactState::Closed)
            })
        };
        let bus = if engaged(ContactRole::ClockLineLow) {
            Bus::NoClock
        } else if engaged(ContactRole::DataLineLow) {
            // Of two that pull against each other the one to ground is the stronger here.
            Bus::Zeros
        } else if engaged(ContactRole::DataLineHigh) {
            Bus::Ones
        } else {
            Bus::Free
        };
        Lines { test: engaged(ContactRole::TestLine), reset: engaged(ContactRole::ResetLine), bus }
    }
}

//! Debouncing of the contacts.

use crate::{Contacts, Defect, Defects};

/// A new level counts once it has been seen unchanged for this long. Longer than
/// a contact's bouncing (0–20 ms, common practice, no source), short against the
/// half second in which lid and stop have to act.
const SETTLE_MS: u32 = 30;

#[derive(Clone, Copy, Debug, Default)]
struct Debounced {
    settled: bool,
    seen: bool,
    since_ms: u32,
}

impl Debounced {
    fn found(now_ms: u32, level: bool) -> Self {
        Debounced { settled: level, seen: level, since_ms: now_ms }
    }

    fn update(&mut self, now_ms: u32, level: bool) -> bool {
        if level != self.seen {
            self.seen = level;
            self.since_ms = now_ms;
        }
        let settles = self.seen != self.settled && now_ms.wrapping_sub(self.since_ms) >= SETTLE_MS;
        if settles {
            self.settled = self.seen;
        }
        settles
    }

    fn pending(self) -> bool {
        self.seen != self.settled
    }
}

/// The debounced contacts.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct SettledContacts {
    lid: Debounced,
    stop: Debounced,
    start: Debounced,
    acknowledge: Debounced,
    start_pressed: bool,
    acknowledge_pressed: bool,
    seen_before: bool,
}

impl SettledContacts {
    pub(crate) fn update(&mut self, now_ms: u32, contacts: &Contacts, defects: Defects) {
        if !self.seen_before {
            // What is found at boot counts at once for lid and stop; a button that is
            // already down (stuck, or held through a supply cut) starts nothing.
            self.seen_before = true;
            self.lid = Debounced::found(now_ms, contacts.lid_open);
            self.stop = Debounced::found(now_ms, contacts.stop);
            let careless = defects.has(Defect::StartDownAtBoot);
            self.start = Debounced::found(now_ms, contacts.start && !careless);
            self.acknowledge = Debounced::found(now_ms, contacts.acknowledge);
        }
        self.lid.update(now_ms, contacts.lid_open);
        self.stop.update(now_ms, contacts.stop);
        if self.start.update(now_ms, contacts.start) && self.start.settled {
            self.start_pressed = true;
        }
        if self.acknowledge.update(now_ms, contacts.acknowledge) && self.acknowledge.settled {
            self.acknowledge_pressed = true;
        }
    }

    pub(crate) fn lid_open(&self) -> bool {
        self.lid.settled
    }

    pub(crate) fn stop(&self) -> bool {
        self.stop.settled
    }

    /// Whether the start button is down.
    pub(crate) fn start_down(&self) -> bool {
        self.start.settled
    }

    /// Whether the start button was pressed since the last call. A button that
    /// is held down counts once, so a stuck one starts nothing twice.
    pub(crate) fn take_start(&mut self) -> bool {
        core::mem::take(&mut self.start_pressed)
    }

    /// Whether the acknowledge button was pressed since the last call.
    pub(crate) fn take_acknowledge(&mut self) -> bool {
        core::mem::take(&mut self.acknowledge_pressed)
    }

    /// Milliseconds until a level that is being debounced can settle.
    pub(crate) fn settles_after_ms(&self) -> Option<u16> {
        let pending = self.lid.pending() || self.stop.pending() || self.start.pending() || self.acknowledge.pending();
        pending.then_some(SETTLE_MS as u16)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at_rest() -> SettledContacts {
        let mut contacts = SettledContacts::default();
        contacts.update(0, &Contacts::default(), Defects::NONE);
        contacts
    }

    fn pressed(stop: bool) -> Contacts {
        Contacts { stop, ..Contacts::default() }
    }

    #[test]
    fn a_bouncing_contact_counts_only_once_it_is_quiet() {
        let mut contacts = at_rest();
        for (at, level) in [(0, true), (5, false), (9, true), (18, false), (20, true)] {
            contacts.update(at, &pressed(level), Defects::NONE);
            assert!(!contacts.stop());
        }
        contacts.update(50, &pressed(true), Defects::NONE);
        assert!(contacts.stop());
    }

    #[test]
    fn a_button_held_down_counts_once() {
        let mut contacts = at_rest();
        for at in [0, 100, 200, 300] {
            contacts.update(at, &Contacts { start: true, ..Contacts::default() }, Defects::NONE);
        }
        assert!(contacts.take_start());
        contacts.update(400, &Contacts { start: true, ..Contacts::default() }, Defects::NONE);
        assert!(!contacts.take_start());
    }

    #[test]
    fn a_start_button_that_is_down_at_boot_starts_nothing_until_it_is_pressed_anew() {
        let mut contacts = SettledContacts::default();
        for (at, start) in [(0, true), (100, true), (200, false), (300, false)] {
            contacts.update(at, &Contacts { start, ..Contacts::default() }, Defects::NONE);
            assert!(!contacts.take_start());
        }
        contacts.update(400, &Contacts { start: true, ..Contacts::default() }, Defects::NONE);
        contacts.update(500, &Contacts { start: true, ..Contacts::default() }, Defects::NONE);
        assert!(contacts.take_start());
    }

    #[test]
    fn debouncing_works_across_the_wrap_of_the_millisecond_timer() {
        let mut contacts = at_rest();
        contacts.update(u32::MAX - 9, &pressed(true), Defects::NONE);
        contacts.update(25, &pressed(true), Defects::NONE);
        assert!(contacts.stop());
    }
}

//! The order of contactor and element relays.
//!
//! The contactor closes first and opens last, so that it never makes or breaks
//! the load: that is the element relays' work.

use crate::{MAX_ZONES, Outputs};

/// From the contactor's closing to the first element.
const LEAD_MS: u32 = 400;
/// From the elements' opening to the contactor's: longer than a relay's release
/// (20 ms, common practice, no source).
const TRAIL_MS: u32 = 60;

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
enum Contactor {
    #[default]
    Open,
    Leads {
        since_ms: u32,
    },
    Closed,
    Trails {
        since_ms: u32,
    },
}

/// What is wanted of the power side.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Wanted {
    pub(crate) contactor: bool,
    pub(crate) elements: [bool; MAX_ZONES],
}

/// The power side's switches, one after the other.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Switching {
    contactor: Contactor,
    elements: [bool; MAX_ZONES],
}

impl Switching {
    /// The outputs from now on. With `contactor_first` the order of opening is
    /// the wrong one.
    pub(crate) fn update(&mut self, now_ms: u32, wanted: &Wanted, contactor_first: bool) -> Outputs {
        self.contactor = match (self.contactor, wanted.contactor) {
            (Contactor::Open, true) => Contactor::Leads { since_ms: now_ms },
            (Contactor::Leads { since_ms }, true) if now_ms.wrapping_sub(since_ms) >= LEAD_MS => Contactor::Closed,
            (Contactor::Trails { .. }, true) => Contactor::Leads { since_ms: now_ms },
            (Contactor::Leads { .. } | Contactor::Closed, false) => Contactor::Trails { since_ms: now_ms },
            (Contactor::Trails { since_ms }, false) if now_ms.wrapping_sub(since_ms) >= TRAIL_MS => Contactor::Open,
            (contactor, _) => contactor,
        };
        let mut outputs = Outputs::default();
        match self.contactor {
            Contactor::Open => self.elements = [false; MAX_ZONES],
            Contactor::Leads { .. } => {
                outputs.safety = true;
                self.elements = [false; MAX_ZONES];
            }
            Contactor::Closed => {
                outputs.safety = true;
                self.elements = wanted.elements;
            }
            Contactor::Trails { since_ms } => {
                outputs.safety = !contactor_first;
                if !contactor_first {
                    self.elements = [false; MAX_ZONES];
                }
                let passed = now_ms.wrapping_sub(since_ms);
                outputs.call_again_after_ms = Some(TRAIL_MS.saturating_sub(passed).max(1) as u16);
            }
        }
        outputs.elements = self.elements;
        outputs
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ALL: Wanted = Wanted { contactor: true, elements: [true; MAX_ZONES] };

    #[test]
    fn the_contactor_closes_before_the_elements_and_opens_after_them() {
        let mut switching = Switching::default();
        let first = switching.update(1_000, &ALL, false);
        assert!(first.safety && !first.any_element());
        let later = switching.update(1_400, &ALL, false);
        assert!(later.safety && later.any_element());
        let cut = switching.update(1_500, &Wanted::default(), false);
        assert!(cut.safety && !cut.any_element());
        assert_eq!(cut.call_again_after_ms, Some(60));
        assert!(!switching.update(1_560, &Wanted::default(), false).any_on());
    }

    #[test]
    fn the_order_holds_across_the_wrap_of_the_millisecond_timer() {
        let mut switching = Switching::default();
        switching.update(u32::MAX - 600, &ALL, false);
        assert!(switching.update(u32::MAX - 200, &ALL, false).any_element());
        let cut = switching.update(u32::MAX - 20, &Wanted::default(), false);
        assert!(cut.safety && !cut.any_element());
        assert!(!switching.update(40, &Wanted::default(), false).any_on());
    }
}

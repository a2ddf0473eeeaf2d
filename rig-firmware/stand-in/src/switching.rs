//! The order of contactor and element relays.
//!
//! The contactor closes first and opens last, so that it never makes or breaks
//! the load: that is the element relays' work.

use crate::{Defect, Defects, MAX_ZONES, Outputs, Settings};

/// From the elements' opening to the contactor's, of a controller that spares its contactor in the wrong way.
const LONG_TRAIL_MS: u32 = 60_000;

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
    /// The outputs from now on. Defects make the order of opening the wrong one, or the contactor late.
    pub(crate) fn update(&mut self, now_ms: u32, wanted: &Wanted, settings: &Settings, defects: Defects) -> Outputs {
        let lead_ms = settings.contactor_lead_ms;
        let contactor_first = defects.has(Defect::ContactorOpensFirst);
        let trail_ms =
            if defects.has(Defect::ContactorOpensAMinuteLate) { LONG_TRAIL_MS } else { settings.contactor_trail_ms };
        self.contactor = match (self.contactor, wanted.contactor) {
            (Contactor::Open, true) => Contactor::Leads { since_ms: now_ms },
            (Contactor::Leads { since_ms }, true) if now_ms.wrapping_sub(since_ms) >= lead_ms => Contactor::Closed,
            (Contactor::Trails { .. }, true) => Contactor::Leads { since_ms: now_ms },
            (Contactor::Leads { .. } | Contactor::Closed, false) => Contactor::Trails { since_ms: now_ms },
            (Contactor::Trails { since_ms }, false) if now_ms.wrapping_sub(since_ms) >= trail_ms => Contactor::Open,
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
                outputs.call_again_after_ms = Some(trail_ms.saturating_sub(passed).max(1) as u16);
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
        let first = switching.update(1_000, &ALL, &Settings::default(), Defects::NONE);
        assert!(first.safety && !first.any_element());
        let later = switching.update(1_400, &ALL, &Settings::default(), Defects::NONE);
        assert!(later.safety && later.any_element());
        let cut = switching.update(1_500, &Wanted::default(), &Settings::default(), Defects::NONE);
        assert!(cut.safety && !cut.any_element());
        assert_eq!(cut.call_again_after_ms, Some(60));
        assert!(!switching.update(1_560, &Wanted::default(), &Settings::default(), Defects::NONE).any_on());
    }

    #[test]
    fn the_order_holds_across_the_wrap_of_the_millisecond_timer() {
        let mut switching = Switching::default();
        switching.update(u32::MAX - 600, &ALL, &Settings::default(), Defects::NONE);
        assert!(switching.update(u32::MAX - 200, &ALL, &Settings::default(), Defects::NONE).any_element());
        let cut = switching.update(u32::MAX - 20, &Wanted::default(), &Settings::default(), Defects::NONE);
        assert!(cut.safety && !cut.any_element());
        assert!(!switching.update(40, &Wanted::default(), &Settings::default(), Defects::NONE).any_on());
    }
}

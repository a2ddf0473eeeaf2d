//! Mistakes that real controllers make, each of which can be switched on.

/// What a defect looks like from outside: the hazard whose scenarios have to
/// show it, and the judge's word for what they then say (a cut that is too late
/// is judged as none when its limit passes).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Symptom {
    /// Id of the hazard.
    pub hazard: &'static str,
    /// Stable word of the judge's reason.
    pub reason: &'static str,
}

macro_rules! defects {
    ($($variant:ident, $name:literal, $hazard:literal, $reason:literal, $description:literal;)+) => {
        /// One switchable defect.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
        #[repr(u8)]
        pub enum Defect {
            $(#[doc = $description] $variant,)+
        }

        impl Defect {
            /// Every defect, in a fixed order.
            pub const ALL: &'static [Defect] = &[$(Defect::$variant,)+];

            /// Its name: lower-case words joined by hyphens.
            pub fn name(self) -> &'static str {
                match self { $(Defect::$variant => $name,)+ }
            }

            /// The mistake, in one sentence for people.
            pub fn description(self) -> &'static str {
                match self { $(Defect::$variant => $description,)+ }
            }

            /// What it looks like from outside.
            pub fn symptom(self) -> Symptom {
                match self { $(Defect::$variant => Symptom { hazard: $hazard, reason: $reason },)+ }
            }
        }
    };
}

defects! {
    OpenProbeIgnoredAtStart, "open-probe-ignored-at-start", "probe-open", "violated",
        "A probe that is open when the firing begins counts as a cold kiln, so the firing begins and heats.";
    ProbeFaultIgnoredWhileRamping, "probe-fault-ignored-while-ramping", "probe-open", "heat-not-cut",
        "Probe faults are looked at in holds only; during a ramp the last good reading is used for ever.";
    ProbeFaultIgnoredWhileHolding, "probe-fault-ignored-while-holding", "probe-open", "heat-not-cut",
        "Probe faults are looked at in ramps only; during a hold the last good reading is used for ever.";
    ProbeFaultClearsItself, "probe-fault-clears-itself", "probe-open", "violated",
        "A probe fault cuts the heat but is not latched: heat returns by itself with the reading.";
    SuddenDropBelieved, "sudden-drop-believed", "probe-short", "heat-cut-late",
        "A reading that falls by hundreds of degrees from one sample to the next is believed and heated against.";
    StallUnnoticed, "stall-unnoticed", "probe-short", "heat-not-cut",
        "Nothing notices a reading that does not move, however long the elements heat.";
    FrozenReadingBelieved, "frozen-reading-believed", "probe-frozen", "heat-cut-late",
        "A reading that repeats itself to the last digit while the elements heat is believed.";
    FallingReadingBelieved, "falling-reading-believed", "probe-reversed", "heat-not-cut",
        "A reading that falls while the elements heat is believed and heated against, even below the probe's range.";
    ContactorKeptOnRunaway, "contactor-kept-on-runaway", "relay-welded", "heat-not-cut",
        "A runaway switches off the element commands but leaves the contactor closed.";
    RunawayWatchedOnlyWhileHolding, "runaway-watched-only-while-holding", "relay-welded", "heat-cut-late",
        "A reading above the set-point is a fault in holds only, so a weld in a ramp goes unseen for long.";
    RunawayUnwatched, "runaway-unwatched", "runaway", "heat-cut-late",
        "A reading above the set-point is never a fault.";
    TopWatchedOnlyWhileRamping, "top-watched-only-while-ramping", "over-temperature", "heat-not-cut",
        "The top temperature is checked in ramps only.";
    TimerRestartedBySegment, "timer-restarted-by-segment", "firing-too-long", "heat-not-cut",
        "Every new segment starts the firing's timer anew.";
    TimerRestartedBySupplyCut, "timer-restarted-by-supply-cut", "firing-too-long", "violated",
        "A firing that goes on after a supply cut gets its whole time again.";
    TimerStopsWhileLagging, "timer-stops-while-lagging", "firing-too-long", "violated",
        "The firing's timer rests while the ramp waits for the kiln.";
    TimerOverflows, "timer-overflows", "firing-too-long", "heat-not-cut",
        "The firing's seconds are kept in a signed 16-bit number, which turns negative after 9.1 hours.";
    ResumesAfterAnyOutage, "resumes-after-any-outage", "supply-cut", "violated",
        "After a supply cut the firing goes on, however far the kiln has cooled.";
    LatchLostInSupplyCut, "latch-lost-in-supply-cut", "supply-cut", "violated",
        "A latched fault is kept in working memory only; after a supply cut the firing goes on.";
    HeatsBeforeFirstReading, "heats-before-first-reading", "supply-cut", "violated",
        "After a supply cut the firing goes on before any probe has been read.";
    OutputsPulseAtBoot, "outputs-pulse-at-boot", "supply-cut", "violated",
        "The outputs are on from power-up until the program first sets them.";
    LidIgnored, "lid-ignored", "lid-open", "heat-cut-late",
        "The lid switch is not looked at during a firing.";
    LidCutsElementsOnly, "lid-cuts-elements-only", "lid-open", "not-reached",
        "An open lid switches off the element relays but leaves the contactor closed.";
    LidWaitsForCycle, "lid-waits-for-cycle", "lid-open", "heat-cut-late",
        "An open lid is acted upon only when the element's cycle is over.";
    RestartsAfterStop, "restarts-after-stop", "stop-pressed", "violated",
        "Stop cuts the heat only while the button is pressed; released, the firing goes on.";
    StopLeavesContactorClosed, "stop-leaves-contactor-closed", "stop-pressed", "not-reached",
        "Stop switches off the element relays but leaves the contactor closed.";
    StartWithFaultAllowed, "start-with-fault-allowed", "start-with-fault", "violated",
        "A start is accepted although a probe is faulty or a fault is latched.";
    AcknowledgeWithoutCure, "acknowledge-without-cure", "start-with-fault", "violated",
        "Acknowledging a fault that is still there clears it, and the firing goes on.";
    HoldNeverEnds, "hold-never-ends", "control", "violated",
        "The last hold goes on for ever.";
    HeatsOnAfterEnd, "heats-on-after-end", "control", "violated",
        "After the last segment the kiln is kept at its temperature instead of being switched off.";
    ContactorOpensFirst, "contactor-opens-first", "control", "violated",
        "The contactor opens before the element relays and so breaks the full load.";
}

impl Defect {
    /// The defect of that name.
    pub fn from_name(name: &str) -> Option<Defect> {
        Defect::ALL.iter().copied().find(|defect| defect.name() == name)
    }
}

/// A set of defects.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Defects(u32);

impl Defects {
    /// No defect: a well-behaved controller.
    pub const NONE: Defects = Defects(0);

    /// This one alone.
    pub const fn only(defect: Defect) -> Self {
        Defects(1 << defect as u8)
    }

    /// The set with this one added.
    #[must_use]
    pub const fn with(self, defect: Defect) -> Self {
        Defects(self.0 | 1 << defect as u8)
    }

    /// Whether this one is switched on.
    pub const fn has(self, defect: Defect) -> bool {
        self.0 & 1 << defect as u8 != 0
    }

    /// Whether none is.
    pub const fn is_empty(self) -> bool {
        self.0 == 0
    }

    /// Those switched on, in order.
    pub fn iter(self) -> impl Iterator<Item = Defect> {
        Defect::ALL.iter().copied().filter(move |defect| self.has(*defect))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_kebab_case_and_lead_back_to_their_defect() {
        for defect in Defect::ALL {
            let name = defect.name();
            assert!(name.bytes().all(|byte| byte.is_ascii_lowercase() || byte == b'-'), "{name}");
            assert_eq!(Defect::from_name(name), Some(*defect));
            assert!(defect.description().ends_with('.'), "{name}");
        }
        assert_eq!(Defect::from_name("none-such"), None);
    }

    #[test]
    fn each_hazard_in_use_has_a_defect() {
        for hazard in [
            "probe-open",
            "probe-short",
            "probe-reversed",
            "probe-frozen",
            "relay-welded",
            "runaway",
            "over-temperature",
            "firing-too-long",
            "supply-cut",
            "lid-open",
            "stop-pressed",
            "start-with-fault",
            "control",
        ] {
            assert!(Defect::ALL.iter().any(|defect| defect.symptom().hazard == hazard), "{hazard}");
        }
    }

    #[test]
    fn a_set_holds_what_was_put_in_and_nothing_else() {
        assert!(Defect::ALL.len() <= 32);
        for one in Defect::ALL {
            let set = Defects::only(*one);
            assert!(set.iter().eq([*one]));
            assert_eq!(Defects::NONE.with(*one), set);
        }
        assert!(Defects::NONE.is_empty());
    }
}

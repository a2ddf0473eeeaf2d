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

            /// Whether it is a limiter's: a bench without one cannot show it.
            pub fn is_of_limiter(self) -> bool {
                self.symptom().hazard == "limiter"
            }

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
    OnlyFirstProbeWatched, "only-first-probe-watched", "probe-open", "heat-not-cut",
        "Faults of the first probe only are looked at; of the others the last good reading is used for ever.";
    ProbeFaultAfterAMinute, "probe-fault-after-a-minute", "probe-open", "heat-cut-late",
        "A probe fault counts only when it has lasted for a minute.";
    ProbeFaultTimeForgotten, "probe-fault-time-forgotten", "probe-open", "heat-not-cut",
        "Each good reading starts the time of a probe fault anew, so a loose contact never adds up.";
    ContactorKeptOnProbeFault, "contactor-kept-on-probe-fault", "probe-open", "not-reached",
        "A probe fault switches off the element relays but leaves the contactor closed.";
    LeakFlagsIgnored, "leak-flags-ignored", "probe-leak", "heat-not-cut",
        "The converter's bits for a lead at ground or at the supply are not looked at.";
    SupplyShortIgnored, "supply-short-ignored", "probe-leak", "heat-not-cut",
        "Of the converter's two leakage bits the one for the supply is masked out.";
    HeatLostUnnoticed, "heat-lost-unnoticed", "heat-lost", "violated",
        "A kiln that cools at full demand is waited for: neither its fall nor the missing rise is a fault.";
    ContactorOpensAMinuteLate, "contactor-opens-a-minute-late", "relay-sticking", "heat-cut-late",
        "The contactor opens a minute after the element relays, to spare its contacts.";
    TripsOnOneBadSample, "trips-on-one-bad-sample", "control", "not-reached",
        "A single reading far from the one before it ends the firing.";
    ZonesNeverCompared, "zones-never-compared", "probe-pulled-out", "heat-cut-late",
        "Zones that are far apart are no fault.";
    RelaysChatter, "relays-chatter", "control", "too-many",
        "The element relays are switched in a cycle of three seconds.";
    IntegralWindsUp, "integral-winds-up", "control", "limit-exceeded",
        "The integral part of the regulator goes on growing while the elements are on all the time.";
    LastHoldSkipped, "last-hold-skipped", "control", "limit-exceeded",
        "The last hold is skipped: the firing ends when its temperature is reached.";
    RampIgnored, "ramp-ignored", "control", "limit-exceeded",
        "The set-point jumps to the end of the ramp.";
    ContactorClosedAfterEnd, "contactor-closed-after-end", "control", "violated",
        "The contactor stays closed when a firing is finished.";
    ProgramDoesNotWait, "program-does-not-wait", "control", "not-reached",
        "The program runs by the clock alone, however far behind the kiln is.";
    ContactorPulsesAtBoot, "contactor-pulses-at-boot", "supply-cut", "violated",
        "The contactor is closed from power-up until the program first sets it.";
    TimerStopsWhileLidOpen, "timer-stops-while-lid-open", "firing-too-long", "violated",
        "The firing's timer rests while the lid is open.";
    TimerCountsRampsOnly, "timer-counts-ramps-only", "firing-too-long", "heat-not-cut",
        "The firing's timer rests during holds.";
    ContactorKeptAtLongestFiring, "contactor-kept-at-longest-firing", "firing-too-long", "not-reached",
        "At the end of the longest firing the element relays are switched off but the contactor stays closed.";
    HoldRestartedBySupplyCut, "hold-restarted-by-supply-cut", "supply-cut", "violated",
        "A hold that goes on after a supply cut begins anew.";
    FinishedNotStored, "finished-not-stored", "supply-cut", "violated",
        "That a firing is finished is not stored, so the next supply cut brings it back.";
    StopNotStored, "stop-not-stored", "stop-pressed", "violated",
        "That a firing was stopped is not stored, so the next supply cut brings it back.";
    LatchLostWithProbeOpen, "latch-lost-with-probe-open", "supply-cut", "violated",
        "A latched probe fault is forgotten if the probe is open at power-up, and the firing goes on when it reads again.";
    LidIgnoredWhileHolding, "lid-ignored-while-holding", "lid-open", "heat-cut-late",
        "The lid switch is looked at in ramps only.";
    StartWaitsForLid, "start-waits-for-lid", "lid-open", "violated",
        "A start with the lid open is kept in mind, and the firing begins when the lid is shut.";
    StopIgnoredWithLidOpen, "stop-ignored-with-lid-open", "stop-pressed", "violated",
        "Stop is looked at only while elements may be on, not while the lid is open.";
    StartWaitsForStop, "start-waits-for-stop", "stop-pressed", "violated",
        "A start while stop is held is kept in mind, and the firing begins when stop is let go.";
    StartByLevel, "start-by-level", "stop-pressed", "violated",
        "The start button is read by its level: one that is stuck begins the next firing as soon as one has ended.";
    StopPolledOnceACycle, "stop-polled-once-a-cycle", "stop-pressed", "heat-not-cut",
        "Stop is looked at once in each cycle, so a short press is missed.";
    SecondStopResumes, "second-stop-resumes", "stop-pressed", "violated",
        "Stop works as a toggle: pressed again, the firing goes on.";
    StartDownAtBoot, "start-down-at-boot", "heat-while-idle", "violated",
        "A start button that is down at power-up counts as pressed.";
    AcknowledgeResumes, "acknowledge-resumes", "start-with-fault", "violated",
        "Acknowledging a fault that is cured lets the firing go on, without a start.";
    StopClearsFault, "stop-clears-fault", "start-with-fault", "violated",
        "Stop clears a latched fault.";
    AboveTopAccepted, "above-top-accepted", "program-beyond-limits", "violated",
        "A program may ask for any temperature; only the reading is held against the top.";
    RampOfNothingAccepted, "ramp-of-nothing-accepted", "program-beyond-limits", "violated",
        "A ramp of 0 °C/h is accepted, and the kiln is held where it stands for ever.";
    HoldWithoutEndAccepted, "hold-without-end-accepted", "program-beyond-limits", "violated",
        "A hold of any length is accepted.";
    FahrenheitReadAsCelsius, "fahrenheit-read-as-celsius", "program-beyond-limits", "limit-exceeded",
        "The letter of the unit is not looked at: Fahrenheit is read as Celsius.";
    EditedWhileFiring, "edited-while-firing", "program-edited", "limit-exceeded",
        "A program that comes in while a firing is under way takes its place at once.";
    ProgramMadeUp, "program-made-up", "memory-damaged", "violated",
        "With a blank memory a start fires a program that was built in for trying things out.";
    CreepingBelieved, "creeping-believed", "stall", "heat-not-cut",
        "Any rise at all counts as progress, so a kiln that creeps is waited for however long.";
    FilterHidesDrop, "filter-hides-drop", "probe-short", "heat-cut-late",
        "Readings are smoothed before anything looks at them, so that no drop is sudden.";
    OnlyMeanWatched, "only-mean-watched", "element-lost", "limit-exceeded",
        "Regulator and guards go by the mean of all zones, so a cold one has the others overheated.";
    TornSaveBelieved, "torn-save-believed", "memory-damaged", "limit-exceeded",
        "The checksum of what was saved is not looked at, so a write that a supply cut broke off is believed.";
    RunawayWatchedInFirstZoneOnly, "runaway-watched-in-first-zone-only", "relay-welded", "heat-cut-late",
        "Only the first zone's reading is held against the set-point; the others may run away from it.";
    FreezeWatchedInFirstZoneOnly, "freeze-watched-in-first-zone-only", "probe-frozen", "heat-cut-late",
        "A reading that repeats itself to the last digit is a fault in the first zone only.";
    TopWatchedInFirstZoneOnly, "top-watched-in-first-zone-only", "over-temperature", "heat-not-cut",
        "Only the first zone's reading is held against the top temperature.";
    DropWatchedInFirstZoneOnly, "drop-watched-in-first-zone-only", "probe-short", "heat-cut-late",
        "A reading that falls by hundreds of degrees from one sample to the next is a fault in the first zone only.";
    LeakWatchedInFirstZoneOnly, "leak-watched-in-first-zone-only", "probe-leak", "heat-not-cut",
        "The converter's bits for a lead at ground or at the supply are looked at for the first zone only.";
    FallWatchedInFirstZoneOnly, "fall-watched-in-first-zone-only", "probe-pulled-out", "heat-cut-late",
        "A reading that falls while heating, or below its range, is a fault in the first zone only, and zones are not compared.";
    StallWatchedInFirstZoneOnly, "stall-watched-in-first-zone-only", "probe-frozen", "heat-cut-late",
        "A reading that does not move is a fault in the first zone only, and zones are not compared.";
    ProbeFaultTimeOverflows, "probe-fault-time-overflows", "probe-open", "heat-not-cut",
        "Probe faults are timed by the firing's seconds in a signed 16-bit number; after 9.1 hours none lasts long enough.";
    RunawayTimeOverflows, "runaway-time-overflows", "relay-welded", "heat-cut-late",
        "Deviations are timed by the firing's seconds in a signed 16-bit number; after 9.1 hours none lasts long enough.";
    FreezeTimeOverflows, "freeze-time-overflows", "probe-frozen", "heat-not-cut",
        "Standing readings are timed by the firing's seconds in a signed 16-bit number; after 9.1 hours none lasts long enough.";
    FilterSlowsByTheHour, "filter-slows-by-the-hour", "probe-short", "heat-cut-late",
        "Readings are smoothed over all samples since the start, so hours later no drop is sudden.";
    LidLookedAtForNineHours, "lid-looked-at-for-nine-hours", "lid-open", "heat-cut-late",
        "The task that looks at the lid ends when its count of seconds overflows, 9.1 hours after the start.";
    StopLookedAtForNineHours, "stop-looked-at-for-nine-hours", "stop-pressed", "heat-not-cut",
        "The task that looks at stop ends when its count of seconds overflows, 9.1 hours after the start.";
    OnTimeAddsUp, "on-time-adds-up", "control", "not-reached",
        "The limit for how long an element may be on at a stretch is never reset: after ten minutes of heat in all no more comes.";
    WatchdogAbsent, "watchdog-absent", "controller-hung", "heat-not-cut",
        "Nothing resets a program that stands still, and the outputs stay as they were.";
    WatchdogOfAMinute, "watchdog-of-a-minute", "controller-hung", "heat-cut-late",
        "The watchdog's time is a minute, so that slow writes to a display do not set it off.";
    ColdJunctionReadOnce, "cold-junction-read-once", "cold-junction", "limit-exceeded",
        "The temperature of the terminals is read once, at power-up, and taken for that of the whole firing.";
    RestingZoneExcused, "resting-zone-excused", "probe-crossed", "heat-not-cut",
        "A zone whose own element rests is never too hot: its heat is taken for its neighbours'.";
    RunawayWidenedBySpread, "runaway-widened-by-spread", "probe-offset", "heat-not-cut",
        "The limit above the set-point is widened by how far the zones are apart, so that an uneven kiln does not trip.";
    LimiterSetTooHigh, "limiter-set-too-high", "limiter", "limit-exceeded",
        "Of a limiter: its trip is set 200 °C too high.";
    LimiterSetInFahrenheit, "limiter-set-in-fahrenheit", "limiter", "violated",
        "Of a limiter: its trip is set in Celsius, and it takes the number for Fahrenheit.";
    LimiterOverlooksBrokenProbe, "limiter-overlooks-broken-probe", "limiter", "not-reached",
        "Of a limiter: a break of its own probe is no reading, and no reading is not above the trip.";
    LimiterTakesUnderRangeForCold, "limiter-takes-under-range-for-cold", "limiter", "not-reached",
        "Of a limiter: a reading below its probe's range counts as a cold kiln.";
    LimiterSharesProbe, "limiter-shares-probe", "limiter", "not-reached",
        "Of a limiter: it hangs on the controller's probe and has none of its own.";
    LimiterFedByController, "limiter-fed-by-controller", "limiter", "not-reached",
        "Of a limiter: it is fed from the controller's supply, and without it its contact stays as it was.";
    LimiterResetsItself, "limiter-resets-itself", "limiter", "violated",
        "Of a limiter: it closes again by itself when the kiln has cooled.";
    LimiterResetsWhileHot, "limiter-resets-while-hot", "limiter", "violated",
        "Of a limiter: its reset works however hot the kiln is.";
    LimiterHeldByReset, "limiter-held-by-reset", "limiter", "reached-late",
        "Of a limiter: while its reset is pressed it cannot trip.";
    LimiterForgetsTrip, "limiter-forgets-trip", "limiter", "violated",
        "Of a limiter: a cut of its supply clears its trip.";
    LimiterClosedWithoutSupply, "limiter-closed-without-supply", "limiter", "not-reached",
        "Of a limiter: its contact is pulled open to trip, so that without supply it is closed.";
    OutputsKeptInReset, "outputs-kept-in-reset", "controller-hung", "violated",
        "The relays' driver latches what it was last told, so they stay as they were while the processor is held in reset.";
    ResumesAfterAnyReset, "resumes-after-any-reset", "controller-hung", "violated",
        "After a reset that is no loss of supply the firing goes on, however far the kiln has cooled meanwhile.";
    RestartsUncounted, "restarts-uncounted", "controller-hung", "violated",
        "A firing goes on after every restart, however many there were in the last minutes.";
    ZerosBelieved, "zeros-believed", "controller-hung", "heat-cut-late",
        "A word of nothing but zeros from a converter is taken for a kiln at 0 °C.";
    OnesBelieved, "ones-believed", "controller-hung", "heat-cut-late",
        "A word of nothing but ones from a converter is taken for a kiln a step below 0 °C, its fault bits unseen.";
    LastReadingKept, "last-reading-kept", "controller-hung", "heat-not-cut",
        "A converter that does not answer is no fault: its last good reading is used for ever.";
    WaitsForTheBus, "waits-for-the-bus", "controller-hung", "heat-cut-late",
        "A read of a converter waits for the clock line to rise, for ever, while an interrupt feeds the watchdog.";
}

impl Defect {
    /// The defect of that name.
    pub fn from_name(name: &str) -> Option<Defect> {
        Defect::ALL.iter().copied().find(|defect| defect.name() == name)
    }
}

/// A set of defects.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Defects(u128);

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
    fn a_set_holds_what_was_put_in_and_nothing_else() {
        assert!(Defect::ALL.len() <= 128);
        for one in Defect::ALL {
            let set = Defects::only(*one);
            assert!(set.iter().eq([*one]));
            assert_eq!(Defects::NONE.with(*one), set);
        }
        assert!(Defects::NONE.is_empty());
    }
}

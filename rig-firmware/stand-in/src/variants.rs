//! Ways in which a controller may differ from the stand-in and do everything right.

use crate::{LidPolicy, Settings};

macro_rules! variants {
    ($($variant:ident, $name:literal, $description:literal;)+) => {
        /// One honest variant of the controller: other settings, no mistake.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
        pub enum Variant {
            $(#[doc = $description] $variant,)+
        }

        impl Variant {
            /// Every variant, in a fixed order.
            pub const ALL: &'static [Variant] = &[$(Variant::$variant,)+];

            /// Its name: lower-case words joined by hyphens.
            pub fn name(self) -> &'static str {
                match self { $(Variant::$variant => $name,)+ }
            }

            /// What is different, in one sentence for people.
            pub fn description(self) -> &'static str {
                match self { $(Variant::$variant => $description,)+ }
            }
        }
    };
}

variants! {
    BriskRegulator, "brisk-regulator",
        "The regulator answers a deviation half again as hard, and its integral time is a third shorter.";
    GentleRegulator, "gentle-regulator",
        "The regulator answers a deviation half as hard, and its integral time is one and a half times as long.";
    SmoothedRegulation, "smoothed-regulation",
        "The regulator goes by readings smoothed over 5 s; the guards by readings as they come.";
    MiddleOfThree, "middle-of-three",
        "Of the last three samples of a probe the middle one is the reading.";
    QuickProbeFault, "quick-probe-fault",
        "A probe fault latches after 1 s.";
    PatientProbeFault, "patient-probe-fault",
        "A probe fault latches after 4 s.";
    EndsAtSupplyCut, "ends-at-supply-cut",
        "A firing never goes on after a supply cut, however short.";
    ResumesOnlyWarm, "resumes-only-warm",
        "After a supply cut a firing goes on only if no zone has lost more than 20 °C.";
    LidEndsFiring, "lid-ends-firing",
        "Opening the lid ends the firing for good.";
    WholeFahrenheit, "whole-fahrenheit",
        "It reckons in whole degrees Fahrenheit, and takes programs in Fahrenheit as well.";
    SlowContactor, "slow-contactor",
        "The contactor closes 1 s before the first element and opens 150 ms after the last.";
    PatientProgram, "patient-program",
        "The program waits for the kiln sooner: a ramp at 12 °C behind, a hold at 6 °C.";
    FourteenBitSteps, "fourteen-bit-steps",
        "Its converters give steps of a quarter of a degree, as parts of 14 bits do.";
    TwelveBitSteps, "twelve-bit-steps",
        "Its converters give steps of a quarter of a degree and a new reading every 220 ms, as parts of 12 bits do; their range, which ends below the kiln's top, is left out.";
    AimsLow, "aims-low",
        "The regulator aims below the set-point by so much that its holds lie at the edge of what is asked for.";
    EarlyLimiter, "early-limiter",
        "The limiter trips 5 °C below its setting and waits 4 s before it does.";
    StrictLimiter, "strict-limiter",
        "The limiter comes back tripped from every loss of its supply.";
}

impl Variant {
    /// The variant of that name.
    pub fn from_name(name: &str) -> Option<Variant> {
        Variant::ALL.iter().copied().find(|variant| variant.name() == name)
    }

    /// Whether it is so near a limit that nobody can say on which side.
    pub fn is_near_a_limit(self) -> bool {
        self == Variant::AimsLow
    }

    /// Whether it differs in its limiter only: on a bench without one it is the stand-in as it is.
    pub fn is_of_limiter(self) -> bool {
        matches!(self, Variant::EarlyLimiter | Variant::StrictLimiter)
    }

    /// The settings as this variant has them.
    #[must_use]
    pub fn applied(self, mut settings: Settings) -> Settings {
        let gains = &mut settings.gains;
        match self {
            Variant::BriskRegulator => {
                gains.proportional_per_degree *= 1.5;
                gains.integral_s /= 1.5;
            }
            Variant::GentleRegulator => {
                gains.proportional_per_degree /= 2.0;
                gains.integral_s *= 1.5;
            }
            Variant::SmoothedRegulation => settings.smoothing_ms = 5_000,
            Variant::MiddleOfThree => settings.middle_of_three = true,
            Variant::QuickProbeFault => settings.probe_fault_ms = 1_000,
            Variant::PatientProbeFault => settings.probe_fault_ms = 4_000,
            // No reading falls by less than nothing.
            Variant::EndsAtSupplyCut => settings.resume_drop_millicelsius = i32::MIN,
            Variant::ResumesOnlyWarm => settings.resume_drop_millicelsius = 20_000,
            Variant::LidEndsFiring => settings.lid = LidPolicy::EndFiring,
            Variant::WholeFahrenheit => {
                // One degree Fahrenheit, rounded.
                settings.reading_step_millicelsius = 556;
                settings.takes_fahrenheit = true;
            }
            Variant::SlowContactor => {
                settings.contactor_lead_ms = 1_000;
                settings.contactor_trail_ms = 150;
            }
            Variant::PatientProgram => {
                settings.hold_back_millicelsius = 12_000;
                settings.hold_band_millicelsius = 6_000;
            }
            // Read-only parts of 14 and of 12 bits, from memory.
            Variant::FourteenBitSteps => settings.reading_step_millicelsius = 250,
            Variant::TwelveBitSteps => {
                settings.reading_step_millicelsius = 250;
                settings.sample_ms = 220;
            }
            Variant::AimsLow => settings.aims_below_millicelsius = 5_000,
            Variant::EarlyLimiter => {
                settings.limiter.early_millicelsius = 5_000;
                settings.limiter.confirm_ms = 4_000;
            }
            Variant::StrictLimiter => settings.limiter.trips_on_supply_loss = true,
        }
        settings
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_kebab_case_and_lead_back_to_their_variant() {
        for variant in Variant::ALL {
            let name = variant.name();
            assert!(name.bytes().all(|byte| byte.is_ascii_lowercase() || byte == b'-'), "{name}");
            assert_eq!(Variant::from_name(name), Some(*variant));
            assert!(variant.description().ends_with('.'), "{name}");
        }
        assert_eq!(Variant::from_name("none-such"), None);
    }

    #[test]
    fn every_variant_differs_and_stays_within_what_the_logic_is_made_for() {
        for variant in Variant::ALL {
            let settings = variant.applied(Settings::default());
            assert_ne!(settings, Settings::default(), "{}", variant.name());
            assert_eq!(settings, settings.bounded(), "{}", variant.name());
        }
    }
}

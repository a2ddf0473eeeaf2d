//! The values that the controller declares.

use crate::{Defect, Defects, LimiterTraits, MAX_ZONES};

/// What happens when the lid is shut again during a firing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LidPolicy {
    /// The firing goes on from the temperature that the kiln has then.
    Resume,
    /// Opening the lid ends the firing for good.
    EndFiring,
}

/// How the element duty is found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Gains {
    /// Duty for each degree of deviation.
    pub proportional_per_degree: f32,
    /// Integral time in seconds.
    pub integral_s: f32,
    /// Duty expected to hold the top temperature; below it by the square of the
    /// way from 25 °C to the top.
    pub hold_duty_at_top: f32,
    /// Rate in degrees per hour that full duty gives on top of holding.
    pub full_rate_per_hour: f32,
}

/// The declared values. Times in milliseconds unless the name says otherwise,
/// temperatures in thousandths of a degree Celsius.
///
/// The defaults are common practice, no source, except where a comment says more.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settings {
    /// How many zones there are, 1 to [`MAX_ZONES`].
    pub zones: usize,
    /// Period of the tick.
    pub tick_ms: u32,
    /// No reading may be above this; programs end [`Self::headroom_millicelsius`] below.
    pub top_millicelsius: i32,
    /// How far below the top temperature a program has to stay, so that an
    /// ordinary overshoot does not trip.
    pub headroom_millicelsius: i32,
    /// A firing that lasts longer is cut.
    pub longest_firing_ms: u32,
    /// Cycle of the element relays.
    pub cycle_ms: u32,
    /// Shortest time that an element relay stays on, or off, within regulation.
    pub shortest_switch_ms: u32,
    /// The regulator's gains.
    pub gains: Gains,
    /// A flagged probe fault that lasts longer latches.
    pub probe_fault_ms: u32,
    /// Two neighbouring samples further apart than this are not believed …
    pub jump_millicelsius: i32,
    /// … and latch when the readings stay there longer than this.
    pub jump_ms: u32,
    /// A ramp waits while the coldest zone is further below the set-point
    /// (in cooling: the hottest further above).
    pub hold_back_millicelsius: i32,
    /// A hold counts only while the zones are this close to it.
    pub hold_band_millicelsius: i32,
    /// Reading above the set-point that is a runaway at once.
    pub runaway_millicelsius: i32,
    /// After a supply cut a firing goes on only if no zone lost more than this.
    pub resume_drop_millicelsius: i32,
    /// What happens when the lid is shut again.
    pub lid: LidPolicy,
    /// From the contactor's closing to the first element.
    pub contactor_lead_ms: u32,
    /// From the elements' opening to the contactor's: longer than a relay's release
    /// (20 ms, common practice, no source).
    pub contactor_trail_ms: u32,
    /// Each sample is the middle one of the last three, against single bad ones.
    pub middle_of_three: bool,
    /// Time constant of the smoothing between the readings and the regulator; 0: none.
    /// The guards look at readings that are not smoothed.
    pub smoothing_ms: u32,
    /// Step that readings are rounded to; 0: as the converter gives them.
    pub reading_step_millicelsius: i32,
    /// Programs may be written in Fahrenheit as well; they are converted.
    pub takes_fahrenheit: bool,
    /// How far below the set-point the regulator aims.
    pub aims_below_millicelsius: i32,
    /// Each probe is read this often at most; in between its last sample counts. 0: at every tick.
    pub sample_ms: u32,
    /// The regulator's integral part grows although the duty is at a stop; only a defect sets this.
    pub winds_up: bool,
    /// How its limiter differs from others, where the bench has one.
    pub limiter: LimiterTraits,
}

impl Default for Settings {
    fn default() -> Self {
        Settings {
            zones: 3,
            tick_ms: 100,
            top_millicelsius: 1_300_000,
            headroom_millicelsius: 5_000,
            longest_firing_ms: 14 * 3_600_000,
            cycle_ms: 15_000,
            shortest_switch_ms: 2_000,
            gains: Gains {
                proportional_per_degree: 0.03,
                integral_s: 900.0,
                hold_duty_at_top: 0.6,
                full_rate_per_hour: 800.0,
            },
            probe_fault_ms: 2_500,
            jump_millicelsius: 50_000,
            jump_ms: 3_000,
            hold_back_millicelsius: 20_000,
            hold_band_millicelsius: 10_000,
            runaway_millicelsius: 25_000,
            resume_drop_millicelsius: 50_000,
            lid: LidPolicy::Resume,
            contactor_lead_ms: 400,
            contactor_trail_ms: 60,
            middle_of_three: false,
            smoothing_ms: 0,
            reading_step_millicelsius: 0,
            takes_fahrenheit: false,
            aims_below_millicelsius: 0,
            sample_ms: 0,
            winds_up: false,
            limiter: LimiterTraits::default(),
        }
    }
}

impl Settings {
    /// The settings with every value brought into the range that the logic is
    /// made for, so that a wild value cannot make it divide by zero or never cut.
    #[must_use]
    pub fn bounded(mut self) -> Self {
        self.zones = self.zones.clamp(1, MAX_ZONES);
        self.tick_ms = self.tick_ms.clamp(10, 2_000);
        self.top_millicelsius = self.top_millicelsius.clamp(100_000, 1_400_000);
        self.headroom_millicelsius = self.headroom_millicelsius.clamp(0, 50_000);
        self.longest_firing_ms = self.longest_firing_ms.clamp(60_000, 100 * 3_600_000);
        self.cycle_ms = self.cycle_ms.clamp(1_000, 120_000);
        self.shortest_switch_ms = self.shortest_switch_ms.min(self.cycle_ms / 3);
        self.contactor_lead_ms = self.contactor_lead_ms.clamp(30, 5_000);
        self.contactor_trail_ms = self.contactor_trail_ms.clamp(30, 1_000);
        self.smoothing_ms = self.smoothing_ms.min(30_000);
        self.sample_ms = self.sample_ms.min(500);
        self.reading_step_millicelsius = self.reading_step_millicelsius.clamp(0, 2_000);
        self.limiter = self.limiter.bounded();
        self
    }

    /// The settings as some defects change them.
    #[must_use]
    pub(crate) fn spoilt(mut self, defects: Defects) -> Self {
        if defects.has(Defect::ProbeFaultAfterAMinute) {
            self.probe_fault_ms = 60_000;
        }
        if defects.has(Defect::RelaysChatter) {
            self.cycle_ms = 3_000;
            self.shortest_switch_ms = 300;
        }
        self.winds_up |= defects.has(Defect::IntegralWindsUp);
        self
    }

    /// The hottest temperature that a program may ask for.
    pub fn hottest_program_millicelsius(&self) -> i32 {
        self.top_millicelsius.saturating_sub(self.headroom_millicelsius)
    }
}

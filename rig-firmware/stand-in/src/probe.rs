//! One zone's probe: from raw samples to a reading that is believed, or a fault.

use crate::{ProbeFault, Reading, Settings};

/// Longest time of faulty samples that is remembered.
const FAULT_CAP_MS: u32 = 10_000;

/// What is known of a probe.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Probe {
    /// Last reading that was believed.
    pub(crate) believed: Option<i32>,
    /// Whether the latest sample is a good one.
    pub(crate) good: bool,
    /// The fault last flagged.
    flagged: Option<ProbeFault>,
    /// Time of faulty samples; good ones pay it back at half the rate, so that an
    /// intermittent probe adds up and a single bad sample is forgotten.
    faulty_ms: u32,
    /// How long the readings have been too far from the last one believed.
    jumped_ms: u32,
    /// The good samples before this one, the latest first; only for the middle of three.
    recent: [Option<i32>; 2],
}

/// How samples are taken; only defects change it.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Habits {
    /// A fall is believed however large it is.
    pub(crate) believes_drops: bool,
    /// A good sample makes every fault before it forgotten.
    pub(crate) forgets: bool,
    /// One sample far from the one before it is enough.
    pub(crate) hasty: bool,
    /// Samples are smoothed over so many before they are looked at; up to 1: not at all.
    pub(crate) smooths_over: i32,
}

/// What one sample came to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Sampled {
    /// Nothing to act on.
    Fine,
    /// A flagged fault has lasted.
    Faulty(ProbeFault),
    /// The readings jumped and stayed there.
    Jumped,
}

impl Probe {
    pub(crate) fn sample(&mut self, settings: &Settings, dt_ms: u32, reading: Reading, habits: Habits) -> Sampled {
        match reading {
            Ok(value) => {
                let mut value = self.prepared(settings, value);
                if let Some(believed) = self.believed.filter(|_| habits.smooths_over > 1) {
                    value = believed.saturating_add(value.saturating_sub(believed) / habits.smooths_over);
                }
                self.faulty_ms = if habits.forgets { 0 } else { self.faulty_ms.saturating_sub(dt_ms / 2) };
                self.good = true;
                let near = self.believed.is_none_or(|believed| {
                    value.saturating_sub(believed).saturating_abs() <= settings.jump_millicelsius
                });
                let dropped = self.believed.is_some_and(|believed| value < believed);
                if near || (habits.believes_drops && dropped) {
                    self.believed = Some(value);
                    self.jumped_ms = 0;
                } else {
                    self.jumped_ms = self.jumped_ms.saturating_add(dt_ms);
                }
            }
            Err(fault) => {
                self.faulty_ms = self
                    .faulty_ms
                    .saturating_add(dt_ms)
                    .min(FAULT_CAP_MS.max(settings.probe_fault_ms.saturating_add(dt_ms)));
                self.good = false;
                self.flagged = Some(fault);
            }
        }
        match self.flagged {
            Some(fault) if self.faulty_ms > settings.probe_fault_ms => Sampled::Faulty(fault),
            _ if self.jumped_ms > if habits.hasty { 0 } else { settings.jump_ms } => Sampled::Jumped,
            _ => Sampled::Fine,
        }
    }

    /// A good sample as it is looked at: rounded, and of three the middle one.
    fn prepared(&mut self, settings: &Settings, value: i32) -> i32 {
        let value = match settings.reading_step_millicelsius {
            0 => value,
            step => value.saturating_add(step / 2).div_euclid(step) * step,
        };
        if !settings.middle_of_three {
            return value;
        }
        let [one, other] = self.recent.map(|earlier| earlier.unwrap_or(value));
        self.recent = [Some(value), self.recent[0]];
        one.max(other).min(value.max(one.min(other)))
    }

    /// The fault that is there now, if one is.
    pub(crate) fn present_fault(&self) -> Option<ProbeFault> {
        if self.good { None } else { Some(self.flagged.unwrap_or(ProbeFault::NoAnswer)) }
    }

    /// Believes the readings anew from the next sample on: outside a firing a
    /// jump is nothing to act on.
    pub(crate) fn forget_jump(&mut self) {
        self.believed = None;
        self.jumped_ms = 0;
        self.recent = [None; 2];
    }

    /// Forgets the time that faults have added up.
    pub(crate) fn forget_faults(&mut self) {
        self.faulty_ms = 0;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn feed(probe: &mut Probe, times: u32, reading: Reading) -> Sampled {
        let mut last = Sampled::Fine;
        for _ in 0..times {
            last = probe.sample(&Settings::default(), 100, reading, Habits::default());
        }
        last
    }

    #[test]
    fn one_bad_sample_is_no_fault_and_three_seconds_of_them_are() {
        let mut probe = Probe::default();
        assert_eq!(feed(&mut probe, 10, Ok(20_000)), Sampled::Fine);
        assert_eq!(feed(&mut probe, 1, Err(ProbeFault::Open)), Sampled::Fine);
        assert_eq!(feed(&mut probe, 10, Ok(20_000)), Sampled::Fine);
        assert_eq!(feed(&mut probe, 30, Err(ProbeFault::Open)), Sampled::Faulty(ProbeFault::Open));
    }

    #[test]
    fn an_intermittent_probe_adds_up_to_a_fault() {
        let mut probe = Probe::default();
        feed(&mut probe, 10, Ok(20_000));
        let mut seen = false;
        for _ in 0..5 {
            seen |= feed(&mut probe, 10, Err(ProbeFault::Open)) != Sampled::Fine;
            feed(&mut probe, 5, Ok(20_000));
        }
        assert!(seen);
    }

    #[test]
    fn of_three_samples_the_middle_one_counts() {
        let settings = Settings { middle_of_three: true, ..Settings::default() };
        let mut probe = Probe::default();
        for (sample, believed) in [(800, 800), (820, 820), (810, 810), (700, 810), (812, 810), (815, 812)] {
            probe.sample(&settings, 100, Ok(sample * 1_000), Habits::default());
            assert_eq!(probe.believed, Some(believed * 1_000), "after {sample}");
        }
    }

    #[test]
    fn a_rounded_reading_is_the_nearest_step_also_below_zero() {
        let settings = Settings { reading_step_millicelsius: 500, ..Settings::default() };
        for (sample, believed) in [(249, 0), (250, 500), (-200, 0), (-300, -500), (1_100, 1_000)] {
            let mut probe = Probe::default();
            probe.sample(&settings, 100, Ok(sample), Habits::default());
            assert_eq!(probe.believed, Some(believed), "of {sample}");
        }
    }

    #[test]
    fn a_spike_is_not_believed_and_a_lasting_jump_is_a_fault() {
        let mut probe = Probe::default();
        feed(&mut probe, 10, Ok(800_000));
        assert_eq!(feed(&mut probe, 2, Ok(1_100_000)), Sampled::Fine);
        assert_eq!(probe.believed, Some(800_000));
        assert_eq!(feed(&mut probe, 10, Ok(800_100)), Sampled::Fine);
        assert_eq!(feed(&mut probe, 31, Ok(20_000)), Sampled::Jumped);
        assert_eq!(probe.believed, Some(800_100));
    }
}

//! Where a firing stands: segment, set-point, time held.

use crate::{Defect, Defects, Program, Segment, Settings};

const MS_PER_HOUR: i64 = 3_600_000;

/// The hottest and the coldest zone, thousandths of a degree Celsius.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Extremes {
    pub(crate) coldest: i32,
    pub(crate) hottest: i32,
}

/// What a step of time brought.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Advance {
    /// The same segment goes on.
    Same,
    /// The next segment began.
    NextSegment,
    /// The program is done.
    Done,
}

/// The place in a program.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Progress {
    /// Index of the running segment.
    pub(crate) segment: u8,
    /// Thousandths of a degree Celsius.
    pub(crate) set_point: i32,
    /// What the set-point still owes, in thousandths of a degree times ms per hour.
    owed: i64,
    /// Time held in the running hold.
    pub(crate) held_ms: u32,
    /// Whether the running or last ramp leads up.
    pub(crate) upward: bool,
    /// Whether the kiln keeps the program waiting.
    pub(crate) lagging: bool,
}

impl Progress {
    /// At the beginning of a program, with the kiln at this temperature.
    pub(crate) fn begin(program: &Program, kiln: i32) -> Self {
        let mut progress = Progress { set_point: kiln, ..Progress::default() };
        // A program begins with a ramp.
        progress.face_target(program);
        progress
    }

    /// Goes on with a program at a stored place, with the kiln at this temperature:
    /// a ramp from there, a hold at its own temperature.
    pub(crate) fn resume(program: &Program, segment: u8, set_point: i32, held_ms: u32, kiln: i32) -> Self {
        let mut progress = Progress { segment, set_point, held_ms, upward: true, ..Progress::default() };
        progress.restart_from(program, kiln);
        progress
    }

    /// Sets a ramp back to the temperature that the kiln has; leaves a hold alone.
    pub(crate) fn restart_from(&mut self, program: &Program, kiln: i32) {
        if let Some(Segment::Ramp { to_millicelsius: to, .. }) = self.current(program) {
            self.set_point = if self.set_point <= to { kiln.min(to) } else { kiln.max(to) };
            self.owed = 0;
            self.face_target(program);
        }
    }

    pub(crate) fn current(&self, program: &Program) -> Option<Segment> {
        program.segments().get(usize::from(self.segment)).copied()
    }

    fn face_target(&mut self, program: &Program) {
        if let Some(Segment::Ramp { to_millicelsius, .. }) = self.current(program) {
            self.upward = to_millicelsius >= self.set_point;
        }
    }

    /// How fast the set-point moves in this segment, thousandths of a degree per
    /// hour, negative downwards.
    pub(crate) fn rate(&self, program: &Program) -> i32 {
        match self.current(program) {
            Some(Segment::Ramp { rate_millicelsius_per_hour: rate, .. }) if self.upward => rate,
            Some(Segment::Ramp { rate_millicelsius_per_hour: rate, .. }) => -rate,
            _ => 0,
        }
    }

    fn lag(&self, kiln: Extremes) -> i32 {
        if self.upward {
            self.set_point.saturating_sub(kiln.coldest)
        } else {
            kiln.hottest.saturating_sub(self.set_point)
        }
    }

    /// Lets time pass.
    pub(crate) fn advance(
        &mut self,
        program: &Program,
        settings: &Settings,
        defects: Defects,
        dt_ms: u32,
        kiln: Extremes,
    ) -> Advance {
        let waits = !defects.has(Defect::ProgramDoesNotWait);
        let lag = self.lag(kiln);
        let finished = match self.current(program) {
            None => return Advance::Done,
            Some(Segment::Ramp { rate_millicelsius_per_hour: rate, to_millicelsius: to }) => {
                // Cooling follows the kiln more closely, so that the guard against
                // readings above the set-point has nothing to say to it.
                let limit =
                    if self.upward { settings.hold_back_millicelsius } else { settings.hold_back_millicelsius / 4 * 3 };
                self.lagging = lag > limit && waits;
                if defects.has(Defect::RampIgnored) {
                    self.set_point = to;
                } else if !self.lagging {
                    self.move_set_point(rate, to, dt_ms);
                }
                self.set_point == to
            }
            Some(Segment::Hold { length_ms }) => {
                self.lagging = lag > settings.hold_band_millicelsius && waits;
                if !self.lagging {
                    self.held_ms = self.held_ms.saturating_add(dt_ms);
                }
                let last = usize::from(self.segment) + 1 == program.segments().len();
                let endless = defects.has(Defect::HoldNeverEnds) && last;
                let skipped = defects.has(Defect::LastHoldSkipped) && last;
                (self.held_ms >= length_ms && !endless) || skipped
            }
        };
        if !finished {
            return Advance::Same;
        }
        self.segment += 1;
        self.held_ms = 0;
        self.owed = 0;
        if self.current(program).is_none() {
            return Advance::Done;
        }
        self.face_target(program);
        Advance::NextSegment
    }

    fn move_set_point(&mut self, rate: i32, to: i32, dt_ms: u32) {
        self.owed += i64::from(rate) * i64::from(dt_ms);
        let step = i32::try_from(self.owed / MS_PER_HOUR).unwrap_or(i32::MAX);
        self.owed %= MS_PER_HOUR;
        self.set_point = if self.upward {
            self.set_point.saturating_add(step).min(to)
        } else {
            self.set_point.saturating_sub(step).max(to)
        };
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(temperature: i32) -> Extremes {
        Extremes { coldest: temperature, hottest: temperature }
    }

    fn program(text: &str) -> Program {
        Program::parse(text, 1_295_000).expect("a good program")
    }

    #[test]
    fn the_set_point_climbs_at_the_rate_whatever_the_step() {
        let program = program("150 C/h to 1000 C");
        for dt_ms in [10, 100, 333, 1_000] {
            let mut progress = Progress::begin(&program, 20_000);
            for _ in 0..3_600_000 / dt_ms {
                let kiln = at(progress.set_point);
                assert_eq!(progress.advance(&program, &Settings::default(), Defects::NONE, dt_ms, kiln), Advance::Same);
            }
            assert!((progress.set_point - 170_000).abs() <= 15, "{dt_ms} ms: {}", progress.set_point);
        }
    }

    #[test]
    fn a_ramp_waits_for_a_kiln_that_lags() {
        let program = program("600 C/h to 1000 C");
        let mut progress = Progress::begin(&program, 20_000);
        for _ in 0..10_000 {
            progress.advance(&program, &Settings::default(), Defects::NONE, 100, at(20_000));
        }
        assert!(progress.lagging);
        assert!((40_000..40_100).contains(&progress.set_point), "{}", progress.set_point);
    }

    #[test]
    fn a_hold_counts_only_inside_its_band_and_then_the_program_is_done() {
        let program = program("600 C/h to 30 C; hold 10 s");
        let mut progress = Progress::begin(&program, 29_000);
        let settings = Settings::default();
        while progress.advance(&program, &settings, Defects::NONE, 100, at(29_500)) == Advance::Same {}
        for _ in 0..1_000 {
            assert_eq!(progress.advance(&program, &settings, Defects::NONE, 100, at(19_000)), Advance::Same);
        }
        for _ in 0..99 {
            assert_eq!(progress.advance(&program, &settings, Defects::NONE, 100, at(29_000)), Advance::Same);
        }
        assert_eq!(progress.advance(&program, &settings, Defects::NONE, 100, at(29_000)), Advance::Done);
    }

    #[test]
    fn a_ramp_below_the_kiln_leads_down_and_waits_for_it_to_cool() {
        let program = program("100 C/h to 500 C");
        let mut progress = Progress::begin(&program, 900_000);
        for _ in 0..36_000 {
            progress.advance(&program, &Settings::default(), Defects::NONE, 100, at(900_000));
        }
        assert!(progress.lagging);
        assert!((884_900..=885_000).contains(&progress.set_point), "{}", progress.set_point);
    }

    #[test]
    fn a_ramp_resumed_in_a_cooler_kiln_starts_from_the_kiln() {
        let program = program("100 C/h to 500 C; hold 1 h");
        assert_eq!(Progress::resume(&program, 0, 400_000, 0, 360_000).set_point, 360_000);
        assert_eq!(Progress::resume(&program, 1, 500_000, 5, 470_000).set_point, 500_000);
    }
}

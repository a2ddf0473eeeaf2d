//! What a probe channel plays, as a function of time.

use dryfire_link::ProbeDrive;
use dryfire_units::RigTime;

/// What a probe channel plays from a certain instant on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Drive {
    from: RigTime,
    signal: ProbeDrive,
}

impl Drive {
    /// The circuit is broken: how a rig boots and what it falls back to.
    pub const OPEN: Drive = Drive { from: RigTime::ZERO, signal: ProbeDrive::Open };

    /// A signal whose voltage counts from `from` on.
    pub const fn new(from: RigTime, signal: ProbeDrive) -> Self {
        Drive { from, signal }
    }

    /// The signal as commanded.
    pub const fn signal(&self) -> ProbeDrive {
        self.signal
    }

    /// The instant that the signal counts from.
    pub const fn from(&self) -> RigTime {
        self.from
    }

    /// The voltage at `now` in nanovolts, to the nearest one; `None` if open. A short, of whatever kind, plays 0.
    ///
    /// It changes with its slope until its validity ends, and holds from then on.
    pub fn nanovolts_at(&self, now: RigTime) -> Option<i32> {
        match self.signal {
            ProbeDrive::Open => None,
            // A lead on ground or on the supply is a switch beside the channel's source.
            ProbeDrive::Short | ProbeDrive::ShortToGround | ProbeDrive::ShortToSupply => Some(0),
            ProbeDrive::Voltage { nanovolts, nanovolts_per_second, valid_until } => {
                let elapsed = now.min(valid_until).as_micros().saturating_sub(self.from.as_micros()).max(0);
                let change = i128::from(nanovolts_per_second) * i128::from(elapsed);
                let rounded = (change + 500_000).div_euclid(1_000_000);
                let value = (i128::from(nanovolts) + rounded).clamp(i128::from(i32::MIN), i128::from(i32::MAX));
                Some(value as i32)
            }
        }
    }

    /// Whether the signal has run out before `now`.
    pub fn is_stale_at(&self, now: RigTime) -> bool {
        matches!(self.signal, ProbeDrive::Voltage { valid_until, .. } if valid_until < now)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    fn at(micros: i64) -> RigTime {
        RigTime::from_micros(micros)
    }

    fn voltage(nanovolts: i32, nanovolts_per_second: i32) -> Drive {
        Drive::new(at(1_000), ProbeDrive::Voltage { nanovolts, nanovolts_per_second, valid_until: at(1_001_000) })
    }

    #[rstest]
    #[case::before_its_instant(0, 5_000)]
    #[case::at_its_instant(1_000, 5_000)]
    #[case::half_way(501_000, 5_500)]
    #[case::at_its_end(1_001_000, 6_000)]
    #[case::held_afterwards(9_000_000, 6_000)]
    fn a_voltage_follows_its_slope_until_its_validity_ends(#[case] now: i64, #[case] expected: i32) {
        assert_eq!(voltage(5_000, 1_000).nanovolts_at(at(now)), Some(expected));
    }

    #[rstest]
    #[case(1, 500_000, 1)]
    #[case(-1, 500_000, 0)]
    #[case(-3, 500_000, -1)]
    fn fractions_of_a_nanovolt_are_rounded(#[case] slope: i32, #[case] after: i64, #[case] expected: i32) {
        assert_eq!(voltage(0, slope).nanovolts_at(at(1_000 + after)), Some(expected));
    }

    #[test]
    fn the_ends_of_the_range_hold_instead_of_wrapping() {
        assert_eq!(voltage(i32::MAX, i32::MAX).nanovolts_at(RigTime::FAR_FUTURE), Some(i32::MAX));
        assert_eq!(voltage(i32::MIN, i32::MIN).nanovolts_at(RigTime::FAR_FUTURE), Some(i32::MIN));
    }

    #[test]
    fn open_has_no_voltage_and_a_short_has_none_to_speak_of() {
        assert_eq!(Drive::OPEN.nanovolts_at(at(5)), None);
        assert_eq!(Drive::new(at(0), ProbeDrive::Short).nanovolts_at(at(5)), Some(0));
        assert!(!Drive::OPEN.is_stale_at(RigTime::FAR_FUTURE));
    }
}

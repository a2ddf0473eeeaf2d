//! A 64-bit clock out of a 32-bit timer.

use dryfire_units::{RigSpan, RigTime};

/// Extends the readings of a 32-bit microsecond timer, which wraps after 71.6 minutes.
///
/// Readings may come slightly out of order, as a timestamp taken in an interrupt
/// does; each is taken as the instant nearest to the newest one known. Needs a
/// reading at least every 35 minutes.
#[derive(Clone, Copy, Debug)]
pub struct WrapExtender {
    newest: RigTime,
    raw: u32,
}

impl WrapExtender {
    /// Starts at a reading that is `now`.
    pub const fn new(raw: u32, now: RigTime) -> Self {
        WrapExtender { newest: now, raw }
    }

    /// The instant of a reading.
    pub fn extend(&mut self, raw: u32) -> RigTime {
        let ahead = raw.wrapping_sub(self.raw).cast_signed();
        let at = self.newest + RigSpan::from_micros(i64::from(ahead));
        if ahead > 0 {
            (self.newest, self.raw) = (at, raw);
        }
        at
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use proptest::test_runner::RngSeed;

    #[test]
    fn the_clock_goes_on_where_the_timer_wraps() {
        // Starts 10 us before the wrap.
        let mut clock = WrapExtender::new(u32::MAX - 9, RigTime::from_micros(1_000));
        assert_eq!(clock.extend(u32::MAX), RigTime::from_micros(1_009));
        assert_eq!(clock.extend(0), RigTime::from_micros(1_010));
        assert_eq!(clock.extend(5), RigTime::from_micros(1_015));
    }

    #[test]
    fn a_timestamp_from_before_the_wrap_that_comes_after_it_keeps_its_instant() {
        let mut clock = WrapExtender::new(u32::MAX - 9, RigTime::ZERO);
        assert_eq!(clock.extend(3), RigTime::from_micros(13));
        assert_eq!(clock.extend(u32::MAX - 4), RigTime::from_micros(5));
        assert_eq!(clock.extend(4), RigTime::from_micros(14));
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, rng_seed: RngSeed::Fixed(20_261_125), ..ProptestConfig::default() })]

        #[test]
        fn any_readings_less_than_half_a_wrap_apart_add_up(
            start in any::<u32>(), steps in prop::collection::vec(0u32..(1 << 31), 1..50),
        ) {
            let mut clock = WrapExtender::new(start, RigTime::ZERO);
            let (mut raw, mut sum) = (start, 0i64);
            for step in steps {
                raw = raw.wrapping_add(step);
                sum += i64::from(step);
                prop_assert_eq!(clock.extend(raw), RigTime::from_micros(sum));
            }
        }
    }
}

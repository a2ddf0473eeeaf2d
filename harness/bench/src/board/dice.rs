//! The board's own random numbers.

/// SplitMix64 (Steele, Lea, Flood 2014): small, fast, and the same everywhere.
#[derive(Clone, Debug)]
pub(super) struct Dice(u64);

impl Dice {
    pub(super) fn new(seed: u64) -> Self {
        Dice(seed)
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut word = self.0;
        word = (word ^ (word >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        word = (word ^ (word >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        word ^ (word >> 31)
    }

    /// A number from 0 up to but not including `bound`, which is positive.
    pub(super) fn below(&mut self, bound: i64) -> i64 {
        // High half of the product: unbiased enough for delays, and no division.
        ((u128::from(self.next()) * bound.max(1) as u128) >> 64) as i64
    }

    pub(super) fn coin(&mut self) -> bool {
        self.next() >> 63 == 1
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_numbers_are_those_of_the_published_generator() {
        // First outputs for seed 1234567, as listed with several implementations
        // of SplitMix64 (from memory).
        let mut dice = Dice::new(1_234_567);
        assert_eq!(
            [dice.next(), dice.next(), dice.next()],
            [6_457_827_717_110_365_317, 3_203_168_211_198_807_973, 9_817_491_932_198_370_423]
        );
    }

    #[test]
    fn numbers_stay_below_their_bound() {
        let mut dice = Dice::new(7);
        assert!((0..10_000).all(|_| (0..13).contains(&dice.below(13))));
        assert_eq!(dice.below(1), 0);
    }
}

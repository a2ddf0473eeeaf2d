//! Numbers that are the same everywhere for the same seed.

/// A sequence of numbers that depends on nothing but its seed
/// (the finaliser of the sequence is that of SplitMix64).
pub(crate) struct Random(u64);

impl Random {
    /// One sequence for each pair of a seed and an index.
    pub(crate) fn new(seed: u64, index: u64) -> Self {
        let mut own = Random(seed);
        Random(own.next() ^ index.wrapping_mul(0xd134_2543_de82_ef95))
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        mixed ^ (mixed >> 31)
    }

    /// A whole number from `least` to `most`, both included.
    pub(crate) fn between(&mut self, least: i64, most: i64) -> i64 {
        let count = (most - least + 1) as u64;
        // Too even by less than 1 in 10^17; that does not matter here.
        least + (self.next() % count) as i64
    }

    /// True so many times in a hundred.
    pub(crate) fn percent(&mut self, percent: i64) -> bool {
        self.between(1, 100) <= percent
    }

    /// One of several.
    pub(crate) fn pick<T: Clone>(&mut self, among: &[T]) -> T {
        among[self.between(0, among.len() as i64 - 1) as usize].clone()
    }
}

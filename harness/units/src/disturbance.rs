//! What a rig adds to a probe's signal by itself: noise, spikes, a loose contact.
//!
//! Too quick for a host's stream of set-points, so the rig makes it, from a few
//! numbers and one seed. It is a function of the time since it began and of
//! nothing else, in whole numbers, so that every rig, real or simulated, plays the same.

use crate::RigSpan;

/// A disturbance of one probe channel. A part that is zero is not there.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Disturbance {
    /// Of everything that is random in it.
    pub seed: u32,
    /// Noise, root mean square.
    pub noise_nanovolts: u32,
    /// How long each value of the noise stays.
    pub noise_every_ms: u32,
    /// Height of a spike.
    pub spike_nanovolts: i32,
    /// Length of a spike.
    pub spike_ms: u32,
    /// Each such period has one spike, which begins somewhere in its first half.
    pub spike_every_ms: u32,
    /// How long the circuit is open, by turns with the next.
    pub open_ms: u32,
    /// How long it is closed then.
    pub closed_ms: u32,
}

/// What a disturbance does at an instant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Disturbed {
    /// The circuit is open.
    Open,
    /// So many nanovolts are added.
    Adds(i32),
}

/// Sum of four numbers of 16 bits: its mean, and its standard deviation, 65,536/√3.
const MEAN: i64 = 131_070;
const DEVIATION: i64 = 37_837;

impl Disturbance {
    /// Nothing is added.
    pub const NONE: Disturbance = Disturbance {
        seed: 0,
        noise_nanovolts: 0,
        noise_every_ms: 0,
        spike_nanovolts: 0,
        spike_ms: 0,
        spike_every_ms: 0,
        open_ms: 0,
        closed_ms: 0,
    };

    /// Whether it does nothing at all.
    pub const fn is_none(&self) -> bool {
        self.noise_nanovolts == 0 && self.spike_nanovolts == 0 && self.open_ms == 0
    }

    /// What it does so long after it began.
    pub fn after(&self, since: RigSpan) -> Disturbed {
        let since = since.as_micros().max(0);
        if self.open_ms > 0 {
            let (open, closed) = (micros(self.open_ms), micros(self.closed_ms));
            if since % (open + closed) < open {
                return Disturbed::Open;
            }
        }
        let mut nanovolts = 0;
        if self.noise_nanovolts > 0 {
            let place = since / micros(self.noise_every_ms.max(1));
            let word = self.random(place, 0);
            let sum: i64 = (0..4).map(|part| (word >> (16 * part) & 0xFFFF) as i64).sum();
            nanovolts += (sum - MEAN) * i64::from(self.noise_nanovolts) / DEVIATION;
        }
        if self.spike_nanovolts != 0 && self.spike_every_ms > 0 {
            let every = micros(self.spike_every_ms);
            let half = (every / 2).max(1);
            // The remainder of a random word; a period is far too short for the bias to matter.
            let begins = (self.random(since / every, 1) % half as u64) as i64;
            let within = since % every;
            if within >= begins && within < begins + micros(self.spike_ms) {
                nanovolts += i64::from(self.spike_nanovolts);
            }
        }
        Disturbed::Adds(nanovolts.clamp(i64::from(i32::MIN), i64::from(i32::MAX)) as i32)
    }

    /// A random word for a place in time and a purpose: SplitMix64 (Steele, Lea, Flood 2014).
    fn random(&self, place: i64, purpose: u64) -> u64 {
        let mut word = (u64::from(self.seed) << 1 | purpose) << 31;
        word = word.wrapping_add((place as u64).wrapping_add(1).wrapping_mul(0x9e37_79b9_7f4a_7c15));
        word = (word ^ (word >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        word = (word ^ (word >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        word ^ (word >> 31)
    }
}

fn micros(milliseconds: u32) -> i64 {
    i64::from(milliseconds) * 1_000
}

//! What a rig adds to a probe's signal by itself: noise, spikes, hum, a loose contact.
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
    /// Hum of the mains: its amplitude.
    pub hum_nanovolts: u32,
    /// Its frequency, thousandths of a hertz.
    pub hum_millihertz: u32,
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
        hum_nanovolts: 0,
        hum_millihertz: 0,
    };

    /// Whether it does nothing at all.
    pub const fn is_none(&self) -> bool {
        self.noise_nanovolts == 0 && self.spike_nanovolts == 0 && self.open_ms == 0 && self.hum_nanovolts == 0
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
        nanovolts += self.hum(since);
        Disturbed::Adds(held(nanovolts))
    }

    /// What a conversion of that length makes of it that ends so long after it began: hum is
    /// averaged over the conversion, everything else counts as it is at the end.
    pub fn converted(&self, since: RigSpan, length: RigSpan) -> Disturbed {
        let at_the_end = Disturbance { hum_nanovolts: 0, ..*self }.after(since);
        let Disturbed::Adds(rest) = at_the_end else { return at_the_end };
        let steps = length.as_millis();
        if self.hum_nanovolts == 0 || steps < 1 {
            return at_the_end;
        }
        let begun = since.as_micros().saturating_sub(length.as_micros());
        // A millisecond is short beside a cycle of 20 ms. There is no hum before it began.
        let instants = (0..steps).map(|step| begun.saturating_add(step * 1_000 + 500)).filter(|instant| *instant >= 0);
        let sum: i64 = instants.map(|instant| self.hum(instant)).sum();
        Disturbed::Adds(held(i64::from(rest) + sum / steps))
    }

    /// Hum so many microseconds after it began. A sine by Bhaskara I's approximation, 0.2 % off
    /// at most: 16·p/(5·H² − 4·p) with p = h·(H − h) for the place h in a half-wave of length H.
    fn hum(&self, micros: i64) -> i64 {
        /// Steps of a half-wave, and of the sine's amplitude.
        const HALF: i64 = 32_768;
        /// Thousandths of a hertz times microseconds in a cycle.
        const CYCLE: i64 = 1_000_000_000;
        if self.hum_nanovolts == 0 {
            return 0;
        }
        let place = micros.rem_euclid(CYCLE) * (i64::from(self.hum_millihertz) % CYCLE) % CYCLE;
        let along = place % (CYCLE / 2) * HALF / (CYCLE / 2);
        let product = along * (HALF - along);
        let sine = 16 * product * HALF / (5 * HALF * HALF - 4 * product);
        let added = i64::from(self.hum_nanovolts) * sine / HALF;
        if place < CYCLE / 2 { added } else { -added }
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

fn held(nanovolts: i64) -> i32 {
    nanovolts.clamp(i64::from(i32::MIN), i64::from(i32::MAX)) as i32
}

fn micros(milliseconds: u32) -> i64 {
    i64::from(milliseconds) * 1_000
}

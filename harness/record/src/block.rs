//! Samples of one level as a block of bytes: pure code, total in both directions.
//!
//! `docs/record.md` is the specification. A block holds up to [`MOST_SAMPLES`]
//! samples: their instants as runs of equal steps, which of them were observed
//! as run lengths, and the values as differences of the first or second order,
//! either as variable-length numbers with runs of zeros or packed into as many
//! bits as the largest one needs, whichever is shortest. All arithmetic wraps, so
//! every sequence of 64-bit numbers survives.
//!
//! Decoding trusts nothing: whatever the bytes, it ends after reading them once,
//! allocates no more than the most samples take, and says what is wrong.

use dryfire_units::RigTime;

/// The most samples that a block holds.
pub const MOST_SAMPLES: usize = 4_096;

/// Set in a block's first byte: its values are packed bits.
const PACKED: u8 = 1;
/// Set in a block's first byte: differences are of the second order.
const SECOND_ORDER: u8 = 2;
/// Set in a block's first byte: not everything was observed.
const GAPS: u8 = 4;

/// One sample of a level.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Sample {
    /// When.
    pub at: RigTime,
    /// What was seen.
    pub reading: Reading,
}

/// What was seen of a level at an instant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reading {
    /// Its value, in the unit of the signal's kind.
    Value(i64),
    /// Nothing, from here on until its first sample that is not earlier than this.
    Unobserved {
        /// The instant.
        until: RigTime,
    },
}

impl Reading {
    /// The value, where there is one.
    pub fn value(self) -> Option<i64> {
        match self {
            Reading::Value(value) => Some(value),
            Reading::Unobserved { .. } => None,
        }
    }
}

/// Why bytes are no block.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BlockError {
    /// The bytes end too early.
    #[error("it ends too early")]
    Short,
    /// Bytes follow after the end.
    #[error("{0} bytes follow after its end")]
    Long(usize),
    /// Its first byte names a coding that is not known.
    #[error("its coding {0:#04x} is not known")]
    Coding(u8),
    /// A number takes more than 64 bits.
    #[error("a number in it takes more than 64 bits")]
    Number,
    /// It says that it holds more samples than any block does, or none.
    #[error("it says that it holds {0} samples")]
    Count(u64),
    /// A run of equal things is longer than what is left.
    #[error("a run in it is longer than the block")]
    Run,
}

/// The bytes of a block; `samples` must not be empty.
///
/// # Panics
/// With more than [`MOST_SAMPLES`] samples or none.
pub fn encode(samples: &[Sample]) -> Vec<u8> {
    assert!((1..=MOST_SAMPLES).contains(&samples.len()), "a block of {} samples", samples.len());
    let gaps = samples.iter().any(|sample| sample.reading.value().is_none());
    let values: Vec<i64> = samples.iter().filter_map(|sample| sample.reading.value()).collect();
    let plan = ValuePlan::of(&values);
    let mut bytes = Vec::with_capacity(16 + plan.size);
    bytes.push(plan.coding | if gaps { GAPS } else { 0 });
    put(&mut bytes, samples.len() as u64);
    put_signed(&mut bytes, samples[0].at.as_micros());
    let steps = samples.windows(2).map(|pair| pair[1].at.as_micros().wrapping_sub(pair[0].at.as_micros()));
    put_runs(&mut bytes, steps);
    if gaps {
        let mut observed = true;
        let mut length = 0_u64;
        for sample in samples {
            if sample.reading.value().is_some() != observed {
                put(&mut bytes, length);
                (observed, length) = (!observed, 0);
            }
            length += 1;
        }
        put(&mut bytes, length);
        put_runs(
            &mut bytes,
            samples.iter().filter_map(|sample| match sample.reading {
                Reading::Unobserved { until } => Some(until.as_micros().wrapping_sub(sample.at.as_micros())),
                Reading::Value(_) => None,
            }),
        );
    }
    put_values(&mut bytes, &values, plan);
    bytes
}

/// The samples of a block.
///
/// # Errors
/// What is wrong with the bytes.
pub fn decode(bytes: &[u8]) -> Result<Vec<Sample>, BlockError> {
    let mut rest = Bytes { bytes };
    let coding = rest.byte()?;
    if coding & !(PACKED | SECOND_ORDER | GAPS) != 0 {
        return Err(BlockError::Coding(coding));
    }
    let count = rest.number()?;
    if count == 0 || count > MOST_SAMPLES as u64 {
        return Err(BlockError::Count(count));
    }
    let count = count as usize;
    let mut at = rest.signed()?;
    let mut samples = Vec::with_capacity(count);
    let first = Sample { at: RigTime::from_micros(at), reading: Reading::Value(0) };
    samples.push(first);
    rest.runs(count - 1, |step| {
        at = at.wrapping_add(step);
        samples.push(Sample { at: RigTime::from_micros(at), ..first });
    })?;
    let mut observed = count;
    if coding & GAPS != 0 {
        let gap = Reading::Unobserved { until: RigTime::ZERO };
        let (mut done, mut seen) = (0, true);
        while done < count {
            let length = rest.number()?;
            if length > (count - done) as u64 {
                return Err(BlockError::Run);
            }
            let length = length as usize;
            // Only the first run may be of nothing: else the bytes could go on for ever.
            if length == 0 && done > 0 {
                return Err(BlockError::Run);
            }
            if !seen {
                samples[done..done + length].iter_mut().for_each(|sample| sample.reading = gap);
                observed -= length;
            }
            done += length;
            seen = !seen;
        }
        let mut unobserved = samples.iter_mut().filter(|sample| sample.reading.value().is_none());
        rest.runs(count - observed, |span| {
            if let Some(sample) = unobserved.next() {
                let until = RigTime::from_micros(sample.at.as_micros().wrapping_add(span));
                sample.reading = Reading::Unobserved { until };
            }
        })?;
    }
    let mut places = samples.iter_mut().filter(|sample| sample.reading.value().is_some());
    rest.values(observed, coding, |value| {
        if let Some(sample) = places.next() {
            sample.reading = Reading::Value(value);
        }
    })?;
    match rest.bytes.len() {
        0 => Ok(samples),
        more => Err(BlockError::Long(more)),
    }
}

/// How the values of a block are best written.
#[derive(Clone, Copy, Debug)]
struct ValuePlan {
    coding: u8,
    width: u32,
    size: usize,
}

/// What one order of differences would take.
#[derive(Clone, Copy, Default)]
struct Cost {
    bytes: usize,
    zeros: u64,
    bits: u32,
}

impl Cost {
    fn add(&mut self, difference: i64) {
        let folded = fold(difference);
        if folded == 0 {
            self.zeros += 1;
        } else {
            self.end_zeros();
            self.bytes += length(folded);
            self.bits = self.bits.max(64 - folded.leading_zeros());
        }
    }

    fn end_zeros(&mut self) {
        if self.zeros > 0 {
            self.bytes += 1 + length(self.zeros - 1);
            self.zeros = 0;
        }
    }
}

impl ValuePlan {
    fn of(values: &[i64]) -> Self {
        let mut costs = [Cost::default(); 2];
        let mut before = 0_i64;
        for pair in values.windows(2) {
            let difference = pair[1].wrapping_sub(pair[0]);
            costs[0].add(difference);
            costs[1].add(difference.wrapping_sub(before));
            before = difference;
        }
        let count = values.len().saturating_sub(1);
        let mut best = ValuePlan { coding: 0, width: 0, size: usize::MAX };
        for (order, mut cost) in [0, SECOND_ORDER].into_iter().zip(costs) {
            cost.end_zeros();
            let packed = 1 + (count * cost.bits as usize).div_ceil(8);
            for (coding, size) in [(order, cost.bytes), (order | PACKED, packed)] {
                if size < best.size {
                    best = ValuePlan { coding, width: cost.bits, size };
                }
            }
        }
        best
    }
}

fn differences(values: &[i64], second_order: bool) -> impl Iterator<Item = i64> {
    let mut before = 0_i64;
    values.windows(2).map(move |pair| {
        let difference = pair[1].wrapping_sub(pair[0]);
        if !second_order {
            return difference;
        }
        let change = difference.wrapping_sub(before);
        before = difference;
        change
    })
}

fn put_values(bytes: &mut Vec<u8>, values: &[i64], plan: ValuePlan) {
    let Some(first) = values.first() else { return };
    put_signed(bytes, *first);
    let differences = differences(values, plan.coding & SECOND_ORDER != 0);
    if plan.coding & PACKED != 0 {
        // At most 64.
        bytes.push(plan.width as u8);
        let (mut held, mut bits) = (0_u128, 0);
        for difference in differences {
            held |= u128::from(fold(difference)) << bits;
            bits += plan.width;
            while bits >= 8 {
                bytes.push(held as u8);
                held >>= 8;
                bits -= 8;
            }
        }
        if bits > 0 {
            bytes.push(held as u8);
        }
        return;
    }
    let mut zeros = 0;
    for difference in differences {
        if difference == 0 {
            zeros += 1;
            continue;
        }
        put_zeros(bytes, &mut zeros);
        put(bytes, fold(difference));
    }
    put_zeros(bytes, &mut zeros);
}

fn put_zeros(bytes: &mut Vec<u8>, zeros: &mut u64) {
    if *zeros > 0 {
        bytes.push(0);
        put(bytes, *zeros - 1);
        *zeros = 0;
    }
}

/// Numbers as pairs of a number and how often it comes in a row.
fn put_runs(bytes: &mut Vec<u8>, numbers: impl Iterator<Item = i64>) {
    let mut run: Option<(i64, u64)> = None;
    for number in numbers {
        match &mut run {
            Some((same, times)) if *same == number => *times += 1,
            _ => {
                if let Some((number, times)) = run.replace((number, 1)) {
                    put_signed(bytes, number);
                    put(bytes, times);
                }
            }
        }
    }
    if let Some((number, times)) = run {
        put_signed(bytes, number);
        put(bytes, times);
    }
}

/// Seven bits a byte, the lowest first, the top bit set where another byte follows.
fn put(bytes: &mut Vec<u8>, mut number: u64) {
    while number >= 0x80 {
        bytes.push(number as u8 | 0x80);
        number >>= 7;
    }
    bytes.push(number as u8);
}

fn put_signed(bytes: &mut Vec<u8>, number: i64) {
    put(bytes, fold(number));
}

/// Small numbers of either sign become small numbers: 0, −1, 1, −2, 2 …
fn fold(number: i64) -> u64 {
    ((number << 1) ^ (number >> 63)) as u64
}

fn unfold(number: u64) -> i64 {
    (number >> 1) as i64 ^ -((number & 1) as i64)
}

/// How many bytes [`put`] takes.
fn length(number: u64) -> usize {
    (64 - number.leading_zeros()).div_ceil(7).max(1) as usize
}

/// What is left to read.
struct Bytes<'a> {
    bytes: &'a [u8],
}

impl Bytes<'_> {
    fn byte(&mut self) -> Result<u8, BlockError> {
        let (first, rest) = self.bytes.split_first().ok_or(BlockError::Short)?;
        self.bytes = rest;
        Ok(*first)
    }

    fn number(&mut self) -> Result<u64, BlockError> {
        let mut number = 0_u64;
        for shift in (0..64).step_by(7) {
            let byte = self.byte()?;
            let bits = u64::from(byte & 0x7f);
            if shift == 63 && bits > 1 {
                return Err(BlockError::Number);
            }
            number |= bits << shift;
            if byte & 0x80 == 0 {
                return Ok(number);
            }
        }
        Err(BlockError::Number)
    }

    fn signed(&mut self) -> Result<i64, BlockError> {
        self.number().map(unfold)
    }

    fn runs(&mut self, count: usize, mut each: impl FnMut(i64)) -> Result<(), BlockError> {
        let mut left = count as u64;
        while left > 0 {
            let number = self.signed()?;
            let times = self.number()?;
            if times == 0 || times > left {
                return Err(BlockError::Run);
            }
            (0..times).for_each(|_| each(number));
            left -= times;
        }
        Ok(())
    }

    fn values(&mut self, count: usize, coding: u8, mut each: impl FnMut(i64)) -> Result<(), BlockError> {
        if count == 0 {
            return Ok(());
        }
        let mut value = self.signed()?;
        each(value);
        let second_order = coding & SECOND_ORDER != 0;
        let mut before = 0_i64;
        let mut next = |folded: u64| {
            let mut difference = unfold(folded);
            if second_order {
                difference = difference.wrapping_add(before);
                before = difference;
            }
            value = value.wrapping_add(difference);
            each(value);
        };
        let mut left = (count - 1) as u64;
        if coding & PACKED != 0 {
            let width = u32::from(self.byte()?);
            if width > 64 {
                return Err(BlockError::Number);
            }
            let mask = u64::MAX.checked_shr(64 - width).unwrap_or(0);
            let (mut held, mut bits) = (0_u128, 0);
            for _ in 0..left {
                while bits < width {
                    held |= u128::from(self.byte()?) << bits;
                    bits += 8;
                }
                next(held as u64 & mask);
                held >>= width;
                bits -= width;
            }
            return Ok(());
        }
        while left > 0 {
            let folded = self.number()?;
            if folded != 0 {
                next(folded);
                left -= 1;
                continue;
            }
            let zeros = self.number()?;
            if zeros >= left {
                return Err(BlockError::Run);
            }
            (0..=zeros).for_each(|_| next(0));
            left -= zeros + 1;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests;

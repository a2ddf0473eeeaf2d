//! Edges on the wire, many to a message.
//!
//! At 10 kHz on three inputs a rig sees 60,000 edges a second. A message for each would be some
//! 11 bytes, and as many calls of the encoder; here most are two or three.

use dryfire_units::RigTime;
use heapless::Vec;
use serde::{Deserialize, Serialize};

use crate::message::micros;

/// Most bytes of changes in one message.
pub const EDGE_BYTES: usize = 96;
/// Most bytes of one change: 32 bits, 7 to a byte.
const LONGEST: usize = 5;
/// Inputs and level take the lowest six bits of a change.
const INPUT_BITS: u32 = 6;
/// Longest time between two edges of a message, microseconds.
const LONGEST_GAP: i64 = u32::MAX as i64 >> INPUT_BITS;
/// Inputs that a change can name.
const INPUTS: u8 = 32;

/// One change of a sensed input.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Edge {
    /// Number of the edge within the run, from 0; a gap is a loss.
    pub index: u32,
    /// When.
    pub at: RigTime,
    /// Which input, at most 31.
    pub input: u8,
    /// Its level from then on.
    pub high: bool,
}

/// Changes of sensed inputs, with numbers that follow each other and in the order of their instants.
///
/// ```
/// use dryfire_link::{Edge, Edges};
/// use dryfire_units::RigTime;
///
/// let first = Edge { index: 7, at: RigTime::from_micros(1_000), input: 2, high: true };
/// let second = Edge { index: 8, at: RigTime::from_micros(1_050), input: 2, high: false };
/// let mut edges = Edges::new(&first);
/// assert!(edges.push(&second));
/// assert!(edges.iter().eq([first, second]));
/// ```
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "Received")]
pub struct Edges {
    index: u32,
    #[serde(with = "micros")]
    at: RigTime,
    changes: Vec<u8, EDGE_BYTES>,
    /// Number and instant of the last one.
    #[serde(skip)]
    last: (u32, RigTime),
}

/// The same, not checked.
#[derive(Deserialize)]
struct Received {
    index: u32,
    #[serde(with = "micros")]
    at: RigTime,
    changes: Vec<u8, EDGE_BYTES>,
}

/// Bytes that are no changes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct NoChanges;

impl core::fmt::Display for NoChanges {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str("the changes of the inputs are cut short, empty, too long or out of range")
    }
}

impl TryFrom<Received> for Edges {
    type Error = NoChanges;

    fn try_from(received: Received) -> Result<Self, NoChanges> {
        let Received { index, at, changes } = received;
        let mut rest = changes.as_slice();
        let mut last = (index, at);
        let mut count = 0u32;
        while !rest.is_empty() {
            let (gap, _, _, more) = take(rest).ok_or(NoChanges)?;
            if count == 0 && gap != 0 {
                return Err(NoChanges);
            }
            let next = last.1.as_micros().checked_add(i64::from(gap)).ok_or(NoChanges)?;
            last = (index.checked_add(count).ok_or(NoChanges)?, RigTime::from_micros(next));
            count += 1;
            rest = more;
        }
        if count == 0 {
            return Err(NoChanges);
        }
        Ok(Edges { index, at, changes, last })
    }
}

/// The first change: microseconds after the one before it, input, level, and what follows.
fn take(bytes: &[u8]) -> Option<(u32, u8, bool, &[u8])> {
    let mut word = 0u64;
    for (place, byte) in bytes.iter().take(LONGEST).enumerate() {
        word |= u64::from(byte & 0x7f) << (7 * place);
        if byte & 0x80 == 0 {
            let word = u32::try_from(word).ok()?;
            let input = (word >> 1) as u8 & (INPUTS - 1);
            return Some((word >> INPUT_BITS, input, word & 1 != 0, &bytes[place + 1..]));
        }
    }
    None
}

impl Edges {
    /// A message with one edge.
    pub fn new(first: &Edge) -> Self {
        let mut edges = Edges { index: first.index, at: first.at, changes: Vec::new(), last: (first.index, first.at) };
        edges.write(0, first);
        edges
    }

    /// Adds an edge; says whether it can be in this message: there is room, its number is the next one, and it
    /// comes neither before the last one nor more than a minute after it.
    pub fn push(&mut self, edge: &Edge) -> bool {
        let (index, at) = self.last;
        let gap = edge.at.as_micros().wrapping_sub(at.as_micros());
        if self.changes.len() + LONGEST > EDGE_BYTES
            || index.checked_add(1) != Some(edge.index)
            || edge.at < at
            || !(0..=LONGEST_GAP).contains(&gap)
        {
            return false;
        }
        self.write(gap as u32, edge);
        self.last = (edge.index, edge.at);
        true
    }

    fn write(&mut self, gap: u32, edge: &Edge) {
        let mut word = gap << INPUT_BITS | u32::from(edge.input & (INPUTS - 1)) << 1 | u32::from(edge.high);
        // Cannot fail: there is room for the longest.
        while word >= 0x80 {
            let _ = self.changes.push(word as u8 | 0x80);
            word >>= 7;
        }
        let _ = self.changes.push(word as u8);
    }

    /// The edges, in order.
    pub fn iter(&self) -> impl Iterator<Item = Edge> + '_ {
        let (mut index, mut at, mut rest) = (self.index, self.at.as_micros(), self.changes.as_slice());
        core::iter::from_fn(move || {
            let (gap, input, high, more) = take(rest)?;
            // Checked when they were received, or made so.
            at = at.saturating_add(i64::from(gap));
            let edge = Edge { index, at: RigTime::from_micros(at), input, high };
            (index, rest) = (index.wrapping_add(1), more);
            Some(edge)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    fn edge(index: u32, at: i64, input: u8, high: bool) -> Edge {
        Edge { index, at: RigTime::from_micros(at), input, high }
    }

    fn decoded(bytes: &[u8]) -> Option<Edges> {
        postcard::from_bytes(bytes).ok()
    }

    #[rstest]
    #[case::one(&[edge(200, 1_050_000, 2, true)])]
    #[case::in_the_same_microsecond(&[edge(0, 5, 0, true), edge(1, 5, 31, true), edge(2, 5, 0, false)])]
    #[case::a_minute_apart(&[edge(9, 0, 7, true), edge(10, LONGEST_GAP, 7, false)])]
    #[case::before_the_origin(&[edge(9, -70, 7, true), edge(10, -3, 7, false)])]
    fn what_was_pushed_comes_back(#[case] wanted: &[Edge]) {
        let mut edges = Edges::new(&wanted[0]);
        for edge in &wanted[1..] {
            assert!(edges.push(edge), "{edge:?}");
        }
        let mut buffer = [0u8; 160];
        let bytes = postcard::to_slice(&edges, &mut buffer).expect("fits");
        let back = decoded(bytes).expect("edges");
        assert!(back.iter().eq(wanted.iter().copied()), "{back:?}");
        assert_eq!(back, edges);
    }

    #[rstest]
    #[case::a_number_left_out(edge(9, 11, 1, true))]
    #[case::the_same_number(edge(7, 11, 1, true))]
    #[case::earlier(edge(8, 9, 1, true))]
    #[case::much_later(edge(8, 11 + LONGEST_GAP, 1, true))]
    fn what_does_not_follow_is_for_another_message(#[case] second: Edge) {
        let first = edge(7, 10, 1, true);
        let mut edges = Edges::new(&first);
        let before = edges.clone();
        assert!(!edges.push(&second));
        assert_eq!(edges, before);
    }

    #[test]
    fn a_full_message_takes_no_more_and_has_all_that_it_took() {
        // 50 µs apart: 13 bits, two bytes.
        let mut edges = Edges::new(&edge(0, 0, 5, true));
        let mut count = 1;
        while edges.push(&edge(count, i64::from(count) * 50, 5, count % 2 == 0)) {
            count += 1;
        }
        assert_eq!((count, edges.iter().count()), (47, 47));
        // The number after the last one that there is.
        assert!(!Edges::new(&edge(u32::MAX, 0, 0, true)).push(&edge(0, 1, 0, false)));
    }

    #[rstest]
    #[case::none(&[1, 2, 0])]
    #[case::cut_short(&[1, 2, 1, 0x80])]
    #[case::longer_than_a_number(&[1, 2, 6, 0x81, 0x80, 0x80, 0x80, 0x80, 0x00])]
    #[case::more_than_32_bits(&[1, 2, 6, 0x01, 0xff, 0xff, 0xff, 0xff, 0x1f])]
    #[case::a_first_one_after_the_instant(&[1, 2, 2, 0x81, 0x01])]
    #[case::a_number_too_large(&[0xff, 0xff, 0xff, 0xff, 0x0f, 2, 2, 0x01, 0x00])]
    #[case::an_instant_too_late(&[1, 0xfe, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0x01, 3, 0x01, 0xc0, 0x01])]
    fn other_bytes_are_no_edges(#[case] bytes: &[u8]) {
        assert_eq!(decoded(bytes), None);
    }
}

//! Frames: byte stuffing, damage, chunking, getting in step again.

use dryfire_link::frame::{
    Accumulator, Fed, FrameError, FrameKind, HEADER, Header, MAX_FRAME, MAX_PAYLOAD, Origin, decode, encode,
};
use dryfire_link::fuzz;
use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use rstest::rstest;

fn run(from: u8, to: u8) -> Vec<u8> {
    (from..=to).collect()
}

fn joined(parts: &[&[u8]]) -> Vec<u8> {
    parts.concat()
}

// The examples of the widely printed table for Consistent Overhead Byte Stuffing
// (S. Cheshire, M. Baker, IEEE/ACM Transactions on Networking, 1999), without the
// ending zero; each was reproduced with the Python package cobs 1.2.2.
#[rstest]
#[case::empty(vec![], vec![0x01])]
#[case::one_zero(vec![0x00], vec![0x01, 0x01])]
#[case::two_zeros(vec![0x00, 0x00], vec![0x01, 0x01, 0x01])]
#[case::zero_around(vec![0x00, 0x11, 0x00], vec![0x01, 0x02, 0x11, 0x01])]
#[case::zero_inside(vec![0x11, 0x22, 0x00, 0x33], vec![0x03, 0x11, 0x22, 0x02, 0x33])]
#[case::no_zero(vec![0x11, 0x22, 0x33, 0x44], vec![0x05, 0x11, 0x22, 0x33, 0x44])]
#[case::zeros_behind(vec![0x11, 0, 0, 0], vec![0x02, 0x11, 0x01, 0x01, 0x01])]
#[case::full_block(run(0x01, 0xFE), joined(&[&[0xFF], &run(0x01, 0xFE)]))]
#[case::zero_then_full_block(run(0x00, 0xFE), joined(&[&[0x01, 0xFF], &run(0x01, 0xFE)]))]
#[case::more_than_a_block(run(0x01, 0xFF), joined(&[&[0xFF], &run(0x01, 0xFE), &[0x02, 0xFF]]))]
#[case::block_then_zero(joined(&[&run(0x02, 0xFF), &[0]]), joined(&[&[0xFF], &run(0x02, 0xFF), &[0x01, 0x01]]))]
#[case::block_short_of_one(
    joined(&[&run(0x03, 0xFF), &[0, 1]]),
    joined(&[&[0xFE], &run(0x03, 0xFF), &[0x02, 0x01]])
)]
fn byte_stuffing_gives_the_published_bytes(#[case] plain: Vec<u8>, #[case] stuffed: Vec<u8>) {
    let mut out = [0u8; 300];
    let len = cobs::encode(&plain, &mut out);
    assert_eq!(&out[..len], stuffed);
    let mut back = stuffed;
    let len = cobs::decode_in_place(&mut back).expect("published bytes decode");
    assert_eq!(&back[..len], plain);
}

fn header() -> Header {
    Header { origin: Origin::Host, kind: FrameKind::Data, session: 0x0102_0304, seq: 5, ack: 0 }
}

fn framed(header: &Header, payload: &[u8]) -> Vec<u8> {
    let mut out = [0u8; MAX_FRAME];
    let len = encode(header, payload, &mut out).expect("payload fits");
    out[..len].to_vec()
}

/// Everything that comes out of an accumulator, in order.
fn all(accumulator: &mut Accumulator, bytes: &[u8]) -> Vec<Result<(Header, Vec<u8>), FrameError>> {
    let mut seen = Vec::new();
    let mut rest = bytes;
    loop {
        match accumulator.feed(rest) {
            Fed::Pending => return seen,
            Fed::Frame { frame, rest: more } => {
                seen.push(Ok((frame.header, frame.payload.to_vec())));
                rest = more;
            }
            Fed::Damaged { error, rest: more } => {
                seen.push(Err(error));
                rest = more;
            }
        }
    }
}

#[test]
fn the_largest_payload_fits_and_one_byte_more_is_refused() {
    // Without a zero in it the payload needs the most stuffing.
    let payload = [0xA5; MAX_PAYLOAD];
    let bytes = framed(&header(), &payload);
    assert!(bytes.len() <= MAX_FRAME);
    assert_eq!(all(&mut Accumulator::new(), &bytes), [Ok((header(), payload.to_vec()))]);
    assert_eq!(encode(&header(), &[0; MAX_PAYLOAD + 1], &mut [0; MAX_FRAME]), None);
}

#[test]
fn a_frame_holds_no_zero_but_its_last_byte() {
    let bytes = framed(&header(), &[0; MAX_PAYLOAD]);
    assert_eq!(bytes.iter().position(|byte| *byte == 0), Some(bytes.len() - 1));
}

#[test]
fn every_single_flipped_bit_is_noticed() {
    let good = framed(&header(), b"some payload \x00 with a zero");
    for bit in 0..(good.len() - 1) * 8 {
        let mut bad = good.clone();
        bad[bit / 8] ^= 1 << (bit % 8);
        let seen = all(&mut Accumulator::new(), &bad);
        assert!(!seen.is_empty() && seen.iter().all(Result::is_err), "bit {bit}: {seen:?}");
    }
}

#[test]
fn damage_says_what_is_wrong() {
    let mut short = Vec::from([3u8, 1, 2]);
    assert_eq!(decode(&mut short), Err(FrameError::TooShort { len: 2 }));
    let mut stuffing = Vec::from([9u8, 1, 2]);
    assert_eq!(decode(&mut stuffing), Err(FrameError::Stuffing));
    let long = [1u8; MAX_FRAME + 10];
    assert_eq!(all(&mut Accumulator::new(), &[&long[..], &[0]].concat()), [Err(FrameError::TooLong)]);

    // A whole frame of a kind that does not exist: the kind is the first byte, the checksum made to fit.
    let mut raw = Vec::from([0x3Fu8]);
    raw.extend_from_slice(&[0; HEADER - 1]);
    raw.extend_from_slice(&dryfire_link::crc32(&raw).to_le_bytes());
    let mut stuffed = [0u8; 64];
    let len = cobs::encode(&raw, &mut stuffed);
    assert_eq!(decode(&mut stuffed[..len]), Err(FrameError::Kind { byte: 0x3F }));
    raw[HEADER] ^= 1;
    let len = cobs::encode(&raw, &mut stuffed);
    assert!(matches!(decode(&mut stuffed[..len]), Err(FrameError::Checksum { .. })));
}

#[test]
fn after_garbage_the_next_frame_but_one_is_right() {
    let frame = framed(&header(), b"abc");
    let bytes = [&[7, 7, 7, 250][..], &frame, &frame, &[0, 0, 0], &frame].concat();
    let seen = all(&mut Accumulator::new(), &bytes);
    let good = Ok((header(), b"abc".to_vec()));
    assert!(seen[0].is_err(), "garbage runs into the first frame");
    assert_eq!(seen[1..], [good.clone(), good]);
}

fn any_header() -> impl Strategy<Value = Header> {
    let origin = prop_oneof![Just(Origin::Host), Just(Origin::Rig)];
    let kind = prop_oneof![
        Just(FrameKind::Data),
        Just(FrameKind::Ack),
        Just(FrameKind::Missing),
        Just(FrameKind::Open),
        Just(FrameKind::Accept),
        Just(FrameKind::Unknown),
    ];
    (origin, kind, any::<u32>(), any::<u32>(), any::<u32>()).prop_map(|(origin, kind, session, seq, ack)| Header {
        origin,
        kind,
        session,
        seq,
        ack,
    })
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, rng_seed: RngSeed::Fixed(20_261_125), ..ProptestConfig::default() })]

    #[test]
    fn any_frame_comes_back_in_any_chunks(
        frames in prop::collection::vec((any_header(), prop::collection::vec(any::<u8>(), 0..=MAX_PAYLOAD)), 1..6),
        chunk in 1usize..70,
    ) {
        let bytes: Vec<u8> = frames.iter().flat_map(|(header, payload)| framed(header, payload)).collect();
        let mut accumulator = Accumulator::new();
        let mut seen = Vec::new();
        for piece in bytes.chunks(chunk) {
            seen.extend(all(&mut accumulator, piece));
        }
        let expected: Vec<_> = frames.into_iter().map(Ok).collect();
        prop_assert_eq!(seen, expected);
    }

    #[test]
    fn any_bytes_are_survived(bytes in prop::collection::vec(any::<u8>(), 0..2_000)) {
        fuzz::any_bytes(&bytes);
    }

    #[test]
    fn bytes_that_are_nearly_frames_are_survived(
        header in any_header(),
        payload in prop::collection::vec(any::<u8>(), 0..MAX_PAYLOAD),
        flips in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 0..3),
    ) {
        let mut bytes = framed(&header, &payload);
        for (index, value) in flips {
            let at = index.index(bytes.len());
            bytes[at] = value;
        }
        fuzz::any_bytes(&[bytes.clone(), bytes].concat());
    }
}

//! Round trips of every kind of sequence, and bytes that mean harm.

use dryfire_units::RigTime;
use proptest::prelude::*;
use rstest::rstest;

use super::{BlockError, MOST_SAMPLES, Reading, Sample, decode, encode};

fn sample(at: i64, value: i64) -> Sample {
    Sample { at: RigTime::from_micros(at), reading: Reading::Value(value) }
}

fn every_second(values: impl IntoIterator<Item = i64>) -> Vec<Sample> {
    values.into_iter().enumerate().map(|(second, value)| sample(second as i64 * 1_000_000, value)).collect()
}

fn any_reading() -> impl Strategy<Value = Reading> {
    prop_oneof![
        6 => (-300_000_i64..4_000_000).prop_map(Reading::Value),
        2 => any::<i64>().prop_map(Reading::Value),
        1 => Just(Reading::Value(i64::MIN)),
        2 => any::<i64>().prop_map(|until| Reading::Unobserved { until: RigTime::from_micros(until) }),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 512, ..ProptestConfig::default() })]

    #[test]
    fn every_sequence_survives(
        readings in prop::collection::vec((any_reading(), prop_oneof![Just(1_000_000_i64), any::<i64>()]), 1..300),
    ) {
        let mut at = 0_i64;
        let samples: Vec<Sample> = readings.into_iter().map(|(reading, step)| {
            at = at.wrapping_add(step);
            Sample { at: RigTime::from_micros(at), reading }
        }).collect();
        prop_assert_eq!(decode(&encode(&samples)), Ok(samples));
    }

    #[test]
    fn noise_of_every_size_survives_and_is_no_longer_than_it_has_to_be(
        bits in 0_u32..62, seeds in prop::collection::vec(any::<u64>(), 2..400),
    ) {
        let samples = every_second(seeds.iter().map(|seed| (seed & ((1 << bits) - 1)) as i64));
        let bytes = encode(&samples);
        // A difference of two such numbers takes a bit more, and its sign one.
        let most = 24 + (samples.len() * (bits as usize + 2)).div_ceil(8);
        prop_assert!(bytes.len() <= most, "{} bytes, at most {most}", bytes.len());
        prop_assert_eq!(decode(&bytes), Ok(samples));
    }

    #[test]
    fn any_bytes_are_a_block_or_refused(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
        if let Ok(samples) = decode(&bytes) {
            prop_assert!((1..=MOST_SAMPLES).contains(&samples.len()));
            // What it says is said by the bytes that are made of it as well.
            prop_assert_eq!(decode(&encode(&samples)), Ok(samples));
        }
    }

    #[test]
    fn a_block_that_was_cut_or_added_to_is_refused(
        values in prop::collection::vec(-2_000_i64..2_000, 2..100), cut in any::<prop::sample::Index>(), more in any::<u8>(),
    ) {
        let mut bytes = encode(&every_second(values));
        let kept = cut.index(bytes.len());
        prop_assert!(decode(&bytes[..kept]).is_err(), "the first {kept} of {} bytes", bytes.len());
        bytes.push(more);
        prop_assert_eq!(decode(&bytes), Err(BlockError::Long(1)));
    }
}

#[test]
fn the_example_of_the_page() {
    // The bytes stand in docs/record.md, worked out by hand there.
    let samples = every_second([20_000, 20_000, 20_000, 20_004, 20_001]);
    let bytes = encode(&samples);
    let shown: Vec<String> = bytes.iter().map(|byte| format!("{byte:02x}")).collect();
    assert_eq!(shown.join(" "), "01 05 00 80 89 7a 04 c0 b8 02 04 00 58");
    let page = include_str!("../../../../docs/record.md");
    assert!(page.contains(&shown.join(" ")), "the page shows the bytes");
}

#[rstest]
#[case::steady((0..MOST_SAMPLES as i64).map(|_| 20_000).collect(), 32)]
#[case::climbing((0..MOST_SAMPLES as i64).map(|second| 20_000 + second * 41).collect(), 32)]
fn what_does_not_change_takes_next_to_nothing(#[case] values: Vec<i64>, #[case] most: usize) {
    let bytes = encode(&every_second(values));
    assert!(bytes.len() <= most, "{} bytes", bytes.len());
}

#[rstest]
#[case(&[], BlockError::Short)]
#[case(&[8, 1, 0, 0], BlockError::Coding(8))]
#[case(&[0, 0, 0, 0], BlockError::Count(0))]
#[case(&[0, 0x81, 0x20, 0, 0], BlockError::Count(4_097))]
#[case(&[0, 2, 0, 2, 3, 0, 0, 0], BlockError::Run)]
#[case(&[0, 2, 0, 2, 0], BlockError::Run)]
#[case(&[0, 2, 0, 2, 1, 0, 0, 5], BlockError::Run)]
#[case(&[0, 1, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0x02, 0], BlockError::Number)]
#[case(&[1, 2, 0, 2, 1, 0, 65, 0], BlockError::Number)]
#[case(&[4, 2, 0, 2, 1, 1, 0, 1], BlockError::Run)]
#[case(&[4, 2, 0, 2, 1, 3], BlockError::Run)]
#[case(&[0, 1, 0, 0, 0], BlockError::Long(1))]
fn each_mistake_is_named(#[case] bytes: &[u8], #[case] wrong: BlockError) {
    assert_eq!(decode(bytes), Err(wrong));
}

use super::*;
use rstest::rstest;

fn times(micros: &[i64]) -> Spread {
    let times: Vec<Margin> = micros.iter().map(|it| Margin::Time(RigSpan::from_micros(*it))).collect();
    Spread::of(&times).expect("one unit")
}

const KNOWN: Measured = Measured { standard: 0.0, model: 0.0 };

/// The numbers are the textbook's 2 4 4 4 5 5 7 9 (mean 5, deviation of the whole 2, hence of a sample
/// √(32/7)), from memory.
#[test]
fn a_spread_has_mean_extremes_and_standard_deviation() {
    let spread = times(&[2, 4, 4, 4, 5, 5, 7, 9]);
    assert_eq!(spread.mean.number(), 5);
    assert_eq!((spread.least.number(), spread.greatest.number()), (2, 9));
    assert!((spread.exact_deviation - (32.0_f64 / 7.0).sqrt()).abs() < 1e-12);
    assert_eq!(spread.deviation.map(Margin::number), Some(3), "shown no smaller than it is");
    assert_eq!(times(&[7]).deviation, None);
    assert_eq!(Spread::of(&[]), None);
    assert_eq!(Spread::of(&[Margin::Count(1), Margin::Duty(1)]), None);
}

#[test]
fn one_run_a_side_cannot_tell() {
    for (old, new) in [(vec![5], vec![9]), (vec![5, 6], vec![90]), (vec![5], vec![90, 91])] {
        assert!(matches!(tell(times(&old), times(&new), KNOWN, KNOWN, 1), Told::CannotTell { .. }), "{old:?} {new:?}");
    }
}

/// Two samples of five with a deviation of √2.5 each (1 to 5, and the same further on): the standard error of
/// the difference is 1 with eight degrees of freedom, for which Student's factor of 95.45 % is 2.37
/// (JCGM 100:2008, table G.2, from memory). So a difference of 2 is within, one of 3 is not.
#[rstest]
#[case(2, false)]
#[case(3, true)]
fn the_factor_is_students_for_few_runs(#[case] apart: i64, #[case] beyond: bool) {
    let old: Vec<i64> = (1..=5).collect();
    let new: Vec<i64> = (1..=5).map(|it| it - apart).collect();
    let told = tell(times(&old), times(&new), KNOWN, KNOWN, 1);
    let (difference, expanded, k) = told.figures().expect("told");
    assert_eq!(difference.number(), -apart);
    assert_eq!(k, 237, "{told:?}");
    assert_eq!(expanded.number(), 3, "2.37, shown no smaller than it is");
    assert_eq!(matches!(told, Told::Shrunk { .. }), beyond, "{told:?}");
    let back = tell(times(&new), times(&old), KNOWN, KNOWN, 1);
    assert_eq!(matches!(back, Told::Grown { .. }), beyond, "{back:?}");
}

/// Both measurements at a standard uncertainty of 1: √2 together, times 2 is 2.83 (JCGM 100:2008, 5.1.2,
/// from memory). Repeating does not make it smaller.
#[rstest]
#[case(2, false)]
#[case(3, true)]
fn what_all_runs_of_a_side_share_is_not_made_smaller_by_repeating(#[case] apart: i64, #[case] beyond: bool) {
    let measured = Measured { standard: 1.0, model: 0.0 };
    let (old, new) = (times(&[100; 50]), times(&[100 + apart; 50]));
    let told = tell(old, new, measured, measured, 1);
    assert_eq!(matches!(told, Told::Grown { .. }), beyond, "{told:?}");
}

/// Of a hundred at once each is held to 1 - 0.0455/100 of the normal distribution, which lies within 3.51
/// standard deviations (3.5 holds 99.953 %: tables of the normal distribution, from memory).
#[test]
fn many_margins_are_held_to_a_larger_share_each() {
    let measured = Measured { standard: 1.0, model: 0.0 };
    let one = tell(times(&[0, 0]), times(&[4, 4]), measured, measured, 1);
    let many = tell(times(&[0, 0]), times(&[4, 4]), measured, measured, 100);
    assert!(matches!(one, Told::Grown { coverage_hundredths: 200..=201, .. }), "{one:?}");
    assert!(matches!(many, Told::Within { coverage_hundredths: 350..=352, .. }), "{many:?}");
}

/// Nothing changes: how often is something called changed? Numbers from a seed (SplitMix64, constants from memory).
#[test]
fn where_nothing_changed_hardly_ever_is_anything_called_changed() {
    let mut state = 7_u64;
    let mut number = || {
        state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mixed = (state ^ (state >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((mixed ^ (mixed >> 31)) % 1_000_000) as i64
    };
    let mut alarms = 0;
    for _ in 0..1_000 {
        let mut side = || times(&[number(), number(), number(), number(), number()]);
        let (old, new) = (side(), side());
        alarms += usize::from(!matches!(tell(old, new, KNOWN, KNOWN, 1), Told::Within { .. }));
    }
    // 45.5 expected of a normal distribution, with a deviation of 6.6; four of these either way.
    assert!((19..=72).contains(&alarms), "{alarms} of 1000");
}

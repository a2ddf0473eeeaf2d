//! The two judges agree: on verdict, reason, margin, what was seen, and when.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use proptest::prelude::*;
use proptest::strategy::ValueTree;
use proptest::test_runner::TestRunner;

use crate::cases::{Case, case, case_at_the_edge, config};

/// The random cases are worth something only if every claim comes to every verdict.
#[test]
fn the_cases_reach_every_verdict_of_every_claim() {
    let mut runner = TestRunner::new(config(1, 0x5eed_0000));
    let mut counts: BTreeMap<(String, &str), usize> = BTreeMap::new();
    let strategy = case();
    for _ in 0..40_000 {
        let case = strategy.new_tree(&mut runner).expect("a case").current();
        let claim = format!("{:?}", case.expectation.claim);
        let claim = claim.split([' ', '(']).next().expect("a name").to_owned();
        *counts.entry((claim, case.first().reason.word())).or_default() += 1;
    }
    let mut words = String::new();
    for ((claim, reason), count) in &counts {
        // Seldom is fine, never is not: the numbers are of no consequence.
        let _ = writeln!(words, "{claim}: {reason}{}", if *count < 10 { " (seldom)" } else { "" });
    }
    insta::assert_snapshot!(words);
}

proptest! {
    #![proptest_config(config(80_000, 0x5eed_0001))]

    #[test]
    fn both_judges_come_to_the_same_finding(case in case()) {
        prop_assert_eq!(case.first(), case.second());
    }
}

proptest! {
    #![proptest_config(config(20_000, 0x5eed_0007))]

    #[test]
    fn both_judges_agree_about_what_happens_where_a_part_of_the_run_begins(case in case_at_the_edge()) {
        prop_assert_eq!(case.first(), case.second());
    }
}

proptest! {
    #![proptest_config(config(20_000, 0x5eed_0002))]

    /// However the inputs are cut by watermarks, and in whatever order they
    /// come between two of them.
    #[test]
    fn any_cutting_gives_the_same_finding(
        case in case(),
        cuts in prop::collection::vec(-3..34_i64, 0..8),
        turn in any::<bool>(),
    ) {
        let mut cuts = cuts;
        cuts.sort_unstable();
        let mut judge = case.judge();
        let mut decided = Vec::new();
        let mut rest = case.inputs.as_slice();
        for cut in cuts.into_iter().filter(|cut| *cut <= case.end) {
            let here = rest.partition_point(|input| input.at() <= cut);
            let (now, later) = rest.split_at(here);
            rest = later;
            give(&mut judge, now, turn);
            judge.advance(crate::cases::time(cut));
            decided.extend(std::iter::from_fn(|| judge.poll_decided()));
        }
        give(&mut judge, rest, turn);
        let finding = case.finish(&mut judge);
        decided.extend(std::iter::from_fn(|| judge.poll_decided()));
        prop_assert_eq!(&finding, &case.first());
        // What was said early holds, and is said once.
        prop_assert!(decided.len() <= 1);
        for early in decided {
            prop_assert_eq!(early.verdict, finding.verdict);
            prop_assert_eq!(early.decided_at, finding.decided_at);
            prop_assert_eq!(early, whole(&case));
        }
    }
}

proptest! {
    #![proptest_config(config(40_000, 0x5eed_0008))]

    /// Between two watermarks the order does not count, not even of the samples of
    /// one signal, as long as those at one instant stay in theirs. A sample that
    /// repeats the one before counts as soon as another comes that is earlier.
    #[test]
    fn any_order_between_two_watermarks_gives_the_same_finding(
        case in case(),
        cut in -3..34_i64,
        places in prop::collection::vec(any::<u16>(), 64),
    ) {
        let mut judge = case.judge();
        let cut = cut.min(case.end);
        let (early, late) = case.inputs.split_at(case.inputs.partition_point(|input| input.at() <= cut));
        for part in [early, late] {
            for input in shuffled(part, &places) {
                Case::give(&mut judge, input);
            }
            if cut >= -3 {
                judge.advance(crate::cases::time(cut));
            }
        }
        prop_assert_eq!(case.finish(&mut judge), case.first());
    }
}

/// The inputs in an order that these numbers give, but for samples of one signal
/// at one instant, which come in the order in which they were.
fn shuffled(inputs: &[crate::cases::Input], places: &[u16]) -> Vec<crate::cases::Input> {
    use crate::cases::Input;
    let mut order: Vec<usize> = (0..inputs.len()).collect();
    order.sort_by_key(|index| places[index % places.len()].wrapping_mul(*index as u16 | 1));
    let group = |input: &Input| match *input {
        Input::Sample { signal, .. } => Some((signal, input.at())),
        Input::Moment { .. } | Input::Gap { .. } => None,
    };
    let mut given: Vec<Input> = order.iter().map(|index| inputs[*index]).collect();
    for place in 0..given.len() {
        let Some(same) = group(&given[place]) else { continue };
        // The earliest of its group that has not been given yet.
        let before = given[..place].iter().filter(|input| group(input) == Some(same)).count();
        let mut of_group = inputs.iter().filter(|input| group(input) == Some(same));
        given[place] = *of_group.nth(before).expect("as many as there are");
    }
    given
}

/// Gives inputs in order, or with the signals and moments turned round, which
/// keeps the order of the samples of each signal.
fn give(judge: &mut dryfire_judge::Judge, inputs: &[crate::cases::Input], turn: bool) {
    use crate::cases::Input;
    let key = |input: &Input| match *input {
        Input::Moment { moment, .. } => (0, 9 - moment),
        Input::Gap { signal, .. } => (1, 9 - signal),
        Input::Sample { signal, .. } => (2, 9 - signal),
    };
    let mut inputs = inputs.to_vec();
    if turn {
        inputs.sort_by_key(key);
    }
    for input in inputs {
        Case::give(judge, input);
    }
}

/// What is said early when time passes in the smallest steps.
fn whole(case: &Case) -> dryfire_judge::Finding {
    let mut judge = case.judge();
    let mut rest = case.inputs.as_slice();
    for now in -3..=case.end {
        let here = rest.partition_point(|input| input.at() <= now);
        give(&mut judge, &rest[..here], false);
        rest = &rest[here..];
        judge.advance(crate::cases::time(now));
        if let Some(finding) = judge.poll_decided() {
            return finding;
        }
    }
    panic!("nothing was decided before the end");
}

//! Taking a run, a claim or a list of expectations apart and putting it together
//! changes nothing; nor does when the run was.

use dryfire_judge::{Claim, Condition, Finding, Instant, Judge, MomentId, Scope, Verdict};
use dryfire_units::{RigSpan, RigTime};
use proptest::prelude::*;

use crate::cases::{Case, Input, MOMENTS, case, claim, condition, config, scope, span, time};

/// The same run with everything in it so much later; nothing is known before.
fn later(case: &Case, by: i64) -> Case {
    let mut case = case.clone();
    for input in &mut case.inputs {
        match input {
            Input::Sample { at, .. } | Input::Gap { at, .. } | Input::Moment { at, .. } => *at += by,
        }
    }
    case.end += by;
    case
}

fn with_claim(case: &Case, claim: Claim) -> Case {
    let mut case = case.clone();
    case.expectation.claim = claim;
    case
}

fn with_scope(case: &Case, scope: Scope) -> Case {
    let mut case = case.clone();
    case.expectation.scope = scope;
    case
}

fn instant(moment: u16) -> Instant {
    Instant { moment: MomentId(moment), offset: RigSpan::ZERO }
}

/// The same run with only these of its moments.
fn with_moments(case: &Case, moments: &[Input]) -> Case {
    let mut case = case.clone();
    case.inputs.retain(|input| !matches!(input, Input::Moment { .. }));
    case.inputs.extend_from_slice(moments);
    case.inputs.sort_by_key(|input| input.at());
    case
}

proptest! {
    #![proptest_config(config(20_000, 0x5eed_0010))]

    /// Re-timing: a run that was later is judged the same, with what decided it as
    /// much later.
    #[test]
    fn a_run_is_judged_the_same_whenever_it_was(case in case(), by in 0..1_000_000_000_i64) {
        let begins_with_the_run = matches!(case.expectation.scope, Scope::Throughout | Scope::Before(_));
        // With part of the run before the first sample, in both.
        let (here, there) = (later(&case, 50).first(), later(&case, 50 + by).first());
        if !begins_with_the_run {
            let moved = |at: RigTime| at + span(by);
            let expected = Finding { decided_at: here.decided_at.map(moved), ..here };
            prop_assert_eq!(there, expected);
        }
    }
}

proptest! {
    #![proptest_config(config(20_000, 0x5eed_0011))]

    /// Merging conditions: both always is each always, and never either is never each.
    /// (With edges equally well known: the extents depend on all signals of a claim.)
    #[test]
    fn a_claim_of_two_conditions_is_two_claims(case in case(), one in condition(), other in condition()) {
        let mut case = case;
        let edge = case.specs[0].2;
        case.specs.iter_mut().for_each(|spec| spec.2 = edge);
        let verdict = |claim| with_claim(&case, claim).first().verdict;
        let both = vec![one.clone(), other.clone()];
        prop_assert_eq!(
            verdict(Claim::Always(Condition::All(both.clone()))),
            verdict(Claim::Always(one.clone())).combine(verdict(Claim::Always(other.clone())))
        );
        prop_assert_eq!(
            verdict(Claim::Never(Condition::Any(both))),
            verdict(Claim::Never(one)).combine(verdict(Claim::Never(other)))
        );
    }
}

proptest! {
    #![proptest_config(config(20_000, 0x5eed_0012))]

    /// Splitting the run at a moment that is known exactly, with all edges exact:
    /// throughout is before it and after it.
    #[test]
    fn a_claim_throughout_is_the_claim_before_and_after_a_moment(case in case(), at in 1..30_i64, never in condition()) {
        let mut case = with_moments(&case, &[Input::Moment { at, moment: 0, uncertainty: 0 }]);
        case.specs.iter_mut().for_each(|spec| spec.2 = 0);
        case.end = case.end.max(at);
        for claim in [Claim::Never(never.clone()), Claim::Always(never)] {
            let verdict = |scope| with_scope(&with_claim(&case, claim.clone()), scope).first().verdict;
            let parts = verdict(Scope::Before(instant(0))).combine(verdict(Scope::After(instant(0))));
            prop_assert_eq!(verdict(Scope::Throughout), parts);
        }
    }
}

proptest! {
    #![proptest_config(config(20_000, 0x5eed_0013))]

    /// Splitting occurrences: what follows two moments of a name is what follows each.
    #[test]
    fn each_occurrence_is_judged_as_though_it_were_alone(
        case in case(),
        (first, second) in (0..30_i64, 0..30_i64),
        (before, after) in (0..3_i64, 0..3_i64),
    ) {
        let moments = [
            Input::Moment { at: first, moment: 0, uncertainty: before },
            Input::Moment { at: second, moment: 0, uncertainty: after },
        ];
        let mut case = with_scope(&case, Scope::After(instant(0)));
        // One that comes after the end is of no run.
        case.end = case.end.max(first).max(second);
        let verdict = |moments: &[Input]| with_moments(&case, moments).first().verdict;
        prop_assert_eq!(verdict(&moments), verdict(&moments[..1]).combine(verdict(&moments[1..])));
    }
}

proptest! {
    #![proptest_config(config(10_000, 0x5eed_0014))]

    /// Merging lists: many expectations in one judge are found as each is alone.
    #[test]
    fn expectations_do_not_disturb_one_another(
        case in case(),
        others in prop::collection::vec((scope(), claim()), 1..5),
        promised in any::<bool>(),
    ) {
        let mut expectations = vec![case.expectation.clone()];
        for (scope, claim) in others {
            expectations.push(with_scope(&with_claim(&case, claim), scope).expectation);
        }
        let moments = || (0..MOMENTS).map(|moment| format!("moment {moment}")).collect();
        let judged = |expectations: Vec<_>| {
            let mut judge = Judge::new(case.table(), moments(), expectations).expect("cases that can be judged");
            if promised {
                judge = judge.with_moments_that_come_once();
            }
            let mut rest = case.inputs.as_slice();
            for now in [4, 9, 15, 22] {
                let (given, more) = rest.split_at(rest.partition_point(|input| input.at() <= now.min(case.end)));
                given.iter().for_each(|input| Case::give(&mut judge, *input));
                rest = more;
                judge.advance(time(now.min(case.end)));
            }
            rest.iter().for_each(|input| Case::give(&mut judge, *input));
            if case.cut_short { judge.finish_cut_short(time(case.end)) } else { judge.finish(time(case.end)) }
        };
        let together = judged(expectations.clone());
        for (index, expectation) in expectations.into_iter().enumerate() {
            let alone = judged(vec![expectation]).remove(0);
            prop_assert_eq!(&together[index], &Finding { expectation: index, ..alone });
        }
        prop_assert!(together.iter().all(|finding| finding.verdict != Verdict::Error));
    }
}

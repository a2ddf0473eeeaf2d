//! A margin is the largest amount by which the bound can be tightened.

use dryfire_judge::{Claim, Comparison, Condition, Finding, Instant, Margin, MomentId, Scope, SignalId, Verdict};
use dryfire_units::RigSpan;
use proptest::prelude::*;

use crate::cases::{Case, Input, case_of, config, span};

fn reaction() -> impl Strategy<Value = Claim> {
    let switch = (0..2_u16, any::<bool>()).prop_map(|(signal, on)| Condition::Is { signal: SignalId(signal), on });
    prop_oneof![
        (3..14_i64, switch).prop_map(|(limit, condition)| Claim::Within { limit: span(limit), condition }),
        (3..14_i64, 1..8_i64, 0..2_u16).prop_map(|(limit, hold, heat)| Claim::HeatCut {
            heat: SignalId(heat),
            limit: span(limit),
            hold: span(hold)
        }),
    ]
}

/// The same with another limit; `None` if that could not be met by anything.
fn judged_with(case: &Case, limit: RigSpan) -> Option<Finding> {
    let mut case = case.clone();
    match &mut case.expectation.claim {
        Claim::Within { limit: own, .. } | Claim::HeatCut { limit: own, .. } => *own = limit,
        other => panic!("no limit in {other:?}"),
    }
    let release = match &case.expectation.claim {
        Claim::Within { condition: Condition::Is { signal, .. }, .. } | Claim::HeatCut { heat: signal, .. } => *signal,
        other => panic!("not a reaction of one switch: {other:?}"),
    };
    (limit >= case.table().get(release).release).then(|| case.first())
}

/// A single trigger, to the end of the run.
fn once(case: &Case) -> Case {
    let mut case = case.clone();
    case.expectation.scope = Scope::After(Instant { moment: MomentId(0), offset: RigSpan::ZERO });
    let mut moments = 0;
    case.inputs.retain(|input| {
        moments += usize::from(matches!(input, Input::Moment { .. }));
        !matches!(input, Input::Moment { moment, .. } if *moment != 0 || moments > 1)
    });
    if !case.inputs.iter().any(|input| matches!(input, Input::Moment { .. })) {
        case.inputs.push(Input::Moment { at: 5, moment: 0, uncertainty: 0 });
    }
    case.inputs.sort_by_key(|input| input.at());
    case
}

/// Every edge and every moment known exactly.
fn with_sharp_instants(case: &Case) -> Case {
    let mut case = case.clone();
    for spec in &mut case.specs {
        spec.2 = 0;
    }
    for input in &mut case.inputs {
        if let Input::Moment { uncertainty, .. } = input {
            *uncertainty = 0;
        }
    }
    case
}

fn limit_of(case: &Case) -> RigSpan {
    match &case.expectation.claim {
        Claim::Within { limit, .. } | Claim::HeatCut { limit, .. } => *limit,
        other => panic!("no limit in {other:?}"),
    }
}

proptest! {
    #![proptest_config(config(8_000, 0x5eed_0003))]

    /// With nothing uncertain: the bound shortened by the margin holds, and by
    /// a microsecond more it does not. (A margin below zero: lengthened.)
    #[test]
    fn a_time_margin_is_the_most_by_which_the_bound_can_be_shortened(case in case_of(reaction())) {
        let case = with_sharp_instants(&once(&case));
        let finding = case.first();
        if finding.verdict != Verdict::Inconclusive
            && let Some(Margin::Time(margin)) = finding.margin
        {
            prop_assert_eq!(finding.verdict == Verdict::Pass, margin >= RigSpan::ZERO);
            let tightest = judged_with(&case, limit_of(&case) - margin).expect("a limit that is met");
            prop_assert_eq!(tightest.verdict, Verdict::Pass);
            prop_assert_eq!(tightest.margin, Some(Margin::Time(RigSpan::ZERO)));
            let beyond = judged_with(&case, limit_of(&case) - margin - span(1));
            prop_assert!(beyond.is_none_or(|finding| finding.verdict != Verdict::Pass));
        }
    }

    /// With uncertainty: a pass stays one until the margin left is just the
    /// uncertainty, and a fail until it falls short by no more than that.
    #[test]
    fn a_margin_has_to_clear_the_uncertainty(case in case_of(reaction())) {
        let case = once(&case);
        let finding = case.first();
        let (Some(Margin::Time(margin)), Some(Margin::Time(uncertainty))) = (finding.margin, finding.uncertainty)
        else {
            return Ok(());
        };
        match finding.verdict {
            Verdict::Pass => {
                prop_assert!(margin >= uncertainty);
                let least = judged_with(&case, limit_of(&case) - (margin - uncertainty)).expect("a limit that is met");
                prop_assert_eq!(least.verdict, Verdict::Pass);
                let beyond = judged_with(&case, limit_of(&case) - (margin - uncertainty) - span(1));
                prop_assert!(beyond.is_none_or(|finding| finding.verdict != Verdict::Pass));
            }
            Verdict::Fail => prop_assert!(margin < -uncertainty),
            // It may lie near the opening as well as near the limit.
            _ => prop_assert!(-uncertainty <= margin),
        }
    }

    /// The same for levels, with the limit that counts and the one that does not.
    #[test]
    fn a_level_margin_is_the_most_by_which_the_limit_can_be_moved(
        case in case_of((2..4_u16, -3..4_i64).prop_map(|(signal, limit)| {
            Claim::Always(Condition::Compare { signal: SignalId(signal), comparison: Comparison::AtMost, limit })
        })),
    ) {
        let mut case = with_sharp_instants(&case);
        for spec in &mut case.specs {
            (spec.0, spec.1) = (0, 0);
        }
        let moved = |by: i64, to: Comparison| {
            let mut case = case.clone();
            if let Claim::Always(Condition::Compare { limit, comparison, .. }) = &mut case.expectation.claim {
                *limit -= by;
                *comparison = to;
            }
            case.first()
        };
        let finding = case.first();
        if let (Verdict::Pass, Some(Margin::Temperature(margin) | Margin::Rate(margin))) =
            (finding.verdict, finding.margin) {
            prop_assert!(margin >= 0);
            prop_assert_eq!(moved(margin, Comparison::AtMost).verdict, Verdict::Pass);
            prop_assert!(moved(margin + 1, Comparison::AtMost).verdict != Verdict::Pass);
            prop_assert!(moved(margin, Comparison::Below).verdict != Verdict::Pass);
        }
        if finding.verdict == Verdict::Fail {
            prop_assert!(matches!(finding.margin, Some(Margin::Temperature(margin) | Margin::Rate(margin)) if margin < 0));
        }
    }
}

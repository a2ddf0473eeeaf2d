//! Expectations that cannot be judged are refused with what is wrong and a hint.

use dryfire_judge::{
    Claim, Comparison, Condition, Expectation, Instant, Judge, MomentId, Part, Scope, SignalId, SignalKind, SignalSpec,
    SignalTable,
};
use dryfire_units::RigSpan;

const HEAT: SignalId = SignalId(0);
const KILN: SignalId = SignalId(1);

fn heat_is(on: bool) -> Condition {
    Condition::Is { signal: HEAT, on }
}

fn refusal(scope: Scope, claim: Claim) -> String {
    let mut table = SignalTable::default();
    for (name, kind) in [("heat", SignalKind::Switch), ("kiln", SignalKind::Temperature)] {
        table.add(SignalSpec {
            name: name.to_owned(),
            kind,
            value_uncertainty: 0,
            model_error: 0,
            time_uncertainty: RigSpan::ZERO,
            release: RigSpan::from_millis(20),
        });
    }
    let expectation = Expectation { name: "it".to_owned(), scope, claim };
    match Judge::new(table, vec!["break".to_owned()], vec![expectation]) {
        Err(error) => error.to_string(),
        Ok(_) => "accepted".to_owned(),
    }
}

fn kiln_below(limit: i64) -> Condition {
    Condition::Compare { signal: KILN, comparison: Comparison::Below, limit }
}

fn seldom(at_most: u32, window: RigSpan) -> Claim {
    Claim::AtMostIn { at_most, window, condition: heat_is(true) }
}

#[rstest::rstest]
#[case(
    Claim::Never(Condition::Is { signal: KILN, on: true }),
    "expectation `it`: `kiln` is a level and neither on nor off; compare it with a limit"
)]
#[case(
    Claim::Always(Condition::Compare { signal: HEAT, comparison: Comparison::Below, limit: 1 }),
    "expectation `it`: `heat` is on or off and cannot be compared with a number; ask whether it is on"
)]
#[case(Claim::Always(Condition::All(vec![])), "expectation `it`: the condition looks at no signal; name at least one")]
#[case(
    Claim::Always(Condition::Is { signal: SignalId(7), on: true }),
    "expectation `it`: there is no signal number 7"
)]
#[case(
    Claim::Within { limit: RigSpan::from_millis(-1), condition: heat_is(false) },
    "expectation `it`: the limit is -1.00 ms; it has to be zero or more"
)]
#[case(
    Claim::Within { limit: RigSpan::from_millis(19), condition: heat_is(false) },
    "expectation `it`: the limit of 19.00 ms is shorter than the release time of 20.00 ms that is added to every \
     reaction; nothing could ever meet it"
)]
#[case(
    Claim::HeatCut { heat: HEAT, limit: RigSpan::from_seconds(1), hold: RigSpan::ZERO },
    "expectation `it`: the hold has to be longer than zero"
)]
#[case(
    Claim::Always(kiln_below(i64::MIN)),
    "expectation `it`: the limit of -9223372036854775808 is beyond anything that could be meant; the most is \
     1000000000000000"
)]
#[case(
    Claim::Times { at_least: 2, at_most: 1, condition: heat_is(true) },
    "expectation `it`: at least 2 and at most 1 times cannot both be; exchange them"
)]
#[case(
    seldom(0, RigSpan::from_minutes(1)),
    "expectation `it`: at most 0 times in a stretch is at most 0 times in the whole scope; count over that, or say never"
)]
#[case(
    seldom(1_025, RigSpan::from_minutes(1)),
    "expectation `it`: at most 1025 times in a stretch is more than the 1024 that are kept; take a shorter stretch, or \
     count over the whole scope"
)]
#[case(seldom(6, RigSpan::ZERO), "expectation `it`: the stretch in which is counted has to be longer than zero")]
#[case(seldom(1_024, RigSpan::from_minutes(1)), "accepted")]
#[case(
    Claim::Precedes { first: kiln_below(0), then: Condition::Is { signal: KILN, on: true } },
    "expectation `it`: `kiln` is a level and neither on nor off; compare it with a limit"
)]
#[case(
    Claim::Precedes { first: Condition::Any(vec![]), then: heat_is(true) },
    "expectation `it`: the condition looks at no signal; name at least one"
)]
#[case(Claim::Within { limit: RigSpan::from_millis(20), condition: heat_is(false) }, "accepted")]
fn a_claim_that_cannot_be_judged_is_refused(#[case] claim: Claim, #[case] says: &str) {
    assert_eq!(refusal(Scope::Throughout, claim), says);
}

#[test]
fn a_scope_that_cannot_be_is_refused() {
    let after = |moment, offset| Scope::After(Instant { moment: MomentId(moment), offset });
    let claim = || Claim::Never(heat_is(true));
    assert_eq!(refusal(after(3, RigSpan::ZERO), claim()), "expectation `it`: there is no moment number 3");
    assert_eq!(
        refusal(after(0, RigSpan::from_seconds(-1)), claim()),
        "expectation `it`: the offset is -1.000 s; it has to be zero or more"
    );
    assert_eq!(refusal(after(0, RigSpan::ZERO), claim()), "accepted");
    let inside = |moment| {
        let part = Part::Before(Instant { moment: MomentId(moment), offset: RigSpan::ZERO });
        refusal(Scope::WheneverIn { part, condition: heat_is(true) }, claim())
    };
    assert_eq!(inside(3), "expectation `it`: there is no moment number 3");
    assert_eq!(inside(0), "accepted");
}

#[rstest::rstest]
#[case::at_the_most(1_000_000_000_000_000, true)]
#[case::beyond(1_000_000_000_000_001, false)]
#[case::at_the_least(-1_000_000_000_000_000, true)]
#[case::below(-1_000_000_000_000_001, false)]
fn a_limit_reaches_to_its_bound(#[case] limit: i64, #[case] accepted: bool) {
    assert_eq!(refusal(Scope::Throughout, Claim::Always(kiln_below(limit))) == "accepted", accepted);
}

/// Comparisons are numbered with sixteen bits.
#[rstest::rstest]
#[case(65_535, true)]
#[case(65_536, false)]
fn a_condition_has_so_many_comparisons_at_the_most(#[case] count: usize, #[case] accepted: bool) {
    let said = refusal(Scope::Throughout, Claim::Never(Condition::Any(vec![heat_is(true); count])));
    assert_eq!(said == "accepted", accepted, "{said}");
    assert!(accepted || said.contains("more than 65,535 comparisons"), "{said}");
}

#[rstest::rstest]
#[case::value(|spec: &mut SignalSpec| spec.value_uncertainty = -1)]
#[case::model(|spec: &mut SignalSpec| spec.model_error = -1)]
#[case::edges(|spec: &mut SignalSpec| spec.time_uncertainty = RigSpan::from_micros(-1))]
#[case::release(|spec: &mut SignalSpec| spec.release = RigSpan::from_micros(-1))]
fn each_uncertainty_has_to_be_zero_or_more(#[case] spoil: fn(&mut SignalSpec)) {
    let mut spec = SignalSpec {
        name: "kiln".to_owned(),
        kind: SignalKind::Temperature,
        value_uncertainty: 0,
        model_error: 0,
        time_uncertainty: RigSpan::ZERO,
        release: RigSpan::ZERO,
    };
    spoil(&mut spec);
    let mut table = SignalTable::default();
    let kiln = table.add(spec);
    let claim = Claim::Never(Condition::Compare { signal: kiln, comparison: Comparison::Above, limit: 0 });
    let expectation = Expectation { name: "it".to_owned(), scope: Scope::Throughout, claim };
    let error = Judge::new(table, Vec::new(), vec![expectation]).err().expect("it is refused");
    assert!(error.to_string().contains("the uncertainty stated for `kiln` is negative"), "{error}");
}

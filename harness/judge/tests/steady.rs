//! Once everything has been seen for a while, judging asks for no memory.

use dryfire_judge::{
    Claim, Comparison, Condition, Expectation, Instant, Judge, MomentId, Part, Scope, SignalId, SignalKind, SignalSpec,
    SignalTable,
};
use dryfire_units::{RigSpan, RigTime};

const HEAT: SignalId = SignalId(0);
const LID: SignalId = SignalId(1);
const KILN: SignalId = SignalId(2);

fn is(signal: SignalId, on: bool) -> Condition {
    Condition::Is { signal, on }
}

fn kiln(comparison: Comparison, limit: i64) -> Condition {
    Condition::Compare { signal: KILN, comparison, limit }
}

/// One expectation of every claim, over scopes that stay open and scopes that
/// open and close all the time.
fn expectations() -> Vec<Expectation> {
    let begin = Instant { moment: MomentId(0), offset: RigSpan::ZERO };
    let seconds = RigSpan::from_seconds;
    let switching = |at_most| Claim::AtMostIn { at_most, window: seconds(60), condition: is(HEAT, true) };
    let claims = [
        (Scope::Throughout, Claim::Always(kiln(Comparison::Below, 1_300_000))),
        (Scope::After(begin), Claim::Never(Condition::All(vec![is(HEAT, true), is(LID, true)]))),
        (Scope::After(begin), Claim::Sometime(kiln(Comparison::Above, 2_000_000))),
        (Scope::After(begin), Claim::Times { at_least: 1, at_most: 1_000_000, condition: is(HEAT, true) }),
        (Scope::After(begin), switching(100)),
        (Scope::After(begin), Claim::Precedes { first: kiln(Comparison::Above, 0), then: is(HEAT, true) }),
        (Scope::Whenever(is(HEAT, true)), Claim::Within { limit: seconds(20), condition: is(HEAT, false) }),
        (Scope::Whenever(is(HEAT, false)), Claim::HoldsFor { span: seconds(2), condition: is(HEAT, false) }),
        (
            Scope::WheneverIn { part: Part::After(begin), condition: is(HEAT, true) },
            Claim::HeatCut { heat: HEAT, limit: seconds(10), hold: seconds(3) },
        ),
    ];
    let named = |(scope, claim)| Expectation { name: "it".to_owned(), scope, claim };
    claims.into_iter().map(named).collect()
}

fn judge() -> Judge {
    let mut table = SignalTable::default();
    for (name, kind) in [("heat", SignalKind::Switch), ("lid", SignalKind::Switch), ("kiln", SignalKind::Temperature)] {
        table.add(SignalSpec {
            name: name.to_owned(),
            kind,
            value_uncertainty: if kind == SignalKind::Switch { 0 } else { 2_000 },
            model_error: 0,
            time_uncertainty: RigSpan::from_millis(5),
            release: RigSpan::from_millis(20),
        });
    }
    Judge::new(table, vec!["begin".to_owned()], expectations()).expect("sound expectations")
}

/// Ten samples of the kiln a second; heat is on for 5 s of every 10 s.
fn run(judge: &mut Judge, from_second: i64, to_second: i64) {
    for tenth in from_second * 10..to_second * 10 {
        let at = RigTime::from_micros(tenth * 100_000);
        judge.observe(at, KILN, 500_000 + tenth % 7_000);
        if tenth % 50 == 0 {
            judge.observe(at, HEAT, i64::from(tenth % 100 == 0));
        }
        judge.advance(at);
    }
}

#[test]
fn an_hour_of_samples_and_edges_allocates_nothing() {
    let mut judge = judge();
    judge.observe(RigTime::ZERO, LID, 0);
    judge.moment(MomentId(0), RigTime::ZERO, RigSpan::from_millis(5));
    run(&mut judge, 0, 600);
    let counted = allocation_counter::measure(|| run(&mut judge, 600, 4_200));
    assert_eq!(counted.count_total, 0, "{counted:?}");
    // And all of it was judged: at the end nothing is missing.
    let findings = judge.finish(RigTime::from_micros(4_200_000_000));
    let reasons: Vec<&str> = findings.iter().map(|finding| finding.reason.word()).collect();
    assert_eq!(reasons, ["held", "held", "not-reached", "held", "held", "held", "held", "held", "held"]);
}

/// The greatest memory at a time, from the making of a judge to its findings, for a
/// response in a window of 5,000 s: a trigger at every second of so many samples, and
/// an answer at random, on average once in so many samples.
fn peak(samples: i64, answered_once_in: i64) -> u64 {
    let mut table = SignalTable::default();
    for name in ["p", "q"] {
        table.add(SignalSpec {
            name: name.to_owned(),
            kind: SignalKind::Switch,
            value_uncertainty: 0,
            model_error: 0,
            time_uncertainty: RigSpan::ZERO,
            release: RigSpan::ZERO,
        });
    }
    let (p, q) = (SignalId(0), SignalId(1));
    let expectation = Expectation {
        name: "it".to_owned(),
        scope: Scope::Whenever(is(p, true)),
        claim: Claim::Within { limit: RigSpan::from_seconds(5_000), condition: is(q, true) },
    };
    let mut random = 1_u64;
    let counted = allocation_counter::measure(move || {
        let mut judge = Judge::new(table, Vec::new(), vec![expectation]).expect("sound");
        for index in 0..samples {
            let at = RigTime::from_micros(index * 100_000);
            // Knuth's multiplier, MMIX.
            random = random.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            judge.observe(at, p, index % 2);
            judge.observe(at, q, i64::from((random >> 33) as i64 % answered_once_in == 0));
            judge.advance(at);
        }
        std::hint::black_box(judge.finish(RigTime::from_micros(samples * 100_000)));
    });
    counted.bytes_max
}

/// `docs/judging.md`, "Bounds on memory".
const PER_JUDGE: u64 = 4 << 20;
const PER_EXPECTATION: u64 = 6 << 20;

#[test]
fn peak_memory_stays_the_same_from_a_hundred_thousand_to_ten_million_samples() {
    let peaks = [100_000, 1_000_000, 10_000_000].map(|samples| peak(samples, 40));
    assert_eq!(peaks[0], peaks[1], "{peaks:?}");
    assert_eq!(peaks[1], peaks[2], "{peaks:?}");
    assert!(peaks[2] < 65_536, "a few triggers wait at a time: {peaks:?}");
}

#[test]
fn peak_memory_stays_under_its_bound_where_more_wait_than_can() {
    // Seldom answered: 25,000 triggers wait for it; and never, until the first has failed.
    for once_in in [30_000, i64::MAX] {
        let peak = peak(1_000_000, once_in);
        assert!(peak < PER_JUDGE + PER_EXPECTATION, "{peak}");
    }
    // And all at one instant after another, without a watermark between.
    let counted = allocation_counter::measure(|| {
        let mut judge = judge();
        for tenth in 0..400_000 {
            judge.observe(RigTime::from_micros(tenth * 100), HEAT, tenth % 2);
        }
        std::hint::black_box(judge.finish(RigTime::from_micros(40_000_000)));
    });
    let expectations = expectations().len() as u64;
    assert!(counted.bytes_max < PER_JUDGE + PER_EXPECTATION * expectations, "{counted:?}");
}

#[test]
fn allocations_are_counted() {
    // Were they not, the test above could not fail.
    let counted = allocation_counter::measure(|| drop(std::hint::black_box(vec![1_u8])));
    assert_eq!(counted.count_total, 1);
}

//! What others rely on by name: words of verdicts and reasons, kinds and their
//! ranges, and the table of signals.

use std::collections::BTreeSet;

use dryfire_judge::{Margin, Reason, SignalKind, SignalSpec, SignalTable, Verdict};
use dryfire_units::RigSpan;
use rstest::rstest;

#[test]
fn verdicts_have_their_words_and_fill_a_column() {
    let all = [Verdict::Pass, Verdict::Inconclusive, Verdict::Fail, Verdict::Error];
    assert_eq!(all.map(Verdict::word), ["pass", "inconclusive", "fail", "error"]);
    assert_eq!(format!("{:<14}|{:>6}", Verdict::Inconclusive, Verdict::Pass), "inconclusive  |  pass");
}

#[test]
fn every_reason_has_a_word_of_its_own_that_the_page_explains() {
    use Reason::*;
    let all = [
        Held,
        HeatNotCut,
        HeatCutLate,
        ReachedLate,
        NotReached,
        Violated,
        LimitExceeded,
        TriggerNotObserved,
        StillOpen,
        NotObserved,
        InsideGuardBand,
        Vacuous,
        TooShort,
        TooLong,
        TooFew,
        TooMany,
        OutOfOrder,
        Overflow,
    ];
    let words: BTreeSet<&str> = all.iter().map(|reason| reason.word()).collect();
    assert_eq!(words.len(), all.len());
    let page = include_str!("../../../docs/judging.md");
    for word in words.into_iter().filter(|word| *word != "held") {
        assert!(page.contains(&format!("`{word}`")), "{word}");
    }
}

/// The figures of the table in `docs/judging.md`.
#[rstest]
#[case(SignalKind::Switch, 0, 1)]
#[case(SignalKind::Temperature, -273_150, 4_000_000)]
#[case(SignalKind::Difference, -4_273_150, 4_273_150)]
#[case(SignalKind::Rate, -1_000_000_000_000, 1_000_000_000_000)]
#[case(SignalKind::Duty, 0, 100_000)]
#[case(SignalKind::Count, 0, 1_000_000_000_000)]
fn what_a_kind_can_be(#[case] kind: SignalKind, #[case] least: i64, #[case] most: i64) {
    assert_eq!(kind.range(), least..=most);
    assert_eq!(kind.quantity(7).is_some(), kind != SignalKind::Switch);
}

#[test]
fn a_quantity_is_in_the_unit_of_its_kind() {
    assert_eq!(SignalKind::Difference.quantity(7), Some(Margin::Temperature(7)));
    assert_eq!(SignalKind::Rate.quantity(7), Some(Margin::Rate(7)));
    assert_eq!(SignalKind::Duty.quantity(7), Some(Margin::Duty(7)));
    assert_eq!(SignalKind::Count.quantity(7), Some(Margin::Count(7)));
}

#[test]
fn signals_are_found_by_their_names() {
    let mut table = SignalTable::default();
    assert!(table.is_empty());
    let spec = |name: &str| SignalSpec {
        name: name.to_owned(),
        kind: SignalKind::Switch,
        value_uncertainty: 0,
        model_error: 0,
        time_uncertainty: RigSpan::from_millis(1),
        release: RigSpan::ZERO,
    };
    let (heat, lid) = (table.add(spec("heat")), table.add(spec("lid")));
    assert!(!table.is_empty());
    assert_eq!((table.find("heat"), table.find("lid"), table.find("kiln")), (Some(heat), Some(lid), None));
    table.widen_times(RigSpan::from_millis(2));
    assert_eq!(table.get(lid).time_uncertainty, RigSpan::from_millis(3));
}

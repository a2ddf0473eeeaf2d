//! The two judges over cases that are made quickly and not shrunk: a random
//! expectation on a random trace of a few dozen microseconds, so that edges fall
//! on bounds, on one another and on moments. It finds in a second what the laws
//! find in a minute, which is what a run over all mutants needs (`docs/mutants.md`).

mod make;

use dryfire_judge::Verdict;

use make::{Case, Chance};

/// So many cases of each of these seeds.
const CASES: usize = 30_000;

/// What is found early, how it was cut into portions, and in what order it came
/// make no difference to what is found in the end.
fn check(seed: u64) {
    let mut chance = Chance::new(seed);
    let mut counts = [0_usize; 4];
    for number in 0..CASES {
        let case = Case::random(&mut chance);
        let (first, second) = (case.at_once(), case.by_the_second_judge());
        assert_eq!(first, second, "case {number} of seed {seed}: {case:#?}");
        counts[first.verdict as usize] += 1;
        let (in_steps, early) = case.in_steps();
        assert_eq!(in_steps, second, "in steps, case {number} of seed {seed}: {case:#?}");
        if let Some((early, at)) = &early {
            let said = (early.verdict, early.decided_at, early.expectation);
            assert_eq!(said, (second.verdict, second.decided_at, 0), "early, case {number} of seed {seed}: {case:#?}");
            if early.verdict == Verdict::Fail {
                let known = case.known_at(*at);
                assert_eq!(known, Verdict::Fail, "too early, case {number} of seed {seed}: {case:#?}");
                // Where a moment may still end the scope, that is known only then.
                let late = case.nothing_ends_it() && case.known_at(*at - 1) == Verdict::Fail;
                assert!(!late, "too late, case {number} of seed {seed}: {case:#?}");
            }
        }
        if early.is_none() && second.verdict == Verdict::Fail && case.nothing_ends_it() {
            let known = case.known_at(case.last());
            assert_ne!(known, Verdict::Fail, "never said, case {number} of seed {seed}: {case:#?}");
        }
        let shuffled = case.in_portions(&mut chance);
        assert_eq!(shuffled, second, "in portions, case {number} of seed {seed}: {case:#?}");
    }
    // Else there would be little to see.
    assert!(counts[..3].iter().all(|count| *count > CASES / 50), "{counts:?}");
}

#[test]
fn both_judges_agree_however_the_trace_is_given() {
    check(0x5eed);
}

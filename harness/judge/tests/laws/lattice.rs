//! Verdicts combine to the worst.
//!
//! ETSI ES 201 873-1, clause 24: the worse verdict overwrites, in the order
//! pass, inconclusive, fail, error (order from memory).

use dryfire_judge::Verdict;

const ALL: [Verdict; 4] = [Verdict::Pass, Verdict::Inconclusive, Verdict::Fail, Verdict::Error];

#[test]
fn combining_is_commutative_associative_and_idempotent() {
    for a in ALL {
        assert_eq!(a.combine(a), a);
        for b in ALL {
            assert_eq!(a.combine(b), b.combine(a));
            for c in ALL {
                assert_eq!(a.combine(b).combine(c), a.combine(b.combine(c)));
            }
        }
    }
}

#[test]
fn a_pass_changes_nothing_and_an_error_overwrites_everything() {
    for a in ALL {
        assert_eq!(Verdict::Pass.combine(a), a);
        assert_eq!(Verdict::Error.combine(a), Verdict::Error);
    }
}

#[test]
fn the_overwriting_rule_row_by_row() {
    use Verdict::{Error, Fail, Inconclusive, Pass};
    let table = [
        (Pass, [Pass, Inconclusive, Fail, Error]),
        (Inconclusive, [Inconclusive, Inconclusive, Fail, Error]),
        (Fail, [Fail, Fail, Fail, Error]),
        (Error, [Error, Error, Error, Error]),
    ];
    for (current, row) in table {
        assert_eq!(ALL.map(|new| current.combine(new)), row);
    }
}

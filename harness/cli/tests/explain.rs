//! `dryfire explain` with the real binary: what is said is read before it is accepted.

mod command;

use command::dryfire;
use rstest::rstest;

const VIRTUAL: &str = "scenarios/benches/virtual.yaml";
const WITHOUT_CONTACTOR: &str = "scenarios/benches/without-contactor.yaml";

#[rstest]
#[case::a_probe_opens("open-while-ramping", "scenarios/probe/open-while-ramping.yaml", VIRTUAL)]
#[case::every_pole_is_open("lid-opened", "scenarios/people/lid-opened.yaml", VIRTUAL)]
#[case::an_order("contactor-order", "scenarios/control/contactor-order.yaml", VIRTUAL)]
#[case::counts_and_durations("relay-spared", "scenarios/heat/relay-spared.yaml", VIRTUAL)]
#[case::rates_and_duties("ramp-followed", "scenarios/control/ramp-followed.yaml", VIRTUAL)]
#[case::what_is_declared("longest-firing", "scenarios/time/longest-firing-exceeded.yaml", VIRTUAL)]
#[case::uncovered("uncovered", "scenarios/heat/element-relay-welded.yaml", WITHOUT_CONTACTOR)]
fn a_scenario_is_explained_with_the_numbers_of_the_bench(
    #[case] name: &str,
    #[case] scenario: &str,
    #[case] bench: &str,
) {
    let ran = dryfire(&["explain", scenario, "--bench", bench]);
    assert_eq!((ran.status, &*ran.err), (Some(0), ""), "{ran:?}");
    assert!(ran.out.lines().all(|line| line.chars().count() <= 100), "{}", ran.out);
    insta::assert_snapshot!(name, ran.out);
}

#[test]
fn the_bench_of_the_library_is_taken_where_none_is_named() {
    let scenario = "scenarios/probe/open-while-ramping.yaml";
    assert_eq!(dryfire(&["explain", scenario]).out, dryfire(&["explain", scenario, "--bench", VIRTUAL]).out);
}

#[test]
fn every_scenario_of_the_library_is_explained_on_every_bench_of_it() {
    for bench in [VIRTUAL, WITHOUT_CONTACTOR, "scenarios/benches/rig.yaml"] {
        let ran = dryfire(&["explain", "scenarios", "--bench", bench]);
        assert_eq!((ran.status, &*ran.err), (Some(0), ""), "{ran:?}");
        assert!(ran.out.matches("What it is for").count() >= 20, "{bench}");
        for leftover in ["{", "Some(", "None", "4294967295"] {
            assert!(!ran.out.contains(leftover), "{leftover} in the explanations on {bench}");
        }
    }
}

#[rstest]
#[case(&["explain"], "<SCENARIO>...")]
#[case(&["explain", "nowhere.yaml"], "there is no file or folder `nowhere.yaml`")]
#[case(&["explain", VIRTUAL], "benches/virtual.yaml")]
fn what_cannot_be_explained_ends_with_4(#[case] arguments: &[&str], #[case] says: &str) {
    let ran = dryfire(arguments);
    assert_eq!(ran.status, Some(4), "{ran:?}");
    assert!(ran.err.contains(says), "{ran:?}");
}

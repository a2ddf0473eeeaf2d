//! Over wires that go wrong: what can be mended leaves no trace in what is seen.
//!
//! The kinds of error are the communication errors of IEC 61784-3.

use dryfire_bench::{FaultyTransport, InProcessTransport, RigPace, Stall, Transport, WireFaults};
use dryfire_units::RigSpan;
use rstest::rstest;

use crate::support::{MS, SmallWorld, bench_over, play, play_in_steps, rig_setup, script};

const NONE: WireFaults = WireFaults {
    corruption: 0,
    repetition: 0,
    wrong_sequence: 0,
    loss: 0,
    delay: 0,
    delayed_by: 0,
    insertion: 0,
    stall: None,
    unplug_at: None,
};

const EVERYTHING: WireFaults = WireFaults {
    corruption: 20,
    repetition: 20,
    wrong_sequence: 20,
    loss: 20,
    delay: 20,
    delayed_by: 30_000,
    insertion: 20,
    stall: None,
    unplug_at: None,
};

#[rstest]
#[case::corruption(WireFaults { corruption: 20, ..NONE })]
#[case::repetition(WireFaults { repetition: 20, ..NONE })]
#[case::wrong_sequence(WireFaults { wrong_sequence: 20, ..NONE })]
#[case::loss(WireFaults { loss: 20, ..NONE })]
#[case::delay(WireFaults { delay: 20, delayed_by: 30_000, ..NONE })]
#[case::insertion(WireFaults { insertion: 20, ..NONE })]
#[case::everything_at_once(EVERYTHING)]
#[case::every_third_frame_lost(WireFaults { loss: 3, ..NONE })]
#[case::a_short_stall(WireFaults { stall: Some(Stall { at: 3_000, lasts: 300_000 }), ..NONE })]
fn a_stepped_run_is_the_same_as_over_a_clean_wire(#[case] faults: WireFaults) {
    let clean = play(&mut bench_over(RigPace::Granted, 1_300, NONE, 0), &script(), 2_000 * MS);
    assert_eq!(clean.trouble, None);
    for seed in 0..10 {
        let faulty = play(&mut bench_over(RigPace::Granted, 1_300, faults, seed), &script(), 2_000 * MS);
        assert_eq!(faulty.trouble, None, "seed {seed}");
        assert_eq!(faulty.facts(), clean.facts(), "seed {seed}");
        let counters = faulty.counters();
        assert_eq!((counters.lost_edges, counters.late_setpoints, counters.lost_console_bytes), (0, 0, 0));
    }
}

#[test]
fn long_steps_over_a_bad_wire_are_no_different() {
    let run = |faults, seed| {
        let mut bench = bench_over(RigPace::Granted, 1_300, faults, seed);
        play_in_steps(&mut bench, &script(), 2_000 * MS, RigSpan::from_seconds(1))
    };
    let clean = run(NONE, 0);
    for seed in 0..10 {
        let faulty = run(EVERYTHING, seed);
        assert_eq!((faulty.trouble.as_ref(), faulty.facts()), (None, clean.facts()), "seed {seed}");
    }
}

#[rstest]
#[case::corruption(WireFaults { corruption: 20, ..NONE })]
#[case::everything_at_once(EVERYTHING)]
fn a_free_run_loses_nothing_over_a_bad_wire(#[case] faults: WireFaults) {
    // What the host commands comes when the wire lets it; what the world does by itself does not depend on that.
    let beats: Vec<_> = (1..=1_999).map(|n| (n * MS, n % 2 == 1)).collect();
    for seed in 0..5 {
        let played = play(&mut bench_over(RigPace::Free(1.0), MS, faults, seed), &[], 2_000 * MS);
        assert_eq!(played.trouble, None, "seed {seed}");
        assert_eq!(played.edges(0)[..1_999], beats, "seed {seed}");
        assert_eq!(played.counters().lost_edges, 0);
    }
}

#[test]
fn damage_is_counted() {
    let faults = WireFaults { corruption: 5, ..NONE };
    let played = play(&mut bench_over(RigPace::Granted, 1_300, faults, 1), &script(), 2_000 * MS);
    assert!(played.counters().damaged_frames > 0);
}

#[test]
fn the_same_seed_gives_the_same_run() {
    let run = || play(&mut bench_over(RigPace::Free(1.0), 1_300, EVERYTHING, 9), &script(), 2_000 * MS).seen;
    assert_eq!(run(), run());
}

/// Each kind of fault really happens, about as often as asked for.
#[test]
fn a_faulty_wire_does_what_it_says() {
    let inner = InProcessTransport::new(SmallWorld::new(MS), rig_setup(RigPace::Granted));
    let mut wire = FaultyTransport::new(inner, EVERYTHING, 3);
    for _ in 0..20_000 {
        wire.write(&[1, 2, 3, 0]).expect("there");
    }
    let counts = wire.counts();
    assert_eq!(counts.frames, 20_000);
    for (what, count) in [
        ("corrupted", counts.corrupted),
        ("repeated", counts.repeated),
        ("reordered", counts.reordered),
        ("lost", counts.lost),
        ("delayed", counts.delayed),
        ("inserted", counts.inserted),
    ] {
        // 1,000 are expected; five standard deviations are 155.
        assert!((845..=1_155).contains(&count), "{what}: {count}");
    }
}

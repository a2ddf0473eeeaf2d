//! A rig that runs by its own clock, as one of silicon does.

use dryfire_bench::{RigPace, WireFaults};
use dryfire_engine::{CommandKind, Observation};

use crate::support::{MS, bench_over, play, script, voltage};

fn setpoints(every: i64, valid_for: i64, until: i64) -> Vec<(i64, CommandKind)> {
    (0..until / every).map(|n| (n * every, voltage(500_000, 10, n * every + valid_for))).collect()
}

#[test]
fn commands_sent_ahead_take_effect_to_the_microsecond() {
    let played = play(&mut bench_over(RigPace::Free(1.0), 70 * MS, WireFaults::default(), 0), &script(), 2_500 * MS);
    assert_eq!(played.trouble, None);
    for (number, (when, _)) in script().iter().enumerate() {
        let applied = played.seen.iter().find_map(|seen| match seen {
            Observation::Applied { command, at } if command.0 == number as u32 => Some(at.as_micros()),
            _ => None,
        });
        assert_eq!(applied, Some(*when));
    }
    assert_eq!(played.edges(2)[0], (502 * MS, true));
}

#[test]
fn two_thousand_edges_a_second_for_a_minute_come_without_a_loss() {
    let faults = WireFaults { loss: 200, corruption: 200, ..WireFaults::default() };
    let length = 60_000 * MS;
    let played =
        play(&mut bench_over(RigPace::Free(1.0), 500, faults, 4), &setpoints(200 * MS, 600 * MS, length), length);
    assert_eq!(played.trouble, None);
    let edges = played.edges(0);
    assert!(edges.len() as i64 >= length / 500 - 1);
    assert!(edges.iter().enumerate().all(|(n, edge)| *edge == ((n as i64 + 1) * 500, n % 2 == 0)));
    let counters = played.counters();
    assert_eq!((counters.lost_edges, counters.late_setpoints), (0, 0));
    assert!(counters.damaged_frames > 0);
}

#[test]
fn set_points_good_for_less_than_their_period_are_counted_as_late() {
    let length = 2_000 * MS;
    let played = play(
        &mut bench_over(RigPace::Free(1.0), 70 * MS, WireFaults::default(), 0),
        &setpoints(200 * MS, 150 * MS, length),
        length,
    );
    assert_eq!(played.counters().late_setpoints, 9);
}

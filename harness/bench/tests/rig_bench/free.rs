//! A rig that runs by its own clock, as one of silicon does.

use std::cell::Cell;
use std::rc::Rc;
use std::time::Duration;

use dryfire_bench::{InProcessTransport, RigPace, Transport, TransportError, WireFaults};
use dryfire_engine::{CommandKind, Observation};
use dryfire_link::LinkTime;
use rstest::rstest;

use crate::support::{MS, SmallWorld, bench_on, bench_over, play, rig_setup, script, voltage};

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

/// Shows the link's clock to the test.
struct Watched(InProcessTransport<SmallWorld>, Rc<Cell<u64>>);

impl Transport for Watched {
    fn now(&self) -> LinkTime {
        self.0.now()
    }
    fn read(&mut self, into: &mut Vec<u8>, timeout: Duration) -> Result<(), TransportError> {
        self.0.read(into, timeout)?;
        self.1.set(self.0.now().as_micros());
        Ok(())
    }
    fn write(&mut self, frames: &[u8]) -> Result<(), TransportError> {
        self.0.write(frames)
    }
}

#[rstest]
#[case::free(RigPace::Free(1.0), 2_000_000)]
#[case::free_at_four_times(RigPace::Free(4.0), 500_000)]
#[case::granted_at_real_time(RigPace::GrantedAt(1.0), 2_000_000)]
#[case::granted_at_twenty_times(RigPace::GrantedAt(20.0), 100_000)]
fn a_paced_rig_takes_its_time(#[case] pace: RigPace, #[case] expected: u64) {
    let clock = Rc::new(Cell::new(0));
    let shown = Rc::clone(&clock);
    let mut bench = bench_on(move || {
        Box::new(Watched(InProcessTransport::new(SmallWorld::new(1_300), rig_setup(pace)), Rc::clone(&shown)))
    });
    let played = play(&mut bench, &[], 2_000 * MS);
    assert_eq!(played.trouble, None);
    // A heartbeat more or less in a free run, and what a grant may make up for.
    let took = clock.get();
    assert!((expected.saturating_sub(60_000)..expected + 60_000).contains(&took), "{took} us for {expected} us");
}

#[test]
fn the_pace_changes_nothing_in_what_a_granted_rig_tells() {
    let run = |pace| play(&mut bench_over(pace, 1_300, WireFaults::default(), 0), &script(), 2_000 * MS).seen;
    assert_eq!(run(RigPace::GrantedAt(10.0)), run(RigPace::Granted));
}

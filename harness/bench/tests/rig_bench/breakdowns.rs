//! What cannot be mended ends in a clear error, never in a result.

use std::cell::Cell;
use std::ops::Range;
use std::rc::Rc;
use std::time::Duration;

use dryfire_bench::{
    Bench as _, InProcessTransport, RigBench, RigPace, RigPatience, Stall, Transport, TransportError, WireFaults,
};
use dryfire_engine::{Observation, TroubleKind};
use dryfire_link::frame::MAX_FRAME;
use dryfire_link::{
    Capabilities, Counters, Heartbeat, HostMessage, Limits, LinkTime, PROTOCOL, RigEndpoint, RigMessage, Welcome,
};
use dryfire_scenario::Limiter;
use dryfire_units::RigTime;
use rstest::rstest;

use crate::support::{MS, SmallWorld, bench_file, bench_on, bench_over, play, rig_setup, run_setup, script};

fn kind_and_detail(played: crate::support::Played) -> (TroubleKind, String) {
    let trouble = played.trouble.expect("it breaks down");
    (trouble.kind, trouble.detail)
}

#[test]
fn an_unplugged_port_is_an_error_at_once() {
    let faults = WireFaults { unplug_at: Some(5_000), ..WireFaults::default() };
    let played = play(&mut bench_over(RigPace::Granted, 1_300, faults, 0), &script(), 60_000 * MS);
    let (kind, detail) = kind_and_detail(played);
    assert_eq!(kind, TroubleKind::LinkLost);
    assert_eq!(detail, "the serial port `faulty wire` is gone: unplugged on purpose");
}

#[rstest]
#[case::stepped(RigPace::Granted, 4_000)]
#[case::free(RigPace::Free(1.0), 600_000)]
fn a_stall_longer_than_agreed_is_told_by_the_rig_that_went_safe(#[case] pace: RigPace, #[case] stall_at: u64) {
    let stall = Some(Stall { at: stall_at, lasts: 900_000 });
    let faults = WireFaults { stall, ..WireFaults::default() };
    let played = play(&mut bench_over(pace, 1_300, faults, 0), &script(), 60_000 * MS);
    assert_eq!(kind_and_detail(played).0, TroubleKind::RigWentSafe);
}

#[test]
fn a_rig_that_is_never_heard_again_is_lost() {
    let stall = Some(Stall { at: 4_000, lasts: 3_600_000_000 });
    let faults = WireFaults { stall, ..WireFaults::default() };
    let played = play(&mut bench_over(RigPace::Granted, 1_300, faults, 0), &script(), 60_000 * MS);
    assert_eq!(kind_and_detail(played), (TroubleKind::LinkLost, "nothing was heard from the rig for 2 s".to_owned()));
}

#[test]
fn what_was_complete_before_the_breakdown_is_given() {
    let faults = WireFaults { unplug_at: Some(5_000), ..WireFaults::default() };
    let played = play(&mut bench_over(RigPace::Granted, 1_300, faults, 0), &script(), 60_000 * MS);
    let clean = play(&mut bench_over(RigPace::Granted, 1_300, WireFaults::default(), 0), &script(), 60_000 * MS);
    let mark = played.watermark();
    assert!(mark > RigTime::ZERO && mark < RigTime::from_micros(60_000 * MS));
    let facts = played.facts();
    assert_eq!(facts[..], clean.facts()[..facts.len()]);
}

#[rstest]
#[case::stepped(RigPace::Granted)]
#[case::free(RigPace::Free(1.0))]
fn a_rig_that_restarts_is_noticed(#[case] pace: RigPace) {
    let mut bench = bench_on(move || {
        let rig = InProcessTransport::new(SmallWorld::new(1_300), rig_setup(pace));
        Box::new(rig.restarting_at(LinkTime::from_millis(5)))
    });
    let played = play(&mut bench, &script(), 60_000 * MS);
    assert_eq!(kind_and_detail(played).0, TroubleKind::RigRestarted);
}

#[test]
fn the_run_after_a_breakdown_connects_anew() {
    let opened = Rc::new(Cell::new(0));
    let count = Rc::clone(&opened);
    let mut bench = bench_on(move || {
        count.set(count.get() + 1);
        let rig = InProcessTransport::new(SmallWorld::new(70 * MS), rig_setup(RigPace::Granted));
        if count.get() == 1 { Box::new(rig.restarting_at(LinkTime::from_micros(800))) } else { Box::new(rig) }
    });
    assert!(play(&mut bench, &script(), 2_000 * MS).trouble.is_some());
    let second = play(&mut bench, &script(), 2_000 * MS);
    assert_eq!((second.trouble, opened.get()), (None, 2));
}

#[test]
fn a_port_that_cannot_be_opened_says_which_and_why() {
    let mut bench = RigBench::serial(bench_file(), "/nonexistent/port".into());
    let trouble = bench.begin(&run_setup()).expect_err("no such port");
    assert_eq!(trouble.kind, TroubleKind::LinkLost);
    assert!(trouble.detail.starts_with("cannot open the serial port `/nonexistent/port`: "), "{}", trouble.detail);
}

#[test]
fn a_rig_with_fewer_channels_than_the_bench_file_uses_is_refused() {
    let mut file = bench_file();
    file.zones[0].probe_channel = Some(3);
    let open = || -> Result<Box<dyn Transport>, TransportError> {
        Ok(Box::new(InProcessTransport::new(SmallWorld::new(MS), rig_setup(RigPace::Granted))))
    };
    let mut bench = RigBench::new(file, Box::new(open), 1);
    let trouble = bench.begin(&run_setup()).expect_err("too few");
    assert_eq!(trouble.kind, TroubleKind::LinkRefused);
    assert_eq!(trouble.detail, "the bench file uses probe channel 3, and the rig has 1 of them, numbered from 0");
}

#[test]
fn a_limiters_probe_needs_a_channel_of_the_rig_too() {
    let mut file = bench_file();
    file.limiter = Some(Limiter {
        zone: 0,
        probe_type: 'K',
        probe_channel: 2,
        trip_millicelsius: 1_290_000,
        reset_below_millicelsius: None,
    });
    let open = || -> Result<Box<dyn Transport>, TransportError> {
        Ok(Box::new(InProcessTransport::new(SmallWorld::new(MS), rig_setup(RigPace::Granted))))
    };
    let trouble = RigBench::new(file, Box::new(open), 1).begin(&run_setup()).expect_err("too few");
    assert_eq!(trouble.detail, "the bench file uses probe channel 2, and the rig has 1 of them, numbered from 0");
}

/// A rig by hand: answers hello with a welcome of its own, and to nothing else.
struct ForeignRig {
    link: RigEndpoint,
    welcome: Welcome,
    /// Says with heartbeats that it is there, and from when to when that it is not in the safe state.
    beats: bool,
    starts: Range<u64>,
    now: LinkTime,
}

impl Transport for ForeignRig {
    fn now(&self) -> LinkTime {
        self.now
    }
    fn read(&mut self, into: &mut Vec<u8>, timeout: Duration) -> Result<(), TransportError> {
        while let Some(message) = self.link.poll_message() {
            if matches!(message, Ok(HostMessage::Hello { .. })) {
                self.link.send(&RigMessage::Welcome(self.welcome.clone())).expect("room");
            }
        }
        if self.beats {
            let beat = Heartbeat {
                now: RigTime::ZERO,
                complete_until: RigTime::ZERO,
                boot_id: self.welcome.boot_id,
                safe: !self.starts.contains(&self.now.as_micros()),
                edges: 0,
                counters: Counters::default(),
            };
            // Where there is no room, one is under way.
            let _ = self.link.send(&RigMessage::Heartbeat(beat));
        }
        let mut buffer = [0u8; MAX_FRAME];
        while let Some(frame) = self.link.poll_transmit(self.now, &mut buffer) {
            into.extend_from_slice(frame);
        }
        self.now = self.now + timeout.as_micros() as u64 + 1;
        Ok(())
    }
    fn write(&mut self, frames: &[u8]) -> Result<(), TransportError> {
        self.link.handle_bytes(self.now, frames);
        Ok(())
    }
}

fn foreign(protocol: u16) -> ForeignRig {
    let capabilities = Capabilities {
        simulated: false,
        stepped: false,
        supply_switch: true,
        supply_rail: true,
        console: true,
        probe_channels: 4,
        inputs: 8,
        contacts: 8,
    };
    let word = |text: &str| heapless::String::try_from(text).expect("short");
    let welcome = Welcome {
        protocol,
        board: word("by hand"),
        firmware: word("9.9"),
        boot_id: 1,
        capabilities,
        limits: Limits { edge_ring: 1, command_queue: 1, max_silence_ms: 1_000 },
    };
    ForeignRig { link: RigEndpoint::rig(1), welcome, beats: false, starts: 0..0, now: LinkTime::ZERO }
}

#[test]
fn another_protocol_is_refused_with_both_numbers() {
    let mut bench = bench_on(|| Box::new(foreign(PROTOCOL + 1)));
    let trouble = bench.begin(&run_setup()).expect_err("another protocol");
    assert_eq!(trouble.kind, TroubleKind::LinkRefused);
    assert_eq!(
        trouble.detail,
        format!(
            "the rig's firmware 9.9 speaks protocol {} of the link, this program {PROTOCOL}: update one of them",
            PROTOCOL + 1
        )
    );
}

#[test]
fn a_rig_that_welcomes_and_then_says_nothing_is_lost() {
    let mut bench = bench_on(|| Box::new(foreign(PROTOCOL)));
    let trouble = bench.begin(&run_setup()).expect_err("silent");
    assert_eq!(trouble.kind, TroubleKind::LinkLost);
}

/// A rig goes to its safe state when a busy host says nothing while it begins; it then never begins.
#[test]
fn a_rig_that_is_there_and_never_begins_is_not_waited_for_without_end() {
    let mut bench = bench_on(|| Box::new(ForeignRig { beats: true, ..foreign(PROTOCOL) }));
    let trouble = bench.begin(&run_setup()).expect_err("it never begins");
    assert_eq!(trouble.kind, TroubleKind::LinkLost);
    assert!(trouble.detail.starts_with("the rig is there and began nothing for 120 s: "), "{}", trouble.detail);
}

#[test]
fn a_rig_that_goes_to_its_safe_state_while_it_begins_is_told_at_once_and_the_next_run_connects_anew() {
    let opened = Rc::new(Cell::new(0));
    let count = Rc::clone(&opened);
    let mut bench = bench_on(move || {
        count.set(count.get() + 1);
        if count.get() == 1 {
            let starts = 1_000_000..1_600_000;
            Box::new(ForeignRig { beats: true, starts, ..foreign(PROTOCOL) })
        } else {
            Box::new(InProcessTransport::new(SmallWorld::new(1_300), rig_setup(RigPace::Granted))) as Box<dyn Transport>
        }
    });
    let trouble = bench.begin(&run_setup()).expect_err("it never begins");
    assert_eq!(trouble.kind, TroubleKind::RigWentSafe);
    assert!(trouble.detail.contains("while it began the run"), "{}", trouble.detail);
    bench.begin(&run_setup()).expect("a rig that begins");
    assert_eq!(opened.get(), 2);
}

/// Something that is no rig: says the same again and again, or nothing.
struct Noise(&'static [u8], LinkTime);

impl Transport for Noise {
    fn now(&self) -> LinkTime {
        self.1
    }
    fn read(&mut self, into: &mut Vec<u8>, timeout: Duration) -> Result<(), TransportError> {
        into.extend_from_slice(self.0);
        self.1 = self.1 + (timeout.as_micros() as u64).clamp(1, 10_000);
        Ok(())
    }
    fn write(&mut self, _frames: &[u8]) -> Result<(), TransportError> {
        Ok(())
    }
}

#[rstest]
#[case::silent(b"", "nothing was heard from the rig for 2 s; is this the rig's port, and is its firmware on it?")]
#[case::text(b"hello, I am a modem\r\n\0", "what arrives is no frame")]
fn something_that_is_no_rig_is_told_from_a_lost_one(#[case] noise: &'static [u8], #[case] says: &str) {
    let mut bench = bench_on(move || Box::new(Noise(noise, LinkTime::ZERO)));
    let trouble = bench.begin(&run_setup()).expect_err("no rig");
    assert_eq!(trouble.kind, TroubleKind::LinkLost);
    assert!(trouble.detail.contains(says), "{}", trouble.detail);
}

#[test]
fn more_edges_than_can_be_kept_are_counted_and_told() {
    // 100,000 edges a second, and a wire that stands still for 0.4 s.
    let stall = Some(Stall { at: 500_000, lasts: 400_000 });
    let faults = WireFaults { stall, ..WireFaults::default() };
    let played = play(&mut bench_over(RigPace::Free(1.0), 10, faults, 0), &[], 3_000 * MS);
    assert_eq!(played.trouble, None);
    let lost = played.counters().lost_edges as usize;
    let told = played.edges(0).len();
    assert!(lost > 10_000, "{lost}");
    let until = played.watermark().as_micros();
    // What is not told is counted, up to the edges after the last watermark.
    assert!((until / 10 - 1..=until / 10 + 1).contains(&((told + lost) as i64)), "{told} + {lost} up to {until}");
}

#[test]
fn a_clock_that_stands_still_while_the_rig_answers_is_no_endless_wait() {
    // A paced rig that gets one microsecond further in ten seconds.
    let patience = RigPatience { standstill: Duration::from_secs(3), ..RigPatience::default() };
    let mut bench = bench_over(RigPace::GrantedAt(1e-7), MS, WireFaults::default(), 0).with_patience(patience);
    bench.begin(&run_setup()).expect("begins");
    let mut seen = Vec::new();
    let trouble = bench.advance(RigTime::from_micros(200 * MS), &mut seen).expect_err("stands still");
    assert_eq!(trouble.kind, TroubleKind::LinkLost);
    assert!(trouble.detail.starts_with("the rig answers, but its clock has been standing at"), "{}", trouble.detail);
    assert!(!seen.iter().any(|seen| matches!(seen, Observation::Complete { until } if until.as_micros() > 1)));
}

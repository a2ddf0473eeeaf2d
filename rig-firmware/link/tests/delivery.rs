//! Two endpoints over a channel that loses, repeats, reorders, delays and damages.

use std::collections::VecDeque;

use dryfire_link::frame::MAX_FRAME;
use dryfire_link::{
    Edge, Edges, Endpoint, HostEndpoint, HostMessage, LinkTime, RigEndpoint, RigMessage, SendError, WINDOW,
};
use dryfire_units::RigTime;
use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use serde::Serialize;
use serde::de::DeserializeOwned;

/// A small generator of our own, so that a seed means the same for ever (SplitMix64,
/// G. Steele, D. Lea, C. Flood, 2014; constants from memory).
struct Dice(u64);

impl Dice {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    fn one_in(&mut self, n: u64) -> bool {
        n > 0 && self.next().is_multiple_of(n)
    }
}

/// One in how many frames suffers what; 0: none.
#[derive(Clone, Copy, Debug)]
struct Faults {
    loss: u64,
    repetition: u64,
    reorder: u64,
    damage: u64,
}

const CLEAN: Faults = Faults { loss: 0, repetition: 0, reorder: 0, damage: 0 };

struct Wire {
    faults: Faults,
    dice: Dice,
    /// Frames with the instant of their arrival.
    under_way: VecDeque<(u64, Vec<u8>)>,
}

impl Wire {
    fn new(faults: Faults, seed: u64) -> Self {
        Wire { faults, dice: Dice(seed), under_way: VecDeque::new() }
    }

    fn put(&mut self, now: u64, frame: &[u8]) {
        if self.dice.one_in(self.faults.loss) {
            return;
        }
        let mut frame = frame.to_vec();
        if self.dice.one_in(self.faults.damage) {
            let at = self.dice.next() as usize % frame.len();
            frame[at] ^= 1 << (self.dice.next() % 8);
        }
        let late = if self.dice.one_in(self.faults.reorder) { 3_000 } else { 0 };
        self.under_way.push_back((now + 100 + late, frame.clone()));
        if self.dice.one_in(self.faults.repetition) {
            self.under_way.push_back((now + 700, frame));
        }
    }

    fn arrived(&mut self, now: u64) -> Vec<u8> {
        let (here, later): (Vec<_>, Vec<_>) = self.under_way.drain(..).partition(|(at, _)| *at <= now);
        self.under_way = later.into();
        here.into_iter().flat_map(|(_, bytes)| bytes).collect()
    }
}

fn pump<O: Serialize, I: DeserializeOwned>(end: &mut Endpoint<O, I>, now: u64, wire: &mut Wire) {
    let mut buffer = [0u8; MAX_FRAME];
    while let Some(bytes) = end.poll_transmit(LinkTime::from_micros(now), &mut buffer) {
        wire.put(now, bytes);
    }
}

fn host_message(number: u32) -> HostMessage {
    HostMessage::Contact { command: number, at: RigTime::from_micros(i64::from(number)), output: 1, closed: true }
}

fn rig_message(number: u32) -> RigMessage {
    let at = RigTime::from_micros(i64::from(number) * 7);
    RigMessage::Edges(Edges::new(&Edge { index: number, at, input: 2, high: false }))
}

/// Sends `count` messages both ways; gives what arrived and how long it took.
fn exchange(faults: Faults, seed: u64, count: u32, limit: u64) -> (Vec<RigMessage>, Vec<HostMessage>, u64) {
    let (mut host, mut rig) = (HostEndpoint::host(), RigEndpoint::rig(99));
    let (mut down, mut up) = (Wire::new(faults, seed), Wire::new(faults, !seed));
    host.open(0xC0FF_EE01);
    let (mut at_host, mut at_rig) = (Vec::new(), Vec::new());
    let (mut from_host, mut from_rig) = (0, 0);
    let mut now = 0;
    while now < limit {
        while from_host < count && host.send(&host_message(from_host)).is_ok() {
            from_host += 1;
        }
        while from_rig < count && rig.session().is_some() && rig.send(&rig_message(from_rig)).is_ok() {
            from_rig += 1;
        }
        pump(&mut host, now, &mut down);
        pump(&mut rig, now, &mut up);
        now += 100;
        host.handle_bytes(LinkTime::from_micros(now), &up.arrived(now));
        rig.handle_bytes(LinkTime::from_micros(now), &down.arrived(now));
        while let Some(message) = host.poll_message() {
            at_host.push(message.expect("a message"));
        }
        while let Some(message) = rig.poll_message() {
            at_rig.push(message.expect("a message"));
        }
        if at_host.len() == count as usize && at_rig.len() == count as usize && host.all_delivered() {
            break;
        }
    }
    (at_host, at_rig, now)
}

fn assert_all_arrived(faults: Faults, seed: u64, count: u32) -> u64 {
    let (at_host, at_rig, took) = exchange(faults, seed, count, 3_600_000_000);
    assert_eq!(at_host, (0..count).map(rig_message).collect::<Vec<_>>(), "rig to host, {faults:?}, seed {seed}");
    assert_eq!(at_rig, (0..count).map(host_message).collect::<Vec<_>>(), "host to rig, {faults:?}, seed {seed}");
    took
}

#[test]
fn a_clean_wire_delivers_everything_without_a_resend_timeout() {
    assert!(assert_all_arrived(CLEAN, 1, 5_000) < 1_000_000);
}

#[test]
fn every_twentieth_frame_lost_repeated_reordered_or_damaged_still_delivers_everything() {
    let faults = Faults { loss: 20, repetition: 20, reorder: 20, damage: 20 };
    for seed in 0..20 {
        assert_all_arrived(faults, seed, 2_000);
    }
}

#[test]
fn even_half_of_the_frames_lost_only_makes_it_slower() {
    assert_all_arrived(Faults { loss: 2, ..CLEAN }, 5, 300);
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, rng_seed: RngSeed::Fixed(20_261_125), cases: 64, ..ProptestConfig::default() })]

    #[test]
    fn whatever_the_wire_does_messages_arrive_once_and_in_order(
        seed in any::<u64>(), loss in 2u64..40, repetition in 0u64..10, reorder in 0u64..10, damage in 2u64..40,
    ) {
        assert_all_arrived(Faults { loss, repetition, reorder, damage }, seed, 200);
    }
}

/// Lets both ends talk over a clean wire until neither has anything to say at `now`.
fn settle(host: &mut HostEndpoint, rig: &mut RigEndpoint, now: u64) {
    let (mut down, mut up) = (Wire::new(CLEAN, 0), Wire::new(CLEAN, 0));
    for _ in 0..20 {
        pump(host, now, &mut down);
        pump(rig, now, &mut up);
        rig.handle_bytes(LinkTime::from_micros(now), &down.arrived(u64::MAX));
        host.handle_bytes(LinkTime::from_micros(now), &up.arrived(u64::MAX));
    }
}

fn frames_of<O: Serialize, I: DeserializeOwned>(end: &mut Endpoint<O, I>, now: u64) -> Vec<u8> {
    let mut wire = Wire::new(CLEAN, 0);
    pump(end, now, &mut wire);
    wire.arrived(u64::MAX)
}

#[test]
fn messages_sent_together_share_a_frame() {
    let (mut host, mut rig) = (HostEndpoint::host(), RigEndpoint::rig(1));
    host.open(1);
    settle(&mut host, &mut rig, 0);
    for number in 0..10 {
        host.send(&host_message(number)).expect("room");
    }
    let bytes = frames_of(&mut host, 10);
    assert_eq!(bytes.iter().filter(|byte| **byte == 0).count(), 1);
    rig.handle_bytes(LinkTime::from_micros(10), &bytes);
    for number in 0..10 {
        assert_eq!(rig.poll_message(), Some(Ok(host_message(number))));
    }
    assert_eq!(rig.poll_message(), None);
}

#[test]
fn a_lost_frame_is_asked_for_when_the_next_one_shows_the_gap() {
    let (mut host, mut rig) = (HostEndpoint::host(), RigEndpoint::rig(1));
    host.open(1);
    host.send(&host_message(0)).expect("room");
    settle(&mut host, &mut rig, 0);
    settle(&mut host, &mut rig, 5_000);
    let _ = rig.poll_message();
    host.send(&host_message(1)).expect("room");
    let _lost = frames_of(&mut host, 10_000);
    host.send(&host_message(2)).expect("room");
    // Well before the resend time-out of 20 ms.
    settle(&mut host, &mut rig, 12_000);
    assert_eq!(rig.poll_message(), Some(Ok(host_message(1))));
    assert_eq!(rig.poll_message(), Some(Ok(host_message(2))));
    assert_eq!(host.counters().resent, 1);
}

#[test]
fn a_receiver_that_does_not_read_holds_up_the_sender_instead_of_losing() {
    let (mut host, mut rig) = (HostEndpoint::host(), RigEndpoint::rig(1));
    host.open(1);
    let mut sent = 0;
    let mut now = 0;
    for _ in 0..100 {
        while host.send(&host_message(sent)).is_ok() {
            sent += 1;
        }
        settle(&mut host, &mut rig, now);
        now += 30_000;
    }
    assert_eq!(host.send(&host_message(sent)), Err(SendError::Full));
    for number in 0..sent {
        while rig.poll_message().is_none_or(|message| message != Ok(host_message(number))) {
            now += 30_000;
            settle(&mut host, &mut rig, now);
            assert!(now < 1_000_000_000, "message {number} never came");
        }
    }
}

#[test]
fn a_dead_wire_is_silence_and_a_full_window_never_a_delivery() {
    let mut host = HostEndpoint::host();
    host.open(1);
    let mut sent = 0;
    for now in 0..200 {
        while host.send(&host_message(sent)).is_ok() {
            sent += 1;
        }
        frames_of(&mut host, now * 10_000);
    }
    assert_eq!((host.room(), host.last_heard(), host.all_delivered()), (0, None, false));
    assert!(sent as usize >= WINDOW);
}

#[test]
fn frames_of_an_old_session_get_into_no_new_one() {
    let (mut host, mut rig) = (HostEndpoint::host(), RigEndpoint::rig(1));
    host.open(1);
    let old_open = frames_of(&mut host, 0);
    rig.handle_bytes(LinkTime::ZERO, &old_open);
    settle(&mut host, &mut rig, 25_000);
    host.send(&host_message(0)).expect("room");
    let old_data = frames_of(&mut host, 25_000);
    rig.handle_bytes(LinkTime::from_micros(25_000), &old_data);
    assert_eq!(rig.poll_message(), Some(Ok(host_message(0))));
    let first = rig.session();

    host.open(2);
    settle(&mut host, &mut rig, 50_000);
    host.send(&host_message(100)).expect("room");
    settle(&mut host, &mut rig, 50_000);
    assert_eq!(rig.poll_message(), Some(Ok(host_message(100))));
    let second = rig.session();
    assert_ne!(first, second);

    // The old opening and the old data turn up again: the session stays and nothing comes out.
    rig.handle_bytes(LinkTime::from_micros(60_000), &old_open);
    rig.handle_bytes(LinkTime::from_micros(60_000), &old_data);
    assert_eq!((rig.session(), rig.poll_message()), (second, None));
    settle(&mut host, &mut rig, 60_000);
    assert_eq!((host.session(), host.session_loss()), (second, None));
    host.send(&host_message(101)).expect("room");
    settle(&mut host, &mut rig, 60_000);
    assert_eq!(rig.poll_message(), Some(Ok(host_message(101))));
}

#[test]
fn an_echo_of_the_own_frames_is_not_taken_for_an_answer() {
    let (mut host, mut rig) = (HostEndpoint::host(), RigEndpoint::rig(1));
    host.open(1);
    settle(&mut host, &mut rig, 0);
    host.send(&host_message(0)).expect("room");
    let own = frames_of(&mut host, 0);
    let before = host.counters();
    host.handle_bytes(LinkTime::from_micros(5), &own);
    assert_eq!(host.counters().foreign, before.foreign + 1);
    assert_eq!((host.poll_message(), host.all_delivered()), (None, false));
}

#[test]
fn a_rig_that_has_restarted_says_so() {
    let (mut host, mut rig) = (HostEndpoint::host(), RigEndpoint::rig(1));
    host.open(1);
    host.send(&host_message(0)).expect("room");
    settle(&mut host, &mut rig, 0);
    settle(&mut host, &mut rig, 5_000);
    let mut rig = RigEndpoint::rig(2);
    host.send(&host_message(1)).expect("room");
    settle(&mut host, &mut rig, 10_000);
    assert_eq!(host.session_loss().map(|loss| loss.boot_id), Some(2));
    assert_eq!(rig.poll_message(), None);
}

#[test]
fn a_host_with_nothing_to_say_finds_out_that_the_rig_has_restarted() {
    let (mut host, mut rig) = (HostEndpoint::host(), RigEndpoint::rig(1));
    host.open(1);
    host.send(&host_message(0)).expect("room");
    settle(&mut host, &mut rig, 0);
    settle(&mut host, &mut rig, 5_000);
    let mut rig = RigEndpoint::rig(2);
    settle(&mut host, &mut rig, 10_000);
    assert_eq!(host.session_loss(), None);
    host.nudge();
    settle(&mut host, &mut rig, 10_000);
    assert_eq!(host.session_loss().map(|loss| loss.boot_id), Some(2));
}

#[test]
fn a_wire_that_only_repeats_counts_as_silent() {
    let (mut host, mut rig) = (HostEndpoint::host(), RigEndpoint::rig(1));
    host.open(1);
    settle(&mut host, &mut rig, 0);
    host.send(&host_message(0)).expect("room");
    let frame = frames_of(&mut host, 1_000);
    rig.handle_bytes(LinkTime::from_micros(1_000), &frame);
    for now in 2..500 {
        rig.handle_bytes(LinkTime::from_micros(now * 1_000), &frame);
    }
    assert_eq!(rig.last_heard(), Some(LinkTime::from_micros(1_000)));
}

#[test]
fn a_message_that_is_none_is_an_error_and_what_follows_is_not_lost() {
    use dryfire_link::frame::{FrameKind, Header, Origin, encode};
    let (mut host, mut rig) = (HostEndpoint::host(), RigEndpoint::rig(1));
    host.open(1);
    settle(&mut host, &mut rig, 0);
    let session = host.session().expect("open");
    let mut wire = Vec::new();
    for (seq, payload) in [&[0xFFu8, 1, 2][..], &[0x07]].into_iter().enumerate() {
        let header = Header { origin: Origin::Host, kind: FrameKind::Data, session, seq: seq as u32, ack: 0 };
        let mut out = [0u8; MAX_FRAME];
        let len = encode(&header, payload, &mut out).expect("fits");
        wire.extend_from_slice(&out[..len]);
    }
    rig.handle_bytes(LinkTime::ZERO, &wire);
    let error = rig.poll_message().expect("something").expect_err("no message");
    assert_eq!((error.seq, error.offset), (0, 0));
    assert_eq!(rig.poll_message(), Some(Ok(HostMessage::End)));
}

#[test]
fn nonces_that_count_up_never_give_the_same_session_again() {
    let mut seen = std::collections::BTreeSet::new();
    let mut rig = RigEndpoint::rig(1);
    for nonce in 0..1_000 {
        let mut host = HostEndpoint::host();
        host.open(nonce);
        settle(&mut host, &mut rig, u64::from(nonce) * 50_000);
        let session = host.session().expect("open");
        assert!(seen.insert(session), "nonce {nonce} gives session {session:#x} again");
    }
}

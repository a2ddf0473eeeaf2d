//! Whatever host, wire and controller do, in any order.

use dryfire_link::frame::MAX_FRAME;
use dryfire_link::{
    Begin, Capabilities, Edge, HostEndpoint, HostMessage, LinkPacing, LinkTime, PROTOCOL, ProbeDrive, RigMessage,
};
use dryfire_rig::{Board, Drive, Identity, Rig};
use dryfire_units::{Disturbance, RigTime};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;

const CAPABILITIES: Capabilities = Capabilities {
    simulated: true,
    stepped: true,
    supply_switch: true,
    supply_rail: true,
    console: true,
    probe_channels: 2,
    inputs: 4,
    contacts: 3,
};

/// Only notes what the outputs are.
#[derive(Default)]
struct Outputs {
    open: [bool; 2],
    disturbed: [bool; 2],
    contacts: u32,
    supply: bool,
}

impl Board for Outputs {
    fn begin(&mut self, _at: RigTime, _begin: &Begin) -> Option<u32> {
        None
    }
    fn probe(&mut self, _at: RigTime, channel: u8, drive: Drive) {
        self.open[usize::from(channel)] = drive.signal() == ProbeDrive::Open;
    }
    fn disturb(&mut self, _at: RigTime, channel: u8, disturbance: Disturbance) {
        self.disturbed[usize::from(channel)] = !disturbance.is_none();
    }
    fn contact(&mut self, _at: RigTime, output: u8, closed: bool) {
        self.contacts = self.contacts & !(1 << output) | u32::from(closed) << output;
    }
    fn supply(&mut self, _at: RigTime, on: bool) {
        self.supply = on;
    }
    fn console(&mut self, _at: RigTime, _bytes: &[u8]) {}
}

#[derive(Clone, Debug)]
enum Step {
    /// The host says something.
    Say(HostMessage),
    /// Both clocks go on by so many microseconds and milliseconds.
    Pass(u16, u8),
    /// An input changes; a level that it has already is a missed edge.
    Edge(u8, bool),
    /// The supply rail.
    Rail(bool),
    /// The controller writes.
    Write(Vec<u8>),
    /// Bytes that are no frame.
    Noise(Vec<u8>),
    /// The wire is cut, or mended.
    Wire(bool),
    /// Another host.
    NewHost,
}

fn message() -> impl Strategy<Value = HostMessage> {
    let begin = (any::<bool>(), 0u16..1_200, 0u16..3, 0u32..16, 0u32..16, any::<bool>()).prop_map(
        |(stepped, silence_ms, supply_off_ms, closed_at_rest, closed_when_safe, supply_when_safe)| {
            HostMessage::Begin(Begin {
                run: 1,
                seed: 1,
                ambient_millicelsius: 0,
                pacing: if stepped { LinkPacing::Stepped } else { LinkPacing::Free },
                silence_ms,
                supply_off_ms,
                closed_at_rest,
                closed_when_safe,
                supply_when_safe,
            })
        },
    );
    let at = prop_oneof![any::<i64>(), 0i64..2_000_000].prop_map(RigTime::from_micros);
    let drive = prop_oneof![
        (any::<i32>(), any::<i32>(), any::<i64>()).prop_map(|(nanovolts, nanovolts_per_second, until)| {
            ProbeDrive::Voltage { nanovolts, nanovolts_per_second, valid_until: RigTime::from_micros(until) }
        }),
        Just(ProbeDrive::Open),
        Just(ProbeDrive::Short),
        Just(ProbeDrive::ShortToGround),
        Just(ProbeDrive::ShortToSupply),
    ];
    prop_oneof![
        4 => begin,
        1 => (0u16..3).prop_map(|protocol| HostMessage::Hello { protocol }),
        3 => (at.clone(), 0u8..4, drive)
            .prop_map(|(at, channel, drive)| HostMessage::Probe { command: 1, at, channel, drive }),
        1 => (at.clone(), 0u8..4, 0u32..2).prop_map(|(at, channel, open_ms)| HostMessage::Disturb {
            command: 5,
            at,
            channel,
            disturbance: Disturbance { open_ms, ..Disturbance::NONE }.into(),
        }),
        3 => (at.clone(), 0u8..5, any::<bool>())
            .prop_map(|(at, output, closed)| HostMessage::Contact { command: 2, at, output, closed }),
        2 => (at.clone(), any::<bool>()).prop_map(|(at, on)| HostMessage::Supply { command: 3, at, on }),
        1 => at.clone().prop_map(|at| HostMessage::Console {
            command: 4,
            at,
            last: true,
            chunk: heapless::Vec::from_slice(b"line").expect("short"),
        }),
        2 => at.prop_map(|until| HostMessage::Grant { until }),
        1 => Just(HostMessage::End),
        1 => Just(HostMessage::Safe),
    ]
}

fn step() -> impl Strategy<Value = Step> {
    prop_oneof![
        6 => message().prop_map(Step::Say),
        6 => (any::<u16>(), any::<u8>()).prop_map(|(rig, link)| Step::Pass(rig, link)),
        6 => (0u8..5, any::<bool>()).prop_map(|(input, high)| Step::Edge(input, high)),
        1 => any::<bool>().prop_map(Step::Rail),
        1 => prop::collection::vec(any::<u8>(), 0..200).prop_map(Step::Write),
        1 => prop::collection::vec(any::<u8>(), 0..300).prop_map(Step::Noise),
        1 => any::<bool>().prop_map(Step::Wire),
        1 => Just(Step::NewHost),
    ]
}

struct Play {
    host: HostEndpoint,
    rig: Rig<32>,
    board: Outputs,
    now: i64,
    link: u64,
    connected: bool,
    nonce: u32,
    /// Of the last run that the host has heard the beginning of.
    claimed: Option<RigTime>,
    next_edge: u32,
    edges_told: u32,
    /// Edges of the run that the rig has numbered, by its last heartbeat.
    numbered: u32,
}

impl Play {
    fn new() -> Self {
        let identity = Identity {
            board: "test",
            firmware: "0",
            boot_id: 1,
            start: None,
            calibration: None,
            capabilities: CAPABILITIES,
        };
        let mut host = HostEndpoint::host();
        host.open(0);
        host.send(&HostMessage::Hello { protocol: PROTOCOL }).expect("room");
        Play {
            host,
            rig: Rig::new(identity),
            board: Outputs::default(),
            now: 0,
            link: 0,
            connected: true,
            nonce: 0,
            claimed: None,
            next_edge: 0,
            edges_told: 0,
            numbered: 0,
        }
    }

    fn link(&self) -> LinkTime {
        LinkTime::from_micros(self.link)
    }

    fn turn(&mut self) -> Result<(), TestCaseError> {
        let mut buffer = [0u8; MAX_FRAME];
        let link = self.link();
        while let Some(frame) = self.host.poll_transmit(link, &mut buffer) {
            if self.connected {
                self.rig.handle_bytes(link, frame);
            }
        }
        self.rig.poll(RigTime::from_micros(self.now), link, &mut self.board);
        while let Some(frame) = self.rig.poll_transmit(link, &mut buffer) {
            if self.connected {
                self.host.handle_bytes(link, frame);
            }
        }
        while let Some(message) = self.host.poll_message() {
            self.hear(message.expect("a message"))?;
        }
        self.check()
    }

    fn hear(&mut self, message: RigMessage) -> Result<(), TestCaseError> {
        match message {
            RigMessage::Began { .. } => {
                (self.claimed, self.next_edge, self.edges_told) = (Some(RigTime::from_micros(i64::MIN)), 0, 0);
            }
            RigMessage::Edges(edges) => {
                let Some(claimed) = self.claimed else { return Ok(()) };
                for Edge { index, at, .. } in edges.iter() {
                    prop_assert!(index >= self.next_edge, "edge {} after {}", index, self.next_edge);
                    prop_assert!(at >= claimed, "edge of {} after everything up to {} was told", at, claimed);
                    self.next_edge = index + 1;
                    self.edges_told += 1;
                }
            }
            RigMessage::Heartbeat(beat) => {
                let Some(claimed) = self.claimed else { return Ok(()) };
                prop_assert!(beat.complete_until <= beat.now);
                if self.rig.is_running() {
                    prop_assert!(beat.complete_until >= claimed);
                    prop_assert!(beat.edges >= self.next_edge);
                }
                self.claimed = Some(claimed.max(beat.complete_until));
                self.numbered = beat.edges;
            }
            _ => {}
        }
        Ok(())
    }

    /// Without a run that goes on unharmed nothing is played.
    fn check(&self) -> Result<(), TestCaseError> {
        if self.rig.is_safe() || !self.rig.is_running() {
            prop_assert!(self.board.open.iter().all(|open| *open));
            prop_assert!(self.board.disturbed.iter().all(|disturbed| !*disturbed));
        }
        prop_assert_eq!(self.board.contacts, self.rig.outputs().contacts);
        prop_assert_eq!(self.board.supply, self.rig.outputs().supply);
        Ok(())
    }

    fn play(&mut self, step: Step) -> Result<(), TestCaseError> {
        match step {
            Step::Say(message) => {
                // A full window is what a silent rig looks like.
                let _ = self.host.send(&message);
            }
            Step::Pass(rig, link) => {
                self.now += i64::from(rig);
                self.link += u64::from(link) * 1_000;
            }
            Step::Edge(input, high) => self.rig.handle_edge(RigTime::from_micros(self.now), input, high),
            Step::Rail(on) => self.rig.handle_supply_rail(RigTime::from_micros(self.now), on),
            Step::Write(bytes) => self.rig.handle_console(RigTime::from_micros(self.now), &bytes),
            Step::Noise(bytes) => self.rig.handle_bytes(self.link(), &bytes),
            Step::Wire(connected) => self.connected = connected,
            Step::NewHost => {
                self.nonce += 1;
                self.host.open(self.nonce);
                self.claimed = None;
                let _ = self.host.send(&HostMessage::Hello { protocol: PROTOCOL });
            }
        }
        self.turn()?;
        self.turn()
    }
}

proptest! {
    #![proptest_config(ProptestConfig {
        failure_persistence: None,
        rng_seed: RngSeed::Fixed(20_261_125),
        cases: 300,
        ..ProptestConfig::default()
    })]

    #[test]
    fn any_course_of_events_keeps_the_laws(steps in prop::collection::vec(step(), 0..120)) {
        let mut play = Play::new();
        for step in steps {
            play.play(step)?;
        }
        // In the end the host falls silent.
        play.connected = false;
        for _ in 0..3 {
            play.link += 1_001_000;
            play.now += 1_000;
            play.turn()?;
        }
        prop_assert!(play.rig.is_safe());
    }

    #[test]
    fn every_edge_of_a_run_is_told_or_counted(
        edges in prop::collection::vec((0u8..4, any::<bool>(), 1u16..2_000), 0..300),
        outage in any::<prop::sample::Index>(),
        lasts in 0usize..100,
    ) {
        let mut play = Play::new();
        play.play(Step::Say(HostMessage::Begin(Begin {
            run: 1,
            seed: 1,
            ambient_millicelsius: 0,
            pacing: LinkPacing::Free,
            silence_ms: 1_000,
            supply_off_ms: 0,
            closed_at_rest: 0,
            closed_when_safe: 0,
            supply_when_safe: true,
        })))?;
        let from = outage.index(edges.len().max(1));
        for (number, (input, high, after)) in edges.into_iter().enumerate() {
            play.connected = !(from..from + lasts).contains(&number);
            play.now += i64::from(after);
            play.play(Step::Edge(input, high))?;
        }
        play.connected = true;
        for _ in 0..40 {
            play.play(Step::Pass(1_000, 20))?;
        }
        prop_assert_eq!(play.edges_told + play.rig.counters().lost_edges, play.numbered);
        prop_assert!(!play.rig.is_safe());
    }
}

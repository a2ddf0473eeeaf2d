//! What a rig does, seen from the host and from the board.

use dryfire_link::frame::MAX_FRAME;
use dryfire_link::{
    Begin, CalibrationState, Capabilities, ConverterPart, Edge, Edges, Heartbeat, HostEndpoint, HostMessage,
    LinkPacing, LinkTime, PROTOCOL, PlayedConverter, ProbeDrive, Refusal, RigMessage, WINDOW,
};
use dryfire_rig::{Board, CALIBRATION_BYTES, Calibration, ChannelScale, Drive, Identity, MAX_SILENCE_MS, Player, Rig};
use dryfire_units::{Disturbance, RigSpan, RigTime};
use rstest::rstest;

const MS: i64 = 1_000;

#[derive(Clone, Debug, PartialEq)]
enum Done {
    Begin(u64),
    Probe(u8, ProbeDrive),
    Disturb(u8, Disturbance),
    Contact(u8, bool),
    Supply(bool),
    Console(Vec<u8>),
    Converter(u8, bool),
    ColdJunction(i32),
}

#[derive(Default)]
struct Recorder {
    done: Vec<(i64, Done)>,
    levels: Option<u32>,
    page: Option<[u8; CALIBRATION_BYTES]>,
    /// What is kept is damaged on the way.
    worn_out: bool,
    hung: bool,
}

impl Board for Recorder {
    fn begin(&mut self, at: RigTime, begin: &Begin) -> Option<u32> {
        self.done.push((at.as_micros(), Done::Begin(begin.seed)));
        self.levels
    }
    fn probe(&mut self, at: RigTime, channel: u8, drive: Drive) {
        self.done.push((at.as_micros(), Done::Probe(channel, drive.signal())));
    }
    fn disturb(&mut self, at: RigTime, channel: u8, disturbance: Disturbance) {
        self.done.push((at.as_micros(), Done::Disturb(channel, disturbance)));
    }
    fn contact(&mut self, at: RigTime, output: u8, closed: bool) {
        self.done.push((at.as_micros(), Done::Contact(output, closed)));
    }
    fn supply(&mut self, at: RigTime, on: bool) {
        self.done.push((at.as_micros(), Done::Supply(on)));
    }
    fn console(&mut self, at: RigTime, bytes: &[u8]) {
        self.done.push((at.as_micros(), Done::Console(bytes.to_vec())));
    }
    fn calibration_page(&mut self) -> Option<[u8; CALIBRATION_BYTES]> {
        self.page
    }
    fn keep_calibration(&mut self, page: &[u8; CALIBRATION_BYTES]) {
        let mut page = *page;
        page[20] ^= u8::from(self.worn_out);
        self.page = Some(page);
    }
    fn play_converter(&mut self, at: RigTime, channel: u8, converter: Option<PlayedConverter>) -> bool {
        self.done.push((at.as_micros(), Done::Converter(channel, converter.is_some())));
        converter.is_none_or(|converter| Player::new(converter, at).is_some())
    }
    fn cold_junction(&mut self, at: RigTime, millicelsius: i32) {
        self.done.push((at.as_micros(), Done::ColdJunction(millicelsius)));
    }
    fn hang(&mut self) {
        self.hung = true;
    }
}

const CAPABILITIES: Capabilities = Capabilities {
    simulated: true,
    stepped: true,
    supply_switch: true,
    supply_rail: true,
    console: true,
    probe_channels: 2,
    inputs: 4,
    contacts: 2,
};

fn begin(pacing: LinkPacing) -> Begin {
    Begin {
        run: 3,
        seed: 77,
        ambient_millicelsius: 20_000,
        pacing,
        silence_ms: 500,
        supply_off_ms: 0,
        closed_at_rest: 0b01,
        closed_when_safe: 0b10,
        supply_when_safe: false,
    }
}

/// A host, a rig and a board on a wire without faults; both clocks by hand.
struct Setup {
    host: HostEndpoint,
    rig: Rig<64>,
    board: Recorder,
    now: i64,
    link: u64,
    heard: Vec<RigMessage>,
    connected: bool,
}

impl Setup {
    fn with(capabilities: Capabilities) -> Self {
        let identity = Identity {
            board: "test board",
            firmware: "1.2.3",
            boot_id: 9,
            start: None,
            calibration: None,
            capabilities,
        };
        let mut host = HostEndpoint::host();
        host.open(1);
        Setup {
            host,
            rig: Rig::new(identity),
            board: Recorder::default(),
            now: 1_000_000,
            link: 0,
            heard: Vec::new(),
            connected: true,
        }
    }

    /// Greeted, with a run begun.
    fn running(pacing: LinkPacing) -> Self {
        let mut setup = Setup::with(CAPABILITIES);
        setup.say(HostMessage::Hello { protocol: PROTOCOL });
        setup.say(HostMessage::Begin(begin(pacing)));
        setup.heard.clear();
        setup.board.done.clear();
        setup
    }

    fn say(&mut self, message: HostMessage) {
        self.host.send(&message).expect("room");
        self.turn();
    }

    /// Some turns of both ends at the same instants.
    fn turn(&mut self) {
        for _ in 0..6 {
            self.rig_turn();
            self.host_turn();
        }
    }

    fn rig_turn(&mut self) {
        let link = LinkTime::from_micros(self.link);
        let mut buffer = [0u8; MAX_FRAME];
        if self.connected {
            while let Some(bytes) = self.host.poll_transmit(link, &mut buffer) {
                self.rig.handle_bytes(link, bytes);
            }
        }
        self.rig.poll(RigTime::from_micros(self.now), link, &mut self.board);
    }

    fn host_turn(&mut self) {
        let link = LinkTime::from_micros(self.link);
        let mut buffer = [0u8; MAX_FRAME];
        while let Some(bytes) = self.rig.poll_transmit(link, &mut buffer) {
            if self.connected {
                self.host.handle_bytes(link, bytes);
            }
        }
        while let Some(message) = self.host.poll_message() {
            self.heard.push(message.expect("a message"));
        }
    }

    /// Lets both clocks run, with a turn each millisecond.
    fn run(&mut self, millis: u64) {
        for _ in 0..millis {
            self.now += MS;
            self.link += 1_000;
            self.turn();
        }
    }

    fn edge(&mut self, at: i64, input: u8, high: bool) {
        self.rig.handle_edge(RigTime::from_micros(at), input, high);
    }

    fn heartbeat(&self) -> Heartbeat {
        self.heard
            .iter()
            .rev()
            .find_map(|message| if let RigMessage::Heartbeat(beat) = message { Some(*beat) } else { None })
            .expect("a heartbeat")
    }

    /// What was heard but for heartbeats, each edge for itself.
    fn told(&self) -> Vec<RigMessage> {
        let single = |message: &RigMessage| match message {
            RigMessage::Heartbeat(_) => Vec::new(),
            RigMessage::Edges(edges) => edges.iter().map(|edge| RigMessage::Edges(Edges::new(&edge))).collect(),
            other => vec![other.clone()],
        };
        self.heard.iter().flat_map(single).collect()
    }

    fn contact(&mut self, command: u32, at: i64) {
        self.say(HostMessage::Contact { command, at: RigTime::from_micros(at), output: 1, closed: true });
    }

    fn voltage(&mut self, command: u32, at: i64, valid_until: i64) {
        let valid_until = RigTime::from_micros(valid_until);
        let drive = ProbeDrive::Voltage { nanovolts: 1_000_000, nanovolts_per_second: 500, valid_until };
        self.say(HostMessage::Probe { command, at: RigTime::from_micros(at), channel: 0, drive });
    }
}

fn applied(command: u32, at: i64) -> RigMessage {
    RigMessage::Applied { command, at: RigTime::from_micros(at) }
}

fn edge(index: u32, at: i64, input: u8, high: bool) -> RigMessage {
    RigMessage::Edges(Edges::new(&Edge { index, at: RigTime::from_micros(at), input, high }))
}

fn edges_of(message: &RigMessage) -> Vec<Edge> {
    if let RigMessage::Edges(edges) = message { edges.iter().collect() } else { Vec::new() }
}

#[test]
fn it_boots_with_probes_open_contacts_open_and_supply_off() {
    let mut setup = Setup::with(CAPABILITIES);
    setup.connected = false;
    setup.turn();
    assert_eq!(
        setup.board.done,
        [
            (1_000_000, Done::Probe(0, ProbeDrive::Open)),
            (1_000_000, Done::Probe(1, ProbeDrive::Open)),
            (1_000_000, Done::Contact(0, false)),
            (1_000_000, Done::Contact(1, false)),
            (1_000_000, Done::Supply(false)),
        ]
    );
    assert!(setup.rig.is_safe());
}

#[test]
fn it_says_who_it_is_and_begins_a_run_where_its_clock_stands() {
    let mut setup = Setup::with(CAPABILITIES);
    setup.say(HostMessage::Hello { protocol: PROTOCOL });
    let RigMessage::Welcome(welcome) = &setup.heard[0] else { panic!("{:?}", setup.heard) };
    assert_eq!((welcome.board.as_str(), welcome.firmware.as_str(), welcome.boot_id), ("test board", "1.2.3", 9));
    assert_eq!((welcome.capabilities, welcome.limits.edge_ring), (CAPABILITIES, 64));
    setup.board.done.clear();
    setup.say(HostMessage::Begin(begin(LinkPacing::Stepped)));
    assert!(setup.heard.contains(&RigMessage::Began { run: 3, origin: RigTime::from_micros(1_000_000) }));
    assert_eq!(
        setup.board.done,
        [
            (1_000_000, Done::Begin(77)),
            (1_000_000, Done::Probe(0, ProbeDrive::Open)),
            (1_000_000, Done::Probe(1, ProbeDrive::Open)),
            (1_000_000, Done::Contact(0, true)),
            (1_000_000, Done::Contact(1, false)),
            (1_000_000, Done::Supply(true)),
        ]
    );
    assert!(!setup.rig.is_safe());
}

const NOISY: Disturbance = Disturbance { seed: 5, noise_nanovolts: 12_000, noise_every_ms: 100, ..Disturbance::NONE };

#[test]
fn a_disturbance_begins_at_its_instant_and_ends_with_the_run() {
    let mut setup = Setup::running(LinkPacing::Stepped);
    let at = RigTime::from_micros(1_200_000);
    setup.say(HostMessage::Disturb { command: 8, at, channel: 1, disturbance: NOISY.into() });
    setup.board.done.clear();
    assert_eq!(setup.board.done, []);
    setup.say(HostMessage::Grant { until: RigTime::from_micros(1_500_000) });
    setup.run(300);
    assert_eq!(setup.board.done, [(1_200_000, Done::Disturb(1, NOISY))]);
    assert!(setup.heard.contains(&applied(8, 1_200_000)), "{:?}", setup.heard);
    setup.board.done.clear();
    setup.say(HostMessage::End);
    let quiet = setup.board.done.iter().filter(|(_, done)| *done == Done::Disturb(1, Disturbance::NONE)).count();
    assert_eq!(quiet, 1, "{:?}", setup.board.done);
}

#[test]
fn a_disturbance_of_a_channel_that_is_not_there_is_refused() {
    let mut setup = Setup::running(LinkPacing::Stepped);
    setup.say(HostMessage::Disturb { command: 9, at: RigTime::ZERO, channel: 2, disturbance: NOISY.into() });
    assert!(setup.heard.contains(&RigMessage::Refused { command: Some(9), why: Refusal::NoSuch }), "{:?}", setup.heard);
}

#[test]
fn another_protocol_is_welcomed_with_ours_and_gets_nothing_else() {
    let mut setup = Setup::with(CAPABILITIES);
    setup.say(HostMessage::Hello { protocol: PROTOCOL + 1 });
    setup.say(HostMessage::Begin(begin(LinkPacing::Free)));
    assert!(matches!(&setup.heard[0], RigMessage::Welcome(welcome) if welcome.protocol == PROTOCOL));
    let refused = RigMessage::Refused { command: None, why: Refusal::Protocol { expected: PROTOCOL } };
    assert_eq!(setup.heard[1..], [refused.clone(), refused]);
    assert!(setup.rig.is_safe());
}

#[rstest]
#[case::grants_on_a_rig_that_cannot_stop(Capabilities { stepped: false, ..CAPABILITIES }, |b: &mut Begin| b.pacing = LinkPacing::Stepped, Refusal::NotStepped)]
#[case::no_silence(CAPABILITIES, |b: &mut Begin| b.silence_ms = 0, Refusal::Silence { max_ms: MAX_SILENCE_MS })]
#[case::silence_too_long(CAPABILITIES, |b: &mut Begin| b.silence_ms = 1_001, Refusal::Silence { max_ms: MAX_SILENCE_MS })]
#[case::contact_not_there(CAPABILITIES, |b: &mut Begin| b.closed_when_safe = 0b100, Refusal::NoSuch)]
#[case::no_supply_switch(Capabilities { supply_switch: false, ..CAPABILITIES }, |b: &mut Begin| b.supply_off_ms = 10, Refusal::NoSuch)]
fn a_run_that_cannot_be_kept_is_refused(
    #[case] capabilities: Capabilities,
    #[case] change: fn(&mut Begin),
    #[case] why: Refusal,
) {
    let mut setup = Setup::with(capabilities);
    setup.say(HostMessage::Hello { protocol: PROTOCOL });
    let mut begin = begin(LinkPacing::Free);
    change(&mut begin);
    setup.say(HostMessage::Begin(begin));
    assert_eq!(setup.told()[1..], [RigMessage::Refused { command: None, why }]);
    assert!(setup.rig.is_safe());
}

#[test]
fn a_scheduled_command_waits_for_its_instant() {
    let mut setup = Setup::running(LinkPacing::Free);
    setup.contact(5, 1_010_000);
    assert_eq!((setup.told(), setup.rig.next_due()), (vec![], Some(RigTime::from_micros(1_010_000))));
    setup.run(9);
    assert_eq!(setup.told(), []);
    setup.run(1);
    assert_eq!(setup.told(), [applied(5, 1_010_000)]);
    assert_eq!(setup.board.done, [(1_010_000, Done::Contact(1, true))]);
}

#[test]
fn a_late_command_takes_effect_at_once_and_says_when() {
    let mut setup = Setup::running(LinkPacing::Free);
    setup.run(100);
    setup.contact(5, 1_010_000);
    assert_eq!(setup.told(), [applied(5, 1_100_000)]);
}

#[test]
fn commands_take_effect_in_the_order_of_their_instants_then_as_sent() {
    let mut setup = Setup::running(LinkPacing::Free);
    for (command, at) in [(1, 1_003_000), (2, 1_002_000), (3, 1_003_000), (4, 1_001_000)] {
        setup.contact(command, at);
    }
    setup.run(3);
    assert_eq!(
        setup.told(),
        [applied(4, 1_001_000), applied(2, 1_002_000), applied(1, 1_003_000), applied(3, 1_003_000)]
    );
}

#[test]
fn a_late_voltage_is_still_on_the_line_that_was_meant() {
    let mut setup = Setup::running(LinkPacing::Free);
    setup.run(100);
    setup.voltage(0, 1_000_000, 3_000_000);
    let drive = setup.rig.outputs().drives[0];
    assert_eq!(drive.nanovolts_at(RigTime::from_micros(2_000_000)), Some(1_000_500));
}

#[test]
fn more_commands_than_the_queue_holds_are_refused_by_number() {
    let mut setup = Setup::running(LinkPacing::Free);
    for command in 0..34 {
        setup.contact(command, 9_000_000);
    }
    let refused = |command| RigMessage::Refused { command: Some(command), why: Refusal::QueueFull };
    assert_eq!(setup.told(), [refused(32), refused(33)]);
}

#[test]
fn any_number_of_commands_for_now_is_taken_at_once() {
    let mut setup = Setup::running(LinkPacing::Free);
    for command in 0..100 {
        let (at, closed) = (RigTime::from_micros(1_000_000), command % 2 == 0);
        setup.host.send(&HostMessage::Contact { command, at, output: 1, closed }).expect("room");
    }
    setup.turn();
    assert_eq!(setup.told(), (0..100).map(|command| applied(command, 1_000_000)).collect::<Vec<_>>());
}

#[rstest]
#[case(HostMessage::Probe { command: 4, at: RigTime::ZERO, channel: 2, drive: ProbeDrive::Short })]
#[case(HostMessage::Contact { command: 4, at: RigTime::ZERO, output: 2, closed: true })]
fn what_the_board_does_not_have_is_refused(#[case] message: HostMessage) {
    let mut setup = Setup::running(LinkPacing::Free);
    setup.say(message);
    assert_eq!(setup.told(), [RigMessage::Refused { command: Some(4), why: Refusal::NoSuch }]);
}

#[test]
fn commands_without_a_run_are_refused() {
    let mut setup = Setup::running(LinkPacing::Free);
    setup.say(HostMessage::End);
    setup.contact(4, 0);
    assert_eq!(setup.told(), [RigMessage::Refused { command: Some(4), why: Refusal::NoRun }]);
}

#[test]
fn a_set_point_after_the_one_before_ran_out_counts_once_as_late() {
    let mut setup = Setup::running(LinkPacing::Free);
    setup.voltage(0, 1_000_000, 1_010_000);
    setup.run(9);
    setup.voltage(1, 1_009_000, 1_020_000);
    setup.run(30);
    assert_eq!(setup.rig.counters().late_setpoints, 0);
    setup.voltage(2, 1_019_000, 1_060_000);
    assert_eq!(setup.rig.counters().late_setpoints, 1);
    setup.voltage(3, 1_040_000, 1_090_000);
    setup.run(30);
    assert_eq!(setup.rig.counters().late_setpoints, 1);
    assert_eq!(setup.heartbeat().counters.late_setpoints, 1);
}

#[test]
fn edges_keep_the_instants_and_the_order_in_which_they_were_sensed() {
    let mut setup = Setup::running(LinkPacing::Free);
    setup.now += 500;
    setup.edge(1_000_100, 2, true);
    setup.edge(1_000_300, 2, false);
    setup.edge(1_000_300, 0, true);
    setup.turn();
    assert_eq!(setup.told(), [edge(0, 1_000_100, 2, true), edge(1, 1_000_300, 2, false), edge(2, 1_000_300, 0, true)]);
    setup.run(25);
    assert_eq!((setup.heartbeat().edges, setup.heartbeat().counters.lost_edges), (3, 0));
}

#[test]
fn inputs_that_are_high_when_a_run_begins_are_told_as_edges_at_its_beginning() {
    let mut setup = Setup::with(CAPABILITIES);
    setup.edge(500, 3, true);
    setup.edge(600, 1, true);
    setup.edge(700, 1, false);
    setup.rig.handle_supply_rail(RigTime::from_micros(800), true);
    setup.say(HostMessage::Hello { protocol: PROTOCOL });
    setup.say(HostMessage::Begin(begin(LinkPacing::Free)));
    assert_eq!(
        setup.told()[1..],
        [
            RigMessage::Began { run: 3, origin: RigTime::from_micros(1_000_000) },
            RigMessage::SupplyRail { at: RigTime::from_micros(1_000_000), on: true },
            edge(0, 1_000_000, 3, true),
        ]
    );
}

#[test]
fn a_board_that_starts_its_controller_anew_gives_the_levels_itself() {
    let mut setup = Setup::with(CAPABILITIES);
    setup.edge(500, 3, true);
    setup.board.levels = Some(0b0100);
    setup.say(HostMessage::Hello { protocol: PROTOCOL });
    setup.say(HostMessage::Begin(begin(LinkPacing::Free)));
    assert_eq!(setup.told()[2..], [edge(0, 1_000_000, 2, true)]);
}

#[test]
fn a_missed_edge_is_a_counted_loss_and_leaves_a_gap_in_the_numbers() {
    let mut setup = Setup::running(LinkPacing::Free);
    setup.now += 500;
    setup.edge(1_000_100, 2, true);
    setup.edge(1_000_200, 2, true);
    setup.edge(1_000_300, 2, false);
    setup.run(25);
    assert_eq!(setup.told(), [edge(0, 1_000_100, 2, true), edge(2, 1_000_300, 2, false)]);
    assert_eq!((setup.heartbeat().edges, setup.heartbeat().counters.lost_edges), (3, 1));
}

#[test]
fn edges_wait_out_a_dead_link_and_what_is_too_much_is_counted() {
    let mut setup = Setup::running(LinkPacing::Free);
    setup.connected = false;
    let mut number = 0u32;
    // Far more than the link's window and the ring of 64 can hold.
    for _ in 0..100 {
        for _ in 0..10 {
            setup.now += 10;
            let (at, high) = (setup.now, number.is_multiple_of(2));
            setup.edge(at, 1, high);
            number += 1;
        }
        setup.link += 100;
        setup.turn();
    }
    let lost = setup.rig.counters().lost_edges;
    assert!(lost > 0 && lost < 1_000 - 64, "{lost}");
    setup.connected = true;
    setup.run(400);
    let told: Vec<u32> = setup.heard.iter().flat_map(edges_of).map(|edge| edge.index).collect();
    assert!(told.is_sorted());
    assert_eq!(told.len() as u32 + lost, number);
    assert_eq!((setup.heartbeat().edges, setup.heartbeat().counters.lost_edges), (number, lost));
}

#[test]
fn an_outage_within_what_ring_and_window_hold_loses_nothing() {
    let mut setup = Setup::running(LinkPacing::Free);
    setup.connected = false;
    for number in 0..60 {
        setup.now += 1_000;
        setup.link += 1_000;
        let at = setup.now;
        setup.edge(at, 1, number % 2 == 0);
        setup.turn();
    }
    setup.connected = true;
    setup.run(300);
    let edges = setup.heard.iter().flat_map(edges_of).count();
    assert_eq!((edges, setup.heartbeat().counters.lost_edges), (60, 0));
    assert!(!setup.rig.is_safe());
}

/// As many as three inputs of 10 kHz bring in 0.8 ms: 50 µs apart on each, and not in step.
#[test]
fn edges_that_wait_together_share_messages() {
    let mut setup = Setup::running(LinkPacing::Free);
    setup.heard.clear();
    let begins = setup.now;
    for number in 0..48 {
        setup.now = begins + 17 * (number + 1);
        let at = setup.now;
        setup.edge(at, (number % 3) as u8, number / 3 % 2 == 0);
    }
    setup.run(10);
    let messages = setup.heard.iter().filter(|message| !edges_of(message).is_empty()).count();
    let wanted: Vec<RigMessage> = (0..48)
        .map(|number| edge(number as u32, begins + 17 * (number + 1), (number % 3) as u8, number / 3 % 2 == 0))
        .collect();
    assert_eq!(setup.told(), wanted);
    assert!(messages <= 2, "{messages}");
}

#[test]
fn it_never_claims_more_than_it_has_handed_over() {
    let mut setup = Setup::running(LinkPacing::Free);
    setup.connected = false;
    let mut number = 0u32;
    for _ in 0..60 {
        for _ in 0..20 {
            setup.now += 50;
            let at = setup.now;
            setup.edge(at, 1, number.is_multiple_of(2));
            number += 1;
        }
        setup.link += 1_000;
        setup.turn();
        if number > 12 * WINDOW as u32 {
            setup.connected = true;
        }
    }
    setup.run(500);
    // In the order in which the host hears it: after each claim nothing at or before it.
    let mut claimed = RigTime::ZERO;
    for message in &setup.heard {
        match message {
            RigMessage::Heartbeat(beat) => {
                assert!(beat.complete_until >= claimed && beat.complete_until <= beat.now);
                claimed = beat.complete_until;
            }
            RigMessage::Edges(edges) => {
                assert!(edges.iter().all(|edge| edge.at > claimed), "{edges:?} after {claimed:?}")
            }
            _ => {}
        }
    }
    assert!(claimed >= RigTime::from_micros(setup.now - 25 * MS));
}

#[test]
fn an_edge_behind_what_was_claimed_is_a_counted_loss() {
    let mut setup = Setup::running(LinkPacing::Free);
    setup.run(30);
    let claimed = setup.heartbeat().complete_until.as_micros();
    setup.edge(claimed - 5, 1, true);
    setup.turn();
    assert_eq!((setup.told(), setup.rig.counters().lost_edges), (vec![], 1));
}

#[test]
fn an_edge_in_the_very_microsecond_of_a_claim_is_not_lost_on_a_running_clock() {
    let mut setup = Setup::running(LinkPacing::Free);
    setup.run(25);
    let claim = setup.heartbeat();
    // The board read its clock, told what it had, and the edge came in the same microsecond.
    let at = claim.now.as_micros();
    setup.now = setup.now.max(at) + 300;
    setup.edge(at, 1, true);
    setup.turn();
    assert_eq!((setup.told(), setup.rig.counters().lost_edges), (vec![edge(0, at, 1, true)], 0));
    assert!(claim.complete_until < claim.now);
}

#[test]
fn console_text_is_cut_at_line_ends_and_carries_the_instant_of_the_last_byte() {
    let mut setup = Setup::running(LinkPacing::Free);
    setup.now += 10 * MS;
    for (at, text) in [(1_001_000, "tem"), (1_002_000, "p 20\nsta"), (1_003_000, "te idle\n")] {
        setup.rig.handle_console(RigTime::from_micros(at), text.as_bytes());
    }
    setup.turn();
    let line = |at, text: &str| RigMessage::Console {
        at: RigTime::from_micros(at),
        chunk: heapless::Vec::from_slice(text.as_bytes()).expect("fits"),
    };
    assert_eq!(setup.told(), [line(1_002_000, "temp 20\n"), line(1_003_000, "state idle\n")]);
}

#[test]
fn a_controller_that_writes_too_much_is_counted() {
    let mut setup = Setup::running(LinkPacing::Free);
    setup.connected = false;
    for _ in 0..2_000 {
        setup.now += 10;
        let at = RigTime::from_micros(setup.now);
        setup.rig.handle_console(at, b"0123456789\n");
        setup.rig_turn();
    }
    setup.connected = true;
    setup.run(400);
    let told: usize = setup
        .heard
        .iter()
        .map(|message| if let RigMessage::Console { chunk, .. } = message { chunk.len() } else { 0 })
        .sum();
    let lost = setup.heartbeat().counters.lost_console_bytes;
    assert!(lost > 0);
    assert_eq!(told + lost as usize, 22_000);
}

#[test]
fn console_pieces_reach_the_controller_and_the_last_one_is_acknowledged() {
    let mut setup = Setup::running(LinkPacing::Free);
    let at = RigTime::from_micros(1_005_000);
    for (last, text) in [(false, "start "), (true, "now\n")] {
        let chunk = heapless::Vec::from_slice(text.as_bytes()).expect("fits");
        setup.say(HostMessage::Console { command: 8, at, last, chunk });
    }
    setup.run(5);
    assert_eq!(
        setup.board.done,
        [(1_005_000, Done::Console(b"start ".to_vec())), (1_005_000, Done::Console(b"now\n".to_vec()))]
    );
    assert_eq!(setup.told(), [applied(8, 1_005_000)]);
}

#[test]
fn a_silent_host_means_probes_open_contacts_as_declared_and_supply_as_declared() {
    let mut setup = Setup::running(LinkPacing::Free);
    setup.voltage(0, 1_000_000, 9_000_000);
    setup.contact(1, 5_000_000);
    setup.run(50);
    setup.board.done.clear();
    setup.connected = false;
    setup.run(505);
    let at = setup.board.done[0].0;
    assert!((1_500_000..=1_551_000).contains(&at), "{at}");
    let done: Vec<_> = setup.board.done.iter().map(|(_, done)| done.clone()).collect();
    assert_eq!(
        done,
        [
            Done::Probe(0, ProbeDrive::Open),
            Done::Probe(1, ProbeDrive::Open),
            Done::Contact(0, false),
            Done::Contact(1, true),
            Done::Supply(false),
        ]
    );

    // The host is back: the rig says so, stays, and takes no command.
    setup.connected = true;
    setup.run(300);
    assert!(setup.heartbeat().safe && setup.rig.is_safe());
    setup.contact(2, 0);
    assert!(setup.heard.contains(&RigMessage::Refused { command: Some(2), why: Refusal::NoRun }));
    setup.run(5_000);
    assert!(setup.rig.is_safe());
    assert_eq!(setup.board.done.len(), 5, "the scheduled contact is gone");

    setup.say(HostMessage::Begin(begin(LinkPacing::Free)));
    assert!(!setup.rig.is_safe());
}

#[test]
fn a_host_that_only_acknowledges_is_not_silent() {
    let mut setup = Setup::running(LinkPacing::Free);
    setup.run(3_000);
    assert!(!setup.rig.is_safe());
}

#[test]
fn silence_counts_in_link_time_also_while_a_stepped_clock_stands_still() {
    let mut setup = Setup::running(LinkPacing::Stepped);
    setup.connected = false;
    for _ in 0..600 {
        setup.link += 1_000;
        setup.turn();
    }
    assert!(setup.rig.is_safe());
}

/// A board whose bytes nobody takes sleeps until then and no longer.
#[test]
fn a_board_that_cannot_send_knows_when_the_host_will_have_been_silent_for_too_long() {
    let mut setup = Setup::running(LinkPacing::Free);
    setup.connected = false;
    let due = setup.rig.next_silence_due().expect("the host may fall silent").as_micros();
    assert!(due > setup.link && due <= setup.link + 500_000, "{due} µs, and it is {} µs", setup.link);
    setup.now += (due - setup.link) as i64;
    setup.link = due;
    setup.turn();
    assert!(!setup.rig.is_safe(), "not a microsecond too early");
    setup.link += 1;
    setup.now += 1;
    setup.turn();
    assert!(setup.rig.is_safe());
    assert_eq!(setup.rig.next_silence_due(), None, "nothing more to be noticed");
}

#[test]
fn a_stepped_rig_stops_at_its_grant_and_says_so_at_once() {
    let mut setup = Setup::running(LinkPacing::Stepped);
    assert_eq!(setup.rig.horizon(), RigTime::from_micros(1_000_000));
    setup.contact(0, 1_100_000);
    setup.say(HostMessage::Grant { until: RigTime::from_micros(1_200_000) });
    assert_eq!(setup.rig.horizon(), RigTime::from_micros(1_200_000));
    setup.heard.clear();
    setup.now = 1_100_000;
    setup.turn();
    assert_eq!(setup.heard, [applied(0, 1_100_000)]);
    setup.now = 1_200_000;
    setup.turn();
    assert_eq!(setup.heartbeat().complete_until, RigTime::from_micros(1_200_000));
    // A smaller grant takes nothing back.
    setup.say(HostMessage::Grant { until: RigTime::from_micros(1_400_000) });
    setup.say(HostMessage::Grant { until: RigTime::from_micros(1_300_000) });
    assert_eq!(setup.rig.horizon(), RigTime::from_micros(1_400_000));
}

#[test]
fn what_a_command_does_at_the_instant_of_the_watermark_is_told() {
    let mut setup = Setup::running(LinkPacing::Stepped);
    setup.say(HostMessage::Supply { command: 0, at: RigTime::from_micros(1_000_000), on: false });
    setup.edge(1_000_000, 0, true);
    setup.turn();
    assert_eq!(setup.told(), [applied(0, 1_000_000), edge(0, 1_000_000, 0, true)]);
    assert_eq!(setup.rig.counters().lost_edges, 0);
}

#[test]
fn between_runs_a_stepped_clock_stands_still_and_a_free_one_knows_no_horizon() {
    let mut setup = Setup::running(LinkPacing::Stepped);
    setup.say(HostMessage::Grant { until: RigTime::from_micros(7_000_000) });
    setup.say(HostMessage::End);
    assert_eq!(setup.rig.horizon(), RigTime::from_micros(1_000_000));
    let free = Setup::with(Capabilities { stepped: false, ..CAPABILITIES });
    assert_eq!(free.rig.horizon(), RigTime::FAR_FUTURE);
    assert_eq!(Setup::running(LinkPacing::Free).rig.horizon(), RigTime::FAR_FUTURE);
}

#[test]
fn a_run_with_the_supply_cycled_begins_when_the_supply_comes_back() {
    let mut setup = Setup::with(CAPABILITIES);
    setup.say(HostMessage::Hello { protocol: PROTOCOL });
    setup.board.done.clear();
    setup.say(HostMessage::Begin(Begin { supply_off_ms: 20, ..begin(LinkPacing::Free) }));
    assert!(setup.board.done.contains(&(1_000_000, Done::Supply(false))));
    assert!(!setup.rig.is_running());
    setup.run(19);
    assert_eq!(setup.told().len(), 1, "only the welcome so far");
    setup.run(1);
    assert_eq!(setup.told()[1..], [RigMessage::Began { run: 3, origin: RigTime::from_micros(1_020_000) }]);
    assert_eq!(setup.board.done.last(), Some(&(1_020_000, Done::Supply(true))));
}

#[rstest]
#[case::the_rail_rises(Some(3), 1_003_000, true)]
#[case::the_rail_never_rises(None, 2_000_000, false)]
fn a_run_begins_when_the_rail_has_risen_or_a_second_later(
    #[case] rises_after_ms: Option<u64>,
    #[case] origin: i64,
    #[case] on: bool,
) {
    let mut setup = Setup::with(CAPABILITIES);
    setup.rig.handle_supply_rail(RigTime::from_micros(0), false);
    setup.say(HostMessage::Hello { protocol: PROTOCOL });
    setup.say(HostMessage::Begin(begin(LinkPacing::Free)));
    for millis in 0..1_000 {
        if rises_after_ms == Some(millis) {
            setup.rig.handle_supply_rail(RigTime::from_micros(setup.now), true);
            setup.turn();
            break;
        }
        setup.run(1);
        // A host that waits is not silent.
        setup.host.nudge();
    }
    let at = RigTime::from_micros(origin);
    assert_eq!(setup.told()[1..], [RigMessage::Began { run: 3, origin: at }, RigMessage::SupplyRail { at, on }]);
}

#[test]
fn the_end_of_a_run_opens_the_probes_and_puts_the_contacts_to_rest() {
    let mut setup = Setup::running(LinkPacing::Free);
    setup.voltage(0, 1_000_000, 9_000_000);
    setup.contact(1, 1_000_000);
    setup.board.done.clear();
    setup.say(HostMessage::End);
    assert_eq!(
        setup.board.done,
        [
            (1_000_000, Done::Probe(0, ProbeDrive::Open)),
            (1_000_000, Done::Probe(1, ProbeDrive::Open)),
            (1_000_000, Done::Contact(0, true)),
            (1_000_000, Done::Contact(1, false)),
        ]
    );
    assert!(setup.rig.outputs().supply);
}

#[test]
fn a_new_run_counts_from_nothing() {
    let mut setup = Setup::running(LinkPacing::Free);
    setup.now += 500;
    setup.edge(1_000_100, 2, true);
    setup.edge(1_000_200, 2, true);
    setup.run(30);
    setup.say(HostMessage::Begin(begin(LinkPacing::Free)));
    setup.heard.clear();
    setup.now += 500;
    let at = setup.now;
    setup.edge(at, 2, false);
    setup.run(30);
    assert!(setup.heard.contains(&edge(1, at, 2, false)), "number 0 is the level at the beginning");
    assert_eq!(setup.heartbeat().counters.lost_edges, 0);
}

#[test]
fn a_new_host_ends_what_the_old_one_had_begun() {
    let mut setup = Setup::running(LinkPacing::Free);
    setup.voltage(0, 1_000_000, 9_000_000);
    setup.host.open(2);
    setup.say(HostMessage::Hello { protocol: PROTOCOL });
    assert!(setup.rig.is_safe() && !setup.rig.is_running());
    assert_eq!(setup.rig.outputs().drives[0].nanovolts_at(RigTime::ZERO), None);
}

#[test]
fn the_watermark_goes_on_where_a_32_bit_microsecond_clock_wraps() {
    let mut setup = Setup::with(CAPABILITIES);
    let wrap = 1i64 << 32;
    setup.now = wrap - 50 * MS;
    setup.say(HostMessage::Hello { protocol: PROTOCOL });
    setup.say(HostMessage::Begin(begin(LinkPacing::Free)));
    setup.contact(0, wrap + 10 * MS);
    setup.run(49);
    setup.now = wrap + 1;
    setup.edge(wrap - 1, 0, true);
    setup.edge(wrap, 0, false);
    setup.run(100);
    let told = setup.told();
    assert!(told.contains(&edge(0, wrap - 1, 0, true)) && told.contains(&edge(1, wrap, 0, false)), "{told:?}");
    assert!(setup.heartbeat().complete_until > RigTime::from_micros(wrap) + RigSpan::from_millis(50));
}

fn calibration() -> Calibration {
    Calibration {
        date: 20_261_125,
        instrument: *b"6.5 digit meter\0",
        scales: [ChannelScale { lowest_nanovolts: -10_020_000, span_nanovolts: 90_100_000 }; 3],
        uncertainty_nanovolts: [3_000; 3],
    }
}

fn store(page: &[u8]) -> HostMessage {
    HostMessage::StoreCalibration { page: page.iter().copied().collect() }
}

fn greeted() -> Setup {
    let mut setup = Setup::with(CAPABILITIES);
    setup.say(HostMessage::Hello { protocol: PROTOCOL });
    setup
}

#[test]
fn a_calibration_is_kept_between_runs_and_told_as_it_was_found() {
    let mut setup = greeted();
    setup.say(HostMessage::ReadCalibration);
    let nothing = RigMessage::CalibrationPage { page: Default::default() };
    assert!(setup.heard.contains(&nothing), "{:?}", setup.heard);
    setup.heard.clear();
    setup.say(store(&calibration().encode()));
    let state = CalibrationState::Stored { date: 20_261_125, uncertainty_nanovolts: 3_000 };
    assert!(setup.heard.contains(&RigMessage::Calibration { state }), "{:?}", setup.heard);
    setup.say(HostMessage::ReadCalibration);
    let page = calibration().encode().into_iter().collect();
    assert!(setup.heard.contains(&RigMessage::CalibrationPage { page }), "{:?}", setup.heard);
    // The next host is told too.
    setup.heard.clear();
    setup.say(HostMessage::Hello { protocol: PROTOCOL });
    assert!(setup.heard.contains(&RigMessage::Calibration { state }), "{:?}", setup.heard);
}

#[test]
fn a_calibration_that_memory_did_not_keep_is_told_as_damaged() {
    let mut setup = greeted();
    setup.board.worn_out = true;
    setup.say(store(&calibration().encode()));
    let damaged = RigMessage::Calibration { state: CalibrationState::Damaged };
    assert!(setup.heard.contains(&damaged), "{:?}", setup.heard);
}

#[test]
fn a_damaged_calibration_is_refused_and_so_is_any_during_a_run() {
    let mut setup = greeted();
    let mut page = calibration().encode();
    page[9] ^= 1;
    for bytes in [&page[..], &page[..63], &[0xff; 64], &[]] {
        setup.heard.clear();
        setup.say(store(bytes));
        let refused = RigMessage::Refused { command: None, why: Refusal::Malformed };
        assert!(setup.heard.contains(&refused), "{bytes:?} {:?}", setup.heard);
    }
    assert_eq!(setup.board.page, None);
    let mut setup = Setup::running(LinkPacing::Free);
    for message in [store(&calibration().encode()), HostMessage::Hang] {
        setup.heard.clear();
        setup.say(message);
        let refused = RigMessage::Refused { command: None, why: Refusal::RunGoesOn };
        assert!(setup.heard.contains(&refused), "{:?}", setup.heard);
    }
    assert_eq!(setup.board.page, None);
    assert!(!setup.board.hung);
    setup.say(HostMessage::End);
    setup.say(HostMessage::Hang);
    assert!(setup.board.hung);
}

const PLAYED: PlayedConverter =
    PlayedConverter { part: ConverterPart::FourteenBit, thermocouple: b'K', cold_junction_millicelsius: 25_000 };

fn play(channel: u8, converter: PlayedConverter) -> HostMessage {
    HostMessage::PlayConverter { channel, converter: Some(converter) }
}

#[test]
fn a_channel_plays_a_converter_through_runs_and_the_safe_state_until_the_next_host_comes() {
    let mut setup = Setup::with(CAPABILITIES);
    setup.say(HostMessage::Hello { protocol: PROTOCOL });
    setup.say(play(1, PLAYED));
    assert!(setup.heard.contains(&RigMessage::Playing { channel: 1, converter: true }), "{:?}", setup.heard);
    setup.say(HostMessage::Begin(begin(LinkPacing::Free)));
    setup.say(HostMessage::Safe);
    setup.say(HostMessage::End);
    assert_eq!(setup.rig.outputs().converters, 0b10);
    assert_eq!(setup.rig.outputs().drives[1].signal(), ProbeDrive::Open);
    setup.board.done.clear();
    setup.say(HostMessage::Hello { protocol: PROTOCOL });
    assert_eq!(setup.rig.outputs().converters, 0);
    let told: Vec<&Done> = setup.board.done.iter().map(|(_, done)| done).collect();
    assert!(told.contains(&&Done::Converter(1, false)) && !told.contains(&&Done::Converter(0, false)), "{told:?}");
}

#[test]
fn a_converter_that_there_is_not_or_that_comes_in_a_run_is_refused() {
    let mut setup = Setup::with(CAPABILITIES);
    setup.say(HostMessage::Hello { protocol: PROTOCOL });
    for (message, why) in [
        (play(2, PLAYED), Refusal::NoSuch),
        (play(0, PlayedConverter { thermocouple: b'B', ..PLAYED }), Refusal::NoSuch),
    ] {
        setup.heard.clear();
        setup.say(message);
        assert!(setup.heard.contains(&RigMessage::Refused { command: None, why }), "{:?}", setup.heard);
    }
    setup.say(HostMessage::Begin(begin(LinkPacing::Free)));
    setup.heard.clear();
    setup.say(play(0, PLAYED));
    let refused = RigMessage::Refused { command: None, why: Refusal::RunGoesOn };
    assert!(setup.heard.contains(&refused), "{:?}", setup.heard);
    assert_eq!(setup.rig.outputs().converters, 0);
}

#[test]
fn the_cold_junction_of_what_is_played_can_be_warmed_and_of_nothing_cannot() {
    let mut setup = Setup::with(CAPABILITIES);
    setup.say(HostMessage::Hello { protocol: PROTOCOL });
    setup.say(play(0, PLAYED));
    setup.say(HostMessage::Begin(begin(LinkPacing::Free)));
    let at = RigTime::from_micros(setup.now);
    setup.say(HostMessage::ColdJunction { command: 4, at, millicelsius: 60_000 });
    assert!(setup.board.done.contains(&(setup.now, Done::ColdJunction(60_000))), "{:?}", setup.board.done);
    assert!(setup.heard.contains(&RigMessage::Applied { command: 4, at }), "{:?}", setup.heard);

    let mut setup = Setup::running(LinkPacing::Free);
    setup.say(HostMessage::ColdJunction { command: 4, at, millicelsius: 60_000 });
    let refused = RigMessage::Refused { command: Some(4), why: Refusal::NoSuch };
    assert!(setup.heard.contains(&refused), "{:?}", setup.heard);
}

#[test]
fn the_cold_junction_is_told_in_runs_to_a_host_that_asked_and_to_no_other() {
    let mut setup = Setup::with(CAPABILITIES);
    setup.say(HostMessage::Hello { protocol: PROTOCOL });
    setup.rig.handle_cold_junction(RigTime::from_micros(setup.now), Some(21_500));
    let told = |setup: &Setup| -> Vec<Option<i32>> {
        let readings = setup.heard.iter().filter_map(|message| match message {
            RigMessage::ColdJunction { millicelsius, .. } => Some(*millicelsius),
            _ => None,
        });
        readings.collect()
    };
    setup.say(HostMessage::Begin(begin(LinkPacing::Free)));
    setup.rig.handle_cold_junction(RigTime::from_micros(setup.now), Some(21_600));
    setup.turn();
    assert_eq!(told(&setup), [], "nobody asked");
    setup.say(HostMessage::MeasureColdJunction { on: true });
    let refused = RigMessage::Refused { command: None, why: Refusal::RunGoesOn };
    assert!(setup.heard.contains(&refused), "{:?}", setup.heard);
    setup.say(HostMessage::End);
    setup.say(HostMessage::MeasureColdJunction { on: true });
    assert_eq!(told(&setup), [Some(21_600)], "the last reading");
    setup.rig.handle_cold_junction(RigTime::from_micros(setup.now), Some(21_700));
    setup.turn();
    assert_eq!(told(&setup), [Some(21_600)], "no run goes on");
    setup.say(HostMessage::Begin(begin(LinkPacing::Free)));
    for reading in [Some(21_800), None, Some(21_900)] {
        setup.rig.handle_cold_junction(RigTime::from_micros(setup.now), reading);
        setup.turn();
    }
    assert_eq!(told(&setup), [Some(21_600), Some(21_800), None, Some(21_900)]);
    // Another host comes, which does not ask.
    setup.say(HostMessage::Hello { protocol: PROTOCOL });
    setup.say(HostMessage::Begin(begin(LinkPacing::Free)));
    setup.heard.clear();
    setup.rig.handle_cold_junction(RigTime::from_micros(setup.now), Some(22_000));
    setup.turn();
    assert_eq!(told(&setup), []);
}

#[test]
fn a_board_without_a_sensor_refuses_to_measure_the_cold_junction() {
    let mut setup = Setup::with(CAPABILITIES);
    setup.say(HostMessage::Hello { protocol: PROTOCOL });
    setup.say(HostMessage::MeasureColdJunction { on: true });
    let refused = RigMessage::Refused { command: None, why: Refusal::NoSuch };
    assert!(setup.heard.contains(&refused), "{:?}", setup.heard);
}

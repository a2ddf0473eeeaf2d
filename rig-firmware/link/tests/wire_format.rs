//! The byte examples of `docs/wire-format.md`, checked both ways: what the page
//! shows is what the code writes, and reads back.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use dryfire_link::frame::{FrameKind, Header, MAX_FRAME, MAX_PAYLOAD, Origin, decode, encode};
use dryfire_link::{
    Begin, CalibrationState, Capabilities, ConverterPart, Counters, Edge, Edges, Heartbeat, HostMessage, Limits,
    LinkPacing, PlayedConverter, ProbeDisturbance, ProbeDrive, Refusal, RigMessage, StartReason, Welcome, session_of,
};
use dryfire_units::RigTime;

fn page() -> String {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../docs/wire-format.md");
    #[expect(clippy::disallowed_methods, reason = "the page is what is tested")]
    std::fs::read_to_string(path).expect("the page is there")
}

/// The lines `name: bytes` of all ```` ```hex ```` blocks whose first line is `# kind`.
fn examples(kind: &str) -> BTreeMap<String, Vec<u8>> {
    let page = page();
    let mut found = BTreeMap::new();
    for block in page.split("```hex\n").skip(1) {
        let block = block.split("```").next().expect("a block");
        let mut lines = block.lines();
        if lines.next().and_then(|line| line.strip_prefix("# ")) != Some(kind) {
            continue;
        }
        for line in lines.filter(|line| !line.trim().is_empty()) {
            let (name, bytes) = line.split_once(':').unwrap_or_else(|| panic!("no name in {line:?}"));
            let bytes = bytes
                .split_whitespace()
                .map(|byte| u8::from_str_radix(byte, 16).unwrap_or_else(|_| panic!("{byte:?} in {line:?}")))
                .collect();
            assert!(found.insert(name.trim().to_owned(), bytes).is_none(), "{name} is there twice");
        }
    }
    found
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::new(), |mut text, byte| {
        let _ = write!(text, "{byte:02x} ");
        text
    })
}

fn at(micros: i64) -> RigTime {
    RigTime::from_micros(micros)
}

fn chunk(text: &str) -> heapless::Vec<u8, { dryfire_link::CONSOLE_CHUNK }> {
    heapless::Vec::from_slice(text.as_bytes()).expect("short")
}

/// As it begins; that the rest makes sense is not the link's business.
fn page_of_calibration() -> heapless::Vec<u8, { dryfire_link::CALIBRATION_PAGE }> {
    b"DFK1".iter().copied().chain([0; 60]).collect()
}

fn word(text: &str) -> heapless::String<24> {
    heapless::String::try_from(text).expect("short")
}

fn host_messages() -> BTreeMap<&'static str, HostMessage> {
    let begin = Begin {
        run: 1,
        seed: 300,
        ambient_millicelsius: 20_000,
        pacing: LinkPacing::Stepped,
        silence_ms: 500,
        supply_off_ms: 0,
        closed_at_rest: 0b01,
        closed_when_safe: 0b10,
        supply_when_safe: true,
    };
    let disturbance = ProbeDisturbance {
        seed: 300,
        noise_nanovolts: 12_000,
        noise_every_ms: 100,
        spike_nanovolts: -12_000_000,
        spike_ms: 200,
        spike_every_ms: 10_000,
        open_ms: 0,
        closed_ms: 1,
        hum_nanovolts: 1_500,
        hum_millihertz: 50_000,
    };
    let voltage =
        ProbeDrive::Voltage { nanovolts: 4_096_000, nanovolts_per_second: -1_500, valid_until: at(1_400_000) };
    let played =
        PlayedConverter { part: ConverterPart::TwelveBit, thermocouple: b'K', cold_junction_millicelsius: 20_000 };
    BTreeMap::from([
        ("hello", HostMessage::Hello { protocol: 2 }),
        ("begin", HostMessage::Begin(begin)),
        ("begin free", HostMessage::Begin(Begin { pacing: LinkPacing::Free, supply_off_ms: 2_000, ..begin })),
        ("probe voltage", HostMessage::Probe { command: 0, at: at(1_000_000), channel: 0, drive: voltage }),
        ("probe open", HostMessage::Probe { command: 1, at: at(1_000_000), channel: 1, drive: ProbeDrive::Open }),
        ("probe short", HostMessage::Probe { command: 2, at: at(1_000_000), channel: 1, drive: ProbeDrive::Short }),
        (
            "probe short to ground",
            HostMessage::Probe { command: 6, at: at(1_000_000), channel: 1, drive: ProbeDrive::ShortToGround },
        ),
        (
            "probe short to supply",
            HostMessage::Probe { command: 7, at: at(1_000_000), channel: 1, drive: ProbeDrive::ShortToSupply },
        ),
        ("disturb", HostMessage::Disturb { command: 8, at: at(1_000_000), channel: 1, disturbance }),
        ("contact", HostMessage::Contact { command: 3, at: at(1_000_000), output: 1, closed: true }),
        ("supply", HostMessage::Supply { command: 4, at: at(2_500_000), on: false }),
        ("console", HostMessage::Console { command: 5, at: at(1_000_000), last: true, chunk: chunk("hi\n") }),
        ("grant", HostMessage::Grant { until: at(1_200_000) }),
        ("end", HostMessage::End),
        ("safe", HostMessage::Safe),
        ("read calibration", HostMessage::ReadCalibration),
        ("store calibration", HostMessage::StoreCalibration { page: page_of_calibration() }),
        ("hang", HostMessage::Hang),
        ("play converter", HostMessage::PlayConverter { channel: 1, converter: Some(played) }),
        (
            "play registers",
            HostMessage::PlayConverter {
                channel: 1,
                converter: Some(PlayedConverter { part: ConverterPart::Linearised, ..played }),
            },
        ),
        ("play probe", HostMessage::PlayConverter { channel: 1, converter: None }),
        ("measure cold junction", HostMessage::MeasureColdJunction { on: true }),
        ("cold junction", HostMessage::ColdJunction { command: 9, at: at(1_000_000), millicelsius: -5_000 }),
    ])
}

fn edge(index: u32, micros: i64, input: u8, high: bool) -> Edge {
    Edge { index, at: RigTime::from_micros(micros), input, high }
}

fn three_edges() -> Edges {
    let mut edges = Edges::new(&edge(200, 1_050_000, 2, true));
    assert!(edges.push(&edge(201, 1_050_050, 2, false)) && edges.push(&edge(202, 1_060_000, 7, true)));
    edges
}

fn rig_messages() -> BTreeMap<&'static str, RigMessage> {
    let welcome = Welcome {
        protocol: 2,
        board: word("rp2040"),
        firmware: word("0.1.0"),
        boot_id: 7,
        capabilities: Capabilities {
            simulated: false,
            stepped: false,
            supply_switch: true,
            supply_rail: true,
            console: true,
            probe_channels: 3,
            inputs: 8,
            contacts: 4,
        },
        limits: Limits { edge_ring: 4_096, command_queue: 32, max_silence_ms: 1_000 },
    };
    let heartbeat = Heartbeat {
        now: at(1_200_000),
        complete_until: at(1_199_999),
        edges: 201,
        boot_id: 7,
        counters: Counters { lost_edges: 0, lost_console_bytes: 0, late_setpoints: 1, damaged_frames: 2 },
        safe: false,
    };
    let refused = |command, why| RigMessage::Refused { command, why };
    BTreeMap::from([
        ("welcome", RigMessage::Welcome(welcome)),
        ("began", RigMessage::Began { run: 1, origin: at(1_000_000) }),
        ("applied", RigMessage::Applied { command: 3, at: at(1_000_000) }),
        ("edge", RigMessage::Edges(Edges::new(&edge(200, 1_050_000, 2, true)))),
        ("three edges", RigMessage::Edges(three_edges())),
        ("supply rail", RigMessage::SupplyRail { at: at(1_000_000), on: true }),
        ("console", RigMessage::Console { at: at(1_000_000), chunk: chunk("ok\n") }),
        ("heartbeat", RigMessage::Heartbeat(heartbeat)),
        ("refused protocol", refused(None, Refusal::Protocol { expected: 2 })),
        ("refused no run", refused(Some(9), Refusal::NoRun)),
        ("refused no such", refused(Some(9), Refusal::NoSuch)),
        ("refused queue full", refused(Some(9), Refusal::QueueFull)),
        ("refused not stepped", refused(None, Refusal::NotStepped)),
        ("refused silence", refused(None, Refusal::Silence { max_ms: 1_000 })),
        ("refused malformed", refused(None, Refusal::Malformed)),
        ("refused run goes on", refused(None, Refusal::RunGoesOn)),
        ("no calibration page", RigMessage::CalibrationPage { page: heapless::Vec::new() }),
        ("calibration page", RigMessage::CalibrationPage { page: page_of_calibration() }),
        ("playing", RigMessage::Playing { channel: 1, converter: true }),
        ("cold junction measured", RigMessage::ColdJunction { at: at(1_000_000), millicelsius: Some(23_450) }),
        ("cold junction unknown", RigMessage::ColdJunction { at: at(1_000_000), millicelsius: None }),
        ("started power", RigMessage::Started { why: StartReason::Power }),
        ("started watchdog", RigMessage::Started { why: StartReason::Watchdog }),
        ("started panic", RigMessage::Started { why: StartReason::Panic { line: 300 } }),
        ("started fault", RigMessage::Started { why: StartReason::Fault }),
        ("started supply dip", RigMessage::Started { why: StartReason::SupplyDip }),
        ("started reset line", RigMessage::Started { why: StartReason::ResetLine }),
        ("calibration missing", RigMessage::Calibration { state: CalibrationState::Missing }),
        ("calibration damaged", RigMessage::Calibration { state: CalibrationState::Damaged }),
        (
            "calibration stored",
            RigMessage::Calibration {
                state: CalibrationState::Stored { date: 20_261_125, uncertainty_nanovolts: 4_000 },
            },
        ),
    ])
}

fn check_messages<M>(kind: &str, messages: &BTreeMap<&'static str, M>)
where
    M: serde::Serialize + serde::de::DeserializeOwned + PartialEq + std::fmt::Debug,
{
    let shown = examples(kind);
    for (name, message) in messages {
        let mut buffer = [0u8; MAX_PAYLOAD];
        let written = postcard::to_slice(message, &mut buffer).expect("fits");
        let Some(bytes) = shown.get(*name) else { panic!("{kind}: the page lacks `{name}: {}`", hex(written)) };
        assert_eq!(hex(written), hex(bytes), "{kind}: {name}: {message:?}");
        let (read, rest) = postcard::take_from_bytes::<M>(bytes).expect("decodes");
        assert_eq!((&read, rest.len()), (message, 0), "{kind}: {name}");
    }
    for name in shown.keys() {
        assert!(messages.contains_key(name.as_str()), "{kind}: the page shows {name}, and no test knows it");
    }
}

#[test]
fn the_messages_of_the_host_are_as_the_page_shows() {
    check_messages("host messages", &host_messages());
}

#[test]
fn the_messages_of_the_rig_are_as_the_page_shows() {
    check_messages("rig messages", &rig_messages());
}

#[test]
fn whole_frames_are_as_the_page_shows() {
    let session = session_of(0x1122_3344, 0x5566_7788);
    let header = |origin, kind, session, seq, ack| Header { origin, kind, session, seq, ack };
    let frames = BTreeMap::from([
        ("open", (header(Origin::Host, FrameKind::Open, 0x1122_3344, 0, 0), vec![])),
        ("accept", (header(Origin::Rig, FrameKind::Accept, 0x1122_3344, 0x5566_7788, 7), vec![])),
        ("data with hello", (header(Origin::Host, FrameKind::Data, session, 0, 0), vec![0x00, 0x02])),
        ("data with end and safe", (header(Origin::Host, FrameKind::Data, session, 1, 1), vec![0x07, 0x08])),
        ("ack", (header(Origin::Rig, FrameKind::Ack, session, 1, 2), vec![])),
        ("missing", (header(Origin::Rig, FrameKind::Missing, session, 1, 2), vec![])),
        ("unknown", (header(Origin::Rig, FrameKind::Unknown, session, 0, 7), vec![])),
    ]);
    let shown = examples("frames");
    for (name, (header, payload)) in &frames {
        let mut out = [0u8; MAX_FRAME];
        let len = encode(header, payload, &mut out).expect("fits");
        let Some(bytes) = shown.get(*name) else { panic!("the page lacks `{name}: {}`", hex(&out[..len])) };
        assert_eq!(hex(&out[..len]), hex(bytes), "{name}");
        let (end, stuffed) = bytes.split_last().expect("not empty");
        let mut stuffed = stuffed.to_vec();
        let frame = decode(&mut stuffed).expect("a frame");
        assert_eq!((*end, &frame.header, frame.payload), (0, header, payload.as_slice()), "{name}");
    }
    assert_eq!(shown.len(), frames.len(), "a frame that no test knows");
}

#[test]
fn the_session_of_the_page_is_the_one_computed() {
    let shown = examples("session");
    for (name, nonces) in [("11223344 and 55667788", (0x1122_3344, 0x5566_7788)), ("00000001 and 00000002", (1, 2))] {
        let session = session_of(nonces.0, nonces.1).to_be_bytes();
        let Some(bytes) = shown.get(name) else { panic!("the page lacks `{name}: {}`", hex(&session)) };
        assert_eq!(hex(&session), hex(bytes), "{name}");
    }
}

#[test]
fn the_numbers_of_the_page_are_those_of_the_code() {
    let page = page();
    for (what, number) in [
        ("protocol", u64::from(dryfire_link::PROTOCOL)),
        ("window", dryfire_link::WINDOW as u64),
        ("largest frame", MAX_FRAME as u64),
        ("largest payload", MAX_PAYLOAD as u64),
        ("console chunk", dryfire_link::CONSOLE_CHUNK as u64),
        ("bytes of changes", dryfire_link::EDGE_BYTES as u64),
    ] {
        let line = format!("| {what} | {number} |");
        assert!(page.contains(&line), "the page lacks {line:?}");
    }
}

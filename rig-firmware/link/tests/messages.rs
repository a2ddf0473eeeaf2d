//! Messages: each comes back as it was, and the largest fits into a frame.

use dryfire_link::frame::MAX_PAYLOAD;
use dryfire_link::{
    Begin, CALIBRATION_PAGE, CONSOLE_CHUNK, Capabilities, ConverterPart, Counters, Edge, Edges, Heartbeat, HostMessage,
    Limits, LinkPacing, PlayedConverter, ProbeDisturbance, ProbeDrive, Refusal, RigMessage, Welcome,
};
use dryfire_units::RigTime;
use proptest::prelude::*;
use proptest::test_runner::RngSeed;

fn time() -> impl Strategy<Value = RigTime> {
    any::<i64>().prop_map(RigTime::from_micros)
}

fn chunk() -> impl Strategy<Value = heapless::Vec<u8, CONSOLE_CHUNK>> {
    prop::collection::vec(any::<u8>(), 0..=CONSOLE_CHUNK)
        .prop_map(|bytes| heapless::Vec::from_slice(&bytes).expect("within the limit"))
}

fn word() -> impl Strategy<Value = heapless::String<24>> {
    "[a-z0-9 .-]{0,24}".prop_map(|text| heapless::String::try_from(text.as_str()).expect("within the limit"))
}

fn begin() -> impl Strategy<Value = Begin> {
    let pacing = prop_oneof![Just(LinkPacing::Stepped), Just(LinkPacing::Free)];
    let first = (any::<u32>(), any::<u64>(), any::<i32>(), pacing);
    let second = (any::<u16>(), any::<u16>(), any::<u32>(), any::<u32>(), any::<bool>());
    (first, second).prop_map(|((run, seed, ambient_millicelsius, pacing), second)| {
        let (silence_ms, supply_off_ms, closed_at_rest, closed_when_safe, supply_when_safe) = second;
        Begin {
            run,
            seed,
            ambient_millicelsius,
            pacing,
            silence_ms,
            supply_off_ms,
            closed_at_rest,
            closed_when_safe,
            supply_when_safe,
        }
    })
}

fn drive() -> impl Strategy<Value = ProbeDrive> {
    prop_oneof![
        (any::<i32>(), any::<i32>(), time()).prop_map(|(nanovolts, nanovolts_per_second, valid_until)| {
            ProbeDrive::Voltage { nanovolts, nanovolts_per_second, valid_until }
        }),
        Just(ProbeDrive::Open),
        Just(ProbeDrive::Short),
        Just(ProbeDrive::ShortToGround),
        Just(ProbeDrive::ShortToSupply),
    ]
}

fn disturbance() -> impl Strategy<Value = ProbeDisturbance> {
    (prop::array::uniform9(any::<u32>()), any::<i32>()).prop_map(|(numbers, spike_nanovolts)| {
        let [
            seed,
            noise_nanovolts,
            noise_every_ms,
            spike_ms,
            spike_every_ms,
            open_ms,
            closed_ms,
            hum_nanovolts,
            hum_millihertz,
        ] = numbers;
        ProbeDisturbance {
            seed,
            noise_nanovolts,
            noise_every_ms,
            spike_nanovolts,
            spike_ms,
            spike_every_ms,
            open_ms,
            closed_ms,
            hum_nanovolts,
            hum_millihertz,
        }
    })
}

fn host_message() -> impl Strategy<Value = HostMessage> {
    prop_oneof![
        any::<u16>().prop_map(|protocol| HostMessage::Hello { protocol }),
        begin().prop_map(HostMessage::Begin),
        (any::<u32>(), time(), any::<u8>(), drive()).prop_map(|(command, at, channel, drive)| HostMessage::Probe {
            command,
            at,
            channel,
            drive
        }),
        (any::<u32>(), time(), any::<u8>(), disturbance()).prop_map(|(command, at, channel, disturbance)| {
            HostMessage::Disturb { command, at, channel, disturbance }
        }),
        (any::<u32>(), time(), any::<u8>(), any::<bool>())
            .prop_map(|(command, at, output, closed)| HostMessage::Contact { command, at, output, closed }),
        (any::<u32>(), time(), any::<bool>()).prop_map(|(command, at, on)| HostMessage::Supply { command, at, on }),
        (any::<u32>(), time(), any::<bool>(), chunk()).prop_map(|(command, at, last, chunk)| HostMessage::Console {
            command,
            at,
            last,
            chunk
        }),
        time().prop_map(|until| HostMessage::Grant { until }),
        Just(HostMessage::End),
        Just(HostMessage::Safe),
        Just(HostMessage::ReadCalibration),
        page().prop_map(|page| HostMessage::StoreCalibration { page }),
        Just(HostMessage::Hang),
        (any::<u8>(), prop::option::of(played()))
            .prop_map(|(channel, converter)| HostMessage::PlayConverter { channel, converter }),
        any::<bool>().prop_map(|on| HostMessage::MeasureColdJunction { on }),
        (any::<u32>(), time(), any::<i32>()).prop_map(|(command, at, millicelsius)| HostMessage::ColdJunction {
            command,
            at,
            millicelsius
        }),
    ]
}

fn played() -> impl Strategy<Value = PlayedConverter> {
    let part =
        prop_oneof![Just(ConverterPart::FourteenBit), Just(ConverterPart::TwelveBit), Just(ConverterPart::Linearised)];
    (part, any::<u8>(), any::<i32>()).prop_map(|(part, thermocouple, cold_junction_millicelsius)| PlayedConverter {
        part,
        thermocouple,
        cold_junction_millicelsius,
    })
}

fn page() -> impl Strategy<Value = heapless::Vec<u8, CALIBRATION_PAGE>> {
    prop::collection::vec(any::<u8>(), 0..=CALIBRATION_PAGE).prop_map(|bytes| bytes.into_iter().collect())
}

fn welcome() -> impl Strategy<Value = Welcome> {
    let flags = prop::array::uniform5(any::<bool>());
    let counts = prop::array::uniform3(any::<u8>());
    (any::<u16>(), word(), word(), any::<u32>(), flags, counts, (any::<u32>(), any::<u16>(), any::<u16>())).prop_map(
        |(protocol, board, firmware, boot_id, flags, counts, limits)| {
            let [simulated, stepped, supply_switch, supply_rail, console] = flags;
            let [probe_channels, inputs, contacts] = counts;
            Welcome {
                protocol,
                board,
                firmware,
                boot_id,
                capabilities: Capabilities {
                    simulated,
                    stepped,
                    supply_switch,
                    supply_rail,
                    console,
                    probe_channels,
                    inputs,
                    contacts,
                },
                limits: Limits { edge_ring: limits.0, command_queue: limits.1, max_silence_ms: limits.2 },
            }
        },
    )
}

fn heartbeat() -> impl Strategy<Value = Heartbeat> {
    (time(), time(), any::<u32>(), any::<u32>(), prop::array::uniform4(any::<u32>()), any::<bool>()).prop_map(
        |(now, complete_until, edges, boot_id, counters, safe)| {
            let [lost_edges, lost_console_bytes, late_setpoints, damaged_frames] = counters;
            let counters = Counters { lost_edges, lost_console_bytes, late_setpoints, damaged_frames };
            Heartbeat { now, complete_until, edges, boot_id, counters, safe }
        },
    )
}

fn refusal() -> impl Strategy<Value = Refusal> {
    prop_oneof![
        any::<u16>().prop_map(|expected| Refusal::Protocol { expected }),
        Just(Refusal::NoRun),
        Just(Refusal::NoSuch),
        Just(Refusal::QueueFull),
        Just(Refusal::NotStepped),
        any::<u16>().prop_map(|max_ms| Refusal::Silence { max_ms }),
        Just(Refusal::Malformed),
        Just(Refusal::RunGoesOn),
    ]
}

/// As many of the changes as fit.
fn edges() -> impl Strategy<Value = Edges> {
    let change = || (0..10_000_000i64, 0..32u8, any::<bool>());
    (any::<u32>(), time(), change(), prop::collection::vec(change(), 0..60)).prop_map(|(index, at, first, rest)| {
        let mut edge = Edge { index, at, input: first.1, high: first.2 };
        let mut edges = Edges::new(&edge);
        for (gap, input, high) in rest {
            let at = RigTime::from_micros(edge.at.as_micros().saturating_add(gap));
            edge = Edge { index: edge.index.wrapping_add(1), at, input, high };
            if !edges.push(&edge) {
                break;
            }
        }
        edges
    })
}

fn rig_message() -> impl Strategy<Value = RigMessage> {
    prop_oneof![
        page().prop_map(|page| RigMessage::CalibrationPage { page }),
        (any::<u8>(), any::<bool>()).prop_map(|(channel, converter)| RigMessage::Playing { channel, converter }),
        (time(), prop::option::of(any::<i32>()))
            .prop_map(|(at, millicelsius)| RigMessage::ColdJunction { at, millicelsius }),
        welcome().prop_map(RigMessage::Welcome),
        (any::<u32>(), time()).prop_map(|(run, origin)| RigMessage::Began { run, origin }),
        (any::<u32>(), time()).prop_map(|(command, at)| RigMessage::Applied { command, at }),
        edges().prop_map(RigMessage::Edges),
        (time(), any::<bool>()).prop_map(|(at, on)| RigMessage::SupplyRail { at, on }),
        (time(), chunk()).prop_map(|(at, chunk)| RigMessage::Console { at, chunk }),
        heartbeat().prop_map(RigMessage::Heartbeat),
        (prop::option::of(any::<u32>()), refusal()).prop_map(|(command, why)| RigMessage::Refused { command, why }),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, rng_seed: RngSeed::Fixed(20_261_125), ..ProptestConfig::default() })]

    #[test]
    fn any_host_message_comes_back(message in host_message()) {
        let mut buffer = [0u8; MAX_PAYLOAD];
        let bytes = postcard::to_slice(&message, &mut buffer).expect("fits a frame");
        let (back, rest) = postcard::take_from_bytes::<HostMessage>(bytes).expect("decodes");
        prop_assert_eq!((back, rest.len()), (message, 0));
    }

    #[test]
    fn any_rig_message_comes_back(message in rig_message()) {
        let mut buffer = [0u8; MAX_PAYLOAD];
        let bytes = postcard::to_slice(&message, &mut buffer).expect("fits a frame");
        let (back, rest) = postcard::take_from_bytes::<RigMessage>(bytes).expect("decodes");
        prop_assert_eq!((back, rest.len()), (message, 0));
    }

    #[test]
    fn any_bytes_are_a_message_or_an_error(bytes in prop::collection::vec(any::<u8>(), 0..MAX_PAYLOAD)) {
        let _ = postcard::take_from_bytes::<HostMessage>(&bytes);
        let _ = postcard::take_from_bytes::<RigMessage>(&bytes);
    }
}

#[test]
fn the_longest_messages_fit_a_frame() {
    let chunk = heapless::Vec::from_slice(&[0xFF; CONSOLE_CHUNK]).expect("within the limit");
    let latest = RigTime::from_micros(i64::MIN);
    let longest = HostMessage::Console { command: u32::MAX, at: latest, last: true, chunk };
    let mut buffer = [0u8; MAX_PAYLOAD];
    assert!(postcard::to_slice(&longest, &mut buffer).is_ok());
    let text = heapless::String::try_from("x".repeat(24).as_str()).expect("within the limit");
    let longest = RigMessage::Welcome(Welcome {
        protocol: u16::MAX,
        board: text.clone(),
        firmware: text,
        boot_id: u32::MAX,
        capabilities: Capabilities {
            simulated: true,
            stepped: true,
            supply_switch: true,
            supply_rail: true,
            console: true,
            probe_channels: u8::MAX,
            inputs: u8::MAX,
            contacts: u8::MAX,
        },
        limits: Limits { edge_ring: u32::MAX, command_queue: u16::MAX, max_silence_ms: u16::MAX },
    });
    assert!(postcard::to_slice(&longest, &mut buffer).is_ok());
}

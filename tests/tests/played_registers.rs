//! The rig's program as a converter with registers, on an emulated board: a master of the test selects and clocks it.
//!
//! Addresses, bits and words: data sheet of the part as quoted by public drivers, and code tables computed from its layout;
//! power-up values and times of conversions from memory. The clock is 1 MHz at most, as the rig promises.
//!
//! The emulator has no times for the copier between the state machines and memory: the bench gives it 16 cycles for each
//! word, which is a guess.

use dryfire_link::{ConverterPart, HostMessage, ProbeDrive};
use dryfire_tests::boards::{Host, PlayedRig, Setup, TwoBoards, tools_or_skip};
use rstest::rstest;
use serde_json::{Value, json};

/// Cycles of 8 ns in a half period: 1.0, 0.5 and 0.1 MHz.
const RATES: [u32; 3] = [62, 125, 625];
const WRITE: u8 = 0x80;
/// Converts by itself, looks for an open probe, 50 Hz; type K.
const SET_UP: [u8; 3] = [WRITE, 0x91, 0x03];
const AT_POWER_UP: [u8; 16] = [0x00, 0x03, 0xFF, 0x7F, 0xC0, 0x7F, 0xFF, 0x80, 0x00, 0, 0, 0, 0, 0, 0, 0];

/// Selects a channel, sends bytes, and gives those that came after the address.
fn converse(rig: &mut PlayedRig, channel: u8, bytes: &[u8], options: &Value) -> Vec<u8> {
    rig.boards.tell(&format!("converse {channel} {} {options}", serde_json::to_string(bytes).expect("bytes")));
    let told = rig.boards.wait_for(|line| line.get("conversed").is_some());
    let conversed = &told["conversed"];
    // Nothing is driven before it is selected, nor 88 ns after it is let go.
    assert_eq!((&conversed["before"], &conversed["after"]), (&json!("z"), &json!("z")), "{conversed}");
    let bytes = conversed["bytes"].as_array().expect("bytes").iter();
    bytes.skip(1).map(|byte| byte.as_u64().expect("a byte") as u8).collect()
}

fn write(rig: &mut PlayedRig, channel: u8, bytes: &[u8]) {
    converse(rig, channel, bytes, &json!({}));
    // The processor takes it in the few microseconds until the part is selected again.
    rig.pass(1);
}

fn read(rig: &mut PlayedRig, channel: u8, address: u8, count: usize, half: u32) -> Vec<u8> {
    let mut bytes = vec![0; count + 1];
    bytes[0] = address;
    let answer = converse(rig, channel, &bytes, &json!({ "half": half }));
    rig.pass(1);
    answer
}

#[test]
fn it_wakes_as_the_part_does_and_keeps_what_is_written_to_it() {
    let Some(mut rig) = PlayedRig::begin(ConverterPart::Linearised) else { return };
    for half in RATES {
        assert_eq!(read(&mut rig, 0, 0, 16, half), AT_POWER_UP, "half a period of {half} cycles");
    }
    // Nothing was asked for, so nothing is converted.
    rig.voltage(0, 10_000_000);
    rig.pass(500);
    assert_eq!(read(&mut rig, 0, 0x0C, 4, 62), [0; 4]);
    // One by one, and all at once.
    write(&mut rig, 0, &[WRITE | 0x03, 60]);
    write(&mut rig, 0, &[WRITE | 0x09, 0xF8]);
    assert_eq!(read(&mut rig, 0, 0, 10, 62), [0x00, 0x03, 0xFF, 60, 0xC0, 0x7F, 0xFF, 0x80, 0x00, 0xF8]);
    let everything = [0x01, 0x76, 0x12, 0x34, 0x56, 0x78, 0x9A, 0xBC, 0xDE, 0xF0];
    let bytes: Vec<u8> = [WRITE].into_iter().chain(everything).collect();
    for half in RATES {
        converse(&mut rig, 0, &bytes, &json!({ "half": half }));
        rig.pass(1);
        assert_eq!(read(&mut rig, 0, 0, 10, half), everything);
        write(&mut rig, 0, &[WRITE | 2, 0]);
    }
    // A reading is not to be written, and the others know nothing of it.
    write(&mut rig, 0, &[WRITE | 0x0A, 1, 2, 3, 4, 5, 6]);
    assert_eq!(read(&mut rig, 0, 0x0A, 6, 62), [0; 6]);
    assert_eq!(read(&mut rig, 1, 0, 16, 62), AT_POWER_UP);
}

#[test]
fn what_is_written_can_be_read_back_before_the_main_loop_has_seen_it() {
    let Some(mut rig) = PlayedRig::begin(ConverterPart::Linearised) else { return };
    for value in [0x12_u8, 0x34, 0x56] {
        converse(&mut rig, 2, &[WRITE | 0x05, value, !value], &json!({}));
        assert_eq!(converse(&mut rig, 2, &[0x05, 0, 0], &json!({})), [value, !value]);
    }
}

#[test]
fn every_register_can_be_the_first_and_a_read_goes_on_over_the_last() {
    let Some(mut rig) = PlayedRig::begin(ConverterPart::Linearised) else { return };
    write(&mut rig, 1, &SET_UP);
    rig.voltage(1, 39_275_350);
    rig.pass(300);
    let whole = read(&mut rig, 1, 0, 16, 62);
    for first in 0..16 {
        let turned: Vec<u8> = whole[first..].iter().chain(&whole[..first]).copied().collect();
        assert_eq!(read(&mut rig, 1, first as u8, 16, 62), turned, "from {first}");
    }
}

/// Temperature with its cold junction, and the words: 19 bits above five zero bits, 14 bits above two.
#[test]
fn words_of_temperature_and_cold_junction_come_out_at_every_clock_rate() {
    let Some(mut rig) = PlayedRig::begin(ConverterPart::Linearised) else { return };
    // Volts of type K by the reference function of ITS-90 (reference tables, rounded here to nanovolts): between 25 °C and the
    // temperature, and at a cold junction of 0 and −1 °C.
    let table: [(f64, i32, [u8; 6]); 5] = [
        (1_000.0, 25_000, [0x19, 0x00, 0x3E, 0x80, 0x00, 0x00]),
        (25.0, 25_000, [0x19, 0x00, 0x01, 0x90, 0x00, 0x00]),
        (0.0, 0, [0x00, 0x00, 0x00, 0x00, 0x00, 0x00]),
        (-0.25, 0, [0x00, 0x00, 0xFF, 0xFC, 0x00, 0x00]),
        (-1.0, -1_000, [0xFF, 0x00, 0xFF, 0xF0, 0x00, 0x00]),
    ];
    for channel in 0..3 {
        write(&mut rig, channel, &SET_UP);
    }
    for (row, (celsius, cold, words)) in table.into_iter().enumerate() {
        let channel = (row % 3) as u8;
        rig.command(|command, at| HostMessage::ColdJunction { command, at, millicelsius: cold });
        rig.voltage(channel, volts(celsius, cold));
        rig.pass(300);
        for half in RATES {
            assert_eq!(read(&mut rig, channel, 0x0A, 6, half), words, "{celsius} °C, half a period of {half} cycles");
        }
    }
}

fn volts(celsius: f64, cold: i32) -> i32 {
    use dryfire_units::{MilliCelsius, ThermocoupleType};
    let hot = MilliCelsius::new((celsius * 1_000.0) as i64);
    let volts = ThermocoupleType::K.terminal_nanovolts(hot, MilliCelsius::new(i64::from(cold)));
    volts.expect("in range").value()
}

#[test]
fn each_channel_is_a_part_of_its_own() {
    let Some(mut rig) = PlayedRig::begin(ConverterPart::Linearised) else { return };
    write(&mut rig, 0, &SET_UP);
    write(&mut rig, 1, &[WRITE, 0x91, 0x06]);
    for channel in 0..3 {
        rig.voltage(channel, 9_446_000);
    }
    rig.pass(300);
    let read = |rig: &mut PlayedRig, channel| {
        let bytes = read(rig, channel, 0x0C, 4, 62);
        (i32::from_be_bytes([bytes[0], bytes[1], bytes[2], 0]) >> 13, bytes[3])
    };
    // As type K, as type S (ITS-90: 9 587 − 143 µV from 25 to 1000 °C), and as a part that nobody has set up.
    let ((k, _), (s, _), none) = (read(&mut rig, 0), read(&mut rig, 1), read(&mut rig, 2));
    assert!((250 * 128..265 * 128).contains(&k), "{k}");
    assert!((999 * 128..1_001 * 128).contains(&s), "{s}");
    assert_eq!(none, (0, 0));
}

#[rstest]
#[case::rails(ProbeDrive::ShortToSupply, 200, 0x02)]
#[case::ground(ProbeDrive::ShortToGround, 200, 0x02)]
#[case::open_before_the_look(ProbeDrive::Open, 1_400, 0x00)]
#[case::open(ProbeDrive::Open, 2_000, 0x01)]
fn faults_have_their_bits(#[case] drive: ProbeDrive, #[case] after_ms: i64, #[case] status: u8) {
    let Some(mut rig) = PlayedRig::begin(ConverterPart::Linearised) else { return };
    write(&mut rig, 0, &SET_UP);
    // Just after a look, the sixteenth conversion of 108 ms.
    rig.voltage(0, 10_000_000);
    rig.pass(16 * 108 + 20);
    rig.play(0, drive);
    rig.pass(after_ms);
    assert_eq!(read(&mut rig, 0, 0x0F, 1, 62), [status]);
}

/// By the program's cycles: a bit 5 cycles (40 ns) after the clock has risen.
#[test]
fn a_bit_is_there_forty_nanoseconds_after_the_rise_of_the_clock_and_not_sooner() {
    let Some(mut rig) = PlayedRig::begin(ConverterPart::Linearised) else { return };
    write(&mut rig, 0, &[WRITE | 3, 0xAA, 0x55, 0xA5, 0x5A]);
    let read = |rig: &mut PlayedRig, settled: u32| {
        let answer = converse(rig, 0, &[3, 0, 0, 0, 0], &json!({ "half": 62, "settled": settled }));
        rig.pass(1);
        answer
    };
    assert_eq!(read(&mut rig, 62 - 5), [0xAA, 0x55, 0xA5, 0x5A]);
    assert_ne!(read(&mut rig, 62 - 4), [0xAA, 0x55, 0xA5, 0x5A]);
}

/// What the rig promises is 1 MHz. With the times that the copier is given here the first bit after an address is there by
/// the fall of the clock at which it is taken up to 3 MHz; at 5.2 MHz what comes is wrong, and not an older word either.
#[test]
fn a_clock_that_is_too_fast_gives_a_wrong_word() {
    let Some(mut rig) = PlayedRig::begin(ConverterPart::Linearised) else { return };
    let kept = [0xAA, 0x55, 0xA5, 0x5A];
    write(&mut rig, 0, &[WRITE | 3, kept[0], kept[1], kept[2], kept[3]]);
    for (half, right) in [(62, true), (50, true), (42, true), (31, true), (21, true), (12, false)] {
        let answer = converse(&mut rig, 0, &[3, 0, 0, 0, 0], &json!({ "half": half }));
        rig.pass(1);
        assert_eq!(answer == kept, right, "half a period of {half} cycles: {answer:02x?}");
        assert!(right || answer[..2] != kept[..2], "{answer:02x?}");
    }
    assert_eq!(read(&mut rig, 0, 3, 4, 62), kept, "and the next one is right");
}

#[test]
fn a_conversation_that_breaks_off_spoils_nothing() {
    let Some(mut rig) = PlayedRig::begin(ConverterPart::Linearised) else { return };
    write(&mut rig, 0, &[WRITE | 3, 60]);
    // Selected and let go; an address alone, to read and to write; more than there are registers.
    converse(&mut rig, 0, &[], &json!({}));
    rig.pass(1);
    for address in [0x03, WRITE | 0x03] {
        converse(&mut rig, 0, &[address], &json!({}));
        rig.pass(1);
        assert_eq!(read(&mut rig, 0, 3, 2, 62), [60, 0xC0]);
    }
    let more = read(&mut rig, 0, 0, 31, 62);
    assert_eq!((more[3], more[19]), (60, 60));
    let beyond: Vec<u8> = [WRITE | 0x0E].into_iter().chain([0x77; 20]).collect();
    write(&mut rig, 0, &beyond);
    assert_eq!(read(&mut rig, 0, 0, 5, 62), [0x00, 0x03, 0xFF, 60, 0xC0], "it does not begin at the first again");
    let far = converse(&mut rig, 0, &[WRITE | 0x40, 0x77, 0x77], &json!({}));
    assert_eq!(far.len(), 2);
    rig.pass(1);
    assert_eq!(read(&mut rig, 0, 3, 2, 62), [60, 0xC0]);
}

#[test]
fn nothing_is_driven_without_supply_or_while_the_line_is_held_and_the_supply_takes_what_was_written() {
    let Some(mut rig) = PlayedRig::begin(ConverterPart::Linearised) else { return };
    write(&mut rig, 0, &[WRITE | 3, 60]);
    // Whoever reads a line that nothing drives reads what pulls it: up here.
    let silent = [0xFF; 2];
    rig.command(|command, at| HostMessage::Contact { command, at, output: 5, closed: true });
    assert_eq!(read(&mut rig, 0, 3, 2, 62), silent, "the line is held");
    rig.command(|command, at| HostMessage::Contact { command, at, output: 5, closed: false });
    assert_eq!(read(&mut rig, 0, 3, 2, 62), [60, 0xC0]);
    rig.command(|command, at| HostMessage::Supply { command, at, on: false });
    assert_eq!(read(&mut rig, 0, 3, 2, 62), silent, "without supply");
    rig.pass(1_000);
    rig.command(|command, at| HostMessage::Supply { command, at, on: true });
    assert_eq!(read(&mut rig, 0, 3, 2, 62), [0x7F, 0xC0]);
}

#[test]
fn a_rig_that_plays_another_part_or_a_probe_does_not_answer_with_registers() {
    let Some(tools) = tools_or_skip() else { return };
    let boards = TwoBoards::start(&tools, &Setup::default());
    let mut host = Host::greet(&boards.port, 1);
    let now = host.begin(1_000, 0);
    let mut rig = PlayedRig { boards, host, now, command: 0 };
    rig.pass(500);
    assert_eq!(read(&mut rig, 0, 0, 2, 62), [0xFF; 2]);
}

//! The rig's program as a read-only converter, on an emulated board: a master of the test selects and clocks it.
//!
//! Words and faults: code tables of the parts' data sheets as far as seen in copies; slopes of their lines (41.276 and
//! 41 µV/°C) and times of the bus (5 MHz, 100 ns from select to clock, high and low) partly from memory.

use dryfire_link::{ConverterPart, HostMessage, PlayedConverter, ProbeDrive, Refusal, RigMessage};
use dryfire_tests::boards::{Host, PlayedRig, Setup, TwoBoards, tools_or_skip};
use dryfire_units::RigSpan;
use rstest::rstest;
use serde_json::Value;

/// Cycles of 8 ns in a half period: 5.2, 4.2 and 1.0 MHz.
const RATES: [u32; 3] = [12, 15, 62];

/// Reads words off the bus.
trait Reads {
    fn shift(&mut self, channel: u8, bits: u32, options: &str) -> String;
    fn word(&mut self, channel: u8, bits: u32, half: u32) -> String;
}

impl Reads for PlayedRig {
    /// Reads so many bits, with options for the master.
    fn shift(&mut self, channel: u8, bits: u32, options: &str) -> String {
        self.boards.tell(&format!("shift {channel} {bits} {options}"));
        let told = self.boards.wait_for(|line| line.get("shifted").is_some());
        let shifted = &told["shifted"];
        // Nothing is driven before it is selected, nor after it is let go.
        assert_eq!((&shifted["before"], &shifted["after"]), (&Value::from("z"), &Value::from("z")), "{shifted}");
        shifted["bits"].as_str().expect("bits").to_owned()
    }

    fn word(&mut self, channel: u8, bits: u32, half: u32) -> String {
        self.shift(channel, bits, &format!("{{\"half\":{half}}}"))
    }
}

fn bits_of(word: u32) -> String {
    format!("{word:032b}")
}

#[test]
fn words_of_the_fourteen_bit_part_come_out_at_every_clock_rate() {
    let Some(mut played) = PlayedRig::begin(ConverterPart::FourteenBit) else { return };
    let table = [
        (1_600.0, 25.0, 0x6400_1900),
        (1_000.0, 25.0, 0x3E80_1900),
        (100.75, 100.5625, 0x064C_6490),
        (25.0, 25.0, 0x0190_1900),
        (0.0, 0.0, 0x0000_0000),
        (-0.25, -0.0625, 0xFFFC_FFF0),
        (-1.0, -1.0, 0xFFF0_FF00),
        (-250.0, -55.0, 0xF060_C900),
    ];
    for (row, (celsius, cold, word)) in table.into_iter().enumerate() {
        let channel = (row % 3) as u8;
        let millicelsius = (cold * 1_000.0_f64).round() as i32;
        played.command(|command, at| HostMessage::ColdJunction { command, at, millicelsius });
        played.voltage(channel, ((celsius - cold) * 41_276.0_f64).round() as i32);
        played.pass(200);
        for half in RATES {
            assert_eq!(played.word(channel, 32, half), bits_of(word), "{celsius} °C, half a period of {half} cycles");
        }
    }
}

#[test]
fn each_fault_has_its_bits_and_three_channels_keep_theirs_apart() {
    let Some(mut played) = PlayedRig::begin(ConverterPart::FourteenBit) else { return };
    let faults = [ProbeDrive::Open, ProbeDrive::ShortToGround, ProbeDrive::ShortToSupply];
    for (channel, drive) in faults.into_iter().enumerate() {
        played.play(channel as u8, drive);
    }
    played.pass(200);
    for half in RATES {
        for (channel, word) in [0x0001_1901, 0x0001_1902, 0x0001_1904].into_iter().enumerate() {
            assert_eq!(played.word(channel as u8, 32, half), bits_of(word), "half a period of {half} cycles");
        }
    }
    // Shorted leads are no fault to this part: it shows its own temperature.
    played.play(1, ProbeDrive::Short);
    played.pass(200);
    assert_eq!(played.word(1, 32, 15), bits_of(0x0190_1900));
}

#[test]
fn words_of_the_twelve_bit_part_come_out_at_every_clock_rate() {
    let Some(mut played) = PlayedRig::begin(ConverterPart::TwelveBit) else { return };
    let table = [
        (0.0, 0x0000_u32),
        (0.25, 0x0008),
        (25.0, 0x0320),
        (100.75, 0x0C98),
        (1_000.0, 0x7D00),
        (1_023.75, 0x7FF8),
        (1_280.0, 0x7FF8),
    ];
    for (row, (celsius, word)) in table.into_iter().enumerate() {
        let channel = (row % 3) as u8;
        played.voltage(channel, ((celsius - 25.0) * 41_000.0_f64).round() as i32);
        played.pass(300);
        for half in RATES {
            assert_eq!(played.word(channel, 16, half), format!("{word:016b}"), "{celsius} °C");
        }
    }
    played.play(0, ProbeDrive::Open);
    played.pass(300);
    assert_eq!(played.word(0, 16, 12), format!("{:016b}", 4));
}

/// By the program's cycles: a bit 5 cycles (40 ns) after the clock has fallen, the first one 8 (64 ns) after select.
#[test]
fn a_bit_is_there_forty_nanoseconds_after_the_fall_of_the_clock_and_not_sooner() {
    let Some(mut played) = PlayedRig::begin(ConverterPart::FourteenBit) else { return };
    // A word that changes at every bit cannot be made of a voltage; this one changes often.
    played.voltage(0, (975.0 * 41_276.0_f64).round() as i32);
    played.pass(200);
    let word = bits_of(0x3E80_1900);
    assert_eq!(played.shift(0, 32, r#"{"half":12,"early":7,"lead":15}"#), word);
    assert_ne!(played.shift(0, 32, r#"{"half":12,"early":8,"lead":16}"#), word);
    // Whenever in the machine's round select falls, the first bit is there in time; it is a 1 here.
    played.voltage(0, (-50.0 * 41_276.0_f64).round() as i32);
    played.pass(200);
    let word = played.word(0, 32, 62);
    assert!(word.starts_with('1'), "{word}");
    for lead in 8..12 {
        assert_eq!(played.shift(0, 32, &format!("{{\"half\":12,\"early\":0,\"lead\":{lead}}}")), word, "{lead}");
    }
    assert_ne!(played.shift(0, 32, r#"{"half":12,"early":0,"lead":5}"#), word);
}

#[test]
fn a_word_is_never_made_of_two_and_a_read_that_breaks_off_spoils_nothing() {
    let Some(mut played) = PlayedRig::begin(ConverterPart::FourteenBit) else { return };
    played.voltage(0, 0);
    played.pass(200);
    let (old, new) = (bits_of(0x0190_1900), bits_of(0xFE6F_E6FF));
    for bit in [0, 1, 13, 31] {
        // The next word comes in the middle of the read, as from a conversion that ends at the worst moment.
        for (number, seen) in [(0xFE6F_E6FF_u32, &old), (0x0190_1900, &new)] {
            let options = format!("{{\"half\":12,\"give\":{{\"bit\":{bit},\"word\":{number}}}}}");
            assert_eq!(played.shift(0, 32, &options), **seen, "another word at bit {bit}");
        }
    }
    // The temperature alone, then the whole; and what is clocked beyond the word is zero.
    assert_eq!(played.word(0, 14, 12), old[..14]);
    assert_eq!(played.word(0, 0, 12), "");
    assert_eq!(played.word(0, 32, 12), old);
    assert_eq!(played.word(0, 40, 12), old.clone() + "00000000");
    assert_eq!(played.word(0, 32, 12), old);
}

#[rstest]
#[case::as_often_as_it_converts(99, true)]
#[case::twice_as_often(49, false)]
fn a_controller_that_looks_too_often_reads_the_same_word_for_ever(#[case] every_ms: i64, #[case] follows: bool) {
    let Some(mut played) = PlayedRig::begin(ConverterPart::FourteenBit) else { return };
    played.voltage(0, 0);
    played.pass(300);
    let first = played.word(0, 32, 12);
    let mut before = first.clone();
    for look in 1..=20 {
        // Two degrees more each time.
        played.voltage(0, look * 82_552);
        played.pass(every_ms);
        let now = played.word(0, 32, 12);
        if follows {
            assert_eq!(now, bits_of(((100 + look as u32 * 8) << 18) | 0x1900), "look {look}");
        } else {
            assert_eq!(now, first, "look {look}");
        }
        before = now;
    }
    assert_eq!(before != first, follows);
}

#[test]
fn nothing_is_driven_without_a_converter_to_play_without_supply_or_while_the_line_is_held() {
    let Some(tools) = tools_or_skip() else { return };
    let silent = "z".repeat(32);
    {
        let boards = TwoBoards::start(&tools, &Setup::default());
        let mut host = Host::greet(&boards.port, 1);
        let now = host.begin(1_000, 0);
        let mut played = PlayedRig { boards, host, now, command: 0 };
        played.voltage(0, 0);
        played.pass(200);
        assert_eq!(played.word(0, 32, 12), silent, "a probe is played");
        let converter = PlayedConverter {
            part: ConverterPart::FourteenBit,
            thermocouple: b'B',
            cold_junction_millicelsius: 25_000,
        };
        played.host.say(&HostMessage::End);
        played.host.say(&HostMessage::PlayConverter { channel: 0, converter: Some(converter) });
        let refused = RigMessage::Refused { command: None, why: Refusal::NoSuch };
        played.host.wait_for(|message| (*message == refused).then_some(()));
    }
    let mut played = PlayedRig::begin(ConverterPart::FourteenBit).expect("the tools are there");
    played.voltage(0, 0);
    played.pass(200);
    let word = bits_of(0x0190_1900);
    assert_eq!(played.word(0, 32, 12), word);
    played.command(|command, at| HostMessage::Contact { command, at, output: 5, closed: true });
    assert_eq!(played.word(0, 32, 12), silent, "the line is held down");
    played.command(|command, at| HostMessage::Contact { command, at, output: 5, closed: false });
    assert_eq!(played.word(0, 32, 12), word);
    played.command(|command, at| HostMessage::Supply { command, at, on: false });
    assert_eq!(played.word(0, 32, 12), silent, "without supply");
    played.pass(1_000);
    played.command(|command, at| HostMessage::Supply { command, at, on: true });
    // It has not converted anything yet.
    assert_eq!(played.word(0, 32, 12), bits_of(0x0001_1901));
    played.pass(200);
    assert_eq!(played.word(0, 32, 12), word);
}

#[test]
fn the_safe_state_shows_an_open_probe() {
    let Some(mut played) = PlayedRig::begin(ConverterPart::FourteenBit) else { return };
    played.voltage(0, 0);
    played.pass(200);
    assert_eq!(played.word(0, 32, 12), bits_of(0x0190_1900));
    played.host.say(&HostMessage::Safe);
    played.pass(200);
    assert_eq!(played.word(0, 32, 12), bits_of(0x0001_1901));
}

#[test]
fn a_host_that_falls_silent_leaves_an_open_probe_within_its_silence_and_a_conversion() {
    let Some(tools) = tools_or_skip() else { return };
    let boards = TwoBoards::start(&tools, &Setup { silicon: true, ..Setup::default() });
    let mut host = Host::greet(&boards.port, 1);
    let converter =
        PlayedConverter { part: ConverterPart::FourteenBit, thermocouple: b'K', cold_junction_millicelsius: 25_000 };
    host.say(&HostMessage::PlayConverter { channel: 0, converter: Some(converter) });
    host.wait_for(|message| matches!(message, RigMessage::Playing { .. }).then_some(()));
    let now = host.begin(300, 0);
    let mut played = PlayedRig { boards, host, now, command: 0 };
    played.voltage(0, 0);
    let begun = played.now;
    played.host.wait_for(|message| match message {
        RigMessage::Heartbeat(beat) if beat.complete_until > begun + RigSpan::from_millis(200) => Some(()),
        _ => None,
    });
    assert_eq!(played.word(0, 32, 12), bits_of(0x0190_1900));
    let PlayedRig { mut boards, host, .. } = played;
    drop(host);
    let (state, _) = boards.state();
    let silent_since = state["at"].as_f64().expect("an instant");
    loop {
        // Not so often that it never converts.
        let (state, _) = boards.state();
        if state["at"].as_f64().expect("an instant") < silent_since + 300_000.0 + 98_000.0 + 20_000.0 {
            continue;
        }
        boards.tell("shift 0 32 {\"half\":12}");
        let told = boards.wait_for(|line| line.get("shifted").is_some());
        assert_eq!(told["shifted"]["bits"].as_str(), Some(bits_of(0x0001_1901).as_str()));
        break;
    }
}

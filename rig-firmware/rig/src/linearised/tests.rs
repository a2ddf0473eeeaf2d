//! What a controller finds in the registers.

use super::*;
use rstest::rstest;

const MS: i64 = 1_000;
/// Converts by itself, looks for an open probe, 50 Hz.
const SET_UP: u8 = 0x91;
const TYPE_K: u8 = 0x03;

fn at(milliseconds: i64) -> RigTime {
    RigTime::from_micros(milliseconds * MS)
}

fn cold(millicelsius: i64) -> MilliCelsius {
    MilliCelsius::new(millicelsius)
}

/// A part that was set up when its supply came on.
fn set_up(control: u8, kind: u8) -> LinearisedPlayer {
    let mut player = LinearisedPlayer::new(cold(25_000));
    player.write(at(0), 0, control);
    player.write(at(0), 1, kind);
    player
}

/// What is at the terminals of a probe of this type.
fn probe(kind: ThermocoupleType, hot: i64, cold_junction: i64) -> TerminalSignal {
    TerminalSignal::Voltage(kind.terminal_nanovolts(cold(hot), cold(cold_junction)).expect("in range"))
}

fn temperature(player: &LinearisedPlayer) -> [u8; 3] {
    player.registers()[0x0C..0x0F].try_into().expect("three bytes")
}

/// One conversion that nobody disturbs.
fn converted(player: &mut LinearisedPlayer, terminals: TerminalSignal) {
    let due = player.due().expect("it converts");
    player.advance(due, |_, _| terminals);
}

fn status_of(player: &LinearisedPlayer) -> u8 {
    player.registers()[0x0F]
}

/// Code table of the part's temperature register, 19 bits above five zero bits, 2⁻⁷ °C a step; its first six rows stand
/// in the data sheet (as seen in copies), the others are computed from that layout.
#[rstest]
#[case(1_600_000, [0x64, 0x00, 0x00])]
#[case(1_000_000, [0x3E, 0x80, 0x00])]
#[case(100_938, [0x06, 0x4F, 0x00])]
#[case(25_000, [0x01, 0x90, 0x00])]
#[case(0, [0x00, 0x00, 0x00])]
#[case(-250, [0xFF, 0xFC, 0x00])]
#[case(-1_000, [0xFF, 0xF0, 0x00])]
#[case(-20_000, [0xFE, 0xC0, 0x00])]
fn words_of_the_temperature(#[case] millicelsius: i64, #[case] word: [u8; 3]) {
    // Type N reaches 1300 °C only; type S the first row.
    let (kind, number) = if millicelsius > 1_300_000 { (ThermocoupleType::S, 6) } else { (ThermocoupleType::K, 3) };
    let mut player = set_up(SET_UP, number);
    converted(&mut player, probe(kind, millicelsius, 25_000));
    // A volt is a whole number of nanovolts, which may be one step of a type with few of them.
    let code = |bytes: [u8; 3]| i32::from_be_bytes([bytes[0], bytes[1], bytes[2], 0]) >> 13;
    let apart = (code(temperature(&player)) - code(word)).abs();
    assert!(apart <= i32::from(kind == ThermocoupleType::S), "{:02x?}", temperature(&player));
    assert_eq!(status_of(&player), 0);
}

/// Code table of the cold junction's register, 14 bits above two zero bits, 2⁻⁶ °C a step.
#[rstest]
#[case(127_984, [0x7F, 0xFC])]
#[case(125_000, [0x7D, 0x00])]
#[case(25_000, [0x19, 0x00])]
#[case(0, [0x00, 0x00])]
#[case(-1_000, [0xFF, 0x00])]
#[case(-55_000, [0xC9, 0x00])]
fn words_of_the_cold_junction(#[case] millicelsius: i64, #[case] word: [u8; 2]) {
    let mut player = set_up(SET_UP, TYPE_K);
    player.warm(cold(millicelsius));
    converted(&mut player, TerminalSignal::Voltage(Nanovolts::new(0)));
    assert_eq!(player.registers()[0x0A..0x0C], word);
}

#[test]
fn it_wakes_with_type_k_the_look_for_an_open_probe_off_and_converts_nothing() {
    let mut player = LinearisedPlayer::new(cold(25_000));
    assert_eq!(player.registers()[..10], [0x00, 0x03, 0xFF, 0x7F, 0xC0, 0x7F, 0xFF, 0x80, 0x00, 0x00]);
    assert_eq!(player.due(), None);
    assert!(!player.advance(at(10_000), |_, _| unreachable!("nothing is converted")));
    player.write(at(0), 0, SET_UP);
    player.write(at(0), 1, 0x06);
    converted(&mut player, probe(ThermocoupleType::S, 900_000, 25_000));
    assert_ne!(temperature(&player), [0; 3]);
    player.start();
    assert_eq!(player, LinearisedPlayer::new(cold(25_000)), "what was written to it is gone");
}

/// Slowest conversions by the data sheet, from memory: 110 and 90 ms on and on, 185 and 155 ms once; a further one that is
/// averaged 20, 16.67, 40, 33.33 ms. Two are taken off for the board.
#[rstest]
#[case::fifty_hertz(0x81, 0x03, 108_000)]
#[case::sixty_hertz(0x80, 0x03, 88_000)]
#[case::once_at_fifty(0x41, 0x03, 183_000)]
#[case::once_at_sixty(0x40, 0x03, 153_000)]
#[case::two_averaged(0x81, 0x13, 128_000)]
#[case::sixteen_averaged(0x81, 0x43, 408_000)]
#[case::more_is_sixteen(0x81, 0x73, 408_000)]
#[case::sixteen_averaged_once(0x40, 0x43, 653_000 - 5)]
fn a_conversion_takes_as_long_as_it_was_set_up(#[case] control: u8, #[case] kind: u8, #[case] micros: i64) {
    let mut player = set_up(control, kind);
    assert_eq!(player.period(), RigSpan::from_micros(micros));
    let due = player.due().expect("it converts");
    assert_eq!(due, at(0) + player.period());
    let early = due - RigSpan::from_micros(1);
    assert!(!player.advance(early, |_, _| unreachable!("not finished")));
    assert!(player.advance(due, |_, _| probe(ThermocoupleType::K, 500_000, 25_000)));
}

#[test]
fn one_shot_converts_once_and_says_when_it_is_done() {
    let mut player = set_up(0x41, TYPE_K);
    assert_eq!(player.registers()[0], 0x41);
    converted(&mut player, probe(ThermocoupleType::K, 500_000, 25_000));
    assert_eq!(player.registers()[0], 0x01);
    let once = *player.registers();
    assert!(!player.advance(at(60_000), |_, _| unreachable!("nobody asked for another one")));
    player.write(at(60_000), 0, 0x41);
    converted(&mut player, probe(ThermocoupleType::K, 600_000, 25_000));
    assert_ne!(*player.registers(), once);
}

#[test]
fn the_same_written_again_does_not_begin_a_conversion_anew() {
    let mut player = set_up(SET_UP, TYPE_K);
    let due = player.due();
    player.write(at(50), 0, SET_UP);
    assert_eq!(player.due(), due);
    // A controller that writes its set-up at each tick reads on; one that stops the part does not.
    player.write(at(60), 0, 0x11);
    assert_eq!(player.due(), None);
    player.write(at(70), 0, SET_UP);
    assert_eq!(player.due(), Some(at(178)));
}

#[rstest]
#[case::not_looked_for(0x81, None)]
#[case::looked_for(0x91, Some(16))]
#[case::with_longer_leads(0xB1, Some(16))]
fn an_open_probe_is_found_at_every_sixteenth_conversion_by_a_part_that_looks(
    #[case] control: u8,
    #[case] found_at: Option<usize>,
) {
    let mut player = set_up(control, TYPE_K);
    let mut found = None;
    for number in 1..=40 {
        converted(&mut player, TerminalSignal::Open);
        if found.is_none() && status_of(&player) == 0x01 {
            found = Some(number);
        }
        // Not told from no volts: its own temperature.
        assert_eq!(temperature(&player), [0x01, 0x90, 0x00]);
    }
    assert_eq!(found, found_at);
    // Mended, it is open until the next look.
    let closed = probe(ThermocoupleType::K, 500_000, 25_000);
    for number in 41..=48 {
        converted(&mut player, closed);
        assert_eq!(status_of(&player), u8::from(found_at.is_some() && number < 48), "{number}");
    }
}

#[test]
fn it_goes_by_the_type_that_it_was_told() {
    let true_probe = probe(ThermocoupleType::S, 1_000_000, 25_000);
    let mut told_right = set_up(SET_UP, 6);
    converted(&mut told_right, true_probe);
    assert_eq!(temperature(&told_right)[..2], [0x3E, 0x80]);
    let mut told_wrong = set_up(SET_UP, TYPE_K);
    converted(&mut told_wrong, true_probe);
    // ITS-90 tables: S has 9 446 µV between 25 and 1000 °C; K reads these over 25 °C as about 257 °C.
    let code = i16::from_be_bytes([temperature(&told_wrong)[0], temperature(&told_wrong)[1]]);
    assert!((250..265).contains(&(code / 16)), "{code}");
    // Volts are not played: out of range, never a temperature.
    let mut volts = set_up(SET_UP, 0x08);
    converted(&mut volts, true_probe);
    assert_eq!((temperature(&volts), status_of(&volts)), ([0; 3], 0x40));
}

#[rstest]
#[case::ground(TerminalSignal::ShortToGround)]
#[case::supply(TerminalSignal::ShortToSupply)]
fn beyond_the_rails_it_says_so_and_keeps_its_last_reading(#[case] terminals: TerminalSignal) {
    let mut player = set_up(SET_UP, TYPE_K);
    converted(&mut player, probe(ThermocoupleType::K, 1_000_000, 25_000));
    let last = temperature(&player);
    converted(&mut player, terminals);
    assert_eq!((temperature(&player), status_of(&player)), (last, 0x02));
    converted(&mut player, probe(ThermocoupleType::K, 1_000_000, 25_000));
    assert_eq!(status_of(&player), 0);
}

#[rstest]
#[case::too_hot(2_000_000_000, 0x40)]
#[case::too_cold(-9_000_000, 0x40)]
#[case::inside(1_000_000, 0)]
fn outside_the_range_of_its_type_it_says_so(#[case] nanovolts: i32, #[case] status: u8) {
    let mut player = set_up(SET_UP, TYPE_K);
    converted(&mut player, TerminalSignal::Voltage(Nanovolts::new(nanovolts)));
    assert_eq!(status_of(&player), status);
}

/// Steps of the thresholds from memory: 1 °C for the cold junction, 0.0625 °C for the temperature.
#[rstest]
#[case::hot(&[(5, 0x3E), (6, 0x70)], 1_000_000, 25_000, 0x08)]
#[case::just_not_hot(&[(5, 0x3E), (6, 0x80)], 1_000_000, 25_000, 0)]
#[case::cold(&[(7, 0x3E), (8, 0x90)], 1_000_000, 25_000, 0x04)]
#[case::below_zero(&[(7, 0x00), (8, 0x00)], -10_000, 25_000, 0x04)]
#[case::warm_board(&[(3, 60)], 100_000, 61_000, 0x20)]
#[case::cold_board(&[(4, 0)], 100_000, -1_000, 0x10)]
#[case::board_beyond_the_sensor(&[], 400_000, 126_000, 0x80)]
fn thresholds_have_their_bits(
    #[case] written: &[(u8, u8)],
    #[case] hot: i64,
    #[case] junction: i64,
    #[case] status: u8,
) {
    let mut player = set_up(SET_UP, TYPE_K);
    player.warm(cold(junction));
    for (address, byte) in written {
        player.write(at(0), *address, *byte);
    }
    converted(&mut player, probe(ThermocoupleType::K, hot, junction));
    assert_eq!(status_of(&player), status);
}

#[test]
fn faults_stay_until_they_are_cleared_where_that_was_asked_for() {
    let fine = probe(ThermocoupleType::K, 500_000, 25_000);
    let mut player = set_up(SET_UP | 0x04, TYPE_K);
    converted(&mut player, TerminalSignal::ShortToSupply);
    converted(&mut player, fine);
    assert_eq!(status_of(&player), 0x02);
    player.write(at(300), 0, SET_UP | 0x06);
    assert_eq!((status_of(&player), player.registers()[0]), (0, SET_UP | 0x04));
    converted(&mut player, fine);
    assert_eq!(status_of(&player), 0);
}

#[test]
fn a_fault_that_goes_on_is_not_cleared_where_faults_do_not_stay() {
    let mut player = set_up(SET_UP, TYPE_K);
    for _ in 0..16 {
        converted(&mut player, TerminalSignal::Open);
    }
    assert_eq!(status_of(&player), 0x01);
    player.write(at(2_000), 0, SET_UP | 0x02);
    assert_eq!((status_of(&player), player.registers()[0]), (0x01, SET_UP));
}

#[test]
fn the_cold_junction_is_what_was_written_where_the_sensor_is_off_and_else_its_own_with_the_offset() {
    let hot = probe(ThermocoupleType::K, 500_000, 40_000);
    let mut player = set_up(SET_UP, TYPE_K);
    player.write(at(0), 0x0A, 40);
    converted(&mut player, hot);
    assert_eq!(player.registers()[0x0A], 25, "the sensor's is not to be written");
    // 15 °C more in sixteenths would be 240, beyond a byte with a sign: 5 °C.
    player.warm(cold(35_000));
    player.write(at(0), 0x09, 80);
    converted(&mut player, hot);
    assert_eq!((player.registers()[0x0A], temperature(&player)), (40, [0x1F, 0x40, 0x00]));
    player.write(at(0), 0x00, SET_UP | 0x08);
    player.write(at(0), 0x0A, 20);
    converted(&mut player, hot);
    assert_eq!(player.registers()[0x0A], 20);
    let code = i16::from_be_bytes([temperature(&player)[0], temperature(&player)[1]]);
    assert!((470..485).contains(&(code / 16)), "{code}");
}

#[test]
fn a_reading_is_not_to_be_written() {
    let mut player = set_up(SET_UP, TYPE_K);
    converted(&mut player, probe(ThermocoupleType::K, 500_000, 25_000));
    let before = *player.registers();
    for address in (0x0A..=0x7F).chain(0x80..=0xFF) {
        player.write(at(0), address, 0x55);
    }
    assert_eq!(*player.registers(), before);
}

#[test]
fn who_looks_late_finds_the_conversion_of_its_own_instant_and_loses_no_look() {
    let mut player = set_up(SET_UP, TYPE_K);
    let mut asked = None;
    player.advance(at(2_000), |at, period| {
        asked = Some((at, period));
        TerminalSignal::Open
    });
    // 108 ms each: the eighteenth ends at 1944 ms, and one of them has looked.
    assert_eq!(asked, Some((at(1_944), RigSpan::from_millis(108))));
    assert_eq!(status_of(&player), 0x01);
}

/// Against the exact inverse of the reference function, over the whole range of each type: within half a step and the
/// 0.001 °C of a chord, so the same code or the next one.
#[rstest]
#[case(0, ThermocoupleType::B, 300, 1_800)]
#[case(1, ThermocoupleType::E, -200, 990)]
#[case(2, ThermocoupleType::J, -200, 1_190)]
#[case(3, ThermocoupleType::K, -200, 1_360)]
#[case(4, ThermocoupleType::N, -200, 1_290)]
#[case(5, ThermocoupleType::R, -40, 1_760)]
#[case(6, ThermocoupleType::S, -40, 1_760)]
#[case(7, ThermocoupleType::T, -200, 395)]
fn a_chord_gives_the_code_of_the_exact_inverse(
    #[case] number: u8,
    #[case] kind: ThermocoupleType,
    #[case] from: i64,
    #[case] to: i64,
) {
    let mut player = set_up(SET_UP, number);
    let code = |bytes: [u8; 3]| i32::from_be_bytes([bytes[0], bytes[1], bytes[2], 0]) >> 13;
    for millicelsius in (from * 1_000..to * 1_000).step_by(1_237) {
        let terminals = probe(kind, millicelsius, 25_000);
        converted(&mut player, terminals);
        let exact = LinearisedRegisters::exact(kind, terminals, cold(25_000)).temperature;
        let apart = code(temperature(&player)) - code(exact);
        assert!(apart.abs() <= 1, "{millicelsius}: {apart}");
    }
}

//! Converter parts against the code tables and error tables of their data sheets.

use dryfire_units::converter::{
    ConversionTimer, Converter, ConverterFault, ConverterKind, FourteenBitConverter, FourteenBitWord,
    LinearisedConverter, LinearisedRegisters, TerminalSignal, TwelveBitConverter, TwelveBitWord,
};
use dryfire_units::{Celsius, MilliCelsius, Nanovolts, RigSpan, RigTime, ThermocoupleType};
use proptest::prelude::*;
use rstest::rstest;

const ROOM: MilliCelsius = MilliCelsius::new(25_000);

fn millicelsius(celsius: f64) -> MilliCelsius {
    MilliCelsius::from_celsius(Celsius::new(celsius)).expect("fits")
}

/// What a probe of a type at a temperature gives at terminals of 25 °C.
fn probe(kind: ThermocoupleType, celsius: f64) -> TerminalSignal {
    TerminalSignal::Voltage(kind.terminal_nanovolts(millicelsius(celsius), ROOM).expect("in range"))
}

/// The voltage that makes a straight-line part read a temperature.
fn on_the_line(slope: f64, celsius: f64, cold: f64) -> TerminalSignal {
    TerminalSignal::Voltage(Nanovolts::new(((celsius - cold) * slope * 1000.0).round() as i32))
}

#[rstest]
// Fields: data sheet 19-5793, tables 4 and 5, seen in a copy; whole words computed from its layout.
#[case(1600.0, 25.0, 0x6400_1900)]
#[case(1000.0, 25.0, 0x3E80_1900)]
#[case(100.75, 100.5625, 0x064C_6490)]
#[case(25.0, 25.0, 0x0190_1900)]
#[case(0.0, 0.0, 0x0000_0000)]
#[case(-0.25, -0.0625, 0xFFFC_FFF0)]
#[case(-1.0, -1.0, 0xFFF0_FF00)]
#[case(-250.0, -55.0, 0xF060_C900)]
fn fourteen_bit_words(#[case] celsius: f64, #[case] cold: f64, #[case] word: u32) {
    let part = FourteenBitConverter::new(ThermocoupleType::K).expect("made for type K");
    let terminals = on_the_line(part.microvolts_per_celsius(), celsius, cold);
    let found = part.word(terminals, millicelsius(cold));
    assert_eq!(found, FourteenBitWord(word), "{:#010x}", found.0);
    assert!(found.is_consistent());
    let reading = found.decode();
    // 0.0625 °C is 62.5 thousandths: rounded away from zero.
    assert_eq!(reading.temperature, millicelsius(celsius));
    assert_eq!(reading.cold_junction, millicelsius(cold));
    assert_eq!(reading.fault, None);
}

#[rstest]
// Computed from the layout of data sheet 19-5793.
#[case(TerminalSignal::Open, 0x0001_1901, ConverterFault::Open)]
#[case(TerminalSignal::ShortToGround, 0x0001_1902, ConverterFault::ShortToGround)]
#[case(TerminalSignal::ShortToSupply, 0x0001_1904, ConverterFault::ShortToSupply)]
fn fourteen_bit_faults(#[case] terminals: TerminalSignal, #[case] word: u32, #[case] fault: ConverterFault) {
    let part = FourteenBitConverter::new(ThermocoupleType::K).expect("made for type K");
    let found = part.word(terminals, ROOM);
    assert_eq!(found, FourteenBitWord(word));
    assert!(found.is_consistent());
    assert_eq!(found.decode().fault, Some(fault));
}

#[rstest]
#[case::all_ones(0xFFFF_FFFF, false)]
#[case::all_zeros(0x0000_0000, true)]
#[case::fault_without_a_cause(0x0001_1900, false)]
#[case::cause_without_a_fault(0x0000_1901, false)]
// Seen in public: a word with T+ tied to ground and no fault bit.
#[case::short_that_goes_unflagged(0x0150_1790, true)]
fn fourteen_bit_words_that_no_part_sends(#[case] word: u32, #[case] consistent: bool) {
    assert_eq!(FourteenBitWord(word).is_consistent(), consistent);
}

#[rstest]
// Data sheet 19-2235: layout; words computed from it.
#[case(0.0, 0x0000)]
#[case(0.25, 0x0008)]
#[case(25.0, 0x0320)]
#[case(100.75, 0x0C98)]
#[case(1000.0, 0x7D00)]
#[case(1023.75, 0x7FF8)]
fn twelve_bit_words(#[case] celsius: f64, #[case] word: u16) {
    let found = TwelveBitConverter.word(on_the_line(41.0, celsius, 25.0), ROOM);
    assert_eq!(found, TwelveBitWord(word), "{:#06x}", found.0);
    assert_eq!(found.temperature(), millicelsius(celsius));
    assert!(found.is_consistent() && !found.is_open());
}

#[test]
fn the_twelve_bit_part_flags_an_open_probe_and_nothing_else() {
    let open = TwelveBitConverter.convert(TerminalSignal::Open, ROOM);
    assert_eq!(open.fault, Some(ConverterFault::Open));
    assert_eq!(TwelveBitConverter.word(TerminalSignal::Open, ROOM), TwelveBitWord(0x0004));
    let grounded = TwelveBitConverter.convert(TerminalSignal::ShortToGround, ROOM);
    assert_eq!((grounded.temperature, grounded.fault), (ROOM, None));
    let to_supply = TwelveBitConverter.convert(TerminalSignal::ShortToSupply, ROOM);
    assert_eq!((to_supply.temperature, to_supply.fault), (TwelveBitConverter::HIGHEST, None));
    assert!(!TwelveBitWord(0xFFFF).is_consistent(), "a bus that nobody drives");
}

#[test]
fn the_twelve_bit_part_saturates_at_both_ends() {
    let at = |celsius: f64| TwelveBitConverter.convert(probe(ThermocoupleType::K, celsius), ROOM);
    assert_eq!(at(1300.0).temperature, TwelveBitConverter::HIGHEST);
    assert_eq!(at(1100.0).temperature, TwelveBitConverter::HIGHEST);
    assert_eq!(at(-50.0).temperature, MilliCelsius::new(0));
}

#[rstest]
// Computed from the reference functions and the linear law, cold junction at 25 °C, ideal parts.
#[case(-100.0, -85.33, None)]
#[case(0.0, 0.77, Some(0.60))]
#[case(25.0, 25.00, Some(25.00))]
#[case(100.0, 100.01, Some(100.51))]
#[case(200.0, 197.94, Some(199.10))]
#[case(400.0, 398.02, Some(400.53))]
#[case(600.0, 604.16, Some(608.05))]
#[case(800.0, 806.93, Some(812.20))]
#[case(1000.0, 1000.76, Some(1007.33))]
#[case(1100.0, 1093.87, None)]
#[case(1200.0, 1183.98, None)]
#[case(1300.0, 1270.52, None)]
fn a_true_type_k_probe_reads_off_the_line(#[case] truth: f64, #[case] fourteen: f64, #[case] twelve: Option<f64>) {
    let half_a_step = 0.125 + 0.006;
    let part = FourteenBitConverter::new(ThermocoupleType::K).expect("made for type K");
    let found = part.convert(probe(ThermocoupleType::K, truth), ROOM).temperature.to_celsius().value();
    assert!((found - fourteen).abs() <= half_a_step, "14 bits: {found}");
    if let Some(twelve) = twelve {
        let found = TwelveBitConverter.convert(probe(ThermocoupleType::K, truth), ROOM);
        let found = found.temperature.to_celsius().value();
        assert!((found - twelve).abs() <= half_a_step, "12 bits: {found}");
    }
}

#[test]
fn slopes_are_those_of_the_reference_emf_at_a_thousand_degrees() {
    for kind in ThermocoupleType::ALL {
        let Some(part) = FourteenBitConverter::new(kind) else {
            assert_eq!(kind, ThermocoupleType::B);
            continue;
        };
        if kind != ThermocoupleType::T {
            let mean = kind.emf(Celsius::new(1000.0)).expect("in range").value() / 1000.0;
            assert!((part.microvolts_per_celsius() - mean).abs() < 0.0006, "{kind:?}: {mean}");
        }
    }
}

#[rstest]
// Register layout as read in public driver source; bytes computed from it.
#[case(1600.0, [0x64, 0x00, 0x00])]
#[case(1000.0, [0x3E, 0x80, 0x00])]
#[case(100.9375, [0x06, 0x4F, 0x00])]
#[case(25.0, [0x01, 0x90, 0x00])]
#[case(0.0625, [0x00, 0x01, 0x00])]
#[case(0.0078125, [0x00, 0x00, 0x20])]
#[case(0.0, [0x00, 0x00, 0x00])]
#[case(-0.0078125, [0xFF, 0xFF, 0xE0])]
#[case(-0.0625, [0xFF, 0xFF, 0x00])]
#[case(-0.25, [0xFF, 0xFC, 0x00])]
#[case(-1.0, [0xFF, 0xF0, 0x00])]
#[case(-250.0, [0xF0, 0x60, 0x00])]
fn linearised_temperature_registers(#[case] celsius: f64, #[case] bytes: [u8; 3]) {
    let kind = if celsius > 1300.0 { ThermocoupleType::S } else { ThermocoupleType::N };
    let part = LinearisedConverter::new(kind);
    let emf = kind.terminal_emf(Celsius::new(celsius), ROOM.to_celsius()).expect("in range");
    let terminals = TerminalSignal::Voltage(Nanovolts::from_microvolts(emf).expect("fits"));
    let registers = part.registers(terminals, ROOM);
    assert_eq!(registers.temperature, bytes, "{:02x?}", registers.temperature);
    assert_eq!(registers.decode(), part.convert(terminals, ROOM));
}

#[rstest]
// As above.
#[case(127.984375, [0x7F, 0xFC])]
#[case(125.0, [0x7D, 0x00])]
#[case(25.0, [0x19, 0x00])]
#[case(0.015625, [0x00, 0x04])]
#[case(0.0, [0x00, 0x00])]
#[case(-0.015625, [0xFF, 0xFC])]
#[case(-1.0, [0xFF, 0x00])]
#[case(-55.0, [0xC9, 0x00])]
fn linearised_cold_junction_registers(#[case] celsius: f64, #[case] bytes: [u8; 2]) {
    let part = LinearisedConverter::new(ThermocoupleType::K);
    let registers = part.registers(TerminalSignal::Open, millicelsius(celsius));
    assert_eq!(registers.cold_junction, bytes, "{:02x?}", registers.cold_junction);
    assert_eq!(registers.status, 0x01);
}

#[test]
fn the_linearised_part_is_right_to_half_a_step() {
    for kind in ThermocoupleType::ALL {
        let part = LinearisedConverter::new(kind);
        // A hundredth inside: rounding to nanovolts may carry the very ends out of range.
        let lowest = kind.lowest_invertible().value().max(-200.0) + 0.01;
        let highest = kind.range().1.value() - 0.01;
        for step in 0..=400 {
            let celsius = lowest + (highest - lowest) * f64::from(step) / 400.0;
            let reading = part.convert(probe(kind, celsius), ROOM);
            assert_eq!(reading.fault, None, "{kind:?} {celsius}");
            let error = reading.temperature.to_celsius().value() - celsius;
            // Half a step, thousandths of rounding at both borders, the tables' error.
            assert!(error.abs() <= 0.0039063 + 0.0022, "{kind:?} at {celsius}: {error}");
        }
    }
}

#[test]
fn the_linearised_part_flags_what_no_probe_of_its_type_can_give() {
    let part = LinearisedConverter::new(ThermocoupleType::K);
    let over = part.convert(TerminalSignal::Voltage(Nanovolts::new(60_000_000)), ROOM);
    assert_eq!((over.temperature, over.fault), (millicelsius(1372.0), Some(ConverterFault::OutOfRange)));
    let under = part.convert(TerminalSignal::Voltage(Nanovolts::new(-8_000_000)), ROOM);
    assert_eq!((under.temperature, under.fault), (millicelsius(-270.0), Some(ConverterFault::OutOfRange)));
    assert_eq!(part.registers(TerminalSignal::Voltage(Nanovolts::new(60_000_000)), ROOM).status, 0x40);
    assert_eq!(part.registers(TerminalSignal::ShortToGround, ROOM).status, 0x02);
    let shorted = part.convert(TerminalSignal::ShortToGround, ROOM);
    assert_eq!(shorted.fault, Some(ConverterFault::ShortToGround));
}

#[test]
fn a_part_polled_faster_than_it_converts_never_has_anything_new() {
    let start = RigTime::from_micros(5_000);
    let mut timer = ConversionTimer::new(start, FourteenBitConverter::CONVERSION_PERIOD);
    let mut now = start;
    for _ in 0..1000 {
        now += RigSpan::from_micros(99_999);
        assert!(!timer.read(now));
    }
    now += RigSpan::from_millis(100);
    assert!(timer.read(now));
    assert!(!timer.read(now));
}

#[test]
fn parts_that_are_not_made_are_refused() {
    let error = Converter::new(ConverterKind::TwelveBit, ThermocoupleType::S).expect_err("type K only");
    assert_eq!(error.to_string(), "the 12-bit converter is made for type K only, not for type S");
    let error = Converter::new(ConverterKind::FourteenBit, ThermocoupleType::B).expect_err("no type B");
    assert_eq!(
        error.to_string(),
        "the 14-bit converter is made for the types E, J, K, N, R, S and T only, not for type B"
    );
    for kind in [ConverterKind::Linearised, ConverterKind::FourteenBit, ConverterKind::TwelveBit] {
        let part = Converter::new(kind, ThermocoupleType::K).expect("all are made for type K");
        assert_eq!(part.kind(), kind);
        assert!(part.conversion_period() >= RigSpan::from_millis(100));
        let reading = part.convert(probe(ThermocoupleType::K, 500.0), ROOM);
        assert!((reading.temperature.value() - 500_000).abs() < 6_000, "{reading:?}");
        assert!(part.highest() >= millicelsius(1000.0));
    }
}

proptest! {
    #[test]
    fn no_voltage_and_no_cold_junction_breaks_a_part(nanovolts: i32, cold in -300_000_i64..300_000) {
        let cold = MilliCelsius::new(cold);
        for kind in ThermocoupleType::ALL {
            for part in [ConverterKind::Linearised, ConverterKind::FourteenBit, ConverterKind::TwelveBit] {
                if let Ok(part) = Converter::new(part, kind) {
                    let reading = part.convert(TerminalSignal::Voltage(Nanovolts::new(nanovolts)), cold);
                    prop_assert!(reading.temperature <= part.highest(), "{:?}", reading);
                }
            }
        }
    }

    #[test]
    fn every_word_of_a_part_is_consistent_and_every_word_decodes(nanovolts: i32, cold in -60_000_i64..130_000, word: u32) {
        let cold = MilliCelsius::new(cold);
        let terminals = TerminalSignal::Voltage(Nanovolts::new(nanovolts));
        let part = FourteenBitConverter::new(ThermocoupleType::S).expect("made for type S");
        prop_assert!(part.word(terminals, cold).is_consistent());
        prop_assert!(TwelveBitConverter.word(terminals, cold).is_consistent());
        let _ = FourteenBitWord(word).decode();
        let [a, b, c, d] = word.to_be_bytes();
        let _ = LinearisedRegisters { temperature: [a, b, c], cold_junction: [b, c], status: d }.decode();
    }
}

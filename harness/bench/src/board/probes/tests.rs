//! Converters as the board reads them.

use rstest::rstest;

use dryfire_link::ConverterPart;
use dryfire_stand_in::{Defects, MemoryImage, Settings};

use super::*;
use crate::board::setup::BoardZone;

#[rstest]
fn a_reading_on_a_chord_is_the_parts_own_or_the_step_beside_it(
    #[values('B', 'E', 'J', 'K', 'N', 'R', 'S', 'T')] letter: char,
) {
    let kind = ThermocoupleType::from_letter(letter).expect("a type");
    let part = Part::of(kind);
    let cold = MilliCelsius::new(24_300);
    let mut chord = Chord::of(kind);
    let (mut checked, mut same) = (0, 0);
    // Slow and fast changes, up and down, over every voltage that a kiln's probe gives.
    for start in (0..50_000_000).step_by(77_731) {
        for step in [0, 37, 401, 402, 3_001, -2_500, 1] {
            let voltage = Nanovolts::new(start + step);
            let conversion = part.converter.convert(TerminalSignal::Voltage(voltage), cold);
            if conversion.fault.is_some() {
                continue;
            }
            let Some(reading) = chord.reading(voltage, &part.thermocouple, cold) else { continue };
            let difference = i64::from(reading) - conversion.temperature.value();
            assert!(difference.abs() <= 8, "{voltage:?}: {difference} thousandths");
            checked += 1;
            same += u32::from(difference == 0);
        }
    }
    assert!(checked > 500 && same * 100 > checked * 97, "{same} of {checked}");
}

#[test]
fn beyond_the_range_there_is_no_chord() {
    let part = Part::of(ThermocoupleType::K);
    let cold = MilliCelsius::new(24_300);
    let mut chord = Chord::of(ThermocoupleType::K);
    for nanovolts in [60_000_000, i32::MAX, i32::MIN] {
        assert_eq!(chord.reading(Nanovolts::new(nanovolts), &part.thermocouple, cold), None);
    }
}

/// One zone of type K read by a part of that kind.
fn probes(converter: ConverterKind, poll: Option<RigSpan>) -> Probes {
    fitted(converter, poll, false)
}

/// The same, played by the rig or not.
fn fitted(converter: ConverterKind, poll: Option<RigSpan>, played: bool) -> Probes {
    let setup = BoardSetup {
        seed: 1,
        settings: Settings { zones: 1, ..Settings::default() },
        defects: Defects::NONE,
        zones: vec![BoardZone { thermocouple: ThermocoupleType::K, channel: Some(0) }],
        converter,
        played,
        bounces_for: None,
        poll,
        relays: Vec::new(),
        limiter: None,
        contacts: Vec::new(),
        ambient_millicelsius: 25_000,
        memory: MemoryImage::BLANK,
        timer_at_boot_ms: 0,
    };
    Probes::new(&setup, &mut Dice::new(1))
}

fn ms(milliseconds: i64) -> RigTime {
    RigTime::ZERO + RigSpan::from_millis(milliseconds)
}

/// A true type K probe at a temperature, terminals at 25 °C.
fn true_probe(celsius: i64) -> ProbeSignal {
    let nanovolts = ThermocoupleType::K
        .terminal_nanovolts(MilliCelsius::new(celsius * 1_000), MilliCelsius::new(25_000))
        .expect("in range");
    ProbeSignal::Voltage { nanovolts: nanovolts.value(), nanovolts_per_second: 0 }
}

/// What the board reads at ticks of 100 ms, after two seconds.
fn settled(converter: ConverterKind, signal: ProbeSignal) -> Reading {
    let mut probes = probes(converter, None);
    probes.play(0, ms(0), signal);
    (0..20).map(|tick| probes.read(ms(tick * 100 + tick % 3))[0]).last().expect("a reading")
}

/// Errors of the straight lines for a true probe, cold junction 25 °C: computed from
/// the reference function of ITS-90 and the slopes, 41.276 µV/°C (14 bits, from
/// memory) and 41 µV/°C (12 bits, data sheet).
#[rstest]
#[case::linearised(ConverterKind::Linearised, 1300, 1300.0)]
#[case::fourteen_bits_near_800(ConverterKind::FourteenBit, 800, 806.93)]
#[case::fourteen_bits_at_1200(ConverterKind::FourteenBit, 1200, 1183.98)]
#[case::fourteen_bits_at_1300(ConverterKind::FourteenBit, 1300, 1270.52)]
#[case::twelve_bits_at_1000(ConverterKind::TwelveBit, 1000, 1007.33)]
fn a_true_probe_is_read_as_the_part_reads_it(#[case] kind: ConverterKind, #[case] celsius: i64, #[case] read: f64) {
    let found = f64::from(settled(kind, true_probe(celsius)).expect("no fault")) / 1e3;
    // Half a step of a quarter degree.
    assert!((found - read).abs() <= 0.126, "{found}");
}

#[rstest]
#[case::linearised_ground(ConverterKind::Linearised, ProbeSignal::ShortToGround, Err(ProbeFault::ShortToGround))]
#[case::linearised_supply(ConverterKind::Linearised, ProbeSignal::ShortToSupply, Err(ProbeFault::ShortToSupply))]
#[case::fourteen_bits_ground(ConverterKind::FourteenBit, ProbeSignal::ShortToGround, Err(ProbeFault::ShortToGround))]
#[case::fourteen_bits_open(ConverterKind::FourteenBit, ProbeSignal::Open, Err(ProbeFault::Open))]
#[case::twelve_bits_open(ConverterKind::TwelveBit, ProbeSignal::Open, Err(ProbeFault::Open))]
// It does not flag it: no voltage, so it reads its own cold junction.
#[case::twelve_bits_ground(ConverterKind::TwelveBit, ProbeSignal::ShortToGround, Ok(25_000))]
#[case::twelve_bits_supply(ConverterKind::TwelveBit, ProbeSignal::ShortToSupply, Err(ProbeFault::OutOfRange))]
fn a_short_and_an_open_are_flagged_by_those_that_can(
    #[case] kind: ConverterKind,
    #[case] signal: ProbeSignal,
    #[case] expected: Reading,
) {
    assert_eq!(settled(kind, signal), expected);
}

#[test]
fn the_ends_of_twelve_bits_are_a_fault_and_not_a_temperature() {
    // 1023.75 °C is read from a true 1017 °C on, and everything hotter reads the same.
    assert!(settled(ConverterKind::TwelveBit, true_probe(1010)).is_ok());
    assert_eq!(settled(ConverterKind::TwelveBit, true_probe(1030)), Err(ProbeFault::OutOfRange));
    // It cannot show what is below 0 °C: a reversed probe.
    let reversed = ProbeSignal::Voltage { nanovolts: -4_000_000, nanovolts_per_second: 0 };
    assert_eq!(settled(ConverterKind::TwelveBit, reversed), Err(ProbeFault::OutOfRange));
}

#[rstest]
#[case::fourteen_bits(ConverterKind::FourteenBit, 50)]
#[case::twelve_bits(ConverterKind::TwelveBit, 200)]
fn a_read_only_part_that_is_polled_too_fast_stands_still(#[case] kind: ConverterKind, #[case] too_fast: i64) {
    let course = |poll: Option<RigSpan>, every: i64| {
        let mut probes = probes(kind, poll);
        probes.play(0, ms(0), true_probe(400));
        let mut readings = Vec::new();
        for time in (0..4_000).step_by(every as usize) {
            if time == 2_000 {
                probes.play(0, ms(time), true_probe(500));
            }
            readings.push(probes.read(ms(time))[0]);
        }
        (readings[readings.len() / 2 - 1], readings[readings.len() - 1])
    };
    let (before, after) = course(None, 100);
    assert_ne!(before, after, "left its time, it follows");
    let (before, after) = course(Some(RigSpan::from_millis(too_fast)), too_fast);
    assert_eq!(before, after, "it never gets done");
}

#[test]
fn a_linearised_part_converts_whoever_looks() {
    let mut probes = probes(ConverterKind::Linearised, None);
    probes.play(0, ms(0), true_probe(400));
    for time in (0..1_000).step_by(10) {
        let _ = probes.read(ms(time))[0];
    }
    assert!((probes.read(ms(1_000))[0].expect("no fault") - 400_000).abs() < 20);
}

#[test]
fn what_the_rig_adds_is_in_the_reading_and_a_loose_contact_is_open() {
    let mut probes = probes(ConverterKind::Linearised, None);
    probes.play(0, ms(0), true_probe(400));
    let read = |probes: &mut Probes, from: i64, to: i64| -> Vec<Reading> {
        (from..to).step_by(100).map(|time| probes.read(ms(time))[0]).collect()
    };
    read(&mut probes, 0, 1_000);
    let noise = Disturbance { seed: 3, noise_nanovolts: 84_000, noise_every_ms: 100, ..Disturbance::NONE };
    probes.disturb(0, ms(1_000), noise);
    let noisy = read(&mut probes, 1_200, 6_000);
    let spread: Vec<i32> = noisy.iter().map(|reading| reading.expect("no fault") - 400_000).collect();
    // Two degrees at 42 µV/°C (ITS-90, type K at 400 °C).
    assert!(spread.iter().any(|off| *off > 1_500) && spread.iter().any(|off| *off < -1_500), "{spread:?}");
    assert!(spread.iter().all(|off| off.abs() < 7_000), "{spread:?}");
    probes.disturb(0, ms(6_000), Disturbance { open_ms: 500, closed_ms: 500, ..Disturbance::NONE });
    let loose = read(&mut probes, 6_200, 10_000);
    let open = loose.iter().filter(|reading| **reading == Err(ProbeFault::Open)).count();
    assert!(open > loose.len() / 3 && open < loose.len() * 2 / 3, "{open} of {}", loose.len());
    probes.disturb(0, ms(10_000), Disturbance::NONE);
    assert!(read(&mut probes, 10_200, 11_000).iter().all(|reading| reading.is_ok()));
}

/// The law of each part for a true probe at 1200 °C and terminals of 60 °C: what it reads
/// is the junction's temperature and the voltage on its line. E(1200 °C) is 48,838 µV and
/// E(60 °C) 2436 µV (ITS-90, type K); slopes as above.
#[rstest]
#[case::linearised(ConverterKind::Linearised, 1200, 1200.0)]
#[case::fourteen_bits(ConverterKind::FourteenBit, 1200, 60.0 + (48_838.0 - 2_436.0) / 41.276)]
// At 900 °C, within its range: E(900 °C) is 37,326 µV.
#[case::twelve_bits(ConverterKind::TwelveBit, 900, 60.0 + (37_326.0 - 2_436.0) / 41.0)]
fn warm_terminals_are_measured_and_no_reading_between_is_wrong(
    #[case] kind: ConverterKind,
    #[case] celsius: i64,
    #[case] expected: f64,
    #[values(1_000, 1_037, 1_099)] warmed_at: i64,
) {
    let played = |terminals: i64| {
        let nanovolts = ThermocoupleType::K
            .terminal_nanovolts(MilliCelsius::new(celsius * 1_000), MilliCelsius::new(terminals))
            .expect("in range");
        ProbeSignal::Voltage { nanovolts: nanovolts.value(), nanovolts_per_second: 0 }
    };
    let mut probes = probes(kind, None);
    probes.play(0, ms(0), played(25_000));
    let mut readings = Vec::new();
    let mut warmed = false;
    for time in (0..3_000).step_by(50) {
        if time >= warmed_at && !warmed {
            warmed = true;
            probes.warm(ms(warmed_at), MilliCelsius::new(60_000));
            probes.play(0, ms(warmed_at), played(60_000));
        }
        readings.push(probes.read(ms(time))[0]);
    }
    let first = f64::from(readings[15].expect("no fault")) / 1e3;
    let last = f64::from(readings[readings.len() - 1].expect("no fault")) / 1e3;
    assert!((last - expected).abs() <= 0.13, "{last} for {expected}");
    // Forty degrees taken for twenty-five would show as a jump.
    for reading in &readings[15..] {
        let reading = f64::from(reading.expect("no fault")) / 1e3;
        assert!(reading == first || reading == last, "{reading} is neither {first} nor {last}");
    }
}

fn played(part: ConverterPart, poll: Option<RigSpan>) -> Probes {
    let kind = match part {
        ConverterPart::FourteenBit => ConverterKind::FourteenBit,
        ConverterPart::TwelveBit => ConverterKind::TwelveBit,
        ConverterPart::Linearised => ConverterKind::Linearised,
    };
    let mut probes = fitted(kind, poll, true);
    let converter = PlayedConverter { part, thermocouple: b'K', cold_junction_millicelsius: 25_000 };
    probes.play_converter(0, ms(0), converter);
    probes
}

#[test]
fn a_played_converter_is_silent_until_the_rig_plays_it() {
    let mut probes = fitted(ConverterKind::FourteenBit, None, true);
    probes.play(0, ms(0), true_probe(400));
    for time in (0..2_000).step_by(100) {
        assert_eq!(probes.read(ms(time))[0], Err(ProbeFault::NoAnswer));
    }
}

#[rstest]
#[case::fourteen_bits(ConverterPart::FourteenBit, ConverterKind::FourteenBit)]
#[case::twelve_bits(ConverterPart::TwelveBit, ConverterKind::TwelveBit)]
fn a_played_converter_reads_as_the_part_that_it_plays(#[case] part: ConverterPart, #[case] kind: ConverterKind) {
    let signals = [
        true_probe(20),
        true_probe(400),
        true_probe(1_000),
        true_probe(1_300),
        ProbeSignal::Voltage { nanovolts: -4_000_000, nanovolts_per_second: 0 },
        ProbeSignal::Open,
        ProbeSignal::Short,
        ProbeSignal::ShortToGround,
        ProbeSignal::ShortToSupply,
    ];
    let course = |probes: &mut Probes| {
        let mut readings = Vec::new();
        for time in (0..18_000).step_by(100) {
            if time % 2_000 == 0 {
                probes.play(0, ms(time), signals[time as usize / 2_000]);
            }
            let reading = probes.read(ms(time))[0];
            // Whether the change is in the first conversion after it is a matter of the conversion's place.
            if time % 2_000 >= 1_000 {
                readings.push(reading);
            }
        }
        readings
    };
    assert_eq!(course(&mut played(part, None)), course(&mut fitted(kind, None, false)));
}

/// With registers an open probe is found at every sixteenth conversion only, and a reading beyond the rails stays; what is
/// neither is read as by the part of the virtual bench.
#[test]
fn registers_that_are_played_read_as_the_part_that_they_are_of() {
    let steps = [20, 400, 1_000, 1_300, 20, 700];
    let course = |probes: &mut Probes| {
        let mut readings = Vec::new();
        for time in (0..12_000).step_by(100) {
            if time % 2_000 == 0 {
                probes.play(0, ms(time), true_probe(steps[time as usize / 2_000]));
            }
            let reading = probes.read(ms(time))[0];
            if time % 2_000 >= 1_000 {
                readings.push(reading.map(|reading| (reading + 5) / 10));
            }
        }
        readings
    };
    let mut registers = played(ConverterPart::Linearised, None);
    assert_eq!(course(&mut registers), course(&mut fitted(ConverterKind::Linearised, None, false)));
    let settled = |probes: &mut Probes, from: i64, length: i64| {
        (from..from + length).step_by(100).map(|time| probes.read(ms(time))[0]).last().expect("readings")
    };
    registers.play(0, ms(12_000), ProbeSignal::ShortToSupply);
    assert_eq!(settled(&mut registers, 12_000, 500), Err(ProbeFault::ShortToSupply));
    registers.play(0, ms(13_000), ProbeSignal::Open);
    assert_eq!(settled(&mut registers, 13_000, 2_000), Err(ProbeFault::Open));
    // With the supply goes what was written: it is set up again at the first look, and reads on a conversion later.
    registers.start(ms(16_000));
    registers.play(0, ms(16_000), true_probe(400));
    assert_eq!(registers.read(ms(16_000))[0], Err(ProbeFault::NoAnswer));
    assert_eq!(settled(&mut registers, 16_100, 500).map(|reading| (reading + 500) / 1_000), Ok(400));
}

#[test]
fn a_played_converter_that_is_polled_too_fast_stands_still() {
    let mut probes = played(ConverterPart::FourteenBit, Some(RigSpan::from_millis(50)));
    probes.play(0, ms(0), true_probe(400));
    for time in (50..4_000).step_by(50) {
        // It has never finished a conversion, so it shows what it began with.
        assert_eq!(probes.read(ms(time))[0], Err(ProbeFault::Open));
    }
}

#[test]
fn a_played_converter_begins_anew_with_the_supply_and_tells_a_warmer_junction() {
    let mut probes = played(ConverterPart::FourteenBit, None);
    probes.play(0, ms(0), ProbeSignal::Short);
    let settled = |probes: &mut Probes, from: i64| {
        (from..from + 500).step_by(100).map(|time| probes.read(ms(time))[0]).last().expect("readings")
    };
    assert_eq!(settled(&mut probes, 0), Ok(25_000));
    probes.warm(ms(1_000), MilliCelsius::new(60_000));
    assert_eq!(settled(&mut probes, 1_000), Ok(60_000));
    probes.start(ms(2_000));
    assert_eq!(probes.read(ms(2_010))[0], Err(ProbeFault::Open));
}

/// A board's ticks of 100 ms, of which one in two or three leaves the part time to convert.
#[rstest]
#[case::linearised(ConverterKind::Linearised, 1)]
#[case::fourteen_bits(ConverterKind::FourteenBit, 2)]
#[case::twelve_bits(ConverterKind::TwelveBit, 3)]
fn at_which_ticks_a_part_is_looked_at_is_drawn_at_each_boot(#[case] kind: ConverterKind, #[case] every: usize) {
    let tick = RigSpan::from_millis(100);
    let mut dice = Dice::new(5);
    let mut first_looks = std::collections::BTreeSet::new();
    let mut probes = probes(kind, None);
    probes.play(0, ms(0), true_probe(400));
    for boot in 1..=20 {
        let booted = 10_000 * boot + 7;
        probes.booted(ms(booted), tick, &mut dice);
        // At each tick the kiln is 10 °C hotter; a reading changes when it is looked at.
        let mut readings = Vec::new();
        for place in 1..=12 {
            let now = booted + 100 * place - 50;
            probes.play(0, ms(now - 40), true_probe(400 + 10 * place));
            readings.push(probes.read(ms(now))[0]);
        }
        let first = readings.iter().position(|reading| reading.is_ok()).expect("it is looked at");
        // What it read before the boot is gone with the memory.
        assert!(readings[..first].iter().all(|reading| *reading == Err(ProbeFault::NoAnswer)), "{readings:?}");
        let looks: Vec<usize> = (first..readings.len())
            .filter(|place| *place == first || readings[*place] != readings[place - 1])
            .collect();
        assert!(looks.iter().all(|place| (place - first).is_multiple_of(every)) && looks.len() >= 3, "{looks:?}");
        first_looks.insert(first);
    }
    assert_eq!(first_looks, (0..every).collect(), "each of its ticks");
}

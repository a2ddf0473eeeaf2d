//! What wrong probes and wires read, against worked examples.
//!
//! Expected values: computed from the reference functions of ITS-90 by an
//! independent program, to the degree; box at 25 °C.

use rstest::rstest;

use super::*;

const BOX: Terminals = Terminals { celsius: 25.0, believed: 25.0, room: 25.0 };

fn probe(letter: char) -> Probe {
    Probe::new(ThermocoupleType::from_letter(letter).expect("a type"), Some(0), 45.0, BOX)
}

fn still(celsius: f64) -> Junction {
    Junction { celsius, slope: 0.0 }
}

/// What an instrument set to a type reads with a fault, in °C.
fn read(instrument: char, celsius: f64, fault: ProbeFault) -> Option<f64> {
    let mut probe = probe(instrument);
    probe.begin(RigTime::ZERO, still(celsius), fault);
    let shown = probe.shown(RigTime::ZERO, still(celsius), BOX).map(|shown| shown as f64 / 1e3);
    // What is played and what is said to be shown are the same thing.
    if let (Some(shown), ProbeSignal::Voltage { nanovolts, .. }) =
        (shown, probe.signal(RigTime::ZERO, still(celsius), BOX))
    {
        let kind = ThermocoupleType::from_letter(instrument).expect("a type");
        let played = kind.reading(Microvolts::new(f64::from(nanovolts) / 1e3), Celsius::new(25.0)).expect("in range");
        assert!((played.value() - shown).abs() < 0.02, "{played:?} {shown}");
    }
    shown
}

fn assert_reads(found: Option<f64>, expected: f64) {
    let found = found.expect("a reading");
    assert!((found - expected).abs() <= 1.0, "{found} and not {expected}");
}

#[rstest]
#[case::n_on_k('N', 'K', 1076.0)]
#[case::s_on_r('S', 'R', 1107.0)]
#[case::k_on_j('K', 'J', 856.0)]
#[case::s_on_k('S', 'K', 314.0)]
#[case::r_on_s('R', 'S', 1306.0)]
fn a_probe_of_another_type_at_1200_reads(#[case] probe: char, #[case] instrument: char, #[case] expected: f64) {
    assert_reads(read(instrument, 1200.0, ProbeFault::AnotherType(probe)), expected);
    assert_reads(read(instrument, 1200.0, ProbeFault::AnotherType(instrument)), 1200.0);
}

#[rstest]
#[case::copper('K', ExtensionWire::Copper, 1188.0)]
#[case::reversed('K', ExtensionWire::Reversed, 1127.0)]
#[case::of_type_k_on_s('S', ExtensionWire::AnotherType('K'), 1407.0)]
#[case::the_right_one('K', ExtensionWire::AnotherType('K'), 1250.0)]
fn with_the_head_at_80_a_wrong_extension_wire_at_1250_reads(
    #[case] instrument: char,
    #[case] wire: ExtensionWire,
    #[case] expected: f64,
) {
    assert_reads(read(instrument, 1250.0, ProbeFault::Extension { wire, head_millicelsius: 80_000 }), expected);
}

#[rstest]
#[case(50.0, -0.6)]
#[case(100.0, -56.0)]
fn a_reversed_type_k_reads(#[case] celsius: f64, #[case] expected: f64) {
    let found = read('K', celsius, ProbeFault::Reversed).expect("a reading");
    assert!((found - expected).abs() < 0.6, "{found}");
}

#[test]
fn two_reversals_do_not_cancel_in_the_extension_wire() {
    // Probe and extension both swapped at the head: the kiln's part is right again, the wire's is not.
    let found = read('K', 1250.0, ProbeFault::Extension { wire: ExtensionWire::Reversed, head_millicelsius: 80_000 });
    assert!(found.expect("a reading") < 1_200.0);
}

#[test]
fn a_short_reads_the_box_and_one_in_the_head_reads_the_head() {
    assert_reads(read('K', 1000.0, ProbeFault::Short), 25.0);
    assert_reads(read('K', 1000.0, ProbeFault::ShortInHead { head_millicelsius: 80_000 }), 80.0);
}

#[test]
fn shorts_to_ground_and_supply_are_no_voltage() {
    let mut probe = probe('K');
    for (fault, signal) in [
        (ProbeFault::ShortToGround, ProbeSignal::ShortToGround),
        (ProbeFault::ShortToSupply, ProbeSignal::ShortToSupply),
    ] {
        probe.begin(RigTime::ZERO, still(900.0), fault);
        assert_eq!(probe.signal(RigTime::ZERO, still(900.0), BOX), signal);
        assert_eq!(probe.shown(RigTime::ZERO, still(900.0), BOX), None);
    }
}

#[test]
fn a_drift_grows_by_the_hour_and_bends_the_slope() {
    let mut probe = probe('K');
    probe.begin(RigTime::ZERO, still(900.0), ProbeFault::Drift(-20_000));
    let at = RigTime::ZERO + RigSpan::from_minutes(90);
    assert_eq!(probe.shown(at, still(900.0), BOX), Some(870_000));
    let ProbeSignal::Voltage { nanovolts_per_second, .. } = probe.signal(at, still(900.0), BOX) else { panic!() };
    // 20 °C/h at some 41 µV/°C.
    assert!((-240..-215).contains(&nanovolts_per_second), "{nanovolts_per_second}");
}

#[test]
fn terminals_warmer_than_believed_make_it_read_low_by_about_as_much() {
    let mut probe = probe('K');
    let warm = Terminals { celsius: 45.0, believed: 25.0, room: 25.0 };
    probe.at_terminals(warm);
    let shown = probe.shown(RigTime::ZERO, still(1000.0), warm).expect("a reading");
    assert!((979_000..981_500).contains(&shown), "{shown}");
    // A short is read by what the converter believes, however warm the terminals are.
    probe.begin(RigTime::ZERO, still(1000.0), ProbeFault::Short);
    assert_eq!(probe.shown(RigTime::ZERO, still(1000.0), warm), Some(25_000));
}

#[test]
fn a_warm_box_whose_warmth_is_measured_changes_the_voltage_and_not_the_reading() {
    let mut probe = probe('K');
    let warm = Terminals { celsius: 60.0, believed: 60.0, room: 25.0 };
    let cold = probe.signal(RigTime::ZERO, still(1000.0), BOX);
    probe.at_terminals(warm);
    assert_eq!(probe.shown(RigTime::ZERO, still(1000.0), warm), Some(1_000_000));
    let ProbeSignal::Voltage { nanovolts: before, .. } = cold else { panic!("{cold:?}") };
    let played = probe.signal(RigTime::ZERO, still(1000.0), warm);
    let ProbeSignal::Voltage { nanovolts: after, .. } = played else { panic!("{played:?}") };
    // ITS-90, type K: E(60 °C) is 2436 µV, E(25 °C) 1000 µV.
    assert!((f64::from(before - after) / 1e3 - 1436.0).abs() < 1.0, "{before} {after}");
    // What reads the junction or the room tells them apart.
    probe.begin(RigTime::ZERO, still(1000.0), ProbeFault::PulledOut);
    let later = RigTime::ZERO + RigSpan::from_seconds(3600);
    assert_eq!(probe.shown(later, still(1000.0), warm), Some(25_000));
    probe.begin(later, still(1000.0), ProbeFault::Short);
    assert_eq!(probe.shown(later, still(1000.0), warm), Some(60_000));
}

#[test]
fn another_probe_at_the_terminals_counts_with_its_own_type() {
    let mut probe = probe('K');
    probe.hang(ThermocoupleType::S);
    assert_reads(probe.shown(RigTime::ZERO, still(1200.0), BOX).map(|shown| shown as f64 / 1e3), 314.0);
    probe.hang(ThermocoupleType::K);
    assert_eq!(probe.shown(RigTime::ZERO, still(1200.0), BOX), Some(1_200_000));
}

#[test]
fn what_the_rig_adds_is_worked_out_at_the_present_temperature_and_hides_what_is_shown() {
    let mut probe = probe('K');
    let noise = probe.begin(RigTime::ZERO, still(1000.0), ProbeFault::Noise { rms_millicelsius: 2_000 });
    // About 39 µV/°C at 1000 °C (ITS-90, type K).
    let noise = noise.expect("made by the rig").noise_nanovolts;
    assert!((77_000..79_000).contains(&noise), "{noise}");
    assert_eq!(probe.shown(RigTime::ZERO, still(1000.0), BOX), None, "not known while it is disturbed");
    let spike = ProbeFault::Spikes {
        by_millicelsius: 300_000,
        length: RigSpan::from_millis(200),
        every: RigSpan::from_seconds(10),
    };
    let both = probe.begin(RigTime::ZERO, still(1000.0), spike).expect("made by the rig");
    assert_eq!((both.noise_nanovolts, both.spike_ms, both.spike_every_ms), (noise, 200, 10_000));
    assert!((11_000_000..11_300_000).contains(&both.spike_nanovolts), "{}", both.spike_nanovolts);
    assert_eq!(probe.mend(RigTime::ZERO), Some(Disturbance::NONE), "the rig has to be told");
    assert_eq!(probe.mend(RigTime::ZERO), None);
    assert_eq!(probe.shown(RigTime::ZERO, still(1000.0), BOX), Some(1_000_000));
}

#[test]
fn a_spike_beyond_the_types_range_is_drawn_on_with_the_slope_there_is() {
    let mut probe = probe('K');
    let spike = ProbeFault::Spikes {
        by_millicelsius: 300_000,
        length: RigSpan::from_millis(200),
        every: RigSpan::from_seconds(10),
    };
    let made = probe.begin(RigTime::ZERO, still(1250.0), spike).expect("made by the rig");
    assert!((10_000_000..12_000_000).contains(&made.spike_nanovolts), "{}", made.spike_nanovolts);
}

#[test]
fn what_is_no_number_is_no_temperature() {
    assert_eq!(quantised(1.2345), Some(1_235));
    for nothing in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 1e300] {
        assert_eq!(quantised(nothing), None);
    }
}

#[test]
fn a_dither_goes_on_all_the_time_adds_to_a_noise_and_hides_nothing() {
    let mut probe = probe('K');
    // Type K to 1280 °C: 51.7 mV (ITS-90), so 40.6 µV/°C on the whole.
    let dither = probe.dither(300, 1280.0).expect("made by the rig");
    assert!((12_100..12_200).contains(&dither.noise_nanovolts), "{dither:?}");
    assert_eq!(probe.shown(RigTime::ZERO, still(1000.0), BOX), Some(1_000_000), "it is within the uncertainty");
    let noise = probe.begin(RigTime::ZERO, still(1000.0), ProbeFault::Noise { rms_millicelsius: 300 });
    // 0.3 °C at 38.9 µV/°C, and the dither: their squares add.
    let rms = noise.expect("made by the rig").noise_nanovolts;
    assert!((16_700..16_900).contains(&rms), "{rms}");
    let left = probe.mend(RigTime::ZERO).expect("the rig has to be told");
    assert_eq!(left.noise_nanovolts, dither.noise_nanovolts);
}

#[test]
fn a_reading_that_freezes_is_not_dithered_until_it_is_in_order_again() {
    let mut probe = probe('K');
    let dither = probe.dither(300, 1280.0).expect("made by the rig");
    let frozen = probe.begin(RigTime::ZERO, still(1000.0), ProbeFault::Frozen);
    assert_eq!(frozen, Some(Disturbance::NONE), "to the last digit");
    let again = probe.mend(RigTime::ZERO).expect("the rig has to be told");
    assert_eq!(again.noise_nanovolts, dither.noise_nanovolts);
    assert_eq!(probe.begin(RigTime::ZERO, still(1000.0), ProbeFault::Offset(5_000)), None, "it goes on as it was");
}

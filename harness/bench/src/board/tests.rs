use dryfire_scenario::{ActiveLevel, ContactRole, ContactState, Segment, Senses};
use dryfire_stand_in::{Defect, Defects, Phase, Settings, Stored, StoredState};
use dryfire_units::ThermocoupleType;
use dryfire_units::converter::ConverterKind;
use proptest::prelude::*;
use proptest::test_runner::{Config, RngSeed};

use super::*;

const SAFETY: u8 = 0;

fn setup(seed: u64) -> BoardSetup {
    let relay = |zone: Option<usize>, input, senses, active| RelayWire { zone, input, senses, active };
    let contact = |role, output, engaged| ContactWire { role, output, engaged };
    BoardSetup {
        seed,
        settings: Settings { zones: 2, ..Settings::default() },
        defects: Defects::NONE,
        zones: vec![
            BoardZone { thermocouple: ThermocoupleType::K, channel: Some(0) },
            BoardZone { thermocouple: ThermocoupleType::S, channel: Some(3) },
        ],
        relays: vec![
            relay(None, SAFETY, Senses::Contact, ActiveLevel::High),
            relay(Some(0), 4, Senses::Command, ActiveLevel::Low),
            relay(Some(1), 5, Senses::Command, ActiveLevel::High),
        ],
        limiter: None,
        contacts: vec![
            contact(ContactRole::Lid, 0, ContactState::Open),
            contact(ContactRole::Stop, 1, ContactState::Closed),
            contact(ContactRole::Start, 2, ContactState::Closed),
        ],
        ambient_millicelsius: 25_000,
        memory: MemoryImage::BLANK,
        converter: ConverterKind::Linearised,
        played: false,
        bounces_for: None,
        poll: None,
        timer_at_boot_ms: 0,
    }
}

fn firing_program() -> [Segment; 2] {
    [
        Segment::Ramp { rate_millicelsius_per_hour: 300_000, to_millicelsius: 900_000 },
        Segment::Hold { length: RigSpan::from_minutes(20) },
    ]
}

/// Type K and type S at 300 °C with the terminals at 25 °C (IEC 60584-1 tables:
/// 12.209 − 1.000 mV and 2.323 − 0.143 mV), rising slowly.
fn warm(board: &mut StandInBoard) {
    let volts = |nanovolts| ProbeSignal::Voltage { nanovolts, nanovolts_per_second: 700 };
    let now = board.now();
    board.set_probe(0, now, volts(11_209_000));
    board.set_probe(3, now, volts(2_180_000));
}

fn at(seconds: f64) -> RigTime {
    RigTime::from_micros((seconds * 1e6) as i64)
}

fn run(board: &mut StandInBoard, seconds: f64) -> Vec<BoardEvent> {
    let mut events = Vec::new();
    let until = board.now() + RigSpan::from_micros((seconds * 1e6) as i64);
    board.run_until(until, &mut |event| events.push(event));
    events
}

fn firing(setup: BoardSetup) -> StandInBoard {
    let mut board = StandInBoard::new(setup.with_program(&firing_program()).expect("a good program"));
    warm(&mut board);
    run(&mut board, 4.0);
    board.console_line(board.now(), "start");
    run(&mut board, 3.0);
    board
}

fn safety_edges(events: &[BoardEvent]) -> Vec<(RigTime, bool)> {
    let edge = |event: &BoardEvent| match event {
        BoardEvent::Edge { at, input: SAFETY, high } => Some((*at, *high)),
        _ => None,
    };
    events.iter().filter_map(edge).collect()
}

fn said(events: &[BoardEvent], text: &str) -> bool {
    events.iter().any(|event| matches!(event, BoardEvent::Console { line, .. } if line.contains(text)))
}

#[test]
fn the_controller_reads_what_is_played_to_it() {
    let mut board = StandInBoard::new(setup(1));
    warm(&mut board);
    run(&mut board, 2.0);
    board.console_line(board.now(), "status");
    let events = run(&mut board, 0.5);
    let status = events.iter().find_map(|event| match event {
        BoardEvent::Console { line, .. } => line.strip_prefix("status: idle; zones ").map(str::to_owned),
        _ => None,
    });
    let status = status.expect("a status line");
    let shown: Vec<f64> = status.split(" C").filter_map(|number| number.trim().parse().ok()).collect();
    // The table values are rounded to a microvolt, which is 0.1 °C of type S, and
    // the voltage has risen for two seconds.
    assert!(matches!(shown[..], [k, s] if (k - 300.0).abs() <= 0.1 && (s - 300.1).abs() <= 0.25), "{status}");
}

#[test]
fn inputs_that_are_high_while_their_relay_is_off_show_it_at_once() {
    let mut board = StandInBoard::new(setup(1));
    let events = run(&mut board, 0.1);
    assert_eq!(events, [BoardEvent::Edge { at: RigTime::ZERO, input: 4, high: true }]);
}

#[test]
fn a_start_button_begins_the_stored_program() {
    let mut board = StandInBoard::new(setup(2).with_program(&firing_program()).expect("a good program"));
    warm(&mut board);
    run(&mut board, 4.0);
    board.set_contact(2, true, board.now());
    let mut events = run(&mut board, 0.5);
    assert!(said(&events, "firing begun"), "{events:?}");
    board.set_contact(2, false, board.now());
    events.extend(run(&mut board, 1.0));
    assert!(events.iter().any(|event| matches!(event, BoardEvent::Edge { input: 4, high: false, .. })), "{events:?}");
}

#[test]
fn a_program_that_the_controller_refuses_makes_no_board() {
    let hot = [Segment::Ramp { rate_millicelsius_per_hour: 300_000, to_millicelsius: 1_400_000 }];
    assert!(matches!(setup(2).with_program(&hot), Err(BoardSetupError::Program(_))));
    assert!(matches!(setup(2).with_program(&[]), Err(BoardSetupError::Program(_))));
}

#[test]
fn an_open_probe_ends_in_a_latched_fault() {
    let mut board = firing(setup(3));
    board.set_probe(3, board.now(), ProbeSignal::Open);
    let events = run(&mut board, 5.0);
    assert!(said(&events, "fault latched: zone 2: probe open circuit"), "{events:?}");
    assert_eq!(safety_edges(&events).len(), 1);
}

#[test]
fn edges_do_not_sit_on_a_grid() {
    let mut board = firing(setup(4));
    let events = run(&mut board, 600.0);
    let edges: Vec<i64> = events
        .iter()
        .filter(|event| matches!(event, BoardEvent::Edge { .. }))
        .map(|event| event.at().as_micros())
        .collect();
    assert!(edges.len() > 50);
    for grid in [100, 1_000, 10_000, 100_000] {
        let places: std::collections::BTreeSet<_> = edges.iter().map(|micros| micros % grid).collect();
        assert!(places.len() * 3 > edges.len().min(grid as usize), "{} places in {grid} µs", places.len());
    }
}

#[test]
fn another_seed_has_another_phase_and_the_same_seed_the_same_run() {
    let events = |seed| run(&mut firing(setup(seed)), 60.0);
    assert_eq!(events(5), events(5));
    assert_ne!(events(5), events(6));
}

#[test]
fn a_supply_cut_drops_the_relays_and_the_latch_survives_it() {
    let mut board = firing(setup(7));
    board.set_probe(0, board.now(), ProbeSignal::Open);
    run(&mut board, 6.0);
    warm(&mut board);
    board.set_supply(false, board.now());
    run(&mut board, 1.0);
    assert!(board.controller().is_none());
    board.console_line(board.now(), "start");
    board.set_supply(true, board.now());
    let events = run(&mut board, 10.0);
    assert!(said(&events, "fault still latched: zone 1: probe open circuit"), "{events:?}");
    assert!(!said(&events, "refused"), "a line sent to a dead controller is lost");
    assert!(safety_edges(&events).is_empty());
}

#[test]
fn a_cut_while_firing_opens_every_relay_and_the_firing_goes_on_afterwards() {
    let mut board = firing(setup(8));
    run(&mut board, 30.0);
    let cut = board.now();
    board.set_supply(false, cut);
    let events = run(&mut board, 2.0);
    let rail = events.iter().find_map(|event| match event {
        BoardEvent::SupplyRail { at, on: false } => Some(*at),
        _ => None,
    });
    let rail = rail.expect("the rail falls");
    assert!((rail - cut).as_millis() < 15);
    let (opened, high) = *safety_edges(&events).first().expect("the contactor opens");
    assert!(!high && opened > rail && (opened - rail).as_millis() < 50);
    board.set_supply(true, board.now());
    let events = run(&mut board, 10.0);
    assert!(said(&events, "supply was off: firing goes on"), "{events:?}");
}

#[test]
fn a_dip_of_a_few_milliseconds_is_bridged() {
    let mut board = firing(setup(9));
    board.set_supply(false, board.now());
    let mut events = run(&mut board, 0.005);
    board.set_supply(true, board.now());
    events.extend(run(&mut board, 1.0));
    assert!(!events.iter().any(|event| matches!(event, BoardEvent::SupplyRail { .. })), "{events:?}");
    assert!(board.controller().is_some());
}

#[test]
fn a_supply_that_bounces_leaves_the_firing_resumable_and_never_heats_while_it_boots() {
    let mut board = firing(setup(10));
    for round in 0..20 {
        board.set_supply(false, board.now());
        run(&mut board, 0.1);
        board.set_supply(true, board.now());
        let events = run(&mut board, 0.05 + 0.02 * f64::from(round));
        assert!(safety_edges(&events).is_empty());
    }
    let events = run(&mut board, 10.0);
    assert!(said(&events, "firing goes on"), "{events:?}");
}

#[test]
fn a_save_torn_at_any_moment_leaves_the_old_program_or_the_new_one() {
    let old = "300 C/h to 900 C; hold 20 min";
    let new = "200 C/h to 500 C";
    let (mut olds, mut news) = (0, 0);
    for step in 0..80 {
        let mut board = StandInBoard::new(setup(11).with_program(&firing_program()).expect("a good program"));
        warm(&mut board);
        run(&mut board, 4.0);
        board.console_line(board.now(), &format!("program {new}"));
        while board.writing.is_none() {
            run(&mut board, 0.000_1);
        }
        run(&mut board, f64::from(step) * 0.000_1);
        // The rail goes at once, as with nothing to bridge the gap.
        board.rail_follows_at = Some(board.now());
        board.supply_on = false;
        run(&mut board, 0.5);
        board.set_supply(true, board.now());
        let events = run(&mut board, 3.0);
        assert!(!said(&events, "latched"), "step {step}: {events:?}");
        let program = board.controller().expect("it runs").program().to_string();
        match program.as_str() {
            program if program == old => olds += 1,
            program if program == new => news += 1,
            other => panic!("step {step}: a mixed program {other}"),
        }
    }
    assert!(olds >= 10 && news >= 10, "{olds} old, {news} new");
}

#[test]
fn a_blank_and_a_damaged_memory_give_no_heat() {
    for slots in [[0xff; SLOT_BYTES], [0x5a; SLOT_BYTES]] {
        let mut board = StandInBoard::new(BoardSetup { memory: MemoryImage { slots: [slots; 2] }, ..setup(12) });
        warm(&mut board);
        let mut events = run(&mut board, 4.0);
        board.console_line(board.now(), "start");
        events.extend(run(&mut board, 60.0));
        assert!(safety_edges(&events).is_empty());
        assert!(said(&events, "memory blank") || said(&events, "memory damaged"), "{events:?}");
    }
}

#[test]
fn a_firing_goes_on_while_the_millisecond_timer_wraps() {
    // 2^32 ms are 49.7 days; the controller boots 20 s before.
    let mut wrapping = firing(BoardSetup { timer_at_boot_ms: u32::MAX - 20_000, ..setup(13) });
    let mut plain = firing(setup(13));
    assert_eq!(run(&mut wrapping, 120.0), run(&mut plain, 120.0));
}

#[test]
fn a_zone_without_a_probe_follows_the_one_before_it() {
    let mut wired = setup(14);
    wired.zones[1].channel = None;
    let mut board = StandInBoard::new(wired);
    warm(&mut board);
    run(&mut board, 2.0);
    board.console_line(board.now(), "status");
    let events = run(&mut board, 0.5);
    assert!(said(&events, "zones 300 C 300 C"), "{events:?}");
}

#[test]
fn outputs_that_pulse_at_boot_are_seen_by_the_rig() {
    let mut board = StandInBoard::new(BoardSetup { defects: Defects::only(Defect::OutputsPulseAtBoot), ..setup(15) });
    warm(&mut board);
    let events = run(&mut board, 2.0);
    assert_eq!(safety_edges(&events).iter().map(|(_, high)| *high).collect::<Vec<_>>(), [true, false]);
}

#[test]
fn a_stored_firing_is_not_resumed_by_a_cold_kiln() {
    let stored = Stored {
        state: StoredState::Firing,
        readings_millicelsius: [800_000; 4],
        set_point_millicelsius: 800_000,
        program: dryfire_stand_in::Program::parse("300 C/h to 900 C", 1_295_000).expect("a good program"),
        ..Stored::default()
    };
    let mut board = StandInBoard::new(BoardSetup { memory: MemoryImage::holding(&stored), ..setup(16) });
    warm(&mut board);
    let events = run(&mut board, 60.0);
    assert!(said(&events, "kiln too cold, firing not resumed"), "{events:?}");
    assert!(safety_edges(&events).is_empty());
}

#[test]
fn status_lines_take_their_time_on_the_wire() {
    let mut board = StandInBoard::new(setup(17));
    let events = run(&mut board, 1.0);
    let lines: Vec<_> = events.iter().filter(|event| matches!(event, BoardEvent::Console { .. })).collect();
    assert_eq!(lines.len(), 2, "{events:?}");
    assert!((lines[1].at() - lines[0].at()).as_micros() > 20 * LETTER_MICROS);
}

/// Something done to the board from outside.
#[derive(Clone, Debug)]
enum Deed {
    Contact(u8, bool),
    Supply(bool),
    Probe(u8, ProbeSignal),
    Line(&'static str),
}

fn any_deed() -> impl Strategy<Value = Deed> {
    let voltage = (0..30_000_000i32, -100_000..100_000i32)
        .prop_map(|(nanovolts, nanovolts_per_second)| ProbeSignal::Voltage { nanovolts, nanovolts_per_second });
    prop_oneof![
        (0..3u8, any::<bool>()).prop_map(|(output, closed)| Deed::Contact(output, closed)),
        any::<bool>().prop_map(Deed::Supply),
        (prop_oneof![Just(0u8), Just(3)], prop_oneof![3 => voltage, 1 => Just(ProbeSignal::Open)])
            .prop_map(|(channel, signal)| Deed::Probe(channel, signal)),
        prop_oneof![Just("start"), Just("stop"), Just("status"), Just("acknowledge")].prop_map(Deed::Line),
    ]
}

fn play(deeds: &[(i64, Deed)], cuts: &[i64], seed: u64) -> Vec<BoardEvent> {
    let mut board = StandInBoard::new(setup(seed).with_program(&firing_program()).expect("a good program"));
    warm(&mut board);
    let mut events = Vec::new();
    let mut moments: Vec<(i64, Option<&Deed>)> = cuts.iter().map(|cut| (*cut, None)).collect();
    moments.extend(deeds.iter().map(|(at, deed)| (*at, Some(deed))));
    // Cuts before deeds of the same instant: both are legal orders of calls.
    moments.sort_by_key(|(at, deed)| (*at, deed.is_some()));
    for (micros, deed) in moments {
        board.run_until(RigTime::from_micros(micros), &mut |event| events.push(event));
        let now = board.now();
        match deed {
            None => {}
            Some(Deed::Contact(output, closed)) => board.set_contact(*output, *closed, now),
            Some(Deed::Supply(on)) => board.set_supply(*on, now),
            Some(Deed::Probe(channel, signal)) => board.set_probe(*channel, now, *signal),
            Some(Deed::Line(line)) => board.console_line(now, line),
        }
    }
    board.run_until(at(70.0), &mut |event| events.push(event));
    events
}

proptest! {
    #![proptest_config(Config {
        cases: 64,
        failure_persistence: None,
        rng_seed: RngSeed::Fixed(20_261_125),
        ..Config::default()
    })]

    #[test]
    fn how_a_run_is_cut_into_steps_changes_nothing(
        deeds in proptest::collection::vec((0..60_000_000i64, any_deed()), 0..12),
        cuts in proptest::collection::vec(0..60_000_000i64, 0..200),
        seed in any::<u64>(),
    ) {
        let mut deeds = deeds;
        deeds.push((4_000_000, Deed::Line("start")));
        deeds.sort_by_key(|(at, _)| *at);
        let whole = play(&deeds, &[], seed);
        let stepped = play(&deeds, &cuts, seed);
        prop_assert_eq!(&whole, &stepped);
        prop_assert!(whole.is_sorted_by_key(BoardEvent::at), "events come in the order of time");
    }
}

/// With a test line, and whether the contactor is closed at the end of each of these times after it was engaged.
fn contactor_while_standing(defects: Defects, seconds: &[f64]) -> Vec<bool> {
    let mut with_line = BoardSetup { defects, ..setup(21) };
    with_line.contacts.push(ContactWire { role: ContactRole::TestLine, output: 7, engaged: ContactState::Closed });
    let mut board = firing(with_line);
    let hung = board.now();
    board.set_contact(7, true, hung);
    let mut closed = true;
    let mut seen = Vec::new();
    for after in seconds {
        let left = (hung - board.now()).as_seconds() + after;
        let events = run(&mut board, left);
        closed = safety_edges(&events).last().map_or(closed, |(_, high)| *high);
        seen.push(closed);
    }
    seen
}

#[rstest::rstest]
#[case::as_it_should_be(Defects::NONE, &[true, false, false])]
#[case::a_minute(Defects::only(Defect::WatchdogOfAMinute), &[true, true, false])]
#[case::none(Defects::only(Defect::WatchdogAbsent), &[true, true, true])]
fn a_program_that_stands_still_leaves_its_outputs_until_the_watchdog_ends_it(
    #[case] defects: Defects,
    #[case] closed: &[bool],
) {
    assert_eq!(contactor_while_standing(defects, &[0.8, 3.0, 600.0]), closed);
}

#[test]
fn a_controller_that_stands_still_at_each_boot_never_heats_and_goes_on_when_it_is_let_go() {
    let mut with_line = setup(22);
    with_line.contacts.push(ContactWire { role: ContactRole::TestLine, output: 7, engaged: ContactState::Closed });
    let mut board = firing(with_line);
    board.set_contact(7, true, board.now());
    run(&mut board, 3.0);
    let standing = run(&mut board, 60.0);
    assert!(safety_edges(&standing).is_empty(), "{standing:?}");
    board.set_contact(7, false, board.now());
    let after = run(&mut board, 30.0);
    assert!(after.iter().any(|event| matches!(event, BoardEvent::Console { .. })), "{after:?}");
}

/// A firing on a board with the lines of its electronics on contacts 7 to 10: reset, data low, data high, clock low.
fn firing_with_lines(defects: Defects, seed: u64) -> StandInBoard {
    let mut with_lines = BoardSetup { defects, ..setup(seed) };
    for (role, output) in ContactRole::HELD_LINES.into_iter().zip(7..) {
        with_lines.contacts.push(ContactWire { role, output, engaged: ContactState::Closed });
    }
    firing(with_lines)
}

#[rstest::rstest]
#[case::pins_float(Defects::NONE, false)]
#[case::a_driver_keeps_them(Defects::only(Defect::OutputsKeptInReset), true)]
fn held_in_reset_the_relays_are_off_at_once_unless_something_keeps_them(#[case] defects: Defects, #[case] kept: bool) {
    let mut board = firing_with_lines(defects, 23);
    board.set_contact(7, true, board.now());
    let held = run(&mut board, 60.0);
    assert_eq!(safety_edges(&held).last().is_none(), kept, "{held:?}");
    assert!(!held.iter().any(|event| matches!(event, BoardEvent::Console { .. })), "{held:?}");
    board.set_contact(7, false, board.now());
    let after = run(&mut board, 30.0);
    let says = |words: &str| {
        after.iter().any(|event| matches!(event, BoardEvent::Console { line, .. } if line.contains(words)))
    };
    assert!(says("controller ready") && says("firing goes on"), "{after:?}");
}

#[test]
fn a_controller_in_reset_does_not_come_up_with_its_supply() {
    let mut board = firing_with_lines(Defects::NONE, 24);
    board.set_contact(7, true, board.now());
    board.set_supply(false, board.now());
    run(&mut board, 2.0);
    board.set_supply(true, board.now());
    assert!(run(&mut board, 5.0).iter().all(|event| matches!(event, BoardEvent::SupplyRail { .. })));
    board.set_contact(7, false, board.now());
    assert!(run(&mut board, 5.0).iter().any(|event| matches!(event, BoardEvent::Console { .. })));
}

#[test]
fn relays_that_are_kept_in_reset_fall_with_the_supply() {
    let mut board = firing_with_lines(Defects::only(Defect::OutputsKeptInReset), 25);
    board.set_contact(7, true, board.now());
    assert!(safety_edges(&run(&mut board, 2.0)).is_empty());
    board.set_supply(false, board.now());
    assert_eq!(safety_edges(&run(&mut board, 2.0)).last().map(|(_, high)| *high), Some(false));
}

#[rstest::rstest]
#[case::data_low(8)]
#[case::data_high(9)]
#[case::clock_low(10)]
fn a_dead_bus_is_a_probe_without_an_answer_and_stays_latched(#[case] line: u8) {
    let mut board = firing_with_lines(Defects::NONE, 26);
    board.set_contact(line, true, board.now());
    let held = run(&mut board, 10.0);
    assert_eq!(safety_edges(&held).last().map(|(_, high)| *high), Some(false), "{held:?}");
    assert!(board.controller().is_some_and(|controller| matches!(controller.phase(), Phase::Tripped(_))));
    board.set_contact(line, false, board.now());
    assert!(safety_edges(&run(&mut board, 60.0)).is_empty());
}

#[test]
fn who_waits_for_the_clock_stands_still_with_its_outputs_on_until_it_comes() {
    let mut board = firing_with_lines(Defects::only(Defect::WaitsForTheBus), 27);
    board.set_contact(10, true, board.now());
    assert!(safety_edges(&run(&mut board, 600.0)).is_empty());
}

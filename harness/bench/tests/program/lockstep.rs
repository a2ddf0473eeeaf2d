//! When the program is called, what it is shown, and when its answers take effect.

use dryfire_bench::Bench as _;
use dryfire_engine::{CommandId, CommandKind, Observation, ProbeSignal};
use dryfire_scenario::{ContactRole, Segment};
use dryfire_units::{RigSpan, RigTime};
use rstest::rstest;

use crate::support::{AMBIENT, Session, bench_file, controller, micros, millis, need_python, seconds, setup, type_k};

/// The instants at which `echo.py` was called, microseconds of rig time.
fn calls(session: &Session) -> Vec<i64> {
    session.lines().iter().filter(|(_, line)| line.starts_with("{\"at\"")).map(|(at, _)| *at).collect()
}

/// The calls' content.
fn shown(session: &Session) -> Vec<&str> {
    session.lines().into_iter().filter(|(_, line)| line.starts_with("{\"at\"")).map(|(_, line)| line).collect()
}

#[test]
fn left_alone_it_is_called_when_readings_come_and_then_every_second() {
    need_python!();
    let mut session = Session::begun("echo.py");
    session.to(millis(3500));
    // At 100 ms the first conversion is over: `pending` becomes `open`.
    assert_eq!(calls(&session), [0, 100_000, 1_100_000, 2_100_000, 3_100_000]);
    assert_eq!(
        shown(&session)[..2],
        [
            r#"{"at":0,"readings":[{"zone":"top","fault":"pending"},{"zone":"bottom","fault":"pending"}],"contacts":{"lid":false,"stop":false,"acknowledge":false},"console":[]}"#,
            r#"{"at":100000,"readings":[{"zone":"top","fault":"open"},{"zone":"bottom","fault":"open"}],"contacts":{"lid":false,"stop":false,"acknowledge":false},"console":[]}"#,
        ]
    );
}

#[rstest]
#[case::as_asked(250_000, 250_000)]
#[case::sooner_than_possible(1, 1_000)]
#[case::just_possible(1_001, 1_001)]
#[case::later_than_useful(5_000_000, 1_000_000)]
#[case::beyond_the_clock(i64::MAX - 10_000_000, 1_000_000)]
fn it_is_woken_when_it_asks_within_bounds(#[case] asked: i64, #[case] after: i64) {
    need_python!();
    let mut session = Session::begun("echo.py");
    session.console(millis(200), &format!("wake {asked}"));
    session.to(millis(1500));
    let asked_at = 201_000;
    assert_eq!(calls(&session)[2..4], [asked_at, asked_at + after]);
}

#[test]
fn an_input_is_shown_one_millisecond_after_it_changed() {
    need_python!();
    let mut session = Session::begun("echo.py");
    let lid = session.command(micros(300_500), CommandKind::Contact { output: 0, closed: false });
    session.console(micros(300_700), "on safety");
    let shut = session.command(micros(400_000), CommandKind::Contact { output: 0, closed: true });
    session.to(millis(500));
    // The line comes within a millisecond of the call for the lid: one call later, not two at once.
    assert_eq!(calls(&session)[2..], [301_500, 302_500, 401_000]);
    assert!(shown(&session)[2].contains(r#""lid":true,"stop":false"#), "{}", shown(&session)[2]);
    assert!(shown(&session)[2].contains(r#""console":[]"#), "{}", shown(&session)[2]);
    assert!(shown(&session)[3].contains(r#""console":["on safety"]"#), "{}", shown(&session)[3]);
    assert!(shown(&session)[4].contains(r#""lid":false"#), "{}", shown(&session)[4]);
    // A command takes effect at its own instant, whenever it is seen.
    for (command, at) in [(lid, micros(300_500)), (shut, micros(400_000))] {
        assert!(session.seen.contains(&Observation::Applied { command, at }));
    }
}

#[test]
fn a_contact_that_stays_as_it_was_brings_no_call() {
    need_python!();
    let mut session = Session::begun("echo.py");
    // At rest already: lid shut closes its circuit, stop released opens its own.
    session.command(millis(300), CommandKind::Contact { output: 0, closed: true });
    session.command(millis(300), CommandKind::Contact { output: 1, closed: false });
    session.to(millis(900));
    assert_eq!(calls(&session), [0, 100_000]);
}

#[test]
fn relays_change_at_the_call_with_the_polarity_of_the_bench_file() {
    need_python!();
    let mut session = Session::begun("echo.py");
    session.to(millis(0));
    // Active low: off is high, and every input counts as low before.
    assert_eq!(session.edges(), [(0, 2, true)]);
    for (at, line) in [(200, "on element.bottom"), (200, "on safety"), (200, "on element.top"), (300, "off safety")] {
        session.console(millis(at), line);
    }
    session.to(millis(400));
    // Three lines in one call: the edges come by input, not by line or by relay.
    assert_eq!(session.edges()[1..], [(201_000, 0, true), (201_000, 1, true), (201_000, 2, false), (301_000, 2, true)]);
}

#[test]
fn at_one_instant_acknowledgements_come_before_edges_before_console_lines() {
    need_python!();
    let mut session = Session::begun("echo.py");
    session.console(millis(200), "on element.top");
    // Takes effect at the instant of that call.
    let other = session.console(millis(201), "off element.top");
    session.to(millis(201));
    let there: Vec<_> = session
        .seen
        .iter()
        .filter(|observation| match observation {
            Observation::Applied { at, .. } | Observation::Edge { at, .. } | Observation::Console { at, .. } => {
                *at == millis(201)
            }
            _ => false,
        })
        .collect();
    assert!(matches!(there[0], Observation::Applied { command, .. } if *command == other), "{there:?}");
    assert!(matches!(there[1], Observation::Edge { input: 0, high: true, .. }), "{there:?}");
    assert!(matches!(there[2], Observation::Console { .. }), "{there:?}");
    assert_eq!(session.seen.last(), Some(&Observation::Complete { until: millis(201) }));
}

#[test]
fn a_command_for_the_past_is_applied_at_once_and_says_when() {
    need_python!();
    let mut session = Session::begun("echo.py");
    session.to(seconds(2));
    let late = session.console(seconds(1), "say hello");
    session.to(millis(2500));
    assert!(session.seen.contains(&Observation::Applied { command: late, at: seconds(2) }));
    assert!(session.lines().contains(&(2_001_000, "hello")));
}

#[test]
fn advancing_to_where_it_is_completes_nothing_new() {
    need_python!();
    let mut session = Session::begun("echo.py");
    session.to(seconds(1));
    let before = session.seen.len();
    session.to(seconds(1));
    session.to(millis(500));
    assert_eq!(session.seen.len(), before);
}

/// Readings of zone `top` as (call's instant, text after the zone's name).
fn top(session: &Session) -> Vec<(i64, String)> {
    let found = session.lines().into_iter().filter_map(|(at, line)| {
        let rest = line.split_once(r#"{"zone":"top","#)?.1;
        Some((at, rest.split_once('}')?.0.to_owned()))
    });
    found.collect()
}

#[test]
fn a_reading_is_that_of_the_beginning_of_the_last_finished_conversion() {
    need_python!();
    let mut session = Session::begun("echo.py");
    session.probe(millis(0), 0, type_k(100_000));
    session.probe(millis(200), 0, type_k(200_000));
    session.probe(millis(201), 0, type_k(300_000));
    for at in [298, 299, 398, 399] {
        session.console(millis(at), "say now");
    }
    session.to(millis(450));
    assert_eq!(
        top(&session)[1..],
        [
            (100_000, r#""celsius":100.0"#.to_owned()),
            // The conversion from 100 to 200 ms still holds.
            (299_000, r#""celsius":100.0"#.to_owned()),
            // A set-point at the very beginning of a conversion counts for it.
            (300_000, r#""celsius":200.0"#.to_owned()),
            (399_000, r#""celsius":200.0"#.to_owned()),
            (400_000, r#""celsius":300.0"#.to_owned()),
        ]
    );
}

#[rstest]
// IEC 60584-1 / NIST ITS-90 tables, reference junction 0 °C: type K gives 0.798 mV at 20 °C and 41.276 mV at 1000 °C,
// so 40.478 mV at the terminals; type S 0.113 mV and 9.587 mV, so 9.474 mV. Table steps are 1 µV.
#[case::type_k('K', 40_478_000, 1000.0, 0.03)]
#[case::type_s('S', 9_474_000, 1000.0, 0.1)]
// Shorted terminals and a probe as warm as they are look the same.
#[case::no_voltage('K', 0, 20.0, 0.004)]
fn a_voltage_reads_as_the_published_tables_say(
    #[case] letter: char,
    #[case] nanovolts: i32,
    #[case] celsius: f64,
    #[case] within: f64,
) {
    need_python!();
    let mut file = bench_file(controller("echo.py"), RigSpan::from_seconds(20));
    file.zones[0].probe_type = letter;
    let mut session = Session::new(&file);
    session.begin(&[]).expect("it starts");
    session.probe(millis(0), 0, ProbeSignal::Voltage { nanovolts, nanovolts_per_second: 0 });
    session.to(millis(100));
    let (_, text) = top(&session).pop().expect("a reading");
    let value: f64 = text.trim_start_matches(r#""celsius":"#).parse().expect("a number");
    assert!((value - celsius).abs() <= within, "{value}");
}

#[test]
fn a_fault_and_its_end_bring_a_call_each() {
    need_python!();
    let mut session = Session::begun("echo.py");
    session.probe(millis(0), 0, type_k(500_000));
    session.probe(millis(450), 0, ProbeSignal::Open);
    session.probe(millis(720), 0, ProbeSignal::Short);
    // Far below what type K gives at −270 °C (−6.458 mV against 0 °C).
    session.probe(millis(800), 0, ProbeSignal::Voltage { nanovolts: -20_000_000, nanovolts_per_second: 0 });
    session.to(millis(1000));
    let told: Vec<(i64, String)> = top(&session).split_off(1);
    assert_eq!(
        told,
        [
            (100_000, r#""celsius":500.0"#.to_owned()),
            (600_000, r#""fault":"open""#.to_owned()),
            // The short at 720 ms is over before a conversion begins that could see it.
            (900_000, r#""fault":"range""#.to_owned()),
        ]
    );
}

#[test]
fn a_set_point_moves_with_its_slope_and_holds_when_it_has_run_out() {
    need_python!();
    let mut session = Session::begun("echo.py");
    session.command(
        millis(0),
        CommandKind::Probe {
            channel: 0,
            signal: ProbeSignal::Voltage { nanovolts: 0, nanovolts_per_second: 4_000_000 },
            valid_until: millis(500),
        },
    );
    for at in [150, 450, 750, 950] {
        session.console(millis(at), "say now");
    }
    session.to(millis(960));
    let values: Vec<String> = top(&session).into_iter().skip(2).map(|(_, text)| text).collect();
    assert_eq!(values[2], values[3], "held from 500 ms on: {values:?}");
    assert_ne!(values[1], values[2], "{values:?}");
    assert_eq!(session.counters().late_setpoints, 0);
    // The next one comes after that one had run out: counted.
    session.probe(millis(960), 0, type_k(AMBIENT));
    session.to(millis(970));
    assert_eq!(session.counters().late_setpoints, 1);
}

#[test]
fn after_a_supply_cut_only_what_was_stored_is_known() {
    need_python!();
    let mut session = Session::begun("echo.py");
    session.console(millis(200), "on safety");
    session.console(millis(300), "on element.top");
    session.console(millis(400), "store segment 3 ~ é");
    let cut = session.command(millis(2000), CommandKind::Supply { on: false });
    session.console(millis(2500), "store lost");
    session.command(millis(2600), CommandKind::Contact { output: 0, closed: false });
    session.command(millis(5000), CommandKind::Supply { on: true });
    session.to(millis(5500));
    assert!(session.seen.contains(&Observation::Applied { command: cut, at: millis(2000) }));
    let rail: Vec<_> = session
        .seen
        .iter()
        .filter_map(|observation| match observation {
            Observation::SupplyRail { at, on } => Some((at.as_micros(), *on)),
            _ => None,
        })
        .collect();
    assert_eq!(rail, [(2_001_000, false), (5_001_000, true)]);
    // All relays fall off with the supply, and nothing is on when it returns.
    assert_eq!(session.edges()[3..], [(2_001_000, 0, false), (2_001_000, 2, true)]);
    let lines = session.lines();
    assert_eq!(lines[0], (0, "store None clock 0"));
    let again: Vec<_> = lines.iter().filter(|(at, _)| *at >= 2_001_000).collect();
    assert_eq!(*again[0], (5_001_000, "store segment 3 ~ é clock 5001000"));
    // Its clock begins at 0; the lid that was opened meanwhile is open; probes convert anew.
    assert!(again[1].1.starts_with(r#"{"at":0,"readings":[{"zone":"top","fault":"pending"}"#), "{}", again[1].1);
    assert!(again[1].1.contains(r#""lid":true"#), "{}", again[1].1);
    assert_eq!(calls(&session).into_iter().filter(|at| *at > 2_000_000).collect::<Vec<_>>(), [5_001_000, 5_101_000]);
}

#[test]
fn every_cut_of_a_bouncing_supply_is_a_fresh_start() {
    need_python!();
    let mut session = Session::begun("echo.py");
    for bounce in 0..5 {
        session.command(millis(1000 + 40 * bounce), CommandKind::Supply { on: false });
        session.command(millis(1020 + 40 * bounce), CommandKind::Supply { on: true });
    }
    // On when it is on already: nothing.
    session.command(millis(1300), CommandKind::Supply { on: true });
    session.to(millis(1400));
    let boots: Vec<_> =
        session.lines().into_iter().filter(|(_, line)| line.starts_with("store")).map(|(at, _)| at).collect();
    assert_eq!(boots, [0, 1_021_000, 1_061_000, 1_101_000, 1_141_000, 1_181_000]);
}

#[test]
fn each_run_begins_with_an_empty_memory() {
    need_python!();
    let mut session = Session::begun("echo.py");
    session.console(millis(10), "store something");
    session.to(seconds(1));
    session.begin(&[]).expect("a second run");
    session.to(millis(0));
    assert_eq!(session.lines()[0], (0, "store None clock 0"));
}

#[test]
fn an_unknown_channel_or_output_is_refused() {
    need_python!();
    for kind in [
        CommandKind::Contact { output: 9, closed: true },
        CommandKind::Probe { channel: 7, signal: ProbeSignal::Open, valid_until: RigTime::FAR_FUTURE },
    ] {
        let mut session = Session::begun("echo.py");
        session.command(millis(10), kind);
        let trouble = session.try_to(seconds(1)).expect_err("there is no such thing");
        assert!(trouble.detail.contains("the bench file has no"), "{}", trouble.detail);
    }
}

/// A run with something of everything, advanced in the steps given (milliseconds, over and over).
fn mixed_run(steps: &[i64]) -> Vec<Observation> {
    let file = bench_file(controller("echo.py"), RigSpan::from_seconds(20));
    let mut session = Session::new(&file);
    session.bench.begin(&setup(&[Segment::Hold { length: RigSpan::from_minutes(1) }])).expect("it starts");
    session.probe(millis(0), 0, type_k(700_000));
    session.probe(millis(0), 1, type_k(650_000));
    for number in 0..40_i64 {
        let at = micros(217_300 * number + 50_000);
        match number % 5 {
            0 => session.console(at, "wake 1500"),
            1 => session.console(at, if number % 2 == 0 { "on element.top" } else { "off element.top" }),
            2 => session.command(at, CommandKind::Contact { output: 1, closed: number % 2 == 0 }),
            3 => session.probe(at, 0, if number % 2 == 0 { ProbeSignal::Open } else { type_k(1000 * number) }),
            _ => session.command(at, CommandKind::Supply { on: number % 2 == 0 }),
        };
    }
    for step in steps.iter().cycle() {
        let until = session.now + RigSpan::from_micros(*step);
        session.to(until.min(seconds(10)));
        if until >= seconds(10) {
            break;
        }
    }
    session.seen.retain(|observation| !matches!(observation, Observation::Complete { .. }));
    session.seen
}

#[rstest]
#[case::small(&[7_300])]
#[case::on_the_grid(&[100_000])]
#[case::uneven(&[1, 999, 250_000, 33_333, 1_000_000])]
fn how_the_time_is_granted_changes_nothing(#[case] steps: &[i64]) {
    need_python!();
    let whole = mixed_run(&[10_000_000]);
    assert!(whole.iter().filter(|observation| matches!(observation, Observation::Edge { .. })).count() > 5);
    let mut order = whole.iter().filter_map(|observation| match observation {
        Observation::Applied { command: CommandId(number), at } => Some((*at, *number)),
        _ => None,
    });
    assert!(order.by_ref().is_sorted());
    assert_eq!(mixed_run(steps), whole);
}

#[test]
fn a_zone_without_a_probe_has_no_reading() {
    need_python!();
    let mut file = bench_file(controller("echo.py"), RigSpan::from_seconds(20));
    file.zones[0].probe_channel = None;
    file.contacts.retain(|contact| contact.role == ContactRole::Lid);
    let mut session = Session::new(&file);
    session.begin(&[]).expect("it starts");
    session.to(millis(0));
    assert_eq!(
        shown(&session),
        [r#"{"at":0,"readings":[{"zone":"bottom","fault":"pending"}],"contacts":{"lid":false},"console":[]}"#]
    );
}

//! Over a wire without faults.

use dryfire_bench::{Bench as _, Operator, RigPace, STEP, WireFaults};
use dryfire_engine::{Command, CommandId, CommandKind, Observation, Pacing};
use dryfire_units::RigTime;

use crate::support::{MS, at, bench_over, play, run_setup, script};

const CLEAN: WireFaults = WireFaults {
    corruption: 0,
    repetition: 0,
    wrong_sequence: 0,
    loss: 0,
    delay: 0,
    delayed_by: 0,
    insertion: 0,
    stall: None,
    unplug_at: None,
};

#[test]
fn every_edge_comes_at_the_instant_worked_out_by_hand() {
    let mut bench = bench_over(RigPace::Granted, 70 * MS, CLEAN, 0);
    let played = play(&mut bench, &script(), 2_000 * MS);
    assert_eq!(played.trouble, None);
    // 0.9 mV rising by 0.5 mV/s is 1 mV after 200 ms. The supply is away from 1.1 s to 1.3 s, the probe from 1.6 s.
    let probe = [(500 * MS, true), (1_100 * MS, false), (1_301 * MS, true), (1_601 * MS, false)];
    assert_eq!(played.edges(1), probe);
    assert_eq!(played.edges(2), [(502 * MS, true), (1_100 * MS, false)]);
    let beat: Vec<_> = (1..=15).map(|n| (n * 70 * MS, n % 2 == 1)).collect();
    assert_eq!(played.edges(0)[..15], beat);
    // The 15th left it high, and it fell with the supply.
    assert_eq!(played.edges(0)[15], (1_100 * MS, false));
    assert!(played.seen.contains(&Observation::Console { at: at(701 * MS), line: "how are you!".to_owned() }));
    let rail: Vec<_> = played.seen.iter().filter(|seen| matches!(seen, Observation::SupplyRail { .. })).collect();
    let expected = [(1_100 * MS, false), (1_300 * MS, true)];
    let expected = expected.map(|(micros, on)| Observation::SupplyRail { at: at(micros), on });
    assert_eq!(rail, expected.iter().collect::<Vec<_>>());
}

#[test]
fn every_command_is_acknowledged_at_its_instant() {
    let mut bench = bench_over(RigPace::Granted, 70 * MS, CLEAN, 0);
    let played = play(&mut bench, &script(), 2_000 * MS);
    let applied: Vec<_> = played
        .seen
        .iter()
        .filter_map(|seen| match seen {
            Observation::Applied { command, at } => Some((command.0, at.as_micros())),
            _ => None,
        })
        .collect();
    let expected: Vec<_> = script().iter().enumerate().map(|(number, (when, _))| (number as u32, *when)).collect();
    assert_eq!(applied, expected);
}

#[test]
fn nothing_is_told_out_of_order_or_behind_the_watermark() {
    let mut bench = bench_over(RigPace::Granted, 700, CLEAN, 0);
    let played = play(&mut bench, &script(), 2_000 * MS);
    let (mut last, mut mark) = (RigTime::ZERO, RigTime::ZERO);
    for seen in &played.seen {
        match seen {
            Observation::Complete { until } => {
                assert!(*until > mark || (mark, *until) == (RigTime::ZERO, RigTime::ZERO), "{until:?} after {mark:?}");
                assert!(*until >= last);
                mark = *until;
            }
            Observation::Applied { at, .. } | Observation::Edge { at, .. } | Observation::SupplyRail { at, .. } => {
                assert!(*at >= last && *at >= mark, "{seen:?} after {last:?}, {mark:?}");
                last = *at;
            }
            _ => {}
        }
    }
    assert_eq!(mark, at(2_000 * MS));
}

#[test]
fn how_the_time_is_cut_into_steps_changes_nothing() {
    let facts = |step: i64| {
        let mut bench = bench_over(RigPace::Granted, 3_300, CLEAN, 0);
        let mut seen = Vec::new();
        bench.begin(&run_setup()).expect("begins");
        for (number, (when, kind)) in script().into_iter().enumerate() {
            bench.command(Command { id: CommandId(number as u32), at: at(when), kind }).expect("taken");
        }
        let mut until = 0;
        while until < 2_000 * MS {
            until = (until + step).min(2_000 * MS);
            bench.advance(at(until), &mut seen).expect("goes on");
        }
        seen.retain(|seen| !matches!(seen, Observation::Complete { .. }));
        seen
    };
    let whole = facts(2_000 * MS);
    assert!(whole.len() > 500);
    for step in [200 * MS, 77_777, 500_000] {
        assert_eq!(facts(step), whole, "steps of {step} us");
    }
}

#[test]
fn more_commands_at_once_than_the_rig_can_hold_go_in_parts() {
    let mut bench = bench_over(RigPace::Granted, 70 * MS, CLEAN, 0);
    let many: Vec<_> =
        (0..200).map(|n| ((n / 2) * MS, CommandKind::Contact { output: 0, closed: n % 4 < 2 })).collect();
    let mut seen = Vec::new();
    bench.begin(&run_setup()).expect("begins");
    for (number, (when, kind)) in many.iter().cloned().enumerate() {
        bench.command(Command { id: CommandId(number as u32), at: at(when), kind }).expect("taken");
    }
    bench.advance(at(200 * MS), &mut seen).expect("goes on");
    let applied: Vec<_> = seen
        .iter()
        .filter_map(|seen| match seen {
            Observation::Applied { command, at } => Some((command.0, at.as_micros())),
            _ => None,
        })
        .collect();
    assert_eq!(applied, (0..200).map(|n| (n as u32, i64::from(n / 2) * MS)).collect::<Vec<_>>());
}

#[test]
fn long_console_lines_arrive_whole() {
    let mut bench = bench_over(RigPace::Granted, 70 * MS, CLEAN, 0);
    let line = "a long line. ".repeat(40);
    let played = play(&mut bench, &[(0, CommandKind::Console { line: line.clone() })], 100 * MS);
    assert!(played.seen.contains(&Observation::Console { at: at(MS), line: format!("{line}!") }));
}

#[test]
fn one_run_after_the_other_starts_from_nothing() {
    let mut bench = bench_over(RigPace::Granted, 70 * MS, CLEAN, 0);
    let first = play(&mut bench, &script(), 2_000 * MS);
    let second = play(&mut bench, &script(), 2_000 * MS);
    assert_eq!(first.seen, second.seen);
}

#[test]
fn a_stepped_rig_says_so_and_who_it_is() {
    let mut bench = bench_over(RigPace::Granted, 70 * MS, CLEAN, 0);
    let identity = bench.begin(&run_setup()).expect("begins");
    assert_eq!(identity.pacing, Pacing::Stepped { step: STEP });
    assert_eq!(
        identity.description,
        format!("simulated rig `simulated`, firmware {}, boot 0000b007", env!("CARGO_PKG_VERSION"))
    );
}

#[test]
fn a_question_to_nobody_is_never_answered_not_even_on_a_simulated_rig() {
    let mut bench = bench_over(RigPace::Granted, 70 * MS, CLEAN, 0);
    let played = play(&mut bench, &[(50 * MS, CommandKind::Prompt { text: "close the lid".to_owned() })], 2_000 * MS);
    assert!(!played.seen.iter().any(|seen| matches!(seen, Observation::OperatorDone { .. })), "{:?}", played.seen);
    assert_eq!(played.watermark(), at(2_000 * MS));
}

/// Answers each question once `after` further looks have been taken.
struct SlowOperator {
    asked: Vec<String>,
    after: u32,
    looks: u32,
}

impl Operator for SlowOperator {
    fn ask(&mut self, text: &str) {
        self.asked.push(text.to_owned());
        self.looks = 0;
    }
    fn is_done(&mut self) -> bool {
        self.looks += 1;
        self.looks == self.after
    }
}

#[test]
fn the_operator_s_answer_comes_when_it_is_given_and_the_run_goes_on_meanwhile() {
    let operator = SlowOperator { asked: Vec::new(), after: 3, looks: 0 };
    let mut bench = bench_over(RigPace::Granted, 70 * MS, CLEAN, 0).with_operator(Box::new(operator));
    let played = play(&mut bench, &[(50 * MS, CommandKind::Prompt { text: "close the lid".to_owned() })], 2_000 * MS);
    let done = played.seen.iter().position(|seen| matches!(seen, Observation::OperatorDone { .. })).expect("done");
    assert_eq!(played.seen[done], Observation::OperatorDone { command: CommandId(0), at: at(600 * MS) });
    assert_eq!(played.watermark(), at(2_000 * MS));
}

#[test]
fn a_signal_that_runs_out_is_held_where_it_was() {
    // 0.99 mV rising by 0.05 mV/s would reach 1 mV after 200 ms; it is good for 100 ms only.
    let mut bench = bench_over(RigPace::Granted, 70 * MS, CLEAN, 0);
    let played = play(&mut bench, &[(0, crate::support::voltage(990_000, 50_000, 100 * MS))], 1_000 * MS);
    assert_eq!(played.edges(1), []);
    let mut bench = bench_over(RigPace::Granted, 70 * MS, CLEAN, 0);
    let played = play(&mut bench, &[(0, crate::support::voltage(990_000, 50_000, 300 * MS))], 1_000 * MS);
    assert_eq!(played.edges(1), [(200 * MS, true)]);
}

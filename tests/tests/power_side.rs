//! Faults of the power side on whole runs: what the model does by itself between
//! two edges has to be seen at its own instant.

use dryfire_bench::{JobOutcome, VirtualBench};
use dryfire_engine::{Applicability, Event};
use dryfire_judge::Verdict;
use dryfire_kiln::{KilnDescription, SupplySystem};
use dryfire_scenario::{Bench, OldPart, OldPartKind, PathRelay, Pole, Unpowered};
use dryfire_tests::{SEED, bench, read, run_on, scenario, virtual_bench};
use dryfire_units::{RigSpan, RigTime};
use rstest::rstest;

/// Runs one scenario on the virtual bench, changed as told.
fn run(text: &str, change: impl Fn(&mut Bench, &mut KilnDescription)) -> JobOutcome {
    let (mut file, mut kiln) = virtual_bench(&[]);
    change(&mut file, &mut kiln);
    let bench = file.clone();
    let make = move || -> Box<dyn dryfire_bench::Bench> { Box::new(VirtualBench::new(bench.clone())) };
    run_on(vec![scenario("power.yaml", text)], &file, &kiln, SEED, &make).remove(0)
}

fn as_it_is(_: &mut Bench, _: &mut KilnDescription) {}

/// Each element behind its own relay only, in one pole.
fn without_contactor(file: &mut Bench, _: &mut KilnDescription) {
    for (index, path) in file.paths.iter_mut().enumerate() {
        path.poles = vec![Pole { through: vec![PathRelay(index + 1)] }];
    }
}

/// A scenario that does something while heat is on, and expects something.
fn text(stimulus: &str, expect: &str, end: &str) -> String {
    format!(
        "format: 1\nscenario: a fault of the power side\nhazards: [control]\nwhy: a test\nlimits from: a test\n\
         start: {{ kiln: soaked at 400 °C }}\nfiring: [{{ ramp: 150 °C/h, to: 600 °C }}]\nscript:\n  \
         - begin firing\n  - {{ when: element.1 on for 0.5 s, within: 5 min, call it: broken, do: {stimulus} }}\n\
         expect:\n{expect}end: {end}\n"
    )
}

/// Every change of a signal, by its name.
fn changes(outcome: &JobOutcome, name: &str) -> Vec<(RigTime, bool)> {
    let changes = outcome.events.iter().filter_map(|event| match event {
        Event::Switched { at, signal, on } if outcome.table.get(*signal).name == name => Some((*at, *on)),
        _ => None,
    });
    changes.collect()
}

/// When a moment of the script came.
fn moment(outcome: &JobOutcome, wanted: &str) -> RigTime {
    let moment = outcome.events.iter().find_map(|event| match event {
        Event::Moment { at, name, .. } if name == wanted => Some(*at),
        _ => None,
    });
    moment.expect("the moment came")
}

/// The state at an instant of a signal with these changes.
fn state(changes: &[(RigTime, bool)], at: RigTime) -> bool {
    changes.iter().rev().find(|(since, _)| *since <= at).is_some_and(|(_, on)| *on)
}

const LATE: &str = "[{ open late: element, by: 30 s }, { press: stop }]";

/// Every element relay opens thirty seconds late, and stop is pressed. A contactor
/// opens all the same. Without one the current flows for the thirty seconds, and
/// nothing but the model's own instant shows it: at the relays' edges heat is on.
#[rstest]
#[case::with_a_contactor(as_it_is as fn(&mut Bench, &mut KilnDescription), "2 s", Verdict::Pass)]
#[case::without_one(without_contactor, "2 s", Verdict::Fail)]
#[case::a_second_short_of_the_delay(without_contactor, "29 s", Verdict::Fail)]
#[case::a_second_longer_than_the_delay(without_contactor, "31 s", Verdict::Pass)]
fn heat_lasts_for_as_long_as_a_relay_that_opens_late(
    #[case] change: fn(&mut Bench, &mut KilnDescription),
    #[case] limit: &str,
    #[case] expected: Verdict,
) {
    let expect = format!("  - {{ name: heat is cut, after: broken, within: {limit}, heat: cut }}\n");
    let outcome = run(&text(LATE, &expect, "3 min after broken"), change);
    assert_eq!(outcome.result.verdict, Some(expected), "{:#?}", outcome.result);
}

#[test]
fn a_late_contact_comes_off_to_the_microsecond_and_not_at_the_next_sample() {
    let expect = "  - { name: heat is cut, after: broken, within: 1 min, heat: cut }\n";
    let outcome = run(&text(LATE, expect, "3 min after broken"), without_contactor);
    for zone in ["top", "middle", "bottom"] {
        let last_off = |name: String| {
            let off = changes(&outcome, &name).into_iter().rev().find(|(_, on)| !on);
            off.expect("it went off").0
        };
        let (relay, heat) = (last_off(format!("element.{zone}")), last_off(format!("heat.{zone}")));
        if heat > relay {
            assert_eq!(heat, relay + RigSpan::from_seconds(30), "{zone}");
            assert_ne!(heat.as_micros() % 1_000_000, 0, "{zone}: not on the grid");
        }
    }
    let any = changes(&outcome, "heat").into_iter().rev().find(|(_, on)| !on).expect("heat went off").0;
    let relay = changes(&outcome, "element").into_iter().rev().find(|(_, on)| !on).expect("relays went off").0;
    assert_eq!(any, relay + RigSpan::from_seconds(30));
}

#[test]
fn a_relay_that_welds_at_times_heats_at_those_times_and_to_the_microsecond() {
    // The contactor is welded for good, so that the weld of the element relay alone decides.
    let stimulus = "{ weld at times: element.1, welded for: 20 s, free for: 40 s }";
    let expect = "  - { name: heat comes and goes, after: broken, within: 10 s, see: heat.1 on }\n";
    let keep_open = |file: &mut Bench, _: &mut KilnDescription| {
        file.paths[0].poles = vec![Pole { through: vec![PathRelay(0), PathRelay(1)] }];
    };
    let outcome = run(&text(stimulus, expect, "4 min after broken"), keep_open);
    let broken = moment(&outcome, "broken");
    let safety: Vec<_> = changes(&outcome, "safety");
    assert!(safety.last().is_some_and(|(_, on)| *on), "the contactor stays in: {safety:?}");
    let relay = changes(&outcome, "element.top");
    let heat = changes(&outcome, "heat.top");
    for second in 1..239 {
        let at = broken + RigSpan::from_seconds(second);
        let welded = second % 60 < 20;
        assert_eq!(state(&heat, at), welded || state(&relay, at), "{second} s after");
    }
    // It comes off while the coil is off: an instant that no edge marks.
    let by_itself = heat.iter().filter(|(at, _)| relay.iter().all(|(edge, _)| edge != at)).count();
    assert!(by_itself > 0, "{heat:?}");
}

#[test]
fn a_lost_leg_takes_all_heat_of_a_split_phase_and_half_of_a_delta() {
    let expect = "  - { name: no heat, after: broken, within: 1 s, see: heat off }\n";
    let text = text("{ lose: leg 1 }", expect, "1 min after broken");
    let outcome = run(&text, as_it_is);
    assert_eq!(outcome.result.verdict, Some(Verdict::Pass), "{:#?}", outcome.result);
    let off_since = changes(&outcome, "heat").last().copied();
    assert!(off_since.is_some_and(|(_, on)| !on), "and stays off: {off_since:?}");

    // Of a delta the middle ring keeps its two phases; the other two hang in series
    // on the lost one, and carry current only while both relays are closed.
    let delta = |_: &mut Bench, kiln: &mut KilnDescription| kiln.system = SupplySystem::Delta;
    let outcome = run(&text, delta);
    let broken = moment(&outcome, "broken");
    let [top, middle, bottom] = ["element.top", "element.middle", "element.bottom"].map(|name| changes(&outcome, name));
    let [heat_top, heat_middle] = ["heat.top", "heat.middle"].map(|name| changes(&outcome, name));
    let mut alone = 0;
    for tenth in 1..590 {
        let at = broken + RigSpan::from_millis(tenth * 100);
        assert_eq!(state(&heat_middle, at), state(&middle, at), "{tenth}");
        assert_eq!(state(&heat_top, at), state(&top, at) && state(&bottom, at), "{tenth}");
        alone += u32::from(state(&top, at) != state(&bottom, at));
    }
    assert!(alone > 0, "the two relays never differed");
}

#[test]
fn a_controller_on_the_lost_leg_goes_off_with_it_and_comes_back() {
    let stimulus = "{ lose: leg 2 }";
    let expect = "  - { name: the controller is dark, after: broken, within: 1 s, see: supply off }\n";
    let text = text(stimulus, expect, "1 min after broken");
    let on_leg_2 = |file: &mut Bench, _: &mut KilnDescription| file.controls_leg = Some(2);
    assert_eq!(run(&text, on_leg_2).result.verdict, Some(Verdict::Pass));
    assert_eq!(run(&text, as_it_is).result.verdict, Some(Verdict::Fail), "fed from elsewhere");
    let not_switched = |file: &mut Bench, _: &mut KilnDescription| {
        file.controls_leg = Some(2);
        file.supply_switch = false;
    };
    let outcome = run(&text, not_switched);
    let Applicability::NotApplicable { reason } = outcome.result.applicability else { panic!("it cannot be done") };
    assert_eq!(reason, "leg 2 feeds the controller, and the bench cannot cut the controller's supply");
}

#[rstest]
#[case::a_leg_that_is_not_there("{ lose: leg 3 }", "the kiln's supply has 2 leg(s) and no leg 3")]
#[case::a_pole_without_that_relay("{ weld: element.1, pole: 2 }", "element.top has no contact in pole 2 of any path")]
#[case::probes_that_are_one("{ cross: probe.1, with: probe.top }", "both names are of the same probe")]
#[case::a_probe_that_is_not_there(
    "{ cross: probe.1, with: probe.9 }",
    "the bench has 3 zone(s), so there is no zone 9"
)]
fn what_the_bench_does_not_have_is_not_applicable(#[case] stimulus: &str, #[case] expected: &str) {
    let expect = "  - { name: cold, always: kiln < kiln limit }\n";
    let outcome = run(&text(stimulus, expect, "1 min after broken"), as_it_is);
    let Applicability::NotApplicable { reason } = outcome.result.applicability else { panic!("{:?}", outcome.result) };
    assert_eq!(reason, expected);
}

#[rstest]
#[case::half_shorted("{ half short: element.1 }")]
#[case::welded_at_times("{ weld at times: element.1, welded for: 1 min, free for: 1 min }")]
#[case::welded_in_its_one_pole("{ weld: element.1, pole: 1 }")]
fn a_weld_of_any_kind_that_nothing_else_can_open_is_uncovered(#[case] stimulus: &str) {
    let expect = "  - { name: cold, always: kiln < kiln limit }\n";
    let text = text(stimulus, expect, "1 min after broken");
    let outcome = run(&text, without_contactor);
    assert!(matches!(outcome.result.applicability, Applicability::Uncovered { .. }), "{:?}", outcome.result);
    let outcome = run(&text, as_it_is);
    assert_eq!(outcome.result.applicability, Applicability::Ran);
}

#[test]
fn without_the_neutral_the_rings_of_a_kiln_on_two_phases_lie_in_series_and_the_firing_is_kept_in_bounds() {
    let text = read("tests/neutral-lost.yaml");
    let on = |path: &str, seed: u64| {
        let (file, kiln) = bench(path);
        let made = file.clone();
        let make = move || -> Box<dyn dryfire_bench::Bench> { Box::new(VirtualBench::new(made.clone())) };
        run_on(vec![scenario("neutral-lost.yaml", &text)], &file, &kiln, seed, &make).remove(0).result
    };
    let elsewhere = on("scenarios/benches/virtual.yaml", SEED);
    assert!(matches!(elsewhere.applicability, Applicability::NotApplicable { .. }), "nothing hangs on its neutral");
    for seed in 0..4 {
        let result = on("scenarios/benches/two-phases.yaml", seed);
        assert_eq!(result.verdict, Some(Verdict::Pass), "seed {seed}: {result:#?}");
    }
}

/// An old part in the path of the top zone.
fn with_part(file: &mut Bench, kind: OldPartKind) {
    file.old_parts = vec![OldPart { zone: 0, kind }];
}

fn bypass(relays: &[usize]) -> OldPartKind {
    OldPartKind::Bypass { around: relays.iter().map(|relay| PathRelay(*relay)).collect() }
}

const BYPASS: &str = "[{ close: bypass.top }, { press: stop }]";

/// A switch of the old control bridges the element relay: the contactor still cuts. It bridges all of
/// them: nothing does, and that is a finding. There is none: nothing to find.
#[test]
fn a_bypass_is_met_by_what_it_does_not_bridge_and_uncovered_where_it_bridges_everything() {
    let expect = "  - { name: heat is cut, after: broken, within: 2 s, heat: cut }\n";
    let text = text(BYPASS, expect, "3 min after broken");
    let outcome = run(&text, as_it_is);
    let Applicability::NotApplicable { reason } = outcome.result.applicability else { panic!("{:?}", outcome.result) };
    assert!(reason.contains("no bypass"), "{reason}");
    let outcome = run(&text, |file, _| with_part(file, bypass(&[1])));
    assert_eq!(outcome.result.verdict, Some(Verdict::Pass), "{:#?}", outcome.result);
    let outcome = run(&text, |file, _| with_part(file, bypass(&[0, 1])));
    let Applicability::Uncovered { reason } = outcome.result.applicability else { panic!("{:?}", outcome.result) };
    assert!(reason.contains("past every relay") && reason.contains("top"), "{reason}");
}

#[test]
fn heat_through_a_bypass_is_seen_although_no_relay_is_on() {
    // The contactor is welded and the element relay bridged: two faults, and nothing is left.
    let stimulus = "[{ close: bypass.top }, { weld: safety }, { press: stop }]";
    let expect = "  - { name: heat is cut, after: broken, within: 5 s, heat: cut }\n";
    let outcome = run(&text(stimulus, expect, "3 min after broken"), |file, _| with_part(file, bypass(&[1])));
    assert_eq!(outcome.result.verdict, Some(Verdict::Fail), "{:#?}", outcome.result);
    let broken = moment(&outcome, "broken");
    let later = broken + RigSpan::from_minutes(2);
    assert!(!state(&changes(&outcome, "element.top"), later), "the relay is off");
    assert!(state(&changes(&outcome, "heat.top"), later), "and current flows");
}

#[test]
fn an_infinite_switch_left_in_switches_the_heat_by_its_own_clock_to_the_microsecond() {
    let kind = OldPartKind::InfiniteSwitch { on: RigSpan::from_micros(3_000_001), cycle: RigSpan::from_seconds(7) };
    let expect = "  - { name: heat comes, after: broken, within: 1 min, see: heat.top on }\n";
    let outcome = run(&text("{ press: acknowledge }", expect, "10 min after broken"), move |file, _| {
        with_part(file, kind.clone());
    });
    assert_eq!(outcome.result.verdict, Some(Verdict::Pass), "{:#?}", outcome.result);
    let relay = changes(&outcome, "element.top");
    let safety = changes(&outcome, "safety");
    let heat = changes(&outcome, "heat.top");
    let broken = moment(&outcome, "broken");
    for second in 0..600 {
        let at = broken + RigSpan::from_seconds(second);
        let closed = at.as_micros() % 7_000_000 < 3_000_001;
        assert_eq!(state(&heat, at), closed && state(&relay, at) && state(&safety, at), "{at}");
    }
    let by_itself = heat.iter().filter(|(at, _)| relay.iter().all(|(edge, _)| edge != at)).count();
    assert!(by_itself > 0, "it switches where no edge is");
}

/// Without the supply of their coils the relays open although their outputs go on switching; with it
/// the kiln is held again, without an overshoot from what was asked for meanwhile.
#[test]
fn relays_without_the_supply_of_their_coils_open_and_come_back_with_it() {
    let text = "format: 1\nscenario: the coils lose their supply\nhazards: [supply-cut]\nwhy: a test\n\
        limits from: a test\nstart: { kiln: soaked at 400 °C }\n\
        firing: [{ ramp: 150 °C/h, to: 500 °C }, { hold: 30 min }]\nscript:\n  - begin firing\n  \
        - { when: element.1 on for 0.5 s, within: 5 min, call it: lost, do: { lose: coil supply } }\n  \
        - { wait: 3 min, call it: nearly, do: { press: acknowledge } }\n  \
        - { wait: 10 s, call it: back, do: { restore: coil supply } }\n\
        expect:\n  - { name: no heat, between: lost + 1 s and nearly, never: heat on }\n  \
        - { name: asked for all the same, between: lost and nearly, sometime: element.1 on }\n  \
        - { name: heat again, after: back, within: 1 min, see: heat on }\n  \
        - { name: not too hot, always: kiln < 520 °C }\nend: 3 h after back\n";
    let outcome = run(text, as_it_is);
    assert_eq!(outcome.result.verdict, Some(Verdict::Pass), "{:#?}", outcome.result);
    // Contacts that close without it heat meanwhile: the same scenario then fails.
    let outcome = run(text, |file, _| file.relays.iter_mut().for_each(|relay| relay.unpowered = Unpowered::Closed));
    assert_eq!(outcome.result.verdict, Some(Verdict::Fail), "{:#?}", outcome.result);
}

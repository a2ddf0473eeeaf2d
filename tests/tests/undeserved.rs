//! Attempts at a pass that is not deserved, on whole runs. Each one is a bench
//! that would pass if it were not spoilt in one way; the folder of such tests
//! for judging alone is in the judge's crate.
#![expect(clippy::disallowed_methods, reason = "tests of the whole system start programs and write files")]

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};

use dryfire_bench::{
    Bench, BenchIdentity, InProcessTransport, RigBench, RigPace, RunOptions, RunSetup, SessionNote, SessionOptions,
    SimulatedRigSetup, StandInWorld, Transport, TransportError, VirtualBench, World, WorldEvent, bind_all, run_plan,
    run_session,
};
use dryfire_engine::{
    Binding, Command, CommandId, CommandKind, Observation, Plan, ProbeSignal, RigCounters, ScenarioResult, Trouble,
    TroubleKind,
};
use dryfire_judge::Verdict;
use dryfire_scenario::{
    BeginFiring, Bench as BenchFile, BenchKind, ClearFault, ColdJunction, ContactState, PathRelay, Pole, RelayRole,
};
use dryfire_stand_in::{MemoryImage, Stored, Trip, TripKind};
use dryfire_tests::{SEED, dryfire, read, root, run_on, scenario, virtual_bench};
use dryfire_units::{Disturbance, RigSpan, RigTime};
use rstest::rstest;

const PROBE_OPEN: &str = "\
format: 1
scenario: the probe opens
hazards: [probe-open]
why: A blind controller overfires the kiln.
limits from: common practice, no source
start: { kiln: soaked at 400 °C }
firing: [{ ramp: 150 °C/h, to: 600 °C }]
script:
  - begin firing
  - when: element on for 0.5 s
    within: 5 min
    call it: burn-out
    do: { open: probe }
expect:
  - { name: heat is cut, after: burn-out, within: 10 s, heat: cut }
  - { name: and stays off, after: burn-out + 10 s, never: element on }
end: 2 min after burn-out
";

const SUPPLY_CUT: &str = "\
format: 1
scenario: the supply is cut
hazards: [supply-cut]
why: Nothing may heat without the controller.
limits from: common practice, no source
start: { kiln: soaked at 400 °C }
firing: [{ ramp: 150 °C/h, to: 600 °C }]
script:
  - begin firing
  - when: element on for 0.5 s
    within: 5 min
    call it: dark
    do: { cut: supply }
expect:
  - { name: heat is cut, after: dark, within: 10 s, heat: cut }
end: 2 min after dark
";

const SUPPLY_BACK: &str = "\
format: 1
scenario: the supply comes back
hazards: [supply-cut]
why: Nothing may heat by itself when the supply returns.
limits from: common practice, no source
start: { kiln: soaked at 800 °C }
firing: [{ ramp: 150 °C/h, to: 1000 °C }]
script:
  - begin firing
  - when: element on for 0.5 s
    within: 5 min
    do: { cut: supply }
  - wait: 1 h
    call it: back
    do: { restore: supply }
expect:
  - { name: no heat, after: back, never: element on }
end: 10 min after back
";

const IDLE: &str = "\
format: 1
scenario: nothing heats by itself
hazards: [heat-while-idle]
why: A controller that nobody asked to fire does not fire.
limits from: common practice, no source
expect: [{ name: no heat, never: element on }]
end: 10 min
";

/// Commands that never get to the good bench, and are acknowledged all the same.
#[derive(Clone, Copy)]
struct Swallow {
    which: fn(&Command) -> bool,
    acknowledged_after: RigSpan,
}

/// What a spoilt bench does to what the good one reports.
type Spoil = fn(&mut Spoilt, &mut Vec<Observation>);

struct Spoilt {
    good: VirtualBench,
    /// Whether it restarts the controller before each run.
    fresh: bool,
    spoil: Spoil,
    swallow: Swallow,
    swallowed: Vec<Command>,
    /// The command that breaks or cuts something.
    stimulus: Option<Command>,
    /// How far it has come.
    now: RigTime,
    /// What it has not told yet.
    held_back: Vec<Observation>,
    /// How many times it was asked.
    asked: u32,
}

impl Bench for Spoilt {
    fn begin(&mut self, setup: &RunSetup) -> Result<BenchIdentity, Trouble> {
        let identity = self.good.begin(setup)?;
        Ok(BenchIdentity { fresh_controller: self.fresh, ..identity })
    }

    fn command(&mut self, command: Command) -> Result<(), Trouble> {
        let open = matches!(
            command.kind,
            CommandKind::Probe { signal: ProbeSignal::Open, .. } | CommandKind::Supply { on: false }
        );
        if open && self.stimulus.is_none() {
            self.stimulus = Some(command.clone());
        }
        if (self.swallow.which)(&command) {
            self.swallowed.push(command);
            return Ok(());
        }
        self.good.command(command)
    }

    fn advance(&mut self, until: RigTime, observations: &mut Vec<Observation>) -> Result<(), Trouble> {
        let before = observations.len();
        let after = self.swallow.acknowledged_after;
        for command in self.swallowed.extract_if(.., |command| command.at + after <= until) {
            observations.push(Observation::Applied { command: command.id, at: (command.at + after).max(self.now) });
        }
        self.now = until;
        self.good.advance(until, observations)?;
        let mut new = observations.split_off(before);
        (self.spoil)(self, &mut new);
        observations.append(&mut new);
        Ok(())
    }

    fn end(&mut self) {
        self.good.end();
    }
}

fn run(text: &str, defects: &[&str], spoil: Spoil, stop_after: Option<RigTime>) -> ScenarioResult {
    let nothing = Swallow { which: |_| false, acknowledged_after: RigSpan::ZERO };
    run_spoilt(text, defects, spoil, nothing, stop_after)
}

fn run_without(text: &str, swallow: Swallow) -> ScenarioResult {
    run_spoilt(text, &[], untouched, swallow, None)
}

fn run_spoilt(
    text: &str,
    defects: &[&str],
    spoil: Spoil,
    swallow: Swallow,
    stop_after: Option<RigTime>,
) -> ScenarioResult {
    run_spoilt_on(virtual_bench(defects).0, text, spoil, swallow, stop_after)
}

fn run_spoilt_on(
    file: BenchFile,
    text: &str,
    spoil: Spoil,
    swallow: Swallow,
    stop_after: Option<RigTime>,
) -> ScenarioResult {
    let (_, kiln) = virtual_bench(&[]);
    let Ok(Binding::Ready(plan)) = Plan::bind(&scenario("spoilt.yaml", text), &file, &kiln) else {
        panic!("the scenario fits the bench")
    };
    let good = VirtualBench::new(file);
    let mut bench = Spoilt {
        good,
        fresh: true,
        spoil,
        swallow,
        swallowed: Vec::new(),
        stimulus: None,
        now: RigTime::ZERO,
        held_back: Vec::new(),
        asked: 0,
    };
    let stop = AtomicBool::new(false);
    let options = RunOptions { run: 1, seed: 3, sample_events: false, second_judge: true };
    run_plan(*plan, &mut bench, options, &stop, &mut |_| (), &mut |at| {
        if stop_after.is_some_and(|end| at >= end) {
            stop.store(true, Ordering::Relaxed);
        }
    })
    .expect("the plan can be played")
}

fn after_seconds(seconds: i64) -> RigTime {
    RigTime::ZERO + RigSpan::from_seconds(seconds)
}

fn untouched(_: &mut Spoilt, _: &mut Vec<Observation>) {}

fn one_edge_was_lost(bench: &mut Spoilt, told: &mut Vec<Observation>) {
    if bench.now > after_seconds(8) && bench.now <= after_seconds(9) {
        told.insert(0, Observation::Counters(RigCounters { lost_edges: 1, ..RigCounters::default() }));
    }
}

fn one_set_point_was_late(bench: &mut Spoilt, told: &mut Vec<Observation>) {
    if bench.now > after_seconds(8) && bench.now <= after_seconds(9) {
        told.insert(0, Observation::Counters(RigCounters { late_setpoints: 1, ..RigCounters::default() }));
    }
}

fn the_stimulus_is_never_acknowledged(bench: &mut Spoilt, told: &mut Vec<Observation>) {
    if let Some(stimulus) = &bench.stimulus {
        told.retain(|one| !matches!(one, Observation::Applied { command, .. } if *command == stimulus.id));
    }
}

fn the_rail_does_not_fall(_: &mut Spoilt, told: &mut Vec<Observation>) {
    told.retain(|one| !matches!(one, Observation::SupplyRail { .. }));
}

fn a_lost_edge_is_forgotten_again(bench: &mut Spoilt, told: &mut Vec<Observation>) {
    one_edge_was_lost(bench, told);
    if bench.now > after_seconds(30) {
        told.insert(0, Observation::Counters(RigCounters::default()));
    }
}

fn an_edge_is_told_twice(bench: &mut Spoilt, told: &mut Vec<Observation>) {
    let twice = told.iter().position(|one| matches!(one, Observation::Edge { high: true, .. }));
    if let (Some(place), true) = (twice, bench.now < after_seconds(60)) {
        let edge = told[place].clone();
        told.insert(place, edge);
    }
}

/// The controller loses its supply by itself two seconds after the stimulus.
fn the_plug_falls_out(bench: &mut Spoilt, _: &mut Vec<Observation>) {
    let Some(stimulus) = &bench.stimulus else { return };
    if bench.now >= stimulus.at + RigSpan::from_seconds(1) {
        let kind = CommandKind::Supply { on: false };
        let command = Command { id: CommandId(u32::MAX), at: bench.now, kind };
        bench.good.command(command).expect("the good bench takes every command");
    }
}

fn set_points_are_not_acknowledged_any_more(bench: &mut Spoilt, told: &mut Vec<Observation>) {
    let stimulus = bench.stimulus.as_ref().map(|stimulus| stimulus.id);
    if bench.now > after_seconds(30) {
        told.retain(|one| !matches!(one, Observation::Applied { command, .. } if Some(*command) > stimulus));
    }
}

fn no_edge_is_ever_seen(_: &mut Spoilt, told: &mut Vec<Observation>) {
    told.retain(|one| !matches!(one, Observation::Edge { .. }));
}

fn the_past_is_told_after_the_future(bench: &mut Spoilt, told: &mut Vec<Observation>) {
    if bench.now > after_seconds(30) {
        let at = RigTime::ZERO + RigSpan::from_seconds(1);
        told.insert(0, Observation::Edge { at, input: 1, high: true });
    }
}

fn the_clock_goes_back(bench: &mut Spoilt, told: &mut Vec<Observation>) {
    if bench.now > after_seconds(30) {
        told.push(Observation::Complete { until: RigTime::ZERO + RigSpan::from_seconds(1) });
    }
}

fn the_cold_junction_is_not_told_any_more(bench: &mut Spoilt, told: &mut Vec<Observation>) {
    if bench.now > after_seconds(30) {
        told.retain(|one| !matches!(one, Observation::ColdJunction { .. }));
    }
}

fn the_cold_junction_is_never_told(_: &mut Spoilt, told: &mut Vec<Observation>) {
    told.retain(|one| !matches!(one, Observation::ColdJunction { .. }));
}

/// What the sensor reads from 30 s on, for a second; then it is as before.
fn the_sensor_reads_for_a_second(bench: &mut Spoilt, told: &mut Vec<Observation>, what: Option<i64>) {
    let from = after_seconds(30);
    let now = (from..from + RigSpan::from_seconds(1)).contains(&bench.now);
    told.retain_mut(|one| {
        if let Observation::ColdJunction { at, millicelsius } = one
            && now
            && *at >= from
        {
            *millicelsius = what;
        }
        true
    });
}

fn the_sensor_is_broken_for_a_second(bench: &mut Spoilt, told: &mut Vec<Observation>) {
    the_sensor_reads_for_a_second(bench, told, None);
}

fn the_sensor_reads_what_cannot_be(bench: &mut Spoilt, told: &mut Vec<Observation>) {
    the_sensor_reads_for_a_second(bench, told, Some(300_000));
}

#[rstest]
#[case::nothing_is_spoilt(untouched, Verdict::Pass)]
#[case::the_measurements_stop(the_cold_junction_is_not_told_any_more, Verdict::Inconclusive)]
#[case::it_is_never_measured(the_cold_junction_is_never_told, Verdict::Inconclusive)]
#[case::the_sensor_is_broken_for_a_while(the_sensor_is_broken_for_a_second, Verdict::Inconclusive)]
#[case::it_reads_what_cannot_be(the_sensor_reads_what_cannot_be, Verdict::Inconclusive)]
fn a_cold_junction_that_was_to_be_measured_and_was_not_known_shows_nothing(
    #[case] spoil: Spoil,
    #[case] verdict: Verdict,
) {
    let (mut file, _) = virtual_bench(&[]);
    file.cold_junction = ColdJunction::Measured;
    let nothing = Swallow { which: |_| false, acknowledged_after: RigSpan::ZERO };
    let result = run_spoilt_on(file, PROBE_OPEN, spoil, nothing, None);
    assert_eq!(result.verdict, Some(verdict), "{result:#?}");
    let remark = "the temperature of the controller's terminals was not known";
    assert_eq!(result.remarks.iter().any(|one| one.contains(remark)), verdict != Verdict::Pass, "{result:#?}");
}

#[test]
fn the_bench_passes_when_nothing_is_spoilt() {
    for text in [PROBE_OPEN, SUPPLY_CUT] {
        let result = run(text, &[], untouched, None);
        assert_eq!(result.verdict, Some(Verdict::Pass), "{result:#?}");
    }
}

#[rstest]
#[case::a_lost_edge(PROBE_OPEN, one_edge_was_lost, "edges were lost")]
#[case::a_lost_edge_that_a_later_count_leaves_out(PROBE_OPEN, a_lost_edge_is_forgotten_again, "edges were lost")]
#[case::an_edge_without_the_one_between(PROBE_OPEN, an_edge_is_told_twice, "edges were lost")]
#[case::set_points_that_may_never_have_been_played(
    PROBE_OPEN,
    set_points_are_not_acknowledged_any_more,
    "never acknowledged"
)]
#[case::a_late_set_point(PROBE_OPEN, one_set_point_was_late, "came too late")]
#[case::a_stimulus_without_acknowledgement(PROBE_OPEN, the_stimulus_is_never_acknowledged, "acknowledgement")]
#[case::a_supply_cut_that_did_not_cut(SUPPLY_CUT, the_rail_does_not_fall, "never seen to fall")]
#[case::a_controller_whose_relays_are_not_seen(PROBE_OPEN, no_edge_is_ever_seen, "did not come")]
fn what_was_not_observed_is_inconclusive(#[case] text: &str, #[case] spoil: Spoil, #[case] remark: &str) {
    let result = run(text, &[], spoil, None);
    assert_eq!(result.verdict, Some(Verdict::Inconclusive), "{result:#?}");
    assert!(result.remarks.iter().any(|said| said.contains(remark)), "{:?}", result.remarks);
}

/// A dead controller heats nothing, whatever is expected of a living one.
#[test]
fn a_supply_that_does_not_come_back_shows_nothing_about_its_return() {
    let result = run(SUPPLY_BACK, &[], untouched, None);
    assert_eq!(result.verdict, Some(Verdict::Pass), "{result:#?}");
    let dead = Swallow {
        which: |command| matches!(command.kind, CommandKind::Supply { on: true }),
        acknowledged_after: RigSpan::ZERO,
    };
    let result = run_without(SUPPLY_BACK, dead);
    assert_eq!(result.verdict, Some(Verdict::Inconclusive), "{result:#?}");
    assert!(result.remarks.iter().any(|said| said.contains("never seen to rise")), "{:?}", result.remarks);
}

#[test]
fn heat_that_was_cut_by_a_plug_that_fell_out_was_not_cut_by_the_controller() {
    let result = run(PROBE_OPEN, &["probe-fault-ignored-while-ramping"], the_plug_falls_out, None);
    assert!(result.findings[0].finding.verdict == Verdict::Pass, "the reaction looks right: {result:#?}");
    assert_eq!(result.verdict, Some(Verdict::Inconclusive), "{result:#?}");
    assert!(result.remarks.iter().any(|said| said.contains("by itself")), "{:?}", result.remarks);
}

/// Two stimuli of one step that do not happen together: what is counted from
/// the later one is not known to be a reaction to it.
#[test]
fn a_reaction_between_two_halves_of_a_stimulus_is_not_counted_from_the_second() {
    let text = PROBE_OPEN
        .replace("do: { open: probe }", "do: [{ open: probe }, { console: \"status\" }]")
        .replace("within: 10 s, heat: cut", "within: 110 ms, see: safety open");
    let status = Swallow {
        which: |command| matches!(&command.kind, CommandKind::Console { line } if line == "status"),
        acknowledged_after: RigSpan::from_seconds(8),
    };
    let result = run_without(&text, status);
    assert_ne!(result.verdict, Some(Verdict::Pass), "{result:#?}");
}

/// A part that a stimulus means and the bench does not have is not broken by it.
#[rstest]
#[case::broken("open: probe.middle", "never: element on")]
#[case::looked_at("open: probe", "always: probe.middle < 900 °C")]
fn a_zone_without_a_probe_of_its_own_makes_no_test_of_a_probe(#[case] stimulus: &str, #[case] claim: &str) {
    let (mut file, kiln) = virtual_bench(&[]);
    file.zones[1].probe_channel = None;
    let text = PROBE_OPEN.replace("open: probe", stimulus).replace("never: element on", claim);
    let binding = Plan::bind(&scenario("no-probe.yaml", &text), &file, &kiln);
    assert!(
        matches!(&binding, Ok(Binding::NotApplicable { reason }) if reason.contains("probe") && reason.contains("middle")),
        "{binding:#?}"
    );
}

/// The second zone of this bench has no contactor: with its relay welded nothing stops it.
#[rstest]
#[case::asked_for("{ open: probe }", "[{ part: means to cut element, without it: uncovered }]")]
#[case::welded("{ weld: element }", "[]")]
fn what_is_asked_of_every_element_is_not_shown_by_the_first(#[case] stimulus: &str, #[case] needs: &str) {
    let (mut file, kiln) = virtual_bench(&[]);
    let own = file.relays.iter().position(|relay| relay.role == RelayRole::Element(1)).expect("zone 2 has a relay");
    for path in file.paths.iter_mut().filter(|path| path.zone == 1) {
        path.poles = vec![Pole { through: vec![PathRelay(own)] }];
    }
    let text = PROBE_OPEN.replace("{ open: probe }", stimulus).replace("firing:", &format!("needs: {needs}\nfiring:"));
    let text = text.replace("[probe-open]", "[control]");
    let binding = Plan::bind(&scenario("weld.yaml", &text), &file, &kiln);
    assert!(matches!(&binding, Ok(Binding::Uncovered { reason }) if reason.contains("zone middle")), "{binding:#?}");
}

/// Every zone heats on through the off-phases of its relay only if every one is welded.
#[rstest]
#[case::of_every_one("element", Verdict::Pass)]
#[case::of_the_first("element.1", Verdict::Fail)]
fn a_weld_holds_those_relays_that_it_names(#[case] relays: &str, #[case] expected: Verdict) {
    let claims = PROBE_OPEN.find("expect:").expect("the scenario expects something");
    let text = PROBE_OPEN[..claims]
        .replace("{ open: probe }", &format!("{{ weld: {relays} }}"))
        .replace("[probe-open]", "[relay-welded]")
        + "expect: [{ name: all heat on, after: burn-out + 1 s, always: heat.1 on and heat.2 on and heat.3 on }]\n\
           end: 20 s after burn-out\n";
    let result = run(&text, &[], untouched, None);
    assert_eq!(result.verdict, Some(expected), "{result:#?}");
}

/// On the wire a controller that could not be made and one that is off look the same: both heat nothing.
#[test]
fn a_simulated_rig_without_a_controller_behind_it_shows_nothing() {
    struct NoController;
    impl World for NoController {
        fn begin(&mut self, _: u64, _: i64) -> Result<(), String> {
            Err("no controller can be made so".to_owned())
        }
        fn run_until(&mut self, _: RigTime, _: &mut dyn FnMut(WorldEvent)) {}
        fn set_probe(&mut self, _: RigTime, _: u8, _: ProbeSignal) {}
        fn disturb_probe(&mut self, _: RigTime, _: u8, _: Disturbance) {}
        fn set_contact(&mut self, _: RigTime, _: u8, _: bool) {}
        fn set_supply(&mut self, _: RigTime, _: bool) {}
        fn console_line(&mut self, _: RigTime, _: &str) {}
    }
    let result = run_behind_a_rig(IDLE, |file| file, |_| NoController);
    assert_eq!(result.findings[0].finding.verdict, Verdict::Pass, "it heats nothing: {result:#?}");
    assert_eq!(result.verdict, Some(Verdict::Inconclusive), "{result:#?}");
}

#[test]
fn a_firing_that_nobody_was_asked_to_begin_has_not_begun() {
    let operated = |mut file: BenchFile| {
        file.begin = BeginFiring::Operator;
        file
    };
    let text = IDLE.replace("expect:", "firing: [{ ramp: 150 °C/h, to: 600 °C }]\nscript: [begin firing]\nexpect:");
    let text = text.replace("end: 10 min", "end: 1 h");
    let result = run_behind_a_rig(&text, operated, |file| StandInWorld::new(file).expect("a stand-in"));
    assert_eq!(result.verdict, Some(Verdict::Inconclusive), "{result:#?}");
    assert!(result.remarks.iter().any(|said| said.contains("acknowledgement")), "{:?}", result.remarks);
}

fn run_behind_a_rig<W: World + 'static>(
    text: &str,
    change: fn(BenchFile) -> BenchFile,
    world: fn(BenchFile) -> W,
) -> ScenarioResult {
    let (file, kiln) = virtual_bench(&[]);
    let file = change(file);
    let behind = file.clone();
    let parsed = scenario("rig.yaml", text);
    let mut outcomes = run_on(vec![parsed], &file.clone(), &kiln, SEED, &move || {
        let behind = behind.clone();
        let connect = Box::new(move || -> Result<Box<dyn Transport>, TransportError> {
            let setup = SimulatedRigSetup::from_bench(&behind, RigPace::Granted, 1);
            Ok(Box::new(InProcessTransport::new(world(behind.clone()), setup)))
        });
        Box::new(RigBench::new(file.clone(), connect, 7))
    });
    outcomes.remove(0).result
}

/// The start contact brings no program along: the stand-in has to know it.
#[test]
fn a_firing_begun_by_the_start_contact_is_fired_on_the_virtual_bench_too() {
    let (mut file, kiln) = virtual_bench(&[]);
    file.begin = BeginFiring::Contact { press: RigSpan::from_millis(300) };
    let made = file.clone();
    let scenarios = vec![scenario("contact.yaml", PROBE_OPEN)];
    let outcomes = run_on(scenarios, &file, &kiln, SEED, &move || Box::new(VirtualBench::new(made.clone())));
    assert_eq!(outcomes[0].result.verdict, Some(Verdict::Pass), "{:#?}", outcomes[0].result);
}

/// A latch outlives the supply, as it should: only what the bench file says clears it between two runs.
#[rstest]
#[case::not_at_all(None, Verdict::Inconclusive)]
#[case::by_the_button(Some(ClearFault::Contact { press: RigSpan::from_seconds(3) }), Verdict::Pass)]
#[case::by_a_word(Some(ClearFault::Console { lines: vec!["acknowledge".to_owned()] }), Verdict::Pass)]
#[case::by_a_word_that_it_does_not_know(Some(ClearFault::Console { lines: vec!["sesame".to_owned()] }), Verdict::Inconclusive)]
fn a_fault_latched_in_an_earlier_run_shows_nothing_until_it_is_cleared(
    #[case] clear_fault: Option<ClearFault>,
    #[case] expected: Verdict,
) {
    let (mut file, kiln) = virtual_bench(&[]);
    file.clear_fault = clear_fault;
    let trip = Trip { kind: TripKind::Stall, zone: None };
    let latched = MemoryImage::holding(&Stored { trip: Some(trip), ..Stored::default() });
    let made = file.clone();
    let scenarios = vec![scenario("latched.yaml", PROBE_OPEN), scenario("idle.yaml", IDLE)];
    let make = move || -> Box<dyn Bench> { Box::new(VirtualBench::new(made.clone()).with_memory(latched.clone())) };
    for outcome in run_on(scenarios, &file, &kiln, SEED, &make) {
        assert_eq!(outcome.result.verdict, Some(expected), "{:#?}", outcome.result);
    }
}

/// The reaction's margin is the same; what it has to clear is not made smaller by stating half of it.
#[test]
fn an_uncertainty_stated_with_a_smaller_coverage_factor_is_widened() {
    let uncertainty = |hundredths: u16| {
        let (mut file, kiln) = virtual_bench(&[]);
        file.uncertainty.coverage_hundredths = hundredths;
        let Ok(Binding::Ready(plan)) = Plan::bind(&scenario("coverage.yaml", PROBE_OPEN), &file, &kiln) else {
            panic!("the scenario fits the bench")
        };
        let spec = |id| plan.table.get(id);
        (spec(plan.signals.heat).time_uncertainty.as_micros(), spec(plan.signals.probe).value_uncertainty)
    };
    assert_eq!(uncertainty(200), (1_000, 1_000));
    assert_eq!(uncertainty(100), (2_000, 2_000));
    assert_eq!(uncertainty(150), (1_334, 1_334));
    assert_eq!(uncertainty(300), (1_000, 1_000), "a wider one is taken as it is");
}

/// With its edges known to nothing, a rig would pass what lies on the limit by chance.
#[rstest]
#[case::edges("edge time: 0 s", "no rig knows its edges to 0 s")]
#[case::nearly("edge time: 99 µs", "no rig knows its edges to 99 µs")]
#[case::temperature("shown temperature: 0 °C", "no rig shows a temperature to 0 °C")]
#[case::clock("edge time: { clock resolution: 0 s }", "the clock resolution cannot be 0 s")]
#[case::inputs("edge time: { sensing delay: 0 s }", "the sensing delay cannot be 0 s")]
#[case::drift("edge time: { clock drift: 0 ppm }", "a clock drift of 0 ppm makes no sense")]
#[case::calibration("shown temperature: { calibration: 0 °C }", "an uncertainty of 0 °C makes no sense")]
#[case::junction("shown temperature: { cold junction: 0 °C }", "an uncertainty of 0 °C makes no sense")]
fn a_rig_that_claims_to_measure_without_error_is_refused(#[case] claimed: &str, #[case] refusal: &str) {
    let text = read("scenarios/benches/rig.yaml");
    let section = text.find("\nuncertainty:").expect("the section is the last one");
    let text = format!("{}\nuncertainty: {{ {claimed} }}\n", &text[..section]);
    let mistakes = dryfire_scenario::parse_bench("rig.yaml", &text).expect_err("it is refused");
    assert!(mistakes.iter().any(|mistake| mistake.to_string().contains(refusal)), "{mistakes:#?}");
}

/// A rig that says nothing is not taken for a perfect one: what a calibrated rig shows is open here.
#[test]
fn a_rig_that_was_never_calibrated_has_a_wide_guard_band() {
    let text = read("scenarios/benches/rig.yaml");
    let section = text.find("\nuncertainty:").expect("the section is the last one");
    let (file, _) = dryfire_scenario::parse_bench("rig.yaml", &text[..section]).expect("it may be left out");
    let (_, kiln) = virtual_bench(&[]);
    let Ok(Binding::Ready(plan)) = Plan::bind(&scenario("rig.yaml", PROBE_OPEN), &file, &kiln) else {
        panic!("the scenario fits the bench")
    };
    let probe = plan.table.get(plan.signals.probe);
    assert!(probe.value_uncertainty > 15_000, "{probe:?}");
    let heat = plan.table.get(plan.signals.heat);
    assert!(heat.time_uncertainty > RigSpan::from_millis(25), "{heat:?}");
}

#[rstest]
#[case::an_edge_from_the_past(the_past_is_told_after_the_future)]
#[case::a_watermark_that_goes_back(the_clock_goes_back)]
fn a_bench_whose_time_runs_backwards_is_in_error(#[case] spoil: Spoil) {
    let result = run(PROBE_OPEN, &[], spoil, None);
    assert_eq!(result.verdict, Some(Verdict::Error), "{result:#?}");
    assert_eq!(result.trouble.map(|trouble| trouble.kind), Some(TroubleKind::OutOfOrder));
}

/// Nothing else would ever end the run, and whoever waits for it would not know why.
#[rstest]
#[case::from_the_beginning(0)]
#[case::in_the_middle(60)]
fn a_bench_whose_time_stands_still_is_in_error(#[case] seconds: i64) {
    struct StandsStill {
        good: VirtualBench,
        from: RigTime,
    }
    impl Bench for StandsStill {
        fn begin(&mut self, setup: &RunSetup) -> Result<BenchIdentity, Trouble> {
            self.good.begin(setup)
        }
        fn command(&mut self, command: Command) -> Result<(), Trouble> {
            self.good.command(command)
        }
        fn advance(&mut self, until: RigTime, observations: &mut Vec<Observation>) -> Result<(), Trouble> {
            if until > self.from { Ok(()) } else { self.good.advance(until, observations) }
        }
        fn end(&mut self) {
            self.good.end();
        }
    }
    let (file, kiln) = virtual_bench(&[]);
    let made = file.clone();
    let make = move || -> Box<dyn Bench> {
        Box::new(StandsStill { good: VirtualBench::new(made.clone()), from: after_seconds(seconds) })
    };
    let outcomes = run_on(vec![scenario("still.yaml", PROBE_OPEN)], &file, &kiln, SEED, &make);
    let result = &outcomes[0].result;
    assert_eq!(result.verdict, Some(Verdict::Error), "{result:#?}");
    assert_eq!(result.trouble.as_ref().map(|trouble| trouble.kind), Some(TroubleKind::StandsStill), "{result:#?}");
}

#[test]
fn a_run_that_the_operator_ends_early_is_inconclusive() {
    let result = run(PROBE_OPEN, &[], untouched, Some(RigTime::ZERO + RigSpan::from_seconds(60)));
    assert_eq!(result.verdict, Some(Verdict::Inconclusive), "{result:#?}");
}

#[test]
fn a_decided_fail_survives_a_breakdown_that_comes_later() {
    fn breaks_down_late(bench: &mut Spoilt, told: &mut Vec<Observation>) {
        if bench.stimulus.is_some() && bench.now > after_seconds(60) {
            told.push(Observation::Trouble(Trouble { kind: TroubleKind::LinkLost, detail: "unplugged".to_owned() }));
        }
    }
    let result = run(PROBE_OPEN, &["probe-fault-ignored-while-ramping"], breaks_down_late, None);
    assert_eq!(result.verdict, Some(Verdict::Error), "{result:#?}");
    assert!(
        result.findings.iter().any(|report| report.finding.verdict == Verdict::Fail),
        "the fail is still listed: {result:#?}"
    );
}

/// Nothing was fired, so that nothing was on when the probe opened: nothing was cut.
#[test]
fn a_stimulus_while_heat_was_off_anyway_shows_nothing() {
    let text = PROBE_OPEN
        .replace("firing: [{ ramp: 150 °C/h, to: 600 °C }]\n", "")
        .replace("  - begin firing\n", "")
        .replace("when: element on for 0.5 s\n    within: 5 min", "wait: 1 min");
    let result = run(&text, &[], untouched, None);
    let (cut, off) = (&result.findings[0].finding, &result.findings[1].finding);
    assert!(cut.verdict == Verdict::Inconclusive && cut.vacuous, "{cut:#?}");
    assert_eq!(result.verdict, Some(Verdict::Inconclusive), "{off:#?}");
}

/// What the bench tells is held back now and then, edges and heartbeats, and comes
/// when it has been asked another dozen times.
#[test]
fn a_heartbeat_that_comes_late_changes_no_finding() {
    fn now_and_then_late(bench: &mut Spoilt, told: &mut Vec<Observation>) {
        bench.asked += 1;
        bench.held_back.append(told);
        if bench.asked % 30 >= 12 {
            told.append(&mut bench.held_back);
        }
    }
    let (late, clean) = (run(PROBE_OPEN, &[], now_and_then_late, None), run(PROBE_OPEN, &[], untouched, None));
    assert_eq!(late.findings, clean.findings);
    assert_eq!((late.verdict, late.remarks), (Some(Verdict::Pass), Vec::new()));
}

/// Two hazards, and every expectation is about the first of them or does not say.
#[rstest]
#[case::unsaid("", "does not say which it speaks to")]
#[case::the_other("hazards: [probe-open], ", "no expectation speaks to the hazard `lid-open`")]
fn a_hazard_is_not_shown_by_what_is_expected_about_another(#[case] hazards: &str, #[case] refusal: &str) {
    let text = PROBE_OPEN.replace("hazards: [probe-open]", "hazards: [probe-open, lid-open]");
    let text = text.replace("{ name: ", &format!("{{ {hazards}name: "));
    let mistakes = dryfire_scenario::parse_scenario("two.yaml", &text).expect_err("it is refused");
    assert!(mistakes.iter().any(|mistake| mistake.to_string().contains(refusal)), "{mistakes:#?}");
}

/// The hottest that the stand-in takes in a program is below its top temperature.
const REFUSED: &str = "\
format: 1
scenario: a program that is too hot
hazards: [over-temperature]
why: A kiln that is told to go too high must not.
limits from: common practice, no source
start: { kiln: soaked at 400 °C }
firing: [{ ramp: 150 °C/h, to: 1330 °C }]
script:
  - begin firing
expect:
  - { name: never too hot, always: kiln < kiln limit }
  - { name: no heat behind an open contactor, never: element on and safety open }
end: 10 min
";

const LID_OPEN_FROM_THE_BEGINNING: &str = "\
format: 1
scenario: fired with the lid open
hazards: [lid-open]
why: Nothing may heat while somebody can reach in.
limits from: common practice, no source
start: { kiln: soaked at 400 °C }
firing: [{ ramp: 150 °C/h, to: 600 °C }]
script:
  - wait: 2 s
    do: { open: lid }
  - begin firing
expect: [{ name: no heat, after: begin, never: element on }]
end: 5 min
";

#[test]
fn a_program_that_the_controller_refuses_shows_nothing_by_what_it_does_not_do() {
    let result = run(REFUSED, &[], untouched, None);
    assert_eq!(result.verdict, Some(Verdict::Inconclusive), "{result:#?}");
    assert!(result.remarks.iter().any(|said| said.contains("told to fire and nothing heated")), "{result:#?}");
    assert!(result.findings.iter().all(|report| report.finding.vacuous), "{result:#?}");
    // Where something is in the way from the beginning, not to heat is what is asked for.
    let result = run(LID_OPEN_FROM_THE_BEGINNING, &[], untouched, None);
    assert_eq!(result.verdict, Some(Verdict::Pass), "{result:#?}");
}

/// What cannot be why a controller refuses is no excuse for one that does.
#[rstest]
#[case::a_reading_that_is_only_wrong("offset: probe, by: -30 °C")]
#[case::a_reading_that_trembles("noise: probe, of: 3 °C")]
#[case::a_voltage("kiln supply: 208 V")]
#[case::terminals("warm: terminals, by: 25 °C")]
fn a_refusal_counts_only_where_something_is_in_the_way(#[case] stimulus: &str) {
    let broken_before = format!("script:\n  - {{ wait: 2 s, do: {{ {stimulus} }} }}\n");
    let result = run(&REFUSED.replace("script:\n", &broken_before), &[], untouched, None);
    assert_eq!(result.verdict, Some(Verdict::Inconclusive), "{result:#?}");
    assert!(result.remarks.iter().any(|said| said.contains("told to fire and nothing heated")), "{result:#?}");
}

/// A fault latched in the run before, and nothing that restarted the controller since.
#[rstest]
#[case::idle(IDLE)]
#[case::hindered(LID_OPEN_FROM_THE_BEGINNING)]
fn a_controller_that_was_not_restarted_has_to_heat_before_its_rest_counts(#[case] text: &str) {
    let (file, kiln) = virtual_bench(&[]);
    let verdict_on = |fresh, text: &str| {
        let Ok(Binding::Ready(plan)) = Plan::bind(&scenario("kept-on.yaml", text), &file, &kiln) else {
            panic!("the scenario fits the bench")
        };
        let swallow = Swallow { which: |_| false, acknowledged_after: RigSpan::ZERO };
        let (good, spoil) = (VirtualBench::new(file.clone()), untouched as Spoil);
        let mut bench = Spoilt {
            good,
            fresh,
            spoil,
            swallow,
            swallowed: Vec::new(),
            stimulus: None,
            now: RigTime::ZERO,
            held_back: Vec::new(),
            asked: 0,
        };
        let options = RunOptions { run: 1, seed: 3, sample_events: false, second_judge: true };
        let result = run_plan(*plan, &mut bench, options, &AtomicBool::new(false), &mut |_| (), &mut |_| ());
        result.expect("the plan can be played").verdict
    };
    assert_eq!(verdict_on(true, text), Some(Verdict::Pass));
    assert_eq!(verdict_on(false, text), Some(Verdict::Inconclusive));
    assert_eq!(verdict_on(false, PROBE_OPEN), Some(Verdict::Pass));
}

/// A controller in Python that is one thing in its first start and another from the second one on.
fn changing_controller(folder: &Path, change: &str) -> PathBuf {
    let program = format!(
        "import os\n\nSTARTS = __file__ + '.starts'\nFIRMWARE = '1.0.0'\nwith open(STARTS, 'a') as starts:\n    \
         starts.write('.')\nif os.path.getsize(STARTS) > 1:\n    {change}\n\n{}",
        read("tests/controllers/controller.py").replace("\"firmware\": \"1.0.0\"", "\"firmware\": FIRMWARE")
    );
    std::fs::write(folder.join("it.py"), program).expect("the folder is writable");
    let text = read("scenarios/benches/program-python.yaml")
        .replace("../../tests/controllers/controller.py", "it.py")
        .replace("../kilns", &root().join("scenarios/kilns").to_string_lossy())
        .replace("  firmware version: \"1.0.0\"\n", "");
    let bench = folder.join("bench.yaml");
    std::fs::write(&bench, text).expect("the folder is writable");
    bench
}

/// Half of a session is of one build and half of another: each half passes, and nothing has passed both.
#[rstest]
#[case::that_answers_otherwise("FIRMWARE = '1.1.0'", "firmware 1.1.0")]
#[case::that_was_written_anew("open(__file__, 'a').write('# built again\\n')", "was changed while the session went on")]
fn a_session_over_two_builds_shows_no_hazard(#[case] change: &str, #[case] remark: &str) {
    let folder = tempfile::tempdir().expect("there is room");
    let record = folder.path().join("it.sqlite");
    let run = |change: &str, format: &str| {
        let bench = changing_controller(folder.path(), change);
        let _ = std::fs::remove_file(folder.path().join("it.py.starts"));
        let _ = std::fs::remove_file(&record);
        let output = dryfire()
            .args(["run", "scenarios/probe/open-while-ramping.yaml", "scenarios/people/stop-pressed.yaml"])
            .args(["--jobs", "1", "--format", format, "--bench"])
            .arg(bench)
            .arg("--record")
            .arg(&record)
            .output()
            .expect("dryfire starts");
        (output.status.code(), String::from_utf8_lossy(&output.stdout).into_owned())
    };
    let told = |arguments: &[&str]| {
        let output = dryfire().args(arguments).output().expect("dryfire starts");
        (output.status.code(), String::from_utf8_lossy(&output.stdout).into_owned())
    };
    let path = record.to_str().expect("UTF-8");
    let (status, said) = run("pass", "text");
    assert_eq!(status, Some(0), "{said}");
    assert!(said.contains("2 of 2 hazards shown") && !said.contains("NOT ONE FIRMWARE"), "{said}");

    let (status, said) = run(change, "text");
    assert_eq!(status, Some(2), "{said}");
    let said = said.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(said.contains("NOT ONE FIRMWARE, so no hazard is shown: ") && said.contains(remark), "{said}");
    assert!(said.contains("0 of 2 hazards shown") && said.contains("2 undecided"), "{said}");

    let page = folder.path().join("it.html");
    assert_eq!(told(&["report", path, "--out", page.to_str().expect("UTF-8")]).0, Some(0));
    let page = std::fs::read_to_string(page).expect("a page");
    let first = page.split("id=\"scenarios\"").next().expect("a first sheet");
    assert!(first.contains("Not one firmware, so no hazard counts as shown: ") && first.contains(remark), "{first}");
    assert!(first.contains("0 of 2 hazards shown"), "{first}");
    let junit = told(&["export", path, "--as", "junit"]).1;
    assert!(junit.contains("<error type=\"mixed\"") && junit.contains("errors=\"1\""), "{junit}");
    assert!(told(&["export", path, "--as", "markdown"]).1.contains("**Not one firmware"));
    // Beside itself nothing changed, and still nothing can be said.
    let (status, said) = told(&["compare", path, path]);
    assert_eq!(status, Some(2), "{said}");
    assert!(said.contains("NOT ONE FIRMWARE"), "{said}");

    let (_, live) = run(change, "json");
    let summary: serde_json::Value = serde_json::from_str(live.lines().last().expect("a line")).expect("JSON");
    assert_eq!(summary["exit_code"], 2, "{summary}");
    assert_eq!(summary["hazards"]["shown"], serde_json::json!([]), "{summary}");
    assert_eq!(summary["mixed"].as_array().map(Vec::len), Some(1), "{summary}");
    assert_eq!(told(&["export", path, "--as", "json"]).1, live);
}

/// After a supply cut another build comes up: what it does shows nothing of the one before.
#[test]
fn another_build_after_a_supply_cut_is_an_error() {
    let folder = tempfile::tempdir().expect("there is room");
    let output = dryfire()
        .args(["run", "scenarios/supply/cut-after-fault.yaml", "--no-record", "--bench"])
        .arg(changing_controller(folder.path(), "FIRMWARE = '1.1.0'"))
        .output()
        .expect("dryfire starts");
    let said = String::from_utf8_lossy(&output.stdout).split_whitespace().collect::<Vec<_>>().join(" ");
    assert_eq!(output.status.code(), Some(3), "{said}");
    assert!(said.contains("one run is of one program"), "{said}");
}

/// A bench on which one input is never seen to change.
struct DeadWire {
    good: VirtualBench,
    input: u8,
}

impl Bench for DeadWire {
    fn begin(&mut self, setup: &RunSetup) -> Result<BenchIdentity, Trouble> {
        self.good.begin(setup)
    }

    fn command(&mut self, command: Command) -> Result<(), Trouble> {
        self.good.command(command)
    }

    fn advance(&mut self, until: RigTime, observations: &mut Vec<Observation>) -> Result<(), Trouble> {
        self.good.advance(until, observations)?;
        observations.retain(|one| !matches!(one, Observation::Edge { input, .. } if *input == self.input));
        Ok(())
    }

    fn end(&mut self) {
        self.good.end();
    }
}

/// A relay that was never seen on in the session may as well not be connected to the bench.
#[rstest]
#[case::alone_with_the_proving_run(&[IDLE], None, Verdict::Pass, "")]
#[case::alone_with_a_dead_wire(&[IDLE], Some(2), Verdict::Inconclusive, "relay `element.middle` was never")]
#[case::beside_a_run_that_heats(&[IDLE, PROBE_OPEN], None, Verdict::Pass, "")]
#[case::in_any_order(&[PROBE_OPEN, IDLE], None, Verdict::Pass, "")]
#[case::with_a_dead_wire(&[IDLE, PROBE_OPEN], Some(2), Verdict::Inconclusive, "relay `element.middle` was never")]
fn a_relay_that_was_never_seen_on_in_the_session_proves_nothing_by_being_off(
    #[case] texts: &[&str],
    #[case] dead: Option<u8>,
    #[case] expected: Verdict,
    #[case] remark: &str,
) {
    let (file, kiln) = virtual_bench(&[]);
    let scenarios = texts.iter().map(|text| scenario("session.yaml", text)).collect();
    let jobs = bind_all(scenarios, &file, &kiln).expect("they fit the bench");
    let make = || -> Box<dyn Bench> {
        let good = VirtualBench::new(file.clone());
        match dead {
            Some(input) => Box::new(DeadWire { good, input }),
            None => Box::new(good),
        }
    };
    let stop = AtomicBool::new(false);
    let options = SessionOptions { seed: SEED, jobs: 2, sample_events: false, live: false, stop: &stop };
    let mut results = Vec::new();
    run_session(&jobs, &make, options, &mut |note| {
        if let SessionNote::Finished { job, outcome } = note {
            assert_eq!(job, results.len(), "told in the order of the jobs");
            results.push(outcome.result);
        }
    });
    assert_eq!(results.len(), texts.len());
    let idle = &results[texts.iter().position(|text| *text == IDLE).expect("one of them")];
    assert_eq!(idle.verdict, Some(expected), "{idle:#?}");
    assert!(remark.is_empty() == idle.remarks.is_empty(), "{:?}", idle.remarks);
    assert!(idle.remarks.iter().all(|said| said.contains(remark)), "{:?}", idle.remarks);
}

/// With so long a longest firing declared, the program's own end comes first, and looks the same.
#[test]
fn the_end_of_a_program_is_not_taken_for_the_end_of_the_longest_firing() {
    let (mut file, kiln) = virtual_bench(&[]);
    file.declares.longest_firing = RigSpan::from_minutes(40 * 60);
    let about_it =
        |one: &dryfire_scenario::Scenario| one.hazards.iter().any(|hazard| hazard.value.0 == "firing-too-long");
    let scenarios: Vec<_> = dryfire_tests::library().into_iter().filter(about_it).collect();
    assert!(scenarios.len() > 4);
    for scenario in scenarios {
        let binding = Plan::bind(&scenario, &file, &kiln);
        assert!(
            matches!(&binding, Ok(Binding::NotApplicable { reason }) if reason.contains("ends by itself")),
            "{}: {binding:#?}",
            scenario.name
        );
    }
}

/// The fourth zone of a bench that has three: no relay, no weld, and nothing that has to meet it.
#[rstest]
#[case::its_relay("{ weld: element.4 }", "[{ part: means to cut element.4, without it: uncovered }]")]
#[case::its_probe("{ open: probe.4 }", "[]")]
fn a_zone_that_the_bench_does_not_have_is_no_finding(#[case] stimulus: &str, #[case] needs: &str) {
    let (file, kiln) = virtual_bench(&[]);
    let text = PROBE_OPEN.replace("{ open: probe }", stimulus).replace("firing:", &format!("needs: {needs}\nfiring:"));
    let text = text.replace("[probe-open]", "[control]");
    let binding = Plan::bind(&scenario("fourth.yaml", &text), &file, &kiln);
    assert!(matches!(&binding, Ok(Binding::NotApplicable { reason }) if reason.contains("zone 4")), "{binding:#?}");
}

/// A button whose wire goes nowhere does nothing, and so begins nothing, whatever is expected of it.
#[rstest]
#[case::pressed_while_stop_is_held("people/start-while-stop-held", 2)]
#[case::pressed_with_the_lid_open("people/start-with-lid-open", 2)]
#[case::down_at_power_up("controller/start-held-at-power-up", 2)]
#[case::stuck("people/start-button-stuck", 2)]
#[case::after_a_fault_without_acknowledgement("people/stop-is-no-acknowledgement", 2)]
#[case::refused("people/start-refused-with-fault", 2)]
#[case::acknowledged_and_refused("people/start-refused-with-fault", 3)]
#[case::acknowledged("people/acknowledge-brings-no-heat", 3)]
fn a_start_or_acknowledge_contact_that_does_nothing_shows_nothing(#[case] file: &str, #[case] output: u8) {
    let text = read(&format!("scenarios/{file}.yaml"));
    assert_eq!(run(&text, &[], untouched, None).verdict, Some(Verdict::Pass));
    let which = match output {
        2 => |command: &Command| matches!(command.kind, CommandKind::Contact { output: 2, .. }),
        _ => |command: &Command| matches!(command.kind, CommandKind::Contact { output: 3, .. }),
    };
    let result = run_without(&text, Swallow { which, acknowledged_after: RigSpan::ZERO });
    assert_eq!(result.verdict, Some(Verdict::Inconclusive), "{result:#?}");
    assert!(result.remarks.iter().any(|said| said.contains("did not come")), "{:?}", result.remarks);
}

const OFFSET: &str = "\
format: 1
scenario: the reading is wrong
hazards: [probe-offset]
why: The kiln gets too hot.
limits from: common practice, no source
start: { kiln: soaked at 400 °C }
firing: [{ ramp: 150 °C/h, to: 600 °C }]
script:
  - begin firing
  - { when: element on for 0.5 s, within: 10 min, call it: wrong, do: { offset: probe, by: -30 °C } }
expect:
  - { name: not too hot, after: wrong, always: kiln < 640 °C }
end: 1 h after wrong
";

/// What asks for nothing is no test of a hazard.
#[rstest]
#[case::broken_by_nothing("by: -30 °C", "by: 0 °C", "changes nothing")]
#[case::nothing_is_broken(", do: { offset: probe, by: -30 °C }", "", "nothing in the script brings it about")]
#[case::another_thing_is_broken("offset: probe, by: -30 °C", "open: lid", "nothing in the script brings it about")]
#[case::hotter_than_any_kiln("kiln < 640 °C", "kiln < 1810 °C", "true of every kiln")]
#[case::colder_than_the_room("kiln < 640 °C", "kiln > -40 °C", "true of every kiln")]
#[case::never_what_cannot_be("always: kiln < 640 °C", "never: kiln > 1810 °C", "true of every kiln")]
#[case::any_share("always: kiln < 640 °C", "always: duty of element over 5 min <= 100 %", "true of every kiln")]
fn a_hazard_that_is_not_tested_is_not_shown(#[case] asked: &str, #[case] instead: &str, #[case] refusal: &str) {
    assert!(dryfire_scenario::parse_scenario("asked.yaml", OFFSET).is_ok());
    assert!(OFFSET.contains(asked));
    let mistakes = dryfire_scenario::parse_scenario("nothing.yaml", &OFFSET.replace(asked, instead));
    let mistakes = mistakes.expect_err("it is refused");
    assert!(mistakes.iter().any(|mistake| mistake.to_string().contains(refusal)), "{mistakes:#?}");
}

/// By hazard: a stimulus that brings it about, one that does not although it is near, whether people can, and whether a line on
/// the console can.
const BROUGHT_ABOUT_BY: &[(&str, &str, &str, bool, bool)] = &[
    ("probe-open", "open: probe", "short: probe", true, false),
    ("probe-open", "loosen: probe, open for: 1 s, closed for: 1 s", "reconnect: probe", true, false),
    ("probe-short", "short: probe", "open: probe", true, false),
    ("probe-short", "short in head: probe, head: 60 °C", "short to ground: probe", true, false),
    ("probe-leak", "short to ground: probe", "short: probe", true, false),
    ("probe-leak", "short to supply: probe", "noise: probe, of: 3 °C", true, false),
    ("probe-reversed", "reverse: probe", "cross: probe.1, with: probe.2", true, false),
    (
        "probe-reversed",
        "extend: probe, in: reversed, head: 80 °C",
        "extend: probe, in: copper, head: 80 °C",
        true,
        false,
    ),
    ("probe-crossed", "cross: probe.1, with: probe.2", "reverse: probe", true, false),
    ("probe-frozen", "freeze: probe", "offset: probe, by: -30 °C", false, false),
    ("probe-pulled-out", "pull out: probe", "open: probe", false, false),
    ("probe-offset", "offset: probe, by: -30 °C", "noise: probe, of: 3 °C", true, true),
    ("probe-offset", "another type: probe, as: N", "open: probe", true, true),
    ("probe-offset", "warm: terminals, by: 25 °C", "warm: box, by: 25 °C", true, true),
    ("cold-junction", "warm: box, by: 25 °C", "offset: probe, by: -30 °C", true, false),
    ("relay-welded", "weld: element.1", "stick open: element.1", true, false),
    ("relay-welded", "half short: element.1", "open late: element.1, by: 4 s", true, false),
    ("relay-sticking", "open late: element, by: 30 s", "weld: element", true, false),
    ("element-lost", "lose: element.1", "weld: element.1", true, false),
    ("heat-lost", "lose: leg 1", "restore: leg 1", true, false),
    ("supply-cut", "cut: supply", "restore: supply", true, false),
    ("lid-open", "open: lid", "close: lid", true, false),
    ("stop-pressed", "press: stop", "release: stop", true, true),
    ("controller-hung", "hang: controller", "release: controller", true, true),
    ("controller-hung", "hold: data line low", "release: data line low", true, true),
    ("controller-hung", "hold: reset line", "press: start", true, true),
];

#[test]
fn a_hazard_is_brought_about_by_what_can_and_by_nothing_else() {
    let refused = |hazard: &str, stimulus: &str| {
        let text =
            OFFSET.replace("[probe-offset]", &format!("[{hazard}]")).replace("offset: probe, by: -30 °C", stimulus);
        let mistakes = dryfire_scenario::parse_scenario("about.yaml", &text).err().unwrap_or_default();
        let (about, others): (Vec<_>, Vec<_>) = mistakes
            .iter()
            .map(ToString::to_string)
            .partition(|mistake| mistake.contains("nothing in the script brings it about"));
        assert!(others.is_empty(), "{hazard} by {stimulus}: {others:#?}");
        !about.is_empty()
    };
    for (hazard, by, not_by, by_people, by_a_line) in BROUGHT_ABOUT_BY {
        assert!(!refused(hazard, by), "{hazard} by {by}");
        assert!(refused(hazard, not_by), "{hazard} by {not_by}");
        assert!(refused(hazard, "press: acknowledge"), "{hazard} by acknowledge");
        assert_eq!(refused(hazard, "prompt: \"do what has to be done\""), !by_people, "{hazard} by people");
        assert_eq!(refused(hazard, "console: \"status\""), !by_a_line, "{hazard} by a line");
    }
    // Where nothing has to be broken nothing is asked for; every other hazard is in the table.
    for hazard in dryfire_scenario::KNOWN_HAZARDS {
        let in_the_table = BROUGHT_ABOUT_BY.iter().any(|(of, ..)| of == hazard);
        assert_eq!(refused(hazard, "press: acknowledge"), in_the_table, "{hazard}");
    }
}

/// A reaction that is promised for tomorrow makes every limit that goes by it meaningless.
#[test]
fn a_promise_that_is_none_is_refused() {
    let text = read("scenarios/benches/virtual.yaml");
    let slow = text.replace("probe-open: 5 s", "probe-open: 10 h");
    assert_ne!(slow, text);
    let mistakes = dryfire_scenario::parse_bench("slow.yaml", &slow).expect_err("it is refused");
    assert!(mistakes.iter().any(|mistake| mistake.to_string().contains("no reaction takes")), "{mistakes:#?}");
}

/// Where a reaction may take half an hour, one run cannot tell it from heat that ends by itself; the library can.
#[rstest]
#[case("probe-frozen")]
#[case("probe-pulled-out")]
#[case("relay-welded")]
#[case("runaway")]
#[case("heat-lost")]
#[case("element-lost")]
#[case("stall")]
#[case("control")]
fn heat_that_ends_by_itself_is_no_reaction(#[case] hazard: &str) {
    let about: Vec<_> = dryfire_tests::library()
        .into_iter()
        .filter(|scenario| scenario.hazards.iter().any(|of| of.value.0 == hazard))
        .collect();
    let outcomes = dryfire_tests::run_virtual(about, &["on-time-adds-up"], SEED);
    let verdicts = outcomes.iter().filter_map(|outcome| outcome.result.verdict);
    assert!(verdicts.clone().any(|verdict| verdict != Verdict::Pass), "{hazard}: {:?}", verdicts.collect::<Vec<_>>());
}

/// A line of the controller that is not connected breaks nothing, and that is no reaction.
#[rstest]
#[case::reset("reset-held-with-heat-on", Verdict::Fail)]
#[case::reset_for_long("reset-held-for-an-hour", Verdict::Fail)]
#[case::reset_in_a_loop("reset-again-and-again", Verdict::Fail)]
#[case::data_low("data-line-low-while-ramping", Verdict::Fail)]
#[case::data_low_in_a_hold("data-line-low-while-holding", Verdict::Fail)]
#[case::data_low_from_cold("data-line-low-from-cold", Verdict::Fail)]
#[case::data_high("data-line-high", Verdict::Fail)]
#[case::clock_low("clock-line-low", Verdict::Fail)]
fn a_line_whose_wire_goes_nowhere_shows_nothing(#[case] scenario: &str, #[case] verdict: Verdict) {
    let nowhere = Swallow {
        which: |command| matches!(command.kind, CommandKind::Contact { output: 4 | 5 | 6 | 11, .. }),
        acknowledged_after: RigSpan::ZERO,
    };
    let text = read(&format!("scenarios/controller/{scenario}.yaml")).replace("[2 s, 5 s, 20 s, 2 min]", "[5 s]");
    let result = run_without(&text, nowhere);
    assert_eq!(result.verdict, Some(verdict), "{result:#?}");
}

/// A controller whose test line is not connected goes on as ever, and that is no watchdog.
#[test]
fn a_test_line_whose_wire_goes_nowhere_shows_no_watchdog() {
    let nowhere = Swallow {
        which: |command| matches!(command.kind, CommandKind::Contact { output: 7, .. }),
        acknowledged_after: RigSpan::ZERO,
    };
    let result = run_without(&read("scenarios/controller/hangs-with-heat-on.yaml"), nowhere);
    assert_eq!(result.verdict, Some(Verdict::Fail), "{result:#?}");
}

/// A bench whose wire from one contact output ends at the line of another.
struct WrongLine {
    good: VirtualBench,
    from: u8,
    to: u8,
}

impl Bench for WrongLine {
    fn begin(&mut self, setup: &RunSetup) -> Result<BenchIdentity, Trouble> {
        self.good.begin(setup)
    }

    fn command(&mut self, mut command: Command) -> Result<(), Trouble> {
        if let CommandKind::Contact { output, .. } = &mut command.kind
            && *output == self.from
        {
            *output = self.to;
        }
        self.good.command(command)
    }

    fn advance(&mut self, until: RigTime, observations: &mut Vec<Observation>) -> Result<(), Trouble> {
        self.good.advance(until, observations)
    }

    fn end(&mut self) {
        self.good.end();
    }
}

/// What the controller's lines hang on in the bench file.
const RESET_LINE: u8 = 4;
const DATA_LINE_LOW: u8 = 5;
const TEST_LINE: u8 = 7;
const DATA_LINE_HIGH: u8 = 11;

/// The wire that should hold the data line holds another line. Whether the firing goes on after a reset or not, start begins
/// one afterwards, and after a fault of the bus it must not.
#[rstest]
#[case::the_reset_line(DATA_LINE_LOW, RESET_LINE, None)]
#[case::the_reset_line_of_one_that_never_goes_on(DATA_LINE_LOW, RESET_LINE, Some("ends-at-supply-cut"))]
#[case::the_test_line(DATA_LINE_LOW, TEST_LINE, None)]
#[case::the_test_line_of_one_that_never_goes_on(DATA_LINE_LOW, TEST_LINE, Some("ends-at-supply-cut"))]
fn a_lever_of_the_bus_that_holds_another_line_shows_no_dead_bus(
    #[case] from: u8,
    #[case] to: u8,
    #[case] variant: Option<&str>,
) {
    let (mut file, kiln) = virtual_bench(&[]);
    let BenchKind::Virtual(choice) = &mut file.kind else { panic!("a virtual bench") };
    choice.variant = variant.map(str::to_owned);
    let scenarios = vec![scenario("line.yaml", &read("scenarios/controller/data-line-low-then-start.yaml"))];
    let verdict = |from: u8| {
        let made = file.clone();
        let make =
            move || -> Box<dyn Bench> { Box::new(WrongLine { good: VirtualBench::new(made.clone()), from, to }) };
        run_on(scenarios.clone(), &file, &kiln, SEED, &make).remove(0).result
    };
    // A contact that no line hangs on: everything as it should be.
    let right = verdict(255);
    assert_eq!(right.verdict, Some(Verdict::Pass), "{right:#?}");
    let wrong = verdict(from);
    assert_eq!(wrong.verdict, Some(Verdict::Fail), "{wrong:#?}");
}

/// The wire that should hold the data line high holds it low: the same fault to a controller that takes either for none, so
/// one that believes ones passes. Nothing on the bench can tell; the sheet has somebody measure the line.
#[test]
fn which_way_a_line_of_the_bus_is_held_only_a_meter_can_tell() {
    let (file, kiln) = virtual_bench(&["ones-believed"]);
    let scenarios = vec![scenario("line.yaml", &read("scenarios/controller/data-line-high.yaml"))];
    for (from, expected) in [(255, Verdict::Fail), (DATA_LINE_HIGH, Verdict::Pass)] {
        let made = file.clone();
        let make = move || -> Box<dyn Bench> {
            Box::new(WrongLine { good: VirtualBench::new(made.clone()), from, to: DATA_LINE_LOW })
        };
        let result = run_on(scenarios.clone(), &file, &kiln, SEED, &make).remove(0).result;
        assert_eq!(result.verdict, Some(expected), "{result:#?}");
    }
}

/// A latch outside the processor keeps the relays on while it is held in reset, or it works them for a moment after each reset.
#[rstest]
#[case::held("reset-held-with-heat-on")]
#[case::held_for_long("reset-held-for-an-hour")]
#[case::in_a_loop("reset-again-and-again")]
#[case::the_contactor("contactor-open-after-a-reset")]
fn heat_in_a_reset_or_for_a_moment_after_it_is_a_fail(#[case] file: &str) {
    let text = read(&format!("scenarios/controller/{file}.yaml")).replace("[2 s, 5 s, 20 s, 2 min]", "[5 s]");
    for defect in ["outputs-kept-in-reset", "outputs-pulse-at-boot"] {
        let result = run(&text, &[defect], untouched, None);
        assert_eq!(result.verdict, Some(Verdict::Fail), "{defect}: {result:#?}");
    }
}

/// Heats for a moment after each start and each reset, whatever it reads, and never again.
struct Momentary {
    /// When the outputs change next, and to what.
    due: Vec<(RigTime, bool)>,
    on: bool,
}

impl Momentary {
    fn heats_from(&mut self, at: RigTime) {
        self.due = vec![(at, true), (at + RigSpan::from_seconds(20), false)];
    }
}

impl World for Momentary {
    fn begin(&mut self, _: u64, _: i64) -> Result<(), String> {
        (self.due, self.on) = (Vec::new(), false);
        Ok(())
    }

    fn run_until(&mut self, until: RigTime, sink: &mut dyn FnMut(WorldEvent)) {
        while let Some((at, on)) = self.due.first().copied().filter(|(at, _)| *at <= until) {
            self.due.remove(0);
            if std::mem::replace(&mut self.on, on) != on {
                (0..4).for_each(|input| sink(WorldEvent::Edge { at, input, high: on }));
            }
        }
    }

    fn set_probe(&mut self, _: RigTime, _: u8, _: ProbeSignal) {}
    fn disturb_probe(&mut self, _: RigTime, _: u8, _: Disturbance) {}

    fn set_contact(&mut self, at: RigTime, output: u8, closed: bool) {
        if output == RESET_LINE && closed {
            self.due = vec![(at + RigSpan::from_millis(1), false)];
        } else if output == RESET_LINE {
            self.heats_from(at + RigSpan::from_millis(700));
        }
    }

    fn set_supply(&mut self, _: RigTime, _: bool) {}

    fn console_line(&mut self, at: RigTime, line: &str) {
        if line == "start" {
            self.heats_from(at + RigSpan::from_millis(700));
        }
    }
}

#[rstest]
#[case("reset-held-with-heat-on")]
#[case("reset-held-for-an-hour")]
#[case("reset-again-and-again")]
#[case("contactor-open-after-a-reset")]
#[case("data-line-low-while-ramping")]
#[case("data-line-low-while-holding")]
#[case("data-line-low-from-cold")]
#[case("data-line-low-then-start")]
#[case("data-line-high")]
#[case("clock-line-low")]
fn a_controller_that_heats_for_a_moment_after_each_reset_and_never_again_shows_nothing(#[case] file: &str) {
    let text = read(&format!("scenarios/controller/{file}.yaml")).replace("[2 s, 5 s, 20 s, 2 min]", "[5 s]");
    let result = run_behind_a_rig(&text, |file| file, |_| Momentary { due: Vec::new(), on: false });
    assert!(!matches!(result.verdict, Some(Verdict::Pass) | None), "{result:#?}");
    assert_ne!(result.verdict, Some(Verdict::Error), "{result:#?}");
}

/// Nothing is fired, so that there was nothing to be cut when the line was held.
#[rstest]
#[case::data_low("data-line-low-while-ramping")]
#[case::data_high("data-line-high")]
#[case::clock_low("clock-line-low")]
fn a_line_that_is_held_while_nothing_is_on_anyway_shows_nothing(#[case] file: &str) {
    let text = read(&format!("scenarios/controller/{file}.yaml"))
        .replace("firing: [{ ramp: 150 °C/h, to: 1000 °C }, { hold: 20 min }]\n", "")
        .replace("  - begin firing\n", "")
        .replace("when: element on for 0.5 s\n    within: 10 min", "wait: 1 min");
    let result = run(&text, &[], untouched, None);
    assert_eq!(result.verdict, Some(Verdict::Inconclusive), "{result:#?}");
    let cut = &result.findings[0].finding;
    assert!(cut.verdict == Verdict::Inconclusive && cut.vacuous, "{cut:#?}");
}

/// A run that ends while a line is held: whoever comes next finds it let go, and between two runs no line is held at all.
#[test]
fn a_line_that_a_run_left_held_is_let_go_when_it_ends() {
    /// The stand-in, and which contacts are closed.
    struct Watched {
        inner: StandInWorld,
        closed: Arc<Mutex<BTreeSet<u8>>>,
    }
    impl World for Watched {
        fn begin(&mut self, seed: u64, ambient: i64) -> Result<(), String> {
            self.inner.begin(seed, ambient)
        }
        fn run_until(&mut self, until: RigTime, sink: &mut dyn FnMut(WorldEvent)) {
            self.inner.run_until(until, sink);
        }
        fn set_probe(&mut self, at: RigTime, channel: u8, signal: ProbeSignal) {
            self.inner.set_probe(at, channel, signal);
        }
        fn disturb_probe(&mut self, at: RigTime, channel: u8, disturbance: Disturbance) {
            self.inner.disturb_probe(at, channel, disturbance);
        }
        fn set_contact(&mut self, at: RigTime, output: u8, closed: bool) {
            let mut known = self.closed.lock().expect("nobody panicked");
            if closed {
                known.insert(output);
            } else {
                known.remove(&output);
            }
            drop(known);
            self.inner.set_contact(at, output, closed);
        }
        fn set_supply(&mut self, at: RigTime, on: bool) {
            self.inner.set_supply(at, on);
        }
        fn console_line(&mut self, at: RigTime, line: &str) {
            self.inner.console_line(at, line);
        }
    }

    let (file, kiln) = virtual_bench(&[]);
    for line in ["reset line", "data line low", "data line high", "clock line low"] {
        let left = PROBE_OPEN
            .replace("[probe-open]", "[controller-hung]")
            .replace("{ open: probe }", &format!("{{ hold: {line} }}"));
        let claims = left.find("expect:").expect("the scenario expects something");
        let left = left[..claims].to_owned()
            + "expect: [{ name: off in the end, after: burn-out + 20 s, never: element on }]\nend: 2 min after burn-out\n";
        let closed = Arc::new(Mutex::new(BTreeSet::new()));
        let (behind, wired, watched) = (file.clone(), file.clone(), closed.clone());
        let make = move || -> Box<dyn Bench> {
            let (behind, watched) = (behind.clone(), watched.clone());
            let connect = Box::new(move || -> Result<Box<dyn Transport>, TransportError> {
                let setup = SimulatedRigSetup::from_bench(&behind, RigPace::Granted, 1);
                let inner = StandInWorld::new(behind.clone()).expect("a stand-in");
                let world = Watched { inner, closed: watched.clone() };
                Ok(Box::new(InProcessTransport::new(world, setup)))
            });
            Box::new(RigBench::new(wired.clone(), connect, 7))
        };
        let scenarios =
            vec![scenario("left.yaml", &left), scenario("next.yaml", PROBE_OPEN), scenario("left.yaml", &left)];
        for outcome in run_on(scenarios, &file, &kiln, SEED, &make) {
            assert_eq!(outcome.result.verdict, Some(Verdict::Pass), "{line}: {:#?}", outcome.result);
        }
        let at_rest: BTreeSet<u8> =
            file.contacts.iter().filter(|one| one.engaged == ContactState::Open).map(|one| one.output).collect();
        assert_eq!(*closed.lock().expect("nobody panicked"), at_rest, "{line}");
    }
}

//! Attempts at a pass that is not deserved, on whole runs. Each one is a bench
//! that would pass if it were not spoilt in one way; the folder of such tests
//! for judging alone is in the judge's crate.

use std::sync::atomic::{AtomicBool, Ordering};

use dryfire_bench::{Bench, BenchIdentity, RunOptions, RunSetup, VirtualBench, run_plan};
use dryfire_engine::{
    Binding, Command, CommandKind, Observation, Plan, RigCounters, ScenarioResult, Trouble, TroubleKind,
};
use dryfire_judge::Verdict;
use dryfire_tests::{scenario, virtual_bench};
use dryfire_units::{RigSpan, RigTime};
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

/// What a spoilt bench does to what the good one reports.
type Spoil = fn(&mut Spoilt, &mut Vec<Observation>);

struct Spoilt {
    good: VirtualBench,
    spoil: Spoil,
    /// The command that breaks or cuts something.
    stimulus: Option<Command>,
    /// How far it has come.
    now: RigTime,
}

impl Bench for Spoilt {
    fn begin(&mut self, setup: &RunSetup) -> Result<BenchIdentity, Trouble> {
        self.good.begin(setup)
    }

    fn command(&mut self, command: Command) -> Result<(), Trouble> {
        let open = matches!(
            command.kind,
            CommandKind::Probe { signal: dryfire_engine::ProbeSignal::Open, .. } | CommandKind::Supply { on: false }
        );
        if open && self.stimulus.is_none() {
            self.stimulus = Some(command.clone());
        }
        self.good.command(command)
    }

    fn advance(&mut self, until: RigTime, observations: &mut Vec<Observation>) -> Result<(), Trouble> {
        self.now = until;
        let before = observations.len();
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
    let (file, kiln) = virtual_bench(defects);
    let Ok(Binding::Ready(plan)) = Plan::bind(&scenario("spoilt.yaml", text), &file, &kiln) else {
        panic!("the scenario fits the bench")
    };
    let mut bench = Spoilt { good: VirtualBench::new(file), spoil, stimulus: None, now: RigTime::ZERO };
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

#[test]
fn the_bench_passes_when_nothing_is_spoilt() {
    for text in [PROBE_OPEN, SUPPLY_CUT] {
        let result = run(text, &[], untouched, None);
        assert_eq!(result.verdict, Some(Verdict::Pass), "{result:#?}");
    }
}

#[rstest]
#[case::a_lost_edge(PROBE_OPEN, one_edge_was_lost, "edges were lost")]
#[case::a_late_set_point(PROBE_OPEN, one_set_point_was_late, "came too late")]
#[case::a_stimulus_without_acknowledgement(PROBE_OPEN, the_stimulus_is_never_acknowledged, "acknowledgement")]
#[case::a_supply_cut_that_did_not_cut(SUPPLY_CUT, the_rail_does_not_fall, "never seen to fall")]
#[case::a_controller_whose_relays_are_not_seen(PROBE_OPEN, no_edge_is_ever_seen, "did not come")]
fn what_was_not_observed_is_inconclusive(#[case] text: &str, #[case] spoil: Spoil, #[case] remark: &str) {
    let result = run(text, &[], spoil, None);
    assert_eq!(result.verdict, Some(Verdict::Inconclusive), "{result:#?}");
    assert!(result.remarks.iter().any(|said| said.contains(remark)), "{:?}", result.remarks);
}

#[rstest]
#[case::an_edge_from_the_past(the_past_is_told_after_the_future)]
#[case::a_watermark_that_goes_back(the_clock_goes_back)]
fn a_bench_whose_time_runs_backwards_is_in_error(#[case] spoil: Spoil) {
    let result = run(PROBE_OPEN, &[], spoil, None);
    assert_eq!(result.verdict, Some(Verdict::Error), "{result:#?}");
    assert_eq!(result.trouble.map(|trouble| trouble.kind), Some(TroubleKind::OutOfOrder));
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

#[test]
fn a_stimulus_while_heat_was_off_anyway_shows_nothing() {
    let text = PROBE_OPEN.replace("when: element on for 0.5 s", "when: element off for 0.5 s");
    // Right after the firing was begun every element may be off for a while; one
    // that never comes on again was not cut by anything.
    let result = run(&text, &[], untouched, None);
    assert_ne!(result.verdict, Some(Verdict::Fail), "{result:#?}");
    let cut = &result.findings[0].finding;
    assert!(cut.verdict != Verdict::Pass || !cut.vacuous, "{cut:#?}");
}

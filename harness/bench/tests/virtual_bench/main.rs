//! The virtual bench under the one driver loop.

use std::sync::atomic::AtomicBool;

use dryfire_bench::{Bench, BenchIdentity, RunOptions, RunSetup, VirtualBench, run_plan};
use dryfire_engine::{Binding, Command, Event, Observation, Pacing, Plan, ScenarioResult, Trouble};
use dryfire_kiln::three_ring;
use dryfire_scenario::{parse_bench, parse_scenario};
use dryfire_units::{RigSpan, RigTime};
use rstest::rstest;

const BENCH: &str = include_str!("../../../../scenarios/benches/virtual.yaml");

/// The virtual bench, run in steps of at most so long.
struct InSteps {
    inner: VirtualBench,
    step: RigSpan,
}

impl Bench for InSteps {
    fn begin(&mut self, setup: &RunSetup) -> Result<BenchIdentity, Trouble> {
        let identity = self.inner.begin(setup)?;
        Ok(BenchIdentity { pacing: Pacing::Stepped { step: self.step }, ..identity })
    }

    fn command(&mut self, command: Command) -> Result<(), Trouble> {
        self.inner.command(command)
    }

    fn advance(&mut self, until: RigTime, observations: &mut Vec<Observation>) -> Result<(), Trouble> {
        self.inner.advance(until, observations)
    }

    fn end(&mut self) {
        self.inner.end();
    }
}

fn run(scenario: &str, step: RigSpan) -> (ScenarioResult, Vec<Event>) {
    let (file, _) = parse_bench("virtual.yaml", BENCH).expect("a good bench file");
    let (scenario, _) = parse_scenario("scenario.yaml", scenario).expect("a good scenario");
    let Ok(Binding::Ready(plan)) = Plan::bind(&scenario, &file, &three_ring()) else { panic!("it fits the bench") };
    let mut bench = InSteps { inner: VirtualBench::new(file), step };
    let options = RunOptions { run: 0, seed: 7, sample_events: true, second_judge: true };
    let mut events = Vec::new();
    let stop = AtomicBool::new(false);
    let result = run_plan(*plan, &mut bench, options, &stop, &mut |event| events.push(event), &mut |_| {});
    (result.expect("it can be played"), events)
}

/// What happened. When a decision became known is not part of it: in longer steps later.
fn happened(events: Vec<Event>) -> Vec<Event> {
    events.into_iter().filter(|event| !matches!(event, Event::Decided { .. })).collect()
}

#[rstest]
#[case::a_whole_firing(include_str!("../../../../scenarios/control/clean-firing.yaml"))]
#[case::a_probe_that_opens(include_str!("../../../../scenarios/probe/open-while-ramping.yaml"))]
#[case::a_weld(include_str!("../../../../scenarios/heat/element-relay-welded.yaml"))]
#[case::the_lid(include_str!("../../../../scenarios/people/lid-opened.yaml"))]
#[case::a_supply_cut(include_str!("../../../../scenarios/supply/cut-while-hot.yaml"))]
#[case::a_start_that_is_refused(include_str!("../../../../scenarios/people/start-refused-with-fault.yaml"))]
fn a_run_is_the_same_in_short_and_in_long_steps(#[case] scenario: &str) {
    let (long, told) = run(scenario, RigSpan::from_seconds(1));
    let told = happened(told);
    let (short, told_in_short) = run(scenario, RigSpan::from_millis(200));
    assert_eq!(short, long);
    let told_in_short = happened(told_in_short);
    let differs = told.iter().zip(&told_in_short).position(|(one, other)| one != other);
    assert_eq!(differs.map(|index| (&told[index], &told_in_short[index])), None);
    assert_eq!(told.len(), told_in_short.len());
    assert!(told.iter().any(|event| matches!(event, Event::Sampled { .. })));
}

#[test]
fn a_step_that_is_due_right_after_another_comes_at_its_instant() {
    let scenario = "
format: 1
scenario: two lines in a row
hazards: [control]
why: The second is due before the bench has said that the first was sent.
limits from: nothing is asked for
script:
  - { wait: 5 s, call it: first, do: { console: status } }
  - { at: first + 60 ms, call it: second, do: { console: status } }
expect:
  - { name: no heat, after: first, never: element on }
end: 10 s after second
";
    let (_, events) = run(scenario, RigSpan::from_seconds(1));
    let came = |wanted: &str| {
        events.iter().find_map(|event| match event {
            Event::Moment { name, at, .. } if name == wanted => Some(*at),
            _ => None,
        })
    };
    let (first, second) = (came("first").expect("it came"), came("second").expect("it came"));
    assert_eq!(second - first, RigSpan::from_millis(60));
}

//! Terminals that are not as warm as the room: measured, what is played at them makes up for it.

use dryfire_bench::{Bench, BenchIdentity, RunSetup, VirtualBench};
use dryfire_engine::{Command, Observation, Trouble};
use dryfire_judge::Verdict;
use dryfire_scenario::ColdJunction;
use dryfire_tests::{run_on, scenario, virtual_bench};
use dryfire_units::RigTime;
use rstest::rstest;

/// The controller's box is warmer than the room that the scenario speaks of, and its converters' own sensors know it.
struct WarmBox {
    bench: VirtualBench,
    millicelsius: i64,
}

impl Bench for WarmBox {
    fn begin(&mut self, setup: &RunSetup) -> Result<BenchIdentity, Trouble> {
        self.bench.begin(&RunSetup { ambient_millicelsius: self.millicelsius, ..setup.clone() })
    }

    fn command(&mut self, command: Command) -> Result<(), Trouble> {
        self.bench.command(command)
    }

    fn advance(&mut self, until: RigTime, observations: &mut Vec<Observation>) -> Result<(), Trouble> {
        self.bench.advance(until, observations)
    }

    fn end(&mut self) {
        self.bench.end();
    }
}

const HOLD: &str = "\
format: 1
scenario: a hold in a warm box
hazards: [control]
why: a test
limits from: a test
start: { kiln: soaked at 590 °C }
firing: [{ ramp: 300 °C/h, to: 600 °C }, { hold: 1 h }]
script:
  - begin firing
  - { when: element on for 0.5 s, within: 10 min, call it: heating }
expect:
  - { name: held, after: heating + 30 min, until: heating + 50 min, always: kiln > 590 °C }
  - { name: not beyond, after: heating + 30 min, until: heating + 50 min, always: kiln < 610 °C }
end: 55 min after heating
";

#[rstest]
// A box of 45 °C in a room of 20: the controller, shown the volts for a cold junction of 20 °C, takes the kiln for 25 °C
// hotter than it is, and holds it that much too cold.
#[case::not_measured(ColdJunction::Room, 45_000, Verdict::Fail)]
#[case::measured(ColdJunction::Measured, 45_000, Verdict::Pass)]
#[case::measured_in_a_cold_shed(ColdJunction::Measured, 2_000, Verdict::Pass)]
#[case::as_warm_as_the_room(ColdJunction::Room, 20_000, Verdict::Pass)]
fn a_measured_cold_junction_lets_the_controller_see_the_kiln_as_it_is(
    #[case] known: ColdJunction,
    #[case] millicelsius: i64,
    #[case] verdict: Verdict,
) {
    let (mut file, kiln) = virtual_bench(&[]);
    file.cold_junction = known;
    let of_bench = file.clone();
    let make = move || Box::new(WarmBox { bench: VirtualBench::new(of_bench.clone()), millicelsius }) as Box<dyn Bench>;
    let mut outcomes = run_on(vec![scenario("hold.yaml", HOLD)], &file, &kiln, 1, &make);
    let result = outcomes.remove(0).result;
    assert_eq!(result.verdict, Some(verdict), "{result:#?}");
}

//! The firing that is run: a day's work of a kiln, with ten expectations.

use dryfire_bench::{BoardSetup, RunOptions, VirtualBench};
use dryfire_engine::{Binding, Plan};
use dryfire_kiln::three_ring;
use dryfire_scenario::{Bench as BenchFile, BenchKind, Diagnostic, parse_bench, parse_scenario};
use dryfire_units::RigSpan;

const BENCH: &str = include_str!("../../../../scenarios/benches/virtual.yaml");

const SCENARIO: &str = "
format: 1
scenario: twelve hours
hazards: [control]
why: measures how fast the virtual bench is
limits from: none, nothing is shown by it
start: { kiln: cold }
firing: [{ ramp: 100 °C/h, to: 1000 °C }, { hold: 60 min }]
script:
  - begin firing
  - when: element on for 0.5 s
    within: 10 min
    call it: heating
  - when: probe > 995 °C
    within: 11 h
    call it: top
  - at: top + 75 min
    call it: over
expect:
  - { name: the firing begins, after: begin, within: 10 min, see: element on }
  - { name: heat is cut in the end, after: top, within: 75 min, heat: cut }
  - { name: never too hot, always: kiln < kiln limit }
  - { name: no overshoot, always: probe < 1020 °C }
  - { name: the zones stay together, after: heating, until: top, never: kiln.top > 1005 °C or kiln.bottom > 1005 °C }
  - { name: the lid stays shut, always: lid shut and not stop pressed }
  - { name: no element behind an open contactor, after: begin, never: element on and safety open }
  - { name: near the hold, after: top + 1 min, until: top + 45 min, always: probe.middle > 985 °C }
  - { name: it gets there, after: heating, sometime: kiln > 998 °C }
  - { name: off at the end, after: over, never: heat on or safety closed }
end: 12 h
";

/// Bench file and plan.
pub(crate) struct Firing {
    pub(crate) file: BenchFile,
    pub(crate) plan: Plan,
}

impl Firing {
    /// Simulated hours.
    pub(crate) const HOURS: u64 = 12;

    const SEED: u64 = 20_261_125;

    /// With the stand-in ticking so often.
    pub(crate) fn with_tick(tick: RigSpan) -> Self {
        let (mut file, _) = parse_bench("virtual.yaml", BENCH).unwrap_or_else(|mistakes| fail(&mistakes));
        let BenchKind::Virtual(choice) = &mut file.kind else { panic!("virtual.yaml is no virtual bench") };
        choice.tick = Some(tick);
        let (scenario, _) = parse_scenario("firing.yaml", SCENARIO).unwrap_or_else(|mistakes| fail(&mistakes));
        match Plan::bind(&scenario, &file, &three_ring()) {
            Ok(Binding::Ready(plan)) => {
                assert_eq!(plan.expectations.len(), 10);
                Firing { file, plan: *plan }
            }
            other => panic!("the firing does not fit the bench: {other:?}"),
        }
    }

    pub(crate) fn bench(&self) -> VirtualBench {
        VirtualBench::new(self.file.clone())
    }

    /// The board of the run, by itself.
    pub(crate) fn board(&self) -> BoardSetup {
        BoardSetup::from_bench(&self.file, Self::SEED, self.plan.start.ambient_millicelsius)
            .unwrap_or_else(|error| panic!("{error}"))
    }

    pub(crate) fn options(second_judge: bool) -> RunOptions {
        RunOptions { run: 0, seed: Self::SEED, sample_events: false, second_judge }
    }
}

fn fail(mistakes: &[Diagnostic]) -> ! {
    panic!("{}", mistakes.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))
}

//! The firings that are run: a day's work of a kiln, with ten expectations.

use dryfire_bench::{BoardSetup, RunOptions, VirtualBench};
use dryfire_engine::{Binding, Plan};
use dryfire_scenario::{Bench as BenchFile, BenchKind, Diagnostic, parse_bench, parse_kiln, parse_scenario};
use dryfire_units::RigSpan;

/// What is fired, and on what.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Setup {
    /// One zone behind a contactor, lid and stop: the kiln that most people have.
    OneZone,
    /// Three zones behind a contactor, with all contacts.
    ThreeZones,
}

const ONE_ZONE: &str = "
format: 1
bench: one zone behind a contactor
virtual: { tick: 100 ms }
kiln: single-zone-240-volt.yaml
controller: { name: stand-in }
zones: [{ name: kiln, probe: K, channel: 0 }]
relays:
  - { role: safety, made as: contactor, input: 0, senses: command, active: high }
  - { role: element.kiln, made as: relay, input: 1, senses: command, active: high }
paths:
  - { zone: kiln, poles: [[safety, element.kiln], [safety]] }
contacts:
  - { role: lid, output: 0, engaged: open }
  - { role: stop, output: 1, engaged: open }
supply: switched by the rig
begin firing: { console: [\"program {program}\", start] }
declares: { top temperature: 1225 °C, longest firing: 14 h, cycle time: 15 s }
uncertainty: { edge time: 1 ms, shown temperature: 1 °C, coverage factor: 2 }
";

const THREE_ZONES: &str = include_str!("../../../../scenarios/benches/virtual.yaml");

const SCRIPT: &str = "
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
  - { name: the lid stays shut, always: lid shut and not stop pressed }
  - { name: no element behind an open contactor, after: begin, never: element on and safety open }
  - { name: it gets there, after: heating, sometime: kiln > 998 °C }
  - { name: off at the end, after: over, never: heat on or safety closed }
";

const ONE_ZONE_MORE: &str = "
  - { name: not far above the hold, after: heating, until: top, never: kiln.1 > 1005 °C or probe.1 > 1005 °C }
  - { name: near the hold, after: top + 1 min, until: top + 45 min, always: probe.1 > 985 °C }
end: 12 h
";

const THREE_ZONES_MORE: &str = "
  - { name: the zones stay together, after: heating, until: top, never: kiln.top > 1005 °C or kiln.bottom > 1005 °C }
  - { name: near the hold, after: top + 1 min, until: top + 45 min, always: probe.middle > 985 °C }
end: 12 h
";

impl Setup {
    pub(crate) const ALL: [Setup; 2] = [Setup::OneZone, Setup::ThreeZones];

    /// Everything that is observed.
    pub(crate) fn signals(self) -> usize {
        match self {
            Setup::OneZone => 12,
            Setup::ThreeZones => 22,
        }
    }

    fn bench(self) -> &'static str {
        match self {
            Setup::OneZone => ONE_ZONE,
            Setup::ThreeZones => THREE_ZONES,
        }
    }

    fn kiln(self) -> &'static str {
        match self {
            Setup::OneZone => include_str!("../../../../scenarios/kilns/single-zone-240-volt.yaml"),
            Setup::ThreeZones => include_str!("../../../../scenarios/kilns/three-ring.yaml"),
        }
    }

    fn scenario(self) -> String {
        let more = match self {
            Setup::OneZone => ONE_ZONE_MORE,
            Setup::ThreeZones => THREE_ZONES_MORE,
        };
        format!("{SCRIPT}{}", more.trim_start_matches('\n'))
    }
}

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
    pub(crate) fn with_tick(setup: Setup, tick: RigSpan) -> Self {
        let (mut file, _) = parse_bench("bench.yaml", setup.bench()).unwrap_or_else(|mistakes| fail(&mistakes));
        let BenchKind::Virtual(choice) = &mut file.kind else { panic!("bench.yaml is no virtual bench") };
        choice.tick = Some(tick);
        let (scenario, _) = parse_scenario("firing.yaml", &setup.scenario()).unwrap_or_else(|mistakes| fail(&mistakes));
        let (kiln, _) = parse_kiln("kiln.yaml", setup.kiln()).unwrap_or_else(|mistakes| fail(&mistakes));
        match Plan::bind(&scenario, &file, &kiln) {
            Ok(Binding::Ready(plan)) => {
                assert_eq!((plan.table.len(), plan.expectations.len()), (setup.signals(), 10));
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

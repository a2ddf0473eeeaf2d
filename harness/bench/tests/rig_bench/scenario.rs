//! A whole scenario: the virtual bench and a rig on a wire, clean and bad, come to the same.

use std::path::Path;
use std::sync::atomic::AtomicBool;

use dryfire_bench::{
    Bench, FaultyTransport, InProcessTransport, RigBench, RigPace, RunOptions, SimulatedRigSetup, StandInWorld,
    Transport, TransportError, VirtualBench, WireFaults, bind_all, run_plan,
};
use dryfire_engine::{Binding, Plan, ScenarioResult};
use dryfire_judge::Verdict;
use dryfire_scenario::{Bench as BenchFile, parse_bench, parse_kiln, parse_scenario};

#[expect(clippy::disallowed_methods, reason = "the library's own files are what is played")]
fn file(path: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../scenarios").join(path);
    std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

pub(crate) fn virtual_bench() -> BenchFile {
    parse_bench("virtual.yaml", &file("benches/virtual.yaml")).expect("a bench file").0
}

pub(crate) fn plan() -> (Plan, BenchFile) {
    let bench = virtual_bench();
    let (kiln, _) = parse_kiln("three-ring.yaml", &file("kilns/three-ring.yaml")).expect("a kiln file");
    let text = file("probe/open-while-ramping.yaml");
    let (scenario, _) = parse_scenario("open-while-ramping.yaml", &text).expect("a scenario");
    let jobs = bind_all(vec![scenario], &bench, &kiln).expect("it fits");
    match jobs.into_iter().next().expect("one job").binding {
        Binding::Ready(plan) => (*plan, bench),
        other => panic!("{other:?}"),
    }
}

pub(crate) fn run(plan: Plan, bench: &mut dyn Bench) -> ScenarioResult {
    let options = RunOptions { run: 1, seed: 11, sample_events: false, second_judge: false };
    run_plan(plan, bench, options, &AtomicBool::new(false), &mut |_| {}, &mut |_| {}).expect("can be played")
}

fn wired(bench: &BenchFile, faults: WireFaults, seed: u64) -> RigBench {
    let file = bench.clone();
    let open = move || -> Result<Box<dyn Transport>, TransportError> {
        let world = StandInWorld::new(file.clone()).expect("the stand-in can be wired so");
        let setup = SimulatedRigSetup::from_bench(&file, RigPace::Granted, 3);
        Ok(Box::new(FaultyTransport::new(InProcessTransport::new(world, setup), faults, seed)))
    };
    RigBench::new(bench.clone(), Box::new(open), 1)
}

#[test]
fn a_scenario_comes_to_the_same_on_the_virtual_bench_and_on_a_rig() {
    let (plan, bench) = plan();
    let virtually = run(plan.clone(), &mut VirtualBench::new(bench.clone()));
    assert_eq!(virtually.verdict, Some(Verdict::Pass), "{virtually:#?}");
    let wired_up = run(plan, &mut wired(&bench, WireFaults::default(), 0));
    assert_eq!(wired_up, virtually);
}

#[test]
fn a_scenario_comes_to_the_same_over_a_bad_wire() {
    let (plan, bench) = plan();
    let clean = run(plan.clone(), &mut wired(&bench, WireFaults::default(), 0));
    let faults = WireFaults {
        corruption: 60,
        repetition: 60,
        wrong_sequence: 60,
        loss: 60,
        insertion: 60,
        ..WireFaults::default()
    };
    let mut bad = run(plan, &mut wired(&bench, faults, 5));
    assert!(bad.counters.damaged_frames > 0);
    bad.counters = clean.counters;
    assert_eq!(bad, clean);
}

//! Over a bad wire a run ends with its clean verdict, inconclusive or in error;
//! never with another verdict.
//!
//! The errors are the communication errors of IEC 61784-3 (names from memory),
//! plus a stall and an unplugged cable. Everything runs in one process in
//! virtual link time, so each case repeats exactly from its seed.

use std::sync::Mutex;

use dryfire_bench::{
    FaultyTransport, InProcessTransport, JobOutcome, RigBench, RigPace, SimulatedRigSetup, Stall, StandInWorld,
    WireFaults,
};
use dryfire_judge::Verdict;
use dryfire_scenario::Scenario;
use dryfire_tests::{SEED, run_on, run_virtual, scenario, virtual_bench};
use rstest::rstest;

const SEEDS: u64 = 200;

/// Short, with every kind of traffic: edges, set-points, contacts, console.
const STOP_PRESSED: &str = "\
format: 1
scenario: stop is pressed over a bad wire
hazards: [stop-pressed]
why: Whoever presses stop must be able to rely on it.
limits from: common practice, no source
start: { kiln: soaked at 400 °C }
firing: [{ ramp: 150 °C/h, to: 600 °C }]
script:
  - begin firing
  - when: element on for 0.5 s
    within: 5 min
    call it: pressed
    do: { press: stop }
  - { wait: 2 s, do: { release: stop } }
expect:
  - { name: heat is cut, after: pressed, within: 0.5 s, heat: cut }
  - { name: and stays off, after: pressed + 0.5 s, never: element on }
end: 65 s after pressed
";

fn run(defects: &[&str], faults: WireFaults, wire_seed: u64) -> JobOutcome {
    let (file, kiln) = virtual_bench(defects);
    let made = file.clone();
    let make_bench = move || -> Box<dyn dryfire_bench::Bench> {
        let file = made.clone();
        // A cable that is unplugged stays so: a second connection finds no port.
        let connections = Mutex::new(0_u32);
        let for_wire = file.clone();
        let connect = Box::new(move || -> Result<Box<dyn dryfire_bench::Transport>, _> {
            let mut connections = connections.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
            *connections += 1;
            let world = StandInWorld::new(for_wire.clone()).expect("the stand-in fits its own bench");
            let setup = SimulatedRigSetup::from_bench(&for_wire, RigPace::Granted, *connections);
            let rig = InProcessTransport::new(world, setup);
            Ok(Box::new(FaultyTransport::new(rig, faults, wire_seed)))
        });
        Box::new(RigBench::new(file, connect, 1 + wire_seed as u32))
    };
    let parsed = scenario("stop-pressed.yaml", STOP_PRESSED);
    run_on(vec![parsed], &file, &kiln, SEED, &make_bench).remove(0)
}

fn clean(defects: &[&str]) -> JobOutcome {
    let parsed: Scenario = scenario("stop-pressed.yaml", STOP_PRESSED);
    run_virtual(vec![parsed], defects, SEED).remove(0)
}

/// The stand-in as it should be, and one that goes on when stop is released.
const CONTROLLERS: [(&[&str], Verdict); 2] = [(&[], Verdict::Pass), (&["restarts-after-stop"], Verdict::Fail)];

#[rstest]
#[case::corruption(WireFaults { corruption: 20, ..WireFaults::default() }, true)]
#[case::repetition(WireFaults { repetition: 20, ..WireFaults::default() }, true)]
#[case::wrong_sequence(WireFaults { wrong_sequence: 20, ..WireFaults::default() }, true)]
#[case::loss(WireFaults { loss: 20, ..WireFaults::default() }, true)]
#[case::delay(WireFaults { delay: 20, delayed_by: 30_000, ..WireFaults::default() }, true)]
#[case::insertion(WireFaults { insertion: 20, ..WireFaults::default() }, true)]
#[case::stall_beyond_the_agreed_silence(WireFaults { stall: Some(Stall { at: 400_000, lasts: 2_500_000 }), ..WireFaults::default() }, false)]
#[case::unplugged(WireFaults { unplug_at: Some(300_000), ..WireFaults::default() }, false)]
fn a_fault_of_the_wire_never_makes_another_verdict(#[case] faults: WireFaults, #[case] mended: bool) {
    let mut spoilt = 0;
    for (defects, expected) in CONTROLLERS {
        let clean = clean(defects);
        assert_eq!(clean.result.verdict, Some(expected), "{:#?}", clean.result);
        for seed in 0..SEEDS {
            let faults = vary(faults, seed);
            let outcome = run(defects, faults, seed);
            let verdict = outcome.result.verdict.expect("it ran");
            let allowed = verdict == expected || matches!(verdict, Verdict::Inconclusive | Verdict::Error);
            assert!(allowed, "seed {seed}: {verdict} instead of {expected}: {:#?}", outcome.result);
            spoilt += u32::from(verdict != expected);
            if mended {
                assert_eq!(
                    outcome.result.findings, clean.result.findings,
                    "seed {seed}: resends have to give the clean run, {:?}",
                    outcome.result.remarks
                );
                assert_eq!(verdict, expected, "seed {seed}: {:?}", outcome.result.remarks);
            }
        }
    }
    // Otherwise the fault never took place and the test shows nothing.
    if faults.stall.is_some() || faults.unplug_at.is_some() {
        assert!(spoilt > 0, "no run was spoilt");
    }
}

/// Stalls and unplugging come at another moment with each seed.
fn vary(mut faults: WireFaults, seed: u64) -> WireFaults {
    if let Some(stall) = &mut faults.stall {
        stall.at = seed * 5_000;
    }
    if let Some(at) = &mut faults.unplug_at {
        *at = seed * 5_000;
    }
    faults
}

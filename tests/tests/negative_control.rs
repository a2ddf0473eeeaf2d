//! On real wires no pass counts before the bench has shown that it can fail.

use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

use dryfire_bench::{
    Bench, BenchIdentity, JobOutcome, RunSetup, SessionNote, SessionOptions, VirtualBench, bind_all, run_session,
};
use dryfire_engine::{Command, Observation, Trouble};
use dryfire_judge::Verdict;
use dryfire_scenario::Bench as BenchFile;
use dryfire_tests::{SEED, bench, read, scenario};
use dryfire_units::RigTime;

/// The stand-in behind what calls itself real wires; deaf to its relays in some of its runs.
struct Wires<'a> {
    inner: VirtualBench,
    runs: &'a AtomicUsize,
    deaf_in: &'a [usize],
    deaf: bool,
}

impl Bench for Wires<'_> {
    fn begin(&mut self, setup: &RunSetup) -> Result<BenchIdentity, Trouble> {
        self.deaf = self.deaf_in.contains(&self.runs.fetch_add(1, Ordering::Relaxed));
        self.inner.begin(setup)
    }

    fn command(&mut self, command: Command) -> Result<(), Trouble> {
        self.inner.command(command)
    }

    fn advance(&mut self, until: RigTime, observations: &mut Vec<Observation>) -> Result<(), Trouble> {
        self.inner.advance(until, observations)?;
        if self.deaf {
            observations.retain(|seen| !matches!(seen, Observation::Edge { .. }));
        }
        Ok(())
    }

    fn end(&mut self) {
        self.inner.end();
    }

    fn has_real_wires(&mut self) -> Result<bool, Trouble> {
        Ok(true)
    }
}

/// What stop pressed comes to, and in how many runs.
fn session(file: &BenchFile, deaf_in: &'static [usize]) -> (JobOutcome, usize) {
    static STOP: AtomicBool = AtomicBool::new(false);
    let runs: &'static AtomicUsize = Box::leak(Box::new(AtomicUsize::new(0)));
    let (_, kiln) = bench("scenarios/benches/rig.yaml");
    let path = "scenarios/people/stop-pressed.yaml";
    let jobs = bind_all(vec![scenario(path, &read(path))], file, &kiln).expect("it fits");
    let options = SessionOptions { seed: SEED, jobs: 1, sample_events: false, live: false, stop: &STOP };
    let make =
        || -> Box<dyn Bench> { Box::new(Wires { inner: VirtualBench::new(file.clone()), runs, deaf_in, deaf: false }) };
    let mut found = None;
    run_session(&jobs, &make, options, &mut |note| {
        if let SessionNote::Finished { outcome, .. } = note {
            found = Some(*outcome);
        }
    });
    (found.expect("it finished"), runs.load(Ordering::Relaxed))
}

#[test]
fn a_bench_that_has_failed_on_purpose_passes_what_passes() {
    let (file, _) = bench("scenarios/benches/rig.yaml");
    let (outcome, runs) = session(&file, &[]);
    assert_eq!(outcome.result.verdict, Some(Verdict::Pass), "{:#?}", outcome.result);
    assert_eq!(runs, 2, "the negative control, then the scenario");
}

#[test]
fn a_bench_that_cannot_fail_passes_nothing() {
    let (file, _) = bench("scenarios/benches/rig.yaml");
    // Deaf in the negative control before and in the one after the scenario.
    let (outcome, runs) = session(&file, &[0, 2]);
    assert_eq!(runs, 3);
    assert_eq!(outcome.result.verdict, Some(Verdict::Inconclusive), "{:#?}", outcome.result);
    assert!(outcome.result.remarks.iter().any(|remark| remark.contains("can fail")), "{:#?}", outcome.result.remarks);
}

#[test]
fn where_nothing_stops_a_firing_the_negative_control_comes_last() {
    let (mut file, _) = bench("scenarios/benches/rig.yaml");
    let path = "scenarios/probe/open-while-ramping.yaml";
    file.contacts.retain(|contact| contact.role != dryfire_scenario::ContactRole::Stop);
    static STOP: AtomicBool = AtomicBool::new(false);
    let (_, kiln) = bench("scenarios/benches/rig.yaml");
    let jobs = bind_all(vec![scenario(path, &read(path))], &file, &kiln).expect("it fits");
    let runs: &'static AtomicUsize = Box::leak(Box::new(AtomicUsize::new(0)));
    let options = SessionOptions { seed: SEED, jobs: 1, sample_events: false, live: false, stop: &STOP };
    let make = || -> Box<dyn Bench> {
        Box::new(Wires { inner: VirtualBench::new(file.clone()), runs, deaf_in: &[], deaf: false })
    };
    let mut before = None;
    run_session(&jobs, &make, options, &mut |note| {
        if matches!(note, SessionNote::Proving { .. }) && before.is_none() {
            before = Some(runs.load(Ordering::Relaxed));
        }
        if let SessionNote::Finished { outcome, .. } = note {
            assert_eq!(outcome.result.verdict, Some(Verdict::Pass), "{:#?}", outcome.result);
        }
    });
    assert_eq!(before, Some(1), "the scenario had run when the negative control began");
}

//! On real wires no pass counts before the bench has shown that it can fail.

use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

use dryfire_bench::{
    Bench, BenchIdentity, JobOutcome, Proved, RunSetup, SessionNote, SessionOptions, VirtualBench, bind_all,
    run_session,
};
use dryfire_engine::{Command, Observation, Trouble, TroubleKind};
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
    /// Whether it says that it has wires when it is asked.
    answers: bool,
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
        if self.answers {
            return Ok(true);
        }
        Err(Trouble { kind: TroubleKind::LinkLost, detail: "no answer yet".to_owned() })
    }
}

/// What stop pressed comes to, and in how many runs, and what each proving run came to.
fn session(file: &BenchFile, deaf_in: &'static [usize], answers: bool) -> (JobOutcome, usize, Vec<Proved>) {
    static STOP: AtomicBool = AtomicBool::new(false);
    let runs: &'static AtomicUsize = Box::leak(Box::new(AtomicUsize::new(0)));
    let (_, kiln) = bench("scenarios/benches/rig.yaml");
    let path = "scenarios/people/stop-pressed.yaml";
    let jobs = bind_all(vec![scenario(path, &read(path))], file, &kiln).expect("it fits");
    let options = SessionOptions { seed: SEED, jobs: 1, sample_events: false, live: false, stop: &STOP };
    let make = || -> Box<dyn Bench> {
        Box::new(Wires { inner: VirtualBench::new(file.clone()), runs, deaf_in, deaf: false, answers })
    };
    let mut found = None;
    let mut proved = Vec::new();
    run_session(&jobs, &make, options, &mut |note| match note {
        SessionNote::Finished { outcome, .. } => found = Some(*outcome),
        SessionNote::Proved(what) => proved.push(what),
        _ => {}
    });
    (found.expect("it finished"), runs.load(Ordering::Relaxed), proved)
}

#[test]
fn a_bench_that_has_failed_on_purpose_passes_what_passes() {
    let (file, _) = bench("scenarios/benches/rig.yaml");
    let (outcome, runs, proved) = session(&file, &[], true);
    assert_eq!(outcome.result.verdict, Some(Verdict::Pass), "{:#?}", outcome.result);
    assert_eq!(runs, 2, "the negative control, then the scenario");
    let [proved] = &proved[..] else { panic!("{proved:?}") };
    assert!(proved.control && proved.shows_nothing.is_none(), "{proved:?}");
    assert_eq!(proved.relays_on.len(), file.relays.len(), "{proved:?}");
}

#[test]
fn a_bench_that_does_not_say_whether_it_has_wires_owes_the_negative_control() {
    let (file, _) = bench("scenarios/benches/rig.yaml");
    let (outcome, runs, proved) = session(&file, &[0, 2], false);
    assert_eq!(outcome.result.verdict, Some(Verdict::Inconclusive), "{:#?}", outcome.result);
    assert_eq!(runs, 3);
    assert!(proved.iter().all(|it| it.control && it.shows_nothing.is_some()), "{proved:?}");
    let (outcome, ..) = session(&file, &[], false);
    assert_eq!(outcome.result.verdict, Some(Verdict::Pass), "{:#?}", outcome.result);
}

#[test]
fn a_bench_that_cannot_fail_passes_nothing() {
    let (file, _) = bench("scenarios/benches/rig.yaml");
    // Deaf in the negative control before and in the one after the scenario.
    let (outcome, runs, proved) = session(&file, &[0, 2], true);
    assert_eq!(runs, 3);
    assert_eq!(proved.len(), 2, "{proved:?}");
    assert!(proved.iter().all(|it| it.control && it.shows_nothing.is_some()), "{proved:?}");
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
        Box::new(Wires { inner: VirtualBench::new(file.clone()), runs, deaf_in: &[], deaf: false, answers: true })
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

//! Behind a pseudo-terminal: the same code as on a board's serial port.

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::channel;
use std::thread::JoinHandle;

use dryfire_bench::{Bench as _, PtyRig, RigBench, RigPace, WireFaults};
use dryfire_engine::TroubleKind;
use dryfire_units::RigTime;

use crate::support::{MS, SmallWorld, bench_file, bench_over, play, rig_setup, run_setup, script};

/// A rig in a thread of its own.
struct Served {
    port: PathBuf,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Served {
    fn new(period: i64, link: Option<PathBuf>) -> Self {
        let stop = Arc::new(AtomicBool::new(false));
        let seen = Arc::clone(&stop);
        let (sender, port) = channel();
        let thread = std::thread::Builder::new()
            .spawn(move || {
                let setup = rig_setup(RigPace::Granted);
                let mut rig = PtyRig::open(SmallWorld::new(period), setup, link.as_deref()).expect("a terminal");
                sender.send(rig.port().to_owned()).expect("somebody waits");
                rig.run(&seen).expect("the terminal stays");
            })
            .expect("a thread");
        Served { port: port.recv().expect("a port"), stop, thread: Some(thread) }
    }

    fn unplug(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            thread.join().expect("ends well");
        }
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        self.unplug();
    }
}

#[test]
fn a_run_over_a_real_terminal_is_the_same_as_in_one_process() {
    let served = Served::new(1_300, None);
    let mut bench = RigBench::serial(bench_file(), served.port.clone());
    let real = play(&mut bench, &script(), 2_000 * MS);
    assert_eq!(real.trouble, None);
    let within = play(&mut bench_over(RigPace::Granted, 1_300, WireFaults::default(), 0), &script(), 2_000 * MS);
    assert_eq!(real.seen, within.seen);
}

#[test]
fn one_host_after_the_other_finds_the_rig() {
    let served = Served::new(70 * MS, None);
    for _ in 0..3 {
        let mut bench = RigBench::serial(bench_file(), served.port.clone());
        let played = play(&mut bench, &script(), 2_000 * MS);
        assert_eq!(played.trouble, None);
        assert_eq!(played.edges(2)[0], (502 * MS, true));
    }
}

#[test]
fn a_rig_that_ends_in_the_middle_is_a_lost_link() {
    let mut served = Served::new(1_300, None);
    let mut bench = RigBench::serial(bench_file(), served.port.clone());
    let mut seen = Vec::new();
    bench.begin(&run_setup()).expect("begins");
    bench.advance(RigTime::from_micros(200 * MS), &mut seen).expect("goes on");
    served.unplug();
    let trouble = bench.advance(RigTime::from_micros(400 * MS), &mut seen).expect_err("gone");
    assert_eq!(trouble.kind, TroubleKind::LinkLost);
    assert!(trouble.detail.contains("is gone"), "{}", trouble.detail);
}

#[test]
fn a_link_to_the_terminal_comes_and_goes_with_the_rig() {
    let folder = tempfile::tempdir().expect("a folder");
    let link = folder.path().join("rig");
    let mut served = Served::new(1_300, Some(link.clone()));
    assert_eq!(served.port, link);
    let mut bench = RigBench::serial(bench_file(), link.clone());
    bench.begin(&run_setup()).expect("begins");
    drop(bench);
    served.unplug();
    assert!(!link.exists() && link.symlink_metadata().is_err());
}

#[test]
fn the_stand_in_behind_a_terminal_is_found_by_its_bench_file() {
    let file = crate::scenario::virtual_bench();
    let served = file.clone();
    let stop = Arc::new(AtomicBool::new(false));
    let seen = Arc::clone(&stop);
    let (sender, port) = channel();
    let rig = std::thread::Builder::new()
        .spawn(move || {
            let mut rig = PtyRig::stand_in(&served, RigPace::Granted, None).expect("it can be wired so");
            sender.send(rig.port().to_owned()).expect("somebody waits");
            rig.run(&seen).expect("the terminal stays");
        })
        .expect("a thread");
    let mut bench = RigBench::serial(file, port.recv().expect("a port"));
    let (plan, _) = crate::scenario::plan();
    let result = crate::scenario::run(plan, &mut bench);
    assert_eq!(result.verdict, Some(dryfire_judge::Verdict::Pass), "{result:#?}");
    drop(bench);
    stop.store(true, Ordering::Relaxed);
    rig.join().expect("ends well");
}

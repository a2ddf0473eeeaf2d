//! What recording costs the virtual bench: the twelve-hour firing of its own bench, run as
//! `dryfire run` runs it, with a record and without, by turns and in processor time of all threads.
//! Ends with 1 where it costs more than is allowed at 10 Hz.
#![expect(clippy::print_stdout, reason = "a bench tells its figures")]

#[allow(dead_code, reason = "the other bench uses more of it")]
#[path = "../../bench/benches/virtual_bench/firing.rs"]
mod firing;

use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use dryfire_bench::{Bench, RunOptions, Watcher, run_plan};
use dryfire_record::{Beginning, File, FileRole, Pace, PlannedRun, Recorder, SessionFacts, Writer};
use dryfire_units::RigSpan;
use firing::{Firing, Setup};
use nix::sys::resource::{UsageWho, getrusage};
use nix::sys::time::TimeVal;

/// Pairs of runs; their medians are compared.
const PAIRS: usize = 11;
/// What a record may cost at 10 Hz, per cent of a run without one.
const MOST_PER_CENT: i64 = 30;

fn main() {
    let mut too_much = false;
    for (name, tick) in [("10 Hz", RigSpan::from_millis(100)), ("1 Hz", RigSpan::from_seconds(1))] {
        let firing = Firing::with_tick(Setup::OneZone, tick);
        // Once each for the caches.
        run(&firing, None);
        recorded(&firing);
        let (mut without, mut with): (Vec<i64>, Vec<i64>) =
            (0..PAIRS).map(|_| (measured(|| run(&firing, None)), measured(|| recorded(&firing)))).unzip();
        let (without, with) = (median(&mut without), median(&mut with));
        let cost = (with - without) * 100 / without;
        println!(
            "12 h of 12 signals at {name}: {:.1} ms without a record, {:.1} ms with one, up to the seal: {cost} % more",
            without as f64 / 1e3,
            with as f64 / 1e3
        );
        too_much |= name == "10 Hz" && cost > MOST_PER_CENT;
    }
    if too_much {
        println!("more than {MOST_PER_CENT} % at 10 Hz");
        std::process::exit(1);
    }
}

/// Processor time of this process in µs, the writer's thread included.
fn measured(work: impl FnOnce()) -> i64 {
    let now = || {
        let usage = getrusage(UsageWho::RUSAGE_SELF).expect("a process has used its processor");
        let micros = |time: TimeVal| time.tv_sec() * 1_000_000 + time.tv_usec();
        micros(usage.user_time()) + micros(usage.system_time())
    };
    let before = now();
    work();
    now() - before
}

fn median(values: &mut [i64]) -> i64 {
    values.sort_unstable();
    values[values.len() / 2]
}

fn run(firing: &Firing, mut watcher: Option<&mut dyn Watcher>) {
    let mut bench = firing.bench();
    let options = RunOptions { sample_events: watcher.is_some(), ..Firing::options(true) };
    let stop = AtomicBool::new(false);
    let bench: &mut dyn Bench = &mut bench;
    let result = run_plan(
        firing.plan.clone(),
        bench,
        options,
        &stop,
        &mut |event| {
            if let Some(watcher) = &mut watcher {
                watcher.event(&event);
            }
        },
        &mut |_| {},
    )
    .expect("the firing can be played");
    assert_eq!(result.verdict, Some(dryfire_judge::Verdict::Pass));
    if let Some(watcher) = watcher {
        watcher.finished(&result);
    }
}

fn recorded(firing: &Firing) {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("it.sqlite");
    let beginning = Beginning {
        session: SessionFacts {
            tool: String::new(),
            seed: 1,
            bench: String::new(),
            bench_kind: "virtual".to_owned(),
            controller: String::new(),
            firmware_version: None,
            scenarios: 1,
            host: String::new(),
            began_at: String::new(),
        },
        facts: Vec::new(),
        files: vec![File::of_text(FileRole::Scenario, "twelve hours", "")],
        runs: vec![PlannedRun {
            file: 0,
            scenario: firing.plan.scenario.clone(),
            why: String::new(),
            limits_from: String::new(),
            hazards: Vec::new(),
            seed: 1,
            table: firing.plan.table.clone(),
            uncertainties: None,
            expectations: Vec::new(),
        }],
    };
    let writer = Writer::create(&path, &beginning).expect("a record");
    let recorder = Recorder::start(writer, Pace::Wall, Arc::new(AtomicBool::new(false))).expect("a thread");
    let mut watcher = recorder.watcher(1);
    run(firing, Some(watcher.as_mut()));
    drop(watcher);
    recorder.close().expect("written").finish().expect("sealed");
    assert!(path.exists());
}

//! What recording costs the virtual bench: the twelve-hour firing of its own bench, run as
//! `dryfire run` runs it, with a record and without.

#[allow(dead_code, reason = "the other bench uses more of it")]
#[path = "../../bench/benches/virtual_bench/firing.rs"]
mod firing;

use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use criterion::{Criterion, SamplingMode, Throughput};
use dryfire_bench::{Bench, RunOptions, Watcher, run_plan};
use dryfire_record::{Beginning, File, FileRole, Pace, PlannedRun, Recorder, SessionFacts, Writer};
use dryfire_units::RigSpan;
use firing::{Firing, Setup};

fn main() {
    let mut criterion = Criterion::default().sample_size(10).configure_from_args();
    for (name, tick) in [("10 Hz", RigSpan::from_millis(100)), ("1 Hz", RigSpan::from_seconds(1))] {
        let firing = Firing::with_tick(Setup::OneZone, tick);
        let mut group = criterion.benchmark_group(format!("12 h of 12 signals at {name}"));
        group.sampling_mode(SamplingMode::Flat).throughput(Throughput::Elements(Firing::HOURS));
        group.bench_function("without a record", |bencher| bencher.iter(|| run(&firing, None)));
        group.bench_function("recorded, up to the seal", |bencher| bencher.iter(|| recorded(&firing)));
        group.finish();
    }
    criterion.final_summary();
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

//! How large a long record becomes.

use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use dryfire_bench::BenchIdentity;
use dryfire_engine::{Applicability, Event, Pacing, RelaysSeen, RigCounters, ScenarioResult};
use dryfire_judge::{SignalId, SignalKind, SignalSpec, SignalTable, Verdict};
use dryfire_record::{Beginning, File, FileRole, Pace, PlannedRun, Record, Recorder, SessionFacts, Writer};
use dryfire_units::{RigSpan, RigTime};
use tempfile::TempDir;

const LEVELS: u16 = 8;
const SWITCHES: u16 = 4;
const MOST_BYTES: u64 = 20_000_000;

fn table() -> SignalTable {
    let mut table = SignalTable::default();
    for index in 0..LEVELS + SWITCHES {
        table.add(SignalSpec {
            name: format!("signal.{index}"),
            kind: if index < LEVELS { SignalKind::Temperature } else { SignalKind::Switch },
            value_uncertainty: 0,
            model_error: 0,
            time_uncertainty: RigSpan::from_millis(1),
            release: RigSpan::ZERO,
        });
    }
    table
}

fn beginning() -> Beginning {
    Beginning {
        session: SessionFacts {
            tool: "dryfire 0.0.0".to_owned(),
            seed: 1,
            bench: "a day".to_owned(),
            bench_kind: "virtual".to_owned(),
            controller: "none".to_owned(),
            firmware_version: None,
            scenarios: 1,
            host: "test".to_owned(),
            began_at: "2026-11-25T09:30:00.000Z".to_owned(),
        },
        facts: Vec::new(),
        files: vec![File::of_text(FileRole::Scenario, "day.yaml", "")],
        runs: vec![PlannedRun {
            file: 0,
            scenario: "a day".to_owned(),
            why: String::new(),
            limits_from: String::new(),
            hazards: Vec::new(),
            seed: 1,
            table: table(),
            uncertainties: None,
            expectations: Vec::new(),
        }],
    }
}

/// A day of a kiln, ten times a second: four temperatures of a model that climbs and bends by the
/// thousandth, four readings with noise of ±0.3 °C rms (a sum of four evenly spread numbers), four
/// relays in cycles of 15 s.
#[test]
fn a_day_at_ten_hertz_with_twelve_signals_takes_no_more_than_20_megabytes() {
    let folder = TempDir::new().expect("a folder");
    let path = folder.path().join("day.sqlite");
    let writer = Writer::create(&path, &beginning()).expect("a record");
    let recorder = Recorder::start(writer, Pace::Wall, Arc::new(AtomicBool::new(false))).expect("a thread");
    let mut watcher = recorder.watcher(1);
    watcher.begun(&BenchIdentity {
        description: "a day".to_owned(),
        pacing: Pacing::Stepped { step: RigSpan::from_millis(100) },
        fresh_controller: true,
    });
    let mut state = 20_261_125_u64;
    let mut even = move || {
        // The upper bits of a linear congruential generator (Knuth's MMIX constants, from memory).
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) as i64 % 1_039 - 519
    };
    let ticks = 24 * 36_000;
    for tick in 0..ticks {
        let at = RigTime::from_micros(tick * 100_000);
        for level in 0..i64::from(LEVELS) {
            // 100 °C/h, and a slow swing that no straight line follows.
            let climb = 20_000 + tick * 100_000 / 36_000 + (tick % 9_000) * (9_000 - tick % 9_000) / 4_000;
            let noise = if level < 4 { 0 } else { (0..4).map(|_| even()).sum::<i64>() / 2 };
            watcher.event(&Event::Sampled { at, signal: SignalId(level as u16), value: climb + level * 1_300 + noise });
        }
        for switch in 0..i64::from(SWITCHES) {
            let phase = (tick + 37 * switch) % 150;
            if phase == 0 || phase == 60 + switch {
                let signal = SignalId(LEVELS + switch as u16);
                watcher.event(&Event::Switched { at, signal, on: phase == 0 });
            }
        }
    }
    let length = RigTime::from_micros(ticks * 100_000);
    watcher.event(&Event::Ended { at: length, cut_short: false });
    let result = ScenarioResult {
        scenario: "a day".to_owned(),
        hazards: Vec::new(),
        applicability: Applicability::Ran,
        verdict: Some(Verdict::Inconclusive),
        findings: Vec::new(),
        remarks: Vec::new(),
        trouble: None,
        heat_work: Vec::new(),
        relays_seen: RelaysSeen::default(),
        counters: RigCounters::default(),
        seed: 1,
        length,
    };
    watcher.finished(&result);
    drop(watcher);
    recorder.concluded(1, &result);
    recorder.close().expect("written").finish().expect("finished");
    let bytes = std::fs::metadata(&path).expect("a record").len();
    assert!(bytes <= MOST_BYTES, "{bytes} bytes");
    let record = Record::open(&path).expect("a record");
    let run = &record.runs()[0];
    for level in 0..LEVELS {
        let samples = record.samples(run, SignalId(level)).expect("readable").count();
        assert_eq!(samples as i64, ticks, "signal {level}");
    }
}

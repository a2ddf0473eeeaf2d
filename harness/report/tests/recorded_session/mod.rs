//! Records of invented sessions, short and long.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use dryfire_bench::BenchIdentity;
use dryfire_engine::{Applicability, Event, FindingReport, Pacing, RelaysSeen, RigCounters, ScenarioResult};
use dryfire_judge::{Comparison, Finding, Margin, Reason, SignalId, SignalKind, SignalSpec, SignalTable, Verdict};
use dryfire_record::{
    Beginning, ExpectationWindow, Fact, File, FileRole, LevelLimit, Note, Pace, PlannedRun, Record, Recorder,
    SessionFacts, Writer, seal, topic,
};
use dryfire_report::Seal;
use dryfire_units::{RigSpan, RigTime};

/// Signals of every run: eight temperatures, four switches.
const LEVELS: [&str; 8] =
    ["kiln", "kiln.top", "kiln.middle", "kiln.bottom", "probe", "probe.top", "probe.middle", "probe.bottom"];
const SWITCHES: [&str; 4] = ["heat", "safety", "element.top", "lid"];
/// Ticks between two lines of a console that talks.
const CONSOLE_EVERY: i64 = 100;
const CUT: RigSpan = RigSpan::from_millis(2_750);

/// What is changed in a session.
pub(crate) struct Session {
    pub(crate) ticks: i64,
    pub(crate) tick: RigSpan,
    /// A name, a note, a line of the console.
    pub(crate) text: &'static str,
    /// Every temperature trembles, every relay chatters, and the console talks: as much as an honest bench may tell.
    pub(crate) restless: bool,
}

fn table() -> SignalTable {
    let mut table = SignalTable::default();
    let spec = |name: &str, kind| SignalSpec {
        name: name.to_owned(),
        kind,
        value_uncertainty: 0,
        model_error: 0,
        time_uncertainty: RigSpan::from_millis(1),
        release: RigSpan::ZERO,
    };
    for name in LEVELS {
        table.add(spec(name, SignalKind::Temperature));
    }
    for name in SWITCHES {
        table.add(spec(name, SignalKind::Switch));
    }
    table
}

fn planned(scenario: &str, hazard: &str, runs: bool) -> PlannedRun {
    let moment = |offset| Some(("burn-out".to_owned(), offset));
    let window = |name: &str, claim, opens, limit, limits| ExpectationWindow {
        name: name.to_owned(),
        hazards: vec![hazard.to_owned()],
        scope: if opens { "after" } else { "throughout" },
        opens: if opens { moment(RigSpan::ZERO) } else { None },
        closes: None,
        claim,
        limit,
        hold: None,
        limits,
    };
    let limit = LevelLimit { signal: SignalId(0), comparison: Comparison::Below, value: 4_000_000 };
    let expectations = vec![
        window("heat is cut", "heat-cut", true, Some(RigSpan::from_seconds(10)), Vec::new()),
        window("never too hot", "always", false, None, vec![limit]),
    ];
    PlannedRun {
        file: 1,
        scenario: scenario.to_owned(),
        why: "With no reading the controller is blind.".to_owned(),
        limits_from: "10 s: common practice, no source".to_owned(),
        hazards: vec![hazard.to_owned()],
        seed: 1,
        table: if runs { table() } else { SignalTable::default() },
        uncertainties: None,
        expectations: if runs { expectations } else { Vec::new() },
    }
}

fn beginning(session: &Session) -> Beginning {
    let fact = |topic: &str, name: &str, value: &str, source: &str| Fact {
        topic: topic.to_owned(),
        name: name.to_owned(),
        value: value.to_owned(),
        source: source.to_owned(),
    };
    Beginning {
        session: SessionFacts {
            tool: "dryfire 0.0.0".to_owned(),
            seed: 1,
            bench: "an invented bench".to_owned(),
            bench_kind: "rig".to_owned(),
            controller: format!("an invented controller {}", session.text),
            firmware_version: Some("3.1".to_owned()),
            scenarios: 2,
            host: "test".to_owned(),
            began_at: "2026-11-25T09:30:00.000Z".to_owned(),
        },
        facts: vec![
            fact(topic::FIRMWARE, "version", "3.1", "bench file, the owner's word"),
            fact(topic::CALIBRATION, "edge time, expanded uncertainty", "±1 ms", "bench file"),
            fact(topic::SETTING, "changed for the test", "top temperature: 1280 °C, now 300 °C", "operator"),
        ],
        files: vec![
            File::of_text(FileRole::Bench, "bench.yaml", include_str!("bench.yaml")),
            File::of_text(FileRole::Scenario, "one.yaml", "format: 1"),
        ],
        runs: vec![
            planned(&format!("the probe opens {}", session.text), "probe-open", true),
            planned("an element relay welds", "relay-welded", false),
        ],
    }
}

fn at(micros: i64) -> RigTime {
    RigTime::from_micros(micros)
}

fn result(planned: &PlannedRun, length: RigTime, break_at: i64) -> ScenarioResult {
    let finding = |expectation, margin, seen, uncertainty| Finding {
        expectation,
        verdict: Verdict::Pass,
        reason: Reason::Held,
        margin: Some(margin),
        decided_at: Some(at(break_at + CUT.as_micros())),
        seen: Some(seen),
        uncertainty: Some(uncertainty),
        model_error: None,
        vacuous: false,
    };
    let report = |name: &str, expected: &str, seen: &str, finding| FindingReport {
        name: name.to_owned(),
        hazards: planned.hazards.clone(),
        expected: expected.to_owned(),
        seen: seen.to_owned(),
        coverage_hundredths: 200,
        finding,
    };
    let margin = Margin::Time(RigSpan::from_micros(10_000_000 - CUT.as_micros()));
    let cut = finding(0, margin, Margin::Time(CUT), Margin::Time(RigSpan::from_millis(2)));
    let cool = finding(1, Margin::Temperature(600_000), Margin::Temperature(700_000), Margin::Temperature(0));
    ScenarioResult {
        scenario: planned.scenario.clone(),
        hazards: planned.hazards.clone(),
        applicability: Applicability::Ran,
        verdict: Some(Verdict::Pass),
        findings: vec![
            report("heat is cut", "after burn-out heat is cut within 10 s", "heat was cut after 2.750 s", cut),
            report("never too hot", "always kiln < 4000 °C", "as expected", cool),
        ],
        remarks: Vec::new(),
        trouble: None,
        heat_work: Vec::new(),
        relays_seen: RelaysSeen::default(),
        counters: RigCounters::default(),
        seed: 1,
        length,
    }
}

/// Writes the record of a session: a kiln that climbs with noise on its probes and relays in cycles
/// of 15 s, whose probe breaks in the middle; and a hazard that nothing meets.
pub(crate) fn write(folder: &Path, session: &Session) -> (PathBuf, Seal) {
    let path = folder.join("it.sqlite");
    let beginning = beginning(session);
    let writer = Writer::create(&path, &beginning).expect("a record");
    let recorder = Recorder::start(writer, Pace::Rig, Arc::new(AtomicBool::new(false))).expect("a thread");
    let mut watcher = recorder.watcher(1);
    watcher.begun(&BenchIdentity {
        description: format!("an invented rig {}", session.text),
        pacing: Pacing::Stepped { step: session.tick },
        fresh_controller: true,
    });
    let mut state = 20_261_125_u64;
    let mut noise = move || {
        // The upper bits of a linear congruential generator (Knuth's MMIX constants, from memory).
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) as i64 % 1_039 - 519
    };
    let tick = session.tick.as_micros();
    let break_at = session.ticks / 2 * tick;
    let mut known = [None; SWITCHES.len()];
    watcher.event(&Event::Began);
    for step in 0..session.ticks {
        let micros = step * tick;
        let time = at(micros);
        if micros == break_at {
            watcher.event(&Event::Moment {
                at: time,
                name: "burn-out".to_owned(),
                uncertainty: RigSpan::from_millis(1),
            });
            watcher.event(&Event::Stimulus { at: time, text: "probe open".to_owned() });
            watcher.event(&Event::Console { at: time, line: format!("fault latched {}", session.text) });
        }
        if session.restless && step % CONSOLE_EVERY == 0 {
            let line = format!("t={micros} set=1040.0 read=1038.2 duty=73 heat=on fault=none {}", session.text);
            watcher.event(&Event::Console { at: time, line });
        }
        for (index, name) in LEVELS.iter().enumerate() {
            let signal = SignalId(index as u16);
            let value = 20_000 + micros / 36_000 + index as i64 * 4_000;
            let probe = name.starts_with("probe");
            let trembles = probe || session.restless;
            if probe && micros >= break_at {
                watcher.event(&Event::Unobserved { at: time, signal, until: time });
            } else {
                let value = if trembles { value + noise() } else { value };
                watcher.event(&Event::Sampled { at: time, signal, value });
            }
        }
        for (index, known) in known.iter_mut().enumerate() {
            let signal = SignalId((LEVELS.len() + index) as u16);
            let off = micros >= break_at + CUT.as_micros();
            let on = if session.restless {
                // Each at its own ticks, some 1.5 s apart on average; whatever the cut says, the lid stays shut.
                let turns = noise() > 450;
                index != 3 && !off && known.unwrap_or(false) != turns
            } else {
                !off && (index == 1 || micros % 15_000_000 < 6_000_000 || micros >= break_at) && index != 3
            };
            if known.replace(on) != Some(on) {
                watcher.event(&Event::Switched { at: time, signal, on });
            }
        }
    }
    let length = at(session.ticks * tick);
    watcher.event(&Event::Ended { at: length, cut_short: false });
    let ran = result(&beginning.runs[0], length, break_at);
    watcher.finished(&ran);
    drop(watcher);
    recorder.concluded(1, &ran);
    let uncovered = ScenarioResult {
        applicability: Applicability::Uncovered { reason: "one relay for each zone, and nothing behind it".to_owned() },
        verdict: None,
        findings: Vec::new(),
        length: RigTime::ZERO,
        ..result(&beginning.runs[1], RigTime::ZERO, 0)
    };
    recorder.watcher(2).finished(&uncovered);
    recorder.concluded(2, &uncovered);
    recorder.note(Note {
        at: "2026-11-25T09:31:00.000Z".to_owned(),
        run: None,
        kind: "operator".to_owned(),
        text: format!("noted {}", session.text),
    });
    recorder.close().expect("written").finish().expect("finished");
    #[expect(clippy::disallowed_methods, reason = "a test reads a file")]
    let bytes = std::fs::read(&path).expect("a record");
    let seal = Seal::Finished { sha256: seal::sha256_hex(&bytes), bytes: bytes.len() as u64 };
    (path, seal)
}

/// The record again.
pub(crate) fn open(path: &Path) -> Record {
    Record::open(path).expect("a record")
}

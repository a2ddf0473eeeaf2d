//! A record is written, killed off, gone on with, closed and read again.
#![expect(clippy::disallowed_methods, reason = "tests write and read files")]

use std::fs;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use dryfire_bench::BenchIdentity;
use dryfire_engine::{
    Applicability, Contribution, ContributionSpread, Event, FindingReport, Pacing, RelaysSeen, RigCounters,
    ScenarioResult, Trouble, TroubleKind, Uncertainties, UncertaintyBudget, UncertaintySource, ZoneHeatWork,
};
use dryfire_judge::{Finding, Margin, Reason, SignalId, SignalKind, SignalSpec, SignalTable, Verdict};
use dryfire_kiln::Peak;
use dryfire_record::{
    Beginning, ExpectationWindow, Fact, File, FileRole, LevelLimit, Note, Pace, PlannedRun, Record, RecordError,
    Recorder, RunState, Seal, SealCheck, SessionFacts, Writer, seal, topic,
};
use dryfire_units::{MilliCelsius, RigSpan, RigTime};
use rstest::rstest;
use tempfile::TempDir;

const MARKUP: &str = "<b>\"kiln\" & 'probe'</b> \u{1b}[31m\u{0}\u{202e}=1+1";

fn at(micros: i64) -> RigTime {
    RigTime::from_micros(micros)
}

fn table() -> SignalTable {
    let mut table = SignalTable::default();
    let spec = |name: &str, kind, value_uncertainty, model_error| SignalSpec {
        name: name.to_owned(),
        kind,
        value_uncertainty,
        model_error,
        time_uncertainty: RigSpan::from_micros(1_000),
        release: RigSpan::from_millis(20),
    };
    table.add(spec("heat", SignalKind::Switch, 0, 0));
    table.add(spec("kiln", SignalKind::Temperature, 0, 2_000));
    table.add(spec("probe.top", SignalKind::Temperature, 1_000, 0));
    table
}

fn uncertainties() -> Uncertainties {
    let line =
        |source, spread, stated| Contribution { source, half_width: 17_320_508, spread, standard: 10_000_000, stated };
    Uncertainties {
        edge_time: UncertaintyBudget {
            contributions: vec![
                line(UncertaintySource::SensingDelay, ContributionSpread::Rectangular, true),
                line(UncertaintySource::ClockDrift(RigSpan::from_seconds(70)), ContributionSpread::Normal(196), false),
            ],
            standard: 10_000_001,
            degrees_of_freedom: None,
            coverage_hundredths: 200,
            expanded: Margin::Time(RigSpan::from_micros(20_001)),
        },
        shown_temperature: UncertaintyBudget {
            contributions: Vec::new(),
            standard: 500_000,
            degrees_of_freedom: Some(4),
            coverage_hundredths: 287,
            expanded: Margin::Temperature(1_435),
        },
    }
}

fn beginning() -> Beginning {
    let window = ExpectationWindow {
        name: "heat is cut".to_owned(),
        hazards: vec!["probe-open".to_owned(), "runaway".to_owned()],
        scope: "between",
        opens: Some(("burn-out".to_owned(), RigSpan::from_seconds(10))),
        closes: Some(("mended".to_owned(), RigSpan::from_seconds(-1))),
        claim: "within",
        limit: Some(RigSpan::from_seconds(10)),
        hold: Some(RigSpan::from_seconds(60)),
        limits: vec![LevelLimit {
            signal: SignalId(1),
            comparison: dryfire_judge::Comparison::AtMost,
            value: 1_300_000,
        }],
    };
    let run = |scenario: &str, file| PlannedRun {
        file,
        scenario: scenario.to_owned(),
        why: MARKUP.to_owned(),
        limits_from: "common practice, no source".to_owned(),
        hazards: vec!["probe-open".to_owned()],
        seed: u64::MAX - 7,
        table: table(),
        uncertainties: Some(uncertainties()),
        expectations: vec![window.clone()],
    };
    Beginning {
        session: SessionFacts {
            tool: "dryfire 0.0.0".to_owned(),
            seed: u64::MAX,
            bench: MARKUP.to_owned(),
            bench_kind: "virtual".to_owned(),
            controller: "stand-in".to_owned(),
            firmware_version: Some("0.3.1".to_owned()),
            scenarios: 3,
            host: "bench computer".to_owned(),
            began_at: "2026-11-25T09:30:00.000Z".to_owned(),
        },
        facts: vec![Fact {
            topic: topic::SETTING.to_owned(),
            name: "changed for the test".to_owned(),
            value: "top temperature: 1280 °C, now 300 °C".to_owned(),
            source: "operator".to_owned(),
        }],
        files: vec![
            File::of_text(FileRole::Bench, "bench.yaml", "bench: one\n"),
            File::of_text(FileRole::Scenario, "one.yaml", MARKUP),
            File::of_text(FileRole::Scenario, "two.yaml", "scenario: two\n"),
        ],
        runs: vec![run("one", 1), run("two", 2), run("three", 2)],
    }
}

fn finding() -> Finding {
    Finding {
        expectation: 0,
        verdict: Verdict::Pass,
        reason: Reason::Held,
        margin: Some(Margin::Time(RigSpan::from_millis(6_812))),
        decided_at: Some(at(9_663_000_000)),
        seen: Some(Margin::Time(RigSpan::from_millis(3_188))),
        uncertainty: Some(Margin::Time(RigSpan::from_micros(120_000))),
        model_error: None,
        vacuous: false,
    }
}

fn result(scenario: &str) -> ScenarioResult {
    ScenarioResult {
        scenario: scenario.to_owned(),
        hazards: vec!["probe-open".to_owned()],
        applicability: Applicability::Ran,
        verdict: Some(Verdict::Error),
        findings: vec![FindingReport {
            name: "heat is cut".to_owned(),
            hazards: vec!["probe-open".to_owned(), "runaway".to_owned()],
            expected: "heat is cut at most 10 s after burn-out".to_owned(),
            seen: MARKUP.to_owned(),
            coverage_hundredths: 287,
            finding: finding(),
        }],
        remarks: vec!["3 edges were lost on the way from the rig".to_owned(), MARKUP.to_owned()],
        trouble: Some(Trouble { kind: TroubleKind::LinkLost, detail: MARKUP.to_owned() }),
        heat_work: vec![ZoneHeatWork {
            zone: "top".to_owned(),
            peak: Peak { temperature: MilliCelsius::new(1_000_123), millicelsius_per_hour: Some(150_000) },
        }],
        relays_seen: RelaysSeen { on: vec![0, 2], rested_on: vec![1] },
        counters: RigCounters { lost_edges: 3, lost_console_bytes: 0, late_setpoints: 1, damaged_frames: u32::MAX },
        seed: u64::MAX - 7,
        length: at(11_520_000_000),
    }
}

/// Events of every kind, in an order that an engine might give them in.
fn events() -> Vec<Event> {
    let (heat, kiln, probe) = (SignalId(0), SignalId(1), SignalId(2));
    let mut events = vec![Event::Began, Event::Switched { at: at(0), signal: heat, on: false }];
    let sampled = |second: i64, events: &mut Vec<Event>| {
        let now = at(second * 1_000_000);
        events.push(Event::Sampled { at: now, signal: kiln, value: 20_000 + second * 41 });
        events.push(match second {
            3..=5 => Event::Unobserved { at: now, signal: probe, until: at((second + 1) * 1_000_000) },
            _ => Event::Sampled { at: now, signal: probe, value: 20_000 - second * second },
        });
    };
    for second in 0..3 {
        sampled(second, &mut events);
    }
    events.extend([
        Event::Stimulus { at: at(2_500_000), text: MARKUP.to_owned() },
        Event::Moment { at: at(2_500_000), name: "burn-out".to_owned(), uncertainty: RigSpan::from_micros(1_250) },
        Event::Switched { at: at(2_600_000), signal: heat, on: true },
        Event::Console { at: at(2_700_000), line: MARKUP.to_owned() },
        Event::Prompt { at: at(2_700_000), text: "press it".to_owned() },
    ]);
    for second in 3..3_000 {
        sampled(second, &mut events);
        if second % 2 == 0 {
            events.push(Event::Switched { at: at(second * 1_000_000 + 1), signal: heat, on: second % 4 == 0 });
        }
    }
    let counters = RigCounters { lost_edges: 3, lost_console_bytes: 0, late_setpoints: 1, damaged_frames: 9 };
    events.extend([
        Event::Counters { at: at(2_999_500_000), counters },
        Event::Decided { at: at(2_999_500_000), finding: finding() },
        Event::Trouble {
            at: at(2_999_600_000),
            trouble: Trouble { kind: TroubleKind::ProgramFlood, detail: MARKUP.to_owned() },
        },
        Event::Ended { at: at(2_999_600_000), cut_short: true },
    ]);
    events
}

/// A record of three runs: one finished, one broken off, one not begun.
fn broken_off(path: &Path, pace: Pace) {
    let writer = Writer::create(path, &beginning()).expect("a record");
    let recorder = Recorder::start(writer, pace, Arc::new(AtomicBool::new(false))).expect("a thread");
    for run in [1, 2] {
        let mut watcher = recorder.watcher(run);
        watcher.begun(&BenchIdentity {
            description: MARKUP.to_owned(),
            pacing: Pacing::Stepped { step: RigSpan::from_seconds(1) },
            fresh_controller: true,
        });
        let events = events();
        let seen = if run == 1 { events.len() } else { events.len() / 2 };
        events[..seen].iter().for_each(|event| watcher.event(event));
        if run == 1 {
            watcher.finished(&result("one"));
            recorder.concluded(1, &result("one"));
        }
    }
    recorder.note(Note {
        at: "2026-11-25T09:31:00.000Z".to_owned(),
        run: Some(1),
        kind: "operator".to_owned(),
        text: MARKUP.to_owned(),
    });
    recorder.close().expect("everything is written").leave().expect("left in one piece");
}

#[rstest]
fn what_was_written_is_read_again(#[values(Pace::Wall, Pace::Rig)] pace: Pace) {
    let folder = TempDir::new().expect("a folder");
    let path = folder.path().join("a record with # and % and ?.sqlite");
    broken_off(&path, pace);
    let record = Record::open(&path).expect("a record");
    let beginning = beginning();
    assert!(!record.session().finished && record.session().interrupted);
    assert_eq!(record.session().facts, beginning.session);
    assert_eq!(record.facts(), beginning.facts);
    assert_eq!(record.files(), beginning.files);
    let planned: Vec<&PlannedRun> = record.runs().iter().map(|run| &run.planned).collect();
    assert_eq!(planned, beginning.runs.iter().collect::<Vec<_>>());
    let states: Vec<RunState> = record.runs().iter().map(|run| run.state).collect();
    assert_eq!(states, [RunState::Finished, RunState::Running, RunState::Planned]);
    assert_eq!(record.results().collect::<Vec<_>>(), [&result("one")]);
    let run = &record.runs()[0];
    assert_eq!(run.identity.as_deref(), Some(MARKUP));
    assert!(run.cut_short);
    let mut replayed = Vec::new();
    record.replay(run, &mut |event| replayed.push(event)).expect("readable");
    assert_eq!(replayed, events());
    assert_eq!(record.notes().expect("readable")[0].text, MARKUP);
}

#[test]
fn a_flood_of_log_lines_is_cut_off_counted_and_holds_nobody_up() {
    let folder = TempDir::new().expect("a folder");
    let path = folder.path().join("it.sqlite");
    let writer = Writer::create(&path, &beginning()).expect("a record");
    let recorder = Recorder::start(writer, Pace::Wall, Arc::new(AtomicBool::new(false))).expect("a thread");
    let lines = recorder.log_sender();
    let line =
        |run, text: String| Note { at: "2026-11-25T09:31:00.000Z".to_owned(), run, kind: "info".to_owned(), text };
    lines.log(line(Some(2), MARKUP.to_owned()));
    lines.log(line(None, "é".repeat(3_000)));
    (0..12_000).for_each(|number| lines.log(line(Some(1), number.to_string())));
    // Whoever keeps a sender does not keep the record open, and is not in its way.
    recorder.close().expect("everything is written").finish().expect("sealed");
    lines.log(line(None, "too late".to_owned()));
    let log = Record::open(&path).expect("a record").log().expect("readable");
    assert_eq!((log[0].run, log[0].text.as_str(), log[0].kind.as_str()), (Some(2), MARKUP, "info"));
    assert_eq!(log[1].text, format!("{}…", "é".repeat(2_000)));
    let (last, kept) = log.split_last().expect("lines");
    assert!(kept.len() <= 10_000, "{}", kept.len());
    assert_eq!(last.kind, "warn");
    let said = format!("{} log lines are not in this record: ", 12_002 - kept.len());
    assert!(last.text.starts_with(&said), "{said}: {}", last.text);
}

#[test]
fn the_columns_of_a_plot_hold_every_peak() {
    let folder = TempDir::new().expect("a folder");
    let path = folder.path().join("one.sqlite");
    broken_off(&path, Pace::Wall);
    let record = Record::open(&path).expect("a record");
    let run = &record.runs()[0];
    let columns = record.envelope(run, SignalId(1), at(0), at(3_000_000_000), 100).expect("readable");
    for (index, column) in columns.iter().enumerate() {
        let column = column.expect("thirty samples in each");
        let first = 20_000 + index as i64 * 30 * 41;
        assert_eq!((column.least, column.greatest), (first, first + 29 * 41), "column {index}");
        assert_eq!((column.first, column.last), (column.least, column.greatest));
    }
    let nothing = record.envelope(run, SignalId(0), at(0), at(3_000_000_000), 3).expect("readable");
    assert_eq!(nothing, [None, None, None], "a switch has no samples");
}

#[test]
fn a_finished_record_is_one_plain_file_with_a_seal_that_holds() {
    let folder = TempDir::new().expect("a folder");
    let path = folder.path().join("one.sqlite");
    broken_off(&path, Pace::Wall);
    let writer = Writer::resume(&path, &[2, 3], &beginning()).expect("gone on with");
    let seal = writer.finish().expect("finished");
    let mut names: Vec<String> = fs::read_dir(folder.path())
        .expect("a folder")
        .map(|entry| entry.expect("an entry").file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    assert_eq!(names, ["one.sqlite", "one.sqlite.seal"]);
    let text = fs::read_to_string(seal::path_of(&path)).expect("a seal");
    assert_eq!(Seal::parse(&text), Ok(seal.clone()));
    let bytes = fs::read(&path).expect("a record");
    assert_eq!(seal.check(&bytes), SealCheck::Holds);
    let record = Record::open(&path).expect("a record");
    assert!(record.session().finished && !record.session().interrupted);
    assert_eq!(record.session().resumed, 1);
    assert_eq!(record.runs()[0].result, Some(result("one")), "kept");
    assert_eq!(record.runs()[1].state, RunState::Planned, "starts again");
    assert!(record.events(&record.runs()[1]).expect("readable").is_empty());
    assert!(matches!(Writer::resume(&path, &[1], &beginning()), Err(RecordError::Finished { .. })));
}

/// Who goes on with a record reads the runs that stand while the others are written into the same file.
#[test]
fn what_was_read_of_an_unfinished_record_stays_as_it_was_while_it_is_gone_on_with() {
    let folder = TempDir::new().expect("a folder");
    let path = folder.path().join("one.sqlite");
    broken_off(&path, Pace::Wall);
    let record = Record::open(&path).expect("a record");
    let told = |record: &Record| (record.notes(), record.events(&record.runs()[0]), record.events(&record.runs()[1]));
    let before = told(&Record::open(&path).expect("a record"));
    let mut writer = Writer::resume(&path, &[1, 2, 3], &beginning()).expect("gone on with");
    for number in 0..2_000 {
        let note = Note {
            at: "2026-11-25T09:32:00.000Z".to_owned(),
            run: None,
            kind: "operator".to_owned(),
            text: format!("{number} {}", "long ".repeat(100)),
        };
        writer.note(&note).expect("written");
    }
    writer.leave().expect("left in one plain file, with everything moved into it");
    assert_eq!(format!("{:?}", told(&record)), format!("{before:?}"));
}

#[test]
fn a_record_is_never_written_over_another_file() {
    let folder = TempDir::new().expect("a folder");
    let path = folder.path().join("mine.txt");
    fs::write(&path, "mine").expect("written");
    let error = Writer::create(&path, &beginning()).expect_err("refused");
    assert!(matches!(error, RecordError::Exists { .. }), "{error}");
    assert_eq!(fs::read_to_string(&path).expect("still there"), "mine");
}

#[rstest]
#[case::nothing(b"", "it is empty; the program was killed before anything was begun")]
#[case::text(b"SQLite format 4\0 and so on", "it is no SQLite file")]
#[case::cut(b"SQLite format 3\0", "")]
fn what_is_no_record_is_refused_and_said_why(#[case] bytes: &[u8], #[case] why: &str) {
    let folder = TempDir::new().expect("a folder");
    let path = folder.path().join("it.sqlite");
    fs::write(&path, bytes).expect("written");
    let error = Record::open(&path).expect_err("refused").to_string();
    assert!(error.contains("is no record of dryfire") && error.contains(why), "{error}");
}

//! What `docs/program-bench.md` promises is what the bench does.

use dryfire_bench::{Bench as _, ProgramBench};
use dryfire_engine::{CommandKind, Observation, ProbeSignal};
use dryfire_scenario::{ContactRole, Segment, parse_bench};
use dryfire_units::RigSpan;

use crate::support::{Session, bench_file, controller, micros, millis, need_python, root, seconds, setup, type_k};

/// The page's text, which the repository always has.
#[expect(clippy::disallowed_methods, reason = "the test is about a file")]
fn page() -> String {
    std::fs::read_to_string(root().join("docs/program-bench.md")).expect("the page is there")
}

#[test]
fn the_transcript_on_the_page_is_what_the_bench_says() {
    need_python!();
    let done = std::path::Path::new(env!("CARGO_TARGET_TMPDIR")).join("page-played");
    #[expect(clippy::disallowed_methods, reason = "left over from the last run of the test, or not there")]
    let _ = std::fs::write(&done, "");
    let words = format!("replay.py ../../docs/program-bench.md {}", done.display());
    let mut file = bench_file(controller(&words), RigSpan::from_seconds(20));
    file.zones[1].probe_channel = None;
    file.contacts.retain(|contact| contact.role != ContactRole::Acknowledge);
    let mut session = Session::new(&file);
    session
        .begin(&[
            Segment::Ramp { rate_millicelsius_per_hour: 150_000, to_millicelsius: 1_000_000 },
            Segment::Hold { length: RigSpan::from_minutes(20) },
        ])
        .expect("the first lines agree");
    session.probe(millis(0), 0, type_k(20_000));
    session.console(millis(500), "start");
    session.probe(millis(1950), 0, ProbeSignal::Open);
    session.to(millis(2100));
    assert_eq!(session.lines(), [(0, "ready"), (2_100_000, "probe open: heat is off")]);
    let last = session.edges().split_off(4);
    assert_eq!(last, [(2_100_000, 0, false), (2_100_000, 1, false), (2_100_000, 2, true)]);
    // The last line comes with the end of the run.
    session.bench.end();
    #[expect(clippy::disallowed_methods, reason = "where the program says that all lines agreed")]
    let end = std::fs::read_to_string(&done).expect("the file is there");
    assert_eq!(end, "played to the end\n");
}

#[test]
fn the_smallest_controller_on_the_page_works() {
    need_python!();
    let page = page();
    let script = page.split("```python\n").nth(1).and_then(|rest| rest.split("```").next()).expect("a Python block");
    let path = std::path::Path::new(env!("CARGO_TARGET_TMPDIR")).join("smallest.py");
    #[expect(clippy::disallowed_methods, reason = "the controller has to be a file to be run")]
    std::fs::write(&path, script).expect("the target folder can be written");
    let command = vec!["python3".to_owned(), path.to_string_lossy().into_owned()];
    let mut session = Session::new(&bench_file(command, RigSpan::from_seconds(20)));
    let identity = session.begin(&[]).expect("it starts");
    assert!(identity.description.ends_with(": smallest, firmware 1"), "{}", identity.description);
    for channel in [0, 1] {
        session.probe(millis(0), channel, type_k(20_000));
    }
    session.console(millis(300), "start");
    session.to(seconds(1));
    let on = session.edges();
    assert_eq!(on, [(0, 2, true), (301_000, 0, true), (301_000, 1, true), (301_000, 2, false)]);
    // The lid's circuit is open when the lid is.
    session.command(seconds(1), CommandKind::Contact { output: 0, closed: false });
    session.command(seconds(2), CommandKind::Contact { output: 0, closed: true });
    session.probe(seconds(3), 1, ProbeSignal::Open);
    session.to(seconds(10));
    let later: Vec<_> = session.edges().split_off(on.len()).into_iter().filter(|edge| edge.1 == 0).collect();
    assert_eq!(later, [(1_001_000, 0, false), (2_001_000, 0, true), (3_100_000, 0, false)]);
    assert_eq!(session.now, micros(10_000_000));
}

#[test]
fn the_example_bench_file_runs_the_small_controller_from_its_own_folder() {
    need_python!();
    let folder = root().join("scenarios/benches");
    #[expect(clippy::disallowed_methods, reason = "the test is about a file")]
    let text = std::fs::read_to_string(folder.join("program-python.yaml")).expect("the file is there");
    let (file, warnings) = parse_bench("program-python.yaml", &text).expect("it is a bench file");
    assert!(warnings.is_empty(), "{warnings:?}");
    let mut bench = ProgramBench::new(&file, &folder).expect("it is a program bench");
    let identity = bench.begin(&setup(&[])).expect("the controller starts");
    assert!(identity.description.ends_with(": controller.py, firmware 1.0.0"), "{}", identity.description);
    let mut seen = Vec::new();
    bench.advance(seconds(2), &mut seen).expect("and answers");
    assert_eq!(seen, [Observation::Complete { until: seconds(2) }]);
    bench.end();
}

#[test]
fn every_limit_that_the_page_states_is_the_one_in_force() {
    // The tests of breakdowns check these numbers against the bench; here only that the page says the same.
    let page = page();
    for said in [
        "| length of a line | 64 KiB | `program-flood` |",
        "| standard error between two calls | 256 KiB | `program-flood` |",
        "at most 64 in one answer, 1 KiB each, and 1000 in one second",
        "a text of at most 4 KiB",
        "the longest time between two calls: 1000000.",
        "The protocol is version **1**.",
    ] {
        assert!(page.contains(said), "the page no longer says: {said}");
    }
}

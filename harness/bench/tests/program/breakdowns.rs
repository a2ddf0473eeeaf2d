//! A program that hangs, dies, talks nonsense, is late or floods ends the run
//! in trouble that says what it did, in bounded time, and leaves nothing behind.

use std::time::Duration;

use dryfire_bench::{Bench as _, ProgramBench, ProgramBenchError};
use dryfire_engine::{CommandKind, Observation, Trouble, TroubleKind};
use dryfire_scenario::{BenchKind, Plays};
use dryfire_units::RigSpan;
use rstest::rstest;

use crate::support::{Session, bench_file, controller, millis, need_python, root, seconds};

/// What the issue of these tests is measured against: the declared deadline …
const DEADLINE: RigSpan = RigSpan::from_millis(500);
/// … and how much later the bench may say so.
const SAID_WITHIN: Duration = Duration::from_secs(2);

/// Runs until the trouble comes, and how long the call took in which it came.
#[expect(clippy::disallowed_methods, clippy::disallowed_types, reason = "the bound is one of wall time")]
fn trouble(words: &str) -> (Trouble, Duration, Session) {
    let mut file = bench_file(controller(words), DEADLINE);
    file.firmware_version = Some("1".to_owned());
    let mut session = Session::new(&file);
    let mut began = std::time::Instant::now();
    let mut outcome = session.begin(&[]).map(|_| ());
    let mut second = 0;
    while outcome.is_ok() && second < 20 {
        second += 1;
        began = std::time::Instant::now();
        outcome = session.try_to(seconds(second));
    }
    let trouble = outcome.expect_err("the program breaks down");
    (trouble, began.elapsed(), session)
}

#[rstest]
#[case::hangs_at_hello("hangs.py hello", TroubleKind::ProgramLate, &["no answer within 1500 ms", "answer `hello`"])]
#[case::hangs_at_a_call(
    "hangs.py call",
    TroubleKind::ProgramLate,
    &["no answer within 500 ms", "the call at 3.100 s", "last on standard error: `waiting for something that never comes`"]
)]
#[case::hangs_within_a_line(
    "hangs.py half-a-line",
    TroubleKind::ProgramLate,
    &["no line end", r#"last on standard output: `{"answer":{"at":`"#]
)]
#[case::late("late.py 900", TroubleKind::ProgramLate, &["no answer within 500 ms", "the call at 3.100 s"])]
#[case::exits("dies.py exits", TroubleKind::ProgramEnded, &["ended by itself (exit code 3)", "the call at 3.100 s"])]
#[case::exits_at_once(
    "dies.py at-once",
    TroubleKind::ProgramEnded,
    &["ended by itself (exit code 7)", "`no configuration found`"]
)]
#[case::raises(
    "dies.py raises",
    TroubleKind::ProgramEnded,
    &["exit code 1", r"`RuntimeError: segment 7 of 6 \u{1b}[31m`"]
)]
#[case::is_killed("dies.py killed", TroubleKind::ProgramEnded, &["ended by itself (signal SIGSEGV)"])]
#[case::closes_its_output("dies.py closes", TroubleKind::ProgramEnded, &["closed its standard input or output"])]
#[case::one_long_line("floods.py line", TroubleKind::ProgramFlood, &["a line of more than 64 KiB", "…`"])]
#[case::an_endless_line("floods.py endless", TroubleKind::ProgramFlood, &["a line of more than 64 KiB", "xxxx…`"])]
#[case::many_answers("floods.py lines", TroubleKind::ProgramFlood, &["went on writing without being asked"])]
#[case::much_garbage("floods.py garbage", TroubleKind::ProgramFlood, &["went on writing without being asked", "`y`"])]
#[case::a_flood_of_log_lines(
    "floods.py log",
    TroubleKind::ProgramFlood,
    &["more than 256 KiB to standard error", "`adc: 511`"]
)]
#[case::a_flood_on_the_console("floods.py console", TroubleKind::ProgramFlood, &["more than 1000 console lines"])]
#[case::other_protocol("nonsense.py other-protocol", TroubleKind::ProgramNonsense, &["speaks protocol 2"])]
#[case::no_firmware("nonsense.py ready-without-firmware", TroubleKind::ProgramNonsense, &["missing field `firmware`"])]
#[case::more_than_ready("nonsense.py ready-with-more", TroubleKind::ProgramNonsense, &["unknown field `maker`"])]
#[case::empty_firmware("nonsense.py empty-firmware", TroubleKind::ProgramNonsense, &["`firmware` that is empty"])]
#[case::other_firmware(
    "nonsense.py other-firmware",
    TroubleKind::ProgramNonsense,
    &["firmware version `1`", "the program says `0.9`"]
)]
#[case::greeting("nonsense.py greeting", TroubleKind::ProgramNonsense, &["`controller v1 (c) nobody`", "standard error"])]
#[case::answer_to_hello("nonsense.py answer-to-hello", TroubleKind::ProgramNonsense, &["not with `ready`"])]
#[case::log_line(
    "nonsense.py log-line",
    TroubleKind::ProgramNonsense,
    &[r"`temperature 20.1 \u{1b}[0m`", "logs go to standard error", "the call at 3.100 s"]
)]
#[case::empty_line("nonsense.py empty-line", TroubleKind::ProgramNonsense, &["no answer: ``"])]
#[case::half_a_line("nonsense.py half", TroubleKind::ProgramNonsense, &["EOF while parsing"])]
#[case::no_utf8("nonsense.py no-utf8", TroubleKind::ProgramNonsense, &["no UTF-8", r"\xff\xfe"])]
#[case::a_number("nonsense.py number", TroubleKind::ProgramNonsense, &["no answer: `12`"])]
#[case::unknown_key("nonsense.py unknown-key", TroubleKind::ProgramNonsense, &["unknown field `wakeat`"])]
#[case::unknown_relay(
    "nonsense.py unknown-relay",
    TroubleKind::ProgramNonsense,
    &["`element.attic`", "it has safety, element.top, element.bottom"]
)]
#[case::missing_relay("nonsense.py missing-relay", TroubleKind::ProgramNonsense, &["left out the relay `safety`"])]
#[case::relay_twice("nonsense.py relay-twice", TroubleKind::ProgramNonsense, &["`safety` is named twice"])]
#[case::relay_as_number("nonsense.py relay-as-number", TroubleKind::ProgramNonsense, &["expected a boolean"])]
#[case::key_twice("nonsense.py at-twice", TroubleKind::ProgramNonsense, &["duplicate field `at`"])]
#[case::other_at("nonsense.py other-at", TroubleKind::ProgramNonsense, &["at 3099999 and was asked at 3100000"])]
#[case::no_at("nonsense.py no-at", TroubleKind::ProgramNonsense, &["missing field `at`"])]
#[case::wake_now("nonsense.py wake-in-the-past", TroubleKind::ProgramNonsense, &["woken at 3100000, which is not later"])]
#[case::wake_as_decimal("nonsense.py wake-as-decimal", TroubleKind::ProgramNonsense, &["floating point"])]
#[case::wake_too_large("nonsense.py wake-too-large", TroubleKind::ProgramNonsense, &["expected i64"])]
#[case::not_a_number("nonsense.py not-a-number", TroubleKind::ProgramNonsense, &["NaN"])]
#[case::long_store("nonsense.py store-too-long", TroubleKind::ProgramNonsense, &["store 4097 bytes; at most 4096"])]
#[case::line_end_in_a_line("nonsense.py two-console-lines-in-one", TroubleKind::ProgramNonsense, &[r"`a\nb`"])]
#[case::many_lines("nonsense.py too-many-console-lines", TroubleKind::ProgramNonsense, &["65 console lines"])]
#[case::long_line("nonsense.py long-console-line", TroubleKind::ProgramNonsense, &["console line of 1025 bytes"])]
#[case::ready_again("nonsense.py ready-again", TroubleKind::ProgramNonsense, &["not with `answer`"])]
#[case::second_line("nonsense.py second-line", TroubleKind::ProgramNonsense, &["more than the one line"])]
#[case::two_objects("nonsense.py two-objects", TroubleKind::ProgramNonsense, &["trailing characters"])]
#[case::deep_nesting("nonsense.py deep", TroubleKind::ProgramNonsense, &["no answer"])]
fn a_breakdown_is_named_and_quoted_in_time(#[case] words: &str, #[case] kind: TroubleKind, #[case] said: &[&str]) {
    need_python!();
    let (trouble, took, mut session) = trouble(words);
    assert_eq!(trouble.kind, kind, "{}", trouble.detail);
    for part in said {
        assert!(trouble.detail.contains(part), "{part:?} is missing in: {}", trouble.detail);
    }
    assert!(!trouble.detail.chars().any(char::is_control), "{:?}", trouble.detail);
    assert!(trouble.detail.chars().count() < 2000, "{}", trouble.detail);
    let limit = Duration::from_micros(DEADLINE.as_micros().unsigned_abs()) + SAID_WITHIN;
    assert!(took < limit, "said only after {took:?}");

    // Whatever is asked of it then, it stays broken and never completes anything more.
    let complete = session.seen.iter().rev().find_map(|observation| match observation {
        Observation::Complete { until } => Some(*until),
        _ => None,
    });
    // An unasked line may be found only when the next call's answer is read, one second later.
    assert!(complete.is_none_or(|until| until < millis(4100)), "{complete:?}");
    if complete.is_some() {
        assert_eq!(session.try_to(seconds(60)), Err(trouble));
    }
}

/// Process numbers from the file that `hangs.py` writes.
#[cfg(target_os = "linux")]
fn processes(words: &str, file: &str) -> (u32, u32, Session, Option<Trouble>) {
    let path = std::path::Path::new(env!("CARGO_TARGET_TMPDIR")).join(file);
    let mut session = Session::new(&bench_file(controller(&format!("{words} {}", path.display())), DEADLINE));
    let mut outcome = session.begin(&[]).map(|_| ());
    for second in 1..5 {
        outcome = outcome.and_then(|()| session.try_to(seconds(second)));
    }
    #[expect(clippy::disallowed_methods, reason = "the controller tells its process numbers in a file")]
    let text = std::fs::read_to_string(path).expect("the controller has written its process numbers");
    let mut numbers = text.split_whitespace().map(|word| word.parse().expect("a number"));
    let (leader, sleeper) = (numbers.next().expect("its own"), numbers.next().expect("its child's"));
    (leader, sleeper, session, outcome.err())
}

/// State letter of a process (proc(5)), `None` when it is gone.
#[cfg(target_os = "linux")]
#[expect(clippy::disallowed_methods, reason = "that is where Linux says it")]
fn state(process: u32) -> Option<char> {
    let stat = std::fs::read_to_string(format!("/proc/{process}/stat")).ok()?;
    stat.rsplit(") ").next()?.chars().next()
}

#[cfg(target_os = "linux")]
#[rstest]
#[case::after_a_breakdown("hangs.py call", "hangs-call", true)]
#[case::at_the_end_of_a_run("hangs.py deaf", "hangs-deaf", false)]
fn program_and_all_it_started_are_gone(#[case] words: &str, #[case] file: &str, #[case] breaks: bool) {
    need_python!();
    let (leader, sleeper, mut session, trouble) = processes(words, file);
    assert_eq!(trouble.is_some(), breaks, "{trouble:?}");
    if !breaks {
        assert!(state(leader).is_some() && state(sleeper).is_some(), "both are running until the end");
        session.bench.end();
    }
    assert_eq!(state(leader), None, "the program is neither running nor a zombie");
    // Its own child is init's to bury; it must not run any more. The signal
    // has been sent, the system takes its time to act on it.
    let mut looks = 0;
    while !matches!(state(sleeper), None | Some('Z' | 'X')) {
        looks += 1;
        assert!(looks < 1_000_000, "the program's own child still runs: {:?}", state(sleeper));
        std::thread::yield_now();
    }
}

#[cfg(target_os = "linux")]
#[test]
fn a_dropped_bench_leaves_no_process() {
    need_python!();
    let (leader, _, session, _) = processes("hangs.py deaf", "hangs-dropped");
    drop(session);
    assert_eq!(state(leader), None);
}

#[test]
fn after_a_breakdown_the_next_run_begins_afresh() {
    need_python!();
    let (trouble, _, mut session) = trouble("dies.py exits");
    assert_eq!(trouble.kind, TroubleKind::ProgramEnded);
    session.begin(&[]).expect("a new process");
    session.to(seconds(2));
    assert!(matches!(session.seen.last(), Some(Observation::Complete { until }) if *until == seconds(2)));
}

#[test]
fn a_program_that_does_not_come_back_with_its_supply_ends_the_run() {
    need_python!();
    let mut session = Session::new(&bench_file(controller("dies.py after-a-cut"), RigSpan::from_seconds(20)));
    session.begin(&[]).expect("the first start is good");
    session.command(millis(1500), CommandKind::Supply { on: false });
    session.command(millis(2500), CommandKind::Supply { on: true });
    let trouble = session.try_to(seconds(5)).expect_err("the second is not");
    assert_eq!(trouble.kind, TroubleKind::ProgramEnded);
    assert!(trouble.detail.contains("it was to answer `hello`"), "{}", trouble.detail);
    assert!(trouble.detail.contains("`memory is damaged: segment 2`"), "{}", trouble.detail);
    // What was seen before it, the cut included, is complete.
    assert_eq!(session.seen.last(), Some(&Observation::Complete { until: millis(2500) }));
}

#[rstest]
#[case::by_path("./no-such-controller", "no-such-controller`")]
#[case::by_name("no-such-controller-on-any-path", "`no-such-controller-on-any-path`")]
fn a_program_that_is_not_there_is_said_with_where_it_was_looked_for(#[case] name: &str, #[case] quoted: &str) {
    let mut session = Session::new(&bench_file(vec![name.to_owned()], DEADLINE));
    let trouble = session.begin(&[]).expect_err("nothing to start");
    assert_eq!(trouble.kind, TroubleKind::ProgramEnded);
    assert!(trouble.detail.contains("could not be started"), "{}", trouble.detail);
    assert!(trouble.detail.contains(quoted), "{}", trouble.detail);
    assert!(trouble.detail.contains("tests/controllers"), "{}", trouble.detail);
}

#[test]
fn a_bench_file_of_another_kind_is_refused() {
    let mut file = bench_file(vec!["x".to_owned()], DEADLINE);
    file.kind = BenchKind::Rig { port: None, silence: RigSpan::from_seconds(1), plays: Plays::Probes };
    assert!(matches!(ProgramBench::new(&file, &root()), Err(ProgramBenchError::OtherKind { .. })));
    file.kind = BenchKind::Program { command: Vec::new(), deadline: DEADLINE };
    assert!(matches!(ProgramBench::new(&file, &root()), Err(ProgramBenchError::NoCommand { .. })));
    let mut file = bench_file(vec!["x".to_owned()], DEADLINE);
    file.zones[1].probe_type = 'Q';
    let error = ProgramBench::new(&file, &root()).err().expect("no such type").to_string();
    assert_eq!(
        error,
        "bench `program under test`, zone `bottom`: no thermocouple type `Q`; there are B, E, J, K, N, R, S, T"
    );
}

#[test]
fn nothing_can_be_asked_before_a_run_begins() {
    let mut session = Session::new(&bench_file(vec!["x".to_owned()], DEADLINE));
    assert!(session.try_to(seconds(1)).is_err());
}

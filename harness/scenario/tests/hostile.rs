//! Files made to hurt: refused within bounds of time and memory.
//!
//! One test, so that nothing else runs in the process whose memory is looked at.
//! Bounds: 0.2 s and 50 MB for each, in the optimised build; the build for tests
//! gets three times as long.
#![expect(clippy::disallowed_methods, clippy::disallowed_types, reason = "measures time and memory of a refusal")]

use std::time::{Duration, Instant};

use dryfire_scenario::{
    Diagnostic, DiagnosticKind, MAX_FILE_BYTES, check_file, parse_bench, parse_kiln, parse_scenario,
};

const TIME: Duration = Duration::from_millis(if cfg!(debug_assertions) { 600 } else { 200 });
const MEMORY_KIB: u64 = 50 * 1024;

/// The most memory that the process ever had resident since the last reset, in KiB.
fn peak_kib() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM:"))?;
    line.split_whitespace().nth(1)?.parse().ok()
}

fn reset_peak() {
    // Only Linux knows this; elsewhere only time is looked at.
    let _ = std::fs::write("/proc/self/clear_refs", "5");
}

fn repeated(text: &str, times: usize) -> String {
    text.repeat(times)
}

/// A text that passes as a scenario up to a place for something hostile.
fn scenario_with(key_and_value: &str) -> String {
    format!("format: 1\nscenario: a trap\nhazards: [control]\n{key_and_value}\n")
}

#[test]
fn hostile_files_are_refused_in_time_and_in_little_memory() {
    let long = repeated("x", 400);
    let cases: Vec<(&str, String, DiagnosticKind)> = vec![
        ("100 MB of a valid file", repeated("# nothing\n", 10_000_000), DiagnosticKind::TooLarge),
        (
            "400 kB of aliases of one long text",
            format!("a: &a {}\nb: [{}]\n", repeated("x", 200_000), repeated("*a, ", 50_000)),
            DiagnosticKind::TooLarge,
        ),
        (
            "200 kB of aliases of one long text",
            format!("a: &a {}\nb: [{}]\n", repeated("x", 100_000), repeated("*a, ", 25_000)),
            DiagnosticKind::Anchor,
        ),
        ("nested flow maps, 10^5 of them", repeated("{a: ", 100_000), DiagnosticKind::TooLarge),
        ("nested flow maps, as many as fit", repeated("{a: ", 65_000), DiagnosticKind::TooDeep),
        ("10^5 opening braces", repeated("{", 100_000), DiagnosticKind::TooDeep),
        ("10^5 opening brackets", repeated("[", 100_000), DiagnosticKind::TooDeep),
        (
            "10^5 opening brackets behind a key",
            scenario_with(&format!("why: {}", repeated("[", 100_000))),
            DiagnosticKind::TooDeep,
        ),
        ("block lists in one another", repeated("- ", 100_000), DiagnosticKind::TooDeep),
        ("explicit keys in one another", repeated("? ", 100_000), DiagnosticKind::KeyNotText),
        ("anchors without end", repeated("- &a b\n", 30_000), DiagnosticKind::Anchor),
        ("tags without end", repeated("- !a b\n", 30_000), DiagnosticKind::Tag),
        (
            "20,000 different keys",
            scenario_with(&(0..20_000).map(|n| format!("k{n}: 1\n")).collect::<String>()),
            DiagnosticKind::UnknownKey,
        ),
        ("50,000 equal keys", repeated("k: 1\n", 50_000), DiagnosticKind::DuplicateKey),
        ("a key of 200 kB", format!("{}: 1\n", repeated("k", 200_000)), DiagnosticKind::Syntax),
        ("a name of 200 kB", scenario_with("").replace("a trap", &repeated("x", 200_000)), DiagnosticKind::BadName),
        ("60,000 documents", repeated("---\n", 60_000), DiagnosticKind::SeveralDocuments),
        ("250,000 lines of nothing", repeated("\n", 250_000), DiagnosticKind::EmptyFile),
        (
            "a text in quotes that never ends",
            scenario_with(&format!("why: \"{}", repeated("x", 200_000))),
            DiagnosticKind::Syntax,
        ),
        ("a condition of 10^5 brackets", condition(&repeated("(", 100_000)), DiagnosticKind::OutOfRange),
        ("a condition of 60,000 `not`", condition(&repeated("not ", 60_000)), DiagnosticKind::OutOfRange),
        (
            "a condition of 10^4 parts and a slip",
            condition(&format!("{}lid", repeated("lid open and ", 10_000))),
            DiagnosticKind::OutOfRange,
        ),
        ("a condition of 1,900 brackets", condition(&repeated("(", 1_900)), DiagnosticKind::BadSentence),
        ("a condition of 450 `not`", condition(&repeated("not ", 450)), DiagnosticKind::BadSentence),
        (
            "a quantity of 1,900 digits",
            condition(&format!("kiln > {} °C", repeated("9", 1_900))),
            DiagnosticKind::BadQuantity,
        ),
        (
            "names with bytes of all sorts",
            scenario_with(&format!("tags: [\"{long}\\0\\e[31m\"]")),
            DiagnosticKind::MissingKey,
        ),
    ];
    let mut other_kinds = Vec::new();
    for (what, text, kind) in cases {
        reset_peak();
        let before = peak_kib();
        let started = Instant::now();
        let mistakes = match check_file("trap.yaml", &text) {
            Ok(_) => panic!("{what} is accepted"),
            Err(mistakes) => mistakes,
        };
        let took = started.elapsed();
        assert!(took <= TIME, "{what} took {took:?}");
        if let (Some(before), Some(after)) = (before, peak_kib()) {
            let used = after.saturating_sub(before);
            assert!(used <= MEMORY_KIB, "{what} took {used} KiB");
        }
        if !mistakes.iter().any(|mistake| mistake.kind == kind) {
            other_kinds.push(format!("{what}: {}", mistakes[0]));
        }
        assert!(mistakes.len() <= 50, "{what}: {} mistakes", mistakes.len());
        let shown: String = mistakes.iter().map(ToString::to_string).collect();
        assert!(shown.len() < 100_000, "{what}: {} bytes of messages", shown.len());
        assert!(!shown.chars().any(|c| c.is_control() && c != '\n'), "{what} drives the terminal");
    }
    assert!(other_kinds.is_empty(), "{other_kinds:#?}");
}

fn condition(text: &str) -> String {
    format!("format: 1\nscenario: a trap\nexpect:\n  - {{ name: a, always: \"{text}\" }}\n")
}

fn kinds(mistakes: &[Diagnostic]) -> Vec<DiagnosticKind> {
    mistakes.iter().map(|mistake| mistake.kind).collect()
}

#[test]
fn a_length_alone_refuses_whatever_the_kind_of_file() {
    let text = repeated("# nothing\n", MAX_FILE_BYTES as usize / 10 + 1);
    let refusals = [
        parse_scenario("a.yaml", &text).map(drop),
        parse_bench("a.yaml", &text).map(drop),
        parse_kiln("a.yaml", &text).map(drop),
        check_file("a.yaml", &text).map(drop),
    ];
    for refusal in refusals {
        let mistakes = refusal.expect_err("too long");
        assert_eq!(kinds(&mistakes), [DiagnosticKind::TooLarge]);
        assert_eq!(mistakes[0], Diagnostic::too_large("a.yaml", text.len() as u64));
    }
}

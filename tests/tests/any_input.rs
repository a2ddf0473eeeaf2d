//! The files of the library, changed at random: each is taken or refused in words, and a
//! scenario that is still one can be run.
//!
//! The same functions are called by the fuzzers in `tests/fuzz`, which look for longer.
#![expect(clippy::print_stderr, reason = "a broken law is shown with the text that broke it")]

use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicBool;

use dryfire_bench::{RunOptions, VirtualBench, run_plan};
use dryfire_engine::{Plan, PlannedWait};
use dryfire_tests::{SEED, any_input, read, root, virtual_bench};

/// Steele, Lea, Flood: Fast splittable pseudorandom number generators (2014), the generator SplitMix64.
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut word = self.0;
        word = (word ^ (word >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        word = (word ^ (word >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        word ^ (word >> 31)
    }

    fn below(&mut self, end: usize) -> usize {
        (self.next() % end.max(1) as u64) as usize
    }

    fn pick<'a, T: ?Sized>(&mut self, of: &[&'a T]) -> &'a T {
        of[self.below(of.len())]
    }
}

/// What stands in a file where something else was expected.
const HOSTILE: &[&str] = &[
    "",
    "0",
    "-1",
    "1e999",
    "99999999999999999999",
    "NaN",
    ".inf",
    "~",
    "true",
    "{}",
    "[]",
    "{ a: b }",
    "[[[[",
    "&a",
    "*a",
    "<<: *a",
    "!!binary x",
    "'",
    "\"",
    "|",
    ">",
    "#",
    "\t",
    "\u{0}",
    "\u{7f}",
    "\u{202e}",
    "é",
    "°C",
    "0 °C",
    "-0 s",
    "1 ns",
    "kiln",
    "element on",
    "heat: cut",
    "always: kiln < kiln limit",
    "never: element on",
    "after: begin firing",
    "within: 0 s",
    "(((((((((((((((((((((((",
    "not not not not",
    "console says /(/",
    "console says /.*/",
    "format: 2",
    "1/0",
];

/// Changes a text in one to four places: a line lost, doubled or moved, a word replaced by another of the
/// file or by something hostile, a number changed, the rest cut off.
fn change(random: &mut Random, text: &str, words: &[&str]) -> String {
    let mut lines: Vec<String> = text.lines().map(str::to_owned).collect();
    for _ in 0..=random.below(3) {
        if lines.is_empty() {
            break;
        }
        let at = random.below(lines.len());
        match random.below(8) {
            0 => {
                lines.remove(at);
            }
            1 => lines.insert(at, lines[random.below(lines.len())].clone()),
            2 => {
                let line = lines.remove(at);
                lines.insert(random.below(lines.len() + 1), line);
            }
            3 => lines[at] = format!("{}{}", " ".repeat(random.below(5)), lines[at]),
            4 if random.below(4) == 0 => {
                let cut = lines[at]
                    .char_indices()
                    .map(|(at, _)| at)
                    .nth(random.below(lines[at].chars().count()))
                    .unwrap_or(0);
                lines[at].truncate(cut);
                lines.truncate(at + 1);
            }
            _ => {
                let line = &lines[at];
                let starts: Vec<usize> = line
                    .char_indices()
                    .filter(|(at, c)| *c != ' ' && (*at == 0 || line[..*at].ends_with(' ')))
                    .map(|(at, _)| at)
                    .collect();
                if let Some(&start) = starts.get(random.below(starts.len())) {
                    let end = line[start..].find(' ').map_or(line.len(), |length| start + length);
                    let word = match random.below(3) {
                        0 => random.pick(HOSTILE).to_owned(),
                        1 => random.pick(words).to_owned(),
                        _ => match line[start..end].parse::<i64>() {
                            Ok(number) => (number / 2).to_string(),
                            Err(_) => random.pick(words).to_owned(),
                        },
                    };
                    lines[at] = format!("{}{word}{}", &line[..start], &line[end..]);
                }
            }
        }
    }
    lines.join("\n") + "\n"
}

fn files(folder: &str) -> Vec<(String, String)> {
    fn collect(folder: &Path, paths: &mut Vec<PathBuf>) {
        for entry in std::fs::read_dir(folder).expect("the folder is there").flatten() {
            let path = entry.path();
            if path.is_dir() {
                collect(&path, paths);
            } else if path.extension().is_some_and(|extension| extension == "yaml") {
                paths.push(path);
            }
        }
    }
    let mut paths = Vec::new();
    collect(&root().join(folder), &mut paths);
    paths.sort();
    let texts = paths.iter().map(|path| {
        let name = path.strip_prefix(root()).expect("it is below the root").to_string_lossy().into_owned();
        let text = read(&name);
        (name, text)
    });
    texts.collect()
}

fn scenarios() -> Vec<(String, String)> {
    let aside = ["scenarios/benches/", "scenarios/kilns/"];
    files("scenarios").into_iter().filter(|(name, _)| !aside.iter().any(|folder| name.starts_with(folder))).collect()
}

/// Each of `count` changed texts, with what to say if a law is broken.
fn changed(files: &[(String, String)], count: usize, seed: u64, mut look: impl FnMut(&str)) {
    let all = files.iter().map(|(_, text)| text.as_str()).collect::<Vec<_>>().join("\n");
    let words: Vec<&str> = all.split_whitespace().collect();
    for case in 0..count {
        let mut random = Random(seed.wrapping_add(case as u64));
        let (name, text) = &files[case % files.len()];
        let text = change(&mut random, text, &words);
        let guard = Shown { name, seed: seed.wrapping_add(case as u64), text: &text };
        look(&text);
        std::mem::forget(guard);
    }
}

/// Says which text it was when a law is broken.
struct Shown<'a> {
    name: &'a str,
    seed: u64,
    text: &'a str,
}

impl Drop for Shown<'_> {
    fn drop(&mut self) {
        eprintln!("{} changed with seed {}:\n{}", self.name, self.seed, self.text);
    }
}

#[test]
fn a_changed_scenario_is_taken_or_refused_in_words() {
    let (bench, kiln) = virtual_bench(&[]);
    let mut taken = 0;
    changed(&scenarios(), 3000, SEED, |text| {
        taken += usize::from(any_input::scenario_text(text, &bench, &kiln).is_some())
    });
    assert!(taken > 300, "{taken} are still scenarios: the changes are not all too coarse");
}

#[test]
fn a_changed_bench_is_taken_or_refused_in_words() {
    let mut taken = 0;
    changed(&files("scenarios/benches"), 1000, SEED, |text| {
        taken += usize::from(any_input::bench_text(text).is_some())
    });
    assert!(taken > 50, "{taken}");
}

#[test]
fn a_changed_kiln_is_refused_in_words_or_can_be_fired() {
    let mut taken = 0;
    changed(&files("scenarios/kilns"), 1000, SEED, |text| taken += usize::from(any_input::kiln_text(text).is_some()));
    assert!(taken > 50, "{taken}");
}

#[test]
fn a_condition_says_the_same_after_it_is_printed() {
    let texts = scenarios();
    let mut conditions: Vec<(String, String)> = Vec::new();
    for (name, text) in &texts {
        for line in text.lines() {
            for key in ["when: ", "always: ", "never: ", "eventually: ", "while: "] {
                if let Some(at) = line.find(key) {
                    conditions.push((name.clone(), line[at + key.len()..].trim_end_matches([' ', '}']).to_owned()));
                }
            }
        }
    }
    assert!(conditions.len() > 30, "{}", conditions.len());
    changed(&conditions, 5000, SEED, any_input::condition_text);
}

/// The longest that a run of this plan may take, s of rig time; more than a day counts as a day.
fn longest_seconds(plan: &Plan) -> i64 {
    let day = 86_400;
    let steps = plan.steps.iter().map(|step| match &step.wait {
        PlannedWait::BeginFiring => 0,
        PlannedWait::When { patience, .. } => patience.as_micros() / 1_000_000,
        PlannedWait::Wait(length) | PlannedWait::At { offset: length, .. } => length.as_micros() / 1_000_000,
    });
    let end = plan.end.offset.as_micros() / 1_000_000;
    steps.chain([end]).map(|length| length.min(day)).sum::<i64>().min(day)
}

#[test]
fn a_changed_scenario_that_is_still_one_runs_and_the_two_judges_agree() {
    let (bench, kiln) = virtual_bench(&[]);
    let stop = AtomicBool::new(false);
    let (mut run, mut passed) = (0, 0);
    changed(&scenarios(), 1500, SEED + 1_000_000, |text| {
        let Some(plan) = any_input::scenario_text(text, &bench, &kiln) else { return };
        if longest_seconds(&plan) > 5 * 3600 {
            return;
        }
        run += 1;
        let mut runner = VirtualBench::new(bench.clone());
        let options = RunOptions { run: 1, seed: SEED, sample_events: false, second_judge: true };
        let result = run_plan(*plan, &mut runner, options, &stop, &mut |_| {}, &mut |_| {});
        let result = result.unwrap_or_else(|error| panic!("{error}"));
        assert!(result.trouble.is_none(), "{:?}", result.trouble);
        assert!(!result.remarks.iter().any(|remark| remark.contains("judge")), "{:?}", result.remarks);
        passed += usize::from(result.verdict == Some(dryfire_judge::Verdict::Pass));
    });
    assert!(run > 100 && passed > 10, "{run} were run, {passed} passed");
}

#[test]
fn any_bytes_are_no_danger_to_what_is_stored_or_sent() {
    let seal = "dryfire seal 1\nbytes 4096\nsha256 00\npage-size 4096\npage 1 00 header\nseal 00\n";
    let answer =
        r#"{"answer": {"at": 0, "relays": {"safety": true, "element.top": false}, "wake_at": 5, "console": ["a"]}}"#;
    for case in 0..20_000u64 {
        let mut random = Random(SEED + case);
        let bytes: Vec<u8> = (0..random.below(200)).map(|_| (random.next() >> random.below(7)) as u8).collect();
        any_input::sample_block(&bytes);
        any_input::link_bytes(&bytes);
        any_input::program_line(&bytes);
        any_input::calibration_page(&bytes);
        for text in [seal, answer] {
            let mut text = text.as_bytes().to_vec();
            for _ in 0..=random.below(3) {
                let at = random.below(text.len());
                text[at] = random.next() as u8;
            }
            any_input::program_line(&text);
            if let Ok(text) = std::str::from_utf8(&text) {
                any_input::seal_text(text);
            }
        }
    }
}

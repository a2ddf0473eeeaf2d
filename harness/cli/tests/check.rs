//! `dryfire check` on files that are broken in every way a folder can offer.

#![expect(clippy::disallowed_methods, clippy::disallowed_types, reason = "tests write and read files")]

mod command;

use std::fs;
use std::path::Path;

use command::files::{RELAY_WELDS, probe_opens};
use command::{Ran, dryfire};
use rstest::rstest;
use tempfile::TempDir;

fn check(folder: &TempDir) -> Ran {
    dryfire(&["check", folder.path().to_str().expect("UTF-8")])
}

fn folder(files: &[(&str, &str)]) -> TempDir {
    let folder = TempDir::new().expect("a folder");
    for (name, text) in files {
        let path = folder.path().join(name);
        fs::create_dir_all(path.parent().expect("a parent")).expect("a folder");
        fs::write(path, text).expect("a file");
    }
    folder
}

#[test]
fn the_library_is_in_order() {
    let ran = dryfire(&["check", "scenarios"]);
    assert_eq!(ran.status, Some(0), "{ran:?}");
    assert!(ran.out.contains(" 0 errors, 0 warnings;"), "{ran:?}");
    assert_eq!(ran.err, "");
}

#[rstest]
#[case::not_yaml("a: [1,\n", "error[syntax]")]
#[case::empty("", "error[empty-file]")]
#[case::something_else("format: 1\nrecipe: bread\n", "error[unknown-file]")]
#[case::anchor("format: 1\nscenario: &a x\n", "error[anchor]")]
#[case::control_characters("format: 1\nscenario: \"\\u001b[2J\"\nhazrads: []\n", "error[")]
fn mistakes_are_shown_with_their_place(#[case] text: &str, #[case] says: &str) {
    let ran = check(&folder(&[("one.yaml", text)]));
    assert_eq!(ran.status, Some(4), "{ran:?}");
    assert!(ran.out.contains(says), "{ran:?}");
    assert!(ran.out.contains("one.yaml:"), "{ran:?}");
    assert!(!ran.out.contains('\u{1b}'), "{ran:?}");
}

#[test]
fn every_file_is_looked_at_however_many_are_broken() {
    let ran = check(&folder(&[("a.yaml", "a: ["), ("b/b.yaml", "b: ["), ("kilns/c.yml", "c: ["), ("d.txt", "d: [")]));
    assert_eq!(ran.status, Some(4));
    for name in ["a.yaml", "b/b.yaml", "kilns/c.yml"] {
        assert!(ran.out.contains(name), "{name}: {ran:?}");
    }
    assert!(!ran.out.contains("d.txt"));
    assert!(ran.out.ends_with("3 files: 3 errors, 0 warnings; read as 0 scenarios, 0 benches, 0 kilns\n"), "{ran:?}");
}

#[test]
fn a_file_of_absurd_length_is_refused_unread() {
    let folder = folder(&[]);
    // Sparse: it has the length and no content, and reading it would find the zeros.
    let file = fs::File::create(folder.path().join("long.yaml")).expect("a file");
    file.set_len(20 << 30).expect("a length");
    let begun = std::time::Instant::now();
    let ran = check(&folder);
    assert_eq!(ran.status, Some(4), "{ran:?}");
    assert!(ran.out.contains("error[too-large]"), "{ran:?}");
    assert!(begun.elapsed().as_secs() < 20, "20 GiB cannot have been read");
}

#[test]
fn what_is_no_text_is_refused() {
    let folder = folder(&[("fine.yaml", "a: [")]);
    fs::write(folder.path().join("bytes.yaml"), b"line\n\xff\xfe").expect("a file");
    let ran = check(&folder);
    assert_eq!(ran.status, Some(4));
    assert!(ran.out.contains("is not UTF-8 text: the first wrong byte is in line 2"), "{ran:?}");
}

#[cfg(unix)]
#[test]
fn a_pipe_under_a_yaml_name_does_not_hang() {
    let folder = folder(&[]);
    let pipe = folder.path().join("pipe.yaml");
    nix::unistd::mkfifo(&pipe, nix::sys::stat::Mode::S_IRWXU).expect("a pipe");
    let ran = check(&folder);
    assert_eq!(ran.status, Some(4));
    assert!(ran.out.contains("is not a regular file"), "{ran:?}");
}

#[cfg(unix)]
#[test]
fn links_in_a_circle_end() {
    let folder = folder(&[("a/one.yaml", "a: [")]);
    std::os::unix::fs::symlink(folder.path(), folder.path().join("a/again")).expect("a link");
    let ran = check(&folder);
    assert!(ran.out.contains("1 file: 1 error"), "{ran:?}");
}

#[cfg(unix)]
#[test]
fn a_link_to_a_folder_elsewhere_is_not_left_out_in_silence() {
    let elsewhere = folder(&[("two.yaml", "a: [")]);
    let folder = folder(&[("one.yaml", &probe_opens("one", "410 °C", "10 s"))]);
    std::os::unix::fs::symlink(elsewhere.path(), folder.path().join("more")).expect("a link");
    let ran = check(&folder);
    assert_eq!(ran.status, Some(4), "{ran:?}");
    assert!(ran.err.contains("symbolic link to a folder"), "{ran:?}");
}

#[test]
fn a_file_is_found_however_its_ending_is_written() {
    let ran = check(&folder(&[("one.YAML", "a: ["), ("two.Yml", "b: [")]));
    assert!(ran.out.contains("2 files: 2 errors"), "{ran:?}");
}

#[test]
fn the_same_file_named_twice_is_looked_at_once() {
    let folder = folder(&[("one.yaml", "a: [")]);
    let inside = folder.path().join("one.yaml");
    let ran = dryfire(&["check", folder.path().to_str().expect("UTF-8"), inside.to_str().expect("UTF-8")]);
    assert!(ran.out.contains("1 file: 1 error"), "{ran:?}");
}

#[test]
fn a_folder_without_files_is_a_mistake() {
    let ran = check(&folder(&[("readme.txt", "nothing")]));
    assert_eq!(ran.status, Some(4));
    assert!(ran.err.contains("no *.yaml file in the folder"), "{ran:?}");
}

fn copy_of(name: &str) -> String {
    fs::read_to_string(command::project().join("scenarios").join(name)).expect("a file of the library")
}

fn a_scenario() -> String {
    probe_opens("the probe opens", "401 °C", "10 s")
}

#[test]
fn two_scenarios_of_the_same_name_are_a_mistake() {
    let text = a_scenario();
    let folder = folder(&[("a.yaml", &text), ("b.yaml", &text)]);
    let ran = check(&folder);
    assert_eq!(ran.status, Some(4), "{ran:?}");
    assert!(ran.out.contains("two scenarios are called `"), "{ran:?}");
    let run = dryfire(&["run", folder.path().to_str().expect("UTF-8")]);
    assert_eq!(run.status, Some(4), "{run:?}");
    assert!(run.err.contains("two scenarios are called `"), "{run:?}");
    assert_eq!(run.out, "");
}

#[test]
fn unknown_defects_in_a_bench_file_are_found() {
    let bench = copy_of("benches/virtual.yaml");
    let broken = bench.replace("virtual: { tick: 100 ms }", "virtual: { tick: 100 ms, defects: [lid-ignord] }");
    assert_ne!(bench, broken);
    let ran = check(&folder(&[("benches/virtual.yaml", &broken)]));
    assert_eq!(ran.status, Some(4), "{ran:?}");
    assert!(ran.out.contains("the stand-in has no defect `lid-ignord` (in `"), "{ran:?}");
    assert!(ran.out.contains("did you mean `lid-ignored`?"), "{ran:?}");
}

/// The zone that a scenario names has to exist on the bench that it is to run on.
#[test]
fn a_scenario_that_does_not_fit_the_bench_is_found_before_it_runs() {
    let whole = a_scenario();
    let text = whole.replace("when: kiln > 401", "when: kiln.attic > 401");
    assert_ne!(text, whole);
    let folder = folder(&[("one.yaml", &text)]);
    let path = folder.path().to_str().expect("UTF-8");
    let alone = dryfire(&["check", path]);
    assert_eq!(alone.status, Some(0), "{alone:?}");
    let with_bench = dryfire(&["check", path, "--bench", "scenarios/benches/virtual.yaml"]);
    assert_eq!(with_bench.status, Some(4), "{with_bench:?}");
    assert!(with_bench.out.contains("does not fit the bench"), "{with_bench:?}");
    assert!(with_bench.out.contains("one.yaml:"), "{with_bench:?}");
    let run = dryfire(&["run", path, "--bench", "scenarios/benches/virtual.yaml"]);
    assert_eq!((run.status, run.out.as_str()), (Some(4), ""), "{run:?}");
    assert!(run.err.contains("does not fit the bench"), "{run:?}");
}

#[test]
fn a_scenario_that_a_bench_cannot_run_is_named_with_the_reason() {
    let folder = folder(&[("one.yaml", RELAY_WELDS)]);
    let path = folder.path().to_str().expect("UTF-8");
    let ran = dryfire(&["check", path, "--bench", "scenarios/benches/without-contactor.yaml"]);
    assert_eq!(ran.status, Some(0), "{ran:?}");
    assert!(ran.out.contains("`the top relay welds` is uncovered on the bench `"), "{ran:?}");
}

#[test]
fn a_bench_whose_kiln_is_missing_is_named_before_anything_runs() {
    let bench = copy_of("benches/virtual.yaml");
    let text = a_scenario();
    let folder = folder(&[("benches/virtual.yaml", &bench), ("one.yaml", &text)]);
    let ran = dryfire(&["run", folder.path().to_str().expect("UTF-8")]);
    assert_eq!(ran.status, Some(4), "{ran:?}");
    assert!(ran.err.contains("names the kiln"), "{ran:?}");
    assert!(ran.err.contains("relative to the bench file"), "{ran:?}");
}

#[test]
fn a_bench_given_as_a_scenario_is_explained() {
    let bench = Path::new("scenarios/benches/virtual.yaml");
    let ran = dryfire(&["run", bench.to_str().expect("UTF-8")]);
    assert_eq!(ran.status, Some(4), "{ran:?}");
    assert!(ran.err.contains("bench"), "{ran:?}");
    assert_eq!(ran.out, "");
}

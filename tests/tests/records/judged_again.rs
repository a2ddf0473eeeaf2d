//! Judged again and told again from the record.

use std::fs;

use dryfire_tests::dryfire;
use tempfile::TempDir;

use crate::text;

#[test]
fn the_whole_library_judged_again_changes_nothing_and_is_told_as_it_was_live() {
    let folder = TempDir::new().expect("a folder");
    let cases: [(&str, &str, &[&str]); 4] = [
        ("as-it-is", "scenarios", &[]),
        ("with-a-mistake", "scenarios", &["--defect", "probe-fault-ignored-while-ramping"]),
        (
            "without-contactor",
            "scenarios/heat",
            &["--bench", "scenarios/benches/without-contactor.yaml", "--repeat", "2"],
        ),
        ("with-limiter", "scenarios/limiter", &["--bench", "scenarios/benches/with-limiter.yaml"]),
    ];
    for (name, paths, more) in cases {
        let record = folder.path().join(format!("{name}.sqlite"));
        let live = dryfire()
            .args(["run", paths, "--format", "json", "--record", text(&record)])
            .args(more)
            .output()
            .expect("dryfire starts");
        assert!(matches!(live.status.code(), Some(0..=2)), "{}", String::from_utf8_lossy(&live.stderr));
        let again = dryfire().args(["rejudge", text(&record)]).output().expect("dryfire starts");
        let said = String::from_utf8_lossy(&again.stdout).into_owned();
        assert_eq!(again.status.code(), Some(0), "{said}");
        let (same, all) =
            said.trim().split_once(" runs").and_then(|(counts, _)| counts.split_once(" of ")).expect("counts");
        assert!(same == all && all.parse::<usize>().is_ok_and(|all| all >= 12), "{said}");
        let later = dryfire().args(["export", text(&record), "--as", "json"]).output().expect("dryfire starts");
        assert!(later.stdout == live.stdout, "{name}: the lines from the record are the live ones, byte for byte");
        let report = |out: &str| {
            let out = folder.path().join(out);
            let made = dryfire().args(["report", text(&record), "--out", text(&out)]).output().expect("dryfire starts");
            assert_eq!(made.status.code(), Some(0));
            fs::read(out).expect("a report")
        };
        assert!(report("one.html") == report("another.html"), "{name}");
    }
}

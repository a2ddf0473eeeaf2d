//! Folders that cannot be written, and disks that are full.

use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};

use dryfire_record::{Record, seal};
use dryfire_tests::dryfire;
use tempfile::TempDir;

use crate::text;

#[test]
fn a_folder_that_cannot_be_written_is_said_and_nothing_runs() {
    let folder = TempDir::new().expect("a folder");
    let record = folder.path().join("no-such-folder/it.sqlite");
    let output = dryfire()
        .args(["run", "scenarios/people/stop-pressed.yaml", "--record", text(&record)])
        .output()
        .expect("dryfire starts");
    assert_eq!(output.status.code(), Some(4));
    assert!(output.stdout.is_empty());
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(said.contains("cannot be used") && said.contains("--no-record"), "{said}");
}

#[test]
fn a_full_disk_ends_the_session_with_an_error_and_no_evidence() {
    // /dev/full takes no byte; a file system of a few pages would need privileges. A limit on the size of
    // files is what a full disk is to the program: writing fails, at whatever instant.
    // 4 MB: enough for the texts of all scenarios, which are written before the first run, and a seventh of the record.
    let folder = TempDir::new().expect("a folder");
    let record = folder.path().join("it.sqlite");
    let script = format!(
        "trap '' XFSZ; ulimit -f 8000; exec '{}' run scenarios --record '{}'",
        text(Path::new(dryfire().get_program())),
        text(&record)
    );
    let output =
        Command::new("sh").args(["-c", &script]).current_dir(dryfire_tests::root()).output().expect("a shell starts");
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(3), "{said}");
    assert!(said.contains("the session could not be recorded"), "{said}");
    let kept = Record::open(&record).expect("what was written until then");
    assert!(!kept.session().finished);
    assert!(!seal::path_of(&record).exists());
}

/// Runs a script with a small file system of its own at `$1`, which is gone with it; `None` where that is not allowed.
fn on_a_small_disk(options: &str, script: &str, folder: &Path) -> Option<std::process::Output> {
    let place = folder.join("disk");
    fs::create_dir_all(&place).expect("a folder");
    let all = format!("mount -t tmpfs -o {options} none \"$1\" || exit 99\n{script}");
    for unshare in [&["--mount"][..], &["--mount", "--user", "--map-root-user"]] {
        let output = Command::new("unshare")
            .args(unshare)
            .args(["sh", "-c", &all, "sh"])
            .args([&place, folder])
            .env("DRYFIRE", dryfire().get_program())
            .current_dir(dryfire_tests::root())
            .output();
        match output {
            Ok(output) if output.status.code() == Some(99) => {}
            // `unshare` itself ends with 1 and a word on standard error where it may not.
            Ok(output) if String::from_utf8_lossy(&output.stderr).contains("unshare failed") => {}
            Ok(output) => return Some(output),
            Err(_) => break,
        }
    }
    assert!(std::env::var_os("CI").is_none(), "no file system can be mounted here");
    eprintln!("skipped: no small file system can be mounted here, so a full disk was not tried");
    None
}

#[test]
fn a_small_disk_that_runs_full_gives_an_error_and_no_verdict_changes() {
    let folder = TempDir::new().expect("a folder");
    let whole = folder.path().join("whole.sqlite");
    let run = "run scenarios/people --jobs 1 --record";
    let status = dryfire().args(run.split(' ')).arg(&whole).stdout(Stdio::null()).status().expect("dryfire starts");
    assert_eq!(status.code(), Some(0));
    let bytes = fs::metadata(&whole).expect("a record").len();
    let whole = Record::open(&whole).expect("a record");
    // From what does not hold the beginning to what holds everything but not the sealed copy beside it.
    for kilobytes in [8, 100, bytes / 2_000, bytes * 5 / 4_000, bytes * 7 / 4_000] {
        let script = format!(
            "\"$DRYFIRE\" {run} \"$1/it.sqlite\"; status=$?\n\
             rm -f \"$2\"/it.sqlite*; cp \"$1\"/it.sqlite* \"$2\" 2>/dev/null; exit $status"
        );
        let Some(output) = on_a_small_disk(&format!("size={kilobytes}k"), &script, folder.path()) else { return };
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(said.contains("full"), "{kilobytes} kB: {said}");
        let record = folder.path().join("it.sqlite");
        assert!(!seal::path_of(&record).exists(), "{kilobytes} kB");
        match output.status.code() {
            // Nothing had run.
            Some(4) => assert!(output.stdout.is_empty() && !record.exists(), "{kilobytes} kB: {said}"),
            Some(3) => {
                let kept = Record::open(&record).expect("what was written until then");
                assert!(!kept.session().finished, "{kilobytes} kB");
                for (run, as_it_is) in kept.runs().iter().zip(whole.runs()) {
                    assert!(run.standing().is_none() || run.result == as_it_is.result, "{kilobytes} kB: {run:#?}");
                }
            }
            other => panic!("{kilobytes} kB: {other:?}: {said}"),
        }
    }
}

#[test]
fn a_folder_that_is_only_for_reading_is_said_and_nothing_is_left_there() {
    let folder = TempDir::new().expect("a folder");
    let script = "\"$DRYFIRE\" run scenarios/people/stop-pressed.yaml --record \"$1/it.sqlite\" || exit 1\n\
                  mount -o remount,ro \"$1\" || exit 99\n\
                  \"$DRYFIRE\" run scenarios/people/stop-pressed.yaml --record \"$1/another.sqlite\"; echo \"run $?\"\n\
                  \"$DRYFIRE\" verify \"$1/it.sqlite\"; echo \"verify $?\"\n\
                  \"$DRYFIRE\" rejudge \"$1/it.sqlite\"; echo \"rejudge $?\"\n\
                  \"$DRYFIRE\" report \"$1/it.sqlite\"; echo \"report $?\"\n\
                  \"$DRYFIRE\" export \"$1/it.sqlite\" --as junit --out \"$1/it.xml\"; echo \"export $?\"\n\
                  ls \"$1\"";
    let Some(output) = on_a_small_disk("size=20m", script, folder.path()) else { return };
    let out = String::from_utf8_lossy(&output.stdout).into_owned();
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    // Of the record that is there everything can still be told.
    for line in ["run 4", "verify 0", "rejudge 0", "report 3", "export 3"] {
        assert!(out.lines().any(|it| it == line), "{line}: {out}{said}");
    }
    assert!(out.ends_with("it.sqlite\nit.sqlite.seal\n"), "{out}");
    assert!(said.matches("Read-only").count() >= 3, "{said}");
}

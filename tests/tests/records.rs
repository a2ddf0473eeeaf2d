//! Records of whole sessions: killed at any instant, changed by a byte, signed, read by other programs.
#![expect(
    clippy::disallowed_methods,
    clippy::disallowed_types,
    clippy::print_stderr,
    reason = "tests of the whole system read files, start programs, and say what was skipped"
)]

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

use dryfire_record::{Record, RunState, Seal, SealCheck, seal};
use dryfire_tests::dryfire;
use tempfile::TempDir;

/// Numbers from a seed (SplitMix64; Steele, Lea and Flood 2014, constants from memory).
struct Numbers(u64);

impl Numbers {
    fn next(&mut self, below: u64) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        (mixed ^ (mixed >> 31)) % below
    }
}

fn text(path: &Path) -> &str {
    path.to_str().expect("UTF-8")
}

/// A record of one short scenario.
fn small() -> (TempDir, PathBuf) {
    let folder = TempDir::new().expect("a folder");
    let path = folder.path().join("small.sqlite");
    let output = dryfire()
        .args(["run", "scenarios/people/stop-pressed.yaml", "--record", text(&path)])
        .output()
        .expect("dryfire starts");
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    (folder, path)
}

/// So many kills at instants between nothing and the whole length of the session.
const KILLS: u64 = 100;

#[test]
fn killed_at_any_instant_a_record_opens_says_unfinished_and_is_gone_on_with() {
    let mut numbers = Numbers(20_261_125);
    let folder = TempDir::new().expect("a folder");
    let scenarios = ["scenarios/people", "scenarios/probe/open-while-ramping.yaml"];
    let whole = std::time::Instant::now();
    let output = dryfire().args(["run", "--no-record"]).args(scenarios).output().expect("dryfire starts");
    assert_eq!(output.status.code(), Some(0));
    let length = u64::try_from(whole.elapsed().as_micros()).expect("not for ever");
    let (mut empty, mut begun, mut finished, mut resumed) = (0, 0, 0, 0);
    for kill in 0..KILLS {
        let path = folder.path().join(format!("{kill}.sqlite"));
        let mut child = dryfire()
            .args(["run", "--jobs", "2", "--record", text(&path)])
            .args(scenarios)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("dryfire starts");
        // SIGKILL: nothing of the program runs any more.
        std::thread::park_timeout(Duration::from_micros(numbers.next(length)));
        child.kill().expect("killed");
        child.wait().expect("gone");
        if !path.exists() {
            empty += 1;
            continue;
        }
        let verify = dryfire().args(["verify", text(&path)]).output().expect("dryfire starts");
        let record = match Record::open(&path) {
            Ok(record) => record,
            Err(error) => {
                // Killed before the record was begun: nothing had run, and nothing takes it for a record.
                let begun_said = error.to_string();
                assert!(begun_said.contains("killed before"), "{begun_said}");
                assert_eq!(verify.status.code(), Some(4), "{error}");
                empty += 1;
                continue;
            }
        };
        if record.session().finished {
            assert_eq!(verify.status.code(), Some(0), "a finished record is sealed");
            finished += 1;
            continue;
        }
        begun += 1;
        assert_eq!(verify.status.code(), Some(2));
        assert!(String::from_utf8_lossy(&verify.stdout).starts_with("Unfinished: "));
        let junit = dryfire().args(["export", text(&path), "--as", "junit"]).output().expect("dryfire starts");
        assert!(String::from_utf8_lossy(&junit.stdout).contains("<error type=\"unfinished\""), "never read as a pass");
        // The file alone, without its side file.
        let alone = folder.path().join("alone.sqlite");
        fs::copy(&path, &alone).expect("copied");
        match Record::open(&alone) {
            Ok(alone) => assert!(!alone.session().finished, "the file alone says unfinished"),
            Err(error) => assert!(error.to_string().contains("record"), "{error}"),
        }
        // Every tenth is gone on with; all would take minutes.
        if begun % 10 == 1 {
            let kept: Vec<usize> =
                record.runs().iter().filter(|run| run.standing().is_some()).map(|run| run.number).collect();
            let output = dryfire().args(["run", "--resume", text(&path)]).output().expect("dryfire starts");
            assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
            let record = Record::open(&path).expect("a record");
            assert!(record.session().finished);
            assert!(record.runs().iter().all(|run| run.state == RunState::Finished));
            let said = String::from_utf8_lossy(&output.stderr).into_owned();
            assert!(said.contains(&format!("{} runs kept", kept.len())), "{said}");
            assert_eq!(dryfire().args(["verify", text(&path)]).output().expect("starts").status.code(), Some(0));
            assert_eq!(dryfire().args(["rejudge", text(&path)]).output().expect("starts").status.code(), Some(0));
            resumed += 1;
        }
    }
    assert!(begun >= KILLS / 4, "killed before {empty}, in the middle {begun}, after {finished}");
    assert!(resumed > 0);
}

#[test]
fn every_changed_byte_of_a_record_and_of_its_seal_is_found() {
    let (_folder, path) = small();
    let mut bytes = fs::read(&path).expect("a record");
    let sealed = fs::read_to_string(seal::path_of(&path)).expect("a seal");
    let seal = Seal::parse(&sealed).expect("a seal that holds");
    assert_eq!(seal.check(&bytes), SealCheck::Holds);
    let mut numbers = Numbers(7);
    // The header byte by byte, then anywhere.
    let places = (0..100).chain((0..600).map(|_| numbers.next(bytes.len() as u64) as usize)).collect::<Vec<_>>();
    for place in places {
        let bit = 1 << numbers.next(8);
        bytes[place] ^= bit;
        let SealCheck::Changed { parts } = seal.check(&bytes) else { panic!("byte {place} was not missed") };
        let place_64 = place as u64;
        assert!(parts.len() == 1 && (parts[0].from..parts[0].until).contains(&place_64), "{place}: {parts:?}");
        bytes[place] ^= bit;
    }
    let mut longer = bytes.clone();
    longer.push(0);
    assert!(matches!(seal.check(&longer), SealCheck::Changed { parts } if parts[0].what.contains("added")));
    for cut in [1, 4_095, 4_096, bytes.len() - 1, bytes.len()] {
        let shorter = &bytes[..bytes.len() - cut];
        assert!(
            matches!(seal.check(shorter), SealCheck::Changed { parts } if parts.iter().any(|part| part.what.contains("cut off"))),
            "{cut}"
        );
    }
    // Every byte of the seal.
    let mut raw = sealed.into_bytes();
    for place in 0..raw.len() {
        raw[place] ^= 1 << numbers.next(7);
        let read = std::str::from_utf8(&raw).map_err(|error| error.to_string()).and_then(Seal::parse);
        let broken = match read {
            Err(_) => true,
            // Nothing that is read of it may be what it was and yet have changed.
            Ok(read) => read != seal,
        };
        assert!(broken, "byte {place} of the seal");
        raw = fs::read(seal::path_of(&path)).expect("a seal");
    }
}

#[test]
fn every_byte_of_a_small_record_is_found() {
    let (_folder, path) = small();
    let seal = Seal::parse(&fs::read_to_string(seal::path_of(&path)).expect("a seal")).expect("a seal");
    let mut bytes = fs::read(&path).expect("a record");
    // A change within one page shows in that page's hash alone, so each page is hashed and not the whole.
    let page = seal.page_size as usize;
    let whole = bytes.len();
    let mut numbers = Numbers(11);
    for place in 0..whole {
        let bit = 1 << numbers.next(8);
        bytes[place] ^= bit;
        assert!(seal.page_is_changed(place / page, &bytes), "byte {place}");
        bytes[place] ^= bit;
    }
}

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
    let folder = TempDir::new().expect("a folder");
    let record = folder.path().join("it.sqlite");
    let script = format!(
        "trap '' XFSZ; ulimit -f 2000; exec '{}' run scenarios --record '{}'",
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

#[test]
fn a_signature_over_the_seal_shows_who_vouches_for_a_record() {
    if Command::new("ssh-keygen").arg("-?").stdout(Stdio::null()).stderr(Stdio::null()).status().is_err() {
        eprintln!("skipped: ssh-keygen is not installed, so signing was not tried");
        return;
    }
    let (folder, path) = small();
    let call = |command: &str| {
        Command::new("sh").args(["-c", command]).current_dir(folder.path()).output().expect("a shell starts")
    };
    // The steps of docs/record.md, with an empty passphrase.
    let page = dryfire_tests::read("docs/record.md");
    let steps = [
        ("ssh-keygen -t ed25519 -f kiln-key -C studio", " -N '' -q"),
        ("echo \"studio $(cut -d' ' -f1,2 kiln-key.pub)\" > signers", ""),
        ("ssh-keygen -Y sign -f kiln-key -n dryfire-record RECORD.seal", ""),
        ("ssh-keygen -Y verify -f signers -I studio -n dryfire-record -s RECORD.seal.sig < RECORD.seal", ""),
    ];
    for (step, more) in steps {
        assert!(page.contains(step), "docs/record.md says: {step}");
        let output = call(&format!("{}{more}", step.replace("RECORD", "small.sqlite")));
        assert!(output.status.success(), "{step}: {}", String::from_utf8_lossy(&output.stderr));
    }
    let verify = dryfire().args(["verify", text(&path)]).output().expect("dryfire starts");
    assert!(String::from_utf8_lossy(&verify.stdout).contains("A signature lies beside it"));
    // A seal that was made anew for a record that was changed on purpose.
    let seal_path = seal::path_of(&path);
    let forged = fs::read_to_string(&seal_path).expect("a seal").replacen("bytes ", "bytes 1", 1);
    fs::write(&seal_path, forged).expect("written");
    let output = call(&steps[3].0.replace("RECORD", "small.sqlite"));
    assert!(!output.status.success(), "the signature is of another seal");
}

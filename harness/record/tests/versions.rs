//! A record of every version of the tables stays readable; one each lies in `fixtures`.
#![expect(clippy::disallowed_methods, reason = "tests read files")]

use std::fs;
use std::path::{Path, PathBuf};

use dryfire_judge::Verdict;
use dryfire_record::{Record, Seal, SealCheck, VERSION, rejudge, seal};
use rstest::rstest;

fn fixture(version: i64) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("tests/fixtures/version-{version}.sqlite"))
}

/// `dryfire run scenarios/people/stop-pressed.yaml --record version-N.sqlite`, by the first program that wrote it.
#[rstest]
#[case(1)]
fn a_record_of_this_version_is_read(#[case] version: i64) {
    let path = fixture(version);
    let bytes = fs::read(&path).expect("a record");
    let sealed = Seal::parse(&fs::read_to_string(seal::path_of(&path)).expect("a seal")).expect("a seal");
    assert_eq!(sealed.check(&bytes), SealCheck::Holds);
    let record = Record::open(&path).expect("a record");
    assert_eq!(record.version(), version);
    assert!(record.session().finished);
    let [run] = record.runs() else { panic!("one run") };
    let result = run.standing().expect("a result");
    assert_eq!(result.verdict, Some(Verdict::Pass));
    let cut = &result.findings[0];
    assert_eq!((cut.name.as_str(), cut.finding.verdict), ("heat is cut", Verdict::Pass));
    let mut events = 0;
    record.replay(run, &mut |_| events += 1).expect("readable");
    assert!(events > 4_000, "{events} events");
    let again = rejudge(&record, &[]).expect("readable");
    let verdict = again[0].again.as_ref().expect("judged").verdict;
    assert_eq!(verdict, result.verdict);
}

#[test]
fn there_is_a_fixture_of_every_version_and_the_tables_are_those_of_the_newest() {
    for version in 1..=VERSION {
        assert!(fixture(version).exists(), "version {version}");
    }
    assert!(!fixture(VERSION + 1).exists());
}

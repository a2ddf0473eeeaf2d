//! What a session on real wires asks of people. No rig is there: what does not say that it is simulated counts as real.
#![expect(clippy::disallowed_methods, clippy::disallowed_types, reason = "tests write and read files")]

mod command;

use std::fs::File;
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::Stdio;

use command::files::{library, probe_opens};
use command::{Ran, call, dryfire};
use dryfire_record::Record;
use rstest::rstest;
use tempfile::TempDir;

const BENCH: &str = "scenarios/benches/rig.yaml";
/// Subjects of the questions before and after.
const BEFORE: usize = 5;
const AFTER: usize = 4;

struct Session {
    folder: TempDir,
    record: String,
}

impl Session {
    fn new() -> Session {
        let folder = library(&[("one.yaml", &probe_opens("the probe opens", "400.5 °C", "10 s"))]);
        let record = folder.path().join("it.sqlite").to_str().expect("UTF-8").to_owned();
        Session { folder, record }
    }

    fn arguments(&self) -> [&str; 8] {
        let path = self.folder.path().to_str().expect("UTF-8");
        ["run", path, "--bench", BENCH, "--port", "/dev/does-not-exist", "--record", &self.record]
    }

    /// Notes of a kind.
    fn notes(&self, kind: &str) -> Vec<String> {
        let record = Record::open(Path::new(&self.record)).expect("a record");
        let notes = record.notes().expect("notes");
        notes.into_iter().filter(|note| note.kind == kind).map(|note| note.text).collect()
    }

    fn has_record(&self) -> bool {
        Path::new(&self.record).exists()
    }

    /// Sits at the terminal, and types the next answer whenever a question has come.
    fn answered_with(&self, answers: &[&str]) -> (Option<i32>, String) {
        let pty = nix::pty::openpty(None, None).expect("a terminal");
        let mut child = call(&self.arguments())
            .stdin(Stdio::from(pty.slave))
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the binary starts");
        let mut keyboard = File::from(pty.master);
        let mut answers = answers.iter();
        let mut said = String::new();
        for line in BufReader::new(child.stderr.take().expect("a pipe")).lines().map_while(Result::ok) {
            said += &line;
            said.push('\n');
            if line.contains("Question:")
                && let Some(answer) = answers.next()
            {
                writeln!(keyboard, "{answer}").expect("it is typed");
            }
        }
        (child.wait().expect("it ends").code(), said)
    }
}

#[test]
fn a_session_on_real_wires_does_not_begin_where_nobody_sits_at_the_terminal() {
    let session = Session::new();
    let ran = dryfire(&session.arguments());
    assert_eq!(ran.status, Some(4), "{ran:?}");
    assert!(ran.err.contains("the session does not begin: nobody sits at the terminal"), "{ran:?}");
    assert!(ran.err.contains("--declared-by NAME"), "{ran:?}");
    assert!(!session.has_record());
}

#[test]
fn what_was_declared_beforehand_is_recorded_as_declared_and_not_as_asked() {
    let session = Session::new();
    let ran: Ran = dryfire(&[&session.arguments()[..], &["--declared-by", "Jo Invented"]].concat());
    // There is no rig: the run itself breaks down.
    assert_eq!(ran.status, Some(3), "{ran:?}");
    let before = session.notes("before");
    assert_eq!(before.len(), BEFORE);
    assert!(
        before.iter().all(|text| text.ends_with(": yes, declared beforehand by Jo Invented, not asked")),
        "{before:?}"
    );
    let after = session.notes("after");
    assert_eq!(after.len(), AFTER);
    assert!(after.iter().all(|text| text.ends_with(": to be done, not asked")), "{after:?}");
    assert!(ran.err.contains("still to be done: rig removed, probes refitted"), "{ran:?}");
    let page = session.folder.path().join("page.html");
    let page = page.to_str().expect("UTF-8");
    let ran = dryfire(&["report", &session.record, "--out", page]);
    assert_eq!(ran.status, Some(0), "{ran:?}");
    let page = std::fs::read_to_string(page).expect("a page");
    assert!(page.contains("Seen to before the first run") && page.contains("Seen to after the last run"), "{page}");
    assert!(page.contains("proved dead: yes, declared beforehand by Jo Invented, not asked"));
}

#[rstest]
#[case::nothing("")]
#[case::blanks("  ")]
#[case::dashes("--")]
#[case::a_line_that_cannot_be_seen("Jo\u{1b}[8m Invented")]
fn nobody_can_not_declare_anything(#[case] name: &str) {
    let session = Session::new();
    let ran = dryfire(&[&session.arguments()[..], &[&format!("--declared-by={name}")]].concat());
    assert_eq!(ran.status, Some(4), "{ran:?}");
    assert!(ran.err.contains("--declared-by: expected a name"), "{ran:?}");
    assert!(!ran.err.contains('\u{1b}') && !session.has_record());
}

#[test]
fn answers_are_recorded_with_who_gave_them_and_what_is_still_to_be_done() {
    let session = Session::new();
    let answers = ["Jo Invented", "yes", "Yes", "yes", "yes", "yes", "yes", "no", "", "yes"];
    let (status, said) = session.answered_with(&answers);
    assert_eq!(status, Some(3), "{said}");
    let before = session.notes("before");
    assert_eq!(before.len(), BEFORE, "{said}");
    assert!(before.iter().all(|text| text.ends_with(": yes, answered by Jo Invented")), "{before:?}");
    assert_eq!(before[2], "proved dead: yes, answered by Jo Invented");
    assert_eq!(
        session.notes("after"),
        [
            "rig removed: yes, answered by Jo Invented",
            "probes refitted: to be done, `no` answered by Jo Invented",
            "settings set back: to be done, not answered",
            "settings read back: yes, answered by Jo Invented",
        ]
    );
    assert!(said.contains("still to be done: probes refitted, settings set back"), "{said}");
}

#[test]
fn a_question_that_is_not_answered_with_yes_ends_the_session_before_it_begins() {
    for (answers, refused) in [
        (&["Jo", "yes", "yes", "no"][..], "`proved dead` was answered with `no`, and it takes a yes"),
        (&["Jo", "perhaps"][..], "`kiln disconnected` was answered with `perhaps`"),
        (&["Jo", "yes", "yes", "yes", ""][..], "`elements disconnected` was not answered"),
        (&[""][..], "`who answers` was not answered"),
    ] {
        let session = Session::new();
        let (status, said) = session.answered_with(answers);
        assert_eq!(status, Some(4), "{said}");
        assert!(said.contains(refused), "{said}");
        assert!(!session.has_record());
    }
}

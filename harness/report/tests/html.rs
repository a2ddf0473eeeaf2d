//! The report of invented sessions.

mod recorded_session;

use dryfire_report::{Seal, report_html};
use dryfire_units::RigSpan;
use recorded_session::{Session, open, write};
use tempfile::TempDir;

fn report(session: &Session) -> String {
    let folder = TempDir::new().expect("a folder");
    let (path, seal) = write(folder.path(), session);
    report_html(&open(&path), &seal).expect("a report")
}

fn short(text: &'static str) -> Session {
    Session { ticks: 120, tick: RigSpan::from_millis(500), text, restless: false }
}

/// Without the look and the times of the wall, which are of now.
fn normalised(html: &str) -> String {
    let (head, rest) = html.split_once("<style>").expect("a look");
    let (_, rest) = rest.split_once("</style>").expect("its end");
    let mut text = String::new();
    for line in format!("{head}<style></style>{rest}").lines() {
        let now = line.starts_with("<dt>When (UTC)") || line.contains("SHA-256 <span");
        text.push_str(if now { "(of now)" } else { line });
        text.push('\n');
    }
    text
}

#[test]
fn a_short_session_as_a_whole() {
    insta::assert_snapshot!(normalised(&report(&short("of clay"))));
}

#[test]
fn markup_in_every_text_stays_text() {
    let evil =
        "</title></text></desc></svg></dd></style><script>alert(1)</script>\" onload=\"x ' ]]> --> \u{1b}[31m\u{202e}";
    let html = report(&Session { text: evil, ..short("") });
    assert_eq!(html.matches("<script").count(), 0);
    assert_eq!(html.matches("</style>").count(), 1);
    assert_eq!(html.matches("<title").count(), html.matches("</title>").count());
    assert_eq!(html.matches("<svg").count(), html.matches("</svg>").count());
    assert!(!html.contains(['\u{1b}', '\u{202e}']));
    // Controller, scenario in many places, rig, console, note: all of them are there, and harmless.
    assert!(html.matches("&lt;script&gt;alert(1)&lt;/script&gt;").count() >= 8);
}

#[test]
fn an_unfinished_record_says_so_above_everything_else() {
    let folder = TempDir::new().expect("a folder");
    let (path, _) = write(folder.path(), &short(""));
    let html = report_html(&open(&path), &Seal::Unfinished).expect("a report");
    assert!(html.contains("unfinished, so there is no hash that will stay"));
}

/// A plot has as many columns for an hour as for a day: `benches/day.rs` holds the day itself to the
/// project's own bound of 3 MB, which this file with its one run lies far below.
#[test]
fn an_hour_at_ten_hertz_takes_little_more_than_a_minute() {
    let minute = report(&short("")).len();
    let hour = report(&Session { ticks: 36_000, tick: RigSpan::from_millis(100), text: "", restless: false }).len();
    // Four temperatures in two plots, 520 columns of at most 4 points of 12 letters; lanes of at most 20 letters a column.
    assert!(hour - minute < 2 * 520 * (8 * 48 + 4 * 20), "{hour} bytes, and {minute}");
}

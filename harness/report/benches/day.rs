//! The report of a day at 10 Hz with 12 signals.

#[path = "../tests/recorded_session/mod.rs"]
mod recorded_session;

use criterion::Criterion;
use dryfire_report::report_html;
use dryfire_units::RigSpan;
use recorded_session::{Session, open, write};

fn main() {
    let mut criterion = Criterion::default().sample_size(10).configure_from_args();
    let folder = tempfile::tempdir().expect("a folder");
    let day = Session { ticks: 24 * 36_000, tick: RigSpan::from_millis(100), text: "" };
    let (path, seal) = write(folder.path(), &day);
    let bytes = report_html(&open(&path), &seal).expect("a report").len();
    assert!(bytes <= 3_000_000, "{bytes} bytes");
    criterion.bench_function("report of 24 h at 10 Hz with 12 signals", |bencher| {
        bencher.iter(|| report_html(&open(&path), &seal).expect("a report"));
    });
    criterion.final_summary();
}

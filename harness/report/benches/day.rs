//! The report of a day at 10 Hz with 12 signals: how long it takes, how large it is, and how much memory it needs,
//! each with what is allowed; of a calm day, and of one on which every temperature trembles, every relay chatters and
//! the console talks. Ends with 1 where more is taken.
#![expect(
    clippy::print_stdout,
    clippy::disallowed_methods,
    clippy::disallowed_types,
    reason = "a bench reads the clock and tells its figures"
)]

#[path = "../tests/recorded_session/mod.rs"]
mod recorded_session;

use std::path::Path;
use std::process::Command;
use std::time::Instant;

use dryfire_report::{Seal, report_html};
use dryfire_units::RigSpan;
use recorded_session::{Session, open, write};

/// What is allowed: bytes of the record, bytes of the report, milliseconds, kilobytes of memory.
const MOST: [(&str, u64); 4] =
    [("bytes of record", 20_000_000), ("bytes of report", 3_000_000), ("ms", 2_000), ("kB of memory", 150_000)];
/// A second process makes the report of the record named here, so that only that counts.
const RECORD: &str = "DRYFIRE_DAY";
/// The shortest of so many is told: the machine does other things too.
const TIMES: usize = 5;

fn main() {
    if let Some(record) = std::env::var_os(RECORD) {
        let begun = Instant::now();
        let seal = Seal::Finished { sha256: "0".repeat(64), bytes: 1 };
        let report = report_html(&open(Path::new(&record)), &seal).expect("a report");
        println!("{} {} {}", report.len(), begun.elapsed().as_millis(), most_memory());
        return;
    }
    let mut too_much = false;
    for (which, restless) in [("a calm", false), ("a restless", true)] {
        let folder = tempfile::tempdir().expect("a folder");
        let day = Session { ticks: 24 * 36_000, tick: RigSpan::from_millis(100), text: "", restless };
        let (path, _) = write(folder.path(), &day);
        let seen = measured(&path);
        for ((what, most), seen) in MOST.into_iter().zip(seen) {
            println!("{which} day at 10 Hz with 12 signals: {seen} {what}, at most {most} are allowed");
            too_much |= seen > most;
        }
    }
    if too_much {
        std::process::exit(1);
    }
}

/// Bytes of the record, and of its report the bytes, milliseconds and kilobytes of memory.
fn measured(path: &Path) -> [u64; 4] {
    let this = std::env::current_exe().expect("this program");
    let mut runs: Vec<Vec<u64>> = (0..TIMES)
        .map(|_| {
            let output = Command::new(&this).env(RECORD, path).output().expect("it starts");
            assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
            let said = String::from_utf8_lossy(&output.stdout).into_owned();
            said.split_whitespace().map(|figure| figure.parse().expect("a figure")).collect()
        })
        .collect();
    runs.sort_by_key(|run| run[1]);
    let record = std::fs::metadata(path).expect("a record").len();
    [record, runs[0][0], runs[0][1], runs[0][2]]
}

/// The most memory that this process ever held, in kB, as Linux tells it; 0 elsewhere.
fn most_memory() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    line.and_then(|line| line.trim().trim_end_matches(" kB").parse().ok()).unwrap_or(0)
}

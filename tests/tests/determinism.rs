//! The same seed gives the same bytes, however many runs go on at once and
//! whatever else the machine is doing.
#![expect(clippy::disallowed_methods, reason = "tests of the whole system start programs and threads")]

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use dryfire_tests::dryfire;

fn json(seed: &str, jobs: &str) -> Vec<u8> {
    let output = dryfire()
        .args(["run", "scenarios", "--no-record", "--format", "json", "--seed", seed, "--jobs", jobs])
        .output()
        .expect("dryfire starts");
    assert!(output.stderr.is_empty(), "quiet when piped: {}", String::from_utf8_lossy(&output.stderr));
    assert!(output.stdout.len() > 100_000, "the whole library says more than that");
    output.stdout
}

fn assert_same(one: &[u8], other: &[u8], what: &str) {
    let lines = |bytes: &[u8]| String::from_utf8_lossy(bytes).lines().map(str::to_owned).collect::<Vec<_>>();
    if one != other {
        let (one, other) = (lines(one), lines(other));
        let first = one.iter().zip(&other).position(|(one, other)| one != other);
        panic!("{what}: {} and {} lines, first difference at {first:?}", one.len(), other.len());
    }
}

#[test]
fn the_number_of_jobs_changes_no_byte() {
    let one = json("7", "1");
    assert_same(&one, &json("7", "2"), "two jobs");
    assert_same(&one, &json("7", "8"), "eight jobs");
}

#[test]
fn load_changes_no_byte() {
    let idle = json("11", "2");
    let stop = Arc::new(AtomicBool::new(false));
    let load: Vec<_> = (0..4)
        .map(|_| {
            let stop = Arc::clone(&stop);
            std::thread::spawn(move || {
                while !stop.load(Ordering::Relaxed) {
                    std::hint::spin_loop();
                }
            })
        })
        .collect();
    let loaded = json("11", "2");
    stop.store(true, Ordering::Relaxed);
    for thread in load {
        thread.join().expect("the load does not panic");
    }
    assert_same(&idle, &loaded, "under load");
}

#[test]
fn another_seed_gives_other_edges() {
    assert_ne!(json("7", "2"), json("8", "2"));
}

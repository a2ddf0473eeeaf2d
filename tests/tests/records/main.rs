//! Records of whole sessions: killed at any instant, changed by a byte, signed, read by other programs.
#![expect(
    clippy::disallowed_methods,
    clippy::disallowed_types,
    clippy::print_stderr,
    reason = "tests of the whole system read files, start programs, and say what was skipped"
)]

mod changed;
mod disk;
mod gone_on_with;
mod judged_again;
mod killed;
mod signed;

use std::path::{Path, PathBuf};

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

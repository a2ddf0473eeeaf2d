#![no_main]

use std::sync::OnceLock;

use dryfire_kiln::KilnDescription;
use dryfire_scenario::Bench;
use dryfire_tests::any_input;
use libfuzzer_sys::fuzz_target;

static WIRED: OnceLock<(Bench, KilnDescription)> = OnceLock::new();

fuzz_target!(|bytes: &[u8]| {
    if let Ok(text) = std::str::from_utf8(bytes) {
        let (bench, kiln) = WIRED.get_or_init(|| dryfire_tests::virtual_bench(&[]));
        any_input::scenario_text(text, bench, kiln);
    }
});

#![no_main]

use dryfire_tests::any_input;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    let path = std::env::temp_dir().join(format!("dryfire-fuzz-{}.sqlite", std::process::id()));
    any_input::record_bytes(bytes, &path);
});

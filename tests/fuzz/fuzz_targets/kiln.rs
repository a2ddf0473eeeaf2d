#![no_main]

use dryfire_tests::any_input;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    if let Ok(text) = std::str::from_utf8(bytes) {
        any_input::kiln_text(text);
    }
});

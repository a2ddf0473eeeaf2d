#![no_main]

use dryfire_tests::any_input;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    any_input::link_bytes(bytes);
});

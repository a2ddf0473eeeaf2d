//! Draws `docs/rig.blocks` as SVG.
#![expect(clippy::print_stdout, reason = "a command for people, at the edge")]

use std::process::ExitCode;

use dryfire_tests::{read, rig_drawing};

fn main() -> ExitCode {
    match rig_drawing(&read("docs/rig.blocks")) {
        Ok(svg) => {
            print!("{svg}");
            ExitCode::SUCCESS
        }
        Err(line) => {
            println!("docs/rig.blocks: not understood: {line}");
            ExitCode::FAILURE
        }
    }
}

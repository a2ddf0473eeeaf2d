//! `cargo boards`: builds the programs for the rig's and the controller's board, makes the files for
//! flashing beside them, and says what they were built with and how big they are.
#![expect(clippy::print_stdout, clippy::disallowed_methods, reason = "a command for people, at the edge")]

use std::process::ExitCode;

use dryfire_tests::boards::{build, uf2};

fn main() -> ExitCode {
    match run() {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            println!("{error}");
            ExitCode::FAILURE
        }
    }
}

fn run() -> Result<(), String> {
    let built = build()?;
    println!("built with {}", built.toolchain);
    for elf in [&built.rig, &built.controller] {
        let bytes = std::fs::read(elf).map_err(|error| format!("{}: {error}", elf.display()))?;
        let (file, flash) = uf2(&bytes)?;
        let path = elf.with_extension("uf2");
        std::fs::write(&path, file).map_err(|error| format!("{}: {error}", path.display()))?;
        println!("{}: {flash} bytes of flash", path.display());
    }
    Ok(())
}

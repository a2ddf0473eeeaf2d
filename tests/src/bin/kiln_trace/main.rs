//! Fires and cools kilns in the model, for programs outside to check.
//!
//! - `kiln_trace FILE.yaml…` prints one JSON line for each firing: the parameters
//!   of the equations, every switching, and the temperatures every 17 s.
//!   `tests/outside/kiln_scipy.py` reads them.
//! - `kiln_trace --svg FILE.yaml` prints the picture of `docs/kiln-model.md`.
#![expect(
    clippy::print_stdout,
    clippy::print_stderr,
    clippy::exit,
    clippy::disallowed_methods,
    clippy::disallowed_types,
    reason = "a command for people, at the edge"
)]

mod firing;
mod parameters;
mod picture;

use std::process::exit;
use std::time::Instant;

use dryfire_kiln::KilnDescription;
use dryfire_scenario::parse_kiln;
use firing::Firing;

fn main() {
    let mut files: Vec<String> = std::env::args().skip(1).collect();
    let svg = files.first().is_some_and(|first| first == "--svg");
    if svg {
        files.remove(0);
    }
    if files.is_empty() {
        eprintln!("give kiln files: kiln_trace [--svg] scenarios/kilns/three-ring.yaml");
        exit(2);
    }
    for file in &files {
        let kiln = read_kiln(file);
        if svg {
            print!("{}", picture::draw(&kiln, file));
            continue;
        }
        for firing in Firing::of(&kiln) {
            let trace = firing.run();
            let begun = Instant::now();
            let _ = std::hint::black_box(firing.replay(&trace));
            println!("{}", trace.to_json(&firing, begun.elapsed().as_secs_f64()));
        }
    }
}

fn read_kiln(file: &str) -> KilnDescription {
    let text = std::fs::read_to_string(file).unwrap_or_else(|error| {
        eprintln!("{file}: {error}");
        exit(2);
    });
    match parse_kiln(file, &text) {
        Ok((kiln, _)) => kiln,
        Err(mistakes) => {
            mistakes.iter().for_each(|mistake| eprintln!("{mistake}"));
            exit(2);
        }
    }
}

//! `cargo ci`: everything that has to hold before a change lands.
//!
//! Each step is an ordinary command that can be run by hand; this program only
//! runs them in order, says what each took, and stops at the first that fails.
#![expect(
    clippy::print_stdout,
    clippy::exit,
    clippy::disallowed_methods,
    clippy::disallowed_types,
    reason = "a command for people, at the edge"
)]

use std::process::{Command, Stdio, exit};
use std::time::Instant;

/// Licences that a dependency may be under; the project itself is MIT or Apache-2.0.
const LICENCES: [&str; 13] = [
    "MIT",
    "MIT-0",
    "Apache-2.0",
    "Apache-2.0 WITH LLVM-exception",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "ISC",
    "Zlib",
    "MPL-2.0",
    "Unicode-3.0",
    "Unlicense",
    "CC0-1.0",
    "0BSD",
];

/// Crates that firmware shares: each has to build by itself, because building
/// the whole workspace unifies features and hides what is missing.
const NO_STD: [&str; 4] = ["dryfire-units", "dryfire-link", "dryfire-rig", "dryfire-stand-in"];

fn main() {
    let begun = Instant::now();
    step("format", &["fmt", "--all", "--check"], &[]);
    step("lint", &["clippy", "--workspace", "--all-targets", "--locked", "--", "-D", "warnings"], &[]);
    for package in NO_STD {
        step("no_std crate alone", &["check", "--locked", "--package", package], &[]);
    }
    if target_installed("thumbv6m-none-eabi") {
        for package in NO_STD {
            step(
                "no_std crate for the board",
                &["check", "--locked", "--package", package, "--target", "thumbv6m-none-eabi"],
                &[],
            );
        }
    } else {
        println!("── no_std crates for the board: skipped, the target thumbv6m-none-eabi is not installed");
    }
    outside_tools();
    boards();
    licences(".");
    licences(BOARDS);
    step("documentation", &["doc", "--workspace", "--no-deps", "--locked"], &[("RUSTDOCFLAGS", "-D warnings")]);
    step("the main job", &["run", "--release", "--locked", "--package", "dryfire", "--", "run", "scenarios"], &[]);
    // All of them, also where one fails: a run of CI is long, and should tell everything. What they start is the program
    // that people run, with its optimisations.
    step("tests", &["test", "--workspace", "--locked", "--no-fail-fast"], &[(dryfire_tests::RELEASE, "1")]);
    println!("── everything holds, after {:.0} s", begun.elapsed().as_secs_f64());
}

/// The workspace of the boards' programs.
const BOARDS: &str = "rig-firmware/boards";

/// Node.js and socat carry the two emulated boards, Chromium shows the pages to those that check them, GTKWave reads
/// dumps; where Debian's packages can be had, they are installed.
fn outside_tools() {
    let wanted = [
        ("node", "--version", "nodejs"),
        ("npm", "--version", "npm"),
        ("socat", "-V", "socat"),
        ("chromium", "--version", "chromium"),
        ("fst2vcd", "--help", "gtkwave"),
    ];
    let missing: Vec<&str> = wanted
        .iter()
        .filter(|(program, argument, _)| {
            let there = Command::new(program).arg(argument).stdout(Stdio::null()).stderr(Stdio::null()).status();
            !there.is_ok_and(|status| status.success())
        })
        .map(|(.., package)| *package)
        .collect();
    if missing.is_empty() {
        return;
    }
    println!("── tools of others that tests ask: apt-get install {}", missing.join(" "));
    let get = |arguments: &[&str]| {
        Command::new("apt-get").args(["-q", "-y"]).args(arguments).status().is_ok_and(|status| status.success())
    };
    if !get(&["update"]) || !get(&[&["install", "--no-install-recommends"][..], &missing].concat()) {
        println!(
            "── tools of others that tests ask: cannot be installed here; their tests will say that they were skipped"
        );
    }
}

/// The boards' programs: format, lint, build, with files for flashing and their sizes.
fn boards() {
    let format = cargo().args(["fmt", "--all", "--check"]).current_dir(BOARDS).status();
    if !format.is_ok_and(|status| status.success()) {
        println!("── format of the boards' programs: FAILED");
        exit(1);
    }
    if target_installed("thumbv6m-none-eabi") {
        let lint =
            cargo().args(["clippy", "--release", "--locked", "--", "-D", "warnings"]).current_dir(BOARDS).status();
        if !lint.is_ok_and(|status| status.success()) {
            println!("── lint of the boards' programs: FAILED");
            exit(1);
        }
    }
    step(
        "programs for the boards",
        &["run", "--quiet", "--locked", "--package", "dryfire-tests", "--bin", "boards"],
        &[],
    );
}

fn step(name: &str, arguments: &[&str], environment: &[(&str, &str)]) {
    println!("── {name}: cargo {}", arguments.join(" "));
    let begun = Instant::now();
    let status = cargo().args(arguments).envs(environment.iter().copied()).status();
    match status {
        Ok(status) if status.success() => println!("── {name}: held, {:.0} s", begun.elapsed().as_secs_f64()),
        Ok(status) => {
            println!("── {name}: FAILED ({status})");
            exit(1);
        }
        Err(error) => {
            println!("── {name}: cargo could not be started: {error}");
            exit(1);
        }
    }
}

fn cargo() -> Command {
    Command::new(std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into()))
}

fn target_installed(target: &str) -> bool {
    let rustc = std::env::var_os("RUSTC").unwrap_or_else(|| "rustc".into());
    Command::new(rustc)
        .args(["--print", "target-libdir", "--target", target])
        .output()
        .is_ok_and(|output| std::path::Path::new(String::from_utf8_lossy(&output.stdout).trim()).is_dir())
}

/// Every dependency has to offer at least one licence from the list.
fn licences(workspace: &str) {
    let arguments = ["metadata", "--format-version", "1", "--locked"];
    let output = match cargo().args(arguments).current_dir(workspace).output() {
        Ok(output) if output.status.success() => output.stdout,
        _ => {
            println!("── licences: FAILED (cargo metadata gave no answer)");
            exit(1);
        }
    };
    let metadata: serde_json::Value = serde_json::from_slice(&output).unwrap_or_default();
    let packages = metadata["packages"].as_array().cloned().unwrap_or_default();
    let refused: Vec<String> = packages
        .iter()
        .filter(|package| !acceptable(package["license"].as_str().unwrap_or("")))
        .map(|package| format!("{} ({})", package["name"], package["license"]))
        .collect();
    if packages.is_empty() || !refused.is_empty() {
        println!("── licences: FAILED: {} packages, not acceptable: {}", packages.len(), refused.join(", "));
        exit(1);
    }
    println!("── licences of {workspace}: held, {} packages", packages.len());
}

/// Reads the usual SPDX forms: alternatives joined by OR or `/`, all parts of an AND needed.
fn acceptable(expression: &str) -> bool {
    let expression = expression.replace(['(', ')'], " ").replace('/', " OR ");
    let alternatives = expression.split(" AND ").map(|all| all.split(" OR ").any(|one| LICENCES.contains(&one.trim())));
    let mut any = false;
    for good in alternatives {
        any = true;
        if !good {
            return false;
        }
    }
    any
}

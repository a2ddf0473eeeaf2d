//! Runs the real binary from the project's folder.
#![allow(dead_code, reason = "every test binary uses its own part")]

pub(crate) mod files;

use std::path::PathBuf;
use std::process::{Command, Output, Stdio};

/// What a call came to.
#[derive(Debug)]
pub(crate) struct Ran {
    pub(crate) status: Option<i32>,
    pub(crate) out: String,
    pub(crate) err: String,
}

/// The folder of the whole project.
pub(crate) fn project() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../..")
}

/// A call that is not run yet, with nothing in the environment that changes what is said.
pub(crate) fn call(arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_dryfire"));
    command.args(arguments).current_dir(project()).stdin(Stdio::null());
    let recorded = ["--record", "--resume", "--no-record"];
    if arguments.first() == Some(&"run") && !arguments.iter().any(|argument| recorded.contains(argument)) {
        // The project's own folder is no place for what tests leave behind.
        command.arg("--no-record");
    }
    for name in ["NO_COLOR", "CLICOLOR", "CLICOLOR_FORCE", "RUST_LOG", "COLUMNS"] {
        command.env_remove(name);
    }
    command.env("TERM", "xterm-256color");
    command
}

pub(crate) fn dryfire(arguments: &[&str]) -> Ran {
    dryfire_with(arguments, &[])
}

pub(crate) fn dryfire_with(arguments: &[&str], environment: &[(&str, &str)]) -> Ran {
    ran(call(arguments).envs(environment.iter().copied()).output().expect("the binary starts"))
}

/// A call whose standard output goes somewhere else.
pub(crate) fn run_into(arguments: &[&str], out: Stdio) -> Ran {
    let child = call(arguments).stdout(out).stderr(Stdio::piped()).spawn().expect("the binary starts");
    ran(child.wait_with_output().expect("the binary ends"))
}

pub(crate) fn ran(output: Output) -> Ran {
    Ran {
        status: output.status.code(),
        out: String::from_utf8(output.stdout).expect("UTF-8"),
        err: String::from_utf8(output.stderr).expect("UTF-8"),
    }
}

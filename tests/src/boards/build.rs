//! Builds the programs for the boards with whatever compiler is there.

use std::path::{Path, PathBuf};
use std::process::Command;

use crate::root;

const TARGET: &str = "thumbv6m-none-eabi";

/// What the programs are built with.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Toolchain {
    /// One that has the board's core library.
    Target,
    /// One that has the sources of the core library, as Debian's packages rustc-web, cargo-web and rust-web-src give.
    CoreFromSource {
        /// The compiler.
        rustc: PathBuf,
        /// Its cargo.
        cargo: PathBuf,
        /// A linker.
        linker: PathBuf,
    },
}

impl std::fmt::Display for Toolchain {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Toolchain::Target => write!(f, "the compiler's own library for {TARGET}"),
            Toolchain::CoreFromSource { rustc, linker, .. } => {
                write!(f, "{} with the library built from its sources, linked by {}", rustc.display(), linker.display())
            }
        }
    }
}

/// Both programs.
#[derive(Clone, Debug)]
pub struct Built {
    /// What they were built with.
    pub toolchain: Toolchain,
    /// The rig's.
    pub rig: PathBuf,
    /// The controller's.
    pub controller: PathBuf,
}

fn printed(rustc: &Path, arguments: &[&str]) -> Option<String> {
    let output = Command::new(rustc).args(arguments).output().ok()?;
    output.status.success().then(|| String::from_utf8_lossy(&output.stdout).trim().to_owned())
}

fn find() -> Result<Toolchain, String> {
    let rustc = PathBuf::from(std::env::var_os("RUSTC").unwrap_or_else(|| "rustc".into()));
    let has_target = || {
        printed(&rustc, &["--print", "target-libdir", "--target", TARGET]).is_some_and(|path| Path::new(&path).is_dir())
    };
    if has_target() {
        return Ok(Toolchain::Target);
    }
    let added = Command::new("rustup").args(["target", "add", TARGET]).output();
    if added.is_ok_and(|output| output.status.success()) && has_target() {
        return Ok(Toolchain::Target);
    }
    let (debian, cargo) = (PathBuf::from("/usr/bin/rustc"), PathBuf::from("/usr/bin/cargo"));
    let sources = printed(&debian, &["--print", "sysroot"])
        .map(|sysroot| Path::new(&sysroot).join("lib/rustlib/src/rust/library/core"));
    let linker = printed(&rustc, &["--print", "sysroot"])
        .map(|sysroot| Path::new(&sysroot).join("lib/rustlib/x86_64-unknown-linux-gnu/bin/rust-lld"));
    match (sources, linker) {
        (Some(sources), Some(linker)) if sources.is_dir() && linker.is_file() => {
            Ok(Toolchain::CoreFromSource { rustc: debian, cargo, linker })
        }
        _ => Err(format!(
            "there is no library for {TARGET}: `rustup target add {TARGET}`, or Debian's packages rustc-web, cargo-web \
             and rust-web-src (1.88 or later) beside a rustup toolchain with its linker"
        )),
    }
}

/// Builds both programs.
///
/// # Errors
/// What the compiler said, or that there is none.
pub fn build() -> Result<Built, String> {
    let toolchain = find()?;
    let folder = root().join("rig-firmware/boards");
    let mut command = match &toolchain {
        Toolchain::Target => Command::new(std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into())),
        Toolchain::CoreFromSource { rustc, cargo, linker } => {
            let mut command = Command::new(cargo);
            command.env("RUSTC_BOOTSTRAP", "1").env("RUSTC", rustc);
            command.env("CARGO_TARGET_THUMBV6M_NONE_EABI_LINKER", linker);
            command
        }
    };
    command.args(["build", "--release", "--locked"]).current_dir(&folder);
    // Flags for the host's compiler are none for the board's.
    command.env_remove("RUSTFLAGS").env_remove("CARGO_ENCODED_RUSTFLAGS").env_remove("CARGO_TARGET_DIR");
    if matches!(toolchain, Toolchain::CoreFromSource { .. }) {
        command.arg("-Zbuild-std=core");
    }
    let output = command.output().map_err(|error| format!("cargo does not start: {error}"))?;
    if !output.status.success() {
        return Err(String::from_utf8_lossy(&output.stderr).into_owned());
    }
    let folder = root().join("target/boards").join(TARGET).join("release");
    Ok(Built { toolchain, rig: folder.join("rig"), controller: folder.join("controller") })
}

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

/// Where the compilers are looked for.
struct Places {
    /// The compiler in use.
    rustc: PathBuf,
    /// Who may add a target to it.
    rustup: PathBuf,
    /// Debian's compiler and its cargo.
    debian: (PathBuf, PathBuf),
}

impl Places {
    fn usual() -> Places {
        Places {
            rustc: std::env::var_os("RUSTC").unwrap_or_else(|| "rustc".into()).into(),
            rustup: "rustup".into(),
            debian: ("/usr/bin/rustc".into(), "/usr/bin/cargo".into()),
        }
    }
}

/// The oldest compiler that takes the programs, as their `rust-version` says.
const OLDEST: (u32, u32) = (1, 88);

/// Version of a compiler, from `rustc 1.88.0 (…)`.
fn version(rustc: &Path) -> Option<(u32, u32)> {
    let text = printed(rustc, &["--version"])?;
    let mut numbers = text.split_whitespace().nth(1)?.split('.');
    Some((numbers.next()?.parse().ok()?, numbers.next()?.parse().ok()?))
}

fn find(places: &Places) -> Result<Toolchain, String> {
    let Places { rustc, rustup, debian: (debian, cargo) } = places;
    let has_target = || {
        printed(rustc, &["--print", "target-libdir", "--target", TARGET]).is_some_and(|path| Path::new(&path).is_dir())
    };
    if has_target() {
        return Ok(Toolchain::Target);
    }
    let added = Command::new(rustup).args(["target", "add", TARGET]).output();
    if added.is_ok_and(|output| output.status.success()) && has_target() {
        return Ok(Toolchain::Target);
    }
    let ways = format!(
        "`rustup target add {TARGET}`, or Debian's packages rustc-web, cargo-web and rust-web-src ({}.{} or later) \
         beside a rustup toolchain with its linker",
        OLDEST.0, OLDEST.1
    );
    let sysroot = |rustc: &Path| printed(rustc, &["--print", "sysroot"]).map(PathBuf::from);
    let Some(sources) = sysroot(debian).map(|sysroot| sysroot.join("lib/rustlib/src/rust/library/core")) else {
        return Err(format!("there is no library for {TARGET}: {ways}"));
    };
    match version(debian) {
        Some(found) if found >= OLDEST => {}
        Some((major, minor)) => {
            return Err(format!("{} is {major}.{minor}, too old for the boards' programs: {ways}", debian.display()));
        }
        None => return Err(format!("{} does not say its version: {ways}", debian.display())),
    }
    if !sources.is_dir() {
        return Err(format!("{} has no sources of its library at {}: {ways}", debian.display(), sources.display()));
    }
    let linker = sysroot(rustc).map(|sysroot| sysroot.join("lib/rustlib/x86_64-unknown-linux-gnu/bin/rust-lld"));
    match linker {
        Some(linker) if linker.is_file() => {
            Ok(Toolchain::CoreFromSource { rustc: debian.clone(), cargo: cargo.clone(), linker })
        }
        _ => {
            Err(format!("{} has sources, but there is no linker beside {}: {ways}", debian.display(), rustc.display()))
        }
    }
}

/// Builds both programs.
///
/// # Errors
/// What the compiler said, or that there is none.
pub fn build() -> Result<Built, String> {
    let toolchain = find(&Places::usual())?;
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

#[cfg(test)]
mod tests {
    use std::fs;
    use std::os::unix::fs::PermissionsExt as _;

    use super::*;
    use tempfile::TempDir;

    /// Compilers made of a few lines of shell, in a folder of their own.
    struct Made {
        folder: TempDir,
        places: Places,
    }

    impl Made {
        /// A compiler without the target, nobody who adds it, and no other one.
        fn without_anything() -> Made {
            let folder = tempfile::tempdir().expect("a folder");
            let at = |name: &str| folder.path().join(name);
            let places = Places { rustc: at("rustc"), rustup: at("rustup"), debian: (at("debian"), at("cargo")) };
            let made = Made { folder, places };
            made.compiler("rustc", "1.90.0", "here");
            made
        }

        fn compiler(&self, name: &str, version: &str, sysroot: &str) {
            let root = self.folder.path().display();
            self.script(
                name,
                &format!(
                    "case \"$*\" in\n--version) echo 'rustc {version} (made)';;\n\
                     '--print sysroot') echo {root}/{sysroot};;\n*) echo {root}/{sysroot}/target;;\nesac"
                ),
            );
        }

        fn script(&self, name: &str, lines: &str) {
            let path = self.folder.path().join(name);
            fs::write(&path, format!("#!/bin/sh\n{lines}\n")).expect("a file");
            fs::set_permissions(&path, fs::Permissions::from_mode(0o755)).expect("a script");
        }

        fn folder(&self, path: &str) {
            fs::create_dir_all(self.folder.path().join(path)).expect("a folder");
        }

        fn linker(&self) {
            self.folder("here/lib/rustlib/x86_64-unknown-linux-gnu/bin");
            self.script("here/lib/rustlib/x86_64-unknown-linux-gnu/bin/rust-lld", "");
        }

        fn sources(&self) {
            self.folder("there/lib/rustlib/src/rust/library/core");
        }

        fn refused(&self) -> String {
            let why = find(&self.places).expect_err("nothing builds with this");
            assert!(why.contains("rustup target add") && why.contains("rust-web-src"), "{why}");
            why
        }
    }

    #[test]
    fn a_compiler_that_has_the_target_is_taken() {
        let made = Made::without_anything();
        made.folder("here/target");
        assert_eq!(find(&made.places), Ok(Toolchain::Target));
    }

    #[test]
    fn a_target_that_rustup_can_add_is_added() {
        let made = Made::without_anything();
        made.script("rustup", &format!("mkdir -p {}/here/target", made.folder.path().display()));
        assert_eq!(find(&made.places), Ok(Toolchain::Target));
    }

    #[test]
    fn debians_compiler_builds_the_library_from_its_sources() {
        let made = Made::without_anything();
        made.compiler("debian", "1.96.0", "there");
        made.sources();
        made.linker();
        let found = find(&made.places).expect("a toolchain");
        let said = found.to_string();
        assert!(said.contains("debian") && said.contains("rust-lld") && said.contains("sources"), "{said}");
    }

    #[test]
    fn whatever_is_missing_is_named_with_what_helps() {
        let made = Made::without_anything();
        assert!(made.refused().starts_with("there is no library for thumbv6m-none-eabi"));
        made.compiler("debian", "1.63.0", "there");
        assert!(made.refused().contains("debian is 1.63, too old"));
        made.compiler("debian", "1.96.0", "there");
        assert!(made.refused().contains("has no sources of its library"));
        made.sources();
        assert!(made.refused().contains("there is no linker"));
    }
}

//! Log lines on standard error.

use std::io::{self, IsTerminal};

use tracing_subscriber::EnvFilter;

use crate::screen::Mistake;

/// Begins logging: what `RUST_LOG` says, or as often as `-v` was given.
pub(crate) fn begin(verbose: u8) -> Result<(), Mistake> {
    let level = match verbose {
        0 => "warn",
        1 => "info",
        2 => "debug",
        _ => "trace",
    };
    let filter = match std::env::var_os(EnvFilter::DEFAULT_ENV) {
        Some(wanted) if !wanted.is_empty() => {
            let wanted = wanted.to_string_lossy().into_owned();
            EnvFilter::try_new(&wanted).map_err(|error| {
                Mistake::new(format!("the environment variable RUST_LOG is `{wanted}`: {error}"))
                    .hint("for example RUST_LOG=dryfire=debug")
            })?
        }
        _ => EnvFilter::new(level),
    };
    let colour = io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none_or(|value| value.is_empty());
    tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(io::stderr)
        .with_ansi(colour)
        .with_target(true)
        .init();
    Ok(())
}

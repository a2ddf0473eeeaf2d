//! Ctrl-C.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use dryfire_report::ExitStatus;

use crate::screen::Mistake;

/// Sets the flag at the first Ctrl-C. At the second the process ends at once,
/// for whoever does not want to wait for a run to stop.
#[expect(clippy::disallowed_methods, reason = "a thread that waits for a signal, at the edge")]
#[expect(clippy::exit, reason = "the second Ctrl-C means at once, whatever is going on")]
pub(crate) fn watch() -> Result<Arc<AtomicBool>, Mistake> {
    let stop = Arc::new(AtomicBool::new(false));
    let seen = Arc::clone(&stop);
    let cannot = |error: std::io::Error| Mistake::new(format!("Ctrl-C cannot be watched for: {error}"));
    let runtime = tokio::runtime::Builder::new_current_thread().enable_io().build().map_err(cannot)?;
    // Registered here and not in the thread, so that no Ctrl-C comes too early.
    let mut signal = {
        let _entered = runtime.enter();
        tokio::signal::unix::signal(tokio::signal::unix::SignalKind::interrupt()).map_err(cannot)?
    };
    std::thread::spawn(move || {
        runtime.block_on(async move {
            while signal.recv().await.is_some() {
                if seen.swap(true, Ordering::Relaxed) {
                    std::process::exit(i32::from(ExitStatus::Interrupted.code()));
                }
            }
        });
    });
    Ok(stop)
}

//! What is typed at the terminal: one reader for all who ask, because what one of them does not read another one would miss.
#![expect(clippy::disallowed_types, reason = "when a line was typed is told by the wall clock")]

use std::io::{BufRead, IsTerminal};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{self, Receiver, RecvTimeoutError};
use std::sync::{Mutex, MutexGuard, OnceLock, PoisonError};
use std::time::{Duration, Instant};

/// A line, and when its end came.
pub(crate) struct Line {
    pub(crate) at: Instant,
    pub(crate) text: String,
}

/// The lines that nobody has taken yet.
pub(crate) struct Typed(Mutex<Receiver<Line>>);

/// How often somebody who waits for a line looks whether he is to stop.
const LOOK: Duration = Duration::from_millis(100);

/// The terminal's lines, from the first call on; `None` where standard input is no terminal, so that nobody sits there.
pub(crate) fn typed() -> Option<&'static Typed> {
    static TYPED: OnceLock<Option<Typed>> = OnceLock::new();
    TYPED.get_or_init(|| std::io::stdin().is_terminal().then(|| Typed(Mutex::new(listen())))).as_ref()
}

impl Typed {
    fn lines(&self) -> MutexGuard<'_, Receiver<Line>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// What has come, without waiting.
    pub(crate) fn pending(&self) -> Vec<Line> {
        self.lines().try_iter().collect()
    }

    /// Waits for a line; `None` when the terminal is gone, or `stop` is set.
    pub(crate) fn next(&self, stop: &AtomicBool) -> Option<String> {
        while !stop.load(Ordering::Relaxed) {
            match self.lines().recv_timeout(LOOK) {
                Ok(line) => return Some(line.text),
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => return None,
            }
        }
        None
    }
}

/// A thread that waits for lines, because a rig must not wait for them.
#[expect(clippy::disallowed_methods, reason = "a thread that waits for what is typed, at the edge")]
fn listen() -> Receiver<Line> {
    let (sender, receiver) = mpsc::channel();
    std::thread::spawn(move || {
        for line in std::io::stdin().lock().lines() {
            let Ok(text) = line else { return };
            if sender.send(Line { at: Instant::now(), text }).is_err() {
                return;
            }
        }
    });
    receiver
}

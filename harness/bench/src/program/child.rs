//! The controller's process: started, spoken to line by line within a
//! deadline, and ended together with everything it has started.

use std::collections::VecDeque;
use std::fmt::Write as _;
use std::os::unix::process::ExitStatusExt;
use std::path::{Path, PathBuf};
use std::pin::pin;
use std::process::{ExitStatus, Stdio};
use std::time::Duration;

use dryfire_engine::{Trouble, TroubleKind};
use nix::sys::signal::{Signal, killpg};
use nix::unistd::Pid;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::process::{ChildStderr, ChildStdin, ChildStdout, Command};
use tokio::time::{Instant, sleep_until, timeout_at};

/// Longest line that a program may write on standard output, in bytes.
pub(super) const LONGEST_LINE: usize = 64 * 1024;
/// How much a program may write on standard error between two calls, in bytes.
pub(super) const MOST_LOG_PER_CALL: usize = 256 * 1024;
/// So many lines without being asked are a flood and no mere slip.
const FLOOD_LINES: usize = 16;
/// How long unasked output is watched to tell a flood from a slip.
const FLOOD_WATCH: Duration = Duration::from_millis(100);
/// How long to wait for the last words of a program whose output has ended.
const LAST_WORDS_WAIT: Duration = Duration::from_millis(200);
/// How long a killed process may take to be gone.
const REAP_WAIT: Duration = Duration::from_secs(1);
/// Lines of standard error kept for the error.
const KEPT_LOG_LINES: usize = 4;
/// Longest quotation of one line, in characters.
const LONGEST_QUOTE: usize = 240;

/// A running program with its three pipes.
pub(super) struct Child {
    process: tokio::process::Child,
    /// The leader of the process group, which the program was given of its own.
    group: Pid,
    stdin: Option<ChildStdin>,
    stdout: ChildStdout,
    stderr: Option<ChildStderr>,
    /// What came on standard output and is not yet a whole line.
    unread: Vec<u8>,
    log: Log,
    last_answer: Option<String>,
}

/// Standard error: told to `tracing`, and its last lines kept.
struct Log {
    partial: Vec<u8>,
    lines: VecDeque<String>,
    since_call: usize,
}

/// Why an exchange came to nothing; the words say what was being waited for.
#[derive(Debug)]
pub(super) enum Failure {
    /// Its output ended.
    Ended,
    /// No whole line within the deadline.
    Late,
    /// What is no answer, in words.
    Nonsense(String),
    /// Too much of it, in words.
    Flood(String),
}

impl Child {
    /// Starts the program in a process group of its own. Needs a running runtime.
    pub(super) fn start(command: &[String], folder: &Path) -> Result<Child, Trouble> {
        let (name, arguments) = command.split_first().ok_or_else(|| Trouble {
            kind: TroubleKind::ProgramEnded,
            detail: "the bench file names no program".to_owned(),
        })?;
        let program = located(name, folder);
        let mut process = Command::new(&program)
            .args(arguments)
            .current_dir(folder)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .process_group(0)
            .kill_on_drop(true)
            .spawn()
            .map_err(|error| Trouble {
                kind: TroubleKind::ProgramEnded,
                detail: format!(
                    "the program {} could not be started in {}: {error}; a name with a `/` is looked for from the \
                     bench file's folder, one without along PATH",
                    quoted(program.to_string_lossy().as_bytes()),
                    quoted(folder.to_string_lossy().as_bytes()),
                ),
            })?;
        let (Some(stdin), Some(stdout), Some(stderr), Some(id)) =
            (process.stdin.take(), process.stdout.take(), process.stderr.take(), process.id())
        else {
            // All three were asked for, so this is a fault of the system and not of the program.
            return Err(Trouble {
                kind: TroubleKind::ProgramEnded,
                detail: "the program was started without its pipes".to_owned(),
            });
        };
        Ok(Child {
            process,
            group: Pid::from_raw(id.cast_signed()),
            stdin: Some(stdin),
            stdout,
            stderr: Some(stderr),
            unread: Vec::with_capacity(4096),
            log: Log { partial: Vec::new(), lines: VecDeque::new(), since_call: 0 },
            last_answer: None,
        })
    }

    /// Sends one message (with its line end) and waits for one line of answer,
    /// returned without its line end.
    pub(super) async fn exchange(&mut self, message: &[u8], limit: Duration) -> Result<Vec<u8>, Failure> {
        self.log.since_call = 0;
        let mut late = pin!(sleep_until(Instant::now() + limit));
        let Some(stdin) = self.stdin.as_mut() else { return Err(Failure::Ended) };
        tokio::select! {
            biased;
            written = stdin.write_all(message) => {
                // A closed pipe: what it said before that is still to be read, below.
                if written.is_err() {
                    return Err(Failure::Ended);
                }
            }
            () = &mut late => return Err(Failure::Late),
        }
        let mut searched = 0;
        let mut log_chunk = [0_u8; 4096];
        loop {
            if let Some(found) = self.unread[searched..].iter().position(|&byte| byte == b'\n') {
                let end = searched + found;
                if end > LONGEST_LINE {
                    return Err(too_long(&self.unread));
                }
                let rest = self.unread.split_off(end + 1);
                let mut line = std::mem::replace(&mut self.unread, rest);
                line.pop();
                if !self.unread.is_empty() {
                    let extra = quoted(first_line(&self.unread));
                    return Err(Failure::Nonsense(format!(
                        "wrote more than the one line it was asked for: after {} came {extra}",
                        quoted(&line)
                    )));
                }
                return Ok(line);
            }
            searched = self.unread.len();
            if searched > LONGEST_LINE {
                return Err(too_long(&self.unread));
            }
            tokio::select! {
                biased;
                read = self.stdout.read_buf(&mut self.unread) => {
                    if !matches!(read, Ok(count) if count > 0) {
                        return Err(Failure::Ended);
                    }
                }
                read = read_log(&mut self.stderr, &mut log_chunk), if self.stderr.is_some() => {
                    match read {
                        Some(count) => self.log.take(&log_chunk[..count]),
                        None => self.stderr = None,
                    }
                    if self.log.since_call > MOST_LOG_PER_CALL {
                        return Err(Failure::Flood(format!(
                            "wrote more than {} KiB to standard error between two calls",
                            MOST_LOG_PER_CALL / 1024
                        )));
                    }
                }
                () = &mut late => return Err(Failure::Late),
            }
        }
    }

    /// Keeps an answer for the words of a later error.
    pub(super) fn remember(&mut self, line: &[u8]) {
        let kept = self.last_answer.get_or_insert_default();
        kept.clear();
        // Escaping waits until it is needed; this runs on every call.
        kept.push_str(&String::from_utf8_lossy(&line[..line.len().min(LONGEST_QUOTE)]));
    }

    /// Ends the program and says what went wrong: `doing` completes
    /// "while …" (`it was to answer the call at 12.000 s`).
    pub(super) async fn fail(mut self, failure: Failure, doing: &str, limit: Duration) -> Trouble {
        let failure = match failure {
            Failure::Nonsense(words) if self.floods().await => {
                Failure::Flood(format!("went on writing without being asked; it first {words}"))
            }
            other => other,
        };
        if matches!(failure, Failure::Ended | Failure::Late) {
            let wait = if matches!(failure, Failure::Ended) { LAST_WORDS_WAIT } else { Duration::ZERO };
            self.drain(Instant::now() + wait).await;
        }
        // Told before the status is asked for: a process that has ended by
        // itself keeps its own status, only a living one shows this signal.
        let partial = std::mem::take(&mut self.unread);
        let said = self.last_words(&partial);
        let status = self.kill().await;
        let by_itself = status.is_some_and(|status| status.signal() != Some(Signal::SIGKILL as i32));
        let (kind, mut detail) = match failure {
            Failure::Ended | Failure::Late if by_itself => (
                TroubleKind::ProgramEnded,
                format!("the program ended by itself ({}) while {doing}", status.map_or_else(String::new, how)),
            ),
            Failure::Ended => (
                TroubleKind::ProgramEnded,
                format!("the program closed its standard input or output while {doing}, and was killed"),
            ),
            Failure::Late => {
                let hint = if partial.is_empty() { "" } else { " (what it wrote has no line end)" };
                (
                    TroubleKind::ProgramLate,
                    format!("the program gave no answer within {} ms while {doing}{hint}", limit.as_millis()),
                )
            }
            Failure::Nonsense(words) => (TroubleKind::ProgramNonsense, format!("the program {words}, while {doing}")),
            Failure::Flood(words) => (TroubleKind::ProgramFlood, format!("the program {words}, while {doing}")),
        };
        detail.push_str(&said);
        Trouble { kind, detail }
    }

    /// Ends the program at the end of a run or with its supply: it is told, may
    /// take `patience` to exit, and is killed then. What it still writes is not read as an answer.
    pub(super) async fn finish(mut self, farewell: &[u8], patience: Duration) {
        let until = Instant::now() + patience;
        if let Some(mut stdin) = self.stdin.take() {
            // Whether it hears that or is already gone makes no difference.
            let _ = timeout_at(until, stdin.write_all(farewell)).await;
        }
        self.drain(until).await;
        self.kill().await;
    }

    /// Sends the group the signal that nothing survives; for a drop outside the runtime.
    pub(super) fn kill_at_once(&self) {
        // An error means that nobody is left.
        let _ = killpg(self.group, Signal::SIGKILL);
    }

    async fn kill(&mut self) -> Option<ExitStatus> {
        // Before the leader is waited for: until then its number cannot be given to another process.
        self.kill_at_once();
        let status = timeout_at(Instant::now() + REAP_WAIT, self.process.wait()).await;
        status.ok()?.ok()
    }

    /// Reads and forgets (but logs) until both pipes end, or `until`.
    async fn drain(&mut self, until: Instant) {
        let mut out = [0_u8; 4096];
        let mut log = [0_u8; 4096];
        let mut open = true;
        let mut budget = MOST_LOG_PER_CALL;
        while budget > 0 && (open || self.stderr.is_some()) {
            let count = tokio::select! {
                biased;
                read = self.stdout.read(&mut out), if open => {
                    let count = read.unwrap_or(0);
                    open = count > 0;
                    count
                }
                read = read_log(&mut self.stderr, &mut log), if self.stderr.is_some() => {
                    match read {
                        Some(count) => self.log.take(&log[..count]),
                        None => self.stderr = None,
                    }
                    read.unwrap_or(0)
                }
                () = sleep_until(until) => return,
            };
            budget = budget.saturating_sub(count);
        }
    }

    /// Whether it goes on writing many lines that nobody asked for.
    async fn floods(&mut self) -> bool {
        let until = Instant::now() + FLOOD_WATCH;
        loop {
            let lines = self.unread.iter().filter(|&&byte| byte == b'\n').count();
            if lines >= FLOOD_LINES || self.unread.len() > LONGEST_LINE {
                return true;
            }
            let read = timeout_at(until, self.stdout.read_buf(&mut self.unread)).await;
            if !matches!(read, Ok(Ok(count)) if count > 0) {
                return false;
            }
        }
    }

    fn last_words(&mut self, partial: &[u8]) -> String {
        self.log.end_line();
        let mut words = String::new();
        let last_output = match (&self.last_answer, partial.is_empty()) {
            (_, false) => Some(quoted(first_line(partial))),
            (Some(answer), true) => Some(quoted(answer.as_bytes())),
            (None, true) => None,
        };
        if let Some(last) = last_output {
            let _ = write!(words, "; last on standard output: {last}");
        }
        if !self.log.lines.is_empty() {
            let lines: Vec<&str> = self.log.lines.iter().map(String::as_str).collect();
            let _ = write!(words, "; last on standard error: {}", lines.join(" "));
        }
        words
    }
}

impl Log {
    fn take(&mut self, chunk: &[u8]) {
        self.since_call += chunk.len();
        for &byte in chunk {
            if byte == b'\n' {
                self.end_line();
            } else if self.partial.len() < 4 * LONGEST_QUOTE {
                self.partial.push(byte);
            }
        }
    }

    fn end_line(&mut self) {
        if self.partial.is_empty() {
            return;
        }
        let line = quoted(&self.partial);
        self.partial.clear();
        tracing::debug!(target: "dryfire::program", "standard error: {line}");
        if self.lines.len() == KEPT_LOG_LINES {
            self.lines.pop_front();
        }
        self.lines.push_back(line);
    }
}

/// Reads from standard error; `None` once it has ended.
async fn read_log(stderr: &mut Option<ChildStderr>, chunk: &mut [u8]) -> Option<usize> {
    match stderr.as_mut()?.read(chunk).await {
        Ok(count) if count > 0 => Some(count),
        _ => None,
    }
}

/// A name with a `/` counts from the bench file's folder; others are found along PATH.
fn located(name: &str, folder: &Path) -> PathBuf {
    if name.contains('/') { folder.join(name) } else { PathBuf::from(name) }
}

fn too_long(line: &[u8]) -> Failure {
    Failure::Flood(format!("wrote a line of more than {} KiB: {}", LONGEST_LINE / 1024, quoted(line)))
}

fn first_line(bytes: &[u8]) -> &[u8] {
    bytes.split(|&byte| byte == b'\n').next().unwrap_or(bytes)
}

fn how(status: ExitStatus) -> String {
    match (status.code(), status.signal()) {
        (Some(code), _) => format!("exit code {code}"),
        (None, Some(number)) => match Signal::try_from(number) {
            Ok(signal) => format!("signal {signal}"),
            Err(_) => format!("signal {number}"),
        },
        (None, None) => "in an unknown way".to_owned(),
    }
}

/// Whether a character steers a terminal, turns the writing direction or hides: an error has to read as it was written.
pub(super) fn deceives(character: char) -> bool {
    character.is_control()
        || matches!(character, '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{feff}')
}

/// Bytes from outside, fit to stand in one line of an error: control
/// characters and bytes that are no text escaped, and cut when long.
pub(super) fn quoted(bytes: &[u8]) -> String {
    let mut text = String::from("`");
    let mut length = 0;
    'all: for chunk in bytes.utf8_chunks() {
        for character in chunk.valid().chars() {
            if length >= LONGEST_QUOTE {
                text.push('…');
                break 'all;
            }
            length += 1;
            if deceives(character) {
                text.extend(character.escape_default());
            } else {
                text.push(character);
            }
        }
        for byte in chunk.invalid() {
            if length >= LONGEST_QUOTE {
                text.push('…');
                break 'all;
            }
            length += 1;
            let _ = write!(text, "\\x{byte:02x}");
        }
    }
    text.push('`');
    text
}

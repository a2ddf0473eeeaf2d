//! One connection to a rig: transport and link end together.

use std::collections::VecDeque;
use std::time::Duration;

use dryfire_engine::{Trouble, TroubleKind};
use dryfire_link::frame::MAX_FRAME;
use dryfire_link::{HostEndpoint, HostMessage, LinkTime, Refusal, RigMessage, SendError};

use crate::transport::{Transport, TransportError};

/// A transport with the host's end of the link on it.
pub(crate) struct Wire {
    transport: Box<dyn Transport>,
    link: HostEndpoint,
    inbox: VecDeque<RigMessage>,
    bytes: Vec<u8>,
    frames: Vec<u8>,
    boot_id: Option<u32>,
    /// Silence counts from here, or from when something was heard.
    listening_since: LinkTime,
    /// Longest silence of the rig, microseconds of link time.
    patience: u64,
    /// When a silent rig is to be asked whether it still knows the session.
    nudge_at: LinkTime,
}

/// A rig sends something several times in this time, in microseconds of link time.
const QUIET: u64 = 200_000;

pub(crate) fn trouble(kind: TroubleKind, detail: impl Into<String>) -> Trouble {
    Trouble { kind, detail: detail.into() }
}

fn gone(error: &TransportError) -> Trouble {
    trouble(TroubleKind::LinkLost, error.to_string())
}

/// What a refusal means, in words.
pub(crate) fn refused(command: Option<u32>, why: Refusal) -> Trouble {
    let why = match why {
        Refusal::Protocol { expected } => format!("it speaks protocol {expected} of the link"),
        Refusal::NoRun => "no run goes on there".to_owned(),
        Refusal::NoSuch => "it has no such channel, contact or switch".to_owned(),
        Refusal::QueueFull => "too many commands wait there for their instant".to_owned(),
        Refusal::NotStepped => "its clock cannot be stopped".to_owned(),
        Refusal::Silence { max_ms } => format!("it allows the host at most {max_ms} ms of silence"),
        Refusal::RunGoesOn => "a run goes on there".to_owned(),
        Refusal::Malformed => "it could not read a message".to_owned(),
    };
    let what = command.map_or_else(String::new, |command| format!(" command {command}"));
    trouble(TroubleKind::LinkRefused, format!("the rig refused{what}: {why}"))
}

impl Wire {
    pub(crate) fn open(transport: Box<dyn Transport>, nonce: u32, patience: Duration) -> Self {
        let mut link = HostEndpoint::host();
        link.open(nonce);
        Wire {
            listening_since: transport.now(),
            transport,
            link,
            inbox: VecDeque::new(),
            bytes: Vec::new(),
            frames: Vec::new(),
            boot_id: None,
            nudge_at: LinkTime::ZERO,
            patience: u64::try_from(patience.as_micros()).unwrap_or(u64::MAX),
        }
    }

    /// Starts to count silence: before this nobody listened.
    pub(crate) fn listen(&mut self) {
        self.listening_since = self.now();
    }

    fn heard(&self) -> LinkTime {
        self.link.last_heard().map_or(self.listening_since, |heard| heard.max(self.listening_since))
    }

    pub(crate) fn now(&self) -> LinkTime {
        self.transport.now()
    }

    /// The boot that everything from now on must come from.
    pub(crate) fn expect_boot(&mut self, boot_id: u32) {
        self.boot_id = Some(boot_id);
    }

    pub(crate) fn expected_boot(&self) -> Option<u32> {
        self.boot_id
    }

    /// Frames that arrived damaged since the connection was made.
    pub(crate) fn damaged(&self) -> u32 {
        self.link.counters().damaged
    }

    pub(crate) fn all_delivered(&self) -> bool {
        self.link.all_delivered()
    }

    /// Queues a message for [`Self::flush`]; exchanges only if there is no room for it.
    pub(crate) fn send(&mut self, message: &HostMessage) -> Result<(), Trouble> {
        loop {
            match self.link.send(message) {
                Ok(()) => return Ok(()),
                Err(SendError::TooLong) => {
                    return Err(trouble(TroubleKind::LinkRefused, "a message to the rig is too long for a frame"));
                }
                Err(SendError::Full) => self.exchange(LinkTime::from_micros(u64::MAX))?,
            }
        }
    }

    /// Queues a message if there is room; never waits.
    pub(crate) fn send_if_room(&mut self, message: &HostMessage) -> bool {
        self.link.send(message).is_ok()
    }

    /// Sends what waits, in one write.
    pub(crate) fn flush(&mut self) -> Result<(), Trouble> {
        let now = self.transport.now();
        let mut buffer = [0u8; MAX_FRAME];
        self.frames.clear();
        while let Some(frame) = self.link.poll_transmit(now, &mut buffer) {
            self.frames.extend_from_slice(frame);
        }
        if self.frames.is_empty() {
            return Ok(());
        }
        self.transport.write(&self.frames).map_err(|error| gone(&error))
    }

    /// Sends what waits, then waits for something to arrive, until `until` at most.
    pub(crate) fn exchange(&mut self, until: LinkTime) -> Result<(), Trouble> {
        let heard = self.heard();
        if self.transport.now() >= self.nudge_at.max(heard + QUIET) {
            self.link.nudge();
            self.nudge_at = self.transport.now() + QUIET;
        }
        self.flush()?;
        let now = self.transport.now();
        let mut due = until.min(heard + self.patience).min(self.nudge_at.max(heard + QUIET));
        if let Some(at) = self.link.poll_timeout() {
            due = due.min(at);
        }
        self.bytes.clear();
        let wait = Duration::from_micros(due.micros_since(now));
        self.transport.read(&mut self.bytes, wait).map_err(|error| gone(&error))?;
        let now = self.transport.now();
        self.link.handle_bytes(now, &self.bytes);
        while let Some(message) = self.link.poll_message() {
            match message {
                Ok(message) => self.inbox.push_back(message),
                Err(error) => {
                    let detail = format!(
                        "frame {} of the rig holds something that is no message, at byte {}: {}",
                        error.seq, error.offset, error.cause
                    );
                    return Err(trouble(TroubleKind::LinkRefused, detail));
                }
            }
        }
        if let Some(loss) = self.link.session_loss() {
            return Err(match self.boot_id {
                Some(boot_id) if boot_id == loss.boot_id => {
                    trouble(TroubleKind::LinkLost, "the rig has given up this session: another program may talk to it")
                }
                _ => restarted(),
            });
        }
        let heard = self.heard();
        if self.inbox.is_empty() && now.micros_since(heard) >= self.patience {
            let seconds = self.patience as f64 / 1e6;
            let damaged = self.link.counters().damaged;
            let hint = match (self.link.last_heard(), damaged) {
                (None, 0) => "; is this the rig's port, and is its firmware on it?".to_owned(),
                (None, _) => format!("; what arrives is no frame ({damaged} damaged): is this the rig's port?"),
                (Some(_), _) => String::new(),
            };
            return Err(trouble(
                TroubleKind::LinkLost,
                format!("nothing was heard from the rig for {seconds} s{hint}"),
            ));
        }
        Ok(())
    }

    /// Lets go of the port, so that it can be opened again; nothing works on this connection any more.
    pub(crate) fn let_go(&mut self) {
        self.transport = Box::new(LetGo { at: self.transport.now() });
    }

    /// Sends nothing for so long, and keeps what comes.
    pub(crate) fn hold_still(&mut self, micros: u64) -> Result<(), Trouble> {
        let until = self.transport.now() + micros;
        while self.transport.now() < until {
            self.bytes.clear();
            let wait = Duration::from_micros(until.micros_since(self.transport.now()));
            self.transport.read(&mut self.bytes, wait).map_err(|error| gone(&error))?;
            let now = self.transport.now();
            self.link.handle_bytes(now, &self.bytes);
        }
        Ok(())
    }

    pub(crate) fn next_message(&mut self) -> Option<RigMessage> {
        self.inbox.pop_front()
    }
}

/// What is left of a port that was let go of.
struct LetGo {
    at: LinkTime,
}

impl LetGo {
    fn gone() -> TransportError {
        TransportError::Gone { port: "the rig's".to_owned(), cause: "this connection is over".to_owned() }
    }
}

impl Transport for LetGo {
    fn now(&self) -> LinkTime {
        self.at
    }

    fn read(&mut self, _into: &mut Vec<u8>, _timeout: Duration) -> Result<(), TransportError> {
        Err(Self::gone())
    }

    fn write(&mut self, _frames: &[u8]) -> Result<(), TransportError> {
        Err(Self::gone())
    }
}

pub(crate) fn restarted() -> Trouble {
    trouble(TroubleKind::RigRestarted, "the rig's boot id has changed: it lost power, crashed or was reset")
}

/// `when`: a few words, or none.
pub(crate) fn went_safe(when: &str) -> Trouble {
    let space = if when.is_empty() { "" } else { " " };
    let detail =
        format!("the rig went to its safe state{space}{when}: it had not heard from the host for the agreed time");
    trouble(TroubleKind::RigWentSafe, detail)
}

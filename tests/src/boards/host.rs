//! A host on the rig's serial port that says what a test wants.

use std::path::Path;
use std::time::Duration;

use dryfire_bench::{SerialTransport, Transport};
use dryfire_link::frame::MAX_FRAME;
use dryfire_link::{Begin, HostEndpoint, HostMessage, LinkPacing, LinkTime, PROTOCOL, RigMessage, Welcome};
use dryfire_units::RigTime;

/// The host's end of the link with everything that has been heard.
pub struct Host {
    transport: SerialTransport,
    link: HostEndpoint,
    /// What the rig said, oldest first; heartbeats too.
    pub heard: Vec<RigMessage>,
    /// What the rig said about itself.
    pub welcome: Welcome,
}

/// Longest wait for anything, of the wall clock.
const PATIENCE: u64 = 120_000_000;

impl Host {
    /// Opens a session.
    ///
    /// # Panics
    /// If the rig does not answer.
    pub fn greet(port: &Path, nonce: u32) -> Host {
        let transport = SerialTransport::open(port).expect("the port opens");
        let mut link = HostEndpoint::host();
        link.open(nonce);
        let nobody = Welcome {
            protocol: 0,
            board: Default::default(),
            firmware: Default::default(),
            boot_id: 0,
            capabilities: dryfire_link::Capabilities {
                simulated: false,
                stepped: false,
                supply_switch: false,
                supply_rail: false,
                console: false,
                probe_channels: 0,
                inputs: 0,
                contacts: 0,
            },
            limits: dryfire_link::Limits { edge_ring: 0, command_queue: 0, max_silence_ms: 0 },
        };
        let mut host = Host { transport, link, heard: Vec::new(), welcome: nobody };
        host.say(&HostMessage::Hello { protocol: PROTOCOL });
        host.welcome = host.wait_for(|message| match message {
            RigMessage::Welcome(welcome) => Some(welcome.clone()),
            _ => None,
        });
        host
    }

    /// Begins a run and gives its origin.
    ///
    /// # Panics
    /// If the rig does not.
    pub fn begin(&mut self, silence_ms: u16, closed_when_safe: u32) -> RigTime {
        let begin = Begin {
            run: 1,
            seed: 1,
            ambient_millicelsius: 20_000,
            pacing: if self.welcome.capabilities.stepped { LinkPacing::Stepped } else { LinkPacing::Free },
            silence_ms,
            supply_off_ms: 0,
            closed_at_rest: 0,
            closed_when_safe,
            supply_when_safe: true,
        };
        self.say(&HostMessage::Begin(begin));
        self.wait_for(|message| match message {
            RigMessage::Began { origin, .. } => Some(*origin),
            _ => None,
        })
    }

    /// Sends a message.
    ///
    /// # Panics
    /// If it is never taken.
    pub fn say(&mut self, message: &HostMessage) {
        while self.link.send(message).is_err() {
            self.exchange(Duration::from_millis(5));
        }
        self.flush();
    }

    fn flush(&mut self) {
        let now = self.transport.now();
        let mut buffer = [0u8; MAX_FRAME];
        while let Some(frame) = self.link.poll_transmit(now, &mut buffer) {
            self.transport.write(frame).expect("the port is there");
        }
    }

    /// Exchanges once, waiting for at most so long, and gives what is new.
    ///
    /// # Panics
    /// If the port is gone.
    pub fn exchange(&mut self, wait: Duration) -> &[RigMessage] {
        self.flush();
        let mut bytes = Vec::new();
        let wait = self
            .link
            .poll_timeout()
            .map_or(wait, |due| wait.min(Duration::from_micros(due.micros_since(self.transport.now()).max(500))));
        self.transport.read(&mut bytes, wait).expect("the port is there");
        let now = self.transport.now();
        self.link.handle_bytes(now, &bytes);
        let before = self.heard.len();
        while let Some(message) = self.link.poll_message() {
            self.heard.push(message.expect("a message"));
        }
        self.flush();
        &self.heard[before..]
    }

    /// Exchanges until something that is wanted comes.
    ///
    /// # Panics
    /// If it does not.
    pub fn wait_for<T>(&mut self, mut wanted: impl FnMut(&RigMessage) -> Option<T>) -> T {
        let until: LinkTime = self.transport.now() + PATIENCE;
        loop {
            if let Some(found) = self.exchange(Duration::from_millis(20)).iter().find_map(&mut wanted) {
                return found;
            }
            // A host that waits is not silent.
            self.link.nudge();
            assert!(self.transport.now() < until, "the rig does not say it; {:?}", self.heard.last());
        }
    }
}

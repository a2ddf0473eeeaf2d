//! Reliable, ordered messages over a byte stream that loses, damages, repeats or reorders.

use core::marker::PhantomData;

use heapless::{Deque, Vec};
use serde::Serialize;
use serde::de::DeserializeOwned;

use crate::LinkTime;
use crate::frame::{self, Accumulator, Fed, FrameError, FrameKind, Header, MAX_FRAME, MAX_PAYLOAD, Origin};

/// Most data frames that are under way in one direction without acknowledgement.
pub const WINDOW: usize = 16;

/// After this long without acknowledgement a frame is sent again; doubled on
/// every vain try up to four times that.
const RESEND_AFTER: u64 = 20_000;
const RESEND_DOUBLINGS: u32 = 2;
/// An acknowledgement waits this long for a data frame that can carry it.
const ACK_DELAY: u64 = 2_000;
/// A frame reported missing is not sent again within this time.
const MISSING_HOLD: u64 = 1_000;

/// The session that two nonces make: `mix(mix(host) + rig)`, wrapping.
///
/// Not a CRC: that is linear, so nonces that both count up by one would give the
/// same session again.
pub fn session_of(host_nonce: u32, rig_nonce: u32) -> u32 {
    mix(mix(host_nonce).wrapping_add(rig_nonce))
}

/// Spreads every bit over the whole word, one to one (finalizer of the public-domain
/// MurmurHash3 by A. Appleby; constants from memory, any odd ones would do).
fn mix(word: u32) -> u32 {
    let word = (word ^ (word >> 16)).wrapping_mul(0x85EB_CA6B);
    let word = (word ^ (word >> 13)).wrapping_mul(0xC2B2_AE35);
    word ^ (word >> 16)
}

/// Why a message was not taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SendError {
    /// The window is full: try again after something has been acknowledged.
    Full,
    /// It does not fit into a frame.
    TooLong,
}

/// A whole frame of this session held something that is no message.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MessageError {
    /// Number of the frame.
    pub seq: u32,
    /// Where in its payload.
    pub offset: u16,
    /// What the decoder said.
    pub cause: postcard::Error,
}

/// The rig does not know the session any more.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SessionLoss {
    /// The rig's boot id now.
    pub boot_id: u32,
}

/// What an endpoint has counted since it was made.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct LinkCounters {
    /// Frames that arrived damaged.
    pub damaged: u32,
    /// Data frames that had arrived before.
    pub repeated: u32,
    /// Whole frames of another session, or from the wrong side.
    pub foreign: u32,
    /// Data frames that there was no room for.
    pub overrun: u32,
    /// Data frames sent again.
    pub resent: u32,
}

#[derive(Clone, Debug)]
struct Outgoing {
    seq: u32,
    payload: Vec<u8, MAX_PAYLOAD>,
    sent_at: Option<LinkTime>,
    tries: u32,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Session {
    None,
    /// Host: asked for and not accepted yet.
    Opening,
    /// `confirmed`: a frame of this session has come from the other side.
    Open {
        id: u32,
        confirmed: bool,
    },
}

/// One end of the link, without IO and without a clock.
///
/// Contract:
/// - [`Self::handle_bytes`] with whatever arrived, in any chunks. `link_now` never
///   goes backwards; any other call may come at any time, as often as liked.
/// - Then [`Self::poll_message`] until `None`. A message that is not taken stays
///   and, once the window is full, holds up the other side.
/// - [`Self::send`] any number of messages; those sent between two calls of
///   [`Self::poll_transmit`] share frames.
/// - [`Self::poll_transmit`] until `None`, and the bytes go out in that order.
/// - Call `poll_transmit` again when [`Self::poll_timeout`] has passed.
///
/// Messages come out exactly once and in the order in which they were sent, or
/// not at all: then `sent` stays full, nothing is heard, or [`Self::session_loss`]
/// says so. What counts as dead is for the caller to decide from [`Self::last_heard`].
///
/// `O` goes out, `I` comes in. A host makes the session with [`Self::open`]; a rig
/// accepts the newest one whose first data frame arrives. The session is made of
/// a nonce from each side, so neither an old `Open` nor old data frames that
/// turn up late can make one, or get into another.
#[derive(Clone, Debug)]
pub struct Endpoint<O, I> {
    side: Origin,
    session: Session,
    host_nonce: u32,
    /// Host: when to ask for the session again.
    open_due: LinkTime,
    boot_id: u32,
    /// Rig: how many sessions were asked for since boot.
    opens: u32,
    /// Rig: sessions accepted and not begun: host's and rig's nonce.
    offered: Deque<(u32, u32), 4>,
    accept_due: Option<(u32, u32)>,
    unknown_due: Option<u32>,
    loss: Option<SessionLoss>,

    accumulator: Accumulator,
    counters: LinkCounters,
    last_error: Option<FrameError>,
    last_heard: Option<LinkTime>,

    outgoing: Deque<Outgoing, WINDOW>,
    next_seq: u32,
    backoff: u32,

    incoming: [Option<Vec<u8, MAX_PAYLOAD>>; WINDOW],
    /// The next frame from the other side that is not here yet.
    expected: u32,
    /// The frame that messages are being taken from, and how far.
    reading: u32,
    offset: usize,
    ack_due: Option<LinkTime>,
    unacknowledged: usize,
    missing: bool,

    messages: PhantomData<fn(O) -> I>,
}

impl<O: Serialize, I: DeserializeOwned> Endpoint<O, I> {
    fn new(side: Origin, boot_id: u32) -> Self {
        Endpoint {
            side,
            session: Session::None,
            host_nonce: 0,
            open_due: LinkTime::ZERO,
            boot_id,
            opens: 0,
            offered: Deque::new(),
            accept_due: None,
            unknown_due: None,
            loss: None,
            accumulator: Accumulator::new(),
            counters: LinkCounters::default(),
            last_error: None,
            last_heard: None,
            outgoing: Deque::new(),
            next_seq: 0,
            backoff: 0,
            incoming: [const { None }; WINDOW],
            expected: 0,
            reading: 0,
            offset: 0,
            ack_due: None,
            unacknowledged: 0,
            missing: false,
            messages: PhantomData,
        }
    }

    /// A host's end without a session; call [`Self::open`].
    pub fn host() -> Self {
        Self::new(Origin::Host, 0)
    }

    /// A rig's end. `boot_id` must be another number after every boot.
    pub fn rig(boot_id: u32) -> Self {
        Self::new(Origin::Rig, boot_id)
    }

    /// Host: asks for a new session and forgets all that was not delivered. `nonce`
    /// must be another number every time.
    pub fn open(&mut self, nonce: u32) {
        self.reset();
        self.session = Session::Opening;
        self.host_nonce = nonce;
        self.open_due = LinkTime::ZERO;
        self.loss = None;
        self.last_heard = None;
    }

    fn reset(&mut self) {
        self.outgoing.clear();
        self.next_seq = 0;
        self.backoff = 0;
        self.incoming = [const { None }; WINDOW];
        self.expected = 0;
        self.reading = 0;
        self.offset = 0;
        self.ack_due = None;
        self.unacknowledged = 0;
        self.missing = false;
    }

    /// The session, once there is one.
    pub fn session(&self) -> Option<u32> {
        match self.session {
            Session::Open { id, .. } => Some(id),
            Session::None | Session::Opening => None,
        }
    }

    /// Host: that the rig has forgotten the session, and its boot id now.
    pub fn session_loss(&self) -> Option<SessionLoss> {
        self.loss
    }

    /// When something new of this session last arrived: a data frame not seen before or an
    /// acknowledgement that moves on. A wire that keeps repeating old frames is silent.
    pub fn last_heard(&self) -> Option<LinkTime> {
        self.last_heard
    }

    /// The counters.
    pub fn counters(&self) -> LinkCounters {
        self.counters
    }

    /// Why the last damaged frame was no frame.
    pub fn last_error(&self) -> Option<FrameError> {
        self.last_error
    }

    /// Whether everything sent has been acknowledged.
    pub fn all_delivered(&self) -> bool {
        self.outgoing.is_empty()
    }

    /// Whole frames that can still be sent before one is acknowledged.
    pub fn room(&self) -> usize {
        WINDOW - self.outgoing.len()
    }

    /// Sends an acknowledgement with the next [`Self::poll_transmit`] though none is due: a rig
    /// that has restarted answers that it does not know the session.
    pub fn nudge(&mut self) {
        self.ack_due = Some(LinkTime::ZERO);
    }

    /// Takes bytes as they arrived.
    pub fn handle_bytes(&mut self, link_now: LinkTime, bytes: &[u8]) {
        let mut rest = bytes;
        loop {
            // The accumulator lends the frame out of itself; it is put back below.
            let mut accumulator = core::mem::take(&mut self.accumulator);
            let more = match accumulator.feed(rest) {
                Fed::Pending => None,
                Fed::Frame { frame, rest } => {
                    self.handle_frame(link_now, &frame.header, frame.payload);
                    Some(rest)
                }
                Fed::Damaged { error, rest } => {
                    self.counters.damaged = self.counters.damaged.saturating_add(1);
                    self.last_error = Some(error);
                    Some(rest)
                }
            };
            self.accumulator = accumulator;
            match more {
                Some(more) => rest = more,
                None => return,
            }
        }
    }

    fn handle_frame(&mut self, link_now: LinkTime, header: &Header, payload: &[u8]) {
        if header.origin == self.side {
            self.counters.foreign = self.counters.foreign.saturating_add(1);
            return;
        }
        match header.kind {
            FrameKind::Open if self.side == Origin::Rig => self.offer(header.session),
            FrameKind::Accept if self.side == Origin::Host => self.accepted(link_now, header),
            FrameKind::Unknown if self.side == Origin::Host => self.disowned(header),
            FrameKind::Data | FrameKind::Ack | FrameKind::Missing => {
                if self.belongs(header) {
                    let moved_on = self.acknowledged(link_now, header);
                    let taken = header.kind == FrameKind::Data && self.take_data(link_now, header.seq, payload);
                    if moved_on || taken {
                        self.last_heard = Some(link_now);
                    }
                } else {
                    self.counters.foreign = self.counters.foreign.saturating_add(1);
                }
            }
            FrameKind::Open | FrameKind::Accept | FrameKind::Unknown => {
                self.counters.foreign = self.counters.foreign.saturating_add(1);
            }
        }
    }

    /// Rig: a host asks for a session. The running one stays until the new one proves real.
    fn offer(&mut self, host_nonce: u32) {
        let known = self.offered.iter().find(|(nonce, _)| *nonce == host_nonce).copied();
        let offer = known.unwrap_or_else(|| {
            self.opens = self.opens.wrapping_add(1);
            let offer = (host_nonce, session_of(self.boot_id, self.opens));
            if self.offered.is_full() {
                self.offered.pop_front();
            }
            // Cannot fail: room was made.
            let _ = self.offered.push_back(offer);
            offer
        });
        self.accept_due = Some(offer);
    }

    fn accepted(&mut self, link_now: LinkTime, header: &Header) {
        if self.session != Session::Opening || header.session != self.host_nonce {
            self.counters.foreign = self.counters.foreign.saturating_add(1);
            return;
        }
        self.boot_id = header.ack;
        self.session = Session::Open { id: session_of(self.host_nonce, header.seq), confirmed: false };
        self.last_heard = Some(link_now);
        // What was sent into a session that never began goes out anew.
        for frame in &mut self.outgoing {
            (frame.sent_at, frame.tries) = (None, 0);
        }
    }

    fn disowned(&mut self, header: &Header) {
        match self.session {
            Session::Open { id, confirmed } if id == header.session => {
                if confirmed {
                    self.loss = Some(SessionLoss { boot_id: header.ack });
                    self.session = Session::None;
                } else {
                    self.session = Session::Opening;
                    self.open_due = LinkTime::ZERO;
                }
            }
            _ => self.counters.foreign = self.counters.foreign.saturating_add(1),
        }
    }

    /// Whether a frame is of the session; a rig begins an offered session with its first data frame.
    fn belongs(&mut self, header: &Header) -> bool {
        if let Session::Open { id, confirmed } = &mut self.session
            && *id == header.session
        {
            *confirmed = true;
            return true;
        }
        if self.side == Origin::Rig {
            let begun = self.offered.iter().any(|(host, rig)| session_of(*host, *rig) == header.session);
            if begun && header.kind == FrameKind::Data {
                self.reset();
                self.offered.clear();
                self.session = Session::Open { id: header.session, confirmed: true };
                return true;
            }
            if !begun {
                self.unknown_due = Some(header.session);
            }
        }
        false
    }

    /// Drops what has arrived; says whether anything had.
    fn acknowledged(&mut self, link_now: LinkTime, header: &Header) -> bool {
        let Some(first) = self.outgoing.front() else { return false };
        let count = header.ack.wrapping_sub(first.seq) as usize;
        if count > self.outgoing.len() {
            return false; // An old acknowledgement, overtaken.
        }
        // Nothing can be acknowledged that was not sent.
        if self.outgoing.iter().take(count).any(|frame| frame.tries == 0) {
            return false;
        }
        for _ in 0..count {
            self.outgoing.pop_front();
        }
        if count > 0 {
            self.backoff = 0;
        }
        if header.kind == FrameKind::Missing
            && let Some(first) = self.outgoing.front_mut()
            && let Some(sent_at) = first.sent_at
            && link_now.micros_since(sent_at) >= MISSING_HOLD
        {
            first.sent_at = None;
        }
        count > 0
    }

    /// Keeps a data frame; says whether it was a new one.
    fn take_data(&mut self, link_now: LinkTime, seq: u32, payload: &[u8]) -> bool {
        let ahead = seq.wrapping_sub(self.reading);
        let slot = seq as usize % WINDOW;
        if ahead > u32::MAX / 2 || (ahead < WINDOW as u32 && self.incoming[slot].is_some()) {
            // Here already: our acknowledgement did not get through.
            self.counters.repeated = self.counters.repeated.saturating_add(1);
            self.ack_due = Some(link_now);
            return false;
        }
        if ahead >= WINDOW as u32 {
            self.counters.overrun = self.counters.overrun.saturating_add(1);
            return false;
        }
        // Cannot fail: the payload came out of a frame.
        self.incoming[slot] = Vec::from_slice(payload).ok();
        if seq != self.expected {
            self.missing = true;
            return true;
        }
        while self.expected.wrapping_sub(self.reading) < WINDOW as u32
            && self.incoming[self.expected as usize % WINDOW].is_some()
        {
            self.expected = self.expected.wrapping_add(1);
        }
        self.unacknowledged += 1;
        let due = if self.unacknowledged >= WINDOW / 4 { link_now } else { link_now + ACK_DELAY };
        self.ack_due = Some(self.ack_due.map_or(due, |at| at.min(due)));
        true
    }

    /// The next message in order.
    ///
    /// # Errors
    /// A frame of this session held something that is no message; the rest of that
    /// frame is dropped. Two ends of the same protocol never see this.
    pub fn poll_message(&mut self) -> Option<Result<I, MessageError>> {
        while self.reading != self.expected {
            let slot = self.reading as usize % WINDOW;
            let payload = self.incoming[slot].as_deref().unwrap_or(&[]);
            if self.offset >= payload.len() {
                self.next_frame();
                continue;
            }
            let offset = self.offset;
            return Some(match postcard::take_from_bytes::<I>(&payload[offset..]) {
                Ok((message, rest)) => {
                    self.offset = payload.len() - rest.len();
                    Ok(message)
                }
                Err(cause) => {
                    let error = MessageError { seq: self.reading, offset: offset as u16, cause };
                    self.next_frame();
                    Err(error)
                }
            });
        }
        None
    }

    fn next_frame(&mut self) {
        self.incoming[self.reading as usize % WINDOW] = None;
        self.reading = self.reading.wrapping_add(1);
        self.offset = 0;
    }

    /// Takes a message for sending; it goes out with the next [`Self::poll_transmit`].
    ///
    /// # Errors
    /// The window is full, or the message does not fit into a frame.
    pub fn send(&mut self, message: &O) -> Result<(), SendError> {
        let mut buffer = [0u8; MAX_PAYLOAD];
        let bytes = postcard::to_slice(message, &mut buffer).map_err(|_| SendError::TooLong)?;
        if let Some(last) = self.outgoing.back_mut()
            && last.tries == 0
            && last.payload.extend_from_slice(bytes).is_ok()
        {
            return Ok(());
        }
        let payload = Vec::from_slice(bytes).map_err(|_| SendError::TooLong)?;
        self.outgoing
            .push_back(Outgoing { seq: self.next_seq, payload, sent_at: None, tries: 0 })
            .map_err(|_| SendError::Full)?;
        self.next_seq = self.next_seq.wrapping_add(1);
        Ok(())
    }

    fn resend_after(&self) -> u64 {
        RESEND_AFTER << self.backoff
    }

    /// Bytes to put on the wire now, one frame at a time.
    pub fn poll_transmit<'b>(&mut self, link_now: LinkTime, out: &'b mut [u8; MAX_FRAME]) -> Option<&'b [u8]> {
        let (header, payload) = self.next_transmit(link_now)?;
        let len = frame::encode(&header, &payload, out)?;
        Some(&out[..len])
    }

    fn next_transmit(&mut self, link_now: LinkTime) -> Option<(Header, Vec<u8, MAX_PAYLOAD>)> {
        let side = self.side;
        let bare = |kind, session, seq, ack| (Header { origin: side, kind, session, seq, ack }, Vec::new());
        if let Some((host, rig)) = self.accept_due.take() {
            return Some(bare(FrameKind::Accept, host, rig, self.boot_id));
        }
        if let Some(session) = self.unknown_due.take() {
            return Some(bare(FrameKind::Unknown, session, 0, self.boot_id));
        }
        let id = match self.session {
            Session::None => return None,
            Session::Opening => {
                if link_now < self.open_due {
                    return None;
                }
                self.open_due = link_now + RESEND_AFTER;
                return Some(bare(FrameKind::Open, self.host_nonce, 0, 0));
            }
            Session::Open { id, .. } => id,
        };
        let expected = self.expected;
        if self.missing {
            self.missing = false;
            self.ack_sent();
            return Some(bare(FrameKind::Missing, id, self.next_seq, expected));
        }
        let after = self.resend_after();
        let due = |frame: &Outgoing| frame.sent_at.is_none_or(|at| link_now.micros_since(at) >= after);
        if let Some(position) = self.outgoing.iter().position(due) {
            let (seq, payload, again) = {
                let frame = self.outgoing.iter_mut().nth(position)?;
                frame.sent_at = Some(link_now);
                frame.tries = frame.tries.saturating_add(1);
                (frame.seq, frame.payload.clone(), frame.tries > 1)
            };
            if again {
                self.counters.resent = self.counters.resent.saturating_add(1);
                if position == 0 {
                    self.backoff = (self.backoff + 1).min(RESEND_DOUBLINGS);
                }
            }
            self.ack_sent();
            return Some((Header { origin: side, kind: FrameKind::Data, session: id, seq, ack: expected }, payload));
        }
        if self.ack_due.is_some_and(|at| link_now >= at) {
            self.ack_sent();
            return Some(bare(FrameKind::Ack, id, self.next_seq, expected));
        }
        None
    }

    fn ack_sent(&mut self) {
        self.ack_due = None;
        self.unacknowledged = 0;
    }

    /// When [`Self::poll_transmit`] has something to send if nothing else happens;
    /// in the past if it has already.
    pub fn poll_timeout(&self) -> Option<LinkTime> {
        if self.accept_due.is_some() || self.unknown_due.is_some() {
            return Some(LinkTime::ZERO);
        }
        match self.session {
            Session::None => None,
            Session::Opening => Some(self.open_due),
            Session::Open { .. } => {
                if self.missing {
                    return Some(LinkTime::ZERO);
                }
                let after = self.resend_after();
                let frames = self.outgoing.iter().map(|frame| frame.sent_at.map_or(LinkTime::ZERO, |at| at + after));
                frames.chain(self.ack_due).min()
            }
        }
    }
}

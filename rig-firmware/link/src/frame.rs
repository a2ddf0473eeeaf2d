//! Frames: `COBS(header, payload, CRC-32)` ended by a zero byte.
//!
//! ```text
//! offset  size  field
//!      0     1  kind; bit 7 set: from the rig to the host
//!      1     4  session, little endian
//!      5     4  seq, little endian
//!      9     4  ack, little endian
//!     13     n  payload, at most MAX_PAYLOAD
//!   13+n     4  CRC-32/ISO-HDLC over all before it, little endian
//! ```

use crate::checksum::{crc32, crc32_digest};

/// Bytes of the header.
pub const HEADER: usize = 13;
/// Bytes of the checksum.
pub const CHECKSUM: usize = 4;
/// Largest frame on the wire, with its ending zero.
pub const MAX_FRAME: usize = 256;
/// Largest frame before byte stuffing: 254 bytes cost at most one byte of overhead.
pub const MAX_RAW: usize = MAX_FRAME - 2;
/// Largest payload.
pub const MAX_PAYLOAD: usize = MAX_RAW - HEADER - CHECKSUM;

/// What a frame is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum FrameKind {
    /// Carries messages; `seq` counts these frames from 0 in each direction.
    Data,
    /// Carries only `ack`.
    Ack,
    /// Like `Ack`, and says that frame number `ack` is missing while later ones are here.
    Missing,
    /// Host to rig: asks for a new session; `session` is the host's nonce.
    Open,
    /// Rig to host: answers `Open`; `session` the host's nonce, `seq` the rig's nonce,
    /// `ack` the rig's boot id.
    Accept,
    /// Rig to host: a data, ack or missing frame of `session` came and the rig knows no such session; `ack` is
    /// the rig's boot id.
    Unknown,
}

/// Who sent a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Origin {
    /// The host.
    Host,
    /// The rig.
    Rig,
}

/// The head of a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Header {
    /// Who sent it.
    pub origin: Origin,
    /// What it is for.
    pub kind: FrameKind,
    /// The session, or the host's nonce before there is one.
    pub session: u32,
    /// Number of this data frame.
    pub seq: u32,
    /// Number of the data frame that is expected next from the other side: all before it are here.
    pub ack: u32,
}

/// A frame that arrived whole.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Frame<'a> {
    /// Its head.
    pub header: Header,
    /// Its payload.
    pub payload: &'a [u8],
}

/// Why bytes between two zeros are no frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum FrameError {
    /// Longer than a frame can be.
    TooLong,
    /// Byte stuffing is inconsistent.
    Stuffing,
    /// Shorter than header and checksum.
    TooShort {
        /// Bytes after unstuffing.
        len: u16,
    },
    /// The checksum is another.
    Checksum {
        /// As computed.
        computed: u32,
        /// As received.
        received: u32,
    },
    /// Whole, but of a kind that this version does not know.
    Kind {
        /// The byte.
        byte: u8,
    },
}

const FROM_RIG: u8 = 0x80;

fn kind_byte(header: &Header) -> u8 {
    let kind = match header.kind {
        FrameKind::Data => 0x01,
        FrameKind::Ack => 0x02,
        FrameKind::Missing => 0x03,
        FrameKind::Open => 0x04,
        FrameKind::Accept => 0x05,
        FrameKind::Unknown => 0x06,
    };
    match header.origin {
        Origin::Host => kind,
        Origin::Rig => kind | FROM_RIG,
    }
}

fn kind_of(byte: u8) -> Option<(Origin, FrameKind)> {
    let kind = match byte & !FROM_RIG {
        0x01 => FrameKind::Data,
        0x02 => FrameKind::Ack,
        0x03 => FrameKind::Missing,
        0x04 => FrameKind::Open,
        0x05 => FrameKind::Accept,
        0x06 => FrameKind::Unknown,
        _ => return None,
    };
    Some((if byte & FROM_RIG == 0 { Origin::Host } else { Origin::Rig }, kind))
}

/// Writes a frame with its ending zero into `out` and gives its length.
///
/// A payload longer than [`MAX_PAYLOAD`] is a mistake of the caller: nothing is
/// written and `None` given.
pub fn encode(header: &Header, payload: &[u8], out: &mut [u8; MAX_FRAME]) -> Option<usize> {
    if payload.len() > MAX_PAYLOAD {
        return None;
    }
    let mut raw = [0u8; MAX_RAW];
    raw[0] = kind_byte(header);
    raw[1..5].copy_from_slice(&header.session.to_le_bytes());
    raw[5..9].copy_from_slice(&header.seq.to_le_bytes());
    raw[9..13].copy_from_slice(&header.ack.to_le_bytes());
    let end = HEADER + payload.len();
    raw[HEADER..end].copy_from_slice(payload);
    let sum = crc32(&raw[..end]);
    raw[end..end + CHECKSUM].copy_from_slice(&sum.to_le_bytes());
    let stuffed = cobs::try_encode(&raw[..end + CHECKSUM], &mut out[..MAX_FRAME - 1]).ok()?;
    out[stuffed] = 0;
    Some(stuffed + 1)
}

/// Takes apart what stood between two zeros; unstuffs in place.
///
/// # Errors
/// Why it is no frame.
pub fn decode(stuffed: &mut [u8]) -> Result<Frame<'_>, FrameError> {
    let len = cobs::decode_in_place(stuffed).map_err(|_| FrameError::Stuffing)?;
    let raw = &stuffed[..len];
    if raw.len() < HEADER + CHECKSUM {
        return Err(FrameError::TooShort { len: raw.len() as u16 });
    }
    let (body, sum) = raw.split_at(raw.len() - CHECKSUM);
    let mut digest = crc32_digest();
    digest.update(body);
    let computed = digest.finalize();
    let received = u32::from_le_bytes([sum[0], sum[1], sum[2], sum[3]]);
    if computed != received {
        return Err(FrameError::Checksum { computed, received });
    }
    let (head, payload) = body.split_at(HEADER);
    let word = |at: usize| u32::from_le_bytes([head[at], head[at + 1], head[at + 2], head[at + 3]]);
    let (origin, kind) = kind_of(head[0]).ok_or(FrameError::Kind { byte: head[0] })?;
    Ok(Frame { header: Header { origin, kind, session: word(1), seq: word(5), ack: word(9) }, payload })
}

/// What came of feeding bytes to an [`Accumulator`].
#[derive(Debug, PartialEq, Eq)]
pub enum Fed<'a, 'b> {
    /// All bytes are taken; no frame is whole yet.
    Pending,
    /// A frame is whole.
    Frame {
        /// The frame.
        frame: Frame<'a>,
        /// What has not been looked at yet.
        rest: &'b [u8],
    },
    /// What stood between two zeros is no frame.
    Damaged {
        /// Why.
        error: FrameError,
        /// What has not been looked at yet.
        rest: &'b [u8],
    },
}

/// Collects bytes in any chunks and gives frames; after garbage it is in step
/// again at the next zero.
#[derive(Clone, Debug)]
pub struct Accumulator {
    buffer: [u8; MAX_FRAME],
    len: usize,
    overlong: bool,
}

impl Default for Accumulator {
    fn default() -> Self {
        Self::new()
    }
}

impl Accumulator {
    /// An empty one.
    pub const fn new() -> Self {
        Accumulator { buffer: [0; MAX_FRAME], len: 0, overlong: false }
    }

    /// Takes bytes up to the end of a frame; call again with the rest until [`Fed::Pending`].
    pub fn feed<'a, 'b>(&'a mut self, bytes: &'b [u8]) -> Fed<'a, 'b> {
        let mut bytes = bytes;
        loop {
            let zero = bytes.iter().position(|byte| *byte == 0);
            let part = &bytes[..zero.unwrap_or(bytes.len())];
            // A frame without its zero has at most MAX_FRAME - 1 bytes.
            if self.len + part.len() < MAX_FRAME {
                self.buffer[self.len..self.len + part.len()].copy_from_slice(part);
                self.len += part.len();
            } else {
                self.overlong = true;
            }
            let Some(zero) = zero else { return Fed::Pending };
            let rest = &bytes[zero + 1..];
            let (len, overlong) = (self.len, self.overlong);
            (self.len, self.overlong) = (0, false);
            if overlong {
                return Fed::Damaged { error: FrameError::TooLong, rest };
            }
            if len == 0 {
                // Zeros in a row: fill, sent to get in step.
                bytes = rest;
                continue;
            }
            return match decode(&mut self.buffer[..len]) {
                Ok(frame) => Fed::Frame { frame, rest },
                Err(error) => Fed::Damaged { error, rest },
            };
        }
    }
}

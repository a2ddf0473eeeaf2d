//! Messages and framing between host and rig.
//!
//! Three layers, each without IO, clock or allocation:
//!
//! - [`frame`]: bytes to frames and back. Consistent Overhead Byte Stuffing with a
//!   zero byte as the end, a CRC-32 over header and payload.
//! - [`Endpoint`]: reliable, ordered delivery of messages over a byte stream that
//!   loses, damages, repeats or reorders.
//! - [`HostMessage`] and [`RigMessage`]: what host and rig say to each other.
//!
//! The normative description, with byte examples that a test reads, is
//! `docs/wire-format.md`.
#![no_std]

#[cfg(test)]
extern crate std;

mod checksum;
mod edges;
mod endpoint;
pub mod frame;
pub mod fuzz;
mod message;
mod time;

pub use checksum::crc32;
pub use edges::{EDGE_BYTES, Edge, Edges};
pub use endpoint::{Endpoint, LinkCounters, MessageError, SendError, SessionLoss, WINDOW, session_of};
pub use message::{
    Begin, CALIBRATION_PAGE, CONSOLE_CHUNK, CalibrationState, Capabilities, ConverterPart, Counters, Heartbeat,
    HostMessage, Limits, LinkPacing, PROTOCOL, PlayedConverter, ProbeDisturbance, ProbeDrive, Refusal, RigMessage,
    StartReason, Welcome,
};
pub use time::LinkTime;

/// The host's end of the link.
pub type HostEndpoint = Endpoint<HostMessage, RigMessage>;
/// The rig's end of the link.
pub type RigEndpoint = Endpoint<RigMessage, HostMessage>;

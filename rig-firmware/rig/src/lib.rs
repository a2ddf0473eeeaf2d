//! What a rig does, independent of any board.
//!
//! A [`Rig`] takes bytes from the link, edges and console bytes from its board,
//! and the two clocks; it works the board's outputs through [`Board`] and hands
//! back bytes for the link. It has no clock and no IO of its own, so the same
//! logic runs on silicon, on an emulated chip and behind a pseudo-terminal.
//!
//! It knows no scenarios: it plays voltages, or what a converter makes of
//! them, works contacts and the supply, and reports what it senses.
#![no_std]

#[cfg(test)]
extern crate std;

mod calibration;
mod clock;
mod cold_junction;
mod drive;
mod linearised;
mod played;
mod player;
mod queue;
mod rig;
mod terminals;

pub use calibration::{CALIBRATED_CHANNELS, CALIBRATION_BYTES, Calibration, DamagedCalibration};
pub use clock::WrapExtender;
pub use cold_junction::cold_junction;
pub use drive::Drive;
pub use linearised::{LinearisedPlayer, REGISTERS, WRITE};
pub use played::ConverterPlayer;
pub use player::{Player, Select};
pub use rig::{Board, EDGE_RING, Identity, MAX_CHANNELS, MAX_CONTACTS, MAX_INPUTS, MAX_SILENCE_MS, Outputs, Rig};
pub use terminals::{Channel, ChannelScale, Terminals};

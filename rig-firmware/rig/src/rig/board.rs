//! What a rig is made of: what it says of itself, and the outputs that it works.

use dryfire_link::{Begin, CalibrationState, Capabilities, PlayedConverter, StartReason};
use dryfire_units::{Disturbance, RigTime};

use super::MAX_CHANNELS;
use crate::{CALIBRATION_BYTES, Drive};

/// What a rig says about itself.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Identity {
    /// What kind of board it is; at most 24 bytes.
    pub board: &'static str,
    /// Version of its firmware; at most 24 bytes.
    pub firmware: &'static str,
    /// Another number after every boot.
    pub boot_id: u32,
    /// Why it was started, if it knows.
    pub start: Option<StartReason>,
    /// What it knows of what its channels give, if they are real.
    pub calibration: Option<CalibrationState>,
    /// What it can do.
    pub capabilities: Capabilities,
}

/// The outputs of a board. Each call takes effect at once; `at` is rig time.
pub trait Board {
    /// A run is about to begin, before its outputs are set. A simulated board starts its
    /// controller anew, with its supply rail on, and gives the levels of its inputs (one bit
    /// each); a real board gives `None`: there the edges told so far say what the levels are.
    fn begin(&mut self, at: RigTime, begin: &Begin) -> Option<u32>;
    /// A probe channel plays something else.
    fn probe(&mut self, at: RigTime, channel: u8, drive: Drive);
    /// From now on this is added to whatever a probe channel plays; its time counts from `at`.
    fn disturb(&mut self, at: RigTime, channel: u8, disturbance: Disturbance);
    /// A contact.
    fn contact(&mut self, at: RigTime, output: u8, closed: bool);
    /// The controller's supply.
    fn supply(&mut self, at: RigTime, on: bool);
    /// Bytes to the controller's console.
    fn console(&mut self, at: RigTime, bytes: &[u8]);
    /// The page of calibration as the board keeps it; `None` where it has no place for one.
    fn calibration_page(&mut self) -> Option<[u8; CALIBRATION_BYTES]> {
        None
    }
    /// Keeps a page of calibration, over a loss of power too, and uses it from now on.
    /// May take a tenth of a second; called between runs only.
    fn keep_calibration(&mut self, page: &[u8; CALIBRATION_BYTES]) {
        let _ = page;
    }
    /// A channel plays a converter from now on, while the controller's supply is on, or a probe again; called
    /// between runs only. Says whether the board can do that.
    fn play_converter(&mut self, at: RigTime, channel: u8, converter: Option<PlayedConverter>) -> bool {
        let _ = (at, channel);
        converter.is_none()
    }
    /// The cold junction of every converter that is played has another temperature.
    fn cold_junction(&mut self, at: RigTime, millicelsius: i32) {
        let _ = (at, millicelsius);
    }
    /// Never feeds the watchdog again; called between runs only. A board without a watchdog goes on.
    fn hang(&mut self) {}
}

/// What the outputs are set to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Outputs {
    /// Of each probe channel.
    pub drives: [Drive; MAX_CHANNELS],
    /// What is added to each of them.
    pub disturbances: [Disturbance; MAX_CHANNELS],
    /// The channels that play a converter, one bit each.
    pub converters: u32,
    /// Closed contacts, one bit each.
    pub contacts: u32,
    /// Whether the controller's supply is on.
    pub supply: bool,
}

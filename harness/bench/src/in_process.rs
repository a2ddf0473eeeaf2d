//! A simulated rig in the host's own process, with a link clock that counts by itself.

use std::time::Duration;

use dryfire_link::LinkTime;

use crate::simulated_rig::{SimulatedRig, SimulatedRigSetup};
use crate::transport::{Transport, TransportError};
use crate::world::World;

/// One way over the wire, in microseconds of link time.
const ONE_WAY: u64 = 50;

/// The host's end of a wire to a simulated rig in the same process.
///
/// Nothing here depends on the wall clock: reading lets link time pass until bytes
/// come or the time-out is over, so that a run is the same every time, resends
/// and silences included.
#[derive(Debug)]
pub struct InProcessTransport<W> {
    rig: Option<SimulatedRig<W>>,
    setup: SimulatedRigSetup,
    now: LinkTime,
    restart_at: Option<LinkTime>,
}

impl<W: World> InProcessTransport<W> {
    /// A wire to a rig that boots now.
    pub fn new(world: W, setup: SimulatedRigSetup) -> Self {
        let rig = Some(SimulatedRig::new(world, setup));
        InProcessTransport { rig, setup, now: LinkTime::ZERO, restart_at: None }
    }

    /// Lets the rig restart, with the next boot id, at this instant of link time.
    #[must_use]
    pub fn restarting_at(mut self, at: LinkTime) -> Self {
        self.restart_at = Some(at);
        self
    }

    /// The rig.
    ///
    /// # Panics
    /// Never: there is always one between calls.
    pub fn rig(&self) -> &SimulatedRig<W> {
        self.rig.as_ref().expect("only away while it restarts")
    }

    fn restart_if_due(&mut self) {
        if self.restart_at.is_some_and(|at| at <= self.now)
            && let Some(rig) = self.rig.take()
        {
            self.restart_at = None;
            self.setup.boot_id = self.setup.boot_id.wrapping_add(1);
            self.rig = Some(SimulatedRig::new(rig.into_world(), self.setup));
        }
    }
}

impl<W: World> Transport for InProcessTransport<W> {
    fn now(&self) -> LinkTime {
        self.now
    }

    fn read(&mut self, into: &mut Vec<u8>, timeout: Duration) -> Result<(), TransportError> {
        let end = self.now + u64::try_from(timeout.as_micros()).unwrap_or(u64::MAX);
        loop {
            self.restart_if_due();
            let Some(rig) = &mut self.rig else { return Ok(()) };
            let before = into.len();
            rig.turn(self.now, into);
            if into.len() > before {
                self.now = self.now + ONE_WAY;
                return Ok(());
            }
            if self.now >= end {
                // Even a host that never waits gets somewhere.
                self.now = self.now + 1;
                return Ok(());
            }
            let next = rig.next_turn(self.now).map_or(end, |due| due.min(end));
            self.now = next.max(self.now + 1);
        }
    }

    fn write(&mut self, frames: &[u8]) -> Result<(), TransportError> {
        self.now = self.now + ONE_WAY;
        self.restart_if_due();
        if let Some(rig) = &mut self.rig {
            rig.handle_bytes(self.now, frames);
        }
        Ok(())
    }
}

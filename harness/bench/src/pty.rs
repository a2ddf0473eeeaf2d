//! A simulated rig behind a pseudo-terminal.

use std::io;
use std::os::fd::{AsFd as _, OwnedFd};
use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicBool;
use std::time::Duration;

use dryfire_engine::{Trouble, TroubleKind};
use dryfire_link::LinkTime;
use dryfire_scenario::Bench as BenchFile;
use nix::errno::Errno;
use nix::fcntl::{FcntlArg, OFlag, fcntl};
use nix::poll::{PollFd, PollFlags, PollTimeout, poll};
use nix::pty::openpty;
use nix::sys::termios::{SetArg, cfmakeraw, tcgetattr, tcsetattr};
use nix::unistd::{read, ttyname, write};

use crate::nonce::nonce;
use crate::simulated_rig::{RigPace, SimulatedRig, SimulatedRigSetup, serve};
use crate::transport::{Transport, TransportError};
use crate::wall_clock::WallClock;
use crate::world::{StandInWorld, World};

/// The rig's end of a pseudo-terminal. Hosts may come and go at the other end.
#[derive(Debug)]
pub struct PtyTransport {
    rig_end: OwnedFd,
    /// Kept open, so that a host that goes does not hang up the terminal.
    _host_end: OwnedFd,
    port: PathBuf,
    clock: WallClock,
}

impl PtyTransport {
    /// Makes a new pseudo-terminal.
    ///
    /// # Errors
    /// The system has none to give.
    pub fn open() -> io::Result<Self> {
        let pair = openpty(None, None)?;
        let mut settings = tcgetattr(&pair.slave)?;
        cfmakeraw(&mut settings);
        tcsetattr(&pair.slave, SetArg::TCSANOW, &settings)?;
        // A host that does not read must not hold up the rig: what does not fit is lost, as on a wire.
        fcntl(&pair.master, FcntlArg::F_SETFL(OFlag::O_NONBLOCK))?;
        let port = ttyname(&pair.slave)?;
        Ok(PtyTransport { rig_end: pair.master, _host_end: pair.slave, port, clock: WallClock::new() })
    }

    /// What a host opens as its serial port.
    pub fn port(&self) -> &Path {
        &self.port
    }

    fn gone(&self, error: Errno) -> TransportError {
        TransportError::Gone { port: self.port.display().to_string(), cause: error.to_string() }
    }
}

impl Transport for PtyTransport {
    fn now(&self) -> LinkTime {
        self.clock.now()
    }

    fn read(&mut self, into: &mut Vec<u8>, timeout: Duration) -> Result<(), TransportError> {
        // In whole milliseconds, rounded up: a wait that is too short would spin.
        let millis = timeout.as_micros().div_ceil(1_000);
        let wait = PollTimeout::try_from(millis).unwrap_or(PollTimeout::MAX);
        let mut waiting = [PollFd::new(self.rig_end.as_fd(), PollFlags::POLLIN)];
        match poll(&mut waiting, wait) {
            Ok(0) | Err(Errno::EINTR) => return Ok(()),
            Ok(_) => {}
            Err(error) => return Err(self.gone(error)),
        }
        let mut buffer = [0u8; 4096];
        match read(&self.rig_end, &mut buffer) {
            Ok(count) => into.extend_from_slice(&buffer[..count]),
            Err(Errno::EAGAIN | Errno::EINTR) => {}
            Err(error) => return Err(self.gone(error)),
        }
        Ok(())
    }

    fn write(&mut self, frames: &[u8]) -> Result<(), TransportError> {
        match write(&self.rig_end, frames) {
            Ok(_) | Err(Errno::EAGAIN | Errno::EINTR) => Ok(()),
            Err(error) => Err(self.gone(error)),
        }
    }
}

/// A simulated rig that hosts reach through a pseudo-terminal.
#[derive(Debug)]
pub struct PtyRig<W> {
    transport: PtyTransport,
    rig: SimulatedRig<W>,
    link: Option<PathBuf>,
}

impl PtyRig<StandInWorld> {
    /// A rig with the stand-in controller behind it, wired as a bench file says. Its boot id is drawn.
    ///
    /// # Errors
    /// The stand-in cannot be wired so, or as [`Self::open`].
    pub fn stand_in(file: &BenchFile, pace: RigPace, link: Option<&Path>) -> Result<Self, Trouble> {
        let world = StandInWorld::new(file.clone())?;
        let setup = SimulatedRigSetup::from_bench(file, pace, nonce());
        Self::open(world, setup, link).map_err(|error| {
            let place = link.map_or_else(String::new, |link| format!(" with a link at `{}`", link.display()));
            Trouble { kind: TroubleKind::LinkLost, detail: format!("cannot make a pseudo-terminal{place}: {error}") }
        })
    }
}

impl<W: World> PtyRig<W> {
    /// Makes the terminal, and at `link`, if given, a symbolic link to it, which goes
    /// again with the rig.
    ///
    /// # Errors
    /// There is no terminal to be had, or something else than a symbolic link is at `link`.
    pub fn open(world: W, setup: SimulatedRigSetup, link: Option<&Path>) -> io::Result<Self> {
        let transport = PtyTransport::open()?;
        if let Some(link) = link {
            // One left behind by a rig that was killed is replaced; anything else is kept.
            if std::fs::symlink_metadata(link).is_ok_and(|there| there.file_type().is_symlink()) {
                std::fs::remove_file(link)?;
            }
            std::os::unix::fs::symlink(transport.port(), link)?;
        }
        Ok(PtyRig { transport, rig: SimulatedRig::new(world, setup), link: link.map(Path::to_owned) })
    }

    /// What a host opens as its serial port.
    pub fn port(&self) -> &Path {
        self.link.as_deref().unwrap_or(self.transport.port())
    }

    /// Plays the rig until `stop` is set.
    ///
    /// # Errors
    /// The terminal is gone.
    pub fn run(&mut self, stop: &AtomicBool) -> Result<(), TransportError> {
        serve(&mut self.rig, &mut self.transport, stop)
    }
}

impl<W> Drop for PtyRig<W> {
    fn drop(&mut self) {
        if let Some(link) = &self.link {
            let _ = std::fs::remove_file(link);
        }
    }
}

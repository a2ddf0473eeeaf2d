//! A simulated rig behind a pseudo-terminal, in a thread of the test.

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::channel;
use std::thread::JoinHandle;

use dryfire_bench::{PtyRig, RigPace, SimulatedRigSetup, StandInWorld, World};
use dryfire_scenario::Bench as BenchFile;

/// A rig that is served until it is dropped.
#[derive(Debug)]
pub struct OnPty {
    /// Its serial port.
    pub port: PathBuf,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl OnPty {
    /// A rig as a bench file needs it, by the host's grants, with what `around` makes of the stand-in behind it.
    ///
    /// # Panics
    /// If the stand-in cannot be wired so, or the system has no pseudo-terminal.
    pub fn serve<W: World>(file: &BenchFile, around: impl FnOnce(StandInWorld) -> W + Send + 'static) -> OnPty {
        let stop = Arc::new(AtomicBool::new(false));
        let (seen, file) = (Arc::clone(&stop), file.clone());
        let (sender, port) = channel();
        let thread = std::thread::spawn(move || {
            let setup = SimulatedRigSetup::from_bench(&file, RigPace::Granted, 0x0b_0071);
            let world = around(StandInWorld::new(file).expect("it can be wired so"));
            let mut rig = PtyRig::open(world, setup, None).expect("a terminal");
            sender.send(rig.port().to_owned()).expect("somebody waits");
            rig.run(&seen).expect("the terminal stays");
        });
        OnPty { port: port.recv().expect("a port"), stop, thread: Some(thread) }
    }
}

impl Drop for OnPty {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            // One that panicked has said so.
            let _ = thread.join();
        }
    }
}

//! `dryfire rig`: a simulated rig to try the serial path with, and the operator of a real one.

use std::io::BufRead;
use std::sync::mpsc;

use dryfire_bench::{Operator, PtyRig, RigPace, SimulatedRigSetup, StandInWorld};
use dryfire_report::ExitStatus;
use dryfire_scenario::{BenchKind, StandInChoice};

use crate::args::SimulateArguments;
use crate::library::Reader;
use crate::screen::{Mistake, Screen};
use crate::{Refusal, defects, interrupt};

/// Serves a simulated rig until Ctrl-C.
pub(crate) fn simulate(arguments: &SimulateArguments, screen: &mut Screen) -> Result<ExitStatus, Refusal> {
    let mut reader = Reader::new(screen);
    let fitted = reader.bench(&arguments.bench);
    for name in &arguments.defect {
        if let Err(mistake) = defects::known(name, "--defect") {
            reader.mistake(mistake);
        }
    }
    let mut bench = reader.finish(fitted)?.bench;
    let pace = match (arguments.no_grants, arguments.speed) {
        (false, None) => RigPace::Granted,
        (false, Some(speed)) => RigPace::GrantedAt(speed),
        (true, speed) => RigPace::Free(speed.unwrap_or(1.0)),
    };
    let setup = SimulatedRigSetup::from_bench(&bench, pace, boot_id());
    // Behind the rig stands the stand-in, whatever the bench file says of the real controller.
    let tick = match &bench.kind {
        BenchKind::Virtual(choice) => choice.tick,
        _ => None,
    };
    bench.kind = BenchKind::Virtual(StandInChoice { defects: arguments.defect.clone(), tick });
    let world = StandInWorld::new(bench)
        .map_err(|trouble| Mistake::new(format!("the stand-in cannot be wired so: {}", trouble.detail)))?;
    let stop = interrupt::watch()?;
    let rig = PtyRig::open(world, setup, arguments.link.as_deref());
    let mut rig = rig.map_err(|error| {
        let at = arguments.link.as_deref().map(|link| format!(" at `{}`", link.display())).unwrap_or_default();
        Mistake::new(format!("no pseudo-terminal{at}: {error}"))
    })?;
    screen.out(format!("{}\n", rig.port().display()));
    if let Err(error) = rig.run(&stop) {
        screen.complain(&Mistake::new(error.to_string()));
        return Ok(ExitStatus::Error);
    }
    Ok(ExitStatus::AllHeld)
}

/// Another one for every start, so that a host notices a rig that was started anew.
fn boot_id() -> u32 {
    use std::hash::{BuildHasher as _, Hasher as _};
    // The standard library's hasher is seeded at random in every process; half of it is as random.
    std::collections::hash_map::RandomState::new().build_hasher().finish() as u32
}

/// Whoever sits at the terminal: asked on standard error, answers with the return key.
pub(crate) struct AtTheTerminal {
    answers: Option<mpsc::Receiver<()>>,
}

impl AtTheTerminal {
    pub(crate) fn new() -> Self {
        AtTheTerminal { answers: None }
    }
}

impl Operator for AtTheTerminal {
    fn ask(&mut self, text: &str) {
        Screen::ask(text);
        self.answers.get_or_insert_with(listen);
    }

    fn is_done(&mut self) -> bool {
        self.answers.as_ref().is_some_and(|answers| answers.try_recv().is_ok())
    }
}

/// A thread that waits for lines, because the rig must not wait for them.
#[expect(clippy::disallowed_methods, reason = "a thread that waits for a key, at the edge")]
fn listen() -> mpsc::Receiver<()> {
    let (sender, receiver) = mpsc::channel();
    std::thread::spawn(move || {
        for line in std::io::stdin().lock().lines() {
            if line.is_err() || sender.send(()).is_err() {
                return;
            }
        }
    });
    receiver
}

//! `dryfire rig`: a simulated rig to try the serial path with, and the operator of a real one.

#![expect(clippy::disallowed_types, reason = "when a key was pressed is told by the wall clock")]

use std::io::{BufRead, IsTerminal};
use std::sync::mpsc;
use std::time::{Duration, Instant};

use dryfire_bench::{Operator, PtyRig, RigPace, SimulatedRigSetup, StandInWorld};
use dryfire_report::ExitStatus;
use dryfire_scenario::{BeginFiring, BenchKind, StandInChoice};

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
    // Neither reaches the stand-in over the wire: its start button would find no program.
    let begin = match bench.begin {
        BeginFiring::Console { .. } => None,
        BeginFiring::Contact { .. } => Some("its start contact"),
        BeginFiring::Operator => Some("its operator"),
    };
    if let Some(begin) = begin {
        return Err(Mistake::new(format!(
            "the bench `{}` begins a firing by {begin}, and the stand-in behind a simulated rig takes its program over \
             the console only",
            bench.name
        ))
        .hint("write `begin firing: { console: [\"program {program}\", start] }` in a bench file for it")
        .into());
    }
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
/// Where standard input is no terminal nobody sits there, and nobody answers.
pub(crate) struct AtTheTerminal {
    answers: Option<mpsc::Receiver<Instant>>,
    /// Until when a key may have been pressed before the question was read.
    too_soon: Option<Instant>,
}

/// Nobody reads a question and does what it asks for in so short a time.
const READING: Duration = Duration::from_millis(300);

impl AtTheTerminal {
    pub(crate) fn new() -> Self {
        AtTheTerminal { answers: None, too_soon: None }
    }
}

#[expect(clippy::disallowed_methods, reason = "what was typed ahead is no answer, and only the clock tells")]
impl Operator for AtTheTerminal {
    fn ask(&mut self, text: &str) {
        Screen::ask(text);
        self.too_soon = Some(Instant::now() + READING);
        if self.answers.is_none() && std::io::stdin().is_terminal() {
            self.answers = Some(listen());
        }
    }

    fn is_done(&mut self) -> bool {
        let Some(answers) = &self.answers else { return false };
        // What came before the question or along with it was meant for something else.
        answers.try_iter().any(|pressed| self.too_soon.is_none_or(|too_soon| pressed >= too_soon))
    }
}

/// A thread that waits for lines, because the rig must not wait for them.
#[expect(clippy::disallowed_methods, reason = "a thread that waits for a key, at the edge")]
fn listen() -> mpsc::Receiver<Instant> {
    let (sender, receiver) = mpsc::channel();
    std::thread::spawn(move || {
        for line in std::io::stdin().lock().lines() {
            if line.is_err() || sender.send(Instant::now()).is_err() {
                return;
            }
        }
    });
    receiver
}

//! `dryfire rig`: a simulated rig to try the serial path with, and the operator of a real one.

#![expect(clippy::disallowed_types, reason = "when a key was pressed is told by the wall clock")]

use std::time::{Duration, Instant};

use dryfire_bench::{LoopBackWorld, Operator, PtyRig, RigPace, SimulatedRigSetup, StandInWorld, World};
use dryfire_report::ExitStatus;
use dryfire_rig::ChannelScale;
use dryfire_scenario::{BeginFiring, BenchKind, StandInChoice};
use dryfire_units::RigTime;

use crate::args::SimulateArguments;
use crate::library::Reader;
use crate::screen::{Mistake, Screen};
use crate::typed::typed;
use crate::{Refusal, defects, interrupt};

/// Serves a simulated rig until Ctrl-C.
pub(crate) fn simulate(arguments: &SimulateArguments, screen: &mut Screen) -> Result<ExitStatus, Refusal> {
    let pace = match (arguments.no_grants, arguments.speed) {
        (false, None) => RigPace::Granted,
        (false, Some(speed)) => RigPace::GrantedAt(speed),
        (true, speed) => RigPace::Free(speed.unwrap_or(1.0)),
    };
    let scales = arguments.uncalibrated.then_some(INVENTED);
    let Some(bench) = &arguments.bench else {
        let world = LoopBackWorld::new((0..5).map(|one| (one, one)).collect(), vec![(0, 5), (1, 6), (2, 7)]);
        let setup = SimulatedRigSetup {
            boot_id: boot_id(),
            pace,
            booted_at: RigTime::ZERO,
            probe_channels: 3,
            inputs: 8,
            contacts: 12,
            supply_switch: true,
            scales,
        };
        return serve(PtyRig::open(world, setup, arguments.link.as_deref()), arguments, screen);
    };
    let mut reader = Reader::new(screen);
    let fitted = reader.bench(bench);
    for name in &arguments.defect {
        if let Err(mistake) = defects::known(name, "--defect") {
            reader.mistake(mistake);
        }
    }
    let mut bench = reader.finish(fitted)?.bench;
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
    let setup = SimulatedRigSetup { scales, ..SimulatedRigSetup::from_bench(&bench, pace, boot_id()) };
    // Behind the rig stands the stand-in, whatever the bench file says of the real controller.
    let tick = match &bench.kind {
        BenchKind::Virtual(choice) => choice.tick,
        _ => None,
    };
    bench.kind = BenchKind::Virtual(StandInChoice { defects: arguments.defect.clone(), tick, variant: None });
    let world = StandInWorld::new(bench)
        .map_err(|trouble| Mistake::new(format!("the stand-in cannot be wired so: {}", trouble.detail)))?;
    serve(PtyRig::open(world, setup, arguments.link.as_deref()), arguments, screen)
}

/// What the channels of an uncalibrated rig give: invented, within the 0.3 % and 30 µV that `docs/rig.md` allows them.
const INVENTED: [ChannelScale; 3] = [
    ChannelScale { lowest_nanovolts: -10_021_000, span_nanovolts: 90_180_000 },
    ChannelScale { lowest_nanovolts: -9_978_000, span_nanovolts: 89_850_000 },
    ChannelScale { lowest_nanovolts: -10_004_000, span_nanovolts: 90_240_000 },
];

/// Serves a rig until Ctrl-C.
fn serve<W: World>(
    rig: std::io::Result<PtyRig<W>>,
    arguments: &SimulateArguments,
    screen: &mut Screen,
) -> Result<ExitStatus, Refusal> {
    let stop = interrupt::watch()?;
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
    /// Until when a key may have been pressed before the question was read.
    too_soon: Option<Instant>,
}

/// Nobody reads a question and does what it asks for in so short a time.
const READING: Duration = Duration::from_millis(300);

impl AtTheTerminal {
    pub(crate) fn new() -> Self {
        AtTheTerminal { too_soon: None }
    }
}

#[expect(clippy::disallowed_methods, reason = "what was typed ahead is no answer, and only the clock tells")]
impl Operator for AtTheTerminal {
    fn ask(&mut self, text: &str) {
        Screen::ask(text);
        self.too_soon = Some(Instant::now() + READING);
        // From now on there is somebody who listens.
        typed();
    }

    fn is_done(&mut self) -> bool {
        let Some(typed) = typed() else { return false };
        // What came before the question or along with it was meant for something else.
        let mut answers = typed.pending().into_iter();
        answers.any(|line| self.too_soon.is_none_or(|too_soon| line.at >= too_soon))
    }
}

//! The virtual bench: the stand-in controller in the same process, in virtual time.

use std::collections::VecDeque;
use std::sync::mpsc::Sender;

use dryfire_engine::{Command, CommandKind, Observation, Pacing, Trouble};
use dryfire_scenario::{Bench as BenchFile, ColdJunction};
use dryfire_stand_in::{Defect, MemoryImage};
use dryfire_units::{MilliCelsius, RigSpan, RigTime};

use crate::board::{BoardEvent, BoardSetup, StandInBoard};
use crate::driver::{Bench, BenchIdentity, RunSetup};

/// The longest step that the engine grants a stepped bench.
pub const STEP: RigSpan = RigSpan::from_seconds(1);

/// Between two measurements of the cold junction.
const MEASURES_EVERY: RigSpan = RigSpan::from_millis(500);

/// A stand-in controller and its board, run in virtual time.
pub struct VirtualBench {
    file: BenchFile,
    memory: Option<MemoryImage>,
    bounces_for: Option<RigSpan>,
    companions: Option<(Vec<Defect>, Sender<Together>)>,
    run: Option<Running>,
}

/// A run in which controllers with one mistake each rode along, and what came of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Together {
    /// The seed of the run.
    pub seed: u64,
    /// The mistakes that made no difference to anything in it: a run with one of them is this one again.
    pub mistakes: Vec<Defect>,
}

struct Running {
    seed: u64,
    board: StandInBoard,
    now: RigTime,
    /// When the cold junction is measured next, where it is.
    measures_at: Option<RigTime>,
    /// Commands that take effect later, earliest first.
    scheduled: VecDeque<Command>,
}

impl VirtualBench {
    /// A virtual bench as its file describes it.
    pub fn new(file: BenchFile) -> Self {
        VirtualBench { file, memory: None, bounces_for: None, companions: None, run: None }
    }

    /// With this in the memory that outlives the controller's supply, at the beginning of each run.
    #[must_use]
    pub fn with_memory(self, memory: MemoryImage) -> Self {
        VirtualBench { memory: Some(memory), ..self }
    }

    /// With contacts that all take so long to come to rest, instead of bouncing for a time drawn for each stroke: to be set
    /// beside a bench on which that time is known. What counts to a controller is the last change.
    #[must_use]
    pub fn with_contacts_bouncing_for(self, bounces_for: RigSpan) -> Self {
        VirtualBench { bounces_for: Some(bounces_for), ..self }
    }

    /// With controllers that have one of these mistakes each and ride along in every run, seeing and hearing what the
    /// bench's own does. At the end of each run it is told which of them made no difference. Mistakes of which the board
    /// cannot know when they make one are left out, so they always do; on a bench file that has a mistake already, all are.
    #[must_use]
    pub fn with_companions(self, mistakes: Vec<Defect>, told: Sender<Together>) -> Self {
        VirtualBench { companions: Some((mistakes, told)), ..self }
    }
}

impl Bench for VirtualBench {
    fn begin(&mut self, setup: &RunSetup) -> Result<BenchIdentity, Trouble> {
        let mut wired = BoardSetup::from_bench(&self.file, setup.seed, setup.ambient_millicelsius)?;
        wired.bounces_for = self.bounces_for;
        if let Some(memory) = &self.memory {
            wired.memory = memory.clone();
        }
        let alone = !wired.defects.is_empty();
        let mut board = StandInBoard::new(wired.with_firing(&self.file.begin, &setup.firing)?);
        if let Some((mistakes, _)) = self.companions.as_ref().filter(|_| !alone) {
            board = board.with_companions(mistakes);
        }
        let measures_at = (self.file.cold_junction == ColdJunction::Measured).then_some(RigTime::ZERO);
        self.run =
            Some(Running { seed: setup.seed, board, now: RigTime::ZERO, measures_at, scheduled: VecDeque::new() });
        Ok(BenchIdentity {
            description: format!("virtual bench `{}` with the stand-in controller", self.file.name),
            pacing: Pacing::Stepped { step: STEP },
            fresh_controller: true,
        })
    }

    fn command(&mut self, command: Command) -> Result<(), Trouble> {
        if let Some(run) = &mut self.run {
            let order = |command: &Command| (command.at, command.id);
            if run.scheduled.back().is_none_or(|last| order(last) < order(&command)) {
                run.scheduled.push_back(command);
            } else {
                let place = run.scheduled.partition_point(|other| order(other) < order(&command));
                run.scheduled.insert(place, command);
            }
        }
        Ok(())
    }

    fn advance(&mut self, until: RigTime, observations: &mut Vec<Observation>) -> Result<(), Trouble> {
        let Some(run) = &mut self.run else { return Ok(()) };
        while run.scheduled.front().is_some_and(|command| command.at <= until)
            && let Some(command) = run.scheduled.pop_front()
        {
            if command.at > run.now {
                run.run_until(command.at, observations);
            }
            run.apply(command, observations);
        }
        run.run_until(until, observations);
        if run.measures_at.is_some_and(|at| at <= until) {
            run.measures_at = Some(until + MEASURES_EVERY);
            let millicelsius = Some(run.board.terminals().value());
            observations.push(Observation::ColdJunction { at: until, millicelsius });
        }
        observations.push(Observation::Complete { until });
        Ok(())
    }

    fn end(&mut self) {
        let Some(run) = self.run.take() else { return };
        if let Some((_, told)) = &self.companions {
            // Whoever does not listen any more does not want to know.
            let _ = told.send(Together { seed: run.seed, mistakes: run.board.makes_no_difference() });
        }
    }
}

impl Running {
    fn run_until(&mut self, until: RigTime, observations: &mut Vec<Observation>) {
        self.board.run_until(until, &mut |event| {
            observations.push(match event {
                BoardEvent::Edge { at, input, high } => Observation::Edge { at, input, high },
                BoardEvent::SupplyRail { at, on } => Observation::SupplyRail { at, on },
                BoardEvent::Console { at, line } => Observation::Console { at, line },
            });
        });
        self.now = until;
    }

    fn apply(&mut self, command: Command, observations: &mut Vec<Observation>) {
        let at = self.now;
        match command.kind {
            CommandKind::Probe { channel, signal, .. } => self.board.set_probe(channel, at, signal),
            CommandKind::Disturb { channel, disturbance } => self.board.disturb_probe(channel, at, disturbance),
            CommandKind::Terminals { millicelsius } => self.board.set_terminals(at, MilliCelsius::new(millicelsius)),
            CommandKind::Contact { output, closed } => self.board.set_contact(output, closed, at),
            CommandKind::Supply { on } => self.board.set_supply(on, at),
            CommandKind::Console { line } => self.board.console_line(at, &line),
            // There is nobody to ask on a virtual bench, so the question is never answered.
            CommandKind::Prompt { .. } => {}
        }
        observations.push(Observation::Applied { command: command.id, at });
    }
}

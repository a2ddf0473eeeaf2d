//! What stands behind a simulated rig.

use dryfire_engine::{ProbeSignal, Trouble};
use dryfire_link::PlayedConverter;
use dryfire_scenario::{Bench as BenchFile, Segment};
use dryfire_units::{Disturbance, MilliCelsius, RigTime};

use crate::board::{BoardEvent, BoardSetup, StandInBoard};

/// Something that happened at the controller's terminals.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum WorldEvent {
    /// A sensed input changed.
    Edge {
        /// When.
        at: RigTime,
        /// Which input.
        input: u8,
        /// Its level from then on.
        high: bool,
    },
    /// The controller's supply rail changed.
    SupplyRail {
        /// When.
        at: RigTime,
        /// Whether it is on from then on.
        on: bool,
    },
    /// The controller wrote a line.
    Console {
        /// When its end came.
        at: RigTime,
        /// The line without its end.
        line: String,
    },
}

/// A controller with the wires to it, simulated, behind the terminals of a rig.
///
/// Instants count from [`Self::begin`]. What is set takes effect at the instant given,
/// which is the one up to which the world has run; what follows from it is told by the
/// next [`Self::run_until`].
pub trait World {
    /// Starts a fresh controller at instant zero, with its supply on, its contacts at
    /// rest, all probes open and every input low.
    ///
    /// # Errors
    /// Why there cannot be such a controller.
    fn begin(&mut self, seed: u64, ambient_millicelsius: i64) -> Result<(), String>;

    /// Runs to `until` and tells what happens, in the order of the instants.
    fn run_until(&mut self, until: RigTime, sink: &mut dyn FnMut(WorldEvent));

    /// A probe plays something else. It counts from `at` and goes on for ever.
    fn set_probe(&mut self, at: RigTime, channel: u8, signal: ProbeSignal);

    /// What is added to whatever a probe plays, from `at` on; its time counts from there.
    fn disturb_probe(&mut self, at: RigTime, channel: u8, disturbance: Disturbance);

    /// The rig plays a channel's converter from now on, instead of a probe at the terminals of the controller's own.
    /// A world without converters on its bus takes no notice.
    fn play_converter(&mut self, at: RigTime, channel: u8, converter: PlayedConverter) {
        let _ = (at, channel, converter);
    }

    /// The cold junction of the converters that are played has another temperature.
    fn set_cold_junction(&mut self, at: RigTime, temperature: MilliCelsius) {
        let _ = (at, temperature);
    }

    /// What the sensor at the controller's terminals reads now; `None`: it is missing or broken.
    fn cold_junction(&self) -> Option<MilliCelsius> {
        None
    }

    /// A contact.
    fn set_contact(&mut self, at: RigTime, output: u8, closed: bool);

    /// The controller's supply.
    fn set_supply(&mut self, at: RigTime, on: bool);

    /// A line for the controller's console, without its end.
    fn console_line(&mut self, at: RigTime, line: &str);
}

/// How warm it is before any run has said so.
const ROOM: MilliCelsius = MilliCelsius::new(20_000);

/// The stand-in controller on its board, wired as a bench file says.
pub struct StandInWorld {
    file: BenchFile,
    /// What is in its memory when a firing is begun by its start contact.
    firing: Vec<Segment>,
    board: Option<StandInBoard>,
}

impl StandInWorld {
    /// A stand-in for the controller of a bench file.
    ///
    /// # Errors
    /// The stand-in cannot be wired so.
    pub fn new(file: BenchFile) -> Result<Self, Trouble> {
        BoardSetup::from_bench(&file, 0, 20_000)?;
        Ok(StandInWorld { file, firing: Vec::new(), board: None })
    }

    /// The same with a firing in its memory. Needed where the bench file begins a firing by
    /// the start contact: no program goes over the wire then.
    ///
    /// # Errors
    /// The stand-in refuses it.
    pub fn with_firing(mut self, firing: Vec<Segment>) -> Result<Self, Trouble> {
        BoardSetup::from_bench(&self.file, 0, 20_000)?.with_firing(&self.file.begin, &firing)?;
        self.firing = firing;
        Ok(self)
    }
}

impl World for StandInWorld {
    fn begin(&mut self, seed: u64, ambient_millicelsius: i64) -> Result<(), String> {
        // Whatever ran before does not run on.
        self.board = None;
        let setup = BoardSetup::from_bench(&self.file, seed, ambient_millicelsius)
            .and_then(|setup| setup.with_firing(&self.file.begin, &self.firing))
            .map_err(|error| error.to_string())?;
        self.board = Some(StandInBoard::new(setup));
        Ok(())
    }

    fn run_until(&mut self, until: RigTime, sink: &mut dyn FnMut(WorldEvent)) {
        let Some(board) = &mut self.board else { return };
        board.run_until(until, &mut |event| {
            sink(match event {
                BoardEvent::Edge { at, input, high } => WorldEvent::Edge { at, input, high },
                BoardEvent::SupplyRail { at, on } => WorldEvent::SupplyRail { at, on },
                BoardEvent::Console { at, line } => WorldEvent::Console { at, line },
            });
        });
    }

    fn set_probe(&mut self, at: RigTime, channel: u8, signal: ProbeSignal) {
        if let Some(board) = &mut self.board {
            board.set_probe(channel, at, signal);
        }
    }

    fn disturb_probe(&mut self, at: RigTime, channel: u8, disturbance: Disturbance) {
        if let Some(board) = &mut self.board {
            board.disturb_probe(channel, at, disturbance);
        }
    }

    fn play_converter(&mut self, at: RigTime, channel: u8, converter: PlayedConverter) {
        if let Some(board) = &mut self.board {
            board.play_converter(channel, at, converter);
        }
    }

    fn set_cold_junction(&mut self, at: RigTime, temperature: MilliCelsius) {
        if let Some(board) = &mut self.board {
            board.set_terminals(at, temperature);
        }
    }

    fn cold_junction(&self) -> Option<MilliCelsius> {
        // The sensor is there before the first run, too, and has to be: no run begins without it.
        Some(self.board.as_ref().map_or(ROOM, StandInBoard::terminals))
    }

    fn set_contact(&mut self, at: RigTime, output: u8, closed: bool) {
        if let Some(board) = &mut self.board {
            board.set_contact(output, closed, at);
        }
    }

    fn set_supply(&mut self, at: RigTime, on: bool) {
        if let Some(board) = &mut self.board {
            board.set_supply(on, at);
        }
    }

    fn console_line(&mut self, at: RigTime, line: &str) {
        if let Some(board) = &mut self.board {
            board.console_line(at, line);
        }
    }
}

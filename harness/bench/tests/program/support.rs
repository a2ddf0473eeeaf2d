//! A bench file without a file, and a session that drives a bench by hand.

use std::path::{Path, PathBuf};
use std::process::{Command as Process, Stdio};

use dryfire_bench::{Bench, BenchIdentity, ProgramBench, RunSetup};
use dryfire_engine::{Command, CommandId, CommandKind, Observation, ProbeSignal, RigCounters, Trouble};
use dryfire_scenario::{
    ActiveLevel, BeginFiring, Bench as BenchFile, BenchKind, Contact, ContactRole, ContactState, ConverterChoice,
    Declared, EdgeTime, Path as Way, PathRelay, Pole, Relay, RelayRole, Segment, Senses, ShownTemperature,
    USUAL_COIL_SUPPLY, Uncertainty, Unpowered, Zone,
};
use dryfire_units::{MilliCelsius, RigSpan, RigTime, ThermocoupleType};

pub(crate) const AMBIENT: i64 = 20_000;

pub(crate) fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

/// Whether the tests of this file can run here.
#[expect(clippy::disallowed_methods, reason = "tells a build machine, where a skipped test would go unseen")]
#[expect(clippy::print_stderr, reason = "a skipped test has to say so")]
pub(crate) fn python() -> bool {
    let found = Process::new("python3")
        .arg("--version")
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status()
        .is_ok_and(|status| status.success());
    if !found {
        assert!(std::env::var("CI").is_err(), "python3 is needed for the tests of the program bench");
        eprintln!("SKIPPED: there is no python3 here, so the program bench is not tested");
    }
    found
}

/// Leaves the test where there is no Python.
macro_rules! need_python {
    () => {
        if !crate::support::python() {
            return;
        }
    };
}
pub(crate) use need_python;

/// `python3` with one of the controllers and its arguments.
pub(crate) fn controller(words: &str) -> Vec<String> {
    ["python3".to_owned()].into_iter().chain(words.split_whitespace().map(str::to_owned)).collect()
}

/// A two-zone bench: the contactor on input 2 (active low), elements on 0 and 1, lid and stop.
pub(crate) fn bench_file(command: Vec<String>, deadline: RigSpan) -> BenchFile {
    let zone = |name: &str, channel| Zone { name: name.to_owned(), probe_type: 'K', probe_channel: Some(channel) };
    let relay = |role, input, active| Relay {
        role,
        input,
        senses: Senses::Command,
        active,
        release: RigSpan::from_millis(20),
        unpowered: Unpowered::Open,
        coil_supply: USUAL_COIL_SUPPLY.to_owned(),
        solid_state: false,
    };
    let contact = |role, output, engaged| Contact { role, output, engaged, demand_safe: engaged };
    let path = |zone: usize| Way {
        zone,
        poles: vec![Pole { through: vec![PathRelay(0), PathRelay(zone + 1)] }],
        between: None,
    };
    BenchFile {
        name: "program under test".to_owned(),
        kind: BenchKind::Program { command, deadline },
        kiln: "kilns/none.yaml".to_owned(),
        controller: "invented".to_owned(),
        firmware_version: None,
        firmware_image: None,
        zones: vec![zone("top", 0), zone("bottom", 1)],
        relays: vec![
            relay(RelayRole::Safety, 2, ActiveLevel::Low),
            relay(RelayRole::Element(0), 0, ActiveLevel::High),
            relay(RelayRole::Element(1), 1, ActiveLevel::High),
        ],
        paths: vec![path(0), path(1)],
        old_parts: Vec::new(),
        limiter: None,
        contacts: vec![
            contact(ContactRole::Lid, 0, ContactState::Open),
            contact(ContactRole::Stop, 1, ContactState::Closed),
            contact(ContactRole::Acknowledge, 2, ContactState::Closed),
        ],
        supply_switch: true,
        controls_leg: None,
        feedback: Vec::new(),
        cold_junction: dryfire_scenario::ColdJunction::Room,
        converter: ConverterChoice::Linearised,
        dither_millicelsius: 0,
        begin: BeginFiring::Console { lines: vec!["program {program}".to_owned(), "start".to_owned()] },
        clear_fault: None,
        set_point: None,
        declares: Declared {
            top_temperature_millicelsius: 1_300_000,
            longest_firing: RigSpan::from_minutes(12 * 60),
            cycle_time: RigSpan::from_seconds(15),
            reactions: vec![("probe-open".to_owned(), RigSpan::from_seconds(10))],
        },
        uncertainty: Uncertainty {
            edge_time: EdgeTime::Whole(RigSpan::from_millis(1)),
            shown_temperature: ShownTemperature::Whole(500),
            coverage_hundredths: 200,
        },
    }
}

pub(crate) fn setup(firing: &[Segment]) -> RunSetup {
    RunSetup { run: 0, seed: 1, ambient_millicelsius: AMBIENT, firing: firing.to_vec() }
}

/// A bench and everything it has said.
pub(crate) struct Session {
    pub(crate) bench: ProgramBench,
    pub(crate) seen: Vec<Observation>,
    pub(crate) now: RigTime,
    next: u32,
}

impl Session {
    pub(crate) fn new(file: &BenchFile) -> Self {
        let bench =
            ProgramBench::new(file, &root().join("tests/controllers")).expect("the bench file fits a program bench");
        Session { bench, seen: Vec::new(), now: RigTime::ZERO, next: 0 }
    }

    pub(crate) fn begin(&mut self, firing: &[Segment]) -> Result<BenchIdentity, Trouble> {
        self.seen.clear();
        self.now = RigTime::ZERO;
        self.bench.begin(&setup(firing))
    }

    /// A session that has begun, with a program that is never late.
    pub(crate) fn begun(words: &str) -> Self {
        let mut session = Session::new(&bench_file(controller(words), RigSpan::from_seconds(20)));
        session.begin(&[]).expect("the program is there");
        session
    }

    pub(crate) fn command(&mut self, at: RigTime, kind: CommandKind) -> CommandId {
        let id = CommandId(self.next);
        self.next += 1;
        self.bench.command(Command { id, at, kind }).expect("the command is taken");
        id
    }

    pub(crate) fn console(&mut self, at: RigTime, line: &str) -> CommandId {
        self.command(at, CommandKind::Console { line: line.to_owned() })
    }

    pub(crate) fn probe(&mut self, at: RigTime, channel: u8, signal: ProbeSignal) -> CommandId {
        self.command(at, CommandKind::Probe { channel, signal, valid_until: RigTime::FAR_FUTURE })
    }

    pub(crate) fn try_to(&mut self, until: RigTime) -> Result<(), Trouble> {
        let outcome = self.bench.advance(until, &mut self.seen);
        self.now = until;
        outcome
    }

    pub(crate) fn to(&mut self, until: RigTime) {
        self.try_to(until).expect("the program goes on");
    }

    /// Console lines with their instants, in microseconds.
    pub(crate) fn lines(&self) -> Vec<(i64, &str)> {
        self.seen
            .iter()
            .filter_map(|observation| match observation {
                Observation::Console { at, line } => Some((at.as_micros(), line.as_str())),
                _ => None,
            })
            .collect()
    }

    /// Edges as (instant in microseconds, input, level).
    pub(crate) fn edges(&self) -> Vec<(i64, u8, bool)> {
        self.seen
            .iter()
            .filter_map(|observation| match observation {
                Observation::Edge { at, input, high } => Some((at.as_micros(), *input, *high)),
                _ => None,
            })
            .collect()
    }

    pub(crate) fn counters(&self) -> RigCounters {
        self.seen
            .iter()
            .rev()
            .find_map(|observation| match observation {
                Observation::Counters(counters) => Some(*counters),
                _ => None,
            })
            .unwrap_or_default()
    }
}

/// The voltage at the terminals of a type K probe at that temperature, held.
pub(crate) fn type_k(millicelsius: i64) -> ProbeSignal {
    let nanovolts = ThermocoupleType::K
        .terminal_nanovolts(MilliCelsius::new(millicelsius), MilliCelsius::new(AMBIENT))
        .expect("a temperature of type K");
    ProbeSignal::Voltage { nanovolts: nanovolts.value(), nanovolts_per_second: 0 }
}

pub(crate) const fn micros(micros: i64) -> RigTime {
    RigTime::from_micros(micros)
}

pub(crate) const fn millis(millis: i64) -> RigTime {
    RigTime::from_micros(millis * 1000)
}

pub(crate) const fn seconds(seconds: i64) -> RigTime {
    RigTime::from_micros(seconds * 1_000_000)
}

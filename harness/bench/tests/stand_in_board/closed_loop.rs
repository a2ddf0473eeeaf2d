//! A board, a kiln and the wires between them.

use dryfire_bench::{BoardEvent, BoardSetup, BoardZone, ContactWire, RelayWire, StandInBoard};
use dryfire_engine::ProbeSignal;
use dryfire_kiln::{Circuit, Kiln, StartState, three_ring};
use dryfire_scenario::{ActiveLevel, ContactRole, ContactState, Senses};
use dryfire_stand_in::{Defects, MemoryImage, Phase, Settings};
use dryfire_units::converter::ConverterKind;
use dryfire_units::{Celsius, MilliCelsius, RigSpan, RigTime, ThermocoupleType};

pub(crate) const ROOM: f64 = 22.0;
const STEP: RigSpan = RigSpan::from_millis(200);
pub(crate) const LID: u8 = 0;
pub(crate) const STOP: u8 = 1;

/// What a probe does instead of showing its temperature.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum ProbeStory {
    True,
    Open,
    Short,
    Reversed,
}

/// The three-ring kiln under a stand-in. Relay 0 and input 0 are the contactor's.
pub(crate) struct ClosedLoop {
    pub(crate) board: StandInBoard,
    pub(crate) kiln: Kiln,
    pub(crate) story: ProbeStory,
    /// Which inputs are high.
    pub(crate) on: [bool; 4],
    pub(crate) edges: Vec<(RigTime, u8, bool)>,
    pub(crate) lines: Vec<String>,
    pub(crate) now: RigTime,
}

pub(crate) fn setup(seed: u64, settings: Settings, defects: Defects) -> BoardSetup {
    let relay = |zone: Option<usize>, input| RelayWire {
        zone,
        input,
        senses: if zone.is_none() { Senses::Contact } else { Senses::Command },
        active: ActiveLevel::High,
    };
    let contact = |role, output, engaged| ContactWire { role, output, engaged };
    BoardSetup {
        seed,
        settings,
        defects,
        zones: (0..3).map(|channel| BoardZone { thermocouple: ThermocoupleType::K, channel: Some(channel) }).collect(),
        relays: vec![relay(None, 0), relay(Some(0), 1), relay(Some(1), 2), relay(Some(2), 3)],
        limiter: None,
        contacts: vec![
            contact(ContactRole::Lid, LID, ContactState::Open),
            contact(ContactRole::Stop, STOP, ContactState::Open),
            contact(ContactRole::Start, 2, ContactState::Closed),
            contact(ContactRole::Acknowledge, 3, ContactState::Closed),
        ],
        ambient_millicelsius: (ROOM * 1e3) as i64,
        memory: MemoryImage::BLANK,
        converter: ConverterKind::Linearised,
        played: false,
        bounces_for: None,
        poll: None,
        timer_at_boot_ms: 0,
    }
}

impl ClosedLoop {
    pub(crate) fn new(setup: BoardSetup, kiln_celsius: f64) -> Self {
        let start = StartState::soaked(Celsius::new(ROOM), Celsius::new(kiln_celsius));
        let kiln = Kiln::new(&three_ring(), Circuit::safety_and_elements(3), start).expect("a sound kiln");
        ClosedLoop {
            board: StandInBoard::new(setup),
            kiln,
            story: ProbeStory::True,
            on: [false; 4],
            edges: Vec::new(),
            lines: Vec::new(),
            now: RigTime::ZERO,
        }
    }

    pub(crate) fn firing(program: &str, setup: BoardSetup, kiln_celsius: f64) -> Self {
        let mut bench = ClosedLoop::new(setup, kiln_celsius);
        bench.run(4.0);
        bench.board.console_line(bench.now, &format!("program {program}"));
        bench.board.console_line(bench.now, "start");
        bench.run(3.0);
        assert!(bench.heard("firing begun"), "{:?}", bench.lines);
        bench
    }

    pub(crate) fn hottest(&self) -> f64 {
        self.kiln.hottest().value()
    }

    pub(crate) fn phase(&self) -> Option<Phase> {
        self.board.controller().map(|controller| controller.phase())
    }

    pub(crate) fn set_point(&self) -> f64 {
        self.board.controller().map_or(0.0, |controller| f64::from(controller.set_point_millicelsius()) / 1e3)
    }

    fn play_probes(&mut self) {
        for zone in 0..3 {
            let celsius = self.kiln.probe_temperature(zone);
            let cold = MilliCelsius::from_celsius(Celsius::new(ROOM)).expect("a room");
            let hot = MilliCelsius::from_celsius(celsius).expect("a temperature");
            let Ok(volts) = ThermocoupleType::K.terminal_nanovolts(hot, cold) else {
                // Hotter than any type K probe lives.
                self.board.set_probe(zone as u8, self.now, ProbeSignal::Open);
                continue;
            };
            let volts = volts.value();
            let sign = if self.story == ProbeStory::Reversed { -1 } else { 1 };
            let signal = match self.story {
                ProbeStory::Open => ProbeSignal::Open,
                ProbeStory::Short => ProbeSignal::Short,
                _ => ProbeSignal::Voltage {
                    nanovolts: sign * volts,
                    nanovolts_per_second: (f64::from(sign) * self.kiln.probe_slope(zone).value() * 41_000.0) as i32,
                },
            };
            self.board.set_probe(zone as u8, self.now, signal);
        }
    }

    pub(crate) fn step(&mut self) {
        self.play_probes();
        let until = self.now + STEP;
        let (edges, lines) = (&mut self.edges, &mut self.lines);
        let first = edges.len();
        self.board.run_until(until, &mut |event| match event {
            BoardEvent::Edge { at, input, high } => edges.push((at, input, high)),
            BoardEvent::Console { line, .. } => lines.push(line),
            BoardEvent::SupplyRail { .. } => {}
        });
        for (at, input, high) in &self.edges[first..] {
            self.on[usize::from(*input)] = *high;
            self.kiln.set_relay(*at, usize::from(*input), *high).expect("a known relay");
        }
        self.now = until;
        self.kiln.advance_to(until);
    }

    pub(crate) fn run(&mut self, seconds: f64) {
        let end = self.now + RigSpan::from_micros((seconds * 1e6) as i64);
        while self.now < end {
            self.step();
        }
    }

    /// Runs until something holds; the seconds it took.
    pub(crate) fn run_until(&mut self, at_most_s: f64, holds: impl Fn(&ClosedLoop) -> bool) -> Option<f64> {
        let begin = self.now;
        loop {
            let passed = (self.now - begin).as_seconds();
            if holds(self) {
                return Some(passed);
            }
            if passed > at_most_s {
                return None;
            }
            self.step();
        }
    }

    pub(crate) fn element_on(&self) -> bool {
        self.on[1..].contains(&true)
    }

    pub(crate) fn cut_within(&mut self, at_most_s: f64) -> Option<f64> {
        self.run_until(at_most_s, |bench| !bench.on.contains(&true))
    }

    pub(crate) fn heard(&self, text: &str) -> bool {
        self.lines.iter().any(|line| line.contains(text))
    }
}

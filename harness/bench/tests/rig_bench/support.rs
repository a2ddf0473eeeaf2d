//! A small world whose every edge can be worked out by hand, and a host that plays a script to it.

use std::collections::BTreeMap;

use dryfire_bench::{
    Bench, FaultyTransport, InProcessTransport, RigBench, RigPace, RunSetup, SimulatedRigSetup, Transport, WireFaults,
    World, WorldEvent,
};
use dryfire_engine::{Command, CommandId, CommandKind, Observation, Pacing, ProbeSignal, RigCounters, Trouble};
use dryfire_scenario::{
    ActiveLevel, BeginFiring, Bench as BenchFile, BenchKind, Contact, ContactRole, ContactState, ConverterChoice,
    Declared, EdgeTime, Plays, Relay, RelayRole, Senses, ShownTemperature, USUAL_COIL_SUPPLY, Uncertainty, Unpowered,
    Zone,
};
use dryfire_units::{Disturbance, RigSpan, RigTime};

pub(crate) const MS: i64 = 1_000;

pub(crate) fn at(micros: i64) -> RigTime {
    RigTime::from_micros(micros)
}

/// Input 0 changes every `period`. Input 1 is high while the voltage of channel 0 is at least
/// 1 mV, looked at every millisecond. Contact 0 shows on input 2 after 2 ms. Without supply
/// everything goes low. A console line comes back after 1 ms with `!` behind it.
#[derive(Clone, Debug)]
pub(crate) struct SmallWorld {
    pub(crate) period: i64,
    now: RigTime,
    powered: bool,
    levels: [bool; 3],
    probe: (RigTime, ProbeSignal),
    /// What is going to happen, in the order of the instants, then as it was arranged.
    coming: BTreeMap<(RigTime, u32), Happening>,
    arranged: u32,
}

#[derive(Clone, Debug)]
enum Happening {
    Beat,
    Look,
    Level(u8, bool),
    Rail(bool),
    Line(String),
}

impl SmallWorld {
    pub(crate) fn new(period: i64) -> Self {
        SmallWorld {
            period,
            now: RigTime::ZERO,
            powered: true,
            levels: [false; 3],
            probe: (RigTime::ZERO, ProbeSignal::Open),
            coming: BTreeMap::new(),
            arranged: 0,
        }
    }

    fn arrange(&mut self, micros: i64, what: Happening) {
        self.arranged += 1;
        self.coming.insert((self.now + RigSpan::from_micros(micros), self.arranged), what);
    }

    fn warm(&self) -> bool {
        let (from, ProbeSignal::Voltage { nanovolts, nanovolts_per_second }) = self.probe else { return false };
        let elapsed = (self.now - from).as_micros();
        i64::from(nanovolts) + i64::from(nanovolts_per_second) * elapsed / 1_000_000 >= 1_000_000
    }

    fn level(&mut self, input: u8, high: bool, sink: &mut dyn FnMut(WorldEvent)) {
        let level = &mut self.levels[usize::from(input)];
        if *level != high {
            *level = high;
            sink(WorldEvent::Edge { at: self.now, input, high });
        }
    }
}

impl World for SmallWorld {
    fn begin(&mut self, _seed: u64, _ambient_millicelsius: i64) -> Result<(), String> {
        *self = SmallWorld::new(self.period);
        self.arrange(self.period, Happening::Beat);
        self.arrange(MS, Happening::Look);
        Ok(())
    }

    fn run_until(&mut self, until: RigTime, sink: &mut dyn FnMut(WorldEvent)) {
        while let Some(entry) = self.coming.first_entry() {
            if entry.key().0 > until {
                break;
            }
            let ((at, _), what) = entry.remove_entry();
            self.now = at;
            match what {
                Happening::Beat => {
                    let high = self.powered && !self.levels[0];
                    self.level(0, high, sink);
                    self.arrange(self.period, Happening::Beat);
                }
                Happening::Look => {
                    let high = self.powered && self.warm();
                    self.level(1, high, sink);
                    self.arrange(MS, Happening::Look);
                }
                Happening::Level(input, high) => self.level(input, high && self.powered, sink),
                Happening::Rail(on) => {
                    self.powered = on;
                    sink(WorldEvent::SupplyRail { at, on });
                    if !on {
                        (0..3).for_each(|input| self.level(input, false, sink));
                    }
                }
                Happening::Line(line) => sink(WorldEvent::Console { at, line }),
            }
        }
        self.now = until;
    }

    fn set_probe(&mut self, at: RigTime, channel: u8, signal: ProbeSignal) {
        assert_eq!(at, self.now, "the world has not run up to what is set");
        if channel == 0 {
            self.probe = (at, signal);
        }
    }

    fn disturb_probe(&mut self, at: RigTime, _channel: u8, _disturbance: Disturbance) {
        assert_eq!(at, self.now, "the world has not run up to what is set");
    }

    fn set_contact(&mut self, at: RigTime, output: u8, closed: bool) {
        assert_eq!(at, self.now, "the world has not run up to what is set");
        if output == 0 {
            self.arrange(2 * MS, Happening::Level(2, closed));
        }
    }

    fn set_supply(&mut self, at: RigTime, on: bool) {
        assert_eq!(at, self.now, "the world has not run up to what is set");
        if on != self.powered {
            self.arrange(0, Happening::Rail(on));
        }
    }

    fn console_line(&mut self, at: RigTime, line: &str) {
        assert_eq!(at, self.now, "the world has not run up to what is set");
        self.arrange(MS, Happening::Line(format!("{line}!")));
    }
}

/// A bench with one probe, three inputs and one contact.
pub(crate) fn bench_file() -> BenchFile {
    let relay = |role, input| Relay {
        role,
        input,
        senses: Senses::Command,
        active: ActiveLevel::High,
        release: RigSpan::from_millis(20),
        unpowered: Unpowered::Open,
        coil_supply: USUAL_COIL_SUPPLY.to_owned(),
        solid_state: false,
    };
    BenchFile {
        name: "small world".to_owned(),
        kind: BenchKind::Rig { port: None, silence: RigSpan::from_millis(500), plays: Plays::Probes },
        kiln: "none".to_owned(),
        controller: "small world".to_owned(),
        firmware_version: None,
        firmware_image: None,
        zones: vec![Zone { name: "only".to_owned(), probe_type: 'K', probe_channel: Some(0) }],
        relays: vec![relay(RelayRole::Safety, 0), relay(RelayRole::Element(0), 1), relay(RelayRole::Element(1), 2)],
        paths: Vec::new(),
        old_parts: Vec::new(),
        limiter: None,
        contacts: vec![Contact {
            role: ContactRole::Lid,
            output: 0,
            engaged: ContactState::Closed,
            demand_safe: ContactState::Closed,
        }],
        supply_switch: true,
        controls_leg: None,
        feedback: Vec::new(),
        cold_junction: dryfire_scenario::ColdJunction::Room,
        converter: ConverterChoice::Linearised,
        dither_millicelsius: 0,
        begin: BeginFiring::Operator,
        clear_fault: None,
        set_point: None,
        declares: Declared {
            top_temperature_millicelsius: 1_280_000,
            longest_firing: RigSpan::from_seconds(36_000),
            cycle_time: RigSpan::from_seconds(15),
            reactions: Vec::new(),
        },
        uncertainty: Uncertainty {
            edge_time: EdgeTime::Whole(RigSpan::from_micros(10)),
            shown_temperature: ShownTemperature::Whole(1_000),
            coverage_hundredths: 200,
        },
    }
}

pub(crate) fn rig_setup(pace: RigPace) -> SimulatedRigSetup {
    // Not at zero, so that run time and rig time cannot be mixed up.
    SimulatedRigSetup { booted_at: at(7_777_777), ..SimulatedRigSetup::from_bench(&bench_file(), pace, 0xB007) }
}

/// A bench over a wire with faults to a small world, all in one process.
pub(crate) fn bench_over(pace: RigPace, period: i64, faults: WireFaults, seed: u64) -> RigBench {
    bench_on(move || {
        let inner = InProcessTransport::new(SmallWorld::new(period), rig_setup(pace));
        Box::new(FaultyTransport::new(inner, faults, seed))
    })
}

pub(crate) fn bench_on(mut open: impl FnMut() -> Box<dyn Transport> + 'static) -> RigBench {
    RigBench::new(bench_file(), Box::new(move || Ok(open())), 0x0FF1_CE00)
}

pub(crate) fn run_setup() -> RunSetup {
    RunSetup { run: 1, seed: 5, ambient_millicelsius: 20_000, firing: Vec::new() }
}

/// What a run came to.
#[derive(Debug)]
pub(crate) struct Played {
    pub(crate) seen: Vec<Observation>,
    pub(crate) trouble: Option<Trouble>,
}

impl Played {
    /// Everything but counters and watermarks.
    pub(crate) fn facts(&self) -> Vec<Observation> {
        let told = |seen: &&Observation| !matches!(seen, Observation::Counters(_) | Observation::Complete { .. });
        self.seen.iter().filter(told).cloned().collect()
    }

    pub(crate) fn counters(&self) -> RigCounters {
        let last = self.seen.iter().rev().find_map(|seen| match seen {
            Observation::Counters(counters) => Some(*counters),
            _ => None,
        });
        last.unwrap_or_default()
    }

    pub(crate) fn watermark(&self) -> RigTime {
        let marks = self.seen.iter().filter_map(|seen| match seen {
            Observation::Complete { until } => Some(*until),
            _ => None,
        });
        marks.max().unwrap_or_default()
    }

    /// Instants and levels of an input.
    pub(crate) fn edges(&self, of: u8) -> Vec<(i64, bool)> {
        let edges = self.seen.iter().filter_map(|seen| match seen {
            Observation::Edge { at, input, high } if *input == of => Some((at.as_micros(), *high)),
            _ => None,
        });
        edges.collect()
    }
}

/// What happens in the script: probe up at 0.3 s, contact at 0.5 s, a line at 0.7 s,
/// supply away at 1.1 s and back at 1.3 s, probe open at 1.6 s.
pub(crate) fn script() -> Vec<(i64, CommandKind)> {
    vec![
        (300_000, voltage(900_000, 500_000, 1_600_000)),
        (500_000, CommandKind::Contact { output: 0, closed: true }),
        (700_000, CommandKind::Console { line: "how are you".to_owned() }),
        (1_100_000, CommandKind::Supply { on: false }),
        (1_300_000, CommandKind::Supply { on: true }),
        (1_600_000, CommandKind::Probe { channel: 0, signal: ProbeSignal::Open, valid_until: RigTime::FAR_FUTURE }),
    ]
}

pub(crate) fn voltage(nanovolts: i32, nanovolts_per_second: i32, valid_until: i64) -> CommandKind {
    let signal = ProbeSignal::Voltage { nanovolts, nanovolts_per_second };
    CommandKind::Probe { channel: 0, signal, valid_until: at(valid_until) }
}

/// Plays a script in steps of 200 ms to the end of `length`, or until something breaks down.
pub(crate) fn play(bench: &mut dyn Bench, script: &[(i64, CommandKind)], length: i64) -> Played {
    play_in_steps(bench, script, length, RigSpan::from_millis(200))
}

/// The same in other steps; a free-running bench has its own.
pub(crate) fn play_in_steps(
    bench: &mut dyn Bench,
    script: &[(i64, CommandKind)],
    length: i64,
    step: RigSpan,
) -> Played {
    let mut played = Played { seen: Vec::new(), trouble: None };
    let pacing = match bench.begin(&run_setup()) {
        Ok(identity) => identity.pacing,
        Err(trouble) => return Played { trouble: Some(trouble), ..played },
    };
    let step = match pacing {
        Pacing::Stepped { .. } => step,
        Pacing::FreeRunning { period, .. } => period,
    };
    let mut waiting = script.iter().enumerate().peekable();
    while played.watermark() < at(length) {
        let until = (played.watermark() + step).min(at(length));
        while let Some((number, (when, kind))) = waiting.next_if(|(_, (when, _))| at(*when) <= until) {
            let command = Command { id: CommandId(number as u32), at: at(*when), kind: kind.clone() };
            played.trouble = played.trouble.or(bench.command(command).err());
        }
        let result = bench.advance(until, &mut played.seen);
        played.trouble = played.trouble.or(result.err());
        if played.trouble.is_some() {
            break;
        }
    }
    bench.end();
    played
}

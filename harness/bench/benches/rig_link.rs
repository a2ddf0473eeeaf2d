//! What a step over the link costs: with a pseudo-terminal between host and rig,
//! and in one process. At 200 times real time and 5 steps a second a step may take 1 ms.

use std::hint::black_box;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::channel;

use criterion::{Criterion, criterion_group, criterion_main};
use dryfire_bench::{
    Bench, InProcessTransport, PtyRig, RigBench, RigPace, RunSetup, SimulatedRigSetup, Transport, TransportError,
    World, WorldEvent,
};
use dryfire_engine::{Command, CommandId, CommandKind, ProbeSignal};
use dryfire_link::frame::MAX_FRAME;
use dryfire_link::{Edge, Edges, HostEndpoint, LinkTime, RigEndpoint, RigMessage};
use dryfire_scenario::{Bench as BenchFile, parse_bench};
use dryfire_units::{Disturbance, RigSpan, RigTime};

/// A controller that does nothing: what is measured is the way to it.
struct StillWorld;

impl World for StillWorld {
    fn begin(&mut self, _seed: u64, _ambient_millicelsius: i64) -> Result<(), String> {
        Ok(())
    }
    fn run_until(&mut self, _until: RigTime, _sink: &mut dyn FnMut(WorldEvent)) {}
    fn set_probe(&mut self, _at: RigTime, _channel: u8, _signal: ProbeSignal) {}
    fn disturb_probe(&mut self, _at: RigTime, _channel: u8, _disturbance: Disturbance) {}
    fn set_contact(&mut self, _at: RigTime, _output: u8, _closed: bool) {}
    fn set_supply(&mut self, _at: RigTime, _on: bool) {}
    fn console_line(&mut self, _at: RigTime, _line: &str) {}
}

fn file() -> BenchFile {
    let text = include_str!("../../../scenarios/benches/virtual.yaml");
    parse_bench("virtual.yaml", text).expect("the library's own bench file").0
}

fn setup() -> SimulatedRigSetup {
    SimulatedRigSetup::from_bench(&file(), RigPace::Granted, 1)
}

/// One step as the engine makes it: three set-points and a grant.
struct Stepping {
    bench: RigBench,
    now: RigTime,
    next: u32,
}

impl Stepping {
    fn new(mut bench: RigBench) -> Self {
        let run = RunSetup { run: 0, seed: 1, ambient_millicelsius: 20_000, firing: Vec::new() };
        bench.begin(&run).expect("begins");
        Stepping { bench, now: RigTime::ZERO, next: 0 }
    }

    fn step(&mut self) {
        let mut seen = Vec::new();
        for channel in 0..3 {
            let signal = ProbeSignal::Voltage { nanovolts: 1_000_000, nanovolts_per_second: 5_000 };
            let valid_until = self.now + RigSpan::from_millis(400);
            let kind = CommandKind::Probe { channel, signal, valid_until };
            self.bench.command(Command { id: CommandId(self.next), at: self.now, kind }).expect("taken");
            self.next += 1;
        }
        self.now += RigSpan::from_millis(200);
        self.bench.advance(self.now, &mut seen).expect("goes on");
        black_box(seen);
    }
}

fn steps(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("step");
    let open =
        || -> Result<Box<dyn Transport>, TransportError> { Ok(Box::new(InProcessTransport::new(StillWorld, setup()))) };
    let mut within = Stepping::new(RigBench::new(file(), Box::new(open), 1));
    group.bench_function("in one process", |bencher| bencher.iter(|| within.step()));

    let stop = Arc::new(AtomicBool::new(false));
    let seen = Arc::clone(&stop);
    let (sender, port) = channel();
    let rig = std::thread::Builder::new()
        .spawn(move || {
            let mut rig = PtyRig::open(StillWorld, setup(), None).expect("a terminal");
            sender.send(rig.port().to_owned()).expect("somebody waits");
            rig.run(&seen).expect("the terminal stays");
        })
        .expect("a thread");
    let mut wired = Stepping::new(RigBench::serial(file(), port.recv().expect("a port")));
    group.bench_function("through a pseudo-terminal", |bencher| bencher.iter(|| wired.step()));
    drop(wired);
    stop.store(true, Ordering::Relaxed);
    rig.join().expect("ends well");
    group.finish();
}

fn endpoints(criterion: &mut Criterion) {
    let (mut host, mut rig) = (HostEndpoint::host(), RigEndpoint::rig(1));
    host.open(1);
    let mut now = 0;
    let mut turn = |host: &mut HostEndpoint, rig: &mut RigEndpoint| {
        now += 5_000;
        let now = LinkTime::from_micros(now);
        let mut buffer = [0u8; MAX_FRAME];
        while let Some(frame) = rig.poll_transmit(now, &mut buffer) {
            host.handle_bytes(now, frame);
        }
        while let Some(frame) = host.poll_transmit(now, &mut buffer) {
            rig.handle_bytes(now, frame);
        }
        while let Some(message) = host.poll_message() {
            black_box(message.expect("a message"));
        }
    };
    // The session opens with the host's first data frame.
    turn(&mut host, &mut rig);
    turn(&mut host, &mut rig);
    host.send(&dryfire_link::HostMessage::End).expect("room");
    turn(&mut host, &mut rig);
    criterion.bench_function("100 edges from end to end", |bencher| {
        bencher.iter(|| {
            for index in 0..100 {
                let at = RigTime::from_micros(3_600_000_000 + i64::from(index));
                let edge = Edge { index, at, input: 1, high: true };
                rig.send(&RigMessage::Edges(Edges::new(&edge))).expect("room");
            }
            turn(&mut host, &mut rig);
        });
    });
}

criterion_group!(benches, steps, endpoints);
criterion_main!(benches);

//! Simulated hours per second of the virtual bench, and where the time goes.
//!
//! A firing of twelve hours is run whole, on a kiln of one zone with 12 signals and
//! on one of three with 22, with a control tick of 10 Hz and of 1 Hz; then each part alone, fed with what it was given
//! in that very run. What is in a figure and what is not: `docs/performance.md`.

mod firing;
mod hours;
mod recording;

use std::cell::LazyCell;
use std::hint::black_box;
use std::sync::atomic::AtomicBool;
use std::time::Duration;

use criterion::{Criterion, SamplingMode, Throughput};
use dryfire_bench::{BoardEvent, StandInBoard, run_plan};
use dryfire_engine::{CommandKind, ScenarioResult};
use dryfire_judge::naive::Trace;
use dryfire_judge::{Finding, Judge, Verdict, naive};
use dryfire_kiln::{Kiln, StartState};
use dryfire_units::converter::{LinearisedConverter, TerminalSignal};
use dryfire_units::thermocouple::{FastThermocouple, ThermocoupleType};
use dryfire_units::{Celsius, MilliCelsius, RigSpan, RigTime};

use firing::{Firing, Setup};
use hours::HoursPerSecond;
use recording::{BoardCall, Given, Recording};

/// The grid on which the engine samples the kiln and sets the probes.
const GRID: RigSpan = RigSpan::from_seconds(1);

fn main() {
    let mut criterion = Criterion::default()
        .with_measurement(HoursPerSecond)
        .sample_size(10)
        .warm_up_time(Duration::from_millis(200))
        .measurement_time(Duration::from_millis(1_000))
        .configure_from_args();
    for setup in Setup::ALL {
        for (name, tick) in [("10 Hz", RigSpan::from_millis(100)), ("1 Hz", RigSpan::from_seconds(1))] {
            measure(&mut criterion, setup, name, tick);
        }
    }
    criterion.final_summary();
}

fn measure(criterion: &mut Criterion<HoursPerSecond>, setup: Setup, name: &str, tick: RigSpan) {
    let firing = Firing::with_tick(setup, tick);
    let recording = LazyCell::new(|| Recording::of(&firing));
    let mut group = criterion.benchmark_group(format!("{} signals at {name}", setup.signals()));
    group.sampling_mode(SamplingMode::Flat).throughput(Throughput::Elements(Firing::HOURS));
    group.bench_function("whole run", |bencher| {
        assert_eq!(whole_run(&firing, false).verdict, Some(Verdict::Pass));
        bencher.iter(|| whole_run(&firing, false));
    });
    group.bench_function("whole run, judged twice", |bencher| {
        assert_eq!(whole_run(&firing, true).verdict, Some(Verdict::Pass));
        bencher.iter(|| whole_run(&firing, true));
    });
    // A part that does not do as it did in the run is not the part that is meant.
    group.bench_function("kiln alone", |bencher| {
        assert_eq!(kiln_alone(&firing, &recording), recording.last_shown());
        bencher.iter(|| kiln_alone(&firing, &recording));
    });
    group.bench_function("probes alone", |bencher| bencher.iter(|| probes_alone(&firing, &recording, tick)));
    group.bench_function("board alone", |bencher| {
        assert_eq!(board_alone(&firing, &recording), recording.edges);
        bencher.iter(|| board_alone(&firing, &recording));
    });
    group.bench_function("judge alone", |bencher| {
        assert_eq!(judge_alone(&firing, &recording), recording.findings);
        bencher.iter(|| judge_alone(&firing, &recording));
    });
    group.bench_function("second judge alone", |bencher| {
        assert_eq!(second_judge_alone(&firing, &recording, &recording.trace), recording.findings);
        bencher.iter(|| second_judge_alone(&firing, &recording, &recording.trace));
    });
    group.bench_function("second judge alone, probes open for six hours", |bencher| {
        let trace = recording.with_probes_open(&firing.plan, RigSpan::from_seconds(6 * 3_600));
        assert_ne!(second_judge_alone(&firing, &recording, &trace), recording.findings);
        bencher.iter(|| second_judge_alone(&firing, &recording, &trace));
    });
    group.finish();
}

/// Engine, kiln, probes, board and judge together, as `dryfire run` has them; no
/// record, events given out and dropped.
#[inline(never)]
fn whole_run(firing: &Firing, second_judge: bool) -> ScenarioResult {
    let mut bench = firing.bench();
    let stop = AtomicBool::new(false);
    run_plan(
        firing.plan.clone(),
        &mut bench,
        Firing::options(second_judge),
        &stop,
        &mut |event| drop(black_box(event)),
        &mut |_| {},
    )
    .expect("the firing can be played")
}

/// The thermal model on its grid of a second and at every edge of a relay.
#[inline(never)]
fn kiln_alone(firing: &Firing, recording: &Recording) -> Vec<i64> {
    let plan = &firing.plan;
    let celsius = |millicelsius: i64| Celsius::new(millicelsius as f64 / 1e3);
    let start = StartState::soaked(celsius(plan.start.ambient_millicelsius), celsius(plan.start.kiln_millicelsius));
    let mut kiln = Kiln::new(&plan.kiln, plan.circuit.clone(), start).expect("the kiln of the run");
    let mut edges = recording.relays.iter().peekable();
    let mut at = RigTime::ZERO;
    while at <= recording.length {
        while let Some((edge, relay, on)) = edges.next_if(|(edge, ..)| *edge <= at) {
            kiln.set_relay(*edge, *relay, *on).expect("edges in order");
        }
        kiln.advance_to(at);
        for zone in 0..kiln.zones() {
            black_box((kiln.zone_temperature(zone), kiln.probe_temperature(zone), kiln.probe_slope(zone)));
        }
        at += GRID;
    }
    (0..kiln.zones()).map(|zone| (kiln.probe_temperature(zone).value() * 1e3).round() as i64).collect()
}

/// From each probe's temperature to a voltage with its slope, once a second, and from there
/// to what the controller reads at each tick.
#[inline(never)]
fn probes_alone(firing: &Firing, recording: &Recording, tick: RigSpan) -> i64 {
    let cold = MilliCelsius::new(firing.plan.start.ambient_millicelsius);
    let ticks = GRID.as_micros() / tick.as_micros();
    let mut sum = 0;
    for (zone, shown) in firing.plan.bench.zones.iter().zip(&recording.shown) {
        let kind = ThermocoupleType::from_letter(zone.probe_type).expect("a type");
        let thermocouple = FastThermocouple::new(kind);
        let converter = LinearisedConverter::new(kind);
        let voltage = |millicelsius| thermocouple.terminal_nanovolts(MilliCelsius::new(millicelsius), cold);
        for pair in shown.windows(2) {
            let (Ok(now), Ok(ahead)) = (voltage(pair[0]), voltage(pair[1])) else { panic!("within the range") };
            let rise = ahead.value() - now.value();
            for tick in 0..ticks {
                let nanovolts = now.value() + (i64::from(rise) * tick / ticks) as i32;
                let reading =
                    converter.convert(TerminalSignal::Voltage(dryfire_units::Nanovolts::new(nanovolts)), cold);
                sum += reading.temperature.value();
            }
        }
    }
    sum
}

/// The stand-in on its board: converters, contacts, controller, relays, console.
#[inline(never)]
fn board_alone(firing: &Firing, recording: &Recording) -> usize {
    let mut board = StandInBoard::new(firing.board());
    let mut edges = 0;
    let mut sink = |event: BoardEvent| edges += usize::from(matches!(event, BoardEvent::Edge { .. }));
    for call in &recording.board {
        match call {
            BoardCall::RunUntil(until) => board.run_until(*until, &mut sink),
            BoardCall::Command(command) => {
                board.run_until(command.at, &mut sink);
                match &command.kind {
                    CommandKind::Probe { channel, signal, .. } => board.set_probe(*channel, command.at, *signal),
                    CommandKind::Disturb { channel, disturbance } => {
                        board.disturb_probe(*channel, command.at, *disturbance);
                    }
                    CommandKind::Terminals { millicelsius } => {
                        board.set_terminals(command.at, MilliCelsius::new(*millicelsius));
                    }
                    CommandKind::Contact { output, closed } => board.set_contact(*output, *closed, command.at),
                    CommandKind::Supply { on } => board.set_supply(*on, command.at),
                    CommandKind::Console { line } => board.console_line(command.at, line),
                    CommandKind::Prompt { .. } => {}
                }
            }
        }
    }
    edges
}

/// The judge that goes along with the run.
#[inline(never)]
fn judge_alone(firing: &Firing, recording: &Recording) -> Vec<Finding> {
    let plan = &firing.plan;
    let mut judge = Judge::new(plan.table.clone(), plan.moments.clone(), plan.expectations.clone())
        .expect("expectations of the run")
        .with_moments_that_come_once();
    for given in &recording.judge {
        match *given {
            Given::Observed(at, signal, value) => judge.observe(at, signal, value),
            Given::Moment(at, moment, uncertainty) => judge.moment(moment, at, uncertainty),
            Given::Advance(until) => {
                judge.advance(until);
                while let Some(finding) = judge.poll_decided() {
                    black_box(finding);
                }
            }
        }
    }
    judge.finish(recording.length)
}

/// The naive judge over the whole trace, as after every run.
#[inline(never)]
fn second_judge_alone(firing: &Firing, recording: &Recording, trace: &Trace) -> Vec<Finding> {
    naive::judge(&firing.plan.table, &firing.plan.expectations, trace, recording.length)
}

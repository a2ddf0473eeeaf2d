//! What a simulated hour costs the stand-in on its board, without kiln, engine and judge.

use criterion::{BatchSize, Criterion, criterion_group, criterion_main};
use dryfire_bench::{BoardSetup, BoardZone, RelayWire, StandInBoard};
use dryfire_engine::ProbeSignal;
use dryfire_scenario::{ActiveLevel, Segment, Senses};
use dryfire_stand_in::{Defects, MemoryImage, Settings};
use dryfire_units::converter::ConverterKind;
use dryfire_units::{RigSpan, RigTime, ThermocoupleType};

/// A board of three zones with this tick.
fn setup(tick_ms: u32) -> BoardSetup {
    let relay =
        |zone: Option<usize>, input| RelayWire { zone, input, senses: Senses::Command, active: ActiveLevel::High };
    let setup = BoardSetup {
        seed: 1,
        settings: Settings { tick_ms, ..Settings::default() },
        defects: Defects::NONE,
        zones: (0..3).map(|channel| BoardZone { thermocouple: ThermocoupleType::K, channel: Some(channel) }).collect(),
        relays: vec![relay(None, 0), relay(Some(0), 1), relay(Some(1), 2), relay(Some(2), 3)],
        limiter: None,
        contacts: Vec::new(),
        ambient_millicelsius: 22_000,
        memory: MemoryImage::BLANK,
        converter: ConverterKind::Linearised,
        played: false,
        bounces_for: None,
        poll: None,
        timer_at_boot_ms: 0,
    };
    let ramp = Segment::Ramp { rate_millicelsius_per_hour: 150_000, to_millicelsius: 1_000_000 };
    setup.with_program(&[ramp]).expect("a program that is accepted")
}

/// A firing that has just begun.
fn firing(tick_ms: u32) -> StandInBoard {
    let mut board = StandInBoard::new(setup(tick_ms));
    for second in 0..10 {
        play(&mut board, second);
        if second == 4 {
            board.console_line(board.now(), "start");
        }
    }
    board
}

/// One second of a kiln that climbs at 150 °C/h, told four times a second; about
/// 41 µV for each degree.
fn play(board: &mut StandInBoard, second: i32) {
    for quarter in 0..4 {
        let nanovolts = 12_000_000 + second * 1_710 + quarter * 427;
        for channel in 0..3 {
            let signal = ProbeSignal::Voltage { nanovolts, nanovolts_per_second: 1_710 };
            board.set_probe(channel, board.now(), signal);
        }
        board.run_until(board.now() + RigSpan::from_millis(250), &mut |_| {});
    }
}

fn simulated_hour(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("stand-in board, a simulated hour of three zones");
    group.sample_size(20);
    for tick_ms in [100, 1_000] {
        group.bench_function(format!("tick of {tick_ms} ms"), |bencher| {
            bencher.iter_batched_ref(
                || firing(tick_ms),
                |board| {
                    for second in 10..3_610 {
                        play(board, second);
                    }
                    assert!(board.now() >= RigTime::from_micros(3_600_000_000));
                },
                BatchSize::SmallInput,
            );
        });
    }
    group.finish();
}

criterion_group!(benches, simulated_hour);
criterion_main!(benches);

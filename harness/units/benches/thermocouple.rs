//! Cost of one conversion: exact functions and tables.

use std::hint::black_box;

use criterion::{BatchSize, Criterion, criterion_group, criterion_main};
use dryfire_units::thermocouple::FastThermocouple;
use dryfire_units::{Celsius, Microvolts, MilliCelsius, Nanovolts, ThermocoupleType};

fn bench(criterion: &mut Criterion) {
    let kind = ThermocoupleType::K;
    let fast = FastThermocouple::new(kind);
    let mut group = criterion.benchmark_group("type K");
    // A temperature that wanders, so that nothing is predicted from one call to the next.
    let mut state = 1_u64;
    let mut wander = move || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) as f64 / f64::from(u32::MAX >> 1)
    };
    let mut celsius: Vec<f64> = Vec::new();
    celsius.extend((0..1024).map(|_| 20.0 + 1300.0 * wander()));
    let mut next = 0;
    let mut some = move || {
        next = (next + 1) % celsius.len();
        celsius[next]
    };
    group.bench_function("emf, exact", |bencher| {
        bencher.iter_batched(&mut some, |t| black_box(kind.emf(Celsius::new(t))), BatchSize::SmallInput);
    });
    group.bench_function("emf, table", |bencher| {
        bencher.iter_batched(&mut some, |t| black_box(fast.emf(Celsius::new(t))), BatchSize::SmallInput);
    });
    group.bench_function("temperature, exact", |bencher| {
        let input = || Microvolts::new(some() * 41.0);
        bencher.iter_batched(input, |emf| black_box(kind.temperature(emf)), BatchSize::SmallInput);
    });
    group.bench_function("temperature, table", |bencher| {
        let input = || Microvolts::new(some() * 41.0);
        bencher.iter_batched(input, |emf| black_box(fast.temperature(emf)), BatchSize::SmallInput);
    });
    group.bench_function("reading in thousandths over a cold junction, table", |bencher| {
        let input = || Nanovolts::new((some() * 40_000.0) as i32);
        let cold = MilliCelsius::new(27_500);
        bencher.iter_batched(input, |emf| black_box(fast.reading_millicelsius(emf, cold)), BatchSize::SmallInput);
    });
    group.finish();
}

criterion_group!(benches, bench);
criterion_main!(benches);

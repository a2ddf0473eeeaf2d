//! Simulated hours for each second of computing: one zone and three, relays
//! switching every 15 s as in a real firing.

use std::hint::black_box;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use dryfire_kiln::{Circuit, Kiln, KilnDescription, StartState, three_ring};
use dryfire_units::{Celsius, RigTime};

/// Runs one hour: each zone's relay is on for 8 s of every 15 s.
fn one_hour(kiln: &mut Kiln, from_second: i64) {
    let zones = kiln.zones();
    for cycle in 0..240 {
        let start = RigTime::from_micros((from_second + cycle * 15) * 1_000_000 + 137_000);
        for zone in 0..zones {
            kiln.set_relay(start, zone, true).expect("in order");
        }
        let end = RigTime::from_micros(start.as_micros() + 8_000_000);
        for zone in 0..zones {
            kiln.set_relay(end, zone, false).expect("in order");
        }
    }
    kiln.advance_to(RigTime::from_micros((from_second + 3600) * 1_000_000));
}

fn one_zone() -> KilnDescription {
    let mut description = three_ring();
    description.zones.truncate(1);
    description.couplings.clear();
    description
}

fn bench(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("simulated hours");
    group.throughput(Throughput::Elements(1));
    for (name, description) in [("one zone", one_zone()), ("three zones", three_ring())] {
        let zones = description.zones.len();
        let start = StartState::soaked(Celsius::new(20.0), Celsius::new(900.0));
        let mut kiln = Kiln::new(&description, Circuit::elements_only(zones), start).expect("a good kiln");
        let mut second = 0;
        group.bench_function(name, |bencher| {
            bencher.iter(|| {
                one_hour(&mut kiln, second);
                second += 3600;
                black_box(kiln.hottest())
            });
        });
    }
    group.finish();
}

criterion_group!(benches, bench);
criterion_main!(benches);

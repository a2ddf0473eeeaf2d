//! Simulated hours for each second of computing: one zone and three, relays
//! switching every 15 s as in a real firing.
#![expect(clippy::disallowed_methods, clippy::disallowed_types, reason = "a bench measures by the clock")]

use std::hint::black_box;
use std::sync::LazyLock;
use std::time::Instant;

use criterion::{Criterion, Throughput, criterion_group};
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
/// The three-ring kiln's row of the comparison with SciPy: hours of its firing, seconds
/// that Radau took. Recorded when that comparison was last run, not measured here.
fn recorded_radau() -> Option<(f64, f64)> {
    let page = include_str!("../../../docs/outside-checks.md");
    let row = page.lines().find(|line| line.starts_with("| three-ring |"))?;
    let cells: Vec<&str> = row.trim_matches('|').split('|').map(str::trim).collect();
    let hours = cells.get(1)?.split(',').next()?.parse().ok()?;
    Some((hours, cells.last()?.strip_suffix(" s")?.parse().ok()?))
}

/// Processor time of this process so far; where the system does not tell, of the wall.
fn processor_seconds() -> f64 {
    static BEGUN: LazyLock<Instant> = LazyLock::new(Instant::now);
    let told = std::fs::read_to_string("/proc/self/schedstat").ok();
    let nanos: Option<f64> = told.and_then(|told| told.split_whitespace().next()?.parse().ok());
    nanos.map_or_else(|| BEGUN.elapsed().as_secs_f64(), |nanos| nanos / 1e9)
}

#[expect(clippy::print_stdout, reason = "a bench tells what it measured")]
fn beside_radau() {
    let Some((hours, radau)) = recorded_radau() else { return };
    let one_run = || {
        let start = StartState::cold(Celsius::new(20.0));
        let mut kiln = Kiln::new(&three_ring(), Circuit::elements_only(3), start).expect("a good kiln");
        let begun = processor_seconds();
        for hour in 0..hours as i64 {
            one_hour(&mut kiln, hour * 3600);
        }
        black_box(kiln.hottest());
        processor_seconds() - begun
    };
    // The shortest of some: what else the machine does makes it longer, never shorter.
    let model = (0..7).map(|_| one_run()).fold(f64::INFINITY, f64::min);
    println!(
        "three-ring kiln, {hours} h, processor time: model {:.1} ms, {:.0} simulated hours in a second; SciPy's Radau \
         {radau} s, {:.2} (as recorded in docs/outside-checks.md, not measured now): {:.0} times as long",
        model * 1e3,
        hours / model,
        hours / radau,
        radau / model,
    );
}

fn main() {
    benches();
    Criterion::default().configure_from_args().final_summary();
    beside_radau();
}

//! Wall time, told as simulated hours per second.

use std::time::Duration;

use criterion::Throughput;
use criterion::measurement::{Measurement, ValueFormatter, WallTime};

/// Wall time; the elements of a throughput are simulated hours.
pub(crate) struct HoursPerSecond;

impl Measurement for HoursPerSecond {
    type Intermediate = <WallTime as Measurement>::Intermediate;
    type Value = Duration;

    fn start(&self) -> Self::Intermediate {
        WallTime.start()
    }

    fn end(&self, start: Self::Intermediate) -> Duration {
        WallTime.end(start)
    }

    fn add(&self, one: &Duration, other: &Duration) -> Duration {
        *one + *other
    }

    fn zero(&self) -> Duration {
        Duration::ZERO
    }

    fn to_f64(&self, value: &Duration) -> f64 {
        WallTime.to_f64(value)
    }

    fn formatter(&self) -> &dyn ValueFormatter {
        &Format
    }
}

struct Format;

impl ValueFormatter for Format {
    fn scale_values(&self, _typical: f64, nanoseconds: &mut [f64]) -> &'static str {
        for value in nanoseconds {
            *value /= 1e6;
        }
        "ms"
    }

    fn scale_throughputs(&self, _typical: f64, throughput: &Throughput, nanoseconds: &mut [f64]) -> &'static str {
        let Throughput::Elements(hours) = *throughput else { return "ns" };
        for value in nanoseconds {
            *value = hours as f64 * 1e9 / *value;
        }
        "simulated h/s"
    }

    fn scale_for_machines(&self, _nanoseconds: &mut [f64]) -> &'static str {
        "ns"
    }
}

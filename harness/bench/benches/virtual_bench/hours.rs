//! Processor time, told as simulated hours per second.

use std::time::Duration;

use criterion::Throughput;
use criterion::measurement::{Measurement, ValueFormatter};
use nix::sys::resource::{UsageWho, getrusage};
use nix::sys::time::TimeVal;

/// Processor time of this process, which has one thread: other programs on the
/// machine disturb it less than the time on the wall. The elements of a
/// throughput are simulated hours.
pub(crate) struct HoursPerSecond;

impl Measurement for HoursPerSecond {
    type Intermediate = Duration;
    type Value = Duration;

    fn start(&self) -> Duration {
        let usage = getrusage(UsageWho::RUSAGE_SELF).expect("a process has used its processor");
        let duration = |time: TimeVal| Duration::new(time.tv_sec() as u64, time.tv_usec() as u32 * 1_000);
        duration(usage.user_time()) + duration(usage.system_time())
    }

    fn end(&self, start: Duration) -> Duration {
        self.start() - start
    }

    fn add(&self, one: &Duration, other: &Duration) -> Duration {
        *one + *other
    }

    fn zero(&self) -> Duration {
        Duration::ZERO
    }

    fn to_f64(&self, value: &Duration) -> f64 {
        value.as_nanos() as f64
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

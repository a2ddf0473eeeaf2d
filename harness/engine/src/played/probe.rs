//! What a probe with its leads puts on the controller's terminals.

use std::sync::OnceLock;

use dryfire_scenario::{ExtensionWire, ProbeFault};
use dryfire_units::thermocouple::{FastThermocouple, ThermocoupleType};
use dryfire_units::{Celsius, Disturbance, Microvolts, MilliCelsius, Nanovolts, RigSpan, RigTime};

use crate::io::ProbeSignal;

/// How long each value of a noise stays: a converter's usual time for one reading.
const NOISE_EVERY_MS: u32 = 100;

/// A probe's fault with what it needs to remember.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Fault {
    Open,
    Short,
    ShortToGround,
    ShortToSupply,
    ShortInHead { head: f64 },
    Reversed,
    Frozen { celsius: f64 },
    Offset { celsius: f64 },
    Drift { since: RigTime, celsius_per_second: f64 },
    PulledOut { since: RigTime, from_celsius: f64 },
    AnotherType { kind: ThermocoupleType },
    Extension { wire: Wire, head: f64 },
}

/// The wire between head and terminals, where it is not the probe's own.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Wire {
    Copper,
    Reversed,
    Of(ThermocoupleType),
}

/// The controller's terminals.
#[derive(Clone, Copy, Debug)]
pub(super) struct Terminals {
    /// Their temperature, °C.
    pub(super) celsius: f64,
    /// What the converter takes it to be, which is that of the room.
    pub(super) believed: f64,
}

/// A junction in the kiln or elsewhere: temperature (°C), and slope (°C/s).
#[derive(Clone, Copy, Debug)]
pub(super) struct Junction {
    pub(super) celsius: f64,
    pub(super) slope: f64,
}

/// One pair of terminals and what hangs on them.
pub(super) struct Probe {
    /// The type that the controller is set to.
    instrument: &'static FastThermocouple,
    /// The type of the probe that hangs there, if it is another one.
    other: Option<ThermocoupleType>,
    /// emf of the terminals' temperature, µV; `None` if that is out of the type's range.
    cold: Option<f64>,
    /// The same of the temperature that the converter believes in.
    believed: Option<f64>,
    pub(super) channel: Option<u8>,
    pub(super) lag_seconds: f64,
    fault: Option<Fault>,
    /// What the rig adds by itself because a stimulus asked for it.
    disturbance: Disturbance,
    /// What it adds all the time, root mean square.
    dither_nanovolts: u32,
    /// What it was last told to add.
    told: Disturbance,
    /// Whether the channel has to be set anew because something changed.
    pub(super) stale: bool,
}

/// What is behind a probe's terminals.
enum Source {
    /// The circuit is open.
    Nothing,
    /// One lead touches the other.
    Short,
    Ground,
    Supply,
    Junction {
        at: Junction,
        leads: Leads,
    },
}

/// How the junction's voltage comes to the terminals.
#[derive(Clone, Copy, PartialEq)]
enum Leads {
    Right,
    Reversed,
    Extension { wire: Wire, head: f64 },
}

impl Probe {
    pub(super) fn new(kind: ThermocoupleType, channel: Option<u8>, lag_seconds: f64, terminals: Terminals) -> Self {
        let mut probe = Probe {
            instrument: tables_of(kind),
            other: None,
            cold: None,
            believed: None,
            channel,
            lag_seconds,
            fault: None,
            disturbance: Disturbance::NONE,
            dither_nanovolts: 0,
            told: Disturbance::NONE,
            stale: true,
        };
        probe.at_terminals(terminals);
        probe
    }

    pub(super) fn kind(&self) -> ThermocoupleType {
        self.instrument.kind()
    }

    /// The terminals have another temperature.
    pub(super) fn at_terminals(&mut self, terminals: Terminals) {
        self.cold = self.own(terminals.celsius);
        self.believed = self.own(terminals.believed);
        self.stale = true;
    }

    /// Another probe hangs at these terminals from now on.
    pub(super) fn hang(&mut self, kind: ThermocoupleType) {
        self.other = (kind != self.kind()).then_some(kind);
        self.stale = true;
    }

    /// Begins a fault; `now` is the junction as it is. Gives what the rig has to add by
    /// itself from now on, if that is something else than before.
    pub(super) fn begin(&mut self, at: RigTime, now: Junction, fault: ProbeFault) -> Option<Disturbance> {
        self.set(at, now, fault);
        self.disturb(now, fault);
        self.tell(at)
    }

    /// Begins a fault that the set-points show.
    fn set(&mut self, at: RigTime, now: Junction, fault: ProbeFault) {
        let celsius = |millicelsius: i64| millicelsius as f64 / 1e3;
        // The scenario's reader lets only the eight letters through.
        let of = |letter: char| ThermocoupleType::from_letter(letter).unwrap_or(self.instrument.kind());
        self.fault = Some(match fault {
            ProbeFault::Open => Fault::Open,
            ProbeFault::Short => Fault::Short,
            ProbeFault::ShortToGround => Fault::ShortToGround,
            ProbeFault::ShortToSupply => Fault::ShortToSupply,
            ProbeFault::ShortInHead { head_millicelsius } => Fault::ShortInHead { head: celsius(head_millicelsius) },
            ProbeFault::Reversed => Fault::Reversed,
            ProbeFault::Frozen => Fault::Frozen { celsius: now.celsius },
            ProbeFault::Offset(millicelsius) => Fault::Offset { celsius: celsius(millicelsius) },
            ProbeFault::Drift(per_hour) => Fault::Drift { since: at, celsius_per_second: celsius(per_hour) / 3_600.0 },
            ProbeFault::PulledOut => Fault::PulledOut { since: at, from_celsius: now.celsius },
            ProbeFault::AnotherType(letter) => Fault::AnotherType { kind: of(letter) },
            ProbeFault::Extension { wire, head_millicelsius } => Fault::Extension {
                wire: match wire {
                    ExtensionWire::Copper => Wire::Copper,
                    ExtensionWire::Reversed => Wire::Reversed,
                    ExtensionWire::AnotherType(letter) => Wire::Of(of(letter)),
                },
                head: celsius(head_millicelsius),
            },
            ProbeFault::Noise { .. }
            | ProbeFault::Hum { .. }
            | ProbeFault::Spikes { .. }
            | ProbeFault::Intermittent { .. } => return,
        });
        self.stale = true;
    }

    /// Lets the rig add noise all the time, at the type's mean sensitivity up to a temperature.
    pub(super) fn dither(&mut self, rms_millicelsius: i64, up_to_celsius: f64) -> Option<Disturbance> {
        let mean = self.own(up_to_celsius).zip(self.own(0.0)).map_or(0.0, |(top, zero)| (top - zero) / up_to_celsius);
        let rms = nanovolts(mean * rms_millicelsius as f64 / 1e3);
        self.dither_nanovolts = u32::try_from(rms.max(1)).unwrap_or(1);
        self.tell(RigTime::ZERO)
    }

    /// What the rig has to add from an instant on, if that is something else than before.
    fn tell(&mut self, at: RigTime) -> Option<Disturbance> {
        let wanted = self.wanted(at);
        let same = Disturbance { seed: 0, ..wanted } == Disturbance { seed: 0, ..self.told };
        self.told = wanted;
        (!same).then_some(wanted)
    }

    /// What the rig has to add from an instant on.
    fn wanted(&self, at: RigTime) -> Disturbance {
        // A converter that hangs repeats its last answer to the digit.
        if matches!(self.fault, Some(Fault::Frozen { .. })) {
            return Disturbance::NONE;
        }
        // Channels disturb each other in nothing, and another instant is another course.
        let seed = (at.as_micros() as u32).wrapping_mul(31).wrapping_add(u32::from(self.channel.unwrap_or(0)));
        let both = [self.disturbance.noise_nanovolts, self.dither_nanovolts].map(|one| u64::from(one).pow(2));
        // Two noises that have nothing to do with each other.
        let noise_nanovolts = u32::try_from(both[0].saturating_add(both[1]).isqrt()).unwrap_or(u32::MAX);
        let made = Disturbance { noise_nanovolts, ..self.disturbance };
        if made.is_none() { Disturbance::NONE } else { Disturbance { seed, noise_every_ms: NOISE_EVERY_MS, ..made } }
    }

    /// Adds a disturbance that the rig makes by itself, if the fault is of that kind.
    fn disturb(&mut self, now: Junction, fault: ProbeFault) {
        // At the temperature it has now; over a firing a type's sensitivity changes by some per cent.
        let nanovolts = |millicelsius: i64| {
            let step = millicelsius as f64 / 1e3;
            let rise = |step: f64| Some(self.probes(now.celsius + step)? - self.probes(now.celsius)?);
            let microvolts = rise(step).or_else(|| rise(1.0).or_else(|| Some(-rise(-1.0)?)).map(|rise| rise * step));
            i64::from(nanovolts(microvolts.unwrap_or(0.0)))
        };
        let made = match fault {
            ProbeFault::Noise { rms_millicelsius } => Disturbance {
                noise_nanovolts: u32::try_from(nanovolts(rms_millicelsius).max(1)).unwrap_or(u32::MAX),
                noise_every_ms: NOISE_EVERY_MS,
                ..self.disturbance
            },
            ProbeFault::Hum { rms_millicelsius, hertz } => Disturbance {
                // The amplitude of a sine is √2 of its root mean square.
                hum_nanovolts: u32::try_from(nanovolts(rms_millicelsius * 1_414_214 / 1_000_000).max(1))
                    .unwrap_or(u32::MAX),
                hum_millihertz: u32::from(hertz) * 1_000,
                ..self.disturbance
            },
            ProbeFault::Spikes { by_millicelsius, length, every } => Disturbance {
                // Voltages of a probe are within ±80 mV.
                spike_nanovolts: nanovolts(by_millicelsius) as i32,
                spike_ms: milliseconds(length),
                spike_every_ms: milliseconds(every),
                ..self.disturbance
            },
            ProbeFault::Intermittent { open, closed } => {
                Disturbance { open_ms: milliseconds(open), closed_ms: milliseconds(closed), ..self.disturbance }
            }
            _ => return,
        };
        self.disturbance = made;
    }

    /// All is as it should be again, but for crossed probes and warm terminals. Gives
    /// what the rig has to add from now on, if that is something else than before.
    pub(super) fn mend(&mut self, at: RigTime) -> Option<Disturbance> {
        self.fault = None;
        self.stale = true;
        self.disturbance = Disturbance::NONE;
        self.tell(at)
    }

    pub(super) fn is_disturbed(&self) -> bool {
        !self.disturbance.is_none()
    }

    fn source(&self, at: RigTime, sheath: Junction, terminals: Terminals) -> Source {
        let right = |at: Junction| Source::Junction { at, leads: Leads::Right };
        let still = |celsius: f64| Junction { celsius, slope: 0.0 };
        match self.fault {
            None | Some(Fault::AnotherType { .. }) => right(sheath),
            Some(Fault::Open) => Source::Nothing,
            Some(Fault::Short) => Source::Short,
            Some(Fault::ShortToGround) => Source::Ground,
            Some(Fault::ShortToSupply) => Source::Supply,
            Some(Fault::ShortInHead { head }) => right(still(head)),
            Some(Fault::Reversed) => Source::Junction { at: sheath, leads: Leads::Reversed },
            Some(Fault::Frozen { celsius }) => right(still(celsius)),
            Some(Fault::Offset { celsius }) => right(Junction { celsius: sheath.celsius + celsius, ..sheath }),
            Some(Fault::Drift { since, celsius_per_second }) => right(Junction {
                celsius: sheath.celsius + celsius_per_second * (at - since).as_seconds(),
                slope: sheath.slope + celsius_per_second,
            }),
            Some(Fault::PulledOut { since, from_celsius }) => {
                let left = libm::exp(-(at - since).as_seconds() / self.lag_seconds);
                let above = (from_celsius - terminals.believed) * left;
                right(Junction { celsius: terminals.believed + above, slope: -above / self.lag_seconds })
            }
            Some(Fault::Extension { wire, head }) => {
                Source::Junction { at: sheath, leads: Leads::Extension { wire, head } }
            }
        }
    }

    /// emf of the type that the controller is set to, µV.
    fn own(&self, celsius: f64) -> Option<f64> {
        self.instrument.emf(Celsius::new(celsius)).ok().map(Microvolts::value)
    }

    /// The type of the probe that really hangs there, if it is another one.
    fn foreign(&self) -> Option<ThermocoupleType> {
        match self.fault {
            Some(Fault::AnotherType { kind }) => (kind != self.kind()).then_some(kind),
            _ => self.other,
        }
    }

    /// emf of the probe that really hangs there, µV.
    fn probes(&self, celsius: f64) -> Option<f64> {
        match self.foreign() {
            None => self.own(celsius),
            Some(kind) => emf_of(kind, celsius),
        }
    }

    /// Voltage at the terminals for a junction's temperature, µV; `None` out of a type's range.
    fn microvolts(&self, hot: f64, leads: Leads, terminals: Terminals) -> Option<f64> {
        let junction = self.probes(hot)?;
        let cold = match self.foreign() {
            None => self.cold?,
            Some(kind) => emf_of(kind, terminals.celsius)?,
        };
        Some(match leads {
            Leads::Right => junction - cold,
            Leads::Reversed => cold - junction,
            Leads::Extension { wire, head } => {
                let at_head = self.probes(head)?;
                let along = match wire {
                    Wire::Copper => 0.0,
                    Wire::Reversed => cold - at_head,
                    Wire::Of(kind) => emf_of(kind, head)? - emf_of(kind, terminals.celsius)?,
                };
                junction - at_head + along
            }
        })
    }

    /// The temperature that a perfect instrument would read, thousandths of a degree; `None`
    /// where there is none (open or grounded circuit, out of the type's range) or where
    /// it cannot be said, because the rig disturbs the signal.
    pub(super) fn shown(&self, at: RigTime, sheath: Junction, terminals: Terminals) -> Option<i64> {
        if !self.disturbance.is_none() {
            return None;
        }
        match self.source(at, sheath, terminals) {
            Source::Nothing | Source::Ground | Source::Supply => None,
            Source::Short => quantised(terminals.believed),
            Source::Junction { at: Junction { celsius, .. }, leads: Leads::Right }
                if self.foreign().is_none() && self.cold == self.believed =>
            {
                let (lowest, highest) = self.kind().range();
                let within = celsius >= lowest.value() && celsius <= highest.value();
                if within && self.cold.is_some() { quantised(celsius) } else { None }
            }
            Source::Junction { at: Junction { celsius, .. }, leads } => {
                let microvolts = self.microvolts(celsius, leads, terminals)? + self.believed?;
                let read = self.instrument.temperature(Microvolts::new(microvolts)).ok()?;
                quantised(read.value())
            }
        }
    }

    /// What to play from this instant on.
    pub(super) fn signal(&self, at: RigTime, sheath: Junction, terminals: Terminals) -> ProbeSignal {
        if self.fault.is_none()
            && self.other.is_none()
            && let Some(cold) = self.cold
            && let Ok(now) = self.instrument.emf(Celsius::new(sheath.celsius))
        {
            // As below, without a look at what may be wrong with it.
            let ahead = self.instrument.emf(Celsius::new(sheath.celsius + sheath.slope));
            let now = now.value() - cold;
            let per_second = ahead.map_or(0.0, |ahead| ahead.value() - cold - now);
            return ProbeSignal::Voltage { nanovolts: nanovolts(now), nanovolts_per_second: nanovolts(per_second) };
        }
        let (junction, leads) = match self.source(at, sheath, terminals) {
            Source::Nothing => return ProbeSignal::Open,
            Source::Short => return ProbeSignal::Short,
            Source::Ground => return ProbeSignal::ShortToGround,
            Source::Supply => return ProbeSignal::ShortToSupply,
            Source::Junction { at, leads } => (at, leads),
        };
        let Some(now) = self.microvolts(junction.celsius, leads, terminals) else { return ProbeSignal::Open };
        // Over one second, so that the line meets the next set-point.
        let ahead = self.microvolts(junction.celsius + junction.slope, leads, terminals);
        let per_second = ahead.map_or(0.0, |ahead| ahead - now);
        ProbeSignal::Voltage { nanovolts: nanovolts(now), nanovolts_per_second: nanovolts(per_second) }
    }
}

/// The tables of a type take long to make and are the same in every run.
fn tables_of(kind: ThermocoupleType) -> &'static FastThermocouple {
    static TABLES: [OnceLock<FastThermocouple>; ThermocoupleType::ALL.len()] =
        [const { OnceLock::new() }; ThermocoupleType::ALL.len()];
    let place = ThermocoupleType::ALL.iter().position(|other| *other == kind).unwrap_or(0);
    TABLES[place].get_or_init(|| FastThermocouple::new(kind))
}

fn emf_of(kind: ThermocoupleType, celsius: f64) -> Option<f64> {
    kind.emf(Celsius::new(celsius)).ok().map(Microvolts::value)
}

/// Thousandths of a degree: where temperatures enter the engine. What is no number is no
/// temperature either, and must not look like a cold kiln.
pub(super) fn quantised(celsius: f64) -> Option<i64> {
    MilliCelsius::from_celsius(Celsius::new(celsius)).map(MilliCelsius::value)
}

/// Nanovolts: where voltages leave the engine. A thermocouple's are within ±80 mV.
fn nanovolts(microvolts: f64) -> i32 {
    Nanovolts::from_microvolts(Microvolts::new(microvolts)).map_or(0, Nanovolts::value)
}

/// The reader of scenarios bounds them to some hours.
fn milliseconds(span: RigSpan) -> u32 {
    u32::try_from(span.as_millis()).unwrap_or(u32::MAX)
}

#[cfg(test)]
mod tests;

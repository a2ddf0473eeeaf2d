//! The kiln that is played: the thermal model, its relays as sensed, and what
//! each probe shows to the controller, faults included.

use dryfire_kiln::{Kiln, KilnError, RelayFault as ContactFault, StartState};
use dryfire_scenario::{ActiveLevel, ProbeFault, RelayFault};
use dryfire_units::thermocouple::{FastThermocouple, ThermocoupleType};
use dryfire_units::{Celsius, Microvolts, MilliCelsius, Nanovolts, RigSpan, RigTime};

use crate::io::ProbeSignal;
use crate::plan::Plan;

/// The grid on which temperatures are sampled and probes are set.
pub(crate) const GRID: RigSpan = RigSpan::from_seconds(1);

/// The kiln model's stated error.
pub(crate) const MODEL_ERROR_MILLICELSIUS: i64 = Kiln::MODEL_ERROR_MILLICELSIUS;

/// A probe's fault with what it needs to remember.
#[derive(Clone, Copy, Debug)]
enum Fault {
    Open,
    Short,
    Reversed,
    Frozen { celsius: f64 },
    Offset { celsius: f64 },
    PulledOut { since: RigTime, from_celsius: f64 },
}

struct Probe {
    thermocouple: FastThermocouple,
    /// emf of the terminals' temperature, µV; `None` if that is out of the type's range.
    cold: Option<f64>,
    channel: Option<u8>,
    lag_seconds: f64,
    fault: Option<Fault>,
    /// Whether the channel has to be set anew because the fault changed.
    stale: bool,
}

/// The modelled kiln with its probes.
pub(crate) struct PlayedKiln {
    kiln: Kiln,
    probes: Vec<Probe>,
    /// For each relay of the bench: its input and polarity.
    inputs: Vec<(u8, ActiveLevel)>,
    sensed: Vec<bool>,
    terminals_celsius: f64,
    /// The first thing that the model refused: the bench told the past after the future.
    refused: Option<KilnError>,
}

/// What an edge comes to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Sensed {
    /// A relay's sensed state is another one now.
    Changed {
        /// Its index.
        relay: usize,
        /// Its state.
        on: bool,
    },
    /// The input was at this level already, so the edge between was not told.
    Repeated,
    /// No relay of the bench is at this input.
    NotWired,
}

/// What is behind a probe's terminals.
#[derive(Clone, Copy, Debug)]
enum Source {
    /// The circuit is open.
    Nothing,
    /// One lead touches the other.
    Short,
    /// A junction with its temperature (°C) and slope (°C/s).
    Junction { celsius: f64, slope: f64, reversed: bool },
}

/// Why a plan cannot be played.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PlayError(pub String);

impl std::fmt::Display for PlayError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.0)
    }
}

impl std::error::Error for PlayError {}

impl PlayedKiln {
    pub(crate) fn new(plan: &Plan) -> Result<Self, PlayError> {
        let ambient = plan.start.ambient_millicelsius as f64 / 1e3;
        let soaked = plan.start.kiln_millicelsius as f64 / 1e3;
        let kiln = Kiln::new(
            &plan.kiln,
            plan.circuit.clone(),
            StartState::soaked(Celsius::new(ambient), Celsius::new(soaked)),
        )
        .map_err(|error| PlayError(error.to_string()))?;
        let probes = plan
            .bench
            .zones
            .iter()
            .enumerate()
            .map(|(index, zone)| {
                let kind = ThermocoupleType::from_letter(zone.probe_type)
                    .ok_or_else(|| PlayError(format!("there is no thermocouple type `{}`", zone.probe_type)))?;
                let thermocouple = FastThermocouple::new(kind);
                Ok(Probe {
                    cold: thermocouple.emf(Celsius::new(ambient)).ok().map(Microvolts::value),
                    thermocouple,
                    channel: zone.probe_channel,
                    lag_seconds: kiln.probe_time_constant(index).value(),
                    fault: None,
                    stale: true,
                })
            })
            .collect::<Result<Vec<_>, PlayError>>()?;
        let inputs = plan.bench.relays.iter().map(|relay| (relay.input, relay.active)).collect::<Vec<_>>();
        Ok(PlayedKiln {
            kiln,
            probes,
            sensed: vec![false; inputs.len()],
            inputs,
            terminals_celsius: ambient,
            refused: None,
        })
    }

    pub(crate) fn zones(&self) -> usize {
        self.probes.len()
    }

    pub(crate) fn channel(&self, zone: usize) -> Option<u8> {
        self.probes[zone].channel
    }

    /// Takes an edge.
    pub(crate) fn edge(&mut self, at: RigTime, input: u8, high: bool) -> Sensed {
        let Some(relay) = self.inputs.iter().position(|(wired, _)| *wired == input) else {
            return Sensed::NotWired;
        };
        let on = high == (self.inputs[relay].1 == ActiveLevel::High);
        if self.sensed[relay] == on {
            return Sensed::Repeated;
        }
        self.sensed[relay] = on;
        let done = self.kiln.set_relay(at, relay, on);
        self.note(done);
        Sensed::Changed { relay, on }
    }

    /// The sensed state that each relay has while its input is low.
    pub(crate) fn rest_inputs(&mut self, at: RigTime) {
        for relay in 0..self.inputs.len() {
            let on = self.inputs[relay].1 == ActiveLevel::Low;
            self.sensed[relay] = on;
            let done = self.kiln.set_relay(at, relay, on);
            self.note(done);
        }
    }

    fn note(&mut self, done: Result<(), KilnError>) {
        if let Err(error) = done {
            self.refused.get_or_insert(error);
        }
    }

    /// What the model refused, if it refused anything since this was last asked.
    pub(crate) fn take_refused(&mut self) -> Option<String> {
        self.refused.take().map(|error| error.to_string())
    }

    pub(crate) fn relay_on(&self, relay: usize) -> bool {
        self.sensed[relay]
    }

    pub(crate) fn advance_to(&mut self, at: RigTime) {
        self.kiln.advance_to(at);
    }

    pub(crate) fn heat_on(&self, zone: usize) -> bool {
        self.kiln.heat_on(zone)
    }

    pub(crate) fn zone_millicelsius(&self, zone: usize) -> i64 {
        quantised(self.kiln.zone_temperature(zone).value())
    }

    pub(crate) fn relay_fault(&mut self, at: RigTime, relay: usize, fault: Option<RelayFault>) {
        let fault = fault.map(|fault| match fault {
            RelayFault::Welded => ContactFault::Welded,
            RelayFault::StuckOpen => ContactFault::StuckOpen,
        });
        let done = self.kiln.set_relay_fault(at, relay, fault);
        self.note(done);
    }

    pub(crate) fn lose_element(&mut self, at: RigTime, zone: usize) {
        let done = self.kiln.lose_element(at, zone);
        self.note(done);
    }

    pub(crate) fn lid(&mut self, at: RigTime, open: bool) {
        let done = self.kiln.set_lid(at, open);
        self.note(done);
    }

    /// Begins or ends a probe's fault; to be called with the kiln advanced to `at`.
    pub(crate) fn probe_fault(&mut self, at: RigTime, zone: usize, fault: Option<ProbeFault>) {
        let now = self.sheath(zone, at).0;
        let probe = &mut self.probes[zone];
        probe.stale = true;
        probe.fault = fault.map(|fault| match fault {
            ProbeFault::Open => Fault::Open,
            ProbeFault::Short => Fault::Short,
            ProbeFault::Reversed => Fault::Reversed,
            ProbeFault::Frozen => Fault::Frozen { celsius: now },
            ProbeFault::Offset(millicelsius) => Fault::Offset { celsius: millicelsius as f64 / 1e3 },
            ProbeFault::PulledOut => Fault::PulledOut { since: at, from_celsius: now },
        });
    }

    /// Whether the probe's fault changed since this was last asked.
    pub(crate) fn take_stale(&mut self, zone: usize) -> bool {
        std::mem::take(&mut self.probes[zone].stale)
    }

    /// Temperature and slope (°C, °C/s) of the sheath at an instant, before any fault.
    fn sheath(&self, zone: usize, at: RigTime) -> (f64, f64) {
        let slope = self.kiln.probe_slope(zone).value();
        let ahead = (at - self.kiln.sample_time()).as_seconds();
        (self.kiln.probe_temperature(zone).value() + slope * ahead, slope)
    }

    /// What is behind a probe's terminals at an instant at or after the kiln's sample time.
    fn behind_terminals(&self, zone: usize, at: RigTime) -> Source {
        let probe = &self.probes[zone];
        let (sheath, slope) = self.sheath(zone, at);
        match probe.fault {
            Some(Fault::Open) => Source::Nothing,
            Some(Fault::Short) => Source::Short,
            None => Source::Junction { celsius: sheath, slope, reversed: false },
            Some(Fault::Reversed) => Source::Junction { celsius: sheath, slope, reversed: true },
            Some(Fault::Frozen { celsius }) => Source::Junction { celsius, slope: 0.0, reversed: false },
            Some(Fault::Offset { celsius }) => Source::Junction { celsius: sheath + celsius, slope, reversed: false },
            Some(Fault::PulledOut { since, from_celsius }) => {
                let left = libm::exp(-(at - since).as_seconds() / probe.lag_seconds);
                let above = (from_celsius - self.terminals_celsius) * left;
                let celsius = self.terminals_celsius + above;
                Source::Junction { celsius, slope: -above / probe.lag_seconds, reversed: false }
            }
        }
    }

    /// The temperature that a perfect instrument would read at a probe's terminals at
    /// an instant at or after the kiln's sample time; `None` where there is none (open
    /// circuit, out of the type's range).
    pub(crate) fn shown_millicelsius(&self, zone: usize, at: RigTime) -> Option<i64> {
        let Probe { thermocouple, cold, .. } = &self.probes[zone];
        match self.behind_terminals(zone, at) {
            Source::Nothing => None,
            Source::Short => Some(quantised(self.terminals_celsius)),
            Source::Junction { celsius, reversed: false, .. } => {
                let (lowest, highest) = thermocouple.kind().range();
                let within = celsius >= lowest.value() && celsius <= highest.value();
                (within && cold.is_some()).then(|| quantised(celsius))
            }
            Source::Junction { celsius, reversed: true, .. } => {
                let cold = (*cold)?;
                let hot = thermocouple.emf(Celsius::new(celsius)).ok()?.value();
                let read = thermocouple.temperature(Microvolts::new(cold - hot + cold)).ok()?;
                Some(quantised(read.value()))
            }
        }
    }

    /// What to play at a probe's terminals from an instant at or after the kiln's sample time on.
    pub(crate) fn signal(&self, zone: usize, at: RigTime) -> ProbeSignal {
        let Probe { thermocouple, cold, .. } = &self.probes[zone];
        let (celsius, slope, sign) = match self.behind_terminals(zone, at) {
            Source::Nothing => return ProbeSignal::Open,
            Source::Short => return ProbeSignal::Short,
            Source::Junction { celsius, slope, reversed } => (celsius, slope, if reversed { -1.0 } else { 1.0 }),
        };
        let emf = |celsius: f64| thermocouple.emf(Celsius::new(celsius)).map(Microvolts::value);
        let (Ok(hot), Some(cold)) = (emf(celsius), *cold) else { return ProbeSignal::Open };
        let microvolts = sign * (hot - cold);
        // Over one second, so that the line meets the next set-point.
        let per_second = emf(celsius + slope).map_or(0.0, |ahead| sign * (ahead - hot));
        ProbeSignal::Voltage { nanovolts: nanovolts(microvolts), nanovolts_per_second: nanovolts(per_second) }
    }
}

/// Thousandths of a degree: where temperatures enter the engine.
fn quantised(celsius: f64) -> i64 {
    MilliCelsius::from_celsius(Celsius::new(celsius)).map_or(0, MilliCelsius::value)
}

/// Nanovolts: where voltages leave the engine. A thermocouple's are within ±80 mV.
fn nanovolts(microvolts: f64) -> i32 {
    Nanovolts::from_microvolts(Microvolts::new(microvolts)).map_or(0, Nanovolts::value)
}

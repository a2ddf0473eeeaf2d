//! The kiln that is played: the thermal model, its relays as sensed, and what
//! each probe shows to the controller, faults included.

mod probe;

use dryfire_kiln::{Kiln, KilnError, RelayFault as ContactFault, StartState};
use dryfire_scenario::{ActiveLevel, ProbeFault, RelayFault, RelayRole, Told};
use dryfire_units::{Celsius, Disturbance, RigSpan, RigTime, ThermocoupleType, Volts};

use crate::io::ProbeSignal;
use crate::plan::Plan;
use probe::{Junction, Probe, Terminals, quantised};

/// The grid on which temperatures are sampled and probes are set.
pub(crate) const GRID: RigSpan = RigSpan::from_seconds(1);

/// The kiln model's stated error.
pub(crate) const MODEL_ERROR_MILLICELSIUS: i64 = Kiln::MODEL_ERROR_MILLICELSIUS;

/// A contact that welds and comes off by turns.
#[derive(Clone, Copy, Debug)]
struct Pattern {
    welded: RigSpan,
    free: RigSpan,
    /// When it changes next, and what to.
    next: RigTime,
    to_welded: bool,
}

/// The modelled kiln with its probes.
pub(crate) struct PlayedKiln {
    kiln: Kiln,
    /// By place: one for each zone, and the limiter's own behind them where there is one.
    probes: Vec<Probe>,
    /// The zone that each place's probe is in.
    in_zone: Vec<usize>,
    zones: usize,
    /// The limiter's contact, as an index into the relays.
    limiter_relay: Option<usize>,
    /// For each relay of the bench: its input and polarity.
    inputs: Vec<(u8, ActiveLevel)>,
    sensed: Vec<bool>,
    /// Relays that weld at times, in the order of the bench's relays.
    patterns: Vec<Option<Pattern>>,
    /// When the model next changes by itself. Asked for at every observation, so it is
    /// kept; it moves only with an edge, with a relay's fault and with a change.
    changes_at: RigTime,
    /// The place whose junction is at each place's terminals.
    crossed: Vec<usize>,
    terminals: Terminals,
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
        let terminals = Terminals { celsius: ambient, believed: ambient, room: ambient };
        let zones = plan.bench.zones.iter().enumerate();
        let of_zones = zones.map(|(index, zone)| (index, zone.probe_type, zone.probe_channel));
        let limiter = plan.bench.limiter.iter();
        let of_limiter = limiter.map(|limiter| (limiter.zone, limiter.probe_type, Some(limiter.probe_channel)));
        let places: Vec<_> = of_zones.chain(of_limiter).collect();
        let probes: Vec<Probe> = places
            .iter()
            .map(|&(zone, letter, channel)| {
                let kind = ThermocoupleType::from_letter(letter)
                    .ok_or_else(|| PlayError(format!("there is no thermocouple type `{letter}`")))?;
                Ok(Probe::new(kind, channel, kiln.probe_time_constant(zone).value(), terminals))
            })
            .collect::<Result<Vec<_>, PlayError>>()?;
        let inputs = plan.bench.relays.iter().map(|relay| (relay.input, relay.active)).collect::<Vec<_>>();
        let changes_at = kiln.next_change().unwrap_or(RigTime::FAR_FUTURE);
        Ok(PlayedKiln {
            kiln,
            sensed: vec![false; inputs.len()],
            inputs,
            patterns: vec![None; plan.bench.relays.len()],
            changes_at,
            crossed: (0..probes.len()).collect(),
            in_zone: places.iter().map(|(zone, ..)| *zone).collect(),
            zones: plan.bench.zones.len(),
            limiter_relay: plan.bench.relays.iter().position(|relay| relay.role == RelayRole::Limiter),
            probes,
            terminals,
            refused: None,
        })
    }

    pub(crate) fn zones(&self) -> usize {
        self.zones
    }

    /// How many probes there are: one for each zone, and the limiter's.
    pub(crate) fn places(&self) -> usize {
        self.probes.len()
    }

    /// The place of the limiter's probe, behind those of the zones.
    pub(crate) fn limiter_place(&self) -> Option<usize> {
        (self.probes.len() > self.zones).then_some(self.zones)
    }

    pub(crate) fn channel(&self, place: usize) -> Option<u8> {
        self.probes[place].channel
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
        self.look_ahead();
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
        self.look_ahead();
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

    /// Whether a feedback contact that tells so is closed.
    pub(crate) fn tells(&self, told: Told) -> bool {
        match told {
            Told::MirrorContact { relay } => !self.kiln.is_contact_closed(relay),
            Told::Current { zone: Some(zone) } => self.kiln.heat_on(zone),
            Told::Current { zone: None } => (0..self.zones()).any(|zone| self.kiln.heat_on(zone)),
            // What the device says, as it is sensed, and not whether its contact is welded.
            Told::LimiterTripped => self.limiter_relay.is_none_or(|relay| !self.sensed[relay]),
        }
    }

    /// Whether every pole to a zone's element is open.
    pub(crate) fn is_isolated(&self, zone: usize) -> bool {
        self.kiln.is_isolated(zone)
    }

    /// `None` where the model has come to no temperature at all.
    pub(crate) fn zone_millicelsius(&self, zone: usize) -> Option<i64> {
        quantised(self.kiln.zone_temperature(zone).value())
    }

    pub(crate) fn relay_fault(&mut self, at: RigTime, relay: usize, fault: Option<RelayFault>) {
        self.patterns[relay] = None;
        let fault = fault.map(|fault| match fault {
            RelayFault::Welded => ContactFault::Welded,
            RelayFault::PoleWelded(pole) => ContactFault::PoleWelded(usize::from(pole).saturating_sub(1)),
            RelayFault::StuckOpen => ContactFault::StuckOpen,
            RelayFault::OpensLate(release) => ContactFault::Sticky { release },
            RelayFault::HalfShorted => ContactFault::HalfShorted,
            RelayFault::HalfOpen => ContactFault::HalfOpen,
            RelayFault::Burnt { power_thousandths } => ContactFault::HighResistance { power_thousandths },
            RelayFault::WeldsAtTimes { welded, free } => {
                self.patterns[relay] = Some(Pattern { welded, free, next: at + welded, to_welded: false });
                ContactFault::Welded
            }
        });
        let done = self.kiln.set_relay_fault(at, relay, fault);
        self.note(done);
        self.look_ahead();
    }

    /// When the model next changes by itself: a sticky contact comes off, one that welds
    /// at times does or does not, or an infinite switch turns.
    pub(crate) fn changes_at(&self) -> RigTime {
        self.changes_at
    }

    fn look_ahead(&mut self) {
        let patterns = self.patterns.iter().flatten().map(|pattern| pattern.next);
        self.changes_at = patterns.chain(self.kiln.next_change()).min().unwrap_or(RigTime::FAR_FUTURE);
    }

    /// Lets what the model does by itself at this instant happen.
    pub(crate) fn change(&mut self, at: RigTime) {
        self.kiln.advance_to(at);
        for relay in 0..self.patterns.len() {
            let Some(pattern) = &mut self.patterns[relay] else { continue };
            if pattern.next > at {
                continue;
            }
            let fault = pattern.to_welded.then_some(ContactFault::Welded);
            pattern.next += if pattern.to_welded { pattern.welded } else { pattern.free };
            pattern.to_welded = !pattern.to_welded;
            let done = self.kiln.set_relay_fault(at, relay, fault);
            self.note(done);
        }
        self.look_ahead();
    }

    /// A leg of the kiln's supply, from 1, is lost or comes back.
    pub(crate) fn leg(&mut self, at: RigTime, leg: u8, present: bool) {
        let done = self.kiln.set_leg(at, usize::from(leg).saturating_sub(1), present);
        self.note(done);
    }

    /// The neutral of the kiln's supply is lost or comes back.
    pub(crate) fn neutral(&mut self, at: RigTime, present: bool) {
        let done = self.kiln.set_neutral(at, present);
        self.note(done);
    }

    /// The coils of all relays lose their supply or get it back; the limiter has one of its own.
    pub(crate) fn coil_supply(&mut self, at: RigTime, present: bool) {
        for relay in 0..self.inputs.len() {
            if Some(relay) == self.limiter_relay {
                continue;
            }
            let done = self.kiln.set_coil_supply(at, relay, present);
            self.note(done);
        }
        self.look_ahead();
    }

    /// A bypass, by its place among the bench's old parts, is closed or opened.
    pub(crate) fn bypass(&mut self, at: RigTime, part: usize, closed: bool) {
        let done = self.kiln.set_bypass(at, part, closed);
        self.note(done);
    }

    pub(crate) fn kiln_supply(&mut self, at: RigTime, millivolts: i64) {
        let done = self.kiln.set_supply_volts(at, Volts::new(millivolts as f64 / 1e3));
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

    /// Begins a probe's fault; to be called with the kiln advanced to `at`. Gives
    /// what the rig has to add by itself from now on, if the fault is of that kind.
    pub(crate) fn probe_fault(&mut self, at: RigTime, zone: usize, fault: ProbeFault) -> Option<Disturbance> {
        let now = self.junction(zone, at);
        self.probes[zone].begin(at, now, fault)
    }

    /// What the rig has to add to a probe from the beginning on, if anything.
    pub(crate) fn dither(&mut self, zone: usize, rms_millicelsius: i64, top_millicelsius: i64) -> Option<Disturbance> {
        if rms_millicelsius <= 0 {
            return None;
        }
        self.probes[zone].dither(rms_millicelsius, top_millicelsius as f64 / 1e3)
    }

    /// Ends a probe's faults. Gives what the rig has to add from now on, if that is
    /// something else than before.
    pub(crate) fn mend_probe(&mut self, at: RigTime, zone: usize) -> Option<Disturbance> {
        // If it hangs elsewhere, it goes home, and what hung at its place takes the free one.
        if let Some(place) = self.crossed.iter().position(|hangs| *hangs == zone).filter(|place| *place != zone) {
            self.cross_probes(zone, place);
        }
        self.probes[zone].mend(at)
    }

    /// Whether a stimulus lets the rig add something to a zone's signal.
    pub(crate) fn is_disturbed(&self, zone: usize) -> bool {
        self.probes[zone].is_disturbed()
    }

    /// Two probes change places at the terminals.
    pub(crate) fn cross_probes(&mut self, one: usize, other: usize) {
        self.crossed.swap(one, other);
        for zone in [one, other] {
            let hangs = self.probes[self.crossed[zone]].kind();
            self.probes[zone].hang(hangs);
        }
    }

    /// The terminals are so much warmer than the converter takes them to be.
    pub(crate) fn warm_terminals(&mut self, by_millicelsius: i64) {
        self.terminals.celsius = self.terminals.believed + by_millicelsius as f64 / 1e3;
        for probe in &mut self.probes[..self.zones] {
            probe.at_terminals(self.terminals);
        }
    }

    /// The terminals were measured to have this temperature, and the converter's own sensor is there: what a scenario
    /// warms by comes on top of it.
    pub(crate) fn measured_terminals(&mut self, millicelsius: i64) {
        let by = millicelsius as f64 / 1e3 - self.terminals.room;
        if by == 0.0 {
            return;
        }
        self.terminals.room += by;
        self.terminals.believed += by;
        self.terminals.celsius += by;
        for probe in &mut self.probes[..self.zones] {
            probe.at_terminals(self.terminals);
        }
    }

    /// The controller's box is so much warmer than the room, and its converter measures
    /// that. Gives the temperature that it measures, thousandths of a degree.
    pub(crate) fn warm_box(&mut self, by_millicelsius: i64) -> i64 {
        let unseen = self.terminals.celsius - self.terminals.believed;
        self.terminals.believed = self.terminals.room + by_millicelsius as f64 / 1e3;
        self.terminals.celsius = self.terminals.believed + unseen;
        for probe in &mut self.probes[..self.zones] {
            probe.at_terminals(self.terminals);
        }
        // Both are thousandths of a degree within the bounds of a scenario file.
        (self.terminals.believed * 1e3).round() as i64
    }

    /// Whether the probe's fault changed since this was last asked.
    pub(crate) fn take_stale(&mut self, zone: usize) -> bool {
        std::mem::take(&mut self.probes[zone].stale)
    }

    /// The junction at a place's terminals at an instant, before any fault.
    fn junction(&self, place: usize, at: RigTime) -> Junction {
        let zone = self.in_zone[self.crossed[place]];
        let slope = self.kiln.probe_slope(zone).value();
        let ahead = (at - self.kiln.sample_time()).as_seconds();
        Junction { celsius: self.kiln.probe_temperature(zone).value() + slope * ahead, slope }
    }

    /// The temperature that a perfect instrument would read at a probe's terminals at
    /// an instant at or after the kiln's sample time; `None` where there is none (open
    /// circuit, out of the type's range) or where it is not known (the rig disturbs it).
    pub(crate) fn shown_millicelsius(&self, zone: usize, at: RigTime) -> Option<i64> {
        self.probes[zone].shown(at, self.junction(zone, at), self.terminals)
    }

    /// What to play at a probe's terminals from an instant at or after the kiln's sample time on.
    pub(crate) fn signal(&self, zone: usize, at: RigTime) -> ProbeSignal {
        self.probes[zone].signal(at, self.junction(zone, at), self.terminals)
    }
}

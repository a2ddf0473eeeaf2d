//! The model in motion: time, relays, faults, and what can be asked of it.

use core::fmt;

use dryfire_units::{Celsius, CelsiusPerSecond, Joules, RigSpan, RigTime, Seconds, Volts, Watts};

use crate::circuit::{Circuit, CircuitError, OldPart, OldPartKind, OldPartState, RelayFault, RelayState, Unpowered};
use crate::description::{DescriptionError, KilnDescription};
use crate::model::{Model, Supply};
use crate::supply::{Branch, Legs};

/// How the kiln stands at time zero.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StartState {
    /// Air around the kiln.
    pub ambient: Celsius,
    /// Chamber, elements and load.
    pub kiln: Celsius,
    /// The wall in depth.
    pub profile: StartProfile,
}

/// The temperature of the wall in depth at time zero.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StartProfile {
    /// As after a hold without end: hot face at the kiln's temperature, constant flux to the outside.
    Steady,
    /// The kiln's temperature all through (ambient, for a cold kiln).
    Uniform,
}

impl StartState {
    /// A kiln that has stood unused for days.
    pub const fn cold(ambient: Celsius) -> Self {
        StartState { ambient, kiln: ambient, profile: StartProfile::Uniform }
    }

    /// A kiln held at a temperature until nothing changes any more.
    pub const fn soaked(ambient: Celsius, kiln: Celsius) -> Self {
        StartState { ambient, kiln, profile: StartProfile::Steady }
    }
}

/// Why a call was refused; the kiln is as it was before.
#[derive(Clone, Debug, PartialEq)]
pub enum KilnError {
    /// The description has mistakes.
    Description(Vec<DescriptionError>),
    /// The circuit does not fit the description.
    Circuit(CircuitError),
    /// A start temperature outside −50 to 1400 °C, or a kiln colder than the air around it.
    Start(StartState),
    /// Something happens earlier than what was already computed.
    EdgeInPast {
        /// When it should have happened.
        at: RigTime,
        /// What is computed already.
        computed: RigTime,
    },
    /// There is no such relay.
    NoSuchRelay {
        /// Its index.
        relay: usize,
        /// How many there are.
        relays: usize,
    },
    /// There is no such zone.
    NoSuchZone {
        /// Its index.
        zone: usize,
        /// How many there are.
        zones: usize,
    },
    /// The supply has no such leg.
    NoSuchLeg {
        /// Its index.
        leg: usize,
        /// How many there are.
        legs: usize,
    },
    /// The circuit has no bypass of that number.
    NoSuchBypass {
        /// The old part asked for.
        part: usize,
    },
    /// The supply has no neutral.
    NoNeutral,
    /// The kiln has no lid that opens.
    NoLid,
    /// A voltage below 0 or above 1000 V, or not a number.
    SupplyVolts(Volts),
}

impl fmt::Display for KilnError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Description(errors) => {
                write!(f, "the kiln's description has {} mistakes", errors.len())?;
                errors.iter().try_for_each(|error| write!(f, "; {error}"))
            }
            Self::Circuit(error) => error.fmt(f),
            Self::Start(start) => write!(
                f,
                "a kiln can start between ambient and 1400 °C, found {} with ambient at {}",
                start.kiln, start.ambient
            ),
            Self::EdgeInPast { at, computed } => {
                write!(f, "something should happen at {at}, but the kiln is computed up to {computed} already")
            }
            Self::NoSuchRelay { relay, relays } => write!(f, "there is no relay {}, only {relays}", relay + 1),
            Self::NoSuchZone { zone, zones } => write!(f, "there is no zone {}, only {zones}", zone + 1),
            Self::NoSuchLeg { leg, legs } => write!(f, "the supply has no leg {}, only {legs}", leg + 1),
            Self::NoSuchBypass { part } => write!(f, "old part {} is no bypass", part + 1),
            Self::NoNeutral => f.write_str("the supply has no neutral"),
            Self::NoLid => f.write_str("the kiln has no lid that opens"),
            Self::SupplyVolts(volts) => write!(f, "the supply has to lie between 0 V and 1000 V, found {volts}"),
        }
    }
}

impl std::error::Error for KilnError {}

/// A kiln, its circuit, and their state.
///
/// # Time
///
/// The state is integrated over a grid of one second, anchored at time zero,
/// and exactly at every edge: each moment at which a relay, a fault, the lid,
/// an element or the supply changes. [`advance_to`](Self::advance_to) goes to
/// the last grid point at or before the time given and no further, so the
/// state lags by less than a second ([`sample_time`](Self::sample_time) says
/// where it stands). A change is made with its own instant, not before
/// `sample_time`; the state is then brought exactly there. A call that changes
/// nothing is no edge. So the state depends on the edges alone: any chunking of
/// the calls to `advance_to` gives the same state, bit for bit.
#[derive(Clone, Debug)]
pub struct Kiln {
    circuit: Circuit,
    relays: Vec<RelayState>,
    /// What the coils ask for; differs from the contacts while a sticky relay hangs.
    commanded: Vec<bool>,
    /// Whether each relay's coil has its supply.
    powered: Vec<bool>,
    /// When sticky contacts come off.
    releases: Vec<Option<RigTime>>,
    /// How the circuit's old parts stand.
    old_parts: Vec<OldPartState>,
    /// When a sticky contact or an old part first changes; asked for at every step.
    next_change: Option<RigTime>,
    intact: Vec<bool>,
    supply: Vec<Supply>,
    supply_volts: f64,
    legs: Legs,
    /// Each zone's element as the supply sees it.
    branches: Vec<Branch>,
    has_lid: bool,
    lid_open: bool,
    grid: RigSpan,
    now: RigTime,
    model: Model,
}

impl Kiln {
    /// The grid on which the state is integrated.
    pub const GRID: RigSpan = RigSpan::from_seconds(1);

    /// How far a zone's temperature may be from the exact solution of the
    /// model's own equations, thousandths of a degree: 2.5 °C.
    ///
    /// Measured on the three-ring kiln (cells of 6 to 13 mm) in three-hour
    /// firings from 20 °C and from 1000 °C: 2.3 °C at the worst against cells of
    /// 2 to 4 mm, in the first minutes at full power; 0.8 °C from 1000 °C.
    /// The steps in time add 0.01 °C. A test holds it. It says nothing of how
    /// well the equations or the description fit a real kiln.
    pub const MODEL_ERROR_MILLICELSIUS: i64 = 2_500;

    /// A kiln at time zero, all relays open, lid shut, supply at its rated voltage.
    ///
    /// # Errors
    ///
    /// If description, circuit or start state do not make sense.
    pub fn new(description: &KilnDescription, circuit: Circuit, start: StartState) -> Result<Self, KilnError> {
        Self::with_grid(description, circuit, start, Self::GRID)
    }

    /// As [`new`](Self::new), with another grid (at most a second): to measure the error that the usual one has.
    ///
    /// # Errors
    ///
    /// As there.
    pub fn with_grid(
        description: &KilnDescription,
        circuit: Circuit,
        start: StartState,
        grid: RigSpan,
    ) -> Result<Self, KilnError> {
        description.check().map_err(KilnError::Description)?;
        let zones = description.zones.len();
        circuit.check(zones, description.system).map_err(KilnError::Circuit)?;
        let (ambient, soaked) = (start.ambient.value(), start.kiln.value());
        if !(ambient >= -50.0 && soaked >= ambient && soaked <= 1400.0) {
            return Err(KilnError::Start(start));
        }
        let grid = grid.clamp(RigSpan::from_micros(1), Self::GRID);
        let branches = description.zones.iter().zip(&circuit.paths).enumerate();
        let branches = branches.map(|(index, (zone, path))| {
            let rated_at = zone.element.rated_at.value();
            let conductance = zone.element.rated.value() / (rated_at * rated_at * zone.element.ageing);
            Branch { ends: path.ends(description.system, index), conductance, share: 0.0 }
        });
        let mut kiln = Kiln {
            legs: Legs::of(description.system),
            branches: branches.collect(),
            relays: vec![RelayState::default(); circuit.relays],
            commanded: vec![false; circuit.relays],
            powered: vec![true; circuit.relays],
            releases: vec![None; circuit.relays],
            old_parts: circuit.old_parts.iter().map(OldPart::at_first).collect(),
            next_change: None,
            circuit,
            intact: vec![true; zones],
            supply: vec![Supply::OFF; zones],
            supply_volts: description.supply.value(),
            has_lid: description.lid.is_some(),
            lid_open: false,
            grid,
            now: RigTime::ZERO,
            // The description has been checked: it has zones and they have layers.
            model: Model::new(description, start, grid).ok_or(KilnError::Description(Vec::new()))?,
        };
        kiln.resupply();
        Ok(kiln)
    }

    /// Integrates to the last grid point at or before `time`; earlier times do nothing.
    pub fn advance_to(&mut self, time: RigTime) {
        loop {
            let next = self.next_stop();
            if next > time {
                return;
            }
            self.step_to(next);
        }
    }

    /// The next grid point, release of a sticky relay or change of an old part.
    fn next_stop(&self) -> RigTime {
        let (now, grid) = (self.now.as_micros(), self.grid.as_micros());
        let next_grid = RigTime::from_micros((now.div_euclid(grid) + 1) * grid);
        self.next_change.map_or(next_grid, |change| change.min(next_grid))
    }

    /// Integrates exactly to `at`, the instant of a change.
    fn stop_at(&mut self, at: RigTime) -> Result<(), KilnError> {
        if at < self.now {
            return Err(KilnError::EdgeInPast { at, computed: self.now });
        }
        self.advance_to(at);
        if self.now < at {
            self.step_to(at);
        }
        Ok(())
    }

    fn step_to(&mut self, next: RigTime) {
        let span = next - self.now;
        self.model.step(span);
        self.now = next;
        if self.next_change.is_none_or(|change| next < change) {
            return;
        }
        for (state, part) in self.old_parts.iter_mut().zip(&self.circuit.old_parts) {
            part.pass(state, next);
        }
        for (release, relay) in self.releases.iter_mut().zip(&mut self.relays) {
            if release.is_some_and(|at| at <= next) {
                *release = None;
                relay.closed = false;
            }
        }
        self.resupply();
    }

    /// Works out again what each element gets, and when that next changes by itself.
    fn resupply(&mut self) {
        let by_itself = self.old_parts.iter().map(|state| &state.next);
        self.next_change = self.releases.iter().chain(by_itself).flatten().min().copied();
        for (zone, path) in self.circuit.paths.iter().enumerate() {
            let whole = self.intact[zone] && !self.parts().any(|(part, state)| part.interrupts(state, zone));
            let share =
                if whole { path.power_thousandths(&self.relays, |relay| self.is_bridged(zone, relay)) } else { 0 };
            self.branches[zone].share = f64::from(share) / 1000.0;
        }
        self.legs.feed(self.supply_volts, &self.branches, &mut self.supply);
        self.model.set_supply(&self.supply);
    }

    fn parts(&self) -> impl Iterator<Item = (&OldPart, OldPartState)> {
        self.circuit.old_parts.iter().zip(self.old_parts.iter().copied())
    }

    fn is_bridged(&self, zone: usize, relay: usize) -> bool {
        self.parts().any(|(part, state)| part.bridges(state, zone, relay))
    }

    /// What a relay's contacts are driven to: what the coil asks for, or where they rest without its supply.
    fn driven(&self, relay: usize) -> bool {
        match self.circuit.unpowered(relay) {
            _ if self.powered[relay] => self.commanded[relay],
            Unpowered::Open => false,
            Unpowered::Closed => true,
            Unpowered::AsItWas => self.relays[relay].closed,
        }
    }

    fn check_relay(&self, relay: usize) -> Result<(), KilnError> {
        let relays = self.relays.len();
        if relay < relays { Ok(()) } else { Err(KilnError::NoSuchRelay { relay, relays }) }
    }

    fn check_zone(&self, zone: usize) -> Result<(), KilnError> {
        let zones = self.intact.len();
        if zone < zones { Ok(()) } else { Err(KilnError::NoSuchZone { zone, zones }) }
    }

    /// A relay's coil is energised or released at `at`.
    ///
    /// # Errors
    ///
    /// No such relay, or `at` before [`sample_time`](Self::sample_time).
    pub fn set_relay(&mut self, at: RigTime, relay: usize, closed: bool) -> Result<(), KilnError> {
        self.check_relay(relay)?;
        if self.commanded[relay] == closed {
            return Ok(());
        }
        self.stop_at(at)?;
        let before = self.driven(relay);
        self.commanded[relay] = closed;
        self.follow(at, relay, before);
        Ok(())
    }

    /// The coil of a relay loses its supply or gets it back at `at`; what its contacts
    /// do then is the circuit's [`Unpowered`].
    ///
    /// # Errors
    ///
    /// No such relay, or `at` before [`sample_time`](Self::sample_time).
    pub fn set_coil_supply(&mut self, at: RigTime, relay: usize, present: bool) -> Result<(), KilnError> {
        self.check_relay(relay)?;
        if self.powered[relay] == present {
            return Ok(());
        }
        self.stop_at(at)?;
        let before = self.driven(relay);
        self.powered[relay] = present;
        self.follow(at, relay, before);
        Ok(())
    }

    /// Lets a relay's contacts go where they are driven now, if they were driven elsewhere before.
    fn follow(&mut self, at: RigTime, relay: usize, before: bool) {
        let closed = self.driven(relay);
        if closed == before {
            return;
        }
        match self.relays[relay].fault {
            Some(RelayFault::Sticky { release }) if !closed && release > RigSpan::ZERO => {
                self.releases[relay] = Some(at.saturating_add(release));
            }
            _ => {
                self.releases[relay] = None;
                self.relays[relay].closed = closed;
            }
        }
        self.resupply();
    }

    /// A bypass that was left in is closed or opened at `at`.
    ///
    /// # Errors
    ///
    /// The circuit's old part is no bypass or not there, or `at` is before [`sample_time`](Self::sample_time).
    pub fn set_bypass(&mut self, at: RigTime, part: usize, closed: bool) -> Result<(), KilnError> {
        let kind = self.circuit.old_parts.get(part).map(|part| &part.kind);
        if !matches!(kind, Some(OldPartKind::Bypass { .. })) {
            return Err(KilnError::NoSuchBypass { part });
        }
        if self.old_parts[part].closed != closed {
            self.stop_at(at)?;
            self.old_parts[part].closed = closed;
            self.resupply();
        }
        Ok(())
    }

    /// Something breaks in a relay at `at`, or it works again (`None`).
    ///
    /// # Errors
    ///
    /// No such relay, or `at` before [`sample_time`](Self::sample_time).
    pub fn set_relay_fault(&mut self, at: RigTime, relay: usize, fault: Option<RelayFault>) -> Result<(), KilnError> {
        self.check_relay(relay)?;
        if self.relays[relay].fault == fault {
            return Ok(());
        }
        self.stop_at(at)?;
        self.relays[relay] = RelayState { closed: self.driven(relay), fault };
        self.releases[relay] = None;
        self.resupply();
        Ok(())
    }

    /// A zone's element burns through at `at`.
    ///
    /// # Errors
    ///
    /// No such zone, or `at` before [`sample_time`](Self::sample_time).
    pub fn lose_element(&mut self, at: RigTime, zone: usize) -> Result<(), KilnError> {
        self.set_element(at, zone, false)
    }

    /// A zone's element is whole again from `at` on.
    ///
    /// # Errors
    ///
    /// No such zone, or `at` before [`sample_time`](Self::sample_time).
    pub fn restore_element(&mut self, at: RigTime, zone: usize) -> Result<(), KilnError> {
        self.set_element(at, zone, true)
    }

    fn set_element(&mut self, at: RigTime, zone: usize, intact: bool) -> Result<(), KilnError> {
        self.check_zone(zone)?;
        if self.intact[zone] != intact {
            self.stop_at(at)?;
            self.intact[zone] = intact;
            self.resupply();
        }
        Ok(())
    }

    /// The lid is opened or shut at `at`.
    ///
    /// # Errors
    ///
    /// The kiln has none, or `at` is before [`sample_time`](Self::sample_time).
    pub fn set_lid(&mut self, at: RigTime, open: bool) -> Result<(), KilnError> {
        if !self.has_lid {
            return Err(KilnError::NoLid);
        }
        if self.lid_open != open {
            self.stop_at(at)?;
            self.lid_open = open;
            self.model.set_lid(open);
        }
        Ok(())
    }

    /// The supply's voltage is another one from `at` on; zero is a cut.
    ///
    /// # Errors
    ///
    /// A voltage that makes no sense, or `at` before [`sample_time`](Self::sample_time).
    pub fn set_supply_volts(&mut self, at: RigTime, volts: Volts) -> Result<(), KilnError> {
        if !(volts.value() >= 0.0 && volts.value() <= 1000.0) {
            return Err(KilnError::SupplyVolts(volts));
        }
        if self.supply_volts != volts.value() {
            self.stop_at(at)?;
            self.supply_volts = volts.value();
            self.resupply();
        }
        Ok(())
    }

    /// A leg of the supply (from 0) is lost or comes back at `at`. What the elements
    /// then get follows from how they are connected.
    ///
    /// # Errors
    ///
    /// No such leg, or `at` before [`sample_time`](Self::sample_time).
    pub fn set_leg(&mut self, at: RigTime, leg: usize, present: bool) -> Result<(), KilnError> {
        let legs = self.legs.count();
        if leg >= legs {
            return Err(KilnError::NoSuchLeg { leg, legs });
        }
        if self.legs.is_present(leg) != present {
            self.stop_at(at)?;
            self.legs.set(leg, present);
            self.resupply();
        }
        Ok(())
    }

    /// The neutral of the supply is lost or comes back at `at`. Elements that hang on it
    /// then lie in series between the legs, as far as their relays let them.
    ///
    /// # Errors
    ///
    /// The supply has no neutral, or `at` is before [`sample_time`](Self::sample_time).
    pub fn set_neutral(&mut self, at: RigTime, present: bool) -> Result<(), KilnError> {
        if !self.legs.has_neutral() {
            return Err(KilnError::NoNeutral);
        }
        if self.legs.is_neutral_present() != present {
            self.stop_at(at)?;
            self.legs.set_neutral(present);
            self.resupply();
        }
        Ok(())
    }

    /// The instant that the state belongs to: the last grid point or edge.
    pub fn sample_time(&self) -> RigTime {
        self.now
    }

    /// When a sticky relay comes off or an old part switches by itself next.
    pub fn next_change(&self) -> Option<RigTime> {
        self.next_change
    }

    /// Number of zones.
    pub fn zones(&self) -> usize {
        self.intact.len()
    }

    /// Whether a zone's element carries current. No such zone: it does not.
    pub fn heat_on(&self, zone: usize) -> bool {
        self.supply.get(zone).is_some_and(Supply::is_on)
    }

    /// Whether a relay's contact is closed in any pole of any path, whatever its coil asks for. What a mirror contact
    /// tells: it closes only where none of them is (IEC 60947-4-1, Annex F; the clause from memory).
    pub fn is_contact_closed(&self, relay: usize) -> bool {
        let poles = self.circuit.paths.iter().flat_map(|path| path.poles.iter().enumerate());
        let mut contacts = poles.filter(|(_, series)| series.contains(&relay));
        contacts.any(|(pole, _)| self.relays.get(relay).is_some_and(|state| state.conducts(pole)))
    }

    /// Whether every pole to a zone's element is open at some contact.
    pub fn is_isolated(&self, zone: usize) -> bool {
        let bridged = |relay| self.is_bridged(zone, relay);
        self.circuit.paths.get(zone).is_some_and(|path| path.is_isolated(&self.relays, bridged))
    }

    /// Whether the lid stands open.
    pub fn lid_open(&self) -> bool {
        self.lid_open
    }

    /// Temperature of a zone's chamber: what a bare probe there would come to.
    ///
    /// # Panics
    ///
    /// If there is no such zone, as in all the queries below that take one.
    pub fn zone_temperature(&self, zone: usize) -> Celsius {
        Celsius::new(self.model.chamber(zone))
    }

    /// Temperature of the hottest zone.
    pub fn hottest(&self) -> Celsius {
        let zones = (0..self.zones()).map(|zone| self.model.chamber(zone));
        Celsius::new(zones.fold(f64::NEG_INFINITY, f64::max))
    }

    /// Temperature of a zone's element.
    pub fn element_temperature(&self, zone: usize) -> Celsius {
        Celsius::new(self.model.element(zone))
    }

    /// Temperature of a zone's load, if it has one.
    pub fn load_temperature(&self, zone: usize) -> Option<Celsius> {
        self.model.load(zone).map(Celsius::new)
    }

    /// Temperature of a zone's hot face.
    pub fn hot_face_temperature(&self, zone: usize) -> Celsius {
        Celsius::new(self.model.hot_face(zone))
    }

    /// Temperature of a zone's outer face.
    pub fn outer_face_temperature(&self, zone: usize) -> Celsius {
        Celsius::new(self.model.outer_face(zone))
    }

    /// Temperatures of a zone's wall, cell by cell from the hot face outwards.
    pub fn wall_temperatures(&self, zone: usize) -> impl Iterator<Item = Celsius> + '_ {
        self.model.wall(zone).map(Celsius::new)
    }

    /// Temperature of a zone's probe.
    pub fn probe_temperature(&self, zone: usize) -> Celsius {
        Celsius::new(self.model.probe(zone))
    }

    /// How fast a zone's probe changes at [`sample_time`](Self::sample_time).
    pub fn probe_slope(&self, zone: usize) -> CelsiusPerSecond {
        CelsiusPerSecond::new(self.model.probe_slope(zone))
    }

    /// Time constant of a zone's probe.
    pub fn probe_time_constant(&self, zone: usize) -> Seconds {
        Seconds::new(self.model.probe_time_constant(zone))
    }

    /// Electrical power of a zone's element.
    pub fn element_power(&self, zone: usize) -> Watts {
        Watts::new(self.model.power(zone))
    }

    /// Heat in walls, load and elements above ambient temperature.
    pub fn stored_energy(&self) -> Joules {
        Joules::new(self.model.stored_energy())
    }

    /// Electrical energy since time zero.
    pub fn electrical_energy(&self) -> Joules {
        Joules::new(self.model.electrical_energy())
    }

    /// Heat lost to the surroundings since time zero.
    pub fn lost_energy(&self) -> Joules {
        Joules::new(self.model.lost_energy())
    }
}

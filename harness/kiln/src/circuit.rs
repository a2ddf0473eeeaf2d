//! Through which relays current reaches each element, pole by pole.

use core::fmt;

use dryfire_units::{RigSpan, RigTime};

use crate::supply::{Conductor, SupplySystem};

/// Relays and the ways of the current through them.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Circuit {
    /// Number of relays; they are named by their index.
    pub relays: usize,
    /// One for each zone, in the order of the kiln's zones.
    pub paths: Vec<ZonePath>,
    /// What the contacts of each relay do without a supply of its coil; those beyond its end open.
    pub unpowered: Vec<Unpowered>,
    /// What an earlier control left in the wiring.
    pub old_parts: Vec<OldPart>,
}

/// What a relay's contacts do when its coil loses its supply.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Unpowered {
    /// They open: normally open contacts.
    #[default]
    Open,
    /// They close: normally closed contacts.
    Closed,
    /// They stay: a latching relay.
    AsItWas,
}

/// A part of an earlier control that is still in the way to a zone's element.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OldPart {
    /// The zone.
    pub zone: usize,
    /// What it is.
    pub kind: OldPartKind,
}

/// What an old part is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum OldPartKind {
    /// A switch in parallel: closed, it bridges these relays in every pole of the zone's path.
    Bypass {
        /// The relays that it bridges.
        around: Vec<usize>,
    },
    /// A switch in series that opens and closes by its own clock, from time zero on, closed first.
    InfiniteSwitch {
        /// How long it is closed in each cycle.
        on: RigSpan,
        /// Its cycle.
        cycle: RigSpan,
    },
}

/// The way of the current to one zone's element: it flows only if every pole is closed.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ZonePath {
    /// For each supply pole that feeds the element, the relays in series in it
    /// (none: a plain wire). A relay that stands in several poles has a contact in each.
    pub poles: Vec<Vec<usize>>,
    /// The conductors of the supply between which the element lies, in the order of the
    /// poles; `None`: as [`SupplySystem::usual_ends`] has it.
    pub between: Option<[Conductor; 2]>,
}

/// What is wrong with a relay's contacts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RelayFault {
    /// All contacts stay closed, whatever the coil does.
    Welded,
    /// The contact in one supply pole stays closed; the others still work.
    PoleWelded(usize),
    /// All contacts stay open, whatever the coil does.
    StuckOpen,
    /// A solid-state relay with one half shorted: half the power when off, all of it when on.
    HalfShorted,
    /// A solid-state relay with one half gone: half the power when on.
    HalfOpen,
    /// Burnt contacts: this many thousandths of the element's power get through when closed.
    HighResistance {
        /// Thousandths of full power.
        power_thousandths: u16,
    },
    /// The contacts open only so long after they should.
    Sticky {
        /// The delay.
        release: RigSpan,
    },
}

/// Why a circuit does not fit.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum CircuitError {
    /// Another number of paths than the kiln has zones.
    WrongNumberOfPaths {
        /// Zones of the kiln.
        zones: usize,
        /// Paths given.
        paths: usize,
    },
    /// A path names a relay that there is not.
    NoSuchRelay {
        /// Zone of the path.
        zone: usize,
        /// The relay's index.
        relay: usize,
        /// Number of relays.
        relays: usize,
    },
    /// A path ends at a conductor that the supply does not have, or twice at the same.
    WrongEnds {
        /// Zone of the path.
        zone: usize,
    },
    /// A path without any pole: it could never carry current.
    NoPoles {
        /// Zone of the path.
        zone: usize,
    },
    /// An old part in a zone that there is not.
    OldPartZone {
        /// The part.
        part: usize,
        /// Number of zones.
        zones: usize,
    },
    /// A bypass bridges no relay of its zone's path, or one that does not stand there.
    Bridges {
        /// The part.
        part: usize,
    },
    /// An infinite switch that is never open, never closed, or has no cycle.
    Cycle {
        /// The part.
        part: usize,
    },
}

impl fmt::Display for CircuitError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::WrongNumberOfPaths { zones, paths } => {
                write!(f, "the kiln has {zones} zones, but {paths} power paths are given; each zone needs one")
            }
            Self::NoSuchRelay { zone, relay, relays } => {
                write!(f, "the path of zone {} names relay {}, but there are only {relays}", zone + 1, relay + 1)
            }
            Self::WrongEnds { zone } => write!(
                f,
                "the path of zone {} has to lie between two different conductors that the kiln's supply has",
                zone + 1
            ),
            Self::NoPoles { zone } => {
                write!(
                    f,
                    "the path of zone {} has no pole; name at least one, without relays if it is a plain wire",
                    zone + 1
                )
            }
            Self::OldPartZone { part, zones } => {
                write!(f, "old part {} stands in a zone that there is not; there are {zones}", part + 1)
            }
            Self::Bridges { part } => {
                write!(f, "old part {} has to bridge relays that stand in the path of its zone", part + 1)
            }
            Self::Cycle { part } => {
                write!(f, "old part {} has to be closed for a part of its cycle, neither none nor all of it", part + 1)
            }
        }
    }
}

impl std::error::Error for CircuitError {}

impl Circuit {
    /// A circuit whose every zone has its own relay in one pole, after a common safety relay 0;
    /// zone `z` has relay `z + 1`.
    pub fn safety_and_elements(zones: usize) -> Self {
        let paths = (0..zones).map(|zone| ZonePath { poles: vec![vec![0, zone + 1]], between: None }).collect();
        Circuit { relays: zones + 1, paths, ..Circuit::default() }
    }

    /// A circuit whose every zone has just its own relay, in one pole.
    pub fn elements_only(zones: usize) -> Self {
        let paths = (0..zones).map(|zone| ZonePath { poles: vec![vec![zone]], between: None }).collect();
        Circuit { relays: zones, paths, ..Circuit::default() }
    }

    /// Checks it against a number of zones and how the kiln is fed.
    ///
    /// # Errors
    ///
    /// The first mistake found.
    pub fn check(&self, zones: usize, system: SupplySystem) -> Result<(), CircuitError> {
        if self.paths.len() != zones {
            return Err(CircuitError::WrongNumberOfPaths { zones, paths: self.paths.len() });
        }
        for (zone, path) in self.paths.iter().enumerate() {
            if path.poles.is_empty() {
                return Err(CircuitError::NoPoles { zone });
            }
            let [from, to] = path.ends(system, zone);
            if from == to || !system.has(from) || !system.has(to) {
                return Err(CircuitError::WrongEnds { zone });
            }
            if let Some(&relay) = path.poles.iter().flatten().find(|&&relay| relay >= self.relays) {
                return Err(CircuitError::NoSuchRelay { zone, relay, relays: self.relays });
            }
        }
        for (part, old) in self.old_parts.iter().enumerate() {
            let Some(path) = self.paths.get(old.zone) else {
                return Err(CircuitError::OldPartZone { part, zones });
            };
            match &old.kind {
                OldPartKind::Bypass { around } => {
                    let stands_there = |relay: &usize| path.poles.iter().flatten().any(|other| other == relay);
                    if around.is_empty() || !around.iter().all(stands_there) {
                        return Err(CircuitError::Bridges { part });
                    }
                }
                OldPartKind::InfiniteSwitch { on, cycle } => {
                    if *on <= RigSpan::ZERO || on >= cycle {
                        return Err(CircuitError::Cycle { part });
                    }
                }
            }
        }
        Ok(())
    }

    /// What the contacts of a relay do without a supply of its coil.
    pub(crate) fn unpowered(&self, relay: usize) -> Unpowered {
        self.unpowered.get(relay).copied().unwrap_or_default()
    }
}

/// How an old part stands at the moment.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct OldPartState {
    /// Whether its contact is closed.
    pub(crate) closed: bool,
    /// When it next changes by itself.
    pub(crate) next: Option<RigTime>,
}

impl OldPart {
    /// At time zero: a bypass is open, an infinite switch has just closed.
    pub(crate) fn at_first(&self) -> OldPartState {
        match self.kind {
            OldPartKind::Bypass { .. } => OldPartState { closed: false, next: None },
            OldPartKind::InfiniteSwitch { on, .. } => OldPartState { closed: true, next: Some(RigTime::ZERO + on) },
        }
    }

    /// Lets it change by itself if it is time.
    pub(crate) fn pass(&self, state: &mut OldPartState, now: RigTime) {
        let OldPartKind::InfiniteSwitch { on, cycle } = self.kind else { return };
        if let Some(next) = state.next.filter(|next| *next <= now) {
            state.next = Some(next + if state.closed { cycle - on } else { on });
            state.closed = !state.closed;
        }
    }

    /// Whether it bridges a relay in the path of a zone at the moment.
    pub(crate) fn bridges(&self, state: OldPartState, zone: usize, relay: usize) -> bool {
        match &self.kind {
            OldPartKind::Bypass { around } => state.closed && self.zone == zone && around.contains(&relay),
            OldPartKind::InfiniteSwitch { .. } => false,
        }
    }

    /// Whether it holds the way to a zone's element open at the moment.
    pub(crate) fn interrupts(&self, state: OldPartState, zone: usize) -> bool {
        match self.kind {
            OldPartKind::Bypass { .. } => false,
            OldPartKind::InfiniteSwitch { .. } => !state.closed && self.zone == zone,
        }
    }
}

/// What one relay does at the moment.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct RelayState {
    /// What its coil asks for, sticking included.
    pub(crate) closed: bool,
    /// What is wrong with it.
    pub(crate) fault: Option<RelayFault>,
}

impl RelayState {
    /// Share of full power that its contact in a pole lets through, in thousandths.
    fn thousandths(self, pole: usize) -> u16 {
        let healthy = if self.closed { 1000 } else { 0 };
        match self.fault {
            None | Some(RelayFault::Sticky { .. }) => healthy,
            Some(RelayFault::Welded) => 1000,
            Some(RelayFault::PoleWelded(welded)) => {
                if welded == pole {
                    1000
                } else {
                    healthy
                }
            }
            Some(RelayFault::StuckOpen) => 0,
            Some(RelayFault::HalfShorted) => healthy.max(500),
            Some(RelayFault::HalfOpen) => healthy / 2,
            Some(RelayFault::HighResistance { power_thousandths }) => healthy.min(power_thousandths),
        }
    }

    /// Whether its contact in a pole lets anything through.
    pub(crate) fn conducts(self, pole: usize) -> bool {
        self.thousandths(pole) > 0
    }
}

impl ZonePath {
    /// The conductors between which the element of this zone lies.
    pub(crate) fn ends(&self, system: SupplySystem, zone: usize) -> [Conductor; 2] {
        self.between.unwrap_or_else(|| system.usual_ends(zone))
    }

    /// Share of full power that gets through: that of the worst contact in the path that nothing bridges.
    pub(crate) fn power_thousandths(&self, relays: &[RelayState], bridged: impl Fn(usize) -> bool) -> u16 {
        let contacts = self.poles.iter().enumerate();
        contacts
            .flat_map(|(pole, series)| series.iter().map(move |&relay| (pole, relay)))
            .filter(|(_, relay)| !bridged(*relay))
            .map(|(pole, relay)| relays[relay].thousandths(pole))
            .min()
            .unwrap_or(1000)
    }

    /// Whether every pole is open somewhere. What opens by its own clock does not count.
    pub(crate) fn is_isolated(&self, relays: &[RelayState], bridged: impl Fn(usize) -> bool) -> bool {
        let mut poles = self.poles.iter().enumerate();
        poles.all(|(pole, series)| series.iter().any(|&relay| !bridged(relay) && relays[relay].thousandths(pole) == 0))
    }
}

//! The single-fault table: what fails alone, and what can still take the heat off.
//!
//! Made from the bench's power paths, without any run. It says what the wiring
//! allows, not what the controller does: that a controller notices a fault and
//! acts on it is for scenarios to show.

use dryfire_scenario::{Bench, OldPartKind, PathRelay, RelayRole, Unpowered};

use crate::plan::relay_name;

/// What fails alone.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum SingleFault {
    /// Nothing: what the wiring can do at its best.
    Nothing,
    /// All contacts of a relay stay closed.
    RelayWelded {
        /// The relay, as an index into the bench's relays.
        relay: usize,
    },
    /// The contact of a relay in one pole stays closed, those in others still open.
    PoleWelded {
        /// The relay.
        relay: usize,
        /// The pole, from 0.
        pole: usize,
    },
    /// The driver or output that works a relay's coil stays on.
    OutputStuckOn {
        /// The relay.
        relay: usize,
    },
    /// Whatever works the coils of one supply keeps all of them energised.
    CoilsStayOn {
        /// The supply, as an index into [`SingleFaultTable::coil_supplies`].
        supply: usize,
    },
    /// The coils of one supply lose it.
    CoilsLoseSupply {
        /// The supply.
        supply: usize,
    },
    /// A bypass that an earlier control left in is closed.
    BypassClosed {
        /// The part, as an index into the bench's old parts.
        part: usize,
    },
    /// A zone's probe is open.
    ProbeOpen {
        /// The zone.
        zone: usize,
    },
    /// A zone's probe is shorted and reads its surroundings.
    ProbeShort {
        /// The zone.
        zone: usize,
    },
    /// A zone's reading does not change any more.
    ProbeStuck {
        /// The zone.
        zone: usize,
    },
    /// The processor stands still, its outputs as they were.
    ProcessorHalted,
}

impl SingleFault {
    /// The word for it in JSON lines.
    pub fn word(self) -> &'static str {
        match self {
            SingleFault::Nothing => "nothing",
            SingleFault::RelayWelded { .. } => "relay-welded",
            SingleFault::PoleWelded { .. } => "pole-welded",
            SingleFault::OutputStuckOn { .. } => "output-stuck-on",
            SingleFault::CoilsStayOn { .. } => "coils-stay-on",
            SingleFault::CoilsLoseSupply { .. } => "coils-lose-supply",
            SingleFault::BypassClosed { .. } => "bypass-closed",
            SingleFault::ProbeOpen { .. } => "probe-open",
            SingleFault::ProbeShort { .. } => "probe-short",
            SingleFault::ProbeStuck { .. } => "probe-stuck",
            SingleFault::ProcessorHalted => "processor-halted",
        }
    }

    /// The relay that it is about.
    pub fn relay(self) -> Option<usize> {
        match self {
            SingleFault::RelayWelded { relay }
            | SingleFault::PoleWelded { relay, .. }
            | SingleFault::OutputStuckOn { relay } => Some(relay),
            _ => None,
        }
    }

    /// The zone whose probe it is about.
    pub fn probe(self) -> Option<usize> {
        match self {
            SingleFault::ProbeOpen { zone } | SingleFault::ProbeShort { zone } | SingleFault::ProbeStuck { zone } => {
                Some(zone)
            }
            _ => None,
        }
    }

    /// The supply of coils that it is about, as an index into [`SingleFaultTable::coil_supplies`].
    pub fn coil_supply(self) -> Option<usize> {
        match self {
            SingleFault::CoilsStayOn { supply } | SingleFault::CoilsLoseSupply { supply } => Some(supply),
            _ => None,
        }
    }

    /// Whether the fault is one of the supply that feeds a relay's coil.
    fn is_of_coil(self, bench: &Bench, relay: usize) -> bool {
        let supply = self.coil_supply().and_then(|supply| coil_supplies(bench).get(supply).copied());
        supply.is_some_and(|supply| bench.relays.get(relay).is_some_and(|relay| relay.coil_supply == supply))
    }

    /// Whether a relay's contact in a pole of a zone's path can still be opened, or opens by itself.
    fn leaves(self, bench: &Bench, zone: usize, relay: usize, pole: usize) -> bool {
        match self {
            // A normally closed contact is held open by its coil.
            SingleFault::CoilsStayOn { .. } => {
                !self.is_of_coil(bench, relay) || bench.relays[relay].unpowered == Unpowered::Closed
            }
            SingleFault::CoilsLoseSupply { .. } => {
                !self.is_of_coil(bench, relay) || bench.relays[relay].unpowered == Unpowered::Open
            }
            SingleFault::BypassClosed { part } => !bench.old_parts.get(part).is_some_and(|part| match &part.kind {
                OldPartKind::Bypass { around } => part.zone == zone && around.contains(&PathRelay(relay)),
                OldPartKind::InfiniteSwitch { .. } => false,
            }),
            SingleFault::Nothing
            | SingleFault::ProbeOpen { .. }
            | SingleFault::ProbeShort { .. }
            | SingleFault::ProbeStuck { .. } => true,
            SingleFault::RelayWelded { relay: lost } | SingleFault::OutputStuckOn { relay: lost } => lost != relay,
            SingleFault::PoleWelded { relay: lost, pole: welded } => (lost, welded) != (relay, pole),
            // Every relay of a bench file is worked by the controller, but for the limiter's contact.
            SingleFault::ProcessorHalted => bench.relays.get(relay).is_some_and(|it| it.role == RelayRole::Limiter),
        }
    }
}

/// What can still open the path to one zone's element.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ZoneMeans {
    /// The zone's index.
    pub zone: usize,
    /// Whether the fault takes anything away from this zone, or blinds the controller to it.
    pub touched: bool,
    /// For each pole of its supply, the relays that can still open it.
    pub poles: Vec<Vec<usize>>,
}

impl ZoneMeans {
    /// Whether the current can still be stopped: at least one pole can be opened.
    pub fn heat_off(&self) -> bool {
        self.poles.iter().any(|relays| !relays.is_empty())
    }

    /// Whether the element can still be made dead: every pole can be opened.
    pub fn isolated(&self) -> bool {
        !self.poles.is_empty() && self.poles.iter().all(|relays| !relays.is_empty())
    }

    /// The relays that can still stop the current, each once, in the bench's order.
    pub fn openers(&self) -> Vec<usize> {
        let mut relays: Vec<usize> = self.poles.iter().flatten().copied().collect();
        relays.sort_unstable();
        relays.dedup();
        relays
    }
}

/// One fault and what it leaves.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SingleFaultRow {
    /// What fails.
    pub fault: SingleFault,
    /// By zone, in the order of the bench's paths.
    pub zones: Vec<ZoneMeans>,
}

impl SingleFaultRow {
    /// The zones in which nothing can stop the current any more.
    pub fn without_second_means(&self) -> impl Iterator<Item = &ZoneMeans> {
        self.zones.iter().filter(|means| !means.heat_off())
    }

    /// Whether the fault stays unseen: a pole is welded, and the same relay's
    /// other poles still switch the current as if nothing were wrong.
    pub fn hides(&self) -> bool {
        match self.fault {
            SingleFault::PoleWelded { relay, .. } => {
                self.zones.iter().filter(|means| means.touched).all(|means| means.openers().contains(&relay))
            }
            _ => false,
        }
    }

    /// Whether what is left only helps if the controller notices.
    pub fn needs_notice(&self) -> bool {
        self.fault.probe().is_some()
    }
}

/// The table of one bench.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SingleFaultTable {
    /// The bench's name.
    pub bench: String,
    /// The zones' names.
    pub zones: Vec<String>,
    /// The relays' names, as scenarios call them.
    pub relays: Vec<String>,
    /// By fault; the first is [`SingleFault::Nothing`].
    pub rows: Vec<SingleFaultRow>,
    /// Zones that have no probe of their own, by index.
    pub without_probe: Vec<usize>,
    /// The names of the supplies of coils, in the order of the relays.
    pub coil_supplies: Vec<String>,
    /// Zones in whose path an infinite switch stands that an earlier control left in, by index.
    pub infinite_switches: Vec<usize>,
}

impl SingleFaultTable {
    /// Makes it.
    pub fn of(bench: &Bench) -> Self {
        let rows = faults(bench).into_iter().map(|fault| row(bench, fault)).collect();
        SingleFaultTable {
            bench: bench.name.clone(),
            zones: bench.zones.iter().map(|zone| zone.name.clone()).collect(),
            relays: bench.relays.iter().map(|relay| relay_name(bench, &relay.role)).collect(),
            rows,
            without_probe: (0..bench.zones.len()).filter(|zone| bench.zones[*zone].probe_channel.is_none()).collect(),
            coil_supplies: coil_supplies(bench).into_iter().map(str::to_owned).collect(),
            infinite_switches: bench
                .old_parts
                .iter()
                .filter(|part| matches!(part.kind, OldPartKind::InfiniteSwitch { .. }))
                .map(|part| part.zone)
                .collect(),
        }
    }

    /// How many faults leave a zone without any means to stop its current.
    pub fn without_second_means(&self) -> usize {
        self.rows.iter().filter(|row| row.without_second_means().next().is_some()).count()
    }
}

/// The supplies of coils, each once, in the order of the relays.
fn coil_supplies(bench: &Bench) -> Vec<&str> {
    let mut supplies: Vec<&str> = Vec::new();
    for relay in &bench.relays {
        if !supplies.contains(&relay.coil_supply.as_str()) {
            supplies.push(&relay.coil_supply);
        }
    }
    supplies
}

fn faults(bench: &Bench) -> Vec<SingleFault> {
    let mut faults = vec![SingleFault::Nothing];
    for relay in 0..bench.relays.len() {
        faults.push(SingleFault::RelayWelded { relay });
        faults.push(SingleFault::OutputStuckOn { relay });
        let poles = poles_of(bench, relay);
        // With a contact in one pole only, that weld is the relay's.
        if poles.len() > 1 {
            faults.extend(poles.into_iter().map(|pole| SingleFault::PoleWelded { relay, pole }));
        }
    }
    for supply in 0..coil_supplies(bench).len() {
        faults.extend([SingleFault::CoilsStayOn { supply }, SingleFault::CoilsLoseSupply { supply }]);
    }
    for (part, old) in bench.old_parts.iter().enumerate() {
        if matches!(old.kind, OldPartKind::Bypass { .. }) {
            faults.push(SingleFault::BypassClosed { part });
        }
    }
    for zone in (0..bench.zones.len()).filter(|zone| bench.zones[*zone].probe_channel.is_some()) {
        faults.extend([
            SingleFault::ProbeOpen { zone },
            SingleFault::ProbeShort { zone },
            SingleFault::ProbeStuck { zone },
        ]);
    }
    faults.push(SingleFault::ProcessorHalted);
    faults
}

/// The poles in which a relay has a contact.
fn poles_of(bench: &Bench, relay: usize) -> Vec<usize> {
    let most = bench.paths.iter().map(|path| path.poles.len()).max().unwrap_or(0);
    let stands_in = |pole: usize| {
        let poles = bench.paths.iter().filter_map(|path| path.poles.get(pole));
        poles.flat_map(|pole| &pole.through).any(|other| other.0 == relay)
    };
    (0..most).filter(|pole| stands_in(*pole)).collect()
}

fn row(bench: &Bench, fault: SingleFault) -> SingleFaultRow {
    let zones = bench.paths.iter().map(|path| {
        let mut lost = false;
        let poles = path.poles.iter().enumerate().map(|(pole, series)| {
            let (left, gone): (Vec<usize>, Vec<usize>) = series
                .through
                .iter()
                .map(|relay| relay.0)
                .partition(|relay| fault.leaves(bench, path.zone, *relay, pole));
            lost |= !gone.is_empty() || left.iter().any(|relay| fault.is_of_coil(bench, *relay));
            left
        });
        let poles = poles.collect();
        // A zone without a probe is fired by another zone's.
        let blinded = fault.probe().is_some_and(|zone| {
            zone == path.zone || bench.zones.get(path.zone).is_some_and(|zone| zone.probe_channel.is_none())
        });
        let touched = lost || blinded || fault == SingleFault::ProcessorHalted;
        ZoneMeans { zone: path.zone, touched, poles }
    });
    SingleFaultRow { fault, zones: zones.collect() }
}

#[cfg(test)]
pub(crate) mod tests;

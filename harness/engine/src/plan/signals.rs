//! The table of everything observable on a bench.

use dryfire_judge::{SignalId, SignalKind, SignalSpec, SignalTable};
use dryfire_scenario::{Bench, ColdJunction, ContactRole, LevelSignal, RelayRole, SwitchSignal, Told, ZoneSelector};
use dryfire_units::RigSpan;

use super::uncertainty::Uncertainties;
use crate::played::GRID;

/// Indices into the signal table by role.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Signals {
    /// Whether any element carries current.
    pub heat: SignalId,
    /// Whether a zone's element carries current, by zone.
    pub heat_by_zone: Vec<SignalId>,
    /// Whether any element relay is on as sensed.
    pub element: SignalId,
    /// Each sensed relay, in the order of the bench's relays.
    pub relays: Vec<SignalId>,
    /// Contacts as the rig plays them, in the order of the bench's contacts.
    pub contacts: Vec<SignalId>,
    /// Feedback contacts as the rig works them, in the order of the bench's.
    pub feedback: Vec<SignalId>,
    /// The controller's supply.
    pub supply: SignalId,
    /// The model's hottest zone.
    pub kiln: SignalId,
    /// Each zone of the model.
    pub kiln_by_zone: Vec<SignalId>,
    /// The hottest temperature shown to the controller.
    pub probe: SignalId,
    /// What is shown to the controller, by zone.
    pub probe_by_zone: Vec<SignalId>,
    /// What is shown to the limiter by its own probe, where there is one.
    pub limiter_probe: Option<SignalId>,
    /// The temperature at the controller's terminals, where the rig measures it.
    pub cold_junction: Option<SignalId>,
}

/// How far a measurement of the cold junction may be off, thousandths of a degree (`docs/rig.md`, the cold junction).
const COLD_JUNCTION_UNCERTAINTY: i64 = 500;

/// What a scenario about a limiter is told by a bench without one.
pub(super) const NO_LIMITER: &str = "the bench has no independent limiter";

/// How a contact is called in scenarios and reports.
pub(crate) fn contact_name(role: ContactRole) -> &'static str {
    match role {
        ContactRole::Lid => "lid",
        ContactRole::Stop => "stop",
        ContactRole::Start => "start",
        ContactRole::Acknowledge => "acknowledge",
        ContactRole::TestLine => "test-line",
        ContactRole::ResetLine => "reset-line",
        ContactRole::DataLineLow => "data-line-low",
        ContactRole::DataLineHigh => "data-line-high",
        ContactRole::ClockLineLow => "clock-line-low",
        ContactRole::Reset => "reset",
        ContactRole::LimiterSupply => "limiter-supply-cut",
    }
}

/// How a feedback contact is called in reports.
fn told_name(bench: &Bench, told: Told) -> String {
    match told {
        Told::MirrorContact { relay } => format!("mirror.{}", relay_name(bench, &bench.relays[relay].role)),
        Told::Current { zone: Some(zone) } => format!("current.{}", bench.zones[zone].name),
        Told::Current { zone: None } => "current".to_owned(),
        Told::LimiterTripped => "limiter.tripped".to_owned(),
    }
}

/// How a relay is called in scenarios and reports.
pub(crate) fn relay_name(bench: &Bench, role: &RelayRole) -> String {
    match role {
        RelayRole::Safety => "safety".to_owned(),
        RelayRole::Limiter => "limiter".to_owned(),
        RelayRole::Element(zone) => format!("element.{}", bench.zones[*zone].name),
    }
}

/// The expanded uncertainty of an edge's instant, but for the drift of the clock
/// over what is measured from there.
pub(crate) fn edge_uncertainty(bench: &Bench) -> RigSpan {
    RigSpan::from_micros(Uncertainties::of(bench, RigSpan::ZERO).edge_time.expanded.number())
}

impl Signals {
    /// Builds the table of a bench; `model_error_millicelsius` is the kiln model's stated error.
    pub(super) fn of(bench: &Bench, model_error_millicelsius: i64) -> (SignalTable, Signals) {
        let mut table = SignalTable::default();
        let edge = edge_uncertainty(bench);
        let mut switch = |name: String, release: RigSpan| {
            table.add(SignalSpec {
                name,
                kind: SignalKind::Switch,
                value_uncertainty: 0,
                model_error: 0,
                time_uncertainty: edge,
                release,
            })
        };
        let slowest = bench.relays.iter().map(|relay| relay.release).max().unwrap_or(RigSpan::ZERO);
        let heat = switch("heat".to_owned(), slowest);
        let heat_by_zone = bench.zones.iter().map(|zone| switch(format!("heat.{}", zone.name), slowest)).collect();
        let element_release = bench
            .relays
            .iter()
            .filter(|relay| crate::engine::heats(&relay.role))
            .map(|relay| relay.release)
            .max()
            .unwrap_or(RigSpan::ZERO);
        let element = switch("element".to_owned(), element_release);
        let relays = bench.relays.iter().map(|relay| switch(relay_name(bench, &relay.role), relay.release)).collect();
        let contacts =
            bench.contacts.iter().map(|contact| switch(contact_name(contact.role).to_owned(), RigSpan::ZERO)).collect();
        let feedback =
            bench.feedback.iter().map(|contact| switch(told_name(bench, contact.tells), RigSpan::ZERO)).collect();
        let supply = switch("supply".to_owned(), RigSpan::ZERO);
        let mut level = |name: String, value_uncertainty: i64, model_error: i64| {
            table.add(SignalSpec {
                name,
                kind: SignalKind::Temperature,
                value_uncertainty,
                model_error,
                // A level is held from sample to sample, so its instants are no better known than that.
                time_uncertainty: edge.max(GRID),
                release: RigSpan::ZERO,
            })
        };
        let shown = Uncertainties::of(bench, RigSpan::ZERO).shown_temperature.expanded.number();
        let kiln = level("kiln".to_owned(), 0, model_error_millicelsius);
        let kiln_by_zone =
            bench.zones.iter().map(|zone| level(format!("kiln.{}", zone.name), 0, model_error_millicelsius)).collect();
        let probe = level("probe".to_owned(), shown, 0);
        let probe_by_zone = bench.zones.iter().map(|zone| level(format!("probe.{}", zone.name), shown, 0)).collect();
        let limiter_probe = bench.limiter.as_ref().map(|_| level("limiter probe".to_owned(), shown, 0));
        let measured = bench.cold_junction == ColdJunction::Measured;
        let cold_junction = measured.then(|| level("cold junction".to_owned(), COLD_JUNCTION_UNCERTAINTY, 0));
        let signals = Signals {
            heat,
            heat_by_zone,
            element,
            relays,
            contacts,
            feedback,
            supply,
            kiln,
            kiln_by_zone,
            probe,
            probe_by_zone,
            limiter_probe,
            cold_junction,
        };
        (table, signals)
    }

    /// The level signal that a scenario means, if the bench has it.
    pub(super) fn level(&self, bench: &Bench, level: &LevelSignal) -> Result<SignalId, String> {
        let (all, by_zone, selector) = match level {
            LevelSignal::Kiln(selector) => (self.kiln, &self.kiln_by_zone, selector),
            LevelSignal::Probe(selector) => {
                has_probe(bench, selector)?;
                (self.probe, &self.probe_by_zone, selector)
            }
            LevelSignal::LimiterProbe => return self.limiter_probe.ok_or_else(|| NO_LIMITER.to_owned()),
            // It is made when it is asked for.
            LevelSignal::SetPoint => return Err(format!("`{level}` is no signal of the bench")),
        };
        pick(bench, all, by_zone, selector)
    }

    /// The switch signal that a scenario means, if the bench has it.
    pub(super) fn switch(&self, bench: &Bench, switch: &SwitchSignal) -> Result<SignalId, String> {
        match switch {
            SwitchSignal::Heat(selector) => pick(bench, self.heat, &self.heat_by_zone, selector),
            SwitchSignal::Element(ZoneSelector::All) => Ok(self.element),
            SwitchSignal::Element(selector) => {
                let zone = zone_index(bench, selector)?;
                self.relay(bench, &RelayRole::Element(zone))
            }
            SwitchSignal::Safety => self.relay(bench, &RelayRole::Safety),
            SwitchSignal::Limiter => self.relay(bench, &RelayRole::Limiter),
            SwitchSignal::Contact(role) => bench
                .contacts
                .iter()
                .position(|contact| contact.role == *role)
                .map(|index| self.contacts[index])
                .ok_or_else(|| format!("the bench has no {} contact", role.word())),
            SwitchSignal::Supply => Ok(self.supply),
            // They are made when they are asked for.
            SwitchSignal::Isolated(_) | SwitchSignal::Console(_) => {
                Err(format!("`{switch}` is no signal of the bench"))
            }
        }
    }

    fn relay(&self, bench: &Bench, role: &RelayRole) -> Result<SignalId, String> {
        relay_index(bench, role).map(|index| self.relays[index])
    }
}

/// The index of the bench's relay with that role.
pub(super) fn relay_index(bench: &Bench, role: &RelayRole) -> Result<usize, String> {
    bench.relays.iter().position(|relay| relay.role == *role).ok_or_else(|| match role {
        RelayRole::Safety => "the bench has no safety contactor".to_owned(),
        RelayRole::Limiter => NO_LIMITER.to_owned(),
        RelayRole::Element(zone) => {
            format!("the bench senses no element relay for zone `{}`", bench.zones[*zone].name)
        }
    })
}

/// The index of the zone that a selector names.
pub(crate) fn zone_index(bench: &Bench, selector: &ZoneSelector) -> Result<usize, String> {
    match selector {
        ZoneSelector::All => Ok(0),
        ZoneSelector::Number(number) => {
            let index = usize::from(*number).wrapping_sub(1);
            if index < bench.zones.len() {
                Ok(index)
            } else {
                Err(format!("the bench has {} zone(s), so there is no zone {number}", bench.zones.len()))
            }
        }
        ZoneSelector::Name(name) => bench
            .zones
            .iter()
            .position(|zone| zone.name == *name)
            .ok_or_else(|| format!("the bench has no zone called `{name}`")),
    }
}

/// The indices of the zones that a selector names.
pub(crate) fn zone_indices(bench: &Bench, selector: &ZoneSelector) -> Result<Vec<usize>, String> {
    match selector {
        ZoneSelector::All => Ok((0..bench.zones.len()).collect()),
        one => zone_index(bench, one).map(|index| vec![index]),
    }
}

/// Whether a zone that a selector names has a probe that the rig plays; of every zone, one has to.
pub(super) fn has_probe(bench: &Bench, selector: &ZoneSelector) -> Result<(), String> {
    let zones = zone_indices(bench, selector)?;
    if zones.iter().any(|zone| bench.zones[*zone].probe_channel.is_some()) {
        return Ok(());
    }
    let names: Vec<&str> = zones.iter().map(|zone| bench.zones[*zone].name.as_str()).collect();
    Err(format!("the bench plays no probe in zone {}", names.join(", ")))
}

fn pick(bench: &Bench, all: SignalId, by_zone: &[SignalId], selector: &ZoneSelector) -> Result<SignalId, String> {
    match selector {
        ZoneSelector::All => Ok(all),
        one => zone_index(bench, one).map(|index| by_zone[index]),
    }
}

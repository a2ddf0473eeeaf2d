//! Whether a bench has what a scenario is about.
//!
//! Hardware whose absence makes no hazard makes a scenario *not applicable*.
//! A hazard with no means of reaction is *uncovered*, which is a finding; that
//! holds for every weld, whether or not the scenario remembers to say so.

use dryfire_kiln::{Conductor, KilnDescription};
use dryfire_scenario::{
    Bench, BenchKind, Missing, NeededPart, OldPartKind, Path, Plays, RelayFault, RelayRole, RelaySelector, Scenario,
    Segment, Stimulus, Wire, ZoneSelector,
};
use dryfire_units::RigSpan;

use super::signals::{NO_LIMITER, has_probe, relay_index, relay_name, zone_index};

const MICROS_PER_HOUR: i64 = 3_600_000_000;

/// What a missing part means for the scenario.
pub(super) enum Lack {
    NotApplicable(String),
    Uncovered(String),
}

/// The relays that a selector names on this bench, as indices into its relays.
pub(crate) fn select_relays(bench: &Bench, selector: &RelaySelector) -> Result<Vec<usize>, String> {
    match selector {
        RelaySelector::Safety => relay_index(bench, &RelayRole::Safety).map(|relay| vec![relay]),
        RelaySelector::Element(ZoneSelector::All) => {
            let is_element = |relay: &usize| matches!(bench.relays[*relay].role, RelayRole::Element(_));
            let relays: Vec<usize> = (0..bench.relays.len()).filter(is_element).collect();
            if relays.is_empty() { Err("the bench senses no element relay".to_owned()) } else { Ok(relays) }
        }
        RelaySelector::Element(zone) => {
            relay_index(bench, &RelayRole::Element(zone_index(bench, zone)?)).map(|relay| vec![relay])
        }
    }
}

/// The bypasses that a selector names on this bench, as indices into its old parts.
pub(crate) fn select_bypasses(bench: &Bench, zone: &ZoneSelector) -> Result<Vec<usize>, String> {
    let zones = super::signals::zone_indices(bench, zone)?;
    let parts = bench.old_parts.iter().enumerate();
    let bypasses: Vec<usize> = parts
        .filter(|(_, part)| matches!(part.kind, OldPartKind::Bypass { .. }) && zones.contains(&part.zone))
        .map(|(index, _)| index)
        .collect();
    if bypasses.is_empty() {
        return Err("the bench file names no bypass there that was left in".to_owned());
    }
    Ok(bypasses)
}

/// Which relays count as means to stop the current when another is welded.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Means {
    /// Those that the controller commands. The limiter is nothing that it could react with, and ends a weld only
    /// where the kiln is already too hot.
    Controllers,
    /// The limiter's contact too: it is what the scenario is about.
    AndLimiter,
}

impl Means {
    fn of(scenario: &Scenario) -> Self {
        let about_it = scenario.hazards.iter().any(|hazard| hazard.value.0 == "limiter");
        if about_it { Means::AndLimiter } else { Means::Controllers }
    }

    fn counts(self, bench: &Bench, relay: usize) -> bool {
        self == Means::AndLimiter || bench.relays.get(relay).is_none_or(|relay| relay.role != RelayRole::Limiter)
    }

    /// These relays, and those that do not count, which might as well be welded.
    fn with_those_that_do_not_count(self, bench: &Bench, welded: &[usize]) -> Vec<usize> {
        (0..bench.relays.len()).filter(|relay| welded.contains(relay) || !self.counts(bench, *relay)).collect()
    }
}

/// A closed bypass that bridges every relay of a path cannot be cut by anything.
fn bypass_can_be_cut(bench: &Bench, zone: &ZoneSelector, closed: bool, means: Means) -> Result<(), Lack> {
    let bypasses = select_bypasses(bench, zone).map_err(Lack::NotApplicable)?;
    let uncut = bypasses.iter().map(|index| &bench.old_parts[*index]).find(|part| {
        let OldPartKind::Bypass { around } = &part.kind else { return false };
        let relays = bench.paths.iter().filter(|path| path.zone == part.zone);
        let mut relays = relays.flat_map(|path| &path.poles).flat_map(|pole| &pole.through);
        relays.all(|relay| around.contains(relay) || !means.counts(bench, relay.0))
    });
    match uncut {
        Some(part) if closed => Err(Lack::Uncovered(format!(
            "with the bypass closed current reaches the element of zone {} past every relay; no controller can cut it",
            bench.zones[part.zone].name
        ))),
        _ => Ok(()),
    }
}

/// The zones whose current nothing can stop once these relays are welded.
pub(crate) fn zones_without_second_means(bench: &Bench, welded: &[usize]) -> Vec<usize> {
    bench
        .paths
        .iter()
        .filter(|path| {
            let mut relays = path.poles.iter().flat_map(|pole| &pole.through);
            let on_the_path = relays.clone().any(|relay| welded.contains(&relay.0));
            on_the_path && relays.all(|relay| welded.contains(&relay.0))
        })
        .map(|path| path.zone)
        .collect()
}

/// The first thing that the scenario needs and the bench lacks; an uncovered
/// hazard goes before anything that is merely not applicable, except that of a
/// limiter nothing can be uncovered where there is none.
pub(super) fn first_lack(scenario: &Scenario, bench: &Bench, kiln: &KilnDescription) -> Option<Lack> {
    let mut not_applicable = None;
    let means = Means::of(scenario);
    for need in &scenario.needs {
        let Err(reason) = part_is_there(bench, &need.part.value, means) else { continue };
        match need.missing {
            Missing::Uncovered => return Some(Lack::Uncovered(reason)),
            Missing::NotApplicable if need.part.value == NeededPart::Limiter => {
                return Some(Lack::NotApplicable(reason));
            }
            Missing::NotApplicable => not_applicable = not_applicable.or(Some(reason)),
        }
    }
    for stimulus in scenario.script.iter().flat_map(|step| &step.stimuli) {
        match stimulus_is_possible(bench, kiln, &stimulus.value, means) {
            Ok(()) => {}
            Err(Lack::Uncovered(reason)) => return Some(Lack::Uncovered(reason)),
            Err(Lack::NotApplicable(reason)) => not_applicable = not_applicable.or(Some(reason)),
        }
    }
    not_applicable.map(Lack::NotApplicable)
}

/// By so much the planned firing has to be longer than the longest that is declared: a controller
/// may count a few minutes otherwise than the plan (common practice, no source).
const LONGER_BY: RigSpan = RigSpan::from_minutes(10);

/// Why the end of a firing says nothing about the longest one, if its program is over by then anyway.
pub(super) fn ends_by_itself(scenario: &Scenario, bench: &Bench) -> Option<String> {
    let longest = bench.declares.longest_firing;
    let about_it = scenario.hazards.iter().any(|hazard| hazard.value.0 == "firing-too-long");
    let mut stimuli = scenario.script.iter().flat_map(|step| &step.stimuli);
    if !about_it || scenario.firing.is_empty() || stimuli.any(|stimulus| takes_heat_away(&stimulus.value)) {
        return None;
    }
    let planned = planned_length(scenario.start.kiln_millicelsius, &scenario.firing);
    (planned < longest + LONGER_BY).then(|| {
        format!(
            "its firing is planned for {planned} and ends by itself before the longest firing that the bench file \
             declares ({longest}): both ends would look the same"
        )
    })
}

/// With less heat a firing lasts longer than it was planned for.
fn takes_heat_away(stimulus: &Stimulus) -> bool {
    match stimulus {
        Stimulus::LoseElement { .. } | Stimulus::KilnSupply { .. } => true,
        Stimulus::Leg { present, .. } | Stimulus::Neutral { present } | Stimulus::CoilSupply { present } => !present,
        Stimulus::Relay { fault, .. } => {
            matches!(fault, RelayFault::StuckOpen | RelayFault::HalfOpen | RelayFault::Burnt { .. })
        }
        _ => false,
    }
}

/// How long a firing lasts if the kiln follows its program.
fn planned_length(start_millicelsius: i64, firing: &[Segment]) -> RigSpan {
    let mut at = start_millicelsius;
    let mut micros = 0_i64;
    for segment in firing {
        micros = micros.saturating_add(match segment {
            Segment::Hold { length } => length.as_micros(),
            Segment::Ramp { rate_millicelsius_per_hour: rate, to_millicelsius: to } => {
                let way = (to - at).abs();
                at = *to;
                way.saturating_mul(MICROS_PER_HOUR) / (*rate).max(1)
            }
        });
    }
    RigSpan::from_micros(micros)
}

fn part_is_there(bench: &Bench, part: &NeededPart, means: Means) -> Result<(), String> {
    match part {
        NeededPart::Contact(role) => bench
            .contacts
            .iter()
            .any(|contact| contact.role == *role)
            .then_some(())
            .ok_or_else(|| format!("the bench has no {} contact", role.word())),
        NeededPart::Limiter => bench.limiter.is_some().then_some(()).ok_or_else(|| NO_LIMITER.to_owned()),
        NeededPart::Supply => {
            bench.supply_switch.then_some(()).ok_or_else(|| "the bench cannot cut the controller's supply".to_owned())
        }
        NeededPart::MeansToCut(selector) => second_means(bench, selector, means),
        NeededPart::Mechanical(selector) => {
            let relays = select_relays(bench, selector)?;
            let solid = relays.iter().map(|relay| &bench.relays[*relay]).find(|relay| relay.solid_state);
            match solid {
                Some(relay) => Err(format!("the relay {} is a solid-state one", relay_name(bench, &relay.role))),
                None => Ok(()),
            }
        }
        NeededPart::Zones(count) => (bench.zones.len() >= usize::from(*count))
            .then_some(())
            .ok_or_else(|| format!("it takes {count} zones and the bench has {}", bench.zones.len())),
        NeededPart::LongestFiring(length) => (bench.declares.longest_firing >= *length)
            .then_some(())
            .ok_or_else(|| format!("the longest firing that the bench file declares is over before {length}")),
    }
}

fn second_means(bench: &Bench, selector: &RelaySelector, means: Means) -> Result<(), String> {
    let welded = select_relays(bench, selector)?;
    let zones = zones_without_second_means(bench, &means.with_those_that_do_not_count(bench, &welded));
    if zones.is_empty() {
        return Ok(());
    }
    let relays: Vec<String> = welded.iter().map(|relay| relay_name(bench, &bench.relays[*relay].role)).collect();
    let names: Vec<&str> = zones.iter().map(|zone| bench.zones[*zone].name.as_str()).collect();
    Err(format!(
        "with {} welded nothing else can open the path to the element of zone {}",
        relays.join(", "),
        names.join(", "),
    ))
}

/// A zone of which one contact of these relays, in one pole, is welded and nothing else can stop the current.
fn without_means_but_pole(bench: &Bench, welded: &[usize], pole: usize, means: Means) -> Option<usize> {
    let path = bench.paths.iter().find(|path| {
        let contacts = path.poles.iter().enumerate();
        let mut contacts = contacts.flat_map(|(pole, series)| series.through.iter().map(move |relay| (relay.0, pole)));
        let is_welded = |(relay, place): (usize, usize)| welded.contains(&relay) && place == pole;
        contacts.clone().any(is_welded) && contacts.all(|contact| is_welded(contact) || !means.counts(bench, contact.0))
    });
    path.map(|path| path.zone)
}

fn relay_fault_is_possible(bench: &Bench, fault: RelayFault, relay: &RelaySelector, means: Means) -> Result<(), Lack> {
    let relays = select_relays(bench, relay).map_err(Lack::NotApplicable)?;
    let names = || {
        let names: Vec<String> = relays.iter().map(|relay| relay_name(bench, &bench.relays[*relay].role)).collect();
        names.join(", ")
    };
    match fault {
        RelayFault::Welded | RelayFault::HalfShorted | RelayFault::WeldsAtTimes { .. } => {
            second_means(bench, relay, means).map_err(Lack::Uncovered)
        }
        RelayFault::PoleWelded(number) => {
            let pole = usize::from(number).saturating_sub(1);
            let stands_there = |relay: &usize| {
                let through = bench.paths.iter().filter_map(|path| path.poles.get(pole));
                through.flat_map(|pole| &pole.through).any(|other| other.0 == *relay)
            };
            if !relays.iter().all(stands_there) {
                return Err(Lack::NotApplicable(format!("{} has no contact in pole {number} of any path", names())));
            }
            match without_means_but_pole(bench, &relays, pole, means) {
                None => Ok(()),
                Some(zone) => Err(Lack::Uncovered(format!(
                    "with the contact of {} in pole {number} welded nothing else can open the path to the element of zone {}",
                    names(),
                    bench.zones[zone].name
                ))),
            }
        }
        RelayFault::StuckOpen | RelayFault::OpensLate(_) | RelayFault::HalfOpen | RelayFault::Burnt { .. } => Ok(()),
    }
}

/// Whether the supply has a neutral that an element hangs on: nothing else feels its loss.
fn neutral_is_used(bench: &Bench, kiln: &KilnDescription) -> Result<(), String> {
    if !kiln.system.has_neutral() {
        return Err("the kiln's supply has no neutral".to_owned());
    }
    let hangs_on_it = |path: &Path| match path.between {
        Some(ends) => ends.contains(&Wire::Neutral),
        None => kiln.system.usual_ends(path.zone).contains(&Conductor::Neutral),
    };
    if bench.paths.iter().any(hangs_on_it) {
        Ok(())
    } else {
        Err("no element of the kiln hangs on the neutral, so its loss changes nothing there".to_owned())
    }
}

fn stimulus_is_possible(bench: &Bench, kiln: &KilnDescription, stimulus: &Stimulus, means: Means) -> Result<(), Lack> {
    let part_is_there = |part: &NeededPart| part_is_there(bench, part, means);
    let zone_exists = |selector: &ZoneSelector| zone_index(bench, selector).map(|_| ()).map_err(Lack::NotApplicable);
    match stimulus {
        Stimulus::Probe { zone, .. } | Stimulus::ReconnectProbe { zone } => {
            has_probe(bench, zone).map_err(Lack::NotApplicable)
        }
        Stimulus::LimiterProbe { .. } | Stimulus::ReconnectLimiterProbe => {
            part_is_there(&NeededPart::Limiter).map_err(Lack::NotApplicable)
        }
        Stimulus::LoseElement { zone } => zone_exists(zone),
        Stimulus::CrossProbes { one, other } => {
            for zone in [one, other] {
                has_probe(bench, zone).map_err(Lack::NotApplicable)?;
            }
            if zone_index(bench, one) == zone_index(bench, other) {
                return Err(Lack::NotApplicable("both names are of the same probe".to_owned()));
            }
            Ok(())
        }
        Stimulus::WarmTerminals { .. } | Stimulus::KilnSupply { .. } => Ok(()),
        Stimulus::WarmBox { .. } => match bench.kind {
            BenchKind::Virtual(_) | BenchKind::Program { .. } | BenchKind::Rig { plays: Plays::Converters, .. } => {
                Ok(())
            }
            BenchKind::Rig { plays: Plays::Probes, .. } => Err(Lack::NotApplicable(
                "a rig that plays probes plays voltages and cannot warm the sensor of the controller's converter"
                    .to_owned(),
            )),
        },
        Stimulus::Leg { leg, .. } => {
            let legs = kiln.system.legs();
            if usize::from(*leg) > legs {
                return Err(Lack::NotApplicable(format!("the kiln's supply has {legs} leg(s) and no leg {leg}")));
            }
            if bench.controls_leg == Some(*leg) {
                part_is_there(&NeededPart::Supply)
                    .map_err(|lack| Lack::NotApplicable(format!("leg {leg} feeds the controller, and {lack}")))?;
            }
            Ok(())
        }
        Stimulus::CoilSupply { .. } => Ok(()),
        Stimulus::Bypass { zone, closed } => bypass_can_be_cut(bench, zone, *closed, means),
        Stimulus::Neutral { .. } => neutral_is_used(bench, kiln).map_err(Lack::NotApplicable),
        Stimulus::Relay { fault, relay } => relay_fault_is_possible(bench, *fault, relay, means),
        Stimulus::FreeRelay { relay } => select_relays(bench, relay).map(|_| ()).map_err(Lack::NotApplicable),
        Stimulus::Contact { contact, .. } => part_is_there(&NeededPart::Contact(*contact)).map_err(Lack::NotApplicable),
        Stimulus::Supply { .. } => part_is_there(&NeededPart::Supply).map_err(Lack::NotApplicable),
        Stimulus::Console(_) | Stimulus::Prompt(_) => Ok(()),
    }
}

//! Zones that a scenario calls by name have to be on the bench.
//!
//! A zone asked for by number may be missing: then the scenario is about more
//! zones than there are. A name that the bench does not know is taken as a
//! mistake, because a typing error must not quietly leave a hazard untested.

use dryfire_scenario::{Bench, Condition, NeededPart, RelaySelector, Scenario, Span, StepKind, Stimulus, ZoneSelector};

use super::BindError;

/// A mistake for each place that names a zone which the bench does not have.
pub(super) fn unknown_zones(scenario: &Scenario, bench: &Bench) -> Vec<BindError> {
    zones_spoken_of(scenario)
        .into_iter()
        .filter_map(|(zone, span)| match zone {
            ZoneSelector::Name(name) if bench.zones.iter().all(|zone| zone.name != *name) => Some((name, span)),
            _ => None,
        })
        .map(|(name, span)| BindError {
            message: format!(
                "the bench has no zone called `{name}`; it has {}",
                bench.zones.iter().map(|zone| format!("`{}`", zone.name)).collect::<Vec<_>>().join(", ")
            ),
            span: Some(span),
        })
        .collect()
}

/// Why a scenario is about more zones than the bench has, if it is. That goes before everything that the
/// bench lacks for such a zone: a relay that is not there cannot weld.
pub(super) fn zone_beyond(scenario: &Scenario, bench: &Bench) -> Option<String> {
    let spoken_of = zones_spoken_of(scenario).into_iter();
    let greatest =
        spoken_of.filter_map(|(zone, _)| if let ZoneSelector::Number(number) = zone { Some(*number) } else { None });
    let number = greatest.max().filter(|number| usize::from(*number) > bench.zones.len())?;
    Some(format!("the bench has {} zone(s), so there is no zone {number}", bench.zones.len()))
}

fn zones_spoken_of(scenario: &Scenario) -> Vec<(&ZoneSelector, Span)> {
    let mut named = Vec::new();
    for need in &scenario.needs {
        if let NeededPart::MeansToCut(RelaySelector::Element(zone))
        | NeededPart::Mechanical(RelaySelector::Element(zone)) = &need.part.value
        {
            named.push((zone, need.part.span));
        }
    }
    for step in &scenario.script {
        if let StepKind::When { condition, .. } = &step.kind {
            of_condition(condition, &mut named);
        }
        for stimulus in &step.stimuli {
            named.extend(of_stimulus(&stimulus.value).into_iter().map(|zone| (zone, stimulus.span)));
        }
    }
    for expectation in &scenario.expect {
        for condition in expectation.conditions() {
            of_condition(condition, &mut named);
        }
    }
    named
}

fn of_stimulus(stimulus: &Stimulus) -> Vec<&ZoneSelector> {
    match stimulus {
        Stimulus::Probe { zone, .. }
        | Stimulus::ReconnectProbe { zone }
        | Stimulus::LoseElement { zone }
        | Stimulus::Bypass { zone, .. } => vec![zone],
        Stimulus::CrossProbes { one, other } => vec![one, other],
        Stimulus::Relay { relay: RelaySelector::Element(zone), .. }
        | Stimulus::FreeRelay { relay: RelaySelector::Element(zone) } => vec![zone],
        _ => Vec::new(),
    }
}

fn of_condition<'a>(condition: &'a Condition, named: &mut Vec<(&'a ZoneSelector, Span)>) {
    match condition {
        Condition::Compare { measured, .. } => {
            named.extend(measured.value.zones().into_iter().map(|zone| (zone, measured.span)));
        }
        Condition::Is { switch, .. } => {
            named.extend(switch.value.zone().map(|zone| (zone, switch.span)));
        }
        Condition::HeldFor { condition, .. } | Condition::Not(condition) => of_condition(condition, named),
        Condition::And(parts) | Condition::Or(parts) => {
            for part in parts {
                of_condition(part, named);
            }
        }
    }
}

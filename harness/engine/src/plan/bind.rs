//! Resolving names, quantities and references of one scenario on one bench.

use std::collections::BTreeMap;

use dryfire_judge as judge;
use dryfire_kiln as kiln;
use dryfire_kiln::{Circuit, Conductor, KilnDescription, ZonePath};
use dryfire_scenario::{
    Bench, Comparison, Condition, DeclaredLimit, Expectation, Limit, Moment, OldPartKind, Pattern, Scenario, Scope,
    Span, Spanned, StepKind, TimeLimit, Times, Wire,
};
use dryfire_units::RigSpan;

use super::asked::Asked;
use super::names::{unknown_zones, zone_beyond};
use super::needs::{Lack, ends_by_itself, first_lack};
use super::signals::{NO_LIMITER, Signals, edge_uncertainty};
use super::uncertainty::{Uncertainties, longest_measured};
use super::{BindError, Binding, ExpectationNote, Plan, PlannedCondition, PlannedEnd, PlannedStep, PlannedWait};
use crate::budget::{HalfSafetyTime, half_safety_time};

/// The moment at which the firing was begun; known to every scenario.
const BEGIN: &str = "begin";

struct Binder<'a> {
    bench: &'a Bench,
    kiln: &'a KilnDescription,
    asked: Asked,
    moments: Vec<String>,
    by_name: BTreeMap<String, u16>,
    errors: Vec<BindError>,
    /// A signal that the bench does not have: the scenario is not applicable.
    missing: Option<String>,
    /// Why nothing could react in time: the hazard is uncovered.
    too_late: Option<String>,
    /// The scenario's hazards.
    hazards: Vec<String>,
    /// The expectation that is being bound.
    place: Option<Span>,
}

pub(super) fn bind(scenario: &Scenario, bench: &Bench, kiln: &KilnDescription) -> Result<Binding, Vec<BindError>> {
    let unknown = unknown_zones(scenario, bench);
    if !unknown.is_empty() {
        return Err(unknown);
    }
    if let Some(reason) = zone_beyond(scenario, bench).or_else(|| ends_by_itself(scenario, bench)) {
        return Ok(Binding::NotApplicable { reason });
    }
    match first_lack(scenario, bench, kiln) {
        Some(Lack::NotApplicable(reason)) => return Ok(Binding::NotApplicable { reason }),
        Some(Lack::Uncovered(reason)) => return Ok(Binding::Uncovered { reason }),
        None => {}
    }
    let (table, signals) = Signals::of(bench, crate::played::MODEL_ERROR_MILLICELSIUS);
    let mut binder = Binder {
        bench,
        kiln,
        asked: Asked { table, signals, derived: Vec::new(), isolated: Vec::new(), console: Vec::new() },
        moments: Vec::new(),
        by_name: BTreeMap::new(),
        errors: Vec::new(),
        missing: None,
        too_late: None,
        hazards: scenario.hazards.iter().map(|hazard| hazard.value.0.clone()).collect(),
        place: None,
    };
    let circuit = binder.circuit();
    binder.limiter_is_below_the_kilns_limit();
    let steps = binder.steps(scenario);
    let end = PlannedEnd {
        moment: scenario.end.moment.as_ref().and_then(|moment| binder.moment(moment)),
        offset: binder.time_limit(&scenario.end.offset),
    };
    let mut expectations = Vec::new();
    let mut expectation_notes = Vec::new();
    for expectation in &scenario.expect {
        binder.place = Some(expectation.span);
        if let Some(bound) = binder.expectation(expectation) {
            expectations.push(bound);
        }
        expectation_notes.push(ExpectationNote {
            hazards: expectation.hazards.iter().map(|hazard| hazard.value.0.clone()).collect(),
            span: expectation.span,
        });
    }
    if !binder.errors.is_empty() {
        return Err(binder.errors);
    }
    if let Some(reason) = binder.missing {
        return Ok(Binding::NotApplicable { reason });
    }
    if let Some(reason) = binder.too_late {
        return Ok(Binding::Uncovered { reason });
    }
    // The longer the times that are measured, the further the clock has drifted.
    let uncertainties = Uncertainties::of(bench, longest_measured(&expectations));
    let drifted = uncertainties.edge_time.expanded.number() - edge_uncertainty(bench).as_micros();
    binder.asked.table.widen_times(RigSpan::from_micros(drifted.max(0)));
    if let Err(error) = judge::Judge::new(binder.asked.table.clone(), binder.moments.clone(), expectations.clone()) {
        let place = expectations.iter().position(|expectation| expectation.name == error.expectation);
        let span = place.map(|index| scenario.expect[index].span);
        return Err(vec![BindError { message: error.to_string(), span }]);
    }
    Ok(Binding::Ready(Box::new(Plan {
        scenario: scenario.name.clone(),
        hazards: scenario.hazards.iter().map(|hazard| hazard.value.0.clone()).collect(),
        bench: bench.clone(),
        kiln: kiln.clone(),
        circuit,
        start: scenario.start,
        firing: scenario.firing.clone(),
        table: binder.asked.table,
        uncertainties,
        signals: binder.asked.signals,
        derived: binder.asked.derived,
        isolated: binder.asked.isolated,
        console: binder.asked.console,
        moments: binder.moments,
        steps,
        end,
        expectations,
        expectation_notes,
    })))
}

impl Binder<'_> {
    fn circuit(&mut self) -> Circuit {
        let mut paths = vec![ZonePath::default(); self.kiln.zones.len()];
        for path in &self.bench.paths {
            let name = &self.bench.zones[path.zone].name;
            match self.kiln.zones.iter().position(|zone| zone.name == *name) {
                Some(zone) if zone == path.zone => {
                    let wire = |wire: Wire| match wire {
                        Wire::Leg(leg) => Conductor::Leg(usize::from(leg).saturating_sub(1)),
                        Wire::Neutral => Conductor::Neutral,
                    };
                    paths[zone] = ZonePath {
                        poles: path
                            .poles
                            .iter()
                            .map(|pole| pole.through.iter().map(|relay| relay.0).collect())
                            .collect(),
                        between: path.between.map(|ends| ends.map(wire)),
                    };
                }
                _ => self.errors.push(BindError {
                    message: format!(
                        "the bench's zone `{name}` is number {} there; the kiln has the zones {}, in this order",
                        path.zone + 1,
                        self.kiln.zones.iter().map(|zone| zone.name.as_str()).collect::<Vec<_>>().join(", "),
                    ),
                    span: None,
                }),
            }
        }
        let unpowered = self.bench.relays.iter().map(|relay| relay.unpowered);
        let old_parts = self.bench.old_parts.iter().map(|part| kiln::OldPart {
            zone: part.zone,
            kind: match &part.kind {
                OldPartKind::Bypass { around } => {
                    kiln::OldPartKind::Bypass { around: around.iter().map(|relay| relay.0).collect() }
                }
                OldPartKind::InfiniteSwitch { on, cycle } => {
                    kiln::OldPartKind::InfiniteSwitch { on: *on, cycle: *cycle }
                }
            },
        });
        let circuit = Circuit {
            relays: self.bench.relays.len(),
            paths,
            unpowered: unpowered.collect(),
            old_parts: old_parts.collect(),
        };
        if let Err(error) = circuit.check(self.kiln.zones.len(), self.kiln.system) {
            self.errors.push(BindError { message: error.to_string(), span: None });
        }
        circuit
    }

    /// A limiter that trips where the kiln is harmed already protects nothing.
    fn limiter_is_below_the_kilns_limit(&mut self) {
        let most = lowest_limit_millicelsius(self.kiln);
        if let Some(limiter) = &self.bench.limiter
            && limiter.trip_millicelsius > most
        {
            self.errors.push(BindError {
                message: format!(
                    "the limiter of the bench file trips at {}, and the kiln file allows {} at the most",
                    crate::words::celsius(limiter.trip_millicelsius),
                    crate::words::celsius(most),
                ),
                span: None,
            });
        }
    }

    fn new_moment(&mut self, name: &str) -> u16 {
        if let Some(known) = self.by_name.get(name) {
            return *known;
        }
        let index = u16::try_from(self.moments.len()).expect("a scenario file is too small for 65,536 moments");
        self.moments.push(name.to_owned());
        self.by_name.insert(name.to_owned(), index);
        index
    }

    fn moment(&mut self, moment: &Spanned<Moment>) -> Option<u16> {
        let known = self.by_name.get(&moment.value.0).copied();
        if known.is_none() {
            self.errors.push(BindError {
                message: format!("no step of the script is called `{}`", moment.value.0),
                span: Some(moment.span),
            });
        }
        known
    }

    fn steps(&mut self, scenario: &Scenario) -> Vec<PlannedStep> {
        let mut steps = Vec::new();
        for step in &scenario.script {
            let wait = self.wait(&step.kind);
            // Named whether or not the step can be bound, so that one mistake is told once.
            let moment = match (&step.call_it, &step.kind) {
                (Some(name), _) => Some(self.new_moment(&name.value.0)),
                (None, StepKind::BeginFiring) => Some(self.new_moment(BEGIN)),
                (None, _) => None,
            };
            let stimuli = step.stimuli.iter().map(|stimulus| stimulus.value.clone()).collect();
            steps.extend(wait.map(|wait| PlannedStep { wait, moment, stimuli }));
        }
        steps
    }

    /// `None` where something is missing or wrong, which has been noted.
    fn wait(&mut self, kind: &StepKind) -> Option<PlannedWait> {
        Some(match kind {
            StepKind::BeginFiring => PlannedWait::BeginFiring,
            StepKind::When { condition, patience } => {
                let mut watches = 0;
                let condition = self.script_condition(condition, &mut watches)?;
                PlannedWait::When { condition, patience: *patience }
            }
            StepKind::Wait(length) => PlannedWait::Wait(*length),
            StepKind::At { moment, offset } => {
                PlannedWait::At { moment: self.moment(moment)?, offset: self.time_limit(offset) }
            }
        })
    }

    fn script_condition(&mut self, condition: &Condition, watches: &mut usize) -> Option<PlannedCondition> {
        Some(match condition {
            Condition::HeldFor { condition, length } => {
                let watch = *watches;
                *watches += 1;
                PlannedCondition::HeldFor {
                    condition: Box::new(self.script_condition(condition, watches)?),
                    length: *length,
                    watch,
                }
            }
            Condition::Not(inner) => PlannedCondition::Not(Box::new(self.script_condition(inner, watches)?)),
            Condition::And(parts) => PlannedCondition::All(self.script_conditions(parts, watches)?),
            Condition::Or(parts) => PlannedCondition::Any(self.script_conditions(parts, watches)?),
            Condition::Compare { .. } | Condition::Is { .. } => PlannedCondition::Now(self.condition(condition)?),
        })
    }

    fn script_conditions(&mut self, parts: &[Condition], watches: &mut usize) -> Option<Vec<PlannedCondition>> {
        parts.iter().map(|part| self.script_condition(part, watches)).collect()
    }

    /// `None` where something is missing or wrong, which has been noted.
    fn condition(&mut self, condition: &Condition) -> Option<judge::Condition> {
        Some(match condition {
            Condition::Compare { measured, comparison, limit } => {
                let signal = self.asked.measured(self.bench, &measured.value);
                judge::Condition::Compare {
                    signal: self.note_missing(signal)?,
                    comparison: match comparison {
                        Comparison::Below => judge::Comparison::Below,
                        Comparison::AtMost => judge::Comparison::AtMost,
                        Comparison::Above => judge::Comparison::Above,
                        Comparison::AtLeast => judge::Comparison::AtLeast,
                    },
                    limit: self.limit(&limit.value),
                }
            }
            Condition::Is { switch, on } => {
                let signal = self.asked.switch(self.bench, &switch.value);
                judge::Condition::Is { signal: self.note_missing(signal)?, on: *on }
            }
            Condition::Not(inner) => judge::Condition::Not(Box::new(self.condition(inner)?)),
            Condition::And(parts) => judge::Condition::All(self.conditions(parts)?),
            Condition::Or(parts) => judge::Condition::Any(self.conditions(parts)?),
            Condition::HeldFor { .. } => {
                self.errors.push(BindError {
                    message: "`for` is only understood in a script's `when`".to_owned(),
                    span: first_span(condition),
                });
                return None;
            }
        })
    }

    fn conditions(&mut self, parts: &[Condition]) -> Option<Vec<judge::Condition>> {
        parts.iter().map(|part| self.condition(part)).collect()
    }

    fn note_missing<T>(&mut self, found: Result<T, String>) -> Option<T> {
        match found {
            Ok(value) => Some(value),
            Err(reason) => {
                self.missing.get_or_insert(reason);
                None
            }
        }
    }

    fn limit(&mut self, limit: &Limit) -> i64 {
        match limit {
            Limit::Temperature(value) | Limit::Difference(value) | Limit::Rate(value) | Limit::Share(value) => *value,
            Limit::Declared { which, plus_millicelsius } => {
                let declared = match which {
                    DeclaredLimit::TopTemperature => self.bench.declares.top_temperature_millicelsius,
                    DeclaredLimit::LimiterTrip => {
                        let limiter = self.bench.limiter.as_ref().ok_or_else(|| NO_LIMITER.to_owned());
                        self.note_missing(limiter.map(|limiter| limiter.trip_millicelsius)).unwrap_or_default()
                    }
                    DeclaredLimit::LimiterReset => {
                        let below = match &self.bench.limiter {
                            None => Err(NO_LIMITER.to_owned()),
                            Some(limiter) => limiter.reset_below_millicelsius.ok_or_else(|| {
                                "the bench file does not say below which temperature the limiter can be reset"
                                    .to_owned()
                            }),
                        };
                        self.note_missing(below).unwrap_or_default()
                    }
                    DeclaredLimit::KilnLimit => lowest_limit_millicelsius(self.kiln),
                };
                declared + plus_millicelsius
            }
        }
    }

    fn time_limit(&mut self, limit: &TimeLimit) -> RigSpan {
        let declares = &self.bench.declares;
        match limit {
            TimeLimit::Span(span) => *span,
            TimeLimit::LongestFiring { plus } => declares.longest_firing + *plus,
            TimeLimit::CycleTime { times, plus } => declares.cycle_time.times(i64::from(*times)) + *plus,
            TimeLimit::Reaction { hazard, otherwise, plus } => {
                let id = &hazard.value.0;
                let declared = declares.reactions.iter().find(|(declared, _)| declared == id).map(|(_, time)| *time);
                let reaction = declared.or(*otherwise).ok_or_else(|| {
                    format!("the bench file declares no reaction to `{id}`, which the scenario's limit refers to")
                });
                self.note_missing(reaction).unwrap_or(RigSpan::ZERO) + *plus
            }
            TimeLimit::HalfSafetyTime { hazard, at_most } => {
                let half = match hazard {
                    Some(hazard) => self.half_safety_time(std::slice::from_ref(&hazard.value.0), Some(hazard.span)),
                    None => self.half_safety_time(&self.hazards.clone(), self.place),
                };
                at_most.map_or(half, |most| half.min(most))
            }
        }
    }

    /// The least half of the process safety times of some hazards.
    fn half_safety_time(&mut self, hazards: &[String], span: Option<Span>) -> RigSpan {
        let mut least: Option<RigSpan> = None;
        let mut reasons = Vec::new();
        for hazard in hazards {
            match half_safety_time(self.kiln, self.bench, hazard) {
                Ok(HalfSafetyTime::Of(half)) => least = Some(least.map_or(half, |least| least.min(half))),
                Ok(HalfSafetyTime::NoMargin(limit)) => {
                    self.too_late.get_or_insert(format!(
                        "no reaction to `{hazard}` can be soon enough: at the declared top temperature {} leaves no time \
                         to the kiln's {limit}",
                        self.kiln.name
                    ));
                    least = Some(RigSpan::ZERO);
                }
                Ok(HalfSafetyTime::NoFailure(reason)) => {
                    self.missing.get_or_insert(reason);
                }
                Ok(HalfSafetyTime::NotComputed(why)) => reasons.push(format!("`{hazard}`: {why}")),
                Err(error) => reasons.push(error.to_string()),
            }
        }
        if least.is_none() && self.missing.is_none() {
            self.errors.push(BindError {
                message: format!(
                    "no process safety time is computed for {}; write the limit as a time",
                    reasons.join("; ")
                ),
                span,
            });
        }
        least.unwrap_or(RigSpan::ZERO)
    }

    fn instant(&mut self, moment: &Spanned<Moment>, offset: RigSpan) -> Option<judge::Instant> {
        Some(judge::Instant { moment: judge::MomentId(self.moment(moment)?), offset })
    }

    fn expectation(&mut self, expectation: &Expectation) -> Option<judge::Expectation> {
        let part = match &expectation.scope {
            Scope::Throughout => None,
            Scope::After { moment, offset, until: None } => Some(judge::Part::After(self.instant(moment, *offset)?)),
            Scope::After { moment, offset, until: Some((last, last_offset)) } => {
                Some(judge::Part::AfterUntil(self.instant(moment, *offset)?, self.instant(last, *last_offset)?))
            }
            Scope::Before { moment, offset } => Some(judge::Part::Before(self.instant(moment, *offset)?)),
            Scope::Between { from, to } => {
                Some(judge::Part::Between(self.instant(&from.0, from.1)?, self.instant(&to.0, to.1)?))
            }
        };
        let mut whenever = match &expectation.whenever {
            Some(condition) => Some(self.condition(condition)?),
            None => None,
        };
        let claim = match &expectation.pattern {
            Pattern::Always(condition) => judge::Claim::Always(self.condition(condition)?),
            Pattern::Never(condition) => judge::Claim::Never(self.condition(condition)?),
            Pattern::Sometime(condition) => judge::Claim::Sometime(self.condition(condition)?),
            Pattern::Within { limit, condition } => {
                judge::Claim::Within { limit: self.time_limit(limit), condition: self.condition(condition)? }
            }
            Pattern::HeatCut { limit } => judge::Claim::HeatCut {
                heat: self.asked.signals.heat,
                limit: self.time_limit(limit),
                hold: Plan::cut_hold(self.bench),
            },
            Pattern::HoldsFor { length, condition } => {
                judge::Claim::HoldsFor { span: self.time_limit(length), condition: self.condition(condition)? }
            }
            Pattern::Count { times: Times::Altogether { at_least, at_most }, condition } => {
                let (at_least, at_most) = (*at_least, *at_most);
                judge::Claim::Times { at_least, at_most, condition: self.condition(condition)? }
            }
            Pattern::Count { times: Times::InAny { at_most, window }, condition } => {
                judge::Claim::AtMostIn { at_most: *at_most, window: *window, condition: self.condition(condition)? }
            }
            Pattern::LastsAtLeast { condition, length } => {
                let condition = self.condition(condition)?;
                whenever = Some(condition.clone());
                // Exactly so long is enough, and both ends of the span count.
                let span = self.time_limit(length) - RigSpan::from_micros(1);
                judge::Claim::HoldsFor { span: span.max(RigSpan::ZERO), condition }
            }
            Pattern::LastsAtMost { condition, length } => {
                let condition = self.condition(condition)?;
                whenever = Some(condition.clone());
                let over = judge::Condition::Not(Box::new(condition));
                judge::Claim::Within { limit: self.time_limit(length), condition: over }
            }
            Pattern::AtLeastEvery { condition, length } => {
                let condition = self.condition(condition)?;
                whenever = Some(judge::Condition::Not(Box::new(condition.clone())));
                judge::Claim::Within { limit: self.time_limit(length), condition }
            }
            Pattern::Order { first, then } => {
                judge::Claim::Precedes { first: self.condition(first)?, then: self.condition(then)? }
            }
        };
        let scope = match (whenever, part) {
            (None, None) => judge::Scope::Throughout,
            (None, Some(judge::Part::Before(to))) => judge::Scope::Before(to),
            (None, Some(judge::Part::After(from))) => judge::Scope::After(from),
            (None, Some(judge::Part::Between(from, to))) => judge::Scope::Between(from, to),
            (None, Some(judge::Part::AfterUntil(from, to))) => judge::Scope::AfterUntil(from, to),
            (Some(condition), None) => judge::Scope::Whenever(condition),
            (Some(condition), Some(part)) => judge::Scope::WheneverIn { part, condition },
        };
        Some(judge::Expectation { name: expectation.name.value.clone(), scope, claim })
    }
}

/// The lower of what elements and brick can bear, thousandths of a degree Celsius.
fn lowest_limit_millicelsius(kiln: &KilnDescription) -> i64 {
    let lowest = kiln.limits.element.value().min(kiln.limits.brick.value());
    libm::round(lowest * 1e3) as i64
}

fn first_span(condition: &Condition) -> Option<Span> {
    match condition {
        Condition::Compare { measured, .. } => Some(measured.span),
        Condition::Is { switch, .. } => Some(switch.span),
        Condition::HeldFor { condition, .. } | Condition::Not(condition) => first_span(condition),
        Condition::And(parts) | Condition::Or(parts) => parts.first().and_then(first_span),
    }
}

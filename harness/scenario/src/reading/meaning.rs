//! Whether a scenario can show anything: what changes nothing breaks nothing, what is true
//! of every kiln is no expectation, and a hazard that nothing brings about is not tested.

use crate::diagnostic::DiagnosticKind;
use crate::quantity::thousandths;
use crate::reading::Reading;
use crate::source::quoted;
use crate::{
    Comparison, Condition, ContactRole, ExtensionWire, LevelSignal, Limit, Measured, Pattern, ProbeFault, RelayFault,
    Scenario, Span, Stimulus,
};

/// Above this no fired kiln gets: elements and bricks are gone before (common practice, no source).
const HOTTER_THAN_ANY: i64 = 1_700_000;
/// Below its surroundings by this no kiln gets either.
const COLDER_BY: i64 = 10_000;
const WHOLE_SHARE: i64 = 100_000;

pub(crate) fn check(reading: &mut Reading<'_>, scenario: &Scenario) {
    without_effect(reading, scenario);
    hazards_brought_about(reading, scenario);
    expectations_that_ask(reading, scenario);
}

fn without_effect(reading: &mut Reading<'_>, scenario: &Scenario) {
    let mut warmed = false;
    for stimulus in scenario.script.iter().flat_map(|step| &step.stimuli) {
        let nothing = match &stimulus.value {
            Stimulus::Probe { fault: ProbeFault::Offset(by) | ProbeFault::Drift(by), .. } => *by == 0,
            Stimulus::Probe { fault: ProbeFault::Spikes { by_millicelsius: by, .. }, .. } => *by == 0,
            // To set it back is something.
            Stimulus::WarmTerminals { by_millicelsius: by } | Stimulus::WarmBox { by_millicelsius: by } => {
                let first = !warmed;
                warmed = true;
                first && *by == 0
            }
            _ => false,
        };
        if nothing {
            reading.mistake(
                DiagnosticKind::OutOfRange,
                stimulus.span,
                "this changes nothing, so nothing is tested by it",
                "say by how much, for example `by: -30 °C`; `reconnect: probe` sets a probe right again".to_owned(),
            );
        }
    }
}

/// What may bring a hazard about; a hazard that is not named here needs nothing that breaks. To set right again what was
/// not broken before is nothing.
fn brings_about(hazard: &str, stimulus: &Stimulus) -> Option<bool> {
    let of_probe = match stimulus {
        Stimulus::Probe { fault, .. } => Some(*fault),
        _ => None,
    };
    let of_relay = match stimulus {
        Stimulus::Relay { fault, .. } => Some(*fault),
        _ => None,
    };
    let worked = match stimulus {
        Stimulus::Contact { contact, engaged: true } => Some(*contact),
        _ => None,
    };
    let takes_heat =
        matches!(
            stimulus,
            Stimulus::LoseElement { .. }
                | Stimulus::Leg { present: false, .. }
                | Stimulus::Neutral { present: false }
                | Stimulus::CoilSupply { present: false }
                | Stimulus::KilnSupply { .. }
        ) || matches!(of_relay, Some(RelayFault::StuckOpen | RelayFault::HalfOpen | RelayFault::Burnt { .. }));
    let warms = matches!(stimulus, Stimulus::WarmTerminals { .. });
    let by_a_thing = match hazard {
        "probe-open" => matches!(of_probe, Some(ProbeFault::Open | ProbeFault::Intermittent { .. })),
        "probe-short" => matches!(of_probe, Some(ProbeFault::Short | ProbeFault::ShortInHead { .. })),
        "probe-leak" => matches!(of_probe, Some(ProbeFault::ShortToGround | ProbeFault::ShortToSupply)),
        "probe-reversed" => {
            matches!(of_probe, Some(ProbeFault::Reversed | ProbeFault::Extension { wire: ExtensionWire::Reversed, .. }))
        }
        "probe-frozen" => matches!(of_probe, Some(ProbeFault::Frozen)),
        "probe-pulled-out" => matches!(of_probe, Some(ProbeFault::PulledOut)),
        "probe-crossed" => matches!(stimulus, Stimulus::CrossProbes { .. }),
        "probe-offset" => warms || of_probe.is_some_and(reads_wrong),
        "cold-junction" => warms || matches!(stimulus, Stimulus::WarmBox { .. }),
        "relay-welded" => {
            of_relay.is_some_and(keeps_closed) || matches!(stimulus, Stimulus::Bypass { closed: true, .. })
        }
        "relay-sticking" => {
            matches!(of_relay, Some(RelayFault::OpensLate(_) | RelayFault::WeldsAtTimes { .. }))
        }
        "element-lost" | "heat-lost" => takes_heat,
        "supply-cut" => matches!(
            stimulus,
            Stimulus::Supply { on: false }
                | Stimulus::Leg { present: false, .. }
                | Stimulus::CoilSupply { present: false }
        ),
        "lid-open" => worked == Some(ContactRole::Lid),
        "controller-hung" => {
            worked.is_some_and(|contact| contact == ContactRole::TestLine || ContactRole::HELD_LINES.contains(&contact))
        }
        "stop-pressed" => worked == Some(ContactRole::Stop),
        _ => return None,
    };
    Some(match stimulus {
        Stimulus::Prompt(_) => people_can(hazard),
        Stimulus::Console(_) => a_line_can(hazard),
        _ => by_a_thing,
    })
}

/// Whether the reading is another one from then on, and looks like any other.
fn reads_wrong(fault: ProbeFault) -> bool {
    matches!(
        fault,
        ProbeFault::Offset(_) | ProbeFault::Drift(_) | ProbeFault::AnotherType(_) | ProbeFault::Extension { .. }
    )
}

/// Whether current flows for ever, or again and again, that should not.
fn keeps_closed(fault: RelayFault) -> bool {
    match fault {
        RelayFault::Welded | RelayFault::PoleWelded(_) | RelayFault::HalfShorted | RelayFault::WeldsAtTimes { .. } => {
            true
        }
        RelayFault::OpensLate(_) | RelayFault::StuckOpen | RelayFault::HalfOpen | RelayFault::Burnt { .. } => false,
    }
}

/// Whether a person at the bench can bring it about who is asked to. Wires can be pulled, bridged and swapped; what is only
/// played nobody can touch: that a reading stands still, and how it falls when a probe leaves the kiln.
fn people_can(hazard: &str) -> bool {
    !matches!(hazard, "probe-frozen" | "probe-pulled-out")
}

/// Whether a line on the console can: it sets the type of a probe, stops a firing, or has the program stand still where its
/// author has put that in. No line breaks a wire or opens a lid.
fn a_line_can(hazard: &str) -> bool {
    matches!(hazard, "probe-offset" | "controller-hung" | "stop-pressed")
}

fn hazards_brought_about(reading: &mut Reading<'_>, scenario: &Scenario) {
    for hazard in &scenario.hazards {
        let id = hazard.value.0.as_str();
        // Whether it needs anything is the same whatever is asked about.
        if brings_about(id, &Stimulus::Supply { on: true }).is_none() {
            continue;
        }
        let mut stimuli = scenario.script.iter().flat_map(|step| &step.stimuli);
        if !stimuli.any(|stimulus| brings_about(id, &stimulus.value) == Some(true)) {
            reading.mistake(
                DiagnosticKind::Contradiction,
                hazard.span,
                format!("the hazard {} is named, and nothing in the script brings it about", quoted(id)),
                "break in a step's `do` what the hazard is about, or leave the hazard out".to_owned(),
            );
        }
    }
}

fn expectations_that_ask(reading: &mut Reading<'_>, scenario: &Scenario) {
    for expectation in &scenario.expect {
        let (condition, holds_if) = match &expectation.pattern {
            Pattern::Always(condition)
            | Pattern::Sometime(condition)
            | Pattern::Within { condition, .. }
            | Pattern::HoldsFor { condition, .. } => (condition, true),
            Pattern::Never(condition) => (condition, false),
            _ => continue,
        };
        if let Some((truth, span)) = certain(condition, scenario.start.ambient_millicelsius)
            && truth == holds_if
        {
            reading.mistake(
                DiagnosticKind::OutOfRange,
                span,
                "this is true of every kiln, whatever the controller does",
                format!(
                    "a kiln lies between the {} °C around it and {} °C, a share between 0 % and 100 %; ask for less",
                    thousandths(scenario.start.ambient_millicelsius),
                    thousandths(HOTTER_THAN_ANY)
                ),
            );
        }
    }
}

/// Whether a condition is so, or is not, whatever happens; and which words say so.
fn certain(condition: &Condition, ambient: i64) -> Option<(bool, Span)> {
    match condition {
        Condition::Compare { measured, comparison, limit } => {
            let (least, most) = match &measured.value {
                Measured::Level(LevelSignal::Kiln(_)) => (ambient.saturating_sub(COLDER_BY), HOTTER_THAN_ANY),
                // A reading may be wrong by anything downwards.
                Measured::Level(LevelSignal::Probe(_)) => (i64::MIN, HOTTER_THAN_ANY),
                Measured::Spread(_) => (0, HOTTER_THAN_ANY),
                Measured::Duty { .. } => (0, WHOLE_SHARE),
                _ => return None,
            };
            let limit_value = match &limit.value {
                Limit::Temperature(value) | Limit::Difference(value) | Limit::Share(value) => *value,
                Limit::Rate(_) | Limit::Declared { .. } => return None,
            };
            let truth = match comparison {
                Comparison::Below if limit_value > most => true,
                Comparison::AtMost if limit_value >= most => true,
                Comparison::Above if limit_value < least => true,
                Comparison::AtLeast if limit_value <= least => true,
                Comparison::Below if limit_value <= least => false,
                Comparison::AtMost if limit_value < least => false,
                Comparison::Above if limit_value >= most => false,
                Comparison::AtLeast if limit_value > most => false,
                _ => return None,
            };
            Some((truth, limit.span))
        }
        Condition::Not(inner) => certain(inner, ambient).map(|(truth, span)| (!truth, span)),
        Condition::HeldFor { condition, .. } => certain(condition, ambient),
        Condition::And(parts) => combined(parts, ambient, true),
        Condition::Or(parts) => combined(parts, ambient, false),
        Condition::Is { .. } => None,
    }
}

/// Of *and* (`neutral` true) one part that is not so decides, of *or* one that is; else all have to be certain.
fn combined(parts: &[Condition], ambient: i64, neutral: bool) -> Option<(bool, Span)> {
    let known: Vec<Option<(bool, Span)>> = parts.iter().map(|part| certain(part, ambient)).collect();
    let decides = known.iter().flatten().find(|(truth, _)| *truth != neutral).copied();
    decides.or_else(|| known.into_iter().collect::<Option<Vec<_>>>().and_then(|all| all.first().copied()))
}

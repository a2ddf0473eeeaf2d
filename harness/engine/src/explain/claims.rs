//! What one expectation means, with its closed bounds and its figures.

use dryfire_judge::{Claim, Comparison, Condition, Scope, SignalId, SignalKind};
use dryfire_scenario::{Expectation, Pattern, Scenario, Times};
use dryfire_units::RigSpan;

use super::known::factor;
use super::{ExplanationPart, spell, time};
use crate::plan::Plan;
use crate::words::{condition, expected, instant, margin, times};

/// Name of the pattern, and of the scope, as the literature has them.
fn pattern_name(written: &Expectation) -> String {
    let anew = written.whenever.is_some();
    let pattern = match &written.pattern {
        Pattern::Always(_) => "universality",
        Pattern::Never(_) => "absence",
        Pattern::Sometime(_) if anew => "response",
        Pattern::Sometime(_) => "existence",
        Pattern::Within { .. } | Pattern::HeatCut { .. } => "bounded response",
        Pattern::HoldsFor { .. } => "bounded invariance",
        Pattern::Count { times: Times::Altogether { .. }, .. } => "bounded existence",
        Pattern::Count { times: Times::InAny { .. }, .. } => "bounded existence in a moving window",
        Pattern::LastsAtLeast { .. } => "minimum duration",
        Pattern::LastsAtMost { .. } => "maximum duration",
        Pattern::AtLeastEvery { .. } => "bounded recurrence",
        Pattern::Order { .. } => "precedence",
    };
    use dryfire_scenario::Scope as Written;
    let scope = match &written.scope {
        Written::Throughout => "the whole run",
        Written::After { until: None, .. } => "after",
        Written::After { until: Some(_), .. } => "after … until",
        Written::Before { .. } => "before",
        Written::Between { .. } => "between",
    };
    let anew = if anew { ", anew each time" } else { "" };
    format!("{pattern}; scope: {scope}{anew}")
}

pub(super) fn expectation(
    scenario: &Scenario,
    plan: &Plan,
    written: &Expectation,
    bound: &dryfire_judge::Expectation,
) -> ExplanationPart {
    let mut part = ExplanationPart::new(format!("Expected: {}", written.name.value));
    let sentence = expected(plan, bound);
    part.say("claim", format!("{sentence}."));
    part.say("pattern", pattern_name(written));
    part.say("means", format!("{} {}", opening(plan, bound), meaning(plan, written, bound)));
    part.say("fails if", fails_if(plan, written, bound));
    part.say("undecided if", undecided_if(plan, written, bound).join("; "));
    for line in figures(plan, bound) {
        part.say("figures", line);
    }
    if written.hazards.len() != scenario.hazards.len() {
        let hazards: Vec<&str> = written.hazards.iter().map(|hazard| hazard.value.0.as_str()).collect();
        part.say("hazards", hazards.join(", "));
    }
    part
}

/// From where to where it is claimed.
fn opening(plan: &Plan, bound: &dryfire_judge::Expectation) -> String {
    use dryfire_judge::Part;
    let edge = spell(crate::plan::edge_uncertainty(&plan.bench));
    let from = |moment: &dryfire_judge::Instant| format!("{} (known to ±{edge})", instant(plan, moment));
    let part = |part: &Part| match part {
        Part::Before(to) => format!("from the beginning of the run until just before {}", from(to)),
        Part::After(at) => format!("from {} on, to the end of the run", from(at)),
        Part::Between(at, to) => {
            format!("from {} until just before {}, if that comes", from(at), from(to))
        }
        Part::AfterUntil(at, to) => {
            format!("from {} until just before {}, or the end of the run", from(at), from(to))
        }
    };
    match &bound.scope {
        Scope::Throughout => "Claimed over the whole run.".to_owned(),
        Scope::Before(to) => format!("Claimed {}.", part(&Part::Before(*to))),
        Scope::After(at) => format!("Claimed {}.", part(&Part::After(*at))),
        Scope::Between(at, to) => format!("Claimed {}.", part(&Part::Between(*at, *to))),
        Scope::AfterUntil(at, to) => format!("Claimed {}.", part(&Part::AfterUntil(*at, *to))),
        Scope::Whenever(opens) => {
            format!("Claimed from each instant on at which {} comes true, over the whole run.", condition(plan, opens))
        }
        Scope::WheneverIn { part: within, condition: opens } => {
            format!("Claimed from each instant on at which {} comes true, {}.", condition(plan, opens), part(within))
        }
    }
}

/// The claim with its closed bounds.
fn meaning(plan: &Plan, written: &Expectation, bound: &dryfire_judge::Expectation) -> String {
    match &bound.claim {
        Claim::Always(what) => format!("At every instant there: {}.", condition(plan, what)),
        Claim::Never(what) => format!("At no instant there: {}.", condition(plan, what)),
        Claim::Sometime(what) => format!("At one instant there at least: {}.", condition(plan, what)),
        Claim::Within { limit, condition: what } => {
            let limit_words = match written.time_limit() {
                Some(written) => time(written, &plan.bench),
                None => spell(*limit),
            };
            let release = release_of(plan, what);
            format!(
                "At an instant not later than {limit_words} after that: {}; exactly then still counts.{}",
                condition(plan, what),
                sensed_limit(*limit, release)
            )
        }
        Claim::HeatCut { heat, limit, hold } => {
            let limit_words = match written.time_limit() {
                Some(written) => time(written, &plan.bench),
                None => spell(*limit),
            };
            let release = plan.table.get(*heat).release;
            format!(
                "Heat is cut not later than {limit_words} after that; exactly then still counts. It counts as cut \
                 from the edge after which no element is on for {} (three times the declared cycle time of {}, and \
                 60 s at least); shorter pauses are the ordinary duty cycle.{}",
                spell(*hold),
                spell(plan.bench.declares.cycle_time),
                sensed_limit(*limit, release)
            )
        }
        Claim::HoldsFor { span, condition: what } => match &written.pattern {
            Pattern::LastsAtLeast { length, .. } => format!(
                "Each time, {} goes on for {} or longer; exactly so long is enough.",
                condition(plan, what),
                time(length, &plan.bench)
            ),
            _ => format!(
                "At every instant from there up to {span} later, both ends included: {}.",
                condition(plan, what)
            ),
        },
        Claim::Times { at_least, at_most, condition: what } => {
            let bounds = times(*at_least, *at_most);
            format!("Counted is each instant at which this becomes true: {}; {bounds}.", condition(plan, what))
        }
        Claim::AtMostIn { at_most, window, condition: what } => format!(
            "Counted is each instant at which this becomes true: {}; at most {at_most} times in any stretch of \
             {}, both ends included, wherever it lies.",
            condition(plan, what),
            spell(*window)
        ),
        Claim::Precedes { first, then } => {
            format!("{} at no instant before this has held at one: {}.", condition(plan, then), condition(plan, first))
        }
    }
}

fn sensed_limit(limit: RigSpan, release: RigSpan) -> String {
    if release == RigSpan::ZERO {
        return String::new();
    }
    format!(
        " The edge is sensed up to {} before the contact it stands for has opened; that is added to every reaction, so \
         the edge itself has to come up to {}.",
        spell(release),
        spell(limit - release)
    )
}

fn fails_if(plan: &Plan, written: &Expectation, bound: &dryfire_judge::Expectation) -> String {
    match &bound.claim {
        Claim::Always(what) => format!("this is surely not so at one instant: {}.", condition(plan, what)),
        Claim::Never(what) => format!("this is surely so at one instant: {}.", condition(plan, what)),
        Claim::Sometime(what) => format!("it ends, and this was surely never so: {}.", condition(plan, what)),
        Claim::Within { limit, condition: what } => {
            let late = spell(*limit - release_of(plan, what) + guard(plan, bound));
            match &written.pattern {
                Pattern::LastsAtMost { condition, .. } => {
                    format!("{condition} still holds {late} after it came true.")
                }
                _ => format!("{late} after that it has surely not come.",),
            }
        }
        Claim::HeatCut { heat, limit, hold } => {
            let late = spell(*limit - plan.table.get(*heat).release + guard(plan, bound));
            format!("an element is surely on {late} after that or later, with no pause of {} before it.", spell(*hold))
        }
        Claim::HoldsFor { .. } => "it surely does not hold at one instant before that time is up.".to_owned(),
        Claim::Times { .. } => "there are surely more, or surely fewer.".to_owned(),
        Claim::AtMostIn { .. } => "there are surely more in one such stretch.".to_owned(),
        Claim::Precedes { first, .. } => {
            format!("it surely comes while this has surely not been: {}.", condition(plan, first))
        }
    }
}

fn undecided_if(plan: &Plan, written: &Expectation, bound: &dryfire_judge::Expectation) -> Vec<String> {
    let mut reasons = Vec::new();
    match &bound.scope {
        Scope::Throughout => {}
        Scope::Before(to) => reasons.push(format!("{} never comes", instant(plan, to))),
        Scope::After(at) | Scope::AfterUntil(at, _) => reasons.push(format!("{} never comes", instant(plan, at))),
        Scope::Between(at, to) => {
            reasons.push(format!("{} or {} never comes", instant(plan, at), instant(plan, to)));
        }
        Scope::Whenever(opens) | Scope::WheneverIn { condition: opens, .. } => {
            reasons.push(format!("this never comes true: {}", condition(plan, opens)));
        }
    }
    let guard = spell(guard(plan, bound));
    match &bound.claim {
        Claim::Within { .. } => reasons.push(format!("it comes within ±{guard} of the limit")),
        Claim::HeatCut { hold, .. } => {
            reasons.push("heat was off there and does not come on again: nothing to cut".to_owned());
            reasons.push(format!("the cut comes within ±{guard} of the limit"));
            reasons.push(format!("the run ends before heat has stayed off for {}", spell(*hold)));
        }
        Claim::HoldsFor { .. } => {
            if matches!(written.pattern, Pattern::LastsAtLeast { .. }) {
                reasons.push(format!("it ends within ±{guard} of that length"));
            }
            reasons.push("the run ends before the time is up".to_owned());
        }
        Claim::Times { .. } | Claim::AtMostIn { .. } => {
            reasons.push(format!("one that matters lies within ±{guard} of an end"));
        }
        Claim::Precedes { .. } => reasons.push(format!("the two come within ±{guard} of each other")),
        Claim::Always(_) | Claim::Never(_) | Claim::Sometime(_) => {}
    }
    if signals(bound).iter().any(|signal| plan.table.get(*signal).kind != SignalKind::Switch) {
        reasons.push("the value that decides lies inside the guard band below".to_owned());
    }
    let windows = written.conditions().into_iter().filter_map(longest_window);
    if let Some((window, of_switch)) = windows.max() {
        let else_unknown =
            if of_switch { "holds more switchings than its uncertainty covers" } else { "has an open probe at an end" };
        reasons.push(format!("the window of {} reaches back to before the run, or {else_unknown}", spell(window)));
    }
    reasons.push("an edge is lost, something that matters is not observed, or the run is cut short.".to_owned());
    reasons
}

/// The longest window that a condition looks back over, and whether it is one of a duty.
fn longest_window(condition: &dryfire_scenario::Condition) -> Option<(RigSpan, bool)> {
    use dryfire_scenario::{Condition as Written, Measured};
    match condition {
        Written::Compare { measured, .. } => {
            let of_switch = matches!(measured.value, Measured::Duty { .. });
            measured.value.window().map(|window| (window, of_switch))
        }
        Written::Is { .. } => None,
        Written::HeldFor { condition, .. } | Written::Not(condition) => longest_window(condition),
        Written::And(parts) | Written::Or(parts) => parts.iter().filter_map(longest_window).max(),
    }
}

/// How far from the truth the time from the opening to an edge may be.
fn guard(plan: &Plan, bound: &dryfire_judge::Expectation) -> RigSpan {
    let times = signals(bound).into_iter().map(|signal| plan.table.get(signal).time_uncertainty);
    let edge = times.max().unwrap_or(RigSpan::ZERO);
    let opening = match &bound.scope {
        Scope::Throughout | Scope::Before(_) => RigSpan::ZERO,
        Scope::Whenever(opens) | Scope::WheneverIn { condition: opens, .. } => {
            let mut of_opening = Vec::new();
            signals_of(opens, &mut of_opening);
            let times = of_opening.into_iter().map(|signal| plan.table.get(signal).time_uncertainty);
            times.max().unwrap_or(RigSpan::ZERO)
        }
        Scope::After(_) | Scope::Between(..) | Scope::AfterUntil(..) => crate::plan::edge_uncertainty(&plan.bench),
    };
    edge + opening
}

fn release_of(plan: &Plan, what: &Condition) -> RigSpan {
    let mut signals = Vec::new();
    signals_of(what, &mut signals);
    signals.into_iter().map(|signal| plan.table.get(signal).release).max().unwrap_or(RigSpan::ZERO)
}

fn signals_of(condition: &Condition, signals: &mut Vec<SignalId>) {
    match condition {
        Condition::Compare { signal, .. } | Condition::Is { signal, .. } => {
            if !signals.contains(signal) {
                signals.push(*signal);
            }
        }
        Condition::Not(inner) => signals_of(inner, signals),
        Condition::All(parts) | Condition::Any(parts) => parts.iter().for_each(|part| signals_of(part, signals)),
    }
}

fn conditions(bound: &dryfire_judge::Expectation) -> Vec<&Condition> {
    match &bound.claim {
        Claim::Always(what)
        | Claim::Never(what)
        | Claim::Sometime(what)
        | Claim::Within { condition: what, .. }
        | Claim::HoldsFor { condition: what, .. }
        | Claim::Times { condition: what, .. }
        | Claim::AtMostIn { condition: what, .. } => vec![what],
        Claim::Precedes { first, then } => vec![first, then],
        Claim::HeatCut { .. } => Vec::new(),
    }
}

/// The signals of the claim, each once.
pub(super) fn signals(bound: &dryfire_judge::Expectation) -> Vec<SignalId> {
    let mut signals = Vec::new();
    if let Claim::HeatCut { heat, .. } = bound.claim {
        signals.push(heat);
    }
    for condition in conditions(bound) {
        signals_of(condition, &mut signals);
    }
    signals
}

/// The numbers that each comparison and each switch comes with on this bench.
fn figures(plan: &Plan, bound: &dryfire_judge::Expectation) -> Vec<String> {
    let mut lines = Vec::new();
    for condition in conditions(bound) {
        compared(plan, condition, &mut lines);
    }
    for signal in signals(bound) {
        let spec = plan.table.get(signal);
        if spec.kind == SignalKind::Switch {
            let release = if spec.release == RigSpan::ZERO {
                String::new()
            } else {
                format!(", up to {} between what is sensed and the contact", spell(spec.release))
            };
            lines.push(format!("{}: edges known to ±{}{release}.", spec.name, spell(spec.time_uncertainty)));
        }
    }
    lines
}

fn compared(plan: &Plan, condition: &Condition, lines: &mut Vec<String>) {
    match condition {
        Condition::Compare { signal, comparison, limit } => {
            let spec = plan.table.get(*signal);
            let show = |value: i64| spec.kind.quantity(value).map(margin).unwrap_or_default();
            let width = spec.value_uncertainty + spec.model_error;
            let below = matches!(comparison, Comparison::Below | Comparison::AtMost);
            let (sure, impossible) =
                if below { (limit - width, limit + width) } else { (limit + width, limit - width) };
            let (nearer, further) = if below { ("below", "above") } else { ("above", "below") };
            let model = if spec.model_error > 0 {
                format!(" and the model's stated error of ±{}", show(spec.model_error))
            } else {
                String::new()
            };
            let k = match spec.kind {
                SignalKind::Temperature | SignalKind::Difference | SignalKind::Rate => {
                    plan.uncertainties.shown_temperature.coverage_hundredths
                }
                SignalKind::Switch | SignalKind::Duty | SignalKind::Count => {
                    plan.uncertainties.edge_time.coverage_hundredths
                }
            };
            lines.push(format!(
                "{}: limit {}; surely so {nearer} {}, surely not so {further} {}. Between them lies the guard band, \
                 made of the expanded uncertainty of ±{} (k = {}){model}.",
                spec.name,
                show(*limit),
                show(sure),
                show(impossible),
                show(spec.value_uncertainty),
                factor(k),
            ));
        }
        Condition::Is { .. } => {}
        Condition::Not(inner) => compared(plan, inner, lines),
        Condition::All(parts) | Condition::Any(parts) => parts.iter().for_each(|part| compared(plan, part, lines)),
    }
}

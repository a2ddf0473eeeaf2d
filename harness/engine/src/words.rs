//! Sentences about stimuli, expectations and what was seen, for people.

use std::fmt::Write as _;

use dryfire_judge::{
    Claim, Comparison, Condition, Finding, Instant, Margin, Part, Reason, Scope, SignalId, SignalKind,
};
use dryfire_scenario::{ContactRole, Segment};

use dryfire_units::RigSpan;

use crate::plan::{Plan, contact_name};

mod stimuli;

pub(crate) use stimuli::{contact, stimulus};

/// A temperature with at most one digit after the point.
pub(crate) fn celsius(millicelsius: i64) -> String {
    let tenths = (millicelsius.abs() + 50) / 100;
    let sign = if millicelsius < 0 && tenths > 0 { "-" } else { "" };
    if tenths % 10 == 0 {
        format!("{sign}{} °C", tenths / 10)
    } else {
        format!("{sign}{}.{} °C", tenths / 10, tenths % 10)
    }
}

/// A margin, a seen value or an uncertainty in its own unit.
pub(crate) fn margin(margin: Margin) -> String {
    match margin {
        Margin::Time(span) => span.to_string(),
        Margin::Temperature(millicelsius) => celsius(millicelsius),
        Margin::Rate(thousandths) => format!("{}/h", celsius(thousandths)),
        Margin::Duty(thousandths) => format!("{} %", decimal(thousandths)),
        Margin::Count(times) => format!("{times} times"),
    }
}

/// A limit in the unit of the signal that is compared with it.
fn limit(kind: SignalKind, limit: i64) -> String {
    match kind {
        // A count is compared with a bare number; a switch with none.
        SignalKind::Count | SignalKind::Switch => limit.to_string(),
        _ => kind.quantity(limit).map(margin).unwrap_or_default(),
    }
}

/// A firing as the segments of a program line: `150 C/h to 1000 C; hold 20 min`.
pub fn program(firing: &[Segment]) -> String {
    let mut text = String::new();
    for (index, segment) in firing.iter().enumerate() {
        if index > 0 {
            text.push_str("; ");
        }
        match segment {
            Segment::Ramp { rate_millicelsius_per_hour, to_millicelsius } => {
                let _ = write!(text, "{} C/h to {} C", decimal(*rate_millicelsius_per_hour), decimal(*to_millicelsius));
            }
            Segment::Hold { length } => {
                let seconds = length.as_micros() / 1_000_000;
                if seconds % 60 == 0 {
                    let _ = write!(text, "hold {} min", seconds / 60);
                } else {
                    let _ = write!(text, "hold {seconds} s");
                }
            }
        }
    }
    text
}

/// Thousandths as a decimal number without needless zeros.
pub(crate) fn decimal(thousandths: i64) -> String {
    let sign = if thousandths < 0 { "-" } else { "" };
    let (whole, rest) = (thousandths.abs() / 1000, thousandths.abs() % 1000);
    let text = format!("{sign}{whole}.{rest:03}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

fn switch_state(plan: &Plan, signal: SignalId, on: bool) -> String {
    let name = &plan.table.get(signal).name;
    // Of these the name is the whole sentence.
    if plan.console.iter().any(|console| console.id == signal) {
        return if on { name.clone() } else { format!("not {name}") };
    }
    if plan.isolated.iter().any(|isolated| isolated.id == signal) {
        return if on { name.clone() } else { name.replacen("isolated", "live", 1) };
    }
    let (when_on, when_off) = if name == "safety" {
        ("closed", "open")
    } else if name == contact_name(ContactRole::Lid) {
        ("open", "shut")
    } else if name == "limiter" {
        ("closed", "tripped")
    } else if [ContactRole::Stop, ContactRole::Start, ContactRole::Acknowledge, ContactRole::Reset]
        .iter()
        .any(|role| name == contact_name(*role))
    {
        ("pressed", "released")
    } else {
        ("on", "off")
    };
    format!("{name} {}", if on { when_on } else { when_off })
}

/// A condition in words.
pub(crate) fn condition(plan: &Plan, condition: &Condition) -> String {
    match condition {
        Condition::Compare { signal, comparison, limit } => {
            let sign = match comparison {
                Comparison::Below => "<",
                Comparison::AtMost => "≤",
                Comparison::Above => ">",
                Comparison::AtLeast => "≥",
            };
            let spec = plan.table.get(*signal);
            format!("{} {sign} {}", spec.name, self::limit(spec.kind, *limit))
        }
        Condition::Is { signal, on } => switch_state(plan, *signal, *on),
        Condition::Not(inner) => format!("not ({})", self::condition(plan, inner)),
        Condition::All(parts) => joined(plan, parts, " and "),
        Condition::Any(parts) => joined(plan, parts, " or "),
    }
}

fn joined(plan: &Plan, parts: &[Condition], word: &str) -> String {
    parts.iter().map(|part| condition(plan, part)).collect::<Vec<_>>().join(word)
}

pub(crate) fn instant(plan: &Plan, instant: &Instant) -> String {
    let name = &plan.moments[usize::from(instant.moment.0)];
    if instant.offset.as_micros() == 0 { name.clone() } else { format!("{name} + {}", instant.offset) }
}

fn scope(plan: &Plan, scope: &Scope) -> String {
    match scope {
        Scope::Throughout => "throughout the run".to_owned(),
        Scope::Before(last) => format!("before {}", instant(plan, last)),
        Scope::After(first) => format!("after {}", instant(plan, first)),
        Scope::Between(first, last) => format!("between {} and {}", instant(plan, first), instant(plan, last)),
        Scope::AfterUntil(first, last) => format!("after {} until {}", instant(plan, first), instant(plan, last)),
        Scope::Whenever(what) => format!("whenever {}", condition(plan, what)),
        Scope::WheneverIn { part, condition: what } => {
            let part = match *part {
                Part::Before(last) => Scope::Before(last),
                Part::After(first) => Scope::After(first),
                Part::Between(first, last) => Scope::Between(first, last),
                Part::AfterUntil(first, last) => Scope::AfterUntil(first, last),
            };
            format!("{} whenever {}", self::scope(plan, &part), condition(plan, what))
        }
    }
}

/// How often, in words.
pub(crate) fn times(at_least: u32, at_most: u32) -> String {
    match (at_least, at_most) {
        (least, u32::MAX) => format!("at least {least} times"),
        (0, most) => format!("at most {most} times"),
        (least, most) if least == most => format!("exactly {most} times"),
        (least, most) => format!("at least {least} and at most {most} times"),
    }
}

/// Whether the claim is how long its own trigger lasts.
fn lasts(scope: &Scope, what: &Condition) -> bool {
    matches!(scope, Scope::Whenever(trigger) | Scope::WheneverIn { condition: trigger, .. } if trigger == what)
}

/// What was expected, in one sentence without a full stop.
pub(crate) fn expected(plan: &Plan, expectation: &dryfire_judge::Expectation) -> String {
    let scope = scope(plan, &expectation.scope);
    match &expectation.claim {
        Claim::Always(what) => format!("{scope} always {}", condition(plan, what)),
        Claim::Never(what) => format!("{scope} never {}", condition(plan, what)),
        Claim::Sometime(what) => format!("{scope} at some time {}", condition(plan, what)),
        Claim::Within { limit, condition: what } => format!("{scope} within {limit}: {}", condition(plan, what)),
        Claim::HeatCut { limit, hold, .. } => format!("{scope} heat is cut within {limit} and stays off for {hold}"),
        Claim::HoldsFor { span, condition: what } if lasts(&expectation.scope, what) => {
            // What is judged is a microsecond less, because exactly so long is enough.
            format!("{scope}: it lasts at least {}", *span + RigSpan::from_micros(1))
        }
        Claim::HoldsFor { span, condition: what } => format!("{scope} {} for {span}", condition(plan, what)),
        Claim::Times { at_least, at_most, condition: what } => {
            format!("{scope} {} {}", times(*at_least, *at_most), condition(plan, what))
        }
        Claim::AtMostIn { at_most, window, condition: what } => {
            format!("{scope} at most {at_most} times in {window}: {}", condition(plan, what))
        }
        Claim::Precedes { first, then } => {
            format!("{scope} {} not before {}", condition(plan, then), condition(plan, first))
        }
    }
}

/// What was seen, in one sentence without a full stop.
pub(crate) fn seen(plan: &Plan, expectation: &dryfire_judge::Expectation, finding: &Finding) -> String {
    let value = finding.seen.map(margin);
    let when = finding.decided_at.map(|at| format!(" at {at}")).unwrap_or_default();
    let what = match finding.reason {
        Reason::Held => match (&expectation.claim, value) {
            (Claim::HeatCut { .. }, Some(value)) => format!("heat was cut after {value}"),
            (Claim::Within { .. }, Some(value)) => format!("seen after {value}"),
            (_, Some(value)) => format!("at the extreme {value}"),
            (_, None) => "as expected".to_owned(),
        },
        Reason::HeatNotCut => "heat was never cut".to_owned(),
        Reason::HeatCutLate => {
            value.map_or_else(|| "heat was cut late".to_owned(), |v| format!("heat was cut only after {v}"))
        }
        Reason::ReachedLate => value.map_or_else(|| "it came late".to_owned(), |v| format!("it came only after {v}")),
        Reason::NotReached => "it never came".to_owned(),
        Reason::Violated => format!("it was not so{when}"),
        Reason::LimitExceeded => value.map_or_else(|| format!("the limit was passed{when}"), |v| format!("{v}{when}")),
        Reason::TriggerNotObserved => "the moment from which it counts never came".to_owned(),
        Reason::StillOpen => "the run ended before this was decided".to_owned(),
        Reason::NotObserved => "something that matters here was not observed".to_owned(),
        Reason::InsideGuardBand => {
            let value = value.map(|v| format!("{v}, ")).unwrap_or_default();
            format!("{value}too close to the limit for the uncertainty")
        }
        Reason::Vacuous => "it would have come out the same whatever the controller did".to_owned(),
        Reason::TooShort => "it lasted too short a time".to_owned(),
        Reason::TooLong => "it lasted too long".to_owned(),
        Reason::TooFew => "it came too few times".to_owned(),
        Reason::TooMany => format!("it came too often{when}"),
        Reason::OutOfOrder => format!("it came first{when}"),
        other => other.word().to_owned(),
    };
    let unit_is_temperature = matches!(expectation.claim, Claim::Always(_) | Claim::Never(_))
        && plan.table.iter().any(|(_, signal)| signal.kind == SignalKind::Temperature);
    if finding.model_error.is_some() && unit_is_temperature { format!("{what} (modelled)") } else { what }
}

//! Conditions brought into the form in which they are evaluated, and what can
//! be wrong with an expectation.

use std::fmt;

use dryfire_units::RigSpan;

use crate::monitor::MOST_COUNTED;
use crate::{Claim, Comparison, Condition, Instant, MomentId, Part, Scope, SignalId, SignalKind, SignalTable};

/// Why an expectation cannot be judged.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CompileError {
    /// The expectation's name.
    pub expectation: String,
    /// What is wrong with it.
    pub problem: Problem,
}

/// What can be wrong with an expectation.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Problem {
    /// A signal's index is not in the table.
    UnknownSignal(SignalId),
    /// A moment's index is not among those of the run.
    UnknownMoment(MomentId),
    /// A switch is compared with a number.
    SwitchCompared(String),
    /// A level is asked whether it is on.
    LevelAsSwitch(String),
    /// The condition looks at no signal, so nothing could ever decide it.
    NoSignal,
    /// The condition has more than 65,535 comparisons.
    TooLarge,
    /// A length of time that has to be zero or more is negative.
    NegativeSpan {
        /// Which one.
        what: &'static str,
        /// How long it is said to be.
        span: RigSpan,
    },
    /// The limit is shorter than the release time that is added to every reaction.
    LimitBelowRelease {
        /// The limit.
        limit: RigSpan,
        /// The worst release time of the signals that are looked at.
        release: RigSpan,
    },
    /// A length of time that has to be more than zero is not.
    NoSpan(&'static str),
    /// At least so many times is more than at most so many times.
    CountsCrossed {
        /// At least.
        at_least: u32,
        /// At most.
        at_most: u32,
    },
    /// More are to be counted in a stretch than are kept.
    CountTooLarge(u32),
    /// Nothing is allowed in a stretch, which needs no stretch.
    NoCount,
    /// A signal's stated uncertainty is negative.
    NegativeUncertainty(String),
    /// A number is beyond anything that could be meant.
    AbsurdNumber {
        /// Which one.
        what: &'static str,
        /// What it is.
        value: i64,
    },
}

impl fmt::Display for CompileError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "expectation `{}`: {}", self.expectation, self.problem)
    }
}

impl std::error::Error for CompileError {}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Problem::UnknownSignal(id) => write!(f, "there is no signal number {}", id.0),
            Problem::UnknownMoment(id) => write!(f, "there is no moment number {}", id.0),
            Problem::SwitchCompared(name) => {
                write!(f, "`{name}` is on or off and cannot be compared with a number; ask whether it is on")
            }
            Problem::LevelAsSwitch(name) => {
                write!(f, "`{name}` is a level and neither on nor off; compare it with a limit")
            }
            Problem::NoSignal => write!(f, "the condition looks at no signal; name at least one"),
            Problem::TooLarge => write!(f, "the condition has more than 65,535 comparisons; split it"),
            Problem::NegativeSpan { what, span } => {
                write!(f, "the {what} is {span}; it has to be zero or more")
            }
            Problem::LimitBelowRelease { limit, release } => write!(
                f,
                "the limit of {limit} is shorter than the release time of {release} that is added to every \
                 reaction; nothing could ever meet it"
            ),
            Problem::NoSpan(what) => write!(f, "the {what} has to be longer than zero"),
            Problem::CountsCrossed { at_least, at_most } => {
                write!(f, "at least {at_least} and at most {at_most} times cannot both be; exchange them")
            }
            Problem::CountTooLarge(at_most) => write!(
                f,
                "at most {at_most} times in a stretch is more than the {MOST_COUNTED} that are kept; take a shorter \
                 stretch, or count over the whole scope"
            ),
            Problem::NoCount => {
                write!(
                    f,
                    "at most 0 times in a stretch is at most 0 times in the whole scope; count over that, or say never"
                )
            }
            Problem::NegativeUncertainty(name) => {
                write!(f, "the uncertainty stated for `{name}` is negative; give half its width, zero or more")
            }
            Problem::AbsurdNumber { what, value } => {
                write!(f, "the {what} of {value} is beyond anything that could be meant; the most is {MOST}")
            }
        }
    }
}

/// No limit, uncertainty or span is larger than this (in µs more than thirty
/// years), so that no sum of them can overflow.
const MOST: i64 = 1_000_000_000_000_000;

/// Checks an expectation against the signals and moments of the run.
pub(crate) fn check(table: &SignalTable, moments: usize, scope: &Scope, claim: &Claim) -> Result<(), Problem> {
    let moment = |instant: &Instant| {
        if usize::from(instant.moment.0) >= moments {
            return Err(Problem::UnknownMoment(instant.moment));
        }
        not_negative("offset", instant.offset)
    };
    match scope {
        Scope::Throughout => {}
        Scope::Before(instant) | Scope::After(instant) => moment(instant)?,
        Scope::Between(from, to) | Scope::AfterUntil(from, to) => {
            moment(from)?;
            moment(to)?;
        }
        Scope::Whenever(condition) => check_condition(table, condition)?,
        Scope::WheneverIn { part, condition } => {
            match part {
                Part::Before(instant) | Part::After(instant) => moment(instant)?,
                Part::Between(from, to) | Part::AfterUntil(from, to) => {
                    moment(from)?;
                    moment(to)?;
                }
            }
            check_condition(table, condition)?;
        }
    }
    match claim {
        Claim::Always(condition) | Claim::Never(condition) | Claim::Sometime(condition) => {
            check_condition(table, condition)
        }
        Claim::Within { limit, condition } => {
            check_condition(table, condition)?;
            not_negative("limit", *limit)?;
            reachable(*limit, release(table, condition))
        }
        Claim::HeatCut { heat, limit, hold } => {
            let condition = Condition::Is { signal: *heat, on: true };
            check_condition(table, &condition)?;
            not_negative("limit", *limit)?;
            not_zero("hold", *hold)?;
            reachable(*limit, release(table, &condition))
        }
        Claim::HoldsFor { span, condition } => {
            check_condition(table, condition)?;
            not_negative("span", *span)
        }
        Claim::Times { at_least, at_most, condition } => {
            check_condition(table, condition)?;
            if at_least > at_most {
                return Err(Problem::CountsCrossed { at_least: *at_least, at_most: *at_most });
            }
            Ok(())
        }
        Claim::AtMostIn { at_most, window, condition } => {
            check_condition(table, condition)?;
            not_zero("stretch in which is counted", *window)?;
            match *at_most {
                0 => Err(Problem::NoCount),
                1..=MOST_COUNTED => Ok(()),
                _ => Err(Problem::CountTooLarge(*at_most)),
            }
        }
        Claim::Precedes { first, then } => {
            check_condition(table, first)?;
            check_condition(table, then)
        }
    }
}

fn not_negative(what: &'static str, span: RigSpan) -> Result<(), Problem> {
    if span < RigSpan::ZERO {
        return Err(Problem::NegativeSpan { what, span });
    }
    bearable(what, span.as_micros())
}

fn bearable(what: &'static str, value: i64) -> Result<(), Problem> {
    if value.unsigned_abs() > MOST.unsigned_abs() { Err(Problem::AbsurdNumber { what, value }) } else { Ok(()) }
}

fn not_zero(what: &'static str, span: RigSpan) -> Result<(), Problem> {
    not_negative(what, span)?;
    if span == RigSpan::ZERO { Err(Problem::NoSpan(what)) } else { Ok(()) }
}

fn reachable(limit: RigSpan, release: RigSpan) -> Result<(), Problem> {
    if limit < release { Err(Problem::LimitBelowRelease { limit, release }) } else { Ok(()) }
}

fn check_condition(table: &SignalTable, condition: &Condition) -> Result<(), Problem> {
    let mut signals = Vec::new();
    signals_of(condition, &mut signals);
    if signals.is_empty() {
        return Err(Problem::NoSignal);
    }
    if signals.len() > usize::from(u16::MAX) {
        return Err(Problem::TooLarge);
    }
    for id in &signals {
        if usize::from(id.0) >= table.len() {
            return Err(Problem::UnknownSignal(*id));
        }
        let spec = table.get(*id);
        let negative = spec.value_uncertainty < 0
            || spec.model_error < 0
            || spec.time_uncertainty < RigSpan::ZERO
            || spec.release < RigSpan::ZERO;
        if negative {
            return Err(Problem::NegativeUncertainty(spec.name.clone()));
        }
        bearable("uncertainty", spec.value_uncertainty)?;
        bearable("model error", spec.model_error)?;
        bearable("uncertainty of its edges", spec.time_uncertainty.as_micros())?;
        bearable("release time", spec.release.as_micros())?;
    }
    check_kinds(table, condition)
}

fn check_kinds(table: &SignalTable, condition: &Condition) -> Result<(), Problem> {
    match condition {
        Condition::Compare { signal, limit, .. } => match table.get(*signal).kind {
            SignalKind::Temperature
            | SignalKind::Difference
            | SignalKind::Rate
            | SignalKind::Duty
            | SignalKind::Count => bearable("limit", *limit),
            SignalKind::Switch => Err(Problem::SwitchCompared(table.get(*signal).name.clone())),
        },
        Condition::Is { signal, .. } => match table.get(*signal).kind {
            SignalKind::Switch => Ok(()),
            SignalKind::Temperature
            | SignalKind::Difference
            | SignalKind::Rate
            | SignalKind::Duty
            | SignalKind::Count => Err(Problem::LevelAsSwitch(table.get(*signal).name.clone())),
        },
        Condition::Not(inner) => check_kinds(table, inner),
        Condition::All(parts) | Condition::Any(parts) => parts.iter().try_for_each(|part| check_kinds(table, part)),
    }
}

/// The signals a condition looks at, in written order, with repetitions.
pub(crate) fn signals_of(condition: &Condition, signals: &mut Vec<SignalId>) {
    match condition {
        Condition::Compare { signal, .. } | Condition::Is { signal, .. } => signals.push(*signal),
        Condition::Not(inner) => signals_of(inner, signals),
        Condition::All(parts) | Condition::Any(parts) => {
            for part in parts {
                signals_of(part, signals);
            }
        }
    }
}

/// The worst of a property of the signals of a condition.
fn worst(table: &SignalTable, condition: &Condition, property: impl Fn(SignalId) -> RigSpan) -> RigSpan {
    let mut signals = Vec::new();
    signals_of(condition, &mut signals);
    debug_assert!(signals.iter().all(|id| usize::from(id.0) < table.len()));
    signals.into_iter().map(property).max().unwrap_or(RigSpan::ZERO)
}

/// The worst release time among the signals of a condition.
pub(crate) fn release(table: &SignalTable, condition: &Condition) -> RigSpan {
    worst(table, condition, |id| table.get(id).release)
}

/// The largest uncertainty of the edges of the signals of a condition.
pub(crate) fn edge_uncertainty(table: &SignalTable, condition: &Condition) -> RigSpan {
    worst(table, condition, |id| table.get(id).time_uncertainty)
}

/// A comparison of one signal, as it stands after negations were pushed inwards.
#[derive(Clone, Debug)]
pub(crate) struct Atom {
    pub(crate) signal: SignalId,
    pub(crate) test: Test,
    /// Measurement uncertainty and model error, in the signal's unit.
    pub(crate) value_uncertainty: i64,
    pub(crate) model_error: i64,
}

#[derive(Clone, Copy, Debug)]
pub(crate) enum Test {
    /// The value is to stay under a limit.
    Under { limit: i64, closed: bool },
    /// The value is to stay over a limit.
    Over { limit: i64, closed: bool },
    /// The switch is to be in this state.
    Is(bool),
}

/// A condition without negations over numbered atoms.
#[derive(Clone, Debug)]
pub(crate) enum Node {
    Atom(u16),
    All(Vec<Node>),
    Any(Vec<Node>),
}

/// A compiled condition.
#[derive(Clone, Debug)]
pub(crate) struct Formula {
    pub(crate) atoms: Vec<Atom>,
    pub(crate) root: Node,
}

impl Formula {
    /// The formula of a condition, or of its opposite; `exact` leaves the
    /// uncertainties out, as triggers do.
    pub(crate) fn new(table: &SignalTable, condition: &Condition, negated: bool, exact: bool) -> Self {
        let mut atoms = Vec::new();
        let root = build(table, condition, negated, exact, &mut atoms);
        Formula { atoms, root }
    }
}

fn build(table: &SignalTable, condition: &Condition, negated: bool, exact: bool, atoms: &mut Vec<Atom>) -> Node {
    match condition {
        Condition::Compare { signal, comparison, limit } => {
            let limit = *limit;
            let test = match (comparison, negated) {
                (Comparison::Below, false) | (Comparison::AtLeast, true) => Test::Under { limit, closed: false },
                (Comparison::AtMost, false) | (Comparison::Above, true) => Test::Under { limit, closed: true },
                (Comparison::Above, false) | (Comparison::AtMost, true) => Test::Over { limit, closed: false },
                (Comparison::AtLeast, false) | (Comparison::Below, true) => Test::Over { limit, closed: true },
            };
            atom(table, *signal, test, exact, atoms)
        }
        Condition::Is { signal, on } => atom(table, *signal, Test::Is(*on != negated), exact, atoms),
        Condition::Not(inner) => build(table, inner, !negated, exact, atoms),
        Condition::All(parts) | Condition::Any(parts) => {
            let nodes = parts.iter().map(|part| build(table, part, negated, exact, atoms)).collect();
            if matches!(condition, Condition::All(_)) == negated { Node::Any(nodes) } else { Node::All(nodes) }
        }
    }
}

fn atom(table: &SignalTable, signal: SignalId, test: Test, exact: bool, atoms: &mut Vec<Atom>) -> Node {
    let spec = table.get(signal);
    let number = u16::try_from(atoms.len()).expect("checked: at most 65,535 comparisons");
    let (value_uncertainty, model_error) = if exact { (0, 0) } else { (spec.value_uncertainty, spec.model_error) };
    atoms.push(Atom { signal, test, value_uncertainty, model_error });
    Node::Atom(number)
}

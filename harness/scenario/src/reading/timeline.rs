//! What the order of steps makes impossible.
//!
//! For every two steps the least and the greatest time between them follow
//! from what the steps wait for. What lies outside both can never happen, and
//! a run that waits for it would always be inconclusive.

use crate::diagnostic::DiagnosticKind;
use crate::quantity::{span_text, thousandths};
use crate::reading::pattern::longest_window;
use crate::reading::{Fields, Reading, script};
use crate::source::quoted;
use crate::{
    Comparison, Condition, Limit, Moment, Pattern, Scenario, Scope, Segment, Spanned, StepKind, Stimulus, TimeLimit,
};

use dryfire_units::RigSpan;

/// Stands for "no upper bound": more than any sum of lengths of time in a file.
const UNBOUNDED: i64 = i64::MAX / 8;

/// Heat counts as cut when it stays off for this long at least.
const CUT_HOLD: i64 = 60_000_000;

/// A kiln overshoots its set-point by less than this; a trigger further up is never reached.
const OVERSHOOT_MILLICELSIUS: i64 = 50_000;

/// Least and greatest time from one instant to another, in microseconds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Between {
    least: i64,
    most: i64,
}

impl Between {
    const NOTHING: Between = Between { least: 0, most: 0 };

    fn plus(self, other: Between) -> Between {
        Between { least: (self.least + other.least).min(UNBOUNDED), most: (self.most + other.most).min(UNBOUNDED) }
    }

    fn backwards(self) -> Between {
        Between { least: -self.most, most: -self.least }
    }
}

/// Times between every two of: the beginning of the run (0) and the steps (from 1).
struct Timeline {
    between: Vec<Vec<Between>>,
}

impl Timeline {
    /// The times, and the steps (by index) that stand at an instant already past.
    fn of(scenario: &Scenario) -> (Timeline, Vec<usize>) {
        let count = scenario.script.len() + 1;
        let mut between = vec![vec![Between::NOTHING; count]; count];
        let mut past = Vec::new();
        for (index, step) in scenario.script.iter().enumerate() {
            let here = index + 1;
            let prompted = index.checked_sub(1).and_then(|before| scenario.script.get(before)).is_some_and(|before| {
                before.stimuli.iter().any(|stimulus| matches!(stimulus.value, Stimulus::Prompt(_)))
            });
            let mut wait = match &step.kind {
                // An operator may take any time.
                StepKind::BeginFiring => Between { least: 0, most: UNBOUNDED },
                StepKind::When { patience, .. } => Between { least: 0, most: patience.as_micros() },
                StepKind::Wait(length) => Between { least: length.as_micros(), most: length.as_micros() },
                StepKind::At { moment, offset } => {
                    let (declared, offset) = split(offset);
                    let named = position(scenario, moment).map_or(0, |found| found + 1).min(index);
                    let gone = between[named][index];
                    if gone.least > offset && !declared {
                        past.push(index);
                    }
                    let most = if declared { UNBOUNDED } else { (offset - gone.least).max(0) };
                    Between { least: (offset - gone.most).max(0), most }
                }
            };
            if prompted {
                wait.most = UNBOUNDED;
            }
            for (earlier, row) in between.iter_mut().enumerate().take(here) {
                row[here] = row[index].plus(wait);
                if let StepKind::At { moment, offset: TimeLimit::Span(offset) } = &step.kind {
                    let exact = position(scenario, moment).map(|found| found + 1) == Some(earlier);
                    if exact && row[index].most <= offset.as_micros() && !prompted {
                        row[here] = Between { least: offset.as_micros(), most: offset.as_micros() };
                    }
                }
            }
        }
        (Timeline { between }, past)
    }

    fn span_between(&self, from: usize, to: usize) -> Between {
        if from <= to { self.between[from][to] } else { self.between[to][from].backwards() }
    }
}

fn position(scenario: &Scenario, moment: &Spanned<Moment>) -> Option<usize> {
    scenario.script.iter().position(|step| script::names(step) == Some(moment.value.0.as_str()))
}

pub(crate) fn check(reading: &mut Reading<'_>, fields: &Fields<'_>, scenario: &Scenario) {
    let (timeline, past) = Timeline::of(scenario);
    for index in past {
        if let StepKind::At { moment, .. } = &scenario.script[index].kind {
            reading.mistake(
                DiagnosticKind::Unreachable,
                moment.span,
                "this instant is past before the step above is done",
                "steps run one after the other; put them in the order of time".to_owned(),
            );
        }
    }
    triggers(reading, scenario);
    let end_node = fields.get("end");
    let end_span = end_node.map_or(fields.node.span, |node| node.span);
    let end_at = scenario.end.moment.as_ref().map_or(Some(0), |moment| position(scenario, moment).map(|at| at + 1));
    let Some(end_at) = end_at else { return };
    let (end_declared, end_offset) = split(&scenario.end.offset);

    if !end_declared {
        steps_before_end(reading, scenario, &timeline, end_at, end_offset, end_span);
    }
    for expectation in &scenario.expect {
        let (moment, offset, until) = match &expectation.scope {
            Scope::After { moment, offset, until } => (moment, offset, until),
            Scope::Between { from: (moment, offset), to } => (moment, offset, &Some(to.clone())),
            Scope::Throughout | Scope::Before { .. } => continue,
        };
        let Some(opens) = position(scenario, moment).map(|at| at + 1) else { continue };
        if let Some((until, until_offset)) = until {
            let Some(closes) = position(scenario, until).map(|at| at + 1) else { continue };
            let length = timeline.span_between(opens, closes).most + until_offset.as_micros() - offset.as_micros();
            if length <= 0 {
                reading.mistake(
                    DiagnosticKind::Unreachable,
                    until.span,
                    "this instant never comes after the beginning of the expectation",
                    "the second instant has to be later than the first".to_owned(),
                );
                continue;
            }
        }
        let windows = expectation.conditions().into_iter().filter_map(longest_window);
        if let Some(window) = windows.max()
            && timeline.span_between(0, opens).most + offset.as_micros() < window.as_micros()
        {
            reading.mistake(
                DiagnosticKind::Unreachable,
                moment.span,
                format!("the run is then not yet {} old, and the window reaches back further", span_text(window)),
                format!("begin later: `after: {} + {}`", moment.value.0, span_text(window)),
            );
            continue;
        }
        // From the opening of the scope to the end of the run.
        let room = timeline.span_between(opens, end_at);
        let room = Between {
            least: room.least + end_offset - offset.as_micros(),
            most: room.most + end_offset - offset.as_micros(),
        };
        if !end_declared && room.most <= 0 {
            reading.mistake(
                DiagnosticKind::Unreachable,
                moment.span,
                format!("the run is over before the expectation {} begins", quoted(&expectation.name.value)),
                "let the run end later, or the expectation begin earlier".to_owned(),
            );
            continue;
        }
        let (limit, hold) = match &expectation.pattern {
            Pattern::Within { limit, .. } | Pattern::HoldsFor { length: limit, .. } => (limit, 0),
            Pattern::HeatCut { limit } => (limit, CUT_HOLD),
            Pattern::Always(_)
            | Pattern::Never(_)
            | Pattern::Sometime(_)
            | Pattern::Count { .. }
            | Pattern::LastsAtLeast { .. }
            | Pattern::LastsAtMost { .. }
            | Pattern::AtLeastEvery { .. }
            | Pattern::Order { .. } => continue,
        };
        // When a condition opens the scope, nobody knows beforehand.
        if expectation.whenever.is_some() {
            continue;
        }
        let both_on_the_longest_firing = matches!(limit, TimeLimit::LongestFiring { .. })
            && matches!(scenario.end.offset, TimeLimit::LongestFiring { .. });
        let (limit_declared, limit) = split(limit);
        if (limit_declared || end_declared) && !both_on_the_longest_firing {
            continue;
        }
        if room.most < limit {
            reading.mistake(
                DiagnosticKind::Unreachable,
                end_span,
                format!("the run is over before the time of the expectation {} is up", quoted(&expectation.name.value)),
                format!("let it end at least {} later", span_text(RigSpan::from_micros(limit + hold - room.most))),
            );
        } else if room.least.max(room.most.min(UNBOUNDED / 2)) < limit + hold {
            reading.mistake(
                DiagnosticKind::EndsEarly,
                end_span,
                format!(
                    "the run may end before it is sure that heat stays off, as {} asks for",
                    quoted(&expectation.name.value)
                ),
                "heat counts as cut only after it has stayed off for three cycle times and 60 s; end the run later"
                    .to_owned(),
            );
        }
    }
}

/// Whether a limit counts on top of what the bench declares, and the fixed part.
fn split(limit: &TimeLimit) -> (bool, i64) {
    match limit {
        TimeLimit::Span(span) => (false, span.as_micros()),
        TimeLimit::LongestFiring { plus } | TimeLimit::CycleTime { plus, .. } | TimeLimit::Reaction { plus, .. } => {
            (true, plus.as_micros())
        }
        // How much that is depends on the kiln.
        TimeLimit::HalfSafetyTime { .. } => (true, 0),
    }
}

fn steps_before_end(
    reading: &mut Reading<'_>,
    scenario: &Scenario,
    timeline: &Timeline,
    end_at: usize,
    end_offset: i64,
    end_span: crate::Span,
) {
    for (index, step) in scenario.script.iter().enumerate() {
        // From the step to the end of the run.
        let room = timeline.span_between(index + 1, end_at);
        if room.most + end_offset < 0 {
            let line = reading.source.line(step.span.start);
            reading.mistake(
                DiagnosticKind::Unreachable,
                end_span,
                format!("the run is over before the step on line {line} can come"),
                "let it end after the last step: `end: 10 min after` and the name of its moment".to_owned(),
            );
            return;
        }
    }
    let last = scenario.script.len();
    let room = timeline.span_between(last, end_at);
    let bounded = room.least > -UNBOUNDED / 2;
    if bounded && room.least + end_offset < 0 {
        let line = reading.source.line(scenario.script[last - 1].span.start);
        reading.mistake(
            DiagnosticKind::EndsEarly,
            end_span,
            format!("the run may be over before the step on line {line} has come"),
            "let it end after the last step: `end: 10 min after` and the name of its moment".to_owned(),
        );
    }
}

/// Triggers that the firing never reaches.
fn triggers(reading: &mut Reading<'_>, scenario: &Scenario) {
    let mut hottest = scenario.start.kiln_millicelsius;
    for step in &scenario.script {
        if let StepKind::When { condition, .. } = &step.kind
            && let Some(limit) = beyond(condition, hottest + OVERSHOOT_MILLICELSIUS)
        {
            reading.mistake(
                DiagnosticKind::Unreachable,
                limit.span,
                format!("nothing so far brings the kiln above {} °C", thousandths(hottest)),
                "lower the trigger, let the firing go higher, or begin the firing before".to_owned(),
            );
        }
        if step.kind == StepKind::BeginFiring {
            for segment in &scenario.firing {
                if let Segment::Ramp { to_millicelsius, .. } = segment {
                    hottest = hottest.max(*to_millicelsius);
                }
            }
        }
        if !step.stimuli.is_empty() {
            // With something broken, the kiln may go anywhere.
            return;
        }
    }
}

/// A limit that a condition needs a temperature above, if it lies beyond what can be.
fn beyond(condition: &Condition, most: i64) -> Option<&Spanned<Limit>> {
    match condition {
        Condition::Compare { comparison: Comparison::Above | Comparison::AtLeast, limit, .. } => {
            matches!(limit.value, Limit::Temperature(value) if value > most).then_some(limit)
        }
        Condition::HeldFor { condition, .. } => beyond(condition, most),
        Condition::And(parts) => parts.iter().find_map(|part| beyond(part, most)),
        Condition::Or(parts) => {
            let first = parts.first().and_then(|part| beyond(part, most));
            first.filter(|_| parts.iter().all(|part| beyond(part, most).is_some()))
        }
        Condition::Compare { .. } | Condition::Is { .. } | Condition::Not(_) => None,
    }
}

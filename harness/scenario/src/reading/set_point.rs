//! How a controller says on its console what it aims at.

use crate::console::ConsolePattern;
use crate::diagnostic::DiagnosticKind;
use crate::quantity::{span_text, thousandths};
use crate::reading::Reading;
use crate::reading::bench::in_time_range;
use crate::tree::Node;
use crate::words::Words;
use crate::{SetPointQuestion, SetPointUnit, StatedSetPoint};

use dryfire_units::RigSpan;

const EXAMPLE: &str = "'set-point ([0-9.]+)'";

/// Longer than this nobody should go by what was said.
const STALEST: RigSpan = RigSpan::from_minutes(10);

pub(super) fn set_point(reading: &mut Reading<'_>, node: &Node) -> Option<StatedSetPoint> {
    let what = "`set-point`";
    let fields = reading.fields(node, what, &["pattern", "unit", "step", "fresh for", "ask"])?;
    let pattern = reading.require(&fields, "pattern", what, EXAMPLE).and_then(|node| pattern(reading, node));
    let unit = reading.require(&fields, "unit", what, "°C").and_then(|node| {
        reading.one_of(
            node,
            "the unit of a set-point",
            &[("°C", SetPointUnit::Celsius), ("°F", SetPointUnit::Fahrenheit)],
        )
    });
    let step = reading.require(&fields, "step", what, "1 °C").and_then(|node| step(reading, node));
    let least = RigSpan::from_seconds(1);
    let fresh = reading
        .require(&fields, "fresh for", what, "10 s")
        .and_then(|node| in_time_range(reading, node, "how long a set-point holds good", least, STALEST));
    let ask = match fields.get("ask") {
        None => Some(None),
        Some(node) => ask(reading, node).map(Some),
    };
    let (fresh_for, ask) = (fresh?, ask?);
    if let Some(question) = &ask
        && question.every >= fresh_for
    {
        reading.mistake(
            DiagnosticKind::Contradiction,
            fields.entry("ask").map_or(node.span, |entry| entry.value.span),
            format!(
                "asked every {} and good for {}, the set-point would be unknown between two answers",
                span_text(question.every),
                span_text(fresh_for)
            ),
            "ask more often, or let an answer hold good for two questions".to_owned(),
        );
        return None;
    }
    Some(StatedSetPoint { pattern: pattern?, unit: unit?, step_millicelsius: step?, fresh_for, ask })
}

fn pattern(reading: &mut Reading<'_>, node: &Node) -> Option<ConsolePattern> {
    let text = reading.name(node, "the pattern")?;
    let groups = match ConsolePattern::new(&text) {
        Ok(pattern) if pattern.groups() == 1 => return Some(pattern),
        Ok(pattern) => pattern.groups(),
        Err(why) => {
            reading.mistake(DiagnosticKind::BadSentence, node.span, why, format!("for example {EXAMPLE}"));
            return None;
        }
    };
    reading.mistake(
        DiagnosticKind::BadSentence,
        node.span,
        format!("the pattern has {groups} groups; the number is its one group"),
        format!("put brackets around the number, for example {EXAMPLE}; other brackets are written `(?:…)`"),
    );
    None
}

fn step(reading: &mut Reading<'_>, node: &Node) -> Option<i64> {
    let step = reading.parse(node, "the step of a set-point", |text| {
        let mut words = Words::of(text);
        let step = words.difference()?;
        words.end("one difference of temperatures stands here")?;
        Ok(step)
    })?;
    if !(1..=50_000).contains(&step) {
        reading.mistake(
            DiagnosticKind::OutOfRange,
            node.span,
            format!("a set-point is not written in steps of {} °C", thousandths(step)),
            "it lies between 0.001 °C and 50 °C; commonly 1 °C".to_owned(),
        );
        return None;
    }
    Some(step)
}

fn ask(reading: &mut Reading<'_>, node: &Node) -> Option<SetPointQuestion> {
    let what = "`ask`";
    let fields = reading.fields(node, what, &["line", "every"])?;
    let line = reading.require(&fields, "line", what, "status").and_then(|node| reading.name(node, "the console line"));
    let second = RigSpan::from_seconds(1);
    let every = reading.require(&fields, "every", what, "5 s").and_then(|node| {
        let every = in_time_range(reading, node, "the time between two questions", second, STALEST)?;
        if every.as_micros() % second.as_micros() != 0 {
            reading.mistake(
                DiagnosticKind::OutOfRange,
                node.span,
                format!("{} is no whole number of seconds", span_text(every)),
                "questions are asked on whole seconds of the run".to_owned(),
            );
            return None;
        }
        Some(every)
    });
    Some(SetPointQuestion { line: line?, every: every? })
}

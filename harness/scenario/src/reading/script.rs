//! The script of a scenario: its steps.

use crate::condition;
use crate::diagnostic::DiagnosticKind;
use crate::reading::instant::{time_limit, unknown_moment};
use crate::reading::scenario::{MAX_ITEMS, duration};
use crate::reading::{Reading, stimulus};
use crate::source::quoted;
use crate::tree::{Content, Node};
use crate::words::{Mistake, Words};
use crate::{ConditionPlace, Moment, Spanned, Step, StepKind, Stimulus, TimeLimit};

use dryfire_units::RigSpan;

/// The moment at which the firing is begun.
pub(crate) const BEGIN: &str = "begin";

/// The keys of a step.
pub(crate) const KEYS: &[&str] = &["when", "wait", "at", "within", "call it", "do"];

const BEGIN_FIRING: &str = "begin firing";

/// The name of the moment that a step makes, if it makes one.
pub(crate) fn names(step: &Step) -> Option<&str> {
    match (&step.call_it, &step.kind) {
        (Some(name), _) => Some(&name.value.0),
        (None, StepKind::BeginFiring) => Some(BEGIN),
        (None, _) => None,
    }
}

/// Reads the steps; those with mistakes are left out, their names kept in mind.
pub(crate) fn read(reading: &mut Reading<'_>, node: &Node) -> Option<Vec<Step>> {
    let items = reading.items(node, "the script")?;
    if items.len() > MAX_ITEMS {
        reading.mistake_in(
            DiagnosticKind::OutOfRange,
            node,
            format!("the script has {} steps; at most {MAX_ITEMS} are read", items.len()),
            None,
        );
        return None;
    }
    let mut steps: Vec<Step> = Vec::new();
    let all_names: Vec<Option<Spanned<Moment>>> = items.iter().map(|item| name_of(reading, item)).collect();
    let nameless = |(item, name): (&Node, &Option<Spanned<Moment>>)| {
        let named =
            matches!(&item.content, Content::Mapping(entries) if entries.iter().any(|entry| entry.key == "call it"));
        named && name.is_none()
    };
    reading.names_uncertain |= items.iter().zip(&all_names).any(nameless);
    let mut seen: Vec<Spanned<String>> = Vec::new();
    for (index, item) in items.iter().enumerate() {
        let call_it = all_names[index].clone();
        if let Some(name) = &call_it {
            seen.push(Spanned { value: name.value.0.clone(), span: name.span });
        }
        let step = step(reading, item);
        if let Some((StepKind::At { moment, .. }, _)) = &step {
            let earlier: Vec<&str> = all_names[..index].iter().flatten().map(|name| name.value.0.as_str()).collect();
            let later = all_names[index..].iter().flatten().find(|name| name.value == moment.value);
            if !earlier.contains(&moment.value.0.as_str()) {
                match later {
                    Some(later) => {
                        let line = reading.source.line(later.span.start);
                        reading.mistake(
                            DiagnosticKind::MomentUsedEarly,
                            moment.span,
                            format!(
                                "the moment {} is named only on line {line}; here nobody knows when it will be",
                                quoted(&moment.value.0)
                            ),
                            "steps run in order: move this step below the one that names the moment".to_owned(),
                        );
                    }
                    None => unknown_moment(reading, moment.span, &moment.value.0, &earlier),
                }
            }
        }
        if let Some((kind, Some(stimuli))) = step {
            let call_it = call_it.filter(|_| kind != StepKind::BeginFiring);
            steps.push(Step { kind, call_it, stimuli, span: item.span });
        }
    }
    reading.unique("the moment", &seen);
    // Names of steps with mistakes still count, or each use would be a mistake of its own.
    if steps.len() < items.len() {
        for name in all_names.into_iter().flatten() {
            if !steps.iter().any(|step| names(step) == Some(name.value.0.as_str())) {
                let span = name.span;
                let kind = StepKind::Wait(RigSpan::ZERO);
                steps.push(Step { kind, call_it: Some(name), stimuli: Vec::new(), span });
            }
        }
    }
    Some(steps)
}

/// The name that a step gives to its moment.
fn name_of(reading: &mut Reading<'_>, node: &Node) -> Option<Spanned<Moment>> {
    match &node.content {
        Content::Scalar(scalar) if scalar.text == BEGIN_FIRING => {
            Some(Spanned { value: Moment(BEGIN.to_owned()), span: node.span })
        }
        Content::Mapping(entries) => {
            let entry = entries.iter().find(|entry| entry.key == "call it")?;
            let name = reading.name(&entry.value, "the name of a moment")?;
            let mut letters = name.chars();
            let well_formed = letters.next().is_some_and(char::is_alphabetic)
                && letters.all(|letter| letter.is_alphanumeric() || letter == '-')
                && name.chars().count() <= 40;
            if !well_formed || name == BEGIN {
                let hint = if name == BEGIN {
                    "`begin` is the beginning of the firing; choose another name".to_owned()
                } else {
                    let plain: String =
                        name.chars().map(|c| if c.is_alphanumeric() { c } else { '-' }).take(40).collect();
                    format!("a moment is one word of letters, digits and hyphens: `{}`", plain.trim_matches('-'))
                };
                reading.mistake(
                    DiagnosticKind::BadName,
                    entry.value.span,
                    format!("{} cannot be the name of a moment", quoted(&name)),
                    hint,
                );
                return None;
            }
            Some(Spanned { value: Moment(name), span: entry.value.span })
        }
        _ => None,
    }
}

/// What a step waits for, and what it does, if both could be read.
fn step(reading: &mut Reading<'_>, node: &Node) -> Option<(StepKind, Option<Vec<Spanned<Stimulus>>>)> {
    if let Content::Scalar(scalar) = &node.content {
        if scalar.text == BEGIN_FIRING {
            return Some((StepKind::BeginFiring, Some(Vec::new())));
        }
        reading.mistake(
            DiagnosticKind::UnknownWord,
            node.span,
            format!("{} is no step of a script", quoted(&scalar.text)),
            "a step is `begin firing`, or `when:`, `wait:` or `at:` with `call it:` and `do:`".to_owned(),
        );
        return None;
    }
    let what = "a step of the script";
    let fields = reading.fields(node, what, KEYS)?;
    reading.names_uncertain |= fields.has_strangers() && fields.get("call it").is_none();
    let waits = fields.among(&["when", "wait", "at"]);
    if let [_, second, ..] = waits.as_slice() {
        reading.mistake(
            DiagnosticKind::ConflictingKeys,
            second.key_span,
            "a step waits for one thing: `when`, `wait` or `at`",
            "make two steps of it; they run one after the other".to_owned(),
        );
        return None;
    }
    let stimuli = match fields.get("do") {
        Some(node) => stimulus::read(reading, node),
        None => Some(Vec::new()),
    };
    let within = fields.entry("within");
    let Some(wait) = waits.first() else {
        reading.mistake_in(
            DiagnosticKind::MissingKey,
            node,
            "a step of the script does not say when it happens",
            "give it `when: kiln > 400 °C`, `wait: 10 s` or `at: burn-out + 10 s`; at once is `wait: 0 s`".to_owned(),
        );
        return None;
    };
    let kind = match wait.key.as_str() {
        "when" => {
            let condition =
                reading.parse(&wait.value, "`when`", |text| condition::condition(text, ConditionPlace::When));
            let patience = match within {
                Some(entry) => duration(reading, &entry.value, "the time to wait", false),
                None => {
                    reading.mistake(
                        DiagnosticKind::MissingKey,
                        wait.key_span,
                        "a step with `when` lacks the key `within`",
                        "say how long to wait at most, for example `within: 3 h`; a run in which it never \
                         happens is inconclusive"
                            .to_owned(),
                    );
                    None
                }
            };
            StepKind::When { condition: condition?, patience: patience? }
        }
        "wait" => StepKind::Wait(duration(reading, &wait.value, "the time to wait", true)?),
        _ => {
            let text = reading.sentence(&wait.value, "`at`")?;
            match instant(&mut Words::of(&text)) {
                Ok((moment, offset)) => StepKind::At { moment, offset },
                Err(mistake) => {
                    reading.mistake_in_text(&text, mistake);
                    return None;
                }
            }
        }
    };
    if let (Some(entry), "wait" | "at") = (within, wait.key.as_str()) {
        reading.mistake(
            DiagnosticKind::ConflictingKeys,
            entry.key_span,
            format!("`within` belongs to `when`, not to `{}`", wait.key),
            "leave it out".to_owned(),
        );
        return None;
    }
    Some((kind, stimuli))
}

/// `burn-out`, `burn-out + 10 s`, `begin + declared longest firing + 60 s`.
fn instant(words: &mut Words<'_>) -> Result<(Spanned<Moment>, TimeLimit), Mistake> {
    let moment = words.moment()?;
    let offset = if words.take("+") { time_limit(words)? } else { TimeLimit::Span(RigSpan::ZERO) };
    words.end("an instant is a moment, perhaps with a length of time on top: `burn-out + 10 s`")?;
    Ok((moment, offset))
}

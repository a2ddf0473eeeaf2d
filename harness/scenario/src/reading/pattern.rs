//! What an expectation claims.

use crate::condition::{self, measured};
use crate::diagnostic::DiagnosticKind;
use crate::quantity::span_text;
use crate::reading::instant::time_limit;
use crate::reading::scenario::duration;
use crate::reading::{Fields, Reading, script};
use crate::source::quoted;
use crate::tree::{Entry, Node};
use crate::words::{Mistake, Words};
use crate::{
    Condition, ConditionPlace, Moment, Pattern, Scope, Spanned, Step, StepKind, SwitchSignal, TimeLimit, Times,
};

use dryfire_units::RigSpan;

/// The keys that begin a claim, each with those that may stand beside it.
const CLAIMS: &[(&str, &[&str])] = &[
    ("always", &[]),
    ("never", &[]),
    ("sometime", &[]),
    ("within", &["heat", "see"]),
    ("for", &["see"]),
    ("at least", &["see"]),
    ("at most", &["see"]),
    ("at least every", &["see"]),
    ("each", &["lasts at least", "lasts at most"]),
    ("first", &["then"]),
];

/// The keys that stand beside another one.
const COMPANIONS: &[&str] = &["heat", "see", "lasts at least", "lasts at most", "then"];

/// Heat has to be on for so long before a fault for the fault to mean anything
/// (common practice, no source).
const PROVED_ON: RigSpan = RigSpan::from_millis(500);

/// Counts beyond this are not followed.
const MOST_COUNTED: u32 = 10_000;

/// A condition of an expectation.
pub(crate) fn condition(reading: &mut Reading<'_>, node: &Node, what: &str) -> Option<Condition> {
    reading.parse(node, what, |text| condition::condition(text, ConditionPlace::Expectation))
}

pub(crate) fn read(
    reading: &mut Reading<'_>,
    fields: &Fields<'_>,
    steps: &[Step],
    scope: Option<&Scope>,
) -> Option<Pattern> {
    let names: Vec<&str> = CLAIMS.iter().map(|(claim, _)| *claim).collect();
    let given = fields.among(&names);
    let first = match given.as_slice() {
        [one] => *one,
        [one, other] if is_pair(one, other) => *one,
        [] => return nothing_claimed(reading, fields),
        [_, second, ..] => {
            reading.mistake(
                DiagnosticKind::ConflictingKeys,
                second.key_span,
                format!("`{}` is a second claim in the same expectation", second.key),
                "make two expectations of it, each with a name of its own".to_owned(),
            );
            return None;
        }
    };
    let beside = CLAIMS.iter().find(|(claim, _)| *claim == first.key).map_or(&[][..], |(_, beside)| *beside);
    if let Some(stray) = fields.among(COMPANIONS).into_iter().find(|entry| !beside.contains(&entry.key.as_str())) {
        let home =
            CLAIMS.iter().find(|(_, beside)| beside.contains(&stray.key.as_str())).map_or("", |(claim, _)| *claim);
        reading.mistake(
            DiagnosticKind::ConflictingKeys,
            stray.key_span,
            format!("`{}` belongs to `{home}`, not to `{}`", stray.key, first.key),
            format!("write `{}` in place of `{}`", example(home), first.key),
        );
        return None;
    }
    if let (Some(entry), "each" | "at least every") = (fields.entry("whenever"), first.key.as_str()) {
        reading.mistake(
            DiagnosticKind::ConflictingKeys,
            entry.key_span,
            format!("`{}` begins anew by itself and cannot stand beside `whenever`", first.key),
            "limit it with `after`, `until`, `before` or `between`".to_owned(),
        );
        return None;
    }
    match first.key.as_str() {
        "within" => within(reading, fields, first, steps, scope),
        "for" => {
            let length = time(reading, first, "how long it holds");
            opened(reading, fields, first, scope)?;
            let condition = beside_it(reading, fields, first, "see", "safety open");
            Some(Pattern::HoldsFor { length: length?, condition: condition? })
        }
        "at least" | "at most" => count(reading, fields),
        "at least every" => {
            let length = time(reading, first, "the longest time without it");
            let condition = beside_it(reading, fields, first, "see", "console says \"alive\"");
            Some(Pattern::AtLeastEvery { length: length?, condition: condition? })
        }
        "each" => lasts(reading, fields, first),
        "first" => {
            let earlier = condition(reading, &first.value, "`first`");
            let then = beside_it(reading, fields, first, "then", "element on");
            Some(Pattern::Order { first: earlier?, then: then? })
        }
        key => {
            let what = format!("`{key}`");
            let condition = condition(reading, &first.value, &what)?;
            let all_the_time = key != "sometime";
            if all_the_time && fields.entry("whenever").is_none() {
                window_is_full(reading, &first.value, &condition, scope)?;
            }
            Some(match key {
                "always" => Pattern::Always(condition),
                "never" => Pattern::Never(condition),
                _ => Pattern::Sometime(condition),
            })
        }
    }
}

fn is_pair(one: &Entry, other: &Entry) -> bool {
    let keys = [one.key.as_str(), other.key.as_str()];
    keys.contains(&"at least") && keys.contains(&"at most")
}

/// How a claim is written.
fn example(claim: &str) -> &'static str {
    match claim {
        "within" => "within: 10 s",
        "for" => "for: 30 s",
        "each" => "each: element on, lasts at most: 20 s",
        "first" => "first: safety closed",
        _ => "sometime: …",
    }
}

fn nothing_claimed(reading: &mut Reading<'_>, fields: &Fields<'_>) -> Option<Pattern> {
    let hint = match fields.among(COMPANIONS).first().map(|entry| entry.key.as_str()) {
        Some("heat") => "say how soon: `within: 10 s, heat: cut`",
        Some("see") => "say how soon: `within: 10 s, see: …`; at any time is `sometime: …`",
        Some("then") => "say what has to come before it: `first: safety closed, then: element on`",
        Some(_) => "say what lasts: `each: element on, lasts at most: 20 s`",
        None => "write `always: …`, `never: …`, `sometime: …`, `within: 10 s, see: …` or `within: 10 s, heat: cut`",
    };
    reading.mistake_in(
        DiagnosticKind::MissingKey,
        fields.node,
        "an expectation does not say what has to be seen",
        hint.to_owned(),
    );
    None
}

/// A length of time that may refer to what is declared, longer than nothing.
fn time(reading: &mut Reading<'_>, entry: &Entry, what: &str) -> Option<TimeLimit> {
    let limit = reading.parse(&entry.value, &format!("`{}`", entry.key), |text| {
        let mut words = Words::of(text);
        let limit = time_limit(&mut words)?;
        words.end("one length of time stands here, for example `10 s`")?;
        Ok(limit)
    })?;
    if limit == TimeLimit::Span(RigSpan::ZERO) {
        // One place for the wording of an impossible length of time.
        duration(reading, &entry.value, what, false)?;
    }
    Some(limit)
}

/// The condition under a key that belongs to a claim.
fn beside_it(
    reading: &mut Reading<'_>,
    fields: &Fields<'_>,
    claim: &Entry,
    key: &str,
    example: &str,
) -> Option<Condition> {
    match fields.get(key) {
        Some(node) => condition(reading, node, &format!("`{key}`")),
        None => {
            reading.mistake(
                DiagnosticKind::MissingKey,
                claim.key_span,
                format!("`{}` lacks the key `{key}`", claim.key),
                format!("for example `{key}: {example}`"),
            );
            None
        }
    }
}

/// Whether there is an instant from which a length of time counts; reports it if not.
fn opened(reading: &mut Reading<'_>, fields: &Fields<'_>, entry: &Entry, scope: Option<&Scope>) -> Option<()> {
    if fields.among(&["after", "between", "whenever"]).is_empty()
        && matches!(scope, Some(Scope::Throughout | Scope::Before { .. }))
    {
        reading.mistake(
            DiagnosticKind::MissingKey,
            entry.key_span,
            format!("`{}` counts from `after`, which is missing", entry.key),
            "name the moment of the fault in the script (`call it: burn-out`) and say `after: burn-out`, or say \
             `whenever:` and a condition"
                .to_owned(),
        );
        return None;
    }
    Some(())
}

/// Refuses a claim about all of a part of the run in which a window reaches
/// back to before the run.
fn window_is_full(reading: &mut Reading<'_>, node: &Node, condition: &Condition, scope: Option<&Scope>) -> Option<()> {
    let Some(window) = longest_window(condition) else { return Some(()) };
    if matches!(scope, Some(Scope::Throughout | Scope::Before { .. })) {
        let window = span_text(window);
        reading.mistake(
            DiagnosticKind::Unreachable,
            node.span,
            format!("in the first {window} of the run nothing is known over a window of {window}"),
            format!("claim it from a moment of the script on: `after: begin + {window}`"),
        );
        return None;
    }
    Some(())
}

/// The longest window that a condition looks at.
pub(crate) fn longest_window(condition: &Condition) -> Option<RigSpan> {
    match condition {
        Condition::Compare { measured, .. } => measured.value.window(),
        Condition::Is { .. } => None,
        Condition::HeldFor { condition, .. } | Condition::Not(condition) => longest_window(condition),
        Condition::And(parts) | Condition::Or(parts) => parts.iter().filter_map(longest_window).max(),
    }
}

fn within(
    reading: &mut Reading<'_>,
    fields: &Fields<'_>,
    entry: &Entry,
    steps: &[Step],
    scope: Option<&Scope>,
) -> Option<Pattern> {
    let limit = time(reading, entry, "the time of a reaction");
    opened(reading, fields, entry, scope)?;
    match (fields.entry("heat"), fields.entry("see")) {
        (Some(heat), None) => {
            reading.one_of(&heat.value, "`heat`", &[("cut", ())])?;
            // While steps have mistakes, nothing can be said about what they wait for.
            if let (Some(Scope::After { moment, .. } | Scope::Between { from: (moment, _), .. }), false, None) =
                (scope, reading.has_errors(), fields.entry("whenever"))
            {
                heat_was_on(reading, moment, heat, steps);
            }
            Some(Pattern::HeatCut { limit: limit? })
        }
        (None, Some(see)) => {
            let condition = condition(reading, &see.value, "`see`")?;
            if met_by_an_off_phase(&condition) {
                reading.mistake(
                    DiagnosticKind::OffPhase,
                    see.value.span,
                    "an ordinary off-phase of the element's cycle meets this too",
                    "write `heat: cut` in place of `see: …`: it waits until heat stays off".to_owned(),
                );
            }
            Some(Pattern::Within { limit: limit?, condition })
        }
        (Some(_), Some(see)) => {
            reading.mistake(
                DiagnosticKind::ConflictingKeys,
                see.key_span,
                "`see` is a second claim in the same expectation",
                "make two expectations of it, each with a name of its own".to_owned(),
            );
            None
        }
        (None, None) => {
            reading.mistake(
                DiagnosticKind::MissingKey,
                entry.key_span,
                "`within` does not say what has to be seen in that time",
                "add `heat: cut`, or `see:` and a condition such as `safety open`".to_owned(),
            );
            None
        }
    }
}

/// `each: element off, lasts at least: 2 s`.
fn lasts(reading: &mut Reading<'_>, fields: &Fields<'_>, each: &Entry) -> Option<Pattern> {
    let condition = condition(reading, &each.value, "`each`");
    match fields.among(&["lasts at least", "lasts at most"]).as_slice() {
        [] => {
            reading.mistake(
                DiagnosticKind::MissingKey,
                each.key_span,
                "`each` does not say how long it lasts",
                "add `lasts at least: 2 s` or `lasts at most: 20 s`".to_owned(),
            );
            None
        }
        [one] => {
            let length = time(reading, one, "how long it lasts")?;
            let condition = condition?;
            Some(if one.key == "lasts at least" {
                Pattern::LastsAtLeast { condition, length }
            } else {
                Pattern::LastsAtMost { condition, length }
            })
        }
        [_, second, ..] => {
            reading.mistake(
                DiagnosticKind::ConflictingKeys,
                second.key_span,
                format!("`{}` is a second claim in the same expectation", second.key),
                "make two expectations of it, each with a name of its own".to_owned(),
            );
            None
        }
    }
}

/// What `at least` or `at most` says.
struct Counted {
    number: u32,
    /// The relay whose switchings are counted, if that is said here.
    switchings: Option<Condition>,
    window: Option<RigSpan>,
}

/// `at least: 1 time`, `at most: 6 switchings of element.top in 1 min`.
fn count(reading: &mut Reading<'_>, fields: &Fields<'_>) -> Option<Pattern> {
    let mut read = |key: &str| fields.entry(key).map(|entry| (entry, counted(reading, entry)));
    let (least, most) = (read("at least"), read("at most"));
    let entry = least.as_ref().or(most.as_ref())?.0;
    let least = least.map_or(Some(None), |(entry, counted)| counted.map(|counted| Some((entry, counted))))?;
    let most = most.map_or(Some(None), |(entry, counted)| counted.map(|counted| Some((entry, counted))))?;
    if let Some((entry, _)) = least.as_ref().filter(|(_, counted)| counted.window.is_some()) {
        reading.mistake(
            DiagnosticKind::BadSentence,
            entry.value.span,
            "only `at most` counts within a moving window",
            "that something comes again and again is `at least every: 10 min, see: …`".to_owned(),
        );
        return None;
    }
    if let (Some((entry, first)), Some((_, second))) = (&least, &most) {
        if second.window.is_some() || first.switchings.is_some() || second.switchings.is_some() {
            reading.mistake(
                DiagnosticKind::ConflictingKeys,
                entry.key_span,
                "`at least` and `at most` stand together only as `2 times` and `5 times` of the same `see`",
                "make two expectations of it, each with a name of its own".to_owned(),
            );
            return None;
        }
        if first.number > second.number {
            reading.mistake(
                DiagnosticKind::Contradiction,
                entry.value.span,
                format!("at least {} and at most {} times cannot both be", first.number, second.number),
                "exchange the numbers".to_owned(),
            );
            return None;
        }
    }
    let switchings = [&least, &most].into_iter().flatten().find_map(|(_, counted)| counted.switchings.clone());
    let condition = match (switchings, fields.entry("see")) {
        (Some(_), Some(see)) => {
            reading.mistake(
                DiagnosticKind::ConflictingKeys,
                see.key_span,
                "it is said already what is counted",
                "count `6 times` of `see: …`, or `6 switchings of element.top` without `see`".to_owned(),
            );
            return None;
        }
        (Some(switchings), None) => switchings,
        (None, _) => beside_it(reading, fields, entry, "see", "lid open")?,
    };
    let times = match (least, most) {
        (None, Some((_, Counted { number, window: Some(window), .. }))) => Times::InAny { at_most: number, window },
        (least, most) => Times::Altogether {
            at_least: least.map_or(0, |(_, counted)| counted.number),
            at_most: most.map_or(u32::MAX, |(_, counted)| counted.number),
        },
    };
    Some(Pattern::Count { times, condition })
}

fn counted(reading: &mut Reading<'_>, entry: &Entry) -> Option<Counted> {
    reading.parse(&entry.value, &format!("`{}`", entry.key), |text| {
        let mut words = Words::of(text);
        let number = match words.written().map(str::parse::<u32>) {
            Some(Ok(number)) if (1..=MOST_COUNTED).contains(&number) => number,
            Some(Ok(_)) => {
                return Err(Mistake {
                    kind: DiagnosticKind::OutOfRange,
                    range: words.range(),
                    message: format!("{} times is nothing to count", quoted(words.written().unwrap_or_default())),
                    hint: Some(format!("write a number from 1 to {MOST_COUNTED}; not at all is `never: …`")),
                });
            }
            _ => return Err(words.wanted(DiagnosticKind::BadSentence, "a whole number", Some(count_hint()))),
        };
        words.step();
        let mut switchings = None;
        if words.take("switchings") || words.take("switching") {
            if !words.take("of") {
                return Err(words.wanted(DiagnosticKind::BadSentence, "`of` and a relay", Some(count_hint())));
            }
            if !matches!(words.written(), Some("heat" | "element" | "safety")) {
                let hint = "what switches is `heat`, `element` or `safety`, perhaps of a zone: `element.top`";
                return Err(words.wanted(DiagnosticKind::UnknownSignal, "a relay", Some(hint.to_owned())));
            }
            let start = words.range().start;
            let value = condition::switch(&mut words)?;
            let span = words.span(start..words.end_of_last());
            switchings = Some(Condition::Is { switch: Spanned { value, span }, on: true });
        } else if !(words.take("times") || words.take("time")) {
            return Err(words.wanted(DiagnosticKind::BadSentence, "`times`", Some(count_hint())));
        }
        let window = if words.take("in") { Some(measured::window_length(&mut words)?) } else { None };
        words.end(&count_hint())?;
        Ok(Counted { number, switchings, window })
    })
}

fn count_hint() -> String {
    "for example `2 times`, `3 times in 10 min` or `6 switchings of element.top in 1 min`".to_owned()
}

/// Whether time-proportioning alone brings it about: an element that is off
/// for a moment is no reaction.
fn met_by_an_off_phase(condition: &Condition) -> bool {
    let is_heat = |switch: &SwitchSignal| matches!(switch, SwitchSignal::Heat(_) | SwitchSignal::Element(_));
    match condition {
        Condition::Is { switch, on: false } => is_heat(&switch.value),
        Condition::Not(inner) => matches!(&**inner, Condition::Is { switch, on: true } if is_heat(&switch.value)),
        Condition::And(parts) => parts.iter().all(met_by_an_off_phase),
        Condition::Or(parts) => parts.iter().any(met_by_an_off_phase),
        Condition::Is { .. } | Condition::Compare { .. } | Condition::HeldFor { .. } => false,
    }
}

/// Warns where a cut is expected after a moment at which heat may be off.
fn heat_was_on(reading: &mut Reading<'_>, moment: &Spanned<Moment>, heat: &Entry, steps: &[Step]) {
    let Some(step) = steps.iter().find(|step| script::names(step) == Some(moment.value.0.as_str())) else {
        return;
    };
    let proved = match &step.kind {
        // Whether heat ever came on is part of the claim itself there.
        StepKind::BeginFiring => true,
        StepKind::When { condition, .. } => proves_heat(condition),
        StepKind::Wait(_) | StepKind::At { .. } => false,
    };
    if !proved {
        let name = &moment.value.0;
        reading.mistake(
            DiagnosticKind::HeatNotProved,
            heat.value.span,
            format!("nothing makes sure that heat is on at {}; heat that is off already cannot be cut", quoted(name)),
            format!("let the step that is called `{name}` wait: `when: … and element on for 0.5 s`"),
        );
    }
}

/// Whether a condition holds only while heat has been on for long enough.
fn proves_heat(condition: &Condition) -> bool {
    match condition {
        Condition::HeldFor { condition, length } => *length >= PROVED_ON && needs_heat(condition),
        Condition::And(parts) => parts.iter().any(proves_heat),
        Condition::Or(parts) => parts.iter().all(proves_heat),
        Condition::Is { .. } | Condition::Compare { .. } | Condition::Not(_) => false,
    }
}

fn needs_heat(condition: &Condition) -> bool {
    match condition {
        Condition::Is { switch, on: true } => {
            matches!(switch.value, SwitchSignal::Heat(_) | SwitchSignal::Element(_))
        }
        Condition::And(parts) => parts.iter().any(needs_heat),
        Condition::Or(parts) => parts.iter().all(needs_heat),
        Condition::Is { .. } | Condition::Compare { .. } | Condition::Not(_) | Condition::HeldFor { .. } => false,
    }
}

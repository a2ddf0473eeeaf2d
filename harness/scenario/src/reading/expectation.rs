//! The expectations of a scenario.

use crate::diagnostic::DiagnosticKind;
use crate::reading::instant::{instant, known_moment, moment_and_offset};
use crate::reading::scenario::{MAX_ITEMS, hazards};
use crate::reading::{Fields, Reading, pattern};
use crate::source::quoted;
use crate::suggest::either;
use crate::tree::{Entry, Node};
use crate::words::Words;
use crate::{Expectation, HazardId, Moment, Scope, Spanned, Step};

use dryfire_units::RigSpan;

/// The keys of an expectation.
pub(crate) const KEYS: &[&str] = &[
    "name",
    "hazards",
    "after",
    "until",
    "before",
    "between",
    "whenever",
    "always",
    "never",
    "sometime",
    "within",
    "for",
    "heat",
    "see",
    "at least",
    "at most",
    "at least every",
    "each",
    "lasts at least",
    "lasts at most",
    "first",
    "then",
];

pub(crate) fn read(
    reading: &mut Reading<'_>,
    node: &Node,
    steps: &[Step],
    of_scenario: Option<&[Spanned<HazardId>]>,
) -> Option<Vec<Expectation>> {
    let items = reading.items(node, "the list of expectations")?;
    if items.is_empty() {
        reading.mistake(
            DiagnosticKind::Empty,
            node.span,
            "the scenario expects nothing",
            "a scenario without expectations can show nothing; for example \
             `- { name: never too hot, always: kiln < kiln limit }`"
                .to_owned(),
        );
        return None;
    }
    if items.len() > MAX_ITEMS {
        reading.mistake_in(
            DiagnosticKind::OutOfRange,
            node,
            format!("the scenario has {} expectations; at most {MAX_ITEMS} are read", items.len()),
            None,
        );
        return None;
    }
    let found: Vec<Option<Expectation>> =
        items.iter().map(|item| expectation(reading, item, steps, of_scenario)).collect();
    let names: Vec<Spanned<String>> = found.iter().flatten().map(|expectation| expectation.name.clone()).collect();
    reading.unique("the expectation", &names);
    let found: Vec<Expectation> = found.into_iter().collect::<Option<_>>()?;
    each_is_spoken_to(reading, of_scenario.unwrap_or_default(), &found);
    Some(found)
}

fn expectation(
    reading: &mut Reading<'_>,
    node: &Node,
    steps: &[Step],
    of_scenario: Option<&[Spanned<HazardId>]>,
) -> Option<Expectation> {
    let what = "an expectation";
    let fields = reading.fields(node, what, KEYS)?;
    let name = reading
        .require(&fields, "name", what, "heat is cut")
        .and_then(|node| Some(Spanned { value: reading.name(node, "the expectation's name")?, span: node.span }));
    let own = match fields.get("hazards") {
        Some(node) => own_hazards(reading, node, of_scenario),
        None => the_one_hazard(reading, &fields, of_scenario.unwrap_or_default()),
    };
    let scope = scope(reading, &fields, steps);
    let whenever = fields.get("whenever").map(|node| pattern::condition(reading, node, "`whenever`"));
    let pattern = pattern::read(reading, &fields, steps, scope.as_ref());
    Some(Expectation {
        name: name?,
        hazards: own?,
        scope: scope?,
        whenever: whenever.map_or(Some(None), |whenever| whenever.map(Some))?,
        pattern: pattern?,
        span: node.span,
    })
}

/// What an expectation speaks to that does not say so: the scenario's hazard, if it has
/// only one. Of several, one could be shown by what was expected about another.
fn the_one_hazard(
    reading: &mut Reading<'_>,
    fields: &Fields<'_>,
    of_scenario: &[Spanned<HazardId>],
) -> Option<Vec<Spanned<HazardId>>> {
    if let [_, _, ..] = of_scenario {
        let names: Vec<&str> = of_scenario.iter().map(|known| known.value.0.as_str()).collect();
        reading.mistake_in(
            DiagnosticKind::MissingKey,
            fields.node,
            "an expectation of a scenario with several hazards does not say which it speaks to",
            format!("add those that its failure would leave open: `hazards: [{}]`", names.join(", ")),
        );
        return None;
    }
    Some(of_scenario.to_vec())
}

/// A hazard that no expectation speaks to is never shown by the scenario.
fn each_is_spoken_to(reading: &mut Reading<'_>, of_scenario: &[Spanned<HazardId>], expectations: &[Expectation]) {
    for hazard in of_scenario {
        let spoken_to = |expectation: &Expectation| expectation.hazards.iter().any(|own| own.value == hazard.value);
        if !expectations.iter().any(spoken_to) {
            reading.mistake(
                DiagnosticKind::Contradiction,
                hazard.span,
                format!("no expectation speaks to the hazard {}", quoted(&hazard.value.0)),
                "add it to the `hazards` of an expectation that shows it, or take it out of the scenario's".to_owned(),
            );
        }
    }
}

fn own_hazards(
    reading: &mut Reading<'_>,
    node: &Node,
    of_scenario: Option<&[Spanned<HazardId>]>,
) -> Option<Vec<Spanned<HazardId>>> {
    let own = hazards(reading, node, "an expectation's list of hazards")?;
    let Some(of_scenario) = of_scenario else { return Some(own) };
    for id in &own {
        if !of_scenario.iter().any(|known| known.value == id.value) {
            let names: Vec<&str> = of_scenario.iter().map(|known| known.value.0.as_str()).collect();
            reading.mistake(
                DiagnosticKind::Contradiction,
                id.span,
                format!("the scenario itself does not name the hazard {}", quoted(&id.value.0)),
                format!("add it to the scenario's `hazards`, or use {}", either(&names)),
            );
            return None;
        }
    }
    Some(own)
}

fn scope(reading: &mut Reading<'_>, fields: &Fields<'_>, steps: &[Step]) -> Option<Scope> {
    let after = fields.entry("after").map(|entry| known_instant(reading, entry, steps));
    let until = fields.entry("until").map(|entry| known_instant(reading, entry, steps));
    let before = fields.entry("before").map(|entry| known_instant(reading, entry, steps));
    if let Some(entry) = fields.entry("between") {
        if let Some(other) = fields.among(&["after", "until", "before"]).first() {
            reading.mistake(
                DiagnosticKind::ConflictingKeys,
                other.key_span,
                format!("`{}` cannot stand beside `between`", other.key),
                "from one moment to another is `between: one and other`, or `after: …, until: …` where the other may \
                 never come"
                    .to_owned(),
            );
            return None;
        }
        return between(reading, entry, steps);
    }
    if let (Some(_), Some(other)) = (&before, fields.among(&["after", "until"]).first()) {
        reading.mistake(
            DiagnosticKind::ConflictingKeys,
            other.key_span,
            format!("`{}` cannot stand beside `before`", other.key),
            "from one moment to another is `after: …, until: …`".to_owned(),
        );
        return None;
    }
    if let (None, Some(_)) = (&after, &until) {
        let entry = fields.entry("until")?;
        reading.mistake(
            DiagnosticKind::MissingKey,
            entry.key_span,
            "`until` has no `after` to begin with",
            "from the beginning of the run to a moment is `before`".to_owned(),
        );
        return None;
    }
    match (after, until, before) {
        (None, _, None) => Some(Scope::Throughout),
        (None, _, Some(before)) => {
            let (moment, offset) = before?;
            Some(Scope::Before { moment, offset })
        }
        (Some(after), until, _) => {
            let (moment, offset) = after?;
            Some(Scope::After { moment, offset, until: until.map_or(Some(None), |until| until.map(Some))? })
        }
    }
}

/// `lid-opens and lid-shuts`, each perhaps with a length of time on top.
fn between(reading: &mut Reading<'_>, entry: &Entry, steps: &[Step]) -> Option<Scope> {
    let (from, to) = reading.parse(&entry.value, "`between`", |text| {
        let mut words = Words::of(text);
        let from = moment_and_offset(&mut words)?;
        if !words.take("and") {
            let hint = "for example `between: lid-opens + 1 s and lid-shuts`".to_owned();
            return Err(words.wanted(DiagnosticKind::BadSentence, "`and` with a second moment", Some(hint)));
        }
        let to = moment_and_offset(&mut words)?;
        words.end("two moments stand here, for example `lid-opens and lid-shuts`")?;
        Ok((from, to))
    })?;
    known_moment(reading, &from.0, steps)?;
    known_moment(reading, &to.0, steps)?;
    Some(Scope::Between { from, to })
}

fn known_instant(reading: &mut Reading<'_>, entry: &Entry, steps: &[Step]) -> Option<(Spanned<Moment>, RigSpan)> {
    let what = format!("`{}`", entry.key);
    let text = reading.sentence(&entry.value, &what)?;
    match instant(&mut Words::of(&text)) {
        Ok((moment, offset)) => {
            known_moment(reading, &moment, steps)?;
            Some((moment, offset))
        }
        Err(mistake) => {
            reading.mistake_in_text(&text, mistake);
            None
        }
    }
}

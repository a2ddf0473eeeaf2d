//! Instants and limits of time: moments of the script, spans on top of them, and what the bench file declares.

use dryfire_units::RigSpan;

use crate::diagnostic::DiagnosticKind;
use crate::reading::{Reading, script};
use crate::source::quoted;
use crate::suggest::nearest;
use crate::words::{Mistake, Words};
use crate::{HazardId, Moment, Span, Spanned, TimeLimit};

/// `10 s`, `declared longest firing + 60 s`, `3 declared cycle times`,
/// `declared reaction to probe-open or 10 s`, `half the process safety time`.
pub(crate) fn time_limit(words: &mut Words<'_>) -> Result<TimeLimit, Mistake> {
    if words.take("half") {
        return half_safety_time(words);
    }
    let counted = matches!(words.written_next(), Some("declared"));
    let mut times = 1;
    if counted && let Some(written) = words.written() {
        match written.parse::<u8>() {
            Ok(number @ 1..=100) => times = number,
            _ => {
                let hint = "from 1 to 100 of them, for example `3 declared cycle times`".to_owned();
                return Err(words.wanted(DiagnosticKind::OutOfRange, "a number of cycle times", Some(hint)));
            }
        }
        words.step();
    }
    if !words.take("declared") {
        if words.word().is_some() {
            return Err(words.wanted(
                DiagnosticKind::BadSentence,
                "a length of time",
                Some(
                    "write for example `10 s`, `5 min`, `declared longest firing + 60 s`, `3 declared cycle times`, \
                     `declared reaction to probe-open or 10 s` or `half the process safety time`"
                        .to_owned(),
                ),
            ));
        }
        return Ok(TimeLimit::Span(words.duration()?));
    }
    if words.take("cycle") {
        if !(words.take("times") || words.take("time")) {
            let hint = "the whole is `declared cycle time` or `3 declared cycle times`".to_owned();
            return Err(words.wanted(DiagnosticKind::BadSentence, "`time` or `times`", Some(hint)));
        }
        return Ok(TimeLimit::CycleTime { times, plus: plus(words)? });
    }
    if counted {
        let hint = "only cycle times are counted: `3 declared cycle times`".to_owned();
        return Err(words.wanted(DiagnosticKind::BadSentence, "`cycle times`", Some(hint)));
    }
    if words.take("reaction") {
        if !words.take("to") || words.word().is_none() {
            let hint = "name the hazard: `declared reaction to probe-open`".to_owned();
            return Err(words.wanted(DiagnosticKind::BadSentence, "`to` with a hazard", Some(hint)));
        }
        let range = words.range();
        let id = words.word().unwrap_or_default().to_owned();
        words.step();
        let hazard = Spanned { value: HazardId(id), span: words.span(range) };
        let otherwise = if words.take("or") { Some(words.duration()?) } else { None };
        return Ok(TimeLimit::Reaction { hazard, otherwise, plus: plus(words)? });
    }
    for word in ["longest", "firing"] {
        if !words.take(word) {
            let hint = "what is declared is the `longest firing`, the `cycle time` or a `reaction to` a hazard";
            return Err(words.wanted(DiagnosticKind::BadSentence, &quoted(word), Some(hint.to_owned())));
        }
    }
    Ok(TimeLimit::LongestFiring { plus: plus(words)? })
}

/// `half the process safety time of relay-welded but at most 10 s`; `half` is read already.
fn half_safety_time(words: &mut Words<'_>) -> Result<TimeLimit, Mistake> {
    for word in ["the", "process", "safety", "time"] {
        if !words.take(word) {
            let hint =
                "the whole is `half the process safety time`, perhaps `of relay-welded`, perhaps `but at most 10 s`";
            return Err(words.wanted(DiagnosticKind::BadSentence, &quoted(word), Some(hint.to_owned())));
        }
    }
    let mut hazard = None;
    if words.take("of") {
        let Some(id) = words.word().map(str::to_owned) else {
            let hint = "name the hazard: `half the process safety time of relay-welded`".to_owned();
            return Err(words.wanted(DiagnosticKind::BadSentence, "a hazard", Some(hint)));
        };
        let range = words.range();
        words.step();
        hazard = Some(Spanned { value: HazardId(id), span: words.span(range) });
    }
    let mut at_most = None;
    if words.take("but") {
        for word in ["at", "most"] {
            if !words.take(word) {
                let hint = "the whole is `half the process safety time but at most 10 s`".to_owned();
                return Err(words.wanted(DiagnosticKind::BadSentence, &quoted(word), Some(hint)));
            }
        }
        at_most = Some(words.duration()?);
    }
    Ok(TimeLimit::HalfSafetyTime { hazard, at_most })
}

/// `+ 60 s` behind what is declared, or nothing.
fn plus(words: &mut Words<'_>) -> Result<RigSpan, Mistake> {
    if words.take("+") {
        return words.duration();
    }
    if words.written() == Some("-") {
        return Err(words.wanted(
            DiagnosticKind::BadSentence,
            "`+` or nothing",
            Some("a limit is never shorter than what is declared".to_owned()),
        ));
    }
    Ok(RigSpan::ZERO)
}

/// `burn-out`, `burn-out + 10 s`.
pub(crate) fn instant(words: &mut Words<'_>) -> Result<(Spanned<Moment>, RigSpan), Mistake> {
    let instant = moment_and_offset(words)?;
    words.end("an instant is a moment, perhaps with a length of time on top: `burn-out + 10 s`")?;
    Ok(instant)
}

/// The same with more behind it.
pub(crate) fn moment_and_offset(words: &mut Words<'_>) -> Result<(Spanned<Moment>, RigSpan), Mistake> {
    let moment = words.moment()?;
    let mut offset = RigSpan::ZERO;
    if words.take("+") {
        offset = words.duration()?;
    } else if matches!(words.written(), Some("-" | "−")) {
        return Err(words.wanted(
            DiagnosticKind::BadSentence,
            "`+` or nothing",
            Some("an instant before a moment is not known until it is past; name an earlier moment".to_owned()),
        ));
    }
    Ok((moment, offset))
}

/// Whether a moment is named in the script; reports it if not.
pub(crate) fn known_moment(
    reading: &mut Reading<'_>,
    moment: &Spanned<Moment>,
    steps: &[crate::Step],
) -> Option<usize> {
    let found = steps.iter().position(|step| script::names(step) == Some(moment.value.0.as_str()));
    if found.is_none() {
        let names: Vec<&str> = steps.iter().filter_map(script::names).collect();
        unknown_moment(reading, moment.span, &moment.value.0, &names);
    }
    found
}

pub(crate) fn unknown_moment(reading: &mut Reading<'_>, span: Span, name: &str, names: &[&str]) {
    // With a name of the script unreadable, it may be this one.
    if reading.names_uncertain {
        return;
    }
    let hint = match nearest(name, names.iter().copied()) {
        Some(near) => format!("did you mean `{near}`?"),
        None if name == script::BEGIN => {
            "`begin` is the moment of the step `begin firing`, which the script lacks".to_owned()
        }
        None if names.is_empty() => "name a moment in the script: `call it: burn-out`".to_owned(),
        None => format!("the moments of this script are {}", names.join(", ")),
    };
    reading.mistake(DiagnosticKind::UnknownMoment, span, format!("no moment is called {}", quoted(name)), hint);
}

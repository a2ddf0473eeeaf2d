//! Comparisons: what is measured, and what it is compared with.
//!
//! ```text
//! comparison = level , relation , ( temperature limit | level , [ ( "+" | "-" ) , difference ] )
//!            | level , "-" , level , relation , difference
//!            | ( "kiln" | "probe" ) , "spread" , relation , difference
//!            | "rise" , "of" , level , "over" , window , relation , difference
//!            | "rate" , "of" , level , "over" , window , relation , rate
//!            | "duty" , "of" , switch , "over" , window , relation , share ;
//! level      = ( "kiln" | "probe" ) , [ zone ] | "set-point" | "limiter" , "probe" ;
//! window     = duration ;
//! ```

use std::ops::Range;

use crate::condition::switch;
use crate::diagnostic::DiagnosticKind;
use crate::quantity::span_text;
use crate::source::quoted;
use crate::words::{Mistake, Words};
use crate::{
    Comparison, Condition, DeclaredLimit, LONGEST_WINDOW, LevelSignal, Limit, Measured, Spanned, SpreadOf,
    SwitchSignal, ZoneSelector,
};

use dryfire_units::RigSpan;

/// Windows are looked at on the grid of the samples, which is this fine.
const GRID: RigSpan = RigSpan::from_seconds(1);

/// Words that begin a level.
const LEVELS: &[&str] = &["kiln", "probe", "set-point"];

/// Whether the limiter's probe is named at the cursor, and not its contact or its trip.
pub(super) fn is_limiter_probe(words: &Words<'_>) -> bool {
    words.written() == Some("limiter") && words.written_next() == Some("probe")
}

/// Whether a level is named at the cursor.
fn is_level(words: &Words<'_>) -> bool {
    is_limiter_probe(words)
        || words.written().is_some_and(|word| LEVELS.contains(&word)) && words.written_next() != Some("limit")
}

/// Reads a comparison; the cursor stands on its first word.
pub(super) fn comparison(words: &mut Words<'_>) -> Result<Condition, Mistake> {
    let start = words.range().start;
    let value = match words.written() {
        Some("rise" | "rate" | "duty") => windowed(words)?,
        _ => of_levels(words)?,
    };
    let measured = Spanned { value, span: words.span(start..words.end_of_last()) };
    let comparison = relation(words, &measured.value)?;
    let start = words.range().start;
    if let Measured::Level(of) = &measured.value
        && is_level(words)
    {
        return beside_another(words, &measured, of.clone(), comparison);
    }
    let value = match &measured.value {
        Measured::Level(_) => temperature_limit(words)?,
        Measured::Spread(_) | Measured::Difference { .. } | Measured::Rise { .. } => {
            no_declared(words, "a difference of temperatures", "60 °C")?;
            Limit::Difference(words.difference()?)
        }
        Measured::Rate { .. } => {
            no_declared(words, "a rate", "300 °C/h")?;
            Limit::Rate(words.signed_rate()?)
        }
        Measured::Duty { .. } => {
            no_declared(words, "a share", "95 %")?;
            Limit::Share(words.share()?)
        }
    };
    let limit = Spanned { value, span: words.span(start..words.end_of_last()) };
    Ok(Condition::Compare { measured, comparison, limit })
}

/// `kiln.top < kiln.bottom + 60 °C`, which is `kiln.top - kiln.bottom < 60 °C`.
fn beside_another(
    words: &mut Words<'_>,
    measured: &Spanned<Measured>,
    of: LevelSignal,
    comparison: Comparison,
) -> Result<Condition, Mistake> {
    let start = words.range().start;
    let less = level(words)?;
    distinct(&of, &less, start..words.end_of_last())?;
    let end = words.end_of_last();
    let (sign, signed) = match words.written() {
        Some("+") => (1, true),
        Some("-" | "−") => (-1, true),
        _ => (1, false),
    };
    let mut limit = Spanned { value: Limit::Difference(0), span: words.span(start..end) };
    if signed {
        words.step();
        let start = words.range().start;
        limit.value = Limit::Difference(sign * words.difference()?);
        limit.span = words.span(start..words.end_of_last());
    }
    let value = Measured::Difference { of, less };
    Ok(Condition::Compare { measured: Spanned { value, span: measured.span }, comparison, limit })
}

/// `kiln`, `kiln.top - kiln.bottom`, `probe spread`.
fn of_levels(words: &mut Words<'_>) -> Result<Measured, Mistake> {
    let start = words.range().start;
    let of = level(words)?;
    let all = matches!(&of, LevelSignal::Kiln(ZoneSelector::All) | LevelSignal::Probe(ZoneSelector::All));
    if words.written() == Some("spread") {
        let range = start..words.range().end;
        words.step();
        return match of {
            LevelSignal::Kiln(_) if all => Ok(Measured::Spread(SpreadOf::Kiln)),
            LevelSignal::Probe(_) if all => Ok(Measured::Spread(SpreadOf::Probe)),
            _ => Err(Mistake {
                kind: DiagnosticKind::UnknownSignal,
                range,
                message: "a spread is taken over all zones".to_owned(),
                hint: Some("write `kiln spread` or `probe spread`; of two zones: `kiln.top - kiln.bottom`".to_owned()),
            }),
        };
    }
    if !matches!(words.written(), Some("-" | "−")) {
        return Ok(Measured::Level(of));
    }
    words.step();
    if !is_level(words) {
        let hint = "a constant stands on the other side: `kiln.top - kiln.bottom < 60 °C`";
        return Err(words.wanted(DiagnosticKind::BadSentence, "another level", Some(hint.to_owned())));
    }
    let less = level(words)?;
    distinct(&of, &less, start..words.end_of_last())?;
    Ok(Measured::Difference { of, less })
}

fn distinct(of: &LevelSignal, less: &LevelSignal, range: Range<usize>) -> Result<(), Mistake> {
    if of == less {
        return Err(Mistake {
            kind: DiagnosticKind::BadSentence,
            range,
            message: format!("the difference of {} from itself is always nothing", quoted(&of.to_string())),
            hint: Some("take two zones, or what is shown from what is: `kiln.top - probe.top`".to_owned()),
        });
    }
    Ok(())
}

/// `kiln`, `kiln.top`, `probe.2`, `set-point`.
fn level(words: &mut Words<'_>) -> Result<LevelSignal, Mistake> {
    let make = match words.written() {
        Some("set-point") => {
            let start = words.range().start;
            words.step();
            if words.zone()? != ZoneSelector::All {
                return Err(Mistake {
                    kind: DiagnosticKind::UnknownSignal,
                    range: start..words.end_of_last(),
                    message: "`set-point` is one for the whole kiln and has no zones".to_owned(),
                    hint: Some("write `set-point` alone".to_owned()),
                });
            }
            return Ok(LevelSignal::SetPoint);
        }
        Some("limiter") if is_limiter_probe(words) => {
            let start = words.range().start;
            words.step();
            words.step();
            if words.zone()? != ZoneSelector::All {
                return Err(Mistake {
                    kind: DiagnosticKind::UnknownSignal,
                    range: start..words.end_of_last(),
                    message: "a limiter has one probe, which no zone names".to_owned(),
                    hint: Some("write `limiter probe` alone".to_owned()),
                });
            }
            return Ok(LevelSignal::LimiterProbe);
        }
        Some("kiln") => LevelSignal::Kiln,
        Some("probe") => LevelSignal::Probe,
        _ => {
            let hint = "a level is `kiln` or `probe`, perhaps of a zone: `kiln.top`, or `set-point`";
            return Err(words.wanted(DiagnosticKind::UnknownSignal, "a level", Some(hint.to_owned())));
        }
    };
    words.step();
    words.zone().map(make)
}

/// `rise of probe over 10 min`, `rate of …`, `duty of element.top over …`.
fn windowed(words: &mut Words<'_>) -> Result<Measured, Mistake> {
    let which = words.word().unwrap_or_default();
    let whole = match which {
        "rise" => "rise of probe over 10 min < 10 °C",
        "rate" => "rate of kiln over 5 min > 300 °C/h",
        _ => "duty of element over 5 min > 95 %",
    };
    words.step();
    if !words.take("of") {
        return Err(words.wanted(DiagnosticKind::BadSentence, "`of`", Some(format!("for example `{whole}`"))));
    }
    if which == "duty" {
        if !matches!(words.written(), Some("heat" | "element" | "safety")) {
            let hint = "a duty is that of `heat`, `element` or `safety`, perhaps of a zone: `duty of element.top over \
                        5 min > 95 %`";
            return Err(words.wanted(DiagnosticKind::UnknownSignal, "a switch", Some(hint.to_owned())));
        }
        let of = switch(words)?;
        let over = window(words, whole)?;
        return Ok(Measured::Duty { of, over });
    }
    let of = level(words)?;
    let over = window(words, whole)?;
    Ok(if which == "rise" { Measured::Rise { of, over } } else { Measured::Rate { of, over } })
}

/// `over 5 min`.
fn window(words: &mut Words<'_>, whole: &str) -> Result<RigSpan, Mistake> {
    if !words.take("over") {
        let hint = format!("say over which time it is taken, for example `{whole}`");
        return Err(words.wanted(DiagnosticKind::BadSentence, "`over` with a window", Some(hint)));
    }
    window_length(words)
}

/// The length of a window, within its bounds.
pub(crate) fn window_length(words: &mut Words<'_>) -> Result<RigSpan, Mistake> {
    let start = words.range().start;
    let length = words.duration()?;
    let mistake = |message: String, hint: &str| Mistake {
        kind: DiagnosticKind::OutOfRange,
        range: start..words.end_of_last(),
        message,
        hint: Some(hint.to_owned()),
    };
    if length < GRID || length > LONGEST_WINDOW {
        return Err(mistake(
            format!("a window of {} is not kept", span_text(length)),
            "a window is from 1 s to 24 h long; for longer times name moments in the script",
        ));
    }
    if length.as_micros() % GRID.as_micros() != 0 {
        return Err(mistake(
            format!("a window of {} is no whole number of seconds", span_text(length)),
            "temperatures are looked at once a second; take whole seconds",
        ));
    }
    Ok(length)
}

fn relation(words: &mut Words<'_>, measured: &Measured) -> Result<Comparison, Mistake> {
    let comparison = match words.written() {
        Some("<") => Comparison::Below,
        Some("<=" | "≤") => Comparison::AtMost,
        Some(">") => Comparison::Above,
        Some(">=" | "≥") => Comparison::AtLeast,
        written => {
            let hint = match (written, measured) {
                (Some("=" | "=="), _) => "what is measured is never met exactly; use `>=` or `<=`",
                (Some("on" | "off"), Measured::Level(_)) => {
                    "`kiln`, `probe` and `set-point` are temperatures; the switches are `heat` and `element`"
                }
                (Some("over"), Measured::Level(_)) => {
                    "over a window there are `rise of probe over 10 min` and `rate of probe over 10 min`"
                }
                (Some("+" | "."), _) => "put blanks around a minus; sums are not compared, differences are",
                _ => "compare with `<`, `<=`, `>` or `>=`, for example `kiln > 400 °C`",
            };
            return Err(words.wanted(DiagnosticKind::BadSentence, "a comparison", Some(hint.to_owned())));
        }
    };
    words.step();
    Ok(comparison)
}

/// Refuses words where only a number can stand.
fn no_declared(words: &Words<'_>, wanted: &str, example: &str) -> Result<(), Mistake> {
    if words.word().is_none() {
        return Ok(());
    }
    let hint = format!("write it as a number with its unit, for example `{example}`");
    Err(words.wanted(DiagnosticKind::BadSentence, wanted, Some(hint)))
}

/// Reads a limit of temperature: `1300 °C`, `kiln limit - 20 °C`.
fn temperature_limit(words: &mut Words<'_>) -> Result<Limit, Mistake> {
    let which = if words.take_phrase(&["declared", "top", "temperature"])? {
        DeclaredLimit::TopTemperature
    } else if words.take_phrase(&["kiln", "limit"])? {
        DeclaredLimit::KilnLimit
    } else if words.take_all(&["limiter", "trip"]) {
        DeclaredLimit::LimiterTrip
    } else if words.take_all(&["limiter", "reset"]) {
        DeclaredLimit::LimiterReset
    } else if words.written() == Some("limiter") {
        let hint = "of a limiter there are `limiter trip`, above which it trips, and `limiter reset`, below which it \
                    can be reset";
        return Err(words.wanted(DiagnosticKind::BadSentence, "a limit", Some(hint.to_owned())));
    } else if words.word().is_some() {
        let hint = "a limit is a temperature (`1300 °C`), `declared top temperature` or `kiln limit`, the last two \
                    perhaps with `+ 20 °C`, or another level: `kiln.bottom + 60 °C`";
        return Err(words.wanted(DiagnosticKind::BadSentence, "a limit", Some(hint.to_owned())));
    } else {
        return Ok(Limit::Temperature(words.temperature()?.0));
    };
    let sign = match words.written() {
        Some("+") => 1,
        Some("-") => -1,
        _ => return Ok(Limit::Declared { which, plus_millicelsius: 0 }),
    };
    words.step();
    Ok(Limit::Declared { which, plus_millicelsius: sign * words.difference()? })
}

impl Measured {
    /// The window that it looks back over, if it has one.
    pub fn window(&self) -> Option<RigSpan> {
        match self {
            Measured::Rise { over, .. } | Measured::Rate { over, .. } | Measured::Duty { over, .. } => Some(*over),
            Measured::Level(_) | Measured::Spread(_) | Measured::Difference { .. } => None,
        }
    }

    /// The zones that it names.
    pub fn zones(&self) -> Vec<&ZoneSelector> {
        match self {
            Measured::Level(of) | Measured::Rise { of, .. } | Measured::Rate { of, .. } => {
                of.zone().into_iter().collect()
            }
            Measured::Difference { of, less } => [of.zone(), less.zone()].into_iter().flatten().collect(),
            Measured::Duty { of, .. } => of.zone().into_iter().collect(),
            Measured::Spread(_) => Vec::new(),
        }
    }
}

impl LevelSignal {
    /// Of which zone, where there is one for each.
    pub fn zone(&self) -> Option<&ZoneSelector> {
        match self {
            LevelSignal::Kiln(zone) | LevelSignal::Probe(zone) => Some(zone),
            LevelSignal::SetPoint | LevelSignal::LimiterProbe => None,
        }
    }
}

impl SwitchSignal {
    /// Of which zone, where there is one for each.
    pub fn zone(&self) -> Option<&ZoneSelector> {
        match self {
            SwitchSignal::Heat(zone) | SwitchSignal::Isolated(zone) | SwitchSignal::Element(zone) => Some(zone),
            SwitchSignal::Safety
            | SwitchSignal::Limiter
            | SwitchSignal::Contact(_)
            | SwitchSignal::Supply
            | SwitchSignal::Console(_) => None,
        }
    }
}

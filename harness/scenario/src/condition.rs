//! Conditions: a small language, read by recursive descent.
//!
//! ```text
//! condition   = both , { "or" , both } ;
//! both        = single , { "and" , single } ;
//! single      = "not" , single
//!             | "(" , condition , ")" , [ held ]
//!             | comparison , [ held ]
//!             | state , [ held ] ;
//! held        = "for" , duration ;
//! comparison  = level , ( "<" | "<=" | "≤" | ">" | ">=" | "≥" ) , limit ;
//! state       = switch , word ;
//! ```

use std::fmt;

use crate::diagnostic::{Diagnostic, DiagnosticKind};
use crate::quantity::{span_text, thousandths};
use crate::source::{Source, quoted};
use crate::suggest::{either, nearest};
use crate::text::ScalarText;
use crate::words::{Mistake, Words};
use crate::{
    Comparison, Condition, ContactRole, DeclaredLimit, LevelSignal, Limit, Spanned, SwitchSignal, ZoneSelector,
};

/// Nesting of brackets and `not` beyond this is refused.
const MAX_NESTING: usize = 16;

/// Where a condition stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ConditionPlace {
    /// In a script's `when`: `for` is allowed.
    When,
    /// In an expectation.
    Expectation,
}

/// Every signal by its word, as conditions name them.
pub const SIGNALS: &[&str] =
    &["kiln", "probe", "heat", "element", "safety", "lid", "stop", "start", "acknowledge", "supply"];

/// The words for a switch that is on, and for one that is off.
fn states(switch: &SwitchSignal) -> [&'static str; 2] {
    match switch {
        SwitchSignal::Heat(_) | SwitchSignal::Element(_) | SwitchSignal::Supply => ["on", "off"],
        SwitchSignal::Safety => ["closed", "open"],
        SwitchSignal::Contact(ContactRole::Lid) => ["open", "shut"],
        SwitchSignal::Contact(_) => ["pressed", "released"],
    }
}

/// Reads a condition that stands alone, not in a file.
///
/// # Errors
/// The mistake found; places count in the text itself.
pub fn parse_condition(text: &str, place: ConditionPlace) -> Result<Condition, Box<Diagnostic>> {
    let scalar = ScalarText::plain(text);
    condition(&scalar, place).map_err(|mistake| {
        let source = Source::new("condition", text);
        let span = scalar.span(mistake.range);
        Box::new(source.diagnostic(mistake.kind, span, mistake.message, mistake.hint))
    })
}

/// Reads a condition in a file.
pub(crate) fn condition(text: &ScalarText, place: ConditionPlace) -> Result<Condition, Mistake> {
    let mut parser = Parser { words: Words::of(text), place, nesting: 0 };
    let condition = parser.alternatives()?;
    parser.words.end("conditions are joined by `and` or `or`")?;
    Ok(condition)
}

/// Reads a limit of temperature: `1300 °C`, `kiln limit - 20 °C`.
pub(crate) fn limit(words: &mut Words<'_>) -> Result<Spanned<Limit>, Mistake> {
    let start = words.range().start;
    let which = if words.take_phrase(&["declared", "top", "temperature"])? {
        Some(DeclaredLimit::TopTemperature)
    } else if words.take_phrase(&["kiln", "limit"])? {
        Some(DeclaredLimit::KilnLimit)
    } else {
        None
    };
    let value = match which {
        None if words.word().is_some() => {
            let words_hint = "a limit is a temperature (`1300 °C`), `declared top temperature` or `kiln limit`, \
                              the last two perhaps with `+ 20 °C`";
            return Err(words.wanted(DiagnosticKind::BadSentence, "a limit", Some(words_hint.to_owned())));
        }
        None => Limit::Temperature(words.temperature()?.0),
        Some(which) => {
            let sign = match words.written() {
                Some("+") => 1,
                Some("-") => -1,
                _ => 0,
            };
            let mut plus_millicelsius = 0;
            if sign != 0 {
                words.step();
                plus_millicelsius = sign * words.difference()?;
            }
            Limit::Declared { which, plus_millicelsius }
        }
    };
    let span = words.span(start..words.end_of_last());
    Ok(Spanned { value, span })
}

struct Parser<'t> {
    words: Words<'t>,
    place: ConditionPlace,
    nesting: usize,
}

impl Parser<'_> {
    fn alternatives(&mut self) -> Result<Condition, Mistake> {
        let mut parts = vec![self.conjunction()?];
        while self.words.take("or") {
            parts.push(self.conjunction()?);
        }
        Ok(if parts.len() == 1 { parts.remove(0) } else { Condition::Or(parts) })
    }

    fn conjunction(&mut self) -> Result<Condition, Mistake> {
        let mut parts = vec![self.single()?];
        while self.words.take("and") {
            parts.push(self.single()?);
        }
        Ok(if parts.len() == 1 { parts.remove(0) } else { Condition::And(parts) })
    }

    fn nested<T>(&mut self, read: impl FnOnce(&mut Self) -> Result<T, Mistake>) -> Result<T, Mistake> {
        if self.nesting == MAX_NESTING {
            return Err(Mistake {
                kind: DiagnosticKind::BadSentence,
                range: self.words.range(),
                message: format!("brackets and `not` are nested more than {MAX_NESTING} deep here"),
                hint: Some("split it into several expectations".to_owned()),
            });
        }
        self.nesting += 1;
        let result = read(self);
        self.nesting -= 1;
        result
    }

    fn single(&mut self) -> Result<Condition, Mistake> {
        if self.words.take("not") {
            return self.nested(|parser| Ok(Condition::Not(Box::new(parser.single()?))));
        }
        let condition = if self.words.written() == Some("(") {
            let opening = self.words.range();
            self.words.step();
            let inside = self.nested(Self::alternatives)?;
            if !self.words.take(")") {
                return Err(Mistake {
                    kind: DiagnosticKind::BadSentence,
                    range: opening,
                    message: "this bracket is never closed".to_owned(),
                    hint: Some("add `)` where it ends".to_owned()),
                });
            }
            inside
        } else {
            self.atom()?
        };
        self.held(condition)
    }

    fn held(&mut self, condition: Condition) -> Result<Condition, Mistake> {
        let range = self.words.range();
        if !self.words.take("for") {
            return Ok(condition);
        }
        let mistake = |range, message: &str, hint: &str| Mistake {
            kind: DiagnosticKind::BadSentence,
            range,
            message: message.to_owned(),
            hint: Some(hint.to_owned()),
        };
        if self.place == ConditionPlace::Expectation {
            return Err(mistake(
                range,
                "`for` can only stand in a script's `when`",
                "name a moment in the script and say `after: …, until: …` in the expectation",
            ));
        }
        if holds_for(&condition) {
            return Err(mistake(range, "one `for` stands inside another", "keep the one that is meant"));
        }
        let start = self.words.range();
        let length = self.words.duration()?;
        if length.as_micros() <= 0 {
            return Err(mistake(start, "`for` no time at all says nothing", "for example `element on for 0.5 s`"));
        }
        Ok(Condition::HeldFor { condition: Box::new(condition), length })
    }

    fn atom(&mut self) -> Result<Condition, Mistake> {
        let start = self.words.range().start;
        let Some(word) = self.words.word() else {
            return Err(self.words.wanted(
                DiagnosticKind::BadSentence,
                "a condition",
                Some("for example `kiln > 400 °C` or `element on`".to_owned()),
            ));
        };
        if !SIGNALS.contains(&word) {
            return Err(self.unknown_signal(word));
        }
        let word_range = self.words.range();
        self.words.step();
        let has_zones = matches!(word, "kiln" | "probe" | "heat" | "element");
        let zone = self.words.zone()?;
        let span = self.words.span(start..self.words.end_of_last());
        if !has_zones && zone != ZoneSelector::All {
            return Err(Mistake {
                kind: DiagnosticKind::UnknownSignal,
                range: word_range.start..self.words.end_of_last(),
                message: format!("{} is one for the whole kiln and has no zones", quoted(word)),
                hint: Some(format!("write `{word}` alone")),
            });
        }
        let switch = match word {
            "kiln" => return self.comparison(Spanned { value: LevelSignal::Kiln(zone), span }),
            "probe" => return self.comparison(Spanned { value: LevelSignal::Probe(zone), span }),
            "heat" => SwitchSignal::Heat(zone),
            "element" => SwitchSignal::Element(zone),
            "safety" => SwitchSignal::Safety,
            "supply" => SwitchSignal::Supply,
            "lid" => SwitchSignal::Contact(ContactRole::Lid),
            "stop" => SwitchSignal::Contact(ContactRole::Stop),
            "start" => SwitchSignal::Contact(ContactRole::Start),
            _ => SwitchSignal::Contact(ContactRole::Acknowledge),
        };
        let [on, off] = states(&switch);
        match self.words.take_one(&[(on, true), (off, false)]) {
            Some(on) => Ok(Condition::Is { switch: Spanned { value: switch, span }, on }),
            None => Err(self.unknown_state(word, on, off)),
        }
    }

    fn comparison(&mut self, level: Spanned<LevelSignal>) -> Result<Condition, Mistake> {
        let comparison = match self.words.written() {
            Some("<") => Comparison::Below,
            Some("<=" | "≤") => Comparison::AtMost,
            Some(">") => Comparison::Above,
            Some(">=" | "≥") => Comparison::AtLeast,
            written => {
                let hint = match written {
                    Some("=" | "==") => "a temperature is never met exactly; use `>=` or `<=`",
                    Some("on" | "off") => "`kiln` and `probe` are temperatures; the switches are `heat` and `element`",
                    _ => "compare with `<`, `<=`, `>` or `>=`, for example `kiln > 400 °C`",
                };
                return Err(self.words.wanted(DiagnosticKind::BadSentence, "a comparison", Some(hint.to_owned())));
            }
        };
        self.words.step();
        let limit = limit(&mut self.words)?;
        Ok(Condition::Compare { level, comparison, limit })
    }

    fn unknown_signal(&self, word: &str) -> Mistake {
        let hint = match word {
            "contactor" => "the safety contactor is `safety`: `safety open`".to_owned(),
            "relay" => "the element relay is `element`, the contactor `safety`".to_owned(),
            "temperature" | "temp" => {
                "`kiln` is the kiln's temperature, `probe` what the controller is shown".to_owned()
            }
            "door" => "the lid or door is `lid`: `lid open`".to_owned(),
            "elements" => "one or any element is `element`: `element on`".to_owned(),
            "power" => "`heat` is current in an element, `supply` the controller's own supply".to_owned(),
            "or" | "and" => format!("`{word}` joins two conditions; one of them is missing"),
            _ => match nearest(word, SIGNALS.iter().copied()) {
                Some(near) => format!("did you mean `{near}`?"),
                None => format!("the signals are {}", SIGNALS.join(", ")),
            },
        };
        Mistake {
            kind: if matches!(word, "or" | "and") {
                DiagnosticKind::BadSentence
            } else {
                DiagnosticKind::UnknownSignal
            },
            range: self.words.range(),
            message: format!("there is no signal {}", quoted(word)),
            hint: Some(hint),
        }
    }

    fn unknown_state(&self, signal: &str, on: &str, off: &str) -> Mistake {
        let hint = match self.words.written() {
            Some("is") => format!("leave `is` out: `{signal} {on}`"),
            Some("cut") if signal == "heat" => {
                "`heat: cut` is an expectation of its own: `within: 10 s, heat: cut`".to_owned()
            }
            Some(word) => match nearest(word, [on, off]) {
                Some(near) => format!("did you mean `{signal} {near}`?"),
                None => format!("write {}", either(&[&format!("{signal} {on}"), &format!("{signal} {off}")])),
            },
            None => format!("write {}", either(&[&format!("{signal} {on}"), &format!("{signal} {off}")])),
        };
        let wanted = format!("{} or {}", quoted(on), quoted(off));
        self.words.wanted(DiagnosticKind::UnknownState, &wanted, Some(hint))
    }
}

fn holds_for(condition: &Condition) -> bool {
    match condition {
        Condition::HeldFor { .. } => true,
        Condition::Compare { .. } | Condition::Is { .. } => false,
        Condition::Not(inner) => holds_for(inner),
        Condition::And(parts) | Condition::Or(parts) => parts.iter().any(holds_for),
    }
}

impl fmt::Display for ZoneSelector {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            ZoneSelector::All => Ok(()),
            ZoneSelector::Number(number) => write!(f, ".{number}"),
            ZoneSelector::Name(name) => write!(f, ".{name}"),
        }
    }
}

impl fmt::Display for LevelSignal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            LevelSignal::Kiln(zone) => write!(f, "kiln{zone}"),
            LevelSignal::Probe(zone) => write!(f, "probe{zone}"),
        }
    }
}

impl fmt::Display for SwitchSignal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            SwitchSignal::Heat(zone) => write!(f, "heat{zone}"),
            SwitchSignal::Element(zone) => write!(f, "element{zone}"),
            SwitchSignal::Safety => f.write_str("safety"),
            SwitchSignal::Contact(contact) => f.write_str(contact.word()),
            SwitchSignal::Supply => f.write_str("supply"),
        }
    }
}

impl fmt::Display for Limit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Limit::Temperature(value) => write!(f, "{} °C", thousandths(*value)),
            Limit::Declared { which, plus_millicelsius } => {
                f.write_str(match which {
                    DeclaredLimit::TopTemperature => "declared top temperature",
                    DeclaredLimit::KilnLimit => "kiln limit",
                })?;
                match plus_millicelsius {
                    0 => Ok(()),
                    plus if *plus > 0 => write!(f, " + {} °C", thousandths(*plus)),
                    minus => write!(f, " - {} °C", thousandths(minus.saturating_neg())),
                }
            }
        }
    }
}

/// As it is written in a file; reads back to the same condition.
impl fmt::Display for Condition {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Condition::Compare { level, comparison, limit } => {
                let sign = match comparison {
                    Comparison::Below => "<",
                    Comparison::AtMost => "<=",
                    Comparison::Above => ">",
                    Comparison::AtLeast => ">=",
                };
                write!(f, "{} {sign} {}", level.value, limit.value)
            }
            Condition::Is { switch, on } => {
                let [word_on, word_off] = states(&switch.value);
                write!(f, "{} {}", switch.value, if *on { word_on } else { word_off })
            }
            Condition::HeldFor { condition, length } => {
                operand(f, condition, Binding::Single)?;
                write!(f, " for {}", span_text(*length))
            }
            Condition::Not(inner) => {
                f.write_str("not ")?;
                match **inner {
                    Condition::And(_) | Condition::Or(_) => write!(f, "({inner})"),
                    _ => write!(f, "{inner}"),
                }
            }
            Condition::And(parts) => joined(f, parts, " and "),
            Condition::Or(parts) => joined(f, parts, " or "),
        }
    }
}

/// What an operand may be without brackets.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Binding {
    /// Only a comparison or a state.
    Single,
    /// An alternative's part: `and` binds tighter.
    Alternative,
    /// A conjunction's part.
    Conjunction,
}

fn operand(f: &mut fmt::Formatter<'_>, condition: &Condition, binding: Binding) -> fmt::Result {
    let bare = match condition {
        Condition::Compare { .. } | Condition::Is { .. } => true,
        Condition::HeldFor { .. } | Condition::Not(_) => binding != Binding::Single,
        Condition::And(_) => binding == Binding::Alternative,
        Condition::Or(_) => false,
    };
    if bare { write!(f, "{condition}") } else { write!(f, "({condition})") }
}

fn joined(f: &mut fmt::Formatter<'_>, parts: &[Condition], word: &str) -> fmt::Result {
    let binding = if word == " or " { Binding::Alternative } else { Binding::Conjunction };
    for (index, part) in parts.iter().enumerate() {
        if index > 0 {
            f.write_str(word)?;
        }
        operand(f, part, binding)?;
    }
    Ok(())
}

impl ContactRole {
    /// The contact's word in scenarios and bench files.
    pub fn word(self) -> &'static str {
        match self {
            ContactRole::Lid => "lid",
            ContactRole::Stop => "stop",
            ContactRole::Start => "start",
            ContactRole::Acknowledge => "acknowledge",
        }
    }
}

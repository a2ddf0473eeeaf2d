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
//! comparison  = measured , ( "<" | "<=" | "≤" | ">" | ">=" | "≥" ) , limit ;
//! state       = switch , word ;
//! ```
//!
//! What is measured and what it is compared with is read in [`measured`].

pub(crate) mod measured;
mod printed;

use crate::console::ConsolePattern;
use crate::diagnostic::{Diagnostic, DiagnosticKind};
use crate::source::{Source, quoted};
use crate::suggest::{either, nearest};
use crate::text::ScalarText;
use crate::words::{Mistake, Words};
use crate::{Condition, ContactRole, Spanned, SwitchSignal, ZoneSelector};

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
pub const SIGNALS: &[&str] = &[
    "kiln",
    "probe",
    "set-point",
    "heat",
    "element",
    "safety",
    "lid",
    "stop",
    "start",
    "acknowledge",
    "limiter",
    "reset",
    "supply",
    "isolated",
    "live",
    "console",
    "rise",
    "rate",
    "duty",
];

/// Words that begin a comparison.
const MEASURED: &[&str] = &["kiln", "probe", "set-point", "rise", "rate", "duty"];

/// The words for a switch that is on, and for one that is off.
fn states(switch: &SwitchSignal) -> [&'static str; 2] {
    match switch {
        SwitchSignal::Heat(_) | SwitchSignal::Element(_) | SwitchSignal::Supply => ["on", "off"],
        SwitchSignal::Safety => ["closed", "open"],
        SwitchSignal::Limiter => ["closed", "tripped"],
        SwitchSignal::Contact(ContactRole::Lid) => ["open", "shut"],
        SwitchSignal::Contact(_) => ["pressed", "released"],
        // Of these the word is the whole sentence.
        SwitchSignal::Isolated(_) => ["isolated", "live"],
        SwitchSignal::Console(_) => ["says", "does not say"],
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
        if MEASURED.contains(&word) || measured::is_limiter_probe(&self.words) {
            return measured::comparison(&mut self.words);
        }
        let switch = switch(&mut self.words)?;
        if let SwitchSignal::Isolated(_) = switch {
            let span = self.words.span(start..self.words.end_of_last());
            return Ok(Condition::Is { switch: Spanned { value: switch, span }, on: word == "isolated" });
        }
        let span = self.words.span(start..self.words.end_of_last());
        if let SwitchSignal::Console(_) = switch {
            return Ok(Condition::Is { switch: Spanned { value: switch, span }, on: true });
        }
        let [on, off] = states(&switch);
        match self.words.take_one(&[(on, true), (off, false)]) {
            Some(on) => Ok(Condition::Is { switch: Spanned { value: switch, span }, on }),
            None => Err(self.unknown_state(word, on, off)),
        }
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
            "temperature-difference" | "difference" => "write `kiln.top - kiln.bottom < 60 °C`".to_owned(),
            "spread" => "it stands after what it is the spread of: `probe spread < 60 °C`".to_owned(),
            "setpoint" | "target" => "what the controller says that it aims at is `set-point`".to_owned(),
            "log" | "serial" => "what the controller writes is `console says \"…\"`".to_owned(),
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
            Some("isolated" | "live") => "`isolated` and `live` stand alone, or with a zone: `isolated.top`".to_owned(),
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

/// Reads a switch, without its state: `element.top`, `console says "…"`.
pub(crate) fn switch(words: &mut Words<'_>) -> Result<SwitchSignal, Mistake> {
    let word_range = words.range();
    let word = words.word().unwrap_or_default();
    let has_zones = matches!(word, "heat" | "element" | "isolated" | "live");
    if word == "console" {
        return console(words);
    }
    words.step();
    let zone = words.zone()?;
    if !has_zones && zone != ZoneSelector::All {
        return Err(Mistake {
            kind: DiagnosticKind::UnknownSignal,
            range: word_range.start..words.end_of_last(),
            message: format!("{} is one for the whole kiln and has no zones", quoted(word)),
            hint: Some(format!("write `{word}` alone")),
        });
    }
    Ok(match word {
        "heat" => SwitchSignal::Heat(zone),
        "element" => SwitchSignal::Element(zone),
        "isolated" | "live" => SwitchSignal::Isolated(zone),
        "safety" => SwitchSignal::Safety,
        "limiter" => SwitchSignal::Limiter,
        "supply" => SwitchSignal::Supply,
        "lid" => SwitchSignal::Contact(ContactRole::Lid),
        "stop" => SwitchSignal::Contact(ContactRole::Stop),
        "start" => SwitchSignal::Contact(ContactRole::Start),
        "reset" => SwitchSignal::Contact(ContactRole::Reset),
        _ => SwitchSignal::Contact(ContactRole::Acknowledge),
    })
}

/// `console says "fault [0-9]+"`.
fn console(words: &mut Words<'_>) -> Result<SwitchSignal, Mistake> {
    words.take_phrase(&["console", "says"])?;
    let range = words.range();
    let Some(text) = words.quoted_text()? else {
        let hint = "for example `console says \"fault [0-9]+\"`, in double quotes; where it holds `: ` or ` #`, put \
                    the whole condition into single quotes";
        return Err(words.wanted(DiagnosticKind::BadSentence, "a text in double quotes", Some(hint.to_owned())));
    };
    ConsolePattern::new(&text).map(SwitchSignal::Console).map_err(|message| Mistake {
        kind: DiagnosticKind::BadSentence,
        range,
        message,
        hint: Some(
            "plain words are mostly enough and found as they stand; `.`, `(`, `[`, `*`, `+` and `?` take a `\\` in front".to_owned(),
        ),
    })
}

fn holds_for(condition: &Condition) -> bool {
    match condition {
        Condition::HeldFor { .. } => true,
        Condition::Compare { .. } | Condition::Is { .. } => false,
        Condition::Not(inner) => holds_for(inner),
        Condition::And(parts) | Condition::Or(parts) => parts.iter().any(holds_for),
    }
}

impl ContactRole {
    /// The lines of the controller's own electronics that can be held, beside the test line.
    pub const HELD_LINES: [ContactRole; 4] =
        [ContactRole::ResetLine, ContactRole::DataLineLow, ContactRole::DataLineHigh, ContactRole::ClockLineLow];

    /// The contact's word in scenarios and bench files.
    pub fn word(self) -> &'static str {
        match self {
            ContactRole::Lid => "lid",
            ContactRole::Stop => "stop",
            ContactRole::Start => "start",
            ContactRole::Acknowledge => "acknowledge",
            ContactRole::TestLine => "test line",
            ContactRole::ResetLine => "reset line",
            ContactRole::DataLineLow => "data line low",
            ContactRole::DataLineHigh => "data line high",
            ContactRole::ClockLineLow => "clock line low",
            ContactRole::Reset => "reset",
            ContactRole::LimiterSupply => "limiter supply",
        }
    }
}

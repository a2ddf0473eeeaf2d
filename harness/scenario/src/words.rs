//! The words of a sentence, and a cursor over them.

use std::ops::Range;

use dryfire_units::RigSpan;

use crate::diagnostic::DiagnosticKind;
use crate::quantity;
use crate::source::quoted;
use crate::text::ScalarText;
use crate::{Moment, Span, Spanned, ZoneSelector};

/// A mistake in a sentence: bytes of the sentence, not of the file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Mistake {
    pub(crate) kind: DiagnosticKind,
    pub(crate) range: Range<usize>,
    pub(crate) message: String,
    pub(crate) hint: Option<String>,
}

/// What a word of a sentence is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Token {
    /// Letters, with digits, hyphens and the like behind; also a unit.
    Word,
    /// Digits, perhaps with a decimal point.
    Number,
    /// `<`, `<=`, `(`, `+` and the like.
    Symbol,
    /// A text in double quotes, the quotes included; the last one may be missing.
    Text,
}

/// A cursor over the words of a sentence.
#[derive(Debug)]
pub(crate) struct Words<'t> {
    text: &'t ScalarText,
    tokens: Vec<(Token, Range<usize>)>,
    at: usize,
}

impl<'t> Words<'t> {
    pub(crate) fn of(text: &'t ScalarText) -> Self {
        Words { text, tokens: split(&text.text), at: 0 }
    }

    fn slice(&self, range: &Range<usize>) -> &'t str {
        &self.text.text[range.clone()]
    }

    /// The word at the cursor, if it is one.
    pub(crate) fn word(&self) -> Option<&'t str> {
        match self.tokens.get(self.at) {
            Some((Token::Word, range)) => Some(self.slice(range)),
            _ => None,
        }
    }

    /// Whatever stands at the cursor.
    pub(crate) fn written(&self) -> Option<&'t str> {
        self.tokens.get(self.at).map(|(_, range)| self.slice(range))
    }

    /// Whatever stands behind it.
    pub(crate) fn written_next(&self) -> Option<&'t str> {
        self.tokens.get(self.at + 1).map(|(_, range)| self.slice(range))
    }

    /// Bytes of whatever stands at the cursor; at the end, the last bytes.
    pub(crate) fn range(&self) -> Range<usize> {
        match self.tokens.get(self.at) {
            Some((_, range)) => range.clone(),
            None => self.tokens.last().map_or(0..self.text.text.len(), |(_, range)| range.clone()),
        }
    }

    /// The last byte that was read.
    pub(crate) fn end_of_last(&self) -> usize {
        self.at.checked_sub(1).and_then(|last| self.tokens.get(last)).map_or(0, |(_, range)| range.end)
    }

    pub(crate) fn at_end(&self) -> bool {
        self.at >= self.tokens.len()
    }

    pub(crate) fn step(&mut self) {
        self.at += 1;
    }

    /// Takes this word or symbol, if it stands here.
    pub(crate) fn take(&mut self, written: &str) -> bool {
        let here = self.written() == Some(written);
        if here {
            self.at += 1;
        }
        here
    }

    /// Takes these words, if all of them stand here.
    pub(crate) fn take_all(&mut self, words: &[&str]) -> bool {
        let mut tokens = self.tokens[self.at.min(self.tokens.len())..].iter();
        let here = words.iter().all(|word| tokens.next().is_some_and(|(_, range)| self.slice(range) == *word));
        if here {
            self.at += words.len();
        }
        here
    }

    /// Takes these words if the first of them stands here; then the others have to follow.
    pub(crate) fn take_phrase(&mut self, words: &[&str]) -> Result<bool, Mistake> {
        if words.first().is_none_or(|first| self.written() != Some(*first)) {
            return Ok(false);
        }
        for word in words {
            if !self.take(word) {
                let wanted = quoted(word);
                let hint = format!("the whole is `{}`", words.join(" "));
                return Err(self.wanted(DiagnosticKind::BadSentence, &wanted, Some(hint)));
            }
        }
        Ok(true)
    }

    /// Takes the first that stands here of several words.
    pub(crate) fn take_one<T: Copy>(&mut self, choices: &[(&str, T)]) -> Option<T> {
        let word = self.word()?;
        let (_, value) = choices.iter().find(|(choice, _)| *choice == word)?;
        self.at += 1;
        Some(*value)
    }

    /// A mistake at the cursor: `wanted` is what should stand there.
    pub(crate) fn wanted(&self, kind: DiagnosticKind, wanted: &str, hint: Option<String>) -> Mistake {
        let message = match self.written() {
            Some(found) => format!("{wanted} is wanted here, not {}", quoted(found)),
            None => format!("{wanted} is wanted after {}", quoted(self.slice(&self.range()))),
        };
        Mistake { kind, range: self.range(), message, hint }
    }

    /// Refuses what is left over.
    pub(crate) fn end(&self, hint: &str) -> Result<(), Mistake> {
        if self.at_end() {
            return Ok(());
        }
        let rest = self.range().start..self.tokens.last().map_or(0, |(_, range)| range.end);
        Err(Mistake {
            kind: DiagnosticKind::BadSentence,
            message: format!("{} is left over here", quoted(self.slice(&rest))),
            range: rest,
            hint: Some(hint.to_owned()),
        })
    }

    /// The bytes of a quantity at the cursor: number and unit, both optional,
    /// several of them in a row if `several` (`1 h 30 min`).
    fn quantity(&mut self, several: bool, example: &str) -> Result<Range<usize>, Mistake> {
        let start = self.range().start;
        let signed = matches!(self.written(), Some("-" | "+"));
        if signed {
            self.at += 1;
        }
        if !matches!(self.tokens.get(self.at), Some((Token::Number, _))) {
            self.at -= usize::from(signed);
            return Err(self.wanted(
                DiagnosticKind::BadQuantity,
                "a number with its unit",
                Some(format!("for example `{example}`")),
            ));
        }
        let mut end = start;
        while let Some((Token::Number, range)) = self.tokens.get(self.at) {
            end = range.end;
            self.at += 1;
            let unit = self.word().filter(|word| !matches!(*word, "and" | "or" | "for" | "after" | "within" | "in"));
            if unit.is_some() {
                end = self.range().end;
                self.at += 1;
            }
            if !several {
                break;
            }
        }
        Ok(start..end)
    }

    fn parse_quantity<T>(
        &mut self,
        several: bool,
        example: &str,
        parse: impl Fn(&str) -> Result<T, quantity::Wrong>,
    ) -> Result<(T, Range<usize>), Mistake> {
        let range = self.quantity(several, example)?;
        match parse(self.slice(&range)) {
            Ok(value) => Ok((value, range)),
            Err(wrong) => Err(Mistake {
                kind: wrong.kind,
                range: range.start + wrong.range.start..range.start + wrong.range.end,
                message: wrong.message,
                hint: wrong.hint,
            }),
        }
    }

    /// A length of time.
    pub(crate) fn duration(&mut self) -> Result<RigSpan, Mistake> {
        self.parse_quantity(true, "10 s", quantity::span).map(|(value, _)| value)
    }

    /// A temperature in thousandths of a degree Celsius.
    pub(crate) fn temperature(&mut self) -> Result<(i64, Range<usize>), Mistake> {
        self.parse_quantity(false, "400 °C", quantity::temperature)
    }

    /// A difference of temperatures in thousandths of a degree Celsius.
    pub(crate) fn difference(&mut self) -> Result<i64, Mistake> {
        self.parse_quantity(false, "20 °C", quantity::difference).map(|(value, _)| value)
    }

    /// A rate in thousandths of a degree Celsius for each hour.
    pub(crate) fn rate(&mut self) -> Result<(i64, Range<usize>), Mistake> {
        self.parse_quantity(false, "150 °C/h", quantity::rate)
    }

    /// A rate of either sign, in thousandths of a degree Celsius for each hour.
    pub(crate) fn drift(&mut self) -> Result<i64, Mistake> {
        self.parse_quantity(false, "20 °C/h", quantity::drift).map(|(value, _)| value)
    }

    /// The name of a moment.
    pub(crate) fn moment(&mut self) -> Result<Spanned<Moment>, Mistake> {
        let Some(word) = self.word() else {
            return Err(self.wanted(
                DiagnosticKind::BadSentence,
                "the name of a moment",
                Some("a moment is named by `call it` in the script; `begin` is the beginning of the firing".to_owned()),
            ));
        };
        let range = self.range();
        self.at += 1;
        Ok(Spanned { value: Moment(word.to_owned()), span: self.span(range) })
    }

    /// A text in double quotes: `\"` in it is a quote, every other `\` stays.
    pub(crate) fn quoted_text(&mut self) -> Result<Option<String>, Mistake> {
        let Some((Token::Text, range)) = self.tokens.get(self.at) else { return Ok(None) };
        let range = range.clone();
        let mut text = String::new();
        let mut rest = self.slice(&range).chars().skip(1);
        while let Some(letter) = rest.next() {
            match letter {
                '"' => {
                    self.at += 1;
                    return Ok(Some(text));
                }
                '\\' => match rest.next() {
                    Some('"') => text.push('"'),
                    escaped => {
                        text.push('\\');
                        text.extend(escaped);
                    }
                },
                other => text.push(other),
            }
        }
        Err(Mistake {
            kind: DiagnosticKind::BadSentence,
            range,
            message: "this text in quotes never ends".to_owned(),
            hint: Some("add `\"` where it ends".to_owned()),
        })
    }

    /// A rate of either sign in thousandths of a degree Celsius for each hour.
    pub(crate) fn signed_rate(&mut self) -> Result<i64, Mistake> {
        self.parse_quantity(false, "150 °C/h", quantity::signed_rate).map(|(value, _)| value)
    }

    /// A share in thousandths of a percent.
    pub(crate) fn share(&mut self) -> Result<i64, Mistake> {
        self.parse_quantity(false, "95 %", quantity::share).map(|(value, _)| value)
    }

    /// A selector of zones after a signal or a part: nothing, `.2` or `.top`.
    pub(crate) fn zone(&mut self) -> Result<ZoneSelector, Mistake> {
        if self.written() != Some(".") || self.range().start != self.end_of_last() {
            return Ok(ZoneSelector::All);
        }
        let dot = self.range();
        self.at += 1;
        let wrong = |range: Range<usize>, message: String| Mistake {
            kind: DiagnosticKind::UnknownRole,
            range,
            message,
            hint: Some("a zone is its place, counted from 1, or its name: `kiln.2`, `kiln.top`".to_owned()),
        };
        match self.tokens.get(self.at) {
            Some((kind, range)) if range.start == dot.end && matches!(kind, Token::Word | Token::Number) => {
                let (kind, range) = (*kind, range.clone());
                let written = self.slice(&range);
                self.at += 1;
                if kind == Token::Word {
                    return Ok(ZoneSelector::Name(written.to_owned()));
                }
                match written.parse::<u8>() {
                    Ok(number) if number >= 1 => Ok(ZoneSelector::Number(number)),
                    _ => Err(wrong(range, format!("there is no zone {}", quoted(written)))),
                }
            }
            _ => Err(wrong(dot, "a zone is wanted after the dot".to_owned())),
        }
    }

    /// Bytes of the sentence as a place in the file.
    pub(crate) fn span(&self, range: Range<usize>) -> Span {
        self.text.span(range)
    }
}

fn split(text: &str) -> Vec<(Token, Range<usize>)> {
    let mut tokens = Vec::new();
    let mut rest = text.char_indices().peekable();
    while let Some((start, first)) = rest.next() {
        if first.is_whitespace() {
            continue;
        }
        let mut end = start + first.len_utf8();
        let token = if first.is_alphabetic() || matches!(first, '°' | '%' | '_') {
            while let Some((at, next)) =
                rest.next_if(|(_, c)| c.is_alphanumeric() || matches!(c, '-' | '_' | '/' | '°' | '%'))
            {
                end = at + next.len_utf8();
            }
            Token::Word
        } else if first.is_ascii_digit() {
            loop {
                while let Some((at, _)) = rest.next_if(|(_, c)| c.is_ascii_digit()) {
                    end = at + 1;
                }
                // A point or comma belongs to the number only with a digit behind.
                let bytes = text.as_bytes();
                let more = matches!(bytes.get(end), Some(b'.' | b',' | b'_'))
                    && bytes.get(end + 1).is_some_and(u8::is_ascii_digit);
                if !more {
                    break;
                }
                rest.next();
            }
            Token::Number
        } else if first == '"' {
            while let Some((at, next)) = rest.next() {
                end = at + next.len_utf8();
                match next {
                    '"' => break,
                    '\\' => {
                        if let Some((at, escaped)) = rest.next() {
                            end = at + escaped.len_utf8();
                        }
                    }
                    _ => {}
                }
            }
            Token::Text
        } else {
            if matches!(first, '<' | '>' | '=' | '!') && rest.next_if(|(_, c)| *c == '=').is_some() {
                end += 1;
            }
            Token::Symbol
        };
        tokens.push((token, start..end));
    }
    tokens
}

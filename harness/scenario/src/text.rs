//! The text of a scalar, and where each of its characters stands in the file.

use std::ops::Range;

use saphyr_parser::ScalarStyle;

use crate::Span;
use crate::source::Source;
use crate::tree::Scalar;

/// A text with the places of its characters.
#[derive(Clone, Debug)]
pub(crate) struct ScalarText {
    pub(crate) text: String,
    whole: Span,
    /// For each byte of `text`, the bytes of the file that its character
    /// stands for; empty if they cannot be told apart (escapes in quotes).
    places: Vec<Span>,
}

impl ScalarText {
    /// The text of a scalar in a file.
    pub(crate) fn of(source: &Source<'_>, span: Span, scalar: &Scalar) -> Self {
        let written = source.slice(span);
        let places = match scalar.style {
            ScalarStyle::Plain => align(written, span.start, &scalar.text, None),
            ScalarStyle::SingleQuoted => {
                inner(written, '\'').and_then(|inside| align(inside, span.start + 1, &scalar.text, Some('\'')))
            }
            ScalarStyle::DoubleQuoted => inner(written, '"')
                .filter(|inside| !inside.contains('\\'))
                .and_then(|inside| align(inside, span.start + 1, &scalar.text, None)),
            ScalarStyle::Literal | ScalarStyle::Folded => None,
        };
        ScalarText { text: scalar.text.clone(), whole: span, places: places.unwrap_or_default() }
    }

    /// A text that stands for itself.
    pub(crate) fn plain(text: &str) -> Self {
        let whole = Span { start: 0, end: text.len() };
        ScalarText { text: text.to_owned(), whole, places: align(text, 0, text, None).unwrap_or_default() }
    }

    /// Where a range of the text stands in the file.
    pub(crate) fn span(&self, range: Range<usize>) -> Span {
        if self.places.is_empty() {
            return self.whole;
        }
        let Some(first) = self.places.get(range.start) else {
            return Span { start: self.places.last().map_or(self.whole.end, |last| last.end), end: self.whole.end };
        };
        let end = match range.end.checked_sub(1).and_then(|last| self.places.get(last)) {
            Some(last) if range.end > range.start => last.end,
            _ => first.start,
        };
        Span { start: first.start, end: end.max(first.start) }
    }
}

fn inner(written: &str, quote: char) -> Option<&str> {
    written.strip_prefix(quote)?.strip_suffix(quote)
}

/// Places of the characters of `value`, which is what YAML makes of `written`:
/// a doubled quote is one, a line's end with the blanks around it is a blank.
fn align(written: &str, start: usize, value: &str, doubled: Option<char>) -> Option<Vec<Span>> {
    let mut places = Vec::with_capacity(value.len());
    // With line breaks of its own, folding is not followed.
    let folds = !value.contains('\n');
    let mut rest = written.char_indices().peekable();
    for character in value.chars() {
        let (at, found) = rest.next()?;
        let mut end = at + found.len_utf8();
        if found == character {
            if doubled == Some(found) {
                end = rest.next_if(|(_, next)| *next == found)?.0 + found.len_utf8();
            } else if found == ' ' && folds {
                // Blanks before a line's end belong to the one blank that it stands for.
                let mut folded = false;
                let mut ahead = rest.clone();
                while let Some((_, next)) = ahead.next_if(|(_, next)| next.is_whitespace()) {
                    folded |= next == '\n' || next == '\r';
                }
                if folded {
                    while let Some((at, next)) = rest.next_if(|(_, next)| next.is_whitespace()) {
                        end = at + next.len_utf8();
                    }
                }
            }
        } else if character == ' ' && found.is_whitespace() {
            while let Some((at, next)) = rest.next_if(|(_, next)| next.is_whitespace()) {
                end = at + next.len_utf8();
            }
        } else {
            return None;
        }
        let place = Span { start: start + at, end: start + end };
        places.extend(std::iter::repeat_n(place, character.len_utf8()));
    }
    rest.all(|(_, left)| left.is_whitespace()).then_some(places)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn places_of(yaml: &str, range: Range<usize>) -> &str {
        let source = Source::new("test.yaml", yaml);
        let root = crate::tree::build(&source).expect("readable");
        let crate::tree::Content::Scalar(scalar) = &root.content else { panic!("a scalar") };
        let text = ScalarText::of(&source, root.span, scalar);
        let span = text.span(range);
        &yaml[span.start..span.end]
    }

    #[test]
    fn places_survive_quotes_folding_and_letters_of_several_bytes() {
        assert_eq!(places_of("kiln > 400 °C", 7..14), "400 °C");
        assert_eq!(places_of("\"kiln > 400 °C\"", 7..14), "400 °C");
        assert_eq!(places_of("'it''s hot'", 3..6), "s h");
        assert_eq!(places_of("kiln >\n   400 °C", 7..10), "400");
        assert_eq!(places_of("kiln >  \n   400 °C", 7..10), "400");
        assert_eq!(places_of("kiln  >\n   400 °C", 8..11), "400");
        // Escapes: the whole text is marked.
        assert_eq!(places_of(r#""a \u00b0C""#, 2..3), r#""a \u00b0C""#);
    }
}

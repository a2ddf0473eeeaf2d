//! Text as HTML: the one place where what comes from outside becomes markup.

use std::fmt;

use crate::neutralise;

/// HTML that is whole: every text in it went through [`Html::text`] or an attribute.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Html(String);

/// A name of a tag or an attribute, or a value that is written in this program.
type Ours = &'static str;

impl Html {
    pub(super) fn new() -> Self {
        Html::default()
    }

    /// Markup of ours; never anything from a record.
    pub(super) fn raw(&mut self, markup: Ours) -> &mut Self {
        self.0.push_str(markup);
        self
    }

    /// Any text.
    pub(super) fn text(&mut self, text: &str) -> &mut Self {
        escape_into(text, &mut self.0);
        self
    }

    /// Everything of another piece.
    pub(super) fn append(&mut self, other: &Html) -> &mut Self {
        self.0.push_str(&other.0);
        self
    }

    /// An opening tag.
    pub(super) fn open(&mut self, tag: Ours, attributes: &[(Ours, &str)]) -> &mut Self {
        self.0.push('<');
        self.0.push_str(tag);
        for (name, value) in attributes {
            self.0.push(' ');
            self.0.push_str(name);
            self.0.push_str("=\"");
            escape_into(value, &mut self.0);
            self.0.push('"');
        }
        self.0.push('>');
        self
    }

    /// A closing tag.
    pub(super) fn close(&mut self, tag: Ours) -> &mut Self {
        self.0.push_str("</");
        self.0.push_str(tag);
        self.0.push('>');
        self
    }

    /// A tag with a text in it.
    pub(super) fn element(&mut self, tag: Ours, attributes: &[(Ours, &str)], text: &str) -> &mut Self {
        self.open(tag, attributes).text(text).close(tag)
    }

    pub(super) fn into_string(self) -> String {
        self.0
    }
}

/// For paths and coordinates, which are numbers and letters of ours.
impl fmt::Write for Html {
    fn write_str(&mut self, text: &str) -> fmt::Result {
        escape_into(text, &mut self.0);
        Ok(())
    }
}

/// Nothing of it opens a tag, ends an attribute, begins a character reference, turns the writing
/// direction or is a character that HTML forbids.
fn escape_into(text: &str, out: &mut String) {
    for character in neutralise(text).chars() {
        match character {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            // Noncharacters; the HTML standard calls them parse errors.
            other if u32::from(other) & 0xfffe == 0xfffe || matches!(other, '\u{fdd0}'..='\u{fdef}') => {
                out.extend(other.escape_default());
            }
            other => out.push(other),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use rstest::rstest;

    #[rstest]
    #[case("</td><script>alert(1)</script>", "&lt;/td&gt;&lt;script&gt;alert(1)&lt;/script&gt;")]
    #[case("\" onload=\"x", "&quot; onload=&quot;x")]
    #[case("' onload='x", "&#39; onload=&#39;x")]
    #[case("&lt;b&gt;", "&amp;lt;b&amp;gt;")]
    #[case("a\u{0}b\u{1b}[31m\n", "a\\u{0}b\\u{1b}[31m\\n")]
    #[case("\u{202e}gnp.exe", "\\u{202e}gnp.exe")]
    #[case("\u{ffff}", "\\u{ffff}")]
    #[case("21 °C ± 1 – ok", "21 °C ± 1 – ok")]
    fn text_stays_text(#[case] text: &str, #[case] escaped: &str) {
        assert_eq!(Html::new().text(text).clone().into_string(), escaped);
    }

    proptest! {
        /// The characters that end text or an attribute value in any state of the tokenizer
        /// (HTML standard, section 13.2.5).
        #[test]
        fn nothing_from_outside_ends_a_text_or_an_attribute(text in any::<String>()) {
            let mut html = Html::new();
            html.element("p", &[("title", &text)], &text);
            let html = html.into_string();
            let inside = html.strip_prefix("<p title=\"").and_then(|it| it.strip_suffix("</p>")).expect("as built");
            let (value, body) = inside.split_once("\">").expect("one end of the tag");
            for part in [value, body] {
                prop_assert!(!part.contains(['<', '>', '"', '\'']), "{}", part);
                for after in part.split('&').skip(1) {
                    prop_assert!(["amp;", "lt;", "gt;", "quot;", "#39;"].iter().any(|name| after.starts_with(name)));
                }
                prop_assert!(!part.chars().any(char::is_control));
            }
        }
    }
}

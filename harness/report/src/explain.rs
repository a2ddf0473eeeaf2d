//! A scenario in words, for the terminal.

use dryfire_engine::Explanation;

use crate::summary::{NARROWEST, WIDEST};
use crate::text::{Line, Style, Text, display_width};

/// Below this, labels stand above what they belong to.
const NARROW: usize = 60;

/// Labels longer than this go on a line of their own.
const LONGEST_LABEL: usize = 16;

/// The explanation as text, at most `width` columns.
pub fn explain_text(explanation: &Explanation, width: usize) -> Text {
    let width = width.clamp(NARROWEST, WIDEST);
    let mut text = Text::default();
    text.push_wrapped(Line::new(), Style::Strong, &explanation.scenario, width);
    for part in &explanation.parts {
        text.gap();
        text.push_wrapped(Line::new(), Style::Strong, &part.heading, width);
        let labels = part.paragraphs.iter().map(|(label, _)| display_width(label));
        let column = labels.max().unwrap_or(0).min(LONGEST_LABEL) + 2;
        for (label, body) in &part.paragraphs {
            let mut line = Line::new().with(Style::Faint, format!("  {label}"));
            // Where it is narrow, a column of labels would leave no room.
            if width < NARROW {
                text.push(line);
                text.push_wrapped(Line::new().with(Style::Plain, "    "), Style::Plain, body, width);
                continue;
            }
            line.pad_to(2 + column);
            text.push_wrapped(line, Style::Plain, body, width);
        }
    }
    text
}

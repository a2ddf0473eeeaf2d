//! Cells in columns that are as wide as what stands in them.

use crate::text::{Line, Style, Text, display_width};

/// Between two columns.
const GAP: usize = 2;

/// One cell: its style and its text.
pub(crate) type Cell = (Style, String);

/// How wide each column of some rows is.
pub(crate) fn widths<'r>(rows: impl IntoIterator<Item = &'r [Cell]>) -> Vec<usize> {
    let mut widths: Vec<usize> = Vec::new();
    for row in rows {
        for (column, (_, cell)) in row.iter().enumerate() {
            if column == widths.len() {
                widths.push(0);
            }
            widths[column] = widths[column].max(display_width(cell));
        }
    }
    widths
}

/// How wide a row of such columns is.
fn total(widths: &[usize]) -> usize {
    widths.iter().sum::<usize>() + GAP * widths.len().saturating_sub(1)
}

/// How many of the leading columns fit beside each other; at least one.
pub(crate) fn that_fit(widths: &[usize], width: usize) -> usize {
    (1..=widths.len()).rev().find(|count| total(&widths[..*count]) <= width).unwrap_or(1)
}

/// Adds a row; its last cell is wrapped at `width` if it does not fit.
pub(crate) fn push_row(text: &mut Text, row: &[Cell], widths: &[usize], width: usize) {
    let Some(((style, last), before)) = row.split_last() else { return };
    let mut line = Line::new();
    let mut column = 0;
    for ((style, cell), columns) in before.iter().zip(widths) {
        line.push(*style, cell);
        column += columns + GAP;
        line.pad_to(column);
    }
    text.push_wrapped(line, *style, last, width);
}

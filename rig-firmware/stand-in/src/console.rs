//! The console: lines in, lines out.

use core::fmt::{self, Write};

use heapless::{Deque, String};

/// Longest line that the controller writes, in bytes.
const LINE_BYTES: usize = 160;
/// Lines that wait for the board at most.
const WAITING_LINES: usize = 16;
/// Longest line that is looked at; anything longer is no instruction.
const LONGEST_INPUT: usize = 512;

/// One line of the controller's console, without its end.
pub type Line = String<LINE_BYTES>;

/// What a line from outside asks for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Instruction<'a> {
    Program(&'a str),
    Start,
    Stop,
    Acknowledge,
    Status,
    /// Nothing was written.
    Nothing,
    /// Not understood.
    Unknown,
}

pub(crate) fn understand(line: &str) -> Instruction<'_> {
    let line = line.trim();
    if line.len() > LONGEST_INPUT {
        return Instruction::Unknown;
    }
    let (word, rest) = line.split_once(char::is_whitespace).unwrap_or((line, ""));
    match (word, rest.trim()) {
        ("", _) => Instruction::Nothing,
        ("program", rest) => Instruction::Program(rest),
        ("start", "") => Instruction::Start,
        ("stop", "") => Instruction::Stop,
        ("acknowledge", "") => Instruction::Acknowledge,
        ("status", "") => Instruction::Status,
        _ => Instruction::Unknown,
    }
}

/// Lines that wait to be written. When the board does not fetch them, the
/// oldest stay and the next one that fits says how many were lost.
#[derive(Debug, Default)]
pub(crate) struct Outbox {
    lines: Deque<Line, WAITING_LINES>,
    lost: u32,
}

impl Outbox {
    pub(crate) fn say(&mut self, text: fmt::Arguments<'_>) {
        // One place is kept for the word about lost lines.
        if self.lines.len() + 1 >= WAITING_LINES {
            self.lost = self.lost.saturating_add(1);
            return;
        }
        let mut line = Truncating(Line::new());
        // Truncating never fails.
        let _ = line.write_fmt(text);
        let _ = self.lines.push_back(line.0);
    }

    pub(crate) fn take(&mut self) -> Option<Line> {
        if self.lines.is_empty() && self.lost > 0 {
            let mut line = Truncating(Line::new());
            let _ = write!(line, "{} lines were lost", self.lost);
            self.lost = 0;
            return Some(line.0);
        }
        self.lines.pop_front()
    }

    pub(crate) fn is_empty(&self) -> bool {
        self.lines.is_empty() && self.lost == 0
    }
}

/// Cuts text off where the line is full, instead of refusing it.
struct Truncating(Line);

impl Write for Truncating {
    fn write_str(&mut self, text: &str) -> fmt::Result {
        for letter in text.chars() {
            if self.0.push(letter).is_err() {
                break;
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    extern crate std;

    use rstest::rstest;
    use std::vec::Vec;

    use super::*;

    #[rstest]
    #[case("start", Instruction::Start)]
    #[case("  stop \r", Instruction::Stop)]
    #[case("acknowledge", Instruction::Acknowledge)]
    #[case("status", Instruction::Status)]
    #[case("program  150 C/h to 1000 C", Instruction::Program("150 C/h to 1000 C"))]
    #[case("program", Instruction::Program(""))]
    #[case("", Instruction::Nothing)]
    #[case("start now", Instruction::Unknown)]
    #[case("Start", Instruction::Unknown)]
    fn a_line_is_understood_or_not(#[case] line: &str, #[case] instruction: Instruction<'_>) {
        assert_eq!(understand(line), instruction);
    }

    #[test]
    fn lines_that_do_not_fit_are_counted_and_said() {
        let mut outbox = Outbox::default();
        for number in 0..20 {
            outbox.say(format_args!("line {number}"));
        }
        let lines: Vec<_> = core::iter::from_fn(|| outbox.take()).collect();
        assert_eq!(lines.first().map(Line::as_str), Some("line 0"));
        assert_eq!(lines.last().map(Line::as_str), Some("5 lines were lost"));
        assert_eq!(lines.len(), 16);
    }

    #[test]
    fn a_line_too_long_is_cut_off() {
        let mut outbox = Outbox::default();
        outbox.say(format_args!("{:>300}", "°"));
        assert_eq!(outbox.take().map(|line| line.len()), Some(LINE_BYTES));
    }
}

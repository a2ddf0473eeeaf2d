//! Patterns for lines of the controller's console.

use std::fmt;

use regex::{Regex, RegexBuilder};

/// Longer patterns are not read.
const LONGEST: usize = 200;

/// Memory of a compiled pattern, in bytes, and of its lazily built automaton.
const MOST_MEMORY: usize = 256 * 1024;

/// A regular expression that is known to compile within bounds.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ConsolePattern(String);

/// A compiled [`ConsolePattern`].
#[derive(Clone, Debug)]
pub struct ConsoleMatcher(Regex);

impl ConsolePattern {
    /// A pattern in the syntax of the `regex` crate: case matters, and it may
    /// match anywhere in a line.
    ///
    /// # Errors
    /// What is wrong with it, in one line.
    pub fn new(pattern: &str) -> Result<Self, String> {
        if pattern.is_empty() {
            return Err("an empty text is found in every line".to_owned());
        }
        let length = pattern.chars().count();
        if length > LONGEST {
            return Err(format!("the pattern is {length} characters long; at most {LONGEST} are read"));
        }
        if let Some(control) = pattern.chars().find(|c| c.is_control()) {
            return Err(format!("the pattern holds the control character {}", control.escape_default()));
        }
        match compile(pattern) {
            Ok(_) => Ok(ConsolePattern(pattern.to_owned())),
            Err(regex::Error::CompiledTooBig(_)) => {
                Err("the pattern takes too much memory; ask for fewer repetitions".to_owned())
            }
            Err(error) => {
                let told = error.to_string();
                let last = told.lines().next_back().unwrap_or_default().trim_start_matches("error: ").trim();
                Err(format!("the pattern is no regular expression: {last}"))
            }
        }
    }

    /// How many groups it has that keep what they match.
    ///
    /// # Panics
    /// Never: only patterns that compile are kept.
    pub fn groups(&self) -> usize {
        self.matcher().0.captures_len() - 1
    }

    /// As it was written.
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// The pattern ready to be held against lines.
    ///
    /// # Panics
    /// Never: only patterns that compile are kept.
    pub fn matcher(&self) -> ConsoleMatcher {
        ConsoleMatcher(compile(&self.0).expect("compiled before with the same bounds"))
    }
}

fn compile(pattern: &str) -> Result<Regex, regex::Error> {
    RegexBuilder::new(pattern).size_limit(MOST_MEMORY).dfa_size_limit(MOST_MEMORY).nest_limit(32).build()
}

impl ConsoleMatcher {
    /// Whether the pattern is found in a line; takes time in proportion to the line's length.
    pub fn is_in(&self, line: &str) -> bool {
        self.0.is_match(line)
    }

    /// What the first group holds where the pattern is found; nothing where that group has no part in it.
    pub fn first_group<'l>(&self, line: &'l str) -> Option<Option<&'l str>> {
        self.0.captures(line).map(|found| found.get(1).map(|group| group.as_str()))
    }
}

/// As it stands in a file: in double quotes, with those inside it escaped.
impl fmt::Display for ConsolePattern {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("\"")?;
        let mut rest = self.0.chars();
        while let Some(letter) = rest.next() {
            match letter {
                '\\' => {
                    f.write_str("\\")?;
                    rest.next().map_or(Ok(()), |escaped| write!(f, "{escaped}"))?;
                }
                '"' => f.write_str("\\\"")?,
                other => write!(f, "{other}")?,
            }
        }
        f.write_str("\"")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_cannot_be_matched_in_bounds_is_refused_in_one_line() {
        for pattern in ["", "(", "a{10}{10}{10}{10}{10}", "[z-a]", "*", "\\p{Nonsense}", "a\u{7}"] {
            let told = ConsolePattern::new(pattern).expect_err(pattern);
            assert!(!told.is_empty() && !told.contains('\n'), "{told:?}");
        }
        assert!(ConsolePattern::new(&"x".repeat(201)).is_err());
        assert!(ConsolePattern::new(&"(".repeat(100)).is_err());
    }

    #[test]
    fn a_pattern_is_found_anywhere_and_case_matters() {
        let matcher = ConsolePattern::new(r"fault (\d+)$").expect("in order").matcher();
        assert!(matcher.is_in("E fault 12"));
        assert!(!matcher.is_in("E fault 12 "));
        assert!(!matcher.is_in("Fault 12"));
    }
}

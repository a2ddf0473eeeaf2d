//! An entry for fuzzers: any line of a program, and the laws that must hold for it.

use crate::program::protocol::{answer, ready};

/// Reads `line` as a program's answer to `hello` and as its answer to a call.
///
/// # Panics
/// If an answer is taken that has not a state for each relay or asks to be woken in
/// the past, or if any part panics: a mistake here.
pub fn any_line(line: &[u8]) {
    // What a refusal says is shown at the terminal.
    let shown = |refusal: String| assert!(!refusal.chars().any(char::is_control), "{refusal:?}");
    if let Err(refusal) = ready(line) {
        shown(refusal);
    }
    let relays = ["safety".to_owned(), "element.top".to_owned()];
    let mut states = vec![true; 7];
    match answer(line, 0, &relays, &mut states) {
        Ok(answer) => {
            assert_eq!(states.len(), relays.len(), "a relay is left out");
            assert!(answer.wake_at.is_none_or(|wake_at| wake_at > 0), "woken in the past");
        }
        Err(refusal) => shown(refusal),
    }
}

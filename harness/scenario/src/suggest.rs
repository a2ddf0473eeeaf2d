//! "Did you mean …?"

/// The word of the list that was most likely meant, if one is near enough.
pub(crate) fn nearest<'w>(written: &str, words: impl IntoIterator<Item = &'w str>) -> Option<&'w str> {
    if written.chars().count() > 40 {
        return None;
    }
    let lower = written.to_lowercase();
    let mut best: Option<(usize, &str)> = None;
    for word in words {
        let word_lower = word.to_lowercase();
        // The first word of a key of several, or one word too many.
        let part = |long: &str, short: &str| {
            short.len() >= 4 && long.strip_prefix(short).is_some_and(|rest| rest.starts_with(' '))
        };
        let is_part = part(&word_lower, &lower) || part(&lower, &word_lower);
        let distance = if is_part { 1 } else { distance(&lower, &word_lower) };
        // One slip in a short word, more in a long one.
        let allowed = (word.chars().count() / 3).clamp(1, 3);
        if distance <= allowed && best.is_none_or(|(least, _)| distance < least) {
            best = Some((distance, word));
        }
    }
    best.map(|(_, word)| word)
}

/// How many letters have to be changed, added, left out or swapped with their
/// neighbour (optimal string alignment distance).
fn distance(from: &str, to: &str) -> usize {
    let from: Vec<char> = from.chars().collect();
    let to: Vec<char> = to.chars().collect();
    let mut rows = vec![vec![0; to.len() + 1]; from.len() + 1];
    for (index, row) in rows.iter_mut().enumerate() {
        row[0] = index;
    }
    for (index, cell) in rows[0].iter_mut().enumerate() {
        *cell = index;
    }
    for i in 1..=from.len() {
        for j in 1..=to.len() {
            let changed = rows[i - 1][j - 1] + usize::from(from[i - 1] != to[j - 1]);
            let mut least = changed.min(rows[i - 1][j] + 1).min(rows[i][j - 1] + 1);
            if i > 1 && j > 1 && from[i - 1] == to[j - 2] && from[i - 2] == to[j - 1] {
                least = least.min(rows[i - 2][j - 2] + 1);
            }
            rows[i][j] = least;
        }
    }
    rows[from.len()][to.len()]
}

/// Words as a list for a sentence: `a`, `b` or `c`.
pub(crate) fn either(words: &[&str]) -> String {
    let mut text = String::new();
    for (index, word) in words.iter().enumerate() {
        if index > 0 {
            text.push_str(if index + 1 == words.len() { " or " } else { ", " });
        }
        text.push('`');
        text.push_str(word);
        text.push('`');
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slip_of_the_finger_is_recognised() {
        let words = ["expect", "script", "firing", "end"];
        assert_eq!(nearest("exepct", words), Some("expect"));
        assert_eq!(nearest("Firing", words), Some("firing"));
        assert_eq!(nearest("nd", words), Some("end"));
        assert_eq!(nearest("kiln", words), None);
        assert_eq!(nearest("cycle", ["cycle time"]), Some("cycle time"));
        assert_eq!(nearest(&"x".repeat(10_000), words), None);
    }

    #[test]
    fn distances_are_those_of_worked_examples() {
        // Levenshtein's classic pair, and one swap of neighbours.
        assert_eq!(distance("kitten", "sitting"), 3);
        assert_eq!(distance("prboe", "probe"), 1);
        assert_eq!(distance("", "abc"), 3);
    }
}

//! How a run stands, as a sign, a word and a colour.

use dryfire_record::Run;

use super::markup::Html;
use crate::recorded::standing_word;
use crate::standing::failed_expectations;

/// A sign, a word, and the class that colours it; never the colour alone.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Mark {
    pub(super) sign: &'static str,
    pub(super) word: &'static str,
    class: &'static str,
}

impl Mark {
    /// Of a word of the record.
    pub(super) fn of_word(word: &str) -> Mark {
        let (sign, word, class) = match word {
            "pass" => ("✓", "met", "mark good"),
            "fail" => ("✗", "not met", "mark bad"),
            "error" => ("!", "broke down", "mark bad"),
            "uncovered" => ("○", "uncovered", "mark bad"),
            "inconclusive" => ("?", "not decided", "mark warn"),
            "not-applicable" => ("–", "not applicable", "mark"),
            _ => ("·", "not run", "mark warn"),
        };
        Mark { sign, word, class }
    }

    /// Of a run; a decided fail is told even where the run then broke down.
    pub(super) fn of_run(run: &Run) -> Mark {
        let word = standing_word(run);
        let failed = run.standing().is_some_and(|result| failed_expectations(result) > 0);
        if word == "error" && failed {
            return Mark { sign: "✗", word: "not met, then broke down", class: "mark bad" };
        }
        Mark::of_word(word)
    }

    pub(super) fn write(self, html: &mut Html) {
        html.open("span", &[("class", self.class)]).element("b", &[], self.sign).raw(" ").text(self.word).close("span");
    }
}

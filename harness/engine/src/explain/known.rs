//! The budgets of uncertainty in words.

use dryfire_judge::Margin;

use super::{ExplanationPart, spell};
use crate::plan::{Contribution, ContributionSpread, Uncertainties, UncertaintyBudget, UncertaintySource};

/// How well the bench knows what it measures and shows, line by line.
pub(super) fn known(uncertainties: &Uncertainties) -> ExplanationPart {
    let mut part = ExplanationPart::new("How well the bench knows it");
    for (quantity, expanded, lines) in uncertainties.in_words() {
        part.say(quantity, format!("{expanded}:"));
        lines.into_iter().for_each(|line| part.say("", line));
    }
    part
}

impl Uncertainties {
    /// Each quantity with its expanded uncertainty in words, and the lines that it adds up.
    pub fn in_words(&self) -> [(&'static str, String, Vec<String>); 2] {
        let words = |budget: &UncertaintyBudget, size: fn(i64) -> String| {
            let expanded = match budget.expanded {
                Margin::Time(span) => size(span.as_micros() * 1_000),
                other => size(other.number() * 1_000),
            };
            let known_to = match budget.degrees_of_freedom {
                Some(degrees) => format!(", {degrees} effective degrees of freedom"),
                None => String::new(),
            };
            let k = factor(budget.coverage_hundredths);
            let text =
                format!("±{expanded} (k = {k}{known_to}), from a standard uncertainty of {}", size(budget.standard));
            (text, budget.contributions.iter().map(|line| contribution(line, size)).collect())
        };
        let (edge, of_edge) = words(&self.edge_time, time);
        let (shown, of_shown) = words(&self.shown_temperature, degrees);
        [("edge time", edge, of_edge), ("shown", shown, of_shown)]
    }
}

fn contribution(line: &Contribution, size: fn(i64) -> String) -> String {
    let what = line.source.word().replace('-', " ");
    let over = match line.source {
        UncertaintySource::ClockDrift(span) => format!(" over {}", spell(span)),
        _ => String::new(),
    };
    let spread = match line.spread {
        ContributionSpread::Rectangular => "rectangular".to_owned(),
        ContributionSpread::Normal(coverage) => format!("normal, k = {}", factor(coverage)),
    };
    let stated = if line.stated { "" } else { "; not stated, what is usual" };
    format!("{what}{over}: ±{} ({spread}), so {}{stated}", size(line.half_width), size(line.standard))
}

/// A coverage factor: `2`, `2.35`.
pub(super) fn factor(hundredths: u16) -> String {
    let text = format!("{}.{:02}", hundredths / 100, hundredths % 100);
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// Nanoseconds in the largest unit that leaves something in front of the point; rounded up to three decimals.
fn time(nanos: i64) -> String {
    let (unit, name) = match nanos {
        ..1_000_000 => (1_000, "µs"),
        1_000_000..1_000_000_000 => (1_000_000, "ms"),
        _ => (1_000_000_000, "s"),
    };
    format!("{} {name}", decimal(nanos, unit))
}

/// Millionths of a degree, likewise.
fn degrees(millionths: i64) -> String {
    format!("{} °C", decimal(millionths, 1_000_000))
}

fn decimal(value: i64, unit: i64) -> String {
    let thousandths = (value * 1_000 + unit - 1) / unit;
    let text = format!("{}.{:03}", thousandths / 1_000, thousandths % 1_000);
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sizes_are_rounded_up_and_keep_their_unit() {
        assert_eq!(time(578), "0.578 µs");
        assert_eq!(time(25_000_000), "25 ms");
        assert_eq!(time(14_433_757), "14.434 ms");
        assert_eq!(time(2_520_000_001), "2.521 s");
        assert_eq!(degrees(8_660_255), "8.661 °C");
        assert_eq!(factor(200), "2");
        assert_eq!(factor(287), "2.87");
    }
}

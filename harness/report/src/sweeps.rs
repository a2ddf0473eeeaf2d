//! Which scenarios one sweep gave: where nothing has to be said of each, they share a row.

use std::collections::BTreeMap;

/// The scenarios of each file that gave more than one.
///
/// Only the tables for people go by it; JSON lines, records and reports tell of every scenario.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Sweeps {
    file_of: BTreeMap<String, String>,
    sizes: BTreeMap<String, usize>,
}

impl Sweeps {
    /// From the name of each scenario of a session and the file that it stands in. The default value has none:
    /// every scenario gets a row of its own.
    pub fn of<'a>(scenarios: impl IntoIterator<Item = (&'a str, &'a str)>) -> Self {
        let mut sweeps = Sweeps::default();
        for (scenario, file) in scenarios {
            if sweeps.file_of.insert(scenario.to_owned(), file.to_owned()).is_none() {
                *sweeps.sizes.entry(file.to_owned()).or_default() += 1;
            }
        }
        sweeps.file_of.retain(|_, file| sweeps.sizes.get(file).is_some_and(|size| *size > 1));
        sweeps
    }

    /// The file of a scenario, if it has others beside it.
    pub(crate) fn file(&self, scenario: &str) -> Option<&str> {
        self.file_of.get(scenario).map(String::as_str)
    }

    /// What several scenarios of one file are called together, and how many they are of how many.
    pub(crate) fn label(&self, scenarios: &[&str]) -> String {
        let Some((first, others)) = scenarios.split_first() else { return String::new() };
        if others.is_empty() {
            return (*first).to_owned();
        }
        let size = self.file(first).and_then(|file| self.sizes.get(file)).copied().unwrap_or(scenarios.len());
        let count = scenarios.len();
        let of = if count == size { format!("all {count}") } else { format!("{count} of the {size}") };
        match stem(scenarios) {
            Some(stem) => format!("{stem} ({of} of its sweep)"),
            None => format!("{first} and {} more ({of} of its sweep)", others.len()),
        }
    }

    /// The names with those of one file put together, in the order of the first of each.
    pub(crate) fn together(&self, scenarios: &[&str]) -> Vec<String> {
        let mut groups: Vec<(Option<&str>, Vec<&str>)> = Vec::new();
        for scenario in scenarios {
            let file = self.file(scenario);
            match groups.iter_mut().find(|(known, _)| file.is_some() && *known == file) {
                Some((_, group)) => group.push(scenario),
                None => groups.push((file, vec![scenario])),
            }
        }
        groups.iter().map(|(_, group)| self.label(group)).collect()
    }
}

/// What the names have in common, if they differ in the values behind them only.
fn stem<'a>(scenarios: &[&'a str]) -> Option<&'a str> {
    let stem_of = |scenario: &'a str| scenario.rsplit_once(" (").map(|(stem, _)| stem);
    let stem = stem_of(scenarios.first()?)?;
    scenarios.iter().all(|scenario| stem_of(scenario) == Some(stem)).then_some(stem)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn library() -> Sweeps {
        Sweeps::of([
            ("it opens (zone 1)", "opens.yaml"),
            ("it opens (zone 2)", "opens.yaml"),
            ("it opens (zone 3)", "opens.yaml"),
            ("it opens (alone)", "alone.yaml"),
            ("top breaks", "breaks.yaml"),
            ("bottom breaks", "breaks.yaml"),
        ])
    }

    #[test]
    fn scenarios_of_one_sweep_are_named_together_and_counted() {
        let sweeps = library();
        assert_eq!(
            sweeps.together(&["it opens (zone 3)", "top breaks", "it opens (zone 1)", "bottom breaks"]),
            ["it opens (2 of the 3 of its sweep)", "top breaks and 1 more (all 2 of its sweep)"]
        );
    }

    #[test]
    fn one_of_a_sweep_keeps_its_values_and_a_file_of_its_own_its_name() {
        let sweeps = library();
        assert_eq!(
            sweeps.together(&["it opens (zone 2)", "it opens (alone)", "unknown"]),
            ["it opens (zone 2)", "it opens (alone)", "unknown"]
        );
    }

    #[test]
    fn without_sweeps_every_scenario_stands_alone() {
        let names = ["it opens (zone 1)", "it opens (zone 2)"];
        assert_eq!(Sweeps::default().together(&names), names);
    }
}

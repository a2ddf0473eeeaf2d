//! Which of the scenarios are meant.

use std::path::PathBuf;

use clap::Args;
use dryfire_record::{Fact, topic};

use crate::files::distance;
use crate::library::ScenarioFile;
use crate::screen::Mistake;

/// Options that choose among scenarios. Of one option any value is enough; of several options each counts.
#[derive(Clone, Debug, Default, Args)]
#[command(next_help_heading = "Selection")]
pub(crate) struct Selection {
    /// Only scenarios whose name or file has this in it; may be repeated.
    #[arg(long, value_name = "WORDS")]
    pub(crate) only: Vec<String>,

    /// Only scenarios that guard against this hazard; may be repeated.
    #[arg(long, value_name = "ID")]
    pub(crate) hazard: Vec<String>,

    /// Only scenarios with this tag; may be repeated.
    #[arg(long, value_name = "TAG")]
    pub(crate) tag: Vec<String>,

    /// Exactly the scenarios of these names: those of a record that is gone on with.
    #[arg(skip)]
    pub(crate) names: Vec<String>,

    /// What such a record says of the picking.
    #[arg(skip)]
    pub(crate) said: Option<Fact>,
}

/// Paths that are named one by one.
const MOST_PATHS: usize = 4;

impl Selection {
    /// Those of the scenarios that are meant.
    ///
    /// # Errors
    /// If an option names what no scenario has, or nothing is left.
    pub(crate) fn of(&self, scenarios: Vec<ScenarioFile>) -> Result<Vec<ScenarioFile>, Vec<Mistake>> {
        if self.is_empty() {
            return Ok(scenarios);
        }
        let mut mistakes = Vec::new();
        for words in &self.only {
            if !scenarios.iter().any(|file| is_called(file, words)) {
                mistakes.push(
                    Mistake::new(format!("--only {words}: no scenario has that in its name or its file's"))
                        .hint("capitals do not matter; words with blanks go into quotes"),
                );
            }
        }
        let hazards = || scenarios.iter().flat_map(|file| file.scenario.hazards.iter().map(|one| one.value.0.as_str()));
        for id in &self.hazard {
            mistakes.extend(unknown("--hazard", "guards against it", id, hazards().collect()));
        }
        let tags = || scenarios.iter().flat_map(|file| file.scenario.tags.iter().map(String::as_str));
        for tag in &self.tag {
            mistakes.extend(unknown("--tag", "has it", tag, tags().collect()));
        }
        if !mistakes.is_empty() {
            return Err(mistakes);
        }
        let found: Vec<ScenarioFile> = scenarios.into_iter().filter(|file| self.means(file)).collect();
        if found.is_empty() {
            return Err(vec![
                Mistake::new("no scenario is left by all the options together")
                    .hint("of one option any value is enough, of several options each counts"),
            ]);
        }
        Ok(found)
    }

    /// What was picked of how many, for whoever reads the record.
    pub(crate) fn fact(&self, picked: usize, found: usize, paths: &[PathBuf]) -> Fact {
        if let Some(said) = &self.said {
            return said.clone();
        }
        let mut places: Vec<String> = paths.iter().take(MOST_PATHS).map(|path| path.display().to_string()).collect();
        if paths.len() > MOST_PATHS {
            places.push(format!("{} more places", paths.len() - MOST_PATHS));
        }
        let places = places.join(", ");
        let plural = if found == 1 { "scenario" } else { "scenarios" };
        let (name, value) = if !self.names.is_empty() {
            let value = format!("Picked: {picked}; the record does not say of how many");
            (topic::SELECTION_UNKNOWN, value)
        } else if picked == found {
            let all = if found == 1 { "the one" } else { "all" };
            let number = if found == 1 { String::new() } else { format!("{found} ") };
            (topic::SELECTION_ALL, format!("Picked: {all} {number}{plural} found in {places}"))
        } else {
            let options = [("--only", &self.only), ("--hazard", &self.hazard), ("--tag", &self.tag)];
            let options =
                options.iter().flat_map(|(option, values)| values.iter().map(move |it| format!("{option} {it}")));
            let options: Vec<String> = options.collect();
            let value = format!(
                "Only a part: {picked} of the {found} {plural} found in {places}, picked by {}",
                options.join(" ")
            );
            (topic::SELECTION_PART, value)
        };
        Fact { topic: topic::SELECTION.to_owned(), name: name.to_owned(), value, source: "command line".to_owned() }
    }

    /// Whether nothing is chosen, which means all.
    pub(crate) fn is_empty(&self) -> bool {
        self.only.is_empty() && self.hazard.is_empty() && self.tag.is_empty() && self.names.is_empty()
    }

    fn means(&self, file: &ScenarioFile) -> bool {
        let scenario = &file.scenario;
        let any = |wanted: &[String], has: &dyn Fn(&String) -> bool| wanted.is_empty() || wanted.iter().any(has);
        any(&self.only, &|words| is_called(file, words))
            && any(&self.hazard, &|id| scenario.hazards.iter().any(|hazard| hazard.value.0 == *id))
            && any(&self.tag, &|tag| scenario.tags.contains(tag))
            && any(&self.names, &|name| scenario.name == *name)
    }
}

fn is_called(file: &ScenarioFile, words: &str) -> bool {
    let words = words.to_lowercase();
    file.scenario.name.to_lowercase().contains(&words) || file.shown.to_lowercase().contains(&words)
}

/// A mistake, unless the word is among those known.
fn unknown(option: &str, what: &str, word: &str, mut known: Vec<&str>) -> Option<Mistake> {
    if known.contains(&word) {
        return None;
    }
    known.sort_unstable();
    known.dedup();
    let mistake = Mistake::new(format!("{option} {word}: no scenario {what}"));
    let near = known.iter().map(|other| (distance(word, other), *other)).min();
    Some(match near {
        Some((letters, near)) if letters <= 3 => mistake.hint(format!("did you mean `{near}`?")),
        Some(_) => mistake.hint(format!("there are {}", known.join(", "))),
        None => mistake,
    })
}

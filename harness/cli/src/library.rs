//! Scenarios, benches and kilns from files, or everything that is wrong with them.

use std::collections::HashMap;
use std::path::{Path, PathBuf};

use dryfire_bench::{Job, bind_all};
use dryfire_kiln::KilnDescription;
use dryfire_record::{File, FileRole};
use dryfire_scenario::{
    Bench, BenchKind, Diagnostic, FromFile, Scenario, Severity, Span, parse_bench, parse_kiln, parse_scenarios,
};

use crate::files::{self, Unreadable};
use crate::screen::{Mistake, Screen};
use crate::selection::Selection;
use crate::{Refusal, defects};

/// The bench that is used where a library has none, and its kiln.
const BUILT_IN_BENCH: &str = include_str!("../../../scenarios/benches/virtual.yaml");
const BUILT_IN_KILN: &str = include_str!("../../../scenarios/kilns/three-ring.yaml");
pub(crate) const BUILT_IN_BENCH_NAME: &str = "(built in) benches/virtual.yaml";
const BUILT_IN_KILN_NAME: &str = "(built in) kilns/three-ring.yaml";

/// A scenario and the file it came from.
#[derive(Debug)]
pub(crate) struct ScenarioFile {
    pub(crate) shown: String,
    /// A text that gives this scenario alone: the file's own, or one with its sweep narrowed.
    pub(crate) text: String,
    /// The text that the scenario's places count in.
    pub(crate) filled: String,
    pub(crate) scenario: Scenario,
}

/// A bench with its kiln.
#[derive(Debug)]
pub(crate) struct BenchWithKiln {
    pub(crate) bench: Bench,
    pub(crate) kiln: KilnDescription,
    /// The folder that paths in the bench file are relative to.
    pub(crate) folder: PathBuf,
    /// The texts of both, as a record keeps them.
    pub(crate) files: Vec<File>,
}

/// Reads files and keeps what is wrong with them.
pub(crate) struct Reader<'s> {
    screen: &'s Screen,
    refusal: Refusal,
    /// How many scenarios there were to pick from.
    found: usize,
}

impl<'s> Reader<'s> {
    pub(crate) fn new(screen: &'s Screen) -> Self {
        Reader { screen, refusal: Refusal::default(), found: 0 }
    }

    /// What was read, unless something refuses it.
    pub(crate) fn finish<T>(self, value: Option<T>) -> Result<T, Refusal> {
        match value {
            Some(value) if self.refusal.is_empty() => Ok(value),
            _ => Err(self.refusal),
        }
    }

    pub(crate) fn mistake(&mut self, mistake: Mistake) {
        self.refusal.mistakes.push(mistake);
    }

    fn text(&mut self, path: &Path) -> Option<String> {
        match files::read(path) {
            Ok(text) => Some(text),
            Err(Unreadable::Mistake(mistake)) => {
                self.refusal.mistakes.push(mistake);
                None
            }
            Err(Unreadable::TooLarge(diagnostic)) => {
                self.refusal.diagnostics.push(*diagnostic);
                None
            }
        }
    }

    /// Warnings are told at once; mistakes are kept.
    fn take<T>(&mut self, parsed: Result<(T, Vec<Diagnostic>), Vec<Diagnostic>>) -> Option<T> {
        let (value, diagnostics) = match parsed {
            Ok((value, warnings)) => (Some(value), warnings),
            Err(mistakes) => (None, mistakes),
        };
        for diagnostic in diagnostics {
            match diagnostic.severity {
                Severity::Warning => self.screen.complain_about(&diagnostic),
                Severity::Error => self.refusal.diagnostics.push(diagnostic),
            }
        }
        value
    }

    /// Scenarios whose names are all different.
    pub(crate) fn scenarios(&mut self, paths: &[PathBuf]) -> Vec<ScenarioFile> {
        let mut scenarios: Vec<ScenarioFile> = Vec::new();
        let mut names: HashMap<String, String> = HashMap::new();
        for path in paths {
            let shown = path.display().to_string();
            let Some(text) = self.text(path) else { continue };
            let Some(found) = self.take(parse_scenarios(&shown, &text)) else { continue };
            for FromFile { scenario, text, filled } in found {
                if let Some(first) = names.insert(scenario.name.clone(), shown.clone()) {
                    self.mistake(
                        Mistake::new(format!("two scenarios are called `{}`: `{first}` and `{shown}`", scenario.name))
                            .hint("results are told apart by the names; give one of them another"),
                    );
                }
                scenarios.push(ScenarioFile { shown: shown.clone(), text, filled, scenario });
            }
        }
        scenarios
    }

    /// How many scenarios [`Self::selected`] had to pick from.
    pub(crate) fn found(&self) -> usize {
        self.found
    }

    /// Those of the scenarios that are meant.
    pub(crate) fn selected(&mut self, paths: &[PathBuf], selection: &Selection) -> Vec<ScenarioFile> {
        let scenarios = self.scenarios(paths);
        self.found = scenarios.len();
        // With a file that cannot be read, nobody knows what would have been meant.
        if !self.refusal.is_empty() {
            return Vec::new();
        }
        selection.of(scenarios).unwrap_or_else(|mistakes| {
            mistakes.into_iter().for_each(|mistake| self.mistake(mistake));
            Vec::new()
        })
    }

    /// The bench that was named, or else the one beside the scenarios, or else the built-in one.
    pub(crate) fn bench_for(&mut self, named: Option<&Path>, scenarios: &[PathBuf]) -> Option<BenchWithKiln> {
        match named.map(Path::to_path_buf).or_else(|| files::default_bench(scenarios)) {
            Some(path) => self.bench(&path),
            None => self.built_in_bench(),
        }
    }

    /// A kiln file.
    pub(crate) fn kiln(&mut self, path: &Path) -> Option<KilnDescription> {
        let text = self.text(path)?;
        self.take(parse_kiln(&path.display().to_string(), &text))
    }

    /// A bench file, without the kiln file that it names.
    pub(crate) fn bench_alone(&mut self, path: &Path) -> Option<Bench> {
        let shown = path.display().to_string();
        let text = self.text(path)?;
        let bench = self.take(parse_bench(&shown, &text))?;
        self.refusal.mistakes.extend(check_defects(&bench, &shown));
        Some(bench)
    }

    /// A bench file and the kiln file that it names.
    pub(crate) fn bench(&mut self, path: &Path) -> Option<BenchWithKiln> {
        let shown = path.display().to_string();
        let bench = self.bench_alone(path)?;
        let folder = path.parent().map(Path::to_path_buf).unwrap_or_default();
        let kiln_path = folder.join(&bench.kiln);
        if !kiln_path.is_file() {
            self.mistake(
                Mistake::new(format!(
                    "the bench file `{shown}` names the kiln `{}`, and there is no file `{}`",
                    bench.kiln,
                    kiln_path.display()
                ))
                .hint("the kiln's path is relative to the bench file"),
            );
            return None;
        }
        let kiln = self.kiln(&kiln_path)?;
        let files = vec![
            File::of_text(FileRole::Bench, &shown, self.text(path)?),
            File::of_text(FileRole::Kiln, kiln_path.display().to_string(), self.text(&kiln_path)?),
        ];
        Some(BenchWithKiln { bench, kiln, folder, files })
    }

    /// The bench that is built in.
    pub(crate) fn built_in_bench(&mut self) -> Option<BenchWithKiln> {
        let bench = self.take(parse_bench(BUILT_IN_BENCH_NAME, BUILT_IN_BENCH))?;
        let kiln = self.take(parse_kiln(BUILT_IN_KILN_NAME, BUILT_IN_KILN))?;
        let files = vec![
            File::of_text(FileRole::Bench, BUILT_IN_BENCH_NAME, BUILT_IN_BENCH),
            File::of_text(FileRole::Kiln, BUILT_IN_KILN_NAME, BUILT_IN_KILN),
        ];
        Some(BenchWithKiln { bench, kiln, folder: PathBuf::new(), files })
    }
}

/// The defects and the variant of a bench file that the stand-in does not have.
pub(crate) fn check_defects(bench: &Bench, shown: &str) -> Vec<Mistake> {
    let BenchKind::Virtual(choice) = &bench.kind else { return Vec::new() };
    let from = format!("in `{shown}`");
    let defects = choice.defects.iter().filter_map(|name| defects::known(name, &from).err());
    defects.chain(choice.variant.as_deref().and_then(|name| defects::known_variant(name, &from).err())).collect()
}

/// The scenarios as jobs for a bench, or every way in which they do not fit it.
pub(crate) fn bind(scenarios: &[ScenarioFile], fitted: &BenchWithKiln) -> Result<Vec<Job>, Refusal> {
    let values: Vec<Scenario> = scenarios.iter().map(|file| file.scenario.clone()).collect();
    bind_all(values, &fitted.bench, &fitted.kiln).map_err(|misfits| {
        let mistakes = misfits.iter().flat_map(|one| {
            let file = &scenarios[one.scenario];
            one.errors.iter().map(|error| misfit(file, &fitted.bench, &error.message, error.span))
        });
        mistakes.collect::<Vec<Mistake>>().into()
    })
}

/// A mistake in how a scenario fits a bench, at its place in the scenario file.
pub(crate) fn misfit(file: &ScenarioFile, bench: &Bench, message: &str, span: Option<Span>) -> Mistake {
    let place = span.map(|span| {
        let before = file.filled.get(..span.start).unwrap_or("");
        let line = before.matches('\n').count() + 1;
        let column = before.rsplit('\n').next().unwrap_or("").chars().count() + 1;
        format!(":{line}:{column}")
    });
    let mistake = Mistake::new(format!(
        "{}{}: the scenario `{}` does not fit the bench `{}`: {message}",
        file.shown,
        place.unwrap_or_default(),
        file.scenario.name,
        bench.name
    ));
    let line = span.and_then(|span| {
        let start = file.filled.get(..span.start)?.rfind('\n').map_or(0, |at| at + 1);
        file.filled.get(start..)?.lines().next()
    });
    match line {
        Some(line) => mistake.hint(format!("it reads `{}`", line.trim())),
        None => mistake,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_built_in_bench_is_in_order_and_names_the_kiln_that_is_built_in() {
        let screen = Screen::new();
        let mut reader = Reader::new(&screen);
        let built_in = reader.built_in_bench();
        let built_in = reader.finish(built_in).expect("no mistakes");
        assert!(built_in.bench.kiln.ends_with("kilns/three-ring.yaml"), "{}", built_in.bench.kiln);
        assert!(matches!(built_in.bench.kind, BenchKind::Virtual(_)));
    }
}

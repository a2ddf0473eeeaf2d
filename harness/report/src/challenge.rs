//! What a library catches: controllers with a known mistake, and honest ones.
//!
//! A mistake counts as caught only by a *fail* of an expectation that speaks to
//! the mistake's own hazard. Other fails, what stays undecided and what breaks
//! down are told, and do not count.

mod json;
pub(crate) mod text;

use dryfire_engine::{Applicability, ScenarioResult};
use dryfire_judge::{Margin, Verdict};

use crate::{ExitStatus, Sweeps};

pub use json::challenge_json;
pub use text::challenge_text;

/// A scenario of the library that is tried.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Tried {
    /// Its name.
    pub scenario: String,
    /// The file it stands in; those of one sweep stand in one file.
    pub file: String,
    /// Whether it says which moment or type it alone covers.
    pub covers_alone: bool,
}

/// What is known of a controller before it is tried.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Expected {
    /// Nothing is wrong with it: everything has to pass.
    Cleared,
    /// Nothing is wrong with it, and it lies so near a limit that something has
    /// to stay undecided, and nothing may fail.
    Undecided,
    /// It has a mistake: a scenario of its hazard has to fail.
    Caught(Mistake),
}

/// A controller that the library was tried on.
#[derive(Clone, Debug)]
pub struct Challenged {
    /// Its name.
    pub name: String,
    /// The bench it stands on.
    pub bench: String,
    /// What is known of it.
    pub expected: Expected,
    /// What every scenario came to.
    pub results: Vec<ScenarioResult>,
}

impl Challenged {
    /// What is wrong with it, if anything is.
    pub fn mistake(&self) -> Option<&Mistake> {
        match &self.expected {
            Expected::Caught(mistake) => Some(mistake),
            Expected::Cleared | Expected::Undecided => None,
        }
    }
}

/// A mistake that a controller was given.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mistake {
    /// In one sentence.
    pub description: String,
    /// The hazard whose scenarios have to show it.
    pub hazard: String,
    /// The judge's word for what they then say, where it was declared.
    pub reason: Option<String>,
}

/// One expectation that caught a mistake.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Catch {
    /// The scenario.
    pub scenario: String,
    /// The expectation.
    pub expectation: String,
    /// The judge's word for why it failed.
    pub reason: &'static str,
    /// By how much it failed, where that can be said.
    pub margin: Option<Margin>,
}

/// What became of one controller.
#[derive(Clone, Debug)]
pub struct Detection<'a> {
    /// The controller.
    pub challenged: &'a Challenged,
    /// Fails of expectations that speak to its own hazard.
    pub catches: Vec<Catch>,
    /// Scenarios that failed for something else, or anything of an honest controller.
    pub other_fails: Vec<&'a str>,
    /// Scenarios that stayed undecided.
    pub undecided: Vec<&'a str>,
    /// Scenarios in which something broke down.
    pub broke_down: Vec<&'a str>,
}

impl Detection<'_> {
    /// Whether the library said of this controller what it should.
    pub fn as_it_should_be(&self) -> bool {
        match self.challenged.expected {
            Expected::Caught(_) => !self.catches.is_empty(),
            Expected::Cleared => self.other_fails.is_empty() && self.undecided.is_empty() && self.broke_down.is_empty(),
            Expected::Undecided => {
                self.other_fails.is_empty() && !self.undecided.is_empty() && self.broke_down.is_empty()
            }
        }
    }

    /// Whether one of the catches has the reason that the mistake declares; true if it declares none.
    pub fn with_the_declared_reason(&self) -> bool {
        let declared = self.challenged.mistake().and_then(|mistake| mistake.reason.as_deref());
        declared.is_none_or(|declared| self.catches.iter().any(|catch| catch.reason == declared))
    }

    /// The scenarios that caught it, each once.
    pub fn catchers(&self) -> Vec<&str> {
        let mut names: Vec<&str> = self.catches.iter().map(|catch| catch.scenario.as_str()).collect();
        names.dedup();
        names
    }
}

/// Hazards that nothing on a bench can meet.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct UncoveredOnBench<'a> {
    /// The bench.
    pub bench: &'a str,
    /// The hazards, each once.
    pub hazards: Vec<&'a str>,
}

/// An honest controller that a scenario failed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Blamed<'a> {
    /// The scenario.
    pub scenario: &'a str,
    /// The controllers.
    pub controllers: Vec<&'a str>,
}

/// The whole table.
#[derive(Clone, Debug)]
pub struct DetectionTable<'a> {
    /// Every controller, in the order tried.
    pub detections: Vec<Detection<'a>>,
    /// Files of which no scenario is the only one to catch some mistake.
    pub never_alone: Vec<&'a str>,
    /// Those of them that do not say either what they alone cover.
    pub idle: Vec<&'a str>,
    /// Hazards of the library that no mistake stands for.
    pub hazards_without_mistake: Vec<&'a str>,
    /// Hazards that nothing on a bench can meet, as honest controllers show.
    pub uncovered: Vec<UncoveredOnBench<'a>>,
    /// Scenarios that failed an honest controller.
    pub blamed: Vec<Blamed<'a>>,
    /// Groups of mistakes with the same fails in the same places: the library cannot tell them apart.
    pub alike: Vec<Vec<&'a str>>,
    /// Mistakes that were not tried: of other hazards where only a part of the library was picked, and of a limiter where
    /// the bench has none.
    pub left_out: usize,
    /// Whether only a part of the library was picked.
    pub part: bool,
    /// Which scenarios are named together in the table for people.
    pub sweeps: Sweeps,
}

impl<'a> DetectionTable<'a> {
    /// The table of these controllers, tried with these scenarios.
    pub fn of(challenged: &'a [Challenged], library: &'a [Tried]) -> Self {
        let detections: Vec<Detection<'a>> = challenged.iter().map(detect).collect();
        let mut hazards: Vec<&str> = Vec::new();
        for result in challenged.iter().flat_map(|one| &one.results) {
            hazards.extend(result.hazards.iter().map(String::as_str));
        }
        hazards.sort_unstable();
        hazards.dedup();
        let stands_for =
            |hazard: &str| challenged.iter().filter_map(Challenged::mistake).any(|one| one.hazard == hazard);
        let alone = files_alone(&detections, library);
        // What is about a part that no bench tried has, a limiter for one, could catch nothing.
        let applies = |scenario: &str| {
            let results = challenged.iter().flat_map(|one| &one.results);
            let of_it = results.filter(|result| result.scenario == scenario);
            of_it.clone().any(|result| !matches!(result.applicability, Applicability::NotApplicable { .. }))
        };
        let applies_anywhere = |file: &str| library.iter().any(|tried| tried.file == file && applies(&tried.scenario));
        let mut files: Vec<&str> = library.iter().map(|tried| tried.file.as_str()).collect();
        files.dedup();
        files.retain(|file| !alone.contains(file) && applies_anywhere(file));
        let says_what_for = |file: &str| library.iter().any(|tried| tried.file == file && tried.covers_alone);
        DetectionTable {
            idle: files.iter().copied().filter(|file| !says_what_for(file)).collect(),
            never_alone: files,
            hazards_without_mistake: hazards.into_iter().filter(|hazard| !stands_for(hazard)).collect(),
            uncovered: uncovered(challenged),
            blamed: blamed(&detections),
            alike: alike(&detections),
            left_out: 0,
            part: false,
            sweeps: Sweeps::of(library.iter().map(|tried| (tried.scenario.as_str(), tried.file.as_str()))),
            detections,
        }
    }

    /// The same where only the scenarios of a part of the library were tried, for these hazards, and so many mistakes
    /// of other hazards were left out. Which file is idle only the whole library shows: another of its hazards, or
    /// another file of the same one, may be what it is there for.
    #[must_use]
    pub fn of_a_part(mut self, hazards: &[String], left_out: usize) -> Self {
        self.hazards_without_mistake.retain(|hazard| hazards.iter().any(|picked| picked == hazard));
        self.idle.clear();
        self.never_alone.clear();
        DetectionTable { left_out, part: true, ..self }
    }

    /// The same where so many mistakes of a part that the bench does not have were left out.
    #[must_use]
    pub fn without_mistakes_of_missing_parts(self, left_out: usize) -> Self {
        DetectionTable { left_out, ..self }
    }

    /// Mistakes that were caught, and all there were.
    pub fn caught(&self) -> (usize, usize) {
        self.count(|expected| matches!(expected, Expected::Caught(_)))
    }

    /// Honest controllers that passed everything, and all there were.
    pub fn cleared(&self) -> (usize, usize) {
        self.count(|expected| *expected == Expected::Cleared)
    }

    /// Controllers near a limit that stayed undecided, and all there were.
    pub fn undecided(&self) -> (usize, usize) {
        self.count(|expected| *expected == Expected::Undecided)
    }

    fn count(&self, of: impl Fn(&Expected) -> bool) -> (usize, usize) {
        let meant = self.detections.iter().filter(|one| of(&one.challenged.expected));
        (meant.clone().filter(|one| one.as_it_should_be()).count(), meant.count())
    }

    /// [`ExitStatus::AllHeld`] if every mistake was caught and told from every
    /// other, nobody honest was blamed and no scenario is idle. A part of the library
    /// that no mistake stands for shows nothing: [`ExitStatus::NothingApplicable`].
    pub fn exit_status(&self) -> ExitStatus {
        if self.detections.iter().any(|one| !one.broke_down.is_empty()) {
            return ExitStatus::Error;
        }
        let all = self.detections.iter().all(Detection::as_it_should_be);
        if all && self.part && self.caught().1 == 0 {
            return ExitStatus::NothingApplicable;
        }
        if all && self.idle.is_empty() && self.alike.is_empty() { ExitStatus::AllHeld } else { ExitStatus::Failed }
    }

    /// The counts in one line.
    pub fn headline(&self) -> String {
        let ((caught, mistakes), (cleared, honest)) = (self.caught(), self.cleared());
        let mut line =
            format!("{caught} of {mistakes} mistakes caught, {cleared} of {honest} honest controllers cleared");
        let (undecided, near) = self.undecided();
        if near > 0 {
            line.push_str(&format!(", {undecided} of {near} near a limit undecided"));
        }
        if !self.idle.is_empty() {
            line.push_str(&format!(", {} idle", counted(self.idle.len(), "scenario file")));
        }
        if !self.alike.is_empty() {
            line.push_str(&format!(", {} of mistakes not told apart", counted(self.alike.len(), "group")));
        }
        line
    }
}

fn counted(count: usize, what: &str) -> String {
    if count == 1 { format!("1 {what}") } else { format!("{count} {what}s") }
}

/// Files that are the only ones to catch some mistake.
fn files_alone<'a>(detections: &[Detection<'_>], library: &'a [Tried]) -> Vec<&'a str> {
    let file_of =
        |scenario: &str| library.iter().find(|tried| tried.scenario == scenario).map(|tried| tried.file.as_str());
    let mut alone: Vec<&str> = Vec::new();
    for detection in detections {
        let mut files: Vec<&str> = detection.catchers().into_iter().filter_map(file_of).collect();
        files.sort_unstable();
        files.dedup();
        if let [file] = files.as_slice() {
            alone.push(file);
        }
    }
    alone
}

fn uncovered(challenged: &[Challenged]) -> Vec<UncoveredOnBench<'_>> {
    let mut found: Vec<UncoveredOnBench<'_>> = Vec::new();
    for one in challenged.iter().filter(|one| one.mistake().is_none()) {
        for result in &one.results {
            if !matches!(result.applicability, Applicability::Uncovered { .. }) {
                continue;
            }
            let place = match found.iter().position(|bench| bench.bench == one.bench) {
                Some(place) => place,
                None => {
                    found.push(UncoveredOnBench { bench: &one.bench, hazards: Vec::new() });
                    found.len() - 1
                }
            };
            found[place].hazards.extend(result.hazards.iter().map(String::as_str));
        }
    }
    for bench in &mut found {
        bench.hazards.sort_unstable();
        bench.hazards.dedup();
    }
    found
}

fn blamed<'a>(detections: &[Detection<'a>]) -> Vec<Blamed<'a>> {
    let mut found: Vec<Blamed<'a>> = Vec::new();
    for detection in detections.iter().filter(|one| one.challenged.mistake().is_none()) {
        for scenario in &detection.other_fails {
            match found.iter_mut().find(|one| one.scenario == *scenario) {
                Some(one) => one.controllers.push(&detection.challenged.name),
                None => found.push(Blamed { scenario, controllers: vec![&detection.challenged.name] }),
            }
        }
    }
    found
}

fn detect(challenged: &Challenged) -> Detection<'_> {
    let mut detection = Detection {
        challenged,
        catches: Vec::new(),
        other_fails: Vec::new(),
        undecided: Vec::new(),
        broke_down: Vec::new(),
    };
    let own = challenged.mistake().map(|mistake| mistake.hazard.as_str());
    for result in &challenged.results {
        let before = detection.catches.len();
        for report in &result.findings {
            let speaks_to_it = report.hazards.iter().any(|hazard| Some(hazard.as_str()) == own);
            if report.finding.verdict == Verdict::Fail && speaks_to_it {
                detection.catches.push(Catch {
                    scenario: result.scenario.clone(),
                    expectation: report.name.clone(),
                    reason: report.finding.reason.word(),
                    margin: report.finding.margin,
                });
            }
        }
        match result.verdict {
            Some(Verdict::Fail) if detection.catches.len() == before => detection.other_fails.push(&result.scenario),
            Some(Verdict::Inconclusive) => detection.undecided.push(&result.scenario),
            Some(Verdict::Error) => detection.broke_down.push(&result.scenario),
            Some(Verdict::Pass | Verdict::Fail) | None => {}
        }
    }
    detection
}

/// Mistakes of one hazard whose catches are the same to the number.
fn alike<'a>(detections: &[Detection<'a>]) -> Vec<Vec<&'a str>> {
    let mut groups: Vec<(&Detection<'a>, Vec<&'a str>)> = Vec::new();
    for detection in detections.iter().filter(|one| !one.catches.is_empty()) {
        match groups.iter_mut().find(|(first, _)| first.catches == detection.catches) {
            Some((_, names)) => names.push(&detection.challenged.name),
            None => groups.push((detection, vec![&detection.challenged.name])),
        }
    }
    groups.into_iter().map(|(_, names)| names).filter(|names| names.len() > 1).collect()
}

//! Two records side by side: what a change did to verdicts, margins and reaction times.
//!
//! Scenarios are told apart by their names, expectations by theirs within a scenario. Where a scenario
//! was run several times (`dryfire run --repeat`) a side's verdict is the worst of its runs, and its margin
//! their mean with its spread. `docs/compare.md` says what counts as a change.

mod json;
mod spread;
mod text;

use std::collections::BTreeMap;

use dryfire_engine::FindingReport;
use dryfire_judge::{Margin, Verdict};
use dryfire_record::{FileRole, Record, RecordError, Run, other_run, topic};

pub use self::json::compare_json;
pub use self::spread::{Spread, Told};
pub use self::text::compare_text;
pub(crate) use self::text::{compared_sentence, difference_words, expectation_from_to, plural, spread_words};
use crate::ExitStatus;
use crate::recorded::{mixed, standing_word};

/// Which of two records.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Side {
    /// The controller, in the owner's words.
    pub controller: String,
    /// Firmware version and image hash, as far as they are known.
    pub firmware: String,
    /// The bench's name and kind.
    pub bench: String,
    /// Name and version of the program.
    pub tool: String,
    /// The session's seed.
    pub seed: u64,
    /// When it began, in UTC.
    pub began_at: String,
    /// Whether it came to its end.
    pub finished: bool,
    /// Why it is not about one firmware throughout, a sentence each; empty where it is.
    pub mixed: Vec<String>,
    /// How many runs were planned, and of how many scenarios.
    pub runs: usize,
    /// See there.
    pub scenarios: usize,
}

/// Something that is not the same on both sides and is no scenario.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Differing {
    /// What.
    pub what: String,
    /// What it was.
    pub old: String,
    /// What it is.
    pub new: String,
    /// Whether it is the controller or its firmware: what a comparison is made for.
    pub of_the_controller: bool,
}

/// What became of a verdict.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Change {
    /// It is a fail, an error or uncovered now, and was none of them.
    Worse,
    /// It is neither better nor the same: no longer shown, no longer there, or bad in another way.
    Otherwise,
    /// It passed, and did not before.
    Better,
    /// As it was.
    Same,
}

impl Change {
    /// A word for it.
    pub fn word(self) -> &'static str {
        match self {
            Change::Worse => "worse",
            Change::Otherwise => "otherwise",
            Change::Better => "better",
            Change::Same => "same",
        }
    }

    /// From one word of the record to another; `None` where there is no such scenario or expectation.
    fn of(old: Option<&str>, new: Option<&str>) -> Change {
        let bad = |word: &str| matches!(word, "fail" | "error" | "uncovered");
        match (old, new) {
            (Some(old), Some(new)) if old == new => Change::Same,
            (Some(old), Some(new)) if bad(new) && !bad(old) => Change::Worse,
            (Some(_), Some("pass")) => Change::Better,
            (None, Some(new)) if !bad(new) => Change::Same,
            (None, None) => Change::Same,
            _ => Change::Otherwise,
        }
    }
}

/// A scenario on both sides.
#[derive(Clone, Debug, PartialEq)]
pub struct ScenarioPair {
    /// Its name.
    pub name: String,
    /// What its runs came to, as words of the record, in the order of the plan; empty where it is not there.
    pub old: Vec<&'static str>,
    /// See there.
    pub new: Vec<&'static str>,
    /// What became of its verdict.
    pub change: Change,
    /// What of its file makes another run of it, so that margins cannot be compared.
    pub other_run: Option<&'static str>,
    /// Its expectations, those of the new side first.
    pub expectations: Vec<ExpectationPair>,
    /// The numbers of the two runs to look at: the worst of each side, of the smallest margin.
    pub shown: (Option<usize>, Option<usize>),
}

/// An expectation on both sides.
#[derive(Clone, Debug, PartialEq)]
pub struct ExpectationPair {
    /// Its name.
    pub name: String,
    /// What it came to, run by run.
    pub old: Vec<Verdict>,
    /// See there.
    pub new: Vec<Verdict>,
    /// What became of its verdict.
    pub change: Change,
    /// Whether it asks for something else than it did.
    pub asks_otherwise: bool,
    /// Its margins.
    pub margin: Option<MarginPair>,
    /// Its reaction times, of a claim about one.
    pub reaction: Option<(Option<Spread>, Option<Spread>)>,
}

/// Margins of one expectation on both sides.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MarginPair {
    /// How those of the old side spread.
    pub old: Spread,
    /// How those of the new side spread.
    pub new: Spread,
    /// What can be said of the difference.
    pub told: Told,
}

/// Everything that is compared.
#[derive(Clone, Debug, PartialEq)]
pub struct Comparison {
    /// The record from before.
    pub old: Side,
    /// The record from after.
    pub new: Side,
    /// What else is not the same.
    pub differing: Vec<Differing>,
    /// Every scenario of either side: the new side's in the order of its plan, then those that are gone.
    pub scenarios: Vec<ScenarioPair>,
}

/// The numbers of a comparison.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Scenarios whose verdict is worse.
    pub worse: usize,
    /// Scenarios that are neither better nor the same.
    pub otherwise: usize,
    /// Scenarios whose verdict is better.
    pub better: usize,
    /// Scenarios that only the new side has.
    pub added: usize,
    /// Scenarios that only the old side has.
    pub gone: usize,
    /// Margins that shrank beyond their uncertainty.
    pub shrunk: usize,
    /// Margins that grew beyond it.
    pub grown: usize,
    /// Margins whose difference is within it.
    pub within: usize,
    /// Margins of which nothing can be told.
    pub cannot_tell: usize,
}

impl Comparison {
    /// Compares.
    ///
    /// # Errors
    /// When a record cannot be read.
    pub fn of(old: &Record, new: &Record) -> Result<Self, RecordError> {
        let same_kiln = hash(old, FileRole::Kiln) == hash(new, FileRole::Kiln);
        let mut names: Vec<&str> = Vec::new();
        for run in new.runs().iter().chain(old.runs()) {
            if !names.contains(&run.planned.scenario.as_str()) {
                names.push(&run.planned.scenario);
            }
        }
        let mut scenarios: Vec<ScenarioPair> = names.iter().map(|name| pair(old, new, name)).collect();
        // All margins that are held against each other are asked at once: see `spread`.
        let comparable = scenarios.iter().flat_map(|it| &it.expectations).filter(|it| it.margin.is_some()).count();
        for scenario in &mut scenarios {
            for expectation in &mut scenario.expectations {
                let told = tell(old, new, scenario.other_run, &scenario.name, expectation, same_kiln, comparable);
                if let (Some(margin), Some(told)) = (&mut expectation.margin, told) {
                    margin.told = told;
                }
            }
        }
        let (was, is) = (side(old)?, side(new)?);
        let differing = differing((old, &was), (new, &is));
        Ok(Comparison { old: was, new: is, differing, scenarios })
    }

    /// Everything counted.
    pub fn counts(&self) -> Counts {
        let mut counts = Counts::default();
        for scenario in &self.scenarios {
            match scenario.change {
                Change::Worse => counts.worse += 1,
                Change::Otherwise if !scenario.new.is_empty() => counts.otherwise += 1,
                Change::Better => counts.better += 1,
                Change::Otherwise | Change::Same => {}
            }
            counts.added += usize::from(scenario.old.is_empty());
            counts.gone += usize::from(scenario.new.is_empty());
            for margin in scenario.expectations.iter().filter_map(|it| it.margin) {
                match margin.told {
                    Told::Shrunk { .. } => counts.shrunk += 1,
                    Told::Grown { .. } => counts.grown += 1,
                    Told::Within { .. } => counts.within += 1,
                    Told::CannotTell { .. } => counts.cannot_tell += 1,
                }
            }
        }
        counts
    }

    /// What the process exits with: something is worse; or something can no longer be said; or neither.
    pub fn exit_status(&self) -> ExitStatus {
        let counts = self.counts();
        if counts.worse > 0 || counts.shrunk > 0 {
            ExitStatus::Failed
        } else if counts.otherwise > 0 || counts.gone > 0 || !self.old.is_whole() || !self.new.is_whole() {
            ExitStatus::Inconclusive
        } else {
            ExitStatus::AllHeld
        }
    }

    /// The same in a sentence.
    pub fn headline(&self) -> String {
        let counts = self.counts();
        let mut line = format!("{} worse, {} better", counts.worse, counts.better);
        for (count, word, always) in
            [(counts.otherwise, "to be looked at", false), (counts.added, "added", false), (counts.gone, "gone", true)]
        {
            if always || count > 0 {
                line.push_str(&format!(", {count} {word}"));
            }
        }
        line.push_str(&format!(
            "; margins: {} shrunk, {} grown, {} within the uncertainty, {} cannot tell",
            counts.shrunk, counts.grown, counts.within, counts.cannot_tell
        ));
        line
    }
}

/// The worst word of several; `None` of none.
pub(crate) fn worst<'a>(words: &[&'a str]) -> Option<&'a str> {
    const ORDER: [&str; 7] = ["pass", "not-applicable", "not-run", "inconclusive", "uncovered", "fail", "error"];
    words.iter().copied().max_by_key(|word| ORDER.iter().position(|known| known == word).unwrap_or(ORDER.len()))
}

fn hash(record: &Record, role: FileRole) -> Option<&str> {
    record.files().iter().find(|file| file.role == role).map(|file| file.sha256.as_str())
}

impl Side {
    /// Whether it came to its end and is about one firmware: else it shows nothing as a whole.
    pub(crate) fn is_whole(&self) -> bool {
        self.finished && self.mixed.is_empty()
    }
}

fn side(record: &Record) -> Result<Side, RecordError> {
    let facts = &record.session().facts;
    let version = facts.firmware_version.clone().unwrap_or_else(|| "version not stated".to_owned());
    let image = match hash(record, FileRole::Image) {
        Some(hash) => format!("image SHA-256 {hash}"),
        None => "no image hashed".to_owned(),
    };
    let names: std::collections::BTreeSet<&String> = record.runs().iter().map(|run| &run.planned.scenario).collect();
    Ok(Side {
        controller: facts.controller.clone(),
        firmware: format!("{version}, {image}"),
        bench: format!("{} ({})", facts.bench, facts.bench_kind),
        tool: facts.tool.clone(),
        seed: facts.seed,
        began_at: facts.began_at.clone(),
        finished: record.session().finished,
        mixed: mixed(record)?,
        runs: record.runs().len(),
        scenarios: names.len(),
    })
}

/// What is not the same, apart from scenarios: a difference may come from any of these.
fn differing((old, was): (&Record, &Side), (new, is): (&Record, &Side)) -> Vec<Differing> {
    let mut differing = Vec::new();
    let mut look = |what: &str, old: String, new: String, of_the_controller: bool| {
        if old != new {
            differing.push(Differing { what: what.to_owned(), old, new, of_the_controller });
        }
    };
    look("controller", was.controller.clone(), is.controller.clone(), true);
    look("firmware", was.firmware.clone(), is.firmware.clone(), true);
    let told = |record: &Record, about: &str| {
        let values: Vec<&str> = record.facts_about(about).map(|fact| fact.value.as_str()).collect();
        if values.is_empty() { "none".to_owned() } else { values.join("; ") }
    };
    look("defects switched on", told(old, topic::DEFECT), told(new, topic::DEFECT), true);
    look("settings changed for the test", told(old, topic::SETTING), told(new, topic::SETTING), true);
    look("bench", was.bench.clone(), is.bench.clone(), false);
    for (role, what) in [(FileRole::Bench, "bench file (SHA-256)"), (FileRole::Kiln, "kiln file (SHA-256)")] {
        let of = |record| hash(record, role).unwrap_or("none").to_owned();
        look(what, of(old), of(new), false);
    }
    let calibration = |record: &Record| {
        let lines = record.facts_about(topic::CALIBRATION).map(|fact| format!("{} {}", fact.name, fact.value));
        lines.collect::<Vec<_>>().join("; ")
    };
    look("calibration and uncertainty", calibration(old), calibration(new), false);
    look("program", was.tool.clone(), is.tool.clone(), false);
    look("seed", was.seed.to_string(), is.seed.to_string(), false);
    look("runs of each scenario", repeat_words(old), repeat_words(new), false);
    differing
}

fn repeat_words(record: &Record) -> String {
    let most = record.runs().iter().filter_map(|run| run.repetition).map(|(_, all)| all).max().unwrap_or(1);
    most.to_string()
}

fn runs_of<'a>(record: &'a Record, name: &'a str) -> impl Iterator<Item = &'a Run> {
    record.runs().iter().filter(move |run| run.planned.scenario == name)
}

fn findings<'a>(record: &'a Record, scenario: &'a str, name: &'a str) -> impl Iterator<Item = &'a FindingReport> {
    let results = runs_of(record, scenario).filter_map(Run::standing);
    results.flat_map(|result| &result.findings).filter(move |report| report.name == name)
}

fn pair(old: &Record, new: &Record, name: &str) -> ScenarioPair {
    let words = |record| runs_of(record, name).map(standing_word).collect::<Vec<_>>();
    let (was, is) = (words(old), words(new));
    let text = |record: &Record| {
        let run = runs_of(record, name).next()?;
        Some(record.scenario_file(run)?.text.clone().unwrap_or_default())
    };
    let other = match (text(old), text(new)) {
        (Some(old), Some(new)) => other_run(&old, &new),
        _ => None,
    };
    let mut names: Vec<String> = Vec::new();
    for record in [new, old] {
        for run in runs_of(record, name) {
            for report in run.standing().into_iter().flat_map(|result| &result.findings) {
                if !names.contains(&report.name) {
                    names.push(report.name.clone());
                }
            }
        }
    }
    let expectations: Vec<ExpectationPair> =
        names.into_iter().map(|expectation| expectation_pair(old, new, name, expectation)).collect();
    // The same verdict of less, or of something else, is not the same.
    let asked_less = |it: &ExpectationPair| it.asks_otherwise || (!it.old.is_empty() && it.new.is_empty());
    let change = match Change::of(worst(&was), worst(&is)) {
        Change::Same | Change::Better if expectations.iter().any(asked_less) => Change::Otherwise,
        change => change,
    };
    ScenarioPair {
        name: name.to_owned(),
        change,
        old: was,
        new: is,
        other_run: other,
        expectations,
        shown: (to_show(old, name), to_show(new, name)),
    }
}

/// The run of a scenario to look at: of those that came to the worst, the one with the smallest margin.
fn to_show(record: &Record, name: &str) -> Option<usize> {
    let words: Vec<&str> = runs_of(record, name).map(standing_word).collect();
    let worst = worst(&words)?;
    let smallest = |run: &&Run| {
        let findings = run.standing().into_iter().flat_map(|result| &result.findings);
        let margins = findings.filter_map(|report| report.finding.margin);
        // Times before degrees; within one scenario every run has the same of each.
        margins.map(|margin| (spread::unit(margin), margin.number())).min()
    };
    let begun = |run: &&Run| run.began_at.is_some() && standing_word(run) == worst;
    runs_of(record, name).filter(begun).min_by_key(smallest).map(|run| run.number)
}

fn expectation_pair(old: &Record, new: &Record, scenario: &str, name: String) -> ExpectationPair {
    let verdicts = |record| findings(record, scenario, &name).map(|it| it.finding.verdict).collect::<Vec<_>>();
    let (was, is) = (verdicts(old), verdicts(new));
    let worst = |verdicts: &[Verdict]| verdicts.iter().copied().max().map(Verdict::word);
    let asked = |record| findings(record, scenario, &name).next().map(|report| report.expected.clone());
    let reactions = |record: &Record| {
        let times: Vec<Margin> = findings(record, scenario, &name)
            .filter_map(|report| report.finding.seen)
            .filter(|seen| matches!(seen, Margin::Time(_)))
            .collect();
        Spread::of(&times)
    };
    let reaction = if is_reaction(new, scenario, &name) || is_reaction(old, scenario, &name) {
        Some((reactions(old), reactions(new))).filter(|(old, new)| old.is_some() || new.is_some())
    } else {
        None
    };
    let margins = |record| {
        let margins: Vec<Margin> = findings(record, scenario, &name).filter_map(|it| it.finding.margin).collect();
        Spread::of(&margins)
    };
    let margin = margins(old).zip(margins(new));
    ExpectationPair {
        change: Change::of(worst(&was), worst(&is)),
        asks_otherwise: !was.is_empty() && !is.is_empty() && asked(old) != asked(new),
        old: was,
        new: is,
        margin: margin.map(|(old, new)| MarginPair { old, new, told: Told::CannotTell { why: "" } }),
        reaction,
        name,
    }
}

/// Whether an expectation claims that something comes within a time.
fn is_reaction(record: &Record, scenario: &str, name: &str) -> bool {
    let windows = runs_of(record, scenario).flat_map(|run| &run.planned.expectations);
    windows.into_iter().any(|window| window.name == name && matches!(window.claim, "within" | "heat-cut"))
}

fn tell(
    old: &Record,
    new: &Record,
    other_run: Option<&'static str>,
    scenario: &str,
    expectation: &ExpectationPair,
    same_kiln: bool,
    comparable: usize,
) -> Option<Told> {
    let margin = expectation.margin?;
    if other_run.is_some() {
        return Some(Told::CannotTell { why: "the scenario does something else" });
    }
    if expectation.asks_otherwise {
        return Some(Told::CannotTell { why: "it asks for something else" });
    }
    let measured = |record| {
        let reports = findings(record, scenario, &expectation.name);
        // The widest of a side's runs: they are all of one bench.
        let mut widest = spread::Measured::default();
        reports.for_each(|report| widest.widen(report, same_kiln));
        widest
    };
    Some(spread::tell(margin.old, margin.new, measured(old), measured(new), comparable))
}

/// How often each word comes, for a sentence: `met 4, not met 1`.
pub(crate) fn tallied<'a>(words: impl IntoIterator<Item = &'a str>) -> String {
    let mut counts: BTreeMap<&str, usize> = BTreeMap::new();
    words.into_iter().for_each(|word| *counts.entry(word).or_default() += 1);
    let several = counts.values().sum::<usize>() > 1;
    let parts: Vec<String> = counts
        .into_iter()
        .map(|(word, count)| if several { format!("{count} × {word}") } else { word.to_owned() })
        .collect();
    if parts.is_empty() { "–".to_owned() } else { parts.join(", ") }
}

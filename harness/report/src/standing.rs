//! Counting: what every hazard came to, and the session's exit status.

use std::collections::BTreeSet;

use dryfire_engine::{Applicability, ScenarioResult};
use dryfire_judge::Verdict;

use crate::Outcome;

/// How a session ended, as the number its process exits with.
///
/// Where several apply the one that is asked first in [`Tally::exit_status`] is taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum ExitStatus {
    /// Everything that ran held.
    AllHeld = 0,
    /// An expectation failed, or a hazard has no means of reaction.
    Failed = 1,
    /// Something could not be decided.
    Inconclusive = 2,
    /// Bench, link or controller broke down.
    Error = 3,
    /// A file, an option or an argument is wrong; nothing ran.
    BadInput = 4,
    /// No scenario applies to this bench.
    NothingApplicable = 5,
    /// Ended by the user before it was finished (128 + SIGINT, as shells count).
    Interrupted = 130,
}

impl ExitStatus {
    /// All of them, in ascending order.
    pub const ALL: [ExitStatus; 7] = [
        ExitStatus::AllHeld,
        ExitStatus::Failed,
        ExitStatus::Inconclusive,
        ExitStatus::Error,
        ExitStatus::BadInput,
        ExitStatus::NothingApplicable,
        ExitStatus::Interrupted,
    ];

    /// The number.
    pub fn code(self) -> u8 {
        self as u8
    }

    /// What it means, in the words of the help and of `docs/output.md`.
    pub fn meaning(self) -> &'static str {
        match self {
            ExitStatus::AllHeld => "every expectation of every scenario that ran was met",
            ExitStatus::Failed => "an expectation failed, or a hazard is uncovered",
            ExitStatus::Inconclusive => "something could not be decided",
            ExitStatus::Error => "bench, link or controller broke down",
            ExitStatus::BadInput => "a file, an option or an argument is wrong; nothing ran",
            ExitStatus::NothingApplicable => "no scenario applies to this bench",
            ExitStatus::Interrupted => "interrupted (Ctrl-C) before everything was finished",
        }
    }
}

/// What one hazard came to.
///
/// `failed` and `uncovered` may both be true of one hazard: a fail is counted
/// even where another scenario found that nothing meets the hazard.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HazardStanding {
    /// Its id.
    pub id: String,
    /// An expectation of a scenario for it failed.
    pub failed: bool,
    /// A scenario for it found no means of reaction.
    pub uncovered: bool,
    /// A scenario for it ran and was not decided, or was cut short; or the session is not about one firmware.
    pub undecided: bool,
    /// A scenario for it passed by an expectation that speaks to it and could have failed.
    pub passed: bool,
}

impl HazardStanding {
    /// Seen to be met, and nothing speaks against it.
    pub fn is_shown(&self) -> bool {
        self.passed && !self.failed && !self.uncovered && !self.undecided
    }

    /// A scenario for it ran, without showing it and without a finding against it.
    pub fn is_undecided(&self) -> bool {
        self.undecided && !self.failed && !self.uncovered
    }

    /// Nothing that ran says anything about it.
    pub fn is_not_tested(&self) -> bool {
        !self.failed && !self.uncovered && !self.undecided && !self.passed
    }
}

/// Every hazard of the scenarios that were picked, in the order of their ids.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Hazards {
    standings: Vec<HazardStanding>,
}

impl Hazards {
    /// What they came to.
    pub fn of(outcome: &Outcome<'_>) -> Self {
        let ids: BTreeSet<&str> = outcome
            .results
            .iter()
            .flat_map(hazards_of)
            .chain(outcome.not_run.iter().flat_map(|scenario| scenario.hazards.iter().map(String::as_str)))
            .collect();
        let mut standings: Vec<HazardStanding> = ids.into_iter().map(|id| stand(id, outcome.results)).collect();
        if !outcome.mixed.is_empty() {
            // Shown, but of what? That has to be found out first.
            standings.iter_mut().for_each(|standing| standing.undecided |= standing.passed);
        }
        Hazards { standings }
    }

    /// How many there are.
    pub fn len(&self) -> usize {
        self.standings.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.standings.is_empty()
    }

    /// Hazards of the library that no scenario that was picked is about: nothing at all was asked about them.
    pub fn without_scenario(&self) -> Vec<&'static str> {
        let named = |id: &str| self.standings.iter().any(|standing| standing.id == id);
        dryfire_scenario::KNOWN_HAZARDS.iter().copied().filter(|id| !named(id)).collect()
    }

    /// The ids of those of which something is true.
    pub fn which(&self, is_so: impl Fn(&HazardStanding) -> bool) -> Vec<&str> {
        self.standings.iter().filter(|standing| is_so(standing)).map(|standing| standing.id.as_str()).collect()
    }
}

/// A scenario's own hazards and those that its expectations name besides.
fn hazards_of(result: &ScenarioResult) -> impl Iterator<Item = &str> {
    result.hazards.iter().chain(result.findings.iter().flat_map(|finding| &finding.hazards)).map(String::as_str)
}

fn stand(id: &str, results: &[ScenarioResult]) -> HazardStanding {
    let mut standing =
        HazardStanding { id: id.to_owned(), failed: false, uncovered: false, undecided: false, passed: false };
    for result in results.iter().filter(|result| hazards_of(result).any(|hazard| hazard == id)) {
        match (&result.applicability, verdict_of(result)) {
            (Applicability::Uncovered { .. }, _) => standing.uncovered = true,
            (Applicability::NotApplicable { .. }, _) => {}
            (Applicability::Ran, verdict) => {
                let failed = verdict == Some(Verdict::Fail) || failed_expectations(result) > 0;
                let spoken_to = result.findings.iter().any(|report| {
                    report.finding.verdict == Verdict::Pass
                        && !report.finding.vacuous
                        && report.hazards.iter().any(|hazard| hazard == id)
                });
                if failed {
                    standing.failed = true;
                }
                // A run that passed without a word about this hazard leaves it undecided.
                if verdict == Some(Verdict::Pass) && spoken_to && !failed {
                    standing.passed = true;
                } else if !failed || verdict == Some(Verdict::Error) {
                    standing.undecided = true;
                }
            }
        }
    }
    standing
}

/// The verdict to report: the one given, or worse where a finding is worse; a
/// run that nobody judged is undecided. `None` for a scenario that did not run.
pub(crate) fn verdict_of(result: &ScenarioResult) -> Option<Verdict> {
    if result.applicability != Applicability::Ran {
        return None;
    }
    let given = match result.verdict {
        Some(verdict) if !result.findings.is_empty() => verdict,
        Some(verdict) => verdict.combine(Verdict::Inconclusive),
        None => Verdict::Inconclusive,
    };
    Some(result.findings.iter().fold(given, |worst, report| worst.combine(report.finding.verdict)))
}

/// How many expectations of a scenario failed, whatever its combined verdict.
pub(crate) fn failed_expectations(result: &ScenarioResult) -> usize {
    result.findings.iter().filter(|report| report.finding.verdict == Verdict::Fail).count()
}

fn distinct(outcome: &Outcome<'_>) -> usize {
    let names = outcome.results.iter().map(|result| &result.scenario);
    names.chain(outcome.not_run.iter().map(|scenario| &scenario.scenario)).collect::<BTreeSet<_>>().len()
}

/// The numbers of a session.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Tally {
    /// Scenarios that ran with the verdict pass.
    pub passed: usize,
    /// Scenarios with the verdict fail.
    pub failed: usize,
    /// Scenarios that were not decided.
    pub inconclusive: usize,
    /// Scenarios in which bench, link or controller broke down.
    pub errors: usize,
    /// Scenarios whose hazard has no means of reaction.
    pub uncovered: usize,
    /// Scenarios whose hazard cannot occur on this bench.
    pub not_applicable: usize,
    /// Scenarios that were picked and never begun.
    pub not_run: usize,
    /// Expectations that failed, in whatever scenario: those of a run that ended in error count.
    pub failed_expectations: usize,
    /// Scenarios in which an expectation failed.
    pub scenarios_with_fails: usize,
    /// Whether the user ended the session early.
    pub interrupted: bool,
    /// Whether the session is not about one firmware throughout.
    pub mixed: bool,
    /// How many scenarios these are; fewer than runs where scenarios are repeated.
    pub distinct_scenarios: usize,
    /// What the hazards came to.
    pub hazards: Hazards,
}

impl Tally {
    /// Counts.
    pub fn of(outcome: &Outcome<'_>) -> Self {
        let mut tally = Tally {
            not_run: outcome.not_run.len(),
            interrupted: outcome.interrupted,
            mixed: !outcome.mixed.is_empty(),
            hazards: Hazards::of(outcome),
            distinct_scenarios: distinct(outcome),
            ..Tally::default()
        };
        for result in outcome.results {
            let failed = failed_expectations(result);
            tally.failed_expectations += failed;
            tally.scenarios_with_fails += usize::from(failed > 0);
            let counter = match (&result.applicability, verdict_of(result)) {
                (Applicability::Uncovered { .. }, _) => &mut tally.uncovered,
                (Applicability::NotApplicable { .. }, _) => &mut tally.not_applicable,
                (Applicability::Ran, Some(Verdict::Pass)) => &mut tally.passed,
                (Applicability::Ran, Some(Verdict::Fail)) => &mut tally.failed,
                (Applicability::Ran, Some(Verdict::Inconclusive) | None) => &mut tally.inconclusive,
                (Applicability::Ran, Some(Verdict::Error)) => &mut tally.errors,
            };
            *counter += 1;
        }
        tally
    }

    /// How many runs were planned: one for each scenario that was picked, or as many as it was to be repeated.
    pub fn scenarios(&self) -> usize {
        self.ran() + self.uncovered + self.not_applicable + self.not_run
    }

    /// How many were run.
    pub fn ran(&self) -> usize {
        self.passed + self.failed + self.inconclusive + self.errors
    }

    /// What the process exits with: interrupted before error before fail or
    /// uncovered before inconclusive before nothing applicable before all held.
    pub fn exit_status(&self) -> ExitStatus {
        if self.interrupted {
            ExitStatus::Interrupted
        } else if self.errors > 0 {
            ExitStatus::Error
        } else if self.failed > 0 || self.failed_expectations > 0 || self.uncovered > 0 {
            ExitStatus::Failed
        } else if self.inconclusive > 0 || self.not_run > 0 || self.mixed {
            ExitStatus::Inconclusive
        } else if self.passed == 0 {
            ExitStatus::NothingApplicable
        } else {
            ExitStatus::AllHeld
        }
    }
}

//! Every controller is tried with every scenario.
//!
//! The stand-in without a mistake comes first, for what it shares with those that have one (see [`super::beside`]). All
//! other stand-ins are then tried side by side, each on its own: a controller's last scenario keeps no processor waiting.
//! A user's own build has the machine to itself, one after the other, because programs are given only so long to answer.

use std::cmp::Reverse;
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::mpsc;

use dryfire_bench::{Bench as Driver, Following, Job, SessionNote, SessionOptions, bind_all, run_watched_session};
use dryfire_engine::ScenarioResult;
use dryfire_report::Challenged;
use dryfire_scenario::{BenchKind, Scenario};
use dryfire_units::RigTime;

use super::beside::{Beside, holds_in_session};
use super::contenders::Contender;
use crate::Refusal;
use crate::progress::Progress;
use crate::run::make_bench;
use crate::screen::Mistake;

/// Tries all of them; `None` where that was ended early. Results are in the order of the scenarios.
pub(super) fn all(
    contenders: Vec<Contender>,
    scenarios: Vec<Scenario>,
    jobs: usize,
    progress: &mut Progress,
    stop: &AtomicBool,
) -> Result<Option<Vec<Challenged>>, Refusal> {
    let mut trials = Trials { results: BTreeMap::new(), scenarios, jobs, stop };
    let mut beside = Beside::new(&contenders);
    if let Some((place, without)) = contenders.iter().enumerate().find(|(_, contender)| contender.is_without_mistake) {
        progress.started(place, &without.name);
        let mut results = beside.try_next(&trials, without)?;
        longest_first(&mut trials.scenarios, &results);
        while beside.waits() && !trials.stopped() {
            results = beside.try_next(&trials, without)?;
        }
        trials.results.insert(place, results);
        progress.finished(place);
    }
    trials.side_by_side(&contenders, &mut beside, progress)?;
    trials.one_by_one(&contenders, progress)?;
    if trials.stopped() {
        return Ok(None);
    }
    Ok(Some(trials.table(contenders)))
}

/// What is tried, and what has come of it.
pub(super) struct Trials<'a> {
    /// By the places of the controllers.
    results: BTreeMap<usize, Vec<ScenarioResult>>,
    pub(super) scenarios: Vec<Scenario>,
    pub(super) jobs: usize,
    stop: &'a AtomicBool,
}

impl Trials<'_> {
    fn stopped(&self) -> bool {
        self.stop.load(Ordering::Relaxed)
    }

    /// How a session is made in which so many runs may go on at once.
    pub(super) fn options(&self, contender: &Contender, jobs: usize) -> SessionOptions<'_> {
        SessionOptions { seed: contender.seed, jobs, sample_events: false, live: false, stop: self.stop }
    }

    /// Those of this process that have not been tried yet.
    fn side_by_side(
        &mut self,
        contenders: &[Contender],
        beside: &mut Beside,
        progress: &mut Progress,
    ) -> Result<(), Refusal> {
        let waiting: Vec<(usize, &Contender, Vec<ScenarioResult>)> = contenders
            .iter()
            .enumerate()
            .filter(|(place, contender)| is_stand_in(contender) && !self.results.contains_key(place))
            .map(|(place, contender)| (place, contender, contender.mistake.map_or_else(Vec::new, |it| beside.take(it))))
            .collect();
        let workers = self.jobs.clamp(1, waiting.len().max(1));
        let (next, (sender, receiver)) = (AtomicUsize::new(0), mpsc::channel());
        let (this, waiting) = (&*self, &waiting);
        let tried = std::thread::scope(|scope| {
            for _ in 0..workers {
                let (sender, next) = (sender.clone(), &next);
                scope.spawn(move || {
                    while let Some((place, contender, known)) = waiting.get(next.fetch_add(1, Ordering::Relaxed))
                        && !this.stopped()
                        && sender.send((*place, None)).is_ok()
                    {
                        let options = this.options(contender, this.jobs / workers);
                        let results = try_on(&this.scenarios, contender, known, options);
                        // A receiver that is gone wants no more.
                        if sender.send((*place, Some(results))).is_err() {
                            return;
                        }
                    }
                });
            }
            drop(sender);
            let mut tried = BTreeMap::new();
            for (place, told) in receiver {
                match told {
                    None => progress.started(place, contenders.get(place).map_or("", |contender| &contender.name)),
                    Some(results) => {
                        tried.insert(place, results?);
                        progress.finished(place);
                    }
                }
            }
            Ok::<_, Refusal>(tried)
        })?;
        self.results.extend(tried);
        Ok(())
    }

    /// The user's own builds.
    fn one_by_one(&mut self, contenders: &[Contender], progress: &mut Progress) -> Result<(), Refusal> {
        for (place, contender) in contenders.iter().enumerate().filter(|(_, contender)| !is_stand_in(contender)) {
            if self.stopped() {
                return Ok(());
            }
            progress.started(place, &contender.name);
            let results = try_on(&self.scenarios, contender, &[], self.options(contender, self.jobs))?;
            longest_first(&mut self.scenarios, &results);
            self.results.insert(place, results);
            progress.finished(place);
        }
        Ok(())
    }

    fn table(mut self, contenders: Vec<Contender>) -> Vec<Challenged> {
        let mut challenged = Vec::new();
        for (place, Contender { name, expected, fitted, .. }) in contenders.into_iter().enumerate() {
            let results = self.results.remove(&place).unwrap_or_default();
            challenged.push(Challenged { name, bench: fitted.bench.name, expected, results });
        }
        challenged
    }
}

fn is_stand_in(contender: &Contender) -> bool {
    matches!(contender.fitted.bench.kind, BenchKind::Virtual(_))
}

/// Puts the scenarios that took the longest on the controller before to the front: a long run that begins last keeps one
/// processor busy and the others idle. The order changes nothing else: each run has its own seed.
fn longest_first(scenarios: &mut [Scenario], results: &[ScenarioResult]) {
    let lengths: BTreeMap<&str, RigTime> =
        results.iter().map(|result| (result.scenario.as_str(), result.length)).collect();
    scenarios.sort_by_key(|scenario| Reverse(lengths.get(scenario.name.as_str()).copied()));
}

/// What a controller comes to, of whose runs these are known already.
fn try_on(
    scenarios: &[Scenario],
    contender: &Contender,
    known: &[ScenarioResult],
    options: SessionOptions<'_>,
) -> Result<Vec<ScenarioResult>, Refusal> {
    let jobs = bound(scenarios, contender)?;
    let make_bench = || make_bench(&contender.fitted);
    let is_known = |job: &&Job| {
        known.iter().any(|result| result.scenario == job.scenario.name && result.seed == job.seed(options.seed))
    };
    let unknown: Vec<Job> = jobs.iter().filter(|job| !is_known(job)).cloned().collect();
    let mut results = play(&unknown, options, known, &make_bench).results;
    if !holds_in_session(&contender.fitted.bench, known, &results) {
        return Ok(play(&jobs, options, &[], &make_bench).results);
    }
    results.extend_from_slice(known);
    Ok(results)
}

/// The scenarios on the controller's bench.
pub(super) fn bound(scenarios: &[Scenario], contender: &Contender) -> Result<Vec<Job>, Refusal> {
    let fitted = &contender.fitted;
    bind_all(scenarios.to_vec(), &fitted.bench, &fitted.kiln).map_err(|misfits| {
        let of = |index: usize| scenarios.get(index).map_or("?", |scenario| scenario.name.as_str());
        let mistakes = misfits.iter().flat_map(|misfit| {
            let messages = misfit.errors.iter().map(|error| error.message.as_str());
            messages.map(|message| {
                Mistake::new(format!(
                    "the scenario `{}` does not fit the bench `{}` ({}): {message}",
                    of(misfit.scenario),
                    fitted.bench.name,
                    contender.name
                ))
            })
        });
        Refusal::from(mistakes.collect::<Vec<_>>())
    })
}

/// What a session came to.
pub(super) struct Played {
    pub(super) results: Vec<ScenarioResult>,
    /// Something had to be run in addition, to show that the relays can be seen on.
    pub(super) proving_run: bool,
}

/// Makes a session of these jobs, in which this was shown before.
pub(super) fn play(
    jobs: &[Job],
    options: SessionOptions<'_>,
    shown_before: &[ScenarioResult],
    make_bench: &(dyn Fn() -> Box<dyn Driver> + Sync),
) -> Played {
    let mut played = Played { results: Vec::new(), proving_run: false };
    let following = Following { shown_before, ..Following::default() };
    run_watched_session(jobs, make_bench, options, following, &mut |note| match note {
        SessionNote::Finished { outcome, .. } => played.results.push(outcome.result),
        SessionNote::Proving { .. } | SessionNote::Proved(_) => played.proving_run = true,
        SessionNote::Started { .. } | SessionNote::Progress { .. } | SessionNote::Live { .. } => {}
    });
    played
}

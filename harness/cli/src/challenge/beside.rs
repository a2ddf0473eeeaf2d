//! Runs in which a mistake makes no difference are made once.
//!
//! Most of the stand-in's mistakes show in few scenarios. While the stand-in without a mistake is tried, controllers
//! with one mistake each ride along and are dropped where they would have done anything else; where one has not been,
//! its own run would be that of the stand-in without a mistake, and is taken from there. All others are made.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::atomic::Ordering;
use std::sync::mpsc;

use dryfire_bench::VirtualBench;
use dryfire_engine::{ScenarioResult, SessionProof};
use dryfire_scenario::Bench;
use dryfire_stand_in::Defect;

use super::contenders::Contender;
use super::trials::{Trials, bound, play};
use crate::Refusal;

/// How many ride along at once: few sessions without a mistake, and not all of them out of the nearest cache at every tick.
const AT_ONCE: usize = 34;

/// What the stand-in without a mistake shares with those that have one.
#[derive(Default)]
pub(super) struct Beside {
    /// Those that have not ridden along yet.
    waiting: Vec<Defect>,
    shared: BTreeMap<Defect, Vec<ScenarioResult>>,
}

impl Beside {
    /// For the mistakes of these controllers.
    pub(super) fn new(contenders: &[Contender]) -> Self {
        let waiting = contenders.iter().filter_map(|contender| contender.mistake).collect();
        Beside { waiting, shared: BTreeMap::new() }
    }

    /// Whether some are still to ride along.
    pub(super) fn waits(&self) -> bool {
        !self.waiting.is_empty()
    }

    /// Tries the stand-in without a mistake, with the next mistakes riding along; what it came to.
    pub(super) fn try_next(
        &mut self,
        trials: &Trials<'_>,
        contender: &Contender,
    ) -> Result<Vec<ScenarioResult>, Refusal> {
        let options = trials.options(contender, trials.jobs);
        let rest = self.waiting.split_off(AT_ONCE.min(self.waiting.len()));
        let riding = std::mem::replace(&mut self.waiting, rest);
        let jobs = bound(&trials.scenarios, contender)?;
        let (told, together) = mpsc::channel();
        let played = play(&jobs, options, &[], &|| {
            let bench = VirtualBench::new(contender.fitted.bench.clone());
            Box::new(bench.with_companions(riding.clone(), told.clone()))
        });
        drop(told);
        let mut made_no_difference = BTreeMap::new();
        let mut twice = BTreeSet::new();
        for run in together {
            if made_no_difference.insert(run.seed, run.mistakes).is_some() {
                // Whose run it was cannot be told.
                twice.insert(run.seed);
            }
        }
        for mistake in riding {
            let is_the_same = |result: &&ScenarioResult| {
                result.trouble.is_none()
                    && !twice.contains(&result.seed)
                    && made_no_difference.get(&result.seed).is_some_and(|mistakes| mistakes.contains(&mistake))
            };
            // A proving run may have changed what a run is worth, and so has the end of a session that was ended early.
            let whole = !played.proving_run && !options.stop.load(Ordering::Relaxed);
            let shared = played.results.iter().filter(|_| whole).filter(is_the_same);
            self.shared.insert(mistake, shared.cloned().collect());
        }
        Ok(played.results)
    }

    /// What a controller with this mistake shares with the one without: nothing, where it has not ridden along.
    pub(super) fn take(&mut self, mistake: Defect) -> Vec<ScenarioResult> {
        self.shared.remove(&mistake).unwrap_or_default()
    }
}

/// Whether what is shared is worth as much in a session with these others: a pass that rests on a relay needs a run of
/// the same session that has shown it on.
pub(super) fn holds_in_session(bench: &Bench, shared: &[ScenarioResult], others: &[ScenarioResult]) -> bool {
    let mut proof = SessionProof::new(bench);
    shared.iter().chain(others).for_each(|result| proof.note(result));
    shared.iter().all(|result| proof.is_enough_for(result))
}

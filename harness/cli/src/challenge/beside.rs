//! Runs in which a mistake makes no difference are made once.
//!
//! Most of the stand-in's mistakes show in few scenarios. While the stand-in without a mistake is tried, controllers
//! with one mistake each ride along and are dropped where they would have done anything else; where one has not been,
//! its own run would be that of the stand-in without a mistake, and is taken from there. All others are made.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::atomic::Ordering;
use std::sync::mpsc;

use dryfire_bench::{SessionOptions, VirtualBench};
use dryfire_engine::{ScenarioResult, SessionProof};
use dryfire_scenario::{Bench, Scenario};
use dryfire_stand_in::Defect;

use super::contenders::Contender;
use super::{bound, play};
use crate::Refusal;

/// How many ride along at once: more of them do not stay in a processor's cache.
const AT_ONCE: usize = 24;

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

    /// Tries the stand-in without a mistake, with the next mistakes riding along; what it came to.
    pub(super) fn try_without_mistake(
        &mut self,
        scenarios: &[Scenario],
        contender: &Contender,
        options: SessionOptions<'_>,
    ) -> Result<Vec<ScenarioResult>, Refusal> {
        let rest = self.waiting.split_off(AT_ONCE.min(self.waiting.len()));
        let riding = std::mem::replace(&mut self.waiting, rest);
        let jobs = bound(scenarios, contender)?;
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

    /// What a controller with this mistake shares with the one without. The latter is tried again where the mistake has
    /// not ridden along yet.
    pub(super) fn shared(
        &mut self,
        mistake: Defect,
        scenarios: &[Scenario],
        without: &Contender,
        options: SessionOptions<'_>,
    ) -> Result<Vec<ScenarioResult>, Refusal> {
        while self.waiting.contains(&mistake) {
            self.try_without_mistake(scenarios, without, options)?;
        }
        Ok(self.shared.remove(&mistake).unwrap_or_default())
    }
}

/// Whether what is shared is worth as much in a session with these others: a pass that rests on a relay needs a run of
/// the same session that has shown it on.
pub(super) fn holds_in_session(bench: &Bench, shared: &[ScenarioResult], others: &[ScenarioResult]) -> bool {
    let mut proof = SessionProof::new(bench);
    shared.iter().chain(others).for_each(|result| proof.note(result));
    shared.iter().all(|result| proof.is_enough_for(result))
}

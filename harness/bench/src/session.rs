//! Many scenarios on one kind of bench, in parallel where the bench allows it.
//!
//! What a session yields does not depend on how many runs go on at once: each
//! run has its own seed, and finished runs are given out in the plan's order.
#![expect(clippy::disallowed_types, reason = "progress is told by the wall clock")]

mod proving;

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::mpsc;
use std::time::{Duration, Instant};

use dryfire_engine::{
    Applicability, BindError, Binding, Command, Event, Observation, Plan, RelaysSeen, RigCounters, ScenarioResult,
    SessionProof, Trouble,
};
use dryfire_judge::SignalTable;
use dryfire_kiln::KilnDescription;
use dryfire_scenario::{Bench as BenchFile, BenchKind, Scenario};
use dryfire_units::RigTime;

use crate::driver::{Bench, BenchIdentity, RunOptions, RunSetup, run_plan};

/// One scenario of a session.
#[derive(Clone, Debug)]
pub struct Job {
    /// The scenario.
    pub scenario: Scenario,
    /// What came of binding it to the bench.
    pub binding: Binding,
    /// How many runs of the same scenario come before it in the plan.
    pub repetition: u32,
}

impl Job {
    /// The seed of its run in a session with this seed.
    pub fn seed(&self, session: u64) -> u64 {
        run_seed(session, &self.scenario.name, self.repetition)
    }
}

/// Every job so many times: the whole plan once, then once more, so that a bench that drifts
/// drifts alike for all, and a session that is ended early has run each scenario about as often.
pub fn repeated(jobs: &[Job], times: u32) -> Vec<Job> {
    (0..times).flat_map(|repetition| jobs.iter().map(move |job| Job { repetition, ..job.clone() })).collect()
}

/// A scenario that does not fit the bench, with everything that is wrong.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Misfit {
    /// Index of the scenario in the list given.
    pub scenario: usize,
    /// What is wrong.
    pub errors: Vec<BindError>,
}

/// Binds every scenario to the bench before anything runs.
///
/// # Errors
/// Every scenario that does not fit.
pub fn bind_all(scenarios: Vec<Scenario>, bench: &BenchFile, kiln: &KilnDescription) -> Result<Vec<Job>, Vec<Misfit>> {
    let mut jobs = Vec::new();
    let mut misfits = Vec::new();
    for (index, scenario) in scenarios.into_iter().enumerate() {
        match Plan::bind(&scenario, bench, kiln) {
            Ok(binding) => jobs.push(Job { scenario, binding, repetition: 0 }),
            Err(errors) => misfits.push(Misfit { scenario: index, errors }),
        }
    }
    if misfits.is_empty() { Ok(jobs) } else { Err(misfits) }
}

/// How a session is to be made.
#[derive(Clone, Copy, Debug)]
pub struct SessionOptions<'a> {
    /// The session's seed; each run's own is derived from it.
    pub seed: u64,
    /// How many runs may go on at once (1 for a rig).
    pub jobs: usize,
    /// Whether samples of levels are kept as events.
    pub sample_events: bool,
    /// Whether events are told as they happen (where only one run goes on at a
    /// time): for a bench that somebody stands beside.
    pub live: bool,
    /// Set from outside to end the session early.
    pub stop: &'a AtomicBool,
}

/// What a session tells while it goes on.
#[derive(Debug)]
pub enum SessionNote {
    /// A run has begun (in no particular order).
    Started {
        /// Index of the job.
        job: usize,
    },
    /// A run has come so far (a few times a second, in no particular order).
    Progress {
        /// Index of the job.
        job: usize,
        /// How far.
        at: RigTime,
    },
    /// A proving run is made at the end, because a pass rests on a relay that no run has shown on.
    Proving {
        /// How far it has come.
        at: RigTime,
    },
    /// The proving run has come to its end.
    Proved(Proved),
    /// An event of a run, as it happens; only told where that was asked for.
    Live {
        /// Index of the job.
        job: usize,
        /// The event.
        event: Event,
    },
    /// A run is finished; told in the order of the jobs. One whose pass rests on a relay that
    /// no run has shown on yet is held back until one does, at the latest the proving run.
    Finished {
        /// Index of the job.
        job: usize,
        /// What it came to, with its events.
        outcome: Box<JobOutcome>,
    },
}

/// What a proving run came to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Proved {
    /// Whether it is the negative control without which no pass counts, because a real controller is wired to the bench.
    pub control: bool,
    /// Its seed.
    pub seed: u64,
    /// The relays that were seen on in it, by name.
    pub relays_on: Vec<String>,
    /// Why it shows nothing; `None` where what has to fail has failed.
    pub shows_nothing: Option<String>,
}

/// What a job came to.
#[derive(Clone, Debug)]
pub struct JobOutcome {
    /// The result.
    pub result: ScenarioResult,
    /// Everything that happened, in order.
    pub events: Vec<Event>,
    /// The signals that events and findings speak of.
    pub table: SignalTable,
    /// What the bench said of itself when the run began; `None` of one that did not begin.
    pub identity: Option<String>,
}

/// Follows one run as it happens, in the thread that makes it.
///
/// Whoever follows has to be quick: a free-running rig goes on meanwhile.
pub trait Watcher: Send {
    /// The bench has begun the run.
    fn begun(&mut self, identity: &BenchIdentity);

    /// An event of the run, samples of levels among them.
    fn event(&mut self, event: &Event);

    /// What the scenario came to by itself; [`SessionNote::Finished`] tells what it came to in the session.
    /// Told of those that the bench cannot run too, not of those left out because the session was ended early.
    fn finished(&mut self, result: &ScenarioResult);
}

/// Makes the watcher of a job by its index, when the job is taken up.
pub type MakeWatcher<'a> = &'a (dyn Fn(usize) -> Box<dyn Watcher> + Sync);

/// What a session is made with beside its jobs.
#[derive(Clone, Copy, Default)]
pub struct Following<'a> {
    /// Who follows each run closely: a record.
    pub make_watcher: Option<MakeWatcher<'a>>,
    /// What was shown before, in a part of the session that was interrupted.
    pub shown_before: &'a [ScenarioResult],
    /// The jobs' places in the whole plan, where they are the rest of one: for log lines, which count runs.
    pub places: Option<&'a [usize]>,
}

/// How often a run tells how far it has come.
const TELL_PROGRESS_EVERY: Duration = Duration::from_millis(100);

/// The seed of one run: a hash of the session's seed, the scenario's name and, from its second run on,
/// how many came before (FNV-1a, then the finaliser of SplitMix64 so that near seeds differ everywhere).
pub fn run_seed(session: u64, scenario: &str, repetition: u32) -> u64 {
    let mut hash = 0xcbf2_9ce4_8422_2325_u64;
    // A name is never followed by a zero byte, so no two of these are the same.
    let again = (repetition > 0).then(|| repetition.to_le_bytes().into_iter().chain([0]));
    for byte in session.to_le_bytes().into_iter().chain(scenario.bytes()).chain(again.into_iter().flatten()) {
        hash = (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3);
    }
    hash = (hash ^ (hash >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    hash = (hash ^ (hash >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    hash ^ (hash >> 31)
}

/// Runs every job on benches made by `make_bench` and tells `note` about it.
pub fn run_session(
    jobs: &[Job],
    make_bench: &(dyn Fn() -> Box<dyn Bench> + Sync),
    options: SessionOptions<'_>,
    note: &mut dyn FnMut(SessionNote),
) {
    run_watched_session(jobs, make_bench, options, Following::default(), note);
}

/// The same with somebody who follows each run closely, or as the rest of a session that was interrupted.
pub fn run_watched_session(
    jobs: &[Job],
    make_bench: &(dyn Fn() -> Box<dyn Bench> + Sync),
    options: SessionOptions<'_>,
    following: Following<'_>,
    note: &mut dyn FnMut(SessionNote),
) {
    let mut proof = proof_of(jobs);
    following.shown_before.iter().for_each(|result| proof.note(result));
    if let Some(plan) = any_plan(jobs)
        && matches!(plan.bench.kind, BenchKind::Rig { .. })
        && on_real_wires(make_bench)
    {
        proof.owe_control();
        if proving::can_stop(&plan.bench) {
            prove(jobs, make_bench, options, &mut proof, note);
        }
    }
    let workers = options.jobs.clamp(1, jobs.len().max(1));
    let next = AtomicUsize::new(0);
    let (sender, receiver) = mpsc::channel();
    // Threads do not inherit the span that says which session a log line belongs to.
    let session = tracing::Span::current();
    std::thread::scope(|scope| {
        for _ in 0..workers {
            let sender = sender.clone();
            let (next, live, session) = (&next, options.live && workers == 1, &session);
            scope.spawn(move || {
                let _in_session = session.enter();
                let mut bench = None;
                loop {
                    let job = next.fetch_add(1, Ordering::Relaxed);
                    if job >= jobs.len() {
                        return;
                    }
                    // A receiver that is gone means that nobody wants the rest.
                    if sender.send(SessionNote::Started { job }).is_err() {
                        return;
                    }
                    let watcher = following.make_watcher.map(|make| make(job));
                    let place = following.places.and_then(|places| places.get(job)).map_or(job, |place| *place);
                    let outcome =
                        run_job((job, place), &jobs[job], &mut bench, make_bench, options, live, &sender, watcher);
                    let outcome = Box::new(outcome);
                    if sender.send(SessionNote::Finished { job, outcome }).is_err() {
                        return;
                    }
                }
            });
        }
        // Only the workers' clones keep the channel open from here on.
        drop(sender);
        let mut finished: BTreeMap<usize, Box<JobOutcome>> = BTreeMap::new();
        let mut due = 0;
        for told in receiver {
            match told {
                SessionNote::Finished { job, outcome } => {
                    proof.note(&outcome.result);
                    finished.insert(job, outcome);
                    while let Some(first) = finished.first_entry()
                        && *first.key() == due
                        && proof.is_enough_for(&first.get().result)
                    {
                        note(SessionNote::Finished { job: due, outcome: first.remove() });
                        due += 1;
                    }
                }
                other => note(other),
            }
        }
        if !finished.is_empty() && !options.stop.load(Ordering::Relaxed) {
            prove(jobs, make_bench, options, &mut proof, note);
        }
        for (job, mut outcome) in finished {
            proof.apply(&mut outcome.result);
            note(SessionNote::Finished { job, outcome });
        }
    });
}

/// Lets every relay be seen on, for the passes that rest on that.
fn prove(
    jobs: &[Job],
    make_bench: &dyn Fn() -> Box<dyn Bench>,
    options: SessionOptions<'_>,
    proof: &mut SessionProof,
    note: &mut dyn FnMut(SessionNote),
) {
    let Some(like) = any_plan(jobs) else { return };
    let seed = run_seed(options.seed, proving::NAME, 0);
    let (control, relays) = (proof.owes_control(), proof.relays().to_vec());
    let mut proved = Proved { control, seed, relays_on: Vec::new(), shows_nothing: None };
    let Some(plan) = proving::plan(like) else {
        proved.shows_nothing = Some("no firing can be begun on this bench".to_owned());
        note(SessionNote::Proved(proved));
        return;
    };
    let span = tracing::info_span!("run", scenario = proving::NAME);
    let _entered = span.enter();
    note(SessionNote::Proving { at: RigTime::ZERO });
    let run = u32::try_from(jobs.len()).unwrap_or(u32::MAX);
    let run_options = RunOptions { run, seed, sample_events: false, second_judge: true };
    let mut bench = make_bench();
    let mut at_times = AtTimes::new();
    let result = run_plan(plan, bench.as_mut(), run_options, options.stop, &mut |_| (), &mut |at| {
        if at_times.is_time() {
            note(SessionNote::Proving { at });
        }
    });
    match result {
        Ok(result) => {
            let on = result.relays_seen.on.iter();
            proved.relays_on = on.filter_map(|relay| relays.get(*relay).cloned()).collect();
            if proving::succeeded(&result) {
                tracing::info!("what has to fail has failed: this bench can fail");
                proof.note(&result);
                proof.note_control();
            } else {
                proved.shows_nothing = Some(proving::why_not(&result));
            }
        }
        Err(error) => proved.shows_nothing = Some(error.to_string()),
    }
    if let Some(why) = &proved.shows_nothing {
        tracing::warn!("the proving run shows nothing: {why}");
    }
    note(SessionNote::Proved(proved));
}

/// Whether what is asked is a rig with a real controller. One that does not answer now may be one all the same.
fn on_real_wires(make_bench: &dyn Fn() -> Box<dyn Bench>) -> bool {
    make_bench().has_real_wires().unwrap_or(true)
}

fn any_plan(jobs: &[Job]) -> Option<&Plan> {
    jobs.iter().find_map(|job| match &job.binding {
        Binding::Ready(plan) => Some(&**plan),
        Binding::NotApplicable { .. } | Binding::Uncovered { .. } => None,
    })
}

/// What has to be seen of the relays; all jobs of a session are bound to one bench.
fn proof_of(jobs: &[Job]) -> SessionProof {
    any_plan(jobs).map_or_else(SessionProof::default, |plan| SessionProof::new(&plan.bench))
}

/// When it is time to tell progress.
struct AtTimes {
    told: Instant,
    steps: u32,
}

#[expect(clippy::disallowed_methods, reason = "progress is told by the wall clock")]
impl AtTimes {
    fn new() -> Self {
        AtTimes { told: Instant::now(), steps: 0 }
    }

    fn is_time(&mut self) -> bool {
        // Asking the clock at every step would cost more than the step.
        self.steps = self.steps.wrapping_add(1);
        let due = self.steps.is_multiple_of(16) && self.told.elapsed() >= TELL_PROGRESS_EVERY;
        if due {
            self.told = Instant::now();
        }
        due
    }
}

#[expect(clippy::too_many_arguments, reason = "a part of `run_session` that is only called there")]
fn run_job(
    (index, place): (usize, usize),
    job: &Job,
    bench: &mut Option<Box<dyn Bench>>,
    make_bench: &dyn Fn() -> Box<dyn Bench>,
    options: SessionOptions<'_>,
    live: bool,
    sender: &mpsc::Sender<SessionNote>,
    watcher: Option<Box<dyn Watcher>>,
) -> JobOutcome {
    let seed = job.seed(options.seed);
    let plan = match &job.binding {
        Binding::Ready(plan) => plan,
        Binding::NotApplicable { reason } => {
            let outcome = not_run(job, seed, Applicability::NotApplicable { reason: reason.clone() });
            return watched_to_the_end(outcome, watcher);
        }
        Binding::Uncovered { reason } => {
            let outcome = not_run(job, seed, Applicability::Uncovered { reason: reason.clone() });
            return watched_to_the_end(outcome, watcher);
        }
    };
    if options.stop.load(Ordering::Relaxed) {
        let mut outcome = not_run(job, seed, Applicability::Ran);
        outcome.result.verdict = Some(dryfire_judge::Verdict::Inconclusive);
        outcome.result.remarks.push("not begun: the session was ended early".to_owned());
        return outcome;
    }
    // Counted from 1, as in every output.
    let span = tracing::info_span!("run", run = place + 1, scenario = %job.scenario.name, seed);
    let _entered = span.enter();
    let bench = bench.get_or_insert_with(make_bench);
    let run = u32::try_from(index).unwrap_or(u32::MAX);
    let sample_events = options.sample_events || watcher.is_some();
    let run_options = RunOptions { run, seed, sample_events, second_judge: true };
    let watching = RefCell::new(watcher);
    let mut identity = None;
    let mut introduced = Introduced { bench: bench.as_mut(), watching: &watching, identity: &mut identity };
    let mut events = Vec::new();
    let mut at_times = AtTimes::new();
    let result = run_plan(
        (**plan).clone(),
        &mut introduced,
        run_options,
        options.stop,
        &mut |event| {
            if let Some(watcher) = watching.borrow_mut().as_mut() {
                watcher.event(&event);
            }
            if !options.sample_events && matches!(event, Event::Sampled { .. } | Event::Unobserved { .. }) {
                return;
            }
            if live {
                let _ = sender.send(SessionNote::Live { job: index, event: event.clone() });
            }
            events.push(event);
        },
        &mut |at| {
            if at_times.is_time() {
                let _ = sender.send(SessionNote::Progress { job: index, at });
            }
        },
    );
    let outcome = match result {
        Ok(result) => JobOutcome { result, events, table: plan.table.clone(), identity },
        Err(error) => {
            let trouble = Trouble { kind: dryfire_engine::TroubleKind::PlanUnplayable, detail: error.to_string() };
            let mut outcome = not_run(job, seed, Applicability::Ran);
            outcome.result.verdict = Some(dryfire_judge::Verdict::Error);
            outcome.result.remarks.push(trouble.detail.clone());
            outcome.result.trouble = Some(trouble);
            outcome
        }
    };
    watched_to_the_end(outcome, watching.into_inner())
}

fn watched_to_the_end(outcome: JobOutcome, watcher: Option<Box<dyn Watcher>>) -> JobOutcome {
    if let Some(mut watcher) = watcher {
        watcher.finished(&outcome.result);
    }
    outcome
}

/// A bench that tells the watcher what it is when it has begun.
struct Introduced<'a> {
    bench: &'a mut dyn Bench,
    watching: &'a RefCell<Option<Box<dyn Watcher>>>,
    identity: &'a mut Option<String>,
}

impl Bench for Introduced<'_> {
    fn begin(&mut self, setup: &RunSetup) -> Result<BenchIdentity, Trouble> {
        let identity = self.bench.begin(setup)?;
        if let Some(watcher) = self.watching.borrow_mut().as_mut() {
            watcher.begun(&identity);
        }
        *self.identity = Some(identity.description.clone());
        Ok(identity)
    }

    fn command(&mut self, command: Command) -> Result<(), Trouble> {
        self.bench.command(command)
    }

    fn advance(&mut self, until: RigTime, observations: &mut Vec<Observation>) -> Result<(), Trouble> {
        self.bench.advance(until, observations)
    }

    fn end(&mut self) {
        self.bench.end();
    }
}

fn not_run(job: &Job, seed: u64, applicability: Applicability) -> JobOutcome {
    JobOutcome {
        result: ScenarioResult {
            scenario: job.scenario.name.clone(),
            hazards: job.scenario.hazards.iter().map(|hazard| hazard.value.0.clone()).collect(),
            applicability,
            verdict: None,
            findings: Vec::new(),
            remarks: Vec::new(),
            trouble: None,
            heat_work: Vec::new(),
            relays_seen: RelaysSeen::default(),
            counters: RigCounters::default(),
            seed,
            length: RigTime::ZERO,
        },
        events: Vec::new(),
        table: SignalTable::default(),
        identity: None,
    }
}

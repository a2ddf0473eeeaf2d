//! `dryfire run`: scenarios on a bench, judged.

use std::path::PathBuf;
use std::sync::atomic::Ordering;

use dryfire_bench::{
    Bench as Driver, BenchIdentity, Following, Job, JobOutcome, MakeWatcher, ProgramBench, RigBench, RigService,
    RunSetup, SessionNote, SessionOptions, VirtualBench, Watcher, repeated, run_watched_session,
};
use dryfire_engine::{Applicability, Binding, Event, Observation, ScenarioResult, Trouble, TroubleKind};
use dryfire_link::CalibrationState;
use dryfire_record::{Beginning, Record, Recorder};
use dryfire_report::{
    ExitStatus, JsonLines, MIXED_NOTE, NotRun, Outcome, RunHead, SessionHead, Sweeps, Tally, budget_warnings,
    mixed_identities, summary,
};
use dryfire_scenario::{BeginFiring, Bench, BenchKind, Plays, Stimulus};
use dryfire_units::{Celsius, RigTime, ThermocoupleType};

use crate::args::{Format, RunArguments};
use crate::evidence::{self, Again};
use crate::files::{self, Wanted};
use crate::images::Images;
use crate::library::{BenchWithKiln, Reader, bind};
use crate::logging::RecordLines;
use crate::precautions::{self, Wires};
use crate::progress::Progress;
use crate::rig::AtTheTerminal;
use crate::rig_service::calibration_warning;
use crate::screen::{Mistake, Screen, terminals};
use crate::{Refusal, defects, interrupt};

pub(crate) fn run(
    arguments: &RunArguments,
    verbose: u8,
    lines: &RecordLines,
    screen: &mut Screen,
) -> Result<ExitStatus, Refusal> {
    let record = arguments.resume.as_deref().map(Record::open).transpose();
    let record = record.map_err(|error| Mistake::new(error.to_string()))?;
    let recorded = record.as_ref().map(|record| evidence::as_recorded(arguments, record)).transpose()?;
    let arguments = recorded.as_ref().unwrap_or(arguments);
    let session = prepare(arguments, screen)?;
    let again = record.map(|record| evidence::again(record, &session.beginning));
    let precautions = precautions::before(session.wires, arguments.declared_by.as_deref())?;
    let stop = interrupt::watch()?;
    let recorder = evidence::begin(arguments, &session.beginning, again.as_ref(), &stop)?;
    recorder.iter().for_each(|recorder| precautions.record(recorder));
    lines.set_record(recorder.as_ref().map(Recorder::log_sender));
    for reason in again.iter().flat_map(Again::reasons) {
        screen.warn(reason);
    }
    let (stderr, stdout) = terminals();
    // A bar would mix with log lines, with JSON lines on the same terminal, and with questions to the operator.
    let asks = asks(&session) || precautions.asks();
    let visible = stderr && verbose == 0 && !asks && !(stdout && arguments.format == Format::Json);
    let mut progress = Progress::new(session.jobs.len(), visible);
    let mut telling = Telling::new(&session, arguments);
    let span = tracing::info_span!("session", seed = arguments.seed, bench = %session.fitted.bench.name);
    let _entered = span.enter();
    tracing::info!(scenarios = session.jobs.len(), "session begins");

    telling.session(screen);
    let options = SessionOptions {
        seed: arguments.seed,
        jobs: session.workers,
        sample_events: arguments.format == Format::Json,
        live: telling.live,
        stop: &stop,
    };
    let make_bench = || make_bench(&session.fitted);
    let to_do = ToDo::new(&session.jobs, again.as_ref());
    let make_watcher = recorder.as_ref().map(|recorder| {
        let places = &to_do.places;
        move |job: usize| -> Box<dyn Watcher> { recorder.watcher(places[job] + 1) }
    });
    let make_watcher = make_watcher.as_ref().map(|make| make as MakeWatcher<'_>);
    let shown_before: Vec<ScenarioResult> =
        again.iter().flat_map(|again| again.kept.iter().flatten()).cloned().collect();
    let following = Following { make_watcher, shown_before: &shown_before, places: Some(&to_do.places) };
    let mut proved = false;
    let mut images = Images::new(&session.fitted, &session.beginning.files);
    images.look(false);
    run_watched_session(&to_do.jobs, &make_bench, options, following, &mut |note| {
        if stop.load(Ordering::Relaxed) {
            progress.stopping();
        }
        match note {
            SessionNote::Started { job } => {
                let job = to_do.places[job];
                progress.started(job, &session.jobs[job].scenario.name);
                if telling.live {
                    telling.kept_before(screen, job, again.as_ref());
                }
                telling.started(screen, job);
            }
            SessionNote::Progress { job, at } => progress.reached(to_do.places[job], at),
            SessionNote::Proving { at } => progress.proving(at),
            SessionNote::Proved(what) => {
                proved = true;
                if let Some(recorder) = &recorder {
                    recorder.note(evidence::proved(&what));
                }
            }
            SessionNote::Live { event, .. } => telling.live(screen, &event),
            SessionNote::Finished { job, outcome } => {
                let job = to_do.places[job];
                telling.kept_before(screen, job, again.as_ref());
                progress.finished(job);
                if let Some(recorder) = &recorder {
                    recorder.concluded(job + 1, &outcome.result);
                }
                images.look(false);
                telling.finished(screen, job, *outcome, stop.load(Ordering::Relaxed));
            }
        }
    });
    telling.kept_before(screen, session.jobs.len(), again.as_ref());
    progress.clear();
    if let Some(recorder) = recorder.as_ref().filter(|_| !proved) {
        recorder.note(evidence::not_proved(stop.load(Ordering::Relaxed)));
    }
    let done = precautions.after(&stop, screen);
    if let Some(recorder) = &recorder {
        done.into_iter().for_each(|note| recorder.note(note));
    }
    images.look(true);
    let mixed = telling.mixed(&images, again.as_ref())?;
    if let Some(recorder) = &recorder {
        images.changed().for_each(|change| recorder.note(evidence::mixed(change)));
    }
    let evidence = recorder.map(|recorder| close(recorder, stop.load(Ordering::Relaxed)));
    let interrupted = stop.load(Ordering::Relaxed);
    let outcome = Outcome { results: &telling.results, not_run: &telling.not_run, interrupted, mixed: &mixed };
    let status = Tally::of(&outcome).exit_status();
    match arguments.format {
        Format::Text => {
            let width = screen.width();
            screen.text(&summary(&session.head, &outcome, &session.sweeps, width));
        }
        Format::Json => screen.out(telling.json.summary(&outcome)),
    }
    tracing::info!(status = status.code(), "session is over");
    match evidence {
        None => Ok(status),
        Some(Ok(said)) => {
            if arguments.format == Format::Text {
                screen.out(said);
            }
            Ok(status)
        }
        Some(Err(mistake)) => {
            screen.complain(&mistake);
            Ok(ExitStatus::Error)
        }
    }
}

/// Closes the record, and says where it is.
fn close(recorder: Recorder, interrupted: bool) -> Result<String, Mistake> {
    let failed = |error: dryfire_record::RecordError| {
        Mistake::new(format!("the session could not be recorded: {error}")).hint(
            "what was shown stands, and there is no evidence of it; the record, where there is one, is unfinished",
        )
    };
    let writer = recorder.close().map_err(failed)?;
    let path = writer.path().display().to_string();
    if interrupted {
        writer.leave().map_err(failed)?;
        return Ok(format!("Record: {path} (unfinished; `dryfire run --resume {path}` goes on)\n"));
    }
    let seal = writer.finish().map_err(failed)?;
    Ok(format!("Record: {path} (sealed, SHA-256 {})\n", seal.sha256))
}

/// The jobs that are not kept from a record, with their places in the plan.
struct ToDo {
    jobs: Vec<Job>,
    places: Vec<usize>,
}

impl ToDo {
    fn new(jobs: &[Job], again: Option<&Again>) -> Self {
        let kept = |place: usize| again.is_some_and(|again| again.kept.get(place).is_some_and(Option::is_some));
        let places: Vec<usize> = (0..jobs.len()).filter(|place| !kept(*place)).collect();
        ToDo { jobs: places.iter().map(|place| jobs[*place].clone()).collect(), places }
    }
}

/// Whether somebody may be asked to do something during the runs.
fn asks(session: &Session) -> bool {
    let bench = &session.fitted.bench;
    let prompts = |step: &dryfire_scenario::Step| {
        step.stimuli.iter().any(|stimulus| matches!(stimulus.value, Stimulus::Prompt(_)))
    };
    matches!(bench.kind, BenchKind::Rig { .. })
        && (bench.begin == BeginFiring::Operator
            || session.jobs.iter().any(|job| job.scenario.script.iter().any(prompts)))
}

/// Everything that a session needs, read and checked before anything runs.
struct Session {
    head: SessionHead,
    warnings: Vec<String>,
    /// What a record of it begins with.
    beginning: Beginning,
    fitted: BenchWithKiln,
    jobs: Vec<Job>,
    workers: usize,
    /// Which scenarios may share a row of the table.
    sweeps: Sweeps,
    wires: Wires,
}

fn prepare(arguments: &RunArguments, screen: &Screen) -> Result<Session, Refusal> {
    if arguments.paths.is_empty() {
        return Err(Mistake::new("nothing to run: no scenario file or folder was named")
            .hint("`dryfire run scenarios` runs the library from the project's folder")
            .hint("`dryfire run FILE.yaml --bench BENCH.yaml` runs one scenario on your own bench")
            .hint("`dryfire run --help` tells more")
            .into());
    }
    let paths = files::find(&arguments.paths, Wanted::Scenarios)?;
    let mut reader = Reader::new(screen);
    let scenarios = reader.selected(&paths, &arguments.selection);
    let found = reader.found();
    let fitted = match arguments.built_in_bench {
        true => reader.built_in_bench(),
        false => reader.bench_for(arguments.bench.as_deref(), &arguments.paths),
    };
    let fitted = fitted.map(|mut fitted| {
        if let Err(mistakes) = apply(arguments, &mut fitted.bench) {
            mistakes.into_iter().for_each(|mistake| reader.mistake(mistake));
        }
        fitted
    });
    let mut fitted = reader.finish(fitted)?;
    buildable(&fitted)?;
    let (wires, of_rig) = ask_rig(&mut fitted.bench);
    let jobs = repeated(&bind(&scenarios, &fitted)?, u32::from(arguments.repeat));
    let head = head(arguments, &fitted.bench, jobs.len());
    let workers = workers(arguments, &fitted.bench)?;
    let mut warnings = warnings(&fitted);
    warnings.extend(of_rig);
    let mut beginning = evidence::beginning(arguments, &head, &fitted, &scenarios, &jobs, &warnings)?;
    beginning.facts.push(arguments.selection.fact(scenarios.len(), found, &arguments.paths));
    let files = scenarios.iter().map(|file| (file.scenario.name.as_str(), file.shown.as_str()));
    let sweeps = if arguments.each { Sweeps::default() } else { Sweeps::of(files) };
    Ok(Session { head, warnings, beginning, fitted, jobs, workers, sweeps, wires })
}

/// What is wired to the bench, and what the rig knows of its own channels: its uncertainty goes into the bench's, and what
/// is wrong with it is told.
///
/// A rig that does not answer is no matter here: the first run breaks down on it and says so. Until something says that it
/// is simulated there are wires. One that plays converters plays no volts, whose error could matter.
fn ask_rig(bench: &mut Bench) -> (Wires, Option<String>) {
    let BenchKind::Rig { port: Some(port), plays, .. } = &bench.kind else { return (Wires::None, None) };
    let plays_probes = *plays == Plays::Probes;
    let Ok(rig) = RigService::serial(PathBuf::from(port)) else { return (Wires::Real, None) };
    let wires = if rig.welcome().capabilities.simulated { Wires::Simulated } else { Wires::Real };
    let Some(state) = rig.calibration_state().filter(|_| plays_probes) else { return (wires, None) };
    if let CalibrationState::Stored { uncertainty_nanovolts, .. } = state {
        bench.uncertainty.take_calibration_of_rig(shown_millicelsius(bench, uncertainty_nanovolts));
    }
    (wires, calibration_warning(state, &dryfire_record::utc::now()))
}

/// What so many nanovolts are in the temperature shown, thousandths of a degree, rounded up: where the bench's
/// probes are least sensitive from 200 °C to the declared top temperature. Below, the types R, S and B are hardly
/// sensitive at all, and no limit of a kiln lies there.
fn shown_millicelsius(bench: &Bench, nanovolts: u32) -> i64 {
    let top = bench.declares.top_temperature_millicelsius / 1_000;
    let least = bench
        .zones
        .iter()
        .filter_map(|zone| ThermocoupleType::from_letter(zone.probe_type))
        .flat_map(|kind| (200..=top.max(200)).step_by(10).map(move |celsius| (kind, celsius)))
        .filter_map(|(kind, celsius)| kind.seebeck_microvolts_per_celsius(Celsius::new(celsius as f64)).ok())
        .fold(f64::INFINITY, f64::min);
    // Nanovolts by microvolts for each degree are thousandths of a degree. At most 4 V by 2 µV/°C: it fits.
    if least.is_finite() && least > 0.0 { (f64::from(nanovolts) / least).ceil() as i64 } else { 0 }
}

/// Declared reactions that take more than half of the process safety time.
///
/// The search takes some tenths of a second, so it is made only where the bench
/// declares a reaction; `dryfire budget` tells the rest.
fn warnings(fitted: &BenchWithKiln) -> Vec<String> {
    if fitted.bench.declares.reactions.is_empty() {
        return Vec::new();
    }
    match dryfire_engine::budget(&fitted.kiln, Some(&fitted.bench)) {
        Ok(budget) => budget_warnings(&budget),
        Err(error) => vec![format!("the declared reactions are held against nothing: {error}")],
    }
}

/// A bench as its file describes it; one that cannot be made breaks down when its first run begins.
pub(crate) fn make_bench(fitted: &BenchWithKiln) -> Box<dyn Driver> {
    match &fitted.bench.kind {
        BenchKind::Virtual(_) => Box::new(VirtualBench::new(fitted.bench.clone())),
        BenchKind::Program { .. } => match ProgramBench::new(&fitted.bench, &fitted.folder) {
            Ok(bench) => Box::new(bench),
            Err(error) => Box::new(Unmakeable(error.to_string())),
        },
        BenchKind::Rig { port, .. } => {
            let port = PathBuf::from(port.as_deref().unwrap_or_default());
            Box::new(RigBench::serial(fitted.bench.clone(), port).with_operator(Box::new(AtTheTerminal::new())))
        }
    }
}

/// What can be known of a bench before anything runs.
pub(crate) fn buildable(fitted: &BenchWithKiln) -> Result<(), Mistake> {
    match &fitted.bench.kind {
        BenchKind::Virtual(_) => Ok(()),
        BenchKind::Program { .. } => match ProgramBench::new(&fitted.bench, &fitted.folder) {
            Ok(_) => Ok(()),
            Err(error) => Err(Mistake::new(error.to_string())),
        },
        BenchKind::Rig { port: Some(_), .. } => Ok(()),
        BenchKind::Rig { port: None, .. } => {
            Err(Mistake::new(format!("the bench file of `{}` names no port for its rig", fitted.bench.name))
                .hint("name it with --port, for example --port /dev/ttyACM0"))
        }
    }
}

/// A bench that cannot be made any more, although it could a moment ago.
struct Unmakeable(String);

impl Driver for Unmakeable {
    fn begin(&mut self, _: &RunSetup) -> Result<BenchIdentity, Trouble> {
        Err(Trouble { kind: TroubleKind::PlanUnplayable, detail: self.0.clone() })
    }

    fn command(&mut self, _: dryfire_engine::Command) -> Result<(), Trouble> {
        Ok(())
    }

    fn advance(&mut self, _: RigTime, _: &mut Vec<Observation>) -> Result<(), Trouble> {
        Ok(())
    }

    fn end(&mut self) {}
}

/// Puts what the command line says in place of what the bench file says.
fn apply(arguments: &RunArguments, bench: &mut Bench) -> Result<(), Vec<Mistake>> {
    let mut mistakes = Vec::new();
    let kind = kind_word(&bench.kind);
    if !arguments.defect.is_empty() {
        match &mut bench.kind {
            BenchKind::Virtual(choice) => {
                for name in &arguments.defect {
                    match defects::known(name, "--defect") {
                        Ok(_) if choice.defects.contains(name) => {}
                        Ok(_) => choice.defects.push(name.clone()),
                        Err(mistake) => mistakes.push(mistake),
                    }
                }
            }
            _ => mistakes.push(
                Mistake::new(format!(
                    "--defect is for the stand-in controller; the bench `{}` is a {kind} bench with one of its own",
                    bench.name
                ))
                .hint("leave out --bench, or name a virtual one"),
            ),
        }
    }
    if let Some(named) = &arguments.port {
        match &mut bench.kind {
            BenchKind::Rig { port, .. } => *port = Some(named.clone()),
            _ => mistakes.push(
                Mistake::new(format!("--port is for rigs; the bench `{}` is a {kind} bench", bench.name))
                    .hint("name the bench file of a rig with --bench"),
            ),
        }
    }
    if mistakes.is_empty() { Ok(()) } else { Err(mistakes) }
}

fn kind_word(kind: &BenchKind) -> &'static str {
    match kind {
        BenchKind::Virtual(_) => "virtual",
        BenchKind::Program { .. } => "program",
        BenchKind::Rig { .. } => "rig",
    }
}

fn head(arguments: &RunArguments, bench: &Bench, scenarios: usize) -> SessionHead {
    SessionHead {
        repeat: usize::from(arguments.repeat),
        bench: bench.name.clone(),
        bench_kind: kind_word(&bench.kind).to_owned(),
        controller: bench.controller.clone(),
        firmware_version: bench.firmware_version.clone(),
        defects: match &bench.kind {
            BenchKind::Virtual(choice) => choice.defects.clone(),
            _ => Vec::new(),
        },
        seed: arguments.seed,
        scenarios,
        tool: concat!("dryfire ", env!("CARGO_PKG_VERSION")).to_owned(),
    }
}

/// How many runs may go on at once.
fn workers(arguments: &RunArguments, bench: &Bench) -> Result<usize, Refusal> {
    let wanted = arguments.jobs.map(usize::from);
    if matches!(bench.kind, BenchKind::Rig { .. }) {
        return match wanted {
            None | Some(1) => Ok(1),
            Some(wanted) => Err(Mistake::new(format!("--jobs {wanted}: there is one rig, and it runs one scenario"))
                .hint("leave out --jobs")
                .into()),
        };
    }
    Ok(wanted.unwrap_or_else(|| std::thread::available_parallelism().map_or(1, usize::from)))
}

/// Turns what the session tells into results and, where they are asked for, JSON lines.
///
/// Where one run goes on at a time its lines are written as they come; otherwise
/// each run's when its turn in the plan has come. The lines are the same.
struct Telling<'a> {
    session: &'a Session,
    seed: u64,
    lines_wanted: bool,
    live: bool,
    json: JsonLines,
    results: Vec<ScenarioResult>,
    not_run: Vec<NotRun>,
    /// What the bench said of itself, by the number of the run.
    identities: Vec<(usize, String)>,
    /// The first place in the plan of which nothing was told yet.
    next: usize,
}

impl<'a> Telling<'a> {
    fn new(session: &'a Session, arguments: &RunArguments) -> Self {
        Telling {
            session,
            seed: arguments.seed,
            lines_wanted: arguments.format == Format::Json,
            live: arguments.format == Format::Json && session.workers.clamp(1, session.jobs.len().max(1)) == 1,
            json: JsonLines::new(),
            results: Vec::new(),
            not_run: Vec::new(),
            identities: Vec::new(),
            next: 0,
        }
    }

    fn session(&self, screen: &mut Screen) {
        if self.lines_wanted {
            screen.out(self.json.session(&self.session.head));
        }
        for warning in &self.session.warnings {
            if self.lines_wanted {
                screen.out(self.json.warning(warning));
            } else {
                screen.warn(warning);
            }
        }
    }

    fn started(&mut self, screen: &mut Screen, job: usize) {
        if self.live {
            let lines = self.begin(job);
            screen.out(lines);
        }
    }

    fn live(&mut self, screen: &mut Screen, event: &Event) {
        if self.live {
            screen.out(self.json.event(event));
        }
    }

    /// Tells what was kept of a record of the runs before a place in the plan.
    fn kept_before(&mut self, screen: &mut Screen, job: usize, again: Option<&Again>) {
        for place in self.next..job {
            let Some(result) = again.and_then(|again| again.kept.get(place).cloned().flatten()) else { continue };
            if self.lines_wanted {
                let mut lines = self.begin(place);
                let replayed = again.map(|again| {
                    let run = &again.record().runs()[place];
                    again.record().replay(run, &mut |event| lines.push_str(&self.json.event(&event)))
                });
                if let Some(Err(error)) = replayed {
                    screen.warn(&error.to_string());
                }
                lines.push_str(&self.json.result(place + 1, &result));
                screen.out(lines);
            }
            let identity = again.and_then(|again| again.record().runs()[place].identity.clone());
            self.identities.extend(identity.map(|identity| (place + 1, identity)));
            self.results.push(result);
        }
        self.next = self.next.max(job);
    }

    /// Why the session is not about one firmware, in the words and the order in which its record tells it.
    fn mixed(&self, images: &Images, again: Option<&Again>) -> Result<Vec<String>, Mistake> {
        let identities = self.identities.iter().map(|(run, identity)| (*run, identity.as_str()));
        let mut mixed: Vec<String> = mixed_identities(identities).into_iter().collect();
        if let Some(again) = again {
            let notes = again.record().notes().map_err(|error| Mistake::new(error.to_string()))?;
            mixed.extend(notes.into_iter().filter(|note| note.kind == MIXED_NOTE).map(|note| note.text));
        }
        mixed.extend(images.changed().map(str::to_owned));
        Ok(mixed)
    }

    fn finished(&mut self, screen: &mut Screen, job: usize, outcome: JobOutcome, stopped: bool) {
        self.next = job + 1;
        let run = job + 1;
        let JobOutcome { result, events, identity, .. } = outcome;
        self.identities.extend(identity.map(|identity| (run, identity)));
        let ran = result.applicability == Applicability::Ran;
        let begun = !events.is_empty() || result.trouble.is_some();
        if stopped && ran && !begun {
            let not_run = NotRun { run, scenario: result.scenario, hazards: result.hazards };
            if self.lines_wanted {
                screen.out(self.json.not_run(&not_run));
            }
            self.not_run.push(not_run);
            return;
        }
        if self.lines_wanted {
            let mut lines = String::new();
            if !self.live {
                lines.push_str(&self.begin(job));
                for event in &events {
                    lines.push_str(&self.json.event(event));
                }
            }
            lines.push_str(&self.json.result(run, &result));
            screen.out(lines);
        }
        self.results.push(result);
    }

    /// The line that begins a run; nothing for a scenario that does not run.
    fn begin(&mut self, job: usize) -> String {
        let job_of_it = &self.session.jobs[job];
        let Binding::Ready(plan) = &job_of_it.binding else { return String::new() };
        self.json.begin(&RunHead {
            run: job + 1,
            repetition: (self.session.head.repeat > 1).then_some(job_of_it.repetition as usize + 1),
            scenario: plan.scenario.clone(),
            hazards: plan.hazards.clone(),
            seed: job_of_it.seed(self.seed),
            signals: plan.table.clone(),
            uncertainties: plan.uncertainties.clone(),
        })
    }
}

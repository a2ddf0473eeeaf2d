//! Records of sessions: where they are written, and what goes into them beside the runs.
#![expect(
    clippy::disallowed_methods,
    reason = "the command line is where files are read and the environment is looked at"
)]

use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use dryfire_bench::{Job, Proved};
use dryfire_engine::Binding;
use dryfire_record::{
    Beginning, ExpectationWindow, Fact, File, FileRole, Note, Pace, PlannedRun, Record, RecordError, Recorder,
    RunState, SessionFacts, Writer, topic, utc,
};
use dryfire_report::{MIXED_NOTE, SessionHead, value};
use dryfire_scenario::{BenchKind, MAX_FILE_BYTES};

use crate::args::RunArguments;
use crate::images;
use crate::library::{BUILT_IN_BENCH_NAME, BenchWithKiln, ScenarioFile};
use crate::screen::Mistake;

/// The folder for records that no name was given for.
const FOLDER: &str = "evidence";
/// Firmware images are hashed, not read into a record; no microcontroller has more.
const MAX_IMAGE_BYTES: u64 = 1_024 * MAX_FILE_BYTES;

/// What the session's record is made of before anything runs.
pub(crate) fn beginning(
    arguments: &RunArguments,
    head: &SessionHead,
    fitted: &BenchWithKiln,
    scenarios: &[ScenarioFile],
    jobs: &[Job],
    warnings: &[String],
) -> Result<Beginning, Mistake> {
    let mut files = fitted.files.clone();
    let mut facts = facts(arguments, fitted, warnings);
    for (path, is_image) in images::tested_files(fitted) {
        let image = image_file(&path)?;
        facts.insert(
            0,
            if is_image {
                fact(topic::FIRMWARE, "image", &image.sha256, "file on disk, SHA-256")
            } else {
                let told = format!("{}, SHA-256 {}", image.path, image.sha256);
                fact(topic::FIRMWARE, "program", told, "file on disk, named by the bench file's command")
            },
        );
        files.push(image);
    }
    let first = files.len();
    files.extend(scenarios.iter().map(|file| File::of_text(FileRole::Scenario, &file.shown, &file.text)));
    let runs = jobs
        .iter()
        .enumerate()
        .map(|(index, job)| planned(first + index % scenarios.len().max(1), job, head.seed))
        .collect();
    let session = SessionFacts {
        tool: head.tool.clone(),
        seed: head.seed,
        bench: head.bench.clone(),
        bench_kind: head.bench_kind.clone(),
        controller: head.controller.clone(),
        firmware_version: head.firmware_version.clone(),
        scenarios: head.scenarios,
        host: host(),
        began_at: utc::now(),
    };
    Ok(Beginning { session, facts, files, runs })
}

fn planned(file: usize, job: &Job, seed: u64) -> PlannedRun {
    let scenario = &job.scenario;
    let (table, uncertainties, expectations) = match &job.binding {
        Binding::Ready(plan) => {
            let notes = plan.expectations.iter().zip(&plan.expectation_notes);
            let windows =
                notes.map(|(one, note)| ExpectationWindow::of(one, note.hazards.clone(), &plan.moments)).collect();
            (plan.table.clone(), Some(plan.uncertainties.clone()), windows)
        }
        Binding::NotApplicable { .. } | Binding::Uncovered { .. } => Default::default(),
    };
    PlannedRun {
        file,
        scenario: scenario.name.clone(),
        why: scenario.why.clone(),
        limits_from: scenario.limits_from.clone(),
        hazards: scenario.hazards.iter().map(|hazard| hazard.value.0.clone()).collect(),
        seed: job.seed(seed),
        table,
        uncertainties,
        expectations,
    }
}

fn fact(topic: &str, name: &str, value: impl Into<String>, source: &str) -> Fact {
    Fact { topic: topic.to_owned(), name: name.to_owned(), value: value.into(), source: source.to_owned() }
}

fn facts(arguments: &RunArguments, fitted: &BenchWithKiln, warnings: &[String]) -> Vec<Fact> {
    const FILE: &str = "bench file";
    const CALL: &str = "command line";
    let bench = &fitted.bench;
    let declares = &bench.declares;
    let celsius = |millicelsius| value(dryfire_judge::Margin::Temperature(millicelsius));
    let mut facts = Vec::new();
    if let Some(version) = &bench.firmware_version {
        facts.push(fact(topic::FIRMWARE, "version", version, "bench file, the owner's word"));
    }
    let established = match &bench.kind {
        BenchKind::Virtual(_) => "the stand-in controller, a part of this program",
        BenchKind::Program { .. } => "what the program said of itself when each run began",
        BenchKind::Rig { .. } => "the owner's word; a rig cannot read back what runs on a controller",
    };
    facts.push(fact(topic::FIRMWARE, "identity established by", established, "kind of bench"));
    for (quantity, expanded, lines) in dryfire_engine::Uncertainties::of_bench(bench).in_words() {
        facts.push(fact(topic::CALIBRATION, &format!("{quantity}, expanded uncertainty"), expanded, FILE));
        for (index, line) in lines.into_iter().enumerate() {
            facts.push(fact(topic::CALIBRATION, &format!("{quantity}, line {}", index + 1), line, FILE));
        }
    }
    facts.push(fact(topic::DECLARED, "top temperature", celsius(declares.top_temperature_millicelsius), FILE));
    facts.push(fact(topic::DECLARED, "longest firing", declares.longest_firing.to_string(), FILE));
    facts.push(fact(topic::DECLARED, "cycle time", declares.cycle_time.to_string(), FILE));
    for (hazard, reaction) in &declares.reactions {
        facts.push(fact(topic::DECLARED, &format!("reaction to {hazard}"), reaction.to_string(), FILE));
    }
    match &bench.kind {
        BenchKind::Virtual(choice) => {
            facts.extend(choice.defects.iter().map(|defect| fact(topic::DEFECT, "switched on", defect, CALL)));
        }
        BenchKind::Rig { port: Some(port), .. } => facts.push(fact(topic::CALL, "port", port, CALL)),
        _ => {}
    }
    facts.extend(arguments.changed.iter().map(|text| fact(topic::SETTING, "changed for the test", text, "operator")));
    facts.extend(warnings.iter().map(|text| fact(topic::WARNING, "before the first run", text, "dryfire")));
    let call: Vec<String> = std::env::args_os().skip(1).map(|word| word.to_string_lossy().into_owned()).collect();
    facts.push(fact(topic::CALL, "arguments", call.join(" "), CALL));
    facts
}

/// Name, system and architecture of this computer.
fn host() -> String {
    let name = nix::unistd::gethostname().map_or_else(|_| "?".to_owned(), |name| name.to_string_lossy().into_owned());
    format!("{name}, {} on {}", std::env::consts::OS, std::env::consts::ARCH)
}

pub(crate) fn image_file(path: &Path) -> Result<File, Mistake> {
    let shown = path.display();
    let refuse = |why: String| {
        Mistake::new(format!("`{shown}`, which the bench file names as what is tested, cannot be hashed: {why}"))
            .hint("its path is relative to the bench file; its hash goes into the record")
    };
    let about = fs::metadata(path).map_err(|error| refuse(error.to_string()))?;
    if !about.is_file() || about.len() > MAX_IMAGE_BYTES {
        return Err(refuse(format!("it is no file of at most {MAX_IMAGE_BYTES} bytes")));
    }
    let bytes = fs::read(path).map_err(|error| refuse(error.to_string()))?;
    let sha256 = dryfire_record::seal::sha256_hex(&bytes);
    Ok(File { role: FileRole::Image, path: shown.to_string(), bytes: bytes.len() as u64, sha256, text: None })
}

/// Begins a new record, or goes on with one.
pub(crate) fn begin(
    arguments: &RunArguments,
    beginning: &Beginning,
    again: Option<&Again>,
    stop: &Arc<AtomicBool>,
) -> Result<Option<Recorder>, Mistake> {
    if arguments.no_record {
        return Ok(None);
    }
    let writer = match (again, &arguments.record) {
        (Some(again), _) => Writer::resume(&again.path, &again.runs, beginning).map_err(|error| cannot(&error))?,
        (None, Some(path)) => Writer::create(path, beginning).map_err(|error| cannot(&error))?,
        (None, None) => create_dated(beginning)?,
    };
    let pace = if beginning.session.bench_kind == "rig" { Pace::Rig } else { Pace::Wall };
    let recorder = Recorder::start(writer, pace, Arc::clone(stop)).map_err(|error| cannot(&error))?;
    let note = |kind: &str, text: &str| {
        recorder.note(Note { at: utc::now(), run: None, kind: kind.to_owned(), text: text.to_owned() });
    };
    if let Some(again) = again {
        again.reasons.iter().for_each(|reason| note("resumed", reason));
    }
    arguments.note.iter().for_each(|text| note("operator", text));
    Ok(Some(recorder))
}

/// What a proving run came to, for the record.
pub(crate) fn proved(proved: &Proved) -> Note {
    let what = if proved.control { "negative control" } else { "proving run" };
    let text = match &proved.shows_nothing {
        None => format!(
            "{what}: in a firing with nothing broken, heat was called a fault on purpose, and that was judged a failure, \
             as it has to be; seen on in it: {}; seed {}",
            proved.relays_on.join(", "),
            proved.seed
        ),
        Some(why) => format!("{what}: it shows nothing, so no pass rests on it: {why}; seed {}", proved.seed),
    };
    proof(text)
}

/// That there was none, for the record.
pub(crate) fn not_proved(interrupted: bool) -> Note {
    proof(if interrupted {
        "no proving run: the session was ended early".to_owned()
    } else {
        "no proving run was needed; one is for every pass on real wires, and for a pass that rests on a relay which no run \
         has shown on"
            .to_owned()
    })
}

/// That the session is not about one firmware, for the record.
pub(crate) fn mixed(text: &str) -> Note {
    Note { at: utc::now(), run: None, kind: MIXED_NOTE.to_owned(), text: text.to_owned() }
}

fn proof(text: String) -> Note {
    Note { at: utc::now(), run: None, kind: "proof".to_owned(), text }
}

fn cannot(error: &RecordError) -> Mistake {
    Mistake::new(error.to_string())
        .hint("name another file with --record, or run with --no-record and without evidence")
}

/// A record named after the date, or the date and a number.
fn create_dated(beginning: &Beginning) -> Result<Writer, Mistake> {
    let folder = std::env::var_os("DRYFIRE_EVIDENCE").filter(|folder| !folder.is_empty());
    let folder = PathBuf::from(folder.unwrap_or_else(|| FOLDER.into()));
    fs::create_dir_all(&folder).map_err(|error| {
        cannot(&RecordError::Io { what: format!("the folder `{}` for records", folder.display()), source: error })
    })?;
    // 2026-11-25T09:30:00.123Z
    let at = &beginning.session.began_at;
    let date = format!("{}-{}", at.get(..10).unwrap_or("record"), at.get(11..19).unwrap_or("").replace(':', ""));
    for number in 1..1_000 {
        let name = if number == 1 { format!("{date}.sqlite") } else { format!("{date}-{number}.sqlite") };
        match Writer::create(&folder.join(name), beginning) {
            Err(RecordError::Exists { .. }) => {}
            Err(error) => return Err(cannot(&error)),
            Ok(writer) => return Ok(writer),
        }
    }
    Err(cannot(&RecordError::Io {
        what: format!("the folder `{}` for records", folder.display()),
        source: io::Error::other("a thousand records of the same second are there already"),
    }))
}

/// Which runs of a record start again, and why.
pub(crate) struct Again {
    path: PathBuf,
    runs: Vec<usize>,
    reasons: Vec<String>,
    /// By run: what is kept.
    pub(crate) kept: Vec<Option<dryfire_engine::ScenarioResult>>,
    record: Record,
}

impl Again {
    /// The record as it was before it was gone on with.
    pub(crate) fn record(&self) -> &Record {
        &self.record
    }

    /// Why runs that had come to their end start again, for whoever asked for it.
    pub(crate) fn reasons(&self) -> &[String] {
        &self.reasons
    }
}

/// Puts what a record says in place of what was not said on the command line.
pub(crate) fn as_recorded(arguments: &RunArguments, record: &Record) -> Result<RunArguments, Mistake> {
    if record.session().finished {
        return Err(Mistake::new(format!(
            "the record `{}` is finished; there is nothing to go on with",
            record.path().display()
        ))
        .hint("`dryfire run` without --resume makes a new one"));
    }
    let mut arguments = arguments.clone();
    let paths = |role| record.files().iter().filter(move |file| file.role == role).map(|file| &file.path);
    arguments.paths = paths(FileRole::Scenario).map(PathBuf::from).collect();
    arguments.bench = paths(FileRole::Bench).find(|path| *path != BUILT_IN_BENCH_NAME).map(PathBuf::from);
    arguments.built_in_bench = arguments.bench.is_none();
    arguments.selection.names = record.runs().iter().map(|run| run.planned.scenario.clone()).collect();
    arguments.selection.said = record.facts_about(topic::SELECTION).next().cloned();
    arguments.seed = record.session().facts.seed;
    arguments.repeat = repeat_of(record)?;
    arguments.defect = record.facts_about(topic::DEFECT).map(|fact| fact.value.clone()).collect();
    let said = |topic| record.facts_about(topic);
    if arguments.port.is_none() {
        arguments.port = said(topic::CALL).find(|fact| fact.name == "port").map(|fact| fact.value.clone());
    }
    if arguments.changed.is_empty() {
        arguments.changed = said(topic::SETTING).map(|fact| fact.value.clone()).collect();
    }
    Ok(arguments)
}

/// How often each scenario of a record is run.
fn repeat_of(record: &Record) -> Result<u16, Mistake> {
    let most = record.runs().iter().filter_map(|run| run.repetition).map(|(_, all)| all).max();
    u16::try_from(most.unwrap_or(1)).map_err(|_| {
        Mistake::new(format!("the record `{}` plans more repetitions than can be run", record.path().display()))
    })
}

/// Compares a record with what would be run now.
pub(crate) fn again(record: Record, beginning: &Beginning) -> Again {
    let was = &record.session().facts;
    let now = &beginning.session;
    let mut reasons = Vec::new();
    if was.tool != now.tool {
        reasons.push(format!("everything starts again: it was recorded by {} and this is {}", was.tool, now.tool));
    }
    for role in [FileRole::Bench, FileRole::Kiln, FileRole::Image] {
        let hashes = |files: &[File]| {
            files.iter().filter(|file| file.role == role).map(|file| file.sha256.clone()).collect::<Vec<_>>()
        };
        if hashes(record.files()) != hashes(&beginning.files) {
            reasons.push(format!("everything starts again: the {} file is not the recorded one", role.word()));
        }
    }
    let all = !reasons.is_empty();
    let mut runs = Vec::new();
    let mut kept = Vec::new();
    for (index, planned) in beginning.runs.iter().enumerate() {
        let file = &beginning.files[planned.file];
        let run = record.runs().get(index);
        let same = run.is_some_and(|run| {
            run.planned.scenario == planned.scenario
                && run.planned.seed == planned.seed
                && record.scenario_file(run).is_some_and(|was| was.sha256 == file.sha256)
        });
        let result = run.and_then(|run| run.standing().cloned()).filter(|_| same && !all);
        if result.is_none() {
            runs.push(index + 1);
            if !same && !all && run.is_some_and(|run| run.state == RunState::Finished) {
                reasons.push(format!("`{}` starts again: its file is not the recorded one", planned.scenario));
            }
        }
        kept.push(result);
    }
    reasons.push(format!("{} runs kept, {} to do", kept.len() - runs.len(), runs.len()));
    Again { path: record.path().to_owned(), runs, reasons, kept, record }
}

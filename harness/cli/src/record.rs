//! `dryfire verify`, `rejudge` and `export`: what can be done with a record.
#![expect(
    clippy::disallowed_methods,
    clippy::disallowed_types,
    reason = "the command line is where files are read and written"
)]

use std::fs;
use std::io::{self, BufWriter, Write};
use std::path::Path;

use dryfire_engine::ScenarioResult;
use dryfire_judge::Verdict;
use dryfire_record::{Changed, Record, RecordError, Rejudged, Seal, SealCheck, seal};
use dryfire_report::{ExitStatus, ExportError, ExportFormat, Outcome, Tally, neutralise, signed_margin};

use crate::Refusal;
use crate::args::{ExportArguments, ExportInto, RejudgeArguments, VerifyArguments};
use crate::files;
use crate::library::Reader;
use crate::screen::{Mistake, Screen};

/// Changed parts that are named one by one.
const MOST_NAMED: usize = 20;

fn mistake(error: &RecordError) -> Mistake {
    Mistake::new(error.to_string())
}

pub(crate) fn verify(arguments: &VerifyArguments, screen: &mut Screen) -> Result<ExitStatus, Refusal> {
    let path = arguments.record.as_path();
    let shown = neutralise(&path.display().to_string());
    let bytes = fs::read(path).map_err(|error| Mistake::new(format!("`{shown}` cannot be read: {error}")))?;
    let seal_path = seal::path_of(path);
    let seal_shown = neutralise(&seal_path.display().to_string());
    let Some(check) = check_of(&seal_path, &bytes)? else {
        let record = Record::open(path).map_err(|error| mistake(&error))?;
        screen.out(without_seal(&record, &shown, &seal_shown));
        return Ok(ExitStatus::Inconclusive);
    };
    match check {
        SealCheck::SealBroken { what } => {
            screen.out(format!("Changed: the seal `{seal_shown}` is not as it was written: {what}\n"));
            Ok(ExitStatus::Failed)
        }
        SealCheck::Changed { parts } => {
            let mut said = format!("Changed: `{shown}` is not what was sealed\n");
            for part in parts.iter().take(MOST_NAMED) {
                said.push_str(&format!("  bytes {} to {}: {}\n", part.from, part.until - 1, neutralise(&part.what)));
            }
            if parts.len() > MOST_NAMED {
                said.push_str(&format!("  and {} more parts\n", parts.len() - MOST_NAMED));
            }
            screen.out(said);
            Ok(ExitStatus::Failed)
        }
        SealCheck::Holds => {
            let record = Record::open(path).map_err(|error| mistake(&error))?;
            if !record.session().finished {
                // Nobody seals an unfinished record but on purpose.
                screen.out(without_seal(&record, &shown, &seal_shown));
                return Ok(ExitStatus::Inconclusive);
            }
            if let Some(side) = record.stray_side_file() {
                let side = neutralise(&side.display().to_string());
                screen.out(format!(
                    "Changed: `{side}` lies beside a finished record, which has no side files; other programs would \
                     read it as a part of it\n"
                ));
                return Ok(ExitStatus::Failed);
            }
            screen.out(holds(path, &shown, &seal_shown, &bytes));
            Ok(ExitStatus::AllHeld)
        }
    }
}

/// What the seal says of these bytes; `None` if there is no seal.
fn check_of(seal_path: &Path, bytes: &[u8]) -> Result<Option<SealCheck>, Mistake> {
    let text = match fs::read(seal_path) {
        Ok(text) => text,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
        Err(error) => {
            let shown = neutralise(&seal_path.display().to_string());
            return Err(Mistake::new(format!("`{shown}` cannot be read: {error}")));
        }
    };
    let parsed = std::str::from_utf8(&text).map_err(|_| "it is no text".to_owned()).and_then(Seal::parse);
    Ok(Some(match parsed {
        Ok(seal) => seal.check(bytes),
        Err(what) => SealCheck::SealBroken { what },
    }))
}

/// Why nothing is told of a finished record: it is not what was sealed. Where there is no seal, a warning says so.
pub(crate) fn not_as_sealed(path: &Path, record: &Record, screen: &Screen) -> Result<Option<Mistake>, Mistake> {
    if !record.session().finished {
        return Ok(None);
    }
    let shown = neutralise(&path.display().to_string());
    let bytes = fs::read(path).map_err(|error| Mistake::new(format!("`{shown}` cannot be read: {error}")))?;
    match check_of(&seal::path_of(path), &bytes)? {
        Some(SealCheck::Holds) => Ok(None),
        None => {
            screen.warn(&format!("`{shown}` has no seal beside it: nothing shows whether it was changed"));
            Ok(None)
        }
        Some(SealCheck::Changed { .. } | SealCheck::SealBroken { .. }) => Ok(Some(
            Mistake::new(format!("`{shown}` or its seal was changed after the session: nothing is told of it"))
                .hint(format!("`dryfire verify {shown}` says which part")),
        )),
    }
}

fn holds(path: &Path, shown: &str, seal_shown: &str, bytes: &[u8]) -> String {
    let mut said = format!("As sealed: `{shown}`, {} bytes, SHA-256 {}\n", bytes.len(), seal::sha256_hex(bytes));
    let mut signature = seal::path_of(path).into_os_string();
    signature.push(".sig");
    if Path::new(&signature).exists() {
        said.push_str(&format!(
            "A signature lies beside it, which is not checked here; who signed is told by\n  \
             ssh-keygen -Y verify -f SIGNERS -I WHO -n dryfire-record -s '{seal_shown}.sig' < '{seal_shown}'\n"
        ));
    } else {
        said.push_str("Not signed: the seal shows accidents; whoever changes a record on purpose can seal it anew.\n");
    }
    said
}

fn without_seal(record: &Record, shown: &str, seal_shown: &str) -> String {
    let runs = record.runs().len();
    let done = record.results().count();
    if record.session().finished {
        return format!("Not sealed: there is no `{seal_shown}`, so nothing shows whether `{shown}` was changed\n");
    }
    format!(
        "Unfinished: the session of `{shown}` did not come to its end; {done} of {runs} scenarios came to a result\n\
         It shows nothing as a whole. `dryfire run --resume` goes on with it.\n"
    )
}

pub(crate) fn rejudge(arguments: &RejudgeArguments, screen: &mut Screen) -> Result<ExitStatus, Refusal> {
    let record = Record::open(&arguments.record).map_err(|error| mistake(&error))?;
    let changed = changed(&arguments.scenario, &record, screen)?;
    let rejudged = match dryfire_record::rejudge(&record, &changed) {
        Ok(rejudged) => rejudged,
        Err(error) => {
            screen.complain(&mistake(&error));
            return Ok(ExitStatus::Error);
        }
    };
    let finished = record.session().finished;
    if !finished {
        screen.warn("the record is unfinished: only the runs that came to their end are judged again");
    }
    let status = if changed.is_empty() { as_recorded(&rejudged, screen) } else { by_changed(&rejudged, screen) };
    Ok(if status == ExitStatus::AllHeld && !finished { ExitStatus::Inconclusive } else { status })
}

fn changed(paths: &[std::path::PathBuf], record: &Record, screen: &Screen) -> Result<Vec<Changed>, Refusal> {
    let paths = if paths.is_empty() { Vec::new() } else { files::find(paths, files::Wanted::Scenarios)? };
    let mut reader = Reader::new(screen);
    let scenarios = reader.scenarios(&paths);
    for file in &scenarios {
        if record.runs().iter().all(|run| run.planned.scenario != file.scenario.name) {
            reader.mistake(
                Mistake::new(format!(
                    "`{}`: the record has no run of the scenario `{}`",
                    file.shown, file.scenario.name
                ))
                .hint("a scenario is found by its name; one with other expectations has to keep it"),
            );
        }
    }
    let scenarios = reader.finish(Some(scenarios))?;
    Ok(scenarios.into_iter().map(|file| Changed { scenario: file.scenario, text: file.text }).collect())
}

fn as_recorded(rejudged: &[Rejudged], screen: &mut Screen) -> ExitStatus {
    let mut said = String::new();
    let differing: Vec<&Rejudged> = rejudged.iter().filter(|one| !one.is_same()).collect();
    for one in &differing {
        said.push_str(&format!("run {}: {}\n", one.run, neutralise(&one.recorded.scenario)));
        match &one.again {
            Ok(again) => said.push_str(&differences(&one.recorded, again)),
            Err(why) => said.push_str(&format!("  cannot be judged again: {}\n", neutralise(why))),
        }
    }
    said.push_str(&format!(
        "{} of {} runs come to what is recorded, bit for bit\n",
        rejudged.len() - differing.len(),
        rejudged.len()
    ));
    screen.out(said);
    if !differing.is_empty() {
        ExitStatus::Error
    } else if rejudged.is_empty() {
        ExitStatus::NothingApplicable
    } else {
        ExitStatus::AllHeld
    }
}

/// What is not as it was, finding by finding.
fn differences(recorded: &ScenarioResult, again: &ScenarioResult) -> String {
    let mut said = String::new();
    for (was, is) in recorded.findings.iter().zip(&again.findings).filter(|(was, is)| was != is) {
        said.push_str(&format!(
            "  {}: recorded {} ({}), now {} ({})\n",
            neutralise(&was.name),
            was.finding.verdict,
            was.finding.reason.word(),
            is.finding.verdict,
            is.finding.reason.word()
        ));
    }
    if recorded.verdict != again.verdict || said.is_empty() {
        let word = |verdict: Option<Verdict>| verdict.map_or("none", |verdict| verdict.word());
        said.push_str(&format!("  verdict: recorded {}, now {}\n", word(recorded.verdict), word(again.verdict)));
    }
    said
}

fn by_changed(rejudged: &[Rejudged], screen: &mut Screen) -> ExitStatus {
    let mut said = String::from("Judged by changed expectations, without a new run; the record says something else.\n");
    let mut results = Vec::new();
    let mut refused = false;
    for one in rejudged.iter().filter(|one| one.changed) {
        said.push_str(&format!("run {}: {}\n", one.run, neutralise(&one.recorded.scenario)));
        match &one.again {
            Err(why) => {
                refused = true;
                said.push_str(&format!("  not judged: {}\n", neutralise(why)));
            }
            Ok(again) => {
                for report in &again.findings {
                    let margin =
                        report.finding.margin.map_or(String::new(), |margin| format!(", {}", signed_margin(margin)));
                    said.push_str(&format!(
                        "  {} {}{margin}: {}\n",
                        report.finding.verdict,
                        neutralise(&report.name),
                        neutralise(&report.seen)
                    ));
                }
                for remark in &again.remarks {
                    said.push_str(&format!("  {}\n", neutralise(remark)));
                }
                let word = |result: &ScenarioResult| result.verdict.map_or("none", |verdict| verdict.word());
                said.push_str(&format!("  now {}, recorded {}\n", word(again), word(&one.recorded)));
                results.push(again.clone());
            }
        }
    }
    screen.out(said);
    let status = Tally::of(&Outcome { results: &results, not_run: &[], interrupted: false, mixed: &[] }).exit_status();
    if refused && matches!(status, ExitStatus::AllHeld | ExitStatus::NothingApplicable) {
        ExitStatus::Inconclusive
    } else {
        status
    }
}

pub(crate) fn export(arguments: &ExportArguments, screen: &mut Screen) -> Result<ExitStatus, Refusal> {
    let record = Record::open(&arguments.record).map_err(|error| mistake(&error))?;
    let format = match arguments.format {
        ExportInto::Junit => ExportFormat::Junit,
        ExportInto::Vcd => ExportFormat::Vcd,
        ExportInto::Csv => ExportFormat::Csv,
        ExportInto::Json => ExportFormat::Json,
        ExportInto::Markdown => ExportFormat::Markdown,
    };
    if let Some(mistake) = not_as_sealed(&arguments.record, &record, screen)? {
        screen.complain(&mistake);
        return Ok(ExitStatus::Error);
    }
    if !record.session().finished {
        screen.warn("the record is unfinished: what comes out says so, and shows nothing as a whole");
    }
    let written = match &arguments.out {
        None => {
            let mut written = Ok(());
            screen.stream(|out| match dryfire_report::export(&record, format, arguments.run, out) {
                Err(ExportError::Write(error)) => Err(error),
                other => {
                    written = other;
                    Ok(())
                }
            });
            written
        }
        Some(path) => into_file(&record, format, arguments.run, path),
    };
    match written {
        Ok(()) => Ok(ExitStatus::AllHeld),
        Err(ExportError::Run { what, begun }) => {
            let hints = begun.into_iter().fold(Mistake::new(what), Mistake::hint);
            Err(hints.into())
        }
        Err(error) => {
            screen.complain(&Mistake::new(error.to_string()));
            Ok(ExitStatus::Error)
        }
    }
}

/// Written beside its place and put there when it is whole, so that nobody reads half of it.
fn into_file(record: &Record, format: ExportFormat, run: Option<usize>, path: &Path) -> Result<(), ExportError> {
    let mut beside = path.as_os_str().to_owned();
    beside.push(".part");
    let beside = Path::new(&beside);
    let write = || {
        let mut out = BufWriter::new(fs::File::create(beside)?);
        dryfire_report::export(record, format, run, &mut out)?;
        out.flush()?;
        drop(out);
        fs::rename(beside, path)?;
        Ok(())
    };
    write().inspect_err(|_: &ExportError| drop(fs::remove_file(beside)))
}

//! A value change dump (IEEE 1364-2005, clause 18; clause number from memory) of one run.

use std::collections::BTreeSet;
use std::io::Write;

use dryfire_engine::Event;
use dryfire_judge::SignalKind;
use dryfire_record::{Record, Run};
use dryfire_units::RigTime;

use super::{ExportError, decimal};

pub(super) fn write(record: &Record, run: &Run, out: &mut dyn Write) -> Result<(), ExportError> {
    let moments = moments(record, run)?;
    let mut names = Names::default();
    let facts = &record.session().facts;
    writeln!(out, "$date {} $end", word(&facts.began_at))?;
    writeln!(out, "$version {} $end", plain(&facts.tool))?;
    writeln!(out, "$comment run {}: {} $end", run.number, plain(&crate::recorded::title(run)))?;
    writeln!(out, "$comment temperatures in degrees Celsius, rates in degrees an hour, duty in per cent $end")?;
    writeln!(out, "$timescale 1 us $end")?;
    writeln!(out, "$scope module run{} $end", run.number)?;
    let kinds: Vec<SignalKind> = run.table().iter().map(|(_, spec)| spec.kind).collect();
    for (index, (_, spec)) in run.table().iter().enumerate() {
        let name = names.unused(&spec.name);
        match spec.kind {
            SignalKind::Switch => writeln!(out, "$var wire 1 {} {name} $end", id(index))?,
            _ => writeln!(out, "$var real 64 {} {name} $end", id(index))?,
        }
    }
    // A real number cannot say that it is not known, so a wire beside it does.
    let known = |index: usize| id(kinds.len() + index);
    for (index, (_, spec)) in run.table().iter().enumerate() {
        if spec.kind != SignalKind::Switch {
            let name = names.unused(&format!("{}.observed", spec.name));
            writeln!(out, "$var wire 1 {} {name} $end", known(index))?;
        }
    }
    let moment_id = |index: usize| id(2 * kinds.len() + index);
    for (index, moment) in moments.iter().enumerate() {
        writeln!(out, "$var wire 1 {} {} $end", moment_id(index), names.unused(&format!("moment.{moment}")))?;
    }
    writeln!(out, "$upscope $end\n$enddefinitions $end\n#0\n$dumpvars")?;
    for (index, kind) in kinds.iter().enumerate() {
        match kind {
            SignalKind::Switch => writeln!(out, "x{}", id(index))?,
            _ => writeln!(out, "r0 {}\n0{}", id(index), known(index))?,
        }
    }
    for index in 0..moments.len() {
        writeln!(out, "0{}", moment_id(index))?;
    }
    writeln!(out, "$end")?;

    let mut dump = Dump { out, now: 0, observed: vec![false; kinds.len()], last: vec![None; kinds.len()] };
    let mut waiting: Vec<(i64, usize)> = Vec::new();
    let mut written: Result<(), ExportError> = Ok(());
    let mut end = RigTime::ZERO;
    record.replay(run, &mut |event| {
        if written.is_err() {
            return;
        }
        written = (|| {
            match event {
                Event::Switched { at, signal, on } => {
                    dump.reach(at, &mut waiting, &moment_id)?;
                    writeln!(dump.out, "{}{}", u8::from(on), id(usize::from(signal.0)))?;
                }
                Event::Sampled { at, signal, value } => {
                    let index = usize::from(signal.0);
                    if dump.last[index] != Some(value) || !dump.observed[index] {
                        dump.reach(at, &mut waiting, &moment_id)?;
                        let number = if kinds[index] == SignalKind::Count { value.to_string() } else { decimal(value) };
                        writeln!(dump.out, "r{number} {}", id(index))?;
                        dump.last[index] = Some(value);
                    }
                    if !dump.observed[index] {
                        writeln!(dump.out, "1{}", known(index))?;
                        dump.observed[index] = true;
                    }
                }
                Event::Unobserved { at, signal, .. } => {
                    let index = usize::from(signal.0);
                    if std::mem::take(&mut dump.observed[index]) {
                        dump.reach(at, &mut waiting, &moment_id)?;
                        writeln!(dump.out, "0{}", known(index))?;
                    }
                }
                Event::Moment { at, name, .. } => {
                    // A moment becomes known a little after it came; it is put in at its own time if that is
                    // not over, at the present one if it is.
                    let index = moments.iter().position(|moment| *moment == name).unwrap_or(0);
                    waiting.push((at.as_micros().max(dump.now), index));
                }
                Event::Ended { at, .. } => end = at,
                _ => {}
            }
            Ok(())
        })()
        .map_err(|error| match error {
            ExportError::Order { .. } => ExportError::Order { run: run.number },
            other => other,
        });
    })?;
    written?;
    let last = RigTime::from_micros(end.as_micros().max(dump.now));
    dump.reach(last, &mut waiting, &moment_id)?;
    Ok(())
}

struct Dump<'a> {
    out: &'a mut dyn Write,
    now: i64,
    observed: Vec<bool>,
    last: Vec<Option<i64>>,
}

impl Dump<'_> {
    /// Goes on to an instant, past the moments before it.
    fn reach(
        &mut self,
        at: RigTime,
        waiting: &mut Vec<(i64, usize)>,
        moment_id: &dyn Fn(usize) -> String,
    ) -> Result<(), ExportError> {
        let at = at.as_micros();
        if at < self.now {
            return Err(ExportError::Order { run: 0 });
        }
        waiting.sort_unstable();
        while let Some((due, index)) = waiting.first().copied().filter(|(due, _)| *due <= at) {
            waiting.remove(0);
            self.go_to(due)?;
            writeln!(self.out, "1{}", moment_id(index))?;
        }
        self.go_to(at)
    }

    fn go_to(&mut self, at: i64) -> Result<(), ExportError> {
        if at > self.now {
            writeln!(self.out, "#{at}")?;
            self.now = at;
        }
        Ok(())
    }
}

fn moments(record: &Record, run: &Run) -> Result<Vec<String>, ExportError> {
    let mut names = Vec::new();
    for timed in record.events(run)? {
        if let Event::Moment { name, .. } = timed.event
            && !names.contains(&name)
        {
            names.push(name);
        }
    }
    Ok(names)
}

/// Identifier codes: printable characters from `!` to `~`, as many as are needed.
fn id(mut index: usize) -> String {
    let mut code = String::new();
    loop {
        // Below 94, so in a byte.
        code.push(char::from(b'!' + (index % 94) as u8));
        index /= 94;
        if index == 0 {
            return code;
        }
        index -= 1;
    }
}

/// Names that are told apart and hold only what every reader takes.
#[derive(Default)]
struct Names {
    used: BTreeSet<String>,
}

impl Names {
    fn unused(&mut self, name: &str) -> String {
        let name = word(name);
        let mut tried = name.clone();
        let mut number = 2;
        while !self.used.insert(tried.clone()) {
            tried = format!("{name}_{number}");
            number += 1;
        }
        tried
    }
}

fn word(text: &str) -> String {
    let word: String = text
        .chars()
        .map(|character| if character.is_ascii_alphanumeric() || "._-:".contains(character) { character } else { '_' })
        .collect();
    if word.is_empty() { "_".to_owned() } else { word }
}

/// A text within a `$comment`: no `$`, which could end it.
fn plain(text: &str) -> String {
    let shown = crate::neutralise(text);
    shown.chars().map(|character| if character == '$' { '_' } else { character }).collect()
}

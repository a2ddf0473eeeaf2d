//! Comma-separated values (RFC 4180), with units in the header.

use std::io::Write;

use dryfire_engine::Event;
use dryfire_judge::{Margin, SignalKind};
use dryfire_record::{Record, Run};
use dryfire_units::RigTime;

use super::{ExportError, decimal, seconds};
use crate::recorded::{standing_word, unit_word};

/// Every finding of every scenario, one a row.
pub(super) fn findings(record: &Record, out: &mut dyn Write) -> Result<(), ExportError> {
    row(
        out,
        [
            "run",
            "scenario",
            "hazards",
            "scenario verdict",
            "expectation",
            "verdict",
            "reason",
            "margin",
            "seen",
            "uncertainty",
            "model error",
            "unit of these four",
            "decided at (s)",
            "expected",
            "seen in words",
            "remarks",
        ],
    )?;
    for run in record.runs() {
        let head = [run.number.to_string(), text(&run.planned.scenario), text(&run.planned.hazards.join(" "))];
        let word = standing_word(run).to_owned();
        let result = run.standing();
        let remarks = result.map_or(String::new(), |result| text(&result.remarks.join("; ")));
        let findings = result.map_or(&[][..], |result| &result.findings);
        if findings.is_empty() {
            let nothing = std::iter::repeat_n(String::new(), 11);
            row(out, head.iter().cloned().chain([word.clone()]).chain(nothing).chain([remarks.clone()]))?;
        }
        for report in findings {
            let finding = &report.finding;
            let figures = [finding.margin, finding.seen, finding.uncertainty, finding.model_error];
            let unit = figures.into_iter().flatten().next().map_or("", |quantity| shown_unit(quantity));
            let figure = |quantity: Option<Margin>| quantity.map_or(String::new(), shown);
            row(
                out,
                head.iter().cloned().chain([
                    word.clone(),
                    text(&report.name),
                    finding.verdict.word().to_owned(),
                    finding.reason.word().to_owned(),
                    figure(figures[0]),
                    figure(figures[1]),
                    figure(figures[2]),
                    figure(figures[3]),
                    unit.to_owned(),
                    finding.decided_at.map_or(String::new(), |at| seconds(at.as_micros())),
                    text(&report.expected),
                    text(&report.seen),
                    remarks.clone(),
                ]),
            )?;
        }
    }
    Ok(())
}

fn shown_unit(quantity: Margin) -> &'static str {
    match unit_word(quantity) {
        "us" => "s",
        "millicelsius" => "degC",
        "millicelsius_per_hour" => "degC/h",
        "millipercent" => "%",
        other => other,
    }
}

fn shown(quantity: Margin) -> String {
    match quantity {
        Margin::Time(span) => seconds(span.as_micros()),
        Margin::Temperature(value) | Margin::Rate(value) | Margin::Duty(value) => decimal(value),
        Margin::Count(value) => value.to_string(),
    }
}

/// The course of one run: a row for each instant at which something was sampled, switched or happened.
pub(super) fn course(record: &Record, run: &Run, out: &mut dyn Write) -> Result<(), ExportError> {
    let kinds: Vec<SignalKind> = run.table().iter().map(|(_, spec)| spec.kind).collect();
    let names = run.table().iter().map(|(_, spec)| text(&format!("{} ({})", spec.name, unit_of(spec.kind))));
    row(out, ["time (s)".to_owned()].into_iter().chain(names).chain(["happened".to_owned()]))?;
    let mut present = Present { at: None, values: vec![String::new(); kinds.len()], happened: Vec::new() };
    let mut written: Result<(), ExportError> = Ok(());
    record.replay(run, &mut |event| {
        if written.is_ok() {
            written = present.take(&event, &kinds, out);
        }
    })?;
    written?;
    present.write(&kinds, out)
}

/// What a column of a level or switch is in.
fn unit_of(kind: SignalKind) -> &'static str {
    match kind {
        SignalKind::Switch => "1 on, 0 off",
        SignalKind::Temperature | SignalKind::Difference => "degC",
        SignalKind::Rate => "degC/h",
        SignalKind::Duty => "%",
        SignalKind::Count => "times",
    }
}

/// The row that is being put together.
struct Present {
    at: Option<RigTime>,
    values: Vec<String>,
    happened: Vec<String>,
}

impl Present {
    fn take(&mut self, event: &Event, kinds: &[SignalKind], out: &mut dyn Write) -> Result<(), ExportError> {
        let (at, happened) = match event {
            Event::Switched { at, signal, on } => {
                self.reach(*at, kinds, out)?;
                self.values[usize::from(signal.0)] = u8::from(*on).to_string();
                return Ok(());
            }
            Event::Sampled { at, signal, value } => {
                self.reach(*at, kinds, out)?;
                let index = usize::from(signal.0);
                self.values[index] =
                    if kinds[index] == SignalKind::Count { value.to_string() } else { decimal(*value) };
                return Ok(());
            }
            Event::Unobserved { at, .. } => return self.reach(*at, kinds, out),
            Event::Moment { at, name, .. } => (*at, format!("moment {name}")),
            Event::Stimulus { at, text } => (*at, text.clone()),
            Event::Console { at, line } => (*at, format!("console: {line}")),
            Event::Prompt { at, text } => (*at, format!("operator: {text}")),
            Event::Trouble { at, trouble } => (*at, format!("{}: {}", trouble.kind.word(), trouble.detail)),
            Event::Began | Event::Counters { .. } | Event::Decided { .. } | Event::Ended { .. } => return Ok(()),
        };
        // What happened between two rows is told in the next: the order of what became known is not that of time.
        if self.at.is_none_or(|row| at >= row) {
            self.reach(at, kinds, out)?;
        }
        self.happened.push(happened);
        Ok(())
    }

    fn reach(&mut self, at: RigTime, kinds: &[SignalKind], out: &mut dyn Write) -> Result<(), ExportError> {
        if self.at.is_some_and(|row| row != at) {
            self.write(kinds, out)?;
        }
        self.at = Some(at);
        Ok(())
    }

    fn write(&mut self, kinds: &[SignalKind], out: &mut dyn Write) -> Result<(), ExportError> {
        let Some(at) = self.at else { return Ok(()) };
        let happened = text(&std::mem::take(&mut self.happened).join("; "));
        let time = seconds(at.as_micros());
        row(out, [time].into_iter().chain(self.values.iter().cloned()).chain([happened]))?;
        for (value, kind) in self.values.iter_mut().zip(kinds) {
            // A switch stays as it is; a level was sampled then, and not since.
            if *kind != SignalKind::Switch {
                value.clear();
            }
        }
        Ok(())
    }
}

/// What a formula may begin with in a spreadsheet, some only in some of them, the wide ones in those that
/// read East Asian scripts (common practice, no source).
const FORMULA: [char; 11] = ['=', '+', '-', '@', '\'', '|', '%', '\u{ff1d}', '\u{ff0b}', '\u{ff0d}', '\u{ff20}'];

/// A text that no spreadsheet takes for a formula: one that begins like one gets an apostrophe in front
/// (common practice, no source).
fn text(text: &str) -> String {
    let shown = crate::neutralise(text);
    if shown.trim_start().starts_with(FORMULA) { format!("'{shown}") } else { shown }
}

fn row<S: AsRef<str>>(out: &mut dyn Write, cells: impl IntoIterator<Item = S>) -> Result<(), ExportError> {
    let mut line = String::new();
    for cell in cells {
        if !line.is_empty() {
            line.push(',');
        }
        let cell = cell.as_ref();
        // The first cell of a row is never empty.
        if cell.contains([',', '"', '\n', '\r', ';', ' ']) {
            line.push('"');
            line.push_str(&cell.replace('"', "\"\""));
            line.push('"');
        } else {
            line.push_str(cell);
        }
    }
    line.push_str("\r\n");
    out.write_all(line.as_bytes())?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    #[rstest]
    #[case("the probe opens", "the probe opens")]
    #[case("=1+1", "'=1+1")]
    #[case("  @SUM(1)", "'  @SUM(1)")]
    #[case("-1", "'-1")]
    #[case("\t=1", "\\t=1")]
    #[case("\u{ff1d}1+1", "'\u{ff1d}1+1")]
    #[case("a\r\n=1", "a\\r\\n=1")]
    fn no_text_is_a_formula(#[case] said: &str, #[case] written: &str) {
        assert_eq!(text(said), written);
    }

    #[test]
    fn a_cell_never_ends_early() {
        let mut out = Vec::new();
        row(&mut out, ["1", "a,b", "c\"d", "e;f", ""]).expect("written");
        // RFC 4180, section 2.
        assert_eq!(String::from_utf8(out).expect("UTF-8"), "1,\"a,b\",\"c\"\"d\",\"e;f\",\r\n");
    }
}

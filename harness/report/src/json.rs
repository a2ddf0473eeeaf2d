//! The JSON lines of a session. `docs/output.md` is their specification.

use std::io;

use dryfire_engine::{
    Applicability, ContributionSpread, Event, FindingReport, RigCounters, ScenarioResult, Trouble, UncertaintyBudget,
    UncertaintySource,
};
use dryfire_judge::{Margin, SignalKind, SignalTable};
use dryfire_units::RigTime;
use serde::Serialize;

use crate::heat_work::HeatWorkRecord;
use crate::standing::verdict_of;
use crate::text::acts_on_terminal;
use crate::{Hazards, NotRun, Outcome, RunHead, SessionHead, Tally, headline};

/// Version of the lines' format; raised when a reader of the old one would misread the new one.
pub const FORMAT: u32 = 1;

/// Turns one session into lines, each with its line end.
///
/// Call order: [`session`](Self::session) once; [`warning`](Self::warning) for each; for every run in the order of
/// the plan [`begin`](Self::begin), its events with [`event`](Self::event),
/// then [`result`](Self::result) (alone for a scenario that does not run) or
/// [`not_run`](Self::not_run); [`summary`](Self::summary) last.
///
/// No line holds a wall time, a host's name or a path of its own making, so
/// that two sessions with the same seed give the same bytes.
#[derive(Debug, Default)]
pub struct JsonLines {
    run: usize,
    signals: SignalTable,
    /// By signal: the last sampled level, and whether it was already written.
    levels: Vec<Option<(RigTime, i64, bool)>>,
}

impl JsonLines {
    /// A writer at the beginning of a session.
    pub fn new() -> Self {
        JsonLines::default()
    }

    /// The head line.
    pub fn session(&self, head: &SessionHead) -> String {
        line(&Record::Session {
            format: FORMAT,
            tool: &head.tool,
            seed: head.seed.to_string(),
            bench: &head.bench,
            bench_kind: &head.bench_kind,
            controller: &head.controller,
            firmware_version: head.firmware_version.as_deref(),
            defects: &head.defects,
            scenarios: head.scenarios,
            repeat: (head.repeat > 1).then_some(head.repeat),
        })
    }

    /// Something to know before anything runs; after the head line.
    pub fn warning(&self, text: &str) -> String {
        line(&Record::Warning { text })
    }

    /// A run begins.
    pub fn begin(&mut self, head: &RunHead) -> String {
        self.run = head.run;
        self.signals = head.signals.clone();
        self.levels = vec![None; head.signals.len()];
        let signals = head.signals.iter().map(|(_, signal)| {
            let mut stated = Figures::default();
            stated.add("uncertainty", signal.kind.quantity(signal.value_uncertainty));
            stated.add("model_error", signal.kind.quantity(signal.model_error));
            SignalRecord {
                name: &signal.name,
                kind: match signal.kind {
                    SignalKind::Switch => "switch",
                    SignalKind::Temperature => "temperature",
                    SignalKind::Difference => "difference",
                    SignalKind::Rate => "rate",
                    SignalKind::Duty => "duty",
                    SignalKind::Count => "count",
                },
                stated,
                time_uncertainty_us: signal.time_uncertainty.as_micros(),
                release_us: signal.release.as_micros(),
            }
        });
        line(&Record::Begin {
            run: head.run,
            repetition: head.repetition,
            scenario: &head.scenario,
            hazards: &head.hazards,
            seed: head.seed.to_string(),
            signals: signals.collect(),
            uncertainty: [
                UncertaintyRecord::of("edge-time", "ns", &head.uncertainties.edge_time),
                UncertaintyRecord::of("shown-temperature", "microcelsius", &head.uncertainties.shown_temperature),
            ],
        })
    }

    /// What one event adds: nothing, a line, or several.
    ///
    /// Samples are kept back: each level's last one is written at the next
    /// moment or decision, because all of them would be megabytes for a firing.
    pub fn event(&mut self, event: &Event) -> String {
        let run = self.run;
        let at_us = |at: &RigTime| at.as_micros();
        match event {
            Event::Began | Event::Unobserved { .. } => String::new(),
            Event::Moment { at, name, .. } => {
                let mut lines = self.last_levels();
                lines.push_str(&line(&Record::Moment { run, at_us: at_us(at), name }));
                lines
            }
            Event::Stimulus { at, text } => line(&Record::Stimulus { run, at_us: at_us(at), text }),
            Event::Switched { at, signal, on } => {
                line(&Record::Edge { run, at_us: at_us(at), signal: self.name(usize::from(signal.0)), on: *on })
            }
            Event::Sampled { at, signal, value } => {
                if let Some(level) = self.levels.get_mut(usize::from(signal.0)) {
                    *level = Some((*at, *value, false));
                }
                String::new()
            }
            Event::Console { at, line: text } => line(&Record::Console { run, at_us: at_us(at), line: text }),
            Event::Prompt { at, text } => line(&Record::Prompt { run, at_us: at_us(at), text }),
            Event::Counters { at, counters } => {
                line(&Record::Counters { run, at_us: at_us(at), counters: CountersRecord::of(*counters) })
            }
            Event::Decided { at, finding } => {
                let mut lines = self.last_levels();
                lines.push_str(&line(&Record::Decided {
                    run,
                    at_us: at_us(at),
                    // Counted from 1, like runs, in the order of the result's findings.
                    expectation: finding.expectation + 1,
                    verdict: finding.verdict.word(),
                    reason: finding.reason.word(),
                }));
                lines
            }
            Event::Trouble { at, trouble } => {
                line(&Record::Trouble { run, at_us: at_us(at), kind: trouble.kind.word(), detail: &trouble.detail })
            }
            Event::Ended { at, .. } => line(&Record::End { run, at_us: at_us(at) }),
        }
    }

    /// What a scenario came to. `run` is its number in the plan, from 1.
    pub fn result(&mut self, run: usize, result: &ScenarioResult) -> String {
        self.run = run;
        let (applicability, reason) = match &result.applicability {
            Applicability::Ran => ("ran", None),
            Applicability::NotApplicable { reason } => ("not-applicable", Some(reason.as_str())),
            Applicability::Uncovered { reason } => ("uncovered", Some(reason.as_str())),
        };
        line(&Record::Result {
            run,
            scenario: &result.scenario,
            hazards: &result.hazards,
            applicability,
            reason,
            verdict: verdict_of(result).map(|verdict| verdict.word()),
            findings: result.findings.iter().map(FindingRecord::of).collect(),
            remarks: &result.remarks,
            trouble: result.trouble.as_ref().map(TroubleRecord::of),
            counters: CountersRecord::of(result.counters),
            heat_work: result.heat_work.iter().map(HeatWorkRecord::of).collect(),
            seed: result.seed.to_string(),
            length_us: result.length.as_micros(),
        })
    }

    /// A scenario that was picked and never begun.
    pub fn not_run(&self, scenario: &NotRun) -> String {
        line(&Record::NotRun { run: scenario.run, scenario: &scenario.scenario, hazards: &scenario.hazards })
    }

    /// The last line: everything counted, and what the process exits with.
    pub fn summary(&self, outcome: &Outcome<'_>) -> String {
        let tally = Tally::of(outcome);
        line(&Record::Summary {
            scenarios: tally.scenarios(),
            passed: tally.passed,
            failed: tally.failed,
            inconclusive: tally.inconclusive,
            errors: tally.errors,
            uncovered: tally.uncovered,
            not_applicable: tally.not_applicable,
            not_run: tally.not_run,
            failed_expectations: tally.failed_expectations,
            interrupted: tally.interrupted,
            mixed: outcome.mixed,
            hazards: HazardsRecord::of(&tally.hazards),
            headline: headline(&tally).join("; "),
            exit_code: tally.exit_status().code(),
        })
    }

    fn name(&self, index: usize) -> &str {
        self.signals.iter().nth(index).map_or("?", |(_, signal)| signal.name.as_str())
    }

    /// A line for each level that was sampled since it was last written.
    fn last_levels(&mut self) -> String {
        let mut lines = String::new();
        for index in 0..self.levels.len() {
            if let Some((at, value, false)) = self.levels[index] {
                let Some((_, spec)) = self.signals.iter().nth(index) else { continue };
                let mut figures = Figures::default();
                figures.add("value", spec.kind.quantity(value));
                let record = Record::Level { run: self.run, at_us: at.as_micros(), signal: &spec.name, figures };
                lines.push_str(&line(&record));
                self.levels[index] = Some((at, value, true));
            }
        }
        lines
    }
}

#[derive(Serialize)]
#[serde(tag = "type", rename_all = "kebab-case")]
enum Record<'a> {
    Session {
        format: u32,
        tool: &'a str,
        seed: String,
        bench: &'a str,
        bench_kind: &'a str,
        controller: &'a str,
        #[serde(skip_serializing_if = "Option::is_none")]
        firmware_version: Option<&'a str>,
        defects: &'a [String],
        scenarios: usize,
        #[serde(skip_serializing_if = "Option::is_none")]
        repeat: Option<usize>,
    },
    Warning {
        text: &'a str,
    },
    Begin {
        run: usize,
        #[serde(skip_serializing_if = "Option::is_none")]
        repetition: Option<usize>,
        scenario: &'a str,
        hazards: &'a [String],
        seed: String,
        signals: Vec<SignalRecord<'a>>,
        uncertainty: [UncertaintyRecord; 2],
    },
    Moment {
        run: usize,
        at_us: i64,
        name: &'a str,
    },
    Stimulus {
        run: usize,
        at_us: i64,
        text: &'a str,
    },
    Edge {
        run: usize,
        at_us: i64,
        signal: &'a str,
        on: bool,
    },
    Level {
        run: usize,
        at_us: i64,
        signal: &'a str,
        #[serde(flatten)]
        figures: Figures,
    },
    Console {
        run: usize,
        at_us: i64,
        line: &'a str,
    },
    Prompt {
        run: usize,
        at_us: i64,
        text: &'a str,
    },
    Counters {
        run: usize,
        at_us: i64,
        counters: CountersRecord,
    },
    Decided {
        run: usize,
        at_us: i64,
        expectation: usize,
        verdict: &'a str,
        reason: &'a str,
    },
    Trouble {
        run: usize,
        at_us: i64,
        kind: &'a str,
        detail: &'a str,
    },
    End {
        run: usize,
        at_us: i64,
    },
    Result {
        run: usize,
        scenario: &'a str,
        hazards: &'a [String],
        applicability: &'a str,
        #[serde(skip_serializing_if = "Option::is_none")]
        reason: Option<&'a str>,
        verdict: Option<&'a str>,
        findings: Vec<FindingRecord<'a>>,
        remarks: &'a [String],
        #[serde(skip_serializing_if = "Option::is_none")]
        trouble: Option<TroubleRecord<'a>>,
        counters: CountersRecord,
        #[serde(skip_serializing_if = "Vec::is_empty")]
        heat_work: Vec<HeatWorkRecord<'a>>,
        seed: String,
        length_us: i64,
    },
    NotRun {
        run: usize,
        scenario: &'a str,
        hazards: &'a [String],
    },
    Summary {
        scenarios: usize,
        passed: usize,
        failed: usize,
        inconclusive: usize,
        errors: usize,
        uncovered: usize,
        not_applicable: usize,
        not_run: usize,
        failed_expectations: usize,
        interrupted: bool,
        mixed: &'a [String],
        hazards: HazardsRecord<'a>,
        headline: String,
        exit_code: u8,
    },
}

#[derive(Serialize)]
struct SignalRecord<'a> {
    name: &'a str,
    kind: &'a str,
    #[serde(flatten)]
    stated: Figures,
    time_uncertainty_us: i64,
    release_us: i64,
}

#[derive(Serialize)]
struct CountersRecord {
    lost_edges: u32,
    lost_console_bytes: u32,
    late_setpoints: u32,
    damaged_frames: u32,
}

impl CountersRecord {
    fn of(counters: RigCounters) -> Self {
        CountersRecord {
            lost_edges: counters.lost_edges,
            lost_console_bytes: counters.lost_console_bytes,
            late_setpoints: counters.late_setpoints,
            damaged_frames: counters.damaged_frames,
        }
    }
}

#[derive(Serialize)]
struct TroubleRecord<'a> {
    kind: &'a str,
    detail: &'a str,
}

impl<'a> TroubleRecord<'a> {
    fn of(trouble: &'a Trouble) -> Self {
        TroubleRecord { kind: trouble.kind.word(), detail: &trouble.detail }
    }
}

/// The budget of one quantity.
#[derive(Serialize)]
struct UncertaintyRecord {
    of: &'static str,
    contributions: Vec<ContributionRecord>,
    degrees_of_freedom: Option<u32>,
    coverage_hundredths: u16,
    #[serde(flatten)]
    figures: Figures,
}

#[derive(Serialize)]
struct ContributionRecord {
    source: &'static str,
    spread: &'static str,
    #[serde(flatten)]
    figures: Figures,
    stated: bool,
}

impl UncertaintyRecord {
    /// `unit` is what is a thousandth of the quantity's own.
    fn of(quantity: &'static str, unit: &str, budget: &UncertaintyBudget) -> Self {
        let contributions = budget.contributions.iter().map(|line| {
            let mut figures = Figures::default();
            figures.0.push((format!("half_width_{unit}"), line.half_width));
            let spread = match line.spread {
                ContributionSpread::Rectangular => "rectangular",
                ContributionSpread::Normal(coverage) => {
                    figures.0.push(("coverage_hundredths".to_owned(), i64::from(coverage)));
                    "normal"
                }
            };
            if let UncertaintySource::ClockDrift(over) = line.source {
                figures.add("over", Some(Margin::Time(over)));
            }
            figures.0.push((format!("standard_{unit}"), line.standard));
            ContributionRecord { source: line.source.word(), spread, figures, stated: line.stated }
        });
        let mut figures = Figures::default();
        figures.0.push((format!("standard_{unit}"), budget.standard));
        figures.add("expanded", Some(budget.expanded));
        UncertaintyRecord {
            of: quantity,
            contributions: contributions.collect(),
            degrees_of_freedom: budget.degrees_of_freedom,
            coverage_hundredths: budget.coverage_hundredths,
            figures,
        }
    }
}

#[derive(Serialize)]
struct FindingRecord<'a> {
    name: &'a str,
    hazards: &'a [String],
    verdict: &'a str,
    reason: &'a str,
    expected: &'a str,
    seen: &'a str,
    decided_at_us: Option<i64>,
    vacuous: bool,
    #[serde(flatten)]
    figures: Figures,
}

impl<'a> FindingRecord<'a> {
    fn of(report: &'a FindingReport) -> Self {
        let finding = &report.finding;
        let mut figures = Figures::default();
        figures.add("margin", finding.margin);
        figures.add("seen", finding.seen);
        figures.add("uncertainty", finding.uncertainty);
        if finding.uncertainty.is_some() {
            figures.0.push(("coverage_hundredths".to_owned(), i64::from(report.coverage_hundredths)));
        }
        figures.add("model_error", finding.model_error);
        FindingRecord {
            name: &report.name,
            hazards: &report.hazards,
            verdict: finding.verdict.word(),
            reason: finding.reason.word(),
            expected: &report.expected,
            seen: &report.seen,
            decided_at_us: finding.decided_at.map(RigTime::as_micros),
            vacuous: finding.vacuous,
            figures,
        }
    }
}

/// Numbers whose key says what they are and in which unit, in the order in
/// which they were added.
#[derive(Default)]
struct Figures(Vec<(String, i64)>);

impl Figures {
    /// Adds a number as `WHAT_UNIT`, if there is one.
    fn add(&mut self, what: &str, quantity: Option<Margin>) {
        let Some(quantity) = quantity else { return };
        let unit = match quantity {
            Margin::Time(_) => "us",
            Margin::Temperature(_) => "millicelsius",
            Margin::Rate(_) => "millicelsius_per_hour",
            Margin::Duty(_) => "millipercent",
            Margin::Count(_) => "times",
        };
        self.0.push((format!("{what}_{unit}"), quantity.number()));
    }
}

impl Serialize for Figures {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_map(self.0.iter().map(|(key, value)| (key, value)))
    }
}

#[derive(Serialize)]
struct HazardsRecord<'a> {
    shown: Vec<&'a str>,
    failed: Vec<&'a str>,
    uncovered: Vec<&'a str>,
    undecided: Vec<&'a str>,
    not_tested: Vec<&'a str>,
}

impl<'a> HazardsRecord<'a> {
    fn of(hazards: &'a Hazards) -> Self {
        HazardsRecord {
            shown: hazards.which(|it| it.is_shown()),
            failed: hazards.which(|it| it.failed),
            uncovered: hazards.which(|it| it.uncovered),
            undecided: hazards.which(|it| it.is_undecided()),
            not_tested: hazards.which(|it| it.is_not_tested()),
        }
    }
}

/// JSON escapes only what JSON must; a console line may hold more that would
/// act on a terminal, or that some readers take for a line end (U+2028).
struct EscapeAll;

impl serde_json::ser::Formatter for EscapeAll {
    fn write_string_fragment<W: ?Sized + io::Write>(&mut self, writer: &mut W, fragment: &str) -> io::Result<()> {
        let mut plain = 0;
        for (index, character) in fragment.char_indices().filter(|(_, character)| acts_on_terminal(*character)) {
            writer.write_all(&fragment.as_bytes()[plain..index])?;
            let mut units = [0; 2];
            for unit in character.encode_utf16(&mut units) {
                write!(writer, "\\u{unit:04x}")?;
            }
            plain = index + character.len_utf8();
        }
        writer.write_all(&fragment.as_bytes()[plain..])
    }
}

pub(crate) fn line(record: &impl Serialize) -> String {
    let mut bytes = Vec::with_capacity(128);
    let mut serializer = serde_json::Serializer::with_formatter(&mut bytes, EscapeAll);
    // Every key is a string and every value a number, string, bool or list of such, written to memory.
    record.serialize(&mut serializer).expect("plain records in memory can be written as JSON");
    bytes.push(b'\n');
    String::from_utf8(bytes).expect("JSON text made of UTF-8 strings is UTF-8")
}

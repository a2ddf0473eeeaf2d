//! What a library catches: controllers with a known mistake, and honest ones.
//!
//! A mistake counts as caught only by a *fail* of an expectation that speaks to
//! the mistake's own hazard. Other fails, what stays undecided and what breaks
//! down are told, and do not count.

use dryfire_engine::ScenarioResult;
use dryfire_judge::{Margin, Verdict};
use serde::Serialize;

use crate::ExitStatus;
use crate::columns::{Cell, push_row, that_fit, widths};
use crate::json::{FORMAT, line};
use crate::quantity::signed_margin;
use crate::summary::{NARROWEST, WIDEST};
use crate::text::{Line, Style, Text};

/// A controller that the library was tried on.
#[derive(Clone, Debug)]
pub struct Challenged {
    /// Its name.
    pub name: String,
    /// What is wrong with it; `None` for one that nothing is wrong with.
    pub mistake: Option<Mistake>,
    /// What every scenario that ran came to.
    pub results: Vec<ScenarioResult>,
}

/// A mistake that a controller was given.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mistake {
    /// In one sentence.
    pub description: String,
    /// The hazard whose scenarios have to show it.
    pub hazard: String,
    /// The judge's word for what they then say.
    pub reason: String,
}

/// One expectation that caught a mistake.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Catch {
    /// The scenario.
    pub scenario: String,
    /// The expectation.
    pub expectation: String,
    /// The judge's word for why it failed.
    pub reason: &'static str,
    /// By how much it failed, where that can be said.
    pub margin: Option<Margin>,
}

/// What became of one controller.
#[derive(Clone, Debug)]
pub struct Detection<'a> {
    /// The controller.
    pub challenged: &'a Challenged,
    /// Fails of expectations that speak to its own hazard.
    pub catches: Vec<Catch>,
    /// Scenarios that failed for something else, or anything of an honest controller.
    pub other_fails: Vec<&'a str>,
    /// Scenarios that stayed undecided.
    pub undecided: Vec<&'a str>,
    /// Scenarios in which something broke down.
    pub broke_down: Vec<&'a str>,
}

impl Detection<'_> {
    /// Whether the library said of this controller what it should.
    pub fn as_it_should_be(&self) -> bool {
        match &self.challenged.mistake {
            Some(_) => !self.catches.is_empty(),
            None => self.other_fails.is_empty() && self.undecided.is_empty() && self.broke_down.is_empty(),
        }
    }

    /// Whether one of the catches has the reason that the mistake declares.
    pub fn with_the_declared_reason(&self) -> bool {
        let declared = self.challenged.mistake.as_ref().map(|mistake| mistake.reason.as_str());
        self.catches.iter().any(|catch| Some(catch.reason) == declared)
    }

    /// The scenarios that caught it, each once.
    pub fn catchers(&self) -> Vec<&str> {
        let mut names: Vec<&str> = self.catches.iter().map(|catch| catch.scenario.as_str()).collect();
        names.dedup();
        names
    }
}

/// The whole table.
#[derive(Clone, Debug)]
pub struct DetectionTable<'a> {
    /// Every controller, in the order tried.
    pub detections: Vec<Detection<'a>>,
    /// Scenarios that are the only catcher of no mistake.
    pub never_alone: Vec<&'a str>,
    /// Hazards of the library that no mistake stands for.
    pub hazards_without_mistake: Vec<&'a str>,
    /// Groups of mistakes with the same fails in the same places: the library cannot tell them apart.
    pub alike: Vec<Vec<&'a str>>,
}

impl<'a> DetectionTable<'a> {
    /// The table of these controllers.
    pub fn of(challenged: &'a [Challenged]) -> Self {
        let detections: Vec<Detection<'a>> = challenged.iter().map(detect).collect();
        let mut scenarios: Vec<&str> = Vec::new();
        let mut hazards: Vec<&str> = Vec::new();
        for result in challenged.iter().flat_map(|one| &one.results) {
            if !scenarios.contains(&result.scenario.as_str()) {
                scenarios.push(&result.scenario);
            }
            hazards.extend(result.hazards.iter().map(String::as_str));
        }
        hazards.sort_unstable();
        hazards.dedup();
        let alone = |scenario: &str| detections.iter().any(|detection| detection.catchers() == [scenario]);
        let stands_for = |hazard: &str| {
            challenged.iter().filter_map(|one| one.mistake.as_ref()).any(|mistake| mistake.hazard == hazard)
        };
        DetectionTable {
            never_alone: scenarios.into_iter().filter(|scenario| !alone(scenario)).collect(),
            hazards_without_mistake: hazards.into_iter().filter(|hazard| !stands_for(hazard)).collect(),
            alike: alike(&detections),
            detections,
        }
    }

    /// Mistakes that were caught, and all there were.
    pub fn caught(&self) -> (usize, usize) {
        let mistakes = self.detections.iter().filter(|one| one.challenged.mistake.is_some());
        (mistakes.clone().filter(|one| one.as_it_should_be()).count(), mistakes.count())
    }

    /// Honest controllers that passed everything, and all there were.
    pub fn cleared(&self) -> (usize, usize) {
        let honest = self.detections.iter().filter(|one| one.challenged.mistake.is_none());
        (honest.clone().filter(|one| one.as_it_should_be()).count(), honest.count())
    }

    /// [`ExitStatus::AllHeld`] if every mistake was caught and nobody honest was blamed.
    pub fn exit_status(&self) -> ExitStatus {
        if self.detections.iter().any(|one| !one.broke_down.is_empty()) {
            ExitStatus::Error
        } else if self.detections.iter().all(Detection::as_it_should_be) {
            ExitStatus::AllHeld
        } else {
            ExitStatus::Failed
        }
    }

    fn headline(&self) -> String {
        let ((caught, mistakes), (cleared, honest)) = (self.caught(), self.cleared());
        format!("{caught} of {mistakes} mistakes caught, {cleared} of {honest} honest controllers cleared")
    }
}

fn detect(challenged: &Challenged) -> Detection<'_> {
    let mut detection = Detection {
        challenged,
        catches: Vec::new(),
        other_fails: Vec::new(),
        undecided: Vec::new(),
        broke_down: Vec::new(),
    };
    let own = challenged.mistake.as_ref().map(|mistake| mistake.hazard.as_str());
    for result in &challenged.results {
        let before = detection.catches.len();
        for report in &result.findings {
            let speaks_to_it = report.hazards.iter().any(|hazard| Some(hazard.as_str()) == own);
            if report.finding.verdict == Verdict::Fail && speaks_to_it {
                detection.catches.push(Catch {
                    scenario: result.scenario.clone(),
                    expectation: report.name.clone(),
                    reason: report.finding.reason.word(),
                    margin: report.finding.margin,
                });
            }
        }
        match result.verdict {
            Some(Verdict::Fail) if detection.catches.len() == before => detection.other_fails.push(&result.scenario),
            Some(Verdict::Inconclusive) => detection.undecided.push(&result.scenario),
            Some(Verdict::Error) => detection.broke_down.push(&result.scenario),
            Some(Verdict::Pass | Verdict::Fail) | None => {}
        }
    }
    detection
}

/// Mistakes of one hazard whose catches are the same to the number.
fn alike<'a>(detections: &[Detection<'a>]) -> Vec<Vec<&'a str>> {
    let mut groups: Vec<(&Detection<'a>, Vec<&'a str>)> = Vec::new();
    for detection in detections.iter().filter(|one| !one.catches.is_empty()) {
        match groups.iter_mut().find(|(first, _)| first.catches == detection.catches) {
            Some((_, names)) => names.push(&detection.challenged.name),
            None => groups.push((detection, vec![&detection.challenged.name])),
        }
    }
    groups.into_iter().map(|(_, names)| names).filter(|names| names.len() > 1).collect()
}

/// Columns that the catchers need beside the rest.
const CATCHERS_AT_LEAST: usize = 30;

/// The table as text, at most `width` columns.
pub fn challenge_text(table: &DetectionTable<'_>, width: usize) -> Text {
    let width = width.clamp(NARROWEST, WIDEST);
    let mut text = Text::default();
    let head = ["", "controller", "hazard", "by", "caught by"].map(|cell| (Style::Faint, cell.to_owned()));
    let rows: Vec<[Cell; 5]> = table.detections.iter().map(row).collect();
    let columns = widths(std::iter::once(&head[..]).chain(rows.iter().map(|row| &row[..])));
    if that_fit(&columns[..4], width.saturating_sub(CATCHERS_AT_LEAST)) == 4 {
        push_row(&mut text, &head, &columns, width);
        rows.iter().for_each(|row| push_row(&mut text, row, &columns, width));
    } else {
        for [mark, name, hazard, by, catchers] in &rows {
            let line = Line::new().with(mark.0, &mark.1).with(Style::Strong, format!(" {}", name.1));
            text.push(line.with(Style::Faint, format!("  {} {}", hazard.1, by.1)));
            text.push_wrapped(Line::new().with(Style::Plain, "    "), catchers.0, &catchers.1, width);
        }
    }
    for detection in table.detections.iter().filter(|one| !one.as_it_should_be()) {
        text.gap();
        let name = &detection.challenged.name;
        let (style, said) = match &detection.challenged.mistake {
            Some(mistake) => (Style::Fail, format!("{name} slips through: {}", mistake.description)),
            None => (Style::Fail, format!("{name} does everything right and is not cleared")),
        };
        text.push_wrapped(Line::new(), style, &said, width);
        for (what, scenarios) in [
            ("failed for something else", &detection.other_fails),
            ("undecided", &detection.undecided),
            ("broke down", &detection.broke_down),
        ] {
            if !scenarios.is_empty() {
                let label = Line::new().with(Style::Faint, format!("    {what}: "));
                text.push_wrapped(label, Style::Plain, &scenarios.join("; "), width);
            }
        }
    }
    let notes = [
        ("Hazards that no mistake stands for:", table.hazards_without_mistake.join(", ")),
        ("Scenarios that are never the only one to catch a mistake:", table.never_alone.join("; ")),
        (
            "Mistakes that fail the same expectations by the same amounts:",
            table.alike.iter().map(|names| names.join(" = ")).collect::<Vec<_>>().join("; "),
        ),
    ];
    for (label, said) in notes.iter().filter(|(_, said)| !said.is_empty()) {
        text.gap();
        text.push_wrapped(Line::new(), Style::Faint, label, width);
        text.push_wrapped(Line::new().with(Style::Plain, "    "), Style::Plain, said, width);
    }
    text.gap();
    text.push_wrapped(Line::new(), Style::Strong, &table.headline(), width);
    text
}

fn row(detection: &Detection<'_>) -> [Cell; 5] {
    let plain = |text: &str| (Style::Plain, text.to_owned());
    let mark = if detection.as_it_should_be() { (Style::Pass, "✓") } else { (Style::Fail, "✗") };
    let (hazard, by, catchers) = match &detection.challenged.mistake {
        None if detection.as_it_should_be() => ("-", String::new(), "nothing, as it should be".to_owned()),
        None => ("-", String::new(), "see below".to_owned()),
        Some(mistake) => {
            let first = detection.catches.first();
            let by = first.and_then(|catch| catch.margin).map(signed_margin).unwrap_or_default();
            let names = detection.catchers();
            let catchers = if names.is_empty() { "nothing".to_owned() } else { names.join("; ") };
            (mistake.hazard.as_str(), by, catchers)
        }
    };
    [
        (mark.0, mark.1.to_owned()),
        (Style::Strong, detection.challenged.name.clone()),
        plain(hazard),
        (Style::Plain, by),
        (Style::Plain, catchers),
    ]
}

#[derive(Serialize)]
#[serde(tag = "type", rename_all = "kebab-case")]
enum Record<'a> {
    Challenge {
        format: u32,
        tool: &'a str,
        bench: &'a str,
        seed: u64,
        scenarios: usize,
    },
    Controller {
        name: &'a str,
        #[serde(skip_serializing_if = "Option::is_none")]
        mistake: Option<MistakeRecord<'a>>,
        as_it_should_be: bool,
        catches: Vec<CatchRecord<'a>>,
        other_fails: &'a [&'a str],
        undecided: &'a [&'a str],
        broke_down: &'a [&'a str],
    },
    Summary {
        headline: String,
        caught: usize,
        mistakes: usize,
        cleared: usize,
        honest: usize,
        never_alone: &'a [&'a str],
        hazards_without_mistake: &'a [&'a str],
        alike: &'a [Vec<&'a str>],
        exit_code: u8,
    },
}

#[derive(Serialize)]
struct MistakeRecord<'a> {
    description: &'a str,
    hazard: &'a str,
    reason: &'a str,
    with_the_declared_reason: bool,
}

#[derive(Serialize)]
struct CatchRecord<'a> {
    scenario: &'a str,
    expectation: &'a str,
    reason: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    margin: Option<String>,
}

/// The table as JSON lines, as `docs/output.md` says.
pub fn challenge_json(table: &DetectionTable<'_>, head: &crate::SessionHead) -> String {
    let mut lines = line(&Record::Challenge {
        format: FORMAT,
        tool: &head.tool,
        bench: &head.bench,
        seed: head.seed,
        scenarios: head.scenarios,
    });
    for detection in &table.detections {
        let mistake = detection.challenged.mistake.as_ref().map(|mistake| MistakeRecord {
            description: &mistake.description,
            hazard: &mistake.hazard,
            reason: &mistake.reason,
            with_the_declared_reason: detection.with_the_declared_reason(),
        });
        let catches = detection.catches.iter().map(|catch| CatchRecord {
            scenario: &catch.scenario,
            expectation: &catch.expectation,
            reason: catch.reason,
            margin: catch.margin.map(signed_margin),
        });
        lines.push_str(&line(&Record::Controller {
            name: &detection.challenged.name,
            mistake,
            as_it_should_be: detection.as_it_should_be(),
            catches: catches.collect(),
            other_fails: &detection.other_fails,
            undecided: &detection.undecided,
            broke_down: &detection.broke_down,
        }));
    }
    let ((caught, mistakes), (cleared, honest)) = (table.caught(), table.cleared());
    lines.push_str(&line(&Record::Summary {
        headline: table.headline(),
        caught,
        mistakes,
        cleared,
        honest,
        never_alone: &table.never_alone,
        hazards_without_mistake: &table.hazards_without_mistake,
        alike: &table.alike,
        exit_code: table.exit_status().code(),
    }));
    lines
}

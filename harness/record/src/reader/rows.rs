//! Rows of the tables as values; whatever is not as it was written is named.

use std::collections::HashMap;
use std::path::Path;

use dryfire_engine::{
    Applicability, Contribution, ContributionSpread, Event, FindingReport, RelaysSeen, RigCounters, ScenarioResult,
    Trouble, Uncertainties, UncertaintyBudget, ZoneHeatWork,
};
use dryfire_judge::{Finding, Margin, SignalId, SignalSpec, SignalTable};
use dryfire_kiln::Peak;
use dryfire_units::{MilliCelsius, RigSpan, RigTime};
use rusqlite::{Connection, Row, params};
use serde_json::Value;

use crate::error::{RecordError, sqlite};
use crate::model::{
    Edge, ExpectationWindow, Fact, File, FileRole, LevelLimit, Note, PlannedRun, Run, RunState, Session, SessionFacts,
    Stretch, TimedEvent, claim_word, scope_word,
};
use crate::words;

/// A connection with the path that mistakes are told with.
pub(super) struct Reading<'a> {
    pub(super) connection: &'a Connection,
    pub(super) path: &'a Path,
}

impl Reading<'_> {
    fn fail(&self, source: rusqlite::Error) -> RecordError {
        sqlite(self.path, source)
    }

    fn damaged(&self, what: String) -> RecordError {
        RecordError::Damaged { path: self.path.display().to_string(), what }
    }

    fn unknown(&self, what: &str, word: &str) -> RecordError {
        self.damaged(format!("`{word}` is no {what}"))
    }

    /// Every row of a query, each turned into a value.
    fn all<T>(
        &self,
        query: &str,
        parameters: impl rusqlite::Params,
        mut turn: impl FnMut(&Row<'_>) -> Result<T, RecordError>,
    ) -> Result<Vec<T>, RecordError> {
        let mut statement = self.connection.prepare_cached(query).map_err(|source| self.fail(source))?;
        let mut rows = statement.query(parameters).map_err(|source| self.fail(source))?;
        let mut values = Vec::new();
        while let Some(row) = rows.next().map_err(|source| self.fail(source))? {
            values.push(turn(row)?);
        }
        Ok(values)
    }

    fn get<T: rusqlite::types::FromSql>(&self, row: &Row<'_>, column: usize) -> Result<T, RecordError> {
        row.get(column).map_err(|source| self.fail(source))
    }

    fn seed(&self, text: &str) -> Result<u64, RecordError> {
        text.parse().map_err(|_| self.unknown("seed", text))
    }

    fn size(&self, number: i64) -> Result<usize, RecordError> {
        usize::try_from(number).map_err(|_| self.damaged(format!("{number} is no count")))
    }

    pub(super) fn session(&self) -> Result<Session, RecordError> {
        let query = "SELECT tool, seed, bench, bench_kind, controller, firmware_version, scenarios, host, began_at, \
                     state, interrupted, ended_at, resumed FROM session WHERE id = 1";
        let sessions = self.all(query, [], |row| {
            let seed: String = self.get(row, 1)?;
            let state: String = self.get(row, 9)?;
            Ok(Session {
                facts: SessionFacts {
                    tool: self.get(row, 0)?,
                    seed: self.seed(&seed)?,
                    bench: self.get(row, 2)?,
                    bench_kind: self.get(row, 3)?,
                    controller: self.get(row, 4)?,
                    firmware_version: self.get(row, 5)?,
                    scenarios: self.size(self.get(row, 6)?)?,
                    host: self.get(row, 7)?,
                    began_at: self.get(row, 8)?,
                },
                finished: match state.as_str() {
                    "finished" => true,
                    "unfinished" => false,
                    other => return Err(self.unknown("state of a session", other)),
                },
                interrupted: self.get(row, 10)?,
                ended_at: self.get(row, 11)?,
                resumed: self.get(row, 12)?,
            })
        })?;
        sessions.into_iter().next().ok_or_else(|| self.damaged("it has no session".to_owned()))
    }

    pub(super) fn facts(&self) -> Result<Vec<Fact>, RecordError> {
        self.all("SELECT topic, name, value, source FROM fact ORDER BY place", [], |row| {
            Ok(Fact {
                topic: self.get(row, 0)?,
                name: self.get(row, 1)?,
                value: self.get(row, 2)?,
                source: self.get(row, 3)?,
            })
        })
    }

    pub(super) fn files(&self) -> Result<Vec<File>, RecordError> {
        self.all("SELECT role, path, bytes, sha256, text FROM file ORDER BY file", [], |row| {
            let role: String = self.get(row, 0)?;
            let bytes: i64 = self.get(row, 2)?;
            Ok(File {
                role: FileRole::ALL
                    .into_iter()
                    .find(|known| known.word() == role)
                    .ok_or_else(|| self.unknown("kind of file", &role))?,
                path: self.get(row, 1)?,
                bytes: self.size(bytes)? as u64,
                sha256: self.get(row, 3)?,
                text: self.get(row, 4)?,
            })
        })
    }

    pub(super) fn runs(&self, files: &[File]) -> Result<Vec<Run>, RecordError> {
        let query = "SELECT run, file, scenario, why, limits_from, state, seed, identity, began_at, ended_at, \
                     cut_short, fresh_controller FROM run ORDER BY run";
        let mut runs = self.all(query, [], |row| {
            let number = self.size(self.get(row, 0)?)?;
            let file = self.size(self.get(row, 1)?)?;
            if file >= files.len() {
                return Err(self.damaged(format!("run {number} is of file {file}, and there is none")));
            }
            let state: String = self.get(row, 5)?;
            let seed: String = self.get(row, 6)?;
            Ok(Run {
                number,
                repetition: None,
                planned: PlannedRun {
                    file,
                    scenario: self.get(row, 2)?,
                    why: self.get(row, 3)?,
                    limits_from: self.get(row, 4)?,
                    hazards: Vec::new(),
                    seed: self.seed(&seed)?,
                    table: SignalTable::default(),
                    uncertainties: None,
                    expectations: Vec::new(),
                },
                state: match state.as_str() {
                    "planned" => RunState::Planned,
                    "running" => RunState::Running,
                    "judged" => RunState::Judged,
                    "finished" => RunState::Finished,
                    other => return Err(self.unknown("state of a run", other)),
                },
                identity: self.get(row, 7)?,
                fresh_controller: self.get::<Option<bool>>(row, 11)?.unwrap_or(false),
                began_at: self.get(row, 8)?,
                ended_at: self.get(row, 9)?,
                result: None,
                cut_short: self.get::<Option<bool>>(row, 10)?.unwrap_or(false),
            })
        })?;
        let mut of_scenario: HashMap<String, (usize, usize)> = HashMap::new();
        runs.iter().for_each(|run: &Run| of_scenario.entry(run.planned.scenario.clone()).or_default().1 += 1);
        for (index, run) in runs.iter_mut().enumerate() {
            if let Some((before, all @ 2..)) = of_scenario.get_mut(&run.planned.scenario) {
                *before += 1;
                run.repetition = Some((*before, *all));
            }
            if run.number != index + 1 {
                return Err(self.damaged(format!("run {} stands in place {}", run.number, index + 1)));
            }
            let number = run.number as i64;
            run.planned.hazards =
                self.texts("SELECT hazard FROM run_hazard WHERE run = ?1 ORDER BY place", [number])?;
            run.planned.table = self.table(number)?;
            run.planned.uncertainties = self.uncertainties(number)?;
            run.planned.expectations = self.windows(number)?;
            if matches!(run.state, RunState::Judged | RunState::Finished) {
                run.result = Some(self.result(run)?);
            }
        }
        Ok(runs)
    }

    fn texts(&self, query: &str, parameters: impl rusqlite::Params) -> Result<Vec<String>, RecordError> {
        self.all(query, parameters, |row| self.get(row, 0))
    }

    fn table(&self, run: i64) -> Result<SignalTable, RecordError> {
        let query = "SELECT signal, name, kind, value_uncertainty, model_error, time_uncertainty_us, release_us \
                     FROM signal WHERE run = ?1 ORDER BY signal";
        let mut table = SignalTable::default();
        self.all(query, [run], |row| {
            let kind: String = self.get(row, 2)?;
            let place: u16 = self.get(row, 0)?;
            if usize::from(place) != table.len() {
                return Err(self.damaged(format!("signal {place} of run {run} stands in place {}", table.len())));
            }
            table.add(SignalSpec {
                name: self.get(row, 1)?,
                kind: words::kind(&kind).ok_or_else(|| self.unknown("kind of signal", &kind))?,
                value_uncertainty: self.get(row, 3)?,
                model_error: self.get(row, 4)?,
                time_uncertainty: RigSpan::from_micros(self.get(row, 5)?),
                release: RigSpan::from_micros(self.get(row, 6)?),
            });
            Ok(())
        })?;
        Ok(table)
    }

    fn uncertainties(&self, run: i64) -> Result<Option<Uncertainties>, RecordError> {
        let edge_time = self.budget(run, words::EDGE_TIME)?;
        let shown_temperature = self.budget(run, words::SHOWN_TEMPERATURE)?;
        let both = edge_time.zip(shown_temperature);
        Ok(both.map(|(edge_time, shown_temperature)| Uncertainties { edge_time, shown_temperature }))
    }

    fn budget(&self, run: i64, quantity: &str) -> Result<Option<UncertaintyBudget>, RecordError> {
        let query = "SELECT source, over_us, half_width, normal_coverage_hundredths, standard, stated \
                     FROM contribution WHERE run = ?1 AND quantity = ?2 ORDER BY place";
        let contributions = self.all(query, params![run, quantity], |row| {
            let source: String = self.get(row, 0)?;
            let over = RigSpan::from_micros(self.get::<Option<i64>>(row, 1)?.unwrap_or(0));
            let normal: Option<u16> = self.get(row, 3)?;
            Ok(Contribution {
                source: words::source(&source, over)
                    .ok_or_else(|| self.unknown("source of an uncertainty", &source))?,
                half_width: self.get(row, 2)?,
                spread: normal.map_or(ContributionSpread::Rectangular, ContributionSpread::Normal),
                standard: self.get(row, 4)?,
                stated: self.get(row, 5)?,
            })
        })?;
        let query = "SELECT standard, degrees_of_freedom, coverage_hundredths, expanded, unit FROM budget \
                     WHERE run = ?1 AND quantity = ?2";
        let mut budgets = self.all(query, params![run, quantity], |row| {
            let unit: String = self.get(row, 4)?;
            Ok(UncertaintyBudget {
                contributions: contributions.clone(),
                standard: self.get(row, 0)?,
                degrees_of_freedom: self.get(row, 1)?,
                coverage_hundredths: self.get(row, 2)?,
                expanded: words::quantity(&unit, self.get(row, 3)?).ok_or_else(|| self.unknown("unit", &unit))?,
            })
        })?;
        Ok(budgets.pop())
    }

    fn windows(&self, run: i64) -> Result<Vec<ExpectationWindow>, RecordError> {
        let query = "SELECT expectation, name, scope, opens, opens_offset_us, closes, closes_offset_us, claim, \
                     limit_us, hold_us FROM expectation WHERE run = ?1 ORDER BY expectation";
        self.all(query, [run], |row| {
            let index: i64 = self.get(row, 0)?;
            let instant = |name: Option<String>, offset: Option<i64>| {
                name.map(|name| (name, RigSpan::from_micros(offset.unwrap_or(0))))
            };
            let scope: String = self.get(row, 2)?;
            let claim: String = self.get(row, 7)?;
            let hazards = self.texts(
                "SELECT hazard FROM expectation_hazard WHERE run = ?1 AND expectation = ?2 ORDER BY place",
                [run, index],
            )?;
            let limits = self.all(
                "SELECT signal, comparison, value FROM expectation_limit WHERE run = ?1 AND expectation = ?2 \
                 ORDER BY place",
                [run, index],
                |row| {
                    let comparison: String = self.get(row, 1)?;
                    Ok(LevelLimit {
                        signal: SignalId(self.get(row, 0)?),
                        comparison: words::comparison(&comparison)
                            .ok_or_else(|| self.unknown("comparison", &comparison))?,
                        value: self.get(row, 2)?,
                    })
                },
            )?;
            Ok(ExpectationWindow {
                name: self.get(row, 1)?,
                hazards,
                scope: scope_word(&scope).ok_or_else(|| self.unknown("scope", &scope))?,
                opens: instant(self.get(row, 3)?, self.get(row, 4)?),
                closes: instant(self.get(row, 5)?, self.get(row, 6)?),
                claim: claim_word(&claim).ok_or_else(|| self.unknown("claim", &claim))?,
                limit: self.get::<Option<i64>>(row, 8)?.map(RigSpan::from_micros),
                hold: self.get::<Option<i64>>(row, 9)?.map(RigSpan::from_micros),
                limits,
            })
        })
    }

    fn result(&self, run: &Run) -> Result<ScenarioResult, RecordError> {
        let number = run.number as i64;
        let findings = self.findings(number)?;
        let remarks = self.texts("SELECT text FROM remark WHERE run = ?1 ORDER BY place", [number])?;
        let heat_work = self.all(
            "SELECT zone, peak_millicelsius, millicelsius_per_hour FROM heat_work WHERE run = ?1 ORDER BY place",
            [number],
            |row| {
                let temperature = MilliCelsius::new(self.get(row, 1)?);
                let peak = Peak { temperature, millicelsius_per_hour: self.get(row, 2)? };
                Ok(ZoneHeatWork { zone: self.get(row, 0)?, peak })
            },
        )?;
        let query = "SELECT applicability, applicability_reason, verdict, length_us, trouble, trouble_detail, \
                     lost_edges, lost_console_bytes, late_setpoints, damaged_frames, \
                     relays_on, relays_rested_on FROM run WHERE run = ?1";
        let mut results = self.all(query, [number], |row| {
            let applicability: String = self.get(row, 0)?;
            let reason = self.get::<Option<String>>(row, 1)?.unwrap_or_default();
            let verdict: Option<String> = self.get(row, 2)?;
            let trouble: Option<String> = self.get(row, 4)?;
            Ok(ScenarioResult {
                scenario: run.planned.scenario.clone(),
                hazards: run.planned.hazards.clone(),
                applicability: match applicability.as_str() {
                    "ran" => Applicability::Ran,
                    "not-applicable" => Applicability::NotApplicable { reason },
                    "uncovered" => Applicability::Uncovered { reason },
                    other => return Err(self.unknown("applicability", other)),
                },
                verdict: match verdict {
                    Some(word) => Some(words::verdict(&word).ok_or_else(|| self.unknown("verdict", &word))?),
                    None => None,
                },
                findings: findings.clone(),
                remarks: remarks.clone(),
                trouble: match trouble {
                    Some(word) => Some(Trouble {
                        kind: words::trouble(&word).ok_or_else(|| self.unknown("breakdown", &word))?,
                        detail: self.get::<Option<String>>(row, 5)?.unwrap_or_default(),
                    }),
                    None => None,
                },
                heat_work: heat_work.clone(),
                relays_seen: RelaysSeen {
                    on: self.places(self.get(row, 10)?)?,
                    rested_on: self.places(self.get(row, 11)?)?,
                },
                counters: RigCounters {
                    lost_edges: self.get(row, 6)?,
                    lost_console_bytes: self.get(row, 7)?,
                    late_setpoints: self.get(row, 8)?,
                    damaged_frames: self.get(row, 9)?,
                },
                seed: run.planned.seed,
                length: RigTime::from_micros(self.get(row, 3)?),
            })
        })?;
        results.pop().ok_or_else(|| self.damaged(format!("run {number} is missing")))
    }

    fn places(&self, list: Option<String>) -> Result<Vec<usize>, RecordError> {
        let list = list.unwrap_or_else(|| "[]".to_owned());
        serde_json::from_str(&list).map_err(|_| self.unknown("list of relays", &list))
    }

    fn findings(&self, run: i64) -> Result<Vec<FindingReport>, RecordError> {
        let query = "SELECT expectation, name, expected, seen_text, verdict, reason, decided_at_us, vacuous, unit, \
                     margin, seen, uncertainty, model_error, coverage_hundredths FROM finding WHERE run = ?1 ORDER BY expectation";
        self.all(query, [run], |row| {
            let index: i64 = self.get(row, 0)?;
            let unit: Option<String> = self.get(row, 8)?;
            let quantity = |column: usize| -> Result<Option<Margin>, RecordError> {
                match (self.get::<Option<i64>>(row, column)?, &unit) {
                    (None, _) => Ok(None),
                    (Some(number), Some(unit)) => {
                        words::quantity(unit, number).map(Some).ok_or_else(|| self.unknown("unit", unit))
                    }
                    (Some(_), None) => Err(self.damaged(format!("a figure of run {run} has no unit"))),
                }
            };
            let (verdict, reason): (String, String) = (self.get(row, 4)?, self.get(row, 5)?);
            Ok(FindingReport {
                name: self.get(row, 1)?,
                hazards: self.texts(
                    "SELECT hazard FROM finding_hazard WHERE run = ?1 AND expectation = ?2 ORDER BY place",
                    [run, index],
                )?,
                expected: self.get(row, 2)?,
                seen: self.get(row, 3)?,
                coverage_hundredths: self.get(row, 13)?,
                finding: Finding {
                    expectation: self.size(index)?,
                    verdict: words::verdict(&verdict).ok_or_else(|| self.unknown("verdict", &verdict))?,
                    reason: words::reason(&reason).ok_or_else(|| self.unknown("reason", &reason))?,
                    margin: quantity(9)?,
                    decided_at: self.get::<Option<i64>>(row, 6)?.map(RigTime::from_micros),
                    seen: quantity(10)?,
                    uncertainty: quantity(11)?,
                    model_error: quantity(12)?,
                    vacuous: self.get(row, 7)?,
                },
            })
        })
    }

    pub(super) fn edges(&self, run: &Run) -> Result<Vec<Edge>, RecordError> {
        let mut edges = Vec::new();
        let number = run.number;
        self.all("SELECT first, count, list FROM edges WHERE run = ?1 ORDER BY first", [number as i64], |row| {
            let (first, count): (i64, i64) = (self.get(row, 0)?, self.get(row, 1)?);
            let list: String = self.get(row, 2)?;
            let list: Vec<(i64, u16, u8)> = serde_json::from_str(&list)
                .map_err(|error| self.damaged(format!("edges of run {number} from number {first} on: {error}")))?;
            if self.size(first)? != edges.len() || self.size(count)? != list.len() {
                return Err(self.damaged(format!("edges of run {number} are missing before number {first} or after")));
            }
            for (at, signal, on) in list {
                if usize::from(signal) >= run.planned.table.len() || on > 1 {
                    return Err(self.damaged(format!("an edge of run {number} is of no signal")));
                }
                edges.push(Edge { at: RigTime::from_micros(at), signal: SignalId(signal), on: on == 1 });
            }
            Ok(())
        })?;
        Ok(edges)
    }

    pub(super) fn stretches(&self, run: &Run, signal: SignalId) -> Result<Vec<Stretch>, RecordError> {
        let query = "SELECT part, from_us, until_us, count, unobserved, least, greatest FROM samples \
                     WHERE run = ?1 AND signal = ?2 ORDER BY part";
        let mut next = 0;
        self.all(query, params![run.number as i64, signal.0], |row| {
            let part: u32 = self.get(row, 0)?;
            if part != next {
                return Err(self
                    .damaged(format!("samples of signal {} in run {}: part {next} is missing", signal.0, run.number)));
            }
            next += 1;
            let (least, greatest): (Option<i64>, Option<i64>) = (self.get(row, 5)?, self.get(row, 6)?);
            Ok(Stretch {
                part,
                from: RigTime::from_micros(self.get(row, 1)?),
                until: RigTime::from_micros(self.get(row, 2)?),
                count: self.get(row, 3)?,
                unobserved: self.get(row, 4)?,
                range: least.zip(greatest),
            })
        })
    }

    pub(super) fn notes(&self, query: &str) -> Result<Vec<Note>, RecordError> {
        self.all(query, [], |row| {
            let run: Option<i64> = self.get(row, 1)?;
            Ok(Note {
                at: self.get(row, 0)?,
                run: run.map(|run| self.size(run)).transpose()?,
                kind: self.get(row, 2)?,
                text: self.get(row, 3)?,
            })
        })
    }

    pub(super) fn events(&self, run: &Run) -> Result<Vec<TimedEvent>, RecordError> {
        let query = "SELECT at_us, kind, text, uncertainty_us, expectation, verdict, reason, detail, edges_before, \
                     levels_until_us FROM event WHERE run = ?1 ORDER BY place";
        self.all(query, [run.number as i64], |row| {
            let at = RigTime::from_micros(self.get(row, 0)?);
            let kind: String = self.get(row, 1)?;
            let text = || Ok::<String, RecordError>(self.get::<Option<String>>(row, 2)?.unwrap_or_default());
            let detail = || -> Result<Value, RecordError> {
                let text: Option<String> = self.get(row, 7)?;
                serde_json::from_str(&text.unwrap_or_default())
                    .map_err(|error| self.damaged(format!("the detail of an event of run {}: {error}", run.number)))
            };
            let event = match kind.as_str() {
                "began" => Event::Began,
                "moment" => Event::Moment {
                    at,
                    name: text()?,
                    uncertainty: RigSpan::from_micros(self.get::<Option<i64>>(row, 3)?.unwrap_or(0)),
                },
                "stimulus" => Event::Stimulus { at, text: text()? },
                "console" => Event::Console { at, line: text()? },
                "prompt" => Event::Prompt { at, text: text()? },
                "counters" => Event::Counters { at, counters: self.counters(&detail()?)? },
                "decided" => Event::Decided { at, finding: self.decided(row, &detail()?)? },
                "trouble" => {
                    let word: String = self.get::<Option<String>>(row, 6)?.unwrap_or_default();
                    let kind = words::trouble(&word).ok_or_else(|| self.unknown("breakdown", &word))?;
                    Event::Trouble { at, trouble: Trouble { kind, detail: text()? } }
                }
                "ended" => Event::Ended { at, cut_short: detail()?["cut_short"].as_bool().unwrap_or(true) },
                other => return Err(self.unknown("kind of event", other)),
            };
            Ok(TimedEvent {
                event,
                edges_before: self.size(self.get(row, 8)?)? as u64,
                levels_until: self.get::<Option<i64>>(row, 9)?.map(RigTime::from_micros),
            })
        })
    }

    fn counters(&self, detail: &Value) -> Result<RigCounters, RecordError> {
        let counter = |name: &str| {
            detail[name]
                .as_u64()
                .and_then(|count| u32::try_from(count).ok())
                .ok_or_else(|| self.damaged(format!("the counter {name} is missing")))
        };
        Ok(RigCounters {
            lost_edges: counter("lost_edges")?,
            lost_console_bytes: counter("lost_console_bytes")?,
            late_setpoints: counter("late_setpoints")?,
            damaged_frames: counter("damaged_frames")?,
        })
    }

    fn decided(&self, row: &Row<'_>, detail: &Value) -> Result<Finding, RecordError> {
        let word =
            |column: usize| Ok::<String, RecordError>(self.get::<Option<String>>(row, column)?.unwrap_or_default());
        let (verdict, reason) = (word(5)?, word(6)?);
        let quantity = |name: &str| -> Result<Option<Margin>, RecordError> {
            let Some(number) = detail[name].as_i64() else { return Ok(None) };
            let unit = detail["unit"].as_str().unwrap_or_default();
            words::quantity(unit, number).map(Some).ok_or_else(|| self.unknown("unit", unit))
        };
        Ok(Finding {
            expectation: self.size(self.get::<Option<i64>>(row, 4)?.unwrap_or(-1))?,
            verdict: words::verdict(&verdict).ok_or_else(|| self.unknown("verdict", &verdict))?,
            reason: words::reason(&reason).ok_or_else(|| self.unknown("reason", &reason))?,
            margin: quantity("margin")?,
            decided_at: detail["decided_at_us"].as_i64().map(RigTime::from_micros),
            seen: quantity("seen")?,
            uncertainty: quantity("uncertainty")?,
            model_error: quantity("model_error")?,
            vacuous: detail["vacuous"].as_bool().unwrap_or(false),
        })
    }
}

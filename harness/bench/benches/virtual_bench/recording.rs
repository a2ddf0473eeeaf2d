//! What each part of a run was given, to give it to that part alone.

use std::sync::atomic::AtomicBool;

use dryfire_bench::{Bench, BenchIdentity, RunOptions, RunSetup, VirtualBench, run_plan};
use dryfire_engine::{Command, Event, Observation, Plan, Trouble};
use dryfire_judge::naive::Trace;
use dryfire_judge::{Finding, MomentId, SignalId, Verdict};
use dryfire_units::{RigSpan, RigTime};

use crate::GRID;
use crate::firing::Firing;

/// A call of the board.
pub(crate) enum BoardCall {
    /// A command takes effect.
    Command(Command),
    /// Time passes.
    RunUntil(RigTime),
}

/// An input of the judge.
pub(crate) enum Given {
    Observed(RigTime, SignalId, i64),
    Moment(RigTime, MomentId, RigSpan),
    Advance(RigTime),
}

/// Everything that was given to the parts of one run.
pub(crate) struct Recording {
    pub(crate) length: RigTime,
    /// Relays as sensed, by index.
    pub(crate) relays: Vec<(RigTime, usize, bool)>,
    /// What each probe shows at each second, thousandths of a degree, zone by zone.
    pub(crate) shown: Vec<Vec<i64>>,
    pub(crate) board: Vec<BoardCall>,
    /// Edges that the board gave.
    pub(crate) edges: usize,
    pub(crate) judge: Vec<Given>,
    pub(crate) trace: Trace,
    pub(crate) findings: Vec<Finding>,
}

impl Recording {
    /// Runs the firing once. All its expectations have to hold: a run that
    /// breaks down early would be fast for the wrong reason.
    pub(crate) fn of(firing: &Firing) -> Self {
        let plan = &firing.plan;
        let mut bench = RecordingBench { inner: firing.bench(), calls: Vec::new(), edges: 0 };
        let mut events = Vec::new();
        let options = RunOptions { sample_events: true, ..Firing::options(true) };
        let stop = AtomicBool::new(false);
        let result = run_plan(plan.clone(), &mut bench, options, &stop, &mut |event| events.push(event), &mut |_| {})
            .expect("the firing can be played");
        assert_eq!(result.verdict, Some(Verdict::Pass), "{result:#?}");
        let mut recording = Recording {
            length: result.length,
            relays: Vec::new(),
            shown: vec![Vec::new(); plan.bench.zones.len()],
            edges: bench.edges,
            judge: Vec::new(),
            trace: Trace::default(),
            findings: result.findings.into_iter().map(|report| report.finding).collect(),
            board: bench.calls,
        };
        recording.sort_out(plan, &events);
        recording
    }

    /// What each probe shows at the end, zone by zone.
    pub(crate) fn last_shown(&self) -> Vec<i64> {
        self.shown.iter().filter_map(|zone| zone.last().copied()).collect()
    }

    /// The trace, but nothing is shown by any probe for so long from the beginning on:
    /// told second by second, as the engine does while a probe is open.
    pub(crate) fn with_probes_open(&self, plan: &Plan, length: RigSpan) -> Trace {
        let mut trace = self.trace.clone();
        let mut at = RigTime::ZERO;
        while at < RigTime::ZERO + length {
            for signal in plan.signals.probe_by_zone.iter().chain([&plan.signals.probe]) {
                trace.gap(*signal, at, at + GRID);
            }
            at += GRID;
        }
        trace
    }

    fn sort_out(&mut self, plan: &Plan, events: &[Event]) {
        let horizons = self.board.iter().filter_map(|call| match call {
            BoardCall::RunUntil(until) => Some(*until),
            BoardCall::Command(_) => None,
        });
        let mut horizons = horizons.peekable();
        let judge = &mut self.judge;
        for event in events {
            let (at, signal, value) = match event {
                Event::Switched { at, signal, on } => (*at, *signal, i64::from(*on)),
                Event::Sampled { at, signal, value } => (*at, *signal, *value),
                Event::Moment { at, name, .. } => {
                    let index = plan.moments.iter().position(|moment| moment == name).expect("a moment of the plan");
                    let (moment, uncertainty) =
                        (MomentId(index as u16), plan.table.get(plan.signals.heat).time_uncertainty);
                    judge.push(Given::Moment(*at, moment, uncertainty));
                    self.trace.moment(moment, *at, uncertainty);
                    continue;
                }
                _ => continue,
            };
            while let Some(horizon) = horizons.next_if(|horizon| *horizon < at) {
                judge.push(Given::Advance(horizon - RigSpan::from_micros(1)));
            }
            judge.push(Given::Observed(at, signal, value));
            self.trace.sample(at, signal, value);
            if let Some(relay) = plan.signals.relays.iter().position(|other| *other == signal) {
                self.relays.push((at, relay, value != 0));
            }
            if let Some(zone) = plan.signals.probe_by_zone.iter().position(|other| *other == signal) {
                self.shown[zone].push(value);
            }
        }
    }
}

/// The virtual bench, with an ear at it.
struct RecordingBench {
    inner: VirtualBench,
    calls: Vec<BoardCall>,
    edges: usize,
}

impl Bench for RecordingBench {
    fn begin(&mut self, setup: &RunSetup) -> Result<BenchIdentity, Trouble> {
        self.inner.begin(setup)
    }

    fn command(&mut self, command: Command) -> Result<(), Trouble> {
        self.calls.push(BoardCall::Command(command.clone()));
        self.inner.command(command)
    }

    fn advance(&mut self, until: RigTime, observations: &mut Vec<Observation>) -> Result<(), Trouble> {
        self.calls.push(BoardCall::RunUntil(until));
        self.inner.advance(until, observations)?;
        self.edges += observations.iter().filter(|seen| matches!(seen, Observation::Edge { .. })).count();
        Ok(())
    }

    fn end(&mut self) {
        self.inner.end();
    }
}

//! Attempts at a pass that is not deserved, each by one idea. None succeeds,
//! with either judge; beside most stands the honest run, which does pass.

mod heat;
mod order;
mod room;
mod time;
mod trigger;
mod watching;

use dryfire_judge::naive::{self, Trace};
use dryfire_judge::{
    Claim, Condition, Expectation, Finding, Instant, Judge, MomentId, Reason, Scope, SignalId, SignalKind, SignalSpec,
    SignalTable, Verdict,
};
use dryfire_units::{RigSpan, RigTime};

/// Whether any element carries current.
const HEAT: SignalId = SignalId(0);
/// The kiln's temperature.
const KILN: SignalId = SignalId(1);
/// The moment at which something is broken.
const BREAK: MomentId = MomentId(0);
/// Another moment.
const MEND: MomentId = MomentId(1);

/// A run as both judges are told it; edges are known to ±5 ms, temperatures to ±2 °C.
struct Attempt {
    expectation: Expectation,
    judge: Judge,
    trace: Trace,
    table: SignalTable,
}

fn milliseconds(milliseconds: i64) -> RigTime {
    RigTime::ZERO + RigSpan::from_millis(milliseconds)
}

fn instant(moment: MomentId) -> Instant {
    Instant { moment, offset: RigSpan::ZERO }
}

fn after(moment: MomentId) -> Scope {
    Scope::After(instant(moment))
}

fn heat_is(on: bool) -> Condition {
    Condition::Is { signal: HEAT, on }
}

/// Heat is cut within 10 s; an off-phase is at most 59.999 s long.
fn cut() -> Claim {
    Claim::HeatCut { heat: HEAT, limit: RigSpan::from_seconds(10), hold: RigSpan::from_seconds(60) }
}

impl Attempt {
    fn at(scope: Scope, claim: Claim) -> Self {
        let mut table = SignalTable::default();
        table.add(SignalSpec {
            name: "heat".to_owned(),
            kind: SignalKind::Switch,
            value_uncertainty: 0,
            model_error: 0,
            time_uncertainty: RigSpan::from_millis(5),
            release: RigSpan::from_millis(20),
        });
        table.add(SignalSpec {
            name: "kiln".to_owned(),
            kind: SignalKind::Temperature,
            value_uncertainty: 2_000,
            model_error: 0,
            time_uncertainty: RigSpan::ZERO,
            release: RigSpan::ZERO,
        });
        let expectation = Expectation { name: "attempt".to_owned(), scope, claim };
        let moments = vec!["break".to_owned(), "mend".to_owned()];
        let judge = Judge::new(table.clone(), moments, vec![expectation.clone()]).expect("a sound expectation");
        Attempt { expectation, judge, trace: Trace::default(), table }
    }

    fn heat(self, at_milliseconds: i64, on: bool) -> Self {
        self.sample(at_milliseconds, HEAT, i64::from(on))
    }

    fn sample(mut self, at_milliseconds: i64, signal: SignalId, value: i64) -> Self {
        self.judge.observe(milliseconds(at_milliseconds), signal, value);
        self.trace.sample(milliseconds(at_milliseconds), signal, value);
        self
    }

    fn moment(mut self, at_milliseconds: i64, moment: MomentId) -> Self {
        self.judge.moment(moment, milliseconds(at_milliseconds), RigSpan::ZERO);
        self.trace.moment(moment, milliseconds(at_milliseconds), RigSpan::ZERO);
        self
    }

    fn gap(mut self, signal: SignalId, from_milliseconds: i64, until_milliseconds: i64) -> Self {
        self.judge.gap(signal, milliseconds(from_milliseconds), milliseconds(until_milliseconds));
        self.trace.gap(signal, milliseconds(from_milliseconds), milliseconds(until_milliseconds));
        self
    }

    /// Both judges' finding for a run that ends as planned.
    #[track_caller]
    fn end(mut self, at_milliseconds: i64) -> Finding {
        let end = milliseconds(at_milliseconds);
        let first = self.judge.finish(end);
        let second = naive::judge(&self.table, std::slice::from_ref(&self.expectation), &self.trace, end);
        assert_eq!(first, second, "the judges disagree");
        first.into_iter().next().expect("one expectation, one finding")
    }

    /// Both judges' finding for a run that was cut short.
    #[track_caller]
    fn cut_short(mut self, at_milliseconds: i64) -> Finding {
        let end = milliseconds(at_milliseconds);
        let first = self.judge.finish_cut_short(end);
        self.trace.cut_short();
        let second = naive::judge(&self.table, std::slice::from_ref(&self.expectation), &self.trace, end);
        assert_eq!(first, second, "the judges disagree");
        first.into_iter().next().expect("one expectation, one finding")
    }
}

#[track_caller]
fn assert_undecided(finding: &Finding, reason: Reason) {
    assert_eq!((finding.verdict, finding.reason), (Verdict::Inconclusive, reason), "{finding:?}");
}

#[track_caller]
fn assert_failed(finding: &Finding, reason: Reason) {
    assert_eq!((finding.verdict, finding.reason), (Verdict::Fail, reason), "{finding:?}");
}

#[track_caller]
fn assert_passed(finding: &Finding) {
    assert_eq!((finding.verdict, finding.reason), (Verdict::Pass, Reason::Held), "{finding:?}");
}

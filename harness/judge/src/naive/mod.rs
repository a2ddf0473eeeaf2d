//! The second judge: evaluates expectations over a whole recorded trace, by the
//! definitions of `docs/judging.md` and with no thought of speed.
//!
//! It shares the types of the first judge and nothing of its evaluation. After
//! a run both are asked; if they disagree, one of them is wrong and no verdict
//! can be relied on.

mod answer;
mod claims;
mod course;
mod scope;

use dryfire_units::{RigSpan, RigTime};

use crate::{Expectation, Finding, MomentId, SignalId, SignalTable};

/// Everything that was given to the judge of one run.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Trace {
    pub(crate) samples: Vec<(RigTime, SignalId, i64)>,
    pub(crate) gaps: Vec<(SignalId, RigTime, RigTime)>,
    pub(crate) moments: Vec<(RigTime, MomentId, RigSpan)>,
    pub(crate) cut_short: bool,
}

impl Trace {
    /// A signal was sampled or has changed: from `at` on it has this value.
    pub fn sample(&mut self, at: RigTime, signal: SignalId, value: i64) {
        self.samples.push((at, signal, value));
    }

    /// A signal was not observed from an instant on, until the first sample
    /// that is not earlier than `until`.
    pub fn gap(&mut self, signal: SignalId, from: RigTime, until: RigTime) {
        self.gaps.push((signal, from, until));
    }

    /// A moment came; how far its instant may be from the truth.
    pub fn moment(&mut self, moment: MomentId, at: RigTime, uncertainty: RigSpan) {
        self.moments.push((at, moment, uncertainty));
    }

    /// The run ended before it was to.
    pub fn cut_short(&mut self) {
        self.cut_short = true;
    }
}

/// Judges every expectation over a trace that was observed up to and including `end`.
///
/// The expectations must have been accepted by [`crate::Judge::new`].
///
/// # Panics
/// If an expectation refers to a signal that is not in the table.
pub fn judge(table: &SignalTable, expectations: &[Expectation], trace: &Trace, end: RigTime) -> Vec<Finding> {
    let samples = course::samples(trace, table.len());
    let signals: Vec<course::Values> =
        table.iter().zip(&samples).map(|((id, spec), samples)| course::values(trace, samples, id, spec.kind)).collect();
    expectations
        .iter()
        .enumerate()
        .map(|(index, expectation)| {
            claims::find(table, &signals, expectation, trace, end.as_micros()).into_finding(index)
        })
        .collect()
}

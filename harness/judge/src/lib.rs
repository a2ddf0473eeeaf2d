//! Expectations compiled to monitors: verdict, margin, and the instant that decided.
//!
//! One mechanism throughout: every atom of an expectation yields an interval
//! of robustness `[lo, hi]`, widened by the uncertainty of what was measured
//! and infinite where nothing was observed. `lo > 0` is a pass, `hi < 0` a
//! fail, everything else inconclusive; so guard bands, gaps, open obligations
//! and the end of the run need no rules of their own.
//!
//! The crate does no IO and reads no clock: samples, moments and the watermark
//! go in, findings come out.

mod compile;
mod course;
mod expectation;
mod judge;
mod monitor;
pub mod naive;
mod outcome;
mod signal;
mod verdict;

pub use compile::{CompileError, Problem};
pub use expectation::{Claim, Comparison, Condition, Expectation, Instant, Scope};
pub use judge::{Judge, MOST_WAITING};
pub use monitor::{MOST_AWAITED, MOST_FOLLOWED};
pub use signal::{MomentId, SignalId, SignalKind, SignalSpec, SignalTable};
pub use verdict::{Finding, Margin, Reason, Verdict};

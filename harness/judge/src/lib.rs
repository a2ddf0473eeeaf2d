//! Expectations compiled to monitors: verdict, margin, and the instant that decided.
//!
//! One mechanism throughout: every atom of an expectation yields an interval
//! of robustness `[lo, hi]`, widened by the uncertainty of what was measured
//! and infinite where nothing was observed. `lo > 0` is a pass, `hi < 0` a
//! fail, everything else inconclusive; so guard bands, gaps, open obligations
//! and the end of the run need no rules of their own.
//!
//! The crate does no IO and reads no clock: samples, moments and the watermark
//! go in, findings come out. `docs/judging.md` defines every verdict; [`Judge`]
//! works while a run goes on, [`naive`] over the whole of it afterwards.
//!
//! ```
//! use dryfire_judge::{Claim, Expectation, Instant, Judge, MomentId, Scope, SignalKind, SignalSpec, SignalTable, Verdict};
//! use dryfire_units::{RigSpan, RigTime};
//!
//! let seconds = |seconds| RigTime::ZERO + RigSpan::from_seconds(seconds);
//! let mut table = SignalTable::default();
//! let heat = table.add(SignalSpec {
//!     name: "heat".to_owned(),
//!     kind: SignalKind::Switch,
//!     value_uncertainty: 0,
//!     model_error: 0,
//!     time_uncertainty: RigSpan::from_millis(5),
//!     release: RigSpan::from_millis(20),
//! });
//! let burn_out = MomentId(0);
//! let expectation = Expectation {
//!     name: "heat is cut".to_owned(),
//!     scope: Scope::After(Instant { moment: burn_out, offset: RigSpan::ZERO }),
//!     claim: Claim::HeatCut { heat, limit: RigSpan::from_seconds(10), hold: RigSpan::from_seconds(60) },
//! };
//! let mut judge = Judge::new(table, vec!["burn-out".to_owned()], vec![expectation])?;
//!
//! judge.observe(seconds(0), heat, 1);
//! judge.moment(burn_out, seconds(5), RigSpan::ZERO);
//! judge.observe(seconds(8), heat, 0);
//! judge.advance(seconds(60)); // everything up to here has been given
//! assert_eq!(judge.poll_decided(), None); // it may still come on again
//! let findings = judge.finish(seconds(90));
//! assert_eq!(findings[0].verdict, Verdict::Pass);
//! # Ok::<(), dryfire_judge::CompileError>(())
//! ```

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
pub use expectation::{Claim, Comparison, Condition, Expectation, Instant, Part, Scope};
pub use judge::{Judge, MOST_WAITING};
pub use monitor::{MOST_AWAITED, MOST_COUNTED, MOST_FOLLOWED};
pub use signal::{MomentId, SignalId, SignalKind, SignalSpec, SignalTable};
pub use verdict::{Finding, Margin, Reason, Verdict};

//! Whether a rig's own parts do what they should, seen over wires from its outputs to its inputs.
//!
//! No controller is connected. Each contact is closed and opened and has to be seen at its own
//! input and at no other; each probe channel puts its lead on the supply and opens its series
//! switch again; then the host falls silent, and last the board is made to hang.

use dryfire_engine::Trouble;
use dryfire_link::{ProbeDrive, RigMessage, StartReason};
use dryfire_units::{RigSpan, RigTime};

use crate::rig::RigService;

/// What a check came to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CheckVerdict {
    /// As it should be.
    Held,
    /// Not as it should be.
    Failed,
    /// Nothing is wired to it, or the rig has none.
    NotTested,
}

/// One check of a self-test.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Check {
    /// What was looked at.
    pub what: String,
    /// What it came to.
    pub verdict: CheckVerdict,
    /// What was seen.
    pub detail: String,
}

/// Which wires there are: output or channel, and the input it leads to.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct LoopBack {
    /// From contacts.
    pub contacts: Vec<(u8, u8)>,
    /// From probe channels: one terminal to the input, the other one left free.
    pub channels: Vec<(u8, u8)>,
    /// The supply switch feeds the rail sense.
    pub rail: bool,
}

/// Longest time from a switch to the edge at its input: a switch needs 2 ms, an optocoupler 0.1 ms (the
/// limits that `docs/rig.md` sets for them), and as much again.
const LATEST: RigSpan = RigSpan::from_micros(4_200);
/// After so long everything rests.
const SETTLED: RigSpan = RigSpan::from_millis(60);
/// Longest time until a rail follows its switch.
const RAIL: RigSpan = RigSpan::from_millis(1_000);
/// Silence that is agreed, milliseconds, and kept, microseconds.
const AGREED_MS: u16 = 300;
const SILENT: u64 = 900_000;

/// One edge, as told.
type Edge = (RigTime, u8, bool);

fn edges(told: &[RigMessage]) -> Vec<Edge> {
    let several = |message: &RigMessage| match message {
        RigMessage::Edges(edges) => edges.iter().map(|edge| (edge.at, edge.input, edge.high)).collect(),
        _ => Vec::new(),
    };
    told.iter().flat_map(several).collect()
}

fn check(what: impl Into<String>, verdict: CheckVerdict, detail: impl Into<String>) -> Check {
    Check { what: what.into(), verdict, detail: detail.into() }
}

fn millis(span: RigSpan) -> String {
    format!("{:.3} ms", span.as_micros() as f64 / 1_000.0)
}

/// Makes every check that the wires allow, and tells each as it is made.
///
/// # Errors
/// The rig is gone, or refused a command.
pub fn self_test(rig: &mut RigService, wires: &LoopBack, tell: &mut dyn FnMut(Check)) -> Result<(), Trouble> {
    let there = rig.welcome().capabilities;
    rig.begin(1_000)?;
    rig.pass(SETTLED)?;
    for output in 0..there.contacts {
        let input = wires.contacts.iter().find(|(one, _)| *one == output).map(|(_, input)| *input);
        let what = match input {
            Some(input) => format!("contact {output} to input {input}"),
            None => format!("contact {output}"),
        };
        tell(worked(rig, what, input, |rig, closed| rig.contact(output, closed))?);
    }
    for channel in 0..there.probe_channels {
        let input = wires.channels.iter().find(|(one, _)| *one == channel).map(|(_, input)| *input);
        let what = match input {
            Some(input) => format!("probe channel {channel}, series and supply switch, to input {input}"),
            None => format!("probe channel {channel}, series and supply switch"),
        };
        let found = worked(rig, what, input, |rig, closed| {
            rig.probe(channel, if closed { ProbeDrive::ShortToSupply } else { ProbeDrive::Open })
        })?;
        tell(found);
        let what = format!("probe channel {channel}, volts and its other switches");
        tell(check(what, CheckVerdict::NotTested, "a wire cannot tell; `dryfire rig calibrate` and a meter do"));
    }
    tell(supply(rig, wires, there.supply_switch && there.supply_rail)?);
    rig.end()?;
    tell(silence(rig, wires)?);
    rig.end()?;
    let what = "watchdog";
    tell(match rig.hang() {
        Ok(Some(StartReason::Watchdog)) => {
            check(what, CheckVerdict::Held, "the board hung, was reset, and says that it was its watchdog")
        }
        Ok(why) => check(what, CheckVerdict::Failed, format!("the board started again and says why: {why:?}")),
        Err(error) => check(what, CheckVerdict::Failed, error.detail),
    });
    let safe = rig.start_reason().is_some();
    if safe {
        rig.begin(1_000)?;
        let high = edges(&rig.pass(SETTLED)?).into_iter().find(|(.., high)| *high);
        rig.end()?;
        tell(match high {
            None => check("safe state after a reset", CheckVerdict::Held, "no input is driven"),
            Some((_, input, _)) => {
                check("safe state after a reset", CheckVerdict::Failed, format!("input {input} is driven"))
            }
        });
    }
    Ok(())
}

/// Closes and opens something, and compares what was seen with what should be.
fn worked(
    rig: &mut RigService,
    what: String,
    input: Option<u8>,
    mut work: impl FnMut(&mut RigService, bool) -> Result<RigTime, Trouble>,
) -> Result<Check, Trouble> {
    let mut delays = Vec::new();
    let mut wrong = None;
    for closed in [true, false] {
        rig.pass(SETTLED)?;
        let at = work(rig, closed)?;
        let seen = edges(&rig.pass(SETTLED)?);
        let word = if closed { "closed" } else { "opened" };
        if let Some((_, other, _)) = seen.iter().find(|(_, other, _)| Some(*other) != input) {
            wrong = wrong.or(Some(format!("{word}: input {other} changed, to which it does not lead")));
        }
        let Some(input) = input else { continue };
        let of_it: Vec<&Edge> = seen.iter().filter(|(_, other, _)| *other == input).collect();
        match (of_it.first(), of_it.last()) {
            (Some((first, ..)), Some((_, _, high))) if *high == closed => {
                let delay = *first - at;
                if delay > LATEST || delay < RigSpan::ZERO {
                    wrong = wrong.or(Some(format!("{word}: seen after {}, limit {}", millis(delay), millis(LATEST))));
                }
                delays.push(millis(delay));
            }
            (Some(_), _) => wrong = wrong.or(Some(format!("{word}: input {input} does not stay so"))),
            (None, _) => wrong = wrong.or(Some(format!("{word}: input {input} did not change"))),
        }
    }
    Ok(match (wrong, delays.as_slice()) {
        (Some(wrong), _) => check(what, CheckVerdict::Failed, wrong),
        (None, [on, off]) => check(what, CheckVerdict::Held, format!("seen after {on} and {off}")),
        (None, _) => check(what, CheckVerdict::NotTested, "no wire was named for it; no input changed"),
    })
}

fn supply(rig: &mut RigService, wires: &LoopBack, there: bool) -> Result<Check, Trouble> {
    let what = "supply switch and rail sense";
    if !wires.rail || !there {
        return Ok(check(what, CheckVerdict::NotTested, "not wired to each other"));
    }
    let mut delays = Vec::new();
    for on in [false, true] {
        let at = rig.supply(on)?;
        let told = rig.pass(RAIL)?;
        let seen = told.iter().rev().find_map(|message| match message {
            RigMessage::SupplyRail { at, on } => Some((*at, *on)),
            _ => None,
        });
        match seen {
            Some((seen_at, seen)) if seen == on && seen_at >= at => delays.push(millis(seen_at - at)),
            _ => {
                let word = if on { "rise" } else { "fall" };
                return Ok(check(what, CheckVerdict::Failed, format!("the rail did not {word} with the switch")));
            }
        }
    }
    Ok(check(what, CheckVerdict::Held, format!("off after {}, on after {}", delays[0], delays[1])))
}

/// Falls silent with a contact closed, and looks whether that is open afterwards.
fn silence(rig: &mut RigService, wires: &LoopBack) -> Result<Check, Trouble> {
    let what = "safe state when the host is silent";
    let Some((output, input)) = wires.contacts.first().copied() else {
        return Ok(check(what, CheckVerdict::NotTested, "no contact is wired to an input"));
    };
    rig.begin(AGREED_MS)?;
    rig.pass(SETTLED)?;
    let closed_at = rig.contact(output, true)?;
    let before = edges(&rig.pass(SETTLED)?);
    if !before.iter().any(|(_, other, high)| *other == input && *high) {
        return Ok(check(what, CheckVerdict::NotTested, format!("contact {output} is not seen at input {input}")));
    }
    let (safe, told) = rig.fall_silent(SILENT)?;
    let opened = edges(&told).into_iter().rfind(|(_, other, _)| *other == input);
    Ok(match (safe, opened) {
        (false, _) => {
            check(what, CheckVerdict::Failed, format!("the rig went on for {} ms of silence", SILENT / 1_000))
        }
        (true, Some((at, _, false))) => {
            let stepped = rig.welcome().capabilities.stepped;
            let when = if stepped { String::new() } else { format!(" {} after it had closed", millis(at - closed_at)) };
            check(what, CheckVerdict::Held, format!("{AGREED_MS} ms agreed; contact {output} opened{when}"))
        }
        (true, _) => check(what, CheckVerdict::Failed, format!("contact {output} stayed closed")),
    })
}

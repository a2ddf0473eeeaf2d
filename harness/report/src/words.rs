//! Reasons and breakdowns in a potter's words.

use dryfire_engine::{Trouble, TroubleKind};
use dryfire_judge::Reason;

/// Why a finding is what it is, as a clause that can follow `because` or stand alone.
pub fn reason_sentence(reason: Reason) -> &'static str {
    match reason {
        Reason::Held => "it held",
        Reason::HeatNotCut => "the heat was never cut",
        Reason::HeatCutLate => "the heat was cut, but too late",
        Reason::ReachedLate => "it came, but too late",
        Reason::NotReached => "it never came",
        Reason::Violated => "it was not so all the time",
        Reason::LimitExceeded => "a limit was exceeded",
        Reason::TriggerNotObserved => "the moment it starts from never came",
        Reason::StillOpen => "the run ended before it was decided",
        Reason::NotObserved => "part of what matters here was not observed",
        Reason::InsideGuardBand => "too close to the limit for what the bench can measure",
        Reason::Vacuous => "it would have come out the same whatever the controller did",
        Reason::TooShort => "it did not last long enough",
        Reason::TooLong => "it lasted too long",
        Reason::TooFew => "it did not happen often enough",
        Reason::TooMany => "it happened too often",
        Reason::OutOfOrder => "it came before what has to come first",
        Reason::Overflow => "more was going on at once than can be kept track of",
    }
}

/// What broke down.
pub fn trouble_sentence(trouble: &Trouble) -> &'static str {
    match trouble.kind {
        TroubleKind::RigRestarted => "the rig restarted during the run",
        TroubleKind::RigWentSafe => "the rig had not heard from this computer for too long and let go of everything",
        TroubleKind::LinkLost => "the link to the rig was lost",
        TroubleKind::LinkRefused => "the rig refused a command",
        TroubleKind::ProgramEnded => "the controller's program ended during the run",
        TroubleKind::ProgramLate => "the controller's program did not answer in time",
        TroubleKind::ProgramNonsense => "the controller's program gave an answer that is none",
        TroubleKind::ProgramFlood => "the controller's program wrote far too much",
        TroubleKind::OutOfOrder => "the bench told of something that it had already called over",
        TroubleKind::StandsStill => "the bench let no time pass when it was asked to",
        TroubleKind::LimiterOpen => "the limiter's contact is open, so the firing was not begun",
        TroubleKind::PlanUnplayable => "this run cannot be played on this bench",
    }
}

//! Words of the record for what are enums in the code, both ways.

use dryfire_engine::{TroubleKind, UncertaintySource};
use dryfire_judge::{Comparison, Margin, Reason, SignalKind, Verdict};
use dryfire_units::RigSpan;

pub(crate) const EDGE_TIME: &str = "edge-time";
pub(crate) const SHOWN_TEMPERATURE: &str = "shown-temperature";

const SOURCES: [UncertaintySource; 9] = [
    UncertaintySource::Whole,
    UncertaintySource::ClockResolution,
    UncertaintySource::SamplingInterval,
    UncertaintySource::ClockDrift(RigSpan::ZERO),
    UncertaintySource::SensingDelay,
    UncertaintySource::Resolution,
    UncertaintySource::Calibration,
    UncertaintySource::ColdJunction,
    UncertaintySource::Dither,
];

/// What an uncertainty comes from; drift has the time over which it is counted.
pub(crate) fn source(word: &str, over: RigSpan) -> Option<UncertaintySource> {
    SOURCES.into_iter().find(|source| source.word() == word).map(|source| match source {
        UncertaintySource::ClockDrift(_) => UncertaintySource::ClockDrift(over),
        other => other,
    })
}

pub(crate) const VERDICTS: [Verdict; 4] = [Verdict::Pass, Verdict::Inconclusive, Verdict::Fail, Verdict::Error];

pub(crate) const REASONS: [Reason; 18] = [
    Reason::Held,
    Reason::HeatNotCut,
    Reason::HeatCutLate,
    Reason::ReachedLate,
    Reason::NotReached,
    Reason::Violated,
    Reason::LimitExceeded,
    Reason::TriggerNotObserved,
    Reason::StillOpen,
    Reason::NotObserved,
    Reason::InsideGuardBand,
    Reason::Vacuous,
    Reason::TooShort,
    Reason::TooLong,
    Reason::TooFew,
    Reason::TooMany,
    Reason::OutOfOrder,
    Reason::Overflow,
];

pub(crate) const TROUBLES: [TroubleKind; 12] = [
    TroubleKind::RigRestarted,
    TroubleKind::RigWentSafe,
    TroubleKind::LinkLost,
    TroubleKind::LinkRefused,
    TroubleKind::ProgramEnded,
    TroubleKind::ProgramLate,
    TroubleKind::ProgramNonsense,
    TroubleKind::ProgramFlood,
    TroubleKind::OutOfOrder,
    TroubleKind::PlanUnplayable,
    TroubleKind::StandsStill,
    TroubleKind::LimiterOpen,
];

const KINDS: [SignalKind; 6] = [
    SignalKind::Switch,
    SignalKind::Temperature,
    SignalKind::Difference,
    SignalKind::Rate,
    SignalKind::Duty,
    SignalKind::Count,
];

const COMPARISONS: [Comparison; 4] = [Comparison::Below, Comparison::AtMost, Comparison::Above, Comparison::AtLeast];

pub(crate) fn verdict(word: &str) -> Option<Verdict> {
    VERDICTS.into_iter().find(|verdict| verdict.word() == word)
}

pub(crate) fn reason(word: &str) -> Option<Reason> {
    REASONS.into_iter().find(|reason| reason.word() == word)
}

pub(crate) fn trouble(word: &str) -> Option<TroubleKind> {
    TROUBLES.into_iter().find(|kind| kind.word() == word)
}

pub(crate) fn kind_word(kind: SignalKind) -> &'static str {
    match kind {
        SignalKind::Switch => "switch",
        SignalKind::Temperature => "temperature",
        SignalKind::Difference => "difference",
        SignalKind::Rate => "rate",
        SignalKind::Duty => "duty",
        SignalKind::Count => "count",
    }
}

pub(crate) fn kind(word: &str) -> Option<SignalKind> {
    KINDS.into_iter().find(|kind| kind_word(*kind) == word)
}

pub(crate) fn comparison_word(comparison: Comparison) -> &'static str {
    match comparison {
        Comparison::Below => "<",
        Comparison::AtMost => "<=",
        Comparison::Above => ">",
        Comparison::AtLeast => ">=",
    }
}

pub(crate) fn comparison(word: &str) -> Option<Comparison> {
    COMPARISONS.into_iter().find(|comparison| comparison_word(*comparison) == word)
}

/// The unit of a quantity, as in the JSON lines.
pub(crate) fn unit_word(quantity: Margin) -> &'static str {
    match quantity {
        Margin::Time(_) => "us",
        Margin::Temperature(_) => "millicelsius",
        Margin::Rate(_) => "millicelsius_per_hour",
        Margin::Duty(_) => "millipercent",
        Margin::Count(_) => "times",
    }
}

pub(crate) fn quantity(unit: &str, number: i64) -> Option<Margin> {
    let quantities = [
        Margin::Time(RigSpan::from_micros(number)),
        Margin::Temperature(number),
        Margin::Rate(number),
        Margin::Duty(number),
        Margin::Count(number),
    ];
    quantities.into_iter().find(|quantity| unit_word(*quantity) == unit)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Fails to compile when a word is added, and fails when it is not in its list.
    #[test]
    fn every_word_leads_back() {
        for one in REASONS {
            assert_eq!(reason(one.word()), Some(one));
            let place = match one {
                Reason::Held => 0,
                Reason::HeatNotCut => 1,
                Reason::HeatCutLate => 2,
                Reason::ReachedLate => 3,
                Reason::NotReached => 4,
                Reason::Violated => 5,
                Reason::LimitExceeded => 6,
                Reason::TriggerNotObserved => 7,
                Reason::StillOpen => 8,
                Reason::NotObserved => 9,
                Reason::InsideGuardBand => 10,
                Reason::Vacuous => 11,
                Reason::TooShort => 12,
                Reason::TooLong => 13,
                Reason::TooFew => 14,
                Reason::TooMany => 15,
                Reason::OutOfOrder => 16,
                Reason::Overflow => 17,
            };
            assert_eq!(REASONS[place], one);
        }
        for one in TROUBLES {
            assert_eq!(trouble(one.word()), Some(one));
            let place = match one {
                TroubleKind::RigRestarted => 0,
                TroubleKind::RigWentSafe => 1,
                TroubleKind::LinkLost => 2,
                TroubleKind::LinkRefused => 3,
                TroubleKind::ProgramEnded => 4,
                TroubleKind::ProgramLate => 5,
                TroubleKind::ProgramNonsense => 6,
                TroubleKind::ProgramFlood => 7,
                TroubleKind::OutOfOrder => 8,
                TroubleKind::PlanUnplayable => 9,
                TroubleKind::StandsStill => 10,
                TroubleKind::LimiterOpen => 11,
            };
            assert_eq!(TROUBLES[place], one);
        }
        for one in SOURCES {
            assert_eq!(source(one.word(), RigSpan::ZERO), Some(one));
            let place = match one {
                UncertaintySource::Whole => 0,
                UncertaintySource::ClockResolution => 1,
                UncertaintySource::SamplingInterval => 2,
                UncertaintySource::ClockDrift(_) => 3,
                UncertaintySource::SensingDelay => 4,
                UncertaintySource::Resolution => 5,
                UncertaintySource::Calibration => 6,
                UncertaintySource::ColdJunction => 7,
                UncertaintySource::Dither => 8,
            };
            assert_eq!(SOURCES[place], one);
        }
        assert!(VERDICTS.into_iter().all(|one| verdict(one.word()) == Some(one)));
        assert!(KINDS.into_iter().all(|one| kind(kind_word(one)) == Some(one)));
        assert!(COMPARISONS.into_iter().all(|one| comparison(comparison_word(one)) == Some(one)));
        assert_eq!(verdict("passed"), None);
        assert_eq!(quantity("us", -3), Some(Margin::Time(RigSpan::from_micros(-3))));
        assert_eq!(quantity("seconds", 1), None);
    }
}

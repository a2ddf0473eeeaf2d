//! What can be observed: the table of signals of one run.

use dryfire_units::RigSpan;

use crate::Margin;

/// Index of a signal in the [`SignalTable`] of a run.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SignalId(pub u16);

/// Index of a named moment (a stimulus, or a step of the script) of a run.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct MomentId(pub u16);

/// What a signal's integer value means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SignalKind {
    /// On (1) or off (0); right-continuous and piecewise constant.
    Switch,
    /// A temperature in thousandths of a degree Celsius; linear between samples.
    Temperature,
    /// A difference of temperatures in thousandths of a degree: of two places,
    /// or of two instants. Judged at its samples, as every level is.
    Difference,
    /// How fast a temperature climbs, in thousandths of a degree per hour;
    /// negative while it falls. Judged at its samples, as every level is.
    Rate,
    /// The part of the time that something was on, in thousandths of a per cent.
    Duty,
    /// A whole number (how many times something happened so far, or in a stretch).
    Count,
}

impl SignalKind {
    /// The values that mean anything; whatever lies outside is not observed.
    ///
    /// Temperatures reach from absolute zero (−273.15 °C) to 4,000 °C, beyond
    /// anything that a kiln or a thermocouple can be at. Rates reach to a
    /// thousand million degrees per hour either way: that whole range within
    /// 16 ms. Duty is from none to all of the time; counts end at 10¹².
    pub fn range(self) -> core::ops::RangeInclusive<i64> {
        match self {
            SignalKind::Switch => 0..=1,
            SignalKind::Temperature => -273_150..=4_000_000,
            SignalKind::Difference => -4_273_150..=4_273_150,
            SignalKind::Rate => -1_000_000_000_000..=1_000_000_000_000,
            SignalKind::Duty => 0..=100_000,
            SignalKind::Count => 0..=1_000_000_000_000,
        }
    }

    /// A quantity of this kind, or the difference of two; none for switches.
    pub fn quantity(self, value: i64) -> Option<Margin> {
        match self {
            SignalKind::Switch => None,
            SignalKind::Temperature | SignalKind::Difference => Some(Margin::Temperature(value)),
            SignalKind::Rate => Some(Margin::Rate(value)),
            SignalKind::Duty => Some(Margin::Duty(value)),
            SignalKind::Count => Some(Margin::Count(value)),
        }
    }
}

/// One observable signal, and how well it is known.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SignalSpec {
    /// Its name in scenarios and reports (`element.top`, `kiln`, `heat`).
    pub name: String,
    /// What its value means.
    pub kind: SignalKind,
    /// Half-width of the expanded uncertainty of the value (coverage factor
    /// stated by the bench), in the signal's own unit; zero for switches.
    pub value_uncertainty: i64,
    /// Half-width of the model's stated error, in the signal's own unit: only
    /// for model state, which is no measurement. Kept and printed apart.
    pub model_error: i64,
    /// Half-width of the expanded uncertainty of the instants of its edges; for
    /// a level no less than the time between two samples, because it is judged
    /// at its samples.
    pub time_uncertainty: RigSpan,
    /// Worst time between what is sensed and what it stands for (the release
    /// of a relay behind a sensed command); added to reactions.
    pub release: RigSpan,
}

/// The signals of one run, in a fixed order.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct SignalTable {
    signals: Vec<SignalSpec>,
}

impl SignalTable {
    /// Adds a signal and returns its index.
    ///
    /// # Panics
    /// With more than 65,535 signals.
    pub fn add(&mut self, signal: SignalSpec) -> SignalId {
        let id = SignalId(u16::try_from(self.signals.len()).expect("at most 65,535 signals"));
        self.signals.push(signal);
        id
    }

    /// Makes the instants of every signal's edges less well known, by this much more.
    pub fn widen_times(&mut self, by: RigSpan) {
        for signal in &mut self.signals {
            signal.time_uncertainty = signal.time_uncertainty + by;
        }
    }

    /// The signal behind an index of this table.
    ///
    /// # Panics
    /// If the index is of another table and out of range here.
    pub fn get(&self, id: SignalId) -> &SignalSpec {
        &self.signals[usize::from(id.0)]
    }

    /// The index of the signal with that name.
    pub fn find(&self, name: &str) -> Option<SignalId> {
        let index = self.signals.iter().position(|signal| signal.name == name)?;
        Some(SignalId(index as u16))
    }

    /// All signals with their indices.
    pub fn iter(&self) -> impl Iterator<Item = (SignalId, &SignalSpec)> {
        self.signals.iter().enumerate().map(|(index, signal)| (SignalId(index as u16), signal))
    }

    /// How many signals there are.
    pub fn len(&self) -> usize {
        self.signals.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.signals.is_empty()
    }
}

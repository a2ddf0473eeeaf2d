//! Why heat was cut for good.

use core::fmt;

use crate::ProbeFault;

/// What made the controller trip.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum TripKind {
    /// A flagged probe fault that lasted.
    Probe(ProbeFault),
    /// The reading jumped further than a kiln can and stayed there.
    ImplausibleReading,
    /// The reading went below that of the start although heat was on.
    FallingReading,
    /// The reading did not change at all although heat was on.
    FrozenReading,
    /// Heat was on and nothing got hotter.
    Stall,
    /// The zones are too far apart.
    ZoneSpread,
    /// The reading is above the set-point and does not come back.
    Runaway,
    /// The reading rises with every element off.
    UnaskedHeat,
    /// The reading is above the top temperature.
    OverTemperature,
    /// The firing lasted too long.
    LongestFiring,
    /// The memory was damaged, and with it perhaps a latched fault.
    DamagedMemory,
    /// The controller was restarted again and again in a firing.
    Restarts,
}

/// A trip and the zone it came from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Trip {
    /// What.
    pub kind: TripKind,
    /// The zone's index, where it is one zone's.
    pub zone: Option<u8>,
}

impl Trip {
    pub(crate) const fn of_zone(kind: TripKind, zone: usize) -> Self {
        Trip { kind, zone: Some(zone as u8) }
    }

    pub(crate) const fn of_kiln(kind: TripKind) -> Self {
        Trip { kind, zone: None }
    }

    /// Its byte in memory; never 0, which means no trip.
    pub(crate) const fn code(self) -> u8 {
        match self.kind {
            TripKind::Probe(ProbeFault::Open) => 1,
            TripKind::Probe(ProbeFault::ShortToGround) => 2,
            TripKind::Probe(ProbeFault::ShortToSupply) => 3,
            TripKind::Probe(ProbeFault::OutOfRange) => 4,
            TripKind::Probe(ProbeFault::NoAnswer) => 5,
            TripKind::ImplausibleReading => 6,
            TripKind::FallingReading => 7,
            TripKind::FrozenReading => 8,
            TripKind::Stall => 9,
            TripKind::ZoneSpread => 10,
            TripKind::Runaway => 11,
            TripKind::UnaskedHeat => 12,
            TripKind::OverTemperature => 13,
            TripKind::LongestFiring => 14,
            TripKind::DamagedMemory => 15,
            TripKind::Restarts => 16,
        }
    }

    pub(crate) const fn from_code(code: u8, zone: Option<u8>) -> Option<Self> {
        let kind = match code {
            1 => TripKind::Probe(ProbeFault::Open),
            2 => TripKind::Probe(ProbeFault::ShortToGround),
            3 => TripKind::Probe(ProbeFault::ShortToSupply),
            4 => TripKind::Probe(ProbeFault::OutOfRange),
            5 => TripKind::Probe(ProbeFault::NoAnswer),
            6 => TripKind::ImplausibleReading,
            7 => TripKind::FallingReading,
            8 => TripKind::FrozenReading,
            9 => TripKind::Stall,
            10 => TripKind::ZoneSpread,
            11 => TripKind::Runaway,
            12 => TripKind::UnaskedHeat,
            13 => TripKind::OverTemperature,
            14 => TripKind::LongestFiring,
            15 => TripKind::DamagedMemory,
            16 => TripKind::Restarts,
            _ => return None,
        };
        Some(Trip { kind, zone })
    }
}

impl fmt::Display for Trip {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(zone) = self.zone {
            write!(f, "zone {}: ", u32::from(zone) + 1)?;
        }
        match self.kind {
            TripKind::Probe(fault) => write!(f, "probe {}", fault.words()),
            TripKind::ImplausibleReading => f.write_str("reading jumped"),
            TripKind::FallingReading => f.write_str("reading falls while heating"),
            TripKind::FrozenReading => f.write_str("reading frozen while heating"),
            TripKind::Stall => f.write_str("does not get hotter"),
            TripKind::ZoneSpread => f.write_str("zones too far apart"),
            TripKind::Runaway => f.write_str("too far above set-point"),
            TripKind::UnaskedHeat => f.write_str("gets hotter with all elements off"),
            TripKind::OverTemperature => f.write_str("above top temperature"),
            TripKind::LongestFiring => f.write_str("firing too long"),
            TripKind::DamagedMemory => f.write_str("memory damaged"),
            TripKind::Restarts => f.write_str("restarted too often"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_code_in_memory_comes_back_as_the_same_trip() {
        for code in 1..=16 {
            let trip = Trip::from_code(code, Some(2)).expect("a known code");
            assert_eq!(trip.code(), code);
        }
        assert_eq!(Trip::from_code(0, None), None);
        assert_eq!(Trip::from_code(17, None), None);
    }
}

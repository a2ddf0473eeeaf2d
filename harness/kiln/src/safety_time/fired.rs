//! A kiln under control: how it came to where it fails, and what goes on after.

use dryfire_units::{Celsius, RigSpan, RigTime, Volts};

use super::{Before, SafetyGrid, SafetyLimit};
use crate::{Circuit, Kiln, KilnDescription, KilnError, RelayFault, StartState};

pub(super) const SECOND: RigSpan = RigSpan::from_seconds(1);
/// A ramp or a cooling that takes longer is given up.
pub(super) const LONGEST_PAST: RigSpan = RigSpan::from_seconds(48 * 3600);
/// How long a hold is given to settle; the wall starts soaked, so only elements and the loop have to.
const LONGEST_SETTLING: RigSpan = RigSpan::from_seconds(2 * 3600);

/// So many cycles bring the elements to their steady rise and fall.
const CYCLES: usize = 10;

/// A control loop that holds one zone: proportional and integral, on the chamber's true temperature.
#[derive(Clone, Copy, Debug)]
struct HoldLoop {
    /// Full power until the set-point has been reached once.
    climbing: bool,
    /// The integral part, as a share of full power.
    integral: f64,
}

impl HoldLoop {
    /// Share of full power for each degree below the set-point.
    const GAIN: f64 = 1.0 / 50.0;
    /// Seconds in which the integral part doubles the proportional one.
    const INTEGRAL_SECONDS: f64 = 150.0;

    /// The share for the next second.
    fn share(&mut self, error: f64) -> f64 {
        if self.climbing {
            if error > 0.0 {
                return 1.0;
            }
            self.climbing = false;
        }
        let wanted = self.integral + Self::GAIN * error;
        // The integral stands still while the output is at its end, or it would wind up.
        if (wanted < 1.0 || error < 0.0) && (wanted > 0.0 || error > 0.0) {
            self.integral = (self.integral + Self::GAIN * error / Self::INTEGRAL_SECONDS).clamp(0.0, 1.0);
        }
        wanted.clamp(0.0, 1.0)
    }
}

/// A kiln under control: one relay for each zone.
#[derive(Clone, Debug)]
pub(super) struct Fired {
    pub(super) kiln: Kiln,
    loops: Vec<HoldLoop>,
    pub(super) set_point: f64,
    /// Zones without a failure are off instead of held.
    pub(super) idle: bool,
}

impl Fired {
    fn new(description: &KilnDescription, grid: &SafetyGrid, start: StartState) -> Result<Self, KilnError> {
        let zones = description.zones.len();
        let mut kiln = Kiln::new(description, Circuit::elements_only(zones), start)?;
        let volts = description.supply.value() * grid.supply_factor;
        kiln.set_supply_volts(RigTime::ZERO, Volts::new(volts))?;
        let loops = vec![HoldLoop { climbing: false, integral: 0.3 }; zones];
        Ok(Fired { kiln, loops, set_point: grid.set_point.value(), idle: false })
    }

    /// The kiln at the moment of the failure.
    pub(super) fn before_failure(
        description: &KilnDescription,
        grid: &SafetyGrid,
        before: Before,
    ) -> Result<Self, KilnError> {
        match before {
            Before::Cold => {
                let mut fired = Self::new(description, grid, StartState::cold(grid.ambient))?;
                fired.idle = true;
                Ok(fired)
            }
            Before::Hold | Before::EndOfOnPhase => {
                let mut fired = Self::new(description, grid, StartState::soaked(grid.ambient, grid.set_point))?;
                let mut calm = 0;
                while fired.kiln.sample_time().since_origin() < LONGEST_SETTLING && calm < 300 {
                    fired.second(&[])?;
                    let settled = (0..fired.kiln.zones())
                        .all(|zone| fired.below_set_point(zone).max(-fired.below_set_point(zone)) < 0.02);
                    calm = if settled { calm + 1 } else { 0 };
                }
                if before == Before::EndOfOnPhase {
                    fired.cycle(grid.cycle_time)?;
                }
                Ok(fired)
            }
            Before::FullPowerRamp => {
                let mut fired = Self::new(description, grid, StartState::cold(grid.ambient))?;
                fired.loops.iter_mut().for_each(|zone| zone.climbing = true);
                while fired.kiln.sample_time().since_origin() < LONGEST_PAST
                    && (0..fired.kiln.zones())
                        .any(|zone| fired.loops[zone].climbing && fired.below_set_point(zone) > 0.0)
                {
                    fired.second(&[])?;
                }
                Ok(fired)
            }
        }
    }

    /// A few cycles of off and on in place of averaged power, up to the end of an on-phase.
    fn cycle(&mut self, period: RigSpan) -> Result<(), KilnError> {
        let whole = SECOND.as_micros();
        let period = (period.as_micros() + whole - 1) / whole * whole;
        for _ in 0..CYCLES {
            let begin = self.kiln.sample_time();
            let mut switch_on: Vec<(RigTime, usize)> = Vec::new();
            for (zone, held) in self.loops.iter().enumerate() {
                // The share is at most 1 and the period at most ten minutes, so it fits.
                let off = libm::round(period as f64 * (1.0 - held.integral)) as i64;
                switch_on.push((begin + RigSpan::from_micros(off), zone));
                self.kiln.set_relay_fault(begin, zone, None)?;
                self.kiln.set_relay(begin, zone, false)?;
            }
            switch_on.sort_unstable();
            for (at, zone) in switch_on {
                self.kiln.set_relay(at, zone, true)?;
            }
            self.kiln.advance_to(begin + RigSpan::from_micros(period));
        }
        Ok(())
    }

    fn below_set_point(&self, zone: usize) -> f64 {
        self.set_point - self.kiln.zone_temperature(zone).value()
    }

    /// One second, with these zones at full power whatever the loops say.
    pub(super) fn second(&mut self, left_on: &[usize]) -> Result<(), KilnError> {
        self.command(left_on)?;
        self.kiln.advance_to(self.kiln.sample_time() + SECOND);
        Ok(())
    }

    pub(super) fn command(&mut self, left_on: &[usize]) -> Result<(), KilnError> {
        let now = self.kiln.sample_time();
        for zone in 0..self.kiln.zones() {
            let share = if left_on.contains(&zone) {
                1.0
            } else if self.idle {
                0.0
            } else {
                let error = self.below_set_point(zone);
                self.loops[zone].share(error)
            };
            // Averaged power stands for a cycle of on and off. Held to 0…1 above, so it fits.
            let power_thousandths = libm::round(share * 1000.0) as u16;
            let fault = (power_thousandths < 1000).then_some(RelayFault::HighResistance { power_thousandths });
            self.kiln.set_relay_fault(now, zone, fault)?;
            self.kiln.set_relay(now, zone, power_thousandths > 0)?;
        }
        Ok(())
    }

    /// All heat off at an instant of the second that is being computed.
    pub(super) fn cut(&mut self, at: RigTime) -> Result<(), KilnError> {
        (0..self.kiln.zones()).try_for_each(|zone| self.kiln.set_relay(at, zone, false))
    }

    /// The highest temperature that a limit is about.
    pub(super) fn level(&self, limit: SafetyLimit) -> f64 {
        let kiln = &self.kiln;
        let zones = 0..kiln.zones();
        match limit {
            SafetyLimit::Element => hottest(zones.map(|zone| kiln.element_temperature(zone))),
            SafetyLimit::Brick => hottest(zones.map(|zone| kiln.hot_face_temperature(zone))),
            SafetyLimit::Programmed => hottest(zones.map(|zone| kiln.zone_temperature(zone))),
        }
    }

    /// The highest temperature of anything. Without heat nothing in the kiln
    /// becomes hotter than its hottest part is (maximum principle of heat conduction).
    pub(super) fn hottest_part(&self) -> f64 {
        let kiln = &self.kiln;
        let walls = hottest((0..kiln.zones()).flat_map(|zone| kiln.wall_temperatures(zone)));
        let loads = hottest((0..kiln.zones()).filter_map(|zone| kiln.load_temperature(zone)));
        SafetyLimit::ALL.iter().map(|limit| self.level(*limit)).fold(walls.max(loads), f64::max)
    }

    /// The highest reading.
    pub(super) fn reading(&self) -> f64 {
        hottest((0..self.kiln.zones()).map(|zone| self.kiln.probe_temperature(zone)))
    }
}

pub(super) fn hottest(temperatures: impl Iterator<Item = Celsius>) -> f64 {
    temperatures.map(Celsius::value).fold(f64::NEG_INFINITY, f64::max)
}

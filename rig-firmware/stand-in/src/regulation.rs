//! One zone's element: how much heat it needs, and the relay that gives it in cycles.

use crate::Settings;

/// How far the integral part of a spoilt regulator goes.
const WOUND_UP: f32 = 10.0;

/// Regulator and time-proportioning of one zone.
#[derive(Clone, Copy, Debug)]
pub(crate) struct ElementControl {
    /// Place in the cycle.
    position_ms: u32,
    /// On until this place.
    on_until_ms: u32,
    /// On-time too short to switch, owed to (or, negative, taken from) later cycles.
    owed_ms: i32,
    /// Integral part of the duty.
    integral: f32,
    /// Duty of the running cycle, 0 to 1.
    pub(crate) duty: f32,
    /// Smoothed reading in degrees Celsius; `None` before the first.
    smoothed: Option<f32>,
}

/// What a zone's heat is to follow.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Aim {
    /// Thousandths of a degree Celsius.
    pub(crate) set_point: i32,
    /// Thousandths of a degree per hour.
    pub(crate) rate: i32,
    /// Thousandths of a degree Celsius.
    pub(crate) reading: i32,
}

impl ElementControl {
    /// A zone at rest. The first zone begins its cycle at the next step, the
    /// others one after the other, so that they do not all switch at once.
    pub(crate) fn new(zone: usize, settings: &Settings) -> Self {
        let share = settings.cycle_ms / settings.zones as u32;
        let position_ms = settings.cycle_ms.saturating_sub(zone as u32 * share);
        ElementControl { position_ms, on_until_ms: 0, owed_ms: 0, integral: 0.0, duty: 0.0, smoothed: None }
    }

    /// Keeps the rest of the running cycle off.
    pub(crate) fn rest(&mut self) {
        self.on_until_ms = 0;
        self.owed_ms = 0;
        self.duty = 0.0;
        self.smoothed = None;
    }

    /// The reading that the regulator goes by: thousandths of a degree Celsius in and out.
    pub(crate) fn smooth(&mut self, settings: &Settings, dt_ms: u32, reading: i32) -> i32 {
        if settings.smoothing_ms == 0 {
            return reading;
        }
        let degrees = reading as f32 / 1_000.0;
        let before = self.smoothed.unwrap_or(degrees);
        let share = dt_ms as f32 / (dt_ms + settings.smoothing_ms) as f32;
        let smoothed = before + (degrees - before) * share;
        self.smoothed = Some(smoothed);
        (smoothed * 1_000.0) as i32
    }

    /// Lets time pass; `aim` is asked for when a cycle begins. Returns whether
    /// the relay has to be on, and whether a cycle began.
    pub(crate) fn step(&mut self, settings: &Settings, dt_ms: u32, aim: impl FnOnce() -> Aim) -> (bool, bool) {
        self.position_ms = self.position_ms.saturating_add(dt_ms);
        let begins = self.position_ms >= settings.cycle_ms;
        if begins {
            self.position_ms %= settings.cycle_ms;
            self.duty = self.regulate(settings, aim());
            self.plan_cycle(settings);
        }
        (self.position_ms < self.on_until_ms, begins)
    }

    fn regulate(&mut self, settings: &Settings, aim: Aim) -> f32 {
        let gains = &settings.gains;
        let top = (settings.top_millicelsius - 25_000) as f32;
        let way = (aim.set_point.saturating_sub(25_000) as f32 / top).max(0.0);
        let expected = gains.hold_duty_at_top * way * way + aim.rate as f32 / 1_000.0 / gains.full_rate_per_hour;
        let deviation = aim.set_point.saturating_sub(aim.reading) as f32 / 1_000.0;
        let proportional = gains.proportional_per_degree * deviation;
        let wanted = expected + proportional + self.integral;
        // The integral rests while the duty is at a stop and it would push further.
        let at_stop = (wanted >= 1.0 && deviation > 0.0) || (wanted <= 0.0 && deviation < 0.0);
        if !at_stop || settings.winds_up {
            let step = proportional * (settings.cycle_ms as f32 / 1_000.0) / gains.integral_s;
            let most = if settings.winds_up { WOUND_UP } else { 1.0 };
            self.integral = (self.integral + step).clamp(-most, most);
        }
        wanted.clamp(0.0, 1.0)
    }

    fn plan_cycle(&mut self, settings: &Settings) {
        let (cycle, shortest) = (settings.cycle_ms as i32, settings.shortest_switch_ms as i32);
        let wanted = (self.duty * cycle as f32) as i32 + self.owed_ms;
        let on = if wanted < shortest {
            0
        } else if wanted > cycle - shortest {
            cycle
        } else {
            wanted
        };
        self.owed_ms = (wanted - on).clamp(-shortest, shortest);
        self.on_until_ms = on as u32;
    }
}

#[cfg(test)]
mod tests {
    extern crate std;

    use proptest::prelude::*;

    use super::*;

    fn aim(deviation: i32) -> Aim {
        Aim { set_point: 500_000, rate: 0, reading: 500_000 - deviation }
    }

    #[test]
    fn zones_do_not_switch_on_at_the_same_moment() {
        let settings = Settings::default();
        let mut seen = std::collections::BTreeSet::new();
        for zone in 0..settings.zones {
            let mut element = ElementControl::new(zone, &settings);
            let first = (0..).find(|_| element.step(&settings, 100, || aim(100_000)).0).expect("it comes on");
            assert!(seen.insert(first), "zone {zone} at {first}");
        }
    }

    #[test]
    fn little_heat_is_given_in_rare_pulses_of_the_shortest_length() {
        let settings = Settings {
            gains: crate::Gains { hold_duty_at_top: 0.0, integral_s: 1e9, ..Settings::default().gains },
            ..Settings::default()
        };
        let mut element = ElementControl::new(0, &settings);
        // One degree is a duty of 3 %: 0.45 s in each cycle of 15 s.
        let on: u32 = (0..36_000).map(|_| u32::from(element.step(&settings, 100, || aim(1_000)).0)).sum();
        assert!((1_000..1_160).contains(&on), "{on} of 36000");
    }

    proptest! {
        #![proptest_config(crate::test_config(64))]

        #[test]
        fn the_relay_never_switches_faster_than_its_shortest_time(
            deviations in proptest::collection::vec(-60_000..60_000i32, 20..60),
            tick_ms in prop_oneof![Just(100u32), Just(1_000)],
        ) {
            let settings = Settings::default();
            let mut element = ElementControl::new(0, &settings);
            let mut deviations = deviations.iter().copied().cycle();
            let (mut last, mut since, mut switched) = (false, 0u32, false);
            for _ in 0..900_000 / tick_ms {
                let (on, _) = element.step(&settings, tick_ms, || aim(deviations.next().unwrap_or_default()));
                since += tick_ms;
                if on != last {
                    prop_assert!(!switched || since + tick_ms > settings.shortest_switch_ms, "{since} ms");
                    (last, since, switched) = (on, 0, true);
                }
            }
        }
    }
}

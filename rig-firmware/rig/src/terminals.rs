//! From what a channel shall play to what its parts are set to.
//!
//! A channel is a 16-bit converter behind a divider, which gives −10…+80 mV, with
//! switches between it and the controller's terminals: one in series that is open
//! without power, one that swaps the leads, one across the terminals, and one from
//! a lead to ground and to the controller's supply.

use dryfire_link::ProbeDrive;
use dryfire_units::converter::TerminalSignal;
use dryfire_units::{Disturbance, Disturbed, Nanovolts, RigSpan, RigTime};

use crate::Drive;

/// What a channel's converter and divider make of a code: measured on the board, or by design.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ChannelScale {
    /// Voltage at code 0.
    pub lowest_nanovolts: i32,
    /// Voltage between code 0 and code 65,535.
    pub span_nanovolts: u32,
}

/// The highest code.
const TOP_CODE: i64 = 65_535;

impl ChannelScale {
    /// As the parts' nominal values give it.
    pub const NOMINAL: ChannelScale = ChannelScale { lowest_nanovolts: -10_000_000, span_nanovolts: 90_000_000 };

    /// Voltage of one step, rounded up.
    pub const fn step_nanovolts(&self) -> u32 {
        self.span_nanovolts.div_ceil(TOP_CODE as u32)
    }

    /// The nearest code, held at the ends.
    pub fn code(&self, nanovolts: i32) -> u16 {
        let span = i64::from(self.span_nanovolts.max(1));
        let above = i64::from(nanovolts) - i64::from(self.lowest_nanovolts);
        // Within the ends by the clamp.
        ((above * TOP_CODE + span / 2).div_euclid(span)).clamp(0, TOP_CODE) as u16
    }

    /// The voltage of a code, to the nearest nanovolt.
    pub fn nanovolts(&self, code: u16) -> i32 {
        let above = (i64::from(code) * i64::from(self.span_nanovolts) + TOP_CODE / 2) / TOP_CODE;
        (i64::from(self.lowest_nanovolts) + above).clamp(i64::from(i32::MIN), i64::from(i32::MAX)) as i32
    }

    /// Whether it can be what the parts give: within a tenth of the nominal values.
    pub fn is_plausible(&self) -> bool {
        let nominal = ChannelScale::NOMINAL;
        self.lowest_nanovolts.abs_diff(nominal.lowest_nanovolts) <= nominal.span_nanovolts / 10
            && self.span_nanovolts.abs_diff(nominal.span_nanovolts) <= nominal.span_nanovolts / 10
    }
}

/// What the parts of a channel are set to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Terminals {
    /// The converter's code.
    pub code: u16,
    /// The series switch is closed.
    pub connected: bool,
    /// The leads are swapped.
    pub reversed: bool,
    /// The terminals are joined.
    pub shorted: bool,
    /// A lead is on ground.
    pub grounded: bool,
    /// A lead is on the controller's supply.
    pub on_supply: bool,
}

impl Terminals {
    /// The safe state: every switch open. The code is that of zero volts by design.
    pub const OPEN: Terminals =
        Terminals { code: 7_282, connected: false, reversed: false, shorted: false, grounded: false, on_supply: false };
}

/// What one channel plays, with what is added to it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Channel {
    drive: Drive,
    disturbance: Disturbance,
    disturbed_since: RigTime,
    scale: ChannelScale,
}

/// Shortest time between two settings of a channel.
const SHORTEST: i64 = 2_000;
/// Longest while its voltage moves.
const LONGEST: i64 = 500_000;

impl Channel {
    /// An open channel.
    pub const fn new(scale: ChannelScale) -> Self {
        Channel { drive: Drive::OPEN, disturbance: Disturbance::NONE, disturbed_since: RigTime::ZERO, scale }
    }

    /// From now on it is set as this scale says.
    pub fn calibrate(&mut self, scale: ChannelScale) {
        self.scale = scale;
    }

    /// Plays something else.
    pub fn play(&mut self, drive: Drive) {
        self.drive = drive;
    }

    /// Adds something else, which counts from `at`.
    pub fn disturb(&mut self, at: RigTime, disturbance: Disturbance) {
        (self.disturbance, self.disturbed_since) = (disturbance, at);
    }

    /// What the parts have to be set to now.
    pub fn terminals(&self, now: RigTime) -> Terminals {
        let zero = Terminals { code: self.scale.code(0), ..Terminals::OPEN };
        let added = match self.disturbance.after(now - self.disturbed_since) {
            Disturbed::Open => return zero,
            Disturbed::Adds(nanovolts) => nanovolts,
        };
        match self.drive.signal() {
            ProbeDrive::Open => zero,
            ProbeDrive::Short => Terminals { connected: true, shorted: true, ..zero },
            ProbeDrive::ShortToGround => Terminals { connected: true, grounded: true, ..zero },
            ProbeDrive::ShortToSupply => Terminals { connected: true, on_supply: true, ..zero },
            ProbeDrive::Voltage { .. } => {
                let nanovolts = self.drive.nanovolts_at(now).unwrap_or(0).saturating_add(added);
                // Below what the divider reaches, the leads are swapped.
                let reversed = nanovolts < self.scale.lowest_nanovolts;
                let magnitude = if reversed { nanovolts.saturating_neg() } else { nanovolts };
                Terminals { code: self.scale.code(magnitude), connected: true, reversed, ..zero }
            }
        }
    }

    /// What a converter of the channel's own finds at its terminals when a conversion of that length ends at `at`.
    pub fn converted(&self, at: RigTime, length: RigSpan) -> TerminalSignal {
        let added = match self.disturbance.converted(at - self.disturbed_since, length) {
            Disturbed::Open => return TerminalSignal::Open,
            Disturbed::Adds(nanovolts) => nanovolts,
        };
        match self.drive.signal() {
            ProbeDrive::Open => TerminalSignal::Open,
            // A lead touching the other is no voltage; the part sees nothing wrong.
            ProbeDrive::Short => TerminalSignal::Voltage(Nanovolts::new(0)),
            ProbeDrive::ShortToGround => TerminalSignal::ShortToGround,
            ProbeDrive::ShortToSupply => TerminalSignal::ShortToSupply,
            ProbeDrive::Voltage { .. } => {
                let nanovolts = self.drive.nanovolts_at(at).unwrap_or(0).saturating_add(added);
                TerminalSignal::Voltage(Nanovolts::new(nanovolts))
            }
        }
    }

    /// When the parts have to be set again; `None` if they stay as they are.
    pub fn next_change(&self, now: RigTime) -> Option<RigTime> {
        let disturbed = (!self.disturbance.is_none()).then(|| {
            let period = if self.disturbance.spike_nanovolts != 0
                || self.disturbance.open_ms > 0
                || self.disturbance.hum_nanovolts > 0
            {
                SHORTEST
            } else {
                i64::from(self.disturbance.noise_every_ms.max(1)) * 1_000
            };
            let since = (now - self.disturbed_since).as_micros().max(0);
            self.disturbed_since + RigSpan::from_micros((since / period + 1) * period)
        });
        let moving = match self.drive.signal() {
            ProbeDrive::Voltage { nanovolts_per_second, valid_until, .. }
                if nanovolts_per_second != 0 && now < valid_until =>
            {
                // Twice for each step of the converter.
                let half_step = i64::from(self.scale.step_nanovolts()) * 500_000;
                let period = (half_step / i64::from(nanovolts_per_second).abs()).clamp(SHORTEST, LONGEST);
                let due = now.max(self.drive.from()) + RigSpan::from_micros(period);
                Some(due.min(valid_until))
            }
            _ => None,
        };
        disturbed.into_iter().chain(moving).min()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use proptest::test_runner::RngSeed;

    fn at(micros: i64) -> RigTime {
        RigTime::from_micros(micros)
    }

    fn playing(signal: ProbeDrive) -> Channel {
        let mut channel = Channel::new(ChannelScale::NOMINAL);
        channel.play(Drive::new(at(0), signal));
        channel
    }

    fn voltage(nanovolts: i32, nanovolts_per_second: i32) -> ProbeDrive {
        ProbeDrive::Voltage { nanovolts, nanovolts_per_second, valid_until: at(1_000_000) }
    }

    #[test]
    fn the_ends_of_the_range_are_the_ends_of_the_code() {
        let scale = ChannelScale::NOMINAL;
        assert_eq!((scale.code(-10_000_000), scale.code(80_000_000)), (0, 65_535));
        assert_eq!((scale.code(i32::MIN), scale.code(i32::MAX)), (0, 65_535));
        assert_eq!(scale.code(0), Terminals::OPEN.code);
        // 90 mV in 65,535 steps are 1.3733 µV each.
        assert_eq!(scale.step_nanovolts(), 1_374);
    }

    #[test]
    fn open_leaves_every_switch_open_and_the_shorts_close_their_own() {
        assert_eq!(playing(ProbeDrive::Open).terminals(at(5)), Terminals::OPEN);
        let short = playing(ProbeDrive::Short).terminals(at(5));
        assert!(short.connected && short.shorted && !short.grounded && !short.on_supply);
        assert!(playing(ProbeDrive::ShortToGround).terminals(at(5)).grounded);
        assert!(playing(ProbeDrive::ShortToSupply).terminals(at(5)).on_supply);
    }

    #[test]
    fn a_voltage_below_the_dividers_range_swaps_the_leads() {
        let terminals = playing(voltage(-41_000_000, 0)).terminals(at(5));
        assert!(terminals.reversed && terminals.connected);
        assert_eq!(terminals.code, ChannelScale::NOMINAL.code(41_000_000));
        assert!(!playing(voltage(-9_000_000, 0)).terminals(at(5)).reversed);
    }

    #[test]
    fn a_channel_that_stands_still_asks_for_nothing_and_one_that_moves_does_until_its_end() {
        assert_eq!(playing(ProbeDrive::Open).next_change(at(5)), None);
        assert_eq!(playing(voltage(1, 0)).next_change(at(5)), None);
        // 68,700 nV/s pass half a step in 10 ms.
        assert_eq!(playing(voltage(1, 68_700)).next_change(at(0)), Some(at(10_000)));
        assert_eq!(playing(voltage(1, -1)).next_change(at(900_000)), Some(at(1_000_000)));
        assert_eq!(playing(voltage(1, 68_700)).next_change(at(1_000_000)), None);
    }

    #[test]
    fn what_is_open_by_turns_opens_the_series_switch() {
        let mut channel = playing(voltage(1_000_000, 0));
        channel.disturb(at(0), Disturbance { open_ms: 10, closed_ms: 10, ..Disturbance::NONE });
        assert!(!channel.terminals(at(1_000)).connected);
        assert!(channel.terminals(at(11_000)).connected);
        assert_eq!(channel.next_change(at(1_000)), Some(at(2_000)));
    }

    #[test]
    fn a_converter_finds_what_is_played_with_what_is_added() {
        let length = RigSpan::from_millis(98);
        assert_eq!(playing(ProbeDrive::Open).converted(at(5), length), TerminalSignal::Open);
        let nothing = TerminalSignal::Voltage(Nanovolts::new(0));
        assert_eq!(playing(ProbeDrive::Short).converted(at(5), length), nothing);
        assert_eq!(playing(ProbeDrive::ShortToGround).converted(at(5), length), TerminalSignal::ShortToGround);
        assert_eq!(playing(ProbeDrive::ShortToSupply).converted(at(5), length), TerminalSignal::ShortToSupply);
        let mut channel = playing(voltage(1_000_000, 1_000_000));
        let found = |channel: &Channel, now| channel.converted(at(now), length);
        assert_eq!(found(&channel, 500_000), TerminalSignal::Voltage(Nanovolts::new(1_500_000)));
        channel.disturb(at(0), Disturbance { open_ms: 10, closed_ms: 10, ..Disturbance::NONE });
        assert_eq!(found(&channel, 5_000), TerminalSignal::Open);
        assert_eq!(found(&channel, 15_000), TerminalSignal::Voltage(Nanovolts::new(1_015_000)));
    }

    #[test]
    fn hum_is_drawn_in_ten_steps_of_a_cycle_of_fifty_hertz() {
        let mut channel = playing(voltage(10_000_000, 0));
        channel.disturb(at(0), Disturbance { hum_nanovolts: 1_000_000, hum_millihertz: 50_000, ..Disturbance::NONE });
        assert_eq!(channel.next_change(at(100)), Some(at(2_000)));
        let codes = [0, 1, 2, 3, 4, 5, 6, 7, 8, 9].map(|step| channel.terminals(at(step * 2_000)).code);
        let still = ChannelScale::NOMINAL.code(10_000_000);
        assert_eq!(codes[0], still);
        assert!(codes[1..5].iter().all(|code| *code > still) && codes[6..].iter().all(|code| *code < still));
        // A quarter of a cycle: the whole amplitude.
        assert_eq!(channel.terminals(at(5_000)).code, ChannelScale::NOMINAL.code(11_000_000));
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, rng_seed: RngSeed::Fixed(20_261_125), ..ProptestConfig::default() })]

        #[test]
        fn the_code_is_within_half_a_step_of_the_exact_voltage(
            nanovolts in -10_000_000i32..=80_000_000,
            lowest in -11_000_000i32..-9_500_000, span in 89_600_000u32..95_000_000,
        ) {
            let scale = ChannelScale { lowest_nanovolts: lowest, span_nanovolts: span };
            let reached = (i64::from(lowest)..=i64::from(lowest) + i64::from(span)).contains(&i64::from(nanovolts));
            prop_assume!(reached);
            let back = scale.nanovolts(scale.code(nanovolts));
            prop_assert!(back.abs_diff(nanovolts) <= scale.step_nanovolts() / 2 + 1, "{back}");
        }

        #[test]
        fn between_two_settings_the_voltage_moves_by_less_than_a_step(
            from in -9_000_000i32..70_000_000, slope in -300_000i32..300_000, now in 0i64..1_000_000,
        ) {
            let channel = playing(voltage(from, slope));
            if let Some(next) = channel.next_change(at(now)) {
                prop_assert!(next > at(now));
                let (one, other) = (channel.terminals(at(now)).code, channel.terminals(next - RigSpan::from_micros(1)).code);
                prop_assert!(one.abs_diff(other) <= 1, "{one} {other}");
            }
        }
    }
}

use super::*;
use crate::{ProbeFault, test_config};
use proptest::prelude::*;

const SET: LimiterSettings = LimiterSettings {
    trip_millicelsius: 1_290_000,
    reset_below_millicelsius: 1_200_000,
    traits: LimiterTraits { early_millicelsius: 0, confirm_ms: 1_500, trips_on_supply_loss: false },
};

/// A limiter that is looked at twice a second.
struct Bench {
    limiter: Limiter,
    now_ms: u32,
    closed: bool,
}

impl Bench {
    fn new(defects: Defects) -> Self {
        Bench::with(SET, defects, LimiterMemory::default())
    }

    fn with(settings: LimiterSettings, defects: Defects, memory: LimiterMemory) -> Self {
        // Just before the millisecond timer wraps.
        let mut bench =
            Bench { limiter: Limiter::power_up(settings, defects, memory), now_ms: u32::MAX - 700, closed: false };
        bench.run(2, Ok(900_000), false);
        bench
    }

    fn run(&mut self, seconds: u32, reading: Reading, reset: bool) -> bool {
        for _ in 0..seconds * 2 {
            self.now_ms = self.now_ms.wrapping_add(500);
            self.closed = self.limiter.tick(self.now_ms, reading, reset);
        }
        self.closed
    }

    fn tripped_by_heat(defects: Defects) -> Self {
        let mut bench = Bench::new(defects);
        bench.run(10, Ok(1_300_000), false);
        bench
    }
}

#[test]
fn is_closed_below_its_trip_and_open_above() {
    let mut bench = Bench::new(Defects::NONE);
    assert!(bench.run(10, Ok(1_290_000), false), "exactly at its trip is not above");
    assert!(bench.run(1, Ok(1_290_001), false), "for less than what it waits for");
    assert!(!bench.run(1, Ok(1_290_001), false));
}

#[test]
fn a_short_spike_does_not_trip_it_and_does_not_add_up() {
    let mut bench = Bench::new(Defects::NONE);
    for _ in 0..20 {
        assert!(bench.run(1, Ok(1_400_000), false));
        assert!(bench.run(1, Ok(900_000), false));
    }
}

#[test]
fn is_open_until_its_probe_has_read_something() {
    let mut limiter = Limiter::power_up(SET, Defects::NONE, LimiterMemory::default());
    assert!(!limiter.tick(0, Err(ProbeFault::NoAnswer), false));
    assert!(limiter.tick(100, Ok(20_000), false));
}

#[test]
fn whatever_is_no_temperature_trips_it() {
    use ProbeFault::{NoAnswer, Open, OutOfRange, ShortToGround, ShortToSupply};
    for fault in [Open, ShortToGround, ShortToSupply, OutOfRange, NoAnswer] {
        let mut bench = Bench::new(Defects::NONE);
        assert!(!bench.run(3, Err(fault), false), "{fault:?}");
        assert!(!bench.run(60, Ok(900_000), false), "{fault:?} is over, and the trip is not");
    }
}

#[test]
fn a_cooled_kiln_does_not_close_it_and_a_press_does() {
    let mut bench = Bench::tripped_by_heat(Defects::NONE);
    assert!(!bench.run(3_600, Ok(20_000), false));
    assert!(bench.run(1, Ok(20_000), true));
    assert!(bench.run(1, Ok(20_000), false));
}

#[test]
fn a_press_while_hot_or_with_its_probe_broken_does_nothing_then_or_later() {
    for reading in [Ok(1_200_000), Ok(1_300_000), Err(ProbeFault::Open)] {
        let mut bench = Bench::tripped_by_heat(Defects::NONE);
        assert!(!bench.run(2, reading, true), "{reading:?}");
        assert!(!bench.run(60, Ok(20_000), true), "a button that is held is no press: {reading:?}");
        assert!(!bench.run(60, Ok(20_000), false), "{reading:?}");
    }
}

#[test]
fn a_button_that_is_held_does_not_keep_it_from_tripping() {
    let mut bench = Bench::new(Defects::NONE);
    assert!(bench.run(2, Ok(900_000), true));
    assert!(!bench.run(3, Ok(1_300_000), true));
}

#[test]
fn a_loss_of_its_supply_does_not_clear_its_trip() {
    let bench = Bench::tripped_by_heat(Defects::NONE);
    let again = Bench::with(SET, Defects::NONE, bench.limiter.power_down());
    assert!(!again.closed);
}

#[test]
fn one_that_has_not_tripped_closes_again_after_a_loss_of_its_supply_unless_it_is_made_otherwise() {
    let kept = Bench::new(Defects::NONE).limiter.power_down();
    assert!(Bench::with(SET, Defects::NONE, kept).closed);
    let strict = LimiterSettings { traits: LimiterTraits { trips_on_supply_loss: true, ..SET.traits }, ..SET };
    let kept = Bench::with(strict, Defects::NONE, LimiterMemory::default()).limiter.power_down();
    let mut again = Bench::with(strict, Defects::NONE, kept);
    assert!(!again.closed);
    assert!(again.run(1, Ok(20_000), true));
}

#[test]
fn an_early_one_trips_below_its_setting_by_what_it_is_made_for() {
    let early = LimiterSettings { traits: LimiterTraits { early_millicelsius: 15_000, ..SET.traits }, ..SET };
    let mut bench = Bench::with(early, Defects::NONE, LimiterMemory::default());
    assert!(bench.run(5, Ok(1_275_000), false));
    assert!(!bench.run(5, Ok(1_275_001), false));
}

#[test]
fn each_mistake_does_what_it_says() {
    let closed_by = |defect, seconds, reading, reset| {
        let mut bench = Bench::tripped_by_heat(Defects::only(defect));
        bench.run(seconds, reading, reset)
    };
    assert!(closed_by(Defect::LimiterSetTooHigh, 60, Ok(1_489_000), false));
    assert!(!closed_by(Defect::LimiterSetTooHigh, 60, Ok(1_491_000), false));
    assert!(closed_by(Defect::LimiterResetsItself, 1, Ok(1_199_000), false));
    assert!(closed_by(Defect::LimiterResetsWhileHot, 1, Ok(1_295_000), true));
    assert!(closed_by(Defect::LimiterHeldByReset, 60, Ok(1_400_000), true));
    let mut in_fahrenheit = Bench::new(Defects::only(Defect::LimiterSetInFahrenheit));
    // 1290 °F are 699 °C.
    assert!(!in_fahrenheit.run(5, Ok(700_000), false));
    let mut overlooks = Bench::new(Defects::only(Defect::LimiterOverlooksBrokenProbe));
    assert!(overlooks.run(60, Err(ProbeFault::Open), false));
    assert!(!overlooks.run(60, Err(ProbeFault::OutOfRange), false));
    let mut under = Bench::new(Defects::only(Defect::LimiterTakesUnderRangeForCold));
    assert!(under.run(60, Err(ProbeFault::OutOfRange), false));
    assert!(!under.run(60, Err(ProbeFault::Open), false));
    let forgets = Defects::only(Defect::LimiterForgetsTrip);
    let kept = Bench::tripped_by_heat(forgets).limiter.power_down();
    assert!(Bench::with(SET, forgets, kept).closed);
}

fn reading() -> impl Strategy<Value = Reading> {
    prop_oneof![
        4 => (0..1_500_000_i32).prop_map(Ok),
        1 => prop_oneof![
            Just(SET.trip_millicelsius), Just(SET.trip_millicelsius + 1),
            Just(SET.reset_below_millicelsius), Just(SET.reset_below_millicelsius - 1)
        ].prop_map(Ok),
        1 => prop_oneof![Just(ProbeFault::Open), Just(ProbeFault::OutOfRange), Just(ProbeFault::NoAnswer)].prop_map(Err),
    ]
}

/// A look at it, or a loss of its supply.
#[derive(Clone, Copy, Debug)]
enum Step {
    Looks { after_ms: u32, reading: Reading, reset: bool },
    SupplyLost,
}

fn step() -> impl Strategy<Value = Step> {
    prop_oneof![
        12 => (1..5_000_u32, reading(), any::<bool>())
            .prop_map(|(after_ms, reading, reset)| Step::Looks { after_ms, reading, reset }),
        1 => Just(Step::SupplyLost),
    ]
}

proptest! {
    #![proptest_config(test_config(2_000))]

    /// Once it has tripped it closes only with a press that began at this look, at a reading that is cool enough;
    /// a loss of its supply is no way round that.
    #[test]
    fn never_closes_by_itself(steps in prop::collection::vec(step(), 1..200), early in any::<bool>(), strict in any::<bool>()) {
        let early_millicelsius = if early { 15_000 } else { 0 };
        let traits = LimiterTraits { early_millicelsius, confirm_ms: 1_500, trips_on_supply_loss: strict };
        let settings = LimiterSettings { traits, ..SET };
        let mut limiter = Limiter::power_up(settings, Defects::NONE, LimiterMemory::default());
        let (mut now_ms, mut tripped, mut was_pressed) = (u32::MAX - 20_000, false, true);
        for step in steps {
            match step {
                Step::Looks { after_ms, reading, reset } => {
                    now_ms = now_ms.wrapping_add(after_ms);
                    let closed = limiter.tick(now_ms, reading, reset);
                    if tripped && !limiter.has_tripped() {
                        prop_assert!(reset && !was_pressed, "without a press");
                        prop_assert!(reading.is_ok_and(|it| it < SET.reset_below_millicelsius), "at {:?}", reading);
                    }
                    prop_assert!(!closed || !limiter.has_tripped());
                    (tripped, was_pressed) = (limiter.has_tripped(), reset);
                }
                Step::SupplyLost => {
                    limiter = Limiter::power_up(settings, Defects::NONE, limiter.power_down());
                    prop_assert!(limiter.has_tripped() || !tripped && !strict);
                    (tripped, was_pressed) = (limiter.has_tripped(), true);
                }
            }
        }
    }

    /// Nothing that lasts above its trip, or reads as no temperature, leaves it closed.
    #[test]
    fn what_lasts_trips_it_whatever_came_before(
        before in prop::collection::vec((reading(), any::<bool>()), 0..100),
        excess in 1..300_000_i32, faulty in any::<bool>(), held in any::<bool>(),
    ) {
        let mut limiter = Limiter::power_up(SET, Defects::NONE, LimiterMemory::default());
        let mut now_ms = 0;
        for (reading, reset) in before {
            now_ms += 500;
            limiter.tick(now_ms, reading, reset);
        }
        let reading = if faulty { Err(ProbeFault::Open) } else { Ok(SET.trip_millicelsius + excess) };
        let mut closed = true;
        for _ in 0..5 {
            now_ms += 500;
            closed = limiter.tick(now_ms, reading, held);
        }
        prop_assert!(!closed);
    }
}

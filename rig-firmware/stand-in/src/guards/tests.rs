use super::*;

const STEP_MS: u32 = 1_000;

fn view(reading: i32) -> ZoneView {
    ZoneView { reading: Some(reading), on: true, duty: 0.5 }
}

fn firing(set_point: i32) -> FiringView {
    FiringView { set_point, ramping: true, upward: true, beyond_16_bits: false, leeway: 0 }
}

/// Feeds readings second by second; the second at which a guard trips.
fn feed(set_point: i32, seconds: u32, reading: impl Fn(u32) -> i32) -> Option<(u32, TripKind)> {
    let mut guards = Guards::default();
    (0..seconds).find_map(|second| {
        let zones = [view(reading(second)), view(set_point + (second % 3) as i32)];
        let trip = guards.watch_firing(&Settings::default(), Defects::NONE, STEP_MS, &firing(set_point), &zones);
        trip.map(|trip| (second, trip.kind))
    })
}

#[test]
fn more_than_twenty_five_degrees_above_the_set_point_is_a_runaway_within_seconds() {
    let tripped = feed(500_000, 60, |second| if second < 10 { 500_000 } else { 526_000 });
    assert_eq!(tripped, Some((12, TripKind::Runaway)));
}

#[test]
fn twenty_degrees_above_is_a_runaway_only_when_it_lasts() {
    let tripped = feed(500_000, 600, |second| if second < 10 { 500_000 } else { 521_000 + (second % 5) as i32 });
    assert_eq!(tripped, Some((250, TripKind::Runaway)));
    let brief =
        feed(500_000, 600, |second| if (10..200).contains(&second) { 521_000 } else { 500_000 + second as i32 });
    assert_eq!(brief, None);
}

#[test]
fn a_zone_that_is_warm_from_the_beginning_is_no_runaway_while_it_cools() {
    assert_eq!(feed(500_000, 600, |second| 560_000 - second as i32 * 50), None);
}

#[test]
fn a_reading_that_stays_behind_stalls_after_twenty_minutes_when_cool_and_fifty_five_when_hot() {
    let cool = feed(300_000, 7_200, |second| 285_000 + (second % 7) as i32);
    assert_eq!(cool, Some((1_200, TripKind::Stall)));
    let hot = feed(1_200_000, 7_200, |second| 1_185_000 + (second % 7) as i32);
    assert_eq!(hot, Some((3_300, TripKind::Stall)));
}

#[test]
fn a_reading_that_stays_behind_but_climbs_does_not_stall() {
    assert_eq!(feed(300_000, 3_600, |second| 220_000 + second as i32 * 15), None);
}

#[test]
fn zones_a_hundred_degrees_apart_trip_after_a_minute() {
    assert_eq!(feed(500_000, 600, |second| 399_000 + second as i32 % 5), Some((60, TripKind::ZoneSpread)));
}

#[test]
fn a_kiln_that_warms_with_every_element_off_is_noticed_and_a_settling_one_is_not() {
    let off = |reading| [ZoneView { reading: Some(reading), on: false, duty: 0.0 }];
    let mut guards = Guards::default();
    // Heat stored in the elements: up by 25 °C within the first three minutes.
    for second in 0..3_600 {
        let reading = 500_000 + 25_000.min(second * 140) - second * 5;
        assert_eq!(guards.watch_rest(STEP_MS, &off(reading)), None, "second {second}");
    }
    let tripped = (0..600).find(|second| guards.watch_rest(STEP_MS, &off(507_000 + second * 100)).is_some());
    assert!(tripped.is_some_and(|second| second <= 160), "{tripped:?}");
    assert!(guards.warms_unasked);
}

#[test]
fn three_samples_above_the_top_trip_and_a_short_spike_does_not() {
    let settings = Settings::default();
    let mut guards = Guards::default();
    for dt_ms in [100, 100] {
        assert!(!guards.watch_top(&settings, dt_ms, 0, Some(1_310_000)));
    }
    assert!(!guards.watch_top(&settings, 100, 0, Some(1_200_000)));
    let samples = (1..).find(|_| guards.watch_top(&settings, 1_000, 0, Some(1_300_001)));
    assert_eq!(samples, Some(3));
}

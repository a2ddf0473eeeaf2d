//! Grid, edges, relays and their faults.

mod common;

use common::*;
use dryfire_kiln::{Circuit, Kiln, KilnError, RelayFault, StartState, ZonePath, three_ring};
use dryfire_units::{Celsius, RigSpan, RigTime, Volts};
use proptest::prelude::*;
use rstest::rstest;

/// A kiln whose zones each hang on a two-pole contactor (relay 0) and a one-pole relay of their own in the first pole.
fn two_pole() -> Circuit {
    let paths = (0..3).map(|zone| ZonePath { poles: vec![vec![0, zone + 1], vec![0]], between: None }).collect();
    Circuit { relays: 4, paths, ..Circuit::default() }
}

fn hot() -> StartState {
    StartState::soaked(Celsius::new(20.0), Celsius::new(800.0))
}

fn three_ring_with(circuit: Circuit) -> Kiln {
    Kiln::new(&three_ring(), circuit, hot()).expect("a good kiln")
}

/// Everything that can be asked, to the last bit.
fn bits(kiln: &Kiln) -> Vec<u64> {
    let mut values = vec![
        kiln.sample_time().as_seconds(),
        kiln.stored_energy().value(),
        kiln.electrical_energy().value(),
        kiln.lost_energy().value(),
    ];
    for zone in 0..kiln.zones() {
        values.extend([
            kiln.zone_temperature(zone).value(),
            kiln.element_temperature(zone).value(),
            kiln.hot_face_temperature(zone).value(),
            kiln.outer_face_temperature(zone).value(),
            kiln.probe_temperature(zone).value(),
            kiln.probe_slope(zone).value(),
            kiln.element_power(zone).value(),
        ]);
        values.extend(kiln.load_temperature(zone).map(Celsius::value));
        values.extend(kiln.wall_temperatures(zone).map(Celsius::value));
    }
    values.into_iter().map(f64::to_bits).collect()
}

#[test]
fn the_state_lags_at_the_last_grid_point_and_stops_exactly_at_edges() {
    let mut kiln = three_ring_with(Circuit::elements_only(3));
    kiln.advance_to(at(2.999_999));
    assert_eq!(kiln.sample_time(), at(2.0));
    kiln.advance_to(at(1.0));
    assert_eq!(kiln.sample_time(), at(2.0), "time does not go back");
    kiln.set_relay(at(3.25), 1, true).expect("in order");
    assert_eq!(kiln.sample_time(), at(3.25));
    kiln.advance_to(at(3.9));
    assert_eq!(kiln.sample_time(), at(3.25));
    kiln.advance_to(at(4.0));
    assert_eq!(kiln.sample_time(), at(4.0));
}

#[test]
fn an_edge_before_the_state_is_refused_and_changes_nothing() {
    let mut kiln = three_ring_with(Circuit::elements_only(3));
    kiln.advance_to(at(10.0));
    let before = bits(&kiln);
    let error = kiln.set_relay(at(9.5), 0, true).expect_err("too late");
    assert_eq!(error, KilnError::EdgeInPast { at: at(9.5), computed: at(10.0) });
    assert_eq!(
        error.to_string(),
        "something should happen at 9.500 s, but the kiln is computed up to 10.000 s already"
    );
    assert_eq!(bits(&kiln), before);
    assert!(!kiln.heat_on(0));
}

#[test]
fn a_call_that_changes_nothing_is_no_edge() {
    let mut kiln = three_ring_with(Circuit::elements_only(3));
    kiln.set_relay(at(0.5), 0, false).expect("nothing to do");
    kiln.set_lid(at(0.5), false).expect("nothing to do");
    kiln.set_supply_volts(at(0.5), Volts::new(240.0)).expect("nothing to do");
    kiln.restore_element(at(0.5), 0).expect("nothing to do");
    kiln.set_relay_fault(at(0.5), 0, None).expect("nothing to do");
    assert_eq!(kiln.sample_time(), at(0.0));
}

#[test]
fn what_there_is_not_is_refused() {
    let mut kiln = three_ring_with(Circuit::elements_only(3));
    assert_eq!(kiln.set_relay(at(1.0), 3, true), Err(KilnError::NoSuchRelay { relay: 3, relays: 3 }));
    assert_eq!(kiln.lose_element(at(1.0), 7), Err(KilnError::NoSuchZone { zone: 7, zones: 3 }));
    for volts in [-1.0, f64::NAN, 1e6] {
        assert!(matches!(kiln.set_supply_volts(at(1.0), Volts::new(volts)), Err(KilnError::SupplyVolts(_))));
    }
    let mut lidless = three_ring();
    lidless.lid = None;
    let mut kiln = Kiln::new(&lidless, Circuit::elements_only(3), hot()).expect("a good kiln");
    assert_eq!(kiln.set_lid(at(1.0), true), Err(KilnError::NoLid));
    assert!(!kiln.heat_on(17));
}

#[rstest]
#[case::colder_than_the_room(20.0, 10.0)]
#[case::hotter_than_any_kiln(20.0, 1500.0)]
#[case::room_of_no_temperature(f64::NAN, 20.0)]
#[case::kiln_of_no_temperature(20.0, f64::NAN)]
fn a_start_that_makes_no_sense_is_refused(#[case] ambient: f64, #[case] kiln: f64) {
    let start = StartState { kiln: celsius(kiln), ..StartState::cold(celsius(ambient)) };
    assert!(matches!(Kiln::new(&three_ring(), Circuit::elements_only(3), start), Err(KilnError::Start(_))));
}

#[test]
fn current_flows_only_if_every_pole_is_closed() {
    let mut kiln = three_ring_with(two_pole());
    kiln.set_relay(at(1.0), 1, true).expect("in order");
    assert!(!kiln.heat_on(0), "contactor open");
    kiln.set_relay(at(2.0), 0, true).expect("in order");
    assert!(kiln.heat_on(0) && !kiln.heat_on(1));
    assert!(!kiln.is_isolated(0) && !kiln.is_isolated(1), "one leg of zone 2 is live through the contactor");
    kiln.set_relay(at(3.0), 0, false).expect("in order");
    assert!(!kiln.heat_on(0) && kiln.is_isolated(0));
}

#[test]
fn a_welded_relay_heats_through_every_command() {
    let mut kiln = three_ring_with(Circuit::elements_only(3));
    kiln.set_relay_fault(at(1.0), 2, Some(RelayFault::Welded)).expect("in order");
    assert!(kiln.heat_on(2));
    kiln.set_relay(at(2.0), 2, true).expect("in order");
    kiln.set_relay(at(3.0), 2, false).expect("in order");
    assert!(kiln.heat_on(2));
    kiln.set_relay_fault(at(4.0), 2, None).expect("in order");
    assert!(!kiln.heat_on(2), "once freed it does what its coil says");
}

#[test]
fn one_welded_pole_hides_until_the_other_relay_welds_too() {
    let mut kiln = three_ring_with(two_pole());
    kiln.set_relay_fault(at(1.0), 0, Some(RelayFault::PoleWelded(0))).expect("in order");
    kiln.set_relay(at(2.0), 1, true).expect("in order");
    assert!(!kiln.heat_on(0), "the contactor's second pole is open");
    assert!(!kiln.is_isolated(0), "but the first leg is live");
    kiln.set_relay_fault(at(3.0), 0, Some(RelayFault::PoleWelded(1))).expect("in order");
    assert!(!kiln.heat_on(0), "the other pole alone does not close the circuit either");
    kiln.set_relay_fault(at(4.0), 0, Some(RelayFault::Welded)).expect("in order");
    assert!(kiln.heat_on(0));
}

#[rstest]
#[case::healthy(None, 1.0, 0.0)]
#[case::stuck_open(Some(RelayFault::StuckOpen), 0.0, 0.0)]
#[case::welded(Some(RelayFault::Welded), 1.0, 1.0)]
#[case::half_open(Some(RelayFault::HalfOpen), 0.5, 0.0)]
#[case::half_shorted(Some(RelayFault::HalfShorted), 1.0, 0.5)]
#[case::burnt_contacts(Some(RelayFault::HighResistance { power_thousandths: 700 }), 0.7, 0.0)]
#[case::sticky(Some(RelayFault::Sticky { release: RigSpan::from_seconds(30) }), 1.0, 1.0)]
fn each_fault_lets_its_share_of_power_through(#[case] fault: Option<RelayFault>, #[case] on: f64, #[case] off: f64) {
    let mut kiln = three_ring_with(Circuit::elements_only(3));
    kiln.set_relay_fault(at(0.0), 0, fault).expect("in order");
    kiln.set_relay(at(0.0), 0, true).expect("in order");
    kiln.set_relay(at(0.0), 1, true).expect("in order");
    // Zone 3 is like zone 1, so its power is what full power would be.
    kiln.set_relay(at(0.0), 2, true).expect("in order");
    let full = kiln.element_power(2).value();
    assert!((kiln.element_power(0).value() / full - on).abs() < 1e-12);
    kiln.set_relay(at(0.0), 0, false).expect("in order");
    assert!((kiln.element_power(0).value() / full - off).abs() < 1e-12);
    assert_eq!(kiln.heat_on(0), off > 0.0);
}

#[test]
fn a_sticky_relay_comes_off_at_its_own_instant() {
    let mut kiln = three_ring_with(Circuit::elements_only(3));
    let release = RigSpan::from_micros(30_000_250);
    kiln.set_relay_fault(at(0.0), 0, Some(RelayFault::Sticky { release })).expect("in order");
    kiln.set_relay(at(1.0), 0, true).expect("in order");
    kiln.set_relay(at(2.5), 0, false).expect("in order");
    let due = RigTime::from_micros(32_500_250);
    assert_eq!(kiln.next_change(), Some(due));
    kiln.advance_to(at(32.0));
    assert!(kiln.heat_on(0));
    kiln.advance_to(at(32.9));
    assert_eq!((kiln.heat_on(0), kiln.sample_time(), kiln.next_change()), (false, due, None));
    // Closed again while it sticks: it stays closed.
    kiln.set_relay(at(40.0), 0, true).expect("in order");
    kiln.set_relay(at(41.0), 0, false).expect("in order");
    kiln.set_relay(at(42.0), 0, true).expect("in order");
    kiln.advance_to(at(100.0));
    assert!(kiln.heat_on(0));
}

#[test]
fn a_lost_element_carries_nothing_even_through_a_weld() {
    let mut kiln = three_ring_with(Circuit::elements_only(3));
    kiln.set_relay_fault(at(0.0), 1, Some(RelayFault::Welded)).expect("in order");
    kiln.lose_element(at(1.0), 1).expect("in order");
    assert!(!kiln.heat_on(1) && kiln.element_power(1).value() == 0.0);
    kiln.restore_element(at(2.0), 1).expect("in order");
    assert!(kiln.heat_on(1));
}

/// Power goes with the square of the voltage: (208/240)² = 75.1 % (Joule's law, computed).
#[test]
fn on_a_lower_supply_the_same_elements_give_less_by_the_square() {
    let mut kiln = three_ring_with(Circuit::elements_only(3));
    all_on(&mut kiln);
    let full: f64 = (0..3).map(|zone| kiln.element_power(zone).value()).sum();
    kiln.set_supply_volts(at(0.0), Volts::new(208.0)).expect("in order");
    let low: f64 = (0..3).map(|zone| kiln.element_power(zone).value()).sum();
    assert!((low / full - 0.7511).abs() < 1e-4, "{}", low / full);
    kiln.set_supply_volts(at(1.0), Volts::new(0.0)).expect("in order");
    assert!(!kiln.heat_on(0), "no supply, no heat");
}

#[test]
fn an_aged_element_gives_less() {
    let mut description = three_ring();
    description.zones[0].element.ageing = 1.1;
    let mut kiln = kiln(&description, StartState::cold(celsius(20.0)));
    all_on(&mut kiln);
    assert!((kiln.element_power(0).value() - 4100.0 / 1.1).abs() < 1e-9);
    assert!((kiln.element_power(2).value() - 4100.0).abs() < 1e-9);
}

#[test]
fn circuits_that_do_not_fit_are_refused() {
    let description = three_ring();
    let paths = |paths: Vec<ZonePath>| {
        Kiln::new(&description, Circuit { relays: 1, paths, ..Circuit::default() }, hot()).map(|_| ())
    };
    let one = |poles: Vec<Vec<usize>>| {
        vec![
            ZonePath { poles: vec![vec![0]], between: None },
            ZonePath { poles, between: None },
            ZonePath { poles: vec![vec![0]], between: None },
        ]
    };
    let mut complaints = String::new();
    for circuit in [vec![], one(vec![vec![1]]), one(vec![])] {
        complaints += &format!("{}\n", paths(circuit).expect_err("does not fit"));
    }
    insta::assert_snapshot!(complaints, @r"
    the kiln has 3 zones, but 0 power paths are given; each zone needs one
    the path of zone 2 names relay 2, but there are only 1
    the path of zone 2 has no pole; name at least one, without relays if it is a plain wire
    ");
    assert!(paths(one(vec![vec![]])).is_ok(), "a plain wire");
}

#[derive(Clone, Debug)]
enum Change {
    Relay(usize, bool),
    Fault(usize, Option<RelayFault>),
    Element(usize, bool),
    Lid(bool),
    Supply(u16),
}

fn change() -> impl Strategy<Value = Change> {
    let fault = prop_oneof![
        Just(None),
        Just(Some(RelayFault::Welded)),
        Just(Some(RelayFault::PoleWelded(1))),
        Just(Some(RelayFault::StuckOpen)),
        Just(Some(RelayFault::HalfShorted)),
        (1_i64..40_000_000).prop_map(|micros| Some(RelayFault::Sticky { release: RigSpan::from_micros(micros) })),
    ];
    prop_oneof![
        6 => (0..4_usize, any::<bool>()).prop_map(|(relay, closed)| Change::Relay(relay, closed)),
        2 => (0..4_usize, fault).prop_map(|(relay, fault)| Change::Fault(relay, fault)),
        1 => (0..3_usize, any::<bool>()).prop_map(|(zone, intact)| Change::Element(zone, intact)),
        1 => any::<bool>().prop_map(Change::Lid),
        1 => (0..300_u16).prop_map(Change::Supply),
    ]
}

fn apply(kiln: &mut Kiln, now: RigTime, change: &Change) {
    match *change {
        Change::Relay(relay, closed) => kiln.set_relay(now, relay, closed),
        Change::Fault(relay, fault) => kiln.set_relay_fault(now, relay, fault),
        Change::Element(zone, true) => kiln.restore_element(now, zone),
        Change::Element(zone, false) => kiln.lose_element(now, zone),
        Change::Lid(open) => kiln.set_lid(now, open),
        Change::Supply(volts) => kiln.set_supply_volts(now, Volts::new(f64::from(volts))),
    }
    .expect("in order");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, ..ProptestConfig::default() })]

    #[test]
    fn any_chunking_of_the_calls_gives_the_same_state_to_the_bit(
        changes in prop::collection::vec((0_i64..9_000_000, change()), 1..25),
        polls in prop::collection::vec(0.0..1.0_f64, 0..60),
        rest in 0_i64..5_000_000,
    ) {
        let mut plain = three_ring_with(two_pole());
        let mut polled = three_ring_with(two_pole());
        let mut now = RigTime::ZERO;
        let mut polls = polls.iter();
        for (wait, change) in &changes {
            let next = now + RigSpan::from_micros(*wait);
            // A few polls on the way, in order, never past the change.
            let mut fractions: Vec<f64> = polls.by_ref().take(3).copied().collect();
            fractions.sort_by(f64::total_cmp);
            for fraction in fractions {
                polled.advance_to(now + RigSpan::from_micros((*wait as f64 * fraction) as i64));
                // Asking changes nothing.
                let _ = bits(&polled);
            }
            apply(&mut plain, next, change);
            apply(&mut polled, next, change);
            now = next;
        }
        let end = now + RigSpan::from_micros(rest);
        plain.advance_to(end);
        let mut step = now;
        while step < end {
            step += RigSpan::from_micros(77_777);
            polled.advance_to(step.min(end));
        }
        prop_assert_eq!(bits(&plain), bits(&polled));
    }
}

/// The whole state, in degrees.
fn temperatures(kiln: &Kiln) -> Vec<f64> {
    let zones = 0..kiln.zones();
    let of_zone = |zone| {
        let bodies = [
            kiln.zone_temperature(zone),
            kiln.element_temperature(zone),
            kiln.hot_face_temperature(zone),
            kiln.probe_temperature(zone),
        ];
        bodies.into_iter().chain(kiln.wall_temperatures(zone)).map(Celsius::value).collect::<Vec<_>>()
    };
    zones.flat_map(of_zone).collect()
}

/// An edge so close before a grid point leaves a step of next to no length, over which nothing moves:
/// what a quotient over it says of speeds must not reach into the next second. The element's 2 °C/s
/// (1800 W into 800 J/K) and what the kiln gains by it are all that the shift of the edge may show.
#[rstest]
fn an_edge_just_before_a_grid_point_is_as_one_on_it(
    #[values(1, 3, 12, 50, 200, 1_000, 5_000, 19_000, 41_000)] before: i64,
    #[values(false, true)] closes: bool,
) {
    let run = |before: i64| {
        let mut kiln = three_ring_with(Circuit::elements_only(3));
        all_on(&mut kiln);
        let mut told = Vec::new();
        for minute in 1..10 {
            for zone in 0..3 {
                let edge = RigTime::from_micros(minute * 60_000_000 - before + 7_000_000 * zone as i64);
                kiln.set_relay(edge, zone, (minute % 2 == 0) == closes).expect("in order");
                for after in [1, 2, 5] {
                    kiln.advance_to(RigTime::from_micros(minute * 60_000_000 + (7 * zone as i64 + after) * 1_000_000));
                    told.extend(temperatures(&kiln));
                }
            }
        }
        told
    };
    let (shifted, on_it) = (run(before), run(0));
    let worst = shifted.iter().zip(&on_it).map(|(one, other)| (one - other).abs()).fold(0.0, f64::max);
    let shift = 1e-6 * before as f64;
    assert!(worst < 0.02 + 8.0 * shift, "{before} µs before: {worst} °C");
}

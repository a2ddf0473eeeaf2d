//! What can still open a path, for the ways in which kilns are wired.

use dryfire_kiln::{Circuit, Kiln, RelayFault, StartState, ZonePath, three_ring};
use dryfire_scenario::{Bench, OldPart, OldPartKind, Path, PathRelay, Pole, Relay, Unpowered, parse_bench};
use dryfire_units::{Celsius, RigTime};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use rstest::rstest;

use super::*;
use crate::plan::zones_without_second_means;

/// A bench of two zones with these relays, paths and zones, as a bench file has them.
pub(crate) fn bench(zones: &str, relays: &[&str], paths: &[(&str, &str)]) -> Bench {
    bench_that_declares(zones, relays, paths, "top temperature: 1280 °C", "{}")
}

pub(crate) fn bench_that_declares(
    zones: &str,
    relays: &[&str],
    paths: &[(&str, &str)],
    top: &str,
    reactions: &str,
) -> Bench {
    let relays = relays.iter().enumerate().map(|(input, role)| {
        let made = if *role == "safety" { "contactor" } else { "relay" };
        format!("  - {{ role: {role}, made as: {made}, input: {input}, senses: command, active: high }}\n")
    });
    let paths = paths.iter().map(|(zone, poles)| format!("  - {{ zone: {zone}, poles: {poles} }}\n"));
    let text = format!(
        "format: 1\nbench: invented\nvirtual: {{ tick: 100 ms }}\nkiln: kiln.yaml\ncontroller: {{ name: invented }}\n\
         zones: {zones}\nrelays:\n{}paths:\n{}begin firing: {{ console: [start] }}\n\
         declares: {{ {top}, longest firing: 14 h, cycle time: 15 s, reactions: {reactions} }}\n\
         uncertainty: {{ edge time: 1 ms, shown temperature: 1 °C }}\n",
        relays.collect::<String>(),
        paths.collect::<String>(),
    );
    match parse_bench("invented.yaml", &text) {
        Ok((bench, _)) => bench,
        Err(mistakes) => panic!("{mistakes:#?}\n{text}"),
    }
}

pub(crate) const TWO_ZONES: &str = "[{ name: top, probe: K, channel: 0 }, { name: bottom, probe: K, channel: 1 }]";

/// A two-pole contactor before one-pole element relays, on a two-pole supply.
pub(crate) fn with_contactor() -> Bench {
    bench(
        TWO_ZONES,
        &["safety", "element.top", "element.bottom"],
        &[("top", "[[safety, element.top], [safety]]"), ("bottom", "[[safety, element.bottom], [safety]]")],
    )
}

/// One-pole element relays alone, on a two-pole supply.
fn without_contactor() -> Bench {
    bench(
        TWO_ZONES,
        &["element.top", "element.bottom"],
        &[("top", "[[element.top], []]"), ("bottom", "[[element.bottom], []]")],
    )
}

/// A one-pole contactor on a two-pole supply.
fn one_pole_contactor() -> Bench {
    bench(
        TWO_ZONES,
        &["safety", "element.top", "element.bottom"],
        &[("top", "[[safety, element.top], []]"), ("bottom", "[[safety, element.bottom], []]")],
    )
}

fn row_of(table: &SingleFaultTable, fault: SingleFault) -> &SingleFaultRow {
    table.rows.iter().find(|row| row.fault == fault).unwrap_or_else(|| panic!("no row for {fault:?}"))
}

fn openers(row: &SingleFaultRow) -> Vec<Vec<usize>> {
    row.zones.iter().map(ZoneMeans::openers).collect()
}

fn isolated(row: &SingleFaultRow) -> Vec<bool> {
    row.zones.iter().map(ZoneMeans::isolated).collect()
}

#[test]
fn a_contactor_is_a_second_means_for_every_element_relay_and_the_other_way_round() {
    let table = SingleFaultTable::of(&with_contactor());
    let welded = row_of(&table, SingleFault::RelayWelded { relay: 1 });
    assert_eq!(openers(welded), [vec![0], vec![0, 2]]);
    assert_eq!(isolated(welded), [true, true]);
    assert_eq!(welded.zones.iter().map(|means| means.touched).collect::<Vec<_>>(), [true, false]);
    let contactor = row_of(&table, SingleFault::RelayWelded { relay: 0 });
    assert_eq!(openers(contactor), [vec![1], vec![2]]);
    assert_eq!(isolated(contactor), [false, false], "the second pole has nothing but the contactor");
}

#[test]
fn a_weld_in_one_pole_of_a_contactor_hides_and_takes_isolation() {
    let table = SingleFaultTable::of(&with_contactor());
    let first = row_of(&table, SingleFault::PoleWelded { relay: 0, pole: 0 });
    assert!(first.hides());
    assert_eq!(isolated(first), [true, true], "each element relay still opens the first pole");
    let second = row_of(&table, SingleFault::PoleWelded { relay: 0, pole: 1 });
    assert!(second.hides());
    assert_eq!(openers(second), [vec![0, 1], vec![0, 2]]);
    assert_eq!(isolated(second), [false, false]);
    let has_pole_row = |relay| {
        table.rows.iter().any(|row| matches!(row.fault, SingleFault::PoleWelded { relay: r, .. } if r == relay))
    };
    assert!(!has_pole_row(1), "a relay with one contact has no pole of its own to weld");
}

#[test]
fn without_a_contactor_a_weld_leaves_no_second_means_and_nothing_is_ever_isolated() {
    let table = SingleFaultTable::of(&without_contactor());
    let nothing = row_of(&table, SingleFault::Nothing);
    assert!(nothing.zones.iter().all(|means| means.heat_off() && !means.isolated()));
    for fault in [SingleFault::RelayWelded { relay: 1 }, SingleFault::OutputStuckOn { relay: 1 }] {
        let lost: Vec<usize> = row_of(&table, fault).without_second_means().map(|means| means.zone).collect();
        assert_eq!(lost, [1]);
    }
    // Two welds, two stuck outputs, the coils of the one supply, the processor.
    assert_eq!(table.without_second_means(), 6);
}

#[test]
fn a_one_pole_contactor_stops_the_current_and_isolates_nothing() {
    let table = SingleFaultTable::of(&one_pole_contactor());
    assert_eq!(isolated(row_of(&table, SingleFault::Nothing)), [false, false]);
    assert_eq!(openers(row_of(&table, SingleFault::RelayWelded { relay: 1 })), [vec![0], vec![0, 2]]);
    assert!(!table.rows.iter().any(|row| matches!(row.fault, SingleFault::PoleWelded { .. })));
    assert_eq!(table.without_second_means(), 2, "only the processor, and what feeds all coils");
}

#[test]
fn a_processor_that_commands_every_relay_is_itself_a_single_means() {
    let table = SingleFaultTable::of(&with_contactor());
    let halted = row_of(&table, SingleFault::ProcessorHalted);
    assert_eq!(halted.without_second_means().count(), 2);
    assert_eq!(table.rows.last().map(|row| row.fault), Some(SingleFault::ProcessorHalted));
}

#[test]
fn a_probe_s_fault_takes_no_relay_but_has_to_be_noticed() {
    let table = SingleFaultTable::of(&with_contactor());
    for fault in
        [SingleFault::ProbeOpen { zone: 1 }, SingleFault::ProbeShort { zone: 1 }, SingleFault::ProbeStuck { zone: 1 }]
    {
        let row = row_of(&table, fault);
        assert!(row.needs_notice());
        assert_eq!(openers(row), [vec![0, 1], vec![0, 2]]);
        assert_eq!(row.zones.iter().map(|means| means.touched).collect::<Vec<_>>(), [false, true]);
    }
}

#[test]
fn a_zone_without_a_probe_is_touched_by_the_other_zone_s() {
    let zones = "[{ name: top, probe: K, channel: 0 }, { name: bottom, probe: K }]";
    let table = SingleFaultTable::of(&bench(
        zones,
        &["element.top", "element.bottom"],
        &[("top", "[[element.top]]"), ("bottom", "[[element.bottom]]")],
    ));
    assert_eq!(table.without_probe, [1]);
    assert!(row_of(&table, SingleFault::ProbeOpen { zone: 0 }).zones.iter().all(|means| means.touched));
    assert!(!table.rows.iter().any(|row| row.fault.probe() == Some(1)));
}

#[test]
fn a_path_of_plain_wires_has_no_means_even_with_nothing_wrong() {
    let table =
        SingleFaultTable::of(&bench(TWO_ZONES, &["element.top"], &[("top", "[[element.top]]"), ("bottom", "[[]]")]));
    let lost: Vec<usize> =
        row_of(&table, SingleFault::Nothing).without_second_means().map(|means| means.zone).collect();
    assert_eq!(lost, [1]);
    assert_eq!(table.without_second_means(), table.rows.len(), "every row has that zone");
}

/// The same question is asked of every scenario that welds a relay.
#[rstest]
#[case(with_contactor())]
#[case(without_contactor())]
#[case(one_pole_contactor())]
fn it_agrees_with_what_scenarios_are_told_about_welds(#[case] bench: Bench) {
    let table = SingleFaultTable::of(&bench);
    for relay in 0..bench.relays.len() {
        let row = row_of(&table, SingleFault::RelayWelded { relay });
        let lost: Vec<usize> = row.without_second_means().map(|means| means.zone).collect();
        assert_eq!(lost, zones_without_second_means(&bench, &[relay]), "relay {relay}");
    }
}

#[test]
fn coils_of_one_supply_that_stay_on_take_every_means_and_a_supply_of_its_own_is_one() {
    let mut bench = with_contactor();
    let table = SingleFaultTable::of(&bench);
    assert_eq!(table.coil_supplies, ["common"]);
    let all = row_of(&table, SingleFault::CoilsStayOn { supply: 0 });
    assert_eq!(all.without_second_means().count(), 2, "one supply feeds every coil");
    let lost = row_of(&table, SingleFault::CoilsLoseSupply { supply: 0 });
    assert_eq!(openers(lost), [vec![0, 1], vec![0, 2]], "normally open contacts open by themselves");
    assert!(lost.zones.iter().all(|means| means.touched));
    bench.relays[0].coil_supply = "contactor".to_owned();
    let table = SingleFaultTable::of(&bench);
    assert_eq!(table.coil_supplies, ["contactor", "common"]);
    let elements = row_of(&table, SingleFault::CoilsStayOn { supply: 1 });
    assert_eq!(openers(elements), [vec![0], vec![0]]);
    assert_eq!(elements.without_second_means().count(), 0);
}

#[rstest]
#[case::normally_open(Unpowered::Open, true, false)]
#[case::normally_closed(Unpowered::Closed, false, true)]
#[case::latching(Unpowered::AsItWas, false, false)]
fn what_a_lost_supply_of_the_coils_leaves_depends_on_how_the_relay_is_made(
    #[case] unpowered: Unpowered,
    #[case] opens_when_lost: bool,
    #[case] opens_when_on: bool,
) {
    let mut bench = without_contactor();
    bench.relays.iter_mut().for_each(|relay| relay.unpowered = unpowered);
    let table = SingleFaultTable::of(&bench);
    let heat_off = |fault| row_of(&table, fault).zones.iter().all(ZoneMeans::heat_off);
    assert_eq!(heat_off(SingleFault::CoilsLoseSupply { supply: 0 }), opens_when_lost);
    assert_eq!(heat_off(SingleFault::CoilsStayOn { supply: 0 }), opens_when_on);
}

#[test]
fn a_bypass_around_everything_leaves_nothing_and_one_around_a_relay_what_is_beside_it() {
    let mut bench = with_contactor();
    let around = |relays: &[usize]| OldPartKind::Bypass { around: relays.iter().map(|it| PathRelay(*it)).collect() };
    bench.old_parts = vec![OldPart { zone: 1, kind: around(&[0, 2]) }, OldPart { zone: 0, kind: around(&[1]) }];
    let table = SingleFaultTable::of(&bench);
    let whole = row_of(&table, SingleFault::BypassClosed { part: 0 });
    assert_eq!(openers(whole), [vec![0, 1], vec![]]);
    assert_eq!(whole.without_second_means().map(|means| means.zone).collect::<Vec<_>>(), [1]);
    let part = row_of(&table, SingleFault::BypassClosed { part: 1 });
    assert_eq!(openers(part), [vec![0], vec![0, 2]]);
    assert_eq!(part.zones.iter().map(|means| means.touched).collect::<Vec<_>>(), [true, false]);
}

/// A bench of three zones with some relays in any poles.
fn any_bench() -> impl Strategy<Value = Bench> {
    let pole = prop::collection::vec(0..4_usize, 0..3);
    let path = prop::collection::vec(pole, 1..4);
    prop::collection::vec(path, 3).prop_map(|paths| {
        let mut bench = with_contactor();
        let relay: Relay = bench.relays[0].clone();
        bench.relays = vec![relay; 4];
        // Two supplies, and each way in which a relay can be made.
        bench.relays[2].coil_supply = "other".to_owned();
        (bench.relays[1].unpowered, bench.relays[2].unpowered) = (Unpowered::Closed, Unpowered::AsItWas);
        bench.zones = vec![bench.zones[0].clone(), bench.zones[1].clone(), bench.zones[0].clone()];
        let wired = |(zone, poles): (usize, Vec<Vec<usize>>)| Path {
            zone,
            poles: poles
                .into_iter()
                .map(|through| Pole { through: through.into_iter().map(PathRelay).collect() })
                .collect(),
            between: None,
        };
        bench.paths = paths.into_iter().enumerate().map(wired).collect();
        // A bypass around every other relay of the second zone.
        let mut around: Vec<PathRelay> = bench.paths[1].poles.iter().flat_map(|pole| &pole.through).copied().collect();
        around.retain(|relay| relay.0 % 2 == 0);
        if !around.is_empty() {
            bench.old_parts = vec![OldPart { zone: 1, kind: OldPartKind::Bypass { around } }];
        }
        bench
    })
}

/// The kiln model's own circuit after this fault, with every contact that still can driven open.
fn modelled(bench: &Bench, fault: SingleFault) -> Kiln {
    let paths = bench.paths.iter().map(|path| ZonePath {
        poles: path.poles.iter().map(|pole| pole.through.iter().map(|relay| relay.0).collect()).collect(),
        between: None,
    });
    let unpowered = bench.relays.iter().map(|relay| relay.unpowered);
    let old_parts = bench.old_parts.iter().map(|part| {
        let OldPartKind::Bypass { around } = &part.kind else { panic!("a bypass") };
        let around = around.iter().map(|relay| relay.0).collect();
        dryfire_kiln::OldPart { zone: part.zone, kind: dryfire_kiln::OldPartKind::Bypass { around } }
    });
    let circuit = Circuit {
        relays: bench.relays.len(),
        paths: paths.collect(),
        unpowered: unpowered.collect(),
        old_parts: old_parts.collect(),
    };
    let start = StartState::cold(Celsius::new(20.0));
    let mut kiln = Kiln::new(&three_ring(), circuit, start).expect("a circuit in order");
    let now = RigTime::ZERO;
    let supplies = coil_supplies(bench);
    for (relay, made) in bench.relays.iter().enumerate() {
        let of_supply = |supply: usize| made.coil_supply == supplies[supply];
        match fault {
            SingleFault::RelayWelded { relay: lost } | SingleFault::OutputStuckOn { relay: lost } if lost == relay => {
                kiln.set_relay_fault(now, relay, Some(RelayFault::Welded)).expect("a relay that there is");
            }
            SingleFault::PoleWelded { relay: lost, pole } if lost == relay => {
                kiln.set_relay_fault(now, relay, Some(RelayFault::PoleWelded(pole))).expect("a relay that there is");
            }
            // Energised: a normally open contact closes, a normally closed one opens, a latching one is set.
            SingleFault::CoilsStayOn { supply } if of_supply(supply) => {
                kiln.set_relay(now, relay, made.unpowered != Unpowered::Closed).expect("a relay that there is");
            }
            SingleFault::CoilsLoseSupply { supply } if of_supply(supply) => {
                kiln.set_relay(now, relay, true).expect("a relay that there is");
                kiln.set_coil_supply(now, relay, false).expect("a relay that there is");
            }
            _ => {}
        }
    }
    if let SingleFault::BypassClosed { part } = fault {
        kiln.set_bypass(now, part, true).expect("a bypass that there is");
    }
    kiln
}

proptest! {
    #![proptest_config(ProptestConfig {
        failure_persistence: None,
        rng_seed: RngSeed::Fixed(20_261_125),
        cases: 300,
        ..ProptestConfig::default()
    })]

    #[test]
    fn whatever_the_wiring_it_agrees_with_the_kiln_model_s_circuit(bench in any_bench()) {
        for row in &SingleFaultTable::of(&bench).rows {
            if row.fault.probe().is_some() || row.fault == SingleFault::ProcessorHalted {
                continue;
            }
            let kiln = modelled(&bench, row.fault);
            for means in &row.zones {
                prop_assert_eq!(means.heat_off(), !kiln.heat_on(means.zone), "{:?} zone {}", row.fault, means.zone);
                prop_assert_eq!(means.isolated(), kiln.is_isolated(means.zone), "{:?} zone {}", row.fault, means.zone);
            }
        }
    }

    #[test]
    fn no_fault_ever_adds_a_means(bench in any_bench()) {
        let table = SingleFaultTable::of(&bench);
        let nothing = &table.rows[0];
        for row in &table.rows {
            for (means, best) in row.zones.iter().zip(&nothing.zones) {
                prop_assert!(!means.heat_off() || best.heat_off());
                prop_assert!(!means.isolated() || best.isolated());
                prop_assert!(means.touched || means.poles == best.poles, "an untouched zone is as with nothing wrong");
            }
        }
    }
}

//! Laws that hold whatever comes in.

use proptest::prelude::*;

use super::*;

#[derive(Clone, Debug)]
enum Happening {
    Pass(u16),
    Reading(usize, Reading),
    Contacts(Contacts),
    Line(&'static str),
    SupplyCut,
}

fn any_reading() -> impl Strategy<Value = Reading> {
    prop_oneof![
        4 => (-50_000..1_400_000i32).prop_map(Ok),
        1 => any::<i32>().prop_map(Ok),
        1 => Just(Err(ProbeFault::Open)),
        1 => Just(Err(ProbeFault::OutOfRange)),
        1 => Just(Err(ProbeFault::NoAnswer)),
    ]
}

fn any_happening() -> impl Strategy<Value = Happening> {
    let contacts = (any::<bool>(), any::<bool>(), any::<bool>(), any::<bool>())
        .prop_map(|(lid_open, stop, start, acknowledge)| Contacts { lid_open, stop, start, acknowledge });
    prop_oneof![
        6 => (1..600u16).prop_map(Happening::Pass),
        3 => (0..3usize, any_reading()).prop_map(|(zone, reading)| Happening::Reading(zone, reading)),
        1 => (0..3usize).prop_map(|zone| Happening::Reading(zone, Ok(20_000))),
        2 => contacts.prop_map(Happening::Contacts),
        2 => Just(Happening::Contacts(Contacts::default())),
        3 => Just(Happening::Line("start")),
        1 => Just(Happening::Line("stop")),
        2 => Just(Happening::Line("acknowledge")),
        1 => Just(Happening::Line("program 900 C/h to 1200 C; hold 1 h")),
        1 => Just(Happening::SupplyCut),
    ]
}

proptest! {
    #![proptest_config(crate::test_config(128))]

    #[test]
    fn whatever_comes_in_no_element_is_on_unless_a_firing_is_under_way(
        tick_ms in prop_oneof![Just(100u32), Just(1_000)],
        begin_ms in prop_oneof![Just(0u32), Just(u32::MAX - 30_000)],
        happenings in proptest::collection::vec(any_happening(), 1..60),
    ) {
        let settings = Settings { tick_ms, ..Settings::default() };
        let mut memory = MemoryImage::BLANK;
        let mut controller = StandIn::boot(settings, Defects::NONE, &memory);
        controller.console_line("program 600 C/h to 1000 C; hold 1 h");
        controller.console_line("start");
        let mut inputs = Inputs { readings: [Ok(20_000); MAX_ZONES], contacts: Contacts::default() };
        let (mut now_ms, mut read, mut settled) = (begin_ms, [0u32; 3], 0u32);
        for happening in happenings {
            let mut ticks = 1;
            match happening {
                Happening::Pass(count) => ticks = count,
                Happening::Reading(zone, reading) => inputs.readings[zone] = reading,
                Happening::Contacts(contacts) => {
                    inputs.contacts = contacts;
                    settled = 0;
                }
                Happening::Line(line) => controller.console_line(line),
                Happening::SupplyCut => {
                    controller = StandIn::boot(settings, Defects::NONE, &memory);
                    (read, settled) = ([0; 3], 0);
                }
            }
            for _ in 0..ticks {
                now_ms = now_ms.wrapping_add(tick_ms);
                let outputs = controller.tick(now_ms, &inputs);
                settled += 1;
                for (count, reading) in read.iter_mut().zip(&inputs.readings) {
                    *count += u32::from(reading.is_ok());
                }
                if outputs.any_element() {
                    prop_assert_eq!(controller.phase(), Phase::Firing);
                    prop_assert!(outputs.safety, "an element without the contactor");
                    prop_assert!(read.iter().all(|count| *count > 0), "before the first reading");
                    // Two ticks are what debouncing takes.
                    let contacts = &inputs.contacts;
                    prop_assert!(settled <= 2 || !(contacts.lid_open || contacts.stop));
                }
                if let Some(save) = controller.take_save() {
                    memory.write(&save, usize::MAX);
                }
                while controller.take_line().is_some() {}
            }
        }
    }

    #[test]
    fn a_latched_fault_stays_until_somebody_acknowledges_it(
        happenings in proptest::collection::vec(any_happening(), 1..60),
    ) {
        let mut toy = ToyKiln::firing("300 C/h to 600 C");
        toy.says[0] = Some(Err(ProbeFault::Open));
        toy.run(10.0);
        for happening in happenings {
            match happening {
                Happening::Pass(ticks) => toy.run(f32::from(ticks) / 10.0),
                Happening::Reading(zone, reading) => toy.says[zone] = Some(reading),
                Happening::Contacts(contacts) => toy.contacts = Contacts { acknowledge: false, ..contacts },
                Happening::Line("acknowledge") => {}
                Happening::Line(line) => toy.say(line),
                Happening::SupplyCut => toy.cut_supply(5.0),
            }
            toy.run(0.5);
            prop_assert_eq!(toy.tripped_by(), Some(TripKind::Probe(ProbeFault::Open)));
            prop_assert!(!toy.outputs.any_on());
        }
    }
}

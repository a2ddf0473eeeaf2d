//! Tolerance classes. Figures: IEC 60584-1:2013 and ASTM E230 as quoted by
//! suppliers' tables; the standards were not seen. What is from memory says so.

use dryfire_units::tolerance::{Basis, ROWS, ToleranceClass};
use dryfire_units::{Celsius, ThermocoupleType};
use rstest::rstest;

fn at(class: ToleranceClass, letter: char, celsius: f64) -> Option<(f64, Basis)> {
    let kind = ThermocoupleType::from_letter(letter).expect("a type");
    class.at(kind, Celsius::new(celsius)).map(|found| (found.plus_minus.value(), found.basis))
}

/// Where the share overtakes the fixed value: fixed ÷ share.
#[rstest]
#[case(ToleranceClass::Iec1, 'K', 375.0, 1.5)]
#[case(ToleranceClass::Iec2, 'K', 333.333_333_333, 2.5)]
#[case(ToleranceClass::Iec3, 'K', -166.666_666_667, 2.5)]
#[case(ToleranceClass::Iec2, 'S', 600.0, 1.5)]
#[case(ToleranceClass::Iec1, 'T', 125.0, 0.5)]
#[case(ToleranceClass::Iec2, 'T', 133.333_333_333, 1.0)]
#[case(ToleranceClass::Iec3, 'B', 800.0, 4.0)]
#[case(ToleranceClass::AstmStandard, 'K', 293.333_333_333, 2.2)]
#[case(ToleranceClass::AstmSpecial, 'K', 275.0, 1.1)]
#[case(ToleranceClass::AstmSpecial, 'S', 600.0, 0.6)]
fn the_share_takes_over_at_the_crossover(
    #[case] class: ToleranceClass,
    #[case] letter: char,
    #[case] crossover: f64,
    #[case] fixed: f64,
) {
    let outward = 10.0_f64.copysign(crossover);
    let (before, here, beyond) = (
        at(class, letter, crossover - outward).expect("inside").0,
        at(class, letter, crossover).expect("inside").0,
        at(class, letter, crossover + outward).expect("inside").0,
    );
    assert_eq!(before, fixed);
    assert!((here - fixed).abs() < 1e-9, "{here}");
    assert!(beyond > fixed, "{beyond}");
}

#[rstest]
#[case(ToleranceClass::Iec2, 'K', 1000.0, 7.5)]
#[case(ToleranceClass::Iec2, 'K', 1200.0, 9.0)]
#[case(ToleranceClass::Iec1, 'K', 1000.0, 4.0)]
#[case(ToleranceClass::Iec1, 'N', 1000.0, 4.0)]
#[case(ToleranceClass::Iec1, 'S', 1100.0, 1.0)]
#[case(ToleranceClass::Iec2, 'S', 1300.0, 3.25)]
#[case(ToleranceClass::AstmStandard, 'K', 1260.0, 9.45)]
#[case(ToleranceClass::AstmSpecial, 'R', 1480.0, 1.48)]
#[case(ToleranceClass::AstmStandard, 'B', 1700.0, 8.5)]
fn at_a_temperature(
    #[case] class: ToleranceClass,
    #[case] letter: char,
    #[case] celsius: f64,
    #[case] plus_minus: f64,
) {
    let (found, basis) = at(class, letter, celsius).expect("inside");
    assert!((found - plus_minus).abs() < 1e-12, "{found}");
    assert_eq!(basis, Basis::Copy);
}

/// 1 + 0.003·(t − 1100): from memory, the copy that was seen garbles it.
#[rstest]
#[case('R', 1300.0, 1.6)]
#[case('S', 1600.0, 2.5)]
fn noble_class_1_above_1100_degrees_is_marked_as_from_memory(
    #[case] letter: char,
    #[case] celsius: f64,
    #[case] plus_minus: f64,
) {
    let (found, basis) = at(ToleranceClass::Iec1, letter, celsius).expect("inside");
    assert!((found - plus_minus).abs() < 1e-12, "{found}");
    assert_eq!(basis, Basis::Memory);
}

#[test]
fn disagreeing_copies_are_marked() {
    assert_eq!(at(ToleranceClass::AstmStandard, 'K', -150.0), Some((3.0, Basis::CopiesDisagree)));
}

#[rstest]
// A kiln's top is beyond both classes of type K.
#[case(ToleranceClass::Iec2, 'K', 1200.1)]
#[case(ToleranceClass::Iec1, 'K', 1000.1)]
#[case(ToleranceClass::Iec3, 'K', 40.1)]
#[case(ToleranceClass::Iec1, 'B', 1000.0)]
#[case(ToleranceClass::Iec3, 'J', 0.0)]
#[case(ToleranceClass::AstmStandard, 'B', 800.0)]
#[case(ToleranceClass::Iec2, 'K', f64::NAN)]
fn outside_its_ranges_a_class_says_nothing(#[case] class: ToleranceClass, #[case] letter: char, #[case] celsius: f64) {
    assert_eq!(at(class, letter, celsius), None);
}

#[test]
fn every_row_lies_in_its_type_s_range_and_a_tighter_class_is_nowhere_wider() {
    for row in ROWS {
        let (low, high) = row.kind.range();
        assert!(row.from_celsius >= low.value() && row.to_celsius <= high.value(), "{row:?}");
        assert!(row.from_celsius < row.to_celsius, "{row:?}");
    }
    for kind in ThermocoupleType::ALL {
        for celsius in (-200..1800).map(|t| Celsius::new(f64::from(t))) {
            for (tight, wide) in [
                (ToleranceClass::Iec1, ToleranceClass::Iec2),
                (ToleranceClass::AstmSpecial, ToleranceClass::AstmStandard),
            ] {
                let both = tight.at(kind, celsius).zip(wide.at(kind, celsius));
                if let Some((tight, wide)) = both {
                    assert!(tight.plus_minus.value() <= wide.plus_minus.value(), "{kind:?} at {celsius}");
                }
            }
        }
    }
    assert_eq!(ToleranceClass::Iec2.highest(ThermocoupleType::K), Some(Celsius::new(1200.0)));
    assert_eq!(ToleranceClass::Iec3.highest(ThermocoupleType::J), None);
}

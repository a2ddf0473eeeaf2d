extern crate std;

use std::string::ToString;

use proptest::prelude::*;
use rstest::rstest;

use super::*;

const HOTTEST: i32 = 1_295_000;

fn ramp(rate: i32, to: i32) -> Segment {
    Segment::Ramp { rate_millicelsius_per_hour: rate, to_millicelsius: to }
}

fn hold(length_ms: u32) -> Segment {
    Segment::Hold { length_ms }
}

#[rstest]
#[case("150 C/h to 1000 C", &[ramp(150_000, 1_000_000)])]
#[case("150C/h to 1000C;hold 20min", &[ramp(150_000, 1_000_000), hold(1_200_000)])]
#[case("62.5 °C/h to 120 °C; hold 1 h 30 min", &[ramp(62_500, 120_000), hold(5_400_000)])]
#[case("300 degC/h to 600 degC; hold 90 s; 100 C/h to 20 C", &[ramp(300_000, 600_000), hold(90_000), ramp(100_000, 20_000)])]
#[case("1 C/h to 50 C; hold 0.5 h", &[ramp(1_000, 50_000), hold(1_800_000)])]
fn a_program_is_read_as_written(#[case] text: &str, #[case] segments: &[Segment]) {
    assert_eq!(Program::parse(text, HOTTEST).expect("a good program").segments(), segments);
}

#[rstest]
#[case("", ProgramError::Empty)]
#[case("   ", ProgramError::Empty)]
#[case("hold 20 min", ProgramError::HoldFirst)]
#[case("0 C/h to 1000 C", ProgramError::Rate { segment: 1 })]
#[case("2001 C/h to 1000 C", ProgramError::Rate { segment: 1 })]
#[case("150 C/h to 1296 C", ProgramError::Temperature { segment: 1, hottest_millicelsius: HOTTEST })]
#[case("150 C/h to 0 C", ProgramError::Temperature { segment: 1, hottest_millicelsius: HOTTEST })]
#[case("150 F/h to 1000 F", ProgramError::Fahrenheit { segment: 1 })]
#[case("150 C/h to 1000 °F", ProgramError::Fahrenheit { segment: 1 })]
#[case("150 C/h to 1000 C; hold 0 min", ProgramError::Length { segment: 2 })]
#[case("150 C/h to 1000 C; hold 101 h", ProgramError::Length { segment: 2 })]
#[case("150 C/h to 1000 C; hold", ProgramError::NotANumber { segment: 2 })]
#[case("150 C/h to 1000 C; hold 20", ProgramError::NotANumber { segment: 2 })]
#[case("150 C/h to 1000 C; hold 20 min min", ProgramError::NotANumber { segment: 2 })]
#[case("150 C/min to 1000 C", ProgramError::NotANumber { segment: 1 })]
#[case("-150 C/h to 1000 C", ProgramError::NotANumber { segment: 1 })]
#[case("1e3 C/h to 1000 C", ProgramError::NotANumber { segment: 1 })]
#[case("150 C/h to 1000 C;", ProgramError::NotASegment { segment: 2 })]
#[case("fire it up", ProgramError::NotASegment { segment: 1 })]
#[case("99999999999 C/h to 1000 C", ProgramError::NotANumber { segment: 1 })]
fn nonsense_is_refused_with_the_reason(#[case] text: &str, #[case] error: ProgramError) {
    assert_eq!(Program::parse(text, HOTTEST), Err(error));
    assert!(!error.to_string().is_empty());
}

#[test]
fn more_segments_than_fit_are_refused() {
    let text = std::vec!["10 C/h to 100 C"; MAX_SEGMENTS + 1].join(";");
    assert_eq!(Program::parse(&text, HOTTEST), Err(ProgramError::TooMany));
}

fn any_program() -> impl Strategy<Value = Program> {
    let first = (1..=FASTEST_RAMP, 1_000..=HOTTEST).prop_map(|(rate, to)| ramp(rate, to));
    let later = prop_oneof![
        (1..=FASTEST_RAMP, 1_000..=HOTTEST).prop_map(|(rate, to)| ramp(rate, to)),
        (1_000..=LONGEST_HOLD_MS).prop_map(hold),
    ];
    (first, proptest::collection::vec(later, 0..MAX_SEGMENTS)).prop_map(|(first, later)| {
        let segments: std::vec::Vec<_> = core::iter::once(first).chain(later).collect();
        Program::from_segments(&segments, HOTTEST).expect("within bounds")
    })
}

proptest! {
    #![proptest_config(crate::test_config(256))]

    #[test]
    fn a_printed_program_reads_back_as_itself(program in any_program()) {
        prop_assert_eq!(Program::parse(&program.to_string(), HOTTEST), Ok(program));
    }

    #[test]
    fn no_text_makes_the_parser_panic(text in "[0-9a-zA-Z°/;. -]{0,80}|\\PC{0,40}") {
        let _ = Program::parse(&text, HOTTEST);
    }
}

#[test]
fn a_controller_that_takes_fahrenheit_converts_it() {
    let how = HowToRead { takes_fahrenheit: true, defects: Defects::NONE };
    let program =
        Program::parse_with("270 F/h to 1832 F; hold 20 min; 100 C/h to 600 C", 1_295_000, how).expect("a program");
    assert_eq!(
        program.segments()[0],
        Segment::Ramp { rate_millicelsius_per_hour: 150_000, to_millicelsius: 1_000_000 }
    );
    assert_eq!(program.segments()[2], Segment::Ramp { rate_millicelsius_per_hour: 100_000, to_millicelsius: 600_000 });
    let above = Program::parse_with("270 F/h to 2400 F", 1_295_000, how);
    assert_eq!(above, Err(ProgramError::Temperature { segment: 1, hottest_millicelsius: 1_295_000 }));
    assert_eq!(
        Program::parse_with("270 F/h to 20 F", 1_295_000, how),
        Err(ProgramError::Temperature { segment: 1, hottest_millicelsius: 1_295_000 })
    );
}

//! `docs/stand-in.md` says what the code does.

use dryfire_stand_in::{Defect, MemoryImage, SLOT_BYTES, Settings, StandIn, Stored, Variant};

const PAGE: &str = include_str!("../../../docs/stand-in.md");

#[test]
fn the_page_lists_every_defect_as_the_code_has_it() {
    let rows: Vec<String> = PAGE
        .lines()
        .skip_while(|line| !line.starts_with("<!-- defects"))
        .filter(|line| line.starts_with("| `"))
        .map(str::to_owned)
        .collect();
    let expected: Vec<String> = Defect::ALL
        .iter()
        .map(|defect| {
            let symptom = defect.symptom();
            format!("| `{}` | {} | {} | {} |", defect.name(), symptom.hazard, symptom.reason, defect.description())
        })
        .collect();
    assert_eq!(rows, expected);
}

#[test]
fn the_page_lists_every_variant_as_the_code_has_it() {
    let after = PAGE.lines().skip_while(|line| !line.starts_with("<!-- variants")).skip(3);
    let rows: Vec<&str> = after.take_while(|line| line.starts_with("| `")).collect();
    let expected: Vec<String> =
        Variant::ALL.iter().map(|variant| format!("| `{}` | {} |", variant.name(), variant.description())).collect();
    assert_eq!(rows, expected);
}

#[test]
fn the_pages_programs_are_accepted() {
    let programs: Vec<&str> = PAGE.lines().filter(|line| line.starts_with("program ")).collect();
    assert!(programs.len() >= 2);
    for line in programs {
        let mut controller = StandIn::boot(Settings::default(), dryfire_stand_in::Defects::NONE, &MemoryImage::BLANK);
        controller.console_line(line);
        let said: Vec<String> =
            std::iter::from_fn(|| controller.take_line()).map(|line| line.as_str().to_owned()).collect();
        assert!(said.iter().any(|line| line.starts_with("program stored: ")), "{line}: {said:?}");
    }
}

#[test]
fn the_slot_is_laid_out_as_the_page_says() {
    let stored = Stored {
        state: dryfire_stand_in::StoredState::Firing,
        readings_millicelsius: [1, -2, 3, 4],
        segment: 1,
        set_point_millicelsius: 512_000,
        held_ms: 7,
        firing_ms: 3_600_000,
        restarts: 3,
        program: dryfire_stand_in::Program::parse("150 C/h to 1000 C; hold 20 min", 1_295_000).expect("a program"),
        ..Stored::default()
    };
    let bytes = stored.encode(0x0102_0304);
    assert_eq!(SLOT_BYTES, 150);
    assert_eq!(bytes[..8], [4, 3, 2, 1, 1, 3 << 1 | 1, 0, 255]);
    assert_eq!(bytes[8..16], [1, 0, 0, 0, 254, 255, 255, 255]);
    assert_eq!(bytes[24..26], [1, 2]);
    assert_eq!(bytes[26..30], 512_000_i32.to_le_bytes());
    assert_eq!(bytes[30..34], 7_u32.to_le_bytes());
    assert_eq!(bytes[34..38], 3_600_000_u32.to_le_bytes());
    assert_eq!(bytes[38], 1);
    assert_eq!(bytes[39..43], 150_000_u32.to_le_bytes());
    assert_eq!(bytes[43..47], 1_000_000_u32.to_le_bytes());
    assert_eq!(bytes[47], 2);
    assert_eq!(bytes[48..52], 1_200_000_u32.to_le_bytes());
    assert_eq!(bytes[52..56], [0; 4]);
    assert!(bytes[56..146].iter().all(|byte| *byte == 0));
}

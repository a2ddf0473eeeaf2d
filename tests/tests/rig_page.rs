//! `docs/rig.md` says what the rig's program does.

use dryfire_tests::{read, rig_drawing};

/// Rows of a table between two comments, without head, each cut into its cells.
fn rows(page: &str, name: &str) -> Vec<Vec<String>> {
    let begin = format!("<!-- {name} -->");
    let end = format!("<!-- end of {name} -->");
    let part = page.split(&begin).nth(1).and_then(|rest| rest.split(&end).next()).expect("the table");
    let cells = |line: &str| line.trim_matches('|').split('|').map(|cell| cell.trim().to_owned()).collect();
    part.lines().filter(|line| line.starts_with('|')).skip(2).map(cells).collect()
}

#[test]
fn the_pin_table_is_that_of_the_program() {
    let program = read("rig-firmware/boards/rig/src/main.rs");
    let mut pins: Vec<Vec<String>> = program
        .lines()
        .filter_map(|line| {
            let (_, rest) = line.split_once("pins.PIN_")?;
            let number: String = rest.chars().take_while(char::is_ascii_digit).collect();
            let (_, words) = rest.split_once("// ").unwrap_or_else(|| panic!("a pin without a word: {line}"));
            Some(vec![number, words.trim().to_owned()])
        })
        .collect();
    pins.sort_by_key(|row| row[0].parse::<u32>().unwrap_or(u32::MAX));
    assert!(pins.len() >= 20, "{pins:?}");
    assert_eq!(rows(&read("docs/rig.md"), "pins"), pins);
}

#[test]
fn the_inputs_follow_each_other_from_the_pin_that_the_program_names() {
    let edges = read("rig-firmware/boards/rig/src/edges.rs");
    let page = rows(&read("docs/rig.md"), "pins");
    let pin = |what: &str| page.iter().find(|row| row[1].starts_with(what)).expect("a row")[0].clone();
    assert!(edges.contains(&format!("FIRST_INPUT: usize = {};", pin("sensed input 0"))));
    assert!(edges.contains(&format!("RAIL: usize = {};", pin("supply rail"))));
}

#[test]
fn the_bus_of_played_converters_is_on_the_pins_of_the_table_in_the_program_and_in_the_emulated_bench() {
    let (edges, bus) = (read("rig-firmware/boards/rig/src/edges.rs"), read("tests/boards/bus.js"));
    let page = rows(&read("docs/rig.md"), "pins");
    let pin = |what: &str| page.iter().find(|row| row[1].starts_with(what)).expect("a row")[0].clone();
    let selects = [0, 1, 2].map(|channel| pin(&format!("played converter {channel}: select")));
    assert!(edges.contains(&format!("FIRST_SELECT: usize = {};", selects[0])));
    assert!(bus.contains(&format!("SELECTS = [{}];", selects.join(", "))));
    let (data, clock) = (pin("played converters: data, to"), pin("played converters: clock"));
    let written = pin("played converters: data, from");
    assert!(bus.contains(&format!("[DATA, CLOCK, DATA_IN] = [{data}, {clock}, {written}];")));
    let registers = read("rig-firmware/boards/rig/src/registers.rs");
    assert!(registers.contains(&format!("DATA_IN: u8 = {written};")));
    assert!(registers.contains(&format!("DATA_OUT: u8 = {data};")));
    for level in [0, 1] {
        assert_eq!(registers.matches(&format!("\"    wait {level} gpio {clock}\"")).count(), 2, "clock {level}");
    }
}

#[test]
fn the_table_of_the_switch_word_is_that_of_the_program_and_of_the_emulated_bench() {
    let program = read("rig-firmware/boards/rig/src/outputs.rs");
    let bench = read("tests/boards/parts.js");
    for row in rows(&read("docs/rig.md"), "switches") {
        let (bit, name) = (&row[0], &row[1]);
        assert!(program.contains(&format!("pub const {name}: u32 = {bit};")), "{name}");
        let mut words = name.split('_').map(str::to_lowercase);
        let first = words.next().unwrap_or_default();
        let rest: String = words.map(|word| word[..1].to_uppercase() + &word[1..]).collect();
        assert!(bench.contains(&format!("{first}{rest}: {bit}")), "{name}");
    }
}

#[test]
fn the_drawing_is_that_of_its_text() {
    assert_eq!(rig_drawing(&read("docs/rig.blocks")).expect("blocks and wires"), read("docs/rig.svg"));
}

//! The pages about the library say what the library is.

use dryfire_scenario::KNOWN_HAZARDS;
use dryfire_tests::hazard_pages::{LIST, TABLE, list, named_hazards, table};
use dryfire_tests::read;

const HOW: &str = "run `cargo run -p dryfire-tests --bin hazard_pages`";

#[test]
fn the_list_of_scenarios_is_that_of_the_files() {
    assert!(read(LIST) == list(), "{LIST} is not as the scenario files are: {HOW}");
}

#[test]
fn the_table_of_hazards_has_the_scenarios_of_the_files() {
    let page = read(TABLE);
    assert!(table(&page) == page, "{TABLE} is not as the scenario files are: {HOW}");
}

#[test]
fn the_hazards_that_the_library_knows_are_those_of_the_page() {
    let mut known: Vec<&str> = KNOWN_HAZARDS.to_vec();
    known.sort_unstable();
    assert_eq!(named_hazards(&read(TABLE)), known);
}

#[test]
fn a_row_that_is_gone_or_new_is_noticed() {
    let page = read(TABLE);
    let mut rows = page.lines();
    let without: String = rows
        .by_ref()
        .filter(|line| !line.starts_with("| `lid-open`"))
        .fold(String::new(), |page, line| page + line + "\n");
    assert_ne!(without, page);
    let made = table(&without);
    assert!(made.contains("\n| `lid-open` | - | "), "{made}");
    let invented = page.replacen("| `lid-open`", "| `moth-in-the-box` | - | [x](../x.yaml) |\n| `lid-open`", 1);
    assert!(!table(&invented).contains("moth"));
}

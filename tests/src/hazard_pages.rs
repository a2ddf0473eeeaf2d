//! Pages about the library that are made from the library: the list of scenarios
//! by hazard, and the scenarios in the table of hazards and standards.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use dryfire_scenario::Scenario;

use crate::{library_files, read};

/// Where the list of scenarios lies.
pub const LIST: &str = "scenarios/README.md";
/// Where the table of hazards and standards lies.
pub const TABLE: &str = "docs/hazards.md";

const HEAD: &str = "\
# The scenarios by hazard

Made by `cargo run -p dryfire-tests --bin hazard_pages` from the scenario files; a test compares. How to read one:
[docs/scenario-format.md](../docs/scenario-format.md). Which standard asks for what, and what no bench can test:
[docs/hazards.md](../docs/hazards.md). `dryfire explain FILE` says what a scenario asks for and what it cannot see.
";

/// A scenario file in one line.
struct Entry {
    /// From the folder of the library: `probe/frozen.yaml`.
    path: String,
    /// As written, with the names of a sweep left as they are.
    title: String,
    /// How many scenarios a sweep makes of it; one without.
    count: usize,
    first: Scenario,
}

fn entries() -> Vec<Entry> {
    let files = library_files().into_iter().filter_map(|(shown, scenarios)| {
        let text = read(&shown);
        let title = text.lines().find_map(|line| line.strip_prefix("scenario: "))?.trim().to_owned();
        let path = shown.strip_prefix("scenarios/").unwrap_or(&shown).to_owned();
        let count = scenarios.len();
        Some(Entry { path, title, count, first: scenarios.into_iter().next()? })
    });
    files.collect()
}

fn by_hazard(entries: &[Entry]) -> BTreeMap<&str, Vec<&Entry>> {
    let mut by_hazard: BTreeMap<&str, Vec<&Entry>> = BTreeMap::new();
    for entry in entries {
        for hazard in &entry.first.hazards {
            by_hazard.entry(&hazard.value.0).or_default().push(entry);
        }
    }
    by_hazard
}

/// The list of scenarios by hazard.
pub fn list() -> String {
    let entries = entries();
    let scenarios: usize = entries.iter().map(|entry| entry.count).sum();
    let mut page = HEAD.to_owned();
    let by_hazard = by_hazard(&entries);
    // Writing to a text cannot fail.
    let _ = writeln!(page, "\n{scenarios} scenarios in {} files, {} hazards.", entries.len(), by_hazard.len());
    for (hazard, of_it) in by_hazard {
        let _ = writeln!(page, "\n## {hazard}\n");
        for entry in of_it {
            let times = if entry.count > 1 { format!(", {} times", entry.count) } else { String::new() };
            let why = first_sentence(&entry.first.why);
            let _ = writeln!(page, "- [{}]({}){times}: {why}", entry.title, entry.path);
        }
    }
    page
}

fn first_sentence(text: &str) -> String {
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    match text.find(". ") {
        Some(end) => text[..=end].to_owned(),
        None => text,
    }
}

/// The table's page with the scenarios as they are; the standards are kept as they stand there.
///
/// # Panics
/// If the page has no table.
pub fn table(page: &str) -> String {
    let entries = entries();
    let mut by_hazard = by_hazard(&entries);
    let row = |hazard: &str, standards: &str, of_it: &[&Entry]| {
        let links: Vec<String> =
            of_it.iter().map(|entry| format!("[{}](../scenarios/{})", entry.title, entry.path)).collect();
        format!("| `{hazard}` | {standards} | {} |", links.join("; "))
    };
    let (before, rest) = page.split_once("|---|---|---|\n").unwrap_or_else(|| panic!("{TABLE} has no table"));
    let (rows, after) = rest.split_once("\n\n").unwrap_or((rest, ""));
    let mut made: Vec<String> = Vec::new();
    for line in rows.lines() {
        let cells: Vec<&str> = line.split(" | ").collect();
        let hazard = cells[0].trim_start_matches("| ").trim_matches('`');
        // A hazard without a scenario has no row.
        if let Some(of_it) = by_hazard.remove(hazard) {
            made.push(row(hazard, cells.get(1).copied().unwrap_or("-"), &of_it));
        }
    }
    made.extend(by_hazard.iter().map(|(hazard, of_it)| row(hazard, "-", of_it)));
    made.sort();
    format!("{before}|---|---|---|\n{}\n\n{after}", made.join("\n"))
}

/// The ids of hazards that the page names: those of its table, and those that nothing speaks to yet.
pub fn named_hazards(page: &str) -> Vec<String> {
    let of_table = page.lines().filter_map(|line| line.strip_prefix("| `")?.split_once('`'));
    let not_yet = page.lines().filter_map(|line| line.strip_prefix("- `")?.split_once("`: "));
    let mut ids: Vec<String> = of_table.chain(not_yet).map(|(id, _)| id.to_owned()).collect();
    ids.sort_unstable();
    ids
}

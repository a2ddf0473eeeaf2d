//! The library of scenarios, benches and kilns beside the code.
#![expect(clippy::disallowed_methods, reason = "reads the library's files")]

use std::path::{Path, PathBuf};

fn library() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../scenarios")
}

/// Every YAML file below the library, in a fixed order.
fn files() -> Vec<(String, String)> {
    let mut found = Vec::new();
    let mut folders = vec![library()];
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(&folder).expect("a folder of the library") {
            let path = entry.expect("an entry").path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|extension| extension == "yaml") {
                let text = std::fs::read_to_string(&path).expect("a file of the library");
                let name = path.strip_prefix(library()).expect("below the library").display().to_string();
                found.push((name, text));
            }
        }
    }
    found.sort();
    found
}

#[test]
fn every_file_of_the_library_is_read_without_a_mistake_or_a_warning() {
    for (name, text) in files() {
        let mistakes = if name.starts_with("benches") {
            dryfire_scenario::parse_bench(&name, &text).map(|(_, warnings)| warnings)
        } else if name.starts_with("kilns") {
            continue;
        } else {
            dryfire_scenario::parse_scenario(&name, &text).map(|(_, warnings)| warnings)
        };
        let mistakes = mistakes.unwrap_or_else(|mistakes| mistakes);
        let shown: String = mistakes.iter().map(ToString::to_string).collect();
        assert!(mistakes.is_empty(), "{shown}");
    }
}

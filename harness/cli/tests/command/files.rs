//! Invented scenarios and benches, written into a folder of their own.
#![expect(clippy::disallowed_methods, reason = "tests write and read files")]

use std::fs;
use std::path::Path;

use tempfile::TempDir;

/// A probe opens while the kiln climbs, from the library's own scenario; `after`
/// is the temperature that is waited for, `limit` the longest reaction.
pub(crate) fn probe_opens(name: &str, after: &str, limit: &str) -> String {
    format!(
        "format: 1
scenario: {name}
hazards: [probe-open]
why: With no reading the controller is blind.
limits from: invented for a test
start: {{ kiln: soaked at 400 °C }}
firing: [{{ ramp: 150 °C/h, to: 1000 °C }}, {{ hold: 20 min }}]
script:
  - begin firing
  - when: kiln > {after} and element on for 0.5 s
    within: 20 min
    call it: burn-out
    do: {{ open: probe }}
expect:
  - {{ name: heat is cut, after: burn-out, within: {limit}, heat: cut }}
end: 10 min after burn-out
"
    )
}

/// The relay of one zone welds.
pub(crate) const RELAY_WELDS: &str = "format: 1
scenario: the top relay welds
hazards: [relay-welded]
why: A relay that never opens heats for ever.
limits from: invented for a test
start: { kiln: soaked at 400 °C }
firing: [{ ramp: 150 °C/h, to: 1000 °C }, { hold: 20 min }]
script:
  - begin firing
  - when: kiln > 410 °C and element on for 0.5 s
    within: 1 h
    call it: weld
    do: { weld: element.top }
expect:
  - { name: heat is cut, after: weld, within: 60 min, heat: cut }
end: 70 min after weld
";

/// Needs a part that the bench may not have.
pub(crate) const LID_IS_OPENED: &str = "format: 1
scenario: the lid is opened
hazards: [lid-open]
why: Bare elements are in reach.
limits from: invented for a test
needs: [{ part: lid contact, without it: not applicable }]
start: { kiln: soaked at 400 °C }
firing: [{ ramp: 150 °C/h, to: 1000 °C }, { hold: 20 min }]
script:
  - begin firing
  - when: kiln > 401 °C and element on for 0.5 s
    within: 1 h
    call it: opened
    do: { open: lid }
expect:
  - { name: heat is cut, after: opened, within: 10 s, heat: cut }
end: 10 min after opened
";

/// A folder with these files, and the library's benches and kilns beside them.
pub(crate) fn library(files: &[(&str, &str)]) -> TempDir {
    let folder = TempDir::new().expect("a folder");
    for part in ["benches", "kilns"] {
        let from = super::project().join("scenarios").join(part);
        fs::create_dir(folder.path().join(part)).expect("a folder");
        for entry in fs::read_dir(from).expect("a part of the library") {
            let entry = entry.expect("an entry");
            fs::copy(entry.path(), folder.path().join(part).join(entry.file_name())).expect("a copy");
        }
    }
    for (name, text) in files {
        fs::write(folder.path().join(name), text).expect("a file");
    }
    folder
}

/// Writes the library's virtual bench, changed, beside it.
pub(crate) fn changed_bench(folder: &Path, name: &str, change: impl Fn(&str) -> String) -> String {
    let text = fs::read_to_string(folder.join("benches/virtual.yaml")).expect("the library's bench");
    let changed = change(&text);
    assert_ne!(text, changed, "the change has to change something");
    let path = folder.join("benches").join(name);
    fs::write(&path, changed).expect("a bench");
    path.to_str().expect("UTF-8").to_owned()
}

//! What the README shows is what happens.

use dryfire_stand_in::Defect;
use dryfire_tests::{dryfire, read, scenario};

fn block<'a>(text: &'a str, begin: &str, end: &str) -> &'a str {
    let from = text.find(begin).unwrap_or_else(|| panic!("the README has {begin}")) + begin.len();
    let rest = &text[from..];
    &rest[..rest.find(end).unwrap_or_else(|| panic!("the README has {end} after {begin}"))]
}

#[test]
fn every_line_of_the_table_is_printed_by_the_first_command() {
    let readme = read("README.md");
    let table = block(&readme, "<!-- table: begin -->", "<!-- table: end -->");
    let output = dryfire().args(["run", "scenarios", "--no-record"]).output().expect("dryfire starts");
    assert_eq!(output.status.code(), Some(0));
    let printed = String::from_utf8(output.stdout).expect("text is UTF-8");
    let printed: Vec<&str> = printed.lines().map(str::trim_end).collect();
    let shown: Vec<&str> = table.lines().filter(|line| !line.starts_with("```") && !line.trim().is_empty()).collect();
    assert!(shown.len() > 10, "the table is there");
    for line in shown.iter().filter(|line| line.trim() != "⋮") {
        assert!(printed.contains(&line.trim_end()), "not printed any more: {line}\n{}", printed.join("\n"));
    }
}

#[test]
fn the_scenario_shown_is_one() {
    let readme = read("README.md");
    scenario("README.md", block(&readme, "```yaml\n", "```"));
}

#[test]
fn every_defect_named_is_one() {
    let readme = read("README.md");
    let named: Vec<&str> =
        readme.split("--defect ").skip(1).filter_map(|rest| rest.split_whitespace().next()).collect();
    assert!(!named.is_empty());
    for name in named {
        assert!(Defect::from_name(name).is_some(), "{name}");
    }
}

#[test]
fn every_file_and_page_named_is_there() {
    let readme = read("README.md");
    let mut named = Vec::new();
    for part in readme.split("](").skip(1) {
        let target = part.split(')').next().unwrap_or("");
        if !target.starts_with('#') && !target.contains("://") {
            named.push(target.to_owned());
        }
    }
    for word in readme.split_whitespace().filter(|word| word.starts_with("scenarios/") && word.ends_with(".yaml")) {
        named.push(word.to_owned());
    }
    assert!(named.len() > 5);
    for path in named {
        assert!(dryfire_tests::root().join(&path).exists(), "{path}");
    }
}

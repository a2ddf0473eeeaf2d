//! `docs/undeserved.md` names tests that are there.

use dryfire_tests::read;

#[test]
fn every_test_that_the_page_names_is_there() {
    let page = read("docs/undeserved.md");
    let rows: Vec<Vec<&str>> = page
        .lines()
        .filter(|line| line.starts_with("| ") && line.contains(".rs`"))
        .map(|line| line.trim_matches('|').split('|').map(str::trim).collect())
        .collect();
    assert!(rows.len() > 30, "{} rows", rows.len());
    for row in rows {
        let [attempt, comes_to, file, test] = row[..] else { panic!("a row has four cells: {row:?}") };
        assert!(!attempt.is_empty() && !comes_to.is_empty());
        let (file, test) = (file.trim_matches('`'), test.trim_matches('`'));
        let text = read(file);
        let place = text.find(&format!("\nfn {test}(")).unwrap_or_else(|| panic!("{file} has no test `{test}`"));
        // A test, and not a helper: the attribute stands in the lines before it.
        let before = &text[..place];
        let block = before.rfind("\n\n").map_or(before, |start| &before[start..]);
        assert!(block.contains("#[test]") || block.contains("rstest]"), "`{test}` in {file} is no test");
    }
}

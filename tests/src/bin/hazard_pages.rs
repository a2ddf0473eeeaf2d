//! Writes the pages that are made from the library; run it after a change of scenarios.
#![expect(clippy::disallowed_methods, reason = "it writes pages")]

use dryfire_tests::hazard_pages::{LIST, TABLE, list, table};
use dryfire_tests::{read, root};

fn main() -> std::io::Result<()> {
    std::fs::write(root().join(LIST), list())?;
    std::fs::write(root().join(TABLE), table(&read(TABLE)))
}

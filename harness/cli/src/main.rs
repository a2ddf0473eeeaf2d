//! The `dryfire` command.
fn main() {}

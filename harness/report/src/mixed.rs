//! Whether a session is about one firmware: what answered, run by run.
//!
//! What a session shows is shown of what was tested in it. Where that was not the same throughout, nobody can say
//! of which of them, so no hazard counts as shown.

/// The kind of a note that says why a session is a mix: what was found out while it went on.
pub const MIXED_NOTE: &str = "mixed";

/// Identities that are named one by one.
const MOST_NAMED: usize = 4;

/// Why the runs of a session are not about one firmware, in a sentence; `None` where they are.
///
/// Takes the number of each run that began, with what the bench said of itself then. Of a rig its firmware
/// counts, not its boot: it may be restarted between two runs.
pub fn mixed_identities<'a>(identities: impl IntoIterator<Item = (usize, &'a str)>) -> Option<String> {
    let mut runs: Vec<(&str, Vec<usize>)> = Vec::new();
    for (run, identity) in identities {
        let identity = without_boot(identity);
        match runs.iter_mut().find(|(known, _)| *known == identity) {
            Some((_, runs)) => runs.push(run),
            None => runs.push((identity, vec![run])),
        }
    }
    if runs.len() < 2 {
        return None;
    }
    let mut named: Vec<String> = runs
        .iter()
        .take(MOST_NAMED)
        .map(|(identity, runs)| match runs.as_slice() {
            [run] => format!("{identity} (run {run})"),
            [first, ..] => format!("{identity} (run {first} and {} more)", runs.len() - 1),
            [] => (*identity).to_owned(),
        })
        .collect();
    if runs.len() > MOST_NAMED {
        named.push(format!("{} more", runs.len() - MOST_NAMED));
    }
    Some(format!("not the same answered in all runs: {}", named.join("; ")))
}

/// What a rig said of itself, as far as it is the same until another one is wired or other firmware is written to it.
fn without_boot(identity: &str) -> &str {
    const BOOT: &str = ", boot ";
    let is_boot = |at: &usize| {
        let rest = &identity.as_bytes()[at + BOOT.len()..];
        rest.len() >= 8
            && rest[..8].iter().all(u8::is_ascii_hexdigit)
            && !rest.get(8).is_some_and(u8::is_ascii_hexdigit)
    };
    let rig = identity.starts_with("rig `") || identity.starts_with("simulated rig `");
    let boot = identity.match_indices(BOOT).map(|(at, _)| at).filter(|_| rig).filter(is_boot).last();
    boot.map_or(identity, |at| &identity[..at])
}

#[cfg(test)]
mod tests {
    use super::mixed_identities;
    use rstest::rstest;

    #[rstest]
    #[case::one(&["program `k`: kiln, firmware 1.0"], None)]
    #[case::the_same(&["program `k`: kiln, firmware 1.0", "program `k`: kiln, firmware 1.0"], None)]
    #[case::a_rig_that_was_restarted(&["rig `b`, firmware 2, boot 0000000a", "rig `b`, firmware 2, boot 0000000b, after a power-on"], None)]
    #[case::another_version(
        &["program `k`: kiln, firmware 1.0", "program `k`: kiln, firmware 1.1", "program `k`: kiln, firmware 1.0"],
        Some("not the same answered in all runs: program `k`: kiln, firmware 1.0 (run 1 and 1 more); \
              program `k`: kiln, firmware 1.1 (run 2)")
    )]
    #[case::another_firmware_of_the_rig(
        &["rig `b`, firmware 2, boot 0000000a", "rig `b`, firmware 3, boot 0000000a"],
        Some("not the same answered in all runs: rig `b`, firmware 2 (run 1); rig `b`, firmware 3 (run 2)")
    )]
    #[case::what_a_program_calls_a_boot_is_its_name(
        &["program `k`: kiln, firmware 1, boot 00000001", "program `k`: kiln, firmware 1, boot 00000002"],
        Some("not the same answered in all runs: program `k`: kiln, firmware 1, boot 00000001 (run 1); \
              program `k`: kiln, firmware 1, boot 00000002 (run 2)")
    )]
    fn what_answered_is_compared_run_by_run(#[case] identities: &[&str], #[case] expected: Option<&str>) {
        let numbered = identities.iter().enumerate().map(|(index, identity)| (index + 1, *identity));
        assert_eq!(mixed_identities(numbered).as_deref(), expected);
    }
}

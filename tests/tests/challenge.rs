//! The detection table from the command line.
#![expect(clippy::disallowed_methods, reason = "tests of the whole system write files")]

use dryfire_tests::dryfire;

fn challenge(arguments: &[&str]) -> (Option<i32>, String, String) {
    let output = dryfire().arg("challenge").args(arguments).output().expect("dryfire starts");
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).expect("UTF-8");
    (output.status.code(), text(output.stdout), text(output.stderr))
}

/// Each mistake is caught by the library, and nobody who does everything right is blamed.
#[test]
fn the_library_catches_every_mistake_and_clears_every_honest_controller() {
    let (status, stdout, stderr) = challenge(&["scenarios", "--format", "json"]);
    let last = stdout.lines().last().expect("a summary");
    let summary: serde_json::Value = serde_json::from_str(last).expect("JSON");
    assert_eq!(summary["caught"], summary["mistakes"], "{summary:#}\n{stderr}");
    assert_eq!(summary["cleared"], summary["honest"], "{summary:#}\n{stderr}");
    assert_eq!(summary["undecided"], summary["near_a_limit"], "{summary:#}\n{stderr}");
    assert!(summary["honest"].as_u64() >= Some(15), "{summary:#}");
    for none in ["idle", "alike", "blamed"] {
        assert_eq!(summary[none], serde_json::json!([]), "{summary:#}");
    }
    // Those of a limiter need a bench that has one.
    let of_limiter = dryfire_stand_in::Defect::ALL.iter().filter(|defect| defect.is_of_limiter()).count();
    assert_eq!(summary["mistakes"].as_u64(), Some((dryfire_stand_in::Defect::ALL.len() - of_limiter) as u64));
    assert_eq!(summary["left_out"].as_u64(), Some(of_limiter as u64));
    assert_eq!(status, Some(0), "{stderr}");
    for line in stdout.lines() {
        let line: serde_json::Value = serde_json::from_str(line).expect("JSON");
        if let Some(mistake) = line.get("mistake") {
            assert_eq!(mistake["with_the_declared_reason"], true, "{line:#}");
        }
    }
}

/// The same of a limiter's mistakes, on the bench that has one.
#[test]
fn the_library_catches_every_mistake_of_a_limiter_and_clears_every_honest_one() {
    let bench = ["--bench", "scenarios/benches/with-limiter.yaml", "--hazard", "limiter", "--format", "json"];
    let (status, stdout, stderr) = challenge(&[&["scenarios"], &bench[..]].concat());
    assert_eq!(status, Some(0), "{stdout}{stderr}");
    let last = stdout.lines().last().expect("a summary");
    let summary: serde_json::Value = serde_json::from_str(last).expect("JSON");
    let of_limiter = dryfire_stand_in::Defect::ALL.iter().filter(|defect| defect.is_of_limiter()).count();
    assert!(of_limiter >= 11);
    assert_eq!(summary["mistakes"].as_u64(), Some(of_limiter as u64), "{summary:#}");
    assert_eq!(summary["caught"], summary["mistakes"], "{summary:#}");
    assert_eq!(summary["cleared"], summary["honest"], "{summary:#}");
    for none in ["alike", "blamed"] {
        assert_eq!(summary[none], serde_json::json!([]), "{summary:#}");
    }
    for honest in ["early-limiter", "strict-limiter"] {
        assert!(stdout.contains(&format!("(no mistake, {honest})")), "{honest}");
    }
    for line in stdout.lines() {
        let line: serde_json::Value = serde_json::from_str(line).expect("JSON");
        if let Some(mistake) = line.get("mistake") {
            assert_eq!(mistake["with_the_declared_reason"], true, "{line:#}");
        }
    }
}

/// A bench without a limiter can show no mistake of one: there is nothing to say, and that is no pass.
#[test]
fn mistakes_of_a_limiter_are_no_test_of_a_bench_without_one() {
    let (status, stdout, _) = challenge(&["scenarios", "--hazard", "limiter"]);
    assert_eq!(status, Some(5), "{stdout}");
}

/// A scenario about something else catches nothing, and the table says so.
#[test]
fn a_library_that_catches_nothing_is_told_so() {
    let (status, stdout, _) = challenge(&["scenarios/control/clean-firing.yaml"]);
    assert_eq!(status, Some(1), "{stdout}");
    assert!(stdout.contains("lid-ignored slips through"), "{stdout}");
}

/// Mistakes of other hazards than those picked are no finding about the part that was picked.
#[test]
fn of_a_part_of_the_library_only_the_mistakes_of_its_hazards_are_tried() {
    let of_the_hazard =
        dryfire_stand_in::Defect::ALL.iter().filter(|defect| defect.symptom().hazard == "program-edited").count();
    let others = dryfire_stand_in::Defect::ALL.len() - of_the_hazard;
    for selection in [["--hazard", "program-edited"], ["--only", "edited-while-firing"]] {
        let (status, stdout, stderr) = challenge(&[&["scenarios", "--format", "json"], &selection[..]].concat());
        assert_eq!(status, Some(0), "{stdout}{stderr}");
        let last = stdout.lines().last().expect("a summary");
        let summary: serde_json::Value = serde_json::from_str(last).expect("JSON");
        assert_eq!(summary["mistakes"].as_u64(), Some(of_the_hazard as u64), "{summary:#}");
        assert_eq!(summary["caught"], summary["mistakes"], "{summary:#}");
        assert_eq!(summary["left_out"].as_u64(), Some(others as u64), "{summary:#}");
    }
    let (_, stdout, _) = challenge(&["scenarios", "--hazard", "program-edited"]);
    assert!(stdout.contains(&format!("{others} mistakes of other hazards left out")), "{stdout}");
    assert!(!stdout.contains("slips through"), "{stdout}");
}

#[test]
fn a_bench_with_a_controller_of_its_own_has_no_known_mistakes() {
    let (status, _, stderr) = challenge(&["scenarios", "--bench", "scenarios/benches/program-python.yaml"]);
    assert_eq!(status, Some(4), "{stderr}");
    assert!(stderr.contains("has a controller of its own"), "{stderr}");
    assert!(stderr.contains("--faulty"), "{stderr}");
}

#[test]
fn a_variant_that_there_is_not_is_refused_with_the_nearest() {
    let folder = tempfile::tempdir().expect("there is room");
    let bench = dryfire_tests::read("scenarios/benches/virtual.yaml")
        .replace("virtual: { tick: 100 ms }", "virtual: { variant: brisk-regulater }")
        .replace("../kilns", &dryfire_tests::root().join("scenarios/kilns").to_string_lossy());
    let path = folder.path().join("bench.yaml");
    std::fs::write(&path, bench).expect("the folder is writable");
    let output = dryfire().arg("check").arg(&path).output().expect("dryfire starts");
    let told = String::from_utf8_lossy(&output.stdout);
    assert_eq!(output.status.code(), Some(4), "{told}");
    assert!(told.contains("no variant `brisk-regulater`") && told.contains("`brisk-regulator`"), "{told}");
}

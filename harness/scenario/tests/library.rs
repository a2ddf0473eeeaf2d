//! The library of scenarios, benches and kilns beside the code.
#![expect(clippy::disallowed_methods, reason = "reads the library's files")]

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use dryfire_scenario::{Checked, FromFile, Kind, check_file, parse_kiln, schema_text};
use dryfire_units::Metres;

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

fn kind_by_folder(name: &str) -> Kind {
    match name.split('/').next() {
        Some("benches") => Kind::Bench,
        Some("kilns") => Kind::Kiln,
        _ => Kind::Scenario,
    }
}

#[test]
fn every_file_is_read_without_a_mistake_or_a_warning_and_lies_where_it_belongs() {
    for (name, text) in files() {
        match check_file(&name, &text) {
            Ok((checked, warnings)) => {
                let shown: String = warnings.iter().map(ToString::to_string).collect();
                assert!(warnings.is_empty(), "{shown}");
                assert_eq!(checked.kind(), kind_by_folder(&name), "{name}");
            }
            Err(mistakes) => panic!("{}", mistakes.iter().map(ToString::to_string).collect::<String>()),
        }
    }
}

#[test]
fn every_file_meets_the_schema_of_its_kind() {
    for kind in Kind::ALL {
        let schema: serde_json::Value = serde_json::from_str(&schema_text(kind)).expect("JSON");
        jsonschema::meta::validate(&schema).expect("the schema meets the schema of schemas");
        let validator = jsonschema::validator_for(&schema).expect("a schema");
        let mut seen = 0;
        for (name, text) in files().into_iter().filter(|(name, _)| kind_by_folder(name) == kind) {
            let value: serde_json::Value = serde_yaml::from_str(&text).expect("YAML");
            let errors: Vec<String> =
                validator.iter_errors(&value).map(|error| format!("{} at {}", error, error.instance_path())).collect();
            assert!(errors.is_empty(), "{name}: {errors:#?}");
            seen += 1;
        }
        assert!(seen >= 2, "{kind:?}: {seen}");
    }
}

#[test]
fn names_of_scenarios_and_their_expectations_are_unique() {
    let mut names = BTreeMap::new();
    for (file, text) in files() {
        let Ok((Checked::Scenarios(found), _)) = check_file(&file, &text) else { continue };
        for FromFile { scenario, .. } in found {
            let earlier = names.insert(scenario.name.clone(), file.clone());
            assert_eq!(earlier, None, "{file}: the name of {earlier:?}");
        }
    }
    assert!(names.len() >= 12, "{}", names.len());
}

#[test]
fn the_library_speaks_of_every_hazard_that_there_is_a_word_for() {
    let mut hazards: Vec<String> = Vec::new();
    for (file, text) in files() {
        if let Ok((Checked::Scenarios(found), _)) = check_file(&file, &text) {
            hazards.extend(found.into_iter().flat_map(|one| one.scenario.hazards).map(|hazard| hazard.value.0));
        }
    }
    for hazard in dryfire_scenario::KNOWN_HAZARDS {
        assert!(hazards.iter().any(|found| found == hazard), "no scenario guards against {hazard}");
    }
}

#[test]
fn benches_name_kilns_of_the_library_and_their_zones() {
    let texts: BTreeMap<String, String> = files().into_iter().collect();
    for (file, text) in &texts {
        let Ok((Checked::Bench(bench), _)) = check_file(file, text) else { continue };
        let kiln_file = bench.kiln.strip_prefix("../").expect("beside the benches");
        let (kiln, _) = parse_kiln(kiln_file, &texts[kiln_file]).expect("a kiln");
        let of_kiln: Vec<&str> = kiln.zones.iter().map(|zone| zone.name.as_str()).collect();
        let of_bench: Vec<&str> = bench.zones.iter().map(|zone| zone.name.as_str()).collect();
        assert_eq!(of_bench, of_kiln, "{file}");
    }
}

#[test]
fn the_three_ring_kiln_is_the_one_that_the_model_is_tested_with() {
    let (_, text) = files().into_iter().find(|(name, _)| name == "kilns/three-ring.yaml").expect("the file");
    let (mut kiln, _) = parse_kiln("three-ring.yaml", &text).expect("a kiln");
    // 13 mm in metres is a bit off 0.013 in the last place.
    for layer in kiln.zones.iter_mut().flat_map(|zone| &mut zone.layers) {
        layer.thickness = Metres::new((layer.thickness.value() * 1e6).round() / 1e6);
    }
    assert!(kiln == dryfire_kiln::three_ring(), "the file and the model's own kiln differ");
}

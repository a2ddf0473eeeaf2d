//! What lies between probe and controller. A linear part hides the declared top
//! temperature, and the library says so. A warm box: the library's scenario about it passes with a converter that measures its
//! junction, whichever part it is, and fails a controller that goes by what the junction
//! was at first.

use dryfire_bench::{Bench, BenchIdentity, RunSetup, VirtualBench};
use dryfire_engine::{Applicability, Command, CommandKind, Observation, ScenarioResult, Trouble};
use dryfire_judge::Verdict;
use dryfire_scenario::{BenchKind, ConverterChoice, Scenario};
use dryfire_tests::{SEED, bench, library, run_on, virtual_bench};
use dryfire_units::RigTime;
use rstest::rstest;

const NAME: &str = "the controller's box gets hot and its converter measures that";

fn warm_box() -> Vec<Scenario> {
    let found: Vec<Scenario> = library().into_iter().filter(|scenario| scenario.name == NAME).collect();
    assert_eq!(found.len(), 1, "{NAME}");
    found
}

#[rstest]
#[case::linearised(ConverterChoice::Linearised)]
#[case::fourteen_bits(ConverterChoice::FourteenBit)]
fn a_part_that_measures_its_junction_passes(#[case] converter: ConverterChoice) {
    for seed in 0..4 {
        let (mut file, kiln) = virtual_bench(&[]);
        file.converter = converter;
        let made = file.clone();
        let make = move || -> Box<dyn Bench> { Box::new(VirtualBench::new(made.clone())) };
        for outcome in run_on(warm_box(), &file, &kiln, seed, &make) {
            assert_eq!(outcome.result.verdict, Some(Verdict::Pass), "seed {seed}: {:#?}", outcome.result);
        }
    }
}

/// The stand-in with converters that never hear of their junction's warmth.
struct KeptFromTheStart(VirtualBench);

impl Bench for KeptFromTheStart {
    fn begin(&mut self, setup: &RunSetup) -> Result<BenchIdentity, Trouble> {
        self.0.begin(setup)
    }

    fn command(&mut self, command: Command) -> Result<(), Trouble> {
        let kind = match command.kind {
            // The virtual bench acknowledges a prompt and does nothing about it.
            CommandKind::Terminals { .. } => CommandKind::Prompt { text: String::new() },
            kind => kind,
        };
        self.0.command(Command { kind, ..command })
    }

    fn advance(&mut self, until: RigTime, observations: &mut Vec<Observation>) -> Result<(), Trouble> {
        self.0.advance(until, observations)
    }

    fn end(&mut self) {
        self.0.end();
    }
}

#[test]
fn a_junction_that_is_taken_once_overheats_the_kiln_and_fails() {
    let (file, kiln) = virtual_bench(&[]);
    let made = file.clone();
    let make = move || -> Box<dyn Bench> { Box::new(KeptFromTheStart(VirtualBench::new(made.clone()))) };
    for outcome in run_on(warm_box(), &file, &kiln, SEED, &make) {
        assert_eq!(outcome.result.verdict, Some(Verdict::Fail), "{:#?}", outcome.result);
    }
}

#[test]
fn it_does_not_apply_to_a_rig_which_cannot_warm_anything() {
    let (file, kiln) = bench("scenarios/benches/rig.yaml");
    assert!(matches!(file.kind, BenchKind::Rig { .. }));
    let (virtual_file, _) = virtual_bench(&[]);
    let make = move || -> Box<dyn Bench> { Box::new(VirtualBench::new(virtual_file.clone())) };
    for outcome in run_on(warm_box(), &file, &kiln, SEED, &make) {
        let Applicability::NotApplicable { .. } = outcome.result.applicability else {
            panic!("{:#?}", outcome.result);
        };
    }
}

/// A straight line through type K reads 29 °C low at 1300 °C (14 bits; reference function of
/// ITS-90 and a slope of 41.276 µV/°C, from memory): a limit on the raw reading is passed unseen.
#[test]
fn a_top_temperature_that_a_linear_part_hides_is_a_fail() {
    let (file, kiln) = bench("scenarios/benches/linear-converter.yaml");
    assert_eq!(file.converter, ConverterChoice::FourteenBit);
    let over_top = || {
        let mut found = library();
        found.retain(|scenario| scenario.hazards.iter().any(|hazard| hazard.value.0 == "over-temperature"));
        assert!(!found.is_empty());
        found
    };
    let verdicts = |converter: ConverterChoice| {
        let mut file = file.clone();
        file.converter = converter;
        let made = file.clone();
        let make = move || -> Box<dyn Bench> { Box::new(VirtualBench::new(made.clone())) };
        // The library asks about more zones than this bench has.
        let there = |result: &ScenarioResult| !matches!(result.applicability, Applicability::NotApplicable { .. });
        let results = run_on(over_top(), &file, &kiln, SEED, &make).into_iter().map(|outcome| outcome.result);
        let results: Vec<ScenarioResult> = results.filter(there).collect();
        assert!(results.len() >= kiln.zones.len(), "{}", results.len());
        results
    };
    for result in verdicts(ConverterChoice::FourteenBit) {
        assert_eq!(result.verdict, Some(Verdict::Fail), "{result:#?}");
    }
    for result in verdicts(ConverterChoice::Linearised) {
        assert_eq!(result.verdict, Some(Verdict::Pass), "{result:#?}");
    }
}

//! A limiter beside the stand-in: what it shows, and what shows nothing about one.

use dryfire_bench::{Bench, BenchIdentity, JobOutcome, RunSetup, VirtualBench};
use dryfire_engine::{Binding, Command, Observation, Plan, ScenarioResult, SingleFault, SingleFaultTable, Trouble};
use dryfire_judge::Verdict;
use dryfire_scenario::{Bench as BenchFile, PathRelay, RelayRole};
use dryfire_tests::{SEED, WITH_LIMITER, bench, library_files, run_on, run_virtual_on, scenario, virtual_bench_of};
use dryfire_units::RigTime;
use rstest::rstest;

/// The rig input that senses the limiter's contact in that bench file.
const CONTACT: u8 = 4;

fn file_of_library(name: &str) -> Vec<dryfire_scenario::Scenario> {
    let files = library_files();
    let found = files.into_iter().find(|(path, _)| path.ends_with(&format!("scenarios/limiter/{name}.yaml")));
    found.unwrap_or_else(|| panic!("there is no limiter/{name}.yaml")).1
}

fn one(outcomes: Vec<JobOutcome>) -> ScenarioResult {
    let mut outcomes = outcomes.into_iter();
    let result = outcomes.next().expect("an outcome").result;
    assert!(outcomes.next().is_none());
    result
}

fn run(text: &str, defects: &[&str]) -> ScenarioResult {
    one(run_virtual_on(vec![scenario("limiter", text)], virtual_bench_of(WITH_LIMITER, defects), SEED))
}

/// A bench whose wire from the limiter's contact is broken, or stuck at closed.
struct BadWire {
    inner: VirtualBench,
    closed: bool,
    told: bool,
}

impl Bench for BadWire {
    fn begin(&mut self, setup: &RunSetup) -> Result<BenchIdentity, Trouble> {
        self.told = false;
        self.inner.begin(setup)
    }

    fn command(&mut self, command: Command) -> Result<(), Trouble> {
        self.inner.command(command)
    }

    fn advance(&mut self, until: RigTime, observations: &mut Vec<Observation>) -> Result<(), Trouble> {
        self.inner.advance(until, observations)?;
        // Closed for ever is one edge, and never another.
        observations.retain(|one| match one {
            Observation::Edge { input: CONTACT, high, .. } => {
                self.closed && *high && !std::mem::replace(&mut self.told, true)
            }
            _ => true,
        });
        Ok(())
    }

    fn end(&mut self) {
        self.inner.end();
    }
}

fn run_on_bad_wire(scenarios: Vec<dryfire_scenario::Scenario>, closed: bool) -> Vec<JobOutcome> {
    let (file, kiln) = virtual_bench_of(WITH_LIMITER, &[]);
    let of_session = file.clone();
    run_on(scenarios, &file, &kiln, SEED, &move || {
        Box::new(BadWire { inner: VirtualBench::new(of_session.clone()), closed, told: false })
    })
}

#[test]
fn a_limiters_contact_whose_wire_goes_nowhere_shows_nothing_about_a_limiter() {
    for closed in [false, true] {
        let files = library_files().into_iter().filter(|(path, _)| path.starts_with("scenarios/limiter/"));
        let scenarios: Vec<_> = files.flat_map(|(_, scenarios)| scenarios).collect();
        assert_eq!(scenarios.len(), 12);
        for outcome in run_on_bad_wire(scenarios, closed) {
            let result = outcome.result;
            assert_ne!(result.verdict, Some(Verdict::Pass), "closed {closed}, {}: {result:#?}", result.scenario);
        }
    }
}

/// `do` breaks the probe of a limiter that somebody may have tripped before.
fn broken_after(before: &str) -> String {
    format!(
        "format: 1
scenario: its probe breaks
hazards: [limiter]
why: A broken probe has to count as a kiln that is too hot.
limits from: common practice, no source
start: {{ kiln: soaked at 600 °C }}
firing: [{{ ramp: 150 °C/h, to: 1000 °C }}]
script:
  - begin firing
{before}  - {{ wait: 5 min, call it: breaks, do: {{ open: limiter probe }} }}
expect:
  - {{ name: the limiter trips, after: breaks, within: 10 s, see: limiter tripped }}
end: 1 min after breaks
"
    )
}

#[test]
fn a_limiter_that_had_tripped_before_says_nothing_by_being_open() {
    assert_eq!(run(&broken_after(""), &[]).verdict, Some(Verdict::Pass));
    let tripped =
        "  - { wait: 1 min, do: { open: limiter probe } }\n  - { wait: 1 min, do: { reconnect: limiter probe } }\n";
    let result = run(&broken_after(tripped), &[]);
    assert_eq!(result.verdict, Some(Verdict::Inconclusive), "{result:#?}");
    assert!(result.remarks.iter().any(|remark| remark.contains("already in the state")), "{:?}", result.remarks);
}

/// The bench with a limiter and without a contactor.
fn without_contactor() -> BenchFile {
    let (mut file, _) = bench(WITH_LIMITER);
    let contactor = file.relays.iter().position(|relay| relay.role == RelayRole::Safety).expect("a contactor");
    file.relays.remove(contactor);
    for pole in file.paths.iter_mut().flat_map(|path| &mut path.poles) {
        pole.through.retain(|relay| *relay != PathRelay(contactor));
        pole.through.iter_mut().filter(|relay| relay.0 > contactor).for_each(|relay| relay.0 -= 1);
    }
    file
}

#[rstest]
// The limiter is no means of the controller's.
#[case("relay-welded", false)]
#[case("limiter", true)]
fn a_limiter_does_not_stand_in_for_a_contactor(#[case] hazard: &str, #[case] applies: bool) {
    let text = format!(
        "format: 1
scenario: an element relay welds
hazards: [{hazard}]
why: It heats on.
limits from: common practice, no source
start: {{ kiln: soaked at 600 °C }}
firing: [{{ ramp: 150 °C/h, to: 1000 °C }}]
script:
  - begin firing
  - {{ when: element.1 on for 0.5 s, within: 10 min, call it: welded, do: {{ weld: element.1 }} }}
expect:
  - {{ name: never too hot, after: welded, always: kiln < kiln limit }}
end: 2 h after welded
"
    );
    let (_, kiln) = bench(WITH_LIMITER);
    let binding = Plan::bind(&scenario("limiter", &text), &without_contactor(), &kiln);
    match applies {
        true => assert!(matches!(binding, Ok(Binding::Ready(_))), "{binding:?}"),
        false => assert!(
            matches!(&binding, Ok(Binding::Uncovered { reason }) if reason.contains("nothing else can open the path")),
            "{binding:?}"
        ),
    }
}

#[test]
fn a_limiter_that_trips_above_what_the_kiln_bears_is_refused() {
    let (mut file, kiln) = bench(WITH_LIMITER);
    let mut at = |millicelsius| {
        file.limiter.as_mut().expect("a limiter").trip_millicelsius = millicelsius;
        Plan::bind(&file_of_library("own-probe-breaks")[0], &file, &kiln)
    };
    assert!(matches!(at(1_350_000), Ok(Binding::Ready(_))));
    let Err(errors) = at(1_350_001) else { panic!("accepted") };
    assert_eq!(
        errors[0].message,
        "the limiter of the bench file trips at 1350 °C, and the kiln file allows 1350 °C at the most"
    );
}

#[rstest]
#[case("scenarios/benches/virtual.yaml")]
// Here a welded element relay would be uncovered too; of a limiter that is not there it says nothing.
#[case("scenarios/benches/without-contactor.yaml")]
fn a_bench_without_a_limiter_has_no_scenario_about_one(#[case] bench_file: &str) {
    let (file, kiln) = bench(bench_file);
    let about_it: Vec<_> = library_files()
        .into_iter()
        .filter(|(_, scenarios)| {
            scenarios.iter().any(|one| one.hazards.iter().any(|hazard| hazard.value.0 == "limiter"))
        })
        .collect();
    assert!(about_it.len() >= 12, "{}", about_it.len());
    for (path, scenarios) in about_it {
        for one in &scenarios {
            let binding = Plan::bind(one, &file, &kiln);
            assert!(
                matches!(&binding, Ok(Binding::NotApplicable { reason }) if reason.contains("no independent limiter")),
                "{path}: {binding:?}"
            );
        }
    }
}

#[test]
fn a_halted_processor_leaves_the_limiter_and_nothing_else() {
    let (file, _) = bench(WITH_LIMITER);
    let table = SingleFaultTable::of(&file);
    let halted = table.rows.iter().find(|row| row.fault == SingleFault::ProcessorHalted).expect("a row");
    for zone in &halted.zones {
        let openers: Vec<&str> = zone.openers().into_iter().map(|relay| table.relays[relay].as_str()).collect();
        assert_eq!(openers, ["limiter"]);
        assert!(zone.isolated());
    }
    assert_eq!(table.without_second_means(), 0);
}

/// What nothing else can end: contactor and element relays welded. Without the limiter's contact in
/// the way the same kiln passes its limit.
#[test]
fn two_welded_relays_in_series_are_ended_by_the_limiter_only() {
    let runaway = file_of_library("trips-on-its-own-probe");
    let with = one(run_virtual_on(runaway.clone(), virtual_bench_of(WITH_LIMITER, &[]), SEED));
    assert_eq!(with.verdict, Some(Verdict::Pass), "{with:#?}");
    let too_late = one(run_virtual_on(runaway, virtual_bench_of(WITH_LIMITER, &["limiter-set-too-high"]), SEED));
    let limit = too_late.findings.iter().find(|report| report.name == "never too hot").expect("it is asked");
    assert_eq!(limit.finding.verdict, Verdict::Fail, "{too_late:#?}");
}

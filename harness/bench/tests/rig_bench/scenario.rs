//! A whole scenario: the virtual bench and a rig on a wire, clean and bad, come to the same.

use std::path::Path;
use std::sync::atomic::AtomicBool;
use std::time::Duration;

use dryfire_bench::{
    Bench, FaultyTransport, InProcessTransport, RigBench, RigPace, RunOptions, RunSetup, SimulatedRigSetup,
    StandInWorld, Transport, TransportError, VirtualBench, WireFaults, bind_all, run_plan,
};
use dryfire_engine::{Binding, Plan, ScenarioResult, TroubleKind};
use dryfire_judge::Verdict;
use dryfire_link::frame::MAX_FRAME;
use dryfire_link::{Capabilities, Endpoint, Limits, LinkTime, MessageError, Refusal, RigMessage, Welcome};
use dryfire_scenario::{Bench as BenchFile, BenchKind, Plays, parse_bench, parse_kiln, parse_scenario};

#[expect(clippy::disallowed_methods, reason = "the library's own files are what is played")]
fn file(path: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../scenarios").join(path);
    std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

pub(crate) fn virtual_bench() -> BenchFile {
    parse_bench("virtual.yaml", &file("benches/virtual.yaml")).expect("a bench file").0
}

pub(crate) fn plan() -> (Plan, BenchFile) {
    let bench = virtual_bench();
    let (kiln, _) = parse_kiln("three-ring.yaml", &file("kilns/three-ring.yaml")).expect("a kiln file");
    let text = file("probe/open-while-ramping.yaml");
    let (scenario, _) = parse_scenario("open-while-ramping.yaml", &text).expect("a scenario");
    let jobs = bind_all(vec![scenario], &bench, &kiln).expect("it fits");
    match jobs.into_iter().next().expect("one job").binding {
        Binding::Ready(plan) => (*plan, bench),
        other => panic!("{other:?}"),
    }
}

pub(crate) fn run(plan: Plan, bench: &mut dyn Bench) -> ScenarioResult {
    let options = RunOptions { run: 1, seed: 11, sample_events: false, second_judge: false };
    run_plan(plan, bench, options, &AtomicBool::new(false), &mut |_| {}, &mut |_| {}).expect("can be played")
}

/// The same bench with linear converters, which a rig can play, and a top that they can read.
fn with_linear_converters() -> String {
    file("benches/rig.yaml")
        .replace("supply: switched by the rig", "supply: switched by the rig\nconverter: linear 14-bit")
}

fn bound(text: &str, scenario: &str) -> (Binding, BenchFile) {
    let (bench, _) = parse_bench("rig.yaml", text).expect("a bench file");
    let (kiln, _) = parse_kiln("three-ring.yaml", &file("kilns/three-ring.yaml")).expect("a kiln file");
    let (scenario, _) = parse_scenario("it.yaml", &file(scenario)).expect("a scenario");
    let jobs = bind_all(vec![scenario], &bench, &kiln).expect("it fits");
    (jobs.into_iter().next().expect("one job").binding, bench)
}

fn fitted(text: &str) -> (Plan, BenchFile) {
    match bound(text, "probe/open-while-ramping.yaml") {
        (Binding::Ready(plan), bench) => (*plan, bench),
        (other, _) => panic!("{other:?}"),
    }
}

fn wired(bench: &BenchFile, faults: WireFaults, seed: u64) -> RigBench {
    let file = bench.clone();
    let open = move || -> Result<Box<dyn Transport>, TransportError> {
        let world = StandInWorld::new(file.clone()).expect("the stand-in can be wired so");
        let setup = SimulatedRigSetup::from_bench(&file, RigPace::Granted, 3);
        Ok(Box::new(FaultyTransport::new(InProcessTransport::new(world, setup), faults, seed)))
    };
    RigBench::new(bench.clone(), Box::new(open), 1)
}

#[test]
fn a_scenario_comes_to_the_same_on_the_virtual_bench_and_on_a_rig() {
    let (plan, bench) = plan();
    let virtually = run(plan.clone(), &mut VirtualBench::new(bench.clone()));
    assert_eq!(virtually.verdict, Some(Verdict::Pass), "{virtually:#?}");
    let wired_up = run(plan, &mut wired(&bench, WireFaults::default(), 0));
    assert_eq!(wired_up, virtually);
}

#[test]
fn a_scenario_comes_to_the_same_over_a_bad_wire() {
    let (plan, bench) = plan();
    let clean = run(plan.clone(), &mut wired(&bench, WireFaults::default(), 0));
    let faults = WireFaults {
        corruption: 60,
        repetition: 60,
        wrong_sequence: 60,
        loss: 60,
        insertion: 60,
        ..WireFaults::default()
    };
    let mut bad = run(plan, &mut wired(&bench, faults, 5));
    assert!(bad.counters.damaged_frames > 0);
    bad.counters = clean.counters;
    assert_eq!(bad, clean);
}

#[test]
fn a_scenario_comes_to_the_same_whether_the_rig_plays_probes_or_converters() {
    let text = with_linear_converters();
    let (plan, bench) = fitted(&text);
    let probes = run(plan, &mut wired(&bench, WireFaults::default(), 0));
    let (plan, bench) = fitted(&text.replace("silence: 500 ms", "silence: 500 ms, plays: converters"));
    assert!(matches!(bench.kind, BenchKind::Rig { plays: Plays::Converters, .. }));
    let converters = run(plan, &mut wired(&bench, WireFaults::default(), 0));
    assert_eq!(probes.verdict, Some(Verdict::Pass), "{probes:#?}");
    let verdicts = |result: &ScenarioResult| {
        result.findings.iter().map(|finding| (finding.name.clone(), finding.finding.verdict)).collect::<Vec<_>>()
    };
    assert_eq!((converters.verdict, verdicts(&converters)), (probes.verdict, verdicts(&probes)), "{converters:#?}");
}

#[test]
fn a_run_on_played_converters_says_so_and_one_on_probes_does_not() {
    for (plays, said) in [("probes", false), ("converters", true)] {
        let text = with_linear_converters().replace("silence: 500 ms", &format!("silence: 500 ms, plays: {plays}"));
        let (_, bench) = fitted(&text);
        let setup = RunSetup { run: 1, seed: 5, ambient_millicelsius: 20_000, firing: Vec::new() };
        let identity = wired(&bench, WireFaults::default(), 0).begin(&setup).expect("it begins");
        assert_eq!(identity.description.contains("own were not tested"), said, "{}", identity.description);
    }
}

/// What a rig can read whose firmware is older than played converters; it is not asked for more here.
#[derive(serde::Deserialize)]
enum OldMessage {
    Hello { protocol: u16 },
}

/// Such a rig.
struct OldRig {
    link: Endpoint<RigMessage, OldMessage>,
    now: LinkTime,
}

impl OldRig {
    fn answer(message: Result<OldMessage, MessageError>) -> RigMessage {
        match message {
            Ok(OldMessage::Hello { protocol }) => RigMessage::Welcome(Welcome {
                protocol,
                board: Default::default(),
                firmware: "0.0.9".try_into().expect("short"),
                boot_id: 3,
                capabilities: Capabilities {
                    simulated: false,
                    stepped: false,
                    supply_switch: true,
                    supply_rail: true,
                    console: true,
                    probe_channels: 3,
                    inputs: 8,
                    contacts: 12,
                },
                limits: Limits { edge_ring: 4_096, command_queue: 32, max_silence_ms: 1_000 },
            }),
            Err(_) => RigMessage::Refused { command: None, why: Refusal::Malformed },
        }
    }
}

impl Transport for OldRig {
    fn now(&self) -> LinkTime {
        self.now
    }

    fn read(&mut self, into: &mut Vec<u8>, _timeout: Duration) -> Result<(), TransportError> {
        self.now = self.now + 1_000;
        while let Some(message) = self.link.poll_message() {
            self.link.send(&Self::answer(message)).expect("room");
        }
        let mut buffer = [0u8; MAX_FRAME];
        while let Some(frame) = self.link.poll_transmit(self.now, &mut buffer) {
            into.extend_from_slice(frame);
        }
        Ok(())
    }

    fn write(&mut self, frames: &[u8]) -> Result<(), TransportError> {
        self.link.handle_bytes(self.now, frames);
        Ok(())
    }
}

#[test]
fn a_rig_with_an_older_firmware_is_refused_in_plain_words_where_converters_are_to_be_played() {
    let text = with_linear_converters().replace("silence: 500 ms", "silence: 500 ms, plays: converters");
    let (_, bench) = fitted(&text);
    let open = || -> Result<Box<dyn Transport>, TransportError> {
        Ok(Box::new(OldRig { link: Endpoint::rig(3), now: LinkTime::ZERO }))
    };
    let setup = RunSetup { run: 1, seed: 5, ambient_millicelsius: 20_000, firing: Vec::new() };
    let trouble = RigBench::new(bench, Box::new(open), 1).begin(&setup).expect_err("it cannot play them");
    assert_eq!(trouble.kind, TroubleKind::LinkRefused);
    for words in ["firmware 0.0.9", "flash the firmware", "`plays: converters`"] {
        assert!(trouble.detail.contains(words), "{trouble:?}");
    }
}

#[test]
fn a_rig_that_does_not_play_the_converter_is_named_before_the_run_begins() {
    let text = with_linear_converters().replace("silence: 500 ms", "silence: 500 ms, plays: converters");
    let (_, mut bench) = fitted(&text);
    // What no bench file can say: there is no such part.
    bench.zones[1].probe_type = 'B';
    let (_, simulated) = fitted(&with_linear_converters());
    let open = move || -> Result<Box<dyn Transport>, TransportError> {
        let world = StandInWorld::new(simulated.clone()).expect("the stand-in can be wired so");
        let setup = SimulatedRigSetup::from_bench(&simulated, RigPace::Granted, 3);
        Ok(Box::new(InProcessTransport::new(world, setup)))
    };
    let setup = RunSetup { run: 1, seed: 5, ambient_millicelsius: 20_000, firing: Vec::new() };
    let begin = |bench: &BenchFile| RigBench::new(bench.clone(), Box::new(open.clone()), 1).begin(&setup);
    let trouble = begin(&bench).expect_err("there is no such part");
    assert_eq!(trouble.kind, TroubleKind::LinkRefused);
    assert!(trouble.detail.contains("channel 1") && trouble.detail.contains("plays: converters"), "{trouble:?}");
}

/// Warmer by 40 °C with the terminals: a rig that told the old cold junction would have the kiln 40 °C too hot.
#[test]
fn a_warm_box_is_told_by_a_rig_that_plays_converters_and_not_applicable_to_one_that_plays_probes() {
    let box_hot = "probe/box-hot.yaml";
    let (binding, _) = bound(&with_linear_converters(), box_hot);
    assert!(matches!(binding, Binding::NotApplicable { .. }), "{binding:?}");
    let text = with_linear_converters().replace("silence: 500 ms", "silence: 500 ms, plays: converters");
    let (Binding::Ready(plan), bench) = bound(&text, box_hot) else { panic!("it applies") };
    let result = run(*plan, &mut wired(&bench, WireFaults::default(), 0));
    assert_eq!(result.verdict, Some(Verdict::Pass), "{result:#?}");
}

//! `dryfire rig simulate`, and a run over its port.

mod command;

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, ChildStdout, Stdio};

use command::files::{library, probe_opens};
use command::{call, dryfire};
use rstest::rstest;
use tempfile::TempDir;

/// A simulated rig that is served as long as it is kept.
struct Served {
    child: Child,
    port: String,
    _out: BufReader<ChildStdout>,
}

impl Served {
    fn begin(more: &[&str]) -> Self {
        if more.contains(&"--loop-back") {
            Served::with(more)
        } else {
            Served::behind("scenarios/benches/rig.yaml", more)
        }
    }

    fn behind(bench: &str, more: &[&str]) -> Self {
        Served::with(&[&["--bench", bench][..], more].concat())
    }

    fn with(more: &[&str]) -> Self {
        let arguments = [&["rig", "simulate"][..], more].concat();
        let mut child =
            call(&arguments).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("the binary starts");
        let mut out = BufReader::new(child.stdout.take().expect("a pipe"));
        let mut port = String::new();
        out.read_line(&mut port).expect("a line");
        let port = port.trim_end().to_owned();
        assert!(Path::new(&port).exists(), "no port at `{port}`");
        Served { child, port, _out: out }
    }

    /// Ctrl-C; gives the exit status.
    fn end(mut self) -> Option<i32> {
        let process = nix::unistd::Pid::from_raw(i32::try_from(self.child.id()).expect("a process id"));
        nix::sys::signal::kill(process, nix::sys::signal::Signal::SIGINT).expect("a signal");
        self.child.wait().expect("the binary ends").code()
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn one_scenario() -> TempDir {
    library(&[("one.yaml", &probe_opens("the probe opens", "400.5 °C", "10 s"))])
}

fn run_over(port: &str) -> command::Ran {
    run_over_with(port, &[])
}

fn run_over_with(port: &str, more: &[&str]) -> command::Ran {
    let folder = one_scenario();
    let path = folder.path().to_str().expect("UTF-8");
    dryfire(&[&["run", path, "--bench", "scenarios/benches/rig.yaml", "--port", port], more].concat())
}

#[test]
fn a_run_over_the_port_of_a_simulated_rig_shows_the_hazard() {
    let served = Served::begin(&[]);
    let ran = run_over(&served.port);
    assert_eq!(ran.status, Some(0), "{ran:?}");
    assert!(ran.out.contains("1 of 1 hazards shown"), "{ran:?}");
    assert!(ran.out.contains("(rig)"), "{ran:?}");
    // And once more: the rig starts its controller anew for every run.
    assert_eq!(run_over(&served.port).status, Some(0));
}

#[test]
fn a_defect_behind_a_rig_is_found() {
    let served = Served::begin(&["--defect", "probe-fault-ignored-while-ramping"]);
    let ran = run_over(&served.port);
    assert_eq!(ran.status, Some(1), "{ran:?}");
    assert!(ran.out.contains("the heat was never cut"), "{ran:?}");
}

#[test]
fn the_link_to_the_port_is_there_as_long_as_the_rig() {
    let folder = TempDir::new().expect("a folder");
    let link = folder.path().join("rig");
    let served = Served::begin(&["--link", link.to_str().expect("UTF-8")]);
    assert_eq!(Path::new(&served.port), link);
    assert!(link.is_symlink());
    assert_eq!(served.end(), Some(0), "Ctrl-C is how it is ended");
    assert!(!link.is_symlink());
}

#[test]
fn a_file_in_the_place_of_the_link_is_kept() {
    let folder = TempDir::new().expect("a folder");
    let there = folder.path().to_str().expect("UTF-8");
    let ran = dryfire(&["rig", "simulate", "--bench", "scenarios/benches/rig.yaml", "--link", there]);
    assert_eq!(ran.status, Some(4), "{ran:?}");
    assert!(ran.err.contains("no pseudo-terminal at"), "{ran:?}");
    assert!(folder.path().is_dir());
}

#[test]
fn a_port_without_a_rig_is_a_breakdown() {
    let ran = run_over_with("/dev/does-not-exist", &["--declared-by", "a test, with no kiln"]);
    assert_eq!(ran.status, Some(3), "{ran:?}");
    assert!(ran.out.contains("the link to the rig was lost"), "{ran:?}");
    assert!(ran.out.contains("/dev/does-not-exist"), "{ran:?}");
}

#[test]
fn a_rig_runs_one_scenario_at_a_time() {
    let ran = dryfire(&["run", "scenarios", "--bench", "scenarios/benches/rig.yaml", "--port", "x", "--jobs", "2"]);
    assert_eq!(ran.status, Some(4), "{ran:?}");
    assert!(ran.err.contains("--jobs 2: there is one rig"), "{ran:?}");
}

#[test]
fn info_says_what_a_rig_is_and_that_its_channels_were_never_measured() {
    let served = Served::begin(&["--uncalibrated"]);
    let ran = dryfire(&["rig", "info", "--port", &served.port]);
    assert_eq!(ran.status, Some(2), "{ran:?}");
    for line in ["board                  simulated", "probe channels         3", "never made; nominal values are used"]
    {
        assert!(ran.out.contains(line), "{line}: {ran:?}");
    }
    assert!(ran.err.contains("never calibrated"), "{ran:?}");
    let nobody = dryfire(&["rig", "info", "--port", "/dev/does-not-exist"]);
    assert_eq!(nobody.status, Some(3), "{nobody:?}");
}

#[test]
fn a_self_test_has_a_verdict_for_each_output_and_finds_a_wire_that_is_not_there() {
    let served = Served::begin(&["--loop-back"]);
    let ran = dryfire(&["rig", "selftest", "--port", &served.port]);
    assert_eq!(ran.status, Some(0), "{ran:?}");
    for line in [
        "held        contact 4 to input 4",
        "held        probe channel 2, series and supply switch, to input 7",
        "held        supply switch and rail sense",
        "held        safe state when the host is silent: 300 ms agreed; contact 0 opened",
        "held        watchdog",
        "held        safe state after a reset",
        "12 held, 0 failed, 10 not tested",
    ] {
        assert!(ran.out.contains(line), "{line}: {}", ran.out);
    }
    let wrong = ["rig", "selftest", "--port", &served.port, "--contact-wire", "0:1", "--contact-wire", "6:2"];
    let ran = dryfire(&wrong);
    assert_eq!(ran.status, Some(1), "{ran:?}");
    assert!(ran.out.contains("FAILED      contact 0 to input 1: closed: input 0 changed"), "{}", ran.out);
    assert!(ran.out.contains("FAILED      contact 1: closed: input 1 changed"), "{}", ran.out);
    assert!(ran.out.contains("FAILED      contact 6 to input 2: closed: input 2 did not change"), "{}", ran.out);
}

/// Types so many lines.
fn typed(arguments: &[&str], lines: &[String]) -> (Option<i32>, String, String) {
    use std::io::Write as _;
    let mut child =
        call(arguments).stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("it starts");
    child.stdin.take().expect("a pipe").write_all(lines.join("\n").as_bytes()).expect("it reads");
    let output = child.wait_with_output().expect("it ends");
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).expect("UTF-8");
    (output.status.code(), text(output.stdout), text(output.stderr))
}

/// What a meter reads at channels that are off by `offset` mV and by `gain` at each of the seven voltages.
fn readings(offset: f64, gain: f64) -> Vec<String> {
    let points = [-9.0, 0.0, 5.0, 15.0, 30.0, 50.0, 78.0];
    let channel = points.map(|point| format!("{:.4}", point * gain + offset));
    (0..3).flat_map(|_| channel.clone()).collect()
}

#[test]
fn readings_at_the_terminal_become_a_calibration_on_the_board_that_runs_use() {
    let served = Served::begin(&["--uncalibrated"]);
    let calibrate = |date: &str, meter: &str, lines: &[String]| {
        let call = ["rig", "calibrate", "--port", &served.port, "--instrument", "DMM no 3"];
        typed(&[&call[..], &["--meter-microvolts", meter, "--date", date]].concat(), lines)
    };
    let ran = run_over(&served.port);
    assert!(ran.err.contains("never calibrated"), "{ran:?}");

    let (status, out, err) = calibrate("2026-11-20", "3", &readings(0.01, 1.002));
    assert_eq!(status, Some(0), "{out} {err}");
    assert!(out.contains("left of each reading"), "{out}");
    let info = dryfire(&["rig", "info", "--port", &served.port]);
    assert_eq!(info.status, Some(0), "{info:?}");
    assert!(info.out.contains("of 2026-11-20") && info.out.contains("DMM no 3"), "{info:?}");
    // −10 mV · 1.002 + 0.01 mV.
    assert!(info.out.contains("channel 0: -10.0"), "{info:?}");
    let ran = run_over(&served.port);
    assert_eq!(ran.status, Some(0), "{ran:?}");
    assert!(!ran.err.contains("calibrat"), "{ran:?}");

    // Ten years ago, and with a meter that is worse than what the bench file promises: 0.8 °C are some 30 µV.
    let (status, out, err) = calibrate("2016-11-20", "200", &readings(0.0, 1.0));
    assert_eq!(status, Some(0), "{out} {err}");
    let folder = one_scenario();
    let record = folder.path().join("record.sqlite");
    let (path, record) = (folder.path().to_str().expect("UTF-8"), record.to_str().expect("UTF-8"));
    let bench = "scenarios/benches/rig.yaml";
    let ran = dryfire(&["run", path, "--bench", bench, "--port", &served.port, "--record", record]);
    assert!(ran.err.contains("calibration of 2016-11-20 has expired"), "{ran:?}");
    // In the evidence, and the judging by what was recorded comes to the same.
    let report = dryfire(&["export", "--as", "json", record]);
    assert!(report.out.contains("calibration of 2016-11-20 has expired"), "{report:?}");
    // 200 µV at type K's least sensitivity from 200 °C to 1280 °C, 35.3 µV/°C (NIST Monograph 175): 5.7 °C.
    assert!(report.out.contains("\"calibration\",\"spread\":\"normal\",\"half_width_microcelsius\":56"), "{report:?}");
    let again = dryfire(&["rejudge", record]);
    assert_eq!(again.status, ran.status, "{again:?}");
}

#[test]
fn readings_that_make_no_calibration_keep_nothing() {
    let served = Served::begin(&["--uncalibrated"]);
    let call = ["rig", "calibrate", "--port", &served.port, "--instrument", "DMM", "--meter-microvolts", "3"];
    let mut scattered = readings(0.0, 1.0);
    scattered[3] = "15.2".to_owned();
    let (status, out, err) = typed(&call, &scattered);
    assert_eq!(status, Some(2), "{out} {err}");
    assert!(err.contains("off the line") && err.contains("nothing was kept"), "{err}");
    let (status, out, err) = typed(&call, &readings(0.0, 1.0)[..9]);
    assert_eq!(status, Some(2), "{out} {err}");
    assert!(err.contains("the readings end at channel 1"), "{err}");
    for instrument in ["", "   ", "--", "DMM\u{1b}[8m", "one of seventeen b"] {
        let named = format!("--instrument={instrument}");
        let ran = dryfire(&["rig", "calibrate", "--port", &served.port, &named, "--meter-microvolts", "3"]);
        assert_eq!(ran.status, Some(4), "{ran:?}");
        assert!(ran.err.contains("--instrument: expected a name of 1 to 16 bytes"), "{ran:?}");
    }
    // What cannot be is asked for again.
    let mut asked_again = readings(0.0, 1.0);
    asked_again.insert(4, "30000".to_owned());
    asked_again.insert(4, "thirty".to_owned());
    let (status, out, err) = typed(&call, &asked_again);
    assert_eq!(status, Some(0), "{out} {err}");
    assert!(out.contains("`thirty` is no number") && out.contains("another unit"), "{out}");
}

#[test]
fn the_wiring_of_a_bench_file_is_printed_wire_by_wire() {
    let ran = dryfire(&["rig", "wiring", "scenarios/benches/rig.yaml"]);
    assert_eq!(ran.status, Some(0), "{ran:?}");
    // Three probes, four relays, nine contacts, the supply and its rail, the console: eighteen and one wires.
    let rows = ran.out.lines().filter(|line| line.contains("  ")).count();
    assert_eq!(rows, 1 + 19, "{}", ran.out);
    for (rig, controller) in [
        ("probe channel 2", "terminals of probe bottom (type K)"),
        ("sensed input 0", "safety: output or coil, high is on"),
        ("contact 1", "stop button; pressed is open"),
        ("contact 7", "test line of the program; standing still is closed"),
        ("contact 4", "reset line of the processor, to its ground; held in reset is closed"),
        ("contact 6", "clock line of the converters' bus, to its ground; held low is closed"),
        ("supply rail sense", "its logic supply"),
        ("console, isolated", "its serial console"),
    ] {
        let row = ran.out.lines().find(|line| line.starts_with(rig)).unwrap_or_else(|| panic!("{rig}: {}", ran.out));
        assert!(row.contains(controller), "{row}");
    }
    let virtual_bench = dryfire(&["rig", "wiring", "scenarios/benches/virtual.yaml"]);
    assert_eq!(virtual_bench.status, Some(4), "{virtual_bench:?}");
    assert!(virtual_bench.err.contains("none of a rig"), "{virtual_bench:?}");
}

/// The bench of the library behind a rig that plays its converters.
fn played(part: &str) -> (TempDir, String) {
    let text = include_str!("../../../scenarios/benches/rig.yaml");
    let kilns = command::project().join("scenarios/kilns").display().to_string();
    let text = text
        .replace("../kilns", &kilns)
        .replace("silence: 500 ms", "silence: 500 ms, plays: converters")
        .replace("supply: switched by the rig", &format!("supply: switched by the rig\nconverter: {part}"));
    let folder = library(&[("played.yaml", &text)]);
    let path = folder.path().join("played.yaml").display().to_string();
    (folder, path)
}

#[rstest]
#[case::a_word("linear 14-bit")]
#[case::registers("linearised")]
fn a_run_whose_converters_the_rig_plays_shows_the_hazard_and_finds_a_defect(#[case] part: &str) {
    let (_folder, bench) = played(part);
    for (more, status) in [(&[][..], 0), (&["--defect", "probe-fault-ignored-while-ramping"][..], 1)] {
        let served = Served::behind(&bench, more);
        let scenarios = one_scenario();
        let path = scenarios.path().to_str().expect("UTF-8");
        let ran = dryfire(&["run", path, "--bench", &bench, "--port", &served.port]);
        assert_eq!(ran.status, Some(status), "{ran:?}");
    }
}

#[rstest]
#[case::a_word("linear 14-bit", "at most 5 MHz", false)]
#[case::registers("linearised", "at most 1 MHz", true)]
fn the_wires_of_played_converters_are_those_of_their_bus(
    #[case] part: &str,
    #[case] clock: &str,
    #[case] written: bool,
) {
    let (_folder, bench) = played(part);
    let ran = dryfire(&["rig", "wiring", &bench]);
    assert_eq!(ran.status, Some(0), "{ran:?}");
    assert!(!ran.out.contains("probe channel"), "{}", ran.out);
    assert!(ran.out.contains("are not tested"), "{}", ran.out);
    assert_eq!(ran.out.contains("converter bus: data from the controller"), written, "{}", ran.out);
    for (rig, controller) in [
        ("converter bus: clock", clock),
        ("converter bus: data ", "data line of its converters' bus"),
        ("converter bus: select 1", &format!("select of the converter of middle ({part}, type K)")),
    ] {
        let row = ran.out.lines().find(|line| line.starts_with(rig)).unwrap_or_else(|| panic!("{rig}: {}", ran.out));
        assert!(row.contains(controller), "{row}");
    }
}

#[test]
fn the_sheet_of_a_session_names_every_probe_relay_contact_and_limit_of_the_bench_file() {
    let ran = dryfire(&["rig", "sheet", "scenarios/benches/rig.yaml"]);
    assert_eq!(ran.status, Some(0), "{ran:?}");
    let parts: Vec<&str> = ran.out.split("\n\n").collect();
    let part =
        |title: &str| *parts.iter().find(|part| part.starts_with(title)).unwrap_or_else(|| panic!("{}", ran.out));
    for zone in ["top", "middle", "bottom"] {
        assert!(part("Before").contains(&format!("before any change: {zone}: probe type K")), "{}", ran.out);
        assert!(part("The bench proved").contains(&format!("element.{zone}: forced on and off")), "{}", ran.out);
        assert!(part("After").contains(&format!("probe {zone} (type K) refitted, plus on plus")), "{}", ran.out);
        assert!(part("After").contains(&format!("read back: {zone}: probe type K")), "{}", ran.out);
        assert!(part("First firing").contains(&format!("element {zone}: on alone")), "{}", ran.out);
    }
    for button in ["lid switch", "stop button", "start button", "acknowledge button", "test line"] {
        assert!(part("The bench proved").contains(button) && part("After").contains(button), "{button}: {}", ran.out);
    }
    assert!(part("After").contains("top temperature 1280.0 °C, read ______"), "{}", ran.out);
    assert!(part("Before").contains("proved dead on all poles"), "{}", ran.out);
    assert!(!ran.out.contains("own converters back"), "{}", ran.out);
    let (_folder, bench) = played("linear 14-bit");
    let ran = dryfire(&["rig", "sheet", &bench]);
    assert!(ran.out.contains("own converters back in their places; they were not tested"), "{}", ran.out);
    // A bench without wires has no session.
    let ran = dryfire(&["rig", "sheet", "scenarios/benches/virtual.yaml"]);
    assert_ne!(ran.status, Some(0), "{ran:?}");
}

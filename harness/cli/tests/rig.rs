//! `dryfire rig simulate`, and a run over its port.

mod command;

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, ChildStdout, Stdio};

use command::files::{library, probe_opens};
use command::{call, dryfire};
use tempfile::TempDir;

/// A simulated rig that is served as long as it is kept.
struct Served {
    child: Child,
    port: String,
    _out: BufReader<ChildStdout>,
}

impl Served {
    fn begin(more: &[&str]) -> Self {
        let mut arguments = vec!["rig", "simulate", "--bench", "scenarios/benches/rig.yaml"];
        arguments.extend(more);
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
    let folder = one_scenario();
    let path = folder.path().to_str().expect("UTF-8");
    dryfire(&["run", path, "--bench", "scenarios/benches/rig.yaml", "--port", port])
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
    let ran = run_over("/dev/does-not-exist");
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

//! The programs for the two boards, and the bench that runs them as machine code.

mod build;
mod host;
mod played;
mod uf2;

use std::io::{BufRead, BufReader, Write};
use std::path::PathBuf;
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::OnceLock;
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::time::Duration;

use dryfire_link::ConverterPart;
use dryfire_rig::Calibration;
use dryfire_scenario::Bench as BenchFile;
use dryfire_stand_in::{Configuration, Defect, Defects, Settings};
use serde_json::Value;

pub use build::{Toolchain, build};
pub use host::Host;
pub use played::PlayedRig;
pub use uf2::uf2;

use crate::root;

/// Everything that the two-board bench needs.
#[derive(Clone, Debug)]
pub struct Tools {
    /// The rig's program.
    pub rig: PathBuf,
    /// The controller's program.
    pub controller: PathBuf,
}

/// Builds both programs and fetches the emulator, once.
///
/// # Errors
/// What is missing and how it is installed.
///
/// # Panics
/// If the programs do not build.
pub fn tools() -> Result<Tools, String> {
    static TOOLS: OnceLock<Result<Tools, String>> = OnceLock::new();
    TOOLS.get_or_init(find_tools).clone()
}

fn find_tools() -> Result<Tools, String> {
    for (program, argument, package) in
        [("node", "--version", "nodejs"), ("npm", "--version", "npm"), ("socat", "-V", "socat")]
    {
        let there = Command::new(program).arg(argument).stdout(Stdio::null()).stderr(Stdio::null()).status();
        if !there.is_ok_and(|status| status.success()) {
            return Err(format!("`{program}` is not installed (Debian's package {package})"));
        }
    }
    let boards = root().join("tests/boards");
    if !boards.join("node_modules/rp2040js/package.json").is_file() {
        let fetched = Command::new("npm").args(["ci", "--no-audit", "--no-fund"]).current_dir(&boards).output();
        match fetched {
            Ok(output) if output.status.success() => {}
            Ok(output) => return Err(format!("npm ci: {}", String::from_utf8_lossy(&output.stderr))),
            Err(error) => return Err(format!("npm ci: {error}")),
        }
    }
    let built = build().unwrap_or_else(|error| panic!("the programs for the boards do not build: {error}"));
    Ok(Tools { rig: built.rig, controller: built.controller })
}

/// The tools, or `None` with a word on standard error where they cannot be had. On a build server they must be there.
///
/// # Panics
/// If they are missing where `CI` is set.
#[expect(clippy::print_stderr, reason = "a test that does not run has to say so")]
pub fn tools_or_skip() -> Option<Tools> {
    match tools() {
        Ok(tools) => Some(tools),
        Err(missing) if std::env::var_os("CI").is_some() => panic!("{missing}"),
        Err(missing) => {
            eprintln!("SKIPPED: the two-board bench did not run: {missing}");
            None
        }
    }
}

/// How the two boards are started.
#[derive(Clone, Debug, Default)]
pub struct Setup {
    /// The controller's page of configuration.
    pub page: Option<Configuration>,
    /// The rig's clock runs by itself, as on silicon.
    pub silicon: bool,
    /// How many times as fast as the wall clock it runs then; 0 means 1.
    pub speed: f64,
    /// How long the controller is held in reset after its rail has risen, milliseconds; drawn if not given.
    pub supervisor_ms: Option<u32>,
    /// The controller's converters, where the rig is to play them.
    pub played: Option<ConverterPart>,
    /// The clock that runs by itself waits for a host that is late, for a while.
    pub patient: bool,
    /// Everything on the wires is told.
    pub trace: bool,
    /// Where the rig's microsecond timer stands at its start.
    pub start_micros: u64,
    /// The rig's page of calibration.
    pub calibration: Option<Calibration>,
    /// Of everything that the bench draws at random.
    pub seed: u32,
    /// What the rig's channels give at code 0 and from there to the last code, millivolts.
    pub scales: Option<[(f64, f64); 3]>,
    /// No controller, but the wires of a self-test.
    pub looped: bool,
    /// Inputs whose wire is broken then.
    pub broken: Vec<u8>,
}

/// What the controller is set to so that it keeps what a bench file declares.
///
/// # Panics
/// If the bench declares what the controller cannot have.
pub fn configuration(bench: &BenchFile, defects: &[&str]) -> Configuration {
    let declares = &bench.declares;
    let number = |value: i64| u32::try_from(value).expect("a value that the controller can have");
    let settings = Settings {
        zones: bench.zones.len(),
        top_millicelsius: i32::try_from(declares.top_temperature_millicelsius).expect("a temperature"),
        longest_firing_ms: number(declares.longest_firing.as_millis()),
        cycle_ms: number(declares.cycle_time.as_millis()),
        ..Settings::default()
    };
    let defects = defects.iter().fold(Defects::NONE, |set, name| {
        set.with(Defect::from_name(name).unwrap_or_else(|| panic!("no defect `{name}`")))
    });
    Configuration { settings, defects }
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// The two boards, running.
#[derive(Debug)]
pub struct TwoBoards {
    child: Child,
    stdin: ChildStdin,
    lines: Receiver<String>,
    /// The rig's serial port.
    pub port: PathBuf,
}

/// Longest time in which the bench answers.
const PATIENCE: Duration = Duration::from_secs(60);

impl TwoBoards {
    /// Starts them and waits until the rig's port is there.
    ///
    /// # Panics
    /// If they do not start.
    pub fn start(tools: &Tools, setup: &Setup) -> TwoBoards {
        static NUMBER: AtomicU32 = AtomicU32::new(0);
        let number = NUMBER.fetch_add(1, Ordering::Relaxed);
        let port = std::env::temp_dir().join(format!("dryfire-boards-{}-{number}", std::process::id()));
        let mut command = Command::new("node");
        command.arg(root().join("tests/boards/serve.js"));
        command.arg("--rig").arg(&tools.rig).arg("--port").arg(&port);
        if setup.looped {
            command.arg("--loop");
        } else {
            command.arg("--controller").arg(&tools.controller);
        }
        if let Some(scales) = &setup.scales {
            let scales: Vec<String> = scales.iter().map(|(lowest, span)| format!("{lowest}:{span}")).collect();
            command.arg(format!("--scales={}", scales.join(",")));
        }
        if !setup.broken.is_empty() {
            let broken: Vec<String> = setup.broken.iter().map(u8::to_string).collect();
            command.arg("--broken").arg(broken.join(","));
        }
        command.args(["--seed", &setup.seed.to_string()]);
        if let Some(page) = &setup.page {
            command.args(["--page", &hex(&page.encode())]);
        }
        if setup.silicon {
            command.arg("--silicon");
        }
        if setup.speed > 0.0 {
            command.args(["--speed", &setup.speed.to_string()]);
        }
        command.args(["--start", &setup.start_micros.to_string()]);
        if let Some(calibration) = &setup.calibration {
            command.args(["--calibration", &hex(&calibration.encode())]);
        }
        if let Some(held) = setup.supervisor_ms {
            command.args(["--supervisor", &held.to_string()]);
        }
        if let Some(part) = setup.played {
            command.arg("--played").args(match part {
                ConverterPart::FourteenBit => None,
                ConverterPart::TwelveBit => Some("--twelve-bit"),
                ConverterPart::Linearised => Some("--registers"),
            });
        }
        if setup.patient {
            command.arg("--patient");
        }
        if setup.trace {
            command.arg("--trace");
        }
        let mut child =
            command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::inherit()).spawn().expect("node starts");
        let stdin = child.stdin.take().expect("it was asked for");
        let stdout = child.stdout.take().expect("it was asked for");
        let (sender, lines) = channel();
        std::thread::spawn(move || {
            for line in BufReader::new(stdout).lines().map_while(Result::ok) {
                if sender.send(line).is_err() {
                    return;
                }
            }
        });
        let boards = TwoBoards { child, stdin, lines, port };
        let ready = boards.line();
        assert!(ready.starts_with("ready "), "{ready}");
        boards
    }

    fn line(&self) -> String {
        match self.lines.recv_timeout(PATIENCE) {
            Ok(line) => line,
            Err(RecvTimeoutError::Timeout) => panic!("the two boards say nothing"),
            Err(RecvTimeoutError::Disconnected) => panic!("the two boards have ended"),
        }
    }

    /// Gives an instruction.
    ///
    /// # Panics
    /// If the bench has ended.
    pub fn tell(&mut self, instruction: &str) {
        writeln!(self.stdin, "{instruction}").expect("the two boards listen");
    }

    /// The bench's state now, and what was told before.
    ///
    /// # Panics
    /// If the bench does not answer.
    pub fn state(&mut self) -> (Value, Vec<Value>) {
        self.tell("state");
        let mut before = Vec::new();
        loop {
            let line = self.line();
            let value: Value = serde_json::from_str(&line).unwrap_or(Value::Null);
            if value.get("word").is_some() {
                return (value, before);
            }
            before.push(value);
        }
    }

    /// Waits for the next thing on the wires that is wanted.
    ///
    /// # Panics
    /// If it does not come.
    pub fn wait_for(&self, mut wanted: impl FnMut(&Value) -> bool) -> Value {
        loop {
            let value: Value = serde_json::from_str(&self.line()).unwrap_or(Value::Null);
            if wanted(&value) {
                return value;
            }
        }
    }
}

impl Drop for TwoBoards {
    fn drop(&mut self) {
        // It ends its own port.
        let _ = writeln!(self.stdin, "end");
        let _ = self.child.wait();
    }
}

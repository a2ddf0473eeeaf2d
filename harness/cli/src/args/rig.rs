//! Arguments of `dryfire rig`.

use std::path::PathBuf;

use clap::{Args, Subcommand};

#[derive(Debug, Subcommand)]
pub(crate) enum RigCommand {
    Simulate(SimulateArguments),
    /// Print the table of the wires between the rig and the controller of a bench file.
    Wiring(WiringArguments),
    /// Print what a session asks of people, before it, after it and at the first firing, to be filled in by hand.
    Sheet(WiringArguments),
    /// Say what a rig is, why it was last started, and what it knows of its channels.
    #[command(after_long_help = "Exit status: 0 in order, 2 restarted by itself or not calibrated, 3 no rig answers.")]
    Info(PortArguments),
    Selftest(SelfTestArguments),
    Calibrate(CalibrateArguments),
}

#[derive(Debug, Args)]
pub(crate) struct WiringArguments {
    /// Bench file of a rig.
    #[arg(value_name = "BENCH")]
    pub(crate) bench: PathBuf,
}

#[derive(Debug, Args)]
pub(crate) struct PortArguments {
    /// The rig's serial port, for example /dev/ttyACM0.
    #[arg(long, value_name = "PORT")]
    pub(crate) port: PathBuf,
}

#[derive(Debug, Args)]
#[command(
    about = "Check a rig's outputs against its inputs over loop-back wires",
    long_about = "Check a rig's outputs against its inputs over loop-back wires.\n\n\
        No controller is connected. Every contact and every probe channel's switches are worked and have to be seen at \
        the input they are wired to, in time, and at no other; then the supply switch with the rail sense, the safe \
        state on silence, and the watchdog, which resets the board. docs/rig.md says how the wires are made.",
    after_long_help = "\
Examples:
  dryfire rig selftest --port /dev/ttyACM0
  dryfire rig selftest --port /dev/ttyACM0 --contact-wire 8:0 --contact-wire 9:1 --channel-wire 0:5

Exit status: 0 everything that was tested held, 1 something failed, 2 nothing was tested, 3 it broke down."
)]
pub(crate) struct SelfTestArguments {
    #[command(flatten)]
    pub(crate) port: PortArguments,

    /// A wire from a contact to an input; may be repeated.
    #[arg(long, value_name = "CONTACT:INPUT", value_parser = wire, default_values = ["0:0", "1:1", "2:2", "3:3", "4:4"])]
    pub(crate) contact_wire: Vec<(u8, u8)>,

    /// A wire from a probe channel to an input; may be repeated.
    #[arg(long, value_name = "CHANNEL:INPUT", value_parser = wire, default_values = ["0:5", "1:6", "2:7"])]
    pub(crate) channel_wire: Vec<(u8, u8)>,

    /// The supply switch does not feed the rail sense.
    #[arg(long)]
    pub(crate) no_rail_wire: bool,
}

#[derive(Debug, Args)]
#[command(
    about = "Measure a rig's probe channels with a meter, and keep what was found on the board",
    long_about = "Measure a rig's probe channels with a meter, and keep what was found on the board.\n\n\
        The rig sets each channel to seven voltages; the readings are typed in. A straight line by least squares gives \
        offset and span, and with the meter's uncertainty that of the channel; what is left of each reading is shown. \
        Readings that are no line are refused. Runs use what was kept, and its uncertainty where it is larger than \
        what the bench file says.",
    after_long_help = "\
Examples:
  dryfire rig calibrate --port /dev/ttyACM0 --instrument 'DMM 6.5 no 3' --meter-microvolts 3

Exit status: 0 kept, 2 the readings make no calibration and nothing was kept, 3 it broke down, 4 an argument is wrong."
)]
pub(crate) struct CalibrateArguments {
    #[command(flatten)]
    pub(crate) port: PortArguments,

    /// What it is measured with, at most 16 bytes.
    #[arg(long, value_name = "TEXT")]
    pub(crate) instrument: String,

    /// The meter's expanded uncertainty (coverage factor 2) in this range, microvolts.
    #[arg(long, value_name = "NUMBER", value_parser = meter_microvolts)]
    pub(crate) meter_microvolts: f64,

    /// The day of the measurement. [default: today]
    #[arg(long, value_name = "YYYY-MM-DD")]
    pub(crate) date: Option<String>,
}

/// An output and an input.
fn wire(text: &str) -> Result<(u8, u8), String> {
    let pair = text.split_once(':').and_then(|(from, to)| Some((from.parse().ok()?, to.parse().ok()?)));
    pair.ok_or_else(|| "expected an output's and an input's number, such as 3:0".to_owned())
}

/// A meter's uncertainty.
fn meter_microvolts(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(microvolts) if (0.01..=1_000.0).contains(&microvolts) => Ok(microvolts),
        _ => Err("expected microvolts from 0.01 to 1000, such as 3".to_owned()),
    }
}

#[derive(Debug, Args)]
#[command(
    about = "Serve a simulated rig with the stand-in controller behind a pseudo-terminal",
    long_about = "Serve a simulated rig with the stand-in controller behind a pseudo-terminal, until Ctrl-C.\n\n\
        The port's path is printed on standard output. It speaks what a real rig speaks, so the whole way over a \
        serial port can be tried without hardware.",
    after_long_help = "\
Examples:
  dryfire rig simulate --bench scenarios/benches/rig.yaml --link /tmp/rig
  dryfire run scenarios --bench scenarios/benches/rig.yaml --port /tmp/rig"
)]
pub(crate) struct SimulateArguments {
    /// Bench file of the controller that stands behind the rig.
    #[arg(long, value_name = "FILE", required_unless_present = "loop_back")]
    pub(crate) bench: Option<PathBuf>,

    /// Behind the rig stands no controller but the loop-back wires of `rig selftest`.
    #[arg(long, conflicts_with_all = ["bench", "defect"])]
    pub(crate) loop_back: bool,

    /// Its probe channels are off by a little, each in its own way, as those of a new board.
    #[arg(long)]
    pub(crate) uncalibrated: bool,

    /// At most this many times as fast as a clock. [default: as fast as the host grants; 1 with --no-grants]
    #[arg(long, value_name = "NUMBER", value_parser = speed)]
    pub(crate) speed: Option<f64>,

    /// Run freely like silicon, instead of only as far as the host grants.
    #[arg(long)]
    pub(crate) no_grants: bool,

    /// Give the stand-in controller this defect (see `dryfire defects`); may be repeated.
    #[arg(long, value_name = "NAME")]
    pub(crate) defect: Vec<String>,

    /// Also make a symbolic link to the port at this path.
    #[arg(long, value_name = "PATH")]
    pub(crate) link: Option<PathBuf>,
}

/// A factor between a tenth and ten thousand.
fn speed(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(speed) if (0.1..=10_000.0).contains(&speed) => Ok(speed),
        _ => Err("expected a number from 0.1 to 10000, such as 0.5 or 20".to_owned()),
    }
}

//! A checked bench file: how the controller is wired and what it promises.

use dryfire_units::RigSpan;

/// One bench file.
#[derive(Clone, Debug, PartialEq)]
pub struct Bench {
    /// What it is called.
    pub name: String,
    /// What plays the kiln and how it is reached.
    pub kind: BenchKind,
    /// The kiln file it names, as written (relative to the bench file).
    pub kiln: String,
    /// The controller under test, in the owner's words.
    pub controller: String,
    /// Its firmware's version, as the owner states it.
    pub firmware_version: Option<String>,
    /// Its firmware's image, as written (relative to the bench file).
    pub firmware_image: Option<String>,
    /// Zones, in the order in which they are numbered from 1; names as in the kiln file.
    pub zones: Vec<Zone>,
    /// Every relay that the rig senses.
    pub relays: Vec<Relay>,
    /// Through which relays current reaches each zone's element, pole by pole.
    pub paths: Vec<Path>,
    /// Contacts that the rig works.
    pub contacts: Vec<Contact>,
    /// Whether the rig can cut the controller's own supply.
    pub supply_switch: bool,
    /// The leg of the kiln's supply (from 1) that feeds the controller; `None`: none that a scenario can lose.
    pub controls_leg: Option<u8>,
    /// What reads the probes.
    pub converter: ConverterChoice,
    /// Noise that the rig adds to every probe all the time, root mean square,
    /// thousandths of a degree; 0: none.
    pub dither_millicelsius: i64,
    /// How a firing is begun.
    pub begin: BeginFiring,
    /// What the controller promises.
    pub declares: Declared,
    /// How well the bench knows what it measures.
    pub uncertainty: Uncertainty,
}

/// What reads the probes, by its behaviour.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum ConverterChoice {
    /// Linearised by the reference functions.
    #[default]
    Linearised,
    /// 14 bits and a straight line for each thermocouple type.
    FourteenBit,
    /// 12 bits and a straight line, type K only, 0 to 1023.75 °C.
    TwelveBit,
}

/// What plays the kiln.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum BenchKind {
    /// The stand-in controller in the same process, in virtual time.
    Virtual(StandInChoice),
    /// The user's controller as a child process in lockstep.
    Program {
        /// Program and arguments; relative to the bench file's folder.
        command: Vec<String>,
        /// How long the child may take to answer one call, of wall time.
        deadline: RigSpan,
    },
    /// The rig board on a serial port.
    Rig {
        /// The port (`/dev/ttyACM0`, a pseudo-terminal); a command line option may override it.
        port: Option<String>,
        /// How long the host may be silent before the rig goes to its safe state.
        silence: RigSpan,
    },
}

/// How the stand-in is set up.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct StandInChoice {
    /// Defects switched on, by name.
    pub defects: Vec<String>,
    /// Period of its control tick; 100 ms if not given.
    pub tick: Option<RigSpan>,
}

/// One zone: probe and element.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Zone {
    /// Its name, as in the kiln file.
    pub name: String,
    /// Thermocouple type letter (`K`, `S`, …).
    pub probe_type: char,
    /// Rig channel that plays its probe, from 0; `None`: the zone has no probe of its own.
    pub probe_channel: Option<u8>,
}

/// What a relay is for.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum RelayRole {
    /// The safety contactor (`safety`).
    Safety,
    /// The element relay of a zone, by index (`element.<zone>`).
    Element(usize),
}

/// What the rig sees of a relay.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Senses {
    /// The controller's output or the coil: never proves that a contact opened.
    Command,
    /// The contact itself.
    Contact,
    /// Voltage or current at a dummy load.
    Load,
}

/// The level of the sensed input when the relay is on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ActiveLevel {
    /// High when on.
    High,
    /// Low when on.
    Low,
}

/// One sensed relay.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Relay {
    /// What it is for.
    pub role: RelayRole,
    /// Rig input that senses it, from 0.
    pub input: u8,
    /// What is sensed.
    pub senses: Senses,
    /// Polarity.
    pub active: ActiveLevel,
    /// Worst time from the sensed edge to the contact's opening.
    pub release: RigSpan,
}

/// The way of the current to one zone's element.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Path {
    /// The zone's index.
    pub zone: usize,
    /// One entry for each pole of the supply that feeds it.
    pub poles: Vec<Pole>,
    /// The wires of the supply between which its element lies, in the order of
    /// the poles; `None`: as is usual for the kiln's supply.
    pub between: Option<[Wire; 2]>,
}

/// A wire of the kiln's supply.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Wire {
    /// A leg or phase, from 1.
    Leg(u8),
    /// Neutral, or the common point of a star.
    Neutral,
}

/// One pole: the relays in series in it (none: a plain wire).
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Pole {
    /// The relays.
    pub through: Vec<PathRelay>,
}

/// A relay in a pole, as an index into [`Bench::relays`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PathRelay(pub usize);

/// A contact that the rig can work.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum ContactRole {
    /// The lid switch; engaged = lid open.
    Lid,
    /// The stop button; engaged = pressed.
    Stop,
    /// The start button; engaged = pressed.
    Start,
    /// The acknowledge (fault reset) button; engaged = pressed.
    Acknowledge,
}

/// Whether a dry contact is open or closed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ContactState {
    /// No connection.
    Open,
    /// Connected.
    Closed,
}

/// One contact as wired.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Contact {
    /// What it stands for.
    pub role: ContactRole,
    /// Rig output that works it, from 0.
    pub output: u8,
    /// Its state when engaged (lid open, button pressed); the other one at rest.
    pub engaged: ContactState,
    /// Its state when the rig goes to its safe state.
    pub demand_safe: ContactState,
}

/// How a firing is begun.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum BeginFiring {
    /// The program is sent and the firing begun over the controller's console;
    /// lines with `{program}` in place of the segments.
    Console {
        /// Lines sent in order.
        lines: Vec<String>,
    },
    /// The start button is pressed for this long (the program is set beforehand).
    Contact {
        /// How long the button is held.
        press: RigSpan,
    },
    /// The operator is asked to do it.
    Operator,
}

/// What the controller promises; limits in scenarios refer to it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Declared {
    /// The highest temperature that a program may ask for, thousandths of a degree Celsius.
    pub top_temperature_millicelsius: i64,
    /// The longest firing.
    pub longest_firing: RigSpan,
    /// The element relays' cycle time.
    pub cycle_time: RigSpan,
    /// Reaction times by hazard id, where it promises any.
    pub reactions: Vec<(String, RigSpan)>,
}

/// Expanded uncertainties of what the bench measures and shows.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Uncertainty {
    /// Of an edge's instant.
    pub edge_time: RigSpan,
    /// Of the temperature shown to the controller, thousandths of a degree.
    pub shown_temperature_millicelsius: i64,
    /// Coverage factor that both are stated for, in hundredths (200: k = 2).
    pub coverage_hundredths: u16,
}

//! A checked bench file: how the controller is wired and what it promises.

use dryfire_kiln::Unpowered;
use dryfire_units::RigSpan;

use crate::ConsolePattern;

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
    /// What an earlier control left in the wiring.
    pub old_parts: Vec<OldPart>,
    /// The independent limiter, where there is one.
    pub limiter: Option<Limiter>,
    /// Contacts that the rig works.
    pub contacts: Vec<Contact>,
    /// Contacts by which the rig tells the controller what the power side does.
    pub feedback: Vec<Feedback>,
    /// Whether the rig can cut the controller's own supply.
    pub supply_switch: bool,
    /// The leg of the kiln's supply (from 1) that feeds the controller; `None`: none that a scenario can lose.
    pub controls_leg: Option<u8>,
    /// What reads the probes.
    pub converter: ConverterChoice,
    /// How the temperature of the controller's terminals is known.
    pub cold_junction: ColdJunction,
    /// Noise that the rig adds to every probe all the time, root mean square,
    /// thousandths of a degree; 0: none.
    pub dither_millicelsius: i64,
    /// How a firing is begun.
    pub begin: BeginFiring,
    /// How a fault that the controller still has latched is cleared before each run; `None`: not at all.
    pub clear_fault: Option<ClearFault>,
    /// How the controller says on its console what it aims at; `None`: it does not.
    pub set_point: Option<StatedSetPoint>,
    /// What the controller promises.
    pub declares: Declared,
    /// How well the bench knows what it measures.
    pub uncertainty: Uncertainty,
}

/// Probe channels of a rig, numbered from 0; the rig's own program has as many (`docs/rig.md`).
pub const RIG_PROBE_CHANNELS: usize = 3;

impl Bench {
    /// The rig channels that play a probe: those of the zones, and the limiter's.
    pub fn probe_channels(&self) -> impl Iterator<Item = u8> + '_ {
        let of_zones = self.zones.iter().filter_map(|zone| zone.probe_channel);
        of_zones.chain(self.limiter.iter().map(|limiter| limiter.probe_channel))
    }
}

/// How a controller says on its console what it aims at.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StatedSetPoint {
    /// Finds the number in a line: its one group.
    pub pattern: ConsolePattern,
    /// What the number counts.
    pub unit: SetPointUnit,
    /// The step in which it is written, thousandths of a degree Celsius.
    pub step_millicelsius: i64,
    /// How long a line holds good; later the set-point is not observed.
    pub fresh_for: RigSpan,
    /// What the controller is asked for it, and how often; `None`: it says so by itself.
    pub ask: Option<SetPointQuestion>,
}

/// A console line that a controller answers with its set-point.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SetPointQuestion {
    /// The line, without its line end.
    pub line: String,
    /// From one question to the next; whole seconds.
    pub every: RigSpan,
}

/// What a stated set-point counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SetPointUnit {
    /// Degrees Celsius.
    Celsius,
    /// Degrees Fahrenheit.
    Fahrenheit,
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

/// How the temperature of the controller's terminals is known, which a probe's volts have to make up for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum ColdJunction {
    /// It is taken to be that of the room, as the scenario says.
    #[default]
    Room,
    /// The rig measures it all the time.
    Measured,
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
        /// What its probe channels play.
        plays: Plays,
    },
}

/// What a rig's probe channels play.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Plays {
    /// Probes, at the terminals of the controller's own converters.
    #[default]
    Probes,
    /// The converters themselves, on the controller's bus.
    Converters,
}

/// How the stand-in is set up.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct StandInChoice {
    /// Defects switched on, by name.
    pub defects: Vec<String>,
    /// The honest variant of it, by name; `None`: as it is.
    pub variant: Option<String>,
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

/// An independent over-temperature limiter: a device beside the controller, with a probe and a contact of its own.
///
/// Its contact is the relay with the role [`RelayRole::Limiter`], its reset the contact [`ContactRole::Reset`].
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Limiter {
    /// The index of the zone whose temperature its probe sees.
    pub zone: usize,
    /// The letter of its thermocouple's type.
    pub probe_type: char,
    /// Rig channel that plays its probe, from 0.
    pub probe_channel: u8,
    /// It trips above this, thousandths of a degree Celsius.
    pub trip_millicelsius: i64,
    /// Below this it can be reset, thousandths of a degree Celsius; `None`: the bench file does not say.
    pub reset_below_millicelsius: Option<i64>,
}

/// What a relay is for.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum RelayRole {
    /// The safety contactor (`safety`).
    Safety,
    /// The element relay of a zone, by index (`element.<zone>`).
    Element(usize),
    /// The limiter's own contact (`limiter`): on is closed, off is tripped.
    Limiter,
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
    /// What its contacts do without a supply of its coil.
    pub unpowered: Unpowered,
    /// The name of the supply of its coil.
    pub coil_supply: String,
    /// Whether it is a solid-state one, without contacts that wear.
    pub solid_state: bool,
}

/// The supply of a limiter's coil of which a bench file says nothing: it has one of its own.
pub const LIMITERS_COIL_SUPPLY: &str = "limiter";

/// The supply that feeds every coil of which a bench file says nothing.
pub const USUAL_COIL_SUPPLY: &str = "common";

/// A part of an earlier control that is still in the way to a zone's element.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OldPart {
    /// The zone's index.
    pub zone: usize,
    /// What it is.
    pub kind: OldPartKind,
}

/// What an old part is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum OldPartKind {
    /// A switch in parallel with relays; open until somebody closes it.
    Bypass {
        /// The relays that it bridges, in every pole in which they stand in the zone's path.
        around: Vec<PathRelay>,
    },
    /// A switch in series that opens and closes by its own clock.
    InfiniteSwitch {
        /// How long it is closed in each cycle.
        on: RigSpan,
        /// Its cycle.
        cycle: RigSpan,
    },
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
    /// The line at which the controller's program stands still; engaged = it stands.
    TestLine,
    /// The reset line of the controller's processor; engaged = held in reset.
    ResetLine,
    /// The data line of the bus to the converters; engaged = held low.
    DataLineLow,
    /// The same line; engaged = held high.
    DataLineHigh,
    /// The clock line of that bus; engaged = held low.
    ClockLineLow,
    /// The limiter's manual reset; engaged = pressed.
    Reset,
    /// A switch in the limiter's own supply; engaged = the supply is cut.
    LimiterSupply,
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

/// A contact by which the controller is told what the power side does; it follows the model, its faults included.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Feedback {
    /// What it tells.
    pub tells: Told,
    /// Rig output that works it, from 0.
    pub output: u8,
}

/// What a feedback contact tells.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Told {
    /// The mirror contact of a relay, as an index into [`Bench::relays`]: closed while all of its contacts are open.
    MirrorContact {
        /// The relay.
        relay: usize,
    },
    /// Closed while current flows through an element.
    Current {
        /// The zone's index; `None`: any element.
        zone: Option<usize>,
    },
    /// Closed while the contact of the limiter is open, for whatever reason.
    LimiterTripped,
}

impl Told {
    /// Whether the contact is closed while every relay is off.
    pub const fn closed_at_rest(self) -> bool {
        matches!(self, Told::MirrorContact { .. } | Told::LimiterTripped)
    }

    /// Whether the contact is closed while the rig is in its safe state. Mirror contacts are open then: a controller
    /// that goes by them sees a contactor that does not come off.
    pub const fn closed_when_safe(self) -> bool {
        matches!(self, Told::LimiterTripped)
    }
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

/// How a fault that the controller still has latched is cleared before a run.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ClearFault {
    /// Over the controller's console.
    Console {
        /// Lines sent in order.
        lines: Vec<String>,
    },
    /// The acknowledge button is pressed for this long.
    Contact {
        /// How long the button is held.
        press: RigSpan,
    },
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

/// How well the bench knows what it measures and shows.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Uncertainty {
    /// The instant of an edge.
    pub edge_time: EdgeTime,
    /// The temperature shown to the controller.
    pub shown_temperature: ShownTemperature,
    /// Coverage factor that whole statements are for and that results are
    /// expanded with, in hundredths (200: k = 2).
    pub coverage_hundredths: u16,
}

impl Uncertainty {
    /// Takes in what a rig's own calibration says: an expanded uncertainty (k = 2) of the
    /// temperature shown. It counts where the file promises better than that. Doing it again changes nothing.
    pub fn take_calibration_of_rig(&mut self, found_millicelsius: i64) {
        match &mut self.shown_temperature {
            ShownTemperature::Whole(whole) => *whole = (*whole).max(found_millicelsius),
            ShownTemperature::Parts(parts) => {
                // Compared as squares of the standard uncertainty: rectangular limits are three times theirs.
                let square = |value: i64| i128::from(value) * i128::from(value);
                let worse = match parts.calibration.value {
                    Calibration::Within(limits) => 3 * square(found_millicelsius) > 4 * square(limits),
                    Calibration::Certificate { expanded_millicelsius, coverage_hundredths, .. } => {
                        square(found_millicelsius) * square(i64::from(coverage_hundredths))
                            > square(expanded_millicelsius) * square(200)
                    }
                };
                if worse {
                    parts.calibration = Known::stated(Calibration::Certificate {
                        expanded_millicelsius: found_millicelsius,
                        coverage_hundredths: 200,
                        readings: None,
                    });
                }
            }
        }
    }
}

/// How well the instant of an edge is known.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum EdgeTime {
    /// As a whole: an expanded uncertainty.
    Whole(RigSpan),
    /// From what it is made of.
    Parts(EdgeTimeParts),
}

/// What the uncertainty of an edge's instant is made of. Each is the most that
/// it can be off, and nothing is known beyond that.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EdgeTimeParts {
    /// Step of the clock that stamps the edges.
    pub clock_resolution: Known<RigSpan>,
    /// Time between two looks at an input.
    pub sampling_interval: Known<RigSpan>,
    /// How far that clock goes wrong, in millionths of the time that is measured.
    pub clock_drift_ppm: Known<u32>,
    /// From the edge at the terminals to the one that is seen (opto-couplers; missing half-waves of an AC input).
    pub sensing_delay: Known<RigSpan>,
}

/// How well the temperature is known that is shown to the controller.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ShownTemperature {
    /// As a whole: an expanded uncertainty, thousandths of a degree.
    Whole(i64),
    /// From what it is made of.
    Parts(ShownTemperatureParts),
}

/// What the uncertainty of the temperature shown is made of, thousandths of a degree.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ShownTemperatureParts {
    /// Step of the emulator.
    pub resolution_millicelsius: Known<i64>,
    /// What is left of the emulator's error after it was calibrated.
    pub calibration: Known<Calibration>,
    /// The most that the cold junction may be off from the controller's terminals.
    pub cold_junction_millicelsius: Known<i64>,
}

/// A figure, and whether the bench file states it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Known<T> {
    /// The figure.
    pub value: T,
    /// Stated in the file; else what is usual for the kind of bench.
    pub stated: bool,
}

/// What is known of an emulator's error.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Calibration {
    /// It is within ± so many thousandths of a degree.
    Within(i64),
    /// A certificate, or a comparison of one's own.
    Certificate {
        /// Its expanded uncertainty, thousandths of a degree.
        expanded_millicelsius: i64,
        /// The coverage factor that it is stated for, in hundredths.
        coverage_hundredths: u16,
        /// From how many readings it was found, if so few that it matters.
        readings: Option<u16>,
    },
}

impl<T> Known<T> {
    /// A figure that the bench file states.
    pub const fn stated(value: T) -> Self {
        Known { value, stated: true }
    }

    /// A figure that is usual.
    pub const fn usual(value: T) -> Self {
        Known { value, stated: false }
    }
}

/// No rig sees an edge better than this, unless its parts are stated: the inputs
/// are isolated by opto-couplers (common practice, no source).
pub const BEST_EDGE_OF_A_RIG: RigSpan = RigSpan::from_micros(100);

/// No rig shows a temperature better than this, unless its parts are stated, in
/// thousandths of a degree (common practice, no source).
pub const BEST_TEMPERATURE_OF_A_RIG: i64 = 100;

impl EdgeTimeParts {
    /// What is usual for a kind of bench (common practice, no source). A rig is
    /// taken for one with AC inputs, which tell that something went off by two
    /// half-waves that do not come, and with an ordinary crystal.
    pub const fn usual(kind: &BenchKind) -> Self {
        let micro = RigSpan::from_micros(1);
        let (sampling, drift, sensing) = match kind {
            BenchKind::Virtual(_) => (RigSpan::ZERO, 0, RigSpan::ZERO),
            // A program is told of a change within a millisecond.
            BenchKind::Program { .. } => (RigSpan::from_millis(1), 0, RigSpan::ZERO),
            BenchKind::Rig { .. } => (BEST_EDGE_OF_A_RIG, USUAL_DRIFT_PPM, RigSpan::from_millis(25)),
        };
        EdgeTimeParts {
            clock_resolution: Known::usual(micro),
            sampling_interval: Known::usual(sampling),
            clock_drift_ppm: Known::usual(drift),
            sensing_delay: Known::usual(sensing),
        }
    }
}

/// An ordinary crystal over the temperatures of a workshop (common practice, no source).
pub const USUAL_DRIFT_PPM: u32 = 100;

impl ShownTemperatureParts {
    /// What is usual for a kind of bench (common practice, no source). A rig that
    /// says nothing of its calibration is taken for one that never was: offset, gain,
    /// and the bias current of the controller's input through the probe's leads.
    pub const fn usual(kind: &BenchKind) -> Self {
        let (resolution, calibration, cold_junction) = match kind {
            BenchKind::Virtual(_) | BenchKind::Program { .. } => (1, 0, 0),
            BenchKind::Rig { .. } => (500, 15_000, 2_000),
        };
        ShownTemperatureParts {
            resolution_millicelsius: Known::usual(resolution),
            calibration: Known::usual(Calibration::Within(calibration)),
            cold_junction_millicelsius: Known::usual(cold_junction),
        }
    }
}

impl Uncertainty {
    /// What is usual for a kind of bench.
    pub const fn usual(kind: &BenchKind) -> Self {
        Uncertainty {
            edge_time: EdgeTime::Parts(EdgeTimeParts::usual(kind)),
            shown_temperature: ShownTemperature::Parts(ShownTemperatureParts::usual(kind)),
            coverage_hundredths: 200,
        }
    }
}

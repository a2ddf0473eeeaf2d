//! What host and rig say to each other.
//!
//! Every message is encoded with `postcard`; enum variants are numbered by their
//! order here, so a new one goes to the end and any other change raises
//! [`PROTOCOL`]. `Hello`, `Welcome` and the layout of frames keep their meaning
//! and encoding across all protocol numbers, so that two versions can always
//! tell each other that they do not match.
//!
//! All instants are rig time since the rig's boot.

use dryfire_units::{Disturbance, RigTime};
use heapless::{String, Vec};
use serde::{Deserialize, Serialize};

use crate::edges::Edges;

/// Number of this version of the messages.
pub const PROTOCOL: u16 = 2;
/// Most bytes of console text in one message.
pub const CONSOLE_CHUNK: usize = 96;
/// Bytes of a board's page of calibration.
pub const CALIBRATION_PAGE: usize = 64;

/// Rig time on the wire: microseconds as a signed 64-bit number.
pub(crate) mod micros {
    use dryfire_units::RigTime;
    use serde::{Deserialize, Deserializer, Serializer};

    pub(crate) fn serialize<S: Serializer>(time: &RigTime, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_i64(time.as_micros())
    }

    pub(crate) fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<RigTime, D::Error> {
        i64::deserialize(deserializer).map(RigTime::from_micros)
    }
}

/// How a run keeps time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum LinkPacing {
    /// Rig time moves only within what the host has granted.
    Stepped,
    /// Rig time runs by itself.
    Free,
}

/// What a probe channel plays.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum ProbeDrive {
    /// A voltage that changes linearly from the command's instant on.
    Voltage {
        /// At the command's instant.
        nanovolts: i32,
        /// Its slope.
        nanovolts_per_second: i32,
        /// Until when it is good; afterwards the last value reached is held.
        #[serde(with = "micros")]
        valid_until: RigTime,
    },
    /// The circuit is broken.
    Open,
    /// The terminals are shorted.
    Short,
    /// A lead touches ground.
    ShortToGround,
    /// A lead touches the supply of the controller's electronics.
    ShortToSupply,
}

/// What the rig adds to a probe's signal by itself, as
/// [`Disturbance`](dryfire_units::Disturbance); a part that is zero is not there.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct ProbeDisturbance {
    /// Of everything that is random in it.
    pub seed: u32,
    /// Noise, root mean square.
    pub noise_nanovolts: u32,
    /// How long each value of the noise stays.
    pub noise_every_ms: u32,
    /// Height of a spike.
    pub spike_nanovolts: i32,
    /// Length of a spike.
    pub spike_ms: u32,
    /// Each such period has one spike.
    pub spike_every_ms: u32,
    /// How long the circuit is open, by turns with the next.
    pub open_ms: u32,
    /// How long it is closed then.
    pub closed_ms: u32,
    /// Hum of the mains: its amplitude.
    pub hum_nanovolts: u32,
    /// Its frequency, thousandths of a hertz.
    pub hum_millihertz: u32,
}

impl From<Disturbance> for ProbeDisturbance {
    fn from(disturbance: Disturbance) -> Self {
        let Disturbance {
            seed,
            noise_nanovolts,
            noise_every_ms,
            spike_nanovolts,
            spike_ms,
            spike_every_ms,
            open_ms,
            closed_ms,
            hum_nanovolts,
            hum_millihertz,
        } = disturbance;
        ProbeDisturbance {
            seed,
            noise_nanovolts,
            noise_every_ms,
            spike_nanovolts,
            spike_ms,
            spike_every_ms,
            open_ms,
            closed_ms,
            hum_nanovolts,
            hum_millihertz,
        }
    }
}

impl From<ProbeDisturbance> for Disturbance {
    fn from(disturbance: ProbeDisturbance) -> Self {
        let ProbeDisturbance {
            seed,
            noise_nanovolts,
            noise_every_ms,
            spike_nanovolts,
            spike_ms,
            spike_every_ms,
            open_ms,
            closed_ms,
            hum_nanovolts,
            hum_millihertz,
        } = disturbance;
        Disturbance {
            seed,
            noise_nanovolts,
            noise_every_ms,
            spike_nanovolts,
            spike_ms,
            spike_every_ms,
            open_ms,
            closed_ms,
            hum_nanovolts,
            hum_millihertz,
        }
    }
}

/// A thermocouple converter that a rig can play instead of a probe. The read-only parts have one
/// word, latched when they are selected; the linearised one has registers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum ConverterPart {
    /// 14 bits, a word of 32.
    FourteenBit,
    /// 12 bits, a word of 16.
    TwelveBit,
    /// 19 bits, linearised, in registers that the controller sets up and reads.
    Linearised,
}

/// What a channel is that plays a converter.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PlayedConverter {
    /// The part.
    pub part: ConverterPart,
    /// Letter of the thermocouple type that it is made for. The linearised part is told its type by the controller, and
    /// goes by that.
    pub thermocouple: u8,
    /// Temperature of its cold junction, thousandths of a degree Celsius.
    pub cold_junction_millicelsius: i32,
}

/// What the host asks for when a run begins.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Begin {
    /// Number of the run within the session.
    pub run: u32,
    /// Seed of everything that a simulated rig draws at random.
    pub seed: u64,
    /// Air and controller's terminals, thousandths of a degree Celsius; for simulated rigs.
    pub ambient_millicelsius: i32,
    /// How the run keeps time.
    pub pacing: LinkPacing,
    /// How long the host may be silent, milliseconds of link time; at most what the rig's limits say.
    pub silence_ms: u16,
    /// How long the controller's supply is off before the run begins; 0: only switched on.
    pub supply_off_ms: u16,
    /// Contacts that are closed at rest, one bit for each output.
    pub closed_at_rest: u32,
    /// Contacts that are closed in the safe state, one bit for each output.
    pub closed_when_safe: u32,
    /// Whether the controller's supply stays on in the safe state.
    pub supply_when_safe: bool,
}

/// From the host to the rig.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum HostMessage {
    /// First message of a session.
    Hello {
        /// The host's [`PROTOCOL`].
        protocol: u16,
    },
    /// Begins a run; answered by [`RigMessage::Began`].
    Begin(Begin),
    /// A probe channel's signal.
    Probe {
        /// Number of the command.
        command: u32,
        /// When it takes effect.
        #[serde(with = "micros")]
        at: RigTime,
        /// Which channel.
        channel: u8,
        /// What it plays from then on.
        drive: ProbeDrive,
    },
    /// A dry contact.
    Contact {
        /// Number of the command.
        command: u32,
        /// When it takes effect.
        #[serde(with = "micros")]
        at: RigTime,
        /// Which output.
        output: u8,
        /// Whether it is closed from then on.
        closed: bool,
    },
    /// The controller's supply.
    Supply {
        /// Number of the command.
        command: u32,
        /// When it takes effect.
        #[serde(with = "micros")]
        at: RigTime,
        /// Whether it is on from then on.
        on: bool,
    },
    /// Bytes for the controller's console.
    Console {
        /// Number of the command; the same in all its pieces.
        command: u32,
        /// When they are sent.
        #[serde(with = "micros")]
        at: RigTime,
        /// Whether this is the last piece: only that one is acknowledged.
        last: bool,
        /// The bytes.
        chunk: Vec<u8, CONSOLE_CHUNK>,
    },
    /// A stepped rig may run up to and including this instant.
    Grant {
        /// The instant.
        #[serde(with = "micros")]
        until: RigTime,
    },
    /// The run is over: probes open, contacts at rest.
    End,
    /// Go to the safe state at once.
    Safe,
    /// What the rig adds to a probe channel's signal by itself.
    Disturb {
        /// Number of the command.
        command: u32,
        /// When it takes effect, and from when its time counts.
        #[serde(with = "micros")]
        at: RigTime,
        /// Which channel.
        channel: u8,
        /// What it adds from then on.
        disturbance: ProbeDisturbance,
    },
    /// Asks for the page of calibration; answered by [`RigMessage::CalibrationPage`].
    ReadCalibration,
    /// Keeps a page of calibration, between runs only; answered by [`RigMessage::Calibration`]
    /// with what is found in the board's memory afterwards.
    StoreCalibration {
        /// The page.
        page: Vec<u8, CALIBRATION_PAGE>,
    },
    /// Stop feeding the watchdog, between runs only: the board has to be reset by it.
    Hang,
    /// Whether a channel plays a converter, and which, until the next such message or the next
    /// `Hello`; between runs only. Answered by [`RigMessage::Playing`].
    PlayConverter {
        /// Which channel.
        channel: u8,
        /// The converter; `None`: it plays a probe, as after every `Hello`.
        converter: Option<PlayedConverter>,
    },
    /// The cold junction of every converter that is played has another temperature.
    ColdJunction {
        /// Number of the command.
        command: u32,
        /// When it takes effect.
        #[serde(with = "micros")]
        at: RigTime,
        /// Thousandths of a degree Celsius.
        millicelsius: i32,
    },
    /// Whether the rig tells the temperature of the controller's terminals during runs, until the next such message or
    /// the next `Hello`; between runs only. Answered by [`RigMessage::ColdJunction`] with the last reading.
    MeasureColdJunction {
        /// Whether it does.
        on: bool,
    },
}

/// What a rig can do.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Capabilities {
    /// Controller and wiring are played, not real.
    pub simulated: bool,
    /// Can run by grants.
    pub stepped: bool,
    /// Can switch the controller's supply.
    pub supply_switch: bool,
    /// Senses the controller's supply rail.
    pub supply_rail: bool,
    /// Is wired to the controller's console.
    pub console: bool,
    /// Probe channels.
    pub probe_channels: u8,
    /// Sensed inputs.
    pub inputs: u8,
    /// Contacts.
    pub contacts: u8,
}

/// What a rig can hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Limits {
    /// Edges kept while the link is slow or silent.
    pub edge_ring: u32,
    /// Commands whose instant is still to come.
    pub command_queue: u16,
    /// Longest silence that can be agreed, milliseconds.
    pub max_silence_ms: u16,
}

/// A rig's answer to [`HostMessage::Hello`].
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Welcome {
    /// The rig's [`PROTOCOL`].
    pub protocol: u16,
    /// What kind of board it is.
    pub board: String<24>,
    /// Version of its firmware.
    pub firmware: String<24>,
    /// Another number after every boot.
    pub boot_id: u32,
    /// What it can do.
    pub capabilities: Capabilities,
    /// What it can hold.
    pub limits: Limits,
}

/// What a rig has counted since the run began; only ever grows.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Counters {
    /// Edges lost because the ring was full.
    pub lost_edges: u32,
    /// Bytes of the controller's console lost because their queue was full.
    pub lost_console_bytes: u32,
    /// Set-points that came after the one before them had run out.
    pub late_setpoints: u32,
    /// Frames that arrived damaged.
    pub damaged_frames: u32,
}

/// Sent regularly, and whenever a stepped rig has used up its grant.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Heartbeat {
    /// Rig time.
    #[serde(with = "micros")]
    pub now: RigTime,
    /// Everything seen up to and including this instant has been sent before this message.
    #[serde(with = "micros")]
    pub complete_until: RigTime,
    /// Edges numbered so far in this run: the last one sent or lost before this
    /// message has the number below this.
    pub edges: u32,
    /// The rig's boot id.
    pub boot_id: u32,
    /// Its counters.
    pub counters: Counters,
    /// Whether it is in the safe state.
    pub safe: bool,
}

/// Why a rig refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Refusal {
    /// The host speaks another protocol.
    Protocol {
        /// The rig's.
        expected: u16,
    },
    /// No run has begun, or the rig is in the safe state.
    NoRun,
    /// No such channel, output or switch on this rig.
    NoSuch,
    /// Too many commands wait for their instant.
    QueueFull,
    /// The rig cannot run by grants.
    NotStepped,
    /// The silence asked for is zero or longer than the rig allows.
    Silence {
        /// The longest it allows, milliseconds.
        max_ms: u16,
    },
    /// A frame of this session held something that is no message.
    Malformed,
    /// A run goes on, and this is for between runs.
    RunGoesOn,
}

/// Why a rig was started.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum StartReason {
    /// Its power came on.
    Power,
    /// It did not feed its watchdog in time.
    Watchdog,
    /// It gave up by itself.
    Panic {
        /// The line of its program.
        line: u32,
    },
    /// Its processor met something that it cannot do.
    Fault,
    /// Its supply failed for a moment: too low to run, and not for long enough to forget what was in memory.
    SupplyDip,
    /// Its reset line was pulled.
    ResetLine,
}

/// What a rig knows of what its channels really give.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum CalibrationState {
    /// They were never measured: nominal values are used.
    Missing,
    /// What was stored is damaged: nominal values are used.
    Damaged,
    /// They were measured.
    Stored {
        /// Year · 10,000 + month · 100 + day.
        date: u32,
        /// Largest expanded uncertainty of a channel's voltage.
        uncertainty_nanovolts: u32,
    },
}

/// From the rig to the host.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum RigMessage {
    /// Answer to `Hello`.
    Welcome(Welcome),
    /// The run has begun.
    Began {
        /// Its number.
        run: u32,
        /// The instant at which it began.
        #[serde(with = "micros")]
        origin: RigTime,
    },
    /// A command took effect.
    Applied {
        /// Its number.
        command: u32,
        /// When.
        #[serde(with = "micros")]
        at: RigTime,
    },
    /// Sensed inputs changed. Every input counts as low when a run begins.
    Edges(Edges),
    /// The controller's supply rail, after a change and when a run begins.
    SupplyRail {
        /// When.
        #[serde(with = "micros")]
        at: RigTime,
        /// Whether it is on from then on.
        on: bool,
    },
    /// Bytes from the controller's console; a line end is always the last byte of a chunk.
    Console {
        /// When the last of them arrived.
        #[serde(with = "micros")]
        at: RigTime,
        /// The bytes.
        chunk: Vec<u8, CONSOLE_CHUNK>,
    },
    /// State and watermark.
    Heartbeat(Heartbeat),
    /// The rig did not do what was asked.
    Refused {
        /// The command, if it was one.
        command: Option<u32>,
        /// Why.
        why: Refusal,
    },
    /// Why the rig was last started; before each `Welcome` of a rig that knows.
    Started {
        /// The reason.
        why: StartReason,
    },
    /// What the rig knows of what its channels give; before each `Welcome` of a rig with real ones.
    Calibration {
        /// It.
        state: CalibrationState,
    },
    /// Answer to `ReadCalibration`.
    CalibrationPage {
        /// The page as it is kept; empty if there is none, or a damaged one.
        page: Vec<u8, CALIBRATION_PAGE>,
    },
    /// Answer to `PlayConverter`.
    Playing {
        /// Which channel.
        channel: u8,
        /// Whether it plays a converter.
        converter: bool,
    },
    /// The sensor at the controller's terminals was read: answer to `MeasureColdJunction`, and twice a second in a run
    /// that was to have it.
    ColdJunction {
        /// When.
        #[serde(with = "micros")]
        at: RigTime,
        /// Thousandths of a degree Celsius; `None`: the sensor is missing or broken.
        millicelsius: Option<i32>,
    },
}

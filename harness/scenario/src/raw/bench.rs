//! Bench files as they are written.

use std::fmt;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::de::{self, MapAccess, Visitor};
use serde::{Deserialize, Deserializer};

use super::{
    AcknowledgeWord, ColdJunctionWord, Conductor, ContactName, ContactState, Converter, Difference, Duration, Leg,
    Level, Made, Name, OldPartWord, Plays, Ppm, ProbeType, RelayName, Senses, Share, StartWord, SupplySwitch,
    Temperature, Unpowered, ZoneName,
};

/// A bench: how a controller is wired, and what it promises.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(extend("oneOf" = [{ "required": ["virtual"] }, { "required": ["program"] }, { "required": ["rig"] }]))]
pub(crate) struct BenchFile {
    /// The version of the format: 1.
    #[schemars(range(min = 1, max = 1))]
    format: u32,
    /// What the bench is called.
    bench: Name,
    /// The stand-in controller in the same process.
    #[serde(rename = "virtual")]
    virtual_: Option<Virtual>,
    /// Your controller as a program.
    program: Option<Program>,
    /// The rig board, with your controller wired to it.
    rig: Option<Rig>,
    /// The kiln file, from the bench file's folder.
    kiln: Name,
    /// The controller under test.
    controller: Controller,
    /// The zones, numbered from 1 in this order; names as in the kiln file.
    #[schemars(length(min = 1, max = 16))]
    zones: Vec<Zone>,
    /// Every relay that the rig senses.
    #[schemars(length(min = 1, max = 18))]
    relays: Vec<RelayEntry>,
    /// Through which relays current reaches each zone's element.
    #[schemars(length(min = 1, max = 16))]
    paths: Vec<Path>,
    /// What an earlier control left in the wiring.
    #[serde(default, rename = "old parts")]
    #[schemars(length(max = 32))]
    old_parts: Vec<OldPart>,
    /// The independent limiter, where there is one.
    limiter: Option<Limiter>,
    /// The contacts that the rig works.
    #[serde(default)]
    contacts: Vec<Contact>,
    /// Contacts by which the rig tells the controller what the power side does.
    #[serde(default)]
    #[schemars(length(min = 1, max = 32))]
    feedback: Option<Vec<Feedback>>,
    /// Whether the rig can cut the controller's own supply.
    supply: Option<SupplySwitch>,
    /// What reads the probes; `linearised` if left out.
    converter: Option<Converter>,
    /// How the temperature of the controller's terminals is known; that of the room if left out.
    #[serde(rename = "cold junction")]
    cold_junction: Option<ColdJunctionWord>,
    /// Noise that the rig adds to every probe all the time, root mean square; none if left out.
    dither: Option<Difference>,
    /// The leg of the kiln's supply that feeds the controller.
    #[serde(rename = "controls fed by")]
    controls_fed_by: Option<Leg>,
    /// How a firing is begun.
    #[serde(rename = "begin firing")]
    begin_firing: Begin,
    /// How a fault that the controller still has latched is cleared before each run; not at all if left out.
    #[serde(rename = "clear fault")]
    clear_fault: Option<Clear>,
    /// How the controller says on its console what it aims at; without it no scenario can look at the set-point.
    #[serde(rename = "set-point")]
    set_point: Option<SetPoint>,
    /// What the controller promises.
    declares: Declares,
    /// How well the bench knows what it measures and shows; what is usual for its kind if left out.
    uncertainty: Option<Uncertainty>,
}

/// The stand-in controller.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Virtual {
    /// Period of its control tick; 100 ms if left out.
    tick: Option<Duration>,
    /// Defects switched on.
    #[serde(default)]
    defects: Vec<Name>,
    /// The variant of it that is meant: other settings, no mistake.
    variant: Option<Name>,
}

/// A controller that runs as a program of its own.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Program {
    /// The program and its arguments, from the bench file's folder.
    #[schemars(length(min = 1))]
    command: Vec<Name>,
    /// How long it may take to answer a call; 5 s if left out.
    deadline: Option<Duration>,
}

/// The rig board.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Rig {
    /// Its serial port.
    port: Option<Name>,
    /// How long the host may be silent before the rig goes to its safe state; 1 s if left out.
    silence: Option<Duration>,
    /// What its channels play: probes at the terminals of the controller's converters, or the converters themselves, which
    /// takes a linear one; `probes` if left out.
    plays: Option<Plays>,
}

/// The controller under test.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Controller {
    /// What you call it.
    name: Name,
    /// The version of its firmware; in quotes if it looks like a number.
    #[serde(rename = "firmware version")]
    firmware_version: Option<Name>,
    /// The image of its firmware, from the bench file's folder; its hash goes into the evidence.
    #[serde(rename = "firmware image")]
    firmware_image: Option<Name>,
}

/// A zone: a probe and an element.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Zone {
    /// Its name, as in the kiln file.
    name: ZoneName,
    /// The type of its thermocouple.
    probe: ProbeType,
    /// The rig's probe output that plays it, from 0; left out: no probe of its own.
    #[schemars(range(max = 63))]
    channel: Option<u8>,
}

/// An independent over-temperature limiter; its contact is listed in `relays`, its reset in `contacts`.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Limiter {
    /// The zone whose temperature its probe sees.
    zone: ZoneName,
    /// The type of its thermocouple.
    probe: ProbeType,
    /// The rig's probe output that plays its probe, from 0; no zone's.
    #[schemars(range(max = 63))]
    channel: u8,
    /// It trips above this.
    trip: Temperature,
    /// Below this it can be reset.
    #[serde(rename = "reset below")]
    reset_below: Option<Temperature>,
}

/// A relay that the rig senses.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct RelayEntry {
    /// What it is for.
    role: RelayName,
    /// What it is made as; sets the usual release time.
    #[serde(rename = "made as")]
    made_as: Option<Made>,
    /// The rig input that senses it, from 0.
    #[schemars(range(max = 63))]
    input: u8,
    /// What is sensed.
    senses: Senses,
    /// The level when it is on; high if left out.
    active: Option<Level>,
    /// Worst time from the sensed edge to the contact's opening.
    release: Option<Duration>,
    /// What its contacts do without a supply of its coil; `open` if left out.
    unpowered: Option<Unpowered>,
    /// What the supply of its coil is called; one feeds all coils of which nothing is said.
    #[serde(rename = "coil supply")]
    coil_supply: Option<Name>,
}

/// A part of an earlier control that is still in the wiring.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct OldPart {
    /// What it is: a switch in parallel with relays, or one in series that opens and closes by its own clock.
    part: OldPartWord,
    /// The zone in whose path it stands.
    zone: ZoneName,
    /// The relays that a bypass bridges; all of the zone's path if left out.
    #[schemars(length(min = 1, max = 17))]
    around: Option<Vec<RelayName>>,
    /// For how much of its cycle an infinite switch is closed; 60 % if left out.
    duty: Option<Share>,
    /// The cycle of an infinite switch; 30 s if left out.
    cycle: Option<Duration>,
}

/// The way of the current to one zone's element.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Path {
    /// The zone.
    zone: ZoneName,
    /// For each pole of the supply, the relays in it; none: a plain wire.
    #[schemars(length(min = 1, max = 4))]
    poles: Vec<Vec<RelayName>>,
    /// The wires of the supply between which the element lies.
    #[schemars(length(min = 2, max = 2))]
    between: Option<Vec<Conductor>>,
}

/// A contact that the rig works.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Contact {
    /// What it stands for.
    role: ContactName,
    /// The rig output that works it, from 0.
    #[schemars(range(max = 63))]
    output: u8,
    /// Its state when the lid is open or the button pressed.
    engaged: ContactState,
    /// Its state when the rig goes to its safe state.
    #[serde(rename = "demand safe")]
    demand_safe: Option<ContactState>,
}

/// A contact by which the controller is told what the power side does.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(extend(
    "oneOf" = [{ "required": ["mirror contact"] }, { "required": ["current"] }, { "required": ["limiter"] }]
))]
pub(crate) struct Feedback {
    /// The relay whose mirror contact it is: closed while all of its contacts are open.
    #[serde(rename = "mirror contact")]
    mirror_contact: Option<RelayName>,
    /// The zone whose element it watches, or `any zone`: closed while current flows.
    current: Option<Name>,
    /// `tripped`: closed while the limiter's contact is open.
    limiter: Option<LimiterTold>,
    /// The rig output that works it, from 0.
    #[schemars(range(max = 63))]
    output: u8,
}

/// What a feedback contact tells of the limiter.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub(crate) enum LimiterTold {
    Tripped,
}

/// How a firing is begun.
#[derive(Debug)]
pub(crate) enum Begin {
    Operator,
    Means(BeginMeans),
}

const OPERATOR: &str = "operator";

impl<'de> Deserialize<'de> for Begin {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Either;

        impl<'de> Visitor<'de> for Either {
            type Value = Begin;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("`operator`, or keys and values")
            }

            fn visit_str<E: de::Error>(self, text: &str) -> Result<Begin, E> {
                if text == OPERATOR {
                    Ok(Begin::Operator)
                } else {
                    Err(E::invalid_value(de::Unexpected::Str(text), &self))
                }
            }

            fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<Begin, A::Error> {
                BeginMeans::deserialize(de::value::MapAccessDeserializer::new(map)).map(Begin::Means)
            }
        }

        deserializer.deserialize_any(Either)
    }
}

impl JsonSchema for Begin {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Begin".into()
    }

    fn json_schema(generator: &mut SchemaGenerator) -> Schema {
        let means = generator.subschema_for::<BeginMeans>();
        json_schema!({
            "description": "How a firing is begun: by the operator, over the console, or by the start contact.",
            "anyOf": [{ "const": OPERATOR }, means],
        })
    }
}

/// Console lines or the start contact.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(extend("oneOf" = [
    { "required": ["console"], "not": { "required": ["press"] } },
    { "required": ["contact"] },
]))]
pub(crate) struct BeginMeans {
    /// Lines sent in order; `{program}` stands for the segments.
    #[schemars(length(min = 1))]
    console: Option<Vec<Name>>,
    /// The contact that is pressed.
    contact: Option<StartWord>,
    /// How long it is pressed; 300 ms if left out.
    press: Option<Duration>,
}

/// How a latched fault is cleared: console lines or the acknowledge contact.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(extend("oneOf" = [
    { "required": ["console"], "not": { "required": ["press"] } },
    { "required": ["contact"] },
]))]
pub(crate) struct Clear {
    /// Lines sent in order.
    #[schemars(length(min = 1))]
    console: Option<Vec<Name>>,
    /// The contact that is pressed.
    contact: Option<AcknowledgeWord>,
    /// How long it is pressed; 300 ms if left out.
    press: Option<Duration>,
}

/// How the controller says on its console what it aims at.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct SetPoint {
    /// A regular expression with one group, which is the number.
    pattern: String,
    /// What the number counts.
    unit: TemperatureUnit,
    /// The step in which the number is written, for example `1 °C`.
    step: Difference,
    /// How long a line holds good, 1 s to 10 min; later the set-point is not observed.
    #[serde(rename = "fresh for")]
    fresh_for: Duration,
    /// What the controller is asked, and how often; it says so by itself if left out.
    ask: Option<SetPointQuestion>,
}

/// A console line that the controller answers with its set-point.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct SetPointQuestion {
    /// The line.
    line: Name,
    /// From one question to the next, in whole seconds.
    every: Duration,
}

/// A unit of temperature.
#[derive(Debug, Deserialize, JsonSchema)]
pub(crate) enum TemperatureUnit {
    /// Degrees Celsius.
    #[serde(rename = "°C")]
    Celsius,
    /// Degrees Fahrenheit.
    #[serde(rename = "°F")]
    Fahrenheit,
}

/// What the controller promises; limits of scenarios refer to it.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Declares {
    /// The highest temperature that a program may ask for.
    #[serde(rename = "top temperature")]
    top_temperature: Temperature,
    /// The longest firing.
    #[serde(rename = "longest firing")]
    longest_firing: Duration,
    /// The element relays' cycle time.
    #[serde(rename = "cycle time")]
    cycle_time: Duration,
    /// Reaction times by hazard.
    #[serde(default)]
    reactions: std::collections::BTreeMap<String, Duration>,
}

/// How well the bench knows what it measures and shows; what is left out is what is usual for the kind of bench.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Uncertainty {
    /// The instant of an edge: an expanded uncertainty, or what it is made of.
    #[serde(rename = "edge time")]
    edge_time: Option<WholeOrParts<Duration, EdgeTime>>,
    /// The temperature shown to the controller: an expanded uncertainty, or what it is made of.
    #[serde(rename = "shown temperature")]
    shown_temperature: Option<WholeOrParts<Difference, ShownTemperature>>,
    /// The coverage factor that whole statements are for, and that results are expanded with; 2 if left out.
    #[serde(rename = "coverage factor")]
    #[schemars(range(min = 1.0, max = 4.0))]
    coverage_factor: Option<f64>,
}

/// What the uncertainty of an edge's instant is made of.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct EdgeTime {
    /// Step of the clock that stamps the edges.
    #[serde(rename = "clock resolution")]
    clock_resolution: Option<Duration>,
    /// Time between two looks at an input; none if edges are caught as they come.
    #[serde(rename = "sampling interval")]
    sampling_interval: Option<Duration>,
    /// How far the clock goes wrong.
    #[serde(rename = "clock drift")]
    clock_drift: Option<Ppm>,
    /// From the edge at the terminals to the one that is seen.
    #[serde(rename = "sensing delay")]
    sensing_delay: Option<Duration>,
}

/// What the uncertainty of the temperature shown is made of.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct ShownTemperature {
    /// Step of the emulator.
    resolution: Option<Difference>,
    /// What is left of the emulator's error: the most it can be, or what a calibration found.
    calibration: Option<WholeOrParts<Difference, Calibration>>,
    /// The most that the cold junction may be off from the controller's terminals.
    #[serde(rename = "cold junction")]
    cold_junction: Option<Difference>,
}

/// What a calibration found.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Calibration {
    /// Its expanded uncertainty.
    expanded: Difference,
    /// The coverage factor that it is stated for; 2 if left out.
    #[serde(rename = "coverage factor")]
    #[schemars(range(min = 1.0, max = 4.0))]
    coverage_factor: Option<f64>,
    /// From how many readings it was found, if they were few.
    #[schemars(range(min = 2, max = 10_000))]
    readings: Option<u16>,
}

/// One figure, or keys and values.
#[derive(Debug)]
pub(crate) enum WholeOrParts<W, P> {
    Whole(W),
    Parts(P),
}

impl<'de, W: Deserialize<'de>, P: Deserialize<'de>> Deserialize<'de> for WholeOrParts<W, P> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Either<W, P>(std::marker::PhantomData<(W, P)>);

        impl<'de, W: Deserialize<'de>, P: Deserialize<'de>> Visitor<'de> for Either<W, P> {
            type Value = WholeOrParts<W, P>;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("one figure, or keys and values")
            }

            fn visit_str<E: de::Error>(self, text: &str) -> Result<Self::Value, E> {
                W::deserialize(de::value::StrDeserializer::new(text)).map(WholeOrParts::Whole)
            }

            fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<Self::Value, A::Error> {
                P::deserialize(de::value::MapAccessDeserializer::new(map)).map(WholeOrParts::Parts)
            }
        }

        deserializer.deserialize_any(Either(std::marker::PhantomData))
    }
}

impl<W: JsonSchema, P: JsonSchema> JsonSchema for WholeOrParts<W, P> {
    fn inline_schema() -> bool {
        true
    }

    fn schema_name() -> std::borrow::Cow<'static, str> {
        format!("{}Or{}", W::schema_name(), P::schema_name()).into()
    }

    fn json_schema(generator: &mut SchemaGenerator) -> Schema {
        let (whole, parts) = (generator.subschema_for::<W>(), generator.subschema_for::<P>());
        json_schema!({ "anyOf": [whole, parts] })
    }
}

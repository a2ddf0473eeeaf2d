//! The files as they are written: the shape behind the published schemas, and
//! what the second reader decodes into.

use std::fmt;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::de::{self, MapAccess, SeqAccess, Visitor};
use serde::{Deserialize, Deserializer};

/// One value or a list of them.
#[derive(Debug)]
pub(crate) enum OneOrMany<T> {
    One(T),
    Many(Vec<T>),
}

impl<'de, T: Deserialize<'de>> Deserialize<'de> for OneOrMany<T> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Either<T>(std::marker::PhantomData<T>);

        impl<'de, T: Deserialize<'de>> Visitor<'de> for Either<T> {
            type Value = OneOrMany<T>;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("one, or a list")
            }

            fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<Self::Value, A::Error> {
                T::deserialize(de::value::MapAccessDeserializer::new(map)).map(OneOrMany::One)
            }

            fn visit_seq<A: SeqAccess<'de>>(self, seq: A) -> Result<Self::Value, A::Error> {
                Vec::deserialize(de::value::SeqAccessDeserializer::new(seq)).map(OneOrMany::Many)
            }
        }

        deserializer.deserialize_any(Either(std::marker::PhantomData))
    }
}

impl<T: JsonSchema> JsonSchema for OneOrMany<T> {
    fn inline_schema() -> bool {
        true
    }

    fn schema_name() -> std::borrow::Cow<'static, str> {
        format!("OneOrMany{}", T::schema_name()).into()
    }

    fn json_schema(generator: &mut SchemaGenerator) -> Schema {
        let one = generator.subschema_for::<T>();
        json_schema!({ "anyOf": [one.clone(), { "type": "array", "minItems": 1, "items": one }] })
    }
}

macro_rules! texts {
    ($($(#[doc = $doc:literal])+ $name:ident $pattern:literal,)+) => {$(
        $(#[doc = $doc])+
        #[derive(Debug, Deserialize, JsonSchema)]
        #[serde(transparent)]
        #[schemars(extend("pattern" = $pattern))]
        pub(crate) struct $name(String);
    )+};
}

texts! {
    /// A hazard's id: lower-case words joined by hyphens, for example `probe-open`.
    Hazard r"^[a-z0-9]+(-[a-z0-9]+)*$",
    /// A name on one line.
    Name r"^[^\n\r]*\S[^\n\r]*$",
    /// Words for people.
    Prose r"\S",
    /// A temperature with its unit: `400 °C`, `750 °F`.
    Temperature r"^\s*[-+−]?[0-9.eE+]+\s*(°C|degC|°F|degF|K)\s*$",
    /// A difference of temperatures with its unit: `30 °C`, `-50 °F`.
    Difference r"^\s*[-+−]?[0-9.eE+]+\s*(°C|degC|°F|degF|K)\s*$",
    /// A rate with its unit: `150 °C/h`, `2.5 °C/min`.
    Rate r"^\s*[-+−]?[0-9.eE+]+\s*(°C|degC|°F|degF|K)/(h|min)\s*$",
    /// A length of time with its unit: `10 s`, `1 h 30 min`.
    Duration r"^\s*([0-9.eE+]+\s*(d|h|min|s|ms|µs|us)\s*)+$",
    /// A length of time, or `declared longest firing`, perhaps `+ 60 s`.
    TimeLimit r"^\s*(([0-9.eE+]+\s*(d|h|min|s|ms|µs|us)\s*)+|declared\s+longest\s+firing(\s*\+.*)?)$",
    /// When the run is over: `30 min after burn-out`, `2 h`.
    End r"^\s*(([0-9.eE+]+\s*(d|h|min|s|ms|µs|us)\s*)+|declared\s+longest\s+firing(\s*\+.*)?)(\s*after\s+\S+\s*)?",
    /// A moment of the script, perhaps with a length of time on top: `burn-out + 10 s`.
    Instant r"^\s*\w[\w-]*(\s*\+.*)?\s*$",
    /// The name of a moment: one word of letters, digits and hyphens.
    MomentName r"^\w[\w-]*$",
    /// A condition: `kiln > 400 °C and element on`.
    Condition r"^\s*[(\w].*$",
    /// How the kiln stands: `cold`, or `soaked at 400 °C`.
    Soak r"^\s*(cold|soaked\s+at\s.*)\s*$",
    /// A part of the bench: `lid contact`, `supply switch`, `means to cut element`, `2 zones`.
    Part r"^\s*((lid|stop|start|acknowledge)\s+contact|supply\s+switch|means\s+to\s+cut\s+(safety|element\S*)|[0-9]+\s+zones?)\s*$",
    /// A probe: `probe`, `probe.2`, `probe.top`.
    Probe r"^\s*probe(\.[\w-]+)?\s*$",
    /// A probe or the lid.
    ProbeOrLid r"^\s*(lid|probe(\.[\w-]+)?)\s*$",
    /// A relay: `safety`, `element`, `element.2`, `element.top`.
    Relay r"^\s*(safety|element(\.[\w-]+)?)\s*$",
    /// The name of a zone: one word of letters, digits and hyphens.
    ZoneName r"^\w[\w-]*$",
    /// A relay of the bench: `safety`, `element.top`.
    RelayName r"^\s*(safety|element(\.[\w-]+)?)\s*$",
    /// An element: `element`, `element.2`, `element.top`.
    Element r"^\s*element(\.[\w-]+)?\s*$",
}

macro_rules! choices {
    ($($(#[doc = $doc:literal])+ $name:ident { $($variant:ident $word:literal),+ $(,)? })+) => {$(
        $(#[doc = $doc])+
        #[derive(Debug, Deserialize, JsonSchema)]
        pub(crate) enum $name {
            $(#[serde(rename = $word)] $variant,)+
        }
    )+};
}

choices! {
    /// What the absence of a part means.
    Missing { NotApplicable "not applicable", Uncovered "uncovered" }
    /// A button.
    Button { Stop "stop", Start "start", Acknowledge "acknowledge" }
    /// The lid.
    Lid { Lid "lid" }
    /// The controller's own supply.
    SupplyWord { Supply "supply" }
    /// A thermocouple's type letter.
    ProbeType { B "B", E "E", J "J", K "K", N "N", R "R", S "S", T "T" }
    /// What is sensed of a relay: the command or coil, the contact itself, or a dummy load behind it.
    Senses { Command "command", Contact "contact", Load "load" }
    /// The level of the sensed input when the relay is on.
    Level { High "high", Low "low" }
    /// What a relay is made as; sets the usual release time.
    Made { Contactor "contactor", Relay "relay", RelayWithDiode "relay with diode", SolidState "solid state" }
    /// What a contact stands for.
    ContactName { Lid "lid", Stop "stop", Start "start", Acknowledge "acknowledge" }
    /// Whether a dry contact is open or closed.
    ContactState { Open "open", Closed "closed" }
    /// Whether the rig can cut the controller's own supply.
    SupplySwitch { Switched "switched by the rig", NotSwitched "not switched" }
    /// The contact that begins a firing.
    StartWord { Start "start" }
    /// Heat is cut: off, and staying off longer than an ordinary off-phase.
    Cut { Cut "cut" }
}

/// A scenario: what is done to a controller, and what has to be seen.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct ScenarioFile {
    /// The version of the format: 1.
    #[schemars(range(min = 1, max = 1))]
    format: u32,
    /// What the scenario is called.
    scenario: Name,
    /// What it guards against; a plain test of control says `[control]`.
    #[schemars(length(min = 1))]
    hazards: Vec<Hazard>,
    /// Words to select it by.
    #[serde(default)]
    tags: Vec<Name>,
    /// Cause and harm, in a potter's words.
    why: Prose,
    /// Where the limits come from.
    #[serde(rename = "limits from")]
    limits_from: Prose,
    /// What the bench must have, and what its absence means.
    #[serde(default)]
    needs: Vec<Need>,
    /// How the kiln stands when the run begins; cold if left out.
    start: Option<Start>,
    /// What the controller is told to fire.
    #[schemars(length(min = 1))]
    firing: Option<Vec<Segment>>,
    /// What is done, in order.
    #[serde(default)]
    script: Vec<Step>,
    /// What has to be seen.
    #[schemars(length(min = 1))]
    expect: Vec<Expectation>,
    /// When the run is over.
    end: End,
}

/// Something the bench must have for the scenario to mean anything.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Need {
    /// What.
    part: Part,
    /// What its absence means.
    #[serde(rename = "without it")]
    without_it: Missing,
}

/// How the kiln stands when the run begins.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Start {
    /// Cold, or soaked at a temperature.
    kiln: Option<Soak>,
    /// Air around the kiln; 20 °C if left out.
    ambient: Option<Temperature>,
}

/// A segment of the firing: a ramp to a temperature, or a hold.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(extend("oneOf" = [{ "required": ["ramp", "to"] }, { "required": ["hold"] }]))]
pub(crate) struct Segment {
    /// How fast; up or down follows from the temperature.
    ramp: Option<Rate>,
    /// To which temperature.
    to: Option<Temperature>,
    /// How long to stay at the temperature reached.
    hold: Option<Duration>,
}

/// A step of the script: `begin firing`, or when to do what.
#[derive(Debug)]
pub(crate) enum Step {
    Begin,
    Timed(TimedStep),
}

const BEGIN_FIRING: &str = "begin firing";

impl<'de> Deserialize<'de> for Step {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Either;

        impl<'de> Visitor<'de> for Either {
            type Value = Step;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("`begin firing`, or keys and values")
            }

            fn visit_str<E: de::Error>(self, text: &str) -> Result<Step, E> {
                if text == BEGIN_FIRING {
                    Ok(Step::Begin)
                } else {
                    Err(E::invalid_value(de::Unexpected::Str(text), &self))
                }
            }

            fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<Step, A::Error> {
                TimedStep::deserialize(de::value::MapAccessDeserializer::new(map)).map(Step::Timed)
            }
        }

        deserializer.deserialize_any(Either)
    }
}

impl JsonSchema for Step {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Step".into()
    }

    fn json_schema(generator: &mut SchemaGenerator) -> Schema {
        let timed = generator.subschema_for::<TimedStep>();
        json_schema!({
            "description": "A step of the script: `begin firing`, or when to do what.",
            "anyOf": [{ "const": BEGIN_FIRING }, timed],
        })
    }
}

/// A step that waits for something and then does something.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(extend("oneOf" = [
    { "required": ["when", "within"] },
    { "required": ["wait"], "not": { "required": ["within"] } },
    { "required": ["at"], "not": { "required": ["within"] } },
]))]
pub(crate) struct TimedStep {
    /// A condition to wait for.
    when: Option<Condition>,
    /// How long to wait for it at most.
    within: Option<Duration>,
    /// So long after the step before.
    wait: Option<Duration>,
    /// At this instant.
    at: Option<Instant>,
    /// The name of the moment.
    #[serde(rename = "call it")]
    call_it: Option<MomentName>,
    /// What is done then: one stimulus or a list.
    #[serde(rename = "do")]
    do_: Option<OneOrMany<Stimulus>>,
}

/// One stimulus: a verb and what it is done to.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(extend("oneOf" = [
    { "minProperties": 1, "maxProperties": 1, "not": { "anyOf": [{ "required": ["by"] }, { "required": ["offset"] }] } },
    { "minProperties": 2, "maxProperties": 2, "required": ["offset", "by"] },
]))]
pub(crate) struct Stimulus {
    /// Break the probe's circuit, or open the lid.
    open: Option<ProbeOrLid>,
    /// Short the probe at the controller's terminals: it reads ambient.
    short: Option<Probe>,
    /// Swap the probe's leads.
    reverse: Option<Probe>,
    /// Let the probe stay at what it reads now.
    freeze: Option<Probe>,
    /// Let the probe read wrong; with `by`.
    offset: Option<Probe>,
    /// By how much the probe reads wrong; negative: too low.
    by: Option<Difference>,
    /// Pull the probe out of the kiln: it reads ambient after its own lag.
    #[serde(rename = "pull out")]
    pull_out: Option<Probe>,
    /// Let the probe be as it should be again.
    reconnect: Option<Probe>,
    /// Shut the lid.
    close: Option<Lid>,
    /// Press a button.
    press: Option<Button>,
    /// Let a button go.
    release: Option<Button>,
    /// Cut the controller's own supply.
    cut: Option<SupplyWord>,
    /// Restore the controller's own supply.
    restore: Option<SupplyWord>,
    /// Let a relay's contact stay closed, whatever the coil does.
    weld: Option<Relay>,
    /// Let a relay's contact stay open, whatever the coil does.
    #[serde(rename = "stick open")]
    stick_open: Option<Relay>,
    /// Let a relay work again.
    free: Option<Relay>,
    /// Let an element burn through.
    lose: Option<Element>,
    /// Send a line to the controller's console.
    console: Option<Name>,
    /// Ask the operator to do something.
    prompt: Option<Name>,
}

/// One expectation.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(extend("oneOf" = [
    { "required": ["always"] },
    { "required": ["never"] },
    { "required": ["sometime"] },
    { "required": ["after", "within", "heat"], "not": { "required": ["see"] } },
    { "required": ["after", "within", "see"], "not": { "required": ["heat"] } },
]))]
#[schemars(extend("dependentRequired" = { "until": ["after"], "heat": ["within"], "see": ["within"] }))]
pub(crate) struct Expectation {
    /// Its name; unique in the scenario.
    name: Name,
    /// The hazards it speaks to: the scenario's if left out.
    #[schemars(length(min = 1))]
    hazards: Option<Vec<Hazard>>,
    /// From this instant on.
    after: Option<Instant>,
    /// Until just before this instant.
    until: Option<Instant>,
    /// From the beginning of the run until just before this instant.
    before: Option<Instant>,
    /// Holds all the time.
    always: Option<Condition>,
    /// Holds at no time.
    never: Option<Condition>,
    /// Holds at some time.
    sometime: Option<Condition>,
    /// At the latest so long after `after`.
    within: Option<TimeLimit>,
    /// Heat is cut, and stays cut.
    heat: Option<Cut>,
    /// A condition that is reached.
    see: Option<Condition>,
}

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
    #[schemars(length(min = 1, max = 17))]
    relays: Vec<RelayEntry>,
    /// Through which relays current reaches each zone's element.
    #[schemars(length(min = 1, max = 16))]
    paths: Vec<Path>,
    /// The contacts that the rig works.
    #[serde(default)]
    contacts: Vec<Contact>,
    /// Whether the rig can cut the controller's own supply.
    supply: Option<SupplySwitch>,
    /// How a firing is begun.
    #[serde(rename = "begin firing")]
    begin_firing: Begin,
    /// What the controller promises.
    declares: Declares,
    /// How well the bench knows what it measures and shows.
    uncertainty: Uncertainty,
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

/// Expanded uncertainties.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Uncertainty {
    /// Of an edge's instant.
    #[serde(rename = "edge time")]
    edge_time: Duration,
    /// Of the temperature shown to the controller.
    #[serde(rename = "shown temperature")]
    shown_temperature: Difference,
    /// The coverage factor that both are stated for; 2 if left out.
    #[serde(rename = "coverage factor")]
    #[schemars(range(min = 1.0, max = 4.0))]
    coverage_factor: Option<f64>,
}

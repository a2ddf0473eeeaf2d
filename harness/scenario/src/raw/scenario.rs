//! Scenario files as they are written.

use std::fmt;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::de::{self, MapAccess, Visitor};
use serde::{Deserialize, Deserializer};

use super::{
    Amount, Button, ButtonOrController, Condition, ControllerWord, Count, Cut, Difference, Duration, ElementOrLeg, End,
    Hazard, HeldLine, Instant, LidOrBypass, Mains, Missing, MomentName, Moments, Name, OneOrMany, Part, Probe,
    ProbeOrLid, ProbeType, Prose, Rate, Relay, Share, Soak, SupplyOrLeg, SupplyWord, Temperature, Terminals, TimeLimit,
    Voltage, Wire,
};

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
    /// The moment, type or combination that no other scenario of the library covers.
    #[serde(rename = "covers alone")]
    covers_alone: Option<Prose>,
    /// What the bench must have, and what its absence means.
    #[serde(default)]
    needs: Vec<Need>,
    /// How the kiln stands when the run begins; cold if left out.
    start: Option<Start>,
    /// What the controller is told to fire.
    #[schemars(length(min = 1))]
    firing: Option<Vec<Segment>>,
    /// Values that are put in the places of their `$names`, one scenario for each combination.
    sweep: Option<Sweep>,
    /// What is done, in order.
    #[serde(default)]
    script: Vec<Step>,
    /// What has to be seen.
    #[schemars(length(min = 1))]
    expect: Vec<Expectation>,
    /// When the run is over.
    end: End,
}

/// Values of a sweep: every combination of some lists, or combinations one by one.
#[derive(Debug)]
pub(crate) struct Sweep;

impl<'de> Deserialize<'de> for Sweep {
    /// What it says has been worked out before the second reader comes to it.
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        de::IgnoredAny::deserialize(deserializer).map(|_| Sweep)
    }
}

impl JsonSchema for Sweep {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Sweep".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        let name = r"^[a-z][a-z0-9-]*$";
        let value = json_schema!({ "type": ["string", "number"] });
        json_schema!({
            "description": "Every combination of some lists, or combinations one by one; a value is used as `$name`.",
            "anyOf": [
                {
                    "type": "object", "minProperties": 1, "maxProperties": 8, "propertyNames": { "pattern": name },
                    "additionalProperties": { "type": "array", "minItems": 1, "maxItems": 64, "items": value },
                },
                {
                    "type": "array", "minItems": 1, "maxItems": 64,
                    "items": {
                        "type": "object", "minProperties": 1, "maxProperties": 8, "propertyNames": { "pattern": name },
                        "additionalProperties": value,
                    },
                },
            ],
        })
    }
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
    Timed(Box<TimedStep>),
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
                TimedStep::deserialize(de::value::MapAccessDeserializer::new(map)).map(Box::new).map(Step::Timed)
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
#[schemars(extend("oneOf" = [{ "required": ["when"] }, { "required": ["wait"] }, { "required": ["at"] }]))]
#[schemars(extend("dependentRequired" = { "when": ["within"], "within": ["when"] }))]
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
    { "minProperties": 1, "maxProperties": 1, "propertyNames": { "enum": [
        "open", "short", "short to ground", "short to supply", "reverse", "freeze", "pull out", "reconnect",
        "close", "press", "release", "hang", "hold", "cut", "restore", "stick open", "half short", "half open", "free", "lose",
        "kiln supply", "console", "prompt"
    ] } },
    { "required": ["short in head", "head"], "propertyNames": { "enum": ["short in head", "head"] } },
    { "required": ["offset", "by"], "propertyNames": { "enum": ["offset", "by"] } },
    { "required": ["drift", "by"], "propertyNames": { "enum": ["drift", "by"] } },
    { "required": ["another type", "as"], "propertyNames": { "enum": ["another type", "as"] } },
    { "required": ["extend", "in", "head"], "propertyNames": { "enum": ["extend", "in", "head"] } },
    { "required": ["noise", "of"], "propertyNames": { "enum": ["noise", "of"] } },
    { "required": ["hum", "of"], "propertyNames": { "enum": ["hum", "of", "at"] } },
    { "required": ["spike"], "propertyNames": { "enum": ["spike", "by", "for", "every"] } },
    { "required": ["loosen", "open for", "closed for"], "propertyNames": { "enum": ["loosen", "open for", "closed for"] } },
    { "required": ["cross", "with"], "propertyNames": { "enum": ["cross", "with"] } },
    { "required": ["warm", "by"], "propertyNames": { "enum": ["warm", "by"] } },
    { "required": ["weld"], "propertyNames": { "enum": ["weld", "pole"] } },
    { "required": ["weld at times", "welded for", "free for"], "propertyNames": { "enum": ["weld at times", "welded for", "free for"] } },
    { "required": ["open late", "by"], "propertyNames": { "enum": ["open late", "by"] } },
    { "required": ["burn", "to"], "propertyNames": { "enum": ["burn", "to"] } },
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
    /// By how much: the reading is wrong or a spike is high (negative: too low, downwards), the reading drifts,
    /// the terminals are warmer, the relay is late.
    by: Option<Amount>,
    /// Short the probe in its head: it reads the head's temperature; with `head`.
    #[serde(rename = "short in head")]
    short_in_head: Option<Probe>,
    /// Let a lead of the probe touch ground.
    #[serde(rename = "short to ground")]
    short_to_ground: Option<Probe>,
    /// Let a lead of the probe touch the supply of the electronics.
    #[serde(rename = "short to supply")]
    short_to_supply: Option<Probe>,
    /// The temperature of the probe's head.
    head: Option<Temperature>,
    /// Let the probe read more and more wrong; with `by`.
    drift: Option<Probe>,
    /// Let the probe be of another type than the controller is set to; with `as`.
    #[serde(rename = "another type")]
    another_type: Option<Probe>,
    /// The type that the probe is of.
    #[serde(rename = "as")]
    as_: Option<ProbeType>,
    /// Run the wrong wire between head and controller; with `in` and `head`.
    extend: Option<Probe>,
    /// What the wire is: `copper`, `reversed`, or that of another type.
    #[serde(rename = "in")]
    in_: Option<Wire>,
    /// Let the reading be noisy; with `of`.
    noise: Option<Probe>,
    /// Let the mains hum on it; with `of`, perhaps with `at`.
    hum: Option<Probe>,
    /// Frequency of the mains: `50 Hz` (the default) or `60 Hz`.
    at: Option<Mains>,
    /// How noisy, or how much hum, root mean square.
    of: Option<Difference>,
    /// Let the reading have spikes; perhaps with `by`, `for` and `every`.
    spike: Option<Probe>,
    /// How long a spike is; 200 ms if left out.
    #[serde(rename = "for")]
    for_: Option<Duration>,
    /// How often a spike comes; every 10 s if left out.
    every: Option<Duration>,
    /// Let the probe's circuit open and close by turns; with `open for` and `closed for`.
    loosen: Option<Probe>,
    /// How long the circuit is open.
    #[serde(rename = "open for")]
    open_for: Option<Duration>,
    /// How long the circuit is closed.
    #[serde(rename = "closed for")]
    closed_for: Option<Duration>,
    /// Let two probes change places; with `with`.
    cross: Option<Probe>,
    /// The other probe.
    with: Option<Probe>,
    /// Let the controller's terminals be warmer than its converter takes them to be, or its
    /// whole box than the room, which the converter measures; with `by`.
    warm: Option<Terminals>,
    /// Pull the probe out of the kiln: it reads ambient after its own lag.
    #[serde(rename = "pull out")]
    pull_out: Option<Probe>,
    /// Let the probe be as it should be again.
    reconnect: Option<Probe>,
    /// Shut the lid.
    close: Option<LidOrBypass>,
    /// Press a button.
    press: Option<Button>,
    /// Let a button or a line go, or the controller's program go on.
    release: Option<ButtonOrController>,
    /// Let the controller's program stand still.
    hang: Option<ControllerWord>,
    /// Hold a line of the controller's electronics: its processor in reset, or its converters' bus.
    hold: Option<HeldLine>,
    /// Cut the controller's own supply.
    cut: Option<SupplyWord>,
    /// Restore the controller's own supply.
    restore: Option<SupplyOrLeg>,
    /// Let a relay's contact stay closed, whatever the coil does; perhaps only in one `pole`.
    weld: Option<Relay>,
    /// The pole whose contact is welded, from 1.
    #[schemars(range(min = 1, max = 4))]
    pole: Option<u8>,
    /// Let a relay's contact weld and come off by turns; with `welded for` and `free for`.
    #[serde(rename = "weld at times")]
    weld_at_times: Option<Relay>,
    /// How long the contact is welded.
    #[serde(rename = "welded for")]
    welded_for: Option<Duration>,
    /// How long the relay works.
    #[serde(rename = "free for")]
    free_for: Option<Duration>,
    /// Let a relay's contact open too late; with `by`.
    #[serde(rename = "open late")]
    open_late: Option<Relay>,
    /// Let half of a solid-state relay be shorted: half the power when off.
    #[serde(rename = "half short")]
    half_short: Option<Relay>,
    /// Let half of a solid-state relay be gone: half the power when on.
    #[serde(rename = "half open")]
    half_open: Option<Relay>,
    /// Burn a relay's contacts; with `to`.
    burn: Option<Relay>,
    /// How much of the power burnt contacts let through.
    to: Option<Share>,
    /// Let a relay's contact stay open, whatever the coil does.
    #[serde(rename = "stick open")]
    stick_open: Option<Relay>,
    /// Let a relay work again.
    free: Option<Relay>,
    /// Let an element burn through, or a leg or the neutral of the kiln's supply fail.
    lose: Option<ElementOrLeg>,
    /// Give the kiln's supply another voltage.
    #[serde(rename = "kiln supply")]
    kiln_supply: Option<Voltage>,
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
    { "required": ["within"] },
    { "required": ["for"] },
    { "anyOf": [{ "required": ["at least"] }, { "required": ["at most"] }] },
    { "required": ["at least every"] },
    { "required": ["each"] },
    { "required": ["first"] },
]))]
#[schemars(extend("dependentRequired" = {
    "until": ["after"],
    "heat": ["within"],
    "for": ["see"],
    "at least every": ["see"],
    "first": ["then"],
    "then": ["first"],
    "lasts at least": ["each"],
    "lasts at most": ["each"],
}))]
#[schemars(extend("allOf" = [
    {
        "if": { "required": ["within"] },
        "then": { "oneOf": [{ "required": ["heat"] }, { "required": ["see"] }] },
    },
    {
        "if": { "required": ["each"] },
        "then": { "oneOf": [{ "required": ["lasts at least"] }, { "required": ["lasts at most"] }] },
    },
    {
        "if": { "anyOf": [{ "required": ["within"] }, { "required": ["for"] }] },
        "then": { "anyOf": [{ "required": ["after"] }, { "required": ["between"] }, { "required": ["whenever"] }] },
    },
    {
        "if": { "required": ["see"] },
        "then": { "anyOf": [
            { "required": ["within"] },
            { "required": ["for"] },
            { "required": ["at least"] },
            { "required": ["at most"] },
            { "required": ["at least every"] },
        ] },
    },
    {
        "if": { "required": ["between"] },
        "then": { "not": { "anyOf": [{ "required": ["after"] }, { "required": ["before"] }, { "required": ["until"] }] } },
    },
    {
        "if": { "required": ["whenever"] },
        "then": { "not": { "anyOf": [{ "required": ["each"] }, { "required": ["at least every"] }] } },
    },
]))]
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
    /// From one instant until just before another; about nothing if that never comes.
    between: Option<Moments>,
    /// Claimed anew each time that this becomes true.
    whenever: Option<Condition>,
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
    /// Holds for so long from there on; with `see`.
    #[serde(rename = "for")]
    for_: Option<TimeLimit>,
    /// A condition that is reached, holds or is counted.
    see: Option<Condition>,
    /// Becomes true at least so often; with `see`.
    #[serde(rename = "at least")]
    at_least: Option<Count>,
    /// Becomes true at most so often.
    #[serde(rename = "at most")]
    at_most: Option<Count>,
    /// Comes again and again, at the latest after so long; with `see`.
    #[serde(rename = "at least every")]
    at_least_every: Option<TimeLimit>,
    /// Each time that this holds, it lasts so long.
    each: Option<Condition>,
    /// At least so long; with `each`.
    #[serde(rename = "lasts at least")]
    lasts_at_least: Option<TimeLimit>,
    /// At most so long; with `each`.
    #[serde(rename = "lasts at most")]
    lasts_at_most: Option<TimeLimit>,
    /// What has to come first.
    first: Option<Condition>,
    /// What may come only after it.
    then: Option<Condition>,
}

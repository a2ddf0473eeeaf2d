//! Scenario files as they are written.

use std::fmt;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::de::{self, MapAccess, Visitor};
use serde::{Deserialize, Deserializer};

use super::{
    Button, Condition, Cut, Difference, Duration, Element, End, Hazard, Instant, Lid, Missing, MomentName, Name,
    OneOrMany, Part, Probe, ProbeOrLid, Prose, Rate, Relay, Soak, SupplyWord, Temperature, TimeLimit,
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
    { "required": ["within"] },
]))]
#[schemars(extend("if" = { "required": ["within"] }))]
#[schemars(extend("then" = { "required": ["after"], "oneOf": [{ "required": ["heat"] }, { "required": ["see"] }] }))]
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

//! The files as they are written: the shape behind the published schemas, and
//! what the second reader decodes into.

mod bench;
mod kiln;
mod scenario;

use std::fmt;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::de::{self, MapAccess, SeqAccess, Visitor};
use serde::{Deserialize, Deserializer};

pub(crate) use bench::BenchFile;
pub(crate) use kiln::KilnFile;
pub(crate) use scenario::ScenarioFile;

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
    /// Millionths: `100 ppm`.
    Ppm r"^\s*[0-9]+\s*ppm\s*$",
    /// A length of time, or what is declared, perhaps `+ 60 s`: `declared longest firing`, `3 declared cycle times`, `declared reaction to probe-open or 10 s`, `half the process safety time`.
    TimeLimit r"^\s*(([0-9.eE+]+\s*(d|h|min|s|ms|µs|us)\s*)+|declared\s+longest\s+firing(\s*\+.*)?|([0-9]+\s+)?declared\s+cycle\s+times?(\s*\+.*)?|declared\s+reaction\s+to\s+[a-z0-9-]+(\s+or\s+[0-9].*)?(\s*\+.*)?|half\s+the\s+process\s+safety\s+time(\s+of\s+[a-z0-9-]+)?(\s+but\s+at\s+most\s+[0-9].*)?)\s*$",
    /// When the run is over: `30 min after burn-out`, `2 h`.
    End r"^\s*(([0-9.eE+]+\s*(d|h|min|s|ms|µs|us)\s*)+|declared\s+longest\s+firing(\s*\+.*)?|([0-9]+\s+)?declared\s+cycle\s+times?(\s*\+.*)?|declared\s+reaction\s+to\s+[a-z0-9-]+(\s+or\s+[0-9].*)?(\s*\+.*)?|half\s+the\s+process\s+safety\s+time(\s+of\s+[a-z0-9-]+)?(\s+but\s+at\s+most\s+[0-9].*)?)(\s*after\s+\S+\s*)?",
    /// How often: `2 times`, `3 times in 10 min`, `6 switchings of element.top in 1 min`.
    Count r"^\s*[0-9]+\s+(times?|switchings?\s+of\s+(heat|element|safety)(\.[\w-]+)?)(\s+in\s+.*)?\s*$",
    /// Two moments of the script: `lid-opens and lid-shuts`.
    Moments r"^\s*\w[\w-]*(\s*\+.*)?\s+and\s+\w[\w-]*(\s*\+.*)?\s*$",
    /// A moment of the script, perhaps with a length of time on top: `burn-out + 10 s`.
    Instant r"^\s*\w[\w-]*(\s*\+.*)?\s*$",
    /// The name of a moment: one word of letters, digits and hyphens.
    MomentName r"^\w[\w-]*$",
    /// A condition: `kiln > 400 °C and element on`, `duty of element over 5 min > 95 %`, `console says "fault"`.
    Condition r"^\s*[(\w].*$",
    /// How the kiln stands: `cold`, or `soaked at 400 °C`.
    Soak r"^\s*(cold|soaked\s+at\s.*)\s*$",
    /// A part of the bench: `lid contact`, `test line contact`, `reset line contact`, `data line low contact`,
    /// `data line high contact`, `clock line low contact`, `supply switch`, `means to cut element`,
    /// `mechanical element`, `longest firing of 13 h`, `2 zones`, `limiter`.
    Part r"^\s*((lid|stop|start|acknowledge|(test|reset)\s+line|(data|clock)\s+line\s+low|data\s+line\s+high|reset|limiter\s+supply)\s+contact|limiter|supply\s+switch|(means\s+to\s+cut|mechanical)\s+(safety|element\S*)|longest\s+firing\s+of\s.*|[0-9]+\s+zones?)\s*$",
    /// A probe: `probe`, `probe.2`, `probe.top`, or the limiter's own: `limiter probe`.
    Probe r"^\s*(limiter\s+)?probe(\.[\w-]+)?\s*$",
    /// A probe, the lid, or a bypass that was left in: `probe.2`, `limiter probe`, `lid`, `bypass.top`.
    ProbeOrLid r"^\s*(lid|limiter\s+probe|(probe|bypass)(\.[\w-]+)?)\s*$",
    /// The lid, or a bypass that was left in: `lid`, `bypass.top`.
    LidOrBypass r"^\s*(lid|bypass(\.[\w-]+)?)\s*$",
    /// A relay: `safety`, `element`, `element.2`, `element.top`.
    Relay r"^\s*(safety|element(\.[\w-]+)?)\s*$",
    /// A voltage with its unit: `240 V`.
    Voltage r"^\s*[0-9.eE+]+\s*m?V\s*$",
    /// A power with its unit: `4100 W`, `3.8 kW`.
    Power r"^\s*[0-9.eE+]+\s*k?W\s*$",
    /// A length with its unit: `64 mm`.
    Length r"^\s*[0-9.eE+-]+\s*(m|cm|mm)\s*$",
    /// An area with its unit: `0.85 m²`.
    Area r"^\s*[0-9.eE+-]+\s*c?m[²2]\s*$",
    /// A mass with its unit: `12 kg`.
    Mass r"^\s*[0-9.eE+-]+\s*k?g\s*$",
    /// A density with its unit: `490 kg/m³`.
    Density r"^\s*[0-9.eE+-]+\s*kg/m[³3]\s*$",
    /// A thermal conductivity with its unit: `0.2 W/mK`.
    Conductivity r"^\s*[-0-9.eE+]+\s*W/(mK|m/K|\(m·K\))\s*$",
    /// A specific heat with its unit: `1000 J/kgK`.
    SpecificHeat r"^\s*[-0-9.eE+]+\s*k?J/(kgK|kg/K|\(kg·K\))\s*$",
    /// A heat capacity with its unit: `800 J/K`.
    HeatCapacity r"^\s*[0-9.eE+-]+\s*k?J/K\s*$",
    /// A heat transfer coefficient with its unit: `6 W/m²K`.
    HeatTransfer r"^\s*[0-9.eE+-]+\s*W/(m[²2]K|m[²2]/K|\(m²·K\))\s*$",
    /// A thermal conductance with its unit: `0.5 W/K`.
    Conductance r"^\s*[0-9.eE+-]+\s*W/K\s*$",
    /// An amount with its unit: `-30 °C`, `20 °C/h`, `30 s`.
    Amount r"^\s*[-+−]?[0-9.eE+]+\s*(°C|degC|°F|degF|K|d|h|min|s|ms|µs|us)(/(h|min)|\s.*)?\s*$",
    /// What a wire is: `copper`, `reversed`, or the letter of a thermocouple's type.
    Wire r"^\s*(copper|reversed|[BEJKNRST])\s*$",
    /// The controller's terminals, or its whole box.
    Terminals r"^\s*(terminals|box)\s*$",
    /// A share: `70 %`.
    Share r"^\s*[0-9.eE+]+\s*%\s*$",
    /// The controller's own supply, the limiter's, that of the coils, or a leg or the neutral of the kiln's: `supply`, `leg 1`.
    SupplyOrLeg r"^\s*(supply|limiter\s+supply|coil\s+supply|neutral|(leg|phase)\s+[1-3])\s*$",
    /// An element, the supply of the coils, or a leg or the neutral of the kiln's supply: `element.2`, `leg 1`.
    ElementOrLeg r"^\s*(element(\.[\w-]+)?|coil\s+supply|neutral|(leg|phase)\s+[1-3])\s*$",
    /// The name of a zone: one word of letters, digits and hyphens.
    ZoneName r"^\w[\w-]*$",
    /// A relay of the bench, or the limiter's contact: `safety`, `element.top`, `limiter`.
    RelayName r"^\s*(safety|limiter|element(\.[\w-]+)?)\s*$",
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
    Button { Stop "stop", Start "start", Acknowledge "acknowledge", Reset "reset" }
    /// A button, the controller's program, or a line of its electronics.
    ButtonOrController {
        Stop "stop",
        Start "start",
        Acknowledge "acknowledge",
        Reset "reset",
        Controller "controller",
        ResetLine "reset line",
        DataLineLow "data line low",
        DataLineHigh "data line high",
        ClockLineLow "clock line low",
    }
    /// A line of the controller's electronics.
    HeldLine {
        ResetLine "reset line",
        DataLineLow "data line low",
        DataLineHigh "data line high",
        ClockLineLow "clock line low",
    }
    /// The controller's program.
    ControllerWord { Controller "controller" }
    /// The controller's own supply, or the limiter's.
    SupplyWord { Supply "supply", LimiterSupply "limiter supply" }
    /// A thermocouple's type letter.
    ProbeType { B "B", E "E", J "J", K "K", N "N", R "R", S "S", T "T" }
    /// What is sensed of a relay: the command or coil, the contact itself, or a dummy load behind it.
    Senses { Command "command", Contact "contact", Load "load" }
    /// The level of the sensed input when the relay is on.
    Level { High "high", Low "low" }
    /// What a relay is made as; sets the usual release time.
    Made { Contactor "contactor", Relay "relay", RelayWithDiode "relay with diode", SolidState "solid state" }
    /// What a relay's contacts do without a supply of its coil.
    Unpowered { Open "open", Closed "closed", AsItWas "as it was" }
    /// What an earlier control left in the wiring.
    OldPartWord { Bypass "bypass", InfiniteSwitch "infinite switch" }
    /// How the temperature of the controller's terminals is known.
    ColdJunctionWord { Room "as the room", Measured "measured by the rig" }
    /// What a contact stands for.
    ContactName {
        Lid "lid",
        Stop "stop",
        Start "start",
        Acknowledge "acknowledge",
        TestLine "test line",
        ResetLine "reset line",
        DataLineLow "data line low",
        DataLineHigh "data line high",
        ClockLineLow "clock line low",
        Reset "reset",
        LimiterSupply "limiter supply",
    }
    /// Whether a dry contact is open or closed.
    ContactState { Open "open", Closed "closed" }
    /// Whether the rig can cut the controller's own supply.
    SupplySwitch { Switched "switched by the rig", NotSwitched "not switched" }
    /// The contact that begins a firing.
    StartWord { Start "start" }
    /// The contact that acknowledges a fault.
    AcknowledgeWord { Acknowledge "acknowledge" }
    /// How a kiln's supply is made.
    SupplyMade {
        SinglePhase "single-phase",
        SplitPhase "split-phase",
        Delta "delta",
        Star "star",
        StarWithNeutral "star with neutral",
    }
    /// A wire of the kiln's supply.
    Conductor { Leg1 "leg 1", Leg2 "leg 2", Leg3 "leg 3", Neutral "neutral" }
    /// A leg of the kiln's supply.
    Leg { Leg1 "leg 1", Leg2 "leg 2", Leg3 "leg 3" }
    /// Frequency of the mains.
    Mains { Hertz50 "50 Hz", Hertz60 "60 Hz" }
    /// What reads the probes.
    Converter { Linearised "linearised", Linear14 "linear 14-bit", Linear12 "linear 12-bit" }
    /// What a rig's channels play.
    Plays { Probes "probes", Converters "converters" }
    /// Heat is cut: off, and staying off longer than an ordinary off-phase.
    Cut { Cut "cut" }
}

//! Kiln files as they are written.

use std::fmt;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::de::{self, MapAccess, SeqAccess, Visitor};
use serde::{Deserialize, Deserializer};

use super::{
    Area, Conductance, Conductivity, Density, Duration, HeatCapacity, HeatTransfer, Length, Mass, Name, Power, Prose,
    SpecificHeat, SupplyMade, Temperature, Voltage, ZoneName,
};

/// A kiln: what it is made of.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct KilnFile {
    /// The version of the format: 1.
    #[schemars(range(min = 1, max = 1))]
    format: u32,
    /// What the kiln is called.
    kiln: Name,
    /// Where the figures come from.
    source: Prose,
    /// The supply: its voltage, or that and how it is made.
    supply: KilnSupply,
    /// What its walls are made of.
    #[schemars(length(min = 1))]
    materials: Vec<KilnMaterial>,
    /// Its zones, from the top down.
    #[schemars(length(min = 1, max = 8))]
    zones: Vec<KilnZone>,
    /// How each zone exchanges heat with the next one down.
    #[serde(default)]
    couplings: Vec<KilnCoupling>,
    /// Its lid or door.
    lid: Option<KilnLid>,
    /// The outer face of the walls.
    outside: KilnOutside,
    /// What it must not reach.
    limits: KilnLimits,
}

/// A supply: the voltage of a single phase, or voltage and kind.
#[derive(Debug)]
pub(crate) enum KilnSupply {
    SinglePhase(Voltage),
    Made(MadeSupply),
}

/// A supply and how it is made.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct MadeSupply {
    /// Between two legs; with one leg only between it and neutral.
    voltage: Voltage,
    /// How it is made.
    #[serde(rename = "made as")]
    made_as: SupplyMade,
}

impl<'de> Deserialize<'de> for KilnSupply {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Either;

        impl<'de> Visitor<'de> for Either {
            type Value = KilnSupply;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a voltage, or keys and values")
            }

            fn visit_str<E: de::Error>(self, text: &str) -> Result<KilnSupply, E> {
                Voltage::deserialize(de::value::StrDeserializer::new(text)).map(KilnSupply::SinglePhase)
            }

            fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<KilnSupply, A::Error> {
                MadeSupply::deserialize(de::value::MapAccessDeserializer::new(map)).map(KilnSupply::Made)
            }
        }

        deserializer.deserialize_any(Either)
    }
}

impl JsonSchema for KilnSupply {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "KilnSupply".into()
    }

    fn json_schema(generator: &mut SchemaGenerator) -> Schema {
        let (single, made) = (generator.subschema_for::<Voltage>(), generator.subschema_for::<MadeSupply>());
        json_schema!({
            "description": "The supply: the voltage of a single phase, or voltage and kind.",
            "anyOf": [single, made],
        })
    }
}

/// A material of a wall.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct KilnMaterial {
    /// What it is called; layers refer to it.
    name: Name,
    /// Where its figures come from.
    source: Option<Prose>,
    /// Its density.
    density: Density,
    /// Its thermal conductivity.
    conductivity: Law<Conductivity>,
    /// Its specific heat.
    #[serde(rename = "specific heat")]
    specific_heat: Law<SpecificHeat>,
}

/// A property of a material over temperature: constant, a line, or a table.
#[derive(Debug)]
pub(crate) enum Law<T> {
    Constant(T),
    Line(Line<T>),
    Table(Vec<LawPoint<T>>),
}

/// A line over temperature.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Line<T> {
    /// At 0 °C.
    #[serde(rename = "at zero")]
    at_zero: T,
    /// What each degree Celsius adds.
    #[serde(rename = "each degree adds")]
    each_degree_adds: T,
}

/// A point of a table; straight lines between the points.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct LawPoint<T> {
    /// The temperature.
    at: Temperature,
    /// The value there.
    is: T,
}

impl<'de, T: Deserialize<'de>> Deserialize<'de> for Law<T> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Either<T>(std::marker::PhantomData<T>);

        impl<'de, T: Deserialize<'de>> Visitor<'de> for Either<T> {
            type Value = Law<T>;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a quantity, a line or a table")
            }

            fn visit_str<E: de::Error>(self, text: &str) -> Result<Self::Value, E> {
                T::deserialize(de::value::StrDeserializer::new(text)).map(Law::Constant)
            }

            fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<Self::Value, A::Error> {
                Line::deserialize(de::value::MapAccessDeserializer::new(map)).map(Law::Line)
            }

            fn visit_seq<A: SeqAccess<'de>>(self, seq: A) -> Result<Self::Value, A::Error> {
                Vec::deserialize(de::value::SeqAccessDeserializer::new(seq)).map(Law::Table)
            }
        }

        deserializer.deserialize_any(Either(std::marker::PhantomData))
    }
}

impl<T: JsonSchema> JsonSchema for Law<T> {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        format!("{}Law", T::schema_name()).into()
    }

    fn json_schema(generator: &mut SchemaGenerator) -> Schema {
        let constant = generator.subschema_for::<T>();
        let line = generator.subschema_for::<Line<T>>();
        let point = generator.subschema_for::<LawPoint<T>>();
        json_schema!({
            "description": "Over temperature: constant, a line, or a table.",
            "anyOf": [constant, line, { "type": "array", "minItems": 1, "items": point }],
        })
    }
}

/// A zone of a kiln.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct KilnZone {
    /// What it is called.
    name: ZoneName,
    /// Its share of the wall, lid or floor included.
    wall: KilnWall,
    /// Its element.
    element: KilnElement,
    /// Ware and shelves; left out: empty.
    load: Option<KilnLoad>,
    /// Heat that leaking air carries away.
    #[serde(rename = "air leak")]
    air_leak: Conductance,
    /// Convection inside.
    #[serde(rename = "inner convection")]
    inner_convection: HeatTransfer,
    /// Its probe.
    probe: KilnProbe,
}

/// A zone's wall.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct KilnWall {
    /// Mean of inside and outside.
    area: Area,
    /// Of the hot face.
    emissivity: f64,
    /// From the hot face outwards.
    #[schemars(length(min = 1))]
    layers: Vec<KilnLayer>,
}

/// A layer of a wall.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct KilnLayer {
    /// The name of its material.
    material: Name,
    /// How thick it is.
    thickness: Length,
    /// Into how many nodes the model cuts it.
    #[schemars(range(min = 1, max = 200))]
    nodes: Option<u32>,
}

/// A zone's element.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct KilnElement {
    /// Power when new and cold.
    power: Power,
    /// The voltage that the power is for.
    at: Voltage,
    /// Heat capacity of the wire.
    #[serde(rename = "heat capacity")]
    heat_capacity: HeatCapacity,
    /// Radiating surface.
    surface: Area,
    /// Of the oxidised wire.
    emissivity: f64,
    /// Relative rise of its resistance for each °C.
    #[serde(rename = "resistance rise")]
    resistance_rise: f64,
    /// By which factor its resistance has grown with age; 1 if left out.
    ageing: Option<f64>,
}

/// Ware and shelves.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct KilnLoad {
    /// Mass.
    mass: Mass,
    /// Specific heat.
    #[serde(rename = "specific heat")]
    specific_heat: Law<SpecificHeat>,
    /// Surface that exchanges heat.
    surface: Area,
    /// Emissivity.
    emissivity: f64,
}

/// A zone's probe.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct KilnProbe {
    /// Time constant of sheath and junction.
    lag: Duration,
}

/// Heat exchange between two neighbouring zones.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct KilnCoupling {
    /// The two zones, the upper one first.
    #[schemars(length(min = 2, max = 2))]
    between: Vec<ZoneName>,
    /// Area through which they see each other, as if it were black.
    #[serde(rename = "radiating area")]
    radiating_area: Area,
    /// Conduction and convection.
    conductance: Conductance,
}

/// A lid or door.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct KilnLid {
    /// The zone that it opens.
    zone: ZoneName,
    /// Opening through which the chamber then radiates.
    #[serde(rename = "open area")]
    open_area: Area,
    /// Heat that air carries away through the opening.
    #[serde(rename = "open loss")]
    open_loss: Conductance,
}

/// The outer face of the walls.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct KilnOutside {
    /// Convection to the room.
    convection: HeatTransfer,
    /// Emissivity.
    emissivity: f64,
}

/// What the kiln must not reach.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct KilnLimits {
    /// Hottest that its elements may become.
    element: Temperature,
    /// Hottest that its brick may become.
    brick: Temperature,
    /// The highest temperature that may be programmed.
    #[serde(rename = "programmed top")]
    programmed_top: Temperature,
}

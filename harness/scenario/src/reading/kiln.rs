//! Kiln files.

use dryfire_kiln::{
    Conductivity, Element, KilnDescription, Layer, Lid, Limits, Load, Material, Outside, Probe, SpecificHeat,
    SupplySystem, Zone, ZoneCoupling,
};
use dryfire_units::bounds::{self, Bound};
use dryfire_units::{
    Celsius, JoulesPerKelvin, JoulesPerKilogramKelvin, Kilograms, KilogramsPerCubicMetre, Metres, Seconds,
    SquareMetres, Volts, Watts, WattsPerKelvin, WattsPerMetreKelvin, WattsPerSquareMetreKelvin,
};

use crate::Spanned;
use crate::diagnostic::DiagnosticKind;
use crate::quantity;
use crate::reading::wiring::zone_name;
use crate::reading::{Fields, Reading};
use crate::source::quoted;
use crate::suggest::nearest;
use crate::tree::{Content, Node};
use crate::words::Mistake;

/// The keys of a kiln file.
pub(crate) const KEYS: &[&str] =
    &["format", "kiln", "source", "supply", "materials", "zones", "couplings", "lid", "outside", "limits"];

/// Nodes of a layer, where a file names none and the model allows as many.
const USUAL_NODES: usize = 5;
/// Resistance rise for each degree: from alloys that hardly change to pure metals.
const RESISTANCE_RISE: Bound =
    Bound { name: "resistance rise", dimension: bounds::AGEING.dimension, min: -0.0004, max: 0.01 };
const PROBE_LAG: Bound = Bound { name: "probe's lag", dimension: bounds::SPAN.dimension, min: 0.1, max: 3600.0 };
const RADIATING_AREA: Bound = Bound { name: "radiating area", min: 0.0, ..bounds::AREA };
/// Slopes of the laws of materials, for each degree.
const CONDUCTIVITY_SLOPE: Bound = Bound { name: "slope", min: -0.1, max: 0.1, ..bounds::CONDUCTIVITY };
const SPECIFIC_HEAT_SLOPE: Bound = Bound { name: "slope", min: -10.0, max: 10.0, ..bounds::SPECIFIC_HEAT };

/// Names of parts, as the kiln's own check speaks of them, and where they stand.
type Parts<'n> = Vec<(String, &'n Node)>;

pub(crate) fn read(reading: &mut Reading<'_>, root: &Node) -> Option<KilnDescription> {
    let what = "a kiln file";
    let mut parts: Parts<'_> = Vec::new();
    let fields = reading.fields(root, what, KEYS)?;
    let name =
        reading.require(&fields, "kiln", what, "three-ring").and_then(|node| reading.name(node, "the kiln's name"));
    let source = reading
        .require(&fields, "source", what, "measured on the kiln; bricks from the maker's sheet")
        .and_then(|node| reading.prose(node, "`source`"));
    let supply = reading.require(&fields, "supply", what, "240 V").and_then(|node| supply(reading, node));
    let materials = reading
        .require(&fields, "materials", what, "[{ name: brick, density: 490 kg/m³, … }]")
        .and_then(|node| materials(reading, node));
    let zones = reading
        .require(&fields, "zones", what, "[{ name: top, … }]")
        .and_then(|node| zones(reading, node, materials.as_deref(), &mut parts));
    let names: Option<Vec<&str>> = zones.as_ref().map(|zones| zones.iter().map(|zone| zone.name.as_str()).collect());
    let couplings = match fields.get("couplings") {
        Some(node) => couplings(reading, node, names.as_deref(), &mut parts),
        None => Some(Vec::new()),
    };
    let lid = match fields.get("lid") {
        Some(node) => lid(reading, node, names.as_deref(), &mut parts).map(Some),
        None => Some(None),
    };
    let outside = reading
        .require(&fields, "outside", what, "{ convection: 6 W/m²K, emissivity: 0.9 }")
        .and_then(|node| outside(reading, node));
    let limits = reading
        .require(&fields, "limits", what, "{ element: 1400 °C, brick: 1350 °C, programmed top: 1300 °C }")
        .and_then(|node| limits(reading, node));
    source?;
    let kiln = KilnDescription {
        name: name?,
        supply: Volts::new(supply?.0),
        system: supply?.1,
        zones: zones?,
        couplings: couplings?,
        lid: lid?,
        outside: outside?,
        limits: limits?,
    };
    if let Err(errors) = kiln.check() {
        for error in errors {
            let place = parts
                .iter()
                .filter(|(part, _)| error.part.starts_with(part.as_str()))
                .max_by_key(|(part, _)| part.len());
            let node = place.map_or_else(|| fields.get("zones").unwrap_or(root), |(_, node)| *node);
            reading.mistake_in(DiagnosticKind::Contradiction, node, format!("{} {}", error.part, error.problem), None);
        }
    }
    Some(kiln)
}

/// How a kiln may be fed, in words.
const SYSTEMS: &[(&str, SupplySystem)] = &[
    ("single-phase", SupplySystem::SinglePhase),
    ("split-phase", SupplySystem::SplitPhase),
    ("delta", SupplySystem::Delta),
    ("star", SupplySystem::Star { neutral: false }),
    ("star with neutral", SupplySystem::Star { neutral: true }),
];

/// The supply: its voltage alone, or with how it is made.
fn supply(reading: &mut Reading<'_>, node: &Node) -> Option<(f64, SupplySystem)> {
    let what = "the kiln's supply";
    if let Content::Scalar(_) = node.content {
        let volts = quantity_of(reading, node, "`supply`", &bounds::SUPPLY_VOLTAGE)?;
        return Some((volts, SupplySystem::SinglePhase));
    }
    let fields = reading.fields(node, what, &["voltage", "made as"])?;
    let volts = number(reading, &fields, "voltage", what, "240 V", &bounds::SUPPLY_VOLTAGE);
    let system = reading
        .require(&fields, "made as", what, "split-phase")
        .and_then(|node| reading.one_of(node, "how a supply is made", SYSTEMS));
    Some((volts?, system?))
}

/// A quantity or a plain number that has to be there.
fn number(
    reading: &mut Reading<'_>,
    fields: &Fields<'_>,
    key: &str,
    what: &str,
    example: &str,
    bound: &Bound,
) -> Option<f64> {
    let node = reading.require(fields, key, what, example)?;
    quantity_of(reading, node, &format!("`{key}`"), bound)
}

pub(crate) fn quantity_of(reading: &mut Reading<'_>, node: &Node, what: &str, bound: &Bound) -> Option<f64> {
    let plain = bound.dimension == bounds::EMISSIVITY.dimension;
    let scalar = reading.scalar(node, what)?;
    // A number with a unit is text to YAML, one without is a number: in quotes it would be neither.
    if plain && scalar.is_plain_text() && quantity::within(&scalar.text, bound).is_ok() {
        reading.mistake(
            DiagnosticKind::WrongShape,
            node.span,
            format!("{what} is a plain number, not a text"),
            "leave the quotes out".to_owned(),
        );
        return None;
    }
    reading.parse(node, what, |text| {
        quantity::within(&text.text, bound).map_err(|wrong| Mistake {
            kind: wrong.kind,
            range: wrong.range,
            message: wrong.message,
            hint: wrong.hint,
        })
    })
}

fn some_items<'n>(reading: &mut Reading<'_>, node: &'n Node, what: &str, most: usize) -> Option<&'n [Node]> {
    let items = reading.items(node, what)?;
    if items.is_empty() || items.len() > most {
        let kind = if items.is_empty() { DiagnosticKind::Empty } else { DiagnosticKind::OutOfRange };
        reading.mistake_in(kind, node, format!("{what} has {} items", items.len()), format!("it has from 1 to {most}"));
        return None;
    }
    Some(items)
}

/// All of the values, if there was a mistake in none.
fn all<T>(values: Vec<Option<T>>) -> Option<Vec<T>> {
    values.into_iter().collect()
}

fn materials(reading: &mut Reading<'_>, node: &Node) -> Option<Vec<Material>> {
    let items = some_items(reading, node, "the list of materials", 50)?;
    let mut names = Vec::new();
    let found: Vec<Option<Material>> = items
        .iter()
        .map(|item| {
            let what = "a material";
            let fields = reading.fields(item, what, &["name", "source", "density", "conductivity", "specific heat"])?;
            let name = reading.require(&fields, "name", what, "insulating brick").and_then(|node| {
                let name = reading.name(node, "a material's name")?;
                names.push(Spanned { value: name.clone(), span: node.span });
                Some(name)
            });
            if let Some(node) = fields.get("source") {
                reading.prose(node, "`source`")?;
            }
            let density = number(reading, &fields, "density", what, "490 kg/m³", &bounds::DENSITY);
            let conductivity =
                reading.require(&fields, "conductivity", what, "0.2 W/mK").and_then(|node| conductivity(reading, node));
            let specific_heat = reading
                .require(&fields, "specific heat", what, "1000 J/kgK")
                .and_then(|node| specific_heat(reading, node));
            Some(Material {
                name: name?,
                density: KilogramsPerCubicMetre::new(density?),
                conductivity: conductivity?,
                specific_heat: specific_heat?,
            })
        })
        .collect();
    reading.unique("the material", &names);
    all(found)
}

/// How a property of a material depends on temperature.
enum Law {
    Line { at_zero: f64, slope: f64 },
    Table(Vec<(f64, f64)>),
}

fn law(reading: &mut Reading<'_>, node: &Node, what: &str, bound: &Bound, slope: &Bound) -> Option<Law> {
    match &node.content {
        Content::Scalar(_) => Some(Law::Line { at_zero: quantity_of(reading, node, what, bound)?, slope: 0.0 }),
        Content::Mapping(_) => {
            let fields = reading.fields(node, what, &["at zero", "each degree adds"])?;
            let example = bound.dimension.examples();
            let at_zero = number(reading, &fields, "at zero", what, example, bound);
            let slope = number(reading, &fields, "each degree adds", what, example, slope);
            Some(Law::Line { at_zero: at_zero?, slope: slope? })
        }
        Content::Sequence(_) => {
            let items = some_items(reading, node, what, 100)?;
            let points: Vec<Option<(f64, f64)>> = items
                .iter()
                .map(|item| {
                    let what = "a point of the table";
                    let fields = reading.fields(item, what, &["at", "is"])?;
                    let at = number(reading, &fields, "at", what, "400 °C", &bounds::TEMPERATURE);
                    let is = number(reading, &fields, "is", what, bound.dimension.examples(), bound);
                    Some((at?, is?))
                })
                .collect();
            let points = all(points)?;
            if let Some(index) = (1..points.len()).find(|index| points[*index].0 <= points[*index - 1].0) {
                reading.mistake_in(
                    DiagnosticKind::Contradiction,
                    &items[index],
                    "the temperatures of the table do not rise here",
                    "put the points in the order of rising temperature, each temperature once".to_owned(),
                );
                return None;
            }
            Some(Law::Table(points))
        }
    }
}

fn conductivity(reading: &mut Reading<'_>, node: &Node) -> Option<Conductivity> {
    let law = law(reading, node, "the thermal conductivity", &bounds::CONDUCTIVITY, &CONDUCTIVITY_SLOPE)?;
    Some(match law {
        Law::Line { at_zero, slope } => {
            Conductivity::Linear { at_zero: WattsPerMetreKelvin::new(at_zero), slope_per_celsius: slope }
        }
        Law::Table(points) => Conductivity::Table(
            points.into_iter().map(|(at, is)| (Celsius::new(at), WattsPerMetreKelvin::new(is))).collect(),
        ),
    })
}

fn specific_heat(reading: &mut Reading<'_>, node: &Node) -> Option<SpecificHeat> {
    let law = law(reading, node, "the specific heat", &bounds::SPECIFIC_HEAT, &SPECIFIC_HEAT_SLOPE)?;
    Some(match law {
        Law::Line { at_zero, slope } => {
            SpecificHeat::Linear { at_zero: JoulesPerKilogramKelvin::new(at_zero), slope_per_celsius: slope }
        }
        Law::Table(points) => SpecificHeat::Table(
            points.into_iter().map(|(at, is)| (Celsius::new(at), JoulesPerKilogramKelvin::new(is))).collect(),
        ),
    })
}

fn zones<'n>(
    reading: &mut Reading<'_>,
    node: &'n Node,
    materials: Option<&[Material]>,
    parts: &mut Parts<'n>,
) -> Option<Vec<Zone>> {
    let items = some_items(reading, node, "the list of zones", KilnDescription::MAX_ZONES)?;
    let mut names = Vec::new();
    let found: Vec<Option<Zone>> = items
        .iter()
        .map(|item| {
            let what = "a zone";
            let keys = ["name", "wall", "element", "load", "air leak", "inner convection", "probe"];
            let fields = reading.fields(item, what, &keys)?;
            let name = reading.require(&fields, "name", what, "top").and_then(|node| zone_name(reading, node));
            let part = format!("zone {:?}", name.as_ref().map_or("", |name| name.value.as_str()));
            if let Some(name) = &name {
                parts.push((part.clone(), item));
                names.push(name.clone());
            }
            let wall = reading
                .require(&fields, "wall", what, "{ area: 0.85 m², emissivity: 0.8, layers: [ … ] }")
                .and_then(|node| wall(reading, node, materials, &part, parts));
            let element = reading
                .require(&fields, "element", what, "{ power: 4100 W, at: 240 V, … }")
                .and_then(|node| element(reading, node));
            let load = match fields.get("load") {
                Some(node) => {
                    parts.push((format!("{part}, load"), node));
                    load(reading, node).map(Some)
                }
                None => Some(None),
            };
            let leak = number(reading, &fields, "air leak", what, "0.1 W/K", &bounds::CONDUCTANCE);
            let inside = number(reading, &fields, "inner convection", what, "5 W/m²K", &bounds::HEAT_TRANSFER);
            let probe = reading.require(&fields, "probe", what, "{ lag: 45 s }").and_then(|node| {
                let fields = reading.fields(node, "a probe", &["lag"])?;
                number(reading, &fields, "lag", "a probe", "45 s", &PROBE_LAG)
            });
            let (wall_area, wall_emissivity, layers) = wall?;
            Some(Zone {
                name: name?.value,
                wall_area: SquareMetres::new(wall_area),
                wall_emissivity,
                layers,
                element: element?,
                load: load?,
                air_leak: WattsPerKelvin::new(leak?),
                inner_convection: WattsPerSquareMetreKelvin::new(inside?),
                probe: Probe { time_constant: Seconds::new(probe?) },
            })
        })
        .collect();
    reading.unique("the zone", &names);
    all(found)
}

/// Area, emissivity, layers.
type Wall = (f64, f64, Vec<Layer>);

fn wall<'n>(
    reading: &mut Reading<'_>,
    node: &'n Node,
    materials: Option<&[Material]>,
    part: &str,
    parts: &mut Parts<'n>,
) -> Option<Wall> {
    let what = "a wall";
    let fields = reading.fields(node, what, &["area", "emissivity", "layers"])?;
    let area = number(reading, &fields, "area", what, "0.85 m²", &bounds::AREA);
    let emissivity = number(reading, &fields, "emissivity", what, "0.8", &bounds::EMISSIVITY);
    let layers = reading.require(&fields, "layers", what, "[{ material: brick, thickness: 64 mm }]").and_then(|node| {
        let items = some_items(reading, node, "the list of layers", 20)?;
        let found: Vec<Option<Layer>> = items
            .iter()
            .enumerate()
            .map(|(index, item)| {
                parts.push((format!("{part}, layer {}", index + 1), item));
                layer(reading, item, materials)
            })
            .collect();
        all(found)
    });
    Some((area?, emissivity?, layers?))
}

fn layer(reading: &mut Reading<'_>, node: &Node, materials: Option<&[Material]>) -> Option<Layer> {
    let what = "a layer";
    let fields = reading.fields(node, what, &["material", "thickness", "nodes"])?;
    let material = reading.require(&fields, "material", what, "insulating brick").and_then(|node| {
        let name = reading.name(node, "the material of a layer")?;
        let materials = materials?;
        let found = materials.iter().find(|material| material.name == name);
        if found.is_none() {
            let names: Vec<&str> = materials.iter().map(|material| material.name.as_str()).collect();
            let hint = match nearest(&name, names.iter().copied()) {
                Some(near) => format!("did you mean `{near}`?"),
                None => format!("the materials of this file are {}", names.join(", ")),
            };
            reading.mistake(
                DiagnosticKind::UnknownRole,
                node.span,
                format!("there is no material {}", quoted(&name)),
                hint,
            );
        }
        found.cloned()
    });
    let thickness = number(reading, &fields, "thickness", what, "64 mm", &bounds::THICKNESS);
    let nodes = match fields.get("nodes") {
        Some(node) => reading
            .integer(node, "the number of nodes", 1, KilnDescription::MAX_NODES_PER_LAYER as i64)
            .map(|nodes| Some(nodes as usize)),
        None => Some(None),
    };
    let mut layer = Layer { material: material?, thickness: Metres::new(thickness?), nodes: 1 };
    layer.nodes = nodes?.unwrap_or_else(|| layer.most_nodes().clamp(1, USUAL_NODES));
    Some(layer)
}

fn element(reading: &mut Reading<'_>, node: &Node) -> Option<Element> {
    let what = "an element";
    let keys = ["power", "at", "heat capacity", "surface", "emissivity", "resistance rise", "ageing"];
    let fields = reading.fields(node, what, &keys)?;
    let power = number(reading, &fields, "power", what, "4100 W", &bounds::POWER);
    let at = number(reading, &fields, "at", what, "240 V", &bounds::SUPPLY_VOLTAGE);
    let capacity = number(reading, &fields, "heat capacity", what, "800 J/K", &bounds::HEAT_CAPACITY);
    let surface = number(reading, &fields, "surface", what, "0.10 m²", &bounds::AREA);
    let emissivity = number(reading, &fields, "emissivity", what, "0.7", &bounds::EMISSIVITY);
    let rise = number(reading, &fields, "resistance rise", what, "0.000034", &RESISTANCE_RISE);
    let ageing = match fields.get("ageing") {
        Some(node) => quantity_of(reading, node, "`ageing`", &bounds::AGEING),
        None => Some(1.0),
    };
    Some(Element {
        rated: Watts::new(power?),
        rated_at: Volts::new(at?),
        heat_capacity: JoulesPerKelvin::new(capacity?),
        surface: SquareMetres::new(surface?),
        emissivity: emissivity?,
        resistance_rise_per_celsius: rise?,
        ageing: ageing?,
    })
}

fn load(reading: &mut Reading<'_>, node: &Node) -> Option<Load> {
    let what = "a load";
    let fields = reading.fields(node, what, &["mass", "specific heat", "surface", "emissivity"])?;
    let mass = number(reading, &fields, "mass", what, "12 kg", &bounds::MASS);
    let specific_heat =
        reading.require(&fields, "specific heat", what, "1000 J/kgK").and_then(|node| specific_heat(reading, node));
    let surface = number(reading, &fields, "surface", what, "0.4 m²", &bounds::AREA);
    let emissivity = number(reading, &fields, "emissivity", what, "0.85", &bounds::EMISSIVITY);
    Some(Load {
        mass: Kilograms::new(mass?),
        specific_heat: specific_heat?,
        surface: SquareMetres::new(surface?),
        emissivity: emissivity?,
    })
}

fn couplings<'n>(
    reading: &mut Reading<'_>,
    node: &'n Node,
    zones: Option<&[&str]>,
    parts: &mut Parts<'n>,
) -> Option<Vec<ZoneCoupling>> {
    let items = reading.items(node, "the list of couplings")?;
    let found: Vec<Option<(usize, ZoneCoupling)>> = items
        .iter()
        .enumerate()
        .map(|(index, item)| {
            let what = "a coupling";
            parts.push((format!("coupling {}", index + 1), item));
            let fields = reading.fields(item, what, &["between", "radiating area", "conductance"])?;
            let place = reading
                .require(&fields, "between", what, "[top, middle]")
                .and_then(|node| between(reading, node, zones));
            let area = number(reading, &fields, "radiating area", what, "0.12 m²", &RADIATING_AREA);
            let conductance = number(reading, &fields, "conductance", what, "1 W/K", &bounds::CONDUCTANCE);
            let coupling = ZoneCoupling {
                radiating_area: SquareMetres::new(area?),
                conductance: WattsPerKelvin::new(conductance?),
            };
            Some((place?, coupling))
        })
        .collect();
    let found = all(found)?;
    let mut ordered = Vec::new();
    for place in 0..zones?.len().saturating_sub(1) {
        let mut here = found.iter().enumerate().filter(|(_, (at, _))| *at == place);
        match (here.next(), here.next()) {
            (Some((_, (_, coupling))), None) => ordered.push(*coupling),
            (Some(_), Some((index, _))) => {
                reading.mistake_in(
                    DiagnosticKind::DuplicateName,
                    &items[index],
                    "these two zones are coupled a second time",
                    "each pair of neighbours has one coupling".to_owned(),
                );
                return None;
            }
            (None, _) => {
                let names = zones?;
                reading.mistake_in(
                    DiagnosticKind::MissingKey,
                    node,
                    format!("no coupling joins {} and {}", quoted(names[place]), quoted(names[place + 1])),
                    format!(
                        "add `{{ between: [{}, {}], radiating area: 0.12 m², conductance: 1 W/K }}`",
                        names[place],
                        names[place + 1]
                    ),
                );
                return None;
            }
        }
    }
    Some(ordered)
}

/// Index of the upper of two neighbouring zones.
fn between(reading: &mut Reading<'_>, node: &Node, zones: Option<&[&str]>) -> Option<usize> {
    let items = reading.items(node, "`between`")?;
    let [upper, lower] = items else {
        reading.mistake_in(
            DiagnosticKind::WrongShape,
            node,
            "`between` names two zones",
            "for example `between: [top, middle]`".to_owned(),
        );
        return None;
    };
    let (upper_index, lower_index) = (zone_index(reading, upper, zones), zone_index(reading, lower, zones));
    let (upper_index, lower_index) = (upper_index?, lower_index?);
    if lower_index != upper_index + 1 {
        reading.mistake(
            DiagnosticKind::Contradiction,
            lower.span,
            "the second zone is not the one below the first",
            "zones are listed from the top down, and each is coupled with the next".to_owned(),
        );
        return None;
    }
    Some(upper_index)
}

fn zone_index(reading: &mut Reading<'_>, node: &Node, zones: Option<&[&str]>) -> Option<usize> {
    let name = zone_name(reading, node)?;
    let zones = zones?;
    let found = zones.iter().position(|zone| *zone == name.value);
    if found.is_none() {
        let hint = match nearest(&name.value, zones.iter().copied()) {
            Some(near) => format!("did you mean `{near}`?"),
            None => format!("the zones of this kiln are {}", zones.join(", ")),
        };
        reading.mistake(
            DiagnosticKind::UnknownRole,
            node.span,
            format!("there is no zone {}", quoted(&name.value)),
            hint,
        );
    }
    found
}

fn lid<'n>(reading: &mut Reading<'_>, node: &'n Node, zones: Option<&[&str]>, parts: &mut Parts<'n>) -> Option<Lid> {
    let what = "a lid";
    parts.push(("lid".to_owned(), node));
    let fields = reading.fields(node, what, &["zone", "open area", "open loss"])?;
    let zone = reading.require(&fields, "zone", what, "top").and_then(|node| zone_index(reading, node, zones));
    let area = number(reading, &fields, "open area", what, "0.28 m²", &bounds::AREA);
    let loss = number(reading, &fields, "open loss", what, "4 W/K", &bounds::CONDUCTANCE);
    Some(Lid { zone: zone?, open_area: SquareMetres::new(area?), open_loss: WattsPerKelvin::new(loss?) })
}

fn outside(reading: &mut Reading<'_>, node: &Node) -> Option<Outside> {
    let what = "`outside`";
    let fields = reading.fields(node, what, &["convection", "emissivity"])?;
    let convection = number(reading, &fields, "convection", what, "6 W/m²K", &bounds::HEAT_TRANSFER);
    let emissivity = number(reading, &fields, "emissivity", what, "0.9", &bounds::EMISSIVITY);
    Some(Outside { convection: WattsPerSquareMetreKelvin::new(convection?), emissivity: emissivity? })
}

fn limits(reading: &mut Reading<'_>, node: &Node) -> Option<Limits> {
    let what = "`limits`";
    let fields = reading.fields(node, what, &["element", "brick", "programmed top"])?;
    let limit = |reading: &mut Reading<'_>, key: &str, example: &str| {
        number(reading, &fields, key, what, example, &bounds::TEMPERATURE).map(Celsius::new)
    };
    let element = limit(reading, "element", "1400 °C");
    let brick = limit(reading, "brick", "1350 °C");
    let top = limit(reading, "programmed top", "1300 °C");
    Some(Limits { element: element?, brick: brick?, programmed_top: top? })
}

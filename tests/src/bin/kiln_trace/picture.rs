//! The picture of `docs/kiln-model.md`: a firing in the model, and beside it the
//! model against two closed forms. Three panels, one below the other.

use std::fmt::Write;

use dryfire_kiln::{
    Circuit, Conductivity, Element, Kiln, KilnDescription, Layer, Limits, Load, Material, Outside, Probe, SpecificHeat,
    StartProfile, StartState, SupplySystem, Zone,
};
use dryfire_units::{
    Celsius, JoulesPerKelvin, JoulesPerKilogramKelvin, Kilograms, KilogramsPerCubicMetre, Metres, RigTime, Seconds,
    SquareMetres, Volts, Watts, WattsPerKelvin, WattsPerMetreKelvin, WattsPerSquareMetreKelvin,
};

use crate::firing::{AMBIENT, Firing};

const WIDTH: f64 = 860.0;
const LEFT: f64 = 70.0;
const RIGHT: f64 = 150.0;
const PANEL: f64 = 230.0;
const GAP: f64 = 80.0;
const TOP: f64 = 44.0;

/// Line colours; differ in lightness too, for print without colour.
const COLOURS: [&str; 4] = ["#a3341c", "#d98a2b", "#2a6f97", "#5c5c5c"];

/// One curve.
struct Curve {
    name: String,
    colour: &'static str,
    /// Dots instead of a line.
    dots: bool,
    points: Vec<(f64, f64)>,
}

impl Curve {
    fn line(name: &str, colour: &'static str, points: Vec<(f64, f64)>) -> Self {
        Curve { name: name.to_owned(), colour, dots: false, points }
    }

    fn dots(name: &str, colour: &'static str, points: Vec<(f64, f64)>) -> Self {
        Curve { name: name.to_owned(), colour, dots: true, points }
    }
}

/// Axes and curves of one panel.
struct Panel {
    title: String,
    across: &'static str,
    up: &'static str,
    width: f64,
    step_across: f64,
    height: f64,
    step_up: f64,
    curves: Vec<Curve>,
}

/// Draws it as SVG.
pub(crate) fn draw(kiln: &KilnDescription, file: &str) -> String {
    let panels = [firing(kiln), lump(), thick_wall()];
    let height = TOP + panels.len() as f64 * (PANEL + GAP);
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {height}\" width=\"{WIDTH}\" height=\"{height}\" \
         font-family=\"sans-serif\" font-size=\"13\">\n<title>The kiln model beside closed forms</title>\n<desc>Drawn by: kiln_trace --svg {file}</desc>\n\
         <rect width=\"100%\" height=\"100%\" fill=\"#ffffff\"/>\n"
    );
    for (index, panel) in panels.iter().enumerate() {
        panel.draw(&mut svg, TOP + index as f64 * (PANEL + GAP));
    }
    svg.push_str("</svg>\n");
    svg
}

impl Panel {
    fn draw(&self, svg: &mut String, top: f64) {
        let (left, right, bottom) = (LEFT, WIDTH - RIGHT, top + PANEL);
        let x = |value: f64| left + value / self.width * (right - left);
        let y = |value: f64| bottom - value / self.height * PANEL;
        let text = |svg: &mut String, at: (f64, f64), more: &str, words: &str| {
            let _ = writeln!(svg, "<text x=\"{:.1}\" y=\"{:.1}\" {more}>{words}</text>", at.0, at.1);
        };
        text(svg, (left, top - 14.0), "font-weight=\"bold\"", &self.title);
        let mut tick = 0.0;
        while tick <= self.height + 1e-9 {
            let at = y(tick);
            let _ = writeln!(svg, "<path d=\"M{left:.1} {at:.1}H{right:.1}\" stroke=\"#dddddd\"/>");
            text(svg, (left - 8.0, at + 4.5), "text-anchor=\"end\"", &format!("{tick}"));
            tick += self.step_up;
        }
        let mut tick = 0.0;
        while tick <= self.width + 1e-9 {
            let at = x(tick);
            let _ = writeln!(svg, "<path d=\"M{at:.1} {bottom:.1}v5\" stroke=\"#444444\"/>");
            text(svg, (at, bottom + 19.0), "text-anchor=\"middle\"", &format!("{tick}"));
            tick += self.step_across;
        }
        let _ =
            writeln!(svg, "<path d=\"M{left:.1} {top:.1}V{bottom:.1}H{right:.1}\" fill=\"none\" stroke=\"#444444\"/>");
        text(svg, (right, bottom + 37.0), "text-anchor=\"end\"", self.across);
        text(svg, (left - 8.0, top - 14.0), "text-anchor=\"end\"", self.up);
        // Names stand where their curves end; apart, in the order of the ends.
        let mut names: Vec<(f64, &Curve)> = self
            .curves
            .iter()
            .map(|curve| (curve.points.last().map_or(bottom, |(_, value)| y(*value)), curve))
            .collect();
        names.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut lowest = f64::NEG_INFINITY;
        let mut places: Vec<f64> = Vec::new();
        for (wanted, _) in &names {
            lowest = wanted.max(lowest + 16.0);
            places.push(lowest);
        }
        let over = (lowest - bottom).max(0.0);
        for (curve, points) in self.curves.iter().map(|curve| (curve, &curve.points)) {
            if curve.dots {
                for (across, up) in points {
                    let _ = writeln!(
                        svg,
                        "<circle cx=\"{:.1}\" cy=\"{:.1}\" r=\"3.5\" fill=\"none\" stroke=\"{}\" stroke-width=\"1.5\"/>",
                        x(*across),
                        y(*up),
                        curve.colour
                    );
                }
                continue;
            }
            let mut path = String::new();
            for (index, (across, up)) in points.iter().enumerate() {
                let _ = write!(path, "{}{:.1} {:.1}", if index == 0 { 'M' } else { 'L' }, x(*across), y(*up));
            }
            let _ =
                writeln!(svg, "<path d=\"{path}\" fill=\"none\" stroke=\"{}\" stroke-width=\"1.8\"/>", curve.colour);
        }
        for ((_, curve), place) in names.iter().zip(&places) {
            let more = format!("fill=\"{}\"", curve.colour);
            text(svg, (right + 8.0, place - over + 4.5), &more, &curve.name);
        }
    }
}

/// Firing and cooling of the kiln.
fn firing(kiln: &KilnDescription) -> Panel {
    let firing = Firing::of(kiln).swap_remove(0);
    let trace = firing.run();
    let hours = |seconds: i64| seconds as f64 / 3600.0;
    // A point every five minutes or so; the switching is finer than a line's width.
    let samples: Vec<_> = trace.samples.iter().step_by(18).collect();
    let mut curves: Vec<Curve> = kiln
        .zones
        .iter()
        .zip(COLOURS)
        .enumerate()
        .map(|(index, (zone, colour))| {
            let points = samples.iter().map(|(s, zones)| (hours(*s), zones[index].chamber)).collect();
            Curve::line(&zone.name, colour, points)
        })
        .collect();
    let outer = samples.iter().map(|(s, zones)| (hours(*s), zones[0].outer_face)).collect();
    curves.push(Curve::line("outer face", COLOURS[3], outer));
    Panel {
        title: format!("Firing and cooling of {} in the model; the lid is opened below 250 °C", kiln.name),
        across: "hours",
        up: "°C",
        width: (firing.length / 3600.0).round(),
        step_across: 4.0,
        height: 1400.0,
        step_up: 200.0,
        curves,
    }
}

/// 3000 W into 20 000 J/K that loses 10 W/K, and cooling without power: the exponential of a lumped body.
fn lump() -> Panel {
    let wall = Layer { material: material(20.0, 0.01, 100.0), thickness: Metres::new(0.1), nodes: 1 };
    let mut kiln = plain(1e-4, vec![wall], 3000.0);
    let zone = &mut kiln.zones[0];
    zone.air_leak = WattsPerKelvin::new(10.0);
    zone.element.surface = SquareMetres::new(50.0);
    zone.inner_convection = WattsPerSquareMetreKelvin::new(500.0);
    zone.load = Some(Load {
        mass: Kilograms::new(20.0),
        specific_heat: constant_heat(1000.0),
        surface: SquareMetres::new(50.0),
        emissivity: 0.9,
    });
    let mut running = start(&kiln, AMBIENT);
    let (tau, off_at) = (2000.0, 5000.0);
    // The element's own 10 J/K come to the load's.
    let tau = tau * 20_010.0 / 20_000.0;
    let _ = running.set_relay(RigTime::ZERO, 0, true);
    let mut found = Vec::new();
    for minute in 0..=200 {
        let seconds = f64::from(minute) * 60.0;
        let at = RigTime::from_micros((seconds * 1e6) as i64);
        if seconds > off_at && running.heat_on(0) {
            let _ = running.set_relay(RigTime::from_micros((off_at * 1e6) as i64), 0, false);
        }
        running.advance_to(at);
        found.push((seconds / 60.0, running.load_temperature(0).map_or(0.0, Celsius::value)));
    }
    let rise = |seconds: f64| 300.0 * (1.0 - (-seconds / tau).exp());
    let exact = (0..=40).map(|step| {
        let seconds = f64::from(step) * 300.0;
        let over = if seconds <= off_at { rise(seconds) } else { rise(off_at) * ((off_at - seconds) / tau).exp() };
        (seconds / 60.0, AMBIENT + over)
    });
    Panel {
        title: "A lump of 20 kJ/K losing 10 W/K: 3 kW for 83 min, then none".to_owned(),
        across: "minutes",
        up: "°C",
        width: 200.0,
        step_across: 20.0,
        height: 350.0,
        step_up: 50.0,
        curves: vec![Curve::dots("exponential", COLOURS[2], exact.collect()), Curve::line("model", COLOURS[0], found)],
    }
}

/// A thick wall under 5000 W/m²: the face rises with the root of time (Carslaw and Jaeger, chapter 2).
fn thick_wall() -> Panel {
    let brick = material(600.0, 0.25, 1050.0);
    let layer = |metres: f64, nodes: usize| Layer { material: brick.clone(), thickness: Metres::new(metres), nodes };
    let kiln = plain(1.0, vec![layer(0.048, 30), layer(0.302, 60)], 5000.0);
    let mut running = start(&kiln, AMBIENT);
    let _ = running.set_relay(RigTime::ZERO, 0, true);
    let mut found = Vec::new();
    for step in 0..=240 {
        let seconds = f64::from(step) * 15.0;
        running.advance_to(RigTime::from_micros((seconds * 1e6) as i64));
        found.push((seconds / 60.0, running.hot_face_temperature(0).value()));
    }
    let exact = (0..=20).map(|step| {
        let seconds = f64::from(step) * 180.0;
        let diffusivity = 0.25 / (600.0 * 1050.0);
        (seconds / 60.0, AMBIENT + 2.0 * 5000.0 / 0.25 * (diffusivity * seconds / std::f64::consts::PI).sqrt())
    });
    Panel {
        title: "Hot face of a thick brick wall under 5 kW/m²".to_owned(),
        across: "minutes",
        up: "°C",
        width: 60.0,
        step_across: 10.0,
        height: 1000.0,
        step_up: 200.0,
        curves: vec![Curve::dots("root of time", COLOURS[2], exact.collect()), Curve::line("model", COLOURS[0], found)],
    }
}

fn start(kiln: &KilnDescription, celsius: f64) -> Kiln {
    let start =
        StartState { ambient: Celsius::new(AMBIENT), kiln: Celsius::new(celsius), profile: StartProfile::Uniform };
    Kiln::new(kiln, Circuit::elements_only(1), start).expect("a kiln made here")
}

fn constant_heat(c: f64) -> SpecificHeat {
    SpecificHeat::Linear { at_zero: JoulesPerKilogramKelvin::new(c), slope_per_celsius: 0.0 }
}

fn material(density: f64, conductivity: f64, heat: f64) -> Material {
    Material {
        name: "plain".to_owned(),
        density: KilogramsPerCubicMetre::new(density),
        conductivity: Conductivity::Linear { at_zero: WattsPerMetreKelvin::new(conductivity), slope_per_celsius: 0.0 },
        specific_heat: constant_heat(heat),
    }
}

/// One zone with the least element of a power, no load, no leak.
fn plain(area: f64, layers: Vec<Layer>, watts: f64) -> KilnDescription {
    KilnDescription {
        name: "plain".to_owned(),
        supply: Volts::new(240.0),
        system: SupplySystem::default(),
        zones: vec![Zone {
            name: "only".to_owned(),
            wall_area: SquareMetres::new(area),
            wall_emissivity: 0.999,
            layers,
            element: Element {
                rated: Watts::new(watts),
                rated_at: Volts::new(240.0),
                heat_capacity: JoulesPerKelvin::new(10.0),
                surface: SquareMetres::new(1.0),
                emissivity: 0.999,
                resistance_rise_per_celsius: 0.0,
                ageing: 1.0,
            },
            load: None,
            air_leak: WattsPerKelvin::new(0.0),
            inner_convection: WattsPerSquareMetreKelvin::new(0.0),
            probe: Probe { time_constant: Seconds::new(30.0) },
        }],
        couplings: Vec::new(),
        lid: None,
        outside: Outside { convection: WattsPerSquareMetreKelvin::new(5.0), emissivity: 0.9 },
        limits: Limits {
            element: Celsius::new(1400.0),
            brick: Celsius::new(1350.0),
            programmed_top: Celsius::new(1300.0),
        },
    }
}

//! Whole firings in the model, with every switching and lid movement written down.

use dryfire_kiln::{Circuit, Kiln, KilnDescription, StartState};
use dryfire_units::{Celsius, JoulesPerKelvin, RigTime};
use serde_json::{Value, json};

/// A kiln and how it is fired.
pub(crate) struct Firing {
    /// What it is called.
    pub(crate) name: String,
    /// The kiln.
    pub(crate) kiln: KilnDescription,
    /// Ramp, °C/h.
    pub(crate) ramp: f64,
    /// Where the ramp ends, °C.
    pub(crate) top: f64,
    /// How long it is held there, s.
    pub(crate) hold: f64,
    /// Length of firing and cooling together, s.
    pub(crate) length: f64,
}

/// Air around the kiln and where everything starts, °C.
pub(crate) const AMBIENT: f64 = 20.0;
/// Relays switch by time proportioning in windows of this length.
const WINDOW_MICROS: i64 = 30_000_000;
/// Below this a potter cracks the lid, °C.
const LID_BELOW: f64 = 250.0;
/// Every so often the state is written down, s; prime to the window, so that all of its parts are seen.
const SAMPLE: i64 = 17;

/// One thing that happens to the kiln.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Edge {
    /// A zone's relay switches.
    Relay { zone: usize, closed: bool },
    /// The lid moves.
    Lid { open: bool },
}

/// State of one zone at a sample, °C.
#[derive(Clone, Debug)]
pub(crate) struct ZoneSample {
    /// Chamber.
    pub(crate) chamber: f64,
    probe: f64,
    element: f64,
    load: Option<f64>,
    hot_face: f64,
    /// Outer face of the wall.
    pub(crate) outer_face: f64,
    wall: Vec<f64>,
}

/// A firing that has been run.
pub(crate) struct Trace {
    /// What happened, in order; µs.
    pub(crate) edges: Vec<(i64, Edge)>,
    /// In order; s.
    pub(crate) samples: Vec<(i64, Vec<ZoneSample>)>,
    electrical: f64,
    lost: f64,
    stored: f64,
}

impl Firing {
    /// Firings that suit a kiln file: as described, and for a fibre lining also empty and with thin elements.
    pub(crate) fn of(kiln: &KilnDescription) -> Vec<Firing> {
        let fibre_only = kiln.zones.iter().all(|zone| zone.layers.iter().all(|l| l.material.density.value() < 300.0));
        // Eight hours or a day, in whole samples.
        let (ramp, samples) = if fibre_only { (600.0, 1700) } else { (200.0, 5082) };
        let firing = |name: String, kiln: KilnDescription| {
            let top = kiln.limits.programmed_top.value() - 20.0;
            Firing { name, kiln, ramp, top, hold: 1800.0, length: (samples * SAMPLE) as f64 }
        };
        let mut all = vec![firing(kiln.name.clone(), kiln.clone())];
        if fibre_only {
            let mut empty = kiln.clone();
            empty.zones.iter_mut().for_each(|zone| zone.load = None);
            let mut light = empty.clone();
            light.zones.iter_mut().for_each(|zone| zone.element.heat_capacity = JoulesPerKelvin::new(60.0));
            all.push(firing(format!("{}, empty", kiln.name), empty));
            all.push(firing(format!("{}, empty, elements of 60 J/K", kiln.name), light));
        }
        all
    }

    /// Fires and cools. Each zone's duty follows its probe in proportion; what
    /// it switches is what is written down, so that others can replay it.
    pub(crate) fn run(&self) -> Trace {
        let zones = self.kiln.zones.len();
        let start = StartState::cold(Celsius::new(AMBIENT));
        let mut kiln =
            Kiln::new(&self.kiln, Circuit::elements_only(zones), start).expect("a kiln file that was checked");
        let mut trace = Trace { edges: Vec::new(), samples: Vec::new(), electrical: 0.0, lost: 0.0, stored: 0.0 };
        trace.sample(&kiln, 0);
        // What each zone's relay does next: when, and whether it closes.
        let mut next: Vec<(i64, bool)> = (0..zones).map(|zone| (137_000 + 6_310_527 * zone as i64, true)).collect();
        let mut closed = vec![false; zones];
        let mut top_reached: Option<i64> = None;
        let length = (self.length * 1e6) as i64;
        let mut sampled = 0;
        while sampled * 1_000_000 < length {
            let due = next.iter().map(|(at, _)| *at).min().unwrap_or(i64::MAX);
            let sample = (sampled + SAMPLE) * 1_000_000;
            if sample <= due {
                sampled += SAMPLE;
                kiln.advance_to(RigTime::from_micros(sample));
                trace.sample(&kiln, sampled);
                if self.kiln.lid.is_some()
                    && !kiln.lid_open()
                    && top_reached.is_some()
                    && kiln.hottest().value() < LID_BELOW
                {
                    kiln.set_lid(RigTime::from_micros(sample), true).expect("it has a lid");
                    trace.edges.push((sample, Edge::Lid { open: true }));
                }
                continue;
            }
            let zone = next.iter().position(|(at, _)| *at == due).unwrap_or(0);
            kiln.advance_to(RigTime::from_micros(due));
            let seconds = due as f64 / 1e6;
            let aim = (AMBIENT + self.ramp / 3600.0 * seconds).min(self.top);
            if aim == self.top {
                top_reached = top_reached.or(Some(due));
            }
            let over = top_reached.is_some_and(|at| due - at > (self.hold * 1e6) as i64);
            let begins = next[zone].1;
            let duty = if over { 0.0 } else { ((aim - kiln.probe_temperature(zone).value()) / 15.0).clamp(0.0, 1.0) };
            let on_for = (duty * WINDOW_MICROS as f64) as i64;
            // Shorter pulses than half a second are not given, nor gaps.
            let (now_closed, then) = match (begins, on_for) {
                (true, on_for) if on_for < 500_000 => (false, (due + WINDOW_MICROS, true)),
                (true, on_for) if on_for > WINDOW_MICROS - 500_000 => (true, (due + WINDOW_MICROS, true)),
                (true, on_for) => (true, (due + on_for, false)),
                (false, _) => (false, (self.next_window(due, zone), true)),
            };
            next[zone] = then;
            if now_closed != closed[zone] {
                closed[zone] = now_closed;
                kiln.set_relay(RigTime::from_micros(due), zone, now_closed).expect("in order");
                trace.edges.push((due, Edge::Relay { zone, closed: now_closed }));
            }
        }
        trace.electrical = kiln.electrical_energy().value();
        trace.lost = kiln.lost_energy().value();
        trace.stored = kiln.stored_energy().value();
        trace
    }

    /// When a zone's next window begins.
    fn next_window(&self, after: i64, zone: usize) -> i64 {
        let phase = 137_000 + 6_310_527 * zone as i64;
        phase + ((after - phase).div_euclid(WINDOW_MICROS) + 1) * WINDOW_MICROS
    }

    /// Runs all recorded edges again: nothing but the model, to be timed.
    pub(crate) fn replay(&self, trace: &Trace) -> f64 {
        let start = StartState::cold(Celsius::new(AMBIENT));
        let circuit = Circuit::elements_only(self.kiln.zones.len());
        let mut kiln = Kiln::new(&self.kiln, circuit, start).expect("a kiln file that was checked");
        for &(micros, edge) in &trace.edges {
            let at = RigTime::from_micros(micros);
            match edge {
                Edge::Relay { zone, closed } => kiln.set_relay(at, zone, closed),
                Edge::Lid { open } => kiln.set_lid(at, open),
            }
            .expect("in order");
        }
        kiln.advance_to(RigTime::from_micros((self.length * 1e6) as i64));
        kiln.hottest().value()
    }
}

impl Trace {
    fn sample(&mut self, kiln: &Kiln, seconds: i64) {
        let zones = (0..kiln.zones()).map(|zone| ZoneSample {
            chamber: kiln.zone_temperature(zone).value(),
            probe: kiln.probe_temperature(zone).value(),
            element: kiln.element_temperature(zone).value(),
            load: kiln.load_temperature(zone).map(Celsius::value),
            hot_face: kiln.hot_face_temperature(zone).value(),
            outer_face: kiln.outer_face_temperature(zone).value(),
            wall: kiln.wall_temperatures(zone).map(Celsius::value).collect(),
        });
        self.samples.push((seconds, zones.collect()));
    }

    /// The firing as JSON: parameters of the equations, what happened, what the model found.
    pub(crate) fn to_json(&self, firing: &Firing, model_seconds: f64) -> Value {
        let edges = self.edges.iter().map(|(micros, edge)| match edge {
            Edge::Relay { zone, closed } => json!({ "at_us": micros, "zone": zone, "closed": closed }),
            Edge::Lid { open } => json!({ "at_us": micros, "lid_open": open }),
        });
        let samples = self.samples.iter().map(|(seconds, zones)| {
            let zones = zones.iter().map(|zone| {
                json!({
                    "chamber": zone.chamber, "probe": zone.probe, "element": zone.element, "load": zone.load,
                    "hot_face": zone.hot_face, "outer_face": zone.outer_face, "wall": zone.wall,
                })
            });
            json!({ "s": seconds, "zones": zones.collect::<Vec<_>>() })
        });
        json!({
            "name": firing.name,
            "ambient": AMBIENT,
            "length_s": firing.length,
            "kiln": crate::parameters::of(&firing.kiln),
            "edges": edges.collect::<Vec<_>>(),
            "samples": samples.collect::<Vec<_>>(),
            "joules": { "electrical": self.electrical, "lost": self.lost, "stored": self.stored },
            "model_seconds": model_seconds,
        })
    }
}

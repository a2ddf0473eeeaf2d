//! The same physics, integrated another way: temperatures instead of
//! enthalpies, conductivity at the mean temperature instead of potentials,
//! chamber and faces solved to convergence at every stage, classical
//! Runge–Kutta with small steps. Slow and plain.

use dryfire_kiln::KilnDescription;

const SIGMA: f64 = 5.670_374_419e-8;
const KELVIN: f64 = 273.15;

fn sigma_t4(celsius: f64) -> f64 {
    SIGMA * (celsius + KELVIN).powi(4)
}

/// Temperatures in °C: for each zone the element, the load (if any), then the wall's cells.
#[derive(Clone, Debug)]
pub struct Reference {
    description: KilnDescription,
    ambient: f64,
    pub element: Vec<f64>,
    pub load: Vec<f64>,
    pub wall: Vec<Vec<f64>>,
    pub probe: Vec<f64>,
    pub chamber: Vec<f64>,
}

/// Rates of change, in the order of the state.
struct Rates {
    element: Vec<f64>,
    load: Vec<f64>,
    wall: Vec<Vec<f64>>,
    probe: Vec<f64>,
}

impl Reference {
    pub fn uniform(description: &KilnDescription, ambient: f64, celsius: f64) -> Self {
        let zones = description.zones.len();
        let wall = description.zones.iter().map(|zone| vec![celsius; zone.layers.iter().map(|l| l.nodes).sum()]);
        Reference {
            description: description.clone(),
            ambient,
            element: vec![celsius; zones],
            load: vec![celsius; zones],
            wall: wall.collect(),
            probe: vec![celsius; zones],
            chamber: vec![celsius; zones],
        }
    }

    /// Steps with the given elements on.
    pub fn run(&mut self, seconds: f64, steps: usize, on: &[bool]) {
        let h = seconds / steps as f64;
        for _ in 0..steps {
            let k1 = self.rates(on);
            let k2 = self.moved(&k1, h / 2.0).rates(on);
            let k3 = self.moved(&k2, h / 2.0).rates(on);
            let k4 = self.moved(&k3, h).rates(on);
            for (k, weight) in [(k1, 1.0), (k2, 2.0), (k3, 2.0), (k4, 1.0)] {
                *self = self.moved(&k, h * weight / 6.0);
            }
        }
        self.chamber = self.chambers();
    }

    fn moved(&self, rates: &Rates, h: f64) -> Self {
        let mut next = self.clone();
        let add = |values: &mut Vec<f64>, rates: &Vec<f64>| {
            values.iter_mut().zip(rates).for_each(|(value, rate)| *value += h * rate);
        };
        add(&mut next.element, &rates.element);
        add(&mut next.load, &rates.load);
        add(&mut next.probe, &rates.probe);
        next.wall.iter_mut().zip(&rates.wall).for_each(|(wall, rates)| add(wall, rates));
        next
    }

    /// Hot face of a zone whose chamber is given, by bisection, and the heat into the wall.
    fn hot_face(&self, zone: usize, chamber: f64) -> (f64, f64) {
        let z = &self.description.zones[zone];
        let (area, emissivity) = (z.wall_area.value(), z.wall_emissivity);
        let first = self.wall[zone][0];
        let layer = &z.layers[0];
        let half = layer.thickness.value() / layer.nodes as f64 / 2.0;
        let conducted = |face: f64| area * layer.material.conductivity.at((face + first) / 2.0) / half * (face - first);
        let arriving = |face: f64| {
            area * emissivity / (1.0 - emissivity) * (sigma_t4(chamber) - sigma_t4(face))
                + z.inner_convection.value() * area * (chamber - face)
        };
        let (mut low, mut high) = (chamber.min(first) - 1e-9, chamber.max(first) + 1e-9);
        for _ in 0..50 {
            let middle = (low + high) / 2.0;
            if arriving(middle) > conducted(middle) { low = middle } else { high = middle }
        }
        (high, conducted(high))
    }

    /// Net heat that a zone's chamber would gain at a temperature; zero at the true one.
    fn surplus(&self, zone: usize, chambers: &[f64]) -> f64 {
        let (z, own) = (&self.description.zones[zone], chambers[zone]);
        let body = |t: f64, area: f64, emissivity: f64| {
            emissivity * area * (sigma_t4(t) - sigma_t4(own)) + z.inner_convection.value() * area * (t - own)
        };
        let element = body(self.element[zone], z.element.surface.value(), z.element.emissivity);
        let load = z.load.as_ref().map_or(0.0, |load| body(self.load[zone], load.surface.value(), load.emissivity));
        let neighbours: f64 = self
            .description
            .couplings
            .iter()
            .enumerate()
            .map(|(upper, coupling)| {
                let other = match zone {
                    zone if zone == upper => upper + 1,
                    zone if zone == upper + 1 => upper,
                    _ => return 0.0,
                };
                coupling.radiating_area.value() * (sigma_t4(chambers[other]) - sigma_t4(own))
                    + coupling.conductance.value() * (chambers[other] - own)
            })
            .sum();
        let leak = z.air_leak.value() * (own - self.ambient);
        element + load + neighbours - leak - self.hot_face(zone, own).1
    }

    /// Chambers by sweeps of bisections until nothing moves.
    fn chambers(&self) -> Vec<f64> {
        let mut chambers = self.chamber.clone();
        for _ in 0..60 {
            let before = chambers.clone();
            for zone in 0..chambers.len() {
                let (mut low, mut high) = (before[zone] - 40.0, before[zone] + 40.0);
                for _ in 0..48 {
                    chambers[zone] = (low + high) / 2.0;
                    if self.surplus(zone, &chambers) > 0.0 { low = chambers[zone] } else { high = chambers[zone] }
                }
            }
            if chambers.iter().zip(&before).all(|(now, then)| (now - then).abs() < 1e-9) {
                break;
            }
        }
        chambers
    }

    fn rates(&mut self, on: &[bool]) -> Rates {
        self.chamber = self.chambers();
        let zones = self.description.zones.len();
        let mut rates =
            Rates { element: vec![0.0; zones], load: vec![0.0; zones], wall: Vec::new(), probe: vec![0.0; zones] };
        for (zone, &on) in on.iter().enumerate() {
            let z = &self.description.zones[zone];
            let own = self.chamber[zone];
            let given = |t: f64, area: f64, emissivity: f64| {
                emissivity * area * (sigma_t4(t) - sigma_t4(own)) + z.inner_convection.value() * area * (t - own)
            };
            let e = &z.element;
            let resistance = 1.0 + e.resistance_rise_per_celsius * (self.element[zone] - 20.0);
            let power = if on { e.rated.value() / (e.ageing * resistance) } else { 0.0 };
            rates.element[zone] =
                (power - given(self.element[zone], e.surface.value(), e.emissivity)) / e.heat_capacity.value();
            if let Some(load) = &z.load {
                let t = self.load[zone];
                rates.load[zone] =
                    -given(t, load.surface.value(), load.emissivity) / (load.mass.value() * load.specific_heat.at(t));
            }
            rates.probe[zone] = (own - self.probe[zone]) / z.probe.time_constant.value();
            rates.wall.push(self.wall_rates(zone));
        }
        rates
    }

    fn wall_rates(&self, zone: usize) -> Vec<f64> {
        let z = &self.description.zones[zone];
        let wall = &self.wall[zone];
        let cells: Vec<_> = z
            .layers
            .iter()
            .flat_map(|layer| {
                (0..layer.nodes).map(move |_| (&layer.material, layer.thickness.value() / layer.nodes as f64))
            })
            .collect();
        // Fluxes through the hot face, between cells, and through the outer face.
        let mut flux = vec![self.hot_face(zone, self.chamber[zone]).1 / z.wall_area.value()];
        for cell in 0..cells.len() - 1 {
            let ((hot, dx_hot), (cold, dx_cold)) = (cells[cell], cells[cell + 1]);
            let (t_hot, t_cold) = (wall[cell], wall[cell + 1]);
            // Temperature between them, by a few rounds of fixed point.
            let mut between = (t_hot + t_cold) / 2.0;
            let mut through = 0.0;
            for _ in 0..6 {
                let g_hot = hot.conductivity.at((t_hot + between) / 2.0) / (dx_hot / 2.0);
                let g_cold = cold.conductivity.at((t_cold + between) / 2.0) / (dx_cold / 2.0);
                between = (g_hot * t_hot + g_cold * t_cold) / (g_hot + g_cold);
                through = g_hot * (t_hot - between);
            }
            flux.push(through);
        }
        let (last, dx) = cells[cells.len() - 1];
        let (inner, outside) = (wall[cells.len() - 1], &self.description.outside);
        let (mut low, mut high) = (self.ambient - 1.0, inner + 1.0);
        let arriving = |face: f64| last.conductivity.at((face + inner) / 2.0) / (dx / 2.0) * (inner - face);
        for _ in 0..50 {
            let face = (low + high) / 2.0;
            let lost = outside.convection.value() * (face - self.ambient)
                + outside.emissivity * (sigma_t4(face) - sigma_t4(self.ambient));
            if arriving(face) > lost { low = face } else { high = face }
        }
        flux.push(arriving(high));
        let capacity = |cell: usize| {
            let (material, dx) = cells[cell];
            material.density.value() * material.specific_heat.at(wall[cell]) * dx
        };
        (0..cells.len()).map(|cell| (flux[cell] - flux[cell + 1]) / capacity(cell)).collect()
    }
}

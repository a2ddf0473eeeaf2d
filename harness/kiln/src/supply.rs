//! The kiln's supply: its legs, and what voltage each element is left with when
//! one of them is lost.

use crate::model::Supply;

/// How the kiln is fed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum SupplySystem {
    /// One leg and neutral.
    #[default]
    SinglePhase,
    /// Two legs in opposition and the neutral half-way between them.
    SplitPhase,
    /// Three phases, elements between two of them each.
    Delta,
    /// Three phases, elements from each to a common point.
    Star {
        /// Whether the common point is connected to neutral.
        neutral: bool,
    },
}

impl SupplySystem {
    /// Number of its legs.
    pub fn legs(self) -> usize {
        match self {
            SupplySystem::SinglePhase => 1,
            SupplySystem::SplitPhase => 2,
            SupplySystem::Delta | SupplySystem::Star { .. } => 3,
        }
    }

    /// Whether an element can be connected to that conductor.
    pub fn has(self, conductor: Conductor) -> bool {
        match conductor {
            Conductor::Leg(leg) => leg < self.legs(),
            Conductor::Neutral => self != SupplySystem::Delta,
        }
    }

    /// The conductors between which a zone's element lies if nothing else is
    /// said: zones take the phases by turns.
    pub fn usual_ends(self, zone: usize) -> [Conductor; 2] {
        match self {
            SupplySystem::SinglePhase => [Conductor::Leg(0), Conductor::Neutral],
            SupplySystem::SplitPhase => [Conductor::Leg(0), Conductor::Leg(1)],
            SupplySystem::Delta => [Conductor::Leg(zone % 3), Conductor::Leg((zone + 1) % 3)],
            SupplySystem::Star { .. } => [Conductor::Leg(zone % 3), Conductor::Neutral],
        }
    }

    /// The complex voltage of a conductor that is there. `volts` lies between two
    /// legs, with one leg only between it and neutral.
    fn voltage(self, conductor: Conductor, volts: f64) -> [f64; 2] {
        /// Half the square root of three.
        const HALF_ROOT_THREE: f64 = 0.866_025_403_784_438_6;
        match (self, conductor) {
            (_, Conductor::Neutral) => [0.0, 0.0],
            (SupplySystem::SinglePhase, Conductor::Leg(_)) => [volts, 0.0],
            (SupplySystem::SplitPhase, Conductor::Leg(leg)) => [if leg == 0 { volts / 2.0 } else { -volts / 2.0 }, 0.0],
            (_, Conductor::Leg(leg)) => {
                let phase = volts / (2.0 * HALF_ROOT_THREE);
                match leg {
                    0 => [phase, 0.0],
                    1 => [-phase / 2.0, -phase * HALF_ROOT_THREE],
                    _ => [-phase / 2.0, phase * HALF_ROOT_THREE],
                }
            }
        }
    }

    /// Whether nothing holds the conductor at a voltage even in a sound supply.
    fn floats(self, conductor: Conductor) -> bool {
        conductor == Conductor::Neutral && !self.has_neutral()
    }

    /// Whether a neutral comes with the legs; the common point of a star without one is none.
    pub fn has_neutral(self) -> bool {
        !matches!(self, SupplySystem::Delta | SupplySystem::Star { neutral: false })
    }
}

/// One of the wires that feed a kiln.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Conductor {
    /// A leg or phase, from 0.
    Leg(usize),
    /// Neutral; of a star without neutral its common point.
    Neutral,
}

impl Conductor {
    const COUNT: usize = 4;

    fn index(self) -> usize {
        match self {
            Conductor::Leg(leg) => leg.min(2),
            Conductor::Neutral => 3,
        }
    }
}

/// One element as the supply sees it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Branch {
    /// Between which conductors it lies.
    pub(crate) ends: [Conductor; 2],
    /// Its conductance when cold, in siemens.
    pub(crate) conductance: f64,
    /// Share of full power that its path lets through.
    pub(crate) share: f64,
}

/// The supply and which of its legs are there.
#[derive(Clone, Debug)]
pub(crate) struct Legs {
    system: SupplySystem,
    present: [bool; 3],
    neutral: bool,
    /// The supply's voltage for which the elements' voltages were last worked out, if nothing floated then.
    sound_at: Option<f64>,
}

impl Legs {
    pub(crate) fn of(system: SupplySystem) -> Self {
        Legs { system, present: [true; 3], neutral: true, sound_at: None }
    }

    pub(crate) fn count(&self) -> usize {
        self.system.legs()
    }

    pub(crate) fn is_present(&self, leg: usize) -> bool {
        self.present[leg]
    }

    pub(crate) fn set(&mut self, leg: usize, present: bool) {
        self.present[leg] = present;
    }

    pub(crate) fn has_neutral(&self) -> bool {
        self.system.has_neutral()
    }

    pub(crate) fn is_neutral_present(&self) -> bool {
        self.neutral
    }

    pub(crate) fn set_neutral(&mut self, present: bool) {
        self.neutral = present;
    }

    /// Works out what each element gets, by Kirchhoff's laws: a lost leg, a lost neutral and a
    /// star point without neutral take whatever voltage the elements on them
    /// give. Elements count with their cold resistance; what changes with
    /// temperature changes in all of them nearly alike.
    ///
    /// `supply` has to be what the last call left.
    pub(crate) fn feed(&mut self, volts: f64, branches: &[Branch], supply: &mut [Supply]) {
        let conductors = [Conductor::Leg(0), Conductor::Leg(1), Conductor::Leg(2), Conductor::Neutral];
        let floating = conductors.map(|conductor| match conductor {
            Conductor::Leg(leg) => !self.present[leg],
            Conductor::Neutral => !self.neutral || self.system.floats(conductor),
        });
        let sound = !floating.contains(&true);
        if sound && self.sound_at == Some(volts) {
            // What relays do changes voltages only where something floats.
            for (branch, supply) in branches.iter().zip(supply) {
                supply.share = branch.share;
            }
            return;
        }
        self.sound_at = sound.then_some(volts);
        let mut node = conductors.map(|conductor| self.system.voltage(conductor, volts));
        if !sound {
            solve(&floating, &mut node, branches);
        }
        for (branch, supply) in branches.iter().zip(supply) {
            let [from, to] = branch.ends.map(|end| node[end.index()]);
            let (re, im) = (from[0] - to[0], from[1] - to[1]);
            let across = libm::sqrt(re * re + im * im);
            // Below a millionth it is rounding: nothing flows.
            let across = if across > volts * 1e-6 { across } else { 0.0 };
            *supply = Supply { volts: across, share: branch.share };
        }
    }
}

/// Voltages of the floating nodes, by Gaussian elimination of the node equations.
fn solve(floating: &[bool; Conductor::COUNT], node: &mut [[f64; 2]; Conductor::COUNT], branches: &[Branch]) {
    const N: usize = Conductor::COUNT;
    // One row for each node: conductances, and two right-hand sides.
    let mut rows = [[0.0_f64; N + 2]; N];
    let total: f64 = branches.iter().map(|branch| branch.conductance).sum();
    for (index, row) in rows.iter_mut().enumerate() {
        if floating[index] {
            // A leak so small that it only decides where nothing else does.
            row[index] = total * 1e-12;
        } else {
            row[index] = 1.0;
            row[N..].copy_from_slice(&node[index]);
        }
    }
    for branch in branches {
        let conducts = branch.conductance * branch.share;
        let [from, to] = branch.ends.map(Conductor::index);
        for (here, there) in [(from, to), (to, from)] {
            if floating[here] {
                rows[here][here] += conducts;
                rows[here][there] -= conducts;
            }
        }
    }
    // Diagonally dominant, so no pivoting is needed.
    for pivot in 0..N {
        let head = rows[pivot];
        for (index, row) in rows.iter_mut().enumerate() {
            if index != pivot && head[pivot] != 0.0 {
                let factor = row[pivot] / head[pivot];
                for (value, head) in row.iter_mut().zip(&head) {
                    *value -= factor * head;
                }
            }
        }
    }
    for (index, row) in rows.iter().enumerate() {
        if row[index] != 0.0 {
            node[index] = [row[N] / row[index], row[N + 1] / row[index]];
        }
    }
}

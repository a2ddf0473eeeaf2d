//! No controller, but wires from a rig's outputs to its inputs: what a self-test looks at.

use dryfire_engine::ProbeSignal;
use dryfire_units::{Disturbance, RigSpan, RigTime};

use crate::world::{World, WorldEvent};

/// From a contact to the input it is wired to (a switch and an optocoupler).
const DELAY: RigSpan = RigSpan::from_micros(350);

/// Wires from contacts and probe channels to inputs. A channel's wire is high while its
/// lead is on the supply and its series switch closed.
#[derive(Clone, Debug, Default)]
pub struct LoopBackWorld {
    contacts: Vec<(u8, u8)>,
    channels: Vec<(u8, u8)>,
    coming: Vec<WorldEvent>,
    /// Inputs that are high, or will be when what is coming has come; one bit each.
    levels: u32,
}

impl LoopBackWorld {
    /// Wires as pairs: contact or channel, input.
    pub fn new(contacts: Vec<(u8, u8)>, channels: Vec<(u8, u8)>) -> Self {
        LoopBackWorld { contacts, channels, coming: Vec::new(), levels: 0 }
    }

    fn drive(&mut self, at: RigTime, input: Option<u8>, high: bool) {
        if let Some(input) = input.filter(|input| *input < 32)
            && (self.levels >> input & 1 != 0) != high
        {
            self.levels ^= 1 << input;
            self.coming.push(WorldEvent::Edge { at: at + DELAY, input, high });
        }
    }
}

fn wired(pairs: &[(u8, u8)], from: u8) -> Option<u8> {
    pairs.iter().find(|(one, _)| *one == from).map(|(_, input)| *input)
}

fn instant(event: &WorldEvent) -> RigTime {
    match event {
        WorldEvent::Edge { at, .. } | WorldEvent::SupplyRail { at, .. } | WorldEvent::Console { at, .. } => *at,
    }
}

impl World for LoopBackWorld {
    fn begin(&mut self, _seed: u64, _ambient_millicelsius: i64) -> Result<(), String> {
        self.coming.clear();
        self.levels = 0;
        Ok(())
    }

    fn run_until(&mut self, until: RigTime, sink: &mut dyn FnMut(WorldEvent)) {
        // Every wire takes as long, so they come as they were driven.
        let due = self.coming.iter().take_while(|event| instant(event) <= until).count();
        self.coming.drain(..due).for_each(sink);
    }

    fn set_probe(&mut self, at: RigTime, channel: u8, signal: ProbeSignal) {
        let input = wired(&self.channels, channel);
        self.drive(at, input, matches!(signal, ProbeSignal::ShortToSupply));
    }

    fn disturb_probe(&mut self, _at: RigTime, _channel: u8, _disturbance: Disturbance) {}

    fn set_contact(&mut self, at: RigTime, output: u8, closed: bool) {
        let input = wired(&self.contacts, output);
        self.drive(at, input, closed);
    }

    fn set_supply(&mut self, at: RigTime, on: bool) {
        self.coming.push(WorldEvent::SupplyRail { at: at + DELAY, on });
    }

    fn console_line(&mut self, _at: RigTime, _line: &str) {}
}

//! Commands of a run on their way to the rig, and questions to the operator.

use dryfire_engine::{Command, CommandKind, ProbeSignal, Trouble};
use dryfire_link::{CONSOLE_CHUNK, HostMessage, ProbeDrive};
use dryfire_units::RigTime;

use super::wire::Wire;
use super::{Operator, Run, UNDER_WAY};

impl Run {
    pub(super) fn is_due(&self, until: RigTime) -> bool {
        self.waiting.front().is_some_and(|command| command.at <= until)
    }

    /// Sends commands up to `until`, as many as the rig can hold, and says up to where all are sent.
    pub(super) fn send_due(&mut self, wire: &mut Wire, until: RigTime) -> Result<RigTime, Trouble> {
        let mut reached = self.state.complete;
        while self.is_due(until) {
            if self.state.outstanding.len() >= UNDER_WAY {
                return Ok(reached);
            }
            let Some(command) = self.waiting.pop_front() else { break };
            reached = reached.max(command.at);
            self.send(wire, command)?;
        }
        Ok(until)
    }

    fn send(&mut self, wire: &mut Wire, command: Command) -> Result<(), Trouble> {
        let id = command.id.0;
        let at = self.state.on_rig(command.at);
        self.state.outstanding.insert(id, command.at);
        match command.kind {
            CommandKind::Probe { channel, signal, valid_until } => {
                let drive = match signal {
                    ProbeSignal::Open => ProbeDrive::Open,
                    ProbeSignal::Short => ProbeDrive::Short,
                    ProbeSignal::ShortToGround => ProbeDrive::ShortToGround,
                    ProbeSignal::ShortToSupply => ProbeDrive::ShortToSupply,
                    ProbeSignal::Voltage { nanovolts, nanovolts_per_second } => ProbeDrive::Voltage {
                        nanovolts,
                        nanovolts_per_second,
                        valid_until: self.state.on_rig(valid_until),
                    },
                };
                wire.send(&HostMessage::Probe { command: id, at, channel, drive })
            }
            CommandKind::Disturb { channel, disturbance } => {
                wire.send(&HostMessage::Disturb { command: id, at, channel, disturbance: disturbance.into() })
            }
            // A scenario that asks for it applies to a rig that plays converters; any other refuses it.
            CommandKind::Terminals { millicelsius } => {
                let millicelsius = i32::try_from(millicelsius).unwrap_or(i32::MAX);
                wire.send(&HostMessage::ColdJunction { command: id, at, millicelsius })
            }
            CommandKind::Contact { output, closed } => {
                wire.send(&HostMessage::Contact { command: id, at, output, closed })
            }
            CommandKind::Supply { on } => wire.send(&HostMessage::Supply { command: id, at, on }),
            CommandKind::Console { line } => {
                let mut bytes = line.into_bytes();
                bytes.push(b'\n');
                let pieces = bytes.chunks(CONSOLE_CHUNK);
                let count = pieces.len();
                for (number, piece) in pieces.enumerate() {
                    // Cannot fail: the piece was cut to fit.
                    let chunk = piece.iter().copied().collect();
                    wire.send(&HostMessage::Console { command: id, at, last: number + 1 == count, chunk })?;
                }
                Ok(())
            }
            // Does not go over the wire.
            CommandKind::Prompt { .. } => {
                self.state.outstanding.remove(&id);
                Ok(())
            }
        }
    }

    /// Looks whether the operator has answered.
    pub(super) fn ask(&mut self, operator: Option<&mut (dyn Operator + 'static)>) {
        if let Some(operator) = operator {
            while !self.asked.is_empty() && operator.is_done() {
                if let Some(command) = self.asked.pop_front() {
                    self.state.operator_done(command, self.state.complete);
                }
            }
        }
    }
}

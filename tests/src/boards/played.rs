//! A rig that plays converters, as whoever reads them finds it.

use dryfire_link::{ConverterPart, HostMessage, PlayedConverter, ProbeDrive, RigMessage};
use dryfire_units::{RigSpan, RigTime};

use super::{Host, Setup, TwoBoards, tools_or_skip};

/// A rig that plays converters on all channels, in a run by grants.
pub struct PlayedRig {
    /// The emulated board.
    pub boards: TwoBoards,
    /// Whoever tells the rig what to do.
    pub host: Host,
    /// How far time was granted.
    pub now: RigTime,
    /// Number of the last command.
    pub command: u32,
}

impl PlayedRig {
    /// Three converters of type K at 25 °C; `None` where the tools for boards are missing.
    ///
    /// # Panics
    /// If the rig does not play them.
    pub fn begin(part: ConverterPart) -> Option<Self> {
        let tools = tools_or_skip()?;
        let boards = TwoBoards::start(&tools, &Setup::default());
        let mut host = Host::greet(&boards.port, 1);
        for channel in 0..3 {
            let converter = PlayedConverter { part, thermocouple: b'K', cold_junction_millicelsius: 25_000 };
            host.say(&HostMessage::PlayConverter { channel, converter: Some(converter) });
            host.wait_for(|message| (*message == RigMessage::Playing { channel, converter: true }).then_some(()));
        }
        let now = host.begin(1_000, 0);
        let mut rig = PlayedRig { boards, host, now, command: 0 };
        // The clock stands a while after the beginning of the run, and what ends before that may have been told already.
        rig.pass(500);
        Some(rig)
    }

    /// Lets time pass.
    pub fn pass(&mut self, milliseconds: i64) {
        self.now += RigSpan::from_millis(milliseconds);
        let until = self.now;
        self.host.say(&HostMessage::Grant { until });
        self.host.wait_for(|message| match message {
            RigMessage::Heartbeat(beat) if beat.complete_until >= until => Some(()),
            _ => None,
        });
    }

    /// A command for now, whose number and instant are given.
    pub fn command(&mut self, make: impl FnOnce(u32, RigTime) -> HostMessage) {
        self.command += 1;
        let number = self.command;
        self.host.say(&make(number, self.now));
        self.host.wait_for(|message| match message {
            RigMessage::Applied { command, .. } if *command == number => Some(()),
            _ => None,
        });
    }

    /// What a channel plays.
    pub fn play(&mut self, channel: u8, drive: ProbeDrive) {
        self.command(|command, at| HostMessage::Probe { command, at, channel, drive });
    }

    /// A voltage that stays.
    pub fn voltage(&mut self, channel: u8, nanovolts: i32) {
        let valid_until = RigTime::FAR_FUTURE;
        self.play(channel, ProbeDrive::Voltage { nanovolts, nanovolts_per_second: 0, valid_until });
    }
}

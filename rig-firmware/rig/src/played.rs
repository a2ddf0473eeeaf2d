//! Which converter a channel plays.

use dryfire_link::{ConverterPart, PlayedConverter};
use dryfire_units::{MilliCelsius, RigTime, ThermocoupleType};

use crate::{LinearisedPlayer, Player};

/// A converter that a channel plays in place of a probe.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum ConverterPlayer {
    /// One word, latched when the part is selected.
    ReadOnly(Player),
    /// Registers, which the controller writes and reads.
    Linearised(LinearisedPlayer),
}

impl ConverterPlayer {
    /// A part whose supply comes on at `now`; `None` if there is no such part.
    pub fn new(played: PlayedConverter, now: RigTime) -> Option<Self> {
        match played.part {
            ConverterPart::FourteenBit | ConverterPart::TwelveBit => {
                Player::new(played, now).map(ConverterPlayer::ReadOnly)
            }
            ConverterPart::Linearised => {
                ThermocoupleType::from_letter(char::from(played.thermocouple))?;
                let sensor = MilliCelsius::new(i64::from(played.cold_junction_millicelsius));
                Some(ConverterPlayer::Linearised(LinearisedPlayer::new(sensor)))
            }
        }
    }

    /// Its supply comes on again at `now`.
    pub fn start(&mut self, now: RigTime) {
        match self {
            ConverterPlayer::ReadOnly(player) => player.start(now),
            ConverterPlayer::Linearised(player) => player.start(),
        }
    }

    /// Its cold junction has another temperature from the next conversion on.
    pub fn warm(&mut self, cold_junction: MilliCelsius) {
        match self {
            ConverterPlayer::ReadOnly(player) => player.warm(cold_junction),
            ConverterPlayer::Linearised(player) => player.warm(cold_junction),
        }
    }

    /// When it has to be advanced again; `None` while it converts nothing.
    pub fn due(&self) -> Option<RigTime> {
        match self {
            ConverterPlayer::ReadOnly(player) => Some(player.due()),
            ConverterPlayer::Linearised(player) => player.due(),
        }
    }
}

//! Before a run: who answers at the port, and what it is to do during runs.

use dryfire_engine::{Trouble, TroubleKind};
use dryfire_link::{CalibrationState, HostMessage, PROTOCOL, PlayedConverter, RigMessage, StartReason, Welcome};

use super::wire::{self, Wire, refused, trouble};
use super::{ANSWER, Connect, RigPatience};

/// A rig that has answered.
pub(super) struct Greeting {
    pub(super) wire: Wire,
    pub(super) welcome: Welcome,
    pub(super) start: Option<StartReason>,
    pub(super) calibration: Option<CalibrationState>,
}

/// Opens a session with a rig that speaks our protocol.
pub(super) fn greet(connect: &mut Connect, nonce: u32, patience: RigPatience) -> Result<Greeting, Trouble> {
    let transport = connect().map_err(|error| trouble(TroubleKind::LinkLost, error.to_string()))?;
    let mut wire = Wire::open(transport, nonce, patience.silence);
    wire.send(&HostMessage::Hello { protocol: PROTOCOL })?;
    let (mut start, mut calibration) = (None, None);
    let welcome = wait_for(&mut wire, |message| match message {
        RigMessage::Welcome(welcome) => Some(welcome),
        RigMessage::Started { why } => {
            start = Some(why);
            None
        }
        RigMessage::Calibration { state } => {
            calibration = Some(state);
            None
        }
        _ => None,
    })?;
    if welcome.protocol != PROTOCOL {
        let detail = format!(
            "the rig's firmware {} speaks protocol {} of the link, this program {PROTOCOL}: update one of them",
            welcome.firmware, welcome.protocol
        );
        return Err(trouble(TroubleKind::LinkRefused, detail));
    }
    wire.expect_boot(welcome.boot_id);
    Ok(Greeting { wire, welcome, start, calibration })
}

/// What stands in the record of a run whose converters were played.
pub(super) const PLAYS_CONVERTERS: &str = ", plays the converters: the controller's own were not tested";

/// Has the rig play converters before a run begins.
pub(super) fn play_converters(
    wire: &mut Wire,
    welcome: &Welcome,
    converters: &[(u8, PlayedConverter)],
) -> Result<(), Trouble> {
    for (number, converter) in converters {
        wire.send(&HostMessage::PlayConverter { channel: *number, converter: Some(*converter) })?;
        let answer = wait_for(wire, |message| match message {
            RigMessage::Playing { channel, converter: true } if channel == *number => Some(()),
            _ => None,
        });
        answer.map_err(|error| match error.kind {
            TroubleKind::LinkRefused => {
                let detail = format!(
                    "the bench file has the rig play converters, and its firmware {} does not play the one of channel \
                     {number} ({}); flash the firmware that belongs to this program, or leave `plays: converters` out",
                    welcome.firmware, error.detail
                );
                trouble(TroubleKind::LinkRefused, detail)
            }
            _ => error,
        })?;
    }
    Ok(())
}

/// Has the rig tell the temperature of the controller's terminals, and gives what it is, thousandths of a degree.
pub(super) fn measure_cold_junction(wire: &mut Wire, welcome: &Welcome) -> Result<i32, Trouble> {
    wire.send(&HostMessage::MeasureColdJunction { on: true })?;
    let answer = wait_for(wire, |message| match message {
        RigMessage::ColdJunction { millicelsius, .. } => Some(millicelsius),
        _ => None,
    });
    let found = answer.map_err(|error| match error.kind {
        TroubleKind::LinkRefused => {
            let detail = format!(
                "the bench file has the rig measure the cold junction, and its firmware {} does not ({}); flash the \
                 firmware that belongs to this program, or leave `cold junction` out",
                welcome.firmware, error.detail
            );
            trouble(TroubleKind::LinkRefused, detail)
        }
        _ => error,
    })?;
    found.ok_or_else(|| {
        let detail = "the sensor of the cold junction is missing or broken: it has to sit at the controller's terminals, \
                      its lead in the rig";
        trouble(TroubleKind::LinkRefused, detail)
    })
}

/// Why a rig was started, where that is not as it should be.
pub(super) fn start_in_words(start: Option<StartReason>) -> String {
    match start {
        None | Some(StartReason::Power) => String::new(),
        Some(StartReason::Watchdog) => ", restarted by its watchdog".to_owned(),
        Some(StartReason::Panic { line }) => format!(", restarted after its program gave up at line {line}"),
        Some(StartReason::Fault) => ", restarted after a fault of its processor".to_owned(),
        Some(StartReason::SupplyDip) => ", restarted after its supply had failed for a moment".to_owned(),
        Some(StartReason::ResetLine) => ", restarted by its reset line".to_owned(),
    }
}

/// What a rig knows of its channels.
pub(super) fn calibration_in_words(calibration: Option<CalibrationState>) -> String {
    match calibration {
        None => String::new(),
        Some(CalibrationState::Stored { date, .. }) => {
            format!(", calibrated {:04}-{:02}-{:02}", date / 10_000, date / 100 % 100, date % 100)
        }
        Some(CalibrationState::Missing) => ", its channels were never calibrated".to_owned(),
        Some(CalibrationState::Damaged) => ", its stored calibration is damaged".to_owned(),
    }
}

/// Exchanges until the message that is waited for comes; what else comes is of an earlier run.
pub(super) fn wait_for<T>(wire: &mut Wire, mut wanted: impl FnMut(RigMessage) -> Option<T>) -> Result<T, Trouble> {
    let deadline = wire.now() + ANSWER;
    loop {
        while let Some(message) = wire.next_message() {
            if let RigMessage::Heartbeat(beat) = &message
                && wire.expected_boot().is_some_and(|boot_id| boot_id != beat.boot_id)
            {
                return Err(wire::restarted());
            }
            if let RigMessage::Refused { command: None, why } = message {
                return Err(refused(None, why));
            }
            if let Some(found) = wanted(message) {
                return Ok(found);
            }
        }
        if wire.now() >= deadline {
            let detail = format!(
                "the rig is there and began nothing for {} s: it may have gone to its safe state because it had not \
                 heard from the host for the agreed time",
                ANSWER / 1_000_000
            );
            return Err(trouble(TroubleKind::LinkLost, detail));
        }
        wire.exchange(deadline)?;
    }
}

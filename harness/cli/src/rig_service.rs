//! `dryfire rig info`, `selftest` and `calibrate`: a rig by itself, without a run.

use std::io::{BufRead, IsTerminal};
use std::sync::mpsc;

use dryfire_bench::{ChannelFit, Check, CheckVerdict, LoopBack, RigService, fit_channel, self_test};
use dryfire_engine::Trouble;
use dryfire_link::{CalibrationState, StartReason};
use dryfire_record::utc;
use dryfire_report::ExitStatus;
use dryfire_rig::{CALIBRATED_CHANNELS, Calibration, ChannelScale};

use crate::Refusal;
use crate::args::{CalibrateArguments, PortArguments, SelfTestArguments};
use crate::precautions::readable;
use crate::screen::{Mistake, Screen};

/// A calibration older than so many days has expired (common practice: a year, no source).
pub(crate) const VALID_DAYS: i64 = 365;

fn connect(arguments: &PortArguments) -> Result<RigService, Mistake> {
    let opened = RigService::serial(arguments.port.clone());
    opened.map_err(|trouble| {
        Mistake::new(trouble.detail).hint("is the rig plugged in, and does no other program talk to it?")
    })
}

/// A breakdown, told.
fn broke_down(trouble: &Trouble, screen: &Screen) -> ExitStatus {
    screen.complain(&Mistake::new(trouble.detail.clone()));
    ExitStatus::Error
}

/// What a rig is, and whether anything is wrong with it.
pub(crate) fn info(arguments: &PortArguments, screen: &mut Screen) -> Result<ExitStatus, Refusal> {
    let mut rig = match connect(arguments) {
        Ok(rig) => rig,
        Err(mistake) => {
            screen.complain(&mistake);
            return Ok(ExitStatus::Error);
        }
    };
    let calibration = match rig.calibration() {
        Ok(calibration) => calibration,
        Err(trouble) => return Ok(broke_down(&trouble, screen)),
    };
    let welcome = rig.welcome().clone();
    let there = welcome.capabilities;
    let yes = |is: bool| if is { "yes" } else { "no" };
    let mut lines = vec![
        ("board", welcome.board.to_string()),
        ("firmware", welcome.firmware.to_string()),
        ("protocol", welcome.protocol.to_string()),
        ("boot", format!("{:08x}, {}", welcome.boot_id, start_in_words(rig.start_reason()))),
        ("probe channels", there.probe_channels.to_string()),
        ("sensed inputs", there.inputs.to_string()),
        ("contacts", there.contacts.to_string()),
        ("supply switch", yes(there.supply_switch).to_owned()),
        ("supply rail sensed", yes(there.supply_rail).to_owned()),
        ("console", yes(there.console).to_owned()),
        ("clock", (if there.stepped { "can run by grants" } else { "its own" }).to_owned()),
        ("edges kept", welcome.limits.edge_ring.to_string()),
        ("longest silence", format!("{} ms", welcome.limits.max_silence_ms)),
        ("controller and wiring", (if there.simulated { "simulated" } else { "real" }).to_owned()),
    ];
    let state = rig.calibration_state();
    lines.push(("calibration", calibration_in_words(state)));
    if let Some(calibration) = &calibration {
        lines.push(("measured with", instrument_of(calibration)));
        for (number, scale) in calibration.scales.iter().enumerate() {
            let uncertainty = calibration.uncertainty_nanovolts[number];
            lines.push(("", channel_line(number, scale, uncertainty)));
        }
    }
    for (name, value) in lines {
        screen.out(format!("{name:<22} {value}\n"));
    }
    let mut healthy = true;
    if let Some(warning) = state.and_then(|state| calibration_warning(state, &utc::now())) {
        screen.warn(&warning);
        healthy = false;
    }
    if !matches!(rig.start_reason(), None | Some(StartReason::Power)) {
        screen.warn(&format!("the rig was {}", start_in_words(rig.start_reason())));
        healthy = false;
    }
    Ok(if healthy { ExitStatus::AllHeld } else { ExitStatus::Inconclusive })
}

fn channel_line(number: usize, scale: &ChannelScale, uncertainty: u32) -> String {
    let (lowest, span) = (f64::from(scale.lowest_nanovolts) / 1e6, f64::from(scale.span_nanovolts) / 1e6);
    format!("channel {number}: {lowest:.4} mV and {span:.4} mV more, ±{:.1} µV", f64::from(uncertainty) / 1e3)
}

fn instrument_of(calibration: &Calibration) -> String {
    String::from_utf8_lossy(&calibration.instrument).trim_end_matches('\0').to_owned()
}

fn start_in_words(start: Option<StartReason>) -> String {
    match start {
        None => "why it started is not known".to_owned(),
        Some(StartReason::Power) => "started by its power".to_owned(),
        Some(StartReason::Watchdog) => "restarted by its watchdog".to_owned(),
        Some(StartReason::Panic { line }) => format!("restarted after its program gave up at line {line}"),
        Some(StartReason::Fault) => "restarted after a fault of its processor".to_owned(),
        Some(StartReason::SupplyDip) => "restarted after its supply had failed for a moment".to_owned(),
        Some(StartReason::ResetLine) => "restarted by its reset line".to_owned(),
    }
}

fn date_in_words(date: u32) -> String {
    format!("{:04}-{:02}-{:02}", date / 10_000, date / 100 % 100, date % 100)
}

fn calibration_in_words(state: Option<CalibrationState>) -> String {
    match state {
        None => "none: nothing is measured through its channels".to_owned(),
        Some(CalibrationState::Missing) => "never made; nominal values are used".to_owned(),
        Some(CalibrationState::Damaged) => "damaged; nominal values are used".to_owned(),
        Some(CalibrationState::Stored { date, uncertainty_nanovolts }) => {
            format!("of {}, ±{:.1} µV", date_in_words(date), f64::from(uncertainty_nanovolts) / 1e3)
        }
    }
}

/// Days since 1 March of the year 0 in the Gregorian calendar (the usual rule: a year of 365.2425 days).
fn day_number(date: u32) -> Option<i64> {
    let (year, month, day) = (i64::from(date / 10_000), i64::from(date / 100 % 100), i64::from(date % 100));
    if !(1..=12).contains(&month) || !(1..=31).contains(&day) {
        return None;
    }
    // The year begins in March, so that the day that some years have more is its last.
    let (year, month) = if month > 2 { (year, month - 3) } else { (year - 1, month + 9) };
    Some(365 * year + year / 4 - year / 100 + year / 400 + (153 * month + 2) / 5 + day)
}

/// A date as text, `2026-11-25…`, as a number.
fn date_of(text: &str) -> Option<u32> {
    let digits: String = text.get(..10)?.split('-').collect();
    let date = digits.parse().ok()?;
    day_number(date).map(|_| date)
}

/// Why a calibration is not to be relied on, if it is not. `today` begins with a date.
pub(crate) fn calibration_warning(state: CalibrationState, today: &str) -> Option<String> {
    match state {
        CalibrationState::Missing => Some(
            "the rig's channels were never calibrated: nominal values are used (`dryfire rig calibrate`)".to_owned(),
        ),
        CalibrationState::Damaged => Some(
            "the rig's stored calibration is damaged: nominal values are used (`dryfire rig calibrate`)".to_owned(),
        ),
        CalibrationState::Stored { date, .. } => {
            let age = date_of(today).and_then(day_number).zip(day_number(date)).map(|(now, then)| now - then);
            match age {
                Some(age) if (0..=VALID_DAYS).contains(&age) => None,
                Some(age) if age > VALID_DAYS => Some(format!(
                    "the rig's calibration of {} has expired: it is {age} days old, and {VALID_DAYS} are the limit",
                    date_in_words(date)
                )),
                _ => Some(format!("the rig's calibration has a date that cannot be right: {}", date_in_words(date))),
            }
        }
    }
}

/// Each output against each input.
pub(crate) fn selftest(arguments: &SelfTestArguments, screen: &mut Screen) -> Result<ExitStatus, Refusal> {
    let mut rig = match connect(&arguments.port) {
        Ok(rig) => rig,
        Err(mistake) => {
            screen.complain(&mistake);
            return Ok(ExitStatus::Error);
        }
    };
    let wires = LoopBack {
        contacts: arguments.contact_wire.clone(),
        channels: arguments.channel_wire.clone(),
        rail: !arguments.no_rail_wire,
    };
    let mut count = [0u32; 3];
    let done = self_test(&mut rig, &wires, &mut |Check { what, verdict, detail }| {
        let (word, place) = match verdict {
            CheckVerdict::Held => ("held", 0),
            CheckVerdict::Failed => ("FAILED", 1),
            CheckVerdict::NotTested => ("not tested", 2),
        };
        count[place] += 1;
        screen.out(format!("{word:<11} {what}: {detail}\n"));
    });
    if let Err(trouble) = done {
        return Ok(broke_down(&trouble, screen));
    }
    let [held, failed, not_tested] = count;
    screen.out(format!("{held} held, {failed} failed, {not_tested} not tested\n"));
    Ok(match (held, failed) {
        (_, 1..) => ExitStatus::Failed,
        (0, 0) => ExitStatus::Inconclusive,
        _ => ExitStatus::AllHeld,
    })
}

/// Voltages that are measured on each channel, nanovolts.
const POINTS: [i32; 7] = [-9_000_000, 0, 5_000_000, 15_000_000, 30_000_000, 50_000_000, 78_000_000];
/// How far a reading may be from what is asked for before it is asked for again, millivolts: a board that has
/// never been calibrated is within 9 mV (a tenth of the span).
const FAR_MV: f64 = 9.0;
/// Between two looks at the keyboard, microseconds.
const LOOK: u64 = 50_000;

/// What the user types, a line at a time.
struct Keyboard {
    lines: mpsc::Receiver<String>,
}

impl Keyboard {
    #[expect(
        clippy::disallowed_methods,
        reason = "a thread that waits for a line, because the rig must not wait for it"
    )]
    fn listen() -> Self {
        let (sender, lines) = mpsc::channel();
        std::thread::spawn(move || {
            for line in std::io::stdin().lock().lines() {
                if line.is_err() || sender.send(line.unwrap_or_default()).is_err() {
                    return;
                }
            }
        });
        Keyboard { lines }
    }

    /// The next line; the rig is kept from taking the host for silent. `None` at the end of the input.
    fn line(&self, rig: &mut RigService) -> Result<Option<String>, Trouble> {
        loop {
            match self.lines.try_recv() {
                Ok(line) => return Ok(Some(line)),
                Err(mpsc::TryRecvError::Disconnected) => return Ok(None),
                Err(mpsc::TryRecvError::Empty) => rig.idle(LOOK)?,
            }
        }
    }
}

/// Guides through the measurement of every channel, and keeps what was found on the board.
pub(crate) fn calibrate(arguments: &CalibrateArguments, screen: &mut Screen) -> Result<ExitStatus, Refusal> {
    let mut instrument = [0; 16];
    let Some(name) = readable(&arguments.instrument).filter(|name| name.len() <= instrument.len()) else {
        return Err(Mistake::new(format!(
            "--instrument: expected a name of 1 to 16 bytes, got `{}`, {} bytes",
            arguments.instrument.escape_debug(),
            arguments.instrument.len()
        ))
        .hint("the board keeps it with the calibration; a type and an inventory number, shortened")
        .into());
    };
    instrument[..name.len()].copy_from_slice(name.as_bytes());
    let today = arguments.date.clone().unwrap_or_else(utc::now);
    let Some(date) = date_of(&today) else {
        return Err(Mistake::new(format!("--date: expected a date such as 2026-11-25, got `{today}`")).into());
    };
    let mut rig = match connect(&arguments.port) {
        Ok(rig) => rig,
        Err(mistake) => {
            screen.complain(&mistake);
            return Ok(ExitStatus::Error);
        }
    };
    if usize::from(rig.welcome().capabilities.probe_channels) != CALIBRATED_CHANNELS {
        let count = rig.welcome().capabilities.probe_channels;
        return Err(Mistake::new(format!(
            "the rig has {count} probe channels, and a calibration is of {CALIBRATED_CHANNELS}"
        ))
        .into());
    }
    match measure(&mut rig, arguments.meter_microvolts, screen) {
        Err(trouble) => Ok(broke_down(&trouble, screen)),
        Ok(Err(refusal)) => {
            // Probes open before anything else is said.
            let _ = rig.end();
            screen.complain(&refusal.hint("nothing was kept; what the board had before is still there"));
            Ok(ExitStatus::Inconclusive)
        }
        Ok(Ok(fits)) => {
            let mut calibration = Calibration {
                date,
                instrument,
                scales: [ChannelScale::NOMINAL; CALIBRATED_CHANNELS],
                uncertainty_nanovolts: [0; CALIBRATED_CHANNELS],
            };
            for (number, fit) in fits.iter().enumerate() {
                calibration.scales[number] = fit.scale;
                calibration.uncertainty_nanovolts[number] = fit.uncertainty_nanovolts;
            }
            if let Err(trouble) = rig.end().and_then(|()| rig.keep(&calibration)) {
                return Ok(broke_down(&trouble, screen));
            }
            screen.out(format!("kept on the board: {}, {}\n", date_in_words(date), name));
            Ok(ExitStatus::AllHeld)
        }
    }
}

/// Asks for every reading; the fits of all channels, or why there are none.
fn measure(
    rig: &mut RigService,
    meter_microvolts: f64,
    screen: &mut Screen,
) -> Result<Result<Vec<ChannelFit>, Mistake>, Trouble> {
    let known = rig.calibration()?.map_or([ChannelScale::NOMINAL; CALIBRATED_CHANNELS], |known| known.scales);
    let keyboard = Keyboard::listen();
    if std::io::stdin().is_terminal() {
        screen.out("The rig has been on for 30 minutes, no controller is connected. Readings in millivolts.\n");
    }
    // Somebody at a terminal ends the line with the reading.
    let after = if std::io::stdin().is_terminal() { "" } else { "\n" };
    rig.begin(1_000)?;
    let mut fits = Vec::new();
    for (number, scale) in known.iter().enumerate() {
        screen.out(format!("channel {number}: the meter's leads on its two terminals, plus on plus\n"));
        let mut readings = Vec::new();
        for point in POINTS {
            rig.voltage(number as u8, point)?;
            let asked = f64::from(point) / 1e6;
            let reading = loop {
                screen.out(format!("channel {number} is set to {asked:.3} mV; the meter reads [mV]: {after}"));
                let Some(line) = keyboard.line(rig)? else {
                    return Ok(Err(Mistake::new(format!("the readings end at channel {number}, {asked:.3} mV"))));
                };
                match line.trim().trim_end_matches("mV").trim_end().parse::<f64>() {
                    Ok(reading) if (reading - asked).abs() <= FAR_MV => break reading,
                    Ok(reading) => screen.out(format!(
                        "{reading} mV is more than {FAR_MV} mV off: another unit, another channel, or the leads swapped?\n"
                    )),
                    Err(_) => screen.out(format!("`{}` is no number, such as 29.987\n", line.trim())),
                }
            };
            readings.push((scale.code(point), reading * 1e6));
        }
        rig.probe(number as u8, dryfire_link::ProbeDrive::Open)?;
        match fit_channel(&readings, meter_microvolts * 1e3) {
            Ok(fit) => {
                screen.out(format!("{}\n", channel_line(number, &fit.scale, fit.uncertainty_nanovolts)));
                let rest: Vec<String> = fit.residuals.iter().map(|rest| format!("{:.2}", rest / 1e3)).collect();
                screen.out(format!("  left of each reading, µV: {}\n", rest.join(", ")));
                fits.push(fit);
            }
            Err(error) => return Ok(Err(Mistake::new(format!("channel {number}: {error}")))),
        }
    }
    Ok(Ok(fits))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_calibration_is_good_for_a_year_and_says_when_it_is_not() {
        let of =
            |date, today: &str| calibration_warning(CalibrationState::Stored { date, uncertainty_nanovolts: 1 }, today);
        assert_eq!(of(20_261_125, "2026-11-25T09:00:00Z"), None);
        assert_eq!(of(20_261_125, "2027-11-25"), None);
        assert!(of(20_261_125, "2027-11-26").expect("a warning").contains("expired: it is 366 days old"));
        // Over the 29th of February of 2028.
        assert!(of(20_270_301, "2028-03-01").expect("a warning").contains("366 days"));
        assert!(of(20_261_126, "2026-11-25").expect("a warning").contains("cannot be right"));
        assert!(of(20_261_399, "2026-11-25").expect("a warning").contains("cannot be right"));
        assert!(calibration_warning(CalibrationState::Missing, "2026-11-25").expect("a warning").contains("never"));
        assert!(calibration_warning(CalibrationState::Damaged, "2026-11-25").expect("a warning").contains("damaged"));
    }
}

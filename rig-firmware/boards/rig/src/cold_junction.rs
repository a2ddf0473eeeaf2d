//! The sensor at the controller's terminals. Its converter is never waited for: what was begun at one turn is taken at a
//! later one.

use dryfire_rig::cold_junction;
use dryfire_units::{RigSpan, RigTime};
use embassy_rp::Peri;
use embassy_rp::pac;
use embassy_rp::peripherals::{ADC, PIN_27};

/// Between two readings.
const EVERY: RigSpan = RigSpan::from_millis(500);
/// The pin's channel of the converter.
const CHANNEL: u8 = 1;

/// The sensor.
pub struct Sensor {
    due: RigTime,
}

impl Sensor {
    /// Switches the converter on and begins the first reading.
    pub fn new(_adc: Peri<'static, ADC>, _pin: Peri<'static, PIN_27>, now: RigTime) -> Self {
        // No resistor of the chip's own, and no digital input, on a pin that is measured.
        pac::PADS_BANK0.gpio(27).modify(|pad| {
            pad.set_ie(false);
            pad.set_od(true);
            pad.set_pue(false);
            pad.set_pde(false);
        });
        pac::RESETS.reset().modify(|reset| reset.set_adc(false));
        while !pac::RESETS.reset_done().read().adc() {}
        pac::ADC.cs().write(|cs| cs.set_en(true));
        let sensor = Sensor { due: now + RigSpan::from_millis(5) };
        begin();
        sensor
    }

    /// When it has to be looked at.
    pub fn due(&self) -> RigTime {
        self.due
    }

    /// A reading, if one is due; thousandths of a degree Celsius.
    pub fn turn(&mut self, now: RigTime) -> Option<Option<i32>> {
        if now < self.due || !pac::ADC.cs().read().ready() {
            return None;
        }
        self.due = now + EVERY;
        let code = pac::ADC.result().read().result();
        begin();
        Some(cold_junction(code))
    }
}

fn begin() {
    pac::ADC.cs().modify(|cs| {
        cs.set_ainsel(CHANNEL);
        cs.set_start_once(true);
    });
}

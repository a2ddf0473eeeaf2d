//! Prints emf over temperature and temperature over emf for all eight types, for
//! a program outside to check: `tests/outside/thermocouples.py`.
//!
//! One line each, fields apart by a space: `emf K 1200.5 48848.1234…` (°C, µV) and
//! `temperature K 48848.25 1200.50…` (µV, °C), every digit that the number has.
#![expect(clippy::print_stdout, reason = "a command for people, at the edge")]

use dryfire_units::{Celsius, Microvolts, ThermocoupleType};

/// Steps from end to end of each range, in each direction; the ends belong to it.
const STEPS: u32 = 6000;

fn main() {
    for kind in ThermocoupleType::ALL {
        let (low, high) = kind.range();
        for step in 0..=STEPS {
            let celsius = between(low.value(), high.value(), step);
            let emf = kind.emf(Celsius::new(celsius)).expect("within the range");
            println!("emf {} {celsius:?} {:?}", kind.letter(), emf.value());
        }
        let emf = |celsius| kind.emf(celsius).expect("within the range").value();
        let (lowest, highest) = (emf(kind.lowest_invertible()), emf(high));
        for step in 0..=STEPS {
            let microvolts = between(lowest, highest, step);
            // Rounding may put the lowest one just outside.
            if let Ok(celsius) = kind.temperature(Microvolts::new(microvolts)) {
                println!("temperature {} {microvolts:?} {:?}", kind.letter(), celsius.value());
            }
        }
    }
}

fn between(low: f64, high: f64, step: u32) -> f64 {
    if step == STEPS { high } else { low + (high - low) * f64::from(step) / f64::from(STEPS) }
}

//! The parts on the controller's bus: three converters and a memory.

use dryfire_stand_in::{MemoryImage, ProbeFault, Reading, SLOT_BYTES, Save};
use dryfire_units::converter::{ConverterFault, LinearisedRegisters};
use embassy_rp::gpio::Output;
use embassy_rp::peripherals::SPI0;
use embassy_rp::spi::{Blocking, Config, Phase, Polarity, Spi};

/// Zones of this board.
pub const ZONES: usize = 3;

/// Registers of the converter up to the status.
const REGISTERS: usize = 16;
/// Converts by itself, with the test for an open probe, at 50 Hz.
const CONTROL: u8 = 0x80 | 0x10 | 0x01;
/// Thermocouple of type K, no averaging.
const TYPE_K: u8 = 0x03;
const WRITE: u8 = 0x80;

/// Instructions of the memory (the usual ones of serial memories).
const MEMORY_WRITE_ENABLE: u8 = 0x06;
const MEMORY_WRITE: u8 = 0x02;
const MEMORY_READ: u8 = 0x03;
/// Where the second slot begins.
const SLOT_SPACING: usize = 256;

/// The bus with everything on it.
pub struct Parts {
    spi: Spi<'static, SPI0, Blocking>,
    converters: [Output<'static>; ZONES],
    memory: Output<'static>,
}

impl Parts {
    /// Sets the converters up: they start with the test for an open probe off.
    pub fn new(
        spi: Spi<'static, SPI0, Blocking>,
        converters: [Output<'static>; ZONES],
        memory: Output<'static>,
    ) -> Self {
        let mut parts = Parts { spi, converters, memory };
        for zone in 0..ZONES {
            parts.set_up(zone);
        }
        parts
    }

    fn set_up(&mut self, zone: usize) {
        self.mode(Phase::CaptureOnSecondTransition);
        self.converters[zone].set_low();
        // A blocking transfer on this chip cannot fail.
        let _ = self.spi.blocking_write(&[WRITE, CONTROL, TYPE_K]);
        let _ = self.spi.flush();
        self.converters[zone].set_high();
    }

    fn mode(&mut self, phase: Phase) {
        let mut config = Config::default();
        config.frequency = 4_000_000;
        config.phase = phase;
        config.polarity = Polarity::IdleLow;
        self.spi.set_config(&config);
    }

    /// Reads a zone's converter, and whether it is set up as it should be.
    pub fn read(&mut self, zone: usize) -> Reading {
        self.mode(Phase::CaptureOnSecondTransition);
        let mut bytes = [0u8; REGISTERS + 1];
        self.converters[zone].set_low();
        let _ = self.spi.blocking_transfer_in_place(&mut bytes);
        self.converters[zone].set_high();
        let registers = &bytes[1..];
        if registers[..2] != [CONTROL, TYPE_K] {
            // Nothing there, or it has lost its supply meanwhile.
            self.set_up(zone);
            return Err(ProbeFault::NoAnswer);
        }
        let reading = LinearisedRegisters {
            temperature: [registers[0x0c], registers[0x0d], registers[0x0e]],
            cold_junction: [registers[0x0a], registers[0x0b]],
            status: registers[0x0f],
        }
        .decode();
        match reading.fault {
            None => i32::try_from(reading.temperature.value()).map_err(|_| ProbeFault::OutOfRange),
            Some(ConverterFault::Open) => Err(ProbeFault::Open),
            Some(ConverterFault::ShortToGround) => Err(ProbeFault::ShortToGround),
            Some(ConverterFault::ShortToSupply) => Err(ProbeFault::ShortToSupply),
            Some(ConverterFault::OutOfRange) => Err(ProbeFault::OutOfRange),
        }
    }

    /// Reads both slots of the memory.
    pub fn restore(&mut self) -> MemoryImage {
        self.mode(Phase::CaptureOnFirstTransition);
        let mut image = MemoryImage::BLANK;
        for (number, slot) in image.slots.iter_mut().enumerate() {
            let [high, low] = ((number * SLOT_SPACING) as u16).to_be_bytes();
            self.memory.set_low();
            let _ = self.spi.blocking_write(&[MEMORY_READ, high, low]);
            let _ = self.spi.blocking_read(slot);
            self.memory.set_high();
        }
        image
    }

    /// Writes one slot.
    pub fn save(&mut self, save: &Save) {
        self.mode(Phase::CaptureOnFirstTransition);
        self.memory.set_low();
        let _ = self.spi.blocking_write(&[MEMORY_WRITE_ENABLE]);
        let _ = self.spi.flush();
        self.memory.set_high();
        let [high, low] = ((save.slot * SLOT_SPACING) as u16).to_be_bytes();
        self.memory.set_low();
        let _ = self.spi.blocking_write(&[MEMORY_WRITE, high, low]);
        let _ = self.spi.blocking_write(&save.bytes);
        let _ = self.spi.flush();
        self.memory.set_high();
    }
}

const _: () = assert!(SLOT_BYTES <= SLOT_SPACING);

//! The parts on the controller's bus: three converters and a memory.

use dryfire_stand_in::{MAX_ZONES, MemoryImage, ProbeFault, Reading, SLOT_BYTES, Save};
use dryfire_units::converter::{
    ConverterFault, FourteenBitConverter, FourteenBitWord, LinearisedRegisters, Reading as Conversion,
    TwelveBitConverter, TwelveBitWord,
};
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

/// Which converters are fitted.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Fitted {
    /// Registers of 19 bits, linearised.
    Linearised,
    /// Read-only words by a straight line; looked at every so many ticks, since a look breaks off the conversion.
    ReadOnly {
        /// Which.
        part: ReadOnly,
        /// So many.
        every: u32,
    },
}

/// A read-only part.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum ReadOnly {
    /// 14 bits, in a word of 32.
    FourteenBit,
    /// 12 bits, in a word of 16.
    TwelveBit,
}

impl Fitted {
    /// A read-only part on a controller with such a tick.
    pub fn read_only(part: ReadOnly, tick_ms: u32) -> Self {
        let period = match part {
            ReadOnly::FourteenBit => FourteenBitConverter::CONVERSION_PERIOD,
            ReadOnly::TwelveBit => TwelveBitConverter::CONVERSION_PERIOD,
        };
        // A tick may come a moment too early, and a conversion that is broken off then is lost.
        let least = period.as_millis() as u32 + 1;
        Fitted::ReadOnly { part, every: least.div_ceil(tick_ms.max(1)) }
    }
}

/// The bus with everything on it.
pub struct Parts {
    fitted: Fitted,
    ticks: u32,
    readings: [Reading; MAX_ZONES],
    spi: Spi<'static, SPI0, Blocking>,
    converters: [Output<'static>; ZONES],
    memory: Output<'static>,
}

impl Parts {
    /// Sets up the converters that have registers: they start with the test for an open probe off.
    pub fn new(
        fitted: Fitted,
        spi: Spi<'static, SPI0, Blocking>,
        converters: [Output<'static>; ZONES],
        memory: Output<'static>,
    ) -> Self {
        let readings = [Err(ProbeFault::NoAnswer); MAX_ZONES];
        let mut parts = Parts { fitted, ticks: 0, readings, spi, converters, memory };
        if fitted == Fitted::Linearised {
            for zone in 0..ZONES {
                parts.set_up(zone);
            }
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
        // The part with registers, which alone takes its bits at the second edge, may be played by a rig.
        config.frequency = match phase {
            Phase::CaptureOnFirstTransition => 4_000_000,
            Phase::CaptureOnSecondTransition => 1_000_000,
        };
        config.phase = phase;
        config.polarity = Polarity::IdleLow;
        self.spi.set_config(&config);
    }

    /// What the converters say at a tick; to be called at each.
    pub fn read(&mut self) -> [Reading; MAX_ZONES] {
        let (due, read): (bool, fn(&mut Self, usize) -> Reading) = match self.fitted {
            Fitted::Linearised => (true, Self::registers),
            Fitted::ReadOnly { part: ReadOnly::FourteenBit, every } => (self.ticks.is_multiple_of(every), Self::word),
            Fitted::ReadOnly { part: ReadOnly::TwelveBit, every } => {
                (self.ticks.is_multiple_of(every), Self::short_word)
            }
        };
        self.ticks = self.ticks.wrapping_add(1);
        if due {
            for zone in 0..ZONES {
                self.readings[zone] = read(self, zone);
            }
        }
        self.readings
    }

    /// A zone's word of 32 bits, latched as the part is selected.
    fn word(&mut self, zone: usize) -> Reading {
        self.mode(Phase::CaptureOnFirstTransition);
        let mut bytes = [0u8; 4];
        self.converters[zone].set_low();
        let _ = self.spi.blocking_read(&mut bytes);
        self.converters[zone].set_high();
        let word = FourteenBitWord(u32::from_be_bytes(bytes));
        if !word.is_consistent() {
            return Err(ProbeFault::NoAnswer);
        }
        let found = word.decode();
        let inside =
            FourteenBitConverter::LOWEST < found.temperature && found.temperature < FourteenBitConverter::HIGHEST;
        if found.fault.is_none() && !inside { Err(ProbeFault::OutOfRange) } else { judged(&found) }
    }

    /// A zone's word of 16 bits. The part shows what is below or beyond its range as its end, so an end is no temperature.
    fn short_word(&mut self, zone: usize) -> Reading {
        self.mode(Phase::CaptureOnFirstTransition);
        let mut bytes = [0u8; 2];
        self.converters[zone].set_low();
        let _ = self.spi.blocking_read(&mut bytes);
        self.converters[zone].set_high();
        let word = TwelveBitWord(u16::from_be_bytes(bytes));
        if !word.is_consistent() {
            return Err(ProbeFault::NoAnswer);
        }
        if word.is_open() {
            return Err(ProbeFault::Open);
        }
        let temperature = word.temperature();
        if temperature.value() <= 0 || temperature >= TwelveBitConverter::HIGHEST {
            return Err(ProbeFault::OutOfRange);
        }
        i32::try_from(temperature.value()).map_err(|_| ProbeFault::OutOfRange)
    }

    /// A zone's registers, and whether it is set up as it should be.
    fn registers(&mut self, zone: usize) -> Reading {
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
        judged(&reading)
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

fn judged(conversion: &Conversion) -> Reading {
    match conversion.fault {
        None => i32::try_from(conversion.temperature.value()).map_err(|_| ProbeFault::OutOfRange),
        Some(ConverterFault::Open) => Err(ProbeFault::Open),
        Some(ConverterFault::ShortToGround) => Err(ProbeFault::ShortToGround),
        Some(ConverterFault::ShortToSupply) => Err(ProbeFault::ShortToSupply),
        Some(ConverterFault::OutOfRange) => Err(ProbeFault::OutOfRange),
    }
}

const _: () = assert!(SLOT_BYTES <= SLOT_SPACING);

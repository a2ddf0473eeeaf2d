//! Everything that the rig sets: three channels, as probes or as converters, contacts, supply.

use dryfire_link::{Begin, PlayedConverter};
use dryfire_rig::{
    Board, CALIBRATION_BYTES, Calibration, Channel, ChannelScale, ConverterPlayer, DamagedCalibration, Drive, Select,
    Terminals,
};
use dryfire_units::{Disturbance, MilliCelsius, RigSpan, RigTime};
use embassy_rp::flash::{ERASE_SIZE, Flash};
use embassy_rp::gpio::Output;
use embassy_rp::peripherals::{FLASH, SPI0};
use embassy_rp::{flash, spi};
use embassy_sync::blocking_mutex::raw::CriticalSectionRawMutex;
use embassy_sync::pipe::Pipe;

use crate::converters::Bus;
use crate::{edges, registers};

/// Probe channels.
pub const CHANNELS: usize = 3;
/// Contacts: four dry ones, then levers and feedback, in the order of the bits below.
pub const CONTACTS: usize = 12;

/// The contacts that hold the converters' data line, low and high.
const DATA_HELD: [u8; 2] = [5, 11];

/// Bits of the switch word, which goes through four shift registers, highest bit first.
/// The registers' outputs are high-impedance, and every switch open, until the enable pin is low.
pub mod bit {
    /// Of channel 0; each further channel has the next five.
    pub const CONNECTED: u32 = 0;
    pub const REVERSED: u32 = 1;
    pub const SHORTED: u32 = 2;
    pub const GROUNDED: u32 = 3;
    pub const ON_SUPPLY: u32 = 4;
    /// Between one channel and the next.
    pub const EACH: u32 = 5;
    /// The controller's supply.
    pub const SUPPLY: u32 = 15;
    /// Contact 0; the others follow: 0 to 3 dry contacts, 4 the controller's reset line, 5 the
    /// converters' data line held low, 6 their clock held low, 7 a test line, 8 the mirror contact of the
    /// contactor, 9 current flows, 10 the limiter has tripped, 11 the converters' data line
    /// held high.
    pub const CONTACT: u32 = 16;
}

/// Bytes of flash on the board.
pub const FLASH_BYTES: usize = 2 << 20;
/// Where the calibration is kept in it: the last sector, which a new program leaves alone.
const CALIBRATION: usize = FLASH_BYTES - ERASE_SIZE;
/// The same as an address.
const CALIBRATION_PAGE: *const [u8; CALIBRATION_BYTES] = (0x1000_0000 + CALIBRATION) as *const _;

/// The flash, for writing.
pub type Memory = Flash<'static, FLASH, flash::Blocking, FLASH_BYTES>;

/// The page of calibration as it is now.
pub fn calibration_page() -> [u8; CALIBRATION_BYTES] {
    // SAFETY: flash is always readable while the program runs from it.
    unsafe { CALIBRATION_PAGE.read_volatile() }
}

/// Text for the controller's console on its way to the serial port.
pub static TO_CONSOLE: Pipe<CriticalSectionRawMutex, 512> = Pipe::new();

/// The outputs with the wires to them.
pub struct Outputs {
    spi: spi::Spi<'static, SPI0, spi::Blocking>,
    memory: Memory,
    converters: [Output<'static>; CHANNELS],
    latch: Output<'static>,
    enable: Output<'static>,
    channels: [Channel; CHANNELS],
    /// Codes that the converters have.
    codes: [Option<u16>; CHANNELS],
    switches: u32,
    shifted: Option<u32>,
    bus: Bus,
    registers: registers::Bus,
    /// The channels that play a converter.
    players: [Option<ConverterPlayer>; CHANNELS],
    /// Channels whose registers have changed since they were last put on the bus.
    to_put: [bool; CHANNELS],
    /// How often each of their selects had risen when that was last looked at, and when it last did.
    released: [(u32, Option<RigTime>); CHANNELS],
    /// Until when the channels stay as they are; `None`: something was changed since they were last set.
    settled: Option<RigTime>,
}

impl Outputs {
    /// All switches open, nothing shifted out yet.
    pub fn new(
        spi: spi::Spi<'static, SPI0, spi::Blocking>,
        memory: Memory,
        converters: [Output<'static>; CHANNELS],
        latch: Output<'static>,
        enable: Output<'static>,
        scales: [ChannelScale; CHANNELS],
        (bus, registers): (Bus, registers::Bus),
    ) -> Self {
        Outputs {
            spi,
            memory,
            converters,
            latch,
            enable,
            channels: scales.map(Channel::new),
            codes: [None; CHANNELS],
            switches: 0,
            shifted: None,
            bus,
            registers,
            players: [None; CHANNELS],
            to_put: [false; CHANNELS],
            released: [(0, None); CHANNELS],
            settled: None,
        }
    }

    /// Sets the channels to what they have to be now, and says when they have to be set again.
    pub fn refresh(&mut self, now: RigTime) -> Option<RigTime> {
        // Bursts of edges bring thousands of turns a second, and the channels' arithmetic is most of a turn.
        if let Some(until) = self.settled
            && now < until
        {
            return Some(until).filter(|until| *until != RigTime::FAR_FUTURE);
        }
        for number in 0..CHANNELS {
            self.set_channel(number, now);
        }
        self.shift();
        let powered = self.is_supply_on();
        if powered {
            for number in 0..CHANNELS {
                self.convert(number, now);
            }
        }
        let next = |(channel, player): (&Channel, &Option<ConverterPlayer>)| match player {
            None => channel.next_change(now),
            Some(player) => powered.then(|| player.due()).flatten(),
        };
        let due = self.channels.iter().zip(&self.players).filter_map(next).min();
        // When a converter that is played is let go cannot be foreseen.
        self.settled = self.players.iter().all(Option::is_none).then(|| due.unwrap_or(RigTime::FAR_FUTURE));
        due
    }

    fn is_supply_on(&self) -> bool {
        self.switches >> bit::SUPPLY & 1 != 0
    }

    /// Finishes the conversions of a channel that plays a converter.
    fn convert(&mut self, number: usize, now: RigTime) {
        // Within half an hour before now, or a moment after: this is looked at several times a second.
        let when = |raw: u32| now - RigSpan::from_micros(i64::from((now.as_micros() as u32).wrapping_sub(raw) as i32));
        let channel = &self.channels[number];
        match &mut self.players[number] {
            None => {}
            Some(ConverterPlayer::ReadOnly(player)) => {
                let (low, count, raw) = edges::select(number);
                let released = &mut self.released[number];
                if released.0 != count {
                    *released = (count, Some(when(raw)));
                }
                let select = Select { low, released: released.1 };
                if player.advance(now, select, |at, length| channel.converted(at, length)) {
                    self.bus.put(number, player.word());
                }
            }
            Some(ConverterPlayer::Linearised(player)) => {
                let mut changed = self.to_put[number];
                while let Some(written) = registers::first(number) {
                    registers::take(number);
                    let at = when(written.raw_micros);
                    player.advance(at, |at, length| channel.converted(at, length));
                    player.write(at, written.address, written.byte);
                    changed = true;
                }
                changed |= player.advance(now, |at, length| channel.converted(at, length));
                self.to_put[number] = changed && !self.registers.put(number, player.registers());
            }
        }
    }

    /// A channel's converter answers on the bus.
    fn answer(&mut self, number: usize) {
        match &self.players[number] {
            None => {}
            Some(ConverterPlayer::ReadOnly(player)) => self.bus.start(number, player.word()),
            Some(ConverterPlayer::Linearised(player)) => {
                self.to_put[number] = false;
                self.registers.start(number, player.registers());
            }
        }
    }

    /// A channel's converter answers no more.
    fn fall_silent(&mut self, number: usize) {
        self.bus.stop(number);
        self.registers.stop(number);
    }

    fn set_channel(&mut self, number: usize, now: RigTime) {
        let terminals = match self.players[number] {
            None => self.channels[number].terminals(now),
            // Nothing is wired to the terminals, and nothing would be told by them.
            Some(_) => Terminals::OPEN,
        };
        if self.codes[number] != Some(terminals.code) {
            self.codes[number] = Some(terminals.code);
            self.converters[number].set_low();
            // A blocking transfer on this chip cannot fail.
            let _ = self.spi.blocking_write(&terminals.code.to_be_bytes());
            let _ = self.spi.flush();
            self.converters[number].set_high();
        }
        let first = number as u32 * bit::EACH;
        let mut word = self.switches & !(((1 << bit::EACH) - 1) << first);
        for (place, closed) in [
            (bit::CONNECTED, terminals.connected),
            (bit::REVERSED, terminals.reversed),
            (bit::SHORTED, terminals.shorted),
            (bit::GROUNDED, terminals.grounded),
            (bit::ON_SUPPLY, terminals.on_supply),
        ] {
            word |= u32::from(closed) << (first + place);
        }
        self.switches = word;
    }

    fn set_bit(&mut self, place: u32, on: bool) {
        self.switches = if on { self.switches | 1 << place } else { self.switches & !(1 << place) };
        self.shift();
    }

    fn shift(&mut self) {
        if self.shifted == Some(self.switches) {
            return;
        }
        let _ = self.spi.blocking_write(&self.switches.to_be_bytes());
        let _ = self.spi.flush();
        self.latch.set_high();
        self.latch.set_low();
        if self.shifted.is_none() {
            self.enable.set_low();
        }
        self.shifted = Some(self.switches);
    }
}

impl Board for Outputs {
    fn begin(&mut self, _at: RigTime, _begin: &Begin) -> Option<u32> {
        None
    }

    fn probe(&mut self, at: RigTime, channel: u8, drive: Drive) {
        let number = usize::from(channel);
        if let Some(place) = self.channels.get_mut(number) {
            self.settled = None;
            place.play(drive);
            self.set_channel(number, at);
            self.shift();
        }
    }

    fn disturb(&mut self, at: RigTime, channel: u8, disturbance: Disturbance) {
        let number = usize::from(channel);
        if let Some(place) = self.channels.get_mut(number) {
            self.settled = None;
            place.disturb(at, disturbance);
            self.set_channel(number, at);
            self.shift();
        }
    }

    fn contact(&mut self, _at: RigTime, output: u8, closed: bool) {
        if usize::from(output) < CONTACTS {
            self.set_bit(bit::CONTACT + u32::from(output), closed);
        }
        if DATA_HELD.contains(&output) {
            let held = DATA_HELD.iter().any(|output| self.switches >> (bit::CONTACT + u32::from(*output)) & 1 != 0);
            self.bus.hold(held);
            self.registers.hold(held);
        }
    }

    fn supply(&mut self, at: RigTime, on: bool) {
        let was = self.is_supply_on();
        if !on {
            // First: what is driven into a controller without supply feeds it.
            (0..CHANNELS).for_each(|number| self.fall_silent(number));
        }
        self.set_bit(bit::SUPPLY, on);
        if on && !was {
            for number in 0..CHANNELS {
                if let Some(player) = &mut self.players[number] {
                    player.start(at);
                    self.answer(number);
                }
            }
        }
    }

    fn play_converter(&mut self, at: RigTime, channel: u8, converter: Option<PlayedConverter>) -> bool {
        let number = usize::from(channel);
        let player = match converter {
            None => None,
            Some(converter) => match ConverterPlayer::new(converter, at) {
                None => return false,
                player => player,
            },
        };
        if number >= CHANNELS {
            return false;
        }
        self.settled = None;
        self.fall_silent(number);
        self.players[number] = player;
        if self.is_supply_on() {
            self.answer(number);
        }
        self.set_channel(number, at);
        self.shift();
        true
    }

    fn cold_junction(&mut self, _at: RigTime, millicelsius: i32) {
        for player in self.players.iter_mut().flatten() {
            player.warm(MilliCelsius::new(i64::from(millicelsius)));
        }
    }

    fn console(&mut self, _at: RigTime, bytes: &[u8]) {
        // What does not fit is lost, as on any serial line; a line is far shorter than the pipe.
        let mut rest = bytes;
        while !rest.is_empty()
            && let Ok(count) = TO_CONSOLE.try_write(rest)
        {
            rest = &rest[count..];
        }
    }

    fn calibration_page(&mut self) -> Option<[u8; CALIBRATION_BYTES]> {
        Some(calibration_page())
    }

    fn keep_calibration(&mut self, page: &[u8; CALIBRATION_BYTES]) {
        // Whether it worked shows when it is read back.
        self.settled = None;
        let _ = self.memory.blocking_erase(CALIBRATION as u32, FLASH_BYTES as u32);
        let _ = self.memory.blocking_write(CALIBRATION as u32, page);
        for (channel, scale) in self.channels.iter_mut().zip(scales(&Calibration::decode(&calibration_page()))) {
            channel.calibrate(scale);
        }
    }

    fn hang(&mut self) {
        loop {
            cortex_m::asm::nop();
        }
    }
}

/// What the channels give, as far as it is known.
pub fn scales(calibration: &Result<Option<Calibration>, DamagedCalibration>) -> [ChannelScale; CHANNELS] {
    match calibration {
        Ok(Some(calibration)) => calibration.scales,
        Ok(None) | Err(DamagedCalibration) => [ChannelScale::NOMINAL; CHANNELS],
    }
}

//! The stand-in kiln controller as a program for an RP2040 board: three probes through
//! converters, a contactor and three element relays, lid and buttons, a text console.
//! What it decides is in `dryfire_stand_in`; here are the pins.
#![no_std]
#![no_main]

mod parts;

use core::panic::PanicInfo;

use dryfire_stand_in::{CONFIGURATION_BYTES, Configuration, Contacts, Inputs, Outputs, StandIn};
use embassy_executor::Spawner;
use embassy_futures::select::{Either3, select3, select4};
use embassy_rp::gpio::{Input, Level, Output, Pull};
use embassy_rp::peripherals::UART0;
use embassy_rp::uart::{self, BufferedInterruptHandler, BufferedUart, BufferedUartTx};
use embassy_rp::watchdog::Watchdog;
use embassy_rp::{bind_interrupts, pac, spi};
use embassy_sync::blocking_mutex::raw::CriticalSectionRawMutex;
use embassy_sync::pipe::Pipe;
use embassy_time::{Duration, Instant, Timer};
use embedded_io_async::{Read as _, Write as _};
use static_cell::StaticCell;

use parts::{Fitted, Parts, ReadOnly, ZONES};

bind_interrupts!(struct Interrupts {
    UART0_IRQ => BufferedInterruptHandler<UART0>;
});

/// Where the configuration is kept: the last page of the flash.
const CONFIGURATION: *const [u8; CONFIGURATION_BYTES] = 0x101f_f000 as *const _;
/// Longest line of the console that is kept together.
const LINE: usize = 512;

static TO_CONSOLE: Pipe<CriticalSectionRawMutex, 1024> = Pipe::new();

/// Relays, lid and buttons.
struct Power {
    safety: Output<'static>,
    elements: [Output<'static>; ZONES],
}

struct Buttons {
    lid: Input<'static>,
    stop: Input<'static>,
    start: Input<'static>,
    acknowledge: Input<'static>,
}

impl Power {
    fn set(&mut self, outputs: &Outputs) {
        for (pin, on) in self.elements.iter_mut().zip(outputs.elements) {
            pin.set_level(on.into());
        }
        self.safety.set_level(outputs.safety.into());
    }
}

impl Buttons {
    /// Contacts lead to ground; lid and stop are closed at rest, so that a broken wire counts as pressed.
    fn read(&self) -> Contacts {
        Contacts {
            lid_open: self.lid.is_high(),
            stop: self.stop.is_high(),
            start: self.start.is_low(),
            acknowledge: self.acknowledge.is_low(),
        }
    }

    async fn change(&mut self) {
        select4(
            self.lid.wait_for_any_edge(),
            self.stop.wait_for_any_edge(),
            self.start.wait_for_any_edge(),
            self.acknowledge.wait_for_any_edge(),
        )
        .await;
    }
}

#[embassy_executor::main]
async fn main(spawner: Spawner) {
    let pins = embassy_rp::init(Default::default());
    let power = Power {
        safety: Output::new(pins.PIN_10, Level::Low), // contactor
        elements: [
            Output::new(pins.PIN_11, Level::Low), // element relay 0
            Output::new(pins.PIN_12, Level::Low), // element relay 1
            Output::new(pins.PIN_13, Level::Low), // element relay 2
        ],
    };
    let buttons = Buttons {
        lid: Input::new(pins.PIN_14, Pull::Up),         // lid switch
        stop: Input::new(pins.PIN_15, Pull::Up),        // stop button
        start: Input::new(pins.PIN_16, Pull::Up),       // start button
        acknowledge: Input::new(pins.PIN_17, Pull::Up), // acknowledge button
    };
    let mut config = spi::Config::default();
    config.frequency = 4_000_000;
    let bus = spi::Spi::new_blocking(
        pins.SPI0, pins.PIN_2, // bus: clock
        pins.PIN_3, // bus: data out
        pins.PIN_4, // bus: data in
        config,
    );
    let converters = [
        Output::new(pins.PIN_5, Level::High), // zone 0: converter select
        Output::new(pins.PIN_6, Level::High), // zone 1: converter select
        Output::new(pins.PIN_7, Level::High), // zone 2: converter select
    ];
    let memory = Output::new(pins.PIN_8, Level::High); // memory select
    // To ground: read-only converters are fitted, or a rig plays them.
    let strap = Input::new(pins.PIN_18, Pull::Up); // strap: read-only converters
    let short = Input::new(pins.PIN_19, Pull::Up); // strap: those of 12 bits

    static CONSOLE_OUT: StaticCell<[u8; 128]> = StaticCell::new();
    static CONSOLE_IN: StaticCell<[u8; 512]> = StaticCell::new();
    let console = BufferedUart::new(
        pins.UART0,
        pins.PIN_0, // console: out
        pins.PIN_1, // console: in
        Interrupts,
        CONSOLE_OUT.init([0; 128]),
        CONSOLE_IN.init([0; 512]),
        uart::Config::default(),
    );
    let (out, console) = console.split();
    spawner.spawn(type_out(out).unwrap());
    let watchdog = Watchdog::new(pins.WATCHDOG);
    // SAFETY: flash is always readable.
    match Configuration::decode(unsafe { &*CONFIGURATION }) {
        Ok(configuration) => {
            let part = if short.is_low() { ReadOnly::TwelveBit } else { ReadOnly::FourteenBit };
            let read_only = Fitted::read_only(part, configuration.settings.bounded().tick_ms);
            let fitted = if strap.is_low() { read_only } else { Fitted::Linearised };
            let parts = Parts::new(fitted, bus, converters, memory);
            fire(configuration, parts, power, buttons, console, watchdog).await
        }
        Err(_) => loop {
            say("configuration damaged: no heat");
            Timer::after_secs(10).await;
        },
    }
}

fn say(line: &str) {
    for bytes in [line.as_bytes(), b"\n"] {
        let mut rest = bytes;
        // A console that nobody reads fast enough loses text, not time.
        while !rest.is_empty()
            && let Ok(count) = TO_CONSOLE.try_write(rest)
        {
            rest = &rest[count..];
        }
    }
}

#[embassy_executor::task]
async fn type_out(mut port: BufferedUartTx) -> ! {
    let mut buffer = [0; 32];
    loop {
        let count = TO_CONSOLE.read(&mut buffer).await;
        // A UART's transmitter has no errors.
        let _ = port.write_all(&buffer[..count]).await;
    }
}

async fn fire(
    configuration: Configuration,
    mut parts: Parts,
    mut power: Power,
    mut buttons: Buttons,
    mut console: uart::BufferedUartRx,
    mut watchdog: Watchdog,
) -> ! {
    static CONTROLLER: StaticCell<StandIn> = StaticCell::new();
    let image = parts.restore();
    let controller = CONTROLLER.init_with(|| StandIn::boot(configuration.settings, configuration.defects, &image));
    let tick = Duration::from_millis(u64::from(controller.settings().tick_ms));
    let patience = tick * 4 + Duration::from_millis(500);
    watchdog.start(patience);
    let mut next_tick = Instant::now() + tick;
    let mut line = console_line::Line::new();
    let mut bytes = [0; 64];
    loop {
        let now = Instant::now();
        // The millisecond timer wraps after 49.7 days, as the logic expects.
        let now_ms = now.as_millis() as u32;
        let outputs = if now >= next_tick {
            next_tick += tick;
            watchdog.feed(patience);
            let readings = parts.read();
            controller.tick(now_ms, &Inputs { readings, contacts: buttons.read() })
        } else {
            controller.poll_contacts(now_ms, &buttons.read())
        };
        power.set(&outputs);
        // A millisecond more: the timer's milliseconds are rounded down.
        let look_again = outputs.call_again_after_ms.map(|after| now + Duration::from_millis(u64::from(after) + 1));
        if let Some(save) = controller.take_save() {
            parts.save(&save);
        }
        while let Some(said) = controller.take_line() {
            say(&said);
        }
        let due = look_again.map_or(next_tick, |at| at.min(next_tick));
        match select3(Timer::at(due), buttons.change(), console.read(&mut bytes)).await {
            Either3::First(()) | Either3::Second(()) => {}
            Either3::Third(Ok(count)) => {
                for byte in &bytes[..count] {
                    if let Some(text) = line.push(*byte) {
                        controller.console_line(text);
                    }
                }
                while let Some(said) = controller.take_line() {
                    say(&said);
                }
            }
            Either3::Third(Err(_)) => {}
        }
    }
}

mod console_line {
    //! Lines out of bytes.

    use super::LINE;

    /// The line that is coming in.
    pub struct Line {
        bytes: [u8; LINE],
        length: usize,
        finished: bool,
    }

    impl Line {
        pub const fn new() -> Self {
            Line { bytes: [0; LINE], length: 0, finished: false }
        }

        /// Takes a byte; the line when this was its end. One that is too long is cut, which makes
        /// it no instruction.
        pub fn push(&mut self, byte: u8) -> Option<&str> {
            if core::mem::take(&mut self.finished) {
                self.length = 0;
            }
            match byte {
                b'\n' => {
                    self.finished = true;
                    Some(core::str::from_utf8(&self.bytes[..self.length]).unwrap_or("?"))
                }
                _ => {
                    if let Some(place) = self.bytes.get_mut(self.length) {
                        *place = byte;
                        self.length += 1;
                    }
                    None
                }
            }
        }
    }
}

fn reset() -> ! {
    cortex_m::interrupt::disable();
    pac::PSM.wdsel().write_value(pac::psm::regs::Wdsel(0x0001_ffff & !0b11));
    pac::WATCHDOG.ctrl().write(|word| word.set_trigger(true));
    loop {
        cortex_m::asm::nop();
    }
}

/// Every output falls back to off with the reset.
#[panic_handler]
fn panic(_info: &PanicInfo<'_>) -> ! {
    reset()
}

#[cortex_m_rt::exception]
unsafe fn HardFault(_frame: &cortex_m_rt::ExceptionFrame) -> ! {
    reset()
}

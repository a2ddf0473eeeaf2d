//! The rig as a program for an RP2040 board. What a rig does is in `dryfire_rig`;
//! here are the pins. `docs/rig.md` is the wiring; a test compares its table with the pins here.
#![no_std]
#![no_main]

mod cold_junction;
mod converters;
mod edges;
mod health;
mod outputs;
mod registers;
mod usb;

use dryfire_link::frame::MAX_FRAME;
use dryfire_link::{Capabilities, LinkTime};
use dryfire_rig::{Calibration, DamagedCalibration, Identity, Rig, WrapExtender};
use dryfire_units::RigTime;
use embassy_executor::Spawner;
use embassy_futures::select::{Either4, select4};
use embassy_rp::clocks::RoscRng;
use embassy_rp::flash::Flash;
use embassy_rp::gpio::{Input, Level, Output, Pull};
use embassy_rp::peripherals::{PIO0, UART0};
use embassy_rp::uart::{self, BufferedInterruptHandler, BufferedUart, BufferedUartTx};
use embassy_rp::watchdog::Watchdog;
use embassy_rp::{bind_interrupts, pac, pio, spi};
use embassy_time::{Duration, Instant, Timer};
use embedded_io_async::{Read as _, Write as _};
use static_cell::StaticCell;

use outputs::{CHANNELS, CONTACTS, Outputs, TO_CONSOLE};

bind_interrupts!(struct Interrupts {
    UART0_IRQ => BufferedInterruptHandler<UART0>;
    PIO0_IRQ_0 => pio::InterruptHandler<PIO0>;
});

/// Without a turn of the main loop for so long the board is reset.
const PATIENCE: Duration = Duration::from_millis(1_000);
/// The main loop turns at least this often, to feed the watchdog.
const LONGEST_SLEEP: Duration = Duration::from_millis(400);
/// Bytes that are copied at once with interrupts off: about 2 µs.
const PIECE: usize = 32;
/// Speed of the controller's console.
const BAUD: u32 = 115_200;

#[embassy_executor::main]
async fn main(spawner: Spawner) {
    let start = health::Start::take();
    let pins = embassy_rp::init(Default::default());
    let mut watchdog = Watchdog::new(pins.WATCHDOG);
    watchdog.start(PATIENCE);

    // Before anything else: the switches stay open until the first word has been shifted out.
    let enable = Output::new(pins.PIN_9, Level::High); // switches: output enable, low is on
    let latch = Output::new(pins.PIN_8, Level::Low); // switches: latch
    let converters = [
        Output::new(pins.PIN_5, Level::High), // channel 0: converter select
        Output::new(pins.PIN_6, Level::High), // channel 1: converter select
        Output::new(pins.PIN_7, Level::High), // channel 2: converter select
    ];
    let mut config = spi::Config::default();
    config.frequency = 8_000_000;
    let spi = spi::Spi::new_blocking(
        pins.SPI0, pins.PIN_2, // converters and switches: clock
        pins.PIN_3, // converters and switches: data out
        pins.PIN_4, // converters and switches: data in
        config,
    );
    // Each keeps its pull until the end of the program.
    let inputs = [
        Input::new(pins.PIN_10, Pull::Down), // sensed input 0
        Input::new(pins.PIN_11, Pull::Down), // sensed input 1
        Input::new(pins.PIN_12, Pull::Down), // sensed input 2
        Input::new(pins.PIN_13, Pull::Down), // sensed input 3
        Input::new(pins.PIN_14, Pull::Down), // sensed input 4
        Input::new(pins.PIN_15, Pull::Down), // sensed input 5
        Input::new(pins.PIN_16, Pull::Down), // sensed input 6
        Input::new(pins.PIN_17, Pull::Down), // sensed input 7
        Input::new(pins.PIN_21, Pull::Down), // supply rail, high is on
    ];
    core::mem::forget(inputs);
    let bus = converters::Bus::new(
        pio::Pio::new(pins.PIO0, Interrupts),
        converters::Pins {
            selects: (
                pins.PIN_18, // played converter 0: select, from the controller
                pins.PIN_19, // played converter 1: select, from the controller
                pins.PIN_20, // played converter 2: select, from the controller
            ),
            data: pins.PIN_22,  // played converters: data, to the controller
            clock: pins.PIN_26, // played converters: clock, from the controller
        },
    );
    let registers = registers::Bus::new(
        pins.PIN_28, // played converters: data, from the controller
    );
    let sensor = cold_junction::Sensor::new(
        pins.ADC,
        pins.PIN_27, // sensor of the cold junction
        RigTime::from_micros(Instant::now().as_micros() as i64),
    );
    let light = Output::new(pins.PIN_25, Level::Low); // light: on while a run goes on

    static CONSOLE_OUT: StaticCell<[u8; 128]> = StaticCell::new();
    static CONSOLE_IN: StaticCell<[u8; 512]> = StaticCell::new();
    let mut config = uart::Config::default();
    config.baudrate = BAUD;
    let console = BufferedUart::new(
        pins.UART0,
        pins.PIN_0, // console: to the controller
        pins.PIN_1, // console: from the controller
        Interrupts,
        CONSOLE_OUT.init([0; 128]),
        CONSOLE_IN.init([0; 512]),
        config,
    );
    let (to_controller, from_controller) = console.split();

    static RIG: StaticCell<Rig> = StaticCell::new();
    let calibration = Calibration::decode(&outputs::calibration_page());
    let memory = Flash::new_blocking(pins.FLASH);
    let rig = RIG.init_with(|| Rig::new(identity(start, &calibration)));
    let outputs = Outputs::new(spi, memory, converters, latch, enable, outputs::scales(&calibration), (bus, registers));
    // SAFETY: called once, the pins are inputs, and nothing else here waits for pins.
    unsafe { edges::begin() };
    spawner.spawn(usb::carry(pins.USB).unwrap());
    spawner.spawn(type_to_controller(to_controller).unwrap());
    run(rig, outputs, sensor, watchdog, from_controller, light).await
}

fn identity(start: health::Start, calibration: &Result<Option<Calibration>, DamagedCalibration>) -> Identity {
    Identity {
        board: "rp2040",
        firmware: env!("CARGO_PKG_VERSION"),
        boot_id: RoscRng.next_u32() ^ boot_words(start),
        start: Some(start.into()),
        calibration: Some(Calibration::state(calibration)),
        capabilities: Capabilities {
            simulated: false,
            stepped: !health::is_silicon(),
            supply_switch: true,
            supply_rail: true,
            console: true,
            probe_channels: CHANNELS as u8,
            inputs: edges::INPUTS as u8,
            contacts: CONTACTS as u8,
        },
    }
}

/// Keeps two boots apart even if the oscillator's noise should not.
fn boot_words(start: health::Start) -> u32 {
    let kept = pac::WATCHDOG.scratch4().read().wrapping_add(0x9e37_79b9);
    pac::WATCHDOG.scratch4().write_value(kept);
    match start {
        health::Start::Power => kept,
        health::Start::Watchdog => kept ^ 1,
        health::Start::Panic(line) => kept ^ line.rotate_left(8),
        health::Start::Fault => kept ^ 2,
        health::Start::SupplyDip => kept ^ 3,
        health::Start::ResetLine => kept ^ 4,
    }
}

#[embassy_executor::task]
async fn type_to_controller(mut port: BufferedUartTx) -> ! {
    let mut buffer = [0; 32];
    loop {
        let count = TO_CONSOLE.read(&mut buffer).await;
        // A UART's transmitter has no errors.
        let _ = port.write_all(&buffer[..count]).await;
    }
}

/// The clocks of the rig and of its link.
///
/// On silicon both are the chip's timer. Where the clock runs by grants, link time stands
/// still while granted time passes: a host that waits is not silent.
struct Clocks {
    granted: u64,
    last: u64,
}

impl Clocks {
    fn read(&mut self, stepped: bool) -> (RigTime, LinkTime) {
        let now = Instant::now().as_micros();
        if stepped {
            self.granted += now - self.last;
        }
        self.last = now;
        (RigTime::from_micros(now as i64), LinkTime::from_micros(now - self.granted))
    }

    fn to_instant(&self, link: LinkTime) -> u64 {
        link.as_micros().saturating_add(self.granted)
    }
}

async fn run(
    rig: &'static mut Rig,
    mut outputs: Outputs,
    mut sensor: cold_junction::Sensor,
    mut watchdog: Watchdog,
    mut console: uart::BufferedUartRx,
    mut light: Output<'static>,
) -> ! {
    let mut clocks = Clocks { granted: 0, last: Instant::now().as_micros() };
    let (now, _) = clocks.read(false);
    let mut extender = WrapExtender::new(now.as_micros() as u32, now);
    let (levels, rail) = edges::levels();
    for input in 0..edges::INPUTS as u8 {
        if levels >> input & 1 != 0 {
            rig.handle_edge(now, input, true);
        }
    }
    rig.handle_supply_rail(now, rail);
    let mut line = [0; 64];
    let mut frame = [0; MAX_FRAME];
    loop {
        let (now, link_now) = clocks.read(rig.is_stepped());
        extender.extend(now.as_micros() as u32);
        take_changes(rig, &mut extender, now);
        while let Ok((packet, count)) = usb::RECEIVED.try_receive() {
            rig.handle_bytes(link_now, &packet[..count]);
        }
        if let Some(reading) = sensor.turn(now) {
            rig.handle_cold_junction(now, reading);
        }
        rig.poll(now, link_now, &mut outputs);
        let refresh = outputs.refresh(now);
        light.set_level(rig.is_running().into());
        let mut blocked = false;
        loop {
            if usb::TO_SEND.free_capacity() < MAX_FRAME {
                blocked = true;
                break;
            }
            let Some(bytes) = rig.poll_transmit(link_now, &mut frame) else { break };
            // There is room for the whole frame. It is copied with interrupts off, and a long piece
            // would hold up the timestamps.
            for piece in bytes.chunks(PIECE) {
                let mut rest = piece;
                while !rest.is_empty()
                    && let Ok(count) = usb::TO_SEND.try_write(rest)
                {
                    rest = &rest[count..];
                }
            }
        }
        watchdog.feed(PATIENCE);

        let mut due = now.as_micros() as u64 + LONGEST_SLEEP.as_micros();
        for at in [rig.next_due(), refresh, Some(sensor.due())].into_iter().flatten() {
            due = due.min(at.as_micros() as u64);
        }
        let stepped = rig.is_stepped();
        if stepped {
            due = due.min(rig.horizon().as_micros() as u64);
        }
        // While the host takes nothing there is nothing to be done for the link but to notice its silence.
        let link_due = if blocked { rig.next_silence_due() } else { rig.next_link_due() };
        if let Some(at) = link_due {
            // Link time stands still in a stepped run: what is not due yet never will be.
            if !stepped || at <= link_now {
                due = due.min(clocks.to_instant(at));
            }
        }
        if !health::is_silicon() {
            health::tell_horizon(stepped.then(|| rig.horizon().as_micros() as u64));
        }
        if stepped && due <= now.as_micros() as u64 && rig.horizon() <= now {
            // Time is used up: only the host moves things on.
            due = u64::MAX;
        }
        let woken = select4(
            usb::RECEIVED.ready_to_receive(),
            console.read(&mut line),
            edges::SEEN.wait(),
            embassy_futures::select::select(Timer::at(Instant::from_micros(due)), wait_for_room(blocked)),
        )
        .await;
        if let Either4::Second(Ok(count)) = woken {
            let (now, _) = clocks.read(rig.is_stepped());
            rig.handle_console(now, &line[..count]);
        }
        // While edges come faster than turns there is always something to do here: the link's task needs its turn too.
        embassy_futures::yield_now().await;
    }
}

/// Bytes for the host wait until there is room for them.
async fn wait_for_room(blocked: bool) {
    if blocked { usb::ROOM.wait().await } else { core::future::pending().await }
}

/// Takes what happened up to `now`. What comes meanwhile is for the next turn, so that changes which come as fast
/// as they are taken hold up neither the link nor the watchdog.
fn take_changes(rig: &mut Rig, extender: &mut WrapExtender, now: RigTime) {
    while let Some(change) = edges::first() {
        let at = extender.extend(change.raw_micros);
        if at > now {
            break;
        }
        edges::take();
        if usize::from(change.pin) == edges::RAIL {
            rig.handle_supply_rail(at, change.high);
        } else {
            rig.handle_edge(at, change.pin - edges::FIRST_INPUT as u8, change.high);
        }
    }
    rig.note_lost_edges(edges::take_lost());
}

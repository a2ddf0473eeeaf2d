//! Why the board was started, and what it leaves behind when it dies.

use core::panic::PanicInfo;

use dryfire_link::StartReason;
use embassy_rp::pac;

/// Marks the words that a panic leaves in the watchdog's scratch registers, which
/// survive its reset and nothing else.
const PANICKED: u32 = 0x5041_4e49;
const FAULTED: u32 = 0x4641_554c;

/// Why the board was started.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Start {
    /// Its power came on, or its reset pin was pulled.
    Power,
    /// It did not feed its watchdog in time.
    Watchdog,
    /// It gave up by itself, at this line of its program.
    Panic(u32),
    /// The processor found something that it cannot do.
    Fault,
}

impl Start {
    /// Reads and forgets it.
    pub fn take() -> Start {
        let reason = pac::WATCHDOG.reason().read();
        let (mark, line) = (pac::WATCHDOG.scratch0().read(), pac::WATCHDOG.scratch1().read());
        pac::WATCHDOG.scratch0().write_value(0);
        match mark {
            _ if !(reason.timer() || reason.force()) => Start::Power,
            PANICKED => Start::Panic(line),
            FAULTED => Start::Fault,
            _ => Start::Watchdog,
        }
    }
}

impl From<Start> for StartReason {
    fn from(start: Start) -> StartReason {
        match start {
            Start::Power => StartReason::Power,
            Start::Watchdog => StartReason::Watchdog,
            Start::Panic(line) => StartReason::Panic { line },
            Start::Fault => StartReason::Fault,
        }
    }
}

fn leave(mark: u32, line: u32) -> ! {
    cortex_m::interrupt::disable();
    pac::WATCHDOG.scratch0().write_value(mark);
    pac::WATCHDOG.scratch1().write_value(line);
    // Everything but the oscillators is reset; every output falls back to its safe level.
    pac::PSM.wdsel().write_value(pac::psm::regs::Wdsel(0x0001_ffff & !0b11));
    pac::WATCHDOG.ctrl().write(|word| word.set_trigger(true));
    loop {
        cortex_m::asm::nop();
    }
}

#[panic_handler]
fn panic(info: &PanicInfo<'_>) -> ! {
    leave(PANICKED, info.location().map_or(0, |location| location.line()))
}

#[cortex_m_rt::exception]
unsafe fn HardFault(_frame: &cortex_m_rt::ExceptionFrame) -> ! {
    leave(FAULTED, 0)
}

/// Whether this is silicon. An emulator says so in the register that the chip has for it.
pub fn is_silicon() -> bool {
    pac::SYSINFO.platform().read().asic()
}

/// Tells an emulator how far the clock may go, microseconds; `None`: as it likes.
/// Silicon has nobody who would read it, and no clock that could be stopped.
pub fn tell_horizon(horizon: Option<u64>) {
    let (low, high) = match horizon {
        None => (0, 0),
        Some(micros) => (micros as u32, (micros >> 32) as u32 | 1 << 31),
    };
    if pac::WATCHDOG.scratch2().read() != low {
        pac::WATCHDOG.scratch2().write_value(low);
    }
    if pac::WATCHDOG.scratch3().read() != high {
        pac::WATCHDOG.scratch3().write_value(high);
    }
}

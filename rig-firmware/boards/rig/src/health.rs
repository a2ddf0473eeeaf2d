//! Why the board was started, and what it leaves behind when it dies.

use core::cell::UnsafeCell;
use core::mem::MaybeUninit;
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
    /// Its power came on.
    Power,
    /// Its supply failed for a moment: the brown-out detector tripped, and the memory is what it was.
    SupplyDip,
    /// Its reset pin was pulled.
    ResetLine,
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
        let ran_before = leave_alive_mark();
        match mark {
            // The chip tells power-on and brown-out by the same bit.
            _ if !(reason.timer() || reason.force()) => match pac::VREG_AND_CHIP_RESET.chip_reset().read() {
                last if last.had_run() => Start::ResetLine,
                _ if ran_before => Start::SupplyDip,
                _ => Start::Power,
            },
            PANICKED => Start::Panic(line),
            FAULTED => Start::Fault,
            _ => Start::Watchdog,
        }
    }
}

/// Memory that no start clears. Random after a power-on, and kept over whatever does not take its supply away
/// altogether.
struct Kept(UnsafeCell<MaybeUninit<[u32; 4]>>);

// SAFETY: touched once, at the start.
unsafe impl Sync for Kept {}

#[unsafe(link_section = ".uninit.alive")]
static ALIVE: Kept = Kept(UnsafeCell::new(MaybeUninit::uninit()));

/// Leaves the mark of a program that ran, and says whether it was there. Its words are arbitrary; that 128 random
/// bits are the same is not to be expected.
fn leave_alive_mark() -> bool {
    const MARK: [u32; 4] = [0x6472_7966, 0x6972_6521, 0x9b1c_6e57, 0x31e8_a40d];
    let words = ALIVE.0.get().cast::<u32>();
    let mut there = true;
    for (place, mark) in MARK.into_iter().enumerate() {
        // SAFETY: within the static, which nothing else uses; any bits are a number.
        unsafe {
            let word = words.add(place);
            there &= word.read_volatile() == mark;
            word.write_volatile(mark);
        }
    }
    there
}

impl From<Start> for StartReason {
    fn from(start: Start) -> StartReason {
        match start {
            Start::Power => StartReason::Power,
            Start::Watchdog => StartReason::Watchdog,
            Start::Panic(line) => StartReason::Panic { line },
            Start::Fault => StartReason::Fault,
            Start::SupplyDip => StartReason::SupplyDip,
            Start::ResetLine => StartReason::ResetLine,
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

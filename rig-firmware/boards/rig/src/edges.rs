//! Sensed inputs and the supply rail: every change with the instant at which it was seen. Of the selects of played
//! converters only when each was last let go, and what was written to it meanwhile.
//!
//! The interrupt of the pins is handled here and nowhere else. Its handler runs from
//! RAM through a vector table in RAM, so that no fetch from flash stands between a
//! change and its timestamp, and reads the timer before anything else. Nothing in
//! this program may wait for a pin through `embassy_rp::gpio`: its own handler is
//! never called.

use core::cell::UnsafeCell;
use core::mem::MaybeUninit;
use core::sync::atomic::{AtomicU32, AtomicUsize, Ordering};

use cortex_m::peripheral::SCB;
use embassy_rp::interrupt::{InterruptExt, Priority};
use embassy_rp::pac;
use embassy_sync::blocking_mutex::raw::CriticalSectionRawMutex;
use embassy_sync::signal::Signal;

use crate::registers::{self, Released};

/// First pin of the sensed inputs; they follow each other.
pub const FIRST_INPUT: usize = 10;
/// How many there are.
pub const INPUTS: usize = 8;
/// First pin of the selects of played converters; they follow each other.
pub const FIRST_SELECT: usize = 18;
/// How many there are.
pub const SELECTS: usize = 3;
/// Pin of the controller's supply rail.
pub const RAIL: usize = 21;
/// Changes between two turns of the main loop at most; a power of two.
const ROOM: usize = 2_048;

/// What happened at one pin.
#[derive(Clone, Copy)]
pub struct Change {
    /// Lower half of the microsecond timer.
    pub raw_micros: u32,
    /// Pin number.
    pub pin: u8,
    /// Level from then on.
    pub high: bool,
}

/// One writer, the interrupt; one reader, the main loop.
struct Ring {
    slots: UnsafeCell<[MaybeUninit<Change>; ROOM]>,
    written: AtomicUsize,
    read: AtomicUsize,
}

// SAFETY: a slot is written before `written` moves past it and read before `read` does.
unsafe impl Sync for Ring {}

static RING: Ring = Ring {
    slots: UnsafeCell::new([MaybeUninit::uninit(); ROOM]),
    written: AtomicUsize::new(0),
    read: AtomicUsize::new(0),
};
static LOST: AtomicU32 = AtomicU32::new(0);
/// When each select last rose, and how often each has.
static RELEASED: [AtomicU32; SELECTS] = [const { AtomicU32::new(0) }; SELECTS];
static RELEASES: [AtomicU32; SELECTS] = [const { AtomicU32::new(0) }; SELECTS];

/// Set whenever there is something to read.
pub static SEEN: Signal<CriticalSectionRawMutex, ()> = Signal::new();

#[repr(C, align(256))]
struct Vectors(UnsafeCell<[u32; 48]>);

// SAFETY: written once before interrupts use it.
unsafe impl Sync for Vectors {}

static VECTORS: Vectors = Vectors(UnsafeCell::new([0; 48]));

/// Number of the pins' interrupt.
const IO_IRQ_BANK0: usize = 13;
/// Bits of a pin in the interrupt registers.
const FELL: u32 = 1 << 2;
const ROSE: u32 = 1 << 3;

/// Takes over the pins' interrupt and begins to watch.
///
/// # Safety
/// To be called once, with the pins set up as inputs and nothing else using their interrupt.
pub unsafe fn begin() {
    // SAFETY: the table of the running program is read whole, the one in RAM is ours.
    unsafe {
        let scb = &*SCB::PTR;
        let from = scb.vtor.read() as *const u32;
        let table = &mut *VECTORS.0.get();
        for (place, entry) in table.iter_mut().enumerate() {
            *entry = from.add(place).read_volatile();
        }
        table[16 + IO_IRQ_BANK0] = on_change as *const () as usize as u32;
        scb.vtor.write(table.as_ptr() as u32);
    }
    for pin in (FIRST_INPUT..FIRST_INPUT + INPUTS).chain([RAIL]) {
        let shift = pin % 8 * 4;
        pac::IO_BANK0.intr(pin / 8).write_value(pac::io::regs::Int((FELL | ROSE) << shift));
        pac::IO_BANK0.int_proc(0).inte(pin / 8).modify(|word| word.0 |= (FELL | ROSE) << shift);
    }
    for pin in FIRST_SELECT..FIRST_SELECT + SELECTS {
        let shift = pin % 8 * 4;
        pac::IO_BANK0.intr(pin / 8).write_value(pac::io::regs::Int(ROSE << shift));
        pac::IO_BANK0.int_proc(0).inte(pin / 8).modify(|word| word.0 |= ROSE << shift);
    }
    cortex_m::peripheral::NVIC::unpend(pac::Interrupt::IO_IRQ_BANK0);
    // A timestamp waits for no other handler.
    pac::Interrupt::IO_IRQ_BANK0.set_priority(Priority::P0);
    for other in [pac::Interrupt::TIMER_IRQ_0, pac::Interrupt::USBCTRL_IRQ, pac::Interrupt::UART0_IRQ] {
        other.set_priority(Priority::P2);
    }
    // SAFETY: the handler is in place.
    unsafe { cortex_m::peripheral::NVIC::unmask(pac::Interrupt::IO_IRQ_BANK0) };
}

/// Levels of the inputs now, bit 0 the first, and of the rail.
pub fn levels() -> (u32, bool) {
    let pins = pac::SIO.gpio_in(0).read();
    (pins >> FIRST_INPUT & ((1 << INPUTS) - 1), pins >> RAIL & 1 != 0)
}

/// Whether the select of a played converter is low now; how often it has risen, and the lower half of the
/// microsecond timer when it last did.
pub fn select(number: usize) -> (bool, u32, u32) {
    // The number first: an interrupt between the two is seen again next time.
    let count = RELEASES[number].load(Ordering::Acquire);
    let low = pac::SIO.gpio_in(0).read() >> (FIRST_SELECT + number) & 1 == 0;
    (low, count, RELEASED[number].load(Ordering::Acquire))
}

/// The oldest change; it stays until it is taken.
pub fn first() -> Option<Change> {
    let read = RING.read.load(Ordering::Relaxed);
    if read == RING.written.load(Ordering::Acquire) {
        return None;
    }
    // SAFETY: written before `written` moved past it, and not reused before `read` does.
    Some(unsafe { (*RING.slots.get())[read % ROOM].assume_init() })
}

/// Takes the change that [`first`] gave.
pub fn take() {
    RING.read.store(RING.read.load(Ordering::Relaxed).wrapping_add(1), Ordering::Release);
}

/// Changes that there was no room for, since this was last asked.
pub fn take_lost() -> u32 {
    // The interrupt only adds; what comes between the two counts next time.
    let lost = LOST.load(Ordering::Relaxed);
    cortex_m::interrupt::free(|_| LOST.store(LOST.load(Ordering::Relaxed).wrapping_sub(lost), Ordering::Relaxed));
    lost
}

#[unsafe(link_section = ".data.ram_code")]
#[inline(never)]
extern "C" fn on_change() {
    let raw_micros = pac::TIMER.timerawl().read();
    let mut anything = false;
    for bank in FIRST_INPUT / 8..RAIL / 8 + 1 {
        let happened = pac::IO_BANK0.int_proc(0).ints(bank).read().0;
        if happened == 0 {
            continue;
        }
        pac::IO_BANK0.intr(bank).write_value(pac::io::regs::Int(happened));
        let pins = pac::SIO.gpio_in(0).read();
        let mut rest = happened;
        while rest != 0 {
            // The lowest pin that has something; there is no instruction for it on this core.
            let mut place = 0;
            while rest >> (place * 4) & 0xf == 0 {
                place += 1;
            }
            let bits = rest >> (place * 4) & (FELL | ROSE);
            rest &= !(0xf << (place * 4));
            let pin = bank as u32 * 8 + place;
            let select = (pin as usize).wrapping_sub(FIRST_SELECT);
            if select < SELECTS {
                RELEASED[select].store(raw_micros, Ordering::Relaxed);
                RELEASES[select].store(RELEASES[select].load(Ordering::Relaxed).wrapping_add(1), Ordering::Release);
                if registers::answers(select) {
                    match registers::released(select, raw_micros) {
                        Released::Read => {}
                        Released::ToDo => anything = true,
                        Released::Lost => LOST.store(LOST.load(Ordering::Relaxed).wrapping_add(1), Ordering::Relaxed),
                    }
                }
                continue;
            }
            let high = pins >> pin & 1 != 0;
            if bits == FELL | ROSE {
                // Both within one latency: there and back again.
                push(raw_micros, pin as u8, !high);
                push(raw_micros, pin as u8, high);
            } else {
                push(raw_micros, pin as u8, bits == ROSE);
            }
            anything = true;
        }
    }
    if anything {
        SEEN.signal(());
    }
}

#[inline(always)]
fn push(raw_micros: u32, pin: u8, high: bool) {
    let written = RING.written.load(Ordering::Relaxed);
    if written.wrapping_sub(RING.read.load(Ordering::Acquire)) >= ROOM {
        LOST.store(LOST.load(Ordering::Relaxed).wrapping_add(1), Ordering::Relaxed);
        return;
    }
    // SAFETY: the reader does not touch this slot before `written` moves past it.
    unsafe {
        (*RING.slots.get()).as_mut_ptr().add(written % ROOM).write(MaybeUninit::new(Change { raw_micros, pin, high }));
    }
    RING.written.store(written.wrapping_add(1), Ordering::Release);
}

//! The converters' bus where the rig plays converters with registers.
//!
//! A controller sends an address and has, half a clock after its last bit, to find the first bit of what lies there. No
//! interrupt is that quick. So the state machine of a channel puts the address behind the place of a table in memory, one
//! channel of the chip's copier hands that to a second one as the place to read from, and that one feeds the state
//! machine from there on. A third one keeps what the controller sent. The processor comes in when the part is let go:
//! it takes what was written, and makes ready for the next time.
//!
//! The line is driven while any part is selected, by a machine that does nothing but watch the selects, so that it is
//! free again at once.

use core::cell::UnsafeCell;
use core::sync::atomic::{AtomicBool, AtomicU32, AtomicUsize, Ordering, compiler_fence};

use dryfire_rig::{LinearisedPlayer, REGISTERS, WRITE};
use embassy_rp::Peri;
use embassy_rp::gpio::{Flex, Pull};
use embassy_rp::pac;
use embassy_rp::peripherals::PIN_28;
use embassy_rp::pio::program::pio_asm;

use crate::edges::{FIRST_SELECT, SELECTS};

/// Pins of the bus: data from the controller, data to it.
const DATA_IN: u8 = 28;
const DATA_OUT: u8 = 22;
/// A pin's function: which of the two blocks of state machines drives it.
const BY_PIO0: u8 = 6;
const BY_PIO1: u8 = 7;

/// The machine that drives the line.
const GATE: usize = 3;
/// Bytes behind the address that a controller can read or write at once.
const DEPTH: usize = 2 * REGISTERS;
/// Writes that wait for the main loop; a power of two.
const ROOM: usize = 64;

/// Instructions that the processor puts in.
const PULL: u16 = 0x80a0;
const ISR_FROM_OSR: u16 = 0xa0c7;
const Y_IS_7: u16 = 0xe047;
const LET_GO: u16 = 0xe080;
/// A jump to the first of the program.
const BEGIN: u16 = 0;

/// What is read: by address, the registers twice one after the other, so that a read that begins at any of them goes on over
/// the last. Reads of addresses that the part does not have end in the rest.
#[repr(C, align(256))]
struct Tables(UnsafeCell<[[u8; 256]; SELECTS + 1]>);

// SAFETY: written with the pins' interrupt off, or in it; the copier reads single bytes.
unsafe impl Sync for Tables {}

static TABLES: Tables = Tables(UnsafeCell::new([[0; 256]; SELECTS + 1]));

/// What the controller sent: the address with its table, then each byte.
struct Sent(UnsafeCell<[[u32; DEPTH + 1]; SELECTS]>);

// SAFETY: written by the copier, and read once that has been stopped.
unsafe impl Sync for Sent {}

static SENT: Sent = Sent(UnsafeCell::new([[0; DEPTH + 1]; SELECTS]));

/// A byte that the controller has written.
#[derive(Clone, Copy)]
pub struct Written {
    /// Lower half of the microsecond timer when it let the part go.
    pub raw_micros: u32,
    /// Where.
    pub address: u8,
    /// What.
    pub byte: u8,
}

/// Writes of one channel: one writer, the interrupt; one reader, the main loop.
struct Ring {
    slots: [(AtomicU32, AtomicU32); ROOM],
    written: AtomicUsize,
    read: AtomicUsize,
}

static RINGS: [Ring; SELECTS] = [const {
    Ring {
        slots: [const { (AtomicU32::new(0), AtomicU32::new(0)) }; ROOM],
        written: AtomicUsize::new(0),
        read: AtomicUsize::new(0),
    }
}; SELECTS];
/// Channels that answer.
static ANSWERING: [AtomicBool; SELECTS] = [const { AtomicBool::new(false) }; SELECTS];
/// The main loop has registers for a channel that was selected just then.
static WAITED_FOR: [AtomicBool; SELECTS] = [const { AtomicBool::new(false) }; SELECTS];

/// The bus, with every channel silent.
pub struct Bus {
    /// Channels that would answer, were the line not held.
    wanted: u32,
    held: bool,
    gate_begins: u16,
    /// Keeps its pull until the end of the program.
    _data_in: Flex<'static>,
}

/// What the parts of the copier are for, one of each for each channel.
#[derive(Clone, Copy)]
enum Copier {
    /// The address, from the state machine to `Feed`.
    Address,
    /// From the table to the state machine.
    Feed,
    /// From the state machine to memory.
    Keep,
}

const fn copier(channel: usize, which: Copier) -> usize {
    3 * channel + which as usize
}

fn table(channel: usize) -> *mut u8 {
    // SAFETY: within the array; only an address is made of it here.
    unsafe { (&raw mut (*TABLES.0.get())[channel]).cast() }
}

fn sent(channel: usize) -> *mut u32 {
    // SAFETY: as above.
    unsafe { (&raw mut (*SENT.0.get())[channel]).cast() }
}

impl Bus {
    /// Loads the program; nothing answers yet. The other pins of the bus are set up already.
    pub fn new(data_in: Peri<'static, PIN_28>) -> Self {
        let mut data_in = Flex::new(data_in);
        data_in.set_as_input();
        data_in.set_pull(Pull::Down);
        // Cycles at 125 MHz, 8 ns each, with the two of the input synchroniser and the one of the output register: clock's
        // rise to next bit 5, select's rise to line free 5 to 10. From the fall of the address's last clock to its word
        // in the queue 6, then twice through the copier.
        let program = pio_asm!(
            "begin:",
            "    jmp pin, begin",
            "    set x, 7",
            "address:",
            "    wait 1 gpio 26",
            "    wait 0 gpio 26",
            "    in pins, 1",
            "    jmp x--, address",
            // Once for the place to read from, once to be kept.
            "    mov y, isr",
            "    push noblock",
            "    mov isr, y",
            "    push noblock",
            "byte:",
            "    pull block",
            "    set x, 7",
            "data:",
            "    wait 1 gpio 26",
            "    out pins, 1",
            "    wait 0 gpio 26",
            "    in pins, 1",
            "    jmp x--, data",
            "    push noblock",
            "    jmp byte",
            // The gate; y is 7, all three selects high.
            "PUBLIC gate:",
            "    mov isr, null",
            "    in pins, 3",
            "    mov x, isr",
            "    jmp x!=y, drive",
            "    jmp gate",
            "drive:",
            "    set pindirs, 1",
            "some:",
            "    mov isr, null",
            "    in pins, 3",
            "    mov x, isr",
            "    jmp x!=y, some",
            "    set pindirs, 0",
            "    jmp gate",
        );
        for (place, instruction) in program.program.code.iter().enumerate() {
            pac::PIO1.instr_mem(place).write(|word| word.set_instr_mem(*instruction));
        }
        for number in 0..=GATE {
            let machine = pac::PIO1.sm(number);
            machine.clkdiv().write(|word| word.set_int(1));
            machine.execctrl().write(|word| {
                word.set_wrap_bottom(0);
                word.set_wrap_top(31);
                word.set_jmp_pin((FIRST_SELECT + number.min(SELECTS - 1)) as u8);
            });
            // To the left, nothing by itself.
            machine.shiftctrl().write(|word| {
                word.set_in_shiftdir(false);
                word.set_out_shiftdir(false);
            });
            machine.pinctrl().write(|word| {
                word.set_in_base(if number == GATE { FIRST_SELECT as u8 } else { DATA_IN });
                word.set_out_base(DATA_OUT);
                word.set_out_count(1);
                word.set_set_base(DATA_OUT);
                word.set_set_count(1);
            });
        }
        for channel in 0..SELECTS {
            set_up_copiers(channel);
        }
        let gate_begins = program.public_defines.gate as u16;
        Bus { wanted: 0, held: false, gate_begins, _data_in: data_in }
    }

    /// A channel answers from now on, with those registers.
    pub fn start(&mut self, channel: usize, registers: &[u8; REGISTERS]) {
        cortex_m::interrupt::free(|_| {
            fill(channel, registers);
            RINGS[channel].read.store(RINGS[channel].written.load(Ordering::Relaxed), Ordering::Relaxed);
            ready(channel);
            ANSWERING[channel].store(true, Ordering::Relaxed);
        });
        self.wanted |= 1 << channel;
        self.follow();
    }

    /// A channel answers no more.
    pub fn stop(&mut self, channel: usize) {
        if self.wanted >> channel & 1 == 0 {
            return;
        }
        cortex_m::interrupt::free(|_| {
            ANSWERING[channel].store(false, Ordering::Relaxed);
            halt(channel);
        });
        self.wanted &= !(1 << channel);
        self.follow();
    }

    /// The data line is held by a switch, or not any more: nothing drives against that.
    pub fn hold(&mut self, held: bool) {
        self.held = held;
        self.follow();
    }

    /// Other registers. Says no while the part is selected, or while something that the controller has written was not
    /// taken yet; then they have to be put again.
    pub fn put(&mut self, channel: usize, registers: &[u8; REGISTERS]) -> bool {
        cortex_m::interrupt::free(|_| {
            let ring = &RINGS[channel];
            let free = pac::SIO.gpio_in(0).read() >> (FIRST_SELECT + channel) & 1 != 0;
            let taken = ring.read.load(Ordering::Relaxed) == ring.written.load(Ordering::Relaxed);
            // Selected from here on, it has to hear eight bits first, which takes longer than this.
            if free && taken {
                fill(channel, registers);
            }
            WAITED_FOR[channel].store(!(free && taken), Ordering::Relaxed);
            free && taken
        })
    }

    fn follow(&mut self) {
        let driving = self.wanted != 0 && !self.held;
        let gate = pac::PIO1.sm(GATE);
        cortex_m::interrupt::free(|_| {
            pac::PIO1.ctrl().modify(|word| word.set_sm_enable(word.sm_enable() & !(1 << GATE)));
            gate.instr().write(|word| word.set_instr(LET_GO));
            let function = if self.wanted != 0 { BY_PIO1 } else { BY_PIO0 };
            pac::IO_BANK0.gpio(usize::from(DATA_OUT)).ctrl().modify(|word| word.set_funcsel(function));
            if driving {
                gate.instr().write(|word| word.set_instr(Y_IS_7));
                gate.instr().write(|word| word.set_instr(self.gate_begins));
                pac::PIO1.ctrl().modify(|word| word.set_sm_enable(word.sm_enable() | 1 << GATE));
            }
        });
    }
}

/// The oldest byte that the controller has written to a channel; it stays until it is taken.
pub fn first(channel: usize) -> Option<Written> {
    let ring = &RINGS[channel];
    let read = ring.read.load(Ordering::Relaxed);
    if read == ring.written.load(Ordering::Acquire) {
        return None;
    }
    let (raw_micros, both) = &ring.slots[read % ROOM];
    let both = both.load(Ordering::Relaxed);
    Some(Written { raw_micros: raw_micros.load(Ordering::Relaxed), address: (both >> 8) as u8, byte: both as u8 })
}

/// Takes the byte that [`first`] gave.
pub fn take(channel: usize) {
    let ring = &RINGS[channel];
    ring.read.store(ring.read.load(Ordering::Relaxed).wrapping_add(1), Ordering::Release);
}

/// What came of a part that was let go.
pub enum Released {
    /// Nothing for the main loop.
    Read,
    /// There is something to do for it.
    ToDo,
    /// It was selected anew before it was ready, or more was written than there is room for.
    Lost,
}

/// Whether a channel answers. For the interrupt.
#[inline(always)]
pub fn answers(channel: usize) -> bool {
    ANSWERING[channel].load(Ordering::Relaxed)
}

/// A part was let go: takes what was written, and makes ready for the next time. For the interrupt of the pins, which
/// runs from memory.
#[inline(always)]
pub fn released(channel: usize, raw_micros: u32) -> Released {
    halt(channel);
    let kept = pac::DMA.ch(copier(channel, Copier::Keep)).write_addr().read();
    let words = (kept.wrapping_sub(sent(channel) as u32) / 4).min(DEPTH as u32 + 1);
    let mut found = Released::Read;
    if words > 1 {
        // SAFETY: within the array, and the copier stands still.
        let address = unsafe { sent(channel).read_volatile() } as u8;
        if address & WRITE != 0 {
            found = Released::ToDo;
            let ring = &RINGS[channel];
            let mut written = ring.written.load(Ordering::Relaxed);
            let mut place = address & !WRITE;
            let mut word = 1;
            while word < words {
                // SAFETY: as above.
                let byte = unsafe { sent(channel).add(word as usize).read_volatile() } as u8;
                if written.wrapping_sub(ring.read.load(Ordering::Acquire)) >= ROOM {
                    found = Released::Lost;
                    break;
                }
                // What it has written can be read back at once.
                keep(channel, place, byte);
                let (at, both) = &ring.slots[written % ROOM];
                at.store(raw_micros, Ordering::Relaxed);
                both.store(u32::from(place) << 8 | u32::from(byte), Ordering::Relaxed);
                written = written.wrapping_add(1);
                place = place.wrapping_add(1) & !WRITE;
                word += 1;
            }
            ring.written.store(written, Ordering::Release);
        }
    }
    if WAITED_FOR[channel].load(Ordering::Relaxed) && matches!(found, Released::Read) {
        found = Released::ToDo;
    }
    ready(channel);
    // Selected again already, it may have heard the first clocks or not.
    let selected = pac::SIO.gpio_in(0).read() >> (FIRST_SELECT + channel) & 1 == 0;
    if selected { Released::Lost } else { found }
}

/// Puts a byte where it is read.
#[inline(always)]
fn keep(channel: usize, place: u8, byte: u8) {
    let table = table(channel);
    // SAFETY: within the channel's table, with the interrupt off or in it.
    unsafe {
        let registers = &*(table as *const [u8; REGISTERS]);
        if LinearisedPlayer::takes(registers, place) {
            table.add(usize::from(place)).write_volatile(byte);
            table.add(usize::from(place) + REGISTERS).write_volatile(byte);
        }
    }
}

fn fill(channel: usize, registers: &[u8; REGISTERS]) {
    let table = table(channel);
    for (place, byte) in registers.iter().enumerate() {
        // SAFETY: within the channel's table, with the interrupt off.
        unsafe {
            for again in [0, REGISTERS, 2 * REGISTERS] {
                table.add(place + again).write_volatile(*byte);
            }
        }
    }
}

/// Stops the machine and the copiers of a channel.
#[inline(always)]
fn halt(channel: usize) {
    pac::PIO1.ctrl().modify(|word| word.set_sm_enable(word.sm_enable() & !(1 << channel)));
    pac::DMA.chan_abort().write(|word| word.set_chan_abort(0b111 << (3 * channel)));
    while pac::DMA.chan_abort().read().chan_abort() != 0 {}
    compiler_fence(Ordering::SeqCst);
}

/// Makes a channel ready to be selected.
#[inline(always)]
fn ready(channel: usize) {
    let machine = pac::PIO1.sm(channel);
    // Both queues are emptied by a change of this bit.
    machine.shiftctrl().modify(|word| word.set_fjoin_rx(true));
    machine.shiftctrl().modify(|word| word.set_fjoin_rx(false));
    pac::PIO1.ctrl().modify(|word| word.set_sm_restart(1 << channel));
    // The address will stand behind the place of the table.
    pac::PIO1.txf(channel).write_value(table(channel) as u32 >> 8);
    machine.instr().write(|word| word.set_instr(PULL));
    machine.instr().write(|word| word.set_instr(ISR_FROM_OSR));
    machine.instr().write(|word| word.set_instr(BEGIN));
    for which in [Copier::Address, Copier::Feed, Copier::Keep] {
        pac::DMA.ch(copier(channel, which)).dbg_ctdreq().write(|word| word.set_dbg_ctdreq(0));
    }
    pac::DMA.ch(copier(channel, Copier::Feed)).trans_count().write_value(DEPTH as u32);
    let keeper = pac::DMA.ch(copier(channel, Copier::Keep));
    keeper.write_addr().write_value(sent(channel) as u32);
    keeper.trans_count().write_value(DEPTH as u32 + 1);
    compiler_fence(Ordering::SeqCst);
    pac::DMA.ch(copier(channel, Copier::Address)).al1_trans_count_trig().write_value(1);
    pac::PIO1.ctrl().modify(|word| word.set_sm_enable(word.sm_enable() | 1 << channel));
}

fn set_up_copiers(channel: usize) {
    use pac::dma::regs::CtrlTrig;
    use pac::dma::vals::{DataSize, TreqSel};
    let (received, to_send) = (pac::PIO1.rxf(channel).as_ptr() as u32, pac::PIO1.txf(channel).as_ptr() as u32);
    let has = TreqSel::from_bits(TreqSel::PIO1_RX0 as u8 + channel as u8);
    let wants = TreqSel::from_bits(TreqSel::PIO1_TX0 as u8 + channel as u8);
    let control = |size: DataSize, paced: TreqSel, then: Copier, from: bool, to: bool| {
        let mut word = CtrlTrig(0);
        word.set_en(true);
        word.set_data_size(size);
        word.set_treq_sel(paced);
        word.set_incr_read(from);
        word.set_incr_write(to);
        word.set_chain_to(copier(channel, then) as u8);
        word.set_irq_quiet(true);
        word.0
    };
    let feeder = pac::DMA.ch(copier(channel, Copier::Feed));
    feeder.write_addr().write_value(to_send);
    feeder.al1_ctrl().write_value(control(DataSize::SIZE_BYTE, wants, Copier::Feed, true, false));
    let keeper = pac::DMA.ch(copier(channel, Copier::Keep));
    keeper.read_addr().write_value(received);
    keeper.al1_ctrl().write_value(control(DataSize::SIZE_WORD, has, Copier::Keep, false, true));
    let first = pac::DMA.ch(copier(channel, Copier::Address));
    first.read_addr().write_value(received);
    first.write_addr().write_value(feeder.al3_read_addr_trig().as_ptr() as u32);
    first.al1_ctrl().write_value(control(DataSize::SIZE_WORD, has, Copier::Keep, false, false));
}

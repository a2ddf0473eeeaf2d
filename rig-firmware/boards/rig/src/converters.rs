//! The converters' bus: the rig as a read-only converter that a controller selects and clocks.
//!
//! One state machine for each channel shifts the word out, so that no interrupt and no turn of the main loop
//! stands between a clock edge and its bit. Each has its own select; clock and data line are common to them,
//! as on a controller with several converters.
//!
//! While a part is not selected, its machine takes the newest word over and over. From the first moment of being
//! selected until it is let go it takes none: a word is never made of two.

use embassy_rp::gpio::Pull;
use embassy_rp::peripherals::{PIN_18, PIN_19, PIN_20, PIN_22, PIN_26, PIO0};
use embassy_rp::pio::program::pio_asm;
use embassy_rp::pio::{Config, Direction, Pio, ShiftConfig, ShiftDirection, StateMachine};
use embassy_rp::{Peri, pac};

/// Instruction `set pindirs, 0`: the data line is let go.
const LET_GO: u16 = 0xe080;

/// The bus, with every channel silent.
pub struct Bus {
    /// Where the program begins, which is also the instruction that jumps there.
    begins: u8,
    /// Channels that answer.
    answering: u32,
    /// Channels that would, were the line not held down.
    wanted: u32,
    held: bool,
    words: [u32; crate::outputs::CHANNELS],
}

/// The pins of the bus.
pub struct Pins {
    /// One for each channel, low is selected.
    pub selects: (Peri<'static, PIN_18>, Peri<'static, PIN_19>, Peri<'static, PIN_20>),
    /// Clock of the controller.
    pub clock: Peri<'static, PIN_26>,
    /// Data for the controller.
    pub data: Peri<'static, PIN_22>,
}

impl Bus {
    /// Loads the program; nothing answers yet.
    pub fn new(pio: Pio<'static, PIO0>, pins: Pins) -> Self {
        // Cycles at 125 MHz, 8 ns each, with the two of the input synchroniser and the one of the output register:
        // select to first bit 5 to 8, clock's fall to next bit 5, select's rise to line free 5 to 10. A clock's
        // high or low time has to be seen: 5 cycles, where 5 MHz give 12.
        let program = pio_asm!(
            ".side_set 1 opt pindirs",
            ".wrap_target",
            "idle:",
            // The newest word, or the one that is there.
            "    pull noblock",
            "    mov x, osr",
            "    jmp pin, idle",
            "    out pins, 1     side 1",
            "low:",
            "    jmp pin, over",
            "    mov isr, null",
            "    in pins, 1",
            "    mov y, isr",
            "    jmp !y, low",
            // The clock is high: the controller takes the bit. With its fall comes the next; after the last, zeros.
            "    wait 0 pin 0",
            "    out pins, 1",
            "    jmp low",
            "over:",
            "    nop             side 0",
            ".wrap",
        );
        let Pio { mut common, mut sm0, mut sm1, mut sm2, .. } = pio;
        let loaded = common.load_program(&program.program);
        let mut clock = common.make_pio_pin(pins.clock);
        clock.set_pull(Pull::Down);
        let data = common.make_pio_pin(pins.data);
        let mut selects = (
            common.make_pio_pin(pins.selects.0),
            common.make_pio_pin(pins.selects.1),
            common.make_pio_pin(pins.selects.2),
        );
        // A select that is not wired is none.
        selects.0.set_pull(Pull::Up);
        selects.1.set_pull(Pull::Up);
        selects.2.set_pull(Pull::Up);
        let mut config = Config::default();
        config.use_program(&loaded, &[&data]);
        config.set_out_pins(&[&data]);
        config.set_set_pins(&[&data]);
        config.set_in_pins(&[&clock]);
        let left = ShiftConfig { direction: ShiftDirection::Left, auto_fill: false, threshold: 32 };
        (config.shift_in, config.shift_out) = (left, left);
        let pins = [&clock, &data, &selects.0, &selects.1, &selects.2];
        config.set_jmp_pin(&selects.0);
        set_up(&mut sm0, &config, &pins);
        config.set_jmp_pin(&selects.1);
        set_up(&mut sm1, &config, &pins);
        config.set_jmp_pin(&selects.2);
        set_up(&mut sm2, &config, &pins);
        let begins = sm0.get_addr();
        // Their pins would be given back with them.
        core::mem::forget((common, sm0, sm1, sm2));
        Bus { begins, answering: 0, wanted: 0, held: false, words: [0; crate::outputs::CHANNELS] }
    }

    /// A channel answers from now on, with that word.
    pub fn start(&mut self, channel: usize, word: u32) {
        self.words[channel] = word;
        self.wanted |= 1 << channel;
        self.follow();
    }

    /// A channel answers no more.
    pub fn stop(&mut self, channel: usize) {
        self.wanted &= !(1 << channel);
        self.follow();
    }

    /// The data line is held by a switch, or not any more: nothing drives against that.
    pub fn hold(&mut self, held: bool) {
        self.held = held;
        self.follow();
    }

    /// Another word, for the next time that the channel is selected.
    pub fn put(&mut self, channel: usize, word: u32) {
        self.words[channel] = word;
        // The queue holds four and is emptied at once unless the part is selected, when no conversion ends.
        if self.answering >> channel & 1 != 0 {
            pac::PIO0.txf(channel).write_value(word);
        }
    }

    fn follow(&mut self) {
        let answering = if self.held { 0 } else { self.wanted };
        for channel in 0..self.words.len() {
            let (is, was) = (answering >> channel & 1 != 0, self.answering >> channel & 1 != 0);
            if is != was {
                self.switch(channel, is);
            }
        }
        self.answering = answering;
    }

    fn switch(&mut self, channel: usize, on: bool) {
        let (machine, bit) = (pac::PIO0.sm(channel), 1 << channel);
        pac::PIO0.ctrl().modify(|word| word.set_sm_enable(word.sm_enable() & !bit));
        machine.instr().write(|word| word.set_instr(LET_GO));
        if on {
            // Whatever waits in the queue is older.
            machine.shiftctrl().modify(|word| word.set_fjoin_tx(true));
            machine.shiftctrl().modify(|word| word.set_fjoin_tx(false));
            pac::PIO0.ctrl().modify(|word| word.set_sm_restart(bit));
            machine.instr().write(|word| word.set_instr(u16::from(self.begins)));
            pac::PIO0.txf(channel).write_value(self.words[channel]);
            pac::PIO0.ctrl().modify(|word| word.set_sm_enable(word.sm_enable() | bit));
        }
    }
}

fn set_up<const N: usize>(
    machine: &mut StateMachine<'static, PIO0, N>,
    config: &Config<'static, PIO0>,
    pins: &[&embassy_rp::pio::Pin<'static, PIO0>],
) {
    machine.set_config(config);
    machine.set_pin_dirs(Direction::In, pins);
}

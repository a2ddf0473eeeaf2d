// The converters' bus of a controller that has a rig in the place of its converters.
//
// The emulator's state machines have no clock: `step` is one cycle of 8 ns for those that are on. They run
// here, and nowhere else: when the processor gives them a word, and cycle by cycle while a master reads. So does
// the copier between them and memory, which the emulator lets act at once. The
// processor stands still meanwhile, for a few microseconds of bench time.
//
// What the emulator leaves out is added to every input: two cycles of the synchroniser, one for a `wait`
// that ends, which the emulator lets pass at once, and one for the output register. So an answer is never
// sooner here than on silicon.

const SELECTS = [18, 19, 20];
const [DATA, CLOCK, DATA_IN] = [22, 26, 28];
const LATENCY = 4;
/// Cycles in which an idle machine takes four words and is where it was.
const SETTLE = 24;
/// Cycles between select and the first clock: 104 ns.
const LEAD = 13;
/// Cycles for each word that the copier moves, from the moment at which it may: more than silicon is thought to take (a
/// guess; docs/rig.md has it among the measurements).
const COPY = 16;
/// The copier paced by nothing.
const UNPACED = 0x3f;

/// Of the emulator: what a machine waits for.
const WAITS_FOR_PIN = 1;
/// The instruction `jmp pin`, without its target.
const JUMP_IF_PIN = 0b110 << 5;
/// Cycles after which a machine that waits for a pin is where it was, at most.
const LONGEST_ROUND = 5;

const place = ({ pc, waiting, x, inputShiftReg, inputShiftCount, outputShiftReg, outputShiftCount }) => ({
  pc, waiting, x, inputShiftReg, inputShiftCount, outputShiftReg, outputShiftCount,
});

function isAt(machines, places) {
  for (let number = 0; number < machines.length; number++) {
    const [is, was] = [machines[number], places[number]];
    if (is.pc !== was.pc || is.waiting !== was.waiting || is.x !== was.x) return false;
    if (is.inputShiftReg !== was.inputShiftReg || is.inputShiftCount !== was.inputShiftCount) return false;
    if (is.outputShiftReg !== was.outputShiftReg || is.outputShiftCount !== was.outputShiftCount) return false;
  }
  return true;
}

/** A step would change nothing: it waits for a pin that is not so, or jumps to where it is while one is high. */
function stands(machine) {
  const { gpio } = machine.rp2040;
  if (machine.waiting) return machine.waitType === WAITS_FOR_PIN && gpio[machine.waitIndex].inputValue !== machine.waitPolarity;
  return machine.pio.instructions[machine.pc] === (JUMP_IF_PIN | machine.pc) && gpio[machine.jmpPin].inputValue;
}

/** A machine looks at three pins at most; the emulator makes all thirty into a word each time. */
function looksAtThree(machine) {
  const { gpio } = machine.rp2040;
  Object.defineProperty(machine, 'inPins', {
    get() {
      const first = machine.inBase;
      return [0, 1, 2].reduce((word, pin) => word | (gpio[first + pin]?.inputValue ? 1 << pin : 0), 0);
    },
  });
}

/** The queues of a machine are emptied when they are joined or parted, which the emulator leaves out. */
function emptied(machine) {
  const write = machine.writeUint32.bind(machine);
  const SHIFTCTRL = 8;
  machine.writeUint32 = (offset, value) => {
    const joined = (machine.shiftCtrl ^ value) >>> 30;
    write(offset, value);
    if (offset !== SHIFTCTRL || !joined) return;
    while (!machine.txFIFO.empty) machine.txFIFO.pull();
    while (!machine.rxFIFO.empty) machine.rxFIFO.pull();
    machine.updateDMATx();
    machine.updateDMARx();
  };
}

export class Bus {
  constructor(chip) {
    this.chip = chip;
    this.pio = chip.mcu.pio[0];
    for (const pio of chip.mcu.pio) pio.run = () => {};
    this.machines = chip.mcu.pio.flatMap((pio) => pio.machines);
    this.machines.forEach(emptied);
    this.machines.forEach(looksAtThree);
    this.moving = new Map();
    this.copier(chip.mcu.dma);
    this.coming = [];
    /** Every machine only goes round, as long as no pin changes. */
    this.atRest = false;
    this.reading = false;
    for (const machine of this.pio.machines) {
      const write = machine.writeFIFO.bind(machine);
      machine.writeFIFO = (value) => {
        write(value);
        this.atRest = false;
        if (!this.reading) this.tick(SETTLE);
      };
    }
    for (const select of SELECTS) chip.drive(select, true);
    chip.drive(CLOCK, false);
  }

  /** The copier moves a word so many cycles after it may. */
  copier(dma) {
    const read = dma.readUint32.bind(dma);
    // What is broken off is so at once.
    dma.readUint32 = (offset) => (offset === 0x444 ? 0 : read(offset));
    for (const channel of dma.channels) {
      const may = () => channel.treqValue === UNPACED || dma.dreq[channel.treqValue];
      channel.scheduleTransfer = () => {
        if (may() && !this.moving.has(channel)) this.moving.set(channel, { left: COPY, may });
      };
      const abort = channel.abort.bind(channel);
      channel.abort = () => {
        this.moving.delete(channel);
        abort();
      };
    }
  }

  copy() {
    for (const [channel, move] of this.moving) {
      move.left -= 1;
      if (move.left > 0) continue;
      this.moving.delete(channel);
      if (move.may()) channel.transfer();
    }
  }

  /**
   * So many cycles. Where nothing is on its way and every machine is again where it was some cycles ago, it will be so until
   * a pin changes: what is left until then is left out.
   */
  tick(cycles) {
    const on = this.machines.filter((machine) => machine.enabled);
    let before = null;
    let since = 0;
    for (let left = cycles; left > 0; left--) {
      if (this.atRest) {
        const skipped = Math.min(left, this.coming.length ? this.coming[0].left : left);
        for (const change of this.coming) change.left -= skipped;
        left -= skipped;
        if (left === 0) return;
        this.atRest = false;
      }
      if (this.coming.length || this.moving.size) {
        before = null;
      } else if (before && since > 0 && isAt(on, before)) {
        this.atRest = true;
        left += 1;
        before = null;
        continue;
      } else if (!before || since >= LONGEST_ROUND) {
        before = on.map(place);
        since = 0;
      }
      since += 1;
      for (const change of this.coming) change.left -= 1;
      while (this.coming[0]?.left < 0) {
        const { pin, high } = this.coming.shift();
        this.chip.drive(pin, high);
      }
      if (this.moving.size) this.copy();
      for (const machine of on) if (!stands(machine)) machine.step();
      for (const pio of this.chip.mcu.pio) pio.checkChangedPins();
    }
  }

  set(pin, high) {
    this.coming.push({ pin, high, left: LATENCY });
  }

  /** The data line: '0', '1', or 'z' where the rig does not drive it. */
  get line() {
    const pin = this.chip.mcu.gpio[DATA];
    return !pin.outputEnable ? 'z' : pin.outputValue ? '1' : '0';
  }

  /** A selection begins; what the processor has done since the last one is not known here. */
  begin() {
    this.reading = true;
    this.atRest = false;
  }

  /** A controller's master selects a channel; nothing else is selected then. */
  select(channel) {
    this.begin();
    this.tick(SETTLE);
    this.set(SELECTS[channel], false);
    this.tick(LEAD);
  }

  /**
   * It clocks in a byte, highest bit first, and takes each bit just before the rise of the clock. The line is pulled up
   * at the controller's end.
   */
  byte(half) {
    let byte = 0;
    for (let bit = 0; bit < 8; bit++) {
      this.tick(half - 1);
      byte = (byte << 1) | (this.line === '0' ? 0 : 1);
      this.tick(1);
      this.set(CLOCK, true);
      this.tick(half);
      this.set(CLOCK, false);
    }
    return byte;
  }

  /**
   * It sends a byte and takes one, highest bit first: the next bit at the rise of the clock, taken at its fall. The line
   * is pulled up at the controller's end.
   *
   * @param settled cycles before the fall at which the bit has to be there
   */
  exchange(byte, half, settled = 1) {
    let answer = 0;
    for (let bit = 7; bit >= 0; bit--) {
      this.set(DATA_IN, ((byte >> bit) & 1) === 1);
      this.set(CLOCK, true);
      this.tick(half - settled);
      answer = (answer << 1) | (this.line === '0' ? 0 : 1);
      this.tick(settled);
      this.set(CLOCK, false);
      this.tick(half);
    }
    return answer;
  }

  /**
   * One selection with registers: sends bytes and takes as many.
   *
   * @param options half: cycles of a half period; settled: as above; lead: cycles from select to the first clock;    * @returns the bytes, and the line before and after
   */
  converse(channel, bytes, { half = 62, settled = 1, lead = LEAD } = {}) {
    this.begin();
    this.tick(SETTLE);
    const before = this.line;
    this.set(SELECTS[channel], false);
    this.tick(lead);
    const answers = bytes.map((byte) => this.exchange(byte, half, settled));
    this.set(SELECTS[channel], true);
    this.tick(LATENCY + 7);
    const after = this.line;
    this.tick(SETTLE);
    this.reading = false;
    return { bytes: answers, before, after };
  }

  /** It lets the channel go. */
  release(channel) {
    this.set(SELECTS[channel], true);
    this.tick(SETTLE);
    this.reading = false;
  }

  /**
   * Reads as a master with the clock idle low that takes each bit at the rise.
   *
   * @param channel which select
   * @param bits so many clocks
   * @param options half: cycles of a half period; early: cycles before the rise at which the bit has to be
   *   there; give: at which bit the processor puts another word, and which; lead: cycles from select to the first clock
   * @returns the bits as text, and the line before and long after
   */
  read(channel, bits, { half = 13, early = 1, give = null, lead = LEAD, gap = 50 } = {}) {
    this.begin();
    this.tick(SETTLE);
    const before = this.line;
    this.set(SELECTS[channel], false);
    let text = '';
    let left = lead;
    for (let bit = 0; bit < bits; bit++) {
      this.tick(left - early);
      text += this.line;
      this.tick(early);
      if (give?.bit === bit) this.pio.machines[channel].writeFIFO(give.word);
      this.set(CLOCK, true);
      this.tick(half);
      this.set(CLOCK, false);
      left = half;
    }
    this.tick(left);
    this.set(SELECTS[channel], true);
    this.tick(gap);
    this.reading = false;
    return { bits: text, before, after: this.line };
  }
}

// The converters' bus of a controller that has a rig in the place of its converters.
//
// The emulator's state machines have no clock: `step` is one cycle of 8 ns for those that are on. They run
// here, and nowhere else: when the processor gives them a word, and cycle by cycle while a master reads. The
// processor stands still meanwhile, for a few microseconds of bench time.
//
// What the emulator leaves out is added to every input: two cycles of the synchroniser, one for a `wait`
// that ends, which the emulator lets pass at once, and one for the output register. So an answer is never
// sooner here than on silicon.

const SELECTS = [18, 19, 20];
const [DATA, CLOCK] = [22, 26];
const LATENCY = 4;
/// Cycles in which an idle machine takes four words and is where it was.
const SETTLE = 24;
/// Cycles between select and the first clock: 104 ns.
const LEAD = 13;

export class Bus {
  constructor(chip) {
    this.chip = chip;
    this.pio = chip.mcu.pio[0];
    this.pio.run = () => {};
    this.coming = [];
    this.reading = false;
    for (const machine of this.pio.machines) {
      const write = machine.writeFIFO.bind(machine);
      machine.writeFIFO = (value) => {
        write(value);
        if (!this.reading) this.tick(SETTLE);
      };
    }
    for (const select of SELECTS) chip.drive(select, true);
    chip.drive(CLOCK, false);
  }

  tick(cycles) {
    for (let cycle = 0; cycle < cycles; cycle++) {
      for (const change of this.coming) change.left -= 1;
      while (this.coming[0]?.left < 0) {
        const { pin, high } = this.coming.shift();
        this.chip.drive(pin, high);
      }
      for (const machine of this.pio.machines) if (machine.enabled) machine.step();
      this.pio.checkChangedPins();
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

  /** A controller's master selects a channel; nothing else is selected then. */
  select(channel) {
    this.reading = true;
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
    this.reading = true;
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

// A PL011 serial port with FIFOs that fill and empty at the speed of the line; the emulator's
// own has no transmit FIFO and interrupts for ever.

const [DR, FR, IBRD, FBRD, LCR_H, CR, IFLS, IMSC, RIS, MIS, ICR, DMACR] = [
  0x00, 0x18, 0x24, 0x28, 0x2c, 0x30, 0x34, 0x38, 0x3c, 0x40, 0x44, 0x48,
];
const DEPTH = 32;
const [RX, TX, TIMEOUT] = [1 << 4, 1 << 5, 1 << 6];
const SHARES = [1 / 8, 1 / 4, 1 / 2, 3 / 4, 7 / 8];

export class Uart {
  constructor(mcu, name, irq) {
    Object.assign(this, { mcu, name, irq });
    this.registers = { [IBRD]: 0, [FBRD]: 0, [LCR_H]: 0, [CR]: 0x300, [IFLS]: 0x12, [IMSC]: 0, [DMACR]: 0 };
    this.raw = 0;
    this.sending = [];
    this.received = [];
    /** A byte has left the line: `(byte) => …`. */
    this.onByte = () => {};
    this.shift = mcu.clock.createAlarm(() => this.shifted());
    this.quiet = mcu.clock.createAlarm(() => {
      if (this.received.length) this.raise(TIMEOUT);
    });
    this.busy = false;
    this.overruns = 0;
  }

  get bitNanos() {
    const divider = this.registers[IBRD] + this.registers[FBRD] / 64;
    return (divider * 16 * 1e9) / this.mcu.clkPeri;
  }

  clkPeriChanged() {}

  raise(bit) {
    this.raw |= bit;
    this.update();
  }

  update() {
    this.mcu.setInterrupt(this.irq, (this.raw & this.registers[IMSC]) !== 0);
  }

  begin() {
    if (!this.busy && this.sending.length) {
      this.busy = true;
      this.shift.schedule(10 * this.bitNanos);
    }
  }

  shifted() {
    const threshold = SHARES[this.registers[IFLS] & 7] * DEPTH;
    const before = this.sending.length;
    const byte = this.sending.shift();
    this.busy = false;
    this.begin();
    if (before > threshold && this.sending.length <= threshold) this.raise(TX);
    this.onByte(byte);
  }

  /** A byte has arrived. */
  feed(byte) {
    if (this.received.length >= DEPTH) {
      this.overruns += 1;
      return;
    }
    this.received.push(byte);
    if (this.received.length >= SHARES[(this.registers[IFLS] >> 3) & 7] * DEPTH) this.raw |= RX;
    this.quiet.schedule(32 * this.bitNanos);
    this.update();
  }

  readUint32(offset) {
    switch (offset) {
      case DR: {
        const byte = this.received.shift() ?? 0;
        if (this.received.length < SHARES[(this.registers[IFLS] >> 3) & 7] * DEPTH) this.raw &= ~RX;
        if (!this.received.length) this.raw &= ~TIMEOUT;
        this.update();
        return byte;
      }
      case FR:
        return (
          (this.sending.length ? 0 : 1 << 7) |
          (this.received.length >= DEPTH ? 1 << 6 : 0) |
          (this.sending.length >= DEPTH ? 1 << 5 : 0) |
          (this.received.length ? 0 : 1 << 4) |
          (this.busy ? 1 << 3 : 0)
        );
      case RIS:
        return this.raw;
      case MIS:
        return this.raw & this.registers[IMSC];
      default:
        return this.registers[offset] ?? 0;
    }
  }

  writeUint32(offset, value) {
    if (offset === DR) {
      if (this.sending.length < DEPTH) this.sending.push(value & 0xff);
      this.begin();
    } else if (offset === ICR) {
      this.raw &= ~value;
    } else {
      this.registers[offset] = value >>> 0;
    }
    this.update();
  }

  writeUint32Atomic(offset, value, kind) {
    const now = this.readUint32(offset);
    const to = [value, now ^ value, now | value, now & ~value][kind];
    this.writeUint32(offset, offset === ICR ? value : to);
  }
}

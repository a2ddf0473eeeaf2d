// The parts around the two chips.

import { celsius } from './thermocouple.js';

/** Bits of the rig's switch word; `outputs.rs` of the rig has the same. */
export const BIT = { connected: 0, reversed: 1, shorted: 2, grounded: 3, onSupply: 4, each: 5, supply: 15, contact: 16 };

/** A channel's converter behind its divider: −10…+80 mV over 16 bits. */
export const channelMillivolts = (code, [lowest, span] = [-10, 90]) => lowest + (span * code) / 65535;

/** Code of a 12-bit converter with a thermistor of 10 kΩ and 3,950 K to ground and 10 kΩ to its reference. */
export const thermistorCode = (celsius) => {
  const ohms = 10_000 * Math.exp(3950 * (1 / (celsius + 273.15) - 1 / 298.15));
  return Math.floor((4096 * ohms) / (ohms + 10_000));
};

/** The converter on the controller's board: registers of the 19-bit linearising part. */
export class Converter {
  static PERIOD = 100e6;

  /** @param terminals what is at its terminals now: `{ open, rails, millivolts }` */
  constructor(terminals, coldJunction, phase) {
    this.terminals = terminals;
    this.coldJunction = coldJunction;
    this.phase = phase;
    this.begin();
  }

  /** Its supply comes on: nothing converted, test for an open probe off. */
  begin() {
    this.registers = new Uint8Array(16);
    this.registers.set([0x00, 0x03, 0xff, 0x7f, 0xc0, 0x7f, 0xff, 0x80, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00]);
    this.converted = -Infinity;
    this.silent = this.silent ?? null;
    this.selected = false;
  }

  /** Takes the conversion that was due up to `now`, as the terminals are until then. */
  convertUpTo(now) {
    const at = Math.floor((now - this.phase) / Converter.PERIOD) * Converter.PERIOD + this.phase;
    if (at <= this.converted || !(this.registers[0] & 0x80)) return;
    this.converted = at;
    const { open, rails, millivolts } = this.terminals();
    const testsOpen = (this.registers[0] & 0x30) !== 0;
    let status = 0;
    let temperature = 0;
    if (rails) status = 0x02;
    else if (open) {
      status = testsOpen ? 0x01 : 0;
      temperature = this.coldJunction;
    } else {
      const found = celsius(millivolts, this.coldJunction);
      if (found === null) status = 0x40;
      temperature = found ?? (millivolts > 0 ? 1372 : -200);
    }
    const code = Math.round(temperature * 128);
    const cold = Math.round(this.coldJunction * 64);
    this.registers.set([(cold << 2) >> 8, (cold << 2) & 0xff], 0x0a);
    this.registers.set([(code >> 11) & 0xff, (code >> 3) & 0xff, (code << 5) & 0xff], 0x0c);
    this.registers[0x0f] = status;
  }

  select(now) {
    this.convertUpTo(now);
    this.selected = true;
    this.address = null;
  }

  deselect() {
    this.selected = false;
  }

  /** One byte each way. */
  exchange(byte) {
    if (this.silent !== null) return this.silent;
    if (this.address === null) {
      this.writing = (byte & 0x80) !== 0;
      this.address = byte & 0x0f;
      return 0xff;
    }
    const place = this.address;
    this.address = (this.address + 1) & 0x0f;
    if (this.writing && place < 0x0a) this.registers[place] = byte;
    return this.registers[place];
  }
}

/** A serial memory that keeps what it has without a supply; each byte is written as it arrives. */
export class Memory {
  constructor(bytes = 512) {
    this.cells = new Uint8Array(bytes).fill(0xff);
    this.enabled = false;
  }

  select() {
    this.received = [];
  }

  deselect() {
    if (this.received.length === 1 && this.received[0] === 0x06) this.enabled = true;
    else if (this.received[0] === 0x02) this.enabled = false;
  }

  exchange(byte) {
    const place = this.received.length;
    if (place < 3) {
      this.received.push(byte);
      if (place === 2) this.address = (this.received[1] << 8) | byte;
      return 0xff;
    }
    const cell = this.address % this.cells.length;
    this.address += 1;
    if (this.received[0] === 0x03) return this.cells[cell];
    if (this.received[0] === 0x02 && this.enabled) this.cells[cell] = byte;
    return 0xff;
  }
}

// One emulated RP2040 with its own clock.
//
// Around the emulator are the mends that make it usable for firmware that sleeps, and exact
// where this bench depends on it. They rely on internals of version 1.4.1.

import fs from 'node:fs';
import { createRequire } from 'node:module';
import path from 'node:path';
import { pathToFileURL } from 'node:url';
import { RP2040 } from 'rp2040js';
import { Uart } from './uart.js';

// The package does not export its clock.
const root = path.dirname(createRequire(import.meta.url).resolve('rp2040js')).replace(/dist[\\/]cjs$/, 'dist/esm');
const { SimulationClock } = await import(pathToFileURL(path.join(root, 'clock', 'simulation-clock.js')));

const FLASH = 0x10000000;
const VECTORS = FLASH + 0x100;
const WATCHDOG = 0x40058;
const SYSINFO = 0x40000;
const ROSC = 0x40060;
const TIMER = 0x40054;
const XIP_CTRL = 0x14000;
const CHIP_RESET = 0x40064;
/// Bits of the last reset in that block's third register (data sheet of the chip, 2.12.8; from memory).
export const [HAD_POR, HAD_RUN] = [1 << 8, 1 << 16];
const NANOS_PER_CYCLE = 8;

/** The boot ROM: its size, where its functions lie here, and those there are (two letters as in the data sheet). */
const BOOT_ROM = 16 << 10;
const ROM_CODE = 0x100;
const ROM_FUNCTIONS = ['lookup', 'IF', 'EX', 'RE', 'RP', 'FC', 'CX', 'C4'];

/** The loadable parts of a program: address in flash and bytes. */
export function loadElf(file) {
  const bytes = fs.readFileSync(file);
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.length);
  if (view.getUint32(0, false) !== 0x7f454c46 || bytes[4] !== 1) throw new Error(`${file} is no 32-bit ELF file`);
  const [offset, size, count] = [view.getUint32(28, true), view.getUint16(42, true), view.getUint16(44, true)];
  const parts = [];
  for (let at = offset; at < offset + size * count; at += size) {
    const length = view.getUint32(at + 16, true);
    const address = view.getUint32(at + 12, true);
    if (view.getUint32(at, true) === 1 && length > 0 && address >= FLASH && address < FLASH + (16 << 20)) {
      const from = view.getUint32(at + 4, true);
      parts.push({ address, bytes: bytes.subarray(from, from + length) });
    }
  }
  return parts;
}

/** Where a program's function lies, by a part of its name. */
export function functionIn(file, part) {
  const bytes = fs.readFileSync(file);
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.length);
  const [offset, size, count] = [view.getUint32(32, true), view.getUint16(46, true), view.getUint16(48, true)];
  const section = (number) => Array.from({ length: 10 }, (_, word) => view.getUint32(offset + number * size + 4 * word, true));
  for (let number = 0; number < count; number++) {
    const [, type, , , from, length, link] = section(number);
    if (type !== 2) continue;
    const names = section(link)[4];
    for (let at = from; at < from + length; at += 16) {
      const name = names + view.getUint32(at, true);
      if (bytes.toString('latin1', name, bytes.indexOf(0, name)).includes(part)) return view.getUint32(at + 4, true) & ~1;
    }
  }
  throw new Error(`${file} has no function ${part}`);
}

/** A small random generator (mulberry32, public domain), so that a bench repeats itself. */
export function dice(seed) {
  let state = seed >>> 0;
  return () => {
    state = (state + 0x6d2b79f5) >>> 0;
    let word = Math.imul(state ^ (state >>> 15), state | 1);
    word ^= word + Math.imul(word ^ (word >>> 7), word | 61);
    return ((word ^ (word >>> 14)) >>> 0) / 4294967296;
  };
}

export class Chip {
  /**
   * @param name for messages
   * @param flash what the flash holds
   * @param born bench time at which its clock began, nanoseconds
   * @param options silicon: what the platform register says; random: for the oscillator's noise;
   *   scratch, reason: what the watchdog's registers keep over its reset; clock: where it begins;
   *   lastReset: which of the chip's own resets was the last; memory: what the RAM kept, `null` for nothing
   */
  constructor(name, flash, born, { silicon = true, random = Math.random, scratch = null, reason = 0, clock = 0, lastReset = HAD_POR, memory = null } = {}) {
    this.name = name;
    this.born = born;
    this.clock = new SimulationClock();
    this.clock.nanosCounter = clock;
    this.mcu = new RP2040(this.clock);
    this.core = this.mcu.core;
    this.halt = false;
    this.trouble = [];
    this.onReset = () => {};
    this.mcu.logger = {
      debug() {},
      // A wake-up from one task to another comes as this instruction, which the emulator only logs.
      info: (_, text) => {
        if (text === 'SEV') this.core.eventRegistered = true;
      },
      warn: (who, text) => this.complain(who, text),
      error: (who, text) => this.complain(who, text),
    };
    this.mcu.onBreak = (code) => {
      if (this.core.PC < BOOT_ROM) return this.bootRom(code);
      this.complain('core', `breakpoint ${code} at ${this.core.PC.toString(16)}`);
      this.halt = true;
    };
    this.mcu.flash.set(flash);
    if (memory) this.mcu.sram.set(memory);
    else {
      const noise = dice(random() * 4294967296);
      this.mcu.sram.forEach((_, place, all) => (all[place] = noise() * 256));
    }
    this.lastReset = lastReset;
    // Each function of the boot ROM is a breakpoint and a return.
    for (let place = 0; place < ROM_FUNCTIONS.length; place++) this.mcu.bootrom[ROM_CODE / 4 + place] = 0x4770be00 | place;
    this.mcu.bootrom[0x14 / 4] = ROM_CODE;
    this.mcu.bootrom[0x18 / 4] = ROM_CODE | 1;
    this.flashErases = 0;
    this.mend(silicon, random);
    const watchdog = this.mcu.peripherals[WATCHDOG];
    this.watchdog = watchdog;
    if (scratch) watchdog.scratchData.set(scratch);
    watchdog.reason = reason;
    watchdog.onWatchdogTrigger = () => {
      watchdog.alarm.enable = false;
      watchdog.timer.enable = false;
      this.halt = true;
      this.onReset(watchdog.reason);
    };
    this.core.VTOR = VECTORS;
    this.core.SP = this.mcu.readUint32(VECTORS);
    this.core.PC = this.mcu.readUint32(VECTORS + 4) & ~1;
  }

  /** What the boot ROM's functions do that programs use to write to the flash; arguments as by the usual convention. */
  bootRom(code) {
    const { core, mcu } = this;
    const [r0, r1, r2] = core.registers;
    const name = ROM_FUNCTIONS[code];
    if (name === 'lookup') {
      const tag = String.fromCharCode(r1 & 0xff, r1 >> 8);
      const place = ROM_FUNCTIONS.indexOf(tag);
      if (place < 0) this.complain('boot ROM', `no function ${tag}`);
      core.registers[0] = place < 0 ? 0 : (ROM_CODE + 4 * place) | 1;
    } else if (name === 'RE') {
      mcu.flash.fill(0xff, r0, r0 + r1);
      this.flashErases += 1;
    } else if (name === 'RP') {
      // Programming only clears bits.
      for (let byte = 0; byte < r2; byte++) mcu.flash[r0 + byte] &= mcu.readUint8(r1 + byte);
    } else if (name === 'C4') {
      for (let at = 0; at < r2; at += 4) mcu.writeUint32(r0 + at, mcu.readUint32(r1 + at));
    }
  }

  complain(who, text) {
    // Registers that firmware sets and that have no effect here.
    if (/^USB$/.test(who) && text.startsWith('Unimplemented peripheral')) return;
    if (this.trouble.length < 50) this.trouble.push(`${this.name} ${who}: ${text}`);
  }

  mend(silicon, random) {
    const { mcu, clock } = this;
    const plain = (peripheral, read) => {
      const original = peripheral.readUint32.bind(peripheral);
      peripheral.readUint32 = (offset) => read(offset) ?? original(offset);
    };
    plain(mcu.peripherals[SYSINFO], (offset) => (offset === 4 ? (silicon ? 2 : 0) : undefined));
    mcu.peripherals[ROSC].readUint32 = (offset) => (offset === 0x1c ? (random() < 0.5 ? 0 : 1) : 0x80001000);
    mcu.peripherals[ROSC].writeUint32 = () => {};
    // An alarm fires when the counter reaches it, not up to a microsecond before.
    const timer = mcu.peripherals[TIMER];
    const write = timer.writeUint32.bind(timer);
    timer.writeUint32 = (offset, value) => {
      write(offset, value);
      if (offset >= 0x10 && offset <= 0x1c) {
        const micros = clock.nanosCounter / 1000;
        const whole = Math.floor(micros);
        const ahead = (value - (whole % 4294967296)) >>> 0;
        timer.alarms[(offset - 0x10) / 4].clockAlarm.schedule((whole + ahead) * 1000 - clock.nanosCounter);
      }
    };
    // Core supply at its standard voltage, brown-out detector on, and why the chip was last reset.
    const supply = [0x10b1, 0x91, this.lastReset];
    mcu.peripherals[CHIP_RESET] = { readUint32: (offset) => supply[offset / 4] ?? 0, writeUint32() {}, writeUint32Atomic() {} };
    // The cache: nothing is ever in flight, so its state is "ready" and "empty".
    mcu.peripherals[XIP_CTRL] = { readUint32: (offset) => (offset === 8 ? 3 : 0), writeUint32() {}, writeUint32Atomic() {} };
    mcu.uart[0] = new Uart(mcu, 'UART0', 20);
    mcu.peripherals[0x40034] = mcu.uart[0];
  }

  /** Bench time, nanoseconds. */
  get now() {
    return this.born + this.clock.nanosCounter;
  }

  get asleep() {
    return this.core.waiting;
  }

  /** Bench time of the next alarm; infinite if none is set. */
  get nextAlarm() {
    const { nextAlarm } = this.clock;
    return nextAlarm ? this.born + nextAlarm.nanos : Infinity;
  }

  /** Lets a sleeping chip sleep on, without passing an alarm. */
  sleepUntil(at) {
    const ahead = at - this.now;
    if (ahead > 0) this.clock.tick(ahead);
  }

  /** Runs until bench time `limit`, or until something sets `halt`. */
  run(limit) {
    const { clock, core } = this;
    const until = limit - this.born;
    this.halt = false;
    while (!this.halt) {
      if (core.waiting) {
        const next = clock.nextAlarm ? clock.nextAlarm.nanos : Infinity;
        const to = Math.min(next, until);
        clock.tick(Math.max(to - clock.nanosCounter, 0));
        if (core.waiting && clock.nanosCounter >= until) return;
      } else {
        if (clock.nanosCounter >= until) return;
        const nanos = core.executeInstruction() * NANOS_PER_CYCLE;
        const to = clock.nanosCounter + nanos;
        if (clock.nextAlarm && clock.nextAlarm.nanos <= to) clock.tick(nanos);
        else clock.nanosCounter = to;
      }
    }
  }

  /** Runs with its clock standing until it sleeps. */
  runFrozen() {
    const { clock, core } = this;
    this.halt = false;
    clock.tick(0);
    for (let left = 50_000_000; left > 0 && !this.halt; left--) {
      if (core.waiting) {
        clock.tick(0);
        if (core.waiting) return;
      }
      core.executeInstruction();
    }
    if (!this.halt) throw new Error(`${this.name} does not come to rest while its clock stands`);
  }

  /** Makes the processor hang: an endless loop with interrupts off. */
  hang() {
    const loop = (2 << 20) - 4;
    this.mcu.flash16[loop / 2] = 0xe7fe;
    this.core.PC = FLASH + loop;
    this.core.PM = true;
    this.core.waiting = false;
  }

  /** Makes the program give up, as if at a line of itself. The handler is given the place, and nothing else. */
  panic(handler, line) {
    const place = (2 << 20) - 64;
    // File and its length, line, column.
    [0, 0, line, 1].forEach((word, index) => this.mcu.flashView.setUint32(place + 4 * index, word, true));
    for (let register = 0; register < 4; register++) this.core.registers[register] = FLASH + place;
    this.core.PC = handler;
    this.core.waiting = false;
  }

  /** Sets an input; only a change is one. */
  drive(pin, high) {
    const gpio = this.mcu.gpio[pin];
    if (gpio.rawInputValue !== high) gpio.setInputValue(high);
  }

  /** Calls back with every change of a driven output. */
  watch(pin, callback) {
    const gpio = this.mcu.gpio[pin];
    let was = gpio.value === 1;
    gpio.addListener((value) => {
      const high = value === 1;
      if (high !== was) {
        was = high;
        callback(high);
      }
    });
  }
}

// Two chips, the parts between them, and time.
//
// Each chip has its own clock. The one that is behind runs; a chip that sleeps is not behind, as
// nothing can happen to it before its next alarm unless the other one does something. When one
// does, the other is brought to the same instant first, and then the sender's slice ends, so that
// an answer is never late. With both asleep time jumps.

import { Bus } from './bus.js';
import { Chip, HAD_POR, HAD_RUN, dice } from './chip.js';
import { BIT, Converter, Memory, channelMillivolts, thermistorCode } from './parts.js';
import { UsbHost } from './usb-host.js';

const QUANTUM = 1_000;
const MILLISECOND = 1e6;
const FIRST_INPUT = 10;
const RAIL = 21;
/// The rig's converter channel of GPIO 27.
const SENSOR = 1;
const [DAC_SELECTS, LATCH, ENABLE] = [[5, 6, 7], 8, 9];
const [CONVERTER_SELECTS, MEMORY_SELECT] = [[5, 6, 7], 8];
/// To ground: read-only converters; those of 12 bits.
const [PART_STRAP, SHORT_STRAP] = [18, 19];
/// Cycles of 8 ns in half a period of the controller's clock: 4 MHz, and 1 MHz for parts with registers.
const [HALF, HALF_OF_REGISTERS] = [16, 62];
const RELAYS = [10, 11, 12, 13];
const CONTACTS = [14, 15, 16, 17];
/// The first four lead to buttons, the sixth holds down the converters' data line.
const RIG_CONTACTS = 12;
const DATA_LINE = 5;
const CONFIGURATION = 0x1ff000;
const FLASH_BYTES = 2 << 20;

function flashOf(parts) {
  const flash = new Uint8Array(FLASH_BYTES).fill(0xff);
  for (const { address, bytes } of parts) flash.set(bytes, address - 0x10000000);
  return flash;
}

export class Bench {
  /**
   * @param options rig: its program (parts of an ELF file); controller: its program, or none;
   *   configuration: the controller's page; silicon: whether the rig's clock cannot be stopped;
   *   calibration: the rig's page; scales: what its channels give, `[lowest, span]` in mV each;
   *   supervisor: how long the controller is held in reset after its rail has risen, ms; drawn if not given
   *   played: the controller's converters are the rig's, by the converters' bus; twelveBit: it expects those of 12 bits;
   *   registers: it expects those with registers;
   *   loop: no controller, but wires from contacts 0 to 4 and the three channels to the inputs; seed; coldJunction in °C; onData: bytes from the rig for the host
   */
  constructor(options) {
    this.options = options;
    this.random = dice(options.seed ?? 1);
    this.silicon = options.silicon ?? false;
    this.onData = options.onData ?? (() => {});
    /** What happened on the wires, for tests: `(what, at, …)`. */
    this.onEvent = options.onEvent ?? (() => {});
    this.events = [];
    this.word = 0;
    this.channels = DAC_SELECTS.map(() => ({ code: null, codes: 0 }));
    this.contacts = CONTACTS.map(() => false);
    this.levels = RELAYS.map(() => false);
    this.looped = new Array(8).fill(0);
    this.rail = false;
    this.supply = false;
    this.memory = new Memory();
    this.converters = CONVERTER_SELECTS.map(
      (_, channel) => new Converter(() => this.terminals(channel), options.coldJunction ?? 20, -Math.floor(this.random() * Converter.PERIOD)),
    );
    /** What the sensor at the controller's terminals has, °C; `null`: it is broken off. */
    this.sensed = options.coldJunction ?? 20;
    this.controller = null;
    this.controllerFlash = options.controller ? flashOf(options.controller) : null;
    this.controllerFlash?.set(options.configuration ?? [], CONFIGURATION);
    this.rigResets = 0;
    /** Where the rig's timer stands at its first boot, nanoseconds. */
    this.rigStart = options.rigStart ?? 0;
    this.time = this.rigStart;
    this.controllerBoots = 0;
    this.trouble = [];
    /** How many ticks of the controller are still told: the first ones after a change of the switches. */
    this.ticksTold = 0;
    const flash = flashOf(options.rig);
    flash.set(options.calibration ?? [], CONFIGURATION);
    this.bootRig(flash, 0, null, 0, this.rigStart);
  }

  // ---- the rig ----

  bootRig(flash, born, scratch, reason, clock = 0, lastReset = HAD_POR, memory = null) {
    const { silicon, random } = this;
    const chip = new Chip('rig', flash, born, { silicon, random, scratch, reason, clock, lastReset, memory });
    chip.trouble = this.trouble;
    this.rig = chip;
    this.rigShift = 0;
    // A part that is selected takes what went over the bus when it is let go.
    chip.mcu.spi[0].onTransmit = (byte) => {
      this.rigShift = ((this.rigShift << 8) | byte) >>> 0;
      chip.mcu.spi[0].completeTransmit(0);
    };
    DAC_SELECTS.forEach((pin, channel) => {
      chip.watch(pin, (high) => {
        if (high && this.channels[channel].code !== null) this.setCode(channel, this.rigShift & 0xffff);
        if (!high) this.channels[channel].code ??= 0;
      });
    });
    this.bus = new Bus(chip);
    this.senses(this.sensed);
    this.latched = 0;
    this.enabled = false;
    chip.watch(LATCH, (high) => {
      if (high) this.latched = this.rigShift;
      this.switchesFollow();
    });
    chip.watch(ENABLE, (high) => {
      this.enabled = !high;
      this.switchesFollow();
    });
    chip.mcu.uart[0].onByte = (byte) => {
      if (!this.controller) return;
      this.bring(this.controller, chip);
      this.controller.mcu.uart[0].feed(byte);
      chip.halt = true;
    };
    this.usb = new UsbHost(chip, (data) => this.onData(data), () => this.horizon() !== Infinity);
    RELAYS.forEach((_, input) => chip.drive(FIRST_INPUT + input, this.levels[input]));
    chip.drive(RAIL, this.rail);
    chip.onReset = (why) => {
      this.rigResets += 1;
      this.rigDead = { scratch: chip.watchdog.scratchData.slice(), reason: why };
      // Its pins are inputs now, and the switches' enable is pulled up.
      this.enabled = false;
      this.switchesFollow();
      this.onEvent('rig reset', chip.now, why);
    };
  }

  restartRig() {
    const { scratch, reason, lastReset, memory = this.rig.mcu.sram, after = 0 } = this.rigDead;
    this.rigDead = null;
    const flash = this.rig.mcu.flash.subarray(0, FLASH_BYTES);
    this.bootRig(flash, this.rig.now + after, scratch, reason, 0, lastReset, memory);
  }

  /** The rig stands still for a while, its pins inputs, and begins anew; nothing survives in its watchdog. */
  stopRig(milliseconds, lastReset, memory) {
    this.rigDead = { scratch: null, reason: 0, lastReset, memory, after: milliseconds * MILLISECOND };
    this.enabled = false;
    this.switchesFollow();
    this.onEvent('rig stopped', this.rig.now, milliseconds);
    this.restartRig();
  }

  /** Its plug is pulled: what was in its memory is gone. */
  cutRig() {
    this.stopRig(0, HAD_POR, null);
  }

  /** Its supply sags below the level of its brown-out detector, and what is in its memory stays. */
  sagRig(milliseconds) {
    this.stopRig(milliseconds, HAD_POR, this.rig.mcu.sram);
  }

  /** Its reset pin is pulled. */
  pullRigReset(milliseconds) {
    this.stopRig(milliseconds, HAD_RUN, this.rig.mcu.sram);
  }

  /** The controller's terminals, and the sensor there, have another temperature. */
  warm(celsius) {
    for (const converter of this.converters) {
      converter.convertUpTo(this.rig.now);
      converter.coldJunction = celsius;
    }
    this.senses(celsius);
  }

  senses(celsius) {
    this.sensed = celsius;
    this.rig.mcu.adc.channelValues[SENSOR] = celsius === null ? 4095 : thermistorCode(celsius);
  }

  setCode(channel, code) {
    this.converters[channel].convertUpTo(this.rig.now);
    this.channels[channel].code = code;
    this.channels[channel].codes += 1;
    this.onEvent('code', this.rig.now, channel, code);
  }

  switchesFollow() {
    const word = this.enabled ? this.latched : 0;
    if (word === this.word) return;
    const now = this.rig.now;
    for (const converter of this.converters) converter.convertUpTo(now);
    const changed = word ^ this.word;
    this.word = word;
    this.onEvent('switches', now, word);
    this.ticksTold = 3;
    if (changed & (1 << BIT.supply)) this.supplySwitched((word & (1 << BIT.supply)) !== 0, now);
    for (let output = 0; output < RIG_CONTACTS; output++) {
      if ((changed >>> (BIT.contact + output)) & 1) this.contactWorked(output, (word >>> (BIT.contact + output)) & 1, now);
    }
    if (this.options.loop) this.loopFollows(now);
    this.rig.halt = true;
  }

  /** The loop-back wires: a switch and an optocoupler take their time. */
  loopFollows(now) {
    for (let input = 0; input < 8; input++) {
      const bits = this.word >>> ((input - 5) * BIT.each);
      const high = input < 5 ? (this.word >>> (BIT.contact + input)) & 1 : (bits >>> BIT.connected) & (bits >>> BIT.onSupply) & 1;
      if (this.looped[input] === high || this.options.broken?.includes(input)) continue;
      this.looped[input] = high;
      const at = now + (0.2 + this.random()) * MILLISECOND;
      this.later(at, `loop ${input}`, () => {
        this.bring(this.rig, null, at);
        this.rig.drive(FIRST_INPUT + input, high === 1);
      });
    }
  }

  /** What a channel's switches and converter make of the controller's terminals. */
  terminals(channel) {
    const bits = this.word >>> (channel * BIT.each);
    const is = (bit) => ((bits >>> bit) & 1) !== 0;
    if (is(BIT.grounded) || is(BIT.onSupply)) return { open: false, rails: true, millivolts: 0 };
    if (!is(BIT.connected)) return { open: true, rails: false, millivolts: 0 };
    const played = channelMillivolts(this.channels[channel].code ?? 0, this.options.scales?.[channel]);
    const millivolts = is(BIT.shorted) ? 0 : is(BIT.reversed) ? -played : played;
    return { open: false, rails: false, millivolts };
  }

  // ---- the controller ----

  /** Its rail follows the switch after a while: the supply's start, or the capacitors. */
  supplySwitched(on, now) {
    this.supply = on;
    this.events = this.events.filter((event) => event.kind !== 'rail');
    if (on === this.rail) return;
    const delay = on ? 0.5 + 2 * this.random() : 6 + 6 * this.random();
    this.later(now + delay * MILLISECOND, 'rail', () => this.railFollows());
  }

  railFollows() {
    const now = this.time;
    this.rail = this.supply;
    this.onEvent('rail', now, this.rail);
    this.bring(this.rig, null, now);
    this.rig.drive(RAIL, this.rail);
    this.events = this.events.filter((event) => event.kind !== 'boot');
    if (!this.rail) {
      this.controller = null;
      RELAYS.forEach((_, relay) => this.relayDriven(relay, false, now));
    } else if (this.controllerFlash) {
      // Its supervisor holds it in reset for a while, longer or shorter by more than a tick: so that its ticks are in no
      // fixed phase to the run.
      const boots = now + (this.options.supervisor ?? 150 + 110 * this.random()) * MILLISECOND;
      this.later(boots, 'boot', () => this.bootController(boots, null, 0));
    }
  }

  bootController(now, scratch, reason) {
    this.controllerBoots += 1;
    for (const converter of this.converters) converter.begin();
    const chip = new Chip('controller', this.controllerFlash, now, { random: this.random, scratch, reason });
    chip.trouble = this.trouble;
    this.controller = chip;
    const played = this.options.played ?? false;
    const converters = played ? CONVERTER_SELECTS.map((_, channel) => this.playedConverter(channel, chip)) : this.converters;
    const parts = [...converters, this.memory];
    chip.drive(PART_STRAP, !played || this.options.registers);
    chip.drive(SHORT_STRAP, !this.options.twelveBit);
    const selected = new Set();
    [...CONVERTER_SELECTS, MEMORY_SELECT].forEach((pin, place) => {
      chip.watch(pin, (high) => {
        if (high && selected.delete(place)) parts[place].deselect();
        else if (!high) {
          // At each tick it looks at the first one.
          if (place === 0 && this.ticksTold-- > 0) this.onEvent('tick', chip.now);
          selected.add(place);
          parts[place].select(chip.now);
        }
      });
    });
    chip.mcu.spi[0].onTransmit = (byte) => {
      let answer = 0xff;
      for (const place of selected) answer &= parts[place].exchange(byte);
      chip.mcu.spi[0].completeTransmit(answer);
    };
    RELAYS.forEach((pin, relay) => chip.watch(pin, (high) => this.relayDriven(relay, high, chip.now)));
    CONTACTS.forEach((pin, output) => chip.drive(pin, !this.contacts[output]));
    chip.mcu.uart[0].onByte = (byte) => {
      this.bring(this.rig, chip);
      this.rig.mcu.uart[0].feed(byte);
      chip.halt = true;
    };
    chip.onReset = (why) => {
      this.onEvent('controller reset', chip.now, why);
      RELAYS.forEach((_, relay) => this.relayDriven(relay, false, chip.now));
      this.controllerDead = { scratch: chip.watchdog.scratchData.slice(), reason: why };
    };
  }

  /** What the controller finds on a select where the rig plays its converters. */
  playedConverter(channel, chip) {
    const at = (act) => {
      this.bring(this.rig, chip);
      return act();
    };
    let word = [];
    return {
      select: () => {
        word = [];
        at(() => this.bus.select(channel));
      },
      exchange: (sent) => {
        const { registers } = this.options;
        const byte = at(() => (registers ? this.bus.exchange(sent, HALF_OF_REGISTERS) : this.bus.byte(HALF)));
        word.push(byte);
        return byte;
      },
      deselect: () => {
        at(() => this.bus.release(channel));
        if (channel === 0) this.onEvent('look', chip.now, ...word);
        // The rig notes when a part is let go.
        chip.halt = true;
      },
    };
  }

  relayDriven(relay, high, at) {
    if (this.levels[relay] === high) return;
    this.levels[relay] = high;
    this.onEvent('relay', at, relay, high);
    this.bring(this.rig, null, at);
    this.rig.drive(FIRST_INPUT + relay, high);
    if (this.controller) this.controller.halt = true;
  }

  /** A contact bounces before it rests. */
  contactWorked(output, closed, now) {
    if (output === DATA_LINE) {
      for (const converter of this.converters) converter.silent = closed ? 0 : null;
    }
    if (output >= CONTACTS.length) return;
    this.contacts[output] = closed !== 0;
    this.events = this.events.filter((event) => event.kind !== `contact ${output}`);
    const quiet = now + 20 * this.random() * MILLISECOND;
    const settle = (level) => () => {
      if (!this.controller) return;
      this.bring(this.controller, null, this.time);
      this.controller.drive(CONTACTS[output], !level);
    };
    for (let at = now, level = this.contacts[output]; at < quiet; at += (0.2 + 3 * this.random()) * MILLISECOND, level = !level) {
      this.later(at, `contact ${output}`, settle(level));
    }
    this.later(quiet, `contact ${output}`, () => {
      this.onEvent('quiet', this.time, output);
      settle(this.contacts[output])();
    });
  }

  /** Toggles a sensed input so many times, whatever the controller does. */
  pulse(input, first, half, count) {
    const toggle = (number) => {
      if (number >= count) return;
      const at = first + number * half;
      this.later(at, `pulse ${input}`, () => {
        this.bring(this.rig, null, at);
        this.rig.drive(FIRST_INPUT + input, number % 2 === 0);
        toggle(number + 1);
      });
    };
    toggle(0);
  }

  // ---- time ----

  later(at, kind, act) {
    const place = this.events.findIndex((event) => event.at > at);
    this.events.splice(place < 0 ? this.events.length : place, 0, { at, kind, act });
  }

  /** Brings a sleeping chip to an instant at which something happens to it. */
  bring(chip, to, at = to.now) {
    // Held in reset until then; it will find its pins as they are.
    if (at < chip.born) return;
    if (chip.asleep) chip.sleepUntil(Math.min(at, chip.nextAlarm));
    if (Math.abs(chip.now - at) > 2 * QUANTUM) this.trouble.push(`${chip.name} is at ${chip.now}, not at ${at}`);
  }

  /** Before something comes from outside: a rig that sleeps may have been left behind by a controller that ran. */
  meet() {
    const { rig, controller } = this;
    if (controller && rig.asleep) rig.sleepUntil(Math.min(controller.now, rig.nextAlarm));
  }

  /** How far the host has granted, in bench time; infinite while the clock runs by itself. */
  horizon() {
    if (this.silicon) return Infinity;
    const [low, high] = [this.rig.watchdog.scratchData[2], this.rig.watchdog.scratchData[3]];
    if (!(high >>> 31)) return Infinity;
    return this.rig.born + ((high & 0x7fffffff) * 4294967296 + low) * 1000;
  }

  isFrozen() {
    return this.rig.now >= this.horizon();
  }

  /** Whether nothing moves until the host says something. */
  get waitsForHost() {
    return this.isFrozen() && this.rig.asleep && !this.rigDead;
  }

  /** Runs up to bench time `until`, or until only the host moves things on, or until `deadline()`. */
  run(until, deadline = () => false) {
    for (let slices = 1; ; slices++) {
      if ((slices & 63) === 0 && deadline()) return;
      this.restartWhatDied();
      const { rig, controller } = this;
      const horizon = this.horizon();
      const limit = Math.min(until, Math.max(horizon, rig.now), this.events[0]?.at ?? Infinity);
      const [first, second] = controller && ready(controller) < ready(rig) ? [controller, rig] : [rig, controller];
      if (ready(first) < limit) {
        const other = second ? (second.asleep ? second.nextAlarm : second.now + QUANTUM) : Infinity;
        first.run(Math.min(limit, Math.max(other, ready(first) + 1)));
        continue;
      }
      // Nothing happens before the limit by itself.
      if (rig.asleep) rig.sleepUntil(limit);
      if (controller?.asleep) controller.sleepUntil(limit);
      if (this.events.length && this.events[0].at <= limit) {
        this.time = this.events[0].at;
        this.events.shift().act();
      } else if (rig.now >= horizon) {
        rig.runFrozen();
        if (rig.asleep && this.isFrozen() && !this.rigDead) return;
      } else if (rig.now >= until) {
        return;
      }
    }
  }

  restartWhatDied() {
    if (this.rigDead) this.restartRig();
    if (this.controllerDead) {
      const { scratch, reason } = this.controllerDead;
      this.controllerDead = null;
      if (this.controller) this.bootController(this.controller.now, scratch, reason);
    }
  }
}

/** When a chip does something next by itself. */
function ready(chip) {
  return chip.asleep ? chip.nextAlarm : chip.now;
}

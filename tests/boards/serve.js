// The two-board bench behind a pseudo-terminal, for `dryfire run --port`.
//
//   node serve.js --rig ELF [--controller ELF] --port LINK [--page HEX] [--seed N]
//                 [--silicon] [--speed N] [--calibration HEX] [--start MICROSECONDS]
//                 [--scales LOWEST:SPAN,… in mV] [--loop] [--broken INPUT,…] [--patient] [--played [--twelve-bit|--registers]]
//                 [--supervisor MILLISECONDS] [--cold CELSIUS]
//
// Prints `ready LINK` when the port is there, then one line of JSON for everything that happens
// on the wires with `--trace`. Reads instructions from standard input, a word to a line; `end`
// or the end of the input ends it.

import { spawn } from 'node:child_process';
import fs from 'node:fs';
import readline from 'node:readline';
import { parseArgs } from 'node:util';
import { Bench } from './bench.js';
import { functionIn, loadElf } from './chip.js';

const { values } = parseArgs({
  options: {
    rig: { type: 'string' },
    controller: { type: 'string' },
    port: { type: 'string' },
    page: { type: 'string', default: '' },
    seed: { type: 'string', default: '1' },
    silicon: { type: 'boolean', default: false },
    speed: { type: 'string', default: '1' },
    start: { type: 'string', default: '0' },
    calibration: { type: 'string', default: '' },
    scales: { type: 'string' },
    loop: { type: 'boolean', default: false },
    broken: { type: 'string', default: '' },
    trace: { type: 'boolean', default: false },
    patient: { type: 'boolean', default: false },
    played: { type: 'boolean', default: false },
    'twelve-bit': { type: 'boolean', default: false },
    registers: { type: 'boolean', default: false },
    supervisor: { type: 'string' },
    cold: { type: 'string', default: '20' },
  },
});

const say = (value) => process.stdout.write(`${typeof value === 'string' ? value : JSON.stringify(value)}\n`);
const micros = (nanos) => Math.round(nanos) / 1000;

/// Since when the host has not answered what the rig has sent.
let owed = null;

const port = spawn('socat', [`PTY,link=${values.port},rawer`, 'STDIO'], { stdio: ['pipe', 'pipe', 'inherit'] });
const bench = new Bench({
  rig: loadElf(values.rig),
  controller: values.controller ? loadElf(values.controller) : null,
  configuration: Buffer.from(values.page, 'hex'),
  seed: Number(values.seed),
  rigStart: Number(values.start) * 1000,
  silicon: values.silicon,
  calibration: Buffer.from(values.calibration, 'hex'),
  scales: values.scales?.split(',').map((pair) => pair.split(':').map(Number)),
  loop: values.loop,
  played: values.played,
  twelveBit: values['twelve-bit'],
  registers: values.registers,
  coldJunction: Number(values.cold),
  supervisor: values.supervisor === undefined ? undefined : Number(values.supervisor),
  broken: values.broken.split(',').filter(Boolean).map(Number),
  onData: (data) => {
    owed ??= { bench: bench.rig.now, wall: performance.now() };
    port.stdin.write(data);
  },
  onEvent: (what, at, ...rest) => {
    if (values.trace && what !== 'code') say({ what, at: micros(at), rest });
  },
});

const speed = Number(values.speed);
/// Longest time of the wall clock for which nothing else is looked at, milliseconds.
const SLICE = 4;
const slice = () => {
  const begun = performance.now();
  return () => performance.now() - begun > SLICE;
};
let anchor = null;
let turn = null;

/// With `--patient` the chips stand still for a host that is late by more than this much of their time, nanoseconds: what
/// is asked for is the link and not a loaded machine. For so long, in milliseconds; who is silent for longer is.
const LATE = 10e6;
const PATIENCE = 2_000;
const hostIsLate = () =>
  values.patient && owed && bench.rig.now - owed.bench > LATE && performance.now() - owed.wall < PATIENCE;

/** Where a clock that runs by itself should be now. */
function paced() {
  const wall = performance.now();
  anchor ??= { wall, bench: bench.rig.now };
  const due = anchor.bench + (wall - anchor.wall) * 1e6 * speed;
  // A machine that cannot keep up makes the chips slow; it does not make them hurry afterwards.
  if (due - bench.rig.now > 100e6 * speed) anchor = { wall, bench: bench.rig.now };
  return anchor.bench + (wall - anchor.wall) * 1e6 * speed;
}

function step() {
  turn = null;
  if (hostIsLate()) {
    anchor = null;
    turn = setTimeout(step, 1);
    return;
  }
  const deadline = slice();
  const granted = bench.horizon() !== Infinity;
  const until = granted ? Infinity : paced();
  if (granted) anchor = null;
  bench.run(until, deadline);
  if (bench.waitsForHost) return;
  if (bench.horizon() === Infinity && bench.rig.now >= until) turn = setTimeout(step, 1);
  else turn = setImmediate(step);
}

function wake() {
  if (turn) {
    clearTimeout(turn);
    clearImmediate(turn);
  }
  step();
}

port.stdout.on('data', (data) => {
  owed = null;
  // Up to now, so that they come when they come; not further than a slice where the machine cannot keep up, or
  // each answer of the host would wait for what the chips have fallen behind.
  if (bench.horizon() === Infinity && !bench.isFrozen()) bench.run(paced(), slice());
  bench.meet();
  if (values.trace) say({ what: 'heard', at: micros(bench.rig.now), rest: [] });
  bench.usb.send(new Uint8Array(data));
  wake();
});
port.on('exit', () => process.exit(0));

function end() {
  port.kill();
  process.exit(0);
}

const instructions = {
  end,
  state: () =>
    say({
      at: micros(bench.rig.now),
      word: bench.word,
      codes: bench.channels.map(({ code }) => code),
      millivolts: bench.channels.map((_, channel) => {
        const { open, millivolts } = bench.terminals(channel);
        return open ? null : millivolts;
      }),
      converted: bench.converters.map(({ phase }) => micros(phase)),
      levels: bench.levels,
      rail: bench.rail,
      boots: bench.controllerBoots,
      resets: bench.rigResets,
      cpu: Math.round(process.cpuUsage().user / 1000),
      horizon: micros(bench.horizon()),
      asleep: [bench.rig.asleep, bench.controller?.asleep],
      queued: bench.usb.queued,
      armed: bench.usb.armed !== null,
      trouble: bench.trouble,
    }),
  silence: (channel, byte) => (bench.converters[Number(channel)].silent = Number(byte)),
  answer: (channel) => (bench.converters[Number(channel)].silent = null),
  pulses: (input, first, half, count) => bench.pulse(Number(input), Number(first) * 1000, Number(half) * 1000, Number(count)),
  shift: (channel, bits, options = '{}') => say({ shifted: bench.bus.read(Number(channel), Number(bits), JSON.parse(options)) }),
  converse: (channel, bytes, options = '{}') =>
    say({ conversed: bench.bus.converse(Number(channel), JSON.parse(bytes), JSON.parse(options)) }),
  warm: (celsius) => bench.warm(Number(celsius)),
  sensor: (celsius) => bench.senses(celsius === 'off' ? null : Number(celsius)),
  hang: () => bench.rig.hang(),
  panic: () => bench.rig.panic(functionIn(values.rig, 'rust_begin_unwind'), 4321),
  unplug: () => bench.cutRig(),
  sag: (milliseconds) => bench.sagRig(Number(milliseconds)),
  reset: (milliseconds) => bench.pullRigReset(Number(milliseconds)),
};

readline.createInterface({ input: process.stdin }).on('line', (line) => {
  const [word, ...rest] = line.trim().split(/\s+/);
  if (!instructions[word]) say({ trouble: `no instruction ${word}` });
  else instructions[word](...rest);
  wake();
}).on('close', end);

const appears = setInterval(() => {
  if (!fs.existsSync(values.port) || !bench.usb.connected) return;
  clearInterval(appears);
  say(`ready ${values.port}`);
}, 5);
step();

// The card's microcontroller, emulated by rp2040js, with the bus on its pins and a line on its UART.
//
// Usage: node emulator.mjs MODULES IMAGE PINS, where MODULES holds rp2040js, IMAGE is card.bin and PINS the pin table as
// JSON. Then one command a line on standard input, as a JSON array [name, arguments ...], and one answer a line.
//
// What is not the emulator's own, and why:
// - It steps the state machines beside the processor, one instruction a cycle of 8 ns (the package runs them loosely),
//   and steps only those that are on (the package steps all).
// - All pins are read from one number, kept up to date, and not pin by pin. It is the same value, sooner.
// - The UART has its 32-byte FIFO and takes its time for each byte; the package's swallows any number at once.
import { readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { createInterface } from 'node:readline';
import { UsbHost } from './usb_host.mjs';

const [modules, image, pinTable] = process.argv.slice(2);
const { RP2040 } = createRequire(`${modules}/`)('rp2040js');
const { pins, image: { load, vectors } } = JSON.parse(pinTable);
const CYCLE_NS = 8;
const MS = 1_000_000;
const UART_FIFO = 32;
const UART_DR = 0;
const UART_FR = 0x18;
const FLAG_FULL = 1 << 5, FLAG_EMPTY = 1 << 7;
const RING_END = 0x44; // write address of DMA channel 1
const RING_BYTES = 32768;
const GARBAGE = [0xff, 0x00, 0xa5, 0x5a];

class Card {
  constructor() {
    const mcu = new RP2040();
    this.mcu = mcu;
    this.clock = mcu.clock;
    mcu.logger = { debug() {}, info() {}, warn: this.complain, error: this.complain };
    mcu.flash.set(readFileSync(image), load - 0x10000000);
    for (const pio of mcu.pio) pio.run = () => {};
    this.machines = mcu.pio.flatMap((pio) => pio.machines);
    this.running = [];
    for (const pio of mcu.pio) {
      const write = pio.writeUint32.bind(pio);
      pio.writeUint32 = (offset, value) => {
        write(offset, value);
        if (offset === 0) this.running = this.machines.filter((one) => one.enabled);
      };
    }
    this.joinPins();
    this.joinUart();
    this.events = []; // [t_ns, pin, level], ascending from `nextEvent`
    this.nextEvent = 0;
    this.debt = 0;
    this.garbage = 0;
    this.joinLooks();
    for (const [name, level] of Object.entries({ iow: 1, aen: 0, reset: 0, power: 1, jumper0: 1, jumper1: 1 })) {
      this.set(name, level);
    }
    this.host = new UsbHost(mcu);
    this.boot();
  }

  complain(_, message) {
    if (!/unimplemented peripheral/i.test(message)) process.stderr.write(`${message}\n`);
  }

  boot() {
    const { core } = this.mcu;
    core.VTOR = vectors;
    core.reset();
    core.PC = this.mcu.readUint32(vectors + 4) & ~1;
  }

  // Start where the boot ROM does: at the second stage, copied to RAM.
  bootByStage2() {
    const { mcu } = this;
    mcu.sram.set(mcu.flash.subarray(0, 256), 0x41f00);
    mcu.core.VTOR = 0;
    mcu.core.SP = 0x20041f00;
    mcu.core.PC = 0x20041f00;
  }

  joinPins() {
    const { mcu } = this;
    let value = 0, known = false;
    const forget = () => { known = false; };
    const slow = Object.getOwnPropertyDescriptor(Object.getPrototypeOf(mcu), 'gpioValues').get;
    Object.defineProperty(mcu, 'gpioValues', {
      get() {
        if (!known) [value, known] = [slow.call(mcu), true];
        return value;
      },
    });
    for (const pin of mcu.gpio) {
      const set = pin.setInputValue.bind(pin);
      pin.setInputValue = (level) => { forget(); set(level); };
    }
    this.forgetPins = forget;
    const pads = mcu.peripherals[0x4001c];
    const write = pads.writeUint32.bind(pads);
    pads.writeUint32 = (offset, level) => { forget(); write(offset, level); };
  }

  joinUart() {
    const uart = this.mcu.uart[0];
    this.byteNs = 10e9 / 115200;
    this.sent = []; // [t_ns of the end of its stop bit, byte]
    this.fifo = [];
    this.over = 0;
    const done = this.clock.createAlarm(() => {
      this.sent.push([this.clock.nanos, this.fifo.shift()]);
      if (this.fifo.length) done.schedule(this.byteNs);
    });
    const write = uart.writeUint32.bind(uart);
    uart.writeUint32 = (offset, value) => {
      if (offset !== UART_DR) return write(offset, value);
      if (this.byteNs === 0) return this.sent.push([this.clock.nanos, value & 0xff]);
      if (this.fifo.length > UART_FIFO) this.over++;
      this.fifo.push(value & 0xff);
      if (this.fifo.length === 1 && this.byteNs !== null) done.schedule(this.byteNs);
    };
    const read = uart.readUint32.bind(uart);
    uart.readUint32 = (offset) => {
      if (offset !== UART_FR) return read(offset);
      const waiting = this.fifo.length - 1; // but for the byte in the shift register
      return read(offset) & ~FLAG_EMPTY | (waiting >= UART_FIFO ? FLAG_FULL : 0) | (waiting <= 0 ? FLAG_EMPTY : 0);
    };
    this.setLine = (byteNs) => {
      this.byteNs = byteNs;
      done.cancel();
      if (byteNs === 0) for (; this.fifo.length;) this.sent.push([this.clock.nanos, this.fifo.shift()]);
      else if (byteNs !== null && this.fifo.length) done.schedule(byteNs);
    };
  }

  // How far the ring of bus cycles fills between two looks of the processor at where the DMA stands in it.
  joinLooks() {
    const { dma } = this.mcu;
    const read = dma.readUint32.bind(dma);
    let last = null;
    this.backlog = 0;
    dma.readUint32 = (offset) => {
      const value = read(offset);
      if (offset === RING_END) {
        if (last !== null) this.backlog = Math.max(this.backlog, (value - last & RING_BYTES - 1) / 4);
        last = value;
      }
      return value;
    };
  }

  set(name, level) {
    this.mcu.gpio[pins[name]].setInputValue(!!level);
  }

  bus(prefix, count, value) {
    for (let i = 0; i < count; i++) {
      const pin = this.mcu.gpio[pins[`${prefix}${i}`]];
      const level = !!(value >> i & 1);
      if (pin.rawInputValue !== level) pin.setInputValue(level);
    }
  }

  run(ns) {
    const { mcu, clock } = this;
    const { core } = mcu;
    const end = clock.nanos + ns;
    while (clock.nanos < end) {
      if (this.debt <= 0) this.debt += core.executeInstruction();
      this.debt--;
      while (this.nextEvent < this.events.length && this.events[this.nextEvent][0] <= clock.nanos) {
        this.events[this.nextEvent++][1]();
      }
      for (const machine of this.running) machine.step();
      clock.tick(CYCLE_NS);
    }
    if (this.nextEvent === this.events.length) [this.events, this.nextEvent] = [[], 0];
  }

  at(t, action) {
    this.events.push([t, action]);
  }

  // Bus cycles as an AT plays them: address first, then the strobe, data during it, all gone soon after its end.
  // Returns when each strobe ends.
  writes(list, { strobe = 530, setup = 160, hold = 30, data = 110, aen = 0 } = {}) {
    const ends = [];
    let last = 0;
    const start = this.clock.nanos;
    for (const [offset, port, value] of list) {
      const t = start + offset;
      this.at(t, () => { this.set('aen', aen); this.bus('a', 10, port); this.bus('d', 8, this.noise()); });
      this.at(t + setup, () => this.set('iow', 0));
      this.at(t + setup + Math.min(data, strobe - 40), () => this.bus('d', 8, value));
      this.at(t + setup + strobe, () => this.set('iow', 1));
      this.at(t + setup + strobe + hold, () => { this.bus('d', 8, this.noise()); this.bus('a', 10, this.noise() << 2); });
      last = t + setup + strobe;
      ends.push(last);
    }
    this.run(last + hold + CYCLE_NS * 2 - start);
    return ends;
  }

  // IOW# that goes low, high, low ... at the times of `edges` (ns from now), with address and data on the bus.
  ringing(port, value, edges) {
    const t = this.clock.nanos + 100;
    this.at(t - 100, () => { this.bus('a', 10, port); this.bus('d', 8, value); });
    edges.forEach((ns, number) => this.at(t + ns, () => this.set('iow', number & 1)));
    this.run(edges.at(-1) + 700);
  }

  noise() {
    return GARBAGE[this.garbage++ & 3];
  }

  // One control transfer of the USB host: setup packet and data out as hex; returns data in as hex, or "stall".
  control(setup, out = null) {
    const transfer = this.host.ask(Buffer.from(setup, 'hex'), out === null ? null : Buffer.from(out, 'hex'));
    for (let i = 0; i < 100 && transfer.result === null; i++) this.run(100_000);
    if (setup.startsWith('0005')) this.host.address = parseInt(setup.slice(4, 6), 16);
    return transfer.result;
  }

  take() {
    const { sent } = this;
    this.sent = [];
    return { now: this.clock.nanos, over: this.over, times: sent.map(([t]) => t), bytes: Buffer.from(sent.map(([, b]) => b)).toString('hex') };
  }
}

let card = new Card();
const COMMANDS = {
  fresh: () => { card = new Card(); },
  stage2: () => card.bootByStage2(),
  restart: () => { card.mcu.pio.forEach((pio) => pio.stop()); card.running = []; card.boot(); },
  run: (ns) => card.run(ns),
  // Time alone: nothing runs meanwhile.
  jump: (ns) => card.clock.tick(ns),
  line: (byteNs) => card.setLine(byteNs),
  set: (levels) => { for (const [name, level] of Object.entries(levels)) card.set(name, level); },
  pulse: (name, level, ns) => {
    const t = card.clock.nanos;
    card.at(t, () => card.set(name, level));
    card.at(t + ns, () => card.set(name, !level));
    card.run(ns + 100);
    return t;
  },
  writes: (list, how) => card.writes(list, how),
  ringing: (...given) => card.ringing(...given),
  take: () => card.take(),
  usbReset: () => { card.host.busReset(); card.run(MS); },
  usbControl: (...given) => card.control(...given),
  usbRead: (on) => { card.host.reading = on; card.host.wake(); },
  usbWrite: (hex) => { card.host.outgoing.push(Buffer.from(hex, 'hex')); card.host.wake(); card.run(MS); },
  usbTake: () => Buffer.from(card.host.received.splice(0)).toString('hex'),
  usbErrors: () => card.host.errors,
  backlog: () => card.backlog,
};

createInterface({ input: process.stdin }).on('line', (line) => {
  const [name, ...given] = JSON.parse(line);
  const value = COMMANDS[name](...given);
  process.stdout.write(`${JSON.stringify({ value: value ?? null, now: card.clock.nanos })}\n`);
});

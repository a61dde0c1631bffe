// The emulated board as a USB/IP device, for the `vhci-hcd` of a Linux kernel (Documentation/usb/usbip_protocol.rst): control and bulk
// transfers go to the firmware's own USB stack.
//
//   node usbip.mjs UF2 SOCKET [vanish=BYTES] [size=BYTES] [content=FILE] [supply=MV] [open=DO,CLK] [shorted=DI-CLK]
//                                  [id=ef4014] [tables=HEX] [control=SOCKET]
//
// Listens on a Unix socket. Each connection is a plugging in: the board starts afresh, the chip keeps its content. vanish: hang up
// once so many bulk bytes have passed, the first time only. content: loaded at the start, and written back after each connection.
// tables: what 5Ah answers; without them it answers FFh.
// control: a second socket that takes lines and answers each by `done` or by what was asked for. They hold from the next plugging in on:
//
//   pull-in BYTES     unplugged once after so many bulk bytes to the host; pull-out BYTES: to the programmer
//   once-changed N    unplugged once after the chip was told to erase or program N times
//   wires JSON        faults of the wiring, as `wiring.mjs` takes them
//   switch on|off     whether the supply switch is fitted; the chip then has no supply until it is fed
//   foreign MV        something else feeds the chip with so much, whatever the switch does; 0: nothing does
//   sum               answers the SHA-256 of what the chip holds now
//
// Emulated time never runs ahead of the clock on the wall, since the host's heartbeats follow that one; it may fall behind.

import { createHash } from 'node:crypto';
import fs from 'node:fs';
import net from 'node:net';
import { Board } from './board.mjs';
import { Chip } from './chip.mjs';

const EPIPE = -32, ECONNRESET = -104;
const SUBMIT = 1, UNLINK = 2, RET_SUBMIT = 3, RET_UNLINK = 4;
const IMPORT = Buffer.from('0111000300000000', 'hex');

const [file, socket, ...options] = process.argv.slice(2);
const option = Object.fromEntries(options.map((text) => text.split('=')));
const uf2 = fs.readFileSync(file);
const chip = new Chip(Number(option.size ?? 16 << 20));
if (option.content && fs.existsSync(option.content)) chip.content.set(fs.readFileSync(option.content));
if (option.id) chip.id = [...Buffer.from(option.id, 'hex')];
if (option.tables) chip.tables = Buffer.from(option.tables, 'hex');
let wires = { open: option.open?.split(',') ?? [], shorted: option.shorted?.split(',').map((pair) => pair.split('-')) ?? [] };
const supplyMv = option.supply === undefined ? null : Number(option.supply);
let pull = { all: Number(option.vanish ?? Infinity) }, switchFitted = false, foreign = 0;

const words = (...values) => {
  const bytes = Buffer.alloc(values.length * 4);
  values.forEach((value, at) => bytes.writeInt32BE(value | 0, at * 4));
  return bytes;
};

class Device {
  constructor(connection) {
    this.connection = connection;
    chip.powerUp();
    this.changes = chip.log.length;
    this.board = new Board(uf2, { chip, supplyMv: switchFitted ? 0 : supplyMv, switchFitted, wires });
    const { usb } = this.board, fed = foreign;
    if (fed) Object.defineProperty(this.board, 'supplyMv', { get: () => fed, set: () => {} });
    usb.address();
    this.waiting = new Map(); // transfers by endpoint and direction: 'in1', 'out1'
    usb.wants = (ep) => !!this.first(`in${ep}`);
    usb.came = (ep, data) => this.packet(ep, data);
    usb.sent = (ep, length) => {
      const transfer = this.first(`out${ep}`);
      if (!transfer) return;
      transfer.done += length;
      if (transfer.done >= transfer.data.length) this.end(`out${ep}`, 0);
      this.count();
    };
    this.began = performance.now() - this.board.ms;
    this.turn();
  }

  first(way) { return this.waiting.get(way)?.[0]; }

  count() {
    const { bytes } = this.board.usb, changes = chip.log.length - this.changes;
    const moved = { all: bytes.in + bytes.out, in: bytes.in, out: bytes.out, changes };
    if (Object.entries(pull).some(([what, most]) => moved[what] >= most)) {
      pull = {};
      this.gone = true;
      this.connection.end();
    }
  }

  turn() {
    if (this.gone) return;
    const ahead = this.board.ms - (performance.now() - this.began);
    if (ahead > 0.5) { setTimeout(() => this.turn(), Math.max(1, ahead)); return; }
    this.began = Math.max(this.began, performance.now() - this.board.ms - 5);
    this.board.run(1);
    this.count();
    setImmediate(() => this.turn());
  }

  /** The answer to the import: which device this is (high words of a path, numbers, speed, descriptors' head). */
  about() {
    const { device, configuration } = this.board.usb, about = Buffer.alloc(312);
    about.write('/emulated/1-1', 0);
    about.write('1-1', 256);
    words(1, 2, 2).copy(about, 288); // bus, device, full speed
    [8, 10, 12].forEach((at, n) => about.writeUInt16BE(device.readUInt16LE(at), 300 + n * 2));
    about.set([device[4], device[5], device[6], configuration[5], device[17], configuration[4]], 306);
    return Buffer.concat([IMPORT, about]);
  }

  submit(sequence, into, ep, length, setup, data) {
    const { usb } = this.board;
    if (ep === 0) {
      // The kernel's controller gives addresses by itself, and the device has its own already.
      const [type, request] = setup, addressing = type === 0 && request === 5;
      const answer = addressing ? Buffer.alloc(0)
        : usb.control(type, request, setup.readUInt16LE(2), setup.readUInt16LE(4), setup.readUInt16LE(6), data);
      this.reply(sequence, answer ? 0 : EPIPE, into ? answer?.length ?? 0 : length, into ? answer : null);
      return;
    }
    const way = (into ? 'in' : 'out') + ep, transfer = { sequence, length, data, done: 0, parts: [] };
    this.waiting.set(way, [...(this.waiting.get(way) ?? []), transfer]);
    if (into) usb.look();
    else if (length) usb.send({ out: ep }, data);
    else this.end(way, 0);
  }

  packet(ep, data) {
    const way = `in${ep}`, transfer = this.first(way);
    if (!transfer) { this.late = Buffer.concat([this.late ?? Buffer.alloc(0), data]); return; }
    if (this.late) { transfer.parts.push(this.late); transfer.done += this.late.length; this.late = null; }
    transfer.parts.push(data);
    transfer.done += data.length;
    if (data.length < 64 || transfer.done >= transfer.length) this.end(way, 0);
    this.count();
  }

  end(way, status) {
    const { sequence, done, parts } = this.waiting.get(way).shift();
    this.reply(sequence, status, done, way.startsWith('in') ? Buffer.concat(parts) : null);
  }

  reply(sequence, status, length, data) {
    if (this.gone) return;
    this.connection.write(words(RET_SUBMIT, sequence, 0, 0, 0, status, length, 0, 0, 0, 0, 0));
    if (data?.length) this.connection.write(data);
  }

  /** A transfer is taken back. What it had moved already would be lost with RET_UNLINK alone, so its own answer goes first. */
  unlink(sequence, target) {
    let status = 0;
    for (const [way, transfers] of this.waiting) {
      const at = transfers.findIndex((transfer) => transfer.sequence === target);
      if (at < 0) continue;
      const [transfer] = transfers.splice(at, 1);
      if (way.startsWith('out')) this.board.usb.queue.set(Number(way.slice(3)), []);
      if (transfer.done) this.reply(target, ECONNRESET, transfer.done, way.startsWith('in') ? Buffer.concat(transfer.parts) : null);
      else status = ECONNRESET;
    }
    this.connection.write(words(RET_UNLINK, sequence, 0, 0, 0, status, 0, 0, 0, 0, 0, 0));
  }
}

function serve(connection) {
  let device = null, bytes = Buffer.alloc(0);
  connection.on('error', () => {});
  connection.on('close', () => {
    if (device) device.gone = true;
    if (option.content) fs.writeFileSync(option.content, chip.content);
    console.log('unplugged');
  });
  connection.on('data', (more) => {
    bytes = Buffer.concat([bytes, more]);
    for (;;) {
      if (!device) {
        if (bytes.length < 40) return;
        if (bytes.readUInt16BE(2) !== 0x8003) { connection.destroy(); return; }
        bytes = bytes.subarray(40);
        device = new Device(connection);
        connection.write(device.about());
        console.log('plugged in');
        continue;
      }
      if (device.gone || bytes.length < 48) return;
      const word = (at) => bytes.readUInt32BE(at * 4), into = word(3) === 1;
      if (word(0) === UNLINK) {
        device.unlink(word(1), word(5));
        bytes = bytes.subarray(48);
      } else if (word(0) === SUBMIT) {
        const length = word(6), whole = 48 + (into ? 0 : length);
        if (bytes.length < whole) return;
        const setup = Buffer.from(bytes.subarray(40, 48)), data = Buffer.from(bytes.subarray(48, whole));
        const sequence = word(1), ep = word(4) & 15;
        bytes = bytes.subarray(whole);
        device.submit(sequence, into, ep, length, setup, data);
      } else {
        connection.destroy();
        return;
      }
    }
  });
}

fs.rmSync(socket, { force: true });
net.createServer(serve).listen(socket, () => console.log('ready'));

const commands = {
  'pull-in': (bytes) => { pull = { in: Number(bytes) }; },
  'pull-out': (bytes) => { pull = { out: Number(bytes) }; },
  'once-changed': (count) => { pull = { changes: Number(count) }; },
  wires: (text) => { wires = JSON.parse(text); },
  switch: (state) => { switchFitted = state === 'on'; },
  foreign: (mv) => { foreign = Number(mv); },
  sum: () => createHash('sha256').update(chip.content).digest('hex'),
};
if (option.control) {
  fs.rmSync(option.control, { force: true });
  net.createServer((connection) => {
    let text = '';
    connection.on('error', () => {});
    connection.on('data', (more) => {
      text += more;
      for (let end; (end = text.indexOf('\n')) >= 0; text = text.slice(end + 1)) {
        const [, name, value] = text.slice(0, end).match(/^(\S+) ?(.*)$/);
        connection.write(`${commands[name](value) ?? 'done'}\n`);
      }
    });
  }).listen(option.control);
}

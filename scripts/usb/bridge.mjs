// The emulated programmer as a USB/IP device on a Unix socket: control and bulk transfers of a kernel go to the firmware's own USB stack.
//
// usage: node bridge.mjs UF2 CONTENT SOCKET CONTROL
//
// Each connection to SOCKET is a plug-in: board and firmware start afresh, the chip keeps its content. CONTENT is the chip's content, 1 MiB.
// CONTROL takes lines:
//
//   pull-in BYTES     from the next plug-in on: unplugged after so many bulk bytes to the host; pull-out BYTES: to the programmer
//   once-changed N    the same, after the chip was erased or programmed N times
//   wires JSON        faults of the wiring, from the next plug-in on
//   switch on|off     whether the supply switch is fitted, from the next plug-in on; the chip then has no supply until it is fed
//   foreign MV        something else feeds the chip with so much, whatever the switch does; 0: nothing does
//   sum               answers the SHA-256 of what the chip holds
//
// Each is answered by a line: `done`, or what was asked for.
// Emulated time never runs ahead of the host's: an idle board would otherwise pass its two seconds without a word from the host in no time. What
// it lags behind while it works is not caught up. Speed and times here say nothing of hardware.

import { createHash } from 'node:crypto';
import fs from 'node:fs';
import net from 'node:net';
import { Board } from '../../firmware/emulator/board.mjs';
import { Chip } from '../../firmware/emulator/chip.mjs';

const [uf2File, contentFile, socket, control] = process.argv.slice(2);
const EPIPE = -32, ECONNRESET = -104, EOVERFLOW = -75;
const TURNS = 4000; // of the emulator between two looks at the host
const SUBMIT = 1, UNLINK = 2, RET_SUBMIT = 3, RET_UNLINK = 4;

/** A W25Q80DV: the emulator's chip with the id of one that really has 1 MiB. */
class Small extends Chip {
  constructor(content) {
    super(content.length);
    this.content.set(content);
    this.id = [0xef, 0x40, 0x14];
    this.changes = 0;
  }

  exchange(byte) {
    const answer = super.exchange(byte), [opcode] = this.got, count = this.got.length - 1;
    if (this.busy) return answer;
    if (opcode === 0x90 && count >= 4) return [this.id[0], 0x13][count % 2];
    return opcode === 0xab && count >= 4 ? 0x13 : answer;
  }

  finish() {
    const before = this.busyUntil;
    super.finish();
    if (this.busyUntil !== before) this.changes++;
  }

  /** The supply was off: what ran has ended. */
  powerUp() {
    Object.assign(this, { busyUntil: 0, status: 0, selected: false, got: [] });
  }
}

/** What the machine's own board holds high by its resistors, stronger than the programmer's pulls. */
const HELD = ['CS#', 'WP#', 'HOLD#'];

function hold({ wiring, mcu }, open) {
  const settle = wiring.settle.bind(wiring);
  wiring.settle = (net) => {
    const isDriven = net.low || net.members.some(({ gpio }) => mcu.gpio[gpio].outputEnable);
    const isHeld = net.members.some(({ name }) => HELD.includes(name) && !open.includes(name));
    return isHeld && !isDriven ? wiring.put(net, true) : settle(net);
  };
}

const uf2 = fs.readFileSync(uf2File), chip = new Small(fs.readFileSync(contentFile));
let wires = {}, switchFitted = false, foreign = 0, pull = {};

const words = (...list) => {
  const bytes = Buffer.alloc(list.length * 4);
  list.forEach((word, at) => bytes.writeInt32BE(word | 0, at * 4));
  return bytes;
};
const submitted = (seq, status, length, data) => {
  const head = words(RET_SUBMIT, seq, 0, 0, 0, status, length, 0, 0, 0, 0, 0);
  return data?.length ? Buffer.concat([head, data]) : head;
};

/** One plug-in. */
class Plugged {
  constructor(send, hangUp) {
    Object.assign(this, { send, hangUp, pull, waiting: new Map(), asked: new Set() });
    pull = {};
    chip.powerUp();
    this.changes = chip.changes;
    this.board = new Board(uf2, { chip, wires, switchFitted, supplyMv: switchFitted ? 0 : 3300 });
    const fed = foreign;
    if (fed) Object.defineProperty(this.board, 'supplyMv', { get: () => fed, set: () => {} });
    hold(this.board, wires.open ?? []);
    this.usb = this.board.usb;
    this.usb.enumerate();
    this.usb.reading = false; // a packet is taken only for a transfer that waits
  }

  submit(transfer) {
    const { ep, isIn } = transfer, key = ep | (isIn ? 0x80 : 0);
    if (!this.waiting.has(key)) this.waiting.set(key, []);
    const queue = this.waiting.get(key);
    queue.push(transfer);
    if (!isIn && queue.length === 1) this.usb.send({ out: ep }, transfer.data);
  }

  /** Moves what can be moved. */
  move() {
    const { bytes } = this.usb;
    if (bytes.in >= (this.pull.in ?? Infinity) || bytes.out >= (this.pull.out ?? Infinity)
      || chip.changes - this.changes >= (this.pull.changes ?? Infinity)) {
      this.gone = true;
      this.hangUp();
      return;
    }
    for (const [key, queue] of this.waiting) {
      const ep = key & 15;
      if (key & 0x80) this.take(ep, queue);
      else this.taken(ep, queue);
    }
  }

  take(ep, queue) {
    const box = this.usb.inbox.get(ep) ?? [];
    while (queue.length && box.length) {
      const transfer = queue[0], packet = box.shift();
      this.asked.delete(ep);
      const over = transfer.got + packet.length > transfer.length;
      if (!over) { transfer.parts.push(packet); transfer.got += packet.length; }
      if (over || packet.length < 64 || transfer.got === transfer.length) {
        queue.shift();
        this.send(submitted(transfer.seq, over ? EOVERFLOW : 0, transfer.got, Buffer.concat(transfer.parts)));
      }
    }
    const offset = 0x80 + ep * 8;
    if (queue.length && this.usb.held.has(offset) && !this.asked.has(ep)) {
      this.asked.add(ep);
      this.usb.take(offset);
    }
  }

  taken(ep, queue) {
    if (!queue.length || this.usb.queue.get(ep)?.length) return;
    const transfer = queue.shift();
    this.send(submitted(transfer.seq, 0, transfer.length, null));
    if (queue.length) this.usb.send({ out: ep }, queue[0].data);
  }

  control({ setup, data, seq, isIn, length }) {
    // The address is the kernel's own business here; the firmware has one already.
    const [type, request] = setup, isAddress = type === 0 && request === 5;
    const answer = isAddress ? Buffer.alloc(0)
      : this.usb.control(type, request, setup.readUInt16LE(2), setup.readUInt16LE(4), setup.readUInt16LE(6), data);
    if (answer === null) this.send(submitted(seq, EPIPE, 0, null));
    else this.send(submitted(seq, 0, isIn ? answer.length : length, isIn ? answer : null));
  }

  unlink(seq, target) {
    let status = 0;
    for (const [key, queue] of this.waiting) {
      const at = queue.findIndex((transfer) => transfer.seq === target);
      if (at < 0) continue;
      const [transfer] = queue.splice(at, 1);
      if (!transfer.isIn && at === 0) {
        this.usb.queue.set(key, []);
        if (queue.length) this.usb.send({ out: key }, queue[0].data);
      }
      // The answer to an unlink has no length: what has been moved goes out before it.
      if (transfer.got) this.send(submitted(target, ECONNRESET, transfer.got, Buffer.concat(transfer.parts)));
      else status = ECONNRESET;
    }
    this.send(words(RET_UNLINK, seq, 0, 0, 0, status, 0, 0, 0, 0, 0, 0));
  }

  describe() {
    const { device, configuration } = this.usb, bytes = Buffer.alloc(312);
    bytes.write('/emulated', 0);
    bytes.write('1-1', 256);
    bytes.writeUInt32BE(1, 288); // bus
    bytes.writeUInt32BE(2, 292); // device
    bytes.writeUInt32BE(2, 296); // full speed
    [8, 10, 12].forEach((at, n) => bytes.writeUInt16BE(device.readUInt16LE(at), 300 + n * 2));
    bytes.set([device[4], device[5], device[6], configuration[5], device[17], configuration[4]], 306);
    return bytes;
  }
}

fs.rmSync(socket, { force: true });
net.createServer((host) => {
  let input = Buffer.alloc(0), imported = false, output = [];
  const flush = () => { if (output.length && host.writable) host.write(Buffer.concat(output)); output = []; };
  // The write side first: closed both ways at once, QEMU would drop what it has not read yet.
  const plugged = new Plugged((bytes) => output.push(bytes), () => { flush(); host.end(); setTimeout(() => host.destroy(), 2000).unref(); });
  const AHEAD_MS = 2, now = () => performance.now();
  let lag = now() - plugged.board.ms;
  const run = () => {
    if (host.destroyed || plugged.gone) return;
    lag = Math.max(lag, now() - plugged.board.ms);
    let turns = 0;
    plugged.board.until(() => { if ((++turns & 63) === 0) plugged.move(); return turns > TURNS || plugged.gone || plugged.board.ms > now() - lag + AHEAD_MS; }, 60000);
    flush();
    if (plugged.board.ms > now() - lag) setTimeout(run, 1);
    else setImmediate(run);
  };
  host.on('data', (bytes) => {
    input = Buffer.concat([input, bytes]);
    while (!plugged.gone) {
      if (!imported) {
        if (input.length < 40) break;
        if (input.readUInt16BE(2) !== 0x8003) { host.destroy(); break; }
        input = input.subarray(40);
        imported = true;
        host.write(Buffer.concat([Buffer.from([1, 0x11, 0, 3, 0, 0, 0, 0]), plugged.describe()]));
        continue;
      }
      if (input.length < 48) break;
      const word = (at) => input.readUInt32BE(at * 4), isIn = word(3) === 1, ep = word(4) & 15, seq = word(1), length = word(6);
      if (word(0) === UNLINK) { plugged.unlink(seq, word(5)); input = input.subarray(48); continue; }
      if (word(0) !== SUBMIT) { host.destroy(); break; } // the guest says goodbye by a command that there is not
      const more = isIn ? 0 : length;
      if (input.length < 48 + more) break;
      const setup = Buffer.from(input.subarray(40, 48)), data = Buffer.from(input.subarray(48, 48 + more));
      input = input.subarray(48 + more);
      const transfer = { ep, isIn, seq, length, setup, data, got: 0, parts: [] };
      if (ep === 0) plugged.control(transfer);
      else plugged.submit(transfer);
    }
    flush();
  });
  host.on('error', () => {});
  host.on('close', () => {
    const { bytes, packets } = plugged.usb;
    console.log(`unplugged after ${bytes.in} bytes to the host in ${packets.in} packets, ${bytes.out} to the programmer`);
    for (const [complaint, times] of plugged.board.complaints) console.log(`emulator: ${complaint} (${times} times)`);
  });
  run();
}).listen(socket, () => console.log('ready'));

const commands = {
  'pull-in': (bytes) => { pull = { in: +bytes }; },
  'pull-out': (bytes) => { pull = { out: +bytes }; },
  'once-changed': (count) => { pull = { changes: +count }; },
  wires: (text) => { wires = JSON.parse(text); },
  switch: (state) => { switchFitted = state === 'on'; },
  foreign: (mv) => { foreign = +mv; },
  sum: () => createHash('sha256').update(chip.content).digest('hex'),
};
fs.rmSync(control, { force: true });
net.createServer((runner) => {
  let text = '';
  runner.on('data', (bytes) => {
    text += bytes;
    for (let end; (end = text.indexOf('\n')) >= 0; text = text.slice(end + 1)) {
      const [, name, value] = text.slice(0, end).match(/^(\S+) ?(.*)$/);
      runner.write(`${commands[name](value) ?? 'done'}\n`);
    }
  });
  runner.on('error', () => {});
}).listen(control);

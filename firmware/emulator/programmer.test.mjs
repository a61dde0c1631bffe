// The built firmware, as it is flashed, on a board in the emulator. Emulated time predicts nothing about hardware.
//
// usage: UF2=file node --test programmer.test.mjs

import assert from 'node:assert/strict';
import fs from 'node:fs';
import { after, test } from 'node:test';
import { crc32 } from 'node:zlib';
import { Board } from './board.mjs';
import { Chip } from './chip.mjs';
import { Host, request } from './host.mjs';
import { LINES } from './wiring.mjs';

const uf2 = fs.readFileSync(process.env.UF2);
const NAMES = Object.keys(LINES);
const ID = Buffer.from([0xef, 0x40, 0x18]);
const MIB = 1 << 20;
const measured = [];
const part = (chip, at, len) => Buffer.from(chip.content.subarray(at, at + len));
const same = (one, other) => assert.equal(Buffer.compare(one, other), 0, 'the bytes differ');

/** A board that is set up, its chip, and a host that has said hello. */
function bench({ size, ...options } = {}) {
  const chip = new Chip(size);
  const board = new Board(uf2, { chip, supplyMv: 3300, ...options });
  board.usb.enumerate();
  const host = new Host(board);
  host.about = host.hello();
  return { chip, board, host };
}

const identify = (host) => host.ask(request.transfer([0x9f], 3)).data;

/** Counts what `action` moves over the USB. */
function counted(host, action) {
  const { bytes } = host.usb, before = { out: bytes.out, in: bytes.in, turns: host.turns };
  const answer = action();
  return { answer, out: bytes.out - before.out, in: bytes.in - before.in, turns: host.turns - before.turns };
}

after(() => measured.forEach((line) => console.log(`measured: ${line}`)));

test('the device is what it should be on the USB', () => {
  const { board, host } = bench();
  const { usb } = board, { device } = usb;
  assert.deepEqual([device.readUInt16LE(8), device.readUInt16LE(10)], [0x1209, 0x0001]);
  assert.equal(usb.text(device[14]), 'firmhand');
  assert.equal(usb.text(device[15]), 'firmhand programmer');
  assert.equal(usb.text(device[16]), 'E6616408434C6A2B');
  assert.equal(host.about.serial, 'E6616408434C6A2B');
  // The descriptors by which Windows binds its own driver: BOS names the vendor request, which answers the set.
  const bos = usb.control(0x80, 6, 0x0f00, 0, 255);
  const platform = bos.indexOf(Buffer.from('df60ddd88945c74c9cd2659d9e648a9f', 'hex'));
  assert.ok(platform > 0, 'the platform capability of MS OS 2.0');
  const length = bos.readUInt16LE(platform + 20), code = bos[platform + 22];
  const set = usb.control(0xc0, code, 0, 7, length);
  assert.equal(set.length, length);
  assert.ok(set.includes('WINUSB'));
  assert.ok(set.includes(Buffer.from('{5F1E6B7C-0A94-4D3A-9C52-6E17D9B0F3A8}', 'utf16le')));
  assert.ok(set.includes(Buffer.from('DeviceInterfaceGUIDs', 'utf16le')));
});

test('identify, and read 1 MiB in one turn', () => {
  const { chip, host } = bench();
  same(identify(host), ID);
  assert.equal(host.ask(request.clock(24e6)).clock, 20833333);
  const { answer, out, in: back, turns } = counted(host, () => host.ask(request.read(0, MIB)));
  assert.equal(answer.read, MIB);
  same(answer.data, part(chip, 0, MIB));
  const share = MIB / (out + back);
  measured.push(`payload share of all bulk bytes of a non-blank read of 1 MiB: ${(share * 100).toFixed(2)} %`);
  measured.push(`turns for that MiB: ${turns}`);
  assert.ok(share >= 0.97);
  assert.ok(turns <= 2);
});

test('a digest is the one that the host computes', () => {
  const { chip, host } = bench();
  host.ask(request.clock(24e6));
  const { answer, out, in: back } = counted(host, () => host.ask(request.digest(0, MIB)));
  assert.equal(answer.digests, 256);
  for (let at = 0; at < 256; at++) assert.equal(answer.data.readUInt32LE(at * 4), crc32(part(chip, at * 4096, 4096)));
  measured.push(`a digest of 1 MiB moves ${out + back} bytes; of 16 MiB by the same frames at most ${16 * (out + back)}`);
  assert.ok(16 * (out + back) <= 32 << 10);
});

test('blank and repeated blocks cross in a few bytes', () => {
  const { chip, host } = bench({ size: MIB / 4 });
  host.ask(request.clock(24e6));
  for (let at = 0; at < chip.content.length; at += 8192) chip.content.fill(0xff, at, at + 4096);
  const { answer, out, in: back } = counted(host, () => host.ask(request.read(0, MIB / 4)));
  same(answer.data, part(chip, 0, MIB / 4));
  measured.push(`a half-blank chip of 256 KiB moves ${out + back} bytes; one of 16 MiB, 64 times that: ${((64 * (out + back)) / MIB).toFixed(2)} MiB`);
  assert.ok((64 * (out + back)) / MIB <= 8.3);
});

test('two data lines bring the same bytes', () => {
  for (const hz of [24e6, 5e6]) {
    const { chip, board, host } = bench();
    host.ask(request.clock(hz));
    for (const [at, len] of [[0, 8192], [4095, 4099], [77, 1]]) {
      const falls = board.clockFalls;
      const answer = host.ask(request.read(at, len, { opcode: 0x3b, dummy: 1, lines: 2 }));
      same(answer.data, part(chip, at, len));
      assert.equal(board.clockFalls - falls, len * 4);
    }
    const digest = host.ask(request.digest(0, 12288, { opcode: 0x3b, dummy: 1, lines: 2 }));
    for (let at = 0; at < 3; at++) assert.equal(digest.data.readUInt32LE(at * 4), crc32(part(chip, at * 4096, 4096)));
    same(identify(host), ID);
  }
});

test('erase, program and read again', () => {
  const { chip, host } = bench();
  host.ask(request.clock(24e6));
  const before = part(chip, 0, MIB);
  const erased = host.ask(request.erase([0x10000, 0x11000, 0x12000].map((at) => ({ at }))));
  assert.deepEqual([erased.ran, erased.stop], [3, null]);
  assert.ok(part(chip, 0x10000, 0x3000).every((byte) => byte === 0xff));
  same(part(chip, 0, 0x10000), before.subarray(0, 0x10000));
  same(part(chip, 0x13000, MIB - 0x13000), before.subarray(0x13000));
  const wanted = Buffer.from(Array.from({ length: 0x3000 }, (_, at) => (at * 11) ^ (at >> 7)));
  const { answer, turns } = counted(host, () => {
    const number = host.send(request.program(0x10000, wanted.length));
    host.data(number, wanted);
    return host.answer(number);
  });
  assert.deepEqual([answer.ran, answer.stop], [wanted.length, null]);
  same(host.ask(request.read(0x10000, wanted.length)).data, wanted);
  same(part(chip, 0, 0x10000), before.subarray(0, 0x10000));
  assert.equal(turns, 1);
});

test('64 KiB are programmed in one turn, and S6 is kept on the board', () => {
  const { chip, host } = bench();
  chip.pageNs = 0.1e6;
  chip.content.fill(0xff);
  host.ask(request.clock(24e6));
  const { answer, out, in: back, turns } = counted(host, () => {
    const number = host.send(request.program(0, 65536));
    host.data(number, Buffer.alloc(65536, 'abcdefg'));
    return host.answer(number);
  });
  assert.deepEqual([answer.ran, answer.stop], [65536, null]);
  same(part(chip, 0, 65536), Buffer.alloc(65536, 'abcdefg'));
  measured.push(`turns for 64 KiB programmed: ${turns}; bytes ${out + back}`);
  assert.ok(turns <= 1);
  chip.id = [0xff, 0xff, 0xff];
  const commands = chip.log.length;
  assert.deepEqual(host.ask(request.erase([{ at: 0 }])).stop, { differs: { id: [255, 255, 255], status: 0 } });
  assert.equal(chip.log.length, commands);
  chip.id = [...ID];
  chip.eraseNs = 1e9;
  const slow = host.ask(request.erase([{ at: 0, limit: 60000 }]));
  assert.equal(slow.ran, 0);
  assert.ok(slow.stop.busy >= 60000 && slow.stop.busy < 80000, JSON.stringify(slow));
});

test('the line test on a good clip', () => {
  const { host } = bench();
  const { lines, supply } = host.ask(request.lines()).lines;
  lines.forEach((line, at) => {
    assert.deepEqual([line.up, line.down, line.moved], [true, false, 1 << at], NAMES[at]);
    assert.ok(line.rise > 1000 && line.rise < 4000, `${NAMES[at]} rises in ${line.rise} ns`);
  });
  assert.ok(Math.abs(supply - 3300) < 10, `${supply} mV`);
  same(identify(host), ID);
});

test('the line test with an open, a grounded and a shorted contact; no command comes of it', () => {
  const { host, chip } = bench({ wires: { open: ['DO'], ground: ['WP#'], shorted: [['DI', 'CLK']] } });
  const { lines } = host.ask(request.lines()).lines;
  const line = Object.fromEntries(NAMES.map((name, at) => [name, lines[at]]));
  assert.ok(line.DO.rise < 500, `the open line rises in ${line.DO.rise} ns`);
  assert.ok(line['CS#'].rise > 1000);
  assert.deepEqual([line['WP#'].up, line['WP#'].rise, line['WP#'].moved], [false, null, 0]);
  const both = (1 << NAMES.indexOf('DI')) | (1 << NAMES.indexOf('CLK'));
  assert.deepEqual([line.DI.moved, line.CLK.moved], [both, both]);
  assert.deepEqual(chip.log, []);
});

test('supply: sensed, absent, too high, and switched', () => {
  assert.deepEqual(bench({ supplyMv: null }).host.ask(request.supply()).supply, { mv: null, fed: null });
  for (const mv of [0, 5000]) {
    const { host, board } = bench({ supplyMv: mv });
    const refused = host.ask(request.transfer([0x9f], 3)).refused;
    assert.ok(Math.abs(refused.supply - mv) < 10, JSON.stringify(refused));
    assert.equal(board.spiBytes, undefined, 'nothing was clocked');
  }
  const { host } = bench({ supplyMv: 0, switchFitted: true });
  assert.equal(host.ask(request.supply()).supply.fed, false);
  const { mv, fed } = host.ask(request.feed(true)).supply;
  assert.ok(fed && Math.abs(mv - 3300) < 10);
  same(identify(host), ID);
});

test('live watch, ended by a cancel', () => {
  const { host, board } = bench();
  const number = host.send(request.watch(20));
  for (let look = 0; look < 3; look++) assert.equal(host.answer(number).seen.lines.length, 6);
  host.send(request.cancel(), number);
  for (let answer = {}; !answer.released; ) answer = host.answer(number);
  assert.ok(!board.mcu.gpio[LINES.CLK].outputEnable);
});

/** Each request that reaches the chip or its lines: how it starts. */
const requests = {
  transfer: (host) => { host.ask(request.clock(100e3)); return host.send(request.transfer([3, 0, 0, 0], 4092)); },
  lines: (host) => host.send(request.lines()),
  read: (host) => host.send(request.read(0, MIB)),
  digest: (host) => host.send(request.digest(0, MIB)),
  program: (host) => { const number = host.send(request.program(0, 65536)); host.data(number, Buffer.alloc(65536, 0x55)); return number; },
  erase: (host) => host.send(request.erase(Array.from({ length: 40 }, (_, at) => ({ at: at * 4096 })))),
  watch: (host) => host.send(request.watch(20)),
};

function assertReleased(board) {
  for (const name of NAMES) {
    const pin = board.mcu.gpio[LINES[name]];
    assert.ok(!pin.outputEnable && pin.functionSelect === 5, `${name} is driven`);
    assert.equal(pin.pullupEnabled, name !== 'CLK' && name !== 'DI', `${name}'s pull`);
  }
}

/** Says hello anew, as the next program does, and shows that all is well. */
function goesOn(board) {
  const again = new Host(board);
  again.hello();
  same(identify(again), ID);
}

for (const [name, start] of Object.entries(requests)) {
  for (const ms of [0.5, 60]) {
    test(`the bus is suspended ${ms} ms after this began: ${name}`, () => {
      const { board, host, chip } = bench();
      host.ask(request.clock(24e6));
      start(host);
      board.run(ms);
      board.usb.suspend();
      const gone = board.mcu.clock.nanos;
      board.run(450); // the transfer's own time at the slowest clock is 330 ms
      assert.ok(chip.log.every(({ ns }) => ns <= gone + 100e6), 'a command began later than 100 ms after');
      assertReleased(board);
      board.usb.replug();
      goesOn(board);
    });

    test(`the program vanishes ${ms} ms after this began: ${name}`, () => {
      const { board, host, chip } = bench();
      host.ask(request.clock(24e6));
      start(host);
      board.run(ms);
      board.usb.reading = false;
      board.usb.forget();
      const gone = board.mcu.clock.nanos;
      board.run(2300);
      assert.ok(chip.log.every(({ ns }) => ns <= gone + 2.1e9), 'a command began later than 2 s after');
      assertReleased(board);
      board.usb.reading = true;
      goesOn(board);
    });
  }
}

test('a bus reset while a block is erased: it ends, no other begins', () => {
  const { board, host, chip } = bench();
  requests.erase(host);
  board.until(() => chip.busy);
  board.run(1);
  board.usb.replug();
  board.run(100);
  assert.equal(chip.log.length, 1);
  assert.ok(!chip.busy);
  goesOn(board);
});

test('garbage on the pipe before and between', () => {
  const { board, chip } = bench();
  const host = new Host(board);
  board.usb.send(host.pipe, Buffer.from(Array.from({ length: 300 }, (_, at) => [0xa7, 0x4e, 1, 1, at & 255][at % 5])));
  host.hello();
  board.usb.send(host.pipe, Buffer.from('a74e0101ffff', 'hex'));
  host.resyncing = true;
  same(identify(host), ID);
  board.usb.send(host.pipe, Buffer.alloc(64, 0xa7));
  same(identify(host), ID);
  assert.deepEqual(chip.log, []);
});

test('another version of the protocol is refused with ours', () => {
  const { board, host } = bench();
  const hello = Buffer.from('a74e090100000000010000000000000000', 'hex');
  hello.writeUInt16LE(crc32(hello.subarray(0, 10)) & 0xffff, 10);
  board.usb.send(host.pipe, hello);
  assert.deepEqual(host.answer(0).refused, { version: 1 });
});

test('the serial pair serves when nobody uses the bulk pair', () => {
  const { board, host, chip } = bench();
  const port = new Host(board, board.usb.port);
  port.resyncing = true;
  assert.ok(port.ask(request.hello()).refused.unable.includes('another program'));
  assert.ok(host.ask(request.release()).released);
  assertReleased(board);
  port.hello();
  same(identify(port), ID);
  same(port.ask(request.read(100, 20000)).data, part(chip, 100, 20000));
});
